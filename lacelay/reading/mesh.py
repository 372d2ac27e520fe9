"""Measure the mesh of the net: how far it is from one hole to the next.

The spectra of the evenest netlike windows are added up, and their transform (the
autocorrelation of the net alone) has a peak at every shift that brings the net onto
itself. The nearest strong peak is the distance of neighbouring holes, whatever the
lattice: rows of a hexagonal net, which a spectrum shows first, lie 0.87 of it apart.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.reading.mat import Image, Mask

Floats = NDArray[np.float64]

#: Meshes looked for, mm; wider ones are bars.
FINEST_MESH_MM, COARSEST_MESH_MM = 0.7, 5.0
#: Side of a window, mm, and its resolution at the most, px per mm.
WINDOW_MM, PX_PER_MM = 13.0, 5.0
MOST_WINDOWS = 30
#: Share of the fill that a netlike window has.
FILL = (0.05, 0.75)
#: Least height of the peak for net, as a share of the peak at no shift.
LEAST_PEAK = 0.15


def mesh_size(alpha: Image, extent: Mask, px_per_mm: float) -> float | None:
    """Distance of neighbouring holes of the net in mm; None where no net is told.

    Parameters
    ----------
    alpha : ndarray of float32, shape (h, w)
        Cover, 0 to 1.
    extent : ndarray of bool, shape (h, w)
        The lace with the holes of its net filled.
    px_per_mm : float
    """
    shrink = min(1.0, PX_PER_MM / px_per_mm)
    size = (round(alpha.shape[1] * shrink), round(alpha.shape[0] * shrink))
    cover = np.asarray(cv2.resize(alpha, size, interpolation=cv2.INTER_AREA), dtype=np.float32)
    inside = cv2.resize(extent.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    per_mm = px_per_mm * shrink
    side = round(WINDOW_MM * per_mm)
    if min(cover.shape) < side:
        side = min(cover.shape) // 2 * 2
    if side < 4 * FINEST_MESH_MM * per_mm:
        return None
    windows = [
        cover[row : row + side, column : column + side]
        for row, column in netlike_windows(cover, np.asarray(inside), per_mm, side)
    ]
    if not windows:
        return None
    likeness = _likeness(windows, per_mm)
    return _nearest(likeness, per_mm)


def netlike_windows(cover: Image, inside: Image, per_mm: float, side: int) -> list[tuple[int, int]]:
    """Top left corners (row, column) of the evenest windows, apart from each other."""
    step = max(1, int(per_mm))
    fill = cv2.GaussianBlur(cover, (0, 0), 1.2 * per_mm)[::step, ::step]
    n = max(3, side // step)
    here = np.ascontiguousarray(inside[::step, ::step])
    mean, square = cv2.blur(fill, (n, n)), cv2.blur(fill * fill, (n, n))
    uneven = np.sqrt(np.maximum(np.asarray(square) - np.asarray(mean) ** 2, 0))
    whole = np.asarray(cv2.blur(here, (n, n))) > 0.97
    fair = whole & (np.asarray(mean) > FILL[0]) & (np.asarray(mean) < FILL[1])
    half = n // 2 + 1
    fair[:half] = fair[-half:] = False
    fair[:, :half] = fair[:, -half:] = False
    score = np.where(fair, uneven, np.inf)
    chosen: list[tuple[int, int]] = []
    first = float(score.min()) if score.size else np.inf
    while len(chosen) < MOST_WINDOWS:
        row, column = divmod(int(score.argmin()), score.shape[1])
        least = float(score[row, column])
        if not np.isfinite(least) or (least > max(2 * first, 0.06) and len(chosen) >= 3):
            break
        top, left = row * step - side // 2, column * step - side // 2
        if 0 <= top <= cover.shape[0] - side and 0 <= left <= cover.shape[1] - side:
            chosen.append((top, left))
        score[max(0, row - half) : row + half, max(0, column - half) : column + half] = np.inf
    return chosen


def _likeness(windows: list[Image], per_mm: float) -> Floats:
    """Likeness of the net with itself at each shift, no shift in the middle."""
    side = len(windows[0])
    size = cv2.getOptimalDFTSize(2 * side) // 2 * 2
    taper = np.outer(np.hanning(side), np.hanning(side))
    power = np.zeros((size, size // 2 + 1))
    for window in windows:
        even = (window - window.mean()) * taper
        power += np.abs(np.fft.rfft2(even / max(float(even.std()), 1e-6), (size, size))) ** 2
    distance = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None]) * per_mm
    power[distance < 1 / (1.6 * COARSEST_MESH_MM)] = 0  # light and motifs, not net
    shifted = np.fft.irfft2(power, (size, size))
    # What a taper leaves of a far shift.
    left = np.fft.irfft2(np.abs(np.fft.rfft2(taper, (size, size))) ** 2, (size, size))
    shifted = shifted / np.maximum(left, 0.15 * left[0, 0])
    return np.asarray(np.fft.fftshift(shifted / shifted[0, 0]), dtype=np.float64)


def _nearest(likeness: Floats, per_mm: float) -> float | None:
    """Distance of the nearest strong peak in mm, between the pixels."""
    middle = len(likeness) // 2
    reach = min(int(COARSEST_MESH_MM * per_mm) + 2, middle - 1)
    near = likeness[middle - reach : middle + reach + 1, middle - reach : middle + reach + 1]
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    away = np.hypot(x, y) / per_mm
    top = (
        (cv2.dilate(near, np.ones((3, 3), np.uint8)) == near)
        & (away > FINEST_MESH_MM)
        & (away < COARSEST_MESH_MM)
        & (np.maximum(abs(x), abs(y)) < reach)
    )
    rows, columns = np.nonzero(top)
    if len(rows) == 0:
        return None
    height, distance = near[rows, columns], away[rows, columns]
    if float(height.max()) < LEAST_PEAK:
        return None
    strong = height > 0.7 * height.max()
    ring = strong & (distance < 1.2 * float(distance[strong].min()))
    exact = [
        np.hypot(
            columns[k] - reach + _between(*near[rows[k], columns[k] - 1 : columns[k] + 2]),
            rows[k] - reach + _between(*near[rows[k] - 1 : rows[k] + 2, columns[k]]),
        )
        for k in np.flatnonzero(ring)
    ]
    return float(np.median(exact)) / per_mm


def _between(before: float, here: float, after: float) -> float:
    bend = before - 2 * here + after
    return 0.5 * (before - after) / bend if abs(bend) > 1e-12 else 0.0
