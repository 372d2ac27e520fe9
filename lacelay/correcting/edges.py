"""Put an edge right: scalloped or straight, its valleys and tips; and count anew.

Which edge a correction is about is told by its photo point: the edge nearer to it. Scallops
whose valleys did not change keep their tips; the others get the outline's outermost point.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from lacelay.correcting.doubts import MISFIT, UNEVEN, joined, parts, with_edge_doubt
from lacelay.correcting.frame import to_lace
from lacelay.correcting.outline import tip_between, valley_level_mm
from lacelay.errors import CorrectionError
from lacelay.model.corrections import (
    CountConfirmed,
    EdgeScalloped,
    EdgeStraight,
    TipMoved,
    ValleyAdded,
    ValleyMoved,
    ValleyRemoved,
)
from lacelay.model.lace import Lace, LaceEdge, Measured, Side

Points = NDArray[np.float64]

#: Another reading may place a valley this share of a scallop's width elsewhere.
SAME_VALLEY = 0.3
#: Where scallops are small, a point set by hand is no nearer than this, mm.
NEAREST_MM = 2.5
#: Neighbouring scallops that differ by more than this in width leave doubt.
UNEVEN_WIDTHS = 1.75
#: Scallop widths may miss a whole number a repeat by this, and twice it where in doubt.
MISFIT_SHARE = 0.15
_NONE = np.zeros((0, 2))


def straight(lace: Lace, told: EdgeStraight) -> tuple[Lace, str | None]:
    """Take an edge for straight."""
    side = _side(lace, to_lace(lace, told.at_px)[0])
    changed = with_edge(lace, LaceEdge(side, False, _NONE, _NONE))
    return with_edge_doubt(changed, side, None), None


def scalloped(lace: Lace, told: EdgeScalloped) -> tuple[Lace, str | None]:
    """Take an edge for scalloped, with all its valleys as she marked them."""
    valleys = to_lace(lace, told.valleys_px)
    valleys = valleys[np.argsort(valleys[:, 0])]
    sides = {_side(lace, valley) for valley in valleys}
    if len(sides) > 1:
        raise CorrectionError(
            "The valleys marked lie on both edges of the lace.", "Mark those of one edge at a time."
        )
    (side,) = sides
    changed = with_edge(lace, LaceEdge(side, False, _NONE, _NONE))
    return with_edge_doubt(_with_valleys(changed, side, valleys), side, None), None


def counted(lace: Lace, told: CountConfirmed) -> tuple[Lace, str | None]:
    """Hold an edge's count to hers: agreement ends its doubt, difference is one."""
    side = _side(lace, to_lace(lace, told.at_px)[0])
    edge = lace.edge(side)
    if edge.count == told.count:
        return with_edge_doubt(lace, side, None), None
    doubt = f"{told.count} whole scallops were counted by hand, but {edge.count} were read"
    kept = [part for part in parts(edge.doubt) if "counted by hand" not in part]
    return with_edge_doubt(lace, side, joined([doubt, *kept])), (
        f"On the {side} edge {edge.count} whole scallops are read, not the {told.count} counted: "
        "add or remove a valley."
    )


def added(lace: Lace, told: ValleyAdded) -> tuple[Lace, str | None]:
    """Add a valley; where one was read nearly there, hers takes its place."""
    place = to_lace(lace, told.at_px)[0]
    side = _side(lace, place)
    edge = _of_scallops(lace, side)
    return _changed(lace, side, _index(edge, edge.valleys_mm, place), place), None


def removed(lace: Lace, told: ValleyRemoved) -> tuple[Lace, str | None]:
    """Remove the valley at a point."""
    place = to_lace(lace, told.at_px)[0]
    side = _side(lace, place)
    edge = _of_scallops(lace, side)
    at = _index(edge, edge.valleys_mm, place)
    if at is None:
        raise CorrectionError(
            f"No valley of the {side} edge lies at the point where one was removed.",
            "Nothing need be done if the reading has none there; else point at it again.",
        )
    return _changed(lace, side, at, None), None


def moved(lace: Lace, told: ValleyMoved) -> tuple[Lace, str | None]:
    """Move a valley."""
    place, to = to_lace(lace, (told.at_px, told.to_px))
    side = _side(lace, place)
    edge = _of_scallops(lace, side)
    at = _index(edge, edge.valleys_mm, place)
    if at is None:
        at = _index(edge, edge.valleys_mm, to)
    if at is None:
        raise CorrectionError(
            f"No valley of the {side} edge lies where one was moved from.",
            "Point at the valley again, or add one.",
        )
    return _changed(lace, side, at, to), None


def tip_moved(lace: Lace, told: TipMoved) -> tuple[Lace, str | None]:
    """Move a tip, within its own scallop."""
    place, to = to_lace(lace, (told.at_px, told.to_px))
    side = _side(lace, place)
    edge = _of_scallops(lace, side)
    scallop = _scallop(edge, place)
    at = [k for k, tip in enumerate(edge.tips_mm) if _scallop(edge, tip) == scallop]
    if scallop is None or not at:
        raise CorrectionError(
            f"No whole scallop of the {side} edge lies where a tip was moved.",
            "Point at the tip of a whole scallop.",
        )
    if _scallop(edge, to) != scallop:
        raise CorrectionError(
            "A tip was moved past a valley.", "Keep it within its scallop, or move the valley."
        )
    tips = edge.tips_mm.copy()
    tips[at[0]] = to
    return with_edge(lace, replace(edge, tips_mm=tips)), None


def recounted(lace: Lace, side: Side) -> Lace:
    """Tell anew how many scallops of an edge go into a repeat."""
    edge = lace.edge(side)
    said = [part for part in parts(edge.doubt) if part != MISFIT]
    per_repeat = None
    if edge.scalloped and edge.pitch_mm is not None and lace.repeat is not None:
        length, pitch = lace.repeat.length_mm, edge.pitch_mm
        times = length.value / pitch.value
        # Many scallops a repeat: a small doubt of each adds up.
        doubt = times * float(np.hypot(length.sigma / length.value, pitch.sigma / pitch.value))
        allowed = min(max(MISFIT_SHARE, 2 * doubt), 2 * MISFIT_SHARE)
        if abs(times - round(times)) <= allowed and round(times) >= 1:
            per_repeat = round(times)
        else:
            said.append(MISFIT)
    changed = with_edge(lace, replace(edge, per_repeat=per_repeat))
    if joined(said) == edge.doubt:
        return changed
    return with_edge_doubt(changed, side, joined(said))


def width(lace: Lace) -> Measured:
    """Valley line to valley line; on a straight side, from that edge."""
    scatter = [0.1]
    for edge in (lace.lower, lace.upper):
        if edge.scalloped and len(edge.valleys_mm):
            scatter.append(float(np.std(edge.valleys_mm[:, 1])))
    value = valley_level_mm(lace, "upper") - valley_level_mm(lace, "lower")
    if value <= 0:
        raise CorrectionError(
            "The lower edge would lie above the upper one.",
            "Check the outline and the valleys marked.",
        )
    return Measured(value, float(np.hypot(max(scatter), lace.scale.relative_sigma * value)))


def _side(lace: Lace, place: Points) -> Side:
    return "lower" if place[1] < lace.width_mm.value / 2 else "upper"


def with_edge(lace: Lace, edge: LaceEdge) -> Lace:
    """The record with another lower or upper edge."""
    return replace(lace, lower=edge) if edge.side == "lower" else replace(lace, upper=edge)


def _of_scallops(lace: Lace, side: Side) -> LaceEdge:
    edge = lace.edge(side)
    if not edge.scalloped:
        raise CorrectionError(
            f"The {side} edge is straight, so it has no valleys.",
            "Say that it is scalloped, and mark its valleys.",
        )
    return edge


def _index(edge: LaceEdge, points: Points, place: Points) -> int | None:
    """Which of the points is the one meant, or None."""
    if len(points) == 0:
        return None
    far = np.hypot(*(points - place).T)
    at = int(np.argmin(far))
    pitch = edge.pitch_mm.value if edge.pitch_mm is not None else 0.0
    return at if far[at] <= max(SAME_VALLEY * pitch, NEAREST_MM) else None


def _scallop(edge: LaceEdge, place: Points) -> int | None:
    """Between which valleys a place lies: the number of the one before, or None."""
    at = int(np.searchsorted(edge.valleys_mm[:, 0], place[0])) - 1
    return at if 0 <= at < len(edge.valleys_mm) - 1 else None


def _changed(lace: Lace, side: Side, at: int | None, place: Points | None) -> Lace:
    """Take a valley out (where `at` is one), put one in (where `place` is one)."""
    valleys = lace.edge(side).valleys_mm
    if at is not None:
        valleys = np.delete(valleys, at, axis=0)
    if place is not None:
        valleys = np.vstack([valleys, place])
    return _with_valleys(lace, side, valleys[np.argsort(valleys[:, 0])])


def _with_valleys(lace: Lace, side: Side, valleys: Points) -> Lace:
    """The record with other valleys on one edge; tips and measures follow."""
    edge = lace.edge(side)
    if len(valleys) < 2:
        raise CorrectionError(
            f"The {side} edge would keep fewer than two valleys.", "Say that it is straight."
        )
    if np.diff(valleys[:, 0]).min() < 0.5:
        raise CorrectionError(
            f"Two valleys of the {side} edge would lie less than half a millimetre apart.",
            "Move the valley that is there instead.",
        )
    before = {tuple(valley): k for k, valley in enumerate(edge.valleys_mm.tolist())}
    tips: list[Points] = []
    for first, second in pairwise(valleys):
        a, b = before.get(tuple(first.tolist())), before.get(tuple(second.tolist()))
        if a is not None and b is not None and b == a + 1:
            u = edge.tips_mm[:, 0]
            tips += list(edge.tips_mm[(u > first[0]) & (u < second[0])])
            continue
        tip = tip_between(lace, side, first, second)
        if tip is not None:
            tips.append(tip)
    if not tips:
        raise CorrectionError(
            f"Between the valleys marked the {side} edge does not stand out anywhere.",
            "Mark the valleys on the edge itself, or redraw the lace's outline.",
        )
    # Measured once all is put right, by `measured`: until then as it was, or as it seems.
    usual = Measured(float(np.median(np.diff(valleys[:, 0]))), 0.0)
    changed = LaceEdge(
        side,
        True,
        valleys,
        np.array(tips),
        edge.pitch_mm or usual,
        edge.depth_mm or usual,
        edge.per_repeat,
        edge.doubt,
    )
    return with_edge(lace, changed)


def measured(lace: Lace, side: Side) -> Lace:
    """Measure an edge's scallops anew, and count them anew against the repeat."""
    edge = lace.edge(side)
    if not edge.scalloped:
        return lace
    each = edge.per_repeat or 1
    relative = lace.scale.relative_sigma
    pitch, pitch_sigma = _pitch(edge.valleys_mm[:, 0], each)
    line = np.interp(edge.tips_mm[:, 0], *edge.valleys_mm.T)
    depths = np.abs(edge.tips_mm[:, 1] - line)
    depth = float(depths.mean())
    depth_sigma = float(np.hypot(0.1, depths.std() / np.sqrt(len(depths))))
    changed = replace(
        edge,
        pitch_mm=Measured(pitch, float(np.hypot(pitch_sigma, relative * pitch))),
        depth_mm=Measured(depth, float(np.hypot(depth_sigma, relative * depth))),
    )
    lace = with_edge(lace, changed)
    wide = np.diff(edge.valleys_mm[:, 0])
    said = [part for part in parts(edge.doubt) if part != UNEVEN]
    if wide.max() > UNEVEN_WIDTHS * wide.min():
        said.append(UNEVEN)
    if joined(said) != edge.doubt:
        lace = with_edge_doubt(lace, side, joined(said))
    return recounted(lace, side)


def _pitch(u: Points, each: int) -> tuple[float, float]:
    """Scallop width through all valleys, by the median of all pairs' slopes (Theil and Sen).

    A place where a scallop is missing (a tear, a hidden stretch) counts as many steps as fit.
    Where scallops of `each` widths take turns, only like ones are compared.
    """
    index = np.arange(len(u), dtype=float)
    if each == 1:
        steps = np.diff(u)
        index[1:] = np.cumsum(np.maximum(np.round(steps / float(np.median(steps))), 1))
    first, second = np.triu_indices(len(u), 1)
    like = (second - first) % each == 0
    if not like.any():
        like[:] = True
        each = 1
    first, second = first[like], second[like]
    slope = float(np.median((u[second] - u[first]) / (index[second] - index[first])))
    miss = u - slope * index
    for k in range(each):
        miss[k::each] -= np.median(miss[k::each])
    sigma = np.hypot(1.4826 * float(np.median(np.abs(miss))), 0.1)
    spread = float(((index - index.mean()) ** 2).sum())
    return slope, float(sigma / np.sqrt(spread))
