"""A lesson's Markdown as plain text, or as HTML in which every tag is our own.

There is no raw HTML, no link and no picture in it.

Where a link or a picture is written, its address stands in brackets after its words, as text.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from html import escape
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from markdown_it import MarkdownIt
    from markdown_it.token import Token

__all__ = ["plain", "rich"]

HIGHEST = 3  # the level at which a text's first headings stand on the page


@lru_cache(maxsize=1)
def _reader() -> MarkdownIt:
    from markdown_it import MarkdownIt

    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    for name in (
        "link_open", "link_close", "image", "heading_open", "heading_close", "table_open",
        "table_close",
    ):  # fmt: skip
        reader.add_render_rule(name, globals()[f"_{name}"])
    return reader


def rich(text: str) -> str:
    """Return Markdown as HTML that holds neither scripts nor addresses to follow."""
    return str(_reader().render(text)).strip()


def plain(text: str) -> str:
    """Return Markdown as text without marks, for places that show none: lists keep theirs."""
    lines: list[str] = []
    counts: list[int | None] = []  # of the lists around; None where they have no numbers
    item = ""
    row: list[str] | None = None
    for token in _reader().parse(text):
        kind = token.type
        if kind.endswith("_list_open"):
            counts.append(int(token.attrGet("start") or 1) if kind.startswith("ordered") else None)
        elif kind.endswith("_list_close"):
            counts.pop()
            lines += [] if counts else [""]
        elif kind == "list_item_open":
            number = counts[-1]
            item = "- " if number is None else f"{number}. "
            counts[-1] = None if number is None else number + 1
        elif kind == "tr_open":
            row = []
        elif kind == "tr_close":
            lines.append("  ".join(row or []))
            row = None
        elif kind == "inline" and row is not None:
            row.append(_line(token.children or []))
        elif kind == "inline":
            lines.append("  " * max(0, len(counts) - 1) + item + _line(token.children or []))
            item = ""
        elif kind in ("fence", "code_block"):
            lines += [*token.content.rstrip().splitlines(), ""]
        elif kind in ("paragraph_close", "heading_close", "table_close") and not token.hidden:
            lines.append("")
    return "\n".join(lines).strip()


def _line(tokens: Sequence[Token]) -> str:
    out = ""
    addresses: list[tuple[str, int]] = []
    for token in tokens:
        if token.type == "link_open":
            addresses.append((str(token.attrGet("href") or ""), len(out)))
        elif token.type == "link_close":
            address, start = addresses.pop()
            out += "" if out[start:] == address else f" ({address})"
        elif token.type == "image":
            out += f"{token.content} ({token.attrGet('src') or ''})"
        else:
            out += {"softbreak": " ", "hardbreak": "\n"}.get(token.type, token.content)
    return out


def _link_open(
    own: Any, tokens: Sequence[Token], at: int, options: Any, env: dict[str, list[str]]
) -> str:
    env.setdefault("addresses", []).append(str(tokens[at].attrGet("href") or ""))
    return "<span>"


def _link_close(
    own: Any, tokens: Sequence[Token], at: int, options: Any, env: dict[str, list[str]]
) -> str:
    address = env["addresses"].pop()
    inner = tokens[at - 1].content if at else ""
    return "</span>" if address == inner else f" ({escape(address)})</span>"


def _image(
    own: Any, tokens: Sequence[Token], at: int, options: Any, env: dict[str, list[str]]
) -> str:
    token = tokens[at]
    return escape(f"{token.content} ({token.attrGet('src') or ''})")


def _level(token: Token) -> int:
    return min(6, int(token.tag[1:]) + HIGHEST - 1)


def _heading_open(
    own: Any, tokens: Sequence[Token], at: int, options: Any, env: dict[str, list[str]]
) -> str:
    return f"<h{_level(tokens[at])}>"


def _heading_close(
    own: Any, tokens: Sequence[Token], at: int, options: Any, env: dict[str, list[str]]
) -> str:
    return f"</h{_level(tokens[at])}>\n"


def _table_open(
    own: Any, tokens: Sequence[Token], at: int, options: Any, env: dict[str, list[str]]
) -> str:
    # A table may be wider than a telephone; keys scroll what can be focused.
    return '<div class="scroll" role="group" aria-label="Table" tabindex="0"><table>\n'


def _table_close(
    own: Any, tokens: Sequence[Token], at: int, options: Any, env: dict[str, list[str]]
) -> str:
    return "</table></div>\n"
