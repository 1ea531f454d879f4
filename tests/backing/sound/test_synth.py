from __future__ import annotations

import os
import random
from pathlib import Path

import numpy as np
import pytest

from backing.events import Note
from backing.sound import fluid, synth
from backing.sound.fluid import AudioError
from backing.sound.synth import BLOCK, LENGTH, PARTS, chunks, synthesise
from phrases.curve import Curve, Glide
from tests.praat import hertz, pitches

RATE = 44100
PROGRAMS = {"lead": 27, "bass": 33, "comp": 16, "drums": 0}

NOTES = (
    Note("drums", 0.0, 0.06, 36, 100),
    Note("bass", 0.0, 0.4, 33, 100),
    Note("comp", 0.1, 0.4, 61, 80),
    Note("lead G", 0.2, 0.5, 69, 90, Curve(0.0, (Glide(0.05, 0.1, 200.0),))),
    Note("lead B", 0.3, 0.5, 71, 90, Curve()),
)


def test_one_stem_for_each_part(soundfont: Path) -> None:
    for part in PARTS:
        notes = tuple(note for note in NOTES if note.voice.startswith(part))
        stems = synthesise(notes, PROGRAMS, soundfont)
        assert stems.shape[:2] == (4, 2)
        assert stems.dtype == np.float32
        loud = [float(np.abs(stem).max()) > 0.001 for stem in stems]
        assert loud == [other == part for other in PARTS]


def test_parts_alone_add_up_to_all_of_them_together(soundfont: Path) -> None:
    together = synthesise(NOTES, PROGRAMS, soundfont)
    for number, part in enumerate(PARTS):
        notes = tuple(note for note in NOTES if note.voice.startswith(part))
        alone = synthesise(notes, PROGRAMS, soundfont)
        frames = min(alone.shape[2], together.shape[2])
        apart = np.abs(together[number, :, :frames] - alone[number, :, :frames]).max(axis=0)
        # FluidSynth fades a voice in from the loudness of the note that last used it, over one
        # block; otherwise what the other parts play makes no difference.
        attacks = [round(note.start * RATE / BLOCK) * BLOCK for note in notes]
        for attack in attacks:
            assert apart[attack : attack + BLOCK].max() < 0.01
            apart[attack : attack + BLOCK] = 0.0
        assert apart.max() < 1e-6
        assert not np.abs(together[number, :, frames:]).max(initial=0.0) > 1e-4


def test_the_same_notes_are_the_same_samples(soundfont: Path) -> None:
    first, second = (synthesise(NOTES, PROGRAMS, soundfont) for _ in range(2))
    assert first.tobytes() == second.tobytes()
    assert float(np.abs(first).max()) > 0.01


def test_a_soundfont_is_read_once_and_sounds_the_same_again(
    soundfont: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read = []
    read_once = fluid._read

    def counted(path: Path) -> int:
        read.append(path)
        return read_once(path)

    monkeypatch.setattr(fluid, "_FREE", {})
    monkeypatch.setattr(fluid, "_read", counted)
    first = synthesise(NOTES, PROGRAMS, soundfont)
    # A crash cymbal rings for longer than is waited for.
    synthesise((Note("drums", 0.0, 0.06, 49, 127),), PROGRAMS, soundfont)
    abandoned = chunks(NOTES, PROGRAMS, soundfont)
    next(abandoned)
    del abandoned
    again = synthesise(NOTES, {**PROGRAMS, "comp": 4}, soundfont)
    assert not np.array_equal(again, first)
    assert synthesise(NOTES, PROGRAMS, soundfont).tobytes() == first.tobytes()
    assert read == [soundfont]


@pytest.mark.parametrize("rate", [44100, 48000])
def test_what_is_sent_in_advance_sounds_as_what_is_sent_at_its_time(
    soundfont: Path, rate: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    dice = random.Random(rate)
    block = BLOCK / rate
    starts = [0.0, 0.4 * block, block, 2 * block, 3 * block, LENGTH / rate, (LENGTH + 64) / rate]
    starts += sorted(dice.uniform(0.01, 4.0) for _ in range(60))
    notes = []
    for number, start in enumerate(starts):
        voice = dice.choice(["lead G", "lead B", "bass", "comp", "drums"])
        curve = Curve(0.0, (Glide(0.05, 0.1, 200.0),)) if voice == "lead G" else None
        pitch = 36 + number % 8 if voice == "drums" else 40 + number % 24
        damped = voice == "lead B" and number % 2 == 0  # a change of program in mid-section
        notes.append(Note(voice, start, start + 0.3, pitch, 90, curve, damped=damped))
    # Six of one channel at one instant.
    notes += [Note("comp", 2.0, 2.5, 50 + 3 * string, 80) for string in range(6)]
    notes.sort(key=lambda note: note.start)
    ahead = synthesise(tuple(notes), PROGRAMS, soundfont, rate)
    real = fluid.fluidsynth()._fl.fluid_sequencer_get_time_scale
    monkeypatch.setattr(  # as before FluidSynth 2.2
        fluid.fluidsynth()._fl,
        "fluid_sequencer_get_time_scale",
        lambda made: min(real(made), 1000.0),
    )
    monkeypatch.setattr(synth._Synth, "later", None)
    by_hand = synthesise(tuple(notes), PROGRAMS, soundfont, rate)
    frames = min(ahead.shape[2], by_hand.shape[2])
    assert frames > 4 * rate
    # Which voice is taken again may differ, and how a note fades in over its first block.
    apart = (ahead[:, :, :frames] != by_hand[:, :, :frames]).any(axis=(0, 1))
    different = np.flatnonzero(apart)
    runs = np.split(different, np.flatnonzero(np.diff(different) > 1) + 1)
    assert all(len(run) <= BLOCK for run in runs)
    assert len(different) < frames / 100


def test_a_note_before_the_start_sounds_at_the_start(soundfont: Path) -> None:
    early, at_once = (
        synthesise((Note("bass", start, 0.4, 33, 100),), PROGRAMS, soundfont)
        for start in (-0.01, 0.0)
    )
    assert np.array_equal(early, at_once)


def test_nothing_to_play_is_silence(soundfont: Path) -> None:
    assert not synthesise((), PROGRAMS, soundfont).any()


def _onset(sound: np.ndarray) -> int:
    """Return the first frame over a tenth of the peak."""
    level = np.abs(sound).max(axis=0)
    return int(np.argmax(level > 0.1 * level.max()))


@pytest.mark.parametrize(
    ("voice", "pitch", "stem"), [("drums", 37, 0), ("lead G", 67, 3), ("bass", 33, 1)]
)
def test_a_note_sounds_when_it_should(soundfont: Path, voice: str, pitch: int, stem: int) -> None:
    def onset(at: float) -> int:
        note = Note(voice, at, at + 0.2, pitch, 100)
        return _onset(synthesise((note,), PROGRAMS, soundfont)[stem])

    attack = onset(0.0)  # the sample's own
    for at in (0.1, 0.25037, 0.50073, 0.7345):
        # Events take effect on blocks of 64 frames, the nearest one.
        assert abs(onset(at) - attack - at * RATE) <= BLOCK / 2 + 1


def _plateau(sound: np.ndarray) -> float:
    """Return the median pitch, in MIDI notes with fractions."""
    return float(np.median(pitches(sound, RATE, 61, 66, 0.09, 0.01)[1]))


def test_a_full_bend_arrives_two_semitones_higher(soundfont: Path) -> None:
    curve = Curve(0.0, (Glide(1.0, 0.14, 200.0),))
    note = Note("lead G", 0.0, 2.2, 62, 93, curve)
    stem = synthesise((note,), PROGRAMS, soundfont)[3].mean(axis=0)
    before, after = (
        _plateau(stem[round(a * RATE) : round(b * RATE)]) for a, b in ((0.3, 0.9), (1.3, 1.9))
    )
    # A whole tone is 200 cents in equal temperament; Praat is an outside authority on pitch.
    assert abs((after - before) * 100 - 200) <= 5
    assert abs((after - 64) * 100) <= 10  # the soundfont's own tuning besides


def test_a_comping_instrument_bends_as_a_guitar_does(soundfont: Path) -> None:
    curve = Curve(0.0, (Glide(1.0, 0.14, 200.0),))
    note = Note("comp", 0.0, 2.2, 62, 93, curve)
    stem = synthesise((note,), {**PROGRAMS, "comp": 26}, soundfont)[2].mean(axis=0)
    before, after = (
        _plateau(stem[round(a * RATE) : round(b * RATE)]) for a, b in ((0.3, 0.9), (1.3, 1.9))
    )
    assert abs((after - before) * 100 - 200) <= 5


def test_a_note_that_swells_begins_softly_and_ends_as_loud_as_another(soundfont: Path) -> None:
    plain, swelling = (
        synthesise((Note("comp", 0.0, 2.0, 60, 90, swell=swell),), PROGRAMS, soundfont)[2]
        for swell in (False, True)
    )

    def level(stem: np.ndarray, start: float, stop: float) -> float:
        return float(np.sqrt((stem[:, round(start * RATE) : round(stop * RATE)] ** 2).mean()))

    soft, middle, full = (
        level(swelling, *part) / level(plain, *part)
        for part in ((0.0, 0.2), (0.9, 1.1), (1.9, 2.0))
    )
    assert soft < 0.4
    assert soft < middle < full
    assert 0.9 < full < 1.01  # it reaches all it has at its very end


def test_a_file_that_only_looks_like_a_soundfont(tmp_path: Path) -> None:
    path = tmp_path / "fake.sf2"
    path.write_bytes(b"RIFF\x08\x00\x00\x00sfbk" + b"\0" * 64)
    with pytest.raises(AudioError, match=r"fake\.sf2: FluidSynth cannot load this soundfont; try"):
        synthesise(NOTES, PROGRAMS, path)


def test_a_soundfont_that_was_cut_short_says_nothing_but_the_error(
    soundfont: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    short = tmp_path / "short.sf2"
    short.write_bytes(soundfont.read_bytes()[:3_000_000])
    with pytest.raises(
        AudioError, match=r"short\.sf2: FluidSynth cannot load this soundfont; try"
    ):
        synthesise(NOTES, PROGRAMS, short)
    assert capfd.readouterr() == ("", "")


@pytest.mark.skipif(os.name == "nt", reason="names are text there")
def test_a_name_that_is_no_text(soundfont: Path, tmp_path: Path) -> None:
    odd = tmp_path / os.fsdecode(b"caf\xe9.sf2")
    odd.write_bytes(soundfont.read_bytes())
    assert np.array_equal(synthesise(NOTES, PROGRAMS, odd), synthesise(NOTES, PROGRAMS, soundfont))


def test_a_bent_string_that_is_picked_again_is_not_heard_unbent(soundfont: Path) -> None:
    # A string that is picked rings with what was picked alone: common practice.
    def level(stem: np.ndarray, pitch: int) -> float:
        start, count = int(1.01 * 44100), int(0.12 * 44100)
        part = stem.mean(axis=0)[start : start + count] * np.hanning(count)
        turns = np.exp(-2j * np.pi * hertz(pitch) * np.arange(count) / 44100)
        return 20 * float(np.log10(abs(part @ turns)))

    notes = (
        Note("lead B", 0.1, 0.988, 67, 98, Curve(0.0, (Glide(0.05, 0.09, 200.0),))),
        Note("lead B", 1.0, 2.0, 64, 90, Curve()),
    )
    stem = synthesise(notes, {"lead": 27}, soundfont)[PARTS.index("lead")]
    assert level(stem, 67) < level(stem, 64) - 35
