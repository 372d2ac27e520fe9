"""The printed target: a ChArUco board of our own sizes, the same for sheet and reading.

The board fits an A4 and a Letter sheet with margins. Its frame: (x_mm, y_mm), x right and
y up as printed, the origin at the lower left corner of the board's lower left square.
The top left square is black, and markers are numbered from 0 in reading order.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class TargetBoard:
    """Geometry of a ChArUco board; lengths in mm.

    Parameters
    ----------
    columns, rows : int
        Squares across and down.
    square_mm, marker_mm : float
        Sides of a square and of the marker in every white one.
    dictionary : str
        Name of the predefined dictionary of markers, an attribute of `cv2.aruco`.
    bar_mm : float
        Length of the check bar printed below the board.

    Examples
    --------
    >>> TARGET_BOARD.size_mm
    (150.0, 210.0)
    """

    columns: int
    rows: int
    square_mm: float
    marker_mm: float
    dictionary: str
    bar_mm: float

    def __post_init__(self) -> None:
        if self.columns < 2 or self.rows < 2 or not 0 < self.marker_mm < self.square_mm:
            raise ValueError("a board has 2 x 2 squares or more, and markers smaller than these")

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the printed squares."""
        return (self.columns * self.square_mm, self.rows * self.square_mm)


#: The one board that is printed and looked for.
TARGET_BOARD = TargetBoard(
    columns=5, rows=7, square_mm=30.0, marker_mm=22.0, dictionary="DICT_5X5_50", bar_mm=100.0
)
