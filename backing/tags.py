"""What a sound file says about itself: title, key and tempo, who made it, and its markers.

The same sound is the same bytes: `timeless` and `steady` take out what libsndfile puts in of the
time of day and of chance.

Tags go in by mutagen, in each format's own way. A WAV file carries markers as a ``cue`` chunk,
with their names in an ``adtl`` list, which audio editors show.

References: Multimedia Programming Interface and Data Specifications 1.0 (RIFF, cue and adtl
chunks); ID3v2.4 (TIT2, TKEY, TBPM); Vorbis comments; RFC 3533 (Ogg pages).
"""

from __future__ import annotations

import contextlib
import struct
import threading
from collections.abc import Iterable, Sequence
from importlib import import_module
from pathlib import Path
from typing import Any

from backing.events import Stream
from phrases.credits import NOBODY, Credits
from phrases.replacing import MADE

__all__ = ["load", "mark", "markers", "steady", "tag", "timeless"]

# Module and class of mutagen for each suffix.
KINDS = {
    ".wav": ("wave", "WAVE"),
    ".mp3": ("mp3", "MP3"),
    ".flac": ("flac", "FLAC"),
    ".ogg": ("oggvorbis", "OggVorbis"),
    ".opus": ("oggopus", "OggOpus"),
}


def markers(stream: Stream, rate: int) -> list[tuple[int, str]]:
    """Return the stream's labels as (frame, name) in order."""
    found = [
        (round((float(section.start) + label.seconds) * rate), label.text)
        for section in stream.kept().sections
        for label in section.labels
    ]
    return sorted(found, key=lambda pair: pair[0])


def mark(path: Path, places: Sequence[tuple[int, str]]) -> None:
    """Add markers to a WAV file, each a frame and a name."""
    points = b"".join(
        struct.pack("<II4sIII", number, frame, b"data", 0, 0, frame)
        for number, (frame, _) in enumerate(places, 1)
    )
    names = b"".join(
        _chunk(b"labl", struct.pack("<I", number) + name.encode("utf-8") + b"\0")
        for number, (_, name) in enumerate(places, 1)
    )
    added = _chunk(b"cue ", struct.pack("<I", len(places)) + points)
    added += _chunk(b"LIST", b"adtl" + names)
    with path.open("r+b") as file:
        size = file.seek(0, 2)
        file.write(b"\0" * (size % 2) + added)
        file.seek(4)
        file.write(struct.pack("<I", size + size % 2 + len(added) - 8))


def timeless(path: Path) -> None:
    """Take the time of day out of a float WAV file's ``PEAK`` chunk, where libsndfile puts it."""
    with path.open("r+b") as file:
        place, size = 12, file.seek(0, 2)
        while place + 8 <= size:
            file.seek(place)
            name, length = struct.unpack("<4sI", file.read(8))
            if name == b"PEAK":
                file.seek(place + 12)  # after the version
                file.write(b"\0" * 4)
            place += 8 + length + length % 2


def steady(path: Path) -> None:
    """Give an Ogg stream the serial number 1, for which libsndfile takes a random one."""
    from mutagen import ogg

    read: Any = ogg.OggPage
    with path.open("r+b") as file:
        place, size = 0, file.seek(0, 2)
        while place < size:
            file.seek(place)
            page = read(file)
            after = file.tell()
            page.serial = 1
            file.seek(place)
            file.write(page.write())  # as long as it was
            place = after


def _chunk(name: bytes, body: bytes) -> bytes:
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def _kind(suffix: str) -> Any:
    module, name = KINDS[suffix.lower()]
    return getattr(import_module(f"mutagen.{module}"), name)


def load(suffixes: Iterable[str]) -> None:
    """Begin to load what `tag` needs for files of some suffixes, while something else is done."""

    def found() -> None:
        with contextlib.suppress(Exception):  # `tag` says what is wrong
            for suffix in suffixes:
                _kind(suffix)

    threading.Thread(target=found).start()


def tag(path: Path, title: str, key: str, tempo: float, credits: Credits = NOBODY) -> None:
    """Write a finished file's title, key, tempo (felt beats a minute) and makers into it."""
    kind = _kind(path.suffix)
    file = kind(path)
    if file.tags is None:
        file.add_tags()
    if path.suffix.lower() in (".wav", ".mp3"):
        from mutagen.id3 import TBPM, TCOP, TDRC, TIT2, TKEY, TPE1, TSSE, WXXX

        short = key.replace(" minor", "m")
        words: tuple[tuple[Any, str], ...] = (
            (TIT2, title), (TKEY, short), (TBPM, str(round(tempo))), (TSSE, MADE),
            (TPE1, credits.author), (TCOP, credits.rights), (TDRC, credits.date),
        )  # fmt: skip
        for frame, word in words:
            if word:
                file.tags.add(frame(3, word))  # in UTF-8
        if credits.link:
            link: Any = WXXX
            file.tags.add(link(3, "", credits.link))
    else:
        file["title"], file["initialkey"] = title, key
        file["bpm"], file["encoder"] = f"{tempo:g}", MADE
        for name, word in (
            ("artist", credits.author), ("copyright", credits.rights), ("date", credits.date),
            ("contact", credits.link),
        ):  # fmt: skip
            if word:
                file[name] = word
    file.save()
