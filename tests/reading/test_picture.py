"""The lace's own colour, from pixels mixed by hand: c = a * lace + (1 - a) * mat."""

from __future__ import annotations

import numpy as np
import pytest

from lacelay.geometry.photo_map import PhotoMap
from lacelay.reading.picture import lace_picture
from lacelay.reading.strip import Strip

LACE, MAT = np.array([236.0, 228.0, 205.0]), np.array([20.0, 60.0, 48.0])


def _mixed(alpha: np.ndarray, lace: np.ndarray = LACE) -> Strip:
    """A strip of lace of one colour over a mat of one colour."""
    share = alpha[..., None]
    rgb = share * lace + (1 - share) * MAT
    h, w = alpha.shape
    return Strip(
        PhotoMap((w, h), np.eye(3), np.array([[0.0, 0.0], [1.0, 0.0]])),
        np.round(rgb).astype(np.uint8), alpha.astype(np.float32),
        np.broadcast_to(MAT, (h, w, 3)).astype(np.float32), alpha > 0, 4.0, -3.0, 7.0,
    )  # fmt: skip


def _half_covered() -> np.ndarray:
    alpha = np.linspace(0, 1, 120)[None].repeat(75, axis=0)
    alpha[:, 60:] = 1.0
    return alpha


def test_colour_is_the_laces_wherever_it_covers_enough() -> None:
    alpha = _half_covered()
    shown = lace_picture(_mixed(alpha))
    assert shown.rgba.shape == (75, 120, 4)
    told = alpha > 0.3
    # Rounding of the photo is blown up by 1 / a, at most 1 / 0.3.
    assert np.abs(shown.rgba[..., :3][told] - LACE).max() <= 3
    assert np.abs(shown.rgba[..., 3] - 255 * alpha).max() <= 0.51


def test_faint_places_lean_on_the_typical_colour() -> None:
    alpha = _half_covered()
    strip = _mixed(alpha)
    noisy = strip.rgb.copy()
    faint = alpha < 0.15
    noisy[faint] = [255, 0, 0]
    shown = lace_picture(
        Strip(strip.photo_map, noisy, strip.alpha, strip.mat_rgb, strip.extent, 4.0, -3.0, 7.0)
    )
    assert np.abs(shown.rgba[..., :3][faint] - LACE).max() <= 1


def test_no_solid_lace_leans_on_grey() -> None:
    shown = lace_picture(_mixed(np.full((40, 50), 0.1)))
    assert np.abs(shown.rgba[..., :3].astype(int) - 128).max() <= 1
    assert (shown.px_per_mm, shown.u0_mm, shown.v0_mm) == (4.0, -3.0, 7.0)


@pytest.mark.parametrize("dark", [(0.0, 0.0, 0.0), (255.0, 255.0, 255.0)])
def test_nothing_runs_over(dark: tuple[float, float, float]) -> None:
    alpha = _half_covered()
    strip = _mixed(alpha, np.array(dark))
    # Lace claimed fainter than it is: its colour would come out beyond black or white.
    claimed = np.where(alpha > 0.5, 0.5 * alpha, alpha).astype(np.float32)
    shown = lace_picture(
        Strip(strip.photo_map, strip.rgb, claimed, strip.mat_rgb, strip.extent, 4.0, 0.0, 0.0)
    )
    assert np.abs(shown.rgba[..., :3][:, 100:] - np.array(dark)).max() <= 2
