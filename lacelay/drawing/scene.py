"""A drawing in millimetres with no output format in it.

A scene is made once from a plan; what paints it on pixels (`raster`) or on paper (`vector`)
is told only the role of each shape and looks up how that role looks in `style`.

Shapes: n points are arrays (n, 2), x to the right and y up, in mm of the frame that the
scene is made in (garment or lace).
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lacelay.drawing.style import Role

Points = NDArray[np.float64]
Bounds = tuple[float, float, float, float]
#: A change of frame or of scale, points to points.
Mapping = Callable[[Points], Points]


@dataclass(frozen=True, eq=False)
class Area:
    """A closed outline, shape (n, 2), first point not repeated."""

    points_mm: Points
    role: Role


@dataclass(frozen=True, eq=False)
class Line:
    """A polyline, shape (n, 2)."""

    points_mm: Points
    role: Role
    closed: bool = False


@dataclass(frozen=True, eq=False)
class Cross:
    """A cross at one point, shape (1, 2); its size belongs to its role."""

    points_mm: Points
    role: Role


@dataclass(frozen=True, eq=False)
class Dot:
    """A round mark at one point, shape (1, 2), of its own diameter."""

    points_mm: Points
    role: Role
    diameter_mm: float


@dataclass(frozen=True, eq=False)
class Label:
    """Words centred on one point, shape (1, 2), turned by `angle_rad`."""

    points_mm: Points
    role: Role
    text: str
    angle_rad: float = 0.0


Shape = Area | Line | Cross | Dot | Label


@dataclass(frozen=True, eq=False)
class Scene:
    """Shapes in the order in which they are painted."""

    name: str
    shapes: Sequence[Shape]

    def bounds_mm(self, *, without: Sequence[Role] = ()) -> Bounds:
        """Least and largest x and y of all points: (x0, y0, x1, y1)."""
        kept = [shape.points_mm for shape in self.shapes if shape.role not in without]
        points = np.concatenate(kept)
        (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
        return float(x0), float(y0), float(x1), float(y1)

    def mapped(self, mapping: Mapping) -> Scene:
        """Return the scene with every point moved by `mapping`."""
        moved = [replace(shape, points_mm=mapping(shape.points_mm)) for shape in self.shapes]
        return Scene(self.name, tuple(moved))

    def of(self, *roles: Role) -> tuple[Shape, ...]:
        """Return the shapes of these roles."""
        return tuple(shape for shape in self.shapes if shape.role in roles)

    def without(self, *roles: Role) -> Scene:
        """Return the scene less the shapes of these roles."""
        return Scene(self.name, tuple(s for s in self.shapes if s.role not in roles))


def point(x_mm: float, y_mm: float) -> Points:
    """One point as shapes hold it, shape (1, 2)."""
    return np.array([[x_mm, y_mm]], dtype=np.float64)


def densified(points_mm: Points, step_mm: float, *, closed: bool = False) -> Points:
    """Points along a polyline no further apart than a step, the given ones kept."""
    points = np.asarray(points_mm, dtype=np.float64)
    if closed:
        points = np.concatenate([points, points[:1]])
    pieces = [points[:1]]
    for a, b in itertools.pairwise(points):
        n = max(1, int(np.ceil(np.hypot(*(b - a)) / step_mm)))
        pieces.append(a + (b - a) * (np.arange(1, n + 1) / n)[:, None])
    dense = np.concatenate(pieces)
    return dense[:-1] if closed else dense


def dashes(points_mm: Points, pattern_mm: Sequence[float]) -> list[Points]:
    """Cut a polyline into dashes: lengths of line and of gap in turn, from its start."""
    points = np.asarray(points_mm, dtype=np.float64)
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    if s[-1] <= 0:
        return []
    turns = int(np.ceil(s[-1] / sum(pattern_mm))) + 1
    ends = np.concatenate([[0.0], np.cumsum(np.tile(pattern_mm, turns))])
    pieces = []
    for a, b in zip(ends[0:-1:2], ends[1::2], strict=False):
        if a >= s[-1]:
            break
        b = min(float(b), float(s[-1]))
        inside = (s > a) & (s < b)
        stops = np.concatenate([[a], s[inside], [b]])
        pieces.append(np.stack([np.interp(stops, s, points[:, k]) for k in (0, 1)], axis=1))
    return pieces


def hatching(outline_mm: Points, step_mm: float, angle_rad: float = np.pi / 4) -> list[Points]:
    """Parallel lines that fill an outline, each shape (2, 2)."""
    import shapely

    area = shapely.make_valid(shapely.Polygon(outline_mm))
    if area.is_empty:
        return []
    x0, y0, x1, y1 = area.bounds
    along = np.array([np.cos(angle_rad), np.sin(angle_rad)])
    across = np.array([-along[1], along[0]])
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    t, h = corners @ along, corners @ across
    heights = np.arange(np.ceil(h.min() / step_mm), np.floor(h.max() / step_mm) + 1) * step_mm
    if not len(heights):
        return []
    starts = t.min() * along + heights[:, None] * across
    stops = t.max() * along + heights[:, None] * across
    cut = shapely.intersection(shapely.linestrings(np.stack([starts, stops], axis=1)), area)
    parts = shapely.get_parts(cut)
    return [
        shapely.get_coordinates(part)
        for part in parts
        if part.geom_type == "LineString" and not part.is_empty
    ]
