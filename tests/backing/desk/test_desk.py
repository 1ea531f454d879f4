"""The desk as a teacher uses it, in Chromium: written, mended, heard, saved, published."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.backing.desk.material import PORCH, Served
from tests.backing.desk.test_walk import LISTEN
from tests.backing.page.browser import Browser, missing
from tests.backing.page.test_screen import axe_script

WHY = missing()
pytestmark = pytest.mark.skipif(bool(WHY), reason=WHY or "there is a browser")
TEXT = PORCH.read_text(encoding="utf-8")
IDLE = "!document.getElementById('problems').childElementCount"


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with Browser(tmp_path_factory.mktemp("profile")) as found:
        yield found


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("lessons")
    for name in ("lesson", "screen-door", "rain-barrel"):
        shutil.copy(PORCH.parent / f"lesson/{name}.toml", folder)
    shutil.copy(PORCH, folder / "porch.toml")
    return folder


@pytest.fixture(scope="module")
def desk(
    browser: Browser, folder: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Browser]:
    with Served(folder, tmp_path_factory.mktemp("home")) as served:
        browser.size(1440, 900)
        browser.open(served.address)
        browser.until("return document.querySelector('#sheet svg') !== null")
        browser.log("browser")
        yield browser
        # Nothing was refused by the page's own policy, and no script failed.
        assert [row["message"] for row in browser.log("browser") if row["level"] == "SEVERE"] == []


def visit(desk: Browser, name: str, title: str) -> None:
    # At once: the list may be made anew between finding a button and pressing it.
    desk.run(f"document.querySelector('[data-name=\"{name}\"]').click()")
    desk.until(f"return document.getElementById('title').textContent === {json.dumps(title)}")


def test_a_note_lights_up_in_text_sheet_and_neck_and_is_changed_by_a_press(
    desk: Browser, folder: Path
) -> None:
    visit(desk, "screen-door.toml", "Screen door")
    place = desk.run("""
        const ink = document.querySelector('#sheet [data-spot="4"]').getBoundingClientRect();
        return [ink.x + ink.width / 2, ink.y + ink.height / 2];""")
    desk.run(f"document.elementFromPoint({place[0]}, {place[1]}).closest('[data-spot]')"
             ".dispatchEvent(new MouseEvent('click', { bubbles: true }))")  # fmt: skip
    chosen = desk.run("return getSelection().toString()")
    assert re.fullmatch(r"[EADGBe]\d+\S*", chosen)
    lit = "return [...document.querySelectorAll('.neck .lit')].map((one) => one.dataset.place)"
    desk.until(f"{lit}.length > 0")
    assert desk.run(lit)[0] == re.match(r"[EADGBe]\d+", chosen)[0]  # type: ignore[index]
    desk.click('[data-place="e7"]')
    desk.until("return document.querySelector('.cm-content').textContent.includes(' e7')")
    desk.until(f"return {IDLE} && document.querySelector('.neck .lit')?.dataset.place === 'e7'")
    desk.click("#undo")
    desk.until("return !document.querySelector('.cm-content').textContent.includes(' e7')")
    assert (folder / "screen-door.toml").read_bytes() == (
        PORCH.parent / "lesson/screen-door.toml"
    ).read_bytes()


def test_a_variation_is_heard_and_kept_by_keys_and_taken_back(desk: Browser) -> None:
    visit(desk, "rain-barrel.toml", "Rain barrel")
    whole = """const { EditorView } = await import("/vendor/codemirror.js");
        return EditorView.findFromDOM(document.querySelector(".cm-editor")).state.doc.toString()"""
    before = desk.run(whole)
    desk.run("document.getElementById('vary').focus()")
    desk.keys("enter")
    desk.until("return document.getElementById('varying').open")
    words = desk.run("return document.querySelector('#proposals p').textContent")
    name = desk.run("return document.querySelector('#proposals h3').textContent")
    desk.run(LISTEN)
    desk.keys("tab", "enter")  # from Close to the first Hear
    button = "document.activeElement"
    assert desk.run(f"return {button}.className").startswith("hear")
    desk.until("return window.heard.flat().some((one) => Math.abs(one) > 0.01)")
    assert desk.run(f"return {button}.textContent") == "Stop"
    desk.keys("enter")
    desk.until(f"return {button}.textContent === 'Hear'")
    desk.keys("tab", "enter")
    desk.until("return !document.getElementById('varying').open")
    after = desk.run(whole)
    assert after.startswith(before)
    assert after[len(before) :].startswith(f'\n[[variation]]\nname  = "{name}"')
    assert words in after[len(before) :]
    desk.until(f"return {IDLE} && document.getElementById('title').textContent.endsWith({name!r})")
    desk.keys("z", hold="control")
    assert desk.run(whole) == before
    desk.until("return document.getElementById('title').textContent === 'Rain barrel'")


def test_a_change_outside_is_offered_beside_one_s_own(desk: Browser, folder: Path) -> None:
    visit(desk, "porch.toml", "Porch light")
    desk.click(".cm-content")
    desk.keys("end", hold="control")
    desk.keys(*"# mine")
    (folder / "porch.toml").write_text(TEXT + "# theirs\n", encoding="utf-8")
    desk.until("return document.getElementById('both').open")
    shown = desk.run("return document.getElementById('versions').textContent")
    assert "# mine" in shown
    assert "# theirs" in shown
    desk.click("#keep-mine")
    desk.until("return document.getElementById('state').textContent.startsWith('Saved')")
    assert (folder / "porch.toml").read_text(encoding="utf-8") == TEXT + "# mine"


def test_the_sheet_is_published_once(desk: Browser, folder: Path) -> None:
    visit(desk, "rain-barrel.toml", "Rain barrel")
    desk.click("#publish")
    desk.until("return document.getElementById('making').open")
    row = "document.querySelector('[data-what=\"sheet\"] .result').textContent"
    command = desk.run("return document.querySelector('[data-what=\"sheet\"] code').textContent")
    assert command == "backing sheet rain-barrel.toml -o out/rain-barrel.pdf"
    desk.click('[data-what="sheet"] .start')
    desk.until(f"return {row}.startsWith('Made')")
    assert (folder / "out/rain-barrel.pdf").read_bytes()[:5] == b"%PDF-"
    made = (folder / "out/rain-barrel.pdf").stat().st_mtime_ns
    desk.click('[data-what="sheet"] .start')
    desk.until(f"return {row}.startsWith('As it should be')")
    assert (folder / "out/rain-barrel.pdf").stat().st_mtime_ns == made
    desk.click("#making-close")


@pytest.mark.parametrize(("width", "scheme"), [(1024, "light"), (2560, "dark")])
def test_an_accessibility_checker_finds_nothing(
    desk: Browser, pytestconfig: pytest.Config, width: int, scheme: str
) -> None:
    script = axe_script(pytestconfig.cache.mkdir("axe-core"))
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    desk.protocol("Emulation.setEmulatedMedia", features=features)
    desk.size(width, 900)
    try:
        visit(desk, "screen-door.toml", "Screen door")
        desk.protocol("Runtime.evaluate", expression=script)
        for button, dialog in (("", ""), ("vary", "varying"), ("publish", "making")):
            if dialog:
                desk.click(f"#{button}")
                desk.until(f"return document.getElementById('{dialog}').open")
            found = desk.run(
                "const r = await axe.run(document); return JSON.stringify(r.violations.map((v) => "
                "[v.id, v.help, v.nodes.map((n) => n.html.slice(0, 200))]))"
            )
            assert json.loads(found) == []
            assert desk.run("return document.documentElement.scrollWidth <= innerWidth")
            if dialog:
                desk.click(f"#{dialog}-close")
    finally:
        desk.size(1440, 900)
        desk.protocol("Emulation.setEmulatedMedia", features=[])
