"""Words on the page: texts and Markdown as typst's markup, in which nothing of theirs is code.

Conventions: an address stands in brackets after the words of its link, so that paper keeps it.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from markdown_it import MarkdownIt
    from markdown_it.tree import SyntaxTreeNode

__all__ = ["escaped", "markdown", "quoted"]


def quoted(text: str) -> str:
    """Return a text as a string of typst's."""
    text = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
    return f'"{text}"'


def escaped(text: str) -> str:
    """Return a text as markup that says just that."""
    return f"#{quoted(text)}" if text else ""


@lru_cache(maxsize=1)
def _reader() -> MarkdownIt:
    from markdown_it import MarkdownIt

    return MarkdownIt("commonmark", {"html": False}).enable("table")


def markdown(text: str) -> str:
    """Return a Markdown text as typst's markup, its headings as bold lines."""
    from markdown_it.tree import SyntaxTreeNode

    return _blocks(SyntaxTreeNode(_reader().parse(text)).children)


def _blocks(nodes: Sequence[SyntaxTreeNode]) -> str:
    return "\n\n".join(map(_block, nodes))


def _block(node: SyntaxTreeNode) -> str:
    inside = node.children
    if node.type in ("bullet_list", "ordered_list"):
        items = ", ".join(f"[{_blocks(item.children)}]" for item in inside)
        if node.type == "bullet_list":
            return f"#list({items})"
        return f"#enum(start: {node.attrs.get('start', 1)}, {items})"
    if node.type == "table":
        rows = [row.children for part in inside for row in part.children]
        cells = "".join(f"[{_spans(cell.children)}], " for row in rows for cell in row)
        return f"#table(columns: {len(rows[0])}, stroke: 0.6pt, {cells})"
    if node.type in ("fence", "code_block"):
        return f"#raw({quoted(node.content.rstrip())}, block: true)"
    if node.type == "heading":
        return f"#strong[{_spans(inside)}]"
    if node.type == "blockquote":
        return f"#pad(left: 1em)[{_blocks(inside)}]"
    if node.type == "hr":
        return "#line(length: 30%, stroke: 0.6pt)"
    return _spans(inside)


def _spans(nodes: Sequence[SyntaxTreeNode]) -> str:
    return "".join(map(_span, nodes))


def _span(node: SyntaxTreeNode) -> str:
    inside = _spans(node.children)
    if node.type in ("strong", "em"):
        return f"#{'strong' if node.type == 'strong' else 'emph'}[{inside}]"
    if node.type == "link":
        address = str(node.attrs.get("href", ""))
        told = "" if inside == escaped(address) else escaped(f" ({address})")
        return f"#link({quoted(address)})[{inside}]{told}"
    if node.type == "image":
        return escaped(f"{node.content} ({node.attrs.get('src', '')})")
    if node.type in ("softbreak", "hardbreak"):
        return escaped(" ") if node.type == "softbreak" else "#linebreak()"
    return inside or escaped(node.content)
