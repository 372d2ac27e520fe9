"""The border of a lace in its own strip frame, going on for ever by the repeat.

Glossary
--------
strip frame : (a_mm, b_mm). a runs along the border in the order in which it is laid along
    an edge, b from the valley line inwards (tips are at b < 0). For the lower edge of the
    lace (a, b) = (u, v); for the upper edge the lace is turned round, never flipped:
    (a, b) = (-u, width - v). Both are proper motions.
template : the one repeat, read from the photographed length, that stands for all others.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from lacelay.errors import PlanError
from lacelay.model.lace import Lace, Side

Points = NDArray[np.float64]
Values = NDArray[np.float64]
#: Spacing at which the scalloped outline is kept.
OUTLINE_STEP_MM = 0.5


@dataclass(frozen=True, eq=False)
class Strip:
    """One border, periodic in a.

    Parameters
    ----------
    side : {"lower", "upper"}
    width_mm : float
        Of the lace, valley line to valley line.
    period_mm : float
        The repeat.
    scallop_mm : float
        Scallop width.
    start_mm : float
        a where the template starts, at a valley.
    valleys_mm, tips_mm : ndarray, shape (k,)
        a of valleys and tips in the template.
    outline_mm : ndarray, shape (n,)
        b of the scalloped outline at n even steps over the template.
    motifs : shapely geometry
        Union of the template's motifs, one repeat to each side as well.
    cords : shapely geometry
        The same for raised cords.
    beads_mm : ndarray, shape (k, 2)
        Beads whose place is in the template.
    """

    side: Side
    width_mm: float
    period_mm: float
    scallop_mm: float
    start_mm: float
    valleys_mm: Values
    tips_mm: Values
    outline_mm: Values
    motifs: shapely.Geometry
    cords: shapely.Geometry
    beads_mm: Points

    def to_lace(self, strip_mm: ArrayLike) -> Points:
        """Lace points (u, v) of strip points (a, b)."""
        return _turn(np.asarray(strip_mm, dtype=float), self.side, self.width_mm)

    def from_lace(self, lace_mm: ArrayLike) -> Points:
        """Strip points (a, b) of lace points (u, v)."""
        return _turn(np.asarray(lace_mm, dtype=float), self.side, self.width_mm)

    def outline_b(self, a_mm: ArrayLike) -> Values:
        """B of the scalloped outline at any a."""
        a = np.asarray(a_mm, dtype=float)
        n = len(self.outline_mm)
        place = (a - self.start_mm) / self.period_mm * n
        wrapped = np.append(self.outline_mm, self.outline_mm[0])
        return np.asarray(np.interp(np.mod(place, n), np.arange(n + 1), wrapped))

    def copies(self, template_a_mm: ArrayLike, low_mm: float, high_mm: float) -> Values:
        """Every copy of template places in [low, high], in order."""
        places = np.asarray(template_a_mm, dtype=float)
        first = int(np.floor((low_mm - self.start_mm) / self.period_mm)) - 1
        last = int(np.ceil((high_mm - self.start_mm) / self.period_mm)) + 1
        every = (places[None, :] + self.period_mm * np.arange(first, last + 1)[:, None]).ravel()
        return np.sort(every[(every >= low_mm) & (every <= high_mm)])

    def into_template(self, a_mm: ArrayLike) -> Values:
        """The place in the template of any a."""
        a = np.asarray(a_mm, dtype=float)
        return self.start_mm + np.mod(a - self.start_mm, self.period_mm)

    @cached_property
    def cords_wide(self) -> shapely.Geometry:
        """Cords half a millimetre to each side: what counts as running into one."""
        lines = shapely.get_parts(self.cords)  # one at a time: all at once is far slower
        return shapely.union_all(shapely.buffer(lines, 0.5, quad_segs=3))

    @property
    def reach_mm(self) -> float:
        """How far the furthest tip stands past the valley line."""
        return float(-self.outline_mm.min())


def border_strip(lace: Lace, side: Side) -> Strip:
    """Take the border along one edge of a lace.

    Parameters
    ----------
    lace : Lace
    side : {"lower", "upper"}

    Raises
    ------
    PlanError
        When that edge has no scallops, or the repeat is not known or not seen whole.
    """
    edge = lace.edge(side)
    if not edge.scalloped:
        other = "upper" if side == "lower" else "lower"
        raise PlanError(
            f"The {side} edge of {lace.name} has no scallops.", f"Lay its {other} edge instead."
        )
    if lace.repeat is None:
        raise PlanError(
            f"The repeat of {lace.name} could not be told, so what lies beyond the photo is "
            "not known.",
            "Photograph at least two whole repeats, with the whole width in the picture.",
        )
    period = lace.repeat.length_mm.value
    width = lace.width_mm.value
    valleys = np.sort(_turn(edge.valleys_mm, side, width)[:, 0])
    tips = np.sort(_turn(edge.tips_mm, side, width)[:, 0])
    pitch = period / max(1, round(period / edge.pitch_mm.value)) if edge.pitch_mm else period
    outline = _turn(_dense(lace.outline_mm), side, width)
    start = _template_start(valleys, period, pitch, outline, lace)
    motifs = [shapely.Polygon(_turn(m.outline_mm, side, width)).buffer(0) for m in lace.motifs]
    cords = [shapely.LineString(_turn(c, side, width)) for c in lace.cords_mm if len(c) > 1]
    beads = np.array([(bead.u_mm, bead.v_mm) for bead in lace.beads], dtype=float).reshape(-1, 2)
    beads = _turn(beads, side, width)
    ends_before = start + period - 0.4 * pitch  # the next repeat's first valley is not ours
    return Strip(
        side=side,
        width_mm=width,
        period_mm=period,
        scallop_mm=pitch,
        start_mm=start,
        valleys_mm=valleys[(valleys >= start) & (valleys < ends_before)],
        tips_mm=tips[(tips >= start) & (tips < start + period)],
        outline_mm=_outline(outline, start, period),
        motifs=_in_template(motifs, start, period),
        cords=_in_template(cords, start, period),
        beads_mm=beads[(beads[:, 0] >= start) & (beads[:, 0] < start + period)],
    )


def _turn(points: Points, side: Side, width_mm: float) -> Points:
    """Lace to strip, which is its own inverse: the identity or half a turn."""
    if side == "lower":
        return points
    return np.asarray(np.array([0.0, width_mm]) - points)


def _dense(outline: Points, step_mm: float = 0.1) -> Points:
    closed = np.vstack([outline, outline[:1]])
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    even = np.linspace(0.0, s[-1], int(np.ceil(s[-1] / step_mm)) + 1)
    return np.stack([np.interp(even, s, closed[:, k]) for k in (0, 1)], axis=1)


def _template_start(
    valleys: Values, period: float, pitch: float, outline: Points, lace: Lace
) -> float:
    low, high = float(outline[:, 0].min()), float(outline[:, 0].max())
    fitting = valleys[(valleys >= low) & (valleys + period <= high + 0.25 * pitch)]
    if not len(fitting):
        raise PlanError(
            f"Only {high - low:.0f} mm of {lace.name} were seen, less than its repeat of "
            f"{period:.0f} mm.",
            "Photograph at least one whole repeat, from valley to valley.",
        )
    middle = (low + high) / 2
    return float(fitting[np.argmin(np.abs(fitting + period / 2 - middle))])


def _in_template(shapes: list[shapely.Geometry], start: float, period: float) -> shapely.Geometry:
    """Union of the shapes whose middle lies in the template, one repeat to each side as well."""
    own = [
        shape
        for shape in shapes
        if not shape.is_empty and start <= shape.centroid.x < start + period
    ]
    every = [
        shapely.transform(shape, lambda points, k=k: points + [k * period, 0.0])
        for shape in own
        for k in (-1, 0, 1)
    ]
    return shapely.union_all(every) if every else shapely.Polygon()


def _outline(outline: Points, start: float, period: float) -> Values:
    """Outermost b in even steps over one repeat from `start`."""
    n = max(8, round(period / OUTLINE_STEP_MM))
    place = np.round((outline[:, 0] - start) / period * n).astype(int)
    seen = (place >= 0) & (place <= n)
    lowest = np.full(n + 1, np.inf)
    np.minimum.at(lowest, place[seen], outline[seen, 1])
    lowest[0] = lowest[n] = min(lowest[0], lowest[n])  # the template meets itself
    known = np.isfinite(lowest)
    return np.asarray(np.interp(np.arange(n), np.flatnonzero(known), lowest[known]))
