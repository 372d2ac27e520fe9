"""What a plan's polygons say: laid pieces, and the lace folded back to one repeat."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray

from lacelay.model.plan import Plan, Run

Points = NDArray[np.float64]
Values = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Remeasured:
    """Pieces of a plan as laid, and the lace they come from.

    Parameters
    ----------
    plan : Plan
    pieces : tuple of shapely geometry
        Each run's outline, laid on the garment.
    headings_rad : tuple of float
        Direction of each run at its middle, in order of the edge, from its own motion.
    beyond : shapely geometry
        Where lace is laid that is not of this plan.
    """

    plan: Plan
    pieces: tuple[shapely.Geometry, ...]
    headings_rad: tuple[float, ...]
    beyond: shapely.Geometry = field(default_factory=shapely.Polygon)

    @property
    def upright(self) -> bool:
        """Whether the lower edge is used (the lace is not turned round)."""
        return self.plan.side == "lower"

    def along(self, lace_mm: Points) -> Values:
        """Place along the border of lace points, in order of the edge."""
        return np.asarray(lace_mm[..., 0] if self.upright else -lace_mm[..., 0])

    def inwards(self, lace_mm: Points) -> Values:
        """Distance of lace points inwards of the valley line."""
        v = lace_mm[..., 1]
        return np.asarray(v if self.upright else self.plan.lace.width_mm.value - v)

    def lace_at(self, along_mm: Values, inwards_mm: Values) -> Points:
        """Lace points by place along the border and distance inwards."""
        if self.upright:
            return np.stack([along_mm, inwards_mm], axis=-1)
        return np.stack([-along_mm, self.plan.lace.width_mm.value - inwards_mm], axis=-1)

    @property
    def period_mm(self) -> float:
        """The repeat."""
        repeat = self.plan.lace.repeat
        return repeat.length_mm.value if repeat else float("inf")

    @property
    def scallop_mm(self) -> float:
        """Scallop width of the edge that is used: a whole number of them fill the repeat."""
        pitch = self.plan.lace.edge(self.plan.side).pitch_mm
        return self.period_mm / max(1, round(self.period_mm / pitch.value)) if pitch else 0.0

    def folded(self, lace_mm: Points) -> Points:
        """Lace points taken back, as one figure, to the repeat that stands for all others."""
        if not np.isfinite(self.period_mm):
            return lace_mm
        low = self.plan.template_mm[0]
        copies = np.floor((lace_mm[:, 0].mean() - low) / self.period_mm)
        return np.asarray(lace_mm - [copies * self.period_mm, 0.0])

    @cached_property
    def motifs(self) -> shapely.Geometry:
        """Motifs of the template, three times side by side."""
        return self._tripled([shapely.Polygon(m.outline_mm) for m in self.plan.lace.motifs])

    @cached_property
    def cords(self) -> shapely.Geometry:
        """Cords of the template, three times side by side, half a millimetre to each side."""
        lines = [shapely.LineString(c) for c in self.plan.lace.cords_mm if len(c) > 1]
        return self._tripled([line.buffer(0.5, quad_segs=3) for line in lines])

    @cached_property
    def beads_mm(self) -> Points:
        """Beads of the template, three times side by side."""
        low, high = self.plan.template_mm
        own = np.array(
            [(bead.u_mm, bead.v_mm) for bead in self.plan.lace.beads if low <= bead.u_mm < high]
        ).reshape(-1, 2)
        return np.vstack([own + [k * self.period_mm, 0.0] for k in (-1, 0, 1)])

    def beads_near(self, line_mm: Points, distance_mm: float) -> int:
        """Beads within a distance of a line in the lace frame."""
        if not len(self.beads_mm):
            return 0
        line = shapely.LineString(self.folded(line_mm))
        gaps = shapely.distance(shapely.points(self.beads_mm), line)
        return int((gaps <= distance_mm).sum())

    def beads_of(self, run: Run) -> Points:
        """Beads that lie on a run, lace frame."""
        if not len(self.beads_mm):
            return np.empty((0, 2))
        low, high = float(run.outline_mm[:, 0].min()), float(run.outline_mm[:, 0].max())
        first = int(np.floor((low - self.plan.template_mm[0]) / self.period_mm))
        last = int(np.ceil((high - self.plan.template_mm[0]) / self.period_mm))
        third = len(self.beads_mm) // 3
        own = self.beads_mm[third : 2 * third]
        every = np.vstack([own + [k * self.period_mm, 0.0] for k in range(first, last + 1)])
        polygon = shapely.Polygon(run.outline_mm).buffer(0)
        return np.asarray(every[shapely.contains_xy(polygon, every[:, 0], every[:, 1])])

    @cached_property
    def lace_area(self) -> shapely.Geometry:
        """Outline of the lace seen, lace frame."""
        return shapely.Polygon(self.plan.lace.outline_mm).buffer(0)

    def overlap(self, i: int, j: int) -> shapely.Geometry:
        """Where two pieces lie over each other on the garment."""
        return self.pieces[i].intersection(self.pieces[j])

    @cached_property
    def covered(self) -> shapely.Geometry:
        """Everything under lace."""
        return shapely.union_all(self.pieces)

    def _tripled(self, shapes: list[shapely.Geometry]) -> shapely.Geometry:
        low, high = self.plan.template_mm
        own = [s.buffer(0) if s.geom_type == "Polygon" else s for s in shapes]
        own = [s for s in own if not s.is_empty and low <= s.centroid.x < high]
        moved = [
            shapely.transform(s, lambda p, k=k: p + [k * self.period_mm, 0.0])
            for s in own
            for k in (-1, 0, 1)
        ]
        return shapely.union_all(moved) if moved else shapely.Polygon()


def remeasure(plan: Plan) -> Remeasured:
    """Lay every run of a plan by its own motion."""
    pieces = []
    headings = []
    for run in plan.runs:
        pieces.append(shapely.Polygon(run.laying.place(run.outline_mm)).buffer(0))
        inward = np.asarray(run.laying.inward, dtype=float)
        along = np.array([inward[1], -inward[0]])
        moved = np.asarray(run.laying.matrix, dtype=float) @ along
        headings.append(float(np.arctan2(moved[1], moved[0])))
    return Remeasured(plan, tuple(pieces), tuple(headings))


def wrapped(angle_rad: float) -> float:
    """Bring an angle into (-pi, pi]."""
    return float(np.mod(angle_rad + np.pi, 2 * np.pi) - np.pi)
