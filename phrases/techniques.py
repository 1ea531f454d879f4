"""What the hands do to a note, as tables: the signs, what each takes, how long it lasts.

Conventions: signs are the trade's own tab signs; sizes are in cents, times in seconds.
References: common practice; the times and vibrato widths are from memory of it.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["BEND_SIZES", "MARKS", "TECHNIQUES", "Mark", "Technique"]


@dataclass(frozen=True, slots=True)
class Technique:
    """One thing the fretting hand does under a picked note.

    Attributes
    ----------
    sign
        As written in a phrase.
    name
        As said.
    takes
        What follows the sign: ``fret``, ``bend`` (a size in brackets or a fret) or nothing.
    motion
        How the pitch moves: ``frets`` (fret by fret), ``step`` (at once), ``ease`` (as a hand
        bends), ``preset`` (before the pick) or ``sway`` (vibrato).
    seconds
        How long the motion takes: per fret for ``frets``, at all for ``ease``; for ``sway``
        how long the note speaks first.
    way
        1 goes to a higher fret, -1 to a lower one, 0 to none.
    cents
        Vibrato width, from the lowest to the highest pitch.
    hertz
        Vibrato rate.
    """

    sign: str
    name: str
    takes: str
    motion: str
    seconds: float = 0.0
    cents: float = 0.0
    hertz: float = 0.0
    way: int = 0


TECHNIQUES: dict[str, Technique] = {
    technique.sign: technique
    for technique in (
        Technique("/", "slide up", "fret", "frets", seconds=0.036, way=1),
        Technique("\\", "slide down", "fret", "frets", seconds=0.036, way=-1),
        Technique("h", "hammer-on", "fret", "step", way=1),
        Technique("p", "pull-off", "fret", "step", way=-1),
        Technique("b", "bend", "bend", "ease", seconds=0.14, way=1),
        Technique("r", "release", "", "ease", seconds=0.14),
        Technique("pb", "pre-bend", "bend", "preset", way=1),
        Technique("~", "vibrato", "", "sway", seconds=0.18, cents=30.0, hertz=5.2),
        Technique("~~", "wide vibrato", "", "sway", seconds=0.18, cents=60.0, hertz=5.0),
    )
}

BEND_SIZES: dict[str, int] = {"1/4": 50, "1/2": 100, "full": 200, "3/2": 300}


@dataclass(frozen=True, slots=True)
class Mark:
    """One word in braces after a note.

    Attributes
    ----------
    kind
        Marks of one kind exclude each other.
    velocity
        Added to the MIDI velocity.
    seconds
        How much later the note sounds.
    """

    name: str
    kind: str
    velocity: int = 0
    seconds: float = 0.0


MARKS: dict[str, Mark] = {
    "d": Mark("down-stroke", "stroke", velocity=2),
    "u": Mark("up-stroke", "stroke", velocity=-3),
    "1": Mark("first finger", "finger"),
    "2": Mark("second finger", "finger"),
    "3": Mark("third finger", "finger"),
    "4": Mark("fourth finger", "finger"),
    "accent": Mark("accent", "touch", velocity=16),
    "ghost": Mark("ghost note", "touch", velocity=-28),
    "late": Mark("late", "time", seconds=0.030),
}
