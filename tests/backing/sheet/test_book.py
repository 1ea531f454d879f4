"""All sheets of a lesson as one PDF: a cover, the contents with links, tagged throughout."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from backing.forms import find_form
from backing.lesson.lesson import read_lesson
from backing.lesson.paper import leaves
from backing.sheet.page import laid_out
from backing.sheet.typeset import book
from phrases.credits import Credits
from phrases.files import load_phrase, read_phrase

POPPLER = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler-utils")
FORM = find_form("twelve-bar")


def told(tool: str, path: Path, *more: str) -> str:
    words = [tool, *more, str(path), *(["-"] if tool == "pdftotext" else [])]
    return subprocess.run(words, capture_output=True, check=True, text=True).stdout


@POPPLER
def test_a_book_has_a_cover_contents_and_page_numbers(tmp_path: Path) -> None:
    sheets = [laid_out(load_phrase(name), FORM) for name in ("lamp-oil", "cold-stove")]
    path = tmp_path / "b.pdf"
    path.write_bytes(book("Old house", '#"Slowly."', Credits("Ida Quill"), sheets))
    pages = told("pdftotext", path, "-layout").split("\f")
    cover = " ".join(pages[0].split())
    assert cover.startswith("Old house Slowly. Contents Lamp oil in C")
    rows = re.findall(r"(Lamp oil in C|Cold stove in A minor)[ .]+(\d)", cover)
    assert rows == [("Lamp oil in C", "2"), ("Cold stove in A minor", "3")]
    assert cover.endswith("Ida Quill")
    assert "Lamp oil in C · page 2 of 3" in pages[1]
    assert "Cold stove in A minor · page 3 of 3" in pages[2]
    # Each row leads to its page: ISO 32000-1, 12.5.6.5.
    assert len(re.findall(rb"/Subtype ?/Link", path.read_bytes())) == 2


@POPPLER
def test_a_sheet_and_a_book_say_that_they_can_be_read_aloud(tmp_path: Path) -> None:
    one = laid_out(load_phrase("lamp-oil"), FORM)
    for number, pdf in enumerate((one.compiled(), book("B", "", Credits(), [one, one]))):
        path = tmp_path / f"{number}.pdf"
        path.write_bytes(pdf)
        assert re.search(r"Tagged:\s+yes", told("pdfinfo", path))
        # ISO 14289-1 (PDF/UA-1), 5: the identifier in the metadata.
        assert "<pdfuaid:part>1</pdfuaid:part>" in told("pdfinfo", path, "-meta")


def test_a_letter_without_a_font_does_not_stop_it() -> None:
    made = read_phrase(
        'title = "T \U0010f123"\nkey = "A"\ntempo = 90\n[[part]]\nnotes = "| 1 G5"\n'
    )
    assert b"pdfuaid" not in laid_out(made, FORM).compiled()


def test_what_cannot_be_read_aloud_does_not_stop_it() -> None:
    def made(tip: str) -> bytes:
        text = 'title = "T"\nkey = "A"\ntempo = 90\nlink = "https://example.org"\n'
        text += f'tips = "{tip}"\n[[part]]\nnotes = "| 1 G5"\n'
        return laid_out(read_phrase(text), FORM).compiled()

    assert b"pdfuaid" in made("[words](https://example.org)")
    assert made("[](https://example.org)").startswith(b"%PDF")


def test_a_lesson_has_one_where_it_has_several_sheets(tmp_path: Path) -> None:
    path = tmp_path / "lesson.toml"
    for keys, count in (('["A"]', 0), ('["A", "C"]', 1)):
        path.write_text(
            f'title = "Old house"\nmake = ["sheet"]\nkeys = {keys}\n'
            '[[phrase]]\nfile = "lamp-oil"\n'
        )
        lesson = read_lesson(path)
        found = [leaf for leaf in leaves(lesson, {}, lambda _: (path, path)) if leaf.study is None]
        assert [leaf.name for leaf in found] == ["old-house_sheets.pdf"] * count
        for leaf in found:
            assert leaf.make().startswith(b"%PDF")
