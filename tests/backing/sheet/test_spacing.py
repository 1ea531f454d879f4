"""Ties, slurs and signs that keep clear, and notes that move apart until everything does."""

from __future__ import annotations

from backing.sheet.clear import in_the_way, late
from backing.sheet.ink import Box, Ink
from backing.sheet.mei import plan
from backing.sheet.signs import moved_clear
from backing.sheet.spacing import Style, spaced
from backing.sheet.staff import System, engrave
from backing.sheet.ties import ties
from backing.sheet.writing import write
from tests.backing.sheet.lines import one


def piece(kind: str, left: float, right: float, owner: str = "", top: float = 0.0) -> Ink:
    return Ink(kind, (Box(left, top, right, top + 1.0),), "", owner=owner)


def test_what_is_in_the_way() -> None:
    head, sign = piece("notehead", 0, 1, "b0e0n0-G"), piece("accid", 0.8, 1.4, "b0e1n0-G")
    stem = piece("stem", 0.9, 1.0, "b0e0")
    assert list(in_the_way([sign, head])) == [(head, sign)]
    assert list(in_the_way([head, stem])) == []  # of one note
    assert list(in_the_way([head, piece("staff", 0, 9)])) == []


def test_the_later_note_moves_away() -> None:
    spots = {"b0e0n0-G": 0, "b0e1n0-G": 1, "b0e2n0-G": 2}
    xs = [0.5, 2.0, 4.0]
    head, sign = piece("notehead", 0, 1, "b0e0n0-G"), piece("accid", 0.8, 1.4, "b0e1n0-G")
    assert late((head, sign), xs, spots) == 1
    # What belongs to no note is kept clear of by the next one, or by the end of the bar.
    assert late((piece("barLine", 3, 3.2), piece("beam", 3.1, 3.5)), xs, spots) == 2
    assert late((piece("barLine", 5, 5.2), piece("beam", 5.1, 5.5)), xs, spots) == 3


def test_an_accidental_moves_off_a_ledger_line() -> None:
    line, sign = piece("ledgerLines", 2.0, 4.0), piece("accid", 1.5, 2.2, "b0e0n0-G")
    system = System(inks=[line, sign])
    moved_clear(system)
    assert system.inks[1].box.right < 2.0
    assert system.inks[0] is line


def test_the_number_of_a_tuplet_moves_out_of_a_beam() -> None:
    system = System(inks=[piece("beam", 0, 9, top=5.0), piece("tupletNum", 4, 5, top=5.5)])
    moved_clear(system)
    assert system.inks[1].box.top > 6.0


def test_the_dots_of_a_chord_move_together() -> None:
    flag = piece("flag", 1.0, 2.0, "b0e0")
    dots = [piece("dots", 1.8, 2.0, "b0e0", top) for top in (0.5, 3.0)]
    system = System(inks=[flag, *dots])
    moved_clear(system)
    assert [ink.box.left for ink in system.inks[1:]] == [2.15, 2.15]


def test_a_tie_clears_the_small_note_before_a_bend_on_another_string() -> None:
    score = write(one("| 1 G7+B8 2 -+b(full) 3 ."))
    made = plan(score)
    [system] = engrave(score, made, [], 60.0)
    [tie] = ties(made, system)
    kinds = ("notehead", "accid", "stem", "flag")
    obstacles = [ink for ink in system.inks if ink.kind in kinds]
    assert len(obstacles) > 4
    assert not any(tie.meets(ink) for ink in obstacles)


def test_a_tie_over_a_line_break_is_on_both_lines() -> None:
    score = write(one("| 4 G7 | 2 ."))
    made = plan(score)
    first, second = engrave(score, made, [1], 60.0)
    [before], [after] = ties(made, first), ties(made, second)
    assert before.box.right > first.width - 0.5
    assert after.box.left > second.start


def test_crowded_notes_move_apart() -> None:
    score = write(one("| 1 G12b(full)r+B13b(1/2) e e15 & e17 a e15 2 ."))
    [drawn] = spaced(score, Style(101.0))
    assert drawn.clashes == []
    assert drawn.upper
    assert drawn.lower
