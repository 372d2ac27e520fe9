"""Peaks of a row of numbers, with how far they stand out.

The same answer as a signal library's peak finder gives, without its second of loading.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def find_peaks(
    values: Floats, *, prominence: float, height: float = -np.inf, apart: int = 1
) -> Ints:
    """Places of the peaks of a row, in order.

    Parameters
    ----------
    values : ndarray, shape (n,)
    prominence : float
        How far a peak must stand above the higher of the lowest places on both sides of it
        before something higher comes.
    height : float
        Least height.
    apart : int
        Of peaks nearer than this to each other the higher one stays.

    Returns
    -------
    ndarray of int, shape (k,)
        A flat top counts as one peak, in its middle.

    Examples
    --------
    >>> find_peaks(np.array([0.0, 2.0, 1.0, 5.0, 5.0, 0.0, 1.0, 0.0]), prominence=1.5).tolist()
    [3]
    """
    row = np.asarray(values, dtype=np.float64)
    # Runs of equal values count as one sample.
    starts = np.concatenate([[0], np.flatnonzero(np.diff(row)) + 1])
    level = row[starts]
    stops = np.append(starts[1:], len(row)) - 1
    inner = np.arange(1, len(level) - 1)
    top = inner[(level[inner] > level[inner - 1]) & (level[inner] > level[inner + 1])]
    top = top[level[top] >= height]
    if apart > 1:
        top = _thinned(top, level, (starts[top] + stops[top]) // 2, apart)
    kept = [k for k in top if _prominence(level, int(k)) >= prominence]
    return np.array([(starts[k] + stops[k]) // 2 for k in kept], dtype=np.int64)


def _thinned(top: Ints, level: Floats, places: Ints, apart: int) -> Ints:
    keep = np.ones(len(top), bool)
    for k in np.argsort(level[top], kind="stable")[::-1]:
        if keep[k]:
            near = np.abs(places - places[k]) < apart
            near[k] = False
            keep &= ~near
    return top[keep]


def _prominence(level: Floats, at: int) -> float:
    here = level[at]
    higher = np.flatnonzero(level[:at] > here)
    low = level[(int(higher[-1]) if len(higher) else 0) : at + 1].min()
    higher = np.flatnonzero(level[at + 1 :] > here)
    stop = at + 1 + int(higher[0]) if len(higher) else len(level)
    return float(here - max(low, level[at:stop].min()))
