"""Bare fitting problems written by hand: places along a curve, no lace behind them."""

from __future__ import annotations

import numpy as np

from lacelay.geometry.plane_curve import PlaneCurve
from lacelay.model.wishes import Limits
from lacelay.planning.places import Places

#: No give, and nothing but the distance from the edge ever forbidden.
RIGID = Limits(
    stretch=0.0,
    squeeze=0.0,
    absorbed_strain=0.0,
    edge_limit_mm=1e6,
    free_limit_mm=1e6,
    lap_mm=1e6,
    opening_mm=1e6,
    edge_opening_mm=1e6,
    slip_mm=1e6,
    inner_width_mm=0.0,
    run_mm=1e6,
)


def places_at(
    curve: PlaneCurve,
    a_mm: np.ndarray,
    *,
    laying_depth_mm: float = 0.0,
    stand_mm: float = 0.0,
    depth_mm: float = 60.0,
    turn_b_mm: float | None = None,
    through: bool = False,
    free: bool = False,
    look_ahead: int = 24,
) -> Places:
    """Straight cuts square to the border at each a, from the laying line or `turn_b_mm`."""
    a = np.asarray(a_mm, dtype=float)
    laying_b = laying_depth_mm + stand_mm
    turn_b = laying_b if turn_b_mm is None else turn_b_mm

    def level(b: float) -> np.ndarray:
        return np.stack([a, np.full_like(a, b)], axis=1)

    return Places(
        curve=curve,
        free=free,
        start_mm=float(a[0]),
        laying_depth_mm=laying_depth_mm,
        stand_mm=stand_mm,
        border_depth_mm=depth_mm,
        reach_mm=0.0,
        turn_mm=level(turn_b),
        inner_mm=level(depth_mm),
        outer_mm=level(0.0),
        minutes=np.zeros(len(a)),
        through=through,
        look_ahead=look_ahead,
    )
