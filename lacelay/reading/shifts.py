"""Lay a strip on itself, moved along by a shift, and see tile by tile how the two agree.

No two copies of a repeat lie alike, so every tile may move by a millimetre or so before it
is compared (Lucas and Kanade, "An Iterative Image Registration Technique", 1981, with the
gradients of both pictures): then what is left of the difference is a difference of pattern,
and where the tiles moved to says how long the shift truly is.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.reading.mat import Image

Floats = NDArray[np.float64]

#: Side of a tile, mm: a motif or a good part of one.
TILE_MM = 12.0
#: A tile moves by no more than this, mm.
FARTHEST_MM = 3.0
ROUNDS = 3
#: Tiles with less pattern than this share of the mean have nothing to compare.
LEAST_PATTERN = 0.15


@dataclass(frozen=True, eq=False)
class Compared:
    """A strip against itself one shift further along, by tiles (rows, columns).

    Parameters
    ----------
    shift_px : float
    moved_px : ndarray, shape (r, c)
        How much further along than `shift_px` each tile of the strip is found again.
    alike : ndarray, shape (r, c)
        Correlation of the two where they agree best, -1 to 1.
    pattern : ndarray, shape (r, c)
        How much pattern the tile has, 1 in the mean; 0 where there is too little of it.
    step_px : float
        Columns of one tile; the first one starts at the strip's start.
    middle_px : ndarray, shape (r,)
        Middle row of every row of tiles.
    """

    shift_px: float
    moved_px: Floats
    alike: Floats
    pattern: Floats
    step_px: float
    middle_px: Floats


def compare(rows: Image, shift_px: float, down_px: float, px_per_mm: float) -> Compared | None:
    """Compare a strip with itself; None where less than one tile overlaps.

    Parameters
    ----------
    rows : ndarray of float32, shape (h, w)
        Blurred cover, each row about its mean.
    shift_px : float
        Need not be whole.
    down_px : float
        How much further down the strip is found again.
    px_per_mm : float
    """
    h, w = rows.shape
    tile = max(6, round(TILE_MM * px_per_mm))
    width = int(w - shift_px)
    if width < tile:
        return None
    down, across = max(1, round(h / tile)), max(1, width // tile)
    high, wide = h // down, tile
    own = np.ascontiguousarray(rows[: high * down, : wide * across])
    size = own.shape[::-1]
    field = np.zeros((down, across, 2), np.float32)
    x, y = np.meshgrid(np.arange(size[0], dtype=np.float32), np.arange(size[1], dtype=np.float32))
    x += np.float32(shift_px)
    y += np.float32(down_px)
    most = FARTHEST_MM * px_per_mm

    def again() -> Image:
        smooth = np.asarray(cv2.resize(field, size, interpolation=cv2.INTER_LINEAR))
        return np.asarray(
            cv2.remap(
                rows, x + smooth[..., 0], y + smooth[..., 1], cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            ),
            dtype=np.float32,
        )  # fmt: skip

    def total(picture: Image) -> Floats:
        return np.asarray(
            cv2.resize(picture, (across, down), interpolation=cv2.INTER_AREA), dtype=np.float64
        )

    for turn in range(ROUNDS):
        other = again()
        both = (own + other) * np.float32(0.5)
        right, under = (np.asarray(cv2.Sobel(both, cv2.CV_32F, *way, scale=1 / 8))
                        for way in ((1, 0), (0, 1)))  # fmt: skip
        miss = own - other
        xx, xy, yy = total(right * right), total(right * under), total(under * under)
        bx, by = total(right * miss), total(under * miss)
        if turn == 0:  # first as a whole: a tile alone may slip by a mesh or a stripe
            xx, xy, yy, bx, by = (np.full_like(each, each.mean()) for each in (xx, xy, yy, bx, by))
        # A stripe says nothing of the way along itself: hold it back there.
        hold = 0.02 * float((xx + yy).mean()) + 1e-12
        det = (xx + hold) * (yy + hold) - xy * xy
        step = (
            np.stack([(yy + hold) * bx - xy * by, (xx + hold) * by - xy * bx], -1) / det[..., None]
        )
        field = np.clip(field + np.clip(step, -2, 2), -most, most).astype(np.float32)
    other = again()
    one, two, product = total(own * own), total(other * other), total(own * other)
    means = total(own), total(other)
    one, two = one - means[0] ** 2, two - means[1] ** 2
    product = product - means[0] * means[1]
    pattern = np.maximum(one, two)
    pattern = pattern / max(float(pattern.mean()), 1e-12)
    # What is bare in one and full in the other is not alike, however the rest of it goes.
    alike = product / np.maximum(
        np.sqrt(np.maximum(one * two, 0)), 0.5 * np.maximum(one, two) + 1e-12
    )
    return Compared(
        shift_px,
        np.asarray(field[..., 0], dtype=np.float64),
        np.clip(alike, -1, 1),
        np.where(pattern > LEAST_PATTERN, pattern, 0.0),
        float(wide),
        (np.arange(down) + 0.5) * high - 0.5,
    )
