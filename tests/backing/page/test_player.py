"""The page in Chromium: what is heard against what is shown, keys, screens, texts, outsiders."""

from __future__ import annotations

import base64
import json
import shutil
import statistics
import subprocess
import tarfile
import time
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from backing.page.data import PageData, Piece, Tip
from backing.page.page import render_page
from tests.backing.page.browser import Browser
from tests.backing.page.conftest import fresh
from tests.backing.page.material import CLICK, PICK, RATE, TONE, small
from tests.backing.page.test_page import NASTY

Sound = NDArray[np.float32]

AXE = "axe-core@4.14.1"

# Keeps what goes to the loudspeaker, with the clock's frame at which it began.
RECORDER = """
const source = `registerProcessor("keep", class extends AudioWorkletProcessor {
  process([input]) {
    const one = input[0] ?? new Float32Array(128);
    this.port.postMessage([currentFrame, one.slice()]);
    return true;
  }
});`;
const { sound } = practice;
await sound.open(48000);
await sound.context.audioWorklet.addModule(`data:text/javascript,${encodeURIComponent(source)}`);
const node = new AudioWorkletNode(sound.context, "keep", { numberOfOutputs: 0 });
window.kept = [];
node.port.onmessage = ({ data }) => window.kept.push(data);
(arguments[0] === "out" ? sound.out : sound[arguments[0]]).connect(node);
"""
TAKE = """
const first = kept[0][0];
const whole = new Float32Array(kept.at(-1)[0] + 128 - first);
for (const [at, piece] of kept) whole.set(piece, at - first);
let text = "";
const bytes = new Uint8Array(whole.buffer);
for (let n = 0; n < bytes.length; n += 8192) text += String.fromCharCode(...bytes.subarray(n, n + 8192));
return [first, btoa(text)];
"""


@pytest.fixture
def heard_page(chromium: Browser, small_page: Path) -> Iterator[Browser]:
    """The page with its policy off, so that a recorder may listen."""
    chromium.protocol("Page.setBypassCSP", enabled=True)
    yield fresh(chromium, small_page)
    chromium.protocol("Page.setBypassCSP", enabled=False)


def recorded(browser: Browser) -> tuple[int, Sound]:
    """Return the first frame on the audio clock and what sounded from there."""
    first, text = browser.run(TAKE)
    return int(first), np.frombuffer(base64.b64decode(text), np.float32)


def now(browser: Browser) -> dict[str, Any]:
    found: dict[str, Any] = browser.run(
        "const n = practice.now(); const f = n.found; return {playing: n.playing, tempo: n.loop.tempo,"
        "key: n.version.key, place: f && f.place, pass: f && f.pass, before: f && f.before,"
        "from: f && f.segment.from, to: f && f.segment.to, chosen: practice.chosen};"
    )
    return found


def start(browser: Browser, *, count_in: bool = False) -> None:
    browser.run(f"document.querySelector('#count-in').checked = {str(count_in).lower()};"
                "document.querySelector('#count-in').dispatchEvent(new Event('change'));")  # fmt: skip
    browser.click("#play")
    browser.until("const n = practice.now(); return n.playing && n.found && !n.found.before")


# --- sound ------------------------------------------------------------------------------------


def test_seam_and_cursor(heard_page: Browser) -> None:
    browser = heard_page
    browser.run("document.querySelector('#tempo input[value=\"240\"]').click();")
    browser.keys("a")  # a browser gives sound only after a press of a key or a finger
    browser.run(RECORDER, "out")
    start(browser)
    browser.run("""
        window.looks = [];
        const look = () => {
          const { found, loop } = practice.now();
          const cursor = document.querySelector(".system .cursor:not([hidden])");
          const svg = cursor?.parentElement.querySelector("svg");
          if (found && svg && !found.before) {
            const x = new DOMMatrix(cursor.style.transform).e;
            const systems = [...document.querySelectorAll('.system[data-set="wide"]')];
            looks.push([systems.indexOf(cursor.parentElement), x / svg.getBoundingClientRect().width,
              found.place, practice.sound.context.currentTime - practice.sound.heard(),
              practice.sound.context.outputLatency]);
          }
          requestAnimationFrame(look);
        };
        requestAnimationFrame(look);
    """)
    length = 16 * 60 / 240
    time.sleep(length + 1.4)
    first, wave = recorded(browser)
    looks = browser.run("return looks")
    segment = browser.run(
        "const s = practice.sound.segments[0]; return [s.time, s.place, s.span, "
        "practice.now().loop.notes, practice.now().loop.wide, practice.now().version.wide, "
        "practice.now().version.notes]"
    )
    begin, _, span, notes, ways, shapes, named = segment
    assert span == length

    # Sample-exact: a pass is the one before it, frame by frame.
    count = round(length * RATE)
    at = round(begin * RATE) - first + 2000
    tail = min(count, len(wave) - at - count)
    assert tail > RATE
    # A multiply by a steady gain may round differently by a bit.
    assert np.abs(wave[at : at + tail] - wave[at + count : at + count + tail]).max() < 1e-6

    # Over the seam the tone goes on as if there were none.
    seam = round(begin * RATE) - first + count
    around = wave[seam - 2400 : seam + 2400].astype(np.float64)
    times = np.arange(len(around)) / RATE
    basis = np.stack([np.sin(2 * np.pi * TONE * times), np.cos(2 * np.pi * TONE * times)])
    tone = np.linalg.lstsq(basis.T, around, rcond=None)[0]
    # The clicks of the pickup ring near the seam; look at the step from frame to frame below them.
    steps = np.abs(np.diff(wave[seam - 3 : seam + 3]))
    usual = np.abs(np.diff(wave[at : at + count])).max()
    assert np.hypot(*tone) > 0.05
    assert steps.max() < usual

    # Each click is heard where the page says the note is.
    onsets = [first + onset for onset in clicks(wave)]
    inside = [onset / RATE for onset in onsets if onset / RATE > begin + 0.1]
    expected = sorted(
        {
            round(t % length, 4)
            for (t, _), (*_, how) in zip(notes, named, strict=True)
            if how == PICK
        }
    )
    assert len(inside) > len(expected)
    misses = [
        min(abs((onset - begin) % length - when) for when in [*expected, expected[0] + length])
        for onset in inside
    ]
    assert max(misses) < 0.003

    # The cursor stands where the sound is that leaves the loudspeaker now.
    assert len(looks) > 60
    off = []
    for system, share, place, _, _ in looks:
        way = ways[system]
        x = share * shapes[system]["width"]
        shown = float(np.interp(x, [x for _, x in way], [t for t, _ in way]))
        wrapped = min(abs(shown - place), abs(shown - place + length), abs(shown - place - length))
        if way[0][1] + 0.1 < x < way[-1][1] - 0.1:
            off.append(wrapped)
    assert len(off) > 30
    assert max(off) < 0.020
    assert statistics.median(off) < 0.005
    late = [behind - latency for *_, behind, latency in looks]
    assert abs(statistics.median(late)) < 0.020


def clicks(wave: Sound) -> list[int]:
    """Return the frames at which clicks begin."""
    size = 96
    kernel = np.exp(-2j * np.pi * CLICK * np.arange(size) / RATE)
    loud = np.abs(np.convolve(wave, kernel, mode="valid")) / size
    # Half of a click's height, 70 times what the tone leaves in this band.
    over = loud > 0.25 * loud.max()
    starts = np.flatnonzero(over[1:] & ~over[:-1])
    kept: list[int] = []
    for at in starts:
        if not kept or at - kept[-1] > 0.05 * RATE:
            kept.append(int(at))
    return [at + size // 4 for at in kept]


def test_count_in_comes_before_and_the_pickup_leads(heard_page: Browser) -> None:
    browser = heard_page
    browser.run("document.querySelector('#tempo input[value=\"240\"]').click();")
    browser.keys("a")
    browser.run(RECORDER, "guitar")
    start(browser, count_in=True)
    time.sleep(0.3)
    first, wave = recorded(browser)
    begin = browser.run("return practice.sound.segments[0].time")
    onsets = [(first + onset) / RATE - begin for onset in clicks(wave)]
    # The pickup on 4&, swung 2:1, a third of a beat before beat one; then beat one.
    assert onsets[0] == pytest.approx(-60 / 240 / 3, abs=0.004)
    assert onsets[1] == pytest.approx(0.0, abs=0.004)


def test_the_guitar_keeps_to_its_turns(heard_page: Browser) -> None:
    browser = heard_page
    browser.run("document.querySelector('#tempo input[value=\"240\"]').click();")
    browser.keys("r")
    browser.run(RECORDER, "guitar")
    start(browser)
    browser.until("return practice.now().found.place > 0.3")
    assert browser.run("return document.querySelector('#turn').textContent") == "Your turn: call"
    browser.until("return practice.now().found.place > 2.2")
    assert "Listen" in browser.run("return document.querySelector('#turn').textContent")
    browser.until("return practice.now().found.place > 3.4")
    first, wave = recorded(browser)
    begin, turns = browser.run(
        "return [practice.sound.segments[0].time, practice.now().loop.turns]"
    )
    at = round(begin * RATE) - first
    (_, mid), (_, _) = turns
    call = wave[at + 200 : at + round((mid - 0.025) * RATE)]
    answer = wave[at + round(mid * RATE) : at + round(3.3 * RATE)]
    assert np.abs(call).max() < 1e-4
    assert np.abs(answer).max() > 0.1
    browser.keys("m")
    time.sleep(0.15)
    assert browser.run("return practice.sound.segments.at(-1).nodes[1].turn.gain.value") < 0.01


def test_bars_loop_and_tempo_steps_up(page: Browser) -> None:
    page.run("document.querySelector('#tempo input[value=\"200\"]').click();"
             "document.querySelector('#passes').value = '1';"
             "document.querySelector('#step-up').click();")  # fmt: skip
    page.keys("2")
    start(page)
    assert now(page)["from"] == pytest.approx(4 * 60 / 200)
    page.until("return practice.now().loop.tempo === 240")
    segments = page.run(
        "return practice.sound.segments.map((s) => [s.time, s.span, s.until === Infinity, "
        "s.loop.tempo, s.nodes[0] && s.nodes[0].source.buffer.length])"
    )
    (time0, span0, _, tempo0, size0), (time1, span1, last, tempo1, size1) = segments[-2:]
    assert (tempo0, tempo1, last) == (200, 240, True)
    assert time1 - time0 == pytest.approx(span0)
    assert (size0, size1) == (57600, 48000)  # one bar at 200 and at 240, 48000 frames a second
    assert span1 == pytest.approx(1.0)
    assert page.run("return document.querySelector('#tempo input:checked').value") == "240"
    # At the top it stays.
    page.until("return practice.now().found.pass >= 2", 5)
    assert now(page)["tempo"] == 240


def test_a_change_comes_at_the_bar_line(page: Browser) -> None:
    page.run("document.querySelector('#tempo input[value=\"160\"]').click();")
    start(page)
    page.until("return practice.now().found.place > 0.3")
    page.keys("up")
    page.until("return practice.sound.segments.length === 2")
    one, two = page.run(
        "return practice.sound.segments.map((s) => [s.time, s.place, s.loop.tempo])"
    )
    assert (one[2], two[2]) == (160, 200)
    bars = (two[0] - one[0]) / (4 * 60 / 160)
    assert bars == pytest.approx(round(bars), abs=1e-6)
    assert two[1] == pytest.approx(round(bars) * 4 * 60 / 200)


# --- hands ------------------------------------------------------------------------------------


def test_everything_has_a_key(page: Browser) -> None:
    def chosen(name: str) -> Any:
        return page.run(f"return practice.chosen.{name}")

    page.keys("c")
    assert chosen("guitar") == "call"
    page.keys("m", "a")
    assert chosen("guitar") == "both"
    page.keys("2")
    assert (chosen("first"), chosen("last")) == (2, 2)
    page.keys("4")
    assert (chosen("first"), chosen("last")) == (2, 4)
    pressed = page.run(
        "return [...document.querySelectorAll('#bars [aria-pressed=true]')].map((b) => b.textContent)"
    )
    assert pressed == ["2", "3", "4"]
    page.keys("0")
    assert (chosen("first"), chosen("last")) == (1, 4)
    page.keys("up", "up", "up", "down")
    assert chosen("tempo") == 200
    page.keys("g", "g", "b")
    assert chosen("balance") == 10
    before = chosen("countIn")
    page.keys("n", "s")
    assert (chosen("countIn"), chosen("stepUp")) == (not before, True)
    page.keys("right", "right")
    assert page.run("return document.querySelector('#bar').textContent") == "From bar 3"
    page.keys("space")
    page.until("return practice.now().playing")
    assert page.run("return document.querySelector('#play').textContent") == "Stop"
    page.keys("space")
    page.until("return !practice.now().playing")
    page.run("document.querySelector('#keys').open = true;"
             "document.querySelector('#letters').click()")  # fmt: skip
    page.keys("c")
    assert chosen("guitar") == "both"


def test_the_keyboard_reaches_everything(page: Browser) -> None:
    reached = []
    for _ in range(40):
        page.keys("tab")
        name, outline = page.run(
            "const a = document.activeElement; const s = getComputedStyle(a.type === 'radio' ? "
            "a.nextElementSibling : a); return [a.id || a.name || a.textContent.trim(), "
            "s.outlineStyle === 'solid' && parseFloat(s.outlineWidth) >= 2]"
        )
        if name in reached and name == reached[0]:
            break
        if page.run("return document.activeElement === document.body"):
            break
        assert outline, name
        reached.append(name)
    assert {"guitar", "tempo", "play", "count-in", "step-up", "passes", "balance", "volume",
            "All", "4"} <= set(reached)  # fmt: skip


def test_bars_are_chosen_in_the_music(page: Browser) -> None:
    page.run("""
        const svg = document.querySelector('.system[data-set="wide"] svg');
        const box = svg.getBoundingClientRect();
        const shape = practice.now().version.wide[0];
        const [, left, right] = shape.bars.find(([n]) => n === 1);
        const x = box.left + (left + right) / 2 / shape.width * box.width;
        svg.parentElement.dispatchEvent(new MouseEvent("click", { clientX: x, bubbles: true }));
    """)
    assert page.run("return [practice.chosen.first, practice.chosen.last]") == [1, 1]


def test_settings_are_remembered(page: Browser, small_page: Path) -> None:
    page.keys("r", "3", "up", "g")
    page.open("about:blank")
    page.open(small_page)
    found = now(page)
    assert found["tempo"] == 200
    chosen = found["chosen"]
    assert (chosen["guitar"], chosen["first"], chosen["balance"]) == ("response", 3, 10)
    checked = page.run(
        "return [...document.querySelectorAll('input:checked')].map((i) => i.value)"
    )
    assert {"response", "200"} <= set(checked)


@pytest.mark.parametrize(
    "text", ["not json", "null", "[]", '{"first": 99, "last": -1, "guitar": "constructor"}',
             '{"tempo": "x", "piece": 7, "passes": 1e9, "volume": null}'],
)  # fmt: skip
def test_somebody_else_s_settings_do_no_harm(page: Browser, small_page: Path, text: str) -> None:
    page.run("localStorage.setItem(`practice page: Answered`, arguments[0])", text)
    page.open("about:blank")
    page.open(small_page)
    assert page.run("return [practice.chosen.first, practice.chosen.last]") == [1, 4]
    assert page.run("return practice.chosen.guitar") == "both"
    assert page.log("browser") == []


def test_without_a_memory_it_works(chromium: Browser, small_page: Path) -> None:
    script = chromium.protocol(
        "Page.addScriptToEvaluateOnNewDocument",
        source="Object.defineProperty(window, 'localStorage', { get() { throw new Error('no'); } })",
    )
    try:
        chromium.open("about:blank")
        chromium.log("browser")
        chromium.open(small_page)
        chromium.keys("c")
        assert chromium.run("return practice.chosen.guitar") == "call"
        assert chromium.log("browser") == []
    finally:
        chromium.protocol(
            "Page.removeScriptToEvaluateOnNewDocument", identifier=script["identifier"]
        )


def test_a_sound_that_cannot_be_decoded_is_told(chromium: Browser, tmp_path: Path) -> None:
    data = small()
    version = data.pieces[0].versions[0]
    broken = tuple(replace(one, band=replace(one.band, data=b"nothing")) for one in version.loops)
    bad = replace(data, title="Broken", pieces=(Piece("x", (replace(version, loops=broken),)),))
    path = tmp_path / "broken.html"
    path.write_text(render_page(bad), encoding="utf-8")
    page = fresh(chromium, path)
    page.until("return !document.querySelector('#problem').hidden")
    assert "cannot decode" in page.run("return document.querySelector('#problem').textContent")


# --- eyes -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("width", "height"), [(390, 844), (320, 640), (640, 400), (1280, 800)])
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


def test_the_cursor_stays_in_sight_on_a_telephone(page: Browser) -> None:
    page.size(390, 844, touch=True)
    page.run("document.querySelector('#tempo input[value=\"240\"]').click();")
    start(page)
    page.until("return practice.now().found.place > 3.2")
    time.sleep(0.5)
    top, bottom, over, under = page.run("""
        const c = document.querySelector(".cursor:not([hidden])").getBoundingClientRect();
        return [c.top, c.bottom, document.querySelector(".now").getBoundingClientRect().bottom,
          document.querySelector(".main").getBoundingClientRect().top];
    """)
    assert over - 1 <= top
    assert bottom <= under + 1


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


def several() -> PageData:
    """Return a page with everything on it: pieces, keys, tips, a text."""
    data = small()
    version = data.pieces[0].versions[0]
    tipped = replace(version, tips=(Tip("The whole."), Tip("Bend *it*.", version.notes[4].beat,
                                                           "Call, bar 2, 1")))  # fmt: skip
    piece = Piece("Answered", (tipped, replace(tipped, key="C")))
    return PageData("Many", (piece, replace(piece, name="Other")), "# Text\n\n- one\n\n> two")


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


# --- strangers --------------------------------------------------------------------------------


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
