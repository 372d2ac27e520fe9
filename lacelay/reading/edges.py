"""Read the long edges: scalloped or straight, valleys, tips, pitch and depth.

An edge comes as a profile: how far out the lace reaches at each place along it. Valleys are
the deep, evenly spaced minima; small teeth (picots) on a scallop are less deep and closer,
and are smoothed over. Only whole scallops count: those between two valleys.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.model.lace import LaceEdge, Measured
from lacelay.reading.edge_profile import Profile
from lacelay.reading.flanks import filled_mm
from lacelay.reading.mean_scallop import NARROWEST_MM, fold, shape_at, smooth
from lacelay.reading.peaks import find_peaks
from lacelay.reading.scallop_fit import UNEVEN_WIDTHS, ScallopFit, fit_scallops

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: A scallop is at least this deep, mm, and this share of its pitch.
SHALLOWEST_MM = 0.9
SHALLOWEST_SHARE = 0.045
#: Copies less alike than the first are no scallops, than the second uneven ones.
LEAST_ALIKE, EVEN_ALIKE = 0.3, 0.55
#: An uneven edge most of whose valleys had to be placed by the others has none.
MOST_UNSEEN = 0.5
#: Where the whole edge shows no even scallops, its ends are left out by these shares.
ENDS_OFF = (0.06, 0.11, 0.16)
#: Two fits whose pitches differ by less than this share are of the same scallops.
SAME_PITCH = 0.1
#: Fewer valleys than this between the ends left out, or beside a lone one, prove nothing.
FEWEST_INNER = 5
#: A loop that stands out by so much, mm, is the tip where it is no farther from the crown
#: than this share of the scallop.
LOOP_MM, LOOP_SHARE = 0.4, 0.03
#: More than this share of an edge hidden is said.
HIDDEN_SHARE = 0.15
#: A valley nearer than this to a cut end may or may not be whole.
CUT_END_MM = 1.5
#: A dip this share of a scallop's width from where its valley should be is that valley when the
#: edge rises by the third, a share of its depth, within the second to both sides.
NOTCH_NEAR, NOTCH_REACH, NOTCH_RISE = 0.12, 0.35, 0.4
#: Where the edge thread turns lies deeper than the notch is seen to end; by how much its flanks
#: tell only to about this.
VALLEY_SIGMA_MM = 0.5
#: A bow that is missed or seen in vain makes an edge longer or shorter by about this share.
BENT_SHARE = 0.0012
#: A scallop of the upper edge is as wide as so many of the lower one; a bow makes it seem
#: wider or narrower by this share at most.
EVEN_RATIOS, MOST_BOWED = np.array([1 / 3, 1 / 2, 2 / 3, 1.0, 3 / 2, 2.0, 3.0]), 0.04
#: Slits narrower than the first and deeper than the second are no valleys.
SLIT_MM = (1.6, 2.5)
#: What stands out over less than this along the edge is no scallop.
SPIKE_MM = 2.4


def _without_slits(outward: Floats, slit: tuple[float, float]) -> Floats:
    """Bridge narrow deep slits: a printed line hides the lace there, or a thread is broken."""
    window = np.ones((1, 2 * max(1, round(slit[0] / 2)) + 1), np.uint8)
    row = cv2.morphologyEx(
        outward.reshape(1, -1), cv2.MORPH_CLOSE, window, borderType=cv2.BORDER_REPLICATE
    )
    bridged = np.asarray(row.ravel(), dtype=np.float64)
    return np.where(bridged - outward > slit[1], bridged, outward)


def read_edge(profile: Profile, relative_sigma: float) -> LaceEdge:
    """Find the scallops of one edge.

    Parameters
    ----------
    profile : Profile
    relative_sigma : float
        Standard uncertainty of the scale, as a share; part of the pitch's and depth's.
    """
    u, out = profile.u_mm, profile.outward_mm
    spacing = float(u[1] - u[0])
    # Picots, pins and stubs of printed lines are narrow: they are no part of a scallop's shape.
    level = _without_spikes(out, SPIKE_MM / spacing)
    level = smooth(_without_slits(level, (SLIT_MM[0] / spacing, SLIT_MM[1])), 0.4 / spacing)
    trend = np.polyval(np.polyfit(u - u.mean(), level, 2), u - u.mean())
    play = level - trend
    whole_play = float(np.percentile(play, 96) - np.percentile(play, 4))
    straight = LaceEdge(profile.side, False, np.zeros((0, 2)), np.zeros((0, 2)))
    if profile.cut:
        return _with_doubt(straight, "it runs out of the photo and was not seen")
    if whole_play < SHALLOWEST_MM:
        return straight
    fit, left_out = _whole_or_inner(level, spacing)
    if fit is None or fit.alike < LEAST_ALIKE:
        if whole_play > 3 * SHALLOWEST_MM:
            return _with_doubt(straight, "this edge is uneven, but in no even scallops")
        return straight
    if left_out:
        profile = profile.between(left_out, len(u) - left_out)
    pitch = fit.pitch * spacing
    deep = float(np.ptp(fit.shape))
    if deep < max(SHALLOWEST_MM, SHALLOWEST_SHARE * pitch) or pitch < NARROWEST_MM:
        return straight
    if len(fit.at) < 2:
        return _with_doubt(straight, "no whole scallop of this edge lies in the photo")
    valleys, tips, depth, unseen = _places(profile, fit, spacing)
    if fit.alike < EVEN_ALIKE and float(unseen.mean()) > MOST_UNSEEN:
        return _with_doubt(straight, "this edge is uneven, but in no even scallops")
    width, scatter = _pitch(valleys[:, 0], fit.each, pitch)
    typical = float(np.median(depth))
    sign = -1.0 if profile.side == "lower" else 1.0
    mirror = np.array([1.0, sign])
    return LaceEdge(
        profile.side,
        True,
        valleys * mirror,
        tips * mirror,
        Measured(width, float(np.hypot(scatter, np.hypot(relative_sigma, BENT_SHARE) * width))),
        Measured(
            typical,
            float(
                np.hypot(
                    np.hypot(np.std(depth) / np.sqrt(len(depth)), VALLEY_SIGMA_MM),
                    relative_sigma * typical,
                )
            ),
        ),
        None,
        "; ".join(_edge_doubts(profile, fit, unseen, spacing, left_out > 0)) or None,
    )


def read_edges(lower: Profile, upper: Profile, relative_sigma: float) -> tuple[LaceEdge, LaceEdge]:
    """Read both edges of a lace that lies open, lengths along the lower one.

    Scallops of both edges come after the same length, or it is a small multiple. Where they
    seem not to, the lace lies bowed within its plane: what lies far from the lower edge is then
    longer or shorter in the photo than the lace is, and its pitch is in doubt by as much.
    """
    low, high = read_edge(lower, relative_sigma), read_edge(upper, relative_sigma)
    if low.pitch_mm is None or high.pitch_mm is None:
        return low, high
    ratio = high.pitch_mm.value / low.pitch_mm.value
    off = float(np.abs(ratio / EVEN_RATIOS - 1.0).min())
    if off > MOST_BOWED:
        return low, high
    sigma = float(np.hypot(high.pitch_mm.sigma, off * high.pitch_mm.value))
    return low, replace(high, pitch_mm=Measured(high.pitch_mm.value, sigma))


def _whole_or_inner(level: Floats, spacing: float) -> tuple[ScallopFit | None, int]:
    """The fit of the whole edge, or of its inner part where that tells more; samples left out.

    The ends may be shaped otherwise: pointed, torn, rolled up, under a hand.
    """
    fit, left_out = fit_scallops(level, spacing), 0
    even = fit is not None and fit.alike >= EVEN_ALIKE
    if even and fit is not None and not fit.dropped:
        return fit, 0
    # Where it is even a little off the ends is enough to see whether they spoil it.
    for share in ENDS_OFF[:1] if even else ENDS_OFF:
        off = round(share * len(level))
        inner = fit_scallops(level[off:-off], spacing)
        if inner is None or len(inner.at) < FEWEST_INNER or inner.alike <= EVEN_ALIKE:
            continue
        if fit is not None and (even or left_out):
            more = len(inner.at) - len(fit.at)
            if more <= 0 or abs(inner.pitch - fit.pitch) > SAME_PITCH * fit.pitch:
                continue
        fit, left_out = inner, off
    return fit, left_out


def _places(
    profile: Profile, fit: ScallopFit, spacing: float
) -> tuple[Floats, Floats, Floats, NDArray[np.bool_]]:
    """Valleys (m, 2) and tips (m - 1, 2) as (u, height outward), depths, valleys not seen."""
    u, out = profile.u_mm, profile.outward_mm
    light, fine = smooth(out, 0.25 / spacing), smooth(out, 0.4 / spacing)
    reach = max(2, round(0.05 * fit.pitch), round(1.5 / spacing))
    firm = profile.firm_outward_mm
    index = np.arange(len(u))
    at = u[0] + fit.at * spacing
    valleys = np.array([_bottom(u, light, firm, round(place), reach) for place in fit.at])
    # The slow curve taken off, like valleys lie at one height: what does not is covered.
    above = valleys[:, 1] - np.interp(fit.at, index, fit.trend)
    kind = np.arange(len(at)) % fit.each
    usual = np.array(
        [
            np.median(above[(kind == k) & ~fit.pulled])
            if ((kind == k) & ~fit.pulled).any()
            else np.median(above)
            for k in kind
        ]
    )
    deep = float(np.ptp(fit.shape))
    unseen = fit.pulled | (np.abs(above - usual) > max(0.8, 0.12 * deep))
    for k in np.flatnonzero(unseen) if len(at) >= FEWEST_INNER else ():
        notch = _clear_notch(fine, fit.at[k], fit.pitch, deep)
        if notch is not None:
            valleys[k] = _bottom(u, light, firm, notch, reach)
            unseen[k] = False
    level = _without_spikes(out, SPIKE_MM / spacing)
    filled = filled_mm(u, level, valleys[:, 0], ~unseen, fit.each, deep)
    valleys[:, 1] -= filled
    usual = usual - filled
    valleys[unseen, 0] = at[unseen]
    valleys[unseen, 1] = (np.interp(fit.at, index, fit.trend) + usual)[unseen]
    # Tips by the crown of the mean shape, picots and all; its own height where it agrees.
    whole = fold(np.where(fit.hidden, np.nan, fine - fit.trend), fit.phases)
    tips = []
    for a, b in pairwise(fit.at):
        start, stop = (float(np.interp(x, index, fit.phases)) for x in (a, b))
        phase = _crown(whole, start, stop)
        x = float(np.interp(phase, fit.phases, index))
        height = float(np.interp(x, index, fine))
        wanted = float(np.interp(x, index, fit.trend) + shape_at(whole, np.array([phase]))[0])
        if abs(height - wanted) > max(0.8, 0.12 * deep):
            height = wanted
        tips.append((u[0] + x * spacing, height))
    tip = np.array(tips)
    depth = tip[:, 1] - (valleys[:-1, 1] + valleys[1:, 1]) / 2
    return valleys, tip, depth, unseen


def _clear_notch(height: Floats, at: float, pitch: float, deep: float) -> int | None:
    """The sample near `at` where the edge dips clearly, seen from both sides; None without.

    Where the lace bows or lies stretched a valley is a little off the others' line and step.
    """
    first = max(1, round(at - NOTCH_NEAR * pitch))
    own = height[first : round(at + NOTCH_NEAR * pitch) + 1]
    if len(own) < 3:
        return None
    lowest = first + int(np.argmin(own))
    if lowest in (first, first + len(own) - 1):
        return None
    reach = round(NOTCH_REACH * pitch)
    before, after = height[max(0, lowest - reach) : lowest], height[lowest + 1 : lowest + reach]
    if len(after) == 0:
        return None
    rise = min(float(before.max()), float(after.max())) - float(height[lowest])
    return lowest if rise >= NOTCH_RISE * deep else None


def _crown(shape: Floats, start: float, stop: float) -> float:
    """Phase of the tip between two valleys: the top of a parabola over the crown."""
    wide = stop - start
    phases = np.linspace(start + 0.15 * wide, stop - 0.15 * wide, 141)
    heights = shape_at(shape, phases)
    # The whole head first: on a flat one the highest place may be anywhere.
    top, first = (start + stop) / 2, 0.0
    for near, most in ((0.35, 0.2), (0.17, 0.12)):
        own = np.abs(phases - top) <= near * wide
        bend, slope, _ = np.polyfit(phases[own] - top, heights[own], 2)
        # A crown flatter than the head it is part of is all loops, and tells nothing.
        if bend >= min(-1e-9, 0.5 * first):
            break
        top += float(np.clip(-slope / (2 * bend), -most * wide, most * wide))
        top, first = float(np.clip(top, phases[0], phases[-1])), float(bend)
    if not first:
        return float(phases[np.argmax(smooth(heights, 8.0))])
    # Where loops stand along the edge the one on the crown is the tip.
    own = np.abs(phases - top) <= 0.2 * wide
    rest = heights[own] - np.polyval(
        np.polyfit(phases[own] - top, heights[own], 2), phases[own] - top
    )
    loops = phases[own][find_peaks(rest, prominence=LOOP_MM)]
    loops = loops[np.abs(loops - top) <= LOOP_SHARE * wide]
    return float(loops[np.argmin(np.abs(loops - top))]) if len(loops) else top


def _edge_doubts(
    profile: Profile, fit: ScallopFit, unseen: NDArray[np.bool_], spacing: float, inner_only: bool
) -> list[str]:
    doubts: list[str] = []
    if inner_only:
        doubts.append("its ends are unlike the rest: scallops there were not counted")
    if fit.alike < EVEN_ALIKE:
        doubts.append("the scallops are uneven")
    missed = int(unseen.sum())
    if missed:
        many = "a valley was" if missed == 1 else f"{missed} valleys were"
        doubts.append(f"{many} hard to see and placed by the others")
    if fit.dropped:
        doubts.append("scallops near an end could not be read")
    if float(fit.hidden.mean()) > HIDDEN_SHARE:
        doubts.append(f"{fit.hidden.mean():.0%} of it is hidden or unlike the rest")
    if len(fit.at) < 4:
        doubts.append("too few scallops are seen to know their even pattern")
    wide = np.diff(fit.at)
    if len(wide) > 1 and wide.max() > UNEVEN_WIDTHS * wide.min():
        doubts.append("its scallops are uneven in width: a valley may be missing")
    ends = [name for name, on in zip(("left", "right"), profile.goes_on, strict=True) if on]
    if ends:
        doubts.append(f"the lace seems to go on past the mat at its {' and '.join(ends)} end")
    last = len(fit.phases) - 1
    inside = min(float(fit.at[0]), last - float(fit.at[-1]))
    if min(inside, *fit.end_gap) * spacing < CUT_END_MM:
        doubts.append("a valley lies just at a cut end, so one scallop may not be whole")
    return doubts


def _with_doubt(edge: LaceEdge, doubt: str) -> LaceEdge:
    return LaceEdge(edge.side, edge.scalloped, edge.valleys_mm, edge.tips_mm, doubt=doubt)


def _without_spikes(values: Floats, width: float) -> Floats:
    """Take off what stands out over less than `width` samples."""
    window = np.ones((1, 2 * max(1, round(width / 2)) + 1), np.uint8)
    row = cv2.morphologyEx(
        values.reshape(1, -1), cv2.MORPH_OPEN, window, borderType=cv2.BORDER_REPLICATE
    )
    return np.asarray(row.ravel(), dtype=np.float64)


def _pitch(valley_u: Floats, each: int, fitted: float) -> tuple[float, float]:
    """Pitch by a line through the valleys (Theil-Sen), and its standard uncertainty."""
    n = len(valley_u)
    if n < 2 + each:
        return (fitted if each > 1 else float(valley_u[1] - valley_u[0])), 0.5
    # The median of all pairs' slopes: one valley misplaced by a pin must not tilt the rest.
    # Where scallops of several widths take turns, only like ones are compared.
    index = np.arange(n, dtype=float)
    first, second = np.triu_indices(n, 1)
    like = (second - first) % each == 0
    first, second = first[like], second[like]
    slope = float(np.median((valley_u[second] - valley_u[first]) / (second - first)))
    miss = valley_u - slope * index
    miss = np.concatenate([miss[k::each] - np.median(miss[k::each]) for k in range(each)])
    variance = (1.4826 * float(np.median(np.abs(miss)))) ** 2 + 0.1**2
    spread = index - index.mean()
    # Lace that lies stretched has wider scallops at one end than at the other, and which are
    # its own nobody can tell: the spread of the widths stays in doubt whole.
    curved = spread**2 - float((spread**2).mean())
    bend = float(miss @ curved / max(float(curved @ curved), 1e-9)) if n > 4 else 0.0
    uneven = abs(bend) * (n - 1) / np.sqrt(3.0)
    return slope, float(np.hypot(np.sqrt(variance / (spread**2).sum()), uneven))


def _bottom(u: Floats, out: Floats, firm: Floats, at: int, reach: int) -> tuple[float, float]:
    """u and height of the bottom of a valley, not smoothed away, picots that fill it taken off."""
    low, high = max(0, at - reach), min(len(u), at + reach + 1)
    own = out[low:high]
    deep = own <= float(own.min()) + 0.15
    place = float(u[low:high][deep].mean())
    near = np.abs(u - place) <= 0.8
    return place, float(min(own.min(), np.percentile(firm[near], 10)))
