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

Floats = NDArray[np.float64]

ANGLES, RINGS = 128, 20
#: Areas of copies differ by no more than this share, or by this rim of their outline, mm.
AREA_SHARE, AREA_RIM_MM = 0.10, 0.15
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
class _Shape:
    """A motif by angle (rows) and distance from its middle (columns)."""

    area_mm2: float
    rim_mm: float
    outline: Floats
    filling: Floats
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
    inner = cv2.erode(np.pad(mask.astype(np.uint8), 1), np.ones((3, 3), np.uint8))
    rim = float(mask.sum() - np.sum(inner)) / q
    rows, columns = np.nonzero(mask)
    middle = float(columns.mean()), float(rows.mean())
    area = float(mask.sum()) / q**2
    outline = _polar(mask.astype(np.float32), middle, area, q)
    if area <= FILLED_MM2:
        return _Shape(area, rim, outline, np.zeros_like(outline), 0.0)
    smooth = np.asarray(cv2.GaussianBlur(cover, (0, 0), BLUR_MM * q))
    level = float(smooth[mask].mean())
    deep = cv2.distanceTransform(np.pad(mask.astype(np.uint8), 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
    within = np.asarray(deep) > 0.4 * q
    own = np.where(within, smooth - level, 0).astype(np.float32)
    texture = float(own[within].std()) if within.any() else 0.0
    return _Shape(area, rim, outline, _polar(own, middle, area, q), texture)


def _polar(picture: Image, middle: tuple[float, float], area_mm2: float, q: float) -> Floats:
    """By angle and distance, out to a radius that depends on the area alone: as copies do."""
    reach = 2.2 * np.sqrt(area_mm2) * q
    polar = cv2.warpPolar(
        picture, (RINGS, ANGLES), middle, reach,
        cv2.INTER_LINEAR | cv2.WARP_POLAR_LINEAR | cv2.WARP_FILL_OUTLIERS,
    )  # fmt: skip
    return np.asarray(polar, dtype=np.float64)


def _alike(one: _Shape, two: _Shape) -> bool:
    turned = _overlaps(one.outline, two.outline)
    flipped = _overlaps(one.outline, _mirrored(two.outline))
    # Small motifs are mostly rim, and a rim is never quite the same.
    rim = RIM_MM * one.rim_mm / max(one.area_mm2, 1e-6)
    least = min(LEAST_OVERLAP, 1 - min(0.45, 0.7 * rim))
    if turned.max() < least or turned.max() < flipped.max() - FLIP_MARGIN:
        return False
    if min(one.texture, two.texture) < LEAST_TEXTURE:
        return max(one.texture, two.texture) < 2 * LEAST_TEXTURE
    same = _best(one.filling, two.filling, turned)
    mirror = _best(one.filling, _mirrored(two.filling), flipped)
    return same >= LEAST_LIKENESS and same >= mirror - FILLING_MARGIN


def _mirrored(polar: Floats) -> Floats:
    return polar[(-np.arange(ANGLES)) % ANGLES]


def _turns(a: Floats, b: Floats) -> Floats:
    """Sum of products at every turn, rings weighed by their area."""
    weight = np.arange(RINGS) + 0.5
    both = np.fft.rfft(a, axis=0) * np.conj(np.fft.rfft(b, axis=0)) * weight
    return np.asarray(np.fft.irfft(both.sum(axis=1), ANGLES), dtype=np.float64)


def _overlaps(a: Floats, b: Floats) -> Floats:
    """Intersection over union at every turn."""
    weight = np.arange(RINGS) + 0.5
    total = float(((a**2 + b**2) * weight).sum())
    both = _turns(a, b)
    return np.asarray(both / np.maximum(total - both, 1e-9), dtype=np.float64)


def _best(a: Floats, b: Floats, overlaps: Floats) -> float:
    """Best correlation of two fillings among the turns at which the outlines agree."""
    weight = np.arange(RINGS) + 0.5
    size = float(np.sqrt(((a**2) * weight).sum() * ((b**2) * weight).sum()))
    fair = overlaps >= overlaps.max() - OVERLAP_SLACK
    return float(_turns(a, b)[fair].max()) / max(size, 1e-9)
