"""The map of a lace bent into a closed ring."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lacelay.geometry.photo_map import PhotoMap, Points


@dataclass(frozen=True, eq=False)
class RingMap(PhotoMap):
    """A lace laid in a circle, its lower edge outside; u runs counter-clockwise.

    Frames as in `PhotoMap`. `v` is the distance inwards from the circle of the lower valley
    line, so a length along the lace keeps its measure there only, as in a gathered ring.

    Parameters
    ----------
    middle_mm : tuple of float
        Centre of the circle on the mat.
    radius_mm : float
    start_rad : float
        Where u = 0 lies, as an angle in the mat frame.
    """

    middle_mm: tuple[float, float] = (0.0, 0.0)
    radius_mm: float = 1.0
    start_rad: float = 0.0

    def lace_to_mat(self, lace_mm: Points) -> Points:
        """Where lace points lie on the mat, shape (n, 2) in mm."""
        lace = np.asarray(lace_mm, dtype=float).reshape(-1, 2)
        angle = self.start_rad + lace[:, 0] / self.radius_mm
        out = (self.radius_mm - lace[:, 1])[:, None]
        return np.asarray(
            np.asarray(self.middle_mm) + out * np.column_stack([np.cos(angle), np.sin(angle)])
        )

    def mat_to_lace(self, mat_mm: Points) -> Points:
        """Where mat points lie on the lace, u from 0 to once round, shape (n, 2) in mm."""
        off = np.asarray(mat_mm, dtype=float).reshape(-1, 2) - np.asarray(self.middle_mm)
        angle = (np.arctan2(off[:, 1], off[:, 0]) - self.start_rad) % (2 * np.pi)
        return np.column_stack([angle * self.radius_mm, self.radius_mm - np.hypot(*off.T)])
