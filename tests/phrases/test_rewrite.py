from __future__ import annotations

import re
import stat
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from phrases._places import Places
from phrases.errors import RangeError, TextFileError
from phrases.files import find_phrase, read_phrase, shipped
from phrases.pitch import KEYS, Key
from phrases.refinger import refinger
from phrases.rewrite import WIDTH, replace_file, tidy, with_phrase
from phrases.transpose import transpose

UNTIDY = """\
# A porch, an evening.
title  = "Dry well"     # its name
key    = 'A'            # where it lies
tempo  = 96
groove = "shuffle"

[[part]]
role  = "call"
notes = "|  1 e5   2 B8 2& B5 |"     # the question

[[part]]
role  = "response"
notes = '''
   4 e5 4& e8
   | 1 B5~
'''
[[variation]]
name = "held"
part = [{ notes = '|1 e8   2  .', role = "call" }]  # all on one line
"""

TIDY = """\
# A porch, an evening.
title  = "Dry well"     # its name
key    = 'A'            # where it lies
tempo  = 96
groove = "shuffle"

[[part]]
role  = "call"
notes = '| 1 e5 2 B8 & B5'     # the question

[[part]]
role  = "response"
notes = '4 e5 & e8 | 1 B5~'
[[variation]]
name = "held"
part = [{ notes = '| 1 e8 2 .', role = "call" }]  # all on one line
"""

BAR = "1 e5 & e8 2 B5 & B8 3 G5 & G7"
OTHER = "1 e5 & e8 2 B5 & B8 3 G5 & G9"


def long(bars: int) -> str:
    # Each bar differs from the one before: what is equal is written as %.
    line = " | ".join(BAR if number % 2 == 0 else OTHER for number in range(bars))
    return f"title = 't'\nkey = 'A'\ntempo = 90\n[[part]]\nnotes = '4 e5 | {line}' # c\n"


def test_only_notes_change() -> None:
    assert tidy(UNTIDY) == TIDY


def test_tidy_twice_is_tidy() -> None:
    assert tidy(TIDY) == TIDY


def test_a_long_line_is_broken_at_bar_lines() -> None:
    text = tidy(long(4))
    lines = text.splitlines()
    assert lines[4] == "notes = '''"
    assert lines[5:-1] == [f"4 e5 | {BAR} | {OTHER}", f"| {BAR} | {OTHER}"]
    assert lines[-1] == "''' # c"
    assert max(len(line) for line in lines) <= WIDTH
    assert tidy(text) == text
    assert read_phrase(text) == read_phrase(long(4))


def test_a_line_of_the_full_width_is_not_broken() -> None:
    start = "title = 't'\nkey = 'A'\ntempo = 90\n[[part]]\n"
    fits = f"notes = '| 1 e8{'h9p8' * 18}'"
    assert len(fits) == WIDTH
    assert tidy(f"{start}{fits}\n") == f"{start}{fits}\n"
    wide = tidy(f"{start}{fits[:-1]}~'\n")
    # One bar has no bar line inside to be broken at.
    assert wide == start + "notes = '''\n" + fits[9:-1] + "~\n'''\n"
    assert tidy(wide) == wide


def test_line_ends_stay() -> None:
    for text in (UNTIDY, long(4)):
        crlf = text.replace("\n", "\r\n")
        assert tidy(crlf) == tidy(text).replace("\n", "\r\n")


def test_backslashes_and_letters_beyond_ascii_survive() -> None:
    text = UNTIDY.replace("evening", "soirée ♭ 🎸").replace("2 B8 2&", "2 B8\\\\6 2&")
    assert "soirée ♭ 🎸" in tidy(text)
    assert "'| 1 e5 2 B8\\6 & B5'     # the question" in tidy(text)
    assert read_phrase(tidy(text)) == read_phrase(text)


def test_what_is_no_phrase_is_refused_by_name() -> None:
    broken = UNTIDY.replace("|  1 e5", "|  1 H5")
    with pytest.raises(TextFileError, match=r'^well\.toml:9:15: "H" is not a string'):
        tidy(broken, "well.toml")


@pytest.mark.parametrize("name", shipped())
def test_the_library_tidied_is_the_same_music(name: str) -> None:
    text = find_phrase(name).read_text(encoding="utf-8")
    new = tidy(text)
    assert tidy(new) == new
    assert read_phrase(new) == read_phrase(text)
    stripped = [line for line in text.splitlines() if "=" in line and "notes" not in line]
    assert [line for line in new.splitlines() if "=" in line and "notes" not in line] == stripped


COUNTS = ["1", "&", "2", "2trip", "2let", "3", "3a", "4", "4&"]
PLACES = ["e8", "B5~", "G7b(full)r", "D5/7", "G5+B5", "Gx", ".", "E0", "e8{d1 accent}", "G7{45ms}"]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.lists(st.tuples(st.sampled_from(COUNTS), st.sampled_from(PLACES)), min_size=1),
        min_size=1,
        max_size=6,
    ),
    st.sampled_from(["'", '"', "'''", '"""']),
    st.sampled_from([" ", "   ", "\t"]),
)
def test_any_line_tidied_is_the_same(
    bars: list[list[tuple[str, str]]], quote: str, space: str
) -> None:
    texts = []
    for bar in bars:
        things = dict(bar)
        words = [f"{count}{space}{things[count]}" for count in COUNTS if count in things]
        texts.append(space.join(["1", "e8", *words] if "1" not in things else words))
    line = "| " + f"{space}|{space}".join(texts)
    assume(re.search(r"[EADGBe](\d|x)", line))
    text = f"title = 't'\nkey = 'A'\ntempo = 90\n[[part]]\n  notes   = {quote}{line}{quote}\t# c\n"
    new = tidy(text)
    assert tidy(new) == new
    assert read_phrase(new) == read_phrase(text)
    assert new.startswith("title = 't'\nkey = 'A'\ntempo = 90\n[[part]]\n  notes   = '")
    assert new.endswith("'\t# c\n")


@pytest.mark.parametrize("key", KEYS, ids=str)
def test_the_text_of_a_transposed_phrase(key: Key) -> None:
    before = read_phrase(UNTIDY)
    after = transpose(before, key)
    text = with_phrase(UNTIDY, after)
    assert read_phrase(text) == after
    assert f"key    = '{key}'" in text
    assert tomllib.loads(text)["title"] == "Dry well"
    for comment in ("# A porch", "# its name", "# where it lies", "# the question", "# all on"):
        assert comment in text


def test_the_same_phrase_leaves_the_text_alone() -> None:
    assert with_phrase(UNTIDY, read_phrase(UNTIDY)) == UNTIDY


def test_only_the_parts_that_differ_are_written() -> None:
    text = with_phrase(UNTIDY, refinger(read_phrase(UNTIDY), 5, strings="GBe"))
    assert text == UNTIDY
    text = with_phrase(UNTIDY, refinger(read_phrase(UNTIDY), 9))
    assert "notes = '| 1 B10 2 G12 & G9'     # the question" in text
    same = read_phrase(UNTIDY)
    moved = replace(same, parts=(same.parts[0], transpose(same, Key("B")).parts[1]))
    moved = replace(moved, variations=same.variations)
    with pytest.raises(RangeError):  # the variation has the old response still
        with_phrase(UNTIDY, moved)


def test_variations_are_written_where_they_stand() -> None:
    text = with_phrase(UNTIDY, transpose(read_phrase(UNTIDY), Key("B")))
    assert "part = [{ notes = '| 1 e10 2 .', role = \"call\" }]  # all on one line" in text


def test_parts_of_one_role_are_told_apart() -> None:
    two = (
        "title = 't'\nkey = 'A'\ntempo = 90\n[[part]]\nnotes = '| 1 e5'\n[[part]]\n"
        "notes = '| 1 e6'\n[[variation]]\nname = 'v'\n[[variation.part]]\nnotes = '| 1 e7'\n"
        "[[variation.part]]\nnotes = '| 1 e8'\n"
    )
    text = with_phrase(two, transpose(read_phrase(two), Key("B")))
    assert [line for line in text.splitlines() if "notes" in line] == [
        f"notes = '| 1 e{fret}'" for fret in (7, 8, 9, 10)
    ]


def test_another_phrase_is_refused() -> None:
    other = read_phrase(UNTIDY.replace("Dry well", "Wet well"))
    with pytest.raises(RangeError, match=r'^"Wet well" differs from well\.toml in more than'):
        with_phrase(UNTIDY, other, "well.toml")


def test_spans_of_values() -> None:
    places = Places(UNTIDY)
    for path, value in {
        ("title",): '"Dry well"',
        ("part", 0, "notes"): '"|  1 e5   2 B8 2& B5 |"',
        ("variation", 0, "part", 0, "notes"): "'|1 e8   2  .'",
    }.items():
        span = places.span(path)
        assert span is not None
        assert UNTIDY[slice(*span)] == value
    assert places.span(("part", 5, "notes")) is None


def test_a_file_is_replaced_as_a_whole_and_keeps_its_permissions(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    path.write_text("old", encoding="utf-8")
    path.chmod(0o640)
    link = tmp_path / "link.toml"
    link.symlink_to(path)
    replace_file(link, "new\r\nline\n")
    assert path.read_bytes() == b"new\r\nline\n"
    assert link.is_symlink()
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.toml", "link.toml"]


def test_a_new_file_has_the_usual_permissions(tmp_path: Path) -> None:
    usual = tmp_path / "usual"
    usual.touch()
    replace_file(tmp_path / "new.toml", "x")
    assert (tmp_path / "new.toml").stat().st_mode == usual.stat().st_mode


def test_a_file_that_cannot_be_written_is_told_and_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(TextFileError, match=r"cannot be written: the folder .* does not exist"):
        replace_file(tmp_path / "none" / "a.toml", "x")
    with pytest.raises(TextFileError, match="cannot be written: it is not a file"):
        replace_file(tmp_path, "x")
    path = tmp_path / "a.toml"
    path.write_text("old", encoding="utf-8")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(TextFileError, match=r"a\.toml: cannot be written: No space left"):
        replace_file(path, "new")
    assert path.read_text(encoding="utf-8") == "old"
    assert list(tmp_path.iterdir()) == [path]
