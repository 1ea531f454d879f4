"""What is played live, hop by hop, beside what is written to a file."""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest

import backing
from backing.events import Stream
from backing.live.index import StreamIndex
from backing.live.reel import HOP, Renderer, paced
from backing.sound.audio import frame_of, render
from backing.sound.filters import Samples
from backing.sound.limiter import gain_curve
from backing.sound.mix import LIMIT, USUAL
from phrases.curve import Curve, Sway
from tests.backing.live.material import clicks, held
from tests.backing.material import true_peak
from tests.hard.material import in_turn, some

RATE = 48000


def live(stream: Stream, soundfont: Path, rate: int = RATE) -> Renderer:
    return Renderer(StreamIndex(stream), soundfont, rate)


def laid(renderer: Renderer) -> Samples:
    """Return all layers to the end, before any gain."""
    made = []
    while not renderer.over:
        made.append(renderer.laid())
    return np.concatenate(made, axis=2)


def filed(stream: Stream, soundfont: Path, rate: int = RATE) -> Samples:
    """Return the layers of a file, before any gain."""
    with closing(render(stream, soundfont, rate)) as done:
        return np.concatenate([done.spool.read(stretch) for stretch in done.row], axis=2)


PIECES = {
    "demo": lambda: backing.demo("lamp-oil", choruses=1, tempo=150, tone="driven"),
    "loop": lambda: backing.loop("lamp-oil", start=132, goal=150, step=18),
    "track": lambda: backing.track(choruses=2, tempo=135, form="one-chord-vamp", ending="slow"),
}


@pytest.mark.parametrize(("name", "rate"), in_turn(PIECES, [44100, 48000]))
def test_it_is_bit_for_bit_the_file_before_its_gains(
    name: str, rate: int, soundfont: Path
) -> None:
    stream = PIECES[name]()
    found, wanted = laid(live(stream, soundfont, rate)), filed(stream, soundfont, rate)
    assert found.shape == wanted.shape
    assert np.abs(found).max() > 0.01
    assert np.array_equal(found, wanted)


def test_mastering_is_two_gains_and_the_limiter_of_a_file(soundfont: Path) -> None:
    stream = backing.demo("lamp-oil", choruses=1, tempo=75, form="one-chord-vamp")
    layers = laid(live(stream, soundfont))
    mix = np.einsum("l,lcf->cf", USUAL.of(("band", "lead")), layers)
    renderer = live(stream, soundfont)
    blocks = []
    while not renderer.over:
        blocks.append(renderer.block())
    heard = np.concatenate(blocks).T
    assert heard.shape == mix.shape
    curve = gain_curve(mix, LIMIT)
    assert curve.min() < 0.95
    np.testing.assert_allclose(heard, mix * curve, atol=1e-5)
    assert true_peak(heard) <= -1.5


@pytest.mark.parametrize(
    "groove", some(["shuffle", "slow-blues", "funk-blues", "jump", "stop-time"], 3)
)
def test_it_is_about_as_loud_as_a_file(groove: str, soundfont: Path) -> None:
    renderer = live(backing.track(choruses=1, groove=groove, form="one-chord-vamp"), soundfont)
    heard = np.concatenate([renderer.block() for _ in range(18 * RATE // HOP)])
    # A file is at -16 LUFS; what is fixed in advance cannot know how dense a band is.
    assert pyloudnorm.Meter(RATE).integrated_loudness(heard) == pytest.approx(-16.0, abs=3.0)


# --- what a player asks for ------------------------------------------------------


def onsets(sound: Samples, part: int = 0) -> list[float]:
    """Return the seconds at which one layer's sound jumps up from less than half."""
    level = np.abs(sound[part]).max(axis=0)
    steps = level[: len(level) // 480 * 480].reshape(-1, 480).max(axis=1)
    found: list[float] = []
    for number, (before, now) in enumerate(pairwise([0.0, 0.0, *steps])):
        at = (number - 1) / 100
        if now > 0.02 and now > 2 * before and (not found or at - found[-1] > 0.1):
            found.append(at)
    return found


def played(renderer: Renderer, seconds: float, **asked: float) -> Samples:
    """Return seconds of layers; each action is asked for at its second."""
    made = []
    for number in range(round(seconds * RATE / HOP)):
        for action, at in list(asked.items()):
            if number * HOP / RATE >= at:
                renderer.asked.append(action)
                del asked[action]
        made.append(renderer.laid())
    return np.concatenate(made, axis=2)


def band(stream: Stream) -> Stream:
    return replace(
        stream,
        sections=tuple(
            replace(s, notes=tuple(n for n in s.notes if n.voice == "bass"))
            for s in stream.sections
        ),
    )


def test_a_stop_dies_away_at_the_bar_line_and_goes_on_from_there(soundfont: Path) -> None:
    renderer = live(clicks(3, 1, 120), soundfont)
    sound = played(renderer, 8.0, stop=0.5)
    assert np.abs(sound[:, :, : 2 * RATE]).max() > 0.05
    assert np.abs(sound[:, :, round(2.1 * RATE) :]).max() < 1e-3
    assert not renderer.reel.state.going
    more = played(renderer, 0.5, stop=0.0)
    assert np.abs(more).max() > 0.05
    assert renderer.reel.where(Fraction(renderer.frames, RATE)).name.startswith("Pass 2")


@pytest.mark.parametrize(("action", "tempo"), [("faster", 122), ("slower", 118)])
def test_the_tempo_moves_at_the_bar_line(action: str, tempo: int, soundfont: Path) -> None:
    stream = band(clicks(1, 6, 120))
    renderer = live(stream, soundfont)
    sound = played(renderer, 10.0, **{action: 0.3})
    where = renderer.reel.where(Fraction(renderer.frames, RATE))
    assert where.tempo == where.coming == tempo
    beats = [0.5 * n for n in range(4)] + [2.0 + 60 / tempo * n for n in range(12)]
    found = onsets(sound)[: len(beats)]
    first = found[0] - beats[0]
    # The bar line is met 20 ms early at the old tempo and left at the new one: 0.3 ms.
    assert found == pytest.approx([at + first for at in beats], abs=0.012)


def test_next_begins_the_next_section_at_the_bar_line(soundfont: Path) -> None:
    stream = clicks(3, 4, 120)
    renderer = live(stream, soundfont)
    sound = played(renderer, 4.0, next=0.5)
    assert renderer.reel.where(Fraction(renderer.frames, RATE)).name.startswith("Pass 2")
    second = filed(
        replace(stream, sections=(replace(stream.sections[1], start=Fraction(0)),)), soundfont
    )
    start = 2 * RATE
    after = slice(round(0.05 * RATE), RATE)  # what was left has died away by then
    np.testing.assert_allclose(
        sound[:, :, start : start + 2 * RATE][:, :, after], second[:, :, after], atol=1e-6
    )


def test_the_mix_without_the_phrase_is_the_band_alone(soundfont: Path) -> None:
    renderer, alone = live(held(), soundfont), live(band(held()), soundfont)
    found = np.concatenate([renderer.mixes() for _ in range(30)], axis=1)
    without = np.concatenate([alone.block() for _ in range(30)])
    np.testing.assert_allclose(found[1], without, atol=1e-6)
    assert np.abs(found[0] - found[1]).max() > 0.05


def test_the_notes_of_a_place_at_a_pace() -> None:
    notes = held().sections[0].notes
    assert paced(notes, 0.0, 1.0) == notes
    (bent,) = [note for note in paced(notes, 0.0, 2.0) if note.curve is not None]
    assert (bent.end, bent.curve.glides[0].seconds) == (29.5 / 2, 0.05)  # type: ignore[union-attr]
    assert paced(notes, 0.5, 1.0) == ()
    swaying = replace(notes[0], curve=Curve(0.0, (), (Sway(0.2, 1.0, 5.0, 40.0, 0.8),)))
    (one,) = paced((swaying,), 0.0, 2.0)
    assert one.curve == Curve(0.0, (), (Sway(0.1, 0.5, 5.0, 40.0, 0.4),))  # the hand as quick


def test_whatever_is_pressed_it_ends_and_is_silent(soundfont: Path) -> None:
    import random

    chance = random.Random(5)
    renderer = live(clicks(6, 1, 240), soundfont)
    for _ in range(40):
        renderer.asked.append(
            chance.choice(["next", "previous", "faster", "slower", "mute", "stop", "stop"])
        )
        for _ in range(10):
            assert np.isfinite(renderer.laid()).all()
            if renderer.over:
                break
    if not renderer.reel.state.going and not renderer.over:
        renderer.asked.append("stop")
    last = laid(renderer) if not renderer.over else np.zeros((1, 2, 1))
    assert np.abs(last[:, :, -1]).max() < 1e-3
    assert frame_of(clicks().sections[1], RATE) == 4 * RATE
    renderer.close()


def test_it_counts_in_and_goes_on_where_it_was(soundfont: Path) -> None:
    stream = band(clicks())
    renderer = Renderer(StreamIndex(stream), soundfont, RATE, counts=True)
    made = [renderer.laid()]
    renderer.asked.append("stop")
    while renderer.frames < 3 * RATE:
        made.append(renderer.laid())
    begin = renderer.frames / RATE
    renderer.asked.append("stop")
    while renderer.frames < (begin + 3.1) * RATE:
        made.append(renderer.laid())
    heard = [at - begin for at in onsets(np.concatenate(made, axis=2)) if at >= begin - 0.01]
    # Four sticks half a second apart, then the bar that it was stopped before.
    assert heard[:7] == pytest.approx([0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0], abs=0.03)


def test_round_and_round_is_the_same_each_time(soundfont: Path) -> None:
    stream = band(clicks(passes=1))
    renderer = Renderer(StreamIndex(stream), soundfont, RATE, round=True)
    made = []
    while renderer.frames < 13 * RATE:
        made.append(renderer.laid())
    heard = np.concatenate(made, axis=2)
    second, third = heard[:, :, 4 * RATE : 8 * RATE], heard[:, :, 8 * RATE : 12 * RATE]
    assert np.abs(second).max() > 0.01
    assert np.array_equal(second, third)
    assert not renderer.over
