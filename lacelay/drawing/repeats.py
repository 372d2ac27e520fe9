"""Bring any place along the lace back into the one photographed repeat that stands for all.

A plan is made over one photographed repeat, its template; every other place along the lace
is a copy of it. So are its pictures: what a copy looks like is read from the template.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lacelay.drawing.scene import Points
from lacelay.model.picture import LacePicture
from lacelay.model.plan import Plan

Values = NDArray[np.float64]
#: A column counts as photographed where it holds this share of the usual lace.
_COLUMN_SHARE = 0.6
#: Reading places one thing this differently in two copies, at most.
_SLACK_MM = 1.5


@dataclass(frozen=True)
class Repeats:
    """The template, from `start_mm` on for `period_mm`.

    `low_mm` to `high_mm` is the length that was photographed: just outside the template
    it shows what its neighbours look like there, which smooths the seams.
    """

    start_mm: float
    period_mm: float
    low_mm: float
    high_mm: float

    def back(self, u_mm: Values) -> Values:
        """Places in the template of places anywhere along the lace."""
        along = np.asarray(u_mm, dtype=np.float64) - self.start_mm
        return np.asarray(self.start_mm + np.mod(along, self.period_mm))

    def standing(self, points_mm: Points) -> list[int]:
        """Which of the things seen stand for all copies: one of each, seen in the template.

        A thing at the template's end may have been read just outside it at both ends; it
        counts all the same, once.
        """
        points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
        along = points[:, 0] - self.start_mm
        slack = min(_SLACK_MM, 0.05 * self.period_mm)
        chosen = [int(k) for k in np.flatnonzero((along >= 0) & (along < self.period_mm))]
        near = (along >= -slack) & (along < self.period_mm + slack)
        for k in map(int, np.flatnonzero(near)):
            if k in chosen:
                continue
            away = points[chosen] - points[k]
            away[:, 0] -= self.period_mm * np.round(away[:, 0] / self.period_mm)
            if not np.any(np.hypot(*away.T) < 2 * slack):
                chosen.append(k)
        # Seen just inside at one end and just inside at the other: the same thing twice.
        kept: list[int] = []
        for k in sorted(chosen):
            away = points[kept] - points[k]
            whole = np.round(away[:, 0] / self.period_mm)
            away[:, 0] -= self.period_mm * whole
            if not np.any((np.hypot(*away.T) < 2 * slack) & (whole != 0)):
                kept.append(k)
        return kept

    def shifts(self, u_mm: float, span_mm: tuple[float, float]) -> list[float]:
        """By how much a thing at u is repeated to fill a span of the lace, 0 included."""
        first = int(np.ceil((span_mm[0] - u_mm) / self.period_mm))
        last = int(np.floor((span_mm[1] - u_mm) / self.period_mm))
        return [k * self.period_mm for k in range(first, last + 1)]

    def tiled(self, points_mm: Points, span_mm: tuple[float, float]) -> Points:
        """Points of the template repeated over a span, in order of u."""
        points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
        copies = [
            points[k] + np.array([shift, 0.0])
            for k in self.standing(points)
            for shift in self.shifts(float(points[k, 0]), span_mm)
        ]
        if not copies:
            return np.empty((0, 2))
        tiled = np.stack(copies)
        return np.asarray(tiled[np.argsort(tiled[:, 0], kind="stable")])


def find_repeats(plan: Plan, picture: LacePicture | None = None) -> Repeats:
    """Return the plan's template; with a picture, its ragged ends count as not photographed."""
    start, stop = plan.template_mm
    low, high = 0.0, plan.lace.length_mm
    if picture is not None:
        columns = picture.rgba[..., 3].mean(axis=0, dtype=np.float64)
        if not columns.any():
            raise ValueError("the picture holds no lace")
        enough = np.flatnonzero(columns >= _COLUMN_SHARE * np.median(columns[columns > 0]))
        low = max(low, picture.u0_mm + float(enough[0]) / picture.px_per_mm)
        high = min(high, picture.u0_mm + float(enough[-1]) / picture.px_per_mm)
    return Repeats(start, stop - start, low, high)
