"""The lens from straight lines: published cameras, our own, and kept out where untold."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from lacelay.reading.board import BoardLayout, board_plane, find_board, see_board
from lacelay.reading.halves import Halves
from lacelay.reading.lens import PlaneFit, Sights, fit_plane

SHARED = Path(__file__).resolve().parents[3] / "shared" / "photos"


def _gray(name: str) -> Any:
    if not (SHARED / name).exists():
        pytest.skip("the real photographs are not beside this project")
    return cv2.imread(str(SHARED / name), cv2.IMREAD_GRAYSCALE)


def _corners(name: str) -> tuple[np.ndarray, np.ndarray, tuple[int, int]]:
    gray = _gray(name)
    found, corners = cv2.findChessboardCornersSB(gray, (9, 6))
    assert found
    mm = np.stack(np.meshgrid(np.arange(9.0), np.arange(6.0)), -1).reshape(-1, 2) * 30
    return corners.reshape(-1, 2).astype(float), mm, (gray.shape[1], gray.shape[0])


def _fit(points: np.ndarray, mm: np.ndarray, size: tuple[int, int], lens: bool) -> PlaneFit:
    start, _ = cv2.findHomography(points, mm)
    plane = fit_plane(Sights.of_points(points, mm), start, size, sigma_px=0.15, lens=lens)
    assert plane is not None
    return plane


@pytest.mark.public
@pytest.mark.parametrize("name", ["left01", "left07", "left12"])
def test_corners_of_published_chessboards_fall_within_half_a_pixel(name: str) -> None:
    # OpenCV camera calibration tutorial; accepted at or under 0.5 px root mean square.
    points, mm, size = _corners(f"chessboard_{name}.jpg")
    plane = _fit(points, mm, size, lens=True)
    off = plane.to_photo(mm) - points
    assert float(np.sqrt((off**2).sum(axis=1).mean())) <= 0.5
    without = _fit(points, mm, size, lens=False)
    off = without.to_photo(mm) - points
    assert float(np.sqrt((off**2).sum(axis=1).mean())) > 0.9


@pytest.mark.public
@pytest.mark.parametrize("name", ["left01", "left12"])
def test_the_lens_of_the_chessboards_bends_as_published(name: str) -> None:
    # The steep view of left07 alone does not part lens from slant: it is half as much off again.
    points, mm, size = _corners(f"chessboard_{name}.jpg")
    plane = _fit(points, mm, size, lens=True)
    # k1 = -0.418, k2 = 0.507, k3 = -0.578 at f = 657.467 px; how far a point at r moves in,
    # compared where the board's corners lie, up to 180 px from the middle.
    r = np.linspace(60, 180, 7)
    u = r / 657.467
    published = r * (-0.418023 * u**2 + 0.507152 * u**4 - 0.578436 * u**6)
    v = r / plane.focal_px
    ours = r * (plane.radial[0] * v**2 + plane.radial[1] * v**4)
    assert float(np.abs(ours - published).max()) < 0.15 * float(np.abs(published).max())


@pytest.mark.public
def test_a_published_board_is_seen_whole_and_flat() -> None:
    # OpenCV documentation: 5 x 7 squares, square to marker 2 : 1, DICT_6X6_250, ids 0 to 16.
    gray = _gray("charuco_board.jpg")
    layout = BoardLayout((5, 7), 40.0, 20.0, "DICT_6X6_250", 0, 17)
    halves = Halves.of(np.repeat(gray[..., None], 3, axis=2))
    board = see_board(halves, layout)
    assert board is not None
    assert board.markers == tuple(range(17))
    assert len(board.corners_px) == 24
    plane = board_plane(board, (gray.shape[1], gray.shape[0]))
    assert plane is not None
    assert plane.residual_px < 0.3
    # It is none of ours.
    assert find_board(halves) is None


def _drawn(k1: float, span: float, noise: float, seed: int = 4) -> tuple[np.ndarray, np.ndarray]:
    """Corners of a board of 6 x 8 seen slantwise, covering a share of a 4000 x 3000 photo."""
    mm = np.stack(np.meshgrid(np.arange(6.0), np.arange(8.0)), -1).reshape(-1, 2) * 25
    centred = (mm - mm.mean(axis=0)) * [1, -1]
    k = span * 3000 / 175
    homography = np.array([[k, 0.02 * k, 1900], [-0.03 * k, k, 1500], [2e-5, -3e-5, 1.0]])
    ideal = np.column_stack([centred, np.ones(len(mm))]) @ homography.T
    v = (ideal[:, :2] / ideal[:, 2:] - [1999.5, 1499.5]) / 4000
    seen = v * (1 + k1 * (v**2).sum(axis=1, keepdims=True)) * 4000 + [1999.5, 1499.5]
    return seen + np.random.default_rng(seed).normal(0, noise, seen.shape), mm


@pytest.mark.parametrize("k1", [-0.06, -0.02, 0.03])
def test_a_large_board_tells_the_lens(k1: float) -> None:
    points, mm = _drawn(k1, 0.9, 0.1)
    plane = _fit(points, mm, (4000, 3000), lens=True)
    assert plane.radial[0] == pytest.approx(k1, abs=0.002)


def test_a_small_board_does_not_and_the_lens_is_kept_out_but_doubted() -> None:
    points, mm = _drawn(-0.01, 0.12, 0.3)
    small = _fit(points, mm, (4000, 3000), lens=True)
    assert small.radial == (0.0, 0.0)
    points, mm = _drawn(-0.01, 0.9, 0.3)
    assert small.relative_sigma > 2 * _fit(points, mm, (4000, 3000), lens=True).relative_sigma


def test_without_a_lens_none_is_found() -> None:
    points, mm = _drawn(0.0, 0.9, 0.2)
    plane = _fit(points, mm, (4000, 3000), lens=True)
    assert plane.radial == (0.0, 0.0)
    assert plane.residual_px == pytest.approx(0.2, rel=0.2)


def test_corners_that_slipped_are_left_out() -> None:
    points, mm = _drawn(0.0, 0.9, 0.1)
    points[[3, 20, 41]] += [[9.0, -7.0], [0.0, 30.0], [-14.0, 2.0]]
    plane = _fit(points, mm, (4000, 3000), lens=True)
    clean, _ = _drawn(0.0, 0.9, 0.1)
    off = np.delete(plane.to_photo(mm) - clean, [3, 20, 41], axis=0)
    assert float(np.abs(off).max()) < 0.6
    assert not plane.kept[[3, 51, 68]].any()


def test_stated_doubt_holds_the_truth() -> None:
    inside = []
    for seed in range(40):
        points, mm = _drawn(0.0, 0.25, 0.4, seed)
        plane = _fit(points, mm, (4000, 3000), lens=False)
        true, _ = _drawn(0.0, 0.25, 0.0)
        exact = _fit(true, mm, (4000, 3000), lens=False)
        at = np.array([[700.0, 600], [3300, 600], [2000, 1500], [700, 2400], [3300, 2400]])
        off = np.log(plane.mm_per_px(at) / exact.mm_per_px(at))
        inside.append(float(np.sqrt(np.mean(off**2))) < 1.96 * plane.relative_sigma)
    assert np.mean(inside) >= 0.9


def test_there_and_back() -> None:
    points, mm = _drawn(-0.03, 0.8, 0.1)
    plane = _fit(points, mm, (4000, 3000), lens=True)
    assert plane.to_photo(plane.to_mat(points)) == pytest.approx(points, abs=1e-3)
