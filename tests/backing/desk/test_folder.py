"""A teacher's folder: nothing outside it is touched, and no word is lost."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from backing.desk.folder import ChangedError, Folder, FolderError
from tests.backing.desk.material import PORCH, WINDOW

TEXT = PORCH.read_text(encoding="utf-8")


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    root = tmp_path / "lessons"
    root.mkdir()
    (root / "porch.toml").write_text(TEXT, encoding="utf-8")
    return Folder(root, tmp_path / "drafts")


@pytest.mark.parametrize(
    "name",
    ["../secret.toml", "/etc/passwd", "a/../../secret.toml", "link.toml", "through/secret.toml",
     ".hidden.toml", "a\\b.toml", "c:x.toml", "a\0.toml", "x.txt", "", "a//b.toml", "‮.toml"],
)  # fmt: skip
def test_no_path_leads_out(folder: Folder, tmp_path: Path, name: str) -> None:
    secret = tmp_path / "secret.toml"
    secret.write_text("title = 'secret'", encoding="utf-8")
    (folder.root / "link.toml").symlink_to(secret)
    (folder.root / "through").symlink_to(tmp_path)
    for use in (lambda: folder.read(name), lambda: folder.save(name, "x", ""),
                lambda: folder.keep(name, WINDOW, "x", "")):  # fmt: skip
        with pytest.raises(FolderError):
            use()
    assert secret.read_text(encoding="utf-8") == "title = 'secret'"
    assert [one["name"] for one in folder.listing()] == ["porch.toml"]


def test_what_is_no_file_is_said(folder: Folder) -> None:
    os.mkfifo(folder.root / "pipe.toml")  # whose other end nobody opens
    (folder.root / "deep.toml").mkdir()
    (folder.root / "latin.toml").write_bytes(b"title = 'caf\xe9'")
    (folder.root / "large.toml").write_bytes(b"#" * 1_000_001)
    for name, said in (("pipe", "not a file"), ("deep", "cannot be read"), ("latin", "UTF-8"),
                       ("large", "over 1 MB"), ("none", "cannot be read")):  # fmt: skip
        with pytest.raises(FolderError, match=said):
            folder.read(f"{name}.toml")
    assert [one["name"] for one in folder.listing()] == ["porch.toml"]


def test_a_link_inside_stays_a_link(folder: Folder) -> None:
    (folder.root / "same.toml").symlink_to(folder.root / "porch.toml")
    opened = folder.read("same.toml")
    folder.save("same.toml", "title = 'new'", opened.stamp)
    assert (folder.root / "same.toml").is_symlink()
    assert folder.read("porch.toml").text == "title = 'new'"


def test_another_program_s_change_is_not_written_over(folder: Folder) -> None:
    opened = folder.read("porch.toml")
    path = folder.root / "porch.toml"
    path.write_text("title = 'theirs'", encoding="utf-8")
    with pytest.raises(ChangedError) as error:
        folder.save("porch.toml", "title = 'mine'", opened.stamp)
    assert error.value.now.text == path.read_text(encoding="utf-8") == "title = 'theirs'"
    saved = folder.save("porch.toml", "title = 'mine'", error.value.now.stamp)
    assert saved.text == "title = 'mine'"


def test_a_file_keeps_its_line_ends(folder: Folder) -> None:
    (folder.root / "dos.toml").write_bytes(b"title = 'a'\r\n# b\r\n")
    opened = folder.read("dos.toml")
    assert opened.text == "title = 'a'\n# b\n"
    folder.save("dos.toml", "title = 'c'\n# b\n", opened.stamp)
    assert (folder.root / "dos.toml").read_bytes() == b"title = 'c'\r\n# b\r\n"


def test_a_draft_is_kept_until_it_is_saved(folder: Folder) -> None:
    opened = folder.read("porch.toml")
    folder.keep("porch.toml", WINDOW, TEXT + "# é𝄞", opened.stamp)
    folder.keep("porch.toml", "fedcba9876543210", TEXT + "# two", opened.stamp)
    again = Folder(folder.root, folder.memory.parents[1])
    assert [one["text"][-3:] for one in again.drafts()] == ["two", " é𝄞"]
    folder.keep("porch.toml", WINDOW, TEXT, opened.stamp)  # as it is saved
    folder.drop("porch.toml", "fedcba9876543210")
    assert folder.drafts("porch.toml") == []
