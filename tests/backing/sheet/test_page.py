"""The page: PDF and SVG, the same bytes each time, with everything that belongs on it."""

from __future__ import annotations

import re
import shutil
import subprocess
import time
from fractions import Fraction
from pathlib import Path
from xml.etree import ElementTree

import pytest

from backing.forms import find_form
from backing.sheet.page import Paper, _markdown, _plan, chart_page, sheet
from phrases.files import load_phrase, read_phrase, shipped
from phrases.hands import suggest
from phrases.phrase import Phrase
from phrases.pitch import parse_key

FORM = find_form("twelve-bar")
POPPLER = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler-utils")


def phrase(name: str = "lamp-oil") -> Phrase:
    return suggest(load_phrase(name))


def words(pdf: bytes, path: Path) -> str:
    path.write_bytes(pdf)
    found = subprocess.run(
        ["pdftotext", "-layout", str(path), "-"], capture_output=True, check=True, text=True
    )
    assert found.stderr == ""
    return " ".join(found.stdout.split())


def pages(pdf: bytes) -> int:
    found = re.search(rb"/Type\s*/Pages.*?/Count (\d+)|/Count (\d+)", pdf, re.S)
    assert found is not None
    return int(found[1] or found[2])


def box(pdf: bytes) -> tuple[float, float]:
    found = re.search(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", pdf)
    assert found is not None
    return float(found[1]), float(found[2])


def test_the_same_bytes_each_time() -> None:
    assert sheet(phrase(), FORM) == sheet(phrase(), FORM)
    assert sheet(phrase(), FORM, kind="svg") == sheet(phrase(), FORM, kind="svg")


# ISO 216 and ANSI/ASME Y14.1, in points of 1/72 inch.
@pytest.mark.parametrize(("size", "points"), [("a4", (595.28, 841.89)), ("letter", (612, 792))])
def test_paper_sizes(size: str, points: tuple[float, float]) -> None:
    assert box(sheet(phrase(), FORM, Paper(size))) == pytest.approx(points, abs=0.1)


@pytest.mark.parametrize("name", shipped())
def test_pages_are_small(name: str) -> None:
    pdf = sheet(phrase(name), FORM)
    assert len(pdf) < 300_000 * pages(pdf)
    assert b"/Subtype /Image" not in pdf
    assert b"/Subtype/Image" not in pdf


def test_thirty_sheets_are_fast() -> None:
    start = time.process_time()
    for name in list(shipped())[:30]:
        sheet(phrase(name), FORM)
    assert time.process_time() - start < 10.0


@POPPLER
def test_tips_and_title_can_be_selected(tmp_path: Path) -> None:
    music = phrase()
    text = words(sheet(music, FORM), tmp_path / "s.pdf")
    assert music.title in text
    for tip in music.tips:
        assert " ".join(tip.text.split()) in text
    assert "Variation: low flame" in text
    assert "Practice plan" in text


@POPPLER
def test_title_and_author(tmp_path: Path) -> None:
    path = tmp_path / "s.pdf"
    path.write_bytes(sheet(phrase(), FORM))
    told = subprocess.run(["pdfinfo", str(path)], capture_output=True, check=True, text=True)
    assert re.search(r"Title:\s+Lamp oil in C major\n", told.stdout)
    assert re.search(r"Author:\s+porchband\n", told.stdout)


def test_drawings_have_alternative_text() -> None:
    # Text strings of a PDF that are plain ASCII stand in brackets (ISO 32000-1, 7.9.2).
    pdf = sheet(phrase(), FORM)
    found = re.findall(rb"/Alt ?\(([^()]*)\)", pdf)
    assert b"Lamp oil, pickup to bar 2, notation and tablature" in found
    assert b"Fretboard diagram of Lamp oil with degrees of C major" in found
    assert b"Tempo: dotted quarter = 56" in found


@POPPLER
def test_fonts_are_inside(tmp_path: Path) -> None:
    path = tmp_path / "s.pdf"
    path.write_bytes(sheet(phrase(), FORM))
    told = subprocess.run(["pdffonts", str(path)], capture_output=True, check=True, text=True)
    fonts = told.stdout.splitlines()[2:]
    assert fonts
    assert all("FiraSans" in line and " yes yes " in line for line in fonts)


def test_svg_is_one_drawing() -> None:
    for kind in (sheet(phrase(), FORM, kind="svg"), chart_page(FORM, parse_key("Bb"), kind="svg")):
        root = ElementTree.fromstring(kind)
        assert root.tag == "{http://www.w3.org/2000/svg}svg"
        assert not list(root.iter("{http://www.w3.org/2000/svg}text"))
        assert root[0].tag == "{http://www.w3.org/2000/svg}title"


def test_larger_print_takes_more_room() -> None:
    usual = sheet(phrase("boot-scraper"), FORM)
    larger = sheet(phrase("boot-scraper"), FORM, Paper(larger=True))
    assert pages(larger) >= pages(usual)
    assert larger != usual


@pytest.mark.parametrize("staves", ["tab", "notation"])
@pytest.mark.parametrize("chorus", [False, True])
def test_every_way_of_setting_it(staves: str, *, chorus: bool) -> None:
    paper = Paper("letter", larger=True, left_handed=True, staves=staves, marks=False)
    assert sheet(phrase("rope-ferry"), FORM, paper, chorus=chorus).startswith(b"%PDF")


@POPPLER
def test_a_chart_has_the_form_and_the_key(tmp_path: Path) -> None:
    text = words(chart_page(find_form("quick-change"), parse_key("Bb")), tmp_path / "c.pdf")
    assert "Quick change" in text


def test_words_that_typst_would_read_are_only_words() -> None:
    wild = r'#panic("x") $y$ *z* \n "q" <a> @b [c] {d} // e /* f'
    text = (
        "title = '''#let $x$ \\ \"quoted\" *bold*'''\nkey = \"A\"\ngroove = \"shuffle\"\n"
        f"tempo = 90\ntips = '''{wild}'''\n[[part]]\nrole = \"line\"\nnotes = \"| 1 G5 2 .\"\n"
    )
    assert sheet(read_phrase(text), FORM).startswith(b"%PDF")


@pytest.mark.parametrize(
    ("text", "markup"),
    [
        ("Plain.", '#"Plain."'),
        ("**Two** words", '#strong[#"Two"]#" words"'),
        ("so *soft*", '#"so "#emph[#"soft"]'),
        ("a [link](http://x)", '#"a "#"link"'),
        ("one\ntwo\n\nthree", '#"one two"\n\n#"three"'),
        ("- a\n- b", '- #"a"\n- #"b"'),
        ('say "x" \\ y', '#"say \\"x\\" \\\\ y"'),
    ],
)
def test_markdown(text: str, markup: str) -> None:
    assert _markdown(text) == markup


# About 60 % of the tempo, by tens, as `backing loop` starts and steps.
@pytest.mark.parametrize(
    ("tempo", "plan"),
    [(92, [55, 65, 75, 85, 92]), (56, [35, 45, 56]), (60, [35, 45, 55, 60]), (30, [30])],
)
def test_the_practice_plan(tempo: int, plan: list[int]) -> None:
    assert _plan(Fraction(tempo)) == plan
