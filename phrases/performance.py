"""From strokes to what sounds: when, how hard, and how the pitch moves.

Conventions: the caller's clock turns beats into seconds, swing and tempo included; hand
movements last as long as hands take, whatever the tempo, but where several are to fit into a
short note they all go faster. References: common practice for the dynamics; times and widths
stand in `techniques`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from phrases.counting import evenly
from phrases.curve import Curve, Glide, Sway
from phrases.fretboard import LAST_FRET, STANDARD, STRINGS
from phrases.phrase import Move, StringNote, Stroke, bend_cents, laid_back
from phrases.techniques import SLIDE_SECONDS, mark

__all__ = ["Played", "perform"]

VELOCITY = 88
ON_THE_BEAT = 5
DEAD_SECONDS = 0.04
DEAD_VELOCITY = -34
PALM_SECONDS = 0.30
DAMPING = 0.012
SHORTEST = 0.02
GRACE = 0.025  # a grace note, before the hand moves on
SPEAK = 0.09  # what a bent string is held, before it is released at once
WAVE = 0.30  # a vibrato or a trill that something follows at once
STRUM = 0.008
SLOW = 0.7  # of a beat
INTO_FRETS, INTO_SECONDS = 3, 0.028  # a slide from nowhere, and how long each fret takes
OUT_FRETS = 5
TREMOLO = 12.0  # picks a second
RAKE = (0.052, 0.026)  # seconds before the note at which lower strings are hit


@dataclass(frozen=True, slots=True)
class Played:
    """One picked note as it sounds."""

    beat: Fraction  # the written beat of the pick
    string: str  # and `pitch`: where it was picked, and the MIDI pitch picked
    pitch: int
    start: float  # and `end`: seconds on the caller's clock
    end: float
    velocity: int  # 1 to 127
    curve: Curve  # how the pitch moves from there
    damped: bool = False  # whether a palm or a hand lies on the string


def perform(strokes: Iterable[Stroke], clock: Callable[[Fraction], float]) -> list[Played]:
    """Play strokes in order of time on a clock, which returns the second at which a beat sounds.

    What is returned is in order of time; on one string no note overlaps the next.
    """
    ordered = sorted(strokes, key=lambda stroke: stroke.at)
    clock = evenly(clock, frozenset[int]().union(*(stroke.even for stroke in ordered)))
    rest = max((clock(stroke.end) for stroke in ordered), default=0.0)
    sounding: list[Played] = []
    begun: dict[str, float] = {}  # when a string was picked last
    for number, stroke in enumerate(ordered):
        for order, note in enumerate(_struck(stroke)):
            later = _next_pick(ordered[number + 1 :], note.string)
            sooner = begun.get(note.string, -math.inf)
            hand = _Hand(stroke, note, order, clock, later, sooner, rest)
            sounding += hand.play()
            begun[note.string] = hand.start
    played: list[Played] = []
    ringing: dict[str, int] = {}
    for new in sorted(sounding, key=lambda one: one.start):
        before = ringing.get(new.string)
        if before is not None and played[before].end > new.start - DAMPING:
            earlier = played[before]
            end = max(earlier.start + 0.001, new.start - DAMPING)
            played[before] = replace(earlier, end=end)
        ringing[new.string] = len(played)
        played.append(new)
    return played


def _struck(stroke: Stroke) -> list[StringNote]:
    """Return a stroke's notes as the pick meets them: down from the low string, or up."""
    up = any("u" in note.marks for note in stroke.notes)
    return sorted(stroke.notes, key=lambda note: STRINGS.index(note.string), reverse=up)


def _next_pick(strokes: Sequence[Stroke], string: str) -> tuple[Stroke, StringNote] | None:
    """Return the next stroke that uses a string, and its note there."""
    return next(((s, n) for s in strokes for n in s.notes if n.string == string), None)


class _Hand:
    """Both hands at one note."""

    def __init__(
        self,
        stroke: Stroke,
        note: StringNote,
        order: int,
        clock: Callable[[Fraction], float],
        later: tuple[Stroke, StringNote] | None,
        sooner: float,
        rest: float,
    ) -> None:
        self.stroke = stroke
        self.note = note
        self.clock = clock
        self.later = later
        self.marks = [found for name in note.marks if (found := mark(name))]
        beat = Fraction(stroke.at // 1)
        self.beat = clock(beat + 1) - clock(beat)
        self.behind = stroke.late + stroke.laid * laid_back(self.beat)
        # Swung first and slowed then: a count that is pushed off its place swings no more.
        self.dragged = float(stroke.drag) * self.beat
        start = clock(stroke.at) + self.dragged + self.behind
        end = clock(stroke.end) + float(stroke.drag_end) * self.beat + self.behind
        late = sum(found.seconds for found in self.marks) + order * STRUM
        self.start = start + min(late, max(0.0, end - start - SHORTEST))
        self.end = max(end, self.start + SHORTEST)
        self.sooner = sooner
        if "ring" in note.marks:
            self.end = max(self.end, clock(later[0].at) if later else rest)
        if "short" in note.marks:
            self.end = self.start + max(SHORTEST, (self.end - self.start) / 2)

    def play(self) -> list[Played]:
        """Return the sounding notes of a written one: mostly one pick."""
        note, stroke = self.note, self.stroke
        velocity = VELOCITY + stroke.lift + sum(found.velocity for found in self.marks)
        if stroke.at.denominator == 1:
            velocity += ON_THE_BEAT
        if note.fret is None:
            pitch, velocity, curve = note.pitch(0), velocity + DEAD_VELOCITY, Curve()
            self.end = min(self.end, self.start + DEAD_SECONDS)
        else:
            pitch = note.pitch(note.fret) + note.raised
            curve = self._curve(note.fret)
        damped = note.fret is None or "pm" in note.marks
        if "pm" in note.marks:
            self.end = min(self.end, self.start + PALM_SECONDS)
        loud = max(1, min(127, velocity))
        one = Played(stroke.at, note.string, pitch, self.start, self.end, loud, curve, damped)
        if "tremolo" in note.marks:
            return self._tremolo(one)
        return [*self._rake(one), one] if "rake" in note.marks else [one]

    def _tremolo(self, one: Played) -> list[Played]:
        length = one.end - one.start
        count = max(2, round(length * TREMOLO))
        times = [one.start + length * n / count for n in range(count)]
        return [
            replace(
                one,
                start=at,
                end=end,
                velocity=max(1, one.velocity - 6 * (n % 2)),
                curve=_from(one.curve, at - one.start),
            )
            for n, (at, end) in enumerate(pairwise([*times, one.end]))
        ]

    def _rake(self, one: Played) -> list[Played]:
        lower = STRINGS[: STRINGS.index(one.string)][-len(RAKE) :]
        hits = list(zip(lower, RAKE[len(RAKE) - len(lower) :], strict=True))
        return [
            Played(
                one.beat, string, STANDARD[string], one.start - before,
                one.start - before + DEAD_SECONDS / 2,
                max(1, one.velocity + DEAD_VELOCITY), Curve(), damped=True,
            )
            for string, before in hits
            if one.start >= before
        ]  # fmt: skip

    def _curve(self, fret: int) -> Curve:
        """Return the pitch curve from the pick; a slide from nowhere makes the pick earlier."""
        first = 0.0
        glides: list[Glide] = []
        if self.note.into:
            way = 1 if self.note.into == "/" else -1
            count = min(INTO_FRETS, fret - 1 if way > 0 else LAST_FRET - fret)
            room = min(self.start, (self.start - self.sooner) / 2)
            early = max(0.0, min(count * INTO_SECONDS, room))
            self.start -= early
            first = -100.0 * way * count
            glides = [
                Glide(early * (n + 1) / count, 0.0, first + 100.0 * way * (n + 1), "slide")
                for n in range(count)
            ]
        shape = _Shape(self.note, first, glides, self.beat)
        length = self.end - self.start
        groups: list[tuple[float, list[Move]]] = [(0.0, [])]
        for move in self.note.moves:
            if move.at is None:
                groups[-1][1].append(move)
            else:
                at = self.clock(move.at) + self.dragged + self.behind - self.start
                groups.append((min(max(0.0, at), length), [move]))
        goal = self._goal(fret)
        for number, (at, moves) in enumerate(groups):
            last = number + 1 == len(groups)
            until = max(at, length - DAMPING) if last else groups[number + 1][0]
            shape.add(at, until, moves, goal)
        return shape.curve(length)

    def _goal(self, fret: int) -> int | None:
        """Return the fret to which a slide to nowhere leads, where the next pick is there."""
        if self.later is None or self.later[1].fret is None:
            return None
        follows = abs(self.clock(self.later[0].at) - self.clock(self.stroke.end)) < 1e-6
        return self.later[1].fret if follows else None


class _Shape:
    """A pitch curve in the making."""

    def __init__(self, note: StringNote, first: float, glides: list[Glide], beat: float) -> None:
        self.picked = self.fretted = note.fret or 0
        self.first = first
        self.glides = glides
        self.sways: list[Sway] = []
        self.bent = 0.0
        self.slow = "slow" in note.marks
        self.glass = bool(note.glass)
        self.beat = beat
        self.free = glides[-1].start if glides else 0.0

    def curve(self, length: float) -> Curve:
        # What has no time to come halfway round is no vibrato.
        sways = [s for s in self.sways if (s.end - s.start) * s.hertz >= 0.5]
        return Curve(self.first, tuple(self.glides), tuple(sways))

    def add(self, at: float, until: float, moves: list[Move], goal: int | None) -> None:
        """Add moves that follow each other from one time on, done by another."""
        if not moves:
            return
        counted = moves[0].at is not None
        begun = at if counted else max(at, self.free)
        waits = [
            (0.0 if counted and n == 0 else self._wait(moves, n), self._takes(moves, n))
            for n in range(len(moves))
        ]
        settles = moves[-1].technique.motion in ("frets", "step", "ease")
        wanted = sum(wait + takes for wait, takes in waits) + (GRACE if settles else 0.0)
        room = max(0.0, until - begun)
        if moves[-1].technique.motion == "sway" and waits[-1][0]:
            # In a short note it starts sooner, to come round once.
            wait, rest = waits[-1][0], room - wanted - 1 / _hertz(moves[-1])
            waits[-1] = (max(0.0, min(wait, wait + rest)), 0.0)
            wanted -= wait - waits[-1][0]
        pace = min(1.0, room / wanted) if wanted else 1.0
        now = begun
        for n, (move, (wait, takes)) in enumerate(zip(moves, waits, strict=True)):
            now += wait * pace
            self._move(move, now, takes * pace, until if n + 1 == len(moves) else None, goal)
            now += takes * pace
        self.free = now

    def _wait(self, moves: list[Move], n: int) -> float:
        """Return how long the hand waits before a move that follows at once."""
        technique = moves[n].technique
        if technique.motion == "sway":
            return technique.seconds
        if technique.motion == "preset" or (technique.motion == "frets" and n == 0):
            return 0.0  # the first fret sounds while the hand leaves it
        if technique.motion == "dip":
            return SPEAK
        bent = n and moves[n - 1].technique.motion in ("ease", "preset")
        return SPEAK if bent else GRACE

    def _takes(self, moves: list[Move], n: int) -> float:
        """Return how long a move takes; what lasts as long as the note does takes nothing."""
        move, last = moves[n], n + 1 == len(moves)
        technique = move.technique
        if technique.motion in ("sway", "flutter"):
            return 0.0 if last else WAVE
        if technique.motion == "frets" and move.fret is not None and move.at is None:
            before = [m.fret for m in moves[:n] if m.fret is not None and m.technique.lands]
            frets = abs(move.fret - (before[-1] if before else self.fretted))
            return self._over(move, max(SLIDE_SECONDS, technique.seconds * frets))
        if technique.motion == "dip":
            return self._over(move, technique.seconds)
        if technique.motion == "ease":
            slow = max(technique.seconds, SLOW * self.beat) if self.slow else technique.seconds
            return self._over(move, slow)
        return 0.0

    def _over(self, move: Move, usual: float) -> float:
        """Return the seconds that a move takes, by the beats that are written or as usual."""
        return usual if move.over is None else float(move.over) * self.beat

    def _move(
        self, move: Move, at: float, takes: float, until: float | None, goal: int | None
    ) -> None:
        technique = move.technique
        out = technique.takes == "slide" and move.fret is None
        if technique.motion != "sway" and not out:
            self.sways = [_cut(sway, at) for sway in self.sways]
        end = at + takes if until is None else max(until, at)
        if technique.motion == "sway":
            wide = technique.cents if move.size is None else technique.sizes[move.size]
            self.sways = [_cut(sway, at) for sway in self.sways]
            grow = end - at if move.grows else 0.0
            cents = -wide if self.bent else wide
            if self.glass:  # to and fro over the fret
                self.glides.append(Glide(at, 0.25 / _hertz(move), self._cents() - wide / 2))
            self.sways.append(Sway(at, end + DAMPING, _hertz(move), cents, grow))
        elif technique.motion == "flutter":
            assert move.fret is not None
            self._flutter(at, end, move.fret, _hertz(move))
        elif technique.motion == "dip":
            half = takes / 2
            deep = technique.cents if move.size is None else technique.sizes[move.size]
            self.glides.append(Glide(at, half, self._cents() - deep))
            self.glides.append(Glide(at + half, half, self._cents()))
        elif technique.motion == "frets":
            self._slide(move, at, takes, end, goal, technique.way)
        elif technique.motion == "step":
            assert move.fret is not None
            self.fretted = move.fret
            kind = "hammer" if technique.way > 0 else "pull"
            self.glides.append(Glide(at, 0.0, self._cents(), kind))
        else:
            self.bent = bend_cents(move, self.fretted)
            if technique.motion == "preset":
                self.first = self._cents()
            else:
                self.glides.append(Glide(at, takes, self._cents()))

    def _cents(self) -> float:
        return 100.0 * (self.fretted - self.picked) + self.bent

    def _flutter(self, at: float, end: float, fret: int, hertz: float) -> None:
        half = min(0.5 / hertz, (end - at) / 2)
        if half <= 0:
            return
        for n in range(int((end - at) / half)):
            on = n % 2 == 0
            cents = self._cents() + (100.0 * (fret - self.fretted) if on else 0.0)
            self.glides.append(Glide(at + n * half, 0.0, cents, "hammer" if on else "pull"))
        self.glides.append(Glide(max(at, end), 0.0, self._cents(), "pull"))

    def _slide(
        self, move: Move, at: float, takes: float, end: float, goal: int | None, way: int
    ) -> None:
        """Cross frets: a counted slide arrives at its time, one to nowhere at the note's end."""
        technique = move.technique
        to = move.fret
        if to is None:
            leads = goal is not None and (goal - self.fretted) * way > 0
            nowhere = max(1, min(LAST_FRET, self.fretted + way * OUT_FRETS))
            to = goal if leads and goal is not None else nowhere
        frets = range(self.fretted + way, to + way, way)
        count = len(frets)
        if not count:
            return
        if move.fret is None:
            pace = min(self._over(move, technique.seconds * count), max(0.0, end - at)) / count
            began = at if move.at is not None else end - pace * count
            if self.sways:  # what trembles goes on until the hand leaves
                last = self.sways[-1]
                self.sways[-1] = replace(last, end=max(last.end, began))
        elif move.at is not None:
            usual = self._over(move, technique.seconds * count)
            pace = min(usual, max(0.0, at - self.free)) / count
            began = at - pace * count
        else:
            pace, began = takes / count, at
        self.sways = [_cut(sway, began) for sway in self.sways]
        if self.glass:  # no fret stops it on the way
            self.fretted = to
            self.glides.append(Glide(began, pace * count, self._cents(), "slide"))
            return
        for n, fret in enumerate(frets, 1):
            self.fretted = fret
            self.glides.append(Glide(began + n * pace, 0.0, self._cents(), "slide"))


def _hertz(move: Move) -> float:
    return move.technique.hertz if move.rate is None else float(move.rate)


def _cut(sway: Sway, at: float) -> Sway:
    """Return a vibrato that has ended by a time, after a whole turn if there has been one.

    So the pitch is back where it was before the hand moves on.
    """
    at = min(at, sway.end)
    turns = math.floor((at - sway.start) * sway.hertz + 1e-9)
    return replace(sway, end=min(at, sway.start + turns / sway.hertz) if turns > 0 else at)


def _from(curve: Curve, seconds: float) -> Curve:
    """Return the rest of a curve from a time on, for a string picked again in mid-curve."""
    glides = tuple(
        replace(
            g, start=max(0.0, g.start - seconds), seconds=g.seconds - max(0.0, seconds - g.start)
        )
        for g in curve.glides
        if g.start + g.seconds > seconds
    )
    sways = tuple(
        Sway(max(0.0, s.start - seconds), s.end - seconds, s.hertz, s.cents, s.grow)
        for s in curve.sways
        if s.end > seconds
    )
    still = Curve(curve.first, curve.glides)
    return Curve(still.at(seconds), glides, sways)
