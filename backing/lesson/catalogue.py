"""Many lessons in one folder: each in a folder of its own, what is alike rendered once.

A catalogue's folder has a page that leads to every lesson, and a manifest of the lessons' own.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

from backing.formats import FORMATS
from backing.forms import find_form
from backing.lesson.data import Lesson
from backing.lesson.index import INDEX, index
from backing.lesson.items import Item, file_digest, slug, sounds
from backing.lesson.make import (
    DESCRIPTION,
    MANIFEST,
    Progress,
    Result,
    make_lesson,
    music_seconds,
)
from backing.lesson.paper import leaves
from backing.lesson.records import Shared
from backing.output import OutputError
from phrases.pitch import Key
from phrases.replacing import MADE, check_free
from phrases.rewrite import replace_file

__all__ = ["INDEX", "Estimate", "Shared", "estimate", "folders", "make_catalogue", "warnings"]

# Bytes of a second of sound, measured on two choruses of a track at 48000 frames a second.
LAYERS = 2 * 8_750 * 4 / 3  # bytes of a page's second: two layers of 70 kbit/s in base64
SECOND = {suffix: kind.size for suffix, kind in FORMATS.items()} | {".mp4": 110_000}
FILM_SPEED = 3.0  # seconds of a film made in one
PAPER, WORDS = 60_000, 8_000  # bytes of a sheet, and of a page without its sound; of MIDI or text
SPEED = 17.0  # seconds of music that a process makes in a second, with its share of the papers
HEAVY_PAGE, HEAVY_FOLDER = 12_000_000, 2_000_000_000  # bytes


@dataclass(frozen=True, slots=True)
class Estimate:
    """What a lesson will take, about."""

    files: tuple[tuple[str, int], ...]  # each file's path and bytes
    seconds: float  # of work, by one process
    digests: frozenset[str] = frozenset()  # of its sounds, the soundfont's left empty

    @property
    def size(self) -> int:
        """Bytes in all."""
        return sum(size for _, size in self.files)


def estimate(lesson: Lesson, known: Iterable[str] = ()) -> Estimate:
    """Return about what a lesson takes in bytes and seconds.

    `known` are digests of what need not be rendered, the soundfont's left empty.
    """
    files: list[tuple[str, int]] = [(name, WORDS) for name in (INDEX, DESCRIPTION, MANIFEST)]
    layers: dict[tuple[int, Key], float] = {}
    seconds = 0.0
    there = set(known)
    for item in sounds(lesson):
        length, at = _lasts(item), (item.study, item.key)
        for what in item.outputs():
            wide = 2 if what.startswith("_") else 1  # a stem has 32 bits
            size = round(wide * length * SECOND.get(Path(item.name + what).suffix, 0))
            files.append((item.name + what, size or WORDS))
        if item.layers:
            layers[at] = layers.get(at, 0.0) + length * LAYERS
        told = item.digest("")
        if told not in there:
            seconds += music_seconds(item) / SPEED + item.film * length / FILM_SPEED
        there.add(told)
    for leaf in sorted(
        leaves(lesson, {}, lambda _: (Path(), Path())), key=lambda leaf: leaf.kind != "sounds"
    ):
        held = [at for at in layers if leaf.study == at[0] and leaf.key in (None, at[1])]
        sound = sum(layers.pop(at) for at in held if leaf.kind in ("sounds", "page"))
        files.append((leaf.name, round(PAPER + sound)))
    return Estimate(tuple(sorted(files)), seconds, frozenset(there))


def _lasts(item: Item) -> float:
    """Return about how long an item is, its counting in and its last chord with it."""
    bars = {"loop": item.phrase.bars, "trade": 4 * item.phrase.bars + 1}
    whole = len(find_form(item.form).bars(item.key)) * item.choruses + 2
    return float(bars.get(item.kind, whole) * item.phrase.meter.beats * 60 / item.tempo)


def warnings(lessons: Mapping[str, Estimate]) -> Iterator[str]:
    """Yield what is heavy, before it is made."""
    for name, told in lessons.items():
        for path, size in told.files:
            if path.endswith(".html") and size > HEAVY_PAGE:
                yield (
                    f"{name}/{path}: the page will have about {size / 1e6:.0f} MB; name fewer "
                    "tempos, keys or variations"
                )
    size = sum(told.size for told in lessons.values())
    if size > HEAVY_FOLDER:
        yield f'the folder will have about {size / 1e9:.1f} GB; formats = ["mp3"] takes an eighth'


def folders(lessons: Sequence[Lesson]) -> list[str]:
    """Return the name of each lesson's folder; raises `OutputError` if two would be the same."""
    names = [slug(lesson.path.stem) for lesson in lessons]
    for name, lesson in zip(names, lessons, strict=True):
        if names.count(name) > 1:
            raise OutputError(f"{lesson.path}: two lessons would lie in {name}; rename a file")
    return names


def make_catalogue(
    lessons: Sequence[Lesson],
    folder: Path,
    soundfont: Path | None,
    processes: int,
    begun: Callable[[int, Lesson], AbstractContextManager[Progress]],
    cluster: str = "",
) -> list[Result]:
    """Make every lesson in a folder of its own, then the page and the manifest of all.

    `begun` is called with each lesson that is begun and its number from 1, and gives what shows
    progress; the rest is as for `make_lesson`. Raises `BluesError` as that does, or if the page or
    the manifest would replace a file of others.
    """
    names = folders(lessons)
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder}: is not a folder; name one for the lessons")
    for name in (INDEX, MANIFEST):
        check_free(folder / name)
    shared = Shared()
    results = []
    for number, (name, lesson) in enumerate(zip(names, lessons, strict=True), 1):
        with begun(number, lesson) as shown:
            results.append(
                make_lesson(lesson, folder / name, soundfont, shown, processes, shared, cluster)
            )
    links = [
        (f"{name}/{INDEX}", lesson.title) for name, lesson in zip(names, lessons, strict=True)
    ]
    replace_file(folder / INDEX, index("Lessons", links))
    replace_file(folder / MANIFEST, _manifest(names, lessons, results))
    return results


def _manifest(names: Sequence[str], lessons: Sequence[Lesson], results: Sequence[Result]) -> str:
    rows = [
        {
            "folder": name,
            "title": lesson.title,
            "files": len(result.files),
            "bytes": sum((result.folder / path).stat().st_size for path in result.files),
            "manifest": file_digest(result.folder / MANIFEST),
        }
        for name, lesson, result in zip(names, lessons, results, strict=True)
    ]
    told = {"made": MADE, "lessons": rows}
    return json.dumps(told, ensure_ascii=False, indent=1) + "\n"
