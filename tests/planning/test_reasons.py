"""Why a plan is as it is: every figure equals a search made anew."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from handmade import compound, galloon, mirrored_pair
from test_search_places import ByHand, problem, without

from lacelay.errors import PlanError
from lacelay.geometry.plane_curve import PlaneCurve
from lacelay.model.plan import Plan
from lacelay.model.shapes import SHAPES
from lacelay.model.target import TargetEdge
from lacelay.model.wishes import Limits, Wishes
from lacelay.planning.freeing import CLOSELY_MM
from lacelay.planning.lay import lay_border
from lacelay.planning.meetings import search_places
from lacelay.planning.reasons import LEAST_MIN, Why

LOWER = Wishes(side="lower")


@cache
def plan_of(lace: str, shape: str) -> Plan:
    made = {"plain": galloon, "compound": compound}[lace]()
    return lay_border(made, SHAPES[shape].edge(), wishes=LOWER)


@cache
def questions() -> list[Why]:
    """Random bare problems that have a plan, with every place looked at from every other."""
    asked = []
    for seed in range(70):
        places, weights, limits = problem(seed)
        places = replace(places, least_apart=None, look_ahead=24)
        chain = search_places(places, weights, limits)
        if chain is not None:
            asked.append(Why(places, weights, limits, chain, 25.0))
    assert len(asked) >= 30
    return asked


def test_a_place_not_cut_costs_what_a_search_without_it_costs() -> None:
    """Where nothing may be left uncut, a place that is not cut might as well not be there."""
    told = 0
    for why in questions():
        limits = replace(why.limits, absorbed_strain=0.0)
        chain = search_places(why.places, why.weights, limits)
        if chain is None:
            continue
        asked = Why(why.places, why.weights, limits, chain, 0.5)
        for reason in asked.without_each_cut():
            place = chain.places[reason.cut + 1]
            other = search_places(without(why.places, place), why.weights, limits)
            if other is None:
                assert reason.elsewhere_min is None
                continue
            assert reason.elsewhere_min == pytest.approx(other.cost - chain.cost, abs=1e-9)
            told += 1
    assert told >= 60


def test_nothing_cut_in_a_stretch_costs_what_a_search_without_it_costs() -> None:
    """By trying all: every chain whose meetings in the stretch are not cut."""
    told = impossible = 0
    for why in questions()[:18]:
        limits = replace(why.limits, absorbed_strain=0.0)
        chain = search_places(why.places, why.weights, limits)
        if chain is None:
            continue
        asked = Why(why.places, why.weights, limits, chain, 25.0)
        a = why.places.turn_mm[:, 0]
        for reason in asked.without_each_cut():
            place = chain.places[reason.cut + 1]
            fewer = why.places
            for k in range(why.places.count - 2, 0, -1):
                if abs(a[k] - a[place]) <= 25.0:
                    fewer = without(fewer, k)
            best = ByHand(fewer, why.weights, limits).best()
            if np.isinf(best):
                assert reason.more_min is None
                impossible += 1
            else:
                assert reason.more_min == pytest.approx(best - chain.cost, rel=1e-6, abs=1e-5)
                told += 1
    assert told >= 10
    assert impossible >= 3


def test_the_limit_in_the_way_frees_at_what_is_told_and_not_before() -> None:
    told = 0
    for why in questions():
        limits = replace(why.limits, absorbed_strain=0.0)
        chain = search_places(why.places, why.weights, limits)
        if chain is None:
            continue
        asked = Why(why.places, why.weights, limits, chain, 25.0)
        a = why.places.turn_mm[:, 0]
        for reason in asked.without_each_cut():
            if reason.limit is None or reason.needed is None:
                continue
            fewer = why.places
            for k in range(why.places.count - 2, 0, -1):
                if abs(a[k] - a[chain.places[reason.cut + 1]]) <= 25.0:
                    fewer = without(fewer, k)
            own = getattr(limits, reason.limit)
            short = reason.needed + (CLOSELY_MM if reason.needed < own else -CLOSELY_MM)
            at = replace(limits, **{reason.limit: reason.needed})
            before = replace(limits, **{reason.limit: max(short, 0.0)})
            assert search_places(fewer, why.weights, at) is not None
            assert search_places(fewer, why.weights, before) is None
            told += 1
    assert told >= 10


def test_what_a_limit_costs_is_what_a_search_within_the_looser_one_saves() -> None:
    told = set()
    for why in questions()[:30]:
        binding = {gain.limit: gain for gain in why.binding()}
        for name in ("lap_mm", "opening_mm", "slip_mm", "edge_limit_mm", "run_mm", "give"):
            if name == "give":
                by = {"stretch": 1.1 * why.limits.stretch, "squeeze": 1.1 * why.limits.squeeze}
            else:
                by = {name: 1.1 * getattr(why.limits, name)}
            looser = search_places(why.places, why.weights, replace(why.limits, **by))
            assert looser is not None
            saved = why.chain.cost - looser.cost
            # More room never costs more; more give may, since a run eases as far as it can.
            assert saved >= -1e-9 or name == "give"
            assert (name in binding) == (saved > LEAST_MIN)
            if name in binding:
                assert binding[name].saved_min == pytest.approx(saved, abs=1e-9)
                told.add(name)
        assert [g.saved_min for g in why.binding()] == sorted(
            (g.saved_min for g in why.binding()), reverse=True
        )
    assert {"give", "slip_mm"} <= told


@pytest.mark.parametrize("name", ["lap_mm", "edge_limit_mm"])
def test_a_limit_set_to_bind_is_told_with_its_price(name: str) -> None:
    """A little tighter than what the plan uses: a tenth looser gives that plan back."""
    told = 0
    for why in questions():
        lap, _, miss = why._figures(why.chain, replace(why.chain, places=(0, 0)))
        used = lap if name == "lap_mm" else miss
        if used < 1.0 or (name == "edge_limit_mm" and why.places.free):
            continue
        tight = replace(why.limits, **{name: 0.95 * used})
        chain = search_places(why.places, why.weights, tight)
        if chain is None:
            continue
        (gain,) = [
            gain
            for gain in Why(why.places, why.weights, tight, chain, 25.0).binding()
            if gain.limit == name
        ] or [None]
        assert chain.cost >= why.chain.cost - 1e-9
        if chain.cost > why.chain.cost + LEAST_MIN:
            assert gain is not None
            again = search_places(
                why.places, why.weights, replace(tight, **{name: tight_value(tight, name) * 1.1})
            )
            assert again is not None
            assert gain.saved_min == pytest.approx(chain.cost - again.cost, abs=1e-9)
            assert gain.saved_min >= chain.cost - why.chain.cost - 1e-9
            told += 1
    assert told >= 5


def tight_value(limits: Limits, name: str) -> float:
    return float(getattr(limits, name))


@pytest.mark.parametrize(("lace", "shape"), [("plain", "bodice-top"), ("compound", "dipped-waist")])
def test_every_cut_of_a_plan_has_its_reason(lace: str, shape: str) -> None:
    plan = plan_of(lace, shape)
    assert plan.reasons is not None
    real = [c for c, cut in enumerate(plan.cuts) if cut.kind != "uncut"]
    assert [each.cut for each in plan.reasons.without] == real
    for each in plan.reasons.without:
        assert each.more_min is None or each.more_min >= -1e-9
        if each.more_min is not None and each.elsewhere_min is not None:
            assert each.elsewhere_min <= each.more_min + 1e-9


@pytest.mark.parametrize(
    ("limit", "step"), [("lap_mm", -1.0), ("slip_mm", -1.0), ("inner_width_mm", 1.0)]
)
def test_what_frees_an_impossible_edge_frees_it(limit: str, step: float) -> None:
    """The value told makes a plan; a little less of it does not."""
    lace, target = mirrored_pair(), SHAPES["bodice-top"].edge()
    stopped = {"lap_mm": 1.0, "slip_mm": 0.01, "inner_width_mm": 300.0}[limit]
    with pytest.raises(PlanError) as caught:
        lay_border(lace, target, wishes=LOWER, limits=Limits(**{limit: stopped}))
    words = caught.value.remedy
    value = float(words[words.index("to ") + 3 : words.index(" mm)")])
    assert lay_border(lace, target, wishes=LOWER, limits=Limits(**{limit: value}))
    with pytest.raises(PlanError):
        lay_border(lace, target, wishes=LOWER, limits=Limits(**{limit: value + step}))


def test_a_straight_edge_has_nothing_to_reason_about() -> None:
    target = TargetEdge("straight", PlaneCurve.from_arcs([(400.0, 0.0)]), "hard", [])
    plan = lay_border(galloon(), target, wishes=LOWER)
    assert plan.reasons is not None
    assert plan.reasons.without == ()
    assert plan.reasons.limits == ()
