from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from backing.sheet.values import VALUES, NoteValue, pieces

SHORT = {"whole": "w", "half": "h", "quarter": "q", "eighth": "e", "16th": "s", "32nd": "t"}


def row(cuts: list[Fraction], rests: list[Fraction], compound: bool, end: int = 4) -> str:
    """Return how a bar is written: tied pieces joined by a hyphen, rests after r."""
    found = []
    for cut, parts in zip(
        cuts, pieces(cuts, Fraction(end), rests, compound=compound), strict=True
    ):
        words = [SHORT[part.value] + "." * part.dots for part in parts]
        found.append(" ".join("r" + w for w in words) if cut in rests else "-".join(words))
    return " ".join(found)


# How these are written is common practice (the middle of the bar, the beats of 12/8).
SIMPLE = [
    ("0", "", "w"),
    ("0 3", "3", "h. rq"),
    ("0 1 3", "", "q h q"),
    ("0 1", "", "q h."),
    ("0 1/2 3/2 2", "", "e q e h"),
    ("0 3/2 2", "", "q. e h"),
    ("0 3/2 5/2", "", "q. e-e q."),
    ("0 1/2", "", "e q.-h"),
    ("0 5/2", "", "h-e q."),
    ("0 1/4 3/4 1", "", "s e s h."),
    ("0 3/4 1", "", "e. s h."),
    ("0 1/4 1", "", "s e. h."),
    ("0 1", "1", "q rq rh"),
    ("0 1/2", "1/2", "e re rq rh"),
    ("0 1/2", "0", "re q.-h"),
    ("0 1/3 2/3 1", "", "e e e h."),
    ("0 2/3 1", "", "q e h."),
    ("0 2/3 4/3 2", "", "q q q h"),
    ("0 1/3", "", "e q-h."),
    ("0 1/5 2/5 3/5 4/5 1 2", "", "s s s s s q h"),
    ("0 2/3 2", "2", "q e-q rh"),
]
COMPOUND = [
    ("0", "", "w."),
    ("0 2", "", "h. h."),
    ("0 1 2", "", "q. q. h."),
    ("0 1 3", "", "q. q.-q. q."),
    ("0 3", "", "h.-q. q."),
    ("0 1/3 2/3 1", "", "e e e q.-h."),
    ("0 2/3 1", "1", "q e rq. rh."),
    ("0 2/3", "", "q e-q.-h."),
    ("0 1/2 1 2", "", "e. e. q. h."),
    ("0 1/3", "1/3", "e re re rq. rh."),
    ("0 5/3 2", "", "q.-q e h."),
    ("0 1/6 1/3 1 2", "", "s s q q. h."),
    ("0 1/4 1/2 3/4 1 2", "", "s. s. s. s. q. h."),
]


@pytest.mark.parametrize(
    ("cuts", "rests", "written", "compound"),
    [(*case, False) for case in SIMPLE] + [(*case, True) for case in COMPOUND],
)
def test_values(cuts: str, rests: str, written: str, compound: bool) -> None:
    assert (
        row([*map(Fraction, cuts.split())], [*map(Fraction, rests.split())], compound) == written
    )


def test_tuplets_say_what_they_are() -> None:
    def tuplets(cuts: str, compound: bool = False) -> list[tuple[int, int, str]]:
        found = pieces([*map(Fraction, cuts.split())], Fraction(4), (), compound=compound)
        every = [part.tuplet for parts in found for part in parts if part.tuplet]
        return list(dict.fromkeys((t.actual, t.normal, t.value) for t in every))

    assert tuplets("0 1/3 2/3 1") == [(3, 2, "eighth")]
    assert tuplets("0 2/3 4/3 2") == [(3, 2, "quarter")]
    assert tuplets("0 1/6 1/3 1/2 2/3 5/6 1") == [(6, 4, "16th")]
    assert tuplets("0 1/5 1") == [(5, 4, "16th")]
    assert tuplets("0 3/7 1") == [(7, 4, "16th")]
    assert tuplets("0 1/3 2/3 1", compound=True) == []
    assert tuplets("0 2/5 1", compound=True) == [(5, 3, "eighth")]


PLACES = st.sampled_from(
    sorted(
        {b + Fraction(n, d) for b in range(4) for d in (1, 2, 3, 4, 5, 6, 8, 12) for n in range(d)}
    )
)


@given(st.lists(PLACES, max_size=12, unique=True), st.booleans(), st.data())
def test_pieces_fill_their_spans(
    cuts: list[Fraction], compound: bool, data: st.DataObject
) -> None:
    cuts = sorted({Fraction(0), *cuts})
    rests = data.draw(st.sets(st.sampled_from(cuts)))
    found = pieces(cuts, Fraction(4), rests, compound=compound)
    for (start, end), parts in zip(pairwise([*cuts, Fraction(4)]), found, strict=True):
        assert parts[0].at == start
        assert parts[-1].at + parts[-1].beats == end
        for before, after in pairwise(parts):
            assert before.at + before.beats == after.at
        for part in parts:
            assert part.beats == _beats(part, compound)


def _beats(part: NoteValue, compound: bool) -> Fraction:
    """Return the beats of a written value, by its name, dots and tuplet alone."""
    length = VALUES[part.value] * (Fraction(3, 2) if part.dots else 1)
    if part.tuplet:
        length = length * part.tuplet.normal / part.tuplet.actual
    return length * (Fraction(8, 3) if compound else 4)
