"""How tightly an edge bends over the width of a scallop."""

from __future__ import annotations

import numpy as np

from lacelay.model.target import TargetEdge


def tightest_bend(target: TargetEdge, window_mm: float) -> tuple[float, float]:
    """Tightest bend towards the covered side, held over a window.

    Parameters
    ----------
    target : TargetEdge
    window_mm : float
        Length of edge over which the bend is averaged; a sharp point in a straight edge is
        no tight bend.

    Returns
    -------
    s_mm, radius_mm : float
        Middle of the window, and the radius; 1e6 where nothing bends that way.
    """
    curve = target.curve
    window = min(window_mm, curve.length_mm)
    s = np.arange(0.0, curve.length_mm - window + 1e-9, 1.0)
    bend = curve.turning(s, s + window) / window
    k = int(np.argmax(bend))
    radius = 1 / float(bend[k]) if bend[k] > 1e-6 else 1e6
    return float(s[k]) + window / 2, radius
