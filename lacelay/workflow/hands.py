"""What she locks, forbids and demands, in her words, and the file that holds it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from lacelay.errors import PlanError, UnitError
from lacelay.files.forms_hand import read_hand, write_hand
from lacelay.files.records import read_plan, write_plan
from lacelay.model.hand import AT_MARK_MM, NEAR_MM, AtMark, CutHere, Hand, NoCut
from lacelay.model.target import TargetEdge
from lacelay.units import format_length, parse_length_mm

Towards = Literal["end", "start"]


@dataclass(frozen=True)
class Asked:
    """What she asks of a plan, as she wrote it.

    Parameters
    ----------
    no_cut : sequence of str
        Stretches at which nothing is cut: "10cm to 14cm", from the start of the edge.
    cut_near : sequence of str
        Places at which to cut: "12cm", or "12cm within 5mm".
    marks : sequence of str
        "valley at bust point", "tip at 12cm within 2mm".
    """

    no_cut: Sequence[str] = ()
    cut_near: Sequence[str] = ()
    marks: Sequence[str] = ()


@dataclass(frozen=True)
class Held:
    """Cuts and stretches of a plan to lock, by the numbers on its pictures and sheets.

    `between` locks every stretch that lies wholly in one: "0cm to 21cm".
    """

    cuts: Sequence[int] = ()
    stretches: Sequence[int] = ()
    between: Sequence[str] = ()


@dataclass(frozen=True)
class Changed:
    """Names of things asked that are taken back, asked again or forgotten."""

    undo: Sequence[str] = ()
    redo: Sequence[str] = ()
    forget: Sequence[str] = ()


def asked_of(target: TargetEdge, asked: Asked, hand: Hand | None = None) -> Hand:
    """Add what she asks of an edge.

    Raises
    ------
    UnitError, PlanError
        When it cannot be understood.
    """
    hand = hand or Hand()
    for text in asked.no_cut:
        hand = hand.with_one(NoCut(hand.next_id(), _stretch(text)))
    for text in asked.cut_near:
        place, within = _within(text, NEAR_MM)
        hand = hand.with_one(CutHere(hand.next_id(), parse_length_mm(place), within))
    for text in asked.marks:
        hand = hand.with_one(_mark(text, hand.next_id(), target))
    return hand


def open_hand(path: Path | None) -> Hand | None:
    """Read what was asked before, where there is a file of it."""
    return None if path is None else read_hand(path)


def take_hold(
    plan_file: Path,
    out: Path,
    *,
    before: Path | None = None,
    held: Held | None = None,
    asked: Asked | None = None,
    changed: Changed | None = None,
) -> tuple[str, ...]:
    """Write what stays of a plan and what must be otherwise, and say all of it.

    Parameters
    ----------
    plan_file, out : Path
    before : Path, optional
        A file of what was asked before, which is kept.
    """
    plan, _ = read_plan(plan_file)
    hand = open_hand(before) or Hand()
    held, changed = held or Held(), changed or Changed()
    for name in changed.forget:
        hand = hand.without(name)
    for name in changed.undo:
        hand = hand.undo(name)
    for name in changed.redo:
        hand = hand.redo(name)
    real = [k for k, cut in enumerate(plan.cuts) if cut.kind != "uncut"]
    for number in held.cuts:
        if not 1 <= number <= len(real):
            raise PlanError(
                f"There is no cut {number}: the plan has {len(real)}.",
                "Take a number from its pictures or sheets.",
            )
        hand = hand.lock_cut(plan, real[number - 1])
    stretches = [number - 1 for number in held.stretches]
    for text in held.between:
        low, high = _stretch(text)
        inside = [
            k
            for k, run in enumerate(plan.runs)
            if low - 1 <= run.edge_interval_mm[0] and run.edge_interval_mm[1] <= high + 1
        ]
        if not inside:
            raise PlanError(f"No stretch lies wholly in {text}.", "Lock a longer part, or cuts.")
        stretches += inside
    for index in dict.fromkeys(stretches):
        hand = hand.lock_run(plan, index)
    hand = asked_of(plan.target, asked or Asked(), hand)
    write_hand(out, hand)
    return tuple(
        f"{ask.told[:1].upper()}{ask.told[1:]}"
        + (", taken back for now." if ask.id in hand.undone else ".")
        for ask in hand.items
    )


def _stretch(text: str) -> tuple[float, float]:
    parts = re.split(r"\s+to\s+", text.strip())
    if len(parts) != 2:
        raise UnitError(f"'{text}' is no stretch of the edge.", "Write it like 10cm to 14cm.")
    return parse_length_mm(parts[0]), parse_length_mm(parts[1])


def _within(text: str, usual_mm: float) -> tuple[str, float]:
    place, _, distance = text.partition(" within ")
    return place.strip(), parse_length_mm(distance) if distance else usual_mm


def _mark(text: str, name: str, target: TargetEdge) -> AtMark:
    match = re.fullmatch(r"\s*(valley|tip)\s+at\s+(?:the\s+)?(.+)", text)
    if match is None:
        raise UnitError(
            f"'{text}' is no wish for a balance mark.",
            "Write it like tip at 12cm, or valley at left side seam.",
        )
    place, within = _within(match[2], AT_MARK_MM)
    known = next((each for each in target.landmarks if each.name == place), None)
    s = parse_length_mm(place) if known is None else known.s_mm
    what: Literal["valley", "tip"] = "valley" if match[1] == "valley" else "tip"
    return AtMark(name, what, s, within, None if known is None else known.name)


def landed(
    plan_file: Path,
    scallop: int,
    early_mm: float,
    *,
    towards: Towards = "end",
    hand: Path | None = None,
    json_file: Path,
    hand_file: Path,
    inches: bool = False,
) -> tuple[str, ...]:
    """Plan the rest anew after a scallop that did not land where it was planned.

    Parameters
    ----------
    plan_file : Path
        The plan by which the lace was laid so far.
    scallop, early_mm, towards
        As in `planning.rest.rest_of`.
    hand : Path, optional
        What was asked of that plan.
    json_file, hand_file : Path
        Where the plan of the rest goes, and what holds it to the lace that is laid.
    """
    from lacelay.planning.rest import lay_rest, rest_of
    from lacelay.planning.story import first_line, place_told, report_lines

    plan, picture = read_plan(plan_file)
    rest = rest_of(plan, scallop, early_mm, towards=towards, hand=open_hand(hand))
    found = lay_rest(plan, rest)
    write_plan(json_file, found, picture)
    write_hand(hand_file, rest.hand)
    cut = plan.cuts[rest.cut]
    number = sum(each.kind != "uncut" for each in plan.cuts[: rest.cut + 1])
    off = format_length(abs(early_mm), inches=inches)
    how = "early" if early_mm >= 0 else "late"
    side = "begins" if towards == "end" else "ends"
    return (
        f"All that is laid up to scallop {scallop} stays; the rest {side} at cut {number}, "
        f"planned {place_told(plan, cut.s_mm, inches=inches)}, which lies {off} {how}. "
        "From here on, the start is that of the rest.",
        first_line(found),
        *report_lines(found, inches=inches),
    )
