"""Measure a row of evenly spaced marks: where each lies, how long it is, how the row slants.

The spacing is measured by the phase of the row, to far less than a pixel.

Frames: photo points (x, y) px, y down. Along a row s runs in px, t across it to the right of
its direction as seen; n counts its marks.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.reading.row_slant import Fan, read_fan

Floats = NDArray[np.float64]
Image8 = NDArray[np.uint8]

#: Fewest marks that make a ruler.
FEWEST_MARKS = 24
#: Marks finer than this cannot be counted, px.
FINEST_PX = 3.2
#: How well neighbouring marks must match.
LEAST_LIKENESS = 0.35


@dataclass(frozen=True, eq=False)
class MarkRow:
    """A row of marks in the photo.

    Parameters
    ----------
    start_px, along : ndarray, shape (2,)
        Photo point of s = 0 and unit direction.
    span_px : tuple of float
        Least and largest s at which marks were seen.
    count : ndarray, shape (3,)
        n = (c0 + c1 s) / (1 + c2 s).
    miss : float
        Root mean square miss of that, in marks.
    band_px : tuple of float
        Across the row, least and largest distance from the line at which marks were seen,
        positive to the right of `along` as seen.
    lengths : ndarray, shape (m,)
        Length of each whole-numbered mark in the span, in the order of n, from `first` on.
    first : int
    base : int
        On which side of the band all marks begin, -1 or +1: there the ruler ends.
    fan : Fan or None
        How its marks close up and fan out, where that can be seen.
    """

    start_px: Floats
    along: Floats
    span_px: tuple[float, float]
    count: Floats
    miss: float
    band_px: tuple[float, float]
    lengths: Floats
    first: int
    base: int = -1
    fan: Fan | None = None

    def at(self, n: float) -> float:
        """Where mark n lies, s in px."""
        c0, c1, c2 = self.count
        return float((n - c0) / (c1 - n * c2))

    def marks_per_px(self, s: float) -> float:
        """Marks per pixel at s."""
        c0, c1, c2 = self.count
        return float((c1 - c0 * c2) / (1 + c2 * s) ** 2)

    def point(self, s: float, across: float = 0.0) -> Floats:
        """Photo point at s, and across from the line."""
        right = np.array([-self.along[1], self.along[0]])
        return np.asarray(self.start_px + s * self.along + across * right, dtype=np.float64)


def read_row(
    gray: Image8, centre: Floats, along: Floats, half: float, wide: float
) -> MarkRow | None:
    """Measure the row of marks near a place, or None where there is none."""
    reach = int(np.ceil(min(2.2 * wide + 10, 140)))
    straightened = _levelled(gray, centre, along, half, reach)
    if straightened is None:
        return None
    strip, start, along = straightened
    calm = strip - cv2.blur(strip, (41, 1))
    period, rows = _period(calm)
    if period is None:
        return None
    calm = strip - cv2.blur(strip, (2 * int(1.5 * period) + 1, 1))
    signal = calm[rows].mean(axis=0)
    inside = _in_photo(start, along, len(signal), gray.shape)
    # Marks are narrower than the gaps between them: that tells dark marks from light ones.
    if float(np.mean(signal**3)) < 0:
        signal, calm = -signal, -calm
    placed = _count(signal, period, inside)
    if placed is None:
        return None
    count, span, miss = placed
    row = MarkRow(start, along, span, count, miss, (0.0, 0.0), np.zeros(0), 0)
    whole = _with_lengths(row, calm, rows, reach)
    return None if whole is None else replace(whole, fan=read_fan(calm, count, span, rows, reach))


def _levelled(
    gray: Image8, centre: Floats, along: Floats, half: float, reach: int
) -> tuple[NDArray[np.float32], Floats, Floats] | None:
    """A strip along the row, turned until the marks' own band lies level in it."""
    strip, start = _strip(gray, centre, along, half, reach)
    for _ in range(2):
        change = np.abs(cv2.Sobel(strip, cv2.CV_32F, 1, 0))
        cells = max(4, min(24, strip.shape[1] // 60))
        parts = np.array_split(change, cells, axis=1)
        across = np.arange(strip.shape[0]) - reach
        centres = []
        for part in parts:
            energy = part.mean(axis=1)
            energy = np.maximum(energy - 0.5 * energy.max(), 0)
            centres.append(float((energy * across).sum() / max(energy.sum(), 1e-6)))
        s = (np.arange(cells) + 0.5) / cells * strip.shape[1]
        keep = np.ones(cells, bool)
        line = np.zeros(2)
        for _ in range(3):
            line = np.polyfit(s[keep], np.array(centres)[keep], 1)
            off = np.abs(np.array(centres) - np.polyval(line, s))
            keep = off <= max(2.5 * float(np.median(off)), 1.0)
            if keep.sum() < 3:
                return None
        right = np.array([-along[1], along[0]])
        middle = strip.shape[1] / 2
        centre = start + middle * along + float(np.polyval(line, middle)) * right
        along = along + line[0] * right
        along = along / np.hypot(*along)
        strip, start = _strip(gray, centre, along, half, reach)
    return strip, start, along


def _strip(
    gray: Image8, centre: Floats, along: Floats, half: float, reach: int
) -> tuple[NDArray[np.float32], Floats]:
    """The photo along a line, one px to a column, and where column 0 of the line lies."""
    length = int(2 * 1.15 * half)
    start = centre - along * (length - 1) / 2
    right = np.array([-along[1], along[0]])
    corner = start - reach * right
    matrix = np.column_stack([along, right, corner])
    strip = cv2.warpAffine(
        gray,
        matrix,
        (length, 2 * reach + 1),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(strip, dtype=np.float32), start


def _in_photo(
    start: Floats, along: Floats, length: int, shape: tuple[int, ...]
) -> NDArray[np.bool_]:
    """Which columns of a strip lie in the photo."""
    at = start + np.arange(length)[:, None] * along
    return np.asarray(((at >= 0) & (at <= [shape[1] - 1, shape[0] - 1])).all(axis=1))


def _period(calm: NDArray[np.float32]) -> tuple[float | None, slice]:
    """Spacing of the finest marks, px, and the rows of the strip that show them all."""
    length = calm.shape[1]
    most = min(length // 8, 160)
    if most < 8:
        return None, slice(0)
    calm = np.asarray(cv2.blur(calm, (1, 3)), dtype=np.float32)
    spectrum = np.fft.rfft(calm - calm.mean(axis=1, keepdims=True), 2 * length, axis=1)
    likeness = np.fft.irfft(np.abs(spectrum) ** 2, axis=1)[:, : most + 2]
    energy = likeness[:, 0].copy()
    likeness = likeness / np.maximum(energy, 1e-6)[:, None]
    inner = likeness[:, 1:-1]
    peaks = (inner > likeness[:, :-2]) & (inner >= likeness[:, 2:]) & (inner > LEAST_LIKENESS)
    peaks[:, : int(FINEST_PX) - 1] = False
    # The first peak after the likeness has once fallen well below it.
    fallen = np.minimum.accumulate(inner, axis=1) < 0.1
    peaks &= fallen & (energy > 0.08 * energy.max())[:, None]
    has = peaks.any(axis=1)
    if has.sum() < 3:
        return None, slice(0)
    first = np.where(has, peaks.argmax(axis=1) + 1, 10**6)
    # The finest spacing that several neighbouring rows agree on.
    for lag in np.unique(first[has]):
        alike = np.abs(first - lag) <= max(1.0, 0.06 * lag)
        runs = _runs(alike)
        if not runs:
            continue
        start, stop = max(runs, key=lambda run: float(energy[run[0] : run[1]].sum()))
        if stop - start < 3:
            continue
        mean = likeness[start:stop].mean(axis=0)
        k = int(lag)
        k = k - 1 + int(np.argmax(mean[k - 1 : k + 2]))
        before, here, after = mean[k - 1], mean[k], mean[k + 1]
        bend = before - 2 * here + after
        shift = 0.5 * (before - after) / bend if bend < 0 else 0.0
        return float(k + np.clip(shift, -0.6, 0.6)), slice(start, stop)
    return None, slice(0)


def _runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(int), [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _count(
    signal: NDArray[np.float32], period: float, inside: NDArray[np.bool_]
) -> tuple[Floats, tuple[float, float], float] | None:
    """Number the marks along a row by their phase: (c0, c1, c2), the span seen, the miss."""
    s = np.arange(len(signal), dtype=float)
    turned = signal * np.exp(-2j * np.pi * s / period)
    sigma = 2.0 * period
    kernel_size = 2 * int(3 * sigma) + 1
    if kernel_size >= len(signal):
        return None
    kernel = cv2.getGaussianKernel(kernel_size, sigma, cv2.CV_64F).ravel()
    local = np.convolve(turned, kernel, mode="same")
    level = np.sqrt(np.convolve(signal.astype(float) ** 2, kernel, mode="same"))
    sure = np.abs(local) / np.maximum(level, 1e-6)
    strong = inside & (sure > 0.25) & (level > 0.3 * np.percentile(level, 80))
    runs = [run for run in _runs(strong) if run[1] - run[0] > 6 * period]
    if not runs:
        return None
    # A short gap (a pin, a thread) is stepped over; a wide one may slip by a mark.
    start, stop = max(runs, key=lambda run: run[1] - run[0])
    for a, b in sorted(runs):
        if stop < a <= stop + 4 * period:
            stop = b
        elif start > b >= start - 4 * period:
            start = a
    inner = slice(start, stop)
    number = s[inner] / period + np.unwrap(np.angle(local[inner])) / (2 * np.pi)
    at = s[inner]
    if at[-1] - at[0] < FEWEST_MARKS * period:
        return None
    scale = len(signal)
    kept = np.ones(len(at), bool)
    count = np.zeros(3)
    for _ in range(5):
        share, whole = at[kept] / scale, number[kept]
        matrix = np.stack([np.ones_like(share), share, -whole * share], -1)
        solved = np.linalg.lstsq(matrix, whole, rcond=None)[0]
        count = np.array([solved[0], solved[1] / scale, solved[2] / scale])
        miss = np.abs((count[0] + count[1] * at) / (1 + count[2] * at) - number)
        kept = miss < max(3 * float(np.median(miss)), 0.02)
        if kept.mean() < 0.7:
            return None
    rms = float(np.sqrt(np.mean(miss[kept] ** 2)))
    if rms > 0.12:
        return None
    return count, (float(at[0]), float(at[-1])), rms


def _with_lengths(
    row: MarkRow, calm: NDArray[np.float32], rows: slice, reach: int
) -> MarkRow | None:
    low, high = row.span_px
    c0, c1, c2 = row.count
    first = int(np.ceil((c0 + c1 * low) / (1 + c2 * low)))
    last = int(np.floor((c0 + c1 * high) / (1 + c2 * high)))
    if last - first + 1 < FEWEST_MARKS:
        return None
    numbers = np.arange(first, last + 1)

    def columns(shift: float) -> NDArray[np.float32]:
        n = numbers + shift
        at = ((n - c0) / (c1 - n * c2)).astype(np.float32)
        line = np.arange(calm.shape[0], dtype=np.float32)
        x, y = np.meshgrid(at, line)
        return np.asarray(cv2.remap(calm, x, y, cv2.INTER_LINEAR))

    stands_out = columns(0.0) - 0.5 * (columns(-0.5) + columns(0.5))
    typical = np.median(stands_out[rows], axis=0)
    level = float(np.median(typical))
    # A row of marks, not a wave: nearly every mark is there.
    if level <= 0 or float((typical > 0.35 * level).mean()) < 0.8:
        return None
    relative = np.asarray(stands_out / level, dtype=np.float32)
    lengths = _lengths(relative, rows)
    longest = float(np.percentile(lengths, 98))
    seen = np.flatnonzero(np.percentile(relative, 90, axis=1) > 0.5)
    runs = [
        run
        for run in _runs(np.isin(np.arange(calm.shape[0]), seen))
        if run[0] <= rows.start < run[1] or rows.start <= run[0] < rows.stop
    ]
    band = (float(rows.start - reach), float(rows.stop - reach))
    if runs and longest > 0:
        band = (float(min(band[0], runs[0][0] - reach)), float(max(band[1], runs[-1][1] - reach)))
    # Short marks and long ones begin together at the ruler's edge and end apart.
    below, above = rows.start - reach - band[0], band[1] - (rows.stop - reach)
    base = -1 if below <= above else 1
    return replace(row, band_px=band, lengths=lengths, first=first, base=base)


def _lengths(stands_out: NDArray[np.float32], rows: slice) -> Floats:
    """How far each mark reaches on both sides of the rows that show all of them."""
    there = np.clip(stands_out / 0.6, 0, 1)
    total = there[rows].sum(axis=0)
    for side in (there[rows.stop :], there[: rows.start][::-1]):
        if len(side):
            # Once a mark has ended, what stands further out is a numeral or a next row.
            total = total + np.minimum.accumulate(cv2.blur(side, (1, 3)), axis=0).sum(axis=0)
    return np.asarray(total, dtype=np.float64)
