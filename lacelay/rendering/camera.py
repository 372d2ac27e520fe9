"""Where a phone was held: the map from photo to mat to lace of one rendered photo."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from lacelay.geometry.photo_map import PhotoMap, Points
from lacelay.rendering.difficulty import Difficulty

#: Focal length of a phone's main camera over the width of its picture.
FOCAL_PER_WIDTH = 0.76


def homography_photo_to_mat(
    size_px: tuple[int, int],
    px_per_mm: float,
    aim_mm: Points,
    turn_rad: float,
    tilt_rad: float,
    tilt_towards_rad: float,
) -> Points:
    """Homography of a pinhole camera above the mat.

    Parameters
    ----------
    size_px : tuple of int
        Width and height of the photo.
    px_per_mm : float
        At the aim.
    aim_mm : ndarray, shape (2,)
        Mat point in the middle of the photo.
    turn_rad : float
        Photo's x axis in the mat, counter-clockwise.
    tilt_rad, tilt_towards_rad : float
        Angle between optical axis and the mat's normal, and the way it leans.

    Returns
    -------
    ndarray, shape (3, 3)
    """
    focal = FOCAL_PER_WIDTH * size_px[0]
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    about_z = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    axis = np.array([np.cos(tilt_towards_rad), np.sin(tilt_towards_rad), 0.0])
    cross = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    tilt = np.eye(3) + np.sin(tilt_rad) * cross + (1 - np.cos(tilt_rad)) * cross @ cross
    rotation = about_z @ tilt
    position = np.array([*aim_mm, 0.0]) + rotation @ np.array([0, 0, focal / px_per_mm])
    cx, cy = (size_px[0] - 1) / 2, (size_px[1] - 1) / 2
    inner = np.array([[focal, 0, -cx], [0, -focal, -cy], [0, 0, -1.0]])
    outer = rotation.T @ np.column_stack([np.eye(3)[:, :2], -position])
    back = np.linalg.inv(inner @ outer)
    return np.asarray(back / back[2, 2], dtype=np.float64)


def bowed_axis(
    middle_mm: Points, heading_rad: float, from_mm: float, to_mm: float, bow_mm: float
) -> Points:
    """A slightly bowed line as a polyline, shape (n, 2).

    Parameters
    ----------
    middle_mm : ndarray, shape (2,)
        Mat point at arc length 0, where the line has its heading.
    heading_rad : float
    from_mm, to_mm : float
        Arc length of both ends, from the middle.
    bow_mm : float
        Sagitta over 400 mm, positive where the ends bend to the left.
    """
    curvature = 8 * bow_mm / 400.0**2
    count = max(2, int((to_mm - from_mm) / 12))
    arc = np.linspace(from_mm, to_mm, count + 1)
    inner = (arc[:-1] + arc[1:]) / 2
    heading = heading_rad + curvature * inner
    step = np.diff(arc)[:, None] * np.column_stack([np.cos(heading), np.sin(heading)])
    line = np.concatenate([np.zeros((1, 2)), np.cumsum(step, axis=0)])
    at_middle = np.array([np.interp(0.0, arc, line[:, 0]), np.interp(0.0, arc, line[:, 1])])
    return np.asarray(line - at_middle + middle_mm, dtype=np.float64)


def photo_map(
    size_px: tuple[int, int],
    homography: Points,
    axis_mm: Points,
    difficulty: Difficulty,
    k1_sign: float,
) -> PhotoMap:
    """The whole map, with the lens."""
    centre = ((size_px[0] - 1) / 2, (size_px[1] - 1) / 2)
    return PhotoMap(
        size_px, homography, axis_mm, (k1_sign * difficulty.lens_k1, 0.0), centre,
        FOCAL_PER_WIDTH * size_px[0],
    )  # fmt: skip


def border_points(size_px: tuple[int, int], per_side: int = 40) -> Points:
    """Points round the border of a photo, in pixels, counter-clockwise as seen."""
    w, h = size_px[0] - 0.5, size_px[1] - 0.5
    t = np.linspace(0, 1, per_side, endpoint=False)
    low, low_y = -0.5, -0.5
    corners = np.array([[low, h], [w, h], [w, low_y], [low, low_y], [low, h]])
    return np.concatenate([a + t[:, None] * (b - a) for a, b in pairwise(corners)])


def spread_map(
    values: NDArray[np.float64], size_px: tuple[int, int], step_px: int
) -> NDArray[np.float32]:
    """Fill a map known at every `step_px`-th pixel, straight between, shape (h, w)."""

    def weights(count: int, cells: int) -> NDArray[np.float32]:
        at = np.arange(count) / step_px
        index = np.minimum(at.astype(int), cells - 2)
        matrix = np.zeros((count, cells), np.float32)
        matrix[np.arange(count), index] = 1 - (at - index)
        matrix[np.arange(count), index + 1] = at - index
        return matrix

    rows = weights(size_px[1], values.shape[0])
    columns = weights(size_px[0], values.shape[1])
    # the mean is taken off so that 32-bit numbers keep hundredths of a pixel
    middle = float(values.mean())
    return np.asarray(rows @ (values - middle).astype(np.float32) @ columns.T + middle, np.float32)
