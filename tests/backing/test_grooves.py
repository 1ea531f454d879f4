from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pretty_midi
import pytest

from backing.grooves import DRUMS, find_groove, groove_names, load_groove
from backing.grooves.groove import PROGRAMS, WHEN
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


def test_an_unknown_groove_names_the_nearest() -> None:
    with pytest.raises(ChoiceError, match=r'^"shufle" is not a groove; did you mean "shuffle"\?'):
        find_groove("shufle")


@pytest.mark.parametrize("name", groove_names())
def test_what_ships_has_something_for_every_place(name: str) -> None:
    groove = find_groove(name)
    low, usual, high = groove.tempos
    assert 30 <= low < usual < high <= 240
    assert {p.when for p in groove.drums} == set(WHEN) - {"change"}
    assert {"bar", "change", "end"} <= {p.when for p in groove.bass}
    assert {"bar", "end"} <= {p.when for p in groove.comp}


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


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
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
            '1:1: there is no [[bass]] with when = "bar"',
        ),
        (
            '"1:R 3:5"',
            '"1:R 3:5 | 1:5"',
            '1:1: there is no [[bass]] with when = "bar" that is one bar long',
        ),
        (
            '"1 2 3 4"',
            '"1 2 | 1 2"',
            "3:1: this pattern must be one bar long; only a bass line may be longer",
        ),
        ("[80, 100, 120]", "[80, 120, 100]", "2:10: write the lowest, usual and highest tempo: ["),
        ('"Mine"', '"Mine"\nswing = "5:1"', '2:9: swing "5:1" must lie from 1:1 (straight) to 4'),
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
