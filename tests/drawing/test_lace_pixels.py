"""From garment pixels back to lace pixels, and what lies on what."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from lacelay.drawing.lace_pixels import LacePixels, lower_first, unplace
from lacelay.drawing.repeats import Repeats
from lacelay.model.picture import LacePicture
from lacelay.model.plan import Laying, Plan


@pytest.mark.parametrize("bend", [0.0, 1e-12, 1e-7, 1 / 900, -1 / 900, 1 / 150, -1 / 150])
@pytest.mark.parametrize("inward", [(0.0, 1.0), (0.0, -1.0)])
def test_unplace_is_place_backwards(bend: float, inward: tuple[float, float]) -> None:
    c, s = np.cos(0.7), np.sin(0.7)
    laying = Laying(
        np.array([[c, -s], [s, c]]),
        np.array([31.0, -12.0]),
        bend,
        np.array([140.0, 20.0]),
        np.array(inward),
    )
    u, v = np.meshgrid(np.linspace(90, 190, 11), np.linspace(-10, 70, 9))
    lace = np.stack([u.ravel(), v.ravel()], axis=1)
    assert unplace(laying, laying.place(lace)) == pytest.approx(lace, abs=1e-6)


def flat_picture() -> LacePicture:
    rgba = np.zeros((100, 400, 4), np.uint8)
    rgba[..., :3] = np.arange(400)[None, :, None] % 200
    rgba[..., 3] = 255
    return LacePicture(rgba, 2.0, u0_mm=0.0, v0_mm=49.5)


def test_a_wrapped_place_shows_the_template() -> None:
    # Columns grow by one grey a pixel, and by 200 pixels (100 mm) start anew.
    pixels = LacePixels(flat_picture(), Repeats(20.0, 100.0, 0.0, 122.0), 2.0)
    there = np.array([[20.0 + 40.0, 10.0], [20.0 + 40.0 + 300.0, 10.0]])
    seen = pixels.at(there) * 255
    assert seen[0] == pytest.approx([120, 120, 120, 255], abs=1.0)
    assert seen[1] == pytest.approx(seen[0], abs=1e-3)


def test_the_seam_between_two_copies_fades() -> None:
    rgba = np.full((40, 400, 4), 255, np.uint8)
    rgba[..., 0] = np.clip(np.arange(400) * 0.6, 0, 255)[None, :]  # darker at the left
    picture = LacePicture(rgba, 2.0, u0_mm=0.0, v0_mm=19.5)
    u = np.linspace(110.0, 130.0, 401)
    across = np.stack([u, np.full(401, 10.0)], axis=1)
    faded = LacePixels(picture, Repeats(20.0, 100.0, 0.0, 200.0), 2.0).at(across)[:, 0] * 255
    hard = LacePixels(picture, Repeats(20.0, 100.0, 20.0, 120.0), 2.0).at(across)[:, 0] * 255
    assert np.abs(np.diff(hard)).max() > 100
    assert np.abs(np.diff(faded)).max() < 5


def test_bare_mat_does_not_bleed_into_lace() -> None:
    rgba = np.zeros((40, 40, 4), np.uint8)
    rgba[..., :3] = (0, 0, 255)  # blue mat, not covered
    rgba[:, 20:] = (255, 255, 255, 255)
    pixels = LacePixels(LacePicture(rgba, 2.0, 0.0, 19.5), Repeats(0.0, 20.0, 0.0, 20.0), 1.0)
    u = np.linspace(6.0, 14.0, 81)
    seen = pixels.at(np.stack([u, np.full(81, 10.0)], axis=1))
    # White lace stays white in any share: colour times alpha equals alpha.
    assert seen[:, 0] == pytest.approx(seen[:, 3], abs=1e-5)
    assert 0.2 < seen[40, 3] < 0.8


@pytest.mark.parametrize(
    ("tops", "expected"),
    [
        (["left", "left"], [2, 1, 0]),
        (["right", "right"], [0, 1, 2]),
        (["left", "right"], [1, 0, 2]),
        (["right", "left"], [0, 2, 1]),
    ],
)
def test_what_lies_on_top_is_laid_later(
    plan_maker: Callable[..., Plan], tops: list[str], expected: list[int]
) -> None:
    from dataclasses import replace

    plan = plan_maker(runs=3)
    cuts = [replace(cut, top=top) for cut, top in zip(plan.cuts, tops, strict=True)]  # type: ignore[arg-type]
    assert lower_first(replace(plan, cuts=cuts)) == expected
