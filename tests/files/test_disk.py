"""Files written whole or not at all; failures of the disk in words."""

import errno
import os
from pathlib import Path

import pytest

from lacelay.errors import FileFormError, MissingFileError, WriteError
from lacelay.files.disk import read_file, write_file


def test_what_is_written_is_read(tmp_path: Path) -> None:
    path = tmp_path / "new folder" / "plan.json"
    write_file(path, b"one")
    write_file(path, b"two")
    assert read_file(path, largest_bytes=10) == b"two"
    assert [each.name for each in path.parent.iterdir()] == ["plan.json"]


def test_a_new_file_has_the_usual_mode_and_an_old_one_keeps_its_own(tmp_path: Path) -> None:
    plain, ours = tmp_path / "plain", tmp_path / "ours"
    plain.write_bytes(b"x")
    write_file(ours, b"x")
    assert ours.stat().st_mode == plain.stat().st_mode
    ours.chmod(0o600)
    write_file(ours, b"y")
    assert ours.stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "disk is full"),
        (errno.EROFS, "may not be written"),
        (errno.EACCES, "may not be written"),
        (errno.EIO, "cannot be written"),
    ],
)
def test_a_failing_disk_leaves_the_old_file(tmp_path, monkeypatch, number, words) -> None:
    path = tmp_path / "plan.json"
    write_file(path, b"old")

    def fail(_handle: int) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(WriteError, match=words):
        write_file(path, b"new")
    assert path.read_bytes() == b"old"
    assert [each.name for each in tmp_path.iterdir()] == ["plan.json"]


def test_a_folder_is_no_file_to_write(tmp_path: Path) -> None:
    with pytest.raises(WriteError, match="is a folder"):
        write_file(tmp_path, b"x")


def test_a_file_is_no_folder_to_write_in(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"x")
    with pytest.raises(WriteError, match="a file lies where its folder should be"):
        write_file(tmp_path / "a" / "b.json", b"x")


def test_missing_empty_and_huge_files_are_told(tmp_path: Path) -> None:
    with pytest.raises(MissingFileError, match="There is no file"):
        read_file(tmp_path / "none.json", largest_bytes=10)
    with pytest.raises(MissingFileError, match="is a folder"):
        read_file(tmp_path, largest_bytes=10**9)
    (tmp_path / "empty").touch()
    with pytest.raises(FileFormError, match="is empty"):
        read_file(tmp_path / "empty", largest_bytes=10)
    (tmp_path / "huge").write_bytes(b"x" * 11)
    with pytest.raises(FileFormError, match="more than"):
        read_file(tmp_path / "huge", largest_bytes=10)
