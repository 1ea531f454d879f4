"""What comes next in the file comes next on the screen, for keyboards and screen readers.

References: WCAG 2.2, 1.3.2 (meaningful sequence), 1.4.10 (reflow: 320 by 256 CSS pixels
are 1280 by 1024 at 400 %), 2.4.3 (focus order), 2.4.11 (focus not obscured).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from backing.page.page import render_page
from backing.page.session import usual_session
from tests.backing.page.browser import Browser
from tests.backing.page.material import several
from tests.backing.page.opened import fresh

# Telephones, upright and on their side, a desk at 100, 200 and 400 %, a tablet, a stage monitor.
SCREENS = [(320, 256), (360, 640), (390, 844), (844, 390), (640, 400), (640, 256), (768, 1024),
           (1280, 800), (2560, 1440)]  # fmt: skip
FIRST = 6  # stops within which Play is

# Whether what comes later is below, to the right in the same row, or heads a column to the right.
AFTER = """
const box = (e) => (e.type === "radio" ? e.parentElement : e).getBoundingClientRect();
const named = (e) => e.id || e.name || e.ariaLabel || e.textContent.trim().slice(0, 20);
const after = (a, b) => b.top >= a.bottom - 2 || b.left >= a.right - 2;
"""
WALK = """
window.stops = [];
let before = null;
addEventListener("keyup", ({ key }) => {
  const at = document.activeElement;
  if (key !== "Tab" || at === document.body) return;
  const here = box(at);
  const x = (here.left + here.right) / 2;
  const seen = [here.top + 3, (here.top + here.bottom) / 2, here.bottom - 3].every((y) => {
    const top = document.elementFromPoint(x, y);
    return top && (at.contains(top) || top.contains(at) || top.parentElement.contains(at))
      && here.top >= -1 && here.bottom <= innerHeight + 1;
  });
  stops.push([named(at), before === null || after(box(before), here), seen]);
  before = at;
  if (at.id === "more" && arguments[0]) at.click(); // its settings come next
});"""
READ = """
const leaves = [...document.querySelectorAll("main *")].filter((e) => e.checkVisibility()
  && !e.closest("[aria-hidden], svg *, option, .option span")
  && getComputedStyle(e).clipPath === "none"
  && (e.matches("svg, input, select, button") || [...e.childNodes].some((n) => n.nodeType === 3
    && n.textContent.trim())) && !e.parentElement.closest("button, summary, p, li, h1, td, th"));
const wrong = [];
for (const [n, one] of leaves.entries()) {
  if (!n) continue;
  one.scrollIntoView({ block: "nearest" });
  const [a, b] = [box(leaves[n - 1]), box(one)];
  const around = leaves[n - 1].contains(one);
  if (!around && !after(a, b)) wrong.push([named(leaves[n - 1]), named(one)]);
}
return [leaves.length, wrong];"""


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("order") / "many.html"
    session = usual_session(["call", "response"])
    path.write_text(render_page(replace(several(), session=session)), encoding="utf-8")
    return path


def walk(page: Browser, *, up: bool) -> list[Any]:
    """Return each stop of the tab key, whether it comes after the one before, if it is seen."""
    page.run(AFTER + WALK, up)
    while True:
        known = len(page.run("return stops"))
        page.keys(*["tab"] * 12)
        stops: list[Any] = page.run("return stops")
        names = [name for name, _, _ in stops]
        if len(stops) == known or len(names) != len(set(names)):
            return stops[: names.index(names[0], 1) if names.count(names[0]) > 1 else None]


@pytest.mark.parametrize("led", [True, False], ids=["led", "free"])
@pytest.mark.parametrize(("width", "height"), SCREENS)
def test_what_is_next_is_next_on_the_screen_and_hidden_by_nothing(
    chromium: Browser, many: Path, width: int, height: int, led: bool
) -> None:
    page = fresh(chromium, many)
    page.size(width, height, touch=width < 1000)
    page.run("document.querySelector('#ear').hidden = false;")
    if not led:
        page.run("document.querySelector('#free').click();")
    stops = walk(page, up=not led)
    names = [name for name, _, _ in stops]
    assert names.index("play") < FIRST
    assert {"again", "measure", "free" if led else "volume"} <= set(names)
    assert [name for name, after, _ in stops if not after] == []
    assert [name for name, _, seen in stops if not seen] == []
    assert page.run("return document.documentElement.scrollWidth") <= width
    page.run(
        "document.activeElement.blur();"
        "if (document.body.matches('.settings-up')) document.querySelector('#more').click();"
    )
    count, wrong = page.run(AFTER + READ)
    assert wrong == []
    assert count > 30
