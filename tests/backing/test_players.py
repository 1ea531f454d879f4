"""Bass and comping bar by bar: small bars that a plan would seldom have, one property each.

Expectations are common practice, from memory.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from backing.band import Band, Bar
from backing.band.comp import Comper
from backing.events import Note
from backing.grooves import load_groove
from backing.harmony import QUALITIES, Chord
from backing.tempo import Clock
from phrases.pitch import Key, degree_semitones
from tests.backing.material import voice

A = Key("A")
ONE = Chord("1", "7")
CLOCK = Clock(Fraction(60), 1.0)  # a beat is a second
PLAIN = Bar(((Fraction(0), ONE),), ONE)


def groove(folder: Path, *, bass: str = "1:R", comp: str = "1:chord", kick: str = "1") -> Path:
    path = folder / "mine.toml"
    path.write_text(
        f"title = 'Mine'\ntempos = [60, 60, 60]\n[[drums]]\nwhen = 'bar'\nkick = '{kick}'\n"
        f"[[bass]]\nwhen = 'bar'\nline = '{bass}'\n[[comp]]\nwhen = 'bar'\nline = '{comp}'\n",
        encoding="utf-8",
    )
    return path


def played(path: Path, name: str, *bars: Bar, seed: int = 1) -> list[Note]:
    band = Band(load_groove(path), A, seed, comp="organ", looseness=0.0)
    return voice(band.play(list(bars), CLOCK), name)


def struck(notes: list[Note]) -> list[float]:
    return sorted({round(note.start, 3) for note in notes})


def test_an_octave_on_the_one_lies_over_the_root_before(tmp_path: Path) -> None:
    bass = played(groove(tmp_path, bass="1:8 3:R"), "bass", *[PLAIN] * 3)
    ones, roots = bass[2::2], bass[1::2]
    assert {low.pitch for low in roots} == {33}
    assert {high.pitch for high in ones} == {45}


def test_a_riff_is_played_in_its_degrees(tmp_path: Path) -> None:
    path = groove(tmp_path)
    text = path.read_text(encoding="utf-8") + "[[riff]]\nline = '1:R 2:b3 3:4 4:5'\n"
    path.write_text(text, encoding="utf-8")
    (riff,) = load_groove(path).riffs
    for degree, root in (("1", 9), ("4", 2), ("5", 4)):  # A, D, E
        chord = Chord(degree, "7")
        bar = replace(PLAIN, chords=((Fraction(0), chord),), following=chord, line=riff)
        bass = played(path, "bass", bar)
        assert [(note.pitch - bass[0].pitch, note.start) for note in bass] == [
            (0, 0.0), (3, 1.0), (5, 2.0), (7, 3.0)
        ]  # fmt: skip
        assert bass[0].pitch % 12 == root


@pytest.mark.parametrize("agreed", [True, False])
def test_a_kick_that_all_agreed_on_is_met_by_the_bass_each_time(
    agreed: bool, tmp_path: Path
) -> None:
    bar = replace(PLAIN, hits=(Fraction(5, 2),) if agreed else ())
    path = groove(tmp_path, kick="1 3&")
    met = [2.5 in struck(played(path, "bass", bar, seed=seed)) for seed in range(40)]
    assert all(met) if agreed else 10 < sum(met) < 38  # six of ten else


def test_a_stroke_ends_before_the_next(tmp_path: Path) -> None:
    path = groove(tmp_path, bass="1:R 2:5 3:6", comp="1:chord 3:chord")
    for name, starts in (("comp", [0.0, 2.0]), ("bass", [0.0, 1.0, 2.0])):
        notes = played(path, name, PLAIN)
        assert struck(notes) == starts
        for note in notes:
            after = next((start for start in (*starts, 4.0) if start > note.start), 4.0)
            assert 0.9 < (note.end - note.start) / (after - note.start) < 1.0


@pytest.mark.parametrize(
    ("low", "high", "wanted"),
    [(0, 2, [1.0, 1.5, 2.0, 3.0]), (2, 4, [0.0, 1.0, 3.0, 3.5]),
     (3, 4, [0.0, 1.0, 2.0, 3.0, 3.5])],
)  # fmt: skip
def test_an_answer_is_two_strokes_in_its_last_beat_and_rest_before(
    low: int, high: int, wanted: list[float], tmp_path: Path
) -> None:
    path = groove(tmp_path, comp="1:chord. 2:chord. 3:chord. 4:chord.")
    bar = replace(PLAIN, answer=((Fraction(low), Fraction(high)), "comp"))
    assert struck(played(path, "comp", bar)) == wanted


# The groove strikes where the rest begins, later in it, or never.
@pytest.mark.parametrize(("comp", "wanted"), [("1 3", 2.0), ("1 4", 3.0), ("1", 2.0)])
def test_under_a_phrase_a_rest_has_one_stroke_of_the_groove_or_one_of_its_own(
    comp: str, wanted: float, tmp_path: Path
) -> None:
    bar = replace(PLAIN, when=("under", "bar"), sounding=((Fraction(0), Fraction(2)),))
    line = " ".join(f"{count}:chord." for count in comp.split())
    notes = played(groove(tmp_path, comp=line), "comp", bar)
    rests = [note for note in notes if note.start >= 2]
    assert struck(rests) == [wanted]
    assert len({note.pitch for note in rests}) == len(rests)  # struck once


@pytest.mark.parametrize("quality", QUALITIES)
def test_a_shell_is_guide_tones_alone(quality: str, tmp_path: Path) -> None:
    comper = Comper("organ", load_groove(groove(tmp_path)), A, 1, 0.0)
    chord = Chord("1", quality)
    guides = {degree_semitones(chord.member(degree)) for degree in ("3", "7")}
    shell = comper._held(chord, "shell")
    assert shell
    assert {(pitch - 9) % 12 for pitch in shell} <= guides


def test_ghosts_leave_room_while_the_phrase_sounds_and_the_backbeat_stays(tmp_path: Path) -> None:
    path = groove(tmp_path)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("kick = '1'", "snare = '(1&) 2 (3&) 4'"), encoding="utf-8")
    under = replace(PLAIN, when=("under", "bar"), sounding=((Fraction(0), Fraction(2)),))
    assert struck(played(path, "drums", PLAIN)) == [0.5, 1.0, 2.5, 3.0]
    assert struck(played(path, "drums", under)) == [1.0, 2.5, 3.0]


def test_a_hand_doubles_the_accents_of_a_riff_where_the_phrase_leaves_room(tmp_path: Path) -> None:
    path = groove(tmp_path)
    text = path.read_text(encoding="utf-8") + "[[riff]]\nline = '1:R> 2:b3 3:4> 4:5'\n"
    path.write_text(text, encoding="utf-8")
    (riff,) = load_groove(path).riffs
    bar = replace(PLAIN, line=riff)
    assert struck(played(path, "comp", bar)) == [0.0, 2.0]
    under = replace(bar, when=("under", "bar"), sounding=((Fraction(0), Fraction(2)),))
    assert struck(played(path, "comp", under)) == [2.0]
