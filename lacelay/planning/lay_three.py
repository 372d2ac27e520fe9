"""Lay a lace along an edge three ways: fewest cuts, balanced, smoothest edge."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from lacelay.model.choices import PLAN_NAMES, PlanName
from lacelay.model.lace import Lace
from lacelay.model.plan import Plan
from lacelay.model.target import TargetEdge
from lacelay.model.wishes import Limits, Weights, Wishes
from lacelay.planning.assemble import Order
from lacelay.planning.candidates import Laid
from lacelay.planning.lay import (
    START_STEP_MM,
    Progress,
    _certificate,
    _finished,
    _Found,
    _impossible,
    _laid,
    _refine,
    _starts_are_free,
    _ways,
)
from lacelay.planning.three_plans import find_three, three_ways


def lay_three(
    lace: Lace,
    target: TargetEdge,
    *,
    wishes: Wishes | None = None,
    weights: Weights | None = None,
    limits: Limits | None = None,
    progress: Progress | None = None,
) -> dict[PlanName, Plan]:
    """Find the three plans, each the best over sides, laying lines, starts and cuts.

    Parameters and errors as in `lay_border`, whose plan is the balanced one.

    Returns
    -------
    dict
        The plans by name, in the order they are told. Each holds the weights and limits it
        is best for, and `Plan.three` with all three side by side and the curve.
    """
    order = Order(lace, target, wishes or Wishes(), weights or Weights(), limits or Limits())
    ways = list(_ways(order))
    starts = [(way, float(start)) for way in ways for start in way.starts_mm]

    def laid() -> Iterator[Laid]:
        for done, (way, start) in enumerate(starts, start=1):
            yield _laid(order, way, start)
            if progress is not None:
                progress("finding where it starts and where it is cut", done / len(starts))

    found = find_three(laid(), order.weights, order.limits, target.kind)
    if found is None:
        raise _impossible(order, ways)
    plans: dict[PlanName, Plan] = {}
    for name in PLAN_NAMES:
        asked, best = found.asked[name], found.best[name]
        own = replace(order, weights=asked.weights, limits=asked.limits)
        chosen = _Found(starts[best.start][0].border, best.laid, best.chain)
        step = 0.0
        if _starts_are_free(order):
            step = START_STEP_MM
            chosen = _refine(own, chosen)
        plans[name] = _finished(own, chosen, _certificate(ways, len(starts), step))
    three = three_ways(found, plans, order.weights)
    return {name: replace(plan, three=replace(three, this=name)) for name, plan in plans.items()}
