"""Runs: proper motions, lace that exists and is used once, order, place, easing."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import shapely
from numpy.typing import NDArray

from lacelay.model.plan import Plan, Run
from lacelay.planning.remeasured import Remeasured, wrapped

Found = Iterator[tuple[str, str]]
Points = NDArray[np.float64]
#: Copies of a motif differ by about this on real lace; outlines may stand out by as much.
COPY_PLAY_MM = 2.0
#: Picots stand this close, so that what lies between two of them counts as lace.
PICOT_MM = 3.0


def check_runs(plan: Plan, measured: Remeasured) -> Found:
    """Check each run by itself and all of them together."""
    for number, run in enumerate(plan.runs, start=1):
        yield from _motion(plan, run, number)
        yield from _exists(measured, run, number)
        yield from _place(plan, measured, run, number)
        yield from _easing(plan, measured, run, number)
        yield from _inner_side(plan, measured, number - 1)
    yield from _used_once(plan)
    yield from _in_order(plan, measured)
    yield from _centre(plan, measured)


def _motion(plan: Plan, run: Run, number: int) -> Found:
    matrix = np.asarray(run.laying.matrix, dtype=float)
    if np.abs(matrix @ matrix.T - np.eye(2)).max() > 1e-6:
        yield "rigid", f"run {number} is not moved as it is: its motion stretches it"
    if np.linalg.det(matrix) < 0 and not plan.lace.reversible:
        yield "never flipped", f"run {number} is flipped, wrong side up"
    inward = np.asarray(run.laying.inward, dtype=float)
    wanted = np.array([0.0, 1.0 if plan.side == "lower" else -1.0])
    if np.abs(inward - wanted).max() > 1e-9:
        yield (
            "scallops outwards",
            f"run {number} does not have its scallops at the {plan.side} edge",
        )


def _exists(measured: Remeasured, run: Run, number: int) -> Found:
    # Outlines are kept by height, which bridges the hooks between picots: close those first.
    whole = measured.lace_area.buffer(PICOT_MM).buffer(COPY_PLAY_MM - PICOT_MM)
    low = measured.plan.template_mm[0]
    points = run.outline_mm.copy()
    period = measured.period_mm
    if np.isfinite(period):
        points[:, 0] = low + np.mod(points[:, 0] - low, period)
    outside = ~shapely.contains_xy(whole, points[:, 0], points[:, 1])
    if outside.any():
        yield (
            "lace that exists",
            f"run {number} reaches {outside.sum()} outline points beyond the lace",
        )
    if not shapely.Polygon(run.outline_mm).is_valid:
        yield "lace that exists", f"the outline of run {number} crosses itself"


def _used_once(plan: Plan) -> Found:
    polygons = [shapely.Polygon(run.outline_mm).buffer(0) for run in plan.runs]
    tree = shapely.STRtree(polygons)
    for i, polygon in enumerate(polygons):
        for j in tree.query(polygon):
            if j > i:
                area = polygon.intersection(polygons[j]).area
                if area > 1.0:
                    yield (
                        "lace used once",
                        f"runs {i + 1} and {j + 1} share {area:.0f} mm2 of the lace",
                    )


def _in_order(plan: Plan, measured: Remeasured) -> Found:
    curve, p = plan.target.curve, plan.laying_depth_mm
    reached_s, reached_a = 0.0, plan.start_mm
    for number, run in enumerate(plan.runs, start=1):
        a0, a1 = run.lace_interval_mm
        s0, s1 = run.edge_interval_mm
        if abs(s0 - reached_s) > 0.05 or abs(a0 - reached_a) > 0.05 or s1 <= s0:
            yield "whole edge", f"run {number} does not begin where the one before it ends"
        lace = float(curve.laying_length(s1, p) - curve.laying_length(s0, p))
        if abs((a1 - a0) - lace) > 0.1:
            yield (
                "length along the laying line",
                f"run {number} takes {a1 - a0:.1f} mm of lace for {lace:.1f} mm",
            )
        reached_s, reached_a = s1, a1
        turned_in = plan.limits.turn_in_mm
        along = measured.along(run.outline_mm)
        first = a0 - (turned_in if number == 1 else 0.0)
        last = a1 + (turned_in if number == len(plan.runs) else 0.0)
        middle = (along.min() + along.max()) / 2
        if not first <= middle <= last:
            yield "lace that exists", f"the outline of run {number} is not of its stretch of lace"
    if abs(reached_s - plan.target.length_mm) > 0.05:
        yield "whole edge", f"the runs end at {reached_s:.1f} of {plan.target.length_mm:.1f} mm"
    eat_up = (reached_a - plan.start_mm) / plan.target.length_mm
    if abs(eat_up - plan.eat_up) > 1e-3:
        yield "lace eaten up", f"{plan.eat_up:.3f} is stated, {eat_up:.3f} measured"


def _place(plan: Plan, measured: Remeasured, run: Run, number: int) -> Found:
    """Scallop line against the edge, at every millimetre, by general polygon distance."""
    curve = plan.target.curve
    a0, a1 = run.lace_interval_mm
    a = np.linspace(a0, a1, max(9, int(a1 - a0) + 1))
    laid = run.laying.place(measured.lace_at(a, np.zeros_like(a)))
    wanted = shapely.LineString(
        curve.place(np.linspace(-60.0, curve.length_mm + 60.0, 4000), -plan.wishes.stand_mm)
    )
    miss = shapely.distance(shapely.points(laid), wanted)
    worst = float(miss.max())
    if abs(worst - run.edge_error_mm) > 0.15 + 0.03 * worst:
        yield (
            "distance from the edge",
            f"run {number} lies up to {worst:.1f} mm off, {run.edge_error_mm:.1f} is stated",
        )
    limits, free = plan.limits, plan.target.kind == "free"
    limit = limits.free_limit_mm if free else limits.edge_limit_mm
    if worst > limit + 0.2:
        yield "distance from the edge", f"run {number} lies {worst:.1f} mm off, over {limit:.1f}"
    tolerance = limits.free_tolerance_mm if free else limits.edge_tolerance_mm
    over = np.maximum(miss - tolerance, 0.0)
    excess = float(np.trapezoid(over, a))
    if abs(excess - run.edge_excess_mm2) > 2.0 + 0.08 * excess:
        yield (
            "distance from the edge",
            f"run {number} has {excess:.0f} mm2 past the tolerance, "
            f"{run.edge_excess_mm2:.0f} stated",
        )
    s0, s1 = run.edge_interval_mm
    inside = np.linspace(s0, s1, 801)
    off = np.array([wrapped(h - measured.headings_rad[number - 1]) for h in curve.heading(inside)])
    if np.abs(off).min() > 0.01 or not s0 - 0.05 <= run.touch_s_mm <= s1 + 0.05:
        yield "touching point", f"run {number} nowhere takes the direction of the edge"
    elif abs(wrapped(float(curve.heading(run.touch_s_mm)) - measured.headings_rad[number - 1])) > (
        0.01
    ):
        yield "touching point", f"run {number} does not take the edge's direction where it says"


def _easing(plan: Plan, measured: Remeasured, run: Run, number: int) -> Found:
    """Strain measured on the outline: its height over the neutral line, times the bend."""
    bend = run.laying.bend_per_mm
    b = measured.inwards(run.outline_mm) - (plan.laying_depth_mm + plan.wishes.stand_mm)
    strain = -bend * b  # longer where positive
    # The outline seen may stand out a little past the tips that the give was judged by.
    play = abs(bend) * COPY_PLAY_MM + 1e-4
    squeezed, stretched = max(0.0, -float(strain.min())), max(0.0, float(strain.max()))
    if squeezed > plan.limits.squeeze + play or stretched > plan.limits.stretch + play:
        yield (
            "give",
            f"run {number} is squeezed {squeezed:.1%} and stretched {stretched:.1%}, more than "
            "the lace gives",
        )
    if squeezed > run.strain[0] + play or stretched > run.strain[1] + play:
        yield "give", f"run {number} is strained more than it says"
    if (
        abs(bend) > 1e-12
        and abs(
            float(measured.inwards(np.asarray(run.laying.pivot_mm)))
            - (plan.laying_depth_mm + plan.wishes.stand_mm)
        )
        > 0.05
    ):
        yield "give", f"run {number} is not eased about the laying line"


def _inner_side(plan: Plan, measured: Remeasured, index: int) -> Found:
    """What the inner side leaves bare and cuts through, and the depths asked for."""
    run, full, name = plan.runs[index], plan.full_depth_mm, f"run {index + 1}"
    if full is None:  # made before runs stated this
        return
    side = inner_side(plan, measured, index)
    step = np.diff(side, axis=0)
    middle = (side[:-1] + side[1:]) / 2
    shallow = float(np.sum(np.maximum(full - middle[:, 1], 0.0) * step[:, 0]))
    lace = measured.lace_at(middle[:, 0], middle[:, 1])
    low = plan.template_mm[0]
    lace[:, 0] = low + np.mod(lace[:, 0] - low, measured.period_mm)
    length = np.hypot(*step.T)
    motif, cord = (
        float(length[shapely.contains_xy(shape, lace[:, 0], lace[:, 1])].sum())
        for shape in (measured.motifs, measured.cords)
    )
    if abs(shallow - run.shallow_mm2) > 4.0 + 0.01 * shallow:
        yield (
            "depth",
            f"{name} leaves {shallow:.0f} mm2 short of full depth, {run.shallow_mm2:.0f} stated",
        )
    for what, found, told in (
        ("motif", motif, run.line_motif_mm),
        ("cord", cord, run.line_cord_mm),
    ):
        if abs(found - told) > 1.0 + 0.05 * found:
            yield (
                "depth",
                f"the inner side of {name} cuts {found:.1f} mm of {what}, {told:.1f} stated",
            )
    least, most = float(side[:, 1].min()), float(side[:, 1].max())
    if not least - 0.1 <= run.depth_mm <= most + 0.1 and run.lace_interval_mm[1] > (
        run.lace_interval_mm[0] + measured.period_mm
    ):
        yield "depth", f"{name} is said to be {run.depth_mm:.0f} mm deep and is not"
    if plan.wishes.border_depth_mm is not None:
        return
    for asked in plan.wishes.depths:
        on = run.edge_interval_mm[0] < asked.to_s_mm and run.edge_interval_mm[1] > asked.from_s_mm
        if on and not asked.least_mm - 0.1 <= run.depth_mm <= asked.most_mm + 0.1:
            yield (
                "depth",
                f"{name} is {run.depth_mm:.0f} mm deep where {asked.least_mm:.0f} to "
                f"{asked.most_mm:.0f} mm were asked",
            )


def inner_side(plan: Plan, measured: Remeasured, index: int) -> Points:
    """Inner side of a run from cut to cut, read off its outline: (along, inwards), (n, 2).

    Inwards is 0 where the outline has nothing.
    """
    run = plan.runs[index]
    ring = shapely.Polygon(run.outline_mm).boundary
    ends = list(run.lace_interval_mm)
    for end, cut in ((0, index - 1), (1, index)):
        if 0 <= cut < len(plan.cuts):
            stated = plan.cuts[cut]
            inner = stated.path_mm[:1]
            if len(stated.step_mm) and ring.distance(shapely.Point(stated.step_mm[0])) < 0.05:
                inner = stated.step_mm[:1]
            ends[end] = float(measured.along(inner)[0])
    low, high = ends
    a = np.linspace(low, high, max(2, int((high - low) / 0.2)))
    outline = np.vstack([run.outline_mm, run.outline_mm[:1]])
    p, q = measured.along(outline), measured.inwards(outline)
    left, right = np.minimum(p[:-1], p[1:]), np.maximum(p[:-1], p[1:])
    rise = np.divide(np.diff(q), np.diff(p), out=np.zeros(len(p) - 1), where=np.diff(p) != 0)
    over = (a[:, None] >= left - 1e-6) & (a[:, None] <= right + 1e-6)
    height = np.where(over, q[:-1] + rise * (np.clip(a[:, None], left, right) - p[:-1]), -np.inf)
    highest = height.max(axis=1)
    return np.stack([a, np.where(np.isfinite(highest), highest, 0.0)], axis=1)


def _centre(plan: Plan, measured: Remeasured) -> Found:
    """A valley or a tip at the centre where that was asked for."""
    centre, wish = plan.target.centre, plan.wishes.centre
    if centre is None or wish == "anywhere":
        return
    at = plan.start_mm + float(plan.target.curve.laying_length(centre.s_mm, plan.laying_depth_mm))
    edge = plan.lace.edge(plan.side)
    wanted = {
        "valley": [edge.valleys_mm],
        "tip": [edge.tips_mm],
        "either": [edge.valleys_mm, edge.tips_mm],
    }[wish]
    low, high = plan.template_mm
    places = np.concatenate(wanted)
    places = places[(places[:, 0] >= low - 1e-6) & (places[:, 0] <= high + 1e-6)]
    gaps = measured.along(places) - at
    period = measured.period_mm
    nearest = np.abs(np.mod(gaps + period / 2, period) - period / 2).min()
    if nearest > 1.0:
        yield (
            "the centre",
            f"no {wish if wish != 'either' else 'valley or tip'} lies at the {centre.name}: the "
            f"nearest is {nearest:.1f} mm off",
        )
