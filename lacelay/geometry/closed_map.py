"""The map between a photo and a lace that is closed in a ring."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from lacelay.geometry.photo_map import PhotoMap, Points

#: The axis is carried on past both its ends by this share of it.
_OVERLAP = 0.25


@dataclass(frozen=True, eq=False)
class ClosedMap(PhotoMap):
    """A `PhotoMap` whose axis comes round to its own first point.

    Frames as there. u runs once round, counter-clockwise on the mat, so v counts inwards; u
    below 0 or past the length goes on round. `mat_to_lace` gives u from 0 to the length.

    Raises
    ------
    ValueError
        When the last point of the axis is not its first.
    """

    _open: PhotoMap = field(init=False, repr=False)
    _before_mm: float = field(init=False, repr=False)

    def __post_init__(self) -> None:
        super().__post_init__()
        axis = self.axis_mat_mm
        if len(axis) < 9 or not np.allclose(axis[0], axis[-1], atol=1e-6 * self.length_mm):
            raise ValueError("the axis of a closed lace ends where it begins")
        more = max(2, round(_OVERLAP * len(axis)))
        round_about = np.concatenate([axis[-1 - more : -1], axis, axis[1 : 1 + more]])
        before = float(np.hypot(*np.diff(axis[-1 - more :], axis=0).T).sum())
        wide = PhotoMap(
            self.size_px,
            self.photo_to_mat,
            round_about,
            self.radial,
            self.centre_px,
            self.focal_px,
        )
        object.__setattr__(self, "_open", wide)
        object.__setattr__(self, "_before_mm", before)

    @property
    def length_mm(self) -> float:
        """Once round."""
        return float(self._axis_u_mm[-1])

    def lace_to_mat(self, lace_mm: Points) -> Points:
        """Where lace points lie on the mat, shape (n, 2) in mm."""
        lace = np.asarray(lace_mm, dtype=float).reshape(-1, 2)
        u = lace[:, 0] % self.length_mm + self._before_mm
        return self._open.lace_to_mat(np.column_stack([u, lace[:, 1]]))

    def mat_to_lace(self, mat_mm: Points) -> Points:
        """Where mat points lie on the lace, u from 0 to once round, shape (n, 2) in mm."""
        lace = self._open.mat_to_lace(mat_mm)
        return np.column_stack([(lace[:, 0] - self._before_mm) % self.length_mm, lace[:, 1]])
