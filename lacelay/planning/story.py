"""What a plan says, in the maker's own words."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from lacelay.model.plan import Cut, Plan
from lacelay.planning.bends import tightest_bend
from lacelay.planning.story_reasons import reason_lines, three_lines
from lacelay.units import MM_PER_INCH, format_length, format_mixed

Length = Callable[[float], str]
#: Doubt about the scale from which a warning goes on everything.
SCALE_DOUBT = 0.01


def first_line(plan: Plan) -> str:
    """Tell what she can walk with the lace along the edge.

    For example "centre front to left side seam: 5 1/4 scallops, valley at the centre, 7 cuts".
    """
    target = plan.target
    centre = target.centre
    number = sum(cut.kind != "uncut" for cut in plan.cuts)
    cuts = "no cuts needed" if number == 0 else "1 cut" if number == 1 else f"{number} cuts"
    if centre is None:
        return f"end to end: {_scallops(plan, 0.0, target.length_mm)}, {cuts}"
    ends = [mark for mark in target.landmarks if mark.role == "end"]
    # One half stands for both; the trade names the wearer's left.
    left = [mark for mark in ends if mark.name.startswith("left")]
    seam = max(left or ends, key=lambda mark: mark.s_mm, default=None)
    s, name = (seam.s_mm, seam.name) if seam else (target.length_mm, "end")
    return (
        f"{centre.name} to {name}: {_scallops(plan, centre.s_mm, s)}, "
        f"{at_centre(plan)} at the centre, {cuts}"
    )


def report_lines(plan: Plan, *, inches: bool = False) -> list[str]:
    """Tell the whole plan, a line for each thing.

    Parameters
    ----------
    plan : Plan
    inches : bool
        Lengths in inches instead of mm and cm.
    """

    def length(mm: float) -> str:
        return format_length(mm, inches=inches)

    used = plan.eat_up * plan.target.length_mm
    lines = [
        f"Lace eaten up: {length(used)} of lace for {length(plan.target.length_mm)} of edge "
        f"({plan.eat_up:.2f} to 1).",
        f"Uses the {plan.side} edge of the lace{_turned(plan)}, taken "
        f"{_deep(plan, length)} deep{_laying(plan, length)}.",
        _edge_line(plan, length),
    ]
    lines += [_cut_line(plan, number, cut, inches=inches) for number, cut in real_cuts(plan)]
    lines += [
        _bare_line(plan, length, inches=inches),
        _bulk_line(plan, length, inches=inches),
        _bead_line(plan, inches=inches),
    ]
    if plan.purchase is not None:
        lines.append(f"Buy {length(plan.purchase.to_buy_mm)} in one length of one dye lot:")
        lines += [f"  {reason}" for reason in plan.purchase.reasons]
    lines += reason_lines(plan, inches=inches)
    lines += three_lines(plan, inches=inches)
    return [line for line in lines if line] + warnings(plan, inches=inches)


def _deep(plan: Plan, length: Length) -> str:
    """How deep the border is taken, from the shallowest stretch to the deepest."""
    depths = [run.depth_mm for run in plan.runs]
    if not max(depths) - min(depths) > 0.5:
        return length(plan.border_depth_mm)
    return f"{length(min(depths))} to {length(max(depths))}"


def warnings(plan: Plan, *, inches: bool = False) -> list[str]:
    """Tell what is in doubt and what to beware of, each a sentence."""
    told = []
    scallop = _pitch(plan)
    s, radius = tightest_bend(plan.target, scallop)
    if plan.border_depth_mm > radius / 3:
        told.append(
            f"Tight bend {format_length(s, inches=inches)} from the start: the border is deeper "
            "than a third of its radius. Try it on the toile; single motifs may lie better there."
        )
    doubt = 1.96 * plan.lace.scale.relative_sigma
    if doubt > SCALE_DOUBT:
        told.append(
            f"The scale is only known to {doubt:.1%}: over the whole edge that is "
            f"{format_length(doubt * plan.eat_up * plan.target.length_mm, inches=inches)}. "
            "Measure the lace and read the photo again before you cut."
        )
    told += [f"Doubt about the lace: {doubt_told}" for doubt_told in plan.lace.doubts]
    return told


def real_cuts(plan: Plan) -> list[tuple[int, Cut]]:
    """Cuts that are cut, numbered from 1 in order of the edge."""
    return list(enumerate((cut for cut in plan.cuts if cut.kind != "uncut"), start=1))


def at_centre(plan: Plan) -> str:
    """What lies at the centre: "valley", "tip" or "part of a scallop"."""
    centre, repeat = plan.target.centre, plan.lace.repeat
    if centre is None or repeat is None:
        return "part of a scallop"
    curve = plan.target.curve
    at = plan.start_mm + float(curve.laying_length(centre.s_mm, plan.laying_depth_mm))
    edge = plan.lace.edge(plan.side)
    sign = 1.0 if plan.side == "lower" else -1.0
    period = repeat.length_mm.value
    low, high = plan.template_mm
    for name, points in (("valley", edge.valleys_mm), ("tip", edge.tips_mm)):
        own = points[(points[:, 0] >= low - 1e-6) & (points[:, 0] <= high + 1e-6)]
        gaps = np.mod(sign * own[:, 0] - at + period / 2, period) - period / 2
        if len(gaps) and np.abs(gaps).min() < 1.0:
            return name
    return "part of a scallop"


def place_told(plan: Plan, s_mm: float, *, inches: bool = False) -> str:
    """Where on the edge, from the centre or from the start."""
    centre = plan.target.centre
    if centre is None:
        return f"{format_length(s_mm, inches=inches)} from the start"
    away = s_mm - centre.s_mm
    if abs(away) < 1.0:
        return f"at the {centre.name}"
    beyond = [
        mark
        for mark in plan.target.landmarks
        if mark.role == "end" and (mark.s_mm - centre.s_mm) * away > 0
    ]
    towards = f" towards the {beyond[0].name}" if beyond else ""
    return f"{format_length(abs(away), inches=inches)} from the {centre.name}{towards}"


def _pitch(plan: Plan) -> float:
    pitch = plan.lace.edge(plan.side).pitch_mm
    return pitch.value if pitch else plan.target.length_mm


def _scallops(plan: Plan, s0_mm: float, s1_mm: float) -> str:
    curve, depth = plan.target.curve, plan.laying_depth_mm
    lace = float(curve.laying_length(s1_mm, depth) - curve.laying_length(s0_mm, depth))
    told = format_mixed(abs(lace) / _pitch(plan), 4)
    return f"{told} scallop" if told in ("1", "1/4", "1/2", "3/4") else f"{told} scallops"


def _turned(plan: Plan) -> str:
    return "" if plan.side == "lower" else ", turned round (never flipped)"


def _laying(plan: Plan, length: Length) -> str:
    depth = plan.laying_depth_mm
    if abs(depth + plan.wishes.stand_mm) < 1.0:
        return ", keeping its length at the scallops"
    where = "inside" if depth > 0 else "past"
    return f", keeping its length {length(abs(depth))} {where} the edge"


def _edge_line(plan: Plan, length: Length) -> str:
    worst = max(run.edge_error_mm for run in plan.runs)
    kinks = [abs(np.rad2deg(cut.angle_rad)) for cut in plan.cuts if cut.kind != "uncut"]
    if plan.target.kind == "free":
        sharpest = f" and turn by at most {max(kinks):.0f} degrees at a cut" if kinks else ""
        return f"Scallops keep within {length(np.ceil(worst))} of the drawn line{sharpest}."
    return f"Scallops keep within {length(np.ceil(worst))} of the edge."


def _cut_line(plan: Plan, number: int, cut: Cut, *, inches: bool) -> str:
    def length(mm: float) -> str:
        return format_length(mm, inches=inches)

    where = place_told(plan, cut.s_mm, inches=inches)
    inner = cut.widths_mm[-1][1]
    told = [f"laps {length(inner)}" if inner > 0 else f"opens {length(-inner)}"]
    told[0] += " at the inner side"
    if cut.kind == "through":
        outer = cut.widths_mm[0][1]
        other = f"laps {length(outer)}" if outer > 0 else f"opens {length(-outer)}"
        told.append(f"{other} at the edge; cut right through")
    else:
        told.append("ends at a valley" if cut.at_valley else "ends inside a scallop")
    if cut.top is not None:
        told.append("the stretch nearer the centre on top")
    if cut.motif_mm > 1.0:
        told.append(f"goes through {length(cut.motif_mm)} of motif")
    if cut.beads_in_way:
        told.append(f"{cut.beads_in_way} beads in its way")
    return f"Cut {number}, {where}: {', '.join(told)}."


def _area(mm2: float, *, inches: bool) -> str:
    if inches:
        return f"{max(mm2 / MM_PER_INCH**2, 1):.0f} square in"
    return f"{max(mm2 / 100, 1):.0f} cm2"


def _bare_line(plan: Plan, length: Length, *, inches: bool) -> str:
    if not plan.gaps:
        return "Nothing is left bare between the stretches."
    widest = max(plan.gaps, key=lambda gap: gap.width_mm)
    area = _area(sum(gap.area_mm2 for gap in plan.gaps), inches=inches)
    count = "1 bare place" if len(plan.gaps) == 1 else f"{len(plan.gaps)} bare places"
    return f"{count} to fill, {area} in all, the widest {length(widest.width_mm)}."


def _bulk_line(plan: Plan, length: Length, *, inches: bool) -> str:
    laps = [cut for cut in plan.cuts if cut.lap_mm2 > 1.0]
    if not laps:
        return "No laps, so no bulk."
    area = _area(sum(cut.lap_mm2 for cut in laps), inches=inches)
    widest = max(abs(cut.widths_mm[-1][1]) for cut in laps)
    return (
        f"Bulk: {'1 lap' if len(laps) == 1 else f'{len(laps)} laps'}, {area} in all before "
        f"trimming, the widest {length(widest)}, at most {plan.layers} layers."
    )


def _bead_line(plan: Plan, *, inches: bool) -> str:
    if not plan.lace.beads:
        return ""
    way = sum(cut.beads_in_way for cut in plan.cuts)
    under = sum(cut.beads_under_lap for cut in plan.cuts)
    back = "3/8 to 5/8 in" if inches else "10-15 mm"
    return (
        f"Beads: {way} in the way of cuts or within reach of them (fasten the thread on both "
        f"sides, {back} back, before each cut) and {under} under laps to take off."
    )
