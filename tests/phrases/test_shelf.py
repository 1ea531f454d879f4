from __future__ import annotations

from pathlib import Path

import pytest

from phrases.errors import ChoiceError
from phrases.shelf import Shelf


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    for name in ("walk.toml", "amble.toml", "notes.txt"):
        (tmp_path / name).touch()
    return Shelf(tmp_path, "a pace")


def test_names_are_sorted_and_only_of_toml_files(shelf: Shelf) -> None:
    assert shelf.names() == ("amble", "walk")


def test_a_name_finds_its_file(shelf: Shelf, tmp_path: Path) -> None:
    assert shelf.find("walk") == tmp_path / "walk.toml"


@pytest.mark.parametrize("path", ["./mine", "mine.toml", "here/mine.toml", "/here/mine"])
def test_a_path_is_taken_as_it_is(shelf: Shelf, path: str) -> None:
    assert shelf.find(path) == Path(path)


def test_an_unknown_name_is_told_with_the_nearest(shelf: Shelf) -> None:
    with pytest.raises(ChoiceError, match=r'"wlk" is not a pace; did you mean "walk"\?'):
        shelf.find("wlk")


def test_a_file_of_the_kind_that_lies_here_is_offered(tmp_path: Path) -> None:
    ships, here = tmp_path / "ships", tmp_path / "here"
    ships.mkdir()
    here.mkdir()
    (ships / "slow.toml").touch()
    (here / "bp.toml").write_text("[[drums]]\nride = '1'\n", encoding="utf-8")
    (here / "bpm.toml").write_text("title = 'x'\nchart = 'I7'\n", encoding="utf-8")
    grooves = Shelf(ships, "a groove")
    with pytest.raises(ChoiceError, match=r'"bp" is not a groove; did you mean "\./bp\.toml"\?'):
        grooves.find("bp", here)
    with pytest.raises(ChoiceError, match=r'did you mean "\./bp\.toml"\?'):
        grooves.find("bpm", here)  # which is a form
    with pytest.raises(ChoiceError, match=r'did you mean "\./bpm\.toml"\?'):
        Shelf(ships, "a form").find("bpm", here)
