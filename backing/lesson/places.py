"""Where a phrase comes in a form, and what there is to say of it there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from backing.forms import Form
    from phrases.check import Report
    from phrases.phrase import Phrase

__all__ = ["Names", "Placement", "hands", "places_of"]

Names = list[tuple[Fraction, str]]


@dataclass(frozen=True, slots=True)
class Placement:
    """A phrase over the bars of a form, from `first` on, which counts from 0."""

    first: int
    names: Names
    report: Report


def places_of(phrase: Phrase, form: Form, groove: str = "", swing: str = "") -> list[Placement]:
    """Return a phrase looked over wherever it comes in a form.

    It is looked over at its tempo; `groove` and `swing` are the band's and the lesson's, where
    they are not the phrase's own.
    """
    from backing.grooves import find_groove
    from backing.tempo import swing_for
    from phrases.check import check
    from phrases.counting import parse_swing

    band = find_groove(groove or phrase.groove)
    word = swing or phrase.swing
    asked = parse_swing(word) if word else band.swing
    ratio = swing_for(asked, phrase.tempo, band.swing_limit)
    return [
        Placement(first, names, check(phrase, chords, ratio))
        for first, chords, names in _under(phrase, form)
    ]


def _under(
    phrase: Phrase, form: Form
) -> Iterator[tuple[int, list[tuple[Fraction, int, dict[int, str]]], Names]]:
    """Yield each bar from which a phrase is played, with the chords under it and their names."""
    from backing.harmony import QUALITIES
    from backing.setting import placements
    from phrases.roles import chord_roles

    bars = form.lasting(phrase.bars).bars(phrase.key)
    for first in placements(phrase, len(bars)):
        chords, names = [], []
        # A pickup sounds in the bar before; before the first bar nobody plays yet.
        for number in range(-1 if first else 0, phrase.bars):
            for share, chord in bars[first + number]:
                at, root = (number + share) * phrase.meter.beats, chord.root(phrase.key)
                chords.append((at, root, chord_roles(root, QUALITIES[chord.quality])))
                names.append((at, chord.name(phrase.key)))
        yield first, chords, names


def hands(report: Report) -> Iterator[str]:
    """Yield what the phrase asks of both hands at its tempo."""
    yield f"At {report.tempo:g} beats a minute"
    if report.quickest is not None:
        quick = report.quickest
        yield f"  the quickest stroke is {quick.seconds:.2f} s after another: {quick.place}"
    if report.tightest is None:
        moves = "moves only with its slides" if report.slides else "stays in one position"
        yield f"  the hand {moves}"
    else:
        yield f"  the tightest shift is {report.tightest.place}: {report.tightest}"
