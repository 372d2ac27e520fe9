"""Exact shortest chain of runs, where what a cut costs depends on the runs on both sides.

Nodes are places 0 .. n - 1 along the border; 0 is the start and n - 1 the end. A run goes
from one place to a later one; at every place between, a cut (or an uncut meeting) joins
two runs and costs what depends on all three places. A shortest path over runs is exact
for that cost; one over single places is not.

Shapes: n places, m runs looked ahead from each: run (i, r) goes from i to i + 1 + r.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]


@dataclass(frozen=True)
class Chain:
    """The best chain: its places from 0 to n - 1, its cost, and the cost of each cut.

    `bound` is a lower bound on every chain over the same places; the search is exact, so
    it equals `cost`. `forced` names places that are cut although the give of the lace would
    take up what turns there. `levels` tells each run's depth level; all 0 where it is empty.
    """

    places: tuple[int, ...]
    cost: float
    run_costs: tuple[float, ...]
    cut_costs: tuple[float, ...]
    bound: float
    forced: tuple[int, ...] = ()
    levels: tuple[int, ...] = ()


def shortest_chain(run_cost: Values, cut_cost: Values) -> Chain | None:
    """Find the chain of runs of least cost.

    Parameters
    ----------
    run_cost : ndarray, shape (n, m)
        Cost of run (i, r); inf where it is not allowed or leaves the places.
    cut_cost : ndarray, shape (n, m, m)
        Cost at place j of meeting run (j - 1 - r, r) with run (j, t), at [j, r, t].

    Returns
    -------
    Chain or None
        None when no chain is allowed.

    Examples
    --------
    Three places, cutting in the middle costs 1, not cutting 5:

    >>> import numpy as np
    >>> runs = np.array([[1.0, 5.0], [1.0, np.inf], [np.inf, np.inf]])
    >>> cuts = np.full((3, 2, 2), 1.0)
    >>> shortest_chain(runs, cuts).places, shortest_chain(runs, cuts).cost
    ((0, 1, 2), 3.0)
    """
    return shortest_levels(run_cost[None], cut_cost[:, None, :, None, :])


def shortest_levels(run_cost: Values, cut_cost: Values) -> Chain | None:
    """Find the chain of least cost where each run is taken at one of some levels.

    Parameters
    ----------
    run_cost : ndarray, shape (levels, n, m)
        Cost of run (i, r) at each level.
    cut_cost : ndarray, shape (n, levels, m, levels, m)
        Cost at place j of meeting run (j - 1 - r, r) at level k with run (j, t) at level l,
        at [j, k, r, l, t].

    Returns
    -------
    Chain or None
        None when no chain is allowed.
    """
    count, n, m = run_cost.shape
    best = np.full((count, n, m), np.inf)
    came = np.full((count, n, m), -1, dtype=np.int64)
    best[:, 0] = run_cost[:, 0]
    for j in range(1, n - 1):
        reach = min(j, m)
        r = np.arange(reach)
        before = best[:, j - 1 - r, r].ravel()
        live = np.flatnonzero(np.isfinite(before))
        if not len(live):
            continue
        meeting = cut_cost[j, :, :reach].reshape(count * reach, count * m)[live]
        through = before[live, None] + meeting
        pick = through.argmin(axis=0)
        least = through[pick, np.arange(count * m)].reshape(count, m)
        best[:, j] = run_cost[:, j] + least
        level, back = np.divmod(live[pick], reach)
        came[:, j] = (level * m + back).reshape(count, m)
    r = np.arange(min(n - 1, m))
    last = best[:, n - 2 - r, r]
    if not np.isfinite(last).any():
        return None
    k, t = (int(at) for at in np.unravel_index(int(last.argmin()), last.shape))
    cost = float(last[k, t])
    j = n - 2 - t
    runs = [(j, t, k)]
    while j > 0:
        k, t = divmod(int(came[k, j, t]), m)
        j = j - 1 - t
        runs.append((j, t, k))
    runs.reverse()
    places = tuple(j for j, _, _ in runs) + (n - 1,)
    return Chain(
        places,
        cost,
        tuple(float(run_cost[k, j, t]) for j, t, k in runs),
        tuple(float(cut_cost[j1, k0, t0, k1, t1]) for (_, t0, k0), (j1, t1, k1) in pairwise(runs)),
        cost,
        levels=tuple(k for _, _, k in runs),
    )
