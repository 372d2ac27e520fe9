"""What would free an edge that no plan holds on: the one limit, and its least value."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lacelay.errors import PlanError
from lacelay.model.wishes import Limits, Weights
from lacelay.planning.candidates import Border, Laid
from lacelay.planning.held import Held, loosest

Values = NDArray[np.float64]

#: Limits of which one alone may be in the way, the likeliest first.
LIMITS = (
    "lap_mm",
    "opening_mm",
    "edge_opening_mm",
    "slip_mm",
    "edge_limit_mm",
    "free_limit_mm",
    "inner_width_mm",
    "run_mm",
    "cut_distance_mm",
)
#: Those that are least values.
LOWER = ("inner_width_mm", "cut_distance_mm")
#: How closely the least value is told, mm.
CLOSELY_MM = 0.05
Ways = Sequence[tuple[Held, NDArray[np.int_]]]


def least_that_frees(name: str, ways: Ways, weights: Weights, limits: Limits) -> float | None:
    """Find the least looseness of one limit at which some plan holds.

    Parameters
    ----------
    name : str
        Of `LIMITS`.
    ways : sequence of (Held, places)
        Starts to try, held for that limit as good as gone, and places that are not cut.
    weights, limits : Weights, Limits

    Returns
    -------
    float or None
        Within `CLOSELY_MM`, on the side that frees; None where it frees nothing alone.

    Notes
    -----
    What a looser limit allows a tighter one forbids, so halving finds the value. A start is
    looked at only where it frees at less than the best so far.
    """
    own = float(getattr(limits, name))
    low = name in LOWER

    def frees(value: float, way: tuple[Held, NDArray[np.int_]]) -> bool:
        held, uncut = way
        tables = held.tables(weights, replace(limits, **{name: value}))
        return tables.without(uncut).search() is not None

    best: float | None = None
    for way in ways:
        trial = best
        if trial is None:
            trial = 0.0 if low else _as_good_as_gone(way[0], name)
        elif low:
            trial = min(trial + CLOSELY_MM, own)
        else:
            trial = max(trial - CLOSELY_MM, own)
        if not frees(trial, way):
            continue
        holds, fails = trial, own
        while abs(holds - fails) > CLOSELY_MM:
            middle = (holds + fails) / 2
            if frees(middle, way):
                holds = middle
            else:
                fails = middle
        best = holds
    return best


def distances_mm(border: Border, laid: Laid) -> Values:
    """How far apart places are, shape (n, m), so that the least distance can be asked about.

    Between cuts as drawn; from an end of the edge twice the way, since half the least
    distance is kept there. Cuts more than four scallops apart count as any distance apart.
    """
    places = laid.places
    n, m = places.count, places.ahead
    a = places.turn_mm[:, 0]
    apart = np.full((n, m), np.inf)
    apart[0] = 2 * (a[np.minimum(1 + np.arange(m), n - 1)] - a[0])
    for i in range(1, n - 1):
        for r in range(min(m, n - 2 - i)):
            j = i + 1 + r
            copies = int(laid.copy[j] - laid.copy[i])
            gap = border.apart_mm(int(laid.candidate[i]), int(laid.candidate[j]), copies)
            apart[i, r] = gap
            if gap > 4 * border.strip.scallop_mm:
                apart[i, r:] = np.inf
                break
        if n - 2 - i < m:
            apart[i, n - 2 - i] = 2 * (a[-1] - a[i])
    if n - 2 < m:
        apart[0, n - 2] = np.inf  # no cut at all
    return apart


def what_frees(
    starts: Sequence[tuple[Border, Laid]], weights: Weights, limits: Limits
) -> PlanError:
    """Say which limit stops every plan, and the least value that frees one.

    Parameters
    ----------
    starts : sequence of (Border, Laid)
        Those that were tried, of many some; with places as near to the ends as there are.
    weights, limits : Weights, Limits
    """
    widest = loosest(limits, LIMITS, LOWER)
    none = np.empty(0, dtype=int)
    ways = [(Held(laid.places, widest, distances_mm(b, laid)), none) for b, laid in starts]
    for name in LIMITS:
        needed = least_that_frees(name, ways, weights, limits)
        if needed is not None:
            return PlanError(
                f"No plan holds: every one needs {needs(name, float(getattr(limits, name)))}.",
                f"{remedy(name, needed)}, or take the border shallower.",
            )
    return PlanError(
        "No plan holds within the limits, and no single limit frees one.",
        "Take the border shallower, choose a lace with smaller scallops, or cut single motifs.",
    )


def needs(name: str, limit: float) -> str:
    """What passes a limit, in her words: "a lap at the inner side wider than 30 mm"."""
    return _WORDS[name][0].format(f"{limit:.0f}")


def remedy(name: str, needed: float) -> str:
    """What would free it, in her words, the value rounded to the side that frees."""
    value = np.floor(needed * 2) / 2 if name in LOWER else np.ceil(needed * 2) / 2
    return f"{_WORDS[name][1]} ({'down' if name in LOWER else 'up'} to {value:g} mm)"


_WORDS = {
    "lap_mm": ("a lap at the inner side wider than {} mm", "Allow wider laps"),
    "opening_mm": ("an opening wider than {} mm", "Allow wider openings"),
    "edge_opening_mm": ("an opening wider than {} mm at the edge", "Allow wider openings there"),
    "slip_mm": ("neighbours more than {} mm apart where they turn", "Allow more slip"),
    "edge_limit_mm": ("scallops more than {} mm off the edge", "Allow more distance"),
    "free_limit_mm": ("scallops more than {} mm off the edge", "Allow more distance"),
    "cut_distance_mm": ("cuts nearer than {} mm to each other", "Allow cuts closer together"),
    "inner_width_mm": ("runs narrower than {} mm at their inner side", "Allow narrower runs"),
    "run_mm": ("a run longer than {} mm", "Allow longer runs"),
}


def _as_good_as_gone(held: Held, name: str) -> float:
    """A value that no run or meeting of the start passes."""
    widest = float(getattr(held.widest, name))
    return min(widest, held.largest(name) + CLOSELY_MM)
