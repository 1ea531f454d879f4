"""A seamless loop: one pass to be repeated by any player, measured on what is written."""

from __future__ import annotations

import io
import json
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import mido
import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from numpy.typing import NDArray

import backing
from backing.cli import main
from backing.events import Stream
from backing.formats import RATES
from backing.midi import midi_bytes
from backing.practice import Plan, loop
from backing.practice.looper import MEASURED, RINGS
from backing.sound.audio import frame_of, render
from backing.tags import markers
from phrases.errors import RangeError
from phrases.phrase import Phrase
from tests.backing.material import answered, lead, line, setting

Mix = NDArray[np.float32]


@dataclass
class Case:
    stream: Stream
    once: Mix
    long: Mix  # the second and the third pass of a loop that holds the tempo


# At these tempos four beats are a whole number of frames.
PHRASES: dict[str, tuple[Phrase, dict[str, Any]]] = {
    "without a pickup": (line("| 1 e8 2 B8b(full) 3 .", 200), {}),
    "with a pickup": (line("4& e5 | 1 e8 2 B8 3 B5", 210), {}),
    "driven, ringing over": (
        line("4 e5/8~ | 2 e8 & B8 3 G7b(full)~", 180), {"tone": "driven", "groove": "jump"}
    ),
}  # fmt: skip


def _heard(stream: Stream, font: Path) -> Mix:
    rendered = render(stream, font)
    try:
        return np.concatenate([mix for _, mix in rendered.blocks()], axis=1)
    finally:
        rendered.close()


@pytest.fixture(scope="module", params=PHRASES)
def case(request: pytest.FixtureRequest, soundfont: Path) -> Case:
    phrase, words = PHRASES[request.param]
    stream = backing.loop(phrase, seamless=True, **words)
    hold = backing.loop(
        phrase, shape="hold", start=phrase.tempo, passes=len(stream.sections), **words
    )
    starts = [frame_of(section) for section in hold.sections if section.name != "count-in"]
    before = stream.window[0] if stream.window else 0
    assert before >= 1  # something rings in
    whole = _heard(hold, soundfont)
    return Case(stream, _heard(stream, soundfont), whole[:, starts[before] : starts[before + 2]])


def test_it_is_as_long_as_a_pass_to_the_frame(case: Case) -> None:
    section = case.stream.kept().sections[0]
    assert section.start == section.first_beat == 0
    assert section.seconds == section.beats * 60 / section.tempo
    assert case.once.shape[1] == section.seconds * 44100


def test_played_twice_it_is_two_passes_of_a_long_loop(case: Case) -> None:
    twice = np.concatenate([case.once, case.once], axis=1)
    differ = twice - case.long
    level = np.sqrt(np.mean(case.long.astype(float) ** 2))
    assert 20 * np.log10(np.sqrt(np.mean(differ.astype(float) ** 2)) / level + 1e-12) < -60


def test_the_seam_is_no_larger_a_step_than_the_musics_own(case: Case) -> None:
    seam = np.abs(case.once[:, 0] - case.once[:, -1]).max()
    assert seam <= np.abs(np.diff(case.once, axis=1)).max()


def test_it_does_not_begin_or_end_in_silence(case: Case) -> None:
    # What rings over the end is heard at the start: a loop has no edges.
    assert np.abs(case.once[:, :64]).max() > 1e-4
    assert np.abs(case.once[:, -2048:]).max() > 1e-3


def _seamless(phrase: Phrase, count_in: int = 1, **words: Any) -> Stream:
    given = setting(tempo=float(phrase.tempo), count_in=count_in, looseness=0.0)
    return loop(given, phrase, Plan(**words), seamless=True)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("tempo", [203, 211, 240])
def test_its_length_is_the_nearest_frame_at_any_tempo(
    tempo: int, rate: int, soundfont: Path
) -> None:
    rendered = render(_seamless(line("| 1 e8 2 .", tempo)), soundfont, rate)
    low, high = rendered.window or (0, 0)
    rendered.close()
    assert high - low == round(Fraction(4 * 60 * rate, tempo))


def test_it_has_no_count_in_and_needs_none_for_a_pickup() -> None:
    for count_in in (0, 1):
        stream = _seamless(answered(), count_in)
        assert {section.name[:4] for section in stream.sections} == {"pass"}
        assert [section.name for section in stream.kept().sections] != []
        assert len(stream.kept().sections) == 1


def test_its_own_start_is_prepared_in_its_end() -> None:
    kept = _seamless(line("4 e5 | 1 e8 2 .", 60)).kept()
    assert [note.start for note in lead(kept, 0)] == [0.0, 3.0]


def test_it_is_at_the_goals_tempo_and_leaves_nothing_out() -> None:
    stream = _seamless(answered(), goal=Fraction(77), shape="ramp", phrase_rests=2, band_rests=2)
    assert {section.tempo for section in stream.sections} == {77}
    assert all(section.steps == () for section in stream.sections)
    assert len({id(section.notes) for section in stream.sections}) == 2  # the last leads nowhere
    assert _seamless(answered()).sections[0].tempo == 96


@pytest.mark.parametrize("tempo", [60, 61, 110, 240])
def test_all_that_rings_into_it_is_played_before_it(tempo: int) -> None:
    stream = _seamless(line("| 1 e8 2 .", tempo))
    first, after = stream.window or (0, 0)
    kept = stream.sections[first]
    assert RINGS <= kept.start < RINGS + kept.seconds  # no longer than that, or it takes time
    assert (after, len(stream.sections) - after) == (first + 1, MEASURED)
    assert stream.sections[0].start == 0
    assert (kept.labels[0].seconds, kept.labels[0].text) == (0.0, f"Loop: {tempo}")


def test_bars_and_parts_go_round_too() -> None:
    kept = _seamless(answered(), bars=(5, 8)).kept()
    assert [label.text for label in kept.sections[0].chords] == ["D7", "D7", "A7", "A7"]
    assert _seamless(answered(), part="response").kept().seconds == 8 * Fraction(60, 96)


@pytest.mark.parametrize(
    "notes", ["| 1 e5 2 .", "4 e5 | 1 e8 2 .", "4 e5/8~ | 2 e8 3 .", "4& G7b(full)~ | 3 e8"]
)
def test_its_midi_file_holds_one_pass(notes: str) -> None:
    phrase = line(notes, 120)
    stream = _seamless(phrase)
    file = mido.MidiFile(file=io.BytesIO(midi_bytes(stream)))
    assert file.length == pytest.approx(2.0, abs=1e-4)  # four beats at 120
    ticks = {sum(message.time for message in track) for track in file.tracks}
    assert ticks == {4 * 960}
    found = [m.text for track in file.tracks for m in track if m.type == "marker"]
    assert len([text for text in found if text.startswith("Loop")]) == 1
    for track in file.tracks:
        on = sum(m.type == "note_on" and m.velocity > 0 for m in track)
        assert on == sum(m.type == "note_off" for m in track)


def test_its_markers_are_those_of_one_pass() -> None:
    assert [name for _, name in markers(_seamless(answered()), 44100)][1:] == ["Call", "Response"]
    assert markers(_seamless(answered()), 44100)[1][0] == 0


def test_its_file_and_what_is_said_of_it_are_one_pass_long(tmp_path: Path) -> None:
    path = tmp_path / "loop.wav"
    words = ["loop", "lamp-oil", "--to", "240", "--seamless", "-o", str(path), "--json"]
    result = CliRunner().invoke(main, words)
    assert result.exit_code == 0, result.output
    # Four bars of four felt beats at 240 beats a minute.
    assert soundfile.info(path).frames == 4 * 44100
    told = json.loads(result.stdout)
    assert told["passes"] == 1
    assert told["seconds"] == pytest.approx(4.0)
    assert told["bars"] == 4


def test_a_plain_stream_keeps_all() -> None:
    stream = loop(setting(), answered(), Plan(shape="hold", passes=2))
    assert stream.window is None
    assert stream.kept() is stream


def test_a_stream_is_as_loud_as_its_passes_that_have_neighbours() -> None:
    stream = loop(setting(), answered(), Plan(shape="hold", passes=5))
    names = [stream.sections[n].name for n in stream.steady]
    assert names == ["pass 2", "pass 3", "pass 4"]
    three = loop(setting(), answered(), Plan(shape="hold", passes=3))
    assert [three.sections[n].name for n in three.steady] == ["pass 2"]
    short = loop(setting(), answered(), Plan(shape="hold", passes=2))
    assert list(short.steady) == [0, 1, 2]


def test_kept_sections_follow_from_nothing() -> None:
    stream = loop(setting(), answered(), Plan(shape="hold", passes=5))
    kept = replace(stream, window=(2, 4)).kept()
    assert [section.name for section in kept.sections] == ["pass 2", "pass 3"]
    assert kept.sections[0].start == kept.sections[0].first_beat == 0
    for one, after in pairwise(kept.sections):
        assert one.start + one.seconds == after.start
    assert kept.window is None
    assert kept.seconds == stream.sections[2].seconds * 2


def test_a_pickup_that_meets_the_end_of_its_own_phrase() -> None:
    with pytest.raises(RangeError, match=r'^"Line": the pickup of the next pass starts while the'):
        _seamless(line("4& e5 | 1 e8 4& e5"))


def test_a_tempo_out_of_range() -> None:
    with pytest.raises(RangeError, match=r"^tempo 241: it must lie from 30 to 240"):
        _seamless(answered(), goal=Fraction(241))
