"""What a lace's outline says of its edges: how far out it reaches, and where."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lacelay.model.lace import Lace, Side

Points = NDArray[np.float64]

STEP_MM = 0.25


def dense(ring: Points, step_mm: float = STEP_MM) -> Points:
    """Points along a closed outline, `step_mm` apart, shape (n, 2)."""
    closed = np.vstack([ring, ring[:1]])
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    even = np.linspace(0.0, s[-1], int(np.ceil(s[-1] / step_mm)) + 1)
    return np.stack([np.interp(even, s, closed[:, k]) for k in (0, 1)], axis=1)


def side_level_mm(lace: Lace, side: Side) -> float:
    """v of a straight edge: the median of how far out the outline reaches, the ends left out."""
    u, v = dense(lace.outline_mm).T
    trim = 0.025 * float(np.ptp(u))
    place = np.floor(u - u.min() - trim).astype(int)  # one for each mm of edge
    last = int(np.ptp(u) - 2 * trim)
    inner = (place >= 0) & (place <= last)
    sign = -1.0 if side == "lower" else 1.0
    furthest = np.full(last + 1, -np.inf)
    np.maximum.at(furthest, place[inner], sign * v[inner])
    return sign * float(np.median(furthest[np.isfinite(furthest)]))


def valley_level_mm(lace: Lace, side: Side) -> float:
    """v of an edge's valley line; of the edge itself where it is straight."""
    edge = lace.edge(side)
    if edge.scalloped and len(edge.valleys_mm):
        return float(np.median(edge.valleys_mm[:, 1]))
    return side_level_mm(lace, side)


def reach_mm(lace: Lace, side: Side) -> float:
    """v of an edge's tips, picots and all; of the edge itself where it is straight."""
    edge = lace.edge(side)
    if not (edge.scalloped and edge.pitch_mm is not None and len(edge.tips_mm)):
        return side_level_mm(lace, side)
    u, v = dense(lace.outline_mm).T
    near = max(0.08 * edge.pitch_mm.value, 0.6)
    own = [v[np.abs(u - tip) <= near] for tip in edge.tips_mm[:, 0]]
    return float(np.median([_outermost(part, side) for part in own if len(part)]))


def tip_between(lace: Lace, side: Side, first: Points, second: Points) -> Points | None:
    """The point of the outline that stands out most from the line between two valleys.

    Returns
    -------
    ndarray, shape (2,), or None where the outline does not stand out there.
    """
    own = dense(lace.outline_mm)
    wide = second[0] - first[0]
    inner = (own[:, 0] > first[0] + 0.1 * wide) & (own[:, 0] < second[0] - 0.1 * wide)
    own = own[inner]
    if len(own) == 0:
        return None
    line = np.interp(own[:, 0], [first[0], second[0]], [first[1], second[1]])
    out = (line - own[:, 1]) if side == "lower" else (own[:, 1] - line)
    if out.max() <= 0:
        return None
    # A crown is flat: the middle of what stands out most, not its one highest pixel; of two
    # crowns the higher one, not the dip between them.
    top = out >= out.max() - 0.03 * max(float(out.max()), 1e-9)
    top &= np.abs(own[:, 0] - own[np.argmax(out), 0]) < 0.12 * wide
    u = float(own[top, 0].mean())
    nearest = np.argmin(np.where(top, np.abs(own[:, 0] - u), np.inf))
    return np.array([u, own[nearest, 1]])


def _outermost(v: Points, side: Side) -> float:
    return float(v.min() if side == "lower" else v.max())
