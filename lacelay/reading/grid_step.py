"""What a grid's lines say of its step: heavy lines, fainter ones between, lines miscounted.

Frames: photo points (x, y) in pixels, y down; grid points (i, j), one unit to a printed line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lacelay.reading.grid_lines import FEWEST_STRETCHES, Pose, Stretches, sampled

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
            was_kept = stretches.point_px[kept]
            pose, stretches = main_lines(pose, stretches, every, (phases[0], phases[1]))
            order = {tuple(point) for point in was_kept}
            kept = np.array([tuple(point) in order for point in stretches.point_px])
    return pose, stretches, kept


def main_lines(
    pose: Pose, stretches: Stretches, every: int, phase: tuple[int, int]
) -> tuple[Pose, Stretches]:
    """The same grid counted in main lines only."""
    shift = np.array([[1, 0, -phase[0]], [0, 1, -phase[1]], [0, 0, every]], dtype=float)
    moved = shift @ pose.photo_to_grid
    matrix = moved / moved[2, 2]
    offset = np.where(stretches.family == 0, phase[0], phase[1])
    number = (stretches.line - offset) / every
    main = np.abs(number - np.round(number)) < 1e-6
    reduced = Stretches(
        stretches.point_px[main],
        stretches.family[main],
        np.round(number[main]),
        stretches.mass[main],
        stretches.thickness,
        stretches.typical,
    )
    return Pose(matrix, pose.k1, pose.centre_px, pose.focal_px), reduced


def divided_into(
    gray: NDArray[np.uint8], pose: Pose, stretches: Stretches, kept: NDArray[np.bool_]
) -> int:
    """Into how many parts fainter lines divide a step: 1, 2, 4, 5, 8 or 10."""
    for parts, numerators in (
        (8, (1, 3, 5, 7)),
        (10, (1, 3, 7, 9)),
        (4, (1, 3)),
        (5, (1, 2, 3, 4)),
        (2, (1,)),
    ):
        if all(_fainter_line(gray, pose, stretches, kept, n / parts) for n in numerators):
            return parts
    return 1


def _fainter_line(
    gray: NDArray[np.uint8],
    pose: Pose,
    stretches: Stretches,
    kept: NDArray[np.bool_],
    share: float,
) -> bool:
    """Whether a line runs `share` of a step beyond the lines that were seen."""
    # Two thousand places tell as much as all of them.
    chosen = np.flatnonzero(kept)[:: 1 + int(kept.sum()) // 2000]
    at = pose.to_grid(stretches.point_px[chosen])
    across = np.where(stretches.family[chosen, None] == 0, [1.0, 0.0], [0.0, 1.0])
    along = across[:, ::-1]
    middle = at + share * across
    step = pose.step_px(np.median(stretches.point_px[kept], axis=0))
    half = int(np.clip(2.5 * stretches.thickness + 3, 5, 0.08 * step + 4))
    offsets = np.arange(-half, half + 1) / step
    beside = np.linspace(-0.2, 0.2, 7)
    centre = pose.to_photo(middle)
    unit_across = (pose.to_photo(middle + 0.02 * across) - centre) / 0.02
    unit_along = (pose.to_photo(middle + 0.02 * along) - centre) / 0.02
    photo = (
        (
            centre[:, None, None]
            + offsets[None, :, None, None] * unit_across[:, None, None]
            + beside[None, None, :, None] * unit_along[:, None, None]
        )
        .astype(np.float32)
        .reshape(len(at), -1, 2)
    )
    height, width = gray.shape
    inside = ((photo > 1) & (photo < [width - 2, height - 2])).all((1, 2))
    if inside.sum() < FEWEST_STRETCHES:
        return False
    seen = sampled(gray, photo[inside])
    profile = seen.reshape(-1, len(offsets), len(beside)).astype(np.float64).mean(2)
    plain = np.median(profile - np.median(profile, axis=1, keepdims=True), axis=0)
    plain *= np.sign(stretches.typical)
    core = np.abs(offsets * step) <= 0.5 * stretches.thickness + 0.5
    wings = np.abs(offsets * step) > stretches.thickness + 1
    if not wings.any():
        return False
    height_here = float(plain[core].max() - np.median(plain[wings]))
    noise = float(np.std(plain[wings])) + 0.15
    return height_here > max(4 * noise, 0.07 * abs(stretches.typical))


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
            place = np.arange(extent[along], extent[along + 2], 1 / 160)
            at = np.empty((len(place), 2))
            at[:, along] = place
            at[:, across] = extent[side] + (beyond if side >= 2 else -beyond)
            photo = pose.to_photo(at)
            inside = ((photo > 1) & (photo < [width - 2, height - 2])).all(1)
            if inside.sum() < 3 * 160:
                continue
            place = place[inside]
            level = sampled(gray, photo[inside].astype(np.float32)[:, None])[:, 0]
            level = level - np.convolve(np.pad(level, 30, mode="edge"), np.ones(61) / 61, "valid")
            # A lamp's glare or the lace may cross the border: no place weighs more than 3.
            size = float(level.std()) + 1e-6
            level = np.clip(level / size, -3, 3)
            strength = {
                k: float(np.abs(np.mean(level * np.exp(2j * np.pi * k * place))))
                for k in range(5, 36)
            }
            for ticks in TICKS:
                rest = max(value for k, value in strength.items() if k % ticks)
                if strength[ticks] > max(TICK_STRENGTH, TICK_CLEAR * rest):
                    found.append(ticks)
    if not found or len(set(found)) > 1:
        return None
    return found[0]


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
    numbers, counts = np.unique(stretches.line[own], return_counts=True)
    numbers = numbers[counts >= 5]
    if len(numbers) == 0:
        return np.zeros(0, np.int64), np.zeros(0)
    ink = np.array([np.median(stretches.mass[own & (stretches.line == n)]) for n in numbers])
    # Light and wear change the ink slowly; a heavy line stands out from its neighbours.
    beside = np.array([np.percentile(ink[np.abs(numbers - n) <= 4], 25) for n in numbers])
    return numbers.astype(np.int64), ink / np.maximum(beside, 1e-6)


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
        if min(one.clear for one in both) > 2.5:
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


@dataclass(frozen=True)
class _HeavyPhase:
    """How clearly lines of one phase are heavier, which, and how many are out of step."""

    clear: float
    phase: int
    ratio: float
    heavy: int
    amiss: int


def _heavy_phase(numbers: NDArray[np.int64], ink: Floats, every: int) -> _HeavyPhase | None:
    """Best phase for heavy lines at every n-th."""
    options = []
    for phase in range(every):
        is_heavy = numbers % every == phase
        heavy, light = ink[is_heavy], ink[~is_heavy]
        if len(heavy) < 1 or len(light) < 2:
            continue
        high, low = float(np.median(heavy)), float(np.median(light))
        spread = 1.4826 * float(np.median(np.abs(light - low))) + 0.05 * low
        middle = (high + low) / 2
        # A border line or a worn one may be out of step, not more.
        if (light > middle).sum() > max(1, 0.1 * len(light)) or (heavy < middle).mean() > 0.35:
            continue
        amiss = int((light > middle).sum() + (heavy < middle).sum())
        options.append(_HeavyPhase((high - low) / spread, phase, high / low, len(heavy), amiss))
    return max(options, key=lambda one: (-one.amiss, one.clear)) if options else None
