"""The line a piece of lace is straightened along.

The axis is found from the body's two sides: the straighter of lower side, upper side and
middle gives the direction, and, where that bends clearly more than it scatters, a bow. What
is closed in a ring or scalloped all round has its own outer edge for an axis (`ring`).

Frames: mat and lace as in `lacelay.geometry.photo_map`. Of the two directions along the
lace, u is the one that runs to the right in the photo (upward for a lace standing upright),
so the lower edge is the one lower in the photo (the right one of a lace standing upright),
and lace to mat is always a turn, never a flip.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lacelay.reading.cloth import LaceArea
from lacelay.reading.mat import Mask
from lacelay.reading.scale import Reference

Floats = NDArray[np.float64]

_UNIT_AXIS = np.array([[0.0, 0.0], [1.0, 0.0]])
#: So many points of a piece tell where its sides are.
POINTS = 10_000
#: A bowed axis is moved to the middle of so many of them, so many times, by a polynomial of
#: this degree: fewer bends than scallops have.
FOLLOWED, FOLLOW_TURNS, FOLLOW_DEGREE = 4000, 3, 5
#: Where the lace is as wide as usual within this share, its middle counts.
FULL_WITHIN = 0.22


@dataclass(frozen=True, eq=False)
class Axis:
    """The line the lace is straightened along, and how far the body reaches from it.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 2)
        On the mat, from u = 0 on; two points when the lace lies straight.
    length_mm : float
    low_mm, high_mm : float
        Least and greatest v of the body.
    width_mm : float
        Width over all: from the outermost points of one side to those of the other.
    closed : bool
        Whether it comes round to its first point.
    filled : bool
        Whether it goes round a piece with lace all over: only a band along it is looked at.
    """

    points_mm: Floats
    length_mm: float
    low_mm: float
    high_mm: float
    width_mm: float
    closed: bool = False
    filled: bool = False

    def scaled(self, factor: float) -> Axis:
        """The same axis in another unit."""
        return replace(
            self,
            points_mm=self.points_mm * factor,
            length_mm=self.length_mm * factor,
            low_mm=self.low_mm * factor,
            high_mm=self.high_mm * factor,
            width_mm=self.width_mm * factor,
        )


def long_axis(area: LaceArea, reference: Reference) -> Axis:
    """The axis of a piece with two ends, in the reference's own unit."""
    points = points_of(area.body, area, reference)
    angle = _direction(points, area)
    curve: Floats = np.zeros(2)
    for _ in range(3):
        u, v = _turned(points, angle)
        u_bin, low, high = _sides(u, v)
        cut = _cut_sides(u_bin, low, high, angle, reference)
        curve, _ = _straightest(u_bin, low, high, cut)
        slope = np.polyfit(u_bin, np.polyval(curve, u_bin), 1)[0]
        angle = angle + float(np.arctan(slope))
    angle = (angle + np.pi / 2) % np.pi - np.pi / 2  # -90 excluded, +90 included below
    if angle <= -np.pi / 2 + 1e-9:
        angle += np.pi
    u, v = _turned(points, angle)
    u_bin, low, high = _sides(u, v)
    cut = _cut_sides(u_bin, low, high, angle, reference)
    curve, bowed = _straightest(u_bin, low, high, cut)
    start, stop = float(u.min()), float(u.max())
    knots = np.linspace(start, stop, 48) if bowed else np.array([start, stop])
    local = np.column_stack([knots, np.polyval(curve, knots)])
    c, s = np.cos(angle), np.sin(angle)
    on_mat = local @ np.array([[c, s], [-s, c]])
    if bowed:
        on_mat = _followed(on_mat, points, reference)
    length = float(np.hypot(*np.diff(on_mat, axis=0).T).sum())
    lace = reference.map_along(on_mat).mat_to_lace(points)
    u_bin, low, high = _sides(lace[:, 0], lace[:, 1])
    extent = reference.map_along(on_mat).mat_to_lace(points_of(area.extent, area, reference))
    width = _over_all(extent[:, 0], extent[:, 1], length)
    return Axis(on_mat, length, float(lace[:, 1].min()), float(lace[:, 1].max()), width)


def _followed(on_mat: Floats, points: Floats, reference: Reference) -> Floats:
    """The bowed axis moved to the middle of the lace as seen at right angles to itself."""
    few = points[:: max(1, len(points) // FOLLOWED)]
    for _ in range(FOLLOW_TURNS):
        along = reference.map_along(on_mat)
        lace = along.mat_to_lace(few)
        u, low, high = _sides(lace[:, 0], lace[:, 1])
        # Where an end is cut aslant the middle of what is seen is not the lace's.
        usual = float(np.median(high - low))
        whole = np.abs(high - low - usual) < FULL_WITHIN * usual
        if whole.sum() < 3 * FOLLOW_DEGREE:
            break
        middle, half = float(u.mean()), max(float(np.ptp(u)) / 2, 1e-9)
        at = (u[whole] - middle) / half
        terms = np.polyfit(at, (low + high)[whole] / 2, FOLLOW_DEGREE)
        inner = np.linspace(float(at.min()), float(at.max()), len(on_mat) - 2)
        moved = along.lace_to_mat(
            np.column_stack([middle + half * inner, np.polyval(terms, inner)])
        )
        # Beyond, on along the same bend as far as the lace reaches.
        on_mat = np.vstack([_on(moved[::-1], few, usual)[::-1], moved, _on(moved, few, usual)])
    return on_mat


def _on(line: Floats, points: Floats, width: float) -> Floats:
    """How a line goes on past its last point, to the last of the points near that end."""
    steps = np.diff(line[-len(line) // 3 :], axis=0)
    headings = np.unwrap(np.arctan2(steps[:, 1], steps[:, 0]))
    step = float(np.hypot(*steps[-1]))
    turn = float(headings[-1] - headings[0]) / max(len(headings) - 1, 1)
    offset = points - line[-1]
    near = np.hypot(*offset.T) < width
    way = np.array([np.cos(headings[-1]), np.sin(headings[-1])])
    beyond = max(float((offset[near] @ way).max()) if near.any() else 0.0, 0.1 * step)
    count = max(1, int(np.ceil(beyond / step)))
    along = headings[-1] + turn * np.arange(1, count + 1)
    each = beyond / count * np.column_stack([np.cos(along), np.sin(along)])
    return np.asarray(line[-1] + np.cumsum(each, axis=0), dtype=np.float64)


def points_of(mask: Mask, area: LaceArea, reference: Reference, most: int = POINTS) -> Floats:
    """Points of a piece on the mat, about so many; all over it, its sides among them."""
    rows, columns = np.nonzero(mask)
    keep = slice(None, None, max(1, len(rows) // most))
    photo = area.to_photo(columns[keep].astype(float), rows[keep].astype(float))
    return reference.map_along(_UNIT_AXIS).photo_to_mat_mm(photo)


def _direction(points: Floats, area: LaceArea) -> float:
    """Which way the lace runs, from the body's own axis or from where it leaves the photo."""
    centred = points - points.mean(axis=0)
    values, vectors = np.linalg.eigh(np.cov(centred.T))
    major = vectors[:, 1]
    angle = float(np.arctan2(major[1], major[0]))
    if values[1] < 2.6 * values[0]:  # nearly as deep as long: the photo's borders decide
        body = area.body
        across = bool(body[:, 0].mean() > 0.05 and body[:, -1].mean() > 0.05)
        down = bool(body[0].mean() > 0.05 and body[-1].mean() > 0.05)
        level = abs(np.cos(angle)) > np.sqrt(0.5)
        if across != down and across != level:
            angle += np.pi / 2
    return angle


def _turned(points: Floats, angle: float) -> tuple[Floats, Floats]:
    c, s = np.cos(angle), np.sin(angle)
    return points[:, 0] * c + points[:, 1] * s, points[:, 1] * c - points[:, 0] * s


def _sides(u: Floats, v: Floats) -> tuple[Floats, Floats, Floats]:
    """Lower and upper side of a cloud of points in about a hundred places along u."""
    bins = int(np.clip(len(u) // 150, 24, 160))
    edges = np.linspace(u.min(), u.max(), bins + 1)
    index = np.clip(np.searchsorted(edges, u, side="right") - 1, 0, bins - 1)
    order = np.lexsort((v, index))
    starts = np.searchsorted(index[order], np.arange(bins + 1))
    ordered = v[order]
    places, low, high = [], [], []
    for k in range(bins):
        own = ordered[starts[k] : starts[k + 1]]
        if len(own) >= 8:
            places.append((edges[k] + edges[k + 1]) / 2)
            low.append(own[int(0.01 * len(own))])
            high.append(own[-1 - int(0.01 * len(own))])
    return np.array(places), np.array(low), np.array(high)


def _cut_sides(
    u: Floats, low: Floats, high: Floats, angle: float, reference: Reference
) -> tuple[bool, bool]:
    """Which sides of the body are no edge of the lace but the photo's own border."""
    c, s = np.cos(angle), np.sin(angle)
    unit = reference.map_along(_UNIT_AXIS)
    last = np.array(reference.size_px) - 1
    cut = []
    for side in (low, high):
        photo = unit.mat_to_photo(np.column_stack([u, side]) @ np.array([[c, s], [-s, c]]))
        off = np.minimum(photo, last - photo).min(axis=1)
        cut.append(bool((off < 0.006 * max(reference.size_px)).mean() > 0.4))
    return cut[0], cut[1]


def _straightest(
    u: Floats, low: Floats, high: Floats, cut: tuple[bool, bool]
) -> tuple[Floats, bool]:
    """Polynomial (numpy order) along the middle of the lace, and whether it is a bow."""
    width = high - low
    whole = width > 0.6 * np.median(width)
    length = float(np.ptp(u))
    centre = float(u.mean())
    best: tuple[float, Floats, Floats] | None = None
    bends: list[Floats] = []
    for side in (low, high, (low + high) / 2):
        keep = whole.copy()
        line = np.zeros(2)
        for _ in range(4):
            line = np.polyfit(u[keep], side[keep], 1)
            miss = side - np.polyval(line, u)
            keep = whole & (np.abs(miss) < 2.5 * np.std(miss[keep]) + 1e-9)
        # A bow is slow: judge sides by what is left beside a slow curve.
        slow = np.polyfit(u[keep] - centre, side[keep], 4)
        rest = float(np.std((side - np.polyval(slow, u - centre))[keep]))
        bends.append(np.polyval(slow, u - centre) - np.polyval(line, u))
        if best is None or rest < best[0]:
            best = (rest, line, slow)
    assert best is not None
    rest, line, slow = best
    # Both sides of a bowed lace bend together; a few wide scallops on one side do not.
    first, second = bends[int(cut[0])], bends[int(not cut[1])]
    shared = np.where(
        first * second > 0, np.sign(first) * np.minimum(np.abs(first), np.abs(second)), 0.0
    )
    bowed = float(np.ptp(shared[whole])) > max(0.012 * length, 3.0 * rest)
    if not bowed:
        middle = (low + high)[whole] / 2
        offset = float(np.median(middle - np.polyval(line, u[whole])))
        return line + np.array([0.0, offset]), False
    shifted = np.poly1d(slow)(np.poly1d([1.0, -centre]))
    curve = np.asarray(shifted.coeffs, dtype=np.float64)
    offset = float(np.median((low + high)[whole] / 2 - np.polyval(curve, u[whole])))
    curve[-1] += offset
    return curve, True


def _over_all(u: Floats, v: Floats, length: float) -> float:
    """Width from tips to tips: each stretch as long as the lace is wide has a tip on it.

    The third quarter of the stretches' outermost points: a hanging thread has no say, nor a
    stretch between two tips.
    """
    u_bin, low, high = _sides(u, v)
    inner = slice(len(low) // 40, len(low) - len(low) // 40)
    u_bin, low, high = u_bin[inner], low[inner], high[inner]
    width = float(np.median(high - low))
    stretches = int(np.clip(round(length / max(width, 1e-9)), 2, 12))
    parts = np.array_split(np.arange(len(u_bin)), stretches)
    out_low = [low[part].min() for part in parts if len(part)]
    out_high = [high[part].max() for part in parts if len(part)]
    return float(np.percentile(out_high, 60) - np.percentile(out_low, 40))
