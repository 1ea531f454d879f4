"""A phrase as the page shows it: chords, turns, notes, written music, and when each is heard."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

from backing.events import LEAD, Note
from backing.forms.form import Form
from backing.listening.written import Event, Place, strokes, whole
from backing.page.data import PageChord, PageLoop, PageNote, PageSystem, PageTip, PageTurn, Version
from backing.setting import lead_notes
from backing.sheet.layout import Picture, Style, pictures
from backing.sheet.score import Score
from backing.sheet.writing import over_form, part_titles
from backing.tempo import Clock
from phrases.counting import count_word, evenly
from phrases.fretboard import STRINGS
from phrases.phrase import Phrase
from phrases.roles import Row, hits, rows

__all__ = ["NARROW", "WIDE", "growing", "heard", "neck_places", "system", "tips_of", "version"]

WIDE, NARROW = 94.0, 44.0  # staff spaces of a line
AT_ONCE = Fraction(1, 8)  # beats for which a fret is shown that the hand leaves at once


def version(phrase: Phrase, form: Form, loops: Sequence[PageLoop]) -> Version:
    """Return a phrase over the first bars of a form as the page's music.

    The phrase is in the key of its loops, one for each rendered tempo, which hold its bars as
    `backing.pieces.loop` makes them. Raises `BluesError` if it cannot be written.
    """
    beats = phrase.meter.beats
    score = over_form(phrase, form)
    notes = neck_places(phrase)
    loops = sorted(loops, key=lambda loop: loop.tempo)
    return Version(
        key=str(phrase.key),
        beats_in_bar=beats,
        even=phrase.even,
        bars=phrase.bars,
        chords=tuple(
            PageChord(number * beats + share * beats, chord.name(phrase.key))
            for number, bar in enumerate(form.lasting(phrase.bars).bars(phrase.key)[: phrase.bars])
            for share, chord in bar
        ),
        turns=_turns(phrase),
        notes=notes,
        wide=_systems(score, WIDE),
        narrow=_systems(score, NARROW),
        loops=tuple(loops),
        tips=tips_of(phrase),
        heard=tuple(heard(phrase, notes, loop) for loop in loops),
        written=tuple(_written(phrase, loop) for loop in loops),
    )


def heard(phrase: Phrase, notes: Sequence[PageNote], loop: PageLoop) -> tuple[float, ...]:
    """Return when each note is heard in a loop, in seconds from its first beat.

    `notes` are those of the phrase as `version` gives them; a pickup's seconds are below 0.
    """
    clock = Clock(loop.tempo, loop.swing)
    every = phrase.strokes()
    picks: dict[tuple[Fraction | None, str], float] = {}
    for one in _picked(phrase, clock):
        place = (one.beat, LEAD[one.voice])
        picks[place] = min(picks.get(place, one.start), one.start)
    sounds = evenly(clock.seconds, phrase.even)
    late = {stroke.at: (stroke.late, stroke.drag) for stroke in every}
    found = []
    for note in notes:
        # What the hand does later in a stroke is as late as its pick.
        behind, drag = late[max((at for at in late if at <= note.beat), default=every[0].at)]
        own = picks.get((note.beat, note.string))
        late_by = behind + float(drag) * clock.seconds(Fraction(1))
        found.append(sounds(note.beat) + late_by if own is None else own)
    return tuple(found)


def _picked(phrase: Phrase, clock: Clock) -> list[Note]:
    """Return the picked notes, in seconds and beats from the loop's first beat."""
    # Hands begin a slide from nowhere early, but not before the clock's zero.
    ahead = Fraction(16)
    shift = float(clock.exact(ahead))
    moved = [stroke.moved(ahead) for stroke in phrase.strokes()]
    return [
        replace(
            note, start=note.start - shift, end=note.end - shift,
            beat=None if note.beat is None else note.beat - ahead,
        )
        for note in lead_notes(moved, clock.seconds)
    ]  # fmt: skip


def _written(phrase: Phrase, loop: PageLoop) -> tuple[Event, ...]:
    """Return the events to listen for in a loop, in seconds from its first beat."""
    notes = sorted(_picked(phrase, Clock(loop.tempo, loop.swing)), key=lambda note: note.start)
    return tuple(
        whole(
            [
                replace(event, place=_place(phrase, event.beat))
                for event in strokes(notes, float(loop.tempo))
            ]
        )
    )


def _place(phrase: Phrase, beat: Fraction) -> Place:
    """Return where in the phrase a beat is; a pickup belongs to what it leads into."""
    beats = phrase.meter.beats
    first, part = max(
        ((bar, part) for bar, part in phrase.placed() if bar * beats - part.pickup <= beat),
        key=lambda found: found[0],
    )
    bar, within = divmod(beat, beats)
    role = part.role.capitalize() if part.role != "line" else ""
    return Place(role, max(0, int(bar) - first + 1), int(within) + 1, within % 1)


def neck_places(phrase: Phrase) -> tuple[PageNote, ...]:
    """Return the places of the neck that a phrase reaches, in order of time."""
    line = hits(phrase)
    every = phrase.strokes()
    found: list[PageNote] = []
    groups: dict[tuple[int, str], list[Row]] = {}
    for row in rows(phrase, line):
        groups.setdefault((row.stroke, row.string), []).append(row)
    for (stroke, _), group in groups.items():
        at: list[Fraction] = []
        for row in group:
            at.append(max(row.at, at[-1] + AT_ONCE) if at else row.at)
        end = max(every[stroke].end, at[-1] + AT_ONCE)
        for row, (begin, stop) in zip(group, pairwise([*at, end]), strict=True):
            found.append(
                PageNote(
                    begin, stop, row.string, row.fret, row.name, row.degree, row.how, row.also
                )
            )
    return tuple(sorted(found, key=lambda note: (note.beat, STRINGS.index(note.string))))


def _turns(phrase: Phrase) -> tuple[PageTurn, ...]:
    beats = phrase.meter.beats
    starts = [bar * beats - part.pickup for bar, part in phrase.placed()]
    ends = [*starts[1:], phrase.bars * beats + min(Fraction(0), starts[0])]
    return tuple(
        PageTurn(part.role, start, end, bar)
        for (bar, part), start, end in zip(phrase.placed(), starts, ends, strict=True)
    )


def tips_of(phrase: Phrase) -> tuple[PageTip, ...]:
    """Return the tips of a phrase, those of the whole first."""
    beats = phrase.meter.beats
    names, placed = part_titles(phrase), phrase.placed()
    found = []
    for tip in phrase.tips:
        if tip.part is None or tip.at is None:
            found.append(PageTip(tip.text))
            continue
        bar, beat = divmod(tip.at, beats)
        count = count_word(int(beat) + 1, beat % 1, 0)
        where = f"bar {int(bar) + 1}" if bar >= 0 else "pickup"
        place = f"{names[tip.part]}, {where}, {count}"
        found.append(PageTip(tip.text, placed[tip.part][0] * beats + tip.at, place))
    # The sheet numbers those of the whole first.
    return tuple(sorted(found, key=lambda one: (one.beat is not None, one.beat or 0)))


# What stands before the music on a staff, and on a tab staff alone.
SIGNS = ("clef", "keySig", "meterSig", "tab sign", "meter")
_OWNER = re.compile(r"b(\d+)e(\d+)n(\d+)-")


def _systems(score: Score, width: float) -> tuple[PageSystem, ...]:
    return tuple(system(score, one) for one in pictures(score, Style(width=width)))


def system(score: Score, picture: Picture) -> PageSystem:
    """Return a drawn system with the places of its bars and beats."""
    left, top, right, bottom = picture.box
    beats = score.meter.beats
    edge = left - 0.1  # as `backing.sheet.layout.document` sets it
    lines: list[float] = []
    ends = {
        kind: [one.box.right - edge for one in picture.inks if one.kind == kind]
        for kind in ("barLine", "bar line")
    }  # the second is of a tab staff alone
    for x in sorted(ends["barLine"] or [x for x in ends["bar line"] if x > 1.0]):
        if lines and x - lines[-1] < 2.0:
            lines[-1] = x
        else:
            lines.append(x)
    starts = [max(0.0, -edge), *lines]
    bars = tuple((number, starts[n], starts[n + 1]) for n, number in enumerate(picture.bars))
    places: dict[Fraction, tuple[int, float]] = {}
    for one in picture.inks:
        found = _OWNER.match(one.owner)
        if found is None or one.kind != "fret":
            continue
        bar, event, order = map(int, found.groups())
        measure = score.measures[bar]
        beat = (measure.number - 1) * beats + measure.events[event].at
        x = (one.box.left + one.box.right) / 2 - edge
        places[beat] = max(places.get(beat, (-1, 0.0)), (order, x))
    known = {beat: x for beat, (_, x) in places.items()}
    for number, begin, end in bars:
        measure = next(one for one in score.measures if one.number == number)
        first = (number - 1) * beats + measure.start
        own = _start(picture, edge) if number == picture.bars[0] else begin + 1.0
        known.setdefault(first, own)
        if number == picture.bars[-1]:
            known[Fraction(number * beats)] = end
    svg = picture.svg.replace("#000", "currentColor")
    return PageSystem(
        svg, right - left + 0.2, bottom - top + 0.2, bars, tuple(sorted(known.items()))
    )


def growing(way: Iterable[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """Return a cursor's way, seconds and x, without the places at which not both grow."""
    kept: list[tuple[float, float]] = []
    for pair in sorted(way):
        if not kept or (pair[0] > kept[-1][0] and pair[1] > kept[-1][1]):
            kept.append(pair)
    return tuple(kept)


def _start(picture: Picture, edge: float) -> float:
    """Return where music begins after clef, key and time signature."""
    signs = [one.box.right for one in picture.inks if one.kind in SIGNS]
    return max(signs, default=0.0) - edge + 1.0
