"""What a cut costs where, as a periodic raster that guides paths.

The raster only guides: what a finished path costs is measured on it from the outlines
(`path_contents`), so that no figure depends on the raster's grain.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from lacelay.model.wishes import Limits, Weights
from lacelay.planning.strip import Strip

Values = NDArray[np.float64]
Points = NDArray[np.float64]
#: Grain of the raster.
CELL_MM = 0.5
#: Scissors do not follow an outline closer than this: there, net costs half as much again
#: as a motif does, so that a path keeps to the middle between motifs where it can.
OUTLINE_CARE_MM = 1.5


@dataclass(frozen=True, eq=False)
class CostField:
    """Minutes per mm of cut over one repeat of a strip.

    Parameters
    ----------
    strip : Strip
    b0_mm : float
        b of the middle of the first row; rows go inwards by `CELL_MM`.
    minutes_per_mm : ndarray, shape (rows, columns)
        Columns are even over the template and wrap round.
    """

    strip: Strip
    b0_mm: float
    minutes_per_mm: Values

    def at(self, a_mm: ArrayLike, b_mm: ArrayLike) -> Values:
        """Minutes per mm at points (a, b) of matching shapes; held beyond first and last row."""
        rows, columns = self.minutes_per_mm.shape
        a = (self.strip.into_template(a_mm) - self.strip.start_mm) / self.strip.period_mm * columns
        row = np.round((np.asarray(b_mm, dtype=float) - self.b0_mm) / CELL_MM).astype(int)
        column = np.floor(a).astype(int) % columns
        return np.asarray(self.minutes_per_mm[np.clip(row, 0, rows - 1), column])


def cost_field(strip: Strip, weights: Weights, limits: Limits, depth_mm: float) -> CostField:
    """Rasterise what the strip holds down to a depth from the valley line."""
    low = -strip.reach_mm - 2.0
    rows = int(np.ceil((depth_mm - low) / CELL_MM)) + 1
    columns = max(16, round(strip.period_mm / CELL_MM))
    per_mm_a = columns / strip.period_mm

    def pixels(points: Points) -> NDArray[np.int32]:
        x = (points[:, 0] - strip.start_mm) * per_mm_a - 0.5
        y = (points[:, 1] - low) / CELL_MM
        return np.round(np.stack([x, y], axis=1) * 16).astype(np.int32)

    motif = np.zeros((rows, columns), np.uint8)
    for polygon in _parts(strip.motifs, "Polygon"):
        cv2.fillPoly(motif, [pixels(np.asarray(polygon.exterior.coords))], 1, shift=4)
    cord = np.zeros((rows, columns), np.uint8)
    for line in _parts(strip.cords, "LineString"):
        cv2.polylines(cord, [pixels(np.asarray(line.coords))], False, 1, thickness=2, shift=4)
    beads = np.zeros((rows, columns))
    for a, b in strip.beads_mm:
        column = int((a - strip.start_mm) * per_mm_a) % columns
        row = round((b - low) / CELL_MM)
        if 0 <= row < rows:
            beads[row, column] += 1
    # A bead is in the way over its clearance; spread it there so that paths go round.
    near = _spread(beads, limits.bead_clearance_mm / CELL_MM)
    care = cv2.dilate(motif, np.ones((3, 3), np.uint8), iterations=round(OUTLINE_CARE_MM / CELL_MM))
    minutes = np.full((rows, columns), weights.net_mm)
    minutes += np.where((care > 0) & (motif == 0), 0.1 * weights.motif_mm, 0.0)
    minutes += weights.motif_mm * motif + weights.cord_mm * cord + weights.bead * near
    return CostField(strip, low, minutes)


def path_contents(strip: Strip, path_mm: Points, limits: Limits) -> tuple[float, float, float, int]:
    """Measure a path on the outlines.

    Parameters
    ----------
    strip : Strip
    path_mm : ndarray, shape (n, 2)
        Strip frame.
    limits : Limits
        For the clearance of beads.

    Returns
    -------
    net_mm, motif_mm, cord_mm : float
        Length through net; through motifs; and along or across cords (each crossing counts
        as 1 mm of cord, running within half a millimetre of one counts in full).
    beads : int
        Beads nearer than the clearance.
    """
    shift = float(path_mm[:, 0].mean() - strip.into_template(path_mm[:, 0].mean()))
    line = shapely.LineString(path_mm - [shift, 0.0])
    motif = float(line.intersection(strip.motifs).length)
    cord = float(line.intersection(strip.cords_wide).length)
    beads = strip.beads_mm
    if len(beads):
        every = np.vstack([beads + [k * strip.period_mm, 0.0] for k in (-1, 0, 1)])
        near = shapely.distance(shapely.points(every), line) <= limits.bead_clearance_mm
        count = int(near.sum())
    else:
        count = 0
    return float(line.length) - motif, motif, cord, count


def path_minutes(contents: tuple[float, float, float, int], weights: Weights) -> float:
    """Minutes that a path's own contents cost."""
    net, motif, cord, beads = contents
    return (
        weights.net_mm * net
        + weights.motif_mm * motif
        + weights.cord_mm * cord
        + weights.bead * beads
    )


def _parts(shape: shapely.Geometry, kind: str) -> list[shapely.Geometry]:
    parts = shapely.get_parts(shape)
    return [part for part in parts if part.geom_type == kind and not part.is_empty]


def _spread(counts: Values, radius_cells: float) -> Values:
    if not counts.any():
        return counts
    r = int(np.ceil(radius_cells))
    y, x = np.mgrid[-r : r + 1, -r : r + 1]
    disc = ((x**2 + y**2) <= radius_cells**2).astype(float) / (2 * radius_cells * CELL_MM)
    wrapped = np.hstack([counts[:, -r:], counts, counts[:, :r]])
    spread = cv2.filter2D(wrapped, -1, disc, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(spread[:, r:-r], dtype=np.float64)
