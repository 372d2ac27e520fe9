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
from lacelay.reading.grid_pose import Fitted, fit_pose, squareness, unslipped
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

#: How strong lines between those counted must be, as a share of these, to be counted too; and
#: where those are too few.
AS_STRONG, SEEN_AS_LINES = 0.75, 0.3
#: Cells farther from square than this share were miscounted: a hundred rendered grids rightly
#: counted came out within 0.0002, and one line too many among thirty is 0.03.
NOT_SQUARE = 0.015


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


@dataclass(frozen=True)
class _Pass:
    """One round: how far to look about each line in steps, and whether the lens is fitted.

    `grown` is how many cells beyond those in which lines were seen to cross are looked at.
    """

    reach: float
    lens: bool
    grown: int
    care: Care


def try_grid(gray: NDArray[np.uint8], coarse: CoarseGrid, *, slips: bool) -> RoughGrid | None:
    """Refine a coarse grid on a small picture.

    Parameters
    ----------
    gray : ndarray of uint8, shape (h, w)
    coarse : CoarseGrid
        In pixels of `gray`.
    slips : bool
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
    if slips:
        fitted = unslipped(fitted)
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
) -> Fitted | None:
    """Measure and fit in rounds, each from the pose of the one before."""
    height, width = gray.shape
    centre = ((width - 1) / 2, (height - 1) / 2)
    pose = Pose(inverse(coarse.grid_to_photo), coarse.k1, centre, float(max(height, width)))
    fitted: Fitted | None = None
    # Outward from where lines were seen to cross, so that wood grain or lace far from any
    # crossing has no say.
    for one in passes:
        now: Fitted | None = None
        for grown in range(one.grown, 0, -1):
            now = _one_pass(gray, pose, coarse, replace(one, grown=grown))
            # So far out a table may hide the lines that are seen nearer to those crossings.
            if (now is not None and now.is_near) or (fitted is not None and not fitted.is_near):
                break
        if now is None:
            return None
        fitted, pose = now, now.pose
    return fitted


def _one_pass(gray: NDArray[np.uint8], pose: Pose, coarse: CoarseGrid, one: _Pass) -> Fitted | None:
    region = Region.around(pose.to_grid(coarse.support_px), coarse.support_family, one.grown)
    if region is None:
        return None
    stretches = measure(gray, pose, one.reach, region, one.care)
    return None if stretches is None else fit_pose(stretches, pose, one.lens)


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
        None when too few lines are where the coarse grid says, or its cells are not square.
    """
    height, width = gray.shape
    passes = _Pass(0.2, True, 2, NEARLY), _Pass(0.12, True, 3, FINELY)
    fitted = _in_passes(gray, coarse, passes)
    if fitted is None:
        return None
    fitted = unslipped(fitted)
    if not fitted.is_grid:
        return None
    fitted = _counted_right(gray, fitted, coarse, passes[1], AS_STRONG)
    if not fitted.is_grid or fitted.square > NOT_SQUARE:
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
    gray: NDArray[np.uint8], fitted: Fitted, coarse: CoarseGrid, again: _Pass, least: float
) -> Fitted:
    """The same counted by all its lines, where others as strong lie evenly between those."""
    over = counted_over(Places.of(gray, fitted.pose, fitted.stretches, fitted.kept), least)
    if over == 1:
        return fitted
    finer = inverse(fitted.pose.photo_to_grid) @ np.diag([1 / over, 1 / over, 1.0])
    counted = CoarseGrid(finer, coarse.support_px, coarse.support_family, fitted.pose.k1)
    return _in_passes(gray, counted, (again,)) or fitted
