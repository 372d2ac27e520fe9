"""How hard a rendered photo is to read: named magnitudes, frozen as levels.

The levels were fixed before any reading was tuned and are held by a test: a change of a
number here makes every accuracy figure measured before it void, so it goes with a new
`RENDERER_VERSION`.
"""

from __future__ import annotations

import math
from dataclasses import astuple, dataclass, fields
from typing import Literal, get_args

import numpy as np

Level = Literal["easy", "medium", "hard"]


@dataclass(frozen=True)
class Difficulty:
    """Magnitudes of everything that stands between a lace and its reading.

    Signs, directions and places are drawn from the seed; only sizes are here.

    Parameters
    ----------
    tilt_rad : float
        Camera axis off the mat's normal.
    lace_turn_rad : float
        Long axis of the lace off the photo's horizontal.
    mat_turn_rad : float
        Mat grid off the photo's horizontal.
    bow_mm : float
        Sagitta of the lace's axis over 400 mm.
    warp_mm : float
        Amplitude of the small warps by which copies of a repeat differ.
    thread_jitter : float
        Unevenness of mesh and threads, as a share of the mesh.
    light_gradient : float
        Fall of the light across the photo, as a share.
    soft_shadow : float
        Depth of one large soft shadow, as a share.
    contact_shadow : float
        Depth of the shadow the lace casts on the mat, as a share.
    vignette : float
        Fall of the light in the corners, as a share.
    noise_levels : float
        Noise sigma at mid grey, in 8-bit levels before the camera's own smoothing.
    blur_px : float
        Sigma of the lens blur in a photo 4000 px wide; it scales with the photo.
    sharpening : float
        The camera's own unsharp mask, as a share.
    jpeg_quality : int
        Of the one compression every photo goes through.
    lens_k1 : float
        Radial distortion, in units of the focal length.
    tone_contrast : float
        1: the lace's own tone; less: moved towards the mat's.
    grid_contrast : float
        1: printed lines as new; less: worn.
    grid_occlusion : float
        Share of the grid's line length worn off in patches.
    dust : float
        Specks and fibres per 100 cm2.
    pins, glare : bool
        Pins through the lace; a light reflected by the mat.
    """

    tilt_rad: float
    lace_turn_rad: float
    mat_turn_rad: float
    bow_mm: float
    warp_mm: float
    thread_jitter: float
    light_gradient: float
    soft_shadow: float
    contact_shadow: float
    vignette: float
    noise_levels: float
    blur_px: float
    sharpening: float
    jpeg_quality: int
    lens_k1: float
    tone_contrast: float
    grid_contrast: float
    grid_occlusion: float
    dust: float
    pins: bool
    glare: bool

    def __post_init__(self) -> None:
        if not all(math.isfinite(float(value)) and value >= 0 for value in astuple(self)):
            raise ValueError("every magnitude of a difficulty is finite and not negative")
        if not (1 <= self.jpeg_quality <= 100 and self.tone_contrast <= 1):
            raise ValueError("JPEG quality is 1 to 100, tone contrast at most 1")


_DEGREE = math.pi / 180

#: The frozen levels. "easy" is a careful photo on a good day, not a drawing.
LEVELS: dict[Level, Difficulty] = {
    "easy": Difficulty(
        tilt_rad=1.5 * _DEGREE,
        lace_turn_rad=3.0 * _DEGREE,
        mat_turn_rad=1.0 * _DEGREE,
        bow_mm=0.5,
        warp_mm=0.10,
        thread_jitter=0.05,
        light_gradient=0.12,
        soft_shadow=0.0,
        contact_shadow=0.30,
        vignette=0.10,
        noise_levels=2.0,
        blur_px=0.8,
        sharpening=0.3,
        jpeg_quality=92,
        lens_k1=0.004,
        tone_contrast=1.0,
        grid_contrast=0.95,
        grid_occlusion=0.02,
        dust=1.0,
        pins=False,
        glare=False,
    ),
    "medium": Difficulty(
        tilt_rad=4.0 * _DEGREE,
        lace_turn_rad=9.0 * _DEGREE,
        mat_turn_rad=3.0 * _DEGREE,
        bow_mm=3.0,
        warp_mm=0.25,
        thread_jitter=0.09,
        light_gradient=0.30,
        soft_shadow=0.20,
        contact_shadow=0.45,
        vignette=0.20,
        noise_levels=4.0,
        blur_px=1.2,
        sharpening=0.5,
        jpeg_quality=85,
        lens_k1=0.015,
        tone_contrast=0.85,
        grid_contrast=0.75,
        grid_occlusion=0.08,
        dust=3.0,
        pins=False,
        glare=False,
    ),
    "hard": Difficulty(
        tilt_rad=8.0 * _DEGREE,
        lace_turn_rad=25.0 * _DEGREE,
        mat_turn_rad=7.0 * _DEGREE,
        bow_mm=8.0,
        warp_mm=0.45,
        thread_jitter=0.14,
        light_gradient=0.50,
        soft_shadow=0.40,
        contact_shadow=0.60,
        vignette=0.35,
        noise_levels=8.0,
        blur_px=1.9,
        sharpening=0.8,
        jpeg_quality=75,
        lens_k1=0.035,
        tone_contrast=0.60,
        grid_contrast=0.50,
        grid_occlusion=0.20,
        dust=8.0,
        pins=True,
        glare=True,
    ),
}


def draw_difficulty(rng: np.random.Generator, level: Level | None = None) -> Difficulty:
    """Draw one difficulty, each magnitude on its own.

    Parameters
    ----------
    rng : numpy.random.Generator
    level : {"easy", "medium", "hard"}, optional
        Magnitudes then lie between that level and the next easier one ("easy": up to 30 %
        better than easy). Drawn evenly over the three when not given.

    Returns
    -------
    Difficulty
    """
    names = get_args(Level)
    chosen: Level = level if level is not None else names[int(rng.integers(len(names)))]
    upper = LEVELS[chosen]
    lower = LEVELS[names[max(0, names.index(chosen) - 1)]]
    values: dict[str, float | int | bool] = {}
    for field in fields(Difficulty):
        low, high = getattr(lower, field.name), getattr(upper, field.name)
        share = float(rng.uniform(0.0, 1.0))
        if isinstance(high, bool):
            values[field.name] = high and share > 0.5
        elif lower is upper:
            values[field.name] = _better(field.name, high, share)
        else:
            mixed = low + share * (high - low)
            values[field.name] = round(mixed) if isinstance(high, int) else mixed
    return Difficulty(**values)  # type: ignore[arg-type]


def _better(name: str, value: float, share: float) -> float | int:
    if name == "jpeg_quality":
        return int(value + round(3 * share))
    if name in ("tone_contrast", "grid_contrast"):
        return value
    return value * (1 - 0.3 * share)
