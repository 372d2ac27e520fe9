"""How much lace to buy for a plan.

Rules of the trade, common practice without a published source: the shop cuts wherever the
bolt ends, so the length must serve at every starting point; one scallop is lost at each
ragged end; the spare is the larger of one repeat or a tenth (15 % beaded or tight); a free
edge of net takes 1 % of ease.
"""

from __future__ import annotations

import math

import numpy as np

from lacelay.errors import PlanError
from lacelay.model.plan import Plan
from lacelay.model.purchase import Purchase
from lacelay.units import format_length

SPARE_SHARE = 0.10
SPARE_SHARE_BEADED = 0.15
EASE_SHARE_FREE = 0.01
#: A turn from which laying counts as tight.
TIGHT_RAD = math.radians(30.0)


def whole_increments(needed_mm: float, increment_mm: float) -> float:
    """Round a length up to what the shop sells by; exact lengths stay.

    Examples
    --------
    Quarter metres for 1.26 m; 54.00 in is exactly one yard and a half:

    >>> whole_increments(1260, 250), whole_increments(54 * 25.4, 914.4 / 4) / 914.4
    (1500.0, 1.5)
    >>> whole_increments(54.01 * 25.4, 914.4 / 4) / 914.4
    1.75
    """
    return math.ceil(needed_mm / increment_mm - 1e-9) * float(increment_mm)


def purchase_for(
    plan: Plan,
    *,
    increment_mm: float = 250.0,
    spare_share: float | None = None,
    start_chosen: bool = False,
    inches: bool = False,
) -> Purchase:
    """Work out the length to buy.

    Parameters
    ----------
    plan : Plan
    increment_mm : float
        What the shop sells by.
    spare_share : float or None
        Share kept for mishaps; the rule of the trade when None.
    start_chosen : bool
        She chooses where the shop cuts, so nothing is lost to where the pattern starts.
    inches : bool
        Tell the reasons in inches.

    Raises
    ------
    PlanError
        When the increment is not a length.
    """
    if not increment_mm > 0:
        raise PlanError(
            f"A shop does not sell by {increment_mm:g} mm.", "Give a length, like 25 cm."
        )
    u = np.concatenate([run.outline_mm[:, 0] for run in plan.runs])
    laid = float(u.max() - u.min())
    ease = EASE_SHARE_FREE * laid if plan.target.kind == "free" else 0.0
    used = laid + ease
    edge, repeat = plan.lace.edge(plan.side), plan.lace.repeat
    period = repeat.length_mm.value if repeat else 0.0
    scallop = edge.pitch_mm.value if edge.pitch_mm else 0.0
    beaded = bool(plan.lace.beads)
    tight = any(abs(cut.angle_rad) > TIGHT_RAD for cut in plan.cuts)
    share = spare_share
    if share is None:
        share = SPARE_SHARE_BEADED if beaded or tight else SPARE_SHARE
    spare = max(period, share * used) if spare_share is None else share * used
    anywhere = 0.0 if start_chosen else period
    ragged = 2 * scallop
    to_buy = whole_increments(used + anywhere + ragged + spare, increment_mm)
    why = "one repeat" if spare == period else f"{share:.0%}"

    def length(mm: float) -> str:
        return format_length(mm, inches=inches)

    reasons = [f"{length(laid)} laid, both turn-ins counted"]
    if ease:
        reasons.append(f"{length(ease)} of ease on a free edge")
    if anywhere:
        reasons.append(f"{length(anywhere)} so that it serves wherever the bolt was cut")
    reasons += [
        f"{length(ragged)}, one scallop lost at each ragged end",
        f"{length(spare)} spare ({why}{', beaded or tight' if beaded or tight else ''})",
        f"rounded up to what the shop sells by, {length(increment_mm)}",
    ]
    return Purchase(used, anywhere, ragged, spare, increment_mm, to_buy, tuple(reasons))
