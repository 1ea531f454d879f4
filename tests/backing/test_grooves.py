from __future__ import annotations

import random
from fractions import Fraction
from pathlib import Path

import pretty_midi
import pytest

from backing.band.fills import set_ups
from backing.grooves import DRUMS, find_groove, groove_names, groove_titles, load_groove
from backing.grooves.groove import ONLY, WHEN, figure
from backing.grooves.instruments import BASSES, COMPS, PROGRAMS, TIME
from phrases.errors import ChoiceError, TextFileError

# What the General MIDI 1 list, as pretty_midi holds it, calls each of our voices.
DRUM_NAMES = {
    "ride": "Ride Cymbal 1",
    "hat": "Closed Hi Hat",
    "open-hat": "Open Hi Hat",
    "crash": "Crash Cymbal 1",
    "snare": "Acoustic Snare",
    "side-stick": "Side Stick",
    "high-tom": "High Tom",
    "mid-tom": "Low-Mid Tom",
    "low-tom": "High Floor Tom",
    "kick": "Bass Drum 1",
    "hat-foot": "Pedal Hi Hat",
}
PROGRAM_NAMES = {
    "piano": "Acoustic Grand Piano",
    "organ": "Drawbar Organ",
    "guitar": "Electric Guitar (jazz)",
    "horns": "Brass Section",
    "finger-bass": "Electric Bass (finger)",
    "upright-bass": "Acoustic Bass",
    "lead": "Electric Guitar (clean)",
}

GOOD = """title = "Mine"
tempos = [80, 100, 120]
[[drums]]
when = "bar"
ride = "1 2 3 4"
[[bass]]
when = "bar"
line = "1:R 3:5"
[[comp]]
when = "bar"
line = "1:chord"
"""


def test_every_drum_has_its_general_midi_key() -> None:
    named = {name: pretty_midi.note_number_to_drum_name(drum.key) for name, drum in DRUMS.items()}
    assert named == DRUM_NAMES


def test_every_sound_has_its_general_midi_program() -> None:
    named = {name: pretty_midi.program_to_instrument_name(n) for name, n in PROGRAMS.items()}
    assert named == PROGRAM_NAMES


def test_the_names_that_ship() -> None:
    assert set(groove_names()) >= {"shuffle", "slow-blues", "boogie", "jump"}
    # What a working blues band is asked for (common practice).
    assert set(groove_names()) >= {
        "ballad", "minor-straight", "half-time-shuffle", "second-line", "hambone", "drone",
        "two-guitars", "brushes",
    }  # fmt: skip
    assert len(groove_names()) >= 20


def test_an_unknown_groove_names_the_nearest() -> None:
    with pytest.raises(ChoiceError, match=r'^"shufle" is not a groove; did you mean "shuffle"\?'):
        find_groove("shufle")


@pytest.mark.parametrize("name", groove_names())
def test_a_set_up_is_more_than_the_backbeat_alone(name: str) -> None:
    groove = find_groove(name)
    last = groove.meter.beats - 1
    keeps = ("kick", "hat-foot", "time", "ride", "hat")
    for seed in range(4):
        deck = set_ups(groove, random.Random(seed))
        for one in [deck.draw() for _ in range(30)]:
            assert one is not None
            lanes = [(drum, lane) for drum, lane in one.lanes if drum not in keeps]
            struck = {
                (drum, h.at) for drum, lane in lanes for h in lane.hits if h.at >= last - 0.5
            }
            assert struck
            assert struck != {("snare", Fraction(last))}


@pytest.mark.parametrize("name", groove_names())
def test_what_ships_has_something_for_every_place(name: str) -> None:
    groove = find_groove(name)
    low, usual, high = groove.tempos
    assert 30 <= low < usual < high <= 240
    places = {p.when for p in groove.drums}  # fills and set-ups are made where there are none
    assert {"bar", "top", "end"} <= places <= set(WHEN)
    assert {"bar", "change", "end"} <= {p.when for p in groove.bass}
    assert {"bar", "under", "end"} <= {p.when for p in groove.comp}
    assert any(p.when == "change" and p.bars == 1 and not p.chorus for p in groove.bass)
    for patterns in (groove.drums, groove.bass):
        assert any(p.when == "bar" and p.bars == 1 and not p.chorus for p in patterns)


@pytest.mark.parametrize("name", groove_names())
def test_every_groove_has_home_patterns_and_specials(name: str) -> None:
    groove = find_groove(name)
    for patterns in (groove.drums, groove.bass):
        bars = [p for p in patterns if p.when == "bar"]
        assert len(bars) >= 4
        assert len({p.weight for p in bars}) > 1
    assert all(1 <= p.weight <= 9 for p in (*groove.drums, *groove.bass, *groove.comp))


@pytest.mark.parametrize("comp", COMPS)
@pytest.mark.parametrize("name", groove_names())
def test_every_groove_may_be_comped_by_every_instrument(name: str, comp: str) -> None:
    patterns = find_groove(name).comp
    for when, least in (("bar", 3), ("under", 2), ("end", 1)):
        own = [p for p in patterns if p.when == when and p.on == comp]
        own = own or [p for p in find_groove(name).comping(comp) if p.when == when]
        assert len(own) >= least
        assert any(not p.chorus for p in own)


@pytest.mark.parametrize("name", groove_names())
def test_a_bar_before_a_new_chord_ends_in_a_step(name: str) -> None:
    for pattern in find_groove(name).bass:
        if pattern.when == "change":
            assert pattern.lanes[0][1].hits[-1].value == "to"


def test_some_places_are_one_players() -> None:
    assert set(ONLY) <= set(WHEN)
    assert ONLY == {"change": "bass", "under": "comp"}


@pytest.mark.parametrize(
    ("text", "slide", "what"),
    [
        ("chord", 0, "chord"),
        ("/chord", -1, "chord"),
        ("//swell", -2, "swell"),
        ("\\chord", 1, "chord"),
        ("\\\\shell", 2, "shell"),
        ("next", 0, "next"),
        ("R5", 0, "5"),
        ("Rb7", 0, "b7"),
        ("/R10", -1, "10"),
    ],
)
def test_reading_a_figure(text: str, slide: int, what: str) -> None:
    assert figure(text) == (slide, what)


@pytest.mark.parametrize("text", ["", "R", "Rx", "/", "///chord", "chords"])
def test_a_bad_figure(text: str) -> None:
    with pytest.raises(ChoiceError):
        figure(text)


def _write(folder: Path, text: str) -> Path:
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_small_groove_file_and_its_defaults(tmp_path: Path) -> None:
    groove = load_groove(_write(tmp_path, GOOD))
    assert (groove.name, groove.title, groove.feel) == ("mine", "Mine", "")
    assert str(groove.meter) == "4/4"
    assert groove.swing == Fraction(2)
    assert groove.tempos == (80, 100, 120)
    assert [hit.value for hit in groove.bass[0].lanes[0][1].hits] == ["R", "5"]
    assert groove.time == ("hat", "ride")
    (pattern,) = groove.comp
    assert (pattern.weight, pattern.chorus, pattern.on) == (1, "", "")
    assert (groove.bass_sound, groove.comp_sound) == ("finger-bass", "organ")


def test_titles_that_are_alike_are_told_apart(tmp_path: Path) -> None:
    path = str(_write(tmp_path, GOOD.replace("Mine", "Ride shuffle")))
    assert groove_titles(["jump", "shuffle"]) == ["Jump", "Ride shuffle"]
    alike = ["shuffle", "jump", path]
    assert groove_titles(alike) == ["Ride shuffle (shuffle)", "Jump", "Ride shuffle (mine)"]


def test_a_groove_says_where_time_is_kept_and_how_often_a_pattern_is_played(
    tmp_path: Path,
) -> None:
    text = GOOD.replace('"Mine"', '"Mine"\ntime = ["ride", "hat"]')
    text = text.replace('ride = "1 2 3 4"', 'weight = 3\nchorus = "late"\ntime = "1 2 3 4"')
    text = text.replace('line = "1:chord"', "on = 'guitar'\nline = '1:\\\\chord'")
    text += "[[comp]]\nwhen = 'bar'\nline = '1:chord'\n"
    groove = load_groove(_write(tmp_path, text))
    assert groove.time == ("ride", "hat")
    (drums,) = groove.drums
    assert (drums.weight, drums.chorus) == (3, "late")
    assert drums.lanes[0][0] == TIME
    assert groove.comp[0].on == "guitar"
    assert groove.comp[0].lanes[0][1].hits[0].value == "\\\\chord"


def test_the_instruments_one_may_choose() -> None:
    assert set(COMPS) | set(BASSES) | {"lead"} == set(PROGRAMS)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("[80, 100, 120]", "[10, 20, 120]", "2:10: tempo 10: it must lie from 30 to 240"),
        ("title", "titel", '1:1: "titel" is not a key here; did you mean "title"?'),
        ("ride =", "rdie =", '5:1: "rdie" is not a key here; did you mean "ride"?'),
        ('"1 2 3 4"', '"1 2 5"', '5:13: count "5": the bar has beats 1 to 4; is a bar line'),
        ('"1 2 3 4"', '"1 1"', '5:11: count "1" goes back; counts go forward in a bar'),
        ('"1:R 3:5"', '"1:R 3:Q"', '8:13: "Q" is not a bass note; write R, a degree such as 5'),
        ('"1:R 3:5"', '"1:R 3:13"', '8:13: "13" is too far above the root for a bass line'),
        ('"1:R 3:5"', '"1:R 3"', '8:13: "3" needs what is played: 3:R'),
        ("1:chord", "1:cord", '11:9: "cord" is not something to comp; did you mean "chord"?'),
        ('when = "bar"\nride', 'when = "bra"\nride', '4:8: "bra" is not a place; did you mean'),
        (
            'ride = "1 2 3 4"',
            'ride = "1 2"\nsnare = "2"\ncrash = "2"',
            "6:9: ride and crash and snare at once on beat 2: a drummer has two hands",
        ),
        (
            'when = "bar"\nline = "1:R',
            'when = "change"\nline = "1:R',
            "1:1: there is no [[bass]] for any bar; write one",
        ),
        (
            '"1:R 3:5"',
            '"1:R 3:5 | 1:5"',
            "1:1: there is no [[bass]] for any bar that is one bar long; write one",
        ),
        (
            '"1 2 3 4"',
            '"1 2 | 1 2"',
            "3:1: this pattern must be one bar long; only a bass line may be longer",
        ),
        ("[80, 100, 120]", "[80, 120, 100]", "2:10: tempos go from the lowest to the highest: ["),
        ('"Mine"', '"Mine"\nswing = "5:1"', '2:9: swing "5:1" must lie from 1:1 (straight) to 4'),
        (
            'ride = "1 2 3 4"',
            'time = "1 2"\nsnare = "2"\ncrash = "2"',
            "5:8: crash and snare and time at once on beat 2: a drummer has two hands",
        ),
        ('"Mine"', '"Mine"\ntime = ["hat"]', "2:8: write where early and where later choruses"),
        ('"Mine"', '"Mine"\ntime = ["hat", "kick"]', "2:8: write where early and where later"),
        ("ride =", "weight = 10\nride =", "5:10: weight 10: it must be 1 to 9"),
        ("ride =", "weight = 0\nride =", "5:10: weight 0: it must be 1 to 9"),
        ("ride =", 'chorus = "lats"\nride =', '5:10: "lats" is not a kind of chorus; did you'),
        ("ride =", 'on = "organ"\nride =', '5:1: "on" is not a key here'),
        ("1:chord", "1:R", '11:9: "R": write R and a degree, as R5 or Rb7'),
        (
            'when = "bar"\nride',
            'when = "under"\nride',
            '4:8: "under" is for comp; drums has no use for it',
        ),
        (
            'line = "1:chord"',
            'on = "banjo"\nline = "1:chord"',
            '11:6: "banjo" is not a comping instrument',
        ),
        (
            "[[drums]]",
            '[[riff]]\nline = "1:R 2:Q"\n[[drums]]',
            '4:13: "Q" is not a bass note; write R, a degree such as 5',
        ),
        (
            "[[drums]]",
            '[[stop]]\nline = "1:R 4:to"\n[[drums]]',
            "4:8: this line moves with the chord; to does not",
        ),
        (
            "[[drums]]",
            '[[riff]]\nlin = "1:R"\n[[drums]]',
            '4:1: "lin" is not a key here; did you mean "line"?',
        ),
        ("[[drums]]", '[[riff]]\nline = "1:R | 1:R"\n[[drums]]', "4:8: this line must be one bar"),
        ('"Mine"', '"Mine"\nmeter = "4/8"', '2:9: "4/8" is not a meter; did you mean "4/4"?'),
        ('"Mine"', '"Mine"\ncomp-sound = "pano"', '2:14: "pano" is not a comping instrument; did'),
    ],
)
def test_a_bad_groove_file(tmp_path: Path, old: str, new: str, message: str) -> None:
    assert old in GOOD
    path = _write(tmp_path, GOOD.replace(old, new, 1))
    with pytest.raises(TextFileError) as caught:
        load_groove(path)
    lines = str(caught.value).splitlines()
    assert any(line.startswith(f"{path}:{message}") for line in lines), lines


def test_two_hands_and_two_feet_may_meet(tmp_path: Path) -> None:
    four = '"1"\nsnare = "1"\nkick = "1"\nhat-foot = "1"'
    groove = load_groove(_write(tmp_path, GOOD.replace('"1 2 3 4"', four)))
    assert len(groove.drums[0].lanes) == 4
