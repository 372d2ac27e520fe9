"""The search with her hand on it against trying every chain, cut by cut."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import combinations, pairwise, product

import numpy as np
import pytest
from handmade_places import RIGID, places_at
from test_search_places import problem

from lacelay.geometry.plane_curve import PlaneCurve
from lacelay.model.wishes import Weights
from lacelay.planning.held_search import HeldTables, Rules
from lacelay.planning.meetings import search_places


@dataclass
class Every:
    """Every chain of one problem with every choice of cutting, priced from given tables."""

    run_cost: np.ndarray
    leaving: np.ndarray
    cutting: np.ndarray
    whole: float

    @property
    def count(self) -> int:
        return len(self.run_cost)

    def least(self, rules: Rules) -> float:
        n = self.count
        best = math.inf
        for size in range(n - 1):
            for chosen in combinations(range(1, n - 1), size):
                best = min(best, self._least_of((0, *chosen, n - 1), rules))
        return best

    def _least_of(self, chain: tuple[int, ...], rules: Rules) -> float:
        held = {*rules.cut, *rules.uncut}
        if not held <= set(chain) or not all(run in pairwise(chain) for run in rules.runs):
            return math.inf
        total = 0.0
        for i, j in pairwise(chain):
            r = j - i - 1
            cost = self.run_cost[i, r] if r < self.run_cost.shape[1] else math.inf
            if (i, j) == (0, self.count - 1):
                cost = min(cost, self.whole)
            total += cost
        if not math.isfinite(total):
            return math.inf
        best = math.inf
        meetings = list(zip(chain, chain[1:], chain[2:], strict=False))
        for cuts in product((False, True), repeat=len(meetings)):
            cut_at = {j for (_, j, _), cut in zip(meetings, cuts, strict=True) if cut}
            if not set(rules.cut) <= cut_at or cut_at & {*rules.uncut, *rules.closed}:
                continue
            if not all(any(a <= j <= b for j in cut_at) for a, b in rules.demands):
                continue
            cost = total
            for (i, j, k), cut in zip(meetings, cuts, strict=True):
                cost += (self.cutting if cut else self.leaving)[j, j - i - 1, k - j - 1]
            best = min(best, cost)
        return best


def tables_of(seed: int, count: int = 8) -> tuple[HeldTables, Weights]:
    """A random problem cut down to a few places, so that all can be tried."""
    places, weights, limits = problem(seed)
    rng = np.random.default_rng(seed)
    kept = (
        np.sort(rng.choice(np.arange(1, places.count - 1), count - 2, replace=False))
        if (places.count > count)
        else np.arange(1, places.count - 1)
    )
    index = np.array([0, *kept, places.count - 1])
    tables = {
        name: None if getattr(places, name) is None else getattr(places, name)[index]
        for name in ("extra_lap_mm2", "extra_opening_mm2")
    }
    apart = rng.random((len(index), min(places.look_ahead, len(index) - 1))) < 0.95
    places = replace(
        places,
        turn_mm=places.turn_mm[index],
        inner_mm=places.inner_mm[index],
        outer_mm=places.outer_mm[index],
        minutes=places.minutes[index],
        least_apart=apart,
        **tables,
    )
    if rng.random() < 0.6:  # so that give takes up meetings, and demands have to force a cut
        limits = replace(limits, absorbed_strain=rng.choice([0.05, 0.2]), slip_mm=20.0)
    return HeldTables(places, limits), weights


def random_rules(rng: np.random.Generator, n: int) -> Rules:
    """Some of everything, sometimes contradictory."""
    inner = np.arange(1, n - 1)

    def some(most: int) -> list[int]:
        size = int(rng.integers(0, most + 1))
        return [int(k) for k in rng.choice(inner, min(size, len(inner)), replace=False)]

    demands = []
    for _ in range(int(rng.choice([1, 1, 1, 2, 3]))):
        low = int(rng.integers(1, n - 1))
        demands.append((low, int(min(low + rng.integers(0, 4), n - 2))))
    runs = []
    if rng.random() < 0.1:
        first = int(rng.integers(0, n - 1))
        runs.append((first, int(min(n - 1, first + rng.integers(1, 4)))))
    cut = some(1) if rng.random() < 0.3 else []
    uncut = [k for k in some(1) if k not in cut and rng.random() < 0.2]
    return Rules(closed=some(1), cut=cut, uncut=uncut, runs=runs, demands=demands)


def every(tables: HeldTables, weights: Weights) -> Every:
    return Every(*tables.costs(weights), float(tables.whole.minutes(weights)[0]))


def test_with_nothing_asked_it_is_the_plain_search() -> None:
    for seed in range(48):
        places, weights, limits = problem(seed)
        plain = search_places(places, weights, limits)
        held = HeldTables(places, limits).search(weights)
        assert (plain is None) == (held is None)
        if plain is not None and held is not None:
            assert held.cost == pytest.approx(plain.cost, abs=1e-9)
            assert held.places == plain.places
            assert held.run_costs == pytest.approx(plain.run_costs)
            assert held.cut_costs == pytest.approx(plain.cut_costs)
            assert held.forced == ()


@pytest.mark.parametrize("batch", range(6))
def test_equals_trying_all_with_rules(batch: int) -> None:
    """Fifty sets of rules a batch over ten problems: 300 in all."""
    for seed in range(10 * batch, 10 * batch + 10):
        tables, weights = tables_of(seed)
        prices = every(tables, weights)
        # What is neither demanded nor locked is cut only where give does not take it up.
        rng = np.random.default_rng(1000 + seed)
        for _ in range(5):
            rules = random_rules(rng, prices.count)
            asked = np.zeros(prices.count, dtype=bool)
            asked[list(rules.cut)] = True
            for low, high in rules.demands:
                asked[low : high + 1] = True
            cutting = np.where(
                np.isfinite(prices.leaving) & ~asked[:, None, None], np.inf, prices.cutting
            )
            best = replace(prices, cutting=cutting).least(rules)
            chain = tables.search(weights, rules)
            found = math.inf if chain is None else chain.cost
            assert found == pytest.approx(best, rel=1e-9, abs=1e-9), f"problem {seed}, {rules}"


def test_the_rules_are_of_every_kind() -> None:
    """Some free, some impossible, some that force a cut which give would take up."""
    free = impossible = forced = dearer = 0
    for seed in range(60):
        tables, weights = tables_of(seed)
        plain = tables.search(weights)
        rng = np.random.default_rng(1000 + seed)
        for _ in range(5):
            chain = tables.search(weights, random_rules(rng, tables.places.count))
            if chain is None:
                impossible += 1
                continue
            forced += bool(chain.forced)
            assert plain is not None
            free += chain.cost < plain.cost + 1e-9
            dearer += chain.cost > plain.cost + 1e-9
    assert min(free, impossible, forced, dearer) >= 10


def test_asking_more_never_makes_it_cheaper() -> None:
    for seed in range(60):
        tables, weights = tables_of(seed)
        rng = np.random.default_rng(2000 + seed)
        low = int(rng.integers(1, tables.places.count - 1))
        fewer = Rules(closed=[int(rng.integers(1, tables.places.count - 1))])
        costs = []
        for rules in (
            Rules(),
            fewer,
            replace(fewer, demands=[(low, low + 1)]),
            replace(fewer, demands=[(low, low)]),
        ):
            chain = tables.search(weights, rules)
            costs.append(math.inf if chain is None else chain.cost)
        assert costs == sorted(costs)


def test_locking_what_is_best_changes_nothing() -> None:
    locked = 0
    for seed in range(60):
        tables, weights = tables_of(seed)
        best = tables.search(weights)
        if best is None or len(best.places) < 3:
            continue
        runs = list(pairwise(best.places))
        _, leaving, _ = tables.costs(weights)
        cut, left = [], []
        for i, j, k in zip(best.places, best.places[1:], best.places[2:], strict=False):
            given = np.isfinite(leaving[j, j - i - 1, k - j - 1])
            (left if given else cut).append(j)
        for rules in (
            Rules(runs=runs[:1]),
            Rules(runs=runs),
            Rules(cut=cut[:1]),
            Rules(cut=cut, uncut=left),
        ):
            again = tables.search(weights, rules)
            assert again is not None
            assert again.places == best.places
            assert again.cost == pytest.approx(best.cost, abs=1e-9)
            assert again.forced == ()
            locked += 1
    assert locked > 40


def test_a_cut_demanded_on_a_straight_edge_is_cut() -> None:
    """Give takes up everything there, so nothing is cut but what is demanded."""
    places = places_at(PlaneCurve.from_arcs([(400.0, 0.0)]), np.arange(0.0, 401.0, 20.0))
    tables = HeldTables(places, replace(RIGID, absorbed_strain=0.002))
    weights = Weights()
    plain = tables.search(weights)
    assert plain is not None
    assert plain.places == (0, 20)
    one = tables.search(weights, Rules(demands=[(5, 7)]))
    assert one is not None
    assert len(one.forced) == 1
    assert 5 <= one.forced[0] <= 7
    assert one.cost == pytest.approx(weights.cut)
    two = tables.search(weights, Rules(demands=[(5, 7), (7, 9), (6, 12)]))
    assert two is not None
    assert two.forced == (7,)  # one serves all three
    apart = tables.search(weights, Rules(demands=[(5, 7), (8, 9)], closed=[7, 8]))
    assert apart is not None
    assert len(apart.forced) == 2
    assert apart.forced[1] == 9
