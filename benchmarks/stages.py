"""Where the time of a render goes: one thread, so that nothing hides behind something else."""

from __future__ import annotations

import cProfile
import json
import pstats
import sys
import tempfile
from collections.abc import Callable, Iterable
from concurrent.futures import Future
from pathlib import Path
from typing import Any

# Functions whose whole time counts as one stage, by file and name.
STAGES = {
    ("synth.py", "__init__"): "FluidSynth made, soundfont opened",
    ("synth.py", "send"): "FluidSynth told what to play",
    ("synth.py", "later"): "FluidSynth told what to play",
    ("synth.py", "render"): "FluidSynth plays",
    ("events.py", "messages"): "notes to messages",
    ("mix.py", "_layers"): "levels and the room",
    ("loudness.py", "weighed"): "loudness measured",
    ("mix.py", "master"): "gains decided",
    ("rendered.py", "_finished"): "limiter",
    ("soundfile.py", "write"): "written by libsndfile",
    ("spool.py", "write"): "kept aside",
    ("tags.py", "tag"): "tags",
}


class _AtOnce:
    """A pool that does at once what it is given."""

    def __init__(self, _workers: int) -> None:
        pass

    def submit(self, do: Callable[..., Any], *given: Any) -> Future[Any]:
        done: Future[Any] = Future()
        done.set_result(do(*given))
        return done

    def map(self, do: Callable[..., Any], *given: Iterable[Any]) -> Iterable[Any]:
        return map(do, *given)

    def shutdown(self, **_: object) -> None:
        pass


def stages(words: list[str]) -> dict[str, float]:
    """Run a command of ours in this process and return the seconds of its stages."""
    import backing.output
    import backing.sound.rendered
    import backing.tags
    from backing.cli import main

    backing.sound.rendered.ThreadPoolExecutor = _AtOnce  # type: ignore[assignment, attr-defined]
    sys.argv = ["backing", *words]
    profile = cProfile.Profile()
    try:
        profile.runcall(main)
    except SystemExit as end:
        if end.code:
            raise
    found: dict[str, float] = {}
    rows: Any = pstats.Stats(profile)
    for (path, _, name), (_, _, _, whole, _) in rows.stats.items():
        stage = STAGES.get((Path(path).name, name))
        if stage is not None and ("backing" in path or "soundfile" in path):
            found[stage] = found.get(stage, 0.0) + whole
    found["the rest: notes, laying, reading back"] = rows.total_tt - sum(found.values())
    return found


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        given = [*sys.argv[1:], "-o", str(Path(folder) / "s.wav")]
        keep, sys.stdout = sys.stdout, sys.stderr
        made = stages(given)
        sys.stdout = keep
    print(json.dumps(made))
