"""What is measured of many choruses: read from the streams that are exported."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from functools import cache

import numpy as np

from backing.events import Note
from backing.grooves import find_groove
from phrases.pitch import Key
from tests.backing.material import Read, read, setting

KICK, SNARE = 36, 38  # General MIDI 1
TOGETHER = 0.030  # seconds
CHORUSES = 12
CRUSH = 0.075  # seconds that a chord which only leads into another lasts at most


@dataclass(frozen=True)
class Track:
    """A track of many choruses: each with its bars and its notes in exact places."""

    groove: str
    seed: int
    key: Key
    parts: list[Read]

    @property
    def choruses(self) -> list[Read]:
        return [part for part in self.parts if part.section.kind == "chorus"]


@cache
def track(groove: str, seed: int, key: str = "A", form: str = "twelve-bar") -> Track:
    """Return twelve choruses without looseness."""
    given = setting(groove, form, find_groove(groove).tempos[1], key=_key(key), seed=seed,
                    count_in=0, looseness=0.0)  # fmt: skip
    _, parts = read(given, CHORUSES, ending="none")
    return Track(groove, seed, given.key, parts)


def _key(text: str) -> Key:
    tonic, _, minor = text.partition(" ")
    return Key(tonic, "minor" if minor else "major")


def off_beat_kicks(part: Read) -> list[tuple[float, float]]:
    """Return kicks off the beat: the second, and beats from the section's start."""
    beat = (part.at(1) - part.at(0)) / part.beats
    found = []
    for note in part.notes("drums"):
        if note.pitch == KICK:
            beats = (note.start - part.at(0)) / beat
            if abs(beats - round(beats)) > 0.05:
                found.append((note.start, beats))
    return found


def met(kicks: list[float], bass: list[float]) -> float:
    """Return the share of kicks that a bass note starts with."""
    starts = np.sort(np.array(bass))
    if not kicks:
        return 1.0
    places = np.searchsorted(starts, kicks)
    near = [
        min(abs(k - starts[i]) for i in (p - 1, min(p, len(starts) - 1)))
        for k, p in zip(kicks, places, strict=True)
    ]
    return float(np.mean(np.array(near) < TOGETHER))


def together(one: Track, shuffled: np.random.Generator | None = None) -> tuple[int, float]:
    """Return how many kicks are off the beat, and the share of them that the bass meets.

    Shuffled, the bass of each bar is that of another bar of the track: what chance would give.
    """
    kicks: list[float] = []
    bass: list[float] = []
    for part in one.choruses:
        kicks += [second for second, _ in off_beat_kicks(part)]
        rows = bars(part, "bass")
        order = range(len(rows)) if shuffled is None else shuffled.permutation(len(rows))
        for number, other in enumerate(order):
            bass += [part.at(number) + at for at, _ in rows[other]]
    return len(kicks), met(kicks, bass)


def bars(part: Read, voice: str) -> list[list[tuple[float, Note]]]:
    """Return a voice's notes bar by bar, each with its seconds from the bar's start."""
    rows: list[list[tuple[float, Note]]] = [[] for _ in part.bars]
    lines = [part.at(n) for n in range(len(part.bars) + 1)]
    for note in part.notes(voice):
        number = int(np.searchsorted(lines, note.start + 1e-6, side="right")) - 1
        if 0 <= number < len(rows):
            rows[number].append((note.start - lines[number], note))
    return rows


def drum_bar(row: list[tuple[float, Note]]) -> frozenset[tuple[int, int]]:
    """Return a bar's strokes: thousandths of a second and key, which tell fills apart."""
    return frozenset((round(at * 200), note.pitch) for at, note in row if note.pitch != KICK)


def tops(part: Read) -> list[tuple[int, int]]:
    """Return the bar and the top voice of each chord of four that is struck."""
    found = []
    for number, row in enumerate(bars(part, "comp")):
        strokes: dict[int, list[Note]] = defaultdict(list)
        for _, note in row:
            strokes[round(note.start * 1e5)].append(note)
        for _, chord in sorted(strokes.items()):
            if len(chord) >= 4 and chord[0].end - chord[0].start > CRUSH:
                found.append((number, max(n.pitch for n in chord)))
    return found
