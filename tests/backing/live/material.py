"""Small streams to play live."""

from __future__ import annotations

from fractions import Fraction

from backing.events import Label, Note, Section, Stream
from phrases.counting import METERS
from phrases.curve import Curve, Glide
from phrases.phrase import Phrase
from phrases.pitch import Key
from tests.backing.material import line

__all__ = ["bent", "clicks", "held", "two_bars"]


def section(
    name: str, start: Fraction, beats: int, tempo: int, *notes: Note, **more: object
) -> Section:
    seconds = Fraction(beats * 60, tempo)
    return Section(
        name, start, seconds, start, Fraction(beats), Fraction(tempo), 1.0, notes, **more  # type: ignore[arg-type]
    )  # fmt: skip


def stream(*sections: Section, title: str = "Clicks") -> Stream:
    return Stream(title, Key("A"), METERS["4/4"], 1, sections, {"bass": 33, "comp": 4, "lead": 27})


def clicks(passes: int = 3, bars: int = 2, tempo: int = 120) -> Stream:
    """Return passes with a bass note on each beat, pitches 40 and up by pass, and a lead note."""
    beat = 60 / tempo
    made = []
    start = Fraction(0)
    for number in range(passes):
        notes = [
            Note("bass", n * beat, n * beat + beat / 2, 40 + number, 100) for n in range(4 * bars)
        ]
        notes += [
            Note("lead e", n * beat, n * beat + beat * 0.9, 70 + number, 90, Curve())
            for n in range(4 * bars)
        ]
        notes.sort(key=lambda note: note.start)
        chords = tuple(Label(n * 4 * beat, "A7" if n % 2 == 0 else "D7") for n in range(bars))
        labels = (Label(0.0, f"Pass {number + 1}: {tempo}"), Label(0.0, "Call", "part"))
        made.append(
            section(
                f"pass {number + 1}",
                start,
                4 * bars,
                tempo,
                *notes,
                labels=labels,
                chords=chords,
                kind="pass",
            )
        )
        start += made[-1].seconds
    return stream(*made)


def held(seconds: int = 30) -> Stream:
    """Return one long bent note of the lead and one of the bass."""
    bend = Curve(0.0, (Glide(0.05, 0.1, 200.0),))
    return stream(
        section(
            "chorus 1", Fraction(0), 4 * seconds, 240,
            Note("lead G", 0.0, seconds - 0.5, 62, 100, bend),
            Note("bass", 0.0, seconds - 0.5, 40, 100),
        )
    )  # fmt: skip


def bent() -> Phrase:
    return line("1 G7b(full) 3 B5 & G7 | 1 D7h9 3 .", tempo=120)


def two_bars(tempo: int = 480) -> Stream:
    return clicks(passes=1, bars=2, tempo=tempo)
