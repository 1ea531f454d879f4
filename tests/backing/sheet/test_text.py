from __future__ import annotations

import re

import pytest

from backing.forms import find_form
from backing.sheet.score import Score
from backing.sheet.text import NARROWEST, WIDTH, text_tab
from backing.sheet.writing import over_form
from phrases.errors import RangeError
from phrases.files import load_phrase
from phrases.phrase import Phrase
from tests.backing.sheet.lines import CROWDED, crowded, library, one

STRINGS = "eBGDAE"


def systems(text: str) -> list[list[str]]:
    """Return the six lines of each system."""
    lines = text.splitlines()
    return [
        lines[n : n + 6]
        for n in range(len(lines) - 5)
        if "".join(line[:1] for line in lines[n : n + 6]) == STRINGS
        and all(re.fullmatch(r".[-|].*[-|]", line) for line in lines[n : n + 6])
    ]


def tab(notes: str, meter: str = "4/4", *, fingering: bool = True) -> str:
    return text_tab(over_form(one(notes, meter=meter)), fingering=fingering)


def strings(notes: str) -> str:
    """Return what stands on the strings, bar lines and dashes aside."""
    found = ["".join(lines) for lines in zip(*systems(tab(notes)), strict=True)]
    return " ".join(re.sub(r"[-|]+", " ", line[1:]).strip() for line in found).strip()


@pytest.mark.parametrize(
    ("notes", "sign"),
    [
        # The usual signs of plain-text tablature, from memory.
        ("| 1 G5h7", "5h7"),
        ("| 1 G7p5", "7p5"),
        ("| 1 G5/7", "5/7"),
        ("| 1 G7\\5", "7\\5"),
        ("| 1 G7b(full)", "7b9"),
        ("| 1 G7b(1/2)r", "7b8r7"),
        ("| 1 G7b(1/4)", "7b(1/4)"),
        ("| 1 G7b10r(1/2)", "7b10r8"),
        ("| 1 G7pb(full)", "7pb9"),
        ("| 1 G7~", "7~"),
        ("| 1 G7tr9", "7tr9"),
        ("| 1 /G7", "/7"),
        ("| 1 G7\\", "7\\"),
        ("| 1 Gx", "x"),
        ("| 1 G7{ghost}", "(7)"),
        ("| 1 G7b(full)rp5", "7b9r7p5"),
        ("| 1 G5 2 h7", "5 h7"),
        ("| 1 G7 2 b(full) 3 r", "7 b9 r7"),
    ],
)
def test_signs(notes: str, sign: str) -> None:
    assert re.sub(" +", " ", strings(notes)) == sign


def test_a_whole_page() -> None:
    # A regression value: this project's own output.
    assert tab("4 G5/7 & B6{d} | 1 e8b(full)~+B8 3 .") == (
        "Mill race\n"
        "key of A, Ride shuffle, 4/4, 90 beats a minute, swung\n"
        "\n"
        "   4     &     1             (3)\n"
        "e|-----------|-8b10~------------------|\n"
        "B|-------6---|-8----------------------|\n"
        "G|-5/7-------|------------------------|\n"
        "D|-----------|------------------------|\n"
        "A|-----------|------------------------|\n"
        "E|-----------|------------------------|\n"
        "         d\n"
        "\n"
        "/ slide up, b bend to the pitch of that fret, ~ vibrato, (3) silence from that\n"
        "count, d down-stroke\n"
    )


def pages() -> list[tuple[Phrase, Score]]:
    return [(phrase, over_form(phrase)) for phrase in [*library(), *crowded()]]


@pytest.mark.parametrize("width", [NARROWEST, WIDTH])
@pytest.mark.parametrize(("phrase", "score"), pages())
def test_every_column_is_aligned_and_no_line_too_wide(
    phrase: Phrase, score: Score, width: int
) -> None:
    text = text_tab(score, width=width)
    assert max(map(len, text.splitlines())) <= width
    found = systems(text)
    assert found
    for lines in found:
        assert len({len(line) for line in lines}) == 1
        bars = [[at for at, sign in enumerate(line) if sign == "|"] for line in lines]
        assert all(one == bars[0] for one in bars)
    # Every picked fret stands there, on its string and in its order.
    for string in STRINGS:
        own = "".join(lines[STRINGS.index(string)][1:] for lines in found)
        at = 0
        for stroke in phrase.strokes():
            for note in stroke.notes:
                if note.string == string:
                    fret = "x" if note.fret is None else str(note.fret)
                    at = own.index(fret, at) + len(fret)


def test_a_count_stands_over_its_note() -> None:
    lines = tab("| 1 e8 trip B5 let G7 3 e12/14 4 .").splitlines()
    counts = lines[3]
    frets = {line[0]: line for line in lines[4:10]}
    assert [frets["e"][counts.index("1")], frets["B"][counts.index("trip")]] == ["8", "5"]
    assert frets["G"][counts.index("let")] == "7"
    assert frets["e"][counts.index(" 3 ") + 1 :].startswith("12/14")
    assert "(4)" in counts


def test_a_hammer_on_of_its_own_stands_at_its_count() -> None:
    lines = tab("| 1 G5 2 h7 3 .").splitlines()
    assert lines[6][lines[3].index("2") - 1 :].startswith("h7-")


def test_chords_and_tips_stand_over_their_notes() -> None:
    text = text_tab(over_form(load_phrase("plum-jar"), find_form("quick-change")))
    assert "D7" in text
    assert "[1] Call, bar 1, 1: Let the root ring" in text
    lines = text.splitlines()
    tips = next(line for line in lines if "[1]" in line)
    top = lines[lines.index(tips) + 3]
    assert top[tips.index("[1]")] == "5"


@pytest.mark.parametrize("notes", CROWDED)
@pytest.mark.parametrize("width", range(NARROWEST, WIDTH + 1, 5))
def test_a_bar_line_never_stands_alone(notes: str, width: int) -> None:
    for lines in systems(text_tab(over_form(one(notes)), width=width)):
        assert lines[0] not in ("e-|", "e|")


def test_variations_that_are_left_out_are_named() -> None:
    score = over_form(one("| 1 e5"))
    text = text_tab(score, variations=["low flame", "easy"])
    assert text.endswith('\nVariations, not written here: "low flame", "easy"\n')
    assert "not written here" not in text_tab(score)


def test_strokes_and_fingers_may_be_left_out() -> None:
    assert "d down-stroke" in tab("| 1 e5{d3}")
    assert "down-stroke" not in tab("| 1 e5{d3}", fingering=False)
    assert "palm mute" in tab("| 1 E3{d pm}", fingering=False)


def test_a_line_too_narrow_is_refused() -> None:
    with pytest.raises(RangeError, match="width 20: a tab needs at least 40"):
        text_tab(over_form(one("| 1 e5")), width=20)
