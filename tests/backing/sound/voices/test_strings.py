"""Strings beside a real guitar's (examples/sounds/measured.txt) and beside what hands do."""

from __future__ import annotations

from functools import cache
from itertools import combinations
from statistics import median

import numpy as np
import pytest

from backing.events import Note
from backing.sound.voices.gauges import BASS, GUITAR, RHYTHM, UPRIGHT, Neck, tuned
from backing.sound.voices.guitar import Strings, fingered
from phrases.curve import Curve, Glide, Sway
from tests.backing.sound.voices.material import (
    BEFORE,
    BENT,
    RATE,
    Partial,
    Row,
    Sound,
    attacks,
    centroid,
    dead,
    held_out,
    hertz,
    measured,
    note,
    off_curve,
    off_frets,
    off_pitch,
    partial,
    periodic,
    played,
    render,
)


@cache
def _partials(string: str, fret: int) -> dict[int, Partial]:
    sound = render([note(string, fret)], BEFORE + 2)
    base, stiff = hertz(GUITAR.strings[string].open + fret), _stiff(string, fret)
    return {
        n: partial(sound, n * base * np.sqrt((1 + stiff * n * n) / (1 + stiff)), 0.12, 2.0)
        for n in (1, 2, 3, 5, 8)
    }


def _stiff(string: str, fret: int) -> float:
    return GUITAR.strings[string].stiffness * 2 ** (fret / 6)


def _misses(numbers: tuple[int, ...]) -> float:
    rows = held_out(measured())
    return median(
        abs(_partials(row.string, row.fret)[n].decay - value)
        for row in rows
        for n, value in row.decays.items()
        if n in numbers
    )


# `python -m benchmarks.strings` writes these for other thirds, too.
@pytest.mark.parametrize(("numbers", "most"), [((1,), 2.5), ((2, 3, 5), 3.0), ((8,), 4.0)])
def test_partials_decay_as_a_guitar_s_do_where_it_was_not_looked(
    numbers: tuple[int, ...], most: float
) -> None:
    assert _misses(numbers) <= most


def test_treble_dies_first() -> None:
    decays = [one.decay for one in _partials("E", 5).values()]
    assert decays == sorted(decays)
    assert decays[-1] > 2 * decays[0]  # as on the real one there, 12.8 and 6.4


def test_partials_are_as_stiff_as_measured_and_as_fletcher_says() -> None:
    factors = []
    for row in held_out(measured()):
        heard = _partials(row.string, row.fret)
        ratio = (heard[5].hertz / heard[1].hertz / 5) ** 2
        found = (1 - ratio) / (ratio - 25)  # of n f sqrt(1 + B n^2), n = 1 and 5
        if row.stiffness is not None:
            factors.append(max(found / row.stiffness, row.stiffness / found))
        assert found == pytest.approx(_stiff(row.string, row.fret), rel=0.1)
    assert median(factors) <= 1.2


def test_a_string_that_is_tuned_down_is_slack_and_its_frets_count_from_there() -> None:
    """B goes with the inverse of tension (Fletcher), which goes with the square of frequency."""
    low = Note("lead E", BEFORE, BEFORE + 2, 40, 93, Curve())
    down, usual = (
        [partial(sound, n * hertz(40), 0.12, 2.0) for n in (1, 5)]
        for sound in (
            render([low], BEFORE + 2, neck=neck) for neck in (tuned((("E", -2),)), GUITAR)
        )
    )
    found = []
    for first, fifth in (down, usual):
        ratio = (fifth.hertz / first.hertz / 5) ** 2
        found.append((1 - ratio) / (ratio - 25))
    assert found[0] / found[1] == pytest.approx(2 ** (2 / 6) * 2 ** (2 / 6), rel=0.1)
    assert down[1].decay > usual[1].decay  # on the second fret, not open


def test_levels_beat_a_little() -> None:
    """Measured on the real one: by 0.5 to 1.2 dB, here from the lowest to the highest."""
    beats = [one.beats for string in "EGe" for one in _partials(string, 5).values()]
    assert 0.5 <= 2 * 2**0.5 * median(beats) <= 1.2


def _duller(row: Row, velocity: int) -> float:
    sound = render([note(row.string, row.fret, velocity=velocity)], BEFORE + 1.5)
    return centroid(sound, BEFORE + 1.4, 0.08) / centroid(sound, BEFORE, 0.08) - row.brightness


def test_a_note_grows_duller_as_measured() -> None:
    """A plain note on four strings, and all that were measured as softly as they were picked.

    They were picked mezzo piano, which MIDI 1.0 has just below a velocity of 64.
    """
    rows = [row for row in measured() if row.fret in (7, 12) and row.string in "EDGe"]
    assert max(abs(_duller(row, 93)) for row in rows) <= 0.15
    assert median(abs(_duller(row, 60)) for row in measured()[::2]) <= 0.1


@pytest.mark.parametrize("rate", [44100, 48000])
@pytest.mark.parametrize(("string", "fret"), [("E", 3), ("D", 7), ("B", 8), ("e", 17)])
def test_a_note_is_in_tune(string: str, fret: int, rate: int) -> None:
    assert off_pitch(string, fret, rate) == pytest.approx(0, abs=3.4)


@pytest.mark.parametrize("text", BENT)
def test_bends_and_vibrato_follow_their_curve_within_a_cent(text: str) -> None:
    apart = off_curve(text)
    assert np.sqrt((apart**2).mean()) <= 1.0
    assert np.median(apart) <= 0.5


def test_a_slide_is_on_its_frets_within_a_cent() -> None:
    assert off_frets() == pytest.approx([0, 0], abs=1.0)


def _over_partials(string: str, fret: int) -> Sound:
    sound = render([note(string, fret)], 1.2)
    base, stiff = hertz(GUITAR.strings[string].open + fret), _stiff(string, fret)
    places = [n * base * np.sqrt((1 + stiff * n * n) / (1 + stiff)) for n in range(1, 11)]
    return np.array([partial(sound, place, 0.12, 1.1).level for place in places])


def test_the_same_pitch_on_two_strings_sounds_different() -> None:
    """Measured on the real one: 9.1 dB from partial to partial (standard deviation)."""
    names = "EADGBe"
    spreads = []
    for pitch in range(52, 73, 4):
        frets = {name: pitch - GUITAR.strings[name].open for name in names}
        levels = [_over_partials(name, fret) for name, fret in frets.items() if 0 <= fret <= 17]
        spreads += [float(np.std(one - other)) for one, other in combinations(levels, 2)]
    assert 7 <= median(spreads) <= 12
    assert np.percentile(spreads, 10) >= 5


@pytest.mark.parametrize(("string", "fret"), [("E", 5), ("G", 7), ("B", 10), ("e", 12)])
def test_an_accent_is_brighter_than_a_ghost(string: str, fret: int) -> None:
    ghost, accent = (
        centroid(render([note(string, fret, 0.5, velocity)], 0.6), BEFORE, 0.5)
        for velocity in (65, 109)  # of a plain note on the beat, by `phrases.techniques`
    )
    assert accent >= 1.15 * ghost


@pytest.mark.parametrize("string", list("EGe"))
def test_near_the_bridge_is_brighter_than_near_the_neck(string: str) -> None:
    bridge, middle, neck = (
        centroid(render([note(string, 5, 0.5)], 0.6, pick), BEFORE, 0.5)
        for pick in ("bridge", "middle", "neck")
    )
    assert bridge > 1.1 * middle > 1.1 * neck


@pytest.mark.parametrize("string", list("EADGBe"))
def test_a_dead_note_has_no_pitch(string: str) -> None:
    for velocity in (47, 59, 75):
        muted = dead(string, velocity)
        assert periodic(muted) < 0.3
        assert np.abs(muted[round(0.125 * RATE) :]).max() < 0.01 * np.abs(muted).max()
    plain = render([note(string, 0, 0.2, 59)], 0.3)
    assert periodic(plain[round(BEFORE * RATE) :]) > 0.8


def _level(sound: Sound, start: float, stop: float) -> float:
    return float(np.sqrt((sound[round(start * RATE) : round(stop * RATE)] ** 2).mean()))


def test_a_palm_mute_is_short_and_dull() -> None:
    plain, muted = (render([note("E", 3, 0.3, damped=damped)], 0.5) for damped in (False, True))
    assert _level(muted, 0.3, 0.39) < 0.25 * _level(muted, 0.1, 0.15)
    assert _level(plain, 0.3, 0.39) > 0.7 * _level(plain, 0.1, 0.15)
    assert centroid(muted, BEFORE, 0.3) < 0.9 * centroid(plain, BEFORE, 0.3)


def test_a_rake_is_heard_before_its_note_and_has_no_pitch() -> None:
    notes = played("| 1 . 2 B8{rake} 3 .")
    sound = render(notes, 1.2)
    raked = sound[round((notes[0].start - 0.002) * RATE) : round((notes[-1].start - 0.002) * RATE)]
    assert len(notes) == 3
    assert periodic(raked) < 0.4
    assert np.abs(raked).max() > 0.1 * np.abs(sound).max()


def test_what_is_not_picked_has_no_attack() -> None:
    picked = attacks("| 1 G5 2 G7 3 G5 4 .")
    fretted = attacks("| 1 G5 2 h7 3 p5 4 .")
    assert max(attacks("| 1 G5 2 b(full) 3 r 4 .")) < 1.3  # nothing is put into it
    assert min(picked) > 3 * max(fretted)
    assert min(fretted) > 1.3  # a finger is heard, softly


def test_the_frets_are_heard_under_a_slide() -> None:
    glides = tuple(Glide(0.3 + 0.05 * n, 0.0, 100.0 * n, "slide") for n in range(1, 5))
    smooth = tuple(Glide(0.3 + 0.05 * n, 0.0, 100.0 * n, "bend") for n in range(1, 5))
    crossed, still = (
        np.abs(np.diff(render([note("A", 3, 0.8, curve=Curve(0.0, g))], 0.9), 4))
        for g in (glides, smooth)
    )
    for number in range(1, 5):
        at = round((BEFORE + 0.3 + 0.05 * number) * RATE)
        assert crossed[at : at + 400].max() > 2 * still[at : at + 400].max()


def test_vibrato_moves_the_level_too() -> None:
    shaken = Curve(0.0, (), (Sway(0.2, 1.8, 5.0, 60.0),))
    sounds = [render([note("G", 7, 1.8, curve=c)], 2.0) for c in (shaken, Curve())]
    levels = [
        20 * np.log10([_level(sound, at, at + 0.02) for at in np.arange(0.4, 1.7, 0.01)])
        for sound in sounds
    ]
    apart = levels[0] - levels[1]
    spectrum = np.abs(np.fft.rfft((apart - apart.mean()) * np.hanning(len(apart)), 1024))
    assert np.argmax(spectrum[8:]) + 8 == pytest.approx(5.0 * 1024 / 100, abs=6)
    assert 0.3 < np.percentile(apart, 95) - np.percentile(apart, 5) < 3


def test_no_unbent_ghost_is_left_where_a_bent_string_is_picked_again() -> None:
    bent = Note("lead G", BEFORE, 0.7, 62, 93, Curve(0.0, (Glide(0.05, 0.1, 200.0),)))
    again = Note("lead G", 0.712, 1.6, 62, 93, Curve(200.0))
    sound = render([bent, again], 1.6)[round(0.72 * RATE) : round(1.5 * RATE)]
    power = np.abs(np.fft.rfft(sound * np.hanning(len(sound)), 1 << 17))

    def at(pitch: float) -> float:
        place = round(hertz(pitch) * (1 << 17) / RATE)
        return float(power[place - 20 : place + 21].max())

    assert at(62) < 0.003 * at(64)  # 50 dB


def test_idle_strings_answer_what_is_theirs() -> None:
    """A2 on the E string is the open A's own pitch, A flat is nobody's."""
    own, other = (
        _level(sound, BEFORE + 0.9, BEFORE + 1.2) / _level(sound, BEFORE, BEFORE + 0.4)
        for sound in (render([note("E", fret, 0.5)], 1.5) for fret in (5, 4))
    )
    assert 1e-4 < own < 1e-2  # -80 to -40 dB
    assert own > 3 * other


@pytest.mark.parametrize("neck", [GUITAR, BASS])
@pytest.mark.parametrize("velocity", [60, 93, 109])
@pytest.mark.parametrize("up", [3, 12])
def test_what_is_picked_as_a_section_begins_has_no_click(
    neck: Neck, velocity: int, up: int
) -> None:
    """It is as round as what is picked later, when the pick lies on the string beforehand."""
    name, gauge = next(iter(neck.strings.items()))
    sharp = []
    for at in (0.0, 0.1):
        one = Note(f"lead {name}", at, at + 0.3, gauge.open + up, velocity)
        sound = render([one], 0.3, "middle", neck)
        sharp.append(np.abs(np.diff(sound, 3, prepend=0.0)).max() / np.abs(sound).max())
    assert sharp[0] < 1.5 * sharp[1]


@pytest.mark.parametrize("neck", [BASS, UPRIGHT, RHYTHM])
def test_a_string_that_is_stopped_elsewhere_while_it_rings_keeps_no_offset(neck: Neck) -> None:
    """Else a bass wanders to one side by an eighth of its level, a low guitar by a quarter."""
    lowest = next(iter(neck.strings.values())).open
    notes = [
        Note("bass", BEFORE + 0.3 * n, BEFORE + 0.3 * (n + 1), lowest + up, 100)
        for n, up in enumerate([1, 4, 0, 3, 2, 4, 1, 3])
    ]
    sound = render(notes, 2.5, "middle", neck)
    window = np.hanning(round(0.25 * RATE))
    offsets = [
        abs(float(sound[at : at + len(window)] @ window)) / window.sum()
        for at in range(0, len(sound) - len(window), RATE // 50)
    ]
    assert np.percentile(offsets, 90) < 0.03 * np.std(sound)


@pytest.mark.parametrize("chunk", [64 * 5, 64 * 37])
def test_stretches_make_no_difference(chunk: int) -> None:
    notes = played("| 1 G7b(full) 2 ~~ 3 B5/8 4 ex")
    whole, cut = render(notes, 2.0), render(notes, 2.0, chunk=chunk)
    frames = min(len(whole), len(cut))
    np.testing.assert_allclose(whole[:frames], cut[:frames], atol=2e-6)


def test_what_lies_under_the_palm_is_struck_harder() -> None:
    """Common practice: so that a chug on low strings is nearly as loud as what rings."""
    levels = []
    for damped in (False, True):
        chug = [Note("comp", BEFORE, BEFORE + 0.14, p, 75, damped=damped) for p in (45, 52)]
        levels.append(_level(render(chug, 0.3, neck=RHYTHM), BEFORE, 0.3))
    assert 0.7 < levels[1] / levels[0] < 1.1


def test_chords_lie_under_a_hand() -> None:
    chord = [Note("comp", 1.0, 1.5, pitch, 80) for pitch in (55, 59, 64, 67)]
    played_on = dict(fingered(GUITAR, chord))
    frets = {name: one.pitch - GUITAR.strings[name].open for name, one in played_on.items()}
    assert len(frets) == 4
    stopped = [fret for fret in frets.values() if fret]
    assert min(frets.values()) >= 0
    assert max(stopped) - min(stopped) <= 4  # common practice: a hand spans four or five frets
    for struck in (chord, chord[::-1]):  # down, and up
        strings = dict(fingered(GUITAR, struck))
        starts = [one.start for one in strings.values()]
        assert starts == sorted(starts)
        assert 0.005 < starts[-1] - starts[0] < 0.02
        assert [one.pitch for one in strings.values()] == [one.pitch for one in struck]
        assert {name: one.pitch for name, one in strings.items()} == {
            name: one.pitch for name, one in played_on.items()
        }


def test_strings_that_have_nothing_to_play_are_silent() -> None:
    strings = Strings(GUITAR, [note("G", 7, 0.2)], "middle", RATE, answers=True)
    rendered = [strings.play(start, 6400) for start in range(0, strings.frames + 6400, 6400)]
    assert np.abs(rendered[-1]).max() < 1e-12
    assert all(np.isfinite(one).all() for one in rendered)
