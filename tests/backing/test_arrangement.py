from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest

from backing.arrangement import Setting, arrange, form_bars, placements
from backing.forms import find_form
from backing.grooves import find_groove
from phrases.counting import METERS
from phrases.errors import RangeError
from phrases.pitch import Key
from tests.backing.material import answered, lead, line


def _setting(tempo: int = 112, *, count_in: int = 1) -> Setting:
    return Setting(
        Key("A"), find_groove("shuffle"), find_form("twelve-bar"), Fraction(tempo),
        swing=Fraction(2), count_in=count_in,
    )  # fmt: skip


def test_sections_start_at_exact_seconds_and_beats() -> None:
    stream = arrange(_setting(count_in=2), 3)
    beat = Fraction(60, 112)
    assert [section.name for section in stream.sections] == [
        "count-in", "chorus 1", "chorus 2", "chorus 3", "ending",
    ]  # fmt: skip
    assert [s.start for s in stream.sections] == [n * beat for n in (0, 8, 56, 104, 152)]
    assert [s.first_beat for s in stream.sections] == [0, 8, 56, 104, 152]
    assert stream.seconds == 156 * beat
    assert all(isinstance(section.start, Fraction) for section in stream.sections)


def test_without_a_count_in_and_an_ending_there_are_only_choruses() -> None:
    stream = arrange(_setting(count_in=0), 2, ending=False)
    assert [section.name for section in stream.sections] == ["chorus 1", "chorus 2"]
    assert stream.facts["bars"] == 24


def test_two_hundred_choruses_do_not_drift() -> None:
    stream = arrange(_setting(count_in=0), 200)
    assert stream.sections[-1].start == Fraction(200 * 48 * 60, 112)


def test_calls_responses_and_choruses_are_labelled_where_they_start() -> None:
    stream = arrange(_setting(120), 2, answered())
    bar = 2.0  # four beats at 120
    for number, section in enumerate(stream.sections[1:3], start=1):
        labels = [(label.text, label.seconds) for label in section.labels]
        assert labels == [
            (f"Chorus {number}", 0.0),
            ("Call", 0.0), ("Response", 2 * bar),
            ("Call", 4 * bar), ("Response", 6 * bar),
            ("Call", 8 * bar), ("Response", 10 * bar),
        ]  # fmt: skip
    assert [label.text for label in stream.sections[-1].labels] == ["End"]


@pytest.mark.parametrize(
    ("lines", "starts"), [("every", (0, 4, 8)), ("first", (0,)), ("outer", (0, 8))]
)
def test_the_lines_over_which_a_phrase_is_played(lines: str, starts: tuple[int, ...]) -> None:
    assert placements(answered(lines), 12) == starts


def test_a_phrase_of_five_bars_takes_every_other_line() -> None:
    assert placements(line("| 1 e5 | 1 e5 | 1 e5 | 1 e5 | 1 e5"), 16) == (0, 8)


def test_a_pickup_sounds_in_the_count_in_then_in_the_last_bar_before() -> None:
    stream = arrange(_setting(60), 2, line("4 e5 | 1 e8 2 . | 1 ."))  # a beat is a second
    assert [note.start for note in lead(stream, 0)] == [3.0]
    first, second = lead(stream, 1), lead(stream, 2)
    assert [n.start for n in first] == [0.0, 15.0, 16.0, 31.0, 32.0, 47.0]
    assert [n.start for n in second] == [0.0, 15.0, 16.0, 31.0, 32.0]
    assert [n.pitch for n in first] == [72, 69, 72, 69, 72, 69]  # e8 is C5, e5 is A4
    assert lead(stream, 3) == []


def test_a_note_that_rings_stops_where_the_next_pickup_starts() -> None:
    stream = arrange(_setting(60), 1, line("4 e5 | 1 B8 | 1 - | 1 - | 1 -"))
    ringing = [note for note in lead(stream, 1) if note.voice == "lead B"]
    assert [note.end for note in ringing] == pytest.approx([15.0, 31.0, 48.0], abs=0.02)


def test_the_last_bar_of_the_form_leads_back_to_the_first() -> None:
    bars = form_bars(find_form("twelve-bar"), Key("A"))
    assert len(bars) == 12
    assert (bars[-1].chords[0][1].degree, bars[-1].following.degree) == ("5", "1")
    short = form_bars(find_form("twelve-bar"), Key("A"), 5)
    assert [bar.following.degree for bar in short] == ["1", "1", "1", "4", "1"]


@pytest.mark.parametrize("choruses", [0, 201, -1])
def test_too_few_and_too_many_choruses(choruses: int) -> None:
    with pytest.raises(RangeError, match=rf"^{choruses} choruses: it must be 1 to 200$"):
        arrange(_setting(), choruses)


@pytest.mark.parametrize("bars", [-1, 5])
def test_a_count_in_out_of_range(bars: int) -> None:
    with pytest.raises(RangeError, match=rf"^count-in {bars}: it must be 0 to 4 bars$"):
        arrange(_setting(count_in=bars), 1)


def test_a_pickup_needs_a_count_in() -> None:
    message = "^the phrase has a pickup, which needs a count-in of at least one bar$"
    with pytest.raises(RangeError, match=message):
        arrange(_setting(count_in=0), 1, answered())


def test_a_phrase_longer_than_the_form() -> None:
    long = line("| 1 e5 " * 13)
    message = '^"Line" is 13 bars long, the form only 12; choose a longer form$'
    with pytest.raises(RangeError, match=message):
        arrange(_setting(), 1, long)


def test_a_phrase_of_another_meter() -> None:
    waltz = replace(METERS["4/4"], numerator=3, beats=3)
    phrase = replace(answered(), meter=waltz)
    message = '^"Answered" counts 3 beats to the bar, the groove shuffle 4$'
    with pytest.raises(RangeError, match=message):
        arrange(_setting(), 1, phrase)


CLASH = r'^"Line": when it is repeated, its pickup of 0\.5 beats starts while its last bar still'


@pytest.mark.parametrize("lines", ["every", "outer"])
def test_a_pickup_that_meets_the_end_of_its_own_phrase(lines: str) -> None:
    # Over "outer" lines the phrase ends with the chorus, where the next begins with its pickup.
    phrase = line("4& e5 | 1 e8 | 1 e5 | 1 e8 | 4& e5", lines=lines)
    with pytest.raises(RangeError, match=CLASH):
        arrange(_setting(), 2, phrase)


def test_a_pickup_has_room_where_the_phrase_is_played_once_a_chorus() -> None:
    phrase = line("4& e5 | 1 e8 | 1 e5 | 1 e8 | 4& e5", lines="first")
    stream = arrange(_setting(), 2, phrase)
    assert len(lead(stream, 1)) == 5


def test_a_pickup_meets_the_end_where_the_last_line_of_a_form_is_short() -> None:
    phrase = line("4& e5 | 1 e8 | 4& e5")
    assert placements(phrase, 12) == (0, 4, 8)
    with pytest.raises(RangeError, match=CLASH):
        placements(phrase, 10)


@pytest.mark.parametrize(
    ("swing", "auto", "tempo", "ratio"),
    # The shuffle follows the tempo up to 2:1; what is asked for wins.
    [
        (None, False, 60, 2.0),
        (None, False, 240, 1.5),
        (Fraction(3, 2), False, 60, 1.5),
        (None, True, 240, 1.5),
    ],
)
def test_whose_swing_is_played(
    swing: Fraction | None, auto: bool, tempo: int, ratio: float
) -> None:
    setting = replace(_setting(), swing=swing, auto=auto)
    assert setting.clock(Fraction(tempo)).swing == pytest.approx(ratio)


def test_a_phrase_does_not_change_what_the_band_plays() -> None:
    alone, along = arrange(_setting(), 2), arrange(_setting(), 2, answered())
    for one, other in zip(alone.sections, along.sections, strict=True):
        band = [note for note in other.notes if not note.voice.startswith("lead")]
        assert list(one.notes) == band


def test_short_forms_are_not_crowned_every_time_round() -> None:
    setting = Setting(
        Key("A"), find_groove("shuffle"), find_form("turnaround-loop"), Fraction(120), count_in=0
    )
    stream = arrange(setting, 12, ending=False)
    crashes = [
        number
        for number, section in enumerate(stream.sections)
        if any(note.voice == "drums" and note.pitch == 49 for note in section.notes)
    ]
    # Two bars a round: a crash at most every eight bars. General MIDI 1: 49 is a crash cymbal.
    assert crashes == [4, 8]
