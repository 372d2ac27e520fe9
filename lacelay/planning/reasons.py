"""Why a plan is as it is: what would be without each cut, and which limits bind.

All is searched again over the tables of the start that the plan has, so that the answers
are about this plan: the same lace, laid from the same place.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from lacelay.model.choices import LimitGain, Reasons, WithoutCut
from lacelay.model.wishes import Limits, Weights
from lacelay.planning.candidates import Border, Laid
from lacelay.planning.freeing import LIMITS, LOWER, distances_mm, least_that_frees
from lacelay.planning.held import Held, Tables, cuts_of, loosest
from lacelay.planning.places import Places
from lacelay.planning.shortest import Chain

Values = NDArray[np.float64]
#: How much a limit is loosened to see what it costs.
LOOSER = 0.1
#: Less than this is not worth telling, in minutes.
LEAST_MIN = 0.05
#: Limits whose price is told, beside those that can make a plan impossible.
_PRICED = (*LIMITS, "edge_tolerance_mm", "free_tolerance_mm", "give")


@dataclass(frozen=True, eq=False)
class Why:
    """The question: places of one start, weights and limits, and the chain that was chosen.

    Parameters
    ----------
    places : Places
    weights, limits : Weights, Limits
    chain : Chain
    reach_mm : float
        Half the stretch in which nothing is cut when a cut is left out.
    apart_mm : ndarray, shape (n, m), or None
        As in `Held`.
    """

    places: Places
    weights: Weights
    limits: Limits
    chain: Chain
    reach_mm: float
    apart_mm: Values | None = None

    @cached_property
    def held(self) -> Held:
        """Tables for any limits but give."""
        return Held(self.places, loosest(self.limits, LIMITS, LOWER), self.apart_mm)

    @cached_property
    def tables(self) -> Tables:
        """Tables for the limits that there are."""
        return self.held.tables(self.weights, self.limits)

    def reasons(self) -> Reasons:
        """All of it."""
        return Reasons(tuple(self.without_each_cut()), self.binding())

    def without_each_cut(self) -> Iterator[WithoutCut]:
        """Search again without each cut that is cut, in order of the edge."""
        chain, tables = self.chain, self.tables
        triples = zip(chain.places, chain.places[1:], chain.places[2:], strict=False)
        for c, (i, j, k) in enumerate(triples):
            if not tables.uncut[j, j - i - 1, k - j - 1]:
                yield self._without(c, j)

    def _without(self, c: int, place: int) -> WithoutCut:
        a = self.places.turn_mm[:, 0]
        elsewhere = self.tables.without(np.array([place])).search()
        near = np.flatnonzero(np.abs(a - a[place]) <= self.reach_mm)
        near = near[(near > 0) & (near < len(a) - 1)]
        found = self.tables.without(near).search()
        own = self.chain
        more = None if elsewhere is None else elsewhere.cost - own.cost
        if found is None:
            limit, needed = self._in_the_way(near)
            none = (0.0, 0.0)
            return WithoutCut(c, more, self.reach_mm, None, 0, none, none, none, limit, needed)
        before, after = self._figures(own, found), self._figures(found, own)
        return WithoutCut(
            c,
            more,
            self.reach_mm,
            found.cost - own.cost,
            cuts_of(own, self.tables) - cuts_of(found, self.tables),
            lap_mm=(before[0], after[0]),
            opening_mm=(before[1], after[1]),
            edge_mm=(before[2], after[2]),
        )

    def _figures(self, chain: Chain, other: Chain) -> tuple[float, float, float]:
        """Widest lap and opening and furthest miss among what is not in the other chain."""
        had = set(zip(other.places, other.places[1:], other.places[2:], strict=False))
        runs = set(pairwise(other.places))
        lap = opening = miss = 0.0
        for i, j, k in zip(chain.places, chain.places[1:], chain.places[2:], strict=False):
            if (i, j, k) not in had:
                inner = self.held.inner_mm(i, j, k)
                lap, opening = max(lap, inner), max(opening, -inner)
        for i, j in pairwise(chain.places):
            if (i, j) not in runs:
                miss = max(miss, self.held.miss_mm(i, j))
        return float(lap), float(opening), float(miss)

    def _in_the_way(self, near: NDArray[np.int_]) -> tuple[str | None, float | None]:
        """The limit that alone stops every plan with nothing cut at some places."""
        ways = [(self.held, near)]
        for name in LIMITS:
            needed = least_that_frees(name, ways, self.weights, self.limits)
            if needed is not None:
                return name, needed
        return None, None

    def binding(self) -> tuple[LimitGain, ...]:
        """Limits that, loosened by a tenth, make a cheaper plan; the dearest first."""
        gains = []
        for name in _PRICED:
            value = self.limits.stretch if name == "give" else float(getattr(self.limits, name))
            looser = value * (1.0 - LOOSER if name in LOWER else 1.0 + LOOSER)
            if looser == value:
                continue
            tables = self._loosened(name, looser)
            chain = tables.search()
            if chain is not None and chain.cost < self.chain.cost - LEAST_MIN:
                fewer = cuts_of(self.chain, self.tables) - cuts_of(chain, tables)
                saved = self.chain.cost - chain.cost
                gains.append(LimitGain(name, value, looser, saved, fewer))
        return tuple(sorted(gains, key=lambda gain: -gain.saved_min))

    def _loosened(self, name: str, value: float) -> Tables:
        if name == "give":
            by = 1.0 + LOOSER
            limits = replace(
                self.limits, stretch=self.limits.stretch * by, squeeze=self.limits.squeeze * by
            )
            return Held(self.places, limits, self.apart_mm).tables(self.weights, limits)
        return self.held.tables(self.weights, replace(self.limits, **{name: value}))


def why(border: Border, laid: Laid, chain: Chain, weights: Weights, limits: Limits) -> Reasons:
    """Say why a plan is as it is.

    Parameters
    ----------
    border, laid, chain
        What the plan was assembled from.
    weights, limits : Weights, Limits
        Those that the chain is best for.
    """
    reach = border.strip.scallop_mm / 2
    apart = distances_mm(border, laid)
    return Why(laid.places, weights, limits, chain, reach, apart).reasons()
