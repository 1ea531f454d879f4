"""A stream to a film: pictures and sound encoded side by side, in order of time.

Conventions: a film begins with the title in silence, `TITLE` seconds; then comes the very sound
that the piece has as a file of 16 bits at 48000 frames a second. Frame n shows what is so at its
own time, n divided by the rate. A strip has no title, so that it begins with the sound.

PyAV (BSD) brings FFmpeg. x264's preset: see `benchmarks/RESULTS.md`.

References: ISO/IEC 14496-12 (MP4; a ``free`` box may stand at the end); ITU-T H.273 (1 is BT.709).
"""

from __future__ import annotations

import contextlib
import struct
from collections.abc import Callable, Iterable
from fractions import Fraction
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np

from backing.events import Stream
from backing.film.frames import Compositor
from backing.film.picture import Drawer
from backing.film.shape import Shape
from backing.film.story import tell
from backing.film.words import captions, chapter_times, webvtt
from backing.formats import FILMS
from backing.output import beside, check_outputs
from backing.processes import apart
from backing.sound.audio import Rendered, render
from backing.sound.fluid import check_audio
from backing.sound_files import explained
from phrases.drafts import hidden, sweep
from phrases.errors import BluesError
from phrases.replacing import MADE
from soundfonts import find_soundfont

__all__ = ["RATE", "TITLE", "FilmError", "check_av", "drawn", "film", "put_film", "whole"]

RATE = 48000
TITLE = 4  # seconds
BT709 = 1
X264 = {"preset": "superfast", "crf": "20", "x264-params": "rc-lookahead=0:mbtree=0:bframes=0"}
CODING = {
    "libx264": X264,
    "libvpx-vp9": {
        "deadline": "realtime", "cpu-used": "8", "crf": "24", "b": "0", "row-mt": "1",
        "lag-in-frames": "0",
    },
    "prores": {"profile": "4"},
}  # fmt: skip
HOW_TO_GET = ".venv/bin/pip install '.[film]'"


class FilmError(BluesError, RuntimeError):
    """What keeps a film from being made."""


def check_av() -> None:
    """Check that PyAV is there; raises `FilmError` with the command that installs it."""
    try:
        import av  # noqa: F401
    except ImportError:
        raise FilmError(
            f"a film needs PyAV, which is not installed; get it with: {HOW_TO_GET}"
        ) from None


def film(
    stream: Stream,
    path: Path,
    shape: Shape,
    rate: int,
    *,
    soundfont: str | Path | None = None,
    take: Placed | None = None,
    progress: Callable[[float], None] | None = None,
    force: bool = False,
) -> list[Path]:
    """Write a film of a stream, and its captions beside it; return the files.

    The suffix of `path` is one of `backing.formats.FILMS`, `rate` in pictures a second; without a
    `soundfont` one is looked for. `take` returns blocks of layers and their mix for what was
    rendered, where another sound than the rendered one is heard. `progress` is called with the
    seconds that are done; `force` writes over files that this program did not make.

    Raises `FilmError` if PyAV is missing, another `BluesError` if there is no sound to be had, or
    a file cannot be written.
    """
    files = [path, path.with_suffix(".vtt")]
    check_outputs(files, force=force, formats=(*FILMS, ".vtt"))
    check_av()
    check_audio()
    font = find_soundfont(soundfont).path
    sweep(path.resolve().parent)
    with contextlib.ExitStack() as stack:
        drafts = [stack.enter_context(beside(file)) for file in files]
        with explained(path):
            waits = stack.enter_context(hidden(drafts[0].with_suffix(".pcm")))
            frames, drawer = apart(_prepared, stream, font, shape, take, waits)
            with waits.open("rb") as file:
                read = iter(lambda: file.read(4 * RATE), b"")
                sound = (np.frombuffer(data, np.int16).reshape(-1, 2) for data in read)
                put_film(drawer, (drafts[0], drafts[1]), rate, sound, frames, progress)
    return files


Placed = Callable[[Rendered], Iterable[tuple[Any, Any]]]


def _prepared(
    stream: Stream, font: Path, shape: Shape, take: Placed | None, waits: Path
) -> tuple[int, Drawer]:
    """Write the sound into a file; return its length in frames, and all pictures drawn."""
    rendered = render(stream, font, RATE, folder=waits.parent)
    with contextlib.closing(rendered) as done, waits.open("wb") as file:
        for block in done.mixes(16) if take is None else map(whole, take(done)):
            file.write(np.ascontiguousarray(block).data)
        frames = done.frames
    return frames, drawn(stream, shape)


def whole(block: tuple[Any, Any]) -> Any:
    """Return a mix as whole numbers of 16 bits, shape (frames, 2), as a sound file has it."""
    return np.rint(block[1].T * np.float32(32767)).astype(np.int16)


def drawn(stream: Stream, shape: Shape) -> Drawer:
    """Return the pictures of a film."""
    drawer = Drawer(tell(stream, shape), shape)
    drawer.draw()
    return drawer


def put_film(
    drawer: Drawer,
    paths: tuple[Path, Path],
    rate: int,
    sound: Iterable[Any],
    frames: int,
    progress: Callable[[float], None] | None = None,
) -> None:
    """Write pictures and sound into a file, and the captions into another: `paths`.

    `sound` is the piece as blocks of whole numbers of 16 bits, shape (frames, 2), `RATE` a second,
    `frames` its length; `rate` and `progress` are as for `film`.
    """
    import av

    path, beside_it = paths
    options, codec, pixels, audio = FILMS[path.suffix.lower()]
    shape, stream = drawer.shape, drawer.story.stream
    title = 0 if shape.grounds else TITLE
    told = captions(drawer.story, title, frames / RATE)
    beside_it.write_text(webvtt(told), encoding="utf-8")
    with contextlib.closing(av.open(str(path), "w", options=options)) as out:
        out.metadata.update(_told(stream))
        out.set_chapters(_chapters(stream, title, frames / RATE))
        pictures: Any = out.add_stream(codec, rate=rate, options=CODING[codec])
        pictures.width, pictures.height = shape.width, shape.height
        pictures.pix_fmt = pixels
        context = pictures.codec_context
        context.color_primaries = context.color_trc = context.colorspace = BT709
        context.color_range = 1  # narrow
        context.gop_size = 2 * rate
        heard: Any = out.add_stream(audio, rate=RATE, layout="stereo")
        if audio != "pcm_s16le":
            heard.bit_rate = 192000
        painter = _Painter(shape, pixels)
        shown = Compositor(drawer, painter.views)
        count = -(-(title * RATE + frames) * rate // RATE)
        number = done = 0
        silence = np.zeros((title * RATE, 2), np.int16)
        for block in chain([silence] * bool(title), sound):
            done = _hear(out, heard, block, done)
            while number < count and number * RATE < done * rate:
                shown.put(float(Fraction(number, rate)) - title)
                out.mux(pictures.encode(painter.frame(number)))
                number += 1
            if progress is not None:
                progress(max(0, done - title * RATE) / RATE)
        out.mux(pictures.encode(None))
        out.mux(heard.encode(None))
    with path.open("ab") as file:
        if path.suffix.lower() != ".webm":  # whose tags lie at its start
            file.write(struct.pack(">I4s", 8 + len(MADE), b"free") + MADE.encode())


class _Painter:
    """One frame that is changed in place; light and colours as arrays."""

    def __init__(self, shape: Shape, pixels: str) -> None:
        import av

        self.pixels = pixels
        plain = "yuv420p" if pixels == "yuv420p" else "yuva420p"
        self._frame: Any = av.VideoFrame(shape.width, shape.height, plain)
        self.views = []
        for plane in self._frame.planes:
            whole = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
            self.views.append(whole[:, : plane.width])
        for view, value in zip(self.views, (16, 128, 128, 0), strict=False):
            view[...] = value
        for name in ("colorspace", "color_primaries", "color_trc"):
            setattr(self._frame, name, BT709)
        self._frame.color_range = 1  # narrow

    def frame(self, number: int) -> Any:
        one = self._frame
        if one.format.name != self.pixels:
            one = one.reformat(format=self.pixels)
            one.color_primaries = one.color_trc = BT709
        one.pts = number
        return one


def _hear(out: Any, heard: Any, block: Any, done: int) -> int:
    """Encode a block of sound; return how many frames there are by then."""
    import av

    frame: Any = av.AudioFrame.from_ndarray(
        np.ascontiguousarray(block).reshape(1, -1), format="s16", layout="stereo"
    )
    frame.sample_rate, frame.pts, frame.time_base = RATE, done, Fraction(1, RATE)
    out.mux(heard.encode(frame))
    return done + len(block)


def _chapters(stream: Stream, title: int, seconds: float) -> list[Any]:
    rows = chapter_times(stream, title)
    ends = [at for at, _ in rows[1:]] + [title + seconds]
    return [
        {
            "id": number, "start": round(1000 * at), "end": round(1000 * end),
            "time_base": Fraction(1, 1000), "metadata": {"title": name},
        }
        for number, ((at, name), end) in enumerate(zip(rows, ends, strict=True))
    ]  # fmt: skip


def _told(stream: Stream) -> dict[str, str]:
    credits = stream.credits
    words = {
        "title": stream.title, "artist": credits.author, "copyright": credits.rights,
        "date": credits.date, "comment": MADE,
    }  # fmt: skip
    return {name: word for name, word in words.items() if word}
