"""One border, laying line and start held ready, so that a change is planned at once.

What is slow is held: the border's line and candidate cuts, its places along the edge, and the
tables of runs and meetings. With them, other weights, or another lock, demand or forbidden
stretch, need only the search.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from lacelay.errors import PlanError
from lacelay.model.hand import Ask, Footing, Hand
from lacelay.model.plan import Plan
from lacelay.model.wishes import Weights
from lacelay.planning.assemble import Order, assemble
from lacelay.planning.candidates import Border, Laid, places_along
from lacelay.planning.cost_field import path_contents, path_minutes
from lacelay.planning.hand_rules import UnmetError, rules_for
from lacelay.planning.hand_sense import (
    hold_border,
    hold_sense,
    hold_still,
    starts_by_hand,
    stopped_by_hand,
)
from lacelay.planning.held_search import HeldTables, Rules
from lacelay.planning.lay import ready_border
from lacelay.planning.shortest import Chain

Values = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Prepared:
    """A border along an edge from one start, ready to be planned again and again.

    Parameters
    ----------
    order : Order
        What was asked when it was made ready. Its limits hold; weights and hand may change.
    border : Border
    laid : Laid
    """

    order: Order
    border: Border
    laid: Laid

    @cached_property
    def tables(self) -> HeldTables:
        """Runs and meetings, laid once."""
        return HeldTables(self.laid.places, self.order.limits)

    @cached_property
    def _contents(self) -> list[tuple[float, float, float, int]]:
        """What each candidate's cut goes through."""
        if not self.laid.places.through:
            return [path.contents for path in self.border.paths]
        wholes = [np.vstack([path.outline_mm, path.path_mm]) for path in self.border.paths]
        return [path_contents(self.border.strip, each, self.order.limits) for each in wholes]

    @cached_property
    def _beside(self) -> Values:
        places = self.laid.places
        s = places.curve.from_laying_length(
            places.turn_mm[:, 0] - places.start_mm, places.laying_depth_mm
        )
        scallop = self.border.strip.scallop_mm
        return np.array([self.order.target.beside_centre(float(at), scallop) for at in s])

    def minutes(self, weights: Weights) -> Values:
        """What the path of each place costs by itself, with other weights."""
        own = np.array(
            [
                path_minutes(contents, weights) + (0.0 if path.at_valley else weights.in_scallop)
                for contents, path in zip(self._contents, self.border.paths, strict=True)
            ]
        )
        inner = self.laid.candidate >= 0
        minutes = np.zeros(self.laid.places.count)
        minutes[inner] = own[self.laid.candidate[inner]]
        minutes[inner] += weights.beside_centre * self._beside[inner]
        return minutes

    def search(self, weights: Weights | None = None, hand: Hand | None = None) -> Chain | None:
        """Find the best chain with other weights or another hand; None when there is none.

        Raises
        ------
        PlanError
            When something is locked that does not lie on this border from this start.
        """
        weights = weights or self.order.weights
        hand = hand or Hand()
        try:
            rules = rules_for(self.laid, self.border, hand) if hand.active else Rules()
        except UnmetError:
            return None
        return self.tables.search(weights, rules, self.minutes(weights))

    def _unmet(self, hand: Hand) -> Callable[[Ask], str | None]:
        def why(ask: Ask) -> str | None:
            try:
                rules_for(self.laid, self.border, hand)
            except UnmetError as problem:
                return problem.reason if problem.ask is ask else None
            return None

        return why

    def plan(self, weights: Weights | None = None, hand: Hand | None = None) -> Plan:
        """Plan again with other weights or another hand.

        Raises
        ------
        PlanError
            When no plan holds; the message says which thing asked stops it.
        """
        weights, hand = weights or self.order.weights, hand or Hand()
        order = replace(self.order, weights=weights, hand=hand)
        target, places = order.target, self.laid.places
        hold_sense(hand, order.wishes, target)
        starts_by_hand(
            np.array([places.start_mm]),
            hand,
            self.border.strip,
            target,
            places.laying_depth_mm,
            free=False,
        )
        chain = self.search(weights, hand)
        if chain is None:
            stopped = stopped_by_hand(
                hand, lambda other: self.search(weights, other) is not None, self._unmet(hand)
            )
            raise stopped or PlanError(
                "No plan holds from this start within the limits.",
                "Lay the whole edge again, which tries other starts.",
            )
        told = "best of all ways to cut from where the lace starts now, given these weights"
        if hand.active:
            told += f"; with {'; '.join(ask.told for ask in hand.active)}"
        laid = replace(self.laid, places=replace(places, minutes=self.minutes(weights)))
        plan = assemble(order, self.border, laid, chain, told)
        hold_still(plan, hand)
        return plan


def prepare(plan: Plan, hand: Hand | None = None) -> Prepared:
    """Hold ready the border, laying line and start of a plan.

    Parameters
    ----------
    plan : Plan
    hand : Hand, optional
        What is locked on it already.
    """
    order = Order(plan.lace, plan.target, plan.wishes, plan.weights, plan.limits)
    wishes = replace(order.wishes, side=plan.side)
    border = ready_border(replace(order, wishes=wishes), plan.side)
    everything = hand or Hand()
    for index in range(len(plan.cuts)):
        everything = everything.lock_cut(plan, index)
    border = hold_border(border, everything.held or Footing.of(plan), everything, wishes)
    laid = places_along(
        border,
        plan.target,
        start_mm=plan.start_mm,
        laying_depth_mm=plan.laying_depth_mm,
        stand_mm=plan.wishes.stand_mm,
    )
    return Prepared(order, border, laid)
