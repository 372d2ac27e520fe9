"""Plane curves: closed forms on arcs, and round trips."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lacelay.geometry.plane_curve import PlaneCurve

#: Edges as laid: up to six arcs of 20 to 300 mm, no tighter than 40 mm.
ARCS = st.lists(st.tuples(st.floats(20, 300), st.floats(-1 / 40, 1 / 40)), min_size=1, max_size=6)
SEEDLESS = settings(max_examples=60, deadline=None, derandomize=True, database=None)


def test_parallels_of_a_quarter_circle() -> None:
    """Derived from L - rho delta-theta (math.techqa.club/3430235): 219.911 and 408.407."""
    curve = PlaneCurve.from_arcs([(100 * np.pi, 1 / 200)])
    assert curve.length_mm == pytest.approx(314.159, abs=1e-3)
    for depth, length in ((60.0, 219.911), (-60.0, 408.407)):
        assert curve.laying_length(curve.length_mm, depth) == pytest.approx(length, abs=1e-3)
        points = curve.place(np.linspace(0, curve.length_mm, 5000), np.full(5000, depth))
        walked = np.hypot(*np.diff(points, axis=0).T).sum()
        assert walked == pytest.approx(length, abs=2e-3)


def test_parallel_of_a_closed_convex_curve() -> None:
    """Outside a closed convex curve at r: L + 2 pi r (jakehume.xyz), here two half circles."""
    curve = PlaneCurve.from_arcs(
        [(80 * np.pi, 1 / 80), (120.0, 0.0), (80 * np.pi, 1 / 80), (120.0, 0.0)]
    )
    assert np.hypot(*(curve.points_mm[-1] - curve.points_mm[0])) < 1e-6
    outside = curve.laying_length(curve.length_mm, -25.0)
    assert outside == pytest.approx(curve.length_mm + 2 * np.pi * 25.0, abs=1e-9)


@pytest.mark.parametrize("kappa", [1 / 90, -1 / 90, 0.0])
@pytest.mark.parametrize("depth", [-12.0, 0.0, 30.0, 60.0])
def test_J_is_the_length_at_a_depth(kappa: float, depth: float) -> None:
    curve = PlaneCurve.from_arcs([(200.0, kappa)])
    assert curve.J(100.0, depth) == pytest.approx(1 - kappa * depth, abs=1e-6)
    near = curve.place(np.array([99.0, 101.0]), np.array([depth, depth]))
    assert np.hypot(*(near[1] - near[0])) / 2 == pytest.approx(1 - kappa * depth, abs=1e-4)


def test_the_covered_side_is_on_the_left() -> None:
    curve = PlaneCurve.from_arcs([(100.0, 0.0)])
    assert curve.place(50.0, 10.0) == pytest.approx([50.0, 10.0])
    left_turn = PlaneCurve.from_arcs([(100.0, 1 / 200)])
    assert left_turn.kappa(50.0) > 0
    assert left_turn.points_mm[-1, 1] > 0


def test_arcs_end_where_they_should() -> None:
    """An S of two quarter circles: from (0, 0) to (150, 150), heading as at the start."""
    curve = PlaneCurve.from_arcs([(50 * np.pi, 1 / 100), (25 * np.pi, -1 / 50)])
    assert curve.points_mm[-1] == pytest.approx([150.0, 150.0], abs=1e-9)
    assert curve.heading(curve.length_mm) == pytest.approx(0.0, abs=1e-12)
    assert curve.turning(0.0, 50 * np.pi) == pytest.approx(np.pi / 2, abs=1e-5)
    assert curve.kappa(60 * np.pi) == pytest.approx(-1 / 50, rel=1e-4)
    assert PlaneCurve.from_arcs([(100.0, 0.0)]).kappa(50.0) == pytest.approx(0.0, abs=1e-12)


def test_straight_on_beyond_the_ends() -> None:
    curve = PlaneCurve.from_arcs([(100.0, 1 / 100)])
    beyond = curve.at([-10.0, 0.0, curve.length_mm, curve.length_mm + 10.0])
    assert beyond[0] == pytest.approx([-10.0, 0.0])
    assert np.hypot(*(beyond[3] - beyond[2])) == pytest.approx(10.0)
    assert curve.kappa([-5.0, curve.length_mm + 5.0]) == pytest.approx([0.0, 0.0])
    assert curve.from_laying_length(-7.0, 20.0) == pytest.approx(-7.0)


def test_through_keeps_length_and_corners() -> None:
    curve = PlaneCurve.through([(0, 0), (80, 0), (80, 0), (80, 60)])
    assert curve.length_mm == pytest.approx(140.0, abs=0.5)
    assert curve.at(0.0) == pytest.approx([0, 0])
    assert curve.at(curve.length_mm) == pytest.approx([80, 60])
    assert curve.turning(70.0, 90.0) == pytest.approx(np.pi / 2)
    gaps = np.hypot(*(curve.points_mm - [80.0, 0.0]).T)
    assert gaps.min() <= 0.5


def test_through_many_points_agrees_with_the_arc() -> None:
    arc = PlaneCurve.from_arcs([(250.0, 1 / 150)])
    curve = PlaneCurve.through(arc.points_mm[::4])
    assert curve.length_mm == pytest.approx(250.0, abs=0.01)
    s = np.linspace(5, 245, 50)
    assert curve.at(s) == pytest.approx(arc.at(s), abs=0.01)
    assert curve.heading(s) == pytest.approx(arc.heading(s), abs=0.01)


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ([(0, 0), (1, 0)], "n >= 3"),
        ([(0, 0), (1, 0), (1, 0)], "repeat a point"),
        ([(0, 0, 0), (1, 0, 0), (2, 0, 0)], r"\(n, 2\)"),
    ],
)
def test_what_is_no_curve_is_refused(points: list[tuple[float, ...]], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        PlaneCurve(np.array(points, dtype=float))


def test_headings_must_match_the_points() -> None:
    with pytest.raises(ValueError, match="one heading"):
        PlaneCurve(np.array([(0.0, 0.0), (1.0, 0.0), (2.0, 0.0)]), np.zeros(2))


def test_a_laying_line_that_turns_back_is_refused() -> None:
    curve = PlaneCurve.from_arcs([(100.0, 1 / 40)])
    with pytest.raises(ValueError, match="turns back"):
        curve.from_laying_length(10.0, 45.0)


@SEEDLESS
@given(ARCS, st.floats(-39, 39), st.lists(st.floats(0, 1), min_size=1, max_size=5))
def test_laying_length_and_back(arcs: list[tuple[float, float]], p: float, at: list[float]) -> None:
    curve = PlaneCurve.from_arcs(arcs)
    s = np.array(at) * curve.length_mm
    sigma = curve.laying_length(s, p)
    assert curve.from_laying_length(sigma, p) == pytest.approx(s, abs=1e-6)
    exact = curve.length_mm - p * sum(length * kappa for length, kappa in arcs)
    assert curve.laying_length(curve.length_mm, p) == pytest.approx(exact, abs=1e-6)


@SEEDLESS
@given(ARCS, st.floats(0.02, 0.98), st.floats(-20, 20), st.floats(-3, 3))
def test_locate_undoes_place(
    arcs: list[tuple[float, float]], share: float, d: float, off: float
) -> None:
    curve = PlaneCurve.from_arcs(arcs)
    s = share * curve.length_mm
    found = curve.locate(curve.place([s], [d]), np.array([s + off]), steps=8)
    assert curve.place(found[:, 0], found[:, 1]) == pytest.approx(curve.place([s], [d]), abs=0.01)
    assert found[0] == pytest.approx([s, d], abs=0.05)


@SEEDLESS
@given(ARCS, st.floats(-3, 3), st.floats(-500, 500), st.floats(-500, 500))
def test_moving_a_curve_changes_no_figure(
    arcs: list[tuple[float, float]], angle: float, x: float, y: float
) -> None:
    plain = PlaneCurve.from_arcs(arcs)
    moved = PlaneCurve.from_arcs(arcs, start_mm=(x, y), heading_rad=angle)
    assert moved.length_mm == pytest.approx(plain.length_mm)
    s = np.linspace(0, plain.length_mm, 7)
    assert moved.turning(0.0, s) == pytest.approx(plain.turning(0.0, s), abs=1e-9)
    cos, sin = np.cos(angle), np.sin(angle)
    turned = plain.place(s, 15.0) @ np.array([[cos, sin], [-sin, cos]]) + [x, y]
    assert moved.place(s, 15.0) == pytest.approx(turned, abs=1e-6)


@SEEDLESS
@given(ARCS, st.floats(-30, 30), st.floats(-30, 30), st.floats(0, 1))
def test_surplus_adds_up(arcs: list[tuple[float, float]], p: float, d: float, share: float) -> None:
    """Over two stretches it is the sum, and it is J(p) - J(d) integrated."""
    curve = PlaneCurve.from_arcs(arcs)
    middle, end = share * curve.length_mm, curve.length_mm
    whole = curve.surplus(0.0, end, p, d)
    parts = curve.surplus(0.0, middle, p, d) + curve.surplus(middle, end, p, d)
    assert parts == pytest.approx(whole, abs=1e-9)
    lengths = curve.laying_length(end, p) - curve.laying_length(end, d)
    assert whole == pytest.approx(lengths, abs=1e-9)
