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
from lacelay.reading.grid_search import CoarseGrid

Floats = NDArray[np.float64]

#: Below this many measured stretches lens distortion is left out of the fit.
FEWEST_FOR_LENS = 240
#: Fewest good stretches that make a grid a reference.
FEWEST_STRETCHES = 24
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


@dataclass(frozen=True, eq=False)
class _Stretches:
    """Measured stretches: n points, which family each belongs to, and its line number."""

    point_px: Floats
    family: NDArray[np.int64]
    line: Floats
    mass: Floats
    thickness: float
    typical: float


def fit_grid(gray: NDArray[np.uint8], coarse: CoarseGrid, *, fully: bool = True) -> Grid | None:
    """Refine a coarse grid on the full picture.

    Parameters
    ----------
    gray : ndarray of uint8, shape (h, w)
    coarse : CoarseGrid
        In pixels of `gray`.
    fully : bool
        Whether to look for fainter dividing lines too.

    Returns
    -------
    Grid or None
        None when too few lines are where the coarse grid says.
    """
    height, width = gray.shape
    focal = float(max(height, width))
    centre = ((width - 1) / 2, (height - 1) / 2)
    pose = _Pose(_inverse(coarse.grid_to_photo), coarse.k1, centre, focal)
    kept: NDArray[np.bool_] | None = None
    stretches: _Stretches | None = None
    # Outward from where lines were seen to cross, so that wood grain or lace far from any
    # crossing has no say.
    known = coarse.k1 != 0
    for reach, lens, grown in ((0.28, known, 1), (0.2, True, 2), (0.12, True, 3)):
        region = _Region.around(pose.to_grid(coarse.support_px), coarse.support_family, grown)
        if region is None:
            return None
        stretches = _measure(gray, pose, reach, region)
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
    pose, stretches, kept = _reduced(pose, stretches, kept)
    step_px = pose.step_px(np.median(stretches.point_px[kept], axis=0))
    ink = stretches.mass[kept]
    stretches_kept = int((ink > 0.5 * np.percentile(ink, 75)).sum())
    every, phase, ratio = _heavy(stretches, kept)
    divided = 1
    if every in (2, 4, 8):
        # The heavy ones are the main lines, the others divide them: count main lines.
        assert every is not None
        divided = every
        pose, stretches = _main_lines(pose, stretches, every, phase)
        kept = np.ones(len(stretches.line), bool)
        step_px *= every
        spread /= every
        main_ratio = ratio
        every, phase, ratio = _heavy(stretches, kept)
        ratio *= main_ratio
    elif fully:
        divided = _divided(gray, pose, stretches, kept)
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
        square=squareness(_inverse(pose.photo_to_grid), centre, focal),
        extent=_extent(stretches, kept),
        photo_span=_photo_span(pose, (width, height)),
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
    stretches: _Stretches,
    pose: _Pose,
    kept: NDArray[np.bool_],
    residual: float,
    spread: float,
) -> tuple[_Pose, NDArray[np.bool_], float, float]:
    """Undo a slip by one line across the lace, which shows as cells that are not square.

    Under lace few lines are seen; a count that slips there fits as well as the right one, by
    a camera that no one has.
    """
    best = pose, kept, residual, spread
    worst = squareness(_inverse(pose.photo_to_grid), pose.centre_px, pose.focal_px)
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
            trial = _Stretches(
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
            square = squareness(_inverse(fitted[0].photo_to_grid), pose.centre_px, pose.focal_px)
            enough = fitted[1].sum() > 0.8 * kept.sum()
            if square < 0.5 * worst and enough and fitted[2] < 1.5 * residual + 0.1:
                worst = square
                whole = np.zeros(len(kept), bool)
                whole[np.flatnonzero(~near)[fitted[1]]] = True
                stretches.line[:] = stretches.line + moved
                return fitted[0], whole, fitted[2], fitted[3]
    return best


def _pose_from(stretches: _Stretches, kept: NDArray[np.bool_], pose: _Pose) -> _Pose:
    """The linear homography of the stretches kept, lens as before."""
    unit = _Pose(np.eye(3), pose.k1, pose.centre_px, pose.focal_px)
    x, y = (unit.to_grid(stretches.point_px[kept]) - pose.centre_px).T / pose.focal_px
    line, first = stretches.line[kept], stretches.family[kept] == 0
    zero, one = np.zeros_like(x), np.ones_like(x)
    top = np.stack([x, y, one, zero, zero, zero], -1)
    low = np.stack([zero, zero, zero, x, y, one], -1)
    rows = np.where(first[:, None], top, low)
    rows = np.concatenate([rows, -line[:, None] * np.stack([x, y, one], -1)], axis=1)
    matrix = np.linalg.svd(rows, full_matrices=False)[2][-1].reshape(3, 3)
    scale = np.diag([1 / pose.focal_px, 1 / pose.focal_px, 1.0])
    shift = np.array([[1, 0, -pose.centre_px[0]], [0, 1, -pose.centre_px[1]], [0, 0, 1.0]])
    whole = matrix @ scale @ shift
    return _Pose(whole / whole[2, 2], pose.k1, pose.centre_px, pose.focal_px)


def _main_lines(
    pose: _Pose, stretches: _Stretches, every: int, phase: tuple[int, int]
) -> tuple[_Pose, _Stretches]:
    """The same grid counted in main lines only."""
    shift = np.array([[1, 0, -phase[0]], [0, 1, -phase[1]], [0, 0, every]], dtype=float)
    moved = shift @ pose.photo_to_grid
    matrix = moved / moved[2, 2]
    offset = np.where(stretches.family == 0, phase[0], phase[1])
    number = (stretches.line - offset) / every
    main = np.abs(number - np.round(number)) < 1e-6
    reduced = _Stretches(
        stretches.point_px[main],
        stretches.family[main],
        np.round(number[main]),
        stretches.mass[main],
        stretches.thickness,
        stretches.typical,
    )
    return _Pose(matrix, pose.k1, pose.centre_px, pose.focal_px), reduced


def _reduced(
    pose: _Pose, stretches: _Stretches, kept: NDArray[np.bool_]
) -> tuple[_Pose, _Stretches, NDArray[np.bool_]]:
    """Drop lines that were counted but are next to nothing: every second, or two of three."""
    for every in (2, 3, 2):
        phases, ratios = [], []
        for family in (0, 1):
            strength = []
            for phase in range(every):
                own = (stretches.family == family) & (stretches.line % every == phase)
                # A line that is not there has little ink, and that not where it should be.
                ink = float(np.median(stretches.mass[own])) if own.sum() >= 8 else 0.0
                strength.append(ink * float(kept[own].mean()) if own.any() else 0.0)
            best = int(np.argmax(strength))
            rest = max(value for k, value in enumerate(strength) if k != best)
            phases.append(best)
            ratios.append(strength[best] / max(rest, 1e-6))
        if min(ratios) > 2.0 and max(ratios) > 2.6:
            was_kept = stretches.point_px[kept]
            pose, stretches = _main_lines(pose, stretches, every, (phases[0], phases[1]))
            order = {tuple(point) for point in was_kept}
            kept = np.array([tuple(point) in order for point in stretches.point_px])
    return pose, stretches, kept


def _extent(stretches: _Stretches, kept: NDArray[np.bool_]) -> tuple[float, float, float, float]:
    """Least i, least j, largest i, largest j of the lines seen well: where the mat surely is."""
    limits = []
    for family in (0, 1):
        own = stretches.family == family
        numbers = np.unique(stretches.line[own])
        # Wood grain and lace give stretches too, but few that lie on the line.
        good = np.array([kept[own & (stretches.line == n)].sum() for n in numbers])
        share = np.array([kept[own & (stretches.line == n)].mean() for n in numbers])
        well = numbers[(good >= max(4, 0.25 * np.median(good))) & (share > 0.45 * share.max())]
        if len(well) == 0:
            well = numbers
        limits.append((float(well.min()), float(well.max())))
    return limits[0][0], limits[1][0], limits[0][1], limits[1][1]


def _photo_span(pose: _Pose, size_px: tuple[int, int]) -> tuple[float, float, float, float]:
    """Least i, least j, largest i, largest j in the whole photo."""
    x, y = np.meshgrid(np.linspace(0, size_px[0] - 1, 12), np.linspace(0, size_px[1] - 1, 12))
    at = pose.to_grid(np.column_stack([x.ravel(), y.ravel()]))
    (i0, j0), (i1, j1) = at.min(0), at.max(0)
    return float(i0), float(j0), float(i1), float(j1)


def _divided(
    gray: NDArray[np.uint8], pose: _Pose, stretches: _Stretches, kept: NDArray[np.bool_]
) -> int:
    """Into how many parts fainter lines divide a step: 1, 2, 4, 5, 8 or 10."""
    for parts, numerators in (
        (8, (1, 3, 5, 7)),
        (10, (1, 3, 7, 9)),
        (4, (1, 3)),
        (5, (1, 2, 3, 4)),
        (2, (1,)),
    ):
        if all(_fainter_line(gray, pose, stretches, kept, n / parts) for n in numerators):
            return parts
    return 1


def _fainter_line(
    gray: NDArray[np.uint8],
    pose: _Pose,
    stretches: _Stretches,
    kept: NDArray[np.bool_],
    share: float,
) -> bool:
    """Whether a line runs `share` of a step beyond the lines that were seen."""
    at = pose.to_grid(stretches.point_px[kept])
    across = np.where(stretches.family[kept, None] == 0, [1.0, 0.0], [0.0, 1.0])
    along = across[:, ::-1]
    middle = at + share * across
    step = pose.step_px(np.median(stretches.point_px[kept], axis=0))
    half = int(np.clip(2.5 * stretches.thickness + 3, 5, 0.08 * step + 4))
    offsets = np.arange(-half, half + 1) / step
    beside = np.linspace(-0.2, 0.2, 7)
    sites = (
        middle[:, None, None]
        + offsets[None, :, None, None] * across[:, None, None]
        + beside[None, None, :, None] * along[:, None, None]
    )
    photo = pose.to_photo(sites.reshape(-1, 2)).astype(np.float32).reshape(len(at), -1, 2)
    height, width = gray.shape
    inside = ((photo > 1) & (photo < [width - 2, height - 2])).all((1, 2))
    if inside.sum() < FEWEST_STRETCHES:
        return False
    seen = _sampled(gray, photo[inside])
    profile = seen.reshape(-1, len(offsets), len(beside)).astype(np.float64).mean(2)
    plain = np.median(profile - np.median(profile, axis=1, keepdims=True), axis=0)
    plain *= np.sign(stretches.typical)
    core = np.abs(offsets * step) <= 0.5 * stretches.thickness + 0.5
    wings = np.abs(offsets * step) > stretches.thickness + 1
    if not wings.any():
        return False
    height_here = float(plain[core].max() - np.median(plain[wings]))
    noise = float(np.std(plain[wings])) + 0.15
    return height_here > max(4 * noise, 0.07 * abs(stretches.typical))


@dataclass(frozen=True, eq=False)
class _Region:
    """Cells in which lines of both families were seen, as a raster of whole cells."""

    cells: NDArray[np.uint8]
    origin: Floats

    @staticmethod
    def around(points: Floats, family: NDArray[np.int64], grown: int) -> _Region | None:
        """Cells near support of both families, grown by some cells."""
        finite = np.isfinite(points).all(1) & (np.abs(points) < 200).all(1)
        points, family = points[finite], family[finite]
        if len(points) < 8:
            return None
        origin = np.floor(points.min(0)) - 6
        shape = (np.ceil(points.max(0)) + 7 - origin).astype(int)
        both = np.ones((shape[1], shape[0]), np.uint8)
        near = np.ones((5, 5), np.uint8)
        for axis in (0, 1):
            seen = np.zeros_like(both)
            own = (points[family == axis] - origin).round().astype(int)
            seen[own[:, 1], own[:, 0]] = 1
            both &= cv2.dilate(seen, near)
        if not both.any():
            return None
        size = 2 * grown + 1
        grown_cells = cv2.dilate(both, np.ones((size, size), np.uint8))
        return _Region(np.asarray(grown_cells, dtype=np.uint8), origin)

    def holds(self, grid: Floats) -> NDArray[np.bool_]:
        """Whether grid points lie in the region."""
        at = (grid - self.origin).round().astype(int)
        height, width = self.cells.shape
        inside = (at[:, 0] >= 0) & (at[:, 0] < width) & (at[:, 1] >= 0) & (at[:, 1] < height)
        held = np.zeros(len(grid), bool)
        held[inside] = self.cells[at[inside, 1], at[inside, 0]] > 0
        return held


def _inverse(matrix: Floats) -> Floats:
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


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
        ideal = np.asarray(photo, dtype=np.float64)
        if self.k1:
            centred = (ideal - self.centre_px) / self.focal_px
            out = centred
            for _ in range(5):  # mild distortion: converges by its own size each turn
                out = centred / (1 + self.k1 * (out * out).sum(1, keepdims=True))
            ideal = out * self.focal_px + self.centre_px
        moved = ideal @ self.photo_to_grid[:, :2].T + self.photo_to_grid[:, 2]
        return np.asarray(moved[:, :2] / moved[:, 2:], dtype=np.float64)

    def step_px(self, at_px: Floats) -> float:
        here = self.to_grid(at_px.reshape(1, 2))[0]
        around = self.to_photo(np.array([here, here + [1, 0], here + [0, 1]]))
        one, two = around[1] - around[0], around[2] - around[0]
        return float(np.sqrt(abs(one[0] * two[1] - one[1] * two[0])))


def _measure(
    gray: NDArray[np.uint8], pose: _Pose, reach: float, region: _Region
) -> _Stretches | None:
    """Look across every line, twice a cell, up to `reach` of a step to either side."""
    height, width = gray.shape
    border = np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]], float)
    edge = np.linspace(0, 1, 20)[:, None]
    around = np.concatenate(
        [a + edge * (b - a) for a, b in zip(border, np.roll(border, -1, 0), strict=True)]
    )
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
    inside = region.holds(site)
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
    seen = _sampled(gray, flat)
    profile = seen.reshape(len(site), len(offsets), len(beside)).mean(2)
    px_per_sample = (offsets[1] - offsets[0]) * step
    return _peaks(profile, offsets, px_per_sample, reach, site, family, centre, unit_across)


def _sampled(gray: NDArray[np.uint8], at: NDArray[np.float32]) -> NDArray[np.float32]:
    """Grey levels at points, shape (n, k, 2): in blocks, for OpenCV's maps end at 32767 rows."""
    blocks = [
        cv2.remap(
            gray,
            np.ascontiguousarray(part[..., 0]),
            np.ascontiguousarray(part[..., 1]),
            cv2.INTER_LINEAR,
        )
        for part in np.array_split(at, len(at) // 20_000 + 1)
    ]
    return np.concatenate(blocks).astype(np.float32)


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
    ridge = cv2.GaussianBlur(
        sign * plain, (0, 0), sigmaX=max(0.6, 0.7 / px_per_sample), sigmaY=1e-3
    )
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
    good = (
        (height > 0.4 * typical)
        & (np.abs(place) < reach)
        & (wide * px_per_sample < 3 * thickness + 2)
    )
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
        jacobian = _jacobian(miss, parameters, residual, scale, free)
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


def _heavy(
    stretches: _Stretches, kept: NDArray[np.bool_]
) -> tuple[int | None, tuple[int, int], float]:
    """Whether every n-th line is heavier, the same n both ways."""
    levels = []
    for family in (0, 1):
        own = kept & (stretches.family == family)
        numbers, counts = np.unique(stretches.line[own], return_counts=True)
        numbers = numbers[counts >= 5]
        if len(numbers) < 4:
            return None, (0, 0), 1.0
        ink = np.array([np.median(stretches.mass[own & (stretches.line == n)]) for n in numbers])
        # Light and wear change the ink slowly; a heavy line stands out from its neighbours.
        beside = np.array([np.percentile(ink[np.abs(numbers - n) <= 4], 25) for n in numbers])
        levels.append((numbers.astype(int), ink / np.maximum(beside, 1e-6)))
    fitting = []
    for every in (2, 4, 5, 6, 8, 10, 12):
        found = [_heavy_phase(numbers, ink, every) for numbers, ink in levels]
        both = [one for one in found if one is not None]
        if len(both) < 2 or sum(one.heavy for one in both) < 3:
            continue
        if min(one.clear for one in both) > 2.5:
            fitting.append((sum(one.amiss for one in both), every, both))
    if not fitting:
        return None, (0, 0), 1.0
    # Every second line heavier is plain to see, whatever is heavier still among those.
    fitting.sort(key=lambda one: (one[1] != 2, one[0], one[1]))
    amiss, every, both = fitting[0]
    # Two readings nearly as good say that the print does not tell.
    if every != 2 and any(other[0] <= amiss + 1 and other[1] % every for other in fitting[1:]):
        return None, (0, 0), 1.0
    return every, (both[0].phase, both[1].phase), max(one.ratio for one in both)


@dataclass(frozen=True)
class _HeavyPhase:
    """How clearly lines of one phase are heavier, which, and how many are out of step."""

    clear: float
    phase: int
    ratio: float
    heavy: int
    amiss: int


def _heavy_phase(numbers: NDArray[np.int64], ink: Floats, every: int) -> _HeavyPhase | None:
    """Best phase for heavy lines at every n-th."""
    options = []
    for phase in range(every):
        is_heavy = numbers % every == phase
        heavy, light = ink[is_heavy], ink[~is_heavy]
        if len(heavy) < 1 or len(light) < 2:
            continue
        high, low = float(np.median(heavy)), float(np.median(light))
        spread = 1.4826 * float(np.median(np.abs(light - low))) + 0.05 * low
        middle = (high + low) / 2
        # A border line or a worn one may be out of step, not more.
        if (light > middle).sum() > max(1, 0.1 * len(light)) or (heavy < middle).mean() > 0.35:
            continue
        amiss = int((light > middle).sum() + (heavy < middle).sum())
        options.append(_HeavyPhase((high - low) / spread, phase, high / low, len(heavy), amiss))
    return max(options, key=lambda one: (-one.amiss, one.clear)) if options else None
