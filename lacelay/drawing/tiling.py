"""Cut a drawing at true size into windows that fit the printer's pages.

A window is a rectangle of the drawing; neighbours share `OVERLAP_MM`, and in what they
share lie the match marks, so that sheets are joined by laying mark on mark.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from lacelay.drawing.scene import Bounds, Label, Line, Points, Scene, Shape, point

PageName = Literal["A4", "Letter", "A3"]
#: ISO 216 (A3, A4) and ANSI/ASME Y14.1 A ("Letter"), upright, mm.
PAGE_SIZES_MM: dict[PageName, tuple[float, float]] = {
    "A4": (210.0, 297.0),
    "Letter": (215.9, 279.4),
    "A3": (297.0, 420.0),
}
OVERLAP_MM = 12.0
#: Kept free for printers that cannot reach the paper's edge.
MARGIN_MM = 8.0
#: Head and foot of a page: what it is, and what checks its size.
HEAD_MM, FOOT_MM = 19.0, 27.0
#: Between two strips on one page.
STRIP_GAP_MM = 9.0
#: ISO 32000-1 annex C: 14 400 units of 1/72 inch, less the frame.
LONGEST_PAGE_MM = 5080.0


@dataclass(frozen=True)
class Window:
    """A rectangle of the drawing, the place of its lower left corner on its page, a name."""

    bounds_mm: Bounds
    at_mm: tuple[float, float]
    name: str = ""


@dataclass(frozen=True)
class Page:
    """A page's size and the windows on it."""

    size_mm: tuple[float, float]
    windows: tuple[Window, ...]


def room_mm(size_mm: tuple[float, float]) -> tuple[float, float]:
    """Width and height that a page has for windows."""
    return size_mm[0] - 2 * MARGIN_MM, size_mm[1] - 2 * MARGIN_MM - HEAD_MM - FOOT_MM


def steps(length_mm: float, room: float) -> list[float]:
    """Where windows start, from 0 on, to cover a length with overlaps."""
    if length_mm <= room:
        return [0.0]
    count = int(np.ceil((length_mm - OVERLAP_MM) / (room - OVERLAP_MM) - 1e-9))
    return [k * (room - OVERLAP_MM) for k in range(count)]


def tile(scene: Scene, bounds: Bounds, page: PageName) -> list[Page]:
    """Cut a drawing into the fewest pages, upright or on their side.

    Low long drawings are cut into strips, several to a page; others into a grid whose
    empty windows are left out.
    """
    upright = PAGE_SIZES_MM[page]
    choices = [_tiled(scene, bounds, size) for size in (upright, upright[::-1])]
    return min(choices, key=len)


def whole(bounds: Bounds) -> list[Page]:
    """One page as large as the drawing (more only beyond what a PDF page can be)."""
    x0, y0, x1, y1 = bounds
    frame = (2 * MARGIN_MM, 2 * MARGIN_MM + HEAD_MM + FOOT_MM)
    width = min(x1 - x0, LONGEST_PAGE_MM - frame[0])
    height = min(y1 - y0, LONGEST_PAGE_MM - frame[1])
    # Wide enough for the bars and the words beside them.
    size = (max(width + frame[0], PAGE_SIZES_MM["A4"][0]), height + frame[1])
    return [
        Page(size, (Window((x, y, min(x + width, x1), min(y + height, y1)), _corner()),))
        for y in (y0 + dy for dy in steps(y1 - y0, height))
        for x in (x0 + dx for dx in steps(x1 - x0, width))
    ]


def _corner() -> tuple[float, float]:
    return MARGIN_MM, MARGIN_MM + FOOT_MM


def _tiled(scene: Scene, bounds: Bounds, size_mm: tuple[float, float]) -> list[Page]:
    x0, y0, x1, y1 = bounds
    width, height = room_mm(size_mm)
    across, up = steps(x1 - x0, width), steps(y1 - y0, height)
    if len(up) == 1:
        return _strips(bounds, size_mm, across)
    pages = []
    for dy in reversed(up):
        for dx in across:
            cut = (x0 + dx, y0 + dy, min(x0 + dx + width, x1), min(y0 + dy + height, y1))
            if _holds(scene, cut):
                pages.append(Page(size_mm, (Window(cut, _corner()),)))
    return pages


def _strips(bounds: Bounds, size_mm: tuple[float, float], across: Sequence[float]) -> list[Page]:
    x0, y0, x1, y1 = bounds
    width, height = room_mm(size_mm)
    tall = y1 - y0
    each = max(1, int((height + STRIP_GAP_MM) // (tall + STRIP_GAP_MM)))
    pages = []
    for first in range(0, len(across), each):
        windows = []
        for k, dx in enumerate(across[first : first + each]):
            left, bottom = _corner()
            bottom += height - tall - k * (tall + STRIP_GAP_MM)
            cut = (x0 + dx, y0, min(x0 + dx + width, x1), y1)
            name = f"strip {first + k + 1} of {len(across)}" if len(across) > 1 else ""
            windows.append(Window(cut, (left, bottom), name))
        pages.append(Page(size_mm, tuple(windows)))
    return pages


def _holds(scene: Scene, bounds: Bounds) -> bool:
    import shapely

    box = shapely.box(*bounds)
    for shape in scene.shapes:
        points: Points = shape.points_mm
        if isinstance(shape, Label):
            continue
        if len(points) == 1:
            found = box.contains(shapely.Point(points[0]))
        elif isinstance(shape, Line) and not shape.closed:
            found = box.intersects(shapely.LineString(points))
        else:
            found = box.intersects(shapely.LinearRing(points))
        if found:
            return True
    return False


def match_marks(pages: Sequence[Page]) -> tuple[Shape, ...]:
    """Upright crosses in what neighbouring windows share, numbered by the seam.

    They belong to the drawing, so each is printed in both windows.
    """
    windows = [window for page in pages for window in page.windows]
    shapes: list[Shape] = []
    seams: set[tuple[float, float, float, float]] = set()
    for i, one in enumerate(windows):
        for other in windows[i + 1 :]:
            ax0, ay0, ax1, ay1 = one.bounds_mm
            bx0, by0, bx1, by1 = other.bounds_mm
            shared = (max(ax0, bx0), max(ay0, by0), min(ax1, bx1), min(ay1, by1))
            wide, tall = shared[2] - shared[0], shared[3] - shared[1]
            if wide > 0 and tall > 0 and max(wide, tall) > OVERLAP_MM + 1e-6:
                seams.add(shared)
    for k, (x0, y0, x1, y1) in enumerate(sorted(seams)):
        along_y = y1 - y0 > x1 - x0
        for t in (0.3, 0.7):
            x = (x0 + x1) / 2 if along_y else x0 + t * (x1 - x0)
            y = y0 + t * (y1 - y0) if along_y else (y0 + y1) / 2
            for half in (np.array([4.0, 0.0]), np.array([0.0, 4.0])):
                middle = np.array([x, y])
                shapes.append(Line(np.stack([middle - half, middle + half]), "match mark"))
            shapes.append(Label(point(x + 2.6, y + 2.6), "match name", str(k + 1)))
    return tuple(shapes)
