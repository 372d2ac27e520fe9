"""The pieces of lace in a photo: each by itself, the largest first.

What hangs together is a piece. Strips that touch along a straight gap are parted; a card of
another colour with lace on it is a background of its own; what is closed in a ring keeps its
hole. A hand, a ruler, bare paper and the like are no pieces: they have no threads.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.errors import ReadingError
from lacelay.reading.card import Card, find_cards
from lacelay.reading.cloth import (
    PIECE_COVER,
    LaceArea,
    Search,
    disc,
    filled,
    opened,
    refuse_if_filled,
    search,
)
from lacelay.reading.mat import Mask, Mat
from lacelay.reading.parting import PART_TURN_RAD, hanging_together
from lacelay.reading.scale import Reference

Floats = NDArray[np.float64]

#: Smallest lace: its width in the photo, px.
FEWEST_PX_ACROSS = 24
#: A piece covers this share of the photo at least, and this share of the largest.
LEAST_SHARE, LEAST_OF_LARGEST = 0.003, 0.06
#: Lace that differs from what it lies on by less is not told from it.
LEAST_CONTRAST = 6.0
#: A mat with lace on it, seen before a table, spans more of the photo than this; what bare
#: places span in a photo filled with lace are motifs.
LEAST_MAT_SHARE = 0.6
#: Lace is rough: more than this share of it has threads within a few pixels.
ROUGH_SHARE = 0.25
#: Numerals are printed this near a grid's outermost lines, in steps, or beyond them.
PRINT_STEPS = 0.3
#: A row of numerals covers no more of the photo than this.
MOST_PRINT = 0.03
NO_LACE_REMEDY = (
    "Lay the lace on a plain mat that differs from it in colour, with mat to be seen round it."
)


@dataclass(frozen=True, eq=False)
class _Piece:
    """A piece before it is judged: its filled mask, what it lies on and where that is."""

    extent: Mask
    ring: bool
    mat: Mat
    on_mat: Mask | None
    card: Card | None = None

    @property
    def area(self) -> int:
        return int(np.count_nonzero(self.extent))


def find_lace(photo: NDArray[np.uint8], reference: Reference) -> LaceArea:
    """Find the largest piece of lace; errors as in `find_laces`."""
    return find_laces(photo, reference)[0]


def find_laces(photo: NDArray[np.uint8], reference: Reference) -> tuple[LaceArea, ...]:
    """Find all pieces of lace, the largest first.

    Parameters
    ----------
    photo : ndarray of uint8, shape (h, w, 3)
        sRGB, upright.
    reference : Reference
        As found; where rulers, cards and sheets of it lie is no lace.

    Returns
    -------
    tuple of LaceArea
        One at least.

    Raises
    ------
    ReadingError
        When there is no lace, it touches all four borders, or it is too small.
    """
    found = search(photo, reference)
    refuse_if_filled(found.seen)
    cards = find_cards(found, reference)
    seen = (found.seen > PIECE_COVER) & found.on_mat
    on_mat: Mask = found.on_mat
    known: Mask | None = None if found.covered is None else ~found.covered
    for card in cards:
        seen &= ~card.outline
    pieces = hanging_together(seen, 0.5 * LEAST_SHARE)
    touches = bool(pieces) and _touches_all(pieces[0][0], seen)
    if touches or (pieces and _is_table(pieces[0][0])):
        # A table beside the mat hangs together with lace that lies across the mat's edge.
        hull = _mat_seen(seen) & on_mat
        if hull.mean() >= LEAST_MAT_SHARE:
            known = on_mat = hull
            seen &= hull
            pieces = hanging_together(seen, 0.5 * LEAST_SHARE)
            touches = bool(pieces) and _touches_all(pieces[0][0], seen)
        if touches:
            raise filled()
    laces = [
        _Piece(extent, ring, found.mat, known)
        for extent, ring in pieces
        if found.mat.contrast >= LEAST_CONTRAST
    ]
    for card in cards:
        laces += [
            _Piece(extent, ring, card.mat, card.outline, card)
            for extent, ring in hanging_together(card.seen > PIECE_COVER, 0.5 * LEAST_SHARE)
            if card.mat.contrast >= LEAST_CONTRAST
        ]
    if found.covered is not None:
        laces = _joined_under(laces, found.covered)
    laces.sort(key=lambda piece: -piece.area)
    least = LEAST_SHARE * seen.size
    large = [
        piece
        for piece in laces
        if piece.area > least and _is_lace(piece, found) and not _is_print(piece, found, reference)
    ]
    if not large:
        raise ReadingError("No lace was found in the photo.", NO_LACE_REMEDY)
    areas = [
        _area(piece, found, piece.on_mat if piece.card else on_mat)
        for k, piece in enumerate(large)
        if k == 0 or (piece.area > LEAST_OF_LARGEST * large[0].area and not _is_table(piece.extent))
    ]
    wide = [area for area, half in areas if 2 * half / area.shrink >= FEWEST_PX_ACROSS]
    if not wide:
        across = max(2 * half / area.shrink for area, half in areas)
        raise ReadingError(
            f"The lace is only {across:.0f} pixels wide in the photo.",
            "Photograph it from nearer, so that it fills the picture.",
        )
    return tuple(wide)


def _area(piece: _Piece, found: Search, on_mat: Mask | None) -> tuple[LaceArea, float]:
    """The piece in full, and half its width in px."""
    top, left, bottom, right = _box(piece.extent)
    own = np.pad(piece.extent[top:bottom, left:right].astype(np.uint8), 1)
    half = float(cv2.distanceTransform(own, cv2.DIST_L2, 5).max())
    body = np.zeros_like(piece.extent)
    body[top:bottom, left:right] = _body(piece.extent[top:bottom, left:right], half)
    if piece.ring:
        body = piece.extent
    off: tuple[str, ...] = ()
    if on_mat is not None and piece.card is None:
        off = _off_mat(piece.extent, on_mat if found.covered is None else on_mat | found.covered)
    area = LaceArea(
        found.picture,
        found.picture_shrink,
        piece.mat,
        piece.extent,
        body,
        found.shrink,
        found.limits,
        piece.on_mat,
        off,
        piece.ring,
    )
    return area, half


def _box(mask: Mask) -> tuple[int, int, int, int]:
    rows, columns = np.flatnonzero(mask.any(1)), np.flatnonzero(mask.any(0))
    return int(rows[0]), int(columns[0]), int(rows[-1]) + 1, int(columns[-1]) + 1


def _joined_under(pieces: list[_Piece], covered: Mask) -> list[_Piece]:
    """Pieces of one strip with a ruler or a card lying across it, joined under that."""
    left = sorted(pieces, key=lambda piece: -piece.area)
    joined: list[_Piece] = []
    while left:
        piece = left.pop(0)
        for other in list(left):
            if piece.ring or other.ring or piece.card or other.card:
                continue
            if not _in_line(piece.extent, other.extent):
                continue
            between = _hull_of(piece.extent | other.extent)
            bridge = between & cv2.dilate(covered.astype(np.uint8), disc(4)).astype(bool)
            whole = piece.extent | other.extent | bridge
            if cv2.connectedComponents(whole.astype(np.uint8))[0] == 2:
                left = [each for each in left if each is not other]
                known = None if piece.on_mat is None else piece.on_mat
                piece = replace(piece, extent=whole, on_mat=known)
        joined.append(piece)
    return joined


def _in_line(first: Mask, second: Mask) -> bool:
    """Whether two pieces are as wide as each other, parallel, and one goes on from the other."""
    shapes = []
    for mask in (first, second):
        rows, columns = np.nonzero(mask)
        points = np.stack([columns, rows], -1).astype(float)
        values, vectors = np.linalg.eigh(np.cov(points.T))
        shapes.append((points.mean(0), vectors[:, 1], *np.sqrt(12 * values)))
    (middle, way, wide, long), (other, other_way, other_wide, other_long) = shapes
    between = other - middle
    span = float(np.hypot(*between))
    if long < 1.2 * wide or other_long < 1.2 * other_wide:
        # Nearly square pieces have no direction: the line between them is.
        way = other_way = between / span
    return bool(
        abs(float(way @ other_way)) > np.cos(PART_TURN_RAD)
        and abs(float(way[0] * between[1] - way[1] * between[0])) < 0.25 * wide + 0.05 * span
        and max(wide, other_wide) < 1.35 * min(wide, other_wide)
    )


def _hull_of(mask: Mask) -> Mask:
    rows, columns = np.nonzero(mask)
    hull = np.zeros(mask.shape, np.uint8)
    points = np.stack([columns, rows], -1).astype(np.int32)
    cv2.fillConvexPoly(hull, cv2.convexHull(points), 1)
    return hull > 0


def _is_lace(piece: _Piece, found: Search) -> bool:
    """Whether there are threads in it: it is rough inside, not at its rim alone."""
    inner = cv2.erode(piece.extent.astype(np.uint8), disc(3), borderValue=0)
    if not inner.any():
        return True
    size = (found.lab.shape[1], found.lab.shape[0])
    within = cv2.resize(inner, size, interpolation=cv2.INTER_NEAREST) > 0
    return float((~found.smooth[within]).mean()) > ROUGH_SHARE


def _is_table(mask: Mask) -> bool:
    """Whether it lies about the mat: it holds two corners of the photo, or all about one."""
    corners = [mask[0, 0], mask[0, -1], mask[-1, 0], mask[-1, -1]]
    sides = [float(side.mean()) for side in (mask[0], mask[-1], mask[:, 0], mask[:, -1])]
    return sum(corners) > 1 or (any(corners) and sum(share > 0.3 for share in sides) > 1)


def _is_print(piece: _Piece, found: Search, reference: Reference) -> bool:
    """Whether it is the numerals and ticks along the border of a mat with a grid."""
    if reference.grid is None or piece.card is not None:
        return False
    if piece.area > MOST_PRINT * piece.extent.size:
        return False
    rows, columns = np.nonzero(piece.extent)
    keep = slice(None, None, max(1, len(rows) // 400))
    photo = np.stack([(columns[keep] + 0.5), (rows[keep] + 0.5)], -1) / found.shrink - 0.5
    at = reference.to_mat(photo)
    i0, j0, i1, j1 = reference.grid.extent
    near = PRINT_STEPS
    outside = (
        (at[:, 0] < i0 + near)
        | (at[:, 1] < j0 + near)
        | (at[:, 0] > i1 - near)
        | (at[:, 1] > j1 - near)
    )
    return bool(outside.mean() > 0.9)


def _touches_all(extent: Mask, seen: Mask) -> bool:
    return all(
        bool(side.mean() > share)
        for mask, share in ((extent, 0.05), (seen, 0.02))
        for side in (mask[0], mask[-1], mask[:, 0], mask[:, -1])
    )


def _mat_seen(seen: Mask) -> Mask:
    """The convex hull of the mat's larger bare places: mats are sheets with straight sides."""
    bare = opened((~seen).astype(np.uint8), 0.006 * max(seen.shape))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(bare)
    large = np.flatnonzero(stats[:, cv2.CC_STAT_AREA] > 0.01 * seen.size)
    mat = np.isin(labels, large[large > 0])
    if not mat.any():
        return np.zeros(seen.shape, bool)
    hull = _hull_of(mat).astype(np.uint8)
    return np.asarray(cv2.erode(hull, disc(3), borderValue=1) > 0)


def _off_mat(extent: Mask, on_mat: Mask) -> tuple[str, ...]:
    """On which sides of the photo the lace reaches the mat's edge."""
    beyond = cv2.dilate((~on_mat).astype(np.uint8), disc(3))
    count, _, stats, centres = cv2.connectedComponentsWithStats(beyond * extent.astype(np.uint8))
    rows, columns = np.nonzero(extent)
    middle = np.array([np.ptp(columns) / 2 + columns.min(), np.ptp(rows) / 2 + rows.min()])
    half = np.array([max(np.ptp(columns), 1), max(np.ptp(rows), 1)]) / 2
    found = set()
    for k in range(1, count):
        long = max(stats[k, cv2.CC_STAT_WIDTH], stats[k, cv2.CC_STAT_HEIGHT])
        if long < max(12, 0.012 * max(extent.shape)):
            continue
        x, y = (centres[k] - middle) / half
        found.add(
            ("left", "right")[int(x > 0)] if abs(x) > abs(y) else ("top", "bottom")[int(y > 0)]
        )
    return tuple(side for side in ("left", "right", "top", "bottom") if side in found)


def _body(extent: Mask, half_width: float) -> Mask:
    """The extent without fringes, tassels and loose threads, which are thinner."""
    pad = int(0.3 * half_width) + 2
    near = opened(np.pad(extent.astype(np.uint8), pad), 0.22 * half_width)[pad:-pad, pad:-pad]
    pieces, parts, stats, _ = cv2.connectedComponentsWithStats(near)
    if pieces < 2:
        return extent
    return np.asarray(parts == 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax()))
