"""Files mangled in many ways: each is read or refused in words, at once, in little memory."""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

import backing
from backing.forms.form import load_form
from backing.grooves.groove import GROOVE_KEYS, load_groove
from backing.grooves.instruments import BASSES, COMPS, DRUMS
from backing.lesson.data import KINDS
from backing.lesson.items import sounds
from backing.lesson.lesson import LESSON_KEYS, STUDY_KEYS, check_files, read_lesson
from backing.midi import midi_bytes
from backing.practice.plan import GAPS, GUIDES, IN_GAPS, SHAPES, WORDS, read_plan
from phrases.errors import BluesError, TextFileError
from phrases.files import PART_KEYS, PHRASE_KEYS, TIP_KEYS, load_phrase
from phrases.fretboard import STRINGS
from phrases.techniques import BEND_SIZES, MARKS, TECHNIQUES
from tests.hard.material import EXAMPLES, LONG, ROOT, HangError, memory, number_of, watched

ANYWHERE = (
    "=", "\n", "#", "[", "]", "[[", "]]", "{", "}", ",", ".", "'", '"', "'''", '"""', "\\", "|",
    "0", "-1", "1", "4", "7", "12", "99999", "1e308", "1e999", "-1e-308", "nan", "inf", "true",
    "0xFF", "9" * 40, "9" * 5000, "1999-01-01", "é", "e\u0301", "\u0000", "\u2028", "\ufeff",
    "\U0001f3b8", "\u202e", "A" * 3000, "../..", "/etc/passwd", "*", "<b>", "#set page()",
)  # fmt: skip
COUNTS = ("&", "trip", "let", "e", "a", "1>", "(2&)", "3.", ":", ">", "R", "to", "b7", "chord")
VALUE = re.compile(r"""(?<![\w'"])(?:'[^'\n]+'|"[^"\n]+"|-?\d+(?:\.\d+)?(?=\s|,|\]))""")
VALUES = (
    "0", "-1", "1", "2", "3", "30", "240", "241", "1e308", "-1e-308", "nan", "inf",
    "0xFFFFFFFFFFFF", "9" * 40, "true", "1999-01-01", "[]", "{}", "[[1]]", "''",
    "'../../x.toml'", "'/etc/passwd'",
    "'\U0001f3b8'", f"'{'A' * 3000}'", "12.000001", "['A', 'A']", "{a = {b = 1}}",
)  # fmt: skip
FEW = (1, 1, 1, 2, 2, 3, 6)  # changes of one text
BYTES = b"|&+-.{}()'\"=\n #\\09ebx\x00\xff\xc3\xed\x80\r"

PHRASE = (
    *STRINGS, *TECHNIQUES, *MARKS, *(f"({size})" for size in BEND_SIZES), *PHRASE_KEYS, *PART_KEYS,
    *TIP_KEYS, *COUNTS, "[[part]]\n", "[[tip]]\n", "[[variation]]\n", "[[variation.part]]\n",
    "+1/6", "x", "/e8", "24", "45ms", "b(full)", "r(1/2)", "call", "over", "grows",
    "b(full over 1/2)", "~(1/4 6/s grows)", "/s", "%",
)  # fmt: skip
GROOVE = (
    *GROOVE_KEYS, *BASSES, *COMPS, *DRUMS, *COUNTS, "[[drums]]\n", "[[bass]]\n", "[[comp]]\n",
    "when", "weight", "chorus", "on", "line", "early", "fill", "stop", "R10", "//swell", "15",
)  # fmt: skip
FORM = (
    "title", "feel", "chart", "minor", "I7", "IV7", "ii7", "V7/3", "bVII", "#IVdim7", "i6", "N",
    "viiø7", "/b9", "| ", "I7 | " * 70,
)  # fmt: skip
PLAN = (*SHAPES, *GAPS, *IN_GAPS, *GUIDES, *WORDS, "passes", "each", "step", "bars", "2000", "240")
LESSON = (
    *LESSON_KEYS, *STUDY_KEYS, *KINDS, "[[phrase]]\n", "lamp-oil", "screen-door.toml", "wav",
    "C# minor", "H", "240", "response", "easy", "nowhere.toml",
)  # fmt: skip

# A plan and a lesson that say everything; the other kinds have what ships.
WHOLE_PLAN = """\
from   = 50
to     = 80.5
step   = 10
each   = 3
shape  = "back"
passes = 12
count  = "each"
phrase-rests = 4
band-rests = 3
gap    = "echo"
in-gap = "thin"
guide  = "soft"
cue    = false
"""
RAMP = 'from = 60\nto = 90\nshape = "ramp"\npasses = 3\nbars = "1-4"\n'
WHOLE_LESSON = """\
title = "A lesson"
keys = ["A", "C# minor"]
grooves = ["shuffle", "jump"]
form = "quick-change"
swing = "3:2"
tempos = [60, 72.5, 84]
gaps = ["response", "two"]
choruses = 1
formats = ["wav", "opus"]
stems = true
make = ["demo", "loop", "trade", "backing", "sheet", "page"]
full-tempo-only = ["demo"]
video = ["demo", "loop"]
opening = 20
text = "Words, *many* words."
[[phrase]]
file = "screen-door.toml"
variations = ["in the wind"]
text = "More."
[[phrase]]
file = "lamp-oil"
variations = []
keys = ["E"]
tempos = [50]
"""


def mangled(dice: random.Random, text: str, words: Sequence[str]) -> bytes:
    """Return a text with bytes changed, with words moved about, or with one value made wrong."""
    way = dice.random()
    if way < 0.2:
        raw = bytearray(text.encode())
        for _ in range(dice.choice(FEW)):
            raw[dice.randrange(len(raw))] = dice.choice(BYTES)
        return bytes(raw if dice.random() < 0.9 else raw[: dice.randrange(len(raw))])
    if way < 0.45:
        return shuffled(dice, text, [*words, *ANYWHERE]).encode("utf-8", "surrogatepass")
    for _ in range(dice.choice(FEW)):
        spans = [found.span() for found in VALUE.finditer(text)]
        if not spans:
            break
        start, end = dice.choice(spans)
        value = text[start:end]
        if value[0] in "'\"" and dice.random() < 0.85:
            safe = [word for word in words if not set(word) & set("'\"\n\\")]
            new = value[0] + shuffled(dice, value[1:-1] or " ", safe) + value[-1]
        else:
            new = dice.choice(VALUES)
        text = text[:start] + new + text[end:]
    return text.encode("utf-8", "surrogatepass")


def shuffled(dice: random.Random, text: str, words: Sequence[str]) -> str:
    """Return a text with words cut, doubled, swapped or put in."""
    parts = re.findall(r"\w+|\s+|[^\w\s]", text)
    for _ in range(dice.choice(FEW)):
        at, other = dice.randrange(len(parts)), dice.randrange(len(parts))
        match dice.randrange(6):
            case 0:
                parts.insert(at, dice.choice(words))
            case 1 | 2:
                parts[at] = dice.choice(words)
            case 3:
                parts[at], parts[other] = parts[other], parts[at]
            case 4:
                parts[at:at] = parts[other : other + dice.randint(1, 12)]
            case _:
                del parts[at : at + dice.randint(1, 6)]
                parts = parts or [" "]
    return "".join(parts)


SHORT: Any = {"form": "turnaround-loop", "choruses": 1}


def use_phrase(path: Path) -> None:
    phrase = load_phrase(path)
    midi_bytes(backing.demo(phrase, choruses=1))


def use_groove(path: Path) -> None:
    load_groove.cache_clear()
    midi_bytes(backing.track(groove=str(path), **SHORT))


def use_form(path: Path) -> None:
    load_form.cache_clear()
    midi_bytes(backing.track(form=str(path), choruses=1, intro="five", ending="tag"))


def use_plan(path: Path) -> None:
    told = read_plan(path)
    if (told.get("passes") or 0) > 40 or (told.get("each") or 0) > 40:
        return  # read is enough; tests/hard/test_hostile.py makes the longest there is
    if "bars" in told or "part" in told:
        backing.loop("lamp-oil", plan=path)
    else:
        backing.trade("lamp-oil", plan=path)


def use_lesson(path: Path) -> None:
    lesson = read_lesson(path)
    check_files(lesson)
    sounds(lesson)


@dataclass(frozen=True)
class Kind:
    """One kind of file: what ships of it, its words, how it is used, how many are tried."""

    texts: tuple[str, ...]
    words: tuple[str, ...]
    use: Callable[[Path], None]
    short: int
    long: int


def texts(folder: Path) -> tuple[str, ...]:
    return tuple(path.read_text(encoding="utf-8") for path in sorted(folder.glob("*.toml")))


KINDS_OF_FILE = {
    "phrase": Kind(texts(ROOT / "phrases" / "library"), PHRASE, use_phrase, 100, 70_000),
    "groove": Kind(texts(ROOT / "backing" / "grooves"), GROOVE, use_groove, 100, 50_000),
    "form": Kind(texts(ROOT / "backing" / "forms"), FORM, use_form, 100, 30_000),
    "plan": Kind((WHOLE_PLAN, RAMP), PLAN, use_plan, 200, 30_000),
    "lesson": Kind((WHOLE_LESSON,), LESSON, use_lesson, 100, 20_000),
}
MORE_MEMORY = 150.0  # MB that a run of any length may add


@pytest.mark.parametrize("name", KINDS_OF_FILE)
def test_a_mangled_file_is_read_or_refused_in_words(name: str, tmp_path: Path) -> None:
    kind = KINDS_OF_FILE[name]
    for one in (EXAMPLES / "lesson").glob("*.toml"):
        (tmp_path / one.name).write_bytes(one.read_bytes())
    path = tmp_path / "mangled.toml"
    cases = number_of(kind.short, kind.long)
    used, before = 0, memory()
    for number in range(cases):
        raw = mangled(random.Random(number), kind.texts[number % len(kind.texts)], kind.words)
        path.write_bytes(raw)
        lines = raw.decode("utf-8", "replace").replace("\r\n", "\n").count("\n") + 1
        try:
            with watched():
                kind.use(path)
            used, told = used + 1, True
        except TextFileError as error:
            here = error.name == str(path)  # it may be another file that the text names
            told = all(p.message and (p.line <= lines or not here) for p in error.problems)
        except BluesError as error:
            told = bool(str(error))
        except (Exception, HangError) as error:
            pytest.fail(f"{name} {number}: {error!r}\n{raw[:3000]!r}")
        assert told, number
    assert 0 < used < cases  # mangled enough, and not beyond reading
    assert memory() - before < MORE_MEMORY


WHOLE_PHRASE = """\
title = "A phrase"
key = "A minor"
scale = "minor pentatonic"
meter = "4/4"
tuning = "open A"
slide = "ring"
groove = "shuffle"
tempo = 96
swing = "2:1"
lines = "every"
tone = "clean"
pick = "bridge"
level = "easy"
tags = ["slide"]
tips = "A word."
[[part]]
role = "call"
notes = '| 1 e5 2 B8 & B5 3 G7~ | 1 - 2 .'
[[tip]]
at = "call 1 2"
text = "A word."
[[variation]]
name = "other"
swing = "3:2"
[[variation.part]]
role = "call"
notes = '| = | 1 G7 2 .'
"""
WHOLE = {
    "phrase": [WHOLE_PHRASE],
    "groove": KINDS_OF_FILE["groove"].texts[:1],
    "form": KINDS_OF_FILE["form"].texts,
    "plan": [WHOLE_PLAN, RAMP],
    "lesson": [WHOLE_LESSON],
}
MARK = "\u202e"  # turns writing round


@pytest.mark.parametrize("name", WHOLE)
def test_a_mark_in_any_text_of_a_file_is_refused_in_words(name: str, tmp_path: Path) -> None:
    for one in (EXAMPLES / "lesson").glob("*.toml"):
        (tmp_path / one.name).write_bytes(one.read_bytes())
    path = tmp_path / "marked.toml"
    use, places = KINDS_OF_FILE[name].use, 0
    for number, text in enumerate(WHOLE[name]):
        path.write_text(text, encoding="utf-8")
        use(path)  # as it stands it is read
        texts = list(re.finditer(r"""(?<![\w'"])(['"])[^'"\n]+\1""", text))
        # In the short form each third text of a file, and another third in the next file.
        for found in texts if LONG or len(WHOLE[name]) < 3 else texts[number % 3 :: 3]:
            start = found.start() + 1
            path.write_text(text[:start] + MARK + text[start:], encoding="utf-8")
            with pytest.raises(TextFileError, match=r"U\+202E|is not|e can|no such"):
                use(path)
            places += 1
    assert places > 3
