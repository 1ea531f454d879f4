"""A phrase file from what somebody played: `catch` hears it, counts it and finds its places.

Conventions: beats are unswung and count from the first bar that is known; pitch is in cents, 100
times the MIDI pitch. Of what is uncertain the file says so in a comment beside the notes.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import pairwise

import numpy as np

from backing.events import Stream
from backing.grooves import Groove
from backing.listening.ears import listen
from backing.listening.moves import Hand, Turn, hand
from backing.listening.plucks import LATER, Pluck, plucks, tuning
from backing.listening.source import Frames, TakeError
from backing.listening.written import Stretch
from backing.tempo import Clock, swing_for
from phrases.counting import METERS, count_word, swung
from phrases.errors import BluesError, RangeError
from phrases.files import read_phrase
from phrases.fretboard import STANDARD, STRINGS
from phrases.notation import write_line
from phrases.phrase import Move, Phrase, StringNote, Stroke
from phrases.pitch import Key
from phrases.refinger import refinger
from phrases.rewrite import tidy, with_phrase
from phrases.spelling import read_note, write_note
from phrases.techniques import BEND_SIZES, SLIDES, TECHNIQUES

__all__ = ["Caught", "bars_of", "catch"]

EARLY = 0.1  # of a beat before it that still belongs to it
SPREAD = 0.03  # seconds, a player's standard deviation
MOST_LATE = 0.08  # seconds that all of a take may be late
AT_ONCE = 0.13  # seconds after a pick or a move within which a move follows at once
ARRIVES = 0.14  # seconds in which a slide from nowhere arrives
FARTHEST = 400.0  # cents that two strings slide
SLOW = 0.26  # seconds from which a bend is a slow one
RINGS = Fraction(3, 10)  # of a beat before the next note that no rest is written for
PARTED = Fraction(2, 5)  # of a beat's rest from which a response may begin
APART = Fraction(3, 2)  # beats of rest that part what has no halves
CHORDS = 0.1  # share of picks with three strings above which it is chords
LONGEST = 64  # bars
LINE = 4  # bars
FAR = 2.5  # standard deviations from its count at which a note is uncertain
# How a beat is divided, and what that costs: what is seldom must fit much better.
DIVISIONS: dict[str, tuple[tuple[int, float], ...]] = {
    "4/4": ((2, 0.0), (3, 1.0), (4, 1.5), (6, 5.0)),
    "12/8": ((3, 0.0), (6, 1.5), (2, 4.0), (4, 6.0)),
}


@dataclass(frozen=True, slots=True)
class Caught:
    """What was caught.

    Attributes
    ----------
    text
        A phrase file.
    phrase
        What it says.
    doubts
        What is uncertain, a line each, with its place.
    first_bar
        The number of the bar, from the first known one, that is the phrase's first.
    """

    text: str
    phrase: Phrase
    doubts: tuple[str, ...]
    first_bar: int


@dataclass(slots=True)
class _Heard:
    """One pick: what is heard, what the hand does, and the beats of it all."""

    pluck: Pluck
    hand: Hand
    at: Fraction = Fraction(0)
    end: Fraction = Fraction(0)
    moves: list[tuple[Turn, Fraction | None]] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)
    into: str = ""
    second: float = 0.0  # that is counted: of the pick, or of where a slide from nowhere arrives


def catch(
    sound: Frames,
    *,
    key: Key,
    groove: Groove,
    tempo: Fraction,
    bars: Sequence[float] = (),
    swing: Fraction | None = None,
    position: int | None = None,
    title: str = "Caught",
    progress: Callable[[float], None] | None = None,
) -> Caught:
    """Return a draft of the phrase that is played in a take.

    Parameters
    ----------
    sound
        The guitar alone, as `backing.listening.source` gives it.
    key, groove, tempo
        What it was played over; felt beats a minute.
    bars
        Seconds of the take at which bars begin, in order; empty where that is not known, then
        they are looked for.
    swing
        Long to short; the groove's own at this tempo if left out.
    position
        The fret under the first finger; left out, where a hand would play it.
    title
        Of the phrase.
    progress
        Is told the share that is done.

    Raises
    ------
    TakeError
        If no notes are heard in it, or chords.
    RangeError
        If no hand can play it in that position.
    """
    ears = listen(sound, progress)
    found = plucks(ears)
    if len(bars):
        found = [one for one in found if one.at > bars[0] - 60 / float(tempo)]
    if not any(one.pitches for one in found):
        raise TakeError("no note is heard in it; is it the guitar, and loud enough?")
    chords = [one for one in found if one.more]
    if len(chords) > max(1, CHORDS * len(found)):
        raise TakeError(
            f"there are chords in it, the first at {_clock(chords[0].at)}: a phrase is caught "
            "from single notes and double stops"
        )
    tuned = tuning(found)
    played = []
    for one in found:
        does = Hand(0.0)
        if one.pitches and math.isfinite(one.followed):
            does = hand(ears, one.at, one.end, one.followed, tuned)
            if len(one.pitches) > 1:
                _both(does, one)
        played.append(_Heard(one, does, second=one.at))
    ratio = swing_for(swing if swing is not None else groove.swing, tempo, groove.swing_limit)
    grid = _Grid(tempo, groove, ratio, bars or _bars(found, tempo, groove, ratio))
    grid.count(played)
    writer = _Writer(key, groove, tempo, title, position, [] if bars else [GUESSED])
    return writer.write(_kept(played))


def _both(does: Hand, one: Pluck) -> None:
    """Make of what one hand does on two strings what it can: both slide, or tremble."""
    slid = [turn for turn in does.turns if turn.sign in ("b", "h", "p", *SLIDES)]
    turns = [replace(turn, sign="~") for turn in does.turns if turn.sign in ("~", "~~")]
    to = does.pitch
    if len(slid) == 1:
        to += 100.0 * round(slid[0].cents / 100) if slid[0].sign == "b" else slid[0].cents - to
    if one.slid and not 0 < to - does.pitch <= FARTHEST:
        arrives = one.at + LATER / 2
        slid, to = [Turn("/", one.at, arrives, 0.0)], does.pitch
        does.pitch -= 100.0 * one.slid
    if len(slid) == 1 and 0 < abs(to - does.pitch) <= FARTHEST:
        sign = "/" if to > does.pitch else "\\"
        turns.insert(0, replace(slid[0], sign=sign, cents=to, sure=""))
    elif slid:
        does.doubts.append("what the hand does on two strings is not clear")
    does.turns, does.bent = turns, 0.0


GUESSED = "where bars begin is a guess from how it was played: --bar-one says it in seconds"


def bars_of(stream: Stream, stretches: Sequence[Stretch]) -> list[float]:
    """Return the seconds of a take at which the bars of a stream began as it was played."""
    beats = stream.meter.beats
    out: list[float] = []
    for stretch in stretches:
        section = stream.sections[stretch.section]
        clock = Clock(section.tempo, 1.0, section.steps)
        for bar in range(int(section.beats) // beats):
            second = float(clock.exact(bar * beats))
            at = stretch.at + (second - stretch.offset) / stretch.pace
            if second >= stretch.offset - 1e-6 and at < stretch.until:
                out.append(at)
    return sorted(out)


def _clock(seconds: float) -> str:
    return f"{int(seconds // 60)}:{seconds % 60:04.1f}"


class _Grid:
    """Seconds to counts."""

    def __init__(
        self, tempo: Fraction, groove: Groove, ratio: float, bars: Sequence[float]
    ) -> None:
        self.beat = 60 / float(tempo)
        self.beats = groove.meter.beats
        self.ratio = ratio
        self.bars = np.asarray(bars, float)
        self.divisions = DIVISIONS[str(groove.meter)]
        self.late = 0.0
        self.chosen: dict[int, int] = {}

    def place(self, second: float) -> float:
        """Return the beat of a second, as if nothing swung."""
        second -= self.late
        bar = max(0, int(np.searchsorted(self.bars, second + EARLY * self.beat, "right")) - 1)
        length = np.diff(self.bars[bar : bar + 2])
        beat = float(length[0]) / self.beats if len(length) else self.beat
        if beat > 1.5 * self.beat:  # it was stopped there
            beat = self.beat
        return bar * self.beats + (second - float(self.bars[bar])) / beat

    def sounds(self, at: Fraction, division: int) -> float:
        """Return where in its beat a place sounds; in a beat of thirds nothing swings."""
        return float(at) if division % 3 == 0 else swung(at, self.ratio)

    def count(self, played: Sequence[_Heard]) -> None:
        """Give every pick and every move its count."""
        for one in played:
            self._arrive(one)
        for _ in range(2):
            self._divide(played)
            off = [(self.place(one.second) - self._exact(one.at)) * self.beat for one in played]
            more = float(np.median(off))
            self.late = max(-MOST_LATE, min(MOST_LATE, self.late + more))
        for number, one in enumerate(played):
            far = abs(self.place(one.second) - self._exact(one.at)) * self.beat
            if far > FAR * SPREAD:
                one.doubts.append("between two counts")
            following = played[number + 1] if number + 1 < len(played) else None
            self._end(one, following)

    def _arrive(self, one: _Heard) -> None:
        """Count a note that slides in from nowhere where it arrives."""
        slide = next(iter(one.hand.turns), None)
        if slide is None or slide.sign not in SLIDES or slide.cents == 0:
            return
        frets, takes = abs(slide.cents - one.hand.pitch) / 100, slide.stop - one.pluck.at
        early, there = self._away(one.pluck.at), self._away(slide.stop)
        if (frets >= 2 and takes < ARRIVES and there + 0.02 < early) or (
            frets >= 3 and takes < ARRIVES and self._on_beat(slide.stop)
        ):
            one.into, one.second = slide.sign, slide.stop
            one.hand.pitch = slide.cents
            one.hand.turns.pop(0)

    def _on_beat(self, second: float) -> bool:
        place = self.place(second)
        return abs(place - round(place)) * self.beat < SPREAD

    def _away(self, second: float) -> float:
        """Return how far a second is from the nearest half or third of a beat, in seconds."""
        within = self.place(second) % 1
        places = [self.sounds(Fraction(n, d), d) for d, _ in self.divisions[:2] for n in range(d)]
        return min(abs(within - at) for at in [*places, 1.0]) * self.beat

    def _exact(self, at: Fraction) -> float:
        beat = math.floor(at)
        return beat + self.sounds(at - beat, self.chosen.get(beat, 2))

    def _divide(self, played: Sequence[_Heard]) -> None:
        """Choose for each beat how it is divided, from all that is counted in it."""
        beats: dict[int, list[tuple[float, _Heard, Turn | None]]] = {}
        for one in played:
            one.moves = []
            counted = [(one.second, None), *_counted(one)]
            for second, turn in counted:
                place = self.place(second)
                beat = math.floor(place + EARLY)
                beats.setdefault(beat, []).append((place - beat, one, turn))
        for beat, events in beats.items():
            _, division, places = min(
                (self._fit([at for at, _, _ in events], n, extra) for n, extra in self.divisions),
                key=lambda row: row[0],
            )
            self.chosen[beat] = division
            for within, (_, one, turn) in zip(places, events, strict=True):
                if turn is None:
                    one.at = beat + within
                else:
                    one.moves.append((turn, beat + within))
        for one in played:
            counts = {id(turn): at for turn, at in one.moves}
            one.moves = [(turn, counts.get(id(turn))) for turn in one.hand.turns]

    def _fit(
        self, found: Sequence[float], division: int, extra: float
    ) -> tuple[float, int, list[Fraction]]:
        """Return how badly places within a beat fit a division, and the counts they get."""
        grid = [Fraction(n, division) for n in range(division)]
        where = [self.sounds(at, division) for at in grid]
        cost, places = extra, []
        for at in found:
            nearest = min(range(division), key=lambda n: abs(where[n] - at))
            cost += ((where[nearest] - at) * self.beat / SPREAD) ** 2
            cost += 20.0 * (grid[nearest] in places)
            places.append(grid[nearest])
        return cost, division, places

    def _end(self, one: _Heard, following: _Heard | None) -> None:
        """Give a note its end: a rest where the string is stopped well before the next one."""
        place = self.place(one.pluck.end)
        beat = math.floor(place)
        division = self.chosen.get(beat, self.divisions[0][0])
        grid = [*(Fraction(n, division) for n in range(division)), Fraction(1)]
        end = beat + min(grid, key=lambda at: abs(self.sounds(at, division) - (place - beat)))
        least = max([one.at, *(at for _, at in one.moves if at is not None)])
        if end <= least:
            end = least + Fraction(1, division)
        if following is not None and end > following.at - RINGS:
            end = following.at
        one.end = end


def _counted(one: _Heard) -> list[tuple[float, Turn]]:
    """Return the moves that stand on a count of their own, with the second that is counted."""
    out = []
    last = one.pluck.at
    for turn in one.hand.turns:
        shakes = turn.sign in ("~", "~~", "tr")
        slides = turn.sign in SLIDES
        if turn.start - last > AT_ONCE and not shakes and not (slides and not turn.cents):
            out.append((turn.stop if slides else turn.start, turn))
        if not shakes:
            last = turn.stop
    return out


def _bars(found: Sequence[Pluck], tempo: Fraction, groove: Groove, ratio: float) -> list[float]:
    """Return where bars may begin: the beat that fits best, and the bar that long notes begin."""
    beat, beats = 60 / float(tempo), groove.meter.beats
    at = np.array([one.at for one in found])
    third = str(groove.meter) == "12/8"
    inside = [(0.0, 1.0), (ratio / (1 + ratio), 0.5), (1 / 3, 0.4 if third else 0.1)]
    inside += [(2 / 3, 0.5 if third else 0.1)]
    phases = np.arange(0, beat, 0.004)
    fits = []
    for phase in phases:
        within = ((at - phase) / beat) % 1.0
        near = np.zeros(len(at))
        for place, weight in inside:
            away = np.abs((within - place + 0.5) % 1.0 - 0.5) * beat
            near = np.maximum(near, weight * np.exp(-0.5 * (away / SPREAD) ** 2))
        fits.append(near.sum())
    first = float(phases[int(np.argmax(fits))])
    lengths = np.diff(np.append(at, found[-1].end)).clip(0, 2 * beat)
    places = np.round((at - first) / beat, 1)
    strong = [float((lengths * (np.abs((places - n) % beats) < 0.15)).sum()) for n in range(beats)]
    start = first + beat * int(np.argmax(strong))
    bar = beat * beats
    start -= bar * math.ceil((start - at[0] + EARLY * beat) / bar + 1e-9)
    count = math.ceil((found[-1].end - start) / bar) + 1
    return [start + bar * n for n in range(count)]


def _kept(played: Sequence[_Heard]) -> list[_Heard]:
    """Return what is played with one pick on each count: of two the longer one is kept."""
    out: list[_Heard] = []
    for one in sorted(played, key=lambda row: (row.at, row.pluck.at)):
        if out and out[-1].at >= one.at:
            if one.pluck.end - one.pluck.at > out[-1].pluck.end - out[-1].pluck.at:
                one.doubts.append("two picks on one count")
                out[-1] = one
            else:
                out[-1].doubts.append("two picks on one count")
        else:
            out.append(one)
    for one, after in pairwise(out):
        one.end = min(one.end, after.at)
    return out


class _Writer:
    """Makes the phrase file."""

    def __init__(
        self,
        key: Key,
        groove: Groove,
        tempo: Fraction,
        title: str,
        position: int | None,
        doubts: list[str],
    ) -> None:
        self.key = key
        self.groove = groove
        self.tempo = tempo
        self.title = title
        self.position = position
        self.doubts = doubts
        self.beats = groove.meter.beats
        root = (key.pitch_class - 4) % 12
        self.home = position or (root if root else 12)

    def write(self, played: Sequence[_Heard]) -> Caught:
        parts = self._parted(played)
        first = parts[0][0]
        roles = ["line"] if len(parts) == 1 else ["call", "response"] * len(parts)
        text = "\n".join([*self._head(len(played)), *self._parts(parts, roles)]) + "\n"
        phrase = read_phrase(text)
        try:
            text = with_phrase(text, refinger(phrase, self.position))
        except RangeError:
            if self.position is not None:
                raise
        text = tidy(text)
        return Caught(text, read_phrase(text), tuple(self.doubts), first)

    def _head(self, count: int) -> Iterator[str]:
        yield f"# A draft of what was played, {count} notes: read it, play it, mend it."
        for doubt in self.doubts:
            yield f"# {doubt}"
        yield f"title = {_quoted(self.title)}"
        yield f"key = {_quoted(str(self.key))}"
        yield f"groove = {_quoted(self.groove.name)}"
        yield f"tempo = {float(self.tempo):g}"
        if self.groove.meter != METERS["4/4"]:
            yield f"meter = {_quoted(str(self.groove.meter))}"

    def _parted(self, played: Sequence[_Heard]) -> list[tuple[int, int, list[_Heard]]]:
        """Return the parts: first bar, bars, and what is played in each."""
        first = self._bar_of(played[0])
        starts = [(first, 0)]
        for number in range(1, len(played)):
            one, before = played[number], played[number - 1]
            bar = self._bar_of(one)
            length = bar - starts[-1][0]
            if length > 0 and length % 2 == 0 and one.at - before.end >= PARTED:
                starts.append((bar, number))
        last = max(
            math.ceil(played[-1].end / self.beats), math.floor(played[-1].at / self.beats) + 1
        )
        if len(starts) == 1 and last - first in (2, 3, 4):
            rests = [
                (one.at - before.end, number)
                for number, (before, one) in enumerate(pairwise(played), 1)
                if first < self._bar_of(one) < last and one.at - before.end >= APART
            ]
            if rests:
                number = max(rests)[1]
                starts.append((self._bar_of(played[number]), number))
        if last - first > LONGEST:
            raise TakeError(
                f"it is {last - first} bars long; a phrase has at most {LONGEST}: cut the take"
            )
        ends = [*(bar for bar, _ in starts[1:]), last]
        until = [*(number for _, number in starts[1:]), len(played)]
        return [
            (bar, end - bar, [*played[number:stop]])
            for (bar, number), end, stop in zip(starts, ends, until, strict=True)
        ]

    def _bar_of(self, one: _Heard) -> int:
        """Return the bar one that a note would begin: the next where it comes late in its bar."""
        bar, within = divmod(one.at, self.beats)
        return int(bar) + (within >= self.beats / 2)

    def _parts(
        self, parts: Sequence[tuple[int, int, list[_Heard]]], roles: Sequence[str]
    ) -> Iterator[str]:
        for role, (bar, bars, played) in zip(roles, parts, strict=False):
            shift = bar * self.beats
            strokes = []
            doubts = []
            for one in played:
                stroke = self._stroke(one).moved(-shift)
                stroke = replace(stroke, end=min(stroke.end, Fraction(bars * self.beats)))
                strokes.append(stroke)
                place = self._said(stroke.at)
                doubts += [f"{place}: {doubt}" for doubt in [*one.doubts, *one.hand.doubts]]
            yield ""
            yield "[[part]]"
            yield f"role = {_quoted(role)}"
            for doubt in doubts:
                self.doubts.append(f"{role}, {doubt}")
                yield f"# {doubt}"
            yield f"notes = '{write_line(tuple(strokes), bars, self.beats)}'"

    def _said(self, at: Fraction) -> str:
        bar, beat = divmod(at, self.beats)
        where = f"bar {int(bar) + 1}" if bar >= 0 else "pickup"
        return f"{where}, {count_word(int(beat) + 1, beat % 1, 0)}"

    def _stroke(self, one: _Heard) -> Stroke:
        """Return what is played as it is written, on strings near the hand's home."""
        marks: tuple[str, ...] = ("rake",) if one.pluck.raked and one.pluck.pitches else ()
        if not one.pluck.pitches:
            one.doubts.append("a muted string: which one is not heard")
            return Stroke(one.at, one.end, (StringNote("G", None),))
        moves, slow = self._moves(one)
        if slow:
            marks += ("slow",)
        pitches = [round(one.hand.pitch / 100)]
        own = [moves]
        if one.pluck.unison and not any(turn.sign in "rhp" for turn in one.hand.turns):
            top = round(one.pluck.unison / 100)
            shakes = [move for move in moves if move[0] in ("~", "~~")]
            pitches, own = [top - 2, top], [[("b", 0, "full", None), *shakes], []]
            one.doubts.append("a unison bend, or one string")
        elif len(one.pluck.pitches) > 1:
            # They were told apart when the hand may have moved already.
            early = [
                turn
                for turn in one.hand.turns
                if turn.stop < one.pluck.at + LATER and TECHNIQUES[turn.sign].lands
            ]
            gone = round((early[-1].cents - one.hand.pitch) / 100) if early else 0
            ups = [round(p / 100) - gone - pitches[0] for p in one.pluck.pitches]
            pitches = [pitches[0] + up for up in ups]
            own = [[(s, to and to + up, size, at) for s, to, size, at in moves] for up in ups]
        notes: list[StringNote] = []
        for pitch, what in zip(pitches, own, strict=True):
            taken = {note.string for note in notes}
            notes.append(self._note(pitch, what, marks, taken, one))
        return Stroke(one.at, one.end, tuple(sorted(notes, key=lambda n: STRINGS.index(n.string))))

    def _note(
        self,
        pitch: int,
        moves: Sequence[tuple[str, int, str | None, Fraction | None]],
        marks: tuple[str, ...],
        taken: set[str],
        one: _Heard,
    ) -> StringNote:
        """Return one string of a stroke; a move that cannot be written there is a doubt."""
        reach = [pitch, *(to for sign, to, size, _ in moves if size is None and to)]
        bends = any(size in ("full", "3/2") for _, _, size, _ in moves)

        def far(string: str) -> float:
            frets = [to - STANDARD[string] for to in reach]
            off = sum(abs(fret - self.home - 1.5) for fret in frets[:1])
            lowest = 3 if one.into else 1 if moves else 0
            off += 50.0 * (min(frets) < lowest) + 50.0 * (max(frets) > 22)
            return off + 3.0 * (bends and string not in "GBe") + 100.0 * (string in taken)

        string = min(STRINGS, key=far)
        open_ = STANDARD[string]
        done = [
            Move(sign, None if size is not None or not to else to - open_, size, at)
            for sign, to, size, at in moves
        ]
        into = one.into if pitch - open_ > 1 else ""
        note = StringNote(string, max(0, pitch - open_), tuple(done), marks, into)
        while done:
            at_once = replace(note, moves=tuple(replace(move, at=None) for move in done))
            try:
                read_note(write_note(at_once), 0)
            except BluesError:
                one.doubts.append(f"a {done.pop().technique.name}, which cannot be written there")
                note = replace(note, moves=tuple(done))
            else:
                break
        return note

    def _moves(
        self, one: _Heard
    ) -> tuple[list[tuple[str, int, str | None, Fraction | None]], bool]:
        """Return moves: sign, the pitch it lands on or 0, size, count; and whether one is slow."""
        out: list[tuple[str, int, str | None, Fraction | None]] = []
        slow = False
        sizes = {cents: name for name, cents in BEND_SIZES.items()}
        if one.hand.bent:
            out.append(("pb", 0, sizes[round(one.hand.bent)], None))
        for turn, at in one.moves:
            if at is not None and not one.at < at:
                at = None
            if turn.sign in ("b", "r"):
                size = sizes.get(round(turn.cents))
                out.append((turn.sign, 0, size, at))
                slow |= turn.sign == "b" and turn.stop - turn.start > SLOW
            elif TECHNIQUES[turn.sign].takes in ("fret", "slide"):
                out.append((turn.sign, round(turn.cents / 100), None, at))
            else:
                out.append((turn.sign, 0, None, at))
            if turn.sure:
                one.doubts.append(turn.sure)
        return out, slow


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
