"""The line along which a lace is laid straight, from both of its edges.

A bow that is not there is worse than one that is missed: by it, what lies far from the line
is made longer or shorter. So a bow must be seen along both edges and alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lacelay.model.lace import LaceEdge
from lacelay.reading.edge_profile import Profile

Floats = NDArray[np.float64]

#: A bow is one when it is so many times its own uncertainty, and at least so deep, mm.
SURE_TIMES, SHALLOWEST_BOW_MM = 3.0, 0.25
#: Bows of the two edges are alike within so many times the uncertainty of their difference.
ALIKE_TIMES = 3.0
#: An edge whose bend is surer than the other's by this share is believed against it.
SURER_SHARE = 0.2
#: No lace laid for a photo is bent more than this share of its length; what is, is a ring.
DEEPEST_SHARE = 0.1
#: Of a straight edge so many places are taken.
STRAIGHT_PLACES = 24


@dataclass(frozen=True)
class _Bend:
    """Second derivative over two of an edge's course, 1 / mm, and its uncertainty."""

    value: float
    sigma: float


def base_line(lower: Profile, lower_edge: LaceEdge, upper: Profile, upper_edge: LaceEdge) -> Floats:
    """The lower valley line (or the lower edge itself, where straight): v in u.

    Returns
    -------
    ndarray, shape (1..3,)
        Polynomial as `numpy.polyval` takes it: a parabola where both edges bow alike.
    """
    rows = _rows(lower, lower_edge)
    u, v = rows[0]
    if len(u) < 3:
        return np.array([0.0, float(v.mean())])
    line, keep = _robust(u, v, 1)
    bend = _shared_bend(_bend(rows), None if upper.cut else _bend(_rows(upper, upper_edge)))
    sag = abs(bend) * float(np.ptp(lower.u_mm)) ** 2 / 4
    if not SHALLOWEST_BOW_MM < sag < DEEPEST_SHARE * float(np.ptp(lower.u_mm)):
        return line
    slope, offset = np.polyfit(u[keep], v[keep] - bend * u[keep] ** 2, 1)
    return np.array([bend, slope, offset])


def _rows(profile: Profile, edge: LaceEdge) -> list[tuple[Floats, Floats]]:
    """Rows of points that run along an edge side by side: valleys and tips, or the edge."""
    if edge.scalloped:
        rows = [(edge.valleys_mm[:, 0], edge.valleys_mm[:, 1])]
        if len(edge.tips_mm) >= 3:
            rows.append((edge.tips_mm[:, 0], edge.tips_mm[:, 1]))
        return rows
    # The last threads of a cut end hang anywhere.
    inner = slice(len(profile.u_mm) // 40, len(profile.u_mm) - len(profile.u_mm) // 40)
    parts = np.array_split(np.arange(len(profile.u_mm))[inner], STRAIGHT_PLACES)
    u = np.array([profile.u_mm[part].mean() for part in parts if len(part)])
    v = np.array([np.median(profile.v_mm[part]) for part in parts if len(part)])
    return [(u, v)]


def _robust(u: Floats, v: Floats, degree: int) -> tuple[Floats, NDArray[np.bool_]]:
    keep = np.ones(len(u), bool)
    fit = np.zeros(degree + 1)
    for _ in range(4):
        fit = np.polyfit(u[keep], v[keep], degree)
        miss = np.abs(v - np.polyval(fit, u))
        keep = miss < max(2.5 * 1.4826 * float(np.median(miss[keep])), 0.3)
        if keep.sum() < degree + 2:
            keep = np.argsort(miss) < degree + 2
    return np.asarray(fit, dtype=np.float64), keep


def _bend(rows: list[tuple[Floats, Floats]]) -> _Bend | None:
    """The bend that the rows of one edge share; None where they are too few to tell."""
    values, weights = [], []
    for u, v in rows:
        if len(u) < 5:
            continue
        _, keep = _robust(u, v, 2)
        if keep.sum() < 5:
            continue
        x = u[keep] - u[keep].mean()
        basis = np.column_stack([x * x, x, np.ones_like(x)])
        fit = np.linalg.lstsq(basis, v[keep], rcond=None)[0]
        miss = v[keep] - basis @ fit
        scatter2 = max(float(miss @ miss) / (len(x) - 3), 0.05**2)
        values.append(float(fit[0]))
        weights.append(1 / (scatter2 * float(np.linalg.inv(basis.T @ basis)[0, 0])))
    if not values:
        return None
    total = float(np.sum(weights))
    return _Bend(float(np.dot(values, weights)) / total, float(np.sqrt(1 / total)))


def _shared_bend(lower: _Bend | None, upper: _Bend | None) -> float:
    """The bend both edges have, 0 where there is none to be sure of.

    Where the edges disagree, the smaller bend is the one they share.
    """
    known = [bend for bend in (lower, upper) if bend is not None]
    if not known:
        return 0.0
    values = np.array([bend.value for bend in known])
    sigmas = np.array([bend.sigma for bend in known])
    weights = sigmas**-2.0
    value, sigma = float(values @ weights / weights.sum()), float(weights.sum() ** -0.5)
    if len(known) == 2 and np.ptp(values) > ALIKE_TIMES * float(np.hypot(*sigmas)):
        least = int(np.argmin(np.abs(values)))
        if values[0] * values[1] <= 0:
            # An edge under glare or torn says little: the other, if it is sure, says enough.
            least = int(np.argmin(sigmas))
            if sigmas[least] > SURER_SHARE * sigmas.max():
                return 0.0
        value, sigma = float(values[least]), float(sigmas[least])
    return value if abs(value) > SURE_TIMES * sigma else 0.0
