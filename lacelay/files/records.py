"""Lace records, edges and plans read from and written to disk.

A lace record and a plan may have a picture beside them, `<stem>.lace.png`: the lace cut out
of its mat. It is named relative to the file and held to its checksum.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

from lacelay.errors import FileFormError
from lacelay.files.disk import read_file, write_file
from lacelay.files.forms_lace import LaceFile, PictureForm, lace_form, lace_from_form
from lacelay.files.forms_plan import EXACT, PlanFile, plan_file, plan_from_file
from lacelay.files.forms_target import TargetFile, target_form, target_from_form
from lacelay.files.json_form import encode, mm, plain, read_form, sound
from lacelay.files.photos import encode_png, open_cutout
from lacelay.model.lace import Lace
from lacelay.model.picture import LacePicture
from lacelay.model.plan import Plan
from lacelay.model.target import TargetEdge

NAMES = {
    "lacelay-lace": "a lace record",
    "lacelay-edge": "an edge",
    "lacelay-plan": "a plan",
    "lacelay-corrections": "the corrections of a photo",
    "lacelay-hand": "what is asked of a plan",
}
_LARGEST_PICTURE_BYTES = 1_000_000_000


def write_lace(
    path: Path,
    lace: Lace,
    picture: LacePicture | PictureForm | None = None,
    *,
    photo_file: str | None = None,
) -> None:
    """Write a lace record, and its picture beside it.

    Parameters
    ----------
    path : Path
        The JSON file; a picture becomes `<stem>.lace.png`.
    lace : Lace
    picture : LacePicture, PictureForm or None
        A form where the picture was written already, beside another file in this folder.
    photo_file : str or None
        Name of the photo it was read from.

    Raises
    ------
    WriteError
        When either cannot be written.
    """
    beside = write_picture(path, picture) if isinstance(picture, LacePicture) else picture
    write_file(path, encode(LaceFile(photo_file=photo_file, picture=beside, lace=lace_form(lace))))


def read_lace_file(path: Path) -> tuple[Lace, LacePicture | None]:
    """Read a lace record and its picture.

    Raises
    ------
    MissingFileError, FileFormError, PhotoError
        When the record or its picture is not there or not as documented.
    """
    form = read_form(path, LaceFile, NAMES)
    with sound(path):
        lace = lace_from_form(form.lace)
    return lace, _read_picture(path, form.picture)


def write_target(path: Path, target: TargetEdge) -> None:
    """Write an edge.

    Raises
    ------
    WriteError
        When it cannot be written.
    """
    write_file(path, encode(TargetFile(edge=target_form(target))))


def read_target(path: Path) -> TargetEdge:
    """Read an edge.

    Raises
    ------
    MissingFileError, FileFormError
        When it is not there or not as documented.
    """
    form = read_form(path, TargetFile, NAMES)
    with sound(path):
        return target_from_form(form.edge)


def write_plan(path: Path, plan: Plan, picture: LacePicture | PictureForm | None = None) -> None:
    """Write a plan, and the lace's picture beside it, as `write_lace` does.

    Raises
    ------
    WriteError
        When either cannot be written.
    """
    beside = write_picture(path, picture) if isinstance(picture, LacePicture) else picture
    write_file(path, encode(plan_file(plan, beside)))


def read_plan(path: Path) -> tuple[Plan, LacePicture | None]:
    """Read a plan and the picture of its lace.

    Raises
    ------
    MissingFileError, FileFormError, PhotoError
        When the plan or its picture is not there or not as documented.
    """
    form = read_form(path, PlanFile, NAMES, EXACT)
    with sound(path):
        plan = plan_from_file(form)
    return plan, _read_picture(path, form.picture)


def is_record(path: Path) -> bool:
    """Whether a file is meant as JSON of ours, rather than a photo."""
    return path.suffix.lower() == ".json"


def write_picture(path: Path, picture: LacePicture) -> PictureForm:
    """Write the picture that belongs to a JSON file, and return what the file says of it."""
    data = encode_png(picture.rgba)
    beside = path.with_name(f"{path.stem}.lace.png")
    write_file(beside, data)
    return PictureForm(
        file=beside.name,
        sha256=hashlib.sha256(data).hexdigest(),
        px_per_mm=plain(picture.px_per_mm),
        u0_mm=mm(picture.u0_mm),
        v0_mm=mm(picture.v0_mm),
    )


def _read_picture(path: Path, form: PictureForm | None) -> LacePicture | None:
    if form is None:
        return None
    if Path(form.file).name != form.file or form.file in ("", ".", ".."):
        raise FileFormError(
            f"{path} names a picture outside its own folder ('{form.file}').",
            "Put the picture beside the file.",
        )
    beside = path.with_name(form.file)
    data = read_file(beside, largest_bytes=_LARGEST_PICTURE_BYTES)
    if hashlib.sha256(data).hexdigest() != form.sha256:
        raise FileFormError(
            f"{beside} is not the picture that {path} was made with.",
            "Read the photo again, or put the right picture back.",
        )
    with sound(path):
        return LacePicture(open_cutout(beside), form.px_per_mm, form.u0_mm, form.v0_mm)
