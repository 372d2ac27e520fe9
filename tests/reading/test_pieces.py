"""A lace that fell into pieces is refused, not read as one of them."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from lacelay.errors import ReadingError
from lacelay.reading.read import _refuse_pieces


def outline(width_px: float, height_px: float) -> np.ndarray:
    return np.array([[0, 0], [width_px, 0], [width_px, height_px], [0, height_px]], float)


def area_seen(rows: int, columns: int, shrink: float) -> SimpleNamespace:
    return SimpleNamespace(extent=np.ones((rows, columns), bool), shrink=shrink)


def test_a_small_part_of_what_was_seen_is_refused() -> None:
    with pytest.raises(ReadingError, match="fell into pieces"):
        _refuse_pieces(outline(400, 100), area_seen(100, 500, 0.5))  # type: ignore[arg-type]


def test_nearly_all_of_what_was_seen_is_kept() -> None:
    _refuse_pieces(outline(990, 190), area_seen(100, 500, 0.5))  # type: ignore[arg-type]
