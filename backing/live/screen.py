"""What the terminal shows: a pure picture of a moment, and a thin painter for it.

The picture is plain ASCII, as wide as the terminal, and says everything in words and marks; the
beat and the chord are large enough for two metres. Reverse video only repeats what a mark says.
"""

from __future__ import annotations

import contextlib
import math
import os
import select
import sys
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from backing.cautions import LOUD
from backing.live.keys import HangUpError
from backing.live.tab import Tab
from backing.live.transport import Where

__all__ = ["KEYS_LINE", "Painter", "TextPicture", "picture"]

WIDTH, HEIGHT = 80, 24
PATIENCE = 0.5  # seconds
KEYS_LINE = (
    "space stop/go  + - tempo  a again  h hold  n next  p previous  t next tempo  m phrase  q quit"
)
REVERSE, PLAIN = "\x1b[7m", "\x1b[0m"

Lit = tuple[int, int, int]  # row, first column, end


@dataclass(frozen=True, slots=True)
class TextPicture:
    """Lines of text, and which spans of them are lit."""

    lines: tuple[str, ...]
    lit: tuple[Lit, ...] = ()


def picture(
    title: str,
    where: Where,
    tab: Tab | None = None,
    *,
    output: str = "",
    more: Sequence[str] = (),
    width: int = WIDTH,
    height: int = HEIGHT,
) -> TextPicture:
    """Return the screen at a moment.

    `more` are lines that matter besides, as what is recorded. What is wider than the terminal goes
    on in another line; where there are fewer lines, what matters least is left out.
    """
    rows: list[tuple[int, str, list[tuple[int, int]]]] = []  # rank, text, lit

    def add(rank: int, text: str = "", lit: list[tuple[int, int]] | None = None) -> None:
        if len(text) <= width or lit:
            rows.append((rank, text, lit or []))
            return
        for line in textwrap.wrap(text, width, subsequent_indent="  "):
            rows.append((rank, line, []))

    add(4, title)
    add(9)
    large = _large(where, width)
    for line in large:
        add(3, line)
    if large:
        add(9)
    for line, on in _bar_rows(where, width):
        add(0, line, on)
    add(7, _map(where))
    add(0, _chord_row(where))
    add(1, _tempo_row(where))
    add(1, _turn_row(where))
    for line in more:
        add(1, line)
    if tab is not None and tab.lines:
        add(8)
        marked: dict[int, list[tuple[int, int]]] = {}
        for row, start, end in tab.lit:
            marked.setdefault(row, []).append((start, end))
        for number, line in enumerate(tab.lines):
            add(2, line, marked.get(number))
    add(8)
    add(5, KEYS_LINE)
    add(6, LOUD)
    if output:
        add(7, f"Playing on {output}")
    for rank in sorted({rank for rank, _, _ in rows}, reverse=True):
        if len(rows) <= height or rank == 0:
            break
        rows = [row for row in rows if row[0] != rank]
    rows = rows[:height]
    lines = tuple(_plain(text)[:width] for _, text, _ in rows)
    lit = tuple(
        (number, start, min(end, width))
        for number, (_, _, spans) in enumerate(rows)
        for start, end in spans
        if start < width
    )
    return TextPicture(lines, lit)


def _plain(text: str) -> str:
    return "".join(char if char.isprintable() else "?" for char in text)


# Signs of five lines, for the beat and the chord.
LARGE: dict[str, str] = {
    "0": " ## /#  #/#  #/#  #/ ## ", "1": " # /## / # / # /###", "2": "### /   #/ ## /#   /####",
    "3": "### /   #/ ## /   #/### ", "4": "#  #/#  #/####/   #/   #",
    "5": "####/#   /### /   #/### ", "6": " ## /#   /### /#  #/ ## ",
    "7": "####/   #/  # / #  / #  ", "8": " ## /#  #/ ## /#  #/ ## ",
    "9": " ## /#  #/ ###/   #/ ## ", "A": " ## /#  #/####/#  #/#  #",
    "B": "### /#  #/### /#  #/### ", "C": " ###/#   /#   /#   / ###",
    "D": "### /#  #/#  #/#  #/### ", "E": "####/#   /### /#   /####",
    "F": "####/#   /### /#   /#   ", "G": " ###/#   /# ##/#  #/ ###", "#": "# #/###/# #/###/# #",
    "b": "#  /#  /## /# #/## ", "m": "     /     /#### /# # #/# # #",
    "-": "    /    /####/    /    ", "d": "  #/  #/ ##/# #/ ##", "i": " / # /   / # / # ",
    "a": "    / ## /   #/ ###/ ###", "j": "  #/   /  #/  #/## ", "+": "   / # /###/ # /   ",
}  # fmt: skip
SLASH = ["   #", "  # ", "  # ", " #  ", "#   "]


def _large(where: Where, width: int) -> list[str]:
    """Return beat and chord in large signs, the chord where there is room for it."""
    if where.over or (not where.going and not where.counting):
        return []
    texts = [str(where.beat)]
    if where.chord and all(sign in LARGE or sign == "/" for sign in where.chord):
        texts.append(where.chord)
    found: list[str] = []
    for text in texts:
        signs = [LARGE[sign].split("/") if sign != "/" else SLASH for sign in text]
        block = ["  ".join(row) for row in zip(*signs, strict=True)]
        both = [f"{a}{'':8}{b}" for a, b in zip(found, block, strict=True)] if found else block
        if max(map(len, both), default=0) + 2 <= width:
            found = both
    return [f"  {row}".rstrip() for row in found]


def _bar_rows(where: Where, width: int) -> list[tuple[str, list[tuple[int, int]]]]:
    """Return the section, the bar and the beats; in two lines where one is too short."""
    head = f"{where.name}  bar {where.bar} of {where.bars}"
    beats, lit = "beat ", []
    for beat in range(1, where.beats + 1):
        if beat == where.beat:
            lit.append((len(beats), len(beats) + 3))
        beats += f"[{beat}]" if beat == where.beat else f" {beat} "
    if where.counting:
        head = f"counting in to bar {where.bar}"
    start = len(head) + 4
    if start + len(beats) > width:
        return [(head, []), (beats, lit)]
    return [(head.ljust(start) + beats, [(a + start, b + start) for a, b in lit])]


def _map(where: Where) -> str:
    if where.bars > 36:
        return ""
    return "[" + "#" * (where.bar - 1) + ">" + "." * (where.bars - where.bar) + "]"


def _chord_row(where: Where) -> str:
    text = f"chord {where.chord or '-':<8.8}"
    if where.wait is None or not where.soon:
        return text
    beats = max(1, -(-round(where.wait * 100) // 100))
    return f"{text}  then {where.soon:<8.8} in {beats} beat{'s' if beats > 1 else ''}"


def _tempo_row(where: Where) -> str:
    text = f"tempo {where.tempo:.4g} beats a minute"
    if abs(where.tempo - where.written) > 0.005:
        text += f" (written {where.written:.4g})"
    if where.coming != where.tempo:
        text += f", at the bar line {where.coming:.4g}"
    return text


def _turn_row(where: Where) -> str:
    parts = [f"turn: {where.turn}"] if where.turn else []
    if where.due is not None and where.going:
        bars, beats = divmod(max(1, math.ceil(where.due - 0.01)), where.beats)
        bars += beats > 0
        soon = f"{beats}" if bars == 1 and beats else f"{bars} bar{'s' * (bars > 1)}"
        parts.append(f"your turn in {soon}")
    if where.over:
        parts.append("that was the end")
    elif not where.going:
        parts.append("STOPPED: space goes on from this bar")
    elif where.counting:
        parts.append("counting in")
    elif where.stopping:
        parts.append("stops at the bar line")
    if where.target:
        parts.append(f"at the bar line: {where.target}")
    if where.held:
        parts.append("round and round: h goes on")
    if where.muted:
        parts.append("phrase off")
    return "   ".join(parts)


class Painter:
    """A context in which pictures are painted on standard output, a terminal.

    Only what changes is written; a terminal that does not take it misses a picture.
    """

    def __enter__(self) -> Painter:
        self._fd = sys.stdout.fileno()
        self._shown: dict[int, str] = {}
        self._size = (0, 0)
        sys.stdout.flush()
        self._write("\x1b[?1049h\x1b[?25l\x1b[2J")
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(OSError):
            if self._ready(PATIENCE):
                self._write(f"{PLAIN}\x1b[2J\x1b[H\x1b[?25h\x1b[?1049l")

    def size(self) -> tuple[int, int]:
        """Return columns and lines of the terminal."""
        try:
            columns, lines = os.get_terminal_size(self._fd)
        except OSError:
            return WIDTH, HEIGHT
        return (columns or WIDTH), (lines or HEIGHT)

    def paint(self, shown: TextPicture) -> None:
        """Paint a picture; HangUpError if the terminal was closed."""
        if self.size() != self._size:
            self._size = self.size()
            self._shown.clear()
            out = "\x1b[2J"
        else:
            out = ""
        now = {}
        for number, line in enumerate(shown.lines):
            spans = sorted((a, b) for row, a, b in shown.lit if row == number)
            text = line
            for start, end in reversed(spans):
                text = text[:start] + REVERSE + text[start:end] + PLAIN + text[end:]
            now[number] = text
        for number in {*now, *self._shown}:
            if now.get(number) != self._shown.get(number):
                out += f"\x1b[{number + 1};1H{now.get(number, '')}\x1b[K"
        if out and self._ready():
            self._write(out)
            self._shown = now

    def _ready(self, seconds: float = 0.0) -> bool:
        if sys.platform == "win32":
            return True
        return bool(select.select([], [self._fd], [], seconds)[1])

    def _write(self, text: str) -> None:
        encoding = getattr(sys.stdout, "encoding", None) or "ascii"
        data = text.encode(encoding, "replace")
        try:
            while data:
                data = data[os.write(self._fd, data) :]
        except OSError:
            raise HangUpError("the terminal was closed") from None
