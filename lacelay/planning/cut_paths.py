"""Where relief cuts may run: least-cost paths between motifs, from the lace itself.

A path starts at what is left uncut near the scalloped outline and runs inwards to the
border line. It is found on rings round its own end, so that its distance from the turning
point grows steadily: the two sides of such a cut sweep over each other without baring
cloth inside a lap.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from lacelay.model.wishes import Limits, Weights
from lacelay.planning.border_line import BorderLine
from lacelay.planning.cost_field import CostField, path_contents, path_minutes
from lacelay.planning.seams import seams, trace
from lacelay.planning.strip import Strip

Points = NDArray[np.float64]
RING_MM = 1.0
FAN_RAD = np.deg2rad(50.0)
SPOKE_RAD = np.deg2rad(1.0)
#: Ends of paths are tried this close together along the border.
END_STEP_MM = 2.0


@dataclass(frozen=True, eq=False)
class CutPath:
    """One candidate cut in the template.

    Parameters
    ----------
    path_mm : ndarray, shape (n, 2)
        Strip frame, from the end left uncut to the border line.
    outline_mm : ndarray, shape (2,)
        Point of the scalloped outline that faces the end.
    at_valley : bool
    contents : tuple
        net_mm, motif_mm, cord_mm, beads, as measured by `path_contents`.
    minutes : float
        What the contents cost.
    """

    path_mm: Points
    outline_mm: Points
    at_valley: bool
    contents: tuple[float, float, float, int]
    minutes: float

    @property
    def end_mm(self) -> Points:
        """The end left uncut (she reads "what is left uncut" for what lies beyond it)."""
        return np.asarray(self.path_mm[0])

    @property
    def inner_mm(self) -> Points:
        """Where the path meets the border line."""
        return np.asarray(self.path_mm[-1])


def cut_paths(
    field: CostField, line: BorderLine, weights: Weights, limits: Limits, *, per_scallop: int = 3
) -> list[CutPath]:
    """Candidate cuts of one repeat, in order along the border.

    At each valley its cheapest path; inside each scallop, where paths are locally cheapest
    and at least a quarter of a scallop apart, up to `per_scallop` - 1 more.
    """
    strip = field.strip
    n = max(8, round(strip.period_mm / END_STEP_MM))
    ends_a = strip.start_mm + np.arange(n) * strip.period_mm / n
    ends_a = np.sort(np.concatenate([ends_a, strip.valleys_mm]))
    found = _least_cost_paths(field, line, ends_a, weights, limits)
    chosen: list[CutPath] = []
    apart = max(limits.cut_distance_mm * 0.75, strip.scallop_mm / 4)
    for valley in strip.valleys_mm:
        near = [p for p in found if _gap(strip, p.end_mm[0], valley) <= 2.0]
        if near:
            best = min(near, key=lambda p: p.minutes + 0.2 * _gap(strip, p.end_mm[0], valley))
            chosen.append(best)
    for k, valley in enumerate(strip.valleys_mm):
        after = strip.valleys_mm[(k + 1) % len(strip.valleys_mm)]
        width = float(np.mod(after - valley, strip.period_mm)) or strip.period_mm
        inside = [
            p
            for p in found
            if apart <= np.mod(p.end_mm[0] - valley, strip.period_mm) <= width - apart
        ]
        inside.sort(key=lambda p: p.minutes)
        taken: list[CutPath] = []
        for path in inside:
            clear = all(
                bool(_gap(strip, path.end_mm[0], other.end_mm[0]) >= apart) for other in taken
            )
            if clear and len(taken) < per_scallop - 1:
                taken.append(path)
        chosen.extend(taken)
    return sorted(chosen, key=lambda p: float(strip.into_template(p.end_mm[0])))


def least_distance_mm(strip: Strip, first: CutPath, second: CutPath, copies_apart: int) -> float:
    """Distance between a path and another one some repeats further on."""
    moved = second.path_mm + [copies_apart * strip.period_mm, 0.0]
    return float(shapely.distance(shapely.LineString(first.path_mm), shapely.LineString(moved)))


def _least_cost_paths(
    field: CostField, line: BorderLine, ends_a: Points, weights: Weights, limits: Limits
) -> list[CutPath]:
    strip = field.strip
    outline_b = strip.outline_b(ends_a)
    uncut = np.full(len(ends_a), limits.uncut_mm)
    if len(strip.beads_mm):
        every = np.vstack([strip.beads_mm + [k * strip.period_mm, 0.0] for k in (-1, 0, 1)])
        here = np.stack([strip.into_template(ends_a), outline_b], axis=1)
        gap = np.hypot(*(every[:, None, :] - here[None]).transpose(2, 0, 1)).min(axis=0)
        uncut[gap < limits.uncut_beaded_mm + 2.0] = limits.uncut_beaded_mm
    ends = np.stack([ends_a, _clear_of_outline(strip, ends_a, uncut)], axis=1)
    rings = np.arange(0, int(np.ceil(line.deepest_mm - ends[:, 1].min())) + 12) * RING_MM
    spokes = np.arange(-FAN_RAD, FAN_RAD + SPOKE_RAD / 2, SPOKE_RAD)
    a = ends[:, 0, None, None] + rings[None, :, None] * np.sin(spokes)
    b = ends[:, 1, None, None] + rings[None, :, None] * np.cos(spokes)
    beyond = b > line.b(a)
    cost = np.where(beyond, 0.0, field.at(a, b) * RING_MM)
    cost[:, :, :] += np.where(beyond, 0.0, 1e-4 * np.abs(spokes))  # of equals, the straightest
    reach = np.clip(np.round(RING_MM / np.maximum(rings * SPOKE_RAD, 1e-9)), 1, 12).astype(int)
    side = 0.5 * weights.net_mm * rings * SPOKE_RAD
    total, moves = seams(cost, reach, side)
    paths = []
    for k in range(len(ends)):
        columns = trace(moves[k], int(total[k].argmin()))
        rows = np.arange(len(rings))
        points = np.stack([a[k, rows, columns], b[k, rows, columns]], axis=1)
        path = _cut_off(points, line)
        if path is None:
            continue
        contents = path_contents(strip, path, limits)
        minutes = path_minutes(contents, weights)
        outline = np.array([ends_a[k], outline_b[k]])
        at_valley = bool(np.min(_gap(strip, ends_a[k], strip.valleys_mm)) <= 2.0)
        paths.append(CutPath(path, outline, at_valley, contents, minutes))
    return paths


def _clear_of_outline(strip: Strip, ends_a: Points, uncut_mm: Points) -> Points:
    """Lowest b at each a that is nowhere nearer to the scalloped outline than asked."""
    aside = np.arange(-1.0, 1.001, 0.05)[None, :] * uncut_mm[:, None]
    risen = np.sqrt(np.maximum(uncut_mm[:, None] ** 2 - aside**2, 0.0))
    return np.asarray((strip.outline_b(ends_a[:, None] + aside) + risen).max(axis=1))


def _cut_off(points: Points, line: BorderLine) -> Points | None:
    """The path up to the border line, with the crossing itself as its last point."""
    over = points[:, 1] - line.b(points[:, 0])
    crossed = np.flatnonzero(over >= 0)
    if not len(crossed) or crossed[0] == 0:
        return None
    k = int(crossed[0])
    t = over[k - 1] / (over[k - 1] - over[k])
    inner = points[k - 1] + t * (points[k] - points[k - 1])
    inner[1] = float(line.b(inner[0]))
    kept = np.vstack([points[:k], inner])
    simple = np.asarray(shapely.LineString(kept).simplify(0.15).coords)
    return np.asarray(simple, dtype=np.float64)


def _gap(strip: Strip, a: ArrayLike, b: ArrayLike) -> Points:
    """Distance along the border between places, the shorter way round the repeat."""
    half = strip.period_mm / 2
    gap = np.mod(np.asarray(a) - np.asarray(b) + half, strip.period_mm) - half
    return np.asarray(np.abs(gap))
