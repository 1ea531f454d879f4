"""One item's files: rendered once, then MIDI, sounds, stems and the layers for the practice page.

Conventions: the layers of a loop are Ogg Opus at 48000 frames a second, which Chromium and Firefox
decode alike (RFC 7845: its length is exact to the frame). `PAD` frames of the loop's own end stand
before it and as many of its beginning after it, so that a decoder may begin and end as it likes.
Band and phrase are as loud as in the mix and limited each by itself; the page minds their sum.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from backing.events import Stream
from backing.lesson.items import Item
from backing.midi import midi_bytes
from backing.ogg import rewrite
from backing.output import FORMATS, OutputError, open_sound, why
from backing.sound.audio import Rendered, render
from backing.sound.filters import Samples
from backing.sound.limiter import gain_curve
from backing.sound.mix import LIMIT
from backing.sound.remarks import remarks
from backing.tags import mark, markers, tag, timeless
from phrases.errors import BluesError

__all__ = ["LAYERS", "PAD", "RATE", "layer_frames", "make_item"]

RATE = 48000
PAD = 9600  # frames, 0.2 s; an Opus decoder needs 0.08 s to settle (RFC 7845, 4.6)
LAYERS = ("band", "phrase")
COMPRESSION = 0.88  # libsndfile's scale: about 70 kbit/s
CHUNK = 1 << 16  # frames encoded at a time
BITS = 16


def make_item(item: Item, drafts: Path, font: Path) -> tuple[dict[str, str], dict[str, Any]]:
    """Make the files of an item under other names.

    Parameters
    ----------
    item
        What to make.
    drafts
        A folder for what is being made; nothing in it may have the same names.
    font
        The soundfont.

    Returns
    -------
    dict
        The name of each file in `drafts`, by its suffix: ``.wav``, or by its part: ``band``,
        ``stems/bass.wav``.
    dict
        ``seconds`` that it lasts, its ``swing``, long part to short part, and ``remarks`` on it.

    Raises
    ------
    BluesError
        If the piece, the take or a file cannot be made.
    """
    stream = item.stream()
    base = item.name.rpartition("/")[2]
    made: dict[str, str] = {}

    def draft(what: str, suffix: str) -> Path:
        made[what] = f"{base}{'' if what.startswith('.') else '.' + what.replace('/', '.')}"
        if not made[what].endswith(suffix):
            made[what] += suffix
        return drafts / made[what]

    with _explained(item.name, drafts):
        if item.formats:
            draft(".mid", ".mid").write_bytes(midi_bytes(stream))
        with contextlib.closing(
            render(stream, font, RATE, apart=item.stems, folder=drafts)
        ) as done:
            files = {f".{suffix}": draft(f".{suffix}", f".{suffix}") for suffix in item.formats}
            parts: list[str] = []
            if item.stems:
                rooms = {"band's room": "", "lead's room": ""}
                parts = [name for name in done.names if name not in rooms]
                parts = [*parts, "room", "mix"]
            stems = {part: draft(f"stems/{part}.wav", ".wav") for part in parts}
            if item.layers:
                layers = {name: draft(name, ".opus") for name in LAYERS}
                blocks = list(done.blocks())  # a loop is short
                _write_parts(blocks, done.names, files, stems)
                of_lead = np.array([name.startswith("lead") for name in done.names])
                apart = [[parts[~of_lead].sum(0), parts[of_lead].sum(0)] for parts, _ in blocks]
                _write_layers(apart, layers)
                for path in layers.values():
                    with path.open("r+b") as file:
                        rewrite(file)
            elif stems or item.take:
                taken = _taken(item, stream, done) if item.take else done.blocks()
                _write_parts(taken, done.names, files, stems)
            elif files:
                _write(done, files)
        music = stream.music
        for path in [*files.values(), *stems.values()]:
            if path.suffix == ".wav":
                timeless(path)
                mark(path, markers(stream, RATE))
            tag(path, stream.title, str(stream.key), float(music[0].tempo), stream.credits)
    first, last = done.window or (0, done.frames)
    facts = {"remarks": remarks(stream, done, font)}
    return made, {**facts, "seconds": (last - first) / RATE, "swing": music[-1].swing}


def _taken(item: Item, stream: Stream, done: Rendered) -> Iterator[tuple[Samples, Samples]]:
    from backing.lesson.take import with_take

    assert item.take is not None
    return with_take(item.take, item.phrase, stream, done)


def _write(done: Rendered, files: dict[str, Path]) -> None:
    with contextlib.ExitStack() as stack:
        opened = [
            stack.enter_context(open_sound(path, RATE, *_format(path))) for path in files.values()
        ]
        whole = all(file.subtype == "PCM_16" for file in opened)
        for mix in done.mixes(BITS if whole else None):
            for start in range(0, len(mix), CHUNK):
                for file in opened:
                    file.write(mix[start : start + CHUNK])


def _format(path: Path) -> tuple[str, str]:
    kind = FORMATS[path.suffix]
    assert kind is not None
    return kind[0], kind[1][BITS]


def _write_parts(
    blocks: Iterable[tuple[Samples, Samples]],
    names: tuple[str, ...],
    files: dict[str, Path],
    stems: dict[str, Path],
) -> None:
    with contextlib.ExitStack() as stack:
        wholes = [
            stack.enter_context(open_sound(path, RATE, *_format(path))) for path in files.values()
        ]
        parts = {
            part: stack.enter_context(open_sound(path, RATE, "WAV", "FLOAT"))
            for part, path in stems.items()
        }
        for layers, mix in blocks:
            for start in range(0, mix.shape[1], CHUNK):
                here = slice(start, start + CHUNK)
                for file in wholes:
                    file.write(mix[:, here].T)
                if parts:
                    heard = dict(zip(names, layers[:, :, here], strict=True))
                    heard["room"] = heard.pop("band's room") + heard.pop("lead's room")
                    heard["mix"] = layers[:, :, here].sum(axis=0)
                    for part, file in parts.items():
                        file.write(heard[part].T)


def _write_layers(blocks: Sequence[Sequence[Samples]], paths: dict[str, Path]) -> None:
    """Write band and phrase of a loop apart, with the sound that surrounds them."""
    import soundfile

    layers = np.concatenate(blocks, axis=2)
    for name, layer in zip(LAYERS, layers, strict=True):
        around = np.pad(layer, ((0, 0), (2 * PAD, 2 * PAD)), mode="wrap")
        around = (around * gain_curve(around, LIMIT))[:, PAD:-PAD]
        with soundfile.SoundFile(
            paths[name], "w", RATE, 2, format="OGG", subtype="OPUS", compression_level=COMPRESSION
        ) as file:
            for start in range(0, around.shape[1], CHUNK):
                file.write(around[:, start : start + CHUNK].T)


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
