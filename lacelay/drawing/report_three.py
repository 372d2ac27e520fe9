"""The three plans side by side, as a table on the report."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Protocol

import numpy as np

from lacelay.drawing.style import INK, PAPER_GREY, Style
from lacelay.drawing.vector import PT, letter
from lacelay.model.choices import SideBySide

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

_WORDS = Style(size=3.2, text=INK)
_ROW_MM = 4.5
#: Where the columns begin, as shares of the width.
_STARTS = (0.0, 0.19, 0.28, 0.44, 0.64, 0.83)


class WrittenPage(Protocol):
    """A canvas, and how far down it is written."""

    canvas: Canvas
    width: float
    x: float
    y: float

    def write(self, text: str, style: Style) -> None:
        """Write a text below what is written."""
        ...


def three_plans_table(page: WrittenPage, three: SideBySide) -> None:
    """Write the three plans under what is written, a row each, and what is to be said of them.

    Parameters
    ----------
    page : WrittenPage
        Its `y` is moved down.
    three : SideBySide
    """
    starts = page.x + np.array(_STARTS) * page.width
    y = page.y - 4.0
    for start, word in zip(starts, three.head, strict=True):
        letter(page.canvas, word, (float(start), y), replace(_WORDS, bold=True))
    page.canvas.setStrokeColorRGB(*(v / 255 for v in PAPER_GREY))
    page.canvas.setLineWidth(0.2 * PT)
    page.canvas.line(page.x * PT, (y - 1.4) * PT, (page.x + page.width) * PT, (y - 1.4) * PT)
    for row in three.rows:
        y -= _ROW_MM
        bold = row[0] == three.this
        for start, word in zip(starts, row, strict=True):
            letter(page.canvas, word, (float(start), y - 0.6), replace(_WORDS, bold=bold))
    page.y = y - 2.0
    for note in three.notes:
        page.write(note, _WORDS)
    page.y -= 2.0
