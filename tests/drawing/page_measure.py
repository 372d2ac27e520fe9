"""Measure printed pages from their pixels, as with a ruler."""

from __future__ import annotations

import numpy as np
import pypdfium2
from numpy.typing import NDArray

MM_PER_INCH = 25.4


def render(pdf: bytes, page: int, dpi: float = 300.0) -> NDArray[np.float64]:
    """Darkness of a page, 0 white to 1 black, shape (rows, columns)."""
    document = pypdfium2.PdfDocument(pdf)
    try:
        grey = document[page].render(scale=dpi / 72, grayscale=True).to_numpy()
    finally:
        document.close()
    return 1.0 - np.asarray(grey, dtype=np.float64).reshape(grey.shape[:2]) / 255


def pages(pdf: bytes) -> int:
    document = pypdfium2.PdfDocument(pdf)
    try:
        return len(document)
    finally:
        document.close()


def from_bottom(dark: NDArray[np.float64], low_mm: float, high_mm: float, dpi: float) -> slice:
    """Rows between two heights over the page's lower edge."""
    rows, px = dark.shape[0], dpi / MM_PER_INCH
    return slice(round(rows - high_mm * px), round(rows - low_mm * px))


def strokes(profile: NDArray[np.float64], level: float = 0.3) -> NDArray[np.float64]:
    """Middles of the dark strokes of a profile, weighted by darkness."""
    on = np.flatnonzero(profile > level * 0.5)
    if not len(on):
        return np.empty(0)
    groups = np.split(on, np.flatnonzero(np.diff(on) > 1) + 1)
    return np.array([(g * profile[g]).sum() / profile[g].sum() for g in groups])


def stroke_offset_mm(
    dark: NDArray[np.float64],
    at_px: NDArray[np.float64],
    across: NDArray[np.float64],
    px_per_mm: float,
    reach_mm: float,
) -> float:
    """How far the middle of a stroke lies from a point, along a direction across it, mm.

    `across` is (column, row) of unit length. Not a number when there is nothing dark.
    """
    import cv2

    t = np.arange(-reach_mm, reach_mm + 1e-9, 0.02)
    places = (at_px + (t * px_per_mm)[:, None] * across).astype(np.float32)
    profile = cv2.remap(
        dark.astype(np.float32), places[None, :, 0], places[None, :, 1], cv2.INTER_LINEAR
    )[0]
    return float((t * profile).sum() / profile.sum()) if profile.max() > 0.2 else float("nan")
