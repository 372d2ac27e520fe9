"""The layers of a rendered photo: mat and lace as rasters, and how they come together."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.rendering.camera import spread_map
from lacelay.rendering.difficulty import Difficulty
from lacelay.rendering.exposure import Light, expose
from lacelay.rendering.mats import COLOURS, MatKind, draw_mat
from lacelay.rendering.pattern import Pattern
from lacelay.rendering.scene import Scene
from lacelay.rendering.strip import Strip, draw_strip

#: Maps are worked out at every so many pixels and are straight between.
GRID_STEP_PX = 16


def toned(pattern: Pattern, kind: MatKind, difficulty: Difficulty) -> Pattern:
    """Move the thread's tone towards the mat's by the loss of contrast."""
    base = np.array(COLOURS[kind.colour][0])
    share = difficulty.tone_contrast
    # mixed as the eye sees tones, else a little loss would swallow a black lace whole
    mixed = (share * np.array(pattern.colour) ** 0.45 + (1 - share) * base**0.45) ** (1 / 0.45)
    return replace(pattern, colour=(float(mixed[0]), float(mixed[1]), float(mixed[2])))


def photo_px_per_mm(scene: Scene) -> float:
    """Scale in the middle of the photo."""
    width, height = scene.map.size_px
    middle = np.array([[width / 2 - 5, height / 2], [width / 2 + 5, height / 2]])
    return float(10 / np.hypot(*np.diff(scene.map.photo_to_mat_mm(middle), axis=0)[0]))


def strip_of(scene: Scene, scale: float, rng: np.random.Generator) -> Strip:
    """Draw the lace finely enough for its threads, then bring it near the photo's scale."""
    wanted = 1.25 * scale
    drawn_at = float(np.clip(wanted, 8.0, 18.0))
    strip = draw_strip(
        scene.pattern, scene.from_mm, scene.to_mm, scene.body_design, drawn_at,
        scene.difficulty.thread_jitter, rng,
    )  # fmt: skip
    return strip.reduced(wanted) if drawn_at > 1.2 * wanted else strip


def grid_px(size_px: tuple[int, int]) -> tuple[NDArray[np.float64], tuple[int, int]]:
    """Every `GRID_STEP_PX`-th pixel, a little beyond the photo: points and their grid."""
    columns = np.arange(0, size_px[0] + 2 * GRID_STEP_PX, GRID_STEP_PX, dtype=float)
    rows = np.arange(0, size_px[1] + 2 * GRID_STEP_PX, GRID_STEP_PX, dtype=float)
    x, y = np.meshgrid(columns, rows)
    return np.column_stack([x.ravel(), y.ravel()]), x.shape


Maps = tuple[NDArray[np.float32], NDArray[np.float32]]


def mat_layer(
    scene: Scene, scale: float, rng: np.random.Generator
) -> tuple[NDArray[np.uint8], Maps]:
    """The mat, and where each pixel of the photo looks into it."""
    points, shape = grid_px(scene.map.size_px)
    mat = scene.map.photo_to_mat_mm(points)
    low, high = mat.min(axis=0) - 1, mat.max(axis=0) + 1
    wanted = 1.1 * scale
    q = max(wanted, 5.0)
    raster = draw_mat(scene.printed, (low[0], low[1], high[0], high[1]), q, scene.difficulty, rng)
    if q > 1.2 * wanted:
        share = wanted / q
        before = raster.shape[1]
        size = (round(before * share), round(raster.shape[0] * share))
        raster = np.asarray(cv2.resize(raster, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        share = raster.shape[1] / before
    else:
        share = 1.0
    x = ((mat[:, 0] - low[0]) * q + 0.5) * share - 0.5
    y = ((high[1] - mat[:, 1]) * q + 0.5) * share - 0.5
    return raster, (
        spread_map(x.reshape(shape), scene.map.size_px, GRID_STEP_PX),
        spread_map(y.reshape(shape), scene.map.size_px, GRID_STEP_PX),
    )


def lace_maps_of(scene: Scene, strip: Strip) -> Maps:
    """Where each pixel of the photo looks into the strip."""
    points, shape = grid_px(scene.map.size_px)
    design = scene.warp.to_design(scene.map.photo_to_lace(points))
    raster = strip.to_px(design)
    return (
        spread_map(raster[:, 0].reshape(shape), scene.map.size_px, GRID_STEP_PX),
        spread_map(raster[:, 1].reshape(shape), scene.map.size_px, GRID_STEP_PX),
    )


def composite(
    mat_raster: NDArray[np.uint8],
    mat_maps: Maps,
    strip: Strip,
    lace_maps: Maps,
    light: Light,
    scene: Scene,
    rng: np.random.Generator,
    empty: bool,
) -> tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.uint8]]:
    """Mat, shadow, lace, light, lens and sensor: photo, matte and motif mask."""
    linear = np.power(np.arange(256, dtype=np.float32) / 255, 2.2)
    seen = cv2.remap(mat_raster, *mat_maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    image = np.asarray(cv2.LUT(seen, linear), dtype=np.float32)
    height, width = image.shape[:2]
    matte = np.zeros((height, width), np.uint8)
    motif = np.zeros((height, width), np.uint8)
    if not empty:
        shadow = _shadow(strip, light, scene.difficulty.contact_shadow)
        factor = shadow.cover.shape[1] / strip.cover.shape[1]
        dark = cv2.remap(
            shadow.cover, (lace_maps[0] + 0.5) * factor - 0.5, (lace_maps[1] + 0.5) * factor - 0.5,
            cv2.INTER_LINEAR,
        )  # fmt: skip
        lit = 1 - dark.astype(np.float32) / 255
        image *= lit[..., None]
        matte = np.asarray(cv2.remap(strip.cover, *lace_maps, cv2.INTER_LINEAR), dtype=np.uint8)
        motif = np.asarray(cv2.remap(strip.motif, *lace_maps, cv2.INTER_LINEAR), dtype=np.uint8)
        coloured = cv2.remap(
            strip.rgb, *lace_maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        lace = np.asarray(cv2.LUT(coloured, linear), dtype=np.float32)
        share = (matte.astype(np.float32) / 255)[..., None]
        lace -= image
        lace *= share
        image += lace
        del lace
    photo = expose(image, matte, light, scene.difficulty, scene.map.size_px, rng)
    return photo, matte, motif


def _shadow(strip: Strip, light: Light, depth: float) -> Strip:
    """The lace's shadow in its own plane: tight under the threads and broad around them."""
    coarse = strip.reduced(min(strip.px_per_mm, 6.0))
    q = coarse.px_per_mm
    total = np.zeros(coarse.cover.shape, np.float32)
    for reach_mm, weight in ((0.25, 0.65), (0.9, 0.35)):
        blurred = cv2.GaussianBlur(coarse.cover.astype(np.float32), (0, 0), max(0.6, reach_mm * q))
        move = np.array(
            [[1, 0, 1.1 * reach_mm * q * light.shadow_way[0]],
             [0, 1, 1.1 * reach_mm * q * light.shadow_way[1]]]
        )  # fmt: skip
        size = (blurred.shape[1], blurred.shape[0])
        total += weight * cv2.warpAffine(blurred, move, size)
    cover = np.clip(depth * total, 0, 255).astype(np.uint8)
    return replace(coarse, cover=cover)
