"""A border that may be taken at several depths, and its places along an edge at each.

Every candidate cut has one course; at a shallower depth it is cut off where it first meets
that depth's border line. So two runs of unlike depth share the cut up to the shallower inner
side, and from there on the border line follows the cut to the deeper one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from lacelay.model.target import TargetEdge
from lacelay.model.wishes import DepthRange, Limits, Weights
from lacelay.planning.border_line import BorderLine
from lacelay.planning.candidates import Border, Laid, places_along
from lacelay.planning.cost_field import path_contents, path_minutes
from lacelay.planning.cut_paths import CutPath
from lacelay.planning.places import Places
from lacelay.planning.strip import Strip

Values = NDArray[np.float64]
Points = NDArray[np.float64]
#: Spacing at which what a border line cuts through is told.
GRAIN_MM = 0.1
#: Least length of a run's inner side before it is laid.
LEAST_INNER_MM = 2.0
#: Spacing at which the depths that an edge allows are told.
EDGE_STEP_MM = 1.0


@dataclass(frozen=True, eq=False)
class LineSums:
    """What a border line leaves bare and cuts through, summed along the border.

    Parameters
    ----------
    strip : Strip
    shallow_mm2, motif_mm, cord_mm : ndarray, shape (n + 1,)
        Sums from the template's start, at n even steps over it.
    """

    strip: Strip
    shallow_mm2: Values
    motif_mm: Values
    cord_mm: Values

    def between(self, from_mm: ArrayLike, to_mm: ArrayLike) -> tuple[Values, Values, Values]:
        """(shallow_mm2, motif_mm, cord_mm) of the line from one a to another."""
        low, high = np.asarray(from_mm, dtype=float), np.asarray(to_mm, dtype=float)
        shallow, motif, cord = (
            self._upto(high, sums) - self._upto(low, sums)
            for sums in (self.shallow_mm2, self.motif_mm, self.cord_mm)
        )
        return shallow, motif, cord

    def _upto(self, a_mm: Values, sums: Values) -> Values:
        turns = (a_mm - self.strip.start_mm) / self.strip.period_mm
        whole = np.floor(turns)
        n = len(sums) - 1
        part = np.interp((turns - whole) * n, np.arange(n + 1), sums)
        return np.asarray(whole * sums[-1] + part)


def line_sums(line: BorderLine, full_depth_mm: float) -> LineSums:
    """Sum a border line up along the template."""
    strip = line.field.strip
    n = max(16, round(strip.period_mm / GRAIN_MM))
    a = strip.start_mm + np.arange(n + 1) * strip.period_mm / n
    points = np.stack([a, line.b(a)], axis=1)
    middle = (points[:-1] + points[1:]) / 2
    length = np.hypot(*np.diff(points, axis=0).T)
    shallow = np.maximum(full_depth_mm - middle[:, 1], 0.0) * (strip.period_mm / n)
    inside = [
        shapely.contains_xy(shape, middle[:, 0], middle[:, 1]) * length
        for shape in (strip.motifs, strip.cords_wide)
    ]
    return LineSums(
        strip, *(np.concatenate([[0.0], np.cumsum(each)]) for each in (shallow, *inside))
    )


@dataclass(frozen=True, eq=False)
class Borders:
    """One border at several depths, shallowest first, with the same candidate cuts.

    Parameters
    ----------
    levels : tuple of Border
    full_depth_mm : float or None
        Depth down to which cloth is wished to be covered; None where the depth is settled and
        is not weighed.
    """

    levels: tuple[Border, ...]
    full_depth_mm: float | None

    @property
    def strip(self) -> Strip:
        """The strip it is cut from."""
        return self.levels[0].strip

    @property
    def weights(self) -> Weights:
        """What it is weighed by."""
        return self.levels[0].weights

    @cached_property
    def sums(self) -> tuple[LineSums, ...]:
        """What each depth's line leaves bare and cuts through."""
        full = self.full_depth_mm or 0.0
        return tuple(line_sums(border.line, full) for border in self.levels)

    def between(self, level: int, from_mm: float, to_mm: float) -> tuple[float, float, float]:
        """(shallow_mm2, motif_mm, cord_mm) of a level's line; nothing where not weighed."""
        if self.full_depth_mm is None:
            return 0.0, 0.0, 0.0
        shallow, motif, cord = self.sums[level].between(from_mm, to_mm)
        return float(shallow), float(motif), float(cord)

    @cached_property
    def depths_mm(self) -> Values:
        """Mean depth of each level."""
        return np.array([border.line.mean_mm for border in self.levels])

    def reaching(self, laying_b_mm: float) -> Borders:
        """The depths that reach past a laying line, so that cuts can turn on it."""
        deep = tuple(each for each in self.levels if each.line.b_mm.min() > laying_b_mm + 2.0)
        return replace(self, levels=deep or self.levels[-1:])


def borders_at(
    strip: Strip,
    lines: Sequence[BorderLine],
    paths: Sequence[CutPath],
    full_depth_mm: float,
    weights: Weights,
    limits: Limits,
) -> Borders:
    """Border at each of some lines, from candidate cuts that reach the deepest.

    Parameters
    ----------
    strip : Strip
    lines : sequence of BorderLine
        Shallowest first, none crossing another.
    paths : sequence of CutPath
        One that would meet a line more than once goes straight on from where it meets it
        first; one that still does is no candidate: its sides would not part the border.
    """
    kept: list[list[CutPath]] = []
    for found in paths:
        path = _once_across(found, lines, strip, weights, limits)
        short = [_cut_short(path, line, strip, weights, limits) for line in lines]
        whole = [each for each in short if each is not None]
        if len(whole) == len(lines):
            kept.append(whole)
    return Borders(
        tuple(
            Border(strip, line, tuple(each[k] for each in kept), weights, limits)
            for k, line in enumerate(lines)
        ),
        full_depth_mm,
    )


def _once_across(
    path: CutPath, lines: Sequence[BorderLine], strip: Strip, weights: Weights, limits: Limits
) -> CutPath:
    """The path, going straight away from its end where it would meet a line again."""
    for line in lines[:-1]:
        dense = np.asarray(shapely.LineString(path.path_mm).segmentize(0.25).coords)
        over = dense[:, 1] - line.b(dense[:, 0])
        k = int(np.argmax(over >= -1e-6))
        if k == 0 or not (over[k:] < -1e-6).any():
            continue
        away = dense[k] - dense[0]
        away = away / np.hypot(*away)
        ray = dense[k] + np.arange(0.0, 200.0, 0.25)[:, None] * away
        beyond = ray[:, 1] - lines[-1].b(ray[:, 0])
        last = int(np.argmax(beyond >= 0))
        if last == 0:
            continue
        t = beyond[last - 1] / (beyond[last - 1] - beyond[last])
        inner = ray[last - 1] + t * (ray[last] - ray[last - 1])
        inner[1] = float(lines[-1].b(inner[0]))
        points = np.vstack([_corners_before(path.path_mm, dense[k - 1]), dense[k], inner])
        contents = path_contents(strip, points, limits)
        path = replace(
            path, path_mm=points, contents=contents, minutes=path_minutes(contents, weights)
        )
    return path


def _cut_short(
    path: CutPath, line: BorderLine, strip: Strip, weights: Weights, limits: Limits
) -> CutPath | None:
    """The path up to a border line; None where it meets the line twice, or not at all."""
    along = shapely.LineString(path.path_mm).segmentize(0.25)
    dense = np.asarray(along.coords)
    over = dense[:, 1] - line.b(dense[:, 0])
    crossed = np.flatnonzero(over >= -1e-6)
    if not len(crossed) or crossed[0] == 0:
        return None
    k = int(crossed[0])
    if k == len(dense) - 1:
        return path
    if (over[k:] < -1e-6).any():
        return None
    t = over[k - 1] / (over[k - 1] - over[k])
    inner = dense[k - 1] + t * (dense[k] - dense[k - 1])
    inner[1] = float(line.b(inner[0]))
    kept = np.vstack([_corners_before(path.path_mm, dense[k - 1]), inner])
    contents = path_contents(strip, kept, limits)
    return replace(path, path_mm=kept, contents=contents, minutes=path_minutes(contents, weights))


def _corners_before(path: Points, at: Points) -> Points:
    """Corners of a path up to a point on it."""
    line = shapely.LineString(path)
    reached = line.project(shapely.Point(at))
    walked = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    return np.asarray(path[walked <= reached + 1e-9])


def places_at_levels(
    borders: Borders,
    target: TargetEdge,
    *,
    start_mm: float,
    laying_depth_mm: float,
    stand_mm: float,
    allowed: Sequence[NDArray[np.bool_]],
    look_ahead: int = 24,
) -> tuple[Laid, ...]:
    """Places along an edge at each depth, with what their border lines cost.

    Parameters
    ----------
    allowed : sequence of ndarray of bool
        For each level, whether the edge allows its depth, every `EDGE_STEP_MM` from its
        start: from `depths_allowed`.
    """
    laid = []
    for border, sums, here in zip(borders.levels, borders.sums, allowed, strict=True):
        own = places_along(
            border,
            target,
            start_mm=start_mm,
            laying_depth_mm=laying_depth_mm,
            stand_mm=stand_mm,
            look_ahead=look_ahead,
        )
        laid.append(replace(own, places=_with_depth(own.places, sums, here, borders.weights)))
    return tuple(laid)


def _with_depth(
    places: Places, sums: LineSums, allowed: NDArray[np.bool_], weights: Weights
) -> Places:
    a = places.inner_mm[:, 0]
    shallow, motif, cord = sums.between(np.full_like(a, a[0]), a)
    minutes = weights.shallow_mm2 * shallow + weights.motif_mm * motif + weights.cord_mm * cord
    n, m = places.count, places.ahead
    last = np.minimum(np.arange(n)[:, None] + 1 + np.arange(m)[None, :], n - 1)
    # Slanting cuts must not reach past one another, nor past an end of the edge.
    apart = a[last] - a[:, None] >= LEAST_INNER_MM
    if not allowed.all():
        s = places.curve.from_laying_length(
            places.turn_mm[:, 0] - places.start_mm, places.laying_depth_mm
        )
        refused = np.concatenate([[0], np.cumsum(~allowed)])
        low = np.clip(np.floor(s / EDGE_STEP_MM).astype(int), 0, len(allowed))
        high = np.clip(np.ceil(s / EDGE_STEP_MM).astype(int) + 1, 0, len(allowed))
        apart &= refused[high][last] - refused[low][:, None] == 0
    if places.least_apart is not None:
        apart &= places.least_apart
    return replace(
        places, along_minutes=minutes, least_apart=apart, whole_allowed=bool(allowed.all())
    )


def depths_allowed(
    target: TargetEdge,
    depths_mm: Values,
    ranges: Sequence[DepthRange],
    *,
    depth_share: float,
    window_mm: float,
) -> list[NDArray[np.bool_]]:
    """Where along an edge each depth may be.

    Parameters
    ----------
    target : TargetEdge
    depths_mm : ndarray
        Shallowest first. What a bend allows is never less than the first.
    ranges : sequence of DepthRange
        Her limits by stretch; her least depth counts before what a bend allows.
    depth_share : float
        Deepest as a share of the bend's radius.
    window_mm : float
        Length of edge over which the bend is averaged.

    Returns
    -------
    list of ndarray of bool
        For each depth, every `EDGE_STEP_MM` from the start of the edge.
    """
    curve = target.curve
    s = np.arange(0.0, curve.length_mm + EDGE_STEP_MM, EDGE_STEP_MM)
    low = np.clip(s - window_mm / 2, 0.0, max(curve.length_mm - window_mm, 0.0))
    high = np.minimum(low + window_mm, curve.length_mm)
    bend = curve.turning(low, high) / np.maximum(high - low, 1e-9)
    most = np.maximum(depth_share / np.maximum(bend, 1e-9), depths_mm[0])
    least = np.zeros_like(s)
    for each in ranges:
        inside = (s >= each.from_s_mm) & (s <= each.to_s_mm)
        least[inside] = np.maximum(least[inside], each.least_mm)
        most[inside] = np.minimum(np.maximum(most[inside], each.least_mm), each.most_mm)
    return [(depth <= most + 1e-6) & (depth >= least - 1e-6) for depth in depths_mm]
