"""The text for the description under a video of a lesson, with chapter times.

The video is taken to begin with the teacher's words and then to play the lesson's sounds in one
key and groove, the first of each, one after another: demos, loops, trade tracks and backings in
the lesson's order.

References: that chapters are lines of a time and a name, that the first stands at 0:00, and that
one shorter than `SHORTEST` seconds is not shown, is common practice among video sites.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from backing.film.words import chapter_times as chapter_marks
from backing.film.write import TITLE
from backing.grooves import groove_titles
from backing.lesson.data import Lesson
from backing.lesson.items import Item
from backing.page.words import plain
from backing.tempo import clock_time

__all__ = ["ROUNDS", "SHORTEST", "chapters", "describe"]

ROUNDS = 4  # times that a video plays a loop
SHORTEST = 10  # seconds of a chapter

WHAT = {
    "demo": "the phrase over the band",
    "loop": "round and round",
    "trade": "your turn",
    "backing": "the band alone",
}
GAPS = {
    "response": "to answer",
    "call": "to call",
    "echo": "to play it back",
    "two": "every two bars",
    "four": "every four bars",
}
HEARING = "Start with the volume low, and rest when a hand tires."


def chapters(lesson: Lesson, facts: Mapping[Item, Mapping[str, Any]]) -> list[tuple[int, str]]:
    """Return when each chapter begins, in whole seconds, and its name.

    `facts` has those of each of the lesson's sounds, among them its ``seconds``.
    """
    now = float(lesson.opening)
    found = [(0, "Before we play")] if lesson.opening >= SHORTEST else []
    several = len(lesson.studies) > 1
    for item in _played(lesson, facts):
        seconds = float(facts[item]["seconds"]) * (ROUNDS if item.kind == "loop" else 1)
        name = lesson.studies[item.study].phrase.title
        name = f"{name}, {item.version}" if item.version else name
        tempo = f"{float(item.tempo):g} beats a minute"
        slow = item.kind == "loop" and item.tempo < max(lesson.studies[item.study].tempos)
        what = f"{'slowly, ' if slow else ''}{WHAT[item.kind]}"
        if len(lesson.studies[item.study].gaps) > 1 and item.gap:
            what += f" {GAPS[item.gap]}"
        text = f"{name}: {what}, {tempo}" if several or item.version else f"{what}, {tempo}"
        begins = round(now) if found else 0
        if not found or begins - found[-1][0] >= SHORTEST:
            found.append((begins, text[:1].upper() + text[1:]))
        now += seconds
    return found


def _played(lesson: Lesson, facts: Mapping[Item, Mapping[str, Any]]) -> Iterator[Item]:
    """Yield what a video plays: each phrase in the first key, demos and backings at full tempo."""
    for number, study in enumerate(lesson.studies):
        played = {name: study.grooves[0] or one.groove for name, one in study.versions}
        of_study = [item for item in facts if item.study == number and item.formats]
        here = [
            item
            for item in of_study
            if (item.key, item.groove) == (study.keys[0], played[item.version])
        ]
        for kind in lesson.video:
            for version, _ in study.versions:
                of_kind = [i for i in here if i.kind == kind and i.version == version]
                if kind == "loop":
                    yield from of_kind
                else:
                    full = max((item.tempo for item in of_kind), default=None)
                    yield from (item for item in of_kind if item.tempo == full)


def describe(lesson: Lesson, facts: Mapping[Item, Mapping[str, Any]]) -> str:
    """Return the text; the parameters are those of `chapters`."""
    lines = [lesson.title, ""]
    if lesson.text.strip():
        lines += [plain(lesson.text), ""]
    rows = chapters(lesson, facts)
    if rows:
        several = any(len(one.keys) > 1 or len(one.grooves) > 1 for one in lesson.studies)
        head = "Chapters (in the first key and groove of each)" if several else "Chapters"
        lines += [head, *(f"{clock_time(second)} {name}" for second, name in rows), ""]
    for item in (one for one in facts if one.film):
        marks = chapter_marks(item.stream(), TITLE)
        lines.append(f"Chapters of the film {item.name.rpartition('/')[2]}.mp4")
        lines += [*(f"{clock_time(second)} {name}" for second, name in _apart(marks)), ""]
    lines.append("To practise with")
    for study in lesson.studies:
        tempos = [f"{float(tempo):g}" for tempo in study.tempos]
        keys = ", ".join(map(str, study.keys))
        if len(study.grooves) > 1:
            keys += f", over {', '.join(groove_titles(study.grooves))}"
        names = [name for name, _ in study.versions if name]
        also = f" Also: {', '.join(names)}." if names else ""
        shown = tempos[0] if len(tempos) == 1 else f"{', '.join(tempos[:-1])} and {tempos[-1]}"
        lines.append(f"{study.phrase.title}, in {keys}, at {shown} beats a minute.{also}")
        if study.text.strip():
            lines += ["", plain(study.text), ""]
    if any(item.kind == "loop" for item in _played(lesson, facts)):
        lines += ["", f"The video plays each loop {ROUNDS} times; the files go round for ever."]
    if lesson.credits.line:
        lines += ["", lesson.credits.line]
    return "\n".join([*lines, "", HEARING]) + "\n"


def _apart(marks: Iterable[tuple[float, str]]) -> Iterator[tuple[float, str]]:
    """Yield chapters that are long enough to be shown."""
    last = -float(SHORTEST)
    for second, name in marks:
        if second - last >= SHORTEST:
            yield second, name
            last = second
