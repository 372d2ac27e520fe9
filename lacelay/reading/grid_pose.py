"""One homography, and the lens, fitted to stretches of a grid's lines that were measured.

Stretches that lace or print hides are thrown out by their residual; a count of lines that
slipped across the lace is put right.

Frames: photo points (x, y) in pixels, y down; grid points (i, j), one unit to a printed line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lacelay.reading.grid_lines import FEWEST_STRETCHES, Pose, Stretches, inverse

Floats = NDArray[np.float64]

#: Below this many measured stretches lens distortion is left out of the fit.
FEWEST_FOR_LENS = 240
#: Most stretches the fit itself uses.
MOST_FITTED = 1500
#: Most rounds of one fit.
MOST_TURNS = 9


@dataclass(frozen=True, eq=False)
class Fitted:
    """A pose, the stretches measured by it, which of them were kept, and how well they fit."""

    pose: Pose
    stretches: Stretches
    kept: NDArray[np.bool_]
    residual: float
    spread: float

    @property
    def square(self) -> float:
        """How far its cells are from square, as a share."""
        return squareness(inverse(self.pose.photo_to_grid), self.pose.centre_px, self.pose.focal_px)

    @property
    def step_px(self) -> float:
        """One step at the middle of the stretches kept, px."""
        return self.pose.step_px(np.median(self.stretches.point_px[self.kept], axis=0))

    @property
    def is_grid(self) -> bool:
        """Near enough to its lines, and enough of these both ways."""
        return self.is_near and _enough_lines(self.stretches, self.kept)

    @property
    def is_near(self) -> bool:
        """Near enough to its lines."""
        return self.residual <= max(0.02 * self.step_px, 0.6)


def squareness(grid_to_photo: Floats, centre_px: tuple[float, float], focal_px: float) -> float:
    """How far cells are from square, as a share, for the likeliest lens.

    Parameters
    ----------
    grid_to_photo : ndarray, shape (3, 3)
    centre_px : tuple of float
        Principal point.
    focal_px : float
        Longer side of the photo; lenses of 0.6 to 3 times that are thought of.
    """
    centred = np.array([[1, 0, -centre_px[0]], [0, 1, -centre_px[1]], [0, 0, 1.0]]) @ grid_to_photo
    times = np.geomspace(0.6, 3.0, 15) * focal_px
    one = np.stack([centred[0, 0] / times, centred[1, 0] / times, np.full(15, centred[2, 0])])
    two = np.stack([centred[0, 1] / times, centred[1, 1] / times, np.full(15, centred[2, 1])])
    long, wide = np.linalg.norm(one, axis=0), np.linalg.norm(two, axis=0)
    askew = (one * two).sum(axis=0) / (long * wide)
    return float(np.hypot(np.log(long / wide), askew).min())


def unslipped(fitted: Fitted) -> Fitted:
    """Undo a slip by one line across the lace, which shows as cells that are not square.

    Under lace few lines are seen; a count that slips there fits as well as the right one, by
    a camera that no one has.
    """
    worst = fitted.square
    if worst < 0.006:
        return fitted
    pose, stretches, kept = fitted.pose, fitted.stretches, fitted.kept
    for family in (0, 1):
        own = kept & (stretches.family == family)
        numbers, counts = np.unique(stretches.line[own], return_counts=True)
        if len(numbers) < 6:
            continue
        every = np.arange(numbers.min(), numbers.max() + 1)
        seen = np.zeros(len(every))
        seen[(numbers - numbers.min()).astype(int)] = counts
        level = np.convolve(np.pad(seen, 1, mode="edge"), np.ones(3) / 3, mode="valid")
        middle = every[2 + int(np.argmin(level[2:-2]))]
        for slip in (-2, -1, 1, 2):
            moved = np.where((stretches.family == family) & (stretches.line > middle), slip, 0.0)
            near = (stretches.family == family) & (np.abs(stretches.line - middle) <= 1)
            trial = replace(
                stretches,
                point_px=stretches.point_px[~near],
                family=stretches.family[~near],
                line=(stretches.line + moved)[~near],
                mass=stretches.mass[~near],
            )
            # The pose that these numbers ask for, not the slipped one, starts the fit.
            start = _pose_from(trial, kept[~near], pose)
            again = fit_pose(trial, start, True)
            if again is None:
                continue
            enough = again.kept.sum() > 0.8 * kept.sum()
            alike = again.residual < 1.5 * fitted.residual + 0.1
            if again.square < 0.5 * worst and enough and alike:
                whole = np.zeros(len(kept), bool)
                whole[np.flatnonzero(~near)[again.kept]] = True
                numbered = replace(stretches, line=stretches.line + moved)
                return replace(again, stretches=numbered, kept=whole)
    return fitted


def _pose_from(stretches: Stretches, kept: NDArray[np.bool_], pose: Pose) -> Pose:
    """The linear homography of the stretches kept, lens as before."""
    unit = Pose(np.eye(3), pose.k1, pose.centre_px, pose.focal_px)
    x, y = (unit.to_grid(stretches.point_px[kept]) - pose.centre_px).T / pose.focal_px
    line, first = stretches.line[kept], stretches.family[kept] == 0
    zero, one = np.zeros_like(x), np.ones_like(x)
    top = np.stack([x, y, one, zero, zero, zero], -1)
    low = np.stack([zero, zero, zero, x, y, one], -1)
    rows = np.where(first[:, None], top, low)
    rows = np.concatenate([rows, -line[:, None] * np.stack([x, y, one], -1)], axis=1)
    # Only a start for the fit: the normal matrix is exact enough.
    matrix = np.linalg.eigh(rows.T @ rows)[1][:, 0].reshape(3, 3)
    scale = np.diag([1 / pose.focal_px, 1 / pose.focal_px, 1.0])
    shift = np.array([[1, 0, -pose.centre_px[0]], [0, 1, -pose.centre_px[1]], [0, 0, 1.0]])
    whole = matrix @ scale @ shift
    return Pose(whole / whole[2, 2], pose.k1, pose.centre_px, pose.focal_px)


def fit_pose(stretches: Stretches, pose: Pose, lens: bool) -> Fitted | None:
    """Least squares with outliers weighted out."""
    points, family, line = stretches.point_px, stretches.family, stretches.line
    if len(line) > MOST_FITTED:
        # Fifteen hundred stretches fix nine numbers; the rest are only judged.
        chosen = np.random.default_rng(3).permutation(len(line))[:MOST_FITTED]
        points, family, line = points[chosen], family[chosen], line[chosen]
    step = pose.step_px(np.median(points, axis=0))
    kept = np.ones(len(points), bool)
    residual, normal, limit = np.zeros(len(points)), np.eye(9), 0.0
    lens = lens and len(points) >= FEWEST_FOR_LENS
    free = 9 if lens else 8
    parameters = np.append((pose.photo_to_grid / pose.photo_to_grid[2, 2]).ravel()[:8], pose.k1)
    scale = np.array([1 / step, 1 / step, 1, 1 / step, 1 / step, 1, 1e-6, 1e-6, 1e-3])[:free]
    for turn in range(MOST_TURNS):
        place, jacobian = _places(_pose_of(parameters, pose), points, family == 0)
        residual = place - line
        size = 1.4826 * float(np.median(np.abs(residual[kept]))) if turn else 0.1
        limit = max(3.5 * size, 0.2 / step, 0.25 * 0.5**turn)
        kept = np.abs(residual) < limit
        if kept.sum() < FEWEST_STRETCHES:
            return None
        weight = np.where(kept, (1 - (residual / limit) ** 2) ** 2, 0.0)
        jacobian = jacobian[:, :free] * scale
        normal = jacobian.T @ (weight[:, None] * jacobian)
        try:
            delta = np.linalg.solve(normal, -jacobian.T @ (weight * residual))
        except np.linalg.LinAlgError:  # the stretches fix no homography
            return None
        parameters[:free] += delta * scale
        # As good as there: the last step moved no place by a ten thousandth of a pixel.
        if turn > 3 and float(np.abs(jacobian @ delta).max()) * step < 1e-4:
            break
    rms = float(np.sqrt(np.mean(residual[kept] ** 2)))
    covariance = np.asarray(np.linalg.pinv(normal) * rms**2, dtype=np.float64)
    now = _pose_of(parameters, pose)
    off = _places(now, stretches.point_px, stretches.family == 0)[0] - stretches.line
    kept = np.abs(off) < limit
    if not kept.any():
        return None
    rms = float(np.sqrt(np.mean(off[kept] ** 2)))
    step = now.step_px(np.median(stretches.point_px[kept], axis=0))
    # Twice a cell is not twice the evidence: neighbouring stretches share their error.
    spread = 2.0 * float(np.sqrt(max(covariance[0, 0], covariance[4, 4])))
    return Fitted(now, stretches, kept, rms * step, spread)


def _pose_of(parameters: Floats, pose: Pose) -> Pose:
    matrix = np.append(parameters[:8], 1.0).reshape(3, 3)
    return Pose(matrix, float(parameters[8]), pose.centre_px, pose.focal_px)


def _places(now: Pose, points: Floats, first: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Where points lie across their lines, and its change with homography and lens, (n, 9).

    `first`: which points lie on lines of constant i.
    """
    x, y = now.ideal(points)
    m = now.photo_to_grid
    below = m[2, 0] * x + m[2, 1] * y + m[2, 2]
    one = np.where(first, 1.0, 0.0)
    # The row of the matrix that tells each place.
    a, b, c = (np.where(first, m[0, k], m[1, k]) for k in range(3))
    place = (a * x + b * y + c) / below
    out = np.empty((len(x), 9))
    for k, value in enumerate((x / below, y / below, 1 / below)):
        out[:, k] = one * value
        out[:, 3 + k] = (1 - one) * value
        if k < 2:
            out[:, 6 + k] = -place * value
    # The ideal point is s times the seen one, with s (1 + k1 r^2 s^2) = 1, r of the seen one.
    ux, uy = (x - now.centre_px[0]) / now.focal_px, (y - now.centre_px[1]) / now.focal_px
    ideal2 = ux * ux + uy * uy
    share = -ideal2 / (1 + 3 * now.k1 * ideal2) * now.focal_px
    dx, dy = share * ux, share * uy
    out[:, 8] = ((a - place * m[2, 0]) * dx + (b - place * m[2, 1]) * dy) / below
    return place, out


def _enough_lines(stretches: Stretches, kept: NDArray[np.bool_]) -> bool:
    """Enough lines both ways, each seen over a good part of its length."""
    for family in (0, 1):
        own = kept & (stretches.family == family)
        numbers, counts = np.unique(stretches.line[own], return_counts=True)
        if (counts >= 3).sum() < 4 or len(numbers) < 4:
            return False
    return bool(kept.mean() > 0.3)
