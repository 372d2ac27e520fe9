"""Part motifs where they touch at a neck.

Every motif is a hill of its distance from the ground. Two hills are two motifs when the
way between their tops is short (they touch; a stem that ties a leaf to its flower is long)
and narrow against both.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.reading.cloth import largest_piece
from lacelay.reading.mat import Mask

#: A neck is narrower than this share of the narrower side.
NECK_SHARE = 0.45
#: Tops of touching hills are no further apart than this many times both radii.
TOUCH_REACH = 1.3
#: Smaller parts than this share of the larger stay with it, and so do parts under this size.
LEAST_SHARE, LEAST_MM2 = 0.12, 12.0


def rimmed(mask: Mask, rim_px: int) -> NDArray[np.uint8]:
    """A mask as 0 and 1 with a bare rim; for the many small ones far quicker than `np.pad`."""
    rim = (rim_px,) * 4
    ones = mask.view(np.uint8)
    return np.asarray(cv2.copyMakeBorder(ones, *rim, cv2.BORDER_CONSTANT, value=0), np.uint8)


def parted(mask: Mask, px_per_mm: float, endless: bool) -> list[tuple[Mask, int, int]]:
    """Part one connected piece at its necks.

    Parameters
    ----------
    mask : ndarray of bool, shape (h, w)
        Holes filled.
    px_per_mm : float
    endless : bool
        The piece goes on from repeat to repeat: then it is parted at every narrow place,
        however long, because nothing can be cut out of lace that has no end.

    Returns
    -------
    list of (mask, column, row)
        The parts, each cut to its box, whose corner lies at (column, row) of `mask`.
    """
    area = float(mask.sum())
    if area < 2 * LEAST_MM2 * px_per_mm**2:
        return [(mask, 0, 0)]
    shrink = min(1.0, 3.0 / px_per_mm)
    q = px_per_mm * shrink
    wide = rimmed(mask, round(2 / shrink))
    small = cv2.resize(wide, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    small = (np.asarray(small) > 0).astype(np.uint8)
    deep = np.asarray(cv2.distanceTransform(small, cv2.DIST_L2, 5), dtype=np.float32)
    smooth = cv2.GaussianBlur(deep, (0, 0), 0.25 * q + 0.3) * (small > 0)
    deep = np.asarray(smooth, dtype=np.float32)
    # In logarithms a saddle at a share of the hill is a saddle at a depth below it.
    height = np.log(np.maximum(deep, 0.3))
    tops = hills(height, -float(np.log(0.8 if endless else NECK_SHARE))) & (deep > 0.6 * q)
    count, labels = cv2.connectedComponents(tops.astype(np.uint8))
    marks = np.asarray(labels, dtype=np.int32)
    if count <= 2:
        return [(mask, 0, 0)]
    from skimage.segmentation import watershed

    grown = np.asarray(watershed(-deep, marks, mask=small > 0), dtype=np.int32)  # type: ignore[no-untyped-call]
    group = _joined(grown, deep, marks, count, q, endless)
    if len(set(group[1:])) <= 1:
        return [(mask, 0, 0)]
    labels = np.array(group, dtype=np.int32)[grown]
    whole = cv2.resize(labels.astype(np.float32), wide.shape[::-1], interpolation=cv2.INTER_NEAREST)
    pad = round(2 / shrink)
    lost = np.asarray(whole[pad : pad + mask.shape[0], pad : pad + mask.shape[1]]).astype(int)
    lost = np.where(mask, lost, 0)
    found = []
    for value in sorted(set(group[1:])):
        part = largest_piece(lost == value)
        if not part.any():
            continue
        rows, columns = np.flatnonzero(part.any(1)), np.flatnonzero(part.any(0))
        cut = part[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        found.append((cut, int(columns[0]), int(rows[0])))
    return found or [(mask, 0, 0)]


def hills(height: NDArray[np.float32], prominence: float) -> Mask:
    """Tops of the hills that rise by `prominence` from the saddle to any higher hill.

    Reconstruction by dilation in steps of 1/2000 of a logarithm: whole numbers are quick.
    """
    level = np.round((height - height.min()) * 2000).astype(np.uint16)
    drop = round(prominence * 2000)
    flood = np.where(level > drop, level - drop, 0).astype(np.uint16)
    around = np.ones((3, 3), np.uint8)
    while True:
        before = flood
        for _ in range(8):
            flood = np.asarray(cv2.min(cv2.dilate(flood, around), level), dtype=np.uint16)
        if np.array_equal(before, flood):
            return np.asarray(level.astype(np.int32) - flood >= drop - 2)


def _joined(
    grown: NDArray[np.int32],
    deep: NDArray[np.float32],
    marks: NDArray[np.int32],
    count: int,
    q: float,
    endless: bool,
) -> list[int]:
    """Group of every hill: hills whose meeting is no neck belong together."""
    group = list(range(count))

    def root(k: int) -> int:
        while group[k] != k:
            k = group[k]
        return k

    areas = np.bincount(grown.ravel(), minlength=count).astype(float)
    radius, place = np.zeros(count), np.zeros((count, 2))
    for k in range(1, count):
        rows, columns = np.nonzero(marks == k)
        best = int(deep[rows, columns].argmax())
        radius[k] = float(deep[rows[best], columns[best]])
        place[k] = columns[best], rows[best]
    meetings = sorted(_saddles(grown, deep).items(), key=lambda item: -item[1])
    for (one, two), saddle in meetings:
        a, b = root(one), root(two)
        if a == b:
            continue
        low = min(radius[one], radius[two])
        apart = float(np.hypot(*(place[one] - place[two])))
        touch = apart < TOUCH_REACH * (radius[one] + radius[two])
        lesser, larger = sorted((areas[a], areas[b]))
        fair = lesser > LEAST_SHARE * larger and lesser > LEAST_MM2 * q * q
        neck = saddle < NECK_SHARE * low and touch and fair
        if endless:
            neck = saddle < 0.8 * low
        if not neck:
            group[b] = a
            areas[a] += areas[b]
    return [root(k) for k in range(count)]


def _saddles(grown: NDArray[np.int32], deep: NDArray[np.float32]) -> dict[tuple[int, int], float]:
    """Half the width of the widest place where two hills meet."""
    found: dict[tuple[int, int], float] = {}
    for one, two, height in (
        (grown[:-1], grown[1:], np.minimum(deep[:-1], deep[1:])),
        (grown[:, :-1], grown[:, 1:], np.minimum(deep[:, :-1], deep[:, 1:])),
    ):
        at = (one != two) & (one > 0) & (two > 0)
        for a, b, value in zip(one[at], two[at], height[at], strict=True):
            key = (int(min(a, b)), int(max(a, b)))
            found[key] = max(found.get(key, 0.0), float(value))
    return found
