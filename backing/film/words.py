"""A film's chapters and captions: what is on the picture in words, for those who do not see it.

References: W3C WebVTT: The Web Video Text Tracks Format (cues, escapes, NOTE blocks).
"""

from __future__ import annotations

from backing.cautions import LOUD
from backing.events import Stream
from backing.film.story import Story
from backing.page.words import plain
from phrases.replacing import MADE

__all__ = ["Caption", "captions", "chapter_times", "webvtt"]

Caption = tuple[float, float, str]  # from, to, seconds of the film; lines


def chapter_times(stream: Stream, title: int) -> list[tuple[float, str]]:
    """Return when each chapter begins, in seconds of the film, and its name.

    They are the stream's markers; those of one moment are one chapter. The title stands `title`
    seconds before the music.
    """
    found: dict[float, str] = {0.0: stream.title} if title else {}
    for section in stream.sections:
        begins = title + float(section.start)
        if section.kind == "count-in":
            found[begins] = "Count-in"
        for label in section.labels:
            at = round(begins + label.seconds, 3)
            found[at] = f"{found[at]}, {label.text.lower()}" if at in found else label.text
    return sorted(found.items())


def captions(story: Story, title: int, seconds: float) -> list[Caption]:
    """Return the captions with their times: title, whose turn it is, tips.

    The title stands `title` seconds before the music, which lasts `seconds`.
    """
    rows = {name: dict(story.steps[name]) for name in ("turn", "tip")}
    times = sorted({at for steps in rows.values() for at in steps})
    shown: dict[str, str] = {"turn": "", "tip": ""}
    found: list[tuple[float, str]] = []
    if title:
        found.append((0.0, f"{story.stream.title} in {story.stream.key}\n{LOUD}"))
    for at in times:
        for name, steps in rows.items():
            if at in steps:
                shown[name] = _said(name, steps[at])
        text = "\n".join(text for text in shown.values() if text)
        if found[-1:] != [(at, text)]:
            found.append((title + at, text))
    ends = [at for at, _ in found[1:]] + [title + seconds]
    return [(at, end, text) for (at, text), end in zip(found, ends, strict=True) if text]


def _said(name: str, value: object) -> str:
    if value is None:
        return ""
    assert isinstance(value, tuple)
    if name == "turn":
        return str(value[0])
    where, text = value
    told = " ".join(plain(str(text)).split())
    return f"{where[:1].upper()}{where[1:]}: {told}" if where else told


def webvtt(rows: list[Caption]) -> str:
    """Return captions as a WebVTT file."""
    parts = ["WEBVTT", f"NOTE {MADE}"]
    for start, end, text in rows:
        safe = text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
        parts.append(f"{_clock(start)} --> {_clock(end)}\n{safe}")
    return "\n\n".join(parts) + "\n"


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds * 1000), 60000)
    return f"{minutes // 60:02d}:{minutes % 60:02d}:{rest // 1000:02d}.{rest % 1000:03d}"
