"""The comping player, in voicings that move to the nearest."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Any

from backing.band.plan import loudness
from backing.band.reading import Bar, Player, Span
from backing.events import Note
from backing.grooves.groove import FIGURES, figure
from backing.grooves.instruments import COMPS
from backing.harmony import QUALITIES, Chord, lead_voices, movement, voicings
from backing.lanes import Hit, in_order
from backing.tempo import Clock
from phrases.curve import Curve, Glide
from phrases.pitch import degree_semitones

__all__ = ["LOW_ROOT", "Comper"]

LOW_ROOT = 43  # roots of low figures lie in the octave from here, above the bass
VELOCITY = 84
UNDER = 0.75  # what is left while a phrase sounds
ANSWER = (Fraction(0), Fraction(1, 2))  # beats from where the last one of an answer begins
TOUCHED = 0.03  # seconds of a chord that are no stroke
SLIDE = 0.07  # seconds of a guitarist's slide, and of a keyboard's crushed chord
PUSH = Fraction(1, 2)  # beats that a push rings into the next bar
CLASH = 0.4  # beats that a chord may lie a half step from the bass, as it passes


class Comper(Player):
    """Plays what the groove has for an instrument."""

    def __init__(self, instrument: str, *reads: Any) -> None:
        super().__init__("comp", *reads)
        self.hand = COMPS[instrument]
        self._patterns = self.groove.comping(instrument)
        self._voicing: tuple[int, ...] | None = None
        self._sounding: Chord | None = None
        self._pushed = False

    def play(self, bar: Bar, start: int, clock: Clock, bass: Sequence[Note] = ()) -> list[Note]:
        """Return the notes of a bar that starts at a beat, over what the bass plays in it."""
        turns = bar.turns(self.beats)
        hits = self._hits(bar, self._written(bar), turns)
        if any(figure(hit.value)[1] in FIGURES for hit in hits):
            self._breathe(bar.chords[0][1])
        notes: list[Note] = []
        for number, hit in enumerate(hits):
            slide, what = figure(hit.value)
            pushes = what == "next"
            chord = bar.following if pushes else [c for at, c in turns if at <= hit.at][-1]
            ends = [at for at, _ in turns if at > hit.at]
            if number + 1 < len(hits):
                ends.append(hits[number + 1].at)
            until = self.beats + PUSH if pushes else min([*ends, Fraction(self.beats)])
            held = _below(self._held(chord, what), bar.ceiling)
            loud = VELOCITY * loudness(bar.strength) * (UNDER if bar.sounds(hit.at) else 1.0)
            played = self.pitched(hit, start, until, clock, held, loud)
            beat = clock.seconds(hit.at + 1, start) - clock.seconds(hit.at, start)
            if pushes:
                bar_line = clock.seconds(Fraction(self.beats), start)
                played = [replace(n, end=min(n.end, bar_line + CLASH * beat)) for n in played]
            played = _clear(played, bass, chord.pitch_classes(self.key), CLASH * beat)
            if what == "swell" and self.hand.swells:
                longest = max(range(len(played)), key=lambda n: played[n].end)
                played[longest] = replace(played[longest], swell=True)
            if self.hand.slides:
                played = _strummed(played, hit, hits)
            notes += self._slid(played, slide)
            self._pushed = pushes
        return notes

    def _written(self, bar: Bar) -> tuple[Hit, ...]:
        """Return the pattern of a bar, beat by beat as the phrase sounds or rests."""
        free = tuple(word for word in bar.when if word != "under")
        hits = list(self.choose(self._patterns, free, bar.chorus).lanes[0][1].hits)
        if "under" in bar.when:
            soft = self.choose(self._patterns, bar.when, bar.chorus, quiet=True)
            hits = [hit for hit in hits if not bar.sounds(hit.at)]
            hits += [
                Hit(rest, "chord", short=True)
                for rest, end in self._rests(bar)
                if not any(rest <= hit.at < end for hit in hits)
            ]
            hits += [hit for hit in soft.lanes[0][1].hits if bar.sounds(hit.at)][:1]
        if bar.line is not None:  # a hand doubles it, or stays away
            stops = bar.when[0] == "stop"
            hits = [
                Hit(hit.at, "chord", hit.touch, short=True)
                for hit in bar.line.lanes[0][1].hits
                if stops or (hit.touch == "accent" and not bar.sounds(hit.at))
            ]
            if stops:
                return tuple(hits)
        places = list(bar.hits)
        if bar.answer is not None and bar.answer[1] == "comp":
            (low, high), _ = bar.answer
            hits = [hit for hit in hits if not low <= hit.at < high]
            places += [high - 1 + at for at in ANSWER if low <= high - 1 + at < high]
        hits = [hit for hit in hits if hit.at not in places]
        hits += [Hit(at, "chord", "accent", short=True) for at in places]
        if bar.push:
            push = self.beats - PUSH
            hits = [hit for hit in hits if hit.at < push]
            hits.append(Hit(push, "next", "accent"))
        return in_order(hits)

    def _rests(self, bar: Bar) -> list[Span]:
        """Return where in a bar the phrase rests for a beat or more, from a half beat on."""
        spans = bar.sounding or ()
        edges = [Fraction(0), *(at for span in spans for at in span), Fraction(self.beats)]
        return [
            (Fraction(math.ceil(2 * low), 2), high)
            for low, high in zip(edges[::2], edges[1::2], strict=True)
            if high - low >= 1 and bar.sounding is not None
        ]

    def _breathe(self, chord: Chord) -> None:
        """Move the hand where a chord goes on: its top voice by a step where it can."""
        if chord != self._sounding or self._voicing is None:
            return
        root = chord.root(self.key)
        before = self._voicing
        rows = voicings(root, chord.quality, self.hand.low, self.hand.high)
        others = [v for v in rows if v[-1] != before[-1]]
        steps = [v for v in others if abs(v[-1] - before[-1]) <= 2] or others
        steps.sort(key=lambda v: (movement(before, v), v))
        self._voicing = self.chance.choice(steps[:3]) if steps else before

    def _hits(
        self, bar: Bar, written: tuple[Hit, ...], turns: list[tuple[Fraction, Chord]]
    ) -> list[Hit]:
        """Return the strokes: what was pushed waits, but each chord is struck while it lasts.

        A push is a stroke of the chord it leads to, not of the one that sounds.
        """
        hits = list(written)
        if self._pushed and bar.when[0] not in ("end", "stop"):
            hits = [hit for hit in hits if hit.at >= PUSH]
        self._pushed = False
        own = [hit for hit in written if figure(hit.value)[1] != "next"]
        ends = [at for at, _ in turns[1:]] + [Fraction(self.beats)]
        for (at, _), end in zip(turns, ends, strict=True):
            if not any(at <= hit.at < end and hit in own for hit in hits):
                before = [hit for hit in own if hit.at <= at]
                hits.append(replace(before[-1], at=at) if before else Hit(at, "chord", short=True))
        return list(in_order(hits))

    def _held(self, chord: Chord, what: str) -> tuple[int, ...]:
        """Return the pitches of a figure over a chord."""
        root = chord.root(self.key)
        if what not in FIGURES:
            members = QUALITIES[chord.quality]
            if what == "b7" and what not in members:  # the chord's own seventh, or its sixth
                what = next((d for d in (chord.member("7"), "6") if d in members), what)
                return self._low(root, degree_semitones(what))
            octave, step = divmod(int(what.lstrip("b#")) - 1, 7)
            plain = chord.member(str(step + 1)) if what[0].isdigit() else what
            above = degree_semitones(plain) + (12 * octave if plain != what else 0)
            return self._low(root, above)
        if chord != self._sounding:
            low, high = self.hand.low, self.hand.high
            self._voicing = lead_voices(self._voicing, root, chord.quality, low, high)
            self._sounding = chord
        assert self._voicing is not None
        if what == "shell":
            guides = {(root + degree_semitones(chord.member(d))) % 12 for d in ("3", "7")}
            return tuple(p for p in self._voicing if p % 12 in guides)
        return self._voicing

    def _low(self, root: int, above: int) -> tuple[int, int]:
        """Return a root on the low strings and what lies some semitones above it.

        A hand stays at the fret where it has the tonic, the lowest there is; what an open string
        has costs it nothing.
        """
        low = LOW_ROOT + (root - LOW_ROOT) % 12
        if self.hand.strings:
            home = min((self.key.pitch_class - string) % 12 for string in self.hand.strings)
            frets = [(string, (root - string) % 12) for string in self.hand.strings]
            ways = [(abs(fret - home) if fret else 0, string + fret) for string, fret in frets]
            low = min(ways)[1]
        return low, low + above

    def _slid(self, played: list[Note], slide: int) -> list[Note]:
        """Return a stroke with the slide into it: a guitar's one pick, a keyboard's two."""
        if self.hand.slides:  # every stroke says where the strings are
            length = min(SLIDE, (played[0].end - played[0].start) / 2)
            frets = abs(slide)
            glides = tuple(
                Glide(length * n / frets, 0.0, 100.0 * slide * (1 - n / frets), "slide")
                for n in range(1, frets + 1)
            )
            curve = Curve(100.0 * slide, glides)
            return [replace(played[0], curve=curve), *played[1:]]
        if not slide:
            return played
        at = played[0].start
        if at < SLIDE:
            return played
        soft = round(played[0].velocity * 0.8)
        crushed = [Note("comp", at - SLIDE, at, n.pitch + slide, soft) for n in played]
        return [*crushed, *played]


def _strummed(played: list[Note], hit: Hit, hits: Sequence[Hit]) -> list[Note]:
    """Return a stroke as a guitarist's right hand makes it, in the order of the strings.

    The hand swings evenly, down on each beat, in the shortest notes of the bar; on its way up it
    meets the high strings first. What is short and low is muted by the palm.
    """
    swings = math.lcm(*(other.at.denominator for other in hits))
    if figure(hit.value)[1] in FIGURES:
        return played[::-1] if hit.at % 1 * swings % 2 == 1 else played
    return [replace(note, damped=True) for note in played] if hit.short else played


def _clear(
    played: list[Note], bass: Sequence[Note], members: frozenset[int], longest: float
) -> list[Note]:
    """Return a stroke without what would lie a half step from the bass for long.

    A voice that meets such a note is left out, and one that sounds when it comes is released,
    unless both belong to the chord. One voice stays at least.
    """
    kept: list[Note] = []
    for note in played:
        end = note.end
        for low in bass:
            if (note.pitch - low.pitch) % 12 not in (1, 11):
                continue
            together = min(end, low.end) - max(note.start, low.start)
            if together > longest and not {note.pitch % 12, low.pitch % 12} <= members:
                end = low.start
        if end > note.start + TOUCHED:
            kept.append(note if end == note.end else replace(note, end=end))
    return kept or played[:1]


def _below(pitches: tuple[int, ...], ceiling: int | None) -> tuple[int, ...]:
    """Return the pitches of a chord below the phrase; octaves lower where none is."""
    if ceiling is None:
        return pitches
    while not any(pitch < ceiling for pitch in pitches):
        pitches = tuple(pitch - 12 for pitch in pitches)
    return tuple(pitch for pitch in pitches if pitch < ceiling)
