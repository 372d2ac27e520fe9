"""Least-cost seams: the published example, and trying all on small arrays."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from lacelay.planning.seams import periodic_seam, seams, trace


def seam_cost(
    cost: np.ndarray, columns: tuple[int, ...], reach: np.ndarray, toll: np.ndarray
) -> float:
    """Cost of one seam straight from the definition; inf where it moves too far."""
    total = float(cost[0, columns[0]])
    for row in range(1, len(columns)):
        step = abs(columns[row] - columns[row - 1])
        if step > reach[row]:
            return np.inf
        total += float(cost[row, columns[row]]) + float(toll[row]) * step
    return total


def test_published_example() -> None:
    """Efros and Freeman 2001, worked at cs.auckland.ac.nz/~georgy: 3, columns 0, 1, 0."""
    total, moves = seams(np.array([[1.0, 9, 9], [9, 1, 9], [1, 9, 9]]))
    assert total.min() == 3.0
    assert trace(moves, int(total.argmin())).tolist() == [0, 1, 0]


@pytest.mark.parametrize("seed", range(12))
def test_equals_trying_all_seams(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rows, columns = int(rng.integers(2, 6)), int(rng.integers(1, 6))
    cost = rng.gamma(2.0, 1.0, (3, rows, columns))
    reach = rng.integers(0, 4, rows)
    toll = rng.uniform(0, 1.5, rows)
    total, moves = seams(cost, reach, toll)
    every = list(product(range(columns), repeat=rows))
    for batch in range(3):
        for last in range(columns):
            best = min(
                seam_cost(cost[batch], seam, reach, toll) for seam in every if seam[-1] == last
            )
            assert total[batch, last] == pytest.approx(best)
            found = tuple(trace(moves[batch], last).tolist())
            assert found[-1] == last
            assert seam_cost(cost[batch], found, reach, toll) == pytest.approx(best)


@pytest.mark.parametrize("seed", range(12))
def test_closed_seam_equals_trying_all(seed: int) -> None:
    """The move from the last row back to the first is held and paid like any other."""
    rng = np.random.default_rng(100 + seed)
    rows, columns = int(rng.integers(3, 6)), int(rng.integers(2, 6))
    cost = rng.gamma(2.0, 1.0, (rows, columns))
    reach, toll = int(rng.integers(0, 3)), float(rng.uniform(0, 1))
    reaches, tolls = np.full(rows, reach), np.full(rows, toll)

    def closed(seam: tuple[int, ...]) -> float:
        back = abs(seam[-1] - seam[0])
        return seam_cost(cost, seam, reaches, tolls) + (toll * back if back <= reach else np.inf)

    best = min(closed(seam) for seam in product(range(columns), repeat=rows))
    total, found = periodic_seam(cost, reach, toll)
    assert total == pytest.approx(best)
    assert closed(tuple(found.tolist())) == pytest.approx(best)


def test_a_closed_seam_costs_no_less_than_an_open_one() -> None:
    """Where the open one would end far from where it began."""
    cost = np.ones((4, 9))
    cost[range(4), [0, 2, 4, 6]] = 0.0
    total, moves = seams(cost, 2)
    assert total.min() == 0.0
    assert trace(moves, int(total.argmin())).tolist() == [0, 2, 4, 6]
    closed, columns = periodic_seam(cost, 2)
    assert closed == 1.0
    assert abs(int(columns[-1]) - int(columns[0])) <= 2


def test_even_ground_is_crossed_straight_where_steps_are_paid() -> None:
    _, moves = seams(np.ones((6, 5)), 2, 0.1)
    assert not moves.any()


def test_a_seam_is_no_dearer_than_any_straight_cut() -> None:
    """Boundary cuts: least of all never dearer than straight; nothing to mind costs nothing."""
    cost = np.random.default_rng(7).random((40, 12))
    total, _ = seams(cost)
    assert total.min() <= cost.sum(axis=0).min()
    assert seams(np.zeros((5, 5)))[0].max() == 0.0
