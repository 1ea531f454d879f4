"""The moves by which teachers vary a phrase: what each does, what it needs, what it keeps.

References: common practice, from memory; `tests/phrases/taught.txt` was listed first.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from random import Random

from phrases.moves import notes, times, touches, wholes
from phrases.moves.subject import Subject
from phrases.phrase import Phrase

__all__ = ["KEEPS", "MOVES", "VaryingMove"]

# What may stay as it was, with what is meant by it.
KEEPS: dict[str, str] = {
    "rhythm": "each part has its notes on the same counts",
    "order": "the same pitches come in the same order",
    "heard": "on each count the same pitch is reached",
    "degrees": "each note has its degree of the key",
    "body": "nothing changes before the last note of each part",
    "call": "the call stays as it is",
    "old": "what was played before is still there, on its counts",
    "less": "what is left comes on its old counts, at its old pitches",
    "ends": "each part ends on the pitch on which it ended",
    "strings": "every note stays on its string and its fret",
    "figures": "each note is one that the phrase had already",
}


@dataclass(frozen=True, slots=True)
class VaryingMove:
    """One way to vary a phrase."""

    name: str  # as it is asked for and as the variation is called, ``end-up``
    words: str  # what was done, as a teacher says it
    needs: str  # what a phrase must have for it
    # Keys of `KEEPS`. Bars, roles, and that the call asks and the response answers, are kept by
    # all.
    keeps: tuple[str, ...]
    # Returns the varied phrase; what does not fit is a `MisfitError`.
    make: Callable[[Subject, Random], Phrase]
    harder: int = 0  # 1 where it asks more of the hands, -1 where it asks less
    # Semitones above the key's root, and the degrees, of the chord it is to be heard against; that
    # of the one where it is left out.
    chord: tuple[int, tuple[str, ...]] = (0, ())


SEVENTH = ("1", "3", "5", "b7")
LONG, TWO, ENDS = (
    "a note of a beat or more",
    "three notes before an end",
    "a last note with a pitch",
)

MOVES: dict[str, VaryingMove] = {
    move.name: move
    for move in (
        VaryingMove("other-notes", "The same rhythm, other notes of the scale.", TWO,
                    ("rhythm", "ends"), notes.other_notes),
        VaryingMove("step-higher", "All but the ends a step of the scale higher, as over bars "
                    "five and six.", TWO, ("rhythm", "ends"), partial(notes.steps, count=1)),
        VaryingMove("step-lower", "All but the ends a step of the scale lower.", TWO,
                    ("rhythm", "ends"), partial(notes.steps, count=-1)),
        VaryingMove("upside-down", "What went up goes down: the line is turned about its first "
                    "note.", TWO, ("rhythm", "ends"), notes.upside_down),
        VaryingMove("backwards", "The same notes before each end, last to first.", TWO,
                    ("ends", "figures"), notes.backwards),
        VaryingMove("end-up", "The answer goes up at its end, to the next tone of home.",
                    "a response, or one line, with a home tone above its end under the hand",
                    ("rhythm", "body", "call"), partial(notes.end_to, way=1)),
        VaryingMove("end-down", "The answer goes down at its end, to the next tone of home.",
                    "a response, or one line, with a home tone below its end under the hand",
                    ("rhythm", "body", "call"), partial(notes.end_to, way=-1)),
        VaryingMove("home-on-third", "The answer lands on the third where it was the root, or on "
                    "the root where it was the third.",
                    "a response, or one line, in a scale that has the chord's third",
                    ("rhythm", "body", "call"), notes.home_on_third),
        VaryingMove("other-question", "The call stops on another open note.",
                    "a call with another open note near its end", ("rhythm", "body"),
                    notes.another_question),
        VaryingMove("over-four", "For bars five and six: over the IV each long note is a tone of "
                    "its chord.", "a long or last note that is no tone of the IV", ("rhythm",),
                    partial(notes.over, degree=5, members=SEVENTH), chord=(5, SEVENTH)),
        VaryingMove("over-five", "For bar nine: over the V each long note is a tone of its chord.",
                    "a long or last note that is no tone of the V", ("rhythm",),
                    partial(notes.over, degree=7, members=SEVENTH), chord=(7, SEVENTH)),
        VaryingMove("one-fewer", "One note is left out, and the others have more room.",
                    "a note between the first and the last", ("less", "ends"), notes.fewer, -1),
        VaryingMove("one-more", "A neighbour in the scale leads into a note that had room before "
                    "it.", "a beat without a note", ("old", "ends"), notes.more, 1),
        VaryingMove("passing", "The note of the scale that lay between two notes is played.",
                    "two notes with a note of the scale and a beat between them", ("old", "ends"),
                    notes.passing, 1),
        VaryingMove("half-step", "A half step from below leads into a note on its string.",
                    "a beat without a note before one that is on another string", ("old", "ends"),
                    notes.approached, 1),
        VaryingMove("pickup", "Two notes of the scale lead into the first.",
                    "a part that begins near its first beat and has no pickup", ("old", "ends"),
                    notes.pickup),
        VaryingMove("no-pickup", "It begins with the bar: the pickup is left out.", "a pickup",
                    ("less", "ends"), times.no_pickup, -1),
        VaryingMove("said-again", "The figure of the first bar comes twice before the end.",
                    "parts of two bars or more with two notes in the first", ("ends", "figures"),
                    notes.same_again),
        VaryingMove("later", "The same notes an eighth later: they lean against the beat.",
                    "an eighth of room at the end", ("order", "strings"),
                    partial(times.shifted, units=1)),
        VaryingMove("sooner", "The same notes an eighth sooner.",
                    "an eighth of room at the start", ("order", "strings"),
                    partial(times.shifted, units=-1)),
        VaryingMove("beat-later", "The same notes a whole beat later.",
                    "a beat of room at the end", ("order", "strings"),
                    partial(times.shifted, units=2)),
        VaryingMove("beat-sooner", "The same notes a whole beat sooner.",
                    "a beat of room at the start", ("order", "strings"),
                    partial(times.shifted, units=-2)),
        VaryingMove("twice-as-fast", "Everything in half the time, and then a rest.",
                    "parts that last longer than a beat, without thirds of a beat",
                    ("order", "strings"),
                    partial(times.scaled, factor=Fraction(1, 2)), 1),
        VaryingMove("twice-as-slow", "Everything in twice the time.",
                    "parts that need only half of their bars", ("order", "strings"),
                    partial(times.scaled, factor=Fraction(2)), -1),
        VaryingMove("push", "A long note comes early, before its beat.",
                    "a note of a beat or more on a beat, with room before it",
                    ("order", "strings"), times.pushed),
        VaryingMove("hang-back", "A long note waits until its beat is half over.",
                    "a note of a beat and a half or more on a beat", ("order", "strings"),
                    times.delayed),
        VaryingMove("said-twice", "A long note is picked twice.", LONG + " before an end",
                    ("old", "ends", "figures"), times.twice),
        VaryingMove("triplets", "Three even notes where a beat had two.",
                    "a beat with two picked notes", ("ends",), times.thirds_of_a_beat, 1),
        VaryingMove("two-for-three", "Two even notes where a beat had three.",
                    "a beat with three even notes", ("ends", "figures"), times.evened, -1),
        VaryingMove("on-the-beat", "Only what falls on the beat is left.", "notes off the beat",
                    ("less", "ends"), times.on_the_beat, -1),
        VaryingMove("held", "The last notes are held as long as there is room.",
                    "room behind a last note", ("rhythm", "heard", "strings"), times.held),
        VaryingMove("cut-off", "The last notes stop at once and leave room.",
                    "a last note that rings", ("rhythm", "heard", "strings"), times.stopped),
        VaryingMove("muted", "The muted string clicks just before strong notes.",
                    "room before a note on the beat", ("old", "ends"), times.muted_before),
        VaryingMove("bend", "A bend in the place of a slide or a hammer-on.",
                    "a slide up or a hammer-on by one or two frets where the string bends",
                    ("rhythm", "heard", "ends"), touches.bent_for_slides, 1),
        VaryingMove("slide", "A slide in the place of a bend.", "a bend of a half step or more",
                    ("rhythm", "heard", "ends"), touches.slid_for_bends, -1),
        VaryingMove("bend-up", "A note that was picked is bent up to, from the step below it.",
                    "a picked note on a string that bends, with a step of the scale below it",
                    ("rhythm", "heard", "ends"), touches.bent_up, 1),
        VaryingMove("slow-bend", "The bend takes its time.", "a bend on " + LONG,
                    ("rhythm", "heard", "ends", "strings"), touches.slow_bends),
        VaryingMove("bent-before", "The string is bent before it is picked, and let down.",
                    "a bend on " + LONG, ("strings",), touches.bent_before, 1),
        VaryingMove("curl", "The minor third curls up by a quarter tone.",
                    "a picked minor third", ("rhythm", "strings"), touches.curled),
        VaryingMove("joined", "Hammered on or pulled off where it was picked.",
                    "two notes in a row on one string", ("rhythm", "heard", "ends"),
                    touches.joined),
        VaryingMove("picked", "Picked where it was hammered on or pulled off.",
                    "a hammer-on or a pull-off on a count of its own",
                    ("rhythm", "heard", "ends"), touches.picked),
        VaryingMove("slid-into", "A strong note is slid into from a half step below.",
                    "a picked note of a beat or more on a beat, above fret 1",
                    ("rhythm", "heard", "ends"), touches.slid_into),
        VaryingMove("double-stop", "A second string sounds under a long note.",
                    "a picked note of a beat or more with a third, a fourth or a sixth under it",
                    ("rhythm", "heard", "ends"), touches.doubled, 1),
        VaryingMove("unison-bend", "The string below is bent up to a long note while that sounds.",
                    LONG + " on B or the high e, above fret 3", ("rhythm", "heard", "ends"),
                    touches.unison_bend, 1),
        VaryingMove("vibrato", "Long notes tremble, or more than before.", LONG,
                    ("rhythm", "heard", "strings"), touches.swaying),
        VaryingMove("trill", "A long note is trilled with the next of the scale.",
                    "a picked note of a beat or more before an end",
                    ("rhythm", "heard", "ends"), touches.trilled, 1),
        VaryingMove("tremolo", "Long notes are picked over and over.", LONG + " before an end",
                    ("rhythm", "heard", "strings"),
                    partial(touches.marked, name="tremolo",
                            may=lambda s: s.plain and s.beats >= 1 and not s.last), 1),
        VaryingMove("rake", "Strong notes are raked into across the muted strings.",
                    LONG + " on a beat and on one of the upper four strings",
                    ("rhythm", "heard", "strings"),
                    partial(touches.marked, name="rake",
                            may=lambda s: s.single and s.at % 1 == 0 and s.beats >= 1
                            and s.note.string in "DGBe")),
        VaryingMove("short-notes", "What is no longer than half a beat is played short.",
                    "notes of half a beat", ("rhythm", "heard", "strings"),
                    partial(touches.marked, name="short",
                            may=lambda s: s.plain and s.beats <= Fraction(1, 2))),
        VaryingMove("accents", "What comes off the beat is louder.", "notes off the beat",
                    ("rhythm", "heard", "strings"), touches.accented),
        VaryingMove("louder-softer", "The call grows and the response fades, or each part swells.",
                    "a part with three notes", ("rhythm", "heard", "strings"), wholes.shaded),
        VaryingMove("laid-back", "It lies behind the beat, as players do.",
                    "a phrase that does not lie behind yet", ("rhythm", "heard", "strings"),
                    wholes.laid_back),
        VaryingMove("exchanged", "Call and response are exchanged, each with an end of its own.",
                    "as many responses as calls", (), wholes.exchanged),
        VaryingMove("octave", "The same shape twelve frets away.",
                    "an octave of room on the neck, and no open strings", ("rhythm", "degrees"),
                    wholes.octave),
        VaryingMove("position", "The same notes in another position.",
                    "another place on the neck where one hand has all of it", ("rhythm", "heard"),
                    wholes.elsewhere),
        VaryingMove("easier", "Fewer bends, no trills, and slower.",
                    "a tempo that can be slower", ("ends",), wholes.easier, -1),
        VaryingMove("harder", "More in it, and faster.", "room for two things more", ("ends",),
                    wholes.harder, 1),
    )
}  # fmt: skip
