"""The line along the length by which a border comes off the lace, round whole motifs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lacelay.planning.cost_field import CELL_MM, CostField
from lacelay.planning.seams import periodic_seam

Values = NDArray[np.float64]
#: Spacing of the line's points along the border.
STEP_MM = 1.0
#: Minutes for each mm moved sideways, so that the line does not wander through even net.
WANDER = 0.01


@dataclass(frozen=True, eq=False)
class BorderLine:
    """Depth of the border along one repeat, b at even steps from the template's start."""

    field: CostField
    b_mm: Values
    minutes: float

    def b(self, a_mm: ArrayLike) -> Values:
        """Depth from the valley line at any a."""
        strip = self.field.strip
        n = len(self.b_mm)
        place = (np.asarray(a_mm, dtype=float) - strip.start_mm) / strip.period_mm * n - 0.5
        wrapped = np.append(self.b_mm, self.b_mm[0])
        return np.asarray(np.interp(np.mod(place, n), np.arange(n + 1), wrapped))

    @property
    def mean_mm(self) -> float:
        """Mean depth."""
        return float(self.b_mm.mean())

    @property
    def deepest_mm(self) -> float:
        """Greatest depth."""
        return float(self.b_mm.max())


def border_line(field: CostField, depth_mm: float, play_mm: float) -> BorderLine:
    """Least-cost closed line within `play_mm` of a depth.

    Parameters
    ----------
    field : CostField
    depth_mm : float
        Wanted depth from the valley line.
    play_mm : float
        How far the line may climb above or dip below it to go round a motif.
    """
    strip = field.strip
    n = max(16, round(strip.period_mm / STEP_MM))
    a = strip.start_mm + (np.arange(n) + 0.5) * strip.period_mm / n
    levels = np.arange(-play_mm, play_mm + CELL_MM / 2, CELL_MM)
    cost = field.at(a[:, None], depth_mm + levels[None, :]) * (strip.period_mm / n)
    cost = cost + 1e-3 * np.abs(levels)[None, :] / max(play_mm, 1.0)
    reach = 4  # rows are 1 mm, columns half a millimetre: up to 63 degrees
    total, columns = periodic_seam(cost, reach, WANDER * CELL_MM)
    return BorderLine(field, depth_mm + levels[columns], total)


def choose_depth(
    field: CostField, lowest_mm: float, highest_mm: float, play_mm: float
) -> BorderLine:
    """Take the border as deep as may be where the line leaves motifs whole.

    Of the depths every 2 mm, the one whose line costs least for the depth that it gives:
    a line that must go through motifs is left for a shallower one that does not.
    """
    depths = np.arange(highest_mm, lowest_mm - 1e-9, -2.0)
    lines = [border_line(field, float(depth), play_mm) for depth in depths]
    worth = [line.minutes / max(line.mean_mm, 1.0) for line in lines]
    least = min(worth)
    # Lines within a tenth of the best are as good: of those, the deepest.
    return next(line for line, cost in zip(lines, worth, strict=True) if cost <= 1.1 * least + 1e-9)
