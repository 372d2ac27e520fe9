"""From a border and its candidate cuts to the places along one edge."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from lacelay.model.target import TargetEdge
from lacelay.model.wishes import Limits, Weights
from lacelay.planning.border_line import BorderLine
from lacelay.planning.cost_field import path_contents, path_minutes
from lacelay.planning.cut_paths import CutPath, least_distance_mm
from lacelay.planning.places import Places
from lacelay.planning.strip import Strip
from lacelay.planning.wedges import TURNS_RAD, wedge_tables

Points = NDArray[np.float64]
Values = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Border:
    """A border ready to be laid: its strip, its line, and its candidate cuts."""

    strip: Strip
    line: BorderLine
    paths: tuple[CutPath, ...]
    weights: Weights
    limits: Limits

    @property
    def inner_b_mm(self) -> float:
        """Deepest b of the border, on which limits at the inner side are held."""
        return self.line.deepest_mm

    @cached_property
    def through_minutes(self) -> Values:
        """What each path costs when it goes on to the outline, cut right through."""
        costs = []
        for path in self.paths:
            whole = np.vstack([path.outline_mm, path.path_mm])
            contents = path_contents(self.strip, whole, self.limits)
            costs.append(path_minutes(contents, self.weights))
        return np.array(costs)

    @cached_property
    def _tables(self) -> dict[tuple[int, float], tuple[Values, Values]]:
        return {}

    def wedges(self, candidate: int, turn_mm: Points, *, through: bool) -> tuple[Values, Values]:
        """Lap and opening tables of a candidate, measured once for each turning point."""
        key = (candidate, round(float(turn_mm[1]), 3) if through else -1.0)
        if key not in self._tables:
            self._tables[key] = wedge_tables(
                self.line, self.paths[candidate], turn_mm, through=through
            )
        return self._tables[key]

    @cached_property
    def apart_table_mm(self) -> Values:
        """Least distance of two candidate cuts, by first, second, and repeats between them.

        Cuts further apart than the table reaches are far enough.
        """
        reach = int(np.ceil(4 * self.strip.scallop_mm / self.strip.period_mm)) + 1
        n = len(self.paths)
        table = np.empty((n, n, reach))
        for i, j, copies in np.ndindex(n, n, reach):
            table[i, j, copies] = least_distance_mm(
                self.strip, self.paths[i], self.paths[j], copies
            )
        return table

    def apart_mm(self, first: int, second: int, copies: int) -> float:
        """Least distance between two candidate cuts, the second some repeats further on."""
        if 0 <= copies < self.apart_table_mm.shape[2]:
            return float(self.apart_table_mm[first, second, copies])
        return least_distance_mm(self.strip, self.paths[first], self.paths[second], copies)


@dataclass(frozen=True, eq=False)
class Laid:
    """Places along an edge, and which candidate and which copy each of them is.

    `candidate` and `copy` have one entry a place; -1 and 0 at the two ends.
    """

    places: Places
    candidate: NDArray[np.int_]
    copy: NDArray[np.int_]


def places_along(
    border: Border,
    target: TargetEdge,
    *,
    start_mm: float,
    laying_depth_mm: float,
    stand_mm: float,
    look_ahead: int = 24,
) -> Laid:
    """Places of the border along an edge, for one start and one laying line.

    Cuts stay inner cuts while the laying line lies within what is left uncut at the
    scallops; where it lies deeper the lace turns part-way in and cuts go right through.
    """
    curve, strip, limits = target.curve, border.strip, border.limits
    laying_b = laying_depth_mm + stand_mm
    length = float(curve.laying_length(curve.length_mm, laying_depth_mm))
    through = laying_b > limits.uncut_beaded_mm
    turns, inners, outers, which, copies = [], [], [], [], []
    tables = []
    for k, path in enumerate(border.paths):
        turn = _turning_point(path, laying_b) if through else path.end_mm
        tables.append(border.wedges(k, turn, through=through))
        for at in strip.copies(
            strip.into_template(np.array([turn[0]])), start_mm, start_mm + length
        ):
            copy = round((at - turn[0]) / strip.period_mm)
            shift = np.array([copy * strip.period_mm, 0.0])
            turns.append(turn + shift)
            inners.append(path.inner_mm + shift)
            outers.append(path.outline_mm + shift)
            which.append(k)
            copies.append(copy)
    end_space = limits.cut_distance_mm / 2
    order = [
        k
        for k in np.argsort([turn[0] for turn in turns], kind="stable")
        if start_mm + end_space < turns[k][0] < start_mm + length - end_space
    ]
    ends = np.array([[start_mm, laying_b], [start_mm + length, laying_b]])

    def with_ends(points: list[Points]) -> Points:
        return np.vstack([ends[:1], *(points[k][None] for k in order), ends[1:]])

    own = border.through_minutes if through else np.array([p.minutes for p in border.paths])
    own = own + border.weights.in_scallop * np.array([not p.at_valley for p in border.paths])
    places_a = np.array([turns[k][0] for k in order])
    s = curve.from_laying_length(places_a - start_mm, laying_depth_mm)
    shows = np.array([target.beside_centre(float(at), strip.scallop_mm) for at in s], dtype=float)
    paths = np.array([own[which[k]] for k in order])
    minutes = np.concatenate([[0.0], paths + border.weights.beside_centre * shows, [0.0]])
    candidate = np.array([-1, *(which[k] for k in order), -1])
    copy_of = np.array([0, *(copies[k] for k in order), 0])
    n = len(candidate)
    extra = np.zeros((2, n, len(TURNS_RAD)))  # nothing laps at the two ends
    for at in range(1, n - 1):
        extra[:, at] = tables[candidate[at]]
    ahead = min(look_ahead, n - 1)
    apart = np.ones((n, ahead), dtype=bool)
    first, behind = np.meshgrid(np.arange(n), np.arange(ahead), indexing="ij")
    last = np.minimum(first + 1 + behind, n - 1)
    between = copy_of[last] - copy_of[first]
    inside = (first > 0) & (last < n - 1) & (between < border.apart_table_mm.shape[2])
    i, j = first[inside], last[inside]
    gaps = border.apart_table_mm[candidate[i], candidate[j], between[inside]]
    apart[inside] = gaps >= limits.cut_distance_mm
    places = Places(
        curve=curve,
        free=target.kind == "free",
        start_mm=start_mm,
        laying_depth_mm=laying_depth_mm,
        stand_mm=stand_mm,
        border_depth_mm=border.inner_b_mm,
        reach_mm=strip.reach_mm,
        turn_mm=with_ends(turns),
        inner_mm=with_ends(inners),
        outer_mm=with_ends(outers),
        minutes=minutes,
        through=through,
        look_ahead=look_ahead,
        least_apart=apart,
        turns_rad=TURNS_RAD,
        extra_lap_mm2=extra[0],
        extra_opening_mm2=extra[1],
    )
    return Laid(places, candidate, copy_of)


def _turning_point(path: CutPath, laying_b: float) -> Points:
    """Where a path crosses the laying line."""
    b = path.path_mm[:, 1]
    k = int(np.argmax(b >= laying_b)) if np.any(b >= laying_b) else len(b) - 1
    if k == 0:
        return path.end_mm
    t = (laying_b - b[k - 1]) / (b[k] - b[k - 1])
    return np.asarray(path.path_mm[k - 1] + t * (path.path_mm[k] - path.path_mm[k - 1]))
