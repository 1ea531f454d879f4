from __future__ import annotations

from pathlib import Path

import pytest

from backing.forms import load_form
from backing.grooves import load_groove
from backing.lesson.lesson import read_lesson
from backing.practice import read_plan
from phrases.errors import TextFileError
from phrases.files import load_phrase

TEXTS = {
    "a phrase": "title = 'x'\nkey = 'A'\ntempo = 90\n[[part]]\nnotes = '1 e5'\n",
    "a lesson": "title = 'x'\n[[phrase]]\nfile = 'p.toml'\n",
    "a groove": "title = 'x'\n[[drums]]\nride = '1'\n",
    "a form": "title = 'x'\nchart = 'I7 | IV7'\n",
    "a practice plan": "from = 60\npart = 'call'\n",
}
READERS = {
    "a phrase": load_phrase,
    "a lesson": read_lesson,
    "a groove": load_groove,
    "a form": load_form,
    "a practice plan": read_plan,
}


@pytest.mark.parametrize("kind", TEXTS)
@pytest.mark.parametrize("wanted", TEXTS)
def test_a_file_of_another_kind_is_told_in_one_sentence(
    tmp_path: Path, kind: str, wanted: str
) -> None:
    path = tmp_path / "x.toml"
    path.write_text(TEXTS[kind], encoding="utf-8")
    try:
        READERS[wanted](path)  # type: ignore[operator]
        told = ""
    except TextFileError as error:
        told = str(error)
    assert (f"this is {kind}, not {wanted}; " in told) == (kind != wanted)
    assert kind == wanted or "\n" not in told


@pytest.mark.parametrize("kind", TEXTS)
def test_for_a_missing_file_only_one_of_its_kind_is_offered(tmp_path: Path, kind: str) -> None:
    for number, text in enumerate(TEXTS.values()):
        (tmp_path / f"gone-{number}.toml").write_text(text, encoding="utf-8")
    with pytest.raises(TextFileError) as caught:
        READERS[kind](tmp_path / "gone.toml")  # type: ignore[operator]
    number = list(TEXTS).index(kind)
    assert str(caught.value).endswith(
        f': there is no such file; did you mean "gone-{number}.toml"?'
    )


def test_a_file_with_a_slip_in_it_is_offered_where_its_name_is_the_nearest(tmp_path: Path) -> None:
    (tmp_path / "kitchen.toml").write_text("title = 'x\n", encoding="utf-8")
    (tmp_path / "in-e.toml").write_text(TEXTS["a phrase"], encoding="utf-8")
    with pytest.raises(TextFileError, match=r'did you mean "kitchen\.toml"\?$'):
        load_phrase(tmp_path / "kichen.toml")
