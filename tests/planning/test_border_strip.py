"""The border of a lace in its own frame: turned, never flipped, going on by the repeat."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from handmade import compound, corded, flounce, galloon

from lacelay.errors import PlanError
from lacelay.model.lace import Bead, Measured, Repeat
from lacelay.planning.strip import border_strip


@pytest.mark.parametrize("side", ["lower", "upper"])
def test_the_frame_is_turned_never_flipped(side: str) -> None:
    strip = border_strip(galloon(), side)  # type: ignore[arg-type]
    corner = strip.from_lace(np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
    along, across = corner[1] - corner[0], corner[2] - corner[0]
    assert along[0] * across[1] - along[1] * across[0] == pytest.approx(1.0)
    points = np.random.default_rng(1).uniform(-50, 400, (20, 2))
    assert strip.to_lace(strip.from_lace(points)) == pytest.approx(points)
    outer = strip.from_lace([60.0, -8.0 if side == "lower" else 148.0])
    assert outer[1] == pytest.approx(-8.0)


@pytest.mark.parametrize("lace", [galloon(), compound()], ids=["even", "compound"])
@pytest.mark.parametrize("side", ["lower", "upper"])
def test_one_repeat_stands_for_all(lace: object, side: str) -> None:
    strip = border_strip(lace, side)  # type: ignore[arg-type]
    assert len(strip.valleys_mm) == 3
    assert len(strip.tips_mm) == 3
    assert strip.valleys_mm[0] == pytest.approx(strip.start_mm)
    a = np.linspace(0.0, strip.period_mm, 50)
    once = strip.outline_b(a)
    assert strip.outline_b(a + 7 * strip.period_mm) == pytest.approx(once, abs=1e-9)
    assert strip.outline_b(strip.valleys_mm) == pytest.approx(0.0, abs=0.5)  # errors fall outwards
    assert strip.outline_b(strip.tips_mm).max() < -4.0
    assert strip.reach_mm == pytest.approx(11.0 if lace.name.count("comp") else 8.0, abs=0.05)  # type: ignore[attr-defined]


def test_compound_scallops_keep_their_order_on_either_side() -> None:
    """Widths 48, 30, 36 along the lower edge; turned half round they come the other way."""
    lower, upper = (border_strip(compound(), side) for side in ("lower", "upper"))  # type: ignore[arg-type]
    widths = [np.diff([*s.valleys_mm, s.valleys_mm[0] + s.period_mm]) for s in (lower, upper)]
    rolled = [np.roll(widths[0], k).tolist() for k in range(3)]
    back = [np.roll(widths[0][::-1], k).tolist() for k in range(3)]
    assert rolled[0] in [pytest.approx(each) for each in ([48, 30, 36], [30, 36, 48], [36, 48, 30])]
    assert any(widths[1] == pytest.approx(each) for each in back)
    assert not any(widths[1] == pytest.approx(each) for each in rolled)


def test_copies_and_template() -> None:
    strip = border_strip(galloon(), "lower")
    found = strip.copies(strip.valleys_mm, -300.0, 500.0)
    assert found == pytest.approx(np.arange(-280.0, 501.0, 40.0))
    inside = strip.into_template(np.array([-1e4, 0.0, 37.0, 5e3]))
    assert ((inside >= strip.start_mm) & (inside < strip.start_mm + strip.period_mm)).all()
    turns = (inside - np.array([-1e4, 0.0, 37.0, 5e3])) / strip.period_mm
    assert turns == pytest.approx(np.round(turns))


def test_motifs_cords_and_beads_of_the_template_alone() -> None:
    lace = replace(galloon(), beads=[Bead(40.0 * k + 20.0, 5.0, 2.0) for k in range(9)])
    strip = border_strip(lace, "lower")
    assert strip.beads_mm[:, 0] == pytest.approx(strip.start_mm + np.array([20.0, 60.0, 100.0]))
    own = sum(
        shapely.Polygon(m.outline_mm).area
        for m in lace.motifs
        if 80.0 <= m.outline_mm[:, 0].mean() < 200.0
    )
    template = shapely.box(strip.start_mm, -50.0, strip.start_mm + strip.period_mm, 200.0)
    assert strip.motifs.intersection(template).area == pytest.approx(own, rel=1e-6)
    assert strip.motifs.bounds[0] < strip.start_mm
    assert strip.motifs.bounds[2] > strip.start_mm + strip.period_mm
    corded_strip = border_strip(corded(), "upper")
    assert corded_strip.cords.length > 3 * corded_strip.period_mm


def test_beads_are_counted_once_at_the_template_s_ends() -> None:
    """A bead on the boundary belongs to one repeat, not to two or none."""
    lace = galloon()
    start = border_strip(lace, "lower").start_mm
    every = [Bead(start + k * 120.0, 10.0, 2.0) for k in (-1, 0, 1)]
    assert len(border_strip(replace(lace, beads=every), "lower").beads_mm) == 1


def test_a_flounce_has_one_border() -> None:
    assert border_strip(flounce(), "lower").scallop_mm == pytest.approx(36.0)
    with pytest.raises(PlanError, match=r"upper edge of .* no scallops\. Lay its lower edge"):
        border_strip(flounce(), "upper")


def test_a_repeat_that_is_not_known_or_not_seen_is_said() -> None:
    with pytest.raises(PlanError, match="could not be told"):
        border_strip(replace(galloon(), repeat=None), "lower")
    longer = replace(galloon(), repeat=Repeat(Measured(400.0, 1.0), 0.9, 0.5))
    with pytest.raises(PlanError, match=r"Only 360 mm .* less than its repeat of 400 mm"):
        border_strip(longer, "lower")
