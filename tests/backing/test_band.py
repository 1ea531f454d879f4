from __future__ import annotations

from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache
from itertools import pairwise, product
from pathlib import Path

import pytest

import backing
from backing.arrangement import arrange
from backing.band import BASS_RANGE, STICK, Band, Bar, count_in
from backing.band.comp import _strummed
from backing.band.drums import Drummer
from backing.events import OFF, ON, Note, messages
from backing.forms import form_names, load_form, turnarounds
from backing.grooves import DRUMS, Pattern, find_groove, groove_names, load_groove
from backing.grooves.instruments import COMPS
from backing.harmony import Chord
from backing.lanes import Hit
from backing.setting import Setting, chart_bars, form_bars, under
from backing.tempo import Clock
from phrases.pitch import KEYS, Key, degree_semitones
from tests.backing.material import Read, read, setting, voice
from tests.hard.material import in_turn, number_of

# Twelve pitch classes, major and minor.
ROUND = tuple({(key.pitch_class, key.mode): key for key in KEYS}.values())
TEMPOS = (30, 60, 104, 240)
NAMES = tuple(COMPS)
INTROS = ("sticks", "turnaround", "five")
ENDINGS = ("chord", "slow", "tag", "none")
STRAIGHT = Clock(Fraction(60), 1.0)  # a beat is a second
NEAR = 1e-6

# General MIDI 1: percussion keys.
HAT, FOOT, OPEN, CRASH, RIDE, SNARE, KICK = 42, 44, 46, 49, 51, 38, 36


@dataclass(frozen=True)
class Piece:
    """An exact arrangement and what the band read; `name` says which, where a test fails."""

    name: str
    given: Setting
    parts: list[Read]
    bass: list[Note]
    comp: list[Note]
    drums: list[Note]

    @property
    def key(self) -> Key:
        return self.given.key

    def chords(self) -> Iterator[tuple[float, Fraction, Chord, Bar]]:
        for part in self.parts:
            yield from part.chords()

    def bars(self) -> Iterator[tuple[float, float, Bar, Read]]:
        """Yield each bar's first and last second, the bar, and its section."""
        for part in self.parts:
            for number, bar in enumerate(part.bars):
                yield part.at(number), part.at(number + 1), bar, part


@cache
def _pieces(groove: str) -> list[Piece]:
    """Return every form in keys, tempos, comping instruments, intros and endings in turn.

    One groove has each form at three of the tempos, in a share of the keys; all grooves together
    have each form in all.
    """
    found = []
    nth = 7 * groove_names().index(groove)
    share = number_of(3, len(ROUND))
    for number, (form, _) in enumerate(product(form_names(), range(share)), start=nth):
        key = ROUND[5 * number % len(ROUND)]
        tempo, comp = TEMPOS[number % len(TEMPOS)], NAMES[number % len(NAMES)]
        intro, ending = INTROS[number // 2 % 3], ENDINGS[(number + number // 4) % 4]
        given = setting(
            groove, form, tempo, key=key, count_in=0, seed=number, comp=comp, looseness=0.0
        )
        _, parts = read(given, 1 + (number % 6 == 0), intro=intro, ending=ending)
        notes = [[n for part in parts for n in part.notes(name)] for name in _VOICES]
        name = f"{groove} {form} {key} {tempo} {comp} {intro} {ending} {number}"
        found.append(Piece(name, given, parts, *notes))
    return found


_VOICES = ("bass", "comp", "drums")


@pytest.fixture(scope="module", params=groove_names())
def pieces(request: pytest.FixtureRequest) -> list[Piece]:
    return _pieces(request.param)


def test_there_are_twelve_keys_of_each_mode() -> None:
    assert Counter(key.mode for key in ROUND) == {"major": 12, "minor": 12}


def test_every_groove_is_tried_in_every_key_form_tempo_and_instrument(
    pieces: list[Piece],
) -> None:
    given = [piece.given for piece in pieces]
    assert {str(one.key) for one in given} == {str(key) for key in ROUND}
    assert {one.form.name for one in given} == set(form_names())
    assert {int(one.tempo) for one in given} == set(TEMPOS)
    assert {one.comp for one in given} == set(COMPS)


def _at(notes: list[Note]) -> dict[int, int]:
    """Return the number of the note that starts at each microsecond."""
    return {round(note.start * 1e6): number for number, note in enumerate(notes)}


def _changes(piece: Piece) -> Iterator[tuple[float, Chord, Chord, Fraction, Bar, Bar]]:
    """Yield changes of the bass: second, chords, the old one's beats, both bars."""
    for (_, beats, old, before), (at, _, new, after) in pairwise(piece.chords()):
        if old.lowest(piece.key) != new.lowest(piece.key):
            yield at, old, new, beats, before, after


def _struck(piece: Piece, starts: dict[int, int], at: float) -> int | None:
    second = round(at * 1e6)
    return next((starts[s] for s in (second, second - 1, second + 1) if s in starts), None)


def test_the_bass_plays_the_lowest_note_on_every_change(pieces: list[Piece]) -> None:
    # Common practice: the root on the change, or what stands under the slash.
    for piece in pieces:
        starts = _at(piece.bass)
        assert _struck(piece, starts, piece.parts[0].at(0)) == 0
        assert piece.bass[0].pitch % 12 == piece.parts[0].bars[0].chords[0][1].lowest(piece.key)
        for at, _, new, *_ in _changes(piece):
            number = _struck(piece, starts, at)
            assert number is not None, (piece.name, at)
            assert piece.bass[number].pitch % 12 == new.lowest(piece.key), (piece.name, at)


def test_the_bass_steps_into_a_new_chord_over_the_bar_line(pieces: list[Piece]) -> None:
    # Common practice: by a half or a whole step; out of a stop-time bar too.
    for piece in pieces:
        starts = _at(piece.bass)
        for at, _, _, beats, before, after in _changes(piece):
            if before is after or beats == 1 or before.line is not None:  # a riff stays itself
                continue
            number = _struck(piece, starts, at)
            assert number
            step = abs(piece.bass[number].pitch - piece.bass[number - 1].pitch)
            assert step in (1, 2), (piece.name, at, before.when, after.when)


def test_the_bass_steps_into_a_chord_in_mid_bar_where_it_has_a_stroke_before(
    pieces: list[Piece],
) -> None:
    for piece in pieces:
        starts = _at(piece.bass)
        beat = 60 / float(piece.given.tempo)
        for at, _, _, beats, before, after in _changes(piece):
            if before is not after or beats == 1 or before.line is not None:
                continue
            number = _struck(piece, starts, at)
            assert number
            last = piece.bass[number - 1]
            if last.start >= at - beat - NEAR:
                assert abs(piece.bass[number].pitch - last.pitch) in (1, 2), (piece.name, at)


def test_the_bass_has_chord_tones_on_strong_beats(pieces: list[Piece]) -> None:
    """Beats 1 and 3 of bars of one chord; on 3 of those that do not walk on to another.

    Common practice: chord tones, and the sixth that box, boogie and walking lines go through.
    """
    firsts: Counter[str] = Counter()
    thirds: Counter[str] = Counter()
    for piece in pieces:
        starts = _at(piece.bass)
        for part in piece.parts:
            for number, bar in enumerate(part.bars):
                chord = bar.chords[0][1]
                if len(bar.chords) > 1:
                    continue
                moves = bar.following.lowest(piece.key) != chord.lowest(piece.key)
                for beat, count in ((0, firsts), (2, thirds)):
                    at = _struck(piece, starts, part.at(number, beat))
                    if at is None or (beat and moves):
                        continue
                    pitch = piece.bass[at].pitch % 12
                    sixth = (pitch - chord.root(piece.key)) % 12 == 9
                    tone = pitch in chord.pitch_classes(piece.key)
                    count["chord" if tone else "sixth" if sixth else "other"] += 1
    assert firsts["other"] == 0
    assert firsts["chord"] > 20 * firsts["sixth"]
    assert thirds["chord"] > thirds["sixth"]
    assert thirds["other"] <= 0.15 * sum(thirds.values())


def test_the_bass_leaps_an_octave_at_most(pieces: list[Piece]) -> None:
    # Common practice: an octave is a hand's reach; farther leaps break a line. A riff, which keeps
    # its shape, may begin again a third farther.
    for piece in pieces:
        for part in piece.parts:
            again = {round(part.at(n), 3) for n, bar in enumerate(part.bars) if bar.line}
            for a, b in pairwise(part.notes("bass")):
                most = 16 if round(b.start, 3) in again else 12
                assert abs(a.pitch - b.pitch) <= most, (piece.name, b.start)


def test_the_bass_does_not_wait_on_the_note_that_leads_on(pieces: list[Piece]) -> None:
    """Out of a whole bar of one chord the last beat is a new note, not the one before again."""
    for piece in pieces:
        lasts = {id(bar): (end - at) / part.beats for at, end, bar, part in piece.bars()}
        starts = _at(piece.bass)
        for at, _, _, beats, before, after in _changes(piece):
            number = _struck(piece, starts, at)
            beat = lasts[id(before)]
            if before is after or beats < 4 or before.line or not number or number < 2:
                continue
            last, other = piece.bass[number - 1], piece.bass[number - 2]
            if last.start < at - beat / 2 - NEAR and other.start > at - 2.1 * beat:
                assert last.pitch != other.pitch, (piece.name, at)


def test_bass_stays_in_range(pieces: list[Piece]) -> None:
    # A bass's low E to the G over its twelfth fret.
    assert BASS_RANGE == (28, 55)
    for piece in pieces:
        assert all(28 <= note.pitch <= 55 for note in piece.bass)


CRUSH = 0.07  # seconds a keyboard's crushed chord takes (regression)


def _strokes(notes: list[Note]) -> dict[float, list[Note]]:
    strokes: dict[float, list[Note]] = defaultdict(list)
    for note in notes:
        strokes[round(note.start, 6)].append(note)
    return strokes


def _crushed(stroke: list[Note], strokes: dict[float, list[Note]]) -> bool:
    """Tell whether a chord only leads by a step or two into one that begins where it ends."""
    into = strokes.get(round(stroke[0].end, 6), [])
    steps = {abs(a.pitch - b.pitch) for a, b in zip(stroke, into, strict=False)}
    return len(stroke) == len(into) and stroke[0].end - stroke[0].start < CRUSH + NEAR and (
        steps in ({1}, {2})
    )  # fmt: skip


def test_comping_holds_chords_about_middle_c_and_figures_below(pieces: list[Piece]) -> None:
    """Chord members, 9 and 13 by the upper hand; a root and one note above it by the lower."""
    # Common practice: organs from about A3 up, guitars below the lead.
    assert COMPS["organ"].low == 57
    assert COMPS["guitar"].high < 69
    kinds: Counter[str] = Counter()
    for piece in pieces:
        strokes = _strokes(piece.comp)
        chords = [(at, chord) for at, _, chord, _ in piece.chords()]
        following = [bar.following for *_, bar in piece.chords()]
        half = 50 / float(piece.given.tempo)  # half a beat, at the slowest of a slow-down
        for start, stroke in strokes.items():
            if _crushed(stroke, strokes):
                kinds["crushed"] += 1
                continue
            now = sum(at <= start + NEAR for at, _ in chords) - 1
            sounding = [chords[now][1]]
            ends = chords[now + 1][0] if now + 1 < len(chords) else float("inf")
            if ends - start <= half + NEAR or now + 1 == len(chords):
                sounding.append(following[now])  # a push takes the next bar's chord
            pitches = [note.pitch for note in stroke]
            root = sounding[0].root(piece.key)
            if len(pitches) == 2 and min(pitches) % 12 == root and min(pitches) <= 54:
                # From the guitar's low E (40), elsewhere an octave of roots above the bass; a
                # tenth over the highest.
                lowest = 40 if COMPS[piece.given.comp].strings else 43
                assert lowest <= min(pitches) <= 54, piece.name
                assert max(pitches) <= 70, piece.name
                kinds["low"] += 1
                continue
            kinds["chord"] += 1
            hand = COMPS[piece.given.comp]
            assert all(hand.low <= pitch <= hand.high for pitch in pitches), (piece.name, start)
            allowed = [
                chord.pitch_classes(piece.key)
                | {(chord.root(piece.key) + degree_semitones(d)) % 12 for d in ("9", "13")}
                for chord in sounding
            ]
            assert any({p % 12 for p in pitches} <= one for one in allowed), (piece.name, start)
    assert kinds["chord"] > 500


def test_low_figures_hold_a_fifth_a_sixth_a_seventh_a_third_or_an_octave() -> None:
    # Common practice: the guitar's fifth-sixth figure, the pianist's tenths.
    found = set()
    for name, comp in product(groove_names(), COMPS):
        notes = _alone(name, comp)
        for stroke in _strokes(notes).values():
            pitches = sorted(note.pitch for note in stroke)
            if len(pitches) == 2 and pitches[0] < COMPS[comp].low and pitches[0] % 12 == 9:
                found.add(pitches[1] - pitches[0])
    assert {7, 9} <= found <= {4, 5, 7, 9, 10, 12, 16}


@cache
def _alone(name: str, comp: str, seeds: int = 2) -> list[Note]:
    """Return what a comping instrument plays over twelve bars of A7, seed after seed."""
    notes = []
    bars = 12
    for seed in range(seeds):
        band = Band(find_groove(name), Key("A"), seed, comp=comp, looseness=0.0)
        played = voice(band.play([_bar(ONE, following=ONE)] * bars, STRAIGHT), "comp")
        notes += [_later(note, seed * bars * 4.0) for note in played]
    return notes


def _later(note: Note, seconds: float) -> Note:
    return replace(note, start=note.start + seconds, end=note.end + seconds)


def test_comping_strikes_each_chord_while_it_lasts(pieces: list[Piece]) -> None:
    """Common practice: a push belongs to the chord it leads to; that chord is struck as well."""
    for piece in pieces:
        strokes = _strokes(piece.comp)
        starts = sorted(strokes)
        for part in piece.parts:
            ends = [*[at for at, *_ in part.chords()][1:], part.at(len(part.bars))]
            for (at, _, chord, _), end in zip(part.chords(), ends, strict=True):
                own = _colours(chord, piece.key)
                low, high = bisect_left(starts, at - NEAR), bisect_left(starts, end - NEAR)
                sounding = [{n.pitch % 12 for n in strokes[s]} for s in starts[low:high]]
                assert any(one <= own for one in sounding), (piece.name, at)


def _colours(chord: Chord, key: Key) -> frozenset[int]:
    """Return a chord's members, its ninth and its thirteenth."""
    more = {(chord.root(key) + degree_semitones(d)) % 12 for d in ("9", "13")}
    return chord.pitch_classes(key) | more


def test_no_bass_note_lies_long_against_the_chord(pieces: list[Piece]) -> None:
    """A half step or a minor ninth between bass and comping lasts half a beat at most.

    Common practice: what passes may rub, what is held may not, but where the chord itself says
    so, as the five with a flat nine does.
    """
    for piece in pieces:
        chords = list(piece.chords())
        starts = [at for at, *_ in chords]
        bars = [(low, (high - low) / 8) for low, high, *_ in piece.bars()]
        halves = iter(bars)
        until, half = -1.0, 0.0
        over = sorted(piece.comp, key=lambda note: note.start)
        first = 0
        for low in piece.bass:
            while low.start > until - NEAR:
                until, half = next(halves)
                until += 8 * half
            while over[first].start < low.start - 16 * half:  # no chord lasts two bars
                first += 1
            members = chords[bisect_left(starts, low.start + NEAR) - 1][2].pitch_classes(piece.key)
            for note in over[first:]:
                if note.start >= low.end:
                    break
                together = min(note.end, low.end) - max(note.start, low.start)
                if together > half + NEAR and (note.pitch - low.pitch) % 12 in (1, 11):
                    assert {note.pitch % 12, low.pitch % 12} <= members, (piece.name, low.start)


MAJOR = [key for key in ROUND if key.mode == "major"]
FALL = "I7 I7/b7 IV9/6 ivm6/b6 | I7/5 V7"
RISE = "I7 I7/3 IV7 #IVdim7 | I7/5 V7"
HOME = ((Fraction(0), Chord("1", "7")),)


@pytest.mark.parametrize("groove", groove_names())
@pytest.mark.parametrize(("text", "steps"), [(FALL, (0, -2, -3, -4, -5)), (RISE, (0, 4, 5, 6, 7))])
def test_the_turnarounds_line_is_doubled_and_does_not_turn_back(
    groove: str, text: str, steps: tuple[int, ...]
) -> None:
    """Common practice: 8 b7 6 b6 5 falls and 1 3 4 #4 5 rises, each note held or doubled."""
    assert text in turnarounds.TURNAROUNDS["major"].values()
    four = ((Fraction(0), Chord("4", "7")),)
    for key, seed in product(MAJOR, range(number_of(1, 3))):
        bars = chart_bars((four, *turnarounds.read(text), HOME))
        band = Band(find_groove(groove), key, seed, looseness=0.0)
        notes = voice(band.play(bars, STRAIGHT), "bass")
        first = next(n.pitch for n in notes if n.start == 4.0)
        for note in notes:
            if 4.0 <= note.start < 8.0 or note.start == 8.0:
                wanted = first + steps[int(note.start) - 4]
                assert note.pitch == wanted, (str(key), seed, note.start)


@pytest.mark.parametrize("groove", groove_names())
def test_the_bass_lands_on_the_end_out_of_the_chords_that_lead_there(groove: str) -> None:
    """Over I7/5 and bII9 it plays their own notes, but for a step at the end of a beat."""
    texts = [text for text in turnarounds.ENDINGS["major"].values() if text.endswith("bII9")]
    assert len(texts) == 4
    for text, key, seed in product(texts, MAJOR, range(number_of(1, 4))):
        bars = chart_bars((*turnarounds.read(text), HOME))
        bars[-1] = replace(bars[-1], when=("end", "bar"))
        notes = Band(find_groove(groove), key, seed, looseness=0.0).play(bars, STRAIGHT)
        for note in voice(notes, "bass"):
            if 4.0 <= note.start < 8.0 and note.start == int(note.start):
                chord = next(c for at, c in reversed(bars[1].turns(4)) if at <= note.start - 4)
                sixth = (note.pitch - chord.root(key)) % 12 == 9  # boogie and box go through it
                assert sixth or note.pitch % 12 in chord.pitch_classes(key), (str(key), seed)


def test_comping_moves_little(pieces: list[Piece]) -> None:
    moves: list[int] = []
    for piece in pieces:
        strokes = _strokes(piece.comp)
        full = [
            sorted(note.pitch for note in stroke)
            for stroke in strokes.values()
            if len(stroke) == 4 and not _crushed(stroke, strokes)
        ]
        for before, after in pairwise(full):
            moves += [abs(a - b) for a, b in zip(before, after, strict=True)]
    # Regression: less than an octave, at the edges of the range; mostly it is 0 to 2.
    assert max(moves) < 12
    assert sum(move <= 2 for move in moves) > 0.8 * len(moves)


@pytest.mark.parametrize(("groove", "comp"), in_turn(groove_names(), NAMES))
def test_comping_is_thinner_under_a_phrase(groove: str, comp: str) -> None:
    """Common practice: leave room while the phrase sounds: fewer notes, softer on the whole."""
    bars = form_bars(setting(groove).form, Key("A"))[1:]

    def played(sounding: dict[int, int]) -> list[Note]:
        notes = []
        for seed in range(3):
            band = Band(find_groove(groove), Key("A"), seed, comp=comp, looseness=0.0)
            notes += voice(band.play(under(bars, sounding), STRAIGHT), "comp")
        return notes

    free, along = played({}), played(dict.fromkeys(range(len(bars)), 127))
    assert 0 < len(along) < 0.7 * len(free)
    loud, soft = (sum(n.velocity for n in notes) / len(notes) for notes in (free, along))
    assert soft < 0.8 * loud


@pytest.mark.parametrize("comp", COMPS)
@pytest.mark.parametrize("groove", groove_names())
def test_every_instrument_has_its_own_in_every_groove(groove: str, comp: str) -> None:
    notes = _alone(groove, comp)
    by_bar = Counter(int(note.start // 4) for note in notes)
    assert len(by_bar) >= 20  # of 24 bars
    others = [_alone(groove, other) for other in COMPS if other != comp]
    assert all(notes != other for other in others)


@pytest.mark.parametrize("comp", COMPS)
def test_an_instrument_without_patterns_of_its_own_plays_what_there_is(
    tmp_path: Path, comp: str
) -> None:
    path = _groove(tmp_path, comp="2:chord. 4:chord.")
    path.write_text(path.read_text().replace("[[comp]]", "[[comp]]\non = 'guitar'"))
    band = Band(load_groove(path), Key("A"), 1, comp=comp, looseness=0.0)
    notes = voice(band.play([_bar(ONE, following=ONE)], STRAIGHT), "comp")
    assert {note.start for note in notes} >= {1.0, 3.0}


def test_comping_softens_under_a_phrase_whatever_it_plays(tmp_path: Path) -> None:
    """Common practice: under the phrase, less; a groove that says nothing of it as well."""
    loud, soft = (
        [n.velocity for n in _comp(tmp_path, "2:chord 4:chord", [replace(bar, when=when)])]
        for bar in [_bar(ONE, following=ONE)]
        for when in (("bar",), ("under", "bar"))
    )
    assert len(loud) == 8
    assert soft
    assert all(0.5 * max(loud) < one < 0.85 * max(loud) for one in soft)


@pytest.mark.parametrize("comp", COMPS)
def test_no_chord_lies_above_its_ceiling(tmp_path: Path, comp: str) -> None:
    """Common practice: where the phrase sounds the chords lie below it."""
    groove = load_groove(_groove(tmp_path, comp="1:chord 2:shell 3:R10 4:/chord"))
    for key, ceiling in product(MAJOR, (52, 57, 60, 64)):
        band = Band(groove, key, 1, comp=comp, looseness=0.0)
        bars = [replace(_bar(c, following=ONE), ceiling=ceiling) for c in (ONE, FOUR, FIVE)]
        notes = [n for n in voice(band.play(bars, STRAIGHT), "comp") if n.end - n.start > CRUSH]
        assert notes
        assert all(note.pitch < ceiling for note in notes), (str(key), ceiling)


def test_every_note_has_a_length_and_stops_before_its_pitch_sounds_again(
    pieces: list[Piece],
) -> None:
    for piece in pieces:
        for part in piece.parts:
            notes = part.section.notes
            _check_notes(notes, float(part.section.seconds))


def _check_notes(notes: tuple[Note, ...], seconds: float) -> None:
    starts = [note.start for note in notes]
    assert starts == sorted(starts)
    assert all(note.end > note.start >= 0 for note in notes)
    assert all(1 <= note.velocity <= 127 for note in notes)
    assert starts[-1] < seconds
    sounding: set[tuple[int, int]] = set()
    for _, rank, data in messages(notes):
        place = (data[0] & 0x0F, data[1])
        if rank == ON:
            assert place not in sounding
            sounding.add(place)
        elif rank == OFF:
            sounding.remove(place)
    assert not sounding


@pytest.mark.parametrize(
    ("groove", "how"), in_turn(groove_names(), [*product([30, 240], [1.0, 2.0])])
)
def test_loose_notes_are_sound_too(groove: str, how: tuple[int, float]) -> None:
    tempo, looseness = how
    given = setting(groove, "jazz-twelve-bar", tempo, looseness=looseness, seed=tempo)
    for section in arrange(given, 1, ending="tag").sections:
        _check_notes(section.notes, float(section.seconds))
        for note in voice(section.notes, "bass"):
            assert 28 <= note.pitch <= 55


def test_a_drummer_has_two_hands_and_two_feet(pieces: list[Piece]) -> None:
    limbs = {drum.key: drum.limb for drum in DRUMS.values()}
    for piece in pieces:
        busy = Counter((round(n.start, 3), limbs[n.pitch]) for n in piece.drums)
        assert max(busy.values()) <= 2, piece.name
        once = Counter((round(n.start, 3), n.pitch) for n in piece.drums)
        assert max(once.values()) == 1, piece.name


def test_a_crash_crowns_only_tops_stops_and_the_end(pieces: list[Piece]) -> None:
    for piece in pieces:
        crowned = {
            round(start, 3)
            for start, _, bar, part in piece.bars()
            if {"top", "stop", "end"} & set(bar.when)
            and (part.section.name == "ending" or abs(start - part.at(0)) < 4 * 8)
        }
        crashes = {round(n.start, 3) for n in piece.drums if n.pitch == CRASH}
        assert crashes <= crowned, piece.name


def test_no_hat_by_foot_while_the_hand_is_on_the_hat(pieces: list[Piece]) -> None:
    for piece in pieces:
        hand = {round(n.start, 4) for n in piece.drums if n.pitch in (HAT, OPEN)}
        foot = {round(n.start, 4) for n in piece.drums if n.pitch == FOOT}
        assert not hand & foot, piece.name


# Where a hand keeps time at all: the two-beat's train figure and the rumba's bell do without.
TIMED = [n for n in groove_names() if any("time" in dict(p.lanes) for p in find_groove(n).drums)]


@pytest.mark.parametrize("groove", TIMED)
def test_time_is_kept_on_the_first_cymbal_early_and_the_second_late(groove: str) -> None:
    early, late = find_groove(groove).time
    given = setting(groove, count_in=0, looseness=0.0)
    _, parts = read(given, 3, ending="none")
    struck = [Counter(n.pitch for n in part.notes("drums")) for part in parts]
    assert [part.bars[0].chorus for part in parts] == ["early", "late", "last"]
    keys = {"hat": HAT, "ride": RIDE}
    for counts, cymbal in zip(struck, (early, late, late), strict=True):
        other = RIDE if cymbal == "hat" else HAT
        assert counts[keys[cymbal]] > 20
        if early != late:
            # A single soft hat in a stop bar is no time-keeping.
            assert counts[other] <= 8
    if early == "hat":
        assert struck[0][FOOT] <= 8  # only where a bar leaves the hand's cymbal out


@pytest.mark.parametrize(
    "groove", ["shuffle", "slow-blues", "rock-blues", "boogie", "double-shuffle"]
)
def test_the_backbeat_is_on_two_and_four(groove: str) -> None:
    # Common practice: snare on two and four, strong.
    _, parts = read(setting(groove, count_in=0, looseness=0.0), 2)
    for part in parts[:2]:
        snare = {round(n.start, 4): n.velocity for n in part.notes("drums") if n.pitch == SNARE}
        for number, bar in enumerate(part.bars):
            if bar.when[0] in ("bar", "setup"):
                for beat in (1, 3):
                    strong = max(snare.values())
                    assert snare.get(round(part.at(number, beat), 4), 0) >= 0.9 * strong


# Few ghosts or none on the snare: it comments, or answers with the stick, or stays away.
SPARE = ("jump", "rumba-blues", "minor-slow-blues")


@pytest.mark.parametrize("groove", [name for name in groove_names() if name not in SPARE])
def test_ghost_notes_are_a_quarter_to_a_third_of_a_stroke(groove: str) -> None:
    # Common practice for ghosts on the snare.
    _, parts = read(setting(groove, "sixteen-bar", count_in=0, looseness=0.0), 4)
    found = []
    for part in parts[:4]:
        snare = [n.velocity for n in part.notes("drums") if n.pitch == SNARE]
        found += [v for v in snare if max(snare) / 4 <= v <= max(snare) / 3]
    assert len(found) >= 6


@pytest.mark.parametrize(
    "groove",
    # The rumba's side-stick and toms answer in full strokes.
    [name for name in groove_names() if name != "rumba-blues"],
)
def test_every_groove_has_soft_strokes_and_loud_ones(groove: str) -> None:
    _, parts = read(setting(groove, count_in=0, looseness=0.0), 2)
    loud = [n.velocity for part in parts for n in part.notes("drums")]
    assert min(loud) <= 0.36 * max(loud)


def test_the_skips_of_the_ride_are_softer_than_the_beats() -> None:
    # Common practice: 60 to 70 % of the beats' velocity.
    _, parts = read(setting("shuffle", count_in=0, looseness=0.0), 2)
    beat = 60 / 104
    for part in parts[:2]:
        cymbal = [n for n in part.notes("drums") if n.pitch in (HAT, RIDE)]
        on: list[int] = []
        off: list[int] = []
        for note in cymbal:
            place = (note.start + NEAR) % beat
            (on if place < 2 * NEAR + 1e-4 else off).append(note.velocity)
        assert 0.6 <= (sum(off) / len(off)) / (sum(on) / len(on)) <= 0.7


@pytest.mark.parametrize("groove", groove_names())
def test_no_special_pattern_is_played_twice_running(groove: str) -> None:
    found = find_groove(groove)
    for chorus, when in product(("early", "late", "last"), ("bar", "fill", "setup")):
        player = Drummer("drums", found, Key("A"), 1, 0.0)
        kinds = {"early": ("early",), "late": ("late",), "last": ("late", "last")}[chorus]
        fitting = [p for p in found.drums if p.when == when and p.chorus in ("", *kinds)]
        if not fitting:  # the plan makes fills and set-ups
            continue
        heaviest = max(p.weight for p in fitting)
        chosen = [player.choose(found.drums, (when, "bar"), chorus) for _ in range(400)]
        for before, after in pairwise(chosen):
            assert before is not after or after.weight == heaviest
        assert {id(p) for p in chosen} == {id(p) for p in fitting}


def test_a_pattern_is_chosen_by_its_weight() -> None:
    lanes = find_groove("shuffle").drums[0].lanes
    home, other, rare = (Pattern("bar", 1, lanes, weight) for weight in (6, 6, 1))
    player = Drummer("drums", find_groove("shuffle"), Key("A"), 1, 0.0)
    many = Counter(
        player.choose((home, other, rare), ("bar",), "early").weight for _ in range(3000)
    )
    # One in thirteen, a little less since it is never repeated: 1/13 * 12/13 = 0.071.
    assert 0.05 < many[1] / 3000 < 0.09


@pytest.mark.parametrize("groove", groove_names())
def test_no_two_choruses_have_the_same_bass(groove: str) -> None:
    stream = arrange(setting(groove, count_in=0, looseness=0.0), 6, ending="none")
    lines = [
        tuple((round(n.start, 4), n.pitch) for n in voice(s.notes, "bass"))
        for s in stream.sections
    ]
    assert len(set(lines)) == 6


@pytest.mark.parametrize("groove", groove_names())
def test_no_two_bars_of_bass_last_a_chorus(groove: str) -> None:
    # Common practice: never the same two bars for a whole chorus.
    _, parts = read(setting(groove, "one-chord-vamp", count_in=0, looseness=0.0), 3, ending="none")
    shapes: Counter[tuple[tuple[float, int], ...]] = Counter()
    for part in parts:
        notes = part.notes("bass")
        for pair in range(0, len(part.bars), 2):
            low, high = part.at(pair), part.at(pair + 2)
            shape = [
                (round(n.start - low, 4), n.pitch) for n in notes if low - NEAR <= n.start < high
            ]
            shapes[tuple(shape)] += 1
    assert len(shapes) >= 3


@pytest.mark.parametrize(("form", "comp"), in_turn(form_names(), NAMES))
def test_in_stop_time_the_band_strikes_together_and_leaves_room(form: str, comp: str) -> None:
    given = setting("stop-time", form, count_in=0, looseness=0.0, comp=comp, seed=len(form))
    _, parts = read(given, 3, ending="none")
    assert parts[0].bars[0].when[0] == "stop"
    for part in parts:
        stops = [n for n, bar in enumerate(part.bars) if bar.when[0] == "stop"]
        stops = [n for n in stops if n != len(part.bars) - 2]  # a break
        assert stops in ([], list(range(min(4, len(part.bars) // 2))))
        turned = {round(at, 3) for at, *_ in part.chords()}
        for number in stops:
            low, high = part.at(number), part.at(number + 1)
            struck = {
                name: {
                    round(n.start, 3)
                    for n in part.notes(name)
                    if low - NEAR < n.start < high - NEAR and n.end - n.start < 10
                }
                for name in _VOICES
            }
            line = part.bars[number].line
            assert line is not None
            written = {round(part.at(number, h.at), 3) for h in line.lanes[0][1].hits}
            assert len(written) <= 6
            # Skips lie where the swing puts them; the bass strikes a new chord in mid-bar too.
            assert len(struck["drums"]) == len(written)
            assert struck["drums"] <= struck["bass"] <= struck["drums"] | turned


def test_after_the_stops_the_band_plays_time() -> None:
    _, parts = read(setting("stop-time", count_in=0, looseness=0.0), 2, ending="none")
    for part in parts[:1]:
        notes = part.notes("drums")
        count = Counter(
            sum(part.at(n) - NEAR <= note.start < part.at(n + 1) - NEAR for note in notes) > 8
            for n in range(4, 12)
        )
        assert count == {True: 8}


@pytest.mark.parametrize(("groove", "looseness"), in_turn(groove_names(), [0.0, 1.0]))
def test_a_part_plays_the_same_whoever_stays_at_home(groove: str, looseness: float) -> None:
    given = setting(groove, "eight-bar", count_in=0, looseness=looseness)
    whole = arrange(given, 1)
    for home in _VOICES:
        left = arrange(replace(given, without=frozenset({home})), 1)
        for one, other in zip(whole.sections, left.sections, strict=True):
            assert [n for n in one.notes if n.voice != home] == list(other.notes)


def test_another_comping_instrument_leaves_drums_and_bass_alone() -> None:
    made = [arrange(setting(count_in=0, comp=comp), 2) for comp in COMPS]
    for name in ("drums", "bass"):
        assert len({str([voice(s.notes, name) for s in one.sections]) for one in made}) == 1
    assert len({str([voice(s.notes, "comp") for s in one.sections]) for one in made}) == len(COMPS)


def test_a_guitarist_slides_by_bending_and_a_keyboard_crushes() -> None:
    for groove, comp in product(groove_names(), COMPS):
        strokes = _strokes(_alone(groove, comp))
        crushed = [stroke for stroke in strokes.values() if _crushed(stroke, strokes)]
        curves = [n.curve for stroke in strokes.values() for n in stroke if n.curve is not None]
        if comp == "guitar":
            assert not crushed
            for curve in curves:
                # What is not slid into says that the strings are where they were.
                assert abs(curve.first) in ((100.0, 200.0) if curve.glides else (0.0,))
                assert curve.at(0.0) == curve.first
                assert curve.at(0.2) == 0.0
                # Fret by fret, as frets stop a string.
                assert {curve.at(n / 500) % 100 for n in range(100)} == {0.0}
            for stroke in strokes.values():  # the first note carries it for the chord
                assert all(n.curve is None for n in stroke[1:])
        else:
            assert not curves
            for stroke in crushed:
                chord = strokes[round(stroke[0].end, 6)]
                assert stroke[0].velocity < chord[0].velocity
                steps = {a.pitch - b.pitch for a, b in zip(stroke, chord, strict=True)}
                assert steps in ({-2}, {-1}, {1}, {2})


def test_a_guitarist_s_hand_goes_up_between_beats_and_mutes_short_low_figures() -> None:
    """Common practice: down on the beat; a chug on low strings lies under the palm."""
    for groove in ("two-guitars", "boogie"):
        strokes = _strokes(_alone(groove, "guitar")).values()
        muted = [stroke for stroke in strokes if any(note.damped for note in stroke)]
        assert len(muted) > 20
        for low, _ in muted:  # the root, and what stands over it
            assert low.pitch % 12 == Key("A").pitch_class
            assert low.end - low.start < 0.3
        for stroke in strokes:
            pitches = [note.pitch for note in stroke]
            assert pitches in (sorted(pitches), sorted(pitches, reverse=True))
    for when, up in ((0, False), (Fraction(1, 2), True), (Fraction(2, 3), False), (1, False)):
        hits = [Hit(Fraction(0), "chord"), Hit(Fraction(when), "chord")]
        chord = [Note("comp", 1.0, 1.5, pitch, 80) for pitch in (55, 59, 64)]
        assert (_strummed(chord, hits[1], hits)[0].pitch == 64) == up


def test_slow_blues_guitar_slides_and_slow_blues_keys_crush() -> None:
    guitar = _alone("slow-blues", "guitar", seeds=8)
    assert sum(note.curve is not None for note in guitar) > 10
    for comp in ("organ", "piano"):
        strokes = _strokes(_alone("slow-blues", comp, seeds=16))
        assert sum(_crushed(stroke, strokes) for stroke in strokes.values()) > 5


@pytest.mark.parametrize("comp", COMPS)
def test_only_an_organ_swells(comp: str) -> None:
    notes = [n for groove in groove_names() for n in _alone(groove, comp)]
    swelling = [n for n in notes if n.swell]
    assert bool(swelling) == (comp == "organ")
    assert all(note.end - note.start > 1.0 for note in swelling)  # a beat is a second


def test_a_swell_in_a_bar_is_the_first_note_of_its_chord(tmp_path: Path) -> None:
    path = _groove(tmp_path, comp="1:swell")
    notes = Band(load_groove(path), Key("A"), 1, comp="organ").play(
        [_bar(ONE, following=ONE)], STRAIGHT
    )
    assert [n.swell for n in notes if n.voice == "comp"] == [True, False, False, False]


def _groove(folder: Path, *, comp: str = "1:chord", bass: str = "1:R 3:5") -> Path:
    path = folder / "mine.toml"
    path.write_text(
        "title = 'Mine'\ntempos = [60, 60, 60]\n[[drums]]\nwhen = 'bar'\nride = '1'\n"
        f"[[bass]]\nwhen = 'bar'\nline = '{bass}'\n"
        f"[[comp]]\nwhen = 'bar'\nline = '{comp}'\n",
        encoding="utf-8",
    )
    return path


def _comp(folder: Path, line: str, bars: list[Bar], comp: str = "piano") -> list[Note]:
    groove = load_groove(_groove(folder, comp=line))
    return voice(Band(groove, Key("A"), 1, comp=comp, looseness=0.0).play(bars, STRAIGHT), "comp")


def _sounding(notes: list[Note], at: float) -> set[int]:
    return {n.pitch % 12 for n in notes if abs(n.start - at) < NEAR}


def test_a_push_takes_the_next_chord_whose_first_stroke_it_replaces(tmp_path: Path) -> None:
    bars = [_bar(ONE, following=FOUR), _bar(FOUR, following=ONE)]
    notes = _comp(tmp_path, "1:chord 3:chord 4&:next", bars)
    # D9 or D13 without a root: F#, C, E and A or B; the C is left out where the bass comes by a
    # half step from it, and sounds in the bar itself.
    assert _sounding(notes, 3.5) >= {6, 4}
    assert _sounding(notes, 6.0) >= {6, 0}
    assert sorted({n.start for n in notes}) == [0.0, 2.0, 3.5, 6.0, 7.5]
    pushed = [n for n in notes if n.start == 3.5]
    assert all(4.0 < n.end <= 4.5 for n in pushed)


def test_a_chord_that_is_only_pushed_is_struck_as_well(tmp_path: Path) -> None:
    bars = [_bar(ONE, following=FOUR), _bar(FOUR, following=ONE)]
    notes = _comp(tmp_path, "1:chord 4&:next", bars)
    assert sorted({n.start for n in notes}) == [0.0, 3.5, 4.0, 7.5]
    # A dominant in mid-bar too, which the push out of the bar does not stand for.
    notes = _comp(tmp_path, "1:chord 4&:next", [_bar(ONE, FIVE, following=ONE)])
    assert sorted({n.start for n in notes}) == [0.0, 2.0, 3.5]
    assert _sounding(notes, 2.0) >= {8, 2, 6}  # G#, D and F# of E9 or E13


def test_a_shell_is_third_and_seventh(tmp_path: Path) -> None:
    notes = _comp(tmp_path, "1:shell", [_bar(ONE, following=ONE)])
    assert _sounding(notes, 0.0) == {1, 7}  # C# and G of A7
    minor = Chord("1", "m7")
    notes = _comp(tmp_path, "1:shell", [_bar(minor, following=minor)])
    assert _sounding(notes, 0.0) == {0, 7}


@pytest.mark.parametrize(
    ("figure", "pitches"),
    # Common practice: over A, the fifth E, the sixth F#, the seventh G, the tenth C#.
    [("R5", [45, 52]), ("R6", [45, 54]), ("Rb7", [45, 55]), ("R8", [45, 57]), ("R10", [45, 61])],
)
def test_low_figures(tmp_path: Path, figure: str, pitches: list[int]) -> None:
    notes = _comp(tmp_path, f"1:{figure}", [_bar(ONE, following=ONE)])
    assert [n.pitch for n in notes] == pitches


def test_a_tenth_over_a_minor_chord_is_minor(tmp_path: Path) -> None:
    minor = Chord("1", "m7")
    notes = _comp(tmp_path, "1:R10", [_bar(minor, following=minor)])
    assert [n.pitch for n in notes] == [45, 60]


def _bar(*chords: Chord, following: Chord, when: tuple[str, ...] = ("bar",)) -> Bar:
    share = len(chords)
    return Bar(tuple((Fraction(n, share), c) for n, c in enumerate(chords)), following, when)


ONE, TWO, FOUR, FIVE = (Chord("1", "7"), Chord("2", "7"), Chord("4", "7"), Chord("5", "7"))


def _bass(groove: str, key: str, seed: int, bars: list[Bar]) -> list[Note]:
    band = Band(find_groove(groove), Key(key), seed, looseness=0.0)
    return voice(band.play(bars, STRAIGHT), "bass")


def test_a_bass_line_of_two_bars_is_played_as_written() -> None:
    """The shuffle's lines over two bars have 8, b7 or 5 on the second bar's one."""
    seconds = set()
    for seed in range(60):
        bass = _bass("shuffle", "A", seed, [_bar(ONE, following=ONE)] * 2)
        seconds.add(next(n.pitch - bass[0].pitch for n in bass if n.start == 4.0))
    assert seconds == {0, 7, 10, 12}


def test_a_bass_line_of_two_bars_needs_two_bars_of_its_chord() -> None:
    for seed in range(40):
        band = Band(find_groove("shuffle"), Key("A"), seed, looseness=0.0)
        bars = [
            _bar(ONE, following=ONE),
            _bar(ONE, following=FOUR, when=("fill", "bar")),
            _bar(FOUR, following=ONE),
        ]
        bass = voice(band.play(bars, STRAIGHT), "bass")
        assert next(n.pitch % 12 for n in bass if n.start == 4.0) == 9
        root = next(i for i, n in enumerate(bass) if n.start == 8.0)
        assert abs(bass[root].pitch - bass[root - 1].pitch) in (1, 2)
        # The next section starts afresh, whatever was left of a line.
        again = voice(band.play(bars[:1], STRAIGHT), "bass")
        assert again[0].pitch % 12 == 9


def test_the_bass_steps_into_a_chord_in_the_middle_of_a_bar() -> None:
    for seed in range(40):
        bars = [_bar(TWO, FIVE, following=ONE), _bar(ONE, following=ONE)]
        notes = _bass("shuffle", "A", seed, bars)
        at = {n.start: number for number, n in enumerate(notes)}
        assert [notes[at[beat]].pitch % 12 for beat in (0.0, 2.0, 4.0)] == [11, 4, 9]
        for beat in (2.0, 4.0):
            assert abs(notes[at[beat]].pitch - notes[at[beat] - 1].pitch) in (1, 2)


def test_a_slash_puts_its_degree_in_the_bass() -> None:
    third, fifth = Chord("1", "7", "3"), Chord("1", "7", "5")
    for seed in range(20):
        bars = [_bar(ONE, third, following=fifth), _bar(fifth, following=ONE)]
        notes = {n.start: n.pitch % 12 for n in _bass("shuffle", "A", seed, bars)}
        assert [notes[at] for at in (0.0, 2.0, 4.0)] == [9, 1, 4]  # A, C#, E


def test_comping_follows_a_chord_in_the_middle_of_a_bar() -> None:
    for seed, comp in product(range(10), COMPS):
        band = Band(find_groove("slow-blues"), Key("A"), seed, comp=comp, looseness=0.0)
        notes = voice(band.play([_bar(TWO, FIVE, following=ONE)], STRAIGHT), "comp")
        strokes = _strokes(notes)
        assert any(at >= 2 for at in strokes)
        for at, stroke in strokes.items():
            if _crushed(stroke, strokes):
                continue
            chords = [TWO if at < 2 else FIVE, *([ONE] if at >= 3.5 else [])]
            allowed = [
                {(chord.root(Key("A")) + step) % 12 for step in (0, 2, 4, 7, 9, 10)}
                for chord in chords
            ]
            assert any({n.pitch % 12 for n in stroke} <= one for one in allowed)


def test_the_ending_stays_where_it_lands() -> None:
    for seed in range(10):
        band = Band(find_groove("shuffle"), Key("A"), seed, looseness=0.0)
        notes = band.play([_bar(ONE, following=FIVE, when=("end", "bar"))], STRAIGHT)
        assert {n.pitch % 12 for n in notes if n.voice == "bass"} == {9}
        drums = {n.pitch for n in notes if n.voice == "drums"}
        assert {KICK, CRASH} <= drums <= {KICK, CRASH, SNARE}


def test_a_part_plays_the_same_whatever_the_others_read() -> None:
    groove = find_groove("shuffle")
    major = Band(groove, Key("A"), 3).play([_bar(ONE, following=ONE)] * 8, STRAIGHT)
    other = Band(groove, Key("D"), 3).play([_bar(ONE, following=FOUR)] * 8, STRAIGHT)
    drums = [voice(notes, "drums") for notes in (major, other)]
    assert drums[0] == drums[1]


def test_the_seed_decides() -> None:
    def played(seed: int) -> list[Note]:
        bars = [_bar(ONE, following=ONE)] * 12
        return Band(find_groove("shuffle"), Key("A"), seed).play(bars, STRAIGHT)

    assert played(1) == played(1)
    assert played(1) != played(2)


def test_swing_may_bring_two_strokes_of_a_lane_together(tmp_path: Path) -> None:
    path = tmp_path / "close.toml"
    path.write_text(
        "title = 'Close'\ntempos = [60, 60, 60]\n[[drums]]\nwhen = 'bar'\nride = '1& let'\n"
        "[[bass]]\nwhen = 'bar'\nline = '1&:R let:R 3:5'\n"
        "[[comp]]\nwhen = 'bar'\nline = '1&:chord let:chord'\n",
        encoding="utf-8",
    )
    # 2:1 puts & on let, 3:1 after it.
    for swing, looseness in product((2.0, 3.0), (0.0, 1.0, 2.0)):
        band = Band(load_groove(path), Key("A"), 1, looseness=looseness)
        notes = band.play([_bar(ONE, following=ONE)], Clock(Fraction(60), swing))
        assert all(note.end > note.start for note in notes)
        assert [note.start for note in notes] == sorted(note.start for note in notes)
        ons = [data for _, rank, data in messages(tuple(notes)) if rank == ON]
        offs = [data for _, rank, data in messages(tuple(notes)) if rank == OFF]
        assert len(ons) == len(offs) > 0


def test_a_form_of_one_chord_needs_no_approach(tmp_path: Path) -> None:
    path = tmp_path / "one.toml"
    path.write_text("title = 'One'\nchart = 'I7 | I7 | I7'\n", encoding="utf-8")
    given = replace(setting(count_in=0), form=load_form(path))
    notes = [n for s in arrange(given, 3).sections for n in voice(s.notes, "bass")]
    # 1 2 3 4 #4 5 6 b7 of A: the written lines, which hold no b2, b3, b6 or 7.
    assert {note.pitch % 12 for note in notes} <= {9, 11, 1, 2, 3, 4, 6, 7}


def test_a_count_in_is_sticks_on_the_beats() -> None:
    notes = count_in(2, 4, STRAIGHT.seconds)
    # General MIDI 1: side stick is key 37.
    assert STICK == 37
    assert [(note.start, note.pitch) for note in notes] == [(float(n), 37) for n in range(8)]
    loud = max(note.velocity for note in notes)
    assert [note.start for note in notes if note.velocity == loud] == [0.0, 4.0]


def test_several_approach_notes_walk_one_way_and_end_beside_the_root() -> None:
    # Common practice: a run into a root moves by half steps.
    found = 0
    for seed in range(40):
        bars = [_bar(ONE, following=FOUR), _bar(FOUR, following=FOUR)]
        bass = _bass("slow-blues", "A", seed, bars)
        run = [n.pitch for n in bass if 3 <= n.start < 4]
        root = next(n.pitch for n in bass if n.start == 4)
        steps = {b - a for a, b in pairwise([*run, root])}
        if len(run) > 1:
            found += 1
            assert steps in ({1}, {-1})
            # From the side on which the hand is.
            before = [n.pitch for n in bass if n.start < 3][-1]
            assert steps == ({1} if before <= root else {-1})
    assert found


def test_of_two_octaves_the_root_is_the_nearer_one() -> None:
    # B flat to E: from B flat 1 (34), E2 (40) lies nearer than E1 (28) only by hand position.
    five = Chord("b5", "7")
    bars = [_bar(ONE, following=five), _bar(five, following=five)]
    for seed in range(10):
        bass = _bass("shuffle", "Bb", seed, bars)
        number = next(i for i, n in enumerate(bass) if n.start == 4)
        assert bass[number].pitch in (28, 40)
        assert abs(bass[number].pitch - bass[number - 1].pitch) in (1, 2)


@pytest.mark.parametrize(("groove", "looseness"), in_turn(groove_names(), [1.0, 2.0]))
def test_the_bass_sounds_one_note_at_a_time(groove: str, looseness: float) -> None:
    for tempo in (60, 240):
        stream = arrange(setting(groove, tempo=tempo, looseness=looseness), 2)
        for section in stream.sections:
            notes = voice(section.notes, "bass")
            assert all(a.end <= b.start for a, b in pairwise(notes))


@pytest.mark.parametrize("name", ["back-step", "sandbank", "cellar-steps", "towpath"])
def test_comping_stays_below_the_phrase(name: str) -> None:
    """Common practice: where the phrase sounds, no chord lies above it."""
    stream = backing.demo(name, choruses=1, looseness=0)
    bar = 4 * 60 / float(stream.sections[1].tempo)
    notes = stream.sections[1].notes
    lowest: dict[int, int] = {}
    for note in notes:
        if note.voice.startswith("lead"):
            for number in range(int(note.start / bar), int((note.end - 0.01) / bar) + 1):
                lowest[number] = min(lowest.get(number, 127), note.pitch)
    assert lowest
    played = [n for n in voice(notes, "comp") if int(n.start / bar + 1e-6) in lowest]
    assert played
    for note in played:
        assert note.pitch <= lowest[int(note.start / bar + 1e-6)]
