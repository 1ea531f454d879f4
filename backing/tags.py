"""Tags of a sound file: title, key and tempo, who made it, and its markers.

The same sound is the same bytes: `timeless` takes out the time of day that libsndfile puts in.

WAV and MP3 files carry an ID3v2.4 tag, FLAC and Ogg files Vorbis comments. A WAV file also carries
markers as a ``cue`` chunk, with their names in an ``adtl`` list, which audio editors show.

The libraries that tag all these formats are under the GPL, which whoever passes this program on
would have to follow; so the few bytes are written here, and the tests read them with such a one.

References: Multimedia Programming Interface and Data Specifications 1.0 (RIFF, cue and adtl
chunks); ID3v2.4.0 structure, 3 and 4, and frames, 4.2; RFC 9639 (FLAC), 8.6 (Vorbis comment).
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import BinaryIO

from backing.events import Stream
from backing.formats import FORMATS
from backing.ogg import comments, insert, rewrite
from phrases.credits import NOBODY, Credits
from phrases.replacing import MADE

__all__ = ["mark", "markers", "tag", "timeless"]

VORBIS_COMMENT, LAST = 4, 0x80  # of a FLAC file's blocks


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
        _append(file, added)


def _append(file: BinaryIO, chunks: bytes) -> None:
    """Add chunks to a WAV file."""
    size = file.seek(0, 2)
    file.write(b"\0" * (size % 2) + chunks)
    file.seek(4)
    file.write(struct.pack("<I", size + size % 2 + len(chunks) - 8))


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


def _chunk(name: bytes, body: bytes) -> bytes:
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def tag(path: Path, title: str, key: str, tempo: float, credits: Credits = NOBODY) -> None:
    """Write a finished file's title, key, tempo (felt beats a minute) and makers into it.

    An Ogg stream gets a fixed serial number besides.
    """
    tags = FORMATS[path.suffix.lower()].tags
    short, beats = key.replace(" minor", "m"), str(round(tempo))
    id3 = {
        "TIT2": title, "TKEY": short, "TBPM": beats, "TSSE": MADE, "TPE1": credits.author,
        "TCOP": credits.rights, "TDRC": credits.date, "WXXX": credits.link,
    }  # fmt: skip
    words = {
        "TITLE": title, "INITIALKEY": key, "BPM": f"{tempo:g}", "ENCODER": MADE,
        "ARTIST": credits.author, "COPYRIGHT": credits.rights, "DATE": credits.date,
        "CONTACT": credits.link,
    }  # fmt: skip
    said = {name: word for name, word in words.items() if word}
    with path.open("r+b") as file:
        if tags == "chunk":
            _append(file, _chunk(b"id3 ", _id3(id3)))
        elif tags == "front":
            insert(file, 0, _id3(id3))
        elif tags == "flac":
            _comment_flac(file, said)
        else:
            rewrite(file, said)


def _id3(words: Mapping[str, str]) -> bytes:
    """Return an ID3v2.4 tag of texts, each in UTF-8, which is 3, and a link, without a name."""
    frames = b""
    for name, word in words.items():
        if word:
            body = (b"\3\0" if name == "WXXX" else b"\3") + word.encode("utf-8")
            frames += name.encode("ascii") + _syncsafe(len(body)) + b"\0\0" + body
    return b"ID3\4\0\0" + _syncsafe(len(frames)) + frames


def _syncsafe(size: int) -> bytes:
    """Return a size in four bytes of seven bits, so that none looks like sound."""
    return bytes(size >> shift & 0x7F for shift in (21, 14, 7, 0))


def _comment_flac(file: BinaryIO, words: Mapping[str, str]) -> None:
    """Add words to the comments that libsndfile puts into every FLAC file."""
    place = 4  # after fLaC
    while True:
        file.seek(place)
        kind, *size = file.read(4)
        length = int.from_bytes(bytes(size), "big")
        if kind & ~LAST == VORBIS_COMMENT:
            break
        place += 4 + length
    body = file.read(length)
    (vendor,) = struct.unpack_from("<I", body)
    told = comments(words, body[4 : 4 + vendor])
    insert(file, place + 4 + length, bytes(len(told) - length))
    file.seek(place)
    file.write(bytes([kind]) + len(told).to_bytes(3, "big") + told)
