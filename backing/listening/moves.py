"""What the fretting hand does under one pick, read from how the pitch goes.

Conventions: times are seconds of the take, pitch is in cents, 100 times the MIDI pitch, tuning
already taken off. A run is where the pitch goes one way.

References: as `ears`; `phrases.techniques` for sizes. That a hammer-on is a step, a slide a stair
of frets and a bend a smooth way is common practice; a slide of one fret is a step, too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from backing.listening.ears import Ears
from backing.listening.rings import cleared
from phrases.techniques import BEND_SIZES, SLIDES

__all__ = ["Hand", "Turn", "hand", "traced"]

Row = NDArray[np.float64]

HOP = 0.0025  # seconds
WINDOW = 0.011  # seconds, and a period and a half at least
UNSURE, UNSURE_YET = 0.25, 0.65  # aperiodicity of no pitch; where it stays, as in an attack
SAME = 60.0  # cents within which a grace note may be the note before, which dies
REACH = 420.0  # cents beside what is heard, in which it is looked for
RUN = 32.0  # cents that a run goes at least
SUDDEN = 0.021  # seconds from 15 to 85 % of a run; a step is quicker than that
TREAD, STAIR, TREADS = 18.0, 0.015, 0.5  # cents from a fret between; seconds and share there
WAVES = (0.03, 0.26)  # seconds from one turn of a vibrato or a trill to the next
WIDEST, WIDE, NARROW, TREMBLE = 320.0, 38.0, 12.0, 8.0  # cents: a trill, vibratos, their turns
LAZY = 0.2  # seconds from 15 to 85 % of a release
SLID = (0.045, 0.1)  # seconds after the pick at which a step of one fret may be a slide
RELEASED = 30  # frames
DEAD = 36  # frames within which it has died
BETTER = 0.6  # of the aperiodicity with which a pitch is clearer without the one before
SPEAKS = 24  # frames in which the note before may still be heard
HELD, STILL = 18, 10.0  # frames, and cents, within which a pitch is held
SMALLEST = 25.0  # cents that a string is still bent by
NOISY = (0.5, 0.95)  # aperiodicity of a pitch in the noise of a pick: that moves, that stays
EASE = 0.5  # of the time from 15 to 85 % before it that a smooth move begins
OUT = 0.06  # seconds before its end that a note still slides, if it slides to nowhere
# Frames in which a grace note is left; cents from its fret, and to the next at most.
GRACED, GRACE, REACHED = (6, 15), 30.0, 350.0
TRUE, UNTRUE = 20.0, 30.0  # cents from a fret


@dataclass(frozen=True, slots=True)
class Turn:
    """A move: its sign as in `phrases.techniques`, when it begins and has arrived, and to where.

    `cents` is where a fretting finger lands (0: nowhere), or by how much a string is bent. `sure`
    is empty, or says what else it may be.
    """

    sign: str
    start: float
    stop: float
    cents: float
    sure: str = ""


@dataclass(slots=True)
class Hand:
    """The pitch at which a note is fretted, by how much it is bent there, and its moves.

    `still` are the numbers of the strings of a double stop that do not tremble with the rest.
    """

    pitch: float
    bent: float = 0.0
    turns: list[Turn] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)
    still: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class _Slope:
    begin: int  # the last frame at which it has hardly begun
    low: int  # at 15 % of it
    high: int  # at 85 %
    end: int  # the first at which it has all but arrived
    before: float
    after: float
    sharp: float  # seconds between the two
    tread: float  # seconds of them at a fret between


def traced(ears: Ears, start: float, stop: float, near: Row) -> tuple[Row, Row, Row]:
    """Return pitch every `HOP` seconds with a short window, near pitches heard with a long one.

    Parameters
    ----------
    ears
        What is heard.
    start, stop
        Seconds.
    near
        Pitches in cents; what is looked for lies within `REACH` of them.

    Returns
    -------
    times, cents, unsure
        Seconds, pitch, and aperiodicity (0 is a clear pitch).
    """
    known = near[np.isfinite(near)]
    times = np.arange(start, stop, HOP)
    if not len(known) or len(times) < 4:
        return times, np.full(len(times), np.nan), np.ones(len(times))
    rate = ears.source.rate
    high, low = (
        440 * 2 ** ((c - 6900) / 1200) for c in (known.max() + REACH, known.min() - REACH)
    )
    first, last = max(2, int(rate / high) - 1), int(rate / low) + 2
    width = max(int(WINDOW * rate), int(1.5 * last))
    edge = width + last + 2
    begin = int(start * rate) - edge
    sound = ears.source.read(begin, int(stop * rate) + 2 * edge).astype(np.float64)
    square = np.concatenate([[0.0], np.cumsum(sound**2)])
    lags = np.arange(first, last + 1)
    apart = np.empty((len(lags), len(times)))
    centre = np.round(times * rate).astype(int) - begin
    for row, shift in enumerate(lags):
        both = np.concatenate([[0.0], np.cumsum(sound[:-shift] * sound[shift:])])
        left = centre - (width + shift) // 2
        energy = (
            square[left + width]
            - square[left]
            + square[left + width + shift]
            - square[left + shift]
        )
        apart[row] = 1 - 2 * (both[left + width] - both[left]) / (energy + 1e-12)
    best = apart[1:-1].argmin(axis=0) + 1
    column = np.arange(len(times))
    a, b, c = (apart[best + n, column] for n in (-1, 0, 1))
    bow = a - 2 * b + c
    finer = np.where(np.abs(bow) > 1e-12, 0.5 * (a - c) / np.where(bow, bow, 1), 0).clip(-1, 1)
    cents = 6900 + 1200 * np.log2(rate / (lags[best] + finer) / 440)
    return times, cents, np.where((a < b) | (c < b), 1.0, b)  # at an edge it lies beyond it


def hand(ears: Ears, at: float, end: float, usual: float, tuning: float) -> Hand:
    """Return the fretting hand's moves from a pick to the end of its note.

    Parameters
    ----------
    ears
        What is heard.
    at, end
        Seconds.
    usual
        The pitch at the beginning in cents, as it is heard.
    tuning
        Cents by which the guitar is above A4 = 440 Hz.
    """
    coarse = ears.pitched(at + 0.02, end)
    coarse = coarse[np.abs(coarse - usual) < 700]
    near = np.append(coarse, usual)
    times, cents, unsure = traced(ears, at, end - 0.012, near)
    if abs((before := ears.before(at)) - usual) > SAME:  # it dies in the first of this one
        new = replace(ears, source=cleared(ears, before))
        _, other, clearer = traced(new, at, min(end - 0.012, at + DEAD * HOP), near)
        here = np.flatnonzero(clearer < BETTER * np.minimum(0.5, unsure[: len(clearer)]))
        cents[here], unsure[here] = other[here], clearer[here]
    steady = np.ptp(np.lib.stride_tricks.sliding_window_view(np.pad(cents, 2, "edge"), 5), axis=1)
    fretted = np.abs(cents - tuning - 100 * np.round((cents - tuning) / 100)) < TRUE
    clear = (unsure < UNSURE) | ((unsure < UNSURE_YET) & (steady < STILL) & fretted)
    known = np.isfinite(cents) & clear & (times > at + 0.003)
    if known.sum() < 6:
        return Hand(100.0 * round((usual - tuning) / 100))
    cents = cents - tuning
    first, last = np.flatnonzero(known)[[0, -1]]
    row = np.interp(times, times[known], cents[known])[first : last + 1]
    padded = np.pad(row, 2, mode="edge")
    row = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    grace = _graced(cents, unsure, ears.before(at) - tuning)
    if grace is not None:
        pitch, frame = grace
        row[: max(0, frame - first)] = pitch
        moves = _moves(row)
        if moves and moves[0].end < DEAD:
            return _told(moves, row, float(times[first]))
        out = _told(moves, row, float(times[first]))
        step = Turn(
            "h" if out.pitch > pitch else "p", float(times[frame]), float(times[frame]), out.pitch
        )
        return Hand(pitch, 0.0, [step, *out.turns], out.doubts)
    spoken = _spoken(row)
    moves = _moves(row[spoken:])
    while moves and _dies(moves[0], spoken) and spoken + moves[0].end < 2 * DEAD:
        spoken += max(1, moves[0].high)
        moves = _moves(row[spoken:])
    return _told(moves, row[spoken:], float(times[first + spoken]))


def _graced(cents: Row, unsure: Row, before: float) -> tuple[float, int] | None:
    """Return the pitch of a grace note, and the frame at which it is left; None without one.

    It is near a fret, lasts some 20 ms, and is left at once; what dies of the note before is not.
    """
    if len(cents) < 24:
        return None
    main = float(np.median(cents[16:24]))
    if np.ptp(cents[16:24]) > 2 * STILL:
        return None
    for frame in range(*GRACED):
        own, away = cents[frame - 5 : frame], cents[frame + 3 : frame + 6]
        pitch = 100.0 * round(float(np.median(own)) / 100)
        level, stays = unsure[frame - 5 : frame], np.abs(own - np.median(own)) < STILL
        if (
            50 < abs(pitch - main) < REACHED
            and (np.abs(own - pitch) < GRACE).sum() >= 4
            and (np.abs(away - main) < GRACE).all()
            and float(np.median(level)) < NOISY[int(stays.sum() >= 4)]
            and not abs(before - pitch) < SAME
        ):
            return pitch, frame
    return None


def _spoken(cents: Row) -> int:
    """Return from which frame on it is the new note alone: the one before dies in its first."""
    for n in range(min(SPEAKS, len(cents) - 5)):
        true = abs(cents[n] - 100 * round(cents[n] / 100)) < TRUE
        if true and np.ptp(cents[n : n + 5]) < STILL:
            return n
    return 0


def _dies(move: _Slope, spoken: int) -> bool:
    """Tell whether a first move is but the note before, which dies in this one."""
    away = abs(move.before - 100 * round(move.before / 100))
    if move.begin > DEAD / 2:
        return False
    there = abs(move.after - 100 * round(move.after / 100)) < TRUE
    if away > TRUE and there and abs(move.after - move.before) < 75:
        return spoken + move.end < 2 * DEAD
    return spoken + move.end < DEAD and (away > TRUE or move.begin < 3)


def _turning(cents: Row, least: float) -> list[int]:
    """Return where the pitch turns, from the first rise or fall of `least` to the last."""
    points: list[int] = []
    low = high = far = way = 0
    for n in range(len(cents)):
        if not way:
            low = n if cents[n] <= cents[low] else low
            high = n if cents[n] >= cents[high] else high
            if cents[n] - cents[low] >= least:
                way, far, points = 1, n, [low]
            elif cents[high] - cents[n] >= least:
                way, far, points = -1, n, [high]
        elif (cents[n] - cents[far]) * way >= 0:
            far = n
        elif (cents[far] - cents[n]) * way >= least:
            points.append(far)
            way, far = -way, n
    return [*points, far] if way else []


def _waves(cents: Row, points: Sequence[int]) -> list[bool]:
    """Tell of each run between two turns whether it is one of a vibrato or a trill."""
    runs = [(abs(cents[b] - cents[a]), (b - a) * HOP) for a, b in pairwise(points)]
    out = [False] * len(runs)
    for n in range(len(runs) - 1):
        (one, long), (two, other) = runs[n], runs[n + 1]
        even = max(one, two) < 1.9 * min(one, two) and max(one, two) < WIDEST
        quick = WAVES[0] < min(long, other) < WAVES[1]
        if even and quick and (n or max(long, other) < WAVES[1] or len(runs) > 2):
            out[n] = out[n + 1] = True
    return out


def _moves(cents: Row) -> list[_Slope]:
    """Return the moves: runs that are no waves, parted where the pitch is held between."""
    points = _turning(cents, RUN)
    waves = _waves(cents, points)
    pairs: list[tuple[int, int]] = []
    for n, ((a, b), wave) in enumerate(zip(pairwise(points), waves, strict=True)):
        if wave:
            continue
        shaken = n + 1 < len(waves) and waves[n + 1]
        next_wave = abs(cents[points[n + 2]] - cents[b]) if shaken else 0.0
        since, held, before = a, a, len(pairs)
        for low, high in [*_still(cents, a, b), (b, b)]:
            far = abs(cents[low] - cents[since])
            # The first wave of a vibrato after a move that went the same way.
            shakes = low == b and since > a and next_wave and far < 1.6 * next_wave
            if far >= RUN and not shakes:
                pairs.append((held, low))
            held, since = low, high  # what begins slowly still seems to be held
        if len(pairs) == before and not next_wave:  # so slowly that it seems to be held
            pairs.append((a, b))
    return [_run(cents, a, b) for a, b in pairs]


def _still(cents: Row, a: int, b: int) -> list[tuple[int, int]]:
    """Return where between two frames the pitch is held."""
    out: list[tuple[int, int]] = []
    n = a
    while n < b - HELD:
        if np.ptp(cents[n : n + HELD]) > STILL:
            n += 1
            continue
        end = n + HELD
        while end < b and np.ptp(cents[n : end + 1]) <= STILL:
            end += 1
        out.append((n, end))
        n = end
    return out


def _run(cents: Row, a: int, b: int) -> _Slope:
    before, after = float(cents[a]), float(cents[b])
    share = (cents[a : b + 1] - before) / (after - before)
    low, high = int((share >= 0.15).argmax()), int((share >= 0.85).argmax())
    between = cents[a + low : a + high + 1]
    frets = np.round(between / 100) * 100
    inside = (np.abs(frets - before) > 50) & (np.abs(frets - after) > 50)
    tread = int((inside & (np.abs(between - frets) < TREAD)).sum()) * HOP
    near = TREMBLE / abs(after - before)
    begin, end = int(np.flatnonzero(share[: low + 1] < near)[-1]), int((share > 1 - near).argmax())
    return _Slope(a + begin, a + low, a + high, a + end, before, after, (high - low) * HOP, tread)


def _told(moves: Sequence[_Slope], cents: Row, begin: float) -> Hand:
    """Return moves as a player calls them."""
    ends = [*(move.begin for move in moves), len(cents)]
    first = float(np.median(cents[: max(1, min(ends[0], 12))])) if moves else _centre(cents)
    out = Hand(100.0 * round(first / 100))
    stop, bent = out.pitch, 0.0
    if abs(first - stop) > UNTRUE and ends[0] > DEAD:
        out.doubts.append("a curl, or out of tune")
        out.pitch = stop = 100.0 * math.floor(first / 100)
        bent = 50.0
        out.turns.append(Turn("b", begin, begin, bent))
    for number, move in enumerate([None, *moves]):
        if move is not None:
            turn, stop, bent = _turn(move, out, stop, bent, begin)
            out.turns += [turn] if turn else []
        since = 0 if move is None else move.end
        between = (number > 0, number < len(moves))
        _shaken(out, cents[since : ends[number]], begin + since * HOP, between)
    last = out.turns[-1] if out.turns else None
    if last and last.sign in SLIDES and last.stop > begin + len(cents) * HOP - OUT:
        out.turns[-1] = replace(last, cents=0.0)
    return out


def _centre(cents: Row) -> float:
    """Return the pitch of a note that goes nowhere; a fretted string trembles upwards only."""
    return float(np.percentile(cents, 30))


def _turn(
    move: _Slope, out: Hand, stop: float, bent: float, begin: float
) -> tuple[Turn | None, float, float]:
    """Return a move, and where the string is stopped and by how much it is bent after it."""
    up = move.after > move.before
    start, there = begin + move.low * HOP, begin + move.high * HOP
    # A release takes longer than that.
    sudden = move.sharp < SUDDEN or (not up and not out.turns and move.end < RELEASED)
    landed = 100.0 * round(move.after / 100)
    curl = bent == BEND_SIZES["1/4"]
    if curl and not up and (move.sharp > LAZY or move.after - stop > TRUE):
        return None, stop, bent  # a curl that trembles, or dies
    if bent and not up:
        left = move.after - stop
        size = _size(left) if left > SMALLEST else 0.0
        size = size if size < bent else 0.0
        return Turn("r", start - EASE * move.sharp, there, size), stop, size
    stair = move.tread > max(STAIR, TREADS * move.sharp)
    if sudden or stair:
        sign = ("/" if up else "\\") if stair else ("h" if up else "p")
        if bent:
            sign = "b"
        elif landed != stop:
            one = abs(landed - stop) == 100 and not out.turns
            if sudden and not stair and one and SLID[0] < move.low * HOP < SLID[1]:
                said = "a slide, or a hammer-on" if up else "a slide, or a pull-off"
                return Turn("/" if up else "\\", start, there, landed, said), landed, 0.0
            return Turn(sign, start, there, landed), landed, 0.0
    if up:
        size = _size(move.after - stop)
        if size < 75 and abs(move.after - landed) < TRUE and not bent:
            return None, landed, 0.0  # no curl ends on a fret: it comes from elsewhere
        return Turn("b", start - EASE * move.sharp, there, size), stop, size
    # Smoothly down from a string that was not bent: it was bent before it was picked.
    size = _size(move.before - move.after)
    if not out.turns and abs(move.before - landed - size) < UNTRUE:
        out.pitch, out.bent = landed, size
        return Turn("r", start - EASE * move.sharp, there, 0.0), out.pitch, 0.0
    if move.end < 2 * DEAD and not out.turns:
        out.pitch = landed
        return None, landed, 0.0
    if landed == stop:
        return None, stop, 0.0
    return Turn("\\", start, there, landed, "a slide, or a release"), landed, 0.0


def _size(cents: float) -> float:
    return float(min(BEND_SIZES.values(), key=lambda size: abs(size - cents)))


def _shaken(out: Hand, cents: Row, since: float, between: tuple[bool, bool]) -> None:
    """Add a vibrato or a trill in what is held, after a move or before one or neither."""
    points = _turning(cents, TREMBLE)
    waves = _waves(cents, points)
    runs = [
        (a, b)
        for (a, b), wave in zip(pairwise(points), waves, strict=True)
        if wave and not (between[0] and a < 3) and not (between[1] and b > len(cents) - 4)
    ]
    wide = float(np.median([abs(cents[b] - cents[a]) for a, b in runs])) if runs else 0.0
    if wide < NARROW:
        return
    at = since + runs[0][0] * HOP
    sudden = np.median([_run(cents, a, b).sharp for a, b in runs]) < SUDDEN
    if wide > 75 and sudden and len(runs) > 3:
        low = 100.0 * round(float(np.median([min(cents[a], cents[b]) for a, b in runs])) / 100)
        high = low + 100.0 * round(wide / 100)
        if out.turns and out.turns[-1].cents == high:
            out.turns.pop()
        out.turns.append(Turn("tr", at, at, high))
    else:
        out.turns.append(Turn("~~" if wide > WIDE else "~", at, at, wide))
