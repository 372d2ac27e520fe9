"""What she asks, one thing at a time: asked, taken back, asked again, refused."""

import pytest
from handmade import galloon

from lacelay.errors import PlanError
from lacelay.model.hand import AtMark, CutHere, Footing, Hand, LockedCut, NoCut
from lacelay.model.plan import Plan
from lacelay.model.shapes import SHAPES
from lacelay.model.wishes import Wishes
from lacelay.planning.lay import lay_border


@pytest.fixture(scope="module")
def plan() -> Plan:
    return lay_border(galloon(), SHAPES["dipped-waist"].edge(), wishes=Wishes(side="lower"))


def test_each_thing_asked_is_undone_and_asked_again_by_itself() -> None:
    hand = Hand()
    for ask in (NoCut("h1", (10.0, 20.0)), CutHere("h2", 50.0), AtMark("h4", "tip", 90.0)):
        hand = hand.with_one(ask)
    assert [each.id for each in hand.active] == ["h1", "h2", "h4"]
    assert hand.next_id() == "h3"
    undone = hand.undo("h2").undo("h1")
    assert [each.id for each in undone.active] == ["h4"]
    assert undone.redo("h1").redo("h2") == hand
    assert undone.without("h1").undone == {"h2"}
    assert hand.holds_start
    assert not hand.undo("h4").holds_start
    assert hand.held is None


def test_a_locked_stretch_holds_the_cuts_at_both_its_ends(plan) -> None:
    hand = Hand().lock_run(plan, 1)
    first, last = (cut for _, cut in hand.locked_cuts)
    assert (first.s_mm, last.s_mm) == plan.runs[1].edge_interval_mm
    assert (first.along_mm, last.along_mm) == plan.runs[1].lace_interval_mm
    assert first.cut == (plan.cuts[0].kind != "uncut")
    assert hand.held == Footing.of(plan)
    assert hand.undo("h1").held is None
    ends = Hand().lock_run(plan, 0).lock_run(plan, len(plan.runs) - 1)
    assert len(ends.locked_cuts) == 2


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: NoCut("h1", (20.0, 20.0)), "of no stretch"),
        (lambda: NoCut("h1", (float("nan"), 20.0)), "is not a number"),
        (lambda: CutHere("h1", 20.0, 0.0), "within 0 mm"),
        (lambda: AtMark("h1", "tip", 20.0, -1.0), "within -1 mm"),
        (lambda: CutHere(" ", 20.0), "no name"),
        (lambda: LockedCut("h1", 20.0, 20.0, ((0.0, 0.0),)), "without its line"),
        (lambda: Hand((CutHere("a", 1.0), CutHere("a", 2.0))), "called a"),
        (lambda: Hand((), frozenset({"a"})), "called a"),
        (lambda: Hand((LockedCut("a", 1.0, 1.0, ((0.0, 9.0), (0.0, 1.0))),)), "how the border lay"),
        (lambda: Hand().undo("a"), "called a"),
    ],
)
def test_what_can_never_be_is_refused(make, said) -> None:
    with pytest.raises(PlanError) as refusal:
        make()
    assert said in str(refusal.value)


def test_what_the_plan_does_not_hold_cannot_be_locked(plan) -> None:
    with pytest.raises(PlanError, match="There is no cut 0"):
        Hand().lock_cut(plan, -1)
    with pytest.raises(PlanError, match="There is no stretch"):
        Hand().lock_run(plan, len(plan.runs))


def test_locks_of_two_plans_do_not_mix(plan) -> None:
    other = lay_border(
        plan.lace, plan.target, wishes=Wishes(side="lower", centre="tip", stand_mm=1.0)
    )
    with pytest.raises(PlanError, match="lies otherwise than in this plan"):
        Hand().lock_cut(plan, 0).lock_cut(other, 0)
    assert Hand().lock_cut(plan, 0).undo("h1").lock_cut(other, 0).held == Footing.of(other)
