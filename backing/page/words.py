"""A lesson's Markdown as plain text, or as HTML in which every tag is our own.

There is no raw HTML, no link and no picture in it.

Where a link or a picture is written, its address stands in brackets after its words, as text.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from markdown_it import MarkdownIt
    from markdown_it.rules_core import StateCore
    from markdown_it.token import Token

__all__ = ["plain", "rich"]

HIGHEST = 3  # the level at which a text's first headings stand on the page


@lru_cache(maxsize=1)
def _reader() -> MarkdownIt:
    from markdown_it import MarkdownIt

    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    reader.core.ruler.push("ours", _made_ours)
    # A table may be wider than a telephone; keys scroll what can be focused.
    scroll = '<div class="scroll" role="group" aria-label="Table" tabindex="0"><table>\n'
    for name, html in (("table_open", scroll), ("table_close", "</table></div>\n")):
        reader.add_render_rule(name, lambda *_, html=html: html)
    return reader


def _made_ours(state: StateCore) -> None:
    """Let headings begin at a lower level, and addresses stand behind their words."""
    for token in state.tokens:
        if token.type.startswith("heading_"):
            token.tag = f"h{min(6, int(token.tag[1:]) + HIGHEST - 1)}"
        addresses: list[tuple[str, int]] = []
        out: list[Token] = []
        for one in token.children or ():
            if one.type == "link_open":
                addresses.append((str(one.attrGet("href") or ""), len(out)))
                continue
            if one.type == "link_close":
                address, start = addresses.pop()
                inner = "".join(each.content for each in out[start:])
                one.content = "" if inner == address else f" ({address})"
            elif one.type == "image":
                one.content += f" ({one.attrGet('src') or ''})"
            if one.type in ("link_close", "image"):
                one.type, one.nesting = "text", 0
            out.append(one)
        if token.children:
            token.children = out


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
    breaks = {"softbreak": " ", "hardbreak": "\n"}
    return "".join(breaks.get(token.type, token.content) for token in tokens)
