"""Read the long edges: scalloped or straight, valleys, tips, pitch and depth.

An edge comes as a profile: how far out the lace reaches at each place along it. Valleys are
the deep, evenly spaced minima; small teeth (picots) on a scallop are less deep and closer,
and are smoothed over. Only whole scallops count: those between two valleys.
"""

from __future__ import annotations

from dataclasses import dataclass

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


@dataclass(frozen=True, eq=False)
class Profile:
    """How far out one edge reaches: u and v, shape (n,), evenly spaced in u."""

    side: Side
    u_mm: Floats
    v_mm: Floats

    @property
    def outward_mm(self) -> Floats:
        """v counted outward from the middle of the lace."""
        return -self.v_mm if self.side == "lower" else self.v_mm


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
    thread = cv2.morphologyEx(thread, cv2.MORPH_OPEN, np.ones((1, long), np.uint8))
    tall = thread.shape[0]
    seen = thread.any(0)
    at = np.clip(np.round(columns / shrink + half).astype(int), 0, thread.shape[1] - 1)
    known = np.flatnonzero(seen)
    top = np.interp(at, known, thread.argmax(0)[known].astype(float))
    bottom = np.interp(at, known, (tall - 1 - thread[::-1].argmax(0))[known].astype(float))
    # A gap in the edge thread is no valley: the outermost within a sixth of a millimetre.
    reach = np.ones((1, 2 * round(0.15 * per_mm) + 1), np.uint8)
    top = cv2.erode(top.reshape(1, -1), reach).ravel()
    bottom = cv2.dilate(bottom.reshape(1, -1), reach).ravel()
    u = strip.u_of(columns / shrink + half)
    # The outline runs along the outer sides of the outermost pixels.
    upper = strip.v_of(top - 0.5)
    lower = strip.v_of(bottom + 0.5)
    return Profile("lower", u, lower), Profile("upper", u, upper)


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
    level = _smooth(out, 0.5 / spacing)
    trend = np.polyval(np.polyfit(u - u.mean(), level, 2), u - u.mean())
    play = level - trend
    whole_play = float(np.percentile(play, 97) - np.percentile(play, 3))
    straight = LaceEdge(profile.side, False, np.zeros((0, 2)), np.zeros((0, 2)))
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
    doubts: list[str] = []
    if strength < 0.5:
        doubts.append("the scallops are uneven")
    if len(valleys) < 2:
        return _with_doubt(straight, "no whole scallop of this edge lies in the photo")
    valleys, doubt = _even(valleys, smooth, whole_play)
    if doubt:
        doubts.append(doubt)
    tips = np.array([a + int(np.argmax(smooth[a:b])) for a, b in zip(valleys[:-1], valleys[1:], strict=True)])
    fine = _smooth(out, 0.4 / spacing)
    reach = max(2, round(0.05 * pitch / spacing))
    bottom = np.array([_bottom(u, out, int(at), reach) for at in valleys])
    depth = np.array(
        [fine[t] - (bottom[k, 1] + bottom[k + 1, 1]) / 2 for k, t in enumerate(tips)]
    )
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
    peaks, found = find_peaks(like, prominence=0.18)
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
    level = float(np.median(smooth[inner]))
    # Ends that lie clearly below the valleys are the lace's own ends, not an edge.
    inner = inner[np.abs(smooth[inner] - level) < 0.6 * play]
    return np.asarray(inner, dtype=np.int64)


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
    """Pitch by a line through the valleys, and its standard uncertainty."""
    n = len(valley_u)
    if n == 2:
        return float(valley_u[1] - valley_u[0]), 0.5
    index = np.arange(n, dtype=float)
    slope, start = np.polyfit(index, valley_u, 1)
    miss = valley_u - (start + slope * index)
    variance = float((miss**2).sum() / (n - 2)) + 0.1**2
    return float(slope), float(np.sqrt(variance / ((index - index.mean()) ** 2).sum()))


def _tip(u: Floats, out: Floats, at: int, reach: int) -> float:
    """u of a tip: the top of a parabola over the crown of the scallop."""
    low, high = max(0, at - reach), min(len(u), at + reach + 1)
    own = u[low:high] - u[at]
    bend, slope, _ = np.polyfit(own, out[low:high], 2)
    if bend >= -1e-9:
        return float(u[at])
    return float(u[at] + np.clip(-slope / (2 * bend), own[0], own[-1]))


def _bottom(u: Floats, out: Floats, at: int, reach: int) -> tuple[float, float]:
    """u and height of the bottom of a valley: a sharp one must not be smoothed away."""
    low, high = max(0, at - reach), min(len(u), at + reach + 1)
    own = out[low:high]
    level = float(np.percentile(own, 3))
    deep = own <= level + 0.15
    return float(u[low:high][deep].mean()), level
