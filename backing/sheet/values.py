"""How long notes are written: values, dots and tuplets, with ties where a length needs several.

Conventions: positions and lengths are exact felt beats from the first beat of the bar. In 4/4 a
beat is a quarter, in 12/8 a dotted quarter of three eighths; halves and quarters of a 12/8 beat
are dotted eighths and dotted sixteenths.

References: common practice. In 4/4 the middle of the bar stays visible unless a note starts on
the beat before it and ends on one (quarter half quarter), and so on for shorter values; rests fill
up beats without dots. In 12/8 every beat stays visible within a half, and the half within the bar.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from phrases.errors import RangeError

__all__ = ["VALUES", "NoteValue", "Tuplet", "pieces"]

# What each value is of a whole note.
VALUES: dict[str, Fraction] = {
    name: Fraction(1, 2**n)
    for n, name in enumerate("whole half quarter eighth 16th 32nd 64th 128th 256th".split())
}
NAMES = {length: name for name, length in VALUES.items()}
HALVED = Fraction(3, 4)  # eighths: a quarter of a 12/8 beat
QUARTER_TRIPLET = {Fraction(2, 3), Fraction(4, 3)}


@dataclass(frozen=True, slots=True)
class Tuplet:
    """The tuplet of an event: `actual` in the time of `normal` notes of a value."""

    actual: int  # and `normal`: 3 and 2 for a triplet
    normal: int
    value: str  # the value that is counted, a key of `VALUES`
    start: bool = False  # and `stop`: whether the tuplet begins and ends with the event
    stop: bool = False


@dataclass(frozen=True, slots=True)
class NoteValue:
    """One written note value, such as a dotted quarter, with its place."""

    at: Fraction  # and `beats`: where it begins and how long it is, in felt beats
    beats: Fraction
    value: str  # and `dots`: a key of `VALUES`, and 0 or 1
    dots: int = 0
    tuplet: Tuplet | None = None  # the tuplet it belongs to


@dataclass(frozen=True, slots=True)
class _Region:
    """Beats that one tuplet fills."""

    start: Fraction
    end: Fraction
    tuplet: Tuplet

    @property
    def unit(self) -> Fraction:
        """The beats of one of its notes."""
        return (self.end - self.start) / self.tuplet.actual


def pieces(
    cuts: Sequence[Fraction], end: Fraction, rests: Collection[Fraction], *, compound: bool = False
) -> list[list[NoteValue]]:
    """Return for each span of a bar its pieces in order, to be tied if it sounds.

    `cuts` are where something begins, ascending, in felt beats from the first beat of the bar, the
    last of which ends at `end`; `rests` those from which there is silence; `compound` says that a
    beat is a dotted quarter. Raises `RangeError` where a beat is divided more finely than notes
    can be written.
    """
    regions = list(_regions(cuts, end, compound))
    edges = sorted({edge for region in regions for edge in (region.start, region.end)})
    found = []
    for start, stop in pairwise((*cuts, end)):
        inner = [edge for edge in edges if start < edge < stop]
        row: list[NoteValue] = []
        for a, b in pairwise((start, *inner, stop)):
            region = next((one for one in regions if one.start <= a < one.end), None)
            silent = start in rests
            if region is not None:
                row += _in_tuplet(a, b, region, compound, silent)
            elif compound:
                row += [
                    _named(low / 3, (high - low) / 3, (high - low) / 8)
                    for low, high in _compound(a * 3, b * 3, silent)
                ]
            else:
                row += [_named(at, end - at, (end - at) / 4) for at, end in _simple(a, b, silent)]
        found.append(row)
    return found


def _regions(cuts: Sequence[Fraction], end: Fraction, compound: bool) -> Iterator[_Region]:
    beat = Fraction(math.floor(cuts[0]))
    while beat < end:
        half = {cut - beat for cut in cuts if beat < cut < beat + 2}
        whole = not compound and beat % 2 == 0 and cuts[0] <= beat
        if whole and half == QUARTER_TRIPLET:
            yield _Region(beat, beat + 2, Tuplet(3, 2, "quarter"))
            beat += 2
            continue
        inside = [cut - beat for cut in cuts if beat <= cut < beat + 1]
        parts = math.lcm(*(place.denominator for place in inside), 1)
        odd = parts // (parts & -parts)
        if odd not in ((1, 3) if compound else (1,)):
            yield _Region(beat, beat + 1, _tuplet(odd, len(inside) == parts == 6, compound))
        beat += 1


def _tuplet(odd: int, six: bool, compound: bool) -> Tuplet:
    actual = 6 if six else odd
    first = 3 if compound else 1
    normal = first * 2 ** int(math.log2((actual - 1) // first))
    beat = Fraction(3, 8) if compound else Fraction(1, 4)
    name = NAMES.get(beat / normal)
    if name is None:
        raise RangeError(f"a beat divided by {odd} cannot be written; use simpler counts")
    return Tuplet(actual, normal, name)


def _single(length: Fraction) -> tuple[Fraction, int] | None:
    """Return a length as a power of two and its dots, or None if it needs several notes."""
    top, bottom = length.numerator, length.denominator
    dots = 0
    if top % 3 == 0:
        top, bottom, dots = top // 3, bottom, 1
        length = length * 2 / 3
    if top & (top - 1) or bottom & (bottom - 1):
        return None
    return length, dots


def _named(
    at: Fraction, beats: Fraction, whole: Fraction, tuplet: Tuplet | None = None
) -> NoteValue:
    """Return a piece that is written as some part of a whole note."""
    single = _single(whole)
    if single is None or single[0] not in NAMES:
        raise RangeError(f"a beat divided by {beats.denominator} cannot be written")
    return NoteValue(at, beats, NAMES[single[0]], single[1], tuplet)


def _level(place: Fraction) -> int:
    """Return how strong a place of a 4/4 bar is: 2 its first beat, 0 a beat, -1 an off-beat."""
    if place.denominator > 1:
        return -int(math.log2(place.denominator))
    return 2 if place % 4 == 0 else 1 if place % 2 == 0 else 0


def _strongest(a: Fraction, b: Fraction) -> Fraction | None:
    """Return the strongest place of a 4/4 bar between two others."""
    finest = max(a.denominator, b.denominator)
    step = Fraction(2)
    while step >= Fraction(1, finest):
        place = (a // step + 1) * step
        if place < b:
            return Fraction(place)
        step /= 2
    return None


def _simple(a: Fraction, b: Fraction, silent: bool) -> Iterator[tuple[Fraction, Fraction]]:
    """Part a span of a 4/4 bar into single values."""
    middle = _strongest(a, b)
    if middle is None or _is_simple(a, b, middle, silent):
        yield a, b
        return
    yield from _simple(a, middle, silent)
    yield from _simple(middle, b, silent)


def _is_simple(a: Fraction, b: Fraction, middle: Fraction, silent: bool) -> bool:
    single = _single(b - a)
    if single is None:
        return False
    if silent:
        return single[1] == 0 and a % (b - a) == 0
    before, across = _level(a), _level(middle)
    return across <= before or (across == before + 1 and _level(b) >= before)


def _compound(a: Fraction, b: Fraction, silent: bool) -> Iterator[tuple[Fraction, Fraction]]:
    """Part a span of a 12/8 bar, in eighths, into single values."""
    at = _compound_cut(a, b, silent)
    if at is None:
        yield a, b
        return
    yield from _compound(a, at, silent)
    yield from _compound(at, b, silent)


def _compound_cut(a: Fraction, b: Fraction, silent: bool) -> Fraction | None:
    """Return where a span of a 12/8 bar has to be parted, if it has to."""
    beat = (a // 3 + 1) * 3
    if beat < b:
        if b - a in (6, 12) and a % 6 == 0:
            return None
        return Fraction(6) if a < 6 < b else Fraction(beat)
    place, length = a % 3, b - a
    halved = (place / HALVED).denominator == (length / HALVED).denominator == 1
    if _fits(place, length, halved, silent):
        return None
    if halved and place < 2 * HALVED < place + length:
        return a - place + 2 * HALVED
    step = Fraction(1)
    while (at := Fraction((a // step + 1) * step)) >= b:
        step /= 2
    return at


def _fits(place: Fraction, length: Fraction, halved: bool, silent: bool) -> bool:
    """Tell whether a span of a 12/8 beat, in eighths, is written as one value."""
    single = _single(length)
    if single is None:
        return False
    whole = place.denominator == 1
    if not silent:
        return halved or whole or length <= 1
    aligned = length < 1 and not single[1] and place % length == 0
    return halved or aligned or (whole and (length == 1 or place == 0))


def _in_tuplet(
    a: Fraction, b: Fraction, region: _Region, compound: bool, silent: bool
) -> Iterator[NoteValue]:
    """Part a span within a tuplet into single values of it."""
    unit = region.unit
    value = VALUES[region.tuplet.value]
    start, stop = (a - region.start) / unit, (b - region.start) / unit
    while start < stop:
        length = _length_in_tuplet(start, stop, silent)
        at = region.start + start * unit
        tuplet = replace(
            region.tuplet,
            start=at == region.start,
            stop=region.start + (start + length) * unit == region.end,
        )
        yield _named(at, length * unit, length * value, tuplet)
        start += length


def _length_in_tuplet(start: Fraction, stop: Fraction, silent: bool) -> Fraction:
    """Return the length of the first value of a span, all in notes of the tuplet."""
    single = _single(stop - start)
    if single is not None and not (silent and single[1]):
        return stop - start
    if start.denominator == 1 and stop - start > 1:
        return Fraction(2 ** int(math.log2(stop - start)))
    step = Fraction(1)
    while True:
        length = (start // step + 1) * step - start
        if length < stop - start and _single(length) is not None:
            return length
        step /= 2
