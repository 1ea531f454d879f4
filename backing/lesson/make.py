"""A lesson's folder, made or brought up to date: only what changed is made again.

First every phrase is tried in every key without sound. Then sounds are rendered in several
processes, each kept as soon as it is complete; then sheets and pages; then what names them all,
the description and the manifest.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from backing.forms.form import load_form
from backing.grooves.groove import load_groove
from backing.lesson.data import Lesson
from backing.lesson.describe import describe
from backing.lesson.index import INDEX, contents
from backing.lesson.items import Item, check_items, digest, font_digest, slug, sounds
from backing.lesson.lesson import check_files
from backing.lesson.paper import Leaf, leaves
from backing.lesson.records import Record, Shared, Workshop, opened
from backing.lesson.workers import PROCESSES, made
from soundfonts import find_soundfont

__all__ = ["DESCRIPTION", "MANIFEST", "Result", "make_lesson", "music_seconds"]

DESCRIPTION, MANIFEST = "description.txt", "manifest.json"
LEAF_SECONDS = 4.0  # what a sheet or a page counts for beside a second of music

# Called with what is done and all there is to do, in seconds of music, and with what was made.
Progress = Callable[[float, float, str], None]


@dataclass(frozen=True, slots=True)
class Result:
    """What a run did."""

    folder: Path  # the lesson's
    # `made` and `gone`: paths in the folder: made or made again, and removed as the lesson no
    # longer has them.
    made: tuple[str, ...]
    gone: tuple[str, ...]
    kept: int  # how many files were as they should be
    files: tuple[str, ...]  # every file of the lesson
    seconds: float  # of music that was rendered
    remarks: tuple[str, ...] = ()  # what there is to say of the sounds


def make_lesson(
    lesson: Lesson,
    folder: str | Path,
    soundfont: str | Path | None = None,
    progress: Progress | None = None,
    processes: int = PROCESSES,
    shared: Shared | None = None,
    cluster: str = "",
) -> Result:
    """Make a lesson's folder, or what of it has changed.

    The folder is new, empty, or one that this function made; without a `soundfont` one is looked
    for. `progress` is called with what is done and all there is to do, in seconds of music, and a
    name; `processes` render at once. `shared` is what other lessons have made already, and gets
    what this one has; `cluster` the address of a Dask scheduler whose workers make the sounds.

    Raises `BluesError` if something cannot be made; what was complete by then stays for the next
    run.
    """
    shared = shared or Shared()
    load_form.cache_clear()
    load_groove.cache_clear()  # a file of the teacher's own may have changed
    check_files(lesson)
    if lesson.films:
        from backing.film.write import check_av

        check_av()
    items = sounds(lesson)
    font = find_soundfont(soundfont).path if items else None
    told = font_digest(font) if font else ""
    wanted = {item: item.digest(told) for item in items}
    with opened(Path(folder)) as work:
        records = {item: work.record(item.name) for item in items}
        stale = [item for item in items if not work.holds(records[item], wanted[item])]
        run = _Tally(work, progress, sum(map(music_seconds, stale)))
        for item in list(stale):
            copied = shared.copied(wanted[item], work.drafts)
            if copied is not None:
                drafts, facts = copied
                files = {_target(work, item, what): work.drafts / d for what, d in drafts.items()}
                records[item] = work.keep(item.name, wanted[item], files, facts)
                run.kept(item.name, list(files), music_seconds(item), rendered=False)
                stale.remove(item)
        if stale:
            from backing.sound.fluid import check_audio

            check_audio()
            check_items(lesson, stale)
            assert font is not None
            run.tell("")
            if cluster:
                from backing.lesson.cluster import made_on

                making = made_on(cluster, stale, work.drafts, font, run.begun)
            else:
                making = made(stale, work.drafts, font, processes, run.begun)
            for item, drafts, facts in making:
                files = {_target(work, item, what): work.drafts / d for what, d in drafts.items()}
                records[item] = work.keep(item.name, wanted[item], files, facts)
                run.kept(item.name, list(files), music_seconds(item))
        whole = {item: record for item, record in records.items() if record is not None}
        for item, record in whole.items():
            paths = {_what(item, path): work.folder / path for path in record.files}
            shared.add(wanted[item], paths, record.facts)
        papers = _papers(lesson, work, wanted, whole)
        run.all += LEAF_SECONDS * sum(
            not work.holds(work.record(p.name), p.digest) for p in papers
        )
        leaf_records = {}
        for leaf in papers:
            leaf_records[leaf] = run.text(leaf.name, leaf.digest, leaf.make, LEAF_SECONDS)
        found = contents(
            lesson, {item: list(record.files) for item, record in whole.items()}, papers
        )
        run.text(INDEX, digest(found), found.encode)
        described = describe(lesson, {item: record.facts for item, record in whole.items()})
        run.text(DESCRIPTION, digest(described), described.encode)
        listed = _manifest(lesson, work, wanted, whole, leaf_records)
        run.text(MANIFEST, digest(listed), listed.encode)
        names = [item.name for item in items] + [leaf.name for leaf in papers]
        names += [INDEX, DESCRIPTION, MANIFEST]
        every = [path for name in names for path in getattr(work.record(name), "files", ())]
        gone = work.forget(names, every)
    return Result(
        folder=Path(folder),
        made=tuple(path for path in run.made if not path.startswith(".")),
        gone=tuple(path for path in gone if not path.startswith(".")),
        kept=len({path for path in every if not path.startswith(".")} - set(run.made)),
        files=tuple(sorted(path for path in every if not path.startswith("."))),
        seconds=run.rendered,
        remarks=(*work.spared, *_remarks(whole)),
    )


def _remarks(records: Mapping[Item, Record]) -> Iterator[str]:
    """Yield what there is to say of the sounds, the same of several at once."""
    found: dict[str, list[str]] = {}
    for item, record in records.items():
        for text in record.facts.get("remarks", ()):
            found.setdefault(text, []).append(item.name.rpartition("/")[2])
    for text, names in found.items():
        yield f"{names[0] if len(names) == 1 else f'{len(names)} sounds'}: {text}"


class _Tally:
    """Counts what one run makes."""

    def __init__(self, work: Workshop, progress: Progress | None, length: float) -> None:
        self.work = work
        self.progress = progress
        self.all = length
        self.done = self.rendered = 0.0
        self.made: list[str] = []
        self._begun = 0.0

    def begun(self, item: Item) -> None:
        """Note what is being made."""
        self._begun += music_seconds(item)

    def kept(self, name: str, files: list[str], length: float, *, rendered: bool = True) -> None:
        """Note what was made."""
        self.made += files
        self.done += length
        self.rendered += length * rendered
        self.tell(name)

    def tell(self, name: str) -> None:
        """Show how far the run is; what is being made counts as half done."""
        if self.progress is not None:
            self.progress((self.done + max(self.done, self._begun)) / 2, self.all, name)

    def text(self, name: str, told: str, make: Callable[[], bytes], length: float = 0.0) -> Record:
        """Return the record of a file of one piece, made if it is not as it should be."""
        record = self.work.record(name)
        if record is not None and self.work.holds(record, told):
            return record
        draft = self.work.draft(Path(name).suffix)
        draft.write_bytes(make())
        record = self.work.keep(name, told, {name: draft}, {})
        self.kept(name, [name], length, rendered=False)
        return record


def music_seconds(item: Item) -> float:
    """Return about how long an item sounds, in seconds; a loop is rendered several times over."""
    bars = {"trade": 4 * item.phrase.bars, "loop": 4 * item.phrase.bars}
    beats = bars.get(item.kind, 13 * item.choruses) * item.phrase.meter.beats
    return float(beats * 60 / item.tempo)


def _target(work: Workshop, item: Item, what: str) -> str:
    """Return the path in the folder of what an item's maker calls ``.wav`` or ``band``."""
    if what[0] in "._":
        return f"{item.name}{what}"
    return f"{work.layers}/{item.name.rpartition('/')[2]}.{what}.opus"


def _what(item: Item, path: str) -> str:
    """Return the name of a file within its item; the reverse of `_target`."""
    return path.removeprefix(item.name) if path.startswith(item.name) else path.split(".")[-2]


def _papers(
    lesson: Lesson, work: Workshop, wanted: Mapping[Item, str], records: Mapping[Item, Record]
) -> list[Leaf]:
    def layers(item: Item) -> tuple[Path, Path]:
        band, phrase = (work.folder / _target(work, item, what) for what in ("band", "phrase"))
        return band, phrase

    loops = {item: (wanted[item], record.facts) for item, record in records.items() if item.layers}
    return list(leaves(lesson, loops, layers))


def _manifest(
    lesson: Lesson,
    work: Workshop,
    wanted: Mapping[Item, str],
    records: Mapping[Item, Record],
    papers: Mapping[Leaf, Record],
) -> str:
    """Return the list of what is there, the same for the same lesson on the same machine."""
    rows: list[dict[str, Any]] = []
    for item, record in records.items():
        about = {
            "kind": item.kind,
            "phrase": lesson.studies[item.study].phrase.title,
            "variation": item.version,
            "key": str(item.key),
            "groove": Path(item.groove).stem,
            "tempo": float(item.tempo),
            "seconds": round(record.facts["seconds"], 3),
            "digest": wanted[item],
        }
        if item.gap:
            about["gap"] = item.gap
        if item.take is not None:
            about["take"] = item.take.name
        rows += _files(record, about)
    for leaf, record in papers.items():
        about = {"kind": leaf.kind, **_named(lesson, leaf), "digest": leaf.digest}
        rows += _files(record, about)
    rows.sort(key=lambda row: str(row["path"]))
    told = {
        "title": lesson.title,
        "name": slug(lesson.title),
        "program": f"porchband {_version()}",
        "files": rows,
    }
    return json.dumps(told, ensure_ascii=False, indent=1) + "\n"


def _named(lesson: Lesson, leaf: Leaf) -> dict[str, str]:
    found = {}
    if leaf.study is not None:
        found["phrase"] = lesson.studies[leaf.study].phrase.title
    if leaf.key is not None:
        found["key"] = str(leaf.key)
    return found


def _files(record: Record, about: Mapping[str, Any]) -> list[dict[str, Any]]:
    return [
        {"path": path, **about, "bytes": size, "sha256": told}
        for path, (size, _, told) in record.files.items()
        if not path.startswith(".")
    ]


def _version() -> str:
    try:
        return version("porchband")
    except PackageNotFoundError:
        return "of the source tree"
