"""Three plans: each the best for its weights, and the curve they come from."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import combinations, pairwise

import numpy as np
import pytest
from handmade import compound, galloon, mirrored_pair
from test_search_places import ByHand, problem

from lacelay.errors import PlanError
from lacelay.model.choices import PLAN_NAMES, PlanName
from lacelay.model.plan import Plan
from lacelay.model.shapes import SHAPES
from lacelay.model.wishes import Limits, Weights, Wishes
from lacelay.planning.candidates import Laid
from lacelay.planning.check import check_plan
from lacelay.planning.held import Held
from lacelay.planning.lay import lay_border
from lacelay.planning.lay_three import lay_three
from lacelay.planning.meetings import search_places
from lacelay.planning.places import Places
from lacelay.planning.three_plans import (
    SEWN_MM,
    Found,
    fewer,
    find_three,
    handwork_min,
)

LACES = {"plain": galloon, "compound": compound, "symmetric": mirrored_pair}


@cache
def three_of(lace: str, shape: str) -> dict[PlanName, Plan]:
    return lay_three(LACES[lace](), SHAPES[shape].edge(), wishes=Wishes(side="lower"))


CASES = [("plain", shape) for shape in SHAPES] + [
    ("compound", "bodice-top"),
    ("symmetric", "circular-hem"),
]


def laid(places: Places) -> Laid:
    return Laid(places, np.zeros(places.count, dtype=int), np.zeros(places.count, dtype=int))


def starts(seed: int) -> tuple[list[Places], Weights, Limits]:
    """One problem at three starts: the edge is the same, the places of the lace move along."""
    places, weights, limits = problem(seed)
    moved = []
    for shift in (0.0, 3.0, 7.0):
        turn, inner, outer = (
            points.copy() for points in (places.turn_mm, places.inner_mm, places.outer_mm)
        )
        for points in (turn, inner, outer):
            points[1:-1, 0] += shift
        keep = np.concatenate([[True], turn[1:-1, 0] < turn[-1, 0] - 2.0, [True]])
        tables = {
            name: None if getattr(places, name) is None else getattr(places, name)[keep]
            for name in ("extra_lap_mm2", "extra_opening_mm2")
        }
        moved.append(
            replace(
                places,
                turn_mm=turn[keep],
                inner_mm=inner[keep],
                outer_mm=outer[keep],
                minutes=places.minutes[keep],
                least_apart=None,
                **tables,
            )
        )
    return moved, weights, limits


def found_of(seed: int) -> tuple[list[Places], Weights, Limits, Found | None]:
    each, weights, limits = starts(seed)
    kind = "free" if each[0].free else "hard"
    return each, weights, limits, find_three(map(laid, each), weights, limits, kind)


@pytest.mark.parametrize("seed", range(30))
def test_each_of_the_three_is_the_best_for_its_weights(seed: int) -> None:
    """Over all starts and all sets of cuts, costed by hand from the definitions."""
    each, _, _, found = found_of(seed)
    if found is None:
        return
    for name in PLAN_NAMES:
        asked, best = found.asked[name], found.best[name]
        least = min(ByHand(places, asked.weights, asked.limits).best() for places in each)
        assert best.chain.cost == pytest.approx(least, rel=1e-6, abs=1e-6), name
        own = ByHand(each[best.start], asked.weights, asked.limits).cost(best.chain.places)
        assert own == pytest.approx(best.chain.cost, rel=1e-6, abs=1e-6)


def real_cuts(hand: ByHand, chain: tuple[int, ...]) -> int:
    """How many meetings are cut: those that cost more than easing when nothing else does."""
    bare = ByHand(hand.places, replace(NOTHING, cut=1.0), hand.limits)
    return round(bare.cost(chain))


NOTHING = Weights(**dict.fromkeys(Weights.__dataclass_fields__, 0.0))


@pytest.mark.parametrize("seed", [0, 6, 9, 21])
def test_the_curve_is_the_best_for_each_number_of_cuts(seed: int) -> None:
    """By trying all: least cost by her weights, and least worst place, with at most so many."""
    each, weights, limits, found = found_of(seed)
    if found is None:
        return
    cost, worst = np.full(40, np.inf), np.full(40, np.inf)
    for places in each:
        plain = replace(places, minutes=np.zeros(places.count))
        hand, count = ByHand(places, weights, limits), ByHand(plain, weights, limits)
        n = places.count
        for size in range(n - 1):
            for chosen in combinations(range(1, n - 1), size):
                chain = (0, *chosen, n - 1)
                minutes = hand.cost(chain)
                if np.isinf(minutes):
                    continue
                cuts = real_cuts(count, chain)
                cost[cuts] = min(cost[cuts], minutes)
                worst[cuts] = min(worst[cuts], worst_place(hand, chain))
    cost, worst = np.minimum.accumulate(cost), np.minimum.accumulate(worst)
    assert found.curve[0].cuts == int(np.isfinite(cost).argmax())
    for point in found.curve:
        assert point.least_min == pytest.approx(cost[point.cuts], rel=1e-6, abs=1e-6)
        assert point.least_edge == pytest.approx(worst[point.cuts], rel=1e-4, abs=1e-5)


def worst_place(hand: ByHand, chain: tuple[int, ...]) -> float:
    if not hand.places.free:
        return max(max(hand.run(i, j).misses) for i, j in pairwise(chain))
    turns = [
        hand.run(j, k).direction(-0.5) - hand.run(i, j).direction(0.5)
        for i, j, k in zip(chain, chain[1:], chain[2:], strict=False)
    ]
    return max([0.0, *(abs(np.mod(turn + np.pi, 2 * np.pi) - np.pi) for turn in turns)])


@pytest.mark.parametrize(("lace", "shape"), CASES)
def test_every_one_of_the_three_holds(lace: str, shape: str) -> None:
    plans = three_of(lace, shape)
    assert tuple(plans) == PLAN_NAMES
    for name, plan in plans.items():
        assert check_plan(plan) == ()
        assert plan.three is not None
        assert plan.three.this == name
    three = plans["balanced"].three
    assert three is not None
    few, balanced, smooth = three.choices
    assert few.cuts <= balanced.cuts
    for choice, plan in zip(three.choices, plans.values(), strict=True):
        real = [cut for cut in plan.cuts if cut.kind != "uncut"]
        assert choice.cuts == len(real)
        assert choice.edge_mm == max(run.edge_error_mm for run in plan.runs)
        own = sum(handwork_min(cut, Weights()) for cut in real)
        assert choice.work_min == pytest.approx(own)
    if plans["balanced"].target.kind == "free":
        kinks = [sum(c.angle_rad**2 for c in plans[name].cuts) for name in PLAN_NAMES]
        assert kinks == sorted(kinks, reverse=True)
    else:
        assert smooth.edge_mm <= balanced.edge_mm + 1e-9


@pytest.mark.parametrize(("lace", "shape"), CASES)
def test_the_three_differ_or_say_so(lace: str, shape: str) -> None:
    plans = three_of(lace, shape)
    three = plans["balanced"].three
    assert three is not None
    stretches = {
        name: tuple(round(run.lace_interval_mm[1], 3) for run in plan.runs)
        for name, plan in plans.items()
    }
    for k, choice in enumerate(three.choices):
        before = [name for name in PLAN_NAMES[:k] if stretches[name] == stretches[choice.name]]
        assert choice.same_as == (before[0] if before else None)
    assert len(set(stretches.values())) >= 2


@pytest.mark.parametrize(("lace", "shape"), CASES)
def test_the_curve_never_rises_and_ends_at_the_balanced_plan(lace: str, shape: str) -> None:
    plans = three_of(lace, shape)
    three = plans["balanced"].three
    assert three is not None
    curve = three.curve
    assert [point.cuts for point in curve] == list(range(curve[0].cuts, curve[0].cuts + len(curve)))
    for one, after in pairwise(curve):
        assert after.least_min <= one.least_min
        assert after.least_edge <= one.least_edge
    assert curve[-1].least_min == pytest.approx(plans["balanced"].bound_min, abs=1e-9)
    assert curve[0].cuts == three.choices[0].cuts


@pytest.mark.parametrize("shape", ["bodice-top", "circular-hem"])
def test_each_is_what_its_weights_alone_would_give(shape: str) -> None:
    """Laid again from nothing with the weights and limits that it states."""
    for plan in three_of("plain", shape).values():
        again = lay_border(
            plan.lace, plan.target, wishes=plan.wishes, weights=plan.weights, limits=plan.limits
        )
        # Candidate cuts do not depend on the weights that differ.
        assert again.bound_min == pytest.approx(plan.bound_min, abs=1e-9)


def test_fewest_cuts_weigh_a_cut_as_dear_as_it_takes() -> None:
    """On paper: 3 cuts cost 40, 4 cost 25, 5 cost 22: from 15 minutes more a cut, 3 win."""
    cost = np.array([np.inf, np.inf, np.inf, 40.0, 25.0, 22.0])
    asked = fewer(Weights(), Limits(), cost, 22.0)
    assert asked.weights.cut == Weights().cut + 16.0
    assert asked.chosen_by == "a cut weighs 24 minutes in place of 8"
    # Plans with more cuts than were counted cost no less than the balanced one: 10 here.
    assert fewer(Weights(), Limits(), cost, 10.0).weights.cut == Weights().cut + 16.0
    assert fewer(Weights(), Limits(), cost[:4], 10.0).weights.cut == Weights().cut + 31.0


def test_the_smoothest_edge_counts_from_what_is_sewn() -> None:
    plan = three_of("plain", "bodice-top")["smoothest edge"]
    assert plan.limits.edge_tolerance_mm == SEWN_MM
    assert plan.weights.edge_mm2 == 4 * Weights().edge_mm2
    hem = three_of("plain", "circular-hem")["smoothest edge"]
    assert hem.weights.kink_rad2 == 4 * Weights().kink_rad2
    assert hem.limits == Limits()


def test_what_is_held_is_what_is_searched() -> None:
    """Tables held for looser limits give what a search made anew gives."""
    for seed in range(40):
        places, weights, limits = problem(seed)
        loose = replace(limits, lap_mm=1e6, opening_mm=1e6, edge_limit_mm=1e6, run_mm=1e6)
        held = Held(places, loose).tables(weights, limits).search()
        anew = search_places(places, weights, limits)
        assert (held is None) == (anew is None)
        if held is not None and anew is not None:
            assert held.cost == pytest.approx(anew.cost, abs=1e-9)
            assert held.places == anew.places


def test_tables_are_not_asked_for_another_give() -> None:
    places, weights, limits = problem(0)
    with pytest.raises(ValueError, match="another stretch"):
        Held(places, limits).tables(weights, replace(limits, stretch=limits.stretch + 0.01))


def test_an_impossible_edge_is_said_as_for_one_plan() -> None:
    limits = Limits(lap_mm=1.0)
    told = []
    for lay in (lay_border, lay_three):
        with pytest.raises(PlanError) as caught:
            lay(
                mirrored_pair(),
                SHAPES["bodice-top"].edge(),
                wishes=Wishes(side="lower"),
                limits=limits,
            )
        told.append(str(caught.value))
    assert told[0] == told[1]
