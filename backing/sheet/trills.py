"""Trills: the sign with its wave, and the note that is trilled with.

Conventions: as in `backing.sheet.tab`. References: common practice: the accidental of the upper
note stands beside the sign where the key or the bar says otherwise; an upper note further than the
next step is a small head in brackets beside the main one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from backing.sheet import ink
from backing.sheet.columns import Column
from backing.sheet.ink import Ink
from backing.sheet.mei import Engraving, Node, alterations
from backing.sheet.score import Score, Spelling, spell
from backing.sheet.staff import System
from phrases.pitch import LETTERS, NATURAL, Key

__all__ = ["trill_signs", "upper_heads"]

NEXT = 2  # semitones to the next step, at most
SIGNS = {0: "natural", 1: "sharp", -1: "flat"}
SIGN, SMALL = 0.6, 0.7  # sizes of an accidental beside ``tr``, and of a head in brackets
LEDGER = 0.25  # how far a ledger line reaches beyond its head
SHORTEST = 1.2  # of a wave
STEP, FURTHEST = 0.1, 3.0


def _upper(node: Node, key: Key) -> tuple[Spelling, bool] | None:
    """Return the note a head is trilled with, and whether it is the next step."""
    frets = [move.fret for move in node.head.moves if move.technique.motion == "flutter"]
    if not node.first or not frets or frets[-1] is None:
        return None
    pitch = node.head.pitch + frets[-1] - (node.head.fret or 0)
    main = node.head.spelling
    place = LETTERS.index(main.step) + 1
    letter, octave = LETTERS[place % 7], main.octave + place // 7
    alter = pitch - NATURAL[letter] - 12 * (octave + 1)
    if pitch - node.head.pitch > NEXT or abs(alter) > 1:
        return spell(pitch, key), False
    return Spelling(letter, alter, octave), True


def _sign(score: Score, made: Engraving, event: tuple[int, int], upper: Spelling) -> str:
    """Return the accidental that an upper note needs, as the key and the bar so far have it."""
    bar, number = event
    before = [
        node.spelling.alter
        for columns in made.nodes[bar][: number + 1]
        for column in columns
        for node in column
        if (node.spelling.step, node.spelling.octave) == (upper.step, upper.octave)
    ]
    usual = [alterations(score.key).get(upper.step, 0), *before]
    return "" if all(one == upper.alter for one in usual) else SIGNS[upper.alter]


def _lasting(made: Engraving) -> dict[str, str]:
    """Return the head that is trilled for each head on which its trill goes on."""
    nodes = {n.name: n for bar in made.nodes for event in bar for column in event for n in column}
    found: dict[str, str] = {}
    for join in made.joins:
        motions = {move.technique.motion for move in nodes[join.end].head.moves}
        if join.sign == "tie" and not {"flutter", "sway"} & motions:
            start = nodes[join.start].head.moves
            if join.start in found or any(move.technique.motion == "flutter" for move in start):
                found[join.end] = found.get(join.start, join.start)
    return found


def trill_signs(
    score: Score, made: Engraving, every: Sequence[Column], *, accidentals: bool
) -> Iterator[Ink]:
    """Yield ``tr`` and the wave of each trill, or the wave that goes on from the system before.

    `accidentals` says whether the upper note's stands beside the sign, which a tab does not need.
    """
    lasting = _lasting(made)
    ends: dict[str, float] = {}
    for column in every:
        for node in column.nodes:
            ends[lasting.get(node.name, node.name)] = column.until - 0.3
    begun: set[str] = set()
    for column in every:
        for node in column.nodes:
            upper = _upper(node, score.key)
            name = lasting.get(node.name, node.name)
            if upper is not None:
                begun.add(name)
                sign = (
                    _sign(score, made, column.event, upper[0]) if accidentals and upper[1] else ""
                )
                yield _trill(column.x, sign, ends[name], node.name)
            elif node.name in lasting and name not in begun:
                begun.add(name)
                yield ink.wave("trill", column.x - 0.4, ends[name], owner=node.name)


def _trill(x: float, sign: str, right: float, owner: str) -> Ink:
    """Return ``tr``, an accidental and a wave as one, so that they stay on one line."""
    parts = [ink.music("trill", "trill", x, 0.0)]
    middle = (parts[0].box.top + parts[0].box.bottom) / 2
    if sign:
        one = ink.music("trill", sign, 0.0, 0.0, SIGN).level(middle)
        parts.append(one.moved(parts[0].box.right + 0.2 - one.box.left, 0.0))
    left = parts[-1].box.right + 0.2
    if right - left > SHORTEST:
        parts.append(ink.wave("trill", left, right).moved(0.0, middle))
    return ink.joined("trill", parts, owner)


def upper_heads(score: Score, made: Engraving, system: System) -> None:
    """Draw the upper notes of trills that are wider than a step, in brackets, in place."""
    for bar in sorted(system.bars):
        for number, columns in enumerate(made.nodes[bar]):
            for node in (node for column in columns for node in column):
                upper = _upper(node, score.key)
                if upper is None or upper[1]:
                    continue
                head = system.heads[node.name]
                y = (head.top + head.bottom) / 2 - _steps(node.head.spelling, upper[0]) / 2
                small = _small(y, _sign(score, made, (bar, number), upper[0]), node.name)
                small = small.moved(head.right + 0.3 - small.box.left, 0.0)
                # Several grace notes get a beam in place of their flags, which keeps clear itself.
                beamed = node.small and len(columns) > 2
                near = _near(system, node, flagged=not beamed)
                # As far right as it needs to be.
                clear = ink.cleared(small, near, (STEP, 0.0), FURTHEST, 0.1)
                system.inks.append(clear or small)


def _steps(main: Spelling, upper: Spelling) -> int:
    """Return how many places of the staff an upper note lies over a main one."""
    return LETTERS.index(upper.step) - LETTERS.index(main.step) + 7 * (upper.octave - main.octave)


def _small(y: float, sign: str, owner: str) -> Ink:
    """Return a small head in brackets with its accidental and ledger lines."""
    head = ink.music("ghost", "head", 0.0, y, SMALL)
    inside = [head]
    lines = range(-1, round(y - 0.5), -1) if y < 0 else range(5, round(y + 0.5))
    left, right = head.box.left - LEDGER, head.box.right + LEDGER
    inside += [ink.line("ghost", (left, line, right, line), 0.11) for line in lines]
    if sign:
        one = ink.music("ghost", sign, 0.0, y, SMALL)
        inside.append(one.moved(left - 0.1 - one.box.right if lines else -0.6 - one.box.right, 0))
    around = ink.around(part.box for part in inside)
    return ink.joined(
        "ghost", [*inside, *ink.brackets(around.left, around.right, y, SMALL, 0.1)], owner
    )


def _near(system: System, node: Node, *, flagged: bool) -> list[Ink]:
    """Return heads, dots, stem and accidentals of a chord, which a small head keeps clear of."""
    event = node.name.split("n")[0]
    kinds = ("notehead", "dots", "stem", "accid", *(("flag",) if flagged else ()))
    own = [one for one in system.inks if one.kind in kinds]
    return [one for one in own if one.owner == event or one.owner[: len(event) + 1] in
            (event + "n", event + "g")]  # fmt: skip
