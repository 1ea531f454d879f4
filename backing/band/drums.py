"""The drummer."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

from backing.band.reading import ENERGY, Bar, Player
from backing.events import Note
from backing.grooves import DRUMS
from backing.grooves.instruments import TIME
from backing.lanes import TOUCHES
from backing.tempo import Clock

__all__ = ["STICK", "Drummer", "count_in"]

STICK = 37  # General MIDI 1: side stick
SECONDS = 0.06

# Who of `backing.feel.PLAYERS` strikes what: the hand on the cymbals, the other one, the feet.
HANDS = {"ride": "cymbal", "hat": "cymbal", "open-hat": "cymbal", "crash": "cymbal"}


class Drummer(Player):
    """Plays time on the hat in early choruses and where the groove says later."""

    def play(self, bar: Bar, start: Fraction, clock: Clock) -> list[Note]:
        """Return the strokes of a bar that starts at a beat."""
        notes = []
        lanes = self.choose(self.groove.drums, bar.when, bar.chorus).lanes
        cymbal = self.groove.time[0 if bar.chorus == "early" else 1]
        closed = cymbal == "hat" and any(name == TIME for name, _ in lanes)
        for name, lane in lanes:
            if name == "hat-foot" and closed:  # the foot holds the hat shut
                continue
            name = cymbal if name == TIME else name
            drum = DRUMS[name]
            player = HANDS.get(name, "foot" if drum.limb == "foot" else "snare")
            for hit in lane.hits:
                loud = drum.velocity * TOUCHES[hit.touch] * ENERGY[bar.chorus]
                at, velocity = self.place(player, clock.seconds(start + hit.at), loud)
                notes.append(Note("drums", at, at + SECONDS, drum.key, velocity))
        return notes


def count_in(bars: int, beats: int, seconds: Callable[[Fraction], float]) -> list[Note]:
    """Return the sticks of a count-in: every beat, the first of a bar a little louder.

    They are so soft that the gate of a loudness measurement leaves them out.
    """
    notes = []
    for beat in range(bars * beats):
        at = seconds(Fraction(beat))
        velocity = 84 if beat % beats == 0 else 70
        notes.append(Note("drums", at, at + SECONDS, STICK, velocity))
    return notes
