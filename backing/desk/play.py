"""A text as sound for the browser: first the phrase, then the band under it.

Conventions: seconds count from where playing begins. Sound is stereo, 16 bits, little-endian, at
`RATE` frames a second; phrase and band are streams of their own, of one length, to be heard at
once. Gains are fixed in advance, since nothing waits for the whole to be measured.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any

from backing import feel, pieces
from backing.desk.look import parsed
from backing.events import Note, Stream
from backing.sound.audio import LAST_RING, layers
from backing.sound.limiter import gain_curve
from backing.sound.mix import LIMIT, TOGETHER, USUAL
from phrases.errors import RangeError
from phrases.phrase import Phrase
from soundfonts import find_soundfont

__all__ = ["RATE", "Playing", "playing", "sound", "taking"]

RATE = 48000
QUIET = 0.6  # of the usual gains: two streams that are limited apart are heard together
CHORUSES = 2  # that an idea is played over
EARLY = 0.03  # seconds that are heard before the first note


@dataclass(frozen=True, slots=True)
class Playing:
    """What is about to be heard."""

    stream: Stream  # whose programs, voice and tone are used
    lead: tuple[Note, ...]  # and `band`: notes, in seconds from where playing begins
    band: tuple[Note, ...]
    times: tuple[tuple[float, float], ...]  # when each written beat of the phrase is heard
    seconds: float  # how long it is, without what rings on
    # The command that plays it, and the phrase's file, where it is played to be recorded over.
    words: tuple[str, ...] = ()
    text: str = ""


def playing(path: Path, text: str, asked: dict[str, Any]) -> Playing:
    """Read a text that is being edited into a stream to play, or a part of it.

    `asked` has ``from``, a beat, or ``part``, a number, where not all is played; ``variation``,
    ``key``, ``groove``, ``tempo`` and ``tone`` where they are not the phrase's own. Raises
    `BluesError` if the text or a word is none that can be played.
    """
    phrase = parsed(path, text)
    if asked.get("variation"):
        phrase = phrase.variation(str(asked["variation"]))
    own = {name: str(asked[name]) for name in ("key", "groove", "tone") if asked.get(name)}
    stream = _once(phrase, _tempo(asked) or phrase.tempo, tuple(own.items()))
    music = next(one for one in stream.sections if one.kind == "pass")
    lead: list[tuple[Fraction, Note]] = []
    band: list[Note] = []
    for section in stream.sections:
        shift = float(section.start)
        for note in section.notes:
            moved = replace(note, start=note.start + shift, end=note.end + shift)
            if note.beat is not None:
                lead.append((section.first_beat - music.first_beat + note.beat, moved))
            elif section.kind == "pass":
                band.append(moved)
    first, last = _beats(phrase, asked)
    lead = [(beat, note) for beat, note in lead if first <= beat < last]
    if not lead:
        raise RangeError("there is no note to play from here on")
    begin = max(0.0, min(note.start for _, note in lead) - EARLY)
    whole = last >= phrase.bars * phrase.meter.beats
    end = float(music.start + music.seconds) if whole else max(n.end for _, n in lead)

    def cut(notes: list[Note]) -> tuple[Note, ...]:
        return tuple(
            replace(one, start=max(0.0, one.start - begin), end=min(one.end, end + 0.5) - begin)
            for one in sorted(notes, key=lambda note: note.start)
            if one.end > begin and begin - 0.01 <= one.start < end
        )

    times: dict[float, float] = {}
    for beat, note in lead:
        times[float(beat)] = min(note.start - begin, times.get(float(beat), 1e9))
    line = cut([note for _, note in lead])
    return Playing(stream, line, cut(band), tuple(sorted(times.items())), end - begin)


def taking(path: Path, text: str, asked: dict[str, Any]) -> Playing:
    """Return the backing of a recording: a bar of sticks and the band, without the phrase.

    `asked` has, besides what `playing` takes, ``take``: ``hear`` for the bars of the phrase, once,
    else choruses; and ``band``, false for the sticks alone. Raises what `playing` raises.
    """
    own: dict[str, Any] = {name: str(asked[name]) for name in ("key", "groove") if asked.get(name)}
    tempo = _tempo(asked)
    # The user's settings, which the command takes, are not the desk's.
    words = ["--seed", str(pieces.SEED), "--looseness", str(feel.USUAL)]
    words += [word for name, value in own.items() for word in (f"--{name}", value)]
    if asked["take"] == "hear":
        phrase = parsed(path, text)
        tempo = tempo or phrase.tempo
        if asked.get("variation"):
            phrase = phrase.variation(str(asked["variation"]))
            words += ["--variation", str(asked["variation"])]
        stream = _once(phrase, tempo, tuple(own.items()))
        given = ["loop", asked["name"], "--shape", "hold", "--passes", "1", "--to"]
    else:
        text = ""
        stream = pieces.track(tempo=tempo, choruses=CHORUSES, **own)
        given = ["track", "--choruses", str(CHORUSES), "--tempo"]
        tempo = tempo or stream.sections[0].tempo
    every = [(s, replace(n, start=n.start + float(s.start), end=n.end + float(s.start)))
             for s in stream.sections for n in s.notes]  # fmt: skip
    heard = [s for s in stream.sections if asked.get("band") or s.kind == "count-in"]
    band = [note for s, note in every if note.beat is None and s in heard]
    music = next((one for one in stream.sections if one.kind == "pass"), stream.sections[0])
    times = {float(s.first_beat - music.first_beat + n.beat): n.start
             for s, n in reversed(every) if n.beat is not None}  # fmt: skip
    last = stream.sections[-1]
    return Playing(stream, (), tuple(sorted(band, key=lambda note: note.start)),
                   tuple(sorted(times.items())), float(last.start + last.seconds),
                   (*given, f"{float(tempo):g}", *words), text)  # fmt: skip


def _tempo(asked: dict[str, Any]) -> Fraction | None:
    tempo = asked.get("tempo")
    if not tempo:
        return None
    if not isinstance(tempo, int | float):
        raise RangeError("tempo: it must be a number")
    return Fraction(tempo).limit_denominator(1000)


def _beats(phrase: Phrase, asked: dict[str, Any]) -> tuple[Fraction, Fraction]:
    """Return from which beat to which is played."""
    ends = Fraction(phrase.bars * phrase.meter.beats)
    starts = [bar * phrase.meter.beats - part.pickup for bar, part in phrase.placed()]
    first, last = starts[0], ends
    if asked.get("part") is not None:
        number = int(asked["part"])
        if not 0 <= number < len(starts):
            raise RangeError(f"part {number}: there are {len(starts)}")
        first, last = starts[number], [*starts[1:], ends][number]
    if asked.get("from") is not None:
        first = max(first, Fraction(float(asked["from"])).limit_denominator(1000))
    return first, last


@lru_cache(16)
def _once(phrase: Phrase, tempo: Fraction, own: tuple[tuple[str, str], ...]) -> Stream:
    """Return a phrase over its own bars, once."""
    words: Any = dict(own)
    return pieces.loop(phrase, shape="hold", goal=tempo, passes=1, **words)


def sound(what: Playing, layer: str) -> Iterator[bytes]:
    """Yield one layer of what is played, ``lead`` or ``band``, piece by piece."""
    at = TOGETHER.index(layer)
    notes = what.lead if layer == "lead" else what.band
    gain = QUIET * (USUAL.lead if layer == "lead" else USUAL.band)
    font = find_soundfont(None).path
    left = round((what.seconds + LAST_RING) * RATE)
    for piece in layers(what.stream, notes, font, RATE, TOGETHER):
        frames = piece[at] * gain
        if not frames.shape[1] or left <= 0:
            continue
        frames = (frames * gain_curve(frames, LIMIT))[:, :left]
        left -= frames.shape[1]
        yield (frames.T * 32767).astype("<i2").tobytes()
