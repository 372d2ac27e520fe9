"""The chain of runs is the best one: by trying all, and by a mixed-integer programme."""

from __future__ import annotations

from itertools import combinations, pairwise

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from lacelay.planning.shortest import shortest_chain


def random_tables(
    rng: np.random.Generator, n: int, m: int, forbidden: float
) -> tuple[np.ndarray, np.ndarray]:
    """Costs of runs and cuts; a share of each forbidden, runs that leave the places always."""
    runs = rng.gamma(2.0, 4.0, (n, m))
    cuts = rng.gamma(1.0, 6.0, (n, m, m))
    runs[rng.random(runs.shape) < forbidden] = np.inf
    cuts[rng.random(cuts.shape) < forbidden] = np.inf
    runs[np.arange(n)[:, None] + 1 + np.arange(m) > n - 1] = np.inf
    return runs, cuts


def chain_cost(runs: np.ndarray, cuts: np.ndarray, places: tuple[int, ...]) -> float:
    """Cost of a chain straight from the definition; inf where a run is out of reach."""
    m = runs.shape[1]
    if any(j - i > m for i, j in pairwise(places)):
        return np.inf
    cost = sum(runs[i, j - i - 1] for i, j in pairwise(places))
    for i, j, k in zip(places, places[1:], places[2:], strict=False):
        cost += cuts[j, j - i - 1, k - j - 1]
    return float(cost)


def best_by_trying_all(runs: np.ndarray, cuts: np.ndarray) -> float:
    n = len(runs)
    return min(
        chain_cost(runs, cuts, (0, *chosen, n - 1))
        for k in range(n - 1)
        for chosen in combinations(range(1, n - 1), k)
    )


def best_by_integers(runs: np.ndarray, cuts: np.ndarray) -> float:
    """Flow over runs x(i, j), joined by y(i, j, k) = both runs are used and meet at j.

    Minimise sum of run costs x + sum of cut costs y, such that one run leaves place 0, and
    for each run x: it is met on its right by exactly one y unless it ends at n - 1, and on
    its left by exactly one y unless it starts at 0.
    """
    n, m = runs.shape
    run = [
        (i, i + 1 + r) for i in range(n) for r in range(m) if i + 1 + r < n and runs[i, r] < np.inf
    ]
    number = {pair: index for index, pair in enumerate(run)}
    triples = [
        (i, j, k)
        for i, j in run
        for k in range(j + 1, min(n, j + m + 1))
        if (j, k) in number and cuts[j, j - i - 1, k - j - 1] < np.inf
    ]
    cost = [runs[i, j - i - 1] for i, j in run]
    cost += [cuts[j, j - i - 1, k - j - 1] for i, j, k in triples]
    rows, columns, values, wanted = [], [], [], []
    for (i, _), index in number.items():
        if i == 0:
            rows.append(0), columns.append(index), values.append(1.0)
    wanted.append(1.0)
    for pair, index in number.items():
        for side, done in ((0, pair[1] == n - 1), (1, pair[0] == 0)):
            if done:
                continue
            row = len(wanted)
            wanted.append(0.0)
            rows.append(row), columns.append(index), values.append(-1.0)
            for t, (i, j, k) in enumerate(triples):
                if pair == ((i, j) if side == 0 else (j, k)):
                    rows.append(row), columns.append(len(run) + t), values.append(1.0)
    matrix = coo_array((values, (rows, columns)), shape=(len(wanted), len(cost)))
    found = milp(
        np.array(cost),
        integrality=np.ones(len(cost)),
        bounds=Bounds(0, 1),
        constraints=LinearConstraint(matrix.tocsr(), wanted, wanted),
        options={"mip_rel_gap": 0.0},
    )
    return float(found.fun) if found.status == 0 else np.inf


def test_equals_trying_all_chains() -> None:
    """600 random tables of up to 9 places, some with a short look-ahead or much forbidden."""
    rng = np.random.default_rng(20)
    impossible = 0
    for _ in range(600):
        n = int(rng.integers(2, 10))
        m = int(rng.integers(1, n)) if n > 2 else 1
        runs, cuts = random_tables(rng, n, m, float(rng.choice([0.0, 0.2, 0.6])))
        best = best_by_trying_all(runs, cuts)
        chain = shortest_chain(runs, cuts)
        if np.isinf(best):
            impossible += 1
            assert chain is None
            continue
        assert chain is not None
        assert chain.cost == pytest.approx(best, abs=1e-9)
        assert chain.bound == chain.cost
        assert chain_cost(runs, cuts, chain.places) == pytest.approx(chain.cost, abs=1e-9)
        assert sum(chain.run_costs) + sum(chain.cut_costs) == pytest.approx(chain.cost, abs=1e-9)
        assert len(chain.run_costs) == len(chain.places) - 1 == len(chain.cut_costs) + 1
    assert 30 < impossible < 300


def test_equals_a_mixed_integer_programme() -> None:
    """110 random tables of 12 to 24 places: same optimum from a second formulation."""
    rng = np.random.default_rng(21)
    for _ in range(110):
        n = int(rng.integers(12, 25))
        m = int(rng.integers(4, 9))
        runs, cuts = random_tables(rng, n, m, 0.15)
        chain = shortest_chain(runs, cuts)
        best = best_by_integers(runs, cuts)
        assert (np.inf if chain is None else chain.cost) == pytest.approx(best, abs=1e-6)


def test_a_search_over_single_cuts_would_be_wrong() -> None:
    """The cost of the second cut depends on the first: the cheap first cut is the wrong one.

    ::

        0 ---- 1 ---- 3        cut 1 costs 0, then cut 3 costs 9
        0 -- 2 ------ 3        cut 2 costs 2, then cut 3 costs 1
    """
    runs = np.full((5, 4), np.inf)
    runs[0, 0] = runs[0, 1] = runs[1, 1] = runs[2, 0] = runs[3, 0] = 0.0
    cuts = np.full((5, 4, 4), np.inf)
    cuts[1, 0, 1], cuts[2, 1, 0] = 0.0, 2.0
    cuts[3, 1, 0], cuts[3, 0, 0] = 9.0, 1.0
    chain = shortest_chain(runs, cuts)
    assert chain is not None
    assert chain.places == (0, 2, 3, 4)
    assert chain.cost == 3.0


def test_nothing_allowed_is_none() -> None:
    runs, cuts = np.full((6, 3), np.inf), np.zeros((6, 3, 3))
    assert shortest_chain(runs, cuts) is None
    runs[0, 2] = runs[3, 1] = 1.0  # 0 - 3 - 5
    cuts[3, 2, 1] = np.inf
    assert shortest_chain(runs, cuts) is None
    cuts[3, 2, 1] = 4.0
    chain = shortest_chain(runs, cuts)
    assert chain is not None
    assert (chain.places, chain.cost) == ((0, 3, 5), 6.0)


def test_two_places_are_one_run() -> None:
    chain = shortest_chain(np.array([[7.0], [np.inf]]), np.zeros((2, 1, 1)))
    assert chain is not None
    assert (chain.places, chain.cost, chain.cut_costs) == ((0, 1), 7.0, ())
