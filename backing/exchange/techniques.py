"""The techniques that a MusicXML note carries: strings, frets, bends, slides, strokes, marks.

Conventions: a bend or a release tells by how many semitones it differs from what was before (a
pre-bend and a release are negative, as the standard says). Whatever standard elements would not
bring back stands in ``other-technical`` elements, in the words of `OTHER` or, after ``moves:``, in
the phrase language.

References: MusicXML 4.0, W3C Community Group Final Report.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import chain, zip_longest
from xml.etree import ElementTree as ET

from backing.sheet.score import Head, Measure
from phrases.fretboard import STRINGS
from phrases.phrase import Move, bend_cents
from phrases.techniques import MARKS, SIZE_NAMES, TECHNIQUES

__all__ = [
    "INTO", "JOINS", "LATE", "MOVES", "OTHER", "OUT", "add", "of_element", "slide_ends",
    "sway_ends", "write_techniques",
]  # fmt: skip

# What stands in other-technical, since no element of the standard says it.
OTHER = {name: one.other for name, one in MARKS.items() if one.other}
LATE = " ms late"
MOVES = "moves: "  # and then techniques in the phrase language, in their order
BENDS = {"bend": "b", "pre": "pb", "release": "r"}  # as what a bend element is read
# Signs whose rows have the whole element; of those that lead to another fret, the elements.
OWN = [one.sign for one in TECHNIQUES.values() if one.over and not one.lands]
JOINS = {one.sign: one.element[0] for one in TECHNIQUES.values() if one.lands}
PAIRED = ("hammer-on", "pull-off")  # stand at both notes, as slides do
SLID = ("slide", "glissando")
INTO = {"/": "scoop", "\\": "plop"}
OUT = {"/": "doit", "\\": "falloff"}
# Where an element stands that is not in ``technical``.
PLACES = {
    **dict.fromkeys((*SLID, "tied", "slur"), "notations"),
    **dict.fromkeys(("trill-mark", "shake", "mordent", "wavy-line", "tremolo"), "ornaments"),
    **dict.fromkeys(("accent", "staccato", *INTO.values(), *OUT.values()), "articulations"),
}


def add(parent: ET.Element, tag: str, content: object = None, **attributes: str) -> ET.Element:
    """Add an element with a text and attributes to another; return it."""
    element = ET.SubElement(parent, tag, attributes)
    if content is not None:
        element.text = str(content)
    return element


def write_techniques(
    notations: ET.Element, head: Head, half: str, *, ends: bool, slides: Sequence[str] = ()
) -> None:
    """Write what the hands do at a head.

    `half` is half of its length as a duration: where a release after a bend begins; `ends` says
    whether its vibrato ends with it. `slides` are ``start`` and ``stop`` where a slide leads from
    it to a picked note, or to it: as such a note is picked there is no slur, which a slide without
    a pick has besides.
    """
    number = str(len(STRINGS) - STRINGS.index(head.string))
    boxes = {name: ET.Element(name) for name in ("ornaments", "technical", "articulations")}
    boxes["notations"] = notations

    def put(tag: str, text: object = None, **attributes: str) -> ET.Element:
        return add(boxes[PLACES.get(tag, "technical")], tag, text, **attributes)

    def put_row(element: Sequence[str], size: str = "") -> None:
        """Write an element as its row of a table says."""
        (tag, text), *inside = (one.partition(":")[::2] for one in element)
        outer = put(tag, text or None)
        for name, text in inside:
            add(outer, name, size if size and name == "bend-alter" else text or None)

    links = [(kind, sign) for kind, sign in (("stop", head.link), ("start", head.leads)) if sign]
    ring = "ring" in head.marks
    for kind, wanted in (("stop", head.tied), ("start", head.ties), ("let-ring", ring)):
        if wanted:
            put("tied", type=kind)
    for kind, _ in links:
        put("slur", type=kind, number=number)
    led = [(kind, JOINS[sign], sign.upper()) for kind, sign in links]
    for kind, tag, text in (*led, *((kind, "slide", "") for kind in slides)):
        if tag in SLID:
            put(tag, type=kind, number=number, **{"line-type": "solid"})
        elif tag in PAIRED:
            put(tag, text if kind == "start" else None, type=kind, number=number)
        elif kind == "stop":
            put(tag, text)
    for move in head.moves:
        if move.technique.motion == "flutter":
            put(move.technique.element[0])
        elif move.sign in OWN:
            cents = move.technique.sizes[move.size] if move.size is not None else 0
            put_row(move.technique.element, f"{-cents / 100:g}" if cents else "")
    if head.sway and any(move.sign == head.sway for move in head.moves):
        put("wavy-line", type="start", number=number)
    if head.sway and ends:
        put("wavy-line", type="stop", number=number)
    put("string", number)
    put("fret", head.fret or 0)
    before = head.bent
    for number_, move in enumerate(head.moves):
        if kind := move.technique.bending:
            after = bend_cents(move, head.fret or 0)
            bend = put("bend")
            add(bend, "bend-alter", f"{(after - before if kind != 'pre' else -after) / 100:g}")
            if kind == "pre":
                add(bend, "pre-bend")
            if kind == "release":
                add(bend, "release", offset=half if number_ else "0")
            before = after
    for name in head.marks:
        if name in MARKS and MARKS[name].element:
            put_row(MARKS[name].element)
        if said := OTHER.get(name) or (name.endswith("ms") and name[:-2] + LATE):
            put("other-technical", said)
    if tuple(replace(move, at=None) for move in head.moves) != _standard_moves(head):
        put("other-technical", MOVES + "".join(map(str, head.moves)))
    if head.into:
        put(INTO[head.into])
    if head.out and "start" not in slides:
        put(OUT[head.out])
    notations.extend(box for name, box in boxes.items() if len(box) and name != "notations")


def of_element(element: ET.Element) -> str:
    """Return the sign of the technique that an element stands for, or nothing."""
    # How far it goes may differ; what it is may not.
    told = {one.tag: (one.text or "").strip() for one in element if one.tag != "bend-alter"}
    for sign in OWN:
        tag, *inside = TECHNIQUES[sign].element
        wanted = dict(one.partition(":")[::2] for one in inside)
        wanted.pop("bend-alter", None)
        if (tag, wanted) == (element.tag, told):
            return sign
    return ""


def _standard_moves(head: Head) -> tuple[Move, ...]:
    """Return the moves of a head as a reader of the standard elements alone finds them."""
    found = [
        Move(BENDS[kind], size=SIZE_NAMES.get(bend_cents(move, head.fret or 0)))
        for move in head.moves
        if (kind := move.technique.bending)
    ]
    if head.sway and any(move.sign == head.sway for move in head.moves):
        found.append(Move("~"))
    found += [Move(move.sign) for move in head.moves if move.sign in OWN]
    out = [move for move in head.moves if move.fret is None and move.sign in OUT]
    return (*found, *(Move(move.sign) for move in out if move.at is None))


def _heads(measures: Sequence[Measure]) -> Iterator[tuple[Head, Head | None]]:
    """Yield each head with the one after it on its string, if the next event has one."""
    events = list(chain.from_iterable(measure.events for measure in measures))
    for event, after in zip_longest(events, events[1:]):
        following = {one.string: one.chain[0] for one in (after.heads if after else ())}
        yield from ((head, following.get(head.string)) for head in event.heads)


def slide_ends(measures: Sequence[Measure]) -> dict[int, list[str]]:
    """Return which slides to a picked note begin and end at heads, by their ids."""
    found: dict[int, list[str]] = {}
    for head, goal in _heads(measures):
        way = {"/": 1, "\\": -1}.get(head.out, 0)
        if not (way and goal and goal.picked and head.fret and goal.fret):
            continue
        if way * (goal.fret - head.fret) > 0:
            found.setdefault(id(head), []).append("start")
            found.setdefault(id(goal), []).insert(0, "stop")
    return found


def sway_ends(measures: Sequence[Measure]) -> set[int]:
    """Return the ids of the heads in which a vibrato ends."""
    return {
        id(head)
        for head, after in _heads(measures)
        if head.sway and not (after and after.tied and after.sway == head.sway and not after.moves)
    }
