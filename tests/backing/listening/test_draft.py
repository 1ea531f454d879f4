"""What is played becomes a phrase file: the library, played by the synthesiser, is caught again.

The notes that are played are the phrase file's own, so the file is the witness; that they were put
together by program makes bends and legato cleaner than a hand's.
"""

from __future__ import annotations

import json
import random
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

import backing
from backing.cli import main
from backing.events import Note, Stream
from backing.grooves import find_groove
from backing.listening.counted import Counted, Grid, kept
from backing.listening.draft import Caught, Writer, bars_of, catch
from backing.listening.ears import listen
from backing.listening.moves import Hand, Turn
from backing.listening.plucks import Pluck, partials
from backing.listening.rings import alone
from backing.listening.source import Memory, TakeError
from backing.listening.written import Segment, unbroken
from backing.live.reel import Begin
from backing.recording.slate import Slate, write_slate
from phrases.errors import RangeError
from phrases.files import find_phrase, load_phrase, read_phrase
from phrases.fretboard import fret_pitch
from phrases.hands import held
from phrases.pitch import parse_key
from tests.backing.listening.material import RATE, Slips, again, lead, sound, sounded, student

SHUFFLE = find_groove("shuffle")


@lru_cache
def played(name: str, voice: str = "soundfont") -> tuple[Stream, np.ndarray[Any, Any]]:
    stream = backing.loop(name, shape="hold", passes=1)
    return stream, sound(lead(stream), stream, voice=voice)


def caught(name: str, voice: str = "soundfont", **how: Any) -> Caught:
    stream, guitar = played(name, voice)
    phrase = load_phrase(name)
    known: dict[str, Any] = {"bars": bars_of(stream, unbroken(stream)), **how}
    return catch(
        Memory(guitar, RATE), key=phrase.key, groove=find_groove(phrase.groove),
        tempo=phrase.tempo, **known,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("name", "voice"),
    [
        ("lamp-oil", "soundfont"),
        ("kettle-spout", "strings"),
        ("back-step", "strings"),
        ("warm-skillet", "strings"),  # one string of a double stop trembles
    ],
)
def test_a_phrase_that_is_played_is_caught_as_it_is_written(name: str, voice: str) -> None:
    """Pickup, swing, triplets, slow and quick bends, releases, vibrato, a hammered grace note."""
    phrase, found = load_phrase(name), caught(name, voice)
    same = again(phrase, found.phrase)
    assert (same.right, same.moves_right) == (same.notes, same.moves), same.rest
    assert (same.more, same.moves_more) == (0, 0), same.rest
    parts = [(part.role, part.bars) for part in found.phrase.parts]
    assert parts == [(part.role, part.bars) for part in phrase.parts]
    assert read_phrase(found.text) == found.phrase


def test_double_stops_are_caught_with_both_strings() -> None:
    found = caught("churn-handle", "strings").phrase.parts[0].strokes
    assert [len(stroke.notes) for stroke in found[:2]] == [2, 2]
    assert all(note.moves[0].sign == "/" for note in found[0].notes)


def test_where_bars_begin_is_looked_for_and_said_to_be_a_guess() -> None:
    found = caught("back-step", bars=())
    assert any("--bar-one" in doubt for doubt in found.doubts)
    assert "# where bars begin is a guess" in found.text
    beats = [stroke.at for part in found.phrase.parts for stroke in part.strokes]
    written = [stroke.at for part in load_phrase("back-step").parts for stroke in part.strokes]
    assert [at % 1 for at in beats] == [at % 1 for at in written]


def test_it_is_written_where_the_hand_is_asked_to_be() -> None:
    found = caught("lamp-oil", position=8).phrase
    assert {grip.position for part in held(found) for grip in part} <= set(range(7, 11))
    same = again(load_phrase("lamp-oil"), found)
    assert same.right == same.notes
    with pytest.raises(RangeError, match="position 16"):
        caught("lamp-oil", position=16)


def tones(*pitches: float) -> np.ndarray[Any, Any]:
    """Return four strokes of some strings, a second apart: 12 partials that die away."""
    seconds = np.arange(RATE) / RATE
    one = sum(
        np.sin(2 * np.pi * n * 440 * 2 ** ((p - 69) / 12) * seconds) / n
        for p in pitches
        for n in range(1, 13)
    )
    stroke = np.asarray(one) * np.exp(-3 * seconds) * np.minimum(1, 400 * (seconds - 0.0))
    return np.tile(stroke * 0.1, 4).astype(np.float32)


@pytest.mark.parametrize(
    ("sound", "told"),
    [(tones(55, 59, 65), "there are chords in it"), (np.zeros(2 * RATE), "no note is heard")],
    ids=["chords", "silence"],
)
def test_what_cannot_be_caught_is_refused_with_words(
    sound: np.ndarray[Any, Any], told: str
) -> None:
    with pytest.raises(TakeError, match=told):
        catch(Memory(sound, RATE), key=parse_key("A"), groove=SHUFFLE, tempo=Fraction(60))


@pytest.mark.parametrize(
    ("chord", "voice"),
    [
        ("E0 A2 D2", "strings"),
        ("A0 D2 G2", "soundfont"),
        ("D2 G1 B0", "soundfont"),
        ("D7 G5 B5", "strings"),
    ],
)
def test_chords_of_three_strings_are_refused(chord: str, voice: str) -> None:
    """Root, fifth and octave too, though all that the octave sounds the root has as well."""

    def strokes(words: str) -> list[Note]:
        return [
            Note(f"lead {word[0]}", n + 0.5, n + 1.3, fret_pitch(word[0], int(word[1:])), 96)
            for n in range(3)
            for word in words.split()
        ]

    def taken(words: str) -> Caught:
        guitar = Memory(sound(strokes(words), played("lamp-oil")[0], voice=voice), RATE)
        return catch(guitar, key=parse_key("A"), groove=SHUFFLE, tempo=Fraction(60))

    with pytest.raises(TakeError, match=r"there are chords in it, the first at 0:00\.5: a phrase"):
        taken(chord)
    found = taken(" ".join(chord.split()[:2])).phrase
    assert {len(s.notes) for part in found.parts for s in part.strokes} == {2}


def test_a_hand_that_touches_the_strings_plays_no_notes() -> None:
    """Strings ring on under the next note, too, and are no double stops."""
    stream = played("lean-to")[0]
    slips = Slips(spread=0.01, ring=0.3, noises=1.0, seed=2)
    guitar = sound(sounded(student(lead(stream), slips), slips), stream, voice="strings")
    phrase = load_phrase("lean-to")
    found = catch(
        Memory(guitar, RATE), key=phrase.key, groove=find_groove(phrase.groove),
        tempo=phrase.tempo, bars=bars_of(stream, unbroken(stream)),
    )  # fmt: skip
    same = again(phrase, found.phrase)
    assert (same.right, same.more, same.moves_more) == (same.notes, 0, 0), same.rest
    assert same.moves_right >= 0.8 * same.moves, same.rest


@pytest.mark.parametrize("pitches", [(64,), (59, 64), (60, 64)])
def test_one_and_two_strings_are_told_apart(pitches: tuple[int, ...]) -> None:
    found = catch(
        Memory(tones(*pitches), RATE), key=parse_key("A"), groove=SHUFFLE, tempo=Fraction(60)
    )
    assert {len(s.notes) for part in found.phrase.parts for s in part.strokes} == {len(pitches)}


def test_picks_closer_than_a_pitch_takes_are_no_trouble() -> None:
    """Twenty strokes a second, each stopped by the next."""
    burst = np.tile(tones(64)[: RATE // 20], 20)
    guitar = np.concatenate([tones(64), burst, np.zeros(RATE, np.float32)])
    found = catch(Memory(guitar, RATE), key=parse_key("A"), groove=SHUFFLE, tempo=Fraction(60))
    assert read_phrase(found.text) == found.phrase
    assert len(partials(listen(Memory(guitar, RATE)), 1.2, 1.1)) == 0


def test_a_string_that_rings_on_is_taken_out_of_the_next_note() -> None:
    """It dies away under it, a third below: alone the new note is clear, and where it is."""
    low, high = (tones(pitch)[:RATE] for pitch in (60, 64))
    half = RATE // 2
    guitar = np.concatenate([low[:half], low[half:] + 0.3 * high[:half]])
    ears = listen(Memory(guitar, RATE))
    found = alone(ears, 0.5, 1.0, [6000.0, 6700.0])
    assert found.pitched(0.53, 0.8, 0.05) == pytest.approx(6400, abs=8)
    assert np.isnan(ears.pitched(0.53, 0.8, 0.05)).all()
    assert alone(ears, 0.5, 1.0, [6700.0]) is ears


def test_a_pause_moves_the_bars_after_it() -> None:
    stream = backing.track(key="A", tempo=120, choruses=1)
    bar = 2.0
    rows = [Segment(0, 0.0), Segment(1, bar, until=bar + 5.0), Segment(1, bar + 8.0, 5.0)]
    found = bars_of(stream, rows)
    assert found[:5] == pytest.approx([0.0, 2.0, 4.0, 6.0, 11.0])


def test_whatever_is_heard_makes_a_draft_that_reads() -> None:
    """Made-up hands, most of which no player has: what cannot be written is a doubt."""
    chance = random.Random(4)
    signs = ["b", "r", "h", "p", "/", "\\", "~", "~~", "tr"]
    for _ in range(25):
        played, at = [], 2.0
        for _ in range(chance.randint(1, 9)):
            pitch = 100.0 * chance.randint(40, 80)
            pitches = (pitch, pitch + 100 * chance.randint(3, 9))[: chance.choice((0, 1, 1, 1, 2))]
            length, since, turns = chance.uniform(0.1, 2.0), 0.0, []
            for _ in range(chance.choice((0, 0, 1, 2, 4))):
                since += chance.uniform(0.0, 0.4)
                cents = chance.choice((50.0, 100.0, 200.0, 300.0))
                if (sign := chance.choice(signs)) in "hp/\\tr" and sign != "r":
                    cents = chance.choice((0.0, pitch + 100 * chance.randint(-5, 5)))
                turns.append(Turn(sign, at + since, at + since + 0.05, cents))
            hand = Hand(pitch, chance.choice((0.0, 0.0, 200.0)), turns)
            pluck = Pluck(at, at + length, pitches, pitch, raked=chance.random() < 0.1)
            played.append(Counted(pluck, hand, second=at))
            at += length + chance.choice((0.0, 0.0, 1.5))
        grid = Grid(Fraction(92), SHUFFLE, 1.9, [60 / 92 * 4 * n for n in range(12)])
        grid.count(played)
        writer = Writer(parse_key("A"), SHUFFLE, Fraction(92), "Made up", None, [], "shuffle")
        found = writer.write(kept(played))
        assert read_phrase(found.text) == found.phrase


# --- the commands -----------------------------------------------------------------


def run(*words: object) -> Result:
    return CliRunner().invoke(main, [*map(str, words)])


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("takes") / "my-take.wav"
    soundfile.write(path, played("back-step")[1], RATE)
    return path


def test_a_take_that_knows_what_it_was_played_over(take: Path, tmp_path: Path) -> None:
    stream, _ = played("back-step")
    own = tmp_path / "my-take.wav"
    own.write_bytes(take.read_bytes())
    rows: list[list[float | None]] = [
        [n, float(s.start), 0.0, 1.0, None] for n, s in enumerate(stream.sections)
    ]
    words = ["loop", "back-step", "--shape", "hold", "--passes", "1"]
    text = find_phrase("back-step").read_text(encoding="utf-8")
    frames = soundfile.info(own).frames
    write_slate(own, Slate(words, text, RATE, frames, True, rows, "2026-01-01T00:00:00+00:00"))
    out = tmp_path / "mine.toml"
    result = run("catch", own, "-o", out, "--json")
    assert result.exit_code == 0, result.output
    said = json.loads(result.stdout)
    assert (said["notes"], said["bars"], said["doubts"]) == (14, 4, [])
    found = load_phrase(out)
    assert (found.title, float(found.tempo), found.groove) == ("My take", 92.0, "shuffle")
    assert again(load_phrase("back-step"), found).right == 14
    there = run("catch", own, "-o", out)
    assert (there.exit_code, "--force" in there.output) == (1, True)


def test_a_draft_over_a_groove_of_ones_own_plays(
    take: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    shuffle = Path(backing.__file__).parent / "grooves" / "shuffle.toml"
    Path("own.toml").write_bytes(shuffle.read_bytes())
    Path("deep").mkdir()
    words = ["--key", "A", "--groove", "./own.toml", "--tempo", "92"]
    result = run("catch", take, *words, "-o", "deep/mine.toml")
    assert result.exit_code == 0, result.output
    result = run("demo", "deep/mine.toml", "-o", "mine.mid")
    assert result.exit_code == 0, result.output


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        ([], 2, "nothing beside"),
        (["--key", "A"], 2, "say --groove, --tempo"),
        (["--key", "A", "--groove", "shuffle", "--tempo", "9"], 2, "tempo 9"),
        (["--key", "H", "--groove", "shuffle", "--tempo", "90"], 2, "H"),
    ],
)
def test_what_it_was_played_over_must_be_said(
    take: Path, tmp_path: Path, words: list[str], code: int, told: str
) -> None:
    result = run("catch", take, "-o", tmp_path / "x.toml", *words)
    assert (result.exit_code, told in result.output) == (code, True), result.output
    assert not [*tmp_path.iterdir()]


def test_a_solo_over_a_track_is_caught_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The sound card is a stand-in that plays a phrase of the library over the second line."""
    phrase = backing.loop("back-step", shape="hold", passes=1)

    class Card:
        name, rate, inputs, round_trip, gaps = "a cable", RATE, 1, 0.0, 0

    def play(stream: Stream, *, recorder: Any, **_more: object) -> None:
        late = float(stream.sections[1].start + 4 * 4 * 60 / stream.sections[1].tempo)
        early = float(phrase.sections[1].start)
        guitar = sound(lead(phrase), phrase)
        whole = np.concatenate([np.zeros(round((late - early) * RATE), np.float32), guitar])
        recorder.opened(Card())
        recorder.told(
            [
                Begin(round(s.start * RATE), n, Fraction(0), Fraction(1))
                for n, s in enumerate(stream.sections)
            ]
        )
        for start in range(0, len(whole), 4410):
            recorder.heard(whole[start : start + 4410, np.newaxis], start)
            recorder.played(np.zeros((4410, 2), np.float32))
        recorder.finish()

    monkeypatch.setattr("backing.live.play.play", play)
    monkeypatch.setattr("backing.live.card.Opening", lambda *_: SimpleNamespace(abandon=int))
    words = ["record", "track", "--key", "A", "--tempo", "92", "--choruses", "1", "--catch"]
    result = run(*words, "--no-mix", "--take", tmp_path / "solo.wav")
    assert result.exit_code == 0, result.output
    found = load_phrase(tmp_path / "solo.toml")
    same = again(load_phrase("back-step"), found)
    assert (same.right, found.groove) == (same.notes, "shuffle"), same.rest
    assert [part.role for part in found.parts] == ["call", "response"]
