from __future__ import annotations

import random
import re
import sys
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from phrases.counting import METERS
from phrases.errors import Problem, RangeError, TextFileError
from phrases.files import (
    PART_KEYS,
    PHRASE_KEYS,
    TIP_KEYS,
    check_tempo,
    find_phrase,
    load_phrase,
    read_phrase,
    shipped,
)
from phrases.fretboard import STRINGS
from phrases.notation import read_line, write_line
from phrases.performance import perform
from phrases.phrase import Phrase, Tip
from phrases.pitch import Key
from phrases.techniques import BEND_SIZES, MARKS, TECHNIQUES
from phrases.textfile import LARGEST_FILE
from tests.hard.material import number_of

WHOLE = """\
# A line before everything.
title  = "Mill race"
key    = "C# minor"
scale  = "minor blues"
groove = "slow-blues"
tempo  = 62.5
meter  = "12/8"
swing  = "3:2"
lines  = "outer"
behind = 35
tone   = "driven"
pick   = "neck"
level  = "hard"
tags   = ["bends", "slides"]
tips   = "Listen to the *wheel*."

[[part]]
role  = "call"
notes = '4let G9 | 1 G11b(full)~ 3 r 4 .'
drag  = 1.5

[[part]]
role  = "response"
notes = '''
4 B12
| 1 G11\\9 3 .
| 1 D11~'''

[[tip]]
at   = "call 1 3"
text = "Let it down slowly."

[[tip]]
at   = "response 0 4"
text = "The pickup."

[[variation]]
name   = "easy"
tempo  = 50
groove = "slow-blues-sparse"
swing  = "2:1"
lines  = "first"
behind = "auto"
tone   = "clean"
pick   = "bridge"
level  = "easy"
tips   = "Without the bend."

[[variation.part]]
role  = "call"
notes = '4let G9 | 1 G11 4 .'

[[variation]]
name = "as written"
"""
SHORT = "title = 'Mill race'\nkey = 'A'\ntempo = 90\n"
PART = "[[part]]\nnotes = '| 1 e8'\n"
TIP = "[[tip]]\nat = 'line 1 1'\ntext = 'x'\n"
VARIED = "[[variation]]\nname = 'v'\n"
VARIED_PART = "[[variation.part]]\nnotes = '| 1 e5'\n"


def problems(text: str) -> list[tuple[int, int, str]]:
    with pytest.raises(TextFileError) as caught:
        read_phrase(text, "mill.toml")
    return [(p.line, p.column, p.message) for p in caught.value.problems]


def place(marked: str) -> tuple[str, int, int]:
    """Return a text without its one mark, and the line and column that the mark stood at."""
    before, after = marked.split("@@")
    return before + after, before.count("\n") + 1, len(before.split("\n")[-1]) + 1


def test_a_drag_of_thousands_of_digits_is_refused() -> None:
    assert "it must be 0 to 8 beats" in problems(f"{SHORT}{PART}drag = 0x{'F' * 5000}\n")[0][2]


def test_one_variation_of_a_part_too_many_is_told_in_the_words_of_a_file() -> None:
    text = SHORT + PART + VARIED + VARIED_PART + VARIED_PART.replace("notes", "role='line'\nnotes")
    assert "done" not in problems(text)[0][2]


def test_a_pickup_that_is_too_early_is_told_once() -> None:
    parts = "[[part]]\nnotes = '| 1 e8 4 e5'\n[[part]]\nnotes = '4 G5 | 1 G7'\n"
    assert len(problems(SHORT + parts + VARIED)) == 1


def test_a_phrase_has_at_most_64_bars() -> None:
    part = "[[part]]\nnotes = '| 1 e8 | 1 G5'\n"
    assert read_phrase(SHORT + part * 32).bars == 64
    ((line, _, message),) = problems(SHORT + part * 40)
    assert line == SHORT.count("\n") + 2 * 33
    assert message == (
        "a phrase has at most 64 bars, and this would make it 66; "
        "make another phrase of what is left"
    )


def test_everything_that_a_file_may_say() -> None:
    phrase = read_phrase(WHOLE)
    assert phrase.title == "Mill race"
    assert phrase.key == Key("C#", "minor")
    assert phrase.scale == "minor blues"
    assert phrase.groove == "slow-blues"
    assert phrase.tempo == Fraction(125, 2)
    assert phrase.meter == METERS["12/8"]
    assert (phrase.swing, phrase.lines) == ("3:2", "outer")
    assert [(part.role, part.bars) for part in phrase.parts] == [("call", 1), ("response", 2)]
    assert (phrase.behind, phrase.tone, phrase.pick) == (35, "driven", "neck")
    assert (phrase.level, phrase.tags) == ("hard", ("bends", "slides"))
    assert [part.drag for part in phrase.parts] == [Fraction(3, 2), Fraction(0)]
    assert phrase.tips == (
        Tip("Listen to the *wheel*."),
        Tip("Let it down slowly.", 0, Fraction(2)),
        Tip("The pickup.", 1, Fraction(-1)),
    )
    assert [part.pickup for part in phrase.parts] == [Fraction(1, 3), Fraction(1)]
    assert phrase.bars == 3
    assert [bar for bar, _ in phrase.placed()] == [0, 1]


def test_the_second_part_follows_the_first_and_its_pickup_cuts_what_rings() -> None:
    phrase = read_phrase(SHORT + "[[part]]\nnotes='| 3 e8'\n[[part]]\nnotes='4 G5 | 1 G7 2 /9'\n")
    times = [(stroke.at, stroke.end) for stroke in phrase.strokes()]
    assert times == [(Fraction(n), Fraction(m)) for n, m in ((2, 3), (3, 4), (4, 8))]
    assert phrase.strokes()[-1].notes[0].moves[0].at == 5


def test_a_variation_restates_what_is_different_and_keeps_the_rest() -> None:
    phrase = read_phrase(WHOLE)
    assert [name for name, _ in phrase.variations] == ["easy", "as written"]
    easy, same = (variation for _, variation in phrase.variations)
    assert (easy.title, same.title) == ("Mill race, easy", "Mill race, as written")
    assert easy.tempo == 50
    assert (easy.groove, easy.swing) == ("slow-blues-sparse", "2:1")
    assert (easy.lines, easy.behind, easy.tone) == ("first", None, "clean")
    assert (easy.pick, easy.level) == ("bridge", "easy")
    assert easy.tips == (Tip("Without the bend."),)
    assert easy.parts[0] != phrase.parts[0]
    assert easy.parts[1] == phrase.parts[1]
    assert (easy.key, easy.scale, easy.meter) == (phrase.key, phrase.scale, phrase.meter)
    assert easy.variations == same.variations == ()
    assert same.parts == phrase.parts
    assert (same.tempo, same.groove, same.behind) == (phrase.tempo, phrase.groove, 35)


def test_parts_of_one_role_are_varied_in_order() -> None:
    both = "[[part]]\nnotes = '| 1 e8'\n" * 2
    (name_and_one,) = read_phrase(
        f"{SHORT}{both}[[variation]]\nname = 'v'\n"
        "[[variation.part]]\nnotes = '| 1 e5'\n[[variation.part]]\nnotes = '| 1 e6'\n"
    ).variations
    frets = [part.strokes[0].notes[0].fret for part in name_and_one[1].parts]
    assert frets == [5, 6]


def test_what_a_file_need_not_say() -> None:
    phrase = read_phrase(SHORT + PART)
    assert (phrase.scale, phrase.groove, phrase.swing) == ("", "shuffle", "")
    assert (phrase.meter, phrase.lines) == (METERS["4/4"], "every")
    assert phrase.parts[0].role == "line"
    assert (phrase.behind, phrase.tone, phrase.pick, phrase.level) == (0, "", "", "")
    assert (phrase.tags, phrase.tips, phrase.variations) == ((), (), ())
    assert phrase.parts[0].drag == 0


@pytest.mark.parametrize(
    ("marked", "message"),
    [
        # keys and values at the top
        (f"{SHORT}@@grove = 'x'\n{PART}", '"grove" is not a key here; did you mean "groove"?'),
        (f"{SHORT}@@Swing = '2:1'\n{PART}", '"Swing" is not a key here; did you mean "swing"?'),
        (f'{SHORT}@@"tem po" = 3\n{PART}', '"tem po" is not a key here; did you mean "tempo"?'),
        (f"{SHORT}@@qq.rr = 3\n{PART}", '"qq" is not a key here; it may be title, key, scale'),
        (f"{SHORT}{PART}@@[qq.rr]\na = 1\n", '"qq" is not a key here'),
        (f"{SHORT}{PART}@@qq.rr = 3\n", '"qq" is not a key here; it may be role, notes'),
        (f"{SHORT}{PART}@@[part.qq.rr]\na = 3\n", '"qq" is not a key here; it may be role'),
        (f"@@key = 'A'\ntempo = 90\n{PART}", '"title" is missing'),
        (f"@@title = 'x'\ntempo = 90\n{PART}", '"key" is missing'),
        (f"@@title = 'x'\nkey = 'A'\n{PART}", '"tempo" is missing'),
        (f"title = @@3\nkey = 'A'\ntempo = 90\n{PART}", '"title" must be text in quotes, got 3'),
        (f"title = 'é'\nkey =  @@'H'\ntempo = 90\n{PART}", '"H" is not a key; write a note name'),
        (f"title = 'x'\nkey = 'A'\ntempo = @@20\n{PART}", "tempo 20: it must lie from 30 to 240"),
        (f"title = 'x'\nkey = 'A'\ntempo = @@nan\n{PART}", "tempo nan: it must lie from 30"),
        (f"title = 'x'\nkey = 'A'\ntempo = @@true\n{PART}", "got true"),
        (f"title = 'x'\nkey = 'A'\ntempo = @@'90'\n{PART}", 'got the text "90"'),
        (f"title = 'x'\nkey = 'A'\ntempo = @@[90]\n{PART}", "got a list"),
        (f"title = 'x'\nkey = 'A'\ntempo = @@1999-01-01\n{PART}", "got a date"),
        (f"title = 'x'\nkey = 'A'\ntempo = @@0x{'F' * 5000}\n{PART}", "tempo so large: it must"),
        (f"title = @@0x{'F' * 5000}\nkey = 'A'\ntempo = 90\n{PART}", "got a very large number"),
        (f"{SHORT}scale = @@'minor blus'\n{PART}", "did you mean \"minor blues\"?"),
        (f"{SHORT}scale = @@5\n{PART}", '"scale" must be text in quotes, got 5'),
        (f"{SHORT}meter = @@'5/4'\n{PART}", '"5/4" is not a meter; did you mean "4/4"?'),
        (f"{SHORT}swing = @@'5:1'\n{PART}", 'swing "5:1" must lie from 1:1 (straight) to 4:1'),
        (f"{SHORT}swing = @@2\n{PART}", '"swing" must be text in quotes, got 2'),
        (f"{SHORT}lines = @@'evry'\n{PART}", 'is not a choice of lines; did you mean "every"?'),
        # parts
        (f"@@{SHORT}", "there is no [[part]]; a phrase has at least one, with its notes"),
        (f"@@{SHORT}part = []\n", "there is no [[part]]; a phrase has at least one"),
        (f"{SHORT}part = @@3\n", "write one or more [[part]] headings, each with its own lines"),
        (f"{SHORT}@@[part]\nnotes = '| 1 e8'\n", "write one or more [[part]] headings"),
        (f"{SHORT}{PART}@@[[part]]\nrole = 'call'\n", '"notes" is missing'),
        (f"{SHORT}{PART}{PART}@@note = ''\n", '"note" is not a key here; did you mean "notes"?'),
        (f"{SHORT}{PART}role = @@'cal'\n", '"cal" is not a role; did you mean "call"?'),
        (f"{SHORT}{PART}[[part]]\nnotes = @@7\n", '"notes" must be text in quotes, got 7'),
        (f"{SHORT}part = [{{notes = '| 1 e8'}}, {{notes = '| 1 @@q8'}}]\n", '"q" is not a string'),
        # sound and lesson
        (f"{SHORT}behind = @@121\n{PART}", 'write the milliseconds behind the beat, 0 to 120, or'),
        (f"{SHORT}behind = @@-1\n{PART}", "write the milliseconds behind the beat, 0 to 120"),
        (f"{SHORT}behind = @@'late'\n{PART}", 'the milliseconds behind the beat, 0 to 120, or "a'),
        (f"{SHORT}behind = @@4.5\n{PART}", "got 4.5"),
        (f"{SHORT}tone = @@'drivn'\n{PART}", '"drivn" is not a tone; did you mean "driven"?'),
        (f"{SHORT}pick = @@'nec'\n{PART}", '"nec" is not a place to pick; did you mean "neck"?'),
        (f"{SHORT}level = @@'hrd'\n{PART}", '"hrd" is not a level; did you mean "hard"?'),
        (f"{SHORT}tags = @@'bends'\n{PART}", '"tags" must be a list, got the text "bends"'),
        (f"{SHORT}tags = @@[1]\n{PART}", 'tags are words in quotes: tags = ["bends", "ending"]'),
        (f"{SHORT}tips = @@1\n{PART}", '"tips" must be text in quotes, got 1'),
        (f"{SHORT}{PART}drag = @@9\n", "drag 9: it must be 0 to 8 beats"),
        (f"{SHORT}{PART}drag = @@-0.5\n", "drag -0.5: it must be 0 to 8 beats"),
        (f"{SHORT}{PART}drag = @@nan\n", "drag nan: it must be 0 to 8 beats"),
        (f"{SHORT}{PART}drag = @@'2'\n", '"drag" must be a number, got the text "2"; write it wi'),
        # tips
        (f"{SHORT}{PART}@@[[tip]]\nat = 'line 1 1'\n", '"text" is missing'),
        (f"{SHORT}{PART}@@[[tip]]\ntext = 'x'\n", '"at" is missing'),
        (f"{SHORT}{PART}{TIP}@@when = 1\n", '"when" is not a key here; it may be at, text'),
        (f"{SHORT}{PART}[[tip]]\ntext='x'\nat = @@'call 1 1'\n", 'bar and a count: "line 1 3&"'),
        (f"{SHORT}{PART}[[tip]]\ntext='x'\nat = @@'line 1'\n", "write a part, a bar and a count"),
        (f"{SHORT}{PART}[[tip]]\ntext='x'\nat = @@'line 1 5'\n", 'count "5": the bar has beats 1'),
        (f"{SHORT}{PART}[[tip]]\ntext='x'\nat = @@'line 1 &'\n", '"&" needs its beat here'),
        (f"{SHORT}{PART}[[tip]]\ntext='x'\nat = @@'line 1 2'\n", "the line has no note there"),
        (f"{SHORT}{PART}[[tip]]\ntext='x'\nat = @@'line 0 1'\n", "the line has no note there"),
        # variations
        (f"{SHORT}{PART}@@[[variation]]\ntempo = 60\n", '"name" is missing'),
        (f"{SHORT}{PART}{VARIED}@@key = 'C'\n", '"key" is not a key here; it may be name, tempo'),
        (f"{SHORT}{PART}{VARIED}tempo = @@900\n", "tempo 900: it must lie from 30 to 240"),
        (f"{SHORT}{PART}{VARIED}swing = @@'9:1'\n", 'swing "9:1" must lie from 1:1'),
        (f"{SHORT}{PART}{VARIED}tone = @@'fuz'\n", 'did you mean "fuzz"?'),
        (f"{SHORT}{PART}{VARIED}part = @@3\n", "write one or more [[variation.part]] headings"),
        (f"{SHORT}{PART}{VARIED}[[variation]]\nname = @@'v'\n", '"v" is the name of two variati'),
        (f"{SHORT}{PART}{VARIED}{VARIED_PART}role=@@'call'\n", "that is left; it may be line"),
        (f"{SHORT}{PART}{VARIED}[[variation.part]]\nnotes = '| 1 @@q8'\n", '"q" is not a string'),
        (
            f"{SHORT}{PART}[[part]]\nrole='call'\nnotes='| 1 e8'\n{VARIED}"
            "[[variation.part]]\nrole='call'\nnotes=@@'1 e5 | 1 e8'\n",
            "this call's pickup starts while the line before it still plays",
        ),
        # places in notes
        (f"{SHORT}[[part]]\nnotes = @@'1 e8'\n".replace("@@'", "'@@"), "no bar line"),
        (f"{SHORT}[[part]]\nnotes = '| 1 e8 2 @@q8'\n", '"q" is not a string'),
        (f"{SHORT}{PART}[[part]]\nnotes = '| 1 e8 2 e@@30'\n", "fret 30: the neck has frets"),
        (f"{SHORT}[[part]]\nnotes = '''| 1 e8\n| 2 @@q8'''\n", '"q" is not a string'),
        (f"{SHORT}[[part]]\nnotes = '''\n| 1 e8\n  2 @@q8\n'''\n", '"q" is not a string'),
        (f'{SHORT}{PART}[[part]]\nnotes = """\n| 1 e8\\\\7\n| 1 @@q8"""\n', '"q" is not a string'),
        (f'{SHORT}[[part]]\nnotes = """\\\n   | 1 e8 \\\n\n  2 @@q8"""\n', '"q" is not a string'),
        (f'{SHORT}[[part]]\nnotes = "| 1 e8\\\\7 2 @@q8"\n', '"q" is not a string'),
        (f'{SHORT}[[part]]\nnotes = "| \\u0031 e8\\t2 @@q8"\n', '"q" is not a string'),
        (f'{SHORT}[[part]]\nnotes = "| \\U00000031 e8 2 @@q8"\n', '"q" is not a string'),
        (f"{SHORT}[[part]]\nnotes = '| 1 ü8'\n".replace("ü", "@@ü"), '"ü8" goes on from'),
        (f"# ü\n{SHORT}[[part]] # ü\nrole='call'#ü\nnotes = '| 1 @@q8' # ü\n", "is not a string"),
        # a pickup too early, also after a part that has problems of its own
        (
            f"{SHORT}[[part]]\nnotes = '| 1 e8 4 e5'\n[[part]]\nnotes = @@'4 G5 | 1 G7'\n",
            "this line's pickup starts while the line before it still plays; end that one earlier",
        ),
    ],
)  # fmt: skip
def test_a_problem_is_told_at_its_line_and_column(marked: str, message: str) -> None:
    text, line, column = place(marked)
    (problem,) = problems(text)
    assert problem[:2] == (line, column)
    assert message in problem[2]


@pytest.mark.parametrize(
    ("marked", "message"),
    [
        (f"title = 'x'\nkey = 'A'\n@@tempoo = 90\n{PART}", 'did you mean "tempo"?'),
        (f"@@Title = 'x'\nkey = 'A'\ntempo = 90\n{PART}", 'did you mean "title"?'),
        (f"{SHORT}@@[[parts]]\nnotes = '| 1 e8'\n", 'did you mean "part"?'),
        (f"{SHORT}[[part]]\n@@note = '| 1 e8'\n", 'did you mean "notes"?'),
    ],
)
def test_a_misspelt_key_is_not_missing_besides(marked: str, message: str) -> None:
    text, line, column = place(marked)
    assert [(at, message in said) for *at, said in problems(text)] == [([line, column], True)]


def test_a_missing_key_is_told_beside_another_misspelt_one() -> None:
    found = [said for _, _, said in problems(f"title = 'x'\nkey = 'A'\ngrove = 'x'\n{PART}")]
    assert found == ['"tempo" is missing', '"grove" is not a key here; did you mean "groove"?']


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("title = 'x'\n[[phrase]]\nfile = 'a'\n", "a lesson, not a phrase; make it with `backing"),
        (
            "title = 'x'\n[[drums]]\nkick = '1'\n",
            "this is a groove, not a phrase; play it with --gr",
        ),
        ("title = 'x'\nchart = 'I7'\n", "this is a form, not a phrase; play it with --form"),
        ("start = 60\npart = 'call'\n", "a practice plan, not a phrase; practise it with --plan"),
    ],
)
def test_a_file_of_another_kind_is_told_in_one_sentence(text: str, message: str) -> None:
    ((_, _, said),) = problems(text)
    assert message in said


def test_a_tip_stands_at_any_of_several_parts_of_a_role() -> None:
    parts = "".join(f"[[part]]\nrole = 'call'\nnotes = '| {beat} e8'\n" for beat in (1, 2))
    text = f"{SHORT}{parts}" + "".join(
        f"[[tip]]\ntext = 'x'\nat = '{at}'\n" for at in ("call 1 1", "call 1 1 1", "call 2 1 2")
    )
    # In the second bar, whose part is the second, on its second beat.
    assert [(tip.part, tip.at) for tip in read_phrase(text).tips] == [
        (0, Fraction(0)), (0, Fraction(0)), (1, Fraction(1)),
    ]  # fmt: skip
    for wrong in ("call 3 1 1", "calls 1 1", "call 2 1 1"):
        ((_, _, said),) = problems(text.replace("call 2 1 2", wrong))
        assert said in (
            f'"{wrong}": write a part, a bar and a count: "call 1 or call 2 1 3&"; bar 0 is the '
            "pickup",
            '"call 2 1 1": the call 2 has no note there',
        )


@pytest.mark.parametrize("marked", ["@@", "@@# only a comment\n"])
def test_an_empty_file_lacks_everything(marked: str) -> None:
    found = problems(place(marked)[0])
    assert [message for _, _, message in found] == [
        '"title" is missing',
        '"key" is missing',
        '"tempo" is missing',
        "there is no [[part]]; a phrase has at least one, with its notes",
    ]
    assert {place[:2] for place in found} == {(1, 1)}


def test_every_problem_of_a_file_is_told_in_order() -> None:
    text = """\
title = 'Mill race'
kay = 'A'
key = 'H'
tempo = 900

[[part]]
role = 'cal'
notes = '''
| 1 q8 2 e8
| 5 e8'''

[[part]]
notes = "| 1 e9\\\\7 2 r"
"""
    found = problems(text)
    assert [place[:2] for place in found] == [
        (2, 1),
        (3, 7),
        (4, 9),
        (7, 8),
        (9, 5),
        (10, 3),
        (13, 22),
    ]


def test_a_pickup_is_blamed_on_its_own_part_where_an_earlier_part_is_wrong() -> None:
    text, line, column = place(
        f"{SHORT}[[part]]\nnotes='| 1 q8'\n[[part]]\nnotes='| 4 e8'\n"
        "[[part]]\nnotes=@@'4 e8 | 1 e8'\n"
    )
    found = problems(text)
    assert [message[:10] for _, _, message in found] == ['"q" is not', "this line'"]
    assert found[1][:2] == (line, column)


def test_places_are_the_same_with_the_line_ends_of_windows() -> None:
    text, line, column = place(f"{SHORT}[[part]]\nnotes = '''\n| 1 e8\n| 1 e8 2 @@q8'''\n")
    assert problems(text.replace("\n", "\r\n"))[0][:2] == problems(text)[0][:2] == (line, column)


def test_the_message_begins_with_file_line_and_column() -> None:
    with pytest.raises(TextFileError, match=r"^my/mill\.toml:3:9: tempo 900: it must lie from"):
        read_phrase(SHORT.replace("90", "900") + PART, "my/mill.toml")


def test_a_slide_down_in_double_quotes_gets_the_hint() -> None:
    found = problems(f'{SHORT}[[part]]\nnotes = "| 1 e8\\7"\n')
    ((line, column, message),) = found
    assert (line, column) == (5, 16)
    assert message == (
        "not valid TOML: unescaped '\\' in a string; "
        "write notes between single quotes '...' so that \\ stays a slide"
    )


def test_a_forgotten_quote_does_not() -> None:
    ((line, _, message),) = problems('title = "Mill race\nkey = "A"\n')
    assert line == 1
    assert message.startswith("not valid TOML: ")
    assert "slide" not in message


@pytest.mark.parametrize(
    ("text", "line", "part"),
    [
        ("title = \n", 1, "not valid TOML: invalid value"),
        ("title = 'a'\nkey\n", 2, "not valid TOML: expected '=' after a key"),
        ("title = 'a'\ntitle = 'b'\n", 2, "not valid TOML: cannot overwrite a value"),
        ("[[part]\n", 1, "not valid TOML: expected ']]'"),
        ("title = 'a'\n\x00", 2, "not valid TOML: invalid statement"),
        ("x = " + "[" * 5000 + "]" * 5000, 1, "not valid TOML: brackets are nested too deep"),
        ("x = " + "{a=" * 5000 + "1" + "}" * 5000, 1, "brackets are nested too deep"),
        ("\n\ntempo = " + "9" * 5000 + "\n", 3, "not valid TOML: a number has thousands of digit"),
    ],
)
def test_what_is_not_toml_is_refused(text: str, line: int, part: str) -> None:
    ((found, _, message),) = problems(text)
    assert found == line
    assert part.lower() in message.lower()


@pytest.mark.parametrize("around", ["{} = 1", "[{}]", "'a'.{} = 1", "x = {{{} = 1}}"])
def test_a_key_of_very_many_parts_is_refused(around: str) -> None:
    # Python's reader would take a minute and a half for one of 100,000.
    ((line, _, message),) = problems(f"tips = '''\n'''\n{around.format('a.' * 99999 + 'a')}\n")
    assert (line, message) == (3, "a line has more than 20 dots outside quotes")


def test_dots_within_quotes_and_behind_a_number_sign_are_text() -> None:
    dots = ". " * 99
    texts = f'{dots}\', "{dots}", \'\'\'\n{dots}\'\'\', """{dots}\n"{dots}"""'
    (told,) = {message for *_, message in problems(f"{SHORT}tips = ['{texts}] # {dots}\n{PART}")}
    assert told == '"tips" must be text in quotes, got a list'
    (told,) = {message for *_, message in problems(f"{SHORT}tips = [{'1.5, ' * 30}]\n{PART}")}
    assert told == '"tips" must be text in quotes, got a list'


def tried(read: Callable[[], Phrase]) -> tuple[Problem, ...]:
    try:
        phrase = read()
    except TextFileError as error:
        return error.problems
    assert phrase.strokes()
    return ()


def refused(path: Path) -> str:
    with pytest.raises(TextFileError) as caught:
        load_phrase(path)
    return str(caught.value)


def test_a_file_is_read(tmp_path: Path) -> None:
    path = tmp_path / "mill.toml"
    path.write_text(WHOLE, encoding="utf-8")
    assert load_phrase(path) == load_phrase(str(path)) == read_phrase(WHOLE)
    path.write_text(WHOLE, encoding="utf-8-sig")
    assert load_phrase(path) == read_phrase(WHOLE)


def test_a_problem_in_a_file_names_the_file(tmp_path: Path) -> None:
    path = tmp_path / "mill.toml"
    path.write_text(SHORT + PART + "rôle = 'call'\n".replace("ô", "oo"), encoding="utf-8")
    assert refused(path) == f'{path}:6:1: "roole" is not a key here; did you mean "role"?'


def test_text_that_is_not_utf_8_is_told_at_its_place(tmp_path: Path) -> None:
    path = tmp_path / "mill.toml"
    path.write_bytes(b"title = 'x'\nkey = '\xe9'\n")
    assert refused(path) == f"{path}:2:8: the text is not UTF-8; save it as plain text in UTF-8"


def test_a_missing_file_names_the_one_meant(tmp_path: Path) -> None:
    (tmp_path / "mill-race.toml").write_text(WHOLE, encoding="utf-8")
    path = tmp_path / "mill-rase.toml"
    assert refused(path) == (f'{path}: there is no such file; did you mean "mill-race.toml"?')


@pytest.mark.parametrize("name", ["none.toml", "none/none.toml", "none.**", "none.[", "n" * 300])
def test_a_missing_file_is_told(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    part = (
        "cannot be read: File name too long"
        if len(name) > 255
        else "there is no such folder; write the one in which the file is"
        if "/" in name
        else "there is no such file; `backing list phrases` shows those that ship, "
        "`backing new NAME` starts one"
    )
    assert refused(path) == f"{path}: {part}"


def test_only_a_phrase_is_offered_for_a_phrase(tmp_path: Path) -> None:
    (tmp_path / "ropes.toml").write_text('title = "x"\nchart = "I7"\n', encoding="utf-8")
    (tmp_path / "rope-walk.toml").write_text(WHOLE, encoding="utf-8")
    assert refused(tmp_path / "rope.toml").endswith('did you mean "rope-walk.toml"?')


def test_a_groove_s_file_is_named_from_the_phrase_s_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither the phrase that asks nor another phrase is offered for it."""
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "less"
    folder.mkdir()
    text = f"{SHORT}groove = 'gone.toml'\n{PART}"
    path = folder / "gong.toml"
    path.write_text(text, encoding="utf-8")
    (tmp_path / "gone.toml").write_text('[[drums]]\nride = "1"\n', encoding="utf-8")
    with pytest.raises(TextFileError) as caught:
        load_phrase(path, ["shuffle"])
    line = text[: text.index("'gone")].count("\n") + 1
    assert str(caught.value) == (
        f"{path}:{line}:10: gone.toml: there is no such file; `backing list grooves` shows those "
        "that ship"
    )
    (folder / "gone-2.toml").write_text('[[drums]]\nride = "1"\n', encoding="utf-8")
    with pytest.raises(TextFileError, match=r'did you mean "gone-2\.toml"\?$'):
        load_phrase(path, ["shuffle"])
    path.write_text(text.replace("gone.toml", "gone-2"), encoding="utf-8")
    with pytest.raises(TextFileError, match=r'"gone-2" is not a groove; did you mean "gone-2.t'):
        load_phrase(path, ["shuffle"])


@pytest.mark.parametrize("mark", ["\u202e", "\u2066"])
def test_what_turns_writing_round_is_refused(tmp_path: Path, mark: str) -> None:
    path = tmp_path / "x.toml"
    hidden = f"\\u{ord(mark):04x}"  # written as an escape too
    for text in (f'tags = ["{mark}"]\n{SHORT}{PART}', f'title = "{hidden}x"\n'):
        path.write_text(text, encoding="utf-8")
        assert f"a mark that turns writing round (U+{ord(mark):04X})" in refused(path)


def test_a_folder_is_not_a_file(tmp_path: Path) -> None:
    assert refused(tmp_path) == f"{tmp_path}: is not a file; name a text file"


def test_a_file_of_the_largest_size_is_read_and_a_larger_one_is_not(tmp_path: Path) -> None:
    path = tmp_path / "mill.toml"
    text = SHORT + PART
    path.write_text(text + "#" * (LARGEST_FILE - len(text)), encoding="utf-8")
    assert path.stat().st_size == 1_000_000
    assert load_phrase(path).title == "Mill race"
    path.write_text(text + "#" * (LARGEST_FILE - len(text) + 1), encoding="utf-8")
    assert refused(path) == f"{path}: the file is over 1 MB; is it the right one?"


@given(
    st.lists(
        st.tuples(
            st.integers(0, len(WHOLE) - 1), st.integers(0, 8), st.binary(max_size=4)
        ),
        min_size=1,
        max_size=4,
    )
)  # fmt: skip
def test_mangled_files_raise_nothing_but_text_file_errors(
    tmp_path_factory: pytest.TempPathFactory, cuts: list[tuple[int, int, bytes]]
) -> None:
    raw = WHOLE.encode()
    for at, length, new in cuts:
        raw = raw[:at] + new + raw[at + length :]
    path = tmp_path_factory.getbasetemp() / "mangled.toml"
    path.write_bytes(raw)
    lines = raw.decode("utf-8", "replace").split("\n")
    for problem in tried(lambda: load_phrase(path)):
        assert 1 <= problem.line <= len(lines)
        assert problem.column >= 1
        assert problem.message


@given(st.text(st.sampled_from("[]{}=\"'.,#\\\n partnoteskey1|")).map(lambda t: SHORT + PART + t))
def test_more_lines_raise_nothing_but_text_file_errors(text: str) -> None:
    for problem in tried(lambda: read_phrase(text)):
        assert 1 <= problem.line <= text.count("\n") + 1


def test_every_shipped_phrase_reads_and_is_found_by_its_name() -> None:
    assert shipped()
    for name, path in shipped().items():
        assert find_phrase(name) == path
        assert load_phrase(name).bars >= 1


def test_an_unknown_name_is_told_with_the_nearest_shipped_one() -> None:
    name = next(iter(shipped()))
    message = f'"{name}x" is not a shipped phrase or a file; did you mean "{name}"?'
    with pytest.raises(TextFileError, match=re.escape(message)):
        load_phrase(f"{name}x")


@pytest.mark.parametrize("name", ["n" * 300, "| 1 e8 2 e5 " * 30, "a\0b", ""])
def test_what_cannot_be_a_name_is_told(name: str) -> None:
    with pytest.raises(TextFileError, match="is not a shipped phrase or a file; it may be "):
        load_phrase(name)


def test_a_file_in_the_folder_wins_over_a_shipped_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    name = next(iter(shipped()))
    (tmp_path / name).write_text(WHOLE, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    assert load_phrase(name).title == "Mill race"


def test_tempos_are_exact() -> None:
    assert check_tempo(62.1) == Fraction(621, 10)
    assert check_tempo(30) == 30
    assert check_tempo(240) == 240


@pytest.mark.parametrize("tempo", [29.9, 240.5, -90, float("inf"), float("nan"), 1e300])
def test_a_tempo_outside_the_range_is_refused(tempo: float) -> None:
    with pytest.raises(RangeError, match=r"^tempo .*: it must lie from 30 to 240 felt beats"):
        check_tempo(tempo)


def test_a_file_without_problems_does_not_load_the_syntax_tree() -> None:
    # The tree is slow to load, and only a file with problems needs it.
    sys.modules.pop("phrases._places", None)
    read_phrase(WHOLE)
    assert "phrases._places" not in sys.modules


# Words that mean something here, to be put where they do not belong.
GRAMMAR = (
    *STRINGS, *TECHNIQUES, *MARKS, *(f"({size})" for size in BEND_SIZES), *PHRASE_KEYS,
    *PART_KEYS, *TIP_KEYS, "[[part]]\n", "[[tip]]\n", "[[variation]]\n", "[[variation.part]]\n",
    "|", " | ", "+", "-", ".", "{", "}", "(", ")", "&", "trip", "let", "1", "4", "+1/6", "x",
    "/e8", "'", '"', "'''", "=", "\n", "#", "0", "24", "99999", "nan", "true", "1e999", "0xFF",
    "45ms", "[", "]", ",", "\\", "é", "\u0000", "\u2028", "e8", "b(full)", "r(1/2)", "call",
    "b(full over 1/2)", "~(1/4 6/s grows)", "over", "grows", "/s", "%",
)  # fmt: skip
TEXTS = [WHOLE, *(path.read_text(encoding="utf-8") for path in shipped().values())]
CASES = number_of(1000, 100_000)


def mangled(dice: random.Random, text: str) -> str:
    """Return a text with words cut, doubled, swapped or put in, or with some bytes changed."""
    if dice.random() < 0.3:
        raw = bytearray(text.encode())
        for _ in range(dice.randint(1, 6)):
            raw[dice.randrange(len(raw))] = dice.choice(b"|&+-.{}()'\"=\n #\\09ebx\x00\xff")
        return raw.decode("utf-8", "replace")
    words = re.findall(r"\w+|\s+|[^\w\s]", text)
    for _ in range(dice.randint(1, 4)):
        at, other = dice.randrange(len(words)), dice.randrange(len(words))
        kind = dice.randrange(5)
        if kind == 0:
            words.insert(at, dice.choice(GRAMMAR))
        elif kind == 1:
            words[at] = dice.choice(GRAMMAR)
        elif kind == 2:
            words[at], words[other] = words[other], words[at]
        elif kind == 3:
            words[at:at] = words[other : other + dice.randint(1, 12)]
        else:
            del words[at : at + dice.randint(1, 6)]
            words = words or [" "]
    return "".join(words)


def test_texts_mangled_in_many_ways_raise_nothing_but_text_file_errors() -> None:
    read = 0
    for number in range(CASES):
        text = mangled(random.Random(number), TEXTS[number % len(TEXTS)])
        last = text.replace("\r\n", "\n").count("\n") + 1
        try:
            found = tried(lambda text=text: read_phrase(text))  # type: ignore[misc]
        except Exception as error:
            pytest.fail(f"case {number}: {error!r}")
        assert all(1 <= p.line <= last and p.column >= 1 for p in found), number
        if found:
            continue
        read += 1
        phrase = read_phrase(text)
        for whole in (phrase, *(variation for _, variation in phrase.variations)):
            for part in whole.parts:
                again = read_line(write_line(part.strokes, part.bars))
                assert (again.strokes, again.problems) == (part.strokes, []), number
            beat = 60 / float(whole.tempo)
            perform(whole.strokes(), lambda at, beat=beat: float(at) * beat)  # type: ignore[misc]
    assert CASES // 50 < read < CASES  # mangled enough, and not beyond reading


def test_a_file_holds_no_more_variations_than_anybody_writes() -> None:
    more = "".join(f'\n[[variation]]\nname = "v{number}"\n' for number in range(30_000))
    with pytest.raises(TextFileError, match="30002 variations: a phrase has at most 64"):
        read_phrase(WHOLE + more)


def test_a_wrong_word_is_not_said_at_any_length() -> None:
    with pytest.raises(TextFileError) as caught:
        read_phrase(WHOLE.replace('"minor blues"', f'"{"blues" * 1000}"'))
    assert len(str(caught.value)) < 500
