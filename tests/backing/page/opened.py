"""A page in the browser: opened as for the first time, started, asked where it is."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.backing.page.browser import Browser
from tests.backing.page.firefox import Firefox
from tests.waiting import until


def fresh(browser: Browser, path: Path) -> Browser:
    """Open a page that remembers nothing; what is logged begins here."""
    browser.size(1280, 800)
    # Files share one memory.
    browser.run("try { localStorage.clear(); } catch {}")
    browser.log("browser")
    browser.requests()
    browser.open(path)
    return listening(browser)


def listening(browser: Browser) -> Browser:
    """Wait until a page that was just opened gets keys.

    Chromium drops those that come before it knows of the first picture, which a busy machine draws
    late: so a key that does nothing is pressed until it is heard.
    """
    browser.run("addEventListener('keydown', () => { window.heard = true; }, { once: true });")

    def heard() -> bool:
        browser.keys("shift")
        return bool(browser.run("return Boolean(window.heard)"))

    until(heard, "the page gets no keys")
    browser.until("return performance.getEntriesByName('first-contentful-paint').length > 0")
    return browser


def now(browser: Browser | Firefox) -> dict[str, Any]:
    found: dict[str, Any] = browser.run(
        "const n = practice.now(); const f = n.found; return {playing: n.playing, "
        "tempo: n.loop.tempo,"
        "key: n.version.key, place: f && f.place, pass: f && f.pass, before: f && f.before,"
        "from: f && f.segment.from, to: f && f.segment.to, chosen: practice.chosen};"
    )
    return found


def start(browser: Browser | Firefox, *, count_in: bool = False) -> None:
    script = "const e = document.querySelector('#count-in'); e.checked = arguments[0];"
    browser.run(script + "e.dispatchEvent(new Event('change'));", count_in)
    script = "document.querySelector('#play').addEventListener('click', () => { pressed = true; }"
    browser.run("window.pressed = false;" + script + ", { once: true });")
    # Where the page still moves the pointer may miss the button.
    until(lambda: browser.click("#play") or browser.run("return pressed"), "never pressed")
    browser.until("const n = practice.now(); return n.playing && n.found && !n.found.before")


def settled(browser: Browser) -> float:
    """Wait until the page scrolls no more, a fifth of a second long, and return where it is."""
    script = """
        let y = scrollY, still = 0, frames = 0;
        while (still < 12 && frames++ < 3600) {
          await new Promise((done) => requestAnimationFrame(done));
          still = scrollY === y ? still + 1 : 0;
          y = scrollY;
        }
        return y;"""
    return float(browser.run(script))
