"""Where the notes of a phrase stand in the text of its file."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from itertools import accumulate

from phrases._places import Places
from phrases.notation import read_line
from phrases.phrase import Phrase
from phrases.rewrite import written_parts
from phrases.textfile import TextFile

__all__ = ["Spot", "spots"]


@dataclass(frozen=True, slots=True)
class Spot:
    """One string of a stroke, or what goes on from it, as it is written."""

    beat: Fraction  # from the phrase's first bar
    string: str  # on which string
    start: int  # and `end`: characters of the text
    end: int
    part: int  # the number of its part


def spots(text: str, phrase: Phrase, variation: str = "") -> list[Spot]:
    """Return where the notes of a phrase stand, in the order in which they are played.

    The text's lines are ended by line feeds; `phrase` is what it reads as, `variation` the name of
    the one whose notes are meant.
    """
    file, places = TextFile(text, "phrase"), Places(text)
    lines = list(accumulate((len(line) + 1 for line in text.split("\n")), initial=0))
    every = reversed(list(written_parts(file, phrase)))
    wheres = {id(part): (where, like) for where, part, like in every}
    chosen = phrase.variation(variation) if variation else phrase
    beats = phrase.meter.beats

    found = []
    for number, (bar, part) in enumerate(chosen.placed()):
        table, like = wheres[id(part)]
        where = (*table, "notes")

        def place(offset: int, where: tuple[str | int, ...] = where) -> int:
            row, column = places.find(where, offset)
            return lines[row - 1] + column - 1

        line = read_line(file.table(table)["notes"], beats, like)
        found += [
            Spot(bar * beats + beat, string, place(start), place(end), number)
            for beat, string, start, end in line.spots
        ]
    return sorted(found, key=lambda one: one.beat)
