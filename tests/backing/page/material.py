"""Pages with sounds of a known shape: a tone on the band, clicks on the phrase."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from functools import cache

import numpy as np
import soundfile
from numpy.typing import NDArray

from backing.forms import find_form
from backing.page.data import EncodedSound, PageData, PageLoop, PagePiece, PageTip, Version
from backing.page.music import heard, version
from phrases.phrase import Phrase
from tests.backing.material import answered

RATE = 48000
AROUND = 4800  # frames of the loop's other end before and after it
TONE = 220.0  # Hz; whole periods in every loop here
CLICK = 3000.0
PICK = "pick"


def encoded(wave: NDArray[np.float64]) -> EncodedSound:
    """Return a loop as Ogg Opus."""
    whole = np.concatenate([wave[-AROUND:], wave, wave[:AROUND]])
    file = io.BytesIO()
    soundfile.write(file, whole.astype(np.float32), RATE, format="OGG", subtype="OPUS")
    return EncodedSound(file.getvalue(), AROUND, len(wave), RATE)


def frames(tempo: Fraction, beats: int) -> int:
    return round(beats * 60 / tempo * RATE)


@cache
def tone(count: int) -> EncodedSound:
    return encoded(0.25 * np.sin(2 * np.pi * TONE * np.arange(count) / RATE))


def clicks(times: Sequence[float], count: int) -> EncodedSound:
    """Return a loop with a click at each time, in seconds from its start."""
    wave = np.zeros(count)
    at = np.arange(round(0.03 * RATE)) / RATE
    click = 0.7 * np.sin(2 * np.pi * CLICK * at) * np.exp(-at * 400)
    for time in times:
        first = round(time * RATE) % count
        where = (first + np.arange(len(click))) % count
        wave[where] += click
    return encoded(wave)


def clicked(phrase: Phrase, tempos: Sequence[int], swing: float = 2.0) -> Version:
    """Return a version whose phrase layer clicks where its notes are picked."""
    form = find_form("twelve-bar")
    nothing = EncodedSound(b"", AROUND, 0, RATE)
    bare = version(phrase, form, [PageLoop(Fraction(tempos[0]), swing, nothing, nothing)])
    loops = []
    for tempo in map(Fraction, tempos):
        count = frames(tempo, phrase.bars * phrase.meter.beats)
        times = heard(phrase, bare.notes, PageLoop(tempo, swing, nothing, nothing))
        picks = [at for at, note in zip(times, bare.notes, strict=True) if note.how == PICK]
        loops.append(PageLoop(tempo, swing, tone(count), clicks(picks, count)))
    return version(phrase, form, loops)


@cache
def small() -> PageData:
    """Return a page of one phrase in three tempos."""
    return PageData("Answered", (PagePiece("Answered", (clicked(answered(), (160, 200, 240)),)),))


def several() -> PageData:
    """Return a page with everything on it: pieces, keys, grooves, tips, a text."""
    data = small()
    version = data.pieces[0].versions[0]
    tip = PageTip("Bend *it*.", version.notes[4].beat, "Call, bar 2, 1")
    tipped = replace(version, tips=(PageTip("The whole."), tip))
    versions = [
        replace(tipped, key=key, groove=groove) for key in "AC" for groove in ("shuffle", "jump")
    ]
    piece = PagePiece("Answered", tuple(versions))
    text = "# Text\n\n- one\n\n> two\n\n```\ncode\n```\n\n| a | b |\n|---|---|\n| c | d |"
    others = (("Another", "../another/page.html"),)
    return PageData("Many", (piece, replace(piece, name="Other")), text, others=others)
