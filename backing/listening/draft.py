"""A phrase file from what somebody played: `catch` hears it, counts it and finds its places.

Conventions: beats are unswung and count from the first bar that is known; pitch is in cents, 100
times the MIDI pitch. Of what is uncertain the file says so in a comment beside the notes.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from backing.grooves import Groove
from backing.listening.counted import Counted, Grid, bars_of, guessed_bars, kept
from backing.listening.ears import Ears, listen
from backing.listening.moves import WIDE, Hand, Turn, hand
from backing.listening.plucks import LATER, Pluck, plucks, shaken, tuning
from backing.listening.source import Frames, TakeError
from backing.tempo import clock_time, swing_for
from phrases.counting import METERS, count_word
from phrases.errors import BluesError, RangeError, TextFileError
from phrases.files import read_phrase
from phrases.fretboard import LAST_FRET, STANDARD, STRINGS
from phrases.notation import write_line
from phrases.phrase import Move, Phrase, StringNote, Stroke
from phrases.pitch import Key
from phrases.refinger import refinger
from phrases.rewrite import tidy, with_phrase
from phrases.spelling import read_note, write_note
from phrases.techniques import BEND_SIZES, SLIDES, TECHNIQUES
from phrases.textfile import toml_value

__all__ = ["Caught", "Writer", "bars_of", "catch"]

FARTHEST = 400.0  # cents that two strings slide
SLOW = 0.26  # seconds from which a bend is a slow one
PARTED = Fraction(2, 5)  # of a beat's rest from which a response may begin
APART = Fraction(3, 2)  # beats of rest that part what has no halves
CHORDS = 0.1  # share of picks with three strings above which it is chords
FEW = 2  # of them, which may be strings that ring on
SHAKES = ("~", "~~")
RINGING, SOON = 3, 0.2  # notes before that may still ring; seconds in which a move is at once
NEWER, RANG = 0.4, 0.2  # shares of what is new: of what is picked, of what only rings
LONGEST = 64  # bars


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
    """

    text: str
    phrase: Phrase
    doubts: tuple[str, ...]


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
    groove_name: str = "",
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
    groove_name
        What the file calls the groove: the path of one that does not ship; its name if empty.
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
    if len(chords) > max(FEW, CHORDS * len(found)):
        raise TakeError(
            f"there are chords in it, the first at {clock_time(chords[0].at, 1)}: a phrase is "
            "caught from single notes and double stops"
        )
    unclear = [
        f"at {clock_time(one.at, 1)} more than two strings may sound; "
        + ("two of them are written" if one.pitches else "it is left out")
        for one in chords
    ]
    found = [one for one in found if one.pitches or not one.more]
    tuned = tuning(found)
    played = []
    rings: list[float] = []
    for one in found:
        does = Hand(0.0)
        if one.pitches and math.isfinite(one.followed):
            does = hand(one.ears or ears, one.at, one.end, one.followed, tuned)
            _mend(does, one, ears, tuned, [p - tuned for p in rings[-RINGING:]])
            rings += one.pitches
            if len(one.pitches) > 1:
                _both(does, one)
                _tremble(does, one, ears)
            elif one.unison and not any(turn.sign in (*SHAKES, *"rhp") for turn in does.turns):
                wide = shaken(ears, one.at + LATER, one.end, one.unison, ())
                does.turns += [Turn("~", one.at, one.at, wide)] if wide else []
        played.append(Counted(one, does, second=one.at))
    ratio = swing_for(swing if swing is not None else groove.swing, tempo, groove.swing_limit)
    grid = Grid(tempo, groove, ratio, bars or guessed_bars(found, tempo, groove, ratio))
    grid.count(played)
    writer = Writer(
        key, groove, tempo, title, position, [*([] if bars else [GUESSED]), *unclear],
        groove_name or groove.name,
    )  # fmt: skip
    return writer.write(kept(played))


def _both(does: Hand, one: Pluck) -> None:
    """Make of what one hand does on two strings what it can: both slide, or tremble."""
    slid = [turn for turn in does.turns if turn.sign in ("b", "h", "p", *SLIDES)]
    turns = [replace(turn, sign="~") for turn in does.turns if turn.sign in SHAKES]
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


def _mend(does: Hand, one: Pluck, ears: Ears, tuned: float, rang: Sequence[float]) -> None:
    """Take off what only seems to be: the beginning is a string that still rings."""
    if len(one.pitches) > 1:
        return
    begins = does.pitch + does.bent
    first = does.turns[0] if does.turns else None
    if first and first.sign not in SHAKES and first.stop < one.at + SOON:
        lands = first.cents + does.pitch
        if first.sign not in ("b", "r") or not any(abs(pitch - begins) < 70 for pitch in rang):
            return
    else:
        first, lands = None, 100.0 * round((one.pitches[0] - tuned) / 100)
    seems, new = ears.shares(one.at, one.end - one.at, [[begins + tuned], [lands + tuned]])
    if new < seems + NEWER or seems > RANG:
        return
    if first:
        does.turns = does.turns[1:]
    does.pitch, does.bent = (does.pitch, lands - does.pitch) if does.bent else (lands, 0.0)


def _tremble(does: Hand, one: Pluck, ears: Ears) -> None:
    """Tell which of two strings trembles: the pitch that both share tells only that one does."""
    since = max([one.at + LATER / 2, *(turn.stop for turn in does.turns if turn.sign in SLIDES)])
    wide = [
        shaken(ears, since, one.end, cents, [c for c in one.pitches if c != cents])
        for cents in one.pitches
    ]
    does.turns = [turn for turn in does.turns if turn.sign not in SHAKES]
    if max(wide):
        sign = "~~" if max(wide) > WIDE else "~"
        does.turns.append(Turn(sign, since, since, max(wide)))
        does.still = tuple(n for n, width in enumerate(wide) if not width)


GUESSED = "where bars begin is a guess from how it was played: --bar-one says it in seconds"


class Writer:
    """Makes the phrase file of what is counted.

    Parameters
    ----------
    key, groove, tempo, title, position, groove_name
        As for `catch`.
    doubts
        What is uncertain of the whole.
    """

    def __init__(
        self,
        key: Key,
        groove: Groove,
        tempo: Fraction,
        title: str,
        position: int | None,
        doubts: list[str],
        groove_name: str,
    ) -> None:
        self.groove_name = groove_name
        self.key = key
        self.groove = groove
        self.tempo = tempo
        self.title = title
        self.position = position
        self.doubts = doubts
        self.beats = groove.meter.beats
        root = (key.pitch_class - 4) % 12
        self.home = position or (root if root else 12)

    def write(self, played: Sequence[Counted]) -> Caught:
        """Return the draft of what is played, in order of time."""
        parts = self._parted(played)
        roles = ["line"] if len(parts) == 1 else ["call", "response"] * len(parts)
        doubts = [*self.doubts]
        try:
            phrase = read_phrase(text := self._text(parts, roles))
        except TextFileError:  # what one hand does after the other cannot be written so
            self.doubts = [*doubts, "what the hand does is left out: it cannot be written"]
            for one in played:
                one.moves, one.hand.bent, one.into = [], 0.0, ""
            phrase = read_phrase(text := self._text(parts, roles))
        try:
            text = with_phrase(text, refinger(phrase, self.position))
        except RangeError:
            if self.position is not None:
                raise
        text = tidy(text)
        return Caught(text, read_phrase(text), tuple(self.doubts))

    def _text(self, parts: Sequence[tuple[int, int, list[Counted]]], roles: Sequence[str]) -> str:
        count = sum(len(played) for _, _, played in parts)
        return "\n".join([*self._head(count), *self._parts(parts, roles)]) + "\n"

    def _head(self, count: int) -> Iterator[str]:
        yield f"# A draft of what was played, {count} notes: read it, play it, mend it."
        for doubt in self.doubts:
            yield f"# {doubt}"
        yield f"title = {toml_value(self.title)}"
        yield f"key = {toml_value(str(self.key))}"
        yield f"groove = {toml_value(self.groove_name)}"
        yield f"tempo = {float(self.tempo):.10g}"
        if self.groove.meter != METERS["4/4"]:
            yield f"meter = {toml_value(str(self.groove.meter))}"

    def _parted(self, played: Sequence[Counted]) -> list[tuple[int, int, list[Counted]]]:
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
        last = max(last, starts[-1][0] + 1)
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

    def _bar_of(self, one: Counted) -> int:
        """Return the bar one that a note would begin: the next where it comes late in its bar."""
        bar, within = divmod(one.at, self.beats)
        return int(bar) + (within >= self.beats / 2)

    def _parts(
        self, parts: Sequence[tuple[int, int, list[Counted]]], roles: Sequence[str]
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
            yield f"role = {toml_value(role)}"
            for doubt in doubts:
                self.doubts.append(f"{role}, {doubt}")
                yield f"# {doubt}"
            yield f"notes = '{write_line(tuple(strokes), bars, self.beats)}'"

    def _said(self, at: Fraction) -> str:
        bar, beat = divmod(at, self.beats)
        where = f"bar {int(bar) + 1}" if bar >= 0 else "pickup"
        return f"{where}, {count_word(int(beat) + 1, beat % 1, 0)}"

    def _stroke(self, one: Counted) -> Stroke:
        """Return a pick as a written stroke, on strings near the hand's home."""
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
            shakes = [move for move in moves if move[0] in SHAKES]
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
        for n, (pitch, what) in enumerate(zip(pitches, own, strict=True)):
            if n in one.hand.still:
                what = [move for move in what if move[0] not in SHAKES]
            taken = {note.string for note in notes}
            notes.append(self._note(pitch, what, marks, taken, one))
        return Stroke(one.at, one.end, tuple(sorted(notes, key=lambda n: STRINGS.index(n.string))))

    def _note(
        self,
        pitch: int,
        moves: Sequence[tuple[str, int, str | None, Fraction | None]],
        marks: tuple[str, ...],
        taken: set[str],
        one: Counted,
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
        if not 0 <= pitch - open_ <= LAST_FRET:
            one.doubts.append("its octave")
            pitch = open_ + (pitch - open_) % 12
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
        self, one: Counted
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
