"""Cuts: where they run, how far they turn, what they lap, bare and cost."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import shapely
from numpy.typing import NDArray

from lacelay.model.plan import Cut, Plan
from lacelay.model.target import AT_CENTRE_MM
from lacelay.planning.remeasured import Remeasured, wrapped

Found = Iterator[tuple[str, str]]
Points = NDArray[np.float64]
#: Degrees by which a turn may differ from the turning of the edge it answers.
TURN_RAD = np.deg2rad(0.3)


def check_cuts(plan: Plan, measured: Remeasured) -> Found:
    """Check each cut, then the sum of all turns, then the total cost."""
    weights = plan.weights
    total = sum(
        weights.edge_mm2 * run.edge_excess_mm2
        + weights.shallow_mm2 * run.shallow_mm2
        + weights.motif_mm * run.line_motif_mm
        + weights.cord_mm * run.line_cord_mm
        for run in plan.runs
    )
    for index, cut in enumerate(plan.cuts):
        yield from _path(plan, measured, cut, index)
        yield from _step(plan, cut, index)
        yield from _turn(plan, measured, cut, index)
        yield from _areas(plan, measured, cut, index)
        yield from _contents(plan, measured, cut, index)
        total += sum(cut.terms.values())
    yield from _all_turns(plan, measured)
    if abs(total - plan.cost_min) > 0.05:
        yield "cost", f"the terms sum to {total:.2f} minutes, {plan.cost_min:.2f} is stated"
    if plan.bound_min > plan.cost_min * 1.03 + 1.0:
        yield "cost", "the bound is well above the cost"


def _path(plan: Plan, measured: Remeasured, cut: Cut, index: int) -> Found:
    name = f"cut {index + 1}"
    path = shapely.LineString(cut.path_mm)
    for run in (plan.runs[index], plan.runs[index + 1]):
        ring = shapely.Polygon(run.outline_mm).boundary
        if float(shapely.distance(shapely.points(cut.path_mm), ring).max()) > 0.05:
            yield "the cut divides its runs", f"{name} is not the boundary of both its runs"
            break
    if shapely.Point(cut.path_mm[0]).distance(shapely.LineString(plan.border_line_mm)) > 0.5:
        yield "starts at the inner side", f"{name} does not start at the border line"
    if not path.is_simple:
        yield "the cut divides its runs", f"{name} crosses itself"
    along = measured.inwards(cut.path_mm)
    folded = measured.folded(cut.path_mm)
    left = float(shapely.Point(folded[-1]).distance(measured.lace_area.boundary))
    if cut.kind == "through":
        if left > 1.5:
            yield "left uncut", f"{name} goes through but ends {left:.1f} mm inside the scallop"
    elif left < plan.limits.uncut_mm - 1.5:
        yield "left uncut", f"{name} leaves {left:.1f} mm at the scallop"
    if (
        cut.kind == "inner"
        and float(along.argmin()) != len(along) - 1
        and along[-1] > (along.min() + 1.0)
    ):
        yield "left uncut", f"{name} turns back outwards before its end"
    valleys = plan.lace.edge(plan.side).valleys_mm
    if cut.at_valley and len(valleys):
        gaps = measured.along(valleys) - float(measured.along(cut.path_mm[-1]))
        period = measured.period_mm
        if np.abs(np.mod(gaps + period / 2, period) - period / 2).min() > 3.0:
            yield "left uncut", f"{name} is said to end at a valley and does not"


def _step(plan: Plan, cut: Cut, index: int) -> Found:
    """Where the border's depth steps, the line follows the cut on to the deeper inner side."""
    name = f"cut {index + 1}"
    line = shapely.LineString(plan.border_line_mm)
    rings = [shapely.Polygon(run.outline_mm).boundary for run in plan.runs[index : index + 2]]
    start = shapely.Point(cut.path_mm[0])
    if not len(cut.step_mm):
        left, right = plan.runs[index : index + 2]
        if abs(left.depth_mm - right.depth_mm) > 0.5:
            yield "the step of the inner side", f"{name} tells no step where the depth steps"
        return
    points = shapely.points(cut.step_mm)
    if start.distance(points[-1]) > 0.05:
        yield "the step of the inner side", f"the step at {name} does not end at the cut"
    if min(float(shapely.distance(points, ring).max()) for ring in rings) > 0.05:
        yield "the step of the inner side", f"the step at {name} bounds neither of its runs"
    if float(shapely.distance(points, line).max()) > 0.05:
        yield "the step of the inner side", f"the border line does not step as {name} says"
    long = float(np.hypot(*(cut.step_mm[0] - cut.step_mm[-1])))
    if long > plan.limits.step_mm + 0.1:
        yield "limits", f"the border's depth steps {long:.1f} mm at {name}"


def _turn(plan: Plan, measured: Remeasured, cut: Cut, index: int) -> Found:
    """The turn from the motions, against the stated one and the turning of the edge."""
    name = f"cut {index + 1}"
    left, right = plan.runs[index], plan.runs[index + 1]
    eased = [
        run.laying.bend_per_mm * (run.lace_interval_mm[1] - run.lace_interval_mm[0]) / 2
        for run in (left, right)
    ]
    turn = wrapped(
        measured.headings_rad[index + 1] - eased[1] - measured.headings_rad[index] - eased[0]
    )
    if abs(turn - cut.angle_rad) > np.deg2rad(0.05):
        yield (
            "turn",
            f"{name} turns {np.rad2deg(turn):.1f} degrees, {np.rad2deg(cut.angle_rad):.1f} stated",
        )
    asked = float(plan.target.curve.turning(left.touch_s_mm, right.touch_s_mm)) - sum(eased)
    if abs(wrapped(turn - asked)) > TURN_RAD:
        yield (
            "turn",
            f"{name} turns {np.rad2deg(turn):.1f} degrees where the edge asks for "
            f"{np.rad2deg(asked):.1f}",
        )
    for depth, width in cut.widths_mm:
        told = cut.angle_rad * (depth - plan.laying_depth_mm)
        if abs(width - told) > 0.1:
            yield "widths by depth", f"{name} is told {width:.1f} mm at {depth:.0f} mm deep"
            break


def _all_turns(plan: Plan, measured: Remeasured) -> Found:
    """Cuts, easing and both end parts add up to the turning of the whole edge."""
    curve = plan.target.curve
    eased = sum(
        run.laying.bend_per_mm * (run.lace_interval_mm[1] - run.lace_interval_mm[0])
        for run in plan.runs
    )
    first, last = plan.runs[0], plan.runs[-1]
    start = (
        float(curve.turning(0.0, first.touch_s_mm))
        - first.laying.bend_per_mm * (first.lace_interval_mm[1] - first.lace_interval_mm[0]) / 2
    )
    end = (
        float(curve.turning(last.touch_s_mm, curve.length_mm))
        - last.laying.bend_per_mm * (last.lace_interval_mm[1] - last.lace_interval_mm[0]) / 2
    )
    total = float(curve.turning(0.0, curve.length_mm))
    found = sum(cut.angle_rad for cut in plan.cuts) + eased + start + end
    if abs(found - total) > TURN_RAD:
        yield (
            "sum of turns",
            f"cuts, easing and ends turn {np.rad2deg(found):.1f} degrees, the edge "
            f"{np.rad2deg(total):.1f}",
        )


def _areas(plan: Plan, measured: Remeasured, cut: Cut, index: int) -> Found:
    """Slip, lap and opening from the polygons as laid."""
    name = f"cut {index + 1}"
    left, right = plan.runs[index].laying, plan.runs[index + 1].laying
    if abs(cut.s_mm - plan.runs[index].edge_interval_mm[1]) > 0.05:
        yield "place on the edge", f"{name} is not where its runs meet"
    turn = np.asarray(cut.turn_mm)[None]
    slip = float(np.hypot(*(left.place(turn) - right.place(turn))[0]))
    if abs(slip - cut.slip_mm) > 0.1:
        yield "slip", f"{name} slips {slip:.1f} mm, {cut.slip_mm:.1f} is stated"
    ends = cut.path_mm[[0, -1]]
    apart = np.hypot(*(left.place(ends) - right.place(ends)).T)
    limits = plan.limits
    if cut.kind == "uncut":
        lengths = [
            r.lace_interval_mm[1] - r.lace_interval_mm[0] for r in plan.runs[index : index + 2]
        ]
        if (
            apart.max() > limits.absorbed_strain * sum(lengths) / 2 + 0.1
            or cut.lap_mm2
            or (cut.opening_mm2)
        ):
            yield "left uncut", f"{name} is not cut, but its sides are {apart.max():.1f} mm apart"
        return
    bridge = _bridge(plan, measured, cut, index)
    lap = float(measured.overlap(index, index + 1).difference(bridge).area)
    bare = float(_wedge(plan, cut, index).difference(measured.covered).area)
    if abs(lap - cut.lap_mm2) > 1.0 + 0.01 * lap:
        yield "lap", f"{name} laps {lap:.0f} mm2, {cut.lap_mm2:.0f} is stated"
    if abs(bare - cut.opening_mm2) > 1.0 + 0.01 * bare:
        yield "opening", f"{name} bares {bare:.0f} mm2, {cut.opening_mm2:.0f} is stated"
    opens = cut.angle_rad < 0
    if apart[0] > (limits.opening_mm if opens else limits.lap_mm) + 0.2:
        yield "limits", f"{name} is {apart[0]:.1f} mm wide at its inner side"
    if slip > limits.slip_mm + 0.1:
        yield "limits", f"{name} slips {slip:.1f} mm"
    if cut.kind == "through" and not opens and apart[1] > limits.edge_opening_mm + 0.2:
        yield "limits", f"{name} opens {apart[1]:.1f} mm at the scalloped side"
    yield from _on_top(plan, measured, cut, index)


def _bridge(plan: Plan, measured: Remeasured, cut: Cut, index: int) -> shapely.Geometry:
    """What is left uncut between two runs, as laid: it is one lace, no lap."""
    if cut.kind == "through":
        return shapely.Polygon()
    inward = np.asarray(plan.runs[index].laying.inward, dtype=float)
    along = np.array([inward[1], -inward[0]])
    near = cut.path_mm[-1] + np.outer(np.linspace(-100.0, 100.0, 51), along)  # easing bends it
    corners = np.vstack([near, near[::-1] - 60.0 * inward])
    laid = [shapely.Polygon(r.laying.place(corners)) for r in plan.runs[index : index + 2]]
    return laid[0].union(laid[1])


def _wedge(plan: Plan, cut: Cut, index: int) -> shapely.Geometry:
    """Figure between the two sides of a cut as laid."""
    left = plan.runs[index].laying.place(cut.path_mm)
    right = plan.runs[index + 1].laying.place(cut.path_mm)
    return shapely.make_valid(shapely.Polygon(np.vstack([left, right[::-1]])))


def _on_top(plan: Plan, measured: Remeasured, cut: Cut, index: int) -> Found:
    name = f"cut {index + 1}"
    if cut.lap_mm2 <= 1.0:
        if cut.top is not None:
            yield "which side on top", f"{name} names a side on top and does not lap"
        if cut.beads_under_lap:
            yield "beads", f"{name} has beads under a lap and does not lap"
        return
    centre = plan.target.centre
    middle = centre.s_mm if centre else plan.target.length_mm / 2
    wanted = {"right" if cut.s_mm < middle else "left"}
    if abs(cut.s_mm - middle) <= AT_CENTRE_MM:  # neither is nearer
        wanted = {"left", "right"}
    if cut.top not in wanted:
        yield "which side on top", f"{name} has the run farther from the centre on top"
    under = plan.runs[index + 1] if cut.top == "left" else plan.runs[index]
    beads = measured.beads_of(under)
    count = 0
    if len(beads):
        laid = under.laying.place(beads)
        both = measured.overlap(index, index + 1)
        count = int(shapely.contains_xy(both, laid[:, 0], laid[:, 1]).sum())
    if count != cut.beads_under_lap:
        yield "beads", f"{name} has {count} beads under its lap, {cut.beads_under_lap} stated"


def _contents(plan: Plan, measured: Remeasured, cut: Cut, index: int) -> Found:
    """Each cost term from what the path crosses on the outlines and from the areas."""
    name = f"cut {index + 1}"
    weights = plan.weights
    free = plan.target.kind == "free"
    wanted = {"kink_rad2": weights.kink_rad2 * cut.angle_rad**2} if free else {}
    if cut.kind == "uncut":
        wanted["easing"] = weights.easing
    if len(cut.step_mm):
        step = float(np.hypot(*(cut.step_mm[0] - cut.step_mm[-1])))
        wanted["step_mm"] = weights.step_mm * step
    if cut.kind != "uncut" or len(cut.step_mm):
        net, motif, cord, beads = _crossed(plan, measured, cut)
        stated = (cut.net_mm, cut.motif_mm, cut.cord_mm)
        for what, value, told in zip(
            ("net", "motif", "cord"), (net, motif, cord), stated, strict=True
        ):
            if abs(value - told) > 0.3 + 0.01 * value:
                yield "what is cut", f"{name} cuts {value:.1f} mm of {what}, {told:.1f} stated"
        if beads != cut.beads_in_way:
            yield "beads", f"{name} has {beads} beads in its way, {cut.beads_in_way} stated"
        wanted |= {
            "net_mm": weights.net_mm * net,
            "motif_mm": weights.motif_mm * motif,
            "cord_mm": weights.cord_mm * cord,
            "bead": weights.bead * beads,
        }
    if cut.kind != "uncut":
        wanted |= {
            "cut": weights.cut,
            "through": weights.through if cut.kind == "through" else 0.0,
            "in_scallop": 0.0 if cut.at_valley else weights.in_scallop,
            "beside_centre": weights.beside_centre
            * plan.target.beside_centre(cut.s_mm, measured.scallop_mm),
            "lap_mm2": weights.lap_mm2 * cut.lap_mm2,
            "opening_mm2": weights.opening_mm2 * cut.opening_mm2,
            "slip_mm": weights.slip_mm * cut.slip_mm,
        }
    if set(wanted) != set(cut.terms):
        yield "cost", f"{name} does not state the terms {sorted(set(wanted) ^ set(cut.terms))}"
        return
    for term, minutes in wanted.items():
        if abs(cut.terms[term] - minutes) > 0.05 + 0.03 * minutes:
            yield "cost", f"{name} states {cut.terms[term]:.2f} min of {term}, not {minutes:.2f}"


def _crossed(plan: Plan, measured: Remeasured, cut: Cut) -> tuple[float, float, float, int]:
    """Net, motif, cord and beads on the cut with its step; where uncut, what the step adds."""

    def crossed(points: Points) -> tuple[float, float, float, int]:
        line = shapely.LineString(measured.folded(points))
        motif = float(line.intersection(measured.motifs).length)
        cord = float(line.intersection(measured.cords).length)
        beads = measured.beads_near(points, plan.limits.bead_clearance_mm)
        return float(line.length) - motif, motif, cord, beads

    whole = crossed(np.vstack([cut.step_mm, cut.path_mm]))
    if cut.kind != "uncut":
        return whole
    own = crossed(cut.path_mm)
    return whole[0] - own[0], whole[1] - own[1], whole[2] - own[2], whole[3] - own[3]
