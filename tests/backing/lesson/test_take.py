"""A take: found in time and brought to the phrase's loudness."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile
from numpy.typing import NDArray
from scipy.signal import resample

from backing import pieces
from backing.events import Stream
from backing.lesson.take import HOP, Sound, _starts, attacks, lag, read_take, with_take
from backing.listening.source import TakeError
from backing.sound.audio import Rendered, render
from phrases.files import read_phrase
from phrases.phrase import Phrase
from tests.backing.lesson.material import PHRASE

RATE = 48000
BEFORE = RATE // 10
CLOSE = 0.006  # seconds; two attacks that are heard as one are nearer than about 20 ms


@pytest.fixture(scope="module")
def phrase() -> Phrase:
    return read_phrase(PHRASE)


@pytest.fixture(scope="module")
def demo(phrase: Phrase, soundfont: Path) -> Iterator[tuple[Stream, Rendered]]:
    stream = pieces.demo(phrase, form="turnaround-loop", choruses=2, tempo=160)
    with closing(render(stream, soundfont, RATE)) as done:
        yield stream, done


@pytest.fixture(scope="module")
def played(phrase: Phrase, soundfont: Path) -> NDArray[np.float32]:
    """Return the phrase once, another guitar in another room: other tone, pick and loudness."""
    other = replace(phrase, tone="driven", pick="bridge")
    stream = pieces.demo(
        other, form="turnaround-loop", choruses=1, tempo=160, ending="none",
        without=("drums", "bass", "comp"), seed=9,
    )  # fmt: skip
    with closing(render(stream, soundfont, RATE)) as done:
        lead = lead_of(done)
    bar = round(4 * 60 / 160 * RATE)
    noise = np.random.default_rng(1).standard_normal(lead.shape) * 1e-4
    return (0.3 * lead + noise).astype(np.float32)[:, bar:]


def sound(samples: NDArray[np.float32]) -> Sound:
    return Sound(lambda low, high: samples[:, low:high], samples.shape[1])


def all_of(take: Sound) -> NDArray[np.float32]:
    return take.read(0, take.frames)


def lead_of(done: Rendered) -> NDArray[np.float32]:
    return np.concatenate(
        [layers[done.names.index("lead")] for layers, _ in done.blocks()], axis=1
    )


@pytest.mark.parametrize(("early", "rate"), [(0.0, 48000), (1.37, 48000), (0.73, 44100)])
def test_a_take_falls_where_the_phrase_does(
    tmp_path: Path,
    phrase: Phrase,
    demo: tuple[Stream, Rendered],
    played: NDArray[np.float32],
    early: float,
    rate: int,
) -> None:
    stream, done = demo
    path = tmp_path / "take.wav"
    silence = np.zeros((2, round(early * RATE)), np.float32)
    whole = np.concatenate([silence, played], axis=1)
    other = resample(whole, round(whole.shape[1] * rate / RATE), axis=1)
    soundfile.write(path, other.T, rate, subtype="FLOAT")
    blocks = list(with_take(path, phrase, stream, done))
    taken = np.concatenate([layers[1] for layers, _ in blocks], axis=1)
    mix = np.concatenate([mix for _, mix in blocks], axis=1)
    lead = lead_of(done)
    assert taken.shape == lead.shape == mix.shape
    chorus = round(8 * 60 / 160 * RATE)
    bar = chorus // 2
    for number in range(2):  # each time round it falls there again
        # From a little before, so that the first pick is heard to begin.
        span = slice(bar + number * chorus - BEFORE, bar + (number + 1) * chorus - BEFORE)
        one, other = (attacks(sound(x[:, span]), RATE) for x in (lead, taken))
        assert abs(lag(one, other)[0]) * HOP < CLOSE
    meter = pyloudnorm.Meter(RATE)
    assert meter.integrated_loudness(taken.T) == pytest.approx(
        meter.integrated_loudness(lead.T), abs=0.3
    )
    assert np.abs(mix).max() <= 10 ** (-1 / 20)
    assert not taken[:, : bar - RATE // 4].any()


def test_a_phrase_with_two_calls_begins_once_in_each_line(phrase: Phrase) -> None:
    call = replace(phrase.parts[0], role="call")
    twice = replace(phrase, parts=(call, call))
    # A bar of counting in, then one phrase to each line of four bars of four seconds.
    assert _starts(pieces.demo(twice, choruses=2, tempo=60), 1) == list(range(4, 100, 16))


@pytest.mark.parametrize("pace", [0.97, 0.985, 1.02, 1.03])
def test_a_take_that_is_a_little_quick_or_slow_lies_around_the_phrase(
    tmp_path: Path,
    phrase: Phrase,
    demo: tuple[Stream, Rendered],
    played: NDArray[np.float32],
    pace: float,
) -> None:
    stream, done = demo
    path = tmp_path / "take.wav"
    paced = resample(played, round(played.shape[1] / pace), axis=1)
    soundfile.write(path, paced.T, RATE, subtype="FLOAT")
    taken = np.concatenate(
        [layers[1] for layers, _ in with_take(path, phrase, stream, done)], axis=1
    )
    # The phrase lasts 2.6 s: what is early at one end is late at the other, by half of the miss.
    first = [int(np.flatnonzero(np.abs(x[0]) > 0.05)[0]) / RATE for x in (lead_of(done), taken)]
    assert first[1] - first[0] == pytest.approx(2.6 / 2 * (1 - 1 / pace), abs=0.02)


def test_a_long_take_takes_no_more_memory_than_a_short_one(tmp_path: Path) -> None:
    path, own, most = tmp_path / "long.wav", 96000, {}
    for seconds in (12, 40):
        at = np.arange(seconds * own) / own
        soundfile.write(path, 0.3 * np.sin(2 * np.pi * 220 * at), own, subtype="FLOAT")
        tracemalloc.start()
        try:
            take = read_take(path, RATE)
            for start in range(0, take.frames, RATE):
                take.read(start, min(take.frames, start + RATE))
            _, most[seconds] = tracemalloc.get_traced_memory()
        finally:
            tracemalloc.stop()
    assert most[40] < most[12] + 1e6
    # What is heard is the same tone, over the blocks' edges too.
    expected = 0.3 * np.sin(2 * np.pi * 220 * np.arange(take.frames) / RATE)
    middle = slice(RATE, -RATE)
    assert np.abs(all_of(take)[0, middle] - expected[middle]).max() < 1e-3


@pytest.mark.parametrize("seed", [1, 3, 8])
def test_noise_is_no_take(
    tmp_path: Path, phrase: Phrase, demo: tuple[Stream, Rendered], seed: int
) -> None:
    path = tmp_path / "take.wav"
    soundfile.write(path, np.random.default_rng(seed).uniform(-0.1, 0.1, 3 * RATE), RATE)
    with pytest.raises(TakeError, match=r"take\.wav: the phrase is not found in it"):
        list(with_take(path, phrase, *demo))


def test_a_take_of_the_whole_demo_is_laid_once(
    tmp_path: Path, phrase: Phrase, demo: tuple[Stream, Rendered]
) -> None:
    stream, done = demo
    lead = lead_of(done)
    path = tmp_path / "take.wav"
    soundfile.write(path, 0.5 * lead[:, 20000:].T, RATE, subtype="FLOAT")
    taken = np.concatenate(
        [layers[1] for layers, _ in with_take(path, phrase, stream, done)], axis=1
    )
    assert np.abs(lag(attacks(sound(lead), RATE), attacks(sound(taken), RATE))[0]) * HOP < CLOSE
    assert np.corrcoef(taken[0], lead[0])[0, 1] > 0.2  # to the frame, or nearly


def test_lag_is_found_between_frames() -> None:
    at = np.arange(600.0)
    one = np.exp(-(((at - 200) / 6) ** 2)) + 0.5 * np.exp(-(((at - 333) / 6) ** 2))
    for shift in (-40.3, 0.0, 17.6):
        other = np.exp(-(((at - 200 + shift) / 6) ** 2))
        other += 0.5 * np.exp(-(((at - 333 + shift) / 6) ** 2))
        assert lag(one, other)[0] == pytest.approx(shift, abs=0.05)


def test_another_rate_is_the_same_tone(tmp_path: Path) -> None:
    tone = np.sin(2 * np.pi * 440 * np.arange(44100) / 44100)
    soundfile.write(tmp_path / "tone.wav", tone, 44100, subtype="FLOAT")
    out = all_of(read_take(tmp_path / "tone.wav", 48000))
    assert out.shape == (2, 48000)
    wanted = np.sin(2 * np.pi * 440 * np.arange(48000) / 48000)
    assert np.abs(out[0, 2000:-2000] - wanted[2000:-2000]).max() < 0.01


def test_silence_around_it_goes(tmp_path: Path) -> None:
    sound = np.zeros(3 * RATE)
    sound[RATE : 2 * RATE] = 0.1
    path = tmp_path / "one.wav"
    soundfile.write(path, sound, RATE)
    take = all_of(read_take(path, RATE))
    assert take.shape[0] == 2
    assert take.shape[1] == pytest.approx(RATE, abs=RATE // 30)


def test_what_is_no_take(
    tmp_path: Path, phrase: Phrase, demo: tuple[Stream, Rendered], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "take.wav"
    path.write_bytes(b"RIFF no")
    with pytest.raises(TakeError, match="not a sound file"):
        read_take(path, RATE)
    soundfile.write(path, np.zeros(RATE), RATE)
    with pytest.raises(TakeError, match="nothing is heard in it"):
        read_take(path, RATE)
    click = np.zeros(RATE)
    click[9000:9100] = 1.0
    soundfile.write(path, click, RATE)
    with pytest.raises(TakeError, match="nothing is heard in it"):
        read_take(path, RATE)
    soundfile.write(path, np.random.default_rng(1).uniform(-0.1, 0.1, RATE // 2), RATE)
    with pytest.raises(TakeError, match=r"0\.5 s long, the phrase 2\.6 s; record all of it"):
        list(with_take(path, phrase, *demo))
    monkeypatch.setattr("backing.lesson.take.LONGEST", 0.4)
    with pytest.raises(TakeError, match="minutes at most"):
        read_take(path, RATE)
