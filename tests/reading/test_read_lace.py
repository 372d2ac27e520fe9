"""A photo read from end to end: edges, repeat, frames, picture, and what it refuses."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from scipy.spatial import cKDTree

from lacelay.errors import PhotoError, ReadingError, ScaleError
from lacelay.reading.read import read_lace
from lacelay.reading.scale import ScaleRequest

Drawing = Callable[..., Any]


def _misses(drawn: Any, lace: Any, true_mm: np.ndarray, read_mm: np.ndarray) -> np.ndarray:
    there = lace.photo.photo_to_lace(drawn.to_photo(true_mm))
    return np.asarray(cKDTree(read_mm).query(there)[0])


@pytest.fixture(scope="module")
def galloon(drawn: Drawing) -> tuple[Any, Any]:
    photo = drawn(upper="scalloped", scallops=6, scallops_per_repeat=2, angle_deg=-12)
    return photo, read_lace(photo.photo, name="drawn galloon")


def test_scallops_are_counted_and_placed(galloon: tuple[Any, Any]) -> None:
    drawn, reading = galloon
    lace = reading.lace
    assert (lace.lower.count, lace.upper.count) == (6, 6)
    assert lace.lower.pitch_mm.value == pytest.approx(drawn.pitch_mm, rel=0.005)
    assert _misses(drawn, lace, drawn.tips_mm, lace.lower.tips_mm).max() < 1.5
    # A heavy printed line of nearly the lace's colour runs through the last valley.
    assert _misses(drawn, lace, drawn.valleys_mm, lace.lower.valleys_mm).max() < 1.5


def test_the_repeat_is_not_its_half(galloon: tuple[Any, Any]) -> None:
    drawn, reading = galloon
    repeat = reading.lace.repeat
    assert repeat.length_mm.value == pytest.approx(drawn.repeat_mm, rel=0.01)
    assert reading.lace.lower.per_repeat == 2
    assert repeat.sure > 0.6


def test_the_frame_is_a_turn_and_reads_left_to_right(galloon: tuple[Any, Any]) -> None:
    _, reading = galloon
    lace = reading.lace
    on_mat = lace.photo.lace_to_mat(np.array([[0.0, 0], [1, 0], [0, 1]]))
    along, across = on_mat[1] - on_mat[0], on_mat[2] - on_mat[0]
    assert along[0] * across[1] - along[1] * across[0] == pytest.approx(1.0, abs=1e-6)
    in_photo = lace.photo.lace_to_photo(np.array([[0.0, 0], [100, 0], [0, 40]]))
    assert in_photo[1, 0] > in_photo[0, 0]
    assert in_photo[2, 1] < in_photo[0, 1]
    assert np.hypot(*across) == pytest.approx(1.0, abs=1e-6)


def test_a_lace_standing_upright_reads_from_the_bottom_up(drawn: Drawing) -> None:
    photo = drawn(angle_deg=84, scallops=5, width_mm=50.0)
    lace = read_lace(photo.photo, name="upright").lace
    ends = lace.photo.lace_to_photo(np.array([[0.0, 0], [lace.length_mm, 0]]))
    assert ends[1, 1] < ends[0, 1] - 500
    assert lace.lower.scalloped
    assert not lace.upper.scalloped
    assert lace.lower.count == 5


def test_width_motifs_and_mesh(galloon: tuple[Any, Any]) -> None:
    drawn, reading = galloon
    lace = reading.lace
    assert lace.width_mm.value == pytest.approx(drawn.width_mm, abs=3.0)
    assert lace.mesh_mm is not None
    # A flower in each scallop and a leaf in every second one; cut ones at the ends too.
    assert 8 <= len(lace.motifs) <= 14
    kinds = [motif.kind for motif in lace.motifs]
    assert max(kinds.count(kind) for kind in set(kinds)) >= 2
    assert lace.beads == ()


def test_the_picture_shows_lace_in_its_own_colour(galloon: tuple[Any, Any]) -> None:
    _, reading = galloon
    picture, lace = reading.picture, reading.lace
    alpha = picture.rgba[..., 3]
    solid = picture.rgba[alpha > 240][:, :3].astype(float)
    assert np.median(solid, axis=0) == pytest.approx([240, 236, 226], abs=16)
    # Net is translucent, the flowers are not, beyond the tips there is nothing.
    motif = max(lace.motifs, key=lambda m: cv2.contourArea(m.outline_mm.astype(np.float32)))
    column, row = picture.lace_to_picture(motif.outline_mm.mean(axis=0))[0]
    assert alpha[round(row), round(column)] > 200
    net = alpha[alpha.shape[0] // 2]
    assert 0.1 < (net > 128).mean() < 0.9
    assert alpha[0].max() == 0
    assert alpha[-1].max() == 0


def test_picture_and_lace_points_go_round(galloon: tuple[Any, Any]) -> None:
    _, reading = galloon
    points = np.array([[10.0, 5.0], [120.0, 33.0]])
    picture = reading.picture
    assert picture.picture_to_lace(picture.lace_to_picture(points)) == pytest.approx(points)


def test_dark_lace_on_white_with_a_known_width(drawn: Drawing) -> None:
    photo = drawn(grid=False, mat_rgb=(240, 240, 240), lace_rgb=(25, 22, 22), tilt=0.0, angle_deg=0)
    told = photo.width_mm + 8.0  # over all: tips stand 8 mm below the valleys
    lace = read_lace(photo.photo, name="dark", scale=ScaleRequest(width_mm=told)).lace
    assert lace.lower.count == 7
    assert lace.lower.pitch_mm.value == pytest.approx(photo.pitch_mm, rel=0.02)
    assert any("straight above" in doubt for doubt in lace.doubts)


def test_turning_the_photo_half_round_swaps_the_edges(drawn: Drawing) -> None:
    photo = drawn(angle_deg=0)
    lace = read_lace(photo.photo[::-1, ::-1].copy(), name="turned").lace
    assert lace.upper.count == 7
    assert not lace.lower.scalloped


def test_fewer_than_two_repeats_are_not_told(drawn: Drawing) -> None:
    photo = drawn(scallops=3, scallops_per_repeat=5, pitch_mm=40.0)
    lace = read_lace(photo.photo, name="short").lace
    assert lace.repeat is None or lace.repeat.sure < 0.6
    assert any("repeat" in doubt for doubt in lace.doubts)


def test_progress_is_told(drawn: Drawing) -> None:
    said: list[float] = []
    read_lace(drawn(scallops=4).photo, name="x", progress=lambda _, share: said.append(share))
    assert said == sorted(said)
    assert said[-1] == 1.0


def test_a_mat_without_lace_is_said_to_be_so(drawn: Drawing) -> None:
    with pytest.raises(ReadingError, match="No lace was found") as caught:
        read_lace(drawn(lace=False).photo, name="empty")
    assert "mat" in caught.value.remedy


def test_lace_that_fills_the_photo_is_refused(drawn: Drawing) -> None:
    photo = drawn(grid=False, tilt=0.0, angle_deg=0, width_mm=90.0, scallops=9).photo
    height, width = photo.shape[:2]
    middle = photo[height // 2 - 130 : height // 2 + 130, width // 2 - 300 : width // 2 + 300]
    with pytest.raises(ReadingError, match="all four borders"):
        read_lace(middle.copy(), name="full", scale=ScaleRequest(width_mm=90.0))


def test_no_scale_is_refused(drawn: Drawing) -> None:
    with pytest.raises(ScaleError, match="how large"):
        read_lace(drawn(grid=False).photo, name="x")


def test_an_array_that_is_no_photo_is_refused() -> None:
    with pytest.raises(PhotoError, match="not at least 64"):
        read_lace(np.zeros((100, 100), np.uint8), name="x")  # type: ignore[arg-type]


@pytest.mark.public
def test_a_chessboard_gives_no_lace_scale(public_photos: Path) -> None:
    photo = cv2.imread(str(public_photos / "chessboard_left01.jpg"))[..., ::-1].copy()
    with pytest.raises((ReadingError, ScaleError)) as caught:
        read_lace(photo, name="chessboard")
    assert caught.value.remedy
