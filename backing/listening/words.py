"""A review in a teacher's words: what went well, one or two things to work on, where to go on.

Nothing is said of feel, no mark is given, and one pass makes no trend.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from backing.listening.judged import Judged, Review
from backing.listening.thresholds import THRESHOLDS, Limits
from backing.tempo import clock_time

__all__ = ["Finding", "Summary", "Tempo", "findings", "summary", "tempos"]

MOST = 2  # things to work on
FEW = 8  # notes at a tempo from which nothing is concluded
EVEN = THRESHOLDS["all"].value / 1000  # seconds, standard deviation
WEIGHTS = {"missed": 3.0, "wrong": 3.0, "bend": 2.0, "time": 1.0, "end": 0.7}
CUT = 0.6  # share of its length under which a note is let go too soon


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing to work on, and in how many of the times it was played it went wrong."""

    kind: str
    place: str
    said: str
    times: int
    of: int

    def __str__(self) -> str:
        often = "" if self.of == 1 else f" ({self.times} of {self.of} times)"
        return f"{self.place}: {self.said}{often}"


@dataclass(frozen=True, slots=True)
class Tempo:
    """How one tempo went: passes, notes, the share that is untidy, and the spread in seconds."""

    tempo: float
    passes: int
    notes: int
    untidy: float
    spread: float


@dataclass(frozen=True, slots=True)
class Summary:
    """What is said: each a list of sentences."""

    good: list[str]
    work: list[str]
    apart: list[str]
    tempo: list[str]

    def lines(self) -> list[str]:
        """Return it as it is printed."""
        out = [f"good: {line}" for line in self.good]
        out += [f"work on: {line}" for line in self.work]
        return [*out, *self.tempo, *self.apart]


def _known(review: Review) -> list[Judged]:
    return [one for one in review.judged if one.how != "unclear"]


def _off(one: Judged, review: Review) -> float:
    """Return by how many seconds a note is late, apart from how late all of the take is."""
    return one.off - review.late


def _timed(one: Judged) -> bool:
    """Tell whether the time of a note counts: a slide and what a rake leads into have none."""
    return one.event.kind == "pick" and not one.event.raked and math.isfinite(one.off)


def _flat(one: Judged, limits: Limits) -> Iterator[tuple[float, float]]:
    """Yield the cents of bends that are off, and by how much."""
    for bend in one.bends:
        if abs(bend.off) > limits.tuning:
            yield bend.cents, bend.off


def _untidy(one: Judged, review: Review, limits: Limits) -> bool:
    late = _timed(one) and abs(_off(one, review)) > limits.single
    bent = next(_flat(one, limits), None) is not None
    return one.how in ("missed", "wrong") or late or bent or bool(one.lacks)


def tempos(review: Review, limits: Limits) -> list[Tempo]:
    """Return how each tempo went, from the slowest up."""
    by: dict[float, list[Judged]] = defaultdict(list)
    for one in _known(review):
        if one.event.kind == "pick":
            by[round(one.event.tempo, 1)].append(one)
    rows = []
    for tempo, notes in sorted(by.items()):
        times = [_off(one, review) for one in notes if _timed(one)]
        rows.append(
            Tempo(
                tempo,
                len({one.event.go for one in notes}),
                len(notes),
                sum(_untidy(one, review, limits) for one in notes) / len(notes),
                float(np.std(times)) if len(times) > 1 else math.nan,
            )
        )
    return rows


def findings(review: Review, limits: Limits) -> list[Finding]:
    """Return the advice, the most worthwhile first."""
    places: dict[tuple[object, ...], list[Judged]] = defaultdict(list)
    for one in _known(review):
        key = (str(one.event.place), one.event.kind, *(part.pitch for part in one.event.notes))
        places[key].append(one)
    found: list[tuple[float, Finding]] = []
    for notes in places.values():
        for kind, said, times in _faults(notes, review, limits):
            share = times / len(notes)
            if times > 1 or len(notes) <= 2:
                row = Finding(kind, str(notes[0].event.place), said, times, len(notes))
                found.append((WEIGHTS[kind] * share * math.sqrt(times), row))
    found.sort(key=lambda row: -row[0])
    seen: set[str] = set()
    first: list[Finding] = []  # one thing of each place before a second one of any
    second: list[Finding] = []
    for _, finding in found:
        (second if finding.place in seen else first).append(finding)
        seen.add(finding.place)
    return first + second


def _faults(
    notes: Sequence[Judged], review: Review, limits: Limits
) -> Iterator[tuple[str, str, int]]:
    """Yield what is wrong with one note of the phrase over the passes: kind, words, how often."""
    missed = sum(one.how == "missed" for one in notes)
    strings = " and ".join(f"{part.string}" for part in reversed(notes[0].event.notes))
    what = {"step": "the note after it", "dead": "the muted stroke"}.get(
        notes[0].event.kind, f"the note on the {strings} string{'s' * (len(strings) > 1)}"
    )
    if missed:
        yield "missed", f"{what} is not heard", missed
    lacks = [string for one in notes for string in one.lacks]
    if lacks:
        string = max(lacks, key=lacks.count)
        yield "missed", f"the {string} string of the double stop is not heard", len(lacks)
    wrong = [one.pitch for one in notes if one.how == "wrong"]
    if wrong:
        steps = round(float(np.median(wrong)) / 100)
        way = "too high" if steps > 0 else "too low"
        far = "a semitone" if abs(steps) == 1 else f"{abs(steps)} semitones"
        yield "wrong", f"another note, {far} {way}", len(wrong)
    for sign, words in ((-1, "stops {} short"), (1, "goes {} too far")):
        offs = [off for one in notes for _, off in _flat(one, limits) if off * sign > 0]
        if offs:
            far = _interval(abs(float(np.median(offs))))
            yield "bend", f"the bend {words.format(far)}", len(offs)
    for sign, word in ((1, "late"), (-1, "early")):
        offs = [_off(one, review) for one in notes if _timed(one)]
        offs = [off for off in offs if off * sign > limits.single]
        if offs:
            yield "time", f"{abs(float(np.median(offs))) * 1000:.0f} ms {word}", len(offs)
    for sign, words in (
        (-1, "let go {} too soon"),
        (1, "rings {} into the rest"),
    ):
        offs = [off for one in notes if (off := _end(one) * sign) > 0]
        if offs:
            yield "end", words.format(_fraction(float(np.median(offs)))), len(offs)


def _end(one: Judged) -> float:
    """Return by how many beats a note is held too long, 0 where that is not worth a word."""
    event, beats = one.event, one.held * one.event.tempo / 60
    short = -one.held > (1 - CUT) * (event.end - event.at)
    if one.how != "played" or event.kind != "pick" or not (short or one.held > 0):
        return 0.0
    return beats if abs(beats) > THRESHOLDS["end"].value else 0.0


def _fraction(beats: float) -> str:
    names = (
        (0.25, "a quarter of"),
        (1 / 3, "a third of"),
        (0.5, "half"),
        (2 / 3, "two thirds of"),
    )
    near, name = min(names, key=lambda row: abs(row[0] - beats))
    if abs(near - beats) < 0.1:
        return f"{name} a beat"
    return "a beat" if beats < 1.05 else f"{beats:.1f} beats"


def _interval(cents: float) -> str:
    """Return an interval as a player calls it."""
    if cents < 38:
        return f"a little ({cents:.0f} cents)"
    for middle, word in ((50.0, "a quarter tone"), (100.0, "a semitone"), (200.0, "a tone")):
        if abs(cents - middle) <= 12:
            return word
    return f"{cents:.0f} cents (100 are a semitone)"


def summary(review: Review, limits: Limits, *, aligned: bool, measured: bool = True) -> Summary:
    """Say how a take went.

    Parameters
    ----------
    review
        What was heard.
    limits
        From when on something is said.
    aligned
        Whether the take is known to begin with the backing's first frame.
    measured
        Whether the sound card was calibrated.
    """
    known = [one for one in _known(review) if one.event.kind == "pick"]
    work = [str(one) for one in findings(review, limits)[:MOST]]
    if len(work) < MOST and review.extra:
        count = len(review.extra)
        places = "; ".join(_after(one.at, review) for one in review.extra[:3])
        notes = "a note that is" if count == 1 else f"{count} notes that are"
        work.append(f"{notes} not written, {places}{'; and on' if count > 3 else ''}")
    return Summary(
        _praise(review, known, limits),
        work,
        _remarks(review, limits, aligned=aligned, measured=measured),
        _pace(tempos(review, limits)),
    )


def _after(at: float, review: Review) -> str:
    """Return where in the phrase, and in the take, a note is that nobody wrote."""
    before = [one.event for one in review.judged if one.event.at + review.late < at]
    time = clock_time(at, 1)
    return f"after {before[-1].place} ({time})" if before else f"at {time}"


def _praise(review: Review, known: Sequence[Judged], limits: Limits) -> list[str]:
    there = sum(one.how == "played" for one in known)
    picks = sum(one.event.kind == "pick" for one in review.judged)
    said = []
    if known and there == len(known):
        clear = "" if len(known) == picks else " that could be judged"
        said.append(f"every one of the {len(known)} notes{clear} is there")
    elif known and there >= 0.8 * len(known):
        said.append(f"{there} of {len(known)} notes are there")
    bends = [b.off for one in known for b in one.bends if math.isfinite(b.off)]
    good = sum(abs(off) <= limits.tuning for off in bends)
    if bends and good >= 0.8 * len(bends):
        said.append(
            f"the bends are in tune, {good} of {len(bends)} within {limits.tuning:.0f} cents"
        )
    times = [_off(one, review) for one in known if _timed(one)]
    if len(times) >= FEW and float(np.std(times)) <= EVEN:
        said.append(f"the time is even, within {np.std(times) * 1000:.0f} ms")
    return said


def _remarks(review: Review, limits: Limits, *, aligned: bool, measured: bool) -> list[str]:
    said = []
    if aligned and abs(review.late) > limits.all:
        way = "late" if review.late > 0 else "early"
        why = "you, or a card that is not calibrated (`backing calibrate`)"
        rest = "" if measured else f": {why}"
        said.append(f"all of it is {abs(review.late) * 1000:.0f} ms {way}{rest}")
    if abs(review.tuning) > THRESHOLDS["fretted"].value * 2:
        way = "sharp" if review.tuning > 0 else "flat"
        said.append(
            f"the guitar is {abs(review.tuning):.0f} cents {way} of A4 = 440 Hz; bends are "
            "measured against it"
        )
    open_ = [one for one in review.judged if one.how == "unclear"]
    bends = [b for one in review.judged for b in one.bends if b.why]
    if open_ or bends:
        parts = [
            f"{len(list(rows))} {word if len(rows) == 1 else word + 's'}"
            for rows, word in ((open_, "note"), (bends, "bend"))
            if rows
        ]
        said.append(f"not judged, because it is not clear enough: {' and '.join(parts)}")
    return said


def _pace(rows: Sequence[Tempo]) -> list[str]:
    """Say at which tempo it falls apart, and at which to go on."""
    rows = [row for row in rows if row.notes >= FEW]
    if len(rows) < 2:
        return []
    limit, apart = (THRESHOLDS[name].value / 100 for name in ("solid", "apart"))
    solid = None
    for row in rows:
        if row.untidy <= limit:
            solid = row
        elif row.untidy >= apart:
            if row.passes < 2:
                return []
            share = f"one note in {max(2, round(1 / row.untidy))} is untidy"
            if row.untidy > 0.6:
                share = "most notes are untidy"
            slower = [one.tempo for one in rows if one.tempo < row.tempo]
            if solid is None:
                then = f"stay at {slower[-1]:g}" if slower else f"begin slower than {row.tempo:g}"
                return [f"at {row.tempo:g} {share}: {then}"]
            return [
                f"solid to {solid.tempo:g}; at {row.tempo:g} {share}: stay at {solid.tempo:g} "
                "until three passes are clean"
            ]
    if solid is rows[-1]:
        return [f"solid to {solid.tempo:g}, the fastest of this take: go on from there"]
    following = next((row for row in rows if solid and row.tempo > solid.tempo), None)
    if solid and following and following.passes > 1:
        return [
            f"solid to {solid.tempo:g}; at {following.tempo:g} not yet: stay at "
            f"{following.tempo:g} for a while"
        ]
    return []
