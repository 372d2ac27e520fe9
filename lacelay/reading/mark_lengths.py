"""Tell from the lengths of a ruler's marks what they count: millimetres or parts of an inch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lacelay.units import MM_PER_INCH

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Counting:
    """A way rulers are marked.

    Parameters
    ----------
    name : str
    mark_mm : float
        From mark to mark.
    steps : tuple of int
        Every so many marks one is longer; from the longest down.
    """

    name: str
    mark_mm: float
    steps: tuple[int, ...]

    @property
    def cycle(self) -> int:
        """Marks from one longest mark to the next."""
        return self.steps[0]

    def ranks(self, count: int, phase: int) -> NDArray[np.int64]:
        """Rank of each mark, 0 for the shortest, mark `phase` being a longest one."""
        number = np.arange(count) - phase
        rank = np.zeros(count, dtype=np.int64)
        for k, step in enumerate(reversed(self.steps), start=1):
            rank[number % step == 0] = k
        return rank


#: Common practice: how rulers are marked.
COUNTINGS = (
    Counting("millimetres", 1.0, (10, 5)),
    Counting("half millimetres", 0.5, (20, 10, 2)),
    Counting("sixteenths of an inch", MM_PER_INCH / 16, (16, 8, 4, 2)),
    Counting("eighths of an inch", MM_PER_INCH / 8, (8, 4, 2)),
    Counting("thirty-seconds of an inch", MM_PER_INCH / 32, (32, 16, 8, 4, 2)),
)
#: Share of the lengths' variance that the counting must explain.
EXPLAINED = 0.55
#: Least step from one rank of marks to the next, as a share of the step from first to last.
CLEAR_STEP = 0.08
#: Of the whole range of lengths: what the ranks must span, and what counts as any distance.
LEAST_RANGE, FAR_OFF = 0.4, 0.4
#: How much more likely than the next kind of marks it must be (difference of the
#: information criterion; 10 is very strong).
SURE = 10.0


def counted(lengths: Floats) -> Counting | None:
    """Which way of marking the lengths follow, or None where they do not tell.

    Parameters
    ----------
    lengths : ndarray, shape (n,)
        Lengths of neighbouring marks, in any unit.

    Examples
    --------
    >>> n = np.arange(60)
    >>> counted(3.0 + 1.0 * (n % 5 == 0) + 1.0 * (n % 10 == 0)).name
    'millimetres'
    >>> counted(np.full(60, 3.0)) is None
    True
    """
    lengths = np.asarray(lengths, dtype=float)
    count = len(lengths)
    spread = float(np.var(lengths))
    if spread <= 0 or count < 20:
        return None
    # A few marks lie under something: what is far off all others has no say.
    middle = float(np.median(lengths))
    far = 1.4826 * float(np.median(np.abs(lengths - middle)))
    trimmed = np.clip(lengths, None, middle + max(12 * far, 2.5 * middle))
    spread = float(np.var(trimmed))
    whole = float(np.ptp(np.percentile(trimmed, (3, 97))))
    floor = (0.03 * whole) ** 2 + 1e-12
    order = np.argsort(trimmed)
    ordered = trimmed[order]
    scored: list[tuple[float, float, Counting]] = []
    for counting in COUNTINGS:
        if count < 1.5 * counting.cycle:
            continue
        best = np.inf
        explained = 0.0
        for phase in range(counting.cycle):
            ranks = counting.ranks(count, phase)
            sizes = np.bincount(ranks, minlength=len(counting.steps) + 1)
            if (sizes == 0).any():
                continue
            # Medians of each rank, of lengths that are in order already.
            ranked = ordered[np.argsort(ranks[order], kind="stable")]
            begin = np.cumsum(sizes) - sizes
            typical = (ranked[begin + (sizes - 1) // 2] + ranked[begin + sizes // 2]) / 2
            # Longer marks where the counting says so, each step clearly.
            range_of = float(typical[-1] - typical[0])
            if range_of <= LEAST_RANGE * whole or np.any(np.diff(typical) < CLEAR_STEP * range_of):
                continue
            # A few marks lie under lace or a pin: how far off they are has no say.
            off = np.minimum(np.abs(trimmed - typical[ranks]), FAR_OFF * whole)
            rest = float(np.mean(off**2))
            score = count * np.log(rest + floor) + (len(sizes) + 1) * np.log(count)
            if score < best:
                best, explained = score, 1 - rest / spread
        if np.isfinite(best):
            scored.append((best, explained, counting))
    if not scored:
        return None
    scored.sort(key=lambda each: each[0])
    score, explained, counting = scored[0]
    if explained < EXPLAINED:
        return None
    if len(scored) > 1 and scored[1][0] - score < SURE:
        return None
    return counting
