"""Words and keys set beside a picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from lacelay.drawing.raster import Image8, letter, paint_shape, text_width_px
from lacelay.drawing.scene import Area, Cross, Dot, Label, Line, Points
from lacelay.drawing.style import INK, Role, Style, Styles

#: A number in the margin, without the halo it has over lace.
NUMBER = Style(size=3.8, text=INK, bold=True)
#: Ink on the pale margin: plain words, and headings.
PLAIN = Style(size=3.2, text=INK)
HEADING = Style(size=3.8, text=INK, bold=True)


@dataclass(frozen=True)
class Entry:
    """One line of a margin: words, with a sample of a role's look before them.

    `as_label` shows the role as a ring with that text in it; `style` overrides the role's.
    """

    words: str
    role: Role | None = None
    heading: bool = False
    as_label: str | None = None
    style: Style | None = None


def wrapped(text: str, width_px: float, size_px: int, *, bold: bool = False) -> list[str]:
    """Break words into lines no wider than `width_px`; a longer word stands alone."""
    lines: list[str] = []
    for word in text.split():
        trial = f"{lines[-1]} {word}" if lines else word
        if lines and text_width_px(trial, size_px, bold=bold) <= width_px:
            lines[-1] = trial
        else:
            lines.append(word)
    return lines


def height_px(entries: Sequence[Entry], width_px: float, unit_px: float) -> int:
    """How tall the entries are set."""
    return int(_set(None, entries, (0.0, 0.0), width_px, unit_px, None))


def set_entries(
    canvas: Image8,
    entries: Sequence[Entry],
    at_px: tuple[float, float],
    width_px: float,
    unit_px: float,
    styles: Styles,
) -> None:
    """Set the entries on the canvas itself, from a top-left corner (column, row) down."""
    _set(canvas, entries, at_px, width_px, unit_px, styles)


def _set(
    canvas: Image8 | None,
    entries: Sequence[Entry],
    at_px: tuple[float, float],
    width_px: float,
    unit_px: float,
    styles: Styles | None,
) -> float:
    x, y = at_px
    for entry in entries:
        style = HEADING if entry.heading else PLAIN
        indent = 13.0 * unit_px if entry.role or entry.as_label or entry.style else 0.0
        size = max(9, round(style.size * unit_px))
        if entry.heading:
            y += 0.8 * size
        leading = 1.45 * size
        lines = wrapped(entry.words, width_px - indent, size, bold=style.bold) or [""]
        if canvas is not None and styles is not None and indent:
            _sample(canvas, entry, np.array([x, y + leading / 2]), unit_px, styles)
        for line in lines:
            if canvas is not None:
                at = np.array([x + indent, y + leading / 2])
                letter(canvas, line, at, style, unit_px, anchor="lm")
            y += leading
        y += 0.25 * size
    return y - at_px[1]


def _sample(canvas: Image8, entry: Entry, at: Points, unit: float, styles: Styles) -> None:
    role: Role = entry.role or "note"
    style = entry.style or styles[role]
    middle = at + np.array([5.0 * unit, 0.0])
    if entry.as_label is not None:
        label = Label(middle[None], role, entry.as_label)
        paint_shape(canvas, label, style, _same, unit)
    elif style.hatch is not None or style.fill is not None:
        half = np.array([4.5, 1.6]) * unit
        corners = middle + half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
        boxed = replace(style, line=style.line or INK, width=max(style.width, 0.2))
        paint_shape(canvas, Area(corners, role), boxed, _same, unit)
    elif role in ("bead", "bead in the way"):
        paint_shape(canvas, Dot(middle[None], role, 3.0 * unit), style, _same, unit)
    elif role in ("valley", "tip"):
        paint_shape(canvas, Cross(middle[None], role), style, _same, unit)
    else:
        ends = middle + np.array([[-5.0, 0.0], [5.0, 0.0]]) * unit
        paint_shape(canvas, Line(ends, role), style, _same, unit)


def _same(points: Points) -> Points:
    return points
