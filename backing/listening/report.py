"""A take from file to review: what was played over is laid against what is heard, and told."""

from __future__ import annotations

import datetime
import json
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import takewhile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from backing.events import Stream
from backing.listening import ears, room
from backing.listening.judge import review
from backing.listening.judged import Judged, Review
from backing.listening.match import lag, match
from backing.listening.picture import html, svg
from backing.listening.source import Frames, Source, TakeError
from backing.listening.thresholds import THRESHOLDS, Limits
from backing.listening.words import Summary, findings, summary, tempos
from backing.listening.written import Event, Segment, unbroken, written
from phrases.replacing import check_free
from phrases.rewrite import replace_file

if TYPE_CHECKING:
    from backing.recording.slate import Slate

__all__ = [
    "Heard", "facts", "hear", "history", "lines", "log", "segments", "without_band", "write",
]  # fmt: skip

LOG = "takes.jsonl"
KNOWN, ELSEWHERE = 0.4, 0.55  # share of the notes that must be there to say anything
SEARCHED = 400  # notes by which a take from elsewhere is laid against the stream
SHIFTS = (-3, -2, -1, 1, 2, 3, -5, 5, -12, 12)  # semitones in which it is looked for besides
CLIPPED = 0.999


@dataclass(frozen=True, slots=True)
class Heard:
    """A take that was heard.

    Attributes
    ----------
    take, stream
        The file, and what was played.
    review, ears, said, limits
        What was judged, what was heard, the words for it, and from when on they are said.
    remarks
        What there is to say of the take itself.
    """

    take: Path
    stream: Stream
    review: Review
    ears: ears.Ears
    said: Summary
    limits: Limits
    remarks: list[str]


def hear(
    source: Source,
    stream: Stream,
    slate: Slate | None,
    *,
    turns: bool,
    strict: bool = False,
    progress: Callable[[float], None] | None = None,
) -> Heard:
    """Hear a take.

    Parameters
    ----------
    source
        The take.
    stream
        What was played.
    slate
        How it was played; None where nothing is known, then it is looked for.
    turns
        Whether only what the stream leaves to the student is judged.
    strict
        Whether limits are a teacher's.
    progress
        Is told the share that is done.

    Raises
    ------
    TakeError
        If it is not a take of that.
    """
    rows = unbroken(stream) if slate is None else segments(slate, stream)
    events = written(stream, rows, turns=turns)
    if not events:
        raise TakeError(
            "nothing in it is left to the student: name a demo, a loop or a trade with gaps"
        )
    length = source.frames / source.rate
    remarks: list[str] = []
    sound: Frames = source
    if slate is not None:
        sound, remarks = without_band(source, stream, rows)
        remarks += _cut(events, 0.0, length)
        events = [event for event in events if event.at < length - 0.05]
    heard = ears.listen(sound, progress)
    shift = 0.0
    if slate is None:
        shift = _placed(events, heard, length)
        remarks += _cut(events, shift, length)
        events = [e for e in events if -0.1 < e.at + shift < length - 0.05]
    found = review(events, heard, shift)
    _check(found, events, heard, stream, known=slate is not None)
    last = rows[-1]
    rest = (float(stream.sections[last.section].seconds) - last.offset) / last.pace
    begin, end = events[0].at - 60 / events[0].tempo, min(last.until, last.at + rest)
    pickup = {n.pitch for e in takewhile(lambda e: e.place.bar < 1, events) for n in e.notes}
    extra = [
        one for one in found.extra
        if begin <= one.at - found.late <= end
        # Whoever goes on begins the phrase again before its last bar is over.
        and not (one.at - found.late > events[-1].at and round(one.cents / 100) in pickup)
    ]  # fmt: skip
    if over := len(found.extra) - len(extra):
        notes = "a note" if over == 1 else f"{over} notes"
        remarks.append(f"not judged: {notes} before it begins or after it ends")
        found = replace(found, extra=extra)
    if source.peak >= CLIPPED:
        remarks.append("it clips: turn the input down and play it again")
    limits = Limits.usual(strict=strict)
    measured = slate is not None and slate.measured
    said = summary(found, limits, aligned=slate is not None, measured=measured)
    return Heard(source.path, stream, found, heard, said, limits, remarks)


def _cut(events: list[Event], shift: float, length: float) -> list[str]:
    """Say of how many notes nothing is in the take."""
    picks = [event for event in events if event.kind == "pick"]
    said = []
    for missing, word in (
        (sum(e.at + shift <= -0.1 for e in picks), "begins after the first"),
        (sum(e.at + shift >= length - 0.05 for e in picks), "ends before the last"),
    ):
        if missing:
            said.append(f"the take {word} {missing} of {len(picks)} notes; they are not judged")
    return said


def segments(slate: Slate, stream: Stream) -> list[Segment]:
    """Return how a stream was played, as what lies beside a take says."""
    if any(row[0] is None or row[0] >= len(stream.sections) for row in slate.segments):
        raise TakeError("what lies beside it belongs to another piece; say what was played")
    return [Segment.of(row) for row in slate.segments]


def without_band(
    source: Source, stream: Stream, segments: list[Segment]
) -> tuple[Frames, list[str]]:
    """Return a take without the backing that came in through the air, and what to say of it."""
    import tempfile

    import numpy as np
    import soundfile

    from backing.output import write as write_sound
    from backing.sound.fluid import AudioError
    from soundfonts import SoundfontError

    if any(segment.pace != 1 for segment in segments):
        return source, []
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "backing.wav"
        try:
            write_sound(stream, [file], rate=_rate(source.rate))
        except (AudioError, SoundfontError):
            return source, []
        sound, rate = soundfile.read(file, dtype="float32", always_2d=True)
    if rate != source.rate:
        return source, []
    pieces = []
    for segment in segments:
        section = stream.sections[segment.section]
        since = float(section.start) + segment.offset
        left = min(segment.until - segment.at, float(section.seconds) - segment.offset)
        pieces.append((segment.at, since, max(0.0, left)))
    backing = room.laid(np.ascontiguousarray(sound.mean(axis=1)), rate, source.frames, pieces)
    clean = room.cleaned(source, backing)
    if clean is None:
        return source, []
    way = "under" if clean.level < 0 else "over"
    said = [
        f"the backing came in through the air, {abs(clean.level):.0f} dB {way} the guitar, and "
        "was taken out"
    ]
    if clean.loud:
        said.append("it is loud in this take: with headphones more can be heard of the guitar")
    return clean, said


def _rate(rate: int) -> int:
    from backing.formats import RATES

    return min(RATES, key=lambda one: abs(one - rate))


def _placed(events: list[Event], heard: ears.Ears, length: float) -> float:
    """Return the second of a take at which the stream begins, from -length to length."""
    some = events[:: max(1, len(events) // SEARCHED)]
    reach = max(length, events[-1].at) + 1.0
    return lag(some, heard, reach)


def _check(
    found: Review, events: list[Event], heard: ears.Ears, stream: Stream, *, known: bool
) -> None:
    """Refuse a take of something else."""
    there = found.share("played")
    if there >= (KNOWN if known else ELSEWHERE):
        return
    title = stream.phrase.title if stream.phrase is not None else stream.title
    picks = [event for event in events if event.kind == "pick"]
    said = f'this does not sound like "{title}" in {stream.key}'
    said += f": {round(there * len(picks))} of {len(picks)} notes are where it has them"
    for shift in SHIFTS:
        moved = match(events, heard, found.late, 100.0 * shift)
        close = sum(abs(off) < 60 for n, off in moved.off.items() if events[n].kind == "pick")
        if close >= 0.7 * len(picks):
            way = "higher" if shift > 0 else "lower"
            semitones = "a semitone" if abs(shift) == 1 else f"{abs(shift)} semitones"
            raise TakeError(f"{said}; it fits {semitones} {way}: is the key right, or the tuning?")
    if known:
        far = lag(picks, heard, 2.5)
        if abs(far - found.late) > 0.2:
            again = review(events, heard, far)
            if again.share("played") >= ELSEWHERE:
                way = "late" if far > 0 else "early"
                raise TakeError(
                    f"{said}; all of it fits {abs(far):.2f} s {way}: did you come in a beat off?"
                )
    raise TakeError(f"{said}; is it the right take, at the right tempo?")


# --- telling -----------------------------------------------------------------------


def lines(heard: Heard) -> list[str]:
    """Return a review as it is printed."""
    return [*heard.said.lines(), *heard.remarks]


def write(heard: Heard, path: Path, *, force: bool = False) -> None:
    """Write a review as .html, .svg or .txt.

    Raises
    ------
    ReplaceError
        If a file is there that this program did not make, unless that is forced.
    OSError
        If it cannot be written.
    """
    check_free(path, force=force)
    kind = path.suffix.lower()
    told = lines(heard)
    if kind == ".txt":
        rows = [_row(one, heard.review) for one in heard.review.judged]
        text = "\n".join([f"porchband heard {heard.take.name}", *told, "", *rows]) + "\n"
    elif kind == ".svg":
        text = svg(heard.review, heard.ears, heard.limits, _title(heard))
    else:
        text = html(heard.review, heard.ears, heard.limits, _title(heard), told, _sources())
    replace_file(path, text)


def _title(heard: Heard) -> str:
    return f"{heard.take.name}: {heard.stream.title} in {heard.stream.key}"


def _sources() -> list[str]:
    return [
        f"{one.value:g} {one.unit}, {one.meaning}: {one.source}" for one in THRESHOLDS.values()
    ]


def _row(one: Judged, found: Review) -> str:
    event = one.event
    words = [f"{event.at:8.2f} s", f"{event.tempo:6.1f}", f"{event.kind:5}", f"{one.how:8}"]
    words.append(
        f"{(one.off - found.late) * 1000:+5.0f} ms" if math.isfinite(one.off) else " " * 8
    )
    words.append(f"{one.pitch:+5.0f} cents" if math.isfinite(one.pitch) else " " * 11)
    words += [
        f"bend of {bend.cents:g} {bend.off:+.0f} cents" if not bend.why else f"bend {bend.why}"
        for bend in one.bends
    ]
    words += [f"without {string}" for string in one.lacks]
    if math.isfinite(one.held):
        words.append(f"held {one.held * 1000:+.0f} ms")
    if one.vibrato is not None:
        words.append(f"vibrato {one.vibrato.hertz:.1f} Hz {one.vibrato.cents:.0f} cents")
    return "  ".join([*words, str(event.place)]).rstrip()


def facts(heard: Heard) -> dict[str, Any]:
    """Return a review as plain data: seconds, cents, and None for what is not known."""

    def number(value: float, digits: int = 4) -> float | None:
        return round(value, digits) if math.isfinite(value) else None

    found = heard.review
    return {
        "take": str(heard.take),
        "title": heard.stream.title,
        "key": str(heard.stream.key),
        "late": number(found.late),
        "tuning": number(found.tuning, 1),
        "good": heard.said.good,
        "work": heard.said.work,
        "said": [*heard.said.tempo, *heard.said.apart, *heard.remarks],
        "tempos": [
            {
                "tempo": row.tempo, "passes": row.passes, "notes": row.notes,
                "untidy": number(row.untidy), "spread": number(row.spread),
            }
            for row in tempos(found, heard.limits)
        ],
        "notes": [
            {
                "at": number(one.event.at), "tempo": one.event.tempo, "kind": one.event.kind,
                "place": str(one.event.place), "how": one.how, "off": number(one.off),
                "pitch": number(one.pitch, 1), "lacks": [*one.lacks],
                "held": number(one.held),
                "bends": [
                    {"cents": b.cents, "off": number(b.off, 1), "why": b.why} for b in one.bends
                ],
                "vibrato": None if one.vibrato is None else {
                    "hertz": number(one.vibrato.hertz, 2), "cents": number(one.vibrato.cents, 1),
                },
            }
            for one in found.judged
        ],
        "extra": [{"at": number(one.at), "cents": number(one.cents, 1)} for one in found.extra],
    }  # fmt: skip


# --- the log ------------------------------------------------------------------------


def log(heard: Heard) -> None:
    """Add a line about a take to the log beside it.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    row = {
        "heard": datetime.datetime.now().astimezone().isoformat(timespec="seconds"),
        "take": heard.take.name,
        "title": heard.stream.title,
        "key": str(heard.stream.key),
        "notes": len(heard.review.judged),
        "there": round(heard.review.share("played"), 3),
        "tempos": [
            {"tempo": one.tempo, "untidy": round(one.untidy, 3)}
            for one in tempos(heard.review, heard.limits)
        ],
        "work": [str(one) for one in findings(heard.review, heard.limits)[:2]],
    }
    path = heard.take.parent / LOG
    with path.open("a", encoding="utf-8") as file:
        file.write(json.dumps(row, ensure_ascii=False) + "\n")


def history(take: Path) -> list[str]:
    """Return the text of the log beside a take, a line for each time.

    Raises
    ------
    TakeError
        If there is none.
    """
    path = take.parent / LOG
    if not path.is_file():
        raise TakeError(f"{path}: there is none; `backing hear` begins it")
    out, solid = [], THRESHOLDS["solid"].value / 100
    for text in path.read_text(encoding="utf-8", errors="replace").splitlines():
        try:
            row = json.loads(text)
            clean = [f"{t['tempo']:g}" for t in row["tempos"] if t["untidy"] <= solid]
            told = f"solid at {', '.join(clean)}" if clean else "not solid yet"
            out.append(
                f"{row['heard'][:16].replace('T', ' ')}  {row['take']}  {row['title']} in "
                f"{row['key']}: {row['there']:.0%} of the notes, {told}"
            )
            out += [f"    {work}" for work in row["work"]]
        except (ValueError, KeyError, TypeError):
            out.append("a line of the log cannot be read")
    return out
