"""Group motifs that are copies of each other: congruent by a turn and a shift, never a flip.

Each motif is resampled about its middle by angle and distance, so that a turn is a shift
along the angle, found by correlation; a mirror image runs the angles the other way.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.reading.mat import Mask

Floats = NDArray[np.float64]

ANGLES, RINGS = 128, 20
#: Areas of copies differ by no more than this share, or by this rim of their outline, mm.
AREA_SHARE, AREA_RIM_MM = 0.10, 0.15
#: Least overlap (intersection over union) of copies, and what a rim of 0.2 mm takes off it.
LEAST_OVERLAP, RIM_MM = 0.88, 0.2
#: A mirror image that fits better by this much makes two motifs different kinds.
FLIP_MARGIN = 0.02


def kinds_of(masks: Sequence[Mask], px_per_mm: float) -> NDArray[np.int64]:
    """Number of the kind of every motif, from 0 for the largest.

    Parameters
    ----------
    masks : sequence of ndarray of bool
        Filled motifs of one repeat.
    px_per_mm : float
    """
    if not masks:
        return np.zeros(0, dtype=np.int64)
    areas = np.array([float(mask.sum()) for mask in masks]) / px_per_mm**2
    rims = np.array([_rim_mm(mask, px_per_mm) for mask in masks])
    kinds = np.full(len(masks), -1, dtype=np.int64)
    maps: dict[int, Floats] = {}
    kind = 0
    order = np.argsort(-areas)
    for place, first in enumerate(order):
        if kinds[first] >= 0:
            continue
        kinds[first] = kind
        for other in order[place + 1 :]:
            near = AREA_SHARE * areas[first] + AREA_RIM_MM * rims[first]
            if areas[first] - areas[other] > near:
                break
            if kinds[other] < 0 and _alike(masks, maps, int(first), int(other), areas, rims):
                kinds[other] = kind
        kind += 1
    return kinds


def _rim_mm(mask: Mask, px_per_mm: float) -> float:
    inner = cv2.erode(np.pad(mask.astype(np.uint8), 1), np.ones((3, 3), np.uint8))
    return float(mask.sum() - inner.sum()) / px_per_mm


def _alike(
    masks: Sequence[Mask],
    maps: dict[int, Floats],
    one: int,
    two: int,
    areas: Floats,
    rims: Floats,
) -> bool:
    for k in (one, two):
        if k not in maps:
            maps[k] = _by_angle(masks[k])
    a, b = maps[one], maps[two]
    # One scale for both: rings reach as far as the larger motif does.
    reach = max(_reach(masks[one]), _reach(masks[two]))
    a = a if _reach(masks[one]) == reach else _by_angle(masks[one], reach)
    b = b if _reach(masks[two]) == reach else _by_angle(masks[two], reach)
    turned, flipped = _overlap(a, b), _overlap(a, b[::-1])
    # Small motifs are mostly rim, and a rim is never quite the same.
    rim = RIM_MM * rims[one] / max(areas[one], 1e-6)
    least = min(LEAST_OVERLAP, 1 - min(0.45, 0.7 * rim))
    return turned >= least and turned >= flipped - FLIP_MARGIN


def _centre(mask: Mask) -> tuple[float, float]:
    rows, columns = np.nonzero(mask)
    return float(columns.mean()), float(rows.mean())


def _reach(mask: Mask) -> float:
    rows, columns = np.nonzero(mask)
    return float(np.hypot(columns - columns.mean(), rows - rows.mean()).max()) + 1


def _by_angle(mask: Mask, reach: float | None = None) -> Floats:
    """A motif by angle (rows) and distance from its middle (columns)."""
    polar = cv2.warpPolar(
        mask.astype(np.float32), (RINGS, ANGLES), _centre(mask), reach or _reach(mask),
        cv2.INTER_LINEAR | cv2.WARP_POLAR_LINEAR | cv2.WARP_FILL_OUTLIERS,
    )  # fmt: skip
    return np.asarray(polar, dtype=np.float64)


def _overlap(a: Floats, b: Floats) -> float:
    """Intersection over union at the best turn."""
    weight = np.arange(RINGS) + 0.5  # area of a ring's cell grows with its distance
    both = np.fft.irfft(
        (np.fft.rfft(a, axis=0) * np.conj(np.fft.rfft(b, axis=0)) * weight).sum(axis=1), ANGLES
    )
    total = float(((a**2 + b**2) * weight).sum())
    best = float(both.max())
    return best / max(total - best, 1e-9)
