"""A curve in the plane with the covered side on the left of travel.

Glossary
--------
s : arc length along the curve, mm, from its start.
d : depth, mm, from the curve towards its left (the covered side); negative is outside.
kappa : curvature, 1/mm, positive where the curve turns left, so that the inside of the
    bend is the covered side.
J(s, d) : length of the parallel curve at depth d per unit of s; in the plane 1 - kappa d.
laying line : the parallel at depth p along which lace keeps its length.
sigma : arc length along the laying line, integral of J(s, p) ds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

Points = NDArray[np.float64]
Values = NDArray[np.float64]
#: Spacing of the stored points. A chord of this length misses an arc of radius 20 mm by
#: 0.0016 mm, so lengths and positions are good to 0.01 mm on any edge worth laying.
STEP_MM = 0.5


@dataclass(frozen=True, eq=False)
class PlaneCurve:
    """A dense polyline with its arc length and heading.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 2)
        In order of travel, at most about `STEP_MM` apart.
    heading_rad : ndarray, shape (n,), or None
        Direction of travel at each point, continuous (unwrapped). Computed from the
        points when None: exact on arcs, spread over one step at a corner.

    Examples
    --------
    A quarter circle of radius 200 mm, covered side inside: pi/2 of turning, and the
    parallel 60 mm in is 219.91 mm long.

    >>> curve = PlaneCurve.from_arcs([(np.pi * 100, 1 / 200)])
    >>> round(curve.length_mm, 3), round(float(curve.turning(0, curve.length_mm)), 6)
    (314.159, 1.570796)
    >>> round(curve.length_mm - float(curve.surplus(0, curve.length_mm, 0, 60)), 3)
    219.911
    """

    points_mm: Points
    heading_rad: Values | None = None
    s_mm: Values = field(init=False, repr=False)
    _heading: Values = field(init=False, repr=False)

    def __post_init__(self) -> None:
        points = np.asarray(self.points_mm, dtype=float)
        if points.ndim != 2 or points.shape[1] != 2 or len(points) < 3:
            raise ValueError("a curve needs (n, 2) points, n >= 3")
        steps = np.diff(points, axis=0)
        lengths = np.hypot(*steps.T)
        if not np.all(lengths > 0):
            raise ValueError("a curve does not repeat a point")
        s = np.concatenate([[0.0], np.cumsum(lengths)])
        if self.heading_rad is None:
            headings = np.unwrap(np.arctan2(steps[:, 1], steps[:, 0]))
            heading = _at_points(s, headings)
        else:
            heading = np.asarray(self.heading_rad, dtype=float)
            if heading.shape != s.shape:
                raise ValueError("one heading for each point")
        object.__setattr__(self, "points_mm", points)
        object.__setattr__(self, "s_mm", s)
        object.__setattr__(self, "_heading", heading)

    @classmethod
    def from_arcs(
        cls,
        arcs: Sequence[tuple[float, float]],
        *,
        start_mm: tuple[float, float] = (0.0, 0.0),
        heading_rad: float = 0.0,
        step_mm: float = STEP_MM,
    ) -> PlaneCurve:
        """Chain arcs, each (length_mm, kappa), tangent to each other; kappa 0 is straight."""
        here, heading = np.array(start_mm, dtype=float), heading_rad
        points, headings = [here[None, :]], [np.array([heading])]
        for length, kappa in arcs:
            n = max(1, int(np.ceil(length / step_mm)))
            t = np.linspace(0.0, length, n + 1)[1:]
            turned = heading + kappa * t
            half = kappa * t / 2  # chord = t sinc(half), along heading + half: exact at kappa 0
            chord = t * np.sinc(half / np.pi)
            along = np.stack([np.cos(heading + half), np.sin(heading + half)], axis=1)
            points.append(here + chord[:, None] * along)
            headings.append(turned)
            here, heading = points[-1][-1], float(turned[-1])
        return cls(np.concatenate(points), np.concatenate(headings))

    @classmethod
    def through(cls, points_mm: ArrayLike, *, step_mm: float = STEP_MM) -> PlaneCurve:
        """Resample a polyline evenly; corners stay where they are to within a step."""
        points = np.asarray(points_mm, dtype=float).reshape(-1, 2)
        keep = np.concatenate([[True], np.hypot(*np.diff(points, axis=0).T) > 1e-9])
        points = points[keep]
        s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
        n = max(3, int(np.ceil(s[-1] / step_mm)) + 1)
        even = np.linspace(0.0, s[-1], n)
        return cls(np.stack([np.interp(even, s, points[:, k]) for k in (0, 1)], axis=1))

    @property
    def length_mm(self) -> float:
        """Arc length of the whole curve."""
        return float(self.s_mm[-1])

    def at(self, s_mm: ArrayLike) -> Points:
        """Points at arc lengths, shape (..., 2); straight on beyond the ends."""
        return self.place(s_mm, 0.0)

    def heading(self, s_mm: ArrayLike) -> Values:
        """Direction of travel at arc lengths, unwrapped, constant beyond the ends."""
        return np.asarray(np.interp(np.asarray(s_mm, dtype=float), self.s_mm, self._heading))

    def turning(self, s0_mm: ArrayLike, s1_mm: ArrayLike) -> Values:
        """Integral of kappa from s0 to s1, rad."""
        return self.heading(s1_mm) - self.heading(s0_mm)

    def kappa(self, s_mm: ArrayLike) -> Values:
        """Curvature, 1/mm, averaged over the step that holds s."""
        s = np.asarray(s_mm, dtype=float)
        k = np.clip(np.searchsorted(self.s_mm, s, side="right") - 1, 0, len(self.s_mm) - 2)
        rise = (self._heading[k + 1] - self._heading[k]) / (self.s_mm[k + 1] - self.s_mm[k])
        return np.asarray(np.where((s < 0) | (s > self.length_mm), 0.0, rise))

    def J(self, s_mm: ArrayLike, d_mm: ArrayLike) -> Values:
        """Length at depth d per unit of edge, 1 - kappa d (plane parallel curves)."""
        return np.asarray(1.0 - self.kappa(s_mm) * np.asarray(d_mm, dtype=float))

    def surplus(
        self, s0_mm: ArrayLike, s1_mm: ArrayLike, p_mm: ArrayLike, d_mm: ArrayLike
    ) -> Values:
        """Surplus of lace at depth d: integral of J(s, p) - J(s, d); positive laps, mm."""
        span = np.asarray(d_mm, dtype=float) - np.asarray(p_mm, dtype=float)
        return np.asarray(span * self.turning(s0_mm, s1_mm))

    def place(self, s_mm: ArrayLike, d_mm: ArrayLike) -> Points:
        """Points at (s, d), shape (..., 2); straight on beyond the ends."""
        s = np.asarray(s_mm, dtype=float)
        d = np.asarray(d_mm, dtype=float)
        held = np.clip(s, 0.0, self.length_mm)
        on = np.stack([np.interp(held, self.s_mm, self.points_mm[:, k]) for k in (0, 1)], axis=-1)
        heading = self.heading(held)
        along = np.stack([np.cos(heading), np.sin(heading)], axis=-1)
        left = np.stack([-np.sin(heading), np.cos(heading)], axis=-1)
        placed: Points = on + (s - held)[..., None] * along + d[..., None] * left
        return placed

    def locate(self, points_mm: ArrayLike, s_guess_mm: ArrayLike, *, steps: int = 3) -> Points:
        """Coordinates (s, d) of points near a guess of s, shape (n, 2), by Newton steps.

        Meant for points whose foot on the curve is near the guess; each step divides the
        miss along the edge by J, so it converges where d stays short of the bend's radius.
        """
        points = np.asarray(points_mm, dtype=float)
        s = np.asarray(s_guess_mm, dtype=float).copy()
        d = np.zeros_like(s)
        for _ in range(steps):
            heading = self.heading(s)
            offset = points - self.at(s)
            d = -np.sin(heading) * offset[..., 0] + np.cos(heading) * offset[..., 1]
            t = np.cos(heading) * offset[..., 0] + np.sin(heading) * offset[..., 1]
            s = s + t / np.maximum(self.J(s, d), 0.25)
        heading = self.heading(s)
        offset = points - self.at(s)
        d = -np.sin(heading) * offset[..., 0] + np.cos(heading) * offset[..., 1]
        return np.stack([s, d], axis=-1)

    def laying_length(self, s_mm: ArrayLike, p_mm: float) -> Values:
        """Sigma at s: arc length along the laying line at depth p, from s = 0."""
        s = np.asarray(s_mm, dtype=float)
        return np.asarray(s - p_mm * (self.heading(s) - self._heading[0]))

    def from_laying_length(self, sigma_mm: ArrayLike, p_mm: float) -> Values:
        """Return s at sigma; straight on beyond the ends.

        Raises
        ------
        ValueError
            When the laying line turns back on itself (J <= 0 somewhere along it).
        """
        table = self.laying_length(self.s_mm, p_mm)
        if np.any(np.diff(table) <= 0):
            raise ValueError("the laying line turns back on itself")
        sigma = np.asarray(sigma_mm, dtype=float)
        inside = np.interp(sigma, table, self.s_mm)
        before = np.minimum(sigma - table[0], 0.0)
        after = np.maximum(sigma - table[-1], 0.0)
        return np.asarray(inside + before + after)

    def reversed(self) -> PlaneCurve:
        """Return the same points travelled the other way; the covered side changes."""
        return PlaneCurve(self.points_mm[::-1])


def _at_points(s: Values, headings: Values) -> Values:
    """Headings at points from the headings of the segments between them."""
    middles = (s[:-1] + s[1:]) / 2
    inner = np.interp(s[1:-1], middles, headings)
    first = headings[0] - (inner[0] - headings[0]) if len(headings) > 1 else headings[0]
    last = headings[-1] + (headings[-1] - inner[-1]) if len(headings) > 1 else headings[-1]
    return np.concatenate([[first], inner, [last]])
