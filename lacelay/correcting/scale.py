"""Put the scale right: by a line, by something square-cornered, or by the lace's own width."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lacelay.correcting.doubts import without
from lacelay.correcting.frame import photo_of, scaled, through
from lacelay.correcting.outline import reach_mm
from lacelay.errors import CorrectionError
from lacelay.geometry.photo_map import PhotoMap
from lacelay.model.corrections import ScaleByLine, ScaleByRectangle, ScaleByWidth
from lacelay.model.lace import Lace
from lacelay.units import format_length

Floats = NDArray[np.float64]

#: A point set by hand is right to about this, px (common practice, from memory).
POINT_PX = 1.0
#: A length read off a ruler or tape is right to about this, mm (common practice, from memory).
RULER_MM = 0.3
#: Paper, cards and boxes are cut true to about this share (an assumption, no source).
CUT_TRUE = 0.001
#: A ruler laid over the tips of a lace is good to about this share (an assumption).
ACROSS_TIPS = 0.01
#: A photo taken as seen from straight above errs by about this share (as the reading takes it).
UNSQUARE_SIGMA = 0.015
#: A scale that leaves more doubt than this share, 95 times in 100, says so.
DOUBTFUL, SURE_95 = 0.01, 1.96
#: Two scales that differ by more than this share are worth a word.
WORTH_A_WORD = 0.01
#: Widths of lace that no scale may give, mm.
NARROWEST_MM, WIDEST_MM = 4.0, 1600.0


def by_line(lace: Lace, told: ScaleByLine) -> tuple[Lace, str | None]:
    """Scale a reading so that two points lie as far apart as she told.

    Returns
    -------
    lace : Lace
    word : str or None
        What is worth saying.
    """
    photo = photo_of(lace)
    ends = np.array([told.first_px, told.second_px])
    apart = float(np.hypot(*np.diff(photo.photo_to_mat_mm(ends), axis=0)[0]))
    pixels = float(np.hypot(*np.diff(ends, axis=0)[0]))
    sigma = float(np.hypot(np.sqrt(2) * POINT_PX / pixels, RULER_MM / told.length_mm))
    return _settled(
        lace, told.length_mm / apart, sigma, f"two points {format_length(told.length_mm)} apart"
    )


def by_width(lace: Lace, told: ScaleByWidth) -> tuple[Lace, str | None]:
    """Scale a reading so that it is as wide from tips to tips as she told."""
    over_all = reach_mm(lace, "upper") - reach_mm(lace, "lower")
    return _settled(
        lace,
        told.width_mm / over_all,
        ACROSS_TIPS,
        f"lace's width of {format_length(told.width_mm)}",
    )


def by_rectangle(lace: Lace, told: ScaleByRectangle) -> tuple[Lace, str | None]:
    """Map the photo anew so that four points are the corners of the rectangle she told."""
    photo = photo_of(lace)
    corners = np.array(told.corners_px)
    freed = _freed(photo, corners)
    w, h = told.width_mm, told.height_mm
    true = np.array([[0.0, 0], [w, 0], [w, h], [0, h]])
    x, y = corners.T
    if np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) > 0:  # clockwise to the eye: y is down
        true = np.array([[0.0, h], [w, h], [w, 0], [0, 0]])
    axis_px = photo.mat_to_photo(photo.axis_mat_mm)
    plain = replace(photo, photo_to_mat=_homography(freed, true))
    square = replace(plain, axis_mat_mm=plain.photo_to_mat_mm(axis_px))
    turned = _looking_the_same_way(lace, square)
    shortest = float(np.hypot(*(np.roll(corners, -1, axis=0) - corners).T).min())
    sigma = float(np.hypot(np.sqrt(2) * POINT_PX / shortest, CUT_TRUE))
    name = f"a rectangle of {format_length(w)} by {format_length(h)}"
    growth = turned.length_mm / lace.length_mm
    settled, _ = _settled(turned, 1.0, sigma, name, perspective=True)
    return settled, _word(growth, name, lace, sigma)


def _settled(
    lace: Lace, factor: float, sigma: float, name: str, *, perspective: bool = False
) -> tuple[Lace, str | None]:
    width = lace.width_mm.value * factor
    if not NARROWEST_MM <= width <= WIDEST_MM:
        raise CorrectionError(
            f"By {_with_article(name)} the lace would be {width:.1f} mm wide.",
            "Check the length told, and that the points are the right ones.",
        )
    answered = without(lace, "scale")
    if not perspective and _taken_as_square(photo_of(lace)):
        sigma = float(np.hypot(sigma, UNSQUARE_SIGMA))
        doubt = (
            f"The scale comes from {_with_article(name)} alone: the photo is taken as seen from "
            "straight above, so lengths far from there may be a few per cent out."
        )
        answered = replace(answered, doubts=(doubt, *answered.doubts))
    if SURE_95 * sigma > DOUBTFUL:
        doubt = f"The scale is good to {SURE_95 * sigma:.1%} only, 95 times in 100."
        answered = replace(answered, doubts=(doubt, *answered.doubts))
    return scaled(answered, factor, sigma, name), _word(factor, name, lace, sigma)


def _with_article(name: str) -> str:
    return name if name.startswith(("a ", "two ")) else f"the {name}"


def _word(factor: float, name: str, lace: Lace, sigma: float) -> str | None:
    """What to say where the new scale and the reading's own contradict each other."""
    off = abs(factor - 1)
    if off <= max(WORTH_A_WORD, 3 * float(np.hypot(sigma, lace.scale.relative_sigma))):
        return None
    return (
        f"By {_with_article(name)} the lace is {off:.1%} {'larger' if factor > 1 else 'smaller'} "
        f"than by the {lace.scale.reference}; {_with_article(name)} was used."
    )


def _taken_as_square(photo: PhotoMap) -> bool:
    """Whether the map holds no perspective: a photo taken as seen from straight above."""
    return bool(np.all(photo.photo_to_mat[2, :2] == 0))


def _freed(photo: PhotoMap, points_px: Floats) -> Floats:
    """Photo points freed of lens distortion."""
    plain = replace(photo, photo_to_mat=np.eye(3))
    return plain.photo_to_mat_mm(points_px)


def _homography(source: Floats, target: Floats) -> Floats:
    """The homography that takes four points to four others, shape (3, 3)."""
    # Both are brought to the size of one first: the equations are ill set in pixels.
    to_unit, from_unit = _to_unit(source), np.linalg.inv(_to_unit(target))
    a = _project(to_unit, source)
    b = _project(_to_unit(target), target)
    rows = []
    for (x, y), (u, v) in zip(a, b, strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y, -u])
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y, -v])
    null = np.linalg.svd(np.array(rows))[2][-1].reshape(3, 3)
    whole = from_unit @ null @ to_unit
    return np.asarray(whole / whole[2, 2], dtype=np.float64)


def _to_unit(points: Floats) -> Floats:
    centre, size = points.mean(axis=0), float(np.ptp(points, axis=0).max())
    return np.array([[1 / size, 0, -centre[0] / size], [0, 1 / size, -centre[1] / size], [0, 0, 1]])


def _project(homography: Floats, points: Floats) -> Floats:
    moved = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return np.asarray(moved[:, :2] / moved[:, 2:], dtype=np.float64)


def _looking_the_same_way(lace: Lace, photo: PhotoMap) -> Lace:
    """The record through a new map; refused where the map turns the lace inside out."""
    ring = photo_of(lace).lace_to_photo(lace.outline_mm)
    depth = _freed(photo, ring) @ photo.photo_to_mat[2, :2] + photo.photo_to_mat[2, 2]
    if not (np.all(depth > 0) or np.all(depth < 0)):
        raise CorrectionError(
            "By the four corners told, part of the lace would lie beyond the horizon.",
            "Set each corner exactly on its own corner in the photo.",
        )
    return through(lace, photo)
