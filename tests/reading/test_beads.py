"""Beads on a small net, drawn here with their places known: metal, gold, pearls, and no beads."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from lacelay.geometry.photo_map import PhotoMap
from lacelay.model.lace import Measured, Repeat
from lacelay.reading.beads import BeadSearch, read_beads
from lacelay.reading.strip import Strip

PX = 8.0
LENGTH_MM, WIDTH_MM, PITCH_MM = 150.0, 60.0, 30.0
MAT = np.array([30.0, 80, 95])
THREAD = np.array([238.0, 235, 226])
REPEAT = Repeat(Measured(PITCH_MM, 0.1), 5.0, 0.9, "drawn so")
PEWTER, GOLD, WINE = (118.0, 120, 124), (176.0, 134, 60), (120.0, 20, 40)


def strung(per_repeat: int = 12, diameter_mm: float = 1.9) -> NDArray[np.float64]:
    """Beads of a wavy run and a ring, the same in each repeat: u, v, diameter."""
    along = (np.arange(per_repeat) + 0.5) / per_repeat
    run = np.column_stack([along * PITCH_MM, 12 + 4 * np.sin(2 * np.pi * along)])
    turn = 2 * np.pi * np.arange(6) / 6
    ring = np.column_stack([15 + 4 * np.cos(turn), 40 + 4 * np.sin(turn)])
    one = np.vstack([run, ring])
    places = np.vstack([one + [k * PITCH_MM, 0] for k in range(int(LENGTH_MM / PITCH_MM))])
    return np.column_stack([places, np.full(len(places), diameter_mm)])


def strip_of(
    beads: NDArray[np.float64],
    colour: tuple[float, float, float],
    kind: str = "bead",
    thread: NDArray[np.float64] = THREAD,
    mat: NDArray[np.float64] = MAT,
) -> Strip:
    """A net with a flower in each repeat; on it beads, flat dots of thread, or picots."""
    scale, random = 3, np.random.default_rng(5)
    h, w = int(WIDTH_MM * PX * scale), int(LENGTH_MM * PX * scale)
    k = PX * scale
    cover = np.zeros((h, w), np.uint8)
    for c in np.arange(-WIDTH_MM, LENGTH_MM + WIDTH_MM, 2.6):
        for slant in (-1, 1):
            a = (int(c * k), 0)
            cv2.line(cover, a, (int((c + slant * WIDTH_MM) * k), h), 255, int(0.42 * k))
    for m in np.arange(PITCH_MM / 2, LENGTH_MM, PITCH_MM):
        cv2.circle(cover, (int(m * k), int((WIDTH_MM - 40) * k)), int(7 * k), 255, -1)
    rgb = np.empty((h, w, 3), np.float32)
    rgb[:] = mat
    rgb[cover > 0] = thread
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    for u, v, diameter in beads:
        left, top = int((u - diameter) * k), int((WIDTH_MM - v - diameter) * k)
        side = int(2 * diameter * k)
        spot = np.s_[max(top, 0) : top + side, max(left, 0) : left + side]
        dx = (x[spot] - u * k) / (diameter * k / 2)
        dy = (y[spot] - (WIDTH_MM - v) * k) / (diameter * k / 2)
        away = np.hypot(dx, dy)
        inner = away < 1
        cover[spot][inner] = 255
        if kind == "bead":
            shade = np.clip(1.05 - 0.55 * away**2, 0, 2)[..., None] * random.uniform(0.85, 1.1)
            gloss = 200 * np.exp(-((dx - 0.2) ** 2 + (dy + 0.35) ** 2) / 0.05)[..., None]
            drawn = np.clip(np.array(colour) * shade + gloss, 0, 255)
        else:
            drawn = np.broadcast_to(thread, (*away.shape, 3)).copy()
            if kind == "picot":
                drawn[away < 0.5] = mat
                cover[spot][away < 0.5] = 0
        rgb[spot][inner] = drawn[inner]
    size = (w // scale, h // scale)
    rgb = cv2.GaussianBlur(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), (0, 0), 0.8)
    rgb += random.normal(0, 2.5, rgb.shape)
    alpha = cv2.GaussianBlur(cv2.resize(cover, size, interpolation=cv2.INTER_AREA), (0, 0), 0.8)
    level = PhotoMap(size, np.diag([1 / PX, -1 / PX, 1.0]), np.array([[0.0, 0], [1, 0]]))
    return Strip(
        level,
        np.clip(rgb, 0, 255).astype(np.uint8),
        (alpha / 255).astype(np.float32),
        np.broadcast_to(mat, (*alpha.shape, 3)).astype(np.float32),
        np.ones(alpha.shape, bool),
        PX,
        0.0,
        WIDTH_MM,
    )


def agreement(found: BeadSearch, beads: NDArray[np.float64]) -> tuple[float, float]:
    """Precision and recall within 1 mm."""
    at = np.array([[bead.u_mm, bead.v_mm] for bead in found.beads]).reshape(-1, 2)
    gaps = np.hypot(*(at[:, None] - beads[None, :, :2]).transpose(2, 0, 1))
    if len(at) == 0:
        return 0.0, 0.0
    return float((gaps.min(1) < 1).mean()), float((gaps.min(0) < 1).mean())


@pytest.mark.parametrize("colour", [PEWTER, GOLD, WINE], ids=["pewter", "gold", "wine"])
def test_beads_are_found_one_by_one(colour: tuple[float, float, float]) -> None:
    beads = strung()
    found = read_beads(strip_of(beads, colour), REPEAT)
    precision, recall = agreement(found, beads)
    assert precision > 0.9
    assert recall > 0.9
    assert len(found.beads) == pytest.approx(len(beads), rel=0.12)
    assert [bead.u_mm for bead in found.beads] == sorted(bead.u_mm for bead in found.beads)
    assert np.median([bead.diameter_mm for bead in found.beads]) == pytest.approx(1.9, rel=0.2)
    assert found.doubt is None


def test_grey_beads_on_black_lace_over_a_pale_mat_are_found() -> None:
    """Their lightness is one that a mixture of thread and mat has too."""
    beads = strung()
    black, pale = np.array([24.0, 24, 30]), np.array([150.0, 175, 200])
    strip = strip_of(beads, (128.0, 124, 116), thread=black, mat=pale)
    precision, recall = agreement(read_beads(strip, REPEAT), beads)
    assert precision > 0.95
    assert recall > 0.85  # what is asked of the worst tenth of photos


def test_beads_far_more_than_any_repeat_bears_out_are_not_told() -> None:
    """What a wrong repeat does not find again is not told as beads."""
    wrong = Repeat(Measured(PITCH_MM * 0.77, 0.1), 6.0, 0.9, "drawn so")
    assert read_beads(strip_of(strung(), PEWTER), wrong).beads == ()


def test_beads_are_found_without_a_repeat() -> None:
    beads = strung()
    precision, recall = agreement(read_beads(strip_of(beads, PEWTER)), beads)
    assert precision > 0.9
    assert recall > 0.9


def test_a_few_large_beads_are_found_among_small_ones() -> None:
    large = np.array([[k * PITCH_MM + 15, 40.0, 4.0] for k in range(5)])
    beads = np.vstack([strung(), large])
    found = read_beads(strip_of(beads, PEWTER), REPEAT)
    assert sum(bead.diameter_mm > 3 for bead in found.beads) == len(large)


@pytest.mark.parametrize("kind", ["dot", "picot"])
def test_dots_and_picots_of_thread_are_no_beads(kind: str) -> None:
    assert read_beads(strip_of(strung(), PEWTER, kind), REPEAT) == BeadSearch((), None)


@pytest.mark.parametrize("kind", ["dot", "picot"])
def test_loops_and_dots_of_dark_lace_on_a_pale_mat_are_no_beads(kind: str) -> None:
    """The mat in a loop of dark thread is light in the middle, as gloss is."""
    dark, pale = np.array([40.0, 42, 46]), np.array([176.0, 180, 182])
    strip = strip_of(strung(), PEWTER, kind, thread=dark, mat=pale)
    assert read_beads(strip, REPEAT) == BeadSearch((), None)


def test_plain_net_has_no_beads() -> None:
    assert read_beads(strip_of(np.empty((0, 3)), PEWTER), REPEAT) == BeadSearch((), None)


def test_a_handful_of_round_spots_is_no_population() -> None:
    assert read_beads(strip_of(strung()[:10], PEWTER), REPEAT).beads == ()
