"""The camera's slant from a ruler's marks alone: how they close up, and how they fan out."""

from __future__ import annotations

import numpy as np
import pytest

from lacelay.reading.row_slant import Fan, read_fan, slant_of

SIZE = (4000, 3000)


def _marks(c: tuple[float, ...], noise: float, rows: int = 33, length: int = 2000) -> np.ndarray:
    """Marks a third of their spacing wide, at n = (c0 + c1 s + d t) / (1 + c2 s + e t)."""
    c0, c1, d, c2, e = c
    s, t = np.meshgrid(np.arange(length, dtype=float), np.arange(rows) - rows // 2)
    n = (c0 + c1 * s + d * t) / (1 + c2 * s + e * t)
    light = 100.0 / (1 + np.exp((np.abs(n - np.round(n)) - 0.17) * 60)) - 33
    return (light + np.random.default_rng(8).normal(0, noise, light.shape)).astype(np.float32)


@pytest.mark.parametrize(("c2", "e"), [(2e-5, -1.5e-5), (-1e-5, 2.5e-5), (0.0, 0.0)])
def test_closing_up_and_fanning_out_are_told_within_their_uncertainty(c2: float, e: float) -> None:
    count = np.array([0.3, 0.1, c2])
    calm = _marks((count[0], count[1], 0.0, c2, e), 15.0)
    fan = read_fan(calm, count, (0.0, 1999.0), slice(0, 33), 16)
    assert fan is not None
    sigma = np.sqrt(np.diag(fan.covariance))
    assert abs(fan.closing - c2) < 3 * sigma[0]
    assert abs(fan.fanning - e) < 3 * sigma[1]
    # A tilt of one degree gives 5.5e-6: that much is seen.
    assert sigma.max() < 5e-6


def test_a_plane_seen_at_a_slant_is_laid_flat() -> None:
    # A camera of 0.8 times the longer side tilted by 8 degrees over a plane.
    focal, tilt = 0.8 * SIZE[0], np.deg2rad(8)
    middle = (np.array(SIZE) - 1) / 2
    plane = np.array([[x, y] for x in (-3.0, 0.0, 3.0) for y in (-2.0, 0.0, 2.0)])
    x, y = plane.T
    below = 10 + y * np.sin(tilt)
    seen = np.stack([focal * x / below, -focal * y * np.cos(tilt) / below], -1) + middle
    fan = Fan(0.0, np.tan(tilt) / focal, 1e-16 * np.eye(2))
    # t runs down the photo where s runs to its right; the far side of this plane is above.
    slant = slant_of(fan, middle, np.array([1.0, 0.0]), middle, SIZE)
    assert slant.gradient == pytest.approx([0.0, np.tan(tilt) / focal], rel=1e-3)
    flat = np.column_stack([seen, np.ones(9)]) @ slant.to_plane(SIZE).T
    flat = flat[:, :2] / flat[:, 2:]
    apart = np.hypot(*(flat[:, None] - flat[None]).transpose(2, 0, 1))
    true = np.hypot(*(plane[:, None] - plane[None]).transpose(2, 0, 1))
    ratio = apart[true > 0] / true[true > 0]
    assert np.ptp(ratio) < 2e-3 * ratio.mean()


def test_nothing_seen_of_the_slant_leaves_it_in_doubt() -> None:
    middle = (np.array(SIZE) - 1) / 2
    slant = slant_of(None, middle, np.array([1.0, 0.0]), middle, SIZE)
    assert slant.gradient == pytest.approx([0.0, 0.0])
    assert slant.spread(middle, SIZE) > 0.03
