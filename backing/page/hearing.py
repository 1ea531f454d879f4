"""What a page needs to hear: the numbers by which takes are heard, and what should be heard."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from backing.listening import ears, held, judge, match, plucks, words
from backing.listening.thresholds import THRESHOLDS, Limits
from backing.listening.written import Event

__all__ = ["note_rows", "numbers"]

# The numbers of the method, by the module that has them.
_NAMES = {
    ears: "AFTER AHEAD APART CURVED FAINT HIGHEST_PITCH HOP LOWEST_PITCH NEW NEW_TOP".split()
    + "OVERTONES RATES STEPS TREMBLES TRUST UNSURE".split(),
    match: "FAST MISSED MISSED_SOFT NEAR SPREAD".split(),
    judge: "BRIEF CUT FIND HEARD LOUD LOWEST_SLIP SLIP SLIPS SOFTEST SOFT_MISS".split()
    + "SPOKEN STRONG WRONG".split(),
    held: "ALONE ASTRAY BEND_HOLD BESIDE FLATTENED KNOWN OCTAVES TOP VIBRATO WIDTHS".split(),
    plucks: "FAINTEST PARTIAL PARTIALS UNHEARD".split(),
    words: "EVEN FEW MOST WEIGHTS".split(),
}
STEP = 0.02  # seconds by which a drop-out of the microphone moves what comes after it, at least
DIGITS = 4


def numbers() -> dict[str, Any]:
    """Return the numbers by which a take is heard and judged: those of `backing hear`."""
    usual = Limits.usual()
    return {
        **{name: getattr(module, name) for module, all_ in _NAMES.items() for name in all_},
        "STEP": STEP,
        "all": usual.all,
        "single": usual.single,
        "tuning": usual.tuning,
        "fretted": THRESHOLDS["fretted"].value,
    }


def note_rows(events: Sequence[Event]) -> list[list[Any]]:
    """Return the written notes as rows of plain data, in seconds and cents.

    A row holds when it begins and ends, its kind, its parts, whether it is soft, whether a rake
    leads into it, and its place in words; a part its pitch, how far into that it begins, the
    first value, the glides and the vibratos of its curve, and its string.
    """

    def short(*values: float) -> list[float]:
        return [round(value, DIGITS) for value in values]

    return [
        [
            *short(event.at, event.end), event.kind,
            [
                [
                    part.pitch, *short(part.since, part.curve.first),
                    [[*short(g.start, g.seconds, g.cents), g.kind] for g in part.curve.glides],
                    [short(s.start, s.end, s.hertz, s.cents, s.grow) for s in part.curve.sways],
                    part.string,
                ]
                for part in event.notes
            ],
            event.soft, event.raked, str(event.place),
        ]
        for event in events
    ]  # fmt: skip
