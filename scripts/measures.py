"""How far a lace record is from the truth: the measures of the bench.

Places are compared in millimetres of the true mat: a found place goes through the found map
into the photo and through the true map back, so an error of scale is not an error of place.

Sources of definitions
----------------------
boundary F : precision and recall of outline points matched one to one within a tolerance,
    F = 2 / (1 / P + 1 / R), after the boundary benchmark of Martin, Fowlkes and Malik (2004);
    the tolerance here is in mm rather than a share of the image's diagonal.
panoptic quality : sum of the IoU of matches / (TP + FP / 2 + FN / 2), matched where
    IoU > 0.5; Kirillov et al. 2019, arXiv 1801.00868. Found segments that lie mostly in void
    are left out, as there.
IoU : area of the intersection over that of the union.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import maximum_bipartite_matching
from scipy.spatial import cKDTree
from shapely.geometry import Polygon

from lacelay.geometry.photo_map import PhotoMap
from lacelay.model.lace import Lace, LaceEdge

Points = NDArray[np.float64]
#: Tolerance of outlines and beads, mm.
WITHIN_MM = 1.0
#: Distance of points along an outline, mm.
STEP_MM = 0.5
#: A repeat within this share of a half, a double or another multiple is one.
NEAR_MULTIPLE = 0.06


def matched_pairs(found: Points, real: Points, within: float) -> int:
    """Largest number of one-to-one pairs no further apart than `within`.

    Examples
    --------
    >>> matched_pairs(np.array([[0.0, 0], [0.2, 0]]), np.array([[0.1, 0]]), 1.0)
    1
    """
    if not len(found) or not len(real):
        return 0
    near = cKDTree(found).sparse_distance_matrix(cKDTree(real), within, output_type="coo_matrix")
    # a distance of 0 would be no edge at all
    graph = coo_matrix((np.ones(len(near.data)), (near.row, near.col)), near.shape).tocsr()
    return int(np.sum(maximum_bipartite_matching(graph, perm_type="column") >= 0))


def precision_recall(found: Points, real: Points, within: float) -> tuple[float, float]:
    """Shares of the found that are real, and of the real that are found; 1 of none."""
    pairs = matched_pairs(found, real, within)
    precision = pairs / len(found) if len(found) else 1.0
    recall = pairs / len(real) if len(real) else 1.0
    return precision, recall


def f_measure(precision: float, recall: float) -> float:
    """Harmonic mean; 0 where either is 0."""
    return 2 * precision * recall / (precision + recall) if precision + recall else 0.0


def nearest_pairs(found: Points, real: Points, within: float) -> NDArray[np.float64]:
    """Distances of the one-to-one pairs of least total distance, none beyond `within`."""
    if not len(found) or not len(real):
        return np.empty(0)
    apart = np.hypot(*(found[:, None] - real[None]).transpose(2, 0, 1))
    # a pair too far apart costs as much as leaving both alone
    rows, columns = linear_sum_assignment(np.minimum(apart, 2 * within))
    distances = apart[rows, columns]
    return np.asarray(distances[distances <= within], dtype=np.float64)


def along(line: Points, step: float) -> Points:
    """Points at equal distances along a closed line, shape (n, 2)."""
    ring = np.concatenate([line, line[:1]])
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
    if arc[-1] <= 0:
        return np.asarray(line[:1], dtype=np.float64)
    at = np.linspace(0, arc[-1], max(3, round(arc[-1] / step)), endpoint=False)
    return np.column_stack([np.interp(at, arc, ring[:, 0]), np.interp(at, arc, ring[:, 1])])


def boundary_f(
    found: Sequence[Points], real: Sequence[Points], within: float, step: float
) -> float:
    """Boundary F of closed outlines."""
    none = np.empty((0, 2))
    mine = np.concatenate([none, *[along(line, step) for line in found]])
    true = np.concatenate([none, *[along(line, step) for line in real]])
    return f_measure(*precision_recall(mine, true, within))


@dataclass(frozen=True)
class Panoptic:
    """Panoptic quality and its two factors: how well matches fit, how many there are."""

    pq: float
    sq: float
    rq: float


def panoptic(
    found: Sequence[Polygon], real: Sequence[Polygon], void: Sequence[Polygon] = ()
) -> Panoptic:
    """Panoptic quality of one class of segments.

    Parameters
    ----------
    found, real : sequence of Polygon
        Segments; neither overlaps its own kind by much.
    void : sequence of Polygon
        Where nothing is asked: a found segment that matches nothing and lies more than half
        in one of these is left out.
    """
    if not len(real) and not len(found):
        return Panoptic(1.0, 1.0, 1.0)
    total, matched_found, matched_real = 0.0, set(), set()
    if len(real) and len(found):
        tree = shapely.STRtree(list(real))
        mine, theirs = tree.query(list(found), predicate="intersects")
        shared = shapely.area(
            shapely.intersection(np.asarray(found)[mine], np.asarray(real)[theirs])
        )
        areas = shapely.area(np.asarray(found)), shapely.area(np.asarray(real))
        iou = shared / (areas[0][mine] + areas[1][theirs] - shared)
        for k in np.flatnonzero(iou > 0.5):  # no segment can have two such
            total += float(iou[k])
            matched_found.add(int(mine[k]))
            matched_real.add(int(theirs[k]))
    hits = len(matched_real)
    loose = [each for k, each in enumerate(found) if k not in matched_found]
    if len(void) and loose:
        ground = shapely.union_all(list(void))
        loose = [each for each in loose if each.intersection(ground).area <= 0.5 * each.area]
    wrong, missed = len(loose), len(real) - hits
    weight = hits + 0.5 * wrong + 0.5 * missed
    if weight == 0:
        return Panoptic(1.0, 1.0, 1.0)
    sq = total / hits if hits else 0.0
    return Panoptic(total / weight, sq, hits / weight)


def mask_iou(found: NDArray[np.bool_], real: NDArray[np.bool_]) -> float:
    """Intersection over union of two masks; 1 where both are empty."""
    union = float((found | real).sum())
    return float((found & real).sum()) / union if union else 1.0


@dataclass(frozen=True)
class Judged:
    """One reading measured; a value that does not apply is None.

    Parameters
    ----------
    values : dict
        Measure by name: shares as shares, lengths in mm.
    distances : dict
        "tips" and "valleys": every matched distance in mm.
    held : dict
        Whether a stated 95 % interval holds the truth, by measure.
    flags : tuple of str
        What went wrong in words: "repeat is a half", "lower edge 7 scallops for 9".
    """

    values: dict[str, float | None]
    distances: dict[str, list[float]]
    held: dict[str, bool]
    flags: tuple[str, ...] = field(default=())


def judge(
    found: Lace, truth: Lace, hidden_mm: Sequence[Points] = (), closed: bool = False
) -> Judged:
    """Measure a reading.

    Parameters
    ----------
    found, truth : Lace
        Both with their map of the same photo.
    hidden_mm : sequence of ndarray
        Outlines on the true mat of what lies over the lace: there nothing is asked.
    closed : bool
        The lace is a ring.
    """
    assert found.photo is not None
    assert truth.photo is not None
    carry = _Carry(found.photo, truth.photo)
    hidden = shapely.union_all([shapely.make_valid(Polygon(line)) for line in hidden_mm])
    values: dict[str, float | None] = {}
    distances: dict[str, list[float]] = {}
    held: dict[str, bool] = {}
    flags: list[str] = []
    _judge_scale(found, truth, carry, values, held)
    _judge_repeat(found, truth, values, held, flags)
    turned = _turned(found, truth, carry)
    _judge_edges(found, truth, carry, hidden, closed, turned, values, distances, held, flags)
    _judge_motifs(found, truth, carry, hidden, values)
    values["outline F"] = _outline_f(
        [carry.found(found.outline_mm)], [carry.real(truth.outline_mm)], hidden
    )
    if len(truth.beads) or len(found.beads):
        mine, theirs = (
            _outside(
                change(np.array([[b.u_mm, b.v_mm] for b in lace.beads]).reshape(-1, 2)), hidden
            )
            for lace, change in ((found, carry.found), (truth, carry.real))
        )
        precision, recall = precision_recall(mine, theirs, WITHIN_MM)
        if len(truth.beads):
            values["bead precision"], values["bead recall"] = precision, recall
        values["beads that are none"] = float(len(mine) - round(precision * len(mine)))
    values["symmetry right"] = float(found.symmetry == truth.symmetry)
    if found.symmetry is None:
        values["symmetry right"] = 0.0
        flags.append("symmetry not read")
    if found.mesh_mm and truth.mesh_mm:
        values["mesh"] = abs(found.mesh_mm / truth.mesh_mm - 1)
    held["width"] = _holds(found.width_mm.interval95, truth.width_mm.value)
    return Judged(values, distances, held, tuple(flags))


@dataclass(frozen=True, eq=False)
class _Carry:
    """Lace points of the found and of the true record, as points of the true mat."""

    found_map: PhotoMap
    true_map: PhotoMap

    def found(self, lace_mm: Points) -> Points:
        if not len(lace_mm):
            return np.empty((0, 2))
        return self.true_map.photo_to_mat_mm(self.found_map.lace_to_photo(lace_mm))

    def real(self, lace_mm: Points) -> Points:
        return self.true_map.lace_to_mat(lace_mm) if len(lace_mm) else np.empty((0, 2))


def _holds(interval: tuple[float, float], value: float) -> bool:
    return interval[0] <= value <= interval[1]


def _judge_scale(
    found: Lace,
    truth: Lace,
    carry: _Carry,
    values: dict[str, float | None],
    held: dict[str, bool],
) -> None:
    """Lengths of 50 mm each way, in the middle of the lace."""
    middle = carry.real(np.array([[truth.length_mm / 2, truth.width_mm.value / 2]]))
    arms = np.concatenate([middle + [25, 0], middle - [25, 0], middle + [0, 25], middle - [0, 25]])
    seen = carry.found_map.photo_to_mat_mm(carry.true_map.mat_to_photo(arms))
    ratios = [float(np.hypot(*(seen[k] - seen[k + 1]))) / 50.0 - 1 for k in (0, 2)]
    values["scale"] = max(abs(ratio) for ratio in ratios)
    held["scale"] = abs(sum(ratios) / 2) <= 1.96 * found.scale.relative_sigma


def _judge_repeat(
    found: Lace,
    truth: Lace,
    values: dict[str, float | None],
    held: dict[str, bool],
    flags: list[str],
) -> None:
    assert truth.repeat is not None
    real = truth.repeat.length_mm.value
    enough = truth.repeat.copies >= 2.0
    values["repeat"] = values["repeat a multiple"] = None
    if found.repeat is None:
        if enough:
            values["repeat told"] = 0.0
            flags.append("repeat not told")
        else:
            values["few copies said"] = 1.0
        return
    if not enough:
        values["few copies said"] = 0.0
        flags.append(f"a repeat told from {truth.repeat.copies:.1f} copies")
        return
    values["repeat told"] = 1.0
    share = found.repeat.length_mm.value / real
    held["repeat"] = _holds(found.repeat.length_mm.interval95, real)
    values["repeat"] = abs(share - 1)
    times = share if share > 1 else 1 / share
    multiple = round(times) >= 2 and abs(times / round(times) - 1) < NEAR_MULTIPLE
    values["repeat a multiple"] = float(multiple)
    if multiple:
        flags.append(f"repeat is {'x' if share > 1 else '1/'}{round(times)}")
    elif abs(share - 1) > 0.05:
        flags.append(f"repeat {share:.2f} times the true one")


def _turned(found: Lace, truth: Lace, carry: _Carry) -> bool:
    """Whether the found lace runs the other way than the true one."""
    middle, width = found.length_mm / 2, found.width_mm.value / 2
    ends = carry.found(np.array([[middle - 5, width], [middle + 5, width]]))
    u = carry.true_map.mat_to_lace(ends)[:, 0]
    return bool(u[1] < u[0] and abs(u[1] - u[0]) < truth.length_mm / 2)


def _outside(points: Points, hidden: shapely.Geometry) -> Points:
    if hidden.is_empty or not len(points):
        return points
    return np.asarray(points[~shapely.contains_xy(hidden, points[:, 0], points[:, 1])])


def _judge_edges(
    found: Lace,
    truth: Lace,
    carry: _Carry,
    hidden: shapely.Geometry,
    closed: bool,
    turned: bool,
    values: dict[str, float | None],
    distances: dict[str, list[float]],
    held: dict[str, bool],
    flags: list[str],
) -> None:
    pairs: list[tuple[LaceEdge, LaceEdge]] = [
        (found.upper if turned else found.lower, truth.lower),
        (found.lower if turned else found.upper, truth.upper),
    ]
    values["edge kinds right"] = float(
        all(mine.scalloped == real.scalloped for mine, real in pairs)
    )
    right, said = True, True
    tips: list[NDArray[np.float64]] = []
    valleys: list[NDArray[np.float64]] = []
    asked = 0
    for mine, real in pairs:
        true_tips = carry.real(real.tips_mm)
        seen = len(_outside(true_tips, hidden))
        # what lies under a hand may be counted or not
        exact = seen <= mine.count <= len(true_tips)
        right &= exact
        if not exact:
            flags.append(f"{real.side} edge {mine.count} scallops for {len(true_tips)}")
            said &= mine.doubt is not None
        if not real.scalloped:
            continue
        assert real.pitch_mm is not None
        assert real.depth_mm is not None
        true_valleys = carry.real(real.valleys_mm)
        if closed:
            true_valleys = true_valleys[:-1]
        within = real.pitch_mm.value / 2
        asked += seen + len(_outside(true_valleys, hidden))
        tips.append(nearest_pairs(carry.found(mine.tips_mm), true_tips, within))
        valleys.append(nearest_pairs(carry.found(mine.valleys_mm), true_valleys, within))
        if mine.pitch_mm is not None:
            held[f"{real.side} pitch"] = _holds(mine.pitch_mm.interval95, real.pitch_mm.value)
            values[f"{real.side} pitch"] = abs(mine.pitch_mm.value / real.pitch_mm.value - 1)
        if mine.depth_mm is not None:
            held[f"{real.side} depth"] = _holds(mine.depth_mm.interval95, real.depth_mm.value)
    values["count right"] = float(right)
    values["wrong count said doubtful"] = None if right else float(said)
    if tips or valleys:
        distances["tips"] = [round(float(v), 3) for v in np.concatenate(tips)]
        distances["valleys"] = [round(float(v), 3) for v in np.concatenate(valleys)]
        both = distances["tips"] + distances["valleys"]
        values["tips and valleys"] = float(np.median(both)) if both else None
        values["tips and valleys, 95th"] = float(np.quantile(both, 0.95)) if both else None
        values["tips and valleys found"] = min(1.0, len(both) / asked) if asked else None


def _polygons(outlines: Sequence[Points]) -> list[Polygon]:
    made = []
    for line in outlines:
        shape = shapely.make_valid(Polygon(line))
        parts = [p for p in getattr(shape, "geoms", [shape]) if p.geom_type == "Polygon"]
        if parts:
            made.append(max(parts, key=lambda part: part.area))
    return made


def _judge_motifs(
    found: Lace,
    truth: Lace,
    carry: _Carry,
    hidden: shapely.Geometry,
    values: dict[str, float | None],
) -> None:
    mine = _polygons([carry.found(motif.outline_mm) for motif in found.motifs])
    whole = _polygons([carry.real(m.outline_mm) for m in truth.motifs if m.kind >= 0])
    # motifs that an end or the photo's border cuts are asked for by their area alone
    cut = _polygons([carry.real(m.outline_mm) for m in truth.motifs if m.kind < 0])
    void = list(cut)
    if not hidden.is_empty:
        under = [shape.intersection(hidden).area > 0.2 * shape.area for shape in whole]
        void += [hidden, *[shape for shape, is_under in zip(whole, under, strict=True) if is_under]]
        whole = [shape for shape, is_under in zip(whole, under, strict=True) if not is_under]
    quality = panoptic(mine, whole, void)
    values["motif PQ"], values["motif SQ"], values["motif RQ"] = (
        quality.pq, quality.sq, quality.rq,
    )  # fmt: skip
    values["motif outline F"] = _outline_f(
        [np.asarray(shape.exterior.coords)[:-1] for shape in mine],
        [np.asarray(shape.exterior.coords)[:-1] for shape in (*whole, *cut)],
        hidden,
    )
    values["motif IoU"] = _area_iou(mine, [*whole, *cut], carry.real(truth.outline_mm), hidden)
    values["kinds agree"] = _kinds_agree(found, truth, carry)


def _area_iou(
    found: Sequence[Polygon], real: Sequence[Polygon], outline: Points, hidden: shapely.Geometry
) -> float:
    """Motif against the rest over the lace, on a raster of a quarter of a millimetre."""
    low, high = outline.min(axis=0) - 5, outline.max(axis=0) + 5
    per_mm = 4.0
    size = np.ceil((high - low) * per_mm).astype(int)
    masks = []
    for shapes in (found, real, [hidden] if not hidden.is_empty else []):
        mask = np.zeros((size[1], size[0]), np.uint8)
        for shape in shapes:
            for part in getattr(shape, "geoms", [shape]):
                ring = (np.asarray(part.exterior.coords) - low) * per_mm
                cv2.fillPoly(mask, [np.round(ring * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
        masks.append(mask.astype(bool))
    return mask_iou(masks[0] & ~masks[2], masks[1] & ~masks[2])


def _kinds_agree(found: Lace, truth: Lace, carry: _Carry) -> float | None:
    """Share of pairs of matched motifs that are rightly called copies or not (Rand index)."""
    kinds = [motif.kind for motif in found.motifs]
    real = [motif for motif in truth.motifs if motif.kind >= 0]
    if len(kinds) < 2 or len(real) < 2 or max(kinds) < 0:
        return None
    mine = np.array([carry.found(m.outline_mm).mean(axis=0) for m in found.motifs])
    theirs = np.array([carry.real(m.outline_mm).mean(axis=0) for m in real])
    apart, nearest = (np.atleast_1d(found_at) for found_at in cKDTree(theirs).query(mine))
    kept = [(kinds[k], real[int(n)].kind) for k, n in enumerate(nearest) if apart[k] < 2.0]
    a, b = np.array(kept).reshape(-1, 2).T
    if len(a) < 2:
        return None
    first, second = np.triu_indices(len(a), 1)
    return float(np.mean((a[first] == a[second]) == (b[first] == b[second])))


def _outline_f(found: Sequence[Points], real: Sequence[Points], hidden: shapely.Geometry) -> float:
    none = np.empty((0, 2))
    mine = np.concatenate([none, *[along(line, STEP_MM) for line in found]])
    true = np.concatenate([none, *[along(line, STEP_MM) for line in real]])
    wide = hidden.buffer(WITHIN_MM) if not hidden.is_empty else hidden
    return f_measure(*precision_recall(_outside(mine, wide), _outside(true, wide), WITHIN_MM))
