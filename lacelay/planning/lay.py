"""Lay a lace along an edge: which side, where it starts, where it is cut."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lacelay.errors import PlanError, TargetError
from lacelay.model.hand import Ask, Hand
from lacelay.model.lace import Lace, Side
from lacelay.model.plan import Plan
from lacelay.model.target import TargetEdge
from lacelay.model.wishes import Limits, Weights, Wishes
from lacelay.planning.assemble import Order, assemble
from lacelay.planning.bends import tightest_bend
from lacelay.planning.border_line import border_line, choose_depth
from lacelay.planning.candidates import Border, Laid, places_along
from lacelay.planning.cost_field import cost_field
from lacelay.planning.cut_paths import cut_paths
from lacelay.planning.freeing import what_frees
from lacelay.planning.hand_rules import UnmetError, joined, rules_for
from lacelay.planning.hand_sense import (
    hold_border,
    hold_sense,
    hold_still,
    starts_by_hand,
    stopped_by_hand,
)
from lacelay.planning.held_search import HeldTables
from lacelay.planning.meetings import search_places
from lacelay.planning.reasons import why
from lacelay.planning.shortest import Chain
from lacelay.planning.strip import Strip, border_strip

Progress = Callable[[str, float], None]
Values = NDArray[np.float64]
#: Where no place of the lace must lie on a centre, starts are tried this close together.
START_STEP_MM = 2.0
#: How far the border line may climb or dip to go round a motif.
PLAY_MM = 8.0
#: Deepest border taken unasked.
USUAL_DEPTH_MM = 60.0
#: Share of a bend's radius that a border is taken deep unasked. Common practice warns at a
#: third; up to here the laps stay workable.
SHARE_OF_RADIUS = 0.45


@dataclass(frozen=True, eq=False)
class _Found:
    """A chain found for one border, laying line and start."""

    border: Border
    laid: Laid
    chain: Chain


@dataclass(frozen=True, eq=False)
class _Way:
    """One border along one laying line, with the starts to try."""

    border: Border
    laying_depth_mm: float
    starts_mm: Values


def lay_border(
    lace: Lace,
    target: TargetEdge,
    *,
    wishes: Wishes | None = None,
    weights: Weights | None = None,
    limits: Limits | None = None,
    hand: Hand | None = None,
    progress: Progress | None = None,
) -> Plan:
    """Find the best plan over sides, laying lines, starts and cuts.

    Parameters
    ----------
    lace : Lace
    target : TargetEdge
    wishes, weights, limits
        Defaults where None.
    hand : Hand, optional
        What she locks, forbids and demands; the rest is planned round it.
    progress : callable(str, float), optional
        Told what is being done and the share done.

    Returns
    -------
    Plan
        Without a purchase.

    Raises
    ------
    TargetError
        When the edge is shorter than a scallop or bends too tightly for the border.
    PlanError
        When no plan holds within the limits, or with what is asked; the message says which of
        them stops it.
    """
    order = Order(
        lace,
        target,
        wishes or Wishes(),
        weights or Weights(),
        limits or Limits(),
        hand or Hand(),
    )
    hold_sense(order.hand, order.wishes, target)
    if order.wishes.vary_depth:
        from lacelay.planning.lay_depths import lay_by_depths

        return lay_by_depths(order, progress)
    ways = list(_ways(order))
    total = sum(len(way.starts_mm) for way in ways)
    best: _Found | None = None
    done = 0
    for way in ways:
        for start in way.starts_mm:
            found = _search(order, way, float(start))
            done += 1
            if progress is not None:
                progress("finding where it starts and where it is cut", done / total)
            if found is not None and (best is None or found.chain.cost < best.chain.cost - 1e-9):
                best = found
    if best is None:
        raise _impossible(order, ways)
    step = 0.0
    if _starts_are_free(order) and not order.hand.holds_start:
        step = START_STEP_MM
        best = _refine(order, best)
    told = _certificate(ways, total, step)
    if order.hand.active:
        told += f"; with {'; '.join(ask.told for ask in order.hand.active)}"
    plan = _finished(order, best, told)
    hold_still(plan, order.hand)
    return plan


def _finished(order: Order, best: _Found, certificate: str) -> Plan:
    """The plan of what was found, with its reasons where nothing is asked by hand."""
    plan = assemble(order, best.border, best.laid, best.chain, certificate)
    if order.hand.active:
        return plan
    told = why(best.border, best.laid, best.chain, order.weights, order.limits)
    return replace(plan, reasons=told)


def ready_border(order: Order, side: Side) -> Border:
    """Prepare the border of one edge: its line and its candidate cuts, as `lay_border` does."""
    border = _border(order, border_strip(order.lace, side))
    held = order.hand.held
    return border if held is None else hold_border(border, held, order.hand, order.wishes)


def _ways(order: Order) -> Iterator[_Way]:
    lace, wishes = order.lace, order.wishes
    sides: list[Side] = [
        side
        for side in ("lower", "upper")
        if lace.edge(side).scalloped and wishes.side in (side, "either")
    ]
    if not sides:
        if wishes.side == "either":
            raise PlanError(
                f"Neither edge of {lace.name} has scallops.", "Choose a lace with a scalloped edge."
            )
        raise PlanError(
            f"The {wishes.side} edge of {lace.name} has no scallops.", "Choose its other edge."
        )
    held = order.hand.held
    if held is not None:
        sides = [held.side]
    unmet: PlanError | None = None
    ready = 0
    for side in sides:
        border = ready_border(order, side)
        depths = [held.laying_depth_mm] if held else _laying_depths(order, border)
        for laying_depth in depths:
            try:
                starts = _starts(order, border.strip, laying_depth)
            except ValueError:  # the laying line turns back on itself: not a way to lay it
                continue
            try:
                starts = starts_by_hand(
                    starts,
                    order.hand,
                    border.strip,
                    order.target,
                    laying_depth,
                    free=_starts_are_free(order),
                )
            except PlanError as problem:
                unmet = problem
                continue
            ready += 1
            yield _Way(border, laying_depth, starts)
    if unmet is not None and not ready:
        raise unmet


def depth_room(order: Order, strip: Strip) -> tuple[float, float]:
    """Least and most depth of a border of a strip, from the valley line.

    Raises
    ------
    TargetError, PlanError
        When the edge is shorter than a scallop, or the lace too narrow for a border.
    """
    target, limits = order.target, order.limits
    if target.length_mm < strip.scallop_mm:
        raise TargetError(
            f"The edge is {target.length_mm:.0f} mm long, shorter than one scallop of "
            f"{strip.scallop_mm:.0f} mm.",
            "Check its units, or choose a lace with smaller scallops.",
        )
    both = order.lace.lower.scalloped and order.lace.upper.scalloped
    room = strip.width_mm / 2 - 2.0 if both else strip.width_mm - 4.0
    lowest = max(strip.reach_mm, limits.uncut_beaded_mm) + 8.0
    if room < lowest:
        raise PlanError(
            f"{order.lace.name} is too narrow for a border: it holds {room:.0f} mm, and scallops "
            f"with what is left uncut take {lowest:.0f} mm.",
            "Check the scale of the photo, or choose a wider lace.",
        )
    return lowest, room


def _border(order: Order, strip: Strip) -> Border:
    target, wishes, limits = order.target, order.wishes, order.limits
    if wishes.vary_depth:
        raise PlanError(
            "What is locked, forbidden or demanded, and three plans side by side, need a border "
            "of one depth all along.",
            "Leave out that its depth may vary.",
        )
    lowest, room = depth_room(order, strip)
    place, radius = tightest_bend(target, strip.scallop_mm)
    field = cost_field(strip, order.weights, limits, room + PLAY_MM)
    if wishes.border_depth_mm is not None:
        depth = wishes.border_depth_mm
        if not lowest <= depth <= room:
            raise PlanError(
                f"A border {depth:.0f} mm deep cannot come off this edge, which holds "
                f"{lowest:.0f} to {room:.0f} mm.",
                "Choose a depth between them.",
            )
        _refuse_tight(depth - wishes.stand_mm, radius, place)
        line = border_line(field, depth, min(PLAY_MM, depth - lowest + 2.0, room - depth + 2.0))
    else:
        highest = min(room, USUAL_DEPTH_MM, max(lowest, SHARE_OF_RADIUS * radius))
        _refuse_tight(lowest - wishes.stand_mm, radius, place)
        line = choose_depth(field, min(lowest, 0.7 * highest + 0.3 * lowest), highest, PLAY_MM)
    paths = tuple(cut_paths(field, line, order.weights, limits))
    return Border(strip, line, paths, order.weights, limits)


def _refuse_tight(depth_mm: float, radius_mm: float, place_mm: float) -> None:
    if radius_mm < depth_mm:
        raise TargetError(
            f"The edge bends with a radius of {radius_mm:.0f} mm at {place_mm:.0f} mm from its "
            f"start, tighter than the border is deep there ({depth_mm:.0f} mm): its runs would "
            "all lie on top of each other.",
            "Take the border shallower, or cut single motifs for that bend.",
        )


def _laying_depths(order: Order, border: Border) -> list[float]:
    wishes, curve = order.wishes, order.target.curve
    if wishes.laying_depth_mm is not None:
        return [wishes.laying_depth_mm]
    depths = [-wishes.stand_mm]
    s = np.linspace(0.0, curve.length_mm, 200)
    hollow = bool(np.any(curve.kappa(s) * border.inner_b_mm < -0.05))
    if hollow:
        # On a scoop the inner side opens; turning part-way in shares this between a lap at
        # the edge and an opening inside.
        depths.append(border.inner_b_mm / 2 - wishes.stand_mm)
    return depths


def _starts_are_free(order: Order) -> bool:
    return order.target.centre is None or order.wishes.centre == "anywhere"


def _starts(order: Order, strip: Strip, laying_depth_mm: float) -> Values:
    """Where the border may start: a at s = 0, within one repeat."""
    curve = order.target.curve
    curve.from_laying_length(0.0, laying_depth_mm)
    if _starts_are_free(order):
        n = int(np.ceil(strip.period_mm / START_STEP_MM))
        return strip.start_mm + np.arange(n) * strip.period_mm / n
    assert order.target.centre is not None
    wanted = {
        "valley": [strip.valleys_mm],
        "tip": [strip.tips_mm],
        "either": [strip.valleys_mm, strip.tips_mm],
    }[order.wishes.centre]
    at_centre = float(curve.laying_length(order.target.centre.s_mm, laying_depth_mm))
    return np.asarray(strip.into_template(np.concatenate(wanted) - at_centre))


def _laid(order: Order, way: _Way, start_mm: float) -> Laid:
    return places_along(
        way.border,
        order.target,
        start_mm=start_mm,
        laying_depth_mm=way.laying_depth_mm,
        stand_mm=order.wishes.stand_mm,
    )


def _search(order: Order, way: _Way, start_mm: float) -> _Found | None:
    laid = _laid(order, way, start_mm)
    if order.hand.active:
        try:
            laid = joined(laid, way.border, order.hand)
            rules = rules_for(laid, way.border, order.hand)
        except UnmetError:
            return None
        chain = HeldTables(laid.places, order.limits).search(order.weights, rules)
    else:
        chain = search_places(laid.places, order.weights, order.limits)
    return None if chain is None else _Found(way.border, laid, chain)


def _refine(order: Order, best: _Found) -> _Found:
    """Move the start within its step: halve the step round the best until it is 0.1 mm."""
    way = _Way(best.border, best.laid.places.laying_depth_mm, np.empty(0))
    step = START_STEP_MM / 2
    while step >= 0.1:
        for offset in (-step, step):
            found = _search(order, way, best.laid.places.start_mm + offset)
            if found is not None and found.chain.cost < best.chain.cost - 1e-9:
                best = found
                break
        else:
            step /= 2
    return best


def _certificate(ways: list[_Way], starts: int, step_mm: float) -> str:
    candidates = sum(len(way.border.paths) for way in ways)
    told = (
        f"best of all ways to cut at {candidates} candidate cuts a repeat, over {starts} "
        f"starts on {len(ways)} laying lines, given these weights and limits"
    )
    if step_mm:
        told += f"; starts every {step_mm:.0f} mm, the best one refined to 0.1 mm"
    return told


def _impossible(order: Order, ways: list[_Way]) -> PlanError:
    """Say what stops every plan, something asked or a limit, and what would free it."""
    if order.hand.active:

        def free(hand: Hand) -> bool:
            trial = replace(order, hand=hand)
            return any(
                _search(trial, way, float(start)) is not None
                for way in ways
                for start in way.starts_mm[:: max(1, len(way.starts_mm) // 12)]
            )

        def unmet(ask: Ask) -> str | None:
            least: UnmetError | None = None
            for way in ways:
                for start in way.starts_mm:
                    try:
                        rules_for(_laid(order, way, float(start)), way.border, order.hand)
                    except UnmetError as problem:
                        if problem.ask is not ask:
                            return None
                        if least is None or problem.off_mm < least.off_mm:
                            least = problem
                    else:
                        return None
            return None if least is None else least.reason

        stopped = stopped_by_hand(order.hand, free, unmet)
        if stopped is not None:
            return stopped
        order = replace(order, hand=Hand())
    near = replace(order.limits, cut_distance_mm=0.0)
    starts = []
    for way in ways:
        border = replace(way.border, limits=near)
        for start in way.starts_mm[:: max(1, len(way.starts_mm) // 6)]:
            laid = _laid(order, replace(way, border=border), float(start))
            starts.append((border, laid))
    return what_frees(starts, order.weights, order.limits)
