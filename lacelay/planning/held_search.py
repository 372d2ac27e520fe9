"""The search over places where her hand is on some of them, with its tables held.

What she asks becomes rules about places and runs; the search among all chains that obey them
is exact. Tables of runs and meetings depend on places and limits only, so that with them held
another weight, lock or demand is searched at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from lacelay.model.wishes import Limits, Weights
from lacelay.planning.meetings import Meetings, meet, meeting_minutes
from lacelay.planning.places import Places, RunTable, all_runs
from lacelay.planning.shortest import Chain
from lacelay.planning.shortest_demands import innermost, shortest_with_demands

Values = NDArray[np.float64]
Flags = NDArray[np.bool_]
Indices = NDArray[np.int_]


@dataclass(frozen=True)
class Rules:
    """What a chain over places must obey; places by number, 0 and n - 1 being the ends.

    Parameters
    ----------
    closed : sequence of int
        Places at which nothing may be cut; runs may still meet there uncut.
    cut : sequence of int
        Places at which a cut stays.
    uncut : sequence of int
        Places at which two runs meet and nothing is cut, which stays so.
    runs : sequence of (first, last)
        Runs that stay.
    demands : sequence of (first, last)
        Ranges of places, both ends included, each of which holds a cut.
    """

    closed: Sequence[int] = ()
    cut: Sequence[int] = ()
    uncut: Sequence[int] = ()
    runs: Sequence[tuple[int, int]] = ()
    demands: Sequence[tuple[int, int]] = ()

    @property
    def stops(self) -> list[int]:
        """Places that no run may pass."""
        ends = [place for run in self.runs for place in run]
        return sorted({*self.cut, *self.uncut, *ends})

    def allows(self, first: Indices, last: Indices) -> Flags:
        """Whether runs pass nothing that stays."""
        allowed = np.ones(np.broadcast(first, last).shape, dtype=bool)
        for place in self.stops:
            allowed &= ~((first < place) & (last > place))
        for i, j in self.runs:
            inside = (first < j) & (last > i)
            allowed &= ~inside | ((first == i) & (last == j))
        return allowed


@dataclass(frozen=True, eq=False)
class HeldTables:
    """Runs and meetings of one problem, laid once. Shapes: n places, m runs ahead."""

    places: Places
    limits: Limits

    @cached_property
    def _grid(self) -> tuple[Indices, Indices, Flags]:
        """First and last place of each run, shape (n, m), and whether it is one."""
        n, m = self.places.count, self.places.ahead
        first, last = (each.reshape(n, m) for each in all_runs(self.places))
        real = np.arange(n)[:, None] + 1 + np.arange(m)[None, :] <= n - 1
        if self.places.least_apart is not None:
            real = real & self.places.least_apart
        return first, last, real

    @cached_property
    def runs(self) -> RunTable:
        """Every run looked at."""
        first, last, _ = self._grid
        return RunTable(self.places, self.limits, first.ravel(), last.ravel())

    @cached_property
    def whole(self) -> RunTable:
        """The run over the whole edge, which is always tried."""
        n = self.places.count
        return RunTable(self.places, self.limits, np.array([0]), np.array([n - 1]))

    @cached_property
    def _met(self) -> tuple[tuple[Indices, Indices, Indices], Meetings]:
        """Where two allowed runs meet, (j, r, t), and what happens there."""
        n, m = self.places.count, self.places.ahead
        *_, real = self._grid
        allowed = real & np.isfinite(self.runs.minutes(Weights()).reshape(n, m))
        j, r = np.meshgrid(np.arange(1, n - 1), np.arange(m), indexing="ij")
        comes = np.zeros((n, m), dtype=bool)
        begun = j - 1 - r >= 0
        comes[j[begun], r[begun]] = allowed[(j - 1 - r)[begun], r[begun]]
        at, back, ahead = np.nonzero(comes[:, :, None] & allowed[:, None, :])
        left, right = (at - 1 - back) * m + back, at * m + ahead
        return (at, back, ahead), meet(self.runs, left, right, self.limits)

    def costs(self, weights: Weights, minutes: Values | None = None) -> tuple[Values, ...]:
        """Run costs (n, m); costs of leaving a meeting uncut and of cutting it (n, m, m).

        Parameters
        ----------
        weights : Weights
        minutes : ndarray, shape (n,), or None
            What each place's path costs by itself, where it is not as in the places.
        """
        places, limits = self.places, self.limits
        n, m = places.count, places.ahead
        *_, real = self._grid
        run_cost = np.where(real, self.runs.minutes(weights).reshape(n, m), np.inf)
        (j, r, t), meetings = self._met
        own = (places.minutes if minutes is None else minutes)[j]
        settings = {"weights": weights, "limits": limits}
        never = np.zeros_like(meetings.uncut)
        cut = meeting_minutes(
            replace(meetings, uncut=never),
            own,
            free=places.free,
            through=places.through,
            **settings,  # type: ignore[arg-type]
        )
        kink = weights.kink_rad2 * meetings.turn_rad**2 if places.free else 0.0
        left = np.where(meetings.uncut, weights.easing + kink, np.inf)
        cutting = np.full((n, m, m), np.inf)
        leaving = np.full((n, m, m), np.inf)
        cutting[j, r, t], leaving[j, r, t] = cut, left
        return run_cost, leaving, cutting

    def search(
        self, weights: Weights, rules: Rules | None = None, minutes: Values | None = None
    ) -> Chain | None:
        """Find the chain of least cost that obeys the rules.

        Returns
        -------
        Chain or None
            `forced` names its places that are cut although give would take them up. None
            where the limits and rules allow no chain.
        """
        rules = rules or Rules()
        n = self.places.count
        first, last, _ = self._grid
        run_cost, leaving, cutting = self.costs(weights, minutes)
        run_cost = np.where(rules.allows(first, last), run_cost, np.inf)
        demands = innermost(rules.demands)
        # Elsewhere nothing is cut that give takes up: as her lace lies, there is no reason to.
        either = np.zeros(n, dtype=bool)
        for low, high in demands:
            either[low : high + 1] = True
        either[list(rules.cut)] = True
        uncuttable = np.zeros(n, dtype=bool)
        uncuttable[[*rules.closed, *rules.uncut]] = True
        cutting = np.where(np.isfinite(leaving) & ~either[:, None, None], np.inf, cutting)
        cutting[uncuttable] = np.inf
        staying = leaving.copy()
        staying[list(rules.cut)] = np.inf
        found = shortest_with_demands(
            run_cost[None],
            staying[:, None, :, None, :],
            cutting[:, None, :, None, :],
            demands,
        )
        chain = None if found is None else _chain(n, run_cost, leaving, cutting, *found)
        ends = np.array([0]), np.array([n - 1])
        if not demands and rules.allows(*ends)[0]:
            uncut = float(self.whole.minutes(weights)[0])
            if np.isfinite(uncut) and (chain is None or uncut < chain.cost):
                return Chain((0, n - 1), uncut, (uncut,), (), uncut)
        return chain


def _chain(
    n: int,
    run_cost: Values,
    leaving: Values,
    cutting: Values,
    runs: list[tuple[int, int, int]],
    cuts: list[bool],
    total: float,
) -> Chain:
    meetings = [(j, t0, t1) for (_, _, t0), (_, j, t1) in pairwise(runs)]
    both = list(zip(meetings, cuts, strict=True))
    return Chain(
        places=(*(j for _, j, _ in runs), n - 1),
        cost=total,
        run_costs=tuple(float(run_cost[j, t]) for _, j, t in runs),
        cut_costs=tuple(float((cutting if cut else leaving)[at]) for at, cut in both),
        bound=total,
        forced=tuple(at[0] for at, cut in both if cut and np.isfinite(leaving[at])),
    )
