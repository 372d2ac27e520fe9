"""Find four-sided things lying in the photo: plain regions bounded by four straight edges.

A small picture is freed of thin things (threads, grid lines), cut at several levels of
lightness and colour, and each region's outline is asked for four lines. Each side is then
measured across in the full photo, to a fraction of a pixel, at places where it can be seen.

Frames: photo points (x, y) px, y down. Corners go round as seen, clockwise.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from math import dist

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.reading.four_lines import area_of, four_lines, through
from lacelay.reading.halves import Halves

Floats = NDArray[np.float64]
Image8 = NDArray[np.uint8]

#: Longer side of the picture that regions are looked for in, px.
REGION_PX = 560
#: Least and most share of the photo that a region takes.
LEAST_SHARE, MOST_SHARE = 0.003, 0.75
#: How much longer than wide a region looks at least and at most: cells of a grid are square.
LEAST_LONG, MOST_LONG = 1.14, 2.2
#: The same for two pieces together: two cells of a grid are two to one.
MOST_LONG_PAIR = 1.9
#: Pieces of one level that are tried two by two, and how much of both must be filled.
MOST_PIECES, LEAST_FILLED = 6, 0.62
#: Least share of its hull that a piece fills.
LEAST_COMPACT = 0.7
#: Least share of an outline that its four longest straight stretches take: petals have less.
LEAST_STRAIGHT = 0.5
#: Places along each side that are measured across.
PLACES = 72
#: Samples along the edge at each of them.
ALONG = 4
#: A side farther than this share of its length from straight is no straight edge.
STRAIGHT = 0.006
#: How far from the shape looked for the coarse corners of a region may be, as a share.
ROUGHLY_SHAPED = 0.07
#: Focal lengths of phones and cameras over the photo's longer side: 22 to 58 mm on small film.
LENSES = np.geomspace(0.6, 1.6, 12)
_LEVELS = 9


@dataclass(frozen=True, eq=False)
class Quad:
    """A four-sided region, its sides measured.

    Parameters
    ----------
    corners_px : ndarray, shape (4, 2)
        Where the straight sides meet, clockwise as seen.
    side_px : tuple of four ndarrays, each (n, 2)
        Points measured on each side, from corner k to corner k + 1.
    seen : float
        Share of the places along the sides at which the edge was there.
    clear : float
        Share of those places beyond which lies what lies beyond the others: the mat.
    inside, outside : ndarray, shape (3,)
        Lab colour (L 0 to 100) within and beyond the edges.
    plain : float
        Share of the region that has the inside's colour.
    direction : ndarray, shape (3,)
        Linear RGB direction in which the edge is seen best, from outside to inside.
    step : float
        Change along `direction` over the edge.
    """

    corners_px: Floats
    side_px: tuple[Floats, Floats, Floats, Floats]
    seen: float
    clear: float
    inside: Floats
    outside: Floats
    plain: float
    direction: Floats
    step: float


def find_quads(photo: Image8, ratios: Sequence[float], halves: Halves | None = None) -> list[Quad]:
    """Find four-sided plain regions.

    Parameters
    ----------
    photo : ndarray of uint8, shape (h, w, 3)
        sRGB.
    ratios : sequence of float
        Long side over short side of what is looked for.
    halves : Halves, optional
        The photo's smaller pictures, where they are made already.

    Returns
    -------
    list of Quad
        The largest first.
    """
    halves = halves or Halves.of(photo)
    level = halves.nearest(REGION_PX)
    shrink, small = 0.5**level, halves.colour[level]
    size = small.shape[1], small.shape[0]
    lab = np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2LAB), dtype=np.uint8)
    found: list[Quad] = []
    for outline in _regions(lab):
        corners = four_lines(outline)
        if corners is None or any(_same(corners, quad, shrink) for quad in found):
            continue
        if min(shape_miss(corners, ratio, size)[0] for ratio in ratios) > ROUGHLY_SHAPED:
            continue
        quad = measure_quad(photo, (corners + 0.5) / shrink - 0.5, lab, shrink)
        if quad is not None and not any(_same(quad.corners_px * shrink, q, shrink) for q in found):
            found.append(quad)
    found.sort(key=lambda quad: -area_of(quad.corners_px))
    return found


def shape_miss(corners_px: Floats, ratio: float, size_px: tuple[int, int]) -> tuple[float, bool]:
    """How far four corners are from a rectangle of a ratio, for the likeliest lens.

    Parameters
    ----------
    corners_px : ndarray, shape (4, 2)
        Clockwise as seen.
    ratio : float
        Long side over short side.
    size_px : tuple of int
        Width and height of the photo.

    Returns
    -------
    tuple of float and bool
        The miss as a share, and whether side 0 (corner 0 to 1) is the long one.
    """
    misses = rectangle_misses(corners_px, ratio, size_px)
    return min(misses), misses[0] <= misses[1]


def rectangle_misses(
    corners_px: Floats, ratio: float, size_px: tuple[int, int]
) -> tuple[float, float]:
    """The same with side 0 as the long one, and as the short one.

    Strong slant trades the lens's length for the ratio, so that both may fit: then the four
    corners do not tell. Lenses of `LENSES` times the photo's longer side are thought of.
    """
    centre = np.array([(size_px[0] - 1) / 2, (size_px[1] - 1) / 2])
    seen = (np.asarray(corners_px, dtype=float) - centre) / max(size_px)
    misses = []
    for wide, high in ((ratio, 1.0), (1.0, ratio)):
        target = np.array([[0, high], [wide, high], [wide, 0], [0, 0]], np.float32)
        view = np.asarray(cv2.getPerspectiveTransform(target, seen.astype(np.float32)), float)
        # Through a lens of length f both sides have one scale and stand square.
        one = np.stack([view[0, 0] / LENSES, view[1, 0] / LENSES, np.full(len(LENSES), view[2, 0])])
        two = np.stack([view[0, 1] / LENSES, view[1, 1] / LENSES, np.full(len(LENSES), view[2, 1])])
        long, short = np.linalg.norm(one, axis=0), np.linalg.norm(two, axis=0)
        askew = (one * two).sum(axis=0) / (long * short)
        misses.append(float(np.hypot(np.log(long / short), askew).min()))
    return misses[0], misses[1]


def _same(corners: Floats, quad: Quad, shrink: float) -> bool:
    middles = corners.mean(axis=0), quad.corners_px.mean(axis=0) * shrink
    apart = float(np.hypot(*(middles[0] - middles[1])))
    size = np.sqrt(area_of(quad.corners_px)) * shrink
    alike = abs(np.log(max(area_of(corners), 1.0) / size**2)) < 0.2
    return bool(apart < 0.06 * size and alike)


def _regions(lab: Image8) -> Iterator[Floats]:
    """Outlines of compact regions, each once or a few times, shape (n, 2)."""
    height, width = lab.shape[:2]
    thin = np.ones((5, 5), np.uint8)
    taken: list[tuple[int, int, int, int]] = []
    for channel in range(3):
        plane = np.ascontiguousarray(lab[..., channel])
        for above in (True, False):
            # Threads and grid lines vanish from what is above by opening, below by closing.
            how = cv2.MORPH_OPEN if above else cv2.MORPH_CLOSE
            calm = cv2.morphologyEx(plane, how, thin)
            low, high = np.percentile(calm[::3, ::3], (0.5, 99.5))
            if high - low < 14:
                continue
            levels = _LEVELS if channel == 0 else _LEVELS // 2
            for level in np.linspace(low, high, levels + 2)[1:-1]:
                mask = (calm > level) if above else (calm < level)
                yield from _compact(mask.astype(np.uint8), (width, height), taken)


def _compact(
    mask: NDArray[np.uint8], size: tuple[int, int], taken: list[tuple[int, int, int, int]]
) -> Iterator[Floats]:
    pieces = _pieces(mask, size)
    for contour in pieces:
        if _is_new(contour, size, taken):
            yield contour.reshape(-1, 2).astype(np.float64)
    # A stripe of the background's own colour parts a card in two.
    large = [(each, float(cv2.contourArea(each))) for each in pieces[:MOST_PIECES]]
    for (one, own), (two, other) in combinations(large, 2):
        both = np.concatenate([one, two])
        _, _, w, h = cv2.boundingRect(both)
        # A hull fills at least half of the box it touches on all four sides.
        if own + other < 0.5 * LEAST_FILLED * w * h:
            continue
        hull = np.asarray(cv2.convexHull(both), dtype=np.int32)
        filled = own + other > LEAST_FILLED * float(cv2.contourArea(hull))
        if filled and _is_new(hull, size, taken, MOST_LONG_PAIR):
            yield _stepped(hull.reshape(-1, 2).astype(np.float64))


def _pieces(mask: NDArray[np.uint8], size: tuple[int, int]) -> list[NDArray[np.int32]]:
    """Outlines of the pieces of a mask that may be a sheet or card, or part of one."""
    whole = size[0] * size[1]
    found, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    # An outline shorter than a square's of the least size surrounds less.
    shortest = 4 * (np.sqrt(0.2 * LEAST_SHARE * whole) - 1)
    pieces: list[NDArray[np.int32]] = []
    for contour in sorted((each for each in found if len(each) >= shortest), key=len)[::-1]:
        x, y, w, h = cv2.boundingRect(contour)
        if not 0.2 * LEAST_SHARE < w * h / whole < 0.98 or min(w, h) < 6:
            continue
        # Smaller ones can only be a part of a larger thing, of which few are tried.
        if w * h < LEAST_SHARE * whole and len(pieces) >= MOST_PIECES:
            continue
        # All four corners must be in the photo.
        if x <= 1 or y <= 1 or x + w >= size[0] - 1 or y + h >= size[1] - 1:
            continue
        outline = np.asarray(contour, dtype=np.int32)
        if len(outline) <= 2.2 * (w + h) and _is_piece(outline):
            pieces.append(outline)
    return pieces


def _is_piece(contour: NDArray[np.int32]) -> bool:
    """Whether an outline is compact and mostly straight."""
    area = float(cv2.contourArea(contour))
    _, _, w, h = cv2.boundingRect(contour)
    # A hull fills at least half of the box it touches on all four sides.
    if area < 0.5 * LEAST_COMPACT * w * h or _straight_share(contour) < LEAST_STRAIGHT:
        return False
    return area >= LEAST_COMPACT * float(cv2.contourArea(cv2.convexHull(contour)))


def _is_new(
    contour: NDArray[np.int32],
    size: tuple[int, int],
    taken: list[tuple[int, int, int, int]],
    most_long: float = MOST_LONG,
) -> bool:
    """Whether an outline has the size and ratio looked for and was not seen twice before."""
    share = float(cv2.contourArea(contour)) / (size[0] * size[1])
    x, y, w, h = cv2.boundingRect(contour)
    (_, (one, two), _) = cv2.minAreaRect(contour)
    if not LEAST_SHARE < share < MOST_SHARE or min(w, h) < 14:
        return False
    if not LEAST_LONG * min(one, two) < max(one, two) < most_long * min(one, two):
        return False
    near = sum(
        abs(x - a) + abs(y - b) + abs(x + w - c) + abs(y + h - d) < 5 for a, b, c, d in taken
    )
    if near < 2:
        taken.append((x, y, x + w, y + h))
    return near < 2


def _stepped(corners: Floats) -> Floats:
    """A closed outline with a point about every pixel."""
    following = np.roll(corners, -1, axis=0)
    counts = np.maximum(np.hypot(*(following - corners).T).astype(int), 1)
    parts = [
        a + np.arange(n)[:, None] / n * (b - a)
        for a, b, n in zip(corners, following, counts, strict=True)
    ]
    return np.concatenate(parts)


def _straight_share(contour: NDArray[np.int32]) -> float:
    """Share of an outline that its four longest straight stretches take."""
    corners = cv2.approxPolyDP(contour, 1.5, True)[:, 0].tolist()
    lengths = sorted(dist(one, two) for one, two in pairwise([corners[-1], *corners]))
    return sum(lengths[-4:]) / sum(lengths)


def measure_quad(
    photo: Image8, corners_px: Floats, lab: Image8 | None = None, shrink: float = 1.0
) -> Quad | None:
    """Measure the sides of a four-sided region in the full photo, near the corners given.

    Parameters
    ----------
    photo : ndarray of uint8, shape (h, w, 3)
    corners_px : ndarray, shape (4, 2)
        Within about one per cent of its size, clockwise as seen.
    lab, shrink
        A smaller picture in Lab as OpenCV packs it, for the colours; made where None.

    Returns
    -------
    Quad or None
        None where the sides cannot be seen or are not straight.
    """
    if lab is None:
        shrink = min(1.0, REGION_PX / max(photo.shape[:2]))
        small = cv2.resize(photo, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        lab = np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2LAB), dtype=np.uint8)
    corners = np.asarray(corners_px, dtype=float)
    inside, outside, plain = _colours(lab, corners * shrink)
    if float(np.hypot(*(inside - outside)[1:]) + abs(inside[0] - outside[0])) < 6:
        return None
    sides: list[Floats] = []
    direction, step = np.zeros(3), 0.0
    share = clear = 0.0
    for reach in (max(2.5 / shrink, 4.0), max(1.2 / shrink, 3.0)):
        measured = _measure_sides(photo, corners, reach)
        if measured is None:
            return None
        sides, share, clear, direction, step = measured
        lines = [_straight(side) for side in sides]
        if any(line is None for line in lines):
            return None
        again = []
        for k in range(4):
            (n0, c0), (n1, c1) = lines[k - 1], lines[k]  # type: ignore[misc]
            matrix = np.stack([n0, n1])
            if abs(np.linalg.det(matrix)) < 0.3:
                return None
            again.append(np.linalg.solve(matrix, [c0, c1]))
        corners = np.asarray(again)
    height, width = photo.shape[:2]
    if np.any(corners < 1) or np.any(corners > [width - 2, height - 2]):
        return None
    return Quad(
        corners, (sides[0], sides[1], sides[2], sides[3]), share, clear, inside, outside,
        plain, direction, step,
    )  # fmt: skip


def _straight(points: Floats) -> tuple[Floats, float] | None:
    """Line through the points of one side, stragglers left out; None if it is not straight."""
    if len(points) < 0.3 * PLACES:
        return None
    keep = np.ones(len(points), bool)
    normal, offset = np.array([1.0, 0.0]), 0.0
    length = float(np.hypot(*np.ptp(points, axis=0)))
    for _ in range(4):
        _, normal, offset = through(points[keep])
        miss = np.abs(points @ normal - offset)
        keep = miss < max(3 * float(np.median(miss)), 0.8)
        if keep.sum() < 0.3 * PLACES:
            return None
    rms = float(np.sqrt(np.mean((points[keep] @ normal - offset) ** 2)))
    return (normal, offset) if rms < max(STRAIGHT * length, 0.7) else None


def _measure_sides(
    photo: Image8, corners: Floats, reach: float
) -> tuple[list[Floats], float, float, Floats, float] | None:
    """Points on each side where its edge is, shares seen and clear, and how the edge looks."""
    share = np.linspace(0.04, 0.96, PLACES)
    count = 2 * int(np.ceil(reach * 2)) + 1
    across = np.linspace(-reach, reach, count)
    starts, normals, steps = [], [], []
    for k in range(4):
        along = corners[(k + 1) % 4] - corners[k]
        inward = np.array([-along[1], along[0]]) / np.hypot(*along)
        starts.append(corners[k] + share[:, None] * along)
        normals.append(np.broadcast_to(inward, (PLACES, 2)))
        steps.append(np.broadcast_to(along * (share[1] - share[0]) / ALONG, (PLACES, 2)))
    start, normal = np.concatenate(starts), np.concatenate(normals)
    # Several samples along the edge for each place: a faint edge drowns in noise otherwise.
    beside = np.arange(ALONG) - (ALONG - 1) / 2
    near = start[:, None] + beside[None, :, None] * np.concatenate(steps)[:, None]
    at = near[:, :, None] + across[None, None, :, None] * normal[:, None, None]
    sampled = cv2.remap(
        photo,
        at[..., 0].reshape(-1, count).astype(np.float32),
        at[..., 1].reshape(-1, count).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    light = _LINEAR[sampled].reshape(len(start), ALONG, count, 3).mean(axis=1)
    third = max(1, count // 4)
    low, high = light[:, :third].mean(axis=1), light[:, -third:].mean(axis=1)
    change = np.median(high - low, axis=0)
    if float(np.linalg.norm(change)) < 0.003:
        return None
    # The direction in which the step stands out most from noise and from its own unevenness:
    # a shaded card may be lighter than the mat at one end and darker at the other.
    rest = np.concatenate([light[:, :third] - low[:, None], light[:, -third:] - high[:, None]])
    uneven = np.cov((high - low).T) + np.cov(rest.reshape(-1, 3).T)
    even = 0.05 * np.trace(uneven) / 3 + 1e-8
    direction = np.linalg.solve(uneven + even * np.eye(3), change)
    direction = direction / np.linalg.norm(direction)
    size = float(change @ direction)
    if size < 0.002:
        return None
    profile = light @ direction
    slope = cv2.GaussianBlur(np.gradient(profile, axis=1).astype(np.float32), (5, 1), 0.9)
    # The steepest place nearest to where the side should be.
    weight = 1 - 0.35 * np.abs(across / reach)
    peak = (slope * weight).argmax(axis=1)
    inner = (peak > 0) & (peak < count - 1)
    peak = np.clip(peak, 1, count - 2)
    rows = np.arange(len(slope))
    before, here, after = slope[rows, peak - 1], slope[rows, peak], slope[rows, peak + 1]
    bend = before - 2 * here + after
    shift = np.where(bend < 0, 0.5 * (before - after) / np.minimum(bend, -1e-12), 0.0)
    place = across[peak] + np.clip(shift, -1, 1) * (across[1] - across[0])
    typical = float(np.median(here))
    seen = inner & (here > 0.35 * typical) & (here < 4 * typical)
    # A step, not a line: what lies on both sides stays different.
    seen &= ((high - low) @ direction) > 0.35 * size
    outer = low @ direction
    clear = float((np.abs(outer - np.median(outer)) < 0.25 * size).mean())
    points = start + place[:, None] * normal
    sides = [
        points[k * PLACES : (k + 1) * PLACES][seen[k * PLACES : (k + 1) * PLACES]] for k in range(4)
    ]
    return sides, float(seen.mean()), clear, np.asarray(direction, dtype=np.float64), size


def rounded_off(photo: Image8, quad: Quad) -> float:
    """How far the rounded corners stay short of where the sides meet, over the longest side.

    Measured along the line from each corner to the middle; the middle one of the corners that
    can be seen. A corner of radius r loses 0.414 r.
    """
    corners = quad.corners_px
    longest = float(np.hypot(*(np.roll(corners, -1, axis=0) - corners).T).max())
    short = []
    for k in range(4):
        # Half way between the sides, not towards the middle: the corner may be oblong.
        one = corners[k - 1] - corners[k]
        two = corners[(k + 1) % 4] - corners[k]
        inward = one / np.hypot(*one) + two / np.hypot(*two)
        inward = inward / np.hypot(*inward)
        along = np.linspace(-0.03, 0.07, 101) * longest
        at = corners[k] + along[:, None] * inward
        x, y = at[:, 0].astype(np.float32), at[:, 1].astype(np.float32)
        seen = cv2.remap(photo, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        profile = _LINEAR[seen.reshape(-1, 3)] @ quad.direction
        outside, inside = float(np.median(profile[:20])), float(np.median(profile[-35:]))
        if inside - outside < 0.4 * quad.step:
            continue
        above = profile > (inside + outside) / 2
        short.append(float(along[int(np.argmax(above))]) / longest)
    return float(np.median(short)) if len(short) >= 2 else np.nan


def _colours(lab: Image8, corners: Floats) -> tuple[Floats, Floats, float]:
    """Colour inside and just outside, and the share inside that has the inside's colour."""
    x0, y0 = np.maximum(corners.min(axis=0) - 0.1 * np.ptp(corners, axis=0), 0).astype(int)
    x1, y1 = (corners.max(axis=0) + 0.1 * np.ptp(corners, axis=0) + 2).astype(int)
    lab, corners = lab[y0:y1, x0:x1], corners - [x0, y0]
    middle = corners.mean(axis=0)
    inner = np.zeros(lab.shape[:2], np.uint8)
    ring = np.zeros_like(inner)
    cv2.fillPoly(inner, [np.round(middle + 0.93 * (corners - middle)).astype(np.int32)], 1)
    cv2.fillPoly(ring, [np.round(middle + 1.14 * (corners - middle)).astype(np.int32)], 1)
    cv2.fillPoly(ring, [np.round(middle + 1.04 * (corners - middle)).astype(np.int32)], 0)
    own, beyond = lab[inner > 0].astype(float), lab[ring > 0].astype(float)
    if len(own) < 30 or len(beyond) < 10:
        return np.zeros(3), np.zeros(3), 0.0
    scale = np.array([100 / 255, 1.0, 1.0])
    own, beyond = own * scale - [0, 128, 128], beyond * scale - [0, 128, 128]
    # The commonest lightness, not the middle one: what lies on it may be as much as it.
    counts, edges = np.histogram(own[:, 0], 20, (0, 100))
    smooth = np.convolve(counts, [0.5, 1, 0.5], mode="same")
    top = edges[int(smooth.argmax())] + 2.5
    common = own[np.abs(own[:, 0] - top) < 6]
    inside = np.median(common if len(common) else own, axis=0)
    plain = float((np.hypot(*(own - inside).T[1:]) + np.abs(own[:, 0] - inside[0]) < 12).mean())
    return inside, np.median(beyond, axis=0), plain


def _linear_table() -> NDArray[np.float32]:
    """From sRGB bytes to linear light, IEC 61966-2-1."""
    coded = np.arange(256) / 255
    low, high = coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4
    return np.where(coded <= 0.04045, low, high).astype(np.float32)


_LINEAR = _linear_table()
