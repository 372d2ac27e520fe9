"""After what length an edge comes again, and the slow curve it rides on."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.reading.mean_scallop import NARROWEST_MM, middle_of, smooth
from lacelay.reading.peaks import find_peaks

Floats = NDArray[np.float64]

#: An edge dead level within the second over the first, mm, is no lace.
FLAT_MM, FLAT_PLAY_MM = 16.0, 0.2
#: Least likeness of an edge with itself shifted by a period; how far it stands out.
LEAST_LIKE, STANDS_OUT = 0.22, 0.12
#: Periods tried at most; those trusted less than this share of the best are not.
MOST_PERIODS, LEAST_TRUST = 6, 0.5
#: A period is refined among so many, on a mean shape of so many samples.
TRIES, FEW_PHASES = 17, 60
#: Samples that tell a slow curve, and times its weights are set anew.
TREND_SAMPLES, TREND_TURNS = 240, 12


def likeness(values: Floats, most: int) -> Floats:
    """Correlation of a row with itself shifted by 0 to `most`, over what overlaps."""
    n = len(values)
    size = 1 << int(np.ceil(np.log2(2 * n)))
    product = np.fft.irfft(np.abs(np.fft.rfft(values, size)) ** 2, size)[: most + 1]
    squares = np.concatenate([[0.0], np.cumsum(values**2)])
    lags = np.arange(most + 1)
    head, tail = squares[n - lags], squares[n] - squares[lags]
    return np.asarray(product / np.sqrt(np.maximum(head * tail, 1e-12)), dtype=np.float64)


def periods(row: Floats, spacing_mm: float) -> list[float]:
    """Shifts, in samples, that bring an edge onto itself, shortest first.

    Parameters
    ----------
    row : ndarray, shape (n,)
        The edge about its slow curve; nan where it is not seen.
    spacing_mm : float
    """
    n = len(row)
    known = np.isfinite(row)
    level = float(np.mean(row[known]))
    like = likeness(smooth(np.where(known, row - level, 0.0), 1.0 / spacing_mm), int(0.72 * n))
    peaks = find_peaks(like, prominence=STANDS_OUT, height=LEAST_LIKE)
    peaks = peaks[(peaks * spacing_mm >= NARROWEST_MM * 0.9) & (like[peaks] > LEAST_LIKE)]
    if len(peaks) == 0:
        return []
    trust = like[peaks] * np.sqrt(1 - 0.5 * peaks / n)
    return sorted(float(p) for p in peaks[trust >= LEAST_TRUST * trust.max()][:MOST_PERIODS])


def refined(row: Floats, period: float) -> float:
    """The period near a given one whose mean shape leaves least."""
    n = len(row)
    span = 0.6 / max(n / period, 1.0)
    tried = period * np.linspace(1 - 0.5 * span, 1 + 0.5 * span, TRIES)
    copies = int(np.ceil((n - 1) / tried[0]))
    turns = (np.arange(copies)[:, None] + np.arange(FEW_PHASES) / FEW_PHASES)[None]
    at = tried[:, None, None] * turns
    inside = at <= n - 1
    low = np.minimum(at.astype(np.int64), n - 2)
    heights = row[low] + (row[low + 1] - row[low]) * (at - low)
    heights[~inside] = np.nan
    miss = np.abs(heights - middle_of(heights)[:, None, :])
    known = np.isfinite(miss)
    rest = np.where(known, miss, 0.0).sum((1, 2)) / np.maximum(known.sum((1, 2)), 1)
    best = int(np.argmin(rest))
    return float(tried[best])


def slow_curve(height: Floats, seen: NDArray[np.bool_], degree: int) -> Floats:
    """Slow curve through an edge by least absolute misses: what sticks out bends it little.

    Parameters
    ----------
    height : ndarray, shape (n,)
    seen : ndarray of bool, shape (n,)
        Where the edge is seen.
    degree : int
        Of the polynomial.
    """
    n = len(height)
    terms = np.polynomial.legendre.legvander(np.linspace(-1, 1, n), degree)
    some = np.flatnonzero(seen)
    if len(some) <= degree:
        return np.full(n, float(np.nanmean(height)))
    some = some[:: max(1, len(some) // TREND_SAMPLES)]
    basis, heights = terms[some], height[some]
    weight = np.ones(len(some))
    fit = np.zeros(degree + 1)
    small = 1e-9 * np.eye(degree + 1)
    for _ in range(TREND_TURNS):
        weighted = basis.T * weight
        fit = np.linalg.solve(weighted @ basis + small * weight.sum(), weighted @ heights)
        miss = np.abs(heights - basis @ fit)
        middle = float(np.partition(miss, len(miss) // 2)[len(miss) // 2]) + 1e-6
        weight = 1 / np.maximum(miss, 0.3 * middle)
    return np.asarray(terms @ fit, dtype=np.float64)


def flattened(height: Floats, seen: NDArray[np.bool_], degree: int) -> tuple[Floats, Floats]:
    """The edge about its slow curve, what is hidden or far off left blank; and that curve."""
    trend = slow_curve(height, seen, degree)
    row = height - trend
    low, high = np.percentile(row[seen], [4, 96])
    far = (row < low - 0.3 * (high - low)) | (row > high + 0.3 * (high - low))
    return np.where(seen & ~far, row, np.nan), trend


def hidden(height: Floats, spacing_mm: float) -> NDArray[np.bool_]:
    """Where the edge runs dead level far out: a printed line or the mat's own border."""
    n = len(height)
    window = np.ones((1, 2 * max(1, round(FLAT_MM / 2 / spacing_mm)) + 1), np.uint8)
    row = height.reshape(1, -1).astype(np.float32)
    play = (cv2.dilate(row, window) - cv2.erode(row, window)).ravel()
    flat = cv2.dilate((play < FLAT_PLAY_MM).astype(np.uint8).reshape(1, -1), window).ravel() > 0
    if not flat.any() or flat.mean() > 0.6:
        return np.zeros(n, bool)
    return np.asarray(flat & (height > np.percentile(height[~flat], 80)), dtype=bool)
