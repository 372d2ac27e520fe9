"""Where to cut: the length of lace from the photo's pixels, with every cut on it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lacelay.drawing import legend
from lacelay.drawing.garment_preview import contrasting_cloth
from lacelay.drawing.lace_pixels import LacePixels
from lacelay.drawing.legend import Entry
from lacelay.drawing.plan_scene import along_and_inward, cut_role, lace_scene
from lacelay.drawing.raster import coverage, letter, paint
from lacelay.drawing.repeats import find_repeats
from lacelay.drawing.scale_bar import scale_bar
from lacelay.drawing.scene import Label, Points, Scene
from lacelay.drawing.style import INK, PAPER_STYLES, PICTURE_STYLES, SOFT_GROUND, Role, Style
from lacelay.model.picture import LacePicture
from lacelay.model.plan import Plan

Image8 = NDArray[np.uint8]
ROW_MM = 520.0
_OVERLAP_MM = 24.0
#: Words this near to where a row breaks stand in the neighbouring row only.
_CLEAR_MM = 11.0
_BEYOND_MM = 22.0
_VEIL = 0.62
_TITLE = Style(size=6.0, bold=True, text=INK)


def draw_cutting_map(
    plan: Plan,
    picture: LacePicture,
    *,
    px_per_mm: float = 5.0,
    row_mm: float = ROW_MM,
    lettering: float = 1.0,
    inches: bool = False,
) -> Image8:
    """Draw the lace length that is used, right side up, with all that is cut.

    Parameters
    ----------
    plan : Plan
    picture : LacePicture
    px_per_mm : float
        Resolution of the result.
    row_mm : float
        A longer length is wrapped into rows no longer than this.
    lettering : float
        Lines and letters this much larger than usual, for a picture to be shown small.
    inches : bool
        Laps and openings in sixteenths of an inch.

    Returns
    -------
    ndarray of uint8, shape (h, w, 3)
        Rows of lace from its left end on, a key below them.
    """
    repeats = find_repeats(plan, picture)
    scene = lace_scene(plan, repeats, unit_mm=lettering, inches=inches).without("motif", "run")
    pixels = LacePixels(picture, repeats, px_per_mm)
    x0, y0, x1, y1 = scene.bounds_mm()
    _, inward = along_and_inward(plan)
    y0, y1 = (
        (y0 - 4 - 4 * lettering, y1 + _BEYOND_MM / 2)
        if inward[1] > 0
        else (y0 - _BEYOND_MM / 2, y1 + 4 + 4 * lettering)
    )
    x0, x1 = x0 - 4, x1 + 4
    count = max(1, int(np.ceil((x1 - x0 - _OVERLAP_MM) / (row_mm - _OVERLAP_MM))))
    length = (x1 - x0 + (count - 1) * _OVERLAP_MM) / count
    unit = px_per_mm * lettering
    rows = []
    for k in range(count):
        left = x0 + k * (length - _OVERLAP_MM)
        row = _row(plan, picture, pixels, scene, (left, y0, left + length, y1), px_per_mm, unit)
        if count > 1:
            words = f"row {k + 1} of {count}"
            style = replace(PICTURE_STYLES["note"], size=4.0)
            letter(row, words, np.array([2.5 * unit, 2.0 * unit]), style, unit, anchor="la")
        rows.append(row)
        if k < count - 1:
            rows.append(np.full((round(5 * unit), row.shape[1], 3), SOFT_GROUND, np.uint8))
    return _framed(plan, np.concatenate(rows), unit, px_per_mm)


def _row(
    plan: Plan,
    picture: LacePicture,
    pixels: LacePixels,
    scene: Scene,
    bounds: tuple[float, float, float, float],
    px_per_mm: float,
    unit_px: float,
) -> Image8:
    x0, y0, x1, y1 = bounds
    h, w = round((y1 - y0) * px_per_mm), round((x1 - x0) * px_per_mm)
    columns, rows = np.meshgrid(np.arange(w), np.arange(h))
    lace = np.stack([x0 + columns / px_per_mm, y1 - rows / px_per_mm], axis=-1)
    ground = np.asarray(contrasting_cloth(picture), np.float32) / 255
    sampled = pixels.at(lace)
    seen = sampled[..., :3] + (1 - sampled[..., 3:]) * ground

    def to_px(points: Points) -> Points:
        return np.stack([points[:, 0] - x0, y1 - points[:, 1]], axis=1) * px_per_mm

    # What is not laid is veiled, so that the border stands out of its lace.
    laid = np.zeros((h, w), np.float32)
    for run in plan.runs:
        if run.outline_mm[:, 0].max() >= x0 and run.outline_mm[:, 0].min() <= x1:
            laid = np.maximum(laid, coverage(to_px(run.outline_mm), (h, w)))
    veil = _VEIL * (1 - laid[..., None])
    rgb = np.round(255 * (seen + veil * (ground - seen))).clip(0, 255).astype(np.uint8)
    first, last = scene.bounds_mm()[0] > x0, scene.bounds_mm()[2] < x1
    low, high = x0 + _CLEAR_MM * (not first), x1 - _CLEAR_MM * (not last)
    kept = [
        shape
        for shape in scene.shapes
        if not isinstance(shape, Label) or low <= shape.points_mm[0, 0] <= high
    ]
    kept_scene = Scene(scene.name, tuple(kept))
    return paint(rgb, kept_scene, PICTURE_STYLES, to_px=to_px, unit_px=unit_px)


def _framed(plan: Plan, rows: Image8, unit: float, px_per_mm: float) -> Image8:
    """Add the words above and the key and the scale bar below."""
    margin, head = round(6 * unit), round(13 * unit)
    entries = _key(plan)
    column = 120 * unit
    columns = max(1, min(len(entries), int(rows.shape[1] // column)))
    share = -(-len(entries) // columns)
    blocks = [entries[i : i + share] for i in range(0, len(entries), share)]
    foot = max(legend.height_px(block, column - 4 * unit, unit) for block in blocks)
    foot += round(18 * unit)
    h, w = rows.shape[:2]
    w = max(w, round(125 * unit))
    canvas = np.full((head + h + foot + margin, w + 2 * margin, 3), SOFT_GROUND, np.uint8)
    canvas[head : head + h, margin : margin + rows.shape[1]] = rows
    letter(canvas, "RIGHT SIDE UP", np.array([margin, head / 2]), _TITLE, unit, anchor="lm")
    name = replace(_TITLE, size=4.2, bold=False)
    letter(
        canvas,
        f"{plan.lace.name} · {plan.target.name}",
        np.array([w + margin, head / 2]),
        name,
        unit,
        anchor="rm",
    )
    top = head + h

    def bar_px(points: Points) -> Points:
        corner = np.array([margin, top + 12 * unit])
        return np.asarray(corner + points * np.array([px_per_mm, -px_per_mm]))

    bar = Scene("bar", scale_bar((0.0, 0.0), 100.0))
    canvas = paint(canvas, bar, PAPER_STYLES, to_px=bar_px, unit_px=unit)
    for k, block in enumerate(blocks):
        at = (margin + k * column, top + 17 * unit)
        legend.set_entries(canvas, block, at, column - 4 * unit, unit, PICTURE_STYLES)
    return canvas


def _key(plan: Plan) -> list[Entry]:
    present = {cut_role(cut) for cut in plan.cuts if cut.kind != "uncut"}
    words: dict[Role, str] = {
        "cut that laps": "cut whose sides lap: unbroken",
        "cut that opens": "cut that opens: long dashes",
        "cut that does both": "cut that opens and laps: long and short dashes",
        "cut right through": "cut right through: short dashes, no bar at its end",
    }
    entries = [Entry(text, role) for role, text in words.items() if role in present]
    if present - {"cut right through"}:
        entries.append(Entry("bar: stop cutting here, leave the scallop whole", "stop"))
    entries += [
        Entry("border line: take the border off here", "border line"),
        Entry("valley", "valley"),
        Entry("number of the cut, with its lap or opening", "cut number", as_label="1"),
        Entry("number of the stretch, outside the scallops", as_label="1", style=legend.NUMBER),
    ]
    if any(cut.beads_in_way for cut in plan.cuts):
        entries.append(Entry("bead in the way: take off first", "bead in the way"))
    return entries
