"""How loud each part of a piece is."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from backing.events import Stream
from backing.sound.audio import frame_of, render
from backing.sound.loudness import GATE, OFFSET, LoudnessMeter
from backing.sound.synth import PARTS

__all__ = ["levels"]


def levels(stream: Stream, soundfont: Path) -> dict[str, float]:
    """Return the level of each part's dry stem in a mastered piece, in LU above that of the band.

    It is that of the moments that count for the band's loudness (BS.1770's gates), between
    count-in and ending; a stem's own gates would take a part that is seldom heard for a loud one.
    """
    with_lead = "lead" in stream.parts
    rendered = render(stream, soundfont, apart=True)
    try:
        meter = LoudnessMeter(len(rendered.names), rendered.rate)
        first, last = (frame_of(stream.sections[at]) for at in (1, -1))
        at = 0
        for stretch in rendered.row:
            if first <= at < last:
                meter.add(rendered.spool.read(stretch))
            at += len(stretch)
        names = [name.replace("sticks", "drums") for name in rendered.names]
        gains = rendered.gains.of(rendered.names).astype(np.float64)
    finally:
        rendered.close()
    shared = meter._windows().reshape(-1, len(names), len(names)) * np.outer(gains, gains)
    own = np.array([not name.startswith("lead") for name in names])
    band = shared[:, own][:, :, own].sum(axis=(1, 2))
    loud = band > 10 ** ((GATE - OFFSET) / 10)
    loud &= band > band[loud].mean() / 10
    return {
        part: float(10 * np.log10(shared[loud, at, at].mean() / band[loud].mean()))
        for at, part in enumerate(names)
        if part in PARTS and (part != "lead" or with_lead) and shared[loud, at, at].any()
    }
