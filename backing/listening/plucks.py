"""Which notes are played in a take of which nothing is known: picks, their pitch and their end.

Conventions: as in `ears`; what a hand does under one pick is found in `moves`.

References: as `ears`; Klapuri 2003, IEEE Trans. Speech Audio Process. 11(6) (several pitches:
harmonics in turn).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np
from numpy.typing import NDArray

from backing.listening.ears import AFTER, STEPS, UNSURE, Ears, Onset, middle, swaying
from backing.listening.moves import traced
from backing.listening.rings import alone

__all__ = ["Pluck", "lacking", "partials", "plucks", "shaken", "tuning"]

Row = NDArray[np.float64]

QUIET = 30.0  # dB under the rest below which nothing was picked
# What tells a pick, with its limits: its weight against a touch, and against what the left hand
# plays. Fitted to two thirds of the library and variations of it, on six voices.
TELLS = (
    (0.0, 2.0, 4.55, 3.34),  # how much the spectrum grows
    (-3.0, 8.0, 0.35, 0.20),  # dB by which all of it does
    (-5.0, 14.0, 0.06, 0.64),  # and its highs
    (-15.0, 0.0, 0.80, 0.11),  # its level, dB
    (-2.0, 6.0, 0.43, -0.04),  # dB by which its partials grow
    (-3.0, 3.0, 0.29, 0.59),  # dB by which it is louder a little later
    (-5.0, 0.0, 0.43, 3.51),  # how unclear the pitch is then (logarithm): of two strings
    (-5.0, 0.0, 0.99, -1.02),  # and was: a pick stops the string before it lets go
    (-4.0, 0.0, 0.15, -0.45),  # dB by which it is softer then
    (-6.0, 0.0, -0.47, -0.87),  # and its highs
    (0.0, 1.0, -1.21, 0.87),  # whether no hand reaches from pitch to pitch
)
# Sums from which it is a pick, more where the pitch before it or after it is not clear; cents.
LEAST, UNKNOWN, REACHED = (-0.26, 2.6), 1.5, 450.0
# Of which partial the lower of two strings is the fundamental, by semitones between them.
SHARED = (1, 15, 8, 5, 4, 3, 5, 2, 5, 3, 4, 8)
LASTS, TOUCH, TOUCHED = 0.2, 12.0, 0.4  # seconds; dB under the rest, and share of a touch
RINGING = 2  # picks before one whose strings may still ring
RANG = 0.05  # share of what is new that a string has which only rings on
# Cents; dB by which every other partial stands out, and of an eighth that is nearly the highest.
HIGHEST_ROOT, OCTAVE, EIGHTH = 5500.0, 8.5, -8.0
SAME = 60.0  # cents within which it is the same note again
CLEAR = 0.08  # aperiodicity of one string
RAKED = 0.065  # seconds before a note within which muted strings are its rake
STEP, DROP = 8, 4.5  # frames, and dB that a note falls within them where a hand stops it
STAYS = 24  # frames after that in which it stays low: strings that beat come back
SHORTEST = 0.04  # seconds
LOWEST, HIGHEST = 40, 89  # MIDI pitch
LATER, WINDOW = 0.12, 0.15  # seconds after the pick, and seconds, in which strings are told apart
PARTIAL, PARTIALS, FAINTEST = 42.0, 14, 0.01  # cents, how many, and the least height of partials
BAND, TOO_HIGH = 45.0, 3000.0  # hertz beside a partial that are its own; up to which they are
SWAYS, PERIODIC = 0.35, 0.55  # seconds and share of a vibrato
LEAST_SWAY = (3.0, 8.0)  # cents of one: of one of two in unison, which half is heard of; of others
# Shares of the power that are left over: by one string, by more, and of what one string less left.
BETWEEN = (-80.0, -35.0)  # cents from where it arrives at which it may seem to begin
BEATS, CALM = 0.22, 0.06  # aperiodicity while a unison bend is on its way, and then
RESOLVED = 62.0  # hertz that 32 ms tell apart
EACH, BOTH = 0.5, 3.5  # dB by which a pitch below is the stronger: of each string, of both
UNHEARD = 0.003  # share of the power under which a string is not heard; it has a third, else
SHORT = 0.05  # seconds that tell nothing of pitches
SPARE = 0.02  # share that one an octave lower may explain besides
ALONE, TOGETHER, BETTER = 0.1, 0.12, 0.35


@dataclass(slots=True)
class Pluck:
    """One pick."""

    at: float  # seconds at which it is picked, and until which it sounds
    end: float
    pitches: tuple[float, ...]  # cents, one or two from the low one up; none of a muted string
    followed: float = math.nan  # of two strings one below both that goes where they go
    unison: float = 0.0  # to which a lower string seems to be bent while another has it, or 0
    slid: int = 0  # semitones that two strings seem to come from, below `pitches`
    raked: bool = False  # whether it is raked into
    level: float = 0.0  # dB
    more: bool = False  # whether more than two strings sound
    ears: Ears | None = None  # what is heard of it, without a string that only rings on


def plucks(ears: Ears) -> list[Pluck]:
    """Return the picks of a take in order of time."""
    picked = [one for one in ears.onsets if _is_pick(ears, one)]
    out: list[Pluck] = []
    for number, one in enumerate(picked):
        until = picked[number + 1].at if number + 1 < len(picked) else _length(ears)
        end = _end(ears, one.at, until)
        rang = [ears.before(one.at), *(c for before in out[-RINGING:] for c in before.pitches)]
        heard = alone(ears, one.at, end, rang)
        known = middle(heard.pitched(one.at + 0.03, min(end, one.at + LATER), CLEAR))
        found: tuple[float, ...] = (known,)
        usual = known
        if heard is ears or math.isnan(known):
            usual, found = _new(heard, one, end, *_pitches(heard, one, end))
        strong = one.level > ears.loud - TOUCH
        lasts = strong and end - one.at > LASTS
        muted = strong and end - one.at < 0.12
        if found or lasts or muted:
            more = (
                len(found) > 2 or (lasts and not found) or _power_chord(ears, one.at, end, found)
            )
            new = Pluck(one.at, end, found[:2], usual, level=one.level, more=more, ears=heard)
            if len(found) == 1:
                new.unison = _unison(ears, one.at, end, middle(one.cents[0]))
            elif len(found) == 2:
                new.slid = _slid(ears, one.at, found)
            out.append(new)
    kept: list[Pluck] = []
    for stroke, after in pairwise([*out, Pluck(_length(ears) + 1, 0.0, ())]):
        if after.at - stroke.at < RAKED and after.pitches and stroke.level < after.level + 3:
            after.raked = True
        else:
            kept.append(stroke)
    return kept


def tuning(found: Sequence[Pluck]) -> float:
    """Return by how many cents the guitar is above A4 = 440 Hz, from -50 to 50."""
    turns = np.array([pitch for one in found for pitch in one.pitches]) * (np.pi / 50)
    if len(turns) < 3:
        return 0.0
    return float(np.angle(np.exp(1j * turns).mean()) * 50 / np.pi)


def _length(ears: Ears) -> float:
    return ears.source.frames / ears.source.rate


def _power(ears: Ears, start: float, stop: float, *, bright: bool = False) -> float:
    """Return the level between two times in dB, of the highs alone if asked for."""
    rate = ears.source.rate
    sound = ears.source.read(int(start * rate), int(stop * rate)).astype(np.float64)
    if bright:
        sound = np.diff(sound, n=2)
    return float(10 * np.log10(np.mean(sound**2) + 1e-12)) if len(sound) else -120.0


def _is_pick(ears: Ears, one: Onset) -> bool:
    """Tell a pick from a hand that touches the strings, and from what the left hand plays."""
    at = one.at
    if one.level < ears.loud - QUIET:
        return False
    near = np.array([ears.before(at), middle(one.cents[0])])
    step, unclear = abs(near[1] - near[0]), [math.log(0.61)] * 2
    if math.isfinite(step):
        times, _, unsure = traced(ears, at - 0.01, at + 0.02, near)
        unclear = [math.log(0.01 + unsure[some].mean()) for some in (times >= at, times < at)]
    here = round(at / ears.hop)
    was, soon = ears.level[max(0, here - 9) : here - 3], ears.level[here + 10 : here + 16]

    def power(start: float, stop: float, *, bright: bool = False) -> float:
        return _power(ears, at + start, at + stop, bright=bright)

    def dip(long: float, first: int, count: int, *, bright: bool) -> float:
        rows = [power(n * long - 0.03, (n + 1) * long - 0.03, bright=bright) for n in range(count)]
        return min(rows[first:]) - sum(rows[:first]) / first

    values = (
        one.strength, power(0.002, 0.03) - power(-0.014, -0.001),
        power(0, 0.012, bright=True) - power(-0.012, -0.001, bright=True),
        one.level - ears.loud, ears.grown(at, near[1]) if math.isfinite(near[1]) else 0.0,
        soon.mean() - was.mean() if len(was) and len(soon) else 9.0, *unclear,
        dip(0.004, 3, 8, bright=False), dip(0.003, 4, 10, bright=True), not step < REACHED,
    )  # fmt: skip
    kept = [
        max(low, min(high, value)) for value, (low, high, *_) in zip(values, TELLS, strict=True)
    ]
    touch, legato = (sum(v * row[n] for v, row in zip(kept, TELLS, strict=True)) for n in (2, 3))
    least = LEAST[1] + (0.0 if math.isfinite(step) else UNKNOWN)
    return bool(touch > LEAST[0] and (step < SAME or legato > least))


def _end(ears: Ears, at: float, until: float) -> float:
    """Return when a note stops, at the next pick at the latest."""
    first, last = round((at + SHORTEST) / ears.hop), round(until / ears.hop)
    level = ears.level[first:last]
    if len(level) <= 2 * STEP:
        return until
    now, soon, then = level[: -2 * STEP], level[STEP:-STEP], level[2 * STEP :]
    padded = np.pad(then, (0, STAYS), constant_values=-120.0)
    later = np.lib.stride_tricks.sliding_window_view(padded, STAYS + 1).max(axis=1)
    falls = (now - soon > DROP) & (soon - then > DROP / 2) & (now - later > DROP)
    stops = np.flatnonzero(falls | (now < ears.loud - QUIET - 8))
    return min(until, (first + int(stops[0]) + 1) * ears.hop) if len(stops) else until


def _new(
    ears: Ears, one: Onset, end: float, usual: float, found: tuple[float, ...]
) -> tuple[float, tuple[float, ...]]:
    """Return of what is heard what is picked: neither a string that rings on nor a touch."""
    if len(found) == 2:
        both, *each = ears.shares(one.at, end - one.at, [found, found[:1], found[1:]])
        alone = [c for c, share in zip(found, each, strict=True) if share > RANG * both]
        if len(alone) == 1:
            return alone[0], (alone[0],)
    faint = len(found) == 1 and one.level < ears.loud - TOUCH
    if faint and ears.shares(one.at, end - one.at, [found])[0] < TOUCHED:
        return math.nan, ()
    return usual, found


def _power_chord(ears: Ears, at: float, end: float, found: Sequence[float]) -> bool:
    """Tell whether a fifth on low strings has the octave above its root with it.

    All partials of that string are the lowest one's, too: its second, fourth and eighth stand out.
    """
    if len(found) != 2 or round((found[1] - found[0]) / 100) != 7 or found[0] > HIGHEST_ROOT:
        return False
    peaks = partials(ears, at + 0.08, min(end - 0.005, at + 0.3))
    order, near = _orders(peaks, found[0] / 100)
    heights = [
        20 * math.log10(max(0.01, peaks[near & (order == n), 1].max(initial=0.0)))
        for n in range(1, 9)
    ]
    even, odd = (sum(heights[n - 1] for n in some) / 3 for some in ((2, 4, 8), (1, 5, 7)))
    stands_out = even - odd > OCTAVE and (heights[1] + heights[3]) / 2 > heights[0]
    return stands_out or heights[7] > EIGHTH


def _pitches(ears: Ears, one: Onset, end: float) -> tuple[float, tuple[float, ...]]:
    """Return the pitch that is followed, and those with which a note begins."""
    begin = one.at + AFTER * ears.hop
    usual = middle(ears.pitched(begin, begin + STEPS * ears.hop, UNSURE))
    if math.isnan(usual):
        usual = middle(ears.pitched(one.at + 0.03, min(end, one.at + 0.2)))
    alone = () if math.isnan(usual) else (usual,)
    clear = ears.pitched(one.at + 0.03, min(end, one.at + 0.03 + WINDOW), CLEAR)
    still = np.flatnonzero(np.abs(clear - usual) < SAME)
    if len(still) > 0.06 / ears.hop and np.isfinite(clear).mean() > 0.8:
        since = one.at + 0.03
        first, last = since + still[0] * ears.hop, since + still[-1] * ears.hop
        found = partials(ears, first, max(last, first + 0.06))
        if len(found) and _own(found, round(usual / 100)):
            return (higher := _octave(found, usual)), (higher,)
    start = one.at + (LATER if end - one.at > LATER + 0.1 else 0.03)
    stop = min(end - 0.005, start + WINDOW)
    found = partials(ears, start, stop)
    if len(found) < 2:
        return usual, alone
    kept = [pitch for pitch in range(LOWEST, HIGHEST) if _own(found, pitch)]
    before, best_one = min(((_rest(found, (pitch,)), pitch) for pitch in kept), default=(1.0, 0))
    if before < ALONE and round(usual / 100 if alone else 0) not in kept:
        usual, alone = 100.0 * best_one, (100.0 * best_one,)
    for count in (2, 3) if before > ALONE else ():
        rest, best = min(
            ((_rest(found, some), some) for some in combinations(kept, count)), default=(1.0, ())
        )
        near = (
            best and min(b - a for a, b in pairwise(best)) < count
        )  # no hand stops three so close
        goes = bool(best) and _goes(ears, start, stop, best[0])
        if rest < min(TOGETHER, BETTER * before) and not near and not goes:
            return _below(best), tuple(_tuned(found, pitch) for pitch in best)
        before = rest
    usual = _octave(found, usual) if alone else usual
    return usual, alone and (usual,)


def _octave(found: Row, usual: float) -> float:
    """Return a pitch, or the one above that it is only a share of."""
    rest = _rest(found, (round(usual / 100),))
    for up in (12, 19, 24):
        higher = round(usual / 100) + up
        if _own(found, higher) and _rest(found, (higher,)) < rest + SPARE:
            return usual + 100.0 * up
    return usual


def _goes(ears: Ears, start: float, stop: float, lowest: int) -> bool:
    """Tell whether one string goes from pitch to pitch rather than several sound at once.

    Of several that which is clear lies well below the lowest, where their partials meet.
    """
    row = ears.pitched(start, stop, 2 * CLEAR)
    return bool((row > 100 * lowest - 250).mean() > 0.6)


def _unison(ears: Ears, at: float, end: float, usual: float) -> float:
    """Return the pitch of a string to which another is bent a tone up with it, 0 without one.

    While it is on its way the two beat, then they are one; at first there are partials of both.
    """
    held = middle(ears.pitched(at + 0.14, min(end, at + 0.3)))
    if math.isnan(held) or end - at < 0.2:
        return 0.0
    times, _, unsure = traced(ears, at + 0.03, at + 0.2, np.array([held]))
    beats, calm = unsure[times < at + 0.09].mean(), unsure[times > at + 0.12].mean()
    between = BETWEEN[0] < usual - held < BETWEEN[1]
    beaten = beats > BEATS and calm < CALM
    if not between and not beaten:
        return 0.0
    low, high = (_highs(ears, at, cents, 200) for cents in (held - 200, held))
    limits = (-7, 5) if between else (-2.2, 3)
    return held if limits[0] < low - high < limits[1] else 0.0


def _slid(ears: Ears, at: float, pitches: Sequence[float]) -> int:
    """Return how many semitones lower two strings are at first, 0 where they are not."""
    there = [_highs(ears, at, cents, 100) for cents in pitches]
    best, found = BOTH, 0
    for steps in (1, 2, 3):
        more = [
            _highs(ears, at, cents - 100 * steps, 100) - own
            for cents, own in zip(pitches, there, strict=True)
        ]
        if min(more) > EACH and sum(more) > best:
            best, found = sum(more), steps
    return found


def _highs(ears: Ears, at: float, cents: float, apart: float) -> float:
    """Return the dB of a pitch's higher partials in the first 30 ms after a pick.

    Only those count that so short a time can tell from those of a pitch `apart` cents away.
    """
    rate, size = ears.source.rate, 1 << 14
    sound = ears.source.read(int((at + 0.002) * rate), int((at + 0.034) * rate))
    power = np.abs(np.fft.rfft(sound * np.hanning(len(sound)), size)) ** 2
    first = 440 * 2 ** ((cents - 6900) / 1200)
    far = 2 ** (apart / 1200) - 1
    total = 1e-12
    for order in range(2, 12):
        hertz = order * first
        if hertz * far > RESOLVED and hertz < min(4500, 0.45 * rate):
            low, high = (int(hertz * near * size / rate) for near in (0.985, 1.015))
            total += float(power[low : high + 2].max())
    return 10 * math.log10(total)


def _below(pitches: Sequence[int]) -> float:
    """Return a pitch, in cents, of which those of two strings are both partials, or nearly."""
    apart = (pitches[1] - pitches[0]) % 12
    return 100.0 * pitches[0] - 1200 * math.log2(SHARED[apart])


def partials(ears: Ears, start: float, stop: float) -> Row:
    """Return the peaks of the spectrum between two times: hertz and height, the highest is 1."""
    rate = ears.source.rate
    if stop - start < SHORT:
        return np.empty((0, 2))
    sound = ears.source.read(int(start * rate), int(stop * rate))
    size = 1 << 16
    heights = np.abs(np.fft.rfft(sound * np.hanning(len(sound)), size))
    bins = np.arange(int(70 * size / rate), int(min(4000, 0.45 * rate) * size / rate))
    heights = heights / max(1e-12, float(heights[bins].max()))
    here = heights[bins]
    peak = (here > heights[bins - 1]) & (here >= heights[bins + 1]) & (here > FAINTEST)
    return np.stack([bins[peak] * rate / size, here[peak]], axis=1)


def _orders(found: Row, pitch: float) -> tuple[Row, NDArray[np.bool_]]:
    """Return which partial of a pitch each peak would be, and whether it is near enough."""
    first = 440 * 2 ** ((pitch - 69) / 12)
    order = np.maximum(1, np.round(found[:, 0] / first))
    return order, np.abs(1200 * np.log2(found[:, 0] / (order * first))) < PARTIAL


def _own(found: Row, pitch: int) -> bool:
    """Tell whether a pitch has a first partial, and a second or third unless it is strong."""
    order, near = _orders(found, pitch)
    one, two, three = (found[near & (order == n), 1].max(initial=0.0) for n in (1, 2, 3))
    return bool(one > 0.3 or (one > 0.06 and max(two, three) > 0.02))


def _rest(found: Row, pitches: Sequence[int]) -> float:
    """Return the share of the power that belongs to none of some pitches."""
    power = found[:, 1] ** 2
    theirs = np.zeros(len(found), bool)
    for pitch in pitches:
        order, near = _orders(found, pitch)
        theirs |= near & (order <= PARTIALS)
    return float(power[~theirs].sum() / power.sum())


def _tuned(found: Row, pitch: int) -> float:
    """Return a pitch in cents as its strongest low partial has it."""
    order, near = _orders(found, pitch)
    low = near & (order <= 3)
    best = found[low][found[low, 1].argmax()]
    n = order[low][found[low, 1].argmax()]
    return float(6900 + 1200 * np.log2(best[0] / n / 440))


def shaken(ears: Ears, start: float, stop: float, cents: float, others: Sequence[float]) -> float:
    """Return how wide a string trembles in cents while others sound, 0 where it does not.

    Its strongest partial that is far from any of theirs is followed (one band of the spectrum
    back to time, whose phase turns as fast as the partial is off).
    """
    rate = ears.source.rate
    sound = ears.source.read(int(start * rate), int(stop * rate))
    if len(sound) < SWAYS * rate:
        return 0.0
    bins = len(sound) / rate
    spectrum = np.fft.rfft(sound)
    first, *rest = (440 * 2 ** ((c - 6900) / 1200) for c in (cents, *others))
    band, best = int(BAND * bins), np.zeros(0, complex)
    hertz = 0.0
    for order in range(1, 9):
        place = order * first
        apart = [abs(place - max(1, round(place / other)) * other) for other in rest]
        if min(apart, default=first) > BAND and place < TOO_HIGH:
            here = round(place * bins)
            piece = spectrum[here - band : here + band + 1] * np.hanning(2 * band + 1)
            wave = np.fft.ifft(np.fft.ifftshift(piece))
            if np.abs(wave).sum() > np.abs(best).sum():
                best, hertz = wave, here / bins
    if not len(best):
        return 0.0
    hop = bins / len(best)
    edge = max(1, round(0.04 / hop))  # where the band wraps around
    turned = np.diff(np.unwrap(np.angle(best)))[edge:-edge] / (2 * np.pi * hop)
    row = 1200 * np.log2(np.maximum(0.5, 1 + turned / hertz))
    _, width, share = swaying(row, hop)
    return width if share > PERIODIC and LEAST_SWAY[bool(others)] < width < 160 else 0.0


def lacking(found: Row, pitches: Sequence[float]) -> list[int]:
    """Return which of some strings are not heard, by partials that no other of them has.

    Parameters
    ----------
    found
        The peaks of the spectrum, as `partials` returns them.
    pitches
        MIDI pitches, not whole where strings are bent.
    """
    out = []
    for number, pitch in enumerate(pitches):
        order, mine = _orders(found, pitch)
        mine &= order <= PARTIALS
        for other in (*pitches[:number], *pitches[number + 1 :]):
            mine &= ~_orders(found, other)[1]
        if (found[mine, 1] ** 2).sum() < UNHEARD * (found[:, 1] ** 2).sum():
            out.append(number)
    return out
