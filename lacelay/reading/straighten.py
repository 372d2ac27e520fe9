"""Straighten a piece of lace: cut out small, find its valley line, cut out along that.

The axis of the search is right to a millimetre or two. The valleys (or the straight edge
itself) of a small cut-out tell the line that shall lie level, however the lace bows.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lacelay.geometry.photo_map import PhotoMap
from lacelay.model.lace import LaceEdge
from lacelay.reading.axis import Axis
from lacelay.reading.base_line import base_line
from lacelay.reading.cloth import LaceArea
from lacelay.reading.edge_profile import Profile, profiles
from lacelay.reading.edges import read_edge
from lacelay.reading.ring import closed_map, read_round
from lacelay.reading.scale import Reference
from lacelay.reading.strip import Strip, cut_out, local_px_per_mm, most_px_per_mm

Floats = NDArray[np.float64]

#: Resolution of the small cut-out, px per mm: the search picture's own where that is near.
ROUGH_PX_PER_MM, LEAST_ROUGH = 3.0, 2.0
#: Points of a bowed axis.
KNOTS = 64
#: Highest degree of a wave beside the base line; so many places along each row tell one, and
#: so many for each of its terms.
STEEPEST, FEWEST_PLACES, PLACES_EACH = 6, 7, 2
#: A wave of more bends is taken when it foretells places left out better by this share, and
#: is so high somewhere, mm.
BETTER, LEAST_WAVE_MM = 0.75, 0.4
#: A line that bends by more, mm, is looked for again along itself.
BENT_MM = 1.5
#: An edge is hidden by what lies outward of it, or less than this inward, mm.
HIDDEN_WITHIN_MM = 1.0
#: Along a line steeper than this against the first the lace is cut out again.
STEEP_BOW = 0.05
#: A straight edge is told by the middles of so many stretches.
STRETCHES = 28
#: Tips reach equally far within this share of the lace's width; what counts as the farthest:
#: of all places along an edge without even scallops, and of the tips of one with such.
EVEN_SHARE, FARTHEST, FARTHEST_TIP = 0.02, 0.98, 0.85
UNEVEN = "Its edges reach out unequally far: the width was taken over the farthest of their tips."


@dataclass(frozen=True, eq=False)
class Straight:
    """A piece of lace straightened.

    Parameters
    ----------
    strip : Strip
    reference : Reference
        With the scale that the lace's own width gave, where that is all that tells it.
    length_mm : float or None
        Once round, of a closed piece.
    filled : bool
        Whether only the border band of a filled piece was cut out.
    """

    strip: Strip
    reference: Reference
    length_mm: float | None = None
    filled: bool = False

    @property
    def closed(self) -> bool:
        """Whether the piece is closed in itself."""
        return self.length_mm is not None


def straighten(
    photo: NDArray[np.uint8],
    reference: Reference,
    area: LaceArea,
    axis: Axis,
    grid_step: float | None,
    tip_to_tip_mm: float | None,
) -> Straight:
    """Cut the lace out twice: small, to find its valley line, then along that line.

    Parameters
    ----------
    reference : Reference
        Settled.
    axis : Axis
        In mm.
    grid_step : float or None
        Step of the printed grid in mm, where there is one.
    tip_to_tip_mm : float or None
        The lace's width, where that alone is known: its edges in the small picture fix the
        scale.
    """
    if axis.closed:
        return _unroll(photo, reference, area, axis, grid_step, tip_to_tip_mm)
    margin = max(3.0, 0.04 * axis.width_mm)
    points, length = axis.points_mm, axis.length_mm
    v_range = (axis.low_mm - margin, axis.high_mm + margin)
    native = local_px_per_mm(reference.map_along(points), length / 2, 0.0)
    coarse = _rough(native, area)

    def edges_along(
        photo_map: PhotoMap, u_range: tuple[float, float], v_range: tuple[float, float]
    ) -> tuple[Profile, Profile]:
        small = cut_out(photo, reference, photo_map, area, u_range, v_range, coarse, grid_step)
        return seen_profiles(small)

    photo_map = reference.map_along(points)
    lower, upper = edges_along(photo_map, (-margin, length + margin), v_range)
    for last in (False, True):
        edge, other = read_edge(lower, 0.0), read_edge(upper, 0.0)
        start, stop = float(lower.u_mm[0]), float(lower.u_mm[-1])
        base = base_line(lower, edge, upper, other)
        line = _level_line(base, [*_rows(lower, edge), *_rows(upper, other)])
        # One edge may go on farther than the other, where a cut or the photo's border is aslant.
        before = max(0.0, start - float(upper.u_mm[0]))
        after = max(0.0, float(upper.u_mm[-1]) - stop)
        knots = np.array([start, stop])
        if len(points) > 2 or line.bent:
            knots = np.linspace(start, stop, KNOTS)
        moved = photo_map.lace_to_mat(np.column_stack([knots, line(knots)]))
        heights = line(knots)
        middle = float(heights.mean())
        straight = np.polyval(np.polyfit(knots, heights, 1), knots)
        bend = float(np.abs(heights - straight).max())
        if last or (len(points) == 2 and bend < BENT_MM):
            break
        # Scallops of a lace that bows much look uneven: again along what was found.
        points, along = moved, reference.map_along(moved)
        v_range = (v_range[0] - middle, v_range[1] - middle)
        if float(np.abs(np.diff(heights - straight) / np.diff(knots)).max()) > STEEP_BOW:
            # Seen aslant, a flank hides part of its valley.
            length = float(np.hypot(*np.diff(moved, axis=0).T).sum())
            u_range = (-margin - before, length + after + margin)
            lower, upper = edges_along(along, u_range, v_range)
        else:
            lower, upper = (_carried(profile, photo_map, along) for profile in (lower, upper))
        photo_map = along
    factor = 1.0
    if tip_to_tip_mm is not None:
        factor, spread = told_width(tip_to_tip_mm, ((upper, other), (lower, edge)), line)
        reference = reference.scaled(factor).less_sure(spread, UNEVEN)
        moved = moved * factor
    photo_map = reference.map_along(moved)
    length = float(np.hypot(*np.diff(moved, axis=0).T).sum())
    # The body follows the line, so what it reaches from the line's mean is enough.
    v_range = ((v_range[0] - middle) * factor, (v_range[1] - middle) * factor)
    u_range = (-margin - before * factor, length + after * factor + margin)
    return Straight(
        cut_out(photo, reference, photo_map, area, u_range, v_range, native / factor, grid_step),
        reference,
    )


def _carried(profile: Profile, before: PhotoMap, after: PhotoMap) -> Profile:
    """An edge seen along one line, as it lies along another."""
    u, v = after.mat_to_lace(before.lace_to_mat(np.column_stack([profile.u_mm, profile.v_mm]))).T
    firm_u, firm_v = after.mat_to_lace(
        before.lace_to_mat(np.column_stack([profile.u_mm, profile.firm_mm]))
    ).T
    # Steep flanks may hang over a little along the other line: each place counts once.
    u, firm_u = np.maximum.accumulate(u), np.maximum.accumulate(firm_u)
    even = np.linspace(u[0], u[-1], len(u))
    return replace(
        profile, u_mm=even, v_mm=np.interp(even, u, v), firm_mm=np.interp(even, firm_u, firm_v)
    )


def _rough(native: float, area: LaceArea) -> float:
    """Resolution of the small cut-out."""
    # A little coarser than the search picture, so that this need not be made again.
    own = 0.95 * native * area.picture_shrink
    return min(native, ROUGH_PX_PER_MM, max(own, LEAST_ROUGH))


def _unroll(
    photo: NDArray[np.uint8],
    reference: Reference,
    area: LaceArea,
    axis: Axis,
    grid_step: float | None,
    tip_to_tip_mm: float | None,
) -> Straight:
    """The same for a closed piece: once round, from a valley to the same valley."""
    margin = max(3.0, 0.03 * (axis.high_mm - axis.low_mm))
    around = closed_map(reference, axis.points_mm)
    v_range = (axis.low_mm - margin, axis.high_mm + (0.0 if axis.filled else margin))
    native = local_px_per_mm(around, 0.0, 0.0)
    rough = _once(photo, reference, axis.points_mm, area, v_range, _rough(native, area), grid_step)
    edges = read_round(rough, around.length_mm, 0.0, filled=axis.filled)
    u, v, first = _level(edges.lower, edges.lower_profile, around.length_mm)
    knots = first + np.linspace(0.0, around.length_mm, len(axis.points_mm))
    height = np.interp(knots, u, v, period=around.length_mm)
    moved = around.lace_to_mat(np.column_stack([knots, height]))
    moved[-1] = moved[0]
    factor = 1.0
    if tip_to_tip_mm is not None and not axis.filled:
        sides = (edges.upper_profile, edges.upper), (edges.lower_profile, edges.lower)

        def level(around_mm: Floats) -> Floats:
            return np.interp(around_mm, u, v, period=around.length_mm)

        factor, spread = told_width(tip_to_tip_mm, sides, level)
        reference = reference.scaled(factor).less_sure(spread, UNEVEN)
        moved = moved * factor
    base = float(height.mean())
    v_range = ((v_range[0] - base) * factor, (v_range[1] - base) * factor)
    strip = _once(photo, reference, moved, area, v_range, native / factor, grid_step)
    length = closed_map(reference, moved).length_mm
    return Straight(strip, reference, length, axis.filled)


def _once(
    photo: NDArray[np.uint8],
    reference: Reference,
    points_mm: Floats,
    area: LaceArea,
    v_range: tuple[float, float],
    px_per_mm: float,
    grid_step: float | None,
) -> Strip:
    """Cut a closed piece out once round, in whole pixels."""
    around = closed_map(reference, points_mm)
    length = around.length_mm
    most = most_px_per_mm(length, v_range[1] - v_range[0])
    per_mm = np.floor(length * min(px_per_mm, most)) / length
    u_range = (0.0, length - 0.5 / per_mm)
    return cut_out(photo, reference, around, area, u_range, v_range, float(per_mm), grid_step)


def _level(edge: LaceEdge, profile: Profile, length_mm: float) -> tuple[Floats, Floats, float]:
    """Heights of the line that shall lie level, round about, and where a valley begins it."""
    if edge.scalloped and len(edge.valleys_mm) > 3:
        u, v = edge.valleys_mm[:-1].T
        order = np.argsort(u % length_mm)
        return (u % length_mm)[order], v[order], float(u[0])
    parts = np.array_split(np.arange(len(profile.u_mm)), STRETCHES)
    u = np.array([profile.u_mm[part].mean() for part in parts])
    return u, np.array([float(np.median(profile.v_mm[part])) for part in parts]), 0.0


def seen_profiles(strip: Strip) -> tuple[Profile, Profile]:
    """The profiles of a strip, straight on where something lies across an edge."""
    lower, upper = profiles(strip)
    if strip.hidden is None:
        return lower, upper
    return _bridged(lower, strip.hidden, strip), _bridged(upper, strip.hidden, strip)


def _bridged(profile: Profile, hidden: NDArray[np.bool_], strip: Strip) -> Profile:
    """An edge where it is seen; what hides the middle of the lace only does not hide it.

    Where something hides the edge the profile runs along the inner side of that, so what is
    hidden lies outward of it.
    """
    columns = np.round((profile.u_mm - strip.u0_mm) * strip.px_per_mm).astype(int)
    columns = np.clip(columns, 0, hidden.shape[1] - 1)
    rows = np.round((strip.v0_mm - profile.v_mm) * strip.px_per_mm).astype(int)
    within = round(HIDDEN_WITHIN_MM * strip.px_per_mm)
    own = hidden[:, columns]
    # The outermost hidden row of each column, counted outward.
    if profile.side == "lower":
        outermost = len(own) - 1 - own[::-1].argmax(0)
        outward = outermost >= rows - within
    else:
        outermost = own.argmax(0)
        outward = outermost <= rows + within
    known = ~(own.any(0) & outward)
    if known.sum() < 2 or known.all():
        return profile
    u = profile.u_mm
    return replace(
        profile,
        v_mm=np.interp(u, u[known], profile.v_mm[known]),
        firm_mm=np.interp(u, u[known], profile.firm_mm[known]),
    )


def told_width(
    told_mm: float,
    sides: tuple[tuple[Profile, LaceEdge], tuple[Profile, LaceEdge]],
    level: Callable[[Floats], Floats],
) -> tuple[float, float]:
    """What lengths are to be multiplied by, for the width she told.

    Parameters
    ----------
    told_mm : float
        From tips to tips, as a ruler laid over the lace says.
    sides : tuple
        Both edges: what is seen of each, and what was read of it.
    level : callable
        The line v(u) that shall lie level.

    Returns
    -------
    factor, relative_sigma : float
        The sigma is 0 where the tips of each edge reach equally far.
    """
    whole = sum(float(np.median(profile.outward_mm)) for profile, _ in sides)
    reach = [_reach(profile, edge, level, whole) for profile, edge in sides]
    across = sum(usual for usual, _ in reach)
    # Of unequal tips a ruler laid over them touches the farthest.
    farther = [most - usual for usual, most in reach if most - usual > EVEN_SHARE * across]
    widest = across + sum(farther)
    # Which of them it touches is not seen: the rest is taken for four sigmas.
    return told_mm / widest, float(np.hypot.reduce([0.0, *farther])) / (4 * widest)


def _reach(
    profile: Profile, edge: LaceEdge, level: Callable[[Floats], Floats], across: float
) -> tuple[float, float]:
    """How far out the middle one of an edge's tips and its farthest reach, picots and all.

    `across` is the lace's width, roughly.
    """
    out = profile.outward_mm
    line = level(profile.u_mm)
    out = out + line if profile.side == "lower" else out - line
    if not edge.scalloped or edge.pitch_mm is None or len(edge.tips_mm) == 0:
        inner = out[len(out) // 40 : len(out) - len(out) // 40]
        at = profile.u_mm[len(out) // 40 : len(out) - len(out) // 40]
        # The edges may run together a little, as a photo taken aslant shows them.
        slope = float(np.polyfit(at, inner, 1)[0])
        level_out = inner - slope * (at - at.mean())
        low, high, most = np.quantile(level_out, (0.25, 0.75, FARTHEST))
        # What lies across an edge or hangs from it is farther out, but not along half of it.
        usual = float(np.median(inner))
        return usual, float(most) if high - low > EVEN_SHARE * across else usual
    near = max(0.08 * edge.pitch_mm.value, 0.6)
    tips = [out[np.abs(profile.u_mm - u) <= near] for u in edge.tips_mm[:, 0]]
    tops = [float(tip.max()) for tip in tips if len(tip)]
    return float(np.median(tops)), float(np.quantile(tops, FARTHEST_TIP))


@dataclass(frozen=True, eq=False)
class _Line:
    """A line v(u): the base line and what waves both edges share beside it.

    Between `from_mm` and `to_mm` the wave is a polynomial in u scaled to -1..1; beyond them it
    goes on straight.
    """

    base: Floats
    wave: Floats
    from_mm: float
    to_mm: float

    @property
    def bent(self) -> bool:
        """Whether it is no straight line."""
        return len(self.base) > 2 or bool(self.wave.any())

    def __call__(self, u_mm: Floats) -> Floats:
        middle, half = (self.from_mm + self.to_mm) / 2, (self.to_mm - self.from_mm) / 2
        at = (np.asarray(u_mm, dtype=float) - middle) / half
        held = np.clip(at, -1.0, 1.0)
        wave = np.polyval(self.wave, held) + (at - held) * np.polyval(np.polyder(self.wave), held)
        return np.asarray(np.polyval(self.base, u_mm) + wave, dtype=np.float64)


def _level_line(base: Floats, rows: list[tuple[Floats, Floats]]) -> _Line:
    """The base line, bent further where all rows of both edges wave alike.

    Parameters
    ----------
    base : ndarray
        Polynomial as `numpy.polyval` takes it.
    rows : list of tuple
        u and v of points that run along the lace side by side.
    """
    rows = [(u, v - np.polyval(base, u)) for u, v in rows if len(u) >= FEWEST_PLACES]
    if not rows:
        return _Line(base, np.zeros(1), 0.0, 1.0)
    first = min(float(u.min()) for u, _ in rows)
    last = max(float(u.max()) for u, _ in rows)
    middle, half = (first + last) / 2, (last - first) / 2
    if half <= 0:
        return _Line(base, np.zeros(1), 0.0, 1.0)
    at = np.concatenate([(u - middle) / half for u, _ in rows])
    rest = np.concatenate([v - np.median(v) for _, v in rows])
    own = np.concatenate([np.full(len(u), k) for k, (u, _) in enumerate(rows)])
    # Of a valley misplaced by a pin no more than a usual one's scatter counts.
    usual = 1.4826 * float(np.median(np.abs(rest)))
    rest = np.clip(rest, -4 * usual - 0.1, 4 * usual + 0.1)
    places = max(len(u) for u, _ in rows)
    best, missed = np.zeros(1), _foretold(at, rest, own, 0)
    for degree in range(3, min(STEEPEST, places // PLACES_EACH) + 1):
        now = _foretold(at, rest, own, degree)
        wave = _shared(at, rest, own, degree)
        if now < BETTER * missed and float(np.ptp(np.polyval(wave, at))) > LEAST_WAVE_MM:
            best, missed = wave, now
    return _Line(base, best, first, last)


def _terms(at: Floats, own: NDArray[np.int64], degree: int) -> Floats:
    """Columns: the powers shared, then a height of its own for each row."""
    powers = at[:, None] ** np.arange(degree, 0, -1)
    rows = (own[:, None] == np.arange(own.max() + 1)[None]).astype(float)
    return np.hstack([powers, rows])


def _shared(at: Floats, rest: Floats, own: NDArray[np.int64], degree: int) -> Floats:
    """The polynomial that rows at heights of their own share; 0 in the middle of them."""
    found = np.linalg.lstsq(_terms(at, own, degree), rest, rcond=None)[0]
    wave = np.append(found[:degree], 0.0)
    wave[-1] = -float(np.polyval(wave, at).mean())
    return np.asarray(wave, dtype=np.float64)


def _foretold(at: Floats, rest: Floats, own: NDArray[np.int64], degree: int) -> float:
    """How far places lie off a line fitted without them, mm: root mean square.

    The residual without a place is its residual over one minus its leverage.
    """
    terms = _terms(at, own, degree)
    # A few columns over -1..1: the normal equations are well enough set, a little ridge
    # holds them where a row has one place alone.
    normal = terms.T @ terms + 1e-9 * np.eye(terms.shape[1])
    inverse = np.linalg.solve(normal, terms.T)
    leverage = np.einsum("ij,ji->i", terms, inverse)
    miss = (rest - terms @ (inverse @ rest)) / np.maximum(1 - leverage, 1e-3)
    return float(np.sqrt(np.mean(miss**2)))


def _rows(profile: Profile, edge: LaceEdge) -> list[tuple[Floats, Floats]]:
    """Valleys and tips of an edge, or the middles of stretches of a straight one."""
    if profile.cut:
        return []
    if edge.scalloped:
        return [(points[:, 0], points[:, 1]) for points in (edge.valleys_mm, edge.tips_mm)]
    off = len(profile.u_mm) // 40
    whole = np.arange(off, len(profile.u_mm) - off)
    parts = np.array_split(whole, min(STRETCHES, len(whole)))
    u = np.array([profile.u_mm[part].mean() for part in parts])
    return [(u, np.array([float(np.median(profile.v_mm[part])) for part in parts]))]
