"""The desk as a teacher uses it, in Chromium: written, mended, heard, saved, published."""

from __future__ import annotations

import json
import random
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

import backing
from backing.desk.look import parsed
from phrases.errors import BluesError
from phrases.rewrite import tidy
from tests.backing.desk.material import PORCH, Served
from tests.backing.desk.test_walk import LISTEN
from tests.backing.listening.material import lead, sound
from tests.backing.page.browser import Browser, missing
from tests.backing.page.test_screen import axe_script
from tests.hard.material import number_of
from tests.waiting import until

WHY = missing()
pytestmark = pytest.mark.skipif(bool(WHY), reason=WHY or "there is a browser")
TEXT = PORCH.read_text(encoding="utf-8")
RATE = 48000
DOWN = (69, 67, 64, 62, 60, 57)  # MIDI pitches
AXE = """const r = await axe.run(document); return JSON.stringify(r.violations.map((v) =>
    [v.id, v.help, v.nodes.map((n) => n.html.slice(0, 200))]))"""
IDLE = "!document.getElementById('problems').childElementCount"


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """Chromium with a microphone that hears six notes down the scale, again and again."""
    folder = tmp_path_factory.mktemp("profile")
    at = np.arange(24000) / RATE
    notes = [
        sum(np.sin(2 * np.pi * 440 * 2 ** ((pitch - 69) / 12) * n * at) / n for n in range(1, 8))
        * np.exp(-4 * at) * np.minimum(1, at / 0.003) * 0.15
        for pitch in DOWN
    ]  # fmt: skip
    soundfile.write(folder / "down.wav", np.concatenate(notes), RATE)
    with Browser(
        folder, "--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream",
        f"--use-file-for-fake-audio-capture={folder / 'down.wav'}",
    ) as found:  # fmt: skip
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
        rows = [row for row in browser.log("browser") if row["level"] == "SEVERE"]
        # What a test makes the desk refuse is logged by the browser, too.
        assert [row["message"] for row in rows if " 422 " not in row["message"]] == []


def visit(desk: Browser, name: str, title: str) -> None:
    # At once: the list may be made anew between finding a button and pressing it.
    desk.run("document.getElementById('title').textContent = '';"
             f"document.querySelector('[data-name=\"{name}\"]').click()")  # fmt: skip
    for shown, words in (("name", name), ("title", title)):
        desk.until(
            f"return document.getElementById('{shown}').textContent === {json.dumps(words)}"
        )


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


def test_what_is_over_before_its_number_is_known_is_told_all_the_same(desk: Browser) -> None:
    """The event of a quick command may overtake the answer to the press that began it."""
    said = desk.run("""const { progress, row } = await import("/jobs.js");
        const offer = { title: "A", what: "a", files: 1, bytes: 1, seconds: 1, command: "a" };
        const one = row(offer, async () => {
          progress({ job: 999, done: true, stopped: true }); return { job: 999 }; });
        one.querySelector(".start").click();
        await new Promise((done) => setTimeout(done));
        return one.querySelector(".result").textContent;""")
    assert said.startswith("Stopped")


VIEW = """const { EditorView } = await import("/vendor/codemirror.js");
    const view = EditorView.findFromDOM(document.querySelector(".cm-editor"));"""


def doc(desk: Browser) -> str:
    text: str = desk.run(VIEW + "return view.state.doc.toString()")
    return text


def put(desk: Browser, text: str, at: int) -> None:
    """Put a text into the editor, with the cursor at a place of it."""
    desk.run(VIEW + """view.dispatch({ changes: { from: 0, to: view.state.doc.length,
        insert: arguments[0] }, selection: { anchor: arguments[1] } }); view.focus();""",
             text, at)  # fmt: skip


def test_a_press_after_a_note_writes_the_place_with_the_next_count(desk: Browser) -> None:
    visit(desk, "porch.toml", "Porch light")
    text = doc(desk)
    for after, step, more in (
        ("& G7 4 .", "0.5", " & e3"), ("1 G7b9~", "1", " 2 e3"), ("3& e5", "0.33", " 4 e3"),
        ("B8b(1/4)~ 3 .", "1", " 4 e3"), ("4 e8p5 & B8", "0.5", " | 1 e3"),
        ("3 B5 & G7 4", "1", " e3"),
    ):  # fmt: skip
        at = text.index(after) + len(after)
        put(desk, text, at)
        desk.run("document.getElementById('step').value = arguments[0]", step)
        desk.click('[data-place="e3"]')
        assert doc(desk) == text[:at] + more + text[at:], after
    put(desk, text, 0)


def test_what_may_be_written_is_offered_and_taken_by_keys(desk: Browser) -> None:
    visit(desk, "porch.toml", "Porch light")
    text = doc(desk)
    labels = "[...document.querySelectorAll('.cm-tooltip-autocomplete .cm-completionLabel')]"
    for before, label in (
        ("notes = '| 1 e5 ", "trip"), ("notes = '| 1 ", "B"), ("notes = '| 1 e5", "~"),
        ("notes = '| 1 e5{", "accent"), ('groove = "', "slow-blues"), ('key = "', "F#"),
        ('role = "', "response"),
    ):  # fmt: skip
        before = f"{text}\n{before}"
        put(desk, before, len(before))
        desk.keys("space", hold="control")
        desk.until(f"return {labels}.length > 1")
        # It takes no key in its first moments, so that typing goes on.
        desk.until("return performance.now() > (window.since ??= performance.now()) + 100")
        # As many presses as it takes to come to it, then Enter.
        offered = desk.run(f"return {labels}.map((one) => one.textContent)")
        assert label in offered, (before, offered)
        desk.keys(*["down"] * offered.index(label))
        chosen = "document.querySelector('[aria-selected=true] .cm-completionLabel')?.textContent"
        desk.until(f"return {chosen} === {json.dumps(label)}")
        desk.keys("enter")
        desk.until(f"return {labels}.length === 0")
        desk.run("delete window.since")
        assert doc(desk).startswith(before + label)
    put(desk, text, 0)


PASTE = """const data = new DataTransfer(); data.setData("text/plain", arguments[0]);
    document.querySelector(".cm-content").dispatchEvent(
        new ClipboardEvent("paste", { clipboardData: data, bubbles: true, cancelable: true }));"""


def tidied(text: str) -> str:
    try:
        return tidy(text, "edited.toml")
    except BluesError:
        return text


def test_random_edits_lose_no_letter(desk: Browser, folder: Path) -> None:
    """What is typed, pasted, cut and taken back is in the editor, also after a reload."""
    shutil.copy(PORCH, folder / "edited.toml")
    desk.until("return document.querySelector('[data-name=\"edited.toml\"]') !== null")
    visit(desk, "edited.toml", "Porch light")
    desk.run("document.getElementById('band').checked = false")
    chance = random.Random(24)
    pieces = ["G7", " & ", "| ", "1 ", "b9", "~", "\u00e9\U0001d11e", "\n", "{pm}", '"', "'"]
    ways = ["type", "paste", "cut", "undo", "neck", "mend", "save", "again", "vary", "play"]
    text = doc(desk)
    for number in range(number_of(40, 500)):
        way = chance.choice(ways)
        if way in ("type", "paste", "cut"):
            at = chance.randrange(len(text) + 1)
            to = min(len(text), at + (chance.randrange(12) if way == "cut" else 0))
            units = [len(text[:n].encode("utf-16-le")) // 2 for n in (at, to)]
            desk.run(VIEW + """view.dispatch({ selection: { anchor: arguments[0],
                head: arguments[1] } }); view.focus();""", *units)  # fmt: skip
            piece = "".join(chance.choices(pieces, k=4)) if way == "paste" else ""
            if way == "type":
                piece = "".join(chance.choices("abcdefgh 12345", k=6))
                desk.keys(*piece)
            elif way == "cut" and to > at:
                desk.keys("delete")
            elif way == "paste":
                desk.run(PASTE, piece)
            desk.keys("escape")
            assert doc(desk) == text[:at] + piece + text[to:], (number, way, at, piece)
        elif way == "undo":
            desk.run(f"document.getElementById('{chance.choice(['undo', 'redo'])}').click()")
        elif way == "neck":
            desk.run(f"document.querySelector('[data-place=\"B{chance.randrange(12)}\"]').click()")
        elif way == "mend":
            desk.run("document.querySelector('#problems .fix')?.click()")
        elif way == "save":
            desk.keys("s", hold="control")
        elif way == "play":
            desk.keys("f2")
        elif way == "vary":
            desk.run("document.getElementById('variation').dispatchEvent(new Event('change'))")
        else:
            before = doc(desk)
            desk.run("location.reload()")
            desk.until("return document.getElementById('name')?.textContent === 'edited.toml'")
            # Tidied on its way into the file, perhaps; else it is what was there.
            assert doc(desk) in (before, tidied(before)), number
        text = doc(desk)
        assert desk.run("return document.getElementById('ended').hidden")
        assert not desk.run("return document.getElementById('both').open"), number
    put(desk, TEXT, 0)
    desk.until(f"return {IDLE} && document.getElementById('title').textContent === 'Porch light'")
    desk.keys("s", hold="control")
    desk.until("return document.getElementById('save').disabled")
    assert (folder / "edited.toml").read_text(encoding="utf-8") == TEXT


def test_it_is_tidied_when_it_is_saved(desk: Browser, folder: Path) -> None:
    visit(desk, "rain-barrel.toml", "Rain barrel")
    path = folder / "rain-barrel.toml"
    before = path.read_text(encoding="utf-8")
    put(desk, before.replace("notes = '", "notes = '   "), 0)
    desk.keys("s", hold="control")
    desk.until("return document.getElementById('state').textContent.startsWith('Saved')")
    assert path.read_text(encoding="utf-8") == before


def test_a_refusal_is_said_in_the_dialog_that_hides_the_rest(desk: Browser, folder: Path) -> None:
    visit(desk, "rain-barrel.toml", "Rain barrel")
    desk.click("#publish")
    desk.until("return document.getElementById('making').open")
    path = folder / "rain-barrel.toml"
    path.rename(folder / "gone")
    try:
        desk.click('[data-what="sheet"] .start')
        desk.until("return document.querySelector('#making .said').textContent !== ''")
    finally:
        (folder / "gone").rename(path)
    desk.click("#making-close")


def test_a_microphone_is_played_in_and_taken_back(desk: Browser, folder: Path) -> None:
    visit(desk, "porch.toml", "Porch light")
    before = doc(desk)
    assert "Use headphones" in desk.run("return document.getElementById('taking').textContent")
    desk.run("const t = document.getElementById('tempo'); t.value = 200;"
             "t.dispatchEvent(new Event('change'))")  # fmt: skip
    desk.click("#catch")
    desk.keys("f2")
    desk.until("return document.getElementById('take-level').value > 0.3")
    start = desk.run("return performance.now()")
    desk.until(f"return performance.now() > {start} + 4000")
    desk.keys("f2")
    desk.until("return document.getElementById('taking').hidden")
    assert "takes/porch.toml" in desk.run("return document.getElementById('state').textContent")
    caught = parsed(folder / "porch.toml", doc(desk))
    assert caught.title == "Porch light"
    pitches = [
        note.pitch(note.fret or 0)
        for part in caught.parts
        for s in part.strokes
        for note in s.notes
    ]
    # Of what is caught nine notes of ten are right: the fake microphone begins anywhere in a note.
    assert sum(pitch in DOWN for pitch in pitches) >= 0.9 * len(pitches)
    assert len(set(pitches) & set(DOWN)) >= 4
    sound, rate = soundfile.read(folder / "takes/porch.wav")
    assert np.abs(sound).max() > 0.05
    assert len(sound) > 3 * rate
    desk.click("#undo")
    assert doc(desk) == before


def test_a_sound_file_is_heard_and_shown_beside_the_sheet(
    desk: Browser, folder: Path, tmp_path: Path
) -> None:
    visit(desk, "rain-barrel.toml", "Rain barrel")
    stream = backing.loop(str(folder / "rain-barrel.toml"), shape="hold", passes=1)
    soundfile.write(tmp_path / "mine.flac", sound(lead(stream), stream), 44100)
    desk.click("#hear")
    desk.type("#take-file", str(tmp_path / "mine.flac"))
    desk.until("return !document.getElementById('heard').hidden")
    assert desk.run("return document.getElementById('heard-words').children.length") >= 1
    desk.until("return document.getElementById('heard-picture').naturalWidth > 400")
    assert desk.run("return document.activeElement.id") == "heard-name"
    desk.click("#heard-close")


def test_what_is_recorded_begins_with_what_is_played(desk: Browser, folder: Path) -> None:
    """The microphone is the loudspeaker: the sticks are in the take where they are played."""
    visit(desk, "screen-door.toml", "Screen door")
    desk.run("location.reload()")
    desk.until("return document.querySelector('#sheet svg') !== null")
    desk.run("""
        const { connect } = AudioNode.prototype;
        AudioNode.prototype.connect = function (to, ...more) {
            if (to instanceof AudioDestinationNode) {
                window.back ??= this.context.createMediaStreamDestination();
                connect.call(this, window.back);
            }
            return connect.call(this, to, ...more);
        };
        navigator.mediaDevices.getUserMedia = async () => window.back.stream;
        document.getElementById('tempo').value = 120;
        document.getElementById('tempo').dispatchEvent(new Event('change'));
    """)
    desk.keys("f2")  # so that there is a loudspeaker
    desk.until("return Boolean(window.back)")
    desk.keys("f2")
    desk.click("#band")  # the sticks alone
    desk.click("#hear")
    desk.keys("f2")
    desk.until("return document.querySelector('#sheet .lit[data-spot=\"5\"]') !== null")
    desk.keys("f2")
    take = folder / "takes/screen-door.wav"
    until(take.with_suffix(".json").exists)
    wave, rate = soundfile.read(take)
    for beat in (1, 2):
        near = np.abs(wave[round((beat / 2 - 0.1) * rate) : round((beat / 2 + 0.2) * rate)])
        at = int(np.flatnonzero(near > 0.3 * near.max())[0]) / rate - 0.1
        assert near.max() > 0.01
        assert abs(at) < 0.06, (beat, at)  # the browser's own way out and back is a guess
    desk.until("return !document.getElementById('record').disabled")
    # Nobody played the phrase, and that is said.
    assert "does not sound" in desk.run("return document.getElementById('take-said').textContent")
    desk.run("location.reload()")
    desk.until("return document.querySelector('#sheet svg') !== null")


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
        for opens, shown, closes in (
            ("", "", ""), ("#play", "#play.on", "#play"), ("#catch", "#taking", "#take-close"),
            ("#vary", "#varying[open]", "#varying-close"), ("#publish", "#making[open]", ""),
            ('[data-what="loop"] .start', "#making progress:not([hidden])", "#offers .cancel"),
        ):  # fmt: skip
            if opens:
                desk.click(opens)
                desk.until(f"return document.querySelector('{shown}') !== null")
            assert json.loads(desk.run(AXE)) == []
            assert desk.run("return document.documentElement.scrollWidth <= innerWidth")
            if closes:
                desk.run(f"document.querySelector('{closes}:not([hidden])')?.click()")
        desk.until("return document.querySelector('#making progress:not([hidden])') === null")
        desk.click("#making-close")
    finally:
        desk.size(1440, 900)
        desk.protocol("Emulation.setEmulatedMedia", features=[])
