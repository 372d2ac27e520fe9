"""Small lace photos drawn flat, in a few lines, whose every measure is known on paper."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

MAT_PX_PER_MM = 8.0


@dataclass(frozen=True, eq=False)
class Drawn:
    photo: NDArray[np.uint8]
    #: mat mm (y up, origin at the middle of the mat) to photo px
    mat_to_photo: NDArray[np.float64]
    lace_to_mat: NDArray[np.float64]
    valleys_mm: NDArray[np.float64]
    tips_mm: NDArray[np.float64]
    pitch_mm: float
    repeat_mm: float
    width_mm: float

    def to_photo(self, lace_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        points = np.column_stack([lace_mm, np.ones(len(lace_mm))])
        moved = points @ (self.mat_to_photo @ self.lace_to_mat).T
        return moved[:, :2] / moved[:, 2:]


def draw_lace(
    *,
    step_mm: float = 10.0,
    heavy_every: int = 5,
    mat_rgb: tuple[int, int, int] = (38, 92, 70),
    line_rgb: tuple[int, int, int] = (200, 205, 170),
    lace_rgb: tuple[int, int, int] = (240, 236, 226),
    pitch_mm: float = 30.0,
    depth_mm: float = 8.0,
    width_mm: float = 60.0,
    scallops: int = 7,
    scallops_per_repeat: int = 2,
    upper: str = "straight",
    angle_deg: float = 4.0,
    tilt: float = 0.06,
    size_px: tuple[int, int] = (1800, 1350),
    mat_mm: tuple[float, float] = (300.0, 225.0),
    grid: bool = True,
    lace: bool = True,
    mesh_mm: float = 2.4,
    seed: int = 3,
) -> Drawn:
    """Draw a net lace with a scalloped lower edge, lying on a mat seen at a slant."""
    k = MAT_PX_PER_MM
    w, h = int(mat_mm[0] * k), int(mat_mm[1] * k)
    flat = np.empty((h, w, 3), np.float32)
    flat[:] = mat_rgb
    flat_from_mat = np.array([[k, 0, w / 2], [0, -k, h / 2], [0, 0, 1.0]])
    if grid:
        for axis, extent in ((0, mat_mm[0]), (1, mat_mm[1])):
            reach = int(extent / 2 / step_mm) + 1
            for i in range(-reach, reach + 1):
                half = (0.38 if heavy_every and i % heavy_every == 0 else 0.16) * k
                at = flat_from_mat[axis, axis] * i * step_mm + flat_from_mat[axis, 2]
                cover = np.clip(half + 0.5 - np.abs(np.arange((w, h)[axis]) - at), 0, 1)
                cover = cover[None, :, None] if axis == 0 else cover[:, None, None]
                flat += cover * (np.array(line_rgb, np.float32) - flat)
    length = pitch_mm * scallops + 0.8 * pitch_mm
    first = -length / 2 + 0.4 * pitch_mm
    a = np.deg2rad(angle_deg)
    lace_to_mat = np.array(
        [[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1.0]]
    ) @ np.array([[1, 0, 0], [0, 1, -width_mm / 2], [0, 0, 1.0]])
    cover = np.zeros((h, w), np.float32)
    if lace:
        _draw_cover(
            cover,
            flat_from_mat @ lace_to_mat,
            length,
            first,
            pitch_mm,
            depth_mm,
            width_mm,
            scallops_per_repeat,
            upper,
            mesh_mm,
        )
    flat += cover[..., None] * (np.array(lace_rgb, np.float32) - flat)
    # The camera: fills the photo with about the mat, seen at a slant.
    scale = min(size_px[0] / w, size_px[1] / h)
    flat_to_photo = (
        np.array([[scale, 0, size_px[0] / 2], [0, scale, size_px[1] / 2], [0, 0, 1.0]])
        @ np.array([[1, 0.01, 0], [0, 1, 0], [tilt / w, -tilt / w * 0.7, 1.0]])
        @ np.array([[1, 0, -w / 2], [0, 1, -h / 2], [0, 0, 1.0]])
    )
    small = cv2.GaussianBlur(flat, (0, 0), max(0.35 / scale, 0.3))
    photo = cv2.warpPerspective(
        small, flat_to_photo, size_px, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    rng = np.random.default_rng(seed)
    light = np.linspace(1.06, 0.9, size_px[0])[None, :, None]
    photo = photo * light + rng.normal(0, 2.5, photo.shape)
    tips = np.column_stack(
        [first + pitch_mm * (np.arange(scallops) + 0.5), np.full(scallops, -depth_mm)]
    )
    valleys = np.column_stack([first + pitch_mm * np.arange(scallops + 1), np.zeros(scallops + 1)])
    return Drawn(
        photo=np.clip(photo + 0.5, 0, 255).astype(np.uint8),
        mat_to_photo=flat_to_photo @ flat_from_mat,
        lace_to_mat=lace_to_mat,
        valleys_mm=valleys,
        tips_mm=tips,
        pitch_mm=pitch_mm,
        repeat_mm=pitch_mm * scallops_per_repeat,
        width_mm=width_mm,
    )


def _draw_cover(
    cover: NDArray[np.float32],
    flat_from_lace: NDArray[np.float64],
    length: float,
    first: float,
    pitch: float,
    depth: float,
    width: float,
    per_repeat: int,
    upper: str,
    mesh: float,
) -> None:
    def put(points: NDArray[np.float64]) -> NDArray[np.int32]:
        moved = np.column_stack([points, np.ones(len(points))]) @ flat_from_lace.T
        return np.round(moved[:, :2] * 16).astype(np.int32).reshape(-1, 1, 2)

    u = np.linspace(-length / 2, length / 2, 1200)
    low = -depth * np.abs(np.sin(np.pi * (u - first) / pitch)) ** 0.8
    top = np.full_like(u, width)
    if upper == "scalloped":
        top = top + depth * np.abs(np.sin(np.pi * (u - first) / pitch)) ** 0.8
    inside = np.zeros(cover.shape, np.uint8)
    border = np.concatenate([np.column_stack([u, low]), np.column_stack([u, top])[::-1]])
    cv2.fillPoly(inside, [put(border)], 255, cv2.LINE_AA, 4)
    net = np.zeros(cover.shape, np.uint8)
    reach = int((length + width) / mesh) + 2
    # Threads are never ruled lines: each wanders by a few tenths of a millimetre.
    wander = np.random.default_rng(8)
    for i in range(-reach, reach):
        for slant in (1, -1):
            along = np.linspace(-2 * depth, 2 * width - 2 * depth, 90)
            across = i * mesh * 1.4 + slant * (along + 2 * depth)
            thread = np.column_stack([across, along]) + wander.normal(0, 0.22, (90, 2))
            cv2.polylines(net, [put(thread)], False, 255, 2, cv2.LINE_AA, 4)
    for side in (low, top):
        cv2.polylines(net, [put(np.column_stack([u, side]))], False, 255, 9, cv2.LINE_AA, 4)
    turn = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    for n in range(-1, int(length / pitch) + 2):
        middle = np.array([first + (n + 0.5) * pitch, 0.08 * width])
        petal = 0.24 * pitch * (1 + 0.25 * np.cos(5 * turn))
        flower = middle + np.column_stack([petal * np.cos(turn), petal * np.sin(turn)])
        cv2.fillPoly(net, [put(flower)], 255, cv2.LINE_AA, 4)
        if n % per_repeat == 0:
            leaf = np.array([first + (n + 0.3) * pitch, 0.6 * width]) + np.column_stack(
                [0.4 * pitch * np.cos(turn), 0.14 * width * np.sin(turn)]
            )
            cv2.fillPoly(net, [put(leaf)], 255, cv2.LINE_AA, 4)
    cover[:] = np.minimum(inside, net).astype(np.float32) / 255


@pytest.fixture(scope="session")
def drawn() -> Callable[..., Drawn]:
    """The drawing function, so that tests need no import between test files."""
    return draw_lace
