"""What drums, bass and comping play, as data: one TOML file each beside this module."""

from __future__ import annotations

from backing.grooves.groove import (
    Groove,
    Pattern,
    find_groove,
    groove_names,
    groove_titles,
    load_groove,
)
from backing.grooves.instruments import DRUMS

__all__ = [
    "DRUMS", "Groove", "Pattern", "find_groove", "groove_names", "groove_titles", "load_groove",
]  # fmt: skip
