"""A bar of known length, with its words, as shapes of a scene."""

from __future__ import annotations

import numpy as np

from lacelay.drawing.scene import Label, Line, Shape, point


def scale_bar(
    at_mm: tuple[float, float],
    length_mm: float,
    *,
    words: str | None = None,
    tick_mm: float = 2.5,
    tick_every_mm: float = 10.0,
) -> tuple[Shape, ...]:
    """Return a bar from `at_mm` to the right, ticks up, a tick for each cm or other step."""
    x, y = at_mm
    path = np.array([[x, y + tick_mm], [x, y], [x + length_mm, y], [x + length_mm, y + tick_mm]])
    shapes: list[Shape] = [Line(path, "scale")]
    for k in range(1, int(np.ceil(length_mm / tick_every_mm - 1e-9))):
        at = x + tick_every_mm * k
        shapes.append(Line(np.array([[at, y], [at, y + 0.5 * tick_mm]]), "scale"))
    name = words or (f"{length_mm / 10:g} cm" if length_mm >= 10 else f"{length_mm:g} mm")
    shapes.append(Label(point(x + length_mm / 2, y + 1.8 * tick_mm), "scale name", name))
    return tuple(shapes)
