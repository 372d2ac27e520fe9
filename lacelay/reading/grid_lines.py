"""Short stretches of a printed grid's lines, measured across to a fraction of a pixel.

Frames: photo points (x, y) in pixels, y down; grid points (i, j), one unit to a printed line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Fewest good stretches that make a grid a reference.
FEWEST_STRETCHES = 24
#: How far beyond the reach a line is looked across, px.
MARGIN_PX = 10.0
#: The calmest of the stretches, in per cent of all.
QUIET_PERCENT = 30
#: Bare mat is at most so many times as restless as the calmest fifth of the places.
MOST_UNREST, CALM_PERCENT = 3.0, 20


@dataclass(frozen=True)
class Care:
    """How closely lines are looked at.

    Parameters
    ----------
    sites : int
        Places looked at, at most: each line has its share of them.
    px_apart : float
        Between samples across a line.
    lanes : int
        Samples along a line that are averaged.
    calm : bool
        Whether only bare mat has a say: where lace hides most of the lines, what is seen in
        their place would outvote them.
    """

    sites: int
    px_apart: float
    lanes: int
    calm: bool


#: To tell which of several grids it may be; to bring one near; to place it to a hundredth of
#: a pixel.
ROUGHLY, NEARLY, FINELY = (
    Care(1000, 1.4, 3, True),
    Care(1500, 1.4, 3, True),
    Care(6000, 1.0, 5, False),
)


@dataclass(frozen=True, eq=False)
class Stretches:
    """Measured stretches: n points, which family each belongs to, and its line number.

    `every`: of the places where there may be one, one in so many was looked at.
    """

    point_px: Floats
    family: NDArray[np.int64]
    line: Floats
    mass: Floats
    thickness: float
    typical: float
    every: int = 1


@dataclass(frozen=True, eq=False)
class Region:
    """Cells in which lines of both families were seen, as a raster of whole cells."""

    cells: NDArray[np.uint8]
    origin: Floats

    @staticmethod
    def around(points: Floats, family: NDArray[np.int64], grown: int) -> Region | None:
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
        return Region(np.asarray(grown_cells, dtype=np.uint8), origin)

    def holds(self, i: Floats, j: Floats) -> NDArray[np.bool_]:
        """Whether grid points of all these i and j lie in it, shape (len(j), len(i))."""
        height, width = self.cells.shape
        column = (i - self.origin[0]).round().astype(int)
        row = (j - self.origin[1]).round().astype(int)
        inside = ((row >= 0) & (row < height))[:, None] & ((column >= 0) & (column < width))[None]
        rows, columns = np.clip(row, 0, height - 1), np.clip(column, 0, width - 1)
        return np.asarray(inside & (self.cells[np.ix_(rows, columns)] > 0))


@dataclass(frozen=True, eq=False)
class Pose:
    """A map between photo and grid with lens distortion, as `PhotoMap` defines it."""

    photo_to_grid: Floats
    k1: float
    centre_px: tuple[float, float]
    focal_px: float

    def to_photo(self, grid: Floats) -> Floats:
        """Grid points to photo points, shape (n, 2)."""
        x, y = _projected(inverse(self.photo_to_grid), grid[:, 0], grid[:, 1])
        dx, dy = (x - self.centre_px[0]) / self.focal_px, (y - self.centre_px[1]) / self.focal_px
        out = self.k1 * self.focal_px * (dx * dx + dy * dy)
        return np.stack([x + dx * out, y + dy * out], axis=-1)

    def to_grid(self, photo: Floats) -> Floats:
        """Photo points to grid points, shape (n, 2)."""
        x, y = self.ideal(photo)
        return np.stack(_projected(self.photo_to_grid, x, y), axis=-1)

    def ideal(self, photo: Floats) -> tuple[Floats, Floats]:
        """x and y without lens distortion."""
        x = np.asarray(photo[:, 0], dtype=np.float64)
        y = np.asarray(photo[:, 1], dtype=np.float64)
        if not self.k1:
            return x, y
        dx, dy = (x - self.centre_px[0]) / self.focal_px, (y - self.centre_px[1]) / self.focal_px
        radius2 = dx * dx + dy * dy
        share = np.ones_like(dx)
        for _ in range(5):  # mild distortion: converges by its own size each turn
            share = 1 / (1 + self.k1 * radius2 * share * share)
        return (
            dx * share * self.focal_px + self.centre_px[0],
            dy * share * self.focal_px + self.centre_px[1],
        )

    def step_px(self, at_px: Floats) -> float:
        """Size of a cell at a photo point, px."""
        here = self.to_grid(at_px.reshape(1, 2))[0]
        around = self.to_photo(np.array([here, here + [1, 0], here + [0, 1]]))
        one, two = around[1] - around[0], around[2] - around[0]
        return float(np.sqrt(abs(one[0] * two[1] - one[1] * two[0])))


def _projected(matrix: Floats, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    below = matrix[2, 0] * x + matrix[2, 1] * y + matrix[2, 2]
    return (
        (matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2]) / below,
        (matrix[1, 0] * x + matrix[1, 1] * y + matrix[1, 2]) / below,
    )


def inverse(matrix: Floats) -> Floats:
    """Inverse of a homography."""
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


def measure(
    gray: NDArray[np.uint8], pose: Pose, reach: float, region: Region, care: Care
) -> Stretches | None:
    """Look across every line, at most twice a cell, up to `reach` of a step to either side."""
    height, width = gray.shape
    limits = _span_of(pose, (width, height))
    (i0, j0), (i1, j1) = np.floor(limits[0]), np.ceil(limits[1])
    if (i1 - i0) * (j1 - j0) > 60_000 or i1 - i0 < 3 or j1 - j0 < 3:
        return None
    site, family, every = _sites(region, (i0, j0, i1, j1), care.sites)
    across = np.where(family[:, None] == 0, [1.0, 0.0], [0.0, 1.0])
    centre = pose.to_photo(site)
    unit_across = (pose.to_photo(site + 0.02 * across) - centre) / 0.02
    edge = (0.5 * reach + 0.2) * unit_across
    inside = np.ones(len(site), bool)
    for points in (centre - edge, centre + edge, centre):
        inside &= ((points >= 2) & (points <= [width - 3, height - 3])).all(1)
    if inside.sum() < FEWEST_STRETCHES:
        return None
    site, family, across = site[inside], family[inside], across[inside]
    centre, unit_across = centre[inside], unit_across[inside]
    unit_along = (pose.to_photo(site + 0.02 * across[:, ::-1]) - centre) / 0.02
    step = float(np.median(np.hypot(*unit_across.T)))
    # Most of what is looked at is bare mat, but never the next line.
    limit = reach + float(np.clip(MARGIN_PX / step, 0.15, max(0.45 - reach, 0.15)))
    half = int(np.clip(np.ceil(limit * step / care.px_apart), 6, 60))
    offsets = np.linspace(-limit, limit, 2 * half + 1)
    beside = np.linspace(-0.18, 0.18, care.lanes)
    profile = profiles(gray, centre, (unit_across, offsets), (unit_along, beside))
    px_per_sample = (offsets[1] - offsets[0]) * step
    found = _peaks(
        profile, offsets, px_per_sample, reach, care.calm, site, family, centre, unit_across
    )
    return None if found is None else replace(found, every=every)


def _span_of(pose: Pose, size_px: tuple[int, int]) -> tuple[Floats, Floats]:
    """Least and largest grid point on the photo's border."""
    width, height = size_px
    border = np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]], float)
    edge = np.linspace(0, 1, 20)[:, None]
    around = pose.to_grid(
        np.concatenate(
            [a + edge * (b - a) for a, b in zip(border, np.roll(border, -1, 0), strict=True)]
        )
    )
    return around.min(0), around.max(0)


def _sites(
    region: Region, limits: tuple[float, float, float, float], most: int
) -> tuple[Floats, NDArray[np.int64], int]:
    """Grid points on lines in the region, the family of each, and one in how many it is.

    There are two a cell on each line.
    """
    i0, j0, i1, j1 = limits
    lines = np.arange(i0, i1 + 1), np.arange(j0, j1 + 1)
    halves = np.arange(i0, i1, 0.5) + 0.25, np.arange(j0, j1, 0.5) + 0.25
    crosses = (lines[0], halves[1]), (halves[0], lines[1])
    held = [region.holds(*cross) for cross in crosses]
    every = 1 + sum(int(np.count_nonzero(each)) for each in held) // most
    sites = []
    for (i, j), each in zip(crosses, held, strict=True):
        # Along a diagonal, so that each line has its share.
        diagonal = (np.arange(len(j))[:, None] + np.arange(len(i))[None]) % every == 0
        row, column = np.nonzero(each & diagonal)
        sites.append(np.stack([i[column], j[row]], -1))
    family = np.repeat([0, 1], [len(sites[0]), len(sites[1])])
    return np.concatenate(sites), family, every


def profiles(
    gray: NDArray[np.uint8],
    centre_px: Floats,
    across: tuple[Floats, Floats],
    along: tuple[Floats, Floats],
) -> NDArray[np.float32]:
    """Grey levels across n places, the mean of some lanes beside each other, shape (n, k).

    `across` and `along` are each a photo vector for every place, shape (n, 2), and the
    multiples of it at which samples are taken.
    """
    (unit, offsets), (lane, beside) = across, along
    shape = len(centre_px), len(offsets), len(beside)
    at = []
    for axis in (0, 1):
        x = centre_px[:, axis, None] + unit[:, axis, None] * offsets
        shift = lane[:, axis, None] * beside
        at.append(x.astype(np.float32)[:, :, None] + shift.astype(np.float32)[:, None])
    seen = sampled(gray, at[0].reshape(shape[0], -1), at[1].reshape(shape[0], -1))
    # Sums of whole grey levels, so exact in any order.
    total = seen.reshape(shape)[..., 0].astype(np.float32)
    for k in range(1, shape[2]):
        total += seen.reshape(shape)[..., k]
    return total / np.float32(shape[2])


def sampled(
    gray: NDArray[np.uint8], x: NDArray[np.float32], y: NDArray[np.float32]
) -> NDArray[np.uint8]:
    """Grey levels at points, shape (n, k): in blocks, for OpenCV's maps end at 32767 rows."""
    blocks = [
        cv2.remap(gray, x[k : k + 20_000], y[k : k + 20_000], cv2.INTER_LINEAR)
        for k in range(0, len(x), 20_000)
    ]
    return np.asarray(np.concatenate(blocks), dtype=np.uint8)


def _peaks(
    profile: NDArray[np.float32],
    offsets: Floats,
    px_per_sample: float,
    reach: float,
    calm: bool,
    site: Floats,
    family: NDArray[np.int64],
    centre: Floats,
    unit_across: Floats,
) -> Stretches | None:
    plain = profile - np.median(profile, axis=1, keepdims=True)
    # Which sign, and how thick: from the calmest stretches, which lie on bare mat even where
    # lace hides most of it.
    level = np.median(np.abs(plain), axis=1)
    quiet = level <= np.percentile(level, QUIET_PERCENT)
    light, dark = plain.max(1)[quiet], -plain.min(1)[quiet]
    # Lines may be worn off over much of a mat: the stronger ones tell.
    sign = 1.0 if np.percentile(light, 75) >= np.percentile(dark, 75) else -1.0
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
    seen = quiet & (height >= np.median(height[quiet]))
    typical = float(np.median(height[seen]))
    noise = float(np.median(np.abs(plain)))
    if typical < max(2.0, 1.5 * noise):
        return None
    # Thickness from the ridge's width at half its height, about its top.
    index = np.arange(len(offsets))
    low = ridge <= 0.5 * peak[:, None]
    left = np.where(low & (index < top[:, None]), index, -1).max(1)
    right = np.where(low & (index > top[:, None]), index, len(index)).min(1)
    wide = right - left - 1
    thickness = float(np.median(wide[seen])) * px_per_sample
    # A heavy line's top is flat: its middle lies between its two sides.
    flat = wide > 1.5 * np.median(wide[seen])
    middle = np.clip((left + right) / 2, 0, len(index) - 1)
    place = np.where(flat, np.interp(middle, index, offsets), place)
    good = (
        (height > 0.4 * typical)
        & (np.abs(place) < reach)
        & (wide * px_per_sample < 5 * thickness + 2)
    )
    if calm:
        good &= level <= MOST_UNREST * np.percentile(level, CALM_PERCENT) + 1
    if good.sum() < FEWEST_STRETCHES:
        return None
    # Ink across the line, grey level times pixels: a heavy line is thicker, paler or both.
    near = np.abs(offsets[None] - place[:, None]) * (px_per_sample / (offsets[1] - offsets[0]))
    mass = (np.clip(sign * plain, 0, None) * (near < 2.5 * thickness + 1)).sum(1) * px_per_sample
    point = centre + place[:, None] * unit_across
    line = np.where(family == 0, site[:, 0], site[:, 1])
    return Stretches(point[good], family[good], line[good], mass[good], thickness, sign * typical)


def extent_of(stretches: Stretches, kept: NDArray[np.bool_]) -> tuple[float, float, float, float]:
    """Least i, least j, largest i, largest j of the lines seen well: where the mat surely is."""
    limits = []
    for family in (0, 1):
        own = stretches.family == family
        numbers, index, counts = np.unique(
            stretches.line[own], return_inverse=True, return_counts=True
        )
        # Wood grain and lace give stretches too, but few that lie on the line.
        good = np.bincount(index, kept[own], len(numbers))
        share = good / counts
        well = numbers[(good >= max(4, 0.25 * np.median(good))) & (share > 0.25 * share.max())]
        if len(well) == 0:
            well = numbers
        limits.append((float(well.min()), float(well.max())))
    return limits[0][0], limits[1][0], limits[0][1], limits[1][1]


def photo_span_of(pose: Pose, size_px: tuple[int, int]) -> tuple[float, float, float, float]:
    """Least i, least j, largest i, largest j in the whole photo."""
    x, y = np.meshgrid(np.linspace(0, size_px[0] - 1, 12), np.linspace(0, size_px[1] - 1, 12))
    at = pose.to_grid(np.column_stack([x.ravel(), y.ravel()]))
    (i0, j0), (i1, j1) = at.min(0), at.max(0)
    return float(i0), float(j0), float(i1), float(j1)
