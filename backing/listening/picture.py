"""A review as pictures: what is written as a grey band, what was played as a line over it.

Every mark has a shape and a word of its own, so that none relies on colour.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from html import escape
from itertools import pairwise

import numpy as np

from backing.listening.ears import Ears
from backing.listening.judged import Judged, Review
from backing.listening.thresholds import Limits
from backing.listening.words import tempos
from backing.listening.written import Place
from phrases.replacing import MADE

__all__ = ["html", "svg"]

WIDTH, LEFT, RIGHT = 1000, 64, 12
STRIP, ROW, GAP = 150, 110, 30  # heights
MOST = 24  # passes that are drawn
STEP = 0.02  # seconds from one point of a written curve to the next
HALF = 30.0  # cents, half of the height of the band
FAR = 350.0  # cents from what is written, beyond which a line is somebody else's
BENT = 110.0  # cents that the picture of bends shows on either side
REACH = 0.08  # seconds that the time ribbon shows on either side
WIDE = 6.6  # of a letter
# The colours of paper, and of a screen at night; they hold for the page around a picture as well.
STYLE = """
:root{--paper:#fff;--ink:#1b1b1b;--soft:#555;--band:#d0cdc4;--zone:#eceae4;--grid:#bbb;
--line:#123f6b;--off:#8a1c12}
@media screen and (prefers-color-scheme:dark){:root{--paper:#16181b;--ink:#ececec;--soft:#b4b4b4;
--band:#4a4d52;--zone:#26292e;--grid:#55585e;--line:#8fc3ff;--off:#ff9a8c}}
svg{font-family:system-ui,sans-serif;background:var(--paper);max-width:100%;height:auto}
text{font-size:12px;fill:var(--ink);stroke:var(--paper);stroke-width:3px;paint-order:stroke}
.head{font-size:14px;font-weight:600}.axis{fill:var(--soft)}
.band{fill:var(--band)}.zone{fill:var(--zone)}.grid{stroke:var(--grid);stroke-width:1;fill:none}
.line{stroke:var(--line);stroke-width:2;fill:none}.thin{stroke-width:1.5;stroke-dasharray:5 4}
.mark{stroke:var(--off);stroke-width:2;fill:var(--paper)}
.dot{fill:var(--line)}.off{fill:var(--off)}
"""

Point = tuple[float, float]
Axis = Callable[[float], float]


def svg(review: Review, ears: Ears, limits: Limits, title: str, *, headed: bool = True) -> str:
    """Return a review as one SVG document.

    Parameters
    ----------
    review, ears
        What was judged, and what was heard.
    limits
        The zones that are drawn.
    title
        Stands above it where that is `headed`.
    """
    head = f'<text class="head" x="{LEFT}" y="20">{escape(title)}</text>' if headed else ""
    parts: list[str] = [head, _legend()]
    y = 66.0
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

    drawn = svg(review, ears, limits, title, headed=False)
    return (
        '<!doctype html><html lang="en"><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<!-- {MADE} --><title>{escape(title)}</title>"
        "<style>body{font:16px/1.5 system-ui,sans-serif;max-width:64rem;margin:2rem auto;"
        "padding:0 1rem;color:var(--ink);background:var(--paper)}li{margin:.3rem 0}</style>"
        f"<h1>{escape(title)}</h1><ul>{rows(told)}</ul>{drawn}"
        f"<h2>From when on something is said</h2><ul>{rows(sources)}</ul></html>\n"
    )


def _text(x: float, y: float, words: str, kind: str = "", anchor: str = "start") -> str:
    shown = f' class="{kind}"' if kind else ""
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{shown}>{escape(words)}</text>'


def _legend() -> str:
    """Draw what every mark means."""
    rows = (
        (f'<rect class="band" x="{LEFT}" y="34" width="30" height="10"/>', "written"),
        (_path([(LEFT + 104, 39), (LEFT + 134, 39)], "line"), "played"),
        (f'<circle class="mark" cx="{LEFT + 222}" cy="39" r="6"/>', "not heard"),
        (f'<path class="mark" d="M{LEFT + 336} 33l6 6-6 6-6-6z"/>', "another note"),
        (f'<path class="mark" d="M{LEFT + 462} 39h10m-5-5v10"/>', "not written"),
    )
    out = [
        drawn + _text(LEFT + x, 43, word)
        for (drawn, word), x in zip(rows, (38, 142, 236, 348, 480), strict=True)
    ]
    return "".join(out)


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
        part.cents(t) for one in notes for part in one.event.notes
        for t in (0.0, one.event.end - one.event.at)
    ]  # fmt: skip
    low, high = min(pitches) - 250, max(pitches) + 250

    def x(seconds: float) -> float:
        return LEFT + (seconds - start) / (stop - start) * (WIDTH - LEFT - RIGHT)

    def y(cents: float) -> float:
        return 20 + (high - min(high, max(low, cents))) / (high - low) * (STRIP - 24)

    drawn = [
        _text(4, 12, f"pass {number}", "axis"),
        _text(4, 26, f"at {notes[0].event.tempo:g}", "axis"),
    ]
    drawn += _bars([(str(one.event.place), x(one.event.at) - 3) for one in notes], STRIP, 12)
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
    return "".join(drawn)


def _bars(places: Sequence[tuple[str, float]], bottom: float, names: float) -> list[str]:
    """Draw a line where a bar begins, and its name at a height as far as there is room for it."""
    starts: list[tuple[str, float]] = []
    for place, x in places:
        bar = place.rpartition(", ")[0]
        if not starts or starts[-1][0] != bar:
            starts.append((bar, x))
    out, free = [], 0.0
    for (bar, x), (_, following) in pairwise([*starts, ("", float(WIDTH))]):
        out.append(_path([(x, 20), (x, bottom)], "grid"))
        if x >= free and (following - x > WIDE * len(bar) or "pickup" not in bar):
            out.append(_text(x, names, bar, "axis"))
            free = x + WIDE * len(bar)
    return out


def _bands(one: Judged, x: Axis, y: Axis) -> list[str]:
    event = one.event
    times = [*np.arange(0.0, max(STEP, event.end - event.at), STEP), event.end - event.at]
    out = []
    for part in event.notes:
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
    if event.kind == "pick" and len(event.notes) == 1 and math.isfinite(one.off):
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
        places = _in_order(one.event.place for one in notes)
        across = (WIDTH - LEFT - RIGHT) / max(1, len(places))
        drawn = _zone(
            f"time at {tempo:g}, each mark a note; in the grey, less than "
            f"{limits.single * 1e3:.0f} ms off", limits.single, REACH, ("early", "late"),
        )  # fmt: skip
        columns = [(place, LEFT + across * n) for n, place in enumerate(places)]
        drawn += _bars(columns, ROW, ROW + 12)
        for one in notes:
            off = max(-REACH, min(REACH, one.off - review.late))
            kind = "off" if abs(one.off - review.late) > limits.single else "dot"
            drawn.append(
                _dot(LEFT + across * (places.index(str(one.event.place)) + 0.5), off / REACH, kind)
            )
        out.append(("".join(drawn), float(ROW + 18)))
    return out


def _in_order(places: Iterable[Place]) -> list[str]:
    """Return places as words, each once, as they follow each other in the phrase."""
    some = [*dict.fromkeys(places)]
    parts = [*dict.fromkeys(place.part for place in some)]
    some.sort(key=lambda p: (parts.index(p.part), p.bar, p.beat, p.within))
    return [str(place) for place in some]


def _bends(review: Review, limits: Limits) -> list[tuple[str, float]]:
    """Draw how far bends were off, by the place in the phrase."""
    rows = [
        (one.event.place, bend.off)
        for one in review.judged
        for bend in one.bends
        if math.isfinite(bend.off)
    ]
    if not rows:
        return []
    places = _in_order(place for place, _ in rows)
    across = (WIDTH - LEFT - RIGHT) / len(places)
    drawn = _zone(
        f"bends, by place; in the grey, less than {limits.tuning:.0f} cents off",
        limits.tuning, BENT, ("sharp", "flat"),
    )  # fmt: skip
    for n, place in enumerate(places):
        offs = [off for at, off in rows if str(at) == place]
        for m, off in enumerate(offs):
            kind = "off" if abs(off) > limits.tuning else "dot"
            x = LEFT + across * (n + (m + 0.5) / len(offs))
            drawn.append(_dot(x, -max(-BENT, min(BENT, off)) / BENT, kind))
        drawn.append(_path([(LEFT + across * n, 20), (LEFT + across * n, ROW)], "grid"))
        if WIDE * len(place) < across:
            drawn.append(_text(LEFT + across * (n + 0.5), ROW + 12, place, "axis", "middle"))
    return [("".join(drawn), float(ROW + 18))]


def _spread(review: Review, limits: Limits) -> list[tuple[str, float]]:
    """Draw the spread of the time against tempo, where there are several."""
    rows = [row for row in tempos(review, limits) if math.isfinite(row.spread)]
    if len(rows) < 2:
        return []
    slow, fast = rows[0].tempo, rows[-1].tempo
    bent: dict[float, list[float]] = defaultdict(list)
    for one in review.judged:
        bent[round(one.event.tempo, 1)] += [abs(b.off) for b in one.bends if math.isfinite(b.off)]
    lines = [("spread of the time, ms", "line", {row.tempo: 1000 * row.spread for row in rows})]
    middles = {tempo: float(np.median(offs)) for tempo, offs in sorted(bent.items()) if offs}
    if len(middles) > 1:
        lines.append(("bends off by, cents (dashed)", "line thin", middles))
    title = "; ".join(words for words, _, _ in lines)
    drawn = [_text(LEFT, 12, f"by tempo: {title}", "axis")]
    top = max(40.0, *(value for _, _, values in lines for value in values.values()))
    for words, kind, values in lines:
        points = [
            (LEFT + 20 + (tempo - slow) / (fast - slow) * (WIDTH - LEFT - RIGHT - 40),
             ROW - 24 - value / top * (ROW - 60))
            for tempo, value in values.items()
        ]  # fmt: skip
        drawn.append(_path(points, kind))
        for (x, y), (tempo, value) in zip(points, values.items(), strict=True):
            drawn.append(f'<circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="4"/>')
            least = min(other.get(tempo, value) for _, _, other in lines)
            side = 17 if value == least and len(lines) > 1 else -9
            unit = words.partition(", ")[2].partition(" ")[0]
            drawn.append(_text(x, y + side, f"{value:.0f} {unit}", anchor="middle"))
            drawn.append(_text(x, ROW + 10, f"at {tempo:g}", "axis", "middle"))
    return [("".join(drawn), float(ROW + 18))]


def _zone(words: str, limit: float, reach: float, ends: tuple[str, str]) -> list[str]:
    """Draw the zone in which nothing is said, and what is over and under it."""
    half = (ROW - 24) / 2
    middle = 20 + half
    high = half * limit / reach
    return [
        _text(LEFT, 12, words, "axis"),
        f'<rect class="zone" x="{LEFT}" y="{middle - high:.1f}" width="{WIDTH - LEFT - RIGHT}" '
        f'height="{2 * high:.1f}"/>',
        _path([(LEFT, middle), (WIDTH - RIGHT, middle)], "grid"),
        _text(LEFT - 6, middle - high, ends[0], "axis", "end"),
        _text(LEFT - 6, middle + high + 8, ends[1], "axis", "end"),
    ]


def _dot(x: float, share: float, kind: str) -> str:
    """Draw a mark at a share of the height: a dot, or a diamond where it is too far off."""
    y = 20 + (ROW - 24) / 2 * (1 + share)
    if kind == "dot":
        return f'<circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="4"/>'
    return f'<path class="off" d="M{x:.1f} {y - 6:.1f}l6 6-6 6-6-6z"/>'
