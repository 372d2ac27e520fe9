"""Tell lace from what it lies on: what in the search picture is thread.

What differs from the mat, as `mat` models it, is lace where it has threads; a table beside
the mat and a reflected lamp are neither. Net too fine for the search picture is seen by its
mean over a few meshes. `laces` makes pieces of it.

Arrays are (row, col); colours are CIE Lab with L from 0 to 100, float32.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.errors import ReadingError
from lacelay.reading.colours import commonest, lab_of, length_of
from lacelay.reading.grid_fit import Grid
from lacelay.reading.light import light_on
from lacelay.reading.mat import (
    Image,
    Mask,
    Mat,
    completed,
    distance,
    fit_surface,
    glare_of,
    line_zone,
    middle_of,
    sampled,
    seen_above,
    shade_of,
    surface_at,
    upsample,
)
from lacelay.reading.scale import Reference

Floats = NDArray[np.float64]
Limits = tuple[float, float, float, float]

#: Longer side of the picture the lace is looked for in, px.
SEARCH_PX = 1200
#: Longer side of the picture that pieces are told apart in, px.
PIECES_PX = 800
#: Something without any thread over a disc of this share of the photo's side is no lace.
FEATURELESS_SHARE = 0.022
#: A mat reaches this many steps beyond its outermost line at least.
BEYOND_LINES = 0.25
#: What covers more of the photo than the first share lies on the mat; beside it the second
#: share must be seen to tell the mat's colour there alone.
LYING_SHARE, BESIDE_SHARE = 0.002, 0.12
#: Even places of one colour differ by less; the mat has so many times as many as the table.
EVEN_LAB, CLEARLY_MORE = 8.0, 1.5
#: What has the mat's colour differs by less, half of a difference in lightness counted.
MAT_LIKE_LAB = 7.0
#: No mat's margin is wider than so many steps.
MOST_BEYOND = 4.0
#: Threads apart by less than this share of the photo's side are the same lace.
JOINT_SHARE = 0.0035
#: Net whose threads blur into the mat differs from it on the mean by this share of what a
#: thread must, and is rough by the second share: a stain or a shadow left over is smooth.
NET_SHARE, NET_ROUGH = 0.5, 0.08
#: The mean of bare mat is its noise: net differs by this many times that.
NET_TIMES = 2.0
#: About a thread the mean over three pixels is this share of what is seen as thread, and this
#: many times the mat's noise.
SPECK_SHARE, SPECK_TIMES = 0.25, 0.9
#: More than this share of a pixel of the pieces' picture must be thread.
PIECE_COVER = 0.3


@dataclass(frozen=True, eq=False)
class LaceArea:
    """Where one piece of lace lies: its filled extent and its body.

    Parameters
    ----------
    picture : ndarray of uint8, shape (h, w, 3)
        The search picture itself, the photo made smaller by `picture_shrink`.
    picture_shrink : float
    mat : Mat
        What this piece lies on: the mat, or a card with lace on it.
    extent : ndarray of bool
        The lace with the holes of its net filled, in the photo made smaller by `shrink`; what
        a ring goes round is not filled.
    body : ndarray of bool
        The extent without fringes and single threads.
    shrink : float
    limits : tuple of float
        Grid coordinates (least i, least j, largest i, largest j) beyond which there is no mat.
    on_mat : ndarray of bool or None
        Where the mat lies, where that is known without a grid; None: everywhere.
    off_mat : tuple of str
        The sides of the photo on which the lace reaches the mat's own edge.
    ring : bool
        Whether it goes round a hole.
    """

    picture: NDArray[np.uint8]
    picture_shrink: float
    mat: Mat
    extent: Mask
    body: Mask
    shrink: float
    limits: Limits
    on_mat: Mask | None = None
    off_mat: tuple[str, ...] = ()
    ring: bool = False

    def to_photo(self, columns: Floats, rows: Floats) -> Floats:
        """Pixels of the extent to photo points (x, y), shape (n, 2)."""
        return np.stack([(columns + 0.5) / self.shrink - 0.5, (rows + 0.5) / self.shrink - 0.5], -1)

    @property
    def middle_px(self) -> tuple[float, float]:
        """Photo point (x, y) in the middle of the piece."""
        rows, columns = np.nonzero(self.extent)
        at = self.to_photo(np.array([columns.mean()]), np.array([rows.mean()]))[0]
        return float(at[0]), float(at[1])


@dataclass(frozen=True, eq=False)
class Search:
    """The search picture, and what in it is thread.

    Parameters
    ----------
    seen : ndarray of float32, shape (h, w)
        How much of each pixel is thread or fine net, 0 to 1, in the pieces' picture: the photo
        made smaller by `shrink`.
    on_mat : ndarray of bool, shape (h, w)
        Where there is mat, same picture.
    covered : ndarray of bool or None
        Where a ruler, a card or a sheet that tells the scale lies, same picture.
    smooth : ndarray of bool
        Without thread for a few pixels around, in the search picture `lab`.
    """

    picture: NDArray[np.uint8]
    picture_shrink: float
    lab: Image
    mat: Mat
    far: Image
    smooth: Mask
    limits: Limits
    seen: Image
    on_mat: Mask
    covered: Mask | None
    shrink: float


def search(photo: NDArray[np.uint8], reference: Reference) -> Search:
    """Model the mat, and see what in the photo is none of it."""
    longest = max(photo.shape[:2])
    shrink = min(1.0, SEARCH_PX / longest)
    picture = np.asarray(_resized(photo, shrink), dtype=np.uint8)
    lab = lab_of(picture)
    shape = lab.shape[:2]
    rows, columns = sampled(shape)
    photo_at = np.stack(
        np.meshgrid((columns + 0.5) / shrink - 0.5, (rows + 0.5) / shrink - 0.5), axis=-1
    )
    at = None if reference.grid is None else _grid_coordinates(reference, photo_at, shape)
    zone = None if reference.grid is None or at is None else line_zone(reference.grid, at, shrink)
    limits = _limits(lab, reference.grid, at)
    on_mat = np.ones(shape, bool) if at is None else within_limits(limits, at)
    covered: Mask | None = None
    if reference.outlines_px:
        covered = _covered(reference, shape, shrink)
        on_mat &= ~covered
    beside, first = _beside_lace(lab, zone, on_mat, shrink, reference)
    terms, noise = fit_surface(lab, zone, beside, shrink, reference, first)
    surface = surface_at(terms, photo_at, shape, reference.size_px)
    middle = middle_of(surface)
    ways = (glare_of(middle), shade_of(middle))
    light = light_on(lab - surface, zone, on_mat, noise, ways, shrink)
    if light is not None:
        surface += upsample(light.at(photo_at), shape)
    mat = completed(lab, surface, zone, on_mat, terms, noise, reference)
    mat = replace(mat, light=light)
    far = mat.relit(distance(lab, surface, zone, mat, joint_px(shape)), photo_at)
    smooth = featureless_points(lab, zone, mat.noise)
    thread = threads(far, mat, smooth) & on_mat
    small = min(1.0, PIECES_PX / max(shape))
    size = (max(1, round(shape[1] * small)), max(1, round(shape[0] * small)))
    seen = cv2.resize(thread.astype(np.float32), size, interpolation=cv2.INTER_AREA)

    def less(mask: Mask) -> Mask:
        return cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0

    return Search(
        picture,
        shrink,
        lab,
        mat,
        far,
        smooth,
        limits,
        np.asarray(seen, dtype=np.float32),
        less(on_mat),
        None if covered is None else less(covered),
        shrink * size[0] / shape[1],
    )


def _beside_lace(
    lab: Image, zone: Image | None, on_mat: Mask, shrink: float, reference: Reference
) -> tuple[Mask, Floats | None]:
    """The mat outside all that lies on it, where enough of it is seen, and its colour.

    Net mixes its colour into the mat's: a mat seen through it looks lighter or darker. Where
    too little is seen beside it, all of the mat, and the colour None.
    """
    half = np.asarray(
        cv2.resize(lab, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), dtype=np.float32
    )
    shape = half.shape[:2]
    there = on_mat[: 2 * shape[0] : 2, : 2 * shape[1] : 2]
    lines = None if zone is None else zone[: 2 * shape[0] : 2, : 2 * shape[1] : 2]
    first = None if reference.grid is not None else _largest_even(half, there)
    terms, noise = fit_surface(half, lines, there, shrink / 2, reference, first)
    rows, columns = sampled(shape)
    at = np.meshgrid((columns + 0.5) / shrink * 2 - 0.5, (rows + 0.5) / shrink * 2 - 0.5)
    offset = half - surface_at(terms, np.stack(at, axis=-1), shape, reference.size_px)
    differs = there & (length_of(offset) > max(3.5 * noise, 5.0))
    if lines is not None:
        differs &= lines <= 0
    joint = joint_px(shape)
    closed = cv2.morphologyEx(differs.astype(np.uint8), cv2.MORPH_CLOSE, disc(2 * joint))
    closed = cv2.morphologyEx(closed, cv2.MORPH_OPEN, disc(joint))
    lying = np.zeros(shape, np.uint8)
    for contour in cv2.findContours(closed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)[0]:
        if cv2.contourArea(contour) > LYING_SHARE * closed.size:
            cv2.fillConvexPoly(lying, cv2.convexHull(contour), 1)
    lying = np.asarray(cv2.dilate(lying, disc(2 * joint)), dtype=np.uint8)
    whole = cv2.resize(lying, lab.shape[1::-1], interpolation=cv2.INTER_NEAREST) > 0
    beside = on_mat & ~whole
    seen = beside.mean() > BESIDE_SHARE
    return beside if seen else on_mat, first


def _largest_even(lab: Image, there: Mask) -> Floats | None:
    """The commonest colour of places without threads, if it is no matter of doubt.

    A mat that does not reach the photo's border has a table about it: the border's colour is
    the table's then.
    """
    even = featureless_points(lab, None, 1.0) & there
    colours = lab[even][::5]
    if len(colours) < 100:
        return None
    mode = commonest(colours)
    rim = max(3, int(0.06 * max(even.shape)))
    border = there.copy()
    border[rim:-rim, rim:-rim] = False
    at_border = commonest(lab[border][::3]) if border.any() else mode
    own, others = (
        int((length_of((colours - colour).astype(np.float32)[None])[0] < EVEN_LAB).sum())
        for colour in (mode, at_border)
    )
    return mode if own > CLEARLY_MORE * others else None


def _resized(photo: NDArray[np.uint8], shrink: float) -> NDArray[np.uint8]:
    size = (round(photo.shape[1] * shrink), round(photo.shape[0] * shrink))
    # Exact halves first: they cost a fifth of any other share.
    while shrink <= 0.5 and photo.shape[0] % 2 == 0 and photo.shape[1] % 2 == 0:
        photo = np.asarray(
            cv2.resize(photo, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), dtype=np.uint8
        )
        shrink *= 2
    return np.asarray(cv2.resize(photo, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def threads(far: Image, mat: Mat, smooth: Mask) -> Mask:
    """What is thread, and net whose threads are too fine to be seen one by one."""
    least = np.float32(seen_above(mat))
    # A speck of grain stands alone, a thread goes on.
    lone = SPECK_SHARE * least + np.float32(SPECK_TIMES * mat.noise)
    strong = (far > least) & (cv2.blur(far, (3, 3)) > lone)
    reach = 2 * round(joint_px(far.shape)) + 1
    held = np.minimum(far, least)
    mean = cv2.blur(held, (reach, reach))
    square = cv2.blur(held * held, (reach, reach))
    rough = (NET_ROUGH * least) ** 2
    faint = max(NET_SHARE * float(least), NET_TIMES * mat.noise)
    net = ((mean > faint) & (square - mean * mean > rough)) | strong
    # A thread's blur reaches half a window out: taken off again.
    inner = cv2.erode(net.astype(np.uint8), np.ones((reach, reach), np.uint8), borderValue=1)
    # Wide places: half the picture's pixels show them as well.
    core = opened(smooth[::2, ::2].astype(np.uint8), 0.5 * FEATURELESS_SHARE * max(far.shape))
    plain = cv2.resize(cv2.dilate(core, disc(2)), far.shape[::-1], interpolation=cv2.INTER_NEAREST)
    return np.asarray((strong | (inner > 0)) & (plain == 0), dtype=bool)


def _covered(reference: Reference, shape: tuple[int, ...], shrink: float) -> Mask:
    """Where a ruler, a card or a sheet that tells the scale lies."""
    covered = np.zeros(shape[:2], np.uint8)
    for outline in reference.outlines_px:
        small = np.round((outline + 0.5) * shrink - 0.5).astype(np.int32)
        cv2.fillPoly(covered, [small], 1)
    return cv2.dilate(covered, disc(3)) > 0


def featureless_points(lab: Image, zone: Image | None, noise: float) -> Mask:
    """Pixels with no thread within a few of them: a reflected lamp, paper, bare table."""
    light = np.ascontiguousarray(lab[..., 0])
    size = (9, 9)
    if zone is None:
        mean, square = cv2.blur(light, size), cv2.blur(light * light, size)
    else:
        keep = (zone <= 0).astype(np.float32)
        weight = np.maximum(cv2.blur(keep, size), 1e-3)
        mean = cv2.blur(light * keep, size) / weight
        square = cv2.blur(light * light * keep, size) / weight
    limit = max(1.6 * noise, 1.5)
    return np.asarray(square - mean * mean < limit * limit, dtype=bool)


def within_limits(limits: Limits, grid_xy: NDArray[np.floating]) -> Mask:
    """Where the mat surely lies, from grid coordinates of pixels, shape (h, w, 2)."""
    inside = np.ones(grid_xy.shape[:2], bool)
    for axis in (0, 1):
        if np.isfinite(limits[axis]):
            inside &= grid_xy[..., axis] > limits[axis]
        if np.isfinite(limits[axis + 2]):
            inside &= grid_xy[..., axis] < limits[axis + 2]
    return inside


def _grid_coordinates(reference: Reference, photo_at: Floats, shape: tuple[int, ...]) -> Image:
    unit = reference.map_along(np.array([[0.0, 0], [1, 0]]))
    # Before it is settled, the reference's unit is one grid step.
    at = unit.photo_to_mat_mm(photo_at.reshape(-1, 2)).reshape(photo_at.shape)
    return upsample(at, shape)


def _limits(lab: Image, grid: Grid | None, at: Image | None) -> Limits:
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
    mat_like = _like(colour, colour[within])
    limits = list(endless)
    beyond = (i0 - i, j0 - j, i - i1, j - j1)
    for side, past in enumerate(beyond):
        far = past > 1.0
        if far.sum() > 100 and float(mat_like[far].mean()) < 0.2:
            # Along this side alone: past its corners lies the table as well.
            along = np.maximum(beyond[(side + 1) % 4], beyond[(side + 3) % 4]) < 0
            near = along & (past > -1.0) & (past < BEYOND_LINES)
            # The light may have changed on the way there.
            own = _like(colour[along], colour[near]) if near.sum() > 100 else mat_like[along]
            reach = _reach_of_mat(past[along], own)
            limits[side] = grid.extent[side] + (-reach if side < 2 else reach)
    return limits[0], limits[1], limits[2], limits[3]


def _like(colours: Image, own: Image) -> Mask:
    """Which colours are like the commonest of a place."""
    spread = colours - commonest(own).astype(np.float32)
    # Light changes lightness more than hue.
    square = (0.5 * spread[..., 0]) ** 2 + spread[..., 1] ** 2 + spread[..., 2] ** 2
    return np.asarray(square < MAT_LIKE_LAB**2)


def _reach_of_mat(past: Image, mat_like: Mask) -> float:
    """How far a mat goes on past its outermost line, in steps, from what has its colour."""
    edges = np.arange(-1.0, MOST_BEYOND + 0.05, 0.1)
    of_all, _ = np.histogram(past, edges)
    of_mat, _ = np.histogram(past[mat_like], edges)
    share = of_mat / np.maximum(of_all, 1)
    own = float(np.median(share[edges[:-1] < 0]))
    # Numerals and ticks cover a part of the margin, a table all of what lies past it.
    is_mat = (share > 0.4 * own) & (of_all > 10)
    is_mat[edges[:-1] < BEYOND_LINES - 0.05] = True
    first = int(np.argmin(is_mat)) if not is_mat.all() else len(is_mat)
    # The last tenth of a step is blurred into what lies beyond.
    return float(max(edges[first] - 0.1, BEYOND_LINES))


def fill_holes(mask: Mask) -> Mask:
    """The mask with everything it encloses."""
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros(mask.shape, np.uint8)
    cv2.drawContours(filled, contours, -1, 1, cv2.FILLED)
    return filled > 0


def largest_piece(mask: Mask) -> Mask:
    """The piece of a mask that covers most; the mask itself where it is empty or in one piece."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8))
    if count < 3:
        return mask
    return np.asarray(labels == 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax()))


def disc(radius_px: float) -> NDArray[np.uint8]:
    """A round structuring element."""
    size = 2 * max(1, round(radius_px)) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), dtype=np.uint8)


def opened(mask: NDArray[np.uint8], radius_px: float) -> NDArray[np.uint8]:
    """Opening by a round element of any size, in the time of two distance transforms."""
    radius = max(1.0, float(round(radius_px))) + 0.25
    inside = cv2.distanceTransform(mask, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    core = (inside <= radius).astype(np.uint8)
    if core.all():
        return np.zeros_like(mask)
    near = cv2.distanceTransform(core, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    return np.asarray(near <= radius, dtype=np.uint8)


def filled() -> ReadingError:
    """What is said of a photo with no mat along the lace."""
    return ReadingError(
        "The lace touches all four borders of the photo, so neither of its edges can be told.",
        "Photograph it from farther away, with mat to be seen along both edges.",
    )


#: A photo is filled with lace when, its gaps closed and motifs counted, so much of it is
#: lace and no bare place is larger than the second share. Lace on a mat left a bare place of
#: 0.14 or more in every photo tried; photos filled with lace one of 0.08 at most.
FILLED_SHARE, LARGEST_BARE_SHARE = 0.7, 0.1
#: Side of the picture that is judged in, and how far apart lace closes there, px.
_FILLED_PX, _FILLED_JOINT_PX = 400, 6
#: Largest motif, as a share of a photo that is filled with lace.
_MOTIF_SHARE = 0.03


def refuse_if_filled(seen: Image) -> None:
    """Refuse a photo with nothing but lace: which of it is thread cannot be told either.

    With no mat about, the commonest colour may be the lace's own; then gaps are what is
    seen. Both are everywhere in a photo filled with lace.
    """
    scale = _FILLED_PX / max(seen.shape)
    small = cv2.resize(seen, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    pad = 3 * _FILLED_JOINT_PX
    # Mirrored: lace that runs out of the photo goes on.
    wide = cv2.copyMakeBorder(
        (small > 0.25).astype(np.uint8), pad, pad, pad, pad, cv2.BORDER_REFLECT
    )
    closed = cv2.morphologyEx(wide, cv2.MORPH_CLOSE, disc(_FILLED_JOINT_PX))
    bare = (closed[pad:-pad, pad:-pad] == 0).astype(np.uint8)
    _, _, stats, _ = cv2.connectedComponentsWithStats(bare)
    shares = stats[1:, cv2.CC_STAT_AREA] / bare.size
    # What is as small as a motif may be one.
    bare_share = float(shares[shares > _MOTIF_SHARE].sum())
    if bare_share < 1 - FILLED_SHARE and shares.max(initial=0.0) < LARGEST_BARE_SHARE:
        raise filled()


def joint_px(shape: tuple[int, ...]) -> float:
    """Threads apart by less than this are the same lace: the net must close before filling."""
    return max(2.0, JOINT_SHARE * float(max(shape[:2])))
