"""The page leads through a session, says whose turn it is, keeps a log, and survives."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from backing.page.page import render_page
from backing.page.session import DOES, Step, usual_session
from tests.backing.page.browser import Browser
from tests.backing.page.material import RATE, small
from tests.backing.page.opened import fresh, listening, now, start
from tests.backing.page.test_sound import RECORDER, clicks, recorded
from tests.waiting import until

STEPS = (
    Step("listen", 1, "Only *listen*."), Step("answer", 1), Step("call", 1), Step("alone", 1),
    Step("key", 1), Step("faster", 1),
)  # fmt: skip


@pytest.fixture(scope="module")
def led_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("led") / "led.html"
    path.write_text(render_page(replace(small(), session=STEPS)), encoding="utf-8")
    return path


@pytest.fixture
def led_page(chromium: Browser, led_path: Path) -> Iterator[Browser]:
    chromium.protocol("Page.setBypassCSP", enabled=True)
    yield fresh(chromium, led_path)
    chromium.protocol("Page.setBypassCSP", enabled=False)


def words(page: Browser, *names: str) -> list[str]:
    found: list[str] = page.run(
        "return arguments[0].map((id) => document.getElementById(id).textContent)", list(names)
    )
    return found


def test_what_a_teacher_would_lead_through() -> None:
    # Hearing comes before playing, each part before both (common practice).
    assert [step.do for step in usual_session(["call", "response"])] == [
        "listen", "answer", "call", "alone", "faster", "key",
    ]  # fmt: skip
    assert [step.do for step in usual_session(["line"])] == [
        "listen", "along", "alone", "faster", "key",
    ]  # fmt: skip


def test_the_session_leads_from_step_to_step(led_page: Browser) -> None:
    page = led_page
    page.run("document.querySelector('#tempo input[value=\"200\"]').click();")
    assert words(page, "step-count", "step-name", "step-text") == [
        "Step 1 of 6", "Listen", "Only *listen*.",
    ]  # fmt: skip
    page.keys("n")  # no count-in
    page.run(RECORDER, "guitar")
    page.keys("space")
    page.until("return Boolean(practice.now().found)")
    page.until("return document.querySelector('#step-passes').textContent.startsWith('Clean')")
    assert not now(page)["playing"]
    begin, span = 0.0, 16 * 60 / 200
    first, wave = recorded(page)
    onsets = np.array([(first + onset) / RATE for onset in clicks(wave)])
    begin = onsets[0] + 60 / 200 / 3  # the pickup, a third of a beat before
    # One pass and no pickup to one that does not come.
    assert onsets[-1] < begin + span - 0.5 * 60 / 200
    page.keys("pagedown")  # as a foot pedal does
    page.until("return practice.now().playing")
    assert words(page, "step-name", "step-text") == list(DOES["answer"])
    assert now(page)["chosen"]["guitar"] == "call"
    for name, guitar in (("call", "response"), ("alone", "mine")):
        page.keys("enter")
        assert words(page, "step-name", "step-text") == list(DOES[name])
        assert now(page)["chosen"]["guitar"] == guitar
    page.keys("enter")  # there is no other key, so the next is a quicker tempo
    page.until("return practice.now().loop.tempo === 240")
    assert words(page, "step-count", "step-name") == ["Step 6 of 6", "The next tempo"]
    assert now(page)["chosen"]["guitar"] == "mine"
    page.until("const f = practice.now().found; return f && !f.before && f.place > 1.5")
    page.keys("pageup")  # again
    page.until("const f = practice.now().found; return f && f.place < 1.2")
    page.click("#on")
    page.until("return !practice.now().playing")
    assert words(page, "step-count") == ["Step 1 of 6"]
    assert page.log("browser") == []


def test_free_play_is_one_press_away(led_page: Browser) -> None:
    page = led_page
    hidden = "return [...arguments].map((q) => !document.querySelector(q).checkVisibility())"
    assert page.run(hidden, "#card", "#on", "#guitar") == [False, False, True]
    page.click("#free")
    assert page.run(hidden, "#card", "#on", "#guitar") == [True, True, False]
    page.keys("up")  # faster again
    assert now(page)["tempo"] == 200
    page.click("#led")
    assert page.run(hidden, "#card", "#on", "#guitar") == [False, False, True]


def test_what_was_clean_is_logged_and_can_be_forgotten(led_page: Browser, led_path: Path) -> None:
    page = led_page
    page.run("document.querySelector('#tempo input[value=\"240\"]').click();")
    page.run(  # as many as are kept: the oldest goes
        "localStorage.setItem('practice log: Answered', JSON.stringify(Array(500).fill("
        "{day: '2020-01-01', piece: 'Answered', key: 'A', tempo: 100, did: 'Old'})))"
    )
    page.keys("n", "space")
    page.until("return document.querySelector('#step-passes').textContent.startsWith('Clean')")
    page.keys("pagedown", "space")
    day = page.run("return new Date().toLocaleDateString('sv')")  # Sweden writes ISO 8601
    assert words(page, "last") == [f"Last time: 240 (listen, {day})"]

    def known() -> bool:  # the browser keeps it in its own time
        page.open("about:blank")
        page.open(led_path)
        return words(page, "last") == [f"Last time: 240 (listen, {day})"]

    until(known)
    old = "2020-01-01  Answered, A, 100: Old"
    assert words(page, "log-list") == [f"{day}  Answered, A, 240: Listen" + 19 * old]
    page.run("document.querySelector('#log').open = true;"
             "document.querySelector('#log-on').click()")  # fmt: skip
    assert words(page, "last", "log-list") == ["", ""]
    assert page.run("return localStorage.getItem('practice log: Answered')") is None


def test_a_link_leads_to_a_place(page: Browser, small_page: Path) -> None:
    page.open("about:blank")
    page.open(small_page.as_uri() + "#tempo=200&part=response")
    listening(page)
    found = now(page)
    assert (found["tempo"], found["chosen"]["first"], found["chosen"]["last"]) == (200, 3, 4)
    page.run("location.hash = 'part=call'")
    page.until("return practice.chosen.last === 2")
    assert now(page)["chosen"]["first"] == 1


def test_bars_are_drawn_over_the_music(page: Browser) -> None:
    def at(number: int) -> tuple[int, int]:
        x, y = page.run(
            """
            for (const [at, row] of practice.now().version.wide.entries()) {
              const bar = row.bars.find(([n]) => n === arguments[0]);
              if (!bar) continue;
              const svg = document.querySelectorAll('.system[data-set="wide"] svg')[at];
              const box = svg.getBoundingClientRect();
              const x = (bar[1] + bar[2]) / 2 / row.width;
              return [box.left + x * box.width, box.top + box.height / 2].map(Math.round);
            }""",
            number,
        )
        return x, y

    def mouse(kind: str, number: int) -> None:
        x, y = at(number)
        page.protocol("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left",
                      clickCount=1)  # fmt: skip

    for first, last in ((2, 3), (4, 2)):
        mouse("mousePressed", first)
        mouse("mouseMoved", last)
        mouse("mouseReleased", last)
        low, high = sorted((first, last))
        assert page.run("return [practice.chosen.first, practice.chosen.last]") == [low, high]


def test_the_parts_are_loops_by_name(page: Browser) -> None:
    page.run("document.querySelector('#bars [aria-label=\"Loop response\"]').click()")
    assert page.run("return [practice.chosen.first, practice.chosen.last]") == [3, 4]
    page.run("document.querySelector('#bars [aria-label=\"Loop call\"]').click()")
    assert page.run("return [practice.chosen.first, practice.chosen.last]") == [1, 2]


def test_wood_is_struck_a_beat_before_my_turn(led_page: Browser) -> None:
    page = led_page
    page.click("#free")
    page.run("document.querySelector('#tempo input[value=\"200\"]').click();")
    page.keys("c")  # the response is mine: its pickup is a whole beat, in bar 2 on 4
    page.run(RECORDER, "out")
    start(page)
    page.until("return practice.now().found.place > 2.6")
    first, wave = recorded(page)
    begin = page.run("return practice.sound.segments[0].time")
    size = 480
    at = np.arange(size) / RATE
    hertz = 1.4 * 2350
    kernel = np.exp(-2j * np.pi * hertz * at) * np.hanning(size)

    def heard(beat: float) -> float:
        frame = round((begin + beat * 60 / 200) * RATE) - first + 60
        return float(np.abs((wave[frame : frame + size] * kernel).sum()))

    # One beat before beat 4 of bar 2, as `trade` does; not a beat later.
    assert heard(6.0) > 5 * max(heard(6.5), heard(3.5), heard(7.5))


def test_whose_turn_it_is_is_told_large_and_not_by_colour_alone(led_page: Browser) -> None:
    page = led_page
    page.click("#free")
    page.run("document.querySelector('#tempo input[value=\"200\"]').click();")
    page.keys("c")
    start(page)
    page.until("return document.querySelector('#turn').textContent === 'Your turn in 2'")
    page.until("return document.body.classList.contains('mine')")
    size, weight, frame, tint = page.run("""
        const turn = getComputedStyle(document.querySelector("#turn"));
        const frame = getComputedStyle(document.documentElement, "::after");
        return [parseFloat(turn.fontSize), turn.fontWeight, frame.borderTopWidth + frame.position,
          getComputedStyle(document.querySelector(".music")).backgroundColor];
    """)
    assert words(page, "turn") == ["Your turn: response"]
    assert size >= 24
    assert weight == "700"
    assert re.fullmatch(r"[5-9]\S*pxfixed|\d\d\S*pxfixed", frame)
    page.keys("space")
    page.until("return !practice.now().playing")
    assert page.run("return getComputedStyle(document.querySelector('.music')).backgroundColor"
                    ) != tint  # fmt: skip


def test_an_interruption_is_told_and_play_goes_on_there(page: Browser) -> None:
    page.run("document.querySelector('#tempo input[value=\"240\"]').click();")
    start(page)
    page.until("return practice.now().found.place > 1.2")
    heard: Any = page.run(
        "const { place } = practice.now().found; await practice.sound.context.suspend();"
        "return place;"
    )
    page.until("return !practice.now().playing")
    (told,) = words(page, "problem")
    said = re.fullmatch(r"The sound was interrupted\. Play goes on from bar (\d+)\.", told)
    assert said
    page.click("#play")
    page.until("const n = practice.now(); return Boolean(n.playing && n.found)")
    place: Any = page.run("return practice.sound.segments[0].place")
    assert place == pytest.approx(int(said[1]) - 1)
    assert 0 <= place - heard // 1 <= 1  # the bar that was heard, or the next on a busy machine
    assert words(page, "problem") == [""]


def test_it_plays_as_soon_as_its_own_sound_has_come(
    page: Browser, small_page: Path, tmp_path: Path
) -> None:
    text = small_page.read_text(encoding="utf-8")
    policy = re.search('<meta http-equiv="Content-Security-Policy"[^>]*>', text)
    assert policy
    text = text.replace(policy[0], "")
    half = text.index('id="sound-2"') + 2000  # the first tempo's are 0 and 1
    outer = tmp_path / "outer.html"
    outer.write_text("<!doctype html><title>x</title><p>outer", encoding="utf-8")
    page.open(outer)
    page.click("p")
    playing = page.run(
        """
        const frame = document.body.appendChild(document.createElement("iframe"));
        const inner = frame.contentDocument;
        inner.open();
        inner.write(arguments[0]);
        inner.getElementById("play").click();
        for (let n = 0; n < 400 && !frame.contentWindow.practice.now().playing; n++) {
          await new Promise((done) => setTimeout(done, 50));
        }
        return [frame.contentWindow.practice.now().playing, inner.readyState];
        """,
        text[:half],
    )
    assert playing == [True, "loading"]


def test_the_screen_stays_on_while_it_plays(page: Browser) -> None:
    page.run("""
        window.locks = [];
        const lock = { release: async () => locks.push("released") };
        Object.defineProperty(navigator, "wakeLock", {
          value: { request: async (kind) => { locks.push(kind); return lock; } },
        });
    """)
    start(page)
    page.keys("space")
    page.until("return locks.length === 2")
    assert page.run("return locks") == ["screen", "released"]
    assert page.log("browser") == []


@pytest.mark.parametrize(("width", "height"), [(390, 844), (320, 568), (844, 390)])
def test_on_a_telephone_all_is_in_reach_while_it_plays(
    led_page: Browser, width: int, height: int
) -> None:
    page = led_page
    page.size(width, height, touch=True)
    page.click("#free")
    page.run("document.querySelector('#tempo input[value=\"160\"]').click();")
    start(page)
    reach = """
        return [...arguments].filter((name) => {
          const element = document.querySelector(name);
          const { left, top, right, bottom } = element.getBoundingClientRect();
          const seen = document.elementFromPoint((left + right) / 2, (top + bottom) / 2);
          return !(element.contains(seen) && top >= 0 && bottom <= innerHeight && left >= 0
            && right <= innerWidth && Math.min(right - left, bottom - top) >= 44);
        });"""  # WCAG 2.2, 2.5.5 AAA: 44 CSS pixels
    assert page.run(reach, "#play", "#again", "#round", "#more", "#tempo .option") == []
    page.click("#round")
    assert page.run("return [practice.chosen.first, practice.chosen.last]") == [1, 2]
    assert words(page, "round") == ["Loop: call"]
    page.click("#more")
    high = "return document.querySelector(arguments[0]).getBoundingClientRect().bottom"
    high += " <= innerHeight + 1"
    for name in ("#count-in", "#balance", "#volume"):
        page.run("document.querySelector(arguments[0]).scrollIntoView({ block: 'nearest' })", name)
        assert page.run(high, name)
    page.click("#play")  # the settings hide nothing of the player
    page.until("return !practice.now().playing")
    assert page.run("return document.documentElement.scrollWidth") <= width
