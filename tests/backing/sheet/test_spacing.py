"""Ties, slurs and signs that keep clear, and notes that move apart until everything does."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest

from backing.forms import find_form
from backing.sheet import spacing
from backing.sheet.clear import in_the_way, late
from backing.sheet.ink import Box, Ink
from backing.sheet.mei import plan
from backing.sheet.page import Paper
from backing.sheet.signs import moved_clear
from backing.sheet.spacing import Style, spaced
from backing.sheet.staff import System, engrave
from backing.sheet.ties import ties
from backing.sheet.writing import over_form, write
from phrases.files import load_phrase
from phrases.hands import suggest
from tests.backing.sheet.dense import CHORDS, phrase
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


def test_both_halves_of_a_tie_over_a_line_break_are_seen() -> None:
    bar = "1 - 2 e8 & e5 3 B8 & B5 4 G7 & G8"
    drawn = spaced(write(one(f"| 1 e5 3 e8 4 G7 & G8 | {bar} | {bar} | {bar} | 1 -")), Style(60.0))
    for line, after in pairwise(drawn):
        [end] = [ink for ink in line.upper if ink.kind == "tie" and ink.box.right > 59.0]
        [start] = [
            ink for ink in after.upper
            if ink.kind == "tie" and ink.box.left < after.system.start + 0.5
        ]  # fmt: skip
        assert end.box.right > line.system.width - 0.5
        # Two staff spaces are as wide as a head and a half.
        assert start.box.right - start.box.left > 2.0
        # The flat is there again, and the tie ends before it or over it.
        heads = sorted((i for i in after.upper if i.kind == "notehead"), key=lambda i: i.box.left)
        [flat] = [i for i in after.upper if i.kind == "accid" and i.owner == heads[0].owner]
        assert flat.box.right < heads[0].box.left
        assert line.clashes == []
    assert len(drawn) > 2


def test_crowded_notes_move_apart() -> None:
    score = write(one("| 1 G12b(full)r+B13b(1/2) e e15 & e17 a e15 2 ."))
    [drawn] = spaced(score, Style(101.0))
    assert drawn.clashes == []
    assert drawn.upper
    assert drawn.lower


def test_a_pickup_has_no_line_to_itself() -> None:
    beat = "{0} e8 e e5 & e8 a e5"
    full = " ".join(beat.format(n) for n in (1, 2, 3)) + " 4 e8"
    crowded = write(one(f"{' '.join(beat.format(n) for n in (2, 3, 4))} | {full} | {full}"))
    shipped = over_form(load_phrase("churn-handle"), find_form("twelve-bar"), chorus=True)
    # The narrowest line that is printed, that of larger print on A4.
    for score, form in ((crowded, False), (shipped, True)):
        drawn = spaced(score, Style(79.0, form=form))
        assert score.measures[0].number == 0
        assert len(drawn[0].system.bars) > 1
        assert sum(len(one.system.bars) for one in drawn) == len(score.measures)


def test_dense_bars_share_a_line_rather_than_have_one_each() -> None:
    # In larger print the last two bars of this phrase are a little wider than a line.
    score = over_form(suggest(load_phrase("boot-scraper")), find_form("twelve-bar"))
    drawn = spaced(score, Style(Paper(larger=True).width))
    assert [len(one.system.bars) for one in drawn] == [2, 2]
    assert [clash for one in drawn for clash in one.clashes] == []


def test_a_last_line_that_holds_little_is_ragged() -> None:
    full = " ".join(f"{n} e8 e e5 & e8 a e5" for n in (1, 2, 3)) + " 4 e8"
    drawn = spaced(write(one(f"| {full} | {full} | {full} | 1 e5")), Style(101.0))
    assert [round(line.system.width) for line in drawn[:-1]] == [101] * (len(drawn) - 1)
    assert drawn[-1].system.width < 81.0


def test_a_dense_page_is_laid_out_only_so_often(monkeypatch: pytest.MonkeyPatch) -> None:
    count = 0
    engraved = spacing._engraved

    def counted(*words: Any, **options: Any) -> list[System]:
        nonlocal count
        count += 1
        return engraved(*words, **options)

    monkeypatch.setattr(spacing, "_engraved", counted)
    made, style = phrase(0)  # which takes 26 layouts where it may
    score = write(made, CHORDS)
    heads = sum(len(c) for bar in plan(score).nodes for event in bar for c in event)
    monkeypatch.setattr(spacing, "MUCH", 3 * heads)
    assert spaced(score, style)
    assert count <= 3 + len(spacing.LOOSER)
