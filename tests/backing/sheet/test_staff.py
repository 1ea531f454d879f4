"""The engraved notation staff: every written head is there, in order, where the tab looks."""

from __future__ import annotations

from fractions import Fraction
from xml.etree import ElementTree

import pytest

from backing.sheet.mei import Engraving, mei, plan
from backing.sheet.score import Score
from backing.sheet.staff import engrave, widths
from backing.sheet.writing import write
from phrases.files import read_phrase

SPACE = "{http://www.music-encoding.org/ns/mei}"


def score(notes: str, key: str = "A", meter: str = "4/4") -> Score:
    text = (
        f'title = "T"\nkey = "{key}"\ngroove = "shuffle"\nmeter = "{meter}"\ntempo = 90\n'
        f"[[part]]\nrole = \"line\"\nnotes = '''{notes}'''\n"
    )
    return write(read_phrase(text))


def written(
    notes: str, key: str = "A", meter: str = "4/4"
) -> tuple[Engraving, ElementTree.Element]:
    music = score(notes, key, meter)
    made = plan(music)
    return made, ElementTree.fromstring(mei(music, made))


def notes_of(root: ElementTree.Element) -> list[str]:
    return [
        f"{note.get('pname')}{note.get('accid') or ''}{note.get('oct')}"
        for note in root.iter(f"{SPACE}note")
        if note.get("visible") != "false"
    ]


def test_accidentals_are_shown_once_in_a_bar() -> None:
    _, root = written("| 1 G5 2 G5 3 G6 4 G5 | 1 G5", key="A")
    # A major has C sharp: C natural needs its sign, again in the next bar; after the C sharp too.
    assert notes_of(root) == ["cn4", "c4", "cs4", "cn4", "cn4"]


def test_a_tied_head_has_its_accidental_again_after_a_line_break() -> None:
    music = score("| 4 G5 | 2 G5 3 G6", key="A")
    made = plan(music)
    one_line, two = (ElementTree.fromstring(mei(music, made, breaks)) for breaks in ([], [1]))
    assert notes_of(one_line) == ["cn4", "c4", "cn4", "cs4"]
    assert notes_of(two) == ["cn4", "cn4", "c4", "cs4"]


def test_a_bend_is_a_small_note_and_the_pitch_it_reaches() -> None:
    made, root = written("| 1 G7b(full) 3 .", key="A")
    notes = [n for n in root.iter(f"{SPACE}note") if n.get("visible") != "false"]
    assert [n.get("grace") for n in notes] == ["acc", None]
    assert [(n.get("pname"), n.get("accid")) for n in notes] == [("d", None), ("e", None)]
    assert [join.sign for join in made.joins] == ["bend"]


def test_a_quarter_tone_makes_no_note() -> None:
    made, root = written("| 1 G5b(1/4) 3 .")
    assert len(notes_of(root)) == 1
    assert made.joins == []


def test_a_release_on_its_count_is_joined_and_not_tied() -> None:
    made, _ = written("| 1 B10b(full) 3 r 4 .")
    assert [join.sign for join in made.joins] == ["bend", "release"]


def test_without_bends_each_head_is_one_column() -> None:
    music = score("| 1 B10b(full)r & G5h7 2 .")
    made = plan(music, bends=False)
    assert [len(columns) for columns in made.nodes[0][:2]] == [1, 2]


def test_one_slur_over_what_one_pick_sounds() -> None:
    made, root = written("| 1 G5 & h7 2 p5 & G7 3 .")
    assert made.slurs == [("b0e0n0-G", "b0e2n0-G")]
    assert len(list(root.iter(f"{SPACE}slur"))) == 1


def test_triplets_and_beams() -> None:
    _, root = written("| 1 G5 trip G7 let G5 2 G7 & G5 3 .")
    tuplet = next(root.iter(f"{SPACE}tuplet"))
    assert (tuplet.get("num"), tuplet.get("numbase")) == ("3", "2")
    assert len(list(root.iter(f"{SPACE}beam"))) == 2


def test_muted_strings_are_crosses() -> None:
    _, root = written("| 1 Gx+Bx 2 .")
    assert [n.get("head.shape") for n in root.iter(f"{SPACE}note")] == ["x", "x"]


def test_every_head_is_found_in_the_drawing_in_order() -> None:
    music = score("4 G5 & h7 | 1 B5b(full)~ 3 G7+B8 4 /G9 | 1 e5 trip e8 let B8 2 . 3 e5b(full)r")
    made = plan(music)
    systems = engrave(music, made, [2], 100.0)
    assert len(systems) == 2
    assert [sorted(system.bars) for system in systems] == [[0, 1], [2]]
    names = [n.name for bar in made.nodes for event in bar for column in event for n in column]
    drawn = [name for system in systems for name in system.heads]
    assert sorted(drawn) == sorted(names)
    for bars, system in zip(([0, 1], [2]), systems, strict=True):
        xs = [
            system.heads[column[0].name].left
            for bar in bars
            for event in made.nodes[bar]
            for column in event
        ]
        assert xs == sorted(xs)
        assert xs[0] > system.start
        assert max(xs) < system.width


def test_systems_are_as_wide_as_asked() -> None:
    music = score("| 1 G5 2 G7 3 G5 4 G7 | 1 G5 2 G7 3 G5 4 G7")
    made = plan(music)
    for width in (70.0, 100.0):
        system = engrave(music, made, [], width)[0]
        assert system.width == pytest.approx(width, abs=0.2)
    assert widths(music, made).width < 70


def test_the_staff_stands_at_zero() -> None:
    music = score("| 1 e20 2 E0 3 .")
    system = engrave(music, plan(music), [], 60.0)[0]
    staff = next(one.box for one in system.inks if one.kind == "staff")
    assert (staff.top, staff.bottom) == (0.0, 4.0)
    # Written an octave higher, C6 (e20) lies far over the staff and E2 (E0) under it.
    assert system.heads["b0e0n0-e"].bottom < -1.0
    assert system.heads["b0e1n0-E"].top > 4.0


def test_the_drawing_has_no_text_and_no_random_names() -> None:
    music = score("| 1 G5 2 G7")
    first, second = (
        "".join(one.svg for one in engrave(music, plan(music), [], 60.0)[0].inks) for _ in range(2)
    )
    assert first == second
    assert "<text" not in first
    ElementTree.fromstring(f"<g>{first}</g>")


def test_twelve_eight() -> None:
    _, root = written("| 1 G5 let G7 2 . 3 G5", meter="12/8")
    definition = next(root.iter(f"{SPACE}scoreDef"))
    assert definition.get("meter.count") == "12"
    durations = [(n.get("dur"), n.get("dots")) for n in root.iter(f"{SPACE}note")]
    assert durations[:2] == [("4", None), ("8", None)]


def test_pickup_bars_are_short() -> None:
    _, root = written("4 G5 & G7 | 1 B5 2 .")
    first = next(root.iter(f"{SPACE}measure"))
    assert first.get("metcon") == "false"
    assert score("4 G5 & G7 | 1 B5 2 .").measures[0].beats == Fraction(1)
