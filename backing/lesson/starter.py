"""Files to start from: a phrase and a lesson whose comments teach their formats.

Both are whole: a new phrase plays and a new lesson makes a folder as they stand.
"""

from __future__ import annotations

import re
from pathlib import Path

from phrases.errors import Problem, RangeError, TextFileError
from phrases.rewrite import replace_file
from phrases.textfile import toml_value

__all__ = ["LONGEST_NAME", "starter", "write_starter"]

LONGEST_NAME = 80

HERE = Path(__file__).parent


def starter(name: str, *, lesson: bool = False, folder: str = "lesson", phrase: str = "") -> str:
    """Return the text of a new file.

    The title is made from the file's `name`, ``my-phrase.toml``; a lesson's first comment names
    the `folder` for its files. A lesson of a `phrase`, a file, takes that one's keys and tempos.
    """
    stem = Path(name).stem
    title = re.sub(r"[-_\s]+", " ", stem).strip()
    title = (title[:1].upper() + title[1:]) or stem
    title = title.replace("\\", "\\\\").replace('"', '\\"')
    told = {"title": title, "file": name, "folder": folder}
    text = (HERE / f"new-{'lesson' if lesson else 'phrase'}.toml").read_text(encoding="utf-8")
    text = re.sub(r"\{(title|file|folder)\}", lambda found: told[found[1]], text)
    if phrase:
        text = text.replace('"pot-lid"           ', toml_value(phrase))
        text = re.sub(r"^(keys|tempos) ", r"# \1 ", text, flags=re.MULTILINE)
    return text


def write_starter(path: Path, *, lesson: bool = False, author: str = "", phrase: str = "") -> Path:
    """Write a new file and return its path, which ends in ``.toml``.

    Raises `RangeError` if its name is empty, too long, or has letters that no file's name should
    have; `TextFileError` if there is such a file already, or it cannot be written.
    """
    if path.suffix.lower() != ".toml":
        path = path.with_name(f"{path.name}.toml") if path.name else path
    stem = path.stem if path.name else ""
    if not stem.strip(". ") or len(stem) > LONGEST_NAME or not stem.isprintable():
        raise RangeError(
            f'"{path.name[:LONGEST_NAME]}" cannot be a file\'s name; write a short one, '
            "such as porch-light"
        )
    if path.exists() or path.is_symlink():
        raise TextFileError(str(path), (Problem("is there already; choose another name"),))
    text = starter(path.name, lesson=lesson, folder=path.stem, phrase=phrase)
    if author:
        told = f"author = {toml_value(author)}"
        text = re.sub(r'# author *= "[^"]*"', lambda _: told, text)
    replace_file(path, text)
    return path
