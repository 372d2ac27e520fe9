"""Paint a scene on a page, in vectors, at true scale."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from io import BytesIO
from typing import TYPE_CHECKING

import numpy as np

from lacelay.drawing.lettering import BOLD, REGULAR, font_path, printable
from lacelay.drawing.scene import (
    Area,
    Cross,
    Dot,
    Label,
    Line,
    Points,
    Scene,
    Shape,
    hatching,
)
from lacelay.drawing.style import RGB, Style, Styles
from lacelay.units import MM_PER_POINT

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

PT = 1 / MM_PER_POINT
#: Height of a capital letter as a share of the size (DejaVu Sans: 1493 of 2048).
_CAPITAL = 0.729


@contextmanager
def new_document(title: str, size_mm: tuple[float, float]) -> Iterator[tuple[Canvas, BytesIO]]:
    """Open a document whose bytes depend on nothing but what is drawn.

    It asks viewers not to scale it when it is printed. The bytes are complete once the
    canvas was saved.
    """
    from reportlab import rl_config
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont
    from reportlab.pdfgen.canvas import Canvas

    for name, bold in ((REGULAR, False), (BOLD, True)):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, font_path(bold=bold)))
    # Pictures as plain bytes: text encoding makes them a quarter larger.
    before, rl_config.useA85 = rl_config.useA85, 0
    try:
        out = BytesIO()
        canvas = Canvas(
            out, pagesize=(size_mm[0] * PT, size_mm[1] * PT), invariant=1, pageCompression=1
        )
        canvas.setTitle(printable(title))
        canvas.setAuthor("")
        canvas.setSubject("")
        canvas.setCreator("lacelay")
        canvas.setViewerPreference("PrintScaling", "None")
        yield canvas, out
    finally:
        rl_config.useA85 = before


def draw_scene(canvas: Canvas, scene: Scene, styles: Styles) -> None:
    """Draw a scene with its origin at the canvas's own, one unit of the scene a mm."""
    for shape in scene.shapes:
        draw_shape(canvas, shape, styles[shape.role])


def draw_shape(canvas: Canvas, shape: Shape, style: Style) -> None:
    """Draw one shape."""
    points = shape.points_mm
    match shape:
        case Area():
            if style.fill is not None:
                _path(canvas, points, closed=True, fill=style.fill)
            if style.hatch is not None:
                for stroke in hatching(points, style.hatch_step):
                    _line(canvas, stroke, style.hatch, 0.25, ())
            _outlined(canvas, points, style, closed=True)
        case Line(closed=closed):
            _outlined(canvas, points, style, closed=closed)
        case Cross():
            for along in ((1.0, 1.0), (1.0, -1.0)):
                half = np.asarray(along) * style.arm
                _outlined(canvas, np.stack([points[0] - half, points[0] + half]), style)
        case Dot(diameter_mm=diameter):
            turn = np.linspace(0.0, 2 * np.pi, 33)[:-1]
            circle = points[0] + diameter / 2 * np.stack([np.cos(turn), np.sin(turn)], axis=1)
            if style.fill is not None:
                _path(canvas, circle, closed=True, fill=style.fill)
            _outlined(canvas, circle, style, closed=True)
        case Label(text=text, angle_rad=angle):
            letter(canvas, text, points[0], style, angle_rad=angle, anchor="middle")


def letter(
    canvas: Canvas,
    text: str,
    at_mm: Points | tuple[float, float],
    style: Style,
    *,
    angle_rad: float = 0.0,
    anchor: str = "start",
) -> None:
    """Set words: from a point of their base line on, or centred on a point ("middle")."""
    words = printable(text, bold=style.bold)
    name = BOLD if style.bold else REGULAR
    size = style.size * PT
    x, y = float(at_mm[0]) * PT, float(at_mm[1]) * PT
    width = canvas.stringWidth(words, name, size)
    if style.ring is not None:
        radius = max(0.62 * width, 0.95 * size)
        canvas.setStrokeColorRGB(*_unit(style.ring))
        canvas.setFillColorRGB(*_unit(style.fill or (255, 255, 255)))
        canvas.setLineWidth(0.35 * PT)
        canvas.setDash()
        canvas.circle(x, y, radius, stroke=1, fill=1)
    canvas.saveState()
    canvas.translate(x, y)
    canvas.rotate(float(np.degrees(angle_rad)))
    canvas.setFillColorRGB(*_unit(style.text))
    canvas.setFont(name, size)
    if anchor == "middle":
        canvas.drawString(-width / 2, -_CAPITAL * size / 2, words)
    elif anchor == "end":
        canvas.drawString(-width, 0, words)
    else:
        canvas.drawString(0, 0, words)
    canvas.restoreState()


def _unit(colour: RGB) -> tuple[float, float, float]:
    return colour[0] / 255, colour[1] / 255, colour[2] / 255


def _outlined(canvas: Canvas, points: Points, style: Style, *, closed: bool = False) -> None:
    if style.line is not None:
        _line(canvas, points, style.line, style.width, style.dash, closed=closed)


def _line(
    canvas: Canvas,
    points: Points,
    colour: RGB,
    width_mm: float,
    dash_mm: tuple[float, ...],
    *,
    closed: bool = False,
) -> None:
    canvas.setStrokeColorRGB(*_unit(colour))
    canvas.setLineWidth(width_mm * PT)
    canvas.setLineJoin(1)
    # Round ends would lengthen each dash by the line's width and fill the gaps.
    canvas.setLineCap(0 if dash_mm else 1)
    if dash_mm:
        canvas.setDash([d * PT for d in dash_mm], 0)
    else:
        canvas.setDash()
    _path(canvas, points, closed=closed, stroke=True)


def _path(
    canvas: Canvas,
    points: Points,
    *,
    closed: bool,
    fill: RGB | None = None,
    stroke: bool = False,
) -> None:
    path = canvas.beginPath()
    path.moveTo(float(points[0, 0]) * PT, float(points[0, 1]) * PT)
    for x, y in points[1:]:
        path.lineTo(float(x) * PT, float(y) * PT)
    if closed:
        path.close()
    if fill is not None:
        canvas.setFillColorRGB(*_unit(fill))
    canvas.drawPath(path, stroke=int(stroke), fill=int(fill is not None))
