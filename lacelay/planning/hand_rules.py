"""From what she asks, in mm along the edge, to rules about the places of one start."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray

from lacelay.model.hand import LOCKED_MM, Ask, CutHere, Hand, LaidUpTo, LockedCut, LockedRun, NoCut
from lacelay.planning.candidates import Border, Laid
from lacelay.planning.cut_paths import CutPath
from lacelay.planning.held_search import Rules

Points = NDArray[np.float64]
Values = NDArray[np.float64]


class UnmetError(Exception):
    """At this start the places do not hold what is asked; another start may."""

    def __init__(self, ask: Ask, reason: str, off_mm: float = np.inf) -> None:
        super().__init__(reason)
        self.ask = ask
        self.reason = reason
        self.off_mm = off_mm  #: by how much it is missed, where that can be told


def rules_for(laid: Laid, border: Border, hand: Hand) -> Rules:
    """Rules about the places of one start and laying line.

    Raises
    ------
    UnmetError
        When no place serves what is asked: not at this start, or not at all.
    """
    places = laid.places
    s = places.curve.from_laying_length(
        places.turn_mm[:, 0] - places.start_mm, places.laying_depth_mm
    )
    inner = np.arange(1, places.count - 1)
    closed: set[int] = set()
    for ask in hand.active:
        if isinstance(ask, NoCut):
            low, high = ask.edge_mm
            closed |= {int(k) for k in inner[(s[inner] >= low) & (s[inner] <= high)]}
    demands = []
    for ask in hand.active:
        if isinstance(ask, CutHere):
            low, high = ask.span_mm
            near = inner[(s[inner] >= low) & (s[inner] <= high)]
            if not len(near) or all(int(k) in closed for k in near):
                raise _no_place(s[[k for k in inner if k not in closed]], ask)
            demands.append((int(near[0]), int(near[-1])))
    found = {id(cut): _place_of(laid, border, s, ask, cut) for ask, cut in hand.locked_cuts}
    runs = []
    for ask in hand.locks:
        if isinstance(ask, LockedRun):
            begin, end = ask.ends
            first = 0 if begin is None else found[id(begin)]
            last = places.count - 1 if end is None else found[id(end)]
            runs.append((first, last))
    return Rules(
        closed=sorted(closed),
        cut=[found[id(cut)] for _, cut in hand.locked_cuts if cut.cut],
        uncut=[found[id(cut)] for _, cut in hand.locked_cuts if not cut.cut],
        runs=runs,
        demands=demands,
    )


def _no_place(s: Values, ask: CutHere) -> UnmetError:
    if not len(s):
        return UnmetError(ask, "there is no place to cut on this edge")
    gap = float(np.abs(s - ask.s_mm).min())
    return UnmetError(ask, f"the nearest place to cut lies {np.ceil(gap):.0f} mm off", gap)


def joined(laid: Laid, border: Border, hand: Hand) -> Laid:
    """Places whose first or last is the cut at which the lace is laid already.

    The first or last run then ends with that cut's own line and is not turned in, and other
    cuts keep their distance from it.

    Raises
    ------
    UnmetError
        When the cut is none of this border, or does not lie at that end from this start.
    """
    limits, places = border.limits, laid.places
    for ask in hand.locks:
        if not isinstance(ask, LaidUpTo):
            continue
        end = 0 if ask.at == "start" else places.count - 1
        line = border.strip.from_lace(np.array(ask.path_mm))[::-1]
        period = border.strip.period_mm
        copies = [copy_of(line, path, period, through=ask.through) for path in border.paths]
        known = [(k, copy) for k, copy in enumerate(copies) if copy is not None]
        if not known or abs(places.turn_mm[end, 0] - ask.along_mm) > LOCKED_MM:
            raise UnmetError(ask, "the cut no longer comes to lie there")
        candidate, copy = laid.candidate.copy(), laid.copy.copy()
        candidate[end], copy[end] = known[0]
        apart = np.ones((places.count, places.ahead), dtype=bool)
        if places.least_apart is not None:
            apart = places.least_apart.copy()
        for other in range(1, places.count - 1):
            i, j = min(end, other), max(end, other)
            if j - i - 1 < places.ahead:
                gap = border.apart_mm(candidate[i], candidate[j], int(copy[j] - copy[i]))
                apart[i, j - i - 1] &= gap >= limits.cut_distance_mm
        places = replace(places, least_apart=apart)
        laid = Laid(places, candidate, copy)
    return laid


def _place_of(laid: Laid, border: Border, s: Values, ask: Ask, cut: LockedCut) -> int:
    """The place of a locked cut: the same line of the lace at the same place of the edge."""
    line = border.strip.from_lace(np.array(cut.path_mm))[::-1]
    off = np.maximum(np.abs(laid.places.turn_mm[:, 0] - cut.along_mm), np.abs(s - cut.s_mm))
    own = np.zeros(len(off), dtype=bool)
    for number, path in enumerate(border.paths):
        copy = copy_of(line, path, border.strip.period_mm, through=cut.through)
        if copy is not None:
            own |= (laid.candidate == number) & (laid.copy == copy)
    off[~own] = np.inf
    place = int(off.argmin())
    if off[place] > LOCKED_MM:
        raise UnmetError(ask, "its line of the lace no longer comes to lie there")
    return place


def copy_of(line_mm: Points, path: CutPath, period_mm: float, *, through: bool) -> int | None:
    """How many repeats further on a candidate runs where a line does; None where nowhere.

    Parameters
    ----------
    line_mm : ndarray, shape (n, 2)
        Strip frame, from its outer end inwards.
    path : CutPath
    period_mm : float
        The repeat.
    through : bool
        The line begins at the scalloped outline.
    """
    own = np.vstack([path.outline_mm, path.path_mm]) if through else path.path_mm
    copy = round(float(line_mm[0, 0] - own[0, 0]) / period_mm)
    there = own + [copy * period_mm, 0.0]
    if np.abs(there[[0, -1]] - line_mm[[0, -1]]).max() > LOCKED_MM:
        return None
    apart = shapely.hausdorff_distance(shapely.LineString(there), shapely.LineString(line_mm))
    return copy if apart <= LOCKED_MM else None
