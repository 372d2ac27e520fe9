"""Lace closed in itself: rings, and mats scalloped all round.

Such a piece has no ends: its axis is its own outer edge, smoothed, from one valley round to
the same. The convex hull runs along the tips; how far the outline lies inside it tells the
valleys.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.geometry.closed_map import ClosedMap
from lacelay.model.lace import LaceEdge, Measured
from lacelay.reading.axis import Axis, points_of
from lacelay.reading.cloth import LaceArea
from lacelay.reading.edge_profile import Profile, profiles
from lacelay.reading.edges import read_edge
from lacelay.reading.mat import Mask
from lacelay.reading.mean_scallop import smooth
from lacelay.reading.peaks import find_peaks
from lacelay.reading.scale import Reference
from lacelay.reading.scallop_fit import fit_scallops
from lacelay.reading.strip import Strip

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_Kind = TypeVar("_Kind", bound=np.generic)

#: Places along the outline; points of the axis.
PLACES, KNOTS = 540, 144
#: A mat scalloped all round is no longer than this times its width, as full as the second,
#: and has this many valleys.
LONGEST, FULL, FEWEST = 2.6, 0.8, 5
#: Valleys this share of the play deep; none farther from the next than the second times usual;
#: no stretch along the hull longer than the third times usual: a straight cut end is one.
VALLEY_PLAY, UNEVEN, STRAIGHT = 0.3, 2.6, 4.2
#: Scallops all round are alike by this much.
ALIKE = 0.45
#: The outline plays this share of its length in and out at least.
LEAST_PLAY = 0.007
#: Of a mat filled with lace this share of half its width is read.
BAND_SHARE = 1 / 3
#: Valleys that join across the seam do so within this share of the pitch.
JOIN_SHARE = 0.35
#: Dips are looked for after a blur of this share of the pitch.
DIP_BLUR = 0.06
#: Even scallops do not fit where so many of their valleys are no dips.
FEWEST_FALSE = 2
INNER_SIDE = "this is where the reading of the border stops, not an edge"


def closed_map(reference: Reference, points_mm: Floats) -> ClosedMap:
    """The photo map of a closed lace whose line v = 0 is the given closed polyline."""
    return ClosedMap(
        reference.size_px,
        reference.photo_to_mat,
        points_mm,
        reference.radial,
        reference.centre_px,
        reference.focal_px,
    )


def closed_axis(area: LaceArea, reference: Reference) -> Axis | None:
    """The axis of a piece that is closed in itself, or None where it is not.

    Returns
    -------
    Axis
        In the reference's own unit, counter-clockwise from a valley, the last point the first.
    """
    if not area.ring and _at_border(area.extent):
        return None
    outline = _outline(area, reference)
    corners = _hull(outline)
    sides = cv2.minAreaRect(corners.astype(np.float32))[1]
    if not area.ring and max(sides) > LONGEST * min(sides):
        return None
    hull = _evenly(corners, PLACES)
    length = float(np.hypot(*np.diff(np.vstack([hull, hull[:1]]), axis=0).T).sum())
    depth = _depths(hull, outline)
    play = float(np.percentile(depth, 92))
    valleys = _valleys(depth, play) if play > LEAST_PLAY * length else np.zeros(0, np.int64)
    if not area.ring and not _scalloped_all_round(hull, outline, depth, play, valleys):
        return None
    if len(valleys) >= FEWEST:
        inset = _interpolated(valleys, depth[valleys])
        start = int(valleys[np.argmin(hull[valleys, 1])])
    else:
        inset, start = np.full(PLACES, float(np.median(depth))), 0
    smooth = _smoothed(hull, PLACES / 180)
    step = np.roll(smooth, -1, axis=0) - np.roll(smooth, 1, axis=0)
    inward = np.column_stack([-step[:, 1], step[:, 0]]) / np.hypot(*step.T)[:, None]
    base = _smoothed(smooth + inset[:, None] * inward, PLACES / 120)
    knots = _evenly(np.roll(base, -start, axis=0), KNOTS)
    points = np.vstack([knots, knots[:1]])
    around = closed_map(reference, points)
    lace = around.mat_to_lace(points_of(area.extent, area, reference, 4000))
    low, high = float(lace[:, 1].min()), float(lace[:, 1].max())
    if area.ring:
        width = float(np.percentile(lace[:, 1], 99.5) - np.percentile(lace[:, 1], 0.5))
    else:
        width = float(min(sides))
        high *= BAND_SHARE
    return Axis(points, around.length_mm, low, high, width, closed=True, filled=not area.ring)


def _at_border(extent: Mask) -> bool:
    sides = (extent[0], extent[-1], extent[:, 0], extent[:, -1])
    return any(float(side.mean()) > 0.12 for side in sides)


def _outline(area: LaceArea, reference: Reference) -> Floats:
    """The outer outline on the mat, counter-clockwise, shape (n, 2)."""
    contours, _ = cv2.findContours(
        area.extent.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    at = max(contours, key=cv2.contourArea).reshape(-1, 2).astype(float)
    return reference.to_mat(area.to_photo(at[:, 0], at[:, 1]))


def _hull(outline: Floats) -> Floats:
    hull = cv2.convexHull(outline.astype(np.float32)).reshape(-1, 2).astype(np.float64)
    x, y = hull.T
    turned = float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))) < 0
    return hull[::-1] if turned else hull


def _evenly(closed: Floats, count: int) -> Floats:
    """So many points at equal distances along a closed line, from its first on."""
    line = np.vstack([closed, closed[:1]])
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    at = np.arange(count) * arc[-1] / count
    return np.column_stack([np.interp(at, arc, line[:, 0]), np.interp(at, arc, line[:, 1])])


def _smoothed(closed: Floats, sigma: float) -> Floats:
    """A closed line, or a row that comes round, blurred by a normal of `sigma` places."""
    reach = int(4 * sigma) + 1
    offsets = np.arange(-reach, reach + 1)
    weights = np.exp(-0.5 * (offsets / sigma) ** 2)
    weights /= weights.sum()
    total = np.zeros_like(closed)
    for offset, weight in zip(offsets, weights, strict=True):
        total += weight * np.roll(closed, offset, axis=0)
    return total


def _depths(hull: Floats, outline: Floats) -> Floats:
    """How far inside the hull the outline lies at each place of it."""
    keep = outline[:: max(1, len(outline) // 1200)]
    # Squared distances, short of what does not depend on the place.
    place = ((hull**2).sum(1) - 2 * keep @ hull.T).argmin(1)
    deep = np.hypot(*(keep - hull[place]).T)
    depth = np.full(len(hull), np.inf)
    np.minimum.at(depth, place, deep)
    known = np.flatnonzero(np.isfinite(depth))
    return _interpolated(known, depth[known])


def _interpolated(places: Ints, values: Floats) -> Floats:
    """Values between places of a closed line."""
    return np.interp(np.arange(PLACES), places, values, period=PLACES)


def _valleys(depth: Floats, play: float) -> Ints:
    """Places where the outline lies deepest inside, once round."""
    row = np.tile(_smoothed(depth, PLACES / 360), 3)
    found = find_peaks(row, prominence=VALLEY_PLAY * play, height=VALLEY_PLAY * play)
    return np.unique(found[(found >= PLACES) & (found < 2 * PLACES)] - PLACES)


def _scalloped_all_round(
    hull: Floats, outline: Floats, depth: Floats, play: float, valleys: Ints
) -> bool:
    """Whether even scallops go all round a piece: no side of it is a cut end or straight."""
    if len(valleys) < FEWEST:
        return False
    full = cv2.contourArea(outline.astype(np.float32)) / cv2.contourArea(hull.astype(np.float32))
    gaps = np.diff(np.append(valleys, valleys[0] + PLACES))
    if full < FULL or gaps.max() > UNEVEN * np.median(gaps):
        return False
    along = np.roll(_smoothed(depth, PLACES / 360), -int(valleys[0])) < 0.4 * play
    ends = np.flatnonzero(np.diff(along.astype(int), prepend=0, append=0))
    runs = ends[1::2] - ends[::2]
    if runs.max() > STRAIGHT * np.median(np.sort(runs)[-len(valleys) :]):
        return False
    # Once and a half round, at a spacing that makes scallops of a usual width of it.
    round_about = -np.tile(depth, 2)[: PLACES * 3 // 2]
    fit = fit_scallops(round_about, 15.0 * len(valleys) / PLACES)
    return fit is not None and fit.alike > ALIKE


def wrapped(strip: Strip, length_mm: float, by_mm: float) -> Strip:
    """A strip once round, carried on past both its ends by what lies there: the other end."""
    once = round(length_mm * strip.px_per_mm)
    more = min(round(by_mm * strip.px_per_mm), once)

    def on(picture: NDArray[_Kind]) -> NDArray[_Kind]:
        own = picture[:, :once]
        return np.concatenate([own[:, once - more :], own, own[:, :more]], axis=1)

    return replace(
        strip,
        rgb=on(strip.rgb),
        alpha=on(strip.alpha),
        mat_rgb=on(strip.mat_rgb),
        extent=on(strip.extent),
        hidden=None if strip.hidden is None else on(strip.hidden),
        u0_mm=strip.u0_mm - more / strip.px_per_mm,
    )


@dataclass(frozen=True, eq=False)
class RoundEdges:
    """The edges of a closed lace read once round, and their profiles over the same."""

    lower: LaceEdge
    upper: LaceEdge
    lower_profile: Profile
    upper_profile: Profile


def read_round(
    strip: Strip, length_mm: float, relative_sigma: float, *, filled: bool = False
) -> RoundEdges:
    """Read both edges of a closed lace: each scallop once, the join neither lost nor doubled.

    Parameters
    ----------
    strip : Strip
        Once round.
    length_mm : float
    relative_sigma : float
        Standard uncertainty of the scale, as a share.
    filled : bool
        The strip is the border of a filled piece: its upper side is no edge.
    """
    far = wrapped(strip, length_mm, 0.3 * length_mm)
    found = []
    for profile in profiles(far):
        if filled and profile.side == "upper":
            none = np.zeros((0, 2))
            edge = LaceEdge("upper", False, none, none, doubt=INNER_SIDE)
        else:
            edge = _once_round(profile, length_mm, relative_sigma)
            if filled:
                edge = _by_its_dips(profile, edge, length_mm, relative_sigma)
        at = np.flatnonzero((profile.u_mm >= 0) & (profile.u_mm < length_mm))
        found.append((edge, profile.between(int(at[0]), int(at[-1]) + 1)))
    (lower, low), (upper, high) = found
    return RoundEdges(lower, upper, low, high)


def _once_round(profile: Profile, length_mm: float, relative_sigma: float) -> LaceEdge:
    """One edge from a valley round to the same."""
    edge = read_edge(profile, relative_sigma)
    if not edge.scalloped or edge.pitch_mm is None or len(edge.valleys_mm) < 3:
        return edge
    # Again from the middle of a scallop to the middle of another, so that no end is in doubt.
    pitch = edge.pitch_mm.value
    first = float(edge.valleys_mm[np.argmin(np.abs(edge.valleys_mm[:, 0])), 0])
    u = profile.u_mm
    own = np.flatnonzero((u > first - 1.5 * pitch) & (u < first + length_mm + 1.5 * pitch))
    again = read_edge(profile.between(int(own[0]), int(own[-1]) + 1), relative_sigma)
    for each in (again, edge):
        once = _joined(each, first, length_mm)
        if once is not None:
            return replace(once, doubt=_of_no_end(once.doubt))
    unjoined = "its scallops do not join where it comes round"
    return replace(edge, doubt=f"{edge.doubt}; {unjoined}" if edge.doubt else unjoined)


def _joined(edge: LaceEdge, first: float, length_mm: float) -> LaceEdge | None:
    """The edge from its valley at `first` to the same valley once round, if it joins."""
    valleys = edge.valleys_mm
    if edge.pitch_mm is None or len(valleys) < 3:
        return None
    start = int(np.argmin(np.abs(valleys[:, 0] - first)))
    stop = int(np.argmin(np.abs(valleys[:, 0] - valleys[start, 0] - length_mm)))
    miss = abs(valleys[stop, 0] - valleys[start, 0] - length_mm)
    if stop <= start or miss > JOIN_SHARE * edge.pitch_mm.value:
        return None
    once = valleys[start : stop + 1].copy()
    once[-1] = once[0] + [length_mm, 0.0]
    return replace(edge, valleys_mm=once, tips_mm=edge.tips_mm[start:stop])


def _of_no_end(doubt: str | None) -> str | None:
    """Without what is said of ends: there are none."""
    kept = [each for each in (doubt or "").split("; ") if each and " end" not in each]
    return "; ".join(kept) or None


def _by_its_dips(
    profile: Profile, even: LaceEdge, length_mm: float, relative_sigma: float
) -> LaceEdge:
    """The edge by its deepest places alone: scallops at corners are wider than the others.

    `even`, the edge read as even scallops, is kept where its valleys are dips.
    """
    u, out = profile.u_mm, profile.outward_mm
    spacing = float(u[1] - u[0])
    once = np.flatnonzero((u >= 0) & (u < length_mm))
    play = float(np.percentile(out[once], 95) - np.percentile(out[once], 5))
    if even.pitch_mm is None or play <= 0:
        return even
    level = smooth(out, DIP_BLUR * even.pitch_mm.value / spacing)
    near = max(1, round(0.12 * even.pitch_mm.value / spacing))
    at_valleys = np.searchsorted(u, even.valleys_mm[:, 0]).clip(near, len(u) - near - 1)
    lowest = np.array([out[k - near : k + near + 1].min() for k in at_valleys])
    if (lowest > np.percentile(out[once], 5) + 0.5 * play).sum() < FEWEST_FALSE:
        return even
    places = find_peaks(-level, prominence=VALLEY_PLAY * play)
    places = places[(u[places] >= -0.5 * spacing) & (u[places] < length_mm - 0.5 * spacing)]
    if len(places) < FEWEST or len(places) == even.count:
        return even
    at = np.append(u[places], u[places[0]] + length_mm)
    wide = np.diff(at)
    if wide.max() > UNEVEN * np.median(wide):
        return even
    height = np.append(out[places], out[places[0]])
    tips = []
    for start, stop in pairwise(at):
        own = np.flatnonzero((u > start) & (u < stop))
        top = own[int(np.argmax(level[own]))]
        tips.append((u[top], out[top]))
    tip = np.array(tips)
    depth = tip[:, 1] - (height[:-1] + height[1:]) / 2
    sign = np.array([1.0, -1.0 if profile.side == "lower" else 1.0])
    pitch, deep = float(wide.mean()), float(np.median(depth))
    root = np.sqrt(len(wide))
    doubt = f"its scallops are of uneven width; were they even there would be {even.count} of them"
    return replace(
        even,
        valleys_mm=np.column_stack([at, height]) * sign,
        tips_mm=tip * sign,
        pitch_mm=Measured(pitch, float(np.hypot(np.std(wide) / root, relative_sigma * pitch))),
        depth_mm=Measured(deep, float(np.hypot(np.std(depth) / root, relative_sigma * deep))),
        doubt=doubt,
    )
