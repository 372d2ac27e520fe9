"""Three plans to choose from, and the curve of cuts against edge error they come from.

Balanced is the best by her own weights. The other two are the best for weights of their
own, which are stated: fewest cuts for a cut so dear that no plan with more of them wins,
smoothest edge for a distance from the edge (at a free edge, a kink) so dear that every
further cut which brings the scallops closer is worth making.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lacelay.model.choices import PLAN_NAMES, Choice, CurvePoint, PlanName, ThreeWays
from lacelay.model.plan import Cut, Plan
from lacelay.model.target import EdgeKind
from lacelay.model.wishes import Limits, Weights
from lacelay.planning.by_cuts import at_most
from lacelay.planning.candidates import Laid
from lacelay.planning.held import Held, Tables, cuts_of
from lacelay.planning.shortest import Chain

Values = NDArray[np.float64]
#: Closer to the edge than this nobody sees or sews (common practice).
SEWN_MM = 0.5
#: How much dearer than hers the smoothest edge holds distance or kinks; the second where the
#: first makes no difference.
SMOOTHER = (4.0, 40.0)
#: The curve goes on to twice the cuts of the first balanced plan found, and so many more.
CURVE_BEYOND = 8


@dataclass(frozen=True)
class Asked:
    """Weights and limits of one plan, and how they differ from hers in plain words."""

    weights: Weights
    limits: Limits
    chosen_by: str


@dataclass(frozen=True, eq=False)
class Best:
    """The best start for something: which of those tried, its places, its chain."""

    start: int
    laid: Laid
    chain: Chain
    cuts: int


@dataclass(frozen=True, eq=False)
class Found:
    """The three, each with what was asked, and the curve over all starts."""

    asked: dict[PlanName, Asked]
    best: dict[PlanName, Best]
    curve: tuple[CurvePoint, ...]


def smoother(weights: Weights, limits: Limits, kind: EdgeKind, times: float) -> Asked:
    """What the smoothest edge weighs."""
    if kind == "free":
        return Asked(
            replace(weights, kink_rad2=weights.kink_rad2 * times),
            limits,
            f"a turn at the edge weighs {times:.0f} times as much",
        )
    tolerance = min(SEWN_MM, limits.edge_tolerance_mm)
    return Asked(
        replace(weights, edge_mm2=max(weights.edge_mm2, 0.03) * times),
        replace(limits, edge_tolerance_mm=tolerance),
        f"distance from the edge weighs {times:.0f} times as much, and counts from "
        f"{tolerance:g} mm on",
    )


def fewer(weights: Weights, limits: Limits, cost_by_cuts: Values, balanced_min: float) -> Asked:
    """What fewest cuts weigh: the least whole minutes for a cut at which no more win.

    Parameters
    ----------
    cost_by_cuts : ndarray
        Least cost with exactly 0, 1, ... cuts by her weights, over all starts.
    balanced_min : float
        Least cost with any number of cuts: plans with more cuts than the array holds cost
        no less.
    """
    fewest = int(np.isfinite(cost_by_cuts).argmax())
    beyond = np.append(cost_by_cuts[fewest + 1 :], balanced_min)
    spared = cost_by_cuts[fewest] - beyond
    more = np.maximum(spared / np.arange(1, len(beyond) + 1), 0.0)
    dearer = float(np.floor(np.max(more)) + 1.0)
    return Asked(
        replace(weights, cut=weights.cut + dearer),
        limits,
        f"a cut weighs {weights.cut + dearer:.0f} minutes in place of {weights.cut:g}",
    )


def find_three(
    starts: Iterator[Laid], weights: Weights, limits: Limits, kind: EdgeKind
) -> Found | None:
    """Search all starts for the three plans and the curve, the tables of each made once.

    Parameters
    ----------
    starts : iterator of Laid
        Places of each start, over all laying lines and borders.
    weights, limits : Weights, Limits
        Hers.
    kind : {"hard", "free"}

    Returns
    -------
    Found or None
        None when no plan holds within the limits.
    """
    plain = Asked(weights, limits, "as you weigh it")
    smooth = [smoother(weights, limits, kind, times) for times in SMOOTHER]
    best: dict[int, Best] = {}
    curves: list[tuple[int, Laid, Values]] = []
    edge = np.empty(0)
    most = 0
    for number, laid in enumerate(starts):
        held = Held(laid.places, limits)
        tables = held.tables(weights, limits)
        chain = tables.search()
        if chain is None:
            continue
        if not most:
            most = 2 * cuts_of(chain, tables) + CURVE_BEYOND
            edge = np.full(most + 1, np.inf)
        curves.append((number, laid, tables.cost_by_cuts(most)))
        edge = np.minimum(edge, held.worst_by_cuts(tables, most))
        _keep(best, 0, number, laid, chain, tables)
        for k, asked in enumerate(smooth, start=1):
            own = held.tables(asked.weights, asked.limits)
            found = own.search()
            assert found is not None  # the same runs and cuts are allowed
            _keep(best, k, number, laid, found, own)
    if not best:
        return None
    cost = np.min([each for _, _, each in curves], axis=0)
    few = fewer(weights, limits, cost, best[0].chain.cost)
    fewest = int(np.isfinite(cost).argmax())
    number, laid, _ = min(curves, key=lambda each: float(each[2][fewest]))
    tables = Held(laid.places, limits).tables(few.weights, few.limits)
    chain = tables.search()
    assert chain is not None
    few_best = Best(number, laid, chain, cuts_of(chain, tables))
    alike = (best[1].start, best[1].chain.places) == (best[0].start, best[0].chain.places)
    s = 1 if alike else 0
    return Found(
        {"fewest cuts": few, "balanced": plain, "smoothest edge": smooth[s]},
        {"fewest cuts": few_best, "balanced": best[0], "smoothest edge": best[1 + s]},
        tuple(
            CurvePoint(k, float(minutes), float(worst))
            for k, (minutes, worst) in enumerate(zip(at_most(cost), at_most(edge), strict=True))
            if np.isfinite(minutes)
        ),
    )


def _keep(
    best: dict[int, Best], key: int, number: int, laid: Laid, chain: Chain, tables: Tables
) -> None:
    if key not in best or chain.cost < best[key].chain.cost - 1e-9:
        best[key] = Best(number, laid, chain, cuts_of(chain, tables))


def compared(plans: Sequence[Plan], asked: Sequence[Asked], weights: Weights) -> tuple[Choice, ...]:
    """Put the three plans, in the order of `PLAN_NAMES`, into figures to compare.

    Parameters
    ----------
    plans : sequence of Plan
    asked : sequence of Asked
    weights : Weights
        Hers, by which the work of each is told.
    """
    told: list[Choice] = []
    for k, (name, plan, want) in enumerate(zip(PLAN_NAMES, plans, asked, strict=True)):
        same = next((PLAN_NAMES[i] for i in range(k) if alike(plans[i], plan)), None)
        real = [cut for cut in plan.cuts if cut.kind != "uncut"]
        inner = [cut.widths_mm[-1][1] for cut in real]
        told.append(
            Choice(
                name=name,
                cuts=len(real),
                lap_mm=max([0.0, *inner]),
                opening_mm=max([0.0, *(-width for width in inner)]),
                edge_mm=max(run.edge_error_mm for run in plan.runs),
                kink_rad=max([0.0, *(abs(cut.angle_rad) for cut in real)]),
                work_min=sum(handwork_min(cut, weights) for cut in real),
                chosen_by=want.chosen_by,
                same_as=same,
            )
        )
    return tuple(told)


def alike(one: Plan, other: Plan) -> bool:
    """Whether two plans cut and lay the lace the same."""
    if one.side != other.side or len(one.cuts) != len(other.cuts):
        return False
    if one.laying_depth_mm != other.laying_depth_mm:
        return False
    ends = [[run.lace_interval_mm for run in plan.runs] for plan in (one, other)]
    return bool(np.allclose(ends[0], ends[1], atol=1e-6))


def handwork_min(cut: Cut, weights: Weights) -> float:
    """Minutes at one cut by her weights: what is work, not what only looks amiss."""
    if cut.kind == "uncut":
        return 0.0
    return (
        weights.cut
        + (weights.through if cut.kind == "through" else 0.0)
        + weights.net_mm * cut.net_mm
        + weights.motif_mm * cut.motif_mm
        + weights.cord_mm * cut.cord_mm
        + weights.bead * cut.beads_in_way
        + weights.lap_mm2 * cut.lap_mm2
        + weights.opening_mm2 * cut.opening_mm2
    )


def three_ways(found: Found, plans: dict[PlanName, Plan], weights: Weights) -> ThreeWays:
    """Return what goes with each of the three plans."""
    asked = [found.asked[name] for name in PLAN_NAMES]
    return ThreeWays(compared([plans[name] for name in PLAN_NAMES], asked, weights), found.curve)
