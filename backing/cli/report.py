"""Writing what a command made, with progress, and saying what it is."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from backing import pieces
from backing.band.plan import HEADS
from backing.cautions import LOUD, SORE
from backing.cli.options import Asked, Wanted, print_json, written_files
from backing.cli.progress import bar
from backing.events import Stream
from backing.formats import FORMATS
from backing.grooves import Groove, find_groove
from backing.output import check_outputs, write
from backing.tempo import clock_time
from soundfonts import find_soundfont

__all__ = ["deliver"]

FAR = 1.15  # times a groove's lowest or highest tempo
MOST_TEMPOS = 16  # in the line that is printed


def deliver(stream: Stream, wanted: Wanted, groove: str | None) -> None:
    """Write a stream to its files and print what was made; or play it, or show its plan.

    `groove` is the one that was asked for, if any; a tempo far from its own is remarked on.
    """
    outputs, sound = wanted.outputs, wanted.sound
    if sound.voice is not None:
        stream = replace(stream, voice=sound.voice)
    taker = click.get_current_context().obj  # of `backing record` or `backing hear`
    if taker is not None and (
        outputs or sound.stems is not None or wanted.dry_run or wanted.as_json
    ):
        raise click.UsageError(
            "recording plays as well; leave out -o, --stems, --json and --dry-run"
        )
    if isinstance(taker, Asked):
        taker.stream = stream.kept()
        return
    written = not wanted.dry_run and (bool(outputs) or sound.stems is not None)
    if written:
        for name, value in (("port", wanted.port), ("pedal", wanted.pedal)):
            if value is not None:
                raise click.UsageError(f"--{name} is for playing; leave out -o, or --{name}")
        check_outputs(outputs, force=wanted.force)
    own = stream.phrase.groove if stream.phrase else pieces.GROOVE
    found = find_groove(groove or own)
    if "short" in stream.facts:
        click.echo(f"note: {stream.facts['short']}", err=True)
    _remark_on_tempo(stream.kept(), found)
    if wanted.dry_run:
        _show(stream.kept(), as_json=wanted.as_json)
        return
    if not written:
        _play(stream, wanted)
        return
    audio = sound.stems is not None or any(
        FORMATS[path.suffix.lower()].container for path in outputs
    )
    files = _write(stream, wanted, audio=audio)
    summary = _summary(stream.kept(), files)
    if wanted.as_json:
        print_json(summary)
        return
    tempos = [f"{tempo:.5g}" for tempo in dict.fromkeys(summary["tempos"])]
    if summary.get("shape") == "ramp":
        steps = stream.kept().sections[-1].steps
        tempos = [f"{summary['tempos'][0]:.0f}", "to", f"{float(steps[-1][1]):.0f}"]
    elif len(tempos) > MOST_TEMPOS:
        tempos = [tempos[0], "to", tempos[-1]]
    shape = f"{summary['bars']} bars"
    for word in ("choruses", "passes"):
        if word in summary:
            number = summary[word]
            shape += (
                f", {number} {word if number != 1 else {'choruses': 'chorus'}.get(word, 'pass')}"
            )
    # A backing alone is called by its groove.
    title = found.title if stream.title == found.title else f"{stream.title}: {found.title}"
    click.echo(
        f"{title} in {stream.key}, {shape}, "
        f"{' '.join(tempos)} beats a minute, {clock_time(summary['seconds'])}"
    )
    for path in files:
        click.echo(f"  {path}")
    if audio:
        click.echo(LOUD, err=True)
    if "passes" in summary:
        click.echo(SORE, err=True)


def _remark_on_tempo(stream: Stream, groove: Groove) -> None:
    """Say so where a groove goes far beyond its tempos; practising slowly is no such case."""
    low, _, high = groove.tempos
    fastest = float(max(section.tempo for section in stream.sections))
    if not low / FAR <= fastest <= high * FAR:
        click.echo(
            f"note: {groove.title} is usually played at {low} to {high} beats a minute, not at "
            f"{fastest:g}; `backing list grooves` says what others are for",
            err=True,
        )


def _play(stream: Stream, wanted: Wanted) -> None:
    from backing.live.play import play

    recorder = click.get_current_context().obj  # of `backing record`
    if recorder is not None and wanted.port is not None:
        raise click.UsageError("recording needs the sound card; leave out --port")
    if wanted.as_json:
        raise click.UsageError("--json says what was written; name a file with -o")
    sound = wanted.sound
    if stream.window is not None and recorder is not None:
        raise click.UsageError("--seamless goes round and round; to record over it say --passes")
    if wanted.port is None:
        from backing.sound.remarks import lacking

        for text in lacking(stream, find_soundfont(sound.soundfont).path):
            click.echo(f"note: {text}", err=True)
    if recorder is not None:
        recorder.follow(stream)
    play(
        stream, soundfont=sound.soundfont, port=wanted.port, pedal=wanted.pedal,
        phrase=stream.phrase, recorder=recorder, opening=wanted.opening,
        counts=wanted.counts, asks=wanted.hands_free,
    )  # fmt: skip


def _show(stream: Stream, *, as_json: bool) -> None:
    from backing.practice.picture import picture, table

    if as_json:
        print_json(_summary(stream, []))
        return
    if stream.plan:
        for line in (f"{stream.title} in {stream.key}", HEADS, *stream.plan):
            click.echo(line)
        return
    for line in [stream.title, *table(stream), "", *picture(stream)]:
        click.echo(line)


def _write(stream: Stream, wanted: Wanted, *, audio: bool) -> list[Path]:
    sound = wanted.sound
    told: list[str] = []

    if audio:
        find_soundfont(sound.soundfont)  # one that is not there is told before anything begins
    line = f"rendering {float(stream.kept().seconds):.0f} s of audio"
    with bar("rendering", float(stream.seconds), line) if audio else nullcontext() as progress:
        files = write(
            stream, wanted.outputs, sound.soundfont, progress, rate=sound.rate, bits=sound.bits,
            stems=sound.stems, force=wanted.force, remark=told.append,
        )  # fmt: skip
    for text in told:
        click.echo(f"note: {text}", err=True)
    return files


def _summary(stream: Stream, outputs: Sequence[Path]) -> dict[str, Any]:
    music = [part for part in stream.music if part.kind not in ("slow-down", "ending")]
    tempos = [float(section.tempo) for section in music]
    return {
        "title": stream.title,
        "key": str(stream.key),
        "tempo": tempos[-1],
        "tempos": list(dict.fromkeys(tempos)),
        "swing": round(music[-1].swing, 4),
        "seed": stream.seed,
        "seconds": round(float(stream.seconds), 6),
        **stream.facts,
        "files": written_files(outputs),
    }
