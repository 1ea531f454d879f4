"""A stream to files: the suffix decides the format, and a file is whole or not there.

Everything is checked before anything is made, audio is rendered once for all files, and each
file is written beside its place under another name and renamed when it is complete.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from backing.events import Stream
from backing.formats import BITS, FORMATS, OPUS_RATE, RATES
from backing.sound_files import OutputError, explained, sound_files, why
from phrases.drafts import hidden, sweep
from phrases.errors import BluesError, RangeError
from phrases.replacing import check_free
from phrases.words import expected

__all__ = [
    "STEMS", "AudioSettings", "OutputError", "beside", "check_folder", "check_outputs", "write",
]  # fmt: skip

STEMS = ("drums", "sticks", "bass", "comp", "lead", "room", "mix")


@dataclass(frozen=True, slots=True)
class AudioSettings:
    """How audio is written."""

    soundfont: str | Path | None = None  # the soundfont's path; None looks for one
    # Frames a second, one of `RATES`; None is 44100, or 48000 where an Opus file is asked for.
    rate: int | None = None
    bits: int = BITS[0]  # of WAV and FLAC, one of `BITS`
    # A folder for a WAV file of each part, of the room, and of their sum; None for none.
    stems: str | Path | None = None
    # Who plays strings and organ, one of `backing.events.VOICES`; None leaves the stream's.
    voice: str | None = None


LARGEST_WAV = 4_000_000_000  # bytes


def check_outputs(
    paths: Sequence[Path], *, force: bool = False, formats: Collection[str] = tuple(FORMATS)
) -> None:
    """Check that every path has one of some suffixes, a folder that can be written, and is free.

    Raises `OutputError` for the first that has not; `ReplaceError` for the first that holds what
    this program did not make, unless that is forced.
    """
    for path in paths:
        with explained(path):
            _check_output(path, formats)
            check_free(path, force=force)
            names = [other.resolve() for other in paths]
        if names.count(path.resolve()) > 1:
            raise OutputError(f"{path}: is named twice; name each file once")


def _check_output(path: Path, formats: Collection[str]) -> None:
    if path.is_dir():
        raise OutputError(f"{path}: is a folder; name a file")
    if path.suffix.lower() not in formats:
        what = expected("a format", path.suffix or path.name, formats)
        raise OutputError(f"{path}: {what}")
    check_folder(path)


def check_folder(path: Path) -> None:
    """Check that a file's folder is there and can be written; raises `OutputError`."""
    folder = path.parent
    if not folder.exists():
        raise OutputError(f"{path}: the folder {folder} does not exist; make it first")
    if not folder.is_dir():
        raise OutputError(f"{path}: {folder} is not a folder; name one that is there")
    if not os.access(folder, os.W_OK):
        raise OutputError(f"{path}: the folder {folder} may only be read; choose another")


@contextlib.contextmanager
def beside(path: Path) -> Iterator[Path]:
    """Give a name beside `path`; rename to it at the end, or remove what was written."""
    with explained(path, (OSError,)):
        target = Path(os.path.realpath(path))  # a link stays a link
        with hidden(target) as draft:
            yield draft
            draft.replace(target)


def write(
    stream: Stream,
    paths: str | Path | Sequence[str | Path],
    soundfont: str | Path | None = None,
    progress: Callable[[float], None] | None = None,
    *,
    rate: int | None = None,
    bits: int = BITS[0],
    stems: str | Path | None = None,
    force: bool = False,
    remark: Callable[[str], None] | None = None,
) -> list[Path]:
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
    rate, bits, stems
        As in `AudioSettings`; the folder of the stems is made if need be.
    force
        Whether to write over files that this program did not make.
    remark
        Called with each thing that a listener should know of the sound.

    Returns
    -------
    list
        Every file written.

    Raises
    ------
    OutputError
        If a file cannot be written; nothing is left half-written.
    ReplaceError
        If a file is there that this program did not make.
    RangeError
        If rate or bits are none of those there are.
    AudioError
        If audio is asked for and FluidSynth is missing.
    SoundfontError
        If audio is asked for and there is no usable soundfont.
    """
    files = [Path(path) for path in ([paths] if isinstance(paths, str | Path) else paths)]
    check_outputs(files, force=force)
    sound = AudioSettings(soundfont, check_rate(files, rate), _check_bits(bits), stems)
    audio = [path for path in files if FORMATS[path.suffix.lower()].container]
    apart = [] if stems is None else _stem_files(stream, Path(stems), files, force=force)
    font = _ready_for_audio(soundfont) if audio or apart else None
    _check_size(stream, [*audio, *apart], sound)
    with contextlib.ExitStack() as stack:  # every file takes its name when all are complete
        if stems is not None:
            stack.enter_context(_folder(Path(stems)))
        for folder in {path.resolve().parent for path in [*files, *apart]}:
            sweep(folder)
        drafts = {path: stack.enter_context(beside(path)) for path in [*files, *apart]}
        for path in files:
            if path not in audio:
                from backing.midi import midi_bytes

                drafts[path].write_bytes(midi_bytes(stream))
        if font is not None:
            made = {path: drafts[path] for path in audio}
            told = _write_audio(stream, made, {p: drafts[p] for p in apart}, font, sound, progress)
            if remark is not None:
                for text in told:
                    remark(text)
    return [*files, *apart]


def check_rate(paths: Sequence[Path], rate: int | None) -> int:
    """Return the rate at which files are written.

    Raises `RangeError` if it is none of `RATES`, or an Opus file is to have another than its own.
    """
    opus = [path for path in paths if FORMATS[path.suffix.lower()].rate]
    if rate is None:
        return OPUS_RATE if opus else RATES[0]
    if rate not in RATES:
        raise RangeError(f"rate {rate}: it must be {' or '.join(map(str, RATES))}")
    if opus and rate != OPUS_RATE:
        raise RangeError(f"{opus[0]}: Opus has {OPUS_RATE} frames a second; leave out the rate")
    return rate


def _check_bits(bits: int) -> int:
    if bits not in BITS:
        raise RangeError(f"{bits} bits: it must be {' or '.join(map(str, BITS))}")
    return bits


def _stem_files(stream: Stream, folder: Path, files: Sequence[Path], *, force: bool) -> list[Path]:
    """Return the files of the stems in a folder, which need not exist."""
    parts = [part for part in STEMS if part in (*stream.parts, "room", "mix")]
    stems = [folder / f"{part}.wav" for part in parts]
    if folder.is_dir():
        check_outputs([*files, *stems], force=force)
    return stems


@contextlib.contextmanager
def _folder(folder: Path) -> Iterator[None]:
    """Make a folder, and remove it again if what is to go into it cannot be made."""
    there = folder.exists()
    if there and not folder.is_dir():
        raise OutputError(f"{folder}: is not a folder; name one for the stems")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        what = error.strerror or str(error)
        raise OutputError(f"{folder}: the folder cannot be made: {what}") from None
    try:
        yield
    except BaseException:
        if not there:
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise


def _check_size(stream: Stream, paths: Sequence[Path], sound: AudioSettings) -> None:
    """Refuse a WAV file of more than its sizes can say."""
    assert sound.rate is not None
    waves = [path for path in paths if path.suffix.lower() == ".wav"]
    wide = 4 if sound.stems is not None else sound.bits // 8
    if waves and float(stream.seconds) * sound.rate * 2 * wide > LARGEST_WAV:
        raise OutputError(
            f"{waves[0]}: {float(stream.seconds) / 3600:.1f} hours are too long for a WAV file; "
            "choose .flac or .mp3, or fewer choruses"
        )


def _ready_for_audio(soundfont: str | Path | None) -> Path:
    from backing.sound.fluid import AT_ONCE, check_audio, read_ahead
    from soundfonts import find_soundfont

    check_audio()
    font = find_soundfont(soundfont).path
    read_ahead(font, AT_ONCE)  # while what follows is loaded
    return font


def _write_audio(
    stream: Stream,
    drafts: Mapping[Path, Path],
    stems: Mapping[Path, Path],
    font: Path,
    sound: AudioSettings,
    progress: Callable[[float], None] | None,
) -> list[str]:
    """Write sound to files; return what there is to say of it."""
    from backing.sound.audio import render
    from backing.sound.remarks import remarks

    assert sound.rate is not None
    folder = next(iter([*drafts, *stems])).parent
    with sound_files(stream, drafts, stems, sound.rate, sound.bits) as write_all:
        try:
            done = render(stream, font, sound.rate, progress, apart=bool(stems), folder=folder)
        except OSError as error:
            if isinstance(error, BluesError):
                raise
            raise OutputError(f"{folder}: no room to render: {why(error, folder / '-')}") from None
        with contextlib.closing(done):
            write_all(done)
    return remarks(stream, done, font)
