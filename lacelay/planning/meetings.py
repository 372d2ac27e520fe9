"""What happens where two runs meet: laps, openings, slip, kink, and what they cost.

Signed areas. Where the two sides of a cut are images P and Q of the same path under two
proper motions, the area between them depends on the ends of the path only (the area under
the path itself cancels): it is that of the four-cornered figure of the ends, taken with
its sign. So laps and openings are exact for any path, straight or not, in closed form.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lacelay.model.wishes import Limits, Weights
from lacelay.planning.places import Places, RunTable, all_runs
from lacelay.planning.shortest import Chain, shortest_chain

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


def meet(
    table: RunTable, left: NDArray[np.int_], right: NDArray[np.int_], limits: Limits
) -> Meetings:
    """Meet runs `left` and `right` (row numbers of the table) at the place between them."""
    places = table.places
    at = table.last[left]
    ends = np.stack([places.turn_mm[at], places.inner_mm[at], places.outer_mm[at]], axis=1)
    turn_l, inner_l, outer_l = np.moveaxis(table.lay(ends, left), 1, 0)
    turn_r, inner_r, outer_r = np.moveaxis(table.lay(ends, right), 1, 0)
    half = table.bend_per_mm * table.length_mm / 2
    turn = (table.heading_rad - half)[right] - (table.heading_rad + half)[left]
    turn = np.mod(turn + np.pi, 2 * np.pi) - np.pi
    lap, opening = _between(turn_l, inner_l, inner_r, turn_r)
    inner_width = np.copysign(_distance(inner_l, inner_r), _triangle(turn_l, inner_l, inner_r))
    slip = _distance(turn_l, turn_r)
    if places.through:
        outer_opening, outer_lap = _between(turn_l, outer_l, outer_r, turn_r)
        lap, opening = lap + outer_lap, opening + outer_opening
        outside = _triangle(turn_l, outer_l, outer_r)
        outer_width = np.copysign(_distance(outer_l, outer_r), -outside)
    else:
        outer_width = np.zeros_like(inner_width)
    lap = np.maximum(lap + _extra(places.turns_rad, places.extra_lap_mm2, at, turn), 0.0)
    opening = opening + _extra(places.turns_rad, places.extra_opening_mm2, at, turn)
    opening = np.maximum(opening, 0.0)
    taken_up = limits.absorbed_strain * (table.length_mm[left] + table.length_mm[right]) / 2
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
) -> Values:
    """Cost of each meeting; `own` is what its path costs by itself. Inf past a limit."""
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
    return np.where(meetings.uncut, weights.easing, np.where(allowed, cut, np.inf)) + kink


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
    n, m = places.count, places.ahead
    first, last = all_runs(places)
    table = RunTable(places, limits, first, last)
    whole = RunTable(places, limits, np.array([0]), np.array([n - 1]))
    run_cost = table.minutes(weights).reshape(n, m)
    ahead = np.arange(m)[None, :]
    run_cost = np.where(np.arange(n)[:, None] + 1 + ahead <= n - 1, run_cost, np.inf)
    if places.least_apart is not None:
        run_cost = np.where(places.least_apart, run_cost, np.inf)
    j, r, t = _possible(run_cost)
    cut_cost = np.full((n, m, m), np.inf)
    if len(j):
        meetings = meet(table, (j - 1 - r) * m + r, j * m + t, limits)
        cut_cost[j, r, t] = meeting_minutes(
            meetings,
            places.minutes[j],
            free=places.free,
            through=places.through,
            weights=weights,
            limits=limits,
        )
    chain = shortest_chain(run_cost, cut_cost)
    uncut = float(whole.minutes(weights)[0])
    if np.isfinite(uncut) and (chain is None or uncut < chain.cost):
        return Chain((0, n - 1), uncut, (uncut,), (), uncut)
    return chain


def _possible(run_cost: Values) -> tuple[NDArray[np.int_], ...]:
    """Places and runs (j, r, t) whose two runs are both allowed."""
    n, m = run_cost.shape
    allowed = np.isfinite(run_cost)
    j, r = np.meshgrid(np.arange(n), np.arange(m), indexing="ij")
    comes = np.zeros((n, m), dtype=bool)
    inside = j - 1 - r >= 0
    comes[inside] = allowed[(j - 1 - r)[inside], r[inside]]
    both = comes[:, :, None] & allowed[:, None, :]
    both[[0, n - 1]] = False
    return np.nonzero(both)


def _extra(grid: Values | None, table: Values | None, at: NDArray[np.int_], turn: Values) -> Values:
    """Interpolate the table of each meeting's place at its turn; held beyond the grid."""
    if grid is None or table is None:
        return np.zeros_like(turn)
    step = (turn - grid[0]) / (grid[1] - grid[0])
    step = np.clip(step, 0.0, len(grid) - 1.000001)
    k = step.astype(int)
    share = step - k
    return np.asarray((1 - share) * table[at, k] + share * table[at, k + 1])


def _between(turn_l: Points, end_l: Points, end_r: Points, turn_r: Points) -> tuple[Values, Values]:
    """Areas where the right side of a cut lies behind the left side, and beyond it.

    Where slip at the turning point and turn pull different ways, the two sides cross and
    there is some of each; their difference is the signed area in either case.
    """
    along_l, along_r, apart = end_l - turn_l, end_r - turn_r, turn_r - turn_l
    parallel = _cross(along_l, along_r)
    safe = np.where(np.abs(parallel) > 1e-12, parallel, 1.0)
    t, u = _cross(apart, along_r) / safe, _cross(apart, along_l) / safe
    crossing = (np.abs(parallel) > 1e-12) & (t > 0) & (t < 1) & (u > 0) & (u < 1)
    meet_at = turn_l + np.where(crossing, t, 0.0)[:, None] * along_l
    near = np.where(crossing, _triangle(turn_l, meet_at, turn_r), 0.0)
    whole = _triangle(turn_l, end_l, end_r) + _triangle(turn_l, end_r, turn_r)
    far = np.where(crossing, _triangle(meet_at, end_l, end_r), whole)
    lap = np.maximum(near, 0.0) + np.maximum(far, 0.0)
    return lap, np.maximum(-near, 0.0) + np.maximum(-far, 0.0)


def _triangle(p: Points, q: Points, r: Points) -> Values:
    """Signed area of triangles, counter-clockwise positive, shape (n,)."""
    return np.asarray((_cross(p, q) + _cross(q, r) + _cross(r, p)) / 2)


def _cross(p: Points, q: Points) -> Values:
    return np.asarray(p[..., 0] * q[..., 1] - p[..., 1] * q[..., 0])


def _distance(p: Points, q: Points) -> Values:
    return np.asarray(np.hypot(*(p - q).T))
