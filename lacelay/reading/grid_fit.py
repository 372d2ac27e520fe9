"""Place every line of a printed grid exactly.

Short stretches of each line are measured across, to a fraction of a pixel, and one
homography (and, where there are enough stretches, one coefficient of lens distortion) is
fitted to all of them, stretches that lace or print hides thrown out by their residual.

Frames: photo points (x, y) in pixels, y down; grid points (i, j), one unit to a printed line.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lacelay.reading.grid_lines import (
    FEWEST_STRETCHES,
    Pose,
    Region,
    Stretches,
    extent_of,
    inverse,
    measure,
    photo_span_of,
)
from lacelay.reading.grid_search import CoarseGrid
from lacelay.reading.grid_step import (
    divided_into,
    heavy_lines,
    main_lines,
    main_lines_only,
    stout_lines,
    ticks_per_step,
)

Floats = NDArray[np.float64]

#: Below this many measured stretches lens distortion is left out of the fit.
FEWEST_FOR_LENS = 240
#: Most stretches the fit itself uses.
MOST_FITTED = 1500


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
    divided : int
        Into how many parts fainter lines divide a step.
    heavy_every, heavy_phase : int or None, tuple of int
        Every n-th line is heavier, and which.
    heavy_ratio : float
        How much thicker a heavy line is than a thin one.
    stretches : int
        How many stretches were kept that are as strong as the main lines.
    square : float
        How far its cells are from square, as a share.
    extent : tuple of float
        Least i, least j, largest i, largest j of the lines seen.
    photo_span : tuple of float
        The same of the whole photo.
    ticks : int or None
        Into how many parts ruler ticks along the border divide a step.
    stout : tuple
        For both families the numbers of lines seen to be heavier, whether evenly or not, and
        how many times the ink of those beside them they have.
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
    divided: int
    heavy_every: int | None
    heavy_phase: tuple[int, int]
    heavy_ratio: float
    stretches: int
    square: float
    extent: tuple[float, float, float, float]
    photo_span: tuple[float, float, float, float]
    ticks: int | None = None
    stout: tuple[tuple[tuple[int, float], ...], tuple[tuple[int, float], ...]] = ((), ())


def fit_grid(
    gray: NDArray[np.uint8], coarse: CoarseGrid, *, fully: bool = True, near: bool = False
) -> Grid | None:
    """Refine a coarse grid on the full picture.

    Parameters
    ----------
    gray : ndarray of uint8, shape (h, w)
    coarse : CoarseGrid
        In pixels of `gray`.
    fully : bool
        Whether to look for fainter dividing lines too.
    near : bool
        Whether the coarse grid is known to lie within a tenth of a step already.

    Returns
    -------
    Grid or None
        None when too few lines are where the coarse grid says.
    """
    height, width = gray.shape
    focal = float(max(height, width))
    centre = ((width - 1) / 2, (height - 1) / 2)
    pose = Pose(inverse(coarse.grid_to_photo), coarse.k1, centre, focal)
    kept: NDArray[np.bool_] | None = None
    stretches: Stretches | None = None
    # Outward from where lines were seen to cross, so that wood grain or lace far from any
    # crossing has no say.
    known = coarse.k1 != 0
    passes = ((0.28, known, 1), (0.2, True, 2), (0.12, True, 3))
    for reach, lens, grown in passes[1 if near else 0 :]:
        region = Region.around(pose.to_grid(coarse.support_px), coarse.support_family, grown)
        if region is None:
            return None
        last = (reach, lens, grown) == passes[-1]
        stretches = measure(gray, pose, reach, region, finely=last)
        if stretches is None:
            return None
        fitted = _fit(stretches, pose, lens)
        if fitted is None:
            return None
        pose, kept, residual, spread = fitted
    assert kept is not None
    assert stretches is not None
    pose, kept, residual, spread = _unslipped(stretches, pose, kept, residual, spread)
    points = stretches.point_px[kept]
    step_px = pose.step_px(np.median(points, axis=0))
    if residual > max(0.02 * step_px, 0.6) or not _is_grid(stretches, kept):
        return None
    pose, stretches, kept = main_lines_only(pose, stretches, kept)
    step_px = pose.step_px(np.median(stretches.point_px[kept], axis=0))
    ink = stretches.mass[kept]
    stretches_kept = int((ink > 0.5 * np.percentile(ink, 75)).sum())
    every, phase, ratio = heavy_lines(stretches, kept)
    divided = 1
    if every in (2, 4, 8):
        # The heavy ones are the main lines, the others divide them: count main lines.
        assert every is not None
        divided = every
        pose, stretches = main_lines(pose, stretches, every, phase)
        kept = np.ones(len(stretches.line), bool)
        step_px *= every
        spread /= every
        main_ratio = ratio
        every, phase, ratio = heavy_lines(stretches, kept)
        ratio *= main_ratio
    elif fully:
        divided = divided_into(gray, pose, stretches, kept)
    extent = extent_of(stretches, kept)
    return Grid(
        photo_to_grid=pose.photo_to_grid,
        radial=(pose.k1, 0.0),
        centre_px=centre,
        focal_px=focal,
        residual_px=residual,
        stretches_px=stretches.point_px[kept],
        relative_sigma=spread,
        step_px=step_px,
        thickness_px=stretches.thickness,
        contrast=stretches.typical,
        divided=divided,
        heavy_every=every,
        heavy_phase=phase,
        heavy_ratio=ratio,
        stretches=stretches_kept,
        square=squareness(inverse(pose.photo_to_grid), centre, focal),
        extent=extent,
        photo_span=photo_span_of(pose, (width, height)),
        ticks=ticks_per_step(gray, pose, extent) if fully else None,
        stout=stout_lines(stretches, kept),
    )


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
    least = np.inf
    for times in np.geomspace(0.6, 3.0, 15):
        one = centred[:, 0] / [times * focal_px, times * focal_px, 1]
        two = centred[:, 1] / [times * focal_px, times * focal_px, 1]
        long, wide = np.linalg.norm(one), np.linalg.norm(two)
        least = min(least, float(np.hypot(np.log(long / wide), one @ two / (long * wide))))
    return least


def _unslipped(
    stretches: Stretches,
    pose: Pose,
    kept: NDArray[np.bool_],
    residual: float,
    spread: float,
) -> tuple[Pose, NDArray[np.bool_], float, float]:
    """Undo a slip by one line across the lace, which shows as cells that are not square.

    Under lace few lines are seen; a count that slips there fits as well as the right one, by
    a camera that no one has.
    """
    best = pose, kept, residual, spread
    worst = squareness(inverse(pose.photo_to_grid), pose.centre_px, pose.focal_px)
    if worst < 0.006:
        return best
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
            trial = Stretches(
                stretches.point_px[~near],
                stretches.family[~near],
                (stretches.line + moved)[~near],
                stretches.mass[~near],
                stretches.thickness,
                stretches.typical,
            )
            # The pose that these numbers ask for, not the slipped one, starts the fit.
            start = _pose_from(trial, kept[~near], pose)
            fitted = _fit(trial, start, True)
            if fitted is None:
                continue
            square = squareness(inverse(fitted[0].photo_to_grid), pose.centre_px, pose.focal_px)
            enough = fitted[1].sum() > 0.8 * kept.sum()
            if square < 0.5 * worst and enough and fitted[2] < 1.5 * residual + 0.1:
                worst = square
                whole = np.zeros(len(kept), bool)
                whole[np.flatnonzero(~near)[fitted[1]]] = True
                stretches.line[:] = stretches.line + moved
                return fitted[0], whole, fitted[2], fitted[3]
    return best


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


def _fit(
    stretches: Stretches, pose: Pose, lens: bool
) -> tuple[Pose, NDArray[np.bool_], float, float] | None:
    """Least squares with outliers weighted out; returns pose, kept, rms in px, spread."""
    # A few thousand stretches fix nine numbers; the rest are only judged.
    thin = slice(None, None, 1 + len(stretches.line) // MOST_FITTED)
    points, family, line = stretches.point_px[thin], stretches.family[thin], stretches.line[thin]
    step = pose.step_px(np.median(points, axis=0))
    kept = np.ones(len(points), bool)
    residual = np.zeros(len(points))
    covariance: Floats = np.eye(9)
    limit = rms = 0.0
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
        jacobian = _jacobian(miss, _pose_of(parameters, pose), points, family, parameters, residual)
        jacobian = jacobian[:, :free] * scale[:free]
        normal = jacobian.T @ (weight[:, None] * jacobian)
        delta = np.linalg.lstsq(normal, -jacobian.T @ (weight * residual), rcond=None)[0]
        parameters[:free] += delta * scale[:free]
        rms = float(np.sqrt(np.mean(residual[kept] ** 2)))
        covariance = np.asarray(np.linalg.pinv(normal) * rms**2, dtype=np.float64)
    now = _pose_of(parameters, pose)
    grid = now.to_grid(stretches.point_px)
    off = np.where(stretches.family == 0, grid[:, 0], grid[:, 1]) - stretches.line
    kept, points = np.abs(off) < limit, stretches.point_px
    rms = float(np.sqrt(np.mean(off[kept] ** 2)))
    step = now.step_px(np.median(points[kept], axis=0))
    # Twice a cell is not twice the evidence: neighbouring stretches share their error.
    spread = 2.0 * float(np.sqrt(max(covariance[0, 0], covariance[4, 4])))
    return now, kept, rms * step, spread


def _pose_of(parameters: Floats, pose: Pose) -> Pose:
    matrix = np.append(parameters[:8], 1.0).reshape(3, 3)
    return Pose(matrix, float(parameters[8]), pose.centre_px, pose.focal_px)


def _jacobian(
    miss: Callable[[Floats], Floats],
    now: Pose,
    points: Floats,
    family: NDArray[np.int64],
    parameters: Floats,
    here: Floats,
) -> Floats:
    """Change of each miss with the eight numbers of the homography and the lens, (n, 9)."""
    x, y = now.ideal(points)
    below = now.photo_to_grid[2, 0] * x + now.photo_to_grid[2, 1] * y + now.photo_to_grid[2, 2]
    first = family == 0
    grid = now.to_grid(points)
    place = np.where(first, grid[:, 0], grid[:, 1])
    out = np.zeros((len(x), 9))
    for k, value in enumerate((x / below, y / below, 1 / below)):
        out[:, k] = np.where(first, value, 0.0)
        out[:, 3 + k] = np.where(first, 0.0, value)
        if k < 2:
            out[:, 6 + k] = -place * value
    moved = parameters.copy()
    moved[8] += 1e-7
    out[:, 8] = (miss(moved) - here) / 1e-7
    return out


def _is_grid(stretches: Stretches, kept: NDArray[np.bool_]) -> bool:
    """Enough lines both ways, each seen over a good part of its length."""
    for family in (0, 1):
        own = kept & (stretches.family == family)
        numbers, counts = np.unique(stretches.line[own], return_counts=True)
        if (counts >= 3).sum() < 4 or len(numbers) < 4:
            return False
    return bool(kept.mean() > 0.3)
