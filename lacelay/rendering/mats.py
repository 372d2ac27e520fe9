"""Cutting mats: printed grids in centimetres and inches, plain mats, and the table beyond."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.rendering.difficulty import Difficulty
from lacelay.units import MM_PER_INCH

Grid = Literal["cm", "inch", "half-inch", "plain"]
#: Reflectance of mats and their lines, linear RGB.
COLOURS: dict[str, tuple[tuple[float, float, float], tuple[float, float, float]]] = {
    "dark green": ((0.015, 0.085, 0.050), (0.55, 0.60, 0.35)),
    "dark blue": ((0.018, 0.040, 0.140), (0.55, 0.62, 0.70)),
    "black": ((0.016, 0.016, 0.017), (0.55, 0.55, 0.50)),
    "grey": ((0.17, 0.175, 0.18), (0.65, 0.65, 0.65)),
    "pink": ((0.62, 0.22, 0.33), (0.85, 0.80, 0.80)),
    "white": ((0.80, 0.80, 0.78), (0.30, 0.36, 0.42)),
    "teal": ((0.03, 0.17, 0.19), (0.70, 0.72, 0.62)),
    "black cloth": ((0.003, 0.003, 0.004), (0.5, 0.5, 0.5)),
    "white paper": ((0.86, 0.86, 0.84), (0.5, 0.5, 0.5)),
    "aubergine": ((0.060, 0.016, 0.075), (0.72, 0.62, 0.75)),
    "burgundy": ((0.110, 0.012, 0.024), (0.75, 0.62, 0.55)),
    "brown": ((0.060, 0.032, 0.018), (0.70, 0.60, 0.42)),
    "sky": ((0.42, 0.60, 0.74), (0.06, 0.12, 0.30)),
    "mint": ((0.48, 0.70, 0.56), (0.05, 0.24, 0.13)),
    "cream": ((0.78, 0.72, 0.57), (0.32, 0.20, 0.10)),
    "lilac": ((0.56, 0.48, 0.72), (0.92, 0.90, 0.94)),
}
#: Inks for lines of another colour than the mat's usual one.
INKS: dict[str, tuple[float, float, float]] = {
    "white": (0.82, 0.82, 0.80),
    "yellow": (0.78, 0.62, 0.05),
    "orange": (0.80, 0.30, 0.04),
    "red": (0.55, 0.03, 0.03),
    "green": (0.03, 0.30, 0.10),
    "blue": (0.03, 0.10, 0.45),
    "black": (0.02, 0.02, 0.02),
}


@dataclass(frozen=True)
class MatKind:
    """A mat: its grid ("cm", "inch", "half-inch" or "plain") and its colour, in `COLOURS`.

    `ink` names another colour of its lines, in `INKS`.

    Examples
    --------
    >>> MatKind("cm", "dark green").pitch_mm
    10.0
    """

    grid: Grid
    colour: str
    ink: str | None = None

    def __post_init__(self) -> None:
        if self.grid not in get_args(Grid) or self.colour not in COLOURS:
            raise ValueError(f"no mat {self.grid!r} in {self.colour!r}")
        if self.ink is not None and self.ink not in INKS:
            raise ValueError(f"no ink {self.ink!r}")

    @property
    def reflectances(self) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
        """Of the mat and of its lines, linear RGB."""
        base, usual = COLOURS[self.colour]
        return base, usual if self.ink is None else INKS[self.ink]

    @property
    def pitch_mm(self) -> float | None:
        """Distance of the grid's main lines; None without a grid."""
        return {"cm": 10.0, "inch": MM_PER_INCH, "half-inch": MM_PER_INCH / 2, "plain": None}[
            self.grid
        ]


@dataclass(frozen=True)
class MatPrint:
    """How one mat is printed; lengths in mm, the mat's frame starts at its grid's corner."""

    kind: MatKind
    size_mm: tuple[float, float]
    line_mm: float
    heavy_mm: float
    heavy_every: int
    subdivision: int
    slants: bool
    numerals: bool
    border_mm: float

    @property
    def pitch_mm(self) -> float:
        """Distance of the main lines, that of a cm grid where there is none."""
        return self.kind.pitch_mm or 10.0


def draw_mat_kind(rng: np.random.Generator, dark_lace: bool) -> MatKind:
    """Draw a mat on which a light or a dark lace can be seen at all."""
    grid = str(rng.choice(["cm", "inch", "plain"], p=[0.52, 0.34, 0.14]))
    colours = (
        ["white", "pink", "grey"] if dark_lace else ["dark green", "dark blue", "black", "teal"]
    )
    if not dark_lace and rng.random() < 0.15:
        colours = ["grey"]
    if grid == "plain":  # not always a mat: a dark cloth, a sheet of paper
        colours = [*colours, "white paper"] if dark_lace else [*colours, "black cloth"]
    return MatKind(grid, str(rng.choice(colours)))  # type: ignore[arg-type]


def draw_mat_print(kind: MatKind, rng: np.random.Generator) -> MatPrint:
    """Draw the print of a mat: weights of its lines, finer lines, numerals."""
    if kind.grid == "half-inch":
        return _half_inch_print(kind, rng)
    inch = kind.grid == "inch"
    sizes = ((16, 11), (23, 17), (35, 23)) if inch else ((42, 28), (57, 42), (88, 58))
    across, up = sizes[int(rng.integers(len(sizes)))]
    pitch = kind.pitch_mm or 10.0
    return MatPrint(
        kind,
        (across * pitch, up * pitch),
        float(rng.uniform(0.18, 0.35)),
        float(rng.uniform(0.4, 0.7)),
        int(rng.choice([1, 6] if inch else [5, 10])),
        int(rng.choice([2, 8] if inch else [1, 2])),
        bool(rng.random() < 0.35),
        bool(rng.random() < 0.85),
        float(rng.uniform(8, 16)),
    )


def _half_inch_print(kind: MatKind, rng: np.random.Generator) -> MatPrint:
    """Lines every half inch, heavy every inch or not at all heavier."""
    pitch = MM_PER_INCH / 2
    across, up = ((34, 22), (46, 34), (70, 46))[int(rng.integers(3))]
    thin = float(rng.uniform(0.18, 0.35))
    return MatPrint(
        kind, (across * pitch, up * pitch), thin, float(rng.choice([thin, rng.uniform(0.4, 0.7)])),
        2, 1, False, bool(rng.random() < 0.85), float(rng.uniform(8, 16)),
    )  # fmt: skip


def draw_mat(
    printed: MatPrint,
    box_mm: tuple[float, float, float, float],
    px_per_mm: float,
    difficulty: Difficulty,
    rng: np.random.Generator,
) -> NDArray[np.uint8]:
    """Draw the mat and the table beyond it.

    Parameters
    ----------
    printed : MatPrint
    box_mm : tuple of float
        Least x, least y, largest x, largest y of the mat's frame to draw.
    px_per_mm : float
    difficulty : Difficulty
    rng : numpy.random.Generator

    Returns
    -------
    ndarray, shape (h, w, 3)
        RGB, gamma coded; the centre of its top-left pixel is (box x, box largest y).
    """
    width = int((box_mm[2] - box_mm[0]) * px_per_mm) + 1
    height = int((box_mm[3] - box_mm[1]) * px_per_mm) + 1
    base, ink = (np.array(c) for c in printed.kind.reflectances)
    noise = _surface(height, width, px_per_mm, rng)
    steps = np.asarray(1 + (np.arange(256) - 128) / 128 * 0.45, dtype=np.float32)
    image = _coloured(noise, base, steps)
    if printed.kind.grid != "plain":
        inked = np.zeros((height, width), np.uint8)
        _print_grid(inked, printed, box_mm, px_per_mm)
        worn = _wear(height, width, px_per_mm, difficulty.grid_occlusion, rng)
        cv2.multiply(inked, worn, inked, difficulty.grid_contrast / 255)
        lines = _coloured(noise, ink, steps)
        _mix(image, lines, inked)
    _cuts(image, box_mm, px_per_mm, rng)
    _table(image, printed, box_mm, px_per_mm, rng)
    _dust(image, px_per_mm, difficulty.dust, rng)
    return image


def _coloured(
    noise: NDArray[np.uint8], colour: NDArray[np.float64], steps: NDArray[np.float32]
) -> NDArray[np.uint8]:
    table = 255 * np.clip(colour[None, :] * steps[:, None], 0, 1) ** (1 / 2.2)
    merged = cv2.merge([noise, noise, noise])
    return np.asarray(cv2.LUT(merged, table.astype(np.uint8).reshape(1, 256, 3)), dtype=np.uint8)


def _mix(image: NDArray[np.uint8], over: NDArray[np.uint8], weight: NDArray[np.uint8]) -> None:
    share = cv2.merge([weight, weight, weight])
    cv2.add(
        cv2.multiply(image, cv2.bitwise_not(share), scale=1 / 255),
        cv2.multiply(over, share, scale=1 / 255),
        image,
    )


def _surface(
    height: int, width: int, px_per_mm: float, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Grain of the plastic and slow blotches, 128 in the mean."""
    grain = rng.normal(0, 1, (1024, 1024)).astype(np.float32)
    grain = np.asarray(cv2.GaussianBlur(grain, (0, 0), 0.12 * px_per_mm), dtype=np.float32)
    grain *= 7.0 / float(grain.std())
    tiled = np.tile(grain, (height // 1024 + 1, width // 1024 + 1))[:height, :width]
    cells = (max(4, int(height / px_per_mm / 25)), max(4, int(width / px_per_mm / 25)))
    slow = cv2.resize(
        rng.normal(0, 7.0, cells).astype(np.float32), (width, height), interpolation=cv2.INTER_CUBIC
    )
    return np.asarray(np.clip(128 + tiled + slow, 0, 255), dtype=np.uint8)


def _print_grid(
    inked: NDArray[np.uint8], printed: MatPrint, box: tuple[float, float, float, float], q: float
) -> None:
    pitch = printed.pitch_mm
    size_x, size_y = printed.size_mm

    def at(x: float, y: float) -> tuple[int, int]:
        return (round((x - box[0]) * q * 16), round((box[3] - y) * q * 16))

    def stroke(a: tuple[float, float], b: tuple[float, float], mm: float, ink: int) -> None:
        thick = max(1, round(mm * q))
        cv2.line(inked, at(*a), at(*b), ink, thick, cv2.LINE_AA, 4)

    if printed.slants:
        reach = min(size_x, size_y)
        stroke((0, 0), (reach, reach), printed.line_mm, 170)
        stroke((0, 0), (reach / np.sqrt(3), reach), printed.line_mm, 170)
    fine = pitch / printed.subdivision
    for axis, (length, other) in enumerate(((size_x, size_y), (size_y, size_x))):
        for k in range(round(length / fine) + 1):
            main = k % printed.subdivision == 0
            heavy = main and (k // printed.subdivision) % printed.heavy_every == 0
            place = k * fine
            width = printed.heavy_mm if heavy else printed.line_mm
            ends = (0.0, other)
            if not main and printed.subdivision > 2:
                ends = (0.0, 2.5)  # short ticks along the rulers only
            a, b = (place, ends[0]), (place, ends[1])
            if axis == 1:
                a, b = a[::-1], b[::-1]
            stroke(
                a,
                b,
                width if main else 0.8 * printed.line_mm,
                255 if heavy else 215 if main else 130,
            )
        tick = 1.0 if printed.kind.grid == "cm" else MM_PER_INCH / 16
        for k in range(round(length / tick) + 1):
            reach = 2.6 if k % 5 == 0 else 1.5
            for a, b in (
                ((k * tick, -reach), (k * tick, 0.0)),
                ((k * tick, other), (k * tick, other + reach)),
            ):
                stroke(*((a, b) if axis == 0 else (a[::-1], b[::-1])), 0.2, 235)
    if not printed.numerals:
        return
    tall = 3.4 if printed.kind.grid == "cm" else 5.0
    font = tall * q / 21.0
    thick = max(1, round(0.42 * q))
    per_number = 2 if printed.kind.grid == "half-inch" else 1
    for axis, length in enumerate((size_x, size_y)):
        for k in range(0, round(length / pitch) + 1, per_number):
            text = str(k // per_number)
            (wide, high), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, font, thick)
            for off in (
                -0.55 * printed.border_mm,
                printed.size_mm[1 - axis] + 0.55 * printed.border_mm,
            ):
                x, y = at(*((k * pitch, off) if axis == 0 else (off, k * pitch)))
                cv2.putText(
                    inked, text, (x // 16 - wide // 2, y // 16 + high // 2),
                    cv2.FONT_HERSHEY_SIMPLEX, font, 255, thick, cv2.LINE_AA,
                )  # fmt: skip


def _wear(
    height: int, width: int, q: float, share: float, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Where ink is left: 255 whole, less where worn off in patches."""
    cells = (max(4, int(height / q / 12)), max(4, int(width / q / 12)))
    patches = cv2.resize(
        rng.normal(0, 1, cells).astype(np.float32), (width, height), interpolation=cv2.INTER_CUBIC
    )
    limit = float(np.quantile(patches[::16, ::16], share)) if share > 0 else -1e9
    return np.asarray(np.clip(255 * ((patches - limit) / 0.5 + 0.5), 0, 255), dtype=np.uint8)


def _cuts(
    image: NDArray[np.uint8],
    box: tuple[float, float, float, float],
    q: float,
    rng: np.random.Generator,
) -> None:
    """Marks of earlier cuts: thin, long, lighter or darker than the mat."""
    height, width = image.shape[:2]
    mean = image[::32, ::32].reshape(-1, 3).mean(axis=0)
    for _ in range(int(rng.integers(4, 14))):
        x, y = rng.uniform(0, width), rng.uniform(0, height)
        angle = float(rng.choice([0.0, np.pi / 2, rng.uniform(0, np.pi)])) + float(
            rng.normal(0, 0.02)
        )
        length = float(rng.uniform(20, 160)) * q
        shade = mean * float(rng.choice([0.8, 1.25]))
        end = (int(x + length * np.cos(angle)), int(y + length * np.sin(angle)))
        colour = tuple(float(c) for c in np.clip(shade, 0, 255))
        cv2.line(image, (int(x), int(y)), end, colour, 1, cv2.LINE_AA)


def _table(
    image: NDArray[np.uint8], printed: MatPrint, box: tuple[float, float, float, float], q: float,
    rng: np.random.Generator,
) -> None:  # fmt: skip
    """Everything beyond the mat's edge: a wooden or plain table."""
    height, width = image.shape[:2]
    border = printed.border_mm
    left, right = (-border - box[0]) * q, (printed.size_mm[0] + border - box[0]) * q
    top, bottom = (box[3] - printed.size_mm[1] - border) * q, (box[3] + border) * q
    tone = np.array([[0.30, 0.19, 0.11], [0.55, 0.47, 0.38], [0.5, 0.5, 0.5]])[int(rng.integers(3))]
    streaks = rng.normal(0, 1, (max(8, int(height / q)), 12)).astype(np.float32)
    if left <= 0 and top <= 0 and right >= width - 1 and bottom >= height - 1:
        return
    grain = cv2.resize(streaks, (width, height), interpolation=cv2.INTER_CUBIC)
    noise = np.clip(128 + 15 * grain, 0, 255).astype(np.uint8)
    wood = _coloured(noise, tone, np.clip(np.arange(256, dtype=np.float32) / 128, 0.3, 1.7))
    inside = np.zeros((height, width), np.uint8)
    corners = np.clip(np.array([left, top, right, bottom]), -10, 1e5)
    cv2.rectangle(
        inside, (int(corners[0]), int(corners[1])), (int(corners[2]), int(corners[3])), 255, -1
    )
    outside = np.asarray(cv2.GaussianBlur(cv2.bitwise_not(inside), (0, 0), 0.1 * q), dtype=np.uint8)
    dark = cv2.GaussianBlur(inside, (0, 0), 1.2 * q)  # the mat's own thin shadow
    lit = cv2.bitwise_not(np.asarray(dark // 3, dtype=np.uint8))
    wood = np.asarray(cv2.multiply(wood, cv2.merge([lit, lit, lit]), scale=1 / 255), dtype=np.uint8)
    _mix(image, wood, outside)


def _dust(image: NDArray[np.uint8], q: float, per_100cm2: float, rng: np.random.Generator) -> None:
    """Specks and short fibres."""
    height, width = image.shape[:2]
    count = int(rng.poisson(per_100cm2 * height * width / q**2 / 10_000))
    for _ in range(count):
        x, y = float(rng.uniform(0, width)), float(rng.uniform(0, height))
        light = float(rng.uniform(120, 235))
        colour = (light, light, 0.97 * light)
        if rng.random() < 0.5:
            cv2.circle(
                image,
                (int(x), int(y)),
                max(1, int(rng.uniform(0.1, 0.35) * q)),
                colour,
                -1,
                cv2.LINE_AA,
            )
            continue
        heading = rng.uniform(0, 6) + np.cumsum(rng.normal(0, 0.35, 12))
        step = float(rng.uniform(2, 12)) * q / 12
        line = np.column_stack(
            [x + np.cumsum(np.cos(heading)) * step, y + np.cumsum(np.sin(heading)) * step]
        )
        cv2.polylines(
            image, [np.round(line * 16).astype(np.int32)], False, colour, 1, cv2.LINE_AA, 4
        )
