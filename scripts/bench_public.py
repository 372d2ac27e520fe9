"""The reading on public photos of real lace that are not ours to keep.

Counts by eye, of what is in the photos; none tells its scale, so each is given a rough one,
and only counts and the pitch in pixels are compared.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from lacelay.errors import LacelayError
from lacelay.files.photos import open_photo
from lacelay.model.lace import LaceEdge
from lacelay.reading.read import read_lace
from lacelay.reading.scale import ScaleRequest


@dataclass(frozen=True)
class PublicPhoto:
    """What is known of a public photo.

    Parameters
    ----------
    file : str
    scallops : int or None
        On one edge; None where none were counted.
    pitch_px : tuple of float or None
        Least and largest distance of valleys along the edge.
    px_per_mm : float
        Invented, of the size such a piece may have: no scale is in the photo.
    shows : str
    """

    file: str
    scallops: int | None
    pitch_px: tuple[float, float] | None
    px_per_mm: float
    shows: str


PHOTOS = (
    PublicPhoto("laces-01.jpg", 4, (138, 150), 4.0, "black lace on white, gently curved"),
    PublicPhoto(
        "laces-07.jpg", 11, (35, 35), 3.0, "two narrow strips on black, tufts on the lower"
    ),
    PublicPhoto("bobbin-lace-samples.jpg", 5, (126, 126), 4.0, "11 edgings; the largest"),
    PublicPhoto("oblong-doily.jpg", 18, (484, 491), 12.0, "a closed oblong, scallops round it"),
    PublicPhoto("round-doily.jpeg", 16, None, 10.0, "a closed round"),
    PublicPhoto("square-doily.jpeg", 8, None, 10.0, "a square"),
    PublicPhoto("bookmark.jpeg", 6, (120, 120), 6.0, "a slanting strip, scallops a side"),
    PublicPhoto("lacelike_0073.jpg", None, (121, 121), 4.0, "machine lace filling the photo"),
    PublicPhoto("lacelike_0069.jpg", None, None, 4.0, "a collar corner: motifs only"),
)


def scallops_right(found: int, there: int) -> int:
    """Scallops right out of those there: too many cost as much as too few.

    Examples
    --------
    >>> scallops_right(4, 4), scallops_right(6, 4), scallops_right(1, 4), scallops_right(9, 4)
    (4, 2, 1, 0)
    """
    return max(0, there - abs(found - there))


def report(folder: Path | None) -> str:
    """Read each photo found in a folder, and say what came out, file by file."""
    if folder is None or not folder.is_dir():
        return "Public photos: not there (name their folder with --photos); left out."
    lines = ["Public photos of real lace, read at an invented scale; scallops of the better edge"]
    shares = []
    for photo in PHOTOS:
        paths = sorted(folder.rglob(photo.file))
        if not paths:
            lines.append(f"  {photo.file}: not in {folder.name}, left out")
            continue
        line, share = _one(photo, paths[0])
        lines.append(line)
        if share is not None:
            shares.append(share)
    if shares:
        lines.append(
            f"  scallops right: {100 * np.mean(shares):.0f} +- {100 * np.std(shares):.0f} % "
            f"over {len(shares)} photos"
        )
    return "\n".join(lines)


def _one(photo: PublicPhoto, path: Path) -> tuple[str, float | None]:
    known = ScaleRequest(two_points=((0.0, 0.0), (100.0, 0.0), 100.0 / photo.px_per_mm))
    head = f"  {photo.file} ({photo.shows}):"
    try:
        lace = read_lace(open_photo(path), name=path.stem, scale=known).lace
    except LacelayError as problem:
        return f"{head} NOT READ: {problem}", None if photo.scallops is None else 0.0
    edges: tuple[LaceEdge, LaceEdge] = (lace.lower, lace.upper)
    pitches = [
        f"{edge.pitch_mm.value * lace.scale.px_per_mm:.0f}" if edge.pitch_mm else "none"
        for edge in edges
    ]
    told = f"{edges[0].count} and {edges[1].count} scallops, pitch {pitches[0]} and {pitches[1]} px"
    if photo.pitch_px is not None:
        told += f" (there {photo.pitch_px[0]:.0f} to {photo.pitch_px[1]:.0f} px)"
    repeat = lace.repeat
    told += f", repeat {repeat.length_mm.value * lace.scale.px_per_mm:.0f} px" if repeat else ""
    if photo.scallops is None:
        return f"{head} {told}", None
    there = photo.scallops
    right = max(scallops_right(edge.count, there) for edge in edges)
    doubted = any(edge.doubt for edge in edges)
    said = "" if right == there else " (a doubt says so)" if doubted else " WITHOUT A DOUBT"
    return f"{head} {right} of {there} right{said}; {told}", right / there
