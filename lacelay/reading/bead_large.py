"""Large beads and sequins among the small ones of a lace.

A ring larger than the usual bead's, round something of the beads' shades, is one; copies a
repeat away must have it too. A small bead in the middle of a sequin holds it.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.model.lace import Repeat
from lacelay.reading.bead_look import copies, near
from lacelay.reading.bead_spots import (
    Cores,
    Floats,
    Mask,
    View,
    centred,
    cores,
    peaks,
    ring_answers,
    rings_of,
)

#: Radii of large rings, mm.
LARGE_MM = (1.2, 1.4, 1.65, 1.95, 2.3, 2.7)
#: A large bead is this many times the usual one's size, a sequin this many times.
LARGER, SEQUIN = 1.38, 1.7
#: How round a large spot is at least, and an answer from which it is looked at.
ROUND, PROPOSED = 0.42, 0.25
#: A large one covers and is unlike thread by these shares of what small ones are, at least.
COVERS, UNLIKE = 0.6, 0.45
#: The middle of a ring is looked for this far around, mm.
ASIDE_MM = 0.4
#: How far out of its middle a small bead is looked at, mm.
CORE_MM = 0.5
#: Small beads seen on the rim of a large one are gloss of it; more are beads of their own.
MOST_ON_RIM = 3
#: How round a bead is at least that holds a sequin.
HOLDER = 0.5
#: Rings are blurred: they answer most this far outside of the rim, pixels.
EDGE_PX = 0.25


def with_large(
    view: View, at: Floats, radius_mm: float, repeat: Repeat | None
) -> tuple[Floats, Floats]:
    """Beads with the large ones and the sequins; what lies within a large one is left out.

    Parameters
    ----------
    at : ndarray, shape (n, 2)
        Beads in pixels of the view.
    radius_mm : float
        Their radius.
    repeat : Repeat or None

    Returns
    -------
    tuple of ndarray
        Centres in pixels of the view, shape (m, 2), and radii in mm.
    """
    small = np.full(len(at), radius_mm)
    sizes = [size for size in LARGE_MM if size > LARGER * radius_mm]
    places, size, answer = _rings(view, sizes, at, repeat)
    if not len(places):
        return at, small
    stays = np.ones(len(at), bool)
    order = np.argsort(at[:, 0], kind="stable")
    along = at[order, 0]
    chosen: list[int] = []
    r_all = size * view.px_per_mm
    taken = np.zeros(len(places), bool)
    ringed = _on_rim(places, r_all, at) > MOST_ON_RIM
    for k in np.argsort(-answer, kind="stable").tolist():
        if taken[k] or ringed[k]:
            continue
        r_px = float(r_all[k])
        first, stop = np.searchsorted(along, [places[k, 0] - 1.4 * r_px, places[k, 0] + 1.4 * r_px])
        some = order[first:stop]
        off = np.hypot(*(at[some] - places[k]).T)
        chosen.append(k)
        taken |= np.hypot(*(places - places[k]).T) < np.maximum(r_px, r_all)
        held = (off < 0.35 * r_px) & (size[k] > SEQUIN * radius_mm)
        if held.any():
            held &= off == off[held].min()
        stays[some] &= (off >= r_px) | held
    held = _holders(view, places[chosen], size[chosen], at[stays], radius_mm)
    small = np.full(int(stays.sum()) + len(held), radius_mm)
    return (
        np.vstack([at[stays], held, places[chosen]]),
        np.concatenate([small, size[chosen] - EDGE_PX / view.px_per_mm]),
    )


def _on_rim(places: Floats, r_px: Floats, at: Floats) -> NDArray[np.int64]:
    """How many beads stand about the rim of each large one: so many make no larger bead."""
    x, y = places.T.astype(np.float32)[..., None] - at.T.astype(np.float32)[:, None]
    square = x * x + y * y
    low, high = np.float32(0.65**2) * r_px**2, np.float32(1.35**2) * r_px**2
    on_rim = (square > low.astype(np.float32)[:, None]) & (
        square < high.astype(np.float32)[:, None]
    )
    return np.asarray(np.count_nonzero(on_rim, axis=1), np.int64)


def _holders(view: View, sequins: Floats, size: Floats, beads: Floats, radius_mm: float) -> Floats:
    """Beads in the middle of sequins that are not among those known."""
    large = sequins[size > SEQUIN * radius_mm]
    if not len(large):
        return large
    spots = centred(view, large, radius_mm, ASIDE_MM)
    rounder = np.maximum(*ring_answers(view, spots.at, (0.85 * radius_mm, radius_mm)).T)
    held = spots.at[rounder > HOLDER]
    return np.asarray(held[~near(view, held, beads, radius_mm)], np.float64)


def _rings(
    view: View, sizes_mm: list[float], beads: Floats, repeat: Repeat | None
) -> tuple[Floats, Floats, Floats]:
    """Places of large rings, their radii in mm and how round they are."""
    if not sizes_mm:
        return np.empty((0, 2)), np.empty(0), np.empty(0)
    # Large rings at half the resolution: they are as smooth.
    edges = np.asarray(cv2.pyrDown(view.edges), np.float32)
    outside = ~view.inside[::2, ::2]
    proposed = []
    for radius in sizes_mm:
        picture = rings_of(edges, 0.5 * radius * view.px_per_mm)
        picture[outside] = -1
        proposed.append(2 * peaks(picture, PROPOSED, 1.0))
    size = np.repeat(sizes_mm, [len(places) for places in proposed])
    at = np.vstack(proposed)
    alike = _alike(cores(view, at, 0.75 * size), cores(view, beads, CORE_MM))
    at, size = at[alike], size[alike]
    answer = np.empty(len(at))
    for radius in sizes_mm:
        some = np.flatnonzero(size == radius)
        spots = centred(view, at[some], radius, ASIDE_MM)
        round_ = spots.round_ > ROUND
        if repeat is not None and repeat.sure >= 0.5 and round_.any():
            again = np.flatnonzero(round_)
            found, asked = copies(view, spots.at[again], np.ones(len(again)), repeat)
            round_[again] = (found > 0) | (asked == 0)
        at[some] = spots.at
        answer[some] = np.where(round_, spots.round_, -1)
    rings = answer > 0
    return at[rings], size[rings], answer[rings]


def _alike(large: Cores, small: Cores) -> Mask:
    """Which large spots are as opaque and as unlike thread as the small beads."""
    covers = large.lowest > COVERS * np.median(small.lowest)
    unlike = large.unlike > UNLIKE * np.median(small.unlike)
    strange = large.strange > UNLIKE * np.median(small.strange)
    return np.asarray(covers & unlike & strange, dtype=bool)
