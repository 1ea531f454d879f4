"""How a part of a MusicXML file is tuned, against a guitar in standard tuning.

Conventions: strings are numbered as players do, 1 the highest; pitches are MIDI numbers, in the
octave in which a guitar sounds. Frets stay as they are, and the phrase says how it is tuned.
"""

from __future__ import annotations

from dataclasses import dataclass
from xml.etree import ElementTree as ET

from backing.exchange.notes import number
from phrases.errors import ChoiceError
from phrases.fretboard import STANDARD, STRINGS, TUNINGS, parse_tuning
from phrases.pitch import FLAT_NAMES, NATURAL

__all__ = ["Tuning", "read_tuning"]

OPEN = {n: STANDARD[string] for n, string in enumerate(reversed(STRINGS), 1)}


@dataclass(frozen=True, slots=True)
class Tuning:
    """How a part is tuned."""

    open: dict[int, int]  # the pitch of each open string, by its number
    # Semitones by which all strings are higher than usual; 0 where they are not alike.
    shift: int = 0

    def pitch(self, line: int, fret: int | None) -> int | None:
        """Return the pitch of a fret of a string; None where there is none."""
        return None if fret is None or line not in self.open else self.open[line] + fret

    def of(self, string: str) -> int:
        """Return the pitch of an open string of the guitar's six."""
        return self.open.get(len(STRINGS) - STRINGS.index(string), STANDARD[string])

    @property
    def name(self) -> str:
        """Name of the tuning, or its six strings; empty for standard tuning."""
        tuned = {string: (self.of(string) - STANDARD[string] + 6) % 12 - 6 for string in STRINGS}
        known = (name for name in TUNINGS if parse_tuning(name) == tuned)
        names = " ".join(FLAT_NAMES[self.of(string) % 12] for string in STRINGS)
        found = next(known, names)
        return "" if found == "standard" else found


STANDARD_TUNING = Tuning(OPEN)


def read_tuning(details: ET.Element, path: str, *, tab: bool) -> Tuning | None:
    """Return the tuning that staff details tell; None where they tell none.

    `tab` says whether the staff is a tablature, whose lines are strings. Raises `ChoiceError`
    where there are fewer strings than a guitar has.
    """
    found = {}
    for tuning in details.findall("staff-tuning"):
        step = (tuning.findtext("tuning-step") or "E").strip()
        alter = int(number(tuning.findtext("tuning-alter") or "0"))
        octave = int(number(tuning.findtext("tuning-octave") or "0"))
        line = int(number(tuning.get("line", "0")))
        found[line] = 12 * (octave + 1) + NATURAL.get(step, 0) + alter
    lines = int(number(details.findtext("staff-lines") or "0"))
    strings = len(found) or (lines if tab else 0)
    if 0 < strings < len(STRINGS):
        raise ChoiceError(
            f"{path}: the part has {strings} strings; a phrase is for a guitar with {len(STRINGS)}"
        )
    if not found:
        return None
    # Lines are counted from below; of more strings than six the high ones are the guitar's.
    top = max(found)
    opened = {top - line + 1: pitch for line, pitch in found.items()}
    steps = [opened[line] - pitch for line, pitch in OPEN.items() if line in opened]
    octaves = 12 * round(sum(steps) / len(steps) / 12)
    opened = {line: pitch - octaves for line, pitch in opened.items()}
    steps = [step - octaves for step in steps]
    return Tuning(opened, steps[0] if len(set(steps)) == 1 else 0)
