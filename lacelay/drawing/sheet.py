"""The sheets at true size: where to cut the lace, and how it is laid along the edge.

Part 1 goes under the lace: border line, cuts, valleys. Part 2 goes under the garment's
edge: every stretch as it is laid, laps and openings, balance marks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lacelay.drawing.page_frame import SMALL_MM, draw_frame, draw_page_map
from lacelay.drawing.plan_scene import cut_role, garment_scene, lace_scene
from lacelay.drawing.scene import Area, Bounds, Cross, Dot, Label, Line, Scene, Shape, point
from lacelay.drawing.style import INK, PAPER_GREY, PAPER_STYLES, SHEET_TINT, Role, Style
from lacelay.drawing.tiling import (
    MARGIN_MM,
    PAGE_SIZES_MM,
    Page,
    PageName,
    Window,
    match_marks,
    tile,
    whole,
)
from lacelay.drawing.vector import PT, draw_scene, draw_shape, letter, new_document
from lacelay.model.plan import Plan

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

_PAD_MM = 6.0
#: Words along the edge reach further past their middle.
_PAD_NAMES_MM = 16.0
_SMALL = Style(size=SMALL_MM, text=INK)
_BODY = Style(size=3.6, text=INK)
_TITLE = Style(size=7.0, bold=True, text=INK)
_HEADING = Style(size=4.4, bold=True, text=INK)


def make_sheet(
    plan: Plan,
    *,
    page: PageName = "A4",
    tiled: bool = True,
    tinted: bool = False,
    inches: bool = False,
) -> bytes:
    """Make the true-size sheets of a plan as one PDF.

    Parameters
    ----------
    plan : Plan
    page : {"A4", "Letter", "A3"}
        Paper for tiles, and for the first page in any case.
    tiled : bool
        Pages to join by their match marks; else one page of each part as large as it is.
    tinted : bool
        A tinted ground, so that white lace shows on it.
    inches : bool
        Laps and openings in sixteenths of an inch.

    Returns
    -------
    bytes
        The same bytes for the same plan.
    """
    parts = sheet_parts(plan, page=page, tiled=tiled, inches=inches)
    name = f"{plan.target.name}, {plan.lace.name}"
    size = PAGE_SIZES_MM[page]
    with new_document(f"Sheets at true size: {name}", size) as (canvas, out):
        _first_page(canvas, plan, parts, size, tiled)
        for part in parts:
            _draw_part(canvas, part, name, tinted, plan.lace.scale.warning)
        canvas.save()
    return out.getvalue()


@dataclass(frozen=True, eq=False)
class SheetPart:
    """One drawing and the pages it is cut into.

    Parameters
    ----------
    title, heading : str
        What it is, and what stands large on each page.
    scene : Scene
        Match marks included.
    bounds_mm : tuple of float
        What the windows cover.
    pages : sequence of Page
    """

    title: str
    heading: str
    scene: Scene
    bounds_mm: Bounds
    pages: Sequence[Page]


def sheet_parts(
    plan: Plan, *, page: PageName = "A4", tiled: bool = True, inches: bool = False
) -> list[SheetPart]:
    """Cut both drawings of a plan into pages: the cutting sheet, then the placement sheet."""
    scenes = {
        "Cutting sheet": lace_scene(plan, inches=inches),
        "Placement sheet": garment_scene(plan).without("cloth"),
    }
    parts = []
    for title, scene in scenes.items():
        x0, y0, x1, y1 = scene.bounds_mm()
        pad = _PAD_NAMES_MM if scene.of("balance name") else _PAD_MM
        bounds = (x0 - pad, y0 - pad, x1 + pad, y1 + pad)
        pages = tile(scene, bounds, page) if tiled else whole(bounds)
        marked = Scene(scene.name, (*scene.shapes, *match_marks(pages)))
        parts.append(SheetPart(title, "RIGHT SIDE UP", marked, bounds, pages))
    return parts


def _draw_part(
    canvas: Canvas, part: SheetPart, name: str, tinted: bool, warning: str | None
) -> None:
    for k, page in enumerate(part.pages):
        canvas.setPageSize((page.size_mm[0] * PT, page.size_mm[1] * PT))
        for window in page.windows:
            _draw_window(canvas, part.scene, window, tinted)
        words = f"{part.title}, page {k + 1} of {len(part.pages)} · {name}"
        draw_frame(canvas, page.size_mm, part.heading, words, warning)
        if len(part.pages) > 1:
            draw_page_map(canvas, part.pages, part.bounds_mm, k, page.size_mm)
        canvas.showPage()


def _draw_window(canvas: Canvas, scene: Scene, window: Window, tinted: bool) -> None:
    x0, y0, x1, y1 = window.bounds_mm
    left, bottom = window.at_mm
    canvas.saveState()
    frame = canvas.beginPath()
    frame.rect(left * PT, bottom * PT, (x1 - x0) * PT, (y1 - y0) * PT)
    if tinted:
        canvas.setFillColorRGB(*(c / 255 for c in SHEET_TINT))
        canvas.drawPath(frame, stroke=0, fill=1)
    canvas.clipPath(frame, stroke=0, fill=0)
    canvas.translate((left - x0) * PT, (bottom - y0) * PT)
    # Words reach past their point: keep shapes a little outside, the clip takes the rest.
    near = (x0 - 20, y0 - 20, x1 + 20, y1 + 20)
    kept = tuple(shape for shape in scene.shapes if _touches(shape, near))
    draw_scene(canvas, Scene(scene.name, kept), PAPER_STYLES)
    canvas.restoreState()
    canvas.setStrokeColorRGB(*(c / 255 for c in PAPER_GREY))
    canvas.setLineWidth(0.2 * PT)
    canvas.setDash()
    canvas.rect(left * PT, bottom * PT, (x1 - x0) * PT, (y1 - y0) * PT)
    if window.name:
        letter(canvas, window.name, (left, bottom + y1 - y0 + 1.5), _SMALL)


def _touches(shape: Shape, bounds: Bounds) -> bool:
    low, high = shape.points_mm.min(axis=0), shape.points_mm.max(axis=0)
    x0, y0, x1, y1 = bounds
    return bool(high[0] >= x0 and low[0] <= x1 and high[1] >= y0 and low[1] <= y1)


def _first_page(
    canvas: Canvas,
    plan: Plan,
    parts: Sequence[SheetPart],
    size: tuple[float, float],
    tiled: bool,
) -> None:
    """Say how to use the sheets, and what each line means."""
    x, y = MARGIN_MM + 4.0, size[1] - MARGIN_MM - 22.0
    draw_frame(canvas, size, "READ FIRST", "Sheets at true size", plan.lace.scale.warning)
    letter(canvas, plan.target.name, (x, y), _TITLE)
    y -= 7.0
    letter(canvas, plan.lace.name, (x, y), _BODY)
    y -= 11.0
    counts = [f"{part.title}: {_pages(len(part.pages))}" for part in parts]
    lines = [
        "; ".join(counts) + ".",
        "All are seen with the right side of the lace facing you. Nothing is turned over.",
    ]
    if tiled:
        lines.append("Join pages by laying cross on cross of the same number, then tape them.")
    lines += [
        "Cutting sheet: lay the lace on it, valleys on the crosses, and mark the cuts with",
        "thread. Ink can rub onto damp lace: lay clear film over the sheet, never steam on it.",
        "Placement sheet: the edge and every stretch as it comes to lie. Lay it along the",
        "thread-traced edge and walk one stretch before you make any cut.",
        "Cut one, lap, pin, then the next. A cut into beaded lace is final.",
    ]
    for line in lines:
        letter(canvas, line, (x, y), _BODY)
        y -= 5.6
    y -= 5.0
    letter(canvas, "What the lines say", (x, y), _HEADING)
    y -= 8.0
    for role, words in _key(plan):
        _sample(canvas, role, (x, y + 1.2))
        letter(canvas, words, (x + 26.0, y), _BODY)
        y -= 7.4
    canvas.showPage()


def _pages(count: int) -> str:
    return "1 page" if count == 1 else f"{count} pages"


def _sample(canvas: Canvas, role: Role, at: tuple[float, float]) -> None:
    x, y = at
    middle = point(x + 10.0, y)
    shape: Shape
    if role in ("valley", "tip"):
        shape = Cross(middle, role)
    elif role == "bead in the way":
        shape = Dot(middle, role, 4.5)
    elif role in ("cut number", "piece number"):
        shape = Label(middle, role, "1")
    elif role in ("lap", "gap"):
        corners = [[0.0, -1.8], [20.0, -1.8], [20.0, 1.8], [0.0, 1.8]]
        shape = Area(point(x, y) + corners, role)
    elif role == "stop":
        shape = Line(point(x + 10.0, y) + [[0.0, -1.8], [0.0, 1.8]], role)
    else:
        shape = Line(point(x, y) + [[0.0, 0.0], [20.0, 0.0]], role)
    draw_shape(canvas, shape, PAPER_STYLES[role])


def _key(plan: Plan) -> list[tuple[Role, str]]:
    present = {cut_role(cut) for cut in plan.cuts if cut.kind != "uncut"}
    cuts: list[tuple[Role, str]] = [
        ("cut that laps", "cut whose sides lap"),
        ("cut that opens", "cut that opens: long dashes"),
        ("cut that does both", "cut that opens and laps: long and short dashes"),
        ("cut right through", "cut right through: short dashes, on past the scallops"),
    ]
    rows = [row for row in cuts if row[0] in present]
    if present - {"cut right through"}:
        rows.append(("stop", "bar at the end of a cut: stop here, leave the scallop whole"))
    rows += [
        ("border line", "border line: take the border off the length here"),
        ("run", "outline of the border"),
        ("edge", "the edge of the garment"),
        ("gap", "shaded: cloth left bare, to be filled"),
        ("lap", "hatched: lace over lace; trim the under layer last, after sewing"),
        ("valley", "valley of a scallop"),
        ("piece number", "number of a stretch, outside the scallops"),
        ("cut number", "number of a cut"),
    ]
    if plan.lace.motifs:
        rows.append(("motif", "outline of a motif"))
    if any(cut.beads_in_way for cut in plan.cuts):
        rows.append(("bead in the way", "bead in the way: fasten its thread and take it off first"))
    return rows
