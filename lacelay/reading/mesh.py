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

from lacelay.reading.mat import Image

Floats = NDArray[np.float64]

#: Meshes looked for, mm; wider ones are bars.
FINEST_MESH_MM, COARSEST_MESH_MM = 0.7, 5.0
#: Side of a window, mm.
WINDOW_MM = 13.0
MOST_WINDOWS = 16
#: Share of the fill that a netlike window has.
FILL = (0.05, 0.75)
#: Least height of the peak for net, as a share of the peak at no shift.
LEAST_PEAK = 0.15


class NetWindows:
    """Places of a cover where it is evenest, as bare net is.

    Parameters
    ----------
    cover : ndarray of float32, shape (h, w)
        How much thread covers, 0 to 1.
    inside : ndarray of uint8, shape (h, w)
        1 where the lace is, the holes of its net too.
    px_per_mm : float
    """

    def __init__(self, cover: Image, inside: NDArray[np.uint8], px_per_mm: float) -> None:
        self.cover, self.px_per_mm = cover, px_per_mm
        self._step = max(1, int(px_per_mm))
        size = tuple(max(1, side // self._step) for side in cover.shape[::-1])
        step = self._step
        whole = slice(0, size[1] * step), slice(0, size[0] * step)
        small = cv2.resize(cover[whole], size, interpolation=cv2.INTER_AREA)
        # A mesh is to leave no trace: what a window holds besides net is to be seen.
        spread = 1.2 * px_per_mm / step
        self._fill = np.asarray(cv2.GaussianBlur(small, (0, 0), spread), dtype=np.float32)
        lace = cv2.resize(inside[whole] * np.uint8(255), size, interpolation=cv2.INTER_AREA)
        self._inside = np.asarray(lace, dtype=np.float32) / np.float32(255)

    def of(self, side: int) -> list[tuple[slice, slice]]:
        """The evenest windows of that side (px), apart from each other."""
        step, shape = self._step, self.cover.shape
        n = max(3, side // step)
        fill = self._fill
        mean, square = cv2.blur(fill, (n, n)), cv2.blur(fill * fill, (n, n))
        uneven = np.sqrt(np.maximum(np.asarray(square) - np.asarray(mean) ** 2, 0))
        whole = np.asarray(cv2.blur(self._inside, (n, n))) > 0.97
        fair = whole & (np.asarray(mean) > FILL[0]) & (np.asarray(mean) < FILL[1])
        half = n // 2 + 1
        fair[:half] = fair[-half:] = False
        fair[:, :half] = fair[:, -half:] = False
        score = np.where(fair, uneven, np.inf)
        chosen: list[tuple[slice, slice]] = []
        first = float(score.min()) if score.size else np.inf
        while len(chosen) < MOST_WINDOWS:
            row, column = divmod(int(score.argmin()), score.shape[1])
            least = float(score[row, column])
            if not np.isfinite(least) or (least > max(2 * first, 0.06) and len(chosen) >= 3):
                break
            top = row * step + step // 2 - side // 2
            left = column * step + step // 2 - side // 2
            if 0 <= top <= shape[0] - side and 0 <= left <= shape[1] - side:
                chosen.append((slice(top, top + side), slice(left, left + side)))
            near = (
                slice(max(0, row - half), row + half),
                slice(max(0, column - half), column + half),
            )
            score[near] = np.inf
        return chosen


def mesh_size(net: NetWindows) -> float | None:
    """Distance of neighbouring holes of the net in mm; None where no net is told.

    Parameters
    ----------
    net : NetWindows
        At some 5 px per mm.
    """
    per_mm = net.px_per_mm
    side = round(WINDOW_MM * per_mm)
    if min(net.cover.shape) < side:
        side = min(net.cover.shape) // 2 * 2
    if side < 4 * FINEST_MESH_MM * per_mm:
        return None
    windows = [net.cover[window] for window in net.of(side)]
    if not windows:
        return None
    return _nearest(_likeness(windows, per_mm), per_mm)


def _likeness(windows: list[Image], per_mm: float) -> Floats:
    """Likeness of the net with itself at each shift, no shift in the middle."""
    side = len(windows[0])
    size = 2 * cv2.getOptimalDFTSize(side)
    taper = np.outer(np.hanning(side), np.hanning(side)).astype(np.float32)
    power = np.zeros((size, size), np.float32)
    wide = np.zeros((size, size), np.float32)

    def spectrum(picture: Image) -> Image:
        wide[:side, :side] = picture
        found = cv2.dft(wide, flags=cv2.DFT_COMPLEX_OUTPUT, nonzeroRows=side)
        return np.asarray(cv2.magnitude(*cv2.split(found)), dtype=np.float32) ** 2

    for window in windows:
        even = (window - window.mean()) * taper
        power += spectrum(even / max(float(even.std()), 1e-6))
    distance = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.fftfreq(size)[None]) * per_mm
    power[distance < 1 / (1.6 * COARSEST_MESH_MM)] = 0  # light and motifs, not net
    shifted = np.fft.irfft2(power[:, : size // 2 + 1], (size, size))
    # What a taper leaves of a far shift.
    left = np.fft.irfft2(spectrum(taper)[:, : size // 2 + 1], (size, size))
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
    # What lies over the net, a printed line, weakens the peaks of some ways only.
    strong = height > 0.6 * height.max()
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
