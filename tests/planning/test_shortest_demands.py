"""The chain that meets every demand is the best one: by trying all, at one depth and at more."""

from __future__ import annotations

import math
from itertools import combinations, pairwise, product

import numpy as np
import pytest

from lacelay.planning.shortest import shortest_chain
from lacelay.planning.shortest_demands import innermost, shortest_with_demands

Tables = tuple[np.ndarray, np.ndarray, np.ndarray]


def random_tables(rng: np.random.Generator, levels: int, n: int, m: int) -> Tables:
    """Costs of runs, of leaving a meeting (often not allowed) and of cutting it."""
    runs = rng.gamma(2.0, 4.0, (levels, n, m))
    runs[rng.random(runs.shape) < 0.15] = np.inf
    runs[:, np.arange(n)[:, None] + 1 + np.arange(m) > n - 1] = np.inf
    shape = (n, levels, m, levels, m)
    leaving = np.where(rng.random(shape) < 0.5, rng.gamma(1.0, 1.0, shape), np.inf)
    cutting = np.where(rng.random(shape) < 0.85, rng.gamma(1.0, 8.0, shape), np.inf)
    return runs, leaving, cutting


def best_by_trying_all(tables: Tables, demands: list[tuple[int, int]]) -> float:
    """Every chain, every level of every run, every choice of cutting."""
    runs, leaving, cutting = tables
    levels, n, m = runs.shape
    best = math.inf
    for size in range(n - 1):
        for chosen in combinations(range(1, n - 1), size):
            chain = (0, *chosen, n - 1)
            if any(j - i > m for i, j in pairwise(chain)):
                continue
            for at in product(range(levels), repeat=size + 1):
                own = sum(
                    runs[k, i, j - i - 1] for k, (i, j) in zip(at, pairwise(chain), strict=True)
                )
                if own >= best:
                    continue
                for cuts in product((False, True), repeat=size):
                    made = [j for j, cut in zip(chosen, cuts, strict=True) if cut]
                    if not all(any(a <= j <= b for j in made) for a, b in demands):
                        continue
                    cost = own
                    for k, j in enumerate(chosen):
                        r, t = j - chain[k] - 1, chain[k + 2] - j - 1
                        cost += (cutting if cuts[k] else leaving)[j, at[k], r, at[k + 1], t]
                    best = min(best, cost)
    return best


def some_demands(rng: np.random.Generator, n: int) -> list[tuple[int, int]]:
    lows = rng.integers(1, n - 1, int(rng.integers(0, 4)))
    return [(int(low), int(min(n - 2, low + rng.integers(0, 4)))) for low in lows]


@pytest.mark.parametrize(("levels", "n"), [(1, 9), (2, 6), (3, 5)])
def test_equals_trying_all(levels: int, n: int) -> None:
    """Seventy random tables of each size: 210 in all."""
    found_none = 0
    for seed in range(70):
        rng = np.random.default_rng([levels, seed])
        tables = random_tables(rng, levels, n, int(rng.integers(2, n)))
        demands = some_demands(rng, n)
        best = best_by_trying_all(tables, demands)
        found = shortest_with_demands(*tables, innermost(demands))
        assert (found[2] if found else math.inf) == pytest.approx(best, abs=1e-9), f"table {seed}"
        if found is None:
            found_none += 1
            continue
        runs, cuts, total = found
        places = [i for _, i, _ in runs] + [n - 1]
        assert all(j == i + 1 + r for (_, i, r), j in zip(runs, places[1:], strict=True))
        made = [j for j, cut in zip(places[1:-1], cuts, strict=True) if cut]
        assert all(any(a <= j <= b for j in made) for a, b in demands)
        again = sum(tables[0][run] for run in runs)
        for (k0, _, r), (k1, j, t), cut in zip(runs, runs[1:], cuts, strict=False):
            again += tables[2 if cut else 1][j, k0, r, k1, t]
        assert again == pytest.approx(total, abs=1e-9)
    assert found_none < 35


def test_without_demands_it_is_the_plain_search() -> None:
    for seed in range(20):
        rng = np.random.default_rng(seed)
        runs, leaving, cutting = random_tables(rng, 1, 12, 5)
        plain = shortest_chain(runs[0], np.minimum(leaving, cutting)[:, 0, :, 0, :])
        found = shortest_with_demands(runs, leaving, cutting, [])
        assert (plain is None) == (found is None)
        if plain is not None and found is not None:
            assert found[2] == pytest.approx(plain.cost, abs=1e-9)


def test_ranges_that_hold_another_are_met_with_it() -> None:
    assert innermost([(2, 9), (4, 5), (4, 5), (1, 4), (5, 12)]) == [(1, 4), (4, 5), (5, 12)]
    assert innermost([(3, 6), (1, 4), (2, 5)]) == [(1, 4), (2, 5), (3, 6)]
    assert innermost([]) == []
