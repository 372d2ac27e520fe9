"""The best chains for each number of cuts: least cost, and least worst place.

The same chains of runs as in `shortest`, searched once more with the number of cuts as part
of the state. Both are exact: a sum is carried on from run to run, and so is a worst value.

Shapes: n places, m runs looked ahead from each, up to k cuts.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]
Mask = NDArray[np.bool_]


def least_cost_by_cuts(run_cost: Values, cut_cost: Values, uncut: Mask, most: int) -> Values:
    """Least cost of any chain with exactly 0, 1, ... `most` cuts.

    Parameters
    ----------
    run_cost : ndarray, shape (n, m)
        As in `shortest_chain`; inf where not allowed.
    cut_cost : ndarray, shape (n, m, m)
        As in `shortest_chain`.
    uncut : ndarray of bool, shape (n, m, m)
        Meetings where nothing is cut; they do not count.
    most : int

    Returns
    -------
    ndarray, shape (most + 1,)
        inf where no chain has so many cuts.

    Examples
    --------
    Three places: one run costs 5, two runs with a cut between them 1 + 1 + 1:

    >>> runs = np.array([[1.0, 5.0], [1.0, np.inf], [np.inf, np.inf]])
    >>> cuts = np.full((3, 2, 2), 1.0)
    >>> least_cost_by_cuts(runs, cuts, np.zeros((3, 2, 2), bool), 2)
    array([ 5.,  3., inf])
    """
    return _by_cuts(run_cost, cut_cost, uncut, most, worst=False)


def least_worst_by_cuts(run_worst: Values, cut_worst: Values, uncut: Mask, most: int) -> Values:
    """Least that the worst run or meeting of a chain with exactly 0 ... `most` cuts can be.

    Parameters and return value as in `least_cost_by_cuts`, but a chain counts as its worst
    value, not as its sum; inf forbids.
    """
    return _by_cuts(run_worst, cut_worst, uncut, most, worst=True)


def at_most(exactly: Values) -> Values:
    """From "with exactly so many cuts" to "with at most so many"."""
    return np.asarray(np.minimum.accumulate(exactly))


def _by_cuts(run: Values, cut: Values, uncut: Mask, most: int, *, worst: bool) -> Values:
    join = np.maximum if worst else np.add
    n, m = run.shape
    best = np.full((n, m, most + 1), np.inf)
    best[0, :, 0] = run[0]
    for j in range(1, n - 1):
        reach = min(j, m)
        r = np.arange(reach)
        before = best[j - 1 - r, r]
        rows = np.isfinite(before).any(axis=1)
        ahead = np.isfinite(run[j])
        if not rows.any() or not ahead.any():
            continue
        low = int(np.isfinite(before).any(axis=0).argmax())
        before = before[rows][:, None, low:]
        meeting, eased = cut[j, :reach][rows][:, ahead], uncut[j, :reach][rows][:, ahead]
        here = np.full((int(ahead.sum()), most + 1 - low), np.inf)
        real = np.where(eased, np.inf, meeting)
        if np.isfinite(real).any():
            here[:, 1:] = join(before[..., :-1], real[:, :, None]).min(axis=0)
        if eased.any():
            held = np.where(eased, meeting, np.inf)
            here = np.minimum(here, join(before, held[:, :, None]).min(axis=0))
        best[j, ahead, low:] = join(here, run[j, ahead][:, None])
    r = np.arange(min(n - 1, m))
    return np.asarray(best[n - 2 - r, r].min(axis=0))
