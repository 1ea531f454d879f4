"""`backing record` and `backing calibrate` as a student types them; the sound card is a stand-in.

tests/backing/recording/test_loop_back.py has them over a real one.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

import backing
from backing.cli import config, main
from backing.cli.hear_command import told_stream
from backing.live.errors import LiveError
from backing.output import OutputError
from backing.recording import recorder as module
from backing.recording import round_trip
from backing.recording.growing import Growing
from backing.recording.slate import read_slate
from phrases.files import find_phrase

RATE = 48000
GROOVES = Path(backing.__file__).parent / "grooves"
TRACK = ("track", "--tempo", "120", "--choruses", "1", "--form", "one-chord-vamp")
SOUND = (np.random.default_rng(5).standard_normal((RATE, 2)) * 0.05).astype(np.float32)


class Card:
    name, rate, inputs, round_trip, gaps = "a cable", RATE, 2, 0.0, 0


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def playing(then: Callable[[], None]) -> Callable[..., None]:
    """Return a stand-in for `play`: one second goes out and comes in 100 frames later."""

    def play(_stream: object, *, recorder: Any, **_more: object) -> None:
        recorder.opened(Card())
        try:
            for start in range(0, RATE, 480):
                recorder.played(SOUND[start : start + 480])
                recorder.heard(np.roll(SOUND, 100, axis=0)[start : start + 480], start)
            then()
        finally:
            recorder.finish()

    return play


@pytest.fixture
def card(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "remembered", lambda name, rate: 100)
    monkeypatch.setattr("backing.live.play.play", playing(lambda: None))


@pytest.mark.usefixtures("card")
def test_each_take_has_a_number_and_a_rough_mix(tmp_path: Path) -> None:
    for take in ("solo.wav", "solo-2.wav"):
        result = run("record", *TRACK, "--take", tmp_path / "solo.wav")
        assert result.exit_code == 0, result.output
        assert f"{take}: 0:00, peak -1" in result.stdout
        assert f"{take[:-4]}-mix.wav: a rough mix" in result.stdout
        assert "calibrate" not in result.stderr
        sound, _ = soundfile.read(tmp_path / take, dtype="float32")
        assert np.array_equal(sound, SOUND[: RATE - 100])
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "solo-2-mix.wav", "solo-2.json", "solo-2.wav", "solo-mix.wav", "solo.json", "solo.wav",
    ]  # fmt: skip


@pytest.mark.usefixtures("card")
@pytest.mark.parametrize(
    "what", [("demo", "lamp-oil"), ("loop", "lamp-oil", "--from", "50"), ("trade", "lamp-oil")]
)
def test_whatever_plays_can_be_recorded_over_without_a_mix(
    tmp_path: Path, what: tuple[str, ...]
) -> None:
    result = run("record", *what, "--no-mix", "--take", tmp_path / "take.wav")
    assert result.exit_code == 0, result.output
    assert sorted(path.name for path in tmp_path.iterdir()) == ["take.json", "take.wav"]
    slate = read_slate(tmp_path / "take.wav")
    assert slate is not None
    assert slate.words[: len(what)] == list(what)
    assert slate.phrase == find_phrase("lamp-oil").read_text(encoding="utf-8")


@pytest.mark.parametrize("own", ["own.toml", "plan.toml", ""])
def test_a_take_keeps_what_was_set_and_the_files_that_were_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, own: str
) -> None:
    """Without them, and with another seed than then, it is the same piece to the note.

    The phrase's groove, which is named from its folder, may have the name of a file in words.
    """
    streams: list[Any] = []

    def play(stream: Any, **more: Any) -> None:
        streams.append(stream)
        playing(lambda: None)(stream, **more)

    monkeypatch.setattr("backing.live.play.play", play)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv(config.VARIABLE, str(tmp_path / "config.toml"))
    names = ("config", "own", "deep/own", "deep/mine", "plan", "deep/plan")
    files = {name: tmp_path / f"{name}.toml" for name in names}
    (tmp_path / "deep").mkdir()
    files["config"].write_text("seed = 7\nlooseness = 0.5\n", encoding="utf-8")
    for name in ("own", "deep/own", "deep/plan"):
        files[name].write_bytes((GROOVES / "boogie.toml").read_bytes())
    files["plan"].write_text("passes = 2\nfrom = 50\n", encoding="utf-8")
    text = re.sub(
        r"(?m)^groove = .*", f'groove = "{own}"', find_phrase("lamp-oil").read_text("utf-8")
    )
    files["deep/mine"].write_text(text, encoding="utf-8")
    words = ["loop", "deep/mine.toml", "--plan=plan.toml"]
    words = words if own else ["loop", "lamp-oil", "--groove", "own.toml"]
    result = run("record", *words, "--no-mix")
    assert result.exit_code == 0, result.output
    for file in files.values():
        file.unlink()
    monkeypatch.setenv("BACKING_SEED", "8")
    slate = read_slate(tmp_path / "take.wav")
    assert slate is not None
    with click.Context(main) as ctx, told_stream(ctx, slate.words, slate) as (stream, known):
        assert stream.sections == streams[0].sections
        assert set(known) == set(slate.files)


@pytest.mark.usefixtures("card")
def test_a_card_that_goes_leaves_take_and_mix(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone() -> None:
        raise LiveError("a cable: the sound card has gone")

    monkeypatch.setattr("backing.live.play.play", playing(gone))
    result = run("record", *TRACK, "--take", tmp_path / "take.wav")
    assert result.exit_code == 1
    assert "the sound card has gone" in result.stderr
    names = sorted(path.name for path in tmp_path.iterdir())
    assert names == ["take-mix.wav", "take.json", "take.wav"]


@pytest.mark.usefixtures("card")
def test_a_full_disk_is_told_as_such_though_no_mix_fits_either(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(self: Growing, block: Any) -> None:
        raise OSError(28, "No space left on device")

    def mixed(*_: object) -> float:
        raise OutputError("take-mix.wav: cannot be written")

    monkeypatch.setattr(Growing, "write", full)
    monkeypatch.setattr(module, "rough_mix", mixed)
    # Something is on disk already, so that there is something to mix.
    made = Growing.__init__

    def begun(self: Growing, *args: Any, **more: Any) -> None:
        made(self, *args, **more)
        self.frames = 1

    monkeypatch.setattr(Growing, "__init__", begun)
    result = run("record", *TRACK, "--take", tmp_path / "take.wav")
    assert result.exit_code == 1
    assert "take.wav: No space left on device; 0:00 of the take are kept" in result.stderr
    assert "take-mix" not in result.stderr
    assert not (tmp_path / "take-mix.wav").exists()


@pytest.mark.usefixtures("card")
def test_no_empty_take_is_left_where_the_backing_finds_no_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_take: Path) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(module, "hidden", full)
    result = run("record", *TRACK, "--take", tmp_path / "take.wav")
    assert result.exit_code == 1
    assert "take.wav: cannot be made: No space left on device" in result.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "say what is played: track, demo, loop or trade"),
        (("trak",), 'did you mean "track"?'),
        ((*TRACK, "-o", "x.wav"), "recording plays as well; leave out -o"),
        ((*TRACK, "--port", "x"), "recording needs the sound card; leave out --port"),
        (("loop", "lamp-oil", "--dry-run"), "leave out -o, --stems, --json and --dry-run"),
        (("track", "--tempo", "9"), "write a number from 30 to 240"),
    ],
)
def test_wrong_words_are_told_before_anything_is_written(
    tmp_path: Path, words: tuple[str, ...], said: str
) -> None:
    result = run("record", *words, "--take", tmp_path / "take.wav")
    assert result.exit_code == 2
    assert said in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there_is_told_before_anything_is_played(tmp_path: Path) -> None:
    result = run("record", *TRACK, "--take", tmp_path / "no" / "take.wav")
    assert result.exit_code == 1
    assert "make it first" in result.stderr


def test_what_is_measured_but_cannot_be_kept_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "data").write_text("a file where a folder should be")
    place = tmp_path / "data" / "round-trips.json"
    monkeypatch.setattr(round_trip, "place", lambda: place)

    def measured(ready: Callable[[], None], *_: str) -> tuple[str, int, int, int]:
        ready()
        return "a cable", RATE, 256, 200

    monkeypatch.setattr(round_trip, "measure", measured)
    result = run("calibrate")
    assert result.exit_code == 1
    assert "loud headphones can damage hearing" in result.stderr
    assert f"{place}: cannot be written" in result.stderr
    assert "calibrate again" in result.stderr


def test_no_noise_is_announced_where_there_is_no_card(monkeypatch: pytest.MonkeyPatch) -> None:
    def none(_heard: object, *_: str) -> None:
        raise LiveError("no sound card that also records was found")

    monkeypatch.setattr(round_trip, "Card", none)
    result = run("calibrate")
    assert result.exit_code == 1
    assert result.stderr == "Error: no sound card that also records was found\n"
