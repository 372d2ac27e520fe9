"""Shapes of a scene: dashes, hatching, density, bounds."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from lacelay.drawing.scene import Area, Line, Scene, dashes, densified, hatching, point


def length(points: np.ndarray) -> float:
    return float(np.hypot(*np.diff(points, axis=0).T).sum())


def test_dashes_keep_their_length_round_corners() -> None:
    path = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 25.0]])
    pieces = dashes(path, (4.0, 2.0))
    assert [round(length(piece), 9) for piece in pieces] == [4.0] * 5 + [4.0]
    assert pieces[1][0] == pytest.approx([6.0, 0.0])
    # A dash that goes round the corner holds the corner.
    assert any((piece == [10.0, 0.0]).all(axis=1).any() for piece in pieces)


def test_dashes_of_a_point_are_none() -> None:
    assert dashes(np.zeros((2, 2)), (1.0, 1.0)) == []


def test_densified_keeps_given_points_and_the_step() -> None:
    square = np.array([[0.0, 0.0], [7.0, 0.0], [7.0, 7.0], [0.0, 7.0]])
    dense = densified(square, 2.0, closed=True)
    ring = np.concatenate([dense, dense[:1]])
    assert np.hypot(*np.diff(ring, axis=0).T).max() <= 2.0
    assert all((dense == corner).all(axis=1).any() for corner in square)
    assert length(ring) == pytest.approx(28.0)


def test_hatching_stays_inside_and_is_as_dense_as_asked() -> None:
    outline = np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 30.0], [20.0, 8.0], [0.0, 30.0]])
    strokes = hatching(outline, 2.0)
    area = shapely.Polygon(outline)
    assert all(area.buffer(1e-6).contains(shapely.LineString(stroke)) for stroke in strokes)
    # Lines a step apart: their whole length times the step is the area.
    total = sum(length(stroke) for stroke in strokes)
    assert total * 2.0 == pytest.approx(area.area, rel=0.05)


def test_bounds_leave_out_what_is_asked() -> None:
    scene = Scene(
        "two",
        (
            Area(np.array([[0.0, 0.0], [9.0, 0.0], [9.0, 9.0]]), "cloth"),
            Line(np.array([[1.0, 2.0], [3.0, 4.0]]), "edge"),
        ),
    )
    assert scene.bounds_mm() == (0.0, 0.0, 9.0, 9.0)
    assert scene.bounds_mm(without=("cloth",)) == (1.0, 2.0, 3.0, 4.0)
    moved = scene.mapped(lambda points: points + 10.0)
    assert moved.bounds_mm() == (10.0, 10.0, 19.0, 19.0)
    assert point(1.0, 2.0).shape == (1, 2)
