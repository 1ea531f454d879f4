"""What somebody has set once for all commands: a file in the platform's place for such.

An option goes before its environment variable, that before the file, the file before what is
usual.
"""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any

from phrases.textfile import TextFile

__all__ = ["SETTINGS", "VARIABLE", "place", "remember", "settings"]

VARIABLE = "BACKING_CONFIG"  # names another file
Kind = type | tuple[type, ...]

# Each setting's type, and what it is; the option's name is the setting's.
SETTINGS: dict[str, tuple[Kind, str]] = {
    "soundfont": (str, "the soundfont for audio"),
    "card": (str, "the sound card that plays"),
    "input": (str, "the sound card that records"),
    "port": (str, "the MIDI output to play on"),
    "pedal": (str, "the foot pedal and its keys"),
    "looseness": ((int, float), "how far the band is from the grid, 0 to 2"),
    "seed": (int, "which way of playing it"),
    "author": (str, "who makes new phrases and lessons"),
}


def place() -> Path:
    """Return where the file is, which need not be there."""
    if os.environ.get(VARIABLE):
        return Path(os.environ[VARIABLE])
    import platformdirs

    return Path(platformdirs.user_config_dir("porchband", appauthor=False)) / "config.toml"


def settings() -> dict[str, Any]:
    """Return the settings of the file; none where there is no file.

    Raises `TextFileError` with each problem at its line and column.
    """
    path = place()
    if not path.exists():
        return {}
    file = TextFile.open(path)
    file.known_keys((), SETTINGS)
    found = {name: file.get((name,), kind) for name, (kind, _) in SETTINGS.items()}
    file.finish()
    if found["soundfont"]:
        found["soundfont"] = str(path.parent / Path(found["soundfont"]).expanduser())
    return {name: value for name, value in found.items() if value is not None}


def remember(name: str, value: str | float) -> Path:
    """Write a setting into the file, whose other lines stay as they are; return the file.

    Raises `TextFileError` if the file has a mistake in it or cannot be written.
    """
    from phrases.rewrite import replace_file
    from phrases.textfile import toml_value

    settings()
    path = place()
    text = path.read_text(encoding="utf-8-sig") if path.exists() else ""
    line = f"{name} = {toml_value(value)}\n"
    new, count = re.subn(rf"(?m)^{name}\s*=.*(\n|\Z)", lambda _: line, text)
    path.parent.mkdir(parents=True, exist_ok=True)
    if not count:
        new = line + text
    replace_file(path, new)
    return path
