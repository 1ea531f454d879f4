"""Phrase files: a TOML file to a `Phrase`, checked strictly; and the phrases that ship."""

from __future__ import annotations

import os
import re
from collections.abc import Collection, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import accumulate, pairwise
from pathlib import Path
from typing import Any

from phrases.counting import METERS, parse_count, parse_swing
from phrases.credits import CREDIT_KEYS, read_credits
from phrases.errors import Problem, RangeError, TextFileError
from phrases.fretboard import parse_tuning
from phrases.kinds import PHRASE, missing_file, offers
from phrases.notation import MOST_BARS, read_line
from phrases.phrase import (
    DYNAMICS,
    LATEST,
    LEVELS,
    MOST_DRAG,
    PICKS,
    ROLES,
    SLIDES_ON,
    TONES,
    Part,
    Phrase,
    Tip,
    part_names,
)
from phrases.pitch import SCALES, Key, parse_key
from phrases.shelf import Shelf, is_path
from phrases.textfile import TextFile, Where, blank
from phrases.typed import Typed
from phrases.words import choose, expected, short

__all__ = [
    "LINES", "TEMPOS", "check_tempo", "find_phrase", "load_phrase", "read_phrase", "shipped",
]  # fmt: skip

LINES = ("every", "first", "outer")
TEMPOS = (30, 240)
GROOVE = "a groove"  # what a phrase asks for by name; whoever has grooves declares them
LIBRARY = Shelf(Path(__file__).parent / "library", "a shipped phrase or a file")

PHRASE_KEYS = (
    "title", "key", "scale", "groove", "tempo", "meter", "tuning", "slide", "swing",
    "lines", "behind", "tone", "pick", "level", "tags", "tips", "part", "tip", "variation",
    *CREDIT_KEYS,
)  # fmt: skip
PART_KEYS = ("role", "notes", "drag", "dynamics")
TIP_KEYS = ("at", "text")
MOST_VARIATIONS = 64

Common = dict[str, Any]
# What a variation may restate, besides its parts, and what holds where a phrase says nothing.
RESTATED: Common = {
    "tempo": None, "groove": "shuffle", "swing": "", "lines": "every", "behind": 0, "tone": "",
    "pick": "", "level": "", "tips": "",
}  # fmt: skip
# Those of it that are one of some words.
CHOSEN: dict[str, tuple[str, Collection[str]]] = {
    "lines": ("a choice of lines", LINES),
    "tone": ("a tone", TONES),
    "pick": ("a place to pick", PICKS),
    "level": ("a level", LEVELS),
}


def check_tempo(tempo: Fraction | float | int) -> Fraction:
    """Return a tempo in felt beats a minute exactly; raises `RangeError` outside 30 to 240."""
    low, high = TEMPOS
    if not low <= tempo <= high:
        shown = "so large" if tempo >= 10**9 else str(tempo)
        raise RangeError(f"tempo {shown}: it must lie from {low} to {high} felt beats a minute")
    return Fraction(str(tempo)) if isinstance(tempo, float) else Fraction(tempo)


def shipped() -> dict[str, Path]:
    """Return the phrases that ship, by name."""
    return {name: LIBRARY.find(name) for name in LIBRARY.names()}


def find_phrase(name: str) -> Path:
    """Return the file that a path or the name of a shipped phrase means.

    Raises `TextFileError` if there is no such file or phrase.
    """
    path = Path(name)
    if isinstance(name, Typed):
        return path
    known = shipped()
    # A folder is told of when it is read. Path's own raise where a name is too long.
    exists = os.path.exists(name)  # noqa: PTH110
    if name in known and not exists:
        return known[name]
    if path.suffix or exists or "/" in name:
        return path
    message = expected("a shipped phrase or a file", name, known, offers(path, PHRASE))
    raise TextFileError(name, (Problem(message),))


def load_phrase(name: str | Path, grooves: Collection[str] = ()) -> Phrase:
    """Read a phrase from a path, or a shipped phrase by its name.

    Parameters
    ----------
    name
        The path or the name, or a `phrases.typed.Typed`.
    grooves
        The names a phrase's groove may have, besides a path; any where it is left out.

    Raises
    ------
    TextFileError
        With every problem of the file at its line and column.
    """
    if isinstance(name, Typed):
        try:
            return _build(TextFile(name.text, str(name), PHRASE), grooves)
        except TextFileError as error:
            raise name.located(error) from None
    path = find_phrase(str(name))
    return _build(TextFile.open(path, PHRASE), grooves)


def read_phrase(text: str, name: str = "phrase") -> Phrase:
    """Read a phrase from the text of a phrase file; `name` stands in messages.

    Raises
    ------
    TextFileError
        With every problem at its line and column.
    """
    return _build(TextFile(text, name, PHRASE), ())


def _build(file: TextFile, grooves: Collection[str]) -> Phrase:
    file.known_keys((), PHRASE_KEYS)
    title = file.get(("title",), str, ...)
    if isinstance(title, str) and "title" in file.data and blank(title):
        file.complain(("title",), 'the title is empty; name the phrase: title = "Porch light"')
    key = _parsed(file, ("key",), parse_key, ...)
    meter = METERS[_word(file, ("meter",), "a meter", METERS, "4/4")]
    scale = _word(file, ("scale",), "a scale", SCALES, "")
    slide = _word(file, ("slide",), "a finger that wears a slide", SLIDES_ON, "")
    tuning = _parsed(file, ("tuning",), _checked_tuning, "") or ""
    credits = read_credits(file)
    tags = file.get(("tags",), list, [])
    if not all(isinstance(tag, str) for tag in tags):
        file.complain(("tags",), 'tags are words in quotes: tags = ["bends", "ending"]')
    if "tempo" not in file.data and not file.misspelt(("tempo",)):
        file.complain((), '"tempo" is missing')
    common = _restated(file, (), grooves, RESTATED)
    paths = file.tables("part")
    if file.data.get("part", []) == [] and not file.misspelt(("part",)):
        file.complain((), "there is no [[part]]; a phrase has at least one, with its notes")
    parts: list[Part | None] = []
    for path in paths:
        parts.append(_part(file, path, meter.beats, like=parts[-1:]))
    _check_parts(file, paths, parts, meter.beats)
    tips = [_tip(file, path, parts, meter.beats) for path in file.tables("tip")]
    whole = [Tip(common["tips"])] if common["tips"] else []
    tables = file.tables("variation")
    if len(tables) > MOST_VARIATIONS:
        file.complain(
            tables[MOST_VARIATIONS],
            f"{len(tables)} variations: a phrase has at most {MOST_VARIATIONS}; begin a new file",
        )
    varied = [
        _variation(file, where, grooves, common, parts, meter.beats)
        for where in tables[:MOST_VARIATIONS]
    ]
    names = [name for name, _, _ in varied]
    for number, name in enumerate(names):
        if name and name in names[:number]:
            file.complain(("variation", number, "name"), f'"{name}" is the name of two variations')
    file.finish()
    assert isinstance(key, Key)
    strings = parse_tuning(tuning or "standard")

    def phrase(common: Common, parts: Sequence[Part | None], tips: Sequence[Tip]) -> Phrase:
        placed = tuple(part.strung(strings, SLIDES_ON.get(slide, 0)) for part in parts if part)
        return Phrase(
            title=title, key=key, parts=placed, scale=scale, meter=meter, tuning=tuning,
            slide=slide, tags=tuple(tags), credits=credits,
            **common | {"tips": tuple(tips)},
        )  # fmt: skip

    base = phrase(common, parts, [*whole, *(tip for tip in tips if tip)])
    variations = []
    for name, own, new in varied:
        told = [Tip(own["tips"])] if own["tips"] else []
        variations.append((name, replace(phrase(own, new, told), title=f"{title}, {name}")))
    return replace(base, variations=tuple(variations))


def _restated(file: TextFile, where: Where, grooves: Collection[str], before: Common) -> Common:
    """Return the values of a table for `RESTATED`, and earlier ones where it has none."""
    now = dict(before)
    if file.get((*where, "groove"), str) is not None:
        now["groove"] = _groove(file, (*where, "groove"), grooves)
    tempo = file.get((*where, "tempo"), (int, float))
    if tempo is not None:
        now["tempo"] = file.attempt((*where, "tempo"), check_tempo, tempo)
    now["swing"] = _parsed(file, (*where, "swing"), _checked_swing, before["swing"])
    now["behind"] = _behind(file, (*where, "behind"), before["behind"])
    for name, (what, words) in CHOSEN.items():
        now[name] = _word(file, (*where, name), what, words, before[name])
    now["tips"] = file.get((*where, "tips"), str, "" if where else before["tips"])
    return now


def _groove(file: TextFile, where: Where, grooves: Collection[str]) -> str:
    """Return a groove's name, or the path of its file, which is named from the phrase's folder."""
    groove = file.get(where, str)
    beside = Path(file.name).parent / groove
    if is_path(groove):
        # Path.is_file raises where a name is too long.
        if grooves and not os.path.isfile(beside):  # noqa: PTH113
            file.complain(where, f"{short(groove)}: {missing_file(beside, GROOVE)}")
        return os.path.join(Path(file.name).parent, groove)  # noqa: PTH118  keeps a leading ./
    if grooves and groove not in grooves:
        file.complain(where, expected(GROOVE, groove, grooves, offers(beside, GROOVE)))
    return str(groove)


def _behind(file: TextFile, where: Where, before: int | None) -> int | None:
    value = file.get(where, (int, str))
    if value is None or value == "auto":
        return before if value is None else None
    if isinstance(value, str) or not 0 <= value <= LATEST:
        file.complain(where, f'write the milliseconds behind the beat, 0 to {LATEST}, or "auto"')
        return before
    milliseconds: int = value
    return milliseconds


def _parsed(file: TextFile, where: Where, read: Any, default: Any) -> Any:
    text = file.get(where, str, default)
    if text is None or text is not file.table(where[:-1]).get(str(where[-1])):
        return text  # it is not there, or not a text that may be read
    return file.attempt(where, read, text)


def _word(file: TextFile, where: Where, what: str, choices: Collection[str], default: str) -> str:
    return _parsed(file, where, lambda word: choose(what, word, choices), default) or default


def _checked_swing(text: str) -> str:
    parse_swing(text)
    return text


def _checked_tuning(text: str) -> str:
    return text if any(parse_tuning(text).values()) else ""


def _part(
    file: TextFile, where: Where, beats: int, role: str = "line", like: Sequence[Part | None] = ()
) -> Part | None:
    """Read a part; `like` has the one whose bars ``=`` stands for, None where it has mistakes."""
    file.known_keys(where, PART_KEYS)
    role = _word(file, (*where, "role"), "a role", ROLES, role)
    drag = file.get((*where, "drag"), (int, float), 0)
    if not 0 <= drag <= MOST_DRAG:
        shown = "drag" if abs(drag) >= 10**9 else f"drag {drag}"
        file.complain((*where, "drag"), f"{shown}: it must be 0 to {MOST_DRAG} beats")
        drag = 0
    notes = file.get((*where, "notes"), str, ...)
    if notes is None:
        return None
    line = read_line(notes, beats, *like, broken=None in like)
    for offset, message in line.problems:
        file.complain((*where, "notes"), message, offset=offset)
    dynamics = _word(file, (*where, "dynamics"), "a word for dynamics", DYNAMICS, "")
    if line.problems or not line.strokes:
        return None
    return Part(role, line.bars, line.strokes, Fraction(str(drag)), dynamics)


def _variation(
    file: TextFile,
    where: Where,
    grooves: Collection[str],
    common: Common,
    parts: Sequence[Part | None],
    beats: int,
) -> tuple[str, Common, list[Part | None]]:
    """Read a variation: its name, and what it makes of what is common and of the parts."""
    file.known_keys(where, ("name", *RESTATED, "part"))
    name = file.get((*where, "name"), str, ...) or ""
    own = _restated(file, where, grooves, common)
    new = list(parts)
    paths: list[Where] = [("part", number) for number in range(len(parts))]
    roles = [part.role if part else None for part in parts]
    for path in file.tables(*where, "part"):
        only = roles[0] if len(roles) == 1 and roles[0] else "line"
        own_role = file.table(path).get("role", only)
        like = [parts[roles.index(own_role)] if own_role in roles else None]
        part = _part(file, path, beats, only, like)
        if part is None:
            continue
        if part.role not in roles:
            if None not in roles:  # else the part it stands for is broken itself
                known = list(dict.fromkeys(part.role for part in parts if part))
                what = "a part of this phrase that is left"
                file.complain((*path, "role"), expected(what, part.role, known))
            continue
        number = roles.index(part.role)
        new[number], paths[number] = part, path
        roles[number] = f"{part.role}, done"  # the next of this role is the next one
    if new != list(parts):
        _check_parts(file, paths, new, beats)
    return name, own, new


def _tip(file: TextFile, where: Where, parts: Sequence[Part | None], beats: int) -> Tip | None:
    """Read a tip for a place: a role, a bar (0 is the pickup) and a count."""
    file.known_keys(where, TIP_KEYS)
    text = file.get((*where, "text"), str, ...)
    at = file.get((*where, "at"), str, ...)
    if text is None or at is None:
        return None
    if None in parts:
        return None
    names = part_names([part.role for part in parts if part])
    found = re.fullmatch(r"(.+?) +(\d{1,2}) +(\S+)", at.strip())
    name = " ".join(found[1].split()) if found else ""
    known = {part.role: n for n, part in reversed(list(enumerate(parts))) if part}
    known.update(zip(names, range(len(names)), strict=True))
    if not found or name not in known:
        listed = " or ".join(dict.fromkeys(names))
        file.complain(
            (*where, "at"), f'"{at}": write a part, a bar and a count: "{listed} 1 3&"; '
            "bar 0 is the pickup"
        )  # fmt: skip
        return None
    number = known[name]
    part = parts[number]
    assert part is not None
    counted = file.attempt((*where, "at"), parse_count, found[3], 0, beats)
    if counted is None:
        return None
    place = Fraction((int(found[2]) - 1) * beats + counted[0] - 1) + counted[1]
    played = {stroke.at for stroke in part.strokes}
    played |= {m.at for s in part.strokes for n in s.notes for m in n.moves if m.at is not None}
    if place not in played:
        file.complain((*where, "at"), f'"{at}": the {name} has no note there')
        return None
    return Tip(text, number, place)


def _check_parts(
    file: TextFile, paths: Sequence[Where], parts: Sequence[Part | None], beats: int
) -> None:
    """Refuse more bars than a phrase may have, and a pickup that starts too early.

    That is while the part before it still plays; it may cut a ringing note short.
    """
    bars = list(accumulate(part.bars if part else 0 for part in parts))
    if bars and bars[-1] > MOST_BARS:
        number = next(number for number, after in enumerate(bars) if after > MOST_BARS)
        file.complain(
            (*paths[number], "notes"),
            f"a phrase has at most {MOST_BARS} bars, and this would make it {bars[number]}; "
            "make another phrase of what is left",
        )
        return
    for number, (before, part) in enumerate(pairwise(parts), start=1):
        if before is None or part is None:
            continue
        last = max(stroke.at for stroke in before.strokes) - before.bars * beats
        if part.pickup and last >= -part.pickup:
            file.complain(
                (*paths[number], "notes"),
                f"this {part.role}'s pickup starts while the {before.role} before it still plays; "
                "end that one earlier or shorten the pickup",
            )
