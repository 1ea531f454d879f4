"""One item's files: rendered once, then MIDI, sounds, stems and the layers for the practice page.

Conventions: the layers of a loop are Ogg Opus at 48000 frames a second, which Chromium and Firefox
decode alike (RFC 7845: its length is exact to the frame). `PAD` frames of the loop's own end stand
before it and as many of its beginning after it, so that a decoder may begin and end as it likes.
Band and phrase are as loud as in the mix and limited each by itself; the page minds their sum.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from backing.events import Stream
from backing.film.shape import SIZES, shape
from backing.film.write import drawn, put_film, whole
from backing.lesson.items import Item
from backing.midi import midi_bytes
from backing.ogg import rewrite
from backing.sound.audio import Rendered, render
from backing.sound.filters import Samples
from backing.sound.limiter import gain_curve
from backing.sound.mix import LIMIT, OF_LEAD
from backing.sound.remarks import remarks
from backing.sound_files import OutputError, sound_files, why, write_frames
from phrases.errors import BluesError

__all__ = ["LAYERS", "PAD", "RATE", "layer_frames", "make_item"]

RATE = 48000
PAD = 9600  # frames, 0.2 s; an Opus decoder needs 0.08 s to settle (RFC 7845, 4.6)
LAYERS = ("band", "phrase")
COMPRESSION = 0.88  # libsndfile's scale: about 70 kbit/s
BITS = 16
FILM_RATE = 30  # pictures a second


def make_item(item: Item, drafts: Path, font: Path) -> tuple[dict[str, str], dict[str, Any]]:
    """Make the files of an item under other names.

    Nothing in the folder `drafts` may have the same names. Returns the name of each file there, by
    its ending in `Item.outputs` or its layer, ``band``; and facts: ``seconds`` that it lasts, its
    ``swing``, long part to short part, and ``remarks`` on it. Raises `BluesError` if the piece,
    the take or a file cannot be made.
    """
    stream = item.stream()
    base = item.name.rpartition("/")[2]
    made = {what: base + what.replace("/", ".") for what in item.outputs()}
    made |= {name: f"{base}.{name}.opus" for name in LAYERS if item.layers}
    drafted = {what: drafts / name for what, name in made.items()}
    with _explained(item.name, drafts):
        if item.formats:
            drafted[".mid"].write_bytes(midi_bytes(stream))
        rendered = render(stream, font, RATE, apart=item.stems, folder=drafts)
        with contextlib.closing(rendered) as done:
            files = {Path(f"{item.name}.{one}"): drafted[f".{one}"] for one in item.formats}
            stems = {Path(what).relative_to("_stems"): path for what, path in drafted.items()
                     if what.startswith("_stems")}  # fmt: skip
            blocks = list(done.blocks()) if item.layers else None  # a loop is short
            if files or stems:
                with sound_files(stream, files, stems, RATE, BITS) as write_all:
                    write_all(done, _taken(item, stream, done) if item.take else blocks)
            if blocks is not None:
                of_lead = np.array([name in OF_LEAD for name in done.names])
                halves = [[parts[~of_lead].sum(0), parts[of_lead].sum(0)] for parts, _ in blocks]
                _write_layers(halves, [drafted[name] for name in LAYERS])
            if item.film:
                sound = map(whole, _taken(item, stream, done)) if item.take else done.mixes(BITS)
                both = drafted[".mp4"], drafted[".vtt"]
                put_film(drawn(stream, shape(SIZES[0])), both, FILM_RATE, sound, done.frames)
    first, last = done.window or (0, done.frames)
    facts = {"remarks": remarks(stream, done, font)}
    return made, {**facts, "seconds": (last - first) / RATE, "swing": stream.music[-1].swing}


def _taken(item: Item, stream: Stream, done: Rendered) -> Iterator[tuple[Samples, Samples]]:
    from backing.lesson.take import with_take

    assert item.take is not None
    return with_take(item.take, item.phrase, stream, done)


def _write_layers(blocks: Sequence[Sequence[Samples]], paths: Sequence[Path]) -> None:
    """Write band and phrase of a loop apart, with the sound that surrounds them."""
    layers = np.concatenate(blocks, axis=2)
    for path, layer in zip(paths, layers, strict=True):
        around = np.pad(layer, ((0, 0), (2 * PAD, 2 * PAD)), mode="wrap")
        around = (around * gain_curve(around, LIMIT))[:, PAD:-PAD]
        write_frames(path, [around.T], RATE, compression_level=COMPRESSION)
        with path.open("r+b") as written:
            rewrite(written)


def layer_frames(path: Path) -> int:
    """Return the length in frames of the loop in a layer's file; `PAD` frames stand before it."""
    import soundfile

    return int(soundfile.info(path).frames) - 2 * PAD


@contextlib.contextmanager
def _explained(name: str, folder: Path) -> Iterator[None]:
    """Turn what libraries raise while files are written into an `OutputError`."""
    try:
        yield
    except BluesError:
        raise
    except (OSError, RuntimeError, AssertionError) as error:
        raise OutputError(f"{name}: cannot be made: {why(error, folder / '-')}") from None
