"""The mean scallop of an edge: copies laid over each other, and what one period looks like."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.reading.peaks import find_peaks

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: A scallop is at least this wide, mm; below, teeth on an edge are picots.
NARROWEST_MM = 5.0
#: A valley is at least this deep, as a share of the play of the mean shape.
VALLEY_SHARE = 0.34
#: A valley narrower than this share of the widest is a notch in a scallop's head.
NOTCH_SHARE = 0.4
#: Samples of the mean shape over one period.
PHASES = 240


def smooth(values: Floats, sigma: float) -> Floats:
    """Blur a row by a normal of `sigma` samples."""
    if sigma < 0.3:
        return values
    row = cv2.GaussianBlur(
        values.reshape(1, -1), (0, 0), sigmaX=sigma, sigmaY=1e-3, borderType=cv2.BORDER_REPLICATE
    )
    return np.asarray(row.ravel(), dtype=np.float64)


def middle_of(copies: Floats) -> Floats:
    """Median over the first axis but one, blanks (nan) left out; nan where all are blank.

    Parameters
    ----------
    copies : ndarray, shape (..., copies, phases)
    """
    ordered = np.sort(copies, axis=-2)  # blanks come last
    seen = np.isfinite(copies).sum(axis=-2)[..., None, :]
    low = np.take_along_axis(ordered, np.maximum(seen - 1, 0) // 2, axis=-2)
    high = np.take_along_axis(ordered, np.minimum(seen // 2, ordered.shape[-2] - 1), axis=-2)
    return np.asarray((low + high)[..., 0, :] / 2, dtype=np.float64)


def fold(row: Floats, phases: Floats) -> Floats:
    """Median over the copies at each phase.

    Parameters
    ----------
    row : ndarray, shape (n,)
        nan where the edge is not seen: there the other copies tell.
    phases : ndarray, shape (n,)
        Copy number plus phase of each sample, rising.

    Returns
    -------
    ndarray, shape (PHASES,)
    """
    first = np.floor(phases[0])
    count = int(np.floor(phases[-1]) - first) + 1
    wanted = first + np.arange(count)[:, None] + (np.arange(PHASES) / PHASES)[None]
    copies = np.interp(wanted, phases, row, left=np.nan, right=np.nan)
    shape = middle_of(copies)
    known = np.isfinite(shape)
    if not known.any():
        return np.zeros(PHASES)
    if known.all():
        return shape
    grid = np.arange(PHASES)
    return np.asarray(np.interp(grid, grid[known], shape[known], period=PHASES), dtype=np.float64)


def shape_at(shape: Floats, phases: Floats) -> Floats:
    """Height of a mean shape at phases; a phase beyond 1 is in the next copy."""
    at = (phases % 1.0) * PHASES
    low = at.astype(np.int64)
    share = at - low
    return np.asarray(
        shape[low % PHASES] * (1 - share) + shape[(low + 1) % PHASES] * share, dtype=np.float64
    )


def minima(shape: Floats, samples: float, spacing_mm: float) -> Ints:
    """Phases (numbers of the mean shape's samples) of the valleys of one period.

    Parameters
    ----------
    shape : ndarray, shape (PHASES,)
    samples : float
        Samples of the edge to one of the mean shape.
    spacing_mm : float
        Of the edge's samples.
    """
    wide = np.tile(shape, 3)
    wide = smooth(wide, max(1.0, 0.5 / (samples * spacing_mm)))
    play = float(np.ptp(shape))
    apart = max(1, int(0.7 * NARROWEST_MM / (samples * spacing_mm)))
    found = find_peaks(-wide, prominence=VALLEY_SHARE * play, apart=apart)
    found = found[(found >= PHASES) & (found < 2 * PHASES)] - PHASES
    if len(found) == 0:
        return np.zeros(0, np.int64)
    found = found[shape[found] < shape[found].min() + 0.5 * play]
    # A notch far narrower than the gaps between scallops parts one scallop's head.
    level = shape[found] + 0.3 * play
    widths = np.array(
        [_width_at(shape, int(at), top) for at, top in zip(found, level, strict=True)]
    )
    return np.asarray(found[widths > NOTCH_SHARE * widths.max()], dtype=np.int64)


def _width_at(shape: Floats, at: int, top: float) -> int:
    """Width of a valley of the mean shape at a height, phases."""
    above = np.roll(shape, -at) > top
    if not above.any():
        return PHASES
    return int(np.argmax(above)) + int(np.argmax(above[::-1]))


def likeness_of_copies(row: Floats, shape: Floats, phases: Floats) -> float:
    """How much of the edge the mean shape explains, made honest for the few copies in it.

    A third of an edge may be hidden or torn without spoiling it: misses are capped.

    Returns
    -------
    float
        1 where all copies are the same, 0 where they share nothing.
    """
    known = np.isfinite(row)
    # What is seen in one copy only is its own mean shape and tells nothing.
    bins = np.floor((phases % 1.0) * PHASES).astype(int)
    copy = np.floor(phases).astype(int)
    copy -= int(copy.min())
    there = np.zeros((int(copy.max()) + 1, PHASES), bool)
    there[copy[known], bins[known]] = True
    copies = there.sum(axis=0)
    known &= copies[bins] >= 2
    if known.sum() < 8:
        return 0.0
    own = row[known] - float(np.median(shape))
    miss = np.abs(row[known] - shape_at(shape, phases[known]))
    cap = 0.5 * float(np.ptp(shape)) + 1e-9
    share = 1.0 - float((np.minimum(miss, cap) ** 2).mean()) / (
        float((np.minimum(np.abs(own), cap) ** 2).mean()) + 1e-9
    )
    # A shape fitted to c copies explains 1/c of pure chance.
    chance = 1.0 / float(copies[bins[known]].mean())
    return float(np.clip((share - chance) / (1 - chance), -1, 1))
