"""Find the repeat of a straightened lace: the shortest shift that brings it onto itself.

The traps are shifts that bring only part of the width onto itself (a header with a finer
period, scallops that alternate under a longer pattern), and mirrored halves. So the lace is
compared with its shifted self band by band across its width, and a shift counts by the
bands that agree least.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.model.lace import Measured, Repeat
from lacelay.reading.peaks import find_peaks
from lacelay.reading.strip import Strip

Floats = NDArray[np.float64]

#: A repeat must be seen at least this many times to be told.
FEWEST_COPIES = 1.6
#: Resolution the repeat is looked for at, px per mm.
PX_PER_MM = 2.5
BANDS = 6
#: Wider than half a mesh, narrower than a motif.
BLUR_MM = 1.4


@dataclass(frozen=True, eq=False)
class RepeatSearch:
    """What was found: the repeat or None, and the doubt to tell."""

    repeat: Repeat | None
    doubt: str | None


def find_repeat(
    strip: Strip, pitch_mm: float | None, relative_sigma: float, length_mm: float
) -> RepeatSearch:
    """Find the repeat.

    Parameters
    ----------
    strip : Strip
    pitch_mm : float or None
        Pitch of a scalloped edge, of which a repeat holds a whole number.
    relative_sigma : float
        Of the scale.
    length_mm : float
        Length of lace seen.
    """
    rows, per_mm = _plain(strip)
    n = rows.shape[1]
    most = int(n / FEWEST_COPIES)
    if most < 8:
        return RepeatSearch(None, "too little of the lace is seen to tell its repeat")
    all_like, worst_like = _likeness(rows, most)
    peaks = find_peaks(all_like, prominence=0.04, height=0.15)
    shortest = 0.7 * pitch_mm if pitch_mm else 3.0
    peaks = peaks[peaks / per_mm >= shortest]
    if pitch_mm is not None:
        near = np.abs(peaks / per_mm / pitch_mm - np.round(peaks / per_mm / pitch_mm))
        peaks = peaks[near < 0.2]
    if len(peaks) == 0:
        return RepeatSearch(
            None,
            "the repeat could not be told: less than two of it are seen, or it is uneven; "
            "measure it and say it",
        )
    score = np.minimum(all_like[peaks], 0.5 * (all_like[peaks] + worst_like[peaks]))
    best = float(score.max())
    good = peaks[score >= 0.86 * best]
    chosen = int(good[0])
    length = _exact(all_like, chosen) / per_mm
    # A whole number of repeats further on the same shift is known more exactly.
    times = 1
    for k in range(2, 30):
        near_k = peaks[np.abs(peaks / per_mm - k * length) < 0.06 * length]
        if len(near_k) == 0 or near_k[0] > 0.75 * n:
            break
        far = int(near_k[np.argmax(all_like[near_k])])
        length, times = _exact(all_like, far) / per_mm / k, k
    copies = length_mm / length
    shorter = score[peaks < chosen]
    clear = best - float(shorter.max()) if len(shorter) else best
    sure = float(np.clip(0.35 + 0.6 * best, 0, 1) * np.clip(0.6 + 2.0 * clear, 0, 1))
    if copies < 2:
        sure *= 0.7
    sigma = float(np.hypot(0.25 / per_mm / times, relative_sigma * length))
    reason = f"{copies:.1f} copies seen, {best:.0%} alike"
    doubt = None
    if sure < 0.6:
        doubt = f"the repeat of {length:.0f} mm is not sure ({reason}); measure it"
    return RepeatSearch(Repeat(Measured(length, sigma), copies, sure, reason), doubt)


def _plain(strip: Strip) -> tuple[Floats, float]:
    """The cover at low resolution, each row about its mean, cut to where lace lies."""
    shrink = min(1.0, PX_PER_MM / strip.px_per_mm)
    size = (round(strip.alpha.shape[1] * shrink), round(strip.alpha.shape[0] * shrink))
    shrink = size[0] / strip.alpha.shape[1]
    small = cv2.resize(strip.alpha, size, interpolation=cv2.INTER_AREA)
    # Meshes are blurred away: their spacing need not fit the repeat.
    small = cv2.GaussianBlur(small, (0, 0), BLUR_MM * strip.px_per_mm * shrink)
    inside = cv2.resize(
        strip.extent.astype(np.float32), small.shape[::-1], interpolation=cv2.INTER_AREA
    )
    deep = (inside > 0.5).sum(0)
    columns = np.flatnonzero(deep > 0.5 * np.percentile(deep[deep > 0], 60))
    rows = np.flatnonzero((inside > 0.5)[:, columns].mean(1) > 0.15)
    cut = small[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1].astype(np.float64)
    # Slow changes (light, stretch) are no pattern.
    cut = cut - cut.mean(1, keepdims=True)
    return cut, strip.px_per_mm * shrink


def _likeness(rows: Floats, most: int) -> tuple[Floats, Floats]:
    """Correlation with itself at each shift: of the whole, and of the least agreeing bands."""
    n = rows.shape[1]
    size = 1 << int(np.ceil(np.log2(2 * n)))
    product = np.fft.irfft(np.abs(np.fft.rfft(rows, size, axis=1)) ** 2, size, axis=1)[
        :, : most + 1
    ]
    none = np.zeros((len(rows), 1))
    squares = np.concatenate([none, np.cumsum(rows**2, axis=1)], axis=1)
    sums = np.concatenate([none, np.cumsum(rows, axis=1)], axis=1)
    lags = np.arange(most + 1)
    # Means over what overlaps: else the ends' own brightness tilts the peaks.
    head_sum, tail_sum = sums[:, n - lags], sums[:, n : n + 1] - sums[:, lags]
    product = product - head_sum * tail_sum / (n - lags)
    head = squares[:, n - lags] - head_sum**2 / (n - lags)
    tail = squares[:, n : n + 1] - squares[:, lags] - tail_sum**2 / (n - lags)
    whole = product.sum(0) / np.sqrt(np.maximum(head.sum(0) * tail.sum(0), 1e-12))
    bands = np.array_split(np.arange(len(rows)), BANDS)
    energy = np.array([squares[band, -1].sum() for band in bands])
    like = []
    for band, own in zip(bands, energy, strict=True):
        if own < 0.35 * energy.mean():
            continue  # plain net has nothing to agree on
        like.append(
            product[band].sum(0) / np.sqrt(np.maximum(head[band].sum(0) * tail[band].sum(0), 1e-12))
        )
    worst = np.sort(np.array(like), axis=0)[: max(1, len(like) // 3)].mean(0)
    return whole, worst


def _exact(like: Floats, at: int) -> float:
    if not 0 < at < len(like) - 1:
        return float(at)
    before, here, after = like[at - 1], like[at], like[at + 1]
    bend = before - 2 * here + after
    return float(at + (0.5 * (before - after) / bend if abs(bend) > 1e-12 else 0.0))
