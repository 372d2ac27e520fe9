"""Bring the copies of the repeat upon each other and combine them.

What appears once (a grid line of the mat, a pin, glare, a stain) differs from copy to copy
and drops out of the median; what belongs to the lace stays. No two copies lie alike, so
each is moved by a smooth displacement: first as a whole, then by dense optical flow
(Kroeger et al., "Fast Optical Flow using Dense Inverse Search", ECCV 2016) between the
blurred cover and what all copies have in common.

Glossary
--------
folded : a picture of one repeat, row 0 at the top of the strip, column 0 at `start_mm`; its
    last column is the neighbour of its first.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.reading.mat import Image, Mask
from lacelay.reading.medians import median_of, median_of_bytes
from lacelay.reading.strip import Strip

Floats = NDArray[np.float64]

#: With fewer copies the strip stands for itself.
FEWEST_COPIES = 1.8
#: Resolution of the displacement, px per mm; of what is combined, at the most.
FLOW_PX_PER_MM, FOLDED_PX_PER_MM = 1.75, 5.0
#: A strip is not made smaller by less than to this share.
NEAR_ENOUGH = 0.9
#: Meshes are blurred away before copies are compared: they need not fit the repeat, mm.
BLUR_MM = 0.9
#: The displacement is smooth: lace is cloth, and what moves within less is a motif, mm.
SMOOTH_MM = 5.0
#: No copy lies further than this from where the repeat puts it, mm.
FARTHEST_MM = 4.0
#: Difference of cover at which a place of a copy counts half.
UNLIKE = 0.12
#: Copies that agree less than this with what they have in common are no copies.
LEAST_AGREEMENT = 0.45


@dataclass(frozen=True, eq=False)
class Copies:
    """The copies of one repeat, registered.

    Shape legend: n copies, h rows and w columns of a folded picture.

    Parameters
    ----------
    strip : Strip
        What the copies were cut from.
    repeat_mm : float
        w columns are this long.
    start_mm : float
        u of the middle of column 0 of the first copy.
    v0_mm, px_per_mm : float
        v of the middle of row 0; rows to a millimetre.
    place_px : ndarray of float32, shape (n, h, w, 2)
        Column and row of every folded pixel of every copy, in the strip made smaller to
        `strip_shape`.
    strip_shape : tuple of int
        Rows and columns of the whole strip at about the resolution of the folded pictures.
    seen : ndarray of bool, shape (n, h, w)
        Where the strip shows that copy.
    agreement : ndarray of float32, shape (h, w)
        1 where all copies are alike, 0 where they say opposite things.
    likeness : float
        Mean correlation of a copy with what the copies have in common, -1 to 1; it is the
        measure of what "alike" can mean for this piece of lace.
    reason : str
        Empty, or why the strip stands for itself: then n = 1 and the picture does not wrap.
    """

    strip: Strip
    repeat_mm: float
    start_mm: float
    v0_mm: float
    px_per_mm: float
    place_px: NDArray[np.float32]
    strip_shape: tuple[int, int]
    seen: NDArray[np.bool_]
    agreement: Image
    likeness: float
    reason: str

    @property
    def wraps(self) -> bool:
        """Whether the last column is the neighbour of the first."""
        return not self.reason

    @property
    def columns_per_mm(self) -> float:
        """Columns to a millimetre; they differ a little from the rows so that w is whole."""
        return float(self.place_px.shape[2] / self.repeat_mm)

    def to_lace(self, copy: int, columns: Floats, rows: Floats) -> Floats:
        """Lace points (u, v) of folded points as one copy shows them, shape (n, 2).

        Columns may lie beyond the copy: a neighbour then says where they are, or, past the
        ends of the strip, the last column seen.
        """
        n, h, w, _ = self.place_px.shape
        whole = columns + copy * w
        own = np.clip(np.floor(whole / w).astype(int), 0, n - 1)
        left = whole - own * w
        column, row = np.clip(left, 0, w - 1), np.clip(rows, 0, h - 1)
        place = self.place_px[own, np.round(row).astype(int), np.round(column).astype(int)]
        across, down = self._strip_px
        per_column = self.strip.px_per_mm / self.columns_per_mm
        per_row = self.strip.px_per_mm / self.px_per_mm
        x = (place[:, 0] + 0.5) * across - 0.5 + (left - np.round(column)) * per_column
        y = (place[:, 1] + 0.5) * down - 0.5 + (rows - np.round(row)) * per_row
        return np.stack([self.strip.u_of(x), self.strip.v_of(y)], axis=-1)

    @property
    def _strip_px(self) -> tuple[float, float]:
        """Pixels of the strip to a column and to a row of the smaller strip."""
        (h, w), (rows, columns) = self.strip.alpha.shape, self.strip_shape
        return w / columns, h / rows

    def fold(self, picture: NDArray[np.generic]) -> NDArray[np.float32]:
        """Each copy of a picture of the whole strip, at any resolution, as float32.

        Shape (n, h, w).
        """
        source = picture if picture.dtype == np.uint8 else picture.astype(np.float32, copy=False)
        return self._folded(source).astype(np.float32)

    def combine(self, picture: NDArray[np.generic]) -> NDArray[np.float32]:
        """Median over the copies that show a place, shape (h, w)."""
        return median_of(self.fold(picture), self.seen)

    def fold_bytes(self, picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Each copy of a picture of the whole strip, in bytes and quickly, shape (n, h, w[, c])."""
        return self._folded(picture)

    def _folded(self, picture: NDArray[Any]) -> NDArray[Any]:
        found = np.empty((*self.seen.shape, *picture.shape[2:]), picture.dtype)
        for own, (places, parts) in zip(found, self._maps(picture.shape), strict=True):
            cv2.remap(
                picture, places, parts, cv2.INTER_LINEAR, dst=own, borderMode=cv2.BORDER_REPLICATE
            )
        return found

    def _maps(self, shape: tuple[int, ...]) -> list[tuple[Any, Any]]:
        """Maps of every copy into a picture of the strip of that size."""
        known = self._known_maps
        if shape[:2] not in known:
            places = self.place_px
            if shape[:2] != self.strip_shape:
                scale = np.array(shape[1::-1], np.float32) / self.strip_shape[::-1]
                places = (places + np.float32(0.5)) * scale.astype(np.float32) - np.float32(0.5)
            empty = np.empty(0, np.float32)  # both coordinates are in the one map
            known[shape[:2]] = [cv2.convertMaps(one, empty, cv2.CV_16SC2) for one in places]
        return known[shape[:2]]

    @cached_property
    def _known_maps(
        self,
    ) -> dict[tuple[int, ...], list[tuple[Any, Any]]]:
        return {}


def folded_shape(strip: Strip) -> tuple[int, int]:
    """Rows and columns of the strip at the resolution of the folded pictures."""
    shrink = FOLDED_PX_PER_MM / strip.px_per_mm
    if shrink > NEAR_ENOUGH:  # resampling would cost more than it saves
        shrink = 1.0
    return round(strip.alpha.shape[0] * shrink), round(strip.alpha.shape[1] * shrink)


def register_copies(
    strip: Strip,
    repeat_mm: float | None,
    shrunk: tuple[Image, NDArray[np.uint8]] | None = None,
) -> Copies:
    """Cut the strip into its copies and bring them upon each other.

    Parameters
    ----------
    strip : Strip
    repeat_mm : float or None
        None where it could not be told.
    shrunk : tuple of arrays, optional
        Cover and extent (0 or 1) of the strip at a lower resolution, where they are at hand.

    Returns
    -------
    Copies
        With a `reason` where the strip stands for itself.
    """
    columns = np.flatnonzero(strip.extent.any(axis=0))
    if len(columns) == 0 or repeat_mm is None:
        return _alone(strip, "its repeat is not known")
    first, last = int(columns[0]), int(columns[-1])
    length = (last - first + 1) / strip.px_per_mm
    if length / repeat_mm < FEWEST_COPIES:
        return _alone(strip, "less than two of its repeat are seen")
    shrink = min(1.0, FLOW_PX_PER_MM / strip.px_per_mm)
    rows = max(8, round(strip.alpha.shape[0] * shrink))
    w = max(8, round(repeat_mm * strip.px_per_mm * shrink))
    n = int(np.ceil(length / repeat_mm - 0.05))
    # Strip pixels of one column of the small pictures, so that a repeat is whole columns.
    per_column = repeat_mm * strip.px_per_mm / w
    per_row = strip.alpha.shape[0] / rows
    cover, inside = _laid_out(
        strip,
        shrunk or (strip.alpha, strip.extent.view(np.uint8)),
        first,
        (per_column, per_row),
        (rows, n * w),
    )
    field = _displacement(cover, inside, w)
    folded, seen = _moved(cover, field, w), _moved(inside, field, w) > 0.5
    mean = _common(folded, seen)
    likeness, agreement = _likeness(folded, seen, mean)
    if likeness < LEAST_AGREEMENT:
        return _alone(strip, "its copies do not agree with each other")
    return _finer(
        strip, repeat_mm, first, field, (per_column, per_row), (w, rows), agreement, likeness
    )


def _alone(strip: Strip, reason: str) -> Copies:
    shrink = min(1.0, FOLDED_PX_PER_MM / strip.px_per_mm)
    h, w = (max(1, round(side * shrink)) for side in strip.alpha.shape)
    down, across = strip.alpha.shape[0] / h, strip.alpha.shape[1] / w
    x, y = np.meshgrid(np.arange(w), np.arange(h))
    inside = cv2.resize(strip.extent.astype(np.uint8), (w, h), interpolation=cv2.INTER_NEAREST)
    return Copies(
        strip,
        strip.alpha.shape[1] / strip.px_per_mm,
        float(strip.u_of(np.array([0.5 * across - 0.5]))[0]),
        float(strip.v_of(np.array([0.5 * down - 0.5]))[0]),
        strip.px_per_mm / down,
        np.stack([x, y], axis=-1).astype(np.float32)[None],
        (h, w),
        (inside > 0)[None],
        np.ones((h, w), np.float32),
        1.0,
        reason,
    )


def _laid_out(
    strip: Strip,
    pictures: tuple[Image, NDArray[np.uint8]],
    first: int,
    per: tuple[float, float],
    shape: tuple[int, int],
) -> tuple[Image, Image]:
    """Blurred cover and extent at the resolution of the displacement, from column `first`."""
    per_column, per_row = per
    size = (round(strip.alpha.shape[1] / per_column), round(strip.alpha.shape[0] / per_row))
    small = cv2.resize(pictures[0], size, interpolation=cv2.INTER_AREA)
    inside = np.asarray(cv2.resize(pictures[1] * np.uint8(255), size, interpolation=cv2.INTER_AREA))
    inside = inside.astype(np.float32) / np.float32(255)
    spread = BLUR_MM * strip.px_per_mm / per_column
    small = cv2.GaussianBlur(small, (0, 0), spread)
    across = size[0] / strip.alpha.shape[1]
    move = np.array([[1, 0, (first + 0.5) * across - 0.5], [0, 1, 0]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    out = (shape[1], shape[0])
    cover = cv2.warpAffine(small, move, out, flags=flags, borderMode=cv2.BORDER_CONSTANT)
    mask = cv2.warpAffine(inside, move, out, flags=flags, borderMode=cv2.BORDER_CONSTANT)
    return np.asarray(cover, dtype=np.float32), np.asarray(mask, dtype=np.float32)


def _common(values: NDArray[np.float32], seen: NDArray[np.bool_]) -> NDArray[np.float32]:
    """`median_of` for cover, in steps of 1/255."""
    found = median_of_bytes((values * np.float32(255) + np.float32(0.5)).astype(np.uint8), seen)
    return found.astype(np.float32) / np.float32(255)


def _moved(picture: Image, field: NDArray[np.float32], w: int) -> NDArray[np.float32]:
    """Copies of a small picture, shape (n, rows, w), each moved by the displacement."""
    rows, total = picture.shape
    x, y = np.meshgrid(np.arange(total, dtype=np.float32), np.arange(rows, dtype=np.float32))
    moved = cv2.remap(
        picture, x + field[..., 0], y + field[..., 1], cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
    )  # fmt: skip
    return np.asarray(np.stack(np.split(np.asarray(moved), total // w, axis=1)), dtype=np.float32)


def _displacement(cover: Image, inside: Image, w: int) -> NDArray[np.float32]:
    """Where each place of the tiled repeat lies in the strip, shape (rows, n w, 2), px."""
    rows, total = cover.shape
    field = np.zeros((rows, total, 2), np.float32)
    for _ in range(2):
        drift = _drift(_moved(cover, field, w), _moved(inside, field, w) > 0.5)
        # A repeat that is a little too long or an axis a little aslant drifts evenly; the
        # place within a copy drifts with it, so that no step is left between copies.
        at = (np.arange(total, dtype=np.float32) + 0.5) / w - 0.5
        field += (at[:, None] * drift[0] + drift[1]).astype(np.float32)[None]
    common = _common(_moved(cover, field, w), _moved(inside, field, w) > 0.5)
    tiled = np.tile(common, (1, total // w))
    found = _flow(tiled, cover, inside, field)
    trust = np.clip(inside, 0.01, 1) * _trust(tiled, cover, field + found)
    return field + _smooth(found, trust, SMOOTH_MM * FLOW_PX_PER_MM)


def _drift(folded: NDArray[np.float32], seen: NDArray[np.bool_]) -> Floats:
    """Even drift of the copies: (dx, dy) from copy to copy, and of the first copy."""
    shares = seen.mean(axis=(1, 2))
    whole = np.flatnonzero(shares > 0.6 * shares.max())
    if len(whole) < 2:
        return np.zeros((2, 2))
    first = int(whole[np.argmax(shares[whole])])
    most = FARTHEST_MM * FLOW_PX_PER_MM
    places, shifts = [first], [(0.0, 0.0)]
    for k in whole:
        if k == first:
            continue
        both = seen[k] & seen[first]
        window = cv2.GaussianBlur(both.astype(np.float32), (0, 0), 3.0)
        one, two = (
            np.asarray((folded[j] - _row_means(folded[j], both)) * window, dtype=np.float32)
            for j in (first, k)
        )
        (dx, dy), _ = cv2.phaseCorrelate(one, two)
        if abs(dx) <= most and abs(dy) <= most and _nearer(one, two, dx, dy):
            places.append(int(k))
            shifts.append((dx, dy))
    if len(places) < 2:
        return np.zeros((2, 2))
    # The reference itself may lie aside: the line goes through all of them.
    return np.asarray(np.polyfit(places, np.array(shifts), 1), dtype=np.float64)


def _nearer(one: Image, two: Image, dx: float, dy: float) -> bool:
    """Whether moving the second picture back by a shift makes the two more alike."""
    back = cv2.warpAffine(
        two, np.array([[1, 0, dx], [0, 1, dy]]), two.shape[::-1],
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
    )  # fmt: skip
    return float((one * back).sum()) > float((one * two).sum())


def _flow(
    common: Image, cover: Image, inside: Image, field: NDArray[np.float32]
) -> NDArray[np.float32]:
    rows, total = cover.shape
    x, y = np.meshgrid(np.arange(total, dtype=np.float32), np.arange(rows, dtype=np.float32))
    here = cv2.remap(cover, x + field[..., 0], y + field[..., 1], cv2.INTER_LINEAR)
    mask = cv2.remap(inside, x + field[..., 0], y + field[..., 1], cv2.INTER_LINEAR)
    # Beyond the ends nothing pulls: the common picture stands there too.
    here = np.where(np.asarray(mask) > 0.5, here, common)
    search = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_FAST)
    # What is left of it is smoothed far more than its own refinement would.
    search.setFinestScale(1)
    search.setVariationalRefinementIterations(0)
    search.setGradientDescentIterations(12)
    found = search.calc(
        np.asarray(cv2.convertScaleAbs(common, alpha=255), dtype=np.uint8),
        np.asarray(cv2.convertScaleAbs(here, alpha=255), dtype=np.uint8),
        np.zeros((rows, total, 2), np.float32),
    )
    most = 0.5 * FARTHEST_MM * FLOW_PX_PER_MM
    return np.asarray(np.clip(found, -most, most), dtype=np.float32)


def _trust(common: Image, cover: Image, field: NDArray[np.float32]) -> Image:
    """Where the displacement is known: at edges, and where the copy then agrees.

    A printed line or a pin agrees with nothing, and must not pull the lace along.
    """
    rows, total = cover.shape
    x, y = np.meshgrid(np.arange(total, dtype=np.float32), np.arange(rows, dtype=np.float32))
    here = cv2.remap(cover, x + field[..., 0], y + field[..., 1], cv2.INTER_LINEAR)
    right, down = cv2.Sobel(common, cv2.CV_32F, 1, 0), cv2.Sobel(common, cv2.CV_32F, 0, 1)
    slope = np.asarray(cv2.magnitude(right, down))
    steep = slope / max(float(slope.mean()), 1e-6)
    apart = (np.asarray(here) - common) / UNLIKE
    return np.asarray((0.1 + np.minimum(steep, 3.0)) / (1 + apart**2), dtype=np.float32)


def _smooth(field: NDArray[np.float32], weight: Image, spread: float) -> NDArray[np.float32]:
    """Smooth the displacement by how far it is to be trusted, carried on beyond the lace."""
    size = weight.shape[::-1]
    # What is as smooth as that is told by few of its pixels.
    shrink = min(1.0, 2.5 / spread)
    small = (max(1, round(size[0] * shrink)), max(1, round(size[1] * shrink)))

    def blurred(picture: Image) -> Image:
        few = cv2.resize(picture, small, interpolation=cv2.INTER_AREA)
        wide = cv2.GaussianBlur(few, (0, 0), spread * shrink, borderType=cv2.BORDER_REPLICATE)
        return np.asarray(wide, dtype=np.float32)

    below = np.maximum(blurred(weight), np.float32(1e-6))
    few = [blurred(field[..., k] * weight) / below for k in (0, 1)]
    return np.asarray(cv2.resize(cv2.merge(few), size, interpolation=cv2.INTER_LINEAR))


def _likeness(
    folded: NDArray[np.float32], seen: NDArray[np.bool_], common: Image
) -> tuple[float, Image]:
    """Mean correlation of copies with the rest, and the agreement at each place."""
    found, weights = [], []
    spread = np.zeros(common.shape, np.float32)
    for k, (copy, mask) in enumerate(zip(folded, seen, strict=True)):
        others = np.delete(folded, k, axis=0), np.delete(seen, k, axis=0)
        both = mask & others[1].any(axis=0)
        if both.mean() < 0.1:
            continue
        rest = _common(*others)
        a, b = copy - _row_means(copy, both), rest - _row_means(rest, both)
        a, b = a[both], b[both]
        found.append(float((a * b).sum() / max(np.sqrt((a * a).sum() * (b * b).sum()), 1e-9)))
        weights.append(float(both.mean()))
        spread = np.maximum(spread, np.where(both, np.abs(copy - common), 0))
    likeness = float(np.average(found, weights=weights)) if found else 0.0
    return likeness, np.asarray(np.clip(1 - 2 * spread, 0, 1), dtype=np.float32)


def _row_means(picture: Image, mask: Mask) -> Image:
    total = (picture * mask).sum(axis=1, keepdims=True)
    return np.asarray(total / np.maximum(mask.sum(axis=1, keepdims=True), 1), dtype=np.float32)


def _finer(
    strip: Strip,
    repeat_mm: float,
    first: int,
    field: NDArray[np.float32],
    per: tuple[float, float],
    small: tuple[int, int],
    agreement: Image,
    likeness: float,
) -> Copies:
    """Places in the strip at the resolution of the folded pictures."""
    per_column, per_row = per
    small_w, _ = small
    px_per_mm = min(strip.px_per_mm, FOLDED_PX_PER_MM)
    h = max(8, round(strip.alpha.shape[0] * px_per_mm / strip.px_per_mm))
    w = max(8, round(repeat_mm * px_per_mm))
    n = field.shape[1] // small_w
    down, across = strip.alpha.shape[0] / h, repeat_mm * strip.px_per_mm / w
    x = first + (np.arange(n * w) * across)
    y = (np.arange(h) + 0.5) * down - 0.5
    shape = folded_shape(strip)
    # Places in the smaller strip: all that is folded has its resolution.
    sx, sy = shape[1] / strip.alpha.shape[1], shape[0] / strip.alpha.shape[0]
    column = ((x + 0.5) * sx - 0.5).astype(np.float32)
    row = ((y + 0.5) * sy - 0.5).astype(np.float32)
    # The displacement is slow: read it between its own pixels.
    field = field * np.array([per_column * sx, per_row * sy], np.float32)
    size = (n * w, h)
    moved = np.asarray(cv2.resize(field, size, interpolation=cv2.INTER_LINEAR), dtype=np.float32)
    moved[..., 0] += column
    moved[..., 1] += row[:, None]
    place = moved.reshape(h, n, w, 2).transpose(1, 0, 2, 3)
    low, high = _length_shown(strip)
    low_px, high_px = (low - 0.5) * sx, (high + 0.5) * sx
    inside = np.ones((n, h, w), bool)
    for own, at in zip(inside, place[..., 0], strict=True):
        # Columns go on along the strip: the outermost tell whether all of them are shown.
        if at[:, 0].min() <= low_px or at[:, -1].max() >= high_px:
            np.logical_and(at > low_px, at < high_px, out=own)
    fine = cv2.resize(agreement, (w, h), interpolation=cv2.INTER_LINEAR)
    return Copies(
        strip,
        repeat_mm,
        float(strip.u_of(np.array([first]))[0]),
        float(strip.v_of(np.array([y[0]]))[0]),
        h / (strip.alpha.shape[0] / strip.px_per_mm),
        place,
        shape,
        inside,
        np.asarray(fine, dtype=np.float32),
        likeness,
        "",
    )


def _length_shown(strip: Strip) -> tuple[int, int]:
    """First and last column of the strip where lace is seen from side to side."""
    deep = cv2.reduce(strip.extent.view(np.uint8), 0, cv2.REDUCE_SUM, dtype=cv2.CV_32S)[0]
    shown = np.flatnonzero(deep > 0.5 * np.median(deep[deep > 0]))
    return int(shown[0]), int(shown[-1])
