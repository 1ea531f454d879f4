"""Every command as a user types it: what it writes, what it prints, how it fails."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import mido
import pytest
import soundfile
from click.testing import CliRunner, Result

from backing import pieces
from backing.cli import COMMANDS, main

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
    assert "None" not in result.output


@pytest.mark.parametrize(
    ("words", "where"),
    [
        (["track", "-o", "a.mid"], "backing.cli.report.write"),
        (["demo", EXAMPLE, "-o", "a.mid"], "backing.cli.report.write"),
        (["sheet", EXAMPLE, "-o", "a.txt"], "phrases.rewrite.replace_file"),
    ],
)
def test_ctrl_c_says_so_and_ends_with_its_own_code(
    words: list[str], where: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """128 and the signal's number, as shells have it (POSIX, exit status of a command)."""

    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(where, stopped)
    result = run(*words)
    assert result.exit_code == 128 + 2
    assert result.stderr.endswith("\nstopped\n")
    assert list(tmp_path.iterdir()) == []


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


# A chorus of two bars of four beats at 240 beats a minute: a bar lasts a second.
SHORT = ["track", "--form", "turnaround-loop", "--choruses", "1", "--tempo", "240"]
TWELVE = ["track", "--choruses", "1", "--tempo", "240", "--seed", "3"]


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


def _program(path: Path, channel: int) -> int:
    """Return the General MIDI program of a channel, numbered from 0."""
    (found,) = (
        message.program
        for track in mido.MidiFile(path).tracks
        for message in track
        if message.type == "program_change" and message.channel == channel
    )
    return int(found)


def _channels(path: Path, after: float = 0.0) -> set[int]:
    """Return the channels, from 0, on which notes start later than a number of seconds."""
    now, found = 0.0, set()
    for message in mido.MidiFile(path):
        now += message.time
        if message.type == "note_on" and message.velocity and now > after:
            found.add(message.channel)
    return found


DRUMS, BASS, COMP = 9, 6, 7  # General MIDI has drums on the tenth; the others are the house's


@pytest.mark.parametrize(("intro", "bars"), [("sticks", 0), ("turnaround", 2), ("five", 4)])
def test_an_intro_comes_between_count_in_and_chorus(tmp_path: Path, intro: str, bars: int) -> None:
    path = tmp_path / "t.mid"
    answer = told(*TWELVE, "--intro", intro, "-o", path)
    assert answer["intro"] == intro
    assert answer["seconds"] == pytest.approx(1 + bars + 12 + 1, abs=1e-6)
    assert mido.MidiFile(path).length == pytest.approx(1 + bars + 12 + 1, abs=0.001)
    found = told("demo", EXAMPLE, "--choruses", "1", "--intro", intro, "-o", path)
    assert found["seconds"] == pytest.approx((1 + bars + 12 + 1) * 4 * 60 / 96, abs=1e-6)


@pytest.mark.parametrize(("ending", "bars"), [("chord", 13), ("tag", 17), ("none", 12)])
def test_an_ending_is_as_long_as_it_says(tmp_path: Path, ending: str, bars: int) -> None:
    answer = told(*TWELVE, "--count-in", "0", "--ending", ending, "-o", tmp_path / "t.mid")
    assert answer["ending"] == ending
    assert answer["seconds"] == pytest.approx(bars, abs=1e-6)


def test_a_slow_ending_slows_down(tmp_path: Path) -> None:
    path = tmp_path / "t.mid"
    answer = told(*TWELVE, "--ending", "slow", "-o", path)
    # Two bars slow down to six tenths of the tempo, and the last chord stays there.
    assert 14.5 < answer["seconds"] < 14 + 3 * (1 / 0.6 - 1)
    assert mido.MidiFile(path).length == pytest.approx(answer["seconds"], abs=0.01)
    tempos = [m.tempo for m in mido.MidiFile(path).tracks[0] if m.type == "set_tempo"]
    assert tempos == sorted(tempos)
    assert len(tempos) > 4
    assert (answer["tempo"], answer["tempos"]) == (240, [240])


# General MIDI 1: acoustic grand 0, drawbar organ 16, jazz guitar 26.
@pytest.mark.parametrize(("comp", "program"), [("piano", 0), ("organ", 16), ("guitar", 26)])
def test_comp_chooses_who_plays_the_chords(tmp_path: Path, comp: str, program: int) -> None:
    path = tmp_path / "t.mid"
    assert told(*SHORT, "--comp", comp, "-o", path)["comp"] == comp
    assert _program(path, COMP) == program
    with_lead = told("loop", EXAMPLE, "--comp", comp, "-o", path)
    assert with_lead["comp"] == comp
    assert _program(path, COMP) == program


@pytest.mark.parametrize(
    ("words", "gone"),
    [
        (["--without", "drums"], {DRUMS}),
        (["--without", "bass"], {BASS}),
        (["--without", "comp"], {COMP}),
        (["--comp", "none"], {COMP}),
        (["--without", "bass", "--without", "drums"], {BASS, DRUMS}),
        ([], set()),
    ],
)
def test_a_part_may_stay_at_home(tmp_path: Path, words: list[str], gone: set[int]) -> None:
    path = tmp_path / "t.mid"
    told(*SHORT, *words, "-o", path)
    assert _channels(path, after=0.99) == {DRUMS, BASS, COMP} - gone
    assert DRUMS in _channels(path)  # the sticks still count in


@pytest.mark.parametrize(
    ("words", "looseness"),
    [
        ([], 1.0),
        (["--tight"], 0.4),
        (["--loose"], 1.7),
        (["--looseness", "0"], 0.0),
        (["--looseness", "1.25"], 1.25),
    ],
)
def test_the_band_may_be_tight_or_loose(
    tmp_path: Path, words: list[str], looseness: float
) -> None:
    path = tmp_path / "t.mid"
    assert told(*TWELVE, *words, "-o", path)["looseness"] == looseness
    usual = tmp_path / "u.mid"
    told(*TWELVE, "-o", usual)
    assert (path.read_bytes() == usual.read_bytes()) == (looseness == 1.0)


@pytest.mark.parametrize(
    ("words", "note"),
    [
        # The groove's own tempos are 48 to 75, the shuffle's 80 to 135.
        (
            ["track", "--groove", "slow-blues", "--tempo", "120"],
            "Slow blues is usually played at 48",
        ),
        (
            ["track", "--tempo", "60"],
            "Ride shuffle is usually played at 80 to 135 beats a minute, not at 6",
        ),
        (
            ["demo", EXAMPLE, "--tempo", "200"],
            "80 to 135 beats a minute, not at 200; `backing list",
        ),
        (["loop", EXAMPLE, "--from", "60", "--to", "220"], "not at 220"),
        (["track", "--tempo", "75"], ""),  # a little slower is no remark
        (["loop", EXAMPLE, "--from", "40", "--to", "96"], ""),  # nor is practising slowly
    ],
)
def test_a_tempo_far_from_the_groove_is_remarked_on(
    tmp_path: Path, words: list[str], note: str
) -> None:
    result = run(*words, "-o", tmp_path / "t.mid")
    assert result.exit_code == 0
    assert ("note: " in result.stderr) == bool(note)
    assert note in result.stderr


def test_scales_are_listed_as_they_are_written() -> None:
    assert "minor pentatonic  1 b3 4 5 b7" in run("list", "scales").stdout.splitlines()


def test_phrases_that_no_filter_fits_are_said_to_be_none() -> None:
    result = run("list", "phrases", "--position", "2", "--level", "easy", "--tag", "bends")
    assert (result.exit_code, result.stdout) == (0, "")
    assert "No phrase is all of that (--position 2, --level easy, --tag bends)" in result.stderr


def test_rate_and_bits_of_a_sound_file(tmp_path: Path) -> None:
    wav, flac = tmp_path / "t.wav", tmp_path / "t.flac"
    told(*SHORT, "--rate", "48000", "--bits", "24", "-o", wav, "-o", flac)
    for path in (wav, flac):
        info = soundfile.info(path)
        assert (info.samplerate, info.subtype) == (48000, "PCM_24")


def test_stems_are_written_beside_the_files_and_named(tmp_path: Path) -> None:
    wav, stems = tmp_path / "t.wav", tmp_path / "a" / "stems"
    answer = told(*SHORT, "--stems", stems, "-o", wav)
    names = ["drums", "bass", "comp", "room", "mix"]
    paths = [wav, *(stems / f"{name}.wav" for name in names)]
    assert answer["files"] == [{"path": str(path), "format": "wav"} for path in paths]
    assert sorted(path for path in tmp_path.rglob("*") if path.is_file()) == sorted(paths)
    assert len({soundfile.info(path).frames for path in paths}) == 1


def test_stems_need_no_other_sound_file(tmp_path: Path) -> None:
    result = run(*SHORT, "--stems", tmp_path / "stems", "-o", tmp_path / "t.mid")
    assert result.exit_code == 0, result.output
    assert "loud headphones can damage hearing" in result.stderr
    assert "mix.wav" in result.stdout
    assert (tmp_path / "stems" / "drums.wav").is_file()


@pytest.mark.parametrize("what", ["grooves", "forms", "phrases", "soundfonts"])
def test_list_shows_something(what: str) -> None:
    rows = told("list", what)[what]
    assert rows
    prose = run("list", what).stdout
    for row in rows:
        assert row["name"] in prose


def test_list_soundfonts_shows_the_one_taken_first_and_better_ones() -> None:
    answer = told("list", "soundfonts")
    first = answer["soundfonts"][0]
    # The variable names the one of the pretty_midi wheel while tests run.
    assert first["about"] == os.environ["BACKING_SOUNDFONT"]
    assert (first["name"], first["origin"]) == ("TimGM6mb.sf2", "variable")
    better = {row["package"]: row for row in answer["better"]}
    assert {"fluid-soundfont-gm", "fluidr3mono-gm-soundfont"} <= set(better)
    assert all(row["licence"] and 1 < row["megabytes"] < 1000 for row in answer["better"])
    assert Path(answer["folder"]).parts[-2:] == ("porchband", "soundfonts")
    prose = run("list", "soundfonts").stdout
    for package, row in better.items():
        assert f"{package} ({row['megabytes']} MB, {row['licence']})" in prose
    assert f"\n  {answer['how']}\n" in prose  # one command, on a line of its own
    assert answer["gain"] in prose
    assert answer["folder"] in prose
    used, *others = prose.splitlines()[: len(answer["soundfonts"])]
    assert first["about"] in used
    assert used.endswith("; used, if --soundfont names no other)")
    assert first["used"]
    assert not any("used" in line for line in others)


def test_nothing_is_announced_where_there_is_no_such_soundfont(tmp_path: Path) -> None:
    for words in (("-o", tmp_path / "x.wav"), ("--stems", tmp_path / "stems")):
        result = run("track", "--soundfont", tmp_path / "none.sf2", *words)
        assert result.exit_code == 1
        assert result.stderr.startswith(f"Error: {tmp_path / 'none.sf2'}: there is no such")


def test_other_lists_say_nothing_of_soundfonts() -> None:
    assert list(told("list", "grooves")) == ["grooves"]
    assert "sound better" not in run("list", "grooves").stdout


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
    (["track", "--choruses", "201", "-o", "x.mid"], "201: write a whole number from 1 to 200"),
    (["track", "--count-in", "9", "-o", "x.mid"], "9: write a whole number from 0 to 4"),
    (["demo", "-o", "x.mid"], "name a phrase: a file"),
    (["loop", EXAMPLE, "--step", "0", "-o", "x.mid"], "step 0: write a number"),
    (["loop", EXAMPLE, "--from", "20", "-o", "x.mid"], "tempo 20: write a number"),
    (["loop", EXAMPLE, "--each", "0", "-o", "x.mid"], "0: write a whole number from 1 to 2000"),
    (["list", "gloves"], "gloves"),
    (["track", "--intro", "drums", "-o", "x.mid"], '"drums" is none of sticks, turnaround'),
    (["track", "--ending", "fade", "-o", "x.mid"], '"fade" is none of chord, slow, tag'),
    (["demo", EXAMPLE, "--comp", "banjo", "-o", "x.mid"], '"banjo" is none of organ'),
    (["track", "--without", "lead", "-o", "x.mid"], '"lead" is none of drums, bass'),
    (["track", "--looseness", "2.5", "-o", "x.mid"], "2.5: write a number from 0 to 2"),
    (["track", "--looseness", "-1", "-o", "x.mid"], "-1: write a number from 0 to 2"),
    (["track", "--looseness", "very", "-o", "x.mid"], "very: write a number from 0 to 2"),
    (["track", "--tight", "1", "-o", "x.mid"], '"1" is more than this'),
    (["track", "--loose", "1", "-o", "x.mid"], '"1" is more than this'),
    (["track", "--rate", "22050", "-o", "x.wav"], '"22050" is none of 44100, 48000'),
    (["track", "--bits", "20", "-o", "x.wav"], '"20" is none of 16, 24'),
    (["track", "-o", "x.wav", "--stems"], "Option '--stems' requires an argument"),
    (["loop", EXAMPLE, "--intro", "five", "-o", "x.mid"], "there is no --intro here"),
    (["loop", EXAMPLE, "--ending", "tag", "-o", "x.mid"], "there is no --ending here"),
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
    (["track", "--soundfont", "none.sf2", "--stems", "s", "-o", "x.mid"], "no such soundfont"),
    (["track", "--stems", EXAMPLE, "-o", "x.mid"], f"{EXAMPLE}: is not a folder; name one"),
    (["track", "--stems", ".", "-o", "mix.wav"], "mix.wav: is named twice; name each file once"),
    (["track", "--rate", "44100", "-o", "x.opus"], "x.opus: Opus has 48000 frames a second; "),
    (["track", "--looseness", "nan", "-o", "x.mid"], "looseness nan: it must be 0 (exact) to 2"),
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
