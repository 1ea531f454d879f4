"""What the hands do to a note, as tables: the signs, what each takes, how long it lasts.

Conventions: signs are the trade's own tab signs; sizes are in cents, times in seconds. Every room
reads these tables: a technique is a row here and, where its motion is new, a branch of
`phrases.performance`.
References: common practice, from memory of it. A slide of one or two frets is a grace of 60 to 90
ms; a bend is quick, under 100 ms, unless it is marked slow; vibrato is 10 to 20 cents wide where
it is narrow and 40 to 80 where it is wide, 4 to 6.5 times a second.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

__all__ = [
    "BEND_SIZES", "HARMONICS", "LATEST", "LONGEST", "MARKS", "PICKLESS", "PINCHED", "RATES",
    "SIZE_NAMES", "SLIDES", "SLIDE_SECONDS", "STEPS", "TECHNIQUES", "WIDTHS", "Mark", "Technique",
    "mark",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Technique:
    """One thing the fretting hand does under a picked note."""

    sign: str  # as written in a phrase
    name: str  # as said
    # What follows the sign: ``fret``, ``slide`` (a fret, or nothing for a slide to nowhere),
    # ``bend`` (a size in brackets or a fret), ``release`` (a smaller size, or nothing) or nothing.
    takes: str
    # How the pitch moves: ``frets`` (fret by fret), ``step`` (at once), ``ease`` (as a hand
    # bends), ``preset`` (before the pick), ``sway`` (vibrato), ``flutter`` (to and fro) or ``dip``
    # (down and back, by the vibrato bar).
    motion: str
    # How long the motion takes: per fret for ``frets`` (`SLIDE_SECONDS` at least), at all for
    # ``ease``; for ``sway`` how long the note speaks first.
    seconds: float = 0.0
    cents: float = 0.0  # vibrato width, from the lowest to the highest pitch; how deep a dip is
    hertz: float = 0.0  # vibrato rate, or how many times a second a trill comes round
    way: int = 0  # 1 goes to a higher fret, -1 to a lower one, 0 to none
    meaning: str = ""  # what a plain-text sheet says of its sign; the name where it is left out
    # What stands over both staves; empty for what has signs, lines or waves of its own.
    over: str = ""
    # MusicXML: a tag of ``technical``, ``ornaments`` or ``articulations``, then tags inside it,
    # each with a text after a colon where it has one.
    element: tuple[str, ...] = ()
    example: str = ""  # a place that has it
    # What may stand in brackets behind it: some of ``size over rate grows``.
    brackets: tuple[str, ...] = ()

    @property
    def lands(self) -> bool:
        """Whether the fretting hand stops another fret afterwards."""
        return self.motion in ("frets", "step")

    @property
    def slide(self) -> str:
        r"""``/`` or ``\`` where it slides, whatever its sign; empty where it does not."""
        return ("", "/", "\\")[self.way] if self.motion == "frets" else ""

    @property
    def stays(self) -> bool:
        """Whether the pitch is afterwards what it was before: a vibrato, a trill, a dip."""
        return not (self.lands or self.bending)

    @property
    def bending(self) -> str:
        """How it changes what a string is bent by: ``bend``, ``pre``, ``release``, or not."""
        if self.motion == "preset":
            return "pre"
        return self.takes if self.takes in ("bend", "release") else ""

    @property
    def sizes(self) -> dict[str, int]:
        """The sizes that it may have, in cents."""
        return WIDTHS if self.motion == "sway" else BEND_SIZES


TECHNIQUES: dict[str, Technique] = {
    technique.sign: technique
    for technique in (
        Technique("/", "slide up", "slide", "frets", seconds=0.036, way=1,
                  element=("slide",), example="G5/7"),
        Technique("\\", "slide down", "slide", "frets", seconds=0.036, way=-1,
                  element=("slide",), example="G7\\5"),
        Technique("h", "hammer-on", "fret", "step", way=1,
                  element=("hammer-on",), example="G5h7"),
        Technique("p", "pull-off", "fret", "step", way=-1,
                  element=("pull-off",), example="G7p5"),
        Technique("b", "bend", "bend", "ease", seconds=0.09, way=1,
                  meaning="bend to the pitch of that fret",
                  element=("bend", "bend-alter"), example="G7b(full)",
                  brackets=("size", "over")),
        Technique("r", "release", "release", "ease", seconds=0.14,
                  element=("bend", "release"), example="G7b(full)r",
                  brackets=("size", "over")),
        Technique("pb", "pre-bend", "bend", "preset", way=1, meaning="bent before it is picked",
                  element=("bend", "pre-bend"), example="G7pb(full)r",
                  brackets=("size",)),
        Technique("~", "vibrato", "", "sway", seconds=0.18, cents=20.0, hertz=5.2,
                  element=("wavy-line",), example="G7~",
                  brackets=("size", "rate", "grows")),
        Technique("~~", "wide vibrato", "", "sway", seconds=0.18, cents=60.0, hertz=5.0,
                  element=("wavy-line",), example="G7~~", brackets=("rate", "grows")),
        Technique("tr", "trill", "fret", "flutter", hertz=6.5, way=1,
                  element=("trill-mark",), example="G5tr7", brackets=("rate",)),
        Technique("v", "bar dip", "", "dip", seconds=0.30, cents=100.0, over="bar dip",
                  element=("bend", "bend-alter:-1", "with-bar:dip"), example="G7v",
                  brackets=("size", "over")),
    )
}  # fmt: skip

# What comes to another fret at once, without a pick.
STEPS = tuple(sign for sign, one in TECHNIQUES.items() if one.motion == "step")

SLIDE_SECONDS = 0.07  # that a slide takes at least, however near its fret

# What may stand before a place: a slide into it from nowhere.
SLIDES: dict[str, str] = {"/": "slide in from below", "\\": "slide in from above"}

BEND_SIZES: dict[str, int] = {"1/4": 50, "1/2": 100, "full": 200, "3/2": 300}
SIZE_NAMES: dict[float, str] = {cents: name for name, cents in BEND_SIZES.items()}
WIDTHS: dict[str, int] = {"1/8": 25, "1/4": 50, "1/2": 100}  # of a vibrato
LONGEST = 8  # beats that a movement may take
RATES = (2, 12)  # times a second


@dataclass(frozen=True, slots=True)
class Mark:
    """One word in braces after a note."""

    name: str
    kind: str  # marks of one kind exclude each other
    velocity: int = 0  # added to the MIDI velocity
    seconds: float = 0.0  # how much later the note sounds
    meaning: str = ""  # what it does that is no number
    # `text` and `told`: what stands under a plain-text sheet, and what that means; the name where
    # it is left out.
    text: str = ""
    told: str = ""
    # What stands over a staff; with dashes to the end of its notes where it ends in ``-``.
    over: str = ""
    # What MusicXML's ``other-technical`` says, where no element of the standard does.
    other: str = ""
    element: tuple[str, ...] = ()  # as of a `Technique`


MARKS: dict[str, Mark] = {
    "d": Mark("down-stroke", "stroke", velocity=2, element=("down-bow",)),
    "u": Mark("up-stroke", "stroke", velocity=-3, element=("up-bow",)),
    "1": Mark("first finger", "finger", element=("fingering:1",)),
    "2": Mark("second finger", "finger", element=("fingering:2",)),
    "3": Mark("third finger", "finger", element=("fingering:3",)),
    "4": Mark("fourth finger", "finger", element=("fingering:4",)),
    "accent": Mark("accent", "touch", velocity=16, text=">", element=("accent",)),
    "ghost": Mark("ghost note", "touch", velocity=-28),
    "late": Mark("late", "time", seconds=0.030, text="late", told="after the beat", over="late",
                 other="late"),
    "short": Mark("staccato", "length", meaning="half as long", text=".", told="short",
                  element=("staccato",)),
    "ring": Mark("let ring", "length", meaning="until its string is used again", text="ring",
                 told="let it ring", over="let ring-"),
    "pm": Mark("palm mute", "palm", velocity=-6, meaning="damped by the picking hand", text="PM",
               over="P.M.-"),
    "rake": Mark("rake", "attack", velocity=8, meaning="across the muted strings before it",
                 text="rake", told="rake across the muted strings", over="rake", other="rake"),
    "tremolo": Mark("tremolo picking", "attack", velocity=-4, meaning="picked over and over",
                    text="trem", over="trem.", element=("tremolo:3",)),
    "hammered": Mark("hammered from nowhere", "attack", velocity=-14,
                     meaning="by the fretting hand alone", text="ham", over="H",
                     other="hammered from nowhere"),
    "thumb": Mark("thumb", "attack", velocity=-5, meaning="plucked by the thumb", text="thumb",
                  over="thumb", other="thumb"),
    "fingers": Mark("fingers", "attack", velocity=-3, meaning="plucked by the fingers",
                    text="fing", over="fingers", other="fingers"),
    "harmonic": Mark("natural harmonic", "harmonic", meaning="a part of the open string",
                     text="harm", over="Harm.", element=("harmonic", "natural")),
    "pinch": Mark("pinch harmonic", "harmonic", meaning="an octave higher", text="pinch",
                  over="P.H.", element=("harmonic", "artificial")),
    "slow": Mark("slow bend", "bend", meaning="a bend takes most of a beat", text="slow",
                 over="slow", other="slow bend"),
    "supported": Mark("supported bend", "support", meaning="more fingers help to push",
                      text="sup", told="supported by more fingers", over="supported",
                      other="supported bend"),
}  # fmt: skip
PICKLESS = ("hammered", "thumb", "fingers")  # no stroke of the pick goes with them
# Semitones above the open string at which it sounds where it is only touched: the second to the
# fifth partial, which lie at a half, a third, a quarter and a fifth of its length.
HARMONICS: dict[int, int] = {4: 28, 5: 24, 7: 19, 9: 28, 12: 12, 16: 28, 19: 19, 24: 24}
PINCHED = 12  # semitones
LATEST = 120  # milliseconds


def mark(name: str) -> Mark | None:
    """Return a mark by its name: a key of `MARKS`, or milliseconds late, ``45ms``."""
    if re.fullmatch(r"[0-9]{1,3}ms", name) and 1 <= int(name[:-2]) <= LATEST:
        milliseconds = int(name[:-2])
        return Mark(f"{milliseconds}ms", "time", seconds=milliseconds / 1000)
    return MARKS.get(name)
