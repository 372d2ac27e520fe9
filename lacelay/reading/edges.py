"""Read the long edges: scalloped or straight, valleys, tips, pitch and depth.

An edge comes as a profile: how far out the lace reaches at each place along it. Valleys are
the deep, evenly spaced minima; small teeth (picots) on a scallop are less deep and closer,
and are smoothed over. Only whole scallops count: those between two valleys.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.model.lace import LaceEdge, Measured, Side
from lacelay.reading.cloth import disc
from lacelay.reading.strip import Strip

Floats = NDArray[np.float64]

#: A scallop is at least this deep, mm, and this share of its pitch.
SHALLOWEST_MM = 0.9
SHALLOWEST_SHARE = 0.045
#: A scallop is at least this wide, mm; below, teeth on an edge are picots.
NARROWEST_MM = 5.0
#: A valley is at least this deep, as a share of the edge's whole play.
VALLEY_SHARE = 0.34
#: A pixel covered by more than this belongs to the edge; less is shadow or blur.
EDGE_COVER = 0.55
#: What is thinner than twice this and stands out from the edge is a loose thread or a pin.
WHISKER_MM = 0.5
#: Thread of a picot is thinner than twice this, and a picot no deeper than the other.
PICOT_MM = 0.3
DEEPEST_PICOT_MM = 4.0
#: Slits narrower than the first and deeper than the second are no valleys.
SLIT_MM = (1.6, 2.5)
#: What stands out over less than this along the edge is no scallop.
SPIKE_MM = 2.4


@dataclass(frozen=True, eq=False)
class Profile:
    """How far out one edge reaches, evenly spaced in u; arrays of shape (n,).

    Parameters
    ----------
    v_mm : ndarray
        Of the outermost thread, picots included.
    firm_mm : ndarray
        The same without what is thinner than an edge thread or cord: picots taken off.
    cut : bool
        Whether most of the edge is the photo's own border.
    """

    side: Side
    u_mm: Floats
    v_mm: Floats
    firm_mm: Floats
    cut: bool = False

    @property
    def outward_mm(self) -> Floats:
        """v counted outward from the middle of the lace."""
        return -self.v_mm if self.side == "lower" else self.v_mm

    @property
    def firm_outward_mm(self) -> Floats:
        """`firm_mm` counted outward from the middle of the lace."""
        return -self.firm_mm if self.side == "lower" else self.firm_mm


def profiles(strip: Strip) -> tuple[Profile, Profile]:
    """Lower and upper profile where the lace has its full depth (its ends left out).

    The profile follows the outermost thread, not the filled extent: filling rounds valleys.
    """
    shrink = min(1.0, 5.0 / strip.px_per_mm)
    size = (round(strip.alpha.shape[1] * shrink), round(strip.alpha.shape[0] * shrink))
    extent = cv2.resize(strip.extent.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    shrink = size[0] / strip.alpha.shape[1]
    per_mm = strip.px_per_mm * shrink
    # Rows and columns of the small picture in those of the large: centres at integers.
    half = 0.5 / shrink - 0.5
    pad = int(2 * per_mm) + 2
    opened = cv2.morphologyEx(
        np.pad((extent > 0.5).astype(np.uint8), pad), cv2.MORPH_OPEN, disc(WHISKER_MM * per_mm)
    )[pad:-pad, pad:-pad]
    count, labels, stats, _ = cv2.connectedComponentsWithStats(opened)
    if count > 1:
        opened = (labels == 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())).astype(np.uint8)
    deep = opened.sum(0).astype(float)
    full = np.flatnonzero(deep > 0.55 * np.percentile(deep[deep > 0], 60))
    columns = np.arange(int(full[0]), int(full[-1]) + 1)
    near = cv2.dilate(opened, disc(0.25 * per_mm))
    within = cv2.resize(near, strip.alpha.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0
    thread = ((strip.alpha > EDGE_COVER) & within).astype(np.uint8)
    # Single specks are noise: a thread at the edge goes on for a third of a millimetre.
    long = max(1, round(0.3 * strip.px_per_mm))
    opened_thread = cv2.morphologyEx(thread, cv2.MORPH_OPEN, np.ones((1, long), np.uint8))
    thread = np.asarray(opened_thread, dtype=np.uint8)
    at = np.clip(np.round(columns / shrink + half).astype(int), 0, thread.shape[1] - 1)
    slit = (SLIT_MM[0] * per_mm, SLIT_MM[1] * strip.px_per_mm)
    top, bottom = _outermost(thread, at, round(0.15 * per_mm), slit)
    firm = cv2.morphologyEx(thread, cv2.MORPH_OPEN, disc(PICOT_MM * strip.px_per_mm))
    firm_top, firm_bottom = _outermost(np.asarray(firm, dtype=np.uint8), at, 0, slit)
    # Where the edge itself is a fine thread there is nothing firmer near it.
    deepest = DEEPEST_PICOT_MM * strip.px_per_mm
    firm_top = np.where(firm_top - top < deepest, np.maximum(firm_top, top), top)
    firm_bottom = np.where(bottom - firm_bottom < deepest, np.minimum(firm_bottom, bottom), bottom)
    u = strip.u_of(columns / shrink + half)
    # The outline runs along the outer sides of the outermost pixels.
    upper, lower = strip.v_of(top - 0.5), strip.v_of(bottom + 0.5)
    return (
        Profile("lower", u, lower, strip.v_of(firm_bottom + 0.5), _cut(strip, u, lower)),
        Profile("upper", u, upper, strip.v_of(firm_top - 0.5), _cut(strip, u, upper)),
    )


def _outermost(
    thread: NDArray[np.uint8], at: NDArray[np.int64], reach: int, slit: tuple[float, float]
) -> tuple[Floats, Floats]:
    """Topmost and lowest row with thread in the columns `at`, gaps of twice `reach` bridged.

    `slit` is the width in samples and the depth in rows of what is bridged as well.
    """
    known = np.flatnonzero(thread.any(0))
    if len(known) == 0:
        none = np.full(len(at), len(thread) / 2)
        return none, none
    top = np.interp(at, known, thread.argmax(0)[known].astype(float))
    bottom = np.interp(at, known, (len(thread) - 1 - thread[::-1].argmax(0))[known].astype(float))
    if reach:
        # A gap in the edge thread is no valley.
        near = np.ones((1, 2 * reach + 1), np.uint8)
        top = cv2.erode(top.reshape(1, -1), near).ravel()
        bottom = cv2.dilate(bottom.reshape(1, -1), near).ravel()
    top = -_without_slits(-np.asarray(top, dtype=np.float64), slit)
    bottom = _without_slits(np.asarray(bottom, dtype=np.float64), slit)
    return np.asarray(top, dtype=np.float64), np.asarray(bottom, dtype=np.float64)


def _without_slits(outward: Floats, slit: tuple[float, float]) -> Floats:
    """Bridge narrow deep slits: a printed line hides the lace there, or a thread is broken."""
    window = np.ones((1, 2 * max(1, round(slit[0] / 2)) + 1), np.uint8)
    row = cv2.morphologyEx(
        outward.reshape(1, -1), cv2.MORPH_CLOSE, window, borderType=cv2.BORDER_REPLICATE
    )
    bridged = np.asarray(row.ravel(), dtype=np.float64)
    return np.where(bridged - outward > slit[1], bridged, outward)


def _cut(strip: Strip, u_mm: Floats, v_mm: Floats) -> bool:
    """Whether an edge runs along the photo's border: it was cut by it, not woven so."""
    at = strip.photo_map.lace_to_photo(np.column_stack([u_mm, v_mm]))
    width, height = strip.photo_map.size_px
    near = 3.0 + 0.5 * float(np.hypot(*(at[-1] - at[0]))) / max(len(at), 1)
    off = np.minimum(at, np.array([width - 1, height - 1]) - at).min(1)
    return bool((off < near).mean() > 0.4)


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
    level = _smooth(_without_spikes(out, SPIKE_MM / spacing), 0.5 / spacing)
    # The last threads of a cut end hang anywhere: they must not set the measure.
    low, high = np.percentile(level, [2, 98])
    level = np.clip(level, low - 0.4 * (high - low), high + 0.4 * (high - low))
    trend = np.polyval(np.polyfit(u - u.mean(), level, 2), u - u.mean())
    play = level - trend
    whole_play = float(np.percentile(play, 97) - np.percentile(play, 3))
    straight = LaceEdge(profile.side, False, np.zeros((0, 2)), np.zeros((0, 2)))
    if profile.cut:
        return _with_doubt(straight, "it runs out of the photo and was not seen")
    if whole_play < SHALLOWEST_MM:
        return straight
    pitch, strength = pitch_of(play, spacing)
    if pitch is None:
        if whole_play > 3 * SHALLOWEST_MM:
            return _with_doubt(straight, "this edge is uneven, but in no even scallops")
        return straight
    # Scallops of several widths may make up the shift found: look finely, then at their scale.
    valleys = _valleys(_smooth(play, 0.022 * pitch / spacing), pitch / spacing, whole_play)
    if len(valleys) >= 3:
        pitch = float(np.median(np.diff(u[valleys])))
    smooth = _smooth(play, 0.045 * pitch / spacing)
    valleys = _valleys(smooth, pitch / spacing, whole_play)
    valleys = _with_ends(valleys, smooth, whole_play)
    doubts: list[str] = []
    if strength < 0.5:
        doubts.append("the scallops are uneven")
    if len(valleys) < 2:
        return _with_doubt(straight, "no whole scallop of this edge lies in the photo")
    valleys, doubt = _even(valleys, smooth, whole_play)
    if doubt:
        doubts.append(doubt)
    tips = np.array([a + int(np.argmax(smooth[a:b])) for a, b in pairwise(valleys)])
    fine = _smooth(out, 0.4 / spacing)
    reach = max(2, round(0.05 * pitch / spacing))
    light = _smooth(out, 0.25 / spacing)
    firm = profile.firm_outward_mm
    bottom = np.array([_bottom(u, light, firm, int(at), reach) for at in valleys])
    depth = np.array([fine[t] - (bottom[k, 1] + bottom[k + 1, 1]) / 2 for k, t in enumerate(tips)])
    width, scatter = _pitch(bottom[:, 0])
    typical = float(np.median(depth))
    if typical < max(SHALLOWEST_MM, SHALLOWEST_SHARE * width) or width < NARROWEST_MM:
        return straight
    uneven = len(depth) >= 3 and float(np.std(np.diff(u[valleys]))) > 0.12 * width
    if uneven:
        doubts.append("its scallops are not all of one width")
    whole = (u[-1] - u[0]) / width
    if whole - len(tips) > 2.2:
        doubts.append("scallops near an end could not be read")
    sign = -1.0 if profile.side == "lower" else 1.0
    reach = max(2, round(0.15 * width / spacing))
    tip_u = np.array([_tip(u, out, int(at), reach) for at in tips])
    return LaceEdge(
        profile.side,
        True,
        np.column_stack([bottom[:, 0], sign * bottom[:, 1]]),
        np.column_stack([tip_u, sign * np.interp(tip_u, u, fine)]),
        Measured(width, float(np.hypot(scatter, relative_sigma * width))),
        Measured(
            typical,
            float(np.hypot(np.std(depth) / np.sqrt(len(depth)) + 0.15, relative_sigma * typical)),
        ),
        None,
        "; ".join(doubts) or None,
    )


def _with_doubt(edge: LaceEdge, doubt: str) -> LaceEdge:
    return LaceEdge(edge.side, edge.scalloped, edge.valleys_mm, edge.tips_mm, doubt=doubt)


def _without_spikes(values: Floats, width: float) -> Floats:
    """Take off what stands out over less than `width` samples."""
    window = np.ones((1, 2 * max(1, round(width / 2)) + 1), np.uint8)
    row = cv2.morphologyEx(
        values.reshape(1, -1), cv2.MORPH_OPEN, window, borderType=cv2.BORDER_REPLICATE
    )
    return np.asarray(row.ravel(), dtype=np.float64)


def _smooth(values: Floats, sigma: float) -> Floats:
    if sigma < 0.3:
        return values
    row = cv2.GaussianBlur(
        values.reshape(1, -1), (0, 0), sigmaX=sigma, sigmaY=1e-3, borderType=cv2.BORDER_REPLICATE
    )
    return np.asarray(row.ravel(), dtype=np.float64)


def likeness(values: Floats, most: int) -> Floats:
    """Correlation of a row with itself shifted by 0 to `most`, over what overlaps."""
    n = len(values)
    size = 1 << int(np.ceil(np.log2(2 * n)))
    product = np.fft.irfft(np.abs(np.fft.rfft(values, size)) ** 2, size)[: most + 1]
    squares = np.concatenate([[0.0], np.cumsum(values**2)])
    lags = np.arange(most + 1)
    head, tail = squares[n - lags], squares[n] - squares[lags]
    return np.asarray(product / np.sqrt(np.maximum(head * tail, 1e-12)), dtype=np.float64)


def pitch_of(play: Floats, spacing_mm: float) -> tuple[float | None, float]:
    """Pitch of an edge's play and how alike its scallops are; None where there is none."""
    from scipy.signal import find_peaks

    smooth = _smooth(play, 1.0 / spacing_mm)
    n = len(smooth)
    most = int(0.72 * n)
    like = likeness(smooth - smooth.mean(), most)
    peaks, _ = find_peaks(like, prominence=0.18)
    keep = (peaks * spacing_mm >= NARROWEST_MM * 0.9) & (like[peaks] > 0.25)
    peaks, height = peaks[keep], like[peaks[keep]]
    if len(peaks) == 0:
        return None, 0.0
    # The shortest shift about as good as the best is the pitch; far shifts overlap little
    # and are trusted less.
    trust = height * np.sqrt(1 - 0.5 * peaks / n)
    good = peaks[trust >= 0.72 * trust.max()]
    first = int(good[0])
    return first * spacing_mm, float(like[first])


def _valleys(smooth: Floats, pitch_px: float, play: float) -> NDArray[np.int64]:
    """Deep minima, apart by at least a fifth of the pitch."""
    from scipy.signal import find_peaks

    least = VALLEY_SHARE * play
    inner, _ = find_peaks(-smooth, prominence=least, distance=max(1, int(0.2 * pitch_px)))
    if len(inner) == 0:
        return np.asarray(inner, dtype=np.int64)
    # Valleys lie on one line; the lace's own ends lie farther in.
    level = float(np.median(smooth[inner]))
    inner = inner[np.abs(smooth[inner] - level) < 0.6 * play]
    return np.asarray(inner, dtype=np.int64)


def _with_ends(valleys: NDArray[np.int64], smooth: Floats, play: float) -> NDArray[np.int64]:
    """Add a valley that lies at a cut end itself, where nothing rises beyond it."""
    if len(valleys) < 2:
        return valleys
    pitch = float(np.median(np.diff(valleys)))
    found = [int(valley) for valley in valleys]
    last = len(smooth) - 1
    for outer, way in ((found[0], -1), (found[-1], 1)):
        wanted = outer + way * pitch
        end = 0 if way < 0 else last
        if not -0.08 * pitch <= (end - wanted) * way <= 0.3 * pitch:
            continue
        low = int(np.clip(wanted - 0.15 * pitch, 0, last))
        high = int(np.clip(wanted + 0.15 * pitch, 0, last))
        at = low + int(np.argmin(smooth[low : high + 1]))
        between = smooth[min(at, outer) : max(at, outer) + 1]
        rise = float(between.max()) - max(float(smooth[at]), float(smooth[outer]))
        if abs(smooth[at] - smooth[outer]) < 0.3 * play and rise > VALLEY_SHARE * play:
            found.append(at)
    return np.asarray(sorted(found), dtype=np.int64)


def _even(
    valleys: NDArray[np.int64], smooth: Floats, play: float
) -> tuple[NDArray[np.int64], str | None]:
    """Put in a shallow valley that evenness asks for, and say so."""
    if len(valleys) < 3:
        return valleys, None
    pitch = float(np.median(np.diff(valleys)))
    placed: list[int] = [int(valleys[0])]
    doubt = None
    for valley in valleys[1:]:
        gap = int(valley) - placed[-1]
        missing = round(gap / pitch) - 1
        if missing >= 1 and abs(gap / (missing + 1) - pitch) < 0.15 * pitch:
            start = placed[-1]
            for k in range(1, missing + 1):
                at = start + round(gap * k / (missing + 1))
                reach = max(1, int(0.15 * pitch))
                low = at - reach + int(np.argmin(smooth[at - reach : at + reach + 1]))
                placed.append(low)
            doubt = "a valley was hard to see and was placed by the others"
        placed.append(int(valley))
    return np.asarray(placed, dtype=np.int64), doubt


def _pitch(valley_u: Floats) -> tuple[float, float]:
    """Pitch by a line through the valleys (Theil-Sen), and its standard uncertainty."""
    n = len(valley_u)
    if n == 2:
        return float(valley_u[1] - valley_u[0]), 0.5
    # The median of all pairs' slopes: one valley misplaced by a pin must not tilt the rest.
    index = np.arange(n, dtype=float)
    first, second = np.triu_indices(n, 1)
    slope = float(np.median((valley_u[second] - valley_u[first]) / (second - first)))
    miss = valley_u - slope * index
    miss = miss - np.median(miss)
    variance = (1.4826 * float(np.median(np.abs(miss)))) ** 2 + 0.1**2
    return slope, float(np.sqrt(variance / ((index - index.mean()) ** 2).sum()))


def _tip(u: Floats, out: Floats, at: int, reach: int) -> float:
    """u of a tip: the top of a parabola over the crown of the scallop."""
    low, high = max(0, at - reach), min(len(u), at + reach + 1)
    own = u[low:high] - u[at]
    bend, slope, _ = np.polyfit(own, out[low:high], 2)
    if bend >= -1e-9:
        return float(u[at])
    return float(u[at] + np.clip(-slope / (2 * bend), own[0], own[-1]))


def _bottom(u: Floats, out: Floats, firm: Floats, at: int, reach: int) -> tuple[float, float]:
    """u and height of the bottom of a valley, not smoothed away, picots that fill it taken off."""
    low, high = max(0, at - reach), min(len(u), at + reach + 1)
    own = out[low:high]
    deep = own <= float(own.min()) + 0.15
    place = float(u[low:high][deep].mean())
    near = np.abs(u - place) <= 0.8
    return place, float(min(own.min(), np.percentile(firm[near], 10)))
