"""JavaScript modules to one script, so that a page is one file that asks for nothing.

The modules import from each other by name from files beside them (``import { a } from "./c.js";``)
and export constants, classes and functions where they are declared. Each becomes a function that
is called once, after those that it needs, and returns what it exports.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

__all__ = ["joined"]

_IMPORT = re.compile(r'^import (\{[^}]*\}) from "\./(\w+)\.js";\n', re.MULTILINE)
# A remark on lines of its own.
_REMARK = re.compile(r"^\s*(?://.*|/\*\*(?:[^*]|\*(?!/))*\*/)\n", re.MULTILINE)
_EXPORT = re.compile(
    r"^(?:/\*\* @type .* \*/ )?export (?:async )?(?:const|class|function) ([\w$]+)", re.MULTILINE
)


@cache
def joined(main: Path) -> str:
    """Return a module that is needed by none and all that it needs as one script.

    Raises ValueError if modules need each other in a circle.
    """
    found: dict[Path, str] = {}
    _add(main.resolve(), (), found)
    return '(() => {\n"use strict";\n' + "".join(found.values()) + "})();\n"


def _add(path: Path, under: tuple[Path, ...], found: dict[Path, str]) -> None:
    if path in under:
        circle = " needs ".join(one.name for one in (*under[under.index(path) :], path))
        raise ValueError(f"modules need each other in a circle: {circle}")
    if path in found:
        return
    text = _REMARK.sub("", path.read_text(encoding="utf-8"))
    for _, name in _IMPORT.findall(text):
        _add(path.with_name(f"{name}.js"), (*under, path), found)
    names = ", ".join(_EXPORT.findall(text))
    text = _IMPORT.sub(r"const \1 = in_\2;\n", text)
    text = re.sub(r"^export ", "", text, flags=re.MULTILINE)
    found[path] = f"const in_{path.stem} = (() => {{\n{text}return {{ {names} }};\n}})();\n"
