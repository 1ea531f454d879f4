"""The band: a groove, bars of chords and a key become notes.

Conventions: a player reads one bar at a time, knowing the next chord; times are seconds from
the start of the section. References: the parts follow common practice, from memory: the bass
plays the root on the change and steps into the next one, comping moves to the nearest voicing.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from backing.band.bass import BASS_RANGE, Bassist
from backing.band.comp import Comper
from backing.band.drums import STICK, Drummer, count_in
from backing.band.reading import Bar, shortened
from backing.events import Note
from backing.feel import USUAL
from backing.grooves import Groove
from backing.tempo import Clock
from phrases.pitch import Key

__all__ = ["BASS_RANGE", "STICK", "Band", "Bar", "count_in"]


class Band:
    """Drums, bass and comping that remember what they just played.

    The seed chooses among patterns and approaches; a part's choices do not depend on another's.
    `comp` is of `backing.grooves.instruments.COMPS`, the groove's if empty; the parts `without`
    (``drums``, ``bass``, ``comp``) stay at home; looseness is as for `backing.feel.Feel`.
    """

    def __init__(
        self,
        groove: Groove,
        key: Key,
        seed: object,
        *,
        comp: str = "",
        without: Collection[str] = (),
        looseness: float = USUAL,
    ) -> None:
        self.beats = groove.meter.beats
        self.without = frozenset(without)
        self.drummer = Drummer("drums", groove, key, seed, looseness)
        self.bassist = Bassist(groove, key, seed, looseness)
        self.comper = Comper(comp or groove.comp_sound, groove, key, seed, looseness)

    def play(self, bars: Sequence[Bar], clock: Clock, after: Sequence[Bar] = ()) -> list[Note]:
        """Return the notes of consecutive bars, in order of time.

        Those `after` follow, as far as they are known.
        """
        notes: list[Note] = []
        bass: list[Note] = []
        ahead = [*bars, *after[:1]]
        for number, bar in enumerate(bars):
            start = number * self.beats
            lanes = self.drummer.read(bar)
            kicks = [hit for hit in lanes.get("kick", ()) if hit.off]
            low, met = self.bassist.play(bar, start, clock, ahead[number + 1 :], kicks)
            bass += low
            notes += self.drummer.play(bar, lanes, start, clock, met)
            notes += self.comper.play(bar, start, clock, low)
        notes += shortened(bass)  # one string at a time, also from bar to bar
        kept = [note for note in notes if note.voice not in self.without]
        return sorted(kept, key=lambda note: note.start)
