"""Where the lace is: off the mat, over a table, filling the photo; and the tools for it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
import pytest

from lacelay.errors import ReadingError
from lacelay.reading.cloth import disc, opened
from lacelay.reading.laces import find_lace
from lacelay.reading.mat import sampled, upsample
from lacelay.reading.read import read_lace
from lacelay.reading.scale import ScaleRequest, find_reference

Drawing = Callable[..., Any]
TABLE_RGB = (150, 105, 70)


def _over_a_table(
    drawn: Drawing, mat: tuple[slice, slice], options: dict[str, Any], grain: float = 2.5
) -> np.ndarray:
    """The drawn photo with the mat cut down to a part of it; the lace lies on over a table."""
    with_lace = drawn(**options).photo
    without = drawn(**options, lace=False).photo
    apart = np.abs(with_lace.astype(int) - without).max(2)
    # Thin threads take the table's colour with them where they are half mat.
    cover = np.clip((apart / max(1, np.percentile(apart, 99.5)))[..., None] * 1.1, 0, 1)
    noise = np.random.default_rng(2).normal(0, 1, with_lace.shape[:2])
    streaks = cv2.GaussianBlur(noise, (0, 0), sigmaX=25, sigmaY=1.5)
    table = np.array(TABLE_RGB) + (streaks / streaks.std() * grain)[..., None]
    lace = np.array(options.get("lace_rgb", (240, 236, 226)))
    photo = cover * lace + (1 - cover) * table
    photo[mat] = with_lace[mat]
    return np.clip(photo + 0.5, 0, 255).astype(np.uint8)


@pytest.mark.parametrize(
    ("mat", "sides"),
    [
        ((slice(0, 1350), slice(420, 1800)), ("left",)),
        ((slice(0, 1350), slice(420, 1500)), ("left", "right")),
    ],
)
def test_lace_lying_off_the_mat_is_said(
    drawn: Drawing, mat: tuple[slice, slice], sides: tuple[str, ...]
) -> None:
    photo = _over_a_table(drawn, mat, {"tilt": 0.0, "angle_deg": 0})
    lace = read_lace(photo, name="off").lace
    said = [doubt for doubt in lace.doubts if "off the mat" in doubt]
    assert len(said) == 1
    assert all((f"the {side}" in said[0]) == (side in sides) for side in ("left", "right"))
    assert "lay all of it on the mat" in said[0]


def test_lace_within_the_mat_is_not_said_to_lie_off_it(drawn: Drawing) -> None:
    photo = drawn(scallops=5).photo
    assert find_lace(photo, find_reference(photo)).off_mat == ()


def test_a_table_round_a_plain_mat_is_no_lace(drawn: Drawing) -> None:
    options = {"grid": False, "tilt": 0.0, "angle_deg": 0, "scallops": 9}
    photo = _over_a_table(drawn, (slice(60, 1290), slice(60, 1740)), options, 14.0)
    area = find_lace(photo, find_reference(photo))
    assert area.off_mat == ("left", "right")
    rows, columns = np.nonzero(area.extent)
    scale = area.shrink * drawn(**options).mat_to_photo[0, 0]
    # Tips to straight edge, and from one end of the mat to the other.
    assert np.ptp(rows) / scale == pytest.approx(68.0, abs=2.0)
    assert np.ptp(columns) / area.shrink == pytest.approx(1680, rel=0.02)


def test_a_photo_of_nothing_but_net_is_refused(drawn: Drawing) -> None:
    options = {"grid": False, "tilt": 0.0, "width_mm": 200.0, "scallops": 9, "mesh_mm": 4.0}
    photo = drawn(**options).photo[250:1050, 450:1400]
    with pytest.raises(ReadingError, match="all four borders"):
        find_lace(photo.copy(), find_reference(photo.copy()))


@pytest.mark.parametrize("upper", ["straight", "scalloped"])
def test_a_known_width_is_taken_from_tips_to_tips(drawn: Drawing, upper: str) -> None:
    photo = drawn(grid=False, tilt=0.0, angle_deg=3, upper=upper)
    over_all = photo.width_mm + (8.0 if upper == "straight" else 16.0)
    lace = read_lace(photo.photo, name="known", scale=ScaleRequest(width_mm=over_all)).lace
    tips = lace.photo.photo_to_lace(photo.to_photo(photo.tips_mm))
    apart = float(tips[-1, 0] - tips[0, 0])
    assert apart == pytest.approx(np.ptp(photo.tips_mm[:, 0]), rel=0.006)
    # Tip to tip and two points give one scale, within what the record says of it.
    assert lace.scale.relative_sigma > abs(apart / np.ptp(photo.tips_mm[:, 0]) - 1)


@pytest.mark.parametrize("radius", [3.0, 11.0, 24.0])
def test_opening_by_distance_is_opening_by_a_disc(radius: float) -> None:
    noise = cv2.GaussianBlur(np.random.default_rng(4).normal(0, 1, (300, 400)), (0, 0), 9)
    mask = (noise > -0.01).astype(np.uint8)
    by_disc = cv2.morphologyEx(mask, cv2.MORPH_OPEN, disc(radius))
    apart = np.mean(by_disc != opened(mask, radius))
    assert apart < 0.02
    assert by_disc.any() != (by_disc == mask).all()


def test_upsampling_a_plane_is_exact() -> None:
    rows, columns = np.mgrid[0:40, 0:55]
    plane = np.stack([0.5 * rows - columns, 3.0 + rows], axis=-1)
    at_rows, at_columns = sampled((40, 55), 9)
    known = np.stack(np.meshgrid(at_rows, at_columns, indexing="ij"), axis=-1)
    coarse = np.stack([0.5 * known[..., 0] - known[..., 1], 3.0 + known[..., 0]], axis=-1)
    assert upsample(coarse, (40, 55), 9) == pytest.approx(plane, abs=1e-4)
    with pytest.raises(ValueError, match="reach the last pixel"):
        upsample(coarse[:-1], (40, 55), 9)
