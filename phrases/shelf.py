"""A folder of data files that ship, each known by its name; or a user's own file by its path."""

from __future__ import annotations

from pathlib import Path

from phrases.errors import ChoiceError
from phrases.kinds import offers
from phrases.words import expected

__all__ = ["Shelf", "is_path"]


def is_path(word: str) -> bool:
    """Tell whether a word means a file: one without a folder and a suffix is a name."""
    path = Path(word)
    return bool(path.suffix) or path.name != word


class Shelf:
    """The TOML files of one folder, each a kind of `phrases.kinds`: ``"a groove"``."""

    def __init__(self, folder: Path, what: str) -> None:
        self.folder = folder
        self.what = what

    def names(self) -> tuple[str, ...]:
        """Return the names of the files that ship, sorted."""
        return tuple(sorted(path.stem for path in self.folder.glob("*.toml")))

    def find(self, name: str, folder: Path = Path()) -> Path:
        """Return the file that a name or a path means; a path need not exist.

        `folder` is where a file of that name may lie, to be offered in the message. Raises
        `ChoiceError` if nothing that ships has this name, with the nearest one.
        """
        if is_path(name):
            return Path(name)
        if name not in self.names():
            near = {stem: f"./{file}" for stem, file in offers(folder / name, self.what).items()}
            raise ChoiceError(expected(self.what, name, self.names(), near))
        return self.folder / f"{name}.toml"
