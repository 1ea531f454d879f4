"""The line language: text to strokes and back.

A line alternates counts and places, bars are parted by ``|``, and what stands before the
first ``|`` is the pickup: ``4 G5/7 & B6 | 1 e8b(full)~ 3 .``  A place is a string and a fret
with techniques and marks; ``+`` joins a double stop, ``.`` rests, ``-`` lets the note ring on.
What begins with a technique goes on without a new pick, a bar ``%`` is the bar before once more,
a bar ``=`` the same bar of another part.
`LANGUAGE.md` beside this module says it all.

`read_line` collects every problem with its offset into the text, and `write_line` gives the
canonical text: reading it back returns the same strokes.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

from phrases.counting import count_word, parse_count
from phrases.errors import BluesError
from phrases.fretboard import STRINGS
from phrases.phrase import Part, StringNote, Stroke
from phrases.spelling import (
    PRE_BEND,
    SpellingError,
    is_place,
    is_sign,
    read_moves,
    read_note,
    write_moves,
    write_note,
)
from phrases.words import short

__all__ = ["MOST_BARS", "Line", "read_line", "write_line"]

MOST_BARS = 64
AGAIN = ("%", "=")  # bars that are another bar once more
LONGEST = 20_000

_TOKEN = re.compile(r"\||(?:\{[^}|]*\}|\([^)|]*\)|[^\s|])+")
_WORD = re.compile(r'[^\s"]+')
_COUNT = re.compile(r"\d*(?:e|trip|&|let|a|\+\d+/\d+)?")
_LIKE_A_PLACE = re.compile(r"[/\\]?[A-Za-z](\d|x)|(tr|[/\\hpb~r]+)(\d|\(|$)|-\+")


@dataclass(slots=True)
class Line:
    """A parsed line of notation."""

    strokes: tuple[Stroke, ...] = ()  # in order of time, in beats from bar one
    bars: int = 0  # bars after the pickup
    # Pairs of an offset into the text and a message.
    problems: list[tuple[int, str]] = field(default_factory=list)
    # Where each string of a stroke, or what goes on from it, is written: the beat, the string, and
    # from where to where in the text.
    spots: list[tuple[Fraction, str, int, int]] = field(default_factory=list)


def read_line(
    text: str, beats: int = 4, like: Part | None = None, *, broken: bool = False
) -> Line:
    """Read a line of counts and places; white space, also line breaks, parts its words.

    `like` is the part whose bars ``=`` stands for; `broken` says that there is one with mistakes
    itself.
    """
    if len(text) > LONGEST:
        problem = f"{len(text)} characters: a line has at most {LONGEST}; make more parts of it"
        return Line(problems=[(0, problem)])
    other = _texts(like.strokes, like.bars, beats) if like and "=" in text else []
    return _Reader(text, beats, other, broken=broken).read()


class _Reader:
    def __init__(self, text: str, beats: int, other: Sequence[str], *, broken: bool) -> None:
        self.text = text
        self.beats = beats
        self.strokes: list[Stroke] = []
        self.ringing = False
        self.problems: list[tuple[int, str]] = []
        self.spots: list[tuple[Fraction, str, int, int]] = []
        self.bar = -1
        self.beat = 0
        self.last = Fraction(-beats - 1)
        self.counted = False
        self.count: tuple[int, str] | None = None
        self.now: Fraction | None = None
        self.words: list[str] = []  # of this bar, and of the one before
        self.before: list[str] = []
        self.other, self.broken = other, broken
        self.repeats = self.stray = False
        self.flawed = 0  # problems before this bar

    def read(self) -> Line:
        tokens = [(found.start(), found[0]) for found in _TOKEN.finditer(self.text)]
        if "|" not in [word for _, word in tokens]:
            self._wrong(
                0,
                "no bar line: what stands before the first | is the pickup; "
                "a line without a pickup begins with |",
            )
            return Line(problems=self.problems)
        if tokens[-1][1] == "|" and [word for _, word in tokens].count("|") > 1:
            tokens.pop()  # it only closes the last bar
        for offset, word in tokens:
            if "--" in word:
                self._wrong(
                    offset,
                    f'"{word}" is a drawn tab; here each note is a count and a place, as in '
                    "1 e7 & e10",
                )
                return Line(problems=self.problems[-1:])
        for offset, word in tokens:
            if word == "|":
                self._bar_line(offset)
            elif word in AGAIN or self.repeats:
                self._repeat(offset, word)
            else:
                self._take(offset, word)
        self._lone_count()
        bars = self.bar + 1
        if bars > MOST_BARS:
            self._wrong(0, f"{bars} bars: a part has at most {MOST_BARS}")
        end = Fraction(bars * self.beats)
        if self.ringing:
            self.strokes[-1] = replace(self.strokes[-1], end=end)
        if not self.strokes and not self.problems and not self.broken:
            self._wrong(0, "there is no note in this line; write at least one, such as 1 e8")
        return Line(tuple(self.strokes), bars, self.problems, self.spots)

    def _take(self, offset: int, word: str) -> None:
        self.words.append(word)
        if self.count is None:
            self._take_count(offset, word)
        else:
            self._take_thing(offset, word)

    def _repeat(self, offset: int, word: str) -> None:
        """Take the words of the bar before, or of the same bar of another part, once more."""
        again: Sequence[str] = ()
        if self.words or self.repeats:
            if not self.stray:
                self._wrong(
                    offset, f'"{word}": a bar that repeats another has only a % or a = in it'
                )
            self.stray = True
        elif word == "%" and self.bar < 1:
            self._wrong(offset, '"%" repeats the bar before, but there is none here')
        elif word == "%":
            again = self.before
        elif any(self.other[self.bar + 1 : self.bar + 2]):
            again = _TOKEN.findall(self.other[self.bar + 1])
        elif not self.broken:
            bar = f"bar {self.bar + 1}" if self.bar >= 0 else "pickup"
            what = f"has no {bar}" if self.other else "is not there"
            self._wrong(offset, f'"=" stands for the same bar of the part before, which {what}')
        for one in again:
            self._take(offset, one)
        self._lone_count()
        self.repeats = self.counted = True

    def _wrong(self, offset: int, message: str) -> None:
        self.problems.append((offset, _WORD.sub(lambda found: short(found[0]), message)))

    def _lone_count(self) -> None:
        if self.count is not None:
            offset, word = self.count
            self._wrong(offset, f'count "{word}" has no place after it; write a note or a rest .')
            self.count = None

    def _bar_line(self, offset: int) -> None:
        self._lone_count()
        if self.bar >= 0 and not self.counted:
            self._wrong(
                offset, "the bar before this | is empty; write 1 . for a rest, 1 - to let it ring"
            )
        flawed = len(self.problems) > self.flawed
        self.before, self.words = ([] if flawed else self.words), []
        self.flawed = len(self.problems)
        self.counted = self.repeats = self.stray = False
        self.bar += 1
        self.beat = 0
        self.last = Fraction(self.bar * self.beats) - 1

    def _take_count(self, offset: int, word: str) -> None:
        if not _COUNT.fullmatch(word) and (_LIKE_A_PLACE.match(word) or word in (".", "-")):
            hint = "write when it comes, as in 2 " + word
            if is_sign(word) and self.strokes:
                hint += ", or join it to the note before it"
            self._wrong(offset, f'"{word}" has no count before it; {hint}')
            return
        self.count = (offset, word)
        self.counted = True
        self.now = None
        try:
            self.beat, place = parse_count(word, self.beat, self.beats)
        except BluesError as error:
            self._wrong(offset, str(error))
            return
        now = self.bar * self.beats + self.beat - 1 + place
        if now == self.last:
            self._wrong(
                offset, f'count "{word}" comes twice; join what sounds together with +, as G5+B5'
            )
        elif now < self.last:
            self._wrong(
                offset,
                f'count "{word}" goes back in the bar; counts go forward: '
                "is a bar line | missing?",
            )
            # As if it stood there, so that one that is missing is told once.
            self.bar += 1
            self.last = self.now = self.bar * self.beats + self.beat - 1 + place
        else:
            self.last = self.now = now

    def _take_thing(self, offset: int, word: str) -> None:
        assert self.count is not None
        if word.isdecimal() and (len(word) > 3 or int(word) > self.beats):
            self.count = None
            self._wrong(offset, f'"{word}" is a fret without its string; write both: G{word}')
            return
        if _COUNT.fullmatch(word) and word not in STRINGS:
            self._lone_count()
            self._take_count(offset, word)
            return
        self.count = None
        try:
            self._thing(word, offset)
        except SpellingError as error:
            self._wrong(offset + error.offset, str(error))

    def _thing(self, word: str, offset: int) -> None:
        now = self.now
        if word.lower() in ("rest", "pause"):
            raise SpellingError(f'"{word}": a rest is written . as in 4 .')
        if word in (".", "-"):
            if word == "." and self.ringing and now is not None:
                self._stop(now)
            elif word == "-" and not self.ringing:
                raise SpellingError(
                    '"-" lets a note ring on, but none is ringing here; write . for a rest'
                )
            return
        turned = re.fullmatch(r"(\d{1,2}|x)([EADGBe])", word)
        if turned:
            raise SpellingError(f'"{word}": the string comes first: {turned[2]}{turned[1]}')
        pieces = _pieces(word)
        goes_on = [piece == "-" or is_sign(piece) or not is_place(piece) for _, piece in pieces]
        if all(goes_on):
            self._go_on(pieces, now)
            self._spot(pieces, now, offset)
            return
        notes: list[StringNote] = []
        for start, piece in pieces:
            note = read_note(piece, start)
            if note.string in [other.string for other in notes]:
                raise SpellingError(
                    f"two notes at once on the {note.string} string; it sounds one", start
                )
            notes.append(note)
        if now is None:
            return
        if self.ringing:
            self._stop(now)
        self.strokes.append(Stroke(now, now, tuple(notes)))
        self.ringing = True
        self._spot(pieces, now, offset)

    def _spot(self, pieces: list[tuple[int, str]], now: Fraction | None, offset: int) -> None:
        """Note where the strings of the last stroke are written."""
        again = self.text[offset] in AGAIN  # what it stands for is written elsewhere
        for (start, piece), note in zip(pieces, self.strokes[-1].notes, strict=True):
            if now is not None and piece != "-":
                at, long = (offset, 1) if again else (offset + start, len(piece))
                self.spots.append((now, note.string, at, at + long))

    def _stop(self, now: Fraction) -> None:
        self.strokes[-1] = replace(self.strokes[-1], end=now)
        self.ringing = False

    def _go_on(self, pieces: list[tuple[int, str]], now: Fraction | None) -> None:
        if not self.ringing:
            raise SpellingError(
                f'"{pieces[0][1]}" goes on from a ringing note, but none is ringing here; '
                + _picked(pieces[0][1])
            )
        stroke = self.strokes[-1]
        if len(pieces) != len(stroke.notes):
            raise SpellingError(
                f"strings ringing: {len(stroke.notes)}; write one part for each, "
                "joined by +, with - for a string that rings on"
            )
        notes = []
        for (start, piece), note in zip(pieces, stroke.notes, strict=True):
            if piece == "-":
                notes.append(note)
                continue
            if note.fret is None:
                raise SpellingError("a muted string has no pitch to go on from", start)
            moves, rest = read_moves(piece, start, note)
            if rest != len(piece):
                raise SpellingError(
                    f'"{piece[rest:]}": marks belong to the picked note', start + rest
                )
            if moves[0].technique.motion == "preset":
                raise SpellingError(PRE_BEND, start)
            moves = (replace(moves[0], at=now), *moves[1:])
            notes.append(replace(note, moves=note.moves + moves))
        self.strokes[-1] = replace(stroke, notes=tuple(notes))


def _pieces(word: str) -> list[tuple[int, str]]:
    pieces = []
    start = 0
    for piece in word.split("+"):
        if not piece:
            raise SpellingError(f'"{word}": + joins two places, as G5+B5', start)
        pieces.append((start, piece))
        start += len(piece) + 1
    return pieces


def _picked(piece: str) -> str:
    """Return the hint for a `piece` that has no note to go on from."""
    if re.fullmatch(r"b\d+", piece):
        return f'did you mean the string "B{piece[1:]}"?'
    return "pick a note first, such as e8"


def write_line(
    strokes: tuple[Stroke, ...], bars: int, beats: int = 4, like: Part | None = None
) -> str:
    """Return the canonical text of strokes; `read_line` turns it back into the same ones.

    Bars that a part has as well, on the same place, are written ``=`` where that is given.
    """
    texts = _texts(strokes, bars, beats)
    other = _texts(like.strokes, like.bars, beats) if like else []
    found = []
    for n, text in enumerate(texts):
        whole = " " in text[3:]  # more than one count
        if whole and n > 1 and text == texts[n - 1]:
            text = "%"
        elif whole and text == "".join(other[n : n + 1]):
            text = "="
        found.append(text)
    return " | ".join(found).strip()


def _texts(strokes: tuple[Stroke, ...], bars: int, beats: int) -> list[str]:
    """Return the texts of the pickup and of each bar."""
    things: dict[Fraction, str] = {}
    for number, stroke in enumerate(strokes):
        things[stroke.at] = "+".join(write_note(note) for note in stroke.notes)
        for at in sorted({m.at for note in stroke.notes for m in note.moves if m.at is not None}):
            things[at] = "+".join(write_moves(note, at) or "-" for note in stroke.notes)
        following = strokes[number + 1].at if number + 1 < len(strokes) else bars * beats
        if stroke.end < following:
            things[stroke.end] = "."
    texts = []
    for bar in range(-1, bars):
        start = Fraction(bar * beats)
        words = _write_bar({at - start: t for at, t in things.items() if 0 <= at - start < beats})
        if not words and bar >= 0:
            rings = any(s.at < start < s.end for s in strokes)
            words = ["1 -" if rings else "1 ."]
        texts.append(" ".join(words))
    return texts


def _write_bar(things: dict[Fraction, str]) -> list[str]:
    words = []
    last = 0
    for at in sorted(things):
        beat = int(at) + 1
        words.append(f"{count_word(beat, at % 1, last)} {things[at]}")
        last = beat
    return words
