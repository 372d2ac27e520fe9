"""How a drawing is cut into windows."""

from __future__ import annotations

import numpy as np
import pytest

from lacelay.drawing.scene import Line, Scene
from lacelay.drawing.tiling import OVERLAP_MM, match_marks, room_mm, steps, tile, whole


def test_steps_cover_a_length_with_overlaps() -> None:
    assert steps(100.0, 190.0) == [0.0]
    starts = steps(500.0, 194.0)
    assert np.diff(starts) == pytest.approx(194.0 - OVERLAP_MM)
    assert starts[-1] + 194.0 >= 500.0
    assert starts[-2] + 194.0 < 500.0
    assert len(steps(194.0 + 182.0, 194.0)) == 2


def test_a_low_long_drawing_shares_pages() -> None:
    line = Line(np.array([[0.0, 40.0], [1500.0, 40.0]]), "edge")
    pages = tile(Scene("long", (line,)), (0.0, 0.0, 1500.0, 70.0), "A4")
    windows = [window for page in pages for window in page.windows]
    assert len(pages) < len(windows)
    assert [w.bounds_mm[0] for w in windows] == sorted(w.bounds_mm[0] for w in windows)
    assert len(match_marks(pages)) == 6 * (len(windows) - 1)


def test_empty_windows_are_left_out() -> None:
    corner = Line(np.array([[5.0, 5.0], [595.0, 5.0], [595.0, 595.0]]), "edge")
    pages = tile(Scene("corner", (corner,)), (0.0, 0.0, 600.0, 600.0), "A4")
    width, height = room_mm((210.0, 297.0))
    grid = len(steps(600.0, width)) * len(steps(600.0, height))
    assert 0 < len(pages) < grid


def test_one_page_is_as_large_as_the_drawing_or_as_a_page_can_be() -> None:
    (page,) = whole((0.0, 0.0, 900.0, 120.0))
    assert page.size_mm[0] == pytest.approx(916.0)
    # ISO 32000-1:2008 annex C: no side over 14 400 units, 5080 mm.
    many = whole((0.0, 0.0, 9000.0, 120.0))
    assert len(many) == 2
    assert all(each.size_mm[0] <= 5080.0 for each in many)
