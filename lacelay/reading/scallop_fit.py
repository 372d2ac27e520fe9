"""Fit a periodic shape to the height of an edge: one mean scallop, laid along it in copies.

The mean shape is the median over the copies, so glare, a printed line of the lace's colour
or a torn place in one copy does not bend it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from lacelay.reading.mean_scallop import (
    NARROWEST_MM,
    PHASES,
    fold,
    likeness_of_copies,
    minima,
    shape_at,
)
from lacelay.reading.periods import flattened, hidden, periods, refined, slow_curve
from lacelay.reading.valley_laying import Laid, ideal_phases, lay, phases_between

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]

#: Times a period is seen, of one scallop and of several, to be believed.
FEWEST_SCALLOPS, FEWEST_COPIES = 1.7, 2.5
#: The fit is made on samples at most this far apart, mm, and on no fewer than so many.
COARSE_MM, FEWEST_SAMPLES = 0.8, 400
#: Scallops that take turns in width differ by less than this; ones that differ by more are more
#: likely notches in a scallop's head, and their likeness counts for so much less.
UNEVEN_WIDTHS, ODD_LOSS = 1.75, 0.2
#: A fit this good needs no other slow curve to be tried, nor a longer period.
GOOD_ALIKE = 0.93
#: A scallop at an end that misses the mean shape by this share of its play on average is
#: something else; this share of the edge must be left without such.
STRANGE, LEAST_LEFT = 0.2, 0.6
#: A valley counts up to this far past the cut, mm, which is how well either is known: lace is
#: often cut in the very valley, and a scallop that ends there is whole.
PAST_CUT_MM = 0.3
#: A valley where that begins may lie this share of the period beyond.
SLACK = 0.08
#: A scallop at an end that misses the mean shape by this share of its play, and by this many
#: times what the others do, and by the third, mm, is a corner or a torn end.
UNLIKE_SHARE, UNLIKE_TIMES, UNLIKE_MM = 0.08, 2.0, 0.4


@dataclass(frozen=True, eq=False)
class ScallopFit:
    """Valleys of an edge, as sample numbers (not rounded), and how well the shape fits.

    Parameters
    ----------
    at : ndarray, shape (m,)
        In order along the edge, all inside the profile.
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
    pulled: Flags
    period: float
    places: Floats
    alike: float
    shape: Floats
    end_gap: tuple[float, float]
    dropped: int
    phases: Floats
    trend: Floats
    hidden: Flags

    @property
    def pitch(self) -> float:
        """Mean width of a scallop, samples."""
        return self.period / self.each

    @property
    def each(self) -> int:
        """Scallops in one period."""
        return len(self.places)

    @property
    def widest(self) -> float:
        """How many times as wide as the narrowest the widest scallop of one period is."""
        wide = np.diff(np.append(self.places, self.places[0] + 1.0))
        return float(wide.max() / wide.min())

    def finer(self, times: int, count: int) -> ScallopFit:
        """The same fit on `count` samples, `times` of them to one of these."""
        samples, coarse = np.arange(count), times * np.arange(len(self.phases))
        slope = (self.phases[-1] - self.phases[-2]) / times
        past = np.maximum(samples - coarse[-1], 0)
        return replace(
            self,
            at=self.at * times,
            period=self.period * times,
            end_gap=(self.end_gap[0] * times, self.end_gap[1] * times),
            phases=np.interp(samples, coarse, self.phases) + past * slope,
            trend=np.interp(samples, coarse, self.trend),
            hidden=self.hidden[np.minimum(samples // times, len(coarse) - 1)],
        )


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
    few = max(1, min(int(COARSE_MM / spacing_mm), len(height) // FEWEST_SAMPLES))
    fit = _best_fit(height[::few], spacing_mm * few, (len(height) - 1) / few)
    return fit if fit is None or few == 1 else fit.finer(few, len(height))


def _best_fit(height: Floats, spacing_mm: float, last: float) -> ScallopFit | None:
    """The fit with the period and the slow curve that tell most."""
    seen = ~hidden(height, spacing_mm)
    best: ScallopFit | None = None
    most = -np.inf
    done: list[float] = []
    for degree in (1, 2, 4):
        if best is not None and best.alike > GOOD_ALIKE:
            break
        row, trend = flattened(height, seen, degree)
        for period in periods(row, spacing_mm):
            copies = len(row) / period
            if best is not None and best.alike > GOOD_ALIKE and period > 1.1 * best.period:
                break
            if any(abs(period - other) < 0.02 * period for other in done) and degree < 4:
                continue
            if degree == 4 and copies < 4:
                continue
            done.append(period)
            fit = _fit(row, trend, period, spacing_mm, 2 if copies < 5 else 4, last)
            if fit is None or fit.pitch * spacing_mm < 0.9 * NARROWEST_MM:
                continue
            # Several scallops are one period only if that period recurs; else a valley that
            # is covered once would make a pattern of its own.
            if len(row) / fit.period < (FEWEST_COPIES if fit.each > 1 else FEWEST_SCALLOPS):
                continue
            # The shorter period unless the longer one tells clearly more.
            gain = 0.05 if best is None or fit.period > 1.1 * best.period else 0.0
            if best is not None and fit.period < 0.9 * best.period:
                gain = -0.05
            score = fit.alike - (ODD_LOSS if fit.widest > UNEVEN_WIDTHS else 0.0)
            if best is None or score > most + gain:
                best, most = fit, score
    return best


def _fit(
    row: Floats, trend: Floats, period: float, spacing_mm: float, degree: int, last: float
) -> ScallopFit | None:
    """Lay a mean shape of one period along an edge; `last` is where the edge ends, samples."""
    period = refined(row, period)
    phases = np.arange(len(row)) / period
    shape = fold(row, phases)
    places = minima(shape, period / PHASES, spacing_mm)
    if len(places) == 0:
        return None
    phase = places[np.argmin(shape[places])] / PHASES
    start = phase * period
    shape = np.roll(shape, -round(phase * PHASES))
    laid: Laid | None = None
    samples, limits = np.arange(len(row)), (0.0, last)
    for turn in range(3):
        places = minima(shape, period / PHASES, spacing_mm)
        if len(places) == 0:
            return None
        laid = lay(row, shape, start, period, places / PHASES * period, spacing_mm, laid)
        # Where each sample lies in its copy, by the valleys on both sides of it.
        ideal = ideal_phases(len(laid.at), places / PHASES, start, period)
        inside = (laid.at > -0.7 * period) & (laid.at < len(row) + 0.7 * period)
        if inside.sum() < 2 or np.any(np.diff(laid.at[inside]) <= 0):
            return None
        phases = phases_between(len(row), laid.at[inside], ideal[inside])
        if turn < 2:
            limits = _like_the_rest(row, shape, phases, laid.at, last)
            within = (samples >= limits[0]) & (samples <= limits[1])
            if turn == 1:
                row = np.where(within, row, np.nan)
            known = np.isfinite(row) & within
            rest = np.where(known, row - shape_at(shape, phases), 0.0)
            slow = slow_curve(rest, known, degree)
            row, trend = row - slow, trend + slow
        shape = fold(row, phases)
    assert laid is not None
    miss = np.abs(row - shape_at(shape, phases))
    seen, dropped = _believed(
        laid, limits, last, miss, float(np.ptp(shape)), period, -PAST_CUT_MM / spacing_mm
    )
    if not seen.any():
        return None
    return ScallopFit(
        np.clip(laid.at[seen], 0.0, last),
        laid.pulled[seen],
        period,
        places / PHASES,
        likeness_of_copies(row, shape, phases),
        shape,
        (_gap(-laid.at[::-1], 0.0, period), _gap(laid.at, last, period)),
        dropped,
        phases,
        trend,
        ~np.isfinite(row),
    )


def _like_the_rest(
    row: Floats, shape: Floats, phases: Floats, at: Floats, last: float
) -> tuple[float, float]:
    """From where to where an edge is lace: a hand or a tool may lie at its ends.

    Returns
    -------
    tuple of float
        The whole edge, 0 to `last`, or up to the valley before what is no scallop.
    """
    miss = np.abs(row - shape_at(shape, phases))
    inside = at[(at > 0) & (at < last)]
    bounds = np.concatenate([[0.0], inside, [last]])
    each = np.zeros(len(bounds) - 1)
    for k, (start, stop) in enumerate(pairwise(bounds)):
        own = miss[int(np.ceil(start)) : int(stop) + 1]
        own = own[np.isfinite(own)]
        each[k] = own.mean() if len(own) else 0.0
    like = np.flatnonzero(each <= STRANGE * float(np.ptp(shape)))
    if len(like) == 0:
        return 0.0, last
    first, stop = float(bounds[like[0]]), float(bounds[like[-1] + 1])
    return (first, stop) if stop - first > LEAST_LEFT * last else (0.0, last)


def _believed(
    laid: Laid,
    limits: tuple[float, float],
    last: float,
    miss: Floats,
    play: float,
    period: float,
    past: float,
) -> tuple[Flags, int]:
    """Which valleys count, and how many expected near an end do not.

    The ends may be shaped otherwise (a corner, a torn end): no valley there without sight.
    """
    at = laid.at
    slack = SLACK * period
    first, stop = (
        (limits[0] - slack if limits[0] > 0 else past),
        (limits[1] + slack if limits[1] < last else last - past),
    )
    seen = (at >= first) & (at <= stop)
    dropped = int(((at >= 0) & (at <= last) & ~seen).sum())
    unlike = laid.unlike_left & laid.unlike_right
    good = np.flatnonzero(seen & ~unlike & ~laid.pulled)
    if len(good) == 0:
        return np.zeros(len(at), bool), 0
    number = np.arange(len(at))
    # At an end the scallop on the inner side tells; what lies beyond is no business of it.
    beyond = ((number < good[0]) & laid.unlike_right) | ((number > good[-1]) & laid.unlike_left)
    lost = seen & beyond
    dropped += int(lost.sum())
    inner = np.flatnonzero(seen & ~lost)
    inner = np.arange(inner[0], inner[-1] + 1)
    kept = _without_odd_ends(at[inner], miss, play, UNLIKE_MM)
    dropped += len(inner) - (kept.stop - kept.start)
    believed = np.zeros(len(at), bool)
    believed[inner[kept]] = True
    return believed, dropped


def _without_odd_ends(at: Floats, miss: Floats, play: float, at_least: float) -> slice:
    """Which valleys are left when scallops at the ends that are unlike the rest are taken off."""
    if len(at) < 4:
        return slice(0, len(at))
    each = np.zeros(len(at) - 1)
    for k, (start, stop) in enumerate(pairwise(at)):
        own = miss[int(np.ceil(start)) : int(stop) + 1]
        own = own[np.isfinite(own)]
        each[k] = own.mean() if len(own) else 0.0
    odd = each > max(UNLIKE_SHARE * play, UNLIKE_TIMES * float(np.median(each)), at_least)
    first = int(np.argmin(odd)) if odd[0] else 0
    last = len(odd) - (int(np.argmin(odd[::-1])) if odd[-1] else 0)
    return slice(first, last + 1) if last - first >= 2 else slice(0, len(at))


def _gap(at: Floats, last: float, period: float) -> float:
    """From the end of the profile to the next valley expected beyond it."""
    beyond = at[at > last]
    return float(beyond[0] - last) if len(beyond) else period
