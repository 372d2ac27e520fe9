"""One page to keep with the lace: the answer, the pictures, the cuts, what to buy."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from io import BytesIO
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lacelay.drawing.cutting_map import draw_cutting_map
from lacelay.drawing.garment_preview import draw_on_garment
from lacelay.drawing.lettering import BOLD, REGULAR, printable
from lacelay.drawing.plan_scene import garment_scene, used_span_mm
from lacelay.drawing.report_three import three_plans_table
from lacelay.drawing.report_words import (
    WHY,
    captions,
    cut_rows,
    is_reason,
    not_told_elsewhere,
    rests_on,
)
from lacelay.drawing.style import INK, PAPER_GREY, Style
from lacelay.drawing.tiling import PAGE_SIZES_MM
from lacelay.drawing.vector import PT, letter, new_document
from lacelay.model.choices import SideBySide
from lacelay.model.picture import LacePicture
from lacelay.model.plan import Plan
from lacelay.units import format_length

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

Image8 = NDArray[np.uint8]
_MARGIN_MM = 13.0
_GUTTER_MM = 5.0
_PX_PER_MM = 8.0
#: 9 points and up.
_SMALL = Style(size=3.2, text=INK)
_LEAD = Style(size=4.6, text=INK, bold=True)
_TITLE = Style(size=6.5, text=INK, bold=True)
_HEADING = Style(size=3.8, text=INK, bold=True)
_ROW_MM = 4.5
#: Least and most height that the pictures are given, garment then map.
_PICTURES_MM = {"garment": (40.0, 80.0), "map": (32.0, 112.0)}
#: The table stands in two columns.
_COLUMNS = 2

CAUTIONS = (
    "Measure the printed bars before you cut by a sheet.",
    "Try it on the toile; cut one, lap, pin, then the next. A cut is final.",
    "Trim under layers last, after sewing.",
    "Cut away from your hand; count needles and pins.",
    "Beads, sequins and metal thread may hold nickel and come off: ask the supplier before "
    "they lie on skin or on a child.",
    "Net burns fast: keep it from flame, ask the supplier, and follow the rules where you "
    "are, for stage and children above all.",
)


def make_report(
    plan: Plan,
    *,
    lines: Sequence[str],
    pictures: Mapping[str, Image8],
    inches: bool = False,
    three: SideBySide | None = None,
) -> bytes:
    """Make the report of a plan as a PDF of one A4 page.

    Parameters
    ----------
    plan : Plan
    lines : sequence of str
        The answer in her words; the first one leads.
    pictures : mapping of str to ndarray of uint8, shape (h, w, 3)
        "garment" and "map", each left out where absent.
    inches : bool
        Lengths in sixteenths of an inch.
    three : SideBySide, optional
        The three plans that this is one of.

    Returns
    -------
    bytes
        The same bytes for the same content. A plan of more cuts than a page holds carries
        on its table on further pages.
    """
    size = PAGE_SIZES_MM["A4"]
    with new_document(f"{plan.target.name}, {plan.lace.name}", size) as (canvas, out):
        page = _Page(canvas, size[0] - 2 * _MARGIN_MM, size[1] - _MARGIN_MM)
        rest, unsaid = _first_page(page, plan, lines, pictures, inches, three)
        while rest or unsaid:
            canvas.showPage()
            page = _Page(canvas, page.width, size[1] - _MARGIN_MM)
            page.write(WHY if unsaid and all(map(is_reason, unsaid)) else "Carried on", _HEADING)
            unsaid = _write_down_to(page, unsaid, _MARGIN_MM)
            rest = _table(page, rest, plan, inches, _MARGIN_MM) if rest and not unsaid else rest
        canvas.save()
    return out.getvalue()


def report_pictures(plan: Plan, picture: LacePicture, *, inches: bool = False) -> dict[str, Image8]:
    """Draw the pictures of the report, lettered large enough for their size on its page."""
    scene = garment_scene(plan)
    x0, _, x1, _ = scene.bounds_mm()
    low, high = used_span_mm(plan)
    # The page is 182 mm wide and the garment takes half of it.
    garment = draw_on_garment(
        plan,
        picture,
        px_per_mm=min(4.0, 1600 / (x1 - x0)),
        annotated=True,
        lettering=max(1.0, min(x1 - x0, 420.0) / 180.0),
    )
    # As many rows as keep the map about three times as wide as high.
    used, tall = high - low, plan.border_depth_mm + 60.0
    rows = max(1, round(float(np.sqrt(used / (3.2 * tall)))))
    row = used / rows + 30.0
    strip = draw_cutting_map(
        plan, picture, row_mm=row, lettering=max(1.0, row / 182.0 * 0.6), inches=inches
    )
    return {"garment": garment, "map": strip}


@dataclass
class _Page:
    """A canvas and how far down it is written; `y` falls."""

    canvas: Canvas
    width: float
    y: float
    x: float = _MARGIN_MM

    def lines(self, text: str, style: Style) -> list[str]:
        name, size = (BOLD if style.bold else REGULAR), style.size * PT
        lines: list[str] = []
        for word in printable(text, bold=style.bold).split():
            trial = f"{lines[-1]} {word}" if lines else word
            if lines and self.canvas.stringWidth(trial, name, size) <= self.width * PT:
                lines[-1] = trial
            else:
                lines.append(word)
        return lines

    def height(self, texts: Sequence[tuple[str, Style]]) -> float:
        return sum(len(self.lines(text, style)) * _leading(style) for text, style in texts)

    def write(self, text: str, style: Style) -> None:
        for line in self.lines(text, style):
            self.y -= _leading(style)
            letter(self.canvas, line, (self.x, self.y + 0.3 * style.size), style)


def _leading(style: Style) -> float:
    return 1.34 * style.size


def _first_page(
    page: _Page,
    plan: Plan,
    lines: Sequence[str],
    pictures: Mapping[str, Image8],
    inches: bool,
    three: SideBySide | None,
) -> tuple[list[tuple[str, ...]], list[str]]:
    page.write(plan.target.name, _TITLE)
    page.write(f"{plan.lace.name} · right side up in every picture", _SMALL)
    if plan.lace.scale.warning is not None:
        page.write(plan.lace.scale.warning, _HEADING)
    page.y -= 2.0
    if lines:
        page.write(lines[0], _LEAD)
    page.y -= 2.0
    if three is not None:
        three_plans_table(page, three)
    rows = cut_rows(plan, inches)
    half = (page.width - _GUTTER_MM) / 2
    left = [("Take care", _HEADING), *((text, _SMALL) for text in CAUTIONS)]
    right = [("What this rests on", _HEADING), *((text, _SMALL) for text in rests_on(plan))]
    column = replace(page, width=half)
    foot = max(column.height(left), column.height(right)) + 4.0
    free = page.y - _MARGIN_MM - foot
    heads = page.height([(text, _SMALL) for text in captions(plan, rows, inches)])
    table = 14.0 + heads + _ROW_MM * -(-len(rows) // _COLUMNS)
    heights = _share(free - table, pictures)
    said = not_told_elsewhere(plan, lines[1:], three)
    # Beside the garment, words may go as far down as leaves the map its least height.
    least = _PICTURES_MM["map"][0] + 6.0 if "map" in pictures else 3.0
    lowest = _MARGIN_MM + foot + table + least
    unsaid = _beside_garment(
        page, plan, said, pictures.get("garment"), heights["garment"], lowest, inches
    )
    if "map" in pictures:
        room = min(heights["map"], page.y - _MARGIN_MM - foot - table)
        tall = max(room, _PICTURES_MM["map"][0])
        _picture(page.canvas, pictures["map"], page.x, page.y, page.width, tall)
        page.y -= _drawn_height(pictures["map"], page.width, tall) + 3.0
    rest = _table(page, rows, plan, inches, _MARGIN_MM + foot)
    bottom = _MARGIN_MM + foot - 2.0 if rest else page.y - 3.0
    for k, block in enumerate((left, right)):
        part = replace(page, width=half, y=bottom, x=page.x + k * (half + _GUTTER_MM))
        for text, style in block:
            part.write(text, style)
    return rest, unsaid


def _share(free_mm: float, pictures: Mapping[str, Image8]) -> dict[str, float]:
    """Heights of the pictures within what is free, between their least and most."""
    least = sum(_PICTURES_MM[name][0] for name in _PICTURES_MM if name in pictures)
    most = sum(_PICTURES_MM[name][1] for name in _PICTURES_MM if name in pictures)
    t = min(1.0, max(0.0, (free_mm - 6.0 - least) / max(most - least, 1e-9)))
    return {name: low + t * (high - low) for name, (low, high) in _PICTURES_MM.items()}


def _beside_garment(
    page: _Page,
    plan: Plan,
    lines: Sequence[str],
    picture: Image8 | None,
    height: float,
    lowest: float,
    inches: bool,
) -> list[str]:
    """Set the garment at the left, at its right what to buy and further lines.

    Returns the lines that would have gone below `lowest`.
    """
    top, split = page.y, 0.0
    used = 0.0
    if picture is not None:
        wide = min(0.5 * page.width, height * picture.shape[1] / picture.shape[0])
        _picture(page.canvas, picture, page.x, top, wide, height)
        used = _drawn_height(picture, wide, height)
        split = wide + _GUTTER_MM
    side = replace(page, width=page.width - split, x=page.x + split)
    if plan.purchase is not None:
        side.write(f"Buy {_to_buy(plan.purchase.to_buy_mm, inches)}", _LEAD)
        for reason in plan.purchase.reasons:
            side.write(reason, _SMALL)
        side.y -= 1.5
    unsaid = _write_down_to(side, lines, lowest)
    page.y = min(top - used, side.y) - 3.0
    return unsaid


def _write_down_to(page: _Page, lines: Sequence[str], lowest: float) -> list[str]:
    """Write lines while they stay above `lowest`; return the others."""
    for k, line in enumerate(lines):
        if page.y - page.height([(line, _SMALL)]) < lowest:
            return list(lines[k:])
        page.write(line, _SMALL)
        page.y -= 0.6
    return []


def _drawn_height(picture: Image8, width: float, height: float) -> float:
    return float(min(height, width * picture.shape[0] / picture.shape[1]))


def _picture(
    canvas: Canvas, picture: Image8, x: float, top: float, width: float, height: float
) -> None:
    """Set a picture with its top left corner at (x, top), as large as the box allows."""
    from PIL import Image
    from reportlab.lib.utils import ImageReader

    tall = _drawn_height(picture, width, height)
    wide = tall * picture.shape[1] / picture.shape[0]
    image = Image.fromarray(picture)
    image.thumbnail((round(wide * _PX_PER_MM), round(tall * _PX_PER_MM)), Image.Resampling.LANCZOS)
    packed = BytesIO()
    image.save(packed, "JPEG", quality=90)
    packed.seek(0)
    canvas.drawImage(ImageReader(packed), x * PT, (top - tall) * PT, wide * PT, tall * PT)


def _to_buy(mm: float, inches: bool) -> str:
    return format_length(mm, inches=True) if inches else f"{mm / 10:g} cm"


def _table(
    page: _Page, rows: list[tuple[str, ...]], plan: Plan, inches: bool, bottom_mm: float
) -> list[tuple[str, ...]]:
    """Write rows in columns down to `bottom_mm`; return those that did not fit."""
    for caption in captions(plan, rows, inches):
        page.write(caption, _SMALL)
    head = ("cut", "place", "inner side", "edge", "top", "beads")
    columns = _COLUMNS
    width = (page.width - (columns - 1) * _GUTTER_MM) / columns
    room = max(0, int((page.y - bottom_mm - 9.0) // _ROW_MM))
    each = min(room, -(-len(rows) // columns))
    if not each:
        return rows
    share = np.array([0.07, 0.262, 0.245, 0.22, 0.083, 0.12])
    starts = np.concatenate([[0.0], np.cumsum(share)[:-1]]) * width
    for c in range(columns):
        block = rows[c * each : (c + 1) * each]
        if not block:
            break
        x, y = page.x + c * (width + _GUTTER_MM), page.y - 4.0
        for start, word in zip(starts, head, strict=True):
            letter(page.canvas, word, (x + start, y), replace(_SMALL, bold=True))
        page.canvas.setStrokeColorRGB(*(v / 255 for v in PAPER_GREY))
        page.canvas.setLineWidth(0.2 * PT)
        page.canvas.line(x * PT, (y - 1.4) * PT, (x + width) * PT, (y - 1.4) * PT)
        for row in block:
            y -= _ROW_MM
            for start, word in zip(starts, row, strict=True):
                letter(page.canvas, word, (x + start, y - 0.6), _SMALL)
    page.y -= 8.0 + each * _ROW_MM
    return rows[columns * each :]
