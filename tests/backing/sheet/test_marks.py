"""What stands over the notation staff, and the rhythm under a tab that stands alone."""

from __future__ import annotations

from collections import Counter

import pytest

from backing.sheet import lettering
from backing.sheet.columns import NUMBER, TALL, columns, pads
from backing.sheet.ink import Ink
from backing.sheet.marks import over
from backing.sheet.mei import plan
from backing.sheet.rhythm import rhythm
from backing.sheet.spacing import Style, spaced
from backing.sheet.staff import engrave
from backing.sheet.writing import write
from phrases.files import read_phrase
from tests.backing.sheet.lines import one


def drawn(notes: str, *, bare: bool = False, sizes: bool = False) -> list[Ink]:
    text = (
        'title = "T"\nkey = "A"\ngroove = "shuffle"\ntempo = 90\n'
        f"[[part]]\nrole = \"line\"\nnotes = '''{notes}'''\n"
    )
    score = write(read_phrase(text))
    made = plan(score, bends=not bare)
    made.pads = pads(score, made)
    [system] = engrave(score, made, [], 90.0, bare=bare)
    every = columns(score, made, system)
    if bare:
        return rhythm(score, system, every, [])
    return over(score, made, system, every, sizes=sizes)


@pytest.mark.parametrize(
    ("notes", "kinds"),
    [
        ("| 1 G7b(full) 3 .", {"angle": 1}),
        ("| 1 G7b(full)r 3 .", {"angle": 2}),
        ("| 1 B10b(full) 2 r 3 .", {"angle": 2}),
        ("| 1 G7pb(full) 3 .", {"angle": 1}),
        ("| 1 G7b(1/4) 3 .", {"bend": 1}),
        ("| 1 B10b(1/4) 2 - 3 G5 | 1 .", {"bend": 1}),
        ("| 1 G5/7 2 /e8 3 e8\\ 4 .", {"slide": 3}),
        ("| 1 G7~ 3 .", {"vibrato": 1}),
        ("| 1 G7tr9 3 .", {"trill": 1}),
        # The last of the tied heads is left, and no other.
        ("| 4 G5/ | 3 .", {"slide": 1, "tie": 1}),
        # One wave over all heads that are tied, another where it gets wider.
        ("| 1 D5~+G7 2 -+h9 3 .", {"vibrato": 1, "tie": 1}),
        ("| 2& G7~~ | 3 .", {"vibrato": 1, "tie": 2}),
        ("| 1 G7~ 2 ~~ 3 .", {"vibrato": 2, "tie": 1}),
        ("| 4 G7tr9 | 3 .", {"trill": 1, "tie": 1}),
        ("| 1 G5h7 3 .", {}),
        # Its three slashes are in what is engraved.
        ("| 1 G5{tremolo} 3 .", {}),
    ],
)
def test_each_technique_is_on_the_notation_staff(notes: str, kinds: dict[str, int]) -> None:
    assert Counter(one.kind for one in drawn(notes)) == kinds


@pytest.mark.parametrize(
    ("notes", "count"),
    [
        ("| 1 e12{rake} 3 .", 1),
        ("| 1 E3{pm} & E3{pm} 2 E3 3 E3{pm} 4 .", 2),
        ("| 1 B5{ring} & G5{ring} 3 .", 1),
        ("| 1 G5{late} 2 G5{45ms} 3 .", 2),
        ("| 1 G7b(full){slow} 3 .", 1),
        ("| 1 G7b(full){supported} 3 .", 1),
    ],
)
def test_words_stand_over_the_notation_where_there_is_no_tab(notes: str, count: int) -> None:
    assert "word" not in {ink.kind for ink in drawn(notes)}
    alone = drawn(notes, sizes=True)
    words = [ink for ink in alone if ink.kind == "word"]
    assert len(words) == count
    over = [ink.box.top for ink in alone if ink.kind == "angle"]
    assert max(word.box.bottom for word in words) < min([0.0, *over])


def test_a_slide_out_leaves_the_last_of_tied_heads() -> None:
    [drawn] = spaced(write(one("| 1 D5 4 G5/ | 3 .")), Style(90.0))
    (bar, _), heads = drawn.system.bars[1], drawn.system.heads
    for inks in (drawn.upper, drawn.lower):
        [slide] = [ink for ink in inks if ink.kind == "slide"]
        assert slide.box.left > bar
        assert slide.box.left > max(head.right for head in heads.values())
    brackets = [ink for ink in drawn.lower if ink.kind == "fret" and ink.box.left > bar]
    assert [ink.svg for ink in brackets] == [
        lettering.bracketed(lettering.text("5", NUMBER, "bold"), NUMBER).svg
    ]


@pytest.mark.parametrize(
    "notes", ["| 1 D14/+G9\\ 2 .", "| 1 /D14+\\G9 2 .", "| 1 D14/16+G9\\7 2 ."]
)
def test_slides_of_a_unison_that_part_or_meet_do_not_cross(notes: str) -> None:
    [line] = spaced(write(one(notes)), Style(90.0))
    up, down = sorted((i for i in line.upper if i.kind == "slide"), key=lambda i: i.box.bottom)
    assert not up.meets(down)
    assert line.clashes == []


# What stands beside `tr`: the key of A has C sharp, F sharp and G sharp.
@pytest.mark.parametrize(
    ("notes", "sign"),
    [
        ("| 1 G7tr9 3 .", ""),  # D and E
        ("| 1 G7tr8 3 .", "flat"),  # D and E flat
        ("| 1 G9tr10 3 .", "natural"),  # E and F natural
        ("| 1 G9tr11 3 .", ""),  # E and F sharp
        ("| 1 e8 2 G3tr5 3 .", "natural"),  # B flat and C natural, which the key does not have
        ("| 1 G10 2 G9tr11 3 .", "sharp"),  # E and F sharp, after an F natural
    ],
)
def test_a_trill_has_the_accidental_of_its_upper_note(notes: str, sign: str) -> None:
    inks = drawn(notes)
    [trill] = [ink for ink in inks if ink.kind == "trill"]
    drawn_signs = [name for name in ("flat", "sharp", "natural")
                   if lettering.glyph(name, 0.6).svg in trill.svg]  # fmt: skip
    assert drawn_signs == ([sign] if sign else [])


def test_the_wave_of_a_trill_is_on_the_line_of_its_sign() -> None:
    for inks in (
        drawn("| 1 e12tr14 3 ."),
        spaced(write(one("| 1 e12tr14 3 .")), Style())[0].lower,
    ):
        [trill] = [ink for ink in inks if ink.kind == "trill"]
        sign, wave = trill.boxes
        assert sign.top < wave.top < wave.bottom < sign.bottom
        assert wave.left - sign.right == pytest.approx(0.2)


def test_an_upper_note_that_is_no_step_is_a_head_in_brackets() -> None:
    [line] = spaced(write(one("| 1 G7tr10 2 G7tr9 3 .")), Style(90.0))
    [head] = [ink for ink in line.upper if ink.kind == "ghost"]
    main = line.system.heads["b0e0n0-G"]
    # D and F natural: two places of the staff higher, which is one space.
    middle = (head.boxes[0].top + head.boxes[0].bottom) / 2
    assert middle == pytest.approx((main.top + main.bottom) / 2 - 1.0, abs=0.02)
    assert head.box.left > main.right
    assert lettering.glyph("natural", 0.7).svg in head.svg


def test_several_grace_notes_have_beams_and_one_a_flag() -> None:
    [line] = spaced(write(one("| 1 G5h7 2 G5h7p5 3 E1h3h5h6 4 .")), Style(90.0))
    kinds = Counter((ink.kind, ink.owner[:4]) for ink in line.upper)
    assert kinds["flag", "b0e0"] == 1
    for event, count in (("b0e1", 2), ("b0e2", 3)):
        assert kinds["flag", event] == 0
        beams = [i for i in line.upper if i.kind == "grace beam" and i.owner.startswith(event)]
        stems = [i for i in line.upper if i.kind == "stem" and i.owner.startswith(event)][:count]
        assert len(beams) == 2
        assert all(any(stem.meets(beam) for stem in stems) for beam in beams)
        assert all(stem.meets(beams[0]) for stem in stems)
    assert line.clashes == []


def test_a_high_passage_is_an_octave_lower_under_its_sign() -> None:
    [line] = spaced(write(one("| 1 e5 2 e20 & e22 3 e24 & e15 4 e20 & e5")), Style(100.0))
    [sign] = [ink for ink in line.upper if ink.kind == "octave"]
    heads = line.system.heads
    tops = [(heads[f"b0e{n}n0-e"].top + heads[f"b0e{n}n0-e"].bottom) / 2 for n in range(7)]
    # The lines are at 0 to 4: A4 as it sounds on the first ledger line, C6 as C5 on the second.
    # What shares the last beam is written as it is.
    assert tops == pytest.approx([-1.0, -2.0, -2.5, -3.0, -0.5, -2.0, 2.5], abs=0.02)
    assert heads["b0e1n0-e"].left > sign.box.left > heads["b0e0n0-e"].right
    assert heads["b0e6n0-e"].right < sign.box.right
    assert sign.box.bottom < min(ink.box.top for ink in line.upper if ink.kind == "notehead")


@pytest.mark.parametrize(
    ("notes", "count"),
    [
        ("| 1 e20 2 e22 3 .", 0),  # two are no passage
        ("| 1 e20 2 e22 3 - | 1 - 3 .", 0),
        ("| 1 e15 2 e12 3 e15 4 e12", 0),
        ("| 1 e20 2 e22 3 e20 4 .", 1),
        ("| 1 e20 2 e22 3 - | 1 e20 3 .", 1),
        ("| 1 e20 2 G5+e22 3 e20 4 e22", 0),
        ("| 1 e20 & e22 2 e20 & e22 3 E5 4 e20 & e22 | 1 e20 2 .", 2),
    ],
)
def test_what_is_a_high_passage(notes: str, count: int) -> None:
    found = [ink for line in spaced(write(one(notes)), Style(100.0)) for ink in line.upper
             if ink.kind == "octave"]  # fmt: skip
    assert len(found) == count


def test_accidentals_are_given_anew_where_the_octave_changes() -> None:
    # C natural on the same place of the staff: C5 and, under the sign, C6.
    [line] = spaced(write(one("| 1 B13 2 e20 & e22 3 e20 4 B13")), Style(100.0))
    signs = [ink.owner[:4] for ink in line.upper if ink.kind == "accid"]
    assert signs == ["b0e0", "b0e1", "b0e4"]


def test_short_values_keep_their_flags_beams_and_rests() -> None:
    inks = drawn("| 1 G5 +1/16 . 2 e5 +1/32 e8 +1/16 .", bare=True)
    flags = [ink.svg for ink in inks if ink.kind == "flag"]
    assert flags == [lettering.glyph("flag 4").svg]  # a 64th
    beams = [ink for ink in inks if ink.kind == "beam"]
    assert len(beams) == 5  # of two 128ths
    assert min(beam.box.top for beam in beams) > TALL
    rests = [ink.svg for ink in inks if ink.kind == "rest"]
    assert rests[0] == lettering.glyph("rest 64").svg


def test_tremolo_is_a_sign_through_the_stem() -> None:
    def stems(notes: str) -> int:
        score = write(one(notes))
        [system] = engrave(score, plan(score), [], 90.0)
        return sum(ink.kind == "stem" for ink in system.inks)

    assert stems("| 1 G5{tremolo} 3 .") == stems("| 1 G5 3 .") + 1


def test_sizes_are_told_where_there_is_no_tab() -> None:
    inks = drawn("| 1 G7b(full) 2 r 3 .", sizes=True)
    assert Counter(one.kind for one in inks) == {"angle": 2, "bend size": 1}


@pytest.mark.parametrize(
    ("notes", "kinds"),
    [
        ("| 1 G5 2 G7 3 .", {"stem": 2, "rest": 1, "meter": 2}),
        ("| 1 G5 & G7 2 .", {"stem": 2, "beam": 1, "rest": 2, "meter": 2}),
        ("| 1 G5 e G7 & G5 a G7 2 .", {"stem": 4, "beam": 2, "rest": 2, "meter": 2}),
        ("| 1 G5 trip G7 let G5 2 .", {"stem": 3, "beam": 1, "tuplet": 1, "rest": 2, "meter": 2}),
        ("| 1 G5 3 .", {"stem": 1, "rest": 1, "meter": 2}),
        ("| 1 G5", {"meter": 2}),
    ],
)
def test_a_tab_alone_tells_the_rhythm(notes: str, kinds: dict[str, int]) -> None:
    assert Counter(one.kind for one in drawn(notes, bare=True)) == kinds
