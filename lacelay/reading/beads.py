"""Find beads and sequins: small round spots whose colour is neither thread nor mat.

Where a net covers the mat in part, its colours lie between those of thread and mat; a bead's
do not. Beads whose colour does lie between (silver on white lace over grey) are missed: lace
without at least a dozen sure spots gets none.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.model.lace import Bead
from lacelay.reading.cloth import lab_of
from lacelay.reading.strip import Strip

#: Diameters of beads and sequins, mm.
SMALLEST_MM, LARGEST_MM = 1.0, 7.0
#: Lab distance from all mixtures of thread and mat that makes a pixel a bead's.
FOREIGN_LAB = 9.0
#: Fewest beads that make a beaded lace.
FEWEST = 12
#: Share of its own circle that a round spot fills.
ROUND = 0.72


def read_beads(strip: Strip) -> tuple[Bead, ...]:
    """Beads in order of u; none when there are no dozen round spots of a colour of their own."""
    shrink = min(1.0, 8.0 / strip.px_per_mm)
    size = (round(strip.rgb.shape[1] * shrink), round(strip.rgb.shape[0] * shrink))
    shrink = size[0] / strip.rgb.shape[1]
    per_mm = strip.px_per_mm * shrink
    if per_mm < 3:
        return ()
    lab = lab_of(np.asarray(cv2.resize(strip.rgb, size, interpolation=cv2.INTER_AREA), np.uint8))
    mat = lab_of(np.clip(cv2.resize(strip.mat_rgb, size), 0, 255).astype(np.uint8))
    inside = cv2.resize(strip.extent.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    cover = cv2.resize(strip.alpha, size, interpolation=cv2.INTER_AREA)
    solid = inside & (cover > 0.9)
    if solid.sum() < 100:
        return ()
    thread = np.median(lab[solid][::5], axis=0)
    foreign = _foreign(lab, mat, thread.astype(np.float32)) & inside
    mask = cv2.morphologyEx(foreign.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    half = 0.5 / shrink - 0.5
    beads = []
    for contour in contours:
        (x, y), radius = cv2.minEnclosingCircle(contour)
        diameter = (2 * radius + 0.5) / per_mm
        if not SMALLEST_MM <= diameter <= LARGEST_MM:
            continue
        if (cv2.contourArea(contour) + 0.5 * len(contour)) < ROUND * np.pi * (radius + 0.5) ** 2:
            continue
        u = float(strip.u_of(np.array([x / shrink + half]))[0])
        v = float(strip.v_of(np.array([y / shrink + half]))[0])
        beads.append((u, v, diameter))
    if len(beads) < FEWEST:
        return ()
    return tuple(Bead(u, v, diameter) for u, v, diameter in sorted(beads))


def _foreign(
    lab: NDArray[np.float32], mat: NDArray[np.float32], thread: NDArray[np.float32]
) -> NDArray[np.bool_]:
    """Whether a pixel is far from every mixture of mat and thread, shaded or not."""
    way = thread - mat
    length2 = np.maximum((way * way).sum(-1), 1e-3)
    offset = lab - mat
    share = np.clip((offset * way).sum(-1) / length2, 0, 1)
    rest = offset - share[..., None] * way
    # Shade and gloss change lightness alone: that difference counts half.
    rest[..., 0] *= 0.5
    return np.asarray(np.sqrt((rest * rest).sum(-1)) > FOREIGN_LAB)
