"""The slate of a take: a small file beside it that says what it was played over.

It holds the command with what the user's settings add to it, the texts of the files that it
names, and the segments of the piece as they were really played, so that pauses, jumps and other
tempos are known: what is set or edited later does not change what the take was played over.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from backing.live.reel import Begin
from phrases.errors import BluesError
from phrases.rewrite import replace_file

__all__ = ["Slate", "SlateError", "read_slate", "segments", "slate_name", "write_slate"]

KIND = "a take and what it was played over"
LONGEST = 4_000_000  # bytes


class SlateError(BluesError, ValueError):
    """The file beside a take is not a slate, or not one for this program."""


@dataclass(frozen=True, slots=True)
class Slate:
    """Command, phrase, settings and played segments of one take."""

    words: list[str]  # the command and its words, such as ``["loop", "lamp-oil", "--from", "50"]``
    phrase: str  # the text of the phrase's file, empty without one
    rate: int  # of the take
    frames: int  # of the take
    measured: bool  # whether the sound card's round trip was measured
    # Rows of section, second in the take, second in the section, pace, and the second of the take
    # at which it was left (None: it went on to its end).
    segments: list[list[float | None]]
    made: str  # when, as ISO 8601
    # Texts of the other files, by the name that stands in words or phrase.
    files: dict[str, str] = field(default_factory=dict)


def slate_name(take: Path) -> Path:
    """Return the name of the file beside a take."""
    return take.with_suffix(".json")


def segments(history: Sequence[int | Begin], rate: int, frames: int) -> list[list[float | None]]:
    """Return the stream that was played as the rows of a `Slate`.

    The history is of `backing.live.reel.Renderer.history`; what would have come after the end of
    the take, in frames, is left out.
    """
    rows: list[list[float | None]] = []
    for n, cue in enumerate(history):
        if isinstance(cue, Begin) and cue.section >= 0 and cue.frame < frames:
            # What was cut where it begins, as another tempo does, was before it.
            cuts = [cut for cut in history[n:] if isinstance(cut, int) and cut >= cue.frame]
            left = min(cuts, default=None)
            until = None if left is None else left / rate
            rows.append([cue.section, cue.frame / rate, float(cue.offset), float(cue.pace), until])
    return rows


def write_slate(take: Path, slate: Slate) -> Path:
    """Write what a take was played over beside it; return the file.

    TextFileError if it cannot be written.
    """
    path = slate_name(take)
    text = json.dumps({"kind": KIND, **asdict(slate)}, ensure_ascii=False, indent=1) + "\n"
    replace_file(path, text)
    return path


def read_slate(take: Path) -> Slate | None:
    """Return the slate of a take, None where none lies beside it.

    SlateError if what lies beside it was not written by `write_slate`.
    """
    path = slate_name(take)
    if not path.is_file():
        return None
    try:
        if path.stat().st_size > LONGEST:
            raise ValueError("too large")
        found = json.loads(path.read_text(encoding="utf-8"))
        if found.pop("kind") != KIND:
            raise ValueError("another kind of file")
        return _checked(Slate(**found))
    except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        raise SlateError(
            f"{path}: does not say what {take.name} was played over ({error}); say it on the "
            f"command line: backing hear {take.name} loop my-phrase"
        ) from None


def _checked(slate: Slate) -> Slate:
    named = isinstance(slate.files, dict) and [*slate.files, *slate.files.values()]
    texts = (slate.words, named)
    words = all(isinstance(some, list) and all(isinstance(w, str) for w in some) for some in texts)
    numbers = all(type(n) is int and n > 0 for n in (slate.rate, slate.frames))
    if not (words and slate.words and isinstance(slate.phrase, str) and numbers):
        raise ValueError("fields of the wrong kind")
    if any(Path(name).name in ("", "..") or "\0" in name for name in slate.files):
        raise ValueError("a file has a name")
    for row in slate.segments:
        section, at, offset, pace, until = row
        known: list[Any] = [at, offset, pace, 0.0 if until is None else until]
        if type(section) is not int or section < 0:
            raise ValueError("a section is a number")
        if not all(isinstance(n, (int, float)) and math.isfinite(n) for n in known):
            raise ValueError("a time is a number")
        if pace is None or pace <= 0:
            raise ValueError("a pace is above 0")
    return slate
