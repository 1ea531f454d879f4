"""The tab staff: numbers under their notes, and what the hands do around them."""

from __future__ import annotations

import pytest

from backing.sheet import lettering
from backing.sheet.columns import FINGER, GAP, LABEL, NUMBER, TALL, columns, pads
from backing.sheet.ink import Ink
from backing.sheet.layout import Style, pictures
from backing.sheet.mei import plan
from backing.sheet.staff import System, engrave
from backing.sheet.tab import tab
from backing.sheet.writing import write
from phrases.files import read_phrase


def drawn(
    notes: str, width: float = 90.0, breaks: tuple[int, ...] = (), *, marks: bool = True
) -> list[tuple[list[Ink], System]]:
    text = (
        'title = "T"\nkey = "A"\ngroove = "shuffle"\ntempo = 90\n'
        f"[[part]]\nrole = \"line\"\nnotes = '''{notes}'''\n"
    )
    score = write(read_phrase(text))
    made = plan(score)
    made.pads = pads(score, made)
    systems = engrave(score, made, breaks, width)
    return [(tab(score, made, system, marks=marks), system) for system in systems]


def kinds(inks: list[Ink], kind: str) -> list[Ink]:
    return sorted((one for one in inks if one.kind == kind), key=lambda one: one.box.left)


def test_a_number_stands_on_its_string_under_its_note() -> None:
    [(inks, system)] = drawn("| 1 e5 2 B12 3 E3 4 A0")
    numbers = kinds(inks, "fret")
    rows = [0, GAP, TALL, TALL - GAP]
    assert len(numbers) == 4
    for number, y, (name, head) in zip(numbers, rows, system.heads.items(), strict=True):
        assert (number.box.top + number.box.bottom) / 2 == pytest.approx(y, abs=0.05), name
        middle = (head.left + head.right) / 2
        assert (number.box.left + number.box.right) / 2 == pytest.approx(middle, abs=0.02)


def test_lines_are_open_where_numbers_stand() -> None:
    [(inks, _)] = drawn("| 1 e5 2 B12 3 E3+A3 4 .")
    lines = kinds(inks, "tab line")
    assert len(lines) == 6 + 4
    for number in kinds(inks, "fret"):
        assert not any(number.meets(line, 0.15) for line in lines)


@pytest.mark.parametrize(
    ("notes", "size"),
    [("1/4", "1/4"), ("1/2", "1/2"), ("full", "full"), ("3/2", "1 1/2")],
)
def test_a_bend_has_an_arrow_and_its_size(notes: str, size: str) -> None:
    [(inks, _)] = drawn(f"| 1 G7b({notes}) 3 .")
    arrow = kinds(inks, "bend")
    assert len(arrow) == 2  # a curve and its head
    top = min(one.box.top for one in arrow)
    assert top < -1
    [label] = kinds(inks, "bend size")
    assert label.svg == lettering.text(size, LABEL).svg
    assert label.box.bottom < top


def test_wider_bends_go_higher() -> None:
    [(inks, _)] = drawn("| 1 G7b(1/4) 2 G7b(1/2) 3 G7b(full) 4 G7b(3/2)")
    heads = [one.box.top for one in kinds(inks, "bend")[1::2]]
    assert heads == sorted(heads, reverse=True)
    assert len(set(heads)) == 4


def test_a_release_comes_down_to_the_fret_in_brackets() -> None:
    [(inks, _)] = drawn("| 1 B10b(full) 3 r 4 .")
    assert len(kinds(inks, "fret")) == 2
    assert len(kinds(inks, "hold")) == 1
    bends = kinds(inks, "bend")
    assert bends[-1].box.bottom < 0.7


def test_a_partial_release_has_a_size_and_no_number() -> None:
    [(inks, _)] = drawn("| 1 B10b(full) 3 r(1/2) 4 .")
    assert len(kinds(inks, "fret")) == 1
    assert len(kinds(inks, "bend size")) == 2


def test_a_pre_bend_is_upright() -> None:
    [(inks, _)] = drawn("| 1 B10pb(full) 3 .")
    line = kinds(inks, "bend")[0]
    assert line.box.right - line.box.left < 1.0


def test_arcs_have_their_letters() -> None:
    [(inks, _)] = drawn("| 1 G5 & h7 2 p5 & G7h9p7 3 .")
    assert len(kinds(inks, "arc")) == 4
    assert len(kinds(inks, "letter")) == 4


def test_slides_lean_as_the_hand_goes() -> None:
    [(inks, _)] = drawn("| 1 G5 & /7 2 \\5 3 /e8 4 e8\\")
    slides = kinds(inks, "slide")
    assert len(slides) == 4
    up = [one.boxes[0].top > one.boxes[-1].top for one in slides]
    assert up == [True, False, True, False]


def test_a_slide_keeps_clear_of_the_arrows_that_rise_through_its_string() -> None:
    [(inks, _)] = drawn("| 1 D1+G3+B2 e b(full)+-+b(1/2)r & -+\\2+- 2 .")
    [slide], arrows = kinds(inks, "slide"), kinds(inks, "bend")
    assert any(a.box.top < slide.box.top and slide.box.bottom < a.box.bottom for a in arrows)
    assert not any(slide.meets(arrow) for arrow in arrows)


def test_a_slide_over_a_line_break_is_on_both_lines() -> None:
    [(first, system), (second, _)] = drawn("| 1 G5 | 1 /7 2 .", breaks=(1,))
    [before], [after] = kinds(first, "slide"), kinds(second, "slide")
    assert before.box.right == pytest.approx(system.width - 0.75, abs=0.2)
    assert after.box.left > 0


def test_vibrato_follows_its_bend_on_the_same_height() -> None:
    [(inks, _)] = drawn("| 1 G7b(full)~ 4 .")
    [wave], [label] = kinds(inks, "vibrato"), kinds(inks, "bend size")
    assert wave.box.left > label.box.right


def test_strokes_and_fingers_stand_in_rows() -> None:
    notes = "| 1 G5{d1} & h7 2 G5+B5{u3} 3 e5{d2} 4 ."
    [(inks, _)] = drawn(notes)
    assert len({round(one.box.top, 3) for one in kinds(inks, "stroke")}) == 1
    assert [one.box.top > TALL for one in kinds(inks, "finger")] == [True] * 3
    [(plain, _)] = drawn(notes, marks=False)
    assert not kinds(plain, "stroke")
    assert not kinds(plain, "finger")


@pytest.mark.parametrize("staves", ["both", "notation"])
def test_fingers_of_a_double_stop_are_in_the_order_of_the_strings(staves: str) -> None:
    text = (
        'title = "T"\nkey = "A"\ngroove = "shuffle"\ntempo = 90\n'
        "[[part]]\nrole = \"line\"\nnotes = '| 1 G7{3 d}+B5{1} 3 .'\n"
    )
    [picture] = pictures(write(read_phrase(text)), Style(staves=staves))
    upper, lower = sorted((i for i in picture.inks if i.kind == "finger"), key=lambda i: i.box.top)
    # The B string is over the G string.
    assert upper.svg == lettering.text("1", FINGER).svg
    assert lower.svg == lettering.text("3", FINGER).svg


def test_a_tie_is_not_written_again() -> None:
    [(inks, _)] = drawn("| 3 G5 | 2 .")
    assert len(kinds(inks, "fret")) == 1


def alone(notes: str) -> list[Ink]:
    text = (
        'title = "T"\nkey = "A"\ngroove = "shuffle"\ntempo = 90\n'
        f"[[part]]\nrole = \"line\"\nnotes = '''{notes}'''\n"
    )
    [picture] = pictures(write(read_phrase(text)), Style(staves="tab"))
    return list(picture.inks)


@pytest.mark.parametrize("notes", ["| 3 G5 | 2 .", "| 2& G5 3& ."])
def test_a_tie_is_in_brackets_where_no_notation_shows_it(notes: str) -> None:
    inks = alone(notes)
    plain, held = kinds(inks, "fret")
    assert plain.svg == lettering.text("5", NUMBER, "bold").svg
    assert held.svg == lettering.bracketed(lettering.text("5", NUMBER, "bold"), NUMBER).svg
    stems = kinds(inks, "stem")
    assert [one.box.left for one in stems] == pytest.approx(
        [(one.box.left + one.box.right) / 2 - 0.065 for one in (plain, held)], abs=0.05
    )


@pytest.mark.parametrize(
    "notes", ["| 1 G5 2 - 3 b(full) 4 .", "| 3 G5 | 2 h7 3 .", "| 4 G5tr7 | 2 tr8 3 ."]
)
def test_what_begins_on_a_tied_head_rises_from_its_fret_in_brackets(notes: str) -> None:
    [(inks, _)] = drawn(notes)
    held = lettering.bracketed(lettering.text("5", NUMBER, "bold"), NUMBER).svg
    assert [one.svg for one in kinds(inks, "fret")].count(held) == 1


@pytest.mark.parametrize(
    ("mark", "names"),
    [("accent", ["accent"]), ("short", ["staccato"]), ("accent short", ["accent", "staccato"])],
)
def test_accents_are_over_a_tab_that_stands_alone(mark: str, names: list[str]) -> None:
    inks = alone(f"| 1 D5 2 e12{{{mark}}} 3 G7b(full){{{mark}}} 4 .")
    signs = kinds(inks, "artic")
    frets = kinds(inks, "fret")[1:]
    for fret in frets:
        middle = (fret.box.left + fret.box.right) / 2
        own = [s for s in signs if abs((s.box.left + s.box.right) / 2 - middle) < 0.05]
        assert sorted(s.svg for s in own) == sorted(lettering.glyph(n).svg for n in names)
        assert max(s.box.bottom for s in own) < min(0.0, fret.box.top)
    assert not kinds(drawn(f"| 1 e12{{{mark}}} 3 .")[0][0], "artic")


def test_a_grace_note_in_a_double_stop_stands_under_its_own_head() -> None:
    [(inks, system)] = drawn("| 1 B16\\15b(1/2)+G15 3 .")
    [grace] = [
        one for one in kinds(inks, "fret") if one.svg == lettering.text("16", 1.5, "bold").svg
    ]
    head = system.heads["b0e0n0-B"]
    assert (grace.box.left + grace.box.right) / 2 == pytest.approx(
        (head.left + head.right) / 2, abs=0.02
    )


def test_a_double_stop_with_a_bend_is_one_column() -> None:
    [(inks, _)] = drawn("| 1 G7b(full)+B5 3 .")
    one, other = kinds(inks, "fret")
    middle = (one.box.left + one.box.right) / 2
    assert middle == pytest.approx((other.box.left + other.box.right) / 2, abs=0.02)


@pytest.mark.parametrize(
    ("mark", "text"),
    [
        ("pm", "P.M."),
        ("rake", "rake"),
        ("ring", "let ring"),
        ("slow", "slow"),
        ("45ms", "late"),
        ("late", "late"),
        ("supported", "supported"),
        ("slow supported", "slow, supported"),
        ("tremolo", "trem."),
    ],
)
def test_words_over_the_staff(mark: str, text: str) -> None:
    [(inks, _)] = drawn(f"| 1 G7b(full){{{mark}}} 3 .")
    [word] = kinds(inks, "word")
    assert word.box.bottom < 0
    assert lettering.text(text, LABEL, "italic").svg in word.draw()


def test_ghost_notes_are_in_brackets_and_muted_ones_crosses() -> None:
    [(inks, _)] = drawn("| 1 G5 2 G5{ghost} 3 Gx 4 .")
    plain, ghost, cross = kinds(inks, "fret")
    assert ghost.box.right - ghost.box.left > plain.box.right - plain.box.left
    assert cross.svg != plain.svg


def test_columns_know_what_follows() -> None:
    text = (
        'title = "T"\nkey = "A"\ngroove = "shuffle"\ntempo = 90\n'
        "[[part]]\nrole = \"line\"\nnotes = '| 1 G5 2 G7 3 .'\n"
    )
    score = write(read_phrase(text))
    made = plan(score)
    [system] = engrave(score, made, [], 60.0)
    first, second = columns(score, made, system)
    assert first.right < first.until == second.left
    assert second.until == min(box.left for box in system.rests.values())
