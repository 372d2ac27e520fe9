"""A bare fitting problem: places along a border, a curve, and what the search weighs.

Nothing here knows of photos or motifs, so that anyone can pose a problem by hand and
search it exhaustively. The tables are exact for the model of the design: s follows from a
by a constant along the laying line, and each run takes its own best rigid place (after one
easing), its middle over the middle of its chord and its deviation balanced.

Glossary
--------
place : where a cut may be: a point `turn` that the cut turns about, its `inner` end on the
    border line, and for cuts right through its `outer` end on the scalloped outline.
laying line : parallel of the edge at depth p along which the lace keeps its length; it
    runs at b = p + stand in the strip.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from lacelay.geometry.plane_curve import PlaneCurve
from lacelay.model.wishes import Limits, Weights

Values = NDArray[np.float64]
Points = NDArray[np.float64]
#: How far along the edge the foot of a point may lie from where it is first looked for.
FOOT_MM = 3.0
#: Points at which a run is held against the edge.
SAMPLES = 17


@dataclass(frozen=True, eq=False)
class Places:
    """Candidate cuts along a border that starts at `start_mm`, ends included.

    Parameters
    ----------
    curve : PlaneCurve
    free : bool
        A free edge charges kinks, a hard one error beyond the tolerance.
    start_mm : float
        a at s = 0, along the laying line.
    laying_depth_mm, stand_mm, border_depth_mm : float
        p; how far valleys stand past the edge; deepest b of the border.
    reach_mm : float
        How far tips stand past the valley line.
    turn_mm, inner_mm, outer_mm : ndarray, shape (n, 2)
        Strip frame. First and last place are the ends of the edge, where nothing is cut.
    minutes : ndarray, shape (n,)
        What the path of each place costs by itself, without `Weights.cut`; 0 at the ends.
    through : bool
        Cuts go right through.
    look_ahead : int
        Longest run, in places; a run over the whole edge is always tried as well.
    least_apart : ndarray of bool, shape (n, m), or None
        Whether place i and i + 1 + r are far enough apart to be cut both.
    turns_rad : ndarray, shape (g,), or None
        Even grid of turns for the two tables below; None where the closed form is all.
    extra_lap_mm2, extra_opening_mm2 : ndarray, shape (n, g), or None
        What each place laps or bares beyond the closed form, at each turn of the grid.
    along_minutes : ndarray, shape (n,), or None
        What the border line costs from the start up to each place: a run costs the
        difference of its two ends.
    whole_allowed : bool
        Whether one run over the whole edge may be tried.
    """

    curve: PlaneCurve
    free: bool
    start_mm: float
    laying_depth_mm: float
    stand_mm: float
    border_depth_mm: float
    reach_mm: float
    turn_mm: Points
    inner_mm: Points
    outer_mm: Points
    minutes: Values
    through: bool
    look_ahead: int = 24
    least_apart: NDArray[np.bool_] | None = None
    turns_rad: Values | None = None
    extra_lap_mm2: Values | None = None
    extra_opening_mm2: Values | None = None
    along_minutes: Values | None = None
    whole_allowed: bool = True

    @property
    def count(self) -> int:
        """Places, ends included."""
        return len(self.turn_mm)

    @property
    def ahead(self) -> int:
        """Runs looked ahead from each place."""
        return min(self.look_ahead, self.count - 1)

    @property
    def laying_b_mm(self) -> float:
        """Where the laying line runs in the strip."""
        return self.laying_depth_mm + self.stand_mm


def bend_limits(places: Places, limits: Limits) -> tuple[float, float]:
    """Sharpest easing (towards the inner side, away from it), 1/mm, that give allows."""
    inside = max(places.border_depth_mm - places.laying_b_mm, 1e-9)
    outside = max(places.laying_b_mm + places.reach_mm, 1e-9)
    inward = min(limits.squeeze / inside, limits.stretch / outside)
    outward = min(limits.stretch / inside, limits.squeeze / outside)
    return inward, outward


@dataclass(frozen=True, eq=False)
class RunLines:
    """Stretches of laying line under runs: the same at every depth of the border.

    Shapes: R runs, K samples. `places` serves for its curve, start, laying line and `turn_mm`
    only.
    """

    places: Places
    first: NDArray[np.int_]
    last: NDArray[np.int_]

    @cached_property
    def a_mm(self) -> Values:
        """A of both ends, shape (R, 2)."""
        a = self.places.turn_mm[:, 0]
        return np.stack([a[self.first], a[self.last]], axis=1)

    @cached_property
    def s_mm(self) -> Values:
        """S of both ends, shape (R, 2)."""
        sigma = self.a_mm - self.places.start_mm
        return self.places.curve.from_laying_length(sigma, self.places.laying_depth_mm)

    @cached_property
    def turning_rad(self) -> Values:
        """Turning of the edge from end to end, shape (R,)."""
        return self.places.curve.turning(self.s_mm[:, 0], self.s_mm[:, 1])

    @cached_property
    def along(self) -> tuple[Values, Points]:
        """Distance from the middle of each run, and the laying line there."""
        t = np.linspace(-0.5, 0.5, SAMPLES)[None, :] * (self.a_mm[:, 1:] - self.a_mm[:, :1])
        sigma = self.a_mm.mean(axis=1)[:, None] + t - self.places.start_mm
        depth = self.places.laying_depth_mm
        s = self.places.curve.from_laying_length(sigma, depth)
        return t, self.places.curve.place(s, np.full_like(s, depth))

    @cached_property
    def heading_rad(self) -> Values:
        """Direction of each run's chord, the angle by which the strip is turned."""
        _, line = self.along
        chord = line[:, -1] - line[:, 0]
        return np.asarray(np.arctan2(chord[:, 1], chord[:, 0]))

    @cached_property
    def wanted_mm(self) -> tuple[Points, Points, Values]:
        """Middle of each chord, unit vector across it, and the laying line across it."""
        _, line = self.along
        heading = self.heading_rad
        middle = (line[:, 0] + line[:, -1]) / 2
        across = np.stack([-np.sin(heading), np.cos(heading)], axis=-1)
        return middle, across, ((line - middle[:, None]) * across[:, None]).sum(axis=-1)

    @cached_property
    def feet(self) -> tuple[Points, Values, Values, Values]:
        """Points of the edge beside the laying line: place, direction (cos, sin), bend there.

        The bend is the sharpest within `FOOT_MM`.
        """
        curve = self.places.curve
        s = curve.from_laying_length(
            self.a_mm.mean(axis=1)[:, None] + self.along[0] - self.places.start_mm,
            self.places.laying_depth_mm,
        )
        heading = curve.heading(s)
        grid = np.arange(-FOOT_MM, curve.length_mm + 2 * FOOT_MM + 1.0)
        rise = np.abs(np.diff(curve.heading(grid)))
        window = int(2 * FOOT_MM) + 2
        sharp = np.max(np.lib.stride_tricks.sliding_window_view(rise, window), axis=-1)
        bend = sharp[np.clip(s.astype(int) - 1, 0, len(sharp) - 1)]
        return curve.at(s), np.cos(heading), np.sin(heading), bend

    def take(self, rows: NDArray[np.int_]) -> RunLines:
        """Some of the stretches, with all that is known of them."""
        part = RunLines(self.places, self.first[rows], self.last[rows])
        t, line = self.along
        middle, across, wanted = self.wanted_mm
        known: dict[str, object] = {
            "a_mm": self.a_mm[rows],
            "s_mm": self.s_mm[rows],
            "turning_rad": self.turning_rad[rows],
            "along": (t[rows], line[rows]),
            "heading_rad": self.heading_rad[rows],
            "wanted_mm": (middle[rows], across[rows], wanted[rows]),
        }
        if "feet" in self.__dict__:
            known["feet"] = tuple(part[rows] for part in self.feet)
        part.__dict__.update(known)  # where cached properties keep their values
        return part


@dataclass(frozen=True, eq=False)
class RunTable:
    """Every run (from place i to place j) of a list, laid; arrays over runs.

    Shapes: R runs, K samples. `lines` may be shared by tables of other depths.
    """

    places: Places
    limits: Limits
    first: NDArray[np.int_]
    last: NDArray[np.int_]
    lines: RunLines | None = None

    @cached_property
    def _lines(self) -> RunLines:
        return self.lines or RunLines(self.places, self.first, self.last)

    @property
    def a_mm(self) -> Values:
        """A of both ends, shape (R, 2)."""
        return self._lines.a_mm

    @cached_property
    def length_mm(self) -> Values:
        """Lace from end to end, shape (R,)."""
        return np.asarray(self.a_mm[:, 1] - self.a_mm[:, 0])

    @property
    def s_mm(self) -> Values:
        """S of both ends, shape (R, 2)."""
        return self._lines.s_mm

    @cached_property
    def bend_per_mm(self) -> Values:
        """Easing of each run: its mean bend as far as give allows."""
        inward, outward = bend_limits(self.places, self.limits)
        length = np.where(self.length_mm > 0, self.length_mm, np.inf)  # the table's empty corner
        return np.asarray(np.clip(self._lines.turning_rad / length, -outward, inward))

    @property
    def heading_rad(self) -> Values:
        """Direction of each run's chord, the angle by which the strip is turned."""
        return self._lines.heading_rad

    @cached_property
    def pivot_mm(self) -> Points:
        """Garment place of the run's middle on its neutral line, shape (R, 2)."""
        t, _ = self._lines.along
        middle, across, wanted = self._lines.wanted_mm
        half = self.bend_per_mm[:, None] * t / 2
        own = t * np.sinc(half / np.pi) * np.sin(half)
        miss = wanted - own
        balance = (miss.max(axis=1) + miss.min(axis=1)) / 2
        return np.asarray(middle + balance[:, None] * across)

    def take(self, rows: NDArray[np.int_]) -> RunTable:
        """Some of the runs."""
        return RunTable(
            self.places, self.limits, self.first[rows], self.last[rows], self._lines.take(rows)
        )

    def lay(self, strip_mm: Points, runs: NDArray[np.int_] | None = None) -> Points:
        """Garment points of strip points, shape (R, ..., 2), each under its own run."""
        pick = slice(None) if runs is None else runs
        extra = strip_mm.ndim - 2
        shape = (-1,) + (1,) * extra
        a = strip_mm[..., 0] - self.a_mm[pick].mean(axis=1).reshape(shape)
        b = strip_mm[..., 1] - self.places.laying_b_mm
        k = self.bend_per_mm[pick].reshape(shape)
        half = k * a / 2
        chord = a * np.sinc(half / np.pi)
        x = chord * np.cos(half) - b * np.sin(k * a)
        y = chord * np.sin(half) + b * np.cos(k * a)
        heading = self.heading_rad[pick].reshape(shape)
        pivot = self.pivot_mm[pick].reshape((-1,) + (1,) * extra + (2,))
        cos, sin = np.cos(heading), np.sin(heading)
        return np.asarray(pivot + np.stack([cos * x - sin * y, sin * x + cos * y], axis=-1))

    @cached_property
    def edge_miss(self) -> tuple[Values, Values]:
        """Distance of the valley line from its place, at K samples: (step mm, miss mm).

        Samples beyond the ends of the edge count as 0: there the lace is turned in.
        """
        t = self._lines.along[0]
        middle = self.a_mm.mean(axis=1)[:, None]
        strip = np.stack([middle + t, np.zeros_like(t)], axis=-1)
        laid = self.lay(strip)
        places = self.places
        guess = places.curve.from_laying_length(
            middle + t - places.start_mm, places.laying_depth_mm
        )
        located = places.curve.locate(laid, np.clip(guess, 0.0, places.curve.length_mm))
        return self.length_mm / (SAMPLES - 1), np.abs(located[..., 1] + places.stand_mm)

    @cached_property
    def edge_error_mm(self) -> Values:
        """Furthest miss of each run."""
        return np.asarray(self.edge_miss[1].max(axis=1))

    @cached_property
    def edge_excess_mm2(self) -> Values:
        """Area between valley line and its place, beyond the tolerance."""
        step, miss = self.edge_miss
        tolerance = (
            self.limits.free_tolerance_mm if self.places.free else (self.limits.edge_tolerance_mm)
        )
        return _area_over(miss - tolerance, step)

    @cached_property
    def inner_width_mm(self) -> Values:
        """Length of the run at its inner side once laps are trimmed: integral of J there."""
        depth = self.places.border_depth_mm - self.places.stand_mm
        span = self.s_mm[:, 1] - self.s_mm[:, 0]
        return span - depth * self._lines.turning_rad

    @property
    def edge_limit_mm(self) -> float:
        """How far the scallop line may lie from its place."""
        return self.limits.free_limit_mm if self.places.free else self.limits.edge_limit_mm

    def least_minutes(self, weights: Weights) -> tuple[Values, NDArray[np.bool_]]:
        """Lower bound on `minutes`, and whether it is known to be exact; much cheaper.

        A valley line's distance from the edge is first taken from the point of the edge
        beside it, square to the edge there. With t the part along the edge that is left
        over, the true foot lies hardly more than t further on, over which the distance
        changes by less than bend t^2; twice that is allowed for.
        """
        places, limits = self.places, self.limits
        point, cos, sin, bend = self._lines.feet
        t = self._lines.along[0]
        laid = self._lay_valley_line(t)
        x, y = laid[0] - point[..., 0], laid[1] - point[..., 1]
        over = np.abs(cos * x + sin * y)
        inwards = cos * y - sin * x
        doubt = 2 * bend * over**2 + 1e-9
        # Near the centre of a bend the foot moves much further than t.
        doubt[(over > FOOT_MM / 2) | (bend * np.abs(inwards) > 0.3)] = np.inf
        miss = np.abs(inwards + places.stand_mm)
        least, most = np.maximum(miss - doubt, 0.0), miss + doubt
        tolerance = limits.free_tolerance_mm if places.free else limits.edge_tolerance_mm
        excess = _area_over(least - tolerance, self.length_mm / (SAMPLES - 1))
        allowed = (
            (least.max(axis=1) <= self.edge_limit_mm)
            & (self.inner_width_mm >= limits.inner_width_mm)
            & (self.length_mm <= limits.run_mm)
        )
        cost = np.where(allowed, weights.edge_mm2 * excess + self._along_minutes, np.inf)
        return cost, most.max(axis=1) <= min(tolerance, self.edge_limit_mm)

    def _lay_valley_line(self, t: Values) -> tuple[Values, Values]:
        """Garment x and y of the valley line at distances t from the middle of each run."""
        k, b = self.bend_per_mm[:, None], -self.places.laying_b_mm
        half = k * t / 2
        chord = t * np.sinc(half / np.pi)
        cos_half, sin_half = np.cos(half), np.sin(half)
        x, y = chord * cos_half, chord * sin_half
        if b:
            x = x - b * 2 * sin_half * cos_half
            y = y + b * (1 - 2 * sin_half**2)
        cos, sin = np.cos(self.heading_rad)[:, None], np.sin(self.heading_rad)[:, None]
        pivot = self.pivot_mm
        return pivot[:, :1] + cos * x - sin * y, pivot[:, 1:] + sin * x + cos * y

    @property
    def _along_minutes(self) -> Values | float:
        """What the border line costs over each run."""
        along = self.places.along_minutes
        return 0.0 if along is None else along[self.last] - along[self.first]

    def minutes(self, weights: Weights) -> Values:
        """Cost of each run by itself; inf where a limit is crossed."""
        limits = self.limits
        allowed = (
            (self.edge_error_mm <= self.edge_limit_mm)
            & (self.inner_width_mm >= limits.inner_width_mm)
            & (self.length_mm <= limits.run_mm)
        )
        cost = weights.edge_mm2 * self.edge_excess_mm2 + self._along_minutes
        return np.where(allowed, cost, np.inf)


def _area_over(over: Values, step_mm: Values) -> Values:
    """Area above 0 of each row's samples; never less where a sample is more.

    Straight between samples, so that a long run which passes the tolerance at its ends only
    is not charged for whole steps.
    """
    inside = np.maximum(over, 0.0)
    crossing = over[:, :-1] * over[:, 1:] < 0
    rise = np.where(crossing, np.abs(np.diff(over, axis=1)), 1.0)
    both = (inside[:, :-1] + inside[:, 1:]) / 2
    share = np.where(crossing, 2 * both / rise, 1.0)
    return np.asarray((both * share).sum(axis=1) * step_mm)


def all_runs(places: Places) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """First and last place of every run looked at, row by row of the (n, m) table."""
    n, m = places.count, places.ahead
    first, ahead = np.meshgrid(np.arange(n), np.arange(m), indexing="ij")
    last = first + 1 + ahead
    return first.ravel(), np.minimum(last, n - 1).ravel()
