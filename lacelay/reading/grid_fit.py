"""Place every line of a printed grid exactly.

Short stretches of each line are measured across, to a fraction of a pixel, and one
homography (and, where there are enough stretches, one coefficient of lens distortion) is
fitted to all of them, stretches that lace or print hides thrown out by their residual.

Frames: photo points (x, y) in pixels, y down; grid points (i, j), one unit to a printed line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lacelay.reading.grid_lines import (
    FEWEST_STRETCHES,
    FINELY,
    NEARLY,
    ROUGHLY,
    Care,
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
    Places,
    counted_over,
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
#: How strong lines between those counted must be, as a share of these, to be counted too; and
#: where those are too few.
AS_STRONG, SEEN_AS_LINES = 0.75, 0.3
#: Most rounds of one fit.
MOST_TURNS = 9


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


@dataclass(frozen=True, eq=False)
class RoughGrid:
    """A grid tried on a small picture, to tell the likeliest of several.

    Parameters
    ----------
    pose : Pose
        In pixels of that picture.
    strong : int
        How many stretches lie on it that are as strong as its main lines.
    step_px : float
        One step at the middle of them.
    square : float
        How far its cells are from square, as a share.
    support_px, support_family
        As in `CoarseGrid`.
    """

    pose: Pose
    strong: int
    step_px: float
    square: float
    support_px: Floats
    support_family: NDArray[np.int64]

    def enlarged(self, to_larger: Floats) -> CoarseGrid:
        """The same in a larger picture, by the map of its pixels to that one's, shape (3, 3)."""
        support = self.support_px * to_larger[0, 0] + to_larger[:2, 2]
        larger = to_larger @ inverse(self.pose.photo_to_grid)
        return CoarseGrid(larger, support, self.support_family, self.pose.k1)


@dataclass(frozen=True, eq=False)
class _Fitted:
    """A pose, the stretches measured by it, which of them were kept, and how well they fit."""

    pose: Pose
    stretches: Stretches
    kept: NDArray[np.bool_]
    residual: float
    spread: float

    @property
    def square(self) -> float:
        return squareness(inverse(self.pose.photo_to_grid), self.pose.centre_px, self.pose.focal_px)

    @property
    def step_px(self) -> float:
        return self.pose.step_px(np.median(self.stretches.point_px[self.kept], axis=0))

    @property
    def is_grid(self) -> bool:
        """Near enough to its lines, and enough of these both ways."""
        return self.is_near and _is_grid(self.stretches, self.kept)

    @property
    def is_near(self) -> bool:
        """Near enough to its lines."""
        return self.residual <= max(0.02 * self.step_px, 0.6)


@dataclass(frozen=True)
class _Pass:
    """One round: how far to look about each line in steps, and whether the lens is fitted.

    `grown` is how many cells beyond those in which lines were seen to cross are looked at.
    """

    reach: float
    lens: bool
    grown: int
    care: Care


def try_grid(gray: NDArray[np.uint8], coarse: CoarseGrid, *, unslipped: bool) -> RoughGrid | None:
    """Refine a coarse grid on a small picture.

    Parameters
    ----------
    gray : ndarray of uint8, shape (h, w)
    coarse : CoarseGrid
        In pixels of `gray`.
    unslipped : bool
        Whether to look for a slip by a line, where its cells are not square.

    Returns
    -------
    RoughGrid or None
        None when too few lines are where the coarse grid says.
    """
    passes = _Pass(0.28, False, 1, ROUGHLY), _Pass(0.2, True, 2, ROUGHLY)
    fitted = _in_passes(gray, coarse, passes)
    if fitted is None:
        return None
    if unslipped:
        fitted = _unslipped(fitted)
    if not fitted.is_grid and fitted.is_near:
        # The heavy lines of a grid may be too few: the others lie between them.
        fitted = _counted_right(gray, fitted, coarse, passes[1], SEEN_AS_LINES)
    if not fitted.is_grid:
        return None
    square = fitted.square
    pose, stretches, kept = main_lines_only(fitted.pose, fitted.stretches, fitted.kept)
    return RoughGrid(
        pose,
        _strong(stretches, kept),
        pose.step_px(np.median(stretches.point_px[kept], axis=0)),
        square,
        coarse.support_px,
        coarse.support_family,
    )


def _strong(stretches: Stretches, kept: NDArray[np.bool_]) -> int:
    ink = stretches.mass[kept]
    return stretches.every * int((ink > 0.5 * np.percentile(ink, 75)).sum())


def _in_passes(
    gray: NDArray[np.uint8], coarse: CoarseGrid, passes: tuple[_Pass, ...]
) -> _Fitted | None:
    """Measure and fit in rounds, each from the pose of the one before."""
    height, width = gray.shape
    centre = ((width - 1) / 2, (height - 1) / 2)
    pose = Pose(inverse(coarse.grid_to_photo), coarse.k1, centre, float(max(height, width)))
    fitted: _Fitted | None = None
    # Outward from where lines were seen to cross, so that wood grain or lace far from any
    # crossing has no say.
    for one in passes:
        region = Region.around(pose.to_grid(coarse.support_px), coarse.support_family, one.grown)
        if region is None:
            return None
        stretches = measure(gray, pose, one.reach, region, one.care)
        if stretches is None:
            return None
        fitted = _fit(stretches, pose, one.lens)
        if fitted is None:
            return None
        pose = fitted.pose
    return fitted


def fit_grid(gray: NDArray[np.uint8], coarse: CoarseGrid) -> Grid | None:
    """Place a grid exactly on the full picture.

    Parameters
    ----------
    gray : ndarray of uint8, shape (h, w)
    coarse : CoarseGrid
        In pixels of `gray`, within a fifth of a step.

    Returns
    -------
    Grid or None
        None when too few lines are where the coarse grid says.
    """
    height, width = gray.shape
    passes = _Pass(0.2, True, 2, NEARLY), _Pass(0.12, True, 3, FINELY)
    fitted = _in_passes(gray, coarse, passes)
    if fitted is None:
        return None
    fitted = _unslipped(fitted)
    if not fitted.is_grid:
        return None
    fitted = _counted_right(gray, fitted, coarse, passes[1], AS_STRONG)
    if not fitted.is_grid:
        return None
    pose, stretches, kept = main_lines_only(fitted.pose, fitted.stretches, fitted.kept)
    step_px = pose.step_px(np.median(stretches.point_px[kept], axis=0))
    strong, spread = _strong(stretches, kept), fitted.spread
    every, phase, ratio = heavy_lines(stretches, kept)
    divided = 1
    if every in (2, 4, 8):
        # The heavy ones are the main lines, the others divide them: count main lines.
        assert every is not None
        divided = every
        pose, stretches, main = main_lines(pose, stretches, every, phase)
        kept = kept[main]
        step_px *= every
        spread /= every
        main_ratio = ratio
        every, phase, ratio = heavy_lines(stretches, kept)
        ratio *= main_ratio
    else:
        divided = divided_into(Places.of(gray, pose, stretches, kept))
    extent = extent_of(stretches, kept)
    return Grid(
        photo_to_grid=pose.photo_to_grid,
        radial=(pose.k1, 0.0),
        centre_px=pose.centre_px,
        focal_px=pose.focal_px,
        residual_px=fitted.residual,
        stretches_px=stretches.point_px[kept],
        relative_sigma=spread,
        step_px=step_px,
        thickness_px=stretches.thickness,
        contrast=stretches.typical,
        divided=divided,
        heavy_every=every,
        heavy_phase=phase,
        heavy_ratio=ratio,
        stretches=strong,
        square=squareness(inverse(pose.photo_to_grid), pose.centre_px, pose.focal_px),
        extent=extent,
        photo_span=photo_span_of(pose, (width, height)),
        ticks=ticks_per_step(gray, pose, extent),
        stout=stout_lines(stretches, kept),
    )


def _counted_right(
    gray: NDArray[np.uint8], fitted: _Fitted, coarse: CoarseGrid, again: _Pass, least: float
) -> _Fitted:
    """The same counted by all its lines, where others as strong lie evenly between those."""
    over = counted_over(Places.of(gray, fitted.pose, fitted.stretches, fitted.kept), least)
    if over == 1:
        return fitted
    finer = inverse(fitted.pose.photo_to_grid) @ np.diag([1 / over, 1 / over, 1.0])
    counted = CoarseGrid(finer, coarse.support_px, coarse.support_family, fitted.pose.k1)
    return _in_passes(gray, counted, (again,)) or fitted


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


def _unslipped(fitted: _Fitted) -> _Fitted:
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
            again = _fit(trial, start, True)
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


def _fit(stretches: Stretches, pose: Pose, lens: bool) -> _Fitted | None:
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
    return _Fitted(now, stretches, kept, rms * step, spread)


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


def _is_grid(stretches: Stretches, kept: NDArray[np.bool_]) -> bool:
    """Enough lines both ways, each seen over a good part of its length."""
    for family in (0, 1):
        own = kept & (stretches.family == family)
        numbers, counts = np.unique(stretches.line[own], return_counts=True)
        if (counts >= 3).sum() < 4 or len(numbers) < 4:
            return False
    return bool(kept.mean() > 0.3)
