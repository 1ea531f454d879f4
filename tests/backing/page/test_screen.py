"""How the page looks in Chromium, for everybody; what a hostile lesson and the net get from it."""

from __future__ import annotations

import json
import shutil
import subprocess
import tarfile
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from backing.page.data import PageData, PagePiece, PageTip
from backing.page.page import render_page
from backing.page.session import usual_session
from phrases.files import load_phrase
from tests.backing.material import line
from tests.backing.page.browser import Browser
from tests.backing.page.material import clicked, several, small
from tests.backing.page.opened import fresh, settled, start
from tests.backing.page.test_page import NASTY

AXE = "axe-core@4.14.1"


def test_the_next_chord_is_counted_down_to(chromium: Browser, tmp_path: Path) -> None:
    data = small()
    old = data.pieces[0].versions[0]
    chords = (old.chords[0], replace(old.chords[1], name="D7"), *old.chords[2:])
    path = tmp_path / "quick.html"
    quick = replace(data, pieces=(PagePiece("x", (replace(old, chords=chords),)),))
    path.write_text(render_page(quick), encoding="utf-8")
    page = fresh(chromium, path)
    shown = "return [...document.querySelectorAll('#chord, #next')].map((e) => e.textContent)"
    assert page.run(shown) == ["A7", "then D7 in 4 beats"]
    page.keys("right")
    assert page.run(shown) == ["D7", "then A7 in 4 beats"]
    page.keys("3", "4")
    page.keys("right")
    assert page.run(shown) == ["A7", ""]


def test_only_keys_that_do_something_are_listed(chromium: Browser, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    shown = """return [...document.querySelectorAll("#keys tr")].filter((e) => !e.hidden)
        .flatMap((e) => [...e.querySelectorAll("kbd")].map((k) => k.textContent)).join("")"""
    alone = PageData("x", (PagePiece("x", (clicked(line("| 1 e5 | 1 e8"), (200,)),)),))
    for data, keys in (
        (alone, "space\u2212+←→190AMGBNSTOL"), (small(), "space↑↓\u2212+←→190AMCRGBNSTOL"),
        (several(), "space↑↓\u2212+←→190AMCRGBNSTOLVKF"),
    ):  # fmt: skip
        page.write_text(render_page(data), encoding="utf-8")
        assert fresh(chromium, page).run(shown) == keys


@pytest.mark.parametrize(("width", "height"), [(390, 844), (1280, 800)])
def test_on_paper_is_the_music_and_no_control(
    chromium: Browser, tmp_path: Path, width: int, height: int
) -> None:
    path = tmp_path / "several.html"
    path.write_text(render_page(several()), encoding="utf-8")
    page = fresh(chromium, path)
    page.size(width, height)
    page.protocol("Emulation.setEmulatedMedia", media="print")
    try:
        controls, shown = page.run("""
            const seen = (selector) => [...document.querySelectorAll(selector)]
              .filter((one) => one.checkVisibility()).length;
            return [seen("button, input, select, summary, .cursor"),
              [seen("h1"), seen(".system"), seen(".tip"), seen(".told")]];
        """)
    finally:
        page.protocol("Emulation.setEmulatedMedia", media="")
    assert controls == 0
    heading, systems, tips, told = shown
    assert (heading, tips, told) == (1, 2, 1)
    assert systems == len(several().pieces[0].versions[0].wide)


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
    settled(page)
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


def left(page: Browser, selector: str) -> float:
    edge: float = page.run(
        "return document.querySelector(arguments[0]).getBoundingClientRect().left", selector
    )
    return edge


@pytest.fixture(scope="module")
def rich_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A slow blues in twelve tempos with tips and whatever Markdown has."""
    slow = clicked(load_phrase("lamp-oil"), range(150, 270, 10))
    text = f"```\n{'e|--5--8b(full)--' * 9}\n```\n\n| a | b |\n|---|---|\n| x | {'y' * 90} |"
    pieces = (PagePiece("Lamp oil", (slow,)), PagePiece("Lamp oil, low flame", (slow,)))
    path = tmp_path_factory.mktemp("rich") / "rich.html"
    path.write_text(render_page(PageData("Lamp oil", pieces, text)), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("width", "height"), [(320, 568), (390, 844), (568, 320), (640, 400), (1280, 800)]
)
def test_twelve_tempos_and_much_text_fit(
    chromium: Browser, rich_page: Path, width: int, height: int
) -> None:
    page = fresh(chromium, rich_page)
    page.size(width, height, touch=width < 1000)
    page.run("document.querySelector('#tempo input[value=\"260\"]').click();")
    whole, row, chosen, music = page.run("""
        const box = (e) => { const b = e.getBoundingClientRect(); return [b.left, b.right]; };
        return [document.documentElement.scrollWidth, box(document.querySelector("#tempo")),
          box(document.querySelector("#tempo :checked").parentElement),
          box(document.querySelector(".music"))];
    """)
    assert whole <= width
    assert row[0] <= chosen[0] < chosen[1] <= row[1] + 1 <= width
    if (height, width) in ((400, 640), (320, 568)):  # the ladder stands beside the music
        assert music[1] <= row[0]
    if width < 400:
        page.click("#more")
        edges = [left(page, name) for name in (
            "#piece", "#guitar .option", "#bars button")]  # fmt: skip
        page.keys("down", *["down"] * 11)
        edges.append(left(page, "#tempo .option"))
        assert max(edges) - min(edges) <= 2


@pytest.mark.parametrize(
    ("width", "height"), [(1280, 800), (1366, 768), (1440, 900), (1920, 1080)]
)
def test_a_desk_shows_all_music_and_does_not_jump(
    chromium: Browser, rich_page: Path, width: int, height: int
) -> None:
    page = fresh(chromium, rich_page)
    page.size(width, height)
    music, dock, space = page.run("""
        const svg = document.querySelector(".system svg");
        const box = (e) => e.getBoundingClientRect();
        return [box(document.querySelector(".music")).bottom,
          box(document.querySelector(".dock")).top, box(svg).width / svg.viewBox.baseVal.width];
    """)
    assert music <= dock
    assert space > 6  # pixels: print has 6.1 to 6.6 in the sizes that are used for parts
    middle = "const b = document.querySelector('#neck').getBoundingClientRect();"
    before = page.run(middle + "return [b.left, (b.left + b.right) / 2]")
    assert abs(before[1] - width / 2) <= 2
    start(page)
    assert left(page, "#neck") == before[0]


@pytest.mark.parametrize("steps", [True, False])
def test_a_small_desk_hides_no_tempo(chromium: Browser, tmp_path: Path, *, steps: bool) -> None:
    slow = clicked(load_phrase("lamp-oil"), range(60, 88 if steps else 95, 7))
    session = usual_session(["call", "response"]) if steps else ()
    path = tmp_path / "few.html"
    data = PageData("Lamp oil", (PagePiece("Lamp oil", (slow,)),), session=session)
    path.write_text(render_page(data), encoding="utf-8")
    page = fresh(chromium, path)
    page.size(1200, 800)
    assert (
        page.run("""
        return [...document.querySelectorAll("#tempo .option")].filter((one) => {
          const { left, right, top, bottom } = one.getBoundingClientRect();
          const at = (x) => one.contains(document.elementFromPoint(x, (top + bottom) / 2));
          return !at(left + 5) || !at(right - 5);
        }).length""")
        == 0
    )


def test_a_tablet_has_a_neck_to_read(chromium: Browser, rich_page: Path) -> None:
    page = fresh(chromium, rich_page)
    page.size(768, 1024, touch=True)
    assert page.run("return document.querySelector('#neck').clientWidth") > 600


@pytest.mark.parametrize(("width", "height", "shown"), [(390, 844, True), (1280, 800, False)])
def test_a_telephone_shows_the_tip_that_is_due(
    chromium: Browser, rich_page: Path, width: int, height: int, shown: bool
) -> None:
    page = fresh(chromium, rich_page)
    page.size(width, height, touch=shown)
    start(page)
    page.until("return document.querySelector('.tip.on .sign')?.textContent === '2'")
    words, high, lowest = page.run("""
        const hint = document.querySelector("#hint");
        const box = hint.getBoundingClientRect();
        return [hint.textContent, box.height, box.bottom];
    """)
    assert words == "2 The fourth, not bent this time. It asks."
    assert (high > 30 and 0 < lowest < height / 2) == shown


def test_the_dock_is_of_warm_colours(chromium: Browser, rich_page: Path, tmp_path: Path) -> None:
    page = fresh(chromium, rich_page)
    page.size(1280, 800)
    page.picture(tmp_path / "desk.png")
    pixels = np.asarray(Image.open(tmp_path / "desk.png").convert("RGB")).astype(int)
    dock = pixels[round(page.run("return document.querySelector('.dock').offsetTop")) :]
    assert len(dock) > 60
    # More red than blue everywhere: a browser's own greys and whites have as much of both.
    assert (dock[..., 0] - dock[..., 2] >= 10).all()


def test_reduced_motion_jumps(page: Browser) -> None:
    page.protocol(
        "Emulation.setEmulatedMedia",
        features=[{"name": "prefers-reduced-motion", "value": "reduce"}],
    )
    try:
        start(page)
        page.run("""window.xs = []; const look = (now) => { xs.push([now, document.querySelector(
            ".cursor:not([hidden])").style.transform]); requestAnimationFrame(look); };
            requestAnimationFrame(look);""")
        page.until("return xs.length > 90")
        xs = page.run("return xs")
        moves = sum(a != b for (_, a), (_, b) in pairwise(xs))
        beats = (xs[-1][0] - xs[0][0]) / 1000 * 160 / 60
        assert 0 < moves <= 2 * (beats + 1)
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


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
def test_an_accessibility_checker_finds_nothing(
    chromium: Browser, tmp_path: Path, pytestconfig: pytest.Config, width: int, scheme: str
) -> None:
    script = axe_script(pytestconfig.cache.mkdir("axe-core"))
    path = tmp_path / "many.html"
    session = usual_session(["call", "response"]) if scheme == "dark" else ()
    path.write_text(render_page(replace(several(), session=session)), encoding="utf-8")
    chromium.protocol("Page.setBypassCSP", enabled=True)
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    chromium.protocol("Emulation.setEmulatedMedia", features=features)
    try:
        page = fresh(chromium, path)
        page.size(width, 844)
        page.run("for (const d of document.querySelectorAll('details')) d.open = true;"
                 "document.querySelector('#ear').hidden = false;")  # fmt: skip
        page.protocol("Runtime.evaluate", expression=script)
        for playing in (False, True):
            if playing:
                page.keys("r")
                start(page)
                page.until("return document.body.classList.contains('mine')")
            found = page.run(
                "const r = await axe.run(document); return JSON.stringify(r.violations.map((v) => "
                "[v.id, v.help, v.nodes.map((n) => n.html.slice(0, 200))]))"
            )
            assert json.loads(found) == []
    finally:
        chromium.protocol("Emulation.setEmulatedMedia", features=[])
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
        tips=(PageTip(NASTY + link, None), PageTip(NASTY, old.notes[4].beat, NASTY)),
    )
    pieces = (PagePiece(NASTY, (version, replace(version, key="C"))), data.pieces[1])
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


def test_twelve_megabytes_show_before_a_second_of_work(chromium: Browser, tmp_path: Path) -> None:
    data = small()
    version = data.pieces[0].versions[0]
    filler = np.random.default_rng(1).bytes(1_480_000)
    loops = tuple(
        replace(one, band=replace(one.band, data=one.band.data + filler + bytes([number])),
                phrase=replace(one.phrase, data=one.phrase.data + filler + bytes([number + 9])))
        for number, one in enumerate(version.loops)
    )  # fmt: skip
    path = tmp_path / "heavy.html"
    heavy = replace(data, pieces=(PagePiece("x", (replace(version, loops=loops),)),))
    path.write_text(render_page(heavy), encoding="utf-8")
    assert 11.5e6 < path.stat().st_size < 12.5e6
    chromium.protocol("Performance.enable", timeDomain="threadTicks")
    page = fresh(chromium, path)
    painted, ready = page.run("""
        const [paint] = performance.getEntriesByName("first-contentful-paint");
        const [load] = performance.getEntriesByType("navigation");
        return [paint?.startTime ?? 0, load.domContentLoadedEventEnd];
    """)
    assert painted > 0
    assert ready > 0
    metrics = page.protocol("Performance.getMetrics")["metrics"]
    page.protocol("Performance.disable")
    # Seconds of the processor, not of the clock: others may be at work on the same machine.
    assert 0 < next(m["value"] for m in metrics if m["name"] == "TaskDuration") < 1
    start(page)
