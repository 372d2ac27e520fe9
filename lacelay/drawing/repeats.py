"""Bring any place along the lace back into the photographed length, by whole repeats.

A plan's u goes on past what was photographed. Inside the photographed length a place is
itself; beyond it, it is taken back by whole repeats into one window of one repeat, the
best covered one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lacelay.drawing.scene import Points
from lacelay.model.lace import Lace
from lacelay.model.picture import LacePicture

Values = NDArray[np.float64]
#: A column counts as photographed where it holds this share of the usual lace.
_COLUMN_SHARE = 0.6


@dataclass(frozen=True)
class Repeats:
    """The photographed length (`low_mm` to `high_mm`) and the window of one repeat in it.

    `period_mm` is None where no repeat is known: then nothing is taken back.
    """

    low_mm: float
    high_mm: float
    window_mm: float
    period_mm: float | None

    def back(self, u_mm: Values) -> Values:
        """Places in the photographed length of places anywhere along the lace."""
        u = np.asarray(u_mm, dtype=np.float64)
        if self.period_mm is None:
            return u
        wrapped = self.window_mm + np.mod(u - self.window_mm, self.period_mm)
        inside = (u >= self.low_mm) & (u <= self.high_mm)
        return np.asarray(np.where(inside, u, wrapped))

    def shifts(self, u_mm: float, span_mm: tuple[float, float]) -> list[float]:
        """By how much a thing seen at u is repeated to fill a span of the lace, 0 included."""
        shifts = [0.0] if span_mm[0] <= u_mm <= span_mm[1] else []
        if self.period_mm is None or not 0 <= u_mm - self.window_mm < self.period_mm:
            return shifts
        first = int(np.ceil((span_mm[0] - u_mm) / self.period_mm))
        last = int(np.floor((span_mm[1] - u_mm) / self.period_mm))
        for k in range(first, last + 1):
            there = u_mm + k * self.period_mm
            if not self.low_mm <= there <= self.high_mm:
                shifts.append(k * self.period_mm)
        return sorted(shifts)

    def tiled(self, points_mm: Points, span_mm: tuple[float, float]) -> Points:
        """Points of the photographed length repeated over a span, in order of u."""
        copies = [
            point + np.array([shift, 0.0])
            for point in np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
            for shift in self.shifts(float(point[0]), span_mm)
        ]
        if not copies:
            return np.empty((0, 2))
        tiled = np.stack(copies)
        return np.asarray(tiled[np.argsort(tiled[:, 0], kind="stable")])


def find_repeats(lace: Lace, picture: LacePicture | None = None) -> Repeats:
    """Choose the photographed length and the window of one repeat.

    Parameters
    ----------
    lace : Lace
    picture : LacePicture or None
        With it the ragged ends are left out and the window is where the picture holds
        most lace; without it the window is the middle of the length seen.
    """
    low, high = 0.0, lace.length_mm
    columns: Values | None = None
    if picture is not None:
        columns = picture.rgba[..., 3].mean(axis=0, dtype=np.float64)
        if not columns.any():
            raise ValueError("the picture holds no lace")
        enough = np.flatnonzero(columns >= _COLUMN_SHARE * np.median(columns[columns > 0]))
        low = max(low, picture.u0_mm + float(enough[0]) / picture.px_per_mm)
        high = min(high, picture.u0_mm + float(enough[-1]) / picture.px_per_mm)
    period = lace.repeat.length_mm.value if lace.repeat is not None else None
    if period is None or period > high - low + 1e-6:
        # Less than one repeat was seen: what is missing stays unseen, never made up.
        return Repeats(low, high, low, period)
    window = (low + high - period) / 2
    if picture is not None and columns is not None:
        sums = np.concatenate([[0.0], np.cumsum(columns)])
        places = picture.u0_mm + (np.arange(len(sums)) - 0.5) / picture.px_per_mm
        starts = np.linspace(low, high - period, 41)
        held = np.interp(starts + period, places, sums) - np.interp(starts, places, sums)
        # Among windows as good as the best to 1 %, the one nearest the middle.
        good = starts[held >= 0.99 * held.max()]
        window = float(good[np.argmin(np.abs(good - window))])
    return Repeats(low, high, window, period)
