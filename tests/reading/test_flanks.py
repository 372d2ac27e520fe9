"""Notches drawn on paper and filled: how deep the valley below is."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from lacelay.reading.flanks import FILLED_MM, filled_mm

Floats = NDArray[np.float64]
SPACING_MM = 0.1
VALLEYS_MM = 10.0 + 20.0 * np.arange(5)


def _notches(left: float, right: float) -> tuple[Floats, Floats]:
    """Valleys at height 0 with flanks of two slopes, filled where they are narrow."""
    u = np.arange(0.0, 100.0, SPACING_MM)
    off = u[:, None] - VALLEYS_MM
    near = off[np.arange(len(u)), np.abs(off).argmin(1)]
    height = np.where(near < 0, -left * near, right * near)
    return u, np.maximum(height, FILLED_MM / (1 / left + 1 / right))


@pytest.mark.parametrize(("left", "right"), [(0.5, 0.5), (1.0, 2.0), (2.0, 1.0)])
def test_the_valley_is_found_below_what_fills_it(left: float, right: float) -> None:
    u, height = _notches(left, right)
    filled = filled_mm(u, height, VALLEYS_MM, np.ones(5, bool), 1, 15.0)
    assert float(height.min()) - filled == pytest.approx(np.zeros(5), abs=0.15)


def test_no_more_than_a_share_of_the_scallop_is_taken_for_filled() -> None:
    u, height = _notches(8.0, 8.0)
    filled = filled_mm(u, height, VALLEYS_MM, np.ones(5, bool), 1, 4.0)
    assert filled.max() <= 0.6 + 1e-9


def test_of_notches_that_were_not_seen_nothing_is_told() -> None:
    u, height = _notches(1.0, 1.0)
    assert not filled_mm(u, height, VALLEYS_MM, np.zeros(5, bool), 1, 15.0).any()
