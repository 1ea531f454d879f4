"""A folder of data files that ship, each known by its name; or a user's own file by its path."""

from __future__ import annotations

from pathlib import Path

from phrases.errors import ChoiceError
from phrases.words import expected

__all__ = ["Shelf"]


class Shelf:
    """The TOML files of one folder.

    Parameters
    ----------
    folder
        Where they lie.
    what
        What each of them is, with its article: ``"a groove"``.
    """

    def __init__(self, folder: Path, what: str) -> None:
        self.folder = folder
        self.what = what

    def names(self) -> tuple[str, ...]:
        """Return the names of the files that ship, sorted."""
        return tuple(sorted(path.stem for path in self.folder.glob("*.toml")))

    def find(self, name: str) -> Path:
        """Return the file that a name or a path means; a path need not exist.

        A word without a folder and a suffix is a name.

        Raises
        ------
        ChoiceError
            If nothing that ships has this name, with the nearest one.
        """
        path = Path(name)
        if path.suffix or path.name != name:
            return path
        if name not in self.names():
            raise ChoiceError(expected(self.what, name, self.names()))
        return self.folder / f"{name}.toml"
