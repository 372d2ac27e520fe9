"""Lamps and shadows on a mat, made from closed forms."""

import numpy as np
import pytest

from lacelay.reading.light import Light, light_on

SHAPE = (300, 400)
#: A grey mat of L 40: a lamp makes it white, a shadow black.
WAYS = (np.array([60.0, 0, 0]), np.array([-25.0, 0, 0]))


def _offset(seed: int = 3, noise: float = 0.8) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, noise, (*SHAPE, 3)).astype(np.float32)


def _blob(x: float, y: float, wide: float, deep: float) -> np.ndarray:
    rows, columns = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    return deep * np.exp(-((columns - x) ** 2 + (rows - y) ** 2) / (2 * wide**2))


def _light(offset: np.ndarray, zone: np.ndarray | None = None) -> Light | None:
    return light_on(offset, zone, np.ones(SHAPE, bool), 1.3, WAYS, 0.5)


def test_a_plain_mat_has_no_light_to_take_off() -> None:
    assert _light(_offset()) is None


@pytest.mark.parametrize("deep", [40.0, -20.0])
def test_a_lamp_and_a_shadow_are_found_as_they_were_drawn(deep: float) -> None:
    drawn = _blob(150, 120, 40, deep)
    offset = _offset()
    offset[..., 0] += drawn
    light = _light(offset)
    assert light is not None
    # Photo points of the picture's pixels: it is the photo made smaller by a half.
    columns, rows = np.meshgrid(np.arange(20, 380, 20), np.arange(20, 280, 20))
    at = np.stack([(columns + 0.5) / 0.5 - 0.5, (rows + 0.5) / 0.5 - 0.5], -1)
    assert light.at(at)[..., 0] == pytest.approx(drawn[rows, columns], abs=0.08 * abs(deep) + 0.5)


def test_cloth_with_an_edge_is_no_light() -> None:
    offset = _offset()
    # As white as a lamp and as smooth: only its sides tell.
    offset[100:200, 100:300, 0] += 50
    assert _light(offset) is None


def test_light_is_known_beside_cloth_but_not_in_it() -> None:
    offset = _offset()
    drawn = _blob(200, 150, 70, 40)
    offset[..., 0] += drawn
    offset[150:, :, 0] = 55 + _offset(5)[150:, :, 0]
    light = _light(offset)
    assert light is not None
    above, below = (light.at(np.array([[[401.0, 2 * y + 1.0]]]))[0, 0, 0] for y in (130, 250))
    assert above == pytest.approx(drawn[130, 200], rel=0.1)
    assert below == pytest.approx(0, abs=3)


def test_a_side_along_a_printed_line_is_no_way_in() -> None:
    offset = _offset()
    offset[120:200, 100:300, 0] += 50
    zone = np.zeros(SHAPE, np.float32)
    # All four sides lie under printed lines, which hide their steps.
    for row in (120, 200):
        zone[row - 3 : row + 4] = 1
    for column in (100, 300):
        zone[:, column - 3 : column + 4] = 1
    assert _light(offset, zone) is None
