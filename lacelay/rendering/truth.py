"""The truth of a rendered photo as a lace record."""

from __future__ import annotations

from itertools import pairwise
from typing import Literal

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString, Polygon

from lacelay.model.lace import Bead, Lace, LaceEdge, Measured, Motif, Points, Repeat, Scale, Shares
from lacelay.rendering.pattern import Pattern
from lacelay.rendering.scene import Scene, visible_outline
from lacelay.rendering.strip import Strip, bead_places, bead_run_numbers

#: A hole into which a disc of this diameter fits is open; a smaller one is net.
OPEN_HOLE_MM = 4.0
#: A motif of which less than this share is inside the photo is no motif of the record.
SEEN_SHARE = 0.5


def true_lace(scene: Scene, strip: Strip, name: str) -> Lace:
    """Write down what can be seen of a scene, exactly.

    Everything drawn is carried through the small warps of the piece. Uncertainties are 0.
    Motifs cut by an end or by the photo's border are clipped and have kind -1. Copies that
    differ by a turn share a kind; mirror images do not.

    Parameters
    ----------
    scene : Scene
    strip : Strip
        As drawn; only its cover is read, for the shares.
    name : str

    Returns
    -------
    Lace
    """
    pattern = scene.pattern
    outline = visible_outline(scene)
    shapely.prepare(outline)
    length = float(outline.bounds[2])
    lower, upper = _edge(scene, outline, "lower"), _edge(scene, outline, "upper")
    width = pattern.width_mm
    if len(lower.valleys_mm) and len(upper.valleys_mm):
        width = float(upper.valleys_mm[:, 1].mean() - lower.valleys_mm[:, 1].mean())
    reference = {
        "cm": "mat grid of 1 cm",
        "inch": "mat grid of 1 inch",
        "half-inch": "mat grid of half an inch",
        "plain": "known to the renderer only",
    }[scene.printed.kind.grid]
    return Lace(
        name=name,
        length_mm=length,
        width_mm=Measured(width, 0.0),
        outline_mm=_ring(outline),
        lower=lower,
        upper=upper,
        repeat=Repeat(
            Measured(pattern.repeat_mm, 0.0), length / pattern.repeat_mm, 1.0, "as drawn"
        ),
        motifs=_motifs(scene, outline),
        beads=_beads(scene, outline),
        shares=_shares(scene, strip),
        scale=Scale(_px_per_mm(scene, length, width), 0.0, reference),
        photo=scene.map,
        cords_mm=_cords(scene, outline),
        mesh_mm=None if pattern.ground.net == "bars" else pattern.ground.size_mm,
        symmetry=pattern.symmetry,
    )


def _ring(polygon: Polygon) -> Points:
    return np.asarray(polygon.exterior.coords, dtype=np.float64)[:-1]


def _edge(scene: Scene, outline: Polygon, side: Literal["lower", "upper"]) -> LaceEdge:
    pattern = scene.pattern
    tips, valleys = pattern.tips_valleys(side, scene.from_mm, scene.to_mm)
    none = np.empty((0, 2))
    if not len(valleys):
        return LaceEdge(side, False, none, none)
    if scene.closed:
        tips, valleys = _once_round(scene, side)
    else:
        near = outline.buffer(0.3)
        tips = _within(scene.warp.to_lace(tips), near)
        valleys = _within(scene.warp.to_lace(valleys), near)
    whole, depths = [], []
    for start, stop in pairwise(valleys):
        between = tips[(tips[:, 0] > start[0]) & (tips[:, 0] < stop[0])]
        if len(between) == 1 and stop[0] - start[0] < 1.9 * _largest_pitch(pattern, side):
            whole.append(between[0])
            share = (between[0, 0] - start[0]) / (stop[0] - start[0])
            line = start[1] + share * (stop[1] - start[1])
            depths.append(abs(between[0, 1] - line))
    design = pattern.lower if side == "lower" else pattern.upper
    per_repeat = len(design.depths_mm)
    depth = float(np.mean(depths)) if depths else float(design.tips_mm()[:, 1].mean())
    return LaceEdge(
        side,
        True,
        valleys,
        np.asarray(whole).reshape(-1, 2),
        Measured(pattern.repeat_mm / per_repeat, 0.0),
        Measured(depth, 0.0),
        per_repeat,
    )


def _once_round(scene: Scene, side: Literal["lower", "upper"]) -> tuple[Points, Points]:
    """Tips and valleys of a ring, from its first valley to the same one past the end."""
    pattern = scene.pattern
    length = scene.to_mm - scene.from_mm
    tips, valleys = pattern.tips_valleys(side, -0.01, 2 * length)
    scallops = round(length / pattern.repeat_mm) * len(pattern.lower.depths_mm)
    valleys = valleys[: scallops + 1]
    tips = tips[(tips[:, 0] > valleys[0, 0]) & (tips[:, 0] < valleys[-1, 0])]
    return scene.warp.to_lace(tips), scene.warp.to_lace(valleys)


def _largest_pitch(pattern: Pattern, side: str) -> float:
    edge = pattern.lower if side == "lower" else pattern.upper
    return float(np.diff(edge.valleys_mm).max())


def _within(points: Points, region: Polygon) -> Points:
    inside = shapely.contains_xy(region, points[:, 0], points[:, 1])
    kept = points[inside]
    return np.asarray(kept[np.argsort(kept[:, 0])], dtype=np.float64)


def _copies(scene: Scene) -> NDArray[np.float64]:
    repeat = scene.pattern.repeat_mm
    return (
        np.arange(np.floor(scene.from_mm / repeat) - 1, np.ceil(scene.to_mm / repeat) + 1) * repeat
    )


def _motifs(scene: Scene, outline: Polygon) -> list[Motif]:
    found = []
    if scene.closed:  # every copy is whole; one over the seam goes on past the last u
        shifts = np.arange(0.0, scene.to_mm - scene.from_mm - 1.0, scene.pattern.repeat_mm)
        return [
            Motif(scene.warp.to_lace(placed.outline_mm + [shift, 0.0]), placed.kind)
            for shift in shifts
            for placed in scene.pattern.placed
        ]
    for shift in _copies(scene):
        for placed in scene.pattern.placed:
            ring = scene.warp.to_lace(placed.outline_mm + [shift, 0.0])
            polygon = shapely.make_valid(Polygon(ring))
            if outline.contains(polygon):
                found.append(Motif(ring, placed.kind))
                continue
            seen = polygon.intersection(outline)
            if seen.area < SEEN_SHARE * polygon.area:
                continue
            for piece in getattr(seen, "geoms", [seen]):
                if piece.geom_type == "Polygon" and piece.area > 1.0:
                    found.append(Motif(_ring(piece), -1))
    return found


def _beads(scene: Scene, outline: Polygon) -> list[Bead]:
    found = []
    for spots, _ in bead_places(scene.pattern, scene.from_mm, scene.to_mm):
        if not len(spots):
            continue
        places = scene.warp.to_lace(spots[:, :2])
        inside = shapely.contains_xy(outline, places[:, 0], places[:, 1])
        found += [
            Bead(float(u), float(v), float(d))
            for (u, v), d in zip(places[inside], spots[inside, 2], strict=True)
        ]
    return found


def bead_runs(scene: Scene) -> tuple[NDArray[np.int64], ...]:
    """The runs that beads are threaded in.

    Parameters
    ----------
    scene : Scene

    Returns
    -------
    tuple of ndarray of int64
        Numbers of the beads of `true_lace`, each run in the order of its thread; sequins and
        beads sewn on one by one are runs of one.
    """
    outline = visible_outline(scene)
    numbers = bead_run_numbers(scene.pattern, scene.from_mm, scene.to_mm)
    spots = np.concatenate(
        [each for each, _ in bead_places(scene.pattern, scene.from_mm, scene.to_mm)]
    )
    places = scene.warp.to_lace(spots[:, :2])
    kept = numbers[shapely.contains_xy(outline, places[:, 0], places[:, 1])]
    single = [np.array([k]) for k in np.flatnonzero(kept < 0)]
    threaded = [np.flatnonzero(kept == run) for run in np.unique(kept[kept >= 0])]
    return tuple(np.asarray(run, dtype=np.int64) for run in (*single, *threaded))


def _cords(scene: Scene, outline: Polygon) -> list[Points]:
    found: list[Points] = []
    for shift in _copies(scene):
        for placed in scene.pattern.placed:
            lines = [stroke.line_mm for stroke in placed.element.strokes if stroke.cord]
            lines += [
                np.concatenate([part.outline_mm, part.outline_mm[:1]])
                for part in placed.element.parts
                if part.cord
            ]
            for line in lines:
                seen = LineString(scene.warp.to_lace(line + [shift, 0.0])).intersection(outline)
                found += [
                    np.asarray(piece.coords, dtype=np.float64)
                    for piece in getattr(seen, "geoms", [seen])
                    if piece.geom_type == "LineString" and piece.length > 1.0
                ]
    return found


def _shares(scene: Scene, strip: Strip) -> Shares:
    """Shares of motif, ground and open of the length drawn.

    Net with its holes is ground; holes that hold a disc of `OPEN_HOLE_MM` are open, so bars
    count by themselves and what lies between them is open.
    """
    coarse = strip.reduced(min(strip.px_per_mm, 4.0))
    body = np.zeros(coarse.cover.shape, np.uint8)
    ring = coarse.to_px(np.asarray(scene.body_design.exterior.coords))
    cv2.fillPoly(body, [np.round(ring).astype(np.int32)], 1)
    side = round(OPEN_HOLE_MM * coarse.px_per_mm) | 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    thread = cv2.copyMakeBorder(
        (coarse.cover > 40).astype(np.uint8), side, side, side, side, cv2.BORDER_CONSTANT
    )
    closed = cv2.morphologyEx(thread, cv2.MORPH_CLOSE, disc)[side:-side, side:-side]
    inside = body > 0
    motif = inside & (coarse.motif > 127)
    opened = inside & ~motif & (closed == 0)
    total = float(inside.sum())
    motif_share, open_share = float(motif.sum()) / total, float(opened.sum()) / total
    return Shares(motif_share, 1.0 - motif_share - open_share, open_share)


def _px_per_mm(scene: Scene, length: float, width: float) -> float:
    middle = np.array([length / 2, width / 2])
    around = middle + np.array([[-0.5, 0], [0.5, 0], [0, -0.5], [0, 0.5]])
    photo = scene.map.lace_to_photo(around)
    along, across = photo[1] - photo[0], photo[3] - photo[2]
    return float(np.sqrt(abs(along[0] * across[1] - along[1] * across[0])))
