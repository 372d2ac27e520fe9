"""Raised cords told from flat rims by their two flanks, on drawn relief."""

import cv2
import numpy as np
import pytest

from lacelay.reading.cords import cord_depth_mm
from lacelay.reading.motifs import Piece

PX_PER_MM, SIDE = 6.0, 360


def _motifs() -> tuple[np.ndarray, list[Piece]]:
    """Distance below the outline in mm, negative outside, and the pieces."""
    mask = np.zeros((SIDE, SIDE), np.uint8)
    pieces = []
    for x, y, r in ((80, 80, 60), (240, 90, 70), (120, 250, 75), (280, 270, 55)):
        own = np.zeros_like(mask)
        cv2.circle(own, (x, y), r, 1, cv2.FILLED)
        mask |= own
        left, top = x - r, y - r
        pieces.append(Piece(own[top : y + r + 1, left : x + r + 1] > 0, left, top))
    inside = cv2.distanceTransform(mask, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    outside = cv2.distanceTransform(1 - mask, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    return (np.asarray(inside) - np.asarray(outside)) / PX_PER_MM, pieces


def _lit(relief: np.ndarray, way_rad: float) -> np.ndarray:
    """Lightness of cloth with a relief in mm, lit from one side."""
    right, down = np.gradient(relief * PX_PER_MM, axis=1), np.gradient(relief * PX_PER_MM, axis=0)
    light = -(np.cos(way_rad) * right + np.sin(way_rad) * down)
    noise = np.random.default_rng(4).normal(0, 4, relief.shape)
    return np.asarray(170 + 12 * light + noise, dtype=np.float32)


@pytest.mark.parametrize("way", [0.3, 2.0, 4.4])
@pytest.mark.parametrize("thick_mm", [1.2, 1.6])
def test_the_middle_of_a_raised_cord_is_found(thick_mm: float, way: float) -> None:
    deep, pieces = _motifs()
    across = np.clip(deep / thick_mm * 2 - 1, -1, 1)
    picture = _lit(0.5 * thick_mm * np.sqrt(1 - across**2), way)
    picture[deep < 0] -= 90
    picture = np.asarray(cv2.GaussianBlur(picture, (0, 0), 1.0))
    found = cord_depth_mm(picture, pieces, PX_PER_MM)
    assert found is not None
    assert found == pytest.approx(thick_mm / 2, abs=0.1)


def test_a_rim_thread_is_no_cord() -> None:
    deep, pieces = _motifs()
    across = np.clip(deep / 0.4 * 2 - 1, -1, 1)
    picture = _lit(0.2 * np.sqrt(1 - across**2), 0.3)
    picture[deep < 0] -= 90
    picture = np.asarray(cv2.GaussianBlur(picture, (0, 0), 1.0))
    assert cord_depth_mm(picture, pieces, PX_PER_MM) is None


def test_a_bright_rim_without_relief_is_no_cord() -> None:
    deep, pieces = _motifs()
    picture = _lit(np.zeros_like(deep), 0.3)
    picture[(deep > 0) & (deep < 1.0)] += 25
    picture[deep < 0] -= 90
    picture = np.asarray(cv2.GaussianBlur(picture, (0, 0), 1.0))
    assert cord_depth_mm(picture, pieces, PX_PER_MM) is None


def test_light_that_falls_off_across_the_lace_is_no_cord() -> None:
    deep, pieces = _motifs()
    picture = _lit(np.zeros_like(deep), 0.3)
    picture += np.linspace(-30, 30, SIDE, dtype=np.float32)[None]
    picture[deep < 0] -= 90
    picture = np.asarray(cv2.GaussianBlur(picture, (0, 0), 1.0))
    assert cord_depth_mm(picture, pieces, PX_PER_MM) is None
