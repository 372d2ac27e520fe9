"""The tables of one start, held: searched again for other weights, limits and forbidden cuts.

What runs and meetings are (where they lie, how far they miss, what they lap) does not depend
on weights, nor on any limit but the lace's give. So they are measured once, and every other
question is an addition and a comparison over the same arrays.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from lacelay.model.wishes import Limits, Weights
from lacelay.planning.by_cuts import least_cost_by_cuts, least_worst_by_cuts
from lacelay.planning.meetings import Meetings, meet, meeting_minutes
from lacelay.planning.places import Places, RunTable, all_runs
from lacelay.planning.shortest import Chain, shortest_chain

Values = NDArray[np.float64]
Mask = NDArray[np.bool_]
#: Limits that runs and meetings themselves depend on: with another one they are made anew.
GIVE = ("stretch", "squeeze", "absorbed_strain")
#: What a run is, whatever the other limits.
_OF_RUNS = (
    "a_mm",
    "length_mm",
    "s_mm",
    "bend_per_mm",
    "_along",
    "heading_rad",
    "pivot_mm",
    "edge_miss",
    "edge_error_mm",
    "inner_width_mm",
)


@dataclass(frozen=True, eq=False)
class Tables:
    """Costs of all runs and meetings for some weights and limits.

    Parameters
    ----------
    run_cost : ndarray, shape (n, m)
    cut_cost : ndarray, shape (n, m, m)
    uncut : ndarray of bool, shape (n, m, m)
        Meetings where nothing is cut.
    whole_cost : float
        Cost of one run over the whole edge, which may be longer than is looked ahead.
    """

    run_cost: Values
    cut_cost: Values
    uncut: Mask
    whole_cost: float

    def without(self, places: NDArray[np.int_]) -> Tables:
        """The same with nothing cut at some places; the give may still take up a meeting."""
        cut_cost = self.cut_cost.copy()
        cut_cost[places] = np.where(self.uncut[places], cut_cost[places], np.inf)
        return replace(self, cut_cost=cut_cost)

    def search(self) -> Chain | None:
        """The best chain, as `search_places` finds it."""
        chain = shortest_chain(self.run_cost, self.cut_cost)
        whole = self.whole_cost
        if np.isfinite(whole) and (chain is None or whole < chain.cost):
            last = len(self.run_cost) - 1
            return Chain((0, last), whole, (whole,), (), whole)
        return chain

    def cost_by_cuts(self, most: int) -> Values:
        """Least cost with exactly 0 ... `most` cuts, shape (most + 1,)."""
        least = least_cost_by_cuts(self.run_cost, self.cut_cost, self.uncut, most)
        least[0] = min(least[0], self.whole_cost)
        return least


@dataclass(frozen=True, eq=False)
class Held:
    """Runs and meetings of one start, measured for all limits up to `widest`.

    Parameters
    ----------
    places : Places
    widest : Limits
        No question may be asked with a looser limit than here; its give is the give.
    apart_mm : ndarray, shape (n, m), or None
        How far apart place i and i + 1 + r are; then the least distance of cuts may change,
        too. `Places.least_apart` holds where None.
    """

    places: Places
    widest: Limits
    apart_mm: Values | None = None

    @cached_property
    def _runs(self) -> RunTable:
        first, last = all_runs(self.places)
        return RunTable(self.places, self.widest, first, last)

    @cached_property
    def _whole(self) -> RunTable:
        ends = np.array([0]), np.array([self.places.count - 1])
        return RunTable(self.places, self.widest, *ends)

    @cached_property
    def _inside(self) -> Mask:
        n, m = self.places.count, self.places.ahead
        return np.arange(n)[:, None] + 1 + np.arange(m)[None, :] <= n - 1

    @cached_property
    def _at(self) -> tuple[NDArray[np.int_], ...]:
        """Meetings (j, r, t) of two runs that the widest limits allow."""
        allowed = np.isfinite(self._run_cost(Weights(), self.widest))
        n, m = allowed.shape
        j, r = np.meshgrid(np.arange(n), np.arange(m), indexing="ij")
        comes = np.zeros((n, m), dtype=bool)
        inside = j - 1 - r >= 0
        comes[inside] = allowed[(j - 1 - r)[inside], r[inside]]
        both = comes[:, :, None] & allowed[:, None, :]
        both[[0, n - 1]] = False
        return np.nonzero(both)

    @cached_property
    def meetings(self) -> Meetings:
        """All meetings of runs, in the order of `_at`."""
        j, r, t = self._at
        m = self.places.ahead
        return meet(self._runs, (j - 1 - r) * m + r, j * m + t, self.widest)

    @cached_property
    def edge_error_mm(self) -> Values:
        """Furthest miss of each run, shape (n, m); inf beyond the end."""
        n, m = self.places.count, self.places.ahead
        error = self._runs.edge_error_mm.reshape(n, m)
        return np.where(self._inside, error, np.inf)

    @cached_property
    def _number(self) -> NDArray[np.int_]:
        """Number of each meeting, shape (n, m, m); -1 where two runs do not meet."""
        n, m = self.places.count, self.places.ahead
        number = np.full((n, m, m), -1)
        number[self._at] = np.arange(len(self._at[0]))
        return number

    def inner_mm(self, i: int, j: int, k: int) -> float:
        """Lap (positive) or opening at the inner side where runs (i, j) and (j, k) meet."""
        return float(self.meetings.inner_mm[self._number[j, j - i - 1, k - j - 1]])

    def miss_mm(self, i: int, j: int) -> float:
        """Furthest miss of the run (i, j)."""
        if (i, j) == (0, self.places.count - 1):
            return float(self._whole.edge_error_mm[0])
        return float(self.edge_error_mm[i, j - i - 1])

    def largest(self, name: str) -> float:
        """The largest value of what a limit limits, among all runs and meetings held."""
        meetings = self.meetings
        of_meetings = {
            "lap_mm": (meetings.inner_mm, meetings.outer_mm),
            "opening_mm": (-meetings.inner_mm, -meetings.outer_mm),
            "edge_opening_mm": (-meetings.outer_mm,),
            "slip_mm": (meetings.slip_mm,),
        }
        of_runs = {
            "edge_limit_mm": "edge_error_mm",
            "free_limit_mm": "edge_error_mm",
            "run_mm": "length_mm",
        }
        if name in of_meetings:
            values = of_meetings[name]
        elif name in of_runs:
            values = tuple(getattr(each, of_runs[name]) for each in (self._runs, self._whole))
        else:
            raise ValueError(f"{name} is not an upper limit")
        return float(max((each.max() for each in values if len(each)), default=0.0))

    def _run_cost(self, weights: Weights, limits: Limits) -> Values:
        n, m = self.places.count, self.places.ahead
        cost = _under(self._runs, limits).minutes(weights).reshape(n, m)
        cost = np.where(self._inside, cost, np.inf)
        far: Mask | None = self.places.least_apart
        if self.apart_mm is not None:
            far = self.apart_mm >= limits.cut_distance_mm
        return cost if far is None else np.where(far, cost, np.inf)

    def tables(self, weights: Weights, limits: Limits) -> Tables:
        """Costs for some weights and limits.

        Raises
        ------
        ValueError
            When the give is not the one held.
        """
        for name in GIVE:
            if getattr(limits, name) != getattr(self.widest, name):
                raise ValueError(f"the tables are held for another {name}")
        places = self.places
        n, m = places.count, places.ahead
        j, r, t = self._at
        cut_cost, uncut = np.full((n, m, m), np.inf), np.zeros((n, m, m), dtype=bool)
        if len(j):
            uncut[j, r, t] = self.meetings.uncut
            cut_cost[j, r, t] = meeting_minutes(
                self.meetings,
                places.minutes[j],
                free=places.free,
                through=places.through,
                weights=weights,
                limits=limits,
            )
        whole = float(_under(self._whole, limits).minutes(weights)[0])
        return Tables(self._run_cost(weights, limits), cut_cost, uncut, whole)

    def worst_by_cuts(self, tables: Tables, most: int) -> Values:
        """Least worst place with exactly 0 ... `most` cuts, shape (most + 1,).

        Distance from a hard edge (mm), or the turn of a meeting at a free one (radians).
        """
        allowed = np.isfinite(tables.cut_cost)
        whole = float(self._whole.edge_error_mm[0])
        if self.places.free:
            j, r, t = self._at
            turns = np.full(tables.cut_cost.shape, np.inf)
            if len(j):
                turns[j, r, t] = np.abs(self.meetings.turn_rad)
            runs, cuts, whole = np.zeros_like(tables.run_cost), turns, 0.0
        else:
            runs, cuts = self.edge_error_mm, np.zeros_like(tables.cut_cost)
        runs = np.where(np.isfinite(tables.run_cost), runs, np.inf)
        least = least_worst_by_cuts(runs, np.where(allowed, cuts, np.inf), tables.uncut, most)
        if np.isfinite(tables.whole_cost):
            least[0] = min(least[0], whole)
        return least


def loosest(limits: Limits, names: tuple[str, ...], least: tuple[str, ...]) -> Limits:
    """Limits with `names` as good as gone; those in `least` are lower limits."""
    return replace(limits, **{name: 0.0 if name in least else 1e6 for name in names})


def cuts_of(chain: Chain, tables: Tables) -> int:
    """How many meetings of a chain are cut."""
    triples = zip(chain.places, chain.places[1:], chain.places[2:], strict=False)
    return sum(not tables.uncut[j, j - i - 1, k - j - 1] for i, j, k in triples)


def _under(table: RunTable, limits: Limits) -> RunTable:
    """The same runs held to other limits, what they are kept."""
    other = RunTable(**{f.name: getattr(table, f.name) for f in fields(table)} | {"limits": limits})
    other.__dict__.update({k: v for k, v in table.__dict__.items() if k in _OF_RUNS})
    return other
