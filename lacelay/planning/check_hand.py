"""What was locked, forbidden, demanded and wished, measured on the plan as it stands.

Nothing here calls the search or its rules. Where a cut lies is measured from its line on the
lace and the start of the border, not taken from what the plan states.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray

from lacelay.model.hand import (
    LOCKED_MM,
    AtMark,
    CutHere,
    Hand,
    LaidUpTo,
    LockedCut,
    LockedRun,
    NoCut,
)
from lacelay.model.plan import Plan
from lacelay.planning.remeasured import Remeasured

Found = Iterator[tuple[str, str]]
Points = NDArray[np.float64]
#: Lengths are written to files to 1e-6 mm.
WRITTEN_MM = 1e-4
#: How far beyond its cut lace laid already is reckoned with.
BEYOND_MM = 60.0


def check_hand(plan: Plan, measured: Remeasured, hand: Hand) -> Found:
    """Check that a plan keeps what was asked.

    Parameters
    ----------
    plan : Plan
    measured : Remeasured
    hand : Hand
        Things undone are not held against the plan.

    Yields
    ------
    rule, message : str
    """
    cut_s = _places_of_cuts(plan, measured)
    real = np.array([cut.kind != "uncut" for cut in plan.cuts], dtype=bool)
    yield from _footing(plan, measured, hand)
    for ask, cut in hand.locked_cuts:
        yield from _locked_cut(plan, cut, cut_s, ask.told)
    for ask in hand.active:
        if isinstance(ask, LockedRun):
            yield from _locked_run(plan, ask)
        elif isinstance(ask, NoCut):
            low, high = ask.edge_mm
            inside = cut_s[real & (cut_s > low + WRITTEN_MM) & (cut_s < high - WRITTEN_MM)]
            for s in inside:
                yield "no cut there", f"asked was {ask.told}; one lies at {s:.1f} mm"
        elif isinstance(ask, CutHere):
            gaps = np.abs(cut_s[real] - ask.s_mm)
            if not len(gaps) or gaps.min() > ask.within_mm + WRITTEN_MM:
                yield "a cut there", f"asked was {ask.told}; there is none"
        elif isinstance(ask, LaidUpTo):
            yield from _laid_up_to(plan, ask)
        elif isinstance(ask, AtMark):
            yield from _at_mark(plan, measured, ask)


def _places_of_cuts(plan: Plan, measured: Remeasured) -> Points:
    """Place on the edge of each cut, from where its line lies on the lace."""
    if not plan.cuts:
        return np.empty(0)
    turns = np.array([np.asarray(cut.turn_mm, dtype=float) for cut in plan.cuts])
    along = measured.along(turns) - plan.start_mm
    return np.asarray(plan.target.curve.from_laying_length(along, plan.laying_depth_mm))


def _footing(plan: Plan, measured: Remeasured, hand: Hand) -> Found:
    held = hand.held
    if held is None:
        return
    if plan.side != held.side:
        yield "locked", f"locked was the {held.side} edge of the lace, the plan uses the other"
        return
    for what, was, now in (
        ("where it starts", held.start_mm, plan.start_mm),
        ("where the lace keeps its length", held.laying_depth_mm, plan.laying_depth_mm),
        ("how far valleys stand past the edge", held.stand_mm, plan.wishes.stand_mm),
        ("the length of the edge", held.edge_mm, plan.target.length_mm),
    ):
        if abs(was - now) > LOCKED_MM:
            yield "locked", f"{what} was {was:.2f} mm when it was locked, now {now:.2f} mm"


def _locked_cut(plan: Plan, lock: LockedCut, cut_s: Points, told: str) -> Found:
    if not len(cut_s):
        yield "locked", f"{told} is gone: nothing is cut"
        return
    index = int(np.abs(cut_s - lock.s_mm).argmin())
    cut, off = plan.cuts[index], float(abs(cut_s[index] - lock.s_mm))
    stated = abs(plan.runs[index].lace_interval_mm[1] - lock.along_mm)
    if max(off, stated) > LOCKED_MM + WRITTEN_MM:
        yield "locked", f"{told}: the nearest cut lies {max(off, stated):.2f} mm off"
        return
    if (cut.kind != "uncut") != lock.cut:
        yield "locked", f"{told} is now {'cut' if cut.kind != 'uncut' else 'left uncut'}"
    if cut.kind != "uncut" and lock.cut and (cut.kind == "through") != lock.through:
        yield "locked", f"{told} now {'goes' if cut.kind == 'through' else 'does not go'} through"
    line = np.array(lock.path_mm, dtype=float)
    apart = shapely.hausdorff_distance(
        shapely.LineString(line), shapely.LineString(np.asarray(cut.path_mm))
    )
    for run in (plan.runs[index], plan.runs[index + 1]):
        ring = shapely.Polygon(run.outline_mm).boundary
        apart = max(apart, float(shapely.distance(shapely.points(line), ring).max()) - 0.05)
    if apart > LOCKED_MM:
        yield "locked", f"{told} now runs up to {apart:.2f} mm beside its line"


def _locked_run(plan: Plan, lock: LockedRun) -> Found:
    ends = np.array([run.edge_interval_mm for run in plan.runs])
    along = np.array([run.lace_interval_mm for run in plan.runs])
    off = np.maximum(np.abs(ends - lock.edge_mm), np.abs(along - lock.along_mm)).max(axis=1)
    index = int(off.argmin())
    if off[index] > LOCKED_MM + WRITTEN_MM:
        yield "locked", f"{lock.told} is no stretch of the plan any more"
        return
    run = plan.runs[index]
    was = replace(
        run.laying,
        matrix=np.array(lock.matrix),
        shift_mm=np.array(lock.shift_mm),
        bend_per_mm=lock.bend_per_mm,
    )
    outline = np.asarray(run.outline_mm, dtype=float)
    moved = float(np.hypot(*(was.place(outline) - run.laying.place(outline)).T).max())
    if moved > LOCKED_MM:
        yield "locked", f"{lock.told} moved by {moved:.2f} mm"


def laid_beyond(plan: Plan, measured: Remeasured, hand: Hand) -> shapely.Geometry:
    """Where lace is laid already beyond an end of this plan, on the garment.

    What that cut laps or bares was told by the plan it was made by.
    """
    parts = []
    for ask in hand.locks:
        if not isinstance(ask, LaidUpTo):
            continue
        run = plan.runs[0 if ask.at == "start" else -1]
        inward = np.asarray(run.laying.inward, dtype=float)
        along = np.array([inward[1], -inward[0]]) * (-1.0 if ask.at == "start" else 1.0)
        line = np.array(ask.path_mm, dtype=float)  # from the inner side outwards
        line = np.vstack([line[:1] + BEYOND_MM * inward, line, line[-1:] - BEYOND_MM * inward])
        figure = np.vstack([line, line[::-1] + BEYOND_MM * along])
        parts.append(shapely.Polygon(run.laying.place(figure)).buffer(0.5))
    return shapely.union_all(parts) if parts else shapely.Polygon()


def _laid_up_to(plan: Plan, ask: LaidUpTo) -> Found:
    """The first or last stretch ends with the line of the cut that is made."""
    run = plan.runs[0 if ask.at == "start" else -1]
    at = run.lace_interval_mm[0 if ask.at == "start" else 1]
    if abs(at - ask.along_mm) > LOCKED_MM + WRITTEN_MM:
        yield "locked", f"{ask.told}: the lace lies {at - ask.along_mm:.2f} mm otherwise"
    ring = shapely.Polygon(run.outline_mm).boundary
    line = shapely.points(np.array(ask.path_mm, dtype=float))
    apart = float(shapely.distance(line, ring).max())
    if apart > LOCKED_MM + 0.05:
        yield "locked", f"{ask.told}: the stretch ends up to {apart:.2f} mm beside that cut"


def _at_mark(plan: Plan, measured: Remeasured, ask: AtMark) -> Found:
    curve = plan.target.curve
    at = plan.start_mm + float(curve.laying_length(ask.s_mm, plan.laying_depth_mm))
    edge = plan.lace.edge(plan.side)
    places = edge.valleys_mm if ask.what == "valley" else edge.tips_mm
    low, high = plan.template_mm
    own = places[(places[:, 0] >= low - 1e-6) & (places[:, 0] <= high + 1e-6)]
    gaps = measured.along(own) - at
    period = measured.period_mm
    nearest = float(np.abs(np.mod(gaps + period / 2, period) - period / 2).min())
    if nearest > ask.within_mm + 2 * LOCKED_MM:
        yield "at the mark", f"asked was {ask.told}; it lies {nearest:.1f} mm off"
