"""The page: PDF and SVG, the same bytes each time, with everything that belongs on it."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from fractions import Fraction
from itertools import product
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from backing.forms import find_form
from backing.sheet.changes import changed
from backing.sheet.heading import tempo as drawn_tempo
from backing.sheet.markup import markdown
from backing.sheet.page import Paper, _sheet, chart_page, sheet
from backing.sheet.tempos import practice_tempos
from backing.sheet.typeset import Sheet, tonic
from backing.sheet.writing import over_form, write
from phrases.files import load_phrase, read_phrase, shipped
from phrases.hands import suggest
from phrases.phrase import Phrase
from phrases.pitch import parse_key
from phrases.transpose import transpose
from tests.backing.sheet.test_viewers import MOST, WIDE, Grey, apart, grey, in_typst
from tests.hard.material import in_turn, some

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


@pytest.mark.parametrize("name", some(shipped(), 5))
def test_pages_are_small(name: str) -> None:
    pdf = sheet(phrase(name), FORM)
    assert len(pdf) < 300_000 * pages(pdf)
    assert b"/Subtype /Image" not in pdf
    assert b"/Subtype/Image" not in pdf


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
def test_letters_in_drawings_are_found(tmp_path: Path) -> None:
    made = read_phrase(
        'title = "T"\nkey = "Bb"\nscale = "minor pentatonic"\ntempo = 90\n'
        '[[part]]\nrole = "call"\nnotes = "| 1 G5b(full){pm} 2 . | 1 G22 2 ."\ndrag = 1\n'
        '[[part]]\nrole = "response"\nnotes = "| 1 G5 2 ."'
    )
    text = words(sheet(made, find_form("quick-change")), tmp_path / "s.pdf").split()
    for word in ("Call", "Response", "Bb7", "Eb7", "full", "rit.", "P.M.", "22"):
        assert word in text
    assert "= 90" in " ".join(text)
    assert "minor pentatonic scale" in " ".join(text)
    chart = words(chart_page(find_form("quick-change"), parse_key("F#")), tmp_path / "c.pdf")
    assert [chart.split().count(name) for name in ("F#7", "B7", "C#7")] == [6, 4, 2]


@POPPLER
@pytest.mark.parametrize("name", some(["plum-jar", "rope-ferry"], 1))
def test_letters_look_like_their_outlines(name: str, tmp_path: Path) -> None:
    def seen(*, letters: bool) -> Grey:
        pdf = tmp_path / "s.pdf"
        pdf.write_bytes(
            _sheet(phrase(name), FORM, Paper(letters=letters), False, "pdf").compiled()
        )
        scale = ["-scale-to-x", str(WIDE), "-scale-to-y", "-1"]
        made = subprocess.run(
            ["pdftoppm", "-png", "-singlefile", *scale, str(pdf)], capture_output=True, check=True
        )
        return grey(made.stdout)

    text, outlines = seen(letters=True), seen(letters=False)
    assert apart(text, outlines) < MOST
    # A word that is two pixels further on would be told.
    assert apart(text, np.roll(outlines, 2, axis=1)) > MOST


LONG = (
    "The long and winding lamp-lit road that goes down from the quarry pond to the old ferry "
    "house on a Sunday, and then all the way up again in the rain",
    "W" * 90,
    "The road to Llanfairpwllgwyngyllgogerychwyrndrobwllllantysiliogogogoch and then back again",
    "A title that is a little long for a line",
)


@POPPLER
@pytest.mark.parametrize(
    ("title", "paper"),
    in_turn(LONG, [Paper(*one) for one in product(["a4", "letter"], [False, True])]),
)
def test_a_long_title_stays_within_the_margins(title: str, paper: Paper, tmp_path: Path) -> None:
    made = read_phrase(
        f'title = "{title}"\nkey = "A"\ntempo = 90\nscale = "minor pentatonic"\n'
        f'tags = ["{title}"]\n[[part]]\nnotes = "| 1 G5 & G7 2 ."\n[[variation]]\n'
        f'name = "{title}"\n[[variation.part]]\nnotes = "| 1 G7 2 ."\n'
    )
    path = tmp_path / "s.pdf"
    path.write_bytes(sheet(made, FORM, paper))
    told = subprocess.run(
        ["pdftotext", "-bbox", str(path), "-"], capture_output=True, check=True, text=True
    ).stdout
    page = {"a4": (595.28, 841.89), "letter": (612.0, 792.0)}[paper.size]
    margin = 15 * 72 / 25.4
    found = re.findall(
        r'<word xMin="([\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)" yMax="([\d.]+)">([^<]*)<', told
    )
    # Unseen letters stand over the signs that are seen, which stay within.
    for left, top, right, bottom, word in found:
        assert margin - 1 < float(left), word
        assert float(right) < page[0] - margin + 1, word
        assert float(top) > 0, word
        assert float(bottom) < page[1] - 10, word
    letters = "".join(word for *_, word in found)
    # As the title, a tag and a variation's name, if not in the foot.
    assert letters.count(title.replace(" ", "")) >= 3
    # In the SVG, the margins are empty.
    grey_svg = in_typst(sheet(made, FORM, paper, kind="svg"), tmp_path)
    width = int(margin / page[0] * WIDE) - 3
    assert grey_svg[:, :width].min() > 250
    assert grey_svg[:, -width:].min() > 250


@POPPLER
@pytest.mark.parametrize(
    ("behind", "fact"),
    [("0", ""), ('"auto"', " · laid back"), ("25", " · laid back, 25 ms behind the beat")],
)
def test_how_far_behind_the_beat_it_lies(behind: str, fact: str, tmp_path: Path) -> None:
    made = read_phrase(
        f'title = "T"\nkey = "A"\ntempo = 90\nlevel = "easy"\nbehind = {behind}\n'
        '[[part]]\nnotes = "| 1 G5 2 ."\n'
    )
    assert f"Ride shuffle{fact} · easy" in words(sheet(made, FORM), tmp_path / "s.pdf")


@POPPLER
def test_title_and_author(tmp_path: Path) -> None:
    path = tmp_path / "s.pdf"
    path.write_bytes(sheet(phrase(), FORM))
    told = subprocess.run(["pdfinfo", str(path)], capture_output=True, check=True, text=True)
    assert re.search(r"Title:\s+Lamp oil in C\n", told.stdout)
    assert re.search(r"Author:\s+porchband\n", told.stdout)


def test_drawings_have_alternative_text() -> None:
    # Text strings of a PDF that are plain ASCII stand in brackets (ISO 32000-1, 7.9.2).
    pdf = sheet(phrase(), FORM)
    found = re.findall(rb"/Alt ?\(([^()]*)\)", pdf)
    assert b"Fretboard diagram of Lamp oil with degrees of C" in found
    assert b"Tempo: dotted quarter = 56" in found
    assert b"C minor blues scale" in found
    [first] = [alt for alt in found if b"Pickup" in alt and b"low flame" not in alt]
    assert first.startswith(
        b"Lamp oil, notation and tablature. Pickup: 4 high E 8; trip B 11; let B 8. "
        b"Bar 1, C7: 1 G 10, bend a whole step, vibrato; 3 B 8;"
    )


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
        assert not list(root.iter("{http://www.w3.org/2000/svg}image"))
        ids = [one.get("id") for one in root.iter() if one.get("id")]
        assert len(ids) == len(set(ids))
        link = "{http://www.w3.org/1999/xlink}href"
        assert {one.get(link, "#")[1:] for one in root.iter() if one.get(link)} <= set(ids)
        assert len(kind) < 300_000


def test_an_svg_can_be_read_aloud() -> None:
    root = ElementTree.fromstring(sheet(phrase(), FORM, kind="svg"))
    pictures = [one for one in root.iter("{http://www.w3.org/2000/svg}svg") if one.get("role")]
    titles = [one[0].text or "" for one in pictures]
    assert titles[:2] == ["C minor blues scale", "Tempo: dotted quarter = 56"]
    assert sum("Bar 3, C7: 1 G 10, bend a whole step" in title for title in titles) == 1


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


def test_a_long_neck_has_the_page_to_itself() -> None:
    notes = "| 1 E1 2 e12 3 e22 4 ."
    short, long = (
        phrase("rope-ferry"),
        read_phrase(f'title = "Up"\nkey = "A"\ntempo = 90\n[[part]]\nnotes = "{notes}"'),
    )
    assert neck(sheet(long, FORM, kind="svg")) == pytest.approx(180 * 72 / 25.4, abs=1)
    usual = neck(sheet(short, FORM, kind="svg"))
    assert neck(sheet(short, FORM, Paper(larger=True), kind="svg")) > 1.2 * usual


def neck(svg: bytes) -> float:
    """Return how wide a fretboard diagram is drawn, in points."""
    [width] = [
        float(one.get("width", "0"))
        for one in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}svg")
        if one.get("role") and (one[0].text or "").startswith("Fretboard")
    ]
    return width


# Each of these had a last page with little on it, or with the neck and the plan alone.
@pytest.mark.parametrize(
    ("name", "size", "larger", "chorus"),
    [("boot-scraper", "a4", True, False), ("back-step", "letter", False, True),
     ("late-bus", "letter", True, True), ("churn-handle", "letter", True, False)],
)  # fmt: skip
def test_the_last_page_is_a_third_full(
    name: str, size: str, *, larger: bool, chorus: bool
) -> None:
    made: list[Sheet] = []
    compiled = Sheet.compiled

    def kept(self: Sheet) -> bytes:
        made.append(self)
        return compiled(self)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Sheet, "compiled", kept)
        pdf = sheet(phrase(name), FORM, Paper(size, larger=larger), chorus=chorus)
    count, filled = made[-1].extent()
    assert count == pages(pdf)
    assert count == 1 or filled > 1 / 3


@POPPLER
def test_neck_and_plan_are_never_alone_on_a_page(tmp_path: Path) -> None:
    # The height at which they alone would go over to another page.
    whole = _sheet(phrase(), FORM, Paper(), False, "pdf")
    for lift in range(0, 120, 6):
        moved = replace(whole, lift=float(lift))
        if moved.extent()[0] == 2:
            (tmp_path / "s.pdf").write_bytes(moved.compiled())
            second = subprocess.run(
                ["pdftotext", "-f", "2", str(tmp_path / "s.pdf"), "-"],
                capture_output=True, check=True, text=True,
            ).stdout  # fmt: skip
            assert "Response, bar 1, 3" in second.partition("On the neck")[0]
            return
    raise AssertionError("never two pages")


@POPPLER
def test_a_chart_has_the_form_and_the_key(tmp_path: Path) -> None:
    text = words(chart_page(find_form("quick-change"), parse_key("Bb")), tmp_path / "c.pdf")
    assert "Quick change" in text


# What typst, SVG and Markdown would take for their own.
WILD = r'#panic("x") $y$ \n "q" <a> </svg> &amp; @b [c] {d} // e /* f'


@POPPLER
@pytest.mark.parametrize("where", ["title", "tips", "tip", "tags", "name"])
def test_words_that_typst_would_read_are_only_words(where: str, tmp_path: Path) -> None:
    told = {"title": "T", "tips": "P", "tip": "Q", "tags": "R", "name": "N", where: WILD}
    text = """
title = '''{title}'''
key = "A"
tempo = 90
tags = ['''{tags}''']
tips = '''{tips}'''
[[part]]
role = "line"
notes = "| 1 G5 2 ."
[[tip]]
at = "line 1 1"
text = '''{tip}'''
[[variation]]
name = '''{name}'''
[[variation.part]]
role = "line"
notes = "| 1 G7 2 ."
"""
    made = read_phrase(text.format(**told))
    # In Markdown, an entity is the sign it stands for.
    seen = WILD.replace("&amp;", "&") if where in ("tips", "tip") else WILD
    assert seen in words(sheet(made, FORM), tmp_path / "s.pdf")
    ElementTree.fromstring(sheet(made, FORM, kind="svg"))


@pytest.mark.parametrize(
    ("text", "markup"),
    [
        ("Plain.", '#"Plain."'),
        ("**Two** words", '#strong[#"Two"]#" words"'),
        ("so *soft*", '#"so "#emph[#"soft"]'),
        ("a [link](http://x)", '#"a "#link("http://x")[#"link"]#" (http://x)"'),
        ("<http://x>", '#link("http://x")[#"http://x"]'),
        ("![neck](n.png)", '#"neck (n.png)"'),
        ("[x](javascript:alert(1))", '#"[x](javascript:alert(1))"'),
        ("one\ntwo\n\nthree", '#"one"#" "#"two"\n\n#"three"'),
        ("one\\\ntwo", '#"one"#linebreak()#"two"'),
        ("- a\n- b *c*", '#list([#"a"], [#"b "#emph[#"c"]])'),
        ("3. a\n4. b\n   - c", '#enum(start: 3, [#"a"], [#"b"\n\n#list([#"c"])])'),
        ("## Head\n\n> told", '#strong[#"Head"]\n\n#pad(left: 1em)[#"told"]'),
        ("`#x`\n\n    e|-5\n    B|-6", '#"#x"\n\n#raw("e|-5\\nB|-6", block: true)'),
        ("| a |\n|---|\n| b |", '#table(columns: 1, stroke: 0.6pt, [#"a"], [#"b"], )'),
        ('say "x" \\ y', '#"say \\"x\\" \\\\ y"'),
    ],
)
def test_markdown(text: str, markup: str) -> None:
    assert markdown(text) == markup


MARKED = """
# Before

Play **slowly**, see [the page](https://example.org/a_b?c=d&copy=e) and <https://example.org/c>:

- not *fast*
- not `loud`

1. first https://example.org/averyveryveryveryveryveryverylongaddressthatgoesonandonandon
"""


@POPPLER
def test_marked_up_tips_are_set_and_no_sign_is_printed(tmp_path: Path) -> None:
    made = read_phrase(
        f'title = "T"\nkey = "A"\ntempo = 90\ntips = """{MARKED}"""\n'
        '[[part]]\nnotes = "| 1 G5 2 ."\n'
    )
    text = words(sheet(made, FORM), tmp_path / "s.pdf")
    assert (
        "Before Play slowly, see the page (https://example.org/a_b?c=d&copy=e) and "
        "https://example.org/c: "
        "• not fast • not loud 1. first "
        "https://example.org/averyveryveryveryveryveryverylongaddressthatgoesonandonandon" in text
    )
    root = ElementTree.fromstring(sheet(made, FORM, kind="svg"))
    links = {one.get("href") for one in root.iter("{http://www.w3.org/2000/svg}a")}
    assert links == {"https://example.org/a_b?c=d&copy=e", "https://example.org/c"}


@POPPLER
@pytest.mark.parametrize("name", ["lamp-oil", "rope-ferry"])
def test_the_columns_of_the_plan_are_not_squeezed(name: str, tmp_path: Path) -> None:
    for fit in (1.0, 0.88):
        pdf = _sheet(phrase(name), FORM, Paper(larger=True, fit=fit), False, "pdf").compiled()
        assert "quarter = clean passes date, what to mind" in words(pdf, tmp_path / "s.pdf")


@POPPLER
def test_the_key_in_the_foot_is_drawn_and_can_be_found(tmp_path: Path) -> None:
    made = transpose(phrase(), parse_key("Eb"))
    pdf = sheet(made, FORM)
    text = words(pdf, tmp_path / "s.pdf")
    assert "Lamp oil in Eb · page 1 of 1" in text
    assert "On the neck degrees of Eb" in text
    # The letter is there, but it is the sign that is seen.
    key = tonic(parse_key("Eb"), Paper())
    assert key.count("<path") == key.count('fill-opacity=\\"0\\"') == 1
    assert tonic(parse_key("A"), Paper()) == '#"A"'


def test_the_tempo_of_a_twelve_eight_counts_dotted_quarters() -> None:
    # A felt beat of 12/8 is three eighths.
    for meter, dots in (("4/4", 0), ("12/8", 1)):
        text = f'title = "T"\nkey = "A"\ntempo = 60\nmeter = "{meter}"\n[[part]]\nnotes = "| 1 G5"'
        drawn = drawn_tempo(write(read_phrase(text)))
        assert sum(one.kind == "tempo" for one in drawn) == 2 + dots  # a note, its dot, a number


# From about 60 % of the tempo to it in whole tens, as `backing loop` starts and steps.
@pytest.mark.parametrize(
    ("tempo", "plan"),
    [(92, [52, 62, 72, 82, 92]), (56, [36, 46, 56]), (60, [40, 50, 60]), (30, [30])],
)
def test_the_practice_plan(tempo: int, plan: list[int]) -> None:
    assert practice_tempos(Fraction(tempo)) == plan


def test_a_variation_of_the_call_ends_where_the_response_begins() -> None:
    phrase = load_phrase(shipped()["lamp-oil"])
    ((_, other),) = phrase.variations
    score = changed(phrase, other, over_form(other, find_form("twelve-bar")))
    labels = [label.text for measure in score.measures for label in measure.labels]
    assert labels == ["Call"]
    last = score.measures[-1]
    assert last.beats == 3  # the response's pickup takes the fourth
    assert all(event.at < 3 for event in last.events)
