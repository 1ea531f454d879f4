from __future__ import annotations

from fractions import Fraction

import pytest

from backing.arrangement import Setting
from backing.audio import frame_of
from backing.events import Stream
from backing.forms import find_form
from backing.grooves import find_groove
from backing.practice import MOST_PASSES, loop, usual_start
from phrases.errors import RangeError
from phrases.phrase import Phrase
from phrases.pitch import Key
from tests.backing.material import answered, lead, line

SHORT = line("| 1 e5 2 e8 3 .")


def _loop(
    phrase: Phrase, start: float, goal: float, step: float = 1, each: int = 1, count_in: int = 1
) -> Stream:
    setting = Setting(
        Key("A"), find_groove("shuffle"), find_form("twelve-bar"), Fraction(100),
        swing=Fraction(2), count_in=count_in,
    )  # fmt: skip
    return loop(setting, phrase, Fraction(start), Fraction(goal), Fraction(str(step)), each)


def test_a_hundred_passes_start_at_exact_sums_and_nearest_frames() -> None:
    stream = _loop(SHORT, 61, 110, 1, 2)
    assert len(stream.sections) == 101
    tempos = [Fraction(61)] + [Fraction(61 + n // 2) for n in range(100)]
    start = Fraction(0)
    for section, tempo in zip(stream.sections, tempos, strict=True):
        assert section.tempo == tempo
        assert section.start == start
        exact = start * 44100
        assert abs(frame_of(section) - exact) <= Fraction(1, 2)
        assert frame_of(section) == round(exact)
        start += 4 * Fraction(60) / tempo
    assert stream.seconds == start


def _tempos(stream: Stream) -> list[Fraction]:
    return [section.tempo for section in stream.sections if section.name != "count-in"]


def test_a_goal_below_the_start_slows_down() -> None:
    assert _tempos(_loop(SHORT, 100, 80, 10)) == [100, 90, 80]


def test_the_last_step_is_shorter() -> None:
    assert _tempos(_loop(SHORT, 60, 85, 10, 2)) == [60, 60, 70, 70, 80, 80, 85, 85]


def test_passes_of_one_tempo_are_one_object() -> None:
    stream = _loop(SHORT, 60, 70, 10, 3)
    passes = [section.notes for section in stream.sections[1:]]
    assert passes[0] is passes[1]
    assert passes[1] is passes[2]
    assert passes[3] is passes[4]
    assert passes[4] == passes[5]
    assert passes[2] != passes[3]


def test_the_next_pickup_sounds_in_every_pass_but_the_last() -> None:
    stream = _loop(line("4 e5 | 1 e8 2 ."), 60, 60, 1, 3)
    assert [note.start for note in lead(stream, 0)] == [3.0]
    assert [[note.start for note in lead(stream, n)] for n in (1, 2, 3)] == [
        [0.0, 3.0],
        [0.0, 3.0],
        [0.0],
    ]


def test_a_phrase_that_is_only_a_pickup() -> None:
    stream = _loop(line("4 e5 | 1 ."), 60, 60, 1, 2)
    assert [[note.start for note in lead(stream, n)] for n in (0, 1, 2)] == [[3.0], [3.0], []]


def test_a_pass_has_the_bars_of_its_phrase_and_leads_back_to_itself() -> None:
    stream = _loop(answered(), 60, 60, 1, 2)
    assert [section.beats for section in stream.sections] == [4, 16, 16]
    assert stream.facts["passes"] == 2
    assert stream.facts["bars"] == 8


def test_passes_and_parts_are_labelled() -> None:
    stream = _loop(answered(), 60, 90.5, 40, 1)
    labels = [[(label.text, label.seconds) for label in s.labels] for s in stream.sections]
    assert labels[0] == []
    assert labels[1] == [("Pass 1: 60", 0.0), ("Call", 0.0), ("Response", 8.0)]
    assert labels[2][0] == ("Pass 2: 90.5", 0.0)


@pytest.mark.parametrize(
    ("tempo", "start"), [(100, 60), (96, 60), (240, 145), (40, 30), (30, 30), (58, 35)]
)
def test_practice_starts_at_about_sixty_per_cent(tempo: int, start: int) -> None:
    assert usual_start(Fraction(tempo)) == start
    assert start == 30 or abs(start - 0.6 * tempo) <= 2.5


@pytest.mark.parametrize("step", [0, -5])
def test_a_step_must_be_more_than_nothing(step: int) -> None:
    with pytest.raises(RangeError, match=rf"^step {step}: it must be more than 0$"):
        _loop(SHORT, 60, 80, step)


def test_a_tempo_needs_a_pass() -> None:
    with pytest.raises(RangeError, match=r"^0 passes at each tempo: it must be at least 1$"):
        _loop(SHORT, 60, 80, 10, 0)


def test_too_many_passes() -> None:
    assert MOST_PASSES == 2000
    with pytest.raises(RangeError, match=r"^2001 passes: a loop has at most 2000$"):
        _loop(SHORT, 60, 60, 1, 2001)


def test_too_many_passes_are_counted_before_they_are_made() -> None:
    with pytest.raises(RangeError, match=r"^20000000001 passes: a loop has at most 2000$"):
        _loop(SHORT, 60, 80, 1e-9)


def test_a_tempo_out_of_range() -> None:
    with pytest.raises(RangeError, match=r"^tempo 241: it must lie from 30 to 240"):
        _loop(SHORT, 60, 241)


def test_a_pickup_needs_a_count_in() -> None:
    with pytest.raises(RangeError, match=r"^the phrase has a pickup, which needs a count-in"):
        _loop(answered(), 60, 80, count_in=0)


def test_a_pickup_that_meets_the_end_of_its_own_phrase() -> None:
    with pytest.raises(RangeError, match=r'^"Line": the pickup of the next pass starts while the'):
        _loop(line("4& e5 | 1 e8 4& e5"), 60, 80)


def test_a_phrase_longer_than_the_form() -> None:
    with pytest.raises(RangeError, match=r'^"Line" is longer than the form twelve-bar$'):
        _loop(line("| 1 e5 " * 13), 60, 80)
