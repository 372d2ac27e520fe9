"""Tables of what each candidate cut laps and bares by its turn, from polygons.

In closed form the two sides of a cut enclose the area of the figure of their ends. What
that leaves out depends on the lace near the cut and hardly on anything else: scallops
beside a valley that slide over each other, a border line that does not run square to the
path, a path that bends. It is measured once for each candidate, on polygons, over a grid
of turns, and added to the closed form.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from lacelay.planning.border_line import BorderLine
from lacelay.planning.cut_paths import CutPath

Values = NDArray[np.float64]
Points = NDArray[np.float64]
#: Turns at which the tables are made.
TURNS_RAD = np.deg2rad(np.arange(-60.0, 60.1, 4.0))
#: Lace to each side of a cut that can lie over the other side.
BESIDE_MM = 70.0


def wedge_tables(
    line: BorderLine, path: CutPath, turn_mm: Points, *, through: bool
) -> tuple[Values, Values]:
    """Lap and opening beyond the closed form, mm2, at each of `TURNS_RAD`.

    Parameters
    ----------
    line : BorderLine
    path : CutPath
    turn_mm : ndarray, shape (2,)
        What the cut turns about.
    through : bool
        Whether it is cut right through; if not, what lies outwards of the turning point
        stays one lace and does not count.
    """
    sides = np.vstack([path.outline_mm, path.path_mm]) if through else path.path_mm
    left, right = (_beside(line, path, sign) for sign in (-1, 1))
    kept = _inwards_of(turn_mm) if not through else None
    laps, bares = [], []
    for turn in TURNS_RAD:
        moved = _turned(right, turn_mm, turn)
        lap = left.intersection(moved)
        if kept is not None:
            lap = lap.intersection(kept).intersection(_turned(kept, turn_mm, turn))
        wedge = shapely.make_valid(
            shapely.Polygon(np.vstack([sides, _turn(sides, turn_mm, turn)[::-1]]))
        )
        bare = wedge.difference(shapely.union(left, moved))
        closed_lap, closed_bare = _closed(sides, turn_mm, turn, through=through)
        laps.append(lap.area - closed_lap)
        bares.append(bare.area - closed_bare)
    return np.array(laps), np.array(bares)


def _beside(line: BorderLine, path: CutPath, sign: int) -> shapely.Geometry:
    """The border on one side of a path, from outline to border line."""
    strip = line.field.strip
    boundary = np.vstack([path.outline_mm, path.path_mm])
    inner_a = boundary[-1, 0] + sign * np.arange(0.5, BESIDE_MM, 0.5)
    outer_a = boundary[0, 0] + sign * np.arange(BESIDE_MM, 0.0, -0.5)
    ring = np.vstack(
        [
            boundary,
            np.stack([inner_a, line.b(inner_a)], axis=1),
            np.stack([outer_a, strip.outline_b(outer_a)], axis=1),
        ]
    )
    return shapely.Polygon(ring).buffer(0)


def _inwards_of(turn_mm: Points) -> shapely.Geometry:
    a, b = turn_mm
    return shapely.box(a - 3 * BESIDE_MM, b, a + 3 * BESIDE_MM, b + 4 * BESIDE_MM)


def _turn(points: Points, about: Points, turn: float) -> Points:
    cos, sin = np.cos(turn), np.sin(turn)
    turned: Points = (points - about) @ np.array([[cos, sin], [-sin, cos]]) + about
    return turned


def _turned(shape: shapely.Geometry, about: Points, turn: float) -> shapely.Geometry:
    return shapely.transform(shape, lambda points: _turn(points, about, turn))


def _closed(sides: Points, about: Points, turn: float, *, through: bool) -> tuple[float, float]:
    """Lap and opening of a pure turn in closed form: half r^2 sin(turn) at each end."""
    inner = float(np.sum((sides[-1] - about) ** 2)) * np.sin(turn) / 2
    outer = -float(np.sum((sides[0] - about) ** 2)) * np.sin(turn) / 2 if through else 0.0
    return max(inner, 0.0) + max(outer, 0.0), max(-inner, 0.0) + max(-outer, 0.0)
