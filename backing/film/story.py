"""What a film shows when, worked out from the stream: systems, the cursor's way, words.

Conventions: seconds are those of the piece, 0 at its first frame of sound. What is shown at a
place of the picture is a row of steps, each a second and what is there from then on.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

import numpy as np

from backing.events import Section, Stream
from backing.film.shape import Shape
from backing.live.index import StreamIndex
from backing.page.data import PageNote, PageSystem
from backing.page.music import growing, neck_places, system, tips_of
from backing.practice.region import YOURS
from backing.setting import placements
from backing.sheet import ink
from backing.sheet.ink import Ink
from backing.sheet.layout import Style, pictures
from backing.sheet.writing import write
from backing.tempo import Clock
from phrases.counting import evenly
from phrases.phrase import Phrase

__all__ = ["Run", "Steps", "Story", "tell"]

SOON = 3  # beats that are counted down to a turn
UNSEEN = ("bar number", "tip", "stroke", "finger")  # small, and told elsewhere on the picture
WORD = 8.0  # staff spaces: what is wider is a line
BEFORE, CUT = 1.3, 6.0  # before a number a system is cut; what cutting through a word costs
VIEW = re.compile(r'viewBox="([^"]*)"')
LONG = 6.0  # seconds that a tip stays, at least
Steps = tuple[tuple[float, Hashable], ...]


@dataclass(frozen=True, slots=True)
class Run:
    """The cursor's way through a system, or a system that waits."""

    start: float  # when it begins
    system: int  # its number in the story
    # Seconds and x in staff spaces, both growing; empty where there is no cursor.
    way: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Story:
    """All that a film shows."""

    stream: Stream  # what sounds
    systems: tuple[PageSystem, ...]  # the written music
    runs: tuple[Run, ...]  # in order
    # For each place of the picture but the music what it shows, in order; ``yours`` says whether
    # it is the student's turn.
    steps: dict[str, Steps]
    notes: tuple[PageNote, ...]  # everything the neck may show


@dataclass(frozen=True, slots=True)
class _Written:
    """The systems of a pass or a chorus, where its phrases begin, in beats, and its bars.

    A system is its number in the story and the beats from which to which it is shown.
    """

    systems: tuple[tuple[int, Fraction, Fraction], ...]
    starts: tuple[int, ...]
    bars: int


def tell(stream: Stream, shape: Shape) -> Story:
    """Return the story of a stream with a phrase: each change of the picture with its second.

    Raises `BluesError` if the phrase cannot be written.
    """
    return _Teller(stream, shape).story()


class _Teller:
    def __init__(self, stream: Stream, shape: Shape) -> None:
        assert stream.phrase is not None
        self.stream, self.shape = stream, shape
        self.index = StreamIndex(stream)
        self.phrase: Phrase = stream.shown or stream.phrase
        self.beats = stream.meter.beats
        self.systems: list[PageSystem] = []
        self.known: dict[object, _Written] = {}
        self.notes, self.even = neck_places(self.phrase), self.phrase.even
        self.groups = self._groups()

    def _groups(self) -> dict[int, tuple[_Written, int]]:
        """Return for each section with written music what that is, and its first bar in it."""
        found: dict[int, tuple[_Written, int]] = {}
        sections = self.stream.sections
        for number, section in enumerate(sections):
            if section.kind not in ("chorus", "pass"):
                continue
            group = {number: 0}  # its sections, each with its first bar
            bars = int(section.beats) // self.beats
            if number + 1 < len(sections) and sections[number + 1].kind == "slow-down":
                group[number + 1] = bars
                bars += int(sections[number + 1].beats) // self.beats
            chords = [
                (first + bar, at, name)
                for one, first in group.items()
                for bar, at, name in self._chords(one)
            ]
            key = (bars, section.swing, tuple(chords))
            if key not in self.known:
                self.known[key] = self._write(section, bars, chords)
            found |= {one: (self.known[key], first) for one, first in group.items()}
        return found

    def _chords(self, number: int) -> Iterator[tuple[int, Fraction, str]]:
        section = self.stream.sections[number]
        for label in section.chords:
            at = self.index.beat_at(number, section.start + Fraction(label.seconds))[0]
            bar, beat = divmod(Fraction(round(at)), self.beats)
            yield int(bar), beat, label.text

    def _write(
        self, section: Section, bars: int, chords: list[tuple[int, Fraction, str]]
    ) -> _Written:
        once = section.kind == "pass"
        places = (0,) if once else placements(self.phrase, bars)
        score = write(self.phrase, chords, swing=section.swing, places=places, bars=bars)
        made = []
        for picture in pictures(score, Style(self.shape.line, self.shape.staves, marks=False)):
            unseen = (*UNSEEN, "label") if self.shape.grounds else UNSEEN
            inks = tuple(one for one in picture.inks if one.kind not in unseen)
            box = ink.around(box for one in inks for box in one.boxes)
            whole = system(score, replace(picture, inks=inks, box=box))
            low = Fraction((whole.bars[0][0] - 1) * self.beats)
            for one in parted(whole, inks, box.left - 0.1, self.shape.line):
                if one not in self.systems:
                    self.systems.append(one)
                high = one.places[-1][0]
                made.append((self.systems.index(one), low, high))
                low = high
        return _Written(tuple(made), tuple(place * self.beats for place in places), bars)

    # --- time -----------------------------------------------------------------

    def _when(self, section: Section) -> Callable[[Fraction], float]:
        """Return when a beat of a section is heard, in seconds of the piece."""
        clock = Clock(section.tempo, section.swing, section.steps)
        seconds = evenly(clock.seconds, self.even) if section.kind == "pass" else clock.seconds
        picks: dict[Fraction, float] = {}
        for note in (*section.notes, *section.silent):
            if note.beat is not None:
                picks[note.beat] = min(note.start, picks.get(note.beat, note.start))

        def when(beat: Fraction) -> float:
            return float(section.start) + (picks[beat] if beat in picks else seconds(beat))

        return when

    def _pickup(self, section: Section) -> Fraction | None:
        """Return the beat of a section from which on the next phrase's pickup sounds in it."""
        early = self.phrase.parts[0].pickup
        played = {note.beat for note in (*section.notes, *section.silent)}
        return section.beats - early if early and section.beats - early in played else None

    def runs(self) -> list[Run]:
        sections = self.stream.sections
        found: list[Run] = []
        order = sorted(self.groups)
        for number, section in enumerate(sections):
            when, wraps = self._when(section), self._pickup(section)
            after = next((n for n in order if n > number), None)
            stop = when(wraps) if wraps is not None else math.inf
            if number in self.groups:
                written, first = self.groups[number]
                for run in self._through(written, first, section, when):
                    if run.start < stop:
                        found.append(replace(run, way=_until(run.way, stop)))
            elif after is not None:
                found.append(Run(float(section.start), self.groups[after][0].systems[0][0]))
            elif found:
                found.append(Run(float(section.start), found[-1].system))
            if wraps is not None and after is not None:
                one = self.groups[after][0].systems[0][0]
                early = [
                    (when(section.beats + beat), x)
                    for beat, x in self.systems[one].places
                    if beat < 0 and section.beats + beat >= wraps
                ]
                end = float(section.start + section.seconds)
                early += [(end - 1e-6, x) for beat, x in self.systems[one].places if beat == 0]
                found.append(Run(stop, one, growing(early)))
        return found

    def _through(
        self, written: _Written, first: int, section: Section, when: Callable[[Fraction], float]
    ) -> Iterator[Run]:
        shift = first * self.beats
        for number, begin, end in written.systems:
            one = self.systems[number]
            low, high = max(Fraction(0), begin - shift), min(section.beats, end - shift)
            if low >= high:
                continue
            places = [(beat - shift, x) for beat, x in one.places]
            way = [(when(beat), x) for beat, x in places if low <= beat < high]
            way += [(when(high) - 1e-6, x) for beat, x in places if beat == high]
            yield Run(way[0][0] if low else float(section.start), number, growing(way))

    # --- words ----------------------------------------------------------------

    def story(self) -> Story:
        sections = self.stream.sections
        steps: dict[str, list[tuple[float, Hashable]]] = {
            name: [] for name in ("chord", "next", "turn", "bar", "beats", "tempo", "yours")
        }
        for number, section in enumerate(sections):
            clock = Clock(section.tempo, section.swing, section.steps)
            begins = float(section.start)
            at = {begins + float(clock.exact(beat)) for beat in range(int(section.beats))}
            at |= {begins + label.seconds for label in (*section.chords, *section.labels)}
            for second in sorted(at):
                for name, value in self._at(number, section, second).items():
                    steps[name].append((second, value))
        steps["tip"], steps["neck"] = self._tips(), self._neck()
        thin = {name: _changes(rows) for name, rows in steps.items()}
        return Story(self.stream, tuple(self.systems), tuple(self.runs()), thin, self.notes)

    def _at(self, number: int, section: Section, second: float) -> dict[str, Hashable]:
        beat, tempo = self.index.beat_at(number, Fraction(second + 1e-6))
        now, soon, comes = self.index.chords(number, second)
        wait = math.inf if comes is None else math.ceil((comes - second) * tempo / 60 - 0.01)
        bar, within = divmod(int(beat), self.beats)
        bars = int(section.beats) // self.beats
        if number in self.groups:
            written, first = self.groups[number]
            bar, bars = bar + first, written.bars
        head, turn = self.index.head(number), self.index.turn(number, second)
        yours = turn is not None and turn.yours
        said = turn.text if turn else head
        if turn and turn.kind == "part":
            said = f"Listen: {said.lower()}"
        due = self.index.due(number, second, float(tempo))
        near = due is not None and math.ceil(due - 0.01) <= SOON
        if due is not None and near and not yours:
            said = f"{YOURS} in {math.ceil(due - 0.01)}"
        name = "" if section.kind == "slow-down" else head.partition(":")[0]
        if section.kind == "pass":
            count = sum(one.kind == "pass" for one in self.stream.sections)
            name += f" of {count}"
        counting = section.kind == "count-in"
        return {
            "chord": now,
            "next": (soon, wait if wait <= self.beats else 0) if soon else None,
            "turn": (said, near or yours, yours),
            "bar": "Count-in" if counting else f"Bar {bar + 1} of {bars}",
            "beats": (within + 1, self.beats),
            "tempo": (_told(section, tempo), "" if counting else name),
            "yours": yours,
        }

    def _tips(self) -> list[tuple[float, Hashable]]:
        whole = [tip.text for tip in self.phrase.tips if tip.at is None]
        found: list[tuple[float, Hashable]] = [(0.0, ("", " ".join(whole)) if whole else None)]
        placed = [tip for tip in tips_of(self.phrase) if tip.beat is not None]
        marks: list[tuple[float, float, Hashable]] = []
        for start, section in self._phrases():
            when = self._when(section)
            for tip in placed:
                assert tip.beat is not None
                beat = start + tip.beat
                if -self.beats < beat < section.beats:
                    stay = max(LONG, float(2 * self.beats * 60 / section.tempo))
                    marks.append((when(max(beat, Fraction(0))), stay, (tip.place, tip.text)))
        marks.sort(key=lambda mark: mark[0])
        ends = [*(mark[0] for mark in marks[1:]), math.inf][: len(marks)]
        music = self.stream.music[0]
        if whole:
            found.append((float(music.start), None))
        for (begin, stay, told), after in zip(marks, ends, strict=True):
            found.append((begin, told))
            if begin + stay < after:
                found.append((begin + stay, None))
        return sorted(found, key=lambda step: step[0])

    def _phrases(self) -> Iterator[tuple[int, Section]]:
        """Yield where a phrase begins in a section, in beats, and that section."""
        for number, (written, first) in sorted(self.groups.items()):
            for start in written.starts:
                yield start - first * self.beats, self.stream.sections[number]

    def _neck(self) -> list[tuple[float, Hashable]]:
        """Return the places that sound on the neck, and whether they are the student's."""
        spans: list[tuple[float, float, PageNote, bool]] = []
        starts: dict[int, list[int]] = {}
        for number, (written, first) in self.groups.items():
            starts[number] = [start - first * self.beats for start in written.starts]
        for number, section in enumerate(self.stream.sections):
            when, wraps = self._when(section), self._pickup(section)
            left = {note.beat for note in section.silent}
            heard = left | {note.beat for note in section.notes}
            for start in [*starts.get(number, ()), *([int(section.beats)] * (wraps is not None))]:
                yours = False
                for note in self.notes:
                    beat = start + note.beat
                    if not 0 <= beat < section.beats or (note.how == "pick" and beat not in heard):
                        continue
                    yours = beat in left if beat in heard else yours
                    spans.append((when(beat), when(start + note.end), note, yours))
        spans.sort(key=lambda span: span[0])
        found: list[tuple[float, Hashable]] = [(0.0, ())]
        live: list[tuple[float, float, PageNote, bool]] = []
        begun = 0
        for time in sorted({time for span in spans for time in span[:2]}):
            while begun < len(spans) and spans[begun][0] <= time:
                live.append(spans[begun])
                begun += 1
            live = [span for span in live if span[1] > time]
            lit = dict.fromkeys((n.string, n.fret, n.name, yours) for _, _, n, yours in live)
            found.append((time, tuple(lit)))
        return found


def parted(one: PageSystem, inks: Sequence[Ink], edge: float, line: float) -> list[PageSystem]:
    """Return a system in parts hardly longer than a line, where its bars are too long for one.

    `edge` is where its picture begins among its inks. A part ends before a beat, best where it
    cuts through no number and no word.
    """
    count = math.ceil(one.width / (0.92 * line)) if one.width > 1.015 * line else 1
    narrow = [box for ink in inks for box in ink.boxes if box.right - box.left < WORD]

    def cost(x: float, ideal: float) -> float:
        cut = sum(box.left < x + edge < box.right for box in narrow)
        return abs(x - ideal) + CUT * (cut + max(0.0, x - first - line))

    start, stop = one.places[0][0], one.places[-1][0]
    known = dict(one.places)
    beats, ways = [float(beat) for beat in known], list(known.values())
    for beat in map(Fraction, range(math.ceil(start), math.floor(stop))):
        known.setdefault(beat, float(np.interp(float(beat), beats, ways)))
    found: list[PageSystem] = []
    first, low = 0.0, start
    for number in range(1, count + 1):
        high, last = stop, one.width
        ends = [
            (beat, x - BEFORE) for beat, x in known.items() if max(low, Fraction(0)) < beat < stop
        ]
        if number < count and ends:
            ideal = first + (one.width - first) / (count - number + 1)
            high, last = min(ends, key=lambda end: cost(end[1], ideal))
        seen = dict(one.places) | {low: known[low]}
        places = [(beat, x - first) for beat, x in sorted(seen.items()) if low <= beat < high]
        left, top, _, height = map(float, VIEW.search(one.svg)[1].split())  # type: ignore[index]
        view = f'viewBox="{left + first:.3f} {top:.3f} {last - first:.3f} {height:.3f}"'
        found.append(
            replace(
                one,
                svg=VIEW.sub(view, one.svg, count=1),
                width=last - first,
                places=(*places, (high, last - first)),
            )
        )
        first, low = last, high
        if last == one.width:
            break
    return found if len(found) > 1 else [one]


def _told(section: Section, tempo: Fraction) -> str:
    """Return a tempo as it is shown; where it falls from beat to beat, that."""
    words = {"slow-down": "Slowing down", "ending": ""}
    whole = f"{round(tempo)}" if section.steps else f"{float(tempo):.4g}"
    return words.get(section.kind, whole)


def _until(way: tuple[tuple[float, float], ...], stop: float) -> tuple[tuple[float, float], ...]:
    """Return a way as far as it goes before a second."""
    for (t0, x0), (t1, x1) in pairwise(way):
        if t0 < stop <= t1:
            x = x0 + (x1 - x0) * (stop - t0) / (t1 - t0)
            return growing([*(pair for pair in way if pair[0] < stop), (stop - 1e-6, x)])
    return way


def _changes(steps: list[tuple[float, Hashable]]) -> Steps:
    """Return only the steps at which something changes."""
    kept: list[tuple[float, Hashable]] = []
    for step in steps:
        if not kept or kept[-1][1] != step[1]:
            kept.append(step)
    return tuple(kept)
