"""Films in what plays them, FFmpeg, Chromium and Firefox, and films that are stopped."""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from backing.cli import main
from tests.backing.film.material import HARD, Made
from tests.backing.page import browser, firefox
from tests.waiting import until

av = pytest.importorskip("av")
TINY = ("--choruses", "1", "--tempo", "240", "--form", "turnaround-loop", "--fps", "25")
PLAYED = """
    const video = document.createElement("video");
    video.muted = true;
    video.src = arguments[0];
    document.body.append(video);
    await new Promise((done, fail) => {
        video.onloadeddata = done;
        video.onerror = () => fail(Error(video.error.message));
    });
    video.currentTime = 5;
    await new Promise(done => { video.onseeked = done; });
    return [video.videoWidth, video.videoHeight, video.duration, video.currentTime];
"""


@pytest.fixture(scope="module", params=["film.mp4", "strip.webm"] if HARD else [""])
def played(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    if not request.param:
        made: Made = request.getfixturevalue("made")
        return made.path
    path: Path = tmp_path_factory.mktemp("players") / request.param
    strip = ["--strip"] * (path.suffix == ".webm")
    told = CliRunner().invoke(main, ["film", "pot-lid", *TINY, *strip, "-o", str(path)])
    assert told.exit_code == 0, told.output
    return path


@pytest.mark.skipif(not shutil.which("ffprobe"), reason="ffprobe is not installed (ffmpeg)")
def test_ffprobe_reads_it(played: Path) -> None:
    words = "ffprobe -v error -of json -show_streams -show_chapters -show_format -count_frames"
    told = subprocess.run([*words.split(), played], capture_output=True, text=True, check=True)
    assert told.stderr == ""
    found = json.loads(told.stdout)
    picture, sound = found["streams"][:2]  # an MP4 has a track of chapters besides
    codecs = {".mp4": ("h264", "aac"), ".webm": ("vp9", "opus")}[played.suffix]
    assert (picture["codec_name"], sound["codec_name"]) == codecs
    assert (picture["width"], picture["height"]) == (1920, 1080)
    assert picture["r_frame_rate"] == "25/1"
    keys = ("color_range", "color_space", "color_primaries", "color_transfer")
    assert [picture[key] for key in keys[: 4 if played.suffix == ".mp4" else 2]] == (
        ["tv", "bt709", "bt709", "bt709"][: 4 if played.suffix == ".mp4" else 2]
    )
    long = int(picture["nb_read_frames"]) / 25
    assert abs(long - float(found["format"]["duration"])) <= 1 / 25
    assert "Count-in" in [one["tags"]["title"] for one in found["chapters"]]
    if played.suffix == ".webm":
        assert picture["tags"]["alpha_mode"] == "1"


def watched(run: Callable[..., Any], open_page: Callable[[Path], Any], path: Path) -> None:
    page = path.with_suffix(".html")
    page.write_text("<!doctype html><meta charset=utf-8><body>")
    open_page(page)
    wide, high, long, now = run(PLAYED, path.as_uri())
    assert (wide, high) == (1920, 1080)
    with av.open(str(path)) as file:
        assert abs(long - file.streams.video[0].frames / 25) < 0.1 or path.suffix == ".webm"
    assert abs(now - 5) < 0.05


@pytest.mark.skipif(bool(browser.missing()), reason=browser.missing() or "-")
def test_chromium_decodes_it(played: Path, tmp_path: Path) -> None:
    with browser.Browser(tmp_path) as one:
        watched(one.run, one.open, played)


@pytest.mark.skipif(bool(firefox.missing()) or not HARD, reason=firefox.missing() or "long")
def test_firefox_decodes_it(played: Path, tmp_path: Path) -> None:
    with firefox.Firefox(tmp_path) as one:
        watched(one.run, one.open, played)


@pytest.mark.skipif(not HARD, reason="long")
@pytest.mark.parametrize(
    ("name", "words"),
    [("film.mp4", ()), ("large.mp4", ("--size", "3840x2160")), ("strip.webm", ("--strip",)),
     ("strip.mov", ("--strip",)), ("large.mov", ("--size", "3840x2160", "--strip"))],
)  # fmt: skip
def test_it_takes_less_than_500_mb(tmp_path: Path, name: str, words: tuple[str, ...]) -> None:
    code = "import sys, subprocess as s, resource as r; s.run(sys.argv[1:], check=True); "
    code += "print(r.getrusage(r.RUSAGE_CHILDREN).ru_maxrss / 1024)"
    run = [sys.executable, "-m", "backing.cli", "film", "pot-lid", *TINY, *words, "-o", name]
    told = subprocess.run(
        [sys.executable, "-c", code, *run],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    assert float(told.stdout.split()[-1]) < 500


def test_stopped_it_leaves_nothing_and_two_at_once_are_two(tmp_path: Path) -> None:
    def begun(name: str) -> subprocess.Popen[str]:
        words = [sys.executable, "-m", "backing.cli", "film", "pot-lid", "-o", name]
        return subprocess.Popen(words, cwd=tmp_path, stderr=subprocess.PIPE, text=True)

    one, other = begun("a.mp4"), begun("b.mp4")
    until(lambda: len(list(tmp_path.glob(".backing-*.mp4"))) == 2, "nothing is begun")
    one.send_signal(signal.SIGINT)
    other.terminate()
    assert one.communicate()[1].endswith("stopped\n")
    other.communicate()
    assert (one.returncode, other.returncode) == (130, 143)
    assert list(tmp_path.iterdir()) == []
