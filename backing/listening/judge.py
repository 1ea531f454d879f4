"""What was played of what is written: which note, and when.

Where it cannot be told, nothing is said.

References: as `ears`; the tolerances stand in `thresholds`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np

from backing.listening.ears import AFTER, Ears, Onset, middle
from backing.listening.held import ends, measure, mended
from backing.listening.judged import Extra, Judged, Review
from backing.listening.match import NEAR, Match, lag, match
from backing.listening.plucks import lacking, partials
from backing.listening.written import Event, WrittenNote

__all__ = ["review"]

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
STRONG, LOUD = 0.35, 22.0  # of a beginning that is nobody's: strength, dB under the rest
CUT = 0.05  # seconds of a take in which what sounds may have begun before it
FIND = 0.15  # seconds from its place within which a note without an attack is looked for


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
    measure(judged, begun, others, ears, tuning)
    ends(judged, begun, others, ears)
    _doubt(judged)
    extra = _extras(judged, begun, ears, found, tuning)
    return Review([one for one in judged if one.event.kind != "rake"], extra, late, tuning)


def _tuning(events: Sequence[Event], ears: Ears, found: Match) -> float:
    """Return by how many cents fretted notes that do not move are high; 0 from too few."""
    offs = []
    for number, onset in found.pairs.items():
        event = events[number]
        still = event.kind == "pick" and len(event.notes) == 1 and _still(event.notes[0])
        if still and event.end - event.at > 0.15:
            at = ears.onsets[onset].at
            row = mended(ears, at + 0.05, at + min(event.end - event.at, 0.4), event.cents(0))
            off = middle(row - event.cents(0))
            if abs(off) < 60:
                offs.append(off)
    return float(np.median(offs)) if len(offs) >= 3 else 0.0


def _still(part: WrittenNote) -> bool:
    return not (part.curve.glides or part.curve.sways or part.curve.first)


def _hear(one: Judged, ears: Ears, onset: Onset, off: float, tuning: float) -> None:
    """Judge an event by its beginning."""
    event = one.event
    quiet = ears.loud - onset.level - (8 if event.soft else 0)
    sounds = event.kind in ("pick", "step")
    # A drum through the air, a touch of the hand: far softer than the rest, at another pitch.
    if sounds and (quiet > SOFTEST or (quiet > SOFT_MISS and not abs(off) < WRONG)):
        return
    one.how, one.off, one.pitch = "played", onset.at - event.at, off
    if event.kind == "pick" and len(event.notes) > 1:
        one.lacks = _lacking(event, ears, onset.at, tuning)
    if event.kind != "pick":
        return
    several = len(event.notes) > 1
    if several and any(abs(part.cents(BRIEF) - part.cents(0.0)) > 30 for part in event.notes):
        return  # two strings on their way
    steps, apart, own = _slipped(event, ears, onset.at, off, tuning)
    if apart > SLIP[several] and event.end - event.at > BRIEF:
        one.how, one.pitch = "wrong", steps
        going = event.cents(BRIEF) - event.cents(0.06)
        if abs(going) > 30 and abs(steps - going) < WRONG:  # where the string itself goes next
            one.how, one.pitch = "unclear", math.nan
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
    written = [part.cents(0.06) + tuning for part in event.notes]
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
    pitches = [(part.cents(stop) + tuning) / 100 for part in event.notes]
    moves = any(abs(part.cents(start) - part.cents(stop)) > 30 for part in event.notes)
    near = max(pitches) - min(pitches) < 2
    if moves or near or stop - start < 0.06:
        return ()
    found = partials(ears, at + start, at + stop)
    gone = lacking(found, pitches) if len(found) else []
    return tuple(event.notes[n].string for n in gone) if len(gone) < len(pitches) else ()


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
    part = one.event.notes[0]
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
        if onset.at < CUT or onset.strength < STRONG or onset.level < ears.loud - LOUD:
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
    for part in event.notes:
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
