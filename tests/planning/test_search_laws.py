"""What must hold of every search, on random bare problems: arcs, S and lobes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_search_places import problem

from lacelay.geometry.plane_curve import PlaneCurve
from lacelay.planning.held import Held
from lacelay.planning.meetings import search_places
from lacelay.planning.places import Places

SEEDS = range(36)


def turned(places: Places, angle_rad: float, shift_mm: tuple[float, float]) -> Places:
    """The same problem with the garment turned and moved."""
    curve = places.curve
    cos, sin = np.cos(angle_rad), np.sin(angle_rad)
    points = curve.points_mm @ np.array([[cos, sin], [-sin, cos]]) + shift_mm
    return replace(places, curve=PlaneCurve(points, curve.heading(curve.s_mm) + angle_rad))


def reversed_(places: Places) -> Places:
    """The mirror image, run from its other end: the covered side stays the left."""
    curve = places.curve
    flipped = PlaneCurve(curve.points_mm[::-1] * [-1.0, 1.0], -curve.heading(curve.s_mm)[::-1])
    ends = places.turn_mm[0, 0] + places.turn_mm[-1, 0]
    ahead = places.count - 1

    def back(points: np.ndarray) -> np.ndarray:
        return np.stack([ends - points[:, 0], points[:, 1]], axis=1)[::-1]

    def rows(table: np.ndarray | None) -> np.ndarray | None:
        return None if table is None else table[::-1]

    return replace(
        places,
        curve=flipped,
        turn_mm=back(places.turn_mm),
        inner_mm=back(places.inner_mm),
        outer_mm=back(places.outer_mm),
        minutes=places.minutes[::-1],
        least_apart=None,
        look_ahead=ahead,
        extra_lap_mm2=rows(places.extra_lap_mm2),
        extra_opening_mm2=rows(places.extra_opening_mm2),
    )


def test_turning_and_moving_the_garment_changes_nothing() -> None:
    told = 0
    for seed in SEEDS:
        places, weights, limits = problem(seed)
        here = search_places(places, weights, limits)
        rng = np.random.default_rng(seed)
        shift = tuple(float(x) for x in rng.uniform(-2000, 2000, 2))
        there = search_places(
            turned(places, float(rng.uniform(-3, 3)), (shift[0], shift[1])), weights, limits
        )
        assert (here is None) == (there is None)
        if here is not None and there is not None:
            assert there.cost == pytest.approx(here.cost, rel=1e-7, abs=1e-7)
            assert there.places == here.places
            told += 1
    assert told >= 15


def test_reversing_the_edge_changes_nothing_over_the_same_places() -> None:
    """There is no step here: the places themselves are mirrored."""
    told = 0
    for seed in SEEDS:
        places, weights, limits = problem(seed)
        places = replace(places, least_apart=None, look_ahead=places.count - 1)
        here = search_places(places, weights, limits)
        there = search_places(reversed_(places), weights, limits)
        assert (here is None) == (there is None)
        if here is not None and there is not None:
            assert there.cost == pytest.approx(here.cost, rel=1e-6, abs=1e-6)
            told += 1
    assert told >= 15


def test_dearer_beads_never_break_more_runs() -> None:
    """Beads in the way of the cuts that are cut, for beads at 0 to 40 minutes each."""
    told = fewer = 0
    for seed in range(60):
        places, weights, limits = problem(seed)
        beads = np.random.default_rng(seed).poisson(2.0, places.count).astype(float)
        beads[[0, -1]] = 0.0
        counts = []
        for minutes in (0.0, 0.5, 2.0, 8.0, 40.0):
            dearer = replace(places, minutes=places.minutes + minutes * beads)
            tables = Held(dearer, limits).tables(weights, limits)
            chain = tables.search()
            if chain is None:
                break
            triples = zip(chain.places, chain.places[1:], chain.places[2:], strict=False)
            cut = [j for i, j, k in triples if not tables.uncut[j, j - i - 1, k - j - 1]]
            counts.append(float(beads[cut].sum()))
        if counts:
            assert counts == sorted(counts, reverse=True)
            told += 1
            fewer += counts[-1] < counts[0]
    assert told >= 30
    assert fewer >= 10
