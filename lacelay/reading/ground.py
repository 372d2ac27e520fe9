"""Tell motif from ground (net or bars) and from open places, at the lace's own mesh size.

The mesh is measured in the spectrum of small windows. Ground and motif differ by how much
of a window of about two meshes the threads fill.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.model.lace import Shares
from lacelay.reading.cloth import disc
from lacelay.reading.mat import Image, Mask
from lacelay.reading.strip import Strip

Floats = NDArray[np.float64]

#: Window the mesh is measured in, px.
WINDOW = 128
#: Meshes looked for, mm.
FINEST_MESH_MM, COARSEST_MESH_MM = 0.8, 7.0
#: Taken for windows where no mesh was found (bars instead of net), mm.
PLAIN_MESH_MM = 2.0


@dataclass(frozen=True, eq=False)
class Ground:
    """What each place of the strip is.

    Parameters
    ----------
    mesh_mm : float or None
        Spacing of the net's rows of holes; None when no net was found.
    motif, open_ : ndarray of bool, shape (h, w)
        At `px_per_mm`; the rest of the extent is ground.
    extent : ndarray of bool, shape (h, w)
    shares : Shares
    """

    mesh_mm: float | None
    motif: Mask
    open_: Mask
    extent: Mask
    cover: Image
    shares: Shares
    px_per_mm: float
    u0_mm: float
    v0_mm: float

    def to_lace(self, columns: Floats, rows: Floats) -> Floats:
        """Lace points of (column, row), shape (n, 2)."""
        return np.stack(
            [self.u0_mm + columns / self.px_per_mm, self.v0_mm - rows / self.px_per_mm], -1
        )


def read_ground(strip: Strip) -> Ground:
    """Measure the mesh and part the lace into motif, ground and open."""
    mesh = mesh_size(strip.alpha, strip.extent, strip.px_per_mm)
    shrink = min(1.0, 6.0 / strip.px_per_mm)
    cover = cv2.resize(strip.alpha, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    extent = cv2.resize(
        strip.extent.astype(np.uint8), cover.shape[::-1], interpolation=cv2.INTER_NEAREST
    )
    inside = extent > 0
    per_mm = strip.px_per_mm * shrink
    size = (mesh or PLAIN_MESH_MM) * per_mm
    spread = max(0.8, 0.5 * size)
    weight = cv2.GaussianBlur(extent.astype(np.float32), (0, 0), spread)
    filled = cv2.GaussianBlur(cover, (0, 0), spread) / np.maximum(weight, 0.2)
    cut = _cut(filled[inside].astype(np.float32))
    motif = ((filled > cut) & inside & (cover > 0.25)).astype(np.uint8)
    # What is thinner than half a mesh is thread or cord, not a motif; slits within one belong
    # to it.
    closed = cv2.morphologyEx(motif, cv2.MORPH_CLOSE, disc(0.25 * size))
    opened = cv2.morphologyEx(closed, cv2.MORPH_OPEN, disc(max(0.35 * size, 0.45 * per_mm)))
    solid = (opened > 0) & inside
    empty = ((cover < 0.3) & inside).astype(np.uint8)
    wide = cv2.morphologyEx(empty, cv2.MORPH_OPEN, disc(max(0.75 * size, 1.0 * per_mm)))
    open_ = (wide > 0) & ~solid
    total = max(1, int(inside.sum()))
    motif_share, open_share = float(solid.sum()) / total, float(open_.sum()) / total
    shares = Shares(motif_share, 1 - motif_share - open_share, open_share)
    half = 0.5 / shrink - 0.5
    return Ground(
        mesh,
        solid,
        open_,
        inside,
        np.asarray(cover, dtype=np.float32),
        shares,
        per_mm,
        strip.u0_mm + half / strip.px_per_mm,
        strip.v0_mm - half / strip.px_per_mm,
    )


def _cut(filled: Image) -> float:
    """Fill share that parts motif from ground: the dip between the two, within reason."""
    scaled = np.clip(filled * 255, 0, 255).astype(np.uint8).reshape(-1, 1)
    cut, _ = cv2.threshold(scaled, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    return float(np.clip(cut / 255, 0.4, 0.82))


def mesh_size(alpha: Image, extent: Mask, px_per_mm: float) -> float | None:
    """Spacing of the net's rows of holes in mm, from the spectra of netlike windows.

    Returns None when too few windows agree on one spacing.
    """
    # About eight pixels to a millimetre are enough for any mesh of this range.
    shrink = min(1.0, 8.0 / px_per_mm)
    if shrink < 1:
        smaller = cv2.resize(alpha, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        alpha = np.asarray(smaller, dtype=np.float32)
        extent = np.asarray(cv2.resize(extent.astype(np.uint8), alpha.shape[::-1]) > 0)
    per_mm = px_per_mm * shrink
    side = int(np.clip(16 * per_mm, 32, WINDOW))
    taper = np.outer(np.hanning(side), np.hanning(side)).astype(np.float32)
    distance = np.hypot(*np.meshgrid(np.fft.fftfreq(side), np.fft.rfftfreq(side), indexing="ij"))
    bins = (distance * 2 * side).round().astype(int)  # half-steps of the spectrum
    low = max(4, int(np.ceil(2 * side / (COARSEST_MESH_MM * per_mm))))
    high = int(min(0.45, 1 / (FINEST_MESH_MM * per_mm)) * 2 * side)
    if high - low < 4:
        return None
    found, strength = [], []
    for row in range(0, alpha.shape[0] - side + 1, side // 2):
        for column in range(0, alpha.shape[1] - side + 1, side // 2):
            window = alpha[row : row + side, column : column + side]
            here = extent[row : row + side, column : column + side]
            if here.mean() < 0.95:
                continue
            fill = float(window.mean())
            if not 0.06 < fill < 0.7:
                continue
            spectrum = np.abs(np.fft.rfft2((window - fill) * taper)) ** 2
            ring = np.bincount(bins.ravel(), spectrum.ravel(), high + 3)[: high + 3]
            ring[:low] = 0
            top = int(ring[low:high].argmax()) + low
            share = float(ring[max(low, top - 2) : top + 3].sum() / max(ring[2:].sum(), 1e-9))
            if top > low + 1 and top < high - 1:
                found.append(2 * side / top / per_mm)
                strength.append(share)
    if len(found) < 3:
        return None
    sizes, weights = np.array(found), np.array(strength)
    order = np.argsort(sizes)
    share = np.cumsum(weights[order]) / weights.sum()
    middle = float(sizes[order][np.searchsorted(share, 0.5)])
    agree = float(weights[np.abs(sizes / middle - 1) < 0.15].sum() / weights.sum())
    if agree < 0.4 or float(np.median(weights)) < 0.12:
        return None
    close = np.abs(sizes / middle - 1) < 0.15
    return float(np.average(sizes[close], weights=weights[close]))
