"""Printed grids: found under lace, placed exactly, and their step told or asked for."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
import pytest

from lacelay.errors import ScaleError
from lacelay.reading.grid_lines import Stretches
from lacelay.reading.grid_pose import squareness
from lacelay.reading.grid_step import heavy_lines
from lacelay.reading.scale import ScaleRequest, find_reference, settle, step_from_print

Drawing = Callable[..., Any]
DARK = {"mat_rgb": (240, 240, 240), "line_rgb": (60, 90, 190), "lace_rgb": (20, 20, 20)}


def _lengths(points: np.ndarray) -> np.ndarray:
    apart = points[:, None] - points[None]
    return np.hypot(apart[..., 0], apart[..., 1])[np.triu_indices(len(points), 1)]


def _true_mm(drawn: Any, photo_px: np.ndarray) -> np.ndarray:
    moved = (
        np.column_stack([photo_px, np.ones(len(photo_px))]) @ np.linalg.inv(drawn.mat_to_photo).T
    )
    return moved[:, :2] / moved[:, 2:]


@pytest.mark.parametrize(
    ("options", "step_mm"),
    [
        ({}, 10.0),
        ({"heavy_every": 10, "tilt": 0.15}, 10.0),
        ({"step_mm": 25.4, "heavy_every": 0, "angle_deg": 30}, 25.4),
        ({"heavy_every": 0, **DARK, "angle_deg": 80, "scallops": 5}, 10.0),
    ],
)
def test_lengths_on_the_mat_are_right_to_a_tenth_of_a_per_cent(
    drawn: Drawing, options: dict[str, Any], step_mm: float
) -> None:
    photo = drawn(**options)
    reference = settle(find_reference(photo.photo), ScaleRequest(grid_mm=step_mm), 1.0)
    corners = np.array([[300.0, 300], [1400, 250], [1500, 1000], [350, 1100]])
    plain = reference.map_along(np.array([[0.0, 0], [1, 0]]))
    read, true = plain.photo_to_mat_mm(corners), _true_mm(photo, corners)
    assert _lengths(read) == pytest.approx(_lengths(true), rel=1e-3)
    assert reference.relative_sigma < 0.005


def test_heavy_lines_tell_centimetres(drawn: Drawing) -> None:
    reference = settle(find_reference(drawn().photo), ScaleRequest(), 1.0)
    assert reference.name == "mat grid of 1 cm"
    assert not reference.doubts


def test_equal_lines_are_asked_about(drawn: Drawing) -> None:
    photo = drawn(step_mm=25.4, heavy_every=0)
    with pytest.raises(ScaleError, match="1 cm or 1 inch") as caught:
        settle(find_reference(photo.photo), ScaleRequest(), 1.0)
    assert "--grid" in caught.value.remedy


def test_two_points_settle_which_grid_it_is(drawn: Drawing) -> None:
    photo = drawn(step_mm=25.4, heavy_every=0)
    ends = np.array([[400.0, 300], [1300, 320]])
    apart = float(_lengths(_true_mm(photo, ends))[0])
    request = ScaleRequest(two_points=(tuple(ends[0]), tuple(ends[1]), apart * 1.01))
    reference = settle(find_reference(photo.photo), request, 1.0)
    assert reference.name == "mat grid of 1 inch"


def test_a_contradiction_is_reported_not_averaged(drawn: Drawing) -> None:
    photo = drawn()
    ends = np.array([[400.0, 300], [1300, 320]])
    apart = float(_lengths(_true_mm(photo, ends))[0])
    request = ScaleRequest(grid_mm=10.0, two_points=(tuple(ends[0]), tuple(ends[1]), apart * 1.1))
    reference = settle(find_reference(photo.photo), request, 1.0)
    assert reference.name == "mat grid of 1 cm"
    assert any("differ by" in doubt for doubt in reference.doubts)


def test_no_reference_is_an_error_with_its_remedy(drawn: Drawing) -> None:
    photo = drawn(grid=False)
    with pytest.raises(ScaleError, match="no printed grid") as caught:
        settle(find_reference(photo.photo), ScaleRequest(), 1.0)
    assert "two points" in caught.value.remedy


def test_a_width_alone_scales_and_says_its_doubt(drawn: Drawing) -> None:
    reference = settle(find_reference(drawn(grid=False).photo), ScaleRequest(width_mm=60.0), 400.0)
    assert reference.photo_to_mat[0, 0] == pytest.approx(60 / 400)
    assert "straight above" in reference.doubts[0]


def test_scale_points_on_top_of_each_other_are_refused() -> None:
    with pytest.raises(ScaleError, match="10 pixels"):
        ScaleRequest(two_points=((5.0, 5.0), (6.0, 6.0), 100.0))


@pytest.mark.parametrize(
    ("divided", "heavy", "step"),
    [(1, 5, 10.0), (2, 10, 10.0), (1, 6, 25.4), (8, None, 25.4), (2, None, None), (10, 12, None)],
)
def test_what_print_says_of_its_step(divided: int, heavy: int | None, step: float | None) -> None:
    assert step_from_print(divided, heavy) == step


@pytest.mark.parametrize(
    ("ticks", "step"), [(16, 25.4), (10, 10.0), (20, 10.0), (8, None), (None, None)]
)
def test_what_ruler_ticks_say_of_the_step(ticks: int | None, step: float | None) -> None:
    assert step_from_print(1, None, ticks) == step
    assert step_from_print(2, 10, 16) is None  # print that contradicts itself is asked about


@pytest.mark.parametrize("ticks", [16, 10, 8, None])
def test_ruler_ticks_along_the_border_are_counted(ticks: int | None) -> None:
    step, photo = 150, np.full((1200, 1800), 70.0)
    for k in range(11):
        at = 150 + k * step
        photo[150:1051, at - 2 : at + 3] = 200
        if k < 7:
            photo[150 + k * step - 2 : 150 + k * step + 3, 150:1651] = 200
    for k in range(10 * (ticks or 0) + 1):
        at = 150 + k * step / (ticks or 1)
        left = int(np.floor(at))
        photo[128:150, left : left + 2] = 150
    photo += np.random.default_rng(1).normal(0, 2, photo.shape)
    grid = find_reference(np.repeat(photo[..., None], 3, axis=2).astype(np.uint8)).grid
    assert grid is not None
    assert grid.ticks == ticks


@pytest.mark.parametrize(("angle_deg", "width_mm"), [(1.5, 100.0), (3.0, 90.0)])
def test_a_mat_is_found_on_a_table_grained_along_its_lines(
    drawn: Drawing, angle_deg: float, width_mm: float
) -> None:
    laid = drawn(step_mm=25.4, heavy_every=0, width_mm=width_mm, pitch_mm=36.0, tilt=0.02)
    rng = np.random.default_rng(4)
    grain = np.repeat(rng.normal(0, 1, (1800, 60)), 50, axis=1).astype(np.float32)
    grain = cv2.GaussianBlur(grain, (0, 0), sigmaX=60, sigmaY=1.2)
    turn = cv2.getRotationMatrix2D((1500.0, 900.0), angle_deg, 1.0)
    grain = cv2.warpAffine(grain, turn, (3000, 1800), borderMode=cv2.BORDER_REFLECT)
    table = 150 + 45 * (grain / grain.std())[100:1700, 300:2700, None] + (30.0, 5.0, -30.0)
    photo = np.clip(table, 0, 255).astype(np.uint8)
    photo[260:1340, 480:1920] = cv2.resize(laid.photo, (1440, 1080), interpolation=cv2.INTER_AREA)
    reference = settle(find_reference(photo), ScaleRequest(grid_mm=25.4), 1.0)
    assert reference.grid is not None
    corners = np.array([[300.0, 300], [1400, 250], [1500, 1000], [350, 1100]])
    read = reference.to_mat((corners + 0.5) * 0.8 - 0.5 + [480.0, 260.0])
    assert _lengths(read) == pytest.approx(_lengths(_true_mm(laid, corners)), rel=2e-3)


def test_cells_that_are_not_square_are_no_grid() -> None:
    photo = np.full((1200, 1800), 70.0)
    for k in range(20):
        photo[:, 60 + 90 * k : 64 + 90 * k] = 200
        photo[40 + 80 * k : 44 + 80 * k, :] = 200
    photo += np.random.default_rng(1).normal(0, 2, photo.shape)
    seen = np.repeat(photo[..., None], 3, axis=2).clip(0, 255).astype(np.uint8)
    # No camera that looks at square cells shows them 9 to 8 with all lines parallel.
    assert find_reference(seen).grid is None


def test_every_second_line_heavier_is_seen_though_lace_pales_it() -> None:
    # Ink of lines one way in plain view; the other way half of them mostly under lace.
    plain = [1.62, 1.0, 2.48, 1.0, 1.62, 1.0, 1.65, 1.0, 1.62, 1.0, 1.6, 1.0, 1.6]
    under = [1.61, 1.0, 1.6, 1.0, 2.45, 0.98, 1.19, 1.0, 1.18, 1.0, 1.2, 1.0, 1.87, 1.0, 1.61]
    ink = np.repeat([*plain, *under], 8)
    numbers = np.repeat([*range(13), *range(15)], 8).astype(float)
    family = np.repeat([0, 1], [8 * 13, 8 * 15])
    stretches = Stretches(np.zeros((len(ink), 2)), family, numbers, ink, 3.0, 90.0)
    every, phase, ratio = heavy_lines(stretches, np.ones(len(ink), bool))
    assert (every, phase) == (2, (0, 0))
    assert ratio > 1.4


def test_squareness_of_a_pinhole_view_is_nothing_and_of_a_stretch_is_the_stretch() -> None:
    # A camera of focal length 1500 px tilted by 10 degrees over a square grid, 20 units away.
    tilt = np.deg2rad(10)
    turn = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    camera = np.array([[1500, 0, 1000], [0, 1500, 750], [0, 0, 1.0]])
    view = camera @ np.column_stack([turn[:, 0], turn[:, 1], [0.0, 0, 20]])
    assert squareness(view, (1000, 750), 2000.0) < 1e-3
    stretched = view @ np.diag([1.0, 1.03, 1.0])
    assert squareness(stretched, (1000, 750), 2000.0) > 0.01
