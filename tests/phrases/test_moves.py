"""Moves of variation: over every phrase that ships valid, heard, and keeping what they say."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from functools import cache
from pathlib import Path
from random import Random

import pytest
from music21 import interval
from music21 import note as witness

from phrases.check import check
from phrases.errors import ChoiceError, RangeError, TextFileError
from phrases.files import load_phrase, read_phrase, shipped
from phrases.fretboard import STANDARD
from phrases.moves.proposals import (
    LEAST,
    Proposal,
    appended,
    as_written,
    distance,
    propose,
    vary,
    written,
)
from phrases.moves.subject import MisfitError, Subject
from phrases.moves.table import KEEPS, MOVES
from phrases.performance import perform
from phrases.phrase import Part, Phrase
from phrases.roles import aims
from phrases.typed import typed_line
from tests.hard.material import LONG, some

NAMES = tuple(shipped())
TAUGHT = (Path(__file__).parent / "taught.txt").read_text(encoding="utf-8").split("\n\n")[1]
Heard = dict[Fraction, int]


def test_what_teachers_vary_is_covered_and_nothing_else_is_there() -> None:
    """The list was written before the moves, from BLUES.md and common practice (from memory)."""
    named = [line.rpartition(": ")[2].split() for line in TAUGHT.strip().split("\n")]
    assert len(named) > 50
    assert all(named)
    assert {name for row in named for name in row} == MOVES.keys()


def heard(part: Part) -> Heard:
    """Return the highest pitch that is reached on each count that is picked or moved on."""
    found: dict[Fraction, dict[str, int]] = {}
    for stroke in part.strokes:
        for note in stroke.notes:
            for aim in aims(note, stroke.at):
                if aim.pitch is not None and not aim.how.startswith("trill"):
                    found.setdefault(aim.at, {})[note.string] = round(aim.pitch - 0.25)
    return {at: max(own.values()) for at, own in sorted(found.items())}


def counts(part: Part) -> set[Fraction]:
    moves = {m.at for s in part.strokes for n in s.notes for m in n.moves if m.at is not None}
    return {stroke.at for stroke in part.strokes} | moves


def places(phrase: Phrase) -> list[tuple[str, int | None]]:
    return [(n.string, n.fret) for p in phrase.parts for s in p.strokes for n in s.notes]


def pairs(one: Phrase, other: Phrase) -> list[tuple[Part, Part]]:
    return list(zip(one.parts, other.parts, strict=True))


def body(part: Part) -> tuple[object, ...]:
    return (*part.strokes[:-1], part.strokes[-1].at)


def called(phrase: Phrase) -> list[Part]:
    return [part for part in phrase.parts if part.role == "call"]


def every(phrase: Phrase) -> set[int]:
    return {pitch for part in phrase.parts for pitch in heard(part).values()}


def last(part: Part) -> int:
    return list(heard(part).values())[-1]


def degrees(part: Part) -> list[int]:
    return [one % 12 for one in heard(part).values()]


KEPT: dict[str, Callable[[Phrase, Phrase], bool]] = {
    "rhythm": lambda a, b: all(counts(x) == counts(y) for x, y in pairs(a, b)),
    "order": lambda a, b: all(
        list(heard(x).values()) == list(heard(y).values()) for x, y in pairs(a, b)
    ),
    "heard": lambda a, b: all(heard(x) == heard(y) for x, y in pairs(a, b)),
    "degrees": lambda a, b: all(degrees(x) == degrees(y) for x, y in pairs(a, b)),
    "body": lambda a, b: all(body(x) == body(y) for x, y in pairs(a, b)),
    "call": lambda a, b: called(a) == called(b),
    "old": lambda a, b: all(heard(x).items() <= heard(y).items() for x, y in pairs(a, b)),
    "less": lambda a, b: all(heard(y).items() <= heard(x).items() for x, y in pairs(a, b)),
    "ends": lambda a, b: all(last(x) == last(y) for x, y in pairs(a, b)),
    "strings": lambda a, b: places(a) == places(b),
    "figures": lambda a, b: every(b) <= every(a),
}


@cache
def made(name: str) -> tuple[Phrase, dict[str, Phrase]]:
    """Return what every move that fits makes of a phrase, whether it would be proposed or not."""
    phrase = load_phrase(name)
    subject = Subject(phrase)
    found = {}
    for move in MOVES.values():
        for chance in range(3):
            try:
                found[move.name] = as_written(move.make(subject, Random(f"{name} {chance}")))
                break
            except MisfitError:
                continue
    return phrase, found


def test_every_property_has_its_check() -> None:
    assert KEPT.keys() == KEEPS.keys()
    assert {name for move in MOVES.values() for name in move.keeps} == KEEPS.keys()


@pytest.mark.parametrize("name", some(NAMES, 8))
def test_every_move_over_every_phrase_is_valid_heard_and_keeps_what_it_says(name: str) -> None:
    phrase, found = made(name)
    told = [
        Proposal(m, m, "Said.", one, 0, written(phrase, one, f"own {m}", "Said."))
        for m, one in found.items()
    ]
    text = shipped()[name].read_text(encoding="utf-8")
    new = appended(text, told)
    assert new.startswith(text)
    again = read_phrase(new)
    assert replace(again, variations=phrase.variations) == phrase
    back = dict(again.variations)
    for move, one in found.items():
        same = back[f"own {move}"].parts == one.parts
        assert same, move
        assert [p.role for p in one.parts] == [p.role for p in phrase.parts], move
        assert one.bars == phrase.bars, move
        played = perform(one.strokes(), _at_ease)
        assert len(played) >= sum(len(s.notes) for s in one.strokes()), move
        assert all(
            n.end > n.start and 0 < n.velocity < 128 and 28 <= n.pitch < 100 for n in played
        )
        for kept in MOVES[move].keeps:
            still = KEPT[kept](phrase, one)
            assert still, (move, kept)


def test_every_move_fits_somewhere() -> None:
    fitting = {move for name in NAMES for move in made(name)[1]}
    assert fitting == MOVES.keys()


def _at_ease(at: Fraction) -> float:
    """Return the second of a beat at 60 beats a minute."""
    return 4 + float(at)


ALL = NAMES if LONG else ("cold-stove", "lamp-oil")


@cache
def proposed(name: str) -> tuple[Proposal, ...]:
    return tuple(propose(load_phrase(name), count=len(MOVES) if LONG else 16))


@pytest.mark.parametrize("name", ALL)
def test_there_are_many_proposals_no_two_alike_and_all_to_be_played(name: str) -> None:
    phrase, found = load_phrase(name), proposed(name)
    assert len({one.move for one in found}) >= 12
    known = [phrase, *(other for _, other in phrase.variations)]
    before = check(phrase)
    third = "b3" if phrase.key.mode == "minor" else "3"  # of the chord of the one
    for one in found:
        # What a hand can do, and what is in the scale, as `check` tells of any phrase.
        report = check(one.phrase)
        assert report.playable, one.move
        assert min(distance(one.phrase, other) for other in known) >= LEAST, one.move
        assert one.words.endswith("."), one.words
        known.append(one.phrase)
        if MOVES[one.move].chord[1] == ():
            for old, new in zip(before.endings, report.endings, strict=True):
                at_home = new.home or new.degree == third
                assert new.asks if new.part == "call" else at_home or not old.home, one.move


@pytest.mark.parametrize("name", ALL)
def test_music21_agrees_on_the_degrees_that_are_told(name: str) -> None:
    phrase = load_phrase(name)
    for one in proposed(name):
        for part, end in zip(one.phrase.parts, check(one.phrase).endings, strict=True):
            stroke = part.strokes[-1]
            top = max(stroke.notes, key=lambda n: STANDARD[n.string] + (n.fret or 0))
            if len(stroke.notes) > 1 or any(m.technique.bending for m in top.moves):
                continue
            fret = [top.fret, *(m.fret for m in top.moves if m.fret is not None)][-1] or 0
            root, heard = witness.Note(phrase.key.tonic.replace("b", "-")), witness.Note()
            heard.pitch.midi = STANDARD[top.string] + fret
            semitones = interval.Interval(root, heard).chromatic.mod12
            # What music21 calls the interval between the tonic and a degree.
            alter, step = end.degree.count("b"), int(end.degree.lstrip("b"))
            wide = {1: 0, 2: 2, 3: 4, 4: 5, 5: 7, 6: 9, 7: 11}[step]
            assert semitones == wide - alter
            assert f"the {end.degree}" in one.words


def test_the_same_seed_proposes_the_same_and_another_others() -> None:
    first, again, other = ([one.text for one in vary("lamp-oil", seed=seed)] for seed in (3, 3, 4))
    assert first == again != other


def test_a_level_takes_what_asks_no_more_or_more() -> None:
    phrase = load_phrase("mule-track")
    easy = propose(phrase, level="easy", count=8)
    assert all(MOVES[one.move].harder <= 0 for one in easy)
    assert all('level = "easy"' in one.text for one in easy)
    moves = [m for one in easy for p in one.phrase.parts for s in p.strokes for n in s.notes
             for m in n.moves]  # fmt: skip
    # Common practice: beginners curl a string, and do not bend it a half step or more.
    assert all(m.size == "1/4" for m in moves if m.technique.bending)
    assert all(one.phrase.tempo < phrase.tempo for one in easy)
    assert all(MOVES[one.move].harder > 0 for one in propose(phrase, level="hard", count=8))


def test_a_text_a_path_and_a_name_are_the_same_phrase() -> None:
    path = shipped()["wet-gravel"]
    for source in ("wet-gravel", path, str(path), path.read_text(encoding="utf-8")):
        assert [one.text for one in vary(source, count=2)] == [
            one.text for one in vary("wet-gravel", count=2)
        ]


@pytest.mark.parametrize(
    ("source", "words", "message"),
    [
        ("lamp-oil", {"moves": ["bnd"]}, r'"bnd" is not a move; did you mean "bend"\?'),
        ("lamp-oil", {"moves": ["bend"]}, r'"Lamp oil": bend needs a slide .*; '
         r"these fit: other-notes, .*\bslide\b"),
        ("| 1 E0 & A0", {"level": "hard"}, '"A line": no move fits at the level hard'),
        ("lamp-oil", {"level": "esy"}, 'did you mean "easy"'),
        ("| 1 e8", {}, "has one note; a phrase that is varied has 2 at least"),
        ("| 1 Gx & Gx", {}, "has no note with a pitch"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_said_with_what_does(
    source: str, words: dict[str, object], message: str
) -> None:
    given = typed_line(source) if "|" in source else source
    with pytest.raises((ChoiceError, RangeError), match=message):
        vary(given, **words)  # type: ignore[arg-type]


@pytest.mark.parametrize("end", ["\n", "\r\n", ""])
def test_a_file_that_gets_variations_keeps_every_sign_it_has(end: str) -> None:
    text = shipped()["cold-stove"].read_text(encoding="utf-8").rstrip("\n") + "  # my own\n"
    text = text.replace("\n", end) if end else text.rstrip("\n")
    found = vary("cold-stove", count=3)
    new = appended(text, found)
    assert new.startswith(text)
    assert ("\n" in new.replace("\r\n", "")) == (end != "\r\n")
    names = [name for name, _ in read_phrase(new).variations]
    assert names == ["with pull-off and slide", *(one.name for one in found)]


def test_variations_that_stand_in_brackets_cannot_be_added_to() -> None:
    text = 'title = "X"\nkey = "A"\ntempo = 80\nvariation = [{name = "slow", tempo = 60}]\n'
    text += "[[part]]\nnotes = '| 1 e8 & e5 2 B8'\n"
    with pytest.raises(TextFileError, match=r"write those that it has under \[\[variation\]\]"):
        appended(text, vary(text, count=1))


def test_more_variations_than_a_phrase_may_have_are_refused_as_such() -> None:
    text = shipped()["cold-stove"].read_text(encoding="utf-8")
    text += "".join(f'\n[[variation]]\nname = "v{n}"\ntempo = {60 + n}\n' for n in range(63))
    with pytest.raises(TextFileError, match="65 variations: a phrase has at most 64"):
        appended(text, vary("cold-stove", count=1))


def test_a_thousand_phrases_of_chance_are_varied_or_refused_in_words() -> None:
    """No phrase that can be read makes a move fail otherwise than by not fitting."""
    chance = Random(5)
    for _ in range(1000 if LONG else 8):
        line = _by_chance(chance)
        subject = Subject(load_phrase(typed_line(line, chance.choice(["A", "E minor", "Bb"]))))
        for move in MOVES.values():
            try:
                one = as_written(move.make(subject, chance))
            except MisfitError:
                continue
            text = f"title='X'\nkey='A'\ntempo=90\n[[part]]\nnotes='{line}'\n"
            back = read_phrase(text + written(subject.phrase, one, "x", "Said."))
            assert back.variations[0][1].parts == one.parts, (line, move.name)


def _by_chance(chance: Random) -> str:
    """Return a line of notes, of whatever the language has."""
    bars = []
    for _ in range(chance.randint(1, 3)):
        words = []
        for count in chance.choice(
            ("1 & 2 3", "1 trip let 3", "1 2& 4", "1& 3", "1 e & a 2 4")
        ).split():
            string, fret = chance.choice("EADGBe"), chance.randint(2, 15)
            what = chance.choice(
                ("", "", "", "~", f"/{fret + 2}", f"h{fret + 2}", "b(1/4)~", "b(full)r", "{short}",
                 "{ghost}", f"tr{fret + 2}", "pb(full)", "{rake}", "/", "v", "~~(grows)")
            )  # fmt: skip
            double = (
                f"+{'DGBe'['EADG'.index(string)]}{fret}" if string in "EADG" and not what else ""
            )
            words.append(
                f"{count} {chance.choice((f'{string}{fret}{what}{double}', '.', f'{string}x'))}"
            )
        bars.append(" ".join(words))
    return "| " + " | ".join([*bars, "1 e5 & e8 3 ."])
