"""What stands on every page of a sheet: what it is, which part, and the bars that check it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from lacelay.drawing.scale_bar import scale_bar
from lacelay.drawing.scene import Bounds
from lacelay.drawing.style import INK, PAPER_STYLES, Style
from lacelay.drawing.tiling import HEAD_MM, MARGIN_MM, Page
from lacelay.drawing.vector import PT, draw_shape, letter
from lacelay.units import MM_PER_INCH

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

#: 9 points, the smallest that is set.
SMALL_MM = 3.2
CHECK_PRINTER = (
    "Print at 100 %, not fitted to the page. Then measure",
    "with your own ruler: the bars must be 100 mm and 4 in",
    "long. If they are not, do not cut by this sheet.",
)
_STRONG = Style(size=5.0, bold=True, text=INK)
_SMALL = Style(size=SMALL_MM, text=INK)
_WARNING = Style(size=SMALL_MM, bold=True, text=INK)
_MAP_MM = (56.0, 12.0)


def draw_frame(
    canvas: Canvas,
    size_mm: tuple[float, float],
    heading: str,
    words: str,
    warning: str | None = None,
) -> None:
    """Draw head and foot of one page: heading, words under it, both bars, how to check them.

    `warning` is what makes the whole page doubtful, where anything does.
    """
    top = size_mm[1] - MARGIN_MM
    letter(canvas, heading, (MARGIN_MM, top - 5.0), _STRONG)
    letter(canvas, words, (MARGIN_MM, top - 11.0), _SMALL)
    if warning is not None:
        letter(canvas, warning, (MARGIN_MM, top - 15.2), _WARNING)
    draw_bars(canvas, (MARGIN_MM, MARGIN_MM))
    for k, line in enumerate(CHECK_PRINTER):
        at = (MARGIN_MM + 106.0, MARGIN_MM + 15.0 - 4.6 * k)
        letter(canvas, line, at, _SMALL)


def draw_bars(canvas: Canvas, at_mm: tuple[float, float]) -> None:
    """Draw a bar of 100 mm and one of 4 inches, one above the other."""
    x, y = at_mm
    for shape in scale_bar((x, y + 13.0), 100.0, words="100 mm"):
        draw_shape(canvas, shape, PAPER_STYLES[shape.role])
    inches = scale_bar((x, y + 2.0), 4 * MM_PER_INCH, words="4 in", tick_every_mm=MM_PER_INCH)
    for shape in inches:
        draw_shape(canvas, shape, PAPER_STYLES[shape.role])


def draw_page_map(
    canvas: Canvas, pages: Sequence[Page], bounds: Bounds, here: int, size_mm: tuple[float, float]
) -> None:
    """Draw all windows small, this page's filled, in the upper right corner."""
    x0, y0, x1, y1 = bounds
    scale = min(_MAP_MM[0] / (x1 - x0), _MAP_MM[1] / (y1 - y0))
    left = size_mm[0] - MARGIN_MM - scale * (x1 - x0)
    bottom = size_mm[1] - MARGIN_MM - HEAD_MM + 5.0
    canvas.setStrokeColorRGB(*(c / 255 for c in INK))
    canvas.setFillColorRGB(0.45, 0.45, 0.5)
    canvas.setLineWidth(0.2 * PT)
    canvas.setDash()
    for order in (False, True):
        for k, page in enumerate(pages):
            if (k == here) is not order:
                continue
            for window in page.windows:
                a0, b0, a1, b1 = window.bounds_mm
                canvas.rect(
                    (left + scale * (a0 - x0)) * PT,
                    (bottom + scale * (b0 - y0)) * PT,
                    scale * (a1 - a0) * PT,
                    scale * (b1 - b0) * PT,
                    stroke=1,
                    fill=int(k == here),
                )
