"""Fingers that a teacher's tips name, against those that the sheet has.

Conventions: a tip speaks of the stroke at its place and of those after it in the same bar. Names
are ``first finger`` to ``fourth finger``; also ``index``, ``middle``, ``ring`` and ``little``.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from fractions import Fraction

from phrases.counting import count_word
from phrases.fretboard import STRINGS
from phrases.hands import Grip, held
from phrases.phrase import Part, Phrase, Stroke, Tip, part_names

__all__ = ["contradictions"]

NAMES = {
    "first": 1, "second": 2, "third": 3, "fourth": 4,
    "index": 1, "middle": 2, "ring": 3, "little": 4,
}  # fmt: skip
ORDINALS = ("", "first", "second", "third", "fourth")
_NAME = "|".join(NAMES)
_SAID = re.compile(
    rf"\b((?:{_NAME})(?:(?:, and |, | and | or )(?:{_NAME}))*) fingers?\b"
    r"(?: on the ([EADGBe]) string)?",
    re.I,
)


def contradictions(phrase: Phrase) -> Iterator[tuple[str, str]]:
    """Yield each place where a tip names a finger that the sheet has not, and what is wrong."""
    names = part_names([part.role for part in phrase.parts])
    every = held(phrase)
    for tip in phrase.tips:
        if tip.part is None or tip.at is None:
            text = _whole(tip, [grip for grips in every for grip in grips])
            if text:
                yield "tips", text
            continue
        part, grips = phrase.parts[tip.part], every[tip.part]
        beats = phrase.meter.beats
        bar, beat = divmod(tip.at, beats)
        text = _placed(tip.text, part, grips, tip.at, Fraction((bar + 1) * beats))
        if text:
            count = count_word(int(beat) + 1, beat % 1, 0)
            yield f"{names[tip.part]} {int(bar) + 1} {count}", text


def _said(text: str) -> Iterator[tuple[int, int, str]]:
    """Yield each finger that a text names, where it is named, and on which string."""
    for found in _SAID.finditer(text):
        for name in re.findall(_NAME, found[1], re.I):
            yield NAMES[name.lower()], found.start(), found[2] or ""


def _whole(tip: Tip, grips: list[Grip]) -> str:
    missing = [
        finger for finger, _, _ in _said(tip.text) if all(finger not in g.used for g in grips)
    ]
    return (
        f"they name the {ORDINALS[missing[0]]} finger, which the sheet never has"
        if missing
        else ""
    )


def _behind(stroke: Stroke, grip: Grip) -> Iterator[int]:
    """Yield the fingers that may help to bend."""
    for note, finger in zip(stroke.notes, grip.fingers, strict=True):
        if any(move.technique.takes == "bend" for move in note.moves):
            yield from range(1, finger)


def _placed(text: str, part: Part, grips: list[Grip], at: Fraction, until: Fraction) -> str:
    """Return the mistake in the fingers that a tip names at a beat."""
    here = max((n for n, stroke in enumerate(part.strokes) if stroke.at <= at), default=0)
    near = [n for n, s in enumerate(part.strokes) if n >= here and (s.at < until or n == here)]
    for finger, start, string in _said(text):
        # What a tip begins with it says of its own place.
        where = near[:1] if not start or string else near
        on = [
            own
            for n in where
            for note, own in zip(part.strokes[n].notes, grips[n].fingers, strict=True)
            if note.string == string
        ]
        there = on if string in STRINGS else [own for n in where for own in sorted(grips[n].used)]
        if start and not string:
            there += [own for n in where for own in _behind(part.strokes[n], grips[n])]
        if finger not in there:
            has = (
                " and ".join(ORDINALS[own] for own in dict.fromkeys(filter(None, there))) or "none"
            )
            return (
                f"the tip says {ORDINALS[finger]} finger, the sheet has {has}; write the finger "
                f"behind the note, {{{finger}}}, or put the tip otherwise"
            )
    return ""
