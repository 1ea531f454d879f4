"""A review as pictures: what is written as a grey band, what was played as a line over it.

Every mark has a shape and a word of its own, so that none relies on colour.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from html import escape

import numpy as np

from backing.listening.ears import Ears
from backing.listening.judge import Judged, Review
from backing.listening.thresholds import Limits
from backing.listening.words import tempos
from phrases.replacing import MADE

__all__ = ["html", "svg"]

WIDTH, LEFT, RIGHT = 1000, 64, 12
STRIP, ROW, GAP = 150, 110, 30  # heights
MOST = 24  # passes that are drawn
STEP = 0.02  # seconds from one point of a written curve to the next
HALF = 30.0  # cents, half of the height of the band
FAR = 350.0  # cents from what is written, beyond which a line is somebody else's
REACH = 0.08  # seconds that the time ribbon shows on either side
STYLE = """
svg{font-family:system-ui,sans-serif;background:#fff;color:#1b1b1b;max-width:100%;height:auto}
text{font-size:12px;fill:#1b1b1b}.head{font-size:14px;font-weight:600}.axis{fill:#555}
.band{fill:#d5d3cc}.zone{fill:#eceae4}.grid{stroke:#bbb;stroke-width:1;fill:none}
.line{stroke:#123f6b;stroke-width:2;fill:none}.mark{stroke:#8a1c12;stroke-width:2;fill:#fff}
.dot{fill:#123f6b}.off{fill:#8a1c12}
"""

Point = tuple[float, float]
Axis = Callable[[float], float]


def svg(review: Review, ears: Ears, limits: Limits, title: str) -> str:
    """Return a review as one SVG document.

    Parameters
    ----------
    review, ears
        What was judged, and what was heard.
    limits
        The zones that are drawn.
    title
        Stands above it.
    """
    parts: list[str] = [f'<text class="head" x="{LEFT}" y="20">{escape(title)}</text>']
    y = 36.0
    for drawn, height in [
        *_strips(review, ears),
        *_ribbons(review, limits),
        *_bends(review, limits),
        *_spread(review, limits),
    ]:
        parts.append(f'<g transform="translate(0 {y:.0f})">{drawn}</g>')
        y += height + GAP
    said = f"{title}: written notes as grey bands, played pitch as lines"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {y:.0f}" width="{WIDTH}" '
        f'height="{y:.0f}" role="img" aria-label="{escape(said)}">'
        f"<!-- {MADE} --><style>{STYLE}</style>{''.join(parts)}</svg>\n"
    )


def html(
    review: Review,
    ears: Ears,
    limits: Limits,
    title: str,
    told: Sequence[str],
    sources: Sequence[str],
) -> str:
    """Return a review as a page: the words, the pictures, and where the limits come from."""

    def rows(lines: Iterable[str]) -> str:
        return "".join(f"<li>{escape(line)}</li>" for line in lines)

    return (
        '<!doctype html><html lang="en"><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<!-- {MADE} --><title>{escape(title)}</title>"
        "<style>body{font:16px/1.5 system-ui,sans-serif;max-width:64rem;margin:2rem auto;"
        "padding:0 1rem;color:#1b1b1b;background:#fff}li{margin:.3rem 0}</style>"
        f"<h1>{escape(title)}</h1><ul>{rows(told)}</ul>{svg(review, ears, limits, title)}"
        f"<h2>From when on something is said</h2><ul>{rows(sources)}</ul></html>\n"
    )


def _text(x: float, y: float, words: str, kind: str = "", anchor: str = "start") -> str:
    shown = f' class="{kind}"' if kind else ""
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{shown}>{escape(words)}</text>'


def _path(points: Sequence[Point], kind: str, *, closed: bool = False) -> str:
    way = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    return f'<{"polygon" if closed else "polyline"} class="{kind}" points="{way}"/>'


# --- pitch -------------------------------------------------------------------------


def _strips(review: Review, ears: Ears) -> list[tuple[str, float]]:
    """Draw the pitch of every pass."""
    goes: dict[int, list[Judged]] = defaultdict(list)
    for one in review.judged:
        goes[one.event.go].append(one)
    out = []
    for number, notes in enumerate(list(goes.values())[:MOST], 1):
        out.append((_strip(number, notes, review, ears), float(STRIP)))
    if len(goes) > MOST:
        out.append((_text(LEFT, 14, f"and {len(goes) - MOST} passes more"), 14.0))
    return out


def _strip(number: int, notes: Sequence[Judged], review: Review, ears: Ears) -> str:
    late, tuning = review.late, review.tuning
    start = notes[0].event.at - 0.2
    stop = max(one.event.end for one in notes) + 0.2
    pitches = [
        part.cents(t) for one in notes for part in one.event.parts
        for t in (0.0, one.event.end - one.event.at)
    ]  # fmt: skip
    low, high = min(pitches) - 250, max(pitches) + 250

    def x(seconds: float) -> float:
        return LEFT + (seconds - start) / (stop - start) * (WIDTH - LEFT - RIGHT)

    def y(cents: float) -> float:
        return 20 + (high - min(high, max(low, cents))) / (high - low) * (STRIP - 24)

    drawn = [_text(LEFT, 12, f"pass {number}, {notes[0].event.tempo:g}", "axis")]
    for note in range(math.ceil(low / 1200), int(high / 1200) + 1):
        drawn.append(_path([(LEFT, y(note * 1200)), (WIDTH - RIGHT, y(note * 1200))], "grid"))
        drawn.append(_text(LEFT - 6, y(note * 1200) + 4, f"C{note - 1}", "axis", "end"))
    for one in notes:
        if one.event.kind in ("pick", "dead"):
            drawn += _bands(one, x, y)
    for one in notes:
        drawn += _played(one, x, y, ears, late, tuning)
    for extra in review.extra:
        if start <= extra.at - late <= stop:
            at = x(extra.at - late)
            drawn.append(f'<path class="mark" d="M{at - 5:.1f} {y(extra.cents):.1f}h10m-5-5v10"/>')
            drawn.append(_text(at + 7, y(extra.cents) + 4, "not written"))
    return "".join(drawn)


def _bands(one: Judged, x: Axis, y: Axis) -> list[str]:
    event = one.event
    times = [*np.arange(0.0, max(STEP, event.end - event.at), STEP), event.end - event.at]
    out = []
    for part in event.parts:
        above = [(x(event.at + t), y(part.cents(t) + HALF)) for t in times]
        below = [(x(event.at + t), y(part.cents(t) - HALF)) for t in reversed(times)]
        out.append(_path([*above, *below], "band", closed=True))
    return out


def _played(one: Judged, x: Axis, y: Axis, ears: Ears, late: float, tuning: float) -> list[str]:
    event = one.event
    at, level = x(event.at), y(event.cents(0.0))
    if one.how == "missed":
        return [
            f'<circle class="mark" cx="{at:.1f}" cy="{level:.1f}" r="6"/>',
            _text(at + 8, level - 6, "not heard"),
        ]
    out = []
    if event.kind == "pick" and len(event.parts) == 1 and math.isfinite(one.off):
        begun = event.at + one.off
        row = ears.pitched(begun + 0.015, begun + event.end - event.at)
        points: list[Point] = []
        for n, cents in enumerate(row):
            seconds = 0.015 + n * ears.hop
            if math.isfinite(cents) and abs(cents - tuning - event.cents(seconds)) < FAR:
                points.append((x(begun + seconds - late), y(cents - tuning)))
            elif points:
                out.append(_path(points, "line"))
                points = []
        if points:
            out.append(_path(points, "line"))
    if one.how == "wrong":
        there = y(event.cents(0.0) + one.pitch)
        out.append(f'<path class="mark" d="M{at:.1f} {there - 6:.1f}l6 6-6 6-6-6z"/>')
        out.append(_text(at + 8, there - 6, "another note"))
    return out


# --- time, bends, tempo ---------------------------------------------------------------


def _ribbons(review: Review, limits: Limits) -> list[tuple[str, float]]:
    """Draw how early or late the notes are, a row for each tempo."""
    by: dict[float, list[Judged]] = defaultdict(list)
    for one in review.judged:
        if one.event.kind == "pick" and not one.event.raked and math.isfinite(one.off):
            by[round(one.event.tempo, 1)].append(one)
    out = []
    for tempo, notes in sorted(by.items()):
        places = list(dict.fromkeys(str(one.event.place) for one in notes))
        across = (WIDTH - LEFT - RIGHT) / max(1, len(places))
        drawn = _zone(
            f"time at {tempo:g}: below the line is late", limits.single, REACH, "ms", 1e3
        )
        for one in notes:
            off = max(-REACH, min(REACH, one.off - review.late))
            kind = "off" if abs(one.off - review.late) > limits.single else "dot"
            drawn.append(
                _dot(LEFT + across * (places.index(str(one.event.place)) + 0.5), off / REACH, kind)
            )
        out.append(("".join(drawn), float(ROW)))
    return out


def _bends(review: Review, limits: Limits) -> list[tuple[str, float]]:
    """Draw how far bends were off, in the order in which they came."""
    offs = [b.off for one in review.judged for b in one.bends if math.isfinite(b.off)]
    if not offs:
        return []
    reach = 110.0
    drawn = _zone("bends: above the line goes too far", limits.tuning, reach, "cents", 1.0)
    across = (WIDTH - LEFT - RIGHT) / len(offs)
    for n, off in enumerate(offs):
        kind = "off" if abs(off) > limits.tuning else "dot"
        drawn.append(_dot(LEFT + across * (n + 0.5), -max(-reach, min(reach, off)) / reach, kind))
    return [("".join(drawn), float(ROW))]


def _spread(review: Review, limits: Limits) -> list[tuple[str, float]]:
    """Draw the spread of the time against tempo, where there are several."""
    rows = [row for row in tempos(review, limits) if math.isfinite(row.spread)]
    if len(rows) < 2:
        return []
    slow, fast = rows[0].tempo, rows[-1].tempo
    top = max(0.04, *(row.spread for row in rows))
    drawn = [_text(LEFT, 12, "spread of the time by tempo, in ms", "axis")]
    points = [
        (LEFT + 20 + (row.tempo - slow) / (fast - slow) * (WIDTH - LEFT - RIGHT - 40),
         ROW - 24 - row.spread / top * (ROW - 50))
        for row in rows
    ]  # fmt: skip
    drawn.append(_path(points, "line"))
    for (x, y), row in zip(points, rows, strict=True):
        drawn.append(f'<circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="4"/>')
        drawn.append(_text(x, y - 9, f"{row.spread * 1000:.0f}", anchor="middle"))
        drawn.append(_text(x, ROW - 6, f"{row.tempo:g}", "axis", "middle"))
    return [("".join(drawn), float(ROW))]


def _zone(words: str, limit: float, reach: float, unit: str, scale: float) -> list[str]:
    """Draw the zone in which nothing is said, with its edges."""
    half = (ROW - 24) / 2
    middle = 20 + half
    high = half * limit / reach
    return [
        _text(LEFT, 12, words, "axis"),
        f'<rect class="zone" x="{LEFT}" y="{middle - high:.1f}" width="{WIDTH - LEFT - RIGHT}" '
        f'height="{2 * high:.1f}"/>',
        _path([(LEFT, middle), (WIDTH - RIGHT, middle)], "grid"),
        _text(LEFT - 6, middle - high + 4, f"{limit * scale:.0f} {unit}", "axis", "end"),
        _text(LEFT - 6, middle + high + 4, f"{limit * scale:.0f} {unit}", "axis", "end"),
    ]


def _dot(x: float, share: float, kind: str) -> str:
    """Draw a mark at a share of the height: a dot, or a diamond where it is too far off."""
    y = 20 + (ROW - 24) / 2 * (1 + share)
    if kind == "dot":
        return f'<circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="4"/>'
    return f'<path class="off" d="M{x:.1f} {y - 6:.1f}l6 6-6 6-6-6z"/>'
