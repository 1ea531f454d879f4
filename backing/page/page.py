"""The practice page: a lesson's data to one HTML file that asks for nothing from outside.

What the page shows is text: it is escaped here, or set as text by the script. The script and the
style sheet are named by their digests in the page's content security policy, so no other runs.
Sounds stand at the end of the file, where no first screen waits for them, and each only once;
behind them a decoder for browsers that have no Ogg Opus.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Mapping, Sequence
from fractions import Fraction
from functools import cache
from html import escape
from pathlib import Path
from string import Template
from typing import Any
from urllib.parse import quote

from backing.page.data import EncodedSound, PageData, PageLoop, PageNote, PageSystem, Version
from backing.page.hearing import note_rows, numbers
from backing.page.modules import joined
from backing.page.music import growing
from backing.page.session import DOES, Step
from backing.page.words import rich
from backing.tempo import Clock
from phrases.counting import evenly, spoken_count
from phrases.credits import Credits
from phrases.replacing import MADE

__all__ = ["LEAD", "framed", "render_page", "sound_file"]

HERE = Path(__file__).parent
OPUS = "vendor/opus-decoder.min.js"
LEAD = 480  # frames that a sound must have before its loop, to be joined over
DIGITS = 4


def render_page(data: PageData) -> str:
    """Return the page as one HTML document.

    Raises ValueError if there is nothing to play, or the sounds of a loop are not as long as its
    bars.
    """
    if not data.pieces or not all(v.loops for p in data.pieces for v in p.versions):
        raise ValueError("a page has at least one piece, and every version at least one loop")
    sounds = _sounds(data)
    templates: list[str] = []
    pieces = [
        {
            "name": piece.name,
            "versions": [_version(version, sounds, templates) for version in piece.versions],
        }
        for piece in data.pieces
    ]
    lesson = {
        "name": data.name or data.title,
        "pieces": pieces,
        "session": [_step(step) for step in data.session],
        "sounds": [
            {"start": one.start, "frames": one.frames, "rate": one.rate, "file": file}
            for one, (_, file) in sounds.items()
        ],
    }
    style = _file("tokens.css") + _file("page.css")
    script = joined(HERE / "main.js")
    policy = (
        f"default-src 'none'; script-src {_digest(script)} 'strict-dynamic' "
        "'wasm-unsafe-eval'; "
        f"style-src {_digest(style)}; img-src data:; base-uri 'none'; form-action 'none'; "
        "require-trusted-types-for 'script'"
    )
    text = f'<div class="told">{rich(data.text)}</div>' if data.text.strip() else ""
    return Template(_file("page.html")).substitute(
        policy=policy,
        title=escape(data.title),
        style=style,
        text=text,
        others=_others(data.others) + _credits(data.credits),
        templates="\n".join(templates),
        lesson=_json(lesson),
        hearing=_json(numbers()),
        script=script,
        opus=base64.b64encode((HERE / OPUS).read_bytes()).decode(),
        sounds="\n".join(
            f'<script type="text/plain" id="sound-{number}">'
            f"{base64.b64encode(one.data).decode()}</script>"
            for one, (number, file) in sounds.items()
            if not file
        ),
    )


def framed(title: str, body: str) -> str:
    """Return a page that is read and links to others, in the same looks."""
    style = _file("tokens.css") + _file("read.css")
    policy = f"default-src 'none'; style-src {_digest(style)}; base-uri 'none'; form-action 'none'"
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><!-- {MADE} -->\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{style}</style></head>\n"
        f"<body><main><h1>{escape(title)}</h1>\n{body}\n</main></body></html>\n"
    )


def sound_file(data: PageData, key: str) -> str:
    """Return the script that brings a page the sounds of a key that stand apart.

    From disk a page may load nothing else from beside itself.
    """
    file = dict(data.apart)[key]
    told = {
        number: base64.b64encode(one.data).decode()
        for one, (number, where) in _sounds(data).items()
        if where == file
    }
    return f"practiceSounds({json.dumps(file)}, {json.dumps(told, separators=(',', ':'))});\n"


def _credits(credits: Credits) -> str:
    line = escape(credits.line)
    if credits.link:
        link = escape(credits.link)
        line = line.removesuffix(link) + f'<a href="{link}">{link}</a>'
    return f'<p class="credits">{line}</p>' if line else ""


def _others(pages: Sequence[tuple[str, str]]) -> str:
    """Return links to other pages, each a path: neither another scheme nor another host."""
    if not pages:
        return ""
    links = (f'<li><a href="./{quote(path)}">{escape(title)}</a></li>' for title, path in pages)
    return (
        '<nav class="others" aria-labelledby="others-name">'
        f'<h2 id="others-name">More of this lesson</h2><ul>{"".join(links)}</ul></nav>'
    )


def _sounds(data: PageData) -> dict[EncodedSound, tuple[int, str]]:
    """Return each different sound of a page with its number and the file that it stands in."""
    found: dict[EncodedSound, tuple[int, str]] = {}
    files = dict(data.apart)
    for version in (version for piece in data.pieces for version in piece.versions):
        for loop in version.loops:
            for sound in (loop.band, loop.phrase):
                found.setdefault(sound, (len(found), files.get(version.key, "")))
    return found


def _version(
    version: Version, sounds: Mapping[EncodedSound, tuple[int, str]], templates: list[str]
) -> dict[str, Any]:
    number = len(templates)
    templates.append(_template(number, version))
    return {
        "key": version.key,
        "groove": version.groove,
        "feel": version.feel,
        "beats": version.beats_in_bar,
        "bars": version.bars,
        "chords": [chord.name for chord in version.chords],
        "turns": [turn.role for turn in version.turns],
        "downbeats": [turn.bar for turn in version.turns],
        "notes": [
            [note.string, note.fret, note.name, note.degree, _said(note)] for note in version.notes
        ],
        "places": [_place(version, note.beat) for note in version.notes],
        "tips": [tip.place for tip in version.tips],
        "wide": [_shape(system) for system in version.wide],
        "narrow": [_shape(system) for system in version.narrow],
        "template": f"shown-{number}",
        "loops": [
            {**_loop(version, loop, heard, sounds), "events": note_rows(events)}
            for loop, heard, events in zip(
                version.loops, version.heard, version.written, strict=True
            )
        ],
    }


def _step(step: Step) -> dict[str, Any]:
    name, usual = DOES[step.do]
    return {"do": step.do, "passes": step.passes, "name": name, "text": step.text or usual}


def _shape(system: PageSystem) -> dict[str, Any]:
    return {
        "width": round(system.width, 2),
        "bars": [[number, round(left, 2), round(right, 2)] for number, left, right in system.bars],
    }


def _place(version: Version, beat: Fraction) -> str:
    bar, within = divmod(beat, version.beats_in_bar)
    said = spoken_count(int(within) + 1, within % 1)
    return f"{f'Bar {int(bar) + 1}' if bar >= 0 else 'Pickup'}, {said}"


def _said(note: PageNote) -> str:
    """Return the techniques of a note in words; a pick is named only where it is the only one."""
    words = [note.how, *note.also]
    return ", ".join(words[1:] if note.how == "pick" and note.also else words)


def _loop(
    version: Version,
    loop: PageLoop,
    heard: Sequence[float],
    sounds: Mapping[EncodedSound, tuple[int, str]],
) -> dict[str, Any]:
    clock = Clock(loop.tempo, loop.swing)
    seconds = evenly(clock.seconds, version.even)
    exact = clock.exact(version.bars * version.beats_in_bar)
    for name, sound in (("band", loop.band), ("phrase", loop.phrase)):
        if sound.frames != loop.band.frames or abs(sound.frames - exact * sound.rate) > 1:
            raise ValueError(
                f"the {name} at {float(loop.tempo):g} has {sound.frames} frames; "
                f"{version.bars} bars take {float(exact * sound.rate):.0f}"
            )
        if sound.start < LEAD:
            raise ValueError(f"the {name} at {float(loop.tempo):g} starts before frame {LEAD}")
    # A note that is reached by the hand right after the pick is shown, but is no place to go to.
    picked: dict[Fraction, float] = {}
    for note, at in zip(version.notes, heard, strict=True):
        picked[note.beat] = min(at, picked.get(note.beat, at))

    def when(beat: Fraction) -> float:
        return picked[beat] if beat in picked else seconds(beat)

    ends = [
        seconds(note.end) + max(0.0, at - seconds(note.beat))
        for note, at in zip(version.notes, heard, strict=True)
    ]
    return {
        "tempo": float(f"{float(loop.tempo):.4g}"),
        "swing": round(loop.swing, DIGITS),
        "band": sounds[loop.band][0],
        "phrase": sounds[loop.phrase][0],
        "chords": _rounded([clock.seconds(chord.beat) for chord in version.chords]),
        "turns": [_rounded([clock.seconds(t.beat), clock.seconds(t.end)]) for t in version.turns],
        "notes": [_rounded(pair) for pair in zip(heard, ends, strict=True)],
        "tips": [
            None if tip.beat is None else round(when(tip.beat), DIGITS) for tip in version.tips
        ],
        "wide": [_way(system, when) for system in version.wide],
        "narrow": [_way(system, when) for system in version.narrow],
    }


def _way(system: PageSystem, when: Any) -> list[list[float]]:
    """Return the cursor's way through a system: seconds and x."""
    return [_rounded(pair) for pair in growing((when(beat), x) for beat, x in system.places)]


def _rounded(numbers: Sequence[float]) -> list[float]:
    return [round(number, DIGITS) for number in numbers]


def _template(number: int, version: Version) -> str:
    widest = max(system.width for system in (*version.wide, *version.narrow))
    rows = []
    for name, systems in (("wide", version.wide), ("narrow", version.narrow)):
        widest = max(system.width for system in systems)
        for one in systems:
            rows.append(
                f'<div class="system" data-set="{name}">'
                f"{_drawing(one, version, one.width / widest)}</div>"
            )
    whole = [tip for tip in version.tips if tip.beat is None]
    placed = [tip for tip in version.tips if tip.beat is not None]
    tips = [f'<div class="tip whole">{rich(tip.text)}</div>' for tip in whole]
    if placed:
        tips.append("<ol>")
        for at, tip in enumerate(placed, 1):
            tips.append(
                f'<li class="tip"><p class="at"><span class="sign">{at}</span> '
                f"{escape(tip.place)}</p>{rich(tip.text)}</li>"
            )
        tips.append("</ol>")
    return (
        f'<template id="shown-{number}">{"".join(rows)}'
        f'<div class="tips">{"".join(tips)}</div></template>'
    )


def _drawing(system: PageSystem, version: Version, share: float) -> str:
    """Return a system's drawing with its width and what it is called."""
    numbers = [number for number, _, _ in system.bars]
    first = "the pickup" if numbers[0] == 0 else f"bar {numbers[0]}"
    name = f"Notation and tab, {first}" + (f" to {numbers[-1]}" if len(numbers) > 1 else "")
    if not system.svg.startswith("<svg "):
        raise ValueError("a system's drawing is an <svg> element")
    return (
        f'<svg role="img" aria-label="{escape(name)}" fill="currentColor" '
        f'width="{100 * share:.2f}%" {system.svg[5:]}'
    )


def _json(value: Any) -> str:
    """Return JSON that no HTML reader takes for markup, whatever texts are in it."""
    text = json.dumps(value, ensure_ascii=True, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _digest(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


@cache
def _file(name: str) -> str:
    return (HERE / name).read_text(encoding="utf-8")
