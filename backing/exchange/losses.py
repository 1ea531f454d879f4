"""What an import could not carry over, by a few words and the bars in which it stood."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["Losses", "bars_said"]

MOST_SAID = 12  # bars, or rows of them, that one line names


class Losses:
    """Each thing lost or changed, once, with all its bars."""

    def __init__(self) -> None:
        self._found: dict[str, dict[str, None]] = {}

    def add(self, what: str, bar: str = "") -> None:
        """Note a loss in a bar, by its number in the file; without one it is the whole file's."""
        bars = self._found.setdefault(what, {})
        if bar:
            bars[bar] = None

    def lines(self) -> tuple[str, ...]:
        """Return a line for each thing: ``bars 3, 5 to 7: harmonic``; what has no bar first."""
        return tuple(
            f"{bars_said([*bars])}: {what}" if bars else what
            for what, bars in sorted(self._found.items(), key=lambda row: (bool(row[1]), row[0]))
        )


def bars_said(bars: Sequence[str]) -> str:
    """Return bars as one says them: ``bar 3``, ``bars 1, 3 to 5``; bar 0 is the pickup."""
    rows: list[list[str]] = []
    for bar in bars:
        last = rows[-1][-1] if rows else ""
        if last.isdecimal() and bar.isdecimal() and int(bar) == int(last) + 1:
            rows[-1].append(bar)
        else:
            rows.append([bar])
    names = [
        name for row in rows for name in (row if len(row) < 3 else [f"{row[0]} to {row[-1]}"])
    ]
    more = len(names) - MOST_SAID
    if more > 0:
        names = [*names[:MOST_SAID], f"and {more} more"]
    return f"bar{'' if len(bars) == 1 else 's'} {', '.join(names)}"
