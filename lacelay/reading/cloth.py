"""Tell lace from what it lies on: where in the photo the largest piece of lace is.

What differs from the mat, as `mat` models it, is lace where it hangs together and has
threads; a table beside the mat and a reflected lamp are neither.

Arrays are (row, col); colours are CIE Lab with L from 0 to 100, float32.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.errors import ReadingError
from lacelay.reading.grid_fit import Grid
from lacelay.reading.mat import (
    Image,
    Mask,
    Mat,
    commonest,
    completed,
    distance,
    fit_surface,
    lab_of,
    line_zone,
    sampled,
    seen_above,
    surface_at,
    upsample,
)
from lacelay.reading.scale import Reference

Floats = NDArray[np.float64]
Limits = tuple[float, float, float, float]

#: Longer side of the picture the lace is looked for in, px.
SEARCH_PX = 1600
#: Smallest lace: its width in the photo, px.
FEWEST_PX_ACROSS = 24
#: Something without any thread over a disc of this share of the photo's side is no lace.
FEATURELESS_SHARE = 0.022
#: A mat reaches this many steps beyond its outermost line at least.
BEYOND_LINES = 0.25
NO_LACE_REMEDY = (
    "Lay the lace on a plain mat that differs from it in colour, with mat to be seen round it."
)


@dataclass(frozen=True, eq=False)
class LaceArea:
    """Where lace lies in the search picture: its filled extent and its body.

    `extent` has the holes of the net filled; `body` leaves out fringes and single threads.
    `others` tells how many more pieces nearly as large were seen; `limits` are the grid
    coordinates (least i, least j, largest i, largest j) beyond which there is no mat;
    `on_mat`, where it is known without a grid, is where the mat lies in the search picture.
    `off_mat` names the sides of the photo on which the lace reaches the mat's own edge.
    `picture` is the search picture itself, the photo made smaller by `shrink`.
    """

    picture: NDArray[np.uint8]
    mat: Mat
    extent: Mask
    body: Mask
    shrink: float
    others: int
    limits: Limits
    on_mat: Mask | None = None
    off_mat: tuple[str, ...] = ()

    def to_photo(self, columns: Floats, rows: Floats) -> Floats:
        """Search-picture pixels to photo points (x, y), shape (n, 2)."""
        return np.stack([(columns + 0.5) / self.shrink - 0.5, (rows + 0.5) / self.shrink - 0.5], -1)


def find_lace(photo: NDArray[np.uint8], reference: Reference) -> LaceArea:
    """Find the largest piece of lace.

    Raises
    ------
    ReadingError
        When there is no lace, it touches all four borders, or it is too small.
    """
    longest = max(photo.shape[:2])
    shrink = min(1.0, SEARCH_PX / longest)
    small = cv2.resize(photo, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    picture = np.asarray(small, dtype=np.uint8)
    lab = lab_of(picture)
    rows, columns = sampled(lab.shape)
    photo_at = np.stack(
        np.meshgrid((columns + 0.5) / shrink - 0.5, (rows + 0.5) / shrink - 0.5), axis=-1
    )
    at = None if reference.grid is None else _grid_coordinates(reference, photo_at, lab.shape)
    zone = _line_zone(reference.grid, at, shrink)
    limits = _limits(lab, reference.grid, at)
    on_mat = np.ones(lab.shape[:2], bool) if at is None else within_limits(limits, at)
    mat_area: Mask | None = None
    if reference.outlines_px:
        mat_area = ~_covered(reference, lab.shape, shrink)
        on_mat &= mat_area
    terms, noise = fit_surface(lab, zone, on_mat, shrink, reference)
    surface = surface_at(terms, photo_at, lab.shape, reference.size_px)
    mat = completed(lab, surface, zone, on_mat, terms, noise, reference)
    seen = (distance(lab, surface, zone, mat, _joint(lab)) > seen_above(mat)) & on_mat
    seen &= ~_featureless(lab, zone, mat.noise)
    _refuse_if_filled(seen)
    extent, others = _largest(seen, mat)
    if _touches_all(extent, seen):
        # A table beside the mat hangs together with lace that lies across the mat's edge.
        mat_area = _mat_seen(seen) & on_mat
        if mat_area.mean() < LEAST_MAT_SHARE:
            raise _filled()
        seen &= mat_area
        on_mat = mat_area
        extent, others = _largest(seen, mat)
        if _touches_all(extent, seen):
            raise _filled()
    half_width = _half_width(extent)
    if 2 * half_width / shrink < FEWEST_PX_ACROSS:
        raise ReadingError(
            f"The lace is only {2 * half_width / shrink:.0f} pixels wide in the photo.",
            "Photograph it from nearer, so that it fills the picture.",
        )
    body = _body(extent, half_width)
    off = _off_mat(extent, on_mat)
    return LaceArea(picture, mat, extent, body, shrink, others, limits, mat_area, off)


def _covered(reference: Reference, shape: tuple[int, ...], shrink: float) -> Mask:
    """Where a ruler, a card or a sheet that tells the scale lies."""
    covered = np.zeros(shape[:2], np.uint8)
    for outline in reference.outlines_px:
        small = np.round((outline + 0.5) * shrink - 0.5).astype(np.int32)
        cv2.fillPoly(covered, [small], 1)
    return cv2.dilate(covered, disc(3)) > 0


def _featureless(lab: Image, zone: Image | None, noise: float) -> Mask:
    """Wide places without thread: a reflected lamp, paper, bare table."""
    light = lab[..., 0]
    keep = np.ones_like(light) if zone is None else (zone <= 0).astype(np.float32)
    size = (9, 9)
    weight = np.maximum(cv2.blur(keep, size), 1e-3)
    mean = cv2.blur(light * keep, size) / weight
    square = cv2.blur(light * light * keep, size) / weight
    rough = np.sqrt(np.maximum(square - mean * mean, 0))
    plain = (rough < max(1.6 * noise, 1.5)).astype(np.uint8)
    radius = FEATURELESS_SHARE * max(light.shape)
    core = opened(plain, radius)
    return np.asarray(cv2.dilate(core, disc(4)) > 0)


def _line_zone(grid: Grid | None, at: Image | None, shrink: float) -> Image | None:
    return None if grid is None or at is None else line_zone(grid, at, shrink)


def within_limits(limits: Limits, grid_xy: NDArray[np.floating]) -> Mask:
    """Where the mat surely lies, from grid coordinates of pixels, shape (h, w, 2)."""
    inside = np.ones(grid_xy.shape[:2], bool)
    for axis in (0, 1):
        if np.isfinite(limits[axis]):
            inside &= grid_xy[..., axis] > limits[axis]
        if np.isfinite(limits[axis + 2]):
            inside &= grid_xy[..., axis] < limits[axis + 2]
    return inside


def _grid_coordinates(reference: Reference, photo_at: Floats, shape: tuple[int, ...]) -> Image:
    unit = reference.map_along(np.array([[0.0, 0], [1, 0]]))
    # Before it is settled, the reference's unit is one grid step.
    at = unit.photo_to_mat_mm(photo_at.reshape(-1, 2)).reshape(photo_at.shape)
    return upsample(at, shape)


def _limits(lab: Image, grid: Grid | None, at: Image | None) -> Limits:
    """Grid coordinates between which the mat lies; endless where it fills the photo.

    Where lines end short of the photo's border, the mat may end too: it does when what lies
    beyond has not the mat's colour, and then it is no background to tell lace from.
    """
    endless = (-np.inf, -np.inf, np.inf, np.inf)
    if grid is None or at is None:
        return endless
    i0, j0, i1, j1 = grid.extent
    sample = (slice(None, None, 4), slice(None, None, 4))
    i, j, colour = at[sample][..., 0], at[sample][..., 1], lab[sample]
    within = (i > i0) & (i < i1) & (j > j0) & (j < j1)
    if within.sum() < 100:
        return endless
    own = commonest(colour[within])
    spread = colour - own.astype(np.float32)
    # Light changes lightness more than hue.
    mat_like = np.sqrt((0.5 * spread[..., 0]) ** 2 + spread[..., 1] ** 2 + spread[..., 2] ** 2) < 7
    limits = list(endless)
    for side, beyond in enumerate((i < i0 - 1.0, j < j0 - 1.0, i > i1 + 1.0, j > j1 + 1.0)):
        if beyond.sum() > 100 and float(mat_like[beyond].mean()) < 0.2:
            away = -BEYOND_LINES if side < 2 else BEYOND_LINES
            limits[side] = grid.extent[side] + away
    return limits[0], limits[1], limits[2], limits[3]


def fill_holes(mask: Mask) -> Mask:
    """The mask with everything it encloses."""
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros(mask.shape, np.uint8)
    cv2.drawContours(filled, contours, -1, 1, cv2.FILLED)
    return filled > 0


def disc(radius_px: float) -> NDArray[np.uint8]:
    """A round structuring element."""
    size = 2 * max(1, round(radius_px)) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), dtype=np.uint8)


def opened(mask: NDArray[np.uint8], radius_px: float) -> NDArray[np.uint8]:
    """Opening by a round element of any size, in the time of two distance transforms."""
    radius = max(1.0, float(round(radius_px))) + 0.25
    inside = cv2.distanceTransform(mask, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    core = (inside <= radius).astype(np.uint8)
    if core.all():
        return np.zeros_like(mask)
    near = cv2.distanceTransform(core, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    return np.asarray(near <= radius, dtype=np.uint8)


def _filled() -> ReadingError:
    return ReadingError(
        "The lace touches all four borders of the photo, so neither of its edges can be told.",
        "Photograph it from farther away, with mat to be seen along both edges.",
    )


#: A photo is filled with lace when, its gaps closed and motifs counted, so much of it is
#: lace and no bare place is larger than the second share. Lace on a mat left a bare place of
#: 0.14 or more in every photo tried; photos filled with lace one of 0.08 at most.
FILLED_SHARE, LARGEST_BARE_SHARE = 0.7, 0.1
#: Side of the picture that is judged in, and how far apart lace closes there, px.
_FILLED_PX, _FILLED_JOINT_PX = 400, 6
#: Largest motif, as a share of a photo that is filled with lace.
_MOTIF_SHARE = 0.03


#: A mat with lace on it, seen before a table, spans more of the photo than this; what bare
#: places span in a photo filled with lace are motifs.
LEAST_MAT_SHARE = 0.6


def _refuse_if_filled(seen: Mask) -> None:
    """Refuse a photo with nothing but lace: which of it is thread cannot be told either.

    With no mat about, the commonest colour may be the lace's own; then gaps are what is
    seen. Both are everywhere in a photo filled with lace.
    """
    scale = _FILLED_PX / max(seen.shape)
    small = cv2.resize(
        seen.astype(np.float32), None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA
    )
    pad = 3 * _FILLED_JOINT_PX
    # Mirrored: lace that runs out of the photo goes on.
    wide = cv2.copyMakeBorder(
        (small > 0.25).astype(np.uint8), pad, pad, pad, pad, cv2.BORDER_REFLECT
    )
    closed = cv2.morphologyEx(wide, cv2.MORPH_CLOSE, disc(_FILLED_JOINT_PX))
    bare = (closed[pad:-pad, pad:-pad] == 0).astype(np.uint8)
    _, _, stats, _ = cv2.connectedComponentsWithStats(bare)
    shares = stats[1:, cv2.CC_STAT_AREA] / bare.size
    # What is as small as a motif may be one.
    bare_share = float(shares[shares > _MOTIF_SHARE].sum())
    if bare_share < 1 - FILLED_SHARE and shares.max(initial=0.0) < LARGEST_BARE_SHARE:
        raise _filled()


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
    rows, columns = np.nonzero(np.isin(labels, large[large > 0]))
    hull = np.zeros(seen.shape, np.uint8)
    if len(rows) > 2:
        points = np.stack([columns, rows], -1).astype(np.int32)
        cv2.fillConvexPoly(hull, cv2.convexHull(points), 1)
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


def _half_width(extent: Mask) -> float:
    inside = cv2.distanceTransform(np.pad(extent.astype(np.uint8), 1), cv2.DIST_L2, 5)
    return float(inside.max())


def _joint(picture: Image | Mask) -> float:
    """Threads apart by less than this are the same lace: the net must close before filling."""
    return max(2.0, 0.0035 * float(max(picture.shape)))


def _largest(seen: Mask, mat: Mat) -> tuple[Mask, int]:
    """The largest piece with its holes filled, and how many are nearly as large."""
    height, width = seen.shape
    joint = _joint(seen)
    pad = int(3 * joint)
    padded = np.pad(seen.astype(np.uint8), pad)
    closed = cv2.morphologyEx(padded, cv2.MORPH_CLOSE, disc(joint))[pad:-pad, pad:-pad]
    filled = fill_holes(closed > 0)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(filled.astype(np.uint8))
    if count < 2:
        raise ReadingError("No lace was found in the photo.", NO_LACE_REMEDY)
    areas = stats[1:, cv2.CC_STAT_AREA].astype(float)
    order = np.argsort(-areas)
    if areas[order[0]] < 0.002 * height * width or mat.contrast < 6:
        raise ReadingError("No lace was found in the photo.", NO_LACE_REMEDY)
    others = int((areas[order[1:]] > 0.25 * areas[order[0]]).sum())
    return labels == order[0] + 1, others


def _body(extent: Mask, half_width: float) -> Mask:
    """The extent without fringes, tassels and loose threads, which are thinner."""
    pad = int(0.3 * half_width) + 2
    near = opened(np.pad(extent.astype(np.uint8), pad), 0.22 * half_width)[pad:-pad, pad:-pad]
    pieces, parts, stats, _ = cv2.connectedComponentsWithStats(near)
    if pieces < 2:
        return extent
    return np.asarray(parts == 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax()))
