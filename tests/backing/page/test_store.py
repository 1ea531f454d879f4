"""Where the sounds of a page come from, and how much of them is held at once."""

from __future__ import annotations

import base64
import io
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile

from backing.page.data import EncodedSound, PageData, PageLoop, PagePiece
from backing.page.page import render_page, sound_file
from tests.backing.page.browser import Browser
from tests.backing.page.material import AROUND, RATE, small
from tests.backing.page.opened import fresh, now, start
from tests.hard.material import LONG


def test_a_browser_without_ogg_opus_brings_a_decoder(page: Browser) -> None:
    page.run("""
        OfflineAudioContext.prototype.decodeAudioData = async () => {
          throw new DOMException("no", "EncodingError");
        };
        document.querySelector('#tempo input[value="240"]').click();
    """)
    length, text = page.run("""
        const [, phrase] = await practice.ready(practice.now().loop);
        const bytes = new Uint8Array(phrase.getChannelData(0).slice(0, 48000).buffer);
        const letters = Array.from(bytes, (one) => String.fromCharCode(one));
        return [phrase.length, btoa(letters.join(""))];
    """)
    file = io.BytesIO(small().pieces[0].versions[0].loops[2].phrase.data)
    wave, _ = soundfile.read(file, dtype="float32")  # libsndfile's own decoder is the witness
    assert length == len(wave)
    mine = np.frombuffer(base64.b64decode(text), np.float32)
    assert np.abs(mine).max() > 0.1
    assert np.abs(mine - wave[: len(mine)]).max() < 1e-3
    assert page.log("browser") == []


def test_the_sounds_of_a_key_stand_beside_the_page(chromium: Browser, tmp_path: Path) -> None:
    version = small().pieces[0].versions[0]
    # One key has the bands of the loops for all its sounds, the other one the phrases.
    bands = tuple(replace(one, phrase=one.band) for one in version.loops)
    phrases = tuple(replace(one, band=one.phrase) for one in version.loops)
    first, other = replace(version, loops=bands), replace(version, key="C", loops=phrases)
    apart = (("C", "Apart practice_C.js"),)
    data = PageData("Apart", (PagePiece("x", (first, other)),), apart=apart)
    path, beside = tmp_path / "apart.html", tmp_path / apart[0][1]
    path.write_text(render_page(data), encoding="utf-8")
    assert len(path.read_text()) < len(render_page(replace(data, apart=())))
    page = fresh(chromium, path)
    page.keys("k")
    page.until("return !document.querySelector('#problem').hidden")
    assert page.run("return document.querySelector('#problem').textContent") == (
        "The sounds of this key stand in Apart practice_C.js, which is missing. "
        "Copy it into the folder of this page."
    )
    page.log("browser")
    beside.write_text(sound_file(data, "C"), encoding="utf-8")
    page = fresh(chromium, path)
    page.keys("k")
    start(page)
    assert now(page)["key"] == "C"
    page.keys("k")
    assert now(page)["key"] == "A"
    page.keys("space")
    assert page.log("browser") == []
    asked = {name.rpartition("/")[2] for name in page.requests() if name.startswith("file:")}
    assert asked == {"apart.html", "Apart%20practice_C.js"}


@pytest.mark.skipif(not LONG, reason="six minutes of sound are encoded and decoded")
def test_decoded_sounds_stay_under_64_megabytes(chromium: Browser, tmp_path: Path) -> None:
    version = small().pieces[0].versions[0]
    count = round(16 * 60 / 48 * RATE)  # the loop of the small page at 48
    times = np.arange(count + 2 * AROUND) / RATE

    def encoded(hertz: int) -> EncodedSound:
        wave = 0.2 * np.sin(2 * np.pi * hertz * times)
        file = io.BytesIO()
        soundfile.write(file, np.stack([wave, wave], 1), RATE, format="OGG", subtype="OPUS")
        return EncodedSound(file.getvalue(), AROUND, count, RATE)

    keys = "A Bb B C Db D Eb E F Gb G Ab".split()
    versions = tuple(
        replace(
            version, key=key, heard=version.heard[:1], written=version.written[:1],
            loops=(PageLoop(48, version.loops[0].swing, encoded(200 + n), encoded(300 + n)),),  # type: ignore[arg-type]
        )
        for n, key in enumerate(keys)
    )  # fmt: skip
    path = tmp_path / "long.html"
    path.write_text(render_page(PageData("Long", (PagePiece("x", versions),))), encoding="utf-8")
    page = fresh(chromium, path)
    page.keys("2")
    start(page)
    for _ in keys:
        page.keys("k")
        page.run("await practice.ready(practice.now().loop)")
        assert 10e6 < page.run("return await practice.held()") < 64e6
    assert now(page)["playing"]
    page.keys("space")


def test_every_second_tap_is_enough(page: Browser) -> None:
    page.size(390, 844, touch=True)
    for name in ("clicks", "alone", "count-in", "step-up", "mic"):
        page.run("document.querySelector('#more').click()")
        seen = page.run(
            "const e = document.querySelector(`#${arguments[0]}`);"
            "e.scrollIntoView({ block: 'nearest' });"
            "const b = e.getBoundingClientRect();"
            "const at = document.elementFromPoint((b.left + b.right) / 2, (b.top + b.bottom) / 2);"
            "return Boolean(e === at || e.contains(at) || e.parentElement.contains(at))", name,
        )  # fmt: skip
        assert seen, name
        page.run("document.querySelector('#more').click()")


@pytest.mark.parametrize(("name", "key"), [("clicks", "t"), ("alone", "o")])
def test_click_and_guitar_alone(page: Browser, name: str, key: str) -> None:
    start(page)
    gain = "const s = practice.sound; return [s.wood.gain.value, s.band.gain.value]"
    assert page.run(gain) == [0, 1]
    page.keys(key)
    wanted = "s.wood.gain.value > 0.99" if name == "clicks" else "s.band.gain.value < 0.01"
    page.until(f"const s = practice.sound; return {wanted}")
    place, seconds, times = page.run("""
        const [segment] = practice.sound.segments;
        return [segment.time, segment.beat, segment.cues.map(([time]) => time)];
    """)
    # Wood is there on every beat, heard or not.
    beats = sorted((time - place) / seconds for time in times)
    assert len(beats) > 4
    assert all(abs(beat - round(beat)) < 1e-6 for beat in beats)
    assert {round(b) - round(a) for a, b in pairwise(beats)} == {1}
    page.keys(key, "space")
