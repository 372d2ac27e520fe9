"""Find a printed square grid in a photo: a first, coarse homography.

Straight segments are grouped to two vanishing points, which gives the photo as it would
look from straight above up to one stretch; the offsets of the segments there are a comb,
whose step is read from its spectrum. `grid_fit` then places every line exactly.

Frames: photo points are (x, y) in pixels of the picture given, y down. Grid points are
(i, j), one unit to a printed line, j up.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Fewest lines of each family that make a grid.
FEWEST_LINES = 4
#: A segment belongs to a vanishing point when it points at it this closely.
POINTING_RAD = np.deg2rad(0.9)


@dataclass(frozen=True, eq=False)
class CoarseGrid:
    """A grid found but not yet refined.

    Parameters
    ----------
    grid_to_photo : ndarray, shape (3, 3)
        From grid (i, j) to photo pixels.
    support_px : ndarray, shape (n, 2)
        Points on the segments that lie on its lines.
    support_family : ndarray of int, shape (n,)
        0 for points on lines of constant i, 1 for those of constant j.
    k1 : float
        Lens distortion, where it is known already, as in `PhotoMap` with the longer side as
        unit; `grid_to_photo` leads to pixels free of it.
    """

    grid_to_photo: Floats
    support_px: Floats
    support_family: NDArray[np.int64]
    k1: float = 0.0


#: Pairs of segments tried for a family's vanishing point.
TRIES = 200
#: The longest segments that choose between these.
MOST_VOTERS = 300
#: A segment lies on a line of a grid within this share of a step.
ON_LINE = 0.16
#: Gaps between a family's lines, in steps, that count as filled by them; and what share of
#: the other family may lie between them for the rest to matter.
GAP_STEPS, MOST_LEFT = 3.0, 0.8
#: Pairs of directions, the likeliest first, that are looked at so.
MOST_VIEWS = 2


@dataclass(frozen=True)
class Comb:
    """A step, the offset of one of its lines, and its strength beside the strongest."""

    step: float
    phase: float
    strength: float


def find_grids(gray: NDArray[np.uint8], shrunk: float) -> Iterator[list[CoarseGrid]]:
    """Find two families of evenly spaced lines.

    Parameters
    ----------
    gray : ndarray of uint8, shape (h, w)
        About 1000 to 2000 px along its longer side, so that a printed line is 1 to 4 px thick.
    shrunk : float
        Segments are looked for in a picture of this share of its size: thin lines show better
        the larger, the others sooner the smaller.

    Returns
    -------
    iterator of list of CoarseGrid
        One list for each pair of directions, the likeliest first; in it the steps that cannot
        be told apart yet. Nothing when there is no grid to be seen.
    """
    segments = _segments(gray, shrunk)
    if len(segments) < 2 * FEWEST_LINES:
        return
    height, width = gray.shape
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    half = float(np.hypot(width, height)) / 2
    ends = (segments.reshape(-1, 2, 2) - centre) / half
    picture = _Picture(half, centre)
    views: list[_View] = []
    for first, second in _direction_pairs(ends):
        view = _view((_near_direction(ends, first), _near_direction(ends, second)), picture)
        if view is None:
            continue
        views.append(view)
        candidates = _candidates(view, picture)
        if candidates:
            yield candidates
    # A table's grain may run nearly along the mat's lines and be more than these.
    for view in views[:MOST_VIEWS]:
        for family in (0, 1):
            lined = _among_lines(view, family, picture)
            again = None if lined is None else _view(lined, picture)
            candidates = [] if again is None else _candidates(again, picture)
            if candidates:
                yield candidates


@dataclass(frozen=True, eq=False)
class _Picture:
    """Half the diagonal and the centre, px: the unit and the origin of segments here."""

    half_px: float
    centre_px: Floats


@dataclass(frozen=True, eq=False)
class _View:
    """Two families of segments, their vanishing points, and what they are from straight above.

    The first family runs along x there: its lines have constant y, and `combs` are the steps
    that may lie between them.
    """

    families: tuple[Floats, Floats]
    points: tuple[Floats, Floats]
    rectify: Floats
    combs: tuple[list[Comb], list[Comb]]


def _view(families: tuple[Floats, Floats], picture: _Picture) -> _View | None:
    one, two = _vanishing_point(families[0]), _vanishing_point(families[1])
    if one is None or two is None:
        return None
    rectify = _rectification(one, two)
    if rectify is None:
        return None
    pixel = 1 / picture.half_px
    along_x = _comb(families[0], one, rectify, axis=1, pixel=pixel)
    along_y = _comb(families[1], two, rectify, axis=0, pixel=pixel)
    return _View(families, (one, two), rectify, (along_x, along_y))


def _candidates(view: _View, picture: _Picture) -> list[CoarseGrid]:
    """The grids whose cells are square, or nearly, that two families may make."""
    half, centre = picture.half_px, picture.centre_px
    found: list[CoarseGrid] = []
    normal_to_photo = np.array([[half, 0, centre[0]], [0, half, centre[1]], [0, 0, 1.0]])
    to_photo = normal_to_photo @ np.linalg.inv(view.rectify)
    for (step_y, phase_y), (step_x, phase_x) in _square_pairs(*view.combs):
        # rectified = diag(step) @ grid + phase; y of the photo goes down, j goes up.
        to_rectified = np.array([[step_x, 0, phase_x], [0, -step_y, phase_y], [0, 0, 1.0]])
        grid_to_photo = _upright(to_photo @ to_rectified, centre)
        points, family = _support(grid_to_photo, *view.families, half, centre)
        found.append(CoarseGrid(grid_to_photo, points, family))
    return found


def _among_lines(view: _View, family: int, picture: _Picture) -> tuple[Floats, Floats] | None:
    """Both families, of the other one only what lies between lines of this one.

    None where this has no even step, or the other has next to nothing elsewhere.
    """
    if not view.combs[family]:
        return None
    comb = max(view.combs[family], key=lambda one: one.strength)
    own, other = view.families[family], view.families[1 - family]
    angle, _ = _directions(own)
    flat = np.concatenate([own.mean(axis=1), np.ones((len(own), 1))], axis=1) @ view.rectify.T
    place = (flat[:, 1 - family] / flat[:, 2] - comb.phase) / comb.step
    on_line = np.abs(place - np.round(place)) < ON_LINE
    on_line &= _points_at(view.points[family], own.mean(axis=1), angle)
    lines = own[on_line]
    # A raster of quarter steps in which gaps of some steps are closed.
    cell = max(comb.step / 4, 4 / picture.half_px)
    size = int(np.ceil(2 / cell)) + 1
    raster = np.zeros((size, size), np.uint8)
    share = np.linspace(0, 1, 9)[:, None, None]
    along = (lines[:, 0] + share * (lines[:, 1] - lines[:, 0])).reshape(-1, 2)
    column, row = np.clip(((along + 1) / cell).astype(np.int64), 0, size - 1).T
    raster[row, column] = 1
    reach = int(np.ceil(GAP_STEPS * comb.step / cell)) // 2
    kernel = np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)
    lined = cv2.morphologyEx(raster, cv2.MORPH_CLOSE, kernel)
    column, row = np.clip(((other.mean(axis=1) + 1) / cell).astype(np.int64), 0, size - 1).T
    left = other[lined[row, column] > 0]
    if len(left) > MOST_LEFT * len(other):
        return None
    return (own, left) if family == 0 else (left, own)


def _support(
    grid_to_photo: Floats, first: Floats, second: Floats, half: float, centre: Floats
) -> tuple[Floats, NDArray[np.int64]]:
    """Points of the segments that lie along a line of the grid."""
    to_grid = np.linalg.inv(grid_to_photo)
    share = np.linspace(0.1, 0.9, 7)[:, None, None]
    points, family = [], []
    # The first family runs along i: its lines have constant j, axis 1.
    for ends, axis in ((first, 1), (second, 0)):
        at = (ends[None, :, 0] + share * (ends[None, :, 1] - ends[None, :, 0])) * half + centre
        flat = np.column_stack([at.reshape(-1, 2), np.ones(at.shape[0] * at.shape[1])]) @ to_grid.T
        place = (flat[:, axis] / flat[:, 2]).reshape(at.shape[:2])
        on_line = np.abs(place - np.round(place)).max(0) < ON_LINE
        points.append(at[:, on_line].reshape(-1, 2))
        family.append(np.full(len(points[-1]), axis, dtype=np.int64))
    return np.concatenate(points), np.concatenate(family)


def _segments(gray: NDArray[np.uint8], shrunk: float) -> Floats:
    detector = cv2.createLineSegmentDetector(cv2.LSD_REFINE_NONE, shrunk)
    found: object = detector.detect(gray)[0]
    if found is None:  # OpenCV gives None where there is no segment at all
        return np.zeros((0, 4))
    segments: Floats = np.asarray(found, dtype=np.float64).reshape(-1, 4)
    length = np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1])
    shortest = max(11.0, 0.012 * max(gray.shape))
    return np.asarray(segments[length > shortest], dtype=np.float64)


def _directions(ends: Floats) -> tuple[Floats, Floats]:
    delta = ends[:, 1] - ends[:, 0]
    return np.arctan2(delta[:, 1], delta[:, 0]) % np.pi, np.hypot(delta[:, 0], delta[:, 1])


def _direction_pairs(ends: Floats) -> list[tuple[float, float]]:
    """Pairs of strong directions roughly at right angles, strongest first, nearest to x first."""
    angle, length = _directions(ends)
    histogram = np.bincount((angle / np.pi * 180).astype(int) % 180, length, 180)
    kernel = np.exp(-0.5 * (np.arange(-9, 10) / 3.0) ** 2)
    smooth = np.convolve(np.tile(histogram, 3), kernel, mode="same")[180:360]
    is_peak = (smooth >= np.roll(smooth, 1)) & (smooth > np.roll(smooth, -1))
    peaks = np.flatnonzero(is_peak & (smooth > 0.05 * smooth.max()))
    peaks = peaks[np.argsort(-smooth[peaks])][:8]
    pairs = []
    for a in peaks:
        for b in peaks:
            apart = abs(int(a) - int(b))
            if a < b and 55 <= min(apart, 180 - apart) <= 90:
                score = float(np.sqrt(smooth[a] * smooth[b]))
                # The family closer to the photo's x axis is the grid's i direction.
                first, second = (a, b) if _off_x(int(a)) <= _off_x(int(b)) else (b, a)
                pairs.append((score, np.deg2rad(first + 0.5), np.deg2rad(second + 0.5)))
    pairs.sort(key=lambda pair: -pair[0])
    return [(float(first), float(second)) for _, first, second in pairs[:4]]


def _off_x(degrees: int) -> int:
    return int(min(degrees % 180, 180 - degrees % 180))


def _near_direction(ends: Floats, direction: float, within_deg: float = 14.0) -> Floats:
    angle, _ = _directions(ends)
    off = np.abs((angle - direction + np.pi / 2) % np.pi - np.pi / 2)
    return np.asarray(ends[off < np.deg2rad(within_deg)], dtype=np.float64)


def _vanishing_point(ends: Floats) -> Floats | None:
    """Where the segments of one family meet, as a unit homogeneous point."""
    if len(ends) < FEWEST_LINES:
        return None
    angle, length = _directions(ends)
    middle = ends.mean(axis=1)
    a = np.column_stack([ends[:, 0], np.ones(len(ends))])
    b = np.column_stack([ends[:, 1], np.ones(len(ends))])
    lines = np.cross(a, b)
    lines /= np.hypot(lines[:, 0], lines[:, 1])[:, None]
    rng = np.random.default_rng(5)
    pairs = rng.choice(len(ends), (TRIES, 2), p=length / length.sum())
    meets = np.cross(lines[pairs[:, 0]], lines[pairs[:, 1]])
    norm = np.linalg.norm(meets, axis=1)
    meets = meets[norm > 1e-9] / norm[norm > 1e-9, None]
    if len(meets) == 0:
        return None
    # The longest tell: each votes for the points it points at.
    voters = np.argsort(-length)[:MOST_VOTERS]
    votes = _points_at(meets[:, None], middle[voters], angle[voters]) @ length[voters]
    best = meets[int(np.argmax(votes))]
    for tolerance in (1.0, 0.7, 0.5):
        close = _points_at(best, middle, angle, tolerance)
        if close.sum() < FEWEST_LINES:
            return None
        weighted = lines[close] * length[close, None]
        best = np.linalg.svd(weighted, full_matrices=False)[2][-1]
    # A vanishing point among the lace is a fan of threads, not a grid seen from above.
    if abs(best[2]) > 1e-9 and np.hypot(*(best[:2] / best[2])) < 1.5:
        return None
    return np.asarray(best, dtype=np.float64)


def _points_at(
    point: Floats, middle: Floats, angle: Floats, share: float = 1.0
) -> NDArray[np.bool_]:
    """Which segments point at a homogeneous point, shape (3,), or at each of (m, 1, 3)."""
    x = point[..., 0] - point[..., 2] * middle[:, 0]
    y = point[..., 1] - point[..., 2] * middle[:, 1]
    off = np.abs(y * np.cos(angle) - x * np.sin(angle))
    return np.asarray(off < np.sin(share * POINTING_RAD) * np.hypot(x, y))


def _rectification(one: Floats, two: Floats) -> Floats | None:
    """Homography that sends both vanishing points to the axes' directions, unit scale at 0."""
    horizon = np.cross(one, two)
    if abs(horizon[2]) < 1e-6 * np.linalg.norm(horizon):
        return None
    horizon = horizon / horizon[2]
    projective = np.array([[1, 0, 0], [0, 1, 0], horizon])
    first, second = (projective @ one)[:2], (projective @ two)[:2]
    first, second = first / np.linalg.norm(first), second / np.linalg.norm(second)
    first = first if first[0] > 0 else -first
    second = second if second[1] > 0 else -second
    basis = np.column_stack([first, second])
    if abs(np.linalg.det(basis)) < 0.5:
        return None
    affine = np.eye(3)
    affine[:2, :2] = np.linalg.inv(basis)
    return np.asarray(affine @ projective, dtype=np.float64)


def _comb(ends: Floats, point: Floats, rectify: Floats, axis: int, pixel: float) -> list[Comb]:
    """Steps that one family's offsets in the rectified frame may have, slowest first."""
    angle, length = _directions(ends)
    close = _points_at(point, ends.mean(axis=1), angle)
    if close.sum() < FEWEST_LINES:
        return []
    middles = np.column_stack([ends[close].mean(axis=1), np.ones(int(close.sum()))])
    flat = middles @ rectify.T
    offset = flat[:, axis] / flat[:, 2]
    weight = length[close]
    bins = 4096
    low, high = float(offset.min()), float(offset.max())
    if high - low < 0.05:
        return []
    bin_width = (high - low) / (bins - 1)
    histogram = np.bincount(((offset - low) / bin_width).round().astype(int), weight, bins)
    # A printed line has two sides and many pieces: what counts is that it is there.
    blur = max(1.0, 1.2 * pixel / bin_width)
    reach = int(4 * blur) + 1
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / blur) ** 2)
    density = np.convolve(histogram, kernel, mode="same")
    density = np.sqrt(density)
    spread = 4 * bins
    spectrum = np.abs(np.fft.rfft(density - density.mean(), spread))
    frequency = np.fft.rfftfreq(spread, bin_width)
    slowest, fastest = (FEWEST_LINES - 0.6) / (high - low), 1 / (7 * pixel)
    allowed = (frequency >= slowest) & (frequency <= fastest)
    if not allowed.any():
        return []
    top = float(spectrum[allowed].max())
    noise = float(np.median(spectrum[allowed]))
    is_peak = (spectrum >= np.roll(spectrum, 1)) & (spectrum > np.roll(spectrum, -1)) & allowed
    strong = np.flatnonzero(is_peak & (spectrum > max(0.3 * top, 3 * noise)))
    # Equal lines put equal strength into every multiple of their frequency.
    strong = strong[np.argsort(-spectrum[strong])][:12]
    combs = []
    for index in np.sort(strong):
        best = float(frequency[index])
        turn = np.sum(density * np.exp(2j * np.pi * best * np.arange(bins) * bin_width))
        phase = low + float(np.angle(turn)) / (2 * np.pi) / best
        combs.append(Comb(1 / best, phase, float(spectrum[index]) / top))
    return combs


def _square_pairs(
    along_x: list[Comb], along_y: list[Comb]
) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    """Pairs of combs whose cells are square but for a camera's slant, slow and strong first."""
    pairs = []
    for one in along_x:
        for two in along_y:
            if abs(np.log(one.step / two.step)) < 0.17:
                pairs.append((one.strength * two.strength, one, two))
    if not pairs:
        return []
    best = max(strength for strength, _, _ in pairs)
    strong = [pair for pair in pairs if pair[0] > 0.4 * best]
    # A multiple of the step is weaker as soon as lines differ at all; slow ones go first.
    strong.sort(key=lambda pair: -pair[0] * (pair[1].step * pair[2].step) ** 0.25)
    return [((one.step, one.phase), (two.step, two.phase)) for _, one, two in strong[:4]]


def _upright(grid_to_photo: Floats, centre: Floats) -> Floats:
    """Move the grid's origin to the node nearest the photo's centre."""
    there = np.linalg.inv(grid_to_photo) @ np.array([centre[0], centre[1], 1.0])
    i, j = np.round(there[:2] / there[2])
    shift = np.array([[1, 0, i], [0, 1, j], [0, 0, 1.0]])
    moved = grid_to_photo @ shift
    return np.asarray(moved / moved[2, 2], dtype=np.float64)
