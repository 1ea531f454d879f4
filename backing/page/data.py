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
    "EncodedSound",
    "PageChord",
    "PageData",
    "PageLoop",
    "PageNote",
    "PagePiece",
    "PageSystem",
    "PageTip",
    "PageTurn",
    "Version",
]


@dataclass(frozen=True, slots=True)
class EncodedSound:
    """One layer of a loop as an encoded audio file.

    Attributes
    ----------
    data
        The file: Ogg Opus, or whatever else browsers decode.
    start
        The frame at which the loop begins; before it stands some of the loop's own end.
    frames
        Length of the loop. After it stands some of the loop's own beginning.
    rate
        Frames a second that a decoder gives.
    """

    data: bytes
    start: int
    frames: int
    rate: int = 48000


@dataclass(frozen=True, slots=True)
class PageLoop:
    """One rendered tempo of a piece in a key.

    Attributes
    ----------
    tempo
        Felt beats a minute.
    swing
        Long part to short part of the beat, 1 for straight: of the section that was rendered.
    band, phrase
        Its layers, of one length. Equal bands may be given many times: the page holds each once.
    """

    tempo: Fraction
    swing: float
    band: EncodedSound
    phrase: EncodedSound


@dataclass(frozen=True, slots=True)
class PageChord:
    """A chord and the beat on which it begins."""

    beat: Fraction
    name: str


@dataclass(frozen=True, slots=True)
class PageTurn:
    """The span of a part.

    Attributes
    ----------
    role
        One of `phrases.phrase.ROLES`.
    beat, end
        From its first note, which may be a pickup (below 0 for that of the first part), until the
        next part's first note.
    bar
        The bar, from 0, to which its pickup leads.
    """

    role: str
    beat: Fraction
    end: Fraction
    bar: int


@dataclass(frozen=True, slots=True)
class PageNote:
    """A place of the neck that is reached, by the pick or otherwise.

    Attributes
    ----------
    beat, end
        From where to where it is the current one.
    string, fret
        Where; the fret is None for a muted string.
    name, degree
        ``Eb4`` and ``b3``; empty for a muted string.
    how
        ``pick``, or the technique that leads there.
    also
        What the hands do there besides: ``vibrato``.
    """

    beat: Fraction
    end: Fraction
    string: str
    fret: int | None
    name: str = ""
    degree: str = ""
    how: str = "pick"
    also: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PageTip:
    """A remark of the teacher's.

    Attributes
    ----------
    text
        In Markdown.
    beat
        Where it belongs; None for the whole.
    place
        The same as players say it: ``call, bar 1, 3&``.
    """

    text: str
    beat: Fraction | None = None
    place: str = ""


@dataclass(frozen=True, slots=True)
class PageSystem:
    """One line of written music.

    Attributes
    ----------
    svg
        A whole ``<svg>`` element with a ``viewBox`` from 0 0. Its ink is ``currentColor``; it has
        no style sheet and no ids.
    width, height
        Of its ``viewBox``; both sets of a `Version` have one scale.
    bars
        For each bar its number, its left and its right edge. The bar before the first is 0, the
        pickup; it is seen as the loop's end when it is heard.
    places
        Beats and the x at which they stand, in order: every note and rest, every bar line.
    """

    svg: str
    width: float
    height: float
    bars: tuple[tuple[int, float, float], ...]
    places: tuple[tuple[Fraction, float], ...]


@dataclass(frozen=True, slots=True)
class Version:
    """A piece in one key; `backing.page.music.version` makes it from a phrase.

    Attributes
    ----------
    key
        ``Bb``, ``C# minor``.
    groove
        What the band plays, to choose by; empty where a piece has one groove alone.
    feel
        The same to be read, also then.
    even
        The beats in which nothing swings.
    beats_in_bar, bars
        Felt beats of a bar and bars of the loop.
    chords, turns, notes, tips
        In order.
    wide, narrow
        The same music in long lines for a desk and in short ones for a telephone.
    loops
        One for each tempo, the slowest first.
    written
        For each loop what is heard to begin, in seconds from its first beat.
    heard
        For each loop and each note the second, from the loop's first beat, at which it is heard;
        a pickup's is below 0.
    """

    key: str
    beats_in_bar: int
    bars: int
    chords: tuple[PageChord, ...]
    turns: tuple[PageTurn, ...]
    notes: tuple[PageNote, ...]
    wide: tuple[PageSystem, ...]
    narrow: tuple[PageSystem, ...]
    loops: tuple[PageLoop, ...]
    heard: tuple[tuple[float, ...], ...]
    written: tuple[tuple[Event, ...], ...] = ()
    tips: tuple[PageTip, ...] = ()
    groove: str = ""
    even: frozenset[int] = frozenset()
    feel: str = ""


@dataclass(frozen=True, slots=True)
class PagePiece:
    """A phrase, or a variation of one.

    Attributes
    ----------
    name
        ``Porch light``, or ``Porch light, low flame``.
    versions
        One for each groove in each key.
    """

    name: str
    versions: tuple[Version, ...]


@dataclass(frozen=True, slots=True)
class PageData:
    """A whole page.

    Attributes
    ----------
    title
        The lesson's.
    text
        The teacher's words, in Markdown.
    pieces
        In the order they are learnt.
    name
        Under which the browser remembers the settings: the lesson's, as long as it is the same
        lesson.
    others
        The lesson's other pages: what each is called, and its file's path from this page's folder,
        with ``/`` between folders.
    credits
        Who made it.
    session
        The steps through which the page leads; without any it is played freely alone.
    apart
        Keys whose sounds stand in files of their own beside the page, each with its file's name.
    """

    title: str
    pieces: tuple[PagePiece, ...]
    text: str = ""
    name: str = ""
    others: tuple[tuple[str, str], ...] = ()
    credits: Credits = NOBODY
    session: tuple[Step, ...] = ()
    apart: tuple[tuple[str, str], ...] = ()
