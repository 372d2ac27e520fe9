"""Paint a scene on pixels.

Pixel centres lie at integers; points handed to OpenCV carry four binary places of a pixel.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from lacelay.drawing.lettering import font_path, printable
from lacelay.drawing.scene import (
    Area,
    Cross,
    Dot,
    Label,
    Line,
    Mapping,
    Points,
    Scene,
    Shape,
    dashes,
    hatching,
)
from lacelay.drawing.style import RGB, Style, Styles

Image8 = NDArray[np.uint8]
_SHIFT = 4


def paint(rgb: Image8, scene: Scene, styles: Styles, *, to_px: Mapping, unit_px: float) -> Image8:
    """Return the picture with a scene painted over it.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (h, w, 3)
        Not changed.
    scene : Scene
    styles : Styles
        Lengths in units.
    to_px : callable
        Scene points to (column, row) pixels.
    unit_px : float
        Pixels to one unit of the styles: line widths, text and dashes scale with it.
    """
    canvas = np.ascontiguousarray(rgb).copy()
    for shape in scene.shapes:
        paint_shape(canvas, shape, styles[shape.role], to_px, unit_px)
    return canvas


def paint_shape(canvas: Image8, shape: Shape, style: Style, to_px: Mapping, unit_px: float) -> None:
    """Paint one shape on the canvas itself."""
    px = to_px(np.asarray(shape.points_mm, dtype=np.float64))
    match shape:
        case Area():
            if style.fill is not None:
                _fill(canvas, px, style.fill, style.fill_alpha)
            if style.hatch is not None:
                for stroke in hatching(px, style.hatch_step * unit_px):
                    _stroke(canvas, stroke, style.hatch, max(1.0, 0.25 * unit_px))
            _outlined(canvas, np.concatenate([px, px[:1]]), style, unit_px)
        case Line(closed=closed):
            _outlined(canvas, np.concatenate([px, px[:1]]) if closed else px, style, unit_px)
        case Cross():
            arm = style.arm * unit_px
            for along in ((1.0, 1.0), (1.0, -1.0)):
                half = np.asarray(along) * arm
                _outlined(canvas, np.stack([px[0] - half, px[0] + half]), style, unit_px)
        case Dot(diameter_mm=diameter):
            side = to_px(np.asarray(shape.points_mm + np.array([[diameter / 2, 0.0]])))
            radius = float(np.hypot(*(side[0] - px[0])))
            turn = np.linspace(0.0, 2 * np.pi, 33)
            circle = px[0] + radius * np.stack([np.cos(turn), np.sin(turn)], axis=1)
            if style.fill is not None:
                _fill(canvas, circle, style.fill, style.fill_alpha)
            _outlined(canvas, circle, style, unit_px)
        case Label(text=text, angle_rad=angle):
            letter(canvas, text, px[0], style, unit_px, angle_rad=angle)


def letter(
    canvas: Image8,
    text: str,
    at_px: Points,
    style: Style,
    unit_px: float,
    *,
    angle_rad: float = 0.0,
    anchor: str = "mm",
) -> None:
    """Set words on the canvas; `anchor` as Pillow names it ("mm": middle of the words)."""
    words = printable(text, bold=style.bold)
    font = _font(max(9, round(style.size * unit_px)), style.bold)
    halo = max(1, round(0.1 * style.size * unit_px)) if style.halo is not None else 0
    left, top, right, bottom = font.getbbox(words, anchor="ls", stroke_width=halo)
    w, h = int(right - left) + 4, int(bottom - top) + 4
    if style.ring is not None:
        # A ring is as wide as two figures, so that all rings of a picture are alike.
        radius = max(0.62 * w, 0.95 * style.size * unit_px)
        turn = np.linspace(0.0, 2 * np.pi, 49)
        circle = at_px + radius * np.stack([np.cos(turn), np.sin(turn)], axis=1)
        _fill(canvas, circle, style.fill or (255, 255, 255), 1.0)
        _stroke(canvas, circle, style.ring, max(1.0, 0.3 * unit_px))
    for colour, wide in ((style.halo, halo), (style.text, 0)):
        if colour is None:
            continue
        mask = Image.new("L", (w, h), 0)
        ImageDraw.Draw(mask).text(
            (2 - left, 2 - top), words, fill=255, font=font, anchor="ls", stroke_width=wide
        )
        if angle_rad:
            mask = mask.rotate(float(np.degrees(angle_rad)), Image.Resampling.BICUBIC, expand=True)
        _blend(canvas, np.asarray(mask), at_px, colour, anchor)


@lru_cache(maxsize=64)
def _font(size_px: int, bold: bool) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(font_path(bold=bold), size_px)


def text_width_px(text: str, size_px: int, *, bold: bool = False) -> float:
    """How wide words are set at a size."""
    return float(_font(size_px, bold).getlength(printable(text, bold=bold)))


def _blend(canvas: Image8, mask: Image8, at_px: Points, colour: RGB, anchor: str) -> None:
    h, w = mask.shape
    x = round(float(at_px[0])) - {"l": 0, "m": w // 2, "r": w}[anchor[0]]
    y = round(float(at_px[1])) - {"a": 0, "m": h // 2, "s": h}[anchor[1]]
    x0, y0, x1, y1 = max(x, 0), max(y, 0), min(x + w, canvas.shape[1]), min(y + h, canvas.shape[0])
    if x0 >= x1 or y0 >= y1:
        return
    share = mask[y0 - y : y1 - y, x0 - x : x1 - x, None].astype(np.float32) / 255
    under = canvas[y0:y1, x0:x1].astype(np.float32)
    over = np.asarray(colour, np.float32)
    canvas[y0:y1, x0:x1] = np.round(under + share * (over - under)).astype(np.uint8)


def _outlined(canvas: Image8, px: Points, style: Style, unit_px: float) -> None:
    if style.line is None:
        return
    pieces = dashes(px, [d * unit_px for d in style.dash]) if style.dash else [px]
    if style.casing is not None:
        for piece in pieces:
            wide = (style.width + 2 * style.casing_width) * unit_px
            _stroke(canvas, piece, style.casing, wide)
    for piece in pieces:
        _stroke(canvas, piece, style.line, style.width * unit_px)


def _stroke(canvas: Image8, px: Points, colour: RGB, width_px: float) -> None:
    # OpenCV closes or drops far-away points badly: keep them within its integer range.
    points = np.clip(px, -30000, 30000)
    fixed = np.round(points * (1 << _SHIFT)).astype(np.int32).reshape(-1, 1, 2)
    cv2.polylines(canvas, [fixed], False, colour, max(1, round(width_px)), cv2.LINE_AA, _SHIFT)


def _fill(canvas: Image8, px: Points, colour: RGB, alpha: float) -> None:
    # Only the rows and columns that the outline reaches: most fills are small.
    x0, y0 = np.maximum(np.floor(px.min(axis=0)).astype(int) - 1, 0)
    x1, y1 = np.minimum(np.ceil(px.max(axis=0)).astype(int) + 2, canvas.shape[1::-1])
    if x0 >= x1 or y0 >= y1:
        return
    under = canvas[y0:y1, x0:x1]
    inside = coverage(px - np.array([x0, y0]), (int(y1 - y0), int(x1 - x0)))
    share = (inside * alpha)[..., None]
    mixed = under + share * (np.asarray(colour, np.float32) - under)
    canvas[y0:y1, x0:x1] = np.round(mixed).astype(np.uint8)


def coverage(outline_px: Points, shape: tuple[int, int]) -> NDArray[np.float32]:
    """Share of each pixel inside an outline, shape (h, w), 0 to 1."""
    mask = np.zeros(shape, np.uint8)
    points = np.clip(outline_px, -30000, 30000)
    fixed = np.round(points * (1 << _SHIFT)).astype(np.int32).reshape(-1, 1, 2)
    cv2.fillPoly(mask, [fixed], 255, cv2.LINE_AA, _SHIFT)
    return np.asarray(mask / 255, np.float32)
