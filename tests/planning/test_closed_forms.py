"""What runs and cuts come to on arcs, where it can be worked out on paper.

Values marked "design" are derived in closed form (arc R 200 mm, 90 degrees, 60 mm deep);
those of the scoop and the lobe are the trade's arithmetic, exact; chord counts within a
tolerance follow from pi / acos(1 - eps / R), quoted in the OpenSCAD source comments from the
Clipper documentation, in its balanced form (derived).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from handmade import galloon
from handmade_places import RIGID, places_at

from lacelay.geometry.plane_curve import PlaneCurve
from lacelay.model.plan import Plan
from lacelay.model.shapes import circular_hem, scoop_neckline
from lacelay.model.target import TargetEdge
from lacelay.model.wishes import Limits, Weights, Wishes
from lacelay.planning.lay import lay_border
from lacelay.planning.meetings import Meetings, meet, search_places
from lacelay.planning.places import Places, RunTable, bend_limits

#: A curve is kept as points every half a millimetre: angles read off it are good to this,
#: 0.001 mm over a border of 60 mm.
GRAIN_RAD = 2e-5
ONLY_CUTS = Weights(*([1.0] + [0.0] * 13))


def neighbours(places: Places, limits: Limits = RIGID) -> tuple[RunTable, Meetings]:
    """Every run from a place to the next one, and their meetings."""
    n = places.count
    table = RunTable(places, limits, np.arange(n - 1), np.arange(1, n))
    return table, meet(table, np.arange(n - 2), np.arange(1, n - 1), limits)


def quarter(runs: int) -> Places:
    """Runs of equal length on an arc of R 200 mm and 90 degrees, 60 mm deep.

    ::

        ____      the inner side laps: at each cut by the turn times 60 mm
       /    \\
      |      |    the edge, R 200
    """
    curve = PlaneCurve.from_arcs([(100 * np.pi, 1 / 200)])
    return places_at(curve, np.linspace(0, 100 * np.pi, runs + 1))


@pytest.mark.parametrize(("runs", "cuts_mm"), [(2, 47.12), (4, 70.69), (8, 82.47), (12, 86.39)])
def test_cuts_of_the_quarter_circle(runs: int, cuts_mm: float) -> None:
    """Design: the cuts alone, by arc, and only with the end parts the whole surplus."""
    places = quarter(runs)
    table, meetings = neighbours(places)
    assert meetings.turn_rad == pytest.approx(np.pi / 2 / runs, abs=GRAIN_RAD)
    assert meetings.turn_rad.sum() * 60 == pytest.approx(cuts_mm, abs=0.005)
    curve = places.curve
    start = table.heading_rad[0] - curve.heading(0.0)
    end = curve.heading(curve.length_mm) - table.heading_rad[-1]
    assert start * 60 == pytest.approx(94.248 / runs / 2, abs=1e-3)
    assert end == pytest.approx(start, abs=GRAIN_RAD)
    assert (meetings.turn_rad.sum() + start + end) * 60 == pytest.approx(94.248, abs=1e-3)
    assert curve.surplus(0, curve.length_mm, 0, 60) == pytest.approx(94.248, abs=1e-3)


def test_each_turn_is_the_bend_between_the_touching_points() -> None:
    """Not the sum, each cut on its own: unequal runs on an S, by the mean value of headings."""
    curve = PlaneCurve.from_arcs([(150, 1 / 120), (60, 0.0), (140, -1 / 90)])
    places = places_at(curve, np.array([0.0, 31.0, 80.0, 110.0, 190.0, 260.0, 300.0, 350.0]))
    table, meetings = neighbours(places)
    touch = []
    for row in range(places.count - 1):
        s = np.linspace(*table.s_mm[row], 40001)
        touch.append(s[np.argmin(np.abs(curve.heading(s) - table.heading_rad[row]))])
    asked = curve.turning(np.array(touch[:-1]), np.array(touch[1:]))
    assert meetings.turn_rad == pytest.approx(asked, abs=2e-4)


def test_scoop_turned_at_half_its_depth() -> None:
    """Trade rule 1, exact: R 90, 60 deep, scallop 60: 15 overlap, 15 gap, 45 mm of edge."""
    curve = PlaneCurve.from_arcs([(270.0, -1 / 90)])
    lace = float(curve.laying_length(curve.length_mm, 30.0))
    assert lace / curve.length_mm == pytest.approx(1.333, abs=5e-4)
    places = places_at(curve, np.arange(0.0, lace + 1, 60.0), laying_depth_mm=30.0, through=True)
    table, meetings = neighbours(places)
    assert np.diff(table.s_mm, axis=1) == pytest.approx(45.0, abs=1e-3)
    assert meetings.turn_rad * (0 - 30.0) == pytest.approx(15.0, abs=1e-3)  # laps at the edge
    assert meetings.turn_rad * (60 - 30.0) == pytest.approx(-15.0, abs=1e-3)  # opens inside
    assert (meetings.outer_mm > 0).all()
    assert (meetings.inner_mm < 0).all()
    assert curve.surplus(0, 45.0, 30.0, 0.0) == pytest.approx(15.0, abs=1e-3)
    assert curve.surplus(0, 45.0, 30.0, 60.0) == pytest.approx(-15.0, abs=1e-3)


def test_scoop_laid_at_its_edge_opens_40_mm_a_scallop() -> None:
    """Trade rule 1, exact: p = 0 leaves a 40 mm gap a scallop at the inner side."""
    curve = PlaneCurve.from_arcs([(240.0, -1 / 90)])
    _, meetings = neighbours(places_at(curve, np.arange(0.0, 241.0, 60.0)))
    assert meetings.turn_rad * 60 == pytest.approx(-40.0, abs=1e-3)


def test_lobe_with_its_valleys_past_the_edge() -> None:
    """Trade rule 1, exact: R 90, 180 degrees, valleys 12 past: 320.4 mm of lace, not 282.7."""
    curve = PlaneCurve.from_arcs([(90 * np.pi, 1 / 90)])
    assert curve.length_mm == pytest.approx(282.7, abs=0.05)
    assert curve.laying_length(curve.length_mm, -12.0) == pytest.approx(320.4, abs=0.05)


def test_eat_up_of_whole_plans() -> None:
    """The same two, laid with a lace: 1.33 and 1.13 are what the plan states."""
    scoop = scoop_neckline(radius_mm=90, angle_rad=np.pi, straight_mm=0)
    plan = lay_border(galloon(), scoop, wishes=Wishes(side="lower", laying_depth_mm=30.0))
    assert plan.eat_up == pytest.approx(4 / 3, abs=1e-4)
    lobe = TargetEdge("lobe", PlaneCurve.from_arcs([(90 * np.pi, 1 / 90)]))
    wishes = Wishes(side="lower", stand_mm=12.0, border_depth_mm=34.0, centre="anywhere")
    few = replace(galloon(per_repeat=1), motifs=())
    plan = lay_border(few, lobe, wishes=wishes)
    assert plan.eat_up == pytest.approx(1 + 12 / 90, abs=1e-4)
    used = plan.runs[-1].lace_interval_mm[1] - plan.runs[0].lace_interval_mm[0]
    assert used == pytest.approx(320.4, abs=0.05)


@pytest.mark.parametrize(
    ("radius", "degrees", "eps", "runs"),
    [(200, 90, 1.0, 6), (200, 90, 0.5, 8), (100, 180, 1.0, 8), (100, 360, 0.25, 32)],
)
def test_fewest_chords_within_a_tolerance(
    radius: float, degrees: float, eps: float, runs: int
) -> None:
    """Balanced within +-eps: n = ceil(theta / (2 acos((R - eps) / (R + eps)))), derived."""
    theta = np.deg2rad(degrees)
    assert runs == np.ceil(theta / (2 * np.arccos((radius - eps) / (radius + eps))))
    curve = PlaneCurve.from_arcs([(radius * theta, 1 / radius)])
    places = places_at(
        curve,
        np.linspace(0, curve.length_mm, 8 * runs + 1),
        depth_mm=20.0,
        look_ahead=20,
    )
    limits = replace(RIGID, edge_limit_mm=eps)
    chain = search_places(places, ONLY_CUTS, limits)
    assert chain is not None
    assert len(chain.places) - 1 == runs
    assert chain.cost == runs - 1
    # One fewer cannot be: some run would be at least this long, and that misses by more.
    longer = places_at(curve, np.array([0.0, curve.length_mm / (runs - 1)]))
    single = RunTable(longer, limits, np.array([0]), np.array([1]))
    assert single.edge_error_mm[0] > eps
    one_less = places_at(
        curve, np.linspace(0, curve.length_mm, 8 * (runs - 1) + 1), depth_mm=20.0, look_ahead=8
    )
    found = search_places(one_less, ONLY_CUTS, limits)
    assert found is not None
    assert len(found.places) - 1 >= runs


@pytest.mark.parametrize(
    ("radius", "chord", "sagitta"), [(6, 10, 2.68338), (5, 10 * np.sin(np.pi / 3), 2.5)]
)
def test_sagitta(radius: float, chord: float, sagitta: float) -> None:
    """Published worked examples (edspi31415.blogspot.com, May 2016)."""
    length = 2 * radius * np.arcsin(chord / 2 / radius)
    curve = PlaneCurve.from_arcs([(length, 1 / radius)], step_mm=0.01)
    ends, middle = curve.at([0.0, length]), curve.at(length / 2)
    assert np.hypot(*(ends[1] - ends[0])) == pytest.approx(chord, abs=1e-6)
    assert np.hypot(*(ends.mean(axis=0) - middle)) == pytest.approx(sagitta, abs=2e-5)


def test_a_straight_run_misses_by_half_the_sagitta() -> None:
    """R 200, chord 40: 1.002513 mm (derived), balanced to half of it; l^2 / 16 R exactly."""
    length = 400 * np.arcsin(0.1)
    curve = PlaneCurve.from_arcs([(400.0, 1 / 200)])
    table, _ = neighbours(places_at(curve, np.array([100.0, 100.0 + length])))
    assert 2 * table.edge_error_mm[0] == pytest.approx(1.0025, rel=0.005)
    assert table.edge_error_mm[0] == pytest.approx(length**2 / (16 * 200), rel=0.005)


def test_drift_of_inscribed_runs() -> None:
    """Design: a chord is short of its arc by k^2 l^3 / 24 (R 100, l 56: 0.73 mm)."""
    k, length = 1 / 100, 56.0
    ends = PlaneCurve.from_arcs([(4 * length, k)]).at([0.0, length])
    short = length - np.hypot(*(ends[1] - ends[0]))
    assert short == pytest.approx(k**2 * length**3 / 24, rel=0.01)
    assert short == pytest.approx(0.73, abs=0.005)


@pytest.mark.parametrize("length", [28.0, 56.0])
def test_drift_of_balanced_runs(length: float) -> None:
    """Design: a balanced run is long by k^2 l^3 / 48, to leading order; half of it is slip.

    The side between two corners of the runs' lines touches no circle of its own: its middle
    lies half the sagitta inside the edge, so it is R (1 + cos h) tan h long, h = k l / 2.
    """
    R, half = 100.0, length / 200
    curve = PlaneCurve.from_arcs([(4 * length, 1 / R)])
    table, meetings = neighbours(places_at(curve, np.arange(5) * length))
    corners = [_crossing(table, row, row + 1) for row in range(3)]
    long = np.hypot(*(corners[1] - corners[0])) - length
    assert long == pytest.approx(R * (1 + np.cos(half)) * np.tan(half) - length, abs=2e-3)
    assert long == pytest.approx(length**3 / R**2 / 48, rel=half**2)
    # Each run ends half of `long` before the corner, and the neighbour as far beyond it.
    assert meetings.slip_mm == pytest.approx(long * np.cos(half), rel=0.01)


def _crossing(table: RunTable, left: int, right: int) -> np.ndarray:
    h0, h1 = table.heading_rad[[left, right]]
    p0, p1 = table.pivot_mm[[left, right]]
    d0, d1 = np.array([np.cos(h0), np.sin(h0)]), np.array([np.cos(h1), np.sin(h1)])
    t = np.linalg.solve(np.stack([d0, -d1], axis=1), p1 - p0)
    return np.asarray(p0 + t[0] * d0)


def test_turning_short_of_the_laying_line_is_charged_as_slip() -> None:
    """Design, hinge: 5 mm short of 60 loses 8.3 % of the width; here it shows as slip."""
    curve = PlaneCurve.from_arcs([(320.0, 1 / 200)])
    a = np.arange(0.0, 321.0, 20.0)
    _, at_line = neighbours(places_at(curve, a))
    _, short = neighbours(places_at(curve, a, turn_b_mm=5.0))
    assert short.turn_rad == pytest.approx(at_line.turn_rad)
    lost = short.slip_mm / (short.turn_rad * 60)
    assert lost == pytest.approx(5 / 60, abs=0.003)
    assert at_line.slip_mm.max() < 0.01


def uncut(plan: Plan) -> bool:
    return all(cut.kind == "uncut" for cut in plan.cuts)


def test_straight_edges_and_gentle_hems_need_no_cut() -> None:
    """Design: 2 % at 60 mm deep asks for a radius of 3 m and more; half that must be cut."""
    wishes = Wishes(side="lower", border_depth_mm=60.0, stand_mm=0.0)
    plain = replace(galloon(per_repeat=1), motifs=())
    straight = TargetEdge("straight", PlaneCurve.from_arcs([(700.0, 0.0)]))
    plan = lay_border(plain, straight, wishes=wishes)
    assert uncut(plan)
    assert plan.eat_up == pytest.approx(1.0)
    assert max(run.edge_error_mm for run in plan.runs) < 1e-6
    gentle = circular_hem(radius_mm=3000.0, angle_rad=np.deg2rad(14))
    assert uncut(lay_border(plain, gentle, wishes=wishes))
    tighter = circular_hem(radius_mm=1500.0, angle_rad=np.deg2rad(28))
    assert not uncut(lay_border(plain, tighter, wishes=wishes))


def test_easing_follows_the_give() -> None:
    """2 % over the 60 mm inside the laying line: a radius of 3 m, either way."""
    curve = PlaneCurve.from_arcs([(300.0, 1 / 200)])
    inward, outward = bend_limits(places_at(curve, np.array([0.0, 300.0])), Limits())
    assert 1 / inward == pytest.approx(3000)
    assert 1 / outward == pytest.approx(3000)
    middle = replace(places_at(curve, np.array([0.0, 1.0]), laying_depth_mm=20.0), reach_mm=10.0)
    # 40 mm inside the laying line, 30 outside: one is squeezed while the other stretches.
    inward, outward = bend_limits(middle, Limits(squeeze=0.01, stretch=0.03))
    assert (inward, outward) == pytest.approx((0.01 / 40, 0.01 / 30))
    inward, outward = bend_limits(middle, Limits(squeeze=0.05, stretch=0.01))
    assert (inward, outward) == pytest.approx((0.01 / 30, 0.01 / 40))


def test_easing_spends_itself_before_the_cuts() -> None:
    """An eased run lies closer, and what it bends the cuts need not turn."""
    curve = PlaneCurve.from_arcs([(320.0, 1 / 200)])
    places = places_at(curve, np.arange(0.0, 321.0, 40.0))
    stiff, cut_stiff = neighbours(places)
    soft, cut_soft = neighbours(places, replace(RIGID, stretch=0.06, squeeze=0.06))
    assert soft.bend_per_mm == pytest.approx(0.06 / 60)
    saved = cut_stiff.turn_rad - cut_soft.turn_rad
    assert saved == pytest.approx(40.0 * 0.06 / 60, abs=1e-9)
    assert (soft.edge_error_mm < stiff.edge_error_mm).all()
