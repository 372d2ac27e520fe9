"""Several pieces of lace in a photo, closed ones, cards, and what is no lace."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from lacelay.errors import ReadingError
from lacelay.geometry.closed_map import ClosedMap
from lacelay.reading.laces import find_laces
from lacelay.reading.read import find_axis, read_lace, read_laces
from lacelay.reading.scale import ScaleRequest, find_reference

Drawing = Callable[..., Any]
Image8 = NDArray[np.uint8]

PX_PER_MM = 5.0
MAT_RGB, LACE_RGB = (38, 62, 96), (238, 232, 220)
KNOWN = ScaleRequest(two_points=((100.0, 100.0), (1100.0, 100.0), 200.0))


def _photo(size_mm: tuple[float, float] = (360.0, 280.0)) -> Image8:
    width, height = (round(side * PX_PER_MM) for side in size_mm)
    photo = np.empty((height, width, 3), np.uint8)
    photo[:] = MAT_RGB
    return photo


def _net(photo: Image8, inside: NDArray[np.bool_]) -> None:
    """Net with an edge thread, drawn within a mask."""
    rows, columns = np.mgrid[0 : photo.shape[0], 0 : photo.shape[1]]
    mesh = 2.4 * PX_PER_MM
    threads = ((rows + columns) % mesh < 3) | ((rows - columns) % mesh < 3)
    inner = cv2.erode(inside.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    photo[inside & (threads | ~inner)] = LACE_RGB


def _grained(photo: Image8) -> Image8:
    soft = cv2.GaussianBlur(photo, (0, 0), 0.8).astype(float)
    grain = np.random.default_rng(5).normal(0, 2.0, photo.shape)
    return np.clip(soft + grain, 0, 255).astype(np.uint8)


def _scalloped_round(photo: Image8, scallops: int, shape: str) -> NDArray[np.bool_]:
    """A disc or an oval with round scallops all about it."""
    height, width = photo.shape[:2]
    y, x = np.mgrid[0:height, 0:width]
    x, y = (x - width / 2) / PX_PER_MM, (y - height / 2) / PX_PER_MM
    stretch = 1.0 if shape == "round" else 1.25
    angle = np.arctan2(y, x / stretch)
    radius = np.hypot(x / stretch, y)
    lobe = np.abs(np.sin(scallops / 2 * (angle + 0.35)))
    return np.asarray(radius < 90.0 + 9.0 * lobe)


def _strip(photo: Image8, top_mm: float, left_mm: float, length_mm: float, pitch_mm: float) -> None:
    """A flounce 30 mm wide with round scallops below."""
    y, x = np.mgrid[0 : photo.shape[0], 0 : photo.shape[1]] / PX_PER_MM
    u, v = x - left_mm, y - top_mm
    low = 30.0 + 5.0 * np.abs(np.sin(np.pi * u / pitch_mm))
    _net(photo, (u > 0) & (u < length_mm) & (v > 0) & (v < low))


@pytest.mark.parametrize("scallops", [16, 23])
def test_a_ring_is_read_once_round(scallops: int) -> None:
    photo = _photo()
    outer = _scalloped_round(photo, scallops, "round")
    y, x = np.mgrid[0 : photo.shape[0], 0 : photo.shape[1]]
    middle = np.array(photo.shape[:2]) / 2
    hole = np.hypot(y - middle[0], x - middle[1]) < 62.0 * PX_PER_MM
    _net(photo, outer & ~hole)
    lace = read_lace(_grained(photo), name="ring", scale=KNOWN).lace
    assert lace.closed
    assert isinstance(lace.photo, ClosedMap)
    assert lace.lower.count == scallops
    assert not lace.upper.scalloped
    # The edge thread fills the very bottom of a sharp valley.
    assert lace.length_mm == pytest.approx(2 * np.pi * 90.6, rel=0.008)
    # Its first valley is its last, once round.
    first, last = lace.lower.valleys_mm[[0, -1]]
    assert last - first == pytest.approx([lace.length_mm, 0.0], abs=1e-6)
    assert lace.width_mm.value == pytest.approx(28.0, abs=1.0)
    assert any("closed in itself" in doubt for doubt in lace.doubts)


@pytest.mark.parametrize(("shape", "scallops"), [("round", 14), ("oval", 18)])
def test_a_mat_scalloped_all_round_is_read_along_its_border(shape: str, scallops: int) -> None:
    photo = _photo()
    _net(photo, _scalloped_round(photo, scallops, shape))
    lace = read_lace(_grained(photo), name="doily", scale=KNOWN).lace
    assert lace.closed
    assert lace.lower.count == scallops
    assert any("only a band along its edge" in doubt for doubt in lace.doubts)
    assert np.ptp(lace.lower.valleys_mm[:, 1]) < 1.0


def test_a_short_strip_scalloped_on_both_sides_is_not_closed(drawn: Drawing) -> None:
    photo = drawn(grid=False, tilt=0.0, scallops=5, width_mm=80.0, upper="scalloped").photo
    reference = find_reference(photo)
    axis = find_axis(find_laces(photo, reference)[0], reference)
    assert not axis.closed


def test_strips_are_offered_the_largest_first_and_chosen_by_number() -> None:
    photo = _photo()
    _strip(photo, 30.0, 40.0, 240.0, 24.0)
    _strip(photo, 120.0, 60.0, 280.0, 20.0)
    _strip(photo, 200.0, 50.0, 180.0, 15.0)
    photo = _grained(photo)
    laces = [reading.lace for reading in read_laces(photo, name="strips", scale=KNOWN)]
    assert [round(lace.length_mm / 10) for lace in laces] == [28, 24, 18]
    assert [lace.lower.pitch_mm.value for lace in laces if lace.lower.pitch_mm] == pytest.approx(
        [20.0, 24.0, 15.0], rel=0.01
    )
    chosen = read_lace(photo, name="third", scale=KNOWN, piece=3).lace
    assert chosen.length_mm == pytest.approx(laces[2].length_mm)
    assert any("2 more pieces can be seen" in doubt for doubt in chosen.doubts)
    with pytest.raises(ReadingError, match="3 pieces of lace"):
        read_lace(photo, name="none", scale=KNOWN, piece=4)


def test_strips_whose_threads_touch_are_parted() -> None:
    photo = _photo()
    _strip(photo, 60.0, 40.0, 260.0, 20.0)
    _strip(photo, 103.0, 44.0, 250.0, 20.0)
    for left in (210, 800, 1460):
        cv2.line(photo, (left, 440), (left + 15, 540), LACE_RGB, 6)
    photo = _grained(photo)
    areas = find_laces(photo, find_reference(photo))
    assert len(areas) == 2
    deep = [np.ptp(np.nonzero(area.extent)[0]) / area.shrink / PX_PER_MM for area in areas]
    # With their halves of the threads between them.
    assert all(34.0 < each < 43.0 for each in deep)


def test_lace_on_a_card_is_told_from_the_card() -> None:
    photo = _photo()
    photo[200:1200, 150:1650] = (176, 120, 92)
    _strip(photo, 60.0, 45.0, 270.0, 18.0)
    _strip(photo, 130.0, 45.0, 250.0, 25.0)
    photo = _grained(photo)
    laces = [reading.lace for reading in read_laces(photo, name="card", scale=KNOWN)]
    assert [lace.lower.count for lace in laces] == pytest.approx([15, 10], abs=1)
    # Holes of the net show the card: they are not lace.
    assert all(lace.shares.motif < 0.5 for lace in laces)


def test_a_bare_card_and_a_hand_are_no_lace() -> None:
    photo = _photo()
    _strip(photo, 40.0, 40.0, 260.0, 20.0)
    photo[900:1200, 300:800] = (236, 234, 228)
    cv2.ellipse(photo, (1300, 1150), (160, 260), 20, 0, 360, (196, 150, 126), -1)
    photo = _grained(photo)
    assert len(find_laces(photo, find_reference(photo))) == 1
