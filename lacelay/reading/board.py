"""Find the printed target sheet: a board of squares with markers, partly covered or not."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.errors import ScaleError
from lacelay.model.target_board import (
    COLUMNS,
    FIRST_MARKER,
    MARKER_MM,
    MARKER_SET,
    MARKERS,
    ROWS,
    SQUARE_MM,
    TargetPaper,
    markers_mm,
    paper_outline_mm,
)
from lacelay.reading.found import Found
from lacelay.reading.halves import Halves
from lacelay.reading.lens import PlaneFit, Sights, first_homography, fit_plane

Floats = NDArray[np.float64]

#: Printers feed paper 0.1 to 0.2 % long or short, and paper grows with damp: an assumption,
#: common practice; the printed bar is there to be measured.
PRINT_SIGMA = 0.0015
#: What a corner found to a fraction of a pixel is still worth.
CORNER_SIGMA_PX = 0.15
#: Fewest corners, and markers, that make a board a reference.
FEWEST_CORNERS = 6
FEWEST_MARKERS = 4
#: Longer sides of the pictures that markers are read in and that is searched for black squares
#: first, px, and how much blacker than their surroundings these are, grey levels.
MARKERS_PX, GATE_PX, BLACK_STEP = 1600, 1000, 20
#: Least side of a marker over its longest, in a photo taken at a slant.
LEAST_SQUARE = 0.55
#: Of its markers, the share that must be seen for nothing to lie on it.
BARE_SHARE = 0.95


@dataclass(frozen=True)
class BoardLayout:
    """A board of squares: how many, how large, which markers; `size` is (columns, rows)."""

    size: tuple[int, int]
    square_mm: float
    marker_mm: float
    marker_set: str
    first_marker: int
    markers: int

    def board(self) -> cv2.aruco.CharucoBoard:
        """OpenCV's own board of this layout; its y runs down."""
        numbers = np.arange(self.first_marker, self.first_marker + self.markers)
        dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, self.marker_set))
        return cv2.aruco.CharucoBoard(
            self.size, self.square_mm, self.marker_mm, dictionary, numbers.astype(np.int32)
        )


def target_layout(paper: TargetPaper) -> BoardLayout:
    """The layout of our own target sheet."""
    return BoardLayout(
        (COLUMNS, ROWS), SQUARE_MM, MARKER_MM, MARKER_SET, FIRST_MARKER[paper], MARKERS
    )


@dataclass(frozen=True, eq=False)
class BoardSeen:
    """Corners of squares seen, n of them, and the numbers of the markers seen.

    `board_mm` has y up, from the board's lower left corner.
    """

    corners_px: Floats
    board_mm: Floats
    markers: tuple[int, ...]


def see_board(halves: Halves, layout: BoardLayout) -> BoardSeen | None:
    """Find the corners of a board, coarsely in a smaller picture, then to sub-pixel.

    Parameters
    ----------
    halves : Halves
        The photo and its smaller pictures.
    layout : BoardLayout
    """
    seen = see_markers(halves, layout.marker_set)
    return None if seen is None else _corners(halves, seen, layout)


Markers = tuple[tuple[NDArray[np.float32], ...], NDArray[np.int32]]


def see_markers(halves: Halves, marker_set: str) -> Markers | None:
    """Square markers of a set: their corners in the picture of `MARKERS_PX`, their numbers.

    A grid's cells are thousands of squares, each of which the marker reader would try to
    read; so only the part of the photo that holds black squares on white is given to it.
    """
    small = halves.gray[halves.nearest(MARKERS_PX)]
    box = _black_on_white(halves.gray[halves.nearest(GATE_PX)], small.shape[:2])
    if box is None:
        return None
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin = 13
    parameters.adaptiveThreshWinSizeMax = 33
    parameters.adaptiveThreshWinSizeStep = 20
    parameters.minMarkerPerimeterRate = 0.035
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, marker_set))
    part = np.ascontiguousarray(small[box])
    corners, numbers, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(part)
    if numbers is None or len(corners) == 0:
        return None
    shift = np.array([box[1].start, box[0].start], dtype=np.float32)
    return tuple(corner + shift for corner in corners), np.asarray(numbers, dtype=np.int32).reshape(
        -1
    )


def _black_on_white(gray: NDArray[np.uint8], shape: tuple[int, ...]) -> tuple[slice, slice] | None:
    """Where black squares on white lie, with room round them, in a picture of another shape.

    None where there are none.
    """
    shrink = gray.shape[1] / shape[1]
    black = cv2.adaptiveThreshold(
        gray, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, 31, BLACK_STEP
    )
    contours, _ = cv2.findContours(black, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    squares = []
    for contour in contours:
        if not 40 <= len(contour) <= 600:
            continue
        corners = cv2.approxPolyDP(contour, 0.05 * len(contour), True)[:, 0]
        if len(corners) == 4 and cv2.isContourConvex(corners):
            squares.append(corners)
    if not squares:
        return None
    quads = np.asarray(squares, dtype=np.float64)
    middle = quads.mean(axis=1, keepdims=True)
    # The rim of a marker is black all round, and what lies round it is white.
    halfway = (quads + np.roll(quads, -1, axis=1)) / 2
    height, width = gray.shape

    def level(share: float) -> NDArray[np.int64]:
        at = (middle + share * (np.concatenate([quads, halfway], axis=1) - middle)).round()
        x = np.clip(at[..., 0], 0, width - 1).astype(int)
        y = np.clip(at[..., 1], 0, height - 1).astype(int)
        return np.asarray(gray[y, x], dtype=np.int64)

    marked = (level(1.25).min(axis=1) - level(0.84).max(axis=1)) > 2 * BLACK_STEP
    quads = quads[marked]
    quads = quads[_alike(quads)]
    if len(quads) < FEWEST_MARKERS:
        return None
    at = quads.reshape(-1, 2) / shrink
    side = float(np.sqrt(np.median([cv2.contourArea(s.astype(np.float32)) for s in quads])))
    room = 3.0 * side / shrink
    x0, y0 = np.maximum(at.min(axis=0) - room, 0).astype(int)
    x1, y1 = (at.max(axis=0) + room).astype(int)
    return slice(y0, min(y1, shape[0])), slice(x0, min(x1, shape[1]))


def _alike(quads: Floats) -> NDArray[np.bool_]:
    """Which squares have others of their size turned the same way beside them.

    The holes of lace are squares now and then, but no two of them lie like a board's.
    """
    sides = np.roll(quads, -1, axis=1) - quads
    lengths = np.hypot(sides[..., 0], sides[..., 1])
    size = lengths.mean(axis=1)
    askew = np.hypot(*(quads[:, 0] - quads[:, 1] + quads[:, 2] - quads[:, 3]).T)
    square = (lengths.min(axis=1) > LEAST_SQUARE * lengths.max(axis=1)) & (askew < 0.3 * size)
    turn = np.arctan2(sides[:, 0, 1], sides[:, 0, 0])
    turned = np.abs((turn[:, None] - turn[None] + np.pi / 4) % (np.pi / 2) - np.pi / 4)
    middle = quads.mean(axis=1)
    apart = np.hypot(*(middle[:, None] - middle[None]).transpose(2, 0, 1))
    beside = (apart < 4 * size[:, None]) & (turned < np.deg2rad(15)) & square[None]
    beside &= np.abs(np.log(size[:, None] / size[None])) < 0.4
    return np.asarray(square & (beside.sum(axis=1) >= 3))


def _corners(halves: Halves, seen: Markers, layout: BoardLayout) -> BoardSeen | None:
    corners, numbers = seen
    level = halves.nearest(MARKERS_PX)
    gray, small = halves.gray[0], halves.gray[level]
    own = (numbers >= layout.first_marker) & (numbers < layout.first_marker + layout.markers)
    if own.sum() < FEWEST_MARKERS:
        return None
    kept = tuple(corner for corner, is_own in zip(corners, own, strict=True) if is_own)
    detector = cv2.aruco.CharucoDetector(layout.board())
    found, at, _, _ = detector.detectBoard(
        small, markerCorners=kept, markerIds=numbers[own].reshape(-1, 1)
    )
    if found is None or at is None or len(found) < FEWEST_CORNERS:
        return None
    place = np.asarray(found, dtype=np.float64).reshape(-1, 2)
    rough = (place + 0.5) * 2**level - 0.5
    index = np.asarray(at, dtype=np.int64).reshape(-1)
    across, up = layout.size
    column, row = index % (across - 1), index // (across - 1)
    board_mm = np.stack([column + 1.0, up - 1.0 - row], -1) * layout.square_mm
    # A window that stays clear of the markers: their rim is a corner too.
    clear = (layout.square_mm - layout.marker_mm) / 2 / layout.square_mm
    apart = _square_px(rough, column, row)
    half = int(np.clip(0.7 * clear * apart, 2, 15))
    fine = cv2.cornerSubPix(
        gray,
        rough.astype(np.float32).reshape(-1, 1, 2),
        (half, half),
        (-1, -1),
        (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.005),
    )
    fine_px = np.asarray(fine, dtype=np.float64).reshape(-1, 2)
    near = np.hypot(*(fine_px - rough).T) < half
    if near.sum() < FEWEST_CORNERS:
        return None
    markers = tuple(int(number) for number in np.sort(numbers[own]))
    return BoardSeen(fine_px[near], board_mm[near], markers)


def _square_px(points: Floats, column: NDArray[np.int64], row: NDArray[np.int64]) -> float:
    """Least side of a square in the photo, px."""
    apart = np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1))
    steps = np.abs(column[:, None] - column[None]) + np.abs(row[:, None] - row[None])
    neighbours = apart[steps == 1]
    return float(np.percentile(neighbours, 10)) if len(neighbours) else 10.0


def find_board(halves: Halves) -> Found | None:
    """Find our own target sheet in a photo and its smaller pictures."""
    gray = halves.gray[0]
    seen = see_markers(halves, MARKER_SET)
    if seen is None:
        return None
    best: tuple[BoardSeen, TargetPaper] | None = None
    papers: tuple[TargetPaper, ...] = ("a4", "letter")
    for paper in papers:
        board = _corners(halves, seen, target_layout(paper))
        if board is not None and (best is None or len(board.corners_px) > len(best[0].corners_px)):
            best = board, paper
    if best is None:
        return None
    board, paper = best
    plane = board_plane(board, (gray.shape[1], gray.shape[0]))
    if plane is None or plane.residual_px > 2.0:
        return None
    kept = plane.kept[: len(board.corners_px)]
    points = {
        f"{x / SQUARE_MM:.0f}-{y / SQUARE_MM:.0f}": (float(at[0]), float(at[1]))
        for (x, y), at in zip(board.board_mm[kept], board.corners_px[kept], strict=True)
    }
    bare = len(board.markers) >= BARE_SHARE * MARKERS
    return _found(plane, paper, points, board.markers, bare)


def _found(
    plane: PlaneFit,
    paper: TargetPaper,
    points: dict[str, tuple[float, float]],
    markers: tuple[int, ...],
    bare: bool,
) -> Found:
    if bare:
        areas: tuple[Floats, ...] = (plane.to_photo(paper_outline_mm(paper)),)
    else:
        low = markers_mm() - (SQUARE_MM - MARKER_MM) / 2
        square = SQUARE_MM * np.array([[0, 0], [1, 0], [1, 1], [0, 1.0]])
        seen = [low[number - FIRST_MARKER[paper]] for number in markers]
        areas = tuple(plane.to_photo(corner + square) for corner in seen)
    middle = np.mean(list(points.values()), axis=0)
    return Found(
        kind="board",
        name=f"target sheet ({'A4' if paper == 'a4' else 'Letter'})",
        photo_to_mat=plane.photo_to_mat,
        centre_px=plane.centre_px,
        focal_px=plane.focal_px,
        relative_sigma=float(np.hypot(plane.relative_sigma, PRINT_SIGMA)),
        middle_px=(float(middle[0]), float(middle[1])),
        areas_px=areas,
        points_px=points,
        radial=plane.radial,
        # Seen cells are the board's own even where lace lies on others.
        bare=True,
        residual_px=plane.residual_px,
    )


def board_plane(board: BoardSeen, size_px: tuple[int, int]) -> PlaneFit | None:
    """The map that a board's corners give, its lens too where they tell it."""
    start = first_homography(board.corners_px, board.board_mm, 5.0)
    if start is None:
        return None
    return fit_plane(
        Sights.of_points(board.corners_px, board.board_mm),
        start,
        size_px,
        sigma_px=CORNER_SIGMA_PX,
    )


def moved_board(
    found: Found, points_px: dict[str, tuple[float, float]], size_px: tuple[int, int]
) -> Found:
    """The board again, from its corners as she moved them."""
    names = list(points_px)
    at = np.array([points_px[name] for name in names])
    board_mm = np.array([[float(n) for n in name.split("-")] for name in names]) * SQUARE_MM
    plane = board_plane(BoardSeen(at, board_mm, ()), size_px)
    paper: TargetPaper = "a4" if "A4" in found.name else "letter"
    if plane is None:
        raise ScaleError(
            "The corners of the target sheet as moved fit no flat sheet.",
            "Move each corner back onto its own crossing of squares.",
        )
    bare = len(found.areas_px) == 1
    again = _found(plane, paper, points_px, (), True)
    return again if bare else replace(again, areas_px=found.areas_px)
