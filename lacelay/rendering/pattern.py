"""One repeat of an invented lace: parts, motifs, edges and ground, in millimetres.

Glossary
--------
part : a closed piece of one filling: a petal, half a leaf.
stroke : a thread or stem with a width; `cord` marks a raised one.
element : one motif as drawn: parts, then strokes, then beads on top.
placed element : an element at its place in the repeat, with the number of its kind.

Points are design millimetres (u, v): u along the length from the start of a repeat, v
across it from the lower valley line; arrays (n, 2). The design frame is the lace frame
before the small warps of a real piece.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString, MultiPolygon, Polygon
from shapely.ops import unary_union

Points = NDArray[np.float64]
Fill = Literal["cloth", "half", "satin", "mesh", "hole"]
Net = Literal["hexagonal", "diamond", "bars"]


def _no_beads() -> Points:
    return np.empty((0, 3))


@dataclass(frozen=True, eq=False)
class Part:
    """A closed piece of one filling; `rim_mm` is the thickness of the thread round it."""

    outline_mm: Points
    fill: Fill
    heading_rad: float
    rim_mm: float = 0.0
    cord: bool = False


@dataclass(frozen=True, eq=False)
class Stroke:
    """A stem or thread along a line, `width_mm` thick."""

    line_mm: Points
    width_mm: float
    cord: bool = False


@dataclass(frozen=True, eq=False)
class Element:
    """One motif as drawn.

    `beads` and `sequins` have the shape (k, 3): u, v and diameter. `symmetric` says that
    the element is its own mirror image in its u axis. `runs` are the numbers of beads threaded
    in one go, in the order of `beads`; where it says nothing every bead is sewn on its own.
    """

    parts: tuple[Part, ...] = ()
    strokes: tuple[Stroke, ...] = ()
    beads: Points = field(default_factory=_no_beads)
    sequins: Points = field(default_factory=_no_beads)
    symmetric: bool = False
    runs: tuple[int, ...] = ()

    @property
    def bead_runs(self) -> tuple[int, ...]:
        """Beads of each run, in the order of `beads`; they sum to their number."""
        return self.runs or (1,) * len(self.beads)

    def moved(self, matrix: Points, shift: Points) -> Element:
        """Return the element under `p -> matrix p + shift`, matrix shape (2, 2)."""
        flips = bool(np.linalg.det(matrix) < 0)
        turn = float(np.arctan2(matrix[1, 0], matrix[0, 0]))

        def carry(points: Points) -> Points:
            return np.asarray(points @ matrix.T + shift, dtype=np.float64)

        def carry_beads(beads: Points) -> Points:
            return np.column_stack([carry(beads[:, :2]), beads[:, 2]])

        return Element(
            tuple(
                replace(
                    part,
                    outline_mm=carry(part.outline_mm),
                    heading_rad=turn + (-part.heading_rad if flips else part.heading_rad),
                )
                for part in self.parts
            ),
            tuple(replace(stroke, line_mm=carry(stroke.line_mm)) for stroke in self.strokes),
            carry_beads(self.beads),
            carry_beads(self.sequins),
            self.symmetric,
            self.runs,
        )

    def outline(self) -> Polygon:
        """Return the outline of everything drawn but loose beads, as one polygon."""
        pieces = [
            shapely.make_valid(Polygon(part.outline_mm)).buffer(part.rim_mm / 2)
            for part in self.parts
            if part.fill != "hole"
        ]
        pieces += [
            LineString(stroke.line_mm).buffer(stroke.width_mm / 2) for stroke in self.strokes
        ]
        union = unary_union(pieces)
        if isinstance(union, MultiPolygon):  # hair gaps between parts of one motif close
            union = union.buffer(0.4).buffer(-0.4)
        if isinstance(union, MultiPolygon):
            union = max(union.geoms, key=lambda piece: piece.area)
        return Polygon(union.exterior)


def join_elements(elements: Sequence[Element], symmetric: bool = False) -> Element:
    """Join elements into one motif, later ones on top."""
    return Element(
        tuple(part for element in elements for part in element.parts),
        tuple(stroke for element in elements for stroke in element.strokes),
        np.concatenate([np.empty((0, 3)), *[element.beads for element in elements]]),
        np.concatenate([np.empty((0, 3)), *[element.sequins for element in elements]]),
        symmetric,
        tuple(count for element in elements for count in element.bead_runs),
    )


def turned(element: Element, turn_rad: float, at_mm: tuple[float, float]) -> Element:
    """Return the element turned about its origin, then carried to a point."""
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    return element.moved(np.array([[c, -s], [s, c]]), np.asarray(at_mm, dtype=float))


@dataclass(frozen=True, eq=False)
class Placed:
    """An element in its place in the repeat; copies that differ by a turn share a kind."""

    element: Element
    outline_mm: Points
    kind: int


@dataclass(frozen=True, eq=False)
class EdgeDesign:
    """One long edge over one repeat.

    Parameters
    ----------
    valleys_mm : ndarray, shape (k + 1,)
        u of the valleys, the first of the next repeat included; two ends of the repeat for
        a straight edge.
    depths_mm : ndarray, shape (k,)
        Of the edge line without picots; all zero for a straight edge.
    roundness : float
        Power of the sine arch: 0.5 nearly a half circle, 1.0 a pointed valley and flat flanks.
    lean : float
        Shift of the tip along the scallop as a share of its width; 0 in the middle.
    picot_mm : float
        Radius of the loops along the edge; 0 for none.
    picots : int
        Loops on a scallop, odd, so that one sits on the tip.
    band_mm : float
        Width of the dense band along the edge.
    ripple_mm : float
        Height of the small scallops along each scallop; 0 for none.
    ripples : int
        Small scallops on each, odd, so that one sits on the tip.
    holes : int
        Eyelets of one repeat in the band of a straight header; 0 for none.
    """

    valleys_mm: Points
    depths_mm: Points
    roundness: float
    lean: float
    picot_mm: float
    picots: int
    band_mm: float
    ripple_mm: float = 0.0
    ripples: int = 0
    holes: int = 0

    @property
    def scalloped(self) -> bool:
        """Whether this edge has scallops."""
        return bool(np.any(self.depths_mm > 0))

    @property
    def repeat_mm(self) -> float:
        """Length of one repeat."""
        return float(self.valleys_mm[-1] - self.valleys_mm[0])

    def height_mm(self, u_mm: Points) -> Points:
        """How far the edge line stands outside the valley line, at each u."""
        first = float(self.valleys_mm[0])
        inside = (np.asarray(u_mm, dtype=float) - first) % self.repeat_mm + first
        index = np.clip(
            np.searchsorted(self.valleys_mm, inside, side="right") - 1, 0, len(self.depths_mm) - 1
        )
        start, stop = self.valleys_mm[index], self.valleys_mm[index + 1]
        t = np.clip((inside - start) / (stop - start), 0.0, 1.0)
        # a power of t moves the tip off the middle and keeps the valleys in place
        t = t ** (np.log(0.5) / np.log(0.5 + self.lean))
        height = self.depths_mm[index] * np.sin(np.pi * t) ** self.roundness
        if self.ripples:
            height = height + self.ripple_mm * np.abs(np.sin(np.pi * self.ripples * t)) ** 0.6
        return np.asarray(height)

    @property
    def reach_mm(self) -> float:
        """How far a picot stands outside the edge line."""
        return 1.55 * self.picot_mm + self.ripple_mm

    def tips_mm(self) -> Points:
        """Tips of one repeat, shape (k, 2): u, and height outside the valley line."""
        widths = np.diff(self.valleys_mm)
        heights = self.depths_mm + self.reach_mm
        return np.column_stack([self.valleys_mm[:-1] + (0.5 + self.lean) * widths, heights])

    def picots_mm(self) -> Points:
        """Centres of the loops of one repeat, shape (n, 2): u and height."""
        if self.picot_mm <= 0 or self.picots < 1:
            return np.empty((0, 2))
        centres = []
        for k in range(len(self.depths_mm)):
            start, stop = self.valleys_mm[k], self.valleys_mm[k + 1]
            fine = np.linspace(start, stop, 400)
            line = np.column_stack([fine, self.height_mm(fine)])
            line[-1, 1] = line[0, 1]
            arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
            tip_arc = float(np.interp(start + (0.5 + self.lean) * (stop - start), fine, arc))
            half = self.picots // 2
            left = np.linspace(tip_arc / (half + 0.7) * 0.7, tip_arc, half + 1)
            rest = arc[-1] - tip_arc
            right = np.linspace(tip_arc, arc[-1] - rest / (half + 0.7) * 0.7, half + 1)[1:]
            for at in np.concatenate([left, right]):
                here = np.array([np.interp(at, arc, line[:, 0]), np.interp(at, arc, line[:, 1])])
                step = 0.02 * (stop - start)
                flank = self.height_mm(np.array([here[0] - step, here[0] + step]))
                normal = np.array([-(flank[1] - flank[0]), 2 * step])
                if abs(at - tip_arc) < 1e-9:
                    normal = np.array([0.0, 1.0])
                centre = here + 0.55 * self.picot_mm * normal / np.hypot(*normal)
                # loops that would fill the notch of a valley are left away, as they are in lace
                clear = min(centre[0] - start, stop - centre[0]) > self.picot_mm + 0.45
                if clear or abs(at - tip_arc) < 1e-9:
                    centres.append(centre)
        return np.asarray(centres)


@dataclass(frozen=True)
class Ground:
    """What lies between the motifs.

    `size_mm` is the mesh (net: across the flats of a hole; bars: between bars) and
    `thread_mm` the thickness of its threads.
    """

    net: Net
    size_mm: float
    thread_mm: float
    turn_rad: float
    twist: float


@dataclass(frozen=True, eq=False)
class Pattern:
    """One repeat of a lace and all that is needed to draw any length of it.

    `edge_beads` are one run that goes on from repeat to repeat. `metal` is how much its thread
    shines, 0 for cotton or silk.
    """

    family: str
    repeat_mm: float
    width_mm: float
    lower: EdgeDesign
    upper: EdgeDesign
    placed: tuple[Placed, ...]
    ground: Ground
    symmetry: str
    colour: tuple[float, float, float]
    weave_mm: float
    relief: float
    edge_beads: Points = field(default_factory=_no_beads)
    metal: float = 0.0

    def body(self, from_mm: float, to_mm: float) -> Polygon:
        """Outline of the lace between two u, with its picots, as one polygon."""
        u = np.arange(from_mm, to_mm + 0.2, 0.4)
        # valleys are corners: they belong to the outline exactly
        for edge in (self.lower, self.upper):
            shifts = np.arange(
                np.floor(from_mm / self.repeat_mm) - 1, np.ceil(to_mm / self.repeat_mm) + 2
            )
            corners = (edge.valleys_mm[None, :] + shifts[:, None] * self.repeat_mm).ravel()
            u = np.union1d(u, corners[(corners > from_mm) & (corners < to_mm)])
        low = np.column_stack([u, -self.lower.height_mm(u)])
        high = np.column_stack([u, self.width_mm + self.upper.height_mm(u)])
        line = Polygon(np.concatenate([low, high[::-1]]))
        loops = [
            shapely.points(centre).buffer(radius, quad_segs=8)
            for centre, radius in self.picots(from_mm, to_mm)
        ]
        body = unary_union([shapely.make_valid(line), *loops])
        if isinstance(body, MultiPolygon):
            body = max(body.geoms, key=lambda piece: piece.area)
        return Polygon(body.exterior)

    def picots(self, from_mm: float, to_mm: float) -> list[tuple[Points, float]]:
        """Centres and radii of the loops between two u."""
        found: list[tuple[Points, float]] = []
        for edge, flip in ((self.lower, True), (self.upper, False)):
            for centre in edge.picots_mm():
                v = -centre[1] if flip else self.width_mm + centre[1]
                first = np.ceil((from_mm - centre[0]) / self.repeat_mm)
                for k in np.arange(first, (to_mm - centre[0]) / self.repeat_mm):
                    found.append((np.array([centre[0] + k * self.repeat_mm, v]), edge.picot_mm))
        return found

    def tips_valleys(self, side: str, from_mm: float, to_mm: float) -> tuple[Points, Points]:
        """Tips and valleys of one edge between two u, in order of u, as (u, v)."""
        edge = self.lower if side == "lower" else self.upper
        sign, base = (-1.0, 0.0) if side == "lower" else (1.0, self.width_mm)
        if not edge.scalloped:
            return np.empty((0, 2)), np.empty((0, 2))
        shifts = np.arange(
            np.floor(from_mm / self.repeat_mm) - 1, np.ceil(to_mm / self.repeat_mm) + 2
        )
        tips = edge.tips_mm()
        tip_u = (tips[None, :, 0] + shifts[:, None] * self.repeat_mm).ravel()
        tip_v = np.tile(base + sign * tips[:, 1], len(shifts))
        valley_u = (edge.valleys_mm[None, :-1] + shifts[:, None] * self.repeat_mm).ravel()
        keep_tip = (tip_u >= from_mm) & (tip_u <= to_mm)
        keep_valley = (valley_u >= from_mm) & (valley_u <= to_mm)
        valleys = np.column_stack([valley_u, np.full(len(valley_u), base)])[keep_valley]
        return np.column_stack([tip_u, tip_v])[keep_tip], valleys
