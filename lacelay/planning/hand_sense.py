"""What she asks held against the edge, the wishes and the lace, before and after the search."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lacelay.errors import PlanError
from lacelay.model.hand import (
    AT_MARK_MM,
    LOCKED_MM,
    Ask,
    AtMark,
    CutHere,
    Footing,
    Hand,
    LaidUpTo,
    LockedCut,
    LockedRun,
    NoCut,
)
from lacelay.model.plan import Plan
from lacelay.model.target import TargetEdge
from lacelay.model.wishes import Wishes
from lacelay.planning.border_line import BorderLine
from lacelay.planning.candidates import Border
from lacelay.planning.cost_field import path_contents, path_minutes
from lacelay.planning.cut_paths import CutPath, cut_paths
from lacelay.planning.hand_rules import copy_of
from lacelay.planning.strip import Strip
from lacelay.units import format_length

Points = NDArray[np.float64]
Values = NDArray[np.float64]
#: A depth asked for is kept to this, the play of the border line round motifs.
DEPTH_PLAY_MM = 8.0


def hold_sense(hand: Hand, wishes: Wishes, target: TargetEdge) -> None:
    """Refuse what contradicts itself, the wishes or the edge, whatever the lace.

    Raises
    ------
    PlanError
        Which names both of what contradicts each other, and what frees the plan.
    """
    length = target.length_mm
    for ask in hand.active:
        low, high = ask.span_mm
        if high < 0 or low > length or (isinstance(ask, AtMark | NoCut) and low < -LOCKED_MM):
            raise PlanError(
                f"The edge is {format_length(length)} long, but there is {ask.told}.",
                "Give a place on the edge.",
            )
    footing = hand.held
    if footing is not None and abs(footing.edge_mm - length) > LOCKED_MM:
        raise PlanError(
            f"{_capital(hand.locks[0].told)} was locked on an edge {footing.edge_mm:.1f} mm "
            f"long; this one is {length:.1f} mm.",
            "Unlock it, or lay along the edge that it was locked on.",
        )
    if footing is not None:
        _hold_wishes(hand, footing, wishes)
    for closed in (each for each in hand.active if isinstance(each, NoCut)):
        low, high = closed.edge_mm
        for ask, cut in hand.locked_cuts:
            if cut.cut and low <= cut.s_mm <= high:
                raise _both(ask, closed)
        for ask in hand.active:
            if isinstance(ask, CutHere) and low <= ask.span_mm[0] and ask.span_mm[1] <= high:
                raise _both(ask, closed)
    for run in (each for each in hand.locks if isinstance(each, LockedRun)):
        low, high = run.edge_mm[0] + LOCKED_MM, run.edge_mm[1] - LOCKED_MM
        for ask in hand.active:
            inside = isinstance(ask, CutHere) and low < ask.span_mm[0] and ask.span_mm[1] < high
            inside |= isinstance(ask, LockedCut) and low < ask.s_mm < high
            inside |= (
                isinstance(ask, LockedRun)
                and ask is not run
                and ask.edge_mm[0] < high
                and ask.edge_mm[1] > low
                and abs(ask.edge_mm[0] - run.edge_mm[0]) > LOCKED_MM
            )
            if inside:
                raise _both(ask, run)


def _hold_wishes(hand: Hand, footing: Footing, wishes: Wishes) -> None:
    wanted = (
        (wishes.side not in ("either", footing.side), f"on the {footing.side} edge of the lace"),
        (
            wishes.laying_depth_mm is not None
            and abs(wishes.laying_depth_mm - footing.laying_depth_mm) > LOCKED_MM,
            f"where the lace keeps its length {footing.laying_depth_mm:.1f} mm inside the edge",
        ),
        (
            abs(wishes.stand_mm - footing.stand_mm) > LOCKED_MM,
            f"where valleys stand {footing.stand_mm:.1f} mm past the edge",
        ),
    )
    for otherwise, how in wanted:
        if otherwise:
            raise PlanError(
                f"{_capital(hand.locks[0].told)} lies {how}, and something else is wished.",
                "Wish it as it lies, or unlock it.",
            )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _both(one: Ask, other: Ask) -> PlanError:
    return PlanError(
        f"No plan can keep both {one.told} and {other.told}.",
        f"Take one of them back: {one.id} or {other.id}.",
    )


def hold_border(border: Border, footing: Footing, hand: Hand, wishes: Wishes) -> Border:
    """Bring a border to lie as it lay when something was locked, its locked cuts among its own.

    With other weights or wishes, or on a part of the edge, the border line and the candidate
    cuts may come out otherwise: then the line is that of the lock, candidates go up to it, and
    a locked cut is added as it is.
    """
    strip = border.strip
    if strip.side != footing.side:
        raise ValueError("the border of the other edge")
    known = strip.from_lace(np.array(footing.border_line_mm))
    known = known[np.argsort(known[:, 0], kind="stable")]
    if np.abs(border.line.b(known[:, 0]) - known[:, 1]).max() > LOCKED_MM:
        held = _line(border.line, known)
        own = tuple(cut_paths(held.field, held, border.weights, border.limits))
        border = replace(border, line=held, paths=own)
        wished = wishes.border_depth_mm
        if wished is not None and abs(wished - border.line.mean_mm) > DEPTH_PLAY_MM:
            raise PlanError(
                f"{_capital(hand.locks[0].told)} is of a border {border.line.mean_mm:.0f} mm "
                f"deep, and {wished:.0f} mm is wished.",
                "Wish it as deep as it lies, or unlock it.",
            )
    paths = list(border.paths)
    for cut in hand.lines:
        line = strip.from_lace(np.array(cut.path_mm))[::-1]
        copies = (copy_of(line, each, strip.period_mm, through=cut.through) for each in paths)
        if all(copy is None for copy in copies):
            paths.append(_locked_path(border, cut, line))
    if len(paths) > len(border.paths):
        paths.sort(key=lambda path: float(strip.into_template(path.end_mm[0])))
        border = replace(border, paths=tuple(paths))
    return border


def _line(line: BorderLine, known: Points) -> BorderLine:
    """The line over one repeat, from points over more than one."""
    strip, n = line.field.strip, len(line.b_mm)
    period = strip.period_mm
    a = strip.start_mm + (np.arange(n) + 0.5) * period / n
    first = a + np.ceil((known[0, 0] - a) / period) * period
    return replace(line, b_mm=np.interp(first, known[:, 0], known[:, 1]))


def _locked_path(border: Border, cut: LockedCut | LaidUpTo, line_mm: Points) -> CutPath:
    """A locked cut, its line from its outer end inwards, as a candidate of the template."""
    strip = border.strip
    end = float(line_mm[1 if cut.through else 0, 0])
    points = line_mm - [end - float(strip.into_template(end)), 0.0]
    if cut.through:
        outline, path = points[0], points[1:]
    else:
        a = float(points[0, 0])
        outline, path = np.array([a, float(strip.outline_b(a))]), points
    contents = path_contents(strip, path, border.limits)
    return CutPath(path, outline, cut.at_valley, contents, path_minutes(contents, border.weights))


def starts_by_hand(
    starts_mm: Values,
    hand: Hand,
    strip: Strip,
    target: TargetEdge,
    laying_depth_mm: float,
    *,
    free: bool,
) -> Values:
    """Starts at which what is locked lies, and every valley and tip wished at a mark.

    Parameters
    ----------
    starts_mm : ndarray
        Those open otherwise, within one repeat.
    free : bool
        Nothing else holds the start: then the first wish is met exactly, not only within its
        distance.

    Raises
    ------
    PlanError
        When no start meets them all; tells which is missed by how much.
    """
    held = hand.held
    if held is not None:
        off = _off(starts_mm - held.start_mm, strip.period_mm)
        if not free and off.min() > AT_MARK_MM:
            raise PlanError(
                f"{_capital(hand.locks[0].told)} holds the lace where what is wished at the "
                f"centre misses it by {off.min():.0f} mm.",
                "Unlock it, or let anything lie at the centre.",
            )
        starts_mm, free = np.array([held.start_mm]), False
    wishes = [ask for ask in hand.active if isinstance(ask, AtMark)]
    if not wishes:
        return starts_mm
    curve = target.curve

    def places(ask: AtMark) -> Values:
        own = strip.valleys_mm if ask.what == "valley" else strip.tips_mm
        return own - float(curve.laying_length(ask.s_mm, laying_depth_mm))

    if free:
        starts_mm = np.sort(strip.into_template(places(wishes[0])))
    miss = np.zeros((len(wishes), len(starts_mm)))
    for k, ask in enumerate(wishes):
        miss[k] = _off(starts_mm[:, None] - places(ask)[None, :], strip.period_mm).min(axis=1)
    within = np.array([ask.within_mm + LOCKED_MM for ask in wishes])[:, None]
    kept = (miss <= within).all(axis=0)
    if kept.any():
        return starts_mm[kept]
    best = int((miss - within).max(axis=0).argmin())
    worst = int((miss[:, best] - within[:, 0]).argmax())
    ask = wishes[worst]
    other = "what is locked" if held else "what lies at the centre" if not free else "the others"
    raise PlanError(
        f"There cannot be {ask.told} together with {other}: it misses by "
        f"{np.ceil(miss[worst, best]):.0f} mm.",
        f"{ask.remedy}, or give up {other}.",
    )


def _off(gaps: Values, period_mm: float) -> Values:
    """Distances along the border, the shorter way round the repeat."""
    half = period_mm / 2
    return np.abs(np.mod(gaps + half, period_mm) - half)


def hold_still(plan: Plan, hand: Hand) -> None:
    """Refuse a plan in which a locked stretch does not lie as it did.

    Raises
    ------
    PlanError
        When the edge, the give or the border's depth have changed under it.
    """
    for ask in hand.locks:
        if not isinstance(ask, LockedRun):
            continue
        middle = (ask.edge_mm[0] + ask.edge_mm[1]) / 2
        run = next(r for r in plan.runs if r.edge_interval_mm[1] > middle)
        outline = np.asarray(run.outline_mm, dtype=float)
        was = replace(
            run.laying,
            matrix=np.array(ask.matrix),
            shift_mm=np.array(ask.shift_mm),
            bend_per_mm=ask.bend_per_mm,
        )
        moved = float(np.hypot(*(run.laying.place(outline) - was.place(outline)).T).max())
        if moved > LOCKED_MM:
            raise PlanError(
                f"{ask.told[:1].upper()}{ask.told[1:]} would move by {moved:.2f} mm: the edge, "
                "the give allowed or the depth of the border is not what it was.",
                "Put that back, or unlock the stretch.",
            )


def stopped_by_hand(
    hand: Hand, free: Callable[[Hand], bool], unmet: Callable[[Ask], str | None]
) -> PlanError | None:
    """Say which thing asked stops every plan, and what frees it.

    Parameters
    ----------
    hand : Hand
    free : callable(Hand) -> bool
        Whether a plan holds with another hand instead.
    unmet : callable(Ask) -> str or None
        Why no start has a place for a thing asked; None where some have.

    Returns
    -------
    PlanError or None
        None when not even with nothing asked a plan holds: then a limit stops it.
    """
    for ask in hand.active:
        if free(hand.undo(ask.id)):
            reason = unmet(ask)
            why = "" if reason is None else f": {reason}"
            return PlanError(f"No plan holds with {ask.told}{why}.", f"{ask.remedy}.")
    if free(replace(hand, undone=frozenset(each.id for each in hand.items))):
        told = " and ".join(ask.told for ask in hand.active)
        return PlanError(
            f"No plan holds with {told} together, and taking back one of them does not free it.",
            "Take back more of them.",
        )
    return None
