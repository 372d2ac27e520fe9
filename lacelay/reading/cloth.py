"""Tell lace from what it lies on.

The mat's colour is modelled as a slowly changing surface in Lab (so that uneven light drops
out), the printed lines as a second colour whose places are known from the grid; lace is what
differs from both. How much it differs, as a share of the lace's own contrast, is the matte.

Arrays are (row, col); colours are CIE Lab with L from 0 to 100, float32.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.errors import ReadingError
from lacelay.reading.grid_fit import Grid
from lacelay.reading.scale import Reference

Floats = NDArray[np.float64]
Image = NDArray[np.float32]
Mask = NDArray[np.bool_]
Limits = tuple[float, float, float, float]

#: Longer side of the picture the lace is looked for in, px.
SEARCH_PX = 1600
#: Smallest lace: its width in the photo, px.
FEWEST_PX_ACROSS = 24
NO_LACE_REMEDY = (
    "Lay the lace on a plain mat that differs from it in colour, with mat to be seen round it."
)


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
    """

    terms: Floats
    size_px: tuple[int, int]
    line_offset: Floats
    noise: float
    contrast: float
    lace_lab: Floats

    def lab_at(self, x_px: NDArray[np.floating], y_px: NDArray[np.floating]) -> Image:
        """Lab of the bare mat at photo points, shape (..., 3)."""
        return _surface(self.terms, x_px, y_px, self.size_px)


@dataclass(frozen=True, eq=False)
class LaceArea:
    """Where lace lies in the search picture: its filled extent and its body.

    `extent` has the holes of the net filled; `body` leaves out fringes and single threads.
    `others` tells how many more pieces nearly as large were seen; `limits` are the grid
    coordinates (least i, least j, largest i, largest j) beyond which there is no mat.
    """

    mat: Mat
    extent: Mask
    body: Mask
    shrink: float
    others: int
    limits: Limits

    def to_photo(self, columns: Floats, rows: Floats) -> Floats:
        """Search-picture pixels to photo points (x, y), shape (n, 2)."""
        return np.stack([(columns + 0.5) / self.shrink - 0.5, (rows + 0.5) / self.shrink - 0.5], -1)


def lab_of(rgb: NDArray[np.uint8]) -> Image:
    """CIE Lab, float32, of an sRGB picture."""
    scaled = rgb.astype(np.float32) * np.float32(1 / 255)
    return np.asarray(cv2.cvtColor(scaled, cv2.COLOR_RGB2Lab), dtype=np.float32)


def find_lace(photo: NDArray[np.uint8], reference: Reference) -> LaceArea:
    """Find the largest piece of lace.

    Raises
    ------
    ReadingError
        When there is no lace, it touches all four borders, or it is too small.
    """
    longest = max(photo.shape[:2])
    shrink = min(1.0, SEARCH_PX / longest)
    small = cv2.resize(photo, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    lab = lab_of(np.asarray(small, dtype=np.uint8))
    height, width = lab.shape[:2]
    columns = (np.arange(width) + 0.5) / shrink - 0.5
    rows = (np.arange(height) + 0.5) / shrink - 0.5
    x_px, y_px = np.meshgrid(columns, rows)
    at = None if reference.grid is None else _grid_coordinates(reference, x_px, y_px)
    zone = _line_zone(reference.grid, at, shrink)
    limits = _limits(lab, reference.grid, at)
    on_mat = np.ones(x_px.shape, bool)
    if at is not None:
        on_mat = on_mat_at(limits, at, np.stack([x_px, y_px], -1), reference.size_px)
    terms, noise = _fit_surface(lab, zone, on_mat, x_px, y_px, reference)
    surface = _surface(terms, x_px, y_px, reference.size_px)
    mat = _complete(lab, surface, zone, on_mat, terms, noise, reference)
    seen = (distance(lab, surface, zone, mat) > seen_above(mat)) & on_mat
    seen &= ~_featureless(lab, zone, mat.noise)
    return _largest(seen, mat, shrink, limits)


def seen_above(mat: Mat) -> float:
    """Distance from the mat above which a pixel is lace, at least in part."""
    return max(2.8 * mat.noise, 0.3 * mat.contrast)


def distance(lab: Image, surface: Image, zone: Image | None, mat: Mat) -> Image:
    """Lab distance from the mat, shaded or not, and from printed lines where they run.

    Parameters
    ----------
    lab, surface : ndarray of float32, shape (h, w, 3)
        The picture and the bare mat there.
    zone : ndarray or None
        1 where a printed line runs.
    """
    offset = lab - surface
    lace = mat.lace_lab - _middle(surface)
    shade = shade_of(_middle(surface))
    # A shadow is mat that is darker: it counts as mat unless the lace lies that way too.
    apart = _apart(lace, shade)
    if apart > 0.6 * mat.contrast:
        far = _beside(offset, shade, 1.0) * np.float32(mat.contrast / apart)
    else:
        far = np.sqrt((offset * offset).sum(-1))
    if zone is None or float((mat.line_offset**2).sum()) < 1:
        return far
    apart = _apart(lace, mat.line_offset)
    if apart > 0.45 * mat.contrast:
        # As a share of what lace would differ from a line by, not from the mat.
        from_line = _beside(offset, mat.line_offset, 1.35) * np.float32(mat.contrast / apart)
        return np.where(zone > 0, np.minimum(from_line, far), far).astype(np.float32)
    # Lace the colour of the lines: within a line nothing can be told, its sides must do.
    keep = (zone <= 0).astype(np.float32)
    spread = float(max(1.5, 0.5 * _zone_width(zone)))
    around = cv2.GaussianBlur(far * keep, (0, 0), spread)
    weight = cv2.GaussianBlur(keep, (0, 0), spread)
    return np.where(zone > 0, around / np.maximum(weight, 1e-3), far).astype(np.float32)


def shade_of(mat_lab: Floats) -> Floats:
    """Lab of the mat in a deep shadow (four tenths of its light) minus its own."""
    rgb = cv2.cvtColor(mat_lab.astype(np.float32).reshape(1, 1, 3), cv2.COLOR_Lab2RGB)
    # 0.4 of the light is 0.4 ** (1 / 2.2) of the coded value.
    dark = cv2.cvtColor(np.clip(rgb, 0, 1) * np.float32(0.4 ** (1 / 2.2)), cv2.COLOR_RGB2Lab)
    return np.asarray(dark.reshape(3) - mat_lab, dtype=np.float64)


def _beside(offset: Image, along: Floats, most: float) -> Image:
    """Distance of Lab offsets from the stretch between 0 and `most` times `along`."""
    way = along.astype(np.float32)
    share = np.clip((offset @ way) / max(float(way @ way), 1e-6), 0, most)
    rest = offset - share[..., None] * way
    return np.asarray(np.sqrt((rest * rest).sum(-1)), dtype=np.float32)


def _apart(lace: Floats, along: Floats) -> float:
    """Distance of the lace's colour from the stretch between 0 and `along`."""
    return float(_beside(lace.reshape(1, 3).astype(np.float32), along, 1.0)[0])


def _zone_width(zone: Image) -> float:
    inside = cv2.distanceTransform((zone > 0).astype(np.uint8), cv2.DIST_L2, 3)
    return 2 * float(np.percentile(inside[inside > 0], 90)) if (inside > 0).any() else 0.0


def line_zone(grid: Grid, grid_xy: Floats, px_per_px: float) -> Image:
    """1 where a printed line lies (its soft sides included), else 0.

    Parameters
    ----------
    grid_xy : ndarray, shape (h, w, 2)
        Grid coordinates (i, j) of every pixel.
    px_per_px : float
        Pixels of that picture to a photo pixel; its blur widens the zone.
    """
    zone = np.zeros(grid_xy.shape[:2], np.float32)
    for axis in (0, 1):
        place = grid_xy[..., axis]
        nearest = np.round(place * grid.divided) / grid.divided
        off_px = np.abs(place - nearest) * grid.step_px
        half = 0.5 * grid.thickness_px + 1.0 + 0.5 / px_per_px
        limit = np.full_like(place, half)
        if grid.heavy_every:
            heavy = np.mod(nearest, grid.heavy_every) == grid.heavy_phase[axis]
            limit = np.where(heavy, half + 0.5 * (grid.heavy_ratio - 1) * grid.thickness_px, limit)
        zone[off_px < limit] = 1.0
    return zone


#: Something without any thread over a disc of this share of the photo's side is no lace.
FEATURELESS_SHARE = 0.022


def _featureless(lab: Image, zone: Image | None, noise: float) -> Mask:
    """Wide places without thread: a reflected lamp, paper, bare table."""
    light = lab[..., 0]
    keep = np.ones_like(light) if zone is None else (zone <= 0).astype(np.float32)
    size = (9, 9)
    weight = np.maximum(cv2.blur(keep, size), 1e-3)
    mean = cv2.blur(light * keep, size) / weight
    square = cv2.blur(light * light * keep, size) / weight
    rough = np.sqrt(np.maximum(square - mean * mean, 0))
    plain = (rough < max(1.6 * noise, 1.5)).astype(np.uint8)
    radius = FEATURELESS_SHARE * max(light.shape)
    core = cv2.morphologyEx(plain, cv2.MORPH_OPEN, disc(radius))
    return np.asarray(cv2.dilate(core, disc(4)) > 0)


def _line_zone(grid: Grid | None, at: Floats | None, shrink: float) -> Image | None:
    return None if grid is None or at is None else line_zone(grid, at, shrink)


def upsample(coarse: Floats, shape: tuple[int, ...], step: int) -> Floats:
    """Bring values known at every step-th pixel to all pixels of `shape`, linearly."""
    rows = np.arange(shape[0], dtype=np.float32) / step
    columns = np.arange(shape[1], dtype=np.float32) / step
    # Beyond the last known pixel the grid is carried on by one more, extrapolated, row.
    padded = np.concatenate([coarse, 2 * coarse[-1:] - coarse[-2:-1]], axis=0)
    padded = np.concatenate([padded, 2 * padded[:, -1:] - padded[:, -2:-1]], axis=1)
    map_x, map_y = np.meshgrid(columns, rows)
    layers = []
    for k in range(coarse.shape[-1]):
        layer = np.ascontiguousarray(padded[..., k], dtype=np.float32)
        layers.append(cv2.remap(layer, map_x, map_y, cv2.INTER_LINEAR))
    return np.stack(layers, -1).astype(np.float64)


#: A mat reaches this many steps beyond its outermost line at least.
BEYOND_LINES = 0.25


def on_mat_at(limits: Limits, grid_xy: Floats, photo_xy: Floats, size_px: tuple[int, int]) -> Mask:
    """Where the mat surely lies, from grid coordinates of pixels, shape (h, w, 2)."""
    width, height = size_px
    seen = ((photo_xy >= 0) & (photo_xy <= [width, height])).all(-1)
    i, j = grid_xy[..., 0], grid_xy[..., 1]
    return np.asarray(seen & (i > limits[0]) & (j > limits[1]) & (i < limits[2]) & (j < limits[3]))


def _grid_coordinates(reference: Reference, x_px: Floats, y_px: Floats) -> Floats:
    step = 8
    coarse = np.stack([x_px[::step, ::step], y_px[::step, ::step]], -1)
    unit = reference.map_along(np.array([[0.0, 0], [1, 0]]))
    # Before it is settled, the reference's unit is one grid step.
    at = unit.photo_to_mat_mm(coarse.reshape(-1, 2)).reshape(coarse.shape)
    return upsample(at, x_px.shape, step)


def _limits(lab: Image, grid: Grid | None, at: Floats | None) -> Limits:
    """Grid coordinates between which the mat lies; endless where it fills the photo.

    Where lines end short of the photo's border, the mat may end too: it does when what lies
    beyond has not the mat's colour, and then it is no background to tell lace from.
    """
    endless = (-np.inf, -np.inf, np.inf, np.inf)
    if grid is None or at is None:
        return endless
    i0, j0, i1, j1 = grid.extent
    sample = (slice(None, None, 4), slice(None, None, 4))
    i, j, colour = at[sample][..., 0], at[sample][..., 1], lab[sample]
    within = (i > i0) & (i < i1) & (j > j0) & (j < j1)
    if within.sum() < 100:
        return endless
    own = _commonest(colour[within])
    spread = colour - own.astype(np.float32)
    # Light changes lightness more than hue.
    mat_like = np.sqrt((0.5 * spread[..., 0]) ** 2 + spread[..., 1] ** 2 + spread[..., 2] ** 2) < 7
    limits = list(endless)
    for side, beyond in enumerate((i < i0 - 1.0, j < j0 - 1.0, i > i1 + 1.0, j > j1 + 1.0)):
        if beyond.sum() > 100 and float(mat_like[beyond].mean()) < 0.2:
            away = -BEYOND_LINES if side < 2 else BEYOND_LINES
            limits[side] = grid.extent[side] + away
    return limits[0], limits[1], limits[2], limits[3]


def _basis(
    x_px: NDArray[np.floating], y_px: NDArray[np.floating], size_px: tuple[int, int]
) -> Image:
    x = np.asarray(x_px, np.float32) / size_px[0] * 2 - 1
    y = np.asarray(y_px, np.float32) / size_px[1] * 2 - 1
    one = np.ones_like(x)
    return np.stack([one, x, y, x * x, x * y, y * y, x**3, x * x * y, x * y * y, y**3], -1).astype(
        np.float32
    )


def _surface(
    terms: Floats, x_px: NDArray[np.floating], y_px: NDArray[np.floating], size_px: tuple[int, int]
) -> Image:
    if x_px.ndim == 2 and min(x_px.shape) > 64:  # smooth: a sixteenth of the pixels will do
        step = 16
        coarse = _basis(x_px[::step, ::step], y_px[::step, ::step], size_px) @ terms
        return upsample(coarse.astype(np.float64), x_px.shape, step).astype(np.float32)
    return np.asarray(_basis(x_px, y_px, size_px) @ terms, dtype=np.float32)


def _fit_surface(
    lab: Image, zone: Image | None, on_mat: Mask, x_px: Floats, y_px: Floats, reference: Reference
) -> tuple[Floats, float]:
    """The mat's colour over the photo, starting from the commonest colour at its border."""
    step = 3
    sample = lab[::step, ::step]
    xs, ys = x_px[::step, ::step], y_px[::step, ::step]
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
        shrink = 1 / abs(float(x_px[0, 1] - x_px[0, 0]))
        seen = (reference.grid.stretches_px + 0.5) * shrink / step - 0.5
        columns = np.clip(seen[:, 0].round().astype(int), 0, width - 1)
        rows = np.clip(seen[:, 1].round().astype(int), 0, height - 1)
        near[rows, columns] = True
        reach = max(3, int(0.6 * reference.grid.step_px * shrink / step))
        near = cv2.dilate(near.astype(np.uint8), np.ones((reach, reach), np.uint8)) > 0
        start = near & free
    colours = sample[start]
    mode = _commonest(colours)
    basis = _basis(xs, ys, reference.size_px)
    terms = np.zeros((10, 3))
    terms[0] = mode
    limit, noise = 14.0, 3.0
    usable = 1
    for turn in range(6):
        offset = sample - basis @ terms.astype(np.float32)
        # Light changes lightness much and hue little.
        far = np.sqrt((offset * offset).sum(-1))
        inlier = free & (far < limit)
        if turn == 0 and inlier.mean() < 0.02:
            break
        usable = (1, 3, 6, 10, 10, 10)[turn]
        rows_used = basis[inlier][:, :usable].astype(np.float64)
        if len(rows_used) < 200:
            break
        solved = np.linalg.lstsq(rows_used, sample[inlier].astype(np.float64), rcond=None)[0]
        terms = np.zeros((10, 3))
        terms[:usable] = solved
        offset = sample - basis @ terms.astype(np.float32)
        far = np.sqrt((offset * offset).sum(-1))
        noise = float(np.median(far[inlier]))
        limit = float(np.clip(4.5 * noise, 4.0, 14.0))
    return terms, noise


def _commonest(colours: Image) -> Floats:
    bins = np.floor(colours / 5.0).astype(np.int64)
    key = (bins[:, 0] + 100) * 1_000_000 + (bins[:, 1] + 100) * 1000 + bins[:, 2] + 100
    values, counts = np.unique(key, return_counts=True)
    first = colours[key == values[counts.argmax()]].mean(0)
    close = np.sqrt(((colours - first) ** 2).sum(1)) < 8
    return np.asarray(colours[close].mean(0), dtype=np.float64)


def _middle(surface: Image) -> Floats:
    return np.asarray(
        surface.reshape(-1, 3)[:: max(1, surface.size // 30_000)].mean(0), dtype=np.float64
    )


def _complete(
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
    far = np.sqrt((offset * offset).sum(-1))
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


def fill_holes(mask: Mask) -> Mask:
    """The mask with everything it encloses."""
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros(mask.shape, np.uint8)
    cv2.drawContours(filled, contours, -1, 1, cv2.FILLED)
    return filled > 0


def disc(radius_px: float) -> NDArray[np.uint8]:
    """A round structuring element."""
    size = 2 * max(1, round(radius_px)) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), dtype=np.uint8)


def _largest(seen: Mask, mat: Mat, shrink: float, limits: Limits) -> LaceArea:
    height, width = seen.shape
    touching = [bool(side.mean() > 0.02) for side in (seen[0], seen[-1], seen[:, 0], seen[:, -1])]
    # Threads apart by less than this are the same lace: the net must close before filling.
    joint = max(2.0, 0.0035 * max(height, width))
    pad = int(3 * joint)
    padded = np.pad(seen.astype(np.uint8), pad)
    closed = cv2.morphologyEx(padded, cv2.MORPH_CLOSE, disc(joint))[pad:-pad, pad:-pad]
    filled = fill_holes(closed > 0)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(filled.astype(np.uint8))
    if count < 2:
        raise ReadingError("No lace was found in the photo.", NO_LACE_REMEDY)
    areas = stats[1:, cv2.CC_STAT_AREA].astype(float)
    order = np.argsort(-areas)
    extent = labels == order[0] + 1
    inside = cv2.distanceTransform(np.pad(extent.astype(np.uint8), 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
    half_width = float(inside.max())
    if areas[order[0]] < 0.002 * height * width or mat.contrast < 6:
        raise ReadingError("No lace was found in the photo.", NO_LACE_REMEDY)
    on = extent
    sides = [bool(side.mean() > 0.05) for side in (on[0], on[-1], on[:, 0], on[:, -1])]
    if all(sides) and all(touching):
        raise ReadingError(
            "The lace touches all four borders of the photo, so neither of its edges can be told.",
            "Photograph it from farther away, with mat to be seen along both edges.",
        )
    if 2 * half_width / shrink < FEWEST_PX_ACROSS:
        raise ReadingError(
            f"The lace is only {2 * half_width / shrink:.0f} pixels wide in the photo.",
            "Photograph it from nearer, so that it fills the picture.",
        )
    # Fringes, tassels and loose threads are thinner than the lace: an opening takes them off.
    near = cv2.morphologyEx(
        np.pad(extent.astype(np.uint8), pad), cv2.MORPH_OPEN, disc(0.22 * half_width)
    )[pad:-pad, pad:-pad]
    pieces, parts, part_stats, _ = cv2.connectedComponentsWithStats(near)
    body = extent if pieces < 2 else parts == 1 + int(part_stats[1:, cv2.CC_STAT_AREA].argmax())
    others = int((areas[order[1:]] > 0.25 * areas[order[0]]).sum())
    return LaceArea(mat, extent, body, shrink, others, limits)
