"""The width she measured, laid over the edges that are seen."""

from __future__ import annotations

import numpy as np
import pytest

from lacelay.model.lace import LaceEdge
from lacelay.reading.edge_profile import Profile
from lacelay.reading.straighten import told_width

U = np.linspace(0.0, 200.0, 2001)
NONE = np.zeros((0, 2))


def _straight(side: str, v: np.ndarray) -> tuple[Profile, LaceEdge]:
    profile = Profile(side, U, v, v)  # type: ignore[arg-type]
    edge = LaceEdge(side, False, NONE, NONE, None, None)  # type: ignore[arg-type]
    return profile, edge


def _level(slope: float = 0.0) -> object:
    return lambda u: slope * np.asarray(u)


def test_straight_edges_are_as_far_apart_as_she_says() -> None:
    sides = _straight("upper", np.full(2001, 80.0)), _straight("lower", np.zeros(2001))
    assert told_width(40.0, sides, _level()) == pytest.approx((0.5, 0.0))  # type: ignore[arg-type]


def test_edges_that_run_together_are_even() -> None:
    sides = _straight("upper", 80 + 0.05 * (U - 100)), _straight("lower", np.zeros(2001))
    factor, sigma = told_width(40.0, sides, _level())  # type: ignore[arg-type]
    assert factor == pytest.approx(0.5, rel=1e-3)
    assert sigma == 0


def test_what_hangs_out_of_a_straight_edge_is_not_its_width() -> None:
    upper = np.full(2001, 80.0)
    upper[900:1000] = 95.0
    sides = _straight("upper", upper), _straight("lower", np.zeros(2001))
    assert told_width(40.0, sides, _level()) == pytest.approx((0.5, 0.0))  # type: ignore[arg-type]


def test_a_ruler_over_uneven_tips_touches_the_farthest_and_that_is_doubtful() -> None:
    # Bumps of two sizes that were read as no even scallops: the larger reach 12 mm out.
    bumps = np.where((U // 25) % 3 == 0, 12.0, 7.0) * np.abs(np.sin(np.pi * U / 25))
    sides = _straight("upper", 80 + bumps), _straight("lower", np.zeros(2001))
    factor, sigma = told_width(92.0, sides, _level())  # type: ignore[arg-type]
    assert factor == pytest.approx(1.0, abs=0.02)
    assert 0.005 < sigma < 0.03
