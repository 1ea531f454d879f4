"""How the page looks in Chromium, for everybody; what a hostile lesson and the net get from it."""

from __future__ import annotations

import json
import shutil
import subprocess
import tarfile
import time
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from backing.page.data import PageData, Piece, Tip
from backing.page.page import render_page
from tests.backing.page.browser import Browser
from tests.backing.page.material import several, small
from tests.backing.page.opened import fresh, start
from tests.backing.page.test_page import NASTY

AXE = "axe-core@4.14.1"


def test_the_next_chord_is_counted_down_to(chromium: Browser, tmp_path: Path) -> None:
    data = small()
    old = data.pieces[0].versions[0]
    chords = (old.chords[0], replace(old.chords[1], name="D7"), *old.chords[2:])
    path = tmp_path / "quick.html"
    quick = replace(data, pieces=(Piece("x", (replace(old, chords=chords),)),))
    path.write_text(render_page(quick), encoding="utf-8")
    page = fresh(chromium, path)
    shown = "return [...document.querySelectorAll('#chord, #next')].map((e) => e.textContent)"
    assert page.run(shown) == ["A7", "then D7 in 4"]
    page.keys("right")
    assert page.run(shown) == ["D7", "then A7 in 4"]
    page.keys("3", "4")
    page.keys("right")
    assert page.run(shown) == ["A7", ""]


@pytest.mark.parametrize(
    ("width", "height"), [(390, 844), (320, 640), (400, 400), (640, 400), (1280, 800)]
)
def test_it_fits_the_screen(page: Browser, width: int, height: int) -> None:
    page.size(width, height, touch=width < 640)
    wide, shown, lowest = page.run("""
        const play = document.querySelector("#play").getBoundingClientRect();
        return [document.documentElement.scrollWidth,
          play.top >= 0 && play.bottom <= innerHeight && play.width * play.height >= 4500,
          Math.min(...[...document.querySelectorAll("button, label.tick, .option, select")]
            .filter((e) => e.offsetParent).map((e) => e.getBoundingClientRect().height))];
    """)
    assert wide <= width
    assert shown
    assert lowest >= 24  # WCAG 2.2, 2.5.8 AA, CSS pixels


# Telephones, each upright and on its side, a laptop, and the same at 200 %.
SCREENS = [(390, 844), (844, 390), (375, 667), (667, 375), (568, 320), (1280, 800), (640, 400)]


@pytest.mark.parametrize(("width", "height"), SCREENS)
def test_what_plays_is_in_sight_together(page: Browser, width: int, height: int) -> None:
    page.size(width, height, touch=width != 1280)
    page.run("document.querySelector('#tempo input[value=\"240\"]').click();")
    page.keys("4")
    start(page)
    page.until("return document.querySelector('#neck .current')")
    time.sleep(0.8)  # until it has scrolled
    hidden = page.run("""
        const row = ".system:has(.cursor:not([hidden]))";
        const seen = (name) => {
          const element = document.querySelector(name);
          const { left, top, right, bottom, width, height } = element.getBoundingClientRect();
          if (left < 0 || top < -1 || right > innerWidth || bottom > innerHeight + 1) return false;
          const at = (y) => document.elementFromPoint((left + right) / 2, y);
          return width * height > 0 && [top + 3, bottom - 3].every((y) => element.contains(at(y))
            || (name === row && document.querySelector(".music").contains(at(y))));
        };
        return [row, "#chord", "#turn", "#bar", "#neck", "#play"].filter((name) => !seen(name));
    """)
    assert hidden == []
    large = page.run("const p = document.querySelector('#play').getBoundingClientRect();"
                     "return [p.width, p.height]")  # fmt: skip
    assert min(large) >= 44  # WCAG 2.2, 2.5.5 AAA, CSS pixels
    assert page.run("return document.documentElement.scrollWidth") <= width


def test_reduced_motion_jumps(page: Browser) -> None:
    page.protocol(
        "Emulation.setEmulatedMedia",
        features=[{"name": "prefers-reduced-motion", "value": "reduce"}],
    )
    try:
        start(page)
        page.run("""window.xs = []; const look = () => { xs.push(document.querySelector(
            ".cursor:not([hidden])").style.transform); requestAnimationFrame(look); };
            requestAnimationFrame(look);""")
        time.sleep(1.5)
        xs = page.run("return xs")
        moves = sum(a != b for a, b in pairwise(xs))
        assert len(xs) > 20
        assert moves <= 8
    finally:
        page.protocol("Emulation.setEmulatedMedia", features=[])


def axe_script(cache: Path) -> str:
    """Return the accessibility checker's script, fetched once from the package registry."""
    file = cache / "axe.min.js"
    if not file.exists():
        npm = shutil.which("npm")
        if npm is None:
            pytest.skip("npm is not installed, so there is no accessibility checker")
        try:
            subprocess.run([npm, "pack", AXE], cwd=cache, check=True, capture_output=True,
                           timeout=30)  # fmt: skip
        except (subprocess.SubprocessError, OSError):
            pytest.skip(f"npm cannot fetch {AXE}")
        with tarfile.open(next(cache.glob("*.tgz"))) as archive:
            member = archive.extractfile("package/axe.min.js")
            assert member is not None
            file.write_bytes(member.read())
    return file.read_text(encoding="utf-8")


@pytest.mark.parametrize("width", [1280, 390])
def test_an_accessibility_checker_finds_nothing(
    chromium: Browser, tmp_path: Path, pytestconfig: pytest.Config, width: int
) -> None:
    script = axe_script(pytestconfig.cache.mkdir("axe-core"))
    path = tmp_path / "many.html"
    path.write_text(render_page(several()), encoding="utf-8")
    chromium.protocol("Page.setBypassCSP", enabled=True)
    try:
        page = fresh(chromium, path)
        page.size(width, 844)
        page.run("for (const d of document.querySelectorAll('details')) d.open = true;")
        page.protocol("Runtime.evaluate", expression=script)
        for playing in (False, True):
            if playing:
                page.keys("r")
                start(page)
                page.until("return document.querySelector('.turn.yours')")
            found = page.run(
                "const r = await axe.run(document); return JSON.stringify(r.violations.map((v) => "
                "[v.id, v.help, v.nodes.map((n) => n.html.slice(0, 200))]))"
            )
            assert json.loads(found) == []
    finally:
        chromium.protocol("Page.setBypassCSP", enabled=False)


def test_hostile_text_shows_as_text(chromium: Browser, tmp_path: Path) -> None:
    data = several()
    old = data.pieces[0].versions[0]
    link = (
        "[x](javascript:alert(1)) [y](http://outside.example/z) ![p](http://outside.example/p.png)"
    )
    version = replace(
        old,
        key=NASTY,
        chords=tuple(replace(chord, name=NASTY) for chord in old.chords),
        notes=tuple(replace(note, name=NASTY, degree=NASTY, how=NASTY) for note in old.notes),
        tips=(Tip(NASTY + link, None), Tip(NASTY, old.notes[4].beat, NASTY)),
    )
    pieces = (Piece(NASTY, (version, replace(version, key="C"))), data.pieces[1])
    path = tmp_path / "nasty.html"
    path.write_text(render_page(PageData(NASTY, pieces, NASTY + "\n\n" + link)), encoding="utf-8")
    page = fresh(chromium, path)
    shown = page.run("return document.querySelector('h1').textContent")
    assert shown == NASTY
    assert page.run("return document.title").split() == NASTY.split()
    assert page.run("return document.querySelector('#piece').value") == NASTY
    assert page.run("return document.querySelector('#chord').textContent") == NASTY
    start(page)
    page.until("return document.querySelector('#note').textContent.includes('<script>')")
    assert "<script>alert(1)</script>" in page.run(
        "return document.querySelector('.tip').textContent"
    )
    assert (
        page.run("return document.querySelectorAll('a, img, iframe, object, [onerror]').length")
        == 0
    )
    # One script runs; the others are data.
    assert page.run("return [...document.scripts].filter((s) => !s.type).length") == 1
    assert page.log("browser") == []
    assert set(page.requests()) <= {path.as_uri(), "data:,"}


def test_nothing_is_asked_from_outside(page: Browser, small_page: Path) -> None:
    start(page)
    page.keys("up", "m", "2", "space")
    assert set(page.requests()) <= {small_page.as_uri(), "data:,"}
    assert page.log("browser") == []
    blocked = page.run("""
        const told = new Promise((done) => document.addEventListener(
          "securitypolicyviolation", (event) => done(event.effectiveDirective), { once: true }));
        fetch("http://127.0.0.1:9/").catch(() => {});
        return told;
    """)
    assert blocked == "connect-src"
    page.log("browser")


def test_twelve_megabytes_show_within_a_second(chromium: Browser, tmp_path: Path) -> None:
    data = small()
    version = data.pieces[0].versions[0]
    filler = np.random.default_rng(1).bytes(1_480_000)
    loops = tuple(
        replace(one, band=replace(one.band, data=one.band.data + filler + bytes([number])),
                phrase=replace(one.phrase, data=one.phrase.data + filler + bytes([number + 9])))
        for number, one in enumerate(version.loops)
    )  # fmt: skip
    path = tmp_path / "heavy.html"
    heavy = replace(data, pieces=(Piece("x", (replace(version, loops=loops),)),))
    path.write_text(render_page(heavy), encoding="utf-8")
    assert 11.5e6 < path.stat().st_size < 12.5e6
    page = fresh(chromium, path)
    painted, ready = page.run("""
        const [paint] = performance.getEntriesByName("first-contentful-paint");
        const [load] = performance.getEntriesByType("navigation");
        return [paint?.startTime ?? 0, load.domContentLoadedEventEnd];
    """)
    assert 0 < painted < 1000
    assert 0 < ready < 1000
    start(page)
