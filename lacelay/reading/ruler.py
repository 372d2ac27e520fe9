"""Find a ruler: a row of evenly spaced marks whose lengths say how they are counted.

Millimetres have longer marks every five and ten; sixteenths of an inch every two, four,
eight and sixteen. What a mark stands for is told by the lengths alone, and where they do not
tell it nothing is given back.

Frames: photo points (x, y) px, y down. Along a ruler s runs in px, n counts its marks.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.reading.found import Floats, Found
from lacelay.reading.halves import Halves
from lacelay.reading.mark_lengths import Counting, counted
from lacelay.reading.mark_places import mark_places
from lacelay.reading.mark_rows import MarkRow, read_row
from lacelay.reading.row_slant import Slant, slant_of
from lacelay.units import MM_PER_INCH

Image8 = NDArray[np.uint8]

#: A ruler is printed true to a few hundredths, but its face lies 1 to 3 mm nearer the lens
#: than the mat: 0.3 % at half a metre, an assumption.
FACE_SIGMA = 0.003
#: Rulers read, the longest rows of marks first: more say the same again.
MOST_FOUND = 2
#: Where its marks tell the scale beside it to this share, the camera's slant was seen.
SLANT_SEEN = 0.012


def find_rulers(halves: Halves) -> list[Found]:
    """Find rulers whose marks can be counted.

    Parameters
    ----------
    halves : Halves
        The photo and its smaller pictures.

    Returns
    -------
    list of Found
        Two at most, the longest first.
    """
    found: list[tuple[float, Found]] = []
    taken: list[MarkRow] = []
    bodies: list[NDArray[np.float32]] = []
    gray = halves.gray[0]
    for centre, along, half, wide in mark_places(halves):
        if len(found) == MOST_FOUND:
            break
        if any(_on(row, centre, half) for row in taken):
            continue
        # The other edge of a ruler says the same again.
        at = float(centre[0]), float(centre[1])
        if any(cv2.pointPolygonTest(body, at, True) > -wide for body in bodies):
            continue
        row = read_row(gray, centre, along, half, wide)
        if row is None:
            continue
        counting = counted(row.lengths)
        if counting is None:
            continue
        taken.append(row)
        one = _found(row, counting, (gray.shape[1], gray.shape[0]), gray)
        bodies.append(one.areas_px[0].astype(np.float32))
        found.append((row.span_px[1] - row.span_px[0], one))
    found.sort(key=lambda pair: -pair[0])
    return [one for _, one in found]


def _on(row: MarkRow, centre: Floats, half: float) -> bool:
    offset = centre - row.start_px
    s = float(offset @ row.along)
    across = float(offset @ [-row.along[1], row.along[0]])
    low, high = row.band_px
    margin = 0.5 * (high - low) + 6
    inside = row.span_px[0] - 0.3 * half < s < row.span_px[1] + 0.3 * half
    return inside and low - margin < across < high + margin


def _found(row: MarkRow, counting: Counting, size_px: tuple[int, int], gray: Image8) -> Found:
    ends = row.first, row.first + len(row.lengths) - 1
    places = row.at(ends[0]), row.at(ends[1])
    length_mm = (ends[1] - ends[0]) * counting.mark_mm
    points = {
        "first mark": _xy(row.point(places[0])),
        f"mark at {length_mm:.4f} mm": _xy(row.point(places[1])),
    }
    name = "ruler in inches" if abs(counting.mark_mm % (MM_PER_INCH / 32)) < 1e-6 else "ruler in mm"
    # The mark positions themselves are good to a small share of a mark at either end.
    own = 2.0 * row.miss / max(len(row.lengths) - 1, 1)
    middle = row.point((places[0] + places[1]) / 2)
    slant = slant_of(row.fan, row.start_px, row.along, middle, size_px)
    return _between(points, length_mm, size_px, name, own, slant, (_body(row, gray),))


def _xy(point: Floats) -> tuple[float, float]:
    return float(point[0]), float(point[1])


def _between(
    points: Mapping[str, tuple[float, float]],
    length_mm: float,
    size_px: tuple[int, int],
    name: str,
    own_sigma: float,
    slant: Slant,
    areas: tuple[Floats, ...],
) -> Found:
    ends = np.array(list(points.values()))
    plane = slant.to_plane(size_px)
    flat = np.column_stack([ends, np.ones(2)]) @ plane.T
    flat = flat[:, :2] / flat[:, 2:]
    mm = length_mm / float(np.hypot(*(flat[1] - flat[0])))
    middle = ends.mean(axis=0)
    beside = slant.spread(middle, size_px)
    local = float(np.hypot(own_sigma, FACE_SIGMA))
    return Found(
        kind="ruler",
        name=name,
        photo_to_mat=np.diag([mm, mm, 1.0]) @ plane,
        centre_px=((size_px[0] - 1) / 2, (size_px[1] - 1) / 2),
        focal_px=float(max(size_px)),
        relative_sigma=float(np.hypot(local, beside)),
        local_sigma=local,
        middle_px=(float(middle[0]), float(middle[1])),
        areas_px=areas,
        points_px=dict(points),
        slant_seen=beside < SLANT_SEEN,
    )


def moved_ruler(
    found: Found, points_px: Mapping[str, tuple[float, float]], size_px: tuple[int, int]
) -> Found:
    """The ruler again, from its two marks as she moved them; the length between them stays."""
    first, second = list(found.points_px)
    length_mm = float(second.removeprefix("mark at ").removesuffix(" mm"))
    points = {first: points_px[first], second: points_px[second]}
    ends = np.array(list(points.values()))
    mm = length_mm / float(np.hypot(*np.diff(found.to_mat(ends), axis=0)[0]))
    own = 2.0 / float(np.hypot(*(ends[1] - ends[0])))
    middle = ends.mean(axis=0)
    return replace(
        found,
        photo_to_mat=np.diag([mm, mm, 1.0]) @ found.photo_to_mat,
        relative_sigma=float(np.hypot(found.relative_sigma, own)),
        local_sigma=float(np.hypot(own, FACE_SIGMA)),
        middle_px=(float(middle[0]), float(middle[1])),
        points_px=points,
    )


def _body(row: MarkRow, gray: Image8) -> Floats:
    """Outline of the ruler: its marks' band, out to where its own colour ends on each side."""
    px_per_mark = 1 / row.marks_per_px(sum(row.span_px) / 2)
    reach = int(min(60 * px_per_mark, 500))
    low, high = row.span_px
    s = np.linspace(low, high, 80)
    t = np.arange(-reach, reach + 1, dtype=float)
    right = np.array([-row.along[1], row.along[0]])
    at = row.start_px + s[None, :, None] * row.along + t[:, None, None] * right
    seen = cv2.remap(
        gray, at[..., 0].astype(np.float32), at[..., 1].astype(np.float32), cv2.INTER_LINEAR
    )
    level = np.median(np.asarray(seen, dtype=float), axis=1)
    band_low, band_high = row.band_px
    edges = []
    for limit, step in ((band_low, -1), (band_high, 1)):
        if step == row.base:
            edges.append(float(limit) + step * px_per_mark)
            continue
        k = int(np.clip(round(limit) + reach, 2, 2 * reach - 2))
        # Past the longest marks, where its own colour shows between the numerals.
        past = np.sort([k, int(np.clip(k + step * 6 * px_per_mark, 0, 2 * reach))])
        own = float(np.median(level[past[0] : past[1] + 1]))
        end = k
        while 0 < end < 2 * reach and (
            abs(end - k) < 6 * px_per_mark or abs(level[end] - own) < 25
        ):
            end += step
        edges.append(float(limit) + step * px_per_mark if end in (0, 2 * reach) else float(t[end]))
    pad = 6 * px_per_mark
    corners = [
        row.point(low - pad, edges[0]), row.point(high + pad, edges[0]),
        row.point(high + pad, edges[1]), row.point(low - pad, edges[1]),
    ]  # fmt: skip
    return np.asarray(corners)
