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
from backing.lanes import TOUCHES, Hit, in_order, place
from backing.tempo import Clock

__all__ = ["STICK", "Drummer", "count_in"]

STICK = 37  # General MIDI 1: side stick
SECONDS = 0.06
UNDER = 0.93  # what is left while a phrase sounds

# Who of `backing.feel.PLAYERS` strikes what: the hand on the cymbals, the other one, the feet.
HANDS = {"ride": "cymbal", "hat": "cymbal", "open-hat": "cymbal", "crash": "cymbal"}
LIMBS = {**{name: drum.limb for name, drum in DRUMS.items()}, TIME: "hand"}

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
            kicks = [hit for hit in lanes.get("kick", ()) if not hit.off]
            lanes["kick"] = in_order([*kicks, *(hit for hit in line if hit.off)])
        if "under" in bar.when:  # ghosts leave room
            lanes = {
                name: tuple(h for h in hits if h.touch != "ghost" or not bar.sounds(h.at))
                for name, hits in lanes.items()
            }
        if bar.answer is not None and bar.answer[1] == "drums":
            (low, high), _ = bar.answer
            places = [high - 1 + at for at in ANSWER if low <= high - 1 + at < high]
            self._strike(lanes, "snare", [Hit(at) for at in places])
            self._strike(lanes, "kick", [Hit(at, "", "accent") for at in places[:1]])
        together = list(bar.hits)
        if bar.push:  # after it no kick before the bar line
            together.append(self.beats - PUSH)
            until = self.beats - PUSH
            lanes["kick"] = tuple(hit for hit in lanes.get("kick", ()) if hit.at <= until)
        for name in ("kick", "snare"):
            self._strike(lanes, name, [Hit(at, "", "accent") for at in together])
        return lanes

    def _strike(self, lanes: Lanes, name: str, more: Sequence[Hit]) -> None:
        """Add strokes to a lane where a limb is free for them."""
        swung = self.groove.swing != 1
        for new in more:
            at = place(new.at, swung=swung)
            meets = [
                (other, hit)
                for other, row in lanes.items()
                if LIMBS[other] == LIMBS[name]
                for hit in row
                if place(hit.at, swung=swung) == at
            ]
            own = [hit for other, hit in meets if other == name]
            if own or len(meets) < 2:
                row = [hit for hit in lanes.get(name, ()) if hit not in own]
                hit = replace(own[0], touch=new.touch) if own else new
                lanes[name] = in_order([*row, hit])

    def play(
        self, bar: Bar, lanes: Lanes, start: int, clock: Clock, met: Collection[float]
    ) -> list[Note]:
        """Return the strokes of a bar that starts at a beat; `met` are kicks the bass meets.

        Off the beat the kick and the bass are one: what the bass does not meet is left out.
        """
        notes = []
        cymbal = self.groove.time[0 if bar.chorus == "early" else 1]
        closed = cymbal == "hat" and TIME in lanes
        strength = loudness(bar.strength)
        for name, hits in lanes.items():
            if name == "hat-foot" and closed:  # the foot holds the hat shut
                continue
            if name == "kick":
                hits = tuple(hit for hit in hits if not hit.off or hit.beat in met)
            voice = cymbal if name == TIME else name
            drum = DRUMS[voice]
            player = HANDS.get(voice) or ("foot" if drum.limb == "foot" else "snare")
            for hit in hits:
                loud = drum.velocity * TOUCHES[hit.touch] * strength
                loud *= UNDER if bar.sounds(hit.at) else 1.0
                at, velocity = self.place(player, clock.seconds(hit.at, start), loud)
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
