"""What is said of takes whose slips are known.

The bar is set by the same kind of takes as the figures of `benchmarks/HEARING.md`; onsets within
50 ms are one note by MIREX, and `mir_eval` is asked as well.
"""

from __future__ import annotations

import math
from collections import Counter
from functools import cache
from itertools import pairwise

import mir_eval
import numpy as np
import pytest

import backing
from backing.events import Stream
from backing.listening.judge import Review, _vibrato, review
from backing.listening.written import as_written, written
from tests.backing.listening.material import (
    RATE,
    Played,
    Slips,
    heard,
    lead,
    sound,
    sounded,
    student,
    take,
)

PHRASES = ("lamp-oil", "garden-gate", "churn-handle")
SLIPS = Slips(spread=0.02, dropped=0.1, wrong=0.12, bends=(0, 0, -20, -40, -80, 30), seed=5)


@cache
def loop(name: str, passes: int = 1) -> Stream:
    return backing.loop(name, passes=passes, shape="hold", count_in=1)


@cache
def judged(name: str, slips: Slips, tone: str = "clean") -> tuple[tuple[Played, ...], Review]:
    stream = loop(name, 2 if slips is SLIPS else 1)
    played, ears = take(stream, slips, tone)
    return played, review(written(stream, as_written(stream), turns=False), ears)


def by_start(played: tuple[Played, ...]) -> dict[float, Played]:
    return {round(note.start, 4): one for one in played for note in one.notes}


@pytest.mark.parametrize(
    ("name", "tone"), [*((name, "clean") for name in PHRASES), ("churn-handle", "fuzz")]
)
def test_a_perfect_take_has_nothing_missed_wrong_or_extra(name: str, tone: str) -> None:
    _, found = judged(name, Slips(), tone)
    hows = Counter(one.how for one in found.judged if one.event.kind != "step")
    assert set(hows) == {"played"}
    assert not found.extra
    assert abs(found.late) < 0.003
    assert abs(found.tuning) < 4  # cents; the samples of the soundfont are off by 3.4


def test_slips_are_found_and_nothing_else() -> None:
    counts: Counter[tuple[str, str]] = Counter()
    errors, bends = [], []
    for name in PHRASES:
        played, found = judged(name, SLIPS)
        known = by_start(played)
        for one in found.judged:
            if one.event.kind != "pick":
                continue
            truth = known[round(one.event.at, 4)]
            was = "dropped" if truth.dropped else "wrong" if truth.wrong else "good"
            counts[was, one.how] += 1
            if was == "good" and one.how == "played":
                errors.append(abs(one.off - truth.late))
                bends += [abs(b.off - truth.bend) for b in one.bends if math.isfinite(b.off)]
    good = sum(n for (was, _), n in counts.items() if was == "good")
    dropped = sum(n for (was, _), n in counts.items() if was == "dropped")
    wrong = sum(n for (was, _), n in counts.items() if was == "wrong")
    assert dropped >= 5
    assert wrong >= 5
    assert counts["dropped", "missed"] >= 0.95 * dropped
    assert counts["wrong", "wrong"] >= 0.75 * wrong
    assert counts["good", "missed"] + counts["good", "wrong"] <= 0.01 * good
    assert np.median(errors) < 0.001
    assert np.percentile(errors, 95) < 0.005
    assert len(bends) >= 6
    assert np.median(bends) < 4  # cents
    assert np.percentile(bends, 95) < 10


def test_mir_eval_finds_the_same_notes() -> None:
    played, found = judged("lamp-oil", SLIPS)
    sounds = [note for note in sounded(played, SLIPS) if not note.damped]
    truth = np.array([(note.start, note.end) for note in sounds])
    heard = [
        one.event.at + one.off for one in found.judged
        if one.event.kind == "pick" and one.how in ("played", "wrong")
    ]  # fmt: skip
    f_measure, _, _ = mir_eval.onset.f_measure(truth[:, 0], np.array(sorted(heard)), window=0.05)
    assert f_measure >= 0.95


@pytest.mark.parametrize("late", [0.08, -0.04])
def test_a_constant_lateness_is_told_apart_from_the_notes(late: float) -> None:
    _, found = judged("lamp-oil", Slips(late=late))
    assert found.late == pytest.approx(late, abs=0.003)
    assert found.share("played") == 1.0


@pytest.mark.parametrize("cents", [25.0, -18.0])
def test_the_guitars_own_tuning_is_found_first(cents: float) -> None:
    _, found = judged("garden-gate", Slips(tuning=cents))
    assert found.tuning == pytest.approx(cents, abs=4)
    assert found.share("played") == 1.0
    offs = [abs(b.off) for one in found.judged for b in one.bends if math.isfinite(b.off)]
    assert all(off < 10 for off in offs)


def test_vibrato_is_measured_in_rate_and_width() -> None:
    _, found = judged("lamp-oil", Slips())
    measured = [one.vibrato for one in found.judged if one.vibrato is not None]
    assert measured
    for one in measured:
        assert one.hertz == pytest.approx(one.written_hertz, abs=0.2)
        assert one.cents == pytest.approx(one.written_cents, rel=0.1)


@pytest.mark.parametrize("seconds", [1.0, 11.7])
def test_a_take_that_ends_anywhere_is_judged(seconds: float) -> None:
    """It may end in a bend or a vibrato: of what is beyond nothing is measured."""
    stream = loop("lamp-oil")
    whole = sound(sounded(student(lead(stream), SLIPS), SLIPS), stream)
    ears = heard(whole[: round(seconds * RATE)])
    found = review(written(stream, as_written(stream), turns=False), ears)
    assert all(one.event.at + one.off < seconds for one in found.judged if math.isfinite(one.off))
    assert any(one.how == "missed" for one in found.judged)
    assert _vibrato(ears, seconds + 1, seconds + 2, 6400.0) is None


@pytest.mark.parametrize("tone", ["clean", "driven"])
def test_a_string_that_is_left_out_of_a_double_stop_is_told(tone: str) -> None:
    stream = loop("warm-skillet")
    notes = lead(stream)
    pairs = [
        (one, two)
        for one, two in pairwise(notes)
        if two.start - one.start < 0.02 and not (one.curve and one.curve.glides)
    ]
    assert len(pairs) >= 4
    gone = {id(pair[number % 2]) for number, pair in enumerate(pairs) if number % 3}
    guitar = sound([note for note in notes if id(note) not in gone], stream, tone)
    found = review(written(stream, as_written(stream), turns=False), heard(guitar))
    doubles = {
        round(one.event.at, 2): one.lacks for one in found.judged if len(one.event.parts) > 1
    }
    for pair in pairs:
        wanted = tuple(n.voice.removeprefix("lead ") for n in pair if id(n) in gone)
        if pair[0].end - pair[0].start > 0.15:
            assert doubles[round(pair[0].start, 2)] == wanted


def test_a_tone_that_an_amplifier_mixes_is_not_called_a_wrong_note() -> None:
    """One string dies while the next sounds: distortion has the difference of their partials."""
    stream = loop("mule-track")
    slips = Slips(ring=0.35, seed=7)
    guitar = sound(sounded(student(lead(stream), slips), slips), stream, "driven", "strings")
    found = review(written(stream, as_written(stream), turns=False), heard(guitar))
    hows = Counter(one.how for one in found.judged if one.event.kind == "pick")
    assert hows["wrong"] == 0
    assert hows["played"] >= 0.8 * hows.total()
