"""Where rows of evenly spaced marks may lie in a photo: a ruler's, or its like.

Frames: photo points (x, y) px, y down.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.reading.halves import Halves

Floats = NDArray[np.float64]

#: Longer side of the picture in which rows of marks are looked for, and the blocks of it, px.
SEARCH_PX, BLOCK_PX = 2000, 8
#: Blocks of one direction: least coherence (0 to 1) and least change, grey levels a pixel.
COHERENT, LEAST_CHANGE = 0.55, 4.0
#: A row of marks is this many blocks long and this many times as long as wide.
LEAST_BLOCKS, LEAST_LONG = 14, 4.0
#: Rows tried, the longest first.
MOST_ROWS = 6


def mark_places(halves: Halves) -> list[tuple[Floats, Floats, float, float]]:
    """Where rows of marks may lie: centre, direction, half length and half width, px.

    Blocks in which the picture changes in one direction only, strung out along that very
    direction: a line's blocks are strung out across it.
    """
    level = halves.nearest(SEARCH_PX)
    small = halves.gray[level]
    size = small.shape[1] // BLOCK_PX, small.shape[0] // BLOCK_PX
    if min(size) < 4:
        return []
    small = small[: size[1] * BLOCK_PX, : size[0] * BLOCK_PX]
    dx = cv2.Sobel(small, cv2.CV_32F, 1, 0, scale=1 / 8)
    dy = cv2.Sobel(small, cv2.CV_32F, 0, 1, scale=1 / 8)

    def blocks(values: NDArray[np.float32]) -> NDArray[np.float32]:
        for _ in range(3):
            small = cv2.resize(values, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
            values = np.asarray(small, dtype=np.float32)
        return values

    xx, yy, xy = blocks(dx * dx), blocks(dy * dy), blocks(dx * dy)
    whole = xx + yy
    coherence = np.sqrt((xx - yy) ** 2 + 4 * xy**2) / np.maximum(whole, 1e-6)
    angle = 0.5 * np.arctan2(2 * xy, xx - yy) % np.pi
    strong = (coherence > COHERENT) & (whole > LEAST_CHANGE**2)
    grow = BLOCK_PX * 2**level
    places: list[tuple[float, Floats, Floats, float, float]] = []
    for turn in np.arange(12) * np.pi / 12:
        off = np.abs((angle - turn + np.pi / 2) % np.pi - np.pi / 2)
        own = (strong & (off < np.deg2rad(11))).astype(np.uint8)
        if np.count_nonzero(own) < LEAST_BLOCKS:
            continue
        _, labels, stats, _ = cv2.connectedComponentsWithStats(own)
        long = np.maximum(stats[1:, cv2.CC_STAT_WIDTH], stats[1:, cv2.CC_STAT_HEIGHT])
        for label in 1 + np.flatnonzero(long >= 0.6 * LEAST_BLOCKS):
            x0, y0, w, h, _ = stats[label]
            y, x = np.nonzero(labels[y0 : y0 + h, x0 : x0 + w] == label)
            points = np.stack([x + x0, y + y0], -1).astype(float)
            centre = points.mean(axis=0)
            values, vectors = np.linalg.eigh((points - centre).T @ (points - centre))
            values = values / max(len(points) - 1, 1)
            half = float(np.sqrt(3 * max(values[1], 0))) + 0.5
            wide = float(np.sqrt(3 * max(values[0], 0))) + 0.5
            along = vectors[:, 1]
            pointed = np.arctan2(along[1], along[0])
            skew = abs((pointed - turn + np.pi / 2) % np.pi - np.pi / 2)
            if 2 * half < LEAST_BLOCKS or half < LEAST_LONG * wide or skew > np.deg2rad(16):
                continue
            at = (centre + 0.5) * grow - 0.5
            places.append((half, at, along, half * grow, wide * grow))
    places.sort(key=lambda place: -place[0])
    return [(at, along, half, wide) for _, at, along, half, wide in places[:MOST_ROWS]]
