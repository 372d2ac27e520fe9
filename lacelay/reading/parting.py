"""Pieces that hang together, and strips among them that only touch.

A piece closed in a ring keeps its hole; strips whose fringes or tips touch are parted at the
narrow necks and along the long gaps between them.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.reading.cloth import Floats, disc, fill_holes, joint_px
from lacelay.reading.mat import Image, Mask

#: A hole is what a ring goes round when it is this share of all within the outline, the
#: outline is as full as the second share, and the middles lie within the third share of its
#: size: net that was lost leaves holes of any shape, anywhere.
RING_HOLE, RING_FULL, RING_APART = 0.12, 0.8, 0.12
#: A piece as full as this is one strip.
ONE_STRIP = 0.93
#: Strips that touch are parted where a neck narrower than so many px, or than these shares of
#: the widest's half width, holds them together.
NECKS_PX, NECKS = (2.0, 3.5, 5.5, 8.0), (0.25, 0.4, 0.55)
#: Each is this share of the widest's half width and of all their area.
PART_DEEP, PART_AREA = 0.25, 0.025
#: Parts of touching strips are this many times as long as wide, and parallel within this, rad.
PART_LONG, PART_TURN_RAD = 2.5, 0.25
#: A hole that measures this share of a piece's longer side is a gap between strips.
GAP_LONG = 0.4


def hanging_together(seen: Mask, least_share: float) -> list[tuple[Mask, bool]]:
    """Pieces with their holes filled, and whether each is a ring; the largest first.

    Parameters
    ----------
    seen : ndarray of bool
        What is thread.
    least_share : float
        What covers less of the picture is no piece.
    """
    joint = joint_px(seen.shape)
    pad = int(3 * joint)
    closed = cv2.morphologyEx(np.pad(seen.astype(np.uint8), pad), cv2.MORPH_CLOSE, disc(joint))[
        pad:-pad, pad:-pad
    ]
    # Printed lines, scratches and loose threads that reach the lace are no part of it.
    whole = cv2.morphologyEx(
        fill_holes(closed > 0).astype(np.uint8), cv2.MORPH_OPEN, disc(0.7 * joint)
    )
    count, labels, stats, _ = cv2.connectedComponentsWithStats(whole)
    pieces: list[tuple[Mask, bool]] = []
    for k in range(1, count):
        if stats[k, cv2.CC_STAT_AREA] < least_share * seen.size:
            continue
        left, top, wide, high = (int(x) for x in stats[k, :4])
        box = slice(top, top + high), slice(left, left + wide)
        own = labels[box] == k
        hole = _ring_hole(own, closed[box] > 0)
        parts = [own & ~hole] if hole is not None else _parted(own, closed[box] > 0)
        for part in parts:
            mask = np.zeros(seen.shape, bool)
            mask[box] = part
            pieces.append((mask, hole is not None))
    return sorted(pieces, key=lambda piece: -int(np.count_nonzero(piece[0])))


def _ring_hole(piece: Mask, closed: Mask) -> Mask | None:
    """The hole that a ring goes round, or None."""
    count, labels, stats, centres = cv2.connectedComponentsWithStats(
        (piece & ~closed).astype(np.uint8)
    )
    if count < 2:
        return None
    largest = 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())
    area = float(np.count_nonzero(piece))
    if stats[largest, cv2.CC_STAT_AREA] < RING_HOLE * area:
        return None
    hole = np.asarray(labels == largest, dtype=bool)
    rows, columns = np.nonzero(piece)
    size = float(np.sqrt(area))
    off = np.hypot(columns.mean() - centres[largest][0], rows.mean() - centres[largest][1])
    if off > RING_APART * size or min(_fullness(piece), _fullness(hole)) < RING_FULL:
        return None
    return hole


def _fullness(mask: Mask) -> float:
    """Area as a share of its convex hull's."""
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    largest = max(contours, key=cv2.contourArea)
    hull = float(cv2.contourArea(cv2.convexHull(largest)))
    return float(cv2.contourArea(largest)) / max(hull, 1.0)


def _parted(piece: Mask, closed: Mask) -> list[Mask]:
    """Strips that touch, each by itself: long parallel parts held together by narrow necks."""
    gaps = _gaps(piece, closed)
    if not gaps.any() and _fullness(piece) > ONE_STRIP:
        return [piece]
    own = np.pad((piece & ~gaps).astype(np.uint8), 1)
    deep = np.asarray(
        cv2.distanceTransform(own, cv2.DIST_L2, cv2.DIST_MASK_PRECISE), dtype=np.float32
    )
    half = float(deep.max())
    necks = [0.5, *(each for each in NECKS_PX if each < 0.4 * half), *(k * half for k in NECKS)]
    for neck in sorted(necks):
        count, found, stats, _ = cv2.connectedComponentsWithStats((deep > neck).astype(np.uint8))
        cores = np.asarray(found, dtype=np.int32)
        least = PART_AREA * float(stats[1:, cv2.CC_STAT_AREA].sum())
        large = [k for k in range(1, count) if stats[k, cv2.CC_STAT_AREA] > least]
        if len(large) > 1:
            large = _side_by_side(cores, deep, large, half)
        if len(large) < 2:
            continue
        parts = _nearest(cores, large)
        masks = [((parts == k) & (own > 0))[1:-1, 1:-1] for k in large]
        return [part for mask in masks for part in _parted(mask, closed)]
    return [piece]


def _gaps(piece: Mask, closed: Mask) -> Mask:
    """Holes as long as strips: mat between strips whose ends touch, not the lace's own holes."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats((piece & ~closed).astype(np.uint8))
    sides = stats[:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]].astype(float)
    long = np.hypot(*sides.T) > GAP_LONG * max(piece.shape)
    long[0] = False
    return np.asarray(long[labels]) if count > 1 else np.zeros_like(piece)


def _side_by_side(
    cores: NDArray[np.int32], deep: Image, large: list[int], half: float
) -> list[int]:
    """Those of the parts that are long, parallel to the largest and beside it."""
    found: list[tuple[int, Floats, Floats, float]] = []
    for k in large:
        rows, columns = np.nonzero(cores == k)
        if float(deep[rows, columns].max()) < PART_DEEP * half:
            continue
        points = np.stack([columns, rows], -1).astype(float)
        values, vectors = np.linalg.eigh(np.cov(points.T))
        if np.sqrt(values[1] / max(values[0], 1e-9)) > PART_LONG:
            found.append((k, points.mean(0), vectors[:, 1], float(np.sqrt(3 * values[1]))))
    if not found:
        return []
    _, origin, along, length = max(found, key=lambda part: part[3])
    return [
        k
        for k, middle, way, long in found
        # Beside, not one behind the other: those are one strip with something lying across.
        if abs(float(way @ along)) > np.cos(PART_TURN_RAD)
        and abs(float((middle - origin) @ along)) < max(long, length)
    ]


def _nearest(cores: NDArray[np.int32], large: list[int]) -> NDArray[np.int32]:
    """Every pixel's nearest part."""
    kept = np.isin(cores, large)
    _, labels = cv2.distanceTransformWithLabels(
        (~kept).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    number = np.zeros(int(labels.max()) + 1, np.int32)
    number[labels[kept]] = cores[kept]
    return np.asarray(number[labels], dtype=np.int32)
