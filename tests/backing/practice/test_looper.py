from __future__ import annotations

import io
import math
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import mido
import pretty_midi
import pytest

import backing
import backing.sound.audio
from backing.band import Band, Bar
from backing.events import Note, Section, Stream
from backing.formats import RATES
from backing.midi import TICKS, midi_bytes
from backing.practice import Plan, loop, trade
from backing.practice.looper import LIFTED
from backing.sound.audio import frame_of, render
from backing.sound.voices import ensemble
from phrases.counting import Meter
from phrases.errors import ChoiceError, RangeError
from phrases.files import read_phrase
from phrases.phrase import Phrase, Tip
from tests.backing.material import answered, lead, line, setting, voice

SHORT = line("| 1 e5 2 e8 3 .")
WOOD = {76: "cue", 77: "click"}  # General MIDI 1: high and low wood block


def _plan(words: dict[str, Any]) -> Plan:
    exact: dict[str, Any] = {
        k: Fraction(str(v)) if k in ("start", "goal", "step") else v for k, v in words.items()
    }
    return Plan(**exact)


def _loop(phrase: Phrase = SHORT, count_in: int = 1, **words: Any) -> Stream:
    given = setting(tempo=100, swing=Fraction(2), count_in=count_in, looseness=0.0)
    return loop(given, phrase, _plan(words))


def _trade(phrase: Phrase | None = None, count_in: int = 1, **words: Any) -> Stream:
    """Return a trade at 60 beats a minute: a beat lasts a second."""
    given = setting(tempo=60, swing=Fraction(2), count_in=count_in, looseness=0.0, comp="piano")
    return trade(given, phrase or answered(), _plan({"shape": "hold", **words}))


def _asked() -> Phrase:
    """Return a call of two bars that begins on its first beat, and a response like it."""
    part = line("| 1 e5 2 . | 1 e8 2 .").parts[0]
    return replace(SHORT, parts=(replace(part, role="call"), replace(part, role="response")))


def _passes(stream: Stream) -> list[Section]:
    return [section for section in stream.sections if section.name.startswith("pass")]


def _wood(section: Section) -> list[tuple[float, str]]:
    return [(n.start, WOOD[n.pitch]) for n in voice(section.notes, "drums") if n.pitch in WOOD]


def _lead(section: Section) -> list[Note]:
    return [note for note in section.notes if note.voice.startswith("lead")]


def _band(section: Section) -> list[Note]:
    return [n for n in section.notes if not n.voice.startswith("lead") and n.pitch not in WOOD]


def _labels(section: Section) -> list[tuple[str, float]]:
    return [(label.text, round(label.seconds, 6)) for label in section.labels]


# Exactness


def test_two_thousand_passes_start_at_exact_sums_and_nearest_frames() -> None:
    stream = _loop(start=30, goal=240, step=1, each=9, passes=2000)
    assert len(stream.sections) == 2001
    tempos = [30, *(30 + min(210, n // 9) for n in range(2000))]
    start = Fraction(0)
    for section, tempo in zip(stream.sections, tempos, strict=True):
        assert section.tempo == tempo
        assert section.start == start
        for rate in RATES:
            assert frame_of(section, rate) == round(start * rate)
            assert abs(frame_of(section, rate) - start * rate) <= Fraction(1, 2)
        start += 4 * Fraction(60, tempo)
    assert stream.seconds == start


RAMPS: dict[str, dict[str, Any]] = {
    "up": {"shape": "ramp", "start": 40, "goal": 160, "passes": 200},
    "down": {"shape": "ramp", "start": 117.3, "goal": 60, "passes": 60},
    "steps": {"start": 60.7, "goal": 112, "step": 0.9, "each": 2},
}


@pytest.fixture(scope="module", params=RAMPS)
def changing(request: pytest.FixtureRequest) -> Stream:
    return _loop(line("4 e5 | 1 e8 & B8 2 G7b(full) 3 ."), **RAMPS[request.param])


def test_a_ramp_is_as_long_as_its_closed_form() -> None:
    stream = _loop(**RAMPS["up"])
    # The count-in's four beats at 40, then the integral of 60 / T over 800 beats.
    closed = 4 * 60 / 40 + 60 / (120 / 800) * math.log(160 / 40)
    first = stream.sections[1].tempo
    counted = float(4 * 60 / first)
    assert counted == pytest.approx(6.0, abs=0.02)
    assert float(stream.seconds) - counted == pytest.approx(closed - 6.0, abs=1e-4)


def test_sections_follow_without_a_gap(changing: Stream) -> None:
    for one, after in pairwise(changing.sections):
        assert one.start + one.seconds == after.start
        assert one.first_beat + one.beats == after.first_beat
        rows = one.tempo_runs()
        assert sum((beats for _, _, beats, _ in rows), Fraction(0)) == one.beats
        assert sum((b * 60 / tempo for _, _, b, tempo in rows), Fraction(0)) == one.seconds


def _attacks(stream: Stream) -> list[tuple[float, int]]:
    """Return seconds and pitches; two strokes of a voice on one place and time are one."""
    every = {
        (round(float(section.start) + note.start, 6), note.voice, note.pitch)
        for section in stream.sections
        for note in section.notes
    }
    return sorted((at, pitch) for at, _, pitch in every)


def test_the_files_tempo_map_agrees_as_mido_reads_it(changing: Stream) -> None:
    file = mido.MidiFile(file=io.BytesIO(midi_bytes(changing)))
    # The last thing of all may be a note that rings on.
    assert file.length >= float(changing.seconds) - 1e-3
    now, markers = 0.0, []
    for message in file:  # with seconds, through mido's own tempo map
        now += message.time
        if message.type == "marker" and message.text.startswith("Pass"):
            markers.append(now)
    starts = [float(section.start) for section in _passes(changing)]
    assert len(markers) == len(starts)
    for found, exact in zip(markers, starts, strict=True):
        assert abs(found - exact) <= 100e-6  # of which `backing.midi.DRIFT` is 80


def test_the_files_notes_agree_as_pretty_midi_reads_them(changing: Stream) -> None:
    read = pretty_midi.PrettyMIDI(io.BytesIO(midi_bytes(changing)))
    half = 30 / min(float(s.tempo) for s in changing.sections) / TICKS
    found = sorted((n.start, n.pitch) for i in read.instruments for n in i.notes)
    for pitch in sorted({pitch for _, pitch in found}):
        here = [at for at, p in found if p == pitch]
        there = [at for at, p in _attacks(changing) if p == pitch]
        assert len(here) == len(there)
        worst = max(abs(a - b) for a, b in zip(here, there, strict=True))
        assert worst <= half + 100e-6  # of which `backing.midi.DRIFT` is 80


def test_equal_passes_are_one_object() -> None:
    stream = _loop(start=60, goal=130, step=10, each=5)
    passes = _passes(stream)
    assert len(passes) == 40
    assert len({id(section.notes) for section in stream.sections}) <= 8 + 2
    for first in range(0, 40, 5):
        same = passes[first : first + 5][: 5 if first < 35 else 4]
        assert len({id(section.notes) for section in same}) == 1


def test_a_pickup_that_rings_over_knows_the_next_tempo_and_makes_few_more() -> None:
    words = {"start": 60, "goal": 130, "step": 10, "each": 5}
    stream = _loop(line("4 e5/8~ | 2 e8 3 ."), **words)
    assert len({id(section.notes) for section in stream.sections}) <= 8 + 8 + 2
    stops = _loop(line("4 e5 | 1 e8 3 ."), **words)
    assert len({id(section.notes) for section in stops.sections}) <= 8 + 2


def test_each_different_pass_is_synthesised_once(
    monkeypatch: pytest.MonkeyPatch, soundfont: Path
) -> None:
    made: list[tuple[Note, ...]] = []
    plain = ensemble.played

    def counted(notes: tuple[Note, ...], *rest: Any) -> Any:
        made.append(notes)
        return plain(notes, *rest)

    monkeypatch.setattr(backing.sound.audio, "played", counted)
    stream = _loop(start=205, goal=240, step=5, each=5)
    render(stream, soundfont).close()
    assert len(_passes(stream)) == 40
    assert len(set(made)) == len(made) <= 8 + 2


# Loops


def test_the_next_pickup_sounds_in_every_pass_but_the_last() -> None:
    stream = _loop(line("4 e5 | 1 e8 2 ."), start=60, goal=60, each=3)
    assert [note.start for note in lead(stream, 0)] == [3.0]
    assert [[note.start for note in lead(stream, n)] for n in (1, 2, 3)] == [
        [0.0, 3.0],
        [0.0, 3.0],
        [0.0],
    ]


def test_the_next_pickup_stops_the_last_note_and_the_next_pass_a_slowing_one() -> None:
    # A line is one voice, whatever its strings; nothing comes after the last pass.
    stream = _loop(line("4 e5 | 1 G7"), start=60, goal=60, each=2)
    assert [(n.start, n.end) for n in lead(stream, 1)] == [(0.0, 3.0), (3.0, 4.0)]
    assert [(n.start, n.end) for n in lead(stream, 2)] == [(0.0, 4.0)]
    slowing = read_phrase(
        "title = 'Slow'\nkey = 'A'\ntempo = 60\n[[part]]\ndrag = 2\nnotes = '| 1 e5 4 G7'\n"
    )
    once, last = (lead(_loop(slowing, start=60, goal=60, each=2), n) for n in (1, 2))
    assert once[-1].end <= 4.0 < last[-1].end


def test_a_pickup_is_at_the_tempo_of_the_pass_it_sounds_in() -> None:
    stream = _loop(line("4 e5 | 1 e8 2 ."), start=60, goal=120, step=60, each=1)
    assert [note.start for note in lead(stream, 1)] == [0.0, 3.0]
    assert [note.start for note in lead(stream, 2)] == [0.0]


def test_passes_that_are_counted_in_have_their_pickup_in_the_sticks() -> None:
    stream = _loop(line("4 e5 | 1 e8 2 ."), start=60, goal=90, step=30, each=1, counted="each")
    assert [section.name for section in stream.sections] == [
        "count-in", "pass 1", "count-in", "pass 2"
    ]  # fmt: skip
    assert [section.tempo for section in stream.sections] == [60, 60, 90, 90]
    assert [[n.start for n in lead(stream, number)] for number in range(4)] == [
        [3.0], [0.0], [2.0], [0.0]
    ]  # fmt: skip
    sticks = [len(stream.sections[n].notes) - 1 for n in (0, 2)]
    assert sticks == [4, 4]


def test_no_count_in_is_none_before_each_pass_either() -> None:
    stream = _loop(count_in=0, shape="hold", passes=3, counted="each")
    assert [section.name for section in stream.sections] == ["pass 1", "pass 2", "pass 3"]


def test_a_phrase_that_is_only_a_pickup() -> None:
    stream = _loop(line("4 e5 | 1 ."), start=60, goal=60)
    assert [[note.start for note in lead(stream, n)] for n in (0, 1, 2)] == [[3.0], [3.0], []]


def test_a_pass_has_the_bars_of_its_phrase_and_leads_back_to_itself() -> None:
    stream = _loop(answered(), start=60, goal=60)
    assert [section.beats for section in stream.sections] == [4, 16, 16]
    assert stream.facts["passes"] == 2
    assert stream.facts["bars"] == 8
    assert stream.facts["shape"] == "steps"
    assert [label.text for label in stream.sections[1].chords] == ["A7"] * 4


@pytest.mark.parametrize("words", [{"gap": "call"}, {"gap": "two"}, {"gap": "echo"}, {}])
@pytest.mark.parametrize("counted", ["first", "each"])
def test_labels_come_in_order_and_say_whose_turn_it_is(
    words: dict[str, Any], counted: str
) -> None:
    make = _trade if words else _loop
    for section in make(answered(), passes=3, counted=counted, **words).sections:
        assert [one.seconds for one in section.labels] == sorted(
            one.seconds for one in section.labels
        )
        for one in section.labels:
            assert one.yours == (one.text == "Your turn")
            usual = "section" if one.text.startswith("Pass") else "turn" if words else "part"
            assert one.kind == usual


def test_passes_and_parts_are_labelled() -> None:
    stream = _loop(answered(), start=60, goal=90.5, step=40, each=1)
    labels = [_labels(section) for section in stream.sections]
    assert labels[0] == []
    assert labels[1] == [("Pass 1: 60", 0.0), ("Call", 0.0), ("Response", 8.0)]
    assert labels[2][0] == ("Pass 2: 90.5", 0.0)


def test_a_ramps_passes_are_labelled_with_both_their_tempos() -> None:
    stream = _loop(shape="ramp", start=60, goal=120, passes=2)
    # Beats at 60 + 60/8 * (n + 1/2) beats a minute, to within what a beat's mean may differ.
    text = stream.sections[1].labels[0].text
    assert text.startswith("Pass 1: 63.")
    assert text.split(" to ")[1].startswith("86")


def test_parts_of_a_ramp_are_labelled_at_their_seconds() -> None:
    stream = _loop(answered(), shape="ramp", start=60, goal=120, passes=1)
    response = stream.sections[1].labels[2]
    # Half of 16 beats in: the integral of 60 / (60 + 60/16 b) from 0 to 8.
    assert response.text == "Response"
    assert response.seconds == pytest.approx(16 * math.log(1.5), abs=1e-6)


def test_a_pass_without_the_phrase() -> None:
    stream = _loop(line("4 e5 | 1 e8 2 ."), start=60, goal=60, each=4, phrase_rests=2)
    leads = [[note.start for note in lead(stream, n)] for n in range(5)]
    # A pass that rests has no pickup before it, but plays the one of the next.
    assert leads == [[3.0], [0.0], [3.0], [0.0], []]
    assert all(_band(section) for section in _passes(stream))
    assert _labels(stream.sections[2]) == [("Pass 2: 60", 0.0), ("Your turn", 0.0)]


def test_what_a_resting_phrase_leaves_open_is_what_it_would_play() -> None:
    stream = _loop(line("| 1 e8 2 . 3 e5 4 ."), start=60, goal=60, each=4, phrase_rests=2)
    open_ = [[note.start for note in section.silent] for section in _passes(stream)]
    assert open_ == [[], [0.0, 2.0], [], [0.0, 2.0]]


def test_a_pass_without_the_band() -> None:
    stream = _loop(start=60, goal=60, each=4, band_rests=2)
    assert [bool(_band(section)) for section in _passes(stream)] == [True, False, True, False]
    assert all(_lead(section) for section in _passes(stream))


def test_bars_of_the_form_are_what_is_heard() -> None:
    stream = _loop(answered(), start=60, goal=60, each=2, bars=(5, 8))
    assert [label.text for label in stream.sections[1].chords] == ["D7", "D7", "A7", "A7"]
    bass = voice(stream.sections[1].notes, "bass")
    assert bass[0].pitch % 12 == 2  # D


def test_a_part_is_what_is_heard() -> None:
    stream = _loop(answered(), start=60, goal=60, each=2, part="response")
    assert [section.beats for section in stream.sections] == [4, 8, 8]
    assert [note.start for note in lead(stream, 0)] == [3.0]
    assert 7.0 in [note.start for note in lead(stream, 1)]


def test_a_pickup_needs_a_count_in() -> None:
    with pytest.raises(RangeError, match=r"^the phrase has a pickup, which needs a count-in"):
        _loop(answered(), count_in=0, start=60)


def test_a_pickup_that_meets_the_end_of_its_own_phrase() -> None:
    clash = line("4& e5 | 1 e8 4& e5")
    with pytest.raises(RangeError, match=r'^"Line": the pickup of the next pass starts while the'):
        _loop(clash, start=60)
    with pytest.raises(RangeError, match=r'^"Line": the pickup of the next pass starts while the'):
        _loop(clash, start=60, passes=2)
    # Counted in each time, the two do not meet; nor do they in a single pass.
    assert len(_loop(clash, start=60, counted="each", passes=2).sections) == 4
    assert len(_loop(clash, start=60, passes=1).sections) == 2


@pytest.mark.parametrize(
    ("make", "words", "error", "message"),
    [
        # Twelve bars at 30 last 96 seconds: 160 of them last 4:16 hours.
        (_loop, {"shape": "hold", "start": 30, "passes": 160, "bars": (1, 12)}, RangeError,
         r"^160 passes last 4:16 hours; a loop lasts 4:00 hours at most"),
        (_trade, {"gap": "respons"}, ChoiceError,
         r'^"respons" is not a gap; did you mean "response"\?$'),
    ],
)  # fmt: skip
def test_what_is_asked_for_is_checked_before_it_is_made(
    make: Any, words: dict[str, Any], error: type[Exception], message: str
) -> None:
    with pytest.raises(error, match=message):
        make(answered(), **words)


def test_the_last_note_rings_through_its_bar_wherever_the_next_pass_begins() -> None:
    stream = _loop(line("| 2 e5 4 G7"), start=60, goal=60, each=2)
    assert [(n.start, n.end) for n in lead(stream, 1)] == [(1.0, 3.0), (3.0, 4.0)]


@pytest.mark.parametrize("make", [loop, trade])
def test_a_phrase_that_counts_other_bars_than_the_groove(make: Any) -> None:
    three = replace(SHORT, meter=Meter(3, 4, 3, Fraction(1)))
    with pytest.raises(RangeError, match=r"^\"Line\" counts 3 beats to the bar, the groove Ride"):
        make(setting(), three, Plan())


# Turns


def test_the_response_is_left_open_to_the_beat() -> None:
    stream = _trade(gap="response", passes=2)
    one, two = _passes(stream)
    # The call's pickup sounds on the last triplet before the count-in's end, and so on.
    swung = 15 + 2 / 3
    assert [n.start for n in _lead(one)] == pytest.approx([0.0, 1.0, 4.0, swung])
    assert [n.start for n in _lead(two)] == pytest.approx([0.0, 1.0, 4.0])
    assert [n.start for n in lead(stream, 0)] == pytest.approx([3 + 2 / 3])
    assert _labels(one)[1:] == [("Listen", 0.0), ("Your turn", 7.0), ("Listen", round(swung, 6))]


def test_nothing_of_the_phrase_rings_into_a_turn() -> None:
    stream = _trade(line("| 1 e5 | 1 e8"), gap="echo", passes=2)
    for section in _passes(stream):
        assert [n.start for n in _lead(section)] == [0.0, 4.0]
        assert max(n.end for n in _lead(section)) <= 8.0 + 1e-6


def test_the_call_is_the_students_and_the_response_sounds() -> None:
    one, two = _passes(_trade(gap="call", passes=2))
    for section in (one, two):
        assert [n.start for n in _lead(section)] == pytest.approx([7.0, 8.0, 8 + 2 / 3, 9.0, 12.0])


def test_a_turn_that_begins_with_a_pickup_is_labelled_there() -> None:
    one = _passes(_trade(gap="call", passes=3))[0]
    assert ("Your turn", round(15 + 2 / 3, 6)) in _labels(one)


def test_two_and_four_go_over_the_whole_form() -> None:
    for gap, turns in (("two", [8.0, 24.0, 40.0]), ("four", [16.0, 48.0, 80.0])):
        stream = _trade(line("| 1 e5 2 ."), gap=gap, passes=1)
        section = _passes(stream)[0]
        assert section.beats == (96 if gap == "four" else 48)
        assert [at for text, at in _labels(section) if text == "Your turn"] == turns
        heard = {math.floor(n.start) for n in _lead(section)}
        assert not heard & {int(at) for at in turns}


def test_the_band_is_stronger_through_the_whole_of_a_turn(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    read = _told(monkeypatch)
    _trade(line("| 1 e5 2 ."), gap="two", passes=1)
    assert [bar.strength == LIFTED for bar in read] == 3 * [False, False, True, True]
    # No chorus is stronger than 1, where its arc ends.
    assert max(bar.strength for bar in read if bar.strength != LIFTED) < LIFTED <= 1


def test_the_drummer_leads_into_a_response_and_into_a_turn(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for make, words, bars in (
        # Besides, a band leads out of the fourth bar, where a line ends (common practice).
        (_loop, {"start": 60, "goal": 60, "each": 1}, [1, 3]),
        (_loop, {"start": 60, "goal": 60, "each": 1, "part": "call"}, []),
        (_trade, {"gap": "response", "passes": 1}, [1, 3]),
        (_trade, {"gap": "call", "passes": 1}, [3]),  # the call comes again after the last bar
    ):
        read = _told(monkeypatch)
        make(_asked(), **words)
        assert [n for n, bar in enumerate(read) if "setup" in bar.when] == bars, words


def _told(monkeypatch: pytest.MonkeyPatch) -> list[Bar]:
    """Return a list to which the bars will be added that the band is told from now on."""
    read: list[Bar] = []
    play = Band.play

    def noted(band: Band, bars: Any, clock: Any, after: Any) -> list[Note]:
        read.extend(bars)
        return play(band, bars, clock, after)

    monkeypatch.undo()
    monkeypatch.setattr(Band, "play", noted)
    return read


RISING: dict[str, Any] = {"shape": "steps", "start": 60, "goal": 80, "step": 10, "each": 1}


def _everything(stream: Stream) -> list[Any]:
    """Return what the lead plays and what is left open, as one line: when, what and how."""
    return sorted(
        (
            (
                (round(float(s.start) + n.start, 6), s.first_beat + (n.beat or 0)),
                (n.voice, n.pitch, n.velocity, round(n.end - n.start, 6), n.curve),
            )
            for s in stream.sections
            for n in (*_lead(s), *s.silent)
        ),
        key=str,
    )


@pytest.mark.parametrize("counted", ["first", "each"])
@pytest.mark.parametrize(
    ("make", "words", "notes"),
    [
        (_trade, {"gap": "response"}, ""),
        (_trade, {"gap": "call"}, ""),
        (_loop, {"phrase_rests": 2}, ""),
        (_loop, {"phrase_rests": 2}, "4 e5/8~ | 2 e8 3 ."),
        (_loop, {"phrase_rests": 3}, "| 1 e8 4 G7"),
    ],
)
def test_what_sounds_and_what_is_left_open_are_all_of_the_phrase(
    make: Any, words: dict[str, Any], notes: str, counted: str
) -> None:
    """The student who plays the turns as written plays, with the others, what a loop plays."""
    phrase = line(notes) if notes else answered()
    whole = _loop(phrase, counted=counted, **RISING)
    left = make(phrase, counted=counted, **RISING, **words)
    assert _everything(left) == _everything(whole)
    assert any(section.silent for section in left.sections)


@pytest.mark.parametrize("gap", ["response", "call", "echo"])
@pytest.mark.parametrize("guide", ["soft", "rhythm"])
def test_a_guide_plays_what_is_left_open_at_its_time(gap: str, guide: str) -> None:
    plain, guided = (_trade(gap=gap, guide=g, passes=2) for g in ("none", guide))
    for one, other in zip(_passes(plain), _passes(guided), strict=True):
        assert one.silent == other.silent
        wanted = sorted((n.start, n.voice) for n in (*_lead(one), *one.silent))
        assert sorted((n.start, n.voice) for n in _lead(other)) == wanted


def test_what_is_shown_of_a_pass_is_all_that_is_played_in_it() -> None:
    phrase = replace(answered(), tips=(Tip("of all"), Tip("of this bar", at=Fraction(4))))
    shown = _trade(phrase, gap="echo", passes=1).shown
    assert shown is not None
    own = [stroke.at for stroke in answered().strokes()]
    assert [stroke.at for stroke in shown.strokes()] == own + [at + 16 for at in own]
    assert (shown.bars, [tip.text for tip in shown.tips]) == (8, ["of all"])
    # As it is written, where nothing is added or gone.
    assert _trade(gap="response", passes=1).shown is None
    assert _loop(answered(), start=60).shown is None
    part = _loop(answered(), start=60, part="call").shown
    assert part is not None
    assert (part.bars, [stroke.at for stroke in part.strokes()]) == (2, own[:4])


@pytest.mark.parametrize(
    ("in_gap", "goes_on"),
    [("band", {"drums", "bass", "comp"}), ("thin", {"drums", "bass"}), ("stop", set())],
)
def test_what_the_band_does_in_a_turn(in_gap: str, goes_on: set[str]) -> None:
    phrase = line("| 1 e5 2 . | 1 e8 2 .")
    stream = _trade(phrase, gap="echo", in_gap=in_gap, passes=2)
    for section in _passes(stream):
        inside = {n.voice for n in _band(section) if 7.95 <= n.start < 15.95}
        outside = {n.voice for n in _band(section) if n.start < 7.95}
        assert inside == goes_on
        assert outside == {"drums", "bass", "comp"}


@pytest.mark.parametrize("comp", ["organ", "piano", "guitar"])
def test_a_band_that_stops_does_not_ring_into_the_turn(comp: str) -> None:
    given = setting(tempo=60, looseness=0.0, comp=comp)
    stream = trade(given, answered(), Plan(shape="hold", passes=1, in_gap="stop"))
    # The turn begins on the fourth beat of bar 2; a hundredth of a second is a release.
    ringing = [
        n for n in stream.sections[1].notes
        if n.voice in ("bass", "comp") and n.start < 7.0 and n.end > 7.01
    ]  # fmt: skip
    assert ringing == []


@pytest.mark.parametrize("comp", ["organ", "piano", "guitar"])
def test_a_band_that_stops_does_not_ring_into_the_turn_of_the_next_pass(comp: str) -> None:
    given = setting(tempo=60, looseness=0.0, comp=comp)
    stream = trade(given, _asked(), Plan(shape="hold", passes=2, gap="call", in_gap="stop"))
    ends = [[n.end for n in _band(section) if n.voice != "drums"] for section in _passes(stream)]
    assert max(ends[0]) <= 16.01  # four bars, and a hundredth of a second for the release
    assert max(ends[1]) > 16.01  # nobody's turn comes after the last


def test_the_cue_is_on_the_beat_before_the_turn() -> None:
    for section in _passes(_trade(gap="response", passes=2)):
        assert _wood(section) == [(6.0, "cue")]
    for section in _passes(_trade(line("| 1 e5 2 ."), gap="two", passes=2)):
        assert _wood(section) == [(7.0, "cue"), (23.0, "cue"), (39.0, "cue")]


def test_the_cue_of_a_turn_at_the_first_beat_is_in_the_pass_before() -> None:
    stream = _trade(_asked(), gap="call", passes=3)
    assert [_wood(section) for section in _passes(stream)] == [
        [(15.0, "cue")], [(15.0, "cue")], []
    ]  # fmt: skip
    counted = _trade(_asked(), gap="call", passes=2, counted="each")
    assert [_wood(section) for section in _passes(counted)] == [[], []]  # the sticks say it


@pytest.mark.parametrize("guide", ["none", "click"])
def test_a_stroke_on_wood_is_over_before_the_next_beat(guide: str) -> None:
    # At 240, the fastest tempo; a wood block is dry (common practice).
    stream = _trade(gap="call", guide=guide, passes=2, start=240)
    found = [n for s in stream.sections for n in voice(s.notes, "drums") if n.pitch in WOOD]
    assert found
    assert all(0 < n.end - n.start < 60 / 240 for n in found)


def test_a_cue_may_be_on_the_first_beat() -> None:
    call, response = line("| 1 e5 2 ."), line("2 e5 3 e5 4 e5 | 1 e8 2 .")
    parts = (replace(call.parts[0], role="call"), replace(response.parts[0], role="response"))
    for section in _passes(_trade(replace(call, parts=parts), gap="response", passes=2)):
        assert _wood(section) == [(0.0, "cue")]
        assert _labels(section)[1:] == [("Listen", 0.0), ("Your turn", 1.0)]


def test_the_whole_band_is_back_where_a_turn_ends() -> None:
    for section in _passes(_trade(_asked(), gap="call", in_gap="stop", passes=2)):
        first = {n.voice for n in _band(section) if n.start < 8.5}
        assert min(n.start for n in _band(section)) == 8.0  # after a call of two bars
        assert first >= {"drums", "bass"}


def test_there_may_be_no_cue() -> None:
    assert [_wood(s) for s in _passes(_trade(gap="two", cue=False, passes=2))] == [[], []]


def test_a_click_helps_on_every_beat_of_the_turn() -> None:
    (section,) = _passes(_trade(gap="response", guide="click", cue=False, passes=1))
    # From the pickup on four of bar 2 to the pickup of the next call.
    assert _wood(section) == [(float(beat), "click") for beat in range(7, 16)]


def test_a_turn_that_begins_before_its_pass_is_open_there_already() -> None:
    call, response = line("4 e5 | 1 e5 2 ."), line("| 1 e8 2 .")
    parts = (replace(call.parts[0], role="call"), replace(response.parts[0], role="response"))
    asked = replace(call, parts=parts)
    stream = _trade(asked, gap="call", in_gap="stop", guide="click", cue=False, passes=2)
    one, last = _passes(stream)
    # The pickup on four of bar 2 is the next call's; after the last pass there is none.
    assert _wood(one) == [(at, "click") for at in (0.0, 1.0, 2.0, 3.0, 7.0)]
    assert not [n for n in _band(one) if n.start > 6.9]
    assert _wood(last) == _wood(one)[:-1]
    assert [n for n in _band(last) if n.start > 6.9]


def test_a_soft_guide_is_the_phrase_at_half_its_strength() -> None:
    plain = _passes(_loop(answered(), start=60, goal=60, each=2))[0]
    soft = _passes(_trade(gap="response", guide="soft", passes=2))[0]
    whole = {round(n.start, 6): n for n in _lead(plain)}
    for note in _lead(soft):
        same = whole[round(note.start, 6)]
        assert (note.voice, note.pitch) == (same.voice, same.pitch)
        inside = 7.0 <= note.start < 15.5
        assert note.velocity == pytest.approx(same.velocity * (0.5 if inside else 1), abs=0.5)
    assert len(_lead(soft)) == len(whole)


def test_a_rhythm_guide_has_muted_strings_at_the_phrases_times() -> None:
    plain = _passes(_loop(answered(), start=60, goal=60, each=2))[0]
    section = _passes(_trade(gap="response", guide="rhythm", passes=2))[0]
    guide = [note for note in _lead(section) if 7.0 <= note.start < 15.5]
    assert all(note.damped for note in guide)
    assert not any(note.damped for note in _lead(section) if note not in guide)
    assert [n.start for n in guide] == [n.start for n in _lead(plain) if 7.0 <= n.start < 15.5]


def test_nothing_helps_unless_it_is_asked_for() -> None:
    (section,) = _passes(_trade(gap="response", cue=False, passes=1))
    assert not [n for n in _lead(section) if n.start >= 7.0]
    assert _wood(section) == []


def test_turns_of_a_ramp_are_at_its_seconds() -> None:
    stream = _trade(line("| 1 e5 2 . | 1 e8 2 ."), gap="echo", shape="ramp", start=60, goal=120,
                    passes=1)  # fmt: skip
    (section,) = _passes(stream)
    half = 16 * math.log(1.5)  # as for a loop: the integral of 60 / (60 + 60/16 b) to beat 8
    assert dict(_labels(section))["Your turn"] == pytest.approx(half, abs=1e-5)
    seventh = 16 * math.log(1 + 7 / 16)
    assert [at for at, _ in _wood(section)] == pytest.approx([seventh], abs=1e-5)


def test_a_trade_may_leave_out_phrase_and_band() -> None:
    stream = _trade(gap="response", passes=4, phrase_rests=2, band_rests=4)
    one, two, three, four = _passes(stream)
    assert _lead(one)
    assert [round(n.start, 3) for n in _lead(two)] == [15.667]
    assert _labels(two)[1:] == [("Your turn", 0.0)]
    assert _lead(three)
    assert _band(three)
    assert not _band(four)


def test_the_front_door_trades_too() -> None:
    stream = backing.trade(answered(), passes=1)
    assert stream.facts["shape"] == "hold"
    assert stream.sections[1].tempo == 96


@pytest.mark.parametrize(("gap", "bars"), [("response", [2, 3]), ("two", [2, 3, 6, 7, 10, 11])])
def test_the_band_lifts_in_every_bar_of_a_turn_and_in_no_other(
    gap: str, bars: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    words: dict[str, Any] = {"gap": gap, "looseness": 0, "passes": 1}
    usual = backing.trade("damp-matches", **words).sections[-1]
    monkeypatch.setattr("backing.practice.looper.LIFTED", 0.0)
    sunk = backing.trade("damp-matches", **words).sections[-1]
    bar = 4 * 60 / float(usual.tempo)
    assert bars == sorted({
        int(one.start / bar + 1e-6)
        for one, other in zip(usual.notes, sunk.notes, strict=True)
        if one.velocity != other.velocity
    })  # fmt: skip
