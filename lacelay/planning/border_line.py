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
#: Lines of a border that is taken at several depths keep this far from each other.
NEST_MM = 4.0
#: How far lines may go past the depths between which they are asked.
OVER_MM = 2.0
#: Least difference of two lines in mean depth.
LEVEL_STEP_MM = 6.0
#: Spacing of the depths at which lines are tried.
TRIED_MM = 3.0
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


def border_line(
    field: CostField,
    depth_mm: float,
    play_mm: float,
    *,
    between: tuple[BorderLine, BorderLine] | None = None,
) -> BorderLine:
    """Least-cost closed line within `play_mm` of a depth.

    Parameters
    ----------
    field : CostField
    depth_mm : float
        Wanted depth from the valley line.
    play_mm : float
        How far the line may climb above or dip below it to go round a motif.
    between : pair of BorderLine, optional
        A shallower and a deeper line that it keeps `NEST_MM` from. Where they leave no room
        its minutes are infinite.
    """
    strip = field.strip
    n = max(16, round(strip.period_mm / STEP_MM))
    a = strip.start_mm + (np.arange(n) + 0.5) * strip.period_mm / n
    levels = np.arange(-play_mm, play_mm + CELL_MM / 2, CELL_MM)
    cost = field.at(a[:, None], depth_mm + levels[None, :]) * (strip.period_mm / n)
    cost = cost + 1e-3 * np.abs(levels)[None, :] / max(play_mm, 1.0)
    if between is not None:
        low, high = (line.b(a)[:, None] for line in between)
        b = depth_mm + levels[None, :]
        cost = np.where((b >= low + NEST_MM) & (b <= high - NEST_MM), cost, np.inf)
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


def border_lines(
    field: CostField, lowest_mm: float, highest_mm: float, play_mm: float, most: int
) -> list[BorderLine]:
    """Lines at several depths, none near another, shallowest first.

    Of the least-cost lines every `TRIED_MM`, the cheapest near either end of the range, and
    between them the cheapest that keep clear of those taken.

    Parameters
    ----------
    field : CostField
    lowest_mm, highest_mm : float
        Depths from the valley line between which the border may be taken.
    play_mm : float
        How far a line may climb or dip to go round a motif.
    most : int
        Most lines; fewer where they would lie closer than `LEVEL_STEP_MM`.
    """
    tried = np.linspace(highest_mm, lowest_mm, 1 + max(0, int((highest_mm - lowest_mm) / TRIED_MM)))
    lines = []
    for depth in tried:
        room = min(depth - lowest_mm, highest_mm - depth) + OVER_MM
        half = min(play_mm, (highest_mm - lowest_mm) / 2 + OVER_MM)
        # Near either end the line may go further to the other side: shift the middle.
        off = max(half - room, 0.0) / 2 * (1.0 if depth < (lowest_mm + highest_mm) / 2 else -1.0)
        lines.append(border_line(field, float(depth + off), half - abs(off)))
    margin = 0.2 * (highest_mm - lowest_mm) + OVER_MM
    deepest = min(
        (line for line in lines if line.mean_mm >= highest_mm - margin),
        key=lambda line: line.minutes,
        default=lines[0],
    )
    shallowest = min(
        (line for line in lines if line.mean_mm <= lowest_mm + margin and _clear(line, deepest)),
        key=lambda line: line.minutes,
        default=None,
    )
    if shallowest is None or most < 2:
        return [deepest]
    chosen = [deepest]
    between = min(most - 2, int((deepest.mean_mm - shallowest.mean_mm) / LEVEL_STEP_MM) - 1)
    depths = np.linspace(deepest.mean_mm, shallowest.mean_mm, max(between, 0) + 2)[1:-1]
    for depth in depths:
        line = border_line(field, float(depth), play_mm, between=(shallowest, chosen[-1]))
        if np.isfinite(line.minutes):
            chosen.append(line)
    return [shallowest, *chosen[:0:-1], deepest]


def _clear(line: BorderLine, other: BorderLine) -> bool:
    """Whether two lines keep `NEST_MM` from each other all along, and their depths differ."""
    apart = line.b_mm - other.b_mm
    near = np.abs(apart).min() < NEST_MM or (apart.min() < 0 < apart.max())
    return not near and abs(line.mean_mm - other.mean_mm) >= LEVEL_STEP_MM
