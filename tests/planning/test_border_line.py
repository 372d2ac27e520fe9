"""The line by which a border comes off: closed over the repeat, round whole motifs."""

from __future__ import annotations

from itertools import pairwise, product

import numpy as np
import pytest
import shapely
from handmade import galloon, with_blobs

from lacelay.model.lace import Lace
from lacelay.model.wishes import Limits, Weights
from lacelay.planning.border_line import border_line, choose_depth
from lacelay.planning.cost_field import CELL_MM, CostField, cost_field
from lacelay.planning.seams import periodic_seam
from lacelay.planning.strip import border_strip


def field_of(lace: Lace) -> CostField:
    return cost_field(border_strip(lace, "lower"), Weights(), Limits(), 70.0)


def crossed(field: CostField, line: object) -> float:
    """Length of a line inside motifs, over one repeat."""
    strip = field.strip
    a = np.linspace(strip.start_mm, strip.start_mm + strip.period_mm, 400)
    drawn = shapely.LineString(np.stack([a, line.b(a)], axis=1))  # type: ignore[attr-defined]
    return float(drawn.intersection(strip.motifs).length)


@pytest.mark.parametrize("depth", [20.0, 35.0, 50.0])
def test_it_closes_over_the_repeat(depth: float) -> None:
    field = field_of(galloon())
    line = border_line(field, depth, 8.0)
    assert np.abs(line.b_mm - depth).max() <= 8.0
    around = np.append(line.b_mm, line.b_mm[0])
    assert np.abs(np.diff(around)).max() <= 4 * CELL_MM + 1e-9
    strip = field.strip
    a = np.linspace(0, strip.period_mm, 77)
    assert line.b(a + 3 * strip.period_mm) == pytest.approx(line.b(a), abs=1e-9)
    assert line.deepest_mm == line.b_mm.max()
    assert line.mean_mm == pytest.approx(line.b(a[:-1]).mean(), abs=0.2)


def test_even_net_is_cut_straight_at_the_depth_asked_for() -> None:
    line = border_line(field_of(with_blobs()), 33.0, 8.0)
    assert line.b_mm == pytest.approx(33.0)


@pytest.mark.parametrize(("at", "goes"), [(33.0, 1.0), (27.0, -1.0)])
def test_it_goes_round_a_motif_that_straddles_the_depth(at: float, goes: float) -> None:
    """::

        ____         a motif mostly outwards of 30 mm stays whole on the border,
    ___/ () \\___     one mostly inwards of it stays whole on the middle
    """
    field = field_of(with_blobs((20.0, at, 7.0, 5.0)))
    line = border_line(field, 30.0, 8.0)
    assert crossed(field, line) == 0.0
    straight = shapely.LineString([(-40.0, 30.0), (200.0, 30.0)])
    assert straight.intersection(field.strip.motifs).length > 10.0
    over_motif = line.b(np.array([20.0, 60.0]))
    assert over_motif == pytest.approx(over_motif[0])
    # The nearer way round: past the far side of the smaller part.
    assert np.sign(over_motif[0] - 30.0) == -goes


def test_it_goes_round_a_motif_that_straddles_the_repeat() -> None:
    """One that lies over the valley where the template begins and ends."""
    field = field_of(with_blobs((40.0, 28.0, 8.0, 5.0)))
    assert field.strip.start_mm % 40.0 == pytest.approx(0.0)
    assert crossed(field, border_line(field, 30.0, 8.0)) == 0.0


def test_equals_trying_every_line_on_a_tiny_field() -> None:
    """The closed seam under it, with the same steps and tolls, by trying all."""
    rng = np.random.default_rng(5)
    for _ in range(6):
        cost = rng.gamma(2.0, 0.1, (5, 4))
        total, found = periodic_seam(cost, 1, 0.01)

        def closed(columns: tuple[int, ...], cost: np.ndarray = cost) -> float:
            steps = np.abs(np.diff((*columns, columns[0])))
            if steps.max() > 1:
                return np.inf
            return float(cost[np.arange(5), list(columns)].sum() + 0.01 * steps.sum())

        best = min(closed(columns) for columns in product(range(4), repeat=5))
        assert total == pytest.approx(best)
        assert closed(tuple(found.tolist())) == pytest.approx(best)


def test_more_play_never_costs_more() -> None:
    """But for the little that keeps lines near the depth that was asked for."""
    field = field_of(galloon())
    for depth in (26.0, 40.0, 52.0):
        costs = [border_line(field, depth, play).minutes for play in (2.0, 5.0, 9.0)]
        assert all(b <= a + 1e-3 * field.strip.period_mm for a, b in pairwise(costs))


def test_the_depth_chosen_leaves_motifs_whole() -> None:
    """A row of motifs at 36 mm: the line passes outwards of it rather than through."""
    field = field_of(with_blobs((10.0, 44.0, 9.5, 9.0), (30.0, 44.0, 9.5, 9.0)))
    line = choose_depth(field, 16.0, 46.0, 4.0)
    assert crossed(field, line) == 0.0
    assert 16.0 - 4.0 <= line.mean_mm < 35.5
    # In even net nothing keeps it from the deepest.
    assert choose_depth(field_of(with_blobs()), 16.0, 46.0, 4.0).mean_mm == pytest.approx(46.0)
