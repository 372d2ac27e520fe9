"""Fit a periodic shape to the height of an edge: one mean scallop, laid along it in copies.

The mean shape is the median over the copies, so glare, a printed line of the lace's colour
or a torn place in one copy does not bend it. Each valley is then found by sliding the mean
shape over its own surroundings; where that fails, it is placed by its neighbours and said
to be so.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

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
#: Times a period is seen, of one scallop and of several, to be believed.
FEWEST_SCALLOPS, FEWEST_COPIES = 1.7, 2.5
#: Samples of the mean shape over one period.
PHASES = 240
#: An edge dead level within the second over the first, mm, is no lace.
FLAT_MM, FLAT_PLAY_MM = 16.0, 0.2
#: A valley is looked for at most this share of its scallop from where it should be.
REACH_SHARE = 0.16
#: A valley that differs from its neighbours' shift by more than this is an outlier, mm,
#: or by more than this share of the pitch.
OUTLIER_MM, OUTLIER_SHARE = 1.2, 0.045
#: Samples this far apart, mm, tell which period is right; fewer samples than this do not.
COARSE_MM, FEWEST_SAMPLES = 0.8, 400
#: Lace cut off in the very valley: one this little beyond the end, mm or as a share of the
#: pitch, lies at the end.
END_MM, END_SHARE = 0.6, 0.02
#: A scallop at an end that misses the mean shape by this share of its play, and by this many
#: times what the others do, is a corner or a torn end.
UNLIKE_SHARE, UNLIKE_TIMES = 0.08, 2.0


@dataclass(frozen=True, eq=False)
class ScallopFit:
    """Valleys of an edge, as sample numbers (not rounded), and how well the shape fits.

    Parameters
    ----------
    at : ndarray, shape (m,)
        In order along the edge, all inside the profile; at its end where the lace was cut there.
    pulled : ndarray of bool, shape (m,)
        Placed by the neighbours: what is seen there does not look like a valley.
    period : float
        Of the mean shape, samples.
    places : ndarray, shape (k,)
        Phases, 0 to 1, of the valleys of one period: as many as it has scallops.
    alike : float
        How alike a copy and the others are: 1 is the same.
    shape : ndarray, shape (PHASES,)
        The mean shape over one period, the first valley at 0.
    end_gap : tuple of float
        How far beyond the profile's two ends the next valleys would lie, samples.
    dropped : int
        Valleys expected near an end where the edge does not look like one.
    phases : ndarray, shape (n,)
        Copy number plus phase of each sample of the profile.
    trend : ndarray, shape (n,)
        The slow curve the shape rides on.
    hidden : ndarray of bool, shape (n,)
        Where the edge is not seen: glare, a printed line, the mat's border.
    """

    at: Floats
    pulled: NDArray[np.bool_]
    period: float
    places: Floats
    alike: float
    shape: Floats
    end_gap: tuple[float, float]
    dropped: int
    phases: Floats
    trend: Floats
    hidden: NDArray[np.bool_]

    @property
    def pitch(self) -> float:
        """Mean width of a scallop, samples."""
        return self.period / self.each

    @property
    def each(self) -> int:
        """Scallops in one period."""
        return len(self.places)


def smooth(values: Floats, sigma: float) -> Floats:
    """Blur a row by a normal of `sigma` samples."""
    if sigma < 0.3:
        return values
    row = cv2.GaussianBlur(
        values.reshape(1, -1), (0, 0), sigmaX=sigma, sigmaY=1e-3, borderType=cv2.BORDER_REPLICATE
    )
    return np.asarray(row.ravel(), dtype=np.float64)


def likeness(values: Floats, most: int) -> Floats:
    """Correlation of a row with itself shifted by 0 to `most`, over what overlaps."""
    n = len(values)
    size = 1 << int(np.ceil(np.log2(2 * n)))
    product = np.fft.irfft(np.abs(np.fft.rfft(values, size)) ** 2, size)[: most + 1]
    squares = np.concatenate([[0.0], np.cumsum(values**2)])
    lags = np.arange(most + 1)
    head, tail = squares[n - lags], squares[n] - squares[lags]
    return np.asarray(product / np.sqrt(np.maximum(head * tail, 1e-12)), dtype=np.float64)


def fit_scallops(height: Floats, spacing_mm: float) -> ScallopFit | None:
    """Fit the scallops of an edge.

    Parameters
    ----------
    height : ndarray, shape (n,)
        Height of the edge, counted outward, evenly spaced; it may run aslant or in a bow.
    spacing_mm : float

    Returns
    -------
    ScallopFit or None
        None where no shape recurs.
    """
    # Which period is told on fewer samples; only that one is laid on all of them.
    few = max(1, min(int(COARSE_MM / spacing_mm), len(height) // FEWEST_SAMPLES))
    chosen = _best_period(height[::few], spacing_mm * few)
    if chosen is None:
        return None
    period, degree, fit = chosen
    if few == 1:
        return fit
    u = np.linspace(-1, 1, len(height))
    row, trend = _flattened(u, height, ~_hidden(height, spacing_mm), degree)
    return _fit(row, trend, period * few, spacing_mm, 2 if len(row) / (period * few) < 5 else 4)


def _flattened(
    u: Floats, height: Floats, seen: NDArray[np.bool_], degree: int
) -> tuple[Floats, Floats]:
    """The edge about its slow curve, what is hidden or far off left blank; and that curve."""
    trend = _trend(u, height, seen, degree)
    row = height - trend
    low, high = np.percentile(row[seen], [4, 96])
    far = (row < low - 0.3 * (high - low)) | (row > high + 0.3 * (high - low))
    return np.where(seen & ~far, row, np.nan), trend


def _best_period(height: Floats, spacing_mm: float) -> tuple[float, int, ScallopFit] | None:
    """The period to lay, in samples, the degree of the slow curve, and its fit."""
    u = np.linspace(-1, 1, len(height))
    seen = ~_hidden(height, spacing_mm)
    best: tuple[float, float, int, ScallopFit] | None = None
    done: list[float] = []
    for degree in (1, 2, 4):
        row, trend = _flattened(u, height, seen, degree)
        for period in _periods(row, spacing_mm):
            copies = len(row) / period
            if any(abs(period - other) < 0.02 * period for other in done) and degree < 4:
                continue
            if degree == 4 and copies < 4:
                continue
            done.append(period)
            fit = _fit(row, trend, period, spacing_mm, 2 if copies < 5 else 4)
            if fit is None or fit.pitch * spacing_mm < 0.9 * NARROWEST_MM:
                continue
            # Several scallops are one period only if that period recurs; else a valley that
            # is covered once would make a pattern of its own.
            if len(row) / fit.period < (FEWEST_COPIES if fit.each > 1 else FEWEST_SCALLOPS):
                continue
            score = fit.alike
            # The shorter period unless the longer one tells clearly more.
            gain = 0.05 if best is None or fit.period > 1.1 * best[3].period else 0.0
            if best is not None and fit.period < 0.9 * best[3].period:
                gain = -0.05
            if best is None or score > best[0] + gain:
                best = (score, fit.period, degree, fit)
    return best[1:] if best else None


def _hidden(height: Floats, spacing_mm: float) -> NDArray[np.bool_]:
    """Where the edge runs dead level far out: a printed line or the mat's own border."""
    n = len(height)
    window = np.ones((1, 2 * max(1, round(FLAT_MM / 2 / spacing_mm)) + 1), np.uint8)
    row = height.reshape(1, -1).astype(np.float32)
    play = (cv2.dilate(row, window) - cv2.erode(row, window)).ravel()
    flat = cv2.dilate((play < FLAT_PLAY_MM).astype(np.uint8).reshape(1, -1), window).ravel() > 0
    if not flat.any() or flat.mean() > 0.6:
        return np.zeros(n, bool)
    return np.asarray(flat & (height > np.percentile(height[~flat], 80)), dtype=bool)


def _trend(u: Floats, height: Floats, seen: NDArray[np.bool_], degree: int) -> Floats:
    """Slow curve through the edge by least absolute misses: what sticks out bends it little."""
    weight = seen.astype(float)
    fit = np.zeros(1)
    for _ in range(12):
        fit = np.polyfit(u, height, degree, w=np.sqrt(weight))
        miss = np.abs(height - np.polyval(fit, u))
        scale = float(np.median(miss[seen])) + 1e-6
        weight = seen / np.maximum(miss, 0.3 * scale)
    return np.asarray(np.polyval(fit, u), dtype=np.float64)


def _periods(row: Floats, spacing_mm: float) -> list[float]:
    """Shifts that bring the edge onto itself, shortest first."""
    n = len(row)
    known = np.isfinite(row)
    level = float(np.mean(row[known]))
    like = likeness(smooth(np.where(known, row - level, 0.0), 1.0 / spacing_mm), int(0.72 * n))
    peaks = find_peaks(like, prominence=0.12)
    keep = (peaks * spacing_mm >= NARROWEST_MM * 0.9) & (like[peaks] > 0.22)
    peaks = peaks[keep]
    if len(peaks) == 0:
        return []
    trust = like[peaks] * np.sqrt(1 - 0.5 * peaks / n)
    found = [float(p) for p in peaks[trust >= 0.5 * trust.max()][:6]]
    return sorted(found)


def _fit(
    row: Floats, trend: Floats, period: float, spacing_mm: float, degree: int
) -> ScallopFit | None:
    u = np.linspace(-1, 1, len(row))
    period = _refined(row, period)
    phases = np.arange(len(row)) / period
    shape = fold(row, phases)
    places = _minima(shape, period / PHASES, spacing_mm)
    if len(places) == 0:
        return None
    phase = places[np.argmin(shape[places])] / PHASES
    start = phase * period
    shape = np.roll(shape, -round(phase * PHASES))
    at, pulled, unlike = np.zeros(0), np.zeros(0), np.zeros(0, bool)
    for turn in range(3):
        places = _minima(shape, period / PHASES, spacing_mm)
        if len(places) == 0:
            return None
        offsets = places / PHASES * period
        at, pulled, unlike = _laid(row, shape, start, period, offsets, spacing_mm)
        # Where each sample lies in its copy, by the valleys on both sides of it.
        ideal = _ideal(len(at), places / PHASES, start, period)
        inside = (at > -0.7 * period) & (at < len(row) + 0.7 * period)
        if inside.sum() < 2 or np.any(np.diff(at[inside]) <= 0):
            return None
        phases = _phases(len(row), at[inside], ideal[inside])
        if turn < 2:
            known = np.isfinite(row)
            rest = np.where(known, row - shape_at(shape, phases), 0.0)
            slow = _trend(u, rest, known, degree)
            row, trend = row - slow, trend + slow
        shape = fold(row, phases)
    last = len(row) - 1
    hidden = ~np.isfinite(row)
    edge = max(END_MM / spacing_mm, END_SHARE * period / len(places))
    seen = (at >= -edge) & (at <= last + edge)
    at = np.where(seen, np.clip(at, 0, last), at)
    # The ends may be shaped otherwise (a corner, a torn end): no valley there without sight.
    good = np.flatnonzero(seen & ~unlike & (pulled == 0))
    if len(good) == 0:
        return None
    dropped = 0
    for k in np.flatnonzero(seen):
        beyond = k < good[0] or k > good[-1]
        if beyond and unlike[k]:
            seen[k] = False
            dropped += 1
    inner = np.flatnonzero(seen)
    inner = np.arange(inner[0], inner[-1] + 1)
    kept = _without_odd_ends(at[inner], np.abs(row - shape_at(shape, phases)), float(np.ptp(shape)))
    dropped += len(inner) - (kept.stop - kept.start)
    seen[:] = False
    seen[inner[kept]] = True
    gaps = (_gap(-at[::-1], 0.0, period), _gap(at, float(last), period))
    return ScallopFit(
        at[seen],
        pulled[seen] > 0,
        period,
        places / PHASES,
        _alike(row, shape, phases),
        shape,
        gaps,
        dropped,
        phases,
        trend,
        hidden,
    )


def _without_odd_ends(at: Floats, miss: Floats, play: float) -> slice:
    """Which valleys are left when scallops at the ends that are unlike the rest are taken off."""
    if len(at) < 4:
        return slice(0, len(at))
    each = np.zeros(len(at) - 1)
    for k, (start, stop) in enumerate(pairwise(at)):
        own = miss[int(np.ceil(start)) : int(stop) + 1]
        if np.isfinite(own).any():
            each[k] = np.nanmean(own)
    odd = each > max(UNLIKE_SHARE * play, UNLIKE_TIMES * float(np.median(each)))
    first = int(np.argmin(odd)) if odd[0] else 0
    last = len(odd) - (int(np.argmin(odd[::-1])) if odd[-1] else 0)
    return slice(first, last + 1) if last - first >= 2 else slice(0, len(at))


def _gap(at: Floats, last: float, period: float) -> float:
    """From the end of the profile to the next valley expected beyond it."""
    beyond = at[at > last]
    return float(beyond[0] - last) if len(beyond) else period


def _first_copy(start: float, period: float) -> int:
    return int(np.floor(-start / period)) - 1


def _ideal(count: int, places: Floats, start: float, period: float) -> Floats:
    """Copy number plus phase of each laid valley."""
    first, each = _first_copy(start, period), len(places)
    number = np.arange(count)
    return first + number // each + places[number % each]


def _refined(row: Floats, period: float) -> float:
    """The period whose mean shape leaves least."""
    n = len(row)
    span = 0.6 / max(n / period, 1.0)
    best = (np.inf, period)
    for share in np.linspace(1 - 0.5 * span, 1 + 0.5 * span, 25):
        phases = np.arange(n) / (period * share)
        miss = row - shape_at(fold(row, phases), phases)
        rest = float(np.nanmean(np.abs(miss)))
        if rest < best[0]:
            best = (rest, period * share)
    return best[1]


def fold(row: Floats, phases: Floats) -> Floats:
    """Median over the copies at each phase."""
    count = int(np.floor(phases[-1])) - int(np.floor(phases[0])) + 1
    first = np.floor(phases[0])
    wanted = first + np.arange(count)[:, None] + (np.arange(PHASES) / PHASES)[None]
    # What is hidden in a copy leaves a gap there, and the other copies tell.
    copies = np.interp(wanted, phases, row, left=np.nan, right=np.nan)
    ordered = np.sort(copies, axis=0)  # blanks come last
    seen = np.isfinite(copies).sum(axis=0)
    at = np.arange(PHASES)
    shape = (ordered[(seen - 1) // 2, at] + ordered[seen // 2, at]) / 2
    known = np.isfinite(shape)
    if not known.any():
        return np.zeros(PHASES)
    grid = np.arange(PHASES)
    return np.asarray(np.interp(grid, grid[known], shape[known], period=PHASES), dtype=np.float64)


def shape_at(shape: Floats, phases: Floats) -> Floats:
    """Height of a mean shape at phases; a phase beyond 1 is in the next copy."""
    return np.asarray(
        np.interp((phases % 1.0) * PHASES, np.arange(PHASES), shape, period=PHASES),
        dtype=np.float64,
    )


def _minima(shape: Floats, samples: float, spacing_mm: float) -> Ints:
    """Phases of the valleys of the mean shape."""
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
    wide = np.array([_width_at(shape, int(at), top) for at, top in zip(found, level, strict=True)])
    return np.asarray(found[wide > NOTCH_SHARE * wide.max()], dtype=np.int64)


def _width_at(shape: Floats, at: int, top: float) -> int:
    """Width of a valley of the mean shape at a height, phases."""
    above = np.roll(shape, -at) > top
    if not above.any():
        return PHASES
    return int(np.argmax(above)) + int(np.argmax(above[::-1]))


def _laid(
    row: Floats,
    shape: Floats,
    start: float,
    period: float,
    offsets: Floats,
    spacing_mm: float,
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Each valley by sliding the mean shape over its surroundings; outliers by neighbours.

    Returns places, which of them were put by the neighbours, and where the edge is unlike.
    """
    n, each = len(row), len(offsets)
    first = _first_copy(start, period)
    copies = int(np.ceil((n - start) / period)) + 1 - first
    expected = (start + period * (first + np.arange(copies))[:, None] + offsets[None]).ravel()
    pitch = period / each
    play = float(np.ptp(shape))
    near = np.arange(-round(0.42 * pitch), round(0.42 * pitch) + 1)
    seen = np.isfinite(row)
    filled = np.where(seen, row, 0.0)
    models = shape_at(shape, (expected[:, None] - start + near) / period)

    def missed(shifts: Ints) -> tuple[Floats, NDArray[np.bool_]]:
        """Misses of every valley's surroundings at each shift (m, k, near), what is known."""
        places = expected[:, None, None] + shifts[..., None] + near
        known = (places >= 0) & (places <= n - 1)
        known &= seen[np.clip(places, 0, n - 1).round().astype(int)]
        heights = np.interp(places.ravel(), np.arange(n), filled).reshape(places.shape)
        there = heights - models[:, None, :]
        order = np.sort(np.where(known, there, np.inf), axis=-1)
        middle = np.take_along_axis(order, known.sum(-1, keepdims=True) // 2, axis=-1)
        middle = np.where(np.isfinite(middle), middle, 0.0)
        there = there - np.clip(middle, -0.15 * play, 0.15 * play)
        return np.where(known, np.minimum(np.abs(there), 0.3 * play), 0.0), known

    weight = 0.25 + np.exp(-0.5 * (near / (0.16 * pitch)) ** 2)
    tries = np.arange(-round(REACH_SHARE * pitch), round(REACH_SHARE * pitch) + 1)
    miss, known = missed(np.broadcast_to(tries, (len(expected), len(tries))))
    share = known @ weight / weight.sum()
    total = miss @ weight / np.maximum(known @ weight, 1e-9)
    # A pull to where it should be, far weaker than what is seen.
    total = total + 0.02 * play * (tries / max(1, tries[-1])) ** 2
    total[share < 0.4] = np.inf
    best = np.argmin(total, axis=1)
    whole = share[:, len(tries) // 2] >= 0.4
    vertex = np.array([_vertex(own, int(k)) for own, k in zip(total, best, strict=True)])
    shift = np.where(whole, tries[best] + vertex, 0.0)
    rest = np.where(whole, total[np.arange(len(best)), best], np.inf)
    at, pulled = _steady(expected, shift, rest, play, pitch, spacing_mm)
    miss, known = missed(np.round(at - expected).astype(np.int64)[:, None])
    share = (known @ weight / weight.sum())[:, 0]
    unlike = (share > 0.2) & ((miss @ weight)[:, 0] > 0.17 * play * share * weight.sum())
    return at, pulled, unlike


def _vertex(values: Floats, at: int) -> float:
    if not 0 < at < len(values) - 1 or not np.isfinite(values[at - 1 : at + 2]).all():
        return 0.0
    bend = values[at - 1] - 2 * values[at] + values[at + 1]
    return float(0.5 * (values[at - 1] - values[at + 1]) / bend) if bend > 1e-12 else 0.0


def _steady(
    expected: Floats, shift: Floats, rest: Floats, play: float, pitch: float, spacing_mm: float
) -> tuple[Floats, Floats]:
    """Shifts change slowly along the edge; one that does not is put among its neighbours'."""
    good = rest < 0.17 * play
    allowed = max(OUTLIER_MM / spacing_mm, OUTLIER_SHARE * pitch)
    index = np.arange(len(expected))
    for _ in range(3):
        if good.sum() < 3:
            break
        held = np.zeros(len(expected))
        for i in index:
            own = np.flatnonzero(good & (index != i))
            own = own[np.argsort(np.abs(own - i), kind="stable")[:4]]
            held[i] = np.median(shift[own]) if len(own) else 0.0
        odd = good & (np.abs(shift - held) > allowed)
        if not odd.any():
            break
        # The worst one first: it may be what makes its neighbours look odd.
        worst = int(np.argmax(np.where(odd, np.abs(shift - held), 0)))
        good[worst] = False
    if not good.any():
        return expected, np.ones(len(expected))
    filled = np.interp(index, index[good], shift[good])
    return expected + np.where(good, shift, filled), (~good).astype(float)


def _phases(n: int, at: Floats, ideal: Floats) -> Floats:
    """Phase of each sample by straight pieces between the valleys."""
    samples = np.arange(n, dtype=float)
    slope = (ideal[-1] - ideal[0]) / (at[-1] - at[0]) if len(at) > 1 else 1.0
    inner = np.interp(samples, at, ideal)
    inner = np.where(samples < at[0], ideal[0] + (samples - at[0]) * slope, inner)
    return np.asarray(
        np.where(samples > at[-1], ideal[-1] + (samples - at[-1]) * slope, inner), dtype=np.float64
    )


def _alike(row: Floats, shape: Floats, phases: Floats) -> float:
    """How much of the edge the mean shape explains, made honest for the few copies in it.

    A third of an edge may be hidden or torn without spoiling it: misses are capped.
    """
    known = np.isfinite(row)
    # What is seen in one copy only is its own mean shape and tells nothing.
    bins = np.floor((phases % 1.0) * PHASES).astype(int)
    copy = np.floor(phases).astype(int)
    seen = np.unique(np.column_stack([bins[known], copy[known]]), axis=0)
    copies = np.bincount(seen[:, 0], minlength=PHASES)
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
