"""The kinds of TOML file that there are, told from one another by the keys in them."""

from __future__ import annotations

import glob
import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import import_module
from itertools import islice
from pathlib import Path
from typing import Any

from phrases.words import likely

__all__ = [
    "PHRASE", "SOURCES", "declare", "kind_of", "kind_of_file", "missing_file", "offers",
    "other_kind", "told",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Kind:
    """One kind of TOML file: its keys, its use, how to get one."""

    keys: tuple[str, ...]  # those that only such a file has
    use: str  # what is done with one
    found: str  # how one comes by one


_DECLARED: dict[str, _Kind] = {}
SOURCES: list[str] = []  # modules that declare further kinds when they are imported


def declare(name: str, keys: tuple[str, ...], use: str, found: str) -> str:
    """Make a kind known, and return its name; each is declared where its reader is.

    `name` has its article, ``"a groove"``; `keys` are those that only such a file has, `use` what
    is done with one, `found` how one comes by one.
    """
    _DECLARED[name] = _Kind(keys, use, found)
    return name


PHRASE = declare(
    "a phrase",
    ("key", "scale", "tip", "variation"),
    "play it with `backing demo`",
    "`backing list phrases` shows those that ship, `backing new NAME` starts one",
)


def _kinds() -> Mapping[str, _Kind]:
    """Return every kind; reading what declares them takes a moment, so only errors do it."""
    for module in SOURCES:
        import_module(module)
    return _DECLARED


MOST_FILES = 200  # of a folder that are looked into
LARGEST = 100_000  # bytes of a file that is looked into


def kind_of(data: Mapping[str, Any]) -> str:
    """Return which kind of file has such data; empty where no key of it tells."""
    if isinstance(data.get("part"), list):  # a plan's is a word
        return PHRASE
    return next((name for name, kind in _kinds().items() if any(k in data for k in kind.keys)), "")


def other_kind(data: Mapping[str, Any], wanted: str) -> str:
    """Return the message for a file of another kind than wanted; empty if it may be right."""
    if any(key in data for key in _DECLARED[wanted].keys):
        return ""
    kind = kind_of(data)
    return told(kind, wanted) if kind and kind != wanted else ""


def told(kind: str, wanted: str) -> str:
    """Return the message for a file of the wrong kind, or of no known one."""
    if not kind:
        return f"this is not {wanted}; name another file"
    return f"this is {kind}, not {wanted}; {_kinds()[kind].use}"


def offers(path: Path, kind: str) -> dict[str, str]:
    """Return the files beside a missing one, by the spellings that it is compared with.

    A name without a suffix is compared with names without theirs. Only files of the `kind` are
    offered; any with the same suffix where it is empty.
    """
    pattern = "*.toml" if kind else "*" + glob.escape(path.suffix)
    near = sorted(islice(path.parent.glob(pattern), MOST_FILES))
    return {
        (one.name if path.suffix else one.stem): one.name
        for one in near
        if not kind or _kind(one) in (kind, None)  # nobody can tell where there is a slip
    }


def missing_file(path: Path, kind: str = "") -> str:
    """Return the message for a file that is not there; `kind` is as for `offers`."""
    if not os.path.isdir(path.parent):  # noqa: PTH112  Path's raises where a name is too long
        return "there is no such folder; write the one in which the file is"
    near = offers(path, kind)
    if near:
        return f"there is no such file; {likely(path.name, near.values(), near)}"
    found = _kinds().get(kind)
    return f"there is no such file; {found.found if found else 'check its name and its folder'}"


def kind_of_file(path: Path) -> str:
    """Return which kind of file a path names; empty where it cannot be read or none is told."""
    return _kind(path) or ""


def _kind(path: Path) -> str | None:
    """Return the same, but None where the text has a slip."""
    try:
        if not path.is_file() or path.stat().st_size > LARGEST:
            return ""
        return kind_of(tomllib.loads(path.read_text(encoding="utf-8-sig")))
    except tomllib.TOMLDecodeError:
        return None
    except (OSError, ValueError, RecursionError):
        return ""
