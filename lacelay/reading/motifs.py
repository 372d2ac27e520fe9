"""Outline the motifs, each as scissors would follow it, and group those of one kind.

Motifs that touch at a neck are parted there; each outline follows its own motif. Motifs are
of one kind when they lie at the same place of the repeat and are about as large.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.model.lace import Motif
from lacelay.reading.cloth import disc
from lacelay.reading.ground import PLAIN_MESH_MM, Ground
from lacelay.reading.mat import Mask

Floats = NDArray[np.float64]

#: A neck narrower than this share of the motif it leads to parts two motifs.
NECK_SHARE = 0.55
#: Outlines keep within this of the pixels, mm.
OUTLINE_TOLERANCE_MM = 0.15


def read_motifs(ground: Ground, repeat_mm: float | None) -> tuple[Motif, ...]:
    """The motifs, in order of u.

    Parameters
    ----------
    ground : Ground
    repeat_mm : float or None
        Where it is known, copies get the same kind.
    """
    mesh = ground.mesh_mm or PLAIN_MESH_MM
    least_mm2 = max(6.0, (1.8 * mesh) ** 2)
    labels = _parted(ground.motif, ground.px_per_mm, least_mm2)
    outlines, areas = [], []
    boxes = _boxes(labels)
    for label, (x, y, w, h) in boxes.items():
        piece = (labels[y : y + h, x : x + w] == label).astype(np.uint8)
        contours, _ = cv2.findContours(piece, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        contour = max(contours, key=cv2.contourArea)
        area = cv2.contourArea(contour) / ground.px_per_mm**2
        if area < least_mm2:
            continue
        simple = cv2.approxPolyDP(contour, OUTLINE_TOLERANCE_MM * ground.px_per_mm, True)
        points = simple.reshape(-1, 2).astype(np.float64) + [x, y]
        if len(points) < 3:
            continue
        outlines.append(ground.to_lace(points[:, 0], points[:, 1]))
        areas.append(area)
    centres = np.array([outline.mean(axis=0) for outline in outlines]).reshape(-1, 2)
    kinds = _kinds(centres, np.array(areas), repeat_mm)
    order = np.argsort(centres[:, 0]) if len(centres) else np.zeros(0, int)
    return tuple(Motif(outlines[k], int(kinds[k])) for k in order)


def _boxes(labels: NDArray[np.int32]) -> dict[int, tuple[int, int, int, int]]:
    from scipy.ndimage import find_objects

    boxes = {}
    for index, box in enumerate(find_objects(labels)):
        if box is not None:
            rows, columns = box
            boxes[index + 1] = (
                columns.start,
                rows.start,
                columns.stop - columns.start,
                rows.stop - rows.start,
            )
    return boxes


def _parted(motif: Mask, per_mm: float, least_mm2: float) -> NDArray[np.int32]:
    """Label the motifs, touching ones parted where they are narrow.

    Every motif is a hill of its distance from the ground; two hills are two motifs when the
    saddle between them is low against the lower hill.
    """
    from skimage.measure import label
    from skimage.segmentation import watershed

    shrink = min(1.0, 4.0 / per_mm)
    small = cv2.resize(
        motif.astype(np.uint8), None, fx=shrink, fy=shrink, interpolation=cv2.INTER_NEAREST
    )
    deep = cv2.distanceTransform(np.pad(small, 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
    deep = cv2.GaussianBlur(deep, (0, 0), 0.35 * per_mm * shrink + 0.3) * (small > 0)
    # In logarithms a saddle at a share of the hill is a saddle at a depth below it.
    height = np.log(np.maximum(deep, 0.3))
    tops = _hills(height, -np.log(NECK_SHARE)) & (deep > 0.5 * per_mm * shrink)
    marks = label(tops)  # type: ignore[no-untyped-call]
    grown = watershed(-deep, marks, mask=small > 0)  # type: ignore[no-untyped-call]
    low = np.asarray(grown, dtype=np.int32)
    # A cord that leads away from a motif is not the motif.
    for index, box in _boxes(low).items():
        x, y, w, h = box
        piece = np.pad((low[y : y + h, x : x + w] == index).astype(np.uint8), 1)
        hill = float(deep[y : y + h, x : x + w].max())
        cleaned = cv2.morphologyEx(
            piece, cv2.MORPH_OPEN, disc(min(0.3 * hill, 1.0 * per_mm * shrink))
        )
        gone = (piece > 0) & (cleaned == 0)
        low[y : y + h, x : x + w][gone[1:-1, 1:-1]] = 0
    if shrink == 1:
        return low
    whole = cv2.resize(low.astype(np.float32), motif.shape[::-1], interpolation=cv2.INTER_NEAREST)
    return np.asarray(np.where(motif, whole.astype(np.int32), 0), dtype=np.int32)


def _hills(height: NDArray[np.float32], prominence: float) -> Mask:
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


def _kinds(centres: Floats, areas: Floats, repeat_mm: float | None) -> NDArray[np.int64]:
    kinds = np.full(len(centres), -1, dtype=np.int64)
    if repeat_mm is None or len(centres) == 0:
        return kinds
    reach = 0.06 * repeat_mm + 1.0
    next_kind = 0
    for k in np.argsort(-areas):
        if kinds[k] >= 0:
            continue
        along = (centres[:, 0] - centres[k, 0] + repeat_mm / 2) % repeat_mm - repeat_mm / 2
        near = np.hypot(along, centres[:, 1] - centres[k, 1]) < reach
        alike = near & (kinds < 0) & (np.abs(np.log(areas / areas[k])) < 0.35)
        kinds[alike] = next_kind
        next_kind += 1
    return kinds
