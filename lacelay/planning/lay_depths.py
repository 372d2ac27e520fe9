"""Lay a lace along an edge with a border whose depth may differ from run to run.

Start, lace edge, laying line, the depth of every run and the cuts are searched together, over
a few border lines that keep clear of each other.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lacelay.errors import PlanError
from lacelay.model.lace import Side
from lacelay.model.plan import Plan
from lacelay.planning.assemble import Order, assemble_levels
from lacelay.planning.bends import tightest_bend
from lacelay.planning.border_line import border_lines
from lacelay.planning.candidates import Laid
from lacelay.planning.cost_field import cost_field
from lacelay.planning.cut_paths import cut_paths
from lacelay.planning.lay import (
    PLAY_MM,
    START_STEP_MM,
    USUAL_DEPTH_MM,
    _refuse_tight,
    _starts,
    _starts_are_free,
    depth_room,
)
from lacelay.planning.levels import Borders, borders_at, depths_allowed, places_at_levels
from lacelay.planning.meetings import search_levels
from lacelay.planning.shortest import Chain
from lacelay.planning.strip import Strip, border_strip

Values = NDArray[np.float64]
#: Laying lines tried on a hollow edge, as shares of the deepest border.
TURNED_IN = (1 / 3, 1 / 2)
#: Starts searched at a time: nearly all of the time is spent in arrays.
THREADS = 2
#: Most depths at which the border may be taken in one plan.
LEVELS = 5


@dataclass(frozen=True, eq=False)
class DepthWay:
    """One border at several depths along one laying line, with the starts to try.

    `allowed` tells for each depth where the edge allows it.
    """

    borders: Borders
    laying_depth_mm: float
    starts_mm: Values
    allowed: tuple[NDArray[np.bool_], ...]


@dataclass(frozen=True, eq=False)
class _Found:
    """A chain found for one way and start; `laid` has one entry a depth."""

    way: DepthWay
    laid: tuple[Laid, ...]
    chain: Chain


def lay_by_depths(order: Order, progress: Callable[[str, float], None] | None = None) -> Plan:
    """Find the best plan over sides, laying lines, starts, depths by run, and cuts.

    Raises
    ------
    TargetError
        When the edge is shorter than a scallop or bends too tightly for the border.
    PlanError
        When no plan holds within the limits, or something is locked or asked by hand.
    """
    if order.hand.active:
        raise PlanError(
            "What is locked, forbidden or demanded needs a border of one depth all along.",
            "Leave out that its depth may vary, or take those back.",
        )
    ways = depth_ways(order)
    total = sum(len(way.starts_mm) for way in ways)
    best: _Found | None = None
    done = 0
    every = [(way, float(start)) for way in ways for start in way.starts_mm]
    with ThreadPoolExecutor(THREADS) as pool:  # in order, so that the outcome is always the same
        for found in pool.map(lambda each: _search(order, *each), every):
            done += 1
            if progress is not None:
                progress(
                    "finding where it starts, how deep it is and where it is cut", done / total
                )
            if found is not None and (best is None or found.chain.cost < best.chain.cost - 1e-9):
                best = found
    if best is None:
        raise PlanError(
            "No plan holds within the limits with a border whose depth may vary.",
            "Lay it at one depth: that tells which limit stops it.",
        )
    step = 0.0
    if _starts_are_free(order):
        step = START_STEP_MM
        best = _refine(order, best)
    certificate = _certificate(ways, total, step)
    return assemble_levels(order, best.way.borders, best.laid, best.chain, certificate)


def depth_ways(order: Order) -> list[DepthWay]:
    """Every border at its depths, with every laying line and start to try."""
    lace, wishes = order.lace, order.wishes
    sides: list[Side] = [side for side in ("lower", "upper") if wishes.side in (side, "either")]
    if wishes.side == "either":
        sides = [side for side in sides if lace.edge(side).scalloped]
    if not sides:
        raise PlanError(
            f"Neither edge of {lace.name} has scallops.", "Choose a lace with a scalloped edge."
        )
    ways = []
    for side in sides:
        borders = _borders(order, border_strip(lace, side))
        for laying_depth in _laying_depths(order, borders):
            try:
                starts = _starts(order, borders.strip, laying_depth)
            except ValueError:  # the laying line turns back on itself: not a way to lay it
                continue
            within = borders.reaching(laying_depth + wishes.stand_mm)
            ways.append(DepthWay(within, laying_depth, starts, _allowed(order, within)))
    return ways


def _borders(order: Order, strip: Strip) -> Borders:
    lowest, room = depth_room(order, strip)
    place, radius = tightest_bend(order.target, strip.scallop_mm)
    _refuse_tight(lowest - order.wishes.stand_mm, radius, place)
    field = cost_field(strip, order.weights, order.limits, room + PLAY_MM)
    full = min(room, USUAL_DEPTH_MM)
    lines = border_lines(field, min(lowest, full), full, PLAY_MM, LEVELS)
    paths = cut_paths(field, lines[-1], order.weights, order.limits)
    return borders_at(strip, lines, paths, lines[-1].mean_mm, order.weights, order.limits)


def _allowed(order: Order, borders: Borders) -> tuple[NDArray[np.bool_], ...]:
    ranges = order.wishes.depths
    for each in ranges:
        if not any(each.least_mm <= depth <= each.most_mm for depth in borders.depths_mm):
            told = ", ".join(f"{depth:.0f}" for depth in borders.depths_mm)
            raise PlanError(
                f"No border line of this lace lies {each.least_mm:.0f} to {each.most_mm:.0f} mm "
                f"deep: its lines lie {told} mm deep.",
                "Widen the range so that it holds one of them.",
            )
    allowed = depths_allowed(
        order.target,
        borders.depths_mm,
        ranges,
        depth_share=order.limits.depth_share,
        window_mm=borders.strip.scallop_mm,
    )
    return tuple(allowed)


def _laying_depths(order: Order, borders: Borders) -> list[float]:
    wishes, curve = order.wishes, order.target.curve
    if wishes.laying_depth_mm is not None:
        return [wishes.laying_depth_mm]
    depths = [-wishes.stand_mm]
    inner_b = borders.levels[-1].inner_b_mm
    s = np.linspace(0.0, curve.length_mm, 200)
    if bool(np.any(curve.kappa(s) * inner_b < -0.05)):
        # Where the inner side opens, turning part-way in shares this between a lap at the
        # edge and an opening inside.
        depths += [inner_b * share - wishes.stand_mm for share in TURNED_IN]
    return depths


def _search(order: Order, way: DepthWay, start_mm: float) -> _Found | None:
    laid = places_at_levels(
        way.borders,
        order.target,
        start_mm=start_mm,
        laying_depth_mm=way.laying_depth_mm,
        stand_mm=order.wishes.stand_mm,
        allowed=way.allowed,
    )
    chain = search_levels([each.places for each in laid], order.weights, order.limits)
    return None if chain is None else _Found(way, laid, chain)


def _refine(order: Order, best: _Found) -> _Found:
    """Move the start within its step: halve the step round the best until it is 0.1 mm."""
    step = START_STEP_MM / 2
    while step >= 0.1:
        for offset in (-step, step):
            found = _search(order, best.way, best.laid[0].places.start_mm + offset)
            if found is not None and found.chain.cost < best.chain.cost - 1e-9:
                best = found
                break
        else:
            step /= 2
    return best


def _certificate(ways: list[DepthWay], starts: int, step_mm: float) -> str:
    sides = {way.borders.strip.side: len(way.borders.levels[0].paths) for way in ways}
    most = max(len(way.borders.levels) for way in ways)
    told = (
        f"best of all ways to cut at {sum(sides.values())} candidate cuts a repeat, each run at "
        f"any of up to {most} depths, over {starts} starts on {len(ways)} laying lines, given "
        "these weights and limits"
    )
    if step_mm:
        told += f"; starts every {step_mm:.0f} mm, the best one refined to 0.1 mm"
    return told
