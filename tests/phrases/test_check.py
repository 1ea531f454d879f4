from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest

from phrases.check import WEIGHTS, Report, check
from phrases.files import load_phrase, read_phrase, shipped
from phrases.phrase import Phrase, StringNote, Stroke
from phrases.roles import Chords, chord_roles
from tests.backing.material import line

A7 = [(Fraction(0), 9, chord_roles(9, ("1", "3", "5", "b7")))]


def written(
    *notes: str, tempo: int = 96, scale: str = "minor blues", roles: tuple[str, ...] = ()
) -> Phrase:
    named = roles or ("call", "response")
    parts = "".join(
        f"[[part]]\nrole = \"{role}\"\nnotes = '{line}'\n"
        for role, line in zip(named, notes, strict=False)
    )
    head = f'title = "T"\nkey = "A"\nscale = "{scale}"\ngroove = "shuffle"\ntempo = {tempo}\n'
    return read_phrase(head + parts)


def said(report: Report, weight: str) -> list[str]:
    return [f"{one.place}: {one.text}" for one in report.cautions if one.weight == weight]


@pytest.mark.parametrize("name", shipped())
def test_what_ships_can_be_played(name: str) -> None:
    phrase = load_phrase(name)
    report = check(phrase)
    assert report.playable
    picked = sum(len(s.notes) for part in phrase.parts for s in part.strokes)
    # A pre-bent note is picked too.
    starts = ("pick", "muted", "slide in", "pre-bend")
    assert sum(row.how.startswith(starts) for row in report.rows) == picked
    for _, other in phrase.variations:
        assert check(other).playable


def test_a_double_stop_too_wide() -> None:
    assert check(written("| 1 G5+B9 3 e5")).playable
    report = check(written("| 1 e5 | 2& G5+B10 3 e5"))
    assert said(report, "cannot") == ["call 2 2&: frets 5 and 10 at once: 5 frets at most"]
    assert not report.playable


def test_a_hammer_on_out_of_reach() -> None:
    report = check(written("| 1 e5h12"))
    (text,) = said(report, "cannot")
    assert text.startswith("call 1 1: fret ")
    assert text.endswith(": 5 frets at most")


def test_two_notes_on_one_string() -> None:
    phrase = written("| 1 e5 2 B5")
    twice = (StringNote("e", 5), StringNote("e", 7))
    strokes = (Stroke(Fraction(0), Fraction(1), twice),)
    part = replace(phrase.parts[0], strokes=strokes)
    report = check(replace(phrase, parts=(part,)))
    assert said(report, "cannot") == ["call 1 1: two notes on string e at once"]


def test_a_shift_is_measured_and_not_judged() -> None:
    """At 60 beats a minute a straight off-beat is half a second away, at 200 0.15 s."""
    notes = "| 1 E1 & E15 2 E1"
    slow, fast = (check(written(notes, tempo=tempo), swing=1.0) for tempo in (60, 200))
    assert slow.tightest is not None
    assert fast.tightest is not None
    assert slow.tightest.has == 0.5
    assert fast.tightest.has == pytest.approx(0.15)
    assert str(fast.tightest).endswith(" in 0.15 s")
    assert fast.playable
    # Swing 2:1 leaves the last third of the beat in place of its last half.
    for swung in (check(written(notes, tempo=60), swing=2.0),
                  check(replace(written(notes, tempo=60), swing="2:1"))):  # fmt: skip
        assert swung.tightest is not None
        assert swung.tightest.has == pytest.approx(1 / 3)


def test_a_slide_is_no_shift() -> None:
    report = check(written("| 1 e5 & e5/12 2 e12 & e15"))
    assert report.tightest is None
    assert report.slides
    assert check(written("| 1 /e5 2 e8")).slides  # from nowhere too


def test_what_is_hard_is_told_in_seconds_of_its_tempo() -> None:
    """A beat is half a second at 120; the off-beats are straight."""
    report = check(written("| 1 e5 & e8 2 e5 3 B5 4 B12", tempo=120), swing=1.0)
    assert report.quickest is not None
    assert (report.quickest.place, report.quickest.seconds) == ("call 1 1&", 0.25)
    tightest = report.tightest
    assert tightest is not None
    assert (tightest.place, tightest.has) == ("call 1 4", 0.5)
    # To the twelfth fret and one finger or more of it.
    assert tightest.end - tightest.start in range(4, 8)
    assert check(written("| 1 e5")).quickest is None


def test_a_hand_that_stays_has_no_shift() -> None:
    report = check(written("| 1 e5 2 e8 3 B5 4 B8", tempo=240))
    assert report.tightest is None
    assert not report.slides


@pytest.mark.parametrize(
    ("notes", "weight", "text"),
    [
        ("| 1 G3b(full)", "hard", "full bend on G3: too near the nut to give easily"),
        ("| 1 D7b(full)", "hard", "full bend on D7: a wound string hardly bends that far"),
        ("| 1 D7pb9", "hard", "full bend on D7: a wound string hardly bends that far"),
        ("| 1 e3b(3/2)", "cannot", "3/2 bend on e3: it takes 21 N, 20 at most"),
    ],
)
def test_bends_that_are_hard(notes: str, weight: str, text: str) -> None:
    assert said(check(written(notes)), weight) == [f"call 1 1: {text}"]


@pytest.mark.parametrize("notes", ["| 1 G4b(full)", "| 1 D7b(1/2)", "| 1 G3b(1/4)", "| 1 e12b14"])
def test_bends_that_are_not(notes: str) -> None:
    report = check(written(notes))
    assert said(report, "hard") + said(report, "cannot") == []


def test_bends_are_weighed() -> None:
    report = check(written("| 1 G7b(full)r~ 3& e8b(1/2){supported} | 1 B5/8 trip b(full)"))
    assert [(b.place, b.cost.string, b.cost.fret, b.cost.cents) for b in report.bends] == [
        ("call 1 1", "G", 7, 200),
        ("call 1 3&", "e", 8, 100),
        ("call 2 1trip", "B", 8, 200),
    ]
    assert [b.supported for b in report.bends] == [False, True, False]


def test_a_call_leaves_open_and_a_response_comes_home() -> None:
    report = check(written("| 1 e5 2 G7", "| 1 G7 2 D7"), A7)
    assert [(e.part, e.degree, e.home) for e in report.endings] == [
        ("call", "4", False), ("response", "1", True),
    ]  # fmt: skip
    assert said(report, "taste") == []
    turned = check(written("| 1 G7 2 D7", "| 1 e5 2 G7"), A7)
    assert said(turned, "taste") == [
        "call: ends on the root and leaves nothing open",
        "response: ends on 4; it comes home on the root or the chord's third",
    ]


IV = ((Fraction(0), 2, chord_roles(2, ("1", "3", "5", "b7"))),)
V = ((Fraction(0), 4, chord_roles(4, ("1", "3", "5", "b7"))),)


@pytest.mark.parametrize(
    ("chords", "last", "asks", "home"),
    [
        (A7, "D7", False, True),  # the root
        (A7, "G7", True, False),  # 4 hangs
        (A7, "G6", True, True),  # the third: sweet, and a call may end on it
        (IV, "G7", False, True),  # D over D7 is the chord's own root
        (IV, "D7", False, True),  # the key's root is the fifth of IV
        (IV, "G11", True, True),  # F sharp, the third
        (V, "D7", True, False),  # A over E7 is a fourth that wants down to the third
        (V, "e0", False, True),  # E, the chord's root
        (V, "B9", True, True),  # G sharp, its third
        (V, "B8", True, False),  # G, the blue third of the key
    ],
)
def test_an_ending_is_heard_against_the_chord_under_it(
    chords: Chords, last: str, asks: bool, home: bool
) -> None:
    # Common practice: a phrase rests on the root or the third of the chord that sounds; the key's
    # root rests too but over V, whose third is a half step under it.
    report = check(written(f"| 1 e5 2 {last}", f"| 1 e5 2 {last}"), chords)
    assert [(e.asks, e.home) for e in report.endings] == [(asks, home)] * 2
    said_of_call = "the call asks" if asks else "the call does not ask"
    answer = "answers" if home else "does not answer"
    assert report.talk == f"{said_of_call}, the response {answer}"


@pytest.mark.parametrize(
    ("last", "home"),
    [
        ("G6", True),  # the third of A7
        ("G5h6", True),
        ("G9+B8", False),  # 5 and b7
        ("D7+B5", True),  # the root in a double stop
        ("B8b(full)", True),  # bent up to the root
        ("B10b(full)r", True),
        ("D7tr9", True),  # a trill ends where it began
    ],
)
def test_the_last_pitch_counts(last: str, home: bool) -> None:
    report = check(written("| 1 e8", f"| 1 G7 2 {last}", scale="mixed blues"), A7)
    assert report.endings[1].home == home


def test_notes_outside_the_scale_are_told_once() -> None:
    report = check(written("| 1 G6 2 e5 3 G6 4 G5b(1/4)", scale="minor pentatonic"))
    assert said(report, "note") == ["call 1 1 and 1 more: 3 is not in the minor pentatonic scale"]
    assert report.playable
    assert said(check(written("| 1 G6 2 e5", scale="mixed blues")), "note") == []


def test_the_weightiest_comes_first() -> None:
    report = check(written("| 1 G6 2 D7b(full) 3 G1+B9 4 e5"))
    weights = [one.weight for one in report.cautions]
    assert set(weights) >= {"cannot", "hard", "taste", "note"}
    assert weights == sorted(weights, key=list(WEIGHTS).index)


def test_a_silent_phrase() -> None:
    phrase = written("| 1 Gx 2 Gx", roles=("line",))
    report = check(phrase, A7)
    assert report.endings == ()
    assert report.playable


def test_a_phrase_without_call_and_response_does_not_talk() -> None:
    assert check(line("| 1 e8 2 e5")).talk == ""
