"""Lesson files: which phrases, in which keys and at which tempos, with the teacher's own words.

Conventions: a path in a lesson file is relative to the lesson file and stays inside its folder.
Tempos are felt beats a minute. What a phrase of a lesson does not say, the lesson says for it;
what the lesson does not say either comes from the phrase file.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Collection
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import count
from pathlib import Path
from typing import Any

from backing import pieces
from backing.arrangement import CHORUSES
from backing.forms import find_form
from backing.forms.form import FORMS as FORM_SHELF
from backing.grooves import find_groove
from backing.grooves.groove import GROOVES as GROOVE_SHELF
from backing.lesson.data import FORMATS, KINDS, SOUNDS, Lesson, Study
from backing.page.session import DOES, PASSES, Step
from backing.practice import usual_start
from backing.practice.plan import GAPS
from backing.tempo import step_tempos
from phrases.counting import parse_swing
from phrases.credits import CREDIT_KEYS, Credits, read_credits
from phrases.errors import ChoiceError, Problem, TextFileError
from phrases.files import check_tempo, load_phrase, shipped
from phrases.kinds import PHRASE, declare, missing_file, offers
from phrases.phrase import Phrase
from phrases.pitch import Key, parse_key
from phrases.shelf import Shelf, is_path
from phrases.textfile import TextFile, Where
from phrases.words import choose, expected

__all__ = ["LONGEST_OPENING", "check_files", "inside", "read_lesson"]

LESSON = declare(
    "a lesson",
    ("phrase",),
    "make it with `backing lesson`",
    "`backing new NAME --lesson` starts one",
)
# WAV for editors and films, and MP3 because every telephone and player opens it.
USUAL_FORMATS = ("wav", "mp3")
GROOVES_HINT = 'grooves are words in quotes: grooves = ["shuffle", "jump"]'
TEMPOS = 6  # tempos of a lesson that names none, at most
LONGEST_OPENING = 3600  # seconds
STUDIES = 200  # phrases of a lesson
LONG = 60  # signs of a name that a message repeats

COMMON_KEYS = ("keys", "grooves", "form", "swing", "tempos", "gaps")
LESSON_KEYS = (
    "title", *COMMON_KEYS, "choruses", "formats", "stems", "films", "make", "full-tempo-only",
    "video", "opening", "text", "phrase", "session", *CREDIT_KEYS,
)  # fmt: skip
STUDY_KEYS = ("file", "variations", *COMMON_KEYS, "take", "take-tempo", "text")
STEP_KEYS = ("do", "passes", "text")


@dataclass(frozen=True, slots=True)
class _Shared:
    """What a lesson says and a phrase of it may restate."""

    keys: tuple[Key, ...] = ()
    grooves: tuple[str, ...] = ("",)
    form: str = pieces.FORM
    swing: str = ""
    tempos: tuple[Fraction, ...] = ()
    gaps: tuple[str, ...] = ()


def read_lesson(path: Path, text: str | None = None) -> Lesson:
    """Read a lesson file and the phrases that it names.

    `text` is what the file would hold; it is read where that is left out. Raises `TextFileError`
    with every problem of the lesson file, or else of the first phrase file that has any, at its
    line and column.
    """
    file = TextFile.open(path, LESSON) if text is None else TextFile(text, str(path), LESSON)
    folder = path.parent
    file.known_keys((), LESSON_KEYS)
    title = file.get(("title",), str, ...)
    credits = read_credits(file)
    session = tuple(_step(file, where) for where in file.tables("session"))
    common = _common(file, (), folder, _Shared())
    choruses = file.get(("choruses",), int, pieces.CHORUSES)
    low, high = CHORUSES
    if not low <= choruses <= high:
        file.complain(("choruses",), f"choruses: it must be {low} to {high}")
    opening = file.get(("opening",), int, 0)
    if not 0 <= opening <= LONGEST_OPENING:
        file.complain(("opening",), f"opening: it must be 0 to {LONGEST_OPENING} seconds")
    formats = _words(file, ("formats",), "a format of sounds", FORMATS, USUAL_FORMATS)
    make = _words(file, ("make",), "something a lesson makes", KINDS, tuple(KINDS))
    video = _words(file, ("video",), "a sound that a lesson makes", SOUNDS, SOUNDS)
    full = _words(file, ("full-tempo-only",), "a sound that a lesson makes", SOUNDS, ())
    stems = file.get(("stems",), bool, False)
    films = file.get(("films",), bool, False)
    if films and "demo" not in make:
        file.complain(("films",), 'films are made of the demos; make = ["demo", ...] has none')
    text = file.get(("text",), str, "")
    wheres = file.tables("phrase")
    if file.data.get("phrase", []) == []:
        file.complain((), "there is no [[phrase]]; a lesson has at least one, with its file")
    if len(wheres) > STUDIES:
        file.complain(
            wheres[STUDIES], f"a lesson has {STUDIES} phrases at most; make several lessons of it"
        )
        file.finish()
    found = [_named(file, where, folder) for where in wheres]
    told = [_common(file, where, folder, common) for where in wheres]
    for where in wheres:
        file.known_keys(where, STUDY_KEYS)
    file.finish()
    # A phrase file's own problems stand in that file, so they are told by themselves.
    grooves = GROOVE_SHELF.names()
    phrases = [_credited(load_phrase(one, grooves), credits) for one in found if one is not None]
    studies = [
        _study(file, *row, full="demo" in full)
        for row in zip(wheres, [p for p in found if p], phrases, told, strict=True)
    ]
    file.finish()
    return Lesson(
        path=path,
        title=title,
        studies=tuple(studies),
        choruses=choruses,
        formats=formats,
        stems=stems,
        films=films,
        make=make,
        full_tempo_only=full,
        video=video,
        opening=opening,
        text=text,
        credits=credits,
        session=session,
    )


def _credited(phrase: Phrase, credits: Credits) -> Phrase:
    """Return a phrase that was made by whoever made the lesson, where it says nothing else."""
    whole = phrase.credits.over(credits)
    others = tuple((name, replace(one, credits=whole)) for name, one in phrase.variations)
    return replace(phrase, credits=whole, variations=others)


def inside(folder: Path, word: str) -> Path:
    """Return the file that a lesson file means by a path.

    Raises `ChoiceError` if it leads out of the lesson's folder.
    """
    path = Path(word)
    outside = path.is_absolute() or path.drive or ".." in path.parts or "\0" in word
    if not outside:
        home = os.path.realpath(folder)
        outside = os.path.commonpath([home, os.path.realpath(folder / path)]) != home
    if outside:
        raise ChoiceError(
            f'"{word[:LONG]}" leads out of the lesson\'s folder; copy the file there and write '
            "its name"
        )
    return folder / path


def _is_file(path: Path) -> bool:
    with contextlib.suppress(OSError):  # its name may be too long for a file
        return path.is_file()
    return False


def _named(file: TextFile, where: Where, folder: Path) -> Path | None:
    """Return the phrase file that a [[phrase]] names."""
    word = file.get((*where, "file"), str, ...)
    if word is None:
        return None
    known = shipped()
    path = file.attempt((*where, "file"), inside, folder, word)
    if path is None:
        return None
    assert isinstance(path, Path)
    if _is_file(path):
        return path
    if word in known:
        return known[word]
    near = offers(path, PHRASE)
    choices = [*near.values(), *known]
    what = expected("a phrase file here or a shipped phrase", word, choices, near)
    file.complain((*where, "file"), what)
    return None


def _common(file: TextFile, where: Where, folder: Path, before: _Shared) -> _Shared:
    keys = _list(file, (*where, "keys"), str, 'keys are words in quotes: keys = ["A", "E"]')
    read = [
        file.attempt((*where, "keys", number), parse_key, word) for number, word in enumerate(keys)
    ]
    tempos = _list(file, (*where, "tempos"), (int, float), "tempos are numbers: [60, 72, 84]")
    exact = [
        file.attempt((*where, "tempos", number), check_tempo, tempo)
        for number, tempo in enumerate(tempos)
    ]
    grooves = _list(file, (*where, "grooves"), str, GROOVES_HINT)
    found = [
        file.attempt((*where, "grooves", number), _found, folder, GROOVE_SHELF, word)
        for number, word in enumerate(grooves)
    ]
    swing = file.get((*where, "swing"), str, before.swing)
    if swing:
        file.attempt((*where, "swing"), parse_swing, swing)
    return _Shared(
        keys=tuple(dict.fromkeys(key for key in read if key)) or before.keys,
        grooves=tuple(dict.fromkeys(str(word) for word in found if word)) or before.grooves,
        form=_form(file, (*where, "form"), folder, before.form),
        swing=swing,
        tempos=tuple(sorted({tempo for tempo in exact if tempo})) or before.tempos,
        gaps=_words(file, (*where, "gaps"), "a gap", GAPS, before.gaps),
    )


def _form(file: TextFile, where: Where, folder: Path, before: str) -> str:
    word = file.get(where, str, "")
    return str((word and file.attempt(where, _found, folder, FORM_SHELF, word)) or before)


def _found(folder: Path, shelf: Shelf, word: str) -> str:
    """Return the name of a groove or form that ships, or the path of one in the folder."""
    path = shelf.find(word, folder)
    if path.parent == shelf.folder and path.stem == word:
        return word
    path = inside(folder, word)
    if not _is_file(path):
        raise ChoiceError(f"{word[:LONG]}: {missing_file(path, shelf.what)}")
    return str(path)


def _list(file: TextFile, where: Where, kind: Any, hint: str) -> list[Any]:
    values = file.get(where, list, [])
    if all(isinstance(value, kind) and not isinstance(value, bool) for value in values):
        return list(values)
    file.complain(where, hint)
    return []


def _step(file: TextFile, where: Where) -> Step:
    """Return a step of the session that the practice pages lead through."""
    file.known_keys(where, STEP_KEYS)
    word = file.get((*where, "do"), str, ...)
    do = None if word is None else file.attempt((*where, "do"), choose, "a step", word, DOES)
    passes = file.get((*where, "passes"), int, 4)
    low, high = PASSES
    if not low <= passes <= high:
        file.complain((*where, "passes"), f"passes: it must be {low} to {high}")
    return Step(str(do or next(iter(DOES))), passes, file.get((*where, "text"), str, ""))


def _words(
    file: TextFile, where: Where, what: str, choices: Collection[str], default: tuple[str, ...]
) -> tuple[str, ...]:
    """Return a list of words, each once."""
    words = _list(file, where, str, f'{where[-1]} are words in quotes: ["{next(iter(choices))}"]')
    chosen = [
        file.attempt((*where, number), choose, what, word, choices)
        for number, word in enumerate(words)
    ]
    given = where[-1] in file.table(where[:-1])
    return tuple(dict.fromkeys(word for word in chosen if word)) if given else default


def _study(
    file: TextFile, where: Where, path: Path, phrase: Phrase, told: _Shared, *, full: bool
) -> Study:
    folder = Path(file.name).parent
    known = dict(phrase.variations)
    names = _words(file, (*where, "variations"), f'a variation of "{phrase.title}"', known,
                   tuple(known)) if known else ()  # fmt: skip
    if not known and file.get((*where, "variations"), list, []):
        file.complain(
            (*where, "variations"), f'"{phrase.title}" has no variations; leave the line out'
        )
    versions = [
        (name, _own_groove(file, where, folder, one))
        for name, one in [("", phrase), *((name, known[name]) for name in names)]
    ]
    roles = {part.role for part in phrase.parts}
    take = file.get((*where, "take"), str)
    sound = None if take is None else file.attempt((*where, "take"), inside, folder, take)
    if sound is not None and not _is_file(sound):
        what = f"{folder / take[:LONG]}: there is no such file; record it, or leave the take out"
        file.complain((*where, "take"), what)
    tempo = file.get((*where, "take-tempo"), (int, float))
    when = file.attempt((*where, "take-tempo"), check_tempo, tempo) if tempo else phrase.tempo
    keys = told.keys or (phrase.key,)
    tempos = told.tempos or _usual_tempos(phrase.tempo)
    taken = tempos[-1:] if full else tempos
    if take is not None and (phrase.key not in keys or when not in taken):
        file.complain(
            (*where, "take"),
            f"the take is in {phrase.key} at {float(when or phrase.tempo):g} beats a minute, "
            "in which this lesson has no demo; add them, or write its take-tempo",
        )
    return Study(
        name=path.stem,
        phrase=phrase,
        versions=tuple(versions),
        keys=keys,
        grooves=told.grooves,
        form=told.form,
        swing=told.swing,
        tempos=tempos,
        gaps=told.gaps or (("response",) if {"call", "response"} <= roles else ("echo",)),
        take=sound,
        take_tempo=when or phrase.tempo,
        text=file.get((*where, "text"), str, ""),
    )


def _own_groove(file: TextFile, where: Where, folder: Path, phrase: Phrase) -> Phrase:
    """Return a phrase whose groove, if it is the teacher's own file, lies in the folder."""
    if not is_path(phrase.groove):
        return phrase
    word = os.path.relpath(phrase.groove, folder)
    path = file.attempt((*where, "file"), _found, folder, GROOVE_SHELF, word)
    return replace(phrase, groove=str(path or phrase.groove))


def _usual_tempos(tempo: Fraction) -> tuple[Fraction, ...]:
    """Return tempos up to a phrase's own in steps of a multiple of four, `TEMPOS` at most."""
    for step in map(Fraction, count(4, 4)):
        found = step_tempos(usual_start(tempo, step), tempo, step)
        if len(found) <= TEMPOS:
            break
    return tuple(sorted(found))


def check_files(lesson: Lesson) -> None:
    """Read the grooves and forms a lesson names; raises `BluesError` if one cannot be used."""
    for study in lesson.studies:
        find_form(study.form)
        for _, version in study.versions:
            for groove in study.grooves:
                find_groove(groove or version.groove)
    if not lesson.make:
        raise TextFileError(str(lesson.path), (Problem("make: the lesson makes nothing"),))
