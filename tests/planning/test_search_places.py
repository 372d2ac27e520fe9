"""The search over places against trying all, each plan costed here from the definitions.

The rigid placement below is written from the design and shares no code with the tables of
the search: a run's chord follows that of its stretch of laying line, the run is balanced
across it, two runs turn by the difference of their directions, and laps and openings are
the areas between the two images of a cut. Only the curve is shared.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations, pairwise

import numpy as np
import pytest
from handmade_places import RIGID, places_at
from shapely import LineString, Polygon

from lacelay.geometry.plane_curve import PlaneCurve
from lacelay.model.wishes import Limits, Weights
from lacelay.planning.meetings import meet, search_places
from lacelay.planning.places import Places, RunTable

Point = tuple[float, float]
#: A run is held against the edge at 17 even points, its ends included.
HELD_AT = 17


@dataclass
class ByHand:
    """One problem, costed straight from its definition."""

    places: Places
    weights: Weights
    limits: Limits

    def __post_init__(self) -> None:
        self.runs: dict[tuple[int, int], HandRun] = {}
        self.cuts: dict[tuple[int, int, int], float] = {}

    def run(self, i: int, j: int) -> HandRun:
        if (i, j) not in self.runs:
            self.runs[i, j] = HandRun(self.places, self.limits, i, j)
        return self.runs[i, j]

    def cost(self, chain: tuple[int, ...]) -> float:
        places, n = self.places, self.places.count
        total = 0.0
        for i, j in pairwise(chain):
            if (i, j) != (0, n - 1):  # a run over everything is always tried
                if j - i > places.look_ahead:
                    return math.inf
                apart = places.least_apart
                if apart is not None and not apart[i, j - i - 1]:
                    return math.inf
            total += self.run(i, j).minutes(self.weights)
        for i, j, k in zip(chain, chain[1:], chain[2:], strict=False):
            if (i, j, k) not in self.cuts:
                self.cuts[i, j, k] = self.meeting(i, j, k)
            total += self.cuts[i, j, k]
        return total

    def best(self) -> float:
        n = self.places.count
        return min(
            self.cost((0, *chosen, n - 1))
            for size in range(n - 1)
            for chosen in combinations(range(1, n - 1), size)
        )

    def meeting(self, i: int, j: int, k: int) -> float:
        """Minutes of the cut at j between the runs from i and to k."""
        places, weights, limits = self.places, self.weights, self.limits
        left, right = self.run(i, j), self.run(j, k)
        turn_l, turn_r = (run.lay(places.turn_mm[j]) for run in (left, right))
        inner_l, inner_r = (run.lay(places.inner_mm[j]) for run in (left, right))
        outer_l, outer_r = (run.lay(places.outer_mm[j]) for run in (left, right))
        turn = right.direction(-0.5) - left.direction(0.5)
        turn = math.remainder(turn, 2 * math.pi)
        lap, bare = lap_and_opening(turn_l, inner_l, inner_r, turn_r)
        inner = math.copysign(math.dist(inner_l, inner_r), area(turn_l, inner_l, inner_r))
        slip = math.dist(turn_l, turn_r)
        outer = 0.0
        if places.through:
            # Seen from the scalloped side the same turn goes the other way.
            outer_bare, outer_lap = lap_and_opening(turn_l, outer_l, outer_r, turn_r)
            lap, bare = lap + outer_lap, bare + outer_bare
            outer = math.copysign(math.dist(outer_l, outer_r), -area(turn_l, outer_l, outer_r))
        if places.turns_rad is not None:
            assert places.extra_lap_mm2 is not None
            assert places.extra_opening_mm2 is not None
            lap = max(0.0, lap + np.interp(turn, places.turns_rad, places.extra_lap_mm2[j]))
            bare = max(0.0, bare + np.interp(turn, places.turns_rad, places.extra_opening_mm2[j]))
        kink = weights.kink_rad2 * turn**2 if places.free else 0.0
        taken_up = limits.absorbed_strain * (left.length + right.length) / 2
        if abs(inner) <= taken_up and abs(outer) <= taken_up and slip <= 0.5:
            return weights.easing + kink
        if (
            max(inner, outer) > limits.lap_mm
            or -min(inner, outer) > limits.opening_mm
            or -outer > limits.edge_opening_mm
            or slip > limits.slip_mm
        ):
            return math.inf
        return float(
            weights.cut
            + (weights.through if places.through else 0.0)
            + places.minutes[j]
            + weights.lap_mm2 * lap
            + weights.opening_mm2 * bare
            + weights.slip_mm * slip
            + kink
        )


class HandRun:
    """A run laid along its stretch of the laying line."""

    def __init__(self, places: Places, limits: Limits, i: int, j: int) -> None:
        self.places, self.limits = places, limits
        self.a0, self.a1 = float(places.turn_mm[i, 0]), float(places.turn_mm[j, 0])
        self.length = self.a1 - self.a0
        self.p, self.laying_b = places.laying_depth_mm, places.laying_depth_mm + places.stand_mm
        inside = places.border_depth_mm - self.laying_b
        outside = self.laying_b + places.reach_mm
        sharpest = min(limits.squeeze / inside, limits.stretch / max(outside, 1e-9))
        other_way = min(limits.stretch / inside, limits.squeeze / max(outside, 1e-9))
        self.s0, self.s1 = float(self.s_at(self.a0)), float(self.s_at(self.a1))
        self.turned = float(places.curve.turning(self.s0, self.s1))
        self.bend = min(max(self.turned / self.length, -other_way), sharpest)
        self.t = np.linspace(-self.length / 2, self.length / 2, HELD_AT)
        self.s = self.s_at((self.a0 + self.a1) / 2 + self.t)
        h = places.curve.heading(self.s)
        line = places.curve.at(self.s) + self.p * np.stack([-np.sin(h), np.cos(h)], axis=1)
        chord = line[-1] - line[0]
        self.heading = math.atan2(chord[1], chord[0])
        across = np.array([-math.sin(self.heading), math.cos(self.heading)])
        middle = (line[0] + line[-1]) / 2
        miss = [
            float((point - middle) @ across) - self.eased(t, 0.0)[1]
            for point, t in zip(line, self.t, strict=True)
        ]
        self.pivot = middle + (max(miss) + min(miss)) / 2 * across

    def s_at(self, a: np.ndarray | float) -> np.ndarray:
        """Invert the length along the laying line by bisection."""
        sigma = np.asarray(a) - self.places.start_mm
        curve = self.places.curve
        low, high = np.full_like(sigma, -1.0), np.full_like(sigma, curve.length_mm + 1.0)
        for _ in range(44):
            middle = (low + high) / 2
            here = middle - self.p * (curve.heading(middle) - curve.heading(0.0))
            low, high = np.where(here < sigma, middle, low), np.where(here < sigma, high, middle)
        return (low + high) / 2

    def direction(self, share: float) -> float:
        """Heading of the run at a share of its length from its middle."""
        return self.heading + self.bend * self.length * share

    def eased(self, along: float, above: float) -> Point:
        """A point (along, above the neutral line) after easing: an arc of the bend's radius."""
        angle = self.bend * along
        if abs(angle) < 1e-12:
            return along, above
        radius = 1 / self.bend
        return (radius - above) * math.sin(angle), radius - (radius - above) * math.cos(angle)

    def lay(self, strip: np.ndarray) -> Point:
        x, y = self.eased(
            float(strip[0]) - (self.a0 + self.a1) / 2, float(strip[1]) - self.laying_b
        )
        cos, sin = math.cos(self.heading), math.sin(self.heading)
        return self.pivot[0] + cos * x - sin * y, self.pivot[1] + sin * x + cos * y

    @cached_property
    def misses(self) -> list[float]:
        """Distance of the valley line from where it should stand, at each held point."""
        curve, middle = self.places.curve, (self.a0 + self.a1) / 2
        points = np.array([self.lay(np.array([middle + t, 0.0])) for t in self.t])
        s = np.clip(self.s, 0.0, curve.length_mm)
        for _ in range(18):  # the foot: where the offset has no part along the edge
            h, offset = curve.heading(s), points - curve.at(s)
            s = s + (np.cos(h) * offset[:, 0] + np.sin(h) * offset[:, 1]) * 0.8
        h, offset = curve.heading(s), points - curve.at(s)
        depth = -np.sin(h) * offset[:, 0] + np.cos(h) * offset[:, 1]
        return [abs(float(each) + self.places.stand_mm) for each in depth]

    def minutes(self, weights: Weights) -> float:
        limits, free = self.limits, self.places.free
        depth = self.places.border_depth_mm - self.places.stand_mm
        trimmed = (self.s1 - self.s0) - depth * self.turned
        if (
            max(self.misses) > (limits.free_limit_mm if free else limits.edge_limit_mm)
            or trimmed < limits.inner_width_mm
            or self.length > limits.run_mm
        ):
            return math.inf
        tolerance = limits.free_tolerance_mm if free else limits.edge_tolerance_mm
        step = self.length / (HELD_AT - 1)
        area_mm2 = sum(
            area_above(one - tolerance, next_ - tolerance, step)
            for one, next_ in pairwise(self.misses)
        )
        return weights.edge_mm2 * area_mm2


def area_above(y0: float, y1: float, width: float) -> float:
    """Area of what lies above 0 under a straight line from y0 to y1."""
    if y0 * y1 < 0:
        high = max(y0, y1)
        return high * width * high / (abs(y0) + abs(y1)) / 2
    return max((y0 + y1) / 2, 0.0) * width


def area(p: Point, q: Point, r: Point) -> float:
    return ((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])) / 2


def lap_and_opening(
    turn_l: Point, end_l: Point, end_r: Point, turn_r: Point
) -> tuple[float, float]:
    """Areas between two images of a cut: the right one behind the left one laps."""
    meet = LineString([turn_l, end_l]).intersection(LineString([turn_r, end_r]))
    if meet.geom_type == "Point" and turn_l != turn_r:
        corner = (meet.x, meet.y)
        parts = [area(turn_l, corner, turn_r), area(corner, end_l, end_r)]
    else:
        ring = [turn_l, end_l, end_r, turn_r]
        signed = sum(area((0.0, 0.0), p, q) for p, q in zip(ring, ring[1:] + ring[:1], strict=True))
        assert abs(signed) <= Polygon(ring).convex_hull.area + 1e-9
        parts = [signed]
    return sum(max(part, 0.0) for part in parts), sum(max(-part, 0.0) for part in parts)


#: Weights that a border of one depth does not have.
UNUSED = ("shallow_mm2", "step_mm")


def problem(seed: int) -> tuple[Places, Weights, Limits]:
    """A random bare problem: an arc, an S, or lobes; six to eight candidate cuts."""
    rng = np.random.default_rng(seed)
    arcs = {
        0: [(rng.uniform(150, 320), rng.choice([-1, 1]) / rng.uniform(90, 260))],
        1: [(rng.uniform(90, 160), 1 / rng.uniform(80, 200)), (40.0, 0.0)]
        + [(rng.uniform(90, 160), -1 / rng.uniform(80, 200))],
        2: [(60.0, -1 / 90), (rng.uniform(90, 150), 1 / 75), (40.0, -1 / 45)]
        + [(rng.uniform(90, 150), 1 / 85)],
    }[seed % 3]
    curve = PlaneCurve.from_arcs(arcs, heading_rad=rng.uniform(-3, 3))
    through = bool(rng.random() < 0.4)
    stand = rng.uniform(-1, 3)
    depth = rng.uniform(25, 40)
    p = rng.uniform(8, 16) if through else -stand
    lace = float(curve.laying_length(curve.length_mm, p))
    start = rng.uniform(-500, 500)
    n = int(rng.integers(6, 9)) + 2
    a = start + np.sort(np.concatenate([[0, lace], rng.uniform(0.04, 0.96, n - 2) * lace]))
    sure = 0.0 if through else rng.uniform(0, 6)
    turn = np.stack([a, np.full(n, p + stand + sure)], axis=1)
    inner = np.stack([a + rng.normal(0, 4, n), depth - rng.uniform(0, 4, n)], axis=1)
    outer = np.stack([a + rng.normal(0, 2, n), -rng.uniform(0, 6, n)], axis=1)
    ahead = int(rng.choice([3, 24]))
    apart = rng.random((n, min(ahead, n - 1))) < 0.9
    apart[[0, -1]] = True
    grid = np.deg2rad(np.arange(-60.0, 61.0, 12.0)) if rng.random() < 0.5 else None
    extra = rng.normal(0, 8, (2, n, 11))
    minutes = np.concatenate([[0.0], rng.gamma(2, 3, n - 2), [0.0]])
    base = Weights()
    scale = {name: rng.uniform(0, 10) for name in base.__dataclass_fields__ if name not in UNUSED}
    weights = Weights(**{name: getattr(base, name) * scale[name] for name in scale})
    give = rng.choice([0.0, 0.02, 0.05])
    limits = Limits(
        edge_tolerance_mm=rng.uniform(0, 2),
        edge_limit_mm=rng.uniform(4, 40),
        free_tolerance_mm=rng.uniform(0, 6),
        free_limit_mm=rng.uniform(8, 60),
        absorbed_strain=rng.choice([0.0, 0.002, 0.02]),
        lap_mm=rng.uniform(15, 60),
        opening_mm=rng.uniform(15, 60),
        edge_opening_mm=rng.uniform(2, 20),
        slip_mm=rng.uniform(2, 12),
        inner_width_mm=rng.uniform(0, 8),
        run_mm=rng.uniform(120, 400),
        stretch=give,
        squeeze=give,
    )
    places = Places(
        curve=curve,
        free=bool(rng.random() < 0.3),
        start_mm=start,
        laying_depth_mm=p,
        stand_mm=stand,
        border_depth_mm=depth,
        reach_mm=rng.uniform(2, 10),
        turn_mm=turn,
        inner_mm=inner,
        outer_mm=outer,
        minutes=minutes,
        through=through,
        look_ahead=ahead,
        least_apart=apart,
        turns_rad=grid,
        extra_lap_mm2=None if grid is None else extra[0],
        extra_opening_mm2=None if grid is None else extra[1],
    )
    return places, weights, limits


@pytest.mark.parametrize("batch", range(10))
def test_equals_trying_all_subsets(batch: int) -> None:
    """500 problems, 50 a batch; every subset of candidates is costed by hand."""
    for seed in range(50 * batch, 50 * batch + 50):
        places, weights, limits = problem(seed)
        best = ByHand(places, weights, limits).best()
        chain = search_places(places, weights, limits)
        found = math.inf if chain is None else chain.cost
        assert found == pytest.approx(best, rel=1e-6, abs=1e-6), f"problem {seed}"
        if chain is not None:
            own = ByHand(places, weights, limits).cost(chain.places)
            assert own == pytest.approx(chain.cost, rel=1e-6, abs=1e-6)


def test_the_problems_are_of_every_kind() -> None:
    """Some cannot be solved, some need no cut, some many; some ease, some go right through."""
    chains = [search_places(*problem(seed)) for seed in range(48)]
    numbers = [len(chain.places) - 2 for chain in chains if chain is not None]
    assert 4 <= chains.count(None) <= 30
    assert min(numbers) == 0
    assert max(numbers) >= 4


LARGER = [
    "edge_tolerance_mm",
    "edge_limit_mm",
    "free_tolerance_mm",
    "free_limit_mm",
    "lap_mm",
    "opening_mm",
    "edge_opening_mm",
    "slip_mm",
    "run_mm",
]


@pytest.mark.parametrize("name", [*LARGER, "inner_width_mm"])
def test_relaxing_a_limit_never_costs_more(name: str) -> None:
    for seed in range(36):
        places, weights, limits = problem(seed)
        value = getattr(limits, name)
        looser = replace(limits, **{name: value / 2 if name == "inner_width_mm" else value * 1.5})
        before, after = (search_places(places, weights, each) for each in (limits, looser))
        if before is not None:
            assert after is not None
            assert after.cost <= before.cost + 1e-9


def without(places: Places, k: int) -> Places:
    """The same problem with candidate k left out, looking ahead over everything."""
    keep = np.arange(places.count) != k
    tables = {
        name: None if getattr(places, name) is None else getattr(places, name)[keep]
        for name in ("extra_lap_mm2", "extra_opening_mm2")
    }
    return replace(
        places,
        turn_mm=places.turn_mm[keep],
        inner_mm=places.inner_mm[keep],
        outer_mm=places.outer_mm[keep],
        minutes=places.minutes[keep],
        least_apart=None,
        look_ahead=24,
        **tables,
    )


def test_one_candidate_more_never_costs_more() -> None:
    helped = 0
    for seed in range(40):
        places, weights, limits = problem(seed)
        places = replace(places, least_apart=None, look_ahead=24)
        k = 1 + seed % (places.count - 2)
        fewer = search_places(without(places, k), weights, limits)
        more = search_places(places, weights, limits)
        if fewer is not None:
            assert more is not None
            assert more.cost <= fewer.cost + 1e-9
            if k not in more.places:
                assert more.cost == pytest.approx(fewer.cost, abs=1e-9)
        helped += more is not None and (fewer is None or more.cost < fewer.cost - 1e-6)
    assert helped > 3


def test_dearer_places_are_used_less() -> None:
    """Dearer by x: the plan costs at most x more, never less, and at last goes elsewhere."""
    left = 0
    for seed in range(40):
        places, weights, limits = problem(seed)
        before = search_places(places, weights, limits)
        if before is None:
            continue
        for k in range(1, places.count - 1):
            minutes = places.minutes.copy()
            minutes[k] += 7.0
            after = search_places(replace(places, minutes=minutes), weights, limits)
            assert after is not None
            assert before.cost - 1e-9 <= after.cost <= before.cost + 7.0 + 1e-9
            if k not in before.places:
                assert after.cost == pytest.approx(before.cost, abs=1e-9)
            left += k in before.places and k not in after.places
    assert left > 0


@pytest.mark.parametrize(("turn_b", "uncut"), [(20.0, False), (0.0, True)])
def test_what_slips_is_not_left_uncut(turn_b: float, uncut: bool) -> None:
    """2 mm at the inner side could be taken up, but not where the neighbours turn 2 mm apart."""
    curve = PlaneCurve.from_arcs([(100.0, 1 / 200)])
    places = places_at(curve, np.arange(0.0, 101.0, 20.0), depth_mm=20.0, turn_b_mm=turn_b)
    limits = replace(RIGID, absorbed_strain=0.12)  # of 20 mm: 2.4
    n = places.count
    table = RunTable(places, limits, np.arange(n - 1), np.arange(1, n))
    meetings = meet(table, np.arange(n - 2), np.arange(1, n - 1), limits)
    assert np.abs(meetings.inner_mm) == pytest.approx(2.0, abs=0.02)
    assert (meetings.uncut == uncut).all()


def test_without_limits_and_give_there_is_always_a_plan() -> None:
    for seed in range(0, 24, 3):
        places, weights, _ = problem(seed)
        assert search_places(replace(places, least_apart=None), weights, RIGID) is not None
