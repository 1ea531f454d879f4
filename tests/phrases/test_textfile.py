from __future__ import annotations

import tomllib
from pathlib import Path
from unittest.mock import patch

import pytest

from phrases.errors import BluesError, ChoiceError, Problem, TextFileError
from phrases.textfile import TextFile, read_text, toml_value
from phrases.words import expected

TEXT = """\
name = 'tin'
size = 3
on = true

[box]
lid = 1.5

[[row]]
word = 'a'

[[row]]
word = 'b' # last
"""


@pytest.mark.parametrize("value", ['Émile\'s "box"', "a\\b", *map(chr, range(33)), "\x7f", 1.5, 3])
def test_a_value_that_is_written_is_read_again(value: str | float) -> None:
    assert tomllib.loads(f"one = {toml_value(value)}") == {"one": value}


def opened() -> TextFile:
    return TextFile(TEXT, "tin.toml")


def told(file: TextFile) -> list[Problem]:
    with pytest.raises(TextFileError) as caught:
        file.finish()
    return list(caught.value.problems)


def test_nothing_is_raised_where_nothing_is_wrong() -> None:
    file = opened()
    assert file.get(("name",), str) == "tin"
    assert file.get(("box", "lid"), float) == 1.5
    assert file.get(("row", 1, "word"), str) == "b"
    assert file.get(("none",), str, "else") == "else"
    assert file.tables("row") == [("row", 0), ("row", 1)]
    assert file.tables("none") == []
    file.finish()


def test_a_missing_value_is_told_only_where_it_is_needed() -> None:
    file = opened()
    assert file.get(("colour",), str) is None
    assert file.get(("row", 1, "colour"), str, ...) is None
    assert told(file) == [Problem('"colour" is missing', 11, 1)]


def test_a_wrong_type_is_told_and_the_default_taken() -> None:
    file = opened()
    assert file.get(("size",), str, "x") == "x"
    assert file.get(("name",), int, ...) is None
    assert told(file) == [
        Problem('"name" must be a whole number, got the text "tin"', 1, 8),
        Problem('"size" must be text in quotes, got 3', 2, 8),
    ]


def test_true_is_not_a_number() -> None:
    file = opened()
    assert file.get(("on",), int, 0) == 0
    assert told(file) == [Problem('"on" must be a whole number, got true', 3, 6)]
    assert opened().get(("on",), bool) is True


def test_what_is_not_a_table_is_told() -> None:
    file = opened()
    assert file.table(("size",)) == {}
    assert file.tables("box") == []
    assert told(file) == [
        Problem("expected a table, got 3", 2, 8),
        Problem("write one or more [[box]] headings, each with its own lines", 5, 1),
    ]


def test_unknown_keys_are_told_at_the_key() -> None:
    file = opened()
    file.known_keys(("row", 1), ["world"])
    file.known_keys(("row", 0), ["word"])
    assert told(file) == [Problem('"word" is not a key here; did you mean "world"?', 12, 1)]


def test_an_error_of_a_reader_is_told_at_the_value() -> None:
    def fails(value: str) -> str:
        raise ChoiceError(f"not {value}")

    file = opened()
    assert file.attempt(("name",), str.upper, "tin") == "TIN"
    assert file.attempt(("name",), fails, "tin") is None
    assert told(file) == [Problem("not tin", 1, 8)]


def test_a_reader_may_not_fail_otherwise() -> None:
    with pytest.raises(ValueError, match="invalid literal for int"):
        opened().attempt(("name",), int, "tin")


def test_a_place_in_a_value_counts_its_characters() -> None:
    file = opened()
    file.complain(("row", 1, "word"), "the end", offset=1)
    file.complain(("name",), "the start", offset=0)
    file.complain(("row", 1, "word"), "past the end", offset=99)
    assert told(file) == [
        Problem("the start", 1, 9),
        Problem("the end", 12, 10),
        Problem("past the end", 12, 10),
    ]


def test_a_place_that_is_not_there_is_the_nearest_around_it() -> None:
    file = opened()
    file.complain(("box", "hinge", 3), "in the box")
    file.complain(("elsewhere",), "nowhere")
    assert told(file) == [Problem("nowhere", 1, 1), Problem("in the box", 5, 1)]


@pytest.mark.parametrize(
    ("text", "where", "line", "column"),
    [
        ("a = [1, [2, 'x']]", ("a", 1, 1), 1, 13),
        ("a = [\n  1, # one\n  2,\n]", ("a", 1), 3, 3),
        ("a = { b = 1, c = { d = 2 } }", ("a", "c", "d"), 1, 24),
        ("a.b.c = 1", ("a", "b", "c"), 1, 9),
        ("[a]\nb = 1\n[a.c]\nd = 2", ("a", "c", "d"), 4, 5),
        ("[[a]]\n[[a.b]]\nc = 1\n[[a]]\n[[a.b]]\nc = 2", ("a", 1, "b", 0, "c"), 6, 5),
        ("[[a]]\n[a.b]\nc = 1\n[[a]]\n[a.b]\nc = 2", ("a", 1, "b", "c"), 6, 5),
        ("[[a]]\nx.y = 1\n[[a]]\nx.y = 2", ("a", 1, "x", "y"), 4, 7),
        ("'a' = 1\n\"b\" = 2", ("b",), 2, 7),
        ("'é' = 'x'", ("é",), 1, 7),
        ("# é\n'é' = 'é' # é\nb = 2", ("b",), 3, 5),
    ],
)
def test_places_of_values(text: str, where: tuple[str | int, ...], line: int, column: int) -> None:
    file = TextFile(text, "tin.toml")
    file.complain(where, "here")
    assert told(file) == [Problem("here", line, column)]


def test_an_error_lists_its_problems_in_order_of_place() -> None:
    error = TextFileError("tin.toml", (Problem("b", 2, 1), Problem("a", 1, 9), Problem("c")))
    assert str(error) == "tin.toml: c\ntin.toml:1:9: a\ntin.toml:2:1: b"
    assert isinstance(error, BluesError)
    assert isinstance(error, ValueError)


def test_text_is_read_without_its_byte_order_mark(tmp_path: Path) -> None:
    path = tmp_path / "tin.txt"
    path.write_bytes(b"\xef\xbb\xbfa\r\nb")
    assert read_text(path) == "a\r\nb"
    assert TextFile.open(_written(tmp_path, TEXT)).data["size"] == 3


def _written(folder: Path, text: str) -> Path:
    path = folder / "tin.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_at_most_twenty_problems_are_told() -> None:
    file = TextFile("a = 1", "many.toml")
    for number in range(25):
        file.complain(("a",), f"problem {number}")
    with pytest.raises(TextFileError, match=r"problem 19\nmany\.toml: and 5 more$"):
        file.finish()


def test_what_is_no_file_is_not_read() -> None:
    with pytest.raises(TextFileError, match=r"/dev/null: is not a file; name a text file"):
        read_text(Path("/dev/null"))


def test_tables_within_tables_are_found_and_told_by_their_heading() -> None:
    file = TextFile("[[a]]\n[[a.b]]\nc = 1\n[[a.b]]\nc = 2\n[[a]]\nb = 3\n", "tin.toml")
    assert file.tables("a") == [("a", 0), ("a", 1)]
    assert file.tables("a", 0, "b") == [("a", 0, "b", 0), ("a", 0, "b", 1)]
    assert file.get(("a", 0, "b", 1, "c"), int) == 2
    assert file.tables("a", 1, "b") == []
    assert told(file) == [
        Problem("write one or more [[a.b]] headings, each with its own lines", 7, 5)
    ]


def test_one_of_several_types_is_told_by_all_their_names() -> None:
    file = TextFile("a = []\nb = true\nc = '1.5'\nd = 2", "tin.toml")
    assert file.get(("a",), (int, str), 7) == 7
    assert file.get(("b",), (int, float)) is None
    assert file.get(("c",), (int, float), 0) == 0
    assert file.get(("d",), (int, str)) == 2
    assert told(file) == [
        Problem('"a" must be a whole number or text in quotes, got a list', 1, 5),
        Problem('"b" must be a number, got true', 2, 5),
        Problem('"c" must be a number, got the text "1.5"; write it without quotes', 3, 5),
    ]


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ('a = "x\nb = 1', "; is a closing quote missing on this line?"),
        ("a = 'x\nb = 'y'", "; is a closing quote missing on this line?"),
        ("a = 'x\nb = 1", "; is a closing quote missing on this line?"),
        ("a = shuffle", "; text stands between quotes"),
        ("a = 1\na = 2", "; headings that come more than once have two brackets: [[part]]"),
        ("[a]\n[a]", "; headings that come more than once have two brackets: [[part]]"),
        ('a = "\\7"', "; write notes between single quotes '...' so that \\ stays a slide"),
    ],
)
def test_what_is_not_toml_comes_with_a_hint(text: str, hint: str) -> None:
    with pytest.raises(TextFileError) as caught:
        TextFile(text, "tin.toml")
    (problem,) = caught.value.problems
    assert problem.message.startswith("not valid TOML: ")
    assert problem.message.endswith(hint)


@pytest.mark.parametrize("letter", ["\\u001b", "\\u0007", "\\u0085", "\\u007f"])
def test_what_could_steer_a_terminal_is_no_text(letter: str) -> None:
    file = TextFile(f'a = 1\nname = "x{letter}[31m"\nmore = "one\\ttwo\\nthree"\n', "t.toml")
    assert file.get(("name",), str) is None
    assert file.get(("more",), str) == "one\ttwo\nthree"
    (problem,) = told(file)
    assert (problem.line, problem.column) == (2, 8)
    assert "control character" in problem.message


def test_what_was_meant_by_a_key_is_looked_for_only_where_it_is_told() -> None:
    text = "".join(f"titel{n} = 1\n" for n in range(3000))
    file = TextFile(text, "x.toml")
    with patch("phrases.textfile.expected", wraps=expected) as looked:
        file.known_keys((), ("title",))
    assert looked.call_count == 20
    with pytest.raises(TextFileError) as told:
        file.finish()
    assert all("title" in one.message for one in told.value.problems)
    assert (len(told.value.problems), told.value.more) == (20, 2980)
