"""A plan as a table and as a picture of tempo against time, in plain text."""

from __future__ import annotations

from backing.events import Stream
from backing.tempo import clock_time

__all__ = ["picture", "table"]

WIDTH, HEIGHT = 64, 10
WOOD = (76, 77)  # General MIDI 1: the wood blocks of cues and clicks


def table(stream: Stream) -> list[str]:
    """Return the lines of a table: from which second, which passes, at what tempo, whose turn."""
    rows: list[tuple[str, str, str, str]] = []
    for number, section in enumerate(stream.music, 1):
        last = section.steps[-1][1] if section.steps else section.tempo
        tempo = f"{float(section.tempo):.4g}"
        if last != section.tempo:
            tempo = f"{float(section.tempo):.0f} to {float(last):.0f}"
        turns = [label.text for label in section.labels if label.kind == "turn"]
        band = any(
            note.voice in ("bass", "comp") or (note.voice == "drums" and note.pitch not in WOOD)
            for note in section.notes
        )
        what = " / ".join(turns) or "phrase"
        if not band:
            what += ", no band"
        rows.append((clock_time(float(section.start)), str(number), tempo, what))
    lines = [f"{'min:s':>6}  {'pass':<12}{'beats/min':<12}  whose turn"]
    first = 0
    for n in range(len(rows)):
        if n + 1 < len(rows) and rows[n + 1][2:] == rows[first][2:]:
            continue
        shown = rows[first][1] if n == first else f"{rows[first][1]} to {rows[n][1]}"
        start, _, tempo, what = rows[first]
        lines.append(f"{start:>6}  {shown:<12}{tempo:<12}  {what}")
        first = n + 1
    lines.append(f"{clock_time(float(stream.seconds)):>6}  end")
    return lines


def picture(stream: Stream) -> list[str]:
    """Return the lines of a picture: tempo upwards, time to the right."""
    points = [
        (float(second), float(tempo))
        for section in stream.music
        for second, _, _, tempo in section.tempo_runs()
    ]
    length = float(stream.seconds)
    tempos = [tempo for _, tempo in points]
    low, high = min(tempos), max(tempos)
    span = high - low
    columns = []
    for column in range(WIDTH):
        at = points[0][0] + (length - points[0][0]) * (column + 0.5) / WIDTH
        columns.append([tempo for second, tempo in points if second <= at][-1])
    height = HEIGHT if span else 1
    labels = {1: low, height: high}
    lines = []
    for row in range(height, 0, -1):
        marks = "".join(
            "#" if not span or round((t - low) / span * (height - 1)) + 1 >= row else " "
            for t in columns
        )
        shown = f"{labels[row]:.0f}" if row in labels else ""
        lines.append(f"{shown:>6} |{marks}".rstrip())
    left = clock_time(points[0][0])
    lines.append(f"{'':>6} +{'-' * WIDTH}")
    lines.append(f"{'':>8}{left}{clock_time(length):>{WIDTH - len(left)}}")
    return lines
