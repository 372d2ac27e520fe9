"""What a grid's lines say of its step: heavy lines, fainter ones between, lines miscounted.

Frames: photo points (x, y) in pixels, y down; grid points (i, j), one unit to a printed line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.reading.grid_lines import FEWEST_STRETCHES, Pose, Stretches, profiles, sampled

Floats = NDArray[np.float64]


def main_lines_only(
    pose: Pose, stretches: Stretches, kept: NDArray[np.bool_]
) -> tuple[Pose, Stretches, NDArray[np.bool_]]:
    """Drop lines that were counted but are next to nothing: every second, or two of three."""
    for every in (2, 3, 2):
        phases, ratios = [], []
        for family in (0, 1):
            strength = []
            for phase in range(every):
                own = (stretches.family == family) & (stretches.line % every == phase)
                # A line that is not there has little ink, and that not where it should be.
                ink = float(np.median(stretches.mass[own])) if own.sum() >= 8 else 0.0
                strength.append(ink * float(kept[own].mean()) if own.any() else 0.0)
            best = int(np.argmax(strength))
            rest = max(value for k, value in enumerate(strength) if k != best)
            phases.append(best)
            ratios.append(strength[best] / max(rest, 1e-6))
        if min(ratios) > 2.0 and max(ratios) > 2.6:
            pose, stretches, main = main_lines(pose, stretches, every, (phases[0], phases[1]))
            kept = kept[main]
    return pose, stretches, kept


def main_lines(
    pose: Pose, stretches: Stretches, every: int, phase: tuple[int, int]
) -> tuple[Pose, Stretches, NDArray[np.bool_]]:
    """The same grid counted in main lines only, and which stretches lie on these."""
    shift = np.array([[1, 0, -phase[0]], [0, 1, -phase[1]], [0, 0, every]], dtype=float)
    moved = shift @ pose.photo_to_grid
    matrix = moved / moved[2, 2]
    offset = np.where(stretches.family == 0, phase[0], phase[1])
    number = (stretches.line - offset) / every
    main = np.abs(number - np.round(number)) < 1e-6
    reduced = replace(
        stretches,
        point_px=stretches.point_px[main],
        family=stretches.family[main],
        line=np.round(number[main]),
        mass=stretches.mass[main],
    )
    return Pose(matrix, pose.k1, pose.centre_px, pose.focal_px), reduced, main


#: Places at which fainter lines are looked for: some hundreds tell as much as all.
MOST_PLACES = 800
#: The parts looked for, strong ones and faint ones: how many, and which lines tell each.
OVER = ((5, (1, 2)), (3, (1,)), (2, (1,)))
#: Least that a line stands out by, as a share of the lines seen.
FAINTEST = 0.07
PARTS = ((8, (1, 3, 5, 7)), (10, (1, 3, 7, 9)), (4, (1, 3)), (5, (1, 2, 3, 4)), (2, (1,)))


@dataclass(frozen=True, eq=False)
class Places:
    """Places on the lines seen, from which lines that divide a step are looked for.

    `grid` are n grid points, `across` the unit step across the line of each.
    """

    gray: NDArray[np.uint8]
    pose: Pose
    grid: Floats
    across: Floats
    step_px: float
    thickness: float
    typical: float

    @staticmethod
    def of(
        gray: NDArray[np.uint8], pose: Pose, stretches: Stretches, kept: NDArray[np.bool_]
    ) -> Places:
        """Some hundreds of the stretches kept, evenly drawn."""
        rng = np.random.default_rng(7)
        chosen = rng.permutation(np.flatnonzero(kept))[:MOST_PLACES]
        across = np.where(stretches.family[chosen, None] == 0, [1.0, 0.0], [0.0, 1.0])
        step = pose.step_px(np.median(stretches.point_px[kept], axis=0))
        at = pose.to_grid(stretches.point_px[chosen])
        return Places(gray, pose, at, across, step, stretches.thickness, stretches.typical)

    def line_at(self, share: float) -> float:
        """How a line looks that lies that share of a step farther, as a share of those seen.

        Nothing where none is to be told from the noise.
        """
        pose, step, thickness = self.pose, self.step_px, self.thickness
        middle = self.grid + share * self.across
        half = int(np.clip(2.5 * thickness + 3, 5, 0.08 * step + 4))
        centre = pose.to_photo(middle)
        height, width = self.gray.shape
        room = (half + 0.2 * step) * 1.5
        inside = ((centre > room) & (centre < [width - 1 - room, height - 1 - room])).all(1)
        if inside.sum() < FEWEST_STRETCHES:
            return 0.0
        middle, across, centre = middle[inside], self.across[inside], centre[inside]
        unit_across = (pose.to_photo(middle + 0.02 * across) - centre) / 0.02
        unit_along = (pose.to_photo(middle + 0.02 * across[:, ::-1]) - centre) / 0.02
        offsets = np.arange(-half, half + 1) / step
        beside = np.linspace(-0.2, 0.2, 3)
        profile = profiles(self.gray, centre, (unit_across, offsets), (unit_along, beside))
        plain = np.median(profile - np.median(profile, axis=1, keepdims=True), axis=0)
        plain *= np.sign(self.typical)
        core = np.abs(offsets * step) <= 0.5 * thickness + 0.5
        wings = np.abs(offsets * step) > thickness + 1
        if not wings.any():
            return 0.0
        stands_out = float(plain[core].max() - np.median(plain[wings]))
        noise = float(np.std(plain[wings])) + 0.15
        share_of = stands_out / max(abs(self.typical), 1e-6)
        return share_of if stands_out > 4 * noise and share_of > FAINTEST else 0.0


def divided_into(places: Places) -> int:
    """Into how many parts fainter lines divide a step: 1, 2, 4, 5, 8 or 10."""
    for parts, numerators in PARTS:
        if all(places.line_at(n / parts) > 0 for n in numerators):
            return parts
    return 1


def counted_over(places: Places, least: float) -> int:
    """How many times too long a step is: lines divide it in two, three or five.

    `least`: how strong these are, as a share of those counted.
    """
    for parts, numerators in OVER:
        if all(places.line_at(n / parts) > least for n in numerators):
            return parts
    return 1


#: Ticks looked for along a mat's border, to a step; 8 is looked for but tells nothing.
TICKS = (8, 10, 16, 20)
#: How strong their own frequency must be, and how much stronger than any other.
TICK_STRENGTH, TICK_CLEAR = 0.12, 4.0


def ticks_per_step(
    gray: NDArray[np.uint8], pose: Pose, extent: tuple[float, float, float, float]
) -> int | None:
    """How many ruler ticks divide a step along the outermost lines; None where none are seen.

    Just outside each border line the grey levels are sampled; ticks are where whole parts of
    a step are, so their frequency stands alone in the spectrum but for its multiples.
    """
    height, width = gray.shape
    found = []
    for side in range(4):
        across, along = side % 2, 1 - side % 2
        # Ticks may hide the border line itself: then the next one in is the last seen.
        for beyond in (0.05, 0.08, 1.05, 1.08):
            place = extent[along] + np.arange(160 * (extent[along + 2] - extent[along])) / 160
            at = np.empty((len(place), 2))
            at[:, along] = place
            at[:, across] = extent[side] + (beyond if side >= 2 else -beyond)
            photo = pose.to_photo(at)
            inside = ((photo > 1) & (photo < [width - 2, height - 2])).all(1)
            if inside.sum() < 3 * 160:
                continue
            x, y = photo[inside].astype(np.float32).T[..., None]
            seen = sampled(gray, np.ascontiguousarray(x), np.ascontiguousarray(y))
            level = seen[:, 0].astype(np.float32)
            level = level - cv2.blur(level[:, None], (1, 61), borderType=cv2.BORDER_REPLICATE)[:, 0]
            # A lamp's glare or the lace may cross the border: no place weighs more than 3.
            size = float(level.std()) + 1e-6
            level = np.clip(level / size, -3, 3)
            # Samples that lie whole steps apart count as one place of a single step.
            steps = np.pad(level, (0, -len(level) % 160)).reshape(-1, 160).sum(axis=0)
            strength = np.abs(np.fft.rfft(steps)) / len(level)
            others = np.arange(5, 36)
            for ticks in TICKS:
                rest = strength[others[others % ticks > 0]].max()
                if strength[ticks] > max(TICK_STRENGTH, TICK_CLEAR * rest):
                    found.append(ticks)
    if not found or len(set(found)) > 1:
        return None
    return found[0]


#: Of the lines that should be heavy, how many may not look so.
MOST_HIDDEN = 0.35
#: A line within so many spreads of the light ones looks like one of them.
LIKE_LIGHT = 2.0
#: A line with so many times the ink of those beside it is heavy, whichever it is.
STOUT_RATIO = 1.4


def stout_lines(
    stretches: Stretches, kept: NDArray[np.bool_]
) -> tuple[tuple[tuple[int, float], ...], tuple[tuple[int, float], ...]]:
    """Lines that are heavier than those beside them: their numbers and how many times."""
    found = []
    for family in (0, 1):
        numbers, ink = _ink_of_lines(stretches, kept, family)
        heavy = ink > STOUT_RATIO
        found.append(tuple(zip(numbers[heavy].tolist(), ink[heavy].tolist(), strict=True)))
    return found[0], found[1]


def _ink_of_lines(
    stretches: Stretches, kept: NDArray[np.bool_], family: int
) -> tuple[NDArray[np.int64], Floats]:
    """Numbers of the lines of a family, and their ink as a share of those beside them."""
    own = kept & (stretches.family == family)
    order = np.lexsort((stretches.mass[own], stretches.line[own]))
    mass = stretches.mass[own][order]
    numbers, begin, counts = np.unique(
        stretches.line[own][order], return_index=True, return_counts=True
    )
    numbers, begin, counts = (values[counts >= 5] for values in (numbers, begin, counts))
    if len(numbers) == 0:
        return np.zeros(0, np.int64), np.zeros(0)
    ink = (mass[begin + (counts - 1) // 2] + mass[begin + counts // 2]) / 2
    # Light and wear change the ink slowly; a heavy line stands out from its neighbours: the
    # quarter of those up to four lines away.
    near = np.abs(numbers[:, None] - numbers[None]) <= 4
    beside = np.sort(np.where(near, ink[None], np.inf), axis=1)
    at = 0.25 * (near.sum(axis=1) - 1)
    low, rows = np.floor(at).astype(int), np.arange(len(at))
    high = np.ceil(at).astype(int)
    quarter = beside[rows, low] + (at - low) * (beside[rows, high] - beside[rows, low])
    return numbers.astype(np.int64), ink / np.maximum(quarter, 1e-6)


def heavy_lines(
    stretches: Stretches, kept: NDArray[np.bool_]
) -> tuple[int | None, tuple[int, int], float]:
    """Whether every n-th line is heavier, the same n both ways."""
    levels = [_ink_of_lines(stretches, kept, family) for family in (0, 1)]
    if any(len(numbers) < 4 for numbers, _ in levels):
        return None, (0, 0), 1.0
    fitting = []
    for every in (2, 4, 5, 6, 8, 10, 12):
        found = [_heavy_phase(numbers, ink, every) for numbers, ink in levels]
        both = [one for one in found if one is not None]
        if len(both) < 2 or sum(one.heavy for one in both) < 3:
            continue
        firm = all(one.firm for one in both) or any(one.firm and one.heavy >= 3 for one in both)
        if firm and min(one.clear for one in both) > 2.5:
            fitting.append((sum(one.amiss for one in both), every, both))
    if not fitting:
        return None, (0, 0), 1.0
    # Every second line heavier is plain to see, whatever is heavier still among those.
    fitting.sort(key=lambda one: (one[1] != 2, one[0], one[1]))
    amiss, every, both = fitting[0]
    # Two readings nearly as good say that the print does not tell.
    if every != 2 and any(other[0] <= amiss + 1 and other[1] % every for other in fitting[1:]):
        return None, (0, 0), 1.0
    return every, (both[0].phase, both[1].phase), max(one.ratio for one in both)


def _median(values: Floats) -> float:
    """The median; for a few dozen numbers ten times as quick as NumPy's own."""
    ordered = np.sort(values)
    return float(ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2


@dataclass(frozen=True)
class _HeavyPhase:
    """How clearly lines of one phase are heavier, which, and how many are out of step.

    `firm`: most that should be heavy are.
    """

    clear: float
    phase: int
    ratio: float
    heavy: int
    amiss: int
    firm: bool


def _heavy_phase(numbers: NDArray[np.int64], ink: Floats, every: int) -> _HeavyPhase | None:
    """Best phase for heavy lines at every n-th."""
    options = []
    for phase in range(every):
        is_heavy = numbers % every == phase
        heavy, light = ink[is_heavy], ink[~is_heavy]
        if len(heavy) < 1 or len(light) < 2:
            continue
        high, low = _median(heavy), _median(light)
        spread = 1.4826 * _median(np.abs(light - low)) + 0.05 * low
        middle = (high + low) / 2
        # A border line or a worn one may be out of step, not more; lace may hide one of two.
        # Under lace every second line looks paler, yet not as pale as those between.
        like_light = min(middle, low + LIKE_LIGHT * spread) if every == 2 else middle
        hidden = float((heavy < like_light).mean())
        most = 0.5 if len(heavy) == 2 else MOST_HIDDEN
        if (light > middle).sum() > max(1, 0.1 * len(light)) or hidden > most:
            continue
        amiss = int((light > middle).sum() + (heavy < middle).sum())
        clear, firm = (high - low) / spread, hidden <= MOST_HIDDEN
        options.append(_HeavyPhase(clear, phase, high / low, len(heavy), amiss, firm))
    return max(options, key=lambda one: (-one.amiss, one.clear)) if options else None
