"""The JACK server and what plays on it, for the run that is for real."""

from __future__ import annotations

from tests.backing.live.conftest import jack, play, receiver

__all__ = ["jack", "play", "receiver"]
