from __future__ import annotations

import re
from pathlib import Path

import pytest

from soundfonts import find
from soundfonts.find import (
    BETTER,
    VARIABLE,
    Soundfont,
    SoundfontError,
    check_soundfont,
    find_soundfont,
    how_to_get,
    installed,
)

# SoundFont 2.04, section 4: a RIFF chunk whose form type is "sfbk".
HEAD = b"RIFF\x04\x00\x00\x00sfbk"


def font(path: Path) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(HEAD)
    return path


@pytest.fixture
def user(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return the user's folder on a machine that has no other one, only the wheel."""
    monkeypatch.delenv(VARIABLE, raising=False)
    monkeypatch.setattr(find, "user_folder", lambda: tmp_path / "user")
    monkeypatch.setattr(find, "SYSTEM_FOLDERS", (str(tmp_path / "one"), str(tmp_path / "two")))
    monkeypatch.setattr("sys.platform", "linux")
    return tmp_path / "user"


def test_the_order_of_the_places(
    user: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert find_soundfont().origin == "wheel"
    system = font(tmp_path / "two" / "b.sf2")
    assert find_soundfont() == Soundfont(system, "system")
    earlier = font(tmp_path / "one" / "z.sf3")
    assert find_soundfont() == Soundfont(earlier, "system")
    own = font(user / "mine.sf2")
    assert find_soundfont() == Soundfont(own, "user")
    named = font(tmp_path / "named.sf2")
    monkeypatch.setenv(VARIABLE, str(named))
    assert find_soundfont() == Soundfont(named, "variable")
    asked = font(tmp_path / "asked.sf2")
    assert find_soundfont(asked) == Soundfont(asked, "option")
    assert find_soundfont(str(asked)) == Soundfont(asked, "option")
    assert [s.origin for s in installed()] == ["variable", "user", "system", "system", "wheel"]


def test_the_variable_has_the_name_that_the_manual_gives() -> None:
    assert VARIABLE == "BACKING_SOUNDFONT"


def test_an_empty_variable_counts_as_none(user: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    own = font(user / "mine.sf2")
    monkeypatch.setenv(VARIABLE, "")
    assert find_soundfont() == Soundfont(own, "user")


def test_a_folder_offers_its_files_in_order_of_name(user: Path) -> None:
    font(user / "b.sf2")
    first = font(user / "a.SF3")
    font(user / "0.txt")
    assert find_soundfont() == Soundfont(first, "user")


def test_many_files_are_listed_in_order_of_name(user: Path) -> None:
    for name in "khbmdaflcjgein":
        font(user / f"{name}.sf2")
    assert [s.path.stem for s in installed()[:-1]] == list("abcdefghijklmn")


def test_what_only_looks_like_a_soundfont_is_passed_over(user: Path) -> None:
    (user / "0.sf2").mkdir(parents=True)
    (user / "a.sf2").write_bytes(b"")
    (user / "b.sf2").write_bytes(b"RIFF\x04\x00\x00\x00WAVE")
    good = font(user / "c.sf2")
    assert find_soundfont() == Soundfont(good, "user")
    assert installed()[0] == Soundfont(good, "user")


def test_one_file_by_two_ways_is_listed_once(user: Path, tmp_path: Path) -> None:
    own = font(user / "mine.sf2")
    (tmp_path / "one").mkdir()
    (tmp_path / "one" / "link.sf2").symlink_to(own)
    assert [s.origin for s in installed()] == ["user", "wheel"]


def test_the_soundfont_of_the_wheel_is_one(user: Path) -> None:
    wheel = find_soundfont()
    assert wheel.path.name == "TimGM6mb.sf2"
    check_soundfont(wheel.path)


@pytest.mark.parametrize("content", [b"", b"RIFF", b"RIFF\x04\x00\x00\x00WAVE", b"MThd" * 4])
def test_a_file_that_is_not_a_soundfont_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "tune.sf2"
    path.write_bytes(content)
    message = f"{path}: not a soundfont (.sf2 or .sf3); `backing list soundfonts` shows"
    with pytest.raises(SoundfontError, match=re.escape(message)):
        find_soundfont(path)


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "none.sf2"
    with pytest.raises(SoundfontError, match=re.escape(f"{path}: there is no such soundfont;")):
        find_soundfont(path)


def test_a_folder_is_refused(tmp_path: Path) -> None:
    message = f"{tmp_path}: is not a file; name a soundfont"
    with pytest.raises(SoundfontError, match=re.escape(message)):
        find_soundfont(tmp_path)


@pytest.mark.parametrize(
    ("name", "message"), [("none.sf2", "there is no such soundfont"), ("x.sf2", "not a soundfont")]
)
def test_a_bad_variable_is_refused_and_not_passed_over(
    user: Path, monkeypatch: pytest.MonkeyPatch, name: str, message: str
) -> None:
    font(user / "mine.sf2")
    (user / "x.sf2").write_bytes(b"no")
    monkeypatch.setenv(VARIABLE, str(user / name))
    with pytest.raises(SoundfontError, match=f"{re.escape(name)}: {message}"):
        find_soundfont()


def test_no_soundfont_at_all_says_what_to_do(user: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(find, "find_spec", lambda name: None)
    message = r"no soundfont found; install one \(Debian: fluid-soundfont-gm\) or name one with "
    with pytest.raises(SoundfontError, match=message):
        find_soundfont()
    assert installed() == []


def test_the_user_folder_follows_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # XDG Base Directory Specification: XDG_DATA_HOME is where a user's data files go.
    monkeypatch.setattr("sys.platform", "linux")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert find.user_folder() == tmp_path / "porchband" / "soundfonts"


@pytest.mark.parametrize(
    ("there", "said"),
    [
        ("apt-get", "sudo apt-get install fluid-soundfont-gm"),
        ("dnf", "sudo dnf install fluid-soundfont-gm"),
        ("pacman", "sudo pacman -S soundfont-fluid"),
        ("brew", "download Debian's package fluid-soundfont-gm and take the .sf2 out of it"),
    ],
)
def test_how_to_get_a_better_one_is_said_for_each_system(
    monkeypatch: pytest.MonkeyPatch, there: str, said: str
) -> None:
    monkeypatch.setattr("soundfonts.find.which", lambda name: name == there)
    assert how_to_get() == said


def test_better_ones_are_as_large_and_as_free_as_debian_says() -> None:
    # Installed-Size of Debian's packages, 145172 and 23091 kB; the licence from memory.
    assert set(BETTER) == {
        ("fluid-soundfont-gm", 145, "MIT"),
        ("fluidr3mono-gm-soundfont", 23, "MIT"),
    }
