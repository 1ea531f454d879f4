"""Measure how well takes are heard: `python -m benchmarks.hearing`, written to `HEARING.md`.

The third of the library on which nothing was tuned is played by program, in four passes from 60 %
to 120 % of its tempo, with known slips, and heard. Takes that are put together note by note are an
upper bound for bends and legato: hands are less clean.
"""

from __future__ import annotations

import math
import os
import statistics
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import backing
from backing.events import Note, Stream
from backing.grooves import find_groove
from backing.listening.draft import bars_of, catch
from backing.listening.ears import listen
from backing.listening.judge import review
from backing.listening.judged import Review
from backing.listening.room import cleaned
from backing.listening.source import Frames, Memory
from backing.listening.written import unbroken, written
from benchmarks.timed import wheel_soundfont
from phrases.files import load_phrase, read_phrase, shipped
from tests.backing.listening.material import (
    RATE,
    Again,
    Played,
    Slips,
    added,
    again,
    lead,
    sound,
    sounded,
    student,
)

RESULTS = Path(__file__).parent / "HEARING.md"
LARGE = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")  # Debian: fluid-soundfont-gm
HELD_OUT = sorted(shipped())[2::3]
TUNED = sorted({*shipped()} - {*HELD_OUT})
STUDENT = Slips(
    spread=0.03, dropped=0.05, wrong=0.05, bends=(0, -10, -25, -45, -80, 25), added=0.05,
    ring=0.35, noises=0.5,
)  # fmt: skip
FLAT = -25.0  # cents

Sound = NDArray[np.float32]


@dataclass(frozen=True)
class Take:
    """How the takes of one row are made: voice, soundfont, tone, slips, dB of what disturbs.

    `program` is the General MIDI program, from 0, of another sampled guitar than the usual one.
    """

    voice: str = "strings"
    font: str = ""
    tone: str = "clean"
    slips: Slips = STUDENT
    noise: float | None = None
    hum: float | None = None
    air: float | None = None
    program: int | None = None

    def there(self) -> bool:
        """Tell whether its soundfont is installed."""
        return self.font != "large" or LARGE.exists()

    def sound(self, notes: Sequence[Note], stream: Stream) -> Sound:
        """Return the guitar alone."""
        font = LARGE if self.font == "large" else Path(wheel_soundfont())
        if self.program is not None:
            programs = {**stream.programs, "lead": self.program}
            stream = replace(stream, programs=programs)
        return sound(notes, stream, self.tone, self.voice, font)


@dataclass
class Counts:
    """What was found in the takes of a row."""

    counts: Counter[str] = field(default_factory=Counter)
    onsets: list[float] = field(default_factory=list)
    bends: list[float] = field(default_factory=list)
    vibrato: list[tuple[float, float]] = field(default_factory=list)
    f50: list[float] = field(default_factory=list)
    f20: list[float] = field(default_factory=list)
    ends: list[float] = field(default_factory=list)
    seconds: float = 0.0
    took: float = 0.0

    def add(self, other: Counts) -> None:
        """Add another phrase's."""
        self.counts += other.counts
        for name in ("onsets", "bends", "vibrato", "f50", "f20", "ends"):
            getattr(self, name).extend(getattr(other, name))
        self.seconds += other.seconds
        self.took += other.took


NONE = Slips()
LATE = replace(STUDENT, late=0.08)
SHARP = replace(STUDENT, tuning=25)
ROWS: dict[str, Take] = {
    "perfect, strings, clean": Take(slips=Slips()),
    "perfect, strings, driven": Take(tone="driven", slips=Slips()),
    "perfect, strings, fuzz": Take(tone="fuzz", slips=Slips()),
    "perfect, small soundfont": Take("soundfont", slips=Slips()),
    "perfect, strings, band at -20 dB": Take(slips=Slips(), air=-20),
    "student, strings, clean": Take(),
    "student, strings, driven": Take(tone="driven"),
    "student, strings, fuzz": Take(tone="fuzz"),
    "student, small soundfont": Take("soundfont"),
    "student, large soundfont": Take("soundfont", "large"),
    "student, sampled steel-string guitar": Take("soundfont", "large", program=25),
    "student, sampled jazz guitar": Take("soundfont", "large", program=26),
    "student, strings, band at -20 dB": Take(air=-20),
    "student, strings, band at -10 dB": Take(air=-10),
    "student, strings, noise at -20 dB": Take(noise=-20),
    "student, strings, hum at -20 dB": Take(hum=-20),
    "student, 80 ms late": Take(slips=LATE),
    "student, 25 cents sharp": Take(slips=SHARP),
}


VOICES: dict[str, Take] = {
    "caught, strings": Take(slips=NONE),
    "caught, small soundfont": Take("soundfont", slips=NONE),
    "caught, large soundfont": Take("soundfont", "large", slips=NONE),
    "caught, sampled steel-string guitar": Take("soundfont", "large", slips=NONE, program=25),
    "caught, sampled jazz guitar": Take("soundfont", "large", slips=NONE, program=26),
    "caught, strings by a hand": Take(slips=Slips(spread=0.015, ring=0.3, noises=0.5)),
}


def stream_of(name: str) -> Stream:
    """Return four passes at rising tempos."""
    tempo = float(load_phrase(name).tempo)
    low, high = max(30, round(0.6 * tempo)), min(240, round(1.2 * tempo))
    step = max(1, -(-(high - low) // 3))
    return backing.loop(name, start=low, goal=high, step=step, each=1)


def level(sound: Sound) -> float:
    """Return the root mean square of what is not silent."""
    loud = sound[np.abs(sound) > 0.05 * np.abs(sound).max()]
    return float(np.sqrt(np.square(loud, dtype=np.float64).mean()))


def disturbed(guitar: Sound, stream: Stream, how: Take) -> Frames:
    """Return a take with noise, hum or the band in it, and that taken out again."""
    chance = np.random.default_rng(2)
    out = guitar.astype(np.float64)
    seconds = np.arange(len(out)) / RATE
    disturbing: list[tuple[float, NDArray[np.float64]]] = []
    if how.noise is not None:
        disturbing.append((how.noise, chance.standard_normal(len(out))))
    if how.hum is not None:
        mains = sum(
            share * np.sin(math.tau * 50 * n * seconds + n)
            for n, share in ((1, 0.6), (2, 1.0), (3, 0.7), (4, 0.4), (6, 0.3), (8, 0.2))
        )
        disturbing.append((how.hum, np.asarray(mains)))
    band: Sound | None = None
    if how.air is not None:
        band = the_band(stream, Path(wheel_soundfont()), len(out))
        # A loudspeaker a metre away, dull, in a room that answers for 0.3 s.
        room = chance.standard_normal(13230) * np.exp(-np.arange(13230) / RATE * 25) * 0.05
        room[132] += 1
        size = 1 << (len(out) + len(room)).bit_length()
        air = np.fft.irfft(np.fft.rfft(band, size) * np.fft.rfft(room, size), size)[: len(out)]
        disturbing.append((how.air, air))
    for decibels, other in disturbing:
        gain = level(guitar) / level(other.astype(np.float32)) * 10 ** (decibels / 20)
        out += gain * other
    take = Memory(out.astype(np.float32), RATE)
    clean = cleaned(take, Memory(band, RATE)) if band is not None else None
    return clean or take


def the_band(stream: Stream, font: Path, frames: int) -> Sound:
    """Return the band without the lead, mono."""
    from backing.sound.synth import PARTS
    from backing.sound.voices.ensemble import played

    rows = []
    for section in stream.sections:
        at = float(section.start)
        for note in section.notes:
            if not note.voice.startswith("lead"):
                rows.append(replace(note, start=at + note.start, end=at + note.end))
    stems = np.concatenate(
        [*played(tuple(sorted(rows, key=lambda n: n.start)), stream.programs, font, RATE)],
        axis=-1,
    )
    whole = stems[[PARTS.index(p) for p in ("drums", "bass", "comp")]].sum(axis=0).mean(axis=0)
    out = np.zeros(frames, np.float32)
    out[: min(frames, len(whole))] = whole[:frames]
    return out


def measured(name: str, how: Take) -> Counts:
    """Make one take and hear it."""
    stream = stream_of(name)
    seed = sum(map(ord, name))
    slips = replace(how.slips, seed=seed)
    strokes = student(lead(stream), slips)
    guitar = how.sound(sounded(strokes, slips), stream)
    source = disturbed(guitar, stream, how)
    events = written(stream, unbroken(stream), turns=False)
    began = time.process_time()
    found = review(events, listen(source))
    out = counted(found, strokes, slips)
    out.took, out.seconds = time.process_time() - began, len(guitar) / RATE
    return out


def counted(found: Review, strokes: Sequence[Played], slips: Slips) -> Counts:
    """Compare what was heard with what was played."""
    import mir_eval

    out = Counts()
    known = {round(note.start, 4): one for one in strokes for note in one.notes}
    heard: list[tuple[float, float]] = []
    for one in found.judged:
        if one.event.kind != "pick":
            continue
        truth = known[round(one.event.at, 4)]
        was = "dropped" if truth.dropped else "wrong" if truth.wrong else "good"
        out.counts[was] += 1
        out.counts[f"{was} {one.how}"] += 1
        if math.isfinite(one.off):
            if not truth.dropped and not one.event.raked:
                out.onsets.append(1000 * (one.off - truth.late))
            off = 0.0 if math.isnan(one.pitch) or len(one.event.notes) > 1 else one.pitch / 100
            heard += [
                (one.event.at + one.off, part.pitch + part.curve.first / 100 + off)
                for part in one.event.notes
            ]
        for bend in one.bends if was == "good" else ():
            out.counts["bends"] += 1
            if math.isfinite(bend.off):
                out.bends.append(bend.off - truth.bend)
                flat, said = truth.bend < FLAT, bend.off < FLAT
                out.counts["flat bends"] += flat
                out.counts["flat bends found"] += flat and said
                out.counts["good bends called flat"] += said and truth.bend >= -10
        if one.vibrato is not None:
            out.vibrato.append(
                (
                    one.vibrato.hertz - one.vibrato.written_hertz,
                    one.vibrato.cents / one.vibrato.written_cents,
                )
            )
    real = {round(note.start, 4): note for note in sounded(strokes, slips)}
    for one in found.judged:
        played = known.get(round(one.event.at, 4))
        if one.event.kind == "pick" and played and not played.dropped and one.how == "played":
            starts = [round(note.start + played.late, 4) for note in played.notes]
            ends = [real[start].end for start in starts if start in real]
            if math.isfinite(one.held) and ends:
                out.ends.append(one.event.end + one.off + one.held - max(ends))
    extras = [note.start for note in added(strokes, slips) if not note.damped]
    hits = sum(any(abs(one.at - at) < 0.08 for one in found.extra) for at in extras)
    out.counts["added"], out.counts["added found"] = len(extras), hits
    out.counts["extra"] = max(0, len(found.extra) - hits)
    heard += [(one.at, one.cents / 100) for one in found.extra]
    heard.sort()
    notes = [n for n in sounded(strokes, slips) if not n.damped]
    truth_times = np.array([(n.start, max(n.end, n.start + 0.05)) for n in notes])
    pitches = np.array([n.pitch + (n.curve.first / 100 if n.curve else 0) for n in notes])
    for tolerance, into in ((0.05, out.f50), (0.02, out.f20)):
        _, _, f, _ = mir_eval.transcription.precision_recall_f1_overlap(
            truth_times, 440 * 2 ** ((pitches - 69) / 12),
            np.array([(at, at + 0.1) for at, _ in heard]),
            440 * 2 ** ((np.array([p for _, p in heard]) - 69) / 12),
            onset_tolerance=tolerance, pitch_tolerance=60, offset_ratio=None,
        )  # fmt: skip
        into.append(f)
    return out


def caught(name: str, how: Take) -> Again:
    """Play a phrase once and catch it again."""
    stream = backing.loop(name, shape="hold", passes=1)
    slips = replace(how.slips, seed=sum(map(ord, name)))
    guitar = how.sound(sounded(student(lead(stream), slips), slips), stream)
    phrase = load_phrase(name)
    found = catch(
        Memory(guitar, RATE), key=phrase.key, groove=find_groove(phrase.groove),
        tempo=phrase.tempo, bars=bars_of(stream, unbroken(stream)),
    )  # fmt: skip
    out = again(phrase, found.phrase)
    out.read = read_phrase(found.text) == found.phrase
    return out


def played_in(voices: Sequence[str]) -> Iterator[str]:
    """Yield the table of what was caught, and what was not."""
    yield (
        "| voice | third | notes right | notes too many | techniques right | too many "
        "| drafts that read |"
    )
    yield "|---" * 7 + "|"
    rest: dict[str, list[str]] = {}
    with ProcessPoolExecutor(2) as pool:
        for what in voices:
            how = VOICES[what]
            if not how.there():
                continue
            voice = what.removeprefix("caught, ")
            for third, names in (("tuned on", TUNED), ("held out", HELD_OUT)):
                whole = Again()
                read = 0
                for name, one in zip(
                    names, pool.map(caught, names, [how] * len(names)), strict=True
                ):
                    whole.add(one)
                    read += one.read
                    if one.rest:
                        rest.setdefault(voice, []).append(f"- {name}: {'; '.join(one.rest)}")
                row = (
                    f"| {voice} | {third} | {whole.right} of {whole.notes} "
                    f"({whole.right / whole.notes:.1%}) | {whole.more} | {whole.moves_right} of "
                    f"{whole.moves} ({whole.moves_right / whole.moves:.1%}) | {whole.moves_more} "
                    f"| {read} of {len(names)} |"
                )
                print(row, file=sys.stderr, flush=True)
                yield row
    for voice, lines in rest.items():
        yield f"\nWhat is not right, {voice}:\n"
        yield from lines


def line(what: str, found: Counts) -> str:
    """Return a row of the table."""
    c = found.counts
    onsets = np.array(found.onsets)
    apart = np.abs(onsets - np.median(onsets))
    swayed = np.median(np.abs(np.array(found.vibrato or [(0.0, 1.0)]) - (0.0, 1.0)), axis=0)
    ends = np.percentile(1000 * np.abs(found.ends or [0.0]), (50, 95))
    bends = np.abs(found.bends) if found.bends else np.zeros(1)
    return (
        f"| {what} | {c['good missed']} {c['good wrong']} {c['good unclear']} of {c['good']} "
        f"| {c['dropped missed']} of {c['dropped']} | {c['wrong wrong']} of {c['wrong']} "
        f"| {c['added found']} of {c['added']} | {c['extra'] / found.seconds * 60:.1f} "
        f"| {np.median(apart):.1f} {np.percentile(apart, 95):.1f} "
        f"| {statistics.mean(found.f50):.2f} {statistics.mean(found.f20):.2f} "
        f"| {len(found.bends)} of {c['bends']} "
        f"| {np.median(bends):.0f} {np.percentile(bends, 95):.0f} "
        f"| {c['flat bends found']} of {c['flat bends']}, {c['good bends called flat']} "
        f"| {len(found.vibrato)} | {swayed[0]:.2f} {100 * swayed[1]:.0f} "
        f"| {len(found.ends)} | {ends[0]:.0f} {ends[1]:.0f} | {found.seconds / found.took:.0f} |"
    )


def table(rows: Sequence[str]) -> Iterator[str]:
    """Yield the rows as they are measured."""
    yield (
        "| take | good notes missed, wrong, unclear | dropped found | wrong found | added found "
        "| false extras a minute | onset ms: median, 95 % | F at 50, 20 ms | bends judged "
        "| cents off: median, 95 % | flat found, good called flat "
        "| vibratos | off by Hz, % of width | ends judged | ms off: median, 95 % "
        "| times real time |"
    )
    yield "|---" * 16 + "|"
    with ProcessPoolExecutor(2) as pool:
        for what in rows:
            how = ROWS[what]
            if not how.there():
                continue
            whole = Counts()
            for one in pool.map(measured, HELD_OUT, [how] * len(HELD_OUT)):
                whole.add(one)
            print(line(what, whole), file=sys.stderr, flush=True)
            yield line(what, whole)


def main() -> None:
    """Write the file."""
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    asked = sys.argv[1:]
    rows, voices = (
        [what for what in all_ if not asked or any(word in what for word in asked)]
        for all_ in (ROWS, VOICES)
    )
    tables = ["\n".join(table(rows))] if rows else []
    tables += [CAUGHT + "\n".join(played_in(voices))] if voices else []
    if asked:
        print("\n".join(tables))
    else:
        RESULTS.write_text(HEAD + "\n".join(tables) + "\n", encoding="utf-8")


HEAD = f"""# How well takes are heard

Made by `python -m benchmarks.hearing`: {len(HELD_OUT)} phrases of the library, every third, on
which nothing was tuned; four passes each from 60 % to 120 % of the tempo. A student scatters by
30 ms, drops 5 % of the strokes, plays 5 % a semitone or a tone off, adds 5 %, bends up to 80
cents flat, lets strings ring for up to 0.35 s and touches one every two seconds.
The takes are put together by program, so bends and legato are upper bounds until players are
heard. F is mir_eval's, onset and pitch. An end is judged where a level that was steady falls at
once, or a note rings on into a rest. The small soundfont is TimGM6mb from the pretty_midi wheel
(GPL-2.0), the large one FluidR3 from Debian's fluid-soundfont-gm (MIT), of which two more sampled
guitars are heard, the steel-string and the jazz guitar.

"""

CAUGHT = """
## Playing a phrase in

Every phrase of the library, played once at its own tempo and caught again by
`backing.listening.draft.catch`, which is told key, groove, tempo and bars. A note is right with
its pitch on its count; a technique with its sign, its count and how far it goes. Strings and frets
are not compared. Two thirds of the phrases were tuned on; below stands all that is not right. The
hand of the last row scatters by 15 ms, lets strings ring for up to 0.3 s and touches one every two
seconds; a string that still rings is what it is mostly led astray by.

"""

if __name__ == "__main__":
    main()
