"""How much to buy: increments as shops sell, and a length that serves wherever it was cut."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from handmade import compound, galloon, mirrored_pair

from lacelay.buying.length import purchase_for, whole_increments
from lacelay.errors import PlanError
from lacelay.model.plan import Plan
from lacelay.model.purchase import Purchase
from lacelay.model.shapes import SHAPES
from lacelay.model.wishes import Wishes
from lacelay.planning.check import check_plan
from lacelay.planning.lay import lay_border

YARD_MM, INCH_MM = 914.4, 25.4


@cache
def plan_of(name: str) -> Plan:
    lace, shape, side = {
        "plain": (galloon(), "dipped-waist", "lower"),
        "turned": (compound(), "dipped-waist", "upper"),
        "beaded": (galloon(beads=True), "dipped-waist", "lower"),
        "short repeat": (mirrored_pair(), "dipped-waist", "lower"),
        "hem": (mirrored_pair(), "circular-hem", "lower"),
        "scoop": (galloon(), "scoop-neckline", "lower"),
    }[name]
    return lay_border(lace, SHAPES[shape].edge(), wishes=Wishes(side=side))  # type: ignore[arg-type]


ALL = ["plain", "turned", "beaded", "short repeat", "hem", "scoop"]


@pytest.mark.parametrize(
    ("needed", "increment", "sold"),
    [
        (1260.0, 250.0, 1500.0),  # quarter metres: firesidefabrics.co.uk
        (54.01 * INCH_MM, YARD_MM / 4, 1.75 * YARD_MM),  # quarter yards: thistleandstitch.com
        (54.00 * INCH_MM, YARD_MM / 4, 1.50 * YARD_MM),  # exactly, not a quarter more
        (1500.0, 500.0, 1500.0),  # backing by the half metre
        (1500.1, 500.0, 2000.0),
        (3 * 0.1 * 1000, 100.0, 300.0),  # 0.1 has no exact binary form
    ],
)
def test_what_shops_sell_by(needed: float, increment: float, sold: float) -> None:
    assert whole_increments(needed, increment) == pytest.approx(sold, abs=1e-6)


def laid(plan: Plan) -> tuple[float, float]:
    """Stretch of the lace that is laid, u from and to, turn-ins counted."""
    u = np.concatenate([run.outline_mm[:, 0] for run in plan.runs])
    return float(u.min()), float(u.max())


def fits(plan: Plan, purchase: Purchase, cut_at_mm: float) -> bool:
    """Whether the border can be taken from a length that begins at `cut_at_mm` on the bolt.

    A scallop is lost at each end; spare is not touched; the pattern may be entered at any
    repeat, since every repeat is alike.
    """
    assert plan.lace.repeat is not None
    pitch = plan.lace.edge(plan.side).pitch_mm
    assert pitch is not None
    period = plan.lace.repeat.length_mm.value
    low, high = laid(plan)
    first = cut_at_mm + pitch.value
    last = cut_at_mm + purchase.needed_mm - purchase.spare_mm - pitch.value
    repeats = np.ceil((first - low) / period - 1e-9)
    return bool(high + repeats * period <= last + 1e-6)


@pytest.mark.parametrize("name", ALL)
def test_it_serves_wherever_the_bolt_was_cut(name: str) -> None:
    """Trade rule 8, common practice."""
    plan = plan_of(name)
    purchase = purchase_for(plan)
    assert plan.lace.repeat is not None
    period = plan.lace.repeat.length_mm.value
    places = np.linspace(0.0, period, 241)
    assert all(fits(plan, purchase, float(at)) for at in places)
    # When she chooses the cut, one place serves, and not every one does.
    chosen = purchase_for(plan, start_chosen=True)
    assert chosen.start_anywhere_mm == 0.0
    assert chosen.needed_mm < purchase.needed_mm
    serving = [fits(plan, chosen, float(at)) for at in np.arange(0.0, period, 0.05)]
    low, _ = laid(plan)
    assert fits(plan, chosen, float(np.mod(low, period)) - chosen.ragged_ends_mm / 2)
    assert not all(serving)


@pytest.mark.parametrize("name", ALL)
def test_parts_and_check(name: str) -> None:
    plan = plan_of(name)
    purchase = purchase_for(plan)
    assert check_plan(replace(plan, purchase=purchase)) == ()
    low, high = laid(plan)
    # Border along the edge and 15 mm turned in at each end, cut along bent paths.
    along = plan.eat_up * plan.target.length_mm + 30.0
    assert high - low == pytest.approx(along, abs=25.0)
    assert purchase.used_mm >= high - low - 1e-9
    parts = (
        purchase.used_mm + purchase.start_anywhere_mm + purchase.ragged_ends_mm + purchase.spare_mm
    )
    assert purchase.needed_mm == pytest.approx(parts)
    assert 0 <= purchase.to_buy_mm - parts < 250.0
    pitch = plan.lace.edge(plan.side).pitch_mm
    assert pitch is not None
    assert purchase.ragged_ends_mm == pytest.approx(2 * pitch.value)
    assert len(purchase.reasons) >= 4


def test_spare_is_the_larger_of_a_repeat_or_a_tenth() -> None:
    """Trade rule 8, common practice."""
    long_repeat = purchase_for(plan_of("plain"))
    assert long_repeat.spare_mm == pytest.approx(120.0)
    assert any("one repeat" in reason for reason in long_repeat.reasons)
    hem = purchase_for(plan_of("hem"))  # repeats of 40 mm, near a metre used
    assert hem.spare_mm == pytest.approx(0.10 * hem.used_mm)
    assert any("10%" in reason for reason in hem.reasons)


def test_spare_is_more_for_beads_and_for_tight_bends() -> None:
    """Trade rule 8, common practice: 15 %."""
    plan = plan_of("hem")
    beaded = replace(plan, lace=replace(plan.lace, beads=plan_of("beaded").lace.beads))
    assert purchase_for(beaded).spare_mm == pytest.approx(0.15 * purchase_for(plan).used_mm)
    tight = tuple(
        replace(cut, angle_rad=np.deg2rad(31.0 if k == 0 else 5.0))
        for k, cut in enumerate(plan.cuts)
    )
    gentle = tuple(replace(cut, angle_rad=np.deg2rad(-29.0)) for cut in plan.cuts)
    assert purchase_for(replace(plan, cuts=tight)).spare_mm == pytest.approx(
        0.15 * purchase_for(plan).used_mm
    )
    assert purchase_for(replace(plan, cuts=gentle)).spare_mm == pytest.approx(
        0.10 * purchase_for(plan).used_mm
    )


def test_her_own_spare_is_taken_as_it_is() -> None:
    plan = plan_of("plain")
    none = purchase_for(plan, spare_share=0.0)
    assert none.spare_mm == 0.0
    quarter = purchase_for(plan, spare_share=0.25)
    assert quarter.spare_mm == pytest.approx(0.25 * quarter.used_mm)
    assert any("25%" in reason for reason in quarter.reasons)


def test_a_free_edge_takes_one_in_a_hundred_of_ease() -> None:
    """Trade rule 9, common practice: ease 0 on a boned edge, 1 % on net."""
    hem = plan_of("hem")
    low, high = laid(hem)
    assert purchase_for(hem).used_mm == pytest.approx(1.01 * (high - low))
    plain = plan_of("plain")
    low, high = laid(plain)
    assert purchase_for(plain).used_mm == pytest.approx(high - low)


@pytest.mark.parametrize("increment", [100.0, 250.0, 500.0, YARD_MM / 4, YARD_MM / 8])
def test_whole_increments_are_bought(increment: float) -> None:
    purchase = purchase_for(plan_of("turned"), increment_mm=increment)
    steps = purchase.to_buy_mm / increment
    assert steps == pytest.approx(round(steps))
    assert purchase.to_buy_mm >= purchase.needed_mm - 1e-6
    assert purchase.to_buy_mm - purchase.needed_mm < increment


@pytest.mark.parametrize("increment", [0.0, -250.0, float("nan")])
def test_no_shop_sells_by_nothing(increment: float) -> None:
    with pytest.raises(PlanError, match=r"does not sell by .* Give a length"):
        purchase_for(plan_of("plain"), increment_mm=increment)


def test_less_than_needed_cannot_be_stated() -> None:
    purchase = purchase_for(plan_of("plain"))
    with pytest.raises(ValueError, match="less is bought"):
        replace(purchase, to_buy_mm=purchase.needed_mm - 1.0)
