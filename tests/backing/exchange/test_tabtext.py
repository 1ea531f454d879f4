"""Plain-text tablature comes in; what its rhythm was read from is said."""

from __future__ import annotations

from pathlib import Path

import pytest

from backing.exchange.importing import Imported, import_tab
from backing.sheet.text import text_sheet
from phrases.errors import TextFileError
from phrases.files import load_phrase, read_phrase
from phrases.notation import write_line
from phrases.phrase import Phrase

GUESSED = "rhythm guessed from the spacing"


def staff(names: str = "eBGDAE", width: int = 17, **rows: str) -> str:
    """Return six lines; those named have what is given, the rest are dashes."""
    return "\n".join(
        f"{name}|{rows.get(name if name != 'E' else 'low', '').ljust(width, '-')}|"
        for name in names
    )


def read(text: str, folder: Path) -> Imported:
    path = folder / "in.txt"
    path.write_text(text, encoding="utf-8")
    return import_tab(path)


def line(text: str, folder: Path) -> str:
    (only,) = read(text, folder).phrase.parts
    return write_line(only.strokes, only.bars)


COUNTS = "  1 & 2 & 3 & 4 &  "
TRIPLETS = "  1 trip let 2 trip let 3 4"


@pytest.mark.parametrize("name", ["cinder-path", "fence-wire", "late-bus", "rusty-gutter"])
def test_a_sheet_of_our_own_comes_in_as_it_went_out(name: str, tmp_path: Path) -> None:
    """Against the phrase that was written; rests, double stops and 12/8 are among them."""
    phrase = load_phrase(name)
    found = read(text_sheet(phrase), tmp_path)

    def heard(one: Phrase) -> object:
        return (one.title, one.key, one.scale, one.tempo, one.meter, one.groove), [
            (part.role, part.bars, [(s.at, s.end, [(n.string, n.fret) for n in s.notes])
                                    for s in part.strokes])
            for part in one.parts
        ]  # fmt: skip

    assert heard(found.phrase) == heard(phrase)
    assert f"Variation: {phrase.variations[0][0]}, left out" in found.told


OWN = (
    'title = "A = 440 blues"\nkey = "A"\ntempo = 90\n{}\n[[part]]\nrole = "call"\nnotes = \'{}\'\n'
)


@pytest.mark.parametrize(
    ("notes", "back", "told"),
    [
        ("| 1 G7~(1/8) 2 B8~(5/s) 3 .", "| 1 G7~ 2 B8~ 3 .", "how fast or wide a move is"),
        ("| 1 G7b(full over 1) 3 B5v(1/2 over 1/2) 4 G7~~", "| 1 G7b(full) 3 B5~ 4 G7~~",
         "bar 1: dip of the bar, read as vibrato"),
        ("| 1 G7\\ 2 G5 3 G7/9 4 .", "| 1 G7\\ 2 G5 3 G7/9 4 .", ""),
        ("| 1 G7 3 /G9", "| 1 G7 3 /G9", "bar 1: slide that may be from the note before"),
        ("| 1 G7{accent} 2 B5{pm}", "| 1 G7 2 B5", "marks and words over and under the staves"),
    ],
)  # fmt: skip
def test_what_a_sheet_of_our_own_has_besides_is_read_or_told(
    notes: str, back: str, told: str, tmp_path: Path
) -> None:
    found = read("\n" + text_sheet(read_phrase(OWN.format("", notes))), tmp_path)
    (only,) = found.phrase.parts
    assert write_line(only.strokes, only.bars) == back
    assert found.phrase.title == "A = 440 blues"
    assert told in "\n".join(found.told)
    assert bool(told) == (len(found.told) > 1)  # the rhythm is read from the counts


@pytest.mark.parametrize(
    ("groove", "swing", "back"),
    [
        ("shuffle", "", ""), ("shuffle", "straight", "straight"), ("shuffle", "3:1", ""),
        ("rock-blues", "", ""), ("rock-blues", "2:1", "2:1"),
    ],
)  # fmt: skip
def test_a_sheet_of_our_own_swings_or_not(
    groove: str, swing: str, back: str, tmp_path: Path
) -> None:
    """By how much, the sheet does not say."""
    words = f'groove = "{groove}"\n' + (f'swing = "{swing}"' if swing else "")
    own = read_phrase(OWN.format(words, "| 1 G7 & B5 2 e5"))
    found = read(text_sheet(own), tmp_path).phrase
    assert (found.groove, found.swing) == (groove, back)


def test_a_heading_with_a_slip_is_told(tmp_path: Path) -> None:
    text = text_sheet(read_phrase(OWN.format("", "| 1 G7")))
    told = read(text.replace("90 beats", "90.5.1 beats"), tmp_path).told
    assert any("90.5.1 beats a minute" in one for one in told)
    with pytest.raises(TextFileError, match=r'in\.txt:1:1: "E#" has no key signature'):
        read(text.replace("key of A", "key of E#"), tmp_path)


@pytest.mark.parametrize("sign", ["=", "~(", "(over ", "A7 ", "Call "])
def test_a_line_of_very_many_signs_is_read_at_once(sign: str, tmp_path: Path) -> None:
    """Where each sign begins another search to the end of the line, this takes minutes."""
    text = text_sheet(read_phrase(OWN.format("", "| 1 G7"))).replace("Call", sign * 100_000 + "!")
    assert read(text, tmp_path).phrase.strokes()
    with pytest.raises(TextFileError, match="there are no six lines"):
        read(sign * 100_000, tmp_path)


def test_names_of_parts_in_a_strange_text_are_only_words(tmp_path: Path) -> None:
    text = "Call\n" + staff(e="5---8---5-8") + "\n\n Response\n" + staff()
    assert [part.role for part in read(text, tmp_path).phrase.parts] == ["line"]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (COUNTS + "\n" + staff(e="5---8---5-8"), "| 1 e5 2 e8 3 e5 & e8"),
        (staff(e="5---8---5-8") + "\n" + COUNTS, "| 1 e5 2 e8 3 e5 & e8"),
        (COUNTS + "\n" + staff(e="5-8-", B="----5-8p5"), "| 1 e5 & e8 2 B5 & B8 3 p5"),
        # What has no count of its own follows at once.
        ("  1   2   3   4\n" + staff(G="7b9-5h7~----"), "| 1 G7b(full) 2 G5h7~"),
        (COUNTS + "\n" + staff(G="7b9r----5/7"), "| 1 G7b(full)r 3 G5 & /7"),
        (COUNTS + "\n" + staff(G="7------x", B="8------x", D="5------"),
         "| 1 D5+G7+B8 2& Gx+Bx"),
        (COUNTS + "\n" + staff(e="10--12--(8)"), "| 1 e10 2 e12 3 e8{ghost}"),
        (COUNTS + "\n" + staff(B="/8--8\\----"), "| 1 /B8 2 B8\\"),
        # Only in our own sheets the brackets end a note.
        ("  1  (2) 3   4 \n" + staff(e="5------8----"), "| 1 e5 3 e8"),
        (COUNTS + "\n" + staff(B="<12>----8"), "| 1 B12{harmonic} 3 B8"),
        (COUNTS + "\n" + staff(B="8b(1/2)-5bfull~"), "| 1 B8b(1/2) 3 B5b(full)~"),
        ("  1   2   3   4 +  \n" + staff(e="5---8---------8", width=20),
         "| 1 e5 2 e8 4& e8"),
        (TRIPLETS + "\n" + staff(e="5-8----5---8", width=28), "| 1 e5 trip e8 let e5 2 e8"),
    ],
)  # fmt: skip
def test_counts_tell_the_rhythm(text: str, expected: str, tmp_path: Path) -> None:
    assert line(text, tmp_path) == expected
    told = read(text, tmp_path).told
    assert "rhythm read from the counts" in told
    assert not any(GUESSED in said for said in told)


@pytest.mark.parametrize(
    ("rows", "width", "expected"),
    [
        ({"e": "-5---8---5---8---"}, 17, "| 1 e5 2 e8 3 e5 4 e8"),
        ({"e": "-5-8-5-8-5-8-5-8-"}, 17, "| 1 e5 & e8 2 e5 & e8 3 e5 & e8 4 e5 & e8"),
        ({"e": "-5-8-5"}, 9, "| 1 e5 2 e8 3 e5"),
        ({"e": "-5-----8-----"}, 25, "| 1 e5 2 e8"),
        ({"e": "-5-8-5-8"}, 25, "| 1 e5 trip e8 let e5 2 e8"),
    ],
)
def test_spacing_is_taken_for_the_rhythm_and_that_is_said(
    rows: dict[str, str], width: int, expected: str, tmp_path: Path
) -> None:
    found = read(staff(width=width, **rows), tmp_path)
    (only,) = found.phrase.parts
    assert write_line(only.strokes, only.bars) == expected
    assert f"bar 1: {GUESSED}" in found.told


SIX = "  " + " ".join(f"{n:<2}" for n in range(1, 13))


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (SIX + "\n" + staff(e="5-----8--5--------8", width=38), "| 1 e5 let e8 2 e5 3 e8"),
        ("Meter: 12/8\n" + TRIPLETS + "\n" + staff(e="5-8----5---8", width=28),
         "| 1 e5 trip e8 let e5 2 e8"),
        ("Time: 12/8\n" + staff(width=37, e="-5--8--5--8"), "| 1 e5 trip e8 let e5 2 e8"),
    ],
)  # fmt: skip
def test_slow_blues_is_counted_to_twelve_or_in_triplets(
    text: str, expected: str, tmp_path: Path
) -> None:
    assert line(text, tmp_path) == expected
    assert str(read(text, tmp_path).phrase.meter) == "12/8"


def test_a_meter_that_is_none_is_told(tmp_path: Path) -> None:
    with pytest.raises(TextFileError, match=r'"7/8" is not a meter'):
        read("meter: 7/8\n" + staff(e="-5-"), tmp_path)


def test_a_narrow_first_bar_is_a_pickup(tmp_path: Path) -> None:
    pick, bar = staff(e="-5-8-", width=5).split("\n"), staff(e="-8---5---").split("\n")
    text = "\n".join(a + b[2:] for a, b in zip(pick, bar, strict=True))
    assert line(text, tmp_path) == "4 e5 & e8 | 1 e8 2 e5"


def test_staves_follow_each_other_and_words_before_them_are_read(tmp_path: Path) -> None:
    text = (
        "Title: Gate latch\nKey: C minor\nTempo = 104 bpm\nShuffle\nby nobody\n\n"
        + staff(e="-5---8---5---8---")
        + "\n\n"
        + staff(G="-7")
    )
    found = read(text, tmp_path)
    phrase = found.phrase
    assert (phrase.title, str(phrase.key), int(phrase.tempo)) == ("Gate latch", "C minor", 104)
    assert phrase.bars == 2
    assert phrase.swing == ""
    assert 'line 5 is no tablature: "by nobody"' in found.told


@pytest.mark.parametrize(
    ("names", "expected", "tuning"),
    [
        ("eBGDAE", "| 1 E5 2 A7", ""),
        ("EADGBe", "| 1 E5 2 A7", ""),  # upside down
        ("ebGDAE", "| 1 E5 2 A7", ""),
        ("eBGDAD", "| 1 E5 2 A7", "drop D"),
        ("DAFCGD", "| 1 E5 2 A7", "whole step down"),
    ],
)
def test_letters_before_the_lines_tell_the_tuning(
    names: str, expected: str, tuning: str, tmp_path: Path
) -> None:
    rows = [f"{name}|{'-' * 17}|" for name in names]
    low, next_ = (0, 1) if names == "EADGBe" else (5, 4)
    rows[low] = rows[low][0] + "|-5---------------|"
    rows[next_] = rows[next_][0] + "|-----7-----------|"
    found = read("\n".join(rows), tmp_path)
    (only,) = found.phrase.parts
    assert write_line(only.strokes, only.bars) == expected
    assert found.phrase.tuning == tuning


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "there are no six lines of tablature"),
        ("Dear all, no tab today.", "there are no six lines"),
        ("\n".join(staff(e="-5").split("\n")[:4]), "in.txt:1:1: 4 lines of tablature in a row"),
        ("Key: H\n" + staff(e="-5"), "in.txt:1:1: "),
        (staff(), "there are no notes in the tablature"),
    ],
)
def test_what_is_no_tablature_is_told(text: str, message: str, tmp_path: Path) -> None:
    with pytest.raises(TextFileError, match=message):
        read(text, tmp_path)


def test_what_is_lost_is_told_with_its_bar(tmp_path: Path) -> None:
    found = read(staff(e="-5t12-<8>-8b"), tmp_path)
    for said in ("tapping, read as a hammer-on",
                 "harmonic",
                 "bend whose size is not told, taken as full"):  # fmt: skip
        assert f"bar 1: {said}" in found.told
