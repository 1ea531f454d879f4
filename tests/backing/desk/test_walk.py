"""A teacher's whole way at the desk, in Chromium and in Firefox, with keys and pointer."""

from __future__ import annotations

import os
import re
import shutil
import signal
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.backing.desk.material import PORCH, Served
from tests.backing.page import browser as chromium
from tests.backing.page import firefox as fox
from tests.hard.material import LONG
from tests.waiting import until

SERVED = shutil.which("pulseaudio") is not None or "PULSE_SERVER" in os.environ
# The first phrase of the README, as it stands there.
README = re.search(
    r"```\n(title  = .*?)```", (PORCH.parents[1] / "README.md").read_text(encoding="utf-8"), re.S
)
LISTEN = """
    window.heard = [];
    const real = AudioNode.prototype.connect;
    AudioNode.prototype.connect = function(to, ...rest) {
        if (to === this.context.destination && !this.watched) {
            const ear = this.context.createScriptProcessor(4096, 2, 2);
            ear.watched = true;
            ear.onaudioprocess = (event) => heard.push([...event.inputBuffer.getChannelData(0)]);
            real.call(this, ear); real.call(ear, to);
        }
        return real.call(this, to, ...rest);
    };
"""
TEXT = "return [...document.querySelectorAll('.cm-line')].map((l) => l.textContent).join('\\n')"
LESSON = """title = "One phrase"
tempos = [96]
formats = ["mp3"]
make = ["demo", "sheet"]
choruses = 1

[[phrase]]
file = "my-phrase.toml"
"""

Browser = chromium.Browser | fox.Firefox


@pytest.fixture(params=["chromium", "firefox"])
def walker(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Browser]:
    """A browser; Firefox in the long form, with a sound server."""
    profile = tmp_path / "profile"
    profile.mkdir()
    if request.param == "chromium":
        if chromium.missing():
            pytest.skip(chromium.missing())
        with chromium.Browser(profile) as browser:
            yield browser
        return
    if not LONG:
        pytest.skip("Firefox walks in `make hard`")
    if fox.missing() or not SERVED:
        pytest.skip(fox.missing() or "Firefox plays only with a sound card or server")
    with fox.sound_server(tmp_path) as sound, fox.Firefox(profile, sound) as firefox:
        firefox.size(1440, 900)
        yield firefox


def pitch(desk: Browser, near: float) -> float:
    """Return the pitch of what is heard first, in Hz, within a third of a pitch."""
    quiet = "heard.slice(-3).every((one) => one.every((x) => Math.abs(x) < 0.001))"
    desk.until(f"return {quiet}")  # what was played before has died away
    desk.run("window.heard.length = 0")
    desk.keys("f2")
    loud = "heard.findIndex((one) => one.some((x) => Math.abs(x) > 0.003))"
    desk.until(f"return {loud} >= 0 && heard.length > {loud} + 2")
    desk.keys("f2")
    # The first piece that is wholly within the note: from one piece to the next some may be lost.
    heard = np.array(desk.run(f"return heard[{loud} + 1]")) * np.hanning(4096)
    spectrum = np.abs(np.fft.rfft(heard, 1 << 17))
    hertz = np.fft.rfftfreq(1 << 17, 1 / 48000)
    among = (hertz > near * 0.84) & (hertz < near * 1.19)
    return float(hertz[among][spectrum[among].argmax()])


def state(desk: Browser, begins: str) -> None:
    desk.until(f"return document.getElementById('state').textContent.startsWith({begins!r})")


def test_from_an_empty_folder_to_a_published_lesson_and_back_from_a_crash(
    walker: Browser, tmp_path: Path
) -> None:
    desk, folder, home = walker, tmp_path / "lessons", tmp_path / "home"
    made: list[dict[Path, int]] = []
    assert README is not None
    folder.mkdir()
    with Served(folder, home) as served:
        desk.open(served.address)
        desk.until("return document.activeElement.id === 'new-name'")
        # Write the phrase, with a mistake in it; what is typed gets no second quote or bracket.
        desk.keys(*"my-phrase", "enter")
        desk.until("return document.getElementById('title').textContent === 'My phrase'")
        desk.until("return document.activeElement.className.includes('cm-content')")
        desk.keys("a", hold="control")
        text = README[1].replace('"shuffle"', '"shufle"')
        desk.keys(*(letter if letter != "\n" else "enter" for letter in text))
        desk.until("return document.querySelector('#problems .fix') !== null")
        assert desk.run(TEXT) == text
        # Mend it by its button.
        desk.click("#problems .fix")
        desk.until("return document.getElementById('title').textContent === 'Porch light' && "
                   "!document.getElementById('problems').childElementCount")  # fmt: skip
        # Hear it: e5 is A4, 440 Hz (ISO 16); in D it is five semitones higher, which the line in A
        # has nowhere. What a busy browser loses of a note is heard at another time.
        desk.run(LISTEN)
        desk.click('#what [value="all"]')
        desk.click("#band")
        for key, hertz in (("A", 440.0), ("D", 440.0 * 2 ** (5 / 12))):
            desk.click(f'#key [value="{key}"]')
            off = [1200 * np.log2(pitch(desk, hertz) / hertz)]
            while abs(off[-1]) >= 20 and len(off) < 5:
                off.append(1200 * np.log2(pitch(desk, hertz) / hertz))
            assert abs(off[-1]) < 20, off
        # Save it, and publish a lesson of it.
        desk.click(".cm-content")
        desk.keys("s", hold="control")
        state(desk, "Saved")
        assert (folder / "my-phrase.toml").read_text(encoding="utf-8") == README[1]
        (folder / "lesson.toml").write_text(LESSON, encoding="utf-8")
        desk.until("return document.querySelector('[data-name=\"lesson.toml\"]') !== null")
        desk.run("document.querySelector('[data-name=\"lesson.toml\"]').click()")
        desk.until("return document.getElementById('title').textContent === 'One phrase'")
        desk.click("#publish")
        desk.until("return document.getElementById('making').open")
        about = desk.run("return document.querySelector('#offers .aside').textContent")
        assert re.fullmatch(r"\d+ files, about [\d.]+ [kM]B, in about \d+ s", about)
        for told in ("Stopped", "Made", "Made"):
            desk.run("document.querySelector('.result').textContent = ''")
            desk.click('[data-what="lesson"] .start')
            if told == "Stopped":
                desk.until("return document.querySelector('progress[value]:not([hidden])')")
                desk.click('[data-what="lesson"] .cancel')
            desk.until(
                f"return document.querySelector('.result').textContent.startsWith('{told}')"
            )
            lesson = [path for path in (folder / "out/lesson").rglob("*.*") if path.is_file()]
            made.append({path: path.stat().st_mtime_ns for path in lesson})
        assert {".html", ".mp3", ".pdf"} <= {path.suffix for path in made[1]}
        sounds = [path for path in made[1] if path.suffix in (".mp3", ".pdf")]
        assert all(made[1][path] == made[2][path] for path in sounds)  # what changed only
        desk.click("#making-close")
        # Kill the server while it saves.
        desk.run("document.querySelector('[data-name=\"my-phrase.toml\"]').click()")
        desk.until("return document.getElementById('title').textContent === 'Porch light'")
        desk.click(".cm-content")
        desk.keys("end", hold="control")
        desk.keys(*"# to the last letter")
        desk.keys("s", hold="control")
        served.process.send_signal(signal.SIGKILL)
        served.process.wait()
        desk.keys(*", and on")
        desk.until("return !document.getElementById('ended').hidden")
        now = desk.run(TEXT)
        assert now.endswith("# to the last letter, and on")
        port = served.port
    with Served(folder, home, port) as served:
        desk.open(served.address)
        desk.until("return document.getElementById('ended').hidden")
        until(lambda: desk.run(TEXT) == now)
        saved = (folder / "my-phrase.toml").read_text(encoding="utf-8")
        assert saved in (README[1], README[1] + "# to the last letter")
        desk.click(".cm-content")
        desk.keys("s", hold="control")
        state(desk, "Saved")
        assert (folder / "my-phrase.toml").read_text(encoding="utf-8") == now
