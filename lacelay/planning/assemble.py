"""From a chosen chain of runs to a plan with every piece's outline, motion and figures."""

from __future__ import annotations

from collections.abc import Sequence
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
from lacelay.planning.levels import Borders
from lacelay.planning.meetings import Meetings, meet_ends, run_ends
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
    """Build the plan of a chain over one border of one depth."""
    return assemble_levels(order, Borders((border,), None), (laid,), chain, certificate)


def assemble_levels(
    order: Order, borders: Borders, laid: Sequence[Laid], chain: Chain, certificate: str
) -> Plan:
    """Build the plan of a chain over a border that may be taken at several depths.

    Parameters
    ----------
    order : Order
    borders : Borders
    laid : sequence of Laid
        The places that the chain was found over, for each depth.
    chain : Chain
    certificate : str
        What was searched, in plain words.
    """
    limits, strip = order.limits, borders.strip
    places = laid[0].places
    index = np.array(chain.places)
    k = len(index) - 1
    levels = chain.levels or (0,) * k
    tables = [
        RunTable(laid[level].places, limits, index[row : row + 1], index[row + 1 : row + 2])
        for row, level in enumerate(levels)
    ]
    outlines = [
        _outline(borders.levels[level], laid[level], i, j, limits)
        for level, (i, j) in zip(levels, pairwise(index), strict=True)
    ]
    runs = tuple(_run(order, borders, tables[row], levels[row], outlines[row]) for row in range(k))
    pieces = [shapely.Polygon(run.laying.place(run.outline_mm)).buffer(0) for run in runs]
    cuts = tuple(
        _cut(
            order,
            borders,
            laid,
            int(index[c + 1]),
            levels[c : c + 2],
            _meeting(
                laid,
                tables[c : c + 2],
                levels[c : c + 2],
                limits,
                forced=int(index[c + 1]) in chain.forced,
            ),
            c,
            runs,
            pieces,
        )
        for c in range(k - 1)
    )
    cost = sum(run_minutes(run, order.weights) for run in runs)
    cost += sum(sum(cut.terms.values()) for cut in cuts)
    line = _border_line(borders, laid, index, levels, limits)
    return Plan(
        lace=order.lace,
        target=order.target,
        wishes=order.wishes,
        weights=order.weights,
        limits=limits,
        side=strip.side,
        start_mm=places.start_mm,
        laying_depth_mm=places.laying_depth_mm,
        border_depth_mm=float(
            np.average(
                [run.depth_mm for run in runs],
                weights=[run.lace_interval_mm[1] - run.lace_interval_mm[0] for run in runs],
            )
        ),
        border_line_mm=strip.to_lace(line),
        runs=runs,
        cuts=cuts,
        gaps=_gaps(cuts, runs, pieces),
        eat_up=float(places.turn_mm[-1, 0] - places.turn_mm[0, 0]) / order.target.length_mm,
        cost_min=cost,
        bound_min=chain.bound,
        certificate=certificate,
        layers=_layers(pieces),
        template_mm=_template(strip),
        full_depth_mm=borders.full_depth_mm,
    )


def run_minutes(run: Run, weights: Weights) -> float:
    """What a run costs by itself."""
    return (
        weights.edge_mm2 * run.edge_excess_mm2
        + weights.shallow_mm2 * run.shallow_mm2
        + weights.motif_mm * run.line_motif_mm
        + weights.cord_mm * run.line_cord_mm
    )


def _run(order: Order, borders: Borders, table: RunTable, level: int, outline: Points) -> Run:
    """The one run of a table."""
    places, border = table.places, borders.levels[level]
    inner_a = places.inner_mm[[table.first[0], table.last[0]], 0]
    shallow, motif, cord = borders.between(level, inner_a[0], inner_a[1])
    return Run(
        lace_interval_mm=(float(table.a_mm[0, 0]), float(table.a_mm[0, 1])),
        edge_interval_mm=(float(table.s_mm[0, 0]), float(table.s_mm[0, 1])),
        touch_s_mm=_touch(order.target, table, 0),
        outline_mm=border.strip.to_lace(outline),
        laying=_laying(border, table, 0),
        edge_error_mm=float(table.edge_error_mm[0]),
        edge_excess_mm2=float(table.edge_excess_mm2[0]),
        strain=_strain(
            float(table.bend_per_mm[0]),
            places.border_depth_mm - places.laying_b_mm,
            places.laying_b_mm + places.reach_mm,
        ),
        depth_mm=border.line.mean_mm,
        shallow_mm2=float(shallow),
        line_motif_mm=float(motif),
        line_cord_mm=float(cord),
    )


def _meeting(
    laid: Sequence[Laid],
    tables: Sequence[RunTable],
    levels: Sequence[int],
    limits: Limits,
    *,
    forced: bool,
) -> Meetings:
    """How two runs meet, down to the inner side of the shallower one."""
    places = laid[min(levels)].places
    left, right = tables
    met = meet_ends(
        places,
        left.last,
        run_ends(left, "last", inner_mm=places.inner_mm),
        run_ends(right, "first", inner_mm=places.inner_mm),
        limits,
    )
    return replace(met, uncut=np.zeros_like(met.uncut)) if forced else met


def _border_line(
    borders: Borders,
    laid: Sequence[Laid],
    index: NDArray[np.int_],
    levels: Sequence[int],
    limits: Limits,
) -> Points:
    """Where the border comes off the length: each run's line, and the steps along the cuts."""
    parts: list[Points] = []
    for row, level in enumerate(levels):
        border, places = borders.levels[level], laid[level].places
        low, high = (float(a) for a in places.inner_mm[index[row : row + 2], 0])
        low -= limits.turn_in_mm if row == 0 else 0.0
        high += limits.turn_in_mm if row == len(levels) - 1 else 0.0
        if row and levels[row - 1] != level:
            step = _step(borders, laid, int(index[row]), levels[row - 1 : row + 1])
            parts.append(step if levels[row - 1] > level else step[::-1])
        a = np.append(np.arange(low, high, LINE_STEP_MM), high)
        parts.append(np.stack([a, border.line.b(a)], axis=1))
    return np.vstack(parts)


def _step(borders: Borders, laid: Sequence[Laid], place: int, levels: Sequence[int]) -> Points:
    """Course of a cut from the deeper inner side to the shallower one; empty for one depth."""
    low, high = min(levels), max(levels)
    if low == high:
        return np.empty((0, 2))
    k = int(laid[low].candidate[place])
    shift = np.array([laid[low].copy[place] * borders.strip.period_mm, 0.0])
    short, long = (borders.levels[level].paths[k].path_mm for level in (low, high))
    # The shallower course is the deeper one up to its own last point, which is put in here.
    return np.asarray(np.vstack([short[-1:], long[len(short) - 1 :]])[::-1] + shift)


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
    borders: Borders,
    laid: Sequence[Laid],
    place: int,
    levels: Sequence[int],
    meetings: Meetings,
    c: int,
    runs: tuple[Run, ...],
    pieces: list[shapely.Geometry],
) -> Cut:
    low = min(levels)
    border, places = borders.levels[low], laid[low].places
    limits, weights = order.limits, order.weights
    path = border.paths[int(laid[low].candidate[place])]
    shift = np.array([laid[low].copy[place] * border.strip.period_mm, 0.0])
    step = _step(borders, laid, place, levels)
    uncut = bool(meetings.uncut[0])
    whole = np.vstack([path.outline_mm, path.path_mm]) if places.through else path.path_mm
    contents = _contents(border.strip, whole + shift, step, limits, uncut=uncut)
    net, motif, cord, beads = contents
    s = runs[c].edge_interval_mm[1]
    turn = float(meetings.turn_rad[0])
    lap, opening = (
        (0.0, 0.0) if uncut else _areas(border, places, place, whole + shift, runs, c, pieces)
    )
    slip = float(meetings.slip_mm[0])
    top = _top(order.target, s) if lap > 1.0 else None
    crossed = {
        "net_mm": weights.net_mm * net,
        "motif_mm": weights.motif_mm * motif,
        "cord_mm": weights.cord_mm * cord,
        "bead": weights.bead * beads,
    }
    terms = (
        {"easing": weights.easing} | (crossed if len(step) else {})
        if uncut
        else {
            "cut": weights.cut,
            "through": weights.through if places.through else 0.0,
            "in_scallop": 0.0 if path.at_valley else weights.in_scallop,
            "beside_centre": weights.beside_centre
            if order.target.beside_centre(float(s), border.strip.scallop_mm)
            else 0.0,
            **crossed,
            "lap_mm2": weights.lap_mm2 * lap,
            "opening_mm2": weights.opening_mm2 * opening,
            "slip_mm": weights.slip_mm * slip,
        }
    )
    if len(step):
        terms["step_mm"] = weights.step_mm * float(np.hypot(*(step[0] - step[-1])))
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
        step_mm=border.strip.to_lace(step),
    )


def _contents(
    strip: Strip, path: Points, step: Points, limits: Limits, *, uncut: bool
) -> tuple[float, float, float, int]:
    """What a cut crosses with its step; of an uncut meeting, what the step adds."""
    if uncut and not len(step):
        return 0.0, 0.0, 0.0, 0
    whole = np.vstack([path, step[::-1]]) if len(step) else path
    net, motif, cord, beads = path_contents(strip, whole, limits)
    if not uncut:
        return net, motif, cord, beads
    own = path_contents(strip, path, limits)
    return net - own[0], motif - own[1], cord - own[2], beads - own[3]


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
