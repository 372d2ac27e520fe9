"""Least-cost seams through an array, by dynamic programming over its rows.

The recurrence is that of the minimum-error boundary cut (Efros and Freeman 2001):
E(i, j) = e(i, j) + min of E(i - 1, j - reach .. j + reach).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]
Indices = NDArray[np.intp]


def seams(
    cost: Values, reach: NDArray[np.int_] | int = 1, side_step: NDArray[np.float64] | float = 0.0
) -> tuple[Values, NDArray[np.int8]]:
    """Cost of the best seam from row 0 to each cell of the last row, with its moves.

    Parameters
    ----------
    cost : ndarray, shape (..., rows, columns)
        Batches in front.
    reach : int or ndarray, shape (rows,)
        Most columns moved on entering a row, at most 100.
    side_step : float or ndarray, shape (rows,)
        Paid for each column moved on entering a row.

    Returns
    -------
    total : ndarray, shape (..., columns)
    moves : ndarray of int8, shape (..., rows, columns)
        Column of the row before, minus this column.

    Examples
    --------
    A published worked example of the recurrence:

    >>> import numpy as np
    >>> total, moves = seams(np.array([[1., 9, 9], [9, 1, 9], [1, 9, 9]]))
    >>> float(total.min()), trace(moves, int(total.argmin())).tolist()
    (3.0, [0, 1, 0])
    """
    rows, columns = cost.shape[-2:]
    reaches = np.broadcast_to(np.asarray(reach, dtype=int), (rows,))
    paid = np.broadcast_to(np.asarray(side_step, dtype=float), (rows,))
    total = np.array(cost[..., 0, :], dtype=float)
    moves = np.zeros(cost.shape, np.int8)
    for row in range(1, rows):
        best = total.copy()
        move = np.zeros(total.shape, np.int8)
        for k in range(1, int(reaches[row]) + 1):
            if k >= columns:
                break
            toll = paid[row] * k
            from_left = total[..., :-k] + toll
            better = from_left < best[..., k:]
            best[..., k:][better] = from_left[better]
            move[..., k:][better] = -k
            from_right = total[..., k:] + toll
            better = from_right < best[..., :-k]
            best[..., :-k][better] = from_right[better]
            move[..., :-k][better] = k
        moves[..., row, :] = move
        total = best + cost[..., row, :]
    return total, moves


def trace(moves: NDArray[np.int8], last: int) -> Indices:
    """Columns of the seam that ends in column `last`, row by row; moves of one batch."""
    rows = moves.shape[0]
    columns = np.empty(rows, np.intp)
    columns[-1] = last
    for row in range(rows - 1, 0, -1):
        columns[row - 1] = columns[row] + moves[row, columns[row]]
    return columns


def periodic_seam(cost: Values, reach: int = 1, side_step: float = 0.0) -> tuple[float, Indices]:
    """Best seam whose last row joins its first: exact over all first columns.

    Parameters
    ----------
    cost : ndarray, shape (rows, columns)

    Returns
    -------
    total : float
    columns : ndarray, shape (rows,)
        The move from the last row back to the first is within `reach` as well.
    """
    columns = cost.shape[1]
    opened = np.repeat(cost[None], columns, axis=0)
    starts = np.arange(columns)
    others = starts[:, None] != starts[None, :]
    opened[:, 0, :][others] = np.inf
    again = np.full((columns, 1, columns), np.inf)  # row 0 once more, free, where it started
    again[starts, 0, starts] = 0.0
    total, moves = seams(np.concatenate([opened, again], axis=1), reach, side_step)
    closed = total[starts, starts]
    best = int(closed.argmin())
    return float(closed[best]), trace(moves[best], best)[:-1]
