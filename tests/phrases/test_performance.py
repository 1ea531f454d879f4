from __future__ import annotations

from collections import defaultdict
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from backing.tempo import Clock
from phrases.files import read_phrase
from phrases.fretboard import fret_pitch
from phrases.notation import read_line
from phrases.performance import GRACE, RAKE, SHORTEST, SPEAK, Played, perform
from phrases.phrase import Phrase, Stroke
from phrases.techniques import BEND_SIZES
from tests.phrases.test_notation import lines

BEAT = 0.6  # seconds: 100 beats a minute


def play(text: str, beat: float = BEAT) -> list[Played]:
    line = read_line(text)
    assert line.problems == []
    return perform(line.strokes, lambda at: float(at) * beat)


def alone(text: str, beat: float = BEAT) -> Played:
    (note,) = play(text, beat)
    return note


def phrased(notes: str, more: str = "", drag: float = 0, tempo: int = 100) -> Phrase:
    return read_phrase(
        f"title = 'Tin roof'\nkey = 'A'\ntempo = {tempo}\n{more}\n"
        f"[[part]]\ndrag = {drag}\nnotes = '{notes}'\n"
    )


def on_time(phrase: Phrase, beat: float = BEAT) -> list[Played]:
    return perform(phrase.strokes(), lambda at: float(at) * beat)


def turns(note: Played) -> list[float]:
    """Return the pitches that a note steps through, each once where it stays."""
    track = heard(note)
    return [track[0], *(b for a, b in pairwise(track) if a != b)]


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


@pytest.mark.parametrize(("mark", "strings"), [("", "DGB"), ("{d}", "DGB"), ("{u}", "BGD")])
def test_a_strum_crosses_the_strings_its_way_in_hundredths_of_a_second(
    mark: str, strings: str
) -> None:
    # A down-stroke meets the low string first.
    notes = play(f"| 1 D5{mark}+G5{mark}+B5{mark}")
    assert "".join(note.string for note in notes) == strings
    assert all(0 < b.start - a.start < 0.03 for a, b in pairwise(notes))


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


def test_what_follows_at_once_comes_soon_and_a_bent_string_speaks_first() -> None:
    # Common practice: a grace note is gone before it is heard as a note of its own (0.03 s or so);
    # a bend that is let down at once is heard bent, about a tenth of a second.
    hammered, bent = alone("| 1 e5h8 2 ."), alone("| 1 G7pb(full)r 2 .")
    assert hammered.curve.at(0.015) == 0.0
    assert hammered.curve.at(0.06) == 300.0
    assert bent.curve.at(0.07) == 200.0
    assert bent.curve.at(0.4) == 0.0


@pytest.mark.parametrize(
    ("text", "kinds"),
    [
        ("| 1 e5h8p5 2 h7 3 p5", ["hammer", "pull", "hammer", "pull"]),
        ("| 1 G5 2 /7 3 \\5", ["slide"] * 4),
        ("| 1 /e5 2 .", ["slide"] * 3),
        ("| 1 G7b(full) 2 r 3 b(1/2)", ["bend"] * 3),
        ("| 1 G5h7/9b(full) 2 .", ["hammer", "slide", "slide", "bend"]),
    ],
)
def test_a_curve_says_what_the_hand_does(text: str, kinds: list[str]) -> None:
    assert [glide.kind for glide in alone(text).curve.glides] == kinds


def test_a_trill_hammers_and_pulls_in_turn() -> None:
    glides = alone("| 1 e5tr8 4 .").curve.glides
    turns = [("hammer", 300.0), ("pull", 0.0)]  # up first: the pick was the lower note
    assert [(glide.kind, glide.cents) for glide in glides[:6]] == turns * 3


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


@pytest.mark.parametrize("text", ["| 1 G5/6", "| 1 G5/7", "| 1 G7\\6", "| 1 G7\\5"])
def test_a_slide_of_one_or_two_frets_is_a_grace(text: str) -> None:
    # 60 to 90 ms from the pick to the fret, common practice.
    assert 0.06 <= alone(text).curve.glides[-1].start <= 0.09


def test_a_longer_slide_takes_longer() -> None:
    ways = [alone(f"| 1 G1/{fret}").curve.glides[-1].start for fret in (4, 6, 11)]
    assert 0.09 < ways[0] < ways[1] < ways[2] < 0.5


def test_a_slide_after_a_trill_begins_where_the_first_finger_is() -> None:
    def paces(text: str) -> list[float]:
        slides = [g.start for g in alone(text, 2.0).curve.glides if g.kind == "slide"]
        return [round(b - a, 6) for a, b in pairwise(slides)]

    assert paces("| 1 G5tr7/9 4 .") == paces("| 1 G5/9 4 .")


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


# Cents, narrow and wide: common practice.
WIDTHS = {"~": (10, 20), "~~": (40, 80)}


def within(cents: float, low: float, high: float) -> bool:
    """Tell whether a width is in a range, but for the tenth of a cent between two samples."""
    return low - 0.1 <= cents <= high + 0.1


@pytest.mark.parametrize("sign", ["~", "~~"])
def test_vibrato_on_a_fretted_note_never_goes_below_it(sign: str) -> None:
    # A fretting finger can only stretch the string, common practice.
    track = heard(alone(f"| 1 e8{sign}"))
    assert min(track) >= 0.0
    assert within(max(track), *WIDTHS[sign])


@pytest.mark.parametrize("sign", ["~", "~~"])
@pytest.mark.parametrize("bend", ["b(full)", "pb(full)", "b10"])
def test_vibrato_on_a_bend_never_goes_above_it(bend: str, sign: str) -> None:
    # A bend is shaken by letting it back a little, common practice.
    track = heard(alone(f"| 1 e8{bend} 2 {sign}"))
    assert max(track) <= 200.0
    shaken = track[int(BEAT * 1000) + 1 :]
    assert within(200.0 - min(shaken), *WIDTHS[sign])
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


@pytest.mark.parametrize("after", ["/10", "\\5", "h10", "b(full)", "\\"])
def test_vibrato_is_back_at_its_note_when_the_hand_moves_on(after: str) -> None:
    curve = alone(f"| 1 e8~~ 3 {after} 4 .").curve
    moves = curve.glides[0].start
    assert curve.at(moves - 0.001) == pytest.approx(0.0, abs=0.5)
    assert max(curve.at(moves - n / 100) for n in range(30)) > 40.0


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
    swell = read_phrase(
        "title = 'All at once'\nkey = 'A'\ntempo = 100\n[[part]]\ndynamics = 'swell'\n"
        "notes = '| 1 e8 2 e8 3 e8{d accent rake} 4 e8 | 1 e8'\n"
    )
    assert max(note.velocity for note in on_time(swell)) == 127


def test_a_muted_string_is_short_and_does_not_move() -> None:
    note = alone("| 1 Ax")
    assert note.curve.points() == [(0.0, 0.0)]
    assert note.end - note.start <= 0.1


def test_the_clock_may_swing() -> None:
    def clock(at: Fraction) -> float:
        return float(at) + (1 / 6 if at % 1 else 0.0)

    notes = perform(read_line("| 1 e8 & e5 2 e8").strokes, clock)
    assert [n.start for n in notes] == [0.0, pytest.approx(2 / 3), 1.0]


@pytest.mark.parametrize(("size", "cents"), list(BEND_SIZES.items()))
@pytest.mark.parametrize("beat", [0.25, 0.6, 2.0])
def test_every_bend_arrives_and_is_held_at_any_tempo(size: str, cents: int, beat: float) -> None:
    for text in (f"| 1 G7b({size}) 2 .", f"| 1 G7 & b({size}) 2 .", f"| 1 G5h7b({size}) 2 ."):
        note = alone(text, beat)
        fretted = 200.0 if "h" in text else 0.0
        assert max(heard(note)) == heard(note)[-1] == fretted + cents
        assert note.curve.at(note.end - note.start - 0.02) == fretted + cents


@pytest.mark.parametrize(("size", "cents"), list(BEND_SIZES.items()))
def test_every_pre_bend_sounds_its_target_at_the_pick(size: str, cents: int) -> None:
    assert heard(alone(f"| 1 G7pb({size}) 3 ."))[0] == cents
    assert set(heard(alone(f"| 1 G7pb({size}) 3 ."))) == {float(cents)}


@pytest.mark.parametrize(("size", "cents"), [("full", 200.0), ("1/2", 100.0), ("1/4", 50.0)])
def test_a_partial_release_stops_at_its_size(size: str, cents: float) -> None:
    track = heard(alone(f"| 1 G7b(3/2)r({size}) 3 ."))
    assert max(track) == 300.0
    assert track[-1] == cents


@pytest.mark.parametrize(
    ("techniques", "peak", "last"),
    [
        ("b(full)r", 200, 0),
        ("b(3/2)r(1/2)r", 300, 0),
        ("b(1/2)b(full)", 200, 200),
        ("b(full)~r", 200, 0),
        ("b(full)r~p5", 200, -300),
        ("pb(full)r", 200, 0),
        ("h10p8h10p8", 200, 0),
        ("/12\\8", 400, 0),
        ("tr10p5", 200, -300),
        ("p5h8b(full)r", 200, 0),
    ],
)
@pytest.mark.parametrize("beat", [0.3, 0.6, 2.0])
def test_moves_in_a_short_note_all_finish(
    techniques: str, peak: float, last: float, beat: float
) -> None:
    # A triplet at 200 beats a minute lasts 100 ms.
    note = play(f"| 1 e8{techniques} trip e5 let .", beat)[0]
    track = heard(note)
    assert track[-1] == last
    assert max(track) <= peak
    if "tr" not in techniques:
        assert max(track) > 0.9 * peak  # a millisecond may miss the very top
    times = [glide.start for glide in note.curve.glides]
    assert times == sorted(times)
    assert all(g.start + g.seconds < note.end - note.start for g in note.curve.glides)


def test_a_bend_and_release_that_has_time_is_not_hurried() -> None:
    slow, slower = alone("| 1 G7b(full)r 3 ."), alone("| 1 G7b(full)r 4 .")
    assert slow.curve == slower.curve


def test_a_slow_bend_takes_most_of_its_beat() -> None:
    (glide,) = alone("| 1 G7b(full){slow} 3 .", 1.0).curve.glides
    assert 0.5 < glide.seconds < 1.0
    (quick,) = alone("| 1 G7b(full) 3 .", 1.0).curve.glides
    assert quick.seconds < 0.1  # common practice: a quick bend takes less


@pytest.mark.parametrize("text", ["| 1 G7b(full)~r", "| 1 G7b(full) 2 ~ 3 r", "| 1 G7b(full)~~r~"])
def test_vibrato_before_a_release_sounds(text: str) -> None:
    note = alone(text)
    up = next(n for n, cents in enumerate(heard(note)) if cents == 200.0)
    down = next(g.start for g in note.curve.glides if g.cents == 0.0)
    held = heard(note)[up : int(down * 1000)]
    dips = [b for a, b, c in zip(held, held[1:], held[2:], strict=False) if a > b <= c]
    assert within(200.0 - min(dips), *WIDTHS["~~" if "~~" in text else "~"])
    assert max(held) == 200.0
    assert held[-1] == pytest.approx(200.0, abs=0.5)  # the string is back before it is let go


def test_a_vibrato_after_a_partial_release_goes_down_and_after_a_whole_one_up() -> None:
    def last_second(text: str) -> list[float]:
        return heard(alone(text, 1.0))[-1000:]

    assert max(last_second("| 1 G7b(full)r(1/2)~")) <= 100.0 + 1e-9
    assert within(100.0 - min(last_second("| 1 G7b(full)r(1/2)~")), *WIDTHS["~"])
    assert min(last_second("| 1 G7b(full)r~")) >= 0.0
    assert within(max(last_second("| 1 G7b(full)r~")), *WIDTHS["~"])


def test_a_trill_goes_to_and_fro_six_or_seven_times_a_second() -> None:
    # As fast as a hand trills: 5 to 8 times a second, from memory.
    note = alone("| 1 e8tr10 3 .", 1.0)
    steps = turns(note)
    assert set(steps) == {0.0, 200.0}
    assert 5 * 2 <= steps.count(200.0) <= 8 * 2
    assert heard(note)[-1] == 0.0


def test_a_counted_trill_starts_on_its_count_and_stops_where_the_hand_moves_on() -> None:
    note = alone("| 1 e8 2 tr10 3 h12 4 .", 1.0)
    track = heard(note)
    assert set(track[:1000]) == {0.0}
    assert set(track[1001:2000]) == {0.0, 200.0}
    assert set(track[2001:]) == {400.0}


@pytest.mark.parametrize(("text", "way"), [("| 2 /e8 3 .", 1), ("| 2 \\e8 3 .", -1)])
def test_a_slide_in_is_on_its_fret_at_the_written_time(text: str, way: int) -> None:
    note = alone(text)
    written = BEAT - note.start
    assert 0.03 < written < 0.12  # a grace, common practice
    track = heard(note)
    assert note.pitch == fret_pitch("e", 8)
    assert note.curve.at(written + 1e-6) == 0.0
    assert note.curve.at(written - 0.005) == -100.0 * way
    assert track[0] <= -200.0 if way > 0 else track[0] >= 200.0
    assert set(track[int(written * 1000) + 1 :]) == {0.0}


@pytest.mark.parametrize(
    ("text", "goal"),
    [
        ("| 1 e8/ 2 e12", 400.0),
        ("| 1 e8\\ 2 e6", -200.0),
        ("| 1 e8 & / 2 e12", 400.0),
        ("| 1 e8h10/ 2 e12", 400.0),
        ("| 1 e8/ 2 e5", 500.0),  # the next fret lies the other way: to nowhere
        ("| 1 e8/ 2 B12", 500.0),
        ("| 1 e8\\ 2 . 3 e5", -500.0),
        ("| 1 e22/ 2 .", 200.0),  # the neck ends
        ("| 1 e2\\ 2 .", -100.0),
    ],
)
@pytest.mark.parametrize("beat", [0.3, 0.6, 2.0])
def test_a_slide_out_ends_with_the_note_and_leads_to_the_next_fret(
    text: str, goal: float, beat: float
) -> None:
    note = play(text, beat)[0]
    assert heard(note)[-1] == goal or note.curve.at(note.end - note.start) == goal
    if "& /" not in text:
        assert note.curve.glides[-1].start == pytest.approx(note.end - note.start, abs=0.05)
    steps = [b - a for a, b in pairwise(g.cents for g in note.curve.glides)]
    assert all(abs(step) == 100.0 for step in steps)


def test_staccato_is_half_as_long() -> None:
    whole, half = alone("| 1 e8 3 ."), alone("| 1 e8{short} 3 .")
    assert half.end - half.start == pytest.approx((whole.end - whole.start) / 2)


def test_a_note_let_ring_rings_until_its_string_is_picked_again() -> None:
    rung, other, again = play("| 1 B5{ring} 2 e5 & . 3& B8 4 .")
    assert other.end == pytest.approx(1.5 * BEAT)
    assert again.start - 0.03 < rung.end < again.start
    rung = play("| 1 B5{ring} 2 e5 | 1 e8 2 .")[0]
    assert rung.end == pytest.approx(5 * BEAT)


def test_a_palm_mute_is_damped_soft_and_short() -> None:
    plain, muted = alone("| 1 E3"), alone("| 1 E3{pm}")
    assert (plain.damped, muted.damped) == (False, True)
    assert muted.end - muted.start <= 0.35
    assert muted.velocity < plain.velocity
    assert muted.pitch == plain.pitch


def test_a_long_slide_waits_for_the_finger_that_hammers_before_it() -> None:
    for beat in (0.2, 0.3):  # twelve frets take longer than half of such a beat
        (note,) = play("| 1 G3 & h5 2 /17 3 .", beat=beat)
        assert note.curve is not None
        (hammer,) = [glide.start for glide in note.curve.glides if glide.kind == "hammer"]
        slide = [glide.start for glide in note.curve.glides if glide.kind == "slide"]
        assert len(slide) == 12
        assert hammer <= min(slide)
        assert max(slide) == pytest.approx(beat)


def test_a_rake_crosses_the_lower_strings_just_before_the_note() -> None:
    *hits, note = play("| 2 G7{rake} 3 .")
    assert [hit.string for hit in hits] == ["A", "D"]
    assert all(hit.damped and hit.velocity < note.velocity for hit in hits)
    assert note.start == BEAT
    assert all(BEAT - 0.1 < hit.start < hit.end < BEAT for hit in hits)
    assert [hit.start for hit in hits] == sorted(hit.start for hit in hits)
    assert len(play("| 2 E7{rake} 3 .")) == 1


def test_tremolo_is_picked_about_twelve_times_a_second() -> None:
    # Sixteenths at 180 beats a minute, from memory.
    picks = play("| 1 e8{tremolo} 3 .", 1.0)
    assert len(picks) == pytest.approx(24, abs=2)
    gaps = {round(b.start - a.start, 6) for a, b in pairwise(picks)}
    assert len(gaps) == 1
    assert picks[0].start == 0.0
    assert all(pick.pitch == fret_pitch("e", 8) for pick in picks)
    down, up = picks[0].velocity, picks[1].velocity
    assert up < down


def test_a_bend_under_tremolo_is_one_bend() -> None:
    picks = play("| 1 G7{tremolo} 2 b(full) 3 .", 1.0)
    whole = alone("| 1 G7 2 b(full) 3 .", 1.0)
    for pick in picks:
        length = pick.end - pick.start
        assert pick.curve.at(0.0) == pytest.approx(whole.curve.at(pick.start), abs=1.0)
        assert pick.curve.at(length) == pytest.approx(whole.curve.at(pick.start + length), abs=8)


def test_a_slow_bend_under_tremolo_arrives_when_it_does_without() -> None:
    (bend,) = alone("| 1 G7{slow} 2 b(full) 4 .", 1.0).curve.glides
    picks = play("| 1 G7{tremolo slow} 2 b(full) 4 .", 1.0)
    after = [note.curve.at(at) for note in picks for at in (0.0, note.end - note.start)
             if note.start + at >= bend.start + bend.seconds]  # fmt: skip
    assert after
    assert set(after) == {200.0}


def test_vibrato_under_tremolo_is_no_wider_than_without() -> None:
    whole = max(heard(alone("| 1 G7~ 3 .", 1.0)))
    picks = play("| 1 G7~{tremolo} 3 .", 1.0)
    assert max(max(heard(pick)) for pick in picks) <= whole + 1.0


def test_a_dead_note_is_damped_soft_and_at_the_open_string() -> None:
    dead = alone("| 1 Gx 3 .")
    assert dead.damped
    assert dead.pitch == fret_pitch("G", 0)
    assert dead.velocity < alone("| 1 G7 3 .").velocity - 20
    assert dead.end - dead.start < 0.06


def test_milliseconds_are_milliseconds() -> None:
    plain, late = alone("| 1 e8 2 ."), alone("| 1 e8{45ms} 2 .")
    assert late.start - plain.start == pytest.approx(0.045)
    assert late.end == plain.end


LINE = "| 1 e8 e e5 & B8 a B5 2 e8 trip e5 let B8 3 G7 & G5 4 ."


def test_behind_the_beat_down_beats_are_late_and_off_beats_are_not() -> None:
    # Friberg & Sundstrom 2002: a soloist's down-beats come after the cymbal, his off-beats
    # with it.
    plain, behind = on_time(phrased(LINE)), on_time(phrased(LINE, "behind = 40"))
    assert [n.pitch for n in plain] == [n.pitch for n in behind]
    for before, after in zip(plain, behind, strict=True):
        late = after.start - before.start
        place = before.beat % 1
        if place == 0:
            assert late == pytest.approx(0.040)
        elif place >= Fraction(1, 2):
            assert late == pytest.approx(0.0, abs=1e-9)
        else:
            assert 0.0 < late < 0.040


def test_behind_the_beat_the_soloist_swings_less_than_the_band() -> None:
    # Friberg & Sundstrom 2002: his swing ratio is the smaller one.
    def clock(at: Fraction) -> float:
        return BEAT * float(at // 1 + (Fraction(2, 3) if at % 1 else 0))

    first, second, third = perform(
        phrased("| 1 e8 & e5 2 e8 & .", "behind = 'auto'").strokes(), clock
    )
    ratio = (second.start - first.start) / (third.start - second.start)
    assert 1.0 < ratio < 2.0


@pytest.mark.parametrize("tempo", [40, 60, 100, 160, 240])
def test_players_lay_back_some_hundredths_of_a_second_less_when_fast(tempo: int) -> None:
    def late(beats_a_minute: int) -> float:
        phrase = phrased("| 1 e8", "behind = 'auto'")  # whatever tempo it is written at
        beat = 60 / beats_a_minute
        found = perform(phrase.strokes(), lambda at: float(at) * beat)[0].start
        assert 0.015 <= found <= 0.050 + 1e-9  # common practice, from memory
        return found

    assert late(tempo) >= late(min(240, tempo + 20))


EIGHTHS = "| 1 e8 & e5 2 e8 & e5 3 e8 & e5 4 e8 & e5 | 1 e8 2 ."


def test_a_dragging_end_comes_later_and_later() -> None:
    plain, dragged = on_time(phrased(EIGHTHS)), on_time(phrased(EIGHTHS, drag=4))
    late = [b.start - a.start for a, b in zip(plain, dragged, strict=True)]
    assert late[:3] == [0.0, 0.0, 0.0]
    steps = [b - a for a, b in pairwise(late[2:])]
    assert all(step > 0 for step in steps)
    assert steps == sorted(steps)
    assert late[-1] < 0.5 * BEAT


def test_a_drag_moves_what_is_counted_along_with_its_pick() -> None:
    notes = "| 1 e8 2 e5 3 G5 4 /7"
    plain, dragged = (on_time(phrased(notes, drag=d))[-1] for d in (0, 4))
    arrived = [n.start + n.curve.glides[-1].start for n in (plain, dragged)]
    assert dragged.start > plain.start
    assert arrived[1] - arrived[0] == pytest.approx(dragged.start - plain.start)


def test_neither_a_drag_nor_laying_back_moves_what_the_band_reads() -> None:
    def read_by_the_band(phrase: Phrase) -> list[tuple[Fraction, Fraction]]:
        return [(stroke.at, stroke.end) for stroke in phrase.strokes()]

    plain = phrased(EIGHTHS)
    for other in (phrased(EIGHTHS, drag=4), phrased(EIGHTHS, "behind = 90")):
        assert read_by_the_band(other) == read_by_the_band(plain)
        assert other.bars == plain.bars


def test_a_note_before_a_rest_ends_as_late_as_it_began() -> None:
    for more, drag in (("behind = 40", 0), ("", 4)):
        before, after = (
            on_time(phrased("| 1 e8 2 e5 3 .", words, late))[-1]
            for words, late in (("", 0), (more, drag))
        )
        assert after.start > before.start
        assert after.end - before.end >= after.start - before.start - 1e-9


def test_a_dragged_note_is_no_shorter_than_it_would_be() -> None:
    plain, dragged = on_time(phrased(EIGHTHS)), on_time(phrased(EIGHTHS, drag=4))
    for before, after in zip(plain, dragged, strict=True):
        assert after.end - after.start >= before.end - before.start - 0.02


def test_a_line_swells_to_its_middle_and_falls() -> None:
    notes = on_time(phrased("| 1 e8 2 e8 3 e8 4 e8 | 1 e8 2 e8 3 e8 4 e8 | 1 e8"))
    loud = [note.velocity for note in notes]
    assert loud == loud[::-1]
    assert loud[:5] == sorted(loud[:5])
    assert 3 <= loud[4] - loud[0] <= 10


@pytest.mark.parametrize("sign", ["~", "~~"])
@pytest.mark.parametrize("before", ["", "h10", "/10", "tr10", "b(full)r"])
def test_vibrato_on_any_fretted_note_only_goes_up(before: str, sign: str) -> None:
    note = alone(f"| 1 e8{before} 3 {sign}")
    shaken = heard(note)[int(2 * BEAT * 1000) + 1 :]
    fretted = 200.0 if before in ("h10", "/10") else 0.0
    assert min(shaken) >= fretted
    assert within(max(shaken) - fretted, *WIDTHS[sign])


def picks(strokes: tuple[Stroke, ...]) -> int:
    return sum(len(stroke.notes) for stroke in strokes)


@settings(deadline=None)
@given(lines(), st.sampled_from([0.25, 0.6, 2.0]))
def test_every_written_pick_is_one_note_and_nothing_else_is(
    line: tuple[tuple[Stroke, ...], int], beat: float
) -> None:
    strokes, _ = line
    played = perform(strokes, lambda at: 10.0 + float(at) * beat)
    several = [
        note
        for stroke in strokes
        for note in stroke.notes
        if {"rake", "tremolo"} & set(note.marks)
    ]
    assert len(played) == picks(strokes) if not several else len(played) >= picks(strokes)
    for note in played:
        assert note.end > note.start
        assert 1 <= note.velocity <= 127
        # Two octaves of neck and a bend of three frets at the end of them.
        assert all(-2400 <= glide.cents <= 2700 for glide in note.curve.glides)


@settings(derandomize=True, deadline=None)
@given(lines(), st.sampled_from([0.25, 0.6, 2.0]))
def test_whatever_is_written_no_string_sounds_twice_at_once(
    line: tuple[tuple[Stroke, ...], int], beat: float
) -> None:
    strings: dict[str, list[Played]] = defaultdict(list)
    for note in perform(line[0], lambda at: 10.0 + float(at) * beat):
        strings[note.string].append(note)
    for on_one in strings.values():
        for sooner, later in pairwise(on_one):
            assert sooner.end <= later.start


def test_the_hand_moves_forward_in_time() -> None:
    note = play("| 1 e8h10p8\\ trip B5 let .", 0.5)[0]
    times = [glide.start for glide in note.curve.glides]
    assert times == sorted(times)


def test_a_slide_in_does_not_swallow_its_own_note() -> None:
    # Sixteenths at 200 beats a minute on one string: the slide in starts after the note before.
    sooner, later = play("| 2 e5 e /e8 & .", 0.3)
    assert (sooner.pitch, later.pitch) == (fret_pitch("e", 5), fret_pitch("e", 8))
    assert later.end == pytest.approx(0.45)


def test_vibrato_before_a_slide_out_lasts_until_the_slide() -> None:
    note = alone("| 1 e8~\\ 4 .", 1.0)
    leaves = note.curve.glides[0].start
    # Within a turn of a quarter of a second, the slowest of vibratos.
    assert 0.0 <= leaves - note.curve.sways[-1].end < 0.25


def test_a_trill_in_a_short_note_goes_up_once_as_no_hand_is_faster() -> None:
    note = play("| 1 e8tr10 trip e5 let .", 0.33)[0]
    assert turns(note) in ([200.0, 0.0], [0.0, 200.0, 0.0])


@pytest.mark.parametrize("drag", [2, 4])
@pytest.mark.parametrize("swing", [1.0, 1.5, 2.0, 3.0])
def test_a_dragging_end_keeps_its_swing(drag: int, swing: float) -> None:
    clock = Clock(Fraction(100), swing)
    plain, dragged = (
        perform(phrased(EIGHTHS, drag=d).strokes(), clock.seconds) for d in (0, drag)
    )
    late = [b.start - a.start for a, b in zip(plain, dragged, strict=True)]
    assert late == sorted(late)
    assert late[0] == 0.0
    assert late[-1] > 0.02
    for before, after in pairwise(dragged):
        assert after.start > before.start


def test_a_vibrato_that_has_no_time_for_a_turn_sounds_all_the_same() -> None:
    note = alone("| 1 e8~ & /10 2 .", beat=0.5)
    slid = min(glide.start for glide in note.curve.glides)
    assert (slid - note.curve.sways[0].start) * note.curve.sways[0].hertz < 1
    assert max(heard(note)[: int(slid * 1000)]) > 5


def test_a_tremolo_picks_again_what_sounds_then() -> None:
    """The left hand does the same whoever picks: only a vibrato that goes on begins anew."""
    text = "| 2 G7{} 2& ~ 3 /9 4 ."
    plain, picked = alone(text.format("")), play(text.format("{tremolo}"))
    (sway,) = plain.curve.sways
    for note in picked:
        for number, cents in enumerate(heard(note)):
            begun = note.start - plain.start
            now = begun + number / 1000
            if begun < sway.start or now > sway.end:
                assert cents == pytest.approx(plain.curve.at(now)), now


@pytest.mark.parametrize(
    ("text", "steps"),
    [
        ("| 2 /e7 3 .", [-300, -200, -100, 0]),
        ("| 2 /e3 3 .", [-200, -100, 0]),  # the first fret is the lowest
        ("| 2 \\e22 3 .", [200, 100, 0]),  # and the neck ends at the twenty-fourth
        ("| 1 e5/ 2 e8 3 .", [0, 100, 200, 300]),  # to the next pick, if that lies there
        ("| 1 e5/ 2 e6 3 .", [0, 100]),
        ("| 1 e5/ 2 e5 3 .", [0, 100, 200, 300, 400, 500]),
        ("| 1 e5\\ 2 e4 3 .", [0, -100]),
    ],
)
def test_a_slide_from_or_to_nowhere_crosses_every_fret(text: str, steps: list[float]) -> None:
    assert turns(play(text)[0]) == steps


def test_a_dip_is_lowest_in_its_middle() -> None:
    track = heard(alone("| 1 e8 2 v 3 ."))
    down = [number for number, cents in enumerate(track) if cents < -1]
    assert track.index(min(track)) == pytest.approx((down[0] + down[-1]) / 2, abs=5)
    assert down[-1] - down[0] == pytest.approx(BEAT / 2 * 1000, abs=30)


def test_the_hand_is_heard_where_it_is_before_it_moves_on() -> None:
    """A grace note is short, a bent string is heard before it is let down (LANGUAGE.md)."""
    hammer, bend, release = alone("| 1 G7h9b(full)r 4 .").curve.glides
    assert hammer.start == pytest.approx(GRACE)
    assert bend.start == pytest.approx(2 * GRACE)
    assert release.start - bend.start - bend.seconds == pytest.approx(SPEAK)


def test_no_note_is_shorter_than_a_note_can_be() -> None:
    assert all(n.end - n.start > SHORTEST - 1e-9 for n in play("| 1 e8 & B5 2 .", beat=0.02))


def test_a_rake_that_begins_with_the_music_is_whole() -> None:
    assert len(play("| 2 e8{rake} 3 .", beat=RAKE[0])) == 1 + len(RAKE)
