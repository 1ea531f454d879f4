"""Random pages as dense as the language allows, each from a fixed seed."""

from __future__ import annotations

import random
from collections.abc import Iterator
from fractions import Fraction

from backing.sheet.layout import Picture, Style, pictures
from backing.sheet.writing import write
from phrases.errors import BluesError
from phrases.files import read_phrase
from phrases.hands import suggest
from phrases.phrase import Phrase

__all__ = ["CHORDS", "page", "phrase"]

CHORDS = [
    (0, Fraction(0), "F#m7b5"),
    (0, Fraction(2), "B13"),
    (1, Fraction(0), "C#7#9"),
]
KEYS = ("C", "A", "Eb", "F#", "B", "Db", "G# minor", "F minor", "E")
# The narrowest line that is printed, that of A4 and that of Letter.
WIDTHS = (79.0, 101.0, 104.0)
BEATS = {
    "4/4": (
        (5, ("", "e", "&", "a")),
        (2, ("", "trip", "let")),
        (2, ("", "&")),
        (1, ("", "+1/6", "trip", "&", "let", "+5/6")),
        (1, ("", "e", "+3/8", "&", "a", "+7/8")),
        (1, ("",)),
    ),
    "12/8": (
        (5, ("", "trip", "let")),
        (3, ("", "+1/6", "trip", "&", "let", "+5/6")),
        (1, ("", "e", "&", "a")),
        (1, ("",)),
    ),
}
STRINGS = "EADGBe"
SIZES = {"1/4": 50, "1/2": 100, "full": 200, "3/2": 300}
MARKS = (
    ("accent", "ghost"), ("late", "45ms"), ("short", "ring"), ("pm",), ("rake", "tremolo"),
    ("slow",), ("supported",), ("d", "u"), ("1", "2", "3", "4"),
)  # fmt: skip


class _Hand:
    """Says one thing after another that a hand can do, and remembers what rings."""

    def __init__(self, chance: random.Random) -> None:
        self.chance = chance
        self.base = chance.choice((1, 3, 5, 8, 10, 12, 15, 19))
        self.rings: dict[str, tuple[int, int]] = {}  # fret and cents by string

    def next(self) -> str:
        """Return what happens on the next count."""
        chance = self.chance
        if chance.random() < 0.1:
            self.base = chance.choice((1, 3, 5, 8, 10, 12, 15, 19))
        if self.rings and chance.random() < 0.25:
            return self._goes_on()
        if chance.random() < 0.05:
            self.rings = {}
            return "."
        count = chance.choices((1, 2, 3), (12, 5, 1))[0]
        lowest = chance.randrange(len(STRINGS) - count + 1)
        self.rings = {}
        marks = self._marks()
        said = "+".join(self._picked(s, marks) for s in STRINGS[lowest : lowest + count])
        if len(self.rings) < count:
            self.rings = {}  # what goes on must say so of every string
        return said

    def _goes_on(self) -> str:
        voices = {string: self._moved(*ring) for string, ring in self.rings.items()}
        still = self.chance.choice(list(voices)) if len(voices) > 1 else ""
        rings, texts = {}, []
        for string, (text, ring) in voices.items():
            texts.append("-" if string == still else text)
            rings[string] = self.rings[string] if string == still else ring
        self.rings = {string: ring for string, ring in rings.items() if ring is not None}
        if len(self.rings) < len(voices):
            self.rings = {}
        return "+".join(texts)

    def _picked(self, string: str, marks: str) -> str:
        chance = self.chance
        fret = min(24, max(0, self.base + chance.randrange(4)))
        if chance.random() < 0.06:
            return f"{string}x" + marks
        ring: tuple[int, int] | None = (fret, 0)
        text = f"{string}{fret}"
        roll = chance.random()
        if roll < 0.08 and fret > 1:
            text = chance.choice(("/", "\\")) + text
        elif roll < 0.14 and fret:
            size = chance.choice(list(SIZES))
            text, ring = f"{text}pb({size})", (fret, SIZES[size])
        for _ in range(chance.choices((0, 1, 2), (9, 7, 2))[0]):
            if ring is None:
                break
            more, ring = self._moved(*ring)
            if more.startswith("~") and text.endswith("~"):
                break
            text += more
        if ring is not None:
            self.rings[string] = ring
        return text + marks

    def _moved(self, fret: int, cents: int) -> tuple[str, tuple[int, int] | None]:
        """Return a technique, and what rings after it."""
        chance = self.chance
        if cents:
            if cents > 100 and chance.random() < 0.2:
                return "r(1/2)", (fret, 100)
            return chance.choice((("r", (fret, 0)), ("r", (fret, 0)), ("~", (fret, cents))))
        ways: list[tuple[str, tuple[int, int] | None]] = [("~", (fret, 0)), ("~~", (fret, 0))]
        up, down = min(24, fret + chance.randrange(1, 5)), max(0, fret - chance.randrange(1, 5))
        if up > fret:
            ways += [(f"h{up}", (up, 0)), (f"tr{up}", (fret, 0))]
        if down < fret:
            ways.append((f"p{down}", (down, 0)))
        if fret:
            ways += [(f"b({size})", (fret, cents)) for size, cents in SIZES.items()]
            ways += [("b(full)r", (fret, 0)), ("b(1/2)r", (fret, 0))]
            ways += [(f"/{up}", (up, 0))] if up > fret else []
            ways += [(f"\\{down}", (down, 0))] if 0 < down < fret else []
            ways += [("/", None)] + [("\\", None)] * (fret > 1)
        return chance.choice(ways)

    def _marks(self) -> str:
        if self.chance.random() < 0.65:
            return ""
        rows = self.chance.sample(MARKS, self.chance.choices((1, 2, 3), (6, 3, 1))[0])
        return "{" + " ".join(self.chance.choice(row) for row in rows) + "}"


def _bars(chance: random.Random, meter: str, count: int) -> Iterator[str]:
    hand = _Hand(chance)
    weights, rhythms = zip(*BEATS[meter], strict=True)
    first = True
    for bar in range(count):
        words: list[str] = []
        for beat in range(4):
            counts = chance.choices(rhythms, weights)[0]
            for place in counts:
                # Now and then a note is held over a count; the first of a bar begins it.
                if (bar or beat or place) and (beat or place) and chance.random() < 0.12:
                    continue
                named = not place or not any(word[0] == str(beat + 1) for word in words)
                what = hand.next()
                while first and what == ".":
                    what = hand.next()
                first = False
                words.append(f"{beat + 1 if named else ''}{place} {what}")
        yield " ".join(words)


def phrase(seed: int) -> tuple[Phrase, Style]:
    """Return a phrase of two or three dense bars, and how it is drawn."""
    for attempt in range(100):
        chance = random.Random(1000 * seed + attempt)
        meter = chance.choices(("4/4", "12/8"), (3, 1))[0]
        lines = list(_bars(chance, meter, chance.choice((2, 3))))
        style = Style(
            chance.choice(WIDTHS),
            chance.choices(("both", "tab", "notation"), (3, 1, 1))[0],
            chance.random() < 0.8,
            chance.random() < 0.3,
        )
        text = (
            f'title = "Dense"\nkey = "{chance.choice(KEYS)}"\ngroove = "shuffle"\n'
            f'meter = "{meter}"\ntempo = 80\n[[part]]\nrole = "line"\n'
            f"notes = '''| {' | '.join(lines)}'''\n"
            '[[tip]]\nat = "line 1 1"\ntext = "Slowly."\n'
        )
        try:
            return suggest(read_phrase(text)), style
        except BluesError:
            continue  # what no hand can do is refused
    raise AssertionError(f"seed {seed} makes no phrase")


def page(seed: int) -> list[Picture]:
    """Return the systems of a random page."""
    made, style = phrase(seed)
    return pictures(write(made, CHORDS), style)
