"""Odd places to work in: full and read-only disks, no home, names, other runs, clocks."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import soundfile
from click.testing import CliRunner, Result

from backing.cli import main
from tests.hard.material import EXAMPLES, LONG, ROOT, backing, in_turn, number_of, tree
from tests.waiting import PATIENCE

TINY = ["track", "--form", "turnaround-loop", "--choruses", "1", "--tempo", "240"]
PHRASE = str(EXAMPLES / "lesson" / "screen-door.toml")
LESSON = """\
title = "Small"
make = ["loop", "sheet"]
formats = ["wav"]
tempos = [240]
[[phrase]]
file = "screen-door.toml"
variations = []
"""
NAMES = [
    "two words", "it's", 'say "a"', "één ñandú", "\U0001f3b8 blues", "$(touch x)", "a;b&c", "-o",
    "100%", "e\u0301", "\u05d1\u05dc\u05d5\u05d6", "a\tb", ".hidden", "tail.", "x" * 240,
    os.fsdecode(b"caf\xe9"),  # no UTF-8, as a disk from elsewhere may have it
]  # fmt: skip
SUFFIXES = (".mid", ".wav") if not LONG else (".mid", ".wav", ".flac", ".ogg", ".opus", ".mp3")
WAYS = [(".mid",), (".mid", ".wav"), (".mid",), (".mid", ".mp3")]


SEEDS = ("1", "2", "3") if LONG else ("1", "2")


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture(params=[65536] if not LONG else [4096, 65536, 300_000, 900_000])
def small_disk(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Path]:
    """Mount a disk of few bytes; skip where that is not allowed."""
    disk = tmp_path / "disk"
    disk.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", f"size={request.param}", "none", str(disk)]
    if subprocess.run(words, capture_output=True, check=False).returncode:
        pytest.skip("only root may mount a disk")
    yield disk
    subprocess.run(["umount", str(disk)], check=True)


def test_a_full_disk_is_said_and_left_as_it_was(small_disk: Path) -> None:
    (small_disk / "kept.txt").write_text("kept", encoding="utf-8")
    before = tree(small_disk)
    for suffix in SUFFIXES[1:]:
        result = run(*TINY, "-o", small_disk / f"a{suffix}", "-o", small_disk / "b.mid")
        assert isinstance(result.exception, SystemExit | None)
        if result.exit_code == 0:  # room enough for a compressed one
            soundfile.read(small_disk / f"a{suffix}")
            (small_disk / f"a{suffix}").unlink()
            (small_disk / "b.mid").unlink()
            continue
        assert result.exit_code == 1
        assert "the disk is full; make room or choose another folder" in result.stderr
        assert tree(small_disk) == before


def test_texts_on_a_full_disk_are_whole_or_not_there(small_disk: Path) -> None:
    with (small_disk / "ballast").open("wb", buffering=0) as file:
        try:
            while file.write(b"x" * 4096):
                pass
        except OSError:
            pass
    before = tree(small_disk)
    lines: list[list[str | Path]] = [
        ["transpose", PHRASE, "--key", "E", "-o", small_disk / "e.toml"],
        ["sheet", PHRASE, "-o", small_disk / "s.txt"],
        ["sheet", PHRASE, "-o", small_disk / "s.musicxml"],
        ["new", small_disk / "new"],
    ]
    for words in lines:
        result = run(*words)
        assert result.exit_code == 1, result.output
        assert "No space left" in result.stderr or "disk is full" in result.stderr
        assert tree(small_disk) == before


def test_a_folder_that_may_only_be_read(tmp_path: Path) -> None:
    """Root may write anywhere but on a disk that is mounted to be read."""
    disk = tmp_path / "disk"
    disk.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", "ro", "none", str(disk)]
    if subprocess.run(words, capture_output=True, check=False).returncode:
        pytest.skip("only root may mount a disk")
    try:
        lines: list[list[str | Path]] = [
            [*TINY, "-o", disk / "a.mid"],
            [*TINY, "-o", disk / "a.wav"],
            [*TINY, "--stems", disk / "stems"],
            ["transpose", PHRASE, "--key", "E", "-o", disk / "e.toml"],
            ["sheet", PHRASE, "-o", disk / "s.pdf"],
            ["new", disk / "new"],
            ["lesson", EXAMPLES / "lesson" / "lesson.toml", "-o", disk / "out"],
        ]
        for one in lines:
            result = run(*one)
            assert result.exit_code == 1, (one, result.output)
            assert str(disk) in result.stderr
            assert isinstance(result.exception, SystemExit)
    finally:
        subprocess.run(["umount", str(disk)], check=True)


ODD = {
    "no home": {"HOME": "", "XDG_DATA_HOME": "", "BACKING_SOUNDFONT": ""},
    "a home that is not there": {"HOME": "/nowhere/at/all", "XDG_DATA_HOME": ""},
    "no language": {"LC_ALL": "C", "LANG": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"},
    "Turkish": {"LC_ALL": "tr_TR.UTF-8", "LANG": "tr_TR.UTF-8"},
    "Latin 1": {"LC_ALL": "de_DE.ISO-8859-1", "PYTHONIOENCODING": "latin-1", "PYTHONUTF8": "0"},
    "a bare environment": dict.fromkeys(os.environ, ""),
}


@pytest.mark.parametrize("name", ODD)
def test_an_odd_environment_changes_nothing(name: str, tmp_path: Path) -> None:
    file = tmp_path / "é\U0001f3b8.toml"
    text = (
        Path(PHRASE).read_text(encoding="utf-8").replace("Screen door", "Screen dóor \U0001f3b8")
    )
    file.write_text(text, encoding="utf-8")
    done = backing("demo", file, "--choruses", "1", "-o", "a.mid", folder=tmp_path, env=ODD[name])
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    assert run("demo", file, "--choruses", "1", "-o", tmp_path / "b.mid").exit_code == 0
    assert (tmp_path / "a.mid").read_bytes() == (tmp_path / "b.mid").read_bytes()
    file.write_text(text.replace("tempo", "tëmpo"), encoding="utf-8")
    done = backing("check", file, folder=tmp_path, env=ODD[name])
    assert done.returncode == 1
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(("name", "suffixes"), in_turn(NAMES, [SUFFIXES] if LONG else WAYS))
def test_names_of_files_and_folders(name: str, suffixes: tuple[str, ...], tmp_path: Path) -> None:
    folder = tmp_path / name
    folder.mkdir()
    for suffix in suffixes:
        path = folder / f"{name}{suffix}"
        result = run(*TINY, "-o", path)
        assert result.exit_code == 0, result.output
        assert path.stat().st_size > 100
    phrase = folder / f"{name}.toml"
    phrase.write_bytes(Path(PHRASE).read_bytes())
    lines: list[list[str | Path]] = [
        ["check", phrase],
        ["tidy", phrase],
        ["loop", phrase, "--dry-run"],
        ["sheet", phrase, "-o", folder / f"{name}.txt"],
        ["transpose", phrase, "--key", "E", "-o", folder / f"{name} e.toml"],
    ]
    for words in lines:
        result = run(*words)
        assert result.exit_code == 0, (words, result.output)
    assert not [path for path in folder.iterdir() if path.name.startswith(".backing-")]
    assert len(list(folder.iterdir())) == len(suffixes) + 3
    assert [path.name for path in tmp_path.iterdir()] == [name]


@pytest.mark.parametrize("length", [255, 256, 5000])
def test_a_name_that_is_too_long_is_refused(length: int, tmp_path: Path) -> None:
    path = tmp_path / ("x" * (length - 4) + ".mid")
    result = run(*TINY, "-o", path)
    assert result.exit_code == (length > 255), result.output
    if length > 255:
        assert "File name too long" in result.stderr
        assert list(tmp_path.iterdir()) == []


def test_two_runs_into_one_folder_leave_whole_files(tmp_path: Path) -> None:
    words = [sys.executable, "-m", "backing.cli", *TINY, "-o", "a.wav", "-o", "a.mid"]
    for _ in range(number_of(1, 40)):
        both = [
            subprocess.Popen(
                [*words, "--seed", seed, "--stems", "stems"],
                cwd=tmp_path,
                env={**os.environ, "PYTHONPATH": str(ROOT)},
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                text=True,
            )
            for seed in SEEDS
        ]
        for one in both:
            _, told = one.communicate(timeout=PATIENCE)
            assert one.returncode == 0, told
        assert sorted(path.name for path in tmp_path.iterdir()) == ["a.mid", "a.wav", "stems"]
        found = (tmp_path / "a.wav").read_bytes()
    alone = []
    for seed in SEEDS:
        path = tmp_path / f"{seed}.wav"
        result = run(*TINY, "--seed", seed, "-o", path, "--stems", tmp_path / "again")
        assert result.exit_code == 0
        alone.append(path.read_bytes())
    assert found in alone


def test_two_runs_of_one_lesson_do_not_mix(tmp_path: Path) -> None:
    (tmp_path / "screen-door.toml").write_bytes(Path(PHRASE).read_bytes())
    (tmp_path / "small.toml").write_text(LESSON, encoding="utf-8")
    words = [sys.executable, "-m", "backing.cli", "lesson", "small.toml", "-o", "out"]
    both = [
        subprocess.Popen(
            words,
            cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        for _ in range(2)
    ]
    told = [one.communicate(timeout=PATIENCE)[1] for one in both]
    codes = sorted(one.returncode for one in both)
    assert codes in ([0, 0], [0, 1]), told
    if codes == [0, 1]:
        assert "another run is at work in this folder; wait until it has ended" in "".join(told)


# Every look at the wall clock is a day later or earlier than the one before.
JUMPY = """
import itertools, sys, time
true, days = time.time, itertools.cycle((0, 86400, -86400, 10**9))
time.time = lambda: true() + next(days)
time.time_ns = lambda: int(time.time() * 1e9)
from backing.cli import main
main(sys.argv[1:])
"""


def test_a_clock_that_jumps_changes_nothing(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", JUMPY, *TINY, "-o", "a.wav", "-o", "a.mid", "-o", "a.mp3"],
        cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True,
        timeout=PATIENCE, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    others = [tmp_path / f"b{suffix}" for suffix in (".wav", ".mid", ".mp3")]
    words = [word for path in others for word in ("-o", str(path))]
    assert run(*TINY, *words).exit_code == 0
    for path in others:
        assert path.read_bytes() == (tmp_path / f"a{path.suffix}").read_bytes()


PIPED = (
    "list phrases", "list phrases --json", "check lamp-oil", "sheet lamp-oil",
    "loop lamp-oil --dry-run", "list grooves", "--help", "track -o x.mid", "track -o x.mid --json",
)  # fmt: skip


@pytest.mark.parametrize("words", PIPED if LONG else PIPED[:5])
@pytest.mark.parametrize("reader", ["head -1", "true", "head -c 1"] if LONG else ["true"])
def test_a_reader_that_goes_away_is_no_error_of_ours(
    words: str, reader: str, tmp_path: Path
) -> None:
    line = f"{sys.executable} -m backing.cli {words} | {reader}; echo ${{PIPESTATUS[0]}} >code"
    done = subprocess.run(
        ["bash", "-c", line], cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True, text=True, timeout=PATIENCE, check=False,
    )  # fmt: skip
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr
    # 141 is how a shell tells SIGPIPE; 1 is how click ends.
    assert (tmp_path / "code").read_text().strip() in ("0", "1", "141")


@pytest.mark.parametrize("closed", ["<&-", ">&-", "2>&-", "<&- >&- 2>&-"])
def test_closed_streams(closed: str, tmp_path: Path) -> None:
    line = f"exec {sys.executable} -m backing.cli {' '.join(TINY)} -o a.mid {closed}"
    done = subprocess.run(
        ["bash", "-c", line], cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True, text=True, timeout=PATIENCE, check=False,
    )  # fmt: skip
    assert "Traceback" not in done.stdout + done.stderr
    assert (tmp_path / "a.mid").read_bytes()[:4] == b"MThd"
