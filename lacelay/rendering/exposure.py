"""Light, lens, sensor and file: from reflectance to the photo a phone saves."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.rendering.difficulty import Difficulty

Image = NDArray[np.float32]


@dataclass(frozen=True)
class Light:
    """The light of one photo; directions as (x, y) of the photo, y down.

    Parameters
    ----------
    gradient_way, shadow_way : tuple of float
        Unit vectors: towards the dark side, and the way shadows fall.
    tint : tuple of float
        Colour of the light.
    shadow_spot, glare_spot : tuple of float
        Middle of the large soft shadow and of the glare, as shares of width and height.
    exposure : float
        How far the camera's own choice is over or under.
    black_point : float
        Linear light below which the camera's picture is black.
    curve : float
        Strength of its S-shaped tone curve, 0 to 0.6.
    """

    gradient_way: tuple[float, float]
    shadow_way: tuple[float, float]
    tint: tuple[float, float, float]
    shadow_spot: tuple[float, float]
    glare_spot: tuple[float, float]
    exposure: float
    black_point: float
    curve: float


def draw_light(difficulty: Difficulty, rng: np.random.Generator) -> Light:
    """Draw the light; how strong it falls off is in the difficulty."""
    angle = float(rng.uniform(0, 2 * np.pi))
    warm = float(rng.normal(0, 0.05)) * (1 + difficulty.light_gradient)
    spots = rng.uniform(0.0, 1.0, 4)
    return Light(
        (float(np.cos(angle)), float(np.sin(angle))),
        (0.6, 0.8),
        (1 + warm, 1.0, 1 - warm),
        (float(spots[0]), float(spots[1])),
        (float(spots[2]), float(spots[3])),
        float(rng.uniform(0.85, 1.12)),
        float(rng.uniform(0.0, 0.02)),
        float(rng.uniform(0.0, 0.6)),
    )


def expose(
    image: Image,
    matte: NDArray[np.uint8],
    light: Light,
    difficulty: Difficulty,
    size_px: tuple[int, int],
    rng: np.random.Generator,
) -> NDArray[np.uint8]:
    """Light a picture of reflectances and take the photo.

    Parameters
    ----------
    image : ndarray, shape (h, w, 3), float32
        Linear reflectance; changed in place.
    matte : ndarray, shape (h, w)
        Where lace is: pins go through it and glare is mostly the mat's.
    light : Light
    difficulty : Difficulty
    size_px : tuple of int
    rng : numpy.random.Generator

    Returns
    -------
    ndarray, shape (h, w, 3), uint8
        RGB after one JPEG compression.
    """
    unit = size_px[0] / 4000
    if difficulty.pins:
        _pins(image, matte, unit, light, rng)
    image *= _illumination(light, difficulty, size_px)[..., None]
    image *= np.array(light.tint, np.float32)
    if difficulty.glare:
        _glare(image, matte, light, size_px)
    blur = max(0.35, difficulty.blur_px * unit)
    image = np.asarray(cv2.GaussianBlur(image, (0, 0), blur), dtype=np.float32)
    thin = image[::16, ::16]
    gain = min(0.80 / float(np.quantile(thin, 0.985)), 0.28 / float(thin.mean())) * light.exposure
    index = np.clip(image * (gain * 65535), 0, 65535).astype(np.uint16)
    code = _tone_table(light)[index]
    del index
    _add_noise(code, difficulty.noise_levels, rng)
    soft = cv2.GaussianBlur(code, (0, 0), max(0.6, 1.1 * unit))
    code += difficulty.sharpening * (code - soft)
    eight = np.clip(code + 0.5, 0, 255).astype(np.uint8)
    _, packed = cv2.imencode(
        ".jpg", eight[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, difficulty.jpeg_quality]
    )
    unpacked = np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR), dtype=np.uint8)
    return np.ascontiguousarray(unpacked[..., ::-1])


def _tone_table(light: Light) -> Image:
    """8-bit level, unrounded, of every 16-bit level of light."""
    level = np.arange(65536) / 65535
    level = np.clip((level - light.black_point) / (1 - light.black_point), 0, 1) ** (1 / 2.2)
    level = level - light.curve * np.sin(2 * np.pi * level) / (2 * np.pi)
    return np.asarray(255 * level, dtype=np.float32)


def _illumination(light: Light, difficulty: Difficulty, size_px: tuple[int, int]) -> Image:
    width, height = size_px
    x, y = np.meshgrid(np.linspace(-1, 1, 81), np.linspace(-1, 1, 61))
    across = (x * light.gradient_way[0] + y * light.gradient_way[1]) / 1.42
    field = 1 - difficulty.light_gradient * (0.5 + 0.5 * across)
    field = field * (1 - difficulty.vignette * ((x**2 + 0.56 * y**2) / 1.56) ** 1.5)
    sx, sy = 2 * light.shadow_spot[0] - 1, 2 * light.shadow_spot[1] - 1
    # the soft-edged shadow of a head or an arm: a half plane through its spot
    side = (x - sx) * light.gradient_way[1] - (y - sy) * light.gradient_way[0]
    field = field * (1 - difficulty.soft_shadow / (1 + np.exp(-side / 0.09)))
    return np.asarray(
        cv2.resize(field.astype(np.float32), (width, height), interpolation=cv2.INTER_CUBIC)
    )


def _glare(image: Image, matte: NDArray[np.uint8], light: Light, size_px: tuple[int, int]) -> None:
    width, height = size_px
    x, y = np.meshgrid(np.linspace(0, 1, 160), np.linspace(0, 1, 120))
    spot = np.exp(
        -(((x - light.glare_spot[0]) / 0.13) ** 2 + ((y - light.glare_spot[1]) / 0.09) ** 2)
    )
    shine = np.asarray(
        cv2.resize((0.28 * spot).astype(np.float32), (width, height)), dtype=np.float32
    )
    shine *= 1 - 0.75 * matte.astype(np.float32) / 255
    image += shine[..., None]


def _pins(
    image: Image, matte: NDArray[np.uint8], unit: float, light: Light, rng: np.random.Generator
) -> None:
    """Glass-headed pins lying through the lace."""
    rows, columns = np.nonzero(matte[::8, ::8] > 128)
    if not len(rows):
        return
    heads = [(0.75, 0.02, 0.03), (0.8, 0.8, 0.82), (0.02, 0.05, 0.5), (0.75, 0.55, 0.05)]
    for _ in range(int(rng.integers(2, 6))):
        pick = int(rng.integers(len(rows)))
        x, y = 8.0 * columns[pick], 8.0 * rows[pick]
        angle = float(rng.uniform(0, 2 * np.pi))
        length, radius = 300 * unit, 22 * unit
        end = (x + length * np.cos(angle), y + length * np.sin(angle))
        a, b = ((round(16 * v[0]), round(16 * v[1])) for v in ((x, y), end))
        thick = max(1, round(7 * unit))
        shade = tuple(float(v) for v in (0.02, 0.02, 0.02))
        steel = tuple(float(v) for v in (0.42, 0.42, 0.43))
        shadow = (
            round(16 * 6 * unit * light.shadow_way[0]),
            round(16 * 6 * unit * light.shadow_way[1]),
        )
        cv2.line(
            image,
            (a[0] + shadow[0], a[1] + shadow[1]),
            (b[0] + shadow[0], b[1] + shadow[1]),
            shade,
            thick,
            cv2.LINE_8,
            4,
        )
        cv2.line(image, a, b, steel, thick, cv2.LINE_8, 4)
        head = heads[int(rng.integers(len(heads)))]
        cv2.circle(image, (round(x), round(y)), round(radius), head, -1)
        glint = (round(x - 0.35 * radius), round(y - 0.4 * radius))
        cv2.circle(image, glint, max(1, round(0.25 * radius)), (0.95, 0.95, 0.95), -1)


def _add_noise(code: Image, levels: float, rng: np.random.Generator) -> None:
    """Noise as a phone leaves it: stronger in the dark, smoothed, coarser in colour."""
    height, width = code.shape[:2]
    bright = np.asarray(rng.standard_normal((height, width), dtype=np.float32))
    bright = np.asarray(cv2.GaussianBlur(bright, (0, 0), 0.55), dtype=np.float32)
    colour = rng.standard_normal((height // 2 + 1, width // 2 + 1, 3), dtype=np.float32)
    strength = levels * (1.25 - 0.6 / 255 * code[..., 1])
    bright *= strength
    code += bright[..., None]
    twice = cv2.resize(colour, (2 * colour.shape[1], 2 * colour.shape[0]))
    blotch = np.asarray(twice[:height, :width], dtype=np.float32)
    blotch *= (0.45 * strength)[..., None]
    code += blotch
