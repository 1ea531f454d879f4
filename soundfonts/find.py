"""Where soundfonts lie, and which one to take.

The order: the one asked for, the environment variable `VARIABLE`, the user's data folder, the
system's folders, the one inside the pretty_midi wheel. A folder offers its files in order of
name. References: the header of a soundfont is that of SoundFont 2.04, section 4: a RIFF chunk
of form ``sfbk``.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from shutil import which

from phrases.errors import BluesError

__all__ = [
    "BETTER", "GAIN", "VARIABLE", "Soundfont", "SoundfontError", "check_soundfont", "embedded",
    "find_soundfont", "how_to_get", "installed", "user_folder",
]  # fmt: skip

VARIABLE = "BACKING_SOUNDFONT"
SUFFIXES = (".sf2", ".sf3")
SYSTEM_FOLDERS = (
    "/usr/share/sounds/sf2",
    "/usr/share/sounds/sf3",
    "/usr/share/soundfonts",
    "/usr/local/share/soundfonts",
    "/opt/homebrew/share/soundfonts",
)

# Free soundfonts that sound better than the embedded one: package, megabytes, licence.
BETTER: tuple[tuple[str, int, str], ...] = (
    ("fluid-soundfont-gm", 145, "MIT"),
    ("fluidr3mono-gm-soundfont", 23, "MIT"),
)
# Measured: of a kit's 11 samples in the embedded one 7 are shorter, half of those in the first of
# the better ones last a second and longer.
GAIN = (
    "drums in stereo, recorded for as long as they ring: most samples of the small one are "
    "shorter than 0.2 s, and its cymbals go round in a loop"
)
# How the first of them is had, by the command that installs packages; from memory but Debian's.
HOW_TO_GET = {
    "apt-get": "sudo apt-get install fluid-soundfont-gm",
    "dnf": "sudo dnf install fluid-soundfont-gm",
    "pacman": "sudo pacman -S soundfont-fluid",
}
OTHERWISE = "download Debian's package fluid-soundfont-gm and take the .sf2 out of it"


class SoundfontError(BluesError, LookupError):
    """A soundfont that is missing or is not one."""


@dataclass(frozen=True, slots=True)
class Soundfont:
    """A soundfont file and how it was found."""

    path: Path  # the file
    origin: str  # ``option``, ``variable``, ``user``, ``system`` or ``wheel``


def user_folder() -> Path:
    """Return the user's own soundfont folder, which need not exist."""
    import platformdirs

    return Path(platformdirs.user_data_dir("porchband", appauthor=False)) / "soundfonts"


def check_soundfont(path: Path) -> None:
    """Check that a file can be read and begins as a soundfont does; SoundfontError if not."""
    if path.exists() and not path.is_file():
        raise SoundfontError(f"{path}: is not a file; name a soundfont (.sf2 or .sf3)")
    try:
        with path.open("rb") as file:
            head = file.read(12)
    except FileNotFoundError:
        raise SoundfontError(
            f"{path}: there is no such soundfont; `backing list soundfonts` shows what is here"
        ) from None
    except OSError as error:
        raise SoundfontError(f"{path}: cannot be read: {error.strerror}") from None
    if head[:4] != b"RIFF" or head[8:12] != b"sfbk":
        raise SoundfontError(
            f"{path}: not a soundfont (.sf2 or .sf3); `backing list soundfonts` shows what is here"
        )


def _in_folder(folder: Path) -> list[Path]:
    try:
        return sorted(p for p in folder.iterdir() if p.suffix.lower() in SUFFIXES)
    except OSError:
        return []


def embedded() -> Path | None:
    """Return the soundfont inside the pretty_midi wheel, if it is there."""
    spec = find_spec("pretty_midi")
    if spec is None or spec.origin is None:
        return None
    path = Path(spec.origin).parent / "TimGM6mb.sf2"
    return path if path.exists() else None


def _candidates() -> Iterator[Soundfont]:
    named = os.environ.get(VARIABLE)
    if named:
        yield Soundfont(Path(named), "variable")
    for path in _in_folder(user_folder()):
        yield Soundfont(path, "user")
    for folder in SYSTEM_FOLDERS:
        for path in _in_folder(Path(folder)):
            yield Soundfont(path, "system")
    if sys.platform == "darwin":
        for path in _in_folder(Path.home() / "Library/Audio/Sounds/Banks"):
            yield Soundfont(path, "system")
    wheel = embedded()
    if wheel is not None:
        yield Soundfont(wheel, "wheel")


def installed() -> list[Soundfont]:
    """Return the usable soundfonts of this machine, the one taken by default first."""
    found: dict[Path, Soundfont] = {}
    for soundfont in _candidates():
        try:
            check_soundfont(soundfont.path)
        except SoundfontError:
            continue
        found.setdefault(soundfont.path.resolve(), soundfont)
    return list(found.values())


def how_to_get() -> str:
    """Return the command that gets the first of `BETTER` on this system."""
    return next((how for name, how in HOW_TO_GET.items() if which(name)), OTHERWISE)


def find_soundfont(asked: str | Path | None = None) -> Soundfont:
    """Return the soundfont to use.

    The one asked for wins; None looks around. SoundfontError if the one asked for, or named by the
    environment variable, is not a soundfont, or if there is none at all.
    """
    if asked is not None:
        check_soundfont(Path(asked))
        return Soundfont(Path(asked), "option")
    for soundfont in _candidates():
        if soundfont.origin == "variable":
            check_soundfont(soundfont.path)
            return soundfont
        try:
            check_soundfont(soundfont.path)
        except SoundfontError:
            continue
        return soundfont
    raise SoundfontError(
        "no soundfont found; install one (Debian: fluid-soundfont-gm) or name one with --soundfont"
    )
