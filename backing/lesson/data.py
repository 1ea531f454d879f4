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
    """One phrase of a lesson.

    Attributes
    ----------
    name
        The phrase file's own name without its suffix.
    phrase
        As its file says.
    versions
        The phrase under an empty name, then the chosen variations under theirs.
    keys
        In which it is played.
    grooves
        Names or paths; an empty one where each version has its own.
    form
        A name or a path.
    swing
        As written; empty where the phrase or the groove decides.
    tempos
        Rising.
    gaps
        Keys of `backing.practice.plan.GAPS`, for trading.
    take
        The teacher's recording of the phrase in its own key, or None.
    take_tempo
        The tempo at which it was recorded.
    text
        The teacher's words on it, in Markdown.
    """

    name: str
    phrase: Phrase
    versions: tuple[tuple[str, Phrase], ...]
    keys: tuple[Key, ...]
    grooves: tuple[str, ...]
    form: str
    swing: str
    tempos: tuple[Fraction, ...]
    gaps: tuple[str, ...]
    take: Path | None
    take_tempo: Fraction
    text: str


@dataclass(frozen=True, slots=True)
class Lesson:
    """One lesson file.

    Attributes
    ----------
    path
        The file.
    title
        Its name.
    studies
        Its phrases, in the order they are learnt.
    choruses
        Of backings and demos.
    formats
        Suffixes of the sounds, some of `FORMATS`.
    stems
        Whether backings and demos are also written part by part.
    films
        Whether each phrase's demo is also a film, in its first key and groove at full tempo.
    make
        Some of `KINDS`.
    full_tempo_only
        Sounds that are made at the highest tempo alone.
    video
        The kinds that a video of the lesson plays, in its order.
    opening
        Seconds that the teacher talks before it plays the first.
    text
        The teacher's words, in Markdown.
    credits
        Who made it.
    session
        The steps through which the practice pages lead; the usual ones if there are none.
    voice
        Who plays strings and organ in its sounds, one of `backing.events.VOICES`.
    """

    path: Path
    title: str
    studies: tuple[Study, ...]
    choruses: int
    formats: tuple[str, ...]
    stems: bool
    films: bool
    make: tuple[str, ...]
    full_tempo_only: tuple[str, ...]
    video: tuple[str, ...]
    opening: int
    text: str
    credits: Credits = NOBODY
    session: tuple[Step, ...] = ()
    voice: str = VOICES[0]
