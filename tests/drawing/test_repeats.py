"""Places along the lace, taken back into the template."""

from __future__ import annotations

import numpy as np
import pytest

from lacelay.drawing.repeats import find_repeats
from lacelay.model.picture import LacePicture
from lacelay.model.plan import Plan


def test_back_is_a_whole_number_of_repeats_away(lapping: Plan) -> None:
    repeats = find_repeats(lapping)
    u = np.linspace(-400.0, 700.0, 1001)
    back = repeats.back(u)
    assert back.min() >= 70.0
    assert back.max() < 130.0
    assert np.abs((u - back) / 60.0 - np.round((u - back) / 60.0)).max() < 1e-9


def test_things_of_the_template_are_repeated_once_a_repeat(lapping: Plan) -> None:
    repeats = find_repeats(lapping)
    assert repeats.shifts(75.0, (10.0, 200.0)) == [-60.0, 0.0, 60.0, 120.0]
    # The same thing seen again outside the template is not shown twice.
    assert repeats.standing(np.array([[75.0, 3.0], [135.0, 3.0], [100.0, 3.0]])) == [0, 2]
    valleys = repeats.tiled(lapping.lace.lower.valleys_mm, (-21.0, 251.0))
    assert np.diff(valleys[:, 0]) == pytest.approx(30.0)
    assert (valleys[0, 0], valleys[-1, 0]) == (-20.0, 250.0)


@pytest.mark.parametrize("noise", [(-0.3, 0.3), (0.3, -0.3), (-0.3, -0.3), (0.3, 0.3)])
def test_a_valley_at_the_ends_of_the_template_counts_once(
    lapping: Plan, noise: tuple[float, float]
) -> None:
    # The template is 70 to 130; its valleys are read a little off, differently at each end.
    seen = np.array([[70.0 + noise[0], 0.0], [100.0, 0.0], [130.0 + noise[1], 0.0]])
    tiled = find_repeats(lapping).tiled(seen, (-25.0, 255.0))
    assert len(tiled) == 10
    assert np.diff(tiled[:, 0]) == pytest.approx(30.0, abs=0.7)


def test_ragged_ends_do_not_count_as_photographed(lapping: Plan, picture: LacePicture) -> None:
    rgba = picture.rgba.copy()
    rgba[:, -60:, 3] = 0  # the last 10 mm of the picture hold nothing
    ragged = LacePicture(rgba, picture.px_per_mm, picture.u0_mm, picture.v0_mm)
    assert find_repeats(lapping, ragged).high_mm == pytest.approx(193.8, abs=0.5)
    assert find_repeats(lapping, picture).high_mm == pytest.approx(200.0, abs=0.5)


def test_a_picture_without_lace_is_refused(lapping: Plan, picture: LacePicture) -> None:
    empty = LacePicture(np.zeros_like(picture.rgba), 6.0, 0.0, 0.0)
    with pytest.raises(ValueError, match="no lace"):
        find_repeats(lapping, empty)
