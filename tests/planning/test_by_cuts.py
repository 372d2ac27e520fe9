"""The best chains for each number of cuts, against trying all."""

from __future__ import annotations

from itertools import combinations, pairwise

import numpy as np
import pytest

from lacelay.planning.by_cuts import at_most, least_cost_by_cuts, least_worst_by_cuts
from lacelay.planning.shortest import shortest_chain


def tables(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Runs, cuts and which of them are not cut; some forbidden, some out of reach."""
    n = int(rng.integers(2, 9))
    m = int(rng.integers(1, n)) if n > 2 else 1
    forbidden = float(rng.choice([0.0, 0.2, 0.5]))
    runs, cuts = rng.gamma(2.0, 4.0, (n, m)), rng.gamma(1.0, 6.0, (n, m, m))
    runs[rng.random(runs.shape) < forbidden] = np.inf
    cuts[rng.random(cuts.shape) < forbidden] = np.inf
    runs[np.arange(n)[:, None] + 1 + np.arange(m) > n - 1] = np.inf
    return runs, cuts, rng.random(cuts.shape) < 0.3


def all_chains(runs: np.ndarray, cuts: np.ndarray, uncut: np.ndarray):  # type: ignore[no-untyped-def]
    """(cuts that are cut, all values) of every chain within reach."""
    n, m = runs.shape
    for size in range(n - 1):
        for chosen in combinations(range(1, n - 1), size):
            chain = (0, *chosen, n - 1)
            if any(j - i > m for i, j in pairwise(chain)):
                continue
            values = [runs[i, j - i - 1] for i, j in pairwise(chain)]
            real = 0
            for i, j, k in zip(chain, chain[1:], chain[2:], strict=False):
                values.append(cuts[j, j - i - 1, k - j - 1])
                real += not uncut[j, j - i - 1, k - j - 1]
            yield real, values


@pytest.mark.parametrize("batch", range(5))
def test_equals_trying_all_chains(batch: int) -> None:
    """100 random tables a batch: least sum and least worst for exactly each number of cuts."""
    rng = np.random.default_rng(700 + batch)
    for _ in range(100):
        runs, cuts, uncut = tables(rng)
        most = int(rng.integers(0, len(runs) + 1))
        cost, worst = np.full(most + 1, np.inf), np.full(most + 1, np.inf)
        for real, values in all_chains(runs, cuts, uncut):
            if real <= most:
                cost[real] = min(cost[real], sum(values))
                worst[real] = min(worst[real], max(values))
        assert least_cost_by_cuts(runs, cuts, uncut, most) == pytest.approx(cost, abs=1e-9)
        assert least_worst_by_cuts(runs, cuts, uncut, most) == pytest.approx(worst, abs=1e-12)


def test_the_least_of_all_numbers_is_the_shortest_chain() -> None:
    rng = np.random.default_rng(710)
    for _ in range(60):
        runs, cuts, uncut = tables(rng)
        chain = shortest_chain(runs, cuts)
        least = least_cost_by_cuts(runs, cuts, uncut, len(runs)).min()
        assert least == pytest.approx(np.inf if chain is None else chain.cost, abs=1e-9)


def test_more_cuts_allowed_is_never_worse() -> None:
    assert at_most(np.array([np.inf, 5.0, 7.0, 4.0])).tolist() == [np.inf, 5.0, 5.0, 4.0]
