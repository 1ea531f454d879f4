"""Words on the page: texts and Markdown as typst's markup, in which nothing of theirs is code."""

from __future__ import annotations

import re
from collections.abc import Iterator

__all__ = ["escaped", "markdown", "quoted"]


def quoted(text: str) -> str:
    """Return a text as a string of typst's."""
    text = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
    return f'"{text}"'


def escaped(text: str) -> str:
    """Return a text as markup that says just that."""
    return f"#{quoted(text)}" if text else ""


_INLINE = re.compile(
    r"\*\*(?P<strong>[^*]+)\*\*|\*(?P<em>[^*]+)\*|\b_(?P<under>[^_]+)_\b|`(?P<raw>[^`]+)`"
    r"|\[(?P<label>[^\]]+)\]\([^)]*\)"
)


def markdown(text: str) -> str:
    """Return a Markdown text, its paragraphs, lists and stresses, as typst's markup."""
    found = []
    for paragraph in re.split(r"\n\s*\n", text.strip()):
        lines = paragraph.splitlines()
        if all(re.match(r"\s*[-*] ", line) for line in lines):
            found.append("\n".join("- " + "".join(_inline(line.strip()[2:])) for line in lines))
        else:
            found.append("".join(_inline(" ".join(line.strip() for line in lines))))
    return "\n\n".join(found)


def _inline(text: str) -> Iterator[str]:
    at = 0
    for match in _INLINE.finditer(text):
        if match.start() > at:
            yield escaped(text[at : match.start()])
        if match["strong"]:
            yield f"#strong[{escaped(match['strong'])}]"
        elif match["em"] or match["under"]:
            yield f"#emph[{escaped(match['em'] or match['under'])}]"
        else:
            yield escaped(match["raw"] or match["label"] or "")
        at = match.end()
    if at < len(text):
        yield escaped(text[at:])
