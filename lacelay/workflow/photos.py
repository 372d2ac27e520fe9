"""From a photo to a lace record: reading it, opening it again, rendering one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from lacelay.errors import LacelayError
from lacelay.files.photos import Picture, open_photo, save_jpeg, save_png
from lacelay.files.records import is_record, read_lace_file, write_lace
from lacelay.model.lace import Lace
from lacelay.model.picture import LacePicture
from lacelay.workflow.progress import Progress, say

if TYPE_CHECKING:
    from lacelay.correcting.corrected import Note
    from lacelay.reading.read import Reading
    from lacelay.reading.scale import ScaleRequest
    from lacelay.reading.tape import Tape

Point = tuple[float, float]


@dataclass(frozen=True, eq=False)
class LaceRead:
    """A lace, its own picture, and the photo it was read from, where there are such.

    `notes` tell what became of her corrections.
    """

    lace: Lace
    picture: LacePicture | None
    photo: Picture | None
    notes: tuple[Note, ...] = ()


def read(
    photo_file: Path,
    *,
    scale: ScaleRequest | None = None,
    name: str | None = None,
    piece: int = 1,
    corrections_file: Path | None = None,
    tape: Tape | None = None,
    repeat_at_px: tuple[Point, Point] | None = None,
    json_file: Path | None = None,
    picture_file: Path | None = None,
    progress: Progress | None = None,
) -> LaceRead:
    """Read a photo of lace, and write its record and the photo with all drawn on it.

    Of several laces in the photo the largest is piece 1. Corrections are laid over the
    reading; a tape over several repeats completes it.
    """
    from lacelay.reading.tape import complete_by_tape

    photo, reading, notes = _read_one(photo_file, name, scale, piece, corrections_file, progress)
    if tape is not None:
        reading = complete_by_tape(reading, tape, ends_px=repeat_at_px)
    if json_file is not None:
        write_lace(json_file, reading.lace, reading.picture, photo_file=photo_file.name)
    if picture_file is not None:
        from lacelay.drawing.reading_overlay import draw_reading

        say(progress, "drawing on the photo", 0.95)
        save_picture(picture_file, draw_reading(photo, reading.lace))
    return LaceRead(reading.lace, reading.picture, photo, notes)


def read_joined(
    photo_files: Sequence[Path],
    *,
    scale: ScaleRequest | None = None,
    name: str | None = None,
    corrections_files: Sequence[Path] = (),
    overlaps_mm: Sequence[float] = (),
    tape: Tape | None = None,
    json_file: Path | None = None,
    progress: Progress | None = None,
) -> LaceRead:
    """Read overlapping photos of one length of lace, from left to right, as one lace.

    Corrections belong to the photos in their order.
    """
    from lacelay.reading.joined import join_readings
    from lacelay.reading.tape import complete_by_tape

    if len(corrections_files) > len(photo_files):
        raise LacelayError(
            f"There are {len(corrections_files)} files of corrections for "
            f"{len(photo_files)} photos.",
            "Give one for each photo, in the same order.",
        )
    files = [*corrections_files, *[None] * (len(photo_files) - len(corrections_files))]
    readings: list[Reading] = []
    notes: list[Note] = []
    for photo_file, corrections in zip(photo_files, files, strict=True):
        _, reading, said = _read_one(photo_file, name, scale, 1, corrections, progress)
        readings.append(reading)
        notes.extend(said)
    say(progress, "joining the photos", 0.9)
    joined = join_readings(
        readings,
        overlaps_mm=tuple(overlaps_mm) or None,
        names=[file.name for file in photo_files],
    )
    if tape is not None:
        joined = complete_by_tape(joined, tape)
    if json_file is not None:
        write_lace(json_file, joined.lace, joined.picture, photo_file=photo_files[0].name)
    return LaceRead(joined.lace, joined.picture, None, tuple(notes))


def _read_one(
    photo_file: Path,
    name: str | None,
    scale: ScaleRequest | None,
    piece: int,
    corrections_file: Path | None,
    progress: Progress | None,
) -> tuple[Picture, Reading, tuple[Note, ...]]:
    from lacelay.reading.read import Reading, read_lace

    say(progress, "opening the photo", 0.0)
    photo = open_photo(photo_file)
    name = name or photo_file.stem.replace("_", " ")
    reading = read_lace(photo, name=name, scale=scale, piece=piece, progress=progress)
    if corrections_file is None:
        return photo, reading, ()
    from lacelay.correcting.corrected import corrected
    from lacelay.correcting.picture import corrected_picture
    from lacelay.files.forms_corrections import photo_print, read_corrections

    size_px = (photo.shape[1], photo.shape[0])
    made = read_corrections(corrections_file, photo_print(photo_file, size_px))
    lace, notes = corrected(reading.lace, made)
    picture = corrected_picture(reading.picture, reading.lace, lace)
    return photo, Reading(lace, picture), notes


def open_lace(
    file: Path, *, scale: ScaleRequest | None = None, progress: Progress | None = None
) -> LaceRead:
    """Open a lace record, or read a photo of lace."""
    if is_record(file):
        lace, picture = read_lace_file(file)
        return LaceRead(lace, picture, None)
    return read(file, scale=scale, progress=progress)


def render(
    family: str,
    seed: int,
    *,
    out: Path,
    truth: Path | None = None,
    size_px: tuple[int, int] = (4000, 3000),
) -> Lace:
    """Write a rendered lace photo, and what is true of it as a lace record."""
    from lacelay.rendering import FAMILIES, render_photo

    if family not in FAMILIES:
        raise LacelayError(f"There is no lace '{family}'.", f"There are {', '.join(FAMILIES)}.")
    rendered = render_photo(family, seed, size_px=size_px)
    save_picture(out, rendered.photo)
    if truth is not None:
        write_lace(truth, rendered.lace, photo_file=out.name)
    return rendered.lace


def save_picture(file: Path, picture: Picture) -> None:
    """Write a picture as its name says: .png, .jpg or .jpeg."""
    ending = file.suffix.lower()
    if ending == ".png":
        save_png(file, picture)
    elif ending in (".jpg", ".jpeg"):
        save_jpeg(file, picture)
    else:
        raise LacelayError(f"'{file.name}' names no kind of picture.", "End it in .jpg or .png.")
