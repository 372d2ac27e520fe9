"""Planted faults: a sound plan is spoilt in one way, and `check` must say which."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from handmade import galloon

from lacelay.buying.length import purchase_for
from lacelay.model.plan import Cut, Plan, Run
from lacelay.model.shapes import SHAPES
from lacelay.planning.check import check_plan
from lacelay.planning.lay import lay_border


@cache
def sound() -> Plan:
    """A plan on the bodice top with laps, openings and beads, and its purchase."""
    plan = lay_border(galloon(beads=True), SHAPES["bodice-top"].edge())
    return replace(plan, purchase=purchase_for(plan))


@cache
def scoop() -> Plan:
    """A plan with cuts right through."""
    return lay_border(galloon(), SHAPES["scoop-neckline"].edge())


def with_run(plan: Plan, index: int, **changes: object) -> Plan:
    runs = list(plan.runs)
    runs[index] = replace(runs[index], **changes)  # type: ignore[arg-type]
    return replace(plan, runs=tuple(runs))


def with_cut(plan: Plan, index: int, **changes: object) -> Plan:
    cuts = list(plan.cuts)
    cuts[index] = replace(cuts[index], **changes)  # type: ignore[arg-type]
    return replace(plan, cuts=tuple(cuts))


def lapping(plan: Plan) -> int:
    return next(k for k, cut in enumerate(plan.cuts) if cut.lap_mm2 > 50)


def flipped_run(plan: Plan) -> Plan:
    run = plan.runs[2]
    laying = run.laying
    mirror = np.array([[-1.0, 0.0], [0.0, 1.0]])
    matrix = laying.matrix @ mirror
    shift = laying.shift_mm + laying.matrix @ laying.pivot_mm - matrix @ laying.pivot_mm
    return with_run(plan, 2, laying=replace(laying, matrix=matrix, shift_mm=shift))


def stretched_run(plan: Plan) -> Plan:
    laying = plan.runs[2].laying
    return with_run(plan, 2, laying=replace(laying, matrix=laying.matrix * 1.02))


def lace_used_twice(plan: Plan) -> Plan:
    left, right = plan.runs[1], plan.runs[2]
    middle = (left.outline_mm[:, 0].min() + left.outline_mm[:, 0].max()) / 2
    shift = (right.outline_mm[:, 0].mean() - middle) / 2
    outline = right.outline_mm - [shift, 0.0]
    return with_run(plan, 2, outline_mm=outline)


def lace_that_is_not_there(plan: Plan) -> Plan:
    return with_run(plan, 1, outline_mm=plan.runs[1].outline_mm + [0.0, 120.0])


def turned_wrongly(plan: Plan) -> Plan:
    """One run turned by two degrees about its own middle, and its two cuts told so."""
    run = plan.runs[3]
    spin = np.deg2rad(2.0)
    turn = np.array([[np.cos(spin), -np.sin(spin)], [np.sin(spin), np.cos(spin)]])
    matrix = turn @ run.laying.matrix
    here = run.laying.matrix @ run.laying.pivot_mm + run.laying.shift_mm
    laying = replace(run.laying, matrix=matrix, shift_mm=here - matrix @ run.laying.pivot_mm)
    plan = with_run(plan, 3, laying=laying)
    plan = with_cut(plan, 2, angle_rad=plan.cuts[2].angle_rad + spin)
    return with_cut(plan, 3, angle_rad=plan.cuts[3].angle_rad - spin)


def angle_told_wrongly(plan: Plan) -> Plan:
    return with_cut(plan, 1, angle_rad=plan.cuts[1].angle_rad + np.deg2rad(1.0))


def lap_on_the_wrong_side(plan: Plan) -> Plan:
    k = lapping(plan)
    return with_cut(plan, k, top="left" if plan.cuts[k].top == "right" else "right")


def run_shifted_3_mm(plan: Plan) -> Plan:
    run = plan.runs[2]
    along = run.laying.matrix @ np.array([3.0, 0.0])
    return with_run(plan, 2, laying=replace(run.laying, shift_mm=run.laying.shift_mm + along))


def run_shifted_inwards(plan: Plan) -> Plan:
    run = plan.runs[2]
    inwards = run.laying.matrix @ (3.0 * run.laying.inward)
    return with_run(plan, 2, laying=replace(run.laying, shift_mm=run.laying.shift_mm + inwards))


def missing_bare_place(plan: Plan) -> Plan:
    largest = max(plan.gaps, key=lambda gap: gap.area_mm2)
    return replace(plan, gaps=tuple(gap for gap in plan.gaps if gap is not largest))


def bare_place_under_lace(plan: Plan) -> Plan:
    gap = plan.gaps[0]
    return replace(plan, gaps=(replace(gap, outline_mm=gap.outline_mm + [25.0, 0.0]),))


def bare_place_told_too_narrow(plan: Plan) -> Plan:
    gap = plan.gaps[0]
    return replace(plan, gaps=(replace(gap, width_mm=gap.width_mm * 0.8), *plan.gaps[1:]))


def lap_told_too_small(plan: Plan) -> Plan:
    k = lapping(plan)
    return with_cut(plan, k, lap_mm2=plan.cuts[k].lap_mm2 * 0.9)


def opening_told_too_small(plan: Plan) -> Plan:
    k = next(k for k, cut in enumerate(plan.cuts) if cut.opening_mm2 > 50)
    return with_cut(plan, k, opening_mm2=plan.cuts[k].opening_mm2 * 0.9)


def cheaper_than_it_is(plan: Plan) -> Plan:
    terms = dict(plan.cuts[1].terms) | {"lap_mm2": 0.0}
    saved = plan.cuts[1].terms["lap_mm2"]
    return replace(with_cut(plan, 1, terms=terms), cost_min=plan.cost_min - saved)


def total_told_wrongly(plan: Plan) -> Plan:
    return replace(plan, cost_min=plan.cost_min - 1.0)


def term_left_out(plan: Plan) -> Plan:
    terms = {name: value for name, value in plan.cuts[0].terms.items() if name != "slip_mm"}
    gone = plan.cuts[0].terms["slip_mm"]
    return replace(with_cut(plan, 0, terms=terms), cost_min=plan.cost_min - gone)


def cut_too_close_to_the_scallop(plan: Plan) -> Plan:
    path = plan.cuts[1].path_mm
    inward = plan.runs[1].laying.inward
    return with_cut(plan, 1, path_mm=np.vstack([path, path[-1] - 3.5 * inward]))


def cut_beside_its_runs(plan: Plan) -> Plan:
    return with_cut(plan, 1, path_mm=plan.cuts[1].path_mm + [2.0, 0.0])


def half_a_scallop_at_the_centre(plan: Plan) -> Plan:
    return replace(plan, start_mm=plan.start_mm + 9.0)


def beads_miscounted(plan: Plan) -> Plan:
    return with_cut(plan, 1, beads_in_way=plan.cuts[1].beads_in_way + 2)


def beads_under_a_lap_forgotten(plan: Plan) -> Plan:
    k = max(range(len(plan.cuts)), key=lambda k: plan.cuts[k].beads_under_lap)
    return with_cut(plan, k, beads_under_lap=plan.cuts[k].beads_under_lap - 1)


def too_little_bought(plan: Plan) -> Plan:
    assert plan.purchase is not None
    short = replace(plan.purchase, used_mm=plan.purchase.used_mm - 200.0)
    return replace(plan, purchase=short)


def starts_only_at_one_place(plan: Plan) -> Plan:
    assert plan.purchase is not None
    return replace(plan, purchase=replace(plan.purchase, start_anywhere_mm=40.0))


def distance_told_too_small(plan: Plan) -> Plan:
    worst = max(range(len(plan.runs)), key=lambda k: plan.runs[k].edge_error_mm)
    return with_run(plan, worst, edge_error_mm=plan.runs[worst].edge_error_mm * 0.8)


def eased_more_than_it_gives(plan: Plan) -> Plan:
    laying = plan.runs[2].laying
    return with_run(plan, 2, laying=replace(laying, bend_per_mm=laying.bend_per_mm * 1.6))


def layers_told_wrongly(plan: Plan) -> Plan:
    return replace(plan, layers=plan.layers + 1)


def gap_between_runs(plan: Plan) -> Plan:
    run: Run = plan.runs[1]
    s0, s1 = run.edge_interval_mm
    return with_run(plan, 1, edge_interval_mm=(s0 + 1.0, s1))


def place_told_wrongly(plan: Plan) -> Plan:
    return with_cut(plan, 1, s_mm=plan.cuts[1].s_mm + 2.0)


def slip_told_too_small(plan: Plan) -> Plan:
    k = max(range(len(plan.cuts)), key=lambda k: plan.cuts[k].slip_mm)
    return with_cut(plan, k, slip_mm=plan.cuts[k].slip_mm / 2)


FAULTS: dict[Callable[[Plan], Plan], str] = {
    flipped_run: "never flipped",
    stretched_run: "rigid",
    lace_used_twice: "lace used once",
    lace_that_is_not_there: "lace that exists",
    turned_wrongly: "turn",
    angle_told_wrongly: "turn",
    lap_on_the_wrong_side: "which side on top",
    run_shifted_3_mm: "slip",
    run_shifted_inwards: "distance from the edge",
    missing_bare_place: "bare places",
    bare_place_under_lace: "bare places",
    bare_place_told_too_narrow: "bare places",
    lap_told_too_small: "lap",
    opening_told_too_small: "opening",
    cheaper_than_it_is: "cost",
    total_told_wrongly: "cost",
    term_left_out: "cost",
    cut_too_close_to_the_scallop: "left uncut",
    cut_beside_its_runs: "the cut divides its runs",
    half_a_scallop_at_the_centre: "the centre",
    beads_under_a_lap_forgotten: "beads",
    beads_miscounted: "beads",
    too_little_bought: "to buy",
    starts_only_at_one_place: "to buy",
    distance_told_too_small: "distance from the edge",
    eased_more_than_it_gives: "give",
    layers_told_wrongly: "layers",
    gap_between_runs: "whole edge",
    place_told_wrongly: "place on the edge",
    slip_told_too_small: "slip",
}


def test_sound_plans_hold() -> None:
    assert check_plan(sound()) == ()
    assert check_plan(scoop()) == ()


@pytest.mark.parametrize("spoil", FAULTS, ids=lambda spoil: spoil.__name__)
def test_planted_fault_is_rejected_with_its_reason(spoil: Callable[[Plan], Plan]) -> None:
    findings = check_plan(spoil(sound()))
    assert FAULTS[spoil] in {finding.rule for finding in findings}
    assert all(finding.message for finding in findings)


def test_a_through_cut_that_stops_short_is_rejected() -> None:
    plan = scoop()
    cut: Cut = plan.cuts[1]
    findings = check_plan(with_cut(plan, 1, path_mm=cut.path_mm[:-1]))
    assert "left uncut" in {finding.rule for finding in findings}
