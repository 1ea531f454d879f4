from __future__ import annotations

import os
import threading
from pathlib import Path
from typing import Any

import numpy as np
import pyloudnorm
import pytest
import soundfile
from scipy.signal import butter, sosfilt

from backing.output import OutputError
from backing.recording import recorder as module
from backing.recording.growing import Growing
from backing.recording.recorder import Recorder, free_name, mix_name
from backing.recording.rough_mix import BELOW, rough_mix
from tests.backing.material import true_peak
from tests.waiting import PATIENCE, until

RATE = 48000


class Card:
    name, rate, inputs, round_trip, gaps = "a cable", RATE, 2, 0.01, 0


def noise(seed: int, level: float, seconds: float = 3.0) -> Any:
    white = np.random.default_rng(seed).standard_normal((round(seconds * RATE), 2))
    low = sosfilt(butter(2, (200, 4000), "bandpass", fs=RATE, output="sos"), white, axis=0)
    return (low * level).astype(np.float32)


@pytest.fixture
def known(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "remembered", lambda name, rate: 220)  # and 480 it says itself


def recorded(recorder: Recorder, sound: Any, frames: int = 256) -> None:
    card: Any = Card()
    recorder.opened(card)
    for start in range(0, len(sound), frames):
        recorder.heard(sound[start : start + frames], start)
    recorder.played(sound)
    recorder.finish()


def test_a_take_begins_one_round_trip_later(tmp_path: Path, known: None) -> None:
    sound = noise(1, 0.1)
    recorder = Recorder(tmp_path / "take.wav")
    recorded(recorder, sound)
    recorder.check()
    take, rate = soundfile.read(tmp_path / "take.wav", dtype="float32")
    assert rate == RATE
    assert np.array_equal(take, sound[700:])
    assert recorder.tail == 700


def test_without_a_measured_round_trip_the_cards_own_word_is_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "remembered", lambda name, rate: None)
    recorder = Recorder(tmp_path / "take.wav")
    recorded(recorder, noise(1, 0.1))
    assert recorder.round_trip == 480
    assert any("backing calibrate" in line for line in recorder.said())


def test_takes_are_numbered_and_never_overwritten(tmp_path: Path, known: None) -> None:
    for number in range(3):
        recorder = Recorder(tmp_path / "take.wav")
        recorded(recorder, noise(number, 0.1, 0.5))
        recorder.mix()
        recorder.forget()
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "take-2-mix.wav", "take-2.wav", "take-3-mix.wav", "take-3.wav", "take-mix.wav",
        "take.wav",
    ]  # fmt: skip
    (tmp_path / "take-4-mix.wav").touch()
    assert free_name(tmp_path / "take.wav").name == "take-5.wav"


def test_takes_that_begin_at_once_have_names_of_their_own(
    tmp_path: Path, known: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both look for a free name before either has made its file."""
    card: Any = Card()
    both = threading.Barrier(2)
    looked = threading.local()

    def together(path: Path) -> Path:
        found = free_name(path)
        if not getattr(looked, "once", False):
            looked.once = True
            both.wait(PATIENCE)
        return found

    (tmp_path / "take.wav").symlink_to(tmp_path / "nowhere")  # no file, but no free name either
    recorders = [Recorder(tmp_path / "take.wav") for _ in range(2)]
    monkeypatch.setattr(module, "free_name", together)
    threads = [threading.Thread(target=one.opened, args=(card,)) for one in recorders]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(20)
    for recorder in recorders:
        recorder.finish()
        recorder.forget()
    names = {one.take and one.take.name for one in recorders}
    assert names == {"take-2.wav", "take-3.wav"}
    assert {path.name for path in tmp_path.iterdir()} == {"take.wav", *names}


def test_a_take_is_on_the_disk_when_it_is_finished(
    tmp_path: Path, known: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[int] = []
    kept = os.fsync

    def fsync(number: int) -> None:
        synced.append(os.fstat(number).st_ino)
        kept(number)

    monkeypatch.setattr("os.fsync", fsync)
    recorder = Recorder(tmp_path / "take.wav")
    recorded(recorder, noise(1, 0.1, 0.5))
    # The sound, then its name; what was played is forgotten.
    assert synced == [(tmp_path / "take.wav").stat().st_ino, tmp_path.stat().st_ino]


def test_a_disk_that_fails_at_the_end_is_told(
    tmp_path: Path, known: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fsync(_number: int) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("os.fsync", fsync)
    recorder = Recorder(tmp_path / "take.wav")
    recorded(recorder, noise(1, 0.1, 0.5))
    with pytest.raises(OutputError, match=r"take\.wav: Input/output error; 0:00 of the take"):
        recorder.check()


def test_the_meter_shows_level_and_clipping(tmp_path: Path, known: None) -> None:
    recorder = Recorder(tmp_path / "take.wav")
    card: Any = Card()
    recorder.opened(card)
    assert "[........................]  -60 dB" in recorder.line()
    recorder.heard(np.full((256, 2), 0.1, np.float32), 0)
    assert "[################........]  -20 dB" in recorder.line()
    assert "CLIPPED" not in recorder.line()
    recorder.heard(np.full((256, 2), -1.0, np.float32), 256)
    assert "[########################]    0 dB  CLIPPED 1 x" in recorder.line()
    for _ in range(60):
        recorder.line()
    assert "[........................]  -60 dB" in recorder.line()
    recorder.finish()
    assert any("clipped" in line for line in recorder.said())


def test_silence_is_remarked_on(tmp_path: Path, known: None) -> None:
    recorder = Recorder(tmp_path / "take.wav")
    recorded(recorder, np.zeros((RATE, 2), np.float32))
    assert any("nothing was heard" in line for line in recorder.said())


def test_a_full_disk_is_told_with_what_is_kept(
    tmp_path: Path, known: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    recorder = Recorder(tmp_path / "take.wav")
    card: Any = Card()
    recorder.opened(card)
    sound = noise(1, 0.1)
    recorder.heard(sound[:RATE], 0)
    until(lambda: recorder._files[0].frames)

    def full(self: Growing, block: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Growing, "write", full)
    recorder.heard(sound[RATE:], RATE)
    until(lambda: recorder._error)
    with pytest.raises(OutputError, match=r"take.wav: No space left on device; 0:00 of the take"):
        recorder.check()
    recorder.finish()
    take, _ = soundfile.read(tmp_path / "take.wav", dtype="float32")
    assert np.array_equal(take, sound[700:RATE])


def test_a_disk_that_is_too_slow_loses_what_is_too_much_and_says_so(
    tmp_path: Path, known: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "MOST", 0.1)
    monkeypatch.setattr(module, "WRITE", 0.5)
    recorder = Recorder(tmp_path / "take.wav")
    recorded(recorder, noise(1, 0.1, 1.0))
    assert 0 < recorder.lost < RATE
    take, _ = soundfile.read(tmp_path / "take.wav", dtype="float32")
    wanted = noise(1, 0.1, 1.0)[700:]
    wanted[-recorder.lost :] = 0  # what comes after it would be in time
    assert np.array_equal(take, wanted)
    assert any("were lost" in line for line in recorder.said())


@pytest.mark.parametrize(
    ("name", "said"),
    [("no/take.wav", "does not exist; make it first"), ("take.mp3", "name it take.wav")],
)
def test_a_place_that_will_not_do_is_told_before_anything_is_played(
    tmp_path: Path, name: str, said: str
) -> None:
    with pytest.raises(OutputError, match=said):
        Recorder(tmp_path / name)
    assert list(tmp_path.iterdir()) == []


def test_after_a_gap_the_rest_is_in_time_again(
    tmp_path: Path, known: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "MOST", 0.1)
    going, free, kept = threading.Event(), threading.Event(), Growing.write

    def slow(self: Growing, block: Any) -> None:
        going.set()
        assert free.wait(PATIENCE)
        kept(self, block)

    monkeypatch.setattr(Growing, "write", slow)
    recorder = Recorder(tmp_path / "take.wav")
    card: Any = Card()
    recorder.opened(card)
    sound = noise(1, 0.1, 1.0)
    recorder.heard(sound[: RATE // 4], 0)
    assert going.wait(PATIENCE)
    recorder.heard(sound[RATE // 4 : RATE // 2], RATE // 4)  # too much waits
    free.set()
    until(lambda: recorder._came <= recorder._gone)
    recorder.heard(sound[RATE // 2 :], RATE // 2)
    recorder.finish()
    take, _ = soundfile.read(tmp_path / "take.wav", dtype="float32")
    sound[RATE // 4 : RATE // 2] = 0
    assert recorder.lost == RATE // 4
    assert np.array_equal(take, sound[700:])


def test_whichever_file_is_full_first_ends_it(
    tmp_path: Path, known: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Card, "inputs", 1)  # so what is played has twice the bytes
    monkeypatch.setattr("backing.recording.growing.LONGEST", 8 * RATE)
    recorder = Recorder(tmp_path / "take.wav")
    card: Any = Card()
    recorder.opened(card)
    recorder.heard(noise(1, 0.1, 1.0)[:, :1], 0)
    recorder.played(noise(1, 0.1, 0.9))
    recorder.check()
    recorder.played(noise(1, 0.1, 0.1))
    recorder.finish()
    with pytest.raises(OutputError, match="a WAV file holds no more; the take is kept"):
        recorder.check()


def test_a_mistake_while_writing_is_told_not_lost(
    tmp_path: Path, known: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    def wrong(self: Growing, block: Any) -> None:
        raise ValueError("something else")

    monkeypatch.setattr(Growing, "write", wrong)
    recorder = Recorder(tmp_path / "take.wav")
    recorded(recorder, noise(1, 0.1, 1.0))
    with pytest.raises(OutputError, match=r"take.wav: something else; 0:00 of the take are kept"):
        recorder.check()


def test_clipping_is_seen_on_a_plain_screen(tmp_path: Path, known: None) -> None:
    recorder = Recorder(tmp_path / f"{'slow-blues-' * 9}.wav")
    card: Any = Card()
    recorder.opened(card)
    assert recorder.line().startswith("recording slow-blues-slow-b...  [....")
    assert len(recorder.line()) <= 80
    for _ in range(9999):
        recorder.heard(np.ones((1, 2), np.float32), 0)
    assert recorder.line().endswith("CLIPPED 9999 x: turn the input down")
    assert len(recorder.line()) <= 80
    recorder.finish()


def test_what_the_card_lost_is_told(
    tmp_path: Path, known: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    recorder = Recorder(tmp_path / "take.wav")
    recorded(recorder, noise(1, 0.1))
    assert not any("too busy" in line for line in recorder.said())
    monkeypatch.setattr(Card, "gaps", 3)
    assert any("too busy for the sound card 3 x" in line for line in recorder.said())


def test_a_name_that_is_too_long_is_told(tmp_path: Path) -> None:
    with pytest.raises(
        OutputError, match=r"a{40}\.\.\.: File name too long; choose a shorter name"
    ):
        Recorder(tmp_path / f"{'a' * 300}.wav")


# --- the rough mix ------------------------------------------------------------------


def _written(path: Path, sound: Any) -> Path:
    soundfile.write(path, sound, RATE, subtype="FLOAT")
    return path


@pytest.mark.parametrize("level", [0.01, 0.05, 0.5])
def test_a_take_is_matched_to_its_backing(tmp_path: Path, level: float) -> None:
    played, take = noise(1, 0.1), noise(2, level)
    out = tmp_path / "mix.wav"
    gain = rough_mix(_written(tmp_path / "t.wav", take), _written(tmp_path / "b.wav", played), out)
    mix, _ = soundfile.read(out, dtype="float32")
    meter = pyloudnorm.Meter(RATE, "DeMan")  # the filters of ITU-R BS.1770
    under = meter.integrated_loudness(played) - meter.integrated_loudness(
        take * np.float32(10 ** (gain / 20))
    )
    assert under == pytest.approx(BELOW, abs=0.1)
    assert true_peak(mix.T) <= -1.9
    # Where the limiter rests it is the sum of both.
    summed = played + take * np.float32(10 ** (gain / 20))
    assert np.corrcoef(mix[:, 0], summed[:, 0])[0, 1] > 0.98


def test_a_silent_take_is_not_made_loud_and_a_longer_one_is_not_cut(tmp_path: Path) -> None:
    played, take = noise(1, 0.1, 1.0), np.zeros((2 * RATE, 1), np.float32)
    out = tmp_path / "mix.wav"
    paths = _written(tmp_path / "t.wav", take), _written(tmp_path / "b.wav", played)
    assert rough_mix(*paths, out) == 0.0
    mix, _ = soundfile.read(out, dtype="float32")
    assert len(mix) == 2 * RATE
    assert not mix[RATE:].any()


def test_a_guitar_in_one_of_two_inputs_is_heard_in_the_middle(tmp_path: Path) -> None:
    played, take = np.zeros((3 * RATE, 2), np.float32), noise(2, 0.05)
    take[:, 0] *= 0.001  # what crosses over
    out = tmp_path / "mix.wav"
    rough_mix(_written(tmp_path / "t.wav", take), _written(tmp_path / "b.wav", played), out)
    mix, _ = soundfile.read(out, dtype="float32")
    assert np.array_equal(mix[:, 0], mix[:, 1])
    assert np.abs(mix[:, 0] - take[:, 1]).max() < 1e-4
    take[:, 0] *= 100  # a tenth is no cross-talk but stereo
    rough_mix(_written(tmp_path / "t.wav", take), _written(tmp_path / "b.wav", played), out)
    mix, _ = soundfile.read(out, dtype="float32")
    assert np.abs(mix - take).max() < 1e-4


def test_names() -> None:
    assert mix_name(Path("out/take-2.wav")) == Path("out/take-2-mix.wav")
