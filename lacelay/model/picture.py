"""The lace's own picture: straightened, cut out of its background, at true scale."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class LacePicture:
    """Straightened lace, cut out of its background, in the lace frame.

    Parameters
    ----------
    rgba : ndarray of uint8, shape (h, w, 4)
        Row 0 is the highest v: rows go down, v decreases. Red, green and blue are the
        lace's own colour, the mat's share taken out as well as can be; alpha is how much
        the lace covers there (net is translucent).
    px_per_mm : float
        Resolution of the picture.
    u0_mm, v0_mm : float
        u of the centre of column 0 and v of the centre of row 0.
    """

    rgba: NDArray[np.uint8]
    px_per_mm: float
    u0_mm: float
    v0_mm: float

    def __post_init__(self) -> None:
        if self.rgba.ndim != 3 or self.rgba.shape[2] != 4 or self.rgba.dtype != np.uint8:
            raise ValueError("rgba must be uint8 of shape (h, w, 4)")
        if not (self.px_per_mm > 0 and np.isfinite([self.u0_mm, self.v0_mm]).all()):
            raise ValueError("a picture has a positive resolution and a finite origin")

    def lace_to_picture(self, lace_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Where lace points (u, v) appear, shape (n, 2): (column, row) in pixels."""
        lace = np.asarray(lace_mm, dtype=float).reshape(-1, 2)
        columns = (lace[:, 0] - self.u0_mm) * self.px_per_mm
        rows = (self.v0_mm - lace[:, 1]) * self.px_per_mm
        return np.stack([columns, rows], axis=1)

    def picture_to_lace(self, picture_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Lace points (u, v) of picture points (column, row), shape (n, 2) in mm."""
        pixels = np.asarray(picture_px, dtype=float).reshape(-1, 2)
        u = self.u0_mm + pixels[:, 0] / self.px_per_mm
        v = self.v0_mm - pixels[:, 1] / self.px_per_mm
        return np.stack([u, v], axis=1)
