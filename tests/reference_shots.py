"""Photos of sheets, cards, rulers and boards on a mat, drawn here with known truth.

Made apart from `lacelay.rendering`: flat rasters are looked up through a pinhole camera with
radial distortion, in linear light, then blurred, coded as sRGB and given noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
SIZE = (2000, 1500)


@dataclass(frozen=True, eq=False)
class Thing:
    """A flat thing: colours in linear light 0 to 1, cover 0 to 1, its y up from its corner."""

    colour: NDArray[np.float32]
    cover: NDArray[np.float32]
    px_per_mm: float


def linear(srgb: tuple[int, int, int]) -> NDArray[np.float32]:
    """Linear light of an sRGB colour."""
    coded = np.array(srgb) / 255
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4).astype(
        np.float32
    )


def sheet(
    width: float, height: float, srgb: tuple[int, int, int] = (236, 236, 230), rounded: float = 0.0
) -> Thing:
    """A plain rectangle in mm, its corners rounded by a radius in mm."""
    q = 6.0
    pad = 4
    w, h = round(width * q), round(height * q)
    fine = np.zeros((h + 2 * pad, w + 2 * pad), np.uint8)
    r = round(rounded * q)
    cv2.rectangle(fine, (pad + r, pad), (pad + w - 1 - r, pad + h - 1), 255, -1)
    cv2.rectangle(fine, (pad, pad + r), (pad + w - 1, pad + h - 1 - r), 255, -1)
    for x in (pad + r, pad + w - 1 - r):
        for y in (pad + r, pad + h - 1 - r):
            if r:
                cv2.circle(fine, (x, y), r, 255, -1, cv2.LINE_AA)
    colour = np.broadcast_to(linear(srgb), (*fine.shape, 3)).astype(np.float32)
    return Thing(colour, fine.astype(np.float32) / 255, q)


def ruler(inches: bool, length_mm: float = 200.0, dark: bool = False) -> Thing:
    """A ruler 30 mm wide with its marks at its upper edge, numerals left blank."""
    q = 14.0
    face, ink = (linear((60, 62, 66)), 0.8) if dark else (linear((232, 228, 205)), 0.02)
    h, w = round(30 * q), round((length_mm + 10) * q)
    colour = np.broadcast_to(face, (h, w, 3)).copy()
    step = 25.4 / 16 if inches else 1.0
    for k in range(int(length_mm / step) + 1):
        if inches:
            long = next(mm for n, mm in ((16, 9), (8, 7), (4, 5.5), (2, 4), (1, 3)) if k % n == 0)
        else:
            long = next(mm for n, mm in ((10, 7), (5, 5.2), (1, 3.5)) if k % n == 0)
        x = (5 + k * step) * q
        colour[: round(long * q), round(x - 0.11 * q) : round(x + 0.11 * q) + 1] = ink
    return Thing(colour.astype(np.float32), np.ones((h, w), np.float32), q)


def page(gray: NDArray[np.uint8], px_per_mm: float) -> Thing:
    """A printed page."""
    coded = gray.astype(np.float32) / 255
    colour = np.repeat((0.02 + 0.8 * coded)[..., None], 3, axis=2)
    return Thing(colour, np.ones(gray.shape, np.float32), px_per_mm)


def lace(length_mm: float = 260.0, width_mm: float = 60.0, seed: int = 3) -> Thing:
    """White lace of a sort: scallops, a net of wandering threads, round motifs."""
    q = 5.0
    rng = np.random.default_rng(seed)
    h, w = round(width_mm * q), round(length_mm * q)
    cover = np.zeros((h, w), np.uint8)
    x = np.arange(w)
    edge = (6 * q * np.abs(np.sin(np.pi * x / (20 * q)))).astype(int)
    for slant in (1, -1):
        for k in range(-40, 160):
            y = np.linspace(0, h, 60)
            at = np.column_stack([k * 2.6 * q + slant * y, y]) + rng.normal(0, 0.8, (60, 2))
            cv2.polylines(cover, [at.astype(np.int32)], False, 200, 1, cv2.LINE_AA)
    for k in range(int(length_mm / 20)):
        cv2.circle(cover, (int((k + 0.5) * 20 * q), int(0.5 * h)), int(7 * q), 255, -1, cv2.LINE_AA)
    cover[np.arange(h)[:, None] > (h - 1 - 6 * q + edge)[None, :]] = 0
    colour = np.broadcast_to(linear((245, 242, 236)), (h, w, 3)).astype(np.float32)
    return Thing(colour, cover.astype(np.float32) / 255, q)


def camera(
    mm_per_px: float,
    tilt_deg: tuple[float, float] = (0.0, 0.0),
    size_px: tuple[int, int] = SIZE,
    focal: float = 0.9,
) -> Floats:
    """Homography from mat mm, origin in the middle of the photo and y up, to photo px."""
    longest = focal * max(size_px)
    a, b = np.deg2rad(tilt_deg)
    about_x = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    about_y = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
    turn = np.diag([1.0, -1, -1]) @ about_y @ about_x
    lens = np.array(
        [[longest, 0, (size_px[0] - 1) / 2], [0, longest, (size_px[1] - 1) / 2], [0, 0, 1]]
    )
    view = np.column_stack([turn[:, 0], turn[:, 1], [0, 0, longest * mm_per_px]])
    return np.asarray(lens @ view, dtype=np.float64)


def mat_places(to_photo: Floats, size_px: tuple[int, int], k1: float = 0.0) -> Floats:
    """Mat point of every pixel, shape (h, w, 2); k1 in units of the longer side."""
    w, h = size_px
    x, y = np.meshgrid(np.arange(w, dtype=float), np.arange(h, dtype=float))
    centre = np.array([(w - 1) / 2, (h - 1) / 2])
    seen = (np.stack([x, y], -1) - centre) / max(size_px)
    ideal = seen.copy()
    for _ in range(8):
        r2 = (ideal**2).sum(axis=-1, keepdims=True)
        ideal = seen / (1 + k1 * r2)
    at = np.concatenate([ideal * max(size_px) + centre, np.ones((h, w, 1))], axis=-1)
    flat = at @ np.linalg.inv(to_photo).T
    return np.asarray(flat[..., :2] / flat[..., 2:], dtype=np.float64)


def shoot(
    things: list[tuple[Thing, tuple[float, float], float]],
    to_photo: Floats,
    *,
    mat: tuple[int, int, int] = (38, 92, 78),
    k1: float = 0.0,
    blur_px: float = 0.9,
    noise: float = 3.0,
    seed: int = 1,
    size_px: tuple[int, int] = SIZE,
) -> NDArray[np.uint8]:
    """Photograph things lying on a plain mat, the later ones on top.

    Each comes with the mat point of its lower left corner and its turn, radians.
    """
    mat_mm = mat_places(to_photo, size_px, k1)
    light = np.broadcast_to(linear(mat), (size_px[1], size_px[0], 3)).astype(np.float32)
    light = light * np.linspace(1.1, 0.9, size_px[0], dtype=np.float32)[None, :, None]
    for thing, (x0, y0), turn in things:
        c, s = np.cos(turn), np.sin(turn)
        dx, dy = mat_mm[..., 0] - x0, mat_mm[..., 1] - y0
        q = thing.px_per_mm
        u = ((c * dx + s * dy) * q - 0.5).astype(np.float32)
        v = (thing.cover.shape[0] - 0.5 - (c * dy - s * dx) * q).astype(np.float32)
        soft = max(0.35 * q * float(np.abs(np.diff(mat_mm[0, :2, 0]))[0]), 0.3)
        cover = cv2.copyMakeBorder(thing.cover, 1, 1, 1, 1, cv2.BORDER_CONSTANT)
        over = np.concatenate(
            [
                cv2.copyMakeBorder(thing.colour, 1, 1, 1, 1, cv2.BORDER_REPLICATE),
                cover[..., None],
            ],
            axis=-1,
        )
        over[..., :3] *= over[..., 3:]
        over = cv2.GaussianBlur(over, (0, 0), soft)
        seen = cv2.remap(over, u + 1, v + 1, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        light = light * (1 - seen[..., 3:]) + seen[..., :3]
    light = cv2.GaussianBlur(light, (0, 0), blur_px)
    low, high = light * 12.92, 1.055 * np.maximum(light, 1e-6) ** (1 / 2.4) - 0.055
    coded = 255 * np.where(light <= 0.0031308, low, high)
    coded = coded + np.random.default_rng(seed).normal(0, noise, coded.shape)
    return np.clip(coded + 0.5, 0, 255).astype(np.uint8)


def log_scale_error(found: object, to_photo: Floats, k1: float = 0.0) -> Floats:
    """Logarithm of read over true local scale at 25 places over the photo."""
    w, h = SIZE
    x, y = np.meshgrid(np.linspace(0.14, 0.86, 5) * w, np.linspace(0.14, 0.86, 5) * h)
    places = np.stack([x.ravel(), y.ravel()], -1)
    read = found.plane.mm_per_px(places)  # type: ignore[attr-defined]
    whole = mat_places(to_photo, SIZE, k1)
    true = []
    for px, py in places.round().astype(int):
        right = whole[py, px + 1] - whole[py, px - 1]
        down = whole[py + 1, px] - whole[py - 1, px]
        true.append(np.sqrt(abs(right[0] * down[1] - right[1] * down[0])) / 2)
    return np.asarray(np.log(read / np.array(true)), dtype=np.float64)
