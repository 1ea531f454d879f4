"""``python -m backing.cli``."""

from __future__ import annotations

from backing.cli import main

if __name__ == "__main__":
    main(prog_name="backing")
