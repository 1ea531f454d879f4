"""What is played at the desk: kept as a take, then caught or heard by the commands."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

import backing
from backing.desk.take import over
from backing.recording.slate import read_slate
from phrases.files import load_phrase
from tests.backing.desk.material import PORCH, WINDOW, Served
from tests.backing.listening.material import RATE, again, lead, sound

TEXT = PORCH.read_text(encoding="utf-8")
TEMPO = 96


def taken(desk: Served, how: str, wave: NDArray[np.float32], number: int = 0) -> Any:
    """Return what the desk tells of a take at its end."""
    asked = {"name": "porch.toml", "how": how, "number": number, "rate": RATE, "window": WINDOW,
             "key": "A", "groove": "shuffle", "tempo": TEMPO}  # fmt: skip
    with desk.sent(f"/api/events?window={WINDOW}", None, "GET") as events:
        assert events.readline() == b": here\n"
        body = wave.astype("<f4").tobytes()
        status, told, _ = desk.ask(f"/api/take?{urlencode(asked)}", body)
        assert status == 200, told
        return {**desk.done(events, told["job"]), "command": told["command"]}


@pytest.fixture(scope="module")
def played() -> NDArray[np.float32]:
    """The phrase, from the first frame of its loop on, with a bar of counting in."""
    stream = backing.loop(str(PORCH), shape="hold", goal=TEMPO, passes=1)
    return sound(lead(stream), stream)


def test_what_is_played_in_is_written_down(desk: Served, played: NDArray[np.float32]) -> None:
    asked = {"name": "porch.toml", "text": "", "take": "catch", "band": True, "key": "A",
             "groove": "shuffle", "tempo": TEMPO}  # fmt: skip
    number = desk.question("play", **asked)["number"]
    told = taken(desk, "catch", played, number)
    assert "error" not in told, told
    path = desk.folder / "takes/porch.toml"
    assert told["text"] == path.read_text(encoding="utf-8")
    assert told["command"] == "backing catch -o takes/porch.toml takes/porch.wav"
    found = again(load_phrase(str(PORCH)), load_phrase(str(path)))
    # How much of it catch gets right is measured elsewhere; a bar or a beat off, it were a few.
    assert found.right >= 0.8 * found.notes


def test_a_take_of_the_phrase_is_heard(desk: Served, played: NDArray[np.float32]) -> None:
    asked = {"name": "porch.toml", "text": TEXT, "take": "hear", "band": True, "tempo": TEMPO}
    told = desk.question("play", **asked)
    # The first written beat comes after a bar of sticks, less the pickup.
    assert told["times"][0][1] == pytest.approx((4 - 1.5) * 60 / TEMPO, abs=0.15)
    late = np.concatenate([np.zeros(round(0.03 * RATE), np.float32), played])
    told = taken(desk, "hear", late, told["number"])
    assert "error" not in told, told
    assert told["text"].startswith("<svg")
    assert told["said"]
    slate = read_slate(desk.folder / told["files"][0]["path"].replace(".svg", ".wav"))
    assert slate is not None
    assert slate.phrase == TEXT


def test_a_sound_file_is_laid_against_the_phrase(
    desk: Served, played: NDArray[np.float32]
) -> None:
    told = taken(desk, "hear", played[RATE // 3 :])
    assert "error" not in told, told
    assert told["command"].endswith(f"porch.toml --tempo {TEMPO} --key A")


def test_a_sound_file_of_a_variation_is_laid_against_that() -> None:
    asked = {"name": "porch.toml", "tempo": "96", "key": "A", "variation": "soft"}
    assert over("hear", None, asked) == [
        "porch.toml", "--tempo", "96", "--key", "A", "--variation", "soft"
    ]  # fmt: skip


def test_a_take_without_a_note_is_told_and_kept(desk: Served) -> None:
    noise = np.random.default_rng(1).normal(0, 1e-4, 2 * RATE).astype(np.float32)
    before = len(list(desk.folder.glob("takes/*.wav")))
    assert "error" in taken(desk, "catch", noise)
    assert len(list(desk.folder.glob("takes/*.wav"))) == before + 1
    newest = max(desk.folder.glob("takes/*.wav"), key=lambda one: one.stat().st_mtime_ns)
    assert soundfile.info(newest).frames == 2 * RATE


@pytest.mark.parametrize(
    "more", [{"name": "../x.toml"}, {"rate": "1"}, {"number": "999"}, {"how": "rm"}, {"rate": "x"}]
)
def test_a_take_that_is_none_is_refused(desk: Served, more: dict[str, str]) -> None:
    asked = {"name": "porch.toml", "how": "catch", "number": "0", "rate": "48000",
             "key": "A", "groove": "shuffle", "tempo": "90", "window": WINDOW}  # fmt: skip
    before = sorted(desk.folder.rglob("*"))
    status, told, _ = desk.ask(f"/api/take?{urlencode({**asked, **more})}", b"\0" * 400_000)
    assert status in (400, 422), told
    assert sorted(desk.folder.rglob("*")) == before


def test_takes_do_not_follow_a_link_out(tmp_path: Path) -> None:
    folder, away = tmp_path / "in", tmp_path / "away"
    folder.mkdir()
    away.mkdir()
    (folder / "takes").symlink_to(away)
    shutil.copy(PORCH, folder / "porch.toml")
    with Served(folder, tmp_path / "home") as desk:
        desk.enter()
        asked = {"name": "porch.toml", "how": "hear", "number": "0", "rate": "48000", "tempo": 90,
                 "key": "A"}  # fmt: skip
        status, told, _ = desk.ask(f"/api/take?{urlencode(asked)}", b"\0" * 4000)
        assert (status, "cannot be kept" in json.dumps(told)) == (422, True)
    assert not list(away.iterdir())
