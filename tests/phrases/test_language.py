"""LANGUAGE.md is read as a guitarist reads it: every example must be so."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import phrases
from phrases.counting import METERS, PLACES
from phrases.files import (
    LINES,
    PART_KEYS,
    PHRASE_KEYS,
    RESTATED,
    TEMPOS,
    TIP_KEYS,
    read_phrase,
)
from phrases.fretboard import LAST_FRET, STRINGS
from phrases.notation import LONGEST, MOST_BARS, read_line, write_line
from phrases.performance import Played, perform
from phrases.phrase import LATEST, LEVELS, MOST_DRAG, PICKS, ROLES, TONES
from phrases.techniques import BEND_SIZES, MARKS, SLIDES, TECHNIQUES, mark

PAGE = (Path(phrases.__file__).parent / "LANGUAGE.md").read_text(encoding="utf-8")
FENCED = re.findall(r"^```(\w*)\n(.*?)^```$", PAGE, re.M | re.S)


def rows(kind: str) -> list[str]:
    return [row for found, body in FENCED if found == kind for row in body.splitlines() if row]


def pairs(kind: str) -> list[tuple[str, str]]:
    every = rows(kind)
    return list(zip(every[::2], every[1::2], strict=True))


LINES_OF_NOTES = [row for row in rows("") if not re.match("written|tidy", row)]
SPELLINGS = [row for row in rows("") if re.match("written|tidy", row)]
FILES = [body for kind, body in FENCED if kind == "toml"]
# What the page speaks of in code: `like this`.
SPOKEN = " ".join(re.findall(r"`([^`\n]+)`", re.sub(r"^```.*?^```$", "", PAGE, flags=re.M | re.S)))


def canonical(text: str) -> str:
    line = read_line(text)
    assert line.problems == []
    return write_line(line.strokes, line.bars)


def test_the_page_has_no_other_blocks() -> None:
    assert {kind for kind, _ in FENCED} == {"", "toml", "refused"}
    assert PAGE.count("```") == 2 * len(FENCED)
    assert len(LINES_OF_NOTES) >= 20
    assert len(FILES) == 2


@pytest.mark.parametrize("text", LINES_OF_NOTES)
def test_a_line_reads_and_is_canonical(text: str) -> None:
    assert canonical(text) == text


@pytest.mark.parametrize(
    ("written", "tidy"), list(zip(SPELLINGS[::2], SPELLINGS[1::2], strict=True))
)
def test_a_spelling_is_tidied_as_shown(written: str, tidy: str) -> None:
    assert written.startswith("written  ")
    assert tidy.startswith("tidy     ")
    assert written[9:] != tidy[9:]
    assert canonical(written[9:]) == canonical(tidy[9:]) == tidy[9:]


@pytest.mark.parametrize(("text", "message"), pairs("refused"))
def test_what_is_refused_is_refused_with_this_message(text: str, message: str) -> None:
    (problem,) = read_line(text).problems
    assert message in problem[1]


@pytest.mark.parametrize("text", FILES)
def test_a_file_loads(text: str) -> None:
    phrase = read_phrase(text)
    assert phrase.strokes()
    for _, variation in phrase.variations:
        assert variation.strokes()


def test_the_long_file_says_everything_that_a_file_may_say() -> None:
    keys = set(re.findall(r"^(\w+) +=|^\[\[(\w+)\]\]", FILES[0], re.M))
    assert set(PHRASE_KEYS) <= {key for pair in keys for key in pair}


def test_every_string_count_technique_and_mark_is_explained() -> None:
    for word in [*STRINGS, *filter(None, PLACES), *MARKS]:
        assert f"`{word}`" in PAGE, word
    for sign, technique in TECHNIQUES.items():
        assert re.search(rf"^\| `{re.escape(sign)}[^|]*\|[^|]*{technique.name}", PAGE, re.M), sign
    for sign in SLIDES:
        assert f"`{sign}e8`" in PAGE
    for size in BEND_SIZES:
        assert re.search(rf"^\| `{size}` \|", PAGE, re.M), size


def test_every_technique_mark_and_size_stands_in_an_example() -> None:
    strokes = [stroke for text in LINES_OF_NOTES for stroke in read_line(text).strokes]
    notes = [note for stroke in strokes for note in stroke.notes]
    assert {move.sign for note in notes for move in note.moves} == set(TECHNIQUES)
    assert {move.size for note in notes for move in note.moves} >= set(BEND_SIZES)
    assert {note.into for note in notes} == {"", *SLIDES}
    marks = {name for note in notes for name in note.marks}
    assert {name for name in marks if mark(name) and name not in MARKS} == {"45ms"}
    missing = set(MARKS) - marks
    assert missing <= {"2", "4", "late"}  # fingers and `late` need no more examples


def test_every_key_and_word_of_a_file_is_explained() -> None:
    for key in PHRASE_KEYS:
        assert re.search(rf"`{key}`|\[\[{key}\]\]", PAGE), key
    for key in {*PART_KEYS, *TIP_KEYS, "name"}:
        assert re.search(rf"^{key} +=", PAGE, re.M), key
    (restated,) = re.findall(r"restates what is different: any of (.*?), and parts", PAGE, re.S)
    assert tuple(re.findall(r"`(\w+)`", restated)) == tuple(RESTATED)
    for word in (*LINES, *TONES, *PICKS, *LEVELS, *METERS):
        assert f'"{word}"' in SPOKEN, word
    for role in ROLES:
        assert role in SPOKEN


def test_the_numbers_of_the_page_are_the_limits() -> None:
    assert f"0 (open) to {LAST_FRET}" in PAGE
    assert f"at most {MOST_BARS} bars and {LONGEST:,} characters".replace(",", " ") in PAGE
    assert f"1 to {LATEST}" in PAGE
    assert f'0 to {LATEST}, or `"auto"`' in PAGE
    assert "{} to {}".format(*TEMPOS) in PAGE
    assert f"how many beats, 0 to {MOST_DRAG}" in PAGE
    late = MARKS["late"].seconds * 1000
    assert f"{late:.0f} ms after the count" in PAGE
    assert "three times as wide" in PAGE
    assert TECHNIQUES["~~"].cents == 3 * TECHNIQUES["~"].cents


def test_a_grace_note_and_a_slide_to_a_picked_note_are_as_the_page_says() -> None:
    def played(text: str) -> list[Played]:
        return perform(read_line(text).strokes, lambda at: 10.0 + 0.6 * float(at))

    for row in ("| `G5/` then `G9` | slide to a picked note", "| `G5h7` `G5/7` | grace note"):
        assert row in PAGE
    for text in ("| 1 G5h7", "| 1 G5/7"):
        (note,) = played(text)
        assert note.curve.at(0.0) == 0.0
        assert note.curve.at(0.09) == note.curve.at(0.5) == 200.0
    first, second = played("| 1 G5/ 2 G9")
    # Past frets 6, 7 and 8, and then a pick on the ninth on the count.
    assert [glide.cents for glide in first.curve.glides] == [100.0, 200.0, 300.0, 400.0]
    assert first.curve.at(first.end - first.start - 0.001) == 300.0
    assert (second.pitch, second.start) == (first.pitch + 4, 10.6)


def test_marks_of_one_row_exclude_each_other() -> None:
    for names in re.findall(r"^\| ((?:`\w+` )+)\|", PAGE.split("### Marks")[1], re.M):
        row = [found for name in re.findall(r"`(\w+)`", names) if (found := mark(name))]
        assert len({one.kind for one in row}) <= 1, names
