"""A stream to files: the suffix decides the format, and a file is whole or not there.

Everything is checked before anything is made, audio is rendered once for all files, and each
file is written beside its place under another name and renamed when it is complete.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path

from backing.events import Stream
from phrases.errors import BluesError
from phrases.words import expected

__all__ = ["FORMATS", "OutputError", "check_outputs", "write"]

# Suffix to libsndfile's format and subtype; MIDI needs neither.
FORMATS: dict[str, tuple[str, str] | None] = {
    ".mid": None,
    ".wav": ("WAV", "PCM_16"),
    ".flac": ("FLAC", "PCM_16"),
    ".ogg": ("OGG", "VORBIS"),
    ".mp3": ("MP3", "MPEG_LAYER_III"),
}


NEARLY_FULL = 1 << 20  # bytes


class OutputError(BluesError, OSError):
    """A file that cannot be written."""


def check_outputs(paths: Sequence[Path]) -> None:
    """Check that every path has a known suffix and a folder that can be written.

    Raises
    ------
    OutputError
        For the first that has not.
    """
    for path in paths:
        try:
            _check_output(path)
            names = [other.resolve() for other in paths]
        except (OSError, RuntimeError) as error:
            if isinstance(error, OutputError):
                raise
            what = getattr(error, "strerror", None) or str(error)
            raise OutputError(f"{path}: cannot be written: {what}") from None
        if names.count(path.resolve()) > 1:
            raise OutputError(f"{path}: is named twice; name each file once")


def _check_output(path: Path) -> None:
    if path.is_dir():
        raise OutputError(f"{path}: is a folder; name a file")
    if path.suffix.lower() not in FORMATS:
        what = expected("a format", path.suffix or path.name, FORMATS)
        raise OutputError(f"{path}: {what}")
    folder = path.parent
    if not folder.exists():
        raise OutputError(f"{path}: the folder {folder} does not exist; make it first")
    if not folder.is_dir():
        raise OutputError(f"{path}: {folder} is not a folder")
    if not os.access(folder, os.W_OK):
        raise OutputError(f"{path}: the folder {folder} cannot be written to")


@contextlib.contextmanager
def _beside(path: Path) -> Iterator[Path]:
    """Give a name beside `path`; rename to it at the end, or remove what was written."""
    draft = path.with_name(f".{secrets.token_hex(6)}{path.suffix}")
    try:
        yield draft
        draft.replace(path)
    except BluesError:
        raise
    except OSError as error:
        raise OutputError(f"{path}: cannot be written: {error.strerror or error}") from None
    finally:
        with contextlib.suppress(OSError):
            draft.unlink(missing_ok=True)


def write(
    stream: Stream,
    paths: str | Path | Sequence[str | Path],
    soundfont: str | Path | None = None,
    progress: Callable[[float], None] | None = None,
) -> None:
    """Write a stream to files.

    Parameters
    ----------
    stream
        What to write.
    paths
        File or files to write; the suffixes are those of `FORMATS`.
    soundfont
        The soundfont for audio; None looks for one.
    progress
        Called with the seconds of audio rendered so far.

    Raises
    ------
    OutputError
        If a file cannot be written; nothing is left half-written.
    AudioError
        If audio is asked for and FluidSynth is missing.
    SoundfontError
        If audio is asked for and there is no usable soundfont.
    """
    files = [Path(path) for path in ([paths] if isinstance(paths, str | Path) else paths)]
    check_outputs(files)
    audio = [path for path in files if FORMATS[path.suffix.lower()] is not None]
    font = _ready_for_audio(soundfont) if audio else None
    with contextlib.ExitStack() as stack:  # every file takes its name when all are complete
        drafts = {path: stack.enter_context(_beside(path)) for path in files}
        for path in files:
            if path not in audio:
                from backing.midi import midi_bytes

                drafts[path].write_bytes(midi_bytes(stream))
        if font is not None:
            _write_audio(stream, {path: drafts[path] for path in audio}, font, progress)


def _ready_for_audio(soundfont: str | Path | None) -> Path:
    from backing.synth import check_audio
    from soundfonts import find_soundfont

    check_audio()
    return find_soundfont(soundfont).path


def _write_audio(
    stream: Stream,
    drafts: Mapping[Path, Path],
    font: Path,
    progress: Callable[[float], None] | None,
) -> None:
    import soundfile

    from backing.audio import RATE, render_blocks

    with contextlib.ExitStack() as stack:
        files = []
        for path, draft in drafts.items():
            kind = FORMATS[path.suffix.lower()]
            assert kind is not None
            try:
                file = soundfile.SoundFile(
                    draft, "w", samplerate=RATE, channels=2, format=kind[0], subtype=kind[1]
                )
            except (OSError, RuntimeError) as error:
                raise OutputError(f"{path}: cannot be written: {_why(error, path)}") from None
            files.append(stack.enter_context(file))
        for sound in render_blocks(stream, font, RATE, progress):
            for path, file in zip(drafts, files, strict=True):
                try:
                    file.write(sound.T)
                except (OSError, RuntimeError, AssertionError) as error:
                    raise OutputError(f"{path}: cannot be written: {_why(error, path)}") from None


def _why(error: Exception, path: Path) -> str:
    """Say why audio could not be written; libsndfile calls a full disk a system error."""
    with contextlib.suppress(OSError):
        if shutil.disk_usage(path.parent).free < NEARLY_FULL:
            return "the disk is full; make room or choose another folder"
    return str(error)
