"""The page in Firefox: it decodes, shows and listens to keys; with a sound server it plays."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.backing.page.firefox import Firefox, missing, sound_server
from tests.backing.page.material import RATE, TONE
from tests.backing.page.opened import now, start
from tests.backing.page.test_sound import check_seam_and_cursor

WHY = missing()
pytestmark = pytest.mark.skipif(bool(WHY), reason=WHY or "firefox is there")
SERVED = shutil.which("pulseaudio") is not None or "PULSE_SERVER" in os.environ


@pytest.fixture(scope="module")
def firefox(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Firefox]:
    profile, home = (tmp_path_factory.mktemp(name) for name in ("firefox", "pulse"))
    if not SERVED:
        with Firefox(profile) as browser:
            yield browser
        return
    with sound_server(home) as sound, Firefox(profile, sound) as browser:
        yield browser


@pytest.fixture
def page(firefox: Firefox, small_page: Path) -> Firefox:
    firefox.size(1280, 900)
    firefox.run("try { localStorage.clear(); } catch {}")
    firefox.open(small_page)
    return firefox


needs_sound = pytest.mark.skipif(
    not SERVED, reason="Firefox plays only with a sound card or server (Debian: pulseaudio)"
)


def test_it_decodes_every_frame(page: Firefox) -> None:
    start, frames, length, wave = page.run("""
        const { loop } = practice.now();
        const [band] = await practice.ready(loop);
        const { start, frames } = practice.lesson.sounds[loop.band];
        const wave = band.getChannelData(0).slice(start, start + 4800);
        return [start, frames, band.length, [...wave]];
    """)
    assert frames == 16 * 60 / 160 * RATE
    assert length == frames + 2 * start
    # The tone of the material begins with the loop, frame by frame.
    tone = 0.25 * np.sin(2 * np.pi * TONE * np.arange(4800) / RATE)
    assert np.abs(np.array(wave) - tone).max() < 0.02


def test_its_keys(page: Firefox) -> None:
    page.keys("c", "2", "3", "up", "g")
    chosen = now(page)["chosen"]
    assert (chosen["guitar"], chosen["first"], chosen["last"]) == ("call", 2, 3)
    assert (chosen["tempo"], chosen["balance"]) == (200, 10)


@needs_sound
def test_the_space_bar_plays_round_and_round(page: Firefox) -> None:
    page.keys("n", "up", "up", "4", "space")
    page.until("const f = practice.now().found; return f && f.pass >= 2")
    found = now(page)
    assert (found["tempo"], found["from"], found["to"]) == (240, 3.0, 4.0)
    assert 3.0 <= found["place"] < 4.0
    page.keys("space")
    page.until("return !practice.now().playing")


@needs_sound
def test_seam_and_cursor(page: Firefox, small_page: Path, tmp_path: Path) -> None:
    text = small_page.read_text(encoding="utf-8")
    policy = re.search('<meta http-equiv="Content-Security-Policy"[^>]*>', text)
    assert policy
    path = tmp_path / "open.html"  # so that a recorder may listen
    path.write_text(text.replace(policy[0], ""), encoding="utf-8")
    page.open(path)
    check_seam_and_cursor(page)


@needs_sound
def test_the_tempo_changes_at_a_bar_line(page: Firefox) -> None:
    start(page)
    page.keys("up")
    page.until("return practice.sound.segments.at(-1).loop.tempo === 200")
    time_, place, began, bar = page.run(
        "const [a, b] = practice.sound.segments; return [b.time, b.place, a.time, 4 * 60 / 160]"
    )
    bars = (time_ - began) / bar
    assert bars == pytest.approx(round(bars), abs=1e-6)
    assert place == pytest.approx(round(bars) * 4 * 60 / 200, abs=1e-6)


# Firefox has no microphone that plays a file; it has one that plays a tone.
MICROPHONE = {
    "media.navigator.streams.fake": True,
    "media.navigator.audio.fake_frequency": 220,
    "media.navigator.permission.disabled": True,
}


@needs_sound
def test_the_microphone_is_tuned_by(page: Firefox) -> None:
    for name, value in MICROPHONE.items():
        page.setting(name, value)
    page.run("document.querySelector('#mic').click()")
    page.until("return document.querySelector('#mic').ariaPressed === 'true'")
    page.until(
        "return /^A 3: (in tune|. cents)/.test(document.querySelector('#tuner').textContent)"
    )
    heard, level = page.run("""
        const wave = practice.came(practice.until() - 0.2, practice.until());
        return [practice.until(), Math.max(...wave)];
    """)
    assert heard > 0.2
    assert level > 0.01
    page.run("document.querySelector('#mic').click()")
    assert page.run("return document.querySelector('#ear').hidden")


@needs_sound
def test_a_microphone_that_is_refused_is_told(page: Firefox) -> None:
    page.setting("media.navigator.permission.disabled", False)
    page.setting("permissions.default.microphone", 2)  # never
    page.run("document.querySelector('#mic').click()")
    page.until("return !document.querySelector('#problem').hidden")
    told = page.run("return document.querySelector('#problem').textContent")
    assert told.startswith("The microphone is not allowed")
    assert page.run("return document.querySelector('#mic').ariaPressed") == "false"
    page.setting("permissions.default.microphone", 0)
