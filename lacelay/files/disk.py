"""Whole files in and out: every failure of the disk as one plain sentence."""

from __future__ import annotations

import contextlib
import errno
import os
import tempfile
from pathlib import Path

from lacelay.errors import FileFormError, MissingFileError, WriteError


def read_file(path: Path, *, largest_bytes: int) -> bytes:
    """Return the bytes of a file.

    Raises
    ------
    MissingFileError
        When it is not there, is a folder or may not be read.
    FileFormError
        When it is empty or larger than `largest_bytes`.
    """
    try:
        size = path.stat().st_size
        if size > largest_bytes:
            raise FileFormError(
                f"{path} is {size / 1e6:.0f} MB, more than the {largest_bytes / 1e6:.0f} MB that "
                "can be read.",
                "Check that it is the right file.",
            )
        data = path.read_bytes()
    except OSError as problem:
        raise missing_file(path, problem) from problem
    if not data:
        raise FileFormError(f"{path} is empty.", "Save or copy it again.")
    return data


def missing_file(path: Path, problem: OSError) -> MissingFileError:
    """Say why a file could not be read."""
    if isinstance(problem, FileNotFoundError | NotADirectoryError):
        return MissingFileError(f"There is no file {path}.", "Check the name and the folder.")
    if isinstance(problem, IsADirectoryError):
        return MissingFileError(f"{path} is a folder.", "Name a file in it.")
    if isinstance(problem, PermissionError):
        return MissingFileError(f"{path} may not be read.", "Change its permissions or copy it.")
    reason = problem.strerror or str(problem)
    return MissingFileError(f"{path} cannot be read: {reason}.", "Copy it to another place.")


def write_file(path: Path, data: bytes) -> None:
    """Write a file whole or not at all; missing folders are made.

    The bytes go to a temporary file in the same folder, which then takes the file's place,
    so that a full disk never leaves half a plan behind.

    Raises
    ------
    WriteError
        When the folder or the file cannot be written.
    """
    temporary: str | None = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.is_dir():
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=".lacelay-")
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(temporary, _usual_mode(path))
        os.replace(temporary, path)
    except OSError as problem:
        if temporary is not None:
            with contextlib.suppress(OSError):
                os.unlink(temporary)
        raise _write_error(path, problem) from problem


def _usual_mode(path: Path) -> int:
    """Mode of the file that is replaced, or what the user's umask allows a new one."""
    if path.exists():
        return path.stat().st_mode & 0o777
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask


def _write_error(path: Path, problem: OSError) -> WriteError:
    if problem.errno in (errno.ENOSPC, errno.EDQUOT):
        return WriteError(f"The disk is full: {path} was not written.", "Make room and try again.")
    if isinstance(problem, IsADirectoryError):
        return WriteError(f"{path} is a folder.", "Name a file to write.")
    if isinstance(problem, FileExistsError | NotADirectoryError):
        return WriteError(
            f"{path} cannot be written: a file lies where its folder should be.",
            "Name another folder.",
        )
    if isinstance(problem, PermissionError) or problem.errno == errno.EROFS:
        return WriteError(f"{path} may not be written.", "Name a folder that is yours to write in.")
    reason = problem.strerror or str(problem)
    return WriteError(f"{path} cannot be written: {reason}.", "Name another folder.")
