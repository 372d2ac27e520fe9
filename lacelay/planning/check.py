"""Re-measure any plan from its polygons, without the solvers.

Nothing here calls the search, the candidate cuts or the run tables: a plan is taken as it
stands in its file, its runs are laid by their own motions, and every figure that it states
is measured again with general polygon operations. Where the two differ by more than the
tolerance stated beside each rule, the plan does not hold.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from lacelay.model.hand import Hand
from lacelay.model.plan import Plan
from lacelay.planning.check_cover import check_cover
from lacelay.planning.check_cuts import check_cuts
from lacelay.planning.check_hand import check_hand, laid_beyond
from lacelay.planning.check_runs import check_runs
from lacelay.planning.remeasured import Remeasured, remeasure


@dataclass(frozen=True)
class Finding:
    """One thing that does not hold: the rule it breaks, and what was found."""

    rule: str
    message: str


Check = Callable[[Plan, Remeasured], Iterator[tuple[str, str]]]
_CHECKS: tuple[Check, ...] = (check_runs, check_cuts, check_cover)


def check_plan(plan: Plan, hand: Hand | None = None) -> tuple[Finding, ...]:
    """Re-measure a plan.

    Parameters
    ----------
    plan : Plan
    hand : Hand, optional
        What was locked, forbidden and demanded, which the plan must keep.

    Returns
    -------
    tuple of Finding
        Empty when everything holds.
    """
    measured = remeasure(plan)
    if hand is not None:
        measured = replace(measured, beyond=laid_beyond(plan, measured, hand))
    found = [Finding(rule, message) for check in _CHECKS for rule, message in check(plan, measured)]
    if hand is not None:
        found += [Finding(rule, message) for rule, message in check_hand(plan, measured, hand)]
    return tuple(found)
