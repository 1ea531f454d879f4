"""A lesson's folder: what is in it, what is made again, and what stops a run."""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import os
import re
import shutil
import signal
import subprocess
import sys
import threading
from dataclasses import replace
from pathlib import Path
from urllib.parse import unquote

import mido
import numpy as np
import pytest
import soundfile

from backing import pieces
from backing.forms import find_form
from backing.lesson import make as module
from backing.lesson.catalogue import estimate
from backing.lesson.items import sounds
from backing.lesson.lesson import read_lesson
from backing.lesson.make import make_lesson
from backing.lesson.records import HIDDEN, opened
from backing.lesson.sound import PAD, RATE, layer_frames
from backing.output import OutputError, write
from backing.page.music import WIDE
from backing.processes import WorkError
from backing.sheet.layout import Style, pictures
from backing.sheet.writing import over_form
from phrases.errors import BluesError, RangeError
from phrases.files import load_phrase, read_phrase
from phrases.hands import suggest
from tests.backing.lesson.material import LESSON, PHRASE, small, written
from tests.hard.material import LONG
from tests.waiting import until

FRAME = RATE // 50  # of Opus (RFC 6716)
# Two bars of four beats.
LOOP = {tempo: round(8 * 60 / tempo * RATE) for tempo in (200, 240)}


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder that two processes made of a lesson, whose file lies beside it."""
    folder = tmp_path_factory.mktemp("lesson")
    lesson = small(folder, LESSON.replace('["wav"]', '["wav", "mp3"]\nstems = true'))
    result = make_lesson(lesson, folder / "out")
    assert result.kept == 0
    assert set(result.made) == set(result.files)
    assert [name for name, _ in estimate(lesson).files] == [*result.files]
    assert result.seconds > 10
    return folder / "out"


@pytest.fixture
def copy(whole: Path, tmp_path: Path) -> Path:
    shutil.copytree(whole.parent, tmp_path, dirs_exist_ok=True)
    return tmp_path / "out"


def again(copy: Path, lesson: str = "", phrase: str = PHRASE) -> module.Result:
    text = lesson or LESSON.replace('["wav"]', '["wav", "mp3"]\nstems = true')
    return make_lesson(small(copy.parent, text, phrase), copy)


def made(result: module.Result) -> set[str]:
    return {path.rpartition("/")[2] for path in result.made}


def test_what_is_there(whole: Path) -> None:
    every = {str(p.relative_to(whole)) for p in whole.rglob("*") if p.is_file()}
    seen = {name for name in every if not name.startswith(HIDDEN)}
    folder = "01-two-bars/A/01-two-bars_A"
    for name in ("1-demo_240bpm", "2-loop_200bpm_other-end", "3-trade-response_240bpm"):
        assert {f"{folder}_{name}.{suffix}" for suffix in ("wav", "mp3", "mid")} <= seen
    assert f"{folder}_4-backing_240bpm_stems/bass.wav" in seen
    assert f"{folder}_5-sheet.pdf" in seen
    assert {"01-two-bars/01-two-bars_practice.html", "description.txt", "manifest.json"} <= seen
    assert not list((whole / HIDDEN).glob("drafts-*"))


def test_a_page_leads_to_all_that_is_there(whole: Path) -> None:
    text = (whole / "index.html").read_text(encoding="utf-8")
    links = {unquote(link).removeprefix("./") for link in re.findall(r'href="([^"]+)"', text)}
    there = {str(path.relative_to(whole)) for path in whole.rglob("*") if path.is_file()}
    assert links <= there
    wanted = {
        name for name in there
        if name.endswith((".html", ".pdf", ".wav", ".mp3"))
        and not name.startswith(HIDDEN) and "_stems/" not in name
    }  # fmt: skip
    assert links == wanted - {"index.html"}
    first = text.index("_practice.html")  # practising first
    assert first < text.index(".pdf") < text.index(".wav")


def test_strokes_and_fingers_are_on_the_page_as_on_the_sheet(whole: Path) -> None:
    page = (whole / "01-two-bars" / "01-two-bars_practice.html").read_text(encoding="utf-8")
    phrase = replace(load_phrase(whole.parent / "two-bars.toml"), variations=())
    for marked, there in ((suggest(phrase), True), (phrase, False)):
        score = over_form(marked, find_form("turnaround-loop"))
        drawn = pictures(score, Style(width=WIDE))[0].svg.replace("#000", "currentColor")
        assert (drawn.partition("<path")[2] in page) == there


def test_many_keys_stand_beside_the_page(tmp_path: Path) -> None:
    keys = LESSON.replace('keys = ["A"]', 'keys = ["A", "C", "D", "E"]').replace("200, ", "")
    text = 'make = ["page"]\n' + keys + "variations = []\n"
    lesson = small(tmp_path, text)
    result = make_lesson(lesson, tmp_path / "out", processes=1)
    sounds = [Path(name) for name in result.files if name.endswith(".js")]
    assert [name for name, _ in estimate(lesson).files] == [*result.files]
    assert sorted(path.name for path in sounds) == [
        f"01-two-bars_practice_{key}.js" for key in "CDE"
    ]
    page = next((tmp_path / "out").rglob("*_practice.html")).read_text(encoding="utf-8")
    told = json.loads(page.split('id="lesson">')[1].split("</script>")[0])
    versions = told["pieces"][0]["versions"]
    for version in versions:
        file = "" if version["key"] == "A" else f"01-two-bars_practice_{version['key']}.js"
        assert {told["sounds"][loop["phrase"]]["file"] for loop in version["loops"]} == {file}
        for loop in version["loops"]:
            here = page if not file else (tmp_path / "out" / sounds[0].parent / file).read_text()
            number = loop["phrase"]
            assert (f'"{number}":' if file else f'id="sound-{number}"') in here


def test_the_manifest_is_true(whole: Path) -> None:
    told = json.loads((whole / "manifest.json").read_text(encoding="utf-8"))
    assert told["title"] == "Small lesson"
    paths = [row["path"] for row in told["files"]]
    assert paths == sorted(paths)
    for row in told["files"]:
        data = (whole / row["path"]).read_bytes()
        assert row["bytes"] == len(data)
        assert row["sha256"] == hashlib.sha256(data).hexdigest()
        if row["path"].endswith(".wav") and "stems" not in row["path"]:  # chapters add these up
            long = soundfile.info(whole / row["path"]).duration
            assert row["seconds"] == pytest.approx(long, abs=0.001)
    there = {str(p.relative_to(whole)) for p in whole.rglob("*") if p.is_file()}
    left = {name for name in there - set(paths) if not name.startswith(HIDDEN)}
    assert left == {"description.txt", "index.html", "manifest.json"}
    loop = next(row for row in told["files"] if row["kind"] == "loop")
    assert (loop["phrase"], loop["key"], loop["tempo"]) == ("Two bars", "A", 200.0)


@pytest.mark.parametrize("tempo", LOOP)
def test_a_loop_is_as_long_as_its_bars(whole: Path, tempo: int) -> None:
    name = f"01-two-bars/A/01-two-bars_A_2-loop_{tempo}bpm"
    assert soundfile.info(whole / f"{name}.wav").frames == LOOP[tempo]
    assert soundfile.info(whole / f"{name}.mp3").frames == LOOP[tempo]
    assert mido.MidiFile(whole / f"{name}.mid").length <= 8 * 60 / tempo + 0.001


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler-utils")
def test_the_sheet_plans_the_tempos_of_the_lesson(whole: Path) -> None:
    paper = whole / "01-two-bars" / "A" / "01-two-bars_A_5-sheet.pdf"
    told = subprocess.run(
        ["pdftotext", "-layout", paper, "-"], capture_output=True, text=True, check=True
    ).stdout
    plan = told[told.index("Practice plan") :]
    assert [word for word in plan.split() if word.isdigit() and int(word) > 99] == ["200", "240"]


def test_a_variation_keeps_the_tips_that_hold_for_it(whole: Path, tmp_path: Path) -> None:
    own = PHRASE.replace('name = "Other End!"', 'name = "Other End!"\ntips = "Softly."')
    text = 'make = ["page"]\n' + LESSON.replace("[200, 240]", "[240]")
    make_lesson(small(tmp_path, text, own), tmp_path / "out", processes=1)
    for folder, tip in ((whole, "Play it."), (tmp_path / "out", "Softly.")):
        (page,) = folder.rglob("*_practice.html")
        shown = page.read_text(encoding="utf-8").split("<template ")[1:]
        assert len(shown) == 2
        assert "Play it." in shown[0]
        assert tip in shown[1]
        assert ("Play it." in shown[1]) is (folder == whole)
        assert all("Up here." in one for one in shown)  # on the call, which is the same


@pytest.mark.parametrize("tempo", LOOP)
def test_layers_are_the_loop_apart_with_its_surroundings(whole: Path, tempo: int) -> None:
    name = f"01-two-bars_A_2-loop_{tempo}bpm"
    mix, _ = soundfile.read(whole / "01-two-bars" / "A" / f"{name}.wav", dtype="float32")
    both = np.zeros_like(mix)
    for layer in ("band", "phrase"):
        path = whole / HIDDEN / "layers" / f"{name}.{layer}.opus"
        assert layer_frames(path) == LOOP[tempo]
        sound, rate = soundfile.read(path, dtype="float32")
        assert rate == RATE
        assert np.abs(sound).max() < 0.9  # -2 dBTP, and what Opus adds
        both += sound[PAD : PAD + LOOP[tempo]]
        # Before the loop stands its end, after it its beginning: as near as Opus is. Its last
        # frame before an attack is not: what comes early of that is as loud as what dies away.
        settled, last = PAD // 2, PAD - FRAME
        assert _same(sound[settled:last], sound[settled + LOOP[tempo] : last + LOOP[tempo]])
        assert _same(sound[PAD : PAD + settled], sound[-PAD:-settled])
    assert _same(both, mix)  # as loud as the file


def _same(one: np.ndarray, other: np.ndarray) -> bool:
    """Tell whether two sounds are alike: what differs is 15 dB lower."""
    return bool(np.square(one - other).sum() < 0.03 * np.square(other).sum())


def test_a_band_is_as_long_under_each_variation(whole: Path) -> None:
    # Its chords stay below the phrase, so they may differ where the phrase does.
    layers = whole / HIDDEN / "layers"
    one, other = (
        soundfile.info(layers / f"01-two-bars_A_2-loop_200bpm{end}.band.opus").frames
        for end in ("", "_other-end")
    )
    assert one == other


def test_stems_add_up_and_the_phrase_is_in_the_demo_alone(whole: Path) -> None:
    folder = whole / "01-two-bars" / "A"
    stems = {
        path.stem: soundfile.read(path, dtype="float32")[0]
        for path in (folder / "01-two-bars_A_1-demo_240bpm_stems").iterdir()
    }
    assert set(stems) == {"drums", "bass", "comp", "lead", "room", "mix"}
    total = sum(sound for name, sound in stems.items() if name != "mix")
    assert np.abs(total - stems["mix"]).max() < 1e-4
    assert stems["lead"].any()
    backing, _ = soundfile.read(folder / "01-two-bars_A_4-backing_240bpm_stems" / "lead.wav")
    assert not backing.any()


def test_the_page_and_the_sheet(whole: Path) -> None:
    folder = whole / "01-two-bars"
    page = (folder / "01-two-bars_practice.html").read_text(encoding="utf-8")
    assert "Small lesson" in page
    assert "Other End!" in page
    assert "Up here." in page
    # What a student chose is remembered for this page alone.
    assert '"name":"small-lesson/01-two-bars"' in page
    assert (folder / "A" / "01-two-bars_A_5-sheet.pdf").read_bytes().startswith(b"%PDF")


def test_a_second_run_makes_nothing(copy: Path) -> None:
    times = {path: path.stat().st_mtime_ns for path in copy.rglob("*.*") if path.is_file()}
    again(copy)  # a copied folder has other times: once its digests are taken
    result = again(copy)
    assert result.made == ()
    assert result.kept == len(result.files)
    now = {path: path.stat().st_mtime_ns for path in copy.rglob("*.*") if path.is_file()}
    assert now == times


def test_a_tip_renders_no_sound(copy: Path) -> None:
    result = again(copy, phrase=PHRASE.replace("Up here", "Up there"))
    assert made(result) == {"01-two-bars_practice.html", "01-two-bars_A_5-sheet.pdf",
                            "manifest.json"}  # fmt: skip
    assert result.seconds == 0
    page = copy / "01-two-bars" / "01-two-bars_practice.html"
    assert "Up there" in page.read_text(encoding="utf-8")


def sounds_of(page: Path) -> int:
    return page.read_text(encoding="utf-8").count('<script type="text/plain" id="sound-')


def test_a_page_holds_a_band_once(tmp_path: Path) -> None:
    # Both variations are as low as the phrase, whose lowest note is D7; one falls to an open E.
    more = "".join(
        f"\n[[variation]]\nname = '{name}'\n[[variation.part]]\nrole = 'response'\n"
        f"notes = '| 1 B5 & G7 2 G7 3 {last}~ 4 .'\n"
        for name, last in (("same", "D7"), ("low", "E0"))
    )
    phrase = PHRASE.partition("\n[[variation]]")[0] + more
    lesson = LESSON.replace("[200, 240]", "[240]").replace("choruses", 'make = ["page"]\nchoruses')
    for names, count in (("same", 3), ("low", 4)):
        text = f'{lesson}variations = ["{names}"]\n'
        result = make_lesson(small(tmp_path, text, phrase), tmp_path / names, processes=1)
        (page,) = (path for path in result.made if path.endswith("_practice.html"))
        assert sounds_of(tmp_path / names / page) == count


def test_a_page_calls_grooves_by_their_titles(tmp_path: Path) -> None:
    lesson = LESSON.replace("[200, 240]", "[240]").replace("choruses", 'make = ["page"]\nchoruses')
    lesson = lesson.replace("form", 'grooves = ["shuffle", "two-beat"]\nform', 1)
    lesson += "variations = []\n"
    result = make_lesson(small(tmp_path, lesson), tmp_path / "out", processes=1)
    (page,) = (path for path in result.made if path.endswith("_practice.html"))
    text = (tmp_path / "out" / page).read_text(encoding="utf-8")
    assert set(re.findall(r'"groove":"([^"]*)"', text)) == {"Ride shuffle", "Two-beat"}


@pytest.mark.skipif(not LONG, reason="renders 18 loops; make hard runs it")
def test_the_page_of_two_variations_and_six_tempos_is_light(tmp_path: Path) -> None:
    source = Path("examples/lesson/screen-door.toml").read_text(encoding="utf-8")
    variation = source[source.index("[[variation]]") :]
    phrase = (
        source + "\n" + variation.replace("in the wind", "again").replace("B5 & e5", "B5 & B8")
    )
    text = """
        title = "Light"
        keys = ["A"]
        tempos = [60, 66, 72, 78, 84, 90]
        make = ["page"]
        [[phrase]]
        file = "two-bars.toml"
    """
    result = make_lesson(small(tmp_path, text, phrase), tmp_path / "out")
    (page,) = (path for path in result.made if path.endswith("_practice.html"))
    assert sounds_of(tmp_path / "out" / page) >= 6 + 18
    assert (tmp_path / "out" / page).stat().st_size <= 12e6


def test_the_text_changes_page_and_description(copy: Path) -> None:
    text = LESSON.replace('["wav"]', '["wav", "mp3"]\nstems = true').replace("Slowly", "Softly")
    result = again(copy, text)
    assert made(result) == {
        "01-two-bars_practice.html", "description.txt", "index.html", "manifest.json",
    }  # fmt: skip


def test_a_missing_and_a_damaged_file_are_made_again(copy: Path) -> None:
    folder = copy / "01-two-bars" / "A"
    before = (folder / "01-two-bars_A_4-backing_240bpm.wav").read_bytes()
    (folder / "01-two-bars_A_4-backing_240bpm.wav").unlink()
    sheet = folder / "01-two-bars_A_5-sheet.pdf"
    sheet.write_bytes(b"%" + sheet.read_bytes()[1:-1] + b"!")
    names = made(again(copy))
    assert "01-two-bars_A_4-backing_240bpm.wav" in names
    assert "01-two-bars_A_5-sheet.pdf" in names
    assert not any("demo" in name or "loop" in name for name in names)
    assert (folder / "01-two-bars_A_4-backing_240bpm.wav").read_bytes() == before


def test_what_the_lesson_no_longer_has_goes_and_the_teachers_own_stays(copy: Path) -> None:
    own = copy / "01-two-bars" / "A" / "notes.txt"
    own.write_text("mine", encoding="utf-8")
    touched = copy / "01-two-bars" / "A" / "01-two-bars_A_2-loop_200bpm.wav"
    touched.write_bytes(touched.read_bytes() + b"edited")
    text = LESSON.replace('["wav"]', '["wav", "mp3"]\nstems = true').replace("200, ", "")
    result = again(copy, text)
    assert any(path.endswith("2-loop_200bpm.mp3") for path in result.gone)
    assert not list(copy.rglob("*loop_200bpm*.mp3"))
    assert not list(copy.rglob("*loop_200bpm*.opus"))
    assert own.exists()
    assert touched.exists()


def test_a_file_that_another_item_has_now_stays(tmp_path: Path) -> None:
    with opened(tmp_path / "lesson") as work:
        for name in ("before", "after"):
            draft = work.draft(".txt")
            draft.write_text("the same", encoding="utf-8")
            work.keep(name, "digest", {"sheet.txt": draft}, {})
        assert work.forget({"after"}, {"sheet.txt"}) == []
    assert (tmp_path / "lesson/sheet.txt").exists()


def test_what_a_person_changed_is_kept_beside(copy: Path) -> None:
    described = copy / module.DESCRIPTION
    described.write_text("my own words\n", encoding="utf-8")
    result = again(copy)
    spare = described.with_name("description.changed.txt")
    assert spare.read_text(encoding="utf-8") == "my own words\n"
    assert "my own words" not in described.read_text(encoding="utf-8")
    assert any(spare.name in text for text in result.remarks)


def test_without_some_kinds_nothing_of_them_is_left(copy: Path) -> None:
    result = again(copy, 'make = ["backing"]\n' + LESSON)
    left = {path.rpartition("/")[2] for path in result.files}
    assert left == {"01-two-bars_A_4-backing_240bpm.wav", "01-two-bars_A_4-backing_240bpm.mid",
                    "description.txt", "index.html", "manifest.json"}  # fmt: skip
    assert not list(copy.rglob("*_practice.html"))
    assert not list(copy.rglob("*.mp3"))


BARE = 'make = ["backing"]\n' + LESSON.replace('"demo", "backing", "trade"', '"demo"')


def test_a_run_that_was_interrupted_goes_on(tmp_path: Path) -> None:
    lesson = small(tmp_path, BARE)

    def stop(done: float, whole: float, name: str) -> None:
        if done:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        make_lesson(lesson, tmp_path / "out", progress=stop, processes=1)
    assert not list((tmp_path / "out" / HIDDEN).glob("drafts-*"))
    assert len(list(tmp_path.rglob("*.wav"))) == 1
    told: list[str] = []
    result = make_lesson(
        lesson, tmp_path / "out", progress=lambda a, b, name: told.append(name), processes=1
    )
    assert told == ["", "01-two-bars/A/01-two-bars_A_4-backing_240bpm", "index.html",
                    "description.txt", "manifest.json"]  # fmt: skip
    assert len(result.files) == 7


def test_a_run_that_was_killed_goes_on(tmp_path: Path) -> None:
    path = written(tmp_path, BARE.replace("200, 240", "180, 200, 220, 240"))
    run = subprocess.Popen(
        [sys.executable, "-m", "backing.cli", "lesson", str(path), "-o", str(tmp_path / "out")],
        stderr=subprocess.DEVNULL,
    )
    named = tmp_path / "out" / "01-two-bars"
    until(lambda: list(named.rglob("*.wav")), step=0.02)
    run.send_signal(signal.SIGKILL)
    run.wait()
    whole = {p: p.stat().st_mtime_ns for p in named.rglob("*.wav")}
    assert whole
    result = make_lesson(read_lesson(path), tmp_path / "out")
    assert len([name for name in result.files if name.endswith(".wav")]) == 4
    # One of them may have been named and not yet recorded.
    kept = [p for p, told in whole.items() if p.stat().st_mtime_ns == told]
    assert len(kept) >= len(whole) - 1
    for wav in named.rglob("*.wav"):
        assert soundfile.info(wav).frames > RATE
    assert not list((tmp_path / "out" / HIDDEN).glob("drafts-*"))


def test_two_runs_at_once(tmp_path: Path) -> None:
    lesson = small(tmp_path, BARE)
    with (
        opened(tmp_path / "out"),
        pytest.raises(OutputError, match="another run is at work in this folder"),
    ):
        make_lesson(lesson, tmp_path / "out")


def test_a_folder_with_other_files_is_left_alone(tmp_path: Path) -> None:
    lesson = small(tmp_path / "in", BARE)
    with pytest.raises(OutputError, match="files that are not a lesson's"):
        make_lesson(lesson, tmp_path / "in")
    with pytest.raises(OutputError, match="is not a folder"):
        make_lesson(lesson, lesson.path)
    assert sorted(p.name for p in (tmp_path / "in").iterdir()) == ["lesson.toml", "two-bars.toml"]


def test_a_link_in_the_folder_leads_nowhere(tmp_path: Path) -> None:
    lesson = small(tmp_path, BARE)
    with opened(tmp_path / "out"):
        pass
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "out" / "01-two-bars").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(OutputError, match="is a folder in it a link"):
        make_lesson(lesson, tmp_path / "out", processes=1)
    assert list((tmp_path / "elsewhere").iterdir()) == []


def test_nothing_is_rendered_where_something_cannot_be_played(tmp_path: Path) -> None:
    phrase = PHRASE.replace("G5 3 D7~ 4 .'\n\n[[tip", "G5 3 D7~ 4& G5'\n\n[[tip")
    phrase = phrase.replace("'| 1 B5", "'4& e5 | 1 B5", 1)
    lesson = small(tmp_path, LESSON, phrase)
    with pytest.raises(RangeError, match="while its last bar still plays"):
        make_lesson(lesson, tmp_path / "out")
    assert not list(tmp_path.rglob("*.wav"))


def test_a_worker_that_dies_is_told(tmp_path: Path) -> None:
    def killed() -> None:
        for worker in until(multiprocessing.active_children):
            worker.kill()

    killer = threading.Thread(target=killed)
    killer.start()
    with pytest.raises(WorkError, match="ended before its work"):
        make_lesson(small(tmp_path, BARE), tmp_path / "out")
    killer.join()


def test_a_run_that_is_killed_leaves_no_worker(tmp_path: Path) -> None:
    path = written(tmp_path, BARE)
    run = subprocess.Popen(
        [sys.executable, "-m", "backing.cli", "lesson", str(path), "-o", str(tmp_path / "out")],
        stderr=subprocess.DEVNULL,
    )
    children = Path(f"/proc/{run.pid}/task/{run.pid}/children")

    def at_work() -> list[Path]:
        found = [Path("/proc") / number for number in children.read_text().split()]
        assert run.poll() is None
        return found if list((tmp_path / "out").rglob("drafts-*/*")) else []

    found = until(at_work)
    run.kill()
    run.wait()
    until(lambda: not any(one.exists() and b"spawn_main" in (one / "cmdline").read_bytes()
                          for one in found))  # fmt: skip


def test_a_workers_error_is_the_runs(tmp_path: Path) -> None:
    (tmp_path / "take.wav").write_bytes(b"no sound")
    text = LESSON.replace('"demo", "backing", "trade"', '"backing"')
    lesson = small(tmp_path, 'make = ["demo"]\n' + text + 'take = "take.wav"\n')
    with pytest.raises(BluesError, match=r"take\.wav: not a sound"):
        make_lesson(lesson, tmp_path / "out")


def test_a_take_is_in_the_demo_and_in_the_manifest(tmp_path: Path) -> None:
    alone = pieces.demo(
        read_phrase(PHRASE), form="turnaround-loop", choruses=1, count_in=0, ending="none",
        without=("drums", "bass", "comp"),
    )  # fmt: skip
    write(alone, tmp_path / "take.wav")
    text = 'make = ["demo"]\n' + LESSON + "variations = []\n"
    plain = make_lesson(small(tmp_path, text), tmp_path / "out", processes=1)
    name = next(path for path in plain.files if path.endswith(".wav"))
    before = (tmp_path / "out" / name).read_bytes()
    lesson = small(tmp_path, text + 'take = "take.wav"\n')
    result = make_lesson(lesson, tmp_path / "out", processes=1)
    assert name in result.made
    assert (tmp_path / "out" / name).read_bytes() != before
    told = json.loads((tmp_path / "out" / "manifest.json").read_text(encoding="utf-8"))
    assert {row.get("take") for row in told["files"]} == {"take.wav"}
    assert [item.take for item in sounds(lesson)] == [tmp_path / "take.wav"]


@pytest.mark.parametrize("text", ["{", "[" * 100_000])
def test_records_that_cannot_be_read_are_no_records(copy: Path, text: str) -> None:
    records = sorted((copy / HIDDEN / "records").glob("*4-backing*.json"))
    records[0].write_text(text, encoding="utf-8")
    names = made(again(copy))
    assert names == {
        f"01-two-bars_A_4-backing_240bpm.{suffix}" for suffix in ("wav", "mp3", "mid")
    } | {f"{part}.wav" for part in ("drums", "bass", "comp", "lead", "room", "mix")}


def test_a_record_that_names_files_outside_removes_nothing(copy: Path) -> None:
    outside = copy.parent / "two-bars.toml"
    found = outside.stat()
    told = hashlib.sha256(outside.read_bytes()).hexdigest()
    files = {"../two-bars.toml": [found.st_size, found.st_mtime_ns, told]}
    record = {"name": "evil", "digest": "", "files": files, "facts": {}}
    (copy / HIDDEN / "records" / "evil.json").write_text(json.dumps(record), encoding="utf-8")
    lesson = LESSON.replace('["wav"]', '["wav", "mp3"]\nstems = true')
    (copy.parent / "lesson.toml").write_text(lesson, encoding="utf-8")
    make_lesson(read_lesson(copy.parent / "lesson.toml"), copy)
    assert outside.exists()
    assert not (copy / HIDDEN / "records" / "evil.json").exists()


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir(mode=0o500)
    with pytest.raises(OutputError, match="cannot be used"):
        make_lesson(small(tmp_path, BARE), tmp_path / "out")
