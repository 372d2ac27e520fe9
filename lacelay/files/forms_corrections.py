"""The corrections of one photo as a file (`lacelay-corrections`), apart from its reading.

Each correction is an object with its `kind` and the fields of that kind in
`lacelay.model.corrections`; the forms are made from those dataclasses, so that a new kind is
written once.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path
from typing import Annotated, Any, Literal, Union, cast, get_type_hints

import msgspec
from msgspec import Meta

from lacelay.errors import CorrectionError, FileFormError
from lacelay.files.disk import missing_file, write_file
from lacelay.files.json_form import (
    Count,
    Form,
    NotNegative,
    PointPx,
    Px,
    encode,
    plain,
    read_form,
)
from lacelay.model.corrections import KINDS, Correction, Corrections, PhotoPrint

NAMES = {"lacelay-corrections": "the corrections of a photo"}
_CHUNK_BYTES = 1 << 20

#: What a field of the model is in the file, by its type there; lengths are never negative.
_AS_STORED: dict[Any, Any] = {
    tuple[float, float]: PointPx,
    tuple[tuple[float, float], ...]: list[PointPx],
    float: NotNegative,
    float | None: Px | None,
    int: Count,
    str: str,
    str | None: str | None,
    bool: bool,
}


def _form_of(kind: type[Correction]) -> type[Form]:
    """The form of one kind, from its dataclass."""
    hints = get_type_hints(kind)
    stored: list[Any] = []
    for each in fields(kind):
        form = _AS_STORED[hints[each.name]]
        if each.name == "id":
            form = Annotated[str, Meta(min_length=1, max_length=40)]
        with_default = each.default is not each.default_factory  # both MISSING where none
        stored.append((each.name, form, each.default) if with_default else (each.name, form))
    made = msgspec.defstruct(
        f"{kind.__name__}Form",
        stored,
        bases=(Form,),
        namespace={"__doc__": kind.__doc__},
        frozen=True,
        kw_only=True,
        tag=kind.kind,
        tag_field="kind",
    )
    return cast(type[Form], made)


_FORMS: dict[type[Correction], type[Form]] = {kind: _form_of(kind) for kind in KINDS}
_KIND_OF = {form: kind for kind, form in _FORMS.items()}


class PhotoPrintForm(Form, frozen=True, kw_only=True):
    """Which photo the corrections belong to: its file's checksum, and its size once upright."""

    sha256: Annotated[str, Meta(pattern="^[0-9a-f]{64}$")]
    size_px: tuple[Count, Count]
    file: str | None = None


class CorrectionsFile(Form, frozen=True, kw_only=True):
    """The corrections of one photo, in the order in which they were made.

    All points are (x, y) in pixels of the upright photo, x right, y down, (0, 0) being the
    centre of its top left pixel. Names in `undone` are taken back for now.
    """

    format: Literal["lacelay-corrections"] = "lacelay-corrections"
    version: Literal[1] = 1
    photo: PhotoPrintForm
    corrections: list[Union[tuple(_FORMS.values())]]  # type: ignore[valid-type]  # noqa: UP007
    undone: list[str] = msgspec.field(default_factory=list)


def photo_print(photo_file: Path, size_px: tuple[int, int]) -> PhotoPrint:
    """Tell a photo from all others: by its file's bytes, and its size once upright.

    Raises
    ------
    MissingFileError
        When it cannot be read.
    """
    digest = hashlib.sha256()
    try:
        with photo_file.open("rb") as file:
            while part := file.read(_CHUNK_BYTES):
                digest.update(part)
    except OSError as problem:
        raise missing_file(photo_file, problem) from problem
    return PhotoPrint(digest.hexdigest(), (int(size_px[0]), int(size_px[1])))


def write_corrections(
    path: Path, corrections: Corrections, *, photo_file: str | None = None
) -> None:
    """Write the corrections of a photo, whole or not at all.

    Raises
    ------
    WriteError
        When they cannot be written.
    """
    form = CorrectionsFile(
        photo=PhotoPrintForm(
            sha256=corrections.photo.sha256, size_px=corrections.photo.size_px, file=photo_file
        ),
        corrections=[_correction_form(each) for each in corrections.items],
        undone=[each.id for each in corrections.items if each.id in corrections.undone],
    )
    write_file(path, encode(form))


def read_corrections(path: Path, photo: PhotoPrint) -> Corrections:
    """Read the corrections of a photo.

    Parameters
    ----------
    path : Path
    photo : PhotoPrint
        The photo they are to be laid over.

    Raises
    ------
    MissingFileError, FileFormError
        When the file is not there, not as documented, or belongs to another photo.
    """
    form = read_form(path, CorrectionsFile, NAMES)
    stored = PhotoPrint(form.photo.sha256, (form.photo.size_px[0], form.photo.size_px[1]))
    if stored != photo:
        named = f" ({form.photo.file})" if form.photo.file else ""
        raise FileFormError(
            f"{path} holds the corrections of another photo{named}.",
            "Give the photo file they were made for, as it was then; one that was cropped, turned "
            "or saved anew counts as another.",
        )
    try:
        return Corrections(
            stored, tuple(_correction(each) for each in form.corrections), frozenset(form.undone)
        )
    except CorrectionError as refusal:
        raise FileFormError(f"{path}: {refusal.found}", refusal.remedy) from refusal


def _correction_form(correction: Correction) -> Form:
    kept = {each.name: _stored(getattr(correction, each.name)) for each in fields(correction)}
    return _FORMS[type(correction)](**kept)


def _stored(value: Any) -> Any:
    """A field as stored: points as lists of pairs, to a thousandth of a pixel."""
    if isinstance(value, tuple) and value and isinstance(value[0], tuple):
        return [_stored(each) for each in value]
    if isinstance(value, tuple):
        return tuple(round(float(each), 3) + 0.0 for each in value)
    return plain(value) if isinstance(value, float) else value


def _correction(form: Form) -> Correction:
    kind = _KIND_OF[type(form)]
    return kind(**{each.name: _tuples(getattr(form, each.name)) for each in fields(kind)})


def _tuples(value: Any) -> Any:
    if isinstance(value, Sequence) and not isinstance(value, str):
        return tuple(_tuples(each) for each in value)
    return value
