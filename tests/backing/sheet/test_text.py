from __future__ import annotations

import re

import pytest

from backing.forms import find_form
from backing.sheet.text import WIDTH, text_sheet
from phrases.files import load_phrase, read_phrase
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
    return text_sheet(one(notes, meter=meter), fingering=fingering)


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
        "=========\n"
        "key of A, 4/4, 90 beats a minute, swung\n"
        "Ride shuffle\n"
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
        "Signs: / = slide up, b = bend to the pitch of that fret, ~ = vibrato, (3) =\n"
        "silence from that count, d = down-stroke\n"
        "\n"
        "Practice plan\n"
        "\n"
        "4 clean passes at each tempo before the next, in quarters a minute\n"
        "   50  [ ] [ ] [ ] [ ]\n"
        "   60  [ ] [ ] [ ] [ ]\n"
        "   70  [ ] [ ] [ ] [ ]\n"
        "   80  [ ] [ ] [ ] [ ]\n"
        "   90  [ ] [ ] [ ] [ ]\n"
    )


@pytest.mark.parametrize("width", [40, WIDTH])
@pytest.mark.parametrize("phrase", [*library(), *crowded()])
def test_every_column_is_aligned_and_no_line_too_wide(
    phrase: Phrase, width: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("backing.sheet.text.WIDTH", width)
    text = text_sheet(phrase)
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
    counts = lines[5]
    frets = {line[0]: line for line in lines[6:12]}
    assert [frets["e"][counts.index("1")], frets["B"][counts.index("trip")]] == ["8", "5"]
    assert frets["G"][counts.index("let")] == "7"
    assert frets["e"][counts.index(" 3 ") + 1 :].startswith("12/14")
    assert "(4)" in counts


def test_a_hammer_on_of_its_own_stands_at_its_count() -> None:
    lines = tab("| 1 G5 2 h7 3 .").splitlines()
    assert lines[8][lines[5].index("2") - 1 :].startswith("h7-")


def test_chords_and_tips_stand_over_their_notes() -> None:
    text = text_sheet(load_phrase("plum-jar"), find_form("quick-change"))
    assert "D7" in text
    assert "[1] Call, bar 1, 1: Let the root ring" in text
    lines = text.splitlines()
    tips = next(line for line in lines if "[1]" in line)
    top = lines[lines.index(tips) + 3]
    assert top[tips.index("[1]")] == "5"


@pytest.mark.parametrize("notes", CROWDED)
@pytest.mark.parametrize("width", range(40, WIDTH + 1, 5))
def test_a_bar_line_never_stands_alone(
    notes: str, width: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("backing.sheet.text.WIDTH", width)
    for lines in systems(text_sheet(one(notes))):
        assert lines[0] not in ("e-|", "e|")


TOLD = (
    """
title = "Slow end"
key = "A"
tempo = 92
level = "easy"
behind = "auto"
tips = """
    + '"""'
    + """
Breathe **between** the two, *softly*.

- the `call` asks
- the [response](http://x) tells, as it does in the old songs that nobody wrote down in time
"""
    + '"""'
    + """
[[part]]
role = "call"
notes = "| 1 G5 2 G7 3 B5~ 4 ."
drag = 1.5
[[part]]
role = "response"
notes = "| 1 G5 2 . | 1 G7 2 G5 3 ."
drag = 8
[[tip]]
at = "response 2 2"
text = "Let it **die**."
[[variation]]
name = "easy hands"
[[variation.part]]
role = "response"
notes = "| 1 G5 2 . | 1 D7 3 ."
"""
)


def test_everything_that_is_told() -> None:
    # A regression value: this project's own output.
    assert text_sheet(read_phrase(TOLD), find_form("twelve-bar")) == (
        "Slow end\n"
        "========\n"
        "key of A, 4/4, 92 beats a minute\n"
        "Ride shuffle, laid back, rit.: the band keeps its tempo, easy\n"
        "\n"
        "   Call                      Response\n"
        "         rit. - - - -        rit. - - - - - - - - - - - - - - - -\n"
        "                                                           [1]\n"
        "   A7                        A7                      A7\n"
        "   1     2     3      (4)    1        (2)            1     2     (3)\n"
        "e|-------------------------|-----------------------|----------------------|\n"
        "B|-------------5~----------|-----------------------|----------------------|\n"
        "G|-5-----7-----------------|-5---------------------|-7-----5--------------|\n"
        "D|-------------------------|-----------------------|----------------------|\n"
        "A|-------------------------|-----------------------|----------------------|\n"
        "E|-------------------------|-----------------------|----------------------|\n"
        "\n"
        "Variation: easy hands\n"
        "\n"
        "   Response\n"
        "   A7                      A7\n"
        "   1        (2)            1         (3)\n"
        "e|-----------------------|--------------------|\n"
        "B|-----------------------|--------------------|\n"
        "G|-5---------------------|--------------------|\n"
        "D|-----------------------|-7------------------|\n"
        "A|-----------------------|--------------------|\n"
        "E|-----------------------|--------------------|\n"
        "\n"
        "Signs: ~ = vibrato, (3) = silence from that count, rit. = slower and slower,\n"
        "while the band keeps its tempo\n"
        "\n"
        "Tips\n"
        "\n"
        "Breathe between the two, softly.\n"
        "\n"
        "- the call asks\n"
        "- the response (http://x) tells, as it does in the old songs that nobody wrote\n"
        "  down in time\n"
        "\n"
        "[1] Response, bar 2, 2: Let it die.\n"
        "\n"
        "Practice plan\n"
        "\n"
        "4 clean passes at each tempo before the next, in quarters a minute\n"
        "   52  [ ] [ ] [ ] [ ]\n"
        "   62  [ ] [ ] [ ] [ ]\n"
        "   72  [ ] [ ] [ ] [ ]\n"
        "   82  [ ] [ ] [ ] [ ]\n"
        "   92  [ ] [ ] [ ] [ ]\n"
    )


def test_strokes_and_fingers_may_be_left_out() -> None:
    assert "d = down-stroke" in tab("| 1 e5{d3}")
    assert "down-stroke" not in tab("| 1 e5{d3}", fingering=False)
    assert "palm mute" in tab("| 1 E3{d pm}", fingering=False)


def test_an_open_string_of_a_chord_has_its_place_among_the_fingers() -> None:
    made = tab("| 1 E3{2}+A2{1}+D0+G0+B0+e3{3} 3 E0")
    assert "2+1+0+0+0+3" in made
    # Alone it has no finger, and no place.
    assert "finger" not in tab("| 1 E0{d} 3 A0{d}")


TITLED = 'title = "{}"\nkey = "A"\ntempo = 90\ntips = "{}"\n[[part]]\nnotes = "{}"\n'


@pytest.mark.parametrize(
    ("title", "lines"),
    [
        ("Short", ["Short", "====="]),
        # An accent of its own takes no room; of a long title the last line is underlined.
        ("Cafe\u0301", ["Cafe\u0301", "===="]),
        (f"{'long ' * 16}title", ["long " * 15 + "long", "title", "====="]),
    ],
)
def test_a_title_is_underlined_as_far_as_it_reaches(title: str, lines: list[str]) -> None:
    text = text_sheet(read_phrase(TITLED.format(title, "", "| 1 G5 2 .")))
    assert text.splitlines()[: len(lines)] == lines


def test_an_address_is_not_broken() -> None:
    address = "https://example.org/" + "lamp-oil/" * 9
    text = text_sheet(read_phrase(TITLED.format("T", f"See [it]({address}).", "| 1 G5 2 .")))
    assert f"({address})." in text


def test_a_form_that_is_played_again_is_told() -> None:
    phrase = read_phrase(TITLED.format("T", "", "| 1 G5 " * 13))
    text = text_sheet(phrase, find_form("twelve-bar"), chorus=True)
    assert "over a twelve-bar blues chorus, played twice" in text
    text = text_sheet(phrase, find_form("turnaround-loop"), chorus=True)
    assert "over a turnaround loop chorus, played 7 times" in text
