"""Merge, split, redraw, strike out and draw motifs.

A motif is the one under a photo point. Its kind (which motifs are copies of each other) is
told anew for every motif that changed, by its place in the repeat and its size.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Point, Polygon

from lacelay.correcting.frame import to_lace
from lacelay.errors import CorrectionError
from lacelay.model.corrections import (
    MotifDrawn,
    MotifRedrawn,
    MotifsMerged,
    MotifSplit,
    MotifStruck,
)
from lacelay.model.lace import Lace, Motif

Points = NDArray[np.float64]

#: A point this near a motif's outline still means that motif, mm.
NEAR_MM = 2.0
#: A motif of which more than this share (of the union) is covered by a drawn one is that one.
SAME_MOTIF = 0.4
#: Half the width of the bridge between merged motifs that do not touch, mm.
BRIDGE_MM = 0.6
#: Pieces smaller than this are no motifs, mm2: what a line cuts off at a tangent.
LEAST_MM2 = 1.0
#: Places of one kind agree within this share of the repeat, and 1 mm.
SAME_PLACE = 0.06
#: And their areas within this, in logarithms.
SAME_SIZE = 0.35
#: Marks a motif whose kind has to be told anew.
_UNTOLD = -2


def merged(lace: Lace, told: MotifsMerged) -> tuple[Lace, str | None]:
    """Make one motif of several."""
    found = sorted({_under(lace, place) for place in to_lace(lace, told.at_px)})
    if len(found) < 2:
        raise CorrectionError(
            "All the points given for a merge lie in one motif.",
            "Nothing need be done if it is whole; else point into each motif.",
        )
    shapes = [polygon(lace.motifs[k]) for k in found]
    joined = shapely.union_all(shapes).buffer(0)
    while joined.geom_type != "Polygon":
        first, *rest = joined.geoms
        gap = shapely.shortest_line(first, shapely.union_all(rest))
        # Into both shapes a little, else a bridge to a pointed tip would hang by a point.
        joined = shapely.union_all([joined, gap.buffer(BRIDGE_MM)]).buffer(0)
    return _exchanged(lace, found, [joined]), None


def split(lace: Lace, told: MotifSplit) -> tuple[Lace, str | None]:
    """Part a motif along a line that goes right across it."""
    from shapely.ops import split as parted

    at = _under(lace, to_lace(lace, told.at_px)[0])
    whole = polygon(lace.motifs[at])
    line = LineString(_extended(to_lace(lace, told.line_px)))
    pieces = [each for each in parted(whole, line).geoms if each.area >= LEAST_MM2]
    if len(pieces) < 2:
        raise CorrectionError(
            "The line drawn does not part the motif at its point.",
            "Nothing need be done if it is parted already; else draw the line right across it.",
        )
    return _exchanged(lace, [at], pieces), None


def redrawn(lace: Lace, told: MotifRedrawn) -> tuple[Lace, str | None]:
    """Give the motif under a point another outline; one that is not found is drawn."""
    drawn = _drawn(lace, told.outline_px)
    try:
        found = [_under(lace, to_lace(lace, told.at_px)[0])]
    except CorrectionError:
        found = []
    return _exchanged(lace, sorted({*found, *_same(lace, drawn)}), [drawn]), None


def struck(lace: Lace, told: MotifStruck) -> tuple[Lace, str | None]:
    """Take a motif out."""
    return _exchanged(lace, [_under(lace, to_lace(lace, told.at_px)[0])], []), None


def drawn_new(lace: Lace, told: MotifDrawn) -> tuple[Lace, str | None]:
    """Add a motif; one read at the same place gives way to hers."""
    drawn = _drawn(lace, told.outline_px)
    return _exchanged(lace, _same(lace, drawn), [drawn]), None


def polygon(motif: Motif) -> Polygon:
    """A motif as an area; the largest part where its outline crosses itself."""
    area = shapely.make_valid(Polygon(motif.outline_mm))
    pieces = [each for each in shapely.get_parts(area) if each.geom_type == "Polygon"]
    return max(pieces, key=lambda piece: piece.area, default=Polygon(motif.outline_mm))


def in_order(lace: Lace, *, all_kinds: bool) -> Lace:
    """Motifs in order of u, each changed one (or every one) with its kind told anew.

    Parameters
    ----------
    lace : Lace
    all_kinds : bool
        True after the repeat changed.
    """
    motifs = list(lace.motifs)
    if all_kinds:
        motifs = [replace(motif, kind=_UNTOLD) for motif in motifs]
    centres = np.array([motif.outline_mm.mean(axis=0) for motif in motifs]).reshape(-1, 2)
    order = np.lexsort((centres[:, 1], centres[:, 0]))
    motifs, centres = [motifs[k] for k in order], centres[order]
    if lace.repeat is None:
        # Without a repeat nothing says what is a copy of what.
        plain = [Motif(each.outline_mm, -1) if each.kind == _UNTOLD else each for each in motifs]
        return replace(lace, motifs=plain)
    period = lace.repeat.length_mm.value
    kinds = np.array([motif.kind for motif in motifs], dtype=int)
    sizes = np.log([polygon(motif).area for motif in motifs]) if motifs else np.zeros(0)
    following = int(kinds.max(initial=-1)) + 1
    for k in np.flatnonzero(kinds == _UNTOLD):
        along = (centres[:, 0] - centres[k, 0] + period / 2) % period - period / 2
        near = np.hypot(along, centres[:, 1] - centres[k, 1]) < SAME_PLACE * period + 1.0
        alike = near & (np.abs(sizes - sizes[k]) < SAME_SIZE) & (kinds >= 0)
        if alike.any():
            closest = np.flatnonzero(alike)[np.argmin(np.abs(sizes[alike] - sizes[k]))]
            kinds[k] = kinds[closest]
        else:
            kinds[k], following = following, following + 1
    return replace(
        lace,
        motifs=[
            Motif(motif.outline_mm, int(kind)) for motif, kind in zip(motifs, kinds, strict=True)
        ],
    )


def kept_within(lace: Lace, area: Polygon) -> Lace:
    """The record without the motifs whose middle lies outside an area."""
    inside = [motif for motif in lace.motifs if area.covers(polygon(motif).representative_point())]
    return lace if len(inside) == len(lace.motifs) else replace(lace, motifs=inside)


def _under(lace: Lace, place: Points) -> int:
    """Which motif a point means: the smallest that holds it, else the nearest."""
    point = Point(place)
    areas = [polygon(motif) for motif in lace.motifs]
    holding = [k for k, area in enumerate(areas) if area.covers(point)]
    if holding:
        return min(holding, key=lambda k: areas[k].area)
    far = [area.distance(point) for area in areas]
    if far and min(far) <= NEAR_MM:
        return int(np.argmin(far))
    raise CorrectionError(
        "No motif lies under the point given.", "Point into a motif, or draw one there."
    )


def _same(lace: Lace, drawn: Polygon) -> list[int]:
    """Motifs that are the one drawn."""
    found = []
    for k, motif in enumerate(lace.motifs):
        own = polygon(motif)
        common = own.intersection(drawn).area
        if common > SAME_MOTIF * (own.area + drawn.area - common) or common > 0.8 * own.area:
            found.append(k)
    return found


def _drawn(lace: Lace, outline_px: object) -> Polygon:
    drawn = Polygon(to_lace(lace, outline_px)).buffer(0)
    if drawn.is_empty or drawn.geom_type != "Polygon":
        raise CorrectionError(
            "A motif's outline crosses itself on the lace.", "Draw it round once."
        )
    if not drawn.intersects(Polygon(lace.outline_mm).buffer(NEAR_MM)):
        raise CorrectionError(
            "A motif was drawn beside the lace.", "Draw it on the lace, or redraw its outline."
        )
    return drawn


def _exchanged(lace: Lace, old: list[int], new: list[Polygon]) -> Lace:
    kept = [motif for k, motif in enumerate(lace.motifs) if k not in set(old)]
    return replace(lace, motifs=[*kept, *(Motif(_ring(shape), _UNTOLD) for shape in new)])


def _ring(shape: Polygon) -> Points:
    """An outline, holes filled, counterclockwise, from its leftmost point on."""
    ring = np.asarray(shapely.normalize(shape).exterior.coords, dtype=np.float64)[:-1]
    x, y = ring.T
    return ring if np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) > 0 else ring[::-1].copy()


def _extended(line: Points) -> Points:
    """A line a little longer at both ends: what ends just short of the outline still parts it."""
    ends = []
    for inner, outer in ((line[1], line[0]), (line[-2], line[-1])):
        way = (outer - inner) / max(float(np.hypot(*(outer - inner))), 1e-9)
        ends.append(outer + way * 1.0)
    return np.vstack([ends[0], line[1:-1], ends[1]])
