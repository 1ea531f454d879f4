"""What was played of what is written: when, which note, how far bent, how it trembled.

Only what is steady is measured; where two strings ring, or a note is too short, nothing is said.
Conventions: seconds late are positive, cents sharp are positive.

References: as `ears`; the tolerances stand in `thresholds`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from backing.listening.ears import AFTER, Ears, Onset, middle, swaying
from backing.listening.match import NEAR, Match, lag, match
from backing.listening.plucks import lacking, partials
from backing.listening.written import Event, Part

__all__ = ["Bend", "Extra", "Judged", "Review", "Vibrato", "review"]

Row = NDArray[np.float64]

WRONG = 70.0  # cents from what is written, above which it is another note
# Cents: nobody errs by more than an octave downwards; what is heard there is a tone that two
# strings share when an amplifier mixes them.
LOWEST_SLIP = -1250.0
SLIPS = 5  # semitones either way that a finger or a string is missed by
# By how much more of what is new another note must explain: of one string, of several.
SLIP = (0.4, 0.3)
BRIEF = 0.12  # seconds that a note must last for that
HEARD = 0.3  # share of what is new that a note has which is taken to be there
SPOKEN = (0.05, 0.27)  # seconds after a pick between which its strings are told apart
SOFTEST, SOFT_MISS = 24.0, 9.0  # dB under the rest: nothing at all; nothing if the pitch is off
OCTAVES = (1200.0, -1200.0, 1901.955, -1901.955)  # cents by which YIN errs
BEND_HOLD = 8  # frames that a bend must be held to be measured
ASTRAY = 120.0  # cents above a bend, or below where it begins, where nobody bends to
BESIDE = (0.12, 0.4)  # seconds of a bend in which it is told from another string
LET_GO, STEADY = 12.0, 20.0  # dB that a string falls when it is let go; dB under the rest
RINGS = 0.25  # seconds after its end that a note must sound to ring on
VIBRATO = 0.45  # seconds that a vibrato must last to be measured
WIDTHS = (4.0, 160.0)  # cents from edge to edge
KNOWN, ALONE = 0.8, 0.5  # shares: of its frames that are clear, of the trembling that it is
FLATTENED = 0.03  # seconds of YIN's window, which flattens what is quick
STRONG, LOUD = 0.35, 22.0  # of a beginning that is nobody's: strength, dB under the rest
FIND = 0.15  # seconds from its place within which a note without an attack is looked for


@dataclass(frozen=True, slots=True)
class Bend:
    """A bend: the cents it goes up as written, how far off that it was, and seconds held.

    `off` is not a number where it could not be measured, and `why` says why.
    """

    cents: float
    off: float = math.nan
    held: float = 0.0
    why: str = ""


@dataclass(frozen=True, slots=True)
class Vibrato:
    """A vibrato as played and as written: turns a second, and cents from edge to edge."""

    hertz: float
    cents: float
    written_hertz: float
    written_cents: float


@dataclass(slots=True)
class Judged:
    """One written event and what was heard of it.

    Attributes
    ----------
    event
        What is written.
    how
        ``played``, ``wrong``, ``missed``; ``unclear`` where it cannot be told.
    off
        Seconds late, not a number if it was not heard to begin.
    pitch
        Cents from what is written at its beginning, not a number where unclear.
    bends, vibrato
        Measured where they could be.
    lacks
        The strings of a double stop that are not heard with the others.
    held
        Seconds by which it is let go late; not a number where its end is not clear.
    """

    event: Event
    how: str = "missed"
    off: float = math.nan
    pitch: float = math.nan
    bends: list[Bend] = field(default_factory=list)
    vibrato: Vibrato | None = None
    lacks: tuple[str, ...] = ()
    held: float = math.nan


@dataclass(frozen=True, slots=True)
class Extra:
    """A note that nobody wrote: when, and its pitch in cents."""

    at: float
    cents: float


@dataclass(frozen=True, slots=True)
class Review:
    """A take as it was heard.

    Attributes
    ----------
    judged
        Every written event, in order of time, but rakes.
    extra
        Notes that nobody wrote.
    late
        Seconds by which all of it is late.
    tuning
        Cents by which the guitar is above A4 = 440 Hz.
    """

    judged: list[Judged]
    extra: list[Extra]
    late: float
    tuning: float

    def share(self, *hows: str) -> float:
        """Return the share of picked notes that were ``played``, ``missed`` and so on."""
        picks = [one for one in self.judged if one.event.kind == "pick"]
        return sum(one.how in hows for one in picks) / max(1, len(picks))


def review(events: Sequence[Event], ears: Ears, shift: float = 0.0) -> Review:
    """Compare what is written with what is heard.

    Parameters
    ----------
    events
        In order of time; times are of the take, but for `shift`.
    ears
        What is heard.
    shift
        Seconds at which the take's first written second lies, if that is known to be elsewhere.
    """
    late = shift + lag([one.moved(shift) for one in events], ears)
    found = match(events, ears, late, 0.0)
    offs = [
        ears.onsets[onset].at - events[number].at
        for number, onset in found.pairs.items()
        if events[number].kind == "pick"
    ]
    late = float(np.median(offs)) if offs else late
    tuning = _tuning(events, ears, match(events, ears, late, 0.0))
    found = match(events, ears, late, tuning)
    judged = [Judged(event) for event in events]
    begun: dict[int, float] = {}
    for number, onset in sorted(found.pairs.items()):
        _hear(judged[number], ears, ears.onsets[onset], found.off[number], tuning)
        if judged[number].how != "missed":
            begun[number] = ears.onsets[onset].at
    for number, one in enumerate(judged):
        if one.how == "missed" and one.event.pitched:
            _look_again(number, judged, begun, ears, late, tuning)
        if one.event.kind == "step" and number in begun:
            _settle(one, begun, number, ears, tuning)
    others = [ears.onsets[n].at for n in found.left if ears.onsets[n].strength >= STRONG]
    _measure(judged, begun, others, ears, tuning)
    _ends(judged, begun, ears)
    _doubt(judged)
    extra = _extras(judged, begun, ears, found, tuning)
    return Review([one for one in judged if one.event.kind != "rake"], extra, late, tuning)


def _tuning(events: Sequence[Event], ears: Ears, found: Match) -> float:
    """Return by how many cents fretted notes that do not move are high; 0 from too few."""
    offs = []
    for number, onset in found.pairs.items():
        event = events[number]
        still = event.kind == "pick" and len(event.parts) == 1 and _still(event.parts[0])
        if still and event.end - event.at > 0.15:
            at = ears.onsets[onset].at
            row = _mended(ears, at + 0.05, at + min(event.end - event.at, 0.4), event.cents(0))
            off = middle(row - event.cents(0))
            if abs(off) < 60:
                offs.append(off)
    return float(np.median(offs)) if len(offs) >= 3 else 0.0


def _still(part: Part) -> bool:
    return not (part.curve.glides or part.curve.sways or part.curve.first)


def _mended(ears: Ears, start: float, stop: float, wanted: float) -> Row:
    """Return clear pitch between two times, errors by an octave or a twelfth mended."""
    row = ears.pitched(start, stop)
    for error in OCTAVES:
        row = np.where(np.abs(row - wanted - error) < 80, row - error, row)
    return row


def _hear(one: Judged, ears: Ears, onset: Onset, off: float, tuning: float) -> None:
    """Judge an event by its beginning."""
    event = one.event
    quiet = ears.loud - onset.level - (8 if event.soft else 0)
    sounds = event.kind in ("pick", "step")
    # A drum through the air, a touch of the hand: far softer than the rest, at another pitch.
    if sounds and (quiet > SOFTEST or (quiet > SOFT_MISS and not abs(off) < WRONG)):
        return
    one.how, one.off, one.pitch = "played", onset.at - event.at, off
    if event.kind == "pick" and len(event.parts) > 1:
        one.lacks = _lacking(event, ears, onset.at, tuning)
    if event.kind != "pick":
        return
    several = len(event.parts) > 1
    if several and any(abs(part.cents(BRIEF) - part.cents(0.0)) > 30 for part in event.parts):
        return  # two strings on their way
    steps, apart, own = _slipped(event, ears, onset.at, off, tuning)
    if apart > SLIP[several] and event.end - event.at > BRIEF:
        one.how, one.pitch = "wrong", steps
    elif not several and not abs(off) <= WRONG:
        sure = apart < 0 and own > HEARD
        one.how, one.pitch = "played" if sure else "unclear", math.nan


def _slipped(
    event: Event, ears: Ears, at: float, off: float, tuning: float
) -> tuple[float, float, float]:
    """Return by how many cents another note fits best, by how much better, and what is written.

    What fits is told by the share of what is new in the spectrum that belongs to a note's
    partials: strings that ring on are not new, and of what an amplifier makes of several strings
    most still lies there.
    """
    steps = [100.0 * n for n in range(-SLIPS, SLIPS + 1)]
    if LOWEST_SLIP < off < -100 * SLIPS or off > 100 * SLIPS:
        steps.append(off)
    written = [part.cents(0.06) + tuning for part in event.parts]
    shares = ears.shares(
        at, event.end - event.at, [[cents + step for cents in written] for step in steps]
    )
    own = float(shares[SLIPS])
    shares[SLIPS] = -1.0
    best = int(shares.argmax())
    return steps[best], float(shares[best]) - own, own


def _lacking(event: Event, ears: Ears, at: float, tuning: float) -> tuple[str, ...]:
    """Return the strings of a double stop that are not heard; none where it is short or moves."""
    start, stop = SPOKEN[0], min(SPOKEN[1], event.end - event.at)
    pitches = [(part.cents(stop) + tuning) / 100 for part in event.parts]
    moves = any(abs(part.cents(start) - part.cents(stop)) > 30 for part in event.parts)
    near = max(pitches) - min(pitches) < 2
    if moves or near or stop - start < 0.06:
        return ()
    found = partials(ears, at + start, at + stop)
    gone = lacking(found, pitches) if len(found) else []
    return tuple(event.parts[n].string for n in gone) if len(gone) < len(pitches) else ()


def _look_again(
    number: int,
    judged: Sequence[Judged],
    begun: dict[int, float],
    ears: Ears,
    late: float,
    tuning: float,
) -> None:
    """Look for the pitch of a note for which no attack was found, near its place."""
    event = judged[number].event
    low, high = event.at + late - FIND, event.at + late + FIND
    if number - 1 in begun:
        low = max(low, begun[number - 1] + 0.03)
    if number + 1 in begun:
        high = min(high, begun[number + 1] - 0.03)
    wanted = event.cents(0.03) + tuning
    if number:
        before = judged[number - 1].event
        if abs(before.cents(event.at - before.at - 0.02) + tuning - wanted) < WRONG:
            return  # it may be the one before that rings
    row = ears.pitched(low, high + 8 * ears.hop)
    since = max(0, round(low / ears.hop))
    loud = ears.level[since : since + len(row)] > ears.loud - SOFTEST
    near = (np.abs(row - wanted) < 60) & loud
    if len(near) < 6:
        return
    runs = np.flatnonzero(np.convolve(near, np.ones(6), "valid") >= 6)
    if not len(runs):
        return
    first = int(runs[0])
    at = (since + first) * ears.hop - 0.012
    begun[number] = at
    judged[number].how = "played"
    judged[number].off = at - event.at
    judged[number].pitch = middle((row - wanted)[first : first + 6])


def _settle(one: Judged, begun: dict[int, float], number: int, ears: Ears, tuning: float) -> None:
    """Put a hammer-on, pull-off or slide where the pitch is half-way, not where a flux peaked."""
    part = one.event.parts[0]
    wanted = one.event.cents(0.02) + tuning
    before = 100.0 * part.pitch + part.curve.at(max(0.0, part.since - 0.001)) + tuning
    low = max(0, round((begun[number] - NEAR / 3) / ears.hop))
    row = ears.cents[low : round((begun[number] + 0.07) / ears.hop)]
    there = np.abs(row - wanted) < np.abs(row - before)
    turns = [
        (low + n) * ears.hop - ears.hop / 2
        for n in range(1, len(there) - 1)
        if there[n] and there[n + 1] and not there[n - 1]
    ]
    if turns:
        begun[number] = min(turns, key=lambda at: abs(at - begun[number]))
        one.off = begun[number] - one.event.at


def _measure(
    judged: Sequence[Judged],
    begun: Mapping[int, float],
    others: Sequence[float],
    ears: Ears,
    tuning: float,
) -> None:
    """Measure bends and vibratos, up to where something else begins."""
    order = sorted(begun, key=lambda number: begun[number])
    following = {a: begun[b] for a, b in pairwise(order)}
    for number, at in begun.items():
        one = judged[number]
        if one.event.kind != "pick":
            continue
        then = next((other for other in others if other > at + 0.1), math.inf)
        last = min(at + one.event.end - one.event.at, following.get(number, math.inf) - 0.015)
        last = min(last, then - 0.015)
        if len(one.event.parts) > 1:
            one.bends = [
                _bend_beside(one.event, part, bend, at, last, ears, tuning)
                for part in one.event.parts
                for bend in _bends(part, one.event.end - one.event.at)
            ]
            continue
        for bend in _bends(one.event.parts[0], one.event.end - one.event.at):
            one.bends.append(_bend(one, bend, at, last, ears, tuning))
        for sway in one.event.parts[0].curve.sways:
            stop = min(at + sway.end, last) - 0.02
            if stop - at - sway.start >= VIBRATO:
                centre = one.event.cents(sway.start) + tuning
                found = _vibrato(ears, at + sway.start, stop, centre)
                if found is not None:
                    one.vibrato = Vibrato(*found, sway.hertz, abs(sway.cents))


class _Asked(NamedTuple):
    """A bend as it is written: when it begins, seconds it takes, cents, and when it is left."""

    start: float
    seconds: float
    before: float
    cents: float
    left: float


def _bends(part: Part, length: float) -> list[_Asked]:
    curve = part.curve
    moves = curve.glides
    out = []
    ends = [glide.start for glide in moves] + [length]
    if curve.first > 0 and curve.first % 50 == 0 and (not moves or moves[0].cents < curve.first):
        out.append(_Asked(0.0, 0.0, 0.0, curve.first, ends[0]))  # a pre-bend
    before = curve.first
    for number, glide in enumerate(moves):
        if glide.seconds > 0 and glide.kind == "bend" and glide.cents > before:
            out.append(_Asked(glide.start, glide.seconds, before, glide.cents, ends[number + 1]))
        before = glide.cents
    return out


def _bend(one: Judged, bend: _Asked, at: float, last: float, ears: Ears, tuning: float) -> Bend:
    start, takes, before, cents, left = bend
    up = cents - min(before, 0.0) if before <= 0 else cents - before
    low, high = at + start + 0.6 * takes, min(at + left, last) - 0.01
    if one.how == "wrong":
        return Bend(up, why="it begins on another note")
    if high - low < 0.05:
        return Bend(up, why="too short")
    wanted = 100.0 * one.event.parts[0].pitch + cents + tuning
    held = _mended(ears, low, high, wanted)
    clear = ears.unsure[round(low / ears.hop) : round(high / ears.hop)] < 0.2
    held = held[np.isfinite(held)]
    if len(held) < BEND_HOLD or clear.mean() < 0.7:
        return Bend(up, why="not clear enough")
    sways = any(sway.start < left and sway.end > start for sway in one.event.parts[0].curve.sways)
    top = float(np.percentile(held, 85 if sways else 60 if len(held) < 30 else 50))
    off = top - wanted
    if not -up - ASTRAY < off < ASTRAY:  # another string, or YIN's octave
        return Bend(up, why="not clear enough")
    return Bend(up, off, len(held) * ears.hop)


def _bend_beside(
    event: Event,
    part: Part,
    bend: _Asked,
    at: float,
    last: float,
    ears: Ears,
    tuning: float,
) -> Bend:
    """Measure a bend beside another string by the partials that only the bent one has."""
    start, takes, _, cents, left = bend
    low, high = start + takes, min(left, last - at, start + takes + BESIDE[1]) - 0.01
    others = [other for other in event.parts if other is not part]
    if any(abs(other.cents(low) - other.cents(high)) > 10 for other in others):
        return Bend(cents, why="another string moves with it")
    if high - low < BESIDE[0]:
        return Bend(cents, why="too short")
    found = partials(ears, at + low, at + high)
    wanted = 440.0 * 2 ** ((100.0 * part.pitch + cents + tuning - 6900.0) / 1200.0)
    offs = []
    for order in range(1, 9):
        near = found[np.abs(1200 * np.log2(found[:, 0] / (order * wanted))) < ASTRAY]
        if len(near):
            hertz = float(near[near[:, 1].argmax(), 0])
            own = 440.0 * 2 ** ((np.array([o.cents(low) for o in others]) + tuning - 6900) / 1200)
            order_of = np.maximum(1, np.round(hertz / own))
            if (np.abs(1200 * np.log2(hertz / (order_of * own))) > 45).all():
                offs.append(1200 * math.log2(hertz / (order * wanted)))
    off = float(np.median(offs)) if offs else math.nan
    if sum(abs(one - off) < 12 for one in offs) < max(2, 0.6 * len(offs)):
        return Bend(cents, why="another string rings with it")
    return Bend(cents, off, high - low)


def _ends(judged: Sequence[Judged], begun: Mapping[int, float], ears: Ears) -> None:
    """Tell when notes are let go: where a level that was steady falls at once, or rings on."""
    picks = [n for n in sorted(begun, key=lambda n: begun[n]) if judged[n].event.kind != "step"]
    untils = [*(begun[n] for n in picks), ears.source.frames / ears.source.rate][1:]
    for number, until in zip(picks, untils, strict=True):
        one, at = judged[number], begun[number]
        if one.how != "played" or one.event.kind != "pick":
            continue
        first, written = at + 0.06, at + one.event.end - one.event.at
        row = ears.level[round(first / ears.hop) : round((until - 0.02) / ears.hop)]
        fall, stay = round(0.05 / ears.hop), round(0.12 / ears.hop)
        if len(row) < stay + 1:
            continue
        windows = np.lib.stride_tricks.sliding_window_view
        padded = np.pad(windows(row, stay).min(axis=1), stay - 1, constant_values=-120.0)
        row = windows(padded, stay).max(axis=1)  # without what is shorter: touches of the hand
        later = windows(row, stay - fall + 1).max(axis=1)[fall:]
        stops = (row[: len(later)] - later > LET_GO) & (row[: len(later)] > ears.loud - STEADY)
        if stops.any():
            n = int(stops.argmax())
            there = n + int((row[n:] < row[n] - LET_GO / 2).argmax())
            one.held = first + there * ears.hop - written
        elif until - written > RINGS:
            row = ears.level[round(written / ears.hop) : round((until - 0.02) / ears.hop)]
            sounds = (row > row[0] - LET_GO / 2) & (row > ears.loud - STEADY)
            held = (len(row) if sounds.all() else int(sounds.argmin())) * ears.hop
            near = middle(ears.pitched(written, written + RINGS))
            last = [part.cents(one.event.end - one.event.at) for part in one.event.parts]
            if held > RINGS and min(abs(near - cents) for cents in last) < 60:
                one.held = held


def _vibrato(ears: Ears, start: float, stop: float, centre: float) -> tuple[float, float] | None:
    """Return the rate and the width of a vibrato, None where there is none that is clear."""
    row = _mended(ears, start, stop, centre)
    seconds = np.arange(len(row)) * ears.hop
    known = np.isfinite(row)
    if not known.any() or known.mean() < KNOWN:
        return None
    row = np.interp(seconds, seconds[known], row[known])
    hertz, width, share = swaying(row, ears.hop)
    width /= max(0.3, float(np.sinc(hertz * FLATTENED)))
    return (hertz, width) if share >= ALONE and WIDTHS[0] < width < WIDTHS[1] else None


def _doubt(judged: Sequence[Judged]) -> None:
    """Leave open a hammer-on, pull-off or slide after a pick that was not heard itself."""
    for before, one in pairwise(judged):
        if one.how == "missed" and one.event.kind == "step" and before.how != "played":
            one.how = "unclear"


def _extras(
    judged: Sequence[Judged],
    begun: Mapping[int, float],
    ears: Ears,
    found: Match,
    tuning: float,
) -> list[Extra]:
    """Return the notes that nobody wrote: strong, pitched, new, and lasting."""
    order = sorted(begun, key=lambda number: begun[number])
    starts = np.array([begun[number] for number in order])
    out: list[Extra] = []
    for number in found.left:
        onset = ears.onsets[number]
        if onset.strength < STRONG or onset.level < ears.loud - LOUD:
            continue
        at = int(np.searchsorted(starts, onset.at, "right"))
        close = starts[max(0, at - 1) : at + 1]
        if len(close) and np.abs(close - onset.at).min() < 0.06:
            continue
        heard = onset.cents[0][np.isfinite(onset.cents[0])]
        if len(heard) < 0.5 * onset.cents.shape[1]:
            continue
        if at and _belongs(
            judged[order[at - 1]].event, float(starts[at - 1]), onset, ears, tuning
        ):
            continue
        new = middle(heard)
        here = round(onset.at / ears.hop)
        lasts = ears.level[here + 16 : here + 22]
        steady = len(lasts) and lasts.mean() > onset.level - 12
        steady = steady and np.mean(np.abs(heard - new) < 40) > 0.6
        rang = abs(ears.before(onset.at) - new) < 60 and onset.level < onset.before + 3
        if steady and not rang and ears.grown(onset.at, new) >= 6:
            out.append(Extra(onset.at, new - tuning))
    return out


def _belongs(event: Event, at: float, onset: Onset, ears: Ears, tuning: float) -> bool:
    """Tell whether a beginning is only how the note before goes on: a bend, a slide, a release."""
    since = onset.at - at
    seconds = since + (np.arange(onset.cents.shape[1]) + AFTER) * ears.hop
    nearest = math.nan
    for part in event.parts:
        for glide in part.curve.glides:
            start = glide.start - part.since
            if abs(start - since) < 0.09 or start <= since <= start + glide.seconds + 0.05:
                return True
        off = middle(onset.cents[0] - tuning - np.array([part.cents(t) for t in seconds]))
        if math.isnan(nearest) or abs(off) < abs(nearest):
            nearest = off
    if abs(nearest) < 60 and onset.level < onset.before + 2 and onset.strength < 0.8:
        return True
    # The hand that damps a note is heard too.
    return since > event.end - event.at - 0.06 and onset.level < onset.before - 1
