"""How long a bend takes, how wide and how fast a vibrato is: as the brackets say."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from phrases.curve import Curve
from phrases.notation import read_line, write_line
from phrases.performance import Played, perform
from phrases.phrase import Move
from tests.backing.exchange.test_importing import through
from tests.backing.material import line

BEAT = 0.5


def alone(text: str) -> Played:
    found = read_line(text)
    assert found.problems == []
    (note,) = perform(found.strokes, lambda at: float(at) * BEAT)
    return note


def arrives(curve: Curve, cents: float) -> float:
    """Return when a pitch first comes within two cents of a height."""
    return next(n / 1000 for n in range(8000) if abs(curve.at(n / 1000) - cents) < 2)


@pytest.mark.parametrize(("over", "beats"), [("1/2", 0.5), ("1", 1.0), ("3/2", 1.5), ("2", 2.0)])
def test_a_bend_takes_as_many_beats_as_are_written(over: str, beats: float) -> None:
    curve = alone(f"| 1 G7b(full over {over}) | 1 .").curve
    (glide,) = curve.glides
    assert glide.seconds == pytest.approx(beats * BEAT)
    assert arrives(curve, 200) == pytest.approx(glide.start + beats * BEAT, abs=0.1 * beats)
    (counted,) = alone(f"| 1 G7 2 b(full over {over}) | 1 .").curve.glides
    assert counted.start == pytest.approx(BEAT)


def test_a_release_and_a_dip_too() -> None:
    _, release = alone("| 1 G7b(full) 2 r(over 1) 4 .").curve.glides
    assert release.seconds == pytest.approx(BEAT)
    assert release.cents == 0.0
    down, back = alone("| 1 G7 2 v(full over 1) 4 .").curve.glides
    assert (down.cents, back.cents) == (-200.0, 0.0)
    assert down.seconds + back.seconds == pytest.approx(BEAT)


def test_a_vibrato_is_as_wide_and_as_fast_as_it_says() -> None:
    curve = alone("| 1 G7~(1/4 6/s) | 1 .").curve
    (sway,) = curve.sways
    heard = [curve.at(sway.start + n / 1000) for n in range(1000)]
    assert max(heard) == pytest.approx(50, abs=0.5)
    tops = [n for n in range(1, 999) if heard[n - 1] < heard[n] >= heard[n + 1]]
    assert len(tops) == 6


def test_a_vibrato_that_grows_ends_at_its_width() -> None:
    curve = alone("| 1 G7~~(grows) | 1 .").curve
    (sway,) = curve.sways
    turn = 1 / sway.hertz
    swings = [
        max(curve.at(sway.start + (n + k / 50) * turn) for k in range(50))
        for n in range(int((sway.end - sway.start) / turn))
    ]
    assert swings == sorted(swings)
    assert swings[0] < 12
    assert swings[-1] > 50


def test_a_trill_is_as_fast_as_it_says() -> None:
    curve = alone("| 1 G5tr7(10/s) | 1 .").curve
    ups = [glide.start for glide in curve.glides if glide.cents == 200 and glide.start < 1.5]
    assert ups[1] - ups[0] == pytest.approx(0.1)


@pytest.mark.parametrize("beat", [0.5, 0.4])
def test_a_vibrato_on_a_swung_off_beat_comes_round_at_least_once(beat: float) -> None:
    # At 120 beats a minute a swung off-beat lasts a sixth of a second.
    found = read_line("| 1 e5 1+2/3 G7~ 2 .")
    note = perform(found.strokes, lambda at: float(at) * beat)[1]
    heard = [note.curve.at(n / 1000) for n in range(int((note.end - note.start) * 1000))]
    assert max(heard) > 15


@pytest.mark.parametrize(
    ("written", "tidy"),
    [
        ("b(over 1/2 full)", "b(full over 1/2)"),
        ("b10(over 4/8)", "b10(over 1/2)"),
        ("~(grows 6.0/s 1/4)", "~(1/4 6/s grows)"),
        ("~~(5.5/s)", "~~(5.5/s)"),
        ("v(over 1)", "v(over 1)"),
    ],
)
def test_it_is_tidied_to_one_order(written: str, tidy: str) -> None:
    found = read_line(f"| 1 B8{written}")
    assert found.problems == []
    text = write_line(found.strokes, found.bars)
    assert text == f"| 1 B8{tidy}"
    assert read_line(text).strokes == found.strokes


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ("b(full over)", '"over": write over how many beats, up to 8: over 1/2'),
        ("b(full over 9)", '"over 9": write over how many beats, up to 8'),
        ("b(full over 1/0)", "write over how many beats"),
        ("b(over 1)", "expected the fret to whose pitch it bends"),
        ("b10(full)", '"full": the fret behind b is its size'),
        ("b(full grows)", '"grows": in brackets behind a bend may stand: 1/4 or 1/2 or full or'),
        ("~(full)", '"full" is not a vibrato size; it may be 1/8, 1/4, 1/2'),
        ("~(20/s)", '"20/s": write 2 to 12 times a second, as in 6/s'),
        ("~~(1/4)", '"1/4": in brackets behind a wide vibrato may stand: 6/s, grows'),
        ("~(grows grows)", "says two things of one kind"),
        ("~()", "in brackets behind a vibrato may stand: 1/8 or 1/4 or 1/2, 6/s, grows"),
    ],
)
def test_what_brackets_cannot_hold_is_told(written: str, told: str) -> None:
    ((_, message),) = read_line(f"| 1 B8{written}").problems
    assert told in message


def test_it_comes_back_from_musicxml(tmp_path: Path) -> None:
    phrase = line("| 1 G7b(full over 1)~(1/4 6/s grows) 3 D7~~(5/s) 4 B8v(full over 1/2)")
    back = through(phrase, tmp_path).phrase
    assert [[str(m) for n in s.notes for m in n.moves] for s in back.strokes()] == [
        ["b(full over 1)", "~(1/4 6/s grows)"], ["~~(5/s)"], ["v(full over 1/2)"]
    ]  # fmt: skip


def test_it_is_said_in_words() -> None:
    assert Move("b", size="full", over=Fraction(3, 2)).words == "over 3/2 beats"
    assert Move("~", size="1/4", rate=Fraction(6), grows=True).words == (
        "1/4 step, 6 times a second, growing"
    )
