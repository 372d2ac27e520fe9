"""Lay the mean scallop along an edge, copy by copy: where each valley lies.

Each valley is found by sliding the mean shape over its own surroundings; where what is seen
there is no valley it is placed by its neighbours and said to be so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lacelay.reading.mean_scallop import shape_at

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]

#: A valley is looked for at most this share of its scallop from where it should be.
REACH_SHARE = 0.16
#: A valley that differs from its neighbours' shift by more than this is an outlier, mm,
#: or by more than this share of the pitch; one that fits as well as the third (share of the
#: play) or better may differ by up to twice that.
OUTLIER_MM, OUTLIER_SHARE, FITS_WELL = 1.2, 0.045, 0.05
#: A valley's surroundings that miss by this share of the play are unlike a valley.
UNLIKE = 0.17
#: This share of a scallop on both sides of a valley is compared, at so many places.
NEAR_SHARE, NEAR_PLACES = 0.42, 32
#: Beyond a valley at an end this share of a scallop must still look like one.
BEYOND_SHARE = 0.1
#: Fewest good valleys to tell that shifts bend along the edge, and that they grow; times the
#: weights of the curve through them are set anew.
FEWEST_BENT, FEWEST_SLANTED, LEAST_TURNS = 5, 4, 8
#: Of a valley at a cut end less than this share of its surroundings is seen: one flank alone.
#: It tells no more of the place than the other valleys do, where there are so many, and they are
#: even enough to agree with it within the third, a share of the pitch.
ONE_FLANK, FEWEST_OTHERS, AGREE_SHARE = 0.78, 4, 0.03


@dataclass(frozen=True, eq=False)
class Laid:
    """Valleys laid along an edge, in order; arrays of shape (m,).

    Parameters
    ----------
    at : ndarray
        Places, samples; outside the edge too.
    pulled : ndarray of bool
        Placed by the neighbours.
    even : ndarray
        Where they would lie at an even spacing.
    unlike_left, unlike_right : ndarray of bool
        The edge there does not look like a valley, judged by what lies on its left (on its
        right) and a little beyond it.
    """

    at: Floats
    pulled: Flags
    even: Floats
    unlike_left: Flags
    unlike_right: Flags


def first_copy(start: float, period: float) -> int:
    """Number of the first copy laid: one that ends before the edge begins."""
    return int(np.floor(-start / period)) - 1


def lay(
    row: Floats,
    shape: Floats,
    start: float,
    period: float,
    offsets: Floats,
    spacing_mm: float,
    before: Laid | None = None,
) -> Laid:
    """Lay the valleys of a mean shape along an edge.

    Parameters
    ----------
    row : ndarray, shape (n,)
        The edge about its slow curve; nan where it is not seen.
    shape : ndarray, shape (PHASES,)
        Mean shape, its phase 0 at `start`.
    start, period : float
        Samples.
    offsets : ndarray, shape (k,)
        Where the valleys of one period lie in it, samples.
    before : Laid or None
        How valleys were laid before: those of now are looked for as far off an even spacing.
    """
    n, each = len(row), len(offsets)
    first = first_copy(start, period)
    copies = int(np.ceil((n - start) / period)) + 1 - first
    even = (start + period * (first + np.arange(copies))[:, None] + offsets[None]).ravel()
    expected = even
    if before is not None:
        expected = even + np.interp(even, before.even, before.at - before.even)
    pitch = period / each
    play = float(np.ptp(shape))
    half = max(1, round(NEAR_SHARE * pitch))
    step = max(1, 2 * half // NEAR_PLACES)
    near = np.arange(-(half // step) * step, half + 1, step)
    models = shape_at(shape, (even[:, None] - start + near) / period)
    # Blanks all round, so that places outside need no care.
    reach = max(1, round(REACH_SHARE * pitch))
    pad = half + 2 * reach + int(period) + 4
    padded = np.concatenate([np.full(pad, np.nan), row, np.full(pad, np.nan)])

    def missed(places: Floats) -> tuple[Floats, Flags]:
        """Misses of surroundings at places (m, t): (m, t, near), and what is known of them."""
        held = np.clip(places, -(half + reach + 2), n + half + reach + 2) + pad
        low = np.floor(held).astype(np.int64)
        share = (held - low)[..., None]
        index = low[..., None] + near
        heights = padded[index] * (1 - share) + padded[index + 1] * share
        there = heights - models[:, None, :]
        known = np.isfinite(there)
        there = np.where(known, there, np.inf)
        order = np.sort(there, axis=-1)
        count = known.sum(-1, keepdims=True)
        middle = np.take_along_axis(order, np.minimum(count // 2, len(near) - 1), axis=-1)
        middle = np.where(np.isfinite(middle), middle, 0.0)
        there = np.where(known, there, 0.0) - np.clip(middle, -0.15 * play, 0.15 * play)
        return np.where(known, np.minimum(np.abs(there), 0.3 * play), 0.0), known

    weight = 0.25 + np.exp(-0.5 * (near / (0.16 * pitch)) ** 2)
    whole = float(weight.sum())
    tries = np.arange(-reach, reach + 1)
    miss, known = missed(expected[:, None] + tries)
    share = known @ weight / whole
    total = miss @ weight / np.maximum(known @ weight, 1e-9)
    # A pull to where it should be, far weaker than what is seen.
    total = total + 0.02 * play * (tries / reach) ** 2
    total[share < 0.4] = np.inf
    best = np.argmin(total, axis=1)
    seen = share[:, reach] >= 0.4
    shift = np.where(seen, tries[best] + _vertices(total, best), 0.0)
    rest = np.where(seen, total[np.arange(len(best)), best], np.inf)
    allowed = max(OUTLIER_MM / spacing_mm, OUTLIER_SHARE * pitch)
    at, pulled = _steady(even, expected + shift - even, rest, play, allowed)
    at = _by_both(even, at, ~pulled, share[:, reach], AGREE_SHARE * pitch)
    miss, known = missed(at[:, None])
    miss, known = miss[:, 0], known[:, 0]
    sides = []
    for own in (near <= BEYOND_SHARE * pitch, near >= -BEYOND_SHARE * pitch):
        weights = weight * own
        seen_share = known @ weights / weights.sum()
        much = miss @ weights > UNLIKE * play * seen_share * weights.sum()
        sides.append((seen_share > 0.2) & much)
    return Laid(at, pulled, even, sides[0], sides[1])


def _vertices(values: Floats, at: Ints) -> Floats:
    """How far from the least value of each row the vertex of a parabola there lies."""
    rows = np.arange(len(values))
    inner = np.clip(at, 1, values.shape[1] - 2)
    left, here, right = (values[rows, inner + k] for k in (-1, 0, 1))
    known = (inner == at) & np.isfinite(left) & np.isfinite(here) & np.isfinite(right)
    left, here, right = (np.where(known, each, 0.0) for each in (left, here, right))
    bend = left - 2 * here + right
    known &= bend > 1e-12
    return np.where(known, 0.5 * (left - right) / np.where(known, bend, 1.0), 0.0)


def _steady(
    expected: Floats, shift: Floats, rest: Floats, play: float, allowed: float
) -> tuple[Floats, Flags]:
    """Shifts change slowly along the edge; one that does not is put where the others tell."""
    good = rest < UNLIKE * play
    trust = np.clip(2.0 - rest / (FITS_WELL * play + 1e-12), 0.0, 1.0)
    allowed_each = allowed * (1.0 + trust)
    held = np.zeros(len(expected))
    for _ in range(3):
        if good.sum() < 3:
            break
        held = _by_the_others(shift, good)
        odd = np.where(good, np.abs(shift - held) / allowed_each, 0.0)
        if odd.max() <= 1.0:
            break
        # The worst one first: it may be what makes its neighbours look odd.
        good[int(np.argmax(odd))] = False
    if not good.any():
        return expected, np.ones(len(expected), bool)
    index = np.arange(len(expected))
    filled = held + np.interp(index, index[good], (shift - held)[good])
    return expected + np.where(good, shift, filled), ~good


def _by_both(even: Floats, at: Floats, good: Flags, share: Floats, agree: float) -> Floats:
    """Valleys of which one flank is seen, half by that and half by the other valleys."""
    flanks = good & (share < ONE_FLANK)
    others = good & ~flanks
    if not flanks.any() or others.sum() < FEWEST_OTHERS:
        return at
    foretold = even + _by_the_others(at - even, others)
    flanks &= np.abs(foretold - at) < agree
    return np.where(flanks, (at + foretold) / 2, at)


def _by_the_others(shift: Floats, good: Flags) -> Floats:
    """A slow curve through the good shifts by least absolute misses.

    Lace pulled a little, or a photo taken aslant, makes the pitch grow along the edge: a shift
    then bends, and the more so towards the ends.
    """
    own = np.flatnonzero(good)
    degree = 2 if len(own) >= FEWEST_BENT else 1 if len(own) >= FEWEST_SLANTED else 0
    # Not far beyond what is seen: a curve runs away there.
    index = np.clip(np.arange(len(shift)), own[0] - 2, own[-1] + 2).astype(float)
    index = (index - own[0]) / max(own[-1] - own[0], 1)
    terms = index[:, None] ** np.arange(degree + 1)
    basis, wanted = terms[own], shift[own]
    weight = np.ones(len(own))
    fit = np.zeros(degree + 1)
    for _ in range(LEAST_TURNS):
        weighted = basis.T * weight
        fit = np.linalg.solve(weighted @ basis + 1e-9 * np.eye(degree + 1), weighted @ wanted)
        miss = np.abs(wanted - basis @ fit)
        weight = 1.0 / np.maximum(miss, 0.3 * float(np.median(miss)) + 1e-3)
    return np.asarray(terms @ fit, dtype=np.float64)


def ideal_phases(count: int, places: Floats, start: float, period: float) -> Floats:
    """Copy number plus phase of each laid valley."""
    first, each = first_copy(start, period), len(places)
    number = np.arange(count)
    return np.asarray(first + number // each + places[number % each], dtype=np.float64)


def phases_between(n: int, at: Floats, ideal: Floats) -> Floats:
    """Phase of each sample by straight pieces between the valleys."""
    samples = np.arange(n, dtype=float)
    slope = (ideal[-1] - ideal[0]) / (at[-1] - at[0]) if len(at) > 1 else 1.0
    inner = np.interp(samples, at, ideal)
    inner = np.where(samples < at[0], ideal[0] + (samples - at[0]) * slope, inner)
    return np.asarray(
        np.where(samples > at[-1], ideal[-1] + (samples - at[-1]) * slope, inner), dtype=np.float64
    )
