"""Finds a General MIDI soundfont; imports nothing heavy and never downloads."""

from __future__ import annotations

from soundfonts.find import Soundfont, SoundfontError, embedded, find_soundfont, installed

__all__ = ["Soundfont", "SoundfontError", "embedded", "find_soundfont", "installed"]
