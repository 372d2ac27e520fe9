"""Motifs of one kind: copies by a turn and a shift, never a mirror image."""

import cv2
import numpy as np
import pytest

from lacelay.reading.kinds import kinds_of

PX_PER_MM = 5.0
#: A leaf with a bent tip: it is not its own mirror image.
LEAF_MM = np.array([[-9, 0], [-4, -4], [3, -4.5], [8, -1], [10, 4], [5, 2.5], [-3, 3.5]])


def _mask(points_mm: np.ndarray, turn_rad: float, flip: bool = False) -> np.ndarray:
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    points = points_mm * ([1, -1] if flip else [1, 1]) @ np.array([[c, s], [-s, c]])
    picture = np.zeros((130, 130), np.uint8)
    cv2.fillPoly(picture, [np.round((points * PX_PER_MM + 65) * 16).astype(np.int32)], 1, shift=4)
    return picture > 0


def _kinds(masks: list[np.ndarray], covers: list[np.ndarray] | None = None) -> list[int]:
    full = [mask.astype(np.float32) for mask in masks]
    return [int(kind) for kind in kinds_of(masks, covers or full, PX_PER_MM)]


@pytest.mark.parametrize("turn", [0.4, 1.9, np.pi, 5.0])
def test_turned_copies_are_of_one_kind(turn: float) -> None:
    assert _kinds([_mask(LEAF_MM, 0.0), _mask(LEAF_MM, turn)]) == [0, 0]


@pytest.mark.parametrize("turn", [0.0, 1.0, 2.6])
def test_a_mirror_image_is_another_kind(turn: float) -> None:
    found = _kinds([_mask(LEAF_MM, 0.0), _mask(LEAF_MM, turn, flip=True)])
    assert sorted(found) == [0, 1]


def test_another_size_is_another_kind() -> None:
    found = _kinds([_mask(LEAF_MM, 0.0), _mask(1.25 * LEAF_MM, 0.7)])
    assert found == [1, 0]  # the larger first


def test_the_filling_tells_what_the_outline_does_not() -> None:
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    oval = np.column_stack([9 * np.cos(angle), 5 * np.sin(angle)])
    mask = _mask(oval, 0.0)
    x, y = np.meshgrid(np.arange(130) - 65, np.arange(130) - 65)
    # Open at one quarter of the blade: turned it is the same, mirrored it is not.
    quarter = np.where((x > 0) & (y > 0), 0.5, 1.0).astype(np.float32) * mask
    mirrored = np.ascontiguousarray(quarter[:, ::-1])
    turned = np.ascontiguousarray(quarter[::-1, ::-1])
    oval_mirrored, oval_turned = mask[:, ::-1].copy(), mask[::-1, ::-1].copy()
    kinds = _kinds([mask, oval_turned, oval_mirrored], [quarter, turned, mirrored])
    assert kinds[0] == kinds[1]
    assert kinds[2] != kinds[0]
