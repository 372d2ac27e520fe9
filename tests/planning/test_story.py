"""What a plan says: her first line, her words, whole millimetres."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from handmade import compound, corded, galloon, mirrored_pair

from lacelay.buying.length import purchase_for
from lacelay.geometry.plane_curve import PlaneCurve
from lacelay.model.lace import Scale
from lacelay.model.plan import Plan
from lacelay.model.shapes import SHAPES
from lacelay.model.target import Landmark, TargetEdge
from lacelay.model.wishes import Wishes
from lacelay.planning.lay import lay_border
from lacelay.planning.story import (
    at_centre,
    first_line,
    place_told,
    real_cuts,
    report_lines,
    warnings,
)

#: Trade, "not for her eyes", and the field's terms for which she has her own words.
NOT_HER_WORDS = re.compile(
    r"\b(J|RMS|proofs?|bound|optimum|certificate|target|landmark|pitch|phase|hinge|wedge|frieze"
    r"|p1|p2|p1m1|p2mm|overhang|yardage|kappa|curvature|radians?|sigma|weights?|cost|candidate"
    r"|None|nan|inf)\b"
)


@cache
def plan_of(name: str) -> Plan:
    lace, shape = {
        "bodice": (galloon(beads=True), "bodice-top"),
        "scoop": (compound(), "scoop-neckline"),
        "waist": (mirrored_pair(), "dipped-waist"),
        "hem": (corded(), "circular-hem"),
    }[name]
    plan = lay_border(lace, SHAPES[shape].edge(), wishes=Wishes(side="upper"))
    return replace(plan, purchase=purchase_for(plan))


ALL = ["bodice", "scoop", "waist", "hem"]


def straight(length_mm: float, centre_mm: float | None) -> TargetEdge:
    marks = [Landmark("right side seam", 0.0, "end"), Landmark("left side seam", length_mm, "end")]
    if centre_mm is not None:
        marks.append(Landmark("centre front", centre_mm, "centre"))
    return TargetEdge("top", PlaneCurve.from_arcs([(length_mm, 0.0)]), "hard", marks)


@pytest.mark.parametrize(
    ("length", "centre", "wish", "told"),
    [
        (400, 200, "valley", "5 scallops, valley at the centre, no cuts needed"),
        (420, 210, "tip", "5 1/4 scallops, tip at the centre, no cuts needed"),
        (300, 260, "valley", "1 scallop, valley at the centre, no cuts needed"),
        (300, 280, "tip", "1/2 scallop, tip at the centre, no cuts needed"),
    ],
)
def test_first_line_of_a_straight_edge(length: float, centre: float, wish: str, told: str) -> None:
    """Scallops of 40 mm, walked with the lace along the edge."""
    wishes = Wishes(side="lower", centre=wish)  # type: ignore[arg-type]
    plan = lay_border(mirrored_pair(), straight(length, centre), wishes=wishes)
    assert first_line(plan) == f"centre front to left side seam: {told}"


def test_first_line_without_a_centre() -> None:
    plan = lay_border(mirrored_pair(), straight(410, None), wishes=Wishes(side="lower"))
    assert first_line(plan) == "end to end: 10 1/4 scallops, no cuts needed"


def test_first_line_of_a_dipped_waist() -> None:
    """Half of it is 206 mm: 70 and 150 mm of radius over 25 degrees, 60 and 50 straight."""
    plan = plan_of("waist")
    number = sum(cut.kind != "uncut" for cut in plan.cuts)
    assert number > 1
    half = np.deg2rad(25) * (70 + 150) + 60 + 50
    assert half == pytest.approx(206, abs=0.1)  # 5.15 scallops of 40 mm
    assert first_line(plan) == (
        f"centre front to left side seam: 5 1/4 scallops, {at_centre(plan)} at the centre, "
        f"{number} cuts"
    )
    assert at_centre(plan) in ("valley", "tip")


def test_part_of_a_scallop_at_the_centre_is_admitted() -> None:
    plan = plan_of("waist")
    assert at_centre(replace(plan, start_mm=plan.start_mm + 9.0)) == "part of a scallop"
    assert at_centre(replace(plan, start_mm=plan.start_mm + 120.0)) == at_centre(plan)
    other = {"valley": "tip", "tip": "valley"}[at_centre(plan)]
    assert at_centre(replace(plan, start_mm=plan.start_mm + 20.0)) == other


@pytest.mark.parametrize("name", ALL)
@pytest.mark.parametrize("inches", [False, True])
def test_her_words_only(name: str, inches: bool) -> None:
    plan = plan_of(name)
    for line in [first_line(plan), *report_lines(plan, inches=inches)]:
        assert not NOT_HER_WORDS.search(line), line


@pytest.mark.parametrize("name", ALL)
def test_no_decimals_of_a_millimetre(name: str) -> None:
    plan = plan_of(name)
    told = "\n".join([first_line(plan), *report_lines(plan)])
    assert re.search(r"\d mm", told)
    assert not re.search(r"[.,]\d+\s*mm", told)
    assert not re.search(r"\d\.\d\d+ cm", told)


@pytest.mark.parametrize("name", ALL)
def test_cuts_are_told_in_inches_where_she_wants_inches(name: str) -> None:
    lines = [line for line in report_lines(plan_of(name), inches=True) if line.startswith("Cut ")]
    assert len(lines) == len(real_cuts(plan_of(name)))
    for line in lines:
        assert " in" in line
        assert not re.search(r"\d (mm|cm|m)\b", line), line


@pytest.mark.parametrize("name", ALL)
def test_every_real_cut_has_its_line(name: str) -> None:
    plan = plan_of(name)
    lines = [line for line in report_lines(plan) if line.startswith("Cut ")]
    cuts = real_cuts(plan)
    assert [number for number, _ in cuts] == list(range(1, len(cuts) + 1))
    for (number, cut), line in zip(cuts, lines, strict=True):
        assert line.startswith(f"Cut {number}, ")
        assert ("laps" if cut.angle_rad > 0 else "opens") in line
        assert ("cut right through" in line) == (cut.kind == "through")
        assert ("on top" in line) == (cut.top is not None)
        assert ("beads in its way" in line) == bool(cut.beads_in_way)
    assert all(cut.s_mm < after.s_mm for (_, cut), (_, after) in pairwise(cuts))


def test_the_eat_up_comes_first() -> None:
    """Trade rule 1: shown first."""
    plan = plan_of("scoop")
    assert report_lines(plan)[0].startswith("Lace eaten up: ")
    assert f"({plan.eat_up:.2f} to 1)" in report_lines(plan)[0]
    assert plan.eat_up > 1.2


def test_turned_lace_is_said_to_be_turned_not_flipped() -> None:
    assert "turned round (never flipped)" in report_lines(plan_of("waist"))[1]


def test_the_purchase_is_told_with_its_reasons() -> None:
    plan = plan_of("hem")
    assert plan.purchase is not None
    lines = report_lines(plan)
    at = next(k for k, line in enumerate(lines) if line.startswith("Buy "))
    assert lines[at + 1 : at + 1 + len(plan.purchase.reasons)] == [
        f"  {reason}" for reason in plan.purchase.reasons
    ]
    assert not any(line.startswith("Buy") for line in report_lines(replace(plan, purchase=None)))


def test_doubts_are_passed_on() -> None:
    plan = plan_of("waist")
    sure = warnings(plan)
    lace = replace(plan.lace, doubts=("The repeat was seen only once.",))
    assert any("seen only once" in line for line in warnings(replace(plan, lace=lace)))
    vague = replace(plan.lace, scale=Scale(10.0, 0.02, "two points"))
    told = [line for line in warnings(replace(plan, lace=vague)) if line not in sure]
    # 1.96 x 2 % of 41.2 cm of lace.
    assert len(told) == 1
    assert "3.9%" in told[0]
    assert "16 mm" in told[0]


def test_a_border_deep_for_its_bend_is_warned_of() -> None:
    """Trade rule 3: where depth exceeds a third of the bend's radius (95 mm lobes here)."""
    plan = plan_of("bodice")
    assert any("deeper than a third" in line for line in warnings(plan)) == (
        plan.border_depth_mm > 95 / 3
    )
    assert not any("third" in line for line in warnings(replace(plan, border_depth_mm=31.0)))
    assert any("third" in line for line in warnings(replace(plan, border_depth_mm=33.0)))


def test_places_are_told_from_the_centre() -> None:
    plan = lay_border(mirrored_pair(), straight(400, 200), wishes=Wishes(side="lower"))
    assert place_told(plan, 200.4) == "at the centre front"
    assert place_told(plan, 250.0) == "50 mm from the centre front towards the left side seam"
    assert place_told(plan, 73.0) == "12.7 cm from the centre front towards the right side seam"
    assert place_told(plan, 73.0, inches=True).startswith("5 in from the centre front")
    plain = lay_border(mirrored_pair(), straight(400, None), wishes=Wishes(side="lower"))
    assert place_told(plain, 73.0) == "73 mm from the start"
