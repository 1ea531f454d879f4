"""Merging of a notation and a tablature staff that show the same notes.

Conventions: as in `backing.exchange.part`. A note of one staff is that of the other which begins
with it and has its pitch, in whichever octave; a tablature may leave out what ties hold on.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from fractions import Fraction

from backing.exchange.notes import XmlNote
from backing.exchange.unwriting import XmlEvent

__all__ = ["merged"]


def merged(events: Sequence[XmlEvent], others: Iterable[XmlEvent]) -> list[XmlNote]:
    """Add another staff's techniques to the same notes of events; return those without a match."""
    starts = {event.at: event for event in events if event.notes}
    left: list[XmlNote] = []
    for other in others:
        event = starts.get(other.at)
        free = list(event.notes) if event else []
        for note in other.notes:
            twin = _twin(note, free)
            if twin is not None:
                free.remove(twin)
                _join(twin, note)
            elif not (note.tied and _held(events, other.at, note)):
                left.append(note)
        if event and other.graces and not event.graces:
            event.graces = [[_graced(note, event.notes) for note in c] for c in other.graces]
        elif event and other.graces:
            for column, more in zip(event.graces, other.graces, strict=False):
                for note in more:
                    twin = _twin(note, column)
                    if twin is not None:
                        _join(twin, note)
    return left


def _twin(note: XmlNote, among: Sequence[XmlNote]) -> XmlNote | None:
    """Return the note that is the same on the other staff."""
    if len(among) == 1 and note.pitch is None:
        return among[0]
    same = [
        one
        for one in among
        if (one.pitch is None) == (note.pitch is None)
        and not ((one.pitch or 0) - (note.pitch or 0)) % 12
    ]
    return same[0] if same else among[0] if len(among) == 1 and among[0].pitch is None else None


def _held(events: Sequence[XmlEvent], at: Fraction, note: XmlNote) -> bool:
    """Tell whether a note still sounds at a beat."""
    last = bisect_left(events, at, key=lambda event: event.at) - 1
    return last >= 0 and at < events[last].end and _twin(note, events[last].notes) is not None


def _join(note: XmlNote, other: XmlNote) -> None:
    """Add what another staff says of a note."""
    flags = ("muted", "tied", "slid", "joined", "leaves", "joins", "trill")
    for name in (*flags, "ways", "into", "out", "bends", "others", "by"):
        setattr(note, name, getattr(note, name) or getattr(other, name))
    # A line's number means something on its own staff only.
    note.slurs = note.slurs or [(kind, f"other {number}") for kind, number in other.slurs]
    note.waves = note.waves or [(kind, f"other {number}") for kind, number in other.waves]
    note.marks += other.marks
    if not note.line and other.line:
        note.line, note.fret = other.line, other.fret


def _graced(note: XmlNote, notes: Sequence[XmlNote]) -> XmlNote:
    """Give a grace note that only a staff of notation has the string of the note it leads to."""
    main = next((one for one in notes if one.line and one.pitch is not None), None)
    if note.line or main is None or main.fret is None or note.pitch is None:
        return note
    steps = (note.pitch - (main.pitch or 0) + 6) % 12 - 6
    note.line = main.line
    note.fret = main.fret + steps if main.fret + steps >= 0 else None
    return note
