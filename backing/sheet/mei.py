"""Written music as MEI, the text from which verovio engraves the notation staff.

Conventions: every written head has an id: ``b2e3n0-e`` is bar 2, event 3, its first head on the e
string; the last one of an event is the note itself, those before it are grace notes. A bent string
is written at the pitch it reaches: the fretted pitch before it is a small note. Bends of a quarter
tone do not change the written pitch.

References: MEI 5, https://music-encoding.org/guidelines/v5/content/
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from backing.sheet.score import Head, Measure, Score, ScoreEvent, Spelling, beamed, spell
from backing.sheet.values import VALUES
from phrases.pitch import Key
from phrases.techniques import SLIDES, STEPS, TECHNIQUES

__all__ = ["Engraving", "Join", "Node", "alterations", "column_name", "mei", "plan"]

JOINS = (*SLIDES, *STEPS)  # what leads to another fret without a pick
ACCIDENTALS = {0: "n", 1: "s", -1: "f", 2: "x", -2: "ff"}
SHARPS, FLATS = "FCGDAEB", "BEADGCF"
PAD = '<note grace="acc" dur="8" pname="b" oct="3" visible="false"/>'
Text = tuple[str, str]
MIDDLE = 59  # the pitch on the middle line, as it sounds


@dataclass(frozen=True, slots=True)
class Node:
    """One written head."""

    name: str  # its id
    head: Head  # what the hands do there
    spelling: Spelling  # the pitch it reaches, bends included
    cents: int  # by which the string is bent
    # How it comes from the node before on its string: ``h`` ``p`` ``/`` ``\`` ``bend`` ``release``
    # ``pre`` ``tie``, or empty.
    join: str
    small: bool  # whether it is a grace note
    first: bool  # whether the head begins with it; a head that is bent at once has several
    grace: bool  # whether it is a grace note of the phrase's, not the small note before a bend


@dataclass(frozen=True, slots=True)
class Join:
    """A tie, slur or slide between two note heads, by their ids."""

    sign: str
    start: str
    end: str


@dataclass(slots=True)
class Engraving:
    """Every written head of a score."""

    # For each bar and each of its events the columns of heads: grace notes, then the note.
    nodes: list[list[list[list[Node]]]] = field(default_factory=list)
    # Ties, slides, hammer-ons, pull-offs, bends and releases.
    joins: list[Join] = field(default_factory=list)
    # The first and the last head of what is played with one pick.
    slurs: list[tuple[str, str]] = field(default_factory=list)
    # How many unseen small notes make room before a column, by the id of its first head, or at the
    # end of a bar, by the id of that: ``m2``.
    pads: dict[str, int] = field(default_factory=dict)
    # Stems that would cross something on their usual side, by id: ``up`` or ``down`` for an event,
    # ``other`` for grace notes.
    turned: dict[str, str] = field(default_factory=dict)
    alone: bool = False  # whether it is of a tab that has no notation over it
    high: set[str] = field(default_factory=set)  # the events that are written an octave lower
    # The events that are picked over and over, those that are tied to such a one too.
    tremolo: set[str] = field(default_factory=set)


def plan(score: Score, *, bends: bool = True) -> Engraving:
    """Return every written head of a score with what binds it to others.

    `bends` gives a bend a small note before it, which a tab alone does not need.
    """
    made = Engraving(alone=not bends)
    last: dict[str, Node] = {}
    legato: dict[str, str] = {}
    for bar, measure in enumerate(score.measures):
        made.nodes.append([])
        for number, event in enumerate(measure.events):
            columns: list[list[Node]] = []
            name = f"b{bar}e{number}"
            for head in event.heads:
                nodes = list(_nodes(name, head, score.key, bends=bends))
                before = last.get(head.string)
                goes_on = nodes[0].join and before and before.name.split("n")[0] in made.tremolo
                if goes_on or any("tremolo" in link.marks for link in head.chain):
                    made.tremolo.add(name)
                for node in nodes:
                    before = last.get(head.string)
                    arrives = node.join or (node.first and node.head.shift)
                    if arrives and before is not None:
                        made.joins.append(Join(arrives, before.name, node.name))
                    last[head.string] = node
                while len(columns) < len(nodes):
                    columns.insert(0, [])
                for column, node in zip(columns[-len(nodes) :], nodes, strict=True):
                    column.append(node)
            made.nodes[-1].append(columns)
            _bind(made, columns, legato)
    for start, end in legato.items():
        made.slurs.append((start, end))
    return made


def _bind(made: Engraving, columns: Sequence[Sequence[Node]], legato: dict[str, str]) -> None:
    """Draw one slur over what is played with one pick."""
    for column in columns:
        if any(node.join in JOINS for node in column):
            if not legato and made.joins:
                names = {node.name for node in column}
                starts = [j.start for j in made.joins if j.end in names and j.sign in JOINS]
                legato[starts[0]] = column[0].name
            elif legato:
                legato[next(iter(legato))] = column[0].name
        elif legato and not any(node.join for node in column):
            made.slurs += list(legato.items())
            legato.clear()


def _nodes(name: str, head: Head, key: Key, *, bends: bool) -> Iterator[Node]:
    """Yield the written heads of one head: its graces, and one for each bend and release."""
    number = 0
    for link in head.chain:
        last_link = link is head
        tied = link.tied or (bool(head.graces) and link is head.graces[0] and head.tied)
        steps = _steps(link, tied=tied)
        if not bends:
            steps = [(steps[-1][0], steps[0][1])]
        for index, (cents, join) in enumerate(steps):
            semitones = cents // 100
            spelling = spell(link.pitch + semitones, key) if semitones else link.spelling
            small = not (last_link and index == len(steps) - 1)
            text = f"{name}n{number}-{link.string}"
            yield Node(text, link, spelling, cents, join, small, index == 0, not last_link)
            number += 1


def _steps(head: Head, *, tied: bool) -> list[tuple[int, str]]:
    """Return the cents of each written head and how it is reached; quarter tones make none."""
    stations = head.stations
    link = TECHNIQUES[head.link].slide or head.link if head.link else ""
    found = [(stations[0], "tie" if tied else link)]
    bends = [move for move in head.moves if move.technique.bending]
    for move, cents in zip(bends, stations[1:], strict=True):
        if cents // 100 != found[-1][0] // 100:
            found.append((cents, move.technique.bending))
    # What is tied and changes at once is written as it changes.
    return found[1:] if tied and len(found) > 1 else found


def alterations(key: Key) -> dict[str, int]:
    """Return the steps that a key signature alters, 1 for a sharp and -1 for a flat."""
    count = key.signature
    return dict.fromkeys(SHARPS[:count], 1) if count > 0 else dict.fromkeys(FLATS[:-count], -1)


class _Signs:
    """The accidentals in force in a bar.

    What the bar before, or another octave of this bar, has altered is called back by a courtesy
    sign where it comes unaltered.
    """

    def __init__(self, key: Key) -> None:
        self.key = alterations(key)
        self.bar: dict[tuple[str, int], int] = {}
        self.sounded: dict[tuple[str, int], int] = {}
        self.before: dict[tuple[str, int], int] = {}
        self.again = False  # on tied heads too
        self.lower = 0  # octaves that are taken off
        self.stale: set[tuple[str, int]] = set()

    def next_bar(self) -> None:
        """Begin another bar."""
        self.before = self.sounded
        self.bar, self.sounded, self.lower = {}, {}, 0
        self.stale.clear()

    def written(self, *, high: bool) -> None:
        """Say whether what follows is written an octave lower; then signs are given anew."""
        if high != bool(self.lower):
            self.lower = int(high)
            self.stale = set(self.bar)

    def held(self, spelling: Spelling) -> None:
        """Remember a tied head, which has no sign of its own."""
        self.before[spelling.step, spelling.octave] = spelling.alter

    def shown(self, spelling: Spelling) -> str:
        """Return the accidental of a head; empty where it needs none."""
        place = (spelling.step, spelling.octave - self.lower)
        usual = self.key.get(spelling.step, 0)
        known = self.bar.get(place, usual)
        wanted = known != spelling.alter or place in self.stale
        self.stale.discard(place)
        if place not in self.bar and spelling.alter == usual:
            near = [alter for (step, _), alter in self.bar.items() if step == spelling.step]
            near.append(self.before.get((spelling.step, spelling.octave), usual))
            wanted = any(alter != usual for alter in near)
        self.bar[place] = self.sounded[spelling.step, spelling.octave] = spelling.alter
        return ACCIDENTALS[spelling.alter] if wanted else ""


def mei(score: Score, made: Engraving, breaks: Sequence[int] = (), *, bare: bool = False) -> str:
    """Return a score as MEI.

    `breaks` are the numbers of the bars, from 0, before which a system ends; `bare` leaves out key
    and accidentals, where only the places of the notes matter.
    """
    meter = score.meter
    signature = 0 if bare else score.key.signature
    sig = f"{abs(signature)}{'s' if signature > 0 else 'f'}" if signature else "0"
    bars = []
    signs = _Signs(score.key)
    for bar in range(len(score.measures)):
        if bar in breaks:
            bars.append("<pb/>")
        signs.next_bar()
        first = bar == 0 or bar in breaks
        bars.append(_measure(score, made, bar, signs, bare=bare, first=first))
    return (
        '<mei xmlns="http://www.music-encoding.org/ns/mei" meiversion="5.0"><meiHead/>'
        "<music><body><mdiv><score>"
        f'<scoreDef key.sig="{sig}" meter.count="{meter.numerator}" '
        f'meter.unit="{meter.denominator}"><staffGrp><staffDef n="1" lines="5" '
        'clef.shape="G" clef.line="2" clef.dis="8" clef.dis.place="below"/></staffGrp>'
        f"</scoreDef><section>{''.join(bars)}</section></score></mdiv></body></music></mei>"
    )


def _measure(
    score: Score, made: Engraving, bar: int, signs: _Signs, *, bare: bool, first: bool
) -> str:
    measure = score.measures[bar]
    texts = []
    for number, event in enumerate(measure.events):
        name = f"b{bar}e{number}"
        # What is tied from the system before has its accidental again.
        signs.again = first and not number
        signs.written(high=name in made.high)
        texts.append(_event(name, event, made, made.nodes[bar][number], signs, measure))
    content = "".join(_grouped(measure, texts)) + PAD * made.pads.get(f"m{bar}", 0)
    spans = [
        f'<slur xml:id="s{start}" startid="#{start}" endid="#{end}"/>'
        for start, end in made.slurs
        if not bare and start.startswith(f"b{bar}e")
    ]
    right = ' right="end"' if bar == len(score.measures) - 1 else ""
    short = ' metcon="false"' if measure.start else ""
    return (
        f'<measure n="{measure.number}" xml:id="m{bar}"{short}{right}><staff n="1">'
        f'<layer n="1">{content}</layer></staff>{"".join(spans)}</measure>'
    )


def _grouped(measure: Measure, texts: Sequence[Text]) -> Iterator[str]:
    """Yield the texts of events, in beams and tuplets."""
    beat = Fraction(0)
    number = 0
    events = measure.events
    while number < len(events):
        event = events[number]
        stop = number
        if event.tuplet is not None and event.tuplet.start:
            last = len(events) - 1
            while stop < last and (inner := events[stop].tuplet) and not inner.stop:
                stop += 1
            tuplet = event.tuplet
            bodies = [("", texts[number][1]), *texts[number + 1 : stop + 1]]
            inside = "".join(_beamed(events[number : stop + 1], bodies))
            yield texts[number][0]
            yield f'<tuplet num="{tuplet.actual}" numbase="{tuplet.normal}">{inside}</tuplet>'
        else:
            beat = Fraction(int(event.at))
            while (
                stop < len(events) - 1
                and events[stop + 1].at < beat + 1
                and events[stop + 1].tuplet is None
            ):
                stop += 1
            yield from _beamed(events[number : stop + 1], texts[number : stop + 1])
        number = stop + 1


def _beamed(events: Sequence[ScoreEvent], texts: Sequence[Text]) -> Iterator[str]:
    """Yield events with beams; grace notes before a beam stand outside it."""
    for numbers in beamed(events):
        graces, first = texts[numbers[0]]
        if len(numbers) == 1:
            yield graces + first
        else:
            inside = "".join("".join(texts[number]) for number in numbers[1:])
            yield f"{graces}<beam>{first}{inside}</beam>"


def _event(
    name: str,
    event: ScoreEvent,
    made: Engraving,
    columns: Sequence[Sequence[Node]],
    signs: _Signs,
    measure: Measure,
) -> Text:
    """Return the grace notes of an event and the event."""
    if event.rest:
        if event.value == "whole" and event.beats == measure.beats:
            return "", f'<mRest xml:id="{name}"/>'
        dots = f' dots="{event.dots}"' if event.dots else ""
        return "", f'<rest xml:id="{name}" dur="{VALUES[event.value].denominator}"{dots}/>'
    marks = {mark for head in event.heads for one in head.chain for mark in one.marks}
    places = [node.spelling.place - 12 * signs.lower for node in columns[-1]]
    down = sum(places) >= MIDDLE * len(places)
    graces = ""
    small = [column_name(name, index, column) for index, column in enumerate(columns[:-1])]
    way = "down" if down != any(one in made.turned for one in small) else "up"
    for index, column in enumerate(columns):
        graces += PAD * made.pads.get(column[0].name, 0)
        if index < len(small):
            # Short, so that their flags keep clear of the beam of the notes around them.
            written = f'dur="8" grace="acc" stem.dir="{way}" stem.len="3.5"'
            graces += _chord(small[index], column, written, signs)
    # The first of them stands next to the head.
    artic = [word for mark, word in (("short", "stacc"), ("accent", "acc")) if mark in marks]
    attributes = f'dur="{VALUES[event.value].denominator}"'
    attributes += f' dots="{event.dots}"' if event.dots else ""
    attributes += f' artic="{" ".join(artic)}"' if artic else ""
    attributes += f' stem.dir="{made.turned[name]}"' if name in made.turned else ""
    attributes += ' stem.mod="3slash"' if name in made.tremolo else ""
    return graces, _chord(name, columns[-1], attributes, signs)


def column_name(event: str, index: int, column: Sequence[Node]) -> str:
    """Return the id of a column of grace notes, that of its stem: the note's, or the chord's."""
    return column[0].name if len(column) == 1 else f"{event}g{index}"


def _chord(name: str, column: Sequence[Node], attributes: str, signs: _Signs) -> str:
    notes = []
    for node in sorted(column, key=lambda node: node.spelling.place):
        own = f'xml:id="{node.name}" pname="{node.spelling.step.lower()}"'
        own += f' oct="{node.spelling.octave - signs.lower}"'
        if node.head.fret is None:
            own += ' head.shape="x"'
        elif node.join != "tie" or signs.again:
            sign = signs.shown(node.spelling)
            own += f' accid="{sign}"' if sign else ""
        else:
            signs.held(node.spelling)
        # verovio sets the dots into the bracket: `marks` draws that one, around the dots.
        if "ghost" in node.head.marks and " dots=" not in attributes:
            own += ' head.mod="paren"'
        notes.append(own)
    if len(notes) == 1:
        return f"<note {notes[0]} {attributes}/>"
    return (
        f'<chord xml:id="{name}" {attributes}>'
        + "".join(f"<note {own}/>" for own in notes)
        + "</chord>"
    )
