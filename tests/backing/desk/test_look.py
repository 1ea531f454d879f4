"""What the desk shows of a text: mistakes in their place, notes on the sheet."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from backing.desk.look import look, parsed, words
from phrases.files import shipped
from tests.backing.desk.material import PORCH

TEXT = PORCH.read_text(encoding="utf-8")


def mended(text: str, problem: dict[str, Any]) -> str:
    """Return a text after the first button of a mistake was pressed; places count UTF-16 units."""
    wide, fix = text.encode("utf-16-le"), problem["fixes"][0]
    new: bytes = fix["text"].encode("utf-16-le")
    return (wide[: 2 * fix["from"]] + new + wide[2 * fix["to"] :]).decode("utf-16-le")


@pytest.mark.parametrize(
    ("right", "wrong"),
    [('"shuffle"', '"shufle"'), ("groove =", "grove ="), ('"call"', '"cal"'), ("B8 |", "8B |"),
     ("4 e8p5 &", "4 e8h5 &")],
)  # fmt: skip
def test_a_mistake_is_mended_by_its_button(right: str, wrong: str) -> None:
    before = TEXT.replace('"Porch light"', '"Porch 𝄞 light"')  # two UTF-16 units
    text = before.replace(right, wrong, 1)
    found = look(PORCH, PORCH.parent, text, "phrase")
    assert len(found["problems"]) == 1, found["problems"]
    assert mended(text, found["problems"][0]) == before


@pytest.mark.parametrize("name", ["porch", *list(shipped())[:3]])
def test_every_note_of_the_text_is_on_the_sheet(name: str) -> None:
    path = shipped().get(name, PORCH)
    text = path.read_text(encoding="utf-8")
    found = look(path, path.parent, text, "phrase")
    drawn = "".join(one["svg"] for one in found["systems"])
    for number, one in enumerate(found["spots"]):
        word = text[one["from"] : one["to"]]  # no letter here takes two units
        assert f'data-spot="{number}"' in drawn, word
        place = re.match(r"[/\\]?([EADGBe])(\d+)", word)
        if place:
            assert [place[1], int(place[2])] == list(one["notes"][0][:2]), word


def test_no_groove_outside_the_folder_is_read(tmp_path: Path) -> None:
    path = tmp_path / "in" / "porch.toml"
    path.parent.mkdir()
    (tmp_path / "secret.toml").write_text("title = 'secret'", encoding="utf-8")
    for word in ("../secret.toml", "/etc/passwd.toml"):
        text = TEXT.replace('"shuffle"', f'"{word}"')
        found = look(path, path.parent, text, "phrase")
        assert [one["message"] for one in found["problems"]] == ["this leads out of the folder"]


@pytest.mark.parametrize("key", ["scale", "groove", "tone", "pick", "level", "lines", "swing"])
def test_what_is_offered_is_taken(key: str) -> None:
    body = re.sub(rf"^{key} .*\n", "", TEXT, flags=re.M)
    for word, _ in words()["values"][key]:
        assert parsed(PORCH, f'{key} = "{word}"\n{body}').title == "Porch light"
