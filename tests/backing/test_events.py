from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest

import backing
from backing.events import (
    CHANNELS,
    OFF,
    ON,
    Note,
    Section,
    Stream,
    bend_value,
    messages,
    part_of,
    set_up,
)
from backing.practice.picture import picture
from phrases.counting import METERS
from phrases.credits import NOBODY
from phrases.curve import Curve, Glide
from phrases.files import load_phrase, shipped
from phrases.pitch import Key


def _note(start: float, end: float, pitch: int = 60, voice: str = "comp") -> Note:
    return Note(voice, start, end, pitch, 90)


def test_what_stops_comes_before_what_starts_at_the_same_time() -> None:
    kinds = [
        (seconds, rank, data[1])
        for seconds, rank, data in messages((_note(0, 1), _note(1, 2), _note(1, 3, 62)))
    ]
    assert kinds[0] == (0, ON, 60)
    assert kinds[1] == (1, OFF, 60)
    assert {kind[1:] for kind in kinds[2:4]} == {(ON, 60), (ON, 62)}
    assert kinds[4:] == [(2, OFF, 60), (3, OFF, 62)]


def test_a_note_is_cut_where_its_pitch_starts_again() -> None:
    events = messages((_note(0, 5), _note(1, 2)))
    assert [(s, r) for s, r, _ in events] == [(0, ON), (1, OFF), (1, ON), (2, OFF)]


def test_another_pitch_or_voice_does_not_cut() -> None:
    events = messages((_note(0, 5), _note(1, 2, 61), _note(1, 2, 60, "bass")))
    assert (5, OFF, (0x80 | CHANNELS["comp"], 60, 0)) in events


@pytest.mark.parametrize("end", [0.0, -0.1])
def test_a_note_without_length_is_left_out(end: float) -> None:
    assert messages((_note(0, end),)) == []


def test_of_two_equal_notes_one_is_played() -> None:
    assert [(s, r) for s, r, _ in messages((_note(0, 1), _note(0, 2)))] == [(0, ON), (2, OFF)]


def test_the_bend_is_set_before_the_pick_and_ends_with_the_note() -> None:
    curve = Curve(0.0, (Glide(0.1, 0.2, 200.0),))
    events = messages((Note("lead G", 1.0, 1.2, 67, 90, curve),))
    assert events[1][2] == (0xE0 | 2, 0, 64)
    assert events[2][2][0] == 0x90 | 2
    assert events[-1][:2] == (1.2, OFF)
    assert all(1.0 <= seconds <= 1.2 for seconds, _, _ in events)


@pytest.mark.parametrize(
    ("cents", "value"),
    # MIDI 1.0: 14 bits, 8192 is the centre; RPN 0 sets 24 semitones for a full bend here.
    [(0, 8192), (1200, 12288), (-1200, 4096), (2400, 16383), (-2400, 0), (9999, 16383)],
)
def test_bend_values(cents: float, value: int) -> None:
    assert bend_value(cents) == value


@pytest.mark.parametrize("voice", CHANNELS)
def test_a_channel_is_made_ready(voice: str) -> None:
    programs = {"lead": 27, "bass": 33, "comp": 16, "drums": 0}
    ready = set_up(voice, programs)
    channel = CHANNELS[voice]
    assert {data[0] & 0x0F for data in ready} == {channel}
    assert ready[0] == (0xC0 | channel, programs[part_of(voice)])
    # General MIDI 1: percussion is on channel 10, which is 9 from 0.
    assert (channel == 9) == (voice == "drums")
    # MIDI 1.0: RPN 0 is pitch bend sensitivity; data entry is in semitones and cents.
    rpn = [data[1:] for data in ready if data[0] & 0xF0 == 0xB0 and data[1] not in (7, 10)]
    closed = [(101, 0), (100, 0), (6, 24), (38, 0), (101, 127), (100, 127)]
    assert rpn == (closed if voice.startswith(("lead", "comp")) else [])


def test_a_swell_grows_from_soft_to_full_before_its_note_stops() -> None:
    # General MIDI 1: controller 11 is expression; 127 is full.
    note = Note("comp", 1.0, 3.0, 60, 90, swell=True)
    events = messages((note,))
    swell = [(seconds, data[2]) for seconds, _, data in events if data[:2] == (0xB0 | 7, 11)]
    assert events[0][2][:2] == (0xB0 | 7, 11)  # soft before the attack
    values = [value for _, value in swell]
    assert values == sorted(values)
    assert values[0] < 64 < values[-1] == 127
    assert swell[0][0] == 1.0
    assert swell[-1][0] == pytest.approx(3.0)
    assert [data[0] & 0xF0 for *_, data in events if data[0] & 0xF0 != 0xB0] == [0x90, 0x80]


def test_a_note_that_does_not_swell_has_no_expression() -> None:
    assert not [data for *_, data in messages((_note(0, 1),)) if data[0] & 0xF0 == 0xB0]


def test_a_section_knows_its_runs_of_one_tempo() -> None:
    steps = ((Fraction(1), Fraction(30)), (Fraction(3), Fraction(20)))
    four = Fraction(4)
    section = Section(
        "slow", Fraction(10), Fraction(8), Fraction(5), four, Fraction(60), 1.0, (), steps=steps
    )
    # One beat of a second, two of two seconds, one of three.
    rows = [tuple(map(int, row)) for row in section.tempo_runs()]
    assert rows == [(10, 5, 1, 60), (11, 6, 2, 30), (15, 8, 1, 20)]
    plain = Section("a", Fraction(1), Fraction(4), Fraction(2), Fraction(4), Fraction(60), 1.0, ())
    assert [tuple(map(int, row)) for row in plain.tempo_runs()] == [(1, 2, 4, 60)]


def test_a_muted_string_has_the_muted_guitar_while_it_sounds() -> None:
    # General MIDI 1, counted from 0: 27 is the clean, 28 the muted electric guitar.
    note = Note("lead G", 1.0, 1.2, 67, 90, Curve(), damped=True)
    rows = messages((note,))
    channel = CHANNELS["lead G"]
    programs = [(at, data[1]) for at, _, data in rows if data[0] == 0xC0 | channel]
    assert programs == [(1.0, 28), (1.2, 27)]
    kinds = [data[0] & 0xF0 for _, _, data in rows]
    assert kinds.index(0xC0) < kinds.index(0x90)
    assert kinds[-2:] == [0x80, 0xC0]  # nor does it change before the note is over
    assert not [d for *_, d in messages((replace(note, damped=False),)) if d[0] & 0xF0 == 0xC0]
    other = replace(note, voice="comp")
    assert not [d for *_, d in messages((other,)) if d[0] & 0xF0 == 0xC0]


@pytest.mark.parametrize("voice", CHANNELS)
def test_all_that_a_note_says_it_says_on_its_voices_channel(voice: str) -> None:
    curve = Curve(100.0, (Glide(0.1, 0.2, 200.0),))
    notes = [Note(voice, n, n + 1, 67, 90, curve, swell=True, damped=True) for n in (0.0, 1.0)]
    assert {data[0] & 0x0F for *_, data in messages(tuple(notes))} == {CHANNELS[voice]}
    # MIDI 1.0: note off, note on, controller, program and pitch bend; a note's pair is one key.
    kinds = {0x80, 0x90, 0xB0, 0xE0} | ({0xC0} if voice.startswith("lead") else set())
    assert {data[0] & 0xF0 for *_, data in messages(tuple(notes))} == kinds
    assert {d[1] for *_, d in messages(tuple(notes)) if d[0] & 0xF0 in (0x80, 0x90)} == {67}


def test_a_bend_is_over_with_its_note() -> None:
    # A wheel that moves at or after the end would be heard in what still rings.
    curve = Curve(0.0, (Glide(0.1, 0.2, 200.0),))
    # At no end, and not where the next step of the bend would be.
    for end in (0.15, *(seconds for seconds, _ in curve.points()[1:5])):
        note = Note("lead G", 1.0, 1.0 + end, 67, 90, curve)
        bends = [at for at, _, data in messages((note,)) if data[0] & 0xF0 == 0xE0]
        assert bends[0] == 1.0
        assert max(bends) < note.end


@pytest.mark.parametrize("voice", ["lead e", "bass"])
def test_the_lead_and_the_bass_are_in_the_middle(voice: str) -> None:
    # MIDI 1.0: controller 10 is pan, 64 its centre. Low notes are kept there (common practice).
    assert (0xB0 | CHANNELS[voice], 10, 64) in set_up(voice, {})


def test_the_lead_is_the_loudest_and_no_level_is_beyond_midis() -> None:
    # MIDI 1.0: controller 7 is volume.
    levels = {part_of(v): data[2] for v in CHANNELS for data in set_up(v, {}) if data[1] == 7}
    assert max(levels.values()) == levels["lead"] <= 127


def test_drums_that_only_count_are_sticks() -> None:
    # General MIDI 1: 37 side stick, 76 and 77 wood blocks, 38 snare, 36 kick.
    zero, four = Fraction(0), Fraction(4)
    first = Section("a", zero, four, zero, four, Fraction(60), 1.0, ())
    for keys, part in (
        ((37,), "sticks"), ((76, 77), "sticks"), ((37, 38), "drums"), ((36,), "drums"),
        ((75,), "drums"), ((78,), "drums"),
    ):  # fmt: skip
        notes = tuple(Note("drums", 0.0, 0.1, key, 90) for key in keys)
        stream = Stream("t", Key("A"), METERS["4/4"], 1, (replace(first, notes=notes),), {})
        assert stream.parts == (part,)


def test_no_two_voices_share_a_channel() -> None:
    assert len(set(CHANNELS.values())) == len(CHANNELS) == 9


def test_a_stream_knows_its_length_voices_and_beats() -> None:
    sections = (
        Section("a", Fraction(0), Fraction(4), Fraction(0), Fraction(4), Fraction(60), 1.0, ()),
        Section(
            "b", Fraction(4), Fraction(2), Fraction(4), Fraction(4), Fraction(120), 1.0,
            (_note(0, 1), _note(0, 1, 40, "bass")),
        ),
    )  # fmt: skip
    stream = Stream("t", Key("A"), METERS["4/4"], 1, sections, {})
    assert stream.seconds == 6
    assert stream.voices == ("bass", "comp")


def test_a_string_picked_again_with_the_wheel_elsewhere_sounds_no_more_before() -> None:
    # MIDI 1.0: controller 120 is the channel mode message All Sound Off.
    bent = Curve(0.0, (Glide(0.1, 0.1, 200.0),))
    notes = [
        Note("lead B", float(at), at + 0.9, 67, 90, curve)
        for at, curve in enumerate((bent, Curve(), Curve(), Curve(200.0), bent))
    ]
    off = (0xB0 | CHANNELS["lead B"], 120, 0)
    events = messages(tuple(notes))
    # Of the first nobody knows what was before it.
    assert [at for at, _, data in events if data == off] == [0.0, 1.0, 3.0, 4.0]
    for at, _, data in events:
        if data == off:  # and before the wheel moves
            there = [d[0] & 0xF0 for t, _, d in events if t == at]
            assert there.index(0xB0) < there.index(0xE0) < there.index(0x90)


def test_a_bend_that_had_no_time_left_the_string_where_it_was() -> None:
    first = Curve(0.0, (Glide(0.1, 0.1, 200.0),))
    begun = next(at for at, cents in first.points() if cents)
    for end in (begun / 2, begun):
        notes = Note("lead B", 0.0, end, 67, 90, first), Note("lead B", 1.0, 2.0, 67, 90, Curve())
        assert [at for at, _, data in messages(notes) if data[1] == 120] == [0.0]


def test_one_note_stops_before_the_next_ones_bend_is_set() -> None:
    curve = Curve(100.0)
    notes = [Note("lead B", float(n), n + 1.0, 67 + n, 90, curve) for n in (0, 1)]
    there = [data[0] & 0xF0 for at, _, data in messages(tuple(notes)) if at == 1.0]
    assert there == [0x80, 0xE0, 0x90]


def test_a_stream_says_in_short_what_it_is_and_who_made_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    phrase = load_phrase(next(iter(shipped())))
    zero, long = Fraction(0), Fraction(83)
    section = Section("a", zero, long, zero, long, Fraction(60), 1.0, (_note(0, 1),))
    stream = Stream("T", Key("A"), METERS["4/4"], 1, (section,), {}, phrase=phrase)
    assert repr(stream) == "<Stream 'T' in A, 1 sections, 1:23>"
    assert stream.credits == phrase.credits
    assert replace(stream, phrase=None).credits == NOBODY
    assert stream.voice == "strings"
    played: list[tuple[Stream, object]] = []
    monkeypatch.setattr(backing, "play", lambda one, tone: played.append((one, tone)))
    stream.play(tone="driven")
    assert played == [(stream, "driven")]


def test_what_a_section_is_does_not_hang_on_its_name() -> None:
    """Renamed or translated, a piece is the same piece."""
    trade = backing.trade("lamp-oil", passes=4)
    track = backing.track(choruses=1, intro="five", ending="slow")
    for stream, kinds in (
        (trade, ["count-in", *["pass"] * 4]),
        (track, ["count-in", "intro", "chorus", "slow-down", "ending"]),
    ):
        sections = tuple(
            replace(
                section, name="x", labels=tuple(replace(one, text="x") for one in section.labels)
            )
            for section in stream.sections
        )
        other = replace(stream, sections=sections)
        assert [section.kind for section in other.sections] == kinds
        assert other.steady == stream.steady
        assert len(other.music) == len(kinds) - 1
        assert picture(other) == picture(stream)
    turns = [label.yours for label in trade.sections[1].labels if label.kind == "turn"]
    # The call sounds, the response is the student's, and the next call begins before its bar.
    assert turns == [False, True, False]
