"""Phrases of one line that the tests of the sheet use."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

from backing.sheet.writing import write
from phrases.files import load_phrase, read_phrase, shipped
from phrases.phrase import Phrase, Stroke

# Everything at once: bends in crowded sixteenths, chains, double stops, mutes, grace notes.
CROWDED = (
    "| 1 G12b(1/2)~{d3 accent pm}+B12pb(full)r~ e G14{late} & G15b(full)r~~ a G12tr14{ghost} "
    "2 e12h15p12 e B15b(1/4){45ms} & G14{ring} a Gx 3 e10/12\\10+B10{u3 rake}+G12 e B12b(3/2) "
    "& r(1/2) a r 4 D12h14p12h14/16 e D14{short} & /e15 a \\e12{tremolo} | 1 -",
    "4 e10 trip /11 let p8 | 1 G5+B5 2 /7+- 3 -+/6 4 e8~b(full){slow supported} | 1 e10b12r\\ 3 -",
    "1 e8 | 1+1/5 e5 2+1/6 B5 trip B8 3+3/7 G7 4+1/12 G5 | 1 e8 let e10 2trip e8 3 Gx+B5 4 .",
    "2& G7 | 1 G7 & b(full) 2& r~ 3a p5 | 1 - 4& e10",
)


# A part of two bars that rests from 3& of the second on.
RUN = "4 e5 & e8 | 1 B8 & e5 2 e8b(full) 3 B8 & B5 | 1 G7 & G5 2 D7 3 D5 & ."


def one(notes: str, key: str = "A", meter: str = "4/4", groove: str = "shuffle") -> Phrase:
    """Return a phrase of one line."""
    return read_phrase(
        f'title = "Mill race"\nkey = "{key}"\ntempo = 90\nmeter = "{meter}"\n'
        f"groove = \"{groove}\"\n[[part]]\nnotes = '{notes}'"
    )


def slow(*drags: float, meter: str = "4/4", notes: str = RUN) -> Phrase:
    """Return a call and a response of the same notes, with their slowing ends."""
    parts = "".join(
        f"[[part]]\nrole = \"{role}\"\nnotes = '{notes}'\ndrag = {drag}\n"
        for role, drag in zip(("call", "response"), drags, strict=True)
    )
    return read_phrase(
        f'title = "Slow end"\nkey = "A"\ntempo = 92\nmeter = "{meter}"\n'
        f'groove = "rock-blues"\n{parts}'
    )


@cache
def crowded() -> tuple[Phrase, ...]:
    """Return the lines of `CROWDED` in both meters, straight."""
    return tuple(
        one(line, meter=meter, groove="rock-blues")
        for line in CROWDED
        for meter in ("4/4", "12/8")
    )


@cache
def library() -> tuple[Phrase, ...]:
    """Return every shipped phrase and each of its variations."""
    found = []
    for name in shipped():
        phrase = load_phrase(name)
        found += [phrase, *(other for _, other in phrase.variations)]
    return tuple(found)


def as_written(phrase: Phrase) -> list[Stroke]:
    """Return what a phrase plays, a staccato note that would be tied as long as it is written."""
    events = [event for measure in write(phrase).measures for event in measure.events]
    found = played(phrase)
    for number, stroke in enumerate(found):
        own = [event for event in events if event.stroke == number]
        if all("short" in note.marks for note in stroke.notes) and len(own) == 1:
            kept = {mark for head in own[0].heads for mark in head.chain[0].marks}
            notes = tuple(
                replace(note, marks=tuple(mark for mark in note.marks if mark in kept))
                for note in stroke.notes
            )
            found[number] = replace(stroke, notes=notes, end=stroke.at + own[0].beats)
    return found


def played(phrase: Phrase) -> list[Stroke]:
    """Return what a phrase plays, without how late and how loud."""
    return [
        replace(
            stroke,
            late=0.0,
            laid=0.0,
            lift=0,
            # A muted string does not ring, so nobody hears when it is let go.
            end=stroke.at if all(n.fret is None for n in stroke.notes) else stroke.end,
        )
        for stroke in phrase.strokes()
    ]
