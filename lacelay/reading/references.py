"""All references in a photo: found by themselves, told, and put right by hand."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.errors import ScaleError
from lacelay.reading.board import find_board, moved_board
from lacelay.reading.found import KINDS, Floats, Found
from lacelay.reading.halves import Halves
from lacelay.reading.ruler import find_rulers, moved_ruler
from lacelay.reading.sheets import corners_plane, find_sheets, moved_sheet
from lacelay.units import format_length

Image8 = NDArray[np.uint8]
Point = tuple[float, float]

#: Two references contradict each other when they differ by this share at least, and by three
#: times what both may be off.
LEAST_CONTRADICTION = 0.01
_FOUR = ("point 1", "point 2", "point 3", "point 4")


def find_references(
    photo: Image8, ignore: Collection[str] = (), halves: Halves | None = None
) -> tuple[Found, ...]:
    """Find a target sheet, sheets of paper, bank cards and rulers.

    Parameters
    ----------
    photo : ndarray of uint8, shape (h, w, 3)
        sRGB, upright.
    ignore : collection of str
        Kinds that are not looked for, of `found.KINDS`.
    halves : Halves, optional
        The photo's smaller pictures, where they are made already.

    Returns
    -------
    tuple of Found
        The surest first, each with the mat's x to the photo's right; nothing contradictory
        is taken out.

    Raises
    ------
    ValueError
        When `ignore` names no kind.
    """
    strange = set(ignore) - set(KINDS)
    if strange:
        raise ValueError(f"no kinds of reference: {', '.join(sorted(strange))}")
    halves = halves or Halves.of(photo)
    found: list[Found] = []
    if "board" not in ignore:
        board = find_board(halves)
        found += [board] if board is not None else []
    if not {"sheet", "card"} <= set(ignore):
        found += [one for one in find_sheets(photo, halves) if one.kind not in ignore]
    if "ruler" not in ignore:
        found += _apart(find_rulers(halves))
    found = [one.upright() for one in found if one.kind == "board" or not _on_board(one, found)]
    return tuple(sorted(found, key=lambda one: one.relative_sigma))


def _apart(rulers: Sequence[Found]) -> list[Found]:
    """The longest ruler of each sort: pieces of one row, and both its edges, say the same."""
    kept: dict[str, Found] = {}
    for ruler in rulers:
        kept.setdefault(ruler.name, ruler)
    return list(kept.values())


def _on_board(one: Found, found: Sequence[Found]) -> bool:
    """Whether it is part of the printed target sheet: its paper, its bar's ticks."""
    for board in found:
        if board.kind == "board":
            outline = cv2.convexHull(np.concatenate(board.areas_px).astype(np.float32))
            if cv2.pointPolygonTest(outline, one.middle_px, False) >= 0:
                return True
    return False


def four_points(
    points_px: Sequence[Point], sides_mm: tuple[float, float], size_px: tuple[int, int]
) -> Found:
    """The reference that four corners of a rectangle of known sides give.

    Parameters
    ----------
    points_px : sequence of four points
        In order round the rectangle.
    sides_mm : tuple of float
        From the first point to the second, and from the second to the third.
    size_px : tuple of int
        Width and height of the photo.

    Raises
    ------
    ScaleError
        When the points make no rectangle.
    """
    corners = np.asarray(points_px, dtype=float)
    plane = corners_plane(corners, sides_mm, size_px)
    middle = corners.mean(axis=0)
    along, across = (format_length(side) for side in sides_mm)
    return Found(
        kind="four points",
        name=f"rectangle of {along} by {across}",
        photo_to_mat=plane.photo_to_mat,
        centre_px=plane.centre_px,
        focal_px=plane.focal_px,
        relative_sigma=plane.relative_sigma,
        middle_px=(float(middle[0]), float(middle[1])),
        areas_px=(),
        points_px={name: (float(x), float(y)) for name, (x, y) in zip(_FOUR, corners, strict=True)},
    ).upright()


def moved(
    found: Found,
    points_px: Mapping[str, Point],
    size_px: tuple[int, int],
    photo: Image8 | None = None,
) -> Found:
    """A reference again, after she moved some of its points.

    Parameters
    ----------
    found : Found
    points_px : mapping of str to point
        The points that moved, by their names in `found.points_px`.
    size_px : tuple of int
    photo : ndarray of uint8, shape (h, w, 3), optional
        Lets the sides of a sheet or card be measured again near its new corners.

    Raises
    ------
    ScaleError
        When there is no such point, or the points fit the reference no more.
    """
    strange = set(points_px) - set(found.points_px)
    if strange:
        raise ScaleError(
            f"The {found.name} has no {', '.join(sorted(strange))}.",
            f"It has {', '.join(found.points_px)}.",
        )
    points = {**found.points_px, **points_px}
    if found.kind == "board":
        return moved_board(found, points, size_px).upright()
    if found.kind in ("sheet", "card"):
        return moved_sheet(found, points, size_px, photo).upright()
    if found.kind == "ruler":
        return moved_ruler(found, points, size_px).upright()
    mat = found.to_mat(np.array([found.points_px[name] for name in _FOUR]))
    sides = float(np.hypot(*(mat[1] - mat[0]))), float(np.hypot(*(mat[2] - mat[1])))
    return four_points([points[name] for name in _FOUR], sides, size_px)


def contradiction(
    used: str, used_sigma: float, other: str, other_sigma: float, ratio: float
) -> str | None:
    """Say that two references differ, or None where they agree.

    Parameters
    ----------
    used, other : str
        With their article: "the A4 sheet".
    used_sigma, other_sigma : float
        Where both can be compared.
    ratio : float
        A length by the other over the same by the one used.

    Examples
    --------
    >>> contradiction("the mat's grid", 0.001, "the A4 sheet", 0.003, 1.035)
    "The mat's grid and the A4 sheet differ by 3.5%; the mat's grid was used."
    """
    allowed = max(LEAST_CONTRADICTION, 3 * float(np.hypot(used_sigma, other_sigma)))
    if abs(np.log(ratio)) <= allowed:
        return None
    first = used[0].upper() + used[1:]
    return f"{first} and {other} differ by {abs(ratio - 1):.1%}; {used} was used."


def outlines_px(found: Sequence[Found]) -> tuple[Floats, ...]:
    """Outlines of the references on which nothing lies: no lace is to be looked for there."""
    return tuple(area for one in found if one.bare for area in one.areas_px)
