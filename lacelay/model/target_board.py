"""The printed target sheet: a board of squares and markers, drawn and read from one layout.

Our own layout: 7 x 9 squares of 25 mm, markers of 18 mm in the white ones, so that it goes on
A4 and on Letter alike. Which paper it is printed on is told by the markers' numbers.

Frame: board (x, y) mm, x right, y up, from the board's lower left corner.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

TargetPaper = Literal["a4", "letter"]
#: Squares along x and y.
COLUMNS, ROWS = 7, 9
SQUARE_MM, MARKER_MM = 25.0, 18.0
#: Markers in the white squares, counted from the upper left along the rows.
MARKERS = COLUMNS * ROWS // 2
#: First marker number on each paper; the markers are those of OpenCV's 5 x 5 set of 100.
FIRST_MARKER: dict[TargetPaper, int] = {"a4": 0, "letter": 50}
MARKER_SET = "DICT_5X5_100"
#: Width and height, mm: ISO 216; 8 1/2 x 11 in.
PAPER_MM: dict[TargetPaper, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
#: From the lower edge of the paper to the board.
BELOW_BOARD_MM = 36.0


def board_corner_mm(paper: TargetPaper) -> tuple[float, float]:
    """Lower left corner of the board on the paper, from the paper's lower left corner."""
    return (PAPER_MM[paper][0] - COLUMNS * SQUARE_MM) / 2, BELOW_BOARD_MM


def black_squares_mm() -> NDArray[np.float64]:
    """Lower left corners of the black squares, shape (n, 2).

    Examples
    --------
    >>> len(black_squares_mm()), MARKERS
    (32, 31)
    """
    at = [(i, j) for j in range(ROWS) for i in range(COLUMNS) if (i + j) % 2 == 0]
    return np.asarray(at, dtype=np.float64) * SQUARE_MM


def markers_mm() -> NDArray[np.float64]:
    """Lower left corners of the markers in order of their numbers, shape (n, 2)."""
    pad = (SQUARE_MM - MARKER_MM) / 2
    at = [(i, j) for j in reversed(range(ROWS)) for i in range(COLUMNS) if (i + j) % 2 == 1]
    return np.asarray(at, dtype=np.float64) * SQUARE_MM + pad


def paper_outline_mm(paper: TargetPaper) -> NDArray[np.float64]:
    """Corners of the paper in the board's frame, shape (4, 2)."""
    width, height = PAPER_MM[paper]
    x0, y0 = board_corner_mm(paper)
    return np.array([[0, 0], [width, 0], [width, height], [0, height]]) - [x0, y0]
