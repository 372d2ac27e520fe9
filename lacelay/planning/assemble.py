"""From a chosen chain of runs to a plan with every piece's outline, motion and figures."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from lacelay.model.hand import Hand
from lacelay.model.lace import Lace
from lacelay.model.plan import Cut, Gap, Laying, Plan, Run
from lacelay.model.target import TargetEdge
from lacelay.model.wishes import Limits, Weights, Wishes
from lacelay.planning.candidates import Border, Laid
from lacelay.planning.cost_field import path_contents
from lacelay.planning.meetings import Meetings, meet
from lacelay.planning.places import Places, RunTable
from lacelay.planning.shortest import Chain
from lacelay.planning.strip import Strip

Points = NDArray[np.float64]
#: Bare slivers smaller than this are not worth telling.
LEAST_GAP_MM2 = 2.0
#: Spacing of the points of outlines and border lines.
LINE_STEP_MM = 0.5
#: Depths at which a cut's lap or opening is told.
DEPTH_STEP_MM = 10.0


@dataclass(frozen=True, eq=False)
class Order:
    """What was asked, and for what."""

    lace: Lace
    target: TargetEdge
    wishes: Wishes
    weights: Weights
    limits: Limits
    hand: Hand = field(default_factory=Hand)


def assemble(order: Order, border: Border, laid: Laid, chain: Chain, certificate: str) -> Plan:
    """Build the plan of a chain.

    Parameters
    ----------
    order : Order
    border : Border
    laid : Laid
        The places that the chain was found over.
    chain : Chain
    certificate : str
        What was searched, in plain words.
    """
    places, limits = laid.places, order.limits
    index = np.array(chain.places)
    table = RunTable(places, limits, index[:-1], index[1:])
    k = len(index) - 1
    meetings = meet(table, np.arange(k - 1), np.arange(1, k), limits)
    meetings = replace(meetings, uncut=meetings.uncut & ~np.isin(index[1:-1], chain.forced))
    outlines = [_outline(border, laid, i, j, limits) for i, j in pairwise(index)]
    layings = [_laying(border, table, row) for row in range(k)]
    runs: tuple[Run, ...] = tuple(
        Run(
            lace_interval_mm=(float(table.a_mm[row, 0]), float(table.a_mm[row, 1])),
            edge_interval_mm=(float(table.s_mm[row, 0]), float(table.s_mm[row, 1])),
            touch_s_mm=_touch(order.target, table, row),
            outline_mm=border.strip.to_lace(outlines[row]),
            laying=layings[row],
            edge_error_mm=float(table.edge_error_mm[row]),
            edge_excess_mm2=float(table.edge_excess_mm2[row]),
            strain=_strain(
                float(table.bend_per_mm[row]),
                places.border_depth_mm - places.laying_b_mm,
                places.laying_b_mm + places.reach_mm,
            ),
        )
        for row in range(k)
    )
    pieces = [shapely.Polygon(run.laying.place(run.outline_mm)).buffer(0) for run in runs]
    cuts = tuple(
        _cut(order, border, laid, int(index[c + 1]), meetings, c, runs, pieces)
        for c in range(k - 1)
    )
    cost = sum(order.weights.edge_mm2 * run.edge_excess_mm2 for run in runs)
    cost += sum(sum(cut.terms.values()) for cut in cuts)
    line_a = np.arange(
        runs[0].lace_interval_mm[0] - limits.turn_in_mm,
        runs[-1].lace_interval_mm[1] + limits.turn_in_mm,
        LINE_STEP_MM,
    )
    return Plan(
        lace=order.lace,
        target=order.target,
        wishes=order.wishes,
        weights=order.weights,
        limits=limits,
        side=border.strip.side,
        start_mm=places.start_mm,
        laying_depth_mm=places.laying_depth_mm,
        border_depth_mm=border.line.mean_mm,
        border_line_mm=border.strip.to_lace(np.stack([line_a, border.line.b(line_a)], axis=1)),
        runs=runs,
        cuts=cuts,
        gaps=_gaps(cuts, runs, pieces),
        eat_up=float(places.turn_mm[-1, 0] - places.turn_mm[0, 0]) / order.target.length_mm,
        cost_min=cost,
        bound_min=chain.bound,
        certificate=certificate,
        layers=_layers(pieces),
        template_mm=_template(border.strip),
    )


def _template(strip: Strip) -> tuple[float, float]:
    ends = np.array([strip.start_mm, strip.start_mm + strip.period_mm])
    u = np.sort(strip.to_lace(np.stack([ends, np.zeros(2)], axis=1))[:, 0])
    return float(u[0]), float(u[1])


def _boundary(border: Border, laid: Laid, place: int, limits: Limits) -> Points:
    """Boundary of a run at a place, from the scalloped outline to the border line."""
    k = int(laid.candidate[place])
    if k >= 0:
        path = border.paths[k]
        shift = [laid.copy[place] * border.strip.period_mm, 0.0]
        return np.asarray(np.vstack([path.outline_mm, path.path_mm]) + shift)
    turned_in = -limits.turn_in_mm if place == 0 else limits.turn_in_mm
    a = float(laid.places.turn_mm[place, 0]) + turned_in
    ends = [float(border.strip.outline_b(a)), float(border.line.b(a))]
    return np.array([[a, ends[0]], [a, ends[1]]])


def _outline(border: Border, laid: Laid, i: int, j: int, limits: Limits) -> Points:
    """Outline of the run between two places, strip frame."""
    left, right = _boundary(border, laid, i, limits), _boundary(border, laid, j, limits)
    inner_a = np.arange(left[-1, 0] + LINE_STEP_MM, right[-1, 0], LINE_STEP_MM)
    outer_a = np.arange(right[0, 0] - LINE_STEP_MM, left[0, 0], -LINE_STEP_MM)
    outline = np.vstack(
        [
            left,
            np.stack([inner_a, border.line.b(inner_a)], axis=1),
            right[::-1],
            np.stack([outer_a, border.strip.outline_b(outer_a)], axis=1),
        ]
    )
    polygon = shapely.Polygon(outline)
    if polygon.is_valid:
        return np.asarray(outline)
    parts = [part for part in shapely.get_parts(polygon.buffer(0)) if part.geom_type == "Polygon"]
    largest = max(parts, key=lambda part: part.area)
    return np.asarray(largest.exterior.coords)[:-1]


def _laying(border: Border, table: RunTable, row: int) -> Laying:
    strip = border.strip
    heading = float(table.heading_rad[row]) + (0.0 if strip.side == "lower" else np.pi)
    cos, sin = np.cos(heading), np.sin(heading)
    matrix = np.array([[cos, -sin], [sin, cos]])
    middle = np.array([table.a_mm[row].mean(), table.places.laying_b_mm])
    pivot = strip.to_lace(middle)
    inward = np.array([0.0, 1.0 if strip.side == "lower" else -1.0])
    shift = table.pivot_mm[row] - matrix @ pivot
    return Laying(matrix, shift, float(table.bend_per_mm[row]), pivot, inward)


def _touch(target: TargetEdge, table: RunTable, row: int) -> float:
    """Where the run takes the edge's own direction, nearest to its middle."""
    low, high = table.s_mm[row]
    s = np.linspace(low, high, 401)
    off = target.curve.heading(s) - table.heading_rad[row]
    off = np.mod(off + np.pi, 2 * np.pi) - np.pi
    middle = (low + high) / 2
    crossing = np.flatnonzero(off[:-1] * off[1:] <= 0)
    if not len(crossing):
        return float(middle)
    k = crossing[np.argmin(np.abs(s[crossing] - middle))]
    rise = off[k + 1] - off[k]
    t = -off[k] / rise if rise else 0.5
    return float(s[k] + t * (s[k + 1] - s[k])) if rise else float(middle)


def _strain(bend: float, inside_mm: float, outside_mm: float) -> tuple[float, float]:
    squeezed = max(bend * inside_mm, -bend * outside_mm, 0.0)
    stretched = max(-bend * inside_mm, bend * outside_mm, 0.0)
    return squeezed, stretched


def _cut(
    order: Order,
    border: Border,
    laid: Laid,
    place: int,
    meetings: Meetings,
    c: int,
    runs: tuple[Run, ...],
    pieces: list[shapely.Geometry],
) -> Cut:
    places, limits, weights = laid.places, order.limits, order.weights
    path = border.paths[int(laid.candidate[place])]
    shift = np.array([laid.copy[place] * border.strip.period_mm, 0.0])
    uncut = bool(meetings.uncut[c])
    whole = np.vstack([path.outline_mm, path.path_mm]) if places.through else path.path_mm
    contents = path_contents(border.strip, whole, limits)
    net, motif, cord, beads = (0.0, 0.0, 0.0, 0) if uncut else contents
    s = runs[c].edge_interval_mm[1]
    turn = float(meetings.turn_rad[c])
    lap, opening = (
        (0.0, 0.0) if uncut else _areas(border, places, place, whole + shift, runs, c, pieces)
    )
    slip = float(meetings.slip_mm[c])
    top = _top(order.target, s) if lap > 1.0 else None
    terms = (
        {"easing": weights.easing}
        if uncut
        else {
            "cut": weights.cut,
            "through": weights.through if places.through else 0.0,
            "in_scallop": 0.0 if path.at_valley else weights.in_scallop,
            "beside_centre": weights.beside_centre
            if order.target.beside_centre(float(s), border.strip.scallop_mm)
            else 0.0,
            "net_mm": weights.net_mm * net,
            "motif_mm": weights.motif_mm * motif,
            "cord_mm": weights.cord_mm * cord,
            "bead": weights.bead * beads,
            "lap_mm2": weights.lap_mm2 * lap,
            "opening_mm2": weights.opening_mm2 * opening,
            "slip_mm": weights.slip_mm * slip,
        }
    )
    if places.free:
        terms["kink_rad2"] = weights.kink_rad2 * turn**2
    return Cut(
        kind="uncut" if uncut else "through" if places.through else "inner",
        path_mm=border.strip.to_lace((whole + shift)[::-1]),
        turn_mm=border.strip.to_lace(places.turn_mm[place]),
        at_valley=path.at_valley,
        s_mm=float(s),
        angle_rad=turn,
        widths_mm=_widths(turn, places.laying_depth_mm, float(path.inner_mm[1]) - places.stand_mm),
        lap_mm2=lap,
        opening_mm2=opening,
        slip_mm=slip,
        top=top,
        net_mm=net,
        motif_mm=motif,
        cord_mm=cord,
        beads_in_way=beads,
        beads_under_lap=_beads_under(border, top, runs[c], runs[c + 1], pieces[c], pieces[c + 1]),
        terms=terms,
    )


def _areas(
    border: Border,
    places: Places,
    place: int,
    path_mm: Points,
    runs: tuple[Run, ...],
    c: int,
    pieces: list[shapely.Geometry],
) -> tuple[float, float]:
    """Lap and opening of a cut measured on the pieces as laid.

    The search took them from the closed form and its tables; these are what the plan states.
    """
    strip = border.strip
    left, right = runs[c].laying, runs[c + 1].laying
    lap = pieces[c].intersection(pieces[c + 1])
    if not places.through:  # outwards of the cut's end it is still one lace
        a, b = places.turn_mm[place]
        box = shapely.box(a - 100.0, b, a + 100.0, b + 150.0).segmentize(4.0)  # easing bends it
        corners = strip.to_lace(np.asarray(box.exterior.coords))
        for laying in (left, right):
            lap = lap.intersection(shapely.Polygon(laying.place(corners)))
    path = strip.to_lace(path_mm)
    between = shapely.Polygon(np.vstack([left.place(path), right.place(path)[::-1]]))
    bare = shapely.make_valid(between).difference(shapely.union_all(pieces))
    return float(lap.area), float(bare.area)


def _top(target: TargetEdge, s_mm: float) -> Literal["left", "right"]:
    """Which run lies on top: the one nearer the centre, both halves alike."""
    centre = target.centre
    middle = centre.s_mm if centre else target.length_mm / 2
    return "right" if s_mm < middle else "left"


def _widths(turn: float, p_mm: float, inner_d_mm: float) -> tuple[tuple[float, float], ...]:
    """Lap or opening by arc: the turn over the distance from the laying line."""
    depths = [*np.arange(0.0, inner_d_mm, DEPTH_STEP_MM), inner_d_mm]
    return tuple((float(d), float(turn * (d - p_mm))) for d in depths)


def _beads_under(
    border: Border,
    top: str | None,
    left: Run,
    right: Run,
    left_piece: shapely.Geometry,
    right_piece: shapely.Geometry,
) -> int:
    strip = border.strip
    if top is None or not len(strip.beads_mm):
        return 0
    under = right if top == "left" else left
    low, high = under.lace_interval_mm
    copies = [
        strip.beads_mm + [k * strip.period_mm, 0.0]
        for k in range(
            int(np.floor((low - strip.start_mm) / strip.period_mm)) - 1,
            int(np.ceil((high - strip.start_mm) / strip.period_mm)) + 1,
        )
    ]
    beads = strip.to_lace(np.vstack(copies))
    own = shapely.contains_xy(shapely.Polygon(under.outline_mm), beads[:, 0], beads[:, 1])
    laid = under.laying.place(beads[own])
    both = left_piece.intersection(right_piece)
    return int(shapely.contains_xy(both, laid[:, 0], laid[:, 1]).sum()) if len(laid) else 0


def _gaps(
    cuts: tuple[Cut, ...], runs: tuple[Run, ...], pieces: list[shapely.Geometry]
) -> tuple[Gap, ...]:
    covered = shapely.union_all(pieces)
    gaps = []
    for c, cut in enumerate(cuts):
        if cut.kind == "uncut" or cut.opening_mm2 <= 0:
            continue
        left = runs[c].laying.place(cut.path_mm)
        right = runs[c + 1].laying.place(cut.path_mm)
        between = shapely.make_valid(shapely.Polygon(np.vstack([left, right[::-1]])))
        for part in shapely.get_parts(between.difference(covered)):
            if part.geom_type != "Polygon" or part.area < LEAST_GAP_MM2:
                continue
            gaps.append(
                Gap(
                    outline_mm=np.asarray(part.exterior.coords)[:-1],
                    area_mm2=float(part.area),
                    width_mm=_narrowest(part),
                    cut=c,
                )
            )
    return tuple(gaps)


def _narrowest(part: shapely.Geometry) -> float:
    """Least distance between two parallel lines that hold a shape between them.

    Not a side of its smallest rectangle: a triangle has three of those, of equal area.
    """
    hull = np.asarray(part.convex_hull.exterior.coords)
    sides = np.diff(hull, axis=0)
    across = np.stack([-sides[:, 1], sides[:, 0]], axis=1) / np.hypot(*sides.T)[:, None]
    return float(np.ptp(hull @ across.T, axis=0).min())


def _layers(pieces: list[shapely.Geometry]) -> int:
    """Most pieces over one place, slivers under 1 mm2 not counted."""
    deep: list[shapely.Geometry] = []
    for piece in pieces:
        for level in range(len(deep) - 1, -1, -1):
            both = deep[level].intersection(piece)
            if both.area > 1.0:
                if level + 1 == len(deep):
                    deep.append(both)
                else:
                    deep[level + 1] = deep[level + 1].union(both)
        if deep:
            deep[0] = deep[0].union(piece)
        else:
            deep.append(piece)
    return len(deep)
