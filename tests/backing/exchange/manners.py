"""One lick after another as files write them: MusicXML has many ways to say one thing.

Each is valid MusicXML 4.0, made here after the standard's own descriptions of its elements.
"""

from __future__ import annotations

from dataclasses import dataclass

from phrases.fretboard import STANDARD, STRINGS

__all__ = ["MANNERS", "Manner"]

NAMES = ((0, 0), (0, 1), (1, 0), (1, 1), (2, 0), (3, 0), (3, 1), (4, 0), (4, 1), (5, 0), (5, 1),
         (6, 0))  # fmt: skip
TYPES = {1: "16th", 2: "eighth", 4: "quarter", 8: "half", 16: "whole", 6: "quarter"}
TAB = "<clef{}><sign>TAB</sign><line>5</line></clef>"
TREBLE = "<clef{}><sign>G</sign><line>2</line><clef-octave-change>-1</clef-octave-change></clef>"
TWO = " <staves>2</staves>" + TREBLE.format(' number="1"') + TAB.format(' number="2"')
BACK = "<backup><duration>16</duration></backup>"


@dataclass(frozen=True)
class Manner:
    """A file, the notes that it means, and what is told of it.

    Attributes
    ----------
    heard
        Whether what music21 hears in it is what the phrase plays: not where frets are moved.
    part, voice
        What is asked for.
    """

    name: str
    text: str
    notes: str
    told: tuple[str, ...] = ()
    heard: bool = True
    part: str = ""
    voice: str = ""


def pitch(midi: int) -> str:
    step, sharp = NAMES[midi % 12]
    alter = f"<alter>{sharp}</alter>" if sharp else ""
    return f"<pitch><step>{'CDEFGAB'[step]}</step>{alter}<octave>{midi // 12 - 1}</octave></pitch>"


def note(
    place: str, length: int = 4, notations: str = "", technical: str = "", *, chord: bool = False,
    tie: str = "", staff: int = 0, voice: str = "1", head: str = "", sounds: int | None = None,
    fret: bool = True, before: bool = False, time: str = "", play: str = "", written: int = 0,
) -> str:  # fmt: skip
    """Return a note, ``3/5`` for string 3 and fret 5, ``r`` for a rest; 0 long is a grace note."""
    kind = "16th" if not length else TYPES.get(written or length, "eighth")
    dot = "<dot/>" if (written or length) == 6 else ""
    tail = f"<voice>{voice}</voice><type>{kind}</type>{dot}{time}"
    tail += head + (f"<staff>{staff}</staff>" if staff else "")
    if place == "r":
        return f"<note><rest/><duration>{length}</duration>{tail}</note>"
    line, number = map(int, place.split("/"))
    midi = STANDARD[STRINGS[-line]] + number if sounds is None else sounds
    where = f"<string>{line}</string><fret>{number}</fret>" if fret else ""
    inside = technical + where if before else where + technical
    hands = f"<technical>{inside}</technical>" if inside else ""
    said = f"<notations>{notations}{hands}</notations>" if notations or hands else ""
    ties = "".join(f'<tie type="{one}"/>' for one in tie.split())
    return (
        f"<note>{'' if length else '<grace/>'}{'<chord/>' if chord else ''}{pitch(midi)}"
        f"{f'<duration>{length}</duration>' if length else ''}{ties}{tail}{said}{play}</note>"
    )


def score(
    *bars: str, first: str = TAB.format(""), time: str = "4/4", divisions: int = 4, more: str = "",
    before: str = "", names: str = "", pickup: bool = False,
) -> str:  # fmt: skip
    """Return a score of one part with these bars; `more` are other parts, with their names."""
    beats, unit = time.split("/")
    attributes = (
        f"<attributes><divisions>{divisions}</divisions><key><fifths>0</fifths></key><time>"
        f"<beats>{beats}</beats><beat-type>{unit}</beat-type></time>{first}</attributes>"
    )
    text = "".join(
        f'<measure number="{n}"{IMPLICIT if pickup and not n else ""}>'
        f"{attributes if n == (not pickup) else ''}{bar}</measure>"
        for n, bar in enumerate(bars, not pickup)
    )
    return (
        f'<?xml version="1.0" encoding="UTF-8"?><score-partwise version="4.0">{before}<part-list>'
        f'<score-part id="P1"><part-name>Guitar</part-name></score-part>{names}</part-list>'
        f'<part id="P1">{text}</part>{more}</score-partwise>'
    )


IMPLICIT = ' implicit="yes"'
SLUR = '<slur type="{}" number="1"/>'
SLIDE = '<slide type="{}" number="1" line-type="solid"/>'
WAVE = '<ornaments><wavy-line type="{}" number="1"/></ornaments>'
TRIPLET = (
    "<time-modification><actual-notes>3</actual-notes><normal-notes>2</normal-notes>"
    "</time-modification>"
)


def words(text: str, more: str = "") -> str:
    said = f"<direction-type><words>{text}</words></direction-type>" if text else ""
    return f"<direction>{said}{more}</direction>"


def dashes(kind: str) -> str:
    return f'<direction-type><dashes type="{kind}" number="1"/></direction-type>'


def tuning(*pitches: int, extra: str = "") -> str:
    lines = "".join(
        f'<staff-tuning line="{n}">' + pitch(one).replace("<pitch>", "").replace("</pitch>", "")
        .replace("step>", "tuning-step>").replace("alter>", "tuning-alter>")
        .replace("octave>", "tuning-octave>") + "</staff-tuning>"
        for n, one in enumerate(pitches, 1)
    )  # fmt: skip
    inside = f"<staff-lines>6</staff-lines>{lines}{extra}"
    return f"{TAB.format('')}<staff-details>{inside}</staff-details>"


def bar(sign: str, place: str = "right") -> str:
    return f'<barline location="{place}">{sign}</barline>'


BASS = (
    '<part id="P2"><measure number="1"><attributes><divisions>1</divisions><clef><sign>F</sign>'
    "<line>4</line></clef></attributes><note><pitch><step>E</step><octave>2</octave></pitch>"
    "<duration>4</duration><voice>1</voice><type>whole</type></note></measure></part>"
)
BASS_NAME = '<score-part id="P2"><part-name>Bass</part-name></score-part>'

MANNERS = (
    Manner(
        "a tablature staff alone, joins with elements of their own and slurs besides",
        score(
            note("3/5", 4, SLUR.format("start"),
                 '<hammer-on type="start" number="1">H</hammer-on>')
            + note("3/7", 4, SLUR.format("stop") + SLUR.format("start"),
                   '<hammer-on type="stop" number="1"/>'
                   '<pull-off type="start" number="1">P</pull-off>')
            + note("3/5", 4, SLUR.format("stop"), '<pull-off type="stop" number="1"/>')
            + note("2/5", 4),
        ),
        "| 1 G5 2 h7 3 p5 4 B5",
    ),
    Manner(
        "slurs alone",
        score(
            note("3/5", 2, SLUR.format("start")) + note("3/7", 2, SLUR.format("stop"))
            + note("2/8", 4) + note("r", 8),
        ),
        "| 1 G5 & h7 2 B8 3 .",
    ),
    Manner(
        "all the signs on the staff of notation, strings and frets on the other",
        score(
            note("3/5", 4, SLUR.format("start"), "<up-bow/>", staff=1, fret=False)
            + note("3/7", 4, SLUR.format("stop"), staff=1, fret=False)
            + note("2/8", 8, "<articulations><accent/></articulations>",
                   "<fingering>4</fingering>", staff=1, fret=False)
            + BACK + note("3/5", 4, staff=2, voice="5") + note("3/7", 4, staff=2, voice="5")
            + note("2/8", 8, staff=2, voice="5"),
            first=TWO,
        ),
        "| 1 G5{u} 2 h7 3 B8{4 accent}",
    ),
    Manner(
        "both staves, ties and rests only on the staff of notation",
        score(
            note("3/7", 4, '<tied type="start"/>', tie="start", staff=1, fret=False)
            + note("3/7", 4, '<tied type="stop"/>', tie="stop", staff=1, fret=False)
            + note("2/5", 8, staff=1, fret=False)
            + BACK + note("3/7", 8, staff=2, voice="5") + note("2/5", 8, staff=2, voice="5"),
            first=TWO,
        ),
        "| 1 G7 3 B5",
    ),
    Manner(
        "frets on a staff of notation",
        score(note("1/8", 8) + note("1/5", 8), first=TREBLE.format("")),
        "| 1 e8 3 e5",
    ),
    Manner(
        "fine divisions, triplets rounded",
        score(
            note("1/8", 157, time=TRIPLET, written=2) + note("1/5", 156, time=TRIPLET, written=2)
            + note("2/8", 157, time=TRIPLET, written=2) + note("3/7", 470, written=4)
            + note("r", 940, written=8),
            divisions=470,
        ),
        "| 1 e8 trip e5 let B8 2 G7 3 .",
        heard=False,
    ),
    Manner(
        "slides with and without a slur, and a glissando",
        score(
            note("3/5", 4, SLUR.format("start") + SLIDE.format("start"))
            + note("3/7", 4, SLUR.format("stop") + SLIDE.format("stop"))
            + note("2/5", 4, SLIDE.format("start")) + note("2/8", 4, SLIDE.format("stop")),
            note("3/9", 8, '<glissando type="start" number="1" line-type="wavy"/>')
            + note("3/5", 8, '<glissando type="stop" number="1" line-type="wavy"/>'),
        ),
        "| 1 G5 2 /7 3 B5/ 4 B8 | 1 G9\\ 3 G5",
    ),
    Manner(
        "slides from and to nowhere",
        score(
            note("3/7", 8, "<articulations><scoop/></articulations>")
            + note("3/9", 8, "<articulations><falloff/></articulations>"),
        ),
        "| 1 /G7 3 G9\\",
    ),
    Manner(
        "bends: up, up and down, before the pick; curved, with an offset",
        score(
            note("3/7", 4, "", '<bend shape="curved"><bend-alter>2</bend-alter></bend>')
            + note("3/7", 4, "", "<bend><bend-alter>1</bend-alter></bend>"
                   '<bend><bend-alter>-1</bend-alter><release offset="2"/></bend>')
            + note("2/8", 4, "", "<bend><bend-alter>-2</bend-alter><pre-bend/></bend>"
                   "<bend><bend-alter>-2</bend-alter><release/></bend>")
            + note("2/8", 4, "", "<bend><bend-alter>0.5</bend-alter></bend>"),
        ),
        "| 1 G7b(full) 2 G7b(1/2)r 3 B8pb(full)r 4 B8b(1/4)",
    ),
    Manner(
        "grace notes, hammered and slid",
        score(
            note("3/5", 0, SLUR.format("start")) + note("3/7", 8, SLUR.format("stop"))
            + note("2/8", 0, SLIDE.format("start")) + note("2/10", 8, SLIDE.format("stop")),
        ),
        "| 1 G5h7 3 B8/10",
        heard=False,  # the pick is at the grace note
    ),
    Manner(
        "a grace note on the staff of notation only",
        score(
            note("3/8", 0, SLUR.format("start"), staff=1, fret=False)
            + note("3/9", 16, SLUR.format("stop"), staff=1, fret=False)
            + BACK + note("3/9", 16, staff=2, voice="5"),
            first=TWO,
        ),
        "| 1 G8h9",
        heard=False,
    ),
    Manner(
        "the strings of a chord at its first note",
        score(
            note("3/7", 8, "", "<string>2</string><fret>8</fret>")
            + note("2/8", 8, chord=True, fret=False) + note("1/5", 8),
        ),
        "| 1 G7+B8 3 e5",
    ),
    Manner(
        "palm mutes and ringing strings by words with dashes",
        score(
            words("P.M.", dashes("start")) + note("6/5", 4) + note("6/5", 4)
            + f"<direction>{dashes('stop')}</direction>" + note("5/7", 8),
            words("let ring", dashes("start")) + note("4/7", 4) + note("3/7", 4)
            + note("2/8", 8) + f"<direction>{dashes('stop')}</direction>",
        ),
        "| 1 E5{pm} 2 E5{pm} 3 A7 | 1 D7{ring} 2 G7{ring} 3 B8{ring}",
    ),
    Manner(
        "palm mutes and ringing strings by elements; ghosts, mutes",
        score(
            note("6/5", 4, play="<play><mute>palm</mute></play>")
            + note("5/7", 4, '<tied type="let-ring"/>')
            + note("3/7", 4, head='<notehead parentheses="yes">normal</notehead>')
            + note("3/0", 4, head="<notehead>x</notehead>"),
        ),
        "| 1 E5{pm} 2 A7{ring} 3 G7{ghost} 4 Gx",
    ),
    Manner(
        "a pickup, a repeat with two endings",
        score(
            note("1/5", 4),
            bar('<repeat direction="forward"/>', "left") + note("1/8", 16),
            bar('<ending number="1" type="start"/>', "left") + note("2/5", 16)
            + bar('<ending number="1" type="stop"/><repeat direction="backward"/>'),
            bar('<ending number="2" type="start"/>', "left") + note("2/8", 16)
            + bar('<ending number="2" type="discontinue"/>'),
            pickup=True,
        ),
        "4 e5 | 1 e8 | 1 B5 | 1 e8 | 1 B8",
        ("repeats and jumps are played out: bars 0 to 2, 1, 3",),
    ),
    Manner(
        "back to a sign and on to the coda",
        score(
            note("1/5", 16),
            "<direction><direction-type><segno/></direction-type><sound segno=\"a\"/></direction>"
            + note("1/8", 16) + words("To Coda", '<sound tocoda="b"/>'),
            note("2/5", 16) + words("D.S. al Coda", '<sound dalsegno="a"/>'),
            '<direction><direction-type><coda/></direction-type><sound coda="b"/></direction>'
            + note("2/8", 16),
        ),
        "| 1 e5 | 1 e8 | 1 B5 | 1 e8 | 1 B8",
        ("repeats and jumps are played out: bars 1 to 3, 2, 4",),
    ),
    Manner(
        "a low string tuned to D, in the octave in which guitar music is printed",
        score(
            note("6/5", 8, sounds=55) + note("5/7", 8, sounds=64),
            first=tuning(50, 57, 62, 67, 71, 76),
        ),
        "| 1 E5 3 A7",
    ),
    Manner(
        "all strings a half step lower, pitches as they sound",
        score(
            note("6/5", 8, sounds=44) + note("5/7", 8, sounds=51),
            first=tuning(39, 44, 49, 54, 58, 63),
        ),
        "| 1 E5 3 A7",
    ),
    Manner(
        "a capo, and a part that sounds an octave lower than it is written",
        score(
            note("2/5", 16, sounds=76),
            first=TAB.format("") + "<staff-details><staff-lines>6</staff-lines><capo>2</capo>"
            "</staff-details><transpose><diatonic>0</diatonic><chromatic>0</chromatic>"
            "<octave-change>-1</octave-change></transpose>",
        ),
        "| 1 B5",
        ("capo at fret 2: frets count from it",),
        heard=False,
    ),
    Manner(
        "a vibrato over tied notes, one over a bar line",
        score(
            note("3/7", 8)
            + note("2/8", 8, '<tied type="start"/>' + WAVE.format("start"), tie="start"),
            note("2/8", 8, '<tied type="stop"/>' + WAVE.format("stop"), tie="stop") + note("r", 8),
        ),
        "| 1 G7 3 B8~ | 3 .",
    ),
    Manner(
        "two voices on one staff",
        score(
            note("1/5", 8) + note("1/8", 8) + BACK + note("6/5", 16, voice="2"),
        ),
        "| 1 e5 3 e8",
        ("bar 1: note in voice 2; one voice is read (--voice 2)",),
        heard=False,
    ),
    Manner(
        "two voices that take turns",
        score(
            note("1/5", 8) + note("r", 8) + BACK + note("r", 8, voice="2")
            + note("6/5", 8, voice="2"),
            note("r", 16, voice="2") + BACK + note("1/8", 16),
        ),
        "| 1 e5 3 E5 | 1 e8",
    ),
    Manner(
        "the second of two voices",
        score(note("1/5", 8) + note("1/8", 8) + BACK + note("6/5", 16, voice="2")),
        "| 1 E5",
        ("bar 1: note in voice 1; one voice is read (--voice 1)",),
        heard=False,
        voice="2",
    ),
    Manner(
        "a band, of which one part has frets",
        score(note("1/5", 16), more=BASS, names=BASS_NAME),
        "| 1 e5",
        ('part "Bass" (P2); one part is read',),
        heard=False,
    ),
    Manner(
        "notation and tablature as two parts of the same notes",
        score(
            note("3/5", 8) + note("3/7", 8),
            more='<part id="P2"><measure number="1"><attributes><divisions>4</divisions>'
            + TREBLE.format("") + "</attributes>"
            + note("3/5", 8, SLUR.format("start"), sounds=72, fret=False)
            + note("3/7", 8, SLUR.format("stop"), sounds=74, fret=False) + "</measure></part>",
            names='<score-part id="P2"><part-name>Notes</part-name></score-part>',
        ),
        "| 1 G5 3 h7",
    ),
    Manner(
        "a part without frets, asked for by name",
        score(note("2/5", 16, fret=False), first=TREBLE.format("")),
        "| 1 B5",
        ("bar 1: note without a string and a fret, given both",),
        part="guitar",
    ),
    Manner(
        "who wrote it, chords, dynamics, words, words sung",
        score(
            "<harmony><root><root-step>A</root-step></root><kind>dominant</kind></harmony>"
            + words("Softly") + "<direction><direction-type><dynamics><p/></dynamics>"
            "</direction-type></direction>" + note("1/5", 16).replace(
                "</note>", "<lyric><text>oh</text></lyric></note>"),
            before='<identification><creator type="composer">A. Player</creator>'
                   "</identification>",
        ),
        "| 1 e5",
        ("bar 1: chord symbol (the form gives the chords)",
         'bar 1: words "Softly"', "bar 1: dynamics", "bar 1: lyric"),
    ),
)  # fmt: skip
