"""Keys, fingers and settings of the page in Chromium."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from backing.page.data import PagePiece
from backing.page.page import render_page
from tests.backing.page.browser import Browser
from tests.backing.page.material import small
from tests.backing.page.opened import fresh, listening, now, settled, start
from tests.waiting import until


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
        "const found = document.querySelectorAll('#bars [aria-pressed=true]');"
        "return [...found].map((b) => b.textContent)"
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
    reached: list[str] = []
    for _ in range(60):
        page.keys("tab")
        name, outline = page.run(
            "const a = document.activeElement; if (a === document.body) return ['', false];"
            "const s = getComputedStyle(a.type === 'radio' ? a.nextElementSibling : a);"
            "return [a.id || a.name || a.textContent.trim(), "
            "s.outlineStyle === 'solid' && parseFloat(s.outlineWidth) >= 2]"
        )
        if reached and name in ("", reached[0]):
            break
        assert outline, name
        reached.append(name)
    assert reached.index("play") < 3
    assert {"guitar", "tempo", "play", "count-in", "step-up", "passes", "balance", "volume",
            "All", "4"} <= set(reached)  # fmt: skip


def test_the_space_bar_plays_on_a_chosen_tempo(page: Browser) -> None:
    focus = "document.querySelector(`#tempo input[value='${arguments[0]}']`).focus()"
    page.run(focus, "240")  # not chosen: the space bar chooses it
    page.keys("space")
    assert now(page)["tempo"] == 240
    assert not now(page)["playing"]
    page.keys("left")
    assert now(page)["tempo"] == 200
    page.keys("space")
    page.until("return practice.now().playing")
    page.keys("space")
    page.until("return !practice.now().playing")


def wheel(page: Browser, pixels: int) -> None:
    page.protocol("Input.dispatchMouseEvent", type="mouseWheel", x=190, y=300, deltaX=0,
                  deltaY=pixels)  # fmt: skip


ROW = "[...document.querySelectorAll('.cursor')].findIndex((c) => !c.hidden)"


def test_a_reader_is_left_alone(page: Browser) -> None:
    page.size(390, 520, touch=True)  # too low for any row to be in sight from the top
    page.keys("up", "up")
    start(page)
    page.until("return scrollY > 300")
    settled(page)

    def at_the_top() -> bool:  # what began to scroll before the page heard of the wheel goes on
        wheel(page, -3000)
        return settled(page) == 0

    until(at_the_top)
    seen = set()

    def all_rows() -> bool:
        row, y = page.run(f"return [{ROW}, scrollY]")
        assert y == 0
        seen.add(row)
        return len(seen) == 4

    until(all_rows)
    assert settled(page) == 0
    page.keys("space", "space")
    page.until("return practice.now().playing && scrollY > 300")
    settled(page)
    # So is who has gone somewhere by keys.
    page.run("document.querySelector('summary').focus({ focusVisible: true })")

    def gone() -> bool:
        page.run("scrollTo({ top: 0, behavior: 'instant' })")
        return settled(page) == 0

    until(gone)
    row = page.run(f"return {ROW}")
    page.until(f"return {ROW} !== {row}")  # where it would scroll
    assert settled(page) == 0


def test_who_comes_back_is_followed_again(page: Browser) -> None:
    page.size(390, 600, touch=True)
    page.keys("up", "up")
    start(page)
    page.until("return scrollY > 300")
    settled(page)
    wheel(page, 20)
    y = settled(page)
    page.until(f"return Math.abs(scrollY - {y}) > 60")


def test_a_page_that_is_still_loading_plays_when_it_is_there(
    page: Browser, small_page: Path, tmp_path: Path
) -> None:
    text = small_page.read_text(encoding="utf-8")
    policy = re.search('<meta http-equiv="Content-Security-Policy"[^>]*>', text)
    assert policy
    text = text.replace(policy[0], "")
    half = text.index('id="sound-0"') + 2000  # in the middle of the first sound
    outer = tmp_path / "outer.html"
    outer.write_text("<!doctype html><title>x</title><p>outer", encoding="utf-8")
    page.open(outer)
    page.click("p")  # a page may play only when somebody has touched it
    told, problem, playing = page.run(
        """
        const [first, rest] = arguments;
        const frame = document.body.appendChild(document.createElement("iframe"));
        const inner = frame.contentDocument;
        inner.open();
        inner.write(first);
        const find = (id) => inner.getElementById(id);
        const wait = (ms) => new Promise((done) => setTimeout(done, ms));
        find("play").click();
        await wait(300);
        const told = find("play-name").textContent;
        inner.write(rest);
        inner.close();
        const playing = () => frame.contentWindow.practice.now().playing;
        for (let n = 0; n < 1200 && !playing(); n++) await wait(50);
        return [told, find("problem").textContent, playing()];
        """,
        text[:half],
        text[half:],
    )
    assert (told, problem, playing) == ("Still loading", "", True)


def test_bars_are_chosen_in_the_music(page: Browser) -> None:
    page.run("""
        const svg = document.querySelector('.system[data-set="wide"] svg');
        const box = svg.getBoundingClientRect();
        const shape = practice.now().version.wide[0];
        const [, left, right] = shape.bars.find(([n]) => n === 1);
        const x = box.left + (left + right) / 2 / shape.width * box.width;
        const at = { clientX: x, clientY: box.top + box.height / 2, bubbles: true };
        for (const kind of ["pointerdown", "pointerup"]) {
          svg.parentElement.dispatchEvent(new PointerEvent(kind, at));
        }
    """)
    assert page.run("return [practice.chosen.first, practice.chosen.last]") == [1, 1]


def test_all_bars_forget_which_was_pressed(page: Browser) -> None:
    def bars() -> Any:
        return page.run("return [practice.chosen.first, practice.chosen.last]")

    page.keys("2", "0", "4")
    assert bars() == [4, 4]
    page.keys("2")  # the second of two presses
    assert bars() == [2, 4]


def test_one_page_sounds_at_a_time(page: Browser, small_page: Path) -> None:
    start(page)
    first = page.other()
    try:
        page.open(small_page)
        start(listening(page))
        second = page.run("return practice.now().playing")
    finally:
        page.back(first, close=True)
    assert second
    page.until("return !practice.now().playing")
    assert page.run("return document.querySelector('#play').textContent") == "Play"


def test_settings_are_remembered(page: Browser, small_page: Path) -> None:
    page.keys("r", "3", "up", "g")
    page.until("return practice.chosen.tempo === 200 && practice.chosen.balance === 10")
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
        source="Object.defineProperty(window, 'localStorage', "
        "{ get() { throw new Error('no'); } })",
    )
    try:
        chromium.open("about:blank")
        chromium.log("browser")
        chromium.open(small_page)
        listening(chromium).keys("c")
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
    bad = replace(
        data, title="Broken", pieces=(PagePiece("x", (replace(version, loops=broken),)),)
    )
    path = tmp_path / "broken.html"
    path.write_text(render_page(bad), encoding="utf-8")
    page = fresh(chromium, path)
    page.until("return !document.querySelector('#problem').hidden")
    assert "cannot decode" in page.run("return document.querySelector('#problem').textContent")
