"""Files made to do harm: they stay data, stay in their folder, and cost little time and memory."""

from __future__ import annotations

import io
import os
import re
import shutil
import threading
import zipfile
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner, Result

from backing.cli import main
from tests.hard.material import EXAMPLES, LONG, backing, tree, watched

HEAD = 'title = "x"\nkey = "A"\ntempo = 90\n'
PART = "[[part]]\nnotes = '| 1 e8'\n"
GROOVE = """\
title = "x"
tempos = [80, 100, 130]
[[drums]]
snare = "2 4"
[[bass]]
line = "1:R"
[[comp]]
line = "2&:chord"
"""
MB = 950_000  # bytes; a text of more than 1 MB is not read at all

# Texts as large as they may be, and what reads them.
LARGE: dict[str, tuple[str, str]] = {
    "a line without end": ("check x.toml", HEAD + PART.replace("e8", "e8 | 1 " * (MB // 7))),
    "a million moves": ("check x.toml", HEAD + PART.replace("e8", "e8" + "h9p8" * (MB // 4))),
    "parts without end": ("check x.toml", HEAD + PART * (MB // len(PART))),
    "tips without end": (
        "check x.toml", HEAD + PART + "[[tip]]\nat = 'line 1 1'\ntext = 'x'\n" * (MB // 37),
    ),
    "unknown keys": ("check x.toml", HEAD + PART + "".join(f"k{n} = 1\n" for n in range(80_000))),
    "one very long word": ("check x.toml", HEAD.replace('"A"', f'"{"A" * MB}"') + PART),
    "a groove of one long line": (
        "track --groove ./x.toml -o x.mid", GROOVE.replace("1:R", "1:R | " * (MB // 6) + "1:R"),
    ),
    "patterns without end": (
        "track --groove ./x.toml -o x.mid", GROOVE + '[[comp]]\nline = "2&:chord"\n' * (MB // 27),
    ),
    "a form without end": (
        "track --form ./x.toml -o x.mid", 'title = "x"\nchart = "' + "I7 | " * (MB // 5) + 'I7"\n',
    ),
    "a plan without end": (
        "loop lamp-oil --plan x.toml --dry-run",
        "from = 1e308\npasses = 1000000000\neach = 999999999\nbars = '1-999999999'\n",
    ),
    "the smallest steps": (
        "loop lamp-oil --plan x.toml --dry-run", "from = 30\nto = 240\nstep = 0.1\neach = 1\n",
    ),
    "the most passes": (
        "loop lamp-oil --plan x.toml --dry-run", 'shape = "ramp"\npasses = 2000\ncount = "each"\n',
    ),
}  # fmt: skip


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def refused(result: Result) -> str:
    """Return what a command says that ends in an error, which must be one in words."""
    assert result.exit_code == 1, result.output
    assert isinstance(result.exception, SystemExit)
    return result.stderr


# In the short form one of each kind of file.
@pytest.mark.parametrize("name", LARGE if LONG else list(LARGE)[::4])
def test_a_text_as_large_as_it_may_be(name: str, tmp_path: Path) -> None:
    words, text = LARGE[name]
    (tmp_path / "x.toml").write_text(text, encoding="utf-8")
    # Address space, not resident memory: it is what a shell can limit.
    limit = ("sh", "-c", 'ulimit -v 1500000; exec "$@"', "sh")
    done = backing(*words.split(), folder=tmp_path, before=limit)
    assert done.returncode in (0, 1), done.stderr
    assert "Traceback" not in done.stderr
    assert len(done.stderr) < 3000 or name == "one very long word"
    assert {path.name for path in tmp_path.iterdir()} <= {"x.toml", "x.mid"}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("track --choruses 1000000000", "write a whole number from 1 to 200"),
        ("track --tempo 1e308", "write a number from 30 to 240"),
        ("track --count-in 99999999999999999999", "write a whole number from 0 to 4"),
        ("loop lamp-oil --passes 1000000000", "write a whole number from 1 to 2000"),
        ("loop lamp-oil --shape hold --passes 2000", "hours; a loop lasts 4:00 hours at most"),
        ("loop lamp-oil --each 2000 --step 0.1", "step 0.1: write a number from 1"),
        ("trade lamp-oil --each 1000000000", "write a whole number from 1 to 2000"),
    ],
)
def test_huge_numbers_on_the_command_line(words: str, said: str, tmp_path: Path) -> None:
    with watched():
        result = run(*words.split(), "-o", tmp_path / "x.mid")
    assert result.exit_code in (1, 2)
    assert said in result.stderr
    assert list(tmp_path.iterdir()) == []


# --- things that are no files ---------------------------------------------------


def test_pipes_devices_and_links_in_a_ring_are_refused(tmp_path: Path) -> None:
    pipe, ring, other = tmp_path / "pipe.toml", tmp_path / "ring.toml", tmp_path / "other.toml"
    os.mkfifo(pipe)
    ring.symlink_to(other)
    other.symlink_to(ring)
    for path in (pipe, ring, Path("/dev/zero"), Path("/dev/null"), tmp_path):
        lines: list[list[str | Path]] = [
            ["check", path],
            ["tidy", path],
            ["track", "--groove", f"{path}/../{path.name}", "-o", tmp_path / "x.mid"],
            ["loop", "lamp-oil", "--plan", path, "--dry-run"],
            ["lesson", path, "-o", tmp_path / "out"],
            ["track", "--soundfont", path, "-o", tmp_path / "x.wav"],
        ]
        for words in lines:
            with watched():
                result = run(*words)
            assert result.exit_code in (1, 2), words
            assert isinstance(result.exception, SystemExit), (words, result.exception)
    assert {p.name for p in tmp_path.iterdir()} == {"pipe.toml", "ring.toml", "other.toml"}


def test_a_pipe_is_no_musicxml(tmp_path: Path) -> None:
    pipe = tmp_path / "x.musicxml"
    os.mkfifo(pipe)
    with watched(1):
        refused(run("import", pipe, "-o", tmp_path / "x.toml"))


def test_an_output_that_is_a_pipe_or_a_device_is_no_hang(tmp_path: Path) -> None:
    pipe = tmp_path / "x.mid"
    os.mkfifo(pipe)
    words = ["track", "--form", "turnaround-loop", "--choruses", "1"]
    with watched():
        result = run(*words, "-o", pipe)
    assert result.exit_code in (0, 1)
    assert Path("/dev/null").is_char_device()
    with watched():
        result = run(*words, "-o", "/dev/null/x.mid")
    assert "is not a folder" in refused(result)


# --- paths that climb out -------------------------------------------------------

LESSON = """\
title = "{title}"
make = ["loop", "sheet", "page"]
formats = ["opus"]
tempos = [240]
text = '''{text}'''
[[phrase]]
file = "{file}"
variations = []
"""


def a_lesson(folder: Path, **words: str) -> Path:
    folder.mkdir(exist_ok=True)
    path = folder / "small.toml"
    told = {"title": "Small", "text": "", "file": "phrase.toml", **words}
    text = LESSON
    for name, value in told.items():
        text = text.replace(f"{{{name}}}", value)
    path.write_text(text, encoding="utf-8")
    shutil.copy(EXAMPLES / "lesson" / "screen-door.toml", folder / "phrase.toml")
    return path


@pytest.mark.parametrize(
    "file", ["../phrase.toml", "/etc/passwd", "a/../../phrase.toml", "out.toml", "ring.toml"]
)
def test_a_lesson_reads_nothing_outside_its_folder(file: str, tmp_path: Path) -> None:
    path = a_lesson(tmp_path / "in", file=file)
    (tmp_path / "phrase.toml").write_text(HEAD + PART, encoding="utf-8")
    (tmp_path / "in" / "out.toml").symlink_to(tmp_path / "phrase.toml")
    (tmp_path / "in" / "ring.toml").symlink_to(tmp_path / "in" / "ring.toml")
    (tmp_path / "in" / "a").mkdir()
    said = refused(run("lesson", path, "-o", tmp_path / "made", "--jobs", "1"))
    assert "root:" not in said
    assert not (tmp_path / "made").exists()


@pytest.mark.parametrize(
    ("title", "phrase"),
    [("../../up", "x" * 500), ("x" * 500, "../../up"),
     *((one, one) for one in ("/abs", "..", "a/../../b", "CON"))][: 6 if LONG else 1],
)  # fmt: skip
def test_a_title_makes_no_path(title: str, phrase: str, tmp_path: Path) -> None:
    path = a_lesson(tmp_path / "in", title=title)
    file = path.with_name("phrase.toml")
    text = file.read_text(encoding="utf-8")
    file.write_text(re.sub(r"(?m)^title *=.*$", f'title = "{phrase}"', text), encoding="utf-8")
    before = tree(tmp_path)
    result = run("lesson", path, "-o", tmp_path / "made", "--jobs", "1")
    assert result.exit_code == 0, result.output
    made = {name for name in tree(tmp_path) if name not in before}
    assert made
    assert all(name.startswith(f"made{os.sep}") for name in made)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["in", "made"]


def test_links_in_the_folder_of_a_lesson_lead_nowhere(tmp_path: Path) -> None:
    path = a_lesson(tmp_path / "in")
    outside = tmp_path / "outside"
    outside.mkdir()
    made = tmp_path / "made"
    assert run("lesson", path, "-o", made, "--jobs", "1").exit_code == 0
    (folder,) = (one for one in made.iterdir() if one.is_dir() and one.name != ".lesson")
    shutil.rmtree(folder)
    folder.symlink_to(outside)
    result = run("lesson", path, "-o", made, "--jobs", "1")
    assert "lies outside" in refused(result)
    assert list(outside.iterdir()) == []


# --- text that would be more than text ------------------------------------------

NASTY = (
    "<script>alert(1)</script>", "</script><img src=x onerror=alert(1)>", "&lt;&amp;&#x3c;b&#62;",
    '"]); #read("/etc/passwd") //', "#import \"@preview/x:1\": *", "`raw` $x$ @label <label> #(1)",
    "[x](javascript:alert(1))", "![x](http://192.0.2.1/x.png)", "]]>", "<!--", "{{x}}", "%s %(x)s",
)  # fmt: skip


def nasty(folder: Path) -> Path:
    """Write a phrase whose every text is hostile."""
    text = (EXAMPLES / "lesson" / "screen-door.toml").read_text(encoding="utf-8")
    words = " ".join(NASTY).replace("'''", "")
    text = re.sub(r"(?m)^title *=.*$", lambda _: f"title = '''{words[:300]}'''", text)
    text = re.sub(r'tips *= """.*?"""', "", text, flags=re.DOTALL)
    text = re.sub(r"(?m)^text *=.*$", lambda _: f"text = '''{words}'''", text)
    head, _, rest = text.partition("[[part]]")
    path = folder / "phrase.toml"
    path.write_text(f"{head}tips = '''{words}'''\n[[part]]{rest}", encoding="utf-8")
    return path


def test_a_hostile_phrase_is_only_text_on_paper(tmp_path: Path) -> None:
    phrase = nasty(tmp_path)
    names = ("s.pdf", "s.svg", "s.musicxml", "s.txt", "s2.pdf")
    with watched(60):
        result = run("sheet", phrase, *(w for n in names for w in ("-o", str(tmp_path / n))))
    assert result.exit_code == 0, result.output
    svg = ElementTree.parse(tmp_path / "s.svg")
    tags = {str(one.tag).rpartition("}")[2].lower() for one in svg.iter()}
    assert not tags & {"script", "img", "foreignobject", "iframe"}
    assert not [v for one in svg.iter() for v in one.attrib.values() if "javascript:" in v]
    pdf = (tmp_path / "s.pdf").read_bytes()
    assert b"/JavaScript" not in pdf
    assert b"/Launch" not in pdf
    assert b"root:x:0" not in pdf
    ElementTree.parse(tmp_path / "s.musicxml")
    again = tmp_path / "again.toml"
    assert run("import", tmp_path / "s.musicxml", "-o", again).exit_code == 0


def test_a_hostile_lesson_is_only_text_on_its_page(tmp_path: Path) -> None:
    path = a_lesson(tmp_path / "in", text=" ".join(NASTY), title="<script>alert(1)</script>")
    nasty(path.parent)
    result = run("lesson", path, "-o", tmp_path / "made", "--jobs", "1")
    assert result.exit_code == 0, result.output
    pages = list((tmp_path / "made").rglob("*.html"))
    assert pages
    for page in pages:
        html = page.read_text(encoding="utf-8")
        assert "<script>alert" not in html
        assert "<img src=x" not in html
        assert 'href="javascript:' not in html
        assert "192.0.2.1" not in "".join(re.findall(r"""(?:src|href)=["']([^"']*)""", html))


# --- hostile MusicXML -----------------------------------------------------------

LAUGHS = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 12))
XML = {
    "laughs": f'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY l0 "ha">{LAUGHS}]><x>&l11;</x>',
    "an outside entity": (
        '<?xml version="1.0"?><!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/passwd">]><x>&e;</x>'
    ),
    "an outside definition": (
        '<?xml version="1.0"?><!DOCTYPE score-partwise SYSTEM "http://192.0.2.1/x.dtd"><x/>'
    ),
    "a parameter entity": (
        '<?xml version="1.0"?><!DOCTYPE x [<!ENTITY % p SYSTEM "file:///etc/passwd"> %p;]><x/>'
    ),
    "depth": "<x>" * 200_000 + "</x>" * 200_000,
    "width": "<x>" + "<y/>" * (2_000_000 if LONG else 50_000) + "</x>",
    "nothing": "",
    "no xml": "PK\x03\x04 and no zip",
    "a strange encoding": '<?xml version="1.0" encoding="utf-7"?><x/>',
}


@pytest.mark.parametrize("name", XML)
def test_hostile_musicxml_is_refused(name: str, tmp_path: Path) -> None:
    path = tmp_path / "x.musicxml"
    path.write_text(XML[name], encoding="utf-8")
    with watched():
        said = refused(run("import", path, "-o", tmp_path / "x.toml"))
    assert "root:" not in said
    assert [p.name for p in tmp_path.iterdir()] == ["x.musicxml"]


def test_a_zip_that_grows_without_end_is_refused(tmp_path: Path) -> None:
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("x.musicxml", b"<x>" + b" " * (200_000_000 if LONG else 40_000_000))
    path = tmp_path / "x.mxl"
    path.write_bytes(data.getvalue())
    with watched():
        said = refused(run("import", path, "-o", tmp_path / "x.toml"))
    assert "too large" in said


def counted(measures: int, duration: str, *, divisions: str = "4", fret: str = "5") -> str:
    """Return a score of one part with numbers as given."""
    note = (
        "<note><pitch><step>A</step><octave>4</octave></pitch>"
        f"<duration>{duration}</duration><notations><technical><string>1</string>"
        f"<fret>{fret}</fret></technical></notations></note>"
    )
    first = f"<attributes><divisions>{divisions}</divisions></attributes>"
    bars = "".join(
        f'<measure number="{n}">{first if n == 0 else ""}{note}</measure>' for n in range(measures)
    )
    return (
        '<score-partwise version="4.0"><part-list><score-part id="P1"><part-name>G</part-name>'
        f'</score-part></part-list><part id="P1">{bars}</part></score-partwise>'
    )


@pytest.mark.parametrize(
    "text",
    [
        counted(1, "9" * 4000),
        counted(1, "1", divisions="9" * 4000),
        counted(1, "1", divisions="1e308"),
        counted(1, "nan"),
        counted(1, "4", fret="9" * 5000),
        counted(1000 if LONG else 200, "16"),
    ],
)
def test_huge_numbers_in_musicxml(text: str, tmp_path: Path) -> None:
    path = tmp_path / "x.musicxml"
    path.write_text(text, encoding="utf-8")
    with watched():
        result = run("import", path, "-o", tmp_path / "x.toml")
    assert result.exit_code in (0, 1)
    assert isinstance(result.exception, SystemExit | None), result.exception
    assert threading.active_count() < 20
