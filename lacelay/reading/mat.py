"""The mat's own colour, and how far each pixel is from it.

The mat's colour is modelled as a slowly changing surface in Lab (so that uneven light drops
out), the printed lines as a second colour whose places are known from the grid; lace is what
differs from both.

Arrays are (row, col); colours are CIE Lab with L from 0 to 100, float32.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.reading.colours import commonest, lab_of, length_of, square_of
from lacelay.reading.grid_fit import Grid
from lacelay.reading.light import Light
from lacelay.reading.scale import Reference

Floats = NDArray[np.float64]
Image = NDArray[np.float32]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Mat:
    """What the lace lies on.

    Parameters
    ----------
    terms : ndarray, shape (10, 3)
        Lab of the mat as a cubic in x and y, both scaled to -1..1 over the photo.
    line_offset : ndarray, shape (3,)
        Lab of printed lines minus Lab of the mat; zeros without a grid.
    noise : float
        Typical Lab distance of bare mat from the surface.
    contrast : float
        Typical Lab distance of lace that covers the mat.
    lace_lab : ndarray, shape (3,)
        Typical Lab of such lace.
    light : Light or None
        Lamps and shadows that lie on it.
    """

    terms: Floats
    size_px: tuple[int, int]
    line_offset: Floats
    noise: float
    contrast: float
    lace_lab: Floats
    light: Light | None = None

    def lab_at(self, at_px: Floats, shape: tuple[int, ...]) -> Image:
        """Lab of the bare mat over a picture, from the photo points of its `sampled` pixels."""
        return upsample(self._coarse(at_px), shape)

    def _coarse(self, at_px: Floats) -> Image:
        lab = (_basis(at_px[..., 0], at_px[..., 1], self.size_px) @ self.terms).astype(np.float32)
        return lab if self.light is None else lab + self.light.at(at_px)

    def relit(self, far: Image, at_px: Floats) -> Image:
        """Distances from the mat as they were without the lamps and shadows that lie there.

        Beside its known places light is a guess: as much of a distance as the guess may be
        wrong by is taken off; the rest is a share of what lace then differs by.
        """
        if self.light is None:
            return far
        added = self.light.at(at_px)
        lit = self._coarse(at_px)
        plain = np.linalg.norm(self.lace_lab.astype(np.float32) - (lit - added), axis=-1)
        there = np.linalg.norm(self.lace_lab.astype(np.float32) - lit, axis=-1)
        kept = upsample(np.clip(there / np.maximum(plain, 1.0), LEAST_KEPT, 1.0), far.shape)
        doubt = upsample(LIGHT_DOUBT * np.linalg.norm(added, axis=-1), far.shape)
        return np.asarray(np.maximum(far - doubt, 0) / kept, dtype=np.float32)

    def rgb_at(self, at_px: Floats) -> Image:
        """Colour of the bare mat, 0 to 255, at photo points, shape (m, n, 2)."""
        lab = self._coarse(at_px)
        return np.asarray(cv2.cvtColor(lab, cv2.COLOR_Lab2RGB) * 255, dtype=np.float32)


#: Under a lamp as white as itself lace keeps no contrast; less than this share tells nothing.
LEAST_KEPT = 0.15
#: Beside where it was seen, light is known to this share of itself.
LIGHT_DOUBT = 0.12
#: Rows worked on at once.
BLOCK_ROWS = 64
#: Lace that differs from the mat as a shadow does, to this cosine, is told by its threads.
SHADE_LIKE = 0.7
#: A weave's tails count as so many times its median at the most.
MOST_TAILS = 1.5
#: Shadow or glare over less than this share of the picture is not looked for.
LIT_SHARE = 0.002
#: Lines show as up to so many times the offset of a usual one: heavy ones are less blurred.
LINE_MOST = 2.5
#: No line is so many times as thick as a usual one.
MOST_STOUT = 4.0
#: A reflected lamp is this unlike in strength from its middle to its rim, as a share of white.
GLARE_SPREAD = 0.25


def seen_above(mat: Mat) -> float:
    """Distance from the mat above which a pixel is lace, at least in part."""
    return max(2.8 * mat.noise, 0.18 * mat.contrast)


def distance(
    colours: Image | NDArray[np.uint8],
    surface: Image,
    zone: Image | None,
    mat: Mat,
    thread_px: float,
) -> Image:
    """Lab distance from the mat, shaded or not, and from printed lines where they run.

    Parameters
    ----------
    colours : ndarray, shape (h, w, 3)
        The picture: Lab in float32, or sRGB in uint8.
    surface : ndarray of float32, shape (h, w, 3)
        Lab of the bare mat there.
    zone : ndarray or None
        1 where a printed line runs.
    thread_px : float
        What is narrower than this may be a dark thread, but is no shadow lying on the mat.
    """
    middle = middle_of(surface)
    lace = mat.lace_lab - middle
    few = (slice(None, None, 6), slice(None, None, 6))
    beside = (slice(None, None, 6), slice(1, None, 6))
    sample, next_to = (_lab(colours[at]) - surface[at] for at in (few, beside))
    # A shadow is mat that is darker, a reflected lamp mat that is whiter: both count as mat
    # unless the lace lies that way too.
    lights: list[tuple[Floats, int, float]] = []
    for light, lamp in ((shade_of(middle), False), (glare_of(middle), True)):
        apart = _apart(lace, light)
        if apart < 0.6 * mat.contrast or not _is_seen(
            sample, next_to, None if zone is None else zone[few], light, mat.noise, lamp
        ):
            continue
        along = float(lace @ light) / float(np.linalg.norm(lace) * np.linalg.norm(light))
        wide = 2 * max(1, round(thread_px / 2)) + 1 if along > SHADE_LIKE else 0
        lights.append((light, wide, mat.contrast / apart))
    lines = zone is not None and float((mat.line_offset**2).sum()) >= 1
    line_apart = _apart(lace, mat.line_offset, LINE_MOST) if lines else 0.0
    told = lines and line_apart > 0.45 * mat.contrast
    far = np.empty(surface.shape[:2], np.float32)
    halo = max((wide for _, wide, _ in lights), default=0)
    # In blocks of rows that a processor's cache holds.
    for top in range(0, len(far), BLOCK_ROWS):
        first, end = max(0, top - halo), min(len(far), top + BLOCK_ROWS + halo)
        offset = _lab(colours[first:end]) - surface[first:end]
        square = square_of(offset)
        block = np.asarray(cv2.sqrt(square), dtype=np.float32)
        for light, wide, times in lights:
            lit = _beside(offset, square, light, 1.0, wide)
            np.minimum(block, lit * np.float32(times), out=block)
        if told and zone is not None:
            # As a share of what lace would differ from a line by, not from the mat.
            line = _beside(offset, square, mat.line_offset, LINE_MOST)
            line = np.minimum(line * np.float32(mat.contrast / line_apart), block)
            np.copyto(block, line, where=zone[first:end] > 0)
        far[top : top + BLOCK_ROWS] = block[top - first : top - first + BLOCK_ROWS]
    if not lines or told or zone is None:
        return far
    # Lace the colour of the lines: within a line nothing can be told, its sides must do.
    keep = (zone <= 0).astype(np.float32)
    spread = float(max(1.5, 0.5 * _zone_width(zone)))
    around = cv2.GaussianBlur(far * keep, (0, 0), spread)
    weight = cv2.GaussianBlur(keep, (0, 0), spread)
    return np.where(zone > 0, around / np.maximum(weight, 1e-3), far).astype(np.float32)


def _lab(colours: Image | NDArray[np.uint8]) -> Image:
    if colours.dtype == np.uint8:
        return lab_of(np.ascontiguousarray(colours, dtype=np.uint8))
    return np.ascontiguousarray(colours, dtype=np.float32)


def shade_of(mat_lab: Floats) -> Floats:
    """Lab of the mat in a deep shadow (four tenths of its light) minus its own."""
    rgb = cv2.cvtColor(mat_lab.astype(np.float32).reshape(1, 1, 3), cv2.COLOR_Lab2RGB)
    # 0.4 of the light is 0.4 ** (1 / 2.2) of the coded value.
    dark = cv2.cvtColor(np.clip(rgb, 0, 1) * np.float32(0.4 ** (1 / 2.2)), cv2.COLOR_RGB2Lab)
    return np.asarray(dark.reshape(3) - mat_lab, dtype=np.float64)


def glare_of(mat_lab: Floats) -> Floats:
    """Lab of white minus Lab of the mat: what a reflected lamp adds."""
    return np.array([100.0, 0.0, 0.0]) - mat_lab


def _is_seen(
    sample: Image, next_to: Image, zone: Image | None, light: Floats, noise: float, lamp: bool
) -> bool:
    """Whether enough of the picture lies clearly on the way from the mat to a light's colour.

    `sample` and `next_to` are Lab offsets of a few pixels and of those to their right. A
    reflected lamp fades and is smooth: a table beside the mat is of one strength, and threads
    of another lace are not smooth.
    """
    way = light.astype(np.float32)
    length2 = max(float(way @ way), 1e-6)
    sample = sample[:, : next_to.shape[1]]
    square = (sample * sample).sum(-1)
    share = np.clip(sample @ way / length2, 0, 1)
    lit = (square > (4 * noise) ** 2) & (square - share * share * length2 < 0.25 * square)
    if zone is not None:
        lit &= zone[:, : next_to.shape[1]] <= 0
    if lit.mean() < LIT_SHARE:
        return False
    if not lamp:
        return True
    weak, strong = np.percentile(share[lit], [10, 90])
    beside = np.clip(next_to @ way / length2, 0, 1)
    rough = float(np.percentile(np.abs(beside - share)[lit], 80))
    return bool(strong - weak > GLARE_SPREAD and rough < 0.5 * noise / np.sqrt(length2) + 0.05)


def _beside(offset: Image, square: Image, along: Floats, most: float, wide: int = 0) -> Image:
    """Distance of Lab offsets from the stretch between 0 and `most` times `along`.

    `square` is the squared length of the offsets: what lies along the way is taken from it.
    With `wide` only as much of the way counts as is seen over that many pixels: where lace is
    darker than the mat, a fine thread has the colour of a shadow, but not its breadth.
    """
    way = along.astype(np.float32)
    length2 = max(float(way @ way), 1e-6)
    dot = cv2.transform(offset.reshape(-1, 1, 3), way.reshape(1, 3)).reshape(square.shape)
    share = np.clip(dot / np.float32(length2), 0, np.float32(most))
    if wide:
        share = cv2.morphologyEx(share, cv2.MORPH_OPEN, np.ones((wide, wide), np.uint8))
    rest = square - share * (2 * dot - share * np.float32(length2))
    return np.asarray(np.sqrt(np.maximum(rest, 0)), dtype=np.float32)


def _apart(lace: Floats, along: Floats, most: float = 1.0) -> float:
    """Distance of the lace's colour from the stretch between 0 and `most` times `along`."""
    offset = lace.reshape(1, 3).astype(np.float32)
    return float(_beside(offset, (offset * offset).sum(-1), along, most)[0])


def _zone_width(zone: Image) -> float:
    inside = cv2.distanceTransform((zone > 0).astype(np.uint8), cv2.DIST_L2, 3)
    return 2 * float(np.percentile(inside[inside > 0], 90)) if (inside > 0).any() else 0.0


def line_zone(grid: Grid, grid_xy: NDArray[np.floating], px_per_px: float) -> Image:
    """1 where a printed line lies (its soft sides included), else 0.

    Parameters
    ----------
    grid_xy : ndarray, shape (h, w, 2)
        Grid coordinates (i, j) of every pixel.
    px_per_px : float
        Pixels of that picture to a photo pixel; its blur widens the zone.
    """
    half = 0.5 * grid.thickness_px + 1.0 + 0.5 / px_per_px
    per_px = np.float32(grid.divided / grid.step_px)
    zone = np.zeros(grid_xy.shape[:2], np.float32)
    for axis in (0, 1):
        some = grid_xy[::16, ::16, axis]
        first = int(np.floor(float(some.min()) * grid.divided)) - 2
        last = int(np.ceil(float(some.max()) * grid.divided)) + 2
        numbers = np.arange(first, last + 1) / grid.divided
        ratio = np.ones(len(numbers))
        if grid.heavy_every:
            heavy = np.mod(numbers, grid.heavy_every) == grid.heavy_phase[axis]
            ratio[heavy] = max(grid.heavy_ratio, 1.0)
        for number, times in grid.stout[axis]:
            ratio[numbers == number] = times
        # Only a heavy line's own sides are left to be judged.
        reach = half + 0.5 * (np.minimum(ratio, MOST_STOUT) - 1) * grid.thickness_px
        within = reach.astype(np.float32) * per_px
        for top in range(0, len(zone), BLOCK_ROWS):
            rows = slice(top, top + BLOCK_ROWS)
            place = np.asarray(grid_xy[rows, :, axis], np.float32) * np.float32(grid.divided)
            nearest = np.rint(place)
            off = np.abs(place - nearest)
            index = np.clip(nearest.astype(np.int32) - first, 0, len(within) - 1)
            zone[rows][off < within[index]] = 1
    return zone


#: Between samples this far apart, px, smooth values are interpolated.
SMOOTH_STEP = 15


def upsample(
    coarse: NDArray[np.floating], shape: tuple[int, ...], step: int = SMOOTH_STEP
) -> Image:
    """Bring values known at every step-th pixel to all pixels of `shape`, linearly.

    Parameters
    ----------
    coarse : ndarray, shape (m, n) or (m, n, k)
        Of pixels 0, step, 2 step, ... both ways, the last at or beyond the last pixel.
    shape : tuple of int
        Height and width wanted.
    step : int
        Odd: then pixels of the larger picture lie at pixels of the smaller one.

    Returns
    -------
    ndarray of float32, shape (h, w) or (h, w, k)

    Raises
    ------
    ValueError
        For an even step, or values that do not reach the last pixel.
    """
    height, width = shape[:2]
    reach = [(size - 1) * step for size in coarse.shape[:2]]
    if step % 2 == 0 or reach[0] < height - 1 or reach[1] < width - 1:
        raise ValueError("the step is odd and the known values reach the last pixel")
    half = (step - 1) // 2
    size = (coarse.shape[1] * step, coarse.shape[0] * step)
    values = np.asarray(coarse, dtype=np.float32)
    large = cv2.resize(values, size, interpolation=cv2.INTER_LINEAR)
    return np.ascontiguousarray(large[half : half + height, half : half + width])


def sampled(shape: tuple[int, ...], step: int = SMOOTH_STEP) -> tuple[Floats, Floats]:
    """Rows and columns of the samples that `upsample` wants for a picture."""
    rows, columns = (np.arange(0, size - 1 + step, step, dtype=float) for size in shape[:2])
    return rows, columns


def _basis(
    x_px: NDArray[np.floating], y_px: NDArray[np.floating], size_px: tuple[int, int]
) -> Image:
    x = np.asarray(x_px, np.float32) / size_px[0] * 2 - 1
    y = np.asarray(y_px, np.float32) / size_px[1] * 2 - 1
    one = np.ones_like(x)
    return np.stack([one, x, y, x * x, x * y, y * y, x**3, x * x * y, x * y * y, y**3], -1).astype(
        np.float32
    )


def surface_at(
    terms: Floats, at_px: Floats, shape: tuple[int, ...], size_px: tuple[int, int]
) -> Image:
    """Lab of a surface's ten terms over a picture, shape (h, w, 3).

    Parameters
    ----------
    at_px : ndarray, shape (m, n, 2)
        Photo points of the pixels that `sampled` names: the surface is smooth between them.
    """
    coarse = _basis(at_px[..., 0], at_px[..., 1], size_px) @ terms
    return upsample(coarse, shape)


def fit_surface(
    lab: Image,
    zone: Image | None,
    on_mat: Mask,
    shrink: float,
    reference: Reference,
    first: Floats | None = None,
) -> tuple[Floats, float]:
    """The mat's colour over the photo.

    `lab` is the photo made smaller by `shrink`. The fit starts from the colour `first`; without
    it from the commonest beside the lines of a grid, or at the photo's border.
    """
    step = max(3, round(max(lab.shape) / 160))
    sample = np.ascontiguousarray(lab[::step, ::step])
    ys, xs = np.mgrid[0 : lab.shape[0] : step, 0 : lab.shape[1] : step]
    xs, ys = (xs + 0.5) / shrink - 0.5, (ys + 0.5) / shrink - 0.5
    free = on_mat[::step, ::step].copy()
    if zone is not None:
        free &= zone[::step, ::step] == 0
    height, width = free.shape
    rim = max(3, int(0.06 * max(height, width)))
    border = np.ones_like(free)
    border[rim:-rim, rim:-rim] = False
    start = border & free
    if reference.grid is not None:
        # Stretches of line that were seen lie on bare mat: look beside them.
        near = np.zeros_like(free)
        seen = (reference.grid.stretches_px + 0.5) * shrink / step - 0.5
        columns = np.clip(seen[:, 0].round().astype(int), 0, width - 1)
        rows = np.clip(seen[:, 1].round().astype(int), 0, height - 1)
        near[rows, columns] = True
        reach = max(3, int(0.6 * reference.grid.step_px * shrink / step))
        near = cv2.dilate(near.astype(np.uint8), np.ones((reach, reach), np.uint8)) > 0
        start = near & free
    mode = commonest(sample[start]) if first is None else first
    basis = _basis(xs, ys, reference.size_px)
    terms = np.zeros((10, 3))
    terms[0] = mode
    limit, noise = 14.0, 3.0
    usable = 1
    for turn in range(6):
        offset = sample - basis @ terms.astype(np.float32)
        # Light changes lightness much and hue little.
        far = length_of(offset)
        inlier = free & (far < limit)
        if turn == 0 and inlier.mean() < 0.02:
            break
        usable = (1, 3, 6, 10, 10, 10)[turn]
        rows_used = basis[inlier][:, :usable].astype(np.float64)
        if len(rows_used) < 120:
            break
        # Terms within -1..1 and ten at most: the normal equations are well enough set.
        solved = np.linalg.lstsq(
            rows_used.T @ rows_used, rows_used.T @ sample[inlier].astype(np.float64), rcond=None
        )[0]
        terms = np.zeros((10, 3))
        terms[:usable] = solved
        offset = sample - basis @ terms.astype(np.float32)
        far = length_of(offset)
        noise = _noise(far[inlier])
        limit = float(np.clip(4.5 * noise, 4.0, 14.0))
    return terms, noise


def _noise(far: Image) -> float:
    """Typical distance of bare mat: the median, or more where a weave has longer tails.

    Of grain alike in all three channels the 90th percentile is 1.63 times the median
    (chi distribution with three degrees of freedom).
    """
    middle, high = (float(value) for value in np.percentile(far, [50, 90]))
    return max(middle, min(high / 1.63, MOST_TAILS * middle))


def middle_of(surface: Image) -> Floats:
    """Mean Lab of the bare mat."""
    return np.asarray(
        surface.reshape(-1, 3)[:: max(1, surface.size // 30_000)].mean(0), dtype=np.float64
    )


def completed(
    lab: Image,
    surface: Image,
    zone: Image | None,
    on_mat: Mask,
    terms: Floats,
    noise: float,
    reference: Reference,
) -> Mat:
    """Add what lines and lace look like."""
    offset = lab - surface
    far = length_of(offset)
    line_offset = np.zeros(3)
    free = on_mat
    if zone is not None and reference.grid is not None:
        free = on_mat & (zone == 0)
        shrink = lab.shape[1] / reference.size_px[0]
        seen = ((reference.grid.stretches_px + 0.5) * shrink - 0.5).round().astype(int)
        inside = ((seen >= 0) & (seen < [lab.shape[1], lab.shape[0]])).all(1)
        on_line = offset[seen[inside, 1], seen[inside, 0]]
        # The search picture blurs a thin line: its inmost colour is taken, not the mean.
        strength = np.sqrt((on_line**2).sum(1))
        strong = on_line[strength >= np.percentile(strength, 60)]
        line_offset = np.asarray(np.median(strong, axis=0), dtype=np.float64)
    differs = free & (far > max(3.5 * noise, 5.0))
    contrast, lace_lab = 0.0, np.zeros(3)
    if differs.sum() > 50:
        values = far[differs]
        cut = _otsu(values)
        core = differs & (far > cut)
        contrast = float(np.median(far[core]))
        lace_lab = np.median(lab[core], axis=0)
    return Mat(
        terms,
        reference.size_px,
        line_offset,
        noise,
        contrast,
        np.asarray(lace_lab, dtype=np.float64),
    )


def _otsu(values: Image) -> float:
    top = float(values.max())
    scaled = np.clip(values / max(top, 1e-6) * 255, 0, 255).astype(np.uint8).reshape(-1, 1)
    cut, _ = cv2.threshold(scaled, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    return float(cut) / 255 * top
