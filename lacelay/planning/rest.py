"""What is left to lay once lace is laid that did not land where it was planned.

"Scallop 7 landed 4 mm early": every cut up to that scallop is made and stays as it lies. The
rest of the edge is planned anew from the last of those cuts, with the lace 4 mm further on at
every place than it was to be. Taken is that the lace keeps its length from that cut to the
scallop, so that the cut lies as early as the scallop does.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from lacelay.errors import PlanError
from lacelay.geometry.plane_curve import PlaneCurve
from lacelay.model.hand import Ask, AtMark, CutHere, Footing, Hand, LaidUpTo, NoCut
from lacelay.model.plan import Plan
from lacelay.model.target import TargetEdge
from lacelay.model.wishes import Wishes
from lacelay.planning.lay import lay_border
from lacelay.units import format_length

Towards = Literal["end", "start"]
#: A cut this close to the scallop's beginning lies at it.
AT_SCALLOP_MM = 1.0
#: Further off than this it is no slip of a pin: something else is wrong.
MOST_SCALLOPS = 0.5


@dataclass(frozen=True, eq=False)
class Rest:
    """What is left to lay.

    Parameters
    ----------
    target : TargetEdge
        The rest of the edge.
    hand : Hand
        What is laid, and what was asked further on, by places of the rest.
    wishes : Wishes
    from_s_mm : float
        Where the rest begins, from the start of the whole edge.
    cut : int
        Index of the last cut that is made, in the plan it was made by.
    """

    target: TargetEdge
    hand: Hand
    wishes: Wishes
    from_s_mm: float
    cut: int


def rest_of(
    plan: Plan,
    scallop: int,
    early_mm: float,
    *,
    towards: Towards = "end",
    hand: Hand | None = None,
) -> Rest:
    """Find what is left to lay.

    Parameters
    ----------
    plan : Plan
        By which it was laid so far.
    scallop : int
        Counted from the centre, where there is one, or else from the end of the edge at which
        she began; a scallop with its tip there is the first.
    early_mm : float
        How far short of its place it landed; negative where it landed late.
    towards : {"end", "start"}
        Which way she lays, in order of the edge.
    hand : Hand, optional
        What was asked. What is forbidden, demanded or wished further on still holds.

    Raises
    ------
    PlanError
        When there is no such scallop, nothing is cut before it, or something further on is
        locked, which cannot stay as the lace lies now.
    """
    sign = 1.0 if towards == "end" else -1.0
    place = _scallop_begins(plan, scallop, sign)
    width = _scallop_mm(plan)
    if abs(early_mm) > MOST_SCALLOPS * width:
        raise PlanError(
            f"Scallop {scallop} cannot have landed {format_length(abs(early_mm))} off: that is "
            "more than half a scallop.",
            "Count the scallops again from where you began.",
        )
    begun = _begun(plan, sign)
    made = [
        k
        for k, cut in enumerate(plan.cuts)
        if cut.kind != "uncut"
        and sign * (cut.s_mm - place) <= AT_SCALLOP_MM
        and sign * (cut.s_mm - begun) >= -AT_SCALLOP_MM
    ]
    if not made:
        raise PlanError(
            f"Nothing is cut before scallop {scallop}.",
            "Pin the lace again: nothing has to be planned anew.",
        )
    index = max(made, key=lambda k: sign * plan.cuts[k].s_mm)
    cut = plan.cuts[index]
    at = cut.s_mm - sign * early_mm
    length = plan.target.length_mm
    left = length - at if towards == "end" else at
    if not width <= left <= length:
        raise PlanError(
            "Hardly anything is left to lay beyond that cut.", "Ease the rest in by hand."
        )
    low, high = (at, length) if towards == "end" else (0.0, at)
    target = _part(plan.target, low, high, f"from scallop {scallop} on")
    along = float(plan.runs[index].lace_interval_mm[1])
    start = along
    if towards == "start":
        start = along - float(target.curve.laying_length(high - low, plan.laying_depth_mm))
    footing = replace(Footing.of(plan), start_mm=start, edge_mm=target.length_mm)
    path = np.asarray(cut.path_mm, dtype=float)
    laid = LaidUpTo(
        id="laid",
        at="start" if towards == "end" else "end",
        along_mm=along,
        path_mm=tuple((float(u), float(v)) for u, v in path),
        through=cut.kind == "through",
        at_valley=cut.at_valley,
    )
    further = _further(hand or Hand(), low, high)
    wishes = replace(
        plan.wishes, side=plan.side, centre="anywhere", laying_depth_mm=plan.laying_depth_mm
    )
    return Rest(target, Hand((laid, *further), footing=footing), wishes, low, index)


def lay_rest(plan: Plan, rest: Rest) -> Plan:
    """Plan what is left to lay, by the weights and limits of the plan so far.

    Raises
    ------
    PlanError
        When no plan holds for the rest.
    """
    return lay_border(
        plan.lace,
        rest.target,
        wishes=rest.wishes,
        weights=plan.weights,
        limits=plan.limits,
        hand=rest.hand,
    )


def _scallop_mm(plan: Plan) -> float:
    pitch = plan.lace.edge(plan.side).pitch_mm
    if pitch is None:
        raise PlanError(
            f"The {plan.side} edge of {plan.lace.name} has no scallops to count.",
            "Lay a scalloped edge.",
        )
    return pitch.value


def _begun(plan: Plan, sign: float) -> float:
    centre = plan.target.centre
    if centre is not None:
        return centre.s_mm
    return 0.0 if sign > 0 else plan.target.length_mm


def _scallop_begins(plan: Plan, scallop: int, sign: float) -> float:
    """Place on the edge of the valley at which a scallop was to begin."""
    curve, p = plan.target.curve, plan.laying_depth_mm
    edge, repeat = plan.lace.edge(plan.side), plan.lace.repeat
    if scallop < 1 or repeat is None:
        raise PlanError(f"There is no scallop {scallop}.", "Count from 1.")
    begun = plan.start_mm + float(curve.laying_length(_begun(plan, sign), p))
    period = repeat.length_mm.value
    low, high = plan.template_mm
    u = edge.valleys_mm[:, 0]
    own = u[(u >= low - 1e-6) & (u < high - 0.4 * _scallop_mm(plan))]
    along = own if plan.side == "lower" else -own
    first = int(np.floor((begun - along.max()) / period)) - 1
    span = int(np.ceil(curve.length_mm * 3 / period)) + 3
    steps = np.arange(first - span, first + span)
    every = np.sort((along[None, :] + period * steps[:, None]).ravel())
    if sign > 0:
        # The first scallop begins at the last valley not past where she began.
        k = int(np.searchsorted(every, begun + AT_SCALLOP_MM, side="right")) - 1 + scallop - 1
    else:
        k = int(np.searchsorted(every, begun - AT_SCALLOP_MM, side="left")) - scallop + 1
    inside = 0 <= k < len(every)
    s = float(curve.from_laying_length(every[k] - plan.start_mm, p)) if inside else -1.0
    if not 0 < s < curve.length_mm:
        raise PlanError(
            f"Scallop {scallop} lies beyond this edge.", "Count again from where you began."
        )
    return s


def _part(target: TargetEdge, low: float, high: float, what: str) -> TargetEdge:
    """A part of an edge, with the balance marks on it."""
    curve = target.curve
    inner = curve.s_mm[(curve.s_mm > low + 1e-3) & (curve.s_mm < high - 1e-3)]
    s = np.concatenate([[low], inner, [high]])
    marks = [
        replace(mark, s_mm=min(mark.s_mm - low, high - low))
        for mark in target.landmarks
        if low - 1e-6 <= mark.s_mm <= high + 1e-6
    ]
    part = PlaneCurve(curve.at(s), curve.heading(s))
    return replace(target, name=f"{target.name}, {what}", curve=part, landmarks=marks)


def _further(hand: Hand, low: float, high: float) -> list[Ask]:
    """What was asked of the rest, by its own places."""
    kept: list[Ask] = []
    for ask in hand.active:
        start, end = ask.span_mm
        if end <= low or start >= high:
            continue
        if isinstance(ask, CutHere | AtMark):
            if low <= ask.s_mm <= high:
                kept.append(replace(ask, s_mm=ask.s_mm - low))
        elif isinstance(ask, NoCut):
            kept.append(replace(ask, edge_mm=(max(start - low, 0.0), end - low)))
        elif not isinstance(ask, LaidUpTo):
            raise PlanError(
                f"There is {ask.told}, which cannot stay: the lace lies otherwise there now.",
                "Unlock it.",
            )
    return kept
