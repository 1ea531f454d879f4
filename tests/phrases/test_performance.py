from __future__ import annotations

from collections import defaultdict
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from phrases.fretboard import fret_pitch
from phrases.notation import read_line
from phrases.performance import Played, perform

BEAT = 0.6  # seconds: 100 beats a minute


def play(text: str, beat: float = BEAT) -> list[Played]:
    line = read_line(text)
    assert line.problems == []
    return perform(line.strokes, lambda at: float(at) * beat)


def alone(text: str, beat: float = BEAT) -> Played:
    (note,) = play(text, beat)
    return note


def heard(note: Played) -> list[float]:
    """Return the pitch of a note, in cents above the picked one, every millisecond."""
    count = int((note.end - note.start) * 1000)
    return [note.curve.at(number / 1000) for number in range(count + 1)]


def test_notes_sound_when_the_clock_says() -> None:
    notes = play("| 1 e8 2& e5 4 .")
    assert [(n.start, n.beat) for n in notes] == [
        (0.0, Fraction(0)),
        (pytest.approx(0.9), Fraction(3, 2)),
    ]
    assert notes[1].end == pytest.approx(1.8)
    assert [n.pitch for n in notes] == [fret_pitch("e", 8), fret_pitch("e", 5)]


def test_a_pickup_starts_before_zero() -> None:
    first, second = play("4& G5 | 1 G7")
    assert first.start == pytest.approx(-0.3)
    assert second.start == 0.0
    assert first.end <= 0.0


def test_one_string_is_damped_before_it_is_picked_again() -> None:
    first, second = play("| 1 e8 2 e5")
    assert first.start < first.end < second.start


def test_another_string_leaves_a_note_its_whole_length() -> None:
    first, second = play("| 1 e8 2 B8")
    assert first.end == second.start


def test_a_double_stop_is_strummed_within_a_few_hundredths_of_a_second() -> None:
    low, high = play("| 1 G5+B5")
    assert 0 < high.start - low.start < 0.03


@st.composite
def rapid(draw: st.DrawFn) -> str:
    counts = [f"{beat}{place}" for beat in range(1, 5) for place in ("", "+1/96", "e", "&", "a")]
    chosen = draw(st.lists(st.sampled_from(range(20)), min_size=2, unique=True).map(sorted))
    words = []
    for number in chosen:
        strings = draw(st.lists(st.sampled_from("GBe"), min_size=1, max_size=3, unique=True))
        marks = [draw(st.sampled_from(["", "{late}", "h9~{late}", "b(full)r"])) for _ in strings]
        stop = "+".join(f"{s}7{m}" for s, m in zip(strings, marks, strict=True))
        words.append(f"{counts[number]} {stop}")
    return "| " + " ".join(words)


@given(rapid(), st.sampled_from([0.25, 0.6, 2.0]))
def test_on_one_string_no_note_overlaps_the_next(text: str, beat: float) -> None:
    notes = play(text, beat)
    assert [n.start for n in notes] == sorted(n.start for n in notes)
    strings: dict[str, list[Played]] = defaultdict(list)
    for note in notes:
        assert note.end > note.start
        strings[note.string].append(note)
    for on_one in strings.values():
        for sooner, later in pairwise(on_one):
            assert sooner.beat < later.beat
            assert sooner.end <= later.start


def test_hammer_ons_and_pull_offs_are_not_picked() -> None:
    note = alone("| 1 e5h8p5 2 h7 3 p5")
    assert note.pitch == fret_pitch("e", 5)
    # Cents over the picked fret: three frets, back, two frets, back.
    assert [glide.cents for glide in note.curve.glides] == [300.0, 0.0, 200.0, 0.0]
    assert note.curve.at(1.0 * BEAT - 0.001) == 0.0
    assert note.curve.at(1.0 * BEAT) == 200.0
    assert note.curve.at(2.0 * BEAT) == 0.0


def test_a_counted_slide_arrives_on_its_count() -> None:
    curve = alone("| 1 G5 3 /9 4 .").curve
    assert curve.at(2 * BEAT) == 400.0
    assert curve.at(2 * BEAT - 0.001) < 400.0
    # It leaves late: for most of the time before, the string sounds its old fret.
    assert curve.at(1.6 * BEAT) == 0.0


def test_a_slide_crosses_every_fret() -> None:
    up = alone("| 1 G5/9").curve.glides
    assert [glide.cents for glide in up] == [100.0, 200.0, 300.0, 400.0]
    down = alone("| 1 G9\\6").curve.glides
    assert [glide.cents for glide in down] == [-100.0, -200.0, -300.0]


@pytest.mark.parametrize("beat", [0.25, 0.6, 2.0])
def test_a_slide_that_follows_at_once_arrives_within_its_note(beat: float) -> None:
    note = play("| 1 G2/14 trip G14", beat)[0]
    assert note.curve.glides[-1].start < note.end - note.start
    assert heard(note)[-1] == 1200.0


# A full bend is a whole tone of 200 cents, a half bend a semitone, a quarter a quarter tone:
# common practice.
@pytest.mark.parametrize(
    ("size", "cents"), [("full", 200.0), ("1/2", 100.0), ("1/4", 50.0), ("3/2", 300.0)]
)
def test_a_bend_reaches_exactly_its_size(size: str, cents: float) -> None:
    track = heard(alone(f"| 1 G7b({size})"))
    assert track[0] == 0.0
    assert max(track) == cents
    assert track[-1] == cents
    assert track == sorted(track)


def test_a_bend_to_a_fret_reaches_the_pitch_of_that_fret() -> None:
    note = alone("| 1 G7b9")
    assert note.pitch + note.curve.at(BEAT) / 100 == fret_pitch("G", 9)


def test_a_bend_after_a_slide_counts_from_the_new_fret() -> None:
    note = alone("| 1 G5 2 /7 3 b(full)")
    assert note.pitch + heard(note)[-1] / 100 == fret_pitch("G", 9)


def test_a_counted_bend_waits_for_its_count() -> None:
    curve = alone("| 1 G7 3 b(full)").curve
    assert curve.at(2 * BEAT) == 0.0
    assert curve.at(2 * BEAT + 0.01) > 0.0


def test_a_release_comes_back_to_the_fret() -> None:
    track = heard(alone("| 1 G7b(full)r"))
    assert max(track) == 200.0
    assert track[-1] == 0.0


def test_a_pre_bend_starts_bent() -> None:
    note = alone("| 1 G7pb(full) 2 r")
    assert note.pitch == fret_pitch("G", 7)
    assert note.curve.at(0.0) == 200.0
    assert note.curve.at(BEAT) == 200.0
    assert heard(note)[-1] == 0.0


@pytest.mark.parametrize("sign", ["~", "~~"])
def test_vibrato_on_a_fretted_note_never_goes_below_it(sign: str) -> None:
    # A fretting finger can only stretch the string, common practice.
    track = heard(alone(f"| 1 e8{sign}"))
    assert min(track) >= 0.0
    assert max(track) > 10.0


@pytest.mark.parametrize("sign", ["~", "~~"])
@pytest.mark.parametrize("bend", ["b(full)", "pb(full)", "b10"])
def test_vibrato_on_a_bend_never_goes_above_it(bend: str, sign: str) -> None:
    # A bend is shaken by letting it back a little, common practice.
    track = heard(alone(f"| 1 e8{bend} 2 {sign}"))
    assert max(track) <= 200.0
    shaken = track[int(BEAT * 1000) + 1 :]
    assert min(shaken) < 190.0
    assert max(shaken) > 199.0


def test_a_counted_vibrato_starts_on_its_count() -> None:
    curve = alone("| 1 e8 3 ~").curve
    assert curve.at(2 * BEAT) == 0.0
    assert curve.at(2 * BEAT - 0.01) == 0.0
    assert curve.at(2 * BEAT + 0.05) > 5.0


def test_a_wide_vibrato_is_wider() -> None:
    assert max(heard(alone("| 1 e8~~"))) > 1.5 * max(heard(alone("| 1 e8~")))


def test_vibrato_ends_where_the_hand_moves_on() -> None:
    note = alone("| 1 e8~ 3 /10 4 .")
    (sway,) = note.curve.sways
    assert sway.end <= 2 * BEAT
    assert heard(note)[-1] == 200.0


def test_a_late_note_sounds_later_and_ends_in_time() -> None:
    plain, late = alone("| 1 e8 2 ."), alone("| 1 e8{late} 2 .")
    assert 0.01 < late.start - plain.start < 0.06
    assert late.end == plain.end


def test_a_counted_slide_after_a_late_pick_still_arrives_on_its_count() -> None:
    note = alone("| 1 G5{late} 2 /7")
    assert note.curve.glides[-1].start + note.start == pytest.approx(BEAT)


def test_loudness_follows_the_marks() -> None:
    def loud(text: str) -> int:
        return alone(text).velocity

    plain = loud("| 1 e8")
    assert loud("| 1 e8{ghost}") < loud("| 1& e8") < plain < loud("| 1 e8{accent}")
    assert loud("| 1 e8{u}") < loud("| 1 e8{d}")
    assert loud("| 1 ex") < plain


def test_every_velocity_is_one_of_midi() -> None:
    # MIDI 1.0: 1 to 127; 0 would be a note-off.
    for fret in ("x", "8"):
        for touch in ("", " accent", " ghost"):
            for pick in "du":
                assert 1 <= alone(f"| 1 e{fret}{{{pick}{touch}}}").velocity <= 127


def test_a_muted_string_is_short_and_does_not_move() -> None:
    note = alone("| 1 Ax")
    assert note.curve.points() == [(0.0, 0.0)]
    assert note.end - note.start <= 0.1


def test_the_clock_may_swing() -> None:
    def clock(at: Fraction) -> float:
        return float(at) + (1 / 6 if at % 1 else 0.0)

    notes = perform(read_line("| 1 e8 & e5 2 e8").strokes, clock)
    assert [n.start for n in notes] == [0.0, pytest.approx(2 / 3), 1.0]
