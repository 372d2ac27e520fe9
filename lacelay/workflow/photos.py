"""From a photo to a lace record: reading it, opening it again, rendering one."""

from __future__ import annotations

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
    from lacelay.reading.scale import ScaleRequest


@dataclass(frozen=True, eq=False)
class LaceRead:
    """A lace, its own picture, and the photo it was read from, where there are such."""

    lace: Lace
    picture: LacePicture | None
    photo: Picture | None


def read(
    photo_file: Path,
    *,
    scale: ScaleRequest | None = None,
    name: str | None = None,
    json_file: Path | None = None,
    picture_file: Path | None = None,
    progress: Progress | None = None,
) -> LaceRead:
    """Read a photo of lace, and write its record and the photo with all drawn on it."""
    from lacelay.reading.read import read_lace

    say(progress, "opening the photo", 0.0)
    photo = open_photo(photo_file)
    name = name or photo_file.stem.replace("_", " ")
    reading = read_lace(photo, name=name, scale=scale, progress=progress)
    if json_file is not None:
        write_lace(json_file, reading.lace, reading.picture, photo_file=photo_file.name)
    if picture_file is not None:
        from lacelay.drawing.reading_overlay import draw_reading

        say(progress, "drawing on the photo", 0.95)
        save_picture(picture_file, draw_reading(photo, reading.lace))
    return LaceRead(reading.lace, reading.picture, photo)


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
