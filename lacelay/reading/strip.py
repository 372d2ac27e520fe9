"""Straighten a piece of lace along its own length and cut it out of its background.

The axis is found from the body's two sides: the straighter of lower side, upper side and
middle gives the direction, and, where that bends clearly more than it scatters, a bow.

Frames: mat and lace as in `lacelay.geometry.photo_map`. Of the two directions along the
lace, u is the one that runs to the right in the photo (upward for a lace standing upright),
so the lower edge is the one lower in the photo (the right one of a lace standing upright),
and lace to mat is always a turn, never a flip.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.geometry.photo_map import PhotoMap
from lacelay.reading.cloth import LaceArea, disc, fill_holes, within_limits
from lacelay.reading.mat import (
    Image,
    Mask,
    Mat,
    distance,
    lab_of,
    line_zone,
    sampled,
    upsample,
)
from lacelay.reading.scale import Reference

Floats = NDArray[np.float64]

#: The straightened picture holds at most this many pixels.
MOST_PIXELS = 2_400_000
_UNIT_AXIS = np.array([[0.0, 0.0], [1.0, 0.0]])


@dataclass(frozen=True, eq=False)
class Axis:
    """The line the lace is straightened along, and how far the body reaches from it.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 2)
        On the mat, from u = 0 on; two points when the lace lies straight.
    length_mm : float
    low_mm, high_mm : float
        Least and greatest v of the body.
    width_mm : float
        Width over all: from the outermost points of one side to those of the other.
    touches : tuple of bool
        Whether the lace runs out of the photo at its left and its right end.
    """

    points_mm: Floats
    length_mm: float
    low_mm: float
    high_mm: float
    width_mm: float

    def scaled(self, factor: float) -> Axis:
        """The same axis in another unit."""
        return Axis(
            self.points_mm * factor,
            self.length_mm * factor,
            self.low_mm * factor,
            self.high_mm * factor,
            self.width_mm * factor,
        )


def find_axis(area: LaceArea, reference: Reference) -> Axis:
    """The axis of the largest piece, in the reference's own unit."""
    points = _mat_points(area.body, area, reference)
    angle = _direction(points, area)
    curve: Floats = np.zeros(2)
    for _ in range(3):
        u, v = _turned(points, angle)
        u_bin, low, high = _sides(u, v)
        cut = _cut_sides(u_bin, low, high, angle, reference)
        curve, _ = _straightest(u_bin, low, high, cut)
        slope = np.polyfit(u_bin, np.polyval(curve, u_bin), 1)[0]
        angle = angle + float(np.arctan(slope))
    angle = (angle + np.pi / 2) % np.pi - np.pi / 2  # -90 excluded, +90 included below
    if angle <= -np.pi / 2 + 1e-9:
        angle += np.pi
    u, v = _turned(points, angle)
    u_bin, low, high = _sides(u, v)
    cut = _cut_sides(u_bin, low, high, angle, reference)
    curve, bowed = _straightest(u_bin, low, high, cut)
    start, stop = float(u.min()), float(u.max())
    knots = np.linspace(start, stop, 48) if bowed else np.array([start, stop])
    local = np.column_stack([knots, np.polyval(curve, knots)])
    c, s = np.cos(angle), np.sin(angle)
    on_mat = local @ np.array([[c, s], [-s, c]])
    length = float(np.hypot(*np.diff(on_mat, axis=0).T).sum())
    lace = reference.map_along(on_mat).mat_to_lace(points)
    u_bin, low, high = _sides(lace[:, 0], lace[:, 1])
    extent = reference.map_along(on_mat).mat_to_lace(_mat_points(area.extent, area, reference))
    width = _over_all(extent[:, 0], extent[:, 1], length)
    return Axis(on_mat, length, float(lace[:, 1].min()), float(lace[:, 1].max()), width)


def _mat_points(mask: Mask, area: LaceArea, reference: Reference) -> Floats:
    rows, columns = np.nonzero(mask)
    keep = slice(None, None, max(1, len(rows) // 24_000))
    photo = area.to_photo(columns[keep].astype(float), rows[keep].astype(float))
    return reference.map_along(_UNIT_AXIS).photo_to_mat_mm(photo)


def _direction(points: Floats, area: LaceArea) -> float:
    """Which way the lace runs, from the body's own axis or from where it leaves the photo."""
    centred = points - points.mean(axis=0)
    values, vectors = np.linalg.eigh(np.cov(centred.T))
    major = vectors[:, 1]
    angle = float(np.arctan2(major[1], major[0]))
    if values[1] < 2.6 * values[0]:  # nearly as deep as long: the photo's borders decide
        body = area.body
        across = bool(body[:, 0].mean() > 0.05 and body[:, -1].mean() > 0.05)
        down = bool(body[0].mean() > 0.05 and body[-1].mean() > 0.05)
        level = abs(np.cos(angle)) > np.sqrt(0.5)
        if across != down and across != level:
            angle += np.pi / 2
    return angle


def _turned(points: Floats, angle: float) -> tuple[Floats, Floats]:
    c, s = np.cos(angle), np.sin(angle)
    return points[:, 0] * c + points[:, 1] * s, points[:, 1] * c - points[:, 0] * s


def _sides(u: Floats, v: Floats) -> tuple[Floats, Floats, Floats]:
    """Lower and upper side of a cloud of points in about a hundred places along u."""
    bins = int(np.clip(len(u) // 150, 24, 160))
    edges = np.linspace(u.min(), u.max(), bins + 1)
    index = np.clip(np.searchsorted(edges, u, side="right") - 1, 0, bins - 1)
    order = np.lexsort((v, index))
    starts = np.searchsorted(index[order], np.arange(bins + 1))
    ordered = v[order]
    places, low, high = [], [], []
    for k in range(bins):
        own = ordered[starts[k] : starts[k + 1]]
        if len(own) >= 8:
            places.append((edges[k] + edges[k + 1]) / 2)
            low.append(own[int(0.01 * len(own))])
            high.append(own[-1 - int(0.01 * len(own))])
    return np.array(places), np.array(low), np.array(high)


def _cut_sides(
    u: Floats, low: Floats, high: Floats, angle: float, reference: Reference
) -> tuple[bool, bool]:
    """Which sides of the body are no edge of the lace but the photo's own border."""
    c, s = np.cos(angle), np.sin(angle)
    unit = reference.map_along(_UNIT_AXIS)
    last = np.array(reference.size_px) - 1
    cut = []
    for side in (low, high):
        photo = unit.mat_to_photo(np.column_stack([u, side]) @ np.array([[c, s], [-s, c]]))
        off = np.minimum(photo, last - photo).min(axis=1)
        cut.append(bool((off < 0.006 * max(reference.size_px)).mean() > 0.4))
    return cut[0], cut[1]


def _straightest(
    u: Floats, low: Floats, high: Floats, cut: tuple[bool, bool]
) -> tuple[Floats, bool]:
    """Polynomial (numpy order) along the middle of the lace, and whether it is a bow."""
    width = high - low
    whole = width > 0.6 * np.median(width)
    length = float(np.ptp(u))
    centre = float(u.mean())
    best: tuple[float, Floats, Floats] | None = None
    bends: list[Floats] = []
    for side in (low, high, (low + high) / 2):
        keep = whole.copy()
        line = np.zeros(2)
        for _ in range(4):
            line = np.polyfit(u[keep], side[keep], 1)
            miss = side - np.polyval(line, u)
            keep = whole & (np.abs(miss) < 2.5 * np.std(miss[keep]) + 1e-9)
        # A bow is slow: judge sides by what is left beside a slow curve.
        slow = np.polyfit(u[keep] - centre, side[keep], 4)
        rest = float(np.std((side - np.polyval(slow, u - centre))[keep]))
        bends.append(np.polyval(slow, u - centre) - np.polyval(line, u))
        if best is None or rest < best[0]:
            best = (rest, line, slow)
    assert best is not None
    rest, line, slow = best
    # Both sides of a bowed lace bend together; a few wide scallops on one side do not.
    first, second = bends[int(cut[0])], bends[int(not cut[1])]
    shared = np.where(
        first * second > 0, np.sign(first) * np.minimum(np.abs(first), np.abs(second)), 0.0
    )
    bowed = float(np.ptp(shared[whole])) > max(0.012 * length, 3.0 * rest)
    if not bowed:
        middle = (low + high)[whole] / 2
        offset = float(np.median(middle - np.polyval(line, u[whole])))
        return line + np.array([0.0, offset]), False
    shifted = np.poly1d(slow)(np.poly1d([1.0, -centre]))
    curve = np.asarray(shifted.coeffs, dtype=np.float64)
    offset = float(np.median((low + high)[whole] / 2 - np.polyval(curve, u[whole])))
    curve[-1] += offset
    return curve, True


def _over_all(u: Floats, v: Floats, length: float) -> float:
    """Width from tips to tips: each stretch as long as the lace is wide has a tip on it.

    The third quarter of the stretches' outermost points: a hanging thread has no say, nor a
    stretch between two tips.
    """
    u_bin, low, high = _sides(u, v)
    inner = slice(len(low) // 40, len(low) - len(low) // 40)
    u_bin, low, high = u_bin[inner], low[inner], high[inner]
    width = float(np.median(high - low))
    stretches = int(np.clip(round(length / max(width, 1e-9)), 2, 12))
    parts = np.array_split(np.arange(len(u_bin)), stretches)
    out_low = [low[part].min() for part in parts if len(part)]
    out_high = [high[part].max() for part in parts if len(part)]
    return float(np.percentile(out_high, 60) - np.percentile(out_low, 40))


@dataclass(frozen=True, eq=False)
class Strip:
    """The lace straightened, at one resolution, in the lace frame of `photo_map`.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (h, w, 3)
    alpha : ndarray of float32, shape (h, w)
        How much lace covers, 0 to 1.
    mat_rgb : ndarray of float32, shape (h, w, 3)
        Colour of the bare mat there.
    extent : ndarray of bool, shape (h, w)
        The lace with the holes of its net filled.
    px_per_mm, u0_mm, v0_mm : float
        As in `LacePicture`.
    """

    photo_map: PhotoMap
    rgb: NDArray[np.uint8]
    alpha: Image
    mat_rgb: Image
    extent: Mask
    px_per_mm: float
    u0_mm: float
    v0_mm: float

    def u_of(self, columns: NDArray[np.floating] | NDArray[np.integer]) -> Floats:
        """u in mm of columns."""
        return np.asarray(self.u0_mm + np.asarray(columns) / self.px_per_mm, dtype=np.float64)

    def v_of(self, rows: NDArray[np.floating] | NDArray[np.integer]) -> Floats:
        """v in mm of rows."""
        return np.asarray(self.v0_mm - np.asarray(rows) / self.px_per_mm, dtype=np.float64)


def local_px_per_mm(photo_map: PhotoMap, u_mm: float, v_mm: float) -> float:
    """Photo pixels to a millimetre at a place of the lace (root of the area ratio)."""
    around = np.array([[u_mm, v_mm], [u_mm + 0.5, v_mm], [u_mm, v_mm + 0.5]])
    at = photo_map.lace_to_photo(around)
    one, two = (at[1] - at[0]) * 2, (at[2] - at[0]) * 2
    return float(np.sqrt(abs(one[0] * two[1] - one[1] * two[0])))


#: Least matte that counts as thread where the search saw lace.
FAINT = 0.12
#: Marks of the search picture: mat, lace.
ON_MAT, LACE = 1, 2
#: Threads and cords are narrower than this, mm; shadows of even light are not.
THREAD_MM = 1.2


def cut_out(
    photo: NDArray[np.uint8],
    reference: Reference,
    photo_map: PhotoMap,
    area: LaceArea,
    u_range_mm: tuple[float, float],
    v_range_mm: tuple[float, float],
    px_per_mm: float,
    grid_step_mm: float | None,
) -> Strip:
    """Resample the photo along the lace and find its matte.

    Parameters
    ----------
    u_range_mm, v_range_mm : tuple of float
        What to show; parts outside the photo come out as bare mat.
    px_per_mm : float
        Wished resolution; lowered where the picture would be larger than `MOST_PIXELS`.
    grid_step_mm : float or None
        Step of the printed grid, where there is one.
    """
    (u_low, u_high), (v_low, v_high) = u_range_mm, v_range_mm
    mat = area.mat
    surface_mm2 = (u_high - u_low) * (v_high - v_low)
    px_per_mm = float(min(px_per_mm, np.sqrt(MOST_PIXELS / surface_mm2)))
    shape = (int((v_high - v_low) * px_per_mm) + 1, int((u_high - u_low) * px_per_mm) + 1)
    rows, columns = sampled(shape)
    u, v = np.meshgrid(u_low + columns / px_per_mm, v_high - rows / px_per_mm)
    on_mat = photo_map.lace_to_mat(np.stack([u.ravel(), v.ravel()], -1))
    at = photo_map.mat_to_photo(on_mat).reshape(*u.shape, 2)
    full = upsample(at, shape)
    source = _shrunk_for(
        photo, area, local_px_per_mm(photo_map, u_low + (u_high - u_low) / 2, 0.0), px_per_mm
    )
    shrink = source.shape[1] / photo.shape[1]
    seen = cv2.remap(
        source, *_moved(full, shrink), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    rgb = np.asarray(seen, dtype=np.uint8)
    lab = lab_of(rgb)
    surface = mat.lab_at(at, shape)
    zone = None
    # Where the search saw the mat or lace; beyond the photo there is neither.
    known = np.full(area.extent.shape, ON_MAT, np.uint8)
    if area.on_mat is not None:
        known[~area.on_mat] = 0
    known[area.extent] |= LACE
    marks = cv2.remap(
        known,
        *_moved(full, area.shrink),
        cv2.INTER_NEAREST,
        borderMode=cv2.BORDER_CONSTANT,
    )
    there = np.asarray(marks, dtype=np.uint8)
    outside = (there & ON_MAT) == 0
    if reference.grid is not None and grid_step_mm is not None:
        grid_xy = upsample((on_mat / grid_step_mm).reshape(*u.shape, 2), shape)
        zone = line_zone(reference.grid, grid_xy, 1.0)
        outside |= ~within_limits(area.limits, grid_xy)
    far = distance(lab, surface, zone, mat, THREAD_MM * px_per_mm)
    alpha = _matte(far, mat)
    alpha[outside] = 0
    # Where the search saw lace, fainter thread is enough: fine net must hold it together.
    least = np.where(there & LACE, np.float32(FAINT), np.float32(0.3))
    extent = _extent(alpha > least, px_per_mm)
    alpha[~extent] = 0
    mat_rgb = upsample(mat.rgb_at(at), shape)
    return Strip(photo_map, rgb, alpha, mat_rgb, extent, px_per_mm, u_low, v_high)


def _moved(at_px: Image, shrink: float) -> tuple[Image, Image]:
    """Photo points as points (x, y) of the photo made smaller by `shrink`."""
    moved = at_px * np.float32(shrink) + np.float32(0.5 * shrink - 0.5)
    x_px, y_px = cv2.split(moved)
    return np.asarray(x_px, dtype=np.float32), np.asarray(y_px, dtype=np.float32)


def _shrunk_for(
    photo: NDArray[np.uint8], area: LaceArea, has: float, wants: float
) -> NDArray[np.uint8]:
    """The photo no finer than wanted: what is skipped over would come out as false pattern."""
    if wants > 0.6 * has:
        return photo
    if 0.6 * has * area.shrink < wants <= has * area.shrink:
        return area.picture
    share = max(wants / has, 0.05) * 1.2
    return np.asarray(
        cv2.resize(photo, None, fx=share, fy=share, interpolation=cv2.INTER_AREA), dtype=np.uint8
    )


def _matte(far: Image, mat: Mat) -> Image:
    """Distance from the mat as a share of the lace's own contrast nearby."""
    floor = min(2.5 * mat.noise, 0.25 * mat.contrast)
    small = cv2.resize(far, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA)
    solid = (small > 0.6 * mat.contrast).astype(np.float32)
    spread = max(2.0, 0.04 * min(small.shape))
    weight = cv2.GaussianBlur(solid, (0, 0), spread) + 0.02
    near = (cv2.GaussianBlur(small * solid, (0, 0), spread) + 0.02 * mat.contrast) / weight
    near = np.clip(near, 0.7 * mat.contrast, 1.4 * mat.contrast)
    whole = cv2.resize(near, far.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(
        np.clip((far - floor) / np.maximum(0.9 * whole - floor, 1.0), 0, 1), dtype=np.float32
    )


def _extent(seen: Mask, px_per_mm: float) -> Mask:
    """The lace with its net filled: the largest piece, and what lies within 1 mm of it."""
    shrink = min(1.0, 4.0 / px_per_mm) if px_per_mm > 4 else 1.0
    small = cv2.resize(
        seen.astype(np.float32), None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA
    )
    joint = max(1.5, 1.0 * px_per_mm * shrink)
    pad = int(3 * joint)
    closed = cv2.morphologyEx(
        np.pad((small > 0.3).astype(np.uint8), pad), cv2.MORPH_CLOSE, disc(joint)
    )[pad:-pad, pad:-pad]
    filled = fill_holes(closed > 0)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(filled.astype(np.uint8))
    if count > 1:
        filled = labels == 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())
    whole = cv2.resize(filled.astype(np.float32), seen.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(whole > 0.5)
