"""Things that lie beside or over the lace: sheets, a card, rulers, the target board, a hand.

Each is a flat picture in its own frame, x right and y up from its middle, in mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.geometry.photo_map import Points
from lacelay.model import target_board
from lacelay.model.target_board import TargetPaper
from lacelay.rendering.variation import SIZES
from lacelay.units import MM_PER_INCH

Raster = NDArray[np.uint8]
Rng = np.random.Generator

A4_MM = (297.0, 210.0)
LETTER_MM = (11 * MM_PER_INCH, 8.5 * MM_PER_INCH)
#: ISO/IEC 7810: size of ID-1 and the radius of its corners (3.18 mm, from memory).
CARD_MM, CARD_CORNER_MM = (85.60, 53.98), 3.18
#: Skin, linear RGB.
_SKINS = ((0.62, 0.40, 0.30), (0.48, 0.28, 0.19), (0.25, 0.13, 0.08), (0.10, 0.05, 0.03))


@dataclass(frozen=True, eq=False)
class Thing:
    """A flat picture to be laid on the mat or the lace.

    Parameters
    ----------
    rgba : ndarray, shape (h, w, 4), uint8
        Gamma coded colour and cover; the middle of the raster is the thing's origin.
    px_per_mm : float
    name : str
    thick_mm : float
        How far its shadow reaches.
    """

    rgba: Raster
    px_per_mm: float
    name: str
    thick_mm: float

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the raster."""
        return (self.rgba.shape[1] / self.px_per_mm, self.rgba.shape[0] / self.px_per_mm)

    def corners_mm(self) -> Points:
        """Corners of the raster in the thing's frame, shape (4, 2)."""
        half = np.array(self.size_mm) / 2
        return np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half


def _code(linear: tuple[float, float, float] | NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(255 * np.clip(np.asarray(linear), 0, 1) ** (1 / 2.2), dtype=np.float64)


def _blank(
    size_mm: tuple[float, float], q: float, linear: tuple[float, float, float], rng: Rng,
    blotch: float = 1.5,
) -> Raster:  # fmt: skip
    """A rectangle of one colour with a faint unevenness, wholly covering."""
    width, height = round(size_mm[0] * q), round(size_mm[1] * q)
    cells = (max(3, int(size_mm[1] / 15)), max(3, int(size_mm[0] / 15)))
    slow = cv2.resize(
        rng.normal(0, blotch, cells).astype(np.float32), (width, height),
        interpolation=cv2.INTER_CUBIC,
    )  # fmt: skip
    rgba = np.empty((height, width, 4), np.uint8)
    rgba[..., :3] = np.clip(_code(linear) + slow[..., None], 0, 255)
    rgba[..., 3] = 255
    return rgba


def sheet(name: str, q: float, rng: Rng) -> Thing:
    """A sheet of A4 or Letter paper, lying across or upright."""
    size = A4_MM if name == "a4" else LETTER_MM
    paper = (0.84, 0.84, 0.84 + float(rng.uniform(-0.03, 0.02)))
    return Thing(_blank(size, q, paper, rng), q, name, 0.3)


def card(q: float, rng: Rng) -> Thing:
    """A plain plastic card with a stripe and a contact plate, rounded corners."""
    colours = ((0.75, 0.76, 0.78), (0.05, 0.10, 0.28), (0.35, 0.05, 0.08), (0.55, 0.50, 0.30))
    rgba = _blank(CARD_MM, q, colours[int(rng.integers(len(colours)))], rng)
    height, width = rgba.shape[:2]
    shade = np.linspace(0.85, 1.12, width)[None, :, None]
    rgba[..., :3] = np.clip(rgba[..., :3] * shade, 0, 255)
    if rng.random() < 0.5:
        rgba[round(5 * q) : round(17 * q), :, :3] = 22
    else:
        top, left, tall, wide = (round(v * q) for v in (19, 10, 9.5, 12))
        rgba[top : top + tall, left : left + wide, :3] = _code((0.62, 0.50, 0.22))
        rgba[top + tall // 2, left : left + wide, :3] = 90
    for k in range(4):  # raised strokes where a number would be
        x = round((12 + 17 * k) * q)
        rgba[round(33 * q) : round(36 * q), x : x + round(13 * q), :3] = rgba[0, 0, :3] // 2 + 60
    radius = round(CARD_CORNER_MM * q)
    cover = np.zeros((height, width), np.uint8)
    cv2.rectangle(cover, (radius, 0), (width - radius - 1, height), 255, -1)
    cv2.rectangle(cover, (0, radius), (width, height - radius - 1), 255, -1)
    for x in (radius, width - 1 - radius):
        for y in (radius, height - 1 - radius):
            cv2.circle(cover, (x, y), radius, 255, -1, cv2.LINE_AA)
    rgba[..., 3] = cover
    return Thing(rgba, q, "card", 0.8)


def ruler(inches: bool, length_mm: float, q: float, rng: Rng) -> Thing:
    """A ruler with ticks along its upper edge: each mm, or each sixteenth of an inch."""
    bodies = (
        ((0.55, 0.56, 0.57), (0.02, 0.02, 0.02)),
        ((0.66, 0.48, 0.26), (0.05, 0.03, 0.02)),
        ((0.75, 0.62, 0.08), (0.02, 0.02, 0.02)),
        ((0.03, 0.03, 0.03), (0.80, 0.80, 0.78)),
    )
    body, ink = bodies[int(rng.integers(len(bodies)))]
    tall = float(rng.uniform(*SIZES.ruler_width))
    rgba = _blank((length_mm, tall), q, body, rng, 3.0)
    rgba[..., :3] = np.clip(
        rgba[..., :3] * np.linspace(1.08, 0.92, len(rgba))[:, None, None], 0, 255
    )
    unit = MM_PER_INCH if inches else 10.0
    parts = 16 if inches else 10
    colour = tuple(float(v) for v in _code(ink))
    drawn = np.ascontiguousarray(rgba[..., :3])
    start = float(rng.uniform(4.0, 8.0))
    font = (3.6 if inches else 3.0) * q / 21.0
    thick = max(1, round(0.3 * q))
    for k in range(int((length_mm - 2 * start) / unit * parts) + 1):
        x = start + k * unit / parts
        if k % parts == 0:
            reach = 9.0
        elif k % (parts // 2) == 0:
            reach = 7.0
        elif inches and k % 4 == 0:
            reach = 5.5
        elif inches and k % 2 == 0:
            reach = 4.2
        else:
            reach = 3.2 if inches else 4.5
        a, b = (round(16 * (x * q - 0.5)), -8), (round(16 * (x * q - 0.5)), round(16 * reach * q))
        cv2.line(drawn, a, b, colour, max(1, round(0.18 * q)), cv2.LINE_AA, 4)
        if k % parts == 0:
            text = str(k // parts)
            (wide, high), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, font, thick)
            at = (round(x * q - wide / 2), round((reach + 1.2) * q + high))
            cv2.putText(drawn, text, at, cv2.FONT_HERSHEY_SIMPLEX, font, colour, thick, cv2.LINE_AA)
    rgba[..., :3] = drawn
    return Thing(rgba, q, "ruler-inch" if inches else "ruler-mm", 1.2)


def target_sheet(q: float, rng: Rng) -> Thing:
    """The target board as printed on A4 or Letter with its check bar; the sheet lies across."""
    paper: TargetPaper = "a4" if rng.random() < 0.5 else "letter"
    wide, high = target_board.PAPER_MM[paper]
    rgba = _blank((wide, high), q, (0.84, 0.84, 0.83), rng)
    ink = np.zeros(rgba.shape[:2], np.uint8)
    corner = target_board.paper_outline_mm(paper)[0]

    def fill(at: Points, size: tuple[float, float], pattern: Raster | None = None) -> None:
        # the lower left corner and the size, drawn to a part of a pixel by averaging
        fine = 8
        left, low = (at - corner) * q
        x, y = int(np.floor(left)), int(np.floor(len(ink) - low - size[1] * q))
        w, h = int(np.ceil(size[0] * q)) + 2, int(np.ceil(size[1] * q)) + 2
        patch = np.zeros((h * fine, w * fine), np.uint8)
        across, up = (round(side * q * fine) for side in size)
        i, j = round((left - x) * fine), round((len(ink) - low - size[1] * q - y) * fine)
        whole = np.full((up, across), 255, np.uint8)
        if pattern is not None:
            whole = np.asarray(
                cv2.resize(255 - pattern, (across, up), interpolation=cv2.INTER_NEAREST)
            )
        patch[j : j + up, i : i + across] = whole
        small = cv2.resize(patch, (w, h), interpolation=cv2.INTER_AREA)
        view = ink[y : y + h, x : x + w]
        view[:] = np.maximum(view, small[: view.shape[0], : view.shape[1]])

    for at in target_board.black_squares_mm():
        fill(at, (target_board.SQUARE_MM, target_board.SQUARE_MM))
    numbers = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, target_board.MARKER_SET))
    first = target_board.FIRST_MARKER[paper]
    for k, at in enumerate(target_board.markers_mm()):
        marker = cv2.aruco.generateImageMarker(numbers, first + k, 7 * 8)
        fill(at, (target_board.MARKER_MM, target_board.MARKER_MM), np.asarray(marker, np.uint8))
    fill(np.array([0.0, -14.0]), (100.0, 0.6))
    share = ink[..., None].astype(np.float32) / 255
    rgba[..., :3] = rgba[..., :3] * (1 - share) + 24 * share
    return Thing(np.ascontiguousarray(np.rot90(rgba)), q, "board", 0.3)


def plain_card(size_mm: tuple[float, float], dark_lace: bool, q: float, rng: Rng) -> Thing:
    """A piece of cardboard that strips are fastened to: one they can be seen on."""
    light = ((0.55, 0.42, 0.28), (0.74, 0.70, 0.60), (0.62, 0.66, 0.70))
    dark = ((0.05, 0.07, 0.16), (0.03, 0.03, 0.03), (0.05, 0.11, 0.08), (0.16, 0.03, 0.04))
    tones = light if dark_lace else dark
    return Thing(_blank(size_mm, q, tones[int(rng.integers(len(tones)))], rng, 2.0), q, "card", 1.0)


def hand(arm_mm: float, rng: Rng) -> Thing:
    """A hand from above, its arm to the right: the middle fingertip at the raster's left.

    Parameters
    ----------
    arm_mm : float
        Length of the raster from the fingertips along the arm.
    rng : numpy.random.Generator
    """
    q = 4.0
    tall = 150.0
    size = (round(arm_mm * q), round(tall * q))
    form = np.zeros((size[1], size[0]), np.uint8)
    fine = np.zeros((size[1], size[0]), np.float32)

    def capsule(a: tuple[float, float], b: tuple[float, float], wide: float) -> None:
        piece = np.zeros_like(form)
        ends = [(round(x * q * 16), round(y * q * 16)) for x, y in (a, b)]
        cv2.line(piece, ends[0], ends[1], 255, max(1, round(wide * q)), cv2.LINE_AA, 4)
        depth = cv2.distanceTransform(piece, cv2.DIST_L2, 5) / (0.5 * wide * q)
        np.maximum(fine, np.sqrt(np.clip(1 - (1 - np.clip(depth, 0, 1)) ** 2, 0, 1)), out=fine)
        np.maximum(form, piece, out=form)

    finger = float(rng.uniform(*SIZES.finger))
    middle = tall / 2
    spread = float(rng.uniform(0.8, 1.5))
    reach = (16.0, 4.0, finger / 2 + 0.5, 12.0)
    for k, tip in enumerate((reach[0], reach[1], reach[2] - 4, reach[3])):
        off = (k - 1.5) * (finger + 2.5)
        start = (max(tip, 0.0) + finger / 2 + 1, middle + off * spread)
        knee = (start[0] + 34.0, middle + off * (0.5 + 0.5 * spread))
        capsule(start, knee, 0.92 * finger)
        capsule(knee, (92.0, middle + 0.9 * off), 1.05 * finger)
    capsule((104.0, middle - 20), (122.0, middle - 12), 42.0)
    capsule((104.0, middle + 16), (122.0, middle + 10), 46.0)
    capsule((48.0, middle + 47), (88.0, middle + 36), 1.1 * finger)
    capsule((88.0, middle + 36), (122.0, middle + 16), 26.0)
    capsule((118.0, middle), (arm_mm + 60, middle + float(rng.uniform(-25, 25))), 62.0)
    skin = np.array(_SKINS[int(rng.integers(len(_SKINS)))])
    soft = np.asarray(cv2.GaussianBlur(fine, (0, 0), 1.2 * q), dtype=np.float32)
    light = 0.55 + 0.5 * soft
    gx = cv2.Sobel(soft, cv2.CV_32F, 1, 0)
    gy = cv2.Sobel(soft, cv2.CV_32F, 0, 1)
    light = np.clip(light + 1.6 * (gx * 0.6 + gy * 0.8), 0.25, 1.25)
    cells = rng.normal(0, 1, (int(tall / 7), int(arm_mm / 7))).astype(np.float32)
    blotch = cv2.resize(cells, size, interpolation=cv2.INTER_CUBIC)
    colour = (
        skin[None, None] * light[..., None] * (1 + np.array([0.03, 0.06, 0.06]) * blotch[..., None])
    )
    rgba = np.empty((size[1], size[0], 4), np.uint8)
    rgba[..., :3] = _code(np.asarray(colour, dtype=np.float64))
    rgba[..., 3] = cv2.GaussianBlur(form, (0, 0), 0.5 * q)
    return Thing(rgba, q, "hand", 7.0)


def stain(rng: Rng) -> tuple[NDArray[np.float32], float]:
    """What a dried spill leaves of blue light: shape (n, n) of shares, and px per mm."""
    q = 4.0
    across = float(rng.uniform(*SIZES.stain))
    side = round(1.5 * across * q)
    grid = (np.arange(side) - side / 2) / q
    x, y = np.meshgrid(grid, grid)
    angle = np.arctan2(y, x)
    phases = rng.uniform(0, 2 * np.pi, 5)
    rim = 1 + sum(0.10 / (k + 1) * np.sin((k + 2) * angle + phases[k]) for k in range(5))
    r = np.hypot(x, y) / (0.5 * across * rim)
    body = 1 / (1 + np.exp((r - 1) * 24))
    ring = np.exp(-(((r - 0.96) / 0.05) ** 2))
    depth = float(rng.uniform(*SIZES.stain_depth))
    return np.asarray(1 - depth * (0.6 * body + 0.4 * ring), dtype=np.float32), q
