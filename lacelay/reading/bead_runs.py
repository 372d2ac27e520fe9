"""Thread beads into the runs they were sewn on in.

Beads of one thread lie at one spacing along a path that bends slowly: of all pairs of
neighbours of a bead, the pair that it lies straightest and most evenly between says which
way its thread goes. Links are taken from the most to the least regular, two to a bead, and
those that the copies of the repeat have too come first. A ring of beads is opened at its
least regular link: the thread has two ends.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lacelay.model.lace import Bead, Repeat
from lacelay.reading.bead_near import nearest

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

#: Neighbours lie within this many bead diameters, middle to middle, mm at the most.
REACH, MOST_REACH_MM = 2.6, 6.0
#: Neighbours of a bead that are tried.
NEIGHBOURS = 7
#: Beads of one run are no further apart in size than this factor.
ALIKE = 1.4
#: Turn of a thread at a bead beyond which it is no thread, radians.
MOST_TURN_RAD = 1.25
LEAST_COSINE = math.cos(MOST_TURN_RAD)
#: Ratio of two spacings on a run, at the most.
MOST_UNEVEN = 1.6
#: Cost of a link beyond which none is made, and of one that no third bead speaks for.
MOST_COST, ALONE = 1.15, 1.1
#: Copies of a bead lie within this of where the repeat puts them, mm.
COPY_MM = 0.9
#: What it costs a link that no copy has it.
UNHEARD = 0.6


def threaded(beads: Sequence[Bead], repeat: Repeat | None = None) -> tuple[Bead, ...]:
    """Write into beads the run each belongs to.

    Parameters
    ----------
    beads : sequence of Bead
    repeat : Repeat or None
        Where known, copies of a link support each other.

    Returns
    -------
    tuple of Bead
        In the same order, `run` and `along` set; -1 for beads sewn on by themselves.

    Examples
    --------
    >>> line = [Bead(2.0 * k, 5.0, 1.6) for k in (2, 0, 1, 3)] + [Bead(40.0, 5.0, 1.6)]
    >>> [(bead.run, bead.along) for bead in threaded(line)]
    [(0, 2), (0, 0), (0, 1), (0, 3), (-1, 0)]
    """
    at = np.array([(bead.u_mm, bead.v_mm) for bead in beads]).reshape(-1, 2)
    size = np.array([bead.diameter_mm for bead in beads])
    place = [(-1, 0)] * len(beads)
    for number, run in enumerate(runs_of(at, size, repeat)):
        for along, k in enumerate(run):
            place[k] = (number, along)
    return tuple(
        replace(bead, run=run, along=along) for bead, (run, along) in zip(beads, place, strict=True)
    )


def runs_of(at_mm: Floats, size_mm: Floats, repeat: Repeat | None = None) -> list[list[int]]:
    """Runs of two beads and more, each from its left end on, in order of that end.

    Parameters
    ----------
    at_mm : ndarray, shape (n, 2)
        Places (u, v).
    size_mm : ndarray, shape (n,)
        Diameters.
    repeat : Repeat or None
    """
    pairs, cost = _links(at_mm, size_mm)
    if not len(pairs):
        return []
    chosen = _chosen(at_mm, pairs, cost)
    if repeat is not None and repeat.sure >= 0.5:
        cost = cost + UNHEARD * (1 - _heard(at_mm, pairs, chosen, repeat.length_mm.value))
        chosen = _chosen(at_mm, pairs, cost)
    runs = _walked(len(at_mm), pairs[chosen], cost[chosen])
    for run in runs:
        if tuple(at_mm[run[0]]) > tuple(at_mm[run[-1]]):
            run.reverse()
    return sorted(runs, key=lambda run: tuple(at_mm[run[0]]))


def _links(at: Floats, size: Floats) -> tuple[Whole, Floats]:
    """Pairs of neighbours that may follow each other, and how irregular each would be."""
    none = np.empty((0, 2), np.int64), np.empty(0)
    if len(at) < 2:
        return none
    reach = min(REACH * float(np.median(size)), MOST_REACH_MM)
    found_away, found_near = nearest(at, at, NEIGHBOURS + 1, reach)
    away, near = found_away[:, 1:], found_near[:, 1:]
    other = np.where(np.isfinite(away), near, 0)
    # A bead that holds a sequin is sewn on with it, by itself.
    larger: NDArray[np.bool_] = (
        np.isfinite(away) & (away < 0.3 * size[other]) & (size[other] > ALIKE * size[:, None])
    )
    holds = np.asarray(larger.any(axis=1))
    factor = size[other] / size[:, None]
    fits = np.asarray(np.isfinite(away) & (factor < ALIKE) & (factor > 1 / ALIKE))
    fits &= ~holds[:, None] & ~holds[other]
    # Each bead between each two of its neighbours: how straight, how even, how near.
    step = at[other] - at[:, None]
    unit = step / np.maximum(away, 1e-9)[..., None]
    unit[~fits] = 0
    cosine = -np.einsum("iak,ibk->iab", unit, unit)
    first, second = away[:, :, None], away[:, None, :]
    with np.errstate(invalid="ignore", divide="ignore"):
        uneven = np.abs(np.log(first / second))
        turn = np.arccos(np.clip(cosine, -1, 1))
        spare = (first + second) / 2 / reach
        triple = 0.6 * (turn / MOST_TURN_RAD) ** 2 + 1.2 * uneven + 0.35 * spare
        both = fits[:, :, None] & fits[:, None, :] & (turn < MOST_TURN_RAD)
        triple = np.where(both & (uneven < np.log(MOST_UNEVEN)), triple, np.inf)
    best = triple.min(axis=2)
    index = np.repeat(np.arange(len(at)), other.shape[1]).reshape(other.shape)
    one, two, each = index[fits], other[fits], best[fits]
    low, high = np.minimum(one, two), np.maximum(one, two)
    # What both ends say of a link counts: one end of a run has nothing to say.
    whole, inverse = np.unique(np.column_stack([low, high]), axis=0, return_inverse=True)
    inverse = inverse.ravel()
    said = np.full((len(whole), 2), ALONE)
    for side, mask in enumerate((one == low, one != low)):
        said[inverse[mask], side] = np.minimum(each[mask], ALONE)
    cost = 0.7 * said.min(axis=1) + 0.3 * said.max(axis=1)
    return whole.astype(np.int64), cost


def _chosen(at: Floats, pairs: Whole, cost: Floats) -> Whole:
    """Numbers of the links taken, most regular first, two to a bead and none across another."""
    x, y = at.T.tolist()
    links: list[list[int]] = [[] for _ in x]
    taken: list[int] = []
    order = np.argsort(cost, kind="stable")
    order = order[cost[order] <= MOST_COST]
    for k, (i, j) in zip(order.tolist(), pairs[order].tolist(), strict=True):
        if len(links[i]) > 1 or len(links[j]) > 1:
            continue
        if links[i] and not _goes_on(x, y, links[i][0], i, j):
            continue
        if links[j] and not _goes_on(x, y, links[j][0], j, i):
            continue
        links[i].append(j)
        links[j].append(i)
        taken.append(k)
    return np.array(taken, np.int64)


def _goes_on(x: list[float], y: list[float], old: int, here: int, new: int) -> bool:
    """Whether a thread from one bead through another may go on to a third."""
    ax, ay = x[here] - x[old], y[here] - y[old]
    bx, by = x[new] - x[here], y[new] - y[here]
    a, b = math.hypot(ax, ay), math.hypot(bx, by)
    straight = ax * bx + ay * by > LEAST_COSINE * max(a * b, 1e-9)
    return straight and max(a, b) < MOST_UNEVEN * min(a, b)


def _heard(at: Floats, pairs: Whole, chosen: Whole, repeat_mm: float) -> Floats:
    """Share of the copies of each link that are links as well; a half where none are seen."""
    linked = np.zeros(len(pairs), bool)
    linked[chosen] = True
    key = pairs[:, 0] * len(at) + pairs[:, 1]  # sorted: pairs are unique and in order
    yes, asked = np.zeros(len(pairs)), np.zeros(len(pairs))
    for k in (-3, -2, -1, 1, 2, 3):
        near = nearest(at, at + [k * repeat_mm, 0.0], 1, COPY_MM)[1][:, 0]
        one, two = near[pairs[:, 0]], near[pairs[:, 1]]
        there = (one < len(at)) & (two < len(at)) & (one != two)
        wanted = np.minimum(one, two) * len(at) + np.maximum(one, two)
        place = np.clip(np.searchsorted(key, wanted), 0, len(key) - 1)
        asked += there
        yes += there & (key[place] == wanted) & linked[place]
    return np.asarray((yes + 0.5) / (asked + 1), np.float64)


def _walked(count: int, links: Whole, cost: Floats) -> list[list[int]]:
    """Beads of each run in the order of its thread; rings opened at the least regular link."""
    beside: list[dict[int, float]] = [{} for _ in range(count)]
    for (i, j), each in zip(links.tolist(), cost.tolist(), strict=True):
        beside[i][j] = beside[j][i] = each
    left = {k for k in range(count) if beside[k]}
    runs = []
    ends = [k for k in sorted(left) if len(beside[k]) == 1]
    for start in ends:
        if start in left:
            runs.append(_walk(start, beside, left))
    while left:
        run = _walk(min(left), beside, left)
        steps = [beside[a][b] for a, b in zip(run, run[1:] + run[:1], strict=True)]
        cut = int(np.argmax(steps)) + 1
        runs.append(run[cut:] + run[:cut])
    return runs


def _walk(start: int, beside: list[dict[int, float]], left: set[int]) -> list[int]:
    run = [start]
    left.discard(start)
    while True:
        following = sorted(k for k in beside[run[-1]] if k in left)
        if not following:
            return run
        run.append(following[0])
        left.discard(following[0])
