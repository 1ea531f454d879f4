"""A take as a file: what lies beside it, what is refused, what is written."""

from __future__ import annotations

import json
import re
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

import backing
from backing.cli import main
from backing.events import Stream
from backing.formats import REVIEWS
from backing.live.reel import Begin
from backing.recording.slate import Slate, read_slate, segments, slate_name, write_slate
from phrases.files import find_phrase
from tests.backing.listening.material import RATE, Slips, lead, sound, sounded, student

FLAT = Slips(bends=(-60.0,))
WORDS = ["loop", "lamp-oil", "--to", "80", "--shape", "hold", "--passes", "1"]


@pytest.fixture(scope="module")
def stream() -> Stream:
    return backing.loop("lamp-oil", goal=80, shape="hold", passes=1)


@pytest.fixture(scope="module")
def played(stream: Stream, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A take with a flat bend in it, of another guitar than the backing's."""
    path = tmp_path_factory.mktemp("take") / "take.wav"
    notes = sounded(student(lead(stream), FLAT), FLAT)
    soundfile.write(path, sound(notes, stream, "driven"), RATE)
    return path


def hear(*words: object) -> Result:
    return CliRunner().invoke(main, ["hear", *map(str, words)])


def slate(take: Path, rows: list[list[float | None]]) -> Slate:
    frames = soundfile.info(take).frames
    text = find_phrase("lamp-oil").read_text(encoding="utf-8")
    return Slate(WORDS, text, RATE, frames, True, rows, "2026-01-01T00:00:00+00:00")


def copied(played: Path, folder: Path) -> Path:
    take = folder / "take.wav"
    take.write_bytes(played.read_bytes())
    return take


def test_a_take_from_elsewhere_is_laid_against_what_is_named(played: Path, tmp_path: Path) -> None:
    sound, rate = soundfile.read(played)
    take = tmp_path / "phone.wav"
    rest, more = np.zeros(round(1.7 * rate)), sound[-round(6 * rate) :]  # of seven notes
    soundfile.write(take, np.concatenate([rest, sound, rest, more]), rate)
    result = hear(take, "lamp-oil", "--tempo", 80)  # a phrase alone is played once
    assert result.exit_code == 0, result.output
    (said,) = re.findall("not .*", result.output)  # none of them is told as not written
    # A note that rings into another may not be told from it.
    assert re.fullmatch("not judged: [567] notes before it begins or after it ends", said)
    assert "good: every one of the 15 notes is there" in result.output
    assert "the bend stops" in result.output
    assert "all of it" not in result.output  # nobody knows where it should begin


def test_whoever_plays_on_into_the_next_pass_is_not_told_so(tmp_path: Path) -> None:
    """The pickup of what comes again lies in the last bar of what was to be played once."""
    twice = backing.loop("lamp-oil", goal=80, shape="hold", passes=2)
    frames = round(float(twice.music[1].start) * RATE)
    take = tmp_path / "on.wav"
    soundfile.write(
        take, sound(sounded(student(lead(twice), Slips()), Slips()), twice)[:frames], RATE
    )
    found = json.loads(hear(take, *WORDS, "--json").stdout)
    assert found["extra"] == []
    assert {note["how"] for note in found["notes"] if note["kind"] == "pick"} == {"played"}


def test_what_sounds_at_the_first_sample_began_before_it(
    played: Path, stream: Stream, tmp_path: Path
) -> None:
    sound, rate = soundfile.read(played)
    first = min(note.start for note in lead(stream))
    take = tmp_path / "phone.wav"
    soundfile.write(take, sound[round((first + 1.4) * rate) :], rate)
    result = hear(take, *WORDS)
    assert "begins after the first" in result.output
    assert "not written" not in result.output


def test_a_take_with_its_slate_needs_no_words(
    played: Path, stream: Stream, tmp_path: Path
) -> None:
    take = copied(played, tmp_path)
    rows = segments([Begin(round(s.start * RATE), n, s.start * 0, s.start * 0 + 1)
                      for n, s in enumerate(stream.sections)], RATE, 10**9)  # fmt: skip
    write_slate(take, slate(take, rows))
    result = hear(take, "--json")
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    assert found["title"] == "Lamp oil"
    assert {note["how"] for note in found["notes"] if note["kind"] == "pick"} == {"played"}
    assert any(bend["off"] < -50 for note in found["notes"] for bend in note["bends"])
    log = (tmp_path / "takes.jsonl").read_text(encoding="utf-8").splitlines()
    assert json.loads(log[0])["there"] == 1.0
    assert "Lamp oil in C: 100% of the notes" in hear(take, "--history").output


def test_half_a_take_is_judged_and_the_rest_is_told(played: Path, tmp_path: Path) -> None:
    sound, rate = soundfile.read(played)
    take = tmp_path / "half.wav"
    soundfile.write(take, sound[: len(sound) * 6 // 10], rate)
    result = hear(take, *WORDS)
    assert result.exit_code == 0, result.output
    found = re.search(r"the take ends before the last (\d+) of 15 notes; they are", result.output)
    assert found
    assert f"every one of the {15 - int(found[1])} notes is there" in result.output


def test_a_take_that_begins_late_and_clips_is_told_so(played: Path, tmp_path: Path) -> None:
    sound, rate = soundfile.read(played)
    take = tmp_path / "late.wav"
    loud = sound[len(sound) * 3 // 10 :] * 1.2 / np.abs(sound).max()
    soundfile.write(take, np.clip(loud, -1.0, 1.0), rate)
    result = hear(take, *WORDS)
    assert result.exit_code == 0, result.output
    found = re.search(
        r"the take begins after the first (\d+) of 15 notes; they are", result.output
    )
    assert found
    assert f"every one of the {15 - int(found[1])} notes is there" in result.output
    assert "it clips: turn the input down" in result.output


def test_hiss_is_no_take(played: Path, stream: Stream, tmp_path: Path) -> None:
    """The pickup's hiss has onsets everywhere, but none of the notes."""
    take = tmp_path / "take.wav"
    hiss = np.random.default_rng(1).standard_normal(soundfile.info(played).frames) * 0.0005
    soundfile.write(take, hiss, RATE)
    write_slate(take, slate(take, [[n, float(s.start), 0.0, 1.0, None]
                                   for n, s in enumerate(stream.sections)]))  # fmt: skip
    result = hear(take)
    assert result.exit_code == 1, result.output
    assert 'this does not sound like "Lamp oil"' in result.output


def test_a_pause_in_the_playing_moves_what_comes_after_it(
    played: Path, stream: Stream, tmp_path: Path
) -> None:
    """Stopped after the count-in for two seconds: the slate says so and all is found."""
    sound, rate = soundfile.read(played)
    second = float(stream.sections[1].start)
    cut = round((second + 2.5) * rate)  # in the call, after its first long note
    take = tmp_path / "take.wav"
    soundfile.write(take, np.concatenate([sound[:cut], np.zeros(2 * rate), sound[cut:]]), rate)
    rows: list[list[float | None]] = [
        [0, 0.0, 0.0, 1.0, None],
        [1, second, 0.0, 1.0, second + 2.5],
        [1, second + 4.5, 2.5, 1.0, None],
    ]
    write_slate(take, slate(take, rows))
    result = hear(take, "--json")
    assert result.exit_code == 0, result.output
    assert {n["how"] for n in json.loads(result.stdout)["notes"] if n["kind"] == "pick"} == {
        "played"
    }


def test_segments_end_where_the_sound_was_cut() -> None:
    history: list[int | Begin] = [
        Begin(0, 0, *_exact(0.0)), Begin(44100, 1, *_exact(0.0)), 66150,
        Begin(88200, 1, *_exact(0.5)), Begin(10**9, 2, *_exact(0.0)),
    ]  # fmt: skip
    assert segments(history, 44100, 200_000) == [
        [0, 0.0, 0.0, 1.0, 1.5], [1, 1.0, 0.0, 1.0, 1.5], [1, 2.0, 0.5, 1.0, None],
    ]  # fmt: skip


def test_a_segment_at_another_tempo_goes_on_where_the_one_before_is_cut() -> None:
    history: list[int | Begin] = [
        Begin(0, 0, *_exact(0.0)), 44100, Begin(44100, 0, Fraction(1), Fraction(51, 50)),
    ]  # fmt: skip
    assert segments(history, 44100, 200_000) == [
        [0, 0.0, 0.0, 1.0, 1.0], [0, 1.0, 1.0, 1.02, None],
    ]  # fmt: skip


def _exact(offset: float) -> tuple[Fraction, Fraction]:
    return Fraction(offset), Fraction(1)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["loop", "lamp-oil", "--key", "D", *WORDS[2:]], "it fits 2 semitones lower"),
        (["loop", "cellar-steps", *WORDS[2:]], "this does not sound like"),
        (["track"], "a track has no phrase"),
        (["lope", "lamp-oil"], "lope"),
        ([], "nothing beside"),
    ],
)
def test_what_does_not_fit_is_refused_with_words(
    played: Path, words: list[str], told: str
) -> None:
    result = hear(played, *words)
    assert result.exit_code in (1, 2), result.output
    assert told in result.output
    assert not isinstance(result.exception, AssertionError)


@pytest.mark.parametrize(
    ("make", "told"),
    [
        (lambda p: soundfile.write(p, np.zeros(2 * RATE), RATE), "nothing is heard in it"),
        (lambda p: soundfile.write(p, np.ones(100), RATE), "shorter than a second"),
        (lambda p: p.write_text("hello"), "not a sound file; name one that is WAV"),
        (lambda p: None, "there is no such file"),
        (
            lambda p: soundfile.write(p, np.full(2 * RATE, np.nan, "f4"), RATE, "FLOAT"),
            "values that are no numbers",
        ),
        (lambda p: soundfile.write(p, np.ones(9000) / 2, 4000), "it takes 8000 or more"),
    ],
    ids=["silent", "short", "text", "missing", "nan", "rate"],
)
def test_what_is_no_take_is_refused(make: object, told: str, tmp_path: Path) -> None:
    take = tmp_path / "take.wav"
    assert callable(make)
    make(take)
    result = hear(take, *WORDS)
    assert result.exit_code == 1, result.output
    assert told in result.output
    assert [path.name for path in tmp_path.iterdir()] in ([], ["take.wav"])


@pytest.mark.parametrize("text", ["", "{}", "[1]", '{"kind": "another"}', "[" * 100_000])
def test_a_damaged_slate_is_refused(played: Path, tmp_path: Path, text: str) -> None:
    take = copied(played, tmp_path)
    slate_name(take).write_text(text, encoding="utf-8")
    result = hear(take)
    assert result.exit_code == 1, result.output
    assert "does not say what take.wav was played over" in result.output


def test_what_is_written_is_read_again(played: Path, tmp_path: Path) -> None:
    take = copied(played, tmp_path)
    told = slate(take, [[0, 0.0, 0.0, 1.0, None], [1, 2.5, 0.0, 1.0, 9.0]])
    write_slate(take, told)
    assert read_slate(take) == told


def test_the_review_is_written_in_words_and_pictures(played: Path, tmp_path: Path) -> None:
    files = [tmp_path / f"review{suffix}" for suffix in REVIEWS]
    options = [word for file in files for word in ("-o", file)]
    result = hear(played, *WORDS, *options)
    assert result.exit_code == 0, result.output
    page, picture, text = (file.read_text(encoding="utf-8") for file in files)
    assert "the bend stops" in page
    assert "Larrouy-Maestri 2018" in page  # each limit names its source
    root = ElementTree.fromstring(picture)
    shapes = [one.get("class") for one in root.iter()]
    assert shapes.count("band") == 1 + 15  # the legend's, and every written note
    assert shapes.count("line") >= 1 + 15  # and a line over each
    words = {"".join(one.itertext()) for one in root.iter() if one.tag.endswith("text")}
    assert {"written", "played", "not heard", "another note", "not written"} <= words
    assert {"call, bar 1", "response, bar 1", "pass 1", "early", "late", "sharp", "flat"} <= words
    assert all("prefers-color-scheme:dark" in one for one in (page, picture))
    assert sum("bar 1" in line for line in text.splitlines()) >= 5
    # The program's own are replaced unasked; a text, which may have been edited, is not.
    assert hear(played, *WORDS, "-o", files[0]).exit_code == 0
    again = hear(played, *WORDS, "-o", files[2])
    assert again.exit_code == 1
    assert "--force" in again.output
    assert hear(played, *WORDS, "-o", tmp_path / "review.pdf").exit_code == 2


def test_the_backing_in_the_room_is_taken_out(stream: Stream, tmp_path: Path) -> None:
    """A loudspeaker 3 ms away, dull, in a room that answers, 15 dB under the guitar."""
    file = tmp_path / "backing.wav"
    backing.write(stream, [file])
    band, _ = soundfile.read(file, dtype="float32")
    chance = np.random.default_rng(3)
    room = chance.standard_normal(8000) * np.exp(-np.arange(8000) / 1500) * 0.03
    room[132] += 1
    air = np.fft.irfft(np.fft.rfft(band.mean(axis=1), 1 << 22) * np.fft.rfft(room, 1 << 22))
    slips = Slips(spread=0.02, dropped=0.15, seed=2)
    notes = sounded(student(lead(stream), slips), slips)
    guitar = sound(notes, stream)
    air = air[: len(guitar)] / np.abs(air).max() * 0.5 * 10 ** (-15 / 20)
    take = tmp_path / "take.wav"
    soundfile.write(take, guitar + air, RATE)
    rows: list[list[float | None]] = [
        [n, float(s.start), 0.0, 1.0, None] for n, s in enumerate(stream.sections)
    ]
    write_slate(take, slate(take, rows))
    found = json.loads(hear(take, "--json").stdout)
    assert any("came in through the air" in line for line in found["said"])
    missed = [note["how"] for note in found["notes"]].count("missed")
    dropped = sum(one.dropped for one in student(lead(stream), Slips(0.02, 0.15, seed=2)))
    assert missed == dropped > 0
    assert len(found["extra"]) <= 1


@pytest.mark.parametrize("what", ["loop", "trade"])
def test_a_recording_is_heard_at_once(
    what: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The sound card is a stand-in; in a trade only the student's turns are listened for."""

    class Card:
        name, rate, inputs, round_trip, gaps = "a cable", RATE, 1, 0.0, 0

    def play(stream: Stream, *, recorder: Any, **_more: object) -> None:
        guitar = sound(sounded(student(lead(stream, turns=what == "trade"), FLAT), FLAT), stream)
        recorder.opened(Card())
        recorder.told(
            [Begin(round(s.start * RATE), n, *_exact(0)) for n, s in enumerate(stream.sections)]
        )
        for start in range(0, len(guitar), 4410):
            recorder.heard(guitar[start : start + 4410, np.newaxis], start)
            recorder.played(np.zeros((4410, 2), np.float32))
        recorder.finish()

    monkeypatch.setattr("backing.live.play.play", play)
    monkeypatch.setattr("backing.live.card.Opening", lambda *_: SimpleNamespace(abandon=int))
    words = ["record", what, "lamp-oil", "--passes", "1", "--hear", "--no-mix"]
    result = CliRunner().invoke(main, [*words, "--take", str(tmp_path / "take.wav")])
    assert result.exit_code == 0, result.output
    notes = {"loop": 15, "trade": 7}[what]
    assert f"every one of the {notes} notes is there" in result.output
    assert "the bend stops" in result.output
