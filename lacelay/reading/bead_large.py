"""Large beads and sequins among the small ones of a lace."""

from __future__ import annotations

import numpy as np

from lacelay.model.lace import Repeat
from lacelay.reading.bead_spots import Floats, View


def large_beads(
    view: View, at: Floats, radius_mm: float, repeat: Repeat | None
) -> tuple[Floats, Floats]:
    return at, np.full(len(at), radius_mm)
