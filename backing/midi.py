"""The stream as a Standard MIDI File, type 1, 960 ticks a quarter.

The tempo meta event holds whole microseconds, so an exact tempo such as 112 would drift by a
fraction of a microsecond a beat. Where that adds up to `DRIFT` the next section's tempo event
takes it back, so the file stays with the audio however long it is.

References: Standard MIDI Files 1.0 (RP-001).
"""

from __future__ import annotations

import bisect
import io
from fractions import Fraction
from itertools import pairwise

import mido

from backing.events import (
    BEND,
    CHANNELS,
    OFF,
    ON,
    Message,
    Stream,
    bend,
    messages,
    part_of,
    set_up,
)
from backing.tempo import microseconds
from phrases.replacing import MADE

__all__ = ["TICKS", "midi_bytes", "midi_file"]

TICKS = 960
DRIFT = Fraction(80)  # microseconds; a third of the shortest tick

Event = tuple[int, int, tuple[int, ...]]  # tick, rank, bytes
Row = tuple[int, tuple[int, ...] | mido.MetaMessage]
Known = dict[tuple[int, tuple[int, ...]], mido.Message]

_TRACK_NAMES = {"bass": "Bass", "comp": "Comping", "drums": "Drums"}


def midi_bytes(stream: Stream) -> bytes:
    """Return the stream as the bytes of a Standard MIDI File."""
    buffer = io.BytesIO()
    midi_file(stream).save(file=buffer)
    return buffer.getvalue()


def midi_file(stream: Stream) -> mido.MidiFile:
    """Return the stream as a `mido.MidiFile`: a conductor track and one for each voice.

    Equal messages are one object: copy them before changing one.
    """
    stream = stream.kept()
    tempos = _tempos(stream)
    ticks = _Ticks(tempos)
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS, charset="utf-8")
    end = ticks.at(float(stream.seconds))
    file.tracks.append(_conductor(stream, tempos, ticks, end))
    by_voice: dict[str, list[Event]] = {v: [] for v in stream.voices}
    known: dict[int, dict[str, list[Message]]] = {}
    for section in stream.sections:
        if id(section.notes) not in known:
            known[id(section.notes)] = {
                voice: messages(tuple(n for n in section.notes if n.voice == voice))
                for voice in by_voice
            }
        start = float(section.start)
        for voice, here in known[id(section.notes)].items():
            by_voice[voice] += [(ticks.at(start + t), rank, data) for t, rank, data in here]
    shared: Known = {}
    for voice, events in by_voice.items():
        file.tracks.append(_voice_track(stream, voice, _untangled(events, end), end, shared))
    return file


class _Ticks:
    """Seconds to ticks through the tempos that are written, so that no rounding adds up."""

    def __init__(self, tempos: list[tuple[int, int]]) -> None:
        self.first = [tick for tick, _ in tempos]
        self.rates = [1e6 * TICKS / tempo for _, tempo in tempos]  # ticks a second
        seconds = Fraction(0)
        self.starts = [0.0]
        for (tick, tempo), (following, _) in pairwise(tempos):
            seconds += Fraction((following - tick) * tempo, 1_000_000 * TICKS)
            self.starts.append(float(seconds))

    def at(self, seconds: float) -> int:
        n = bisect.bisect_right(self.starts, seconds) - 1
        return round(self.first[n] + (seconds - self.starts[n]) * self.rates[n])


def _conductor(
    stream: Stream, tempos: list[tuple[int, int]], ticks: _Ticks, end: int
) -> mido.MidiTrack:
    meter = stream.meter
    clocks = round(24 * meter.quarters)
    signature = mido.MetaMessage(
        "time_signature",
        numerator=meter.numerator,
        denominator=meter.denominator,
        clocks_per_click=clocks,
        notated_32nd_notes_per_beat=8,
    )
    events: list[Row] = [
        (0, mido.MetaMessage("track_name", name=stream.title)),
        (0, signature),
        (0, mido.MetaMessage("key_signature", key=stream.key.midi_name)),
        (0, mido.MetaMessage("text", text=MADE)),
    ]
    events += [(tick, mido.MetaMessage("set_tempo", tempo=n)) for tick, n in tempos]
    for section in stream.sections:
        for label in section.labels:
            tick = ticks.at(float(section.start) + label.seconds)
            events.append((tick, mido.MetaMessage("marker", text=label.text)))
    events.sort(key=lambda event: event[0])
    return _track(events, end, {})


def _tempos(stream: Stream) -> list[tuple[int, int]]:
    """Return (tick, whole microseconds a quarter), only where the tempo event changes."""
    tempos: list[tuple[int, int]] = []
    behind = Fraction(0)
    rows = [row for section in stream.sections for row in section.tempo_runs()]
    for _, first_beat, beats, tempo in rows:
        quarters = beats * stream.meter.quarters
        exact = microseconds(tempo, stream.meter.quarters)
        plain = round(exact)
        after = behind + (exact - plain) * quarters
        if abs(after) > DRIFT:
            plain = round(exact + behind / quarters)
            after = behind + (exact - plain) * quarters
        behind = after
        if not tempos or tempos[-1][1] != plain:
            tick = round(first_beat * stream.meter.quarters * TICKS)
            tempos.append((tick, plain))
    return tempos


def _untangled(events: list[Event], last: int) -> list[Event]:
    """Return a voice's events in order, every note on followed by its own note off.

    A note may ring into the next section, where its pitch starts again, and rounding may put
    the two ends of a short note on one tick. None rings on after the `last` tick.
    """
    out = [event for event in events if event[1] == BEND]
    notes: list[tuple[int, int, tuple[int, ...]]] = []
    started: dict[int, tuple[int, tuple[int, ...]]] = {}
    for tick, rank, data in events:
        if rank == ON:
            started[data[1]] = (tick, data)
        elif rank == OFF:
            start, attack = started.pop(data[1])
            notes.append((start, tick, attack))
    following: dict[int, int] = {}
    for start, end, attack in reversed(notes):
        stop = min(max(end, start + 1), following.get(attack[1], max(last, start + 1)))
        if stop > start:
            following[attack[1]] = start
            out.append((start, ON, attack))
            out.append((stop, OFF, (0x80 | attack[0] & 0x0F, attack[1], 0)))
    return sorted(out, key=lambda event: event[:2])


def _voice_track(
    stream: Stream, voice: str, events: list[Event], end: int, known: Known
) -> mido.MidiTrack:
    part = part_of(voice)
    name = _TRACK_NAMES.get(part) or f"Guitar, {voice.split()[-1]} string"
    rows: list[Row] = [(0, mido.MetaMessage("track_name", name=name))]
    rows += [(0, data) for data in set_up(voice, stream.programs)]
    rows += [(tick, data) for tick, _, data in events]
    last = rows[-1][0]
    if part == "lead":
        rows.append((last, bend(CHANNELS[voice], 0.0)))
    return _track(rows, max(end, last), known)


def _track(rows: list[Row], end: int, known: Known) -> mido.MidiTrack:
    """Return rows as a track; equal messages are one object, or a long loop fills the memory."""
    track = mido.MidiTrack()
    now = 0
    for tick, what in rows:
        wait, now = tick - now, tick
        if isinstance(what, mido.MetaMessage):
            track.append(what.copy(time=wait))
            continue
        message = known.get((wait, what))
        if message is None:
            message = known[wait, what] = _message(what, wait)
        track.append(message)
    track.append(mido.MetaMessage("end_of_track", time=end - now))
    return track


def _message(data: tuple[int, ...], wait: int) -> mido.Message:
    # The bytes are our own and in range: mido's checks would take most of the time.
    kind, channel = data[0] & 0xF0, data[0] & 0x0F
    if kind == 0xE0:
        pitch = (data[2] << 7 | data[1]) - 8192
        message = mido.Message("pitchwheel", skip_checks=True, channel=channel, pitch=pitch)
    elif kind == 0xC0:
        message = mido.Message(
            "program_change", skip_checks=True, channel=channel, program=data[1]
        )
    elif kind == 0xB0:
        message = mido.Message(
            "control_change", skip_checks=True, channel=channel, control=data[1], value=data[2]
        )
    else:
        name = "note_on" if kind == 0x90 else "note_off"
        message = mido.Message(
            name, skip_checks=True, channel=channel, note=data[1], velocity=data[2]
        )
    vars(message)["time"] = wait  # as above
    return message
