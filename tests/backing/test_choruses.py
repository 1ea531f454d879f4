"""A band over many choruses: what is shared, what is fresh, how it rises, how it listens.

Expectations are common practice, from memory, unless a source stands beside them.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile
from music21 import harmony as theory

import backing
from backing.band.plan import Planner, loudness
from backing.events import Stream
from backing.forms import turnarounds
from backing.grooves import find_groove, groove_names
from backing.grooves.instruments import COMPS
from phrases.errors import ChoiceError
from phrases.files import read_phrase, shipped
from phrases.pitch import KEYS
from tests.backing.choruses import (
    CRUSH,
    bars,
    drum_bar,
    met,
    off_beat_kicks,
    together,
    tops,
    track,
)
from tests.backing.material import Read, read, setting
from tests.hard.material import LONG, number_of, some

SEEDS = range(1, 1 + number_of(1, 10))
CLOSE = ("boogie", "rock-blues", "rumba-blues", "funk-blues", "two-beat")


@pytest.mark.parametrize("groove", groove_names())
def test_off_the_beat_the_kick_and_the_bass_are_one(groove: str) -> None:
    chance = np.random.default_rng(1)
    for seed in SEEDS:
        kicks, share = together(track(groove, seed))
        _, by_chance = together(track(groove, seed), chance)
        assert kicks > 10
        # Where the bass is on every eighth, chance meets most kicks too.
        assert share >= (0.85 if groove in CLOSE else min(0.97, by_chance + 0.30))


@pytest.mark.parametrize("groove", groove_names())
def test_all_strike_together_twice_a_chorus_or_more(groove: str) -> None:
    """Pushes, riffs, stops and breaks; each push is met by all, a break by nobody after it."""
    for seed in SEEDS:
        for part in track(groove, seed).choruses:
            pushed = [n for n, bar in enumerate(part.bars) if bar.push]
            agreed = [n for n, bar in enumerate(part.bars) if bar.line]
            assert len(pushed) + len(agreed) >= 2
            struck = {name: [n.start for n in part.notes(name)] for name in ("comp", "bass")}
            for number in pushed:
                late = part.at(number, 3) + 1e-3
                kicks = [at for at, _ in off_beat_kicks(part) if late < at < part.at(number + 1)]
                assert kicks
                assert met(kicks[-1:], struck["bass"]) == met(kicks[-1:], struck["comp"]) == 1.0
            for number in agreed if part.bars[-2].line and not part.bars[-1].line else []:
                if part.bars[number].when[0] == "stop" and number == len(part.bars) - 2:
                    low, high = part.at(number) + 0.01, part.at(number + 1) - CRUSH - 0.01
                    played = (n for voice in ("drums", "bass", "comp") for n in part.notes(voice))
                    assert not [n for n in played if low < n.start < high]


@pytest.mark.parametrize("groove", groove_names())
def test_a_crash_opens_the_choruses_that_rise(groove: str) -> None:
    for seed in SEEDS:
        for before, after in pairwise(track(groove, seed).choruses):
            if not any(n == "crash" for p in find_groove(groove).drums for n, _ in p.lanes):
                continue  # brushes have none
            crash = any(n.pitch == 49 and n.start < after.at(0, 1) for n in after.notes("drums"))
            stops = after.bars[0].when[0] == "stop"
            assert crash == (after.bars[0].strength > before.bars[0].strength and not stops)


@pytest.mark.parametrize("groove", groove_names())
def test_skips_of_the_bass_are_softer_than_its_beats(groove: str) -> None:
    """But in an upbeat shuffle, whose skips are what is accented."""
    loud: dict[bool, list[int]] = {True: [], False: []}
    for seed in SEEDS:
        for part in track(groove, seed).choruses:
            plain = [n for n, bar in enumerate(part.bars) if not bar.line and not bar.push]
            for number in plain:
                for at, note in bars(part, "bass")[number]:
                    beat = at / (part.at(0, 1) - part.at(0))
                    loud[abs(beat - round(beat)) > 0.05].append(note.velocity)
    skips, beats = (np.mean(loud[off]) if loud[off] else 0.0 for off in (True, False))
    assert (skips > beats) if groove == "upbeat-shuffle" else (skips < 0.95 * beats)


@pytest.mark.parametrize("groove", groove_names()[:: 1 if number_of(0, 1) else 8])
def test_the_bass_has_its_low_e_as_the_tonic_of_e(groove: str) -> None:
    """E1, 28, is the lowest string of a bass; an octave higher is for the eight of a line."""
    for seed in SEEDS:
        choruses = track(groove, seed, key="E").choruses
        ones = [
            bars(part, "bass")[n][0][1].pitch
            for part in choruses
            for n, bar in enumerate(part.bars[:-2])
            if bar.chords[0][1].degree == "1" and bar.when[0] != "stop"
        ]
        assert ones[0] == 28
        assert ones.count(28) >= 0.5 * len(ones)


@pytest.mark.parametrize(
    ("key", "roots"),
    # E2 A2 D3 are the open strings; common practice for boogie figures: open in E and A, and in
    # G and C the four on the next string beside the one.
    [("E", (40, 45, 47)), ("A", (45, 50, 40)), ("G", (43, 48, 50)), ("C", (48, 53, 43))],
)
def test_a_guitarists_low_roots_lie_under_one_hand(key: str, roots: tuple[int, ...]) -> None:
    lows: dict[str, set[int]] = {}
    for part in track("boogie", 1, key=key).choruses:
        for bar, row in zip(part.bars, bars(part, "comp"), strict=True):
            strokes: dict[float, list[int]] = {}
            for at, note in row:
                strokes.setdefault(round(at, 4), []).append(note.pitch)
            pairs = [min(pitches) for pitches in strokes.values() if len(pitches) == 2]
            if len(bar.chords) == 1:
                lows.setdefault(bar.chords[0][1].degree, set()).update(pairs)
    assert [lows[degree] for degree in "145"] == [{root} for root in roots]


@pytest.mark.parametrize("groove", groove_names())
def test_fills_and_set_ups_are_fresh(groove: str) -> None:
    """Sixteen fills or more over ten seeds, none again within six choruses; set-ups the same."""
    fills: set[object] = set()
    for seed in SEEDS:
        choruses = track(groove, seed).choruses
        ends = [[n for n, bar in enumerate(part.bars) if bar.when[0] == "setup"]
                for part in choruses]  # fmt: skip
        rows = [bars(part, "drums") for part in choruses]
        last = [drum_bar(row[-1]) for row in rows]
        leads = [drum_bar(row[n]) for row, marks in zip(rows, ends, strict=True) for n in marks]
        fills |= set(last)
        for found, choruses_apart in ((last, 1), (leads, len(ends[0]))):
            for number, one in enumerate(found):
                assert one not in found[max(0, number - 6 * choruses_apart + 1) : number]
    assert len(fills) >= min(16, 10 * len(SEEDS))


@pytest.mark.parametrize("groove", groove_names())
def test_turnarounds_change_from_chorus_to_chorus(groove: str) -> None:
    for seed in SEEDS:
        one = track(groove, seed)
        ends = [tuple(bar.chords for bar in part.bars[-2:]) for part in one.choruses]
        assert all(a != b for a, b in pairwise(ends))
        assert len(set(ends)) >= 4


@pytest.mark.parametrize("groove", groove_names())
def test_a_chord_of_two_bars_is_not_one_grip(groove: str) -> None:
    """The top voice moves at least every two bars, by step in seven of ten."""
    moves: Counter[bool] = Counter()
    for seed in SEEDS:
        for part in track(groove, seed).choruses:
            struck = tops(part)
            for number, (one, other) in enumerate(pairwise(part.bars)):
                if one.chords != other.chords or len(one.chords) > 1:
                    continue
                here = [[top for bar, top in struck if bar == n] for n in (number, number + 1)]
                if other.following != other.chords[0][1]:  # the last may push into what follows
                    here[1] = here[1][:-1]
                if not all(here):
                    continue
                assert len({*here[0], *here[1]}) > 1
                moves.update(abs(a - b) <= 2 for a, b in pairwise(here[0] + here[1]) if a != b)
    # The rock guitar holds few chords of four.
    assert moves[True] >= 0.7 * moves.total() or moves.total() < 10


@pytest.mark.parametrize("comp", COMPS)
def test_both_rootless_voicings_occur_in_every_key(comp: str) -> None:
    """3-13-b7-9 and b7-9-3-13, from the lowest up."""
    chord = theory.ChordSymbol("C13")  # music21's members of it, by their steps
    members = {step: chord.getChordStep(step) for step in (3, 6, 7, 2)}
    third, thirteenth, seventh, ninth = (p.pitchClass for p in members.values() if p)
    wanted = [(third, thirteenth, seventh, ninth), (seventh, ninth, third, thirteenth)]
    for key in some([key for key in KEYS if key.mode == "major"], 4):
        found = set()
        for seed in range(1, 7):
            stream = backing.track(key=str(key), comp=comp, seed=seed, choruses=6, looseness=0)
            strokes: dict[float, set[int]] = {}
            for section in stream.sections:
                for note in section.notes:
                    if note.voice == "comp":
                        at = float(section.start) + note.start
                        strokes.setdefault(round(at, 4), set()).add(note.pitch)
            for pitches in strokes.values():
                row = sorted(pitches)
                for root in range(12):
                    for steps in wanted:
                        if [p % 12 for p in row] == [(root + s) % 12 for s in steps]:
                            found.add(steps)
            if len(found) == 2:
                break
        assert len(found) == 2, str(key)


RIFFS = [name for name in groove_names() if any(not r.chorus for r in find_groove(name).riffs)]
SHOUTS = [name for name in groove_names() if any(r.chorus for r in find_groove(name).riffs)]


@pytest.mark.parametrize("groove", RIFFS)
def test_a_riff_lasts_a_chorus_and_moves_with_the_chord(groove: str) -> None:
    """The same shape over I, IV and V in eight of ten bars, met by the kick off the beat."""
    for seed in SEEDS:
        shapes = []
        for part in track(groove, seed).choruses:
            rows = [
                tuple((round(at, 3), note.pitch - row[0][1].pitch) for at, note in row)
                for row in bars(part, "bass")[:-2]
            ]
            ((common, times),) = Counter(rows).most_common(1)
            assert times >= 0.8 * len(rows)
            assert {bar.chords[0][1].degree for bar in part.bars[:-2]} >= {"1", "4", "5"}
            shapes.append(common)
        assert len(set(shapes)) == len(find_groove(groove).riffs)
        assert all(a != b for a, b in pairwise(shapes))


@pytest.mark.parametrize("groove", SHOUTS)
def test_a_strong_chorus_may_be_a_shout_on_a_riff(groove: str) -> None:
    """In some of the strongest choruses, the last among them: one shape, moved with the chord."""
    plans = [setting(groove, seed=seed).planner(12) for seed in range(20)]
    shouts = [[bool(plan.chorus(12).riff) for _ in range(12)] for plan in plans]
    assert {n for row in shouts for n, shout in enumerate(row) if shout} == {5, 11}
    assert all(row[11] or not row[5] for row in shouts)
    assert 5 <= sum(row[11] for row in shouts) <= 19
    for part in track(groove, 1).choruses:
        riffed = [n for n, bar in enumerate(part.bars[:-2]) if bar.line]
        rows = [bars(part, "bass")[n] for n in riffed]
        shapes = {
            tuple((round(at, 3), n.pitch - row[0][1].pitch) for at, n in row) for row in rows
        }
        assert len(shapes) <= 1


def test_stop_time_has_many_rhythms_and_comes_where_the_plan_has_it() -> None:
    rhythms = set()
    for seed in range(1, 1 + number_of(3, 10)):
        stopped = []
        for part in track("stop-time", seed).choruses:
            stops = [n for n, bar in enumerate(part.bars) if bar.when[0] == "stop"]
            assert [n for n in stops if n < 8] in ([0, 1, 2, 3], [])
            stops = [n for n in stops if n < 8]
            stopped.append(bool(stops))
            rows = {v: bars(part, v) for v in ("drums", "bass", "comp")}
            for number in stops:
                kick = [round(at, 3) for at, n in rows["drums"][number] if n.pitch == 36]
                assert kick == [round(at, 3) for at, _ in rows["bass"][number]]
                chords = {
                    round(at, 3) for at, n in rows["comp"][number] if n.end - n.start > 0.075
                }
                assert chords == set(kick)
                rhythms.add(tuple(kick))
        assert stopped[0]
        assert not all(stopped)
    assert len(rhythms) >= 4


def test_a_band_rises_rests_and_ends_high() -> None:
    planner = Planner(find_groove("shuffle"), 1, 12, turnarounds={"a": "I7 | V7"}, endings={})
    strengths = [strength for strength, _ in planner.arc]
    assert strengths[-1] == max(strengths) == 1.0
    assert strengths[0] == min(strengths)
    assert strengths[:6] == sorted(strengths[:6])
    assert strengths[6] < strengths[5]


@pytest.mark.parametrize("groove", groove_names())
def test_the_strongest_chorus_is_struck_much_harder_than_the_softest(groove: str) -> None:
    # General MIDI level 2 asks for 40 log10 of the velocity, in dB; five of them and more.
    loud = [
        sum((n.velocity / 127) ** 4 for n in part.section.notes)
        for part in track(groove, 1).choruses
    ]
    assert 10 * np.log10(max(loud) / min(loud)) >= 5
    assert int(np.argmax(loud)) >= 9
    assert loudness(1.0) > loudness(0.0)


@pytest.mark.parametrize("groove", groove_names() if LONG else ["boogie"])
def test_the_softest_and_the_strongest_chorus_are_five_units_apart(
    groove: str, tmp_path: Path
) -> None:
    """Four bars of each in the finished mix, as pyloudnorm hears three seconds at a time.

    The first four, and in stop-time, where the band may rest in these, the four after them.
    """
    for seed in SEEDS:
        key = "A minor" if groove.startswith("minor") else "A"
        stream = backing.track(groove=groove, key=key, choruses=12, seed=seed, ending="none")
        choruses = [s for s in stream.sections if s.kind == "chorus"]
        loud = [np.mean([n.velocity for n in s.notes]) for s in choruses]
        two, second, beat = [], Fraction(0), Fraction(16)
        for number, section in enumerate((choruses[int(np.argmin(loud))], choruses[-1])):
            length = beat * 60 / section.tempo
            late = float(length) if groove == "stop-time" else 0.0
            notes = tuple(
                replace(n, start=n.start - late, end=n.end - late)
                for n in section.notes if late <= n.start < late + length
            )  # fmt: skip
            two.append(replace(section, start=second, first_beat=number * beat, seconds=length,
                               beats=beat, notes=notes, labels=(), chords=()))  # fmt: skip
            second += length
        backing.write(replace(stream, sections=tuple(two)), [tmp_path / "two.wav"])
        sound, rate = soundfile.read(tmp_path / "two.wav")
        edge, meter = round(float(two[1].start) * rate), pyloudnorm.Meter(rate)
        soft, strong = (
            np.median([
                meter.integrated_loudness(part[at : at + 3 * rate])
                for at in range(0, edge - 3 * rate, rate)
            ])
            for part in (sound[:edge], sound[edge:])
        )  # fmt: skip
        assert strong - soft >= 5


@pytest.mark.parametrize("groove", groove_names())
def test_a_flat_arc_is_even(groove: str) -> None:
    stream = backing.track(groove=groove, choruses=6, arc="flat", looseness=0, ending="none")
    loud = [np.mean([n.velocity for n in s.notes]) for s in stream.sections if s.kind == "chorus"]
    assert 40 * np.log10(max(loud) / min(loud)) < 1.5


def test_no_crash_opens_a_chorus_that_is_as_strong_as_the_one_before() -> None:
    planner = setting("shuffle").planner(6, "flat")
    assert [planner.chorus(12).crash for _ in range(6)] == [False] * 6
    assert planner.number == 6


@pytest.mark.parametrize(("bars", "ends"), [(8, {4}), (12, {4, 8}), (16, {4, 8, 12})])
def test_the_drummer_sets_up_each_line_and_all_push_out_of_lines_alone(
    bars: int, ends: set[int]
) -> None:
    # A line has four bars; into the last one all may push, too.
    planner = setting("shuffle").planner(40)
    for _ in range(40):
        chorus = planner.chorus(bars)
        assert {bar + 1 for bar, _ in chorus.set_ups} == ends
        assert {bar + 1 for bar in chorus.pushes} <= ends | {bars - 1}


def _band(stream: Stream, voice: str) -> list[tuple[float, int, int]]:
    return [
        (round(float(section.start) + note.start, 3), note.pitch, note.velocity)
        for section in stream.sections
        for note in section.notes
        if note.voice == voice
    ]


PHRASES = list(shipped())
SOME = PHRASES[:: len(PHRASES) // number_of(4, len(PHRASES))]


@pytest.mark.parametrize("name", SOME)
def test_the_drummer_hears_the_phrase(name: str) -> None:
    """A tenth or more of the strokes of a demo are not the track's."""
    along = backing.demo(name, choruses=2, looseness=0)
    alone = backing.track(
        choruses=2, looseness=0, key=str(along.key), groove=str(along.facts["groove"]),
        tempo=along.sections[1].tempo,
    )  # fmt: skip
    one, other = (set(_band(stream, "drums")) for stream in (along, alone))
    assert len(other - one) >= 0.1 * len(other)


def _sounding(stream: Stream) -> list[tuple[float, float]]:
    """Return where the lead sounds, in seconds; breaths of half a beat are no rests."""
    beat = 60 / float(stream.sections[1].tempo)
    spans: list[tuple[float, float]] = []
    for section in stream.sections:
        for note in section.notes:
            if note.voice.startswith("lead"):
                low, high = float(section.start) + note.start, float(section.start) + note.end
                if spans and low - spans[-1][1] < beat / 2:
                    spans[-1] = (spans[-1][0], max(spans[-1][1], high))
                else:
                    spans.append((low, high))
    return spans


@pytest.mark.parametrize("name", SOME)
def test_rests_of_the_phrase_are_answered(name: str) -> None:
    """Of its rests of two beats or more, six in ten: somebody strikes who else would not."""
    stream = backing.demo(name, choruses=4, looseness=0, seed=2)
    alone = backing.track(
        choruses=4, looseness=0, key=str(stream.key), groove=str(stream.facts["groove"]),
        tempo=stream.sections[1].tempo, seed=2,
    )  # fmt: skip
    beat = 60 / float(stream.sections[1].tempo)
    spans = _sounding(stream)
    rests = [(a, b) for (_, a), (b, _) in pairwise(spans) if b - a > 2 * beat + 0.02]
    new = {(at, pitch) for v in ("drums", "comp") for at, pitch, _ in _band(stream, v)}
    new -= {(at, pitch) for v in ("drums", "comp") for at, pitch, _ in _band(alone, v)}
    heard = [any(low < at < high for at, _ in new) for low, high in rests]
    assert sum(heard) >= 0.6 * len(heard)


def test_under_the_phrase_the_comping_thins_by_the_beat() -> None:
    """At most six tenths of the strokes a beat that it has in rests."""
    under = [0.0, 0.0]
    rest = [0.0, 0.0]
    for name in SOME:
        stream = backing.demo(name, choruses=2, looseness=0)
        beat = 60 / float(stream.sections[1].tempo)
        spans = _sounding(stream)
        ends = [section for section in stream.sections if section.kind == "chorus"]
        first, last = float(ends[0].start), float(ends[-1].start + ends[-1].seconds)
        inside = sum(min(b, last) - max(a, first) for a, b in spans if b > first and a < last)
        starts = {at for at, *_ in _band(stream, "comp") if first <= at < last}
        struck = sum(any(a - 0.01 <= at < b - 0.01 for a, b in spans) for at in starts)
        under = [under[0] + struck, under[1] + inside / beat]
        rest = [rest[0] + len(starts) - struck, rest[1] + (last - first - inside) / beat]
    assert under[0] / under[1] <= 0.6 * rest[0] / rest[1]


CALL = """title = "C"
key = "A"
tempo = 104
[[part]]
role = "call"
notes = '| 1 e5 2 e8 3 e5{mark} & . | 1 . '
[[part]]
role = "{second}"
notes = '| 1 e5 2 e8 3 e5 & . | 1 . '
"""


def _called(mark: str = "", second: str = "response") -> list[Read]:
    phrase = read_phrase(CALL.format(second=second, mark=mark))
    return read(setting(count_in=0, looseness=0.0), 2, phrase, ending="none")[1]


def test_an_accent_on_the_calls_last_note_is_hit_by_all() -> None:
    hit, plain = (_called(mark)[0] for mark in ("{accent}", ""))

    def struck(part: Read, bar: int) -> set[str]:
        """Return who strikes with the note, and hard."""
        notes = [
            n
            for n in part.section.notes
            if abs(n.start - part.clock.seconds(Fraction(bar * 4 + 2))) < 1e-3
        ]
        names = {36: "kick", 38: "snare"}
        return {
            names.get(n.pitch, "") if n.voice == "drums" else n.voice
            for n in notes
            if n.voice != "drums" or n.velocity > 60
        }

    everyone = {"kick", "snare", "bass", "comp"}
    for bar in (0, 4, 8):
        assert struck(hit, bar) >= everyone
    assert not any(struck(plain, bar) >= everyone for bar in (0, 4, 8))


def test_the_drummer_sets_up_the_response() -> None:
    """In the bar before it he plays what he plays before a line, not time."""
    for part, other in zip(_called(), _called(second="call"), strict=True):
        for number in (1, 5, 9):
            assert part.bars[number].when[0] == "setup"
        rows, plain = bars(part, "drums"), bars(other, "drums")
        assert any(drum_bar(rows[n]) != drum_bar(plain[n]) for n in (1, 5, 9))


@pytest.mark.parametrize("gap", ["response", "two"])
def test_in_a_trade_the_band_lifts_when_it_is_the_students_turn(gap: str) -> None:
    stream = backing.trade("damp-matches", gap=gap, looseness=0, passes=1)
    section = stream.sections[-1]
    turns = [(label.seconds, label.yours) for label in section.labels if label.kind == "turn"]
    loud: dict[bool, list[int]] = {True: [], False: []}
    for note in section.notes:
        if note.voice in ("bass", "drums") and note.pitch not in (76, 77):
            begun = [yours for at, yours in turns if at <= note.start + 0.01]
            loud[bool(begun and begun[-1])].append(note.velocity)
    assert np.mean(loud[True]) > 1.05 * np.mean(loud[False])


def test_a_turnaround_may_be_asked_for() -> None:
    for name, chords in turnarounds.TURNAROUNDS["major"].items():
        stream = backing.track(turnaround=name, choruses=3, ending="none", key="C")
        wanted = [chord.name(stream.key) for bar in turnarounds.read(chords) for _, chord in bar]
        for section in stream.sections[1:]:
            assert [label.text for label in section.chords][-len(wanted) :] == wanted
    with pytest.raises(ChoiceError, match=r"not for minor keys"):
        backing.track(turnaround="half-steps", key="Am")
    with pytest.raises(ChoiceError, match=r"it takes no turnaround"):
        backing.track(turnaround="rising", form="one-chord-vamp")
    with pytest.raises(ChoiceError, match=r'did you mean "falling"\?'):
        backing.track(turnaround="faling")
