"""What a practice page shows and plays, as plain data; `page.render_page` makes the file.

Conventions: beats are written felt beats from the first beat of the loop, so a pickup lies below 0
and is heard before the loop's end; a `PageLoop` says how they are swung. Frames are those of the
sound's own rate. Texts are plain text unless they are called Markdown.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from backing.listening.written import Event
from backing.page.session import Step
from phrases.credits import NOBODY, Credits

__all__ = [
    "EncodedSound", "PageChord", "PageData", "PageLoop", "PageNote", "PagePiece", "PageSystem",
    "PageTip", "PageTurn", "Version",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class EncodedSound:
    """One layer of a loop as an encoded audio file."""

    data: bytes  # the file: Ogg Opus, or whatever else browsers decode
    # `start`: the frame at which the loop begins; before it stands some of the loop's own end, and
    # after its `frames` some of its own beginning.
    start: int
    frames: int
    rate: int = 48000  # frames a second that a decoder gives


@dataclass(frozen=True, slots=True)
class PageLoop:
    """One rendered tempo of a piece in a key."""

    tempo: Fraction  # felt beats a minute
    swing: float  # long part to short part of the beat, 1 for straight, as it was rendered
    # `band` and `phrase`: its layers, of one length. Equal bands may be given many times: the page
    # holds each once.
    band: EncodedSound
    phrase: EncodedSound


@dataclass(frozen=True, slots=True)
class PageChord:
    """A chord and the beat on which it begins."""

    beat: Fraction
    name: str


@dataclass(frozen=True, slots=True)
class PageTurn:
    """The span of a part."""

    role: str  # one of `phrases.phrase.ROLES`
    # `beat` and `end`: from its first note, which may be a pickup (below 0 for that of the first
    # part), until the next part's first note.
    beat: Fraction
    end: Fraction
    bar: int  # the bar, from 0, to which its pickup leads


@dataclass(frozen=True, slots=True)
class PageNote:
    """A place of the neck that is reached, by the pick or otherwise."""

    beat: Fraction  # and `end`: from where to where it is the current one
    end: Fraction
    string: str
    fret: int | None  # None for a muted string
    name: str = ""  # and `degree`: ``Eb4`` and ``b3``; empty for a muted string
    degree: str = ""
    how: str = "pick"  # or the technique that leads there
    also: tuple[str, ...] = ()  # what the hands do there besides: ``vibrato``


@dataclass(frozen=True, slots=True)
class PageTip:
    """A remark of the teacher's."""

    text: str  # in Markdown
    beat: Fraction | None = None  # where it belongs; None for the whole
    place: str = ""  # the same as players say it: ``call, bar 1, 3&``


@dataclass(frozen=True, slots=True)
class PageSystem:
    """One line of written music."""

    # A whole ``<svg>`` element with a ``viewBox`` from 0 0. Its ink is ``currentColor``; it has no
    # style sheet and no ids.
    svg: str
    width: float  # and `height`: of its ``viewBox``; both sets of a `Version` have one scale
    height: float
    # For each bar its number, its left and its right edge. The bar before the first is 0, the
    # pickup; it is seen as the loop's end when it is heard.
    bars: tuple[tuple[int, float, float], ...]
    # Beats and the x at which they stand, in order: every note and rest, every bar line.
    places: tuple[tuple[Fraction, float], ...]


@dataclass(frozen=True, slots=True)
class Version:
    """A piece in one key; `backing.page.music.version` makes it from a phrase."""

    key: str  # ``Bb``, ``C# minor``
    beats_in_bar: int  # and `bars`: felt beats of a bar and bars of the loop
    bars: int
    chords: tuple[PageChord, ...]  # to `notes`: in order
    turns: tuple[PageTurn, ...]
    notes: tuple[PageNote, ...]
    # The same music in long lines for a desk and in short ones for a telephone.
    wide: tuple[PageSystem, ...]
    narrow: tuple[PageSystem, ...]
    loops: tuple[PageLoop, ...]  # one for each tempo, the slowest first
    # For each loop and each note the second, from the loop's first beat, at which it is heard; a
    # pickup's is below 0.
    heard: tuple[tuple[float, ...], ...]
    # For each loop what is heard to begin, in seconds from its first beat.
    written: tuple[tuple[Event, ...], ...] = ()
    tips: tuple[PageTip, ...] = ()
    groove: str = ""  # to choose by; empty where a piece has one groove alone
    even: frozenset[int] = frozenset()  # the beats in which nothing swings
    feel: str = ""  # the groove to be read, also where there is one alone


@dataclass(frozen=True, slots=True)
class PagePiece:
    """A phrase, or a variation of one."""

    name: str  # ``Porch light``, or ``Porch light, low flame``
    versions: tuple[Version, ...]  # one for each groove in each key


@dataclass(frozen=True, slots=True)
class PageData:
    """A whole page."""

    title: str  # the lesson's
    pieces: tuple[PagePiece, ...]  # in the order they are learnt
    text: str = ""  # the teacher's words, in Markdown
    # Under which the browser remembers the settings: the lesson's, as long as it is the same one.
    name: str = ""
    # The lesson's other pages: what each is called, and its file's path from this page's folder,
    # with ``/`` between folders.
    others: tuple[tuple[str, str], ...] = ()
    credits: Credits = NOBODY  # who made it
    # The steps through which the page leads; without any it is played freely alone.
    session: tuple[Step, ...] = ()
    # Keys whose sounds stand in files of their own beside the page, each with its file's name.
    apart: tuple[tuple[str, str], ...] = ()
