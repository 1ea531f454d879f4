"""The kinds of TOML file that there are, told from one another by the keys in them."""

from __future__ import annotations

import glob
import os
import tomllib
from collections.abc import Mapping
from itertools import islice
from pathlib import Path
from typing import Any

from phrases.words import likely

__all__ = [
    "FORM", "GROOVE", "LESSON", "PHRASE", "PLAN", "kind_of", "kind_of_file", "missing_file",
    "offers", "other_kind", "told",
]  # fmt: skip

PHRASE, LESSON, GROOVE, FORM, PLAN = (
    "a phrase", "a lesson", "a groove", "a form", "a practice plan",
)  # fmt: skip

# The keys that only such a file has, and what is done with one.
KINDS: dict[str, tuple[tuple[str, ...], str]] = {
    PHRASE: (("key", "scale", "tip", "variation"), "play it with `backing demo`"),
    LESSON: (("phrase",), "make it with `backing lesson`"),
    GROOVE: (("drums", "bass", "comp"), "play it with --groove"),
    FORM: (("chart",), "play it with --form"),
    PLAN: (
        ("from", "to", "start", "goal", "step", "each", "count", "passes", "shape", "gap"),
        "practise it with --plan",
    ),
}
# How one comes by such a file.
FOUND: dict[str, str] = {
    PHRASE: "`backing list phrases` shows those that ship, `backing new NAME` starts one",
    LESSON: "`backing new NAME --lesson` starts one",
    GROOVE: "`backing list grooves` shows those that ship",
    FORM: "`backing list forms` shows those that ship",
    PLAN: "options say the same: --from, --to, --step",
}
MOST_FILES = 200  # of a folder that are looked into
LARGEST = 100_000  # bytes of a file that is looked into


def kind_of(data: Mapping[str, Any]) -> str:
    """Return which kind of file has such data; empty where no key of it tells."""
    if isinstance(data.get("part"), list):  # a plan's is a word
        return PHRASE
    return next((kind for kind, (keys, _) in KINDS.items() if any(k in data for k in keys)), "")


def other_kind(data: Mapping[str, Any], wanted: str) -> str:
    """Return the message for a file of another kind than is wanted; empty if it may be one."""
    kind = kind_of(data)
    if not kind or kind == wanted or any(key in data for key in KINDS[wanted][0]):
        return ""
    return told(kind, wanted)


def told(kind: str, wanted: str) -> str:
    """Return the message for a file of a kind, or of none that is known, that was not wanted."""
    if not kind:
        return f"this is not {wanted}; name another file"
    return f"this is {kind}, not {wanted}; {KINDS[kind][1]}"


def offers(path: Path, kind: str) -> dict[str, str]:
    """Return what may have been meant by a file that is not there.

    Parameters
    ----------
    path
        As it was written; a name without a suffix is compared with names without theirs.
    kind
        Only files of this kind are offered; any with the same suffix where it is empty.

    Returns
    -------
    dict
        What a spelling is compared with, and the name of the file in the same folder.
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
    return f"there is no such file; {FOUND.get(kind, 'check its name and its folder')}"


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
