"""Find a sheet of paper or a bank card in the photo: rectangles of known size.

A4 is 210 x 297 mm (ISO 216), Letter 8 1/2 x 11 in, an ID-1 card 85.60 x 53.98 mm with
corners of 3.18 mm radius (ISO/IEC 7810). They are told apart by their ratio, which a camera's
slant does not hide, and a card from paper by its rounded corners.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.errors import ScaleError
from lacelay.reading.found import Found, Kind
from lacelay.reading.halves import Halves
from lacelay.reading.lens import PlaneFit, Sights, first_homography, fit_plane
from lacelay.reading.quads import (
    Quad,
    find_quads,
    measure_quad,
    rectangle_misses,
    rounded_off,
    shape_miss,
)
from lacelay.units import MM_PER_INCH

Floats = NDArray[np.float64]
Image8 = NDArray[np.uint8]


@dataclass(frozen=True)
class Shape:
    """A rectangle of known size, long side first, and how exactly it is made.

    `sigma` is a share of its lengths. `rounded` is what a corner loses over the long side.
    """

    kind: Kind
    name: str
    long_mm: float
    short_mm: float
    sigma: float
    rounded: float

    @property
    def ratio(self) -> float:
        """Long side over short side."""
        return self.long_mm / self.short_mm


#: ISO 216 allows 2 mm on sides of 150 to 600 mm; taken as three sigma of each side, which
#: gives 0.27 % of the scale. Letter has no published tolerance: cut like A4, common practice.
PAPER_SIGMA = 0.0027
#: ISO/IEC 7810 allows 0.12 mm on the long side; a card's face lies 0.76 mm nearer the lens.
CARD_SIGMA = 0.0015
SHAPES = (
    Shape("sheet", "A4 sheet", 297.0, 210.0, PAPER_SIGMA, 0.0),
    Shape("sheet", "Letter sheet", 11 * MM_PER_INCH, 8.5 * MM_PER_INCH, PAPER_SIGMA, 0.0),
    Shape("card", "bank card", 85.60, 53.98, CARD_SIGMA, (2**0.5 - 1) * 3.18 / 85.60),
)
#: A rectangle's ratio must be met within this share: A4 and Letter differ by 9 %, A4 and 7 x 5
#: in by 1 %, a card and a playing card by 2 %.
SHAPED = 0.009
#: Another size or the same the other way round must miss by this much more, or the slant hides
#: which it is.
AMBIGUOUS = 2.0
#: Between sharp corners and those of a card, as a share of the long side.
SHARP, LEAST_ROUNDED, MOST_ROUNDED = 0.006, 0.0095, 0.024
#: Paper: lightness at least, colour at most, and how much lighter than what it lies on.
PAPER_LIGHT, PAPER_COLOUR, PAPER_STEP = 50.0, 18.0, 5.0
#: Share of the photo's longer side that a sheet's and a card's long side takes.
SHEET_SPAN, CARD_SPAN = (0.08, 1.0), (0.02, 0.5)
#: Share inside that has one colour: of paper at least, and where nothing lies on it; and share
#: of its edge beyond which the mat is seen, where nothing lies on it.
PLAIN_PAPER, BARE, CLEAR = 0.3, 0.96, 0.97
SIDE_SIGMA_PX = 0.3
#: Places along a side are not independent: about eight of them are.
INDEPENDENT_PER_SIDE = 8
#: Most that measured places lie off a side, px and as a share of the long side.
MOST_RESIDUAL_PX, MOST_RESIDUAL = 1.0, 0.0015
#: Said where nothing else confirms it.
TAKEN_FOR_A4 = "The sheet of paper is taken for A4; A3 and A5 have the same shape."
CORNERS = ("corner 1", "corner 2", "corner 3", "corner 4")


def find_sheets(photo: Image8, halves: Halves | None = None) -> list[Found]:
    """Find sheets of A4 or Letter and ID-1 cards that lie whole in the photo.

    Parameters
    ----------
    photo : ndarray of uint8, shape (h, w, 3)
        sRGB.
    halves : Halves, optional
        The photo's smaller pictures, where they are made already.

    Returns
    -------
    list of Found
        At most one of each kind, the one best measured.
    """
    size = photo.shape[1], photo.shape[0]
    found: dict[str, Found] = {}
    for quad in find_quads(photo, [shape.ratio for shape in SHAPES], halves):
        shape = shape_of(quad, photo)
        if shape is None:
            continue
        one = _found(quad, shape, size)
        before = found.get(shape.name)
        if one is not None and (before is None or one.relative_sigma < before.relative_sigma):
            found[shape.name] = one
    return list(found.values())


def shape_of(quad: Quad, photo: Image8) -> Shape | None:
    """Which of the known rectangles it is, if any."""
    size = photo.shape[1], photo.shape[0]
    misses = [
        miss for shape in SHAPES for miss in rectangle_misses(quad.corners_px, shape.ratio, size)
    ]
    order = np.argsort(misses)
    shape = SHAPES[order[0] // 2]
    sides = np.hypot(*(np.roll(quad.corners_px, -1, axis=0) - quad.corners_px).T)
    span = float(sides.max()) / max(size)
    # A corner is known to half a pixel or so: a small card may miss by that.
    allowed = SHAPED + 0.7 / float(sides.min())
    if misses[order[0]] > allowed or misses[order[1]] < AMBIGUOUS * allowed:
        return None
    low, high = SHEET_SPAN if shape.kind == "sheet" else CARD_SPAN
    if not low <= span <= high:
        return None
    rounded = rounded_off(photo, quad)
    if not np.isfinite(rounded):
        return None
    if shape.kind == "card":
        if quad.seen < 0.75 or not LEAST_ROUNDED <= rounded <= MOST_ROUNDED:
            return None
        return shape
    light, colour = float(quad.inside[0]), float(np.hypot(*quad.inside[1:]))
    is_paper = light > PAPER_LIGHT and colour < PAPER_COLOUR
    if not is_paper or light < quad.outside[0] + PAPER_STEP or quad.plain < PLAIN_PAPER:
        return None
    return shape if rounded < SHARP else None


def _found(quad: Quad, shape: Shape, size_px: tuple[int, int]) -> Found | None:
    plane = sides_plane(quad, shape, size_px)
    if plane is None:
        return None
    long_px = float(np.hypot(*(np.roll(quad.corners_px, -1, axis=0) - quad.corners_px).T).max())
    if plane.residual_px > max(MOST_RESIDUAL_PX, MOST_RESIDUAL * long_px):
        return None
    corners = plane.to_photo(_corners_mm(quad, shape, size_px))
    # White lace does not show on white paper, but where it comes over its edge.
    bare = shape.kind == "card" or (quad.plain > BARE and quad.clear > CLEAR)
    return _with_corners(plane, shape, corners, bare)


def _corners_mm(quad: Quad, shape: Shape, size_px: tuple[int, int]) -> Floats:
    """Corner 0 to 3 on the mat, clockwise as seen, shape (4, 2)."""
    lies = shape_miss(quad.corners_px, shape.ratio, size_px)[1]
    w, h = (shape.long_mm, shape.short_mm) if lies else (shape.short_mm, shape.long_mm)
    return np.array([[0.0, h], [w, h], [w, 0.0], [0.0, 0.0]])


def sides_plane(quad: Quad, shape: Shape, size_px: tuple[int, int]) -> PlaneFit | None:
    """The map that the four measured sides give, with the lens where they tell it."""
    mm = _corners_mm(quad, shape, size_px)
    w, h = mm[2, 0], mm[0, 1]
    start = first_homography(quad.corners_px, mm)
    if start is None:
        return None
    normals = np.array([[0.0, 1], [1, 0], [0, 1], [1, 0]])
    offsets = np.array([h, w, 0.0, 0.0])
    counts = [len(side) for side in quad.side_px]
    sights = Sights(
        np.concatenate(quad.side_px), np.repeat(normals, counts, axis=0), np.repeat(offsets, counts)
    )
    return fit_plane(
        sights,
        start,
        size_px,
        sigma_px=SIDE_SIGMA_PX,
        independent=min(1.0, 4 * INDEPENDENT_PER_SIDE / sum(counts)),
    )


def _with_corners(plane: PlaneFit, shape: Shape, corners: Floats, bare: bool) -> Found:
    middle = corners.mean(axis=0)
    return Found(
        kind=shape.kind,
        name=shape.name,
        photo_to_mat=plane.photo_to_mat,
        centre_px=plane.centre_px,
        focal_px=plane.focal_px,
        relative_sigma=float(np.hypot(plane.relative_sigma, shape.sigma)),
        middle_px=(float(middle[0]), float(middle[1])),
        areas_px=(corners,),
        points_px={
            name: (float(x), float(y)) for name, (x, y) in zip(CORNERS, corners, strict=True)
        },
        radial=plane.radial,
        bare=bare,
        residual_px=plane.residual_px,
        doubts=(TAKEN_FOR_A4,) if shape.name == "A4 sheet" else (),
    )


def moved_sheet(
    found: Found,
    points_px: Mapping[str, tuple[float, float]],
    size_px: tuple[int, int],
    photo: Image8 | None = None,
) -> Found:
    """The sheet or card again, from its four corners as she moved them.

    With the photo at hand its sides are measured near there; else, or where they cannot be
    seen, the corners themselves count, to a pixel or so.
    """
    shape = next(shape for shape in SHAPES if shape.name == found.name)
    corners = np.array([points_px[name] for name in CORNERS], dtype=float)
    if photo is not None:
        quad = measure_quad(photo, corners)
        near = 0.03 * float(np.hypot(*np.ptp(corners, axis=0)))
        if quad is not None and np.abs(quad.corners_px - corners).max() < near:
            again = _found(quad, shape, size_px)
            if again is not None:
                return again
    ratio, lies = shape_miss(corners, shape.ratio, size_px)
    if ratio > 0.15:
        raise ScaleError(
            f"The four corners as moved do not fit a {shape.name}.",
            "Move each corner back onto its own corner in the photo.",
        )
    w, h = (shape.long_mm, shape.short_mm) if lies else (shape.short_mm, shape.long_mm)
    return _with_corners(corners_plane(corners, (w, h), size_px), shape, corners, found.bare)


def corners_plane(
    corners_px: Floats, sides_mm: tuple[float, float], size_px: tuple[int, int]
) -> PlaneFit:
    """The map from four corners alone, told by hand.

    Parameters
    ----------
    corners_px : ndarray, shape (4, 2)
        In order round the rectangle.
    sides_mm : tuple of float
        First to second corner, second to third.
    size_px : tuple of int

    Raises
    ------
    ScaleError
        When they make no rectangle seen from anywhere.
    """
    corners = np.asarray(corners_px, dtype=float)
    remedy = "Give the four corners of one rectangle in order round it, well apart."
    x, y = corners.T
    turn = float(x @ np.roll(y, -1) - y @ np.roll(x, -1))
    convex = cv2.isContourConvex(corners.astype(np.float32).reshape(-1, 1, 2))
    if not convex or abs(turn) / 2 < 400:
        raise ScaleError("The four points make no rectangle.", remedy)
    w, h = sides_mm
    mm = np.array([[0.0, h], [w, h], [w, 0.0], [0.0, 0.0]])
    if turn < 0:  # counter-clockwise as seen: the same rectangle, gone round the other way
        mm = mm * [1, -1] + [0, h]
    start = first_homography(corners, mm)
    plane = None
    if start is not None:
        plane = fit_plane(
            Sights.of_points(corners, mm),
            start,
            size_px,
            sigma_px=POINTED_SIGMA_PX,
            lens=False,
        )
    if plane is None:
        raise ScaleError("The four points make no rectangle.", remedy)
    return plane


#: How closely a point is set by hand on a photo, px.
POINTED_SIGMA_PX = 1.5
