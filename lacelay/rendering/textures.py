"""Fillings of motifs as small raster tiles: cloth stitch, half stitch, satin and mesh.

A tile has three 8-bit channels: cover (255: thread, 0: hole), height (relief) and tone
(128: the lace's own).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.rendering.pattern import Fill

Tile = NDArray[np.uint8]
_HEADINGS = 12


class Fillings:
    """Tiles of every filling and heading, made when first asked for.

    Parameters
    ----------
    px_per_mm : float
    weave_mm : float
        Distance of the threads of the cloth.
    rng : numpy.random.Generator
        Used for the unevenness of the threads.
    """

    def __init__(self, px_per_mm: float, weave_mm: float, rng: np.random.Generator) -> None:
        self._q, self._weave, self._rng = px_per_mm, weave_mm, rng
        self._side_px = int(26 * px_per_mm)
        self._tiles: dict[tuple[Fill, int], Tile] = {}
        # tiles are asked for in an order that depends on the pattern alone, so that the
        # unevenness drawn for each is the same at every run

    def patch(self, fill: Fill, heading_rad: float, height_px: int, width_px: int) -> Tile:
        """A piece of a filling, shape (height, width, 3), from a random place of its tile."""
        # the angle in the raster, whose rows run down
        index = round(-heading_rad / np.pi * _HEADINGS) % _HEADINGS
        if (fill, index) not in self._tiles:
            self._tiles[(fill, index)] = self._make(fill, index * np.pi / _HEADINGS)
        tile = self._tiles[(fill, index)]
        rows = self._places(height_px, tile.shape[0])
        columns = self._places(width_px, tile.shape[1])
        return np.ascontiguousarray(tile[rows][:, columns])

    def _places(self, count: int, side: int) -> slice | NDArray[np.int64]:
        """Rows or columns of a patch: a run from a random place, mirrored where too long."""
        if count < side:
            start = int(self._rng.integers(side - count))
            return slice(start, start + count)
        steps = np.arange(count) + int(self._rng.integers(side))
        return np.abs((steps + side - 1) % (2 * side - 2) - (side - 1))

    def _make(self, fill: Fill, turn: float) -> Tile:
        side = self._side_px
        if fill == "hole":
            return np.full((side, side, 3), (0, 0, 128), np.uint8)
        grid = np.arange(side, dtype=np.float32) / self._q
        x, y = np.meshgrid(grid, grid)
        wave = [self._waves(side) for _ in range(3)]
        a = np.cos(turn) * x + np.sin(turn) * y + 0.16 * self._weave * wave[0]
        b = -np.sin(turn) * x + np.cos(turn) * y + 0.16 * self._weave * wave[1]
        if fill == "cloth":
            height, gap = _cloth(a, b, self._weave, 0.30 + 0.05 * wave[2])
        elif fill == "satin":
            height, gap = _satin(a, b, 0.62 * self._weave)
        elif fill == "half":
            height, gap = _trellis(a, b, 1.45 * self._weave, 0.36 + 0.04 * wave[2])
        else:
            height, gap = _trellis(a, b, max(1.5, 2.4 * self._weave), 0.20 + 0.02 * wave[2])
        fine = max(0.06, 0.7 / self._q / self._weave)
        cover = np.clip(gap / fine + 0.5, 0, 1)
        tone = 128 + 10 * wave[2] + 14 * (height - 0.6)
        level = {"cloth": 120, "satin": 150, "half": 90, "mesh": 70}[fill]
        stack = np.stack([255 * cover, level * (0.45 + 0.55 * height) * cover, tone], axis=-1)
        return np.asarray(np.clip(stack, 0, 255), dtype=np.uint8)

    def _waves(self, side: int) -> NDArray[np.float32]:
        """Smooth noise of unit spread: slow and quick parts."""
        total = np.zeros((side, side), np.float32)
        for cells, weight in ((9, 0.7), (40, 0.55)):
            coarse = self._rng.standard_normal((cells, cells)).astype(np.float32)
            total += weight * cv2.resize(coarse, (side, side), interpolation=cv2.INTER_CUBIC)
        return total


Raster = NDArray[np.float32]


def _cloth(a: Raster, b: Raster, pitch: float, half: Raster) -> tuple[Raster, Raster]:
    """Plain weave: threads along both axes, over and under by turns."""
    pa, pb = a / pitch, b / pitch
    over = np.where((np.floor(pa) + np.floor(pb)) % 2 == 0, 1.0, 0.0).astype(np.float32)
    da, db = np.abs(pa - np.floor(pa) - 0.5), np.abs(pb - np.floor(pb) - 0.5)
    warp = np.clip(1 - (da / 0.5) ** 2, 0, 1) * (0.62 + 0.38 * over)
    weft = np.clip(1 - (db / 0.5) ** 2, 0, 1) * (1.0 - 0.38 * over)
    gap = half + 0.09 - np.minimum(da, db)
    return np.maximum(warp, weft), gap


def _satin(a: Raster, b: Raster, pitch: float) -> tuple[Raster, Raster]:
    """Threads side by side across the heading, here and there parted."""
    pa = a / pitch + 0.12 * np.sin(b * 1.1)
    da = np.abs(pa - np.floor(pa) - 0.5)
    return np.clip(1 - (da / 0.62) ** 2, 0, 1), 0.497 - da + 0.02 * np.sin(a * 0.9 + b * 0.7)


def _trellis(a: Raster, b: Raster, pitch: float, half: Raster) -> tuple[Raster, Raster]:
    """Slanting threads that cross: open work."""
    p1, p2 = (0.87 * a + 0.5 * b) / pitch, (0.87 * a - 0.5 * b) / pitch
    d1, d2 = np.abs(p1 - np.floor(p1) - 0.5), np.abs(p2 - np.floor(p2) - 0.5)
    near = np.minimum(d1, d2)
    return np.clip(1 - (near / 0.5) ** 2, 0, 1), half - near - 0.12
