"""One number put right: what is laid stays, and the rest is planned as the lace lies now."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from handmade import galloon

from lacelay.errors import PlanError
from lacelay.geometry.plane_curve import PlaneCurve
from lacelay.model.hand import AtMark, CutHere, Hand, NoCut
from lacelay.model.plan import Plan
from lacelay.model.shapes import SHAPES
from lacelay.model.target import TargetEdge
from lacelay.model.wishes import Wishes
from lacelay.planning.check import check_plan
from lacelay.planning.lay import lay_border
from lacelay.planning.rest import Rest, Towards, lay_rest, rest_of

CASES = [
    ("bodice-top", "lower", "end"),
    ("bodice-top", "upper", "start"),
    ("scoop-neckline", "lower", "start"),
    ("dipped-waist", "upper", "end"),
]


@cache
def base(shape: str = "bodice-top", side: str = "lower") -> Plan:
    return lay_border(
        galloon(beads=True),
        SHAPES[shape].edge(),
        wishes=Wishes(side=side, centre="valley"),  # type: ignore[arg-type]
    )


@cache
def rest(shape: str, side: str, towards: Towards, early: float) -> tuple[Rest, Plan]:
    found = rest_of(base(shape, side), 3, early, towards=towards)
    return found, lay_rest(base(shape, side), found)


@pytest.mark.parametrize(("shape", "side", "towards"), CASES)
@pytest.mark.parametrize("early", [4.0, -3.0])
def test_the_scallop_lies_where_it_landed(
    shape: str, side: str, towards: Towards, early: float
) -> None:
    """On a galloon with a valley at the centre and scallops 40 mm wide, worked out by hand.

    Scallop 3 begins two scallops from the centre along the laying line.
    """
    plan = base(shape, side)
    left, found = rest(shape, side, towards, early)
    assert check_plan(found, left.hand) == ()
    sign = 1.0 if towards == "end" else -1.0
    curve, p = plan.target.curve, plan.laying_depth_mm
    assert plan.target.centre is not None
    centre = float(curve.laying_length(plan.target.centre.s_mm, p))
    was = float(curve.from_laying_length(centre + sign * 80.0, p))
    made = plan.cuts[left.cut]
    assert sign * (made.s_mm - was) <= 1.0
    later = [
        cut
        for cut in plan.cuts
        if cut.kind != "uncut" and sign * (cut.s_mm - made.s_mm) > 1.0
        and sign * (cut.s_mm - was) <= 1.0
    ]  # fmt: skip
    assert later == []
    # The made cut lies as early as the scallop, and the lace goes on from it unbroken.
    at = 0.0 if towards == "end" else found.target.length_mm
    assert left.from_s_mm + at == pytest.approx(made.s_mm - sign * early, abs=1e-6)
    lace = (
        found.runs[0].lace_interval_mm[0]
        if towards == "end"
        else (found.runs[-1].lace_interval_mm[1])
    )
    assert lace == pytest.approx(plan.runs[left.cut].lace_interval_mm[1], abs=1e-6)
    whole = plan.target.length_mm
    assert found.target.length_mm == pytest.approx(
        whole - left.from_s_mm if towards == "end" else made.s_mm + early, abs=1e-3
    )
    # The garment does not move.
    ends = found.target.curve.at(np.array([0.0, found.target.length_mm]))
    wanted = curve.at(np.array([left.from_s_mm, left.from_s_mm + found.target.length_mm]))
    assert ends == pytest.approx(wanted, abs=1e-3)


def test_the_new_run_ends_with_the_line_of_the_cut_that_was_made() -> None:
    plan = base()
    left, found = rest("bodice-top", "lower", "end", 4.0)
    line = plan.cuts[left.cut].path_mm
    outline = found.runs[0].outline_mm
    gaps = np.hypot(*(outline[None] - line[:, None]).transpose(2, 0, 1)).min(axis=1)
    assert gaps.max() < 1e-6
    assert outline[:, 0].min() >= line[:, 0].min() - 12.0  # nothing turned in there


def test_what_was_asked_further_on_still_holds() -> None:
    plan = base()
    asked = Hand(
        (
            CutHere("a", 370.0, 20.0),
            NoCut("b", (336.0, 342.0)),
            CutHere("c", 60.0, 20.0),
            AtMark("d", "tip", 20.0),
        )
    )
    left = rest_of(plan, 3, 4.0, hand=asked)
    assert [each.id for each in left.hand.items] == ["laid", "a", "b"]
    found = lay_rest(plan, left)
    assert check_plan(found, left.hand) == ()
    places = [cut.s_mm + left.from_s_mm for cut in found.cuts if cut.kind != "uncut"]
    assert any(350.0 <= s <= 390.0 for s in places)
    assert not any(336.0 <= s <= 342.0 for s in places)


def moved(plan: Plan) -> Plan:
    return replace(plan, start_mm=plan.start_mm + 0.5)


def other_line(plan: Plan) -> Plan:
    run = plan.runs[0]
    outline = run.outline_mm.copy()
    outline[outline[:, 0] < outline[:, 0].min() + 15.0, 0] += 0.3
    return replace(plan, runs=(replace(run, outline_mm=outline), *plan.runs[1:]))


@pytest.mark.parametrize("spoil", [moved, other_line])
def test_a_rest_that_does_not_join_is_found(spoil: Callable[[Plan], Plan]) -> None:
    left, found = rest("bodice-top", "lower", "end", 4.0)
    assert "locked" in {each.rule for each in check_plan(spoil(found), left.hand)}


def test_without_a_centre_it_counts_from_where_she_began() -> None:
    curve = PlaneCurve.from_arcs([(150, 1 / 140), (80, 0), (150, 1 / 120)])
    edge = TargetEdge("edge", curve)
    plan = lay_border(galloon(), edge, wishes=Wishes(side="lower"))
    left = rest_of(plan, 6, 2.0)
    found = lay_rest(plan, left)
    assert check_plan(found, left.hand) == ()
    assert left.from_s_mm == pytest.approx(plan.cuts[left.cut].s_mm - 2.0, abs=1e-6)


@pytest.mark.parametrize(
    ("scallop", "early", "said"),
    [
        (0, 4.0, "There is no scallop 0."),
        (40, 4.0, "Scallop 40 lies beyond this edge."),
        (3, 25.0, "Scallop 3 cannot have landed 25 mm off: that is more than half"),
    ],
)
def test_what_cannot_be_is_said(scallop: int, early: float, said: str) -> None:
    with pytest.raises(PlanError) as refusal:
        rest_of(base(), scallop, early)
    assert str(refusal.value).startswith(said)


def test_nothing_cut_and_nothing_left_are_said() -> None:
    plan = base()
    assert plan.target.centre is not None
    centre = plan.target.centre.s_mm
    whole = [
        replace(cut, kind="uncut") if abs(cut.s_mm - centre) < 2.0 else cut for cut in plan.cuts
    ]
    with pytest.raises(PlanError, match=r"Nothing is cut before scallop 1\. Pin the lace again"):
        rest_of(replace(plan, cuts=whole), 1, 4.0)
    late = lay_border(
        plan.lace, plan.target, wishes=plan.wishes, hand=Hand((CutHere("h1", 439.4, 3.0),))
    )
    with pytest.raises(PlanError, match="Hardly anything is left to lay beyond that cut"):
        rest_of(late, 6, -4.0)


def test_what_is_locked_further_on_cannot_stay() -> None:
    plan = base()
    locked = Hand().lock_cut(plan, len(plan.cuts) - 1)
    with pytest.raises(PlanError, match="which cannot stay: the lace lies otherwise there now"):
        rest_of(plan, 3, 4.0, hand=locked)
    behind = Hand().lock_cut(plan, 0)
    assert len(rest_of(plan, 3, 4.0, hand=behind).hand.items) == 1
