"""The repeat of a strip: the true one, how long it is, and when it must be measured."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from lacelay.geometry.photo_map import PhotoMap
from lacelay.reading.repeat import find_repeat
from lacelay.reading.shifts import compare
from lacelay.reading.strip import Strip

PX_PER_MM, REPEAT_MM, WIDTH_MM = 4.0, 62.3, 50.0
#: Middles (u, v), half axes and turns of the motifs of one repeat, mm and degrees.
MOTIFS = (
    (9.0, 12.0, 7.0, 3.0, 20.0),
    (30.0, 20.0, 6.0, 6.0, 0.0),
    (48.0, 9.0, 5.0, 2.5, -50.0),
    (20.0, 36.0, 8.0, 4.0, 70.0),
    (52.0, 38.0, 4.0, 4.0, 0.0),
)


def _strip(
    copies: float,
    *,
    bow_per_mm: float = 0.0,
    aslant: float = 0.0,
    warp_mm: float = 0.0,
    odd: tuple[int, ...] = (),
    header_mm: float | None = None,
    half_alike: float = 0.0,
) -> Strip:
    """Motifs on a bare strip.

    `bow_per_mm` brings copies nearer to each other with v; `aslant` lets the lace climb;
    `odd` copies have another motif in another place for their second; a header is a row of
    dots with a period of its own; `half_alike` repeats that share of the motifs half a repeat
    on.
    """
    length = copies * REPEAT_MM
    shape = (round((WIDTH_MM + 12) * PX_PER_MM), round(length * PX_PER_MM))
    picture = np.zeros(shape, np.uint8)

    def draw(u: float, v: float, a: float, b: float, turn: float) -> None:
        x = u * (1 + bow_per_mm * v) + warp_mm * np.sin(u / 23.0 + v / 17.0)
        y = v + aslant * u + warp_mm * np.cos(u / 19.0 - v / 13.0)
        at = (round(x * PX_PER_MM * 16), round((WIDTH_MM + 6 - y) * PX_PER_MM * 16))
        axes = (round(a * PX_PER_MM * 16), round(b * PX_PER_MM * 16))
        cv2.ellipse(picture, at, axes, turn, 0, 360, 255, cv2.FILLED, cv2.LINE_AA, 4)

    for k in range(-1, int(np.ceil(copies)) + 1):
        for number, (u, v, a, b, turn) in enumerate(MOTIFS):
            if k in odd and number == 1:
                draw(u + k * REPEAT_MM + 8.0, v - 8.0, 2.5, 8.0, 35.0)
            else:
                draw(u + k * REPEAT_MM, v, a, b, turn)
            if number < half_alike * len(MOTIFS):
                draw(u + (k + 0.5) * REPEAT_MM, v, a, b, turn)
    if header_mm is not None:
        for at in np.arange(-header_mm, length + header_mm, header_mm):
            draw(float(at), 47.0, 1.8, 1.8, 0.0)
    flat = np.zeros((*shape, 3))
    return Strip(
        PhotoMap((shape[1], shape[0]), np.eye(3), np.array([[0.0, 0.0], [1.0, 0.0]])),
        flat.astype(np.uint8), (picture / 255).astype(np.float32), flat.astype(np.float32),
        np.ones(shape, bool), PX_PER_MM, 0.0, WIDTH_MM + 6,
    )  # fmt: skip


def _found(strip: Strip, copies: float, pitch_mm: float | None = None) -> tuple[float, float]:
    found = find_repeat(strip, pitch_mm, 0.0, copies * REPEAT_MM)
    assert found.repeat is not None
    return found.repeat.length_mm.value, found.repeat.length_mm.sigma


@pytest.mark.parametrize("copies", [2.05, 2.6, 4.4, 7.3])
def test_the_length_is_exact(copies: float) -> None:
    length, sigma = _found(_strip(copies), copies)
    assert length == pytest.approx(REPEAT_MM, rel=0.001)
    assert 0 < sigma < 0.005 * REPEAT_MM


def test_warps_stay_within_the_interval() -> None:
    for copies in (2.2, 3.5, 5.0):
        length, sigma = _found(_strip(copies, warp_mm=0.6), copies)
        assert abs(length - REPEAT_MM) < 1.96 * sigma
        assert length == pytest.approx(REPEAT_MM, rel=0.01)


def test_a_bowed_lace_is_measured_along_its_valley_line() -> None:
    # Copies lie 1 % further apart at v = 50 mm; the frame's u runs along v = 0.
    length, sigma = _found(_strip(4.4, bow_per_mm=0.01 / 50), 4.4)
    assert length == pytest.approx(REPEAT_MM, rel=0.003)
    # Which line keeps its length is not known: the other edge's is not excluded.
    assert length + 1.96 * sigma > 1.009 * REPEAT_MM
    strong = find_repeat(_strip(4.4, bow_per_mm=0.03 / 50), None, 0.0, 4.4 * REPEAT_MM)
    assert strong.doubt is not None
    assert "bowed" in strong.doubt


def test_a_lace_aslant_in_its_strip_is_found() -> None:
    # 2 degrees: copies climb by 2.2 mm, and the way along them is longer than along u.
    aslant = np.tan(np.radians(2.0))
    length, _ = _found(_strip(4.4, aslant=aslant), 4.4)
    assert length == pytest.approx(REPEAT_MM * np.hypot(1, aslant), rel=0.002)


def test_a_header_of_finer_period_is_no_repeat() -> None:
    for header in (5.1, REPEAT_MM / 9):
        length, _ = _found(_strip(3.6, header_mm=header), 3.6)
        assert length == pytest.approx(REPEAT_MM, rel=0.003)


def test_half_a_repeat_that_brings_most_onto_itself_is_none() -> None:
    length, _ = _found(_strip(4.4, half_alike=0.6), 4.4)
    assert length == pytest.approx(REPEAT_MM, rel=0.003)


def test_copies_that_differ_in_turn_make_the_repeat_longer() -> None:
    length, _ = _found(_strip(6.3, odd=(1, 3, 5)), 6.3)
    assert length == pytest.approx(2 * REPEAT_MM, rel=0.003)


def test_one_damaged_copy_does_not() -> None:
    for odd in ((0,), (2,), (4,)):
        length, _ = _found(_strip(6.3, odd=odd), 6.3)
        assert length == pytest.approx(REPEAT_MM, rel=0.003)


def test_glare_over_part_of_the_lace_hides_no_repeat() -> None:
    """A reflected lamp covers what lies under it, and is itself no pattern."""
    strip = _strip(3.8)
    h, w = strip.alpha.shape
    y, x = np.mgrid[0:h, 0:w]
    lamp = np.clip(2.2 - 1.6 * np.hypot((x - 0.42 * w) / (0.15 * w), y / (0.35 * h)), 0, 1)
    alpha = np.maximum(strip.alpha, lamp).astype(np.float32)
    length, _ = _found(replace(strip, alpha=alpha), 3.8)
    assert length == pytest.approx(REPEAT_MM, rel=0.01)


def test_less_than_two_copies_must_be_measured() -> None:
    for copies in (1.5, 1.9):
        found = find_repeat(_strip(copies), None, 0.0, copies * REPEAT_MM)
        assert found.repeat is None
        assert found.doubt is not None
        assert "measured" in found.doubt
        # One copy may still be read by what is seen of the next.
        assert found.apart_mm == pytest.approx(REPEAT_MM, rel=0.003)
    assert find_repeat(_strip(0.9), None, 0.0, 0.9 * REPEAT_MM).repeat is None


def test_a_strip_without_pattern_has_no_repeat() -> None:
    strip = _strip(3.0)
    noise = np.random.default_rng(4).uniform(0, 1, strip.alpha.shape).astype(np.float32)
    plain = Strip(
        strip.photo_map, strip.rgb, noise, strip.mat_rgb, strip.extent, PX_PER_MM, 0.0, WIDTH_MM
    )
    found = find_repeat(plain, None, 0.0, 3.0 * REPEAT_MM)
    assert found.repeat is None
    assert found.doubt is not None


def test_tiles_say_how_far_they_moved() -> None:
    # The strip against itself one pattern on, which was drawn 0.7 mm further and 0.5 mm lower.
    rng = np.random.default_rng(9)
    wide = cv2.GaussianBlur(rng.normal(0, 1, (80, 200)).astype(np.float32), (0, 0), 2.5)
    move = np.array([[1, 0, 0.7], [0, 1, 0.5]])
    moved = cv2.warpAffine(wide, move, (200, 80), borderMode=cv2.BORDER_REFLECT)
    rows = np.concatenate([wide, moved], axis=1)
    laid = compare(np.asarray(rows, dtype=np.float32), 200.0, 0.0, 1.0)
    assert laid is not None
    told = laid.pattern > 0
    inner = told[1:-1, 1:-1]
    assert inner.any()
    moved_px = laid.moved_px[1:-1, 1:-1][inner]
    assert moved_px.mean() == pytest.approx(0.7, abs=0.03)
    assert moved_px.std() < 0.1
    assert laid.alike[1:-1, 1:-1][inner].min() > 0.95
    assert compare(wide, 195.0, 0.0, 1.0) is None
