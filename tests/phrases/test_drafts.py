"""What a killed run left is cleared away, and nothing that anybody else put there.

The expectations are common practice: a program removes only what it made itself.
"""

from __future__ import annotations

import os
import socket
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from phrases.drafts import DRAFT, LONG_AGO, hidden, sweep

KILLED = """
import os, sys
from pathlib import Path
from phrases.drafts import hidden
with hidden(Path(sys.argv[1])) as draft:
    draft.write_bytes(b"half")
    os._exit(9)
"""


def left_over(folder: Path, name: str = "a.wav") -> tuple[Path, Path]:
    """Let a run die while it writes; return its mark and its draft."""
    done = subprocess.run([sys.executable, "-c", KILLED, str(folder / name)], check=False)
    assert done.returncode == 9
    mark = next(folder.glob(f"{DRAFT}*.mark"))
    return mark, next(path for path in folder.glob(f"{mark.stem}*") if path != mark)


@pytest.mark.parametrize("name", ["a.wav", "a", "é.toml"])
def test_what_a_killed_run_left_goes(name: str, tmp_path: Path) -> None:
    mark, draft = left_over(tmp_path, name)
    assert draft.read_bytes() == b"half"
    sweep(tmp_path)
    assert list(tmp_path.iterdir()) == []
    assert mark != draft


def test_a_mark_whose_draft_has_its_name_already_goes_too(tmp_path: Path) -> None:
    mark, draft = left_over(tmp_path)
    draft.rename(tmp_path / "a.wav")
    sweep(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["a.wav"]
    assert not mark.exists()


@pytest.mark.parametrize(
    "name",
    [
        f"{DRAFT}notes.txt", f"{DRAFT}0123456789ab.wav", f"{DRAFT}0123456789ab.mark",
        f"{DRAFT}x.mark", f"{DRAFT}0123456789ab",
    ],
)  # fmt: skip
def test_a_persons_file_stays(name: str, tmp_path: Path) -> None:
    own = tmp_path / name
    own.write_text("what I must not forget\n", encoding="utf-8")
    sweep(tmp_path)
    assert own.read_text(encoding="utf-8") == "what I must not forget\n"


def test_a_mark_takes_only_the_draft_of_its_own_number(tmp_path: Path) -> None:
    """Its words alone are not enough: they could name anything."""
    mark, draft = left_over(tmp_path)
    for name in ("song.wav", "../song.wav", mark.name):
        other = tmp_path / "song.wav"
        other.write_bytes(b"mine")
        mark.write_bytes(mark.read_bytes().replace(draft.name.encode(), name.encode()))
        sweep(tmp_path)
        assert other.read_bytes() == b"mine"
        assert mark.exists()
        mark.write_bytes(mark.read_bytes().replace(name.encode(), draft.name.encode()))


def test_what_is_still_written_stays(tmp_path: Path) -> None:
    pytest.importorskip("fcntl")
    with hidden(tmp_path / "a.wav") as draft:
        draft.write_bytes(b"half")
        sweep(tmp_path)
        assert draft.read_bytes() == b"half"
    assert list(tmp_path.iterdir()) == []


def test_what_is_older_than_its_mark_stays(tmp_path: Path) -> None:
    _, draft = left_over(tmp_path)
    os.utime(draft, (1, 1))
    sweep(tmp_path)
    assert draft.exists()


def test_what_another_machine_left_goes_after_a_day(tmp_path: Path) -> None:
    mark, draft = left_over(tmp_path)
    words = mark.read_bytes()
    assert socket.gethostname().encode() in words
    mark.write_bytes(words.replace(socket.gethostname().encode(), b"elsewhere"))
    sweep(tmp_path)
    assert draft.exists()
    old = mark.stat().st_mtime - LONG_AGO - 60
    os.utime(mark, (old, old))
    sweep(tmp_path)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not hasattr(os, "getuid"), reason="there are no owners here")
def test_what_another_user_left_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _, draft = left_over(tmp_path)
    uid = os.getuid()
    monkeypatch.setattr(os, "getuid", lambda: uid + 1)
    sweep(tmp_path)
    assert draft.exists()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="there are no pipes here")
def test_a_pipe_or_a_link_of_such_a_name_hangs_nobody(tmp_path: Path) -> None:
    mark, _ = left_over(tmp_path)
    for name in ("x", "0123456789ab", "0123456789ab.mark"):
        os.mkfifo(tmp_path / f"{DRAFT}{name}")
    linked = tmp_path / f"{DRAFT}ba9876543210.mark"
    linked.symlink_to(mark)
    sweep(tmp_path)  # the old one waited here for ever
    assert sum(stat.S_ISFIFO(path.lstat().st_mode) for path in tmp_path.iterdir()) == 3
    assert linked.is_symlink()
    assert not mark.exists()


def test_stopped_as_soon_as_there_is_a_mark_it_leaves_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = Path.open

    def stopped(path: Path, mode: str) -> None:
        kept(path, mode).close()
        raise KeyboardInterrupt

    monkeypatch.setattr(Path, "open", stopped)
    with pytest.raises(KeyboardInterrupt), hidden(tmp_path / "a.wav"):
        pass
    assert list(tmp_path.iterdir()) == []
