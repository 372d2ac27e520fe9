"""Speed of the search for cuts and depths, on an invented problem of fixed size."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from lacelay.geometry.plane_curve import PlaneCurve
from lacelay.model.wishes import Limits, Weights
from lacelay.planning.lay_depths import THREADS
from lacelay.planning.meetings import search_levels
from lacelay.planning.places import Places

SCALLOP_MM = 40.0
PER_SCALLOP = 3
START_STEP_MM = 2.0
DEPTHS_MM = (20.0, 30.0, 40.0, 50.0, 60.0)
#: Bends of the edge, 1/mm, in stretches of equal length: hem-like to bodice-like.
BENDS = (1 / 220, -1 / 600, 1 / 300, 0.0, -1 / 250, 1 / 400)
REACH_MM = 8.0
STAND_MM = 2.0


def edge(length_mm: float) -> PlaneCurve:
    """An edge of a length that bends both ways, the same bends every 1.25 m."""
    stretches = max(1, round(length_mm / 1250.0))
    part = length_mm / (stretches * len(BENDS))
    return PlaneCurve.from_arcs([(part, bend) for bend in BENDS * stretches])


def levels(curve: PlaneCurve, start_mm: float, seed: int) -> list[Places]:
    """Places at every depth, with candidate cuts that differ within a scallop."""
    rng = np.random.default_rng(seed)
    own = (np.arange(PER_SCALLOP) + rng.uniform(-0.1, 0.1, PER_SCALLOP)) * SCALLOP_MM / PER_SCALLOP
    slant, minutes = rng.normal(0.0, 0.08, PER_SCALLOP), rng.gamma(2.0, 1.5, PER_SCALLOP)
    length = curve.length_mm
    a = (own[None, :] + SCALLOP_MM * np.arange(-1, length // SCALLOP_MM + 2)[:, None]).ravel()
    which = np.tile(np.arange(PER_SCALLOP), len(a) // PER_SCALLOP)
    inside = (a > start_mm + 6.0) & (a < start_mm + length - 6.0)
    a, which = a[inside], which[inside]
    n = len(a) + 2
    ends = np.concatenate([[start_mm], a, [start_mm + length]])
    lean = np.concatenate([[0.0], slant[which], [0.0]])
    turns = np.deg2rad(np.arange(-60.0, 60.1, 4.0))
    found = []
    for depth in DEPTHS_MM:
        along = np.linspace(0.0, length, n) * 0.015 * (DEPTHS_MM[-1] - depth)
        found.append(
            Places(
                curve=curve,
                free=False,
                start_mm=start_mm,
                laying_depth_mm=-STAND_MM,
                stand_mm=STAND_MM,
                border_depth_mm=depth,
                reach_mm=REACH_MM,
                turn_mm=np.stack([ends, np.full(n, 6.0)], axis=1),
                inner_mm=np.stack([ends + lean * depth, np.full(n, depth)], axis=1),
                outer_mm=np.stack([ends, np.zeros(n)], axis=1),
                minutes=np.concatenate([[0.0], minutes[which] * depth / 40.0, [0.0]]),
                through=False,
                turns_rad=turns,
                extra_lap_mm2=np.abs(turns)[None, :] * np.full((n, 1), depth),
                extra_opening_mm2=np.zeros((n, len(turns))),
                along_minutes=along,
            )
        )
    return found


def planning() -> None:
    """Time the search over every start, by length of the edge."""
    print("Search over starts, depths of every run and cuts (tables of the lace built)")
    head = ("edge", "starts", "places", "seconds", "on a core", "ms a start", "best")
    print(" ".join(f"{name:>10}" for name in head))
    starts = np.arange(0.0, SCALLOP_MM, START_STEP_MM)
    for length in (1250.0, 2500.0, 5000.0):
        curve = edge(length)
        problems = [levels(curve, float(start), seed=7) for start in starts]
        before, busy = time.perf_counter(), time.process_time()
        with ThreadPoolExecutor(THREADS) as pool:
            chains = list(pool.map(lambda each: search_levels(each, Weights(), Limits()), problems))
        seconds, busy = time.perf_counter() - before, time.process_time() - busy
        best = min(chain.cost for chain in chains if chain is not None)
        print(
            f"{length / 1000:8.2f} m {len(starts):10d} {problems[0][0].count:10d} {seconds:10.2f} "
            f"{busy:10.2f} {1000 * busy / len(starts):10.0f} {best:10.1f}"
        )
    print("Asked: 2.5 m in at most 3 s on 2 cores. Runs look ahead 24 places.\n")
