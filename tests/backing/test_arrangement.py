from __future__ import annotations

import io
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from typing import Any

import pretty_midi
import pytest

from backing.arrangement import ENDINGS, arrange
from backing.forms import find_form, turnarounds
from backing.grooves import groove_names
from backing.grooves.instruments import DRUMS
from backing.midi import midi_bytes
from backing.setting import Setting, bars_under, form_bars, placements
from phrases.counting import METERS
from phrases.errors import RangeError
from phrases.pitch import Key
from tests.backing.material import Read, answered, lead, line, read, setting, voice


def _setting(tempo: int = 112, *, count_in: int = 1) -> Setting:
    return setting(tempo=tempo, swing=Fraction(2), count_in=count_in)


def test_sections_start_at_exact_seconds_and_beats() -> None:
    stream = arrange(_setting(count_in=2), 3)
    beat = Fraction(60, 112)
    assert [section.name for section in stream.sections] == [
        "count-in", "chorus 1", "chorus 2", "chorus 3", "ending",
    ]  # fmt: skip
    assert [s.start for s in stream.sections] == [n * beat for n in (0, 8, 56, 104, 152)]
    assert [s.first_beat for s in stream.sections] == [0, 8, 56, 104, 152]
    assert stream.seconds == 156 * beat
    assert all(isinstance(section.start, Fraction) for section in stream.sections)


def test_without_a_count_in_and_an_ending_there_are_only_choruses() -> None:
    stream = arrange(_setting(count_in=0), 2, ending="none")
    assert [section.name for section in stream.sections] == ["chorus 1", "chorus 2"]
    assert stream.facts["bars"] == 24


def test_sixty_choruses_do_not_drift() -> None:
    stream = arrange(_setting(count_in=0), 60)
    assert stream.sections[-1].start == Fraction(60 * 48 * 60, 112)


def test_calls_responses_and_choruses_are_labelled_where_they_start() -> None:
    stream = arrange(_setting(120), 2, answered())
    bar = 2.0  # four beats at 120
    for number, section in enumerate(stream.sections[1:3], start=1):
        labels = [(label.text, label.seconds) for label in section.labels]
        assert labels == [
            (f"Chorus {number}", 0.0),
            ("Call", 0.0), ("Response", 2 * bar),
            ("Call", 4 * bar), ("Response", 6 * bar),
            ("Call", 8 * bar), ("Response", 10 * bar),
        ]  # fmt: skip
    assert [label.text for label in stream.sections[-1].labels] == ["End"]


@pytest.mark.parametrize(
    ("lines", "starts"), [("every", (0, 4, 8)), ("first", (0,)), ("outer", (0, 8))]
)
def test_the_lines_over_which_a_phrase_is_played(lines: str, starts: tuple[int, ...]) -> None:
    assert placements(answered(lines), 12) == starts


def test_a_phrase_of_five_bars_takes_every_other_line() -> None:
    assert placements(line("| 1 e5 | 1 e5 | 1 e5 | 1 e5 | 1 e5"), 16) == (0, 8)


def test_a_pickup_sounds_in_the_count_in_then_in_the_last_bar_before() -> None:
    stream = arrange(_setting(60), 2, line("4 e5 | 1 e8 2 . | 1 ."))  # a beat is a second
    assert [note.start for note in lead(stream, 0)] == [3.0]
    first, second = lead(stream, 1), lead(stream, 2)
    assert [n.start for n in first] == [0.0, 15.0, 16.0, 31.0, 32.0, 47.0]
    assert [n.start for n in second] == [0.0, 15.0, 16.0, 31.0, 32.0]
    assert [n.pitch for n in first] == [72, 69, 72, 69, 72, 69]  # e8 is C5, e5 is A4
    assert lead(stream, 3) == []


def test_a_note_that_rings_stops_where_the_next_pickup_starts() -> None:
    stream = arrange(_setting(60), 1, line("4 e5 | 1 B8 | 1 - | 1 - | 1 -"))
    ringing = [note for note in lead(stream, 1) if note.voice == "lead B"]
    assert [note.end for note in ringing] == pytest.approx([15.0, 31.0, 48.0], abs=0.02)


def test_the_last_bar_of_the_form_leads_back_to_the_first() -> None:
    bars = form_bars(find_form("twelve-bar"), Key("A"))
    assert len(bars) == 12
    assert (bars[-1].chords[0][1].degree, bars[-1].following.degree) == ("5", "1")
    short = form_bars(find_form("twelve-bar"), Key("A"), 5)
    assert [bar.following.degree for bar in short] == ["1", "1", "1", "4", "1"]


@pytest.mark.parametrize("choruses", [0, 201, -1])
def test_too_few_and_too_many_choruses(choruses: int) -> None:
    with pytest.raises(RangeError, match=rf"^{choruses} choruses: it must be 1 to 200$"):
        arrange(_setting(), choruses)


@pytest.mark.parametrize("bars", [-1, 5])
def test_a_count_in_out_of_range(bars: int) -> None:
    with pytest.raises(RangeError, match=rf"^count-in {bars}: it must be 0 to 4 bars$"):
        arrange(_setting(count_in=bars), 1)


def test_a_pickup_needs_a_count_in() -> None:
    message = "^the phrase has a pickup, which needs a count-in of at least one bar$"
    with pytest.raises(RangeError, match=message):
        arrange(_setting(count_in=0), 1, answered())


def test_a_form_is_played_again_for_a_longer_phrase() -> None:
    stream = arrange(_setting(), 2, line("| 1 e5 " * 13))
    assert [section.name for section in stream.sections[1:-1]] == ["chorus 1", "chorus 2"]
    assert stream.facts["bars"] == 48
    assert len(lead(stream, 1)) == len(lead(stream, 2)) == 13
    # Bar thirteen is bar one of the twelve again, and bar seventeen its bar five.
    chords = [label.text for label in stream.sections[1].chords]
    assert chords[:9] == chords[12:21] == ["A7"] * 4 + ["D7"] * 2 + ["A7"] * 2 + ["E7"]


def test_a_phrase_of_another_meter() -> None:
    waltz = replace(METERS["4/4"], numerator=3, beats=3)
    phrase = replace(answered(), meter=waltz)
    message = '^"Answered" counts 3 beats to the bar, the groove Ride shuffle 4; choose'
    with pytest.raises(RangeError, match=message):
        arrange(_setting(), 1, phrase)


CLASH = r'^"Line": when it is repeated, its pickup of 0\.5 beats starts while its last bar still'


@pytest.mark.parametrize("lines", ["every", "outer"])
def test_a_pickup_that_meets_the_end_of_its_own_phrase(lines: str) -> None:
    # Over "outer" lines the phrase ends with the chorus, where the next begins with its pickup.
    phrase = line("4& e5 | 1 e8 | 1 e5 | 1 e8 | 4& e5", lines=lines)
    with pytest.raises(RangeError, match=CLASH):
        arrange(_setting(), 2, phrase)


def test_a_pickup_has_room_where_the_phrase_is_played_once_a_chorus() -> None:
    phrase = line("4& e5 | 1 e8 | 1 e5 | 1 e8 | 4& e5", lines="first")
    stream = arrange(_setting(), 2, phrase)
    assert len(lead(stream, 1)) == 5


def test_a_pickup_meets_the_end_where_the_last_line_of_a_form_is_short() -> None:
    phrase = line("4& e5 | 1 e8 | 4& e5")
    assert placements(phrase, 12) == (0, 4, 8)
    with pytest.raises(RangeError, match=CLASH):
        placements(phrase, 10)


@pytest.mark.parametrize(
    ("swing", "auto", "tempo", "ratio"),
    # The shuffle follows the tempo up to 2:1; what is asked for wins.
    [
        (None, False, 60, 2.0),
        (None, False, 240, 1.5),
        (Fraction(3, 2), False, 60, 1.5),
        (None, True, 240, 1.5),
    ],
)
def test_whose_swing_is_played(
    swing: Fraction | None, auto: bool, tempo: int, ratio: float
) -> None:
    given = replace(_setting(), swing=swing, auto=auto)
    assert given.clock(Fraction(tempo)).swing == pytest.approx(ratio)


def test_a_phrase_does_not_change_what_chords_there_are() -> None:
    """Where no turnaround is in the way: the form, the bass's roots and the arc stay."""
    given = replace(_setting(), form=find_form("one-four-vamp"), looseness=0.0)
    alone, along = arrange(given, 2), arrange(given, 2, answered())
    assert alone.plan == along.plan
    for one, other in zip(alone.sections, along.sections, strict=True):
        assert one.chords == other.chords


def _crashes(part: Read) -> list[int]:
    """Return the bars in which a crash is struck (General MIDI 1: key 49)."""
    return [
        number
        for number in range(len(part.bars))
        for n in part.notes("drums")
        if n.pitch == CRASH and part.at(number) - 0.001 < n.start < part.at(number + 1) - 0.001
    ]


CRASH, KICK = 49, 36


def test_short_forms_are_not_crowned_every_time_round() -> None:
    given = setting("shuffle", "turnaround-loop", 120, count_in=0, looseness=0.0)
    _, parts = read(given, 12, ending="none")
    crowned = [number for number, part in enumerate(parts) if _crashes(part)]
    # Two bars a round: a crash at most every eight bars, and not in the first.
    assert 1 <= len(crowned) <= 3
    assert all(b - a >= 4 for a, b in pairwise(crowned))
    assert crowned[0] > 0


EXACT: dict[str, Any] = {"looseness": 0.0}


@pytest.mark.parametrize(
    ("intro", "bars", "degrees"),
    # The last bars of the twelve-bar (common practice: "from the five"), with a turnaround in the
    # last two; the count of its chords varies.
    [("sticks", 0, []), ("turnaround", 2, ["1"]), ("five", 4, ["5", "4", "1"])],
)
def test_intros_lead_into_the_first_chorus(intro: str, bars: int, degrees: list[str]) -> None:
    for seed in range(8):
        stream, parts = read(setting(seed=seed), 1, intro=intro)
        names = [section.name for section in stream.sections]
        if not bars:
            assert names == ["count-in", "chorus 1", "ending"]
            continue
        assert names == ["count-in", "intro", "chorus 1", "ending"]
        assert stream.sections[1].beats == 4 * bars
        assert [label.text for label in stream.sections[1].labels] == ["Intro"]
        heads = [bar.chords[0][1].degree for bar in parts[0].bars]
        assert heads[: len(degrees)] == degrees
        last = parts[0].bars[-1]
        assert last.chords[-1][1].degree in ("5", "b2")
        assert last.following.degree == "1"
        assert last.when[0] == "fill"
        assert parts[1].bars[0].when == ("top", "bar")


@pytest.mark.parametrize("intro", ["turnaround", "five"])
def test_a_pickup_sounds_at_the_end_of_an_intro(intro: str) -> None:
    for count_in in (0, 1):
        given = setting(tempo=60, count_in=count_in)  # a beat is a second
        stream = arrange(given, 1, line("4 e5 | 1 e8 2 ."), intro=intro)
        found = next(s for s in stream.sections if s.name == "intro")
        (note,) = [n for n in found.notes if n.voice == "lead e"]
        assert note.start == float(found.seconds) - 1.0
        assert not count_in or not lead(stream, 0)


ENDED = {
    "none": ["chorus 1", "chorus 2"],
    "chord": ["chorus 1", "chorus 2", "ending"],
    "slow": ["chorus 1", "chorus 2", "slow-down", "ending"],
    "tag": ["chorus 1", "chorus 2", "tag", "ending"],
}


@pytest.mark.parametrize("ending", ENDINGS)
def test_the_sections_of_an_ending(ending: str) -> None:
    stream = arrange(setting(count_in=0), 2, ending=ending)
    assert [section.name for section in stream.sections] == ENDED[ending]
    beats = {section.name: section.beats for section in stream.sections}
    assert beats.get("slow-down", 8) == 8
    assert beats.get("tag", 16) == 16
    assert beats["chorus 1"] == 48
    assert beats["chorus 2"] == (40 if ending == "slow" else 48)
    assert stream.facts["ending"] == ending
    assert stream.facts["bars"] == (28 if ending == "tag" else 24)


@pytest.mark.parametrize("ending", ["chord", "slow", "tag"])
@pytest.mark.parametrize("groove", groove_names())
def test_the_last_bar_lands_on_the_one(groove: str, ending: str) -> None:
    struck = {"brushes": DRUMS["ride"].key, "drone": DRUMS["low-tom"].key}.get(groove, CRASH)
    # Common practice: bass, kick and crash together on the one; the chord is held. Brushes lie on
    # the ride in its place, and over a drone a tom is struck.
    for key, looseness in ((Key("A"), 0.0), (Key("Eb", "minor"), 2.0)):
        given = setting(groove, key=key, looseness=looseness, seed=3)
        last = arrange(given, 1, ending=ending).sections[-1]
        assert last.name == "ending"
        first = {
            "bass": voice(last.notes, "bass")[:1],
            "kick": [n for n in voice(last.notes, "drums") if n.pitch == KICK][:1],
            "crash": [n for n in voice(last.notes, "drums") if n.pitch == struck][:1],
        }
        starts = [notes[0].start for notes in first.values()]
        assert max(starts) - min(starts) < (0.019 if looseness else 1e-9)
        assert max(starts) < 0.012
        assert first["bass"][0].pitch % 12 == key.pitch_class
        comp = [n.pitch % 12 for n in voice(last.notes, "comp")]
        third = 4 if key.mode == "major" else 3
        assert comp
        allowed = {(key.pitch_class + step) % 12 for step in (0, third, 7, 10, 2, 9)}
        crushed = {(p + step) % 12 for p in allowed for step in (-2, -1, 1, 2)}
        assert set(comp) <= allowed | crushed


@pytest.mark.parametrize("tempo", [48, 104, 240])
def test_a_slow_down_falls_steadily_and_adds_up_exactly(tempo: int) -> None:
    stream = arrange(setting(tempo=tempo), 1, ending="slow")
    slow, last = stream.sections[-2:]
    rows = slow.tempo_runs()
    tempos = [tempo for *_, tempo in rows]
    assert len(tempos) == 8  # a tempo for each beat of two bars
    assert all(a > b for a, b in pairwise([stream.sections[1].tempo, *tempos]))
    assert sum(beats * 60 / now for _, _, beats, now in rows) == slow.seconds
    assert last.start == slow.start + slow.seconds
    assert last.tempo == tempos[-1]
    assert 0.55 < tempos[-1] / tempo < 0.75


def test_a_slow_down_is_read_back_in_time() -> None:
    stream = arrange(setting(tempo=104), 1, ending="slow")
    midi = pretty_midi.PrettyMIDI(io.BytesIO(midi_bytes(stream)))
    wanted = sorted(
        float(s.start) + n.start for s in stream.sections for n in s.notes if n.voice == "bass"
    )
    bass = next(i for i in midi.instruments if i.name == "Bass")
    read_back = sorted(n.start for n in bass.notes)
    tick = 60 / (0.6 * 104) / 960
    assert len(read_back) == len(wanted)
    assert max(abs(a - b) for a, b in zip(wanted, read_back, strict=True)) < 0.5 * tick + 120e-6
    times, tempos = midi.get_tempo_changes()
    slow = stream.sections[-2]
    for second, _, _, tempo in slow.tempo_runs():
        now = max(n for n, time in enumerate(times) if time <= float(second) + 1e-4)
        assert tempos[now] == pytest.approx(float(tempo), rel=1e-4)


def test_a_tag_is_the_last_four_bars_once_more() -> None:
    for seed in range(6):
        _, parts = read(setting(seed=seed, count_in=0), 2, ending="tag")
        chorus, tag = parts[1], parts[2]
        assert len(tag.bars) == 4
        heads = [bar.chords[0][1].degree for bar in tag.bars]
        assert heads == ["5", "4", "1", heads[-1]]
        assert tag.bars[-1].following.degree == "1"
        # What comes before points at what really follows.
        assert chorus.bars[-1].following == tag.bars[0].chords[0][1]


@pytest.mark.parametrize("key", [Key("A"), Key("A", "minor")], ids=str)
def test_turnarounds_take_the_last_two_bars(key: Key) -> None:
    form = find_form("twelve-bar").bars(key)
    usual = [turnarounds.read(text) for text in turnarounds.TURNAROUNDS[key.mode].values()]
    final = [turnarounds.read(text) for text in turnarounds.ENDINGS[key.mode].values()]
    seen = set()
    for seed in range(24):
        _, parts = read(setting(key=key, seed=seed, count_in=0, without=frozenset(ALL)), 3)
        for number, part in enumerate(parts[:3]):
            chart = tuple(bar.chords for bar in part.bars)
            assert chart[:-2] == form[:-2]
            assert chart[-2:] in (final if number == 2 else usual)
            seen.add(chart[-2:])
            for before, after in pairwise(part.bars):
                assert before.following == after.chords[0][1]
    assert seen == {*usual, *final}


ALL = ("drums", "bass", "comp")


def test_a_form_without_one_and_five_at_its_end_has_no_turnaround() -> None:
    for name in ("one-chord-vamp", "one-four-vamp", "turnaround-loop", "jazz-twelve-bar"):
        form = find_form(name)
        for seed in range(5):
            _, parts = read(setting(form=name, seed=seed, without=frozenset(ALL)), 2)
            for part in parts[:2]:
                assert tuple(bar.chords for bar in part.bars) == form.bars(Key("A"))


def test_where_the_phrase_sounds_the_form_stays_as_it_is() -> None:
    form = find_form("twelve-bar").bars(Key("A"))
    held = line("| 1 e5 2 . | 1 e5 2 . | 1 e5 2 . | 1 e5 2 .")
    for seed in range(8):
        given = setting(seed=seed, without=frozenset(ALL))
        _, parts = read(given, 2, held)
        for part in parts[:2]:
            assert tuple(bar.chords for bar in part.bars) == form
    free = line("| 1 e5 2 . | 1 e5 2 .", lines="first")
    found = {
        tuple(bar.chords for bar in read(setting(seed=seed), 1, free)[1][0].bars[-2:])
        for seed in range(8)
    }
    assert len(found) > 1


def test_lines_are_set_up_and_choruses_end_in_a_fill() -> None:
    _, parts = read(setting(count_in=0), 3)
    for number, part in enumerate(parts[:3]):
        when = [bar.when[0] for bar in part.bars]
        assert (when[3], when[7], when[11]) == ("setup", "setup", "fill")
        assert when[0] == ("bar" if number == 0 else "top")
        assert when[1:3] + when[4:7] + when[8:11] == ["bar"] * 8
    _, parts = read(setting("shuffle", "eight-bar", count_in=0), 1)
    assert [bar.when[0] for bar in parts[0].bars] == [*["bar"] * 3, "setup", *["bar"] * 3, "fill"]


@pytest.mark.parametrize("groove", groove_names())
def test_drummers_say_something_before_bars_five_and_nine_and_the_next_chorus(
    groove: str,
) -> None:
    """What a bar that sets up holds is played in no bar of plain time."""
    differs = 0
    for seed in range(3):
        _, parts = read(setting(groove, count_in=0, seed=seed, **EXACT), 1, ending="none")
        bars = _drum_bars(parts[0])
        told = parts[0].bars
        plain = {bars[n] for n in range(12) if told[n].when == ("bar",) and not told[n].push}
        differs += sum(bars[n] not in plain for n in (3, 7, 11))
    assert differs == 9


def _drum_bars(part: Read) -> list[tuple[tuple[float, int, int], ...]]:
    notes = part.notes("drums")
    bars = []
    for number in range(len(part.bars)):
        low, high = part.at(number), part.at(number + 1)
        bars.append(
            tuple(
                sorted(
                    (round(n.start - low, 4), n.pitch, n.velocity)
                    for n in notes
                    if low - 1e-6 <= n.start < high - 1e-6
                )
            )
        )
    return bars


@pytest.mark.parametrize("groove", groove_names())
def test_the_band_builds_from_the_first_chorus_to_the_last(groove: str) -> None:
    stream, parts = read(setting(groove, count_in=0, **EXACT), 6, ending="none")
    assert [part.bars[0].chorus for part in parts] == ["early"] * 2 + ["late"] * 3 + ["last"]
    for name in ("drums", "bass"):
        loud = [
            sum(n.velocity for n in voice(s.notes, name)) / len(voice(s.notes, name))
            for s in stream.sections
        ]
        assert sum(loud[:2]) / 2 < sum(loud[2:5]) / 3
        assert sum(loud[:2]) / 2 < loud[5]


def test_one_chorus_alone_is_early_and_many_build_in_arcs() -> None:
    _, parts = read(setting(count_in=0), 1)
    assert parts[0].bars[0].chorus == "early"
    given = setting("shuffle", "one-chord-vamp", without=frozenset(ALL))
    _, parts = read(given, 13, ending="none")
    kinds = [part.bars[0].chorus for part in parts]
    assert kinds == (["early"] * 2 + ["late"] * 4) * 2 + ["last"]


def test_bars_in_which_a_phrase_sounds_are_under_it() -> None:
    phrase = line("| 1 e5 2 . | 1 . | 1 e5 2 e8 3 . | 1 .", lines="first")
    _, parts = read(setting(count_in=0), 1, phrase)
    marked = [n for n, bar in enumerate(parts[0].bars) if "under" in bar.when]
    assert marked == [0, 2]
    # A setup stays one: what fits the line comes before what fits the phrase.
    full = line("| 1 e5 | 1 e5 | 1 e5 | 1 e5")
    _, parts = read(setting(count_in=0), 1, full)
    assert parts[0].bars[3].when == ("setup", "under", "bar")


def test_bars_under_counts_whole_strokes() -> None:
    # The e string's fifth fret is A4, MIDI note 69.
    assert bars_under(line("4 e5 | 1 . | 2 e5 3 .").strokes(), 4) == {-1: 69, 1: 69}


def test_the_same_setting_is_the_same_piece() -> None:
    given = setting(looseness=2.0)
    assert arrange(given, 2, intro="five", ending="tag") == arrange(
        given, 2, intro="five", ending="tag"
    )
    other = arrange(replace(given, seed=2), 2, intro="five", ending="tag")
    assert other.sections != arrange(given, 2, intro="five", ending="tag").sections


def test_labels_are_at_their_seconds_after_an_intro_and_in_a_slow_down() -> None:
    stream = arrange(setting(tempo=120), 2, answered("outer"), intro="five", ending="slow")
    starts = [(float(s.start) + x.seconds, x.text) for s in stream.sections for x in s.labels]
    bar = 2.0
    first, second = 5 * bar, 17 * bar  # a bar of sticks and four of the intro before
    assert starts[:-1] == [
        (bar, "Intro"),
        *((first + at * bar, text) for at, text in _chorus("Chorus 1")),
        *((second + at * bar, text) for at, text in _chorus("Chorus 2")),
    ]
    assert starts[-1] == (float(stream.sections[-1].start), "End")


def _chorus(name: str) -> list[tuple[int, str]]:
    return [(0, name), (0, "Call"), (2, "Response"), (8, "Call"), (10, "Response")]


def test_every_section_of_the_band_names_its_chords() -> None:
    stream, parts = read(setting(tempo=120, seed=5), 1, intro="turnaround", ending="slow")
    for part in parts:
        named = [(x.text, float(part.section.start) + x.seconds) for x in part.section.chords]
        wanted = [(chord.name(Key("A")), at) for at, _, chord, _ in part.chords()]
        assert [name for name, _ in named] == [name for name, _ in wanted]
        assert [at for _, at in named] == pytest.approx([at for _, at in wanted])
    assert stream.sections[0].chords == ()
