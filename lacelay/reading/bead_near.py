"""Nearest places among a few thousand, without a library's second of loading.

Places are sorted along u; those near a block of queries lie in one stretch of that order.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

#: Queries answered at a time.
BLOCK = 192


def nearest(places: Floats, queries: Floats, count: int, within: float) -> tuple[Floats, Whole]:
    """The places nearest to each query, near to far.

    Parameters
    ----------
    places : ndarray, shape (n, 2)
    queries : ndarray, shape (m, 2)
    count : int
        Places asked for.
    within : float
        None further than this, in the unit of the places.

    Returns
    -------
    tuple of ndarray, each of shape (m, count)
        Distances and numbers; infinite and n where there are no more.

    Examples
    --------
    >>> nearest(np.array([[0.0, 0], [3, 4]]), np.array([[0.0, 1]]), 2, 4.5)[1].tolist()
    [[0, 1]]
    >>> nearest(np.array([[0.0, 0], [3, 4]]), np.array([[0.0, 1]]), 2, 2.0)[1].tolist()
    [[0, 2]]
    """
    away = np.full((len(queries), count), np.inf)
    index = np.full((len(queries), count), len(places), np.int64)
    if not len(places) or not len(queries):
        return away, index
    order = np.argsort(places[:, 0], kind="stable")
    along = places[order, 0]
    asked = np.argsort(queries[:, 0], kind="stable")
    for first in range(0, len(asked), BLOCK):
        block = asked[first : first + BLOCK]
        here = queries[block]
        low = int(np.searchsorted(along, here[0, 0] - within))
        high = int(np.searchsorted(along, here[-1, 0] + within, side="right"))
        if low == high:
            continue
        some = order[low:high]
        across = here[:, 1:] - places[some, 1]
        square = (here[:, :1] - places[some, 0]) ** 2 + across * across
        keep = min(count, len(some))
        if keep == 1:
            found = square.argmin(axis=1)[:, None]
        else:
            found = np.argpartition(square, keep - 1, axis=1)[:, :keep]
            order_of = np.argsort(np.take_along_axis(square, found, axis=1), axis=1, kind="stable")
            found = np.take_along_axis(found, order_of, axis=1)
        far = np.sqrt(np.take_along_axis(square, found, axis=1))
        seen = far <= within
        away[block[:, None], np.arange(keep)] = np.where(seen, far, np.inf)
        index[block[:, None], np.arange(keep)] = np.where(seen, some[found], len(places))
    return away, index
