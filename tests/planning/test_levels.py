"""Borders at several depths: the search against trying all, and what its lines cost."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import combinations, pairwise, product
from pathlib import Path

import numpy as np
import pytest
from handmade import compound, galloon

from lacelay.errors import PlanError
from lacelay.files.records import read_plan, write_plan
from lacelay.model.plan import Plan
from lacelay.model.shapes import SHAPES
from lacelay.model.wishes import DepthRange, Limits, Weights, Wishes
from lacelay.planning.border_line import NEST_MM, border_lines
from lacelay.planning.check import check_plan
from lacelay.planning.cost_field import cost_field
from lacelay.planning.cut_paths import cut_paths
from lacelay.planning.lay import lay_border
from lacelay.planning.levels import borders_at, line_sums
from lacelay.planning.prepared import prepare
from lacelay.planning.shortest import shortest_levels
from lacelay.planning.strip import border_strip


def by_trying_all(run_cost: np.ndarray, cut_cost: np.ndarray) -> float:
    """Least cost over every set of cuts and every level of every run."""
    count, n, m = run_cost.shape
    best = np.inf
    for size in range(n - 1):
        for inner in combinations(range(1, n - 1), size):
            chain = (0, *inner, n - 1)
            steps = [j - i - 1 for i, j in pairwise(chain)]
            if max(steps) >= m:
                continue
            for levels in product(range(count), repeat=len(steps)):
                cost = sum(run_cost[k, i, r] for k, i, r in zip(levels, chain, steps, strict=False))
                for c, j in enumerate(inner):
                    cost += cut_cost[j, levels[c], steps[c], levels[c + 1], steps[c + 1]]
                best = min(best, cost)
    return float(best)


def table(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Random tables of 2 or 3 levels and up to 6 places, some runs and cuts not allowed."""
    rng = np.random.default_rng(seed)
    count, n = int(rng.integers(2, 4)), int(rng.integers(3, 7))
    m = int(rng.integers(2, n))
    run_cost = rng.gamma(1.0, 4.0, (count, n, m))
    cut_cost = rng.gamma(1.0, 6.0, (n, count, m, count, m))
    run_cost[rng.random(run_cost.shape) < 0.15] = np.inf
    cut_cost[rng.random(cut_cost.shape) < 0.2] = np.inf
    run_cost[:, np.arange(n)[:, None] + 1 + np.arange(m)[None, :] > n - 1] = np.inf
    return run_cost, cut_cost


@pytest.mark.parametrize("batch", range(4))
def test_equals_trying_all_cuts_and_levels(batch: int) -> None:
    found = 0
    for seed in range(100 * batch, 100 * batch + 100):
        run_cost, cut_cost = table(seed)
        chain = shortest_levels(run_cost, cut_cost)
        best = by_trying_all(run_cost, cut_cost)
        assert (np.inf if chain is None else chain.cost) == pytest.approx(best, rel=1e-9)
        if chain is not None:
            assert sum(chain.run_costs) + sum(chain.cut_costs) == pytest.approx(chain.cost)
            found += len(set(chain.levels)) > 1
    assert found > 10  # many of the best take more than one level


LACE = galloon(width=140.0)
WEIGHTS, LIMITS = Weights(), Limits()


def test_lines_keep_clear_of_each_other() -> None:
    for lace in (galloon(), compound()):
        strip = border_strip(lace, "lower")
        field = cost_field(strip, WEIGHTS, LIMITS, 68.0)
        lines = border_lines(field, 20.0, 60.0, 8.0, 5)
        assert 2 <= len(lines) <= 5
        for low, high in pairwise(lines):
            assert (high.b_mm - low.b_mm).min() >= NEST_MM - 1e-9
        assert len(border_lines(field, 20.0, 60.0, 8.0, 1)) == 1


def test_cuts_at_every_depth_share_their_course() -> None:
    strip = border_strip(LACE, "lower")
    field = cost_field(strip, WEIGHTS, LIMITS, 68.0)
    lines = border_lines(field, 20.0, 60.0, 8.0, 5)
    borders = borders_at(
        strip, lines, cut_paths(field, lines[-1], WEIGHTS, LIMITS), 60.0, WEIGHTS, LIMITS
    )
    for paths in zip(*(border.paths for border in borders.levels), strict=True):
        for short, long in pairwise(paths):
            assert short.path_mm[:-1] == pytest.approx(long.path_mm[: len(short.path_mm) - 1])
            assert short.inner_mm[1] < long.inner_mm[1]
            assert short.minutes <= long.minutes + 1e-6
    for border in borders.levels:
        for path in border.paths:
            assert path.inner_mm[1] == pytest.approx(float(border.line.b(path.inner_mm[0])))


def test_sums_of_a_line() -> None:
    """A whole number of repeats counts as often; parts add up; short of full depth by area."""
    strip = border_strip(LACE, "lower")
    field = cost_field(strip, WEIGHTS, LIMITS, 68.0)
    line = border_lines(field, 20.0, 60.0, 8.0, 2)[0]
    sums = line_sums(line, 60.0)
    p = strip.period_mm
    whole = np.array(sums.between(7.0, 7.0 + p))
    assert np.array(sums.between(7.0, 7.0 + 3 * p)) == pytest.approx(3 * whole)
    parts = np.array(sums.between(-31.0, 12.0)) + np.array(sums.between(12.0, 90.0))
    assert np.array(sums.between(-31.0, 90.0)) == pytest.approx(parts)
    assert whole[0] == pytest.approx((60.0 - line.mean_mm) * p, rel=1e-3)


@cache
def bodice(**weights: float) -> Plan:
    return lay_border(
        LACE,
        SHAPES["bodice-top"].edge(),
        wishes=Wishes(side="lower", laying_depth_mm=-2.0, vary_depth=True),
        weights=replace(Weights(), **weights),
    )


def test_depth_is_taken_by_run_and_holds() -> None:
    plan = bodice()
    assert check_plan(plan) == ()
    assert len({run.depth_mm for run in plan.runs}) > 1
    for cut, (left, right) in zip(plan.cuts, pairwise(plan.runs), strict=True):
        assert (len(cut.step_mm) > 0) == (left.depth_mm != right.depth_mm)
        assert ("step_mm" in cut.terms) == (len(cut.step_mm) > 0)


def test_dearer_bare_cloth_is_never_shallower() -> None:
    """In area: an exchange argument holds for the term that is weighed."""
    bare = [
        sum(run.shallow_mm2 for run in bodice(shallow_mm2=each).runs)
        for each in (0.0, 0.005, 0.015, 0.06)
    ]
    for less, more in pairwise(bare):
        assert more <= less * 1.01 + 20.0  # laps are told by tables in the search
    assert bare[-1] < bare[0]


def test_a_dear_step_keeps_one_depth() -> None:
    assert len({run.depth_mm for run in bodice(step_mm=50.0).runs}) == 1


def test_her_range_of_depths_by_stretch() -> None:
    edge = SHAPES["bodice-top"].edge()
    wishes = Wishes(
        side="lower",
        laying_depth_mm=-2.0,
        vary_depth=True,
        depths=(DepthRange(0.0, 60.0, most_mm=30.0), DepthRange(400.0, 440.0, least_mm=35.0)),
    )
    plan = lay_border(LACE, edge, wishes=wishes)
    assert check_plan(plan) == ()
    first = [run for run in plan.runs if run.edge_interval_mm[0] < 60.0]
    last = [
        run
        for run in plan.runs
        if run.edge_interval_mm[0] < 440.0 and run.edge_interval_mm[1] > 400.0
    ]
    assert first
    assert last
    assert all(run.depth_mm <= 30.0 for run in first)
    assert all(run.depth_mm >= 35.0 for run in last)


def test_a_range_without_a_line_is_refused() -> None:
    wishes = Wishes(side="lower", vary_depth=True, depths=(DepthRange(0.0, 60.0, least_mm=300.0),))
    with pytest.raises(PlanError, match="No border line"):
        lay_border(LACE, SHAPES["bodice-top"].edge(), wishes=wishes)


def with_run(plan: Plan, index: int, **changes: object) -> Plan:
    runs = list(plan.runs)
    runs[index] = replace(runs[index], **changes)  # type: ignore[arg-type]
    return replace(plan, runs=tuple(runs))


def stepped(plan: Plan) -> int:
    return next(k for k, cut in enumerate(plan.cuts) if len(cut.step_mm))


def without_its_step(plan: Plan) -> Plan:
    k = stepped(plan)
    cuts = list(plan.cuts)
    terms = {name: value for name, value in cuts[k].terms.items() if name != "step_mm"}
    cuts[k] = replace(cuts[k], step_mm=np.empty((0, 2)), terms=terms)
    return replace(plan, cuts=tuple(cuts))


def cheaper_step(plan: Plan) -> Plan:
    k = stepped(plan)
    cuts = list(plan.cuts)
    cuts[k] = replace(cuts[k], terms={**cuts[k].terms, "step_mm": 0.0})
    return replace(plan, cuts=tuple(cuts))


FAULTS = {
    "shallow": (lambda p: with_run(p, 3, shallow_mm2=p.runs[3].shallow_mm2 - 90.0), "depth"),
    "motif": (lambda p: with_run(p, 3, line_motif_mm=p.runs[3].line_motif_mm + 5.0), "depth"),
    "step": (without_its_step, "step"),
    "cost": (cheaper_step, "cost"),
    "asked": (
        lambda p: replace(
            p, wishes=replace(p.wishes, depths=(DepthRange(0.0, 500.0, least_mm=50.0),))
        ),
        "depth",
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_planted_faults_of_depth_are_found(name: str) -> None:
    spoil, rule = FAULTS[name]
    assert any(rule in finding.rule for finding in check_plan(spoil(bodice())))


def test_what_needs_one_depth_refuses_a_depth_that_varies() -> None:
    with pytest.raises(PlanError, match="one depth all along"):
        prepare(bodice())
    with pytest.raises(ValueError, match="cannot vary"):
        Wishes(border_depth_mm=40.0, vary_depth=True)
    with pytest.raises(ValueError, match="may vary"):
        Wishes(depths=(DepthRange(0.0, 60.0),))


def test_a_varied_plan_comes_back_from_its_file(tmp_path: Path) -> None:
    write_plan(tmp_path / "plan.json", bodice(), None)
    again, _ = read_plan(tmp_path / "plan.json")
    assert check_plan(again) == ()
    assert again.wishes == bodice().wishes
    assert [run.depth_mm for run in again.runs] == pytest.approx(
        [run.depth_mm for run in bodice().runs], abs=0.01
    )
