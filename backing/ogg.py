"""An Ogg stream (Vorbis or Opus) that was just written: its comments, and a serial number of 1.

libsndfile takes a random serial number; with a fixed one the same sound is the same bytes.

References: RFC 3533 (pages, lacing, the checksum); the Vorbis I specification, sections 4.2 and 5
(three headers, the comment header and its framing bit); RFC 7845 (Opus: two headers).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator, Mapping
from typing import BinaryIO, NamedTuple

__all__ = ["comments", "insert", "rewrite"]

HEAD = struct.Struct("<4sBBqIIIB")  # OggS, version, flags, granule, serial, number, sum, segments
CONTINUED, FIRST = 1, 2  # flags
SERIAL = 1
BLOCK = 1 << 20  # bytes
REVERSED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))


class Page(NamedTuple):
    """One page: its flags, its granule position, the lengths of its segments, and its data."""

    flags: int
    granule: int
    lacing: bytes
    body: bytes


def comments(words: Mapping[str, str], vendor: bytes) -> bytes:
    """Return a Vorbis comment block, as Ogg and FLAC have it."""
    texts = [vendor, *(f"{name}={word}".encode() for name, word in words.items())]
    first, *others = (struct.pack("<I", len(text)) + text for text in texts)
    return first + struct.pack("<I", len(others)) + b"".join(others)


def insert(file: BinaryIO, place: int, data: bytes) -> None:
    """Put data into a file, in front of what is at a place; no more than a block is in memory."""
    end = file.seek(0, 2)
    while end > place:
        begin = max(place, end - BLOCK)
        file.seek(begin)
        moved = file.read(end - begin)
        file.seek(begin + len(data))
        file.write(moved)
        end = begin
    file.seek(place)
    file.write(data)


def rewrite(file: BinaryIO, words: Mapping[str, str] | None = None) -> None:
    """Give a file the serial number 1 and, where words are given, those as its comments."""
    file.seek(0)
    pages = [_read(file)]
    mark = b"OpusTags" if pages[0].body.startswith(b"OpusHead") else b"\x03vorbis"
    wanted = 2 if mark == b"OpusTags" else 3
    while sum(length < 255 for page in pages for length in page.lacing) < wanted:
        pages.append(_read(file))
    before = file.tell()
    packets = list(_packets(pages))
    if words is not None:
        at = len(mark)
        (size,) = struct.unpack_from("<I", packets[1], at)
        said = comments(words, packets[1][at + 4 : at + 4 + size])
        # Opus lets zeros follow, of which libsndfile leaves many; Vorbis has a bit that ends it.
        opus = (mark + said).ljust(len(packets[1]), b"\0")
        packets[1] = opus if wanted == 2 else mark + said + b"\1"
    heads = [Page(FIRST, 0, pages[0].lacing, packets[0]), *_paged(packets[1:])]
    data = b"".join(_packed(page, number) for number, page in enumerate(heads))
    insert(file, before, bytes(len(data) - before))
    file.seek(0)
    file.write(data)
    number, place, end = len(heads), len(data), file.seek(0, 2)
    while place < end:
        file.seek(place)
        page = _packed(_read(file), number)
        file.seek(place)
        file.write(page)
        number, place = number + 1, place + len(page)


def _read(file: BinaryIO) -> Page:
    _, _, flags, granule, _, _, _, count = HEAD.unpack(file.read(HEAD.size))
    lacing = file.read(count)
    return Page(flags, granule, lacing, file.read(sum(lacing)))


def _packed(page: Page, number: int) -> bytes:
    head = [b"OggS", 0, page.flags, page.granule, SERIAL, number, 0, len(page.lacing)]
    rest = page.lacing + page.body
    head[6] = _checksum(HEAD.pack(*head) + rest)
    return HEAD.pack(*head) + rest


def _checksum(data: bytes) -> int:
    """Return the CRC-32 of the polynomial 0x04C11DB7 from 0, most significant bit first.

    zlib's has the same polynomial, but starts from all ones and takes each byte's bits from the
    other end.
    """
    found = zlib.crc32(data.translate(REVERSED), 0xFFFFFFFF) ^ 0xFFFFFFFF
    return int(f"{found:032b}"[::-1], 2)


def _packets(pages: list[Page]) -> Iterator[bytes]:
    body = b"".join(page.body for page in pages)
    begin = end = 0
    for length in b"".join(page.lacing for page in pages):
        end += length
        if length < 255:
            yield body[begin:end]
            begin = end


def _paged(packets: list[bytes]) -> Iterator[Page]:
    """Yield the pages of header packets."""
    body = b"".join(packets)
    lacing = b"".join(
        b"\xff" * (len(packet) // 255) + bytes([len(packet) % 255]) for packet in packets
    )
    begin, flags = 0, 0
    for first in range(0, len(lacing), 255):
        part = lacing[first : first + 255]
        ends = any(length < 255 for length in part)
        yield Page(flags, 0 if ends else -1, part, body[begin : begin + sum(part)])
        begin, flags = begin + sum(part), CONTINUED if part[-1] == 255 else 0
