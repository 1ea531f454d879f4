"""What is heard from the page in Chromium, against what it shows and its clock."""

from __future__ import annotations

import base64
import math
import statistics
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from backing.page.data import PageData, PagePiece
from backing.page.page import render_page
from tests.backing.material import answered
from tests.backing.page.browser import Browser
from tests.backing.page.firefox import Firefox
from tests.backing.page.material import CLICK, PICK, RATE, TONE, clicked, several
from tests.backing.page.opened import fresh, now, start

Sound = NDArray[np.float32]

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
// Pieces come in order and without gaps but for the first; under load a frame's number may be old.
kept.shift();
const first = kept.at(-1)[0] - 128 * (kept.length - 1);
const whole = new Float32Array(128 * kept.length);
kept.forEach(([, piece], n) => whole.set(piece, 128 * n));
let text = "";
const bytes = new Uint8Array(whole.buffer);
for (let n = 0; n < bytes.length; n += 8192) {
  text += String.fromCharCode(...bytes.subarray(n, n + 8192));
}
return [first, btoa(text)];
"""


@pytest.fixture
def heard_page(chromium: Browser, small_page: Path) -> Iterator[Browser]:
    """The page with its policy off, so that a recorder may listen."""
    chromium.protocol("Page.setBypassCSP", enabled=True)
    yield fresh(chromium, small_page)
    chromium.protocol("Page.setBypassCSP", enabled=False)


def keep(browser: Browser | Firefox, seconds: float, since: str = "kept[0][0] / 48000") -> None:
    """Wait until what was recorded goes on so long, from when the record begins or as it says."""
    browser.until(f"return kept.length > 1 && kept.at(-1)[0] / {RATE} > {since} + {seconds}")


def recorded(browser: Browser | Firefox) -> tuple[int, Sound]:
    """Return the first frame on the audio clock and what sounded from there."""
    first, text = browser.run(TAKE)
    return int(first), np.frombuffer(base64.b64decode(text), np.float32)


def test_seam_and_cursor(heard_page: Browser) -> None:
    check_seam_and_cursor(heard_page)


# 8 % slower than one that was rendered, and 11.5 % faster.
@pytest.mark.parametrize(("tempo", "near"), [(222, 240), (267, 240)])
def test_a_tempo_in_between_keeps_pitch_and_places(
    heard_page: Browser, tempo: int, near: int
) -> None:
    page = heard_page
    whole = check_seam_and_cursor(page, tempo)
    heights = np.abs(np.fft.rfft(whole * np.hanning(len(whole)), 8 * len(whole)))
    hertz = heights.argmax() * RATE / (8 * len(whole))
    assert abs(1200 * math.log2(hertz / TONE)) < 1  # cents
    said = f"{tempo}, stretched from {near}"
    assert page.run("return document.querySelector('#pace-name').textContent") == said
    assert f"stretched from {near}" in page.run(
        "return document.querySelector('#facts').textContent"
    )
    # What was rendered is as it was.
    page.run("document.querySelector('#tempo input[value=\"240\"]').click();")
    assert page.run("return practice.now().loop.ratio") == 1


def test_no_tempo_is_stretched_further_than_is_good(page: Browser) -> None:
    low, high = page.run(
        "const { min, max } = document.querySelector('#pace'); return [Number(min), Number(max)]"
    )
    assert (low, high) == (141, 268)  # 12 % below 160 and above 240
    # The ends, what was rendered, and both sides of where another one is nearer.
    for tempo in (low, 159, 160, 161, 175, 180, 181, 199, 200, 201, 219, 221, 240, high):
        page.run(PACE, tempo)
        share = page.run("const { loop } = practice.now(); return loop.ratio")
        assert 1 / 1.12 <= share <= 1 / 0.88
    assert now(page)["tempo"] == 268
    page.keys("-", "-", "+")
    assert now(page)["tempo"] == 267


PACE = """
    const pace = document.querySelector("#pace");
    pace.value = arguments[0];
    pace.dispatchEvent(new Event("change", { bubbles: true }));
"""


def check_seam_and_cursor(browser: Browser | Firefox, tempo: int = 240) -> Sound:
    """Play, record and look: the seam, the clicks and the cursor; return a pass as it sounds."""
    browser.run("const slide = document.querySelector('#volume'); slide.value = 60;"
                "slide.dispatchEvent(new Event('input'));")  # fmt: skip
    browser.run(PACE, tempo)
    browser.keys("a")  # a browser gives sound only after a press of a key or a finger
    browser.run(RECORDER, "out")
    start(browser)
    browser.run("""
        // Each drawing of the cursor, between two looks at the clock: being held up is not late.
        window.looks = [];
        const ask = requestAnimationFrame;
        const stood = () => {
          const cursor = document.querySelector(".system .cursor:not([hidden])");
          return [cursor, cursor && new DOMMatrix(cursor.style.transform).e];
        };
        const systems = [...document.querySelectorAll('.system[data-set="wide"]')];
        window.requestAnimationFrame = (draw) => ask((time) => {
          const [, was] = stood();
          const before = practice.now().found;
          draw(time);
          const after = practice.now().found;
          const [cursor, x] = stood();
          if (!before || before.before || x === was) return;
          const svg = cursor.parentElement.querySelector("svg");
          looks.push([systems.indexOf(cursor.parentElement), x / svg.getBoundingClientRect().width,
            before.place, after.place, practice.sound.context.currentTime - practice.sound.heard(),
            practice.sound.context.outputLatency]);
        });
    """)
    length = 16 * 60 / tempo
    browser.until("const f = practice.now().found; return f.pass >= 1 && f.place > 1.5")
    first, wave = recorded(browser)
    looks = browser.run("return looks")
    segment = browser.run(
        "const s = practice.sound.segments[0]; return [s.time, s.place, s.span, "
        "practice.now().loop.notes, practice.now().loop.wide, practice.now().version.wide, "
        "practice.now().version.notes]"
    )
    begin, _, span, notes, ways, shapes, named = segment
    assert span == pytest.approx(length, abs=0.5 / RATE)

    # Sample-exact: a pass is the one before it, frame by frame.
    count = round(length * RATE)
    at = round(begin * RATE) - first + 2000
    tail = min(count, len(wave) - at - count)
    assert tail > RATE
    # A multiply by a steady gain may round differently by a bit.
    assert np.abs(wave[at : at + tail] - wave[at + count : at + count + tail]).max() < 1e-6

    # Over the seam the tone goes on as if there were none: 10 ms on either side, which are copied
    # as they are where the loop is stretched.
    seam = round(begin * RATE) - first + count
    around = wave[seam - RATE // 100 : seam + RATE // 100].astype(np.float64)
    times = np.arange(len(around)) / RATE
    basis = np.stack([np.sin(2 * np.pi * TONE * times), np.cos(2 * np.pi * TONE * times)])
    tone = np.linalg.lstsq(basis.T, around, rcond=None)[0]
    # The clicks of the pickup ring near the seam; look at the step from frame to frame below them.
    steps = np.abs(np.diff(wave[seam - 3 : seam + 3]))
    usual = np.abs(np.diff(wave[at : at + count])).max()
    assert np.hypot(*tone) == pytest.approx(0.25 * 0.6**2, rel=0.03)  # the volume is the ear's
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
    for system, share, before, after, *_ in looks:
        way = ways[system]
        x = share * shapes[system]["width"]
        shown = float(np.interp(x, [x for _, x in way], [t for t, _ in way]))
        on = (shown - before) % length
        outside = max(0.0, on - (after - before) % length)
        if way[0][1] + 0.1 < x < way[-1][1] - 0.1:
            off.append(min(outside, length - on))
    assert len(off) > 30
    assert np.percentile(off, 98) < 0.005  # the clock itself may be put right in between
    late = [behind - latency for *_, behind, latency in looks]
    assert abs(statistics.median(late)) < 0.020
    return wave[at : at + count]


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
    browser.run(
        "const {sound} = practice, {stick} = sound; window.sticks = [];"
        "sound.stick = (...told) => { sticks.push(told.slice(0, 2));"
        "return stick.apply(sound, told); }"
    )
    start(browser, count_in=True)
    browser.until("return practice.now().found.place > 0.3")
    sticks = sorted(browser.run("delete practice.sound.stick; return sticks"))
    first, wave = recorded(browser)
    begin = browser.run("return practice.sound.segments[0].time")
    counted = [loud for at, loud in sticks if at < begin - 0.01]
    assert counted == [True, False, False, False]  # one, two, three, four
    onsets = [(first + onset) / RATE - begin for onset in clicks(wave)]
    # The pickup on 4&, swung 2:1, a third of a beat before beat one; then beat one.
    assert onsets[0] == pytest.approx(-60 / 240 / 3, abs=0.004)
    assert onsets[1] == pytest.approx(0.0, abs=0.004)


def test_the_guitar_keeps_to_its_turns(heard_page: Browser) -> None:
    browser = heard_page
    browser.run("document.querySelector('#tempo input[value=\"240\"]').click();")
    browser.keys("r", "2", "3")
    browser.run(RECORDER, "guitar")
    start(browser)
    turn = "return document.querySelector('#turn').textContent"
    browser.until("return practice.now().found.place > 1.1")
    assert browser.run(turn) == "Your turn: call"
    browser.until("return practice.now().found.place > 2.2")
    assert "Listen" in browser.run(turn) or "Your turn in" in browser.run(turn)
    browser.until("return practice.now().found.pass === 1")
    first, wave = recorded(browser)
    begin, turns = browser.run(
        "return [practice.sound.segments[0].time, practice.now().loop.turns]"
    )
    at = round(begin * RATE) - first - RATE  # bar one
    (_, mid), (_, _) = turns
    call = wave[at + RATE + 200 : at + round((mid - 0.025) * RATE)]
    answer = wave[at + round(mid * RATE) : at + round(2.9 * RATE)]
    assert len(call) > RATE / 2
    assert np.abs(call).max() < 1e-4
    assert np.abs(answer).max() > 0.1
    browser.keys("m")
    browser.until("return practice.sound.segments.at(-1).nodes[1].turn.gain.value < 0.01")


@pytest.fixture
def odd_page(chromium: Browser, tmp_path: Path) -> Iterator[Browser]:
    """A page at a tempo whose seconds are long fractions, with a recorder's leave to listen."""
    version = clicked(answered(), (208,))
    path = tmp_path / "odd.html"
    path.write_text(
        render_page(PageData("Odd", (PagePiece("Odd", (version,)),))), encoding="utf-8"
    )
    chromium.protocol("Page.setBypassCSP", enabled=True)
    yield fresh(chromium, path)
    chromium.protocol("Page.setBypassCSP", enabled=False)


@pytest.mark.parametrize(("guitar", "bar", "beats"), [("c", 1, 1 / 3), ("r", 3, 1.0)])
def test_a_part_that_the_guitar_plays_has_its_pickup(
    odd_page: Browser, guitar: str, bar: int, beats: float
) -> None:
    # "A pickup starts before bar one" (common practice) and belongs to what it leads to.
    browser = odd_page
    browser.keys(guitar, *["right"] * (bar - 1))
    browser.run(RECORDER, "guitar")
    start(browser, count_in=True)
    keep(browser, 0.3, "practice.sound.segments[0].time")
    first, wave = recorded(browser)
    begin = browser.run("return practice.sound.segments[0].time")
    onsets = [(first + onset) / RATE - begin for onset in clicks(wave)]
    assert onsets[0] == pytest.approx(-beats * 60 / 208, abs=0.004)


@pytest.mark.parametrize("guitar", ["a", "r"])
def test_a_part_that_goes_round_keeps_its_own_pickup(heard_page: Browser, guitar: str) -> None:
    # The response's pickup is a whole beat, the call's a swung half: a third of a beat.
    browser = heard_page
    browser.run("document.querySelector('#tempo input[value=\"240\"]').click();")
    browser.keys(guitar, "3", "4")
    browser.run(RECORDER, "guitar")
    start(browser, count_in=True)
    browser.until("const f = practice.now().found; return f.pass >= 2 && f.place > 2.6")
    first, wave = recorded(browser)
    begin, span = browser.run("const s = practice.sound.segments[0]; return [s.time, s.span]")
    assert span == pytest.approx(2.0)
    onsets = np.array([(first + onset) / RATE - begin for onset in clicks(wave)])
    own = {0: -0.25, 1: -0.25, 2: -0.25}
    for number, early in own.items():
        lead = onsets[(onsets > number * span - 0.4) & (onsets < number * span - 0.02)]
        assert lead - number * span == pytest.approx([early], abs=0.004), number
    # What is loud before the downbeat is the pickup alone: nothing of the other rings into it.
    at = round((begin + span) * RATE) - first
    assert np.abs(wave[at - round(0.1 * RATE) : at - 200]).max() < 0.01


def test_a_part_that_is_gone_to_has_its_pickup(heard_page: Browser) -> None:
    browser = heard_page
    browser.run("document.querySelector('#tempo input[value=\"160\"]').click();")
    browser.keys("a")
    browser.run(RECORDER, "guitar")
    start(browser)
    browser.keys("3")
    browser.until("const { segments } = practice.sound; return segments.length === 2"
                  " && practice.now().found.segment === segments[1]")  # fmt: skip
    keep(browser, 0.2, "practice.sound.segments[1].time")
    first, wave = recorded(browser)
    begin, time_of = browser.run("return practice.sound.segments.map((s) => s.time)")
    assert time_of - begin == pytest.approx(1.5)  # after bar 1, in which no pickup is written
    onsets = np.array([(first + onset) / RATE - time_of for onset in clicks(wave)])
    lead = onsets[(onsets > -0.6) & (onsets < -0.02)]
    assert lead == pytest.approx([-60 / 160], abs=0.004)


def test_full_is_as_loud_as_what_was_rendered_and_the_start_is_low(heard_page: Browser) -> None:
    browser = heard_page
    browser.keys("m")  # the band alone: a tone of 0.25
    browser.run("document.querySelector('#tempo input[value=\"240\"]').click();")
    browser.run(RECORDER, "out")
    levels = []
    for value in (None, 100):
        browser.run(
            "const slide = document.querySelector('#volume');"
            "if (arguments[0] !== null) slide.value = arguments[0];"
            "slide.dispatchEvent(new Event('input'));", value
        )  # fmt: skip
        start(browser)
        keep(browser, 0.3, "practice.sound.segments[0].time")
        browser.run("window.kept.length = 0")
        keep(browser, 0.5)
        _, wave = recorded(browser)
        levels.append(20 * np.log10(np.sqrt(2 * np.mean(wave.astype(np.float64) ** 2)) / 0.25))
        browser.keys("space")
        browser.until("return !practice.now().playing")
    low, full = levels
    assert full == pytest.approx(0.0, abs=0.1)
    assert -20 < low < -12


def test_both_layers_at_their_limit_stay_under_full_scale(page: Browser) -> None:
    # What a lesson's layers are limited to is -2 dBTP each, so both together may reach +4 dBFS.
    both = 2 * 10 ** (-2 / 20)
    small, peak = page.run(
        """
        const sound = new practice.sound.constructor();
        window.AudioContext = class extends OfflineAudioContext {
          constructor() { super(1, 4800, 48000); }
          resume() { return Promise.resolve(); }
        };
        await sound.open(48000);
        sound.out.gain.cancelScheduledValues(0);
        const source = new ConstantSourceNode(sound.context, { offset: 0.5 });
        source.offset.setValueAtTime(arguments[0], 0.05);
        source.connect(sound.out);
        source.start();
        const wave = (await sound.context.startRendering()).getChannelData(0);
        return [wave[1200], Math.max(...wave)];
        """,
        both,
    )
    assert small == pytest.approx(0.5, abs=1e-4)
    assert 0.8 < peak < 10 ** (-0.9 / 20)


@pytest.mark.parametrize(("layer", "end"), [("band", 100), ("guitar", -100)])
def test_the_balance_takes_one_away_and_leaves_the_other(
    heard_page: Browser, layer: str, end: int
) -> None:
    browser = heard_page
    browser.run("document.querySelector('#tempo input[value=\"240\"]').click();")
    browser.keys("a", "2")  # round and round a bar
    browser.run(RECORDER, layer)
    start(browser)
    peaks = []
    for value in (0, -end, end):
        browser.run(
            "const slide = document.querySelector('#balance'); slide.value = arguments[0];"
            "slide.dispatchEvent(new Event('input'));", value
        )  # fmt: skip
        after = browser.run("return practice.sound.context.currentTime") + 0.3  # it has faded
        browser.until(f"return kept.at(-1)[0] / {RATE} > {after}")
        browser.run("window.kept.length = 0")
        browser.until(f"return 128 * kept.length > {1.2 * RATE}")  # the whole of it
        _, wave = recorded(browser)
        peaks.append(float(np.abs(wave).max()))
    even, other, gone = peaks
    assert even > 0.1
    assert other == pytest.approx(even, rel=0.05)
    assert gone < 1e-3 * even


def test_bars_loop_and_tempo_steps_up(page: Browser) -> None:
    page.run("document.querySelector('#tempo input[value=\"200\"]').click();"
             "const p = document.querySelector('#passes'); p.value = '1';"
             "p.dispatchEvent(new Event('change'));"
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
    page.until("return practice.now().found.pass >= 1")
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


def test_a_slow_decoder_is_waited_for(page: Browser) -> None:
    page.run("document.querySelector('#tempo input[value=\"160\"]').click();")
    start(page)
    page.run("""
        const { prototype } = OfflineAudioContext;
        const decode = prototype.decodeAudioData;
        prototype.decodeAudioData = async function (bytes) {
          await new Promise((done) => setTimeout(done, 400));
          return decode.call(this, bytes);
        };
    """)
    page.keys("up", "up")  # the one after the next is not decoded yet
    assert page.run("return practice.now().loop.tempo") == 240
    page.until("return practice.sound.segments.at(-1).loop.tempo === 240")
    assert page.log("browser") == []


def test_another_piece_key_and_groove_come_while_it_plays(
    chromium: Browser, tmp_path: Path
) -> None:
    path = tmp_path / "several.html"
    path.write_text(render_page(several()), encoding="utf-8")
    page = fresh(chromium, path)
    page.keys("up", "up")
    start(page)
    page.keys("v", "k", "f")
    shown = "return ['piece', 'key', 'groove'].map((id) => document.getElementById(id).value)"
    assert page.run(shown) == ["Other", "C", "jump"]
    page.keys("k")
    assert page.run(shown) == ["Other", "A", "jump"]
    page.keys("f")
    assert page.run(shown) == ["Other", "A", "shuffle"]
    heard = "const { version } = practice.now(); return [version.key, version.groove]"
    assert page.run(heard) == ["A", "shuffle"]
    assert now(page)["tempo"] == 240
    page.until("const n = practice.now(); return n.found.segment.loop === n.loop")
    page.until("return document.querySelector('#bar').textContent === 'Bar 3'")
    assert page.log("browser") == []
