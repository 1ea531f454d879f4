"""The page that leads to all that a lesson or a catalogue has made."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from html import escape
from itertools import groupby
from pathlib import Path
from urllib.parse import quote

from backing.lesson.data import Lesson
from backing.lesson.items import Item
from backing.lesson.paper import Leaf
from backing.page.page import framed
from backing.page.words import rich

__all__ = ["INDEX", "contents", "index"]

INDEX = "index.html"
NAMES = {
    "page": "Practise", "sheet": "Sheet", "demo": "Demo", "loop": "Loop", "trade": "Call and "
    "response", "backing": "Band alone",
}  # fmt: skip


def contents(lesson: Lesson, items: Mapping[Item, Iterable[str]], leaves: Iterable[Leaf]) -> str:
    """Return the page of a lesson: for each phrase its practice page, its sheets, its sounds.

    `items` is what sounds, with its files' paths in the lesson's folder; `leaves` what is read.
    """
    papers = list(leaves)
    parts = [rich(lesson.text)] if lesson.text.strip() else []
    parts += [_list([(leaf.name, "All sheets in one")]) for leaf in papers if leaf.study is None]
    for number, study in enumerate(lesson.studies):
        parts.append(f"<h2>{escape(study.phrase.title)}</h2>")
        own = [leaf for leaf in papers if leaf.study == number and leaf.kind in NAMES]
        own.sort(key=lambda leaf: leaf.kind != "page")
        parts.append(
            _list(
                (leaf.name, NAMES[leaf.kind] + (f" in {leaf.key}" if leaf.key else ""))
                for leaf in own
            )
        )
        here = [item for item in items if item.study == number and item.formats]
        for key, group in groupby(here, lambda item: item.key):
            links = [
                (path, _called(item) + f" ({Path(path).suffix[1:].upper()})")
                for item in group
                for path in items[item]
                if path.removeprefix(f"{item.name}.") in item.formats
            ]
            parts.append(f"<h3>Sounds in {escape(str(key))}</h3>{_list(links)}")
    return framed(lesson.title, "\n".join(parts))


def _called(item: Item) -> str:
    words = [NAMES[item.kind]]
    words += [item.version] if item.version else []
    words.append(f"at {float(item.tempo):g}")
    return " ".join(words) + (f", {Path(item.groove).stem}" if item.groove else "")


def index(title: str, links: Iterable[tuple[str, str]]) -> str:
    """Return a page of links, each a path and what it is called."""
    return framed(title, _list(links))


def _list(links: Iterable[tuple[str, str]]) -> str:
    rows = (f'<li><a href="./{quote(path)}">{escape(name)}</a></li>' for path, name in links)
    return f"<ul>{''.join(rows)}</ul>"
