"""Find the repeat of a straightened lace: the shortest shift that brings it onto itself.

The traps are shifts that bring only part of the width onto itself (a header with a finer
period, scallops that alternate under a longer pattern), and mirrored halves. Candidates come
from the correlation of the lace with its shifted self; each is then judged by laying the
lace on itself tile by tile (`shifts`), every tile moved a little, because no two copies lie
alike: a true repeat brings all of the pattern onto itself, half of one does not. Halves and
thirds of what is found are tried, and so are the double and the triple: where copies differ
in turn the repeat is longer.

A repeat is told from two copies on; with fewer nothing shows that what looks alike is all.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.model.lace import Measured, Repeat
from lacelay.reading.mat import Image
from lacelay.reading.peaks import find_peaks
from lacelay.reading.shifts import Compared, compare
from lacelay.reading.strip import Strip
from lacelay.units import format_length

Floats = NDArray[np.float64]

#: A repeat is told when it is seen at least this many times; ends are cut to a mm or so.
FEWEST_COPIES, ENDS_MM = 2.0, 1.5
#: Shifts are looked for up to this share of the length seen, so that less than two copies
#: can be said.
FARTHEST_SHARE = 0.8
#: Resolution the lace is laid on itself at, px per mm.
PX_PER_MM = 1.25
#: A lace lies aslant in the strip by no more than this, and copies aside by that, mm.
ASLANT, ASIDE_MM = 0.06, 1.5
#: Wider than half a mesh, narrower than a motif.
BLUR_MM = 1.4
#: Wider than a motif: what changes as slowly is light, mm.
SLOW_MM = 12.0
MOST_CANDIDATES = 10
#: Least mean agreement of a repeat, laid on itself; from the other on it is sure.
LEAST_ALIKE, SURE_ALIKE = 0.62, 0.68
#: Of shifts that agree within this of the best the shortest is the repeat.
AS_GOOD = 0.1
#: and of those whose median agreement lacks no more than this of 1, the longer one's lack taken
#: so many times: half a repeat is less alike all over.
LACKS, LACKS_TIMES = 0.03, 2.0
#: Copies differ in turn where neighbours agree less than every second (third) by this, over
#: at least that share of the pattern.
IN_TURN, IN_TURN_SHARE = 0.3, 0.03
#: and then every second (third) agrees by this: one spoiled copy spoils some of them.
WHOLE_ALIKE = 0.8
#: and where their multiples agree better in turn, by this on the mean.
ALTERNATES = 0.02
#: Tiles that agree less than this say nothing of how long the shift is.
TRUSTED_ALIKE = 0.5
#: How far apart places of one lace must be to lie as they like, mm: it is cloth.
STIFF_MM = 30.0
#: A bow of the lace that straightening left, as a share of its length (one sigma).
BOW_LEFT = 0.004
#: From this difference of the two edges' repeats on, a bow is told.
BOWED = 0.015
#: What no scatter shows: copies pulled alike, mm.
LEAST_SIGMA_MM = 0.05


@dataclass(frozen=True, eq=False)
class RepeatSearch:
    """What was found: the repeat or None, and the doubt to tell.

    `apart_mm` is how far apart what looks alike lies, also where too little is seen to call
    it the repeat: enough to read one copy by the other.
    """

    repeat: Repeat | None
    doubt: str | None
    apart_mm: float | None = None


def find_repeat(
    strip: Strip, pitch_mm: float | None, relative_sigma: float, length_mm: float
) -> RepeatSearch:
    """Find the repeat.

    Parameters
    ----------
    strip : Strip
    pitch_mm : float or None
        Pitch of a scalloped edge: the repeat is no shorter.
    relative_sigma : float
        Of the scale.
    length_mm : float
        Length of lace seen.

    Returns
    -------
    RepeatSearch
        The length is that along the line v = 0, as the lace frame has it: where the lace is
        bowed a little its copies lie nearer to each other on the inner side of the bow.
    """
    rows, per_mm, v0_mm = _plain(strip)
    most = int(rows.shape[1] * FARTHEST_SHARE)
    if most < 8:
        return RepeatSearch(None, "too little of the lace is seen to tell its repeat")
    # Glare is no pattern either, and wider than one; but its ends would be, to measure by.
    even = np.asarray(rows - cv2.GaussianBlur(rows, (0, 0), SLOW_MM * per_mm), dtype=np.float32)
    like, downs = _likeness(even, most, per_mm)
    peaks = _candidates(like, pitch_mm, per_mm)
    slope = (
        float(downs[peaks[like[peaks].argmax()]] / peaks[like[peaks].argmax()])
        if len(peaks)
        else 0.0
    )
    laid = _Laid(even, per_mm, slope)
    found = _choose(laid, [_exact(like, int(peak)) / per_mm for peak in peaks], pitch_mm)
    if found is None:
        return RepeatSearch(
            None,
            "the repeat could not be told: less than two of it are seen, or it is uneven; "
            "measure it and say it",
        )
    length, bow = _measure(_Laid(rows, per_mm, slope), found, v0_mm, length_mm)
    copies = length_mm / length.value
    alike = laid.alike(found)
    if length_mm + ENDS_MM < FEWEST_COPIES * length.value:
        return RepeatSearch(
            None,
            f"the repeat must be measured: only {copies:.2f} copies of what may be a repeat of "
            f"about {format_length(length.value)} are seen, and a longer one cannot be told "
            "from them",
            length.value if alike >= SURE_ALIKE else None,
        )
    steady = np.clip((alike - LEAST_ALIKE) / (SURE_ALIKE - LEAST_ALIKE), 0, 1)
    sure = float(0.35 + 0.27 * steady + 0.38 * np.clip((alike - SURE_ALIKE) / 0.25, 0, 1))
    sigma = float(np.hypot(length.sigma, relative_sigma * length.value))
    reason = f"{copies:.1f} copies seen, {alike:.0%} alike"
    doubt = None
    if sure < 0.6:
        doubt = f"the repeat of {length.value:.0f} mm is not sure ({reason}); measure it"
    elif bow > BOWED:
        doubt = (
            f"the lace lies bowed: its repeat is {bow:.1%} longer along one edge than along the "
            "other; lay it straight, or measure the repeat"
        )
    repeat = Repeat(Measured(length.value, sigma), copies, sure, reason)
    return RepeatSearch(repeat, doubt, length.value)


class _Laid:
    """A strip laid on itself at any shift, each only once; shifts in mm."""

    def __init__(self, rows: Image, per_mm: float, slope: float) -> None:
        self.rows, self.per_mm, self.slope = rows, per_mm, slope
        self.length_mm = self.rows.shape[1] / self.per_mm
        self._known: dict[float, Compared | None] = {}

    def at(self, shift_mm: float) -> Compared | None:
        """The comparison at a shift."""
        key = round(shift_mm, 2)
        if key not in self._known:
            self._known[key] = compare(
                self.rows, shift_mm * self.per_mm, self.slope * shift_mm * self.per_mm, self.per_mm
            )
        return self._known[key]

    def alike(self, shift_mm: float) -> float:
        """Mean agreement over the pattern, -1 to 1."""
        laid = self.at(shift_mm)
        weight = None if laid is None else _weight(laid)
        if laid is None or weight is None or weight.sum() <= 0:
            return -1.0
        return float((weight * laid.alike).sum() / weight.sum())

    def typical(self, shift_mm: float) -> float:
        """Median agreement over the pattern, which a hidden or spoiled part does not change."""
        laid = self.at(shift_mm)
        if laid is None:
            return -1.0
        order = np.argsort(laid.alike, axis=None)
        shares = np.cumsum(_weight(laid).ravel()[order])
        if shares[-1] <= 0:
            return -1.0
        return float(laid.alike.ravel()[order][np.searchsorted(shares, shares[-1] / 2)])

    def best_places(self, shift_mm: float) -> float:
        """Mean over the places of one copy of how alike the neighbours there are that agree well.

        Those are the best of three; of more, the worst of the best third.
        """
        laid = self.at(shift_mm)
        if laid is None:
            return -1.0
        weight, places = _weight(laid), _places(laid, shift_mm * self.per_mm)
        found = []
        for place in np.unique(places):
            own = np.where(weight > 0, laid.alike, -1.0)[:, places == place]
            best = np.argsort(-own, axis=1)[:, (own.shape[1] - 1) // 3, None]
            found.append(
                [np.take_along_axis(each[:, places == place], best, 1)[:, 0] for each in
                 (laid.alike, weight)]
            )  # fmt: skip
        alike, weights = np.array(found).transpose(1, 0, 2)
        return float((alike * weights).sum() / max(float(weights.sum()), 1e-9))


def _places(laid: Compared, period_px: float) -> NDArray[np.int64]:
    """Number of the place within one period that each column of tiles shows."""
    bins = max(1, round(period_px / laid.step_px))
    middle = (np.arange(laid.alike.shape[1]) + 0.5) * laid.step_px / period_px
    return np.asarray(np.floor(middle % 1.0 * bins), dtype=np.int64)


def _weight(laid: Compared) -> Floats:
    """How much each tile counts: one dense tile is not worth ten others."""
    return np.minimum(laid.pattern, 3.0)


def _candidates(like: Floats, pitch_mm: float | None, per_mm: float) -> NDArray[np.int64]:
    """Shifts that bring a good part of the lace onto itself, the shortest first."""
    peaks = find_peaks(like, prominence=0.04, height=0.12)
    shortest = 0.7 * pitch_mm if pitch_mm else 3.0
    peaks = peaks[peaks / per_mm >= shortest]
    if len(peaks):
        peaks = peaks[like[peaks] > 0.5 * like[peaks].max()]
    return peaks[:MOST_CANDIDATES]


def _choose(laid: _Laid, shifts_mm: list[float], pitch_mm: float | None) -> float | None:
    """The shift that is the repeat, mm."""
    scores = {shift: laid.alike(shift) for shift in shifts_mm}
    if not scores or max(scores.values()) < LEAST_ALIKE:
        return None
    best = max(scores.values())
    usual = _usual(laid.typical(max(scores, key=lambda shift: scores[shift])))
    good = min(
        shift
        for shift in scores
        if scores[shift] == best
        or (scores[shift] >= best - AS_GOOD and laid.typical(shift) >= usual)
    )
    for shift in scores:
        if shift < good and _but_for_damage(laid, shift, good, best):
            good = shift
            break
    for part in (3, 2):
        shorter = good / part
        if (
            shorter >= (0.7 * pitch_mm if pitch_mm else 3.0)
            and laid.alike(shorter) >= best - AS_GOOD / 2
            and laid.typical(shorter) >= usual
        ):
            good = shorter
            break
    for times in (2, 3):
        if _in_turn(laid, good, times) > IN_TURN_SHARE or _alternates(laid, good, times):
            return times * good
    return good


def _usual(typical: float) -> float:
    """Least median agreement of a repeat, where a longer shift has this one."""
    return 1 - LACKS_TIMES * (1 - typical) - LACKS


def _but_for_damage(laid: _Laid, shift_mm: float, longer_mm: float, best: float) -> bool:
    """Whether a shift is the repeat although a longer one, passing a damaged copy by, is better.

    Then the longer one is a multiple of it, every place of the copy is wholly alike in some two
    neighbours, and copies do not differ in turn.
    """
    times = round(longer_mm / shift_mm)
    return (
        times >= 2
        and abs(longer_mm / shift_mm / times - 1) < 0.02
        and laid.alike(shift_mm) >= LEAST_ALIKE
        and laid.best_places(shift_mm) >= best - AS_GOOD / 2
        and laid.typical(shift_mm) >= _usual(laid.typical(longer_mm))
        and _in_turn(laid, shift_mm, times) <= IN_TURN_SHARE
    )


def _in_turn(laid: _Laid, shift_mm: float, times: int) -> float:
    """Share of the pattern in which only every second (or third) copy is the same.

    One odd copy proves nothing, a pin would do: two of the longer repeat must be seen.
    """
    if laid.length_mm < 2 * times * shift_mm:
        return 0.0
    near, far = laid.at(shift_mm), laid.at(times * shift_mm)
    if near is None or far is None or near.alike.shape[0] != far.alike.shape[0]:
        return 0.0
    bins = max(1, round(shift_mm * laid.per_mm / near.step_px))

    def folded(one: Compared) -> tuple[Floats, Floats]:
        weight = _weight(one)
        sums = np.zeros((2, len(weight), bins))
        for column, at in enumerate(_places(one, shift_mm * laid.per_mm)):
            sums[0, :, at] += one.alike[:, column] * weight[:, column]
            sums[1, :, at] += weight[:, column]
        return sums[0] / np.maximum(sums[1], 1e-9), sums[1]

    (close, weight), (wide, _) = folded(near), folded(far)
    apart = (wide - close > IN_TURN) & (wide > WHOLE_ALIKE)
    # One spoiled copy makes two pairs of neighbours differ; copies in turn make more.
    low = np.zeros(close.shape, np.int64)
    for column, at in enumerate(_places(near, shift_mm * laid.per_mm)):
        low[:, at] += near.alike[:, column] < wide[:, at] - IN_TURN
    return float(weight[apart & (low >= 3)].sum() / weight.sum())


def _alternates(laid: _Laid, shift_mm: float, times: int) -> bool:
    """Whether every second (or third) multiple of a shift agrees better than all the others.

    Two of each at least: a spoiled copy, light or stretch spoil some of both.
    """
    seen = int(FARTHEST_SHARE * laid.length_mm / shift_mm)
    typical = np.array([laid.typical(k * shift_mm) for k in range(1, seen + 1)])
    whole = np.arange(1, seen + 1) % times == 0
    if min(whole.sum(), (~whole).sum()) < 2:
        return False
    apart = float(typical[whole].mean() - typical[~whole].mean())
    return bool(typical[whole].min() > typical[~whole].max() and apart > ALTERNATES)


def _measure(
    laid: _Laid, shift_mm: float, v0_mm: float, length_mm: float
) -> tuple[Measured, float]:
    """The repeat as long as it is along v = 0, without the scale's uncertainty, and the bow.

    The bow is how much longer it is along one edge than along the other, as a share. Every
    tile of every whole number of repeats says how far it moved: those are fitted by the repeat
    and by a bow. Which line of a bowed lace keeps its length nobody knows, so the length along
    the other edge stays within the interval.
    """
    length = shift_mm
    for _ in range(2):
        times, moved, heights, weights = _moves(laid, length, v0_mm)
        if len(moved) == 0:
            return Measured(length, 0.25), 0.0
        middle = float(np.average(heights, weights=weights))
        change, bend, sigma = _fit(times, moved, heights - middle, weights, length, length_mm)
        if abs(change) < 0.2:
            break
        length += change
    across = abs(bend) * laid.rows.shape[0] / laid.per_mm
    sigma = float(np.linalg.norm([sigma, LEAST_SIGMA_MM, across / 1.8]))
    along = (length + change - bend * middle) * float(np.hypot(1.0, laid.slope))
    return Measured(along, sigma), across / length


def _moves(laid: _Laid, length: float, v0_mm: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Of every tile: how many repeats on, how much further it lay (mm), its v, its weight."""
    found: list[tuple[Floats, ...]] = []
    for k in range(1, 8):
        at = laid.at(k * length)
        if at is None or (k > 1 and laid.length_mm - k * length < 0.2 * length):
            break
        weight = _weight(at) * np.where(at.alike > TRUSTED_ALIKE, at.alike, 0.0)
        v = np.broadcast_to(v0_mm - at.middle_px[:, None] / laid.per_mm, weight.shape)
        kept = weight > 0
        found.append(
            (
                np.full(int(kept.sum()), float(k)),
                at.moved_px[kept] / laid.per_mm,
                v[kept],
                weight[kept],
            )
        )
    if not found:
        none = np.zeros(0)
        return none, none, none, none
    times, moved, heights, weights = (np.concatenate(each) for each in zip(*found, strict=True))
    return times, moved, heights, weights


def _fit(
    times: Floats, moved: Floats, heights: Floats, weights: Floats, length: float, length_mm: float
) -> tuple[float, float, float]:
    """Change of the repeat at the middle, its change per mm of height, and sigma of the first."""
    rows = np.column_stack([times, times * heights])
    keep = np.ones(len(moved), bool)
    # A lace bends as much as straightening may have left, no more.
    curving = length * 8 * BOW_LEFT / max(length_mm, 1e-6)
    tile_mm2 = 12.0**2
    held = min(1.0, tile_mm2 / STIFF_MM**2)
    fit, scatter, cover = np.zeros(2), 0.3, np.eye(2)
    for _ in range(4):
        own, weight = rows[keep], weights[keep] / weights[keep].mean() * held
        ties = np.diag([0.0, (scatter / max(curving, 1e-9)) ** 2])
        normal = own.T @ (own * weight[:, None]) + ties
        fit = np.linalg.solve(normal, own.T @ (moved[keep] * weight))
        miss = moved - rows @ fit
        scatter = max(0.02, float(np.sqrt(np.average(miss[keep] ** 2, weights=weight))))
        cover = np.linalg.inv(normal)
        keep = np.abs(miss) < max(2.5 * scatter, 0.1)
    return float(fit[0]), float(fit[1]), float(scatter * np.sqrt(cover[0, 0]))


def _plain(strip: Strip) -> tuple[Image, float, float]:
    """The cover at low resolution, each row about its mean, cut to where lace lies.

    Also its resolution, and v of the middle of its first row.
    """
    shrink = min(1.0, PX_PER_MM / strip.px_per_mm)
    size = (round(strip.alpha.shape[1] * shrink), round(strip.alpha.shape[0] * shrink))
    shrink = size[0] / strip.alpha.shape[1]
    per_mm = strip.px_per_mm * shrink
    small = cv2.resize(strip.alpha, size, interpolation=cv2.INTER_AREA)
    # Meshes are blurred away: their spacing need not fit the repeat.
    small = np.asarray(cv2.GaussianBlur(small, (0, 0), BLUR_MM * per_mm), dtype=np.float32)
    inside = cv2.resize(strip.extent.astype(np.uint8), size, interpolation=cv2.INTER_AREA) > 0
    deep = inside.sum(0)
    columns = np.flatnonzero(deep > 0.5 * np.percentile(deep[deep > 0], 60))
    rows = np.flatnonzero(inside[:, columns].mean(1) > 0.15)
    cut = small[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    # Slow changes (light, stretch) are no pattern.
    cut = cut - cut.mean(1, keepdims=True)
    v0 = float(strip.v_of(np.array([(rows[0] + 0.5) * strip.alpha.shape[0] / size[1] - 0.5]))[0])
    return np.asarray(cut, dtype=np.float32), per_mm, v0


def _likeness(rows: Image, most: int, per_mm: float) -> tuple[Floats, NDArray[np.int64]]:
    """Correlation with itself at each shift up to `most`, and the rows it moves down by.

    A lace that lies a little aslant in the strip is found again a little higher or lower.
    """
    h, n = rows.shape
    aside = min(h // 3, round(ASLANT * most + ASIDE_MM * per_mm))
    size = cv2.getOptimalDFTSize(n + most), cv2.getOptimalDFTSize(h + aside)
    wide = np.zeros(size[::-1], np.float32)
    wide[:h, :n] = rows
    spectrum = cv2.dft(wide, flags=cv2.DFT_COMPLEX_OUTPUT, nonzeroRows=h)
    power = cv2.mulSpectrums(spectrum, spectrum, 0, conjB=True)
    found = np.asarray(cv2.idft(power, flags=cv2.DFT_SCALE | cv2.DFT_REAL_OUTPUT))
    lags, downs = np.arange(most + 1), np.arange(-aside, aside + 1)
    products = found[downs][:, : most + 1]
    products = np.where(
        np.abs(downs)[:, None] <= ASLANT * lags + ASIDE_MM * per_mm, products, -np.inf
    )
    down = products.argmax(axis=0)
    product = products[down, lags].astype(np.float64)
    squares = np.concatenate([[0.0], np.cumsum((rows.astype(np.float64) ** 2).sum(0))])
    sums = np.cumsum(np.pad(rows, ((0, 0), (1, 0))), axis=1, dtype=np.float64)
    # Means over what overlaps: else the ends' own brightness tilts the peaks.
    head_sum, tail_sum = sums[:, n - lags], sums[:, n : n + 1] - sums[:, lags]
    product = product - (head_sum * tail_sum).sum(0) / (n - lags)
    head = squares[n - lags] - (head_sum**2).sum(0) / (n - lags)
    tail = squares[n] - squares[lags] - (tail_sum**2).sum(0) / (n - lags)
    like = product / np.sqrt(np.maximum(head * tail, 1e-12))
    return np.asarray(like, dtype=np.float64), np.asarray(downs[down], dtype=np.int64)


def _exact(like: Floats, at: int) -> float:
    if not 0 < at < len(like) - 1:
        return float(at)
    before, here, after = like[at - 1], like[at], like[at + 1]
    bend = before - 2 * here + after
    return float(at + (0.5 * (before - after) / bend if abs(bend) > 1e-12 else 0.0))
