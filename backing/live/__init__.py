"""Live playing: the stream on the sound card or on a MIDI port, with keys, a pedal and a screen.

Nothing is imported here; `backing.live.play.play` ties it together.
"""

from __future__ import annotations

__all__ = ["LOUD"]

LOUD = "Start with the volume low: loud headphones can damage hearing."
