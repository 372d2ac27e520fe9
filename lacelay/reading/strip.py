"""Cut a piece of lace out of its background, straightened along a line on the mat."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.geometry.photo_map import PhotoMap
from lacelay.reading.cloth import LaceArea, disc, fill_holes, largest_piece, within_limits
from lacelay.reading.mat import (
    Image,
    Mask,
    Mat,
    distance,
    line_zone,
    sampled,
    upsample,
)
from lacelay.reading.scale import Reference

Floats = NDArray[np.float64]

#: The straightened picture holds at most this many pixels.
MOST_PIXELS = 2_400_000


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
    hidden : ndarray of bool, shape (h, w), or None
        Where a ruler or a card lies across the lace; None where nothing does.
    """

    photo_map: PhotoMap
    rgb: NDArray[np.uint8]
    alpha: Image
    mat_rgb: Image
    extent: Mask
    px_per_mm: float
    u0_mm: float
    v0_mm: float
    hidden: Mask | None = None

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


def most_px_per_mm(length_mm: float, depth_mm: float) -> float:
    """The finest a picture of so many mm may be without growing past `MOST_PIXELS`."""
    return float(np.sqrt(MOST_PIXELS / (length_mm * depth_mm)))


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
    px_per_mm = float(min(px_per_mm, most_px_per_mm(u_high - u_low, v_high - v_low)))
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
    far = distance(rgb, surface, zone, mat, THREAD_MM * px_per_mm)
    alpha = _matte(mat.relit(far, at), mat)
    alpha[outside] = 0
    # Where the search saw lace, fainter thread is enough: fine net must hold it together.
    least = np.where(there & LACE, np.float32(FAINT), np.float32(0.3))
    # What lies across the lace hides it, but does not part it.
    under = outside & ((there & LACE) > 0)
    extent = _extent((alpha > least) | under, px_per_mm)
    alpha[~extent] = 0
    mat_rgb = upsample(mat.rgb_at(at), shape)
    hidden = under if under.any() else None
    return Strip(photo_map, rgb, alpha, mat_rgb, extent, px_per_mm, u_low, v_high, hidden)


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
    if 0.6 * has * area.picture_shrink < wants <= has * area.picture_shrink:
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
    filled = largest_piece(fill_holes(closed > 0))
    whole = cv2.resize(filled.astype(np.float32), seen.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(whole > 0.5)
