"""Why a plan is as it is, and the three plans side by side, in the maker's own words."""

from __future__ import annotations

import numpy as np

from lacelay.model.choices import Choice, LimitGain, SideBySide, WithoutCut
from lacelay.model.plan import Plan
from lacelay.units import format_length, format_mixed

#: Less is told as "hardly longer".
HARDLY_MIN = 1.0
#: Smaller changes of a width or a distance are not told, mm.
LEAST_MM = 1.0
#: Limits told by each plan at most.
MOST_LIMITS = 3


def reason_lines(plan: Plan, *, inches: bool = False) -> list[str]:
    """Tell what would be without each cut, and what the limits cost, a line for each."""
    reasons = plan.reasons
    if reasons is None:
        return []
    number: dict[int, int] = {}
    for c, cut in enumerate(plan.cuts):
        if cut.kind != "uncut":
            number[c] = len(number) + 1
    alike: dict[str, list[int]] = {}
    for each in reasons.without:
        if each.cut in number:
            alike.setdefault(_without(plan, each, inches=inches), []).append(number[each.cut])
    lines = [f"Without cut {_either(cuts)}: {told}" for told, cuts in alike.items()]
    return lines + limit_lines(plan, inches=inches)


def _either(numbers: list[int]) -> str:
    """Write "2, 3 or 6"."""
    told = [str(number) for number in numbers]
    return told[0] if len(told) == 1 else f"{', '.join(told[:-1])} or {told[-1]}"


def limit_lines(plan: Plan, *, inches: bool = False) -> list[str]:
    """Tell which limits, a little looser, would spare work."""
    if plan.reasons is None:
        return []
    gains = [each for each in plan.reasons.limits if each.saved_min >= HARDLY_MIN]
    if not _by_her_weights(plan):
        gains = [
            each
            for each in plan.reasons.limits
            if each.fewer_cuts > 0 and not each.limit.endswith("tolerance_mm")
        ]
        return [_limit_line(plan, gain, inches=inches) for gain in gains[:MOST_LIMITS]]
    if not gains:
        return ["No limit is in the way: a tenth more of any would spare less than a minute."]
    return [_limit_line(plan, gain, inches=inches) for gain in gains[:MOST_LIMITS]]


def _by_her_weights(plan: Plan) -> bool:
    """Whether minutes in its reasons are hers: fewest cuts and smoothest edge weigh unlike her."""
    return plan.three is None or plan.three.this == "balanced"


def side_by_side(plan: Plan, *, inches: bool = False) -> SideBySide | None:
    """Put the three plans in a table, and say which of them are one and the same."""
    three = plan.three
    if three is None:
        return None

    def length(mm: float) -> str:
        return format_length(mm, inches=inches) if mm >= 0.5 else "–"

    free = plan.target.kind == "free"
    off = "turns by up to" if free else "from the edge"
    head = ("plan", "cuts", "widest lap", "widest opening", off, "at the cuts")
    rows = tuple(
        (
            each.name,
            str(each.cuts),
            length(each.lap_mm),
            length(each.opening_mm),
            f"{np.rad2deg(each.kink_rad):.0f} degrees"
            if free
            else format_length(float(np.ceil(each.edge_mm - 0.05)), inches=inches),
            hours(each),
        )
        for each in three.choices
    )
    notes = [
        f"{each.name.capitalize()} comes out as {each.same_as}: there is no other here."
        for each in three.choices
        if each.same_as is not None
    ]
    return SideBySide(head, rows, tuple(notes), three.this)


def three_lines(plan: Plan, *, inches: bool = False) -> list[str]:
    """Tell the three plans, a line for each."""
    table = side_by_side(plan, inches=inches)
    if table is None:
        return []
    lines = []
    for name, cuts, lap, opening, off, work in table.rows:
        told = ["no cuts" if cuts == "0" else "1 cut" if cuts == "1" else f"{cuts} cuts"]
        if lap != "–":
            told.append(f"widest lap {lap}")
        if opening != "–":
            told.append(f"widest opening {opening}")
        turned = plan.target.kind == "free"
        told.append(f"turns by up to {off}" if turned else f"within {off} of the edge")
        if cuts != "0":
            told.append(f"{work} at the cuts")
        lines.append(f"{name.capitalize()}: {', '.join(told)}.")
    return lines + list(table.notes)


def hours(choice: Choice) -> str:
    """The work at the cuts as a range: pinning and fittings often double it (common practice).

    Examples
    --------
    >>> hours(Choice("balanced", 5, 0.0, 0.0, 1.0, 0.1, 118.0, ""))
    '2-4 h'
    >>> hours(Choice("balanced", 1, 0.0, 0.0, 1.0, 0.1, 20.0, ""))
    '1/4-3/4 h'
    """
    if choice.work_min <= 0:
        return "–"
    low = max(round(choice.work_min / 60 * 4), 1) / 4
    high = max(np.ceil(2 * choice.work_min / 60 * 4 - 0.05) / 4, low + 0.25)
    step = 2 if high > 3 else 4
    return f"{format_mixed(low, step)}-{format_mixed(float(high), step)} h"


def _without(plan: Plan, told: WithoutCut, *, inches: bool) -> str:
    def length(mm: float) -> str:
        return format_length(mm, inches=inches)

    if told.more_min is None:
        why = "more than one limit would be passed"
        if told.limit is not None and told.needed is not None:
            value = float(getattr(plan.limits, told.limit))
            why = _passed(told.limit, *_apart(told.needed, value, inches=inches))
        return f"not within your limits, {why}."
    if told.more_min < HARDLY_MIN:
        return "hardly longer; it may lie elsewhere."
    worse = []
    if told.cuts < 0:
        had = sum(cut.kind != "uncut" for cut in plan.cuts)
        worse.append(f"{had - told.cuts} cuts in all")
    pairs = (
        (told.lap_mm, "a lap of {} at the inner side, not {}"),
        (told.opening_mm, "an opening of {}, not {}"),
        (told.edge_mm, "the scallops {} off the edge, not {}"),
    )
    for (before, after), words in pairs:
        if after >= before + LEAST_MM and length(after) != length(before):
            worse.append(words.format(length(after), length(before)))
    if not worse:
        worse.append("the lace lies less evenly" if told.cuts > 0 else "cut in a less good place")
    if not _by_her_weights(plan):
        return f"{', '.join(worse)}."
    took = f"{told.more_min:.0f} minutes more" if told.more_min >= 1.5 else "a minute more"
    return f"{took}, {', '.join(worse)}."


def _apart(needed_mm: float, value_mm: float, *, inches: bool) -> tuple[str, str]:
    """What would be needed and what is allowed; where they read alike, which way they differ."""
    needed, value = (format_length(mm, inches=inches) for mm in (needed_mm, value_mm))
    if needed == value:
        needed = f"just {'over' if needed_mm > value_mm else 'under'} {value}"
    return needed, value


def _passed(limit: str, needed: str, value: str) -> str:
    words = {
        "lap_mm": "the inner side would lap {} (at most {})",
        "opening_mm": "it would open {} (at most {})",
        "edge_opening_mm": "it would open {} at the edge (at most {})",
        "slip_mm": "neighbours would miss each other by {} (at most {})",
        "edge_limit_mm": "the scallops would stand {} off the edge (at most {})",
        "free_limit_mm": "the scallops would stand {} off the drawn line (at most {})",
        "inner_width_mm": "a stretch would be only {} wide inside (at least {})",
        "run_mm": "a stretch would be {} long (at most {})",
        "cut_distance_mm": "cuts would lie {} from each other (at least {})",
    }
    return words[limit].format(needed, value)


def _limit_line(plan: Plan, gain: LimitGain, *, inches: bool) -> str:
    words = {
        "give": "a lace that gives a tenth more than {}",
        "lap_mm": "laps a tenth wider than {}",
        "opening_mm": "openings a tenth wider than {}",
        "edge_opening_mm": "openings at the edge a tenth wider than {}",
        "slip_mm": "neighbours a tenth further than {} apart where they turn",
        "edge_limit_mm": "scallops a tenth further than {} off the edge",
        "free_limit_mm": "scallops a tenth further than {} off the drawn line",
        "inner_width_mm": "stretches a tenth narrower than {} inside",
        "run_mm": "stretches a tenth longer than {}",
        "cut_distance_mm": "cuts a tenth nearer than {} to each other",
        "edge_tolerance_mm": "taking a tenth over {} off the edge as close enough",
        "free_tolerance_mm": "taking a tenth over {} off the drawn line as close enough",
    }
    if gain.limit == "give":
        value = f"{100 * gain.value:g}%"
    else:
        value = format_length(gain.value, inches=inches)
    spared = []
    if _by_her_weights(plan):
        spared.append(f"{gain.saved_min:.0f} minutes" if gain.saved_min >= 1.5 else "a minute")
    if gain.fewer_cuts > 0:
        spared.append("1 cut" if gain.fewer_cuts == 1 else f"{gain.fewer_cuts} cuts")
    what = words[gain.limit].format(value)
    return f"What holds it back: {what} would spare {' and '.join(spared)}."
