"""The map between a photo and the lace lying in it.

Frames
------
photo : (x_px, y_px), x right, y down, in the upright photo; (0, 0) is the centre of its
    top-left pixel.
mat : (x_mm, y_mm), y up, the plane the lace lies on.
lace : (u_mm, v_mm), u along the length from its left end, v across it from the valley
    line of its lower edge (from the lower edge itself where that is straight).

Shapes: n points are arrays (n, 2).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class PhotoMap:
    """Photo pixels to mat millimetres to lace millimetres, and back.

    Parameters
    ----------
    size_px : tuple of int
        Width and height of the upright photo.
    photo_to_mat : ndarray, shape (3, 3)
        Homography from photo pixels, lens distortion removed, to mat millimetres.
    axis_mat_mm : ndarray, shape (n, 2), n >= 2
        The line v = 0 in the mat frame, from u = 0 on; straight for a lace that lies
        straight, a polyline for one that bows. Extended straight beyond its ends.
    radial : tuple of float
        k1, k2 of the radial distortion x' = x (1 + k1 r^2 + k2 r^4), with r the distance
        from `centre_px` in units of `focal_px`; x is the ideal point, x' the photo's.
    centre_px : tuple of float
        Centre of distortion.
    focal_px : float
        Unit of r.
    """

    size_px: tuple[int, int]
    photo_to_mat: Points
    axis_mat_mm: Points
    radial: tuple[float, float] = (0.0, 0.0)
    centre_px: tuple[float, float] = (0.0, 0.0)
    focal_px: float = 1.0
    _axis_u_mm: Points = field(init=False, repr=False)

    def __post_init__(self) -> None:
        homography = np.asarray(self.photo_to_mat, dtype=float)
        axis = np.asarray(self.axis_mat_mm, dtype=float)
        if homography.shape != (3, 3) or abs(np.linalg.det(homography)) < 1e-18:
            raise ValueError("photo_to_mat must be an invertible (3, 3) array")
        if axis.ndim != 2 or axis.shape[1] != 2 or len(axis) < 2:
            raise ValueError("axis_mat_mm must be (n, 2) with n >= 2")
        steps = np.hypot(*np.diff(axis, axis=0).T)
        if not np.all(steps > 0):
            raise ValueError("axis_mat_mm repeats a point")
        object.__setattr__(self, "photo_to_mat", homography)
        object.__setattr__(self, "axis_mat_mm", axis)
        object.__setattr__(self, "_axis_u_mm", np.concatenate([[0.0], np.cumsum(steps)]))

    def mat_to_photo(self, mat_mm: Points) -> Points:
        """Where points of the mat appear, shape (n, 2) in pixels."""
        return self._distort(
            _project(np.asarray(np.linalg.inv(self.photo_to_mat), dtype=np.float64), mat_mm)
        )

    def photo_to_mat_mm(self, photo_px: Points) -> Points:
        """Where photo points lie on the mat, shape (n, 2) in mm."""
        return _project(self.photo_to_mat, self._undistort(photo_px))

    def lace_to_mat(self, lace_mm: Points) -> Points:
        """Where lace points lie on the mat: along the axis, then off it at right angles."""
        lace = np.asarray(lace_mm, dtype=float).reshape(-1, 2)
        index = np.clip(
            np.searchsorted(self._axis_u_mm, lace[:, 0], side="right") - 1,
            0,
            len(self.axis_mat_mm) - 2,
        )
        start, along = self.axis_mat_mm[index], self._along[index]
        # A bend turns smoothly: the direction across the lace is interpolated between the
        # middles of the axis segments, so that no line across the lace is skipped or doubled.
        across = self._across(lace[:, 0])
        return (
            start
            + (lace[:, 0] - self._axis_u_mm[index])[:, None] * along
            + lace[:, 1][:, None] * across
        )

    def lace_to_photo(self, lace_mm: Points) -> Points:
        """Where lace points appear in the photo, shape (n, 2) in pixels."""
        return self.mat_to_photo(self.lace_to_mat(lace_mm))

    def mat_to_lace(self, mat_mm: Points) -> Points:
        """Where mat points lie on the lace, shape (n, 2) in mm."""
        mat = np.asarray(mat_mm, dtype=float).reshape(-1, 2)
        best = np.full(len(mat), np.inf)
        lace = np.zeros_like(mat)
        last = len(self._along) - 1
        for k, (start, along) in enumerate(zip(self.axis_mat_mm[:-1], self._along, strict=True)):
            offset = mat - start
            t = offset @ along
            span = self._axis_u_mm[k + 1] - self._axis_u_mm[k]
            held = np.clip(t, -np.inf if k == 0 else 0.0, np.inf if k == last else span)
            distance = np.hypot(*(offset - held[:, None] * along).T)
            nearer = distance < best
            best[nearer] = distance[nearer]
            across = offset @ np.array([-along[1], along[0]])
            lace[nearer] = np.stack([self._axis_u_mm[k] + held, across], axis=1)[nearer]
        for _ in range(6):  # the smooth direction across makes this an implicit equation
            miss = mat - self.lace_to_mat(lace)
            across = self._across(lace[:, 0])
            along = np.stack([across[:, 1], -across[:, 0]], axis=1)
            lace = lace + np.stack([(miss * along).sum(1), (miss * across).sum(1)], axis=1)
        return lace

    def photo_to_lace(self, photo_px: Points) -> Points:
        """Where photo points lie on the lace, shape (n, 2) in mm."""
        return self.mat_to_lace(self.photo_to_mat_mm(photo_px))

    @property
    def _along(self) -> Points:
        steps = np.diff(self.axis_mat_mm, axis=0)
        return np.asarray(steps / np.hypot(*steps.T)[:, None], dtype=np.float64)

    def _across(self, u_mm: Points) -> Points:
        middles = (self._axis_u_mm[:-1] + self._axis_u_mm[1:]) / 2
        headings = np.unwrap(np.arctan2(self._along[:, 1], self._along[:, 0]))
        heading = np.interp(u_mm, middles, headings)
        return np.stack([-np.sin(heading), np.cos(heading)], axis=1)

    def _distort(self, ideal_px: Points) -> Points:
        centred = (ideal_px - np.asarray(self.centre_px)) / self.focal_px
        r2 = (centred**2).sum(axis=1, keepdims=True)
        k1, k2 = self.radial
        scaled: Points = ideal_px + centred * (k1 * r2 + k2 * r2**2) * self.focal_px
        return scaled

    def _undistort(self, photo_px: Points) -> Points:
        photo = np.asarray(photo_px, dtype=float).reshape(-1, 2)
        ideal = photo.copy()
        for _ in range(20):  # fixed point: contracts while distortion stays mild
            ideal = ideal + (photo - self._distort(ideal))
        return ideal


def _project(homography: Points, points: Points) -> Points:
    plain = np.asarray(points, dtype=float).reshape(-1, 2)
    moved = np.column_stack([plain, np.ones(len(plain))]) @ homography.T
    projected: Points = np.asarray(moved[:, :2] / moved[:, 2:], dtype=np.float64)
    return projected
