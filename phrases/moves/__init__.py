"""A phrase to other phrases, the way teachers vary one.

`phrases.moves.proposals.vary` is the way in; the moves stand in `phrases.moves.table`.
"""

from __future__ import annotations

__all__ = ["COUNT", "SEED"]

COUNT, SEED = 5, 1  # proposals, and what draws them
