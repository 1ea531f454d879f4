"""What a lesson is, as plain data; `lesson.read_lesson` reads it from a file."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from backing.events import VOICES
from backing.formats import FORMATS as SUFFIXES
from backing.page.session import Step
from phrases.credits import NOBODY, Credits
from phrases.phrase import Phrase
from phrases.pitch import Key

__all__ = ["FORMATS", "KINDS", "SOUNDS", "Lesson", "Study"]

# What a lesson makes, in the order in which its files sort.
KINDS: dict[str, str] = {
    "demo": "the phrase over the band",
    "loop": "the phrase over its own bars, its end running into its start",
    "trade": "the phrase with gaps for the student",
    "backing": "the band alone",
    "sheet": "notation and tablature",
    "page": "the practice page",
}
SOUNDS = ("demo", "loop", "trade", "backing")
FORMATS = tuple(suffix[1:] for suffix, kind in SUFFIXES.items() if kind.container)


@dataclass(frozen=True, slots=True)
class Study:
    """One phrase of a lesson."""

    name: str  # the phrase file's own name without its suffix
    phrase: Phrase  # as its file says
    # The phrase under an empty name, then the chosen variations under theirs.
    versions: tuple[tuple[str, Phrase], ...]
    keys: tuple[Key, ...]  # in which it is played
    grooves: tuple[str, ...]  # names or paths; an empty one where each version has its own
    form: str  # a name or a path
    swing: str  # as written; empty where the phrase or the groove decides
    tempos: tuple[Fraction, ...]  # rising
    gaps: tuple[str, ...]  # keys of `backing.practice.plan.GAPS`, for trading
    take: Path | None  # the teacher's recording of the phrase in its own key, or None
    take_tempo: Fraction  # the tempo at which it was recorded
    text: str  # the teacher's words on it, in Markdown


@dataclass(frozen=True, slots=True)
class Lesson:
    """One lesson file."""

    path: Path  # the file
    title: str  # its name
    studies: tuple[Study, ...]  # its phrases, in the order they are learnt
    choruses: int  # of backings and demos
    formats: tuple[str, ...]  # suffixes of the sounds, some of `FORMATS`
    stems: bool  # whether backings and demos are also written part by part
    # Whether each phrase's demo is also a film, in its first key and groove at full tempo.
    films: bool
    make: tuple[str, ...]  # some of `KINDS`
    full_tempo_only: tuple[str, ...]  # sounds that are made at the highest tempo alone
    video: tuple[str, ...]  # the kinds that a video of the lesson plays, in its order
    opening: int  # seconds that the teacher talks before it plays the first
    text: str  # the teacher's words, in Markdown
    credits: Credits = NOBODY  # who made it
    # The steps through which the practice pages lead; the usual ones if there are none.
    session: tuple[Step, ...] = ()
    # Who plays strings and organ in its sounds, one of `backing.events.VOICES`.
    voice: str = VOICES[0]
