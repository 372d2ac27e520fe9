"""A closed lace: its map goes round, and round again."""

from __future__ import annotations

import numpy as np
import pytest

from lacelay.geometry.closed_map import ClosedMap

RADIUS_MM, MIDDLE_MM = 80.0, np.array([150.0, 120.0])


def _circle(knots: int = 180) -> ClosedMap:
    angle = np.linspace(0, 2 * np.pi, knots + 1)
    axis = MIDDLE_MM + RADIUS_MM * np.column_stack([np.cos(angle), np.sin(angle)])
    axis[-1] = axis[0]
    to_mat = np.array([[0.1, 0, 0], [0, -0.1, 240.0], [0, 0, 1]])
    return ClosedMap((3000, 2400), to_mat, axis)


def test_v_counts_inwards_and_u_counter_clockwise() -> None:
    around = _circle()
    quarter = around.length_mm / 4
    on_mat = around.lace_to_mat(np.array([[0.0, 10.0], [quarter, 20.0], [2 * quarter, -5.0]]))
    wanted = MIDDLE_MM + np.array([[RADIUS_MM - 10, 0], [0, RADIUS_MM - 20], [-RADIUS_MM - 5, 0]])
    assert on_mat == pytest.approx(wanted, abs=0.05)
    assert around.length_mm == pytest.approx(2 * np.pi * RADIUS_MM, rel=1e-3)


def test_points_come_back_across_the_seam_too() -> None:
    around = _circle()
    u = np.linspace(0.0, around.length_mm, 41)[:-1]
    lace = np.column_stack([u, np.linspace(-12.0, 40.0, len(u))])
    back = around.photo_to_lace(around.lace_to_photo(lace))
    apart = (back[:, 0] - lace[:, 0] + 100) % around.length_mm - 100
    # Half way to the middle the implicit direction across is solved to a hundredth.
    assert np.abs(apart).max() < 0.02
    assert back[:, 1] == pytest.approx(lace[:, 1], abs=0.02)


def test_u_goes_on_round() -> None:
    around = _circle()
    places = np.array([[-3.0, 6.0], [5.0, 6.0]])
    again = places + [around.length_mm, 0.0]
    assert around.lace_to_mat(again) == pytest.approx(around.lace_to_mat(places), abs=1e-9)


def test_an_open_axis_is_refused() -> None:
    around = _circle()
    with pytest.raises(ValueError, match="ends where it begins"):
        ClosedMap(around.size_px, around.photo_to_mat, around.axis_mat_mm[:-1])
