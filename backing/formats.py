"""Every kind of file that music, films, sheets and reviews are written to, by its suffix."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple

__all__ = [
    "BITS", "CHARTS", "DRAWN", "FILMS", "FORMATS", "OPUS_RATE", "RATES", "REVIEWS", "SHEETS",
    "STRIPS", "Film", "Format",
]  # fmt: skip

BITS = (16, 24)
RATES = (44100, 48000)  # frames a second
OPUS_RATE = 48000


class Format(NamedTuple):
    """A kind of file that music is written to."""

    # `container` and `subtypes`: libsndfile's names, the subtype by the bits asked for; no
    # container for MIDI.
    container: str = ""
    subtypes: Mapping[int, str] = MappingProxyType({})
    # How it says what it holds: ID3 in a ``chunk`` or in ``front``, the comments of ``flac`` or of
    # ``ogg``; MIDI has a track of its own for that.
    tags: str = ""
    size: int = 0  # bytes that a second takes, about, at 48000 frames a second and 16 bits
    rate: int = 0  # frames a second where it has but one rate, else 0

    @property
    def deep(self) -> bool:
        """Whether the bits asked for make a difference."""
        return len({*self.subtypes.values()}) > 1


class Film(NamedTuple):
    """A kind of film: its container's options, and FFmpeg's names of codecs and pixels."""

    options: Mapping[str, str]
    codec: str
    pixels: str
    audio: str


_PCM = {16: "PCM_16", 24: "PCM_24"}
FORMATS: dict[str, Format] = {
    ".mid": Format(),
    ".wav": Format("WAV", _PCM, "chunk", 192_000),
    ".flac": Format("FLAC", _PCM, "flac", 97_000),
    ".ogg": Format("OGG", dict.fromkeys(BITS, "VORBIS"), "ogg", 14_000),
    ".opus": Format("OGG", dict.fromkeys(BITS, "OPUS"), "ogg", 15_200, OPUS_RATE),
    ".mp3": Format("MP3", dict.fromkeys(BITS, "MPEG_LAYER_III"), "front", 24_000),
}
FILMS: dict[str, Film] = {
    ".mp4": Film({"movflags": "+faststart"}, "libx264", "yuv420p", "aac"),
    ".webm": Film({}, "libvpx-vp9", "yuva420p", "libopus"),
    ".mov": Film({"movflags": "+faststart"}, "prores", "yuva444p10le", "pcm_s16le"),
}
STRIPS = tuple(suffix for suffix, film in FILMS.items() if "a" in film.pixels)  # with transparency
DRAWN = (".pdf", ".svg")
CHARTS = (*DRAWN, ".txt")
SHEETS = (*CHARTS, ".musicxml")
REVIEWS = (".html", ".svg", ".txt")
