"""Find beads and sequins: small round spots that stand out from the lace, all of one size.

A bead carries a highlight and a dark rim, so it differs from the thread round it in both
directions; lace without beads has no size at which many such spots recur, and gets none.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.model.lace import Bead
from lacelay.reading.strip import Strip

#: Diameters looked for, mm.
SIZES_MM = (1.6, 2.0, 2.5, 3.0, 4.0, 5.0)
#: Fewest beads that make a beaded lace.
FEWEST = 12


def read_beads(strip: Strip) -> tuple[Bead, ...]:
    """Beads in order of u; none when no size of spot recurs clearly."""
    shrink = min(1.0, 8.0 / strip.px_per_mm)
    rgb = cv2.resize(strip.rgb, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    per_mm = strip.px_per_mm * shrink
    if per_mm < 3:
        return ()
    light = cv2.cvtColor(rgb, cv2.COLOR_RGB2Lab)[..., 0].astype(np.float32) * np.float32(100 / 255)
    inside = cv2.resize(
        strip.extent.astype(np.uint8), light.shape[::-1], interpolation=cv2.INTER_NEAREST
    )
    cover = cv2.resize(strip.alpha, light.shape[::-1], interpolation=cv2.INTER_AREA)
    best: tuple[float, float, NDArray[np.float32]] | None = None
    for size in SIZES_MM:
        # A bead hides what is under it: where mat shows within the disc there is none.
        covered = cv2.filter2D(cover, cv2.CV_32F, _disc_mean(0.5 * size * per_mm)) > 0.8
        response = np.where(covered, _ring(light, 0.5 * size * per_mm), np.float32(0))
        spots = _spots(response, inside, size * per_mm)
        if len(spots) < FEWEST:
            continue
        strong = float(np.percentile(spots[:, 2], 70))
        if best is None or strong > best[0]:
            best = (strong, size, spots)
    if best is None:
        return ()
    strong, size, spots = best
    keep = spots[spots[:, 2] > 0.55 * strong]
    half = 0.5 / shrink - 0.5
    u = strip.u_of(keep[:, 0] / shrink + half)
    v = strip.v_of(keep[:, 1] / shrink + half)
    return tuple(Bead(float(a), float(b), size) for a, b in sorted(zip(u, v, strict=True)))


def _ring(light: NDArray[np.float32], radius: float) -> NDArray[np.float32]:
    """Light spot within a dark rim of the given radius: highlight minus rim."""
    spot = cv2.GaussianBlur(light, (0, 0), max(0.35 * radius, 0.5))
    size = 2 * int(np.ceil(radius * 1.15)) + 1
    y, x = np.mgrid[: size, : size] - size // 2
    far = np.hypot(x, y)
    rim = ((far > 0.7 * radius) & (far <= 1.1 * radius)).astype(np.float32)
    rim /= max(float(rim.sum()), 1.0)
    around = cv2.filter2D(light, cv2.CV_32F, rim)
    return np.asarray(spot - around, dtype=np.float32)


def _disc_mean(radius: float) -> NDArray[np.float32]:
    size = 2 * int(np.ceil(radius)) + 1
    y, x = np.mgrid[:size, :size] - size // 2
    inside = (np.hypot(x, y) <= radius).astype(np.float32)
    return np.asarray(inside / inside.sum(), dtype=np.float32)


def _spots(
    response: NDArray[np.float32], inside: NDArray[np.uint8], size_px: float
) -> NDArray[np.float32]:
    """Local maxima of the response, shape (n, 3): column, row, height."""
    reach = max(3, int(0.8 * size_px) | 1)
    top = cv2.dilate(response, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach)))
    rows, columns = np.nonzero((response >= top) & (response > 14.0) & (inside > 0))
    return np.stack([columns, rows, response[rows, columns]], -1).astype(np.float32)
