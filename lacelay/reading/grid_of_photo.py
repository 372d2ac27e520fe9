"""The printed grid of a whole photo: looked for in small pictures of it, placed in the largest."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lacelay.reading.grid_fit import NOT_SQUARE, Grid, RoughGrid, fit_grid, try_grid
from lacelay.reading.grid_search import CoarseGrid, find_grids
from lacelay.reading.halves import Halves, to_photo

#: Cells of a grid rightly counted are square within this share.
SQUARE = 0.004
#: Longer sides of the pictures that a grid is looked for in, px, and the share of these that
#: its lines are looked for in; a photo no larger than this is looked at whole at the last.
SEARCHES, SMALL_PHOTO_PX = ((1000, 0.8), (1000, 1.0), (500, 0.8)), 2400


def find_grid(halves: Halves) -> Grid | None:
    """The printed grid of a photo, from its smaller pictures; None where none is seen."""
    # Thick or soft lines show better smaller, thin ones vanish there: the likeliest first.
    searches = [(halves.nearest(side), shrunk) for side, shrunk in SEARCHES]
    if max(halves.gray[0].shape) <= SMALL_PHOTO_PX:
        searches.append((0, 0.8))
    askew: list[tuple[RoughGrid, int]] = []
    for level, shrunk in dict.fromkeys(searches):
        rough = _likeliest_grid(halves.gray[level], shrunk)
        if rough is not None and rough.square < NOT_SQUARE:
            whole = fit_grid(halves.gray[0], rough.enlarged(to_photo(level)))
            if whole is not None:
                return whole
        elif rough is not None:
            askew.append((rough, level))
    # Miscounted across the lace, it may be put right, where no picture shows it better.
    for rough, level in askew:
        whole = fit_grid(halves.gray[0], rough.enlarged(to_photo(level)))
        if whole is not None:
            return whole
    return None


def _likeliest_grid(small: NDArray[np.uint8], shrunk: float) -> RoughGrid | None:
    tried: list[tuple[RoughGrid, CoarseGrid]] = []
    for candidates in find_grids(small, shrunk):
        for coarse in candidates:
            rough = try_grid(small, coarse, slips=False)
            if rough is not None:
                tried.append((rough, coarse))
        if any(rough.square < SQUARE for rough, _ in tried):
            break
    if not tried:
        return None
    # A multiple of the step loses lines, a part of it gains none of their strength.
    most = max(rough.strong for rough, _ in tried)
    strong = [pair for pair in tried if pair[0].strong > 0.85 * most]
    largest = max(rough.step_px for rough, _ in strong)
    alike = [pair for pair in strong if pair[0].step_px > 0.9 * largest]
    rough, coarse = max(alike, key=lambda pair: pair[0].strong)
    if rough.square < SQUARE:
        return rough
    return try_grid(small, coarse, slips=True) or rough
