"""Exact shortest chain of runs where some ranges of places must each hold a cut.

As in `shortest`, but whether a meeting is cut is part of the search: where give takes up what
turns there, it may be left or cut, each at its own cost. Runs may be taken at one of some
levels (depths of the border).

A demand is met by any cut in its range. Ranges that hold another range whole are met with it;
the others are in order by both their ends, so a chain meets the first few of them at every
point, and their number is all that has to be remembered besides its last run.

Shapes: L levels, n places, m runs looked ahead from each; run (i, r) goes to i + 1 + r.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]
Range = tuple[int, int]


def innermost(demands: Sequence[Range]) -> list[Range]:
    """Ranges that hold no other one whole, in order; the others are met with them."""
    own = sorted(set(demands))
    return [
        (low, high)
        for low, high in own
        if not any((a, b) != (low, high) and low <= a and b <= high for a, b in own)
    ]


def shortest_with_demands(
    run_cost: Values, leaving: Values, cutting: Values, demands: Sequence[Range]
) -> tuple[list[tuple[int, int, int]], list[bool], float] | None:
    """Find the chain of least cost that meets every demand.

    Parameters
    ----------
    run_cost : ndarray, shape (L, n, m)
        Inf where a run is not allowed or leaves the places.
    leaving, cutting : ndarray, shape (n, L, m, L, m)
        Cost at place j of meeting run (j - 1 - r, r) at level k with run (j, t) at level l,
        at [j, k, r, l, t], where nothing is cut and where it is; inf where not allowed.
    demands : sequence of (first, last)
        As `innermost` returns them.

    Returns
    -------
    runs, cuts, total
        Runs (level, i, r) in order, whether each meeting between them is cut, and the cost;
        None when no chain is allowed.

    Examples
    --------
    Three places; not cutting the middle is free, cutting costs 1, and a cut is demanded:

    >>> import numpy as np
    >>> runs = np.array([[[0.0, 0.0], [0.0, np.inf], [np.inf, np.inf]]])
    >>> free, cut = np.zeros((3, 1, 2, 1, 2)), np.ones((3, 1, 2, 1, 2))
    >>> shortest_with_demands(runs, free, cut, [(1, 1)])
    ([(0, 0, 0), (0, 1, 0)], [True], 1.0)
    """
    count, n, m = run_cost.shape
    lows, highs = (np.array([each[k] for each in demands], dtype=int) for k in (0, 1))
    layers = len(demands) + 1
    best = np.full((n, count * m, layers), np.inf)
    came = np.full((n, count * m, layers, 3), -1, dtype=np.int32)  # run, its layer, whether cut
    own = np.moveaxis(run_cost, 0, 1).reshape(n, count * m)
    best[0, :, 0] = own[0]
    for j in range(1, n - 1):
        reach = min(j, m)
        back = (np.arange(count)[:, None] * m + np.arange(reach)).ravel()
        before = best[j - 1 - back % m, back]  # a copy
        needed = int((highs < j).sum())  # met by now, or never
        offered = int((lows <= j).sum())  # met by a cut here
        before[:, :needed] = np.inf
        live = np.flatnonzero(np.isfinite(before).any(axis=1))
        if not len(live):
            continue
        before, back = before[live], back[live]
        left, cut = (
            cost[j].reshape(count * m, count * m)[back][:, :, None] + before[:, None, :]
            for cost in (leaving, cutting)
        )
        pick = left.argmin(axis=0)
        cost = np.take_along_axis(left, pick[None], axis=0)[0]
        came[j, :, :, 0], came[j, :, :, 1] = back[pick], np.arange(layers)
        came[j, :, :, 2] = 0
        pick = cut.argmin(axis=0)
        cut_cost = np.take_along_axis(cut, pick[None], axis=0)[0]
        for q in range(needed, layers):
            to = max(q, offered)
            better = cut_cost[:, q] < cost[:, to]
            cost[better, to] = cut_cost[better, q]
            came[j, better, to, 0] = back[pick[better, q]]
            came[j, better, to, 1], came[j, better, to, 2] = q, 1
        best[j] = own[j][:, None] + cost
    back = (np.arange(count)[:, None] * m + np.arange(min(n - 1, m))).ravel()
    last = best[n - 2 - back % m, back, layers - 1]
    if not np.isfinite(last).any():
        return None
    run, q = int(back[last.argmin()]), layers - 1
    total, j = float(last.min()), n - 2 - run % m
    runs, cuts = [(run // m, j, run % m)], []
    while j > 0:
        run, q, cut_there = (int(value) for value in came[j, run, q])
        cuts.append(bool(cut_there))
        j = j - 1 - run % m
        runs.append((run // m, j, run % m))
    return runs[::-1], cuts[::-1], total
