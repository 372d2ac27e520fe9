"""Group motifs that are copies of each other: congruent by a turn and a shift, never a flip.

Each motif is resampled about its middle by angle and distance, so that a turn is a shift
along the angle, found by correlation; a mirror image runs the angles the other way. Motifs
of one outline are still two kinds when their filling differs: a leaf whose left half is
open is not the copy of one whose right half is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.reading.mat import Image, Mask
from lacelay.reading.necks import rimmed

Floats = NDArray[np.float64]

ANGLES, RINGS = 128, 20
#: Areas of copies differ by no more than this share, or by this rim of their outline, mm.
AREA_SHARE, AREA_RIM_MM = 0.10, 0.07
#: Least overlap (intersection over union) of copies, and what a rim of 0.2 mm takes off it.
LEAST_OVERLAP, RIM_MM = 0.88, 0.2
#: A mirror image that fits better by this much makes two motifs different kinds.
FLIP_MARGIN = 0.02
#: Fillings are compared where their cover varies by this much; copies correlate by this, and
#: a mirror image does not correlate better by that.
LEAST_TEXTURE, LEAST_LIKENESS, FILLING_MARGIN = 0.05, 0.4, 0.15
#: Turns whose overlap is this near the best are all tried: round motifs have many.
OVERLAP_SLACK = 0.03
#: Threads and the small warps of copies are blurred away, mm.
BLUR_MM = 0.35
#: Motifs under this size have no filling to compare, mm2.
FILLED_MM2 = 15.0


@dataclass(frozen=True, eq=False)
class _Turned:
    """A picture by angle and distance from its middle, ready to be turned: its spectrum by angle.

    Rings are weighed by their area; `energy` is the sum of squares. Read the other way round,
    which is mirrored, its spectrum is the conjugate one.
    """

    spectrum: NDArray[np.complex128]
    energy: float


@dataclass(frozen=True, eq=False)
class _Shape:
    """A motif: its outline and its filling, and how much the filling varies."""

    area_mm2: float
    rim_mm: float
    outline: _Turned
    filling: _Turned | None
    texture: float


def kinds_of(masks: Sequence[Mask], covers: Sequence[Image], px_per_mm: float) -> NDArray[np.int64]:
    """Number of the kind of every motif, from 0 for the largest.

    Parameters
    ----------
    masks : sequence of ndarray of bool
        Filled motifs of one repeat.
    covers : sequence of ndarray of float32
        How much thread covers, 0 to 1, under the same boxes.
    px_per_mm : float
    """
    shapes = [_shape(mask, cover, px_per_mm) for mask, cover in zip(masks, covers, strict=True)]
    kinds = np.full(len(shapes), -1, dtype=np.int64)
    order = sorted(range(len(shapes)), key=lambda k: -shapes[k].area_mm2)
    kind = 0
    for place, first in enumerate(order):
        if kinds[first] >= 0:
            continue
        kinds[first] = kind
        one = shapes[first]
        near = AREA_SHARE * one.area_mm2 + AREA_RIM_MM * one.rim_mm
        for other in order[place + 1 :]:
            if one.area_mm2 - shapes[other].area_mm2 > near:
                break
            if kinds[other] < 0 and _alike(one, shapes[other]):
                kinds[other] = kind
        kind += 1
    return kinds


def _shape(mask: Mask, cover: Image, q: float) -> _Shape:
    ones = rimmed(mask, 1)
    inner = cv2.erode(ones, np.ones((3, 3), np.uint8))
    size = cv2.countNonZero(ones)
    moments = cv2.moments(ones, binaryImage=True)
    middle = moments["m10"] / size - 1, moments["m01"] / size - 1
    area = size / q**2
    rim = (size - cv2.countNonZero(inner)) / q
    outline = _turned(mask.astype(np.float32), middle, area, q)
    if area <= FILLED_MM2:
        return _Shape(area, rim, outline, None, 0.0)
    smooth = np.asarray(cv2.GaussianBlur(cover, (0, 0), BLUR_MM * q))
    level = float(smooth[mask].mean())
    deep = cv2.distanceTransform(ones, cv2.DIST_L2, 5)[1:-1, 1:-1]
    within = np.asarray(deep) > 0.4 * q
    own = np.where(within, smooth - level, 0).astype(np.float32)
    texture = float(own[within].std()) if within.any() else 0.0
    return _Shape(area, rim, outline, _turned(own, middle, area, q), texture)


def _turned(picture: Image, middle: tuple[float, float], area_mm2: float, q: float) -> _Turned:
    """By angle and distance, out to a radius that depends on the area alone: as copies do."""
    reach = 2.2 * np.sqrt(area_mm2) * q
    polar = cv2.warpPolar(
        picture, (RINGS, ANGLES), middle, reach,
        cv2.INTER_LINEAR | cv2.WARP_POLAR_LINEAR | cv2.WARP_FILL_OUTLIERS,
    )  # fmt: skip
    weighed = np.asarray(polar, dtype=np.float64) * np.sqrt(np.arange(RINGS) + 0.5)
    return _Turned(np.fft.rfft(weighed, axis=0), float((weighed**2).sum()))


def _alike(one: _Shape, two: _Shape) -> bool:
    turned = _overlaps(one.outline, two.outline, False)
    flipped = _overlaps(one.outline, two.outline, True)
    # Small motifs are mostly rim, and a rim is never quite the same.
    rim = RIM_MM * one.rim_mm / max(one.area_mm2, 1e-6)
    least = min(LEAST_OVERLAP, 1 - min(0.45, 0.7 * rim))
    if turned.max() < least or turned.max() < flipped.max() - FLIP_MARGIN:
        return False
    if one.filling is None or two.filling is None or min(one.texture, two.texture) < LEAST_TEXTURE:
        return max(one.texture, two.texture) < 2 * LEAST_TEXTURE
    same = _best(one.filling, two.filling, turned, False)
    mirror = _best(one.filling, two.filling, flipped, True)
    return same >= LEAST_LIKENESS and same >= mirror - FILLING_MARGIN


def _turns(a: _Turned, b: _Turned, mirrored: bool) -> Floats:
    """Sum of products at every turn."""
    both = a.spectrum * (b.spectrum if mirrored else np.conj(b.spectrum))
    return np.asarray(np.fft.irfft(both.sum(axis=1), ANGLES), dtype=np.float64)


def _overlaps(a: _Turned, b: _Turned, mirrored: bool) -> Floats:
    """Intersection over union at every turn."""
    both = _turns(a, b, mirrored)
    return np.asarray(both / np.maximum(a.energy + b.energy - both, 1e-9), dtype=np.float64)


def _best(a: _Turned, b: _Turned, overlaps: Floats, mirrored: bool) -> float:
    """Best correlation of two fillings among the turns at which the outlines agree."""
    fair = overlaps >= overlaps.max() - OVERLAP_SLACK
    best = float(_turns(a, b, mirrored)[fair].max())
    return best / max(float(np.sqrt(a.energy * b.energy)), 1e-9)
