"""What a lesson makes: each file's name, how it is made, and a digest of all it depends on.

Conventions: names sort in the order in which things are used and say what they are even when a
file is moved elsewhere: ``01-porch-light_A_2-loop_072bpm.wav``. A digest is a SHA-256 over the
phrase without its tips, the setting, the program's own text and the soundfont, so that an item is
made again exactly when it could come out otherwise.
"""

from __future__ import annotations

import hashlib
import os
import re
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import lru_cache
from pathlib import Path

import backing
import phrases
from backing import pieces
from backing.events import VOICES, Stream
from backing.lesson.data import SOUNDS, Lesson, Study
from backing.output import STEMS
from phrases.errors import BluesError, RangeError
from phrases.phrase import Phrase
from phrases.pitch import Key

__all__ = [
    "MOST", "ORDER", "Item", "check_items", "digest", "file_digest", "font_digest", "key_word",
    "program_digest", "shelved", "slug", "sounds", "stem", "tempo_word",
]  # fmt: skip

MOST = 2000  # sounds of a lesson
TRADES = 4  # passes of a trade track
ORDER = {kind: number for number, kind in enumerate((*SOUNDS, "sheet"), 1)}
SAMPLES, SAMPLE = 16, 1 << 16  # pieces of a soundfont that are looked at, bytes of each
# What does not change how anything sounds.
SILENT = ("cli", "exchange", "film", "lesson", "live", "page", "sheet")


@dataclass(frozen=True, slots=True)
class Item:
    """One piece of sound and its MIDI file."""

    kind: str  # ``demo``, ``loop``, ``trade`` or ``backing``
    study: int  # the number of its phrase in the lesson, from 0
    version: str  # the variation's name; empty for the phrase itself
    phrase: Phrase  # what is played, in its own key, without tips and variations
    # `key` to `choruses`: as for `backing.pieces`.
    key: Key
    tempo: Fraction
    groove: str
    form: str
    swing: str
    choruses: int
    gap: str  # of a trade track
    name: str  # of its files, without suffix and relative to the lesson's folder
    formats: tuple[str, ...]  # suffixes of its sounds
    stems: bool = False  # whether it is written part by part too
    layers: bool = False  # whether band and phrase are also kept apart for the practice page
    film: bool = False  # whether it is filmed too
    take: Path | None = field(default=None)  # the recording that replaces the phrase, or None
    voice: str = VOICES[0]  # who plays strings and organ, one of `backing.events.VOICES`

    def stream(self) -> Stream:
        """Return the stream of events; raises `BluesError` if the phrase cannot be played so."""
        return replace(self._stream(), voice=self.voice)

    def _stream(self) -> Stream:
        band: pieces.BandOptions = {
            "key": str(self.key), "groove": self.groove, "form": self.form,
            "swing": self.swing or None,
        }  # fmt: skip
        phrase, tempo = self.phrase, self.tempo
        if self.kind == "backing":
            band["swing"] = self.swing or phrase.swing or None
            return pieces.track(tempo=tempo, choruses=self.choruses, **band)
        if self.kind == "demo":
            return pieces.demo(phrase, tempo=tempo, choruses=self.choruses, **band)
        if self.kind == "loop":
            return pieces.loop(phrase, seamless=True, goal=tempo, **band)
        return pieces.trade(phrase, goal=tempo, passes=TRADES, gap=self.gap, **band)

    def outputs(self) -> list[str]:
        """Return how its files go on after its name: ``.mid``, ``.wav``, ``_stems/bass.wav``."""
        found = [f".{suffix}" for suffix in ("mid", *self.formats)] if self.formats else []
        if self.stems:
            silent = "drums" if "sticks" in self.stream().parts else "sticks"
            found += [f"_stems/{part}.wav" for part in STEMS if part != silent]
        return found + [".mp4", ".vtt"] * self.film

    def digest(self, font: str) -> str:
        """Return the digest of all it depends on, the soundfont's being `font`."""
        return digest(
            program_digest(),
            font,
            self.voice,
            self.kind,
            # The band alone is the same under every phrase.
            self.phrase.swing if self.kind == "backing" else self.phrase,
            self.key,
            self.tempo,
            shelved(self.groove),
            shelved(self.form),
            self.swing,
            self.choruses if self.kind in ("backing", "demo") else 0,
            self.gap,
            self.formats,
            self.stems,
            self.layers,
            self.film and program_digest("film", "live", "page", "sheet"),
            self.take and file_digest(self.take),
        )


def sounds(lesson: Lesson) -> list[Item]:
    """Return the sounds of a lesson in the order of their names.

    Raises `RangeError` if they are more than `MOST`.
    """
    made = []
    for item in _sounds(lesson):
        made.append(item)
        if len(made) > MOST:
            raise RangeError(
                f"{lesson.path}: the lesson makes more than {MOST} sounds; name fewer keys, "
                "tempos or gaps"
            )
    return made


def _sounds(lesson: Lesson) -> Iterator[Item]:
    wanted = [kind for kind in SOUNDS if kind in lesson.make or _for_page(lesson, kind)]
    for number, study in enumerate(lesson.studies):
        for key in study.keys:
            for kind in wanted:
                full = kind in lesson.full_tempo_only
                for groove in study.grooves:
                    for tempo in study.tempos[-1:] if full else study.tempos:
                        yield from _of(lesson, number, study, key, kind, groove, tempo)


def _for_page(lesson: Lesson, kind: str) -> bool:
    return kind == "loop" and "page" in lesson.make


def _of(
    lesson: Lesson, number: int, study: Study, key: Key, kind: str, groove: str, tempo: Fraction
) -> Iterator[Item]:
    heard: set[tuple[str, str]] = set()
    names = _words([name for name, _ in study.versions])
    grooves = _words([Path(word).stem for word in study.grooves])
    for at, (version, whole) in enumerate(study.versions):
        played, swing = groove or whole.groove, study.swing or whole.swing
        if kind == "backing":  # a variation has a backing of its own where its groove differs
            if (played, swing) in heard:
                continue
            heard.add((played, swing))
        for gap in study.gaps if kind == "trade" else ("",):
            what = f"{ORDER[kind]}-{kind}" + (f"-{gap}" if gap else "")
            words = [stem(number, study), key_word(key), what]
            words += [grooves[study.grooves.index(groove)]] if len(grooves) > 1 else []
            words += [tempo_word(tempo)]
            words += [names[at]] if version else []
            first = groove == study.grooves[0]
            full = (key, groove, tempo) == (study.keys[0], study.grooves[0], study.tempos[-1])
            film = lesson.films and kind == "demo" and full
            tips = whole.tips if film else ()
            takes = kind == "demo" and not version and key == study.phrase.key and first
            yield Item(
                kind=kind,
                study=number,
                version=version,
                phrase=replace(whole, tips=tips, variations=(), level="", tags=(), groove=""),
                key=key,
                tempo=tempo,
                groove=played,
                form=study.form,
                swing=study.swing,
                choruses=lesson.choruses,
                gap=gap,
                name=f"{stem(number, study)}/{key_word(key)}/{'_'.join(words)}",
                formats=lesson.formats if kind in lesson.make else (),
                stems=lesson.stems and kind in ("backing", "demo"),
                layers=_for_page(lesson, kind),
                film=film,
                take=study.take if takes and tempo == study.take_tempo else None,
                voice=lesson.voice,
            )


def _words(names: Iterable[str]) -> list[str]:
    """Return a word for the files of each name, no two the same."""
    words: list[str] = []
    for name in names:
        word = plain = slug(name)
        number = 1
        while word in words:
            number += 1
            word = f"{plain}-{number}"
        words.append(word)
    return words


def check_items(lesson: Lesson, items: Sequence[Item]) -> None:
    """Check that every phrase can be played as asked, before anything is rendered.

    One tempo stands for all. Raises `RangeError` with the phrase, the key and what is wrong.
    """
    seen = set()
    for item in items:
        what = (item.kind, item.study, item.version, item.key, item.gap)
        if what in seen:
            continue
        seen.add(what)
        try:
            item.stream()
        except BluesError as error:
            raise RangeError(
                f"{lesson.path}: {item.kind} of {item.phrase.title} in {item.key}: {error}"
            ) from None


def stem(number: int, study: Study) -> str:
    """Return how the files of a lesson's phrase begin: ``01-porch-light``."""
    return f"{number + 1:02d}-{slug(study.name)}"


def key_word(key: Key) -> str:
    """Return a key for a file's name: ``A``, ``F-sharp``, ``C-sharp-minor``."""
    word = str(key).replace("#", " sharp")
    return word.replace(" ", "-")


def tempo_word(tempo: Fraction) -> str:
    """Return a tempo for a file's name: ``072bpm``, ``092.5bpm``."""
    whole, dot, rest = f"{float(tempo):.10g}".partition(".")
    return f"{int(whole):03d}{dot}{rest}bpm"


def slug(text: str) -> str:
    """Return a text as small letters, digits and hyphens, 40 at most."""
    plain = unicodedata.normalize("NFKD", text.replace("ß", "ss")).casefold()
    kept = "".join(sign for sign in plain if not unicodedata.combining(sign))
    return re.sub(r"[^a-z0-9]+", "-", kept).strip("-")[:40].strip("-") or "phrase"


def digest(*parts: object) -> str:
    """Return the SHA-256 of some values that tell all by their ``repr``."""
    return hashlib.sha256("\n".join(map(repr, parts)).encode()).hexdigest()


def file_digest(path: Path) -> str:
    """Return the SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@lru_cache(maxsize=8)
def font_digest(path: Path) -> str:
    """Return a soundfont's fingerprint: its size and pieces all over it."""
    size = path.stat().st_size
    told = hashlib.sha256(str(size).encode())
    with path.open("rb") as file:
        for number in range(SAMPLES):
            file.seek(max(0, size - SAMPLE) * number // (SAMPLES - 1))
            told.update(file.read(SAMPLE))
    return told.hexdigest()


@lru_cache(maxsize=4)
def program_digest(*packages: str) -> str:
    """Return a digest of the program that makes sound, or of some of its packages."""
    told = hashlib.sha256()
    root = Path(backing.__file__).parent
    if packages:
        folders = [root / package for package in packages]
        files = [path for folder in folders for path in folder.rglob("*")]
    else:
        files = [path for path in root.rglob("*") if path.relative_to(root).parts[0] not in SILENT]
        files += Path(phrases.__file__).parent.glob("*.py")
        files += [root / "lesson" / "sound.py", root / "lesson" / "take.py"]
    for path in sorted(files):
        if path.is_file() and path.suffix not in (".pyc", ".pyi"):
            told.update(os.path.relpath(path, root).encode())
            told.update(path.read_bytes())
    return told.hexdigest()


def shelved(word: str) -> str:
    """Return a groove's or form's name, or the digest of the user's own file."""
    path = Path(word)
    return file_digest(path) if path.suffix else word
