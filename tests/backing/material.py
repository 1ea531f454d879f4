"""Small phrases and streams that several tests use."""

from __future__ import annotations

from backing.events import Note, Stream
from phrases.files import read_phrase
from phrases.phrase import Phrase

# A call of two bars and a response of two, with a pickup into each.
ANSWERED = """title = "Answered"
key = "A"
groove = "shuffle"
tempo = 96
lines = "{lines}"
[[part]]
role = "call"
notes = '4& e5 | 1 e8p5 2 B8 | 1 G7b(full) 3 .'
[[part]]
role = "response"
notes = '4 B5 | 1 B8 & B5 2 G7/9~ 3 . | 1 D7 2 .'
"""


def answered(lines: str = "every") -> Phrase:
    return read_phrase(ANSWERED.replace("{lines}", lines))


def line(notes: str, tempo: float = 60, **more: str) -> Phrase:
    """Return a phrase of one part in A."""
    head = {"title": "Line", "key": "A", "groove": "shuffle", **more}
    text = "\n".join(f'{name} = "{value}"' for name, value in head.items())
    return read_phrase(f"{text}\ntempo = {tempo}\n[[part]]\nnotes = '{notes}'\n")


def lead(stream: Stream, number: int) -> list[Note]:
    """Return the guitar's notes of one section."""
    return [note for note in stream.sections[number].notes if note.voice.startswith("lead")]
