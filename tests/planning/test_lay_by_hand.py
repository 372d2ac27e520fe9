"""Her hand on whole plans: what is locked stays, what is asked is kept, the rest is planned."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from handmade import compound, galloon, mirrored_pair

from lacelay.errors import PlanError
from lacelay.geometry.plane_curve import PlaneCurve
from lacelay.model.hand import AtMark, CutHere, Footing, Hand, NoCut
from lacelay.model.plan import Cut, Plan
from lacelay.model.shapes import SHAPES
from lacelay.model.target import Landmark, TargetEdge
from lacelay.model.wishes import Limits, Weights, Wishes
from lacelay.planning.check import check_plan
from lacelay.planning.lay import lay_border
from lacelay.planning.prepared import Prepared, prepare

LOWER = Wishes(side="lower")
LACES = {"plain": galloon, "beaded": lambda: galloon(beads=True), "compound": compound}
BASES = [
    ("beaded", "bodice-top", LOWER),
    ("plain", "scoop-neckline", LOWER),
    ("compound", "bodice-top", Wishes(side="upper")),
]


@cache
def base(lace: str = "beaded", shape: str = "bodice-top", wishes: Wishes = LOWER) -> Plan:
    return lay_border(LACES[lace](), SHAPES[shape].edge(), wishes=wishes)


@cache
def ready() -> Prepared:
    return prepare(base())


def again(plan: Plan, hand: Hand, **changes: object) -> Plan:
    wishes = changes.pop("wishes", plan.wishes)
    found = lay_border(plan.lace, plan.target, wishes=wishes, hand=hand, **changes)  # type: ignore[arg-type]
    assert check_plan(found, hand) == ()
    return found


def real(plan: Plan) -> list[Cut]:
    return [cut for cut in plan.cuts if cut.kind != "uncut"]


def same_places(one: Plan, other: Plan) -> bool:
    ours, theirs = ([cut.s_mm for cut in plan.cuts] for plan in (one, other))
    return len(ours) == len(theirs) and np.allclose(ours, theirs, atol=1e-6)


@pytest.mark.parametrize(("lace", "shape", "wishes"), BASES)
def test_locking_a_part_of_the_best_plan_gives_the_same_plan(
    lace: str, shape: str, wishes: Wishes
) -> None:
    plan = base(lace, shape, wishes)
    middle = len(plan.cuts) // 2
    for hand in (
        Hand().lock_cut(plan, 0),
        Hand().lock_run(plan, middle),
        Hand().lock_run(plan, 0).lock_cut(plan, middle).lock_run(plan, len(plan.runs) - 1),
    ):
        found = again(plan, hand)
        assert same_places(found, plan)
        assert found.cost_min == pytest.approx(plan.cost_min, abs=1e-9)
        assert found.start_mm == pytest.approx(plan.start_mm, abs=1e-9)


@pytest.mark.parametrize(("lace", "shape", "wishes"), BASES)
def test_nothing_locked_moves_when_the_rest_is_planned_otherwise(
    lace: str, shape: str, wishes: Wishes
) -> None:
    """Cuts made cheap, net dear: all but what is locked lies elsewhere, on other paths."""
    plan = base(lace, shape, wishes)
    weights = Weights(cut=1.0, net_mm=0.4, motif_mm=0.1)
    free = lay_border(plan.lace, plan.target, wishes=wishes, weights=weights)
    assert not same_places(free, plan)
    index = len(plan.runs) // 2
    hand = Hand().lock_run(plan, index)
    found = again(plan, hand, weights=weights)
    assert not same_places(found, plan)
    was = plan.runs[index]
    run = next(r for r in found.runs if abs(r.edge_interval_mm[0] - was.edge_interval_mm[0]) < 0.01)
    assert run.edge_interval_mm == pytest.approx(was.edge_interval_mm, abs=0.01)
    assert run.lace_interval_mm == pytest.approx(was.lace_interval_mm, abs=0.01)
    laid = run.laying.place(was.outline_mm)
    assert np.abs(laid - was.laying.place(was.outline_mm)).max() < 0.01


def test_a_cut_is_made_where_it_is_demanded_and_none_where_forbidden() -> None:
    plan = base()
    hand = Hand((CutHere("h1", 20.0, 12.0), NoCut("h2", (215.0, 225.0))))
    found = again(plan, hand)
    assert any(8.0 <= cut.s_mm <= 32.0 for cut in real(found))
    assert not any(8.0 <= cut.s_mm <= 32.0 for cut in real(plan))
    assert not any(215.0 <= cut.s_mm <= 225.0 for cut in real(found))
    assert any(215.0 <= cut.s_mm <= 225.0 for cut in real(plan))
    assert "a cut within 12 mm of 20 mm from the start (h1)" in found.certificate
    other = again(plan, hand.undo("h1"))
    assert plan.bound_min - 1e-9 <= other.bound_min <= found.bound_min + 1e-9
    assert same_places(again(plan, hand.undo("h1").undo("h2")), plan)


def test_a_cut_demanded_on_a_straight_edge() -> None:
    """Nothing needs cutting there: one cut is made, where it is asked for, and costs its work."""
    mark = Landmark("centre front", 140.0, "centre")
    edge = TargetEdge("straight", PlaneCurve.from_arcs([(360.0, 0.0)]), landmarks=[mark])
    lace = galloon()
    plan = lay_border(lace, edge, wishes=LOWER)
    assert real(plan) == []
    found = lay_border(lace, edge, wishes=LOWER, hand=Hand((CutHere("h1", 180.0, 5.0),)))
    assert check_plan(found, Hand((CutHere("h1", 180.0, 5.0),))) == ()
    (cut,) = real(found)
    assert cut.s_mm == pytest.approx(180.0, abs=5.0)
    assert cut.angle_rad == pytest.approx(0.0, abs=1e-9)
    assert found.cost_min >= Weights().cut


@pytest.mark.parametrize("what", ["valley", "tip"])
def test_a_wish_at_a_mark_decides_where_it_starts(what: str) -> None:
    """Free at the centre, it is met exactly; with a valley or tip there, within its distance."""
    plan = replace(base(), wishes=replace(LOWER, centre="anywhere"))
    wish = AtMark("h1", what, 131.0)  # type: ignore[arg-type]
    found = again(plan, Hand((wish,)))
    strip_a = found.start_mm + float(found.target.curve.laying_length(131.0, found.laying_depth_mm))
    edge = found.lace.lower
    own = edge.valleys_mm if what == "valley" else edge.tips_mm
    assert found.lace.repeat is not None
    period = found.lace.repeat.length_mm.value
    off = np.mod(own[:, 0] - strip_a + period / 2, period) - period / 2
    assert np.abs(off).min() < 0.01


def refused(hand: Hand, plan: Plan | None = None, **changes: object) -> str:
    plan = plan or base()
    changes = {"wishes": plan.wishes, **changes}
    with pytest.raises(PlanError) as caught:
        lay_border(plan.lace, plan.target, hand=hand, **changes)  # type: ignore[arg-type]
    return str(caught.value)


def test_what_cannot_be_kept_is_named_with_what_frees_it() -> None:
    plan = base()
    length = plan.target.length_mm
    cut = Hand().lock_cut(plan, 1)
    where = plan.cuts[1].s_mm
    assert refused(Hand((NoCut("h1", (100.0, 200.0)),))) == (
        "No plan holds with no cut from 10.0 cm to 20.0 cm (h1). "
        "Allow a cut there, or forbid a shorter stretch."
    )
    assert refused(cut.with_one(NoCut("x", (where - 5, where + 5)))).startswith(
        "No plan can keep both the cut locked at 14.0 cm from the start (h1) and no cut from "
    )
    assert refused(Hand((CutHere("h1", 211.0, 1.5),))).startswith(
        "No plan holds with a cut within 2 mm of 21.1 cm from the start (h1). Take it back"
    )
    assert refused(Hand((CutHere("h1", 211.0, 1.0),))).startswith(
        "No plan holds with a cut within 1 mm of 21.1 cm from the start (h1): the nearest place to "
        "cut lies 2 mm off. "
    )
    run = Hand().lock_run(plan, 1)
    inside = sum(plan.runs[1].edge_interval_mm) / 2
    assert "the stretch locked from" in refused(run.with_one(CutHere("x", inside, 5.0)))
    assert "The edge is 47.9 cm long" in refused(Hand((CutHere("h1", length + 40.0),)))
    assert "lies on the lower edge of the lace" in refused(cut, wishes=Wishes(side="upper"))
    assert "stand 2.0 mm past the edge" in refused(cut, wishes=replace(LOWER, stand_mm=1.0))
    assert "deep, and 20 mm is wished" in refused(cut, wishes=replace(LOWER, border_depth_mm=20.0))
    assert "would move by" in refused(run, limits=Limits(stretch=0.0, squeeze=0.0))
    at_tip = base("beaded", "bodice-top", replace(LOWER, centre="tip"))
    assert "what is wished at the centre misses it by" in refused(
        Hand().lock_cut(at_tip, 1), wishes=replace(LOWER, centre="valley")
    )
    other = replace(plan, target=SHAPES["bodice-top"].edge({"lobe-radius": "85mm"}))
    assert "was locked on an edge 478.9 mm long" in refused(cut, other)
    assert refused(Hand((AtMark("h1", "valley", 109.0, 1.0, "bust point"),))).startswith(
        "There cannot be a valley at the bust point (h1) together with what lies at the centre: it "
        "misses by"
    )


def test_a_limit_is_still_named_when_nothing_asked_stops_the_plan() -> None:
    told = refused(Hand((CutHere("h1", 20.0, 12.0),)), limits=Limits(lap_mm=0.5))
    assert told.startswith("No plan holds: every one needs a lap at the inner side wider")


def moved_cut(plan: Plan) -> Plan:
    """Another cut of the plan in place of the first one."""
    cuts = list(plan.cuts)
    cuts[0] = replace(cuts[1], s_mm=cuts[0].s_mm)
    return replace(plan, cuts=tuple(cuts))


def bent_path(plan: Plan) -> Plan:
    cuts = list(plan.cuts)
    path = cuts[0].path_mm.copy()
    path[len(path) // 2] += [0.4, 0.0]
    cuts[0] = replace(cuts[0], path_mm=path)
    return replace(plan, cuts=tuple(cuts))


def healed_cut(plan: Plan) -> Plan:
    cuts = list(plan.cuts)
    cuts[0] = replace(cuts[0], kind="uncut")
    return replace(plan, cuts=tuple(cuts))


def shifted_run(plan: Plan) -> Plan:
    runs = list(plan.runs)
    laying = runs[1].laying
    runs[1] = replace(runs[1], laying=replace(laying, shift_mm=laying.shift_mm + [0.03, 0.0]))
    return replace(plan, runs=tuple(runs))


def turned_run(plan: Plan) -> Plan:
    runs = list(plan.runs)
    laying = runs[1].laying
    cos, sin = np.cos(0.002), np.sin(0.002)
    turned = laying.matrix @ np.array([[cos, -sin], [sin, cos]])
    runs[1] = replace(runs[1], laying=replace(laying, matrix=turned))
    return replace(plan, runs=tuple(runs))


def other_end(plan: Plan) -> Plan:
    runs = list(plan.runs)
    low, high = runs[1].edge_interval_mm
    runs[1] = replace(runs[1], edge_interval_mm=(low, high + 0.2))
    return replace(plan, runs=tuple(runs))


def started_elsewhere(plan: Plan) -> Plan:
    return replace(plan, start_mm=plan.start_mm + 0.5)


@pytest.mark.parametrize(
    "spoil",
    [moved_cut, bent_path, healed_cut, shifted_run, turned_run, other_end, started_elsewhere],
)
def test_what_moved_is_found(spoil: Callable[[Plan], Plan]) -> None:
    plan = base()
    hand = Hand().lock_cut(plan, 0).lock_run(plan, 1)
    assert check_plan(plan, hand) == ()
    rules = {finding.rule for finding in check_plan(spoil(plan), hand)}
    assert "locked" in rules


def test_what_is_missing_is_found() -> None:
    plan = base()
    first = plan.cuts[0].s_mm
    centre = plan.target.centre
    assert centre is not None

    def rules(*asks: object) -> set[str]:
        return {each.rule for each in check_plan(plan, Hand(asks))}  # type: ignore[arg-type]

    assert rules(CutHere("h1", first + 3.0, 3.1), NoCut("h2", (first + 1.0, first + 9.0))) == set()
    assert rules(CutHere("h1", first + 8.0, 4.0)) == {"a cut there"}
    assert rules(NoCut("h1", (first - 4.0, first + 4.0))) == {"no cut there"}
    assert rules(AtMark("h1", "valley", centre.s_mm), AtMark("h2", "tip", centre.s_mm)) == {
        "at the mark"
    }
    taken_back = Hand((CutHere("h1", first + 8.0, 4.0),), frozenset({"h1"}))
    assert check_plan(plan, taken_back) == ()
    healed = healed_cut(plan)
    assert "a cut there" in {
        each.rule for each in check_plan(healed, Hand((CutHere("h1", first, 4.0),)))
    }
    elsewhere = replace(Footing.of(plan), side="upper")
    wrong = replace(Hand().lock_cut(plan, 0), footing=elsewhere)
    assert "locked" in {each.rule for each in check_plan(plan, wrong)}


def test_prepared_gives_the_same_plan_as_laying_anew() -> None:
    """Held ready, from the same start: the same cuts and the same cost."""
    plan = base()
    held = ready()
    assert same_places(held.plan(), plan)
    lock = Hand().lock_cut(plan, 1)
    for hand in (lock, lock.with_one(CutHere("x", 20.0, 12.0))):
        anew, quick = again(plan, hand), held.plan(hand=hand)
        assert same_places(anew, quick)
        assert quick.cost_min == pytest.approx(anew.cost_min, abs=1e-9)
        assert check_plan(quick, hand) == ()


def test_prepared_weighs_anew() -> None:
    """Places, areas and widths are held; every minute is charged by the new weights."""
    plan = base()
    dear = replace(Weights(), cut=30.0, net_mm=0.3, bead=3.0, in_scallop=9.0, beside_centre=1.0)
    quick = ready().plan(dear)
    assert check_plan(quick) == ()
    assert quick.weights == dear
    assert quick.bound_min == pytest.approx(quick.cost_min, rel=0.02)
    usual = ready().search(dear)
    assert usual is not None
    kept = Hand().lock_run(plan, 0)
    for k in range(1, len(plan.runs)):
        kept = kept.lock_run(plan, k)
    held = ready().search(dear, kept)
    assert held is not None
    assert usual.cost <= held.cost + 1e-9


def test_prepared_says_what_stops_it() -> None:
    with pytest.raises(PlanError, match=r"No plan holds with no cut from 10.0 cm to 20.0 cm"):
        ready().plan(hand=Hand((NoCut("h1", (100.0, 200.0)),)))
    with pytest.raises(PlanError, match="the nearest place to cut lies"):
        ready().plan(hand=Hand((CutHere("h1", 211.0, 1.5),)))
    with pytest.raises(PlanError, match="misses by"):
        ready().plan(hand=Hand((AtMark("h1", "tip", 110.0, 0.5),)))


def test_right_through_cuts_are_held_too() -> None:
    plan = base("plain", "scoop-neckline")
    assert any(cut.kind == "through" for cut in plan.cuts)
    held = prepare(plan)
    assert same_places(held.plan(), plan)
    hand = Hand().lock_cut(plan, 0)
    found = held.plan(Weights(cut=2.0), hand)
    assert check_plan(found, hand) == ()


def test_a_lace_that_is_its_own_mirror_image_is_held_by_its_start() -> None:
    """Locked on a free start, which is refined off the grid of starts, it lies there again."""
    edge = TargetEdge("edge", PlaneCurve.from_arcs([(120, 1 / 140), (80, 0), (120, -1 / 150)]))
    plan = lay_border(mirrored_pair(), edge, wishes=LOWER)
    index = next(k for k, cut in enumerate(plan.cuts) if cut.kind != "uncut")
    found = again(plan, Hand().lock_cut(plan, index))
    assert found.start_mm == pytest.approx(plan.start_mm, abs=1e-9)
    assert found.bound_min <= plan.bound_min + 1e-9
