"""The line language: text to strokes and back.

A line alternates counts and places, bars are parted by ``|``, and what stands before the
first ``|`` is the pickup: ``4 G5/7 & B6 | 1 e8b(full)~ 3 .``  A place is a string and a fret
with techniques and marks; ``+`` joins a double stop, ``.`` rests, ``-`` lets the note ring on.
What begins with a technique goes on without a new pick. `LANGUAGE.md` beside this module says it
all.

`read_line` collects every problem with its offset into the text, and `write_line` gives the
canonical text: reading it back returns the same strokes.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from fractions import Fraction

from phrases.counting import count_word, parse_count
from phrases.errors import BluesError
from phrases.fretboard import LAST_FRET, STRINGS
from phrases.phrase import Move, Note, Stroke, bend_cents
from phrases.techniques import BEND_SIZES, LATEST, MARKS, SLIDES, TECHNIQUES, Technique
from phrases.techniques import mark as find_mark
from phrases.words import expected

__all__ = ["MOST_BARS", "Line", "read_line", "write_line"]

MOST_BARS = 64
LONGEST = 20_000

_TOKEN = re.compile(r"\||(?:\{[^}|]*\}|\([^)|]*\)|[^\s|])+")
_COUNT = re.compile(r"\d*(?:e|trip|&|let|a|\+\d+/\d+)?")
_PLACE = re.compile(r"([A-Za-z])(\d{1,3}|x)?")
_LIKE_A_PLACE = re.compile(r"[/\\]?[A-Za-z](\d|x)|(tr|[/\\hpb~r]+)(\d|\(|$)|-\+")
_MARKS = re.compile(r"\{([^}]*)\}$")
_PRE_BEND = "a pre-bend comes before the pick; write it first: e8pb(full)"
_SIGNS = sorted(TECHNIQUES, key=len, reverse=True)
_INTO = re.compile(r"[/\\](?=[A-Za-z](\d|x|$))")
_MARK_WORD = re.compile(r"\d+ms|[1-4]|[^\s\d]+|\d+")


@dataclass(slots=True)
class Line:
    """What a text says.

    Attributes
    ----------
    strokes
        In order of time, in beats from bar one.
    bars
        Bars after the pickup.
    problems
        Pairs of an offset into the text and a message.
    """

    strokes: tuple[Stroke, ...] = ()
    bars: int = 0
    problems: list[tuple[int, str]] = field(default_factory=list)


class _Error(BluesError):
    def __init__(self, message: str, offset: int = 0) -> None:
        super().__init__(message)
        self.offset = offset


def read_line(text: str, beats: int = 4) -> Line:
    """Read a line of counts and places.

    Parameters
    ----------
    text
        The line; white space, also line breaks, parts the words.
    beats
        Beats in a bar.
    """
    if len(text) > LONGEST:
        problem = f"{len(text)} characters: a line has at most {LONGEST}; make more parts of it"
        return Line(problems=[(0, problem)])
    return _Reader(text, beats).read()


class _Reader:
    def __init__(self, text: str, beats: int) -> None:
        self.text = text
        self.beats = beats
        self.strokes: list[Stroke] = []
        self.ringing = False
        self.problems: list[tuple[int, str]] = []
        self.bar = -1
        self.beat = 0
        self.last = Fraction(-beats - 1)
        self.counted = False
        self.count: tuple[int, str] | None = None
        self.now: Fraction | None = None

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
            if word == "|":
                self._bar_line(offset)
            elif self.count is None:
                self._take_count(offset, word)
            else:
                self._take_thing(offset, word)
        self._lone_count()
        bars = self.bar + 1
        if bars > MOST_BARS:
            self._wrong(0, f"{bars} bars: a part has at most {MOST_BARS}")
        end = Fraction(bars * self.beats)
        if self.ringing:
            self.strokes[-1] = replace(self.strokes[-1], end=end)
        if not self.strokes and not self.problems:
            self._wrong(0, "there is no note in this line; write at least one, such as 1 e8")
        return Line(tuple(self.strokes), bars, self.problems)

    def _wrong(self, offset: int, message: str) -> None:
        self.problems.append((offset, message))

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
        self.counted = False
        self.bar += 1
        self.beat = 0
        self.last = Fraction(self.bar * self.beats) - 1

    def _take_count(self, offset: int, word: str) -> None:
        if not _COUNT.fullmatch(word) and (_LIKE_A_PLACE.match(word) or word in (".", "-")):
            hint = "write when it comes, as in 2 " + word
            if _is_sign(word) and self.strokes:
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
        else:
            self.last = self.now = now

    def _take_thing(self, offset: int, word: str) -> None:
        assert self.count is not None
        if _COUNT.fullmatch(word) and word not in STRINGS:
            self._lone_count()
            self._take_count(offset, word)
            return
        self.count = None
        try:
            self._thing(word)
        except _Error as error:
            self._wrong(offset + error.offset, str(error))

    def _thing(self, word: str) -> None:
        now = self.now
        if word in (".", "-"):
            if word == "." and self.ringing and now is not None:
                self._stop(now)
            elif word == "-" and not self.ringing:
                raise _Error(
                    '"-" lets a note ring on, but none is ringing here; write . for a rest'
                )
            return
        turned = re.fullmatch(r"(\d{1,2}|x)([EADGBe])", word)
        if turned:
            raise _Error(f'"{word}": the string comes first: {turned[2]}{turned[1]}')
        pieces = _pieces(word)
        goes_on = [
            piece == "-" or _is_sign(piece) or not (_PLACE.match(piece) or _INTO.match(piece))
            for _, piece in pieces
        ]
        if all(goes_on):
            self._go_on(pieces, now)
            return
        notes: list[Note] = []
        for start, piece in pieces:
            note = _read_note(piece, start)
            if note.string in [other.string for other in notes]:
                raise _Error(
                    f"two notes at once on the {note.string} string; it sounds one", start
                )
            notes.append(note)
        if now is None:
            return
        if self.ringing:
            self._stop(now)
        self.strokes.append(Stroke(now, now, tuple(notes)))
        self.ringing = True

    def _stop(self, now: Fraction) -> None:
        self.strokes[-1] = replace(self.strokes[-1], end=now)
        self.ringing = False

    def _go_on(self, pieces: list[tuple[int, str]], now: Fraction | None) -> None:
        if not self.ringing:
            raise _Error(
                f'"{pieces[0][1]}" goes on from a ringing note, but none is ringing here; '
                + _picked(pieces[0][1])
            )
        stroke = self.strokes[-1]
        if len(pieces) != len(stroke.notes):
            raise _Error(
                f"strings ringing: {len(stroke.notes)}; write one part for each, "
                "joined by +, with - for a string that rings on"
            )
        notes = []
        for (start, piece), note in zip(pieces, stroke.notes, strict=True):
            if piece == "-":
                notes.append(note)
                continue
            if note.fret is None:
                raise _Error("a muted string has no pitch to go on from", start)
            moves, rest = _read_moves(piece, start, note)
            if rest != len(piece):
                raise _Error(f'"{piece[rest:]}": marks belong to the picked note', start + rest)
            if moves[0].sign == "pb":
                raise _Error(_PRE_BEND, start)
            moves = (replace(moves[0], at=now), *moves[1:])
            notes.append(replace(note, moves=note.moves + moves))
        self.strokes[-1] = replace(stroke, notes=tuple(notes))


def _pieces(word: str) -> list[tuple[int, str]]:
    pieces = []
    start = 0
    for piece in word.split("+"):
        if not piece:
            raise _Error(f'"{word}": + joins two places, as G5+B5', start)
        pieces.append((start, piece))
        start += len(piece) + 1
    return pieces


def _is_sign(piece: str) -> bool:
    """Tell ``p8``, ``h7``, ``b10``, ``r`` and ``pb(full)`` from a place such as ``/e8``."""
    return not _INTO.match(piece) and any(piece.startswith(sign) for sign in _SIGNS)


def _picked(piece: str) -> str:
    """Return the hint for a `piece` that has no note to go on from."""
    if re.fullmatch(r"b\d+", piece):
        return f'did you mean the string "B{piece[1:]}"?'
    return "pick a note first, such as e8"


def _read_note(piece: str, start: int) -> Note:
    into = piece[0] if _INTO.match(piece) else ""
    if into:
        piece, start = piece[1:], start + 1
    found = _PLACE.match(piece)
    if found is None or _is_sign(piece):
        raise _Error(f'"{piece}" goes on without a pick; a double stop is picked as one', start)
    string, fret_text = found[1], found[2]
    if string not in STRINGS:
        raise _Error(
            f'"{string}" is not a string; the strings are {" ".join(STRINGS)} '
            f"(e is the high one): {_other_case(string)}{piece[1:]}?",
            start,
        )
    if fret_text is None:
        raise _Error(f'"{piece}": expected a fret after string {string}, such as {string}8', start)
    fret = None if fret_text == "x" else _fret(fret_text, start + 1)
    note = Note(string, fret)
    at = found.end()
    moves, end = _read_moves(piece[at:], start + at, note)
    at += end
    marks = _read_marks(piece[at:], start + at)
    if fret is None and (moves or into):
        raise _Error("a muted string x has no pitch to move", start + found.end())
    beyond = fret == (1 if into == "/" else LAST_FRET)
    if into and (fret == 0 or beyond or (moves and moves[0].sign == "pb")):
        what = "an open string" if fret == 0 else f"fret {fret}" if beyond else "a pre-bent note"
        raise _Error(f"there is no {SLIDES[into]} to {what}", start - 1)
    return replace(note, moves=moves, marks=marks, into=into)


def _other_case(string: str) -> str:
    swapped = string.swapcase()
    return swapped if swapped in STRINGS else "e"


def _fret(text: str, offset: int) -> int:
    fret = int(text)
    if fret > LAST_FRET:
        raise _Error(f"fret {fret}: the neck has frets 0 to {LAST_FRET}", offset)
    return fret


def _read_moves(text: str, start: int, note: Note) -> tuple[tuple[Move, ...], int]:
    """Read techniques up to the marks; return them and where they end."""
    moves: list[Move] = []
    at = 0
    while at < len(text) and text[at] != "{":
        sign = next((s for s in _SIGNS if text.startswith(s, at)), None)
        if sign is None:
            names = " ".join(TECHNIQUES)
            raise _Error(f'"{text[at:]}": expected a technique, one of {names}', start + at)
        move, width = _read_move(sign, text[at + len(sign) :], start + at)
        _check_move(move, replace(note, moves=note.moves + tuple(moves)), start + at)
        moves.append(move)
        at += len(sign) + width
    return tuple(moves), at


def _read_move(sign: str, rest: str, offset: int) -> tuple[Move, int]:
    technique = TECHNIQUES[sign]
    digits = re.match(r"\d{1,3}", rest)
    if technique.takes in ("fret", "slide", "bend") and digits:
        return Move(sign, _fret(digits[0], offset + len(sign))), digits.end()
    bracket = re.match(r"\(([^)]*)\)", rest)
    if technique.takes in ("bend", "release") and bracket:
        if bracket[1] not in BEND_SIZES:
            raise _Error(expected("a bend size", bracket[1], BEND_SIZES), offset + len(sign) + 1)
        return Move(sign, size=bracket[1]), bracket.end()
    if technique.takes == "bend":
        raise _Error(
            f'"{sign}": expected a size in brackets or a fret after the bend: {sign}(full)', offset
        )
    if technique.takes == "fret":
        raise _Error(f'"{sign}": expected a fret after the {technique.name}: {sign}7', offset)
    return Move(sign), 0


def _check_move(move: Move, note: Note, offset: int) -> None:
    """Refuse what no hand can do: a release of nothing, a slide up to a lower fret."""
    fret, bent = note.fret, 0
    for done in note.moves:
        if done.sign in ("b", "pb", "r"):
            bent = bend_cents(done, fret or 0)
        elif done.fret is not None and done.sign != "tr":
            fret = done.fret
        elif TECHNIQUES[done.sign].takes == "slide":
            raise _Error("a slide to nowhere ends the note; nothing comes after it", offset)
    technique = TECHNIQUES[move.sign]
    if move.sign == "r" and not bent:
        raise _Error('"r" releases a bend, but the string is not bent here', offset)
    if move.sign == "r" and move.size is not None and BEND_SIZES[move.size] >= bent:
        raise _Error(f'"r({move.size})" must be less than the bend it releases', offset)
    if technique.takes in ("fret", "slide") and bent:
        raise _Error(f"a {technique.name} from a bent string; release it first with r", offset)
    if move.sign == "pb" and note.moves:
        raise _Error(_PRE_BEND, offset)
    if technique.takes == "bend" and fret == 0:
        raise _Error("an open string cannot be bent; bend from a fret", offset)
    if technique.motion == "frets" and 0 in (fret, move.fret):
        raise _Error("a slide neither starts nor ends on an open string; write h or p", offset)
    last = LAST_FRET if technique.way > 0 else 1
    if technique.takes == "slide" and move.fret is None and fret == last:
        raise _Error(f"there is no {technique.name} from fret {fret} to nowhere", offset)
    if technique.takes == "bend" and bent and bend_cents(move, fret or 0) <= bent:
        raise _Error("the string is bent that far already; r releases it", offset)
    if move.fret is None or fret is None:
        return
    if (move.fret - fret) * technique.way <= 0:
        way = "up" if technique.way > 0 else "down"
        other = next((sign for sign, t in TECHNIQUES.items() if _opposite(technique, t)), None)
        hint = f'; did you mean "{other}{move.fret}"?' if other and move.fret != fret else ""
        raise _Error(
            f"a {technique.name} from fret {fret} goes {way}, not to fret {move.fret}{hint}",
            offset,
        )
    if move.sign in ("b", "pb") and move.fret - fret > 3:
        raise _Error(
            f"a bend from fret {fret} to the pitch of fret {move.fret}: "
            "a string bends up to 3 frets' worth",
            offset,
        )


def _opposite(one: Technique, other: Technique) -> bool:
    """Tell a slide down from a slide up, and a pull-off from a hammer-on."""
    return (
        one.takes == other.takes
        and one.takes in ("fret", "slide")
        and one.motion == other.motion
        and (one.way == -other.way)
    )


def _read_marks(text: str, start: int) -> tuple[str, ...]:
    if not text:
        return ()
    found = _MARKS.match(text)
    if found is None:
        hint = (
            "write all marks in one pair of braces, parted by spaces"
            if "}{" in text
            else ("expected marks in braces, such as {d3} or {late}")
        )
        raise _Error(f'"{text}": {hint}', start)
    marks: list[str] = []
    kinds: dict[str, str] = {}
    for word in _MARK_WORD.findall(found[1]):
        for name in list(word) if word and set(word) <= {"d", "u"} else [word]:
            what = find_mark(name)
            if what is None and name.endswith("ms"):
                raise _Error(f'"{name}": a note is 1 to {LATEST} ms late', start + 1)
            if what is None:
                raise _Error(expected("a mark", name, [*MARKS, "45ms"]), start + 1)
            if what.kind in kinds:
                clash = kinds[what.kind]
                raise _Error(f'marks "{clash}" and "{name}" exclude each other', start + 1)
            name = what.name if what.kind == "time" and name.endswith("ms") else name
            kinds[what.kind] = name
            marks.append(name)
    order = [*MARKS]
    return tuple(sorted(marks, key=lambda name: order.index(name) if name in order else 99))


def write_line(strokes: tuple[Stroke, ...], bars: int, beats: int = 4) -> str:
    """Return the canonical text of strokes; `read_line` turns it back into the same ones."""
    things: dict[Fraction, str] = {}
    for number, stroke in enumerate(strokes):
        things[stroke.at] = "+".join(_write_note(note) for note in stroke.notes)
        for at in sorted({m.at for note in stroke.notes for m in note.moves if m.at is not None}):
            things[at] = "+".join(_write_moves(note, at) or "-" for note in stroke.notes)
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
    return " | ".join(texts).strip()


def _write_bar(things: dict[Fraction, str]) -> list[str]:
    words = []
    last = 0
    for at in sorted(things):
        beat = int(at) + 1
        words.append(f"{count_word(beat, at % 1, last)} {things[at]}")
        last = beat
    return words


def _write_move(move: Move) -> str:
    if move.size is not None:
        return f"{move.sign}({move.size})"
    return move.sign + ("" if move.fret is None else str(move.fret))


def _write_note(note: Note) -> str:
    fret = "x" if note.fret is None else str(note.fret)
    moves = []
    for move in note.moves:
        if move.at is not None:
            break
        moves.append(_write_move(move))
    text = note.into + note.string + fret + "".join(moves)
    if not note.marks:
        return text
    short = "".join(mark for mark in note.marks if len(mark) == 1)
    words = ([short] if short else []) + [mark for mark in note.marks if len(mark) > 1]
    return f"{text}{{{' '.join(words)}}}"


def _write_moves(note: Note, at: Fraction) -> str:
    """Return what goes on from beat `at`, with what follows it at once."""
    words = []
    taking = False
    for move in note.moves:
        if move.at is not None:
            taking = move.at == at
        if taking:
            words.append(_write_move(move))
    return "".join(words)
