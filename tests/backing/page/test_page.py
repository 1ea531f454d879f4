from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace
from fractions import Fraction
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

import backing.page.page as module
from backing.page.data import EncodedSound, PageData, PagePiece
from backing.page.page import LEAD, render_page
from tests.backing.material import line
from tests.backing.page.material import clicked, small

NASTY = (
    "</script><script>alert(1)</script><img src=x onerror=alert(2)>\"'&\u2028\u2029 ${x} $title"
)


class Seen(HTMLParser):
    """Every tag of a page with its attributes, and the text of its scripts."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: list[str] = []
        self.styles: list[str] = []
        self.inside = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self.inside = tag
        if tag == "script":
            self.scripts.append("")
        if tag == "style":
            self.styles.append("")

    def handle_data(self, data: str) -> None:
        if self.inside == "script":
            self.scripts[-1] += data
        if self.inside == "style":
            self.styles[-1] += data

    def handle_endtag(self, tag: str) -> None:
        self.inside = ""


def test_other_pages_are_links_to_files_beside_it() -> None:
    others = (("A & B", "../02 rain/02.html"), ("<b>", "javascript:alert(1)"), ("x", "//host/y"))
    seen = Seen(render_page(replace(small(), others=others)))
    links = [words["href"] for tag, words in seen.tags if tag == "a"]
    # RFC 3986, 4.2: no scheme before the first slash, no host after two.
    assert links == ["./../02%20rain/02.html", "./javascript%3Aalert%281%29", ".///host/y"]
    assert "b" not in {tag for tag, _ in seen.tags}


def nasty() -> PageData:
    piece = small().pieces[0]
    old = piece.versions[0]
    tip = replace(old.tips[0], text=NASTY, place=NASTY) if old.tips else None
    version = replace(
        old,
        key=NASTY,
        chords=tuple(replace(chord, name=NASTY) for chord in old.chords),
        notes=tuple(replace(note, name=NASTY, how=NASTY) for note in old.notes),
        tips=(tip,) if tip else (),
    )
    return PageData(NASTY, (PagePiece(NASTY, (version,)),), NASTY, NASTY)


def digest(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def policy(seen: Seen) -> dict[str, str]:
    text = next(
        attrs["content"] or ""
        for tag, attrs in seen.tags
        if tag == "meta" and attrs.get("http-equiv") == "Content-Security-Policy"
    )
    return {words[0]: " ".join(words[1:]) for part in text.split(";") if (words := part.split())}


def test_only_its_own_script_and_style_may_run() -> None:
    seen = Seen(render_page(small()))
    rules = policy(seen)
    assert rules["default-src"] == "'none'"
    assert rules["base-uri"] == rules["form-action"] == "'none'"
    scripts = [
        text
        for text, attrs in zip(
            seen.scripts, (a for tag, a in seen.tags if tag == "script"), strict=True
        )
        if "type" not in attrs
    ]
    assert len(scripts) == len(seen.styles) == 1
    # Nothing else in the file runs; what the script itself asks for may: worklets, a decoder.
    assert rules["script-src"] == f"{digest(scripts[0])} 'strict-dynamic' 'wasm-unsafe-eval'"
    assert rules["style-src"] == digest(seen.styles[0])


def test_a_nasty_lesson_adds_no_tag_and_no_attribute() -> None:
    plain, bad = Seen(render_page(small())), Seen(render_page(nasty()))

    def shape(seen: Seen) -> set[tuple[str, ...]]:
        return {(tag, *sorted(attrs)) for tag, attrs in seen.tags}

    assert shape(bad) - shape(plain) <= {("p",), ("div", "class")}
    assert not [a for _, attrs in bad.tags for a in attrs if a.startswith("on") or a == "style"]
    assert policy(plain)["script-src"] == policy(bad)["script-src"]


def test_nothing_names_another_place() -> None:
    seen = Seen(render_page(nasty()))
    for tag, attrs in seen.tags:
        for name in ("src", "href", "action", "data", "poster", "srcset", "background"):
            assert attrs.get(name) in (None, "data:,"), (tag, attrs)
    assert "url(" not in seen.styles[0]
    assert "@import" not in seen.styles[0]


def test_texts_come_through_unchanged() -> None:
    seen = Seen(render_page(nasty()))
    lesson = json.loads(next(s for s in seen.scripts if s.startswith('{"name"')))
    assert lesson["name"] == lesson["pieces"][0]["name"] == NASTY
    assert lesson["pieces"][0]["versions"][0]["key"] == NASTY


def test_each_count_has_its_own_name() -> None:
    phrase = line("4& e5 | 1 e8 & e5h8 | 2trip B8 let B5 | 3e G7 & G5 a D7")
    version = clicked(phrase, (120,))
    seen = Seen(render_page(PageData("x", (PagePiece("x", (version,)),))))
    lesson = json.loads(next(s for s in seen.scripts if s.startswith('{"name"')))
    assert lesson["pieces"][0]["versions"][0]["places"] == [
        "Pickup, the and of 4", "Bar 1, beat 1", "Bar 1, the and of 1",
        "Bar 1, just after the and of 1", "Bar 2, the trip of 2", "Bar 2, the let of 2",
        "Bar 3, the e of 3", "Bar 3, the and of 3", "Bar 3, the a of 3",
    ]  # fmt: skip


def test_an_equal_sound_is_there_once() -> None:
    data = small()
    twice = replace(data, pieces=(data.pieces[0], replace(data.pieces[0], name="again")))
    count = [len(re.findall(r'id="sound-\d+"', render_page(one))) for one in (data, twice)]
    assert count == [6, 6]


def test_a_first_screen_waits_for_no_sound() -> None:
    html = render_page(small())
    assert html.index('id="sound-0"') > html.index(".practice = {")
    assert html.index('id="sound-0"') > html.rindex("</template>")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"frames": 1000}, "frames; 4 bars take"),
        ({"start": LEAD - 1}, "starts before frame"),
    ],
)
def test_sounds_must_fit(change: dict[str, Any], message: str) -> None:
    data = small()
    version = data.pieces[0].versions[0]
    loop = replace(version.loops[0], phrase=replace(version.loops[0].phrase, **change))
    wrong = replace(version, loops=(loop,), heard=version.heard[:1])
    with pytest.raises(ValueError, match=message):
        render_page(PageData("x", (PagePiece("x", (wrong,)),)))


def test_an_empty_page_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one piece"):
        render_page(PageData("x", ()))


def test_a_version_says_when_each_place_is_heard() -> None:
    data = small()
    version = data.pieces[0].versions[0]
    lesson = json.loads(
        next(s for s in Seen(render_page(data)).scripts if s.startswith('{"name"'))
    )
    loop = lesson["pieces"][0]["versions"][0]["loops"][1]
    beat = 60 / 200
    assert loop["tempo"] == 200
    assert loop["chords"] == pytest.approx([0, 4 * beat, 8 * beat, 12 * beat], abs=1e-4)
    # The call's pickup on 4&, swung 2:1, comes a third of a beat before beat one.
    assert loop["turns"][0][0] == pytest.approx(-beat / 3, abs=1e-4)
    for ways in (loop["wide"], loop["narrow"]):
        for way in ways:
            assert all(a[0] < b[0] and a[1] < b[1] for a, b in pairwise(way))
    assert version.loops[1].tempo == Fraction(200)
    assert isinstance(version.loops[1].band, EncodedSound)


# --- how it looks -----------------------------------------------------------------------------

CSS = (Path(module.__file__).parent / "tokens.css").read_text(encoding="utf-8")
# By day and by night.
SCHEMES = [
    dict(re.findall(r"--(\w+): (#[0-9a-f]{6});", block))
    for block in re.findall(r":root \{(.*?)\}", CSS, re.DOTALL)
]


def luminance(colour: str) -> float:
    """Return the relative luminance of a colour (WCAG 2.2, definition of relative luminance)."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio (WCAG 2.2)."""
    a, b = sorted((luminance(one), luminance(other)), reverse=True)
    return (a + 0.05) / (b + 0.05)


def test_contrast_ratio() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)  # WCAG 2.2
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)  # WebAIM's example


@pytest.mark.parametrize(
    ("text", "ground"),
    [
        ("ink", "paper"), ("ink", "sheet"), ("ink", "wash"), ("ink", "glow"), ("ink", "yours"),
        ("soft", "paper"), ("soft", "sheet"), ("soft", "wash"), ("soft", "glow"),
        ("sheet", "rust"), ("sheet", "pine"), ("sheet", "ink"),
    ],
)  # fmt: skip
def test_text_has_contrast(text: str, ground: str) -> None:
    assert len(SCHEMES) == 2
    for colours in SCHEMES:
        assert contrast(colours[text], colours[ground]) >= 4.5  # WCAG 2.2, 1.4.3 AA


@pytest.mark.parametrize(
    ("part", "ground"),
    [
        ("edge", "paper"), ("edge", "sheet"), ("edge", "wash"),
        ("focus", "paper"), ("focus", "sheet"), ("focus", "wash"), ("rust", "wash"),
    ],
)  # fmt: skip
def test_edges_have_contrast(part: str, ground: str) -> None:
    for colours in SCHEMES:
        assert contrast(colours[part], colours[ground]) >= 3.0  # WCAG 2.2, 1.4.11 AA
