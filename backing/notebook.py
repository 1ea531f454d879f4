"""How a piece shows itself in a notebook: the roll of its first bars, a line, a player."""

from __future__ import annotations

import base64
import tempfile
from html import escape
from pathlib import Path

from backing.cautions import LOUD
from backing.events import Stream
from backing.output import write
from backing.roll import Roll
from phrases.errors import BluesError

__all__ = ["shown"]

BARS = 12  # that are drawn
WIDE = 18.0  # pixels of a beat


def shown(stream: Stream) -> str:
    """Return a piece as HTML; where no sound can be made here, it says why."""
    kept = stream.kept()
    beats = min(BARS * kept.meter.beats, int(sum(section.beats for section in kept.sections)))
    caption = f"{repr(stream)[1:-1].removeprefix('Stream ')}. {LOUD}"
    drawn = Roll(kept, 0, beats, a_beat=WIDE).svg(kept.title)
    return f"<figure>{drawn}<figcaption>{escape(caption)}</figcaption>{_player(stream)}</figure>"


def _player(stream: Stream) -> str:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "piece.mp3"
        try:
            write(stream, path)
        except BluesError as error:
            return f"<p>{escape(str(error))}</p>"
        data = base64.b64encode(path.read_bytes()).decode()
    loop = " loop" if stream.window is not None else ""
    return f'<audio controls{loop} src="data:audio/mpeg;base64,{data}"></audio>'
