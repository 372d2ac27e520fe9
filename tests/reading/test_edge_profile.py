"""The line of a cut end on halves drawn on paper, rows counted outward."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from lacelay.reading.edge_profile import _cut_end

PER_MM = 5.0


def _half(slope: float = 0.0) -> NDArray[np.uint8]:
    """A half 60 mm tall that ends at column 800 at its edge, the cut aslant."""
    rows, columns = np.mgrid[:340, :1000]
    return ((rows < 300) & (columns <= 800 + slope * (rows - 300))).astype(np.uint8)


@pytest.mark.parametrize("slope", [0.0, 0.1, -0.1])
def test_the_cut_is_met_with_the_edge(slope: float) -> None:
    half = _half(slope)
    assert _cut_end(half, 800 - round(150 * slope), PER_MM) == pytest.approx(800, abs=3)


def test_glare_past_the_cut_does_not_move_it() -> None:
    half = _half()
    half[:200, 700:900] = 1
    assert _cut_end(half, 899, PER_MM) == pytest.approx(800, abs=3)


def test_the_last_scallops_flank_does_not_move_it() -> None:
    half = _half()
    rows, columns = np.mgrid[:340, :1000]
    half[(rows > 250) & (columns > 800 - (rows - 250))] = 0
    assert _cut_end(half, 800, PER_MM) == pytest.approx(800, abs=5)
