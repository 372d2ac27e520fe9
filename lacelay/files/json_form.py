"""What all our JSON files have in common: a name, a version, numbers, layout and refusals.

Every file says what it is (`format`) and which form it has (`version`, an integer). Numbers
are finite, rounded far below what anyone can measure, so that the same plan always gives
the same bytes: lengths to 1e-6 mm, pixels to 1e-3, angles and plain numbers to 1e-12.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Annotated, Any, TypeVar

import msgspec
import numpy as np
from numpy.typing import NDArray

from lacelay.errors import FileFormError
from lacelay.files.disk import read_file

LARGEST_BYTES = 200_000_000
_REMEDY = "Make the file again, or mend it by its JSON Schema."

Mm = Annotated[float, msgspec.Meta(ge=-1e7, le=1e7)]
Length = Annotated[float, msgspec.Meta(ge=0, le=1e7)]
Px = Annotated[float, msgspec.Meta(ge=-1e7, le=1e7)]
Plain = Annotated[float, msgspec.Meta(ge=-1e12, le=1e12)]
NotNegative = Annotated[float, msgspec.Meta(ge=0, le=1e12)]
Share = Annotated[float, msgspec.Meta(ge=0, le=1)]
Count = Annotated[int, msgspec.Meta(ge=0, le=10_000_000)]
Point = tuple[Mm, Mm]
PointPx = tuple[Px, Px]


class Form(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A part of a file: no field of it may be misspelt."""


class _Head(msgspec.Struct):
    """What is looked at before anything else."""

    format: str
    version: int


FormT = TypeVar("FormT", bound=Form)


def encode(form: Form) -> bytes:
    """Return the bytes of a file: objects on lines of their own, number lists in one line."""
    return (_laid_out(msgspec.to_builtins(form), "") + "\n").encode()


def _laid_out(value: Any, indent: str) -> str:
    deeper = indent + " "
    if isinstance(value, dict) and value:
        lines = [
            f"{deeper}{_plain(name)}: {_laid_out(each, deeper)}" for name, each in value.items()
        ]
        return "{\n" + ",\n".join(lines) + f"\n{indent}}}"
    if isinstance(value, list | tuple) and any(isinstance(each, dict) for each in value):
        lines = [deeper + _laid_out(each, deeper) for each in value]
        return "[\n" + ",\n".join(lines) + f"\n{indent}]"
    return _plain(value)


def _plain(value: Any) -> str:
    return msgspec.json.encode(value).decode()


def read_form(
    path: Path,
    kind: type[FormT],
    names: Mapping[str, str],
    exact: Mapping[tuple[str, ...], type] | None = None,
) -> FormT:
    """Read a file of ours.

    Parameters
    ----------
    path : Path
    kind : type
        The form expected; its `format` and `version` are literals.
    names : mapping
        What each `format` is called in words.
    exact : mapping, optional
        Parts read straight into dataclasses, by their place; no name in them may be unknown.

    Raises
    ------
    MissingFileError
        When it is not there.
    FileFormError
        When it is of another kind, of a newer version or malformed; names the place.
    """
    data = read_file(path, largest_bytes=LARGEST_BYTES)
    wanted, known = _literal(kind, "format"), _literal(kind, "version")
    try:
        head = msgspec.json.decode(data, type=_Head)
    except (msgspec.MsgspecError, RecursionError, UnicodeDecodeError) as problem:
        raise FileFormError(
            f"{path} is not a file of lacelay ({problem}).", f"Give {names[wanted]}."
        ) from problem
    if head.format != wanted:
        found = names.get(head.format, f"something else ('{head.format[:40]}')")
        raise FileFormError(f"{path} is {found}, not {names[wanted]}.", f"Give {names[wanted]}.")
    if head.version != known:
        raise FileFormError(
            f"{path} has version {head.version} of its form; this lacelay knows version {known}.",
            "Bring lacelay up to date, or make the file again.",
        )
    try:
        form = msgspec.json.decode(data, type=kind)
    except (msgspec.MsgspecError, RecursionError, UnicodeDecodeError) as problem:
        raise FileFormError(f"{path} is malformed: {problem}.", _REMEDY) from problem
    if exact:
        _hold_names(path, data, exact)
    return form


def _literal(kind: type[Form], name: str) -> Any:
    """Return the only value a field may have."""
    (field,) = (each for each in msgspec.structs.fields(kind) if each.name == name)
    return field.default


def _hold_names(path: Path, data: bytes, exact: Mapping[tuple[str, ...], type]) -> None:
    whole = msgspec.json.decode(data)
    for keys, kind in exact.items():
        part = whole
        for key in keys:
            part = part[key]
        known = {each.name for each in fields(kind)}
        for name in part:
            if name not in known:
                raise FileFormError(
                    f"{path} is malformed: unknown field `{name}` - at `$.{'.'.join(keys)}`.",
                    f"Known are {', '.join(sorted(known))}.",
                )


@contextlib.contextmanager
def sound(path: Path) -> Iterator[None]:
    """Turn what the model refuses into a refusal of the file."""
    try:
        yield
    except ValueError as problem:
        raise FileFormError(f"{path} contradicts itself: {problem}.", _REMEDY) from problem


@contextlib.contextmanager
def place(name: str) -> Iterator[None]:
    """Name the part of the file in what the model refuses."""
    try:
        yield
    except FileFormError:
        raise
    except (ValueError, OverflowError, np.linalg.LinAlgError) as problem:
        raise ValueError(f"in {name}, {problem}") from problem


def mm(value: float) -> float:
    """Millimetres as stored."""
    return round(float(value), 6) + 0.0


def plain(value: float) -> float:
    """Angles and plain numbers as stored."""
    return round(float(value), 12) + 0.0


def significant(value: float) -> float:
    """Numbers of any size (a homography's) as stored: 15 significant digits."""
    return float(f"{float(value):.15g}") + 0.0


def points_mm(points: NDArray[np.float64]) -> list[tuple[float, float]]:
    """Points in millimetres as stored."""
    return _pairs(points, 6)


def points_px(points: NDArray[np.float64]) -> list[tuple[float, float]]:
    """Points in pixels as stored."""
    return _pairs(points, 3)


def _pairs(points: NDArray[np.float64], digits: int) -> list[tuple[float, float]]:
    rounded = np.round(np.asarray(points, dtype=float).reshape(-1, 2), digits) + 0.0
    return [(x, y) for x, y in rounded.tolist()]


def as_points(pairs: Sequence[tuple[float, float]]) -> NDArray[np.float64]:
    """Stored points as an array, shape (n, 2)."""
    return np.asarray(pairs, dtype=float).reshape(-1, 2)
