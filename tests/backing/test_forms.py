from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from backing.forms import Form, find_form, form_names, load_form
from phrases.errors import ChoiceError, TextFileError
from phrases.pitch import Key

# Common practice: the two blues every player knows, a root for each bar.
TWELVE = "1 1 1 1 4 4 1 1 5 4 1 5".split()
QUICK = "1 4 1 1 4 4 1 1 5 4 1 5".split()


def _degrees(form: Form, key: Key) -> list[str]:
    return [chord.degree for bar in form.bars(key) for _, chord in bar]


@pytest.mark.parametrize(("name", "degrees"), [("twelve-bar", TWELVE), ("quick-change", QUICK)])
def test_the_blues_in_a_major_key(name: str, degrees: list[str]) -> None:
    form = find_form(name)
    assert _degrees(form, Key("A")) == degrees
    assert {c.quality for bar in form.bars(Key("A")) for _, c in bar} == {"7"}
    assert all(at == 0 for bar in form.bars(Key("A")) for at, _ in bar)


@pytest.mark.parametrize(("name", "second"), [("twelve-bar", "1"), ("quick-change", "4")])
def test_the_blues_in_a_minor_key(name: str, second: str) -> None:
    bars = find_form(name).bars(Key("A", "minor"))
    assert len(bars) == 12
    # Common practice for the minor blues: minor one and four, bVI7 V7 before the last line ends.
    chords = [(bar[0][1].degree, bar[0][1].quality) for bar in bars]
    assert chords[1] == (second, "m7")
    assert chords[4] == ("4", "m7")
    assert chords[8:10] == [("b6", "7"), ("5", "7")]


def test_the_names_that_ship() -> None:
    assert set(form_names()) >= {"quick-change", "twelve-bar", "eight-bar", "sixteen-bar"}


def test_an_unknown_form_names_the_nearest() -> None:
    with pytest.raises(ChoiceError, match=r'^"twelvebar" is not a form; did you mean "twelve-'):
        find_form("twelvebar")


def _write(folder: Path, text: str) -> Path:
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_chords_share_a_bar_and_a_major_chart_darkens(tmp_path: Path) -> None:
    path = _write(tmp_path, "title = 'Mine'\nchart = 'I7 | ii7 V7 | I7 IV7 II7 V7 |'\n")
    form = load_form(path)
    assert [[at for at, _ in bar] for bar in form.major] == [
        [0],
        [0, Fraction(1, 2)],
        [0, Fraction(1, 4), Fraction(1, 2), Fraction(3, 4)],
    ]
    assert [c.quality for bar in form.minor for _, c in bar] == "m7 m7 7 m7 m7 7 7".split()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "title = 'Mine'\nchart = 'I7 | IV77 | V7'\n",
            '2:15: "IV77": "77" is not a chord quality; did you mean "IV7"?',
        ),
        (
            "title = 'Mine'\nchart = '''\nI7 | IV7 |\nX7 | I7'''\n",
            '4:1: "X7" is not a chord of a form; write a numeral and a quality: I7, iv7, bVI7',
        ),
        (
            "title = 'Mine'\nchrat = 'I7'\n",
            '2:1: "chrat" is not a key here; did you mean "chart"?',
        ),
        (
            "title = 'Mine'\nchart = 'I7 | | I7'\n",
            "2:9: bar 2 has no chord; write one, or take a | away",
        ),
        (
            "title = 'Mine'\nchart = 'I7 IV7 V7'\n",
            "2:9: bar 1 has 3 chords; a bar holds one, two or four",
        ),
        (
            "title = 'Mine'\nchart = 'I7 | imaj7'\n",
            '2:15: "imaj7": a small numeral is minor; did you mean "Imaj7"?',
        ),
        (f"title = 'Mine'\nchart = '{'I7 |' * 65}'\n", "2:9: 65 bars: a form has at most 64"),
        ("title = 5\nchart = 'I7'\n", '1:9: "title" must be text in quotes, got 5'),
    ],
)
def test_a_bad_form_file(tmp_path: Path, text: str, message: str) -> None:
    path = _write(tmp_path, text)
    with pytest.raises(TextFileError) as caught:
        load_form(path)
    assert f"{path}:{message}" in str(caught.value).splitlines()


def test_every_problem_of_a_form_file_is_named_at_once(tmp_path: Path) -> None:
    path = _write(tmp_path, "chart = 'I7 | IV77 | Q'\nfell = 'x'\n")
    with pytest.raises(TextFileError) as caught:
        load_form(path)
    assert len(caught.value.problems) == 4
