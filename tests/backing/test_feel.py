from __future__ import annotations

import io
from collections import defaultdict
from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
import pretty_midi
import pytest
from scipy import signal

from backing.arrangement import arrange
from backing.cli.options import LOOSE
from backing.events import Stream
from backing.feel import EARLIEST, LATEST, PLAYERS, Feel
from backing.grooves import find_groove, groove_names
from backing.midi import midi_bytes
from tests.backing.material import setting

# General MIDI 1: who strikes which key; the percussion names are pretty_midi's.
SNARE = 38
CYMBALS = {42, 46, 49, 51}  # closed hat, open hat, crash, ride
FEET = {36, 44}  # kick, hat by foot

# Hofmann, Wesolowski & Goebl 2017, J. New Music Research 46(4), 329-341.
LIKED = 0.019  # seconds


@cache
def _stream(groove: str, looseness: float, choruses: int = 2) -> Stream:
    tempo = find_groove(groove).tempos[1]
    seed = groove_names().index(groove)
    given = setting(groove, "twelve-bar", tempo, looseness=looseness, seed=seed)
    return arrange(given, choruses)


Strokes = dict[tuple[str, int], list[float]]


def _read(stream: Stream) -> Strokes:
    """Return when each pitch of each part is struck, as pretty_midi reads the file."""
    midi = pretty_midi.PrettyMIDI(io.BytesIO(midi_bytes(stream)))
    starts: Strokes = defaultdict(list)
    for instrument in midi.instruments:
        for note in sorted(instrument.notes, key=lambda n: n.start):
            starts[instrument.name, note.pitch].append(note.start)
    return starts


def _who(part: str, pitch: int) -> str:
    if part != "Drums":
        return part
    return "cymbal" if pitch in CYMBALS else "foot" if pitch in FEET else "snare"


Offset = tuple[float, str, int, float]  # written second, player, pitch, offset


@cache
def _offsets(groove: str, looseness: float) -> list[Offset]:
    """Return how far each stroke of a file is from where the same stroke is written.

    The written place is that of the same piece at looseness 0: the choices are the same.
    """
    loose, exact = (_read(_stream(groove, amount)) for amount in (looseness, 0.0))
    assert loose.keys() == exact.keys()
    rows = []
    for (part, pitch), starts in loose.items():
        written = exact[part, pitch]
        assert len(starts) == len(written)
        rows += [
            (at, _who(part, pitch), pitch, start - at)
            for start, at in zip(starts, written, strict=True)
        ]
    return rows


CASES = [(groove, amount) for groove in groove_names() for amount in (1.0, 2.0)]


@pytest.mark.parametrize(("groove", "looseness"), CASES)
def test_parts_that_strike_together_are_under_nineteen_milliseconds_apart(
    groove: str, looseness: float
) -> None:
    places: dict[int, list[float]] = defaultdict(list)
    for at, *_, offset in _offsets(groove, looseness):
        places[round(at * 1000)].append(offset)
    apart = [max(offsets) - min(offsets) for offsets in places.values() if len(offsets) > 1]
    assert len(apart) > 50
    assert max(apart) < LIKED
    assert sum(apart) / len(apart) > 0.001  # people, not a machine


@pytest.mark.parametrize("looseness", [1.0, 2.0])
def test_the_cymbal_hand_is_ahead_and_the_snare_is_behind(looseness: float) -> None:
    # The hat hand leads by 2-26 ms (Hofmann et al. 2017); a late snare is forgiven, an early one
    # is not (Fruhauf, Kopiez & Platz 2013, Musicae Scientiae). Over all grooves, each of its own
    # seed: within one piece somebody may happen to stray for long.
    rows = [_by_player(groove, looseness, np.mean) for groove in groove_names()]
    mean = {p: np.mean([row[p] for row in rows if p in row]) for p in ("cymbal", "snare", "foot")}
    assert mean["cymbal"] + 0.002 < mean["snare"]
    assert mean["foot"] < mean["snare"]
    assert mean["snare"] > 0


def _by_player(groove: str, looseness: float, what: object) -> dict[str, float]:
    offsets: dict[str, list[float]] = defaultdict(list)
    for _, player, pitch, offset in _offsets(groove, looseness):
        if player != "snare" or pitch == SNARE or groove == "rumba-blues":
            offsets[player].append(offset)
    assert callable(what)
    return {player: float(what(values)) for player, values in offsets.items()}


def test_the_backbeat_is_the_most_precise() -> None:
    # Hofmann et al. 2017: least spread on the backbeat. Over all grooves, each of its own seed:
    # within one piece somebody may happen to wander less.
    spreads: dict[str, list[float]] = defaultdict(list)
    for groove in groove_names():
        for player, spread in _by_player(groove, 1.0, np.std).items():
            spreads[player].append(spread)
    middle = {player: np.sqrt(np.mean(np.square(s))) for player, s in spreads.items()}
    assert set(middle) == {"cymbal", "foot", "snare", "Bass", "Comping"}
    assert all(middle["snare"] < 0.9 * middle[other] for other in set(middle) - {"snare"})


def test_on_the_whole_the_band_is_late_rather_than_early() -> None:
    # Fruhauf et al. 2013: late is liked better than early; only the cymbal hand leads for good.
    mean = {}
    for player in PLAYERS:
        feels = [Feel(seed) for seed in range(40)]
        mean[player] = np.mean([feel.stroke(player)[0] for feel in feels for _ in range(200)])
    assert min(mean, key=lambda player: mean[player]) == "cymbal"
    assert mean["snare"] > 0.002
    assert mean["comp"] > 0.002
    assert sum(mean.values()) > 0


@pytest.mark.parametrize("looseness", [1.0, 2.0])
def test_nobody_is_far_ahead(looseness: float) -> None:
    """Later rather than earlier, over all grooves: within a piece somebody may stray for long."""
    rows = [[offset for *_, offset in _offsets(g, looseness)] for g in groove_names()]
    assert min(map(min, rows)) > -0.010
    assert sum(map(max, rows)) > -sum(map(min, rows))


@pytest.mark.parametrize("groove", groove_names())
def test_looser_is_farther_from_the_grid(groove: str) -> None:
    tight, loose = (
        np.mean([abs(offset) for *_, offset in _offsets(groove, amount)]) for amount in (1.0, 2.0)
    )
    assert loose > 1.2 * tight


@pytest.mark.parametrize("player", PLAYERS)
def test_a_stroke_of_any_player_is_within_bounds(player: str) -> None:
    feel = Feel("bounds", 2.0)
    strokes = [feel.stroke(player) for _ in range(5000)]
    assert LATEST - EARLIEST < LIKED
    assert all(EARLIEST <= offset <= LATEST for offset, _ in strokes)
    assert all(0.7 <= loud <= 1.3 for _, loud in strokes)


def test_at_looseness_nothing_every_stroke_is_on_its_place() -> None:
    feel = Feel("exact", 0.0)
    for player in PLAYERS:
        assert [feel.stroke(player) for _ in range(100)] == [(0.0, 1.0)] * 100


def test_at_looseness_nothing_notes_are_where_they_are_counted() -> None:
    # 2:1 swing: beats and the last of three, so every drum is on a third of a beat.
    given = setting("shuffle", "twelve-bar", 120, looseness=0.0, count_in=0)
    stream = arrange(given, 1, ending="none")
    third = 60 / 120 / 3
    for note in stream.sections[0].notes:
        if note.voice == "drums" and note.start:
            assert note.start / third == pytest.approx(round(note.start / third), abs=1e-6)


def test_the_same_seed_wanders_the_same_way_and_another_elsewhere() -> None:
    made = {seed: Feel(seed) for seed in ("a", "b")}
    strokes = {seed: [feel.stroke("bass") for _ in range(50)] for seed, feel in made.items()}
    again = Feel("a")
    assert [again.stroke("bass") for _ in range(50)] == strokes["a"]
    assert strokes["a"] != strokes["b"]


def test_players_wander_on_their_own() -> None:
    alone, along = Feel("x"), Feel("x")
    plain = [alone.stroke("snare") for _ in range(20)]
    mixed = []
    for _ in range(20):
        along.stroke("cymbal")
        mixed.append(along.stroke("snare"))
    assert plain == mixed


def test_the_same_piece_is_the_same_bytes() -> None:
    given = setting(looseness=1.0)
    first, again = (midi_bytes(arrange(given, 1)) for _ in range(2))
    assert first == again
    assert midi_bytes(arrange(replace(given, seed=2), 1)) != first


def _slope(offsets: list[float]) -> float:
    """Return the slope of the spectrum in double-logarithmic bins, above its slowest part."""
    values = np.asarray(offsets)
    hertz, power = signal.periodogram(values - values.mean())
    edges = np.geomspace(1 / 256, 0.5, 13)
    x, y = [], []
    for low, high in pairwise(edges):
        inside = (hertz >= low) & (hertz < high)
        if inside.any():
            x.append(np.log(hertz[inside]).mean())
            y.append(np.log(power[inside].mean()))
    return float(np.polyfit(x, y, 1)[0])


SEEDS = range(6)


@pytest.mark.parametrize("player", PLAYERS)
def test_wandering_is_long_range_correlated(player: str) -> None:
    """Hennig et al. 2011, PLoS ONE 6(10) e26457: 1/f; independent strokes have a flat spectrum."""
    slopes, flat = [], []
    for seed in SEEDS:
        feel = Feel(seed)
        offsets = [feel.stroke(player)[0] for _ in range(4096)]
        slopes.append(_slope(offsets))
        shuffled = np.random.default_rng(seed).permutation(offsets)
        flat.append(_slope(shuffled.tolist()))
    assert all(-1.4 < slope < -0.6 for slope in slopes), slopes
    assert all(-0.3 < slope < 0.3 for slope in flat), flat


@pytest.mark.parametrize("player", PLAYERS)
def test_a_loose_band_is_heard_to_be_loose(player: str) -> None:
    """4 to 9 ms of standard deviation: 2 ms lie under hearing (Friberg & Sundberg 1995)."""
    spreads = []
    for seed in range(24):
        feel = Feel(seed, LOOSE)
        spreads.append(np.std([feel.stroke(player)[0] for _ in range(600)]))
    assert 0.004 <= np.mean(spreads) <= 0.009


@pytest.mark.parametrize("player", PLAYERS)
def test_a_wander_is_remembered_over_many_strokes(player: str) -> None:
    """Hennig et al. 2011: long-range; a short window has forgotten after a few bars.

    A sum of nine rows that step at every stroke, every second and so on keeps about a third of
    its variance over 32 strokes (from the sum); noise smoothed over a few strokes none.
    """
    near = []
    for seed in range(12):
        feel = Feel(seed)
        values = np.array([feel.stroke(player)[0] for _ in range(4096)])
        values -= values.mean()
        near.append(float(values[:-32] @ values[32:] / (values @ values)))
    assert np.mean(near) > 0.2, near


def test_the_loudness_of_strokes_wanders_in_the_same_way() -> None:
    feel = Feel(1)
    assert -1.4 < _slope([feel.stroke("cymbal")[1] for _ in range(4096)]) < -0.6


@cache
def _hats(looseness: float) -> list[float]:
    starts = _read(_stream("shuffle", looseness, 24))
    return sorted(starts["Drums", 42] + starts["Drums", 51])


def test_the_cymbal_of_an_exported_file_is_long_range_correlated() -> None:
    loose, exact = _hats(2.0), _hats(0.0)
    assert len(loose) == len(exact) > 2000
    offsets = [a - b for a, b in zip(loose, exact, strict=True)]
    slope = _slope(offsets)
    shuffled = np.random.default_rng(1).permutation(offsets)
    assert -1.4 < slope < -0.5
    assert slope < _slope(shuffled.tolist()) - 0.4
