"""The drummer."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from fractions import Fraction

from backing.band.plan import loudness
from backing.band.reading import Bar, Player
from backing.events import Note
from backing.grooves import DRUMS
from backing.grooves.instruments import TIME
from backing.lanes import TOUCHES, Hit, place
from backing.tempo import Clock

__all__ = ["STICK", "Drummer", "count_in"]

STICK = 37  # General MIDI 1: side stick
SECONDS = 0.06
UNDER = 0.93  # what is left while a phrase sounds

# Who of `backing.feel.PLAYERS` strikes what: the hand on the cymbals, the other one, the feet.
HANDS = {"ride": "cymbal", "hat": "cymbal", "open-hat": "cymbal", "crash": "cymbal"}


ANSWER = (Fraction(0), Fraction(2, 3), Fraction(1))  # beats from where an answer begins
PUSH = Fraction(1, 2)  # of a beat before the bar line

Lanes = dict[str, tuple[Hit, ...]]


class Drummer(Player):
    """Plays time on the hat in early choruses and where the groove says later."""

    def read(self, bar: Bar) -> Lanes:
        """Return the strokes of a bar, by lane: a pattern, and what the band agreed on."""
        line = bar.line.lanes[0][1].hits if bar.line else ()
        if bar.when[0] == "stop" and line:
            return {"snare": line, "kick": line}
        pattern = bar.drums or self.choose(self.groove.drums, bar.when, bar.chorus)
        lanes = {name: lane.hits for name, lane in pattern.lanes}
        if line:  # off the beat the kick plays the riff
            kicks = [hit for hit in lanes.get("kick", ()) if hit.at.denominator == 1]
            kicks += [hit for hit in line if hit.at.denominator > 1]
            lanes["kick"] = tuple(sorted(kicks, key=lambda hit: hit.at))
        if "under" in bar.when:  # ghosts leave room
            lanes = {
                name: tuple(h for h in hits if h.touch != "ghost" or not bar.sounds(h.at))
                for name, hits in lanes.items()
            }
        if bar.answer is not None and bar.answer[1] == "drums":
            (low, high), _ = bar.answer
            places = [high - 1 + at for at in ANSWER if low <= high - 1 + at < high]
            lanes = self._struck(lanes, "snare", [Hit(at) for at in places])
            lanes = self._struck(lanes, "kick", [Hit(at, "", "accent") for at in places[:1]])
        together = list(bar.hits)
        if bar.push:
            together.append(self.beats - PUSH)
        for name in ("kick", "snare"):
            lanes = self._struck(lanes, name, [Hit(at, "", "accent") for at in together])
        return lanes

    def _struck(self, lanes: Lanes, name: str, more: Sequence[Hit]) -> Lanes:
        """Return lanes with more strokes of one of them, where a limb is free for it."""
        swung = self.groove.swing != 1
        limb = DRUMS[name].limb
        for new in more:
            at = place(new.at, swung=swung)
            meets = [
                (other, hit)
                for other, row in lanes.items()
                if (DRUMS[other].limb if other != TIME else "hand") == limb
                for hit in row
                if place(hit.at, swung=swung) == at
            ]
            own = [hit for other, hit in meets if other == name]
            if own or len(meets) < 2:
                row = [hit for hit in lanes.get(name, ()) if hit not in own]
                hit = replace(own[0], touch=new.touch) if own else new
                lanes = {**lanes, name: tuple(sorted([*row, hit], key=lambda hit: hit.at))}
        return lanes

    def play(
        self, bar: Bar, lanes: Lanes, start: Fraction, clock: Clock, met: Collection[Fraction]
    ) -> list[Note]:
        """Return the strokes of a bar that starts at a beat; `met` are kicks the bass meets.

        Off the beat the kick and the bass are one: what the bass does not meet is left out.
        """
        notes = []
        cymbal = self.groove.time[0 if bar.chorus == "early" else 1]
        closed = cymbal == "hat" and TIME in lanes
        for name, hits in lanes.items():
            if name == "hat-foot" and closed:  # the foot holds the hat shut
                continue
            drum = DRUMS[cymbal if name == TIME else name]
            player = HANDS.get(cymbal if name == TIME else name, "")
            player = player or ("foot" if drum.limb == "foot" else "snare")
            for hit in hits:
                if name == "kick" and hit.at.denominator > 1 and hit.at not in met:
                    continue
                loud = drum.velocity * TOUCHES[hit.touch] * loudness(bar.strength)
                loud *= UNDER if bar.sounds(hit.at) else 1.0
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
