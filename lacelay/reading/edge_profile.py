"""How far out the lace reaches at each place along its two long edges.

The profile follows the outermost thread, not the filled extent: filling rounds valleys.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.model.lace import Side
from lacelay.reading.cloth import disc
from lacelay.reading.mat import Image
from lacelay.reading.strip import Strip

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: What lies this far past an end, mm, tells whether the lace goes on.
PAST_END_MM = 4.0
#: A pixel covered by more than this belongs to the edge; less is shadow or blur.
EDGE_COVER = 0.55
#: What is thinner than twice this and stands out from the edge is a loose thread or a pin.
WHISKER_MM = 0.5
#: Thread of a picot is thinner than twice this, and a picot no deeper than the other.
PICOT_MM = 0.3
DEEPEST_PICOT_MM = 4.0
#: The line of a cut end is looked for so far along the lace to both sides of where it seems
#: to be, mm; in stretches so tall, mm, and at least so many; across the lace within this slope.
CUT_NEAR_MM, CUT_STRETCH_MM, FEWEST_STRETCHES, STEEPEST_CUT = 7.0, 3.0, 4, 0.35
#: Where the edge lies well before a cut end is told by so many times that length.
BEFORE_CUT = 4
#: A stretch that falls so far short of the line of the cut, mm, is not on it.
FLANK_MM = 1.0


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
    goes_on : tuple of bool
        Whether the lace seems to go on past its left and right end, where the mat ends.
    """

    side: Side
    u_mm: Floats
    v_mm: Floats
    firm_mm: Floats
    cut: bool = False
    goes_on: tuple[bool, bool] = (False, False)

    def between(self, first: int, last: int) -> Profile:
        """The samples from `first` up to `last`."""
        own = slice(first, last)
        return replace(self, u_mm=self.u_mm[own], v_mm=self.v_mm[own], firm_mm=self.firm_mm[own])

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
    filled = strip.extent.view(np.uint8) * np.uint8(255)
    extent = cv2.resize(filled, size, interpolation=cv2.INTER_AREA)
    shrink = size[0] / strip.alpha.shape[1]
    per_mm = strip.px_per_mm * shrink
    # Rows and columns of the small picture in those of the large: centres at integers.
    half = 0.5 / shrink - 0.5
    pad = int(2 * per_mm) + 2
    broad = cv2.morphologyEx(
        np.pad((extent > 127).astype(np.uint8), pad), cv2.MORPH_OPEN, disc(WHISKER_MM * per_mm)
    )[pad:-pad, pad:-pad]
    opened: NDArray[np.uint8] = np.ascontiguousarray(broad).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(opened)
    if count > 2:
        opened = (labels == 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())).astype(np.uint8)
    near = cv2.dilate(opened, disc(0.25 * per_mm))
    within = cv2.resize(near, strip.alpha.shape[::-1], interpolation=cv2.INTER_NEAREST)
    deepest = DEEPEST_PICOT_MM * strip.px_per_mm
    sides: tuple[Side, Side] = ("lower", "upper")
    found = []
    for side, columns in zip(sides, _columns(opened, per_mm), strict=True):
        at = np.clip(np.round(columns / shrink + half).astype(int), 0, strip.alpha.shape[1] - 1)
        band = _band(opened[:, columns], side, shrink, strip)
        # Rows counted outward.
        way = slice(None, None, 1 if side == "lower" else -1)
        alpha = np.ascontiguousarray(strip.alpha[band][way])
        thread, firm = _threads(alpha, np.ascontiguousarray(within[band][way]), strip.px_per_mm)
        out, firm_out = (
            _outermost(own, alpha, at, reach)
            for own, reach in ((thread, round(0.15 * per_mm)), (firm, 0))
        )
        # Where the edge itself is a fine thread there is nothing firmer near it.
        firm_out = np.where(out - firm_out < deepest, np.minimum(firm_out, out), out)
        u = strip.u_of(columns / shrink + half)
        rows = [band.start + row if side == "lower" else band.stop - 1 - row
                for row in (out, firm_out)]  # fmt: skip
        v, firm_v = strip.v_of(rows[0]), strip.v_of(rows[1])
        goes_on = _goes_on(strip, side, at)
        found.append(Profile(side, u, v, firm_v, _cut(strip, u, v), goes_on))
    return found[0], found[1]


def _band(opened: NDArray[np.uint8], side: Side, shrink: float, strip: Strip) -> slice:
    """Rows of the strip in which one edge lies, its valleys and picots too.

    Parameters
    ----------
    opened : ndarray of 0 and 1
        The lace in the columns of this edge, smaller by `shrink`.
    """
    own = opened[::-1] if side == "lower" else opened
    from_outside = own.argmax(0)[own.any(0)]
    if len(from_outside) == 0:
        return slice(0, len(strip.alpha))
    more = (DEEPEST_PICOT_MM + 2.0) * strip.px_per_mm
    first = max(0, int(from_outside.min() / shrink - strip.px_per_mm))
    last = min(len(strip.alpha), int(from_outside.max() / shrink + more) + 1)
    if side == "upper":
        return slice(first, last)
    return slice(len(strip.alpha) - last, len(strip.alpha) - first)


def _threads(
    alpha: Image, within: NDArray[np.uint8], px_per_mm: float
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Thread, and what of it is no finer than an edge thread or a cord."""
    thread = cv2.threshold(alpha, EDGE_COVER, 1, cv2.THRESH_BINARY)[1].astype(np.uint8) & within
    # Single specks are noise: a thread at the edge goes on for a third of a millimetre.
    long = max(1, round(0.3 * px_per_mm))
    thread = np.asarray(
        cv2.morphologyEx(thread, cv2.MORPH_OPEN, np.ones((1, long), np.uint8)), dtype=np.uint8
    )
    firm = cv2.morphologyEx(thread, cv2.MORPH_OPEN, disc(PICOT_MM * px_per_mm))
    return thread, np.asarray(firm, dtype=np.uint8)


def _goes_on(strip: Strip, side: Side, at: Ints) -> tuple[bool, bool]:
    """Whether what lies past each end, inside the photo, looks like more of the same lace.

    Past the mat's border nothing is read, since the table's colour is not known; there the
    photo itself is compared with the lace's last centimetre.
    """
    there = strip.extent[:, int(at[0]) : int(at[-1]) + 1].view(np.uint8)
    share = cv2.reduce(there, 1, cv2.REDUCE_SUM, dtype=cv2.CV_32S).ravel() / there.shape[1]
    rows = np.flatnonzero(share > 0.5)
    half = rows[len(rows) // 2 :] if side == "lower" else rows[: len(rows) // 2]
    if len(half) < 8:
        return False, False
    return _more_past(strip, half, int(at[0]), -1), _more_past(strip, half, int(at[-1]), 1)


def _more_past(strip: Strip, half: Ints, end: int, way: int) -> bool:
    """Whether lace goes on in the rows `half` past the column `end`."""
    wide = round(PAST_END_MM * strip.px_per_mm)
    gap = round(strip.px_per_mm)
    past = end + way * np.arange(gap, gap + wide)
    past = past[(past >= 0) & (past < strip.rgb.shape[1])]
    own = end - way * np.arange(gap, gap + 2 * wide)
    own = own[(own >= 0) & (own < strip.rgb.shape[1])]
    if len(past) < strip.px_per_mm:
        return False
    corners = np.column_stack([strip.u_of(past[[0, -1, 0, -1]]), strip.v_of(half[[0, 0, -1, -1]])])
    photo = strip.photo_map.lace_to_photo(corners)
    width, height = strip.photo_map.size_px
    if (photo < 2).any() or (photo > np.array([width, height]) - 3).any():
        return False
    # Every other row and column tells as much.
    half, past, own = half[::2], past[::2], own[::2]
    first, second = (strip.rgb[np.ix_(half, c)].reshape(-1, 3).astype(float) for c in (past, own))
    inside = strip.alpha[np.ix_(half, own)].ravel()
    lace, mat = second[inside > 0.8], second[inside < 0.1]
    if min(len(lace), len(mat)) < 50:
        return False
    thread, bare = np.median(lace, axis=0), np.median(mat, axis=0)
    near = np.abs(first - thread).sum(1) < 0.4 * np.abs(thread - bare).sum()
    return bool(near.mean() > 0.5 * (inside > 0.8).mean())


def _columns(opened: NDArray[np.uint8], per_mm: float) -> tuple[Ints, Ints]:
    """Columns over which the lower and the upper edge run, from one cut end to the other.

    A cut end may run aslant: each edge goes on as far as the cut does where it meets it.
    """
    deep = opened.sum(0).astype(float)
    full = np.flatnonzero(deep > 0.55 * np.percentile(deep[deep > 0], 60))
    rows = np.arange(len(opened))[:, None]
    middle = round(float(np.median((rows * opened).sum(0)[full] / deep[full])))
    halves = []
    # Rows of each half counted outward.
    for half in (opened[middle:], opened[:middle][::-1]):
        own = half.sum(0).astype(float)
        reach = np.flatnonzero(own > 0.55 * np.percentile(own[full], 50))
        first, last = int(reach[0]), int(reach[-1])
        stop = _cut_end(half, last, per_mm)
        start = half.shape[1] - 1 - _cut_end(half[:, ::-1], half.shape[1] - 1 - first, per_mm)
        halves.append(np.arange(start, stop + 1))
    return halves[0], halves[1]


def _cut_end(half: NDArray[np.uint8], last: int, per_mm: float) -> int:
    """The last column of an edge: where the line of the cut meets it.

    Parameters
    ----------
    half : ndarray of 0 and 1, shape (h, w)
        Half of the lace, rows counted outward from its middle.
    last : int
        Column near the end, up to which the half is nearly whole.
    per_mm : float

    Notes
    -----
    Of the net some meshes are cut open and seem to be gone; what reaches farthest lies on the
    cut. So the cut is a line through the farthest places of short stretches.
    """
    near = round(CUT_NEAR_MM * per_mm)
    tall = max(1, round(CUT_STRETCH_MM * per_mm))
    low, high = max(0, last - near), min(half.shape[1], last + near + 1)
    # Glare or a tool may reach farther than the lace: the cut is where the part near the edge is.
    rim = int(_edge_height(half[:, max(0, low - BEFORE_CUT * near) : low + 1]))
    outer = half[max(0, rim - FEWEST_STRETCHES * tall) : rim].any(axis=0).ravel()
    glare = not outer[low:high].any() and bool(outer[:low].any())
    if glare:
        last = int(np.flatnonzero(outer[:low])[-1])
        low, high = max(0, last - near), min(half.shape[1], last + near + 1)
    window = half[:, low:high]
    edge = _edge_height(half[:, max(0, low - near) : low + 1])
    count = int(edge) // tall
    if count < FEWEST_STRETCHES:
        return last
    known = window[: count * tall].reshape(count, tall, -1)
    ends = (high - low - 1 - known[:, :, ::-1].argmax(2)).astype(float)
    ends[~known.any(2)] = -np.inf
    farthest = ends.max(1)
    places = (np.arange(count) + 0.5) * tall
    good = np.isfinite(farthest) & (farthest < high - low - 1)
    if good.sum() < FEWEST_STRETCHES:
        return last
    x, y = places[good] - edge, farthest[good]
    slope, at = _line_of(x, y)
    # Near the edge the last scallop's flank falls short of the cut.
    on_cut = y > at + slope * x - FLANK_MM * per_mm
    if FEWEST_STRETCHES <= on_cut.sum() < len(x):
        slope, at = _line_of(x[on_cut], y[on_cut])
    at += low
    if abs(slope) > STEEPEST_CUT:
        # Glare or a tool at the end: what lies nearest to the edge tells, if it agrees.
        if np.ptp(y[-FEWEST_STRETCHES + 1 :]) > CUT_STRETCH_MM * per_mm / 2:
            return last
        at = low + float(np.median(y[-FEWEST_STRETCHES + 1 :]))
    return int(np.clip(round(at), low, half.shape[1] - 1))


def _line_of(x: Floats, y: Floats) -> tuple[float, float]:
    """Slope and height at 0 of a line (Theil-Sen)."""
    first, second = np.triu_indices(len(x), 1)
    slope = float(np.median((y[second] - y[first]) / (x[second] - x[first])))
    return slope, float(np.median(y - slope * x))


def _edge_height(part: NDArray[np.uint8]) -> float:
    """Where the edge lies in some columns of a half: the middle one of their heights."""
    heights = len(part) - part[::-1].argmax(0)
    own = heights[part.any(0)]
    return float(np.median(own)) if len(own) else float(len(part))


def _outermost(thread: NDArray[np.uint8], alpha: Image, at: Ints, reach: int) -> Floats:
    """Where the lace ends outward in the columns `at`, in rows: half covered, between pixels.

    Gaps of twice `reach` are bridged.
    """
    known = np.flatnonzero(thread.any(0))
    if len(known) == 0:
        return np.full(len(at), len(thread) / 2)
    last = (len(thread) - 1 - thread[::-1].argmax(0))[known]
    here = alpha[last, known]
    past = alpha[np.minimum(last + 1, len(thread) - 1), known]
    beyond = np.clip((here - 0.5) / np.maximum(here - past, 1e-3), 0.0, 1.0)
    out = np.asarray(np.interp(at, known, last + beyond), dtype=np.float64)
    if reach:
        # A gap in the edge thread is no valley.
        out = np.asarray(
            cv2.dilate(out.reshape(1, -1), np.ones((1, 2 * reach + 1), np.uint8)).ravel(),
            dtype=np.float64,
        )
    return out


def _cut(strip: Strip, u_mm: Floats, v_mm: Floats) -> bool:
    """Whether an edge runs along the photo's border: it was cut by it, not woven so."""
    at = strip.photo_map.lace_to_photo(np.column_stack([u_mm, v_mm]))
    width, height = strip.photo_map.size_px
    near = 3.0 + 0.5 * float(np.hypot(*(at[-1] - at[0]))) / max(len(at), 1)
    off = np.minimum(at, np.array([width - 1, height - 1]) - at).min(1)
    return bool((off < near).mean() > 0.4)
