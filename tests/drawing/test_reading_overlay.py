"""What was read, drawn at the right places of the photo."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from lacelay.drawing.reading_overlay import draw_reading, kind_ranks, kind_style
from lacelay.drawing.style import KIND_HUES, PICTURE_STYLES
from lacelay.errors import PhotoError
from lacelay.geometry.photo_map import PhotoMap
from lacelay.model.lace import Lace

SIZE = (2600, 1900)


@pytest.fixture(scope="module")
def seen(lace_maker: Callable[..., Lace]) -> Lace:
    slant = np.array([[1 / 8, 0.004, -60], [0.003, -1 / 8, 160], [1e-5, 2e-5, 1.0]])
    bowed = np.array([[0.0, 0.0], [100.0, 3.0], [210.0, 4.0]])
    return lace_maker(PhotoMap(SIZE, slant, bowed))


@pytest.fixture(scope="module")
def drawn(seen: Lace) -> NDArray[np.uint8]:
    return draw_reading(np.full((SIZE[1], SIZE[0], 3), 128, np.uint8), seen)


def at(lace: Lace, lace_mm: NDArray[np.float64]) -> NDArray[np.int64]:
    """Pixels of lace points in the drawing: the photo at 2400 of 2600 pixels."""
    assert lace.photo is not None
    scale = np.array([2400 / SIZE[0], 1754 / SIZE[1]])
    px = (lace.photo.lace_to_photo(np.atleast_2d(lace_mm)) + 0.5) * scale - 0.5
    return np.round(px).astype(int)


def test_the_photo_is_brought_down_and_a_margin_added(drawn: NDArray[np.uint8]) -> None:
    assert drawn.shape[0] == 1754
    assert 2400 < drawn.shape[1] < 3400


def test_crosses_lie_on_the_valleys(seen: Lace, drawn: NDArray[np.uint8]) -> None:
    line = np.array(PICTURE_STYLES["valley"].line)
    for edge in (seen.lower, seen.upper):
        for x, y in at(seen, edge.valleys_mm):
            assert np.abs(drawn[y, x] - line).max() < 12
            # Its casing is dark, a little off the arms, away from the edge line.
            around = drawn[y - 14 : y + 15, x - 14 : x + 15].reshape(-1, 3).max(axis=1)
            assert around.min() < 60


def test_motifs_are_outlined_in_the_colour_of_their_kind(
    seen: Lace, drawn: NDArray[np.uint8]
) -> None:
    hits = total = 0
    ranks = kind_ranks(seen)
    assert sorted(ranks.values()) == [0, 1, 2, 3]
    for motif in seen.motifs:
        hue = np.array(KIND_HUES[ranks[motif.kind]])
        for x, y in at(seen, motif.outline_mm[::6]):
            near = drawn[y - 1 : y + 2, x - 1 : x + 2].reshape(-1, 3).astype(int)
            # Where a repeat is shaded, a valley or a bead may lie over the line.
            hits += bool(np.abs(near - hue).max(axis=1).min() < 40)
            total += 1
    assert total > 150
    assert hits / total > 0.97


def test_hues_are_told_apart_by_the_colour_blind() -> None:
    # Simulated for a protanope and a deuteranope by Viénot, Brettel, Mollon (1999),
    # "Digital video colourmaps for checking the legibility of displays by dichromats",
    # Color Research & Application 24: the matrices of its table for linear RGB.
    protan = np.array([[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]])
    deutan = np.array([[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]])
    hues = np.array(KIND_HUES) / 255
    for matrix in (np.eye(3), protan, deutan):
        seen = np.clip((hues**2.2) @ matrix.T, 0, 1) ** (1 / 2.2)
        for i in range(len(seen)):
            for j in range(i):
                assert np.abs(seen[i] - seen[j]).max() > 0.1
    assert kind_style(None) is PICTURE_STYLES["motif"]


def test_the_scale_bar_is_a_true_ten_centimetres(seen: Lace, drawn: NDArray[np.uint8]) -> None:
    from lacelay.drawing.reading_overlay import _bar
    from lacelay.drawing.scene import Line

    assert seen.photo is not None
    bar = _bar(seen, lambda p: at(seen, p).astype(float), (2400, 1754), 10.0)
    line = next(shape for shape in bar if isinstance(shape, Line))
    assert np.ptp(line.points_mm[:, 0]) == pytest.approx(100.0)
    for x, y in at(seen, line.points_mm[1:3] + np.array([[1.0, 0.0], [-1.0, 0.0]])):
        assert drawn[y, x].min() > 200


def test_a_photo_of_another_size_is_refused(seen: Lace) -> None:
    with pytest.raises(PhotoError, match=r"100 x 90 pixels.*2600 x 1900"):
        draw_reading(np.zeros((90, 100, 3), np.uint8), seen)


def test_a_lace_without_a_photo_is_refused(seen: Lace) -> None:
    with pytest.raises(PhotoError, match="by hand"):
        draw_reading(np.zeros((90, 100, 3), np.uint8), replace(seen, photo=None))


def test_a_lace_without_repeat_or_scallops_is_drawn(seen: Lace) -> None:
    straight = replace(
        seen.upper,
        scalloped=False,
        valleys_mm=np.empty((0, 2)),
        tips_mm=np.empty((0, 2)),
        pitch_mm=None,
        depth_mm=None,
    )
    plain = replace(seen, upper=straight, repeat=None, motifs=(), beads=(), doubts=("x " * 200,))
    rgb = draw_reading(np.full((SIZE[1], SIZE[0], 3), 128, np.uint8), plain)
    yellow = np.array(PICTURE_STYLES["edge"].line)
    x, y = at(seen, np.array([100.0, plain.width_mm.value]))[0]
    assert np.abs(rgb[y, x] - yellow).max() < 12
