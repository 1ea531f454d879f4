"""Unforeseen failures as one error: what failed, at what, and a report of it.

Where the environment variable `RAISED` is set, the failure itself is raised, for who works on this
program.
"""

from __future__ import annotations

import os
import platform
import sys
import tempfile
import time
import traceback
from importlib.metadata import PackageNotFoundError, packages_distributions, version
from pathlib import Path

from phrases.errors import BluesError

__all__ = ["RAISED", "ProgramError", "named"]

RAISED = "BACKING_TRACEBACK"
OWN = ("backing", "phrases", "soundfonts")


class ProgramError(BluesError, RuntimeError):
    """A fault of this program, or of a library that it uses."""


def named(error: Exception, about: str) -> ProgramError:
    """Return a failure as an error that says what failed, after saving a report.

    `about` is what was being worked on: a file, or a command.
    """
    if os.environ.get(RAISED):
        raise error
    library = _library(error)
    said = " ".join(str(error).split())[:200]
    what = f"{library}: " if library else ""
    found = f"{about}: {what}{type(error).__name__}{f': {said}' if said else ''}"
    report = _saved(error, about, library)
    where = f"; {report} says more, please send it" if report else ""
    return ProgramError(f"{found}. This is a fault of the program, not yours{where}")


def _library(error: Exception) -> str:
    """Return the package in which an error was raised, empty for this program."""
    frames = [
        frame.f_globals.get("__name__", "") for frame, _ in traceback.walk_tb(error.__traceback__)
    ]
    name = str(frames[-1]).partition(".")[0] if frames else ""
    return "" if name in OWN or name in sys.stdlib_module_names else name


def _saved(error: Exception, about: str, library: str) -> Path | None:
    import platformdirs

    packages = ["porchband", *packages_distributions().get(library, ())]
    lines = [
        f"command: {' '.join(sys.argv)}",
        f"about: {about}",
        f"Python {platform.python_version()}, {platform.platform()}",
        *(f"{name} {_version(name)}" for name in packages),
        "",
        *traceback.format_exception(error),
    ]
    name = f"report-{time.strftime('%Y%m%d-%H%M%S')}-{os.getpid()}.txt"
    for folder in (platformdirs.user_log_dir("porchband", appauthor=False), tempfile.gettempdir()):
        try:
            Path(folder).mkdir(parents=True, exist_ok=True)
            path = Path(folder) / name
            path.write_text("\n".join(lines), encoding="utf-8", errors="replace")
        except OSError:
            continue
        return path
    return None


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "of an unknown version"
