"""A lesson's Markdown as HTML in which every tag is our own: no raw HTML, no links, no pictures.

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

__all__ = ["rich"]

HIGHEST = 3  # the level at which a text's first headings stand on the page


@lru_cache(maxsize=1)
def _reader() -> MarkdownIt:
    from markdown_it import MarkdownIt

    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    for name in ("link_open", "link_close", "image", "heading_open", "heading_close"):
        reader.add_render_rule(name, globals()[f"_{name}"])
    return reader


def rich(text: str) -> str:
    """Return Markdown as HTML that holds neither scripts nor addresses to follow."""
    return str(_reader().render(text)).strip()


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
