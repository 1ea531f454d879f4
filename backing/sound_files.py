"""Sound files of one piece, written together: opened, filled, marked and tagged.

libsndfile writes them, and LAME the MP3. The room that a WAV file needs is set aside at once and
given back last, else naming it over an old one waits for the disk.
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from backing.events import Stream
from backing.formats import BITS, FORMATS
from phrases.errors import BluesError

if TYPE_CHECKING:
    from backing.sound.filters import Samples
    from backing.sound.rendered import Rendered

__all__ = ["CHUNK", "OutputError", "explained", "sound_files", "why", "write_frames"]

NEARLY_FULL = 1 << 20  # bytes
BEYOND = 5.0  # seconds of sound, for what rings on at the end, markers and tags
KEEP_SIZE = 1  # Linux's FALLOC_FL_KEEP_SIZE
CHUNK = 1 << 16  # frames given to an encoder at a time


class OutputError(BluesError, OSError):
    """A file that cannot be written."""


@contextlib.contextmanager
def sound_files(
    stream: Stream, files: Mapping[Path, Path], stems: Mapping[Path, Path], rate: int, bits: int
) -> Iterator[Callable[..., None]]:
    """Open sound files for writing; mark and tag them when all is written.

    `files` says where each is written, by the path that messages name, whose suffix is its format;
    `stems` the same for float WAV files of parts, of ``room`` and of ``mix``, by their names.
    `rate` is in frames a second, `bits` of WAV and FLAC 16 or 24.

    Gives what writes what was rendered: it takes a `Rendered` and, where they are others than its
    own, blocks of layers, shape (layers, 2, frames), and their mix. Raises `OutputError` if one
    cannot be written.
    """
    seconds = float(stream.kept().seconds)
    every = [*files.items(), *stems.items()]
    with contextlib.ExitStack() as stack:
        opened = {}
        for path, draft in every:
            with explained(path):
                stem = path in stems
                opened[path] = stack.enter_context(_opened(draft, rate, bits, seconds, stem=stem))
        yield partial(_write, opened, {path: path.stem for path in stems})
    from backing.tags import mark, markers, tag, timeless

    tempo = float(stream.music[0].tempo)
    for path, draft in every:
        with explained(path):
            if draft.suffix.lower() == ".wav":
                timeless(draft)
                mark(draft, markers(stream, rate))
            tag(draft, stream.title, str(stream.key), tempo, stream.credits)
            if draft.suffix.lower() == ".wav":
                os.truncate(draft, draft.stat().st_size)  # gives back what was reserved


def _write(
    files: Mapping[Path, Any],
    stems: Mapping[Path, str],
    done: Rendered,
    blocks: Iterable[tuple[Samples, Samples]] | None = None,
) -> None:
    if blocks is None and not stems:
        plain = all(file.subtype == "PCM_16" for file in files.values())
        for frames in done.mixes(16 if plain else None):
            _put(files, dict.fromkeys(files, frames))
        return
    for layers, mix in done.blocks() if blocks is None else blocks:
        parts = dict(zip(done.names, layers, strict=True))
        if stems:
            parts["room"] = parts.pop("band's room") + parts.pop("lead's room")
            parts["mix"] = layers.sum(axis=0)
        _put(files, {path: (parts[stems[path]] if path in stems else mix).T for path in files})


def _put(files: Mapping[Path, Any], sounds: Mapping[Path, Samples]) -> None:
    """Append to each file its own sound, shape (frames, 2), in steps."""
    for first in range(0, max(map(len, sounds.values()), default=0), CHUNK):
        for path, file in files.items():
            with explained(path):
                file.write(sounds[path][first : first + CHUNK])


def write_frames(path: Path, blocks: Iterable[Samples], rate: int, **ways: Any) -> None:
    """Write blocks, shape (frames, 2), into an untagged file of 16 bits, its format by its name.

    `rate` is in frames a second, `ways` are libsndfile's.
    """
    with _opened(path, rate, BITS[0], **ways) as file:
        for block in blocks:
            for first in range(0, len(block), CHUNK):
                file.write(block[first : first + CHUNK])


def _opened(
    draft: Path, rate: int, bits: int, seconds: float = 0.0, *, stem: bool = False, **ways: Any
) -> Any:
    """Open a stereo sound file for writing, whose ``flush`` does nothing.

    Room is set aside for `seconds` of a WAV file, unless they are 0.
    """
    kind = FORMATS[draft.suffix.lower()]
    # soundfile would make UTF-8 of a name, which on a disk from elsewhere it need not be.
    name = str(draft) if os.name == "nt" else os.fsencode(draft)
    if kind.container == "MP3":
        from backing.mp3 import Mp3File

        return Mp3File(name, rate)
    import soundfile

    subtype = "FLOAT" if stem else kind.subtypes[bits]
    file = soundfile.SoundFile(name, "w", rate, 2, subtype, format=kind.container, **ways)
    # Closing would wait until all is on the disk, and what was made can be made again.
    file.flush = lambda: None
    if kind.container == "WAV" and seconds:
        _reserve(draft, round((seconds + BEYOND) * rate) * 2 * (4 if stem else bits // 8))
    return file


def _reserve(path: Path, size: int) -> None:
    """Set aside so many bytes of the disk for a file, which stays as long as it is.

    A disk that is asked for all at once need not look for room when the file is closed and named.
    """
    if sys.platform == "linux":  # Python's own way would make the file longer
        import ctypes

        reserve = getattr(ctypes.CDLL(None), "fallocate64", None)  # not every C library has it
        with contextlib.suppress(OSError), path.open("r+b") as file:
            if reserve is not None:
                place, length = ctypes.c_longlong(0), ctypes.c_longlong(size)
                reserve(file.fileno(), KEEP_SIZE, place, length)


@contextlib.contextmanager
def explained(
    path: Path, kinds: tuple[type[Exception], ...] = (OSError, RuntimeError, AssertionError)
) -> Iterator[None]:
    """Turn what libraries raise while a file is written into an `OutputError`."""
    try:
        yield
    except BluesError:
        raise
    except kinds as error:
        raise OutputError(f"{path}: cannot be written: {why(error, path)}") from None


def why(error: Exception, path: Path) -> str:
    """Say why a file could not be written; libsndfile calls a full disk a system error.

    By the time one asks, the room may be there again that a temporary file took.
    """
    full = getattr(error, "errno", None) in (errno.ENOSPC, errno.EDQUOT)
    full = full or str(error).endswith("System error.")
    with contextlib.suppress(OSError):
        full = full or shutil.disk_usage(path.parent).free < NEARLY_FULL
    if full:
        return "the disk is full; make room or choose another folder"
    return getattr(error, "strerror", None) or str(error)
