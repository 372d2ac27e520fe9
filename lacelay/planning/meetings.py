"""What happens where two runs meet: laps, openings, slip, kink, and what they cost.

Signed areas. Where the two sides of a cut are images P and Q of the same path under two
proper motions, the area between them depends on the ends of the path only (the area under
the path itself cancels): it is that of the four-cornered figure of the ends, taken with
its sign. So laps and openings are exact for any path, straight or not, in closed form.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from lacelay.model.wishes import Limits, Weights
from lacelay.planning.places import Places, RunLines, RunTable, all_runs
from lacelay.planning.shortest import Chain, shortest_levels

Values = NDArray[np.float64]
Points = NDArray[np.float64]
#: Slip that an uncut meeting may have: more could not be eased over a few millimetres.
UNCUT_SLIP_MM = 0.5


@dataclass(frozen=True, eq=False)
class Meetings:
    """Meetings of runs at places; arrays over meetings.

    Parameters
    ----------
    turn_rad : ndarray
        Right run's direction less left run's, positive laps inwards.
    lap_mm2, opening_mm2 : ndarray
        Lace over lace, and cloth laid bare, between the two sides of the path.
    inner_mm, outer_mm : ndarray
        Signed distance of the path's ends under the two runs (by chord).
    slip_mm : ndarray
        Distance of the turning point under the two runs.
    uncut : ndarray of bool
        Small enough for give to take up, so that nothing is cut.
    """

    turn_rad: Values
    lap_mm2: Values
    opening_mm2: Values
    inner_mm: Values
    outer_mm: Values
    slip_mm: Values
    uncut: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class RunEnds:
    """One end of each of some runs, as laid; arrays over runs.

    Parameters
    ----------
    heading_rad : ndarray
        Direction of the run at that end.
    turn_mm, inner_mm, outer_mm : ndarray, shape (2, R)
        Garment places of the turning point and of both ends of the path there, x then y.
    length_mm : ndarray
        Of the run.
    """

    heading_rad: Values
    turn_mm: Points
    inner_mm: Points
    outer_mm: Points
    length_mm: Values

    def spread(self, at: NDArray[np.int_]) -> RunEnds:
        """The runs numbered in an array of any shape."""
        return RunEnds(
            self.heading_rad[at],
            self.turn_mm[:, at],
            self.inner_mm[:, at],
            self.outer_mm[:, at],
            self.length_mm[at],
        )

    def beside(self, axis: int) -> RunEnds:
        """The same with an axis more, so that left ends meet right ends each with each."""
        return RunEnds(
            np.expand_dims(self.heading_rad, axis),
            np.expand_dims(self.turn_mm, axis),
            np.expand_dims(self.inner_mm, axis),
            np.expand_dims(self.outer_mm, axis),
            np.expand_dims(self.length_mm, axis),
        )


def run_ends(
    table: RunTable,
    which: Literal["first", "last"],
    rows: NDArray[np.int_] | None = None,
    inner_mm: Points | None = None,
) -> RunEnds:
    """One end of runs of a table.

    Parameters
    ----------
    table : RunTable
    which : {"first", "last"}
    rows : ndarray, optional
        All runs where None.
    inner_mm : ndarray, shape (n, 2), optional
        Inner ends of the places, where they are not those of the table.
    """
    places = table.places
    pick = np.arange(len(table.first)) if rows is None else rows
    at = (table.first if which == "first" else table.last)[pick]
    inner = places.inner_mm if inner_mm is None else inner_mm
    points = np.stack([places.turn_mm[at], inner[at], places.outer_mm[at]], axis=1)
    turn, inner_laid, outer = np.ascontiguousarray(np.moveaxis(table.lay(points, pick), 0, 2))
    half = (table.bend_per_mm * table.length_mm / 2)[pick]
    heading = table.heading_rad[pick] + (half if which == "last" else -half)
    return RunEnds(heading, turn, inner_laid, outer, table.length_mm[pick])


def meet(
    table: RunTable, left: NDArray[np.int_], right: NDArray[np.int_], limits: Limits
) -> Meetings:
    """Meet runs `left` and `right` (row numbers of the table) at the place between them."""
    return meet_ends(
        table.places,
        table.last[left],
        run_ends(table, "last", left),
        run_ends(table, "first", right),
        limits,
    )


def meet_ends(
    places: Places, at: NDArray[np.int_], left: RunEnds, right: RunEnds, limits: Limits
) -> Meetings:
    """Meet the last ends of runs with the first ends of others, at the places `at`."""
    turn = right.heading_rad - left.heading_rad
    turn = turn - 2 * np.pi * np.rint(turn / (2 * np.pi))
    apart = right.turn_mm - left.turn_mm
    slip = _length(apart)
    lap, opening, inner_width = _between(left, right, apart, left.inner_mm, right.inner_mm)
    if places.through:
        outer_opening, outer_lap, width = _between(
            left, right, apart, left.outer_mm, right.outer_mm
        )
        lap, opening, outer_width = lap + outer_lap, opening + outer_opening, -width
    else:
        outer_width = np.zeros_like(inner_width)
    if places.turns_rad is not None:
        tables = (places.extra_lap_mm2, places.extra_opening_mm2)
        extra_lap, extra_opening = _extra(places.turns_rad, tables, at, turn)
        lap, opening = np.maximum(lap + extra_lap, 0.0), np.maximum(opening + extra_opening, 0.0)
    taken_up = limits.absorbed_strain * (left.length_mm + right.length_mm) / 2
    uncut = (
        (np.abs(inner_width) <= taken_up)
        & (np.abs(outer_width) <= taken_up)
        & (slip <= UNCUT_SLIP_MM)
    )
    return Meetings(turn, lap, opening, inner_width, outer_width, slip, uncut)


def meeting_minutes(
    meetings: Meetings,
    own: Values,
    *,
    free: bool,
    through: bool,
    weights: Weights,
    limits: Limits,
    step: Values | float = 0.0,
) -> Values:
    """Cost of each meeting. Inf past a limit.

    Parameters
    ----------
    meetings : Meetings
    own : ndarray
        What its path costs by itself, up to the inner side of its shallower run.
    free, through : bool
    weights, limits : Weights, Limits
    step : ndarray
        What the step of the border line there costs, cut or not.
    """
    cut = (
        weights.cut
        + (weights.through if through else 0.0)
        + own
        + weights.lap_mm2 * meetings.lap_mm2
        + weights.opening_mm2 * meetings.opening_mm2
        + weights.slip_mm * meetings.slip_mm
    )
    widths = np.stack([meetings.inner_mm, meetings.outer_mm])
    allowed = (
        (widths.max(axis=0) <= limits.lap_mm)
        & (-widths.min(axis=0) <= limits.opening_mm)
        & (-meetings.outer_mm <= limits.edge_opening_mm)
        & (meetings.slip_mm <= limits.slip_mm)
    )
    kink = weights.kink_rad2 * meetings.turn_rad**2 if free else 0.0
    return np.where(meetings.uncut, weights.easing, np.where(allowed, cut, np.inf)) + kink + step


def search_places(places: Places, weights: Weights, limits: Limits) -> Chain | None:
    """Search all chains of runs over the places, exactly.

    Parameters
    ----------
    places : Places
    weights, limits : Weights, Limits

    Returns
    -------
    Chain or None
        With its bound and the cost of each cut; None when the limits allow no chain.
    """
    return search_levels((places,), weights, limits)


def search_levels(levels: Sequence[Places], weights: Weights, limits: Limits) -> Chain | None:
    """Search all chains of runs over the places, each run at any of several depths, exactly.

    Where two runs of unlike depth meet, the cut laps or opens down to the shallower inner
    side (beyond it the deeper run lies alone) and is cut on to the deeper one, which is
    where the border line steps: this and the blending of the step are paid, cut or not.

    Parameters
    ----------
    levels : sequence of Places
        The same places with the border taken at each depth, shallowest first; they differ
        in what depends on the depth only.
    weights, limits : Weights, Limits

    Returns
    -------
    Chain or None
        None when the limits allow no chain.
    """
    base = levels[0]
    n, m = base.count, base.ahead
    first, last = all_runs(base)
    inside = first + 1 + np.tile(np.arange(m), n) <= n - 1
    inside &= base.turn_mm[last, 0] - base.turn_mm[first, 0] <= limits.run_mm
    flat = np.flatnonzero(inside)
    lines = RunLines(base, first[flat], last[flat])
    run_cost = np.full((len(levels), n, m), np.inf)
    row_of = np.zeros((len(levels), n, m), dtype=int)
    sure = np.zeros((len(levels), n, m), dtype=bool)
    tables = []
    for k, places in enumerate(levels):
        table = RunTable(places, limits, first[flat], last[flat], lines)
        cost, exact = table.least_minutes(weights)
        if places.least_apart is not None:
            cost = np.where(places.least_apart.ravel()[flat], cost, np.inf)
        kept = np.flatnonzero(np.isfinite(cost))
        at = (k, *np.divmod(flat[kept], m))
        run_cost[at] = cost[kept]
        row_of[at] = np.arange(len(kept))
        sure[at] = exact[kept]
        tables.append(table.take(kept))
    chain = None
    if np.isfinite(run_cost).any():
        reach = 1 + int(np.nonzero(np.isfinite(run_cost).any(axis=(0, 1)))[0].max())
        run_cost = run_cost[:, :, :reach]
        cut_cost = _cut_costs(levels, tables, run_cost, row_of, weights, limits)
        # Runs stand in at their lower bounds; the best chain's own are made exact until the
        # best chain has no other: then none is better.
        while (chain := shortest_levels(run_cost, cut_cost)) is not None:
            runs = [
                (level, i, j - i - 1)
                for level, (i, j) in zip(chain.levels, pairwise(chain.places), strict=True)
            ]
            doubtful = [run for run in runs if not sure[run]]
            if not doubtful:
                break
            for run in doubtful:
                own = tables[run[0]].take(row_of[run][None])
                run_cost[run] = own.minutes(weights)[0]
                sure[run] = True
    for k, places in enumerate(levels):
        whole = RunTable(places, limits, np.array([0]), np.array([n - 1]))
        uncut = float(whole.minutes(weights)[0]) if places.whole_allowed else np.inf
        if np.isfinite(uncut) and (chain is None or uncut < chain.cost):
            chain = Chain((0, n - 1), uncut, (uncut,), (), uncut, levels=(k,))
    return chain


def _cut_costs(
    levels: Sequence[Places],
    tables: list[RunTable],
    run_cost: Values,
    row_of: NDArray[np.int_],
    weights: Weights,
    limits: Limits,
) -> Values:
    """Cost of meeting at each place, shape (n, levels, m, levels, m) as `shortest_levels` asks.

    Runs that are not allowed stand in the tables as another run does; what they cost does
    not matter.
    """
    count, n, m = run_cost.shape
    cut_cost = np.full((n, count, m, count, m), np.inf)
    j, r = np.meshgrid(np.arange(n), np.arange(m), indexing="ij")
    comes_from = np.maximum(j - 1 - r, 0)
    allowed = _useful(np.isfinite(run_cost))
    comes = allowed[:, comes_from, r] & (j - 1 - r >= 0)
    laid: dict[tuple[int, int, Literal["first", "last"]], RunEnds] = {}

    def ends(level: int, shallower: int, which: Literal["first", "last"]) -> RunEnds:
        key = (level, shallower, which)
        if key not in laid:
            own = run_ends(tables[level], which, inner_mm=levels[shallower].inner_mm)
            at = row_of[level, comes_from, r] if which == "last" else row_of[level, :, :m]
            laid[key] = own.spread(at).beside(-1 if which == "last" else -2)
        return laid[key]

    for before, after in np.ndindex(count, count):
        low, high = min(before, after), max(before, after)
        step = np.sqrt(((levels[high].inner_mm - levels[low].inner_mm) ** 2).sum(axis=1))
        live = comes[before].any(axis=1) & allowed[after].any(axis=1) & (step <= limits.step_mm)
        live[[0, -1]] = False
        if not live.any():
            continue
        more = levels[high].minutes - levels[low].minutes + weights.step_mm * step
        left, right = ends(before, low, "last"), ends(after, low, "first")
        for at in _blocks(np.flatnonzero(live)):
            first = int(np.flatnonzero(comes[before][at].any(axis=0)).max()) + 1
            second = int(np.flatnonzero(allowed[after][at].any(axis=0)).max()) + 1
            place = at[:, None, None]
            meetings = meet_ends(
                levels[low],
                place,
                _part(left, at, first, slice(None)),
                _part(right, at, slice(None), second),
                limits,
            )
            cut_cost[at, before, :first, after, :second] = meeting_minutes(
                meetings,
                levels[low].minutes[place],
                free=levels[low].free,
                through=levels[low].through,
                weights=weights,
                limits=limits,
                step=more[place] if low != high else 0.0,
            )
    return cut_cost


def _useful(allowed: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Runs that a chain from the first place to the last can have, shape (levels, n, m)."""
    _, n, m = allowed.shape
    some = np.asarray(allowed.any(axis=0))
    reached, leads_on = np.zeros(n + m + 1, dtype=bool), np.zeros(n + m + 1, dtype=bool)
    reached[0] = leads_on[n - 1] = True
    for j in range(n - 1):
        if reached[j]:
            reached[j + 1 : j + 1 + m] |= some[j]
    for j in range(n - 2, -1, -1):
        leads_on[j] = (some[j] & leads_on[j + 1 : j + 1 + m]).any()
    ends = np.arange(n)[:, None] + 1 + np.arange(m)[None, :]
    return np.asarray(allowed & reached[:n, None] & leads_on[ends])


#: Places whose meetings are worked out together: few enough to stay in the processor's cache.
BLOCK = 24


def _blocks(places: NDArray[np.int_]) -> list[NDArray[np.int_]]:
    return np.array_split(places, max(1, round(len(places) / BLOCK)))


def _part(ends: RunEnds, at: NDArray[np.int_], first: Any, second: Any) -> RunEnds:
    """Ends at some places, with the nearest runs only."""

    def cut(values: Values) -> Values:
        part = values[..., at, :, :]
        part = part[..., :first, :] if isinstance(first, int) else part
        return part[..., :second] if isinstance(second, int) else part

    return RunEnds(
        cut(ends.heading_rad),
        cut(ends.turn_mm),
        cut(ends.inner_mm),
        cut(ends.outer_mm),
        cut(ends.length_mm),
    )


def _extra(
    grid: Values, tables: tuple[Values | None, ...], at: NDArray[np.int_], turn: Values
) -> list[Values | float]:
    """Interpolate tables of each meeting's place at its turn; held beyond the grid."""
    step = (turn - grid[0]) / (grid[1] - grid[0])
    step = np.clip(step, 0.0, len(grid) - 1.000001)
    k = step.astype(np.int64)
    share = step - k
    k += at * len(grid)
    found: list[Values | float] = []
    for table in tables:
        if table is None:
            found.append(0.0)
            continue
        low = table.ravel().take(k)
        found.append(low + share * (table.ravel().take(k + 1) - low))
    return found


def _between(
    left: RunEnds, right: RunEnds, apart: Points, end_l: Points, end_r: Points
) -> tuple[Values, Values, Values]:
    """Areas where the right side of a cut lies behind the left side, and beyond it.

    Also the distance of the two ends, positive where the right one lies behind. Where slip
    at the turning point and turn pull different ways, the two sides cross and there is some
    of each area; their difference is the signed area in either case.
    """
    along_l = end_l - left.turn_mm
    across = end_r - left.turn_mm
    behind = _cross(along_l, across)  # of the right end, seen from the left side
    far = behind + _cross(across, apart)
    lap = np.maximum(far, 0.0) / 2
    opening = lap - far / 2
    width = np.copysign(_length(end_r - end_l), behind)
    left_parted = _cross(along_l, apart) * behind < 0
    where = np.nonzero(left_parted)
    if len(where[0]):
        shape = far.shape
        start_l, start_r, stop_l, stop_r = (
            np.stack([np.broadcast_to(p[axis], shape)[where] for axis in (0, 1)])
            for p in (left.turn_mm, right.turn_mm, end_l, end_r)
        )
        side_l, side_r, gap = stop_l - start_l, stop_r - start_r, start_r - start_l
        parallel = _cross(side_l, side_r)
        t = _cross(gap, side_r) / np.where(parallel == 0, np.inf, parallel)
        cross = (t > 0) & (t < 1)
        meet_at = start_l + t * side_l
        near = _cross(meet_at - start_l, start_r - start_l) / 2
        rest = _cross(stop_l - meet_at, stop_r - meet_at) / 2
        laps = np.maximum(near, 0.0) + np.maximum(rest, 0.0)
        lap[where] = np.where(cross, laps, lap[where])
        opening[where] = np.where(cross, laps - near - rest, opening[where])
    return lap, opening, width


def _cross(p: Points, q: Points) -> Values:
    return np.asarray(p[0] * q[1] - p[1] * q[0])


def _length(p: Points) -> Values:
    return np.asarray(np.sqrt(p[0] * p[0] + p[1] * p[1]))
