"""Exported MIDI files read the same in four libraries that share no code for it.

Each gives its notes as (track or channel, tick, length, pitch, velocity) or as much of it as it
keeps; mido's messages, paired here, are what the others are compared with.
"""

from __future__ import annotations

import warnings
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import mido
import pytest

import backing
from backing.events import Stream
from backing.forms import form_names
from backing.grooves import groove_names
from phrases.files import shipped
from tests.hard.material import EXAMPLES, LONG

TICK = 1  # ticks by which a reader may differ: pretty_midi turns them into seconds and back
Note = tuple[int, int, int]  # pitch, first tick, last tick


def pieces() -> Iterator[tuple[str, Stream]]:
    """Yield everything that ships, or in the short form some of it."""
    names = ["porch-light", *shipped()]
    for number, name in enumerate(names if LONG else names[:3]):
        where = EXAMPLES / "porch-light.toml" if number == 0 else name
        yield f"demo {name}", backing.demo(where, choruses=1, ending="slow")
        yield (
            f"loop {name}",
            backing.loop(where, **({"shape": "ramp"} if number % 2 else {"each": 1})),
        )
    pairs = [(groove, form) for groove in groove_names() for form in form_names()]
    for groove, form in pairs if LONG else pairs[::66]:
        yield (
            f"track {groove} {form}",
            backing.track(groove=groove, form=form, choruses=1, ending="slow"),
        )


def by_mido(path: Path) -> tuple[list[Note], list[tuple[int, int]]]:
    """Return notes and (tick, microseconds a quarter)."""
    notes, tempos = [], []
    for track in mido.MidiFile(path).tracks:
        now = 0
        open_notes: dict[tuple[int, int], int] = {}
        for message in track:
            now += message.time
            if message.type == "set_tempo":
                tempos.append((now, message.tempo))
            elif message.type == "note_on" and message.velocity:
                assert (message.channel, message.note) not in open_notes
                open_notes[message.channel, message.note] = now
            elif message.type in ("note_on", "note_off"):
                start = open_notes.pop((message.channel, message.note))
                notes.append((message.note, start, now))
        assert open_notes == {}
    return sorted(notes), tempos


def by_pretty_midi(path: Path) -> tuple[list[Note], list[tuple[int, int]]]:
    import pretty_midi

    read = pretty_midi.PrettyMIDI(str(path))
    notes = [
        (note.pitch, read.time_to_tick(note.start), read.time_to_tick(note.end))
        for instrument in read.instruments
        for note in instrument.notes
    ]
    times, tempos = read.get_tempo_changes()
    rows = zip(times, tempos, strict=True)
    return sorted(notes), [(read.time_to_tick(at), round(6e7 / tempo)) for at, tempo in rows]


def by_symusic(path: Path) -> tuple[list[Note], list[tuple[int, int]]]:
    import symusic

    read: Any = symusic.Score(path)
    notes = [
        (note.pitch, note.time, note.time + note.duration)
        for track in read.tracks
        for note in track.notes
    ]
    return sorted(notes), [(tempo.time, round(tempo.mspq)) for tempo in read.tempos]


def by_music21(path: Path) -> tuple[list[Note], list[tuple[int, int]]]:
    """Read without rounding to simple fractions of a quarter, which is for notation."""
    from music21 import midi

    file = midi.MidiFile()
    file.open(path)
    file.read()
    file.close()
    notes, tempos = [], []
    for track in file.tracks:
        now = 0
        open_notes: dict[tuple[Any, Any], int] = {}
        events: list[Any] = track.events
        for event in events:
            if event.isDeltaTime():
                now += event.time
            elif event.isNoteOn():
                open_notes[event.channel, event.pitch] = now
            elif event.isNoteOff():
                notes.append((event.pitch, open_notes.pop((event.channel, event.pitch)), now))
            elif event.type == midi.MetaEvents.SET_TEMPO:
                tempos.append((now, int.from_bytes(event.data, "big")))
        assert open_notes == {}
    return sorted(notes), tempos


OTHERS = {
    "pretty_midi": by_pretty_midi,
    "symusic": by_symusic,
    "music21": by_music21,
}


def same(one: list[Note], other: list[Note]) -> bool:
    """Tell whether two lists hold the same notes, a tick more or less."""
    if Counter(note[0] for note in one) != Counter(note[0] for note in other):
        return False
    return all(
        a[0] == b[0] and abs(a[1] - b[1]) <= TICK and abs(a[2] - b[2]) <= TICK
        for a, b in zip(one, other, strict=True)
    )


def test_the_whole_repertoire_reads_the_same_everywhere(tmp_path: Path) -> None:
    read = 0
    for name, stream in pieces():
        path = tmp_path / "piece.mid"
        backing.write(stream, path)
        notes, tempos = by_mido(path)
        written = sum(len(section.notes) for section in stream.kept().sections)
        assert 0.97 * written <= len(notes) <= written, name  # what meets its like is cut
        for reader, way in OTHERS.items():
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # of music21 about its own set-up
                found, beats = way(path)
            assert same(notes, found), (name, reader)
            assert len(beats) == len(tempos), (name, reader)
            for (at, length), (tick, told) in zip(tempos, beats, strict=True):
                assert abs(at - tick) <= TICK, (name, reader)
                assert abs(length - told) <= 1, (name, reader)
        seconds = mido.MidiFile(path).length
        assert seconds == pytest.approx(float(stream.kept().seconds), abs=0.01), name
        read += 1
    assert read == (2 * 34 + 22 * 11 if LONG else 6 + 4)


@pytest.mark.parametrize("change", [(1, 0, 0), (0, 2, 0), (0, 0, -2)])
def test_a_note_that_differs_is_seen(change: tuple[int, int, int]) -> None:
    notes = [(60, 0, 480), (64, 480, 960)]
    moved = [notes[0], (64 + change[0], 480 + change[1], 960 + change[2])]
    assert same(notes, [(60, 1, 479), notes[1]])
    assert not same(notes, moved)
