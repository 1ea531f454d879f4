"""typst's SVG with its pictures inlined, so that every viewer draws them as lines.

Conventions: typst puts each picture into the drawing as a file in base64, which some viewers
rasterise. Here it becomes a nested ``<svg>``. Outlines that come again are drawn once and used
again; their ids, ``o1`` and on, differ from typst's, which begin with ``g``.
"""

from __future__ import annotations

import base64
import re
from collections import Counter
from html import escape

from phrases.replacing import MADE

__all__ = ["inlined"]

_IMAGE = re.compile(
    r'<image(?P<placed>[^>]*) xlink:href="data:image/svg\+xml;base64,(?P<data>[^"]*)"'
    r"(?P<size>[^>]*)/>"
)
_LINK = re.compile(r"<a [^>]*>")
_OUTLINE = re.compile(r'<path( transform="[^"]*")? d="([^"]{80,})"/>')


def inlined(svg: str, title: str) -> str:
    """Return a drawing of typst's as one of lines only, with a title and its maker."""
    svg = _IMAGE.sub(_nested, svg)
    # typst writes an address as it is.
    svg = _LINK.sub(lambda found: re.sub("&(?!amp;)", "&amp;", found[0]), svg)
    often = Counter(path for _, path in _OUTLINE.findall(svg))
    names = {path: f"o{n}" for n, (path, count) in enumerate(often.items(), 1) if count > 1}
    defs = "".join(f'<path id="{name}" d="{path}"/>' for path, name in names.items())

    def used(found: re.Match[str]) -> str:
        name = names.get(found[2])
        return found[0] if name is None else f'<use xlink:href="#{name}"{found[1] or ""}/>'

    start, end = _OUTLINE.sub(used, svg).split(">", 1)
    said = f"<title>{escape(title, quote=False)}</title><metadata>{MADE}</metadata>"
    return f"{start}>{said}<defs>{defs}</defs>{end}"


def _nested(image: re.Match[str]) -> str:
    inside = base64.b64decode(image["data"]).decode()
    nested = inside.replace("<svg ", f"<svg{image['size']} ", 1)
    return f"<g{image['placed']}>{nested}</g>"
