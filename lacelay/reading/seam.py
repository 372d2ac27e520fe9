"""What lies at the seam of two photos: matched where both show it, taken once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon, box

from lacelay.correcting.motifs import polygon
from lacelay.correcting.outline import tip_between
from lacelay.model.lace import Bead, Lace, LaceEdge, Motif, Side

Floats = NDArray[np.float64]

#: A photo's last mm of lace are left out of every comparison.
END_MM = 3.0


@dataclass(frozen=True, eq=False)
class Half:
    """A reading in the joined frame, and where its own lace ends there."""

    lace: Lace
    from_mm: float
    to_mm: float
    area: Polygon


def joined_outline(left: Half, right: Half, seam: float) -> Floats:
    """Both outlines up to the seam, welded there."""
    reach = 1e4
    lower, upper = -reach, reach
    pieces = [
        left.area.intersection(box(-reach, lower, seam + 0.2, upper)),
        right.area.intersection(box(seam - 0.2, lower, reach, upper)),
    ]
    whole = shapely.union_all(pieces).buffer(0)
    largest = max(shapely.get_parts(whole), key=lambda piece: piece.area)
    return np.asarray(largest.exterior.coords, dtype=np.float64)[:-1]


def _pairs(first: Floats, second: Floats, within: float) -> list[tuple[int, int]]:
    """Nearest to each other of two sets of points, each at most once."""
    if not len(first) or not len(second):
        return []
    far = np.hypot(*(first[:, None] - second[None]).transpose(2, 0, 1))
    ours, theirs = far.argmin(axis=1), far.argmin(axis=0)
    return [(i, int(j)) for i, j in enumerate(ours) if theirs[j] == i and far[i, j] <= within]


def _merged(
    first: Floats,
    second: Floats,
    within: float,
    seen: tuple[NDArray[np.bool_], NDArray[np.bool_]],
    seam: float,
) -> tuple[list[tuple[int | None, int | None]], int, int]:
    """Which things of both to keep, and how many one photo misses in the overlap.

    Parameters
    ----------
    first, second : ndarray, shape (n, 2)
        Where they lie.
    within : float
        How far apart the same thing may lie.
    seen : tuple of ndarray
        For each thing, whether the other photo should show it whole as well.
    seam : float

    Returns
    -------
    kept : list of (index in first or None, index in second or None)
        Both where both photos show it.
    alone, both : int
        How many that both photos should show are in one only, and in both.
    """
    pairs = _pairs(first, second, within)
    of_first, of_second = {i for i, _ in pairs}, {j for _, j in pairs}
    kept: list[tuple[int | None, int | None]] = list(pairs)
    kept += [(i, None) for i, p in enumerate(first) if i not in of_first and p[0] < seam]
    kept += [(None, j) for j, p in enumerate(second) if j not in of_second and p[0] >= seam]
    alone = [i for i in np.flatnonzero(seen[0]) if i not in of_first]
    alone += [j for j in np.flatnonzero(seen[1]) if j not in of_second]
    both = [i for i, _ in pairs if seen[0][i]]
    return kept, len(alone), len(both)


def _share(alone: int, both: int) -> float:
    """Share in one photo only; none where too few are seen to speak of a share."""
    return alone / (alone + both) if alone + both >= 3 or alone >= 2 else 0.0


def _inside(
    low: Floats, high: Floats, start: float, end: float, margin: float
) -> NDArray[np.bool_]:
    """Which things, each from low to high, lie within the overlap by a margin."""
    return (low > start + margin) & (high < end - margin)


def joined_motifs(
    left: Half, right: Half, start: float, end: float, seam: float
) -> tuple[list[Motif], float]:
    """Motifs of both, and the share in the overlap that one photo misses."""
    halves = (left, right)
    centres = [
        np.array([m.outline_mm.mean(axis=0) for m in half.lace.motifs]).reshape(-1, 2)
        for half in halves
    ]
    whole = [
        _inside(
            np.array([m.outline_mm[:, 0].min() for m in half.lace.motifs]),
            np.array([m.outline_mm[:, 0].max() for m in half.lace.motifs]),
            start,
            end,
            END_MM,
        )
        for half in halves
    ]
    kept, alone, both = _merged(centres[0], centres[1], 3.0, (whole[0], whole[1]), seam)
    chosen: list[Motif] = []
    for i, j in kept:
        if i is None or j is None:
            half, k = (left, i) if i is not None else (right, j)
            assert k is not None
            chosen.append(half.lace.motifs[k])
            continue
        # Of the two the one that lies further from its own photo's end: that one is whole.
        a, b = left.lace.motifs[i], right.lace.motifs[j]
        inside = left.to_mm - a.outline_mm[:, 0].max(), b.outline_mm[:, 0].min() - right.from_mm
        chosen.append(a if inside[0] >= inside[1] else b)
    return _apart(chosen), _share(alone, both)


def _apart(motifs: list[Motif]) -> list[Motif]:
    """Without those that mostly lie within a larger one: one photo had parted what one had not."""
    areas = [polygon(each) for each in motifs]
    tree = shapely.STRtree(areas)
    gone: set[int] = set()
    for a, b in tree.query(areas, predicate="intersects").T.tolist():
        if a != b and (areas[a].area, a) < (areas[b].area, b):
            common = areas[a].intersection(areas[b]).area
            if common > 0.6 * areas[a].area:
                gone.add(a)
    return [each for k, each in enumerate(motifs) if k not in gone]


def joined_beads(
    left: Half, right: Half, start: float, end: float, seam: float
) -> tuple[list[Bead], float]:
    """Beads of both in order of u, and the share in the overlap that one photo misses."""
    first, second = left.lace.beads, right.lace.beads
    places = [np.array([(b.u_mm, b.v_mm) for b in own]).reshape(-1, 2) for own in (first, second)]
    inside = [_inside(own[:, 0], own[:, 0], start, end, END_MM) for own in places]
    kept, alone, both = _merged(places[0], places[1], 1.2, (inside[0], inside[1]), seam)
    chosen: list[Bead] = []
    for i, j in kept:
        if i is not None and (j is None or first[i].u_mm < seam):
            chosen.append(first[i])
        elif j is not None:
            chosen.append(second[j])
    return sorted(chosen, key=lambda bead: (bead.u_mm, bead.v_mm)), _share(alone, both)


def joined_lines(
    left: Half, right: Half, seam: float, first: Sequence[Floats], second: Sequence[Floats]
) -> list[Floats]:
    """Cords of both, cut at the seam."""
    lines: list[Floats] = []
    for own, half in ((first, box(-1e4, -1e4, seam, 1e4)), (second, box(seam, -1e4, 1e4, 1e4))):
        for line in own:
            if len(line) < 2:
                continue
            seen = shapely.LineString(line).intersection(half)
            lines += [
                np.asarray(piece.coords, dtype=np.float64)
                for piece in shapely.get_parts(seen)
                if piece.geom_type == "LineString"
            ]
    return lines


def with_joined_edge(
    lace: Lace,
    side: Side,
    moved: Lace,
    where: tuple[float, float, float],
    names: tuple[str, str],
) -> Lace:
    """One edge of both, their valleys and tips matched where both show them."""
    first, second = lace.edge(side), moved.edge(side)
    start, end, seam = where
    said: list[str] = []
    if first.scalloped != second.scalloped:
        said.append(
            f"it is scalloped by one of {names[0]} and {names[1]} and straight by the other"
        )
    if not (first.scalloped or second.scalloped):
        return lace
    pitches = [each.pitch_mm.value for each in (first, second) if each.pitch_mm is not None]
    within = 0.25 * min(pitches)
    points = []
    for a, b in ((first.valleys_mm, second.valleys_mm), (first.tips_mm, second.tips_mm)):
        # A scallop cut by a photo's end is not told by that photo.
        inside = [_inside(own[:, 0], own[:, 0], start, end, 1.2 * max(pitches)) for own in (a, b)]
        kept, alone, _ = _merged(a, b, within, (inside[0], inside[1]), seam)
        mean = [
            (a[i] + b[j]) / 2
            if i is not None and j is not None
            else a[i]
            if i is not None
            else b[j]
            for i, j in kept
        ]
        rows = np.array(mean, dtype=float).reshape(-1, 2)
        points.append(rows[np.argsort(rows[:, 0])])
        if alone and "the photos disagree on its scallops where they overlap" not in said:
            said.append("the photos disagree on its scallops where they overlap")
    valleys, tips = points
    tips = _one_each(lace, side, valleys, tips, seam)
    source = first if first.scalloped else second
    doubts = [part for each in (first.doubt, second.doubt) if each for part in each.split("; ")]
    doubt = "; ".join(dict.fromkeys([*doubts, *said])) or None
    edge = LaceEdge(
        side, True, valleys, tips, source.pitch_mm, source.depth_mm, source.per_repeat, doubt
    )
    lace = replace(lace, lower=edge) if side == "lower" else replace(lace, upper=edge)
    if said:
        more = f"The {side} edge: {'; '.join(said)}."
        lace = replace(lace, doubts=(*lace.doubts, more))
    return lace


def _one_each(lace: Lace, side: Side, valleys: Floats, tips: Floats, seam: float) -> Floats:
    """One tip between two valleys; at the seam from the joined outline where none is left."""
    kept = []
    for a, b in pairwise(valleys):
        own = [tip for tip in tips if a[0] < tip[0] < b[0]]
        if own:
            middle = (a[0] + b[0]) / 2
            kept.append(min(own, key=lambda tip: abs(tip[0] - middle)))
        elif a[0] < seam < b[0]:
            tip = tip_between(lace, side, a, b)
            kept += [] if tip is None else [tip]
    return np.array(kept, dtype=float).reshape(-1, 2)
