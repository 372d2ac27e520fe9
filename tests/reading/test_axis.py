"""A lace that lies at any angle, bowed: its valleys come out level."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from lacelay.geometry.photo_map import PhotoMap
from lacelay.reading.read import read_lace
from lacelay.reading.scale import ScaleRequest

Drawing = Callable[..., Any]
SIDE_PX, STEP_PX = 2200, 11


def _bent(
    drawn: Drawing, sag_mm: float, turn_rad: float
) -> tuple[NDArray[np.uint8], NDArray[np.float64], float]:
    """The drawn lace bent along an arc about its middle, its valleys in the photo, px to mm."""
    flat = drawn(grid=False, tilt=0.0, angle_deg=0)
    height, width = flat.photo.shape[:2]
    per_mm = float(flat.mat_to_photo[0, 0])
    t = np.linspace(-125, 125, 61)
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    axis = np.column_stack([t, sag_mm * (t / 105) ** 2]) @ np.array([[c, s], [-s, c]])
    half = SIDE_PX / 2 / per_mm
    to_mat = np.array([[1 / per_mm, 0, -half], [0, -1 / per_mm, half], [0, 0, 1]])
    bent = PhotoMap((SIDE_PX, SIDE_PX), to_mat, axis)
    long = float(np.hypot(*np.diff(axis, axis=0).T).sum())
    places = np.arange(0, SIDE_PX, STEP_PX, dtype=float)
    at = np.stack(np.meshgrid(places, places), -1)
    lace = bent.photo_to_lace(at.reshape(-1, 2)).reshape(at.shape)
    source = np.stack(
        [(lace[..., 0] - long / 2) * per_mm + width / 2, height / 2 - lace[..., 1] * per_mm], -1
    )
    size = (len(places) * STEP_PX, len(places) * STEP_PX)
    full = cv2.resize(source.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
    off = STEP_PX // 2
    mat = np.median(flat.photo[:40].reshape(-1, 3), axis=0).tolist()
    photo = cv2.remap(flat.photo, full[off:, off:], None, cv2.INTER_LINEAR, borderValue=mat)
    grain = np.random.default_rng(1).normal(0, 2, photo.shape)
    valleys = flat.to_photo(flat.valleys_mm)
    along = (valleys[:, 0] - width / 2) / per_mm + long / 2
    there = bent.lace_to_photo(np.column_stack([along, (height / 2 - valleys[:, 1]) / per_mm]))
    return np.clip(photo + grain, 0, 255).astype(np.uint8), there, per_mm


@pytest.mark.parametrize("sag_mm", [0.0, 6.0, -12.0])
@pytest.mark.parametrize("turn_deg", [0.0, 35.0])
def test_a_bowed_lace_is_straightened(drawn: Drawing, sag_mm: float, turn_deg: float) -> None:
    photo, valleys, per_mm = _bent(drawn, sag_mm, np.deg2rad(turn_deg))
    known = ScaleRequest(two_points=((0.0, 0.0), (1000.0, 0.0), 1000.0 / per_mm))
    lace = read_lace(photo, name="bowed", scale=known).lace
    assert not lace.closed
    assert max(lace.lower.count, lace.upper.count) == 7
    level = lace.photo.photo_to_lace(valleys)[:, 1]
    assert np.ptp(level) < 1.0
