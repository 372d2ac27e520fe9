"""The target sheet: printed once, laid beside the lace, it tells a photo's true size."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lacelay.drawing.page_frame import SMALL_MM
from lacelay.drawing.scale_bar import scale_bar
from lacelay.drawing.style import INK, PAPER_STYLES, Style
from lacelay.drawing.vector import PT, draw_shape, letter, new_document
from lacelay.model.target_board import (
    COLUMNS,
    FIRST_MARKER,
    MARKER_MM,
    MARKER_SET,
    PAPER_MM,
    ROWS,
    SQUARE_MM,
    TargetPaper,
    black_squares_mm,
    board_corner_mm,
    markers_mm,
)

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

_SMALL = Style(size=SMALL_MM, text=INK)
_TITLE = Style(size=5.0, bold=True, text=INK)
#: Modules along a marker, its black rim of one module each side included.
_MODULES = 7
_USE = (
    "Print at 100 %, not fitted to the page, on plain paper. Measure the bar with your own",
    "ruler: it must be 100 mm long. Lay the sheet flat beside the lace, on the same mat, whole",
    "in the photo; a corner may be covered. Do not fold it, and print it anew once it is creased.",
)


def make_target_sheet(paper: TargetPaper = "a4") -> bytes:
    """Make the target sheet as a PDF of one page at true size.

    Parameters
    ----------
    paper : {"a4", "letter"}
        The paper it will be printed on; its markers say which.

    Returns
    -------
    bytes
        The same bytes each time.
    """
    size = PAPER_MM[paper]
    left, low = board_corner_mm(paper)
    with new_document("Target sheet at true size", size) as (canvas, out):
        _draw_board(canvas, paper, (left, low))
        top = low + ROWS * SQUARE_MM
        name = {"a4": "A4", "letter": "Letter"}[paper]
        letter(canvas, "Target sheet for lace photos", (left, top + 6.0), _TITLE)
        at = (left + COLUMNS * SQUARE_MM, top + 6.0)
        letter(canvas, f"{name} · squares of 25 mm", at, _SMALL, anchor="end")
        for shape in scale_bar((left, 26.0), 100.0, words="100 mm"):
            draw_shape(canvas, shape, PAPER_STYLES[shape.role])
        for k, line in enumerate(_USE):
            letter(canvas, line, (left, 19.0 - 4.6 * k), _SMALL)
        canvas.showPage()
        canvas.save()
    return out.getvalue()


def _draw_board(canvas: Canvas, paper: TargetPaper, corner_mm: tuple[float, float]) -> None:
    import cv2

    canvas.saveState()
    canvas.translate(corner_mm[0] * PT, corner_mm[1] * PT)
    canvas.setFillColorRGB(0, 0, 0)
    path = canvas.beginPath()
    for x, y in black_squares_mm():
        path.rect(x * PT, y * PT, SQUARE_MM * PT, SQUARE_MM * PT)
    markers = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_SET))
    module = MARKER_MM / _MODULES
    for k, (x, y) in enumerate(markers_mm()):
        picture = cv2.aruco.generateImageMarker(markers, FIRST_MARKER[paper] + k, _MODULES)
        black = np.asarray(picture) == 0
        for row in range(_MODULES):
            # One piece for each run of black modules, so that no hairline parts them.
            edges = np.flatnonzero(np.diff(np.concatenate([[0], black[row], [0]]).astype(int)))
            for start, stop in zip(edges[::2], edges[1::2], strict=True):
                down = y + (_MODULES - 1 - row) * module
                path.rect(
                    (x + start * module) * PT,
                    down * PT,
                    (stop - start) * module * PT,
                    module * PT,
                )
    canvas.drawPath(path, stroke=0, fill=1)
    canvas.restoreState()
