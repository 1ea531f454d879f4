"""Checks made after every rendering, and the sentences that report what fails them.

Nothing here costs another pass over the sound: the numbers are by-products of the rendering.
"""

from __future__ import annotations

import math
from pathlib import Path

from backing.events import DAMPED_PROGRAM, LEAD, ON, Stream, messages, part_of
from backing.sound.mix import LOUDNESS
from backing.sound.rendered import Rendered
from backing.sound.synth import PARTS
from backing.sound.voices.ensemble import sampled
from soundfonts.presets import DRUMS, presets

__all__ = ["lacking", "lost", "remarks"]

CLOSE = 0.5  # LU
SILENT = 10 ** (-60 / 20)  # of full scale, dry: the softest note is many times louder
HIGHEST = 10 ** (-1 / 20)
NAMES = {"lead": "guitar", "comp": "comping"}


def lacking(stream: Stream, soundfont: Path) -> list[str]:
    """Say which presets a soundfont lacks that a stream is played with."""
    found = presets(soundfont)
    if found is None:
        return [f"{soundfont}: its presets cannot be read; it may be damaged, so try another"]
    wanted = {}
    for part in sampled(stream):
        program = stream.programs.get(part, 0)
        wanted[DRUMS if part == "drums" else 0, program] = part
    notes = (note for section in stream.sections for note in section.notes)
    damped = any(note.damped and note.voice in LEAD for note in notes)
    if damped and "lead" in wanted.values():
        wanted.setdefault((0, DAMPED_PROGRAM), "lead")
    missing = {part: key for key, part in wanted.items() if key not in found}
    if not missing:
        return []
    told = ", ".join(
        f"{NAMES.get(part, part)} ({'a drum kit' if bank else f'General MIDI {program + 1}'})"
        for part, (bank, program) in missing.items()
    )
    return [
        f"{soundfont} has no preset for: {told}. They sound as something else or not at all; "
        "`backing list soundfonts` shows others"
    ]


def lost(stream: Stream) -> int:
    """Return how many of the guitar's notes are never sounded.

    One that begins where another of its string and pitch does is not, nor one that lies beyond the
    end of what is kept.
    """
    known: dict[int, int] = {}
    sections = stream.kept().sections
    for section in sections:
        if id(section.notes) not in known:
            notes = tuple(note for note in section.notes if note.voice in LEAD)
            sounded = sum(rank == ON for _, rank, _ in messages(notes))
            known[id(section.notes)] = len(notes) - sounded
    return sum(known[id(section.notes)] for section in sections)


def remarks(stream: Stream, done: Rendered, soundfont: Path) -> list[str]:
    """Return remarks on a piece that was rendered: loudness, peaks, silent parts, lost notes.

    Parameters
    ----------
    stream
        What was played.
    done
        What came of it.
    soundfont
        What it was played with.
    """
    told = lacking(stream, soundfont)
    parts = [part for part in PARTS if part in {part_of(voice) for voice in stream.voices}]
    silent = [part for part in parts if done.heard[PARTS.index(part)] < SILENT]
    if silent:
        names = " and ".join(NAMES.get(part, part) for part in silent)
        told.append(f"nothing is heard of: {names}; is {soundfont} whole? Try another soundfont")
    missing = lost(stream)
    if missing:
        told.append(
            f"{missing} of the guitar's notes are not heard: they begin where another one of the "
            "same place does, or beyond the end"
        )
    if not math.isfinite(done.peak) or done.peak > HIGHEST:
        told.append(f"its peaks reach {20 * math.log10(max(done.peak, 1e-9)):+.1f} dBFS, over -1")
    off = done.loudness - LOUDNESS
    if math.isfinite(off) and abs(off) > CLOSE:
        told.append(
            f"it comes out at {done.loudness:.1f} LUFS, not at {LOUDNESS:.0f}: what is loud and "
            "what is soft in it lie too far apart for the limiter"
        )
    return told
