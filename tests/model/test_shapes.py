"""Built-in edges against closed forms of their arcs."""

import math

import numpy as np
import pytest
from shapely import LineString, Point, Polygon

from lacelay.errors import LacelayError, TargetError
from lacelay.model.shapes import (
    SHAPES,
    bodice_top,
    circular_hem,
    dipped_waist,
    scoop_neckline,
)

EDGES = [pytest.param(shape, id=name) for name, shape in SHAPES.items()]


def test_bodice_top_is_as_long_as_its_arcs() -> None:
    edge = bodice_top(
        dip_radius_mm=40,
        dip_angle_rad=math.radians(30),
        lobe_radius_mm=90,
        side_angle_rad=math.radians(45),
        underarm_radius_mm=110,
        side_straight_mm=25,
    )
    half = 40 * math.pi / 6 + 90 * math.radians(75) + 110 * math.pi / 4 + 25
    assert edge.length_mm == pytest.approx(2 * half, abs=0.01)


def test_bodice_top_is_hollow_at_the_dip_round_on_the_lobes_hollow_at_the_underarm() -> None:
    edge = bodice_top()
    middle = edge.length_mm / 2
    dip, lobe = 45 * math.radians(30), 95 * math.radians(70)
    underarm = 100 * math.radians(40)
    at = [middle, middle + dip + lobe / 2, middle + dip + lobe + underarm / 2, edge.length_mm - 5]
    assert edge.curve.kappa(at) == pytest.approx([-1 / 45, 1 / 95, -1 / 100, 0], rel=1e-5)


def test_heights_of_the_bodice_top() -> None:
    edge = bodice_top()
    y = edge.curve.points_mm[:, 1]
    lobe_top = (45 + 95) * (1 - math.cos(math.radians(30)))
    fall = (95 + 100) * (1 - math.cos(math.radians(40)))
    assert y.max() == pytest.approx(lobe_top, abs=0.01)
    assert y[0] == pytest.approx(lobe_top - fall, abs=0.01)
    assert y[0] == pytest.approx(y[-1], abs=1e-6)


def test_scoop_bends_away_from_its_cloth() -> None:
    edge = scoop_neckline(radius_mm=90, angle_rad=math.pi, straight_mm=30)
    assert edge.length_mm == pytest.approx(90 * math.pi + 60, abs=0.01)
    assert float(edge.curve.kappa(edge.length_mm / 2)) == pytest.approx(-1 / 90, rel=1e-5)
    # eat-up with the laying line 30 mm in: 1 + 30/90 on the arc (exact, by arc)
    arc = (30.0, 30.0 + 90 * math.pi)
    laid = float(np.diff(edge.curve.laying_length(arc, 30.0))[0])
    assert laid / (90 * math.pi) == pytest.approx(4 / 3, abs=1e-4)


def test_dip_of_the_waist_bends_round_its_cloth() -> None:
    edge = dipped_waist()
    assert float(edge.curve.kappa(edge.length_mm / 2)) == pytest.approx(1 / 70, rel=1e-5)
    assert edge.curve.points_mm[:, 1].min() == pytest.approx(0.0, abs=1e-3)


def test_hem_goes_as_far_round_as_asked() -> None:
    edge = circular_hem(radius_mm=300, angle_rad=math.radians(350))
    assert edge.length_mm == pytest.approx(300 * math.radians(350), abs=0.01)
    assert np.hypot(edge.curve.points_mm[:, 0], edge.curve.points_mm[:, 1] - 300) == (
        pytest.approx(300, abs=1e-6)
    )
    assert edge.kind == "free"


@pytest.mark.parametrize("shape", EDGES)
def test_cloth_lies_on_the_covered_side(shape) -> None:
    edge = shape.edge()
    cloth = Polygon(edge.cloth_mm)
    assert cloth.is_valid
    for s in np.linspace(20, edge.length_mm - 20, 15):
        inside, outside = edge.curve.place(s, 4.0), edge.curve.place(s, -4.0)
        assert cloth.contains(Point(inside))
        assert not cloth.contains(Point(outside))


@pytest.mark.parametrize("shape", EDGES)
def test_edge_is_its_own_mirror_image_about_the_centre(shape) -> None:
    edge = shape.edge()
    s = np.linspace(0, edge.length_mm / 2, 40)
    middle = edge.length_mm / 2
    left, right = edge.curve.at(middle - s), edge.curve.at(middle + s)
    assert left * [-1, 1] == pytest.approx(right, abs=1e-6)
    assert edge.curve.at(edge.centre.s_mm) == pytest.approx([0, 0], abs=1e-9)


@pytest.mark.parametrize("shape", EDGES)
def test_the_wearers_left_is_at_the_viewers_right(shape) -> None:
    edge = shape.edge()
    for mark in edge.landmarks:
        x = float(edge.curve.at(mark.s_mm)[0])
        if mark.name.startswith("left"):
            assert x > 10
        if mark.name.startswith("right"):
            assert x < -10
    assert sum(mark.role == "end" for mark in edge.landmarks) == 2


@pytest.mark.parametrize("shape", EDGES)
def test_defaults_told_are_the_defaults_used(shape) -> None:
    edge, plain = shape.edge(), shape.build()
    assert edge.curve.points_mm == pytest.approx(plain.curve.points_mm, abs=1e-9)


@pytest.mark.parametrize("shape", EDGES)
def test_every_measurement_changes_the_edge(shape) -> None:
    plain = LineString(shape.edge().curve.points_mm)
    for each in shape.parameters:
        text = f"{each.default * 1.1}{each.unit}"
        changed = LineString(shape.edge({each.name: text}).curve.points_mm)
        assert changed.hausdorff_distance(plain) > 0.5, each.name


@pytest.mark.parametrize(
    ("name", "settings", "words"),
    [
        ("bodice-top", {"lobe-radius": "0mm"}, "cannot be 0 mm"),
        ("bodice-top", {"lobes": "90mm"}, "has no 'lobes'"),
        ("bodice-top", {"lobe-radius": "90"}, "has no unit"),
        ("circular-hem", {"angle": "360"}, "cannot be 360 degrees"),
        ("circular-hem", {"angle": "wide"}, "not an angle"),
        ("scoop-neckline", {"angle": "300", "straight": "300mm"}, "crosses itself"),
    ],
)
def test_bad_measurements_are_told(name, settings, words) -> None:
    with pytest.raises(LacelayError, match=words):
        SHAPES[name].edge(settings)


def test_a_bad_measurement_is_a_target_error() -> None:
    with pytest.raises(TargetError):
        circular_hem(radius_mm=-5)
