from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from phrases.fretboard import STRINGS
from phrases.notation import MOST_BARS, read_line, write_line
from phrases.phrase import Move, StringNote, Stroke
from phrases.techniques import (
    BEND_SIZES,
    HARMONICS,
    LATEST,
    MARKS,
    PICKLESS,
    SLIDES,
    TECHNIQUES,
    WIDTHS,
)

BEATS = 4
ZERO, HALF, ONE, TWO = (Fraction(n, 2) for n in (0, 1, 2, 4))


def read(text: str) -> tuple[Stroke, ...]:
    line = read_line(text)
    assert line.problems == []
    return line.strokes


def one(text: str) -> StringNote:
    (stroke,) = read(text)
    (note,) = stroke.notes
    return note


FRETTING = ("/", "\\", "h", "p", "tr")
# Cents that a string is bent by; a bend to a fret is at most three frets'.
ALL_THE_WAY = 0


def bent_by(move: Move, fret: int) -> int:
    if move.size is not None:
        return BEND_SIZES[move.size]
    return 100 * (move.fret - fret) if move.fret is not None else ALL_THE_WAY


def next_moves(fret: int, bent: int, first: bool, last: str) -> list[Move]:
    """Return every move that a hand can do where it is now."""
    able = [Move("~"), Move("~~")] if not last.startswith("~") else []
    able += [Move("v"), Move("v", size="full")]
    if bent:
        able += [Move("r"), *(Move("r", size=s) for s, c in BEND_SIZES.items() if c < bent)]
    if fret:  # an open string neither bends nor slides
        for sign in ("b", "pb") if first and not bent else ("b",):
            sizes = [Move(sign, size=size) for size in BEND_SIZES]
            goals = [Move(sign, goal) for goal in range(fret + 1, min(24, fret + 3) + 1)]
            able += [move for move in sizes + goals if bent_by(move, fret) > bent]
    if not bent:
        able += [Move(sign, goal) for sign in ("h", "tr") for goal in range(fret + 1, 25)]
        able += [Move("p", goal) for goal in range(fret)]
        if fret:
            able += [Move("/", goal) for goal in range(fret + 1, 25)]
            able += [Move("\\", goal) for goal in range(1, fret)]
            able += [Move(sign) for sign, end in (("/", 24), ("\\", 1)) if fret != end]
    return able


@st.composite
def manner(draw: st.DrawFn, move: Move) -> Move:
    """A move with what may stand in brackets behind it."""
    may = move.technique.brackets
    if "over" in may and draw(st.booleans()):
        move = replace(move, over=draw(st.fractions(Fraction(1, 8), 8, max_denominator=8)))
    if "rate" in may and draw(st.booleans()):
        move = replace(move, rate=Fraction(draw(st.integers(4, 24)), 2))
    if move.sign == "~" and draw(st.booleans()):
        move = replace(move, size=draw(st.sampled_from(sorted(WIDTHS))))
    return replace(move, grows=draw(st.booleans())) if "grows" in may else move


@st.composite
def hand(draw: st.DrawFn, fret: int, counts: list[Fraction]) -> list[Move]:
    """Moves that a hand can do from `fret`, some at once and some on each of `counts`."""
    done: list[Move] = []
    bent = 0
    for at in [None, *counts]:
        for number in range(draw(st.integers(0, 3))):
            able = next_moves(fret, bent, not done and at is None, done[-1].sign if done else "")
            by_sign = defaultdict(list)
            for move in able:
                by_sign[move.sign].append(move)
            if not by_sign:
                break
            sign = draw(st.sampled_from(sorted(by_sign)))
            move = draw(manner(draw(st.sampled_from(by_sign[sign]))))
            done.append(replace(move, at=at if number == 0 else None))
            if sign in ("b", "pb", "r"):
                bent = bent_by(move, fret)
            elif move.fret is not None and sign != "tr":
                fret = move.fret
            elif sign in SLIDES:
                return done  # a slide to nowhere ends the note
    return done


@st.composite
def marks(draw: st.DrawFn) -> tuple[str, ...]:
    wanted = draw(st.sets(st.sampled_from(sorted(MARKS)), max_size=6))
    kinds = {MARKS[name].kind: name for name in MARKS if name in wanted}
    chosen = [name for name in MARKS if name in kinds.values()]
    if "time" not in kinds and draw(st.booleans()):
        chosen.append(f"{draw(st.integers(1, LATEST))}ms")
    if set(PICKLESS) & set(chosen):
        chosen = [name for name in chosen if name not in ("d", "u")]
    return tuple(chosen)


@st.composite
def notes(draw: st.DrawFn, string: str, goes_on: list[Fraction]) -> StringNote:
    chosen = draw(marks())
    fret = draw(st.none() | st.integers(0, 24))
    if fret is None:
        return StringNote(string, None, (), tuple(name for name in chosen if name != "harmonic"))
    done = draw(hand(fret, goes_on))
    if fret not in HARMONICS or any(m.fret is not None or m.technique.takes for m in done):
        chosen = tuple(name for name in chosen if name != "harmonic")
    into = draw(st.sampled_from(["", *SLIDES]))
    if "harmonic" in chosen:
        into = ""
    if (done and done[0].sign == "pb") or fret in (0, {"/": 1, "\\": 24}.get(into)):
        into = ""
    return StringNote(string, fret, tuple(done), chosen, into)


@st.composite
def lines(draw: st.DrawFn) -> tuple[tuple[Stroke, ...], int]:
    bars = draw(st.integers(1, 4))
    places = st.fractions(0, Fraction(11, 12), max_denominator=12)
    counts = st.builds(lambda beat, place: beat + place, st.integers(-BEATS, bars * 4 - 1), places)
    times = sorted(draw(st.sets(counts, min_size=2, max_size=12)))
    strokes = []
    while times:
        at = times.pop(0)
        goes_on = [times.pop(0) for _ in range(draw(st.integers(0, min(2, len(times)))))]
        end = times[0] if times else Fraction(bars * BEATS)
        if draw(st.booleans()) and times:
            end = times.pop(0)  # a rest, and perhaps a gap up to the next stroke
        names = draw(st.lists(st.sampled_from(STRINGS), min_size=1, max_size=3, unique=True))
        played = tuple(draw(notes(string, goes_on)) for string in names)
        strokes.append(Stroke(at, end, played))
    return tuple(strokes), bars


@given(lines())
def test_written_strokes_read_back_the_same(line: tuple[tuple[Stroke, ...], int]) -> None:
    strokes, bars = line
    text = write_line(strokes, bars)
    found = read_line(text)
    assert found.problems == [], text
    assert found.strokes == strokes, text
    assert found.bars == bars, text
    assert write_line(found.strokes, found.bars) == text


@pytest.mark.parametrize(
    "text",
    [
        "| 1 e8",
        "3& e5 4 e8p5 & B8 | 1 G7b(full)~ 3 B5 & G7 4 . | 2 B5 & B8 3 e5",
        "4 G5/7 & B6 | 1 e8b(full) 2 ~~ 3 r 4 .",
        "| 1 G5+B5 2 /7+/7 3 -+~ 4 .",
        "| 1 e8{d3} e e5{u1 accent} & Bx{ghost} a G7{late} | 1 .",
        "| 1 E0h3p0 trip A3 let D2 2+1/6 G2 +5/6 G0",
        "| 1 G7pb(1/2)r 3 B8b11 | 1 - | 1 . | 1 e12\\5",
        "| 1 e8pb10 2 r 3 b9 4 r~",
        "| 1 /e8 2 \\G9 3 e8/ 4 e8\\",
        "4 /G5~\\ | 1 /G5+/B5 2 /+/ 3 \\e12{u2 45ms}",
        "| 1 e8tr10 2 tr9 3 e0tr3h5",
        "| 1 G7b(3/2)r(full)r(1/2)r(1/4)r 3 G7b(1/4)b(full)b10",
        "| 1 G7b(full)+B5 2 r+- 3 G7pb(full)~~r(1/4) 4 r",
        "| 1 e8{d1 accent late short pm rake slow supported} 2 e8{ghost ring tremolo 120ms}",
        "| 1 e8 let B8 2trip G7 3 e8 let B8 4trip G7",
    ],
)
def test_canonical_text_is_written_as_it_was_read(text: str) -> None:
    line = read_line(text)
    assert line.problems == []
    assert write_line(line.strokes, line.bars) == text


@pytest.mark.parametrize(
    ("text", "canonical"),
    [
        ("|1 e8|2 e5|", "| 1 e8 | 2 e5"),
        ("| 1 e8 1& e5 2 e5", "| 1 e8 & e5 2 e5"),
        ("| 1 e08{3d}\n   2+2/4 e5", "| 1 e8{d3} 2& e5"),
        ("| 1 . 2 e8 3 . 4 .", "| 2 e8 3 ."),
        ("| 1 e8 2 - 3 e5", "| 1 e8 3 e5"),
        ("| 1 e8{ late d }", "| 1 e8{d late}"),
        ("| 1 e8{2 u}", "| 1 e8{u2}"),
        ("| 1 e8{45ms d slow}", "| 1 e8{d slow 45ms}"),
        ("| 1 e8{d45ms}", "| 1 e8{d 45ms}"),
        ("| 1 e8{tremolo3u}", "| 1 e8{u3 tremolo}"),
        ("4 e5 |", "4 e5 | 1 -"),
    ],
)
def test_other_spellings_come_out_canonical(text: str, canonical: str) -> None:
    line = read_line(text)
    assert line.problems == []
    assert write_line(line.strokes, line.bars) == canonical


def test_counts_say_when_and_the_next_stroke_or_a_rest_says_until_when() -> None:
    line = read_line("4& G5 | 1 e8 3 . | 2 e5")
    times = [(stroke.at, stroke.end) for stroke in line.strokes]
    assert times == [(-HALF, ZERO), (ZERO, TWO), (5 * ONE, 8 * ONE)]
    assert line.bars == 2


def test_a_note_rings_over_the_bar_line() -> None:
    assert read("| 4 e8 | 2 .")[0].end == 5


def test_a_bar_of_three_beats_is_counted_so() -> None:
    line = read_line("| 3 e8 | 1 e5", beats=3)
    assert [(stroke.at, stroke.end) for stroke in line.strokes] == [
        (TWO, 3 * ONE),
        (3 * ONE, 6 * ONE),
    ]


def test_a_double_stop_is_one_stroke() -> None:
    (stroke,) = read("| 1 G5+B5")
    assert stroke.notes == (StringNote("G", 5), StringNote("B", 5))


def test_what_begins_with_a_technique_goes_on_without_a_pick() -> None:
    assert one("| 1 e5 2 h7p5 3 /9").moves == (
        Move("h", 7, at=Fraction(1)),
        Move("p", 5),
        Move("/", 9, at=Fraction(2)),
    )


def test_small_b_bends_and_big_b_is_a_string() -> None:
    bend, plain = read("| 1 G7 2 b9 3 B9")
    assert bend.notes[0].moves == (Move("b", 9, at=Fraction(1)),)
    assert plain.notes == (StringNote("B", 9),)


def test_marks_are_kept_in_one_order() -> None:
    assert one("| 1 e8{late 3u ghost}").marks == ("u", "3", "ghost", "late")


def test_a_muted_string_has_no_fret() -> None:
    assert one("| 1 Ax") == StringNote("A", None)


# Semitones as players say them, a full bend being a whole tone: common practice.
@pytest.mark.parametrize(
    ("size", "cents"), [("full", 200), ("1/2", 100), ("1/4", 50), ("3/2", 300)]
)
def test_bend_sizes(size: str, cents: int) -> None:
    assert one(f"| 1 e8b({size})").moves == (Move("b", size=size),)
    assert BEND_SIZES[size] == cents


@pytest.mark.parametrize(
    ("text", "offset", "part"),
    [
        # counts
        ("| 1 e8 x8", 7, '"x8" has no count before it'),
        ("| trp e8", 2, '"trp" is not a count; did you mean "trip"?'),
        ("| 1 e8 ?? e5", 7, '"??" is not a count; it may be 1, 2, 3, 4, e, trip, &, let, a'),
        ("| 5 e8", 2, 'count "5": the bar has beats 1 to 4; is a bar line | missing before it?'),
        ("| 0 e8", 2, 'count "0": the bar has beats 1 to 4'),
        ("| & e8", 2, '"&" needs its beat here; write "1&" or "4&"'),
        ("| 1+3/2 e8", 2, 'count "1+3/2": the part after + must lie between 0 and 1'),
        ("| 1 e8 1 e5", 7, 'count "1" comes twice; join what sounds together with +'),
        ("| 3 e8 2 e5", 7, 'count "2" goes back in the bar; counts go forward'),
        ("| 1 2 e8", 2, 'count "1" has no place after it; write a note or a rest .'),
        ("| 1 e8 4", 7, 'count "4" has no place after it'),
        ("| 1 e8 4 | 1 e8", 7, 'count "4" has no place after it'),
        ("| 1 e8 . 2 e8", 7, '"." has no count before it'),
        ("| 1 e8 | | 1 e5", 9, "the bar before this | is empty; write 1 . for a rest"),
        ("| 1 e0b(full)", 6, "an open string cannot be bent"),
        ("| 1 D0/2", 6, "a slide neither starts nor ends on an open string; write h or p"),
        ("| 1 D2\\0", 6, "a slide neither starts nor ends on an open string; write h or p"),
        ("| 1 e8 h9", 7, '"h9" has no count before it; write when it comes, as in 2 h9, or join'),
        ("| 1 e8 and e9", 7, '"and" is not a count; write &'),
        ("| 1 5G", 4, '"5G": the string comes first: G5'),
        ("| 1 e8{3}{accent}", 6, "write all marks in one pair of braces"),
        ("| e8", 2, '"e8" has no count before it; write when it comes, as in 2 e8'),
        # bar lines
        ("1 e8 2 e5", 0, "no bar line: what stands before the first | is the pickup"),
        ("", 0, "no bar line"),
        ("| 1 .", 0, "there is no note in this line; write at least one, such as 1 e8"),
        ("| 1 e8" + " | 1 ." * 65, 0, "66 bars: a part has at most 64"),
        # places
        ("| 1 H8", 4, '"H" is not a string; the strings are E A D G B e (e is the high one)'),
        ("| 1 g8", 4, "(e is the high one): G8?"),
        ("| 1 e", 4, '"e": expected a fret after string e, such as e8'),
        ("| 1 e25", 5, "fret 25: the neck has frets 0 to 24"),
        ("| 1 e999", 5, "fret 999: the neck has frets 0 to 24"),
        ("| 1 e8e5", 6, '"e5": expected a technique, one of / \\ h p b r pb ~ ~~ tr'),
        ("| 1 x", 4, '"x": a muted string is written with its letter: Gx'),
        ("| 1 e8+x 2 .", 7, '"x": a muted string is written with its letter: Gx'),
        ("| 1 8", 4, '"8" is a fret without its string; write both: G8'),
        # one bar line that is missing, here the one before the second 1
        ("| 1 e8 2 e5 3 e8 4 e5 1 e8 & e5 2 /8 4 e5", 22, 'count "1" goes back in the bar'),
        ("3 e8 4 e5 1 e8 2 e5 4 e8 | 1 e5", 10, "is a bar line | missing?"),
        ("| 1 ?", 4, '"?" goes on from a ringing note, but none is ringing here'),
        # double stops
        ("| 1 e8+e5", 7, "two notes at once on the e string; it sounds one"),
        ("| 1 G5+B5+G7", 10, "two notes at once on the G string"),
        ("| 1 e8+", 7, '"e8+": + joins two places, as G5+B5'),
        ("| 1 +e8", 4, '"+e8": + joins two places'),
        ("| 1 e8++B8", 7, '"e8++B8": + joins two places'),
        ("| 1 e8+/7", 7, '"/7" goes on without a pick; a double stop is picked as one'),
        # going on
        ("| 1 G5+B5 2 /7", 12, "strings ringing: 2; write one part for each"),
        ("| 1 G5 2 /7+/7", 9, "strings ringing: 1; write one part for each"),
        ("| 1 /7", 4, '"/7" goes on from a ringing note, but none is ringing here; pick a note'),
        ("| 1 b7", 4, 'none is ringing here; did you mean the string "B7"?'),
        ("| 1 e8 2 . 3 ~", 13, '"~" goes on from a ringing note, but none is ringing here'),
        ("| 1 -", 4, '"-" lets a note ring on, but none is ringing here; write . for a rest'),
        ("| 1 ex 2 /7", 9, "a muted string has no pitch to go on from"),
        ("| 1 e8 2 ~{d}", 10, '"{d}": marks belong to the picked note'),
        # techniques
        ("| 1 e8r", 6, '"r" releases a bend, but the string is not bent here'),
        ("| 1 e8b(full)r 2 r", 17, '"r" releases a bend'),
        ("| 1 e8/5", 6, 'a slide up from fret 8 goes up, not to fret 5; did you mean "\\5"?'),
        ("| 1 e5\\8", 6, 'a slide down from fret 5 goes down, not to fret 8; did you mean "/8"?'),
        ("| 1 e8/8", 6, "a slide up from fret 8 goes up, not to fret 8"),
        ("| 1 e8h5", 6, 'a hammer-on from fret 8 goes up, not to fret 5; did you mean "p5"?'),
        ("| 1 e5p8", 6, 'a pull-off from fret 5 goes down, not to fret 8; did you mean "h8"?'),
        ("| 1 e5/9 2 h8", 11, "a hammer-on from fret 9 goes up, not to fret 8"),
        ("| 1 e8b7", 6, "a bend from fret 8 goes up, not to fret 7"),
        ("| 1 e8b12", 6, "a bend from fret 8 to the pitch of fret 12: a string bends up to 3"),
        (
            "| 1 e8b",
            6,
            '"b": expected the fret to whose pitch it bends, as b10, or a size in brackets',
        ),
        ("| 1 e8b(ful)", 8, '"ful" is not a bend size; did you mean "full"?'),
        ("| 1 e8pb(9)", 9, '"9" is not a bend size; the sizes are in whole steps: 1/4'),
        ("| 1 e8b(full)r(full)", 13, '"r(full)" must be less than the bend it releases'),
        ("| 1 e8b(1/4)r(3/2)", 12, '"r(3/2)" must be less than the bend it releases'),
        ("| 1 e8b(full)r(1/2)r(1/2)", 19, '"r(1/2)" must be less than the bend it releases'),
        ("| 1 e8b(full)r(half)", 15, '"half" is not a bend size; did you mean "1/2"?'),
        ("| 1 e8b(full)rr", 14, '"r" releases a bend, but the string is not bent here'),
        ("| 1 e8b(full)b(full)", 13, "the string is bent that far already; r releases it"),
        ("| 1 e8b10 2 b(1/2)", 12, "the string is bent that far already; r releases it"),
        ("| 1 e8pb10b9", 10, "the string is bent that far already; r releases it"),
        ("| 1 e8h10tr9", 9, "a trill from fret 10 goes up, not to fret 9"),
        ("| 1 e8tr", 6, '"tr": expected a fret after the trill: tr7'),
        ("| 1 e8tr25", 8, "fret 25: the neck has frets 0 to 24"),
        ("| 1 e8tr8", 6, "a trill from fret 8 goes up, not to fret 8"),
        ("| 1 e8b(full) 2 tr10", 16, "a trill from a bent string; release it first with r"),
        ("| 1 e8b(full)\\", 13, "a slide down from a bent string; release it first with r"),
        ("| 1 e8b(full)h12", 13, "a hammer-on from a bent string; release it first with r"),
        ("| 1 e8/~", 7, "a slide to nowhere ends the note; nothing comes after it"),
        ("| 1 e8\\ 2 ~", 10, "a slide to nowhere ends the note; nothing comes after it"),
        ("| 1 e0/", 6, "a slide neither starts nor ends on an open string; write h or p"),
        ("| 1 /e0", 4, "there is no slide in from below to an open string"),
        ("| 1 B8+\\e0", 7, "there is no slide in from above to an open string"),
        ("| 1 /e8pb(full)", 4, "there is no slide in from below to a pre-bent note"),
        ("| 1 /ex", 7, "a muted string x has no pitch to move"),
        ("| 1 ex\\", 6, "a muted string x has no pitch to move"),
        ("| 1 /q8", 5, '"q" is not a string; the strings are'),
        ("| 1 /e", 5, '"e": expected a fret after string e, such as e8'),
        ("| 1 \\e30", 6, "fret 30: the neck has frets 0 to 24"),
        ("| 1 e8h25", 7, "fret 25: the neck has frets 0 to 24"),
        ("| 1 e8b(full)/10", 13, "a slide up from a bent string; release it first with r"),
        ("| 1 e8~pb(full)", 7, "a pre-bend comes before the pick; write it first: e8pb(full)"),
        ("| 1 e8 2 pb(full)", 9, "a pre-bend comes before the pick; write it first: e8pb(full)"),
        ("| 1 exb(full)", 6, "a muted string x has no pitch to move"),
        # marks
        ("| 1 e8{lat}", 7, '"lat" is not a mark; did you mean "late"?'),
        ("| 1 e8{5}", 7, '"5" is not a mark; it may be d, u, 1, 2, 3, 4, accent, ghost, late'),
        ("| 1 e8{du}", 7, 'marks "d" and "u" exclude each other'),
        ("| 1 e8{1 4}", 7, 'marks "1" and "4" exclude each other'),
        ("| 1 e8{accent ghost}", 7, 'marks "accent" and "ghost" exclude each other'),
        ("| 1 e8{short ring}", 7, 'marks "short" and "ring" exclude each other'),
        ("| 1 e8{rake tremolo}", 7, 'marks "rake" and "tremolo" exclude each other'),
        ("| 1 e8{late 45ms}", 7, 'marks "late" and "45ms" exclude each other'),
        ("| 1 e8{pm pm}", 7, 'marks "pm" and "pm" exclude each other'),
        ("| 1 e8{0ms}", 7, '"0ms": a note is 1 to 120 ms late'),
        ("| 1 e8{121ms}", 7, '"121ms": a note is 1 to 120 ms late'),
        ("| 1 e8{ms}", 7, '"ms": a note is 1 to 120 ms late'),
        ("| 1 e8{tremollo}", 7, '"tremollo" is not a mark; did you mean "tremolo"?'),
        ("| 1 e8{d", 6, '"{d": the brace is not closed; write {d}'),
        ("| 1 e8{d}x", 6, '"x" stands behind the marks; marks come last'),
        ("| 1 e8{d3}~ 2 .", 6, '"~" stands behind the marks; marks come last: ~{d3}'),
        ("| 1 e8{d}b(full)~", 6, "marks come last: b(full)~{d}"),
        ("| 1 e8}", 6, '"}": expected a technique'),
    ],
)
def test_a_mistake_is_named_at_its_place(text: str, offset: int, part: str) -> None:
    line = read_line(text)
    (problem,) = line.problems
    assert problem[0] == offset
    assert part in problem[1]


@pytest.mark.parametrize("word", ["/e8", "tr10", "\\e8", "-+/7"])
def test_a_place_without_a_count_is_told_once(word: str) -> None:
    (problem,) = read_line(f"| 1 e8 {word}").problems
    assert f'"{word}" has no count before it' in problem[1]


def test_milliseconds_are_written_without_a_leading_zero() -> None:
    assert one("| 1 e8{045ms}").marks == ("45ms",)


@pytest.mark.parametrize("text", ["| 1 /e1", "| 1 e1\\", "| 1 \\e24", "| 1 e24/"])
def test_a_slide_over_the_end_of_the_neck_is_refused(text: str) -> None:
    assert read_line(text).problems


def test_every_mistake_of_a_line_is_told_in_order() -> None:
    line = read_line("| 1 q8 5 e8 | & e5 2 e30 3 e8/2 | 1 e8+e5 4 r\n2 e5")
    assert [offset for offset, _ in line.problems] == [4, 7, 14, 22, 29, 39, 44, 46]
    parts = [
        '"q" is not a string',
        'count "5": the bar has beats 1 to 4',
        '"&" needs its beat here',
        "fret 30: the neck",
        "a slide up from fret 8 goes up",
        "two notes at once on the e string",
        '"r" goes on from a ringing note',
        'count "2" goes back',
    ]
    for (_, message), part in zip(line.problems, parts, strict=True):
        assert part in message


def test_the_most_bars_are_enough_and_one_more_is_not() -> None:
    bars = "| 1 e8 " * MOST_BARS
    assert read_line(bars).problems == []
    assert read_line(bars + "| 1 e8").problems == [(0, "65 bars: a part has at most 64")]


WORDS = [*STRINGS, *TECHNIQUES, *BEND_SIZES, *MARKS, *"|.-+&x%=(){}0123456789 \n", "trip", "let",
         "over 1/2", "6/s", "grows"]  # fmt: skip


@given(
    st.lists(st.sampled_from([*WORDS, " ", " 1 ", " | ", "e8"]), max_size=40).map("".join)
    | st.text(max_size=30)
)
def test_garbage_never_raises_and_its_places_lie_in_the_text(text: str) -> None:
    line = read_line(text)
    for offset, message in line.problems:
        assert 0 <= offset <= len(text)
        assert message
    if not line.problems:
        again = read_line(write_line(line.strokes, line.bars))
        assert again.strokes == line.strokes


def test_an_endless_line_is_refused_at_once() -> None:
    line = read_line("| 1 e5" + " (" * 20_000)
    assert line.problems == [
        (0, "40006 characters: a line has at most 20000; make more parts of it")
    ]


def test_a_number_of_any_length_is_refused_in_a_short_message() -> None:
    line = read_line(f"| 1 e5 2 {'9' * 5000} G7", 4)
    offset, message = line.problems[0]
    assert offset == 9
    assert message.startswith(f'"{"9" * 39}…" is a fret without its string')
    assert len(message) < 140


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ("b(3/4)", "(1 fret), full (2 frets), 3/2 (3 frets); b10 bends to the pitch of fret 10"),
        ("b(2)", "the sizes are in whole steps: 1/4 (0.5 fret), 1/2 (1 fret), full (2 frets)"),
        ("b(1)", '"1" is not a bend size; did you mean "full"?'),
        ("b(1.5)", 'did you mean "3/2"?'),
        ("b(ful)", 'did you mean "full"?'),
        ("b1", "not to fret 1; the number is a fret: write b(full) for a size"),
        ("pb1", "write pb(full) for a size"),
        ("b1/2", '"b1/2": a size stands in brackets: b(1/2)'),
    ],
)
def test_a_wrong_bend_is_told_what_sizes_there_are(written: str, told: str) -> None:
    ((_, message),) = read_line(f"| 1 B8{written}").problems
    assert told in message
    assert '"3/2"?' not in message or written == "b(1.5)"
