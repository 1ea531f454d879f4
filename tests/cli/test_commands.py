"""Every command as a user types it: what it writes, what it prints, how it fails."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import mido
import pytest
import soundfile
from click.testing import CliRunner, Result

from backing import pieces
from backing.cli import COMMANDS, main
from backing.output import FORMATS

EXAMPLE = str(Path(__file__).parents[2] / "examples" / "porch-light.toml")


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def told(*words: str | Path) -> dict[str, Any]:
    result = run(*words, "--json")
    assert result.exit_code == 0, result.output
    answer: dict[str, Any] = json.loads(result.stdout)
    return answer


def test_help_names_every_command() -> None:
    result = run("--help")
    assert result.exit_code == 0
    for name, line in COMMANDS.items():
        assert name in result.output
        assert line[:40] in result.output


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help(name: str) -> None:
    result = run(name, "--help")
    assert result.exit_code == 0
    assert "Usage: " in result.output
    assert "--json" in result.output


def test_track_writes_midi_and_wav_of_the_same_length(tmp_path: Path) -> None:
    midi, wav = tmp_path / "t.mid", tmp_path / "t.wav"
    answer = told(
        "track", "--key", "Bb", "--groove", "shuffle", "--form", "quick-change", "--tempo", "112",
        "--choruses", "1", "-o", midi, "-o", wav,
    )  # fmt: skip
    # Twelve bars, an ending and a count-in of four quarters each at 112 beats a minute.
    seconds = (12 + 1 + 1) * 4 * 60 / 112
    assert answer["seconds"] == pytest.approx(seconds, abs=1e-6)
    assert answer["key"] == "Bb"
    assert answer["tempo"] == 112
    assert answer["seed"] == pieces.SEED
    assert answer["bars"] == 12
    assert [file["path"] for file in answer["files"]] == [str(midi), str(wav)]
    assert mido.MidiFile(midi).length == pytest.approx(seconds, abs=0.001)
    assert seconds - 0.001 <= soundfile.info(wav).duration <= seconds + 4.0


@pytest.mark.parametrize("suffix", [suffix for suffix in FORMATS if suffix != ".mid"])
def test_each_audio_format_opens(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"t{suffix}"
    result = run("track", "--choruses", "1", "--tempo", "240", "-o", path)
    assert result.exit_code == 0, result.output
    assert soundfile.info(path).duration == pytest.approx(14.0, abs=4.1)
    assert "loud headphones can damage hearing" in result.stderr


def test_demo_takes_key_groove_and_tempo_from_the_file(tmp_path: Path) -> None:
    answer = told("demo", EXAMPLE, "--choruses", "1", "-o", tmp_path / "d.mid")
    assert (answer["key"], answer["groove"], answer["tempo"]) == ("A", "shuffle", 96)
    answer = told(
        "demo", EXAMPLE, "--key", "C# minor", "--groove", "slow-blues", "--tempo", "60.5",
        "-o", tmp_path / "d.mid",
    )  # fmt: skip
    assert (answer["key"], answer["groove"], answer["tempo"]) == ("C# minor", "slow-blues", 60.5)


def test_a_shipped_phrase_is_named_without_a_path(tmp_path: Path) -> None:
    assert told("demo", "lamp-oil", "-o", tmp_path / "d.mid")["title"] == "Lamp oil"


@pytest.mark.parametrize(
    ("start", "goal", "tempos"),
    [("60", "100", [60, 70, 80, 90, 100]), ("100", "60", [100, 90, 80, 70, 60])],
)
def test_loop_steps_up_and_down(tmp_path: Path, start: str, goal: str, tempos: list[int]) -> None:
    answer = told(
        "loop", EXAMPLE, "--from", start, "--to", goal, "--step", "10", "--each", "2",
        "-o", tmp_path / "l.mid",
    )  # fmt: skip
    assert answer["tempos"] == tempos
    assert answer["passes"] == 10
    # Four bars of four beats, twice at each tempo, after a bar of count-in at the first.
    seconds = 4 * 60 / int(start) + sum(2 * 16 * 60 / tempo for tempo in tempos)
    assert answer["seconds"] == pytest.approx(seconds, abs=1e-6)


def test_loop_shows_the_caution_about_hands(tmp_path: Path) -> None:
    result = run("loop", EXAMPLE, "-o", tmp_path / "l.mid")
    assert "ask a teacher or a doctor" in result.stderr


@pytest.mark.parametrize("what", ["grooves", "forms", "phrases", "soundfonts"])
def test_list_shows_something(what: str) -> None:
    rows = told("list", what)[what]
    assert rows
    prose = run("list", what).stdout
    for row in rows:
        assert row["name"] in prose


def test_the_same_seed_gives_the_same_bytes_and_another_another(tmp_path: Path) -> None:
    def written(seed: str, name: str) -> bytes:
        path = tmp_path / name
        assert run("track", "--seed", seed, "-o", path).exit_code == 0
        return path.read_bytes()

    assert written("5", "a.mid") == written("5", "b.mid")
    assert written("5", "a.mid") != written("6", "c.mid")


USAGE = [
    (["trak"], '"trak" is not a command; did you mean "track"?'),
    (["track", "--key", "H", "-o", "x.mid"], '"H" is not a key'),
    (["track", "--key", "G#", "-o", "x.mid"], 'did you mean "Ab"?'),
    (["track", "--groove", "shufle", "-o", "x.mid"], 'did you mean "shuffle"?'),
    (["track", "--form", "twelve", "-o", "x.mid"], 'did you mean "twelve-bar"?'),
    (["track", "--tempo", "0", "-o", "x.mid"], "tempo 0: write a number from 30 to 240"),
    (["track", "--tempo", "nan", "-o", "x.mid"], "tempo nan: write a number from 30 to 240"),
    (["track", "--tempo", "1e99999999", "-o", "x.mid"], "write a number from 30 to 240"),
    (["track", "--swing", "5:1", "-o", "x.mid"], "must lie from 1:1"),
    (["track", "--swing", "2:0", "-o", "x.mid"], "is not a swing"),
    (["track", "--choruses", "201", "-o", "x.mid"], "1<=x<=200"),
    (["track", "--count-in", "9", "-o", "x.mid"], "0<=x<=4"),
    (["track"], "Missing option '-o'"),
    (["demo", "-o", "x.mid"], "Missing argument 'PHRASE'"),
    (["loop", EXAMPLE, "--step", "0", "-o", "x.mid"], "step 0: write a number"),
    (["loop", EXAMPLE, "--from", "20", "-o", "x.mid"], "tempo 20: write a number"),
    (["loop", EXAMPLE, "--each", "0", "-o", "x.mid"], "1<=x<=100"),
    (["list", "gloves"], "gloves"),
]


@pytest.mark.parametrize(("words", "message"), USAGE)
def test_wrong_usage_exits_with_2(
    words: list[str], message: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = run(*words)
    assert list(tmp_path.iterdir()) == []
    assert result.exit_code == 2, result.output
    assert message in result.stderr
    assert "Traceback" not in result.stderr


FAILURES = [
    (["track", "-o", "x.wave"], '".wave" is not a format; did you mean ".wav"?'),
    (["track", "-o", "x"], "is not a format"),
    (["track", "-o", "nowhere/x.mid"], "the folder nowhere does not exist"),
    (["track", "-o", "x.mid", "-o", "x.mid"], "is named twice"),
    (["demo", "lampoil", "-o", "x.mid"], 'did you mean "lamp-oil"?'),
    (["demo", "missing.toml", "-o", "x.mid"], "missing.toml: "),
    (["demo", EXAMPLE, "--count-in", "0", "-o", "x.mid"], "needs a count-in"),
    (["track", "--soundfont", "none.sf2", "-o", "x.wav"], "no such soundfont"),
    (["track", "--soundfont", EXAMPLE, "-o", "x.wav"], "not a soundfont"),
]


@pytest.mark.parametrize(("words", "message"), FAILURES)
def test_other_failures_exit_with_1(
    words: list[str], message: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = run(*words)
    assert list(tmp_path.iterdir()) == []
    assert result.exit_code == 1, result.output
    assert message in result.stderr
    assert isinstance(result.exception, SystemExit)


BAD_PHRASES = [
    ("unknown fret", '"| 1 e25"', ":7:15: fret 25: the neck has frets 0 to 24"),
    ("too many beats", '"| 1 e5 5 e7"', ':7:17: count "5": the bar has beats 1 to 4'),
    ("unknown count", '"| 1 e5 tripp e7"', ':7:17: "tripp" is not a count'),
    ("two at once", '"| 1 e5+e7"', ":7:17: two notes at once on the e string"),
]


@pytest.mark.parametrize(("what", "notes", "message"), BAD_PHRASES)
def test_a_bad_phrase_is_named_by_line_and_column(
    tmp_path: Path, what: str, notes: str, message: str
) -> None:
    path = tmp_path / "bad.toml"
    path.write_text(
        f'title = "{what}"\nkey = "A"\ngroove = "shuffle"\ntempo = 90\n\n'
        f"[[part]]\nnotes = {notes}\n",
        encoding="utf-8",
    )
    result = run("demo", path, "-o", tmp_path / "x.wav")
    assert result.exit_code == 1
    assert message in result.stderr, result.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["bad.toml"]


def test_an_unknown_groove_in_a_phrase_is_named(tmp_path: Path) -> None:
    path = tmp_path / "bad.toml"
    text = Path(EXAMPLE).read_text(encoding="utf-8").replace('"shuffle"', '"shufle"')
    path.write_text(text, encoding="utf-8")
    result = run("demo", path, "-o", tmp_path / "x.mid")
    assert result.exit_code == 1
    assert 'bad.toml:7:10: "shufle" is not a groove; did you mean "shuffle"?' in result.stderr
