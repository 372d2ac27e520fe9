"""The words of the report: a row for each cut, what it rests on, what is told elsewhere."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from lacelay.drawing.plan_scene import cut_numbers, say_width, say_width_mm, stretches
from lacelay.model.choices import SideBySide
from lacelay.model.plan import Plan
from lacelay.units import format_length

#: Over the lines that say why the plan is as it is.
WHY = "Why it is cut so"


def is_reason(line: str) -> bool:
    """Whether a line says why the plan is as it is."""
    return line.startswith(("Without cut ", "What holds it back: ", "No limit is in the way"))


def cut_rows(plan: Plan, inches: bool) -> list[tuple[str, ...]]:
    """One row a cut: number, place, lap or opening inside and at the edge, top, beads."""
    belongs = {run: k + 1 for k, group in enumerate(stretches(plan)) for run in group}
    rows: list[tuple[str, ...]] = []
    for k, (number, cut) in enumerate(zip(cut_numbers(plan), plan.cuts, strict=True)):
        if number is None:
            continue
        over = {"left": k, "right": k + 1}
        beads = cut.beads_in_way + cut.beads_under_lap
        at_edge = min(cut.widths_mm, key=lambda pair: pair[0])[1] if cut.widths_mm else 0.0
        through = cut.kind == "through"
        rows.append(
            (
                f"{number}*" if through else str(number),
                say_place(plan, cut.s_mm, inches=inches),
                say_width(cut, inches=inches),
                say_width_mm(at_edge, inches=inches) if through else "–",
                str(belongs[over[cut.top]]) if cut.top is not None else "–",
                str(beads) if beads else "–",
            )
        )
    return rows


def say_place(plan: Plan, s_mm: float, *, inches: bool = False) -> str:
    """Say how far along the edge from the centre, and to which side.

    Left and right are the wearer's where the ends of the edge are named so, else as one
    looks at the picture.
    """
    centre = plan.target.centre
    from_mm = centre.s_mm if centre is not None else 0.0
    distance = s_mm - from_mm
    words = format_length(abs(distance), inches=True) if inches else f"{abs(distance) / 10:.1f} cm"
    if centre is None:
        return words
    if abs(distance) < 0.5:
        return "at the centre"
    for mark in plan.target.landmarks:
        if mark.role == "end" and (mark.s_mm - from_mm) * distance > 0:
            for side in ("left", "right"):
                if side in mark.name.lower().split():
                    return f"{words} {side}"
    rightwards = float(np.cos(plan.target.curve.heading(from_mm))) * distance > 0
    return f"{words} {'right' if rightwards else 'left'}"


def _as_worn(plan: Plan) -> bool:
    ends = [mark.name.lower().split() for mark in plan.target.landmarks if mark.role == "end"]
    return any("left" in name or "right" in name for name in ends)


def captions(plan: Plan, rows: Sequence[tuple[str, ...]], inches: bool) -> list[str]:
    """Say how the table is meant, and which cuts go through a motif, and how far."""
    centre = plan.target.centre
    seen = "the wearer's left and right" if _as_worn(plan) else "as you look at it"
    along = f"from {centre.name}, {seen}" if centre else "from its start"
    star = " * Right through." if any(row[0].endswith("*") for row in rows) else ""
    told = [
        f"{number} ({format_length(cut.motif_mm, inches=inches)})"
        for number, cut in zip(cut_numbers(plan), plan.cuts, strict=True)
        if number is not None and cut.motif_mm > 0.5
    ]
    told_first = [f"Places along the edge {along}. Top: the stretch on top.{star}"]
    return told_first + ([f"Through a motif: cut {', '.join(told)}."] if told else [])


def not_told_elsewhere(
    plan: Plan, lines: Sequence[str], three: SideBySide | None = None
) -> list[str]:
    """Lines that say what the page's table, purchase and doubts do not say already."""
    bought = plan.purchase.reasons if plan.purchase is not None else ()
    kept = []
    names = () if three is None else tuple(f"{row[0].capitalize()}: " for row in three.rows)
    for line in lines:
        in_table = re.match(r"Cut \d+\b", line) is not None
        of_purchase = plan.purchase is not None and line.startswith("Buy ")
        of_doubts = any(doubt and doubt in line for doubt in plan.lace.doubts)
        of_three = three is not None and (line.startswith(names) or line in three.notes)
        if not (in_table or of_purchase or of_doubts or of_three or line.strip() in bought):
            kept.append(line.strip())
    return kept


def rests_on(plan: Plan) -> list[str]:
    """Say what was measured and how well, and what is only assumed."""
    lace = plan.lace
    said = [
        f"Scale: {lace.scale.reference}; 95 times in 100 it is within "
        f"{196 * lace.scale.relative_sigma:.1f}%."
    ]
    if lace.repeat is not None:
        repeat = lace.repeat.length_mm
        said.append(
            f"Repeat {format_length(repeat.value)} ± {max(1.96 * repeat.sigma, 0.05):.1f} mm, "
            f"seen {lace.repeat.copies:.1f} times; the length beyond the photo is taken to "
            "go on alike."
        )
    limits = plan.limits
    said.append(
        f"The net may give {100 * limits.stretch:g}% longer and {100 * limits.squeeze:g}% "
        "shorter; measure yours between pins. Places are to the mm, sewing is not."
    )
    said += [f"In doubt: {doubt}" for doubt in lace.doubts[:4]]
    if len(lace.doubts) > 4:
        said.append(f"And {len(lace.doubts) - 4} more doubts, on the picture of the reading.")
    return said
