"""MP3 files: encoded by LAME, with the frame in front that tells their exact length.

libsndfile writes MP3 as well, but the LAME in it is built without a processor's wide instructions
and takes more than twice as long. lameenc's leaves out the first frame, which players need to go
round a loop without a gap.

References: ISO/IEC 11172-3 for the header of a frame; for the first one, which decoders skip, the
descriptions of the VBR header (Xing) and of the Mp3 Info Tag, revision 1 (LAME): counts of frames
and bytes, a table of contents, then the samples that the encoder and the last frame add.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Mp3File"]

KBPS, KBPS_CODE = 192, 11  # and as a frame's header says it
# Of LAME's search: 0 is best, 9 quickest. 7 takes half the time of 5; its noise at 192 kbit/s lies
# lower under what is heard than that of 5 at 160 kbit/s.
QUALITY = 7
LOUDER = 1 / 0.97  # LAME makes sound softer by that much at this rate of bits; it is made good
DELAY = 576  # samples that LAME adds in front, besides the decoder's own
FRAME = 1152  # samples of a frame
RATES = {44100: 0, 48000: 1}  # as a frame's header says them
HEADER = 4 + 32  # bytes: a stereo frame's header and its side information
INFO = 156  # bytes of the tag from its name to the end
CONSTANT = 1  # how the rate of bits behaves


class Mp3File:
    """An MP3 file that is written frame by frame, as `soundfile.SoundFile` would.

    The file is replaced if it is there; `rate` is 44100 or 48000, and sound is stereo.
    """

    subtype = "PCM_16"  # what it takes without loss

    def __init__(self, path: str | bytes | Path, rate: int) -> None:
        import lameenc

        self._rate = rate
        self._samples = self._bytes = 0
        self._encoder = lameenc.Encoder()
        self._encoder.set_in_sample_rate(rate)
        self._encoder.set_channels(2)
        self._encoder.set_bit_rate(KBPS)
        self._encoder.set_quality(QUALITY)
        self._encoder.silence()
        self._file = open(path, "wb")  # noqa: PTH123, SIM115 - a name may be bytes
        self._put(self._first(frames=0, padding=0))

    def _put(self, data: bytes | bytearray) -> None:
        self._bytes += len(data)
        self._file.write(data)

    def write(self, sound: NDArray[Any]) -> None:
        """Append sound, shape (samples, 2): whole numbers of 16 bits, or -1 to 1."""
        scale = np.float32(LOUDER if sound.dtype == np.int16 else LOUDER * 32767)
        whole = np.rint(np.clip(sound * scale, -32767, 32767)).astype(np.int16)
        self._samples += len(sound)
        self._put(self._encoder.encode(whole.tobytes()))

    def close(self) -> None:
        """Complete the file."""
        if self._file.closed:
            return
        try:
            if self._samples:
                self._put(self._encoder.flush())
            frames = _frames(self._bytes - self._size(), self._rate)
            self._file.seek(0)
            self._file.write(self._first(frames, max(0, frames * FRAME - DELAY - self._samples)))
        finally:
            self._file.close()

    def _size(self) -> int:
        """Return the bytes of the first frame."""
        return 144 * 1000 * KBPS // self._rate

    def _first(self, frames: int, padding: int) -> bytearray:
        """Return the first frame, which is silent."""
        out = bytearray(self._size())
        out[:4] = 0xFF, 0xFB, KBPS_CODE << 4 | RATES[self._rate] << 2, 0x44
        contents = bytes(256 * percent // 100 for percent in range(100))
        tag = b"Info" + struct.pack(">III", 0xF, frames, self._bytes) + contents
        tag += struct.pack(">I", 100 - 10 * QUALITY) + b"LAME3.100"
        tag += bytes([CONSTANT]) + bytes(1 + 8 + 1) + bytes([KBPS])  # what is 0 is not told
        tag += (DELAY << 12 | padding).to_bytes(3, "big") + bytes(1 + 1 + 2)
        tag += struct.pack(">IH", self._bytes, 0)
        out[HEADER : HEADER + len(tag)] = tag
        place = HEADER + INFO - 2
        assert len(tag) == INFO - 2
        out[place : place + 2] = _check(out[:place]).to_bytes(2, "big")
        return out

    def __enter__(self) -> Mp3File:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _frames(size: int, rate: int) -> int:
    """Return how many frames so many bytes are: each has as many as its time is worth."""
    return -(-size * rate // (144 * 1000 * KBPS))


def _check(data: bytes | bytearray) -> int:
    """Return the CRC-16 of the tag: the polynomial 0x8005 reflected, from 0."""
    found = 0
    for byte in data:
        found ^= byte
        for _ in range(8):
            found = found >> 1 ^ (0xA001 if found & 1 else 0)
    return found
