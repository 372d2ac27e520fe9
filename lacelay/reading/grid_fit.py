"""Place every line of a printed grid exactly, and read what its lines say of its step.

Short stretches of each line are measured across, to a fraction of a pixel, and one
homography (and, where there are enough stretches, one coefficient of lens distortion) is
fitted to all of them, stretches that lace or print hides thrown out by their residual.

Frames: photo points (x, y) in pixels, y down; grid points (i, j), one unit to a printed line.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.geometry.photo_map import PhotoMap

Floats = NDArray[np.float64]

#: Below this many measured stretches lens distortion is left out of the fit.
FEWEST_FOR_LENS = 240
#: Fewest good stretches that make a grid a reference.
FEWEST_STRETCHES = 24


@dataclass(frozen=True, eq=False)
class Grid:
    """A printed grid, placed.

    Parameters
    ----------
    photo_to_grid : ndarray, shape (3, 3)
        From photo pixels, lens distortion removed, to (i, j), j up.
    radial, centre_px, focal_px
        As in `PhotoMap`.
    residual_px : float
        Root mean square distance of the stretches kept from the fitted lines.
    stretches_px : ndarray, shape (n, 2)
        The stretches kept.
    relative_sigma : float
        Standard uncertainty of lengths measured by it, as a share, from the residuals alone.
    step_px : float
        One step at the middle of the stretches.
    thickness_px : float
        Thickness of a thin line.
    contrast : float
        Grey levels a thin line stands out by; negative for lines darker than the mat.
    heavy_every, heavy_phase : int or None, tuple of int
        Every n-th line is heavier, and which.
    heavy_ratio : float
        How much thicker a heavy line is than a thin one.
    """

    photo_to_grid: Floats
    radial: tuple[float, float]
    centre_px: tuple[float, float]
    focal_px: float
    residual_px: float
    stretches_px: Floats
    relative_sigma: float
    step_px: float
    thickness_px: float
    contrast: float
    heavy_every: int | None
    heavy_phase: tuple[int, int]
    heavy_ratio: float


@dataclass(frozen=True, eq=False)
class _Stretches:
    """Measured stretches: n points, which family each belongs to, and its line number."""

    point_px: Floats
    family: NDArray[np.int64]
    line: Floats
    mass: Floats
    thickness: float
    typical: float


def fit_grid(gray: NDArray[np.uint8], grid_to_photo: Floats) -> Grid | None:
    """Refine a coarse grid on the full picture.

    Parameters
    ----------
    gray : ndarray of uint8, shape (h, w)
    grid_to_photo : ndarray, shape (3, 3)
        Coarse homography in pixels of `gray`.

    Returns
    -------
    Grid or None
        None when too few lines are where the coarse grid says.
    """
    height, width = gray.shape
    focal = float(max(height, width))
    centre = ((width - 1) / 2, (height - 1) / 2)
    pose = _Pose(np.linalg.inv(grid_to_photo), 0.0, centre, focal)
    kept = None
    for reach, lens in ((0.28, False), (0.2, True), (0.12, True)):
        stretches = _measure(gray, pose, reach)
        if stretches is None:
            return None
        fitted = _fit(stretches, pose, lens)
        if fitted is None:
            return None
        pose, kept, residual, spread = fitted
    assert kept is not None
    points = stretches.point_px[kept]
    step_px = pose.step_px(np.median(points, axis=0))
    if residual > 0.08 * step_px or not _is_grid(stretches, kept):
        return None
    heavy_every, phase, ratio = _heavy(stretches)
    return Grid(
        photo_to_grid=pose.photo_to_grid,
        radial=(pose.k1, 0.0),
        centre_px=centre,
        focal_px=focal,
        residual_px=residual,
        stretches_px=points,
        relative_sigma=spread,
        step_px=step_px,
        thickness_px=stretches.thickness,
        contrast=stretches.typical,
        heavy_every=heavy_every,
        heavy_phase=phase,
        heavy_ratio=ratio,
    )


@dataclass(frozen=True, eq=False)
class _Pose:
    photo_to_grid: Floats
    k1: float
    centre_px: tuple[float, float]
    focal_px: float

    def _map(self) -> PhotoMap:
        return PhotoMap(
            (1, 1), self.photo_to_grid, np.array([[0.0, 0], [1, 0]]),
            (self.k1, 0.0), self.centre_px, self.focal_px,
        )  # fmt: skip

    def to_photo(self, grid: Floats) -> Floats:
        return self._map().mat_to_photo(grid)

    def to_grid(self, photo: Floats) -> Floats:
        return self._map().photo_to_mat_mm(photo)

    def step_px(self, at_px: Floats) -> float:
        here = self.to_grid(at_px.reshape(1, 2))[0]
        around = self.to_photo(np.array([here, here + [1, 0], here + [0, 1]]))
        one, two = around[1] - around[0], around[2] - around[0]
        return float(np.sqrt(abs(one[0] * two[1] - one[1] * two[0])))


def _measure(gray: NDArray[np.uint8], pose: _Pose, reach: float) -> _Stretches | None:
    """Look across every line, twice a cell, up to `reach` of a step to either side."""
    height, width = gray.shape
    border = np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]], float)
    edge = np.linspace(0, 1, 20)[:, None]
    around = np.concatenate([a + edge * (b - a) for a, b in zip(border, np.roll(border, -1, 0), strict=True)])
    limits = pose.to_grid(around)
    (i0, j0), (i1, j1) = np.floor(limits.min(0)), np.ceil(limits.max(0))
    if (i1 - i0) * (j1 - j0) > 60_000 or i1 - i0 < 3 or j1 - j0 < 3:
        return None
    lines, halves = np.arange(i0, i1 + 1), np.arange(j0, j1, 0.5) + 0.25
    first = np.stack(np.meshgrid(lines, halves), -1).reshape(-1, 2)
    lines, halves = np.arange(j0, j1 + 1), np.arange(i0, i1, 0.5) + 0.25
    second = np.stack(np.meshgrid(halves, lines), -1).reshape(-1, 2)
    site = np.concatenate([first, second])
    family = np.repeat([0, 1], [len(first), len(second)])
    across = np.where(family[:, None] == 0, [1.0, 0.0], [0.0, 1.0])
    along = across[:, ::-1]
    centre = pose.to_photo(site)
    edge_px = 0.5 * reach + 0.2
    low, high = pose.to_photo(site - edge_px * across), pose.to_photo(site + edge_px * across)
    inside = np.ones(len(site), bool)
    for points in (low, high, centre):
        inside &= ((points >= 2) & (points <= [width - 3, height - 3])).all(1)
    site, family, across, along = site[inside], family[inside], across[inside], along[inside]
    if len(site) < FEWEST_STRETCHES:
        return None
    centre = centre[inside]
    unit_across = (pose.to_photo(site + 0.02 * across) - centre) / 0.02
    unit_along = (pose.to_photo(site + 0.02 * along) - centre) / 0.02
    step = float(np.median(np.hypot(*unit_across.T)))
    half = int(np.clip(np.ceil((reach + 0.15) * step), 6, 60))
    offsets = np.linspace(-(reach + 0.15), reach + 0.15, 2 * half + 1)
    beside = np.linspace(-0.18, 0.18, 7)
    at = (
        centre[:, None, None, :]
        + offsets[None, :, None, None] * unit_across[:, None, None, :]
        + beside[None, None, :, None] * unit_along[:, None, None, :]
    ).astype(np.float32)
    flat = at.reshape(len(site), -1, 2)
    seen = cv2.remap(gray, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR)
    profile = seen.reshape(len(site), len(offsets), len(beside)).astype(np.float32).mean(2)
    px_per_sample = (offsets[1] - offsets[0]) * step
    return _peaks(profile, offsets, px_per_sample, reach, site, family, centre, unit_across)


def _peaks(
    profile: NDArray[np.float32],
    offsets: Floats,
    px_per_sample: float,
    reach: float,
    site: Floats,
    family: NDArray[np.int64],
    centre: Floats,
    unit_across: Floats,
) -> _Stretches | None:
    plain = profile - np.median(profile, axis=1, keepdims=True)
    # Which sign, and how thick: from the middle of all stretches, which lace cannot sway
    # unless it hides most of the mat.
    quiet = np.std(profile, axis=1) < np.percentile(np.std(profile, axis=1), 80)
    light, dark = plain.max(1)[quiet], -plain.min(1)[quiet]
    sign = 1.0 if np.median(light) >= np.median(dark) else -1.0
    ridge = cv2.GaussianBlur(sign * plain, (0, 0), sigmaX=max(0.6, 0.7 / px_per_sample), sigmaY=1e-3)
    within = np.abs(offsets) <= reach
    top = np.where(within[None], ridge, -np.inf).argmax(1)
    top = np.clip(top, 1, len(offsets) - 2)
    rows = np.arange(len(top))
    before, peak, after = ridge[rows, top - 1], ridge[rows, top], ridge[rows, top + 1]
    bend = before - 2 * peak + after
    shift = np.where(bend < -1e-6, 0.5 * (before - after) / np.where(bend < -1e-6, bend, -1), 0.0)
    place = offsets[top] + np.clip(shift, -1, 1) * (offsets[1] - offsets[0])
    height = peak
    typical = float(np.median(height[quiet]))
    noise = float(np.median(np.abs(plain)))
    if typical < max(2.0, 1.5 * noise):
        return None
    # Thickness from the ridge's width at half its height.
    wide = (ridge > 0.5 * peak[:, None]).sum(1)
    thickness = float(np.median(wide[quiet])) * px_per_sample
    good = (height > 0.4 * typical) & (np.abs(place) < reach) & (wide * px_per_sample < 3 * thickness + 2)
    if good.sum() < FEWEST_STRETCHES:
        return None
    # Ink across the line, grey level times pixels: a heavy line is thicker, paler or both.
    near = np.abs(offsets[None] - place[:, None]) * (px_per_sample / (offsets[1] - offsets[0]))
    mass = (np.clip(sign * plain, 0, None) * (near < 2.5 * thickness + 1)).sum(1) * px_per_sample
    point = centre + place[:, None] * unit_across
    line = np.where(family == 0, site[:, 0], site[:, 1])
    return _Stretches(point[good], family[good], line[good], mass[good], thickness, sign * typical)


def _fit(
    stretches: _Stretches, pose: _Pose, lens: bool
) -> tuple[_Pose, NDArray[np.bool_], float, float] | None:
    """Least squares with outliers weighted out; returns pose, kept, rms in px, spread."""
    points, family, line = stretches.point_px, stretches.family, stretches.line
    step = pose.step_px(np.median(points, axis=0))
    kept = np.ones(len(points), bool)
    residual = np.zeros(len(points))
    covariance = np.eye(9)
    lens = lens and len(points) >= FEWEST_FOR_LENS
    free = 9 if lens else 8
    parameters = np.append((pose.photo_to_grid / pose.photo_to_grid[2, 2]).ravel()[:8], pose.k1)
    scale = np.array([1 / step, 1 / step, 1, 1 / step, 1 / step, 1, 1e-6, 1e-6, 1e-3])

    def miss(p: Floats) -> Floats:
        now = _pose_of(p, pose)
        grid = now.to_grid(points)
        return np.where(family == 0, grid[:, 0], grid[:, 1]) - line

    for turn in range(9):
        residual = miss(parameters)
        size = 1.4826 * float(np.median(np.abs(residual[kept]))) if turn else 0.1
        limit = max(3.5 * size, 0.2 / step, 0.25 * 0.5**turn)
        kept = np.abs(residual) < limit
        if kept.sum() < FEWEST_STRETCHES:
            return None
        weight = np.where(kept, (1 - (residual / limit) ** 2) ** 2, 0.0)
        jacobian = _jacobian(miss, parameters, residual, scale, free)
        normal = jacobian.T @ (weight[:, None] * jacobian)
        delta = np.linalg.lstsq(normal, -jacobian.T @ (weight * residual), rcond=None)[0]
        parameters[:free] += delta * scale[:free]
        rms = float(np.sqrt(np.mean(residual[kept] ** 2)))
        covariance = np.linalg.pinv(normal) * rms**2
    now = _pose_of(parameters, pose)
    step = now.step_px(np.median(points[kept], axis=0))
    # Twice a cell is not twice the evidence: neighbouring stretches share their error.
    spread = 2.0 * float(np.sqrt(max(covariance[0, 0], covariance[4, 4])))
    return now, kept, rms * step, spread


def _pose_of(parameters: Floats, pose: _Pose) -> _Pose:
    matrix = np.append(parameters[:8], 1.0).reshape(3, 3)
    return _Pose(matrix, float(parameters[8]), pose.centre_px, pose.focal_px)


def _jacobian(
    miss: Callable[[Floats], Floats],
    parameters: Floats,
    here: Floats,
    scale: Floats,
    free: int,
) -> Floats:
    columns = []
    for k in range(free):
        moved = parameters.copy()
        moved[k] += 1e-4 * scale[k]
        columns.append((miss(moved) - here) / 1e-4)
    return np.stack(columns, axis=1)


def _is_grid(stretches: _Stretches, kept: NDArray[np.bool_]) -> bool:
    """Enough lines both ways, each seen over a good part of its length."""
    for family in (0, 1):
        own = kept & (stretches.family == family)
        numbers, counts = np.unique(stretches.line[own], return_counts=True)
        if (counts >= 3).sum() < 4 or len(numbers) < 4:
            return False
    return bool(kept.mean() > 0.3)


def _heavy(stretches: _Stretches) -> tuple[int | None, tuple[int, int], float]:
    """Whether every n-th line is heavier, the same n both ways."""
    best: tuple[float, int, tuple[int, int], float] | None = None
    levels = []
    for family in (0, 1):
        own = stretches.family == family
        numbers = np.unique(stretches.line[own])
        seen = np.array(
            [np.median(stretches.mass[own & (stretches.line == n)]) for n in numbers]
        )
        levels.append((numbers.astype(int), seen))
    for every in (2, 4, 5, 6, 8, 10, 12):
        phases, scores, ratios = [], [], []
        for numbers, seen in levels:
            options = []
            for phase in range(every):
                is_heavy = numbers % every == phase
                if is_heavy.sum() < 1 or (~is_heavy).sum() < 2:
                    continue
                heavy, light = seen[is_heavy], seen[~is_heavy]
                spread = 1.4826 * float(np.median(np.abs(light - np.median(light)))) + 0.04 * float(
                    np.median(light)
                )
                gap = float(np.quantile(heavy, 0.1) - np.quantile(light, 0.97))
                options.append((gap / spread, phase, float(np.median(heavy) / np.median(light))))
            if options:
                score, phase, ratio = max(options)
                scores.append(score)
                phases.append(phase)
                ratios.append(ratio)
        if len(scores) == 2 and min(scores) > 2.0:
            candidate = (min(scores), every, (phases[0], phases[1]), max(ratios))
            if best is None or candidate[0] > best[0]:
                best = candidate
    return (best[1], best[2], best[3]) if best else (None, (0, 0), 1.0)
