"""One place of the line language: text to a note and back.

Conventions: an offset counts characters into the word of the line that the place stands in.
`LANGUAGE.md` beside this module says what is written, and what is refused since no hand can do it.
"""

from __future__ import annotations

import re
from dataclasses import replace
from fractions import Fraction

from phrases.errors import BluesError
from phrases.fretboard import LAST_FRET, STRINGS
from phrases.phrase import Move, StringNote, bend_cents
from phrases.techniques import (
    BEND_SIZES,
    HARMONICS,
    LATEST,
    LONGEST,
    MARKS,
    PICKLESS,
    RATES,
    SLIDES,
    TECHNIQUES,
    Technique,
)
from phrases.techniques import mark as find_mark
from phrases.words import expected

__all__ = [
    "PRE_BEND", "SpellingError", "is_place", "is_sign", "read_moves", "read_note", "spelled_moves",
    "write_moves", "write_note",
]  # fmt: skip

# How else bends are called, by the number of whole steps.
STEPS = {
    **dict.fromkeys(("1", "1/1", "2/2", "1.0", "whole", "tone"), "full"),
    **dict.fromkeys(("0.5", ".5", "2/4", "\N{VULGAR FRACTION ONE HALF}", "half"), "1/2"),
    **dict.fromkeys(("0.25", ".25", "\N{VULGAR FRACTION ONE QUARTER}", "quarter"), "1/4"),
    **dict.fromkeys(("1.5", "1 1/2", "1+1/2", "1\N{VULGAR FRACTION ONE HALF}"), "3/2"),
}
SIZES = "the sizes are in whole steps: " + ", ".join(
    f"{size} ({cents / 100:g} {'fret' if cents <= 100 else 'frets'})"
    for size, cents in BEND_SIZES.items()
)
HARMONIC = (
    "a natural harmonic is touched, not pressed: at fret "
    + ", ".join(map(str, HARMONICS)) + ", without bends and slides"
)  # fmt: skip
PRE_BEND = "a pre-bend comes before the pick; write it first: e8pb(full)"
_PLACE = re.compile(r"([A-Za-z])(\d{1,3}|x)?")
_INTO = re.compile(r"[/\\](?=[A-Za-z](\d|x|$))")
_SIGNS = sorted(TECHNIQUES, key=len, reverse=True)
_MARKS = re.compile(r"\{([^}]*)\}$")
_MARK_WORD = re.compile(r"\d+ms|[1-4]|[^\s\d]+|\d+")


class SpellingError(BluesError):
    """A note that cannot be read or played; `offset` is where in the text."""

    def __init__(self, message: str, offset: int = 0) -> None:
        super().__init__(message)
        self.offset = offset


def is_place(piece: str) -> bool:
    """Tell whether a text begins as a place does, ``G5`` or ``/e8``, or as a sign of a letter."""
    return bool(_PLACE.match(piece) or _INTO.match(piece))


def is_sign(piece: str) -> bool:
    """Tell ``p8``, ``h7``, ``b10``, ``r`` and ``pb(full)`` from a place such as ``/e8``."""
    return not _INTO.match(piece) and any(piece.startswith(sign) for sign in _SIGNS)


def read_note(piece: str, start: int) -> StringNote:
    """Read a string, a fret, techniques and marks; the text stands at an offset.

    Raises `SpellingError` if it is no place, or no hand can play it.
    """
    into = piece[0] if _INTO.match(piece) else ""
    if into:
        piece, start = piece[1:], start + 1
    found = _PLACE.match(piece)
    if found is None or is_sign(piece):
        raise SpellingError(
            f'"{piece}" goes on without a pick; a double stop is picked as one', start
        )
    string, fret_text = found[1], found[2]
    if piece in ("x", "X"):
        raise SpellingError(f'"{piece}": a muted string is written with its letter: Gx', start)
    if string not in STRINGS:
        raise SpellingError(
            f'"{string}" is not a string; the strings are {" ".join(STRINGS)} '
            f"(e is the high one): {_other_case(string)}{piece[1:]}?",
            start,
        )
    if fret_text is None:
        raise SpellingError(
            f'"{piece}": expected a fret after string {string}, such as {string}8', start
        )
    fret = None if fret_text == "x" else _fret(fret_text, start + 1)
    note = StringNote(string, fret)
    at = found.end()
    moves, end = read_moves(piece[at:], start + at, note)
    at += end
    marks = _read_marks(piece[at:], start + at)
    if "harmonic" in marks and (fret not in HARMONICS or into or any(map(_presses, moves))):
        raise SpellingError(HARMONIC, start + found.end())
    if fret is None and (moves or into):
        raise SpellingError("a muted string x has no pitch to move", start + found.end())
    beyond = fret == (1 if into == "/" else LAST_FRET)
    if into and (fret == 0 or beyond or (moves and moves[0].technique.motion == "preset")):
        what = "an open string" if fret == 0 else f"fret {fret}" if beyond else "a pre-bent note"
        raise SpellingError(f"there is no {SLIDES[into]} to {what}", start - 1)
    return replace(note, moves=moves, marks=marks, into=into)


def _presses(move: Move) -> bool:
    return move.fret is not None or bool(move.technique.bending) or move.technique.takes == "slide"


def _other_case(string: str) -> str:
    swapped = string.swapcase()
    return swapped if swapped in STRINGS else "e"


def _fret(text: str, offset: int) -> int:
    fret = int(text)
    if fret > LAST_FRET:
        raise SpellingError(f"fret {fret}: the neck has frets 0 to {LAST_FRET}", offset)
    return fret


def read_moves(text: str, start: int, note: StringNote) -> tuple[tuple[Move, ...], int]:
    """Read what follows on a note, up to the marks; return it and how long its text is.

    Raises `SpellingError` if it is no technique, or no hand can go on so from the note.
    """
    moves: list[Move] = []
    at = 0
    while at < len(text) and text[at] != "{":
        sign = next((s for s in _SIGNS if text.startswith(s, at)), None)
        if sign is None:
            names = " ".join(TECHNIQUES)
            raise SpellingError(f'"{text[at:]}": expected a technique, one of {names}', start + at)
        bare = re.match(r"(\d/\d)(?!\d)", text[at + len(sign) :])
        if TECHNIQUES[sign].takes == "bend" and bare and bare[1] in BEND_SIZES:
            raise SpellingError(
                f'"{sign}{bare[1]}": a size stands in brackets: {sign}({bare[1]})', start + at
            )
        move, width = _read_move(sign, text[at + len(sign) :], start + at)
        _check_move(move, replace(note, moves=note.moves + tuple(moves)), start + at)
        moves.append(move)
        at += len(sign) + width
    return tuple(moves), at


def _read_move(sign: str, rest: str, offset: int) -> tuple[Move, int]:
    technique = TECHNIQUES[sign]
    move, at = Move(sign), 0
    digits = re.match(r"\d{1,3}", rest)
    if technique.takes in ("fret", "slide", "bend") and digits:
        move = Move(sign, _fret(digits[0], offset + len(sign)))
        at = digits.end()
    bracket = re.match(r"\(([^)]*)\)", rest[at:])
    if bracket and technique.brackets:
        move = _bracketed(move, bracket[1], offset + len(sign) + at + 1)
        at += bracket.end()
    if technique.takes == "bend" and move.fret is None and move.size is None:
        raise SpellingError(
            f'"{sign}": expected the fret to whose pitch it bends, as {sign}10, or a size in '
            f"brackets: {sign}(full)",
            offset,
        )
    if technique.takes == "fret" and move.fret is None:
        raise SpellingError(
            f'"{sign}": expected a fret after the {technique.name}: {sign}7', offset
        )
    return move, at


def _bracketed(move: Move, text: str, offset: int) -> Move:
    """Read what stands in brackets: a size, how long it takes, how fast and how it grows."""
    technique = move.technique
    words = text.split()
    if not words:
        raise SpellingError(f'"{move}()": {_may_be(technique)}', offset)
    while words:
        word = words.pop(0)
        what = "size"
        if word == "over":
            what, word = word, f"over {words.pop(0) if words else ''}".strip()
        elif word == "grows":
            what = word
        elif word.endswith("/s"):
            what = "rate"
        if what not in technique.brackets:
            raise SpellingError(f'"{word}": {_may_be(technique)}', offset)
        if what == "size" and move.fret is not None:
            raise SpellingError(f'"{word}": the fret behind {move.sign} is its size', offset)
        if getattr(move, what):
            raise SpellingError(f'"{text}" says two things of one kind', offset)
        if what == "size":
            if word not in technique.sizes:
                raise SpellingError(_no_size(technique, word), offset)
            move = replace(move, size=word)
        elif what == "grows":
            move = replace(move, grows=True)
        else:
            number = _number(word.removeprefix("over").removesuffix("/s").strip())
            low, high = RATES if what == "rate" else (0, LONGEST)
            if number is None or not (low <= number <= high) or not number:
                told = (
                    f"{low} to {high} times a second, as in 6/s"
                    if what == "rate"
                    else f"over how many beats, up to {high}: over 1/2"
                )
                raise SpellingError(f'"{word}": write {told}', offset)
            move = replace(move, rate=number) if what == "rate" else replace(move, over=number)
    return move


def _number(text: str) -> Fraction | None:
    found = re.fullmatch(r"\d{1,2}(/\d{1,2}|\.\d{1,2})?", text)
    return Fraction(text) if found and not text.endswith(("/0", "/00")) else None


def _may_be(technique: Technique) -> str:
    words = {
        "size": " or ".join(technique.sizes), "over": "over 1/2", "rate": "6/s", "grows": "grows"
    }  # fmt: skip
    return f"in brackets behind a {technique.name} may stand: " + ", ".join(
        words[one] for one in technique.brackets
    )


def spelled_moves(text: str) -> list[Move]:
    """Return techniques as they are written one behind the other; what is none is left out."""
    moves, at = [], 0
    while at < len(text):
        sign = next((s for s in _SIGNS if text.startswith(s, at)), None)
        width = 1
        if sign is not None:
            try:
                move, width = _read_move(sign, text[at + len(sign) :], at)
                moves.append(move)
                width += len(sign)
            except SpellingError:
                width = len(sign)
        at += width
    return moves


def _no_size(technique: Technique, size: str) -> str:
    """Return the message for a wrong size; of a number only an equal one is offered."""
    what = "a bend size" if technique.bending else f"a {technique.name} size"
    meant = STEPS.get(size.strip().lower())
    if technique.sizes is not BEND_SIZES or (meant is None and not re.search(r"\d", size)):
        return expected(what, size, technique.sizes)
    near = f"{technique.sign}10 bends to the pitch of fret 10"
    hint = f'did you mean "{meant}"?' if meant else f"{SIZES}; {near}"
    return f'"{size}" is not {what}; {hint}'


def _check_move(move: Move, note: StringNote, offset: int) -> None:
    """Refuse what no hand can do: a release of nothing, a slide up to a lower fret."""
    fret, bent = note.fret, 0
    for done in note.moves:
        if done.technique.bending:
            bent = bend_cents(done, fret or 0)
        elif done.technique.lands and done.fret is not None:
            fret = done.fret
        elif done.technique.takes == "slide":
            raise SpellingError("a slide to nowhere ends the note; nothing comes after it", offset)
    technique = move.technique
    if "harmonic" in note.marks and _presses(move):
        raise SpellingError(HARMONIC, offset)
    if technique.takes == "release" and not bent:
        raise SpellingError(
            f'"{move.sign}" releases a bend, but the string is not bent here', offset
        )
    if technique.takes == "release" and move.size and BEND_SIZES[move.size] >= bent:
        raise SpellingError(f'"{move}" must be less than the bend it releases', offset)
    if technique.takes in ("fret", "slide") and bent:
        raise SpellingError(
            f"a {technique.name} from a bent string; release it first with r", offset
        )
    if technique.motion == "preset" and note.moves:
        raise SpellingError(PRE_BEND, offset)
    if technique.takes == "bend" and fret == 0:
        raise SpellingError("an open string cannot be bent; bend from a fret", offset)
    if technique.motion == "frets" and 0 in (fret, move.fret):
        raise SpellingError(
            "a slide neither starts nor ends on an open string; write h or p", offset
        )
    last = LAST_FRET if technique.way > 0 else 1
    if technique.takes == "slide" and move.fret is None and fret == last:
        raise SpellingError(f"there is no {technique.name} from fret {fret} to nowhere", offset)
    if technique.takes == "bend" and bent and bend_cents(move, fret or 0) <= bent:
        raise SpellingError("the string is bent that far already; r releases it", offset)
    if move.fret is None or fret is None:
        return
    if (move.fret - fret) * technique.way <= 0:
        way = "up" if technique.way > 0 else "down"
        back = (technique.motion, -technique.way)  # a pull-off for a hammer-on
        ways = (sign for sign, t in TECHNIQUES.items() if t.lands and (t.motion, t.way) == back)
        other = next(ways, None)
        hint = f'; did you mean "{other}{move.fret}"?' if other and move.fret != fret else ""
        if technique.takes == "bend":
            size = STEPS.get(str(move.fret), "1/2")
            hint = f"; the number is a fret: write {move.sign}({size}) for a size"
        raise SpellingError(
            f"a {technique.name} from fret {fret} goes {way}, not to fret {move.fret}{hint}",
            offset,
        )
    if technique.takes == "bend" and move.fret - fret > 3:
        raise SpellingError(
            f"a bend from fret {fret} to the pitch of fret {move.fret}: "
            "a string bends up to 3 frets' worth",
            offset,
        )


def _read_marks(text: str, start: int) -> tuple[str, ...]:
    if not text:
        return ()
    found = _MARKS.match(text)
    if found is None:
        raise SpellingError(_unmarked(text), start)
    marks: list[str] = []
    kinds: dict[str, str] = {}
    for word in _MARK_WORD.findall(found[1]):
        for name in list(word) if word and set(word) <= {"d", "u"} else [word]:
            what = find_mark(name)
            if what is None and name.endswith("ms"):
                raise SpellingError(f'"{name}": a note is 1 to {LATEST} ms late', start + 1)
            if what is None:
                raise SpellingError(expected("a mark", name, [*MARKS, "45ms"]), start + 1)
            clash = kinds.get(what.kind)
            if clash is None and name in PICKLESS:
                clash = kinds.get("stroke")
            if clash is None and what.kind == "stroke":
                clash = next((one for one in marks if one in PICKLESS), None)
            if clash:
                raise SpellingError(f'marks "{clash}" and "{name}" exclude each other', start + 1)
            name = what.name if what.kind == "time" and name.endswith("ms") else name
            kinds[what.kind] = name
            marks.append(name)
    order = [*MARKS]
    return tuple(sorted(marks, key=lambda name: order.index(name) if name in order else 99))


def _unmarked(text: str) -> str:
    """Return the message for a text that is no pair of braces."""
    if "}{" in text:
        return f'"{text}": write all marks in one pair of braces, parted by spaces'
    behind = re.fullmatch(r"(\{[^{}]*\})(.+)", text)
    if behind:
        hint = f": {behind[2]}{behind[1]}" if is_sign(behind[2]) else ""
        return f'"{behind[2]}" stands behind the marks; marks come last{hint}'
    if text.startswith("{") and "}" not in text:
        return f'"{text}": the brace is not closed; write {text}}}'
    return f'"{text}": expected marks in braces, such as {{d3}} or {{late}}'


def write_note(note: StringNote) -> str:
    """Return the canonical text of a note, without what comes on a later count."""
    fret = "x" if note.fret is None else str(note.fret)
    moves = []
    for move in note.moves:
        if move.at is not None:
            break
        moves.append(str(move))
    text = note.into + note.string + fret + "".join(moves)
    if not note.marks:
        return text
    short = "".join(mark for mark in note.marks if len(mark) == 1)
    words = ([short] if short else []) + [mark for mark in note.marks if len(mark) > 1]
    return f"{text}{{{' '.join(words)}}}"


def write_moves(note: StringNote, at: Fraction) -> str:
    """Return the signs of the moves at beat `at`, with those that follow at once."""
    words = []
    taking = False
    for move in note.moves:
        if move.at is not None:
            taking = move.at == at
        if taking:
            words.append(str(move))
    return "".join(words)
