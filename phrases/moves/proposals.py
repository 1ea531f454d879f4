"""Proposals of variations: what the moves make, kept where it is worth a student's time.

Kept is what can be written and read again, what a hand can play at its tempo, what is in the scale
or leans where it did, whose call asks and whose response answers as before, and what is not too
like the phrase, its variations or another proposal.

References: how like two phrases are is one less their overlap over their union (Jaccard 1912,
New Phytologist 11(2)) of what is heard in them; what counts how much is this project's own.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from random import Random

from phrases.check import Ending, Report, check
from phrases.errors import Problem, RangeError, TextFileError
from phrases.files import MOST_VARIATIONS, load_phrase, read_phrase
from phrases.moves import COUNT, SEED
from phrases.moves.subject import MisfitError, Subject, own_scale, pitch_classes, tonic_chord
from phrases.moves.table import MOVES, VaryingMove
from phrases.notation import read_line, write_line
from phrases.phrase import LEVELS, Phrase, part_names
from phrases.roles import Row, aims, chord_roles
from phrases.typed import Typed
from phrases.words import choose

__all__ = ["LEAST", "Proposal", "appended", "as_written", "distance", "propose", "vary", "written"]

LEAST = 0.03  # how different a proposal is at least, from 0 to 1
SHORTEST = 2  # notes of a phrase that is varied
TRIES = 4  # with other chances, before a move is given up
ROOM = 0.08  # seconds for each fret of a shift, unless the phrase has less itself
AT_A_BEAT = Fraction(1)  # within which what leans is resolved
# How much each thing that is heard counts: when a note comes, how high, how it is played, how long
# it rings; and double at the end of a part, which is what an ear keeps.
WEIGHTS = {"when": 2, "pitch": 3, "how": 4, "where": 1, "until": 1, "told": 8}


@dataclass(frozen=True, slots=True)
class Proposal:
    """A variation of a phrase."""

    move: str  # a key of `phrases.moves.table.MOVES`
    name: str  # what the variation is called
    words: str  # what was done, where, and why it still asks and answers
    phrase: Phrase  # the varied phrase
    distance: float  # how different it is from the phrase, from 0 (the same) to 1
    text: str  # its `[[variation]]` in a phrase file


def distance(one: Phrase, other: Phrase) -> float:
    """Return how different two phrases with the same parts are, from 0 (the same) to 1."""
    here, there = _heard(one), _heard(other)
    union = (here | there).total()
    return 1 - (here & there).total() / union if union else 0.0


def _heard(phrase: Phrase) -> Counter[object]:
    """Return all that is heard of a phrase, each thing with how much it counts."""
    found: Counter[object] = Counter()

    def add(kind: str, *facts: object, times: int = 1) -> None:
        found[kind, *facts] += times * WEIGHTS[kind]

    for number, part in enumerate(phrase.parts):
        add("told", number, part.dynamics)
        for stroke in part.strokes:
            times = 2 if stroke is part.strokes[-1] else 1
            add("when", number, stroke.at, times=times)
            add("until", number, stroke.at, stroke.end, times=times)
            for note in stroke.notes:
                add("where", number, stroke.at, note.string, note.fret)
                for aim in aims(note, stroke.at):
                    add("pitch", number, aim.at, aim.pitch, times=times)
                for word in (*note.marks, note.into, *map(str, note.moves)):
                    if word:
                        add("how", number, stroke.at, word)
    add("told", phrase.tempo)
    add("told", "behind", phrase.behind)
    return found


def propose(
    phrase: Phrase,
    *,
    moves: Sequence[str] = (),
    count: int = COUNT,
    level: str = "",
    seed: int = SEED,
) -> list[Proposal]:
    """Return variations of a phrase; the same seed proposes the same ones.

    `moves` are names of `phrases.moves.table.MOVES`, in the order in which they are tried; all of
    them, in an order that the seed draws, if left out. `count` is how many at most. `level` is one
    of `phrases.phrase.LEVELS`: ``easy`` takes moves that ask no more of a hand, of a phrase that
    is first made easier where it is not easy; ``hard`` those that ask more.

    Raises `ChoiceError` for a move or a level that there is not, with the nearest one;
    `RangeError` if none of the moves that were asked for fits, with what they need and those that
    fit, or if the phrase is too short.
    """
    for name in moves:
        choose("a move", name, MOVES)
    if level:
        choose("a level", level, LEVELS)
    names = list(dict.fromkeys(moves)) or Random(f"order {seed}").sample(list(MOVES), len(MOVES))
    work = _Work(phrase, level, seed)
    pitched = sum(spot.pitch is not None for spot in work.subject.spots)
    if pitched < SHORTEST:
        has = "one note" if pitched else "no note with a pitch"
        raise RangeError(
            f'"{phrase.title}" has {has}; a phrase that is varied has {SHORTEST} at least'
        )
    names = [name for name in names if work.may(MOVES[name])]
    found: list[Proposal] = []
    left, again = names, 0
    while left and len(found) < count and again < count:
        made = []
        for name in left:
            if len(found) < count and (one := work.proposal(MOVES[name], again)):
                found.append(one)
                made.append(name)
        left, again = made, again + 1
    if not found:
        raise RangeError(_what_fits(phrase, level, seed, moves))
    return found


def _what_fits(phrase: Phrase, level: str, seed: int, moves: Sequence[str]) -> str:
    """Return the message for moves that do not fit, with those that do."""
    work = _Work(phrase, level, seed)
    fit = [move.name for move in MOVES.values() if work.may(move) and work.proposal(move, 0)]
    told = f"these fit: {', '.join(fit)}" if fit else "no move fits"
    told += f" at the level {level}" if level else ""
    if not moves:
        return f'"{phrase.title}": {told}'
    needs = "; ".join(f"{name} needs {MOVES[name].needs}" for name in dict.fromkeys(moves))
    return f'"{phrase.title}": {needs}; {told}'


class _Work:
    """A phrase being varied, with the proposals made so far."""

    def __init__(self, phrase: Phrase, level: str, seed: int) -> None:
        self.phrase, self.level, self.seed = phrase, level, seed
        self.base = phrase
        if level == "easy" and phrase.level != "easy":
            try:
                made = MOVES["easier"].make(Subject(phrase), Random(seed))
                self.base = replace(phrase, parts=made.parts, tempo=made.tempo)
            except MisfitError:
                pass
        self.subject = Subject(self.base)
        self.scale = own_scale(phrase) | pitch_classes(phrase)
        self.report = _looked_over(self.base)
        self.known = [phrase, *(other for _, other in phrase.variations)]
        self.names = {name for name, _ in phrase.variations}

    def may(self, move: VaryingMove) -> bool:
        """Tell whether a move is of the level that is wanted."""
        if self.level == "hard":
            return move.harder > 0
        return not (self.level == "easy" and move.harder > 0)

    def proposal(self, move: VaryingMove, again: int) -> Proposal | None:
        """Try a move on the phrase; return a valid result that differs enough, or None."""
        for attempt in range(TRIES):
            chance = Random(f"{self.seed} {move.name} {again} {attempt}")
            try:
                made = as_written(move.make(self.subject, chance))
            except MisfitError:
                continue
            made = replace(made, level=self._level(move))
            nearest = min(distance(made, one) for one in self.known)
            if nearest < LEAST or not (report := self._kept(made, move)):
                continue
            self.known.append(made)
            name = self._name(move.name)
            far = distance(made, self.phrase)
            words = _words(self.phrase, made, move, report)
            made = replace(made, title=f"{self.phrase.title}, {name}")
            return Proposal(
                move.name, name, words, made, far, written(self.phrase, made, name, words)
            )
        return None

    def _level(self, move: VaryingMove) -> str:
        """Return the level of what a move makes, where it is another."""
        if not self.phrase.level or not self.level:
            step = {"easier": -1, "harder": 1}.get(move.name, 0)
            if not self.phrase.level or not step:
                return self.phrase.level
            return LEVELS[min(2, max(0, LEVELS.index(self.phrase.level) + step))]
        return self.level

    def _name(self, move: str) -> str:
        plain = move.replace("-", " ")
        tried = [plain, *(f"{plain} {n}" for n in range(2, MOST_VARIATIONS + 2))]
        name = next(one for one in tried if one not in self.names)
        self.names.add(name)
        return name

    def _kept(self, made: Phrase, move: VaryingMove) -> Report | None:
        """Check a variation; return the report, or None where it is not good enough."""
        before, after = self.report, _looked_over(made, move.chord)
        if (before.playable and not after.playable) or _pace(after) < min(ROOM, _pace(before)):
            return None
        for weight in ("cannot", "hard", "note"):
            count = [sum(c.weight == weight for c in one.cautions) for one in (before, after)]
            if count[1] > count[0] + (weight == "hard" and move.harder > 0):
                return None
        strict = bool(move.chord[1])
        ends = zip(before.endings, after.endings, strict=False)
        if len(before.endings) != len(after.endings):
            return None
        if not all(_talks(new) or (not strict and not _talks(old)) for old, new in ends):
            return None
        return after if self._in_scale(after.rows) else None

    def _in_scale(self, rows: Sequence[Row]) -> bool:
        """Tell whether each pitch is in the scale, or leans on one that comes at once."""
        heard = [row for row in rows if row.pitch is not None]
        return all(
            row.pitch % 1
            or int(row.pitch) % 12 in self.scale
            or any(
                later.pitch == row.pitch + 1
                and 0 <= later.at - row.at <= AT_A_BEAT
                and later.part == row.part
                for later in heard[n + 1 : n + 2]
            )
            for n, row in enumerate(heard)
            if row.pitch is not None
        )


def _pace(report: Report) -> float:
    """Return the seconds for each fret of the tightest shift."""
    return ROOM if report.tightest is None else report.tightest.each


def _talks(ending: Ending) -> bool:
    """Tell whether a call asks, a response answers; a line may do either."""
    if ending.part.startswith("call"):
        return ending.asks
    return ending.home or not ending.part.startswith("response")


def _looked_over(phrase: Phrase, chord: tuple[int, tuple[str, ...]] = (0, ())) -> Report:
    """Check a phrase over one chord, its scale left out."""
    by, members = chord
    root = (phrase.key.pitch_class + by) % 12
    roles = chord_roles(root, members) if members else tonic_chord(phrase)
    # From the pickup on, as the chords of a form are given.
    return check(
        replace(phrase, scale="", tips=()), [(Fraction(-phrase.meter.beats), root, roles)]
    )


def as_written(phrase: Phrase) -> Phrase:
    """Write a phrase and read it back; raises `MisfitError` where that changes its bars."""
    beats = phrase.meter.beats
    parts = []
    for part in phrase.parts:
        line = read_line(write_line(part.strokes, part.bars, beats), beats)
        if line.problems or line.bars != part.bars:
            raise MisfitError
        parts.append(phrase.strung(replace(part, strokes=line.strokes)))
    for before, part in pairwise(parts):
        last = before.strokes[-1].at - before.bars * beats
        if part.pickup and last >= -part.pickup:
            raise MisfitError
    return replace(phrase, parts=tuple(parts))


def _words(before: Phrase, after: Phrase, move: VaryingMove, report: Report) -> str:
    """Describe a move: where it changed the phrase, and why the end still answers."""
    names = part_names([part.role for part in before.parts])
    where = []
    for name, old, new in zip(names, before.parts, after.parts, strict=True):
        changed = {*old.strokes} ^ {*new.strokes}
        bars = sorted({int(stroke.at // before.meter.beats) + 1 for stroke in changed})
        if bars and (len(bars) < old.bars + bool(old.pickup) or len(before.parts) > 1):
            told = ["its pickup" if bar == 0 else f"bar {bar}" for bar in bars]
            where.append(f"{name}, {' and '.join(told)}")
    place = f" ({'; '.join(where)})" if where and len(where) < 3 else ""
    return f"{move.words[:-1]}{place}. {_why(report, over=bool(move.chord[1]))}".strip()


def _why(report: Report, *, over: bool) -> str:
    told = []
    for end in report.endings:
        degree = f"the {end.degree}" + (f" (the chord's {end.role})" if over else "")
        if end.part.startswith("call") and end.asks:
            told.append(f"the {end.part} stops on {degree} and asks")
        elif end.part.startswith("response") and end.home:
            told.append(f"the {end.part} comes home to {degree}")
        else:
            told.append(f"the {end.part} ends on {degree}")
    text = ", ".join(told)
    return f"{text[:1].upper()}{text[1:]}." if text else ""


def written(before: Phrase, after: Phrase, name: str, words: str) -> str:
    """Return a variation as it stands in a phrase file."""
    rows = ["[[variation]]", f'name  = "{name}"']
    if after.level and after.level != before.level:
        rows.append(f'level = "{after.level}"')
    if after.tempo != before.tempo:
        rows.append(f"tempo = {float(after.tempo):g}")
    if after.behind != before.behind:
        rows.append('behind = "auto"' if after.behind is None else f"behind = {after.behind}")
    rows.append(f'tips  = "{words}"')
    for old, new in zip(before.parts, after.parts, strict=True):
        if old != new:
            rows += ["", "[[variation.part]]", f'role  = "{new.role}"']
            rows.append(f"notes = '{write_line(new.strokes, new.bars, after.meter.beats, old)}'")
            rows += [f"drag  = {float(new.drag):g}"] if new.drag else []
            rows += [f'dynamics = "{new.dynamics}"'] if new.dynamics else []
    return "\n".join(rows) + "\n"


def appended(text: str, proposals: Sequence[Proposal], name: str = "phrase") -> str:
    """Return the text of a phrase file with variations behind what it has.

    What stands there is not touched: a TOML text may be followed by further tables of an array.
    Raises `TextFileError` if the file writes its variations in brackets, behind which there can be
    no more.
    """
    end = "\r\n" if "\r\n" in text else "\n"
    gap = "" if text.endswith("\n") or not text else end
    more = "\n" + "\n".join(one.text for one in proposals)
    new = text + gap + more.replace("\n", end)
    try:
        read_phrase(new, name)
    except TextFileError as error:
        read_phrase(text, name)  # says what was wrong before
        if not error.problems[0].message.startswith("not valid TOML"):
            raise  # there are too many
        problem = Problem(
            "variations cannot be added to this file; write those that it has under [[variation]]"
        )
        raise TextFileError(name, (problem,)) from None
    return new


def vary(
    source: str | Path,
    *,
    moves: Sequence[str] = (),
    count: int = COUNT,
    level: str = "",
    seed: int = SEED,
) -> list[Proposal]:
    """Return variations of the phrase that a path, a shipped name or a text of a file means.

    Parameters
    ----------
    source
        A path, a name, a `phrases.typed.Typed`, or the text of a phrase file, which has a line
        break in it.

    The rest, and what is raised, is as for `propose`; what is wrong in the file is a
    `TextFileError`.
    """
    whole = isinstance(source, str) and not isinstance(source, Typed) and "\n" in source
    phrase = read_phrase(str(source)) if whole else load_phrase(source)
    return propose(phrase, moves=moves, count=count, level=level, seed=seed)
