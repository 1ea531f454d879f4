"""What an engraver looks for: signs that belong together, and signs that contradict each other.

Sources: common practice, after Gould, "Behind Bars" (2011), from memory.
"""

from __future__ import annotations

from xml.etree import ElementTree

import pytest

from backing.forms import find_form
from backing.sheet.columns import TALL
from backing.sheet.ink import Ink
from backing.sheet.layout import pictures
from backing.sheet.mei import mei, plan
from backing.sheet.score import ScoreEvent
from backing.sheet.spacing import Drawn, Style, spaced
from backing.sheet.writing import over_form, write
from phrases.files import load_phrase
from tests.backing.sheet.lines import one
from tests.backing.sheet.overlaps import clashes
from tests.backing.sheet.test_staff import notes_of, written


def systems(notes: str, staves: str = "both", key: str = "A", meter: str = "4/4") -> list[Drawn]:
    return spaced(write(one(notes, key, meter)), Style(100.0, staves))


def kinds(inks: tuple[Ink, ...], kind: str) -> list[Ink]:
    return [ink for ink in inks if ink.kind == kind]


# A shift slide: the line joins both heads, and there is no slur, since the second is picked.
@pytest.mark.parametrize("notes", ["| 1 G5/ 2 G9 3 .", "| 1 G9\\ 2 G5 3 .", "| 1 B5/ & B8h10 2 ."])
def test_a_slide_to_a_picked_note_joins_both_heads(notes: str) -> None:
    [line] = systems(notes)
    for inks in (line.upper, line.lower):
        [slide] = kinds(inks, "slide")
        numbers = sorted(one.box for one in (*kinds(inks, "notehead"), *kinds(inks, "fret")))
        assert numbers[0].right < slide.box.left < slide.box.right < numbers[1].left
        # It reaches nearly all the way.
        assert slide.box.right - slide.box.left > 0.7 * (numbers[1].left - numbers[0].right) - 0.6
    assert len(kinds(line.upper, "slur")) == notes.count("h")


@pytest.mark.parametrize(
    "notes",
    ["| 1 G5/ 2 G3 3 .", "| 1 G5/ 2 . 3 G9 4 .", "| 1 G5/ 2 B9 3 .", "| 1 G5/ 2 /G9 3 .",
     "| 1 G5/ 2 Gx 3 ."],
)  # fmt: skip
def test_other_slides_still_lead_nowhere(notes: str) -> None:
    score = write(one(notes))
    heads = [
        head for measure in score.measures for event in measure.events for head in event.heads
    ]
    assert not any(head.onward or head.shift for head in heads)


def test_a_slide_arrives_over_a_bar_line_and_at_a_grace_note() -> None:
    score = write(one("| 4 G5/ | 1 G9h11 2 G12\\+B12/ 3 G9+B13 4 ."))
    made = plan(score)
    signs = [(join.sign, join.start[:4], join.end[:4]) for join in made.joins]
    assert ("/", "b0e2", "b1e0") in signs
    assert signs.count(("\\", "b1e1", "b1e2")) == signs.count(("/", "b1e1", "b1e2")) == 1


def test_an_octave_sign_ends_where_a_beam_does() -> None:
    [line] = systems("| 1 e5 2 e20 & e22 3 e24 & e15 4 e20 & e5")
    [sign] = kinds(line.upper, "octave")
    assert sign.box.right > line.system.heads["b0e6n0-e"].right


def test_a_beam_with_a_low_note_is_not_under_an_octave_sign() -> None:
    [line] = systems("| 1 e20 & e22 2 e20 & e22 3 e20 & E5 4 .")
    [sign] = kinds(line.upper, "octave")
    heads = line.system.heads
    assert heads["b0e3n0-e"].right < sign.box.right < heads["b0e4n0-e"].left


def values(notes: str, meter: str = "4/4") -> list[str]:
    """Return each event with its dots, r for a rest, ' for staccato and _ for a tie."""

    def told(event: ScoreEvent) -> str:
        short = any("short" in head.chain[0].marks for head in event.heads)
        ties = any(head.ties for head in event.heads)
        dots = "." * event.dots
        return f"{'r' * event.rest}{event.value}{dots}{chr(39) * short}{'_' * ties}"

    score = write(one(notes, meter=meter))
    return [told(event) for measure in score.measures for event in measure.events]


@pytest.mark.parametrize(
    ("notes", "meter", "found"),
    [
        # The half of four beats over the bar line is the half note itself.
        ("| 3 G5{short} | 3 .", "4/4", ["rhalf", "half", "rwhole"]),
        ("| 2& G5{short} 4 .", "4/4", ["rquarter", "reighth", "eighth", "rhalf"]),
        # Here more than the half is left: its dot stays.
        ("| 1 G5{short} | 2 .", "4/4", ["whole'", "rwhole"]),
        # What is one value keeps it, and its dot.
        ("| 1 G5{short} & . 2 G5{short} 3 .", "4/4", ["eighth'", "reighth", "quarter'", "rhalf"]),
        ("| 1 G5{short} let . 2 . 3 G5{short} | 1 .", "12/8",
         ["quarter'", "reighth", "rquarter.", "half.'", "rwhole"]),
        # What is done on a later count goes on sounding.
        ("| 1 G5{short} & h7 2& .", "4/4", ["eighth'", "quarter", "reighth", "rhalf"]),
    ],
)  # fmt: skip
def test_staccato_is_never_tied(notes: str, meter: str, found: list[str]) -> None:
    assert values(notes, meter) == found


def test_staccato_is_nearer_to_the_head_than_the_accent() -> None:
    for notes in ("| 1 G5{accent short} 3 .", "| 1 e10{accent short} 3 ."):
        [line] = systems(notes)
        dot, accent = sorted(
            kinds(line.upper, "artic"), key=lambda ink: ink.box.right - ink.box.left
        )
        [head] = kinds(line.upper, "notehead")

        def away(one: Ink, head: Ink = head) -> float:
            return max(head.box.top - one.box.bottom, one.box.top - head.box.bottom)

        assert 0 < away(dot) < away(accent)


@pytest.mark.parametrize(
    ("notes", "found"),
    [
        # A major: C natural in one bar; C sharp in the next is called back, once.
        ("| 1 G5 | 1 G6 2 G6", ["cn4", "cs4", "c4"]),
        ("| 1 G5 | 1 . | 1 G6", ["cn4", "c4"]),
        # A tie brings the C natural over the bar line.
        ("| 4 G5 | 2 G6 3 .", ["cn4", "c4", "cs4"]),
        # Another octave of the same bar.
        ("| 1 G5 2 e9 3 e9 4 .", ["cn4", "cs5", "c5"]),
        ("| 1 G6 2 e9 | 1 G6", ["c4", "c5", "c4"]),
    ],
)
def test_courtesy_accidentals(notes: str, found: list[str]) -> None:
    assert notes_of(written(notes, key="A")[1]) == found


def test_tied_tremolo_keeps_its_strokes() -> None:
    _, root = written("| 2& G5{tremolo} 4 G7 | 1 G5{tremolo} 2 h7 3 .")
    slashed = [
        note.get("stem.mod") == "3slash"
        for note in root.iter()
        if note.tag.endswith("}note") and note.get("visible") != "false"
    ]
    assert slashed == [True, True, False, True, True]


def test_on_the_middle_line_the_stem_goes_down_and_that_of_the_grace_note_too() -> None:
    # B4 as printed, on the middle line: G string, fret 4.
    [line] = systems("| 1 G2h4 3 .")
    stems = {ink.owner: ink.box for ink in kinds(line.upper, "stem")}
    small, main = (line.system.heads[f"b0e0n{n}-G"] for n in (0, 1))
    assert stems["b0e0n1-G"].bottom > main.bottom + 2.0
    assert stems["b0e0n0-G"].bottom > small.bottom + 1.0


# Away from the stem a whole note would have: B4 as printed has its stem down, A4 its stem up.
@pytest.mark.parametrize(("notes", "above"), [("| 1 G4 | 1 -", True), ("| 1 G2 | 1 -", False)])
def test_the_tie_of_a_note_without_a_stem_is_on_the_side_of_its_head(
    notes: str, *, above: bool
) -> None:
    [line] = systems(notes)
    [tie] = kinds(line.upper, "tie")
    head = line.system.heads["b0e0n0-G"]
    assert (tie.box.top + tie.box.bottom < head.top + head.bottom) == above


def test_mei_is_well_formed_with_all_of_it() -> None:
    score = write(one("| 3 G5{short accent} | 2& G5{tremolo} 4 G5/ | 1 G9 2 ."))
    ElementTree.fromstring(mei(score, plan(score)))
    for staves in ("both", "tab", "notation"):
        assert [c for p in pictures(score, Style(90.0, staves)) for c in clashes(p)] == []


# Common practice of books that print rhythm under tablature: stems hang from the staff, a short
# one is a half note's, a whole note has none; a tie is an arc to the number in brackets.
def test_the_stems_of_a_tab_alone_hang_from_the_staff_over_the_fingers() -> None:
    [line] = systems("| 1 G5{d 1} 3 G7{u} | 1 G5 | 1 G5 & G7 2 .", "tab")
    stems = sorted((ink.box for ink in kinds(line.lower, "stem")), key=lambda box: box.left)
    tall = [stem.bottom - stem.top for stem in stems]
    assert tall == pytest.approx([1.3, 1.3, 2.9, 2.9], abs=0.2)
    assert all(0.3 < stem.top - TALL < 1.0 for stem in stems)
    [finger] = kinds(line.lower, "finger")
    strokes = kinds(line.lower, "stroke")
    assert len(strokes) == 2
    for sign in (finger.box, *(stroke.box for stroke in strokes)):
        over = [stem for stem in stems if stem.left < sign.right and sign.left < stem.right]
        assert sign.top > max(stem.bottom for stem in over)


@pytest.mark.parametrize(("staves", "count"), [("tab", 1), ("both", 0)])
def test_a_tie_is_an_arc_where_no_notation_has_it(staves: str, count: int) -> None:
    [line] = systems("| 4 G5 | 2 .", staves)
    ties = kinds(line.lower, "arc")
    assert len(ties) == count
    for tie in ties:
        left, right = sorted(ink.box for ink in kinds(line.lower, "fret"))
        assert left.right <= tie.box.left < tie.box.right <= right.left + 0.1
        assert tie.box.bottom < (left.top + left.bottom) / 2


def test_tip_circles_are_never_on_the_line_of_chord_names() -> None:
    for name in ("damp-matches", "boot-scraper", "lamp-oil", "cold-stove"):
        score = over_form(load_phrase(name), find_form("twelve-bar"))
        for staves in ("both", "tab", "notation"):
            for picture in pictures(score, Style(101.0, staves)):
                chords = kinds(picture.inks, "chord")
                for tip in kinds(picture.inks, "tip"):
                    assert tip.box.top > max(chord.box.bottom for chord in chords)


# A bend up to a note with its stem down, let down to one with its stem up.
@pytest.mark.parametrize("notes", ["| 1 G2b(full) 2 r 3 .", "| 1 G2b(full) 3 r 4 ."])
def test_a_bend_and_its_release_have_their_hats_on_one_side(notes: str) -> None:
    [line] = systems(notes)
    angles = kinds(line.upper, "angle")
    assert len(angles) == 2
    heads = [head for name, head in line.system.heads.items() if name.endswith("-G")]
    over = {all(angle.box.bottom < head.bottom for head in heads) for angle in angles}
    assert len(over) == 1
