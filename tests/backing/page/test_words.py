from __future__ import annotations

import re

import pytest

from backing.page.words import plain, rich

ALLOWED = {"h3", "h4", "p", "span", "em", "strong", "ul", "ol", "li", "code", "pre", "blockquote",
           "br", "hr", "div", "table", "thead", "tbody", "tr", "th", "td"}  # fmt: skip


def tags(html: str) -> set[str]:
    return set(re.findall(r"</?([a-z0-9]+)", html))


def test_markdown_is_marked_up() -> None:
    html = rich("# Before\n\n**Bend** *slowly*:\n\n- one\n- two")
    assert "<h3>Before</h3>" in html
    assert "<strong>Bend</strong> <em>slowly</em>" in html
    assert html.count("<li>") == 2


@pytest.mark.parametrize(
    "text",
    [
        "<script>alert(1)</script>",
        "<img src=x onerror=alert(1)>",
        "a <b onclick='x()'>b</b>",
        "</script></style></template>",
        "<!-- x -->",
        "<svg/onload=alert(1)>",
        "`<script>`",
        "    <script>",
        "# <iframe src='//a.b'></iframe>",
        "a\u2028b\u2029c",
    ],
)
def test_markup_shows_as_text(text: str) -> None:
    html = rich(text)
    assert tags(html) <= ALLOWED
    assert not re.search(r"<[a-z]+ [^>]*(on|src|href)", html)


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("[lesson](https://a.example/b)", "lesson (https://a.example/b)"),
        ("<https://a.example>", "https://a.example"),
        ("![neck](http://a.example/n.png)", "neck (http://a.example/n.png)"),
        ("[x](javascript:alert(1))", "[x](javascript:alert(1))"),
        ("[x](data:text/html,1)", "[x](data:text/html,1)"),
        ('[x](https://a.example "<t>")', "x (https://a.example)"),
    ],
)
def test_addresses_are_text(text: str, shown: str) -> None:
    html = rich(text)
    assert re.sub(r"<[^>]+>", "", html) == shown
    assert "href" not in html
    assert "src" not in html


def test_plain_text_has_no_marks() -> None:
    text = """# Calls

Most are *calls*, **loud**
and `5h7`.

3. Listen.
4. Hum [it](http://a.example/b).
   - twice
- <b>x</b> \\* 2 < 3

| a | b |
|---|---|
| c | d |
"""
    assert plain(text) == (
        "Calls\n\nMost are calls, loud and 5h7.\n\n"
        "3. Listen.\n4. Hum it (http://a.example/b).\n  - twice\n\n- <b>x</b> * 2 < 3\n\n"
        "a  b\nc  d"
    )
