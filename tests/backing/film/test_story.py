"""What a film shows when: in every kind of piece the cursor is where the guitar is."""

from __future__ import annotations

import bisect
import os
from itertools import pairwise
from typing import Any

import pytest

from backing import pieces
from backing.film.picture import fitted
from backing.film.shape import SIZES, shape
from backing.film.story import Story, tell
from phrases.files import shipped

HARD = bool(os.environ.get("HARD"))
PHRASES = sorted(shipped()) if HARD else ["lamp-oil", "spilt-flour"]
KINDS: list[tuple[str, dict[str, Any]]] = [
    ("demo", {"choruses": 2, "ending": "slow"}),
    ("demo", {"choruses": 1, "intro": "five", "ending": "tag"}),
    ("loop", {"start": 50, "goal": 70, "step": 10}),
    ("loop", {"shape": "ramp", "passes": 4, "phrase_rests": 2}),
    ("loop", {"bars": (3, 6)}),
    ("trade", {"gap": "echo", "passes": 2}),
    ("trade", {"gap": "two", "passes": 1}),
    ("trade", {"gap": "four", "passes": 1, "counted": "each"}),
]


def told(name: str, kind: str, words: dict[str, Any]) -> Story:
    return tell(getattr(pieces, kind)(name, **words), shape(SIZES[0]))


@pytest.mark.parametrize(("kind", "words"), KINDS)
@pytest.mark.parametrize("name", PHRASES)
def test_the_cursor_passes_every_note_when_it_is_heard(
    name: str, kind: str, words: dict[str, Any]
) -> None:
    story = told(name, kind, words)
    starts = [run.start for run in story.runs]
    assert starts == sorted(starts)
    for run in story.runs:
        for (t0, x0), (t1, x1) in pairwise(run.way):
            assert t0 < t1
            assert x0 < x1
    for section in story.stream.sections:
        for note in (*section.notes, *section.silent):
            if note.beat is None:
                continue
            at = float(section.start) + note.start
            run = story.runs[bisect.bisect_right(starts, at + 1e-6) - 1]
            assert run.way[0][0] - 1e-6 <= at <= run.way[-1][0] + 1e-3
            places = story.systems[run.system].places
            # Two strings are struck together: the cursor is at the earlier one.
            near = min(abs(when - at) for when, _ in run.way)
            assert near < 0.1
            assert places
    for steps in story.steps.values():
        times = [at for at, _ in steps]
        assert times == sorted(times)


def test_turns_and_tempos_are_those_of_the_stream() -> None:
    story = told("lamp-oil", "trade", {"gap": "response", "start": 50, "goal": 60, "step": 10})
    labels = [
        float(section.start) + label.seconds
        for section in story.stream.sections
        for label in section.labels
        if label.yours
    ]
    assert [at for at, yours in story.steps["yours"] if yours] == labels
    told_tempos = [value[0] for _, value in story.steps["tempo"] if isinstance(value, tuple)]
    assert list(dict.fromkeys(told_tempos)) == ["50", "60"]
    soon = [value[0] for at, value in story.steps["turn"] if isinstance(value, tuple)]
    first = soon.index("Your turn")
    assert soon[first - 3 : first] == ["Your turn in 3", "Your turn in 2", "Your turn in 1"]


def test_the_next_chord_is_counted_down_from_a_bar_before_it() -> None:
    rows = told("lamp-oil", "demo", {"choruses": 1, "tempo": 60}).steps["next"]
    counted = [value[1] for _, value in rows if isinstance(value, tuple)]
    assert counted[: counted.index(1) + 1] == [4, 3, 2, 1]


def test_the_neck_tells_whose_turn_it_is_also_of_what_the_left_hand_does_alone() -> None:
    story = told("lamp-oil", "trade", {"gap": "response", "passes": 1})
    assert any("bend" in note.how for note in story.notes)
    whose = dict(story.steps["yours"])
    shown = [(at, place[3]) for at, lit in story.steps["neck"] for place in lit]  # type: ignore[attr-defined]
    assert len({yours for _, yours in shown}) == 2
    for at, yours in shown:
        assert yours == whose[max(turn for turn in whose if turn <= at + 1e-6)], at


@pytest.mark.parametrize(("tempo", "seconds"), [(60, 8.0), (120, 6.0)])
def test_a_tip_stays_for_two_bars_and_long_enough_to_be_read(tempo: int, seconds: float) -> None:
    *_, (begun, words), (over, none) = told(
        "lamp-oil", "demo", {"choruses": 1, "tempo": tempo}
    ).steps["tip"]
    assert words
    assert none is None
    assert over - begun == pytest.approx(seconds, abs=0.01)


@pytest.mark.parametrize("name", sorted(shipped()) if HARD else ["towpath"])
def test_upright_a_long_bar_is_shown_in_parts_that_can_be_read(name: str) -> None:
    """A fret number, 1.85 staff spaces, has a fortieth of the height, less 3 pixels at most."""
    stream = pieces.demo(name, choruses=1)
    for strip in (False, True)[: 1 + HARD]:
        tall = shape(SIZES[2], strip=strip)
        story = tell(stream, tall)
        for one in story.systems:
            size, _, _ = fitted(one, tall.places["music"])
            assert 1.85 * size >= tall.height / 40 - 3
        for run in story.runs:
            xs = [x for _, x in run.way]
            assert all(-0.01 <= x <= story.systems[run.system].width + 0.01 for x in xs)
        # Whatever the parts, one goes on where the one before ended.
        whole = tell(stream, shape(SIZES[0]))
        here, there = (
            max(b.way[0][0] - a.way[-1][0] for a, b in pairwise(one.runs) if a.way and b.way)
            for one in (story, whole)
        )
        assert here == pytest.approx(there, abs=0.001)
