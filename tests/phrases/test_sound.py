"""What is written is what sounds: the lead alone, rendered, and heard again by pYIN.

pYIN (librosa) is the outside ear; it reads a plain note of this soundfont up to 3 cents sharp, so
intervals are measured between notes that sound the same sample.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import librosa
import mir_eval
import numpy as np
import pytest
from numpy.typing import NDArray

from backing.arrangement import lead_notes
from backing.events import LEAD_PROGRAM, Note
from backing.synth import PARTS, synthesise
from phrases.files import load_phrase
from phrases.fretboard import fret_pitch
from phrases.notation import read_line
from phrases.techniques import BEND_SIZES, TECHNIQUES

RATE = 22050
BEFORE = 0.25  # seconds of silence at the start
Sound = NDArray[np.float64]


def render(notes: list[Note], soundfont: Path) -> Sound:
    stems = synthesise(tuple(notes), {"lead": LEAD_PROGRAM}, soundfont, RATE)
    return np.asarray(stems[PARTS.index("lead")].mean(axis=0), np.float64)


def sound(text: str, soundfont: Path, beat: float = 0.6) -> Sound:
    line = read_line(text)
    assert line.problems == []
    return render(lead_notes(line.strokes, lambda at: BEFORE + float(at) * beat), soundfont)


def hear(
    heard: Sound, low: float, high: float, hop: int = 256, frame: int = 1024, fine: float = 0.02
) -> tuple[Sound, Sound]:
    """Return seconds after the first pick, and MIDI pitches with fractions."""
    hertz, _, _ = librosa.pyin(
        heard,
        fmin=float(librosa.midi_to_hz(low)),
        fmax=float(librosa.midi_to_hz(high)),
        sr=RATE,
        frame_length=frame,
        hop_length=hop,
        resolution=fine,
        max_transition_rate=min(20.0, (high - low) / 12 * RATE / hop / 4),
        fill_na=None,
    )
    times = np.arange(len(hertz)) * hop / RATE - BEFORE
    return times, np.asarray(librosa.hz_to_midi(hertz))


def between(times: Sound, pitches: Sound, start: float, stop: float) -> Sound:
    return pitches[(times >= start) & (times < stop)]


G7 = fret_pitch("G", 7)


@pytest.mark.parametrize(("size", "cents"), list(BEND_SIZES.items()))
def test_a_bend_sounds_its_size(soundfont: Path, size: str, cents: int) -> None:
    times, pitches = hear(sound(f"| 1 G7 2 b({size}) 3 .", soundfont), G7 - 1, G7 + 4, frame=2048)
    plain = np.median(between(times, pitches, 0.3, 0.5))
    bent = np.median(between(times, pitches, 0.9, 1.1))
    assert (plain - G7) * 100 == pytest.approx(0, abs=5)
    assert (bent - plain) * 100 == pytest.approx(cents, abs=5)


@pytest.mark.parametrize(("size", "cents"), list(BEND_SIZES.items()))
def test_a_pre_bend_sounds_bent_from_the_pick(soundfont: Path, size: str, cents: int) -> None:
    plain, bent = (
        hear(sound(text, soundfont), G7 - 1, G7 + 4)
        for text in ("| 1 G7 2 .", f"| 1 G7pb({size}) 2 .")
    )
    # The sample's pick chirps, by 40 cents within a tenth of a second; played higher it does so
    # sooner. So the ear is given 10 cents there, a fifth of the smallest bend, and 5 after it.
    faster = 2 ** (cents / 1200)
    for start, exact in ((0.01, 10), (0.03, 10), (0.06, 10), (0.10, 5), (0.20, 5), (0.40, 5)):
        stop = start + 0.03
        first = np.median(between(*plain, start * faster, stop * faster))
        second = np.median(between(*bent, start, stop))
        assert (second - first) * 100 == pytest.approx(cents, abs=exact)


def test_a_slide_reaches_its_fret_in_time(soundfont: Path) -> None:
    times, pitches = hear(sound("| 1 G5 2 /9 3 .", soundfont), G7 - 3, G7 + 3)
    # The window of 46 ms hears both sides of the count.
    assert abs(np.median(between(times, pitches, 0.63, 0.66)) - (G7 + 2)) < 0.1
    assert abs(np.median(between(times, pitches, 0.35, 0.40)) - (G7 - 2)) < 0.1
    crossed = between(times, pitches, 0.42, 0.66)
    assert (np.diff(crossed) > -0.05).all()


@pytest.mark.parametrize("sign", ["~", "~~"])
def test_vibrato_is_as_wide_and_as_fast_as_the_table_says(soundfont: Path, sign: str) -> None:
    technique = TECHNIQUES[sign]
    times, pitches = hear(
        sound(f"| 1 G7{sign} 4 .", soundfont, 0.8), G7 - 1, G7 + 2, hop=128, frame=512
    )
    shaken = (between(times, pitches, 0.5, 2.2) - G7) * 100
    low, high = np.percentile(shaken, [2, 98])
    assert high - low == pytest.approx(technique.cents, rel=0.15)
    assert low > -5  # a fretted note is only stretched
    spectrum = np.abs(np.fft.rfft((shaken - shaken.mean()) * np.hanning(len(shaken)), 1 << 15))
    rate = np.argmax(spectrum) * RATE / 128 / (1 << 15)
    assert rate == pytest.approx(technique.hertz, rel=0.05)


def test_hammer_ons_and_pull_offs_are_heard_without_an_attack(soundfont: Path) -> None:
    def attacks(text: str) -> tuple[list[float], list[float]]:
        heard = sound(text, soundfont)
        onsets = librosa.onset.onset_strength(y=heard.astype(np.float32), sr=RATE, hop_length=256)
        level = librosa.feature.rms(y=heard, frame_length=512, hop_length=128)[0]
        places = [BEFORE + beat * 0.6 for beat in (0, 1, 2)]
        strengths = [float(onsets[round(at * RATE / 256) :][:5].max()) for at in places]
        rises = [
            float(level[k + 4 : k + 10].max() / (level[k - 8 : k - 3].mean() + 1e-9))
            for k in (round(at * RATE / 128) for at in places)
        ]
        return strengths, rises

    strengths, rises = attacks("| 1 G5 2 h7 3 p5 4 .")
    picked_strengths, picked_rises = attacks("| 1 G5 2 G7 3 G5 4 .")
    for number in (1, 2):
        assert rises[number] < 1.1  # the string only goes on fading
        assert picked_rises[number] > 3
        assert strengths[number] < 0.5 * picked_strengths[number]
    times, pitches = hear(sound("| 1 G5 2 h7 3 p5 4 .", soundfont), G7 - 4, G7 + 2)
    heard = [np.median(between(times, pitches, at, at + 0.3)) for at in (0.2, 0.8, 1.4)]
    assert [round(pitch) for pitch in heard] == [G7 - 2, G7, G7 - 2]


def intended(notes: list[Note], times: Sound) -> Sound:
    """Return the pitch in Hz that should sound at each time, 0 where none should."""
    hertz = np.zeros(len(times))
    for note in notes:  # in order, so that the one picked last is heard
        assert note.curve is not None
        for number in np.flatnonzero((times >= note.start) & (times < note.end)):
            cents = note.curve.at(float(times[number]) - note.start)
            hertz[number] = librosa.midi_to_hz(note.pitch + cents / 100)
    return hertz


# Measured when written: garden-gate 0.970 within 50 cents and 0.900 within 25, lamp-oil 0.984 and
# 0.981. What is missed are the first hundredths of a second of a pick.
@pytest.mark.parametrize("name", ["garden-gate", "lamp-oil"])
def test_a_shipped_phrase_is_heard_as_it_is_meant(soundfont: Path, name: str) -> None:
    phrase = load_phrase(name)
    beat = 60 / float(phrase.tempo)
    first = phrase.strokes()[0].at
    part = [stroke for stroke in phrase.strokes() if stroke.at < 8]

    def clock(at: Fraction) -> float:
        return BEFORE + float(at - first) * beat

    notes = lead_notes(part, clock)
    low = min(note.pitch for note in notes) - 3
    high = max(note.pitch for note in notes) + 6
    times, pitches = hear(render(notes, soundfont), low, high, frame=1024, fine=0.1)
    wanted = intended(notes, times + BEFORE)
    reference, estimate = (
        mir_eval.melody.freq_to_voicing(hertz) for hertz in (wanted, librosa.midi_to_hz(pitches))
    )
    cents = [mir_eval.melody.hz2cents(hertz) for hertz, _ in (reference, estimate)]
    accuracy = {
        tolerance: mir_eval.melody.raw_pitch_accuracy(
            reference[1], cents[0], estimate[1], cents[1], cent_tolerance=tolerance
        )
        for tolerance in (50, 25)
    }
    assert accuracy[50] >= 0.95
    assert accuracy[25] >= 0.85
