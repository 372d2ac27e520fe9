"""The outline of strips drawn from closed forms."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from shapely.geometry import Polygon

from lacelay.geometry.photo_map import PhotoMap
from lacelay.reading.outline import outline_mask, outline_of
from lacelay.reading.strip import Strip

PX_PER_MM = 6.0
#: A band 120 by 40 mm in a picture with 10 mm about it.
LONG_MM, WIDE_MM, PAD_MM = 120, 40, 10


def _strip(cover: np.ndarray, blur_px: float, extent: np.ndarray | None = None) -> Strip:
    alpha = cv2.GaussianBlur(cover.astype(np.float32), (0, 0), blur_px)
    h, w = cover.shape
    flat = PhotoMap((w, h), np.eye(3), np.array([[0.0, 0], [w / PX_PER_MM, 0]]))
    reach = alpha > 0.12 if extent is None else extent
    return Strip(
        flat, np.zeros((h, w, 3), np.uint8), alpha, np.zeros((h, w, 3), np.float32),
        reach, PX_PER_MM, -float(PAD_MM), float(WIDE_MM + PAD_MM),
    )  # fmt: skip


def _px(mm: float) -> int:
    return round((mm + PAD_MM) * PX_PER_MM)


def _blank() -> np.ndarray:
    return np.zeros((_px(WIDE_MM + PAD_MM), _px(LONG_MM + PAD_MM)), np.uint8)


def _band() -> np.ndarray:
    cover = _blank()
    cover[_px(0) : _px(WIDE_MM), _px(0) : _px(LONG_MM)] = 1
    return cover


@pytest.mark.parametrize("blur_px", [0.7, 2.0, 4.0])
def test_blur_does_not_move_the_outline(blur_px: float) -> None:
    shape = Polygon(outline_of(_strip(_band(), blur_px)))
    low_u, low_v, high_u, high_v = shape.bounds
    assert (low_u, high_u) == pytest.approx((0, LONG_MM), abs=0.3)
    assert (low_v, high_v) == pytest.approx((0, WIDE_MM), abs=0.3)


def test_net_of_faint_threads_is_filled_and_its_ends_are_closed() -> None:
    cover = _blank()
    for u in np.arange(0, LONG_MM, 4.0):
        cover[_px(0) : _px(WIDE_MM), _px(u) : _px(u) + 2] = 1
    for v in np.arange(0, WIDE_MM + 0.1, 4.0):
        cover[_px(v) : _px(v) + 2, _px(0) : _px(LONG_MM)] = 1
    # Edges of one thread along both sides; the right end is cut through the meshes.
    strip = _strip(cover, 1.0)
    filled = np.zeros_like(cover)
    filled[_px(0) : _px(WIDE_MM) + 2, _px(0) : _px(LONG_MM)] = 1
    shape = Polygon(outline_of(replace(strip, extent=filled > 0)))
    assert shape.area == pytest.approx(LONG_MM * WIDE_MM, rel=0.02)
    assert shape.bounds[2] == pytest.approx(LONG_MM, abs=0.5)


def test_a_pin_is_left_out_and_picots_are_kept() -> None:
    cover = _band()
    # A pin 0.7 mm thick stands out 9 mm; picots 1 mm wide stand out 2 mm.
    cover[_px(WIDE_MM) : _px(WIDE_MM + 9), _px(60) : _px(60.7)] = 1
    for u in (20, 40, 80, 100):
        cover[_px(WIDE_MM) : _px(WIDE_MM + 2), _px(u) : _px(u + 1)] = 1
    mask, shrink = outline_mask(_strip(cover, 1.0))
    rows = np.flatnonzero(mask[:, round(_px(60.35) * shrink)])
    assert rows.max() / shrink == pytest.approx(_px(WIDE_MM), abs=3)
    for u in (20.5, 40.5, 80.5, 100.5):
        rows = np.flatnonzero(mask[:, round(_px(u) * shrink)])
        assert rows.max() / shrink == pytest.approx(_px(WIDE_MM + 2), abs=3)


def test_a_fringe_is_no_row_of_pins() -> None:
    cover = _band()
    for u in np.arange(3, LONG_MM - 3, 4.0):
        cover[_px(WIDE_MM) : _px(WIDE_MM + 7), _px(u) : _px(u + 0.8)] = 1
    mask, shrink = outline_mask(_strip(cover, 1.0))
    rows = np.flatnonzero(mask[:, round(_px(43.4) * shrink)])
    assert rows.max() / shrink > _px(WIDE_MM + 6)
