"""Author, rights, link and date: read strictly, and carried to whatever is made."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from xml.etree import ElementTree

import pytest

import backing
from backing.exchange.musicxml import musicxml
from backing.forms import find_form
from backing.lesson.describe import describe
from backing.lesson.lesson import read_lesson
from backing.page.page import _credits
from backing.sheet.page import sheet
from backing.sheet.text import text_sheet
from backing.sheet.writing import write
from phrases.credits import Credits
from phrases.errors import BluesError
from phrases.files import read_phrase
from phrases.phrase import Phrase

SAID = """author = "Ida Quill"
rights = "CC BY 4.0"
link = "https://example.org/a"
date = 2026-05-01
"""
LINE = "2026 Ida Quill · CC BY 4.0 · https://example.org/a"


def phrase(said: str = SAID) -> Phrase:
    return read_phrase(
        f'title = "T"\nkey = "A"\ntempo = 90\n{said}[[part]]\nnotes = "| 1 G5 2 ."\n'
        '[[variation]]\nname = "v"\n[[variation.part]]\nnotes = "| 1 G7 2 ."\n'
    )


def test_credits_are_read_for_a_phrase_and_its_variations() -> None:
    made = phrase()
    assert made.credits == Credits("Ida Quill", "CC BY 4.0", "https://example.org/a", "2026-05-01")
    assert made.variations[0][1].credits == made.credits
    assert made.credits.line == LINE
    assert phrase("").credits.line == ""


@pytest.mark.parametrize(
    ("said", "message"),
    [
        ('link = "example.org"', "must be an address: https://example.org"),
        ('link = "javascript:alert(1)"', "must be an address"),
        ('date = "yesterday"', "must be a day, a month or a year: 2026-05-01"),
        ('date = "2026-02-30"', "must be a day, a month or a year"),
        ("date = 2026-05-01T10:00:00", "must be a day, a month or a year"),
        ("date = 2026", '"date" must be text in quotes or a date'),
        (f'author = "{"x" * 201}"', '"author" must be one line of at most 200 signs'),
        ('rights = "a\\nb"', '"rights" must be one line'),
        ("author = 3", '"author" must be text in quotes'),
    ],
)
def test_wrong_credits_are_told(said: str, message: str) -> None:
    with pytest.raises(BluesError, match=re.escape(message)):
        phrase(said + "\n")


@pytest.mark.parametrize("date", ["2026", "2026-05", "2026-05-01", ""])
def test_any_date_makes_a_pdf(date: str) -> None:
    pdf = sheet(phrase(f'date = "{date}"\n'), find_form("twelve-bar"))
    assert (b"D:" + date.replace("-", "").encode() in pdf) == bool(date)


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler-utils")
def test_they_stand_in_the_foot_and_in_the_data_of_a_pdf(tmp_path: Path) -> None:
    path = tmp_path / "s.pdf"
    path.write_bytes(sheet(phrase(), find_form("twelve-bar")))
    text, told = (
        subprocess.run([tool, str(path), *more], capture_output=True, check=True, text=True).stdout
        for tool, *more in (("pdftotext", "-"), ("pdfinfo",))
    )
    assert LINE in text
    assert re.search(r"Author:\s+Ida Quill\n", told)
    assert re.search(r"Subject:\s+CC BY 4.0\n", told)


def test_they_stand_in_text_svg_and_musicxml() -> None:
    assert text_sheet(phrase()).endswith(f"\n\n{LINE}\n")
    svg = sheet(phrase(), find_form("twelve-bar"), kind="svg").decode()
    assert 'href="https://example.org/a"' in svg
    root = ElementTree.fromstring(musicxml(write(phrase())))
    about = root.find("identification")
    assert about is not None
    # MusicXML 4.0, the order of identification: creator, rights, encoding, source, miscellaneous.
    assert [one.tag for one in about] == [
        "creator",
        "rights",
        "encoding",
        "source",
        "miscellaneous",
    ]
    assert about.findtext("encoding/encoding-date") == "2026-05-01"


# ID3v2.4: TPE1, TCOP, TDRC; Vorbis comments: artist, copyright, date, contact.
@pytest.mark.parametrize("suffix", [".wav", ".flac"])
def test_they_are_tags_of_a_sound(suffix: str, tmp_path: Path) -> None:
    import mutagen

    from backing.tags import tag
    from phrases.replacing import MADE

    path = tmp_path / f"t{suffix}"
    import numpy as np
    import soundfile

    soundfile.write(path, np.zeros(800), 8000)
    stream = backing.demo(phrase(), choruses=1)
    tag(path, "T", "A", 90.0, stream.credits)
    tags = mutagen.File(path).tags
    names = ("TPE1", "TCOP", "TDRC", "TSSE") if suffix == ".wav" else (
        "artist", "copyright", "date", "encoder"
    )  # fmt: skip
    found = [str(tags[name][0] if suffix == ".flac" else tags[name].text[0]) for name in names]
    assert found == ["Ida Quill", "CC BY 4.0", "2026-05-01", MADE]
    link = tags["contact"][0] if suffix == ".flac" else tags.getall("WXXX")[0].url
    assert link == "https://example.org/a"


def test_a_lesson_gives_its_credits_to_phrases_that_have_none(tmp_path: Path) -> None:
    own = 'title = "T"\nkey = "A"\ntempo = 90\nauthor = "Own"\n[[part]]\nnotes = "| 1 G5 2 ."\n'
    (tmp_path / "own.toml").write_text(own, encoding="utf-8")
    path = tmp_path / "lesson.toml"
    path.write_text(
        f'title = "L"\n{SAID}[[phrase]]\nfile = "own.toml"\n[[phrase]]\nfile = "lamp-oil"\n',
        encoding="utf-8",
    )
    lesson = read_lesson(path)
    own_credits, others = (study.phrase.credits for study in lesson.studies)
    assert (own_credits.author, own_credits.rights) == ("Own", "CC BY 4.0")
    assert others.line == LINE
    assert describe(lesson, {}).splitlines()[-3] == LINE


def test_the_practice_page_links_and_escapes() -> None:
    said = Credits("<b>", "", "https://example.org/a?b&c")
    assert _credits(said) == (
        '<p class="credits">&lt;b&gt; · <a href="https://example.org/a?b&amp;c">'
        "https://example.org/a?b&amp;c</a></p>"
    )
    assert _credits(Credits()) == ""
