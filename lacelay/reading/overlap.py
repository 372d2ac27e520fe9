"""Where two photos of one length of lace overlap, by the lace itself.

Both pictures are straightened, so the second lies on the first by a shift along the lace, a
small one across it, a small turn, and a scale near 1. Coarsely the shift is found by
correlation of what covers the ground; then small blocks are matched one by one and the
motion is fitted to them. A lace matches itself at every repeat: where the matches are as
good as each other, the overlap has to be told.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.errors import ReadingError
from lacelay.model.picture import LacePicture
from lacelay.units import format_length

Floats = NDArray[np.float64]
Image = NDArray[np.float32]

#: Resolutions of the coarse and the fine look, px per mm.
COARSE_PX_PER_MM, FINE_PX_PER_MM = 2.0, 5.0
#: Wider than a mesh's thread, narrower than a petal, mm.
BLUR_MM = 0.8
#: Less than this overlap tells nothing, mm and as a share of the lace's width.
LEAST_OVERLAP_MM, LEAST_OVERLAP_SHARE = 25.0, 0.3
#: How far the second may lie off across the lace, mm.
ACROSS_MM = 4.0
#: Scales of the second photo against the first that are tried.
SCALES = (1.0, 0.985, 1.015)
#: A match less alike than this is none, coarsely and after it was refined.
LEAST_ALIKE, LEAST_ALIKE_FINE = 0.45, 0.6
#: Coarse matches at least this share as good as the best are looked at finely.
WORTH_A_LOOK = 0.6
#: The best of several matches must lie this much less off than the next; less off than the
#: second is not told apart, mm.
CLEARER, LEAST_OFF_MM = 0.5, 0.04
#: Overlap told by hand is right to about this, mm, and to this share.
TOLD_MM, TOLD_SHARE = 12.0, 0.15
#: A match whose blocks lie further off than this may be of two copies of the pattern, mm.
LOOSE_MM = 0.18
#: With fewer blocks than this beyond what a slow bend takes up, none is allowed for.
FEWEST_FREE = 10
#: A photo that shows less length than this many widths may have been read along its width.
AS_LONG_AS_WIDE = 1.6
#: Size of the blocks matched one by one, and how far each is looked for, mm.
BLOCK_MM, BLOCK_REACH_MM = 14.0, 2.5


@dataclass(frozen=True, eq=False)
class Overlap:
    """How the second picture lies on the first: p1 = scale * turn(p2) + shift.

    Parameters
    ----------
    shift_mm : ndarray, shape (2,)
    turn_rad : float
    scale : float
        Of the first photo's mm against the second's.
    length_mm : float
        Of lace that both show.
    alike : float
        Correlation of the two over the overlap, -1 to 1.
    off_mm : float
        How far single blocks lie off the motion, root mean square.
    scale_sigma : float
        Standard uncertainty of `scale`.
    threads_mm : float
        How far single blocks lie off when a slow bend is allowed for (a lens, a bow of the
        lace): small only where both show the same threads.
    """

    shift_mm: Floats
    turn_rad: float
    scale: float
    length_mm: float
    alike: float
    off_mm: float
    scale_sigma: float
    threads_mm: float = 9.0

    def move(self, second_mm: Floats) -> Floats:
        """Points of the second's frame in the first's, shape (n, 2)."""
        c, s = np.cos(self.turn_rad), np.sin(self.turn_rad)
        turned = np.asarray(second_mm, dtype=float).reshape(-1, 2) @ np.array([[c, s], [-s, c]])
        return np.asarray(self.scale * turned + self.shift_mm, dtype=np.float64)

    def back(self, first_mm: Floats) -> Floats:
        """Points of the first's frame in the second's, shape (n, 2)."""
        c, s = np.cos(self.turn_rad), np.sin(self.turn_rad)
        plain = (np.asarray(first_mm, dtype=float).reshape(-1, 2) - self.shift_mm) / self.scale
        return np.asarray(plain @ np.array([[c, -s], [s, c]]), dtype=np.float64)


@dataclass(frozen=True, eq=False)
class View:
    """A picture and the stretch of u over which it shows lace."""

    picture: LacePicture
    from_mm: float
    to_mm: float
    width_mm: float


def find_overlap(
    first: View,
    second: View,
    *,
    told_mm: float | None = None,
    within_mm: float | None = None,
    least_mm: float | None = None,
    names: tuple[str, str],
) -> Overlap:
    """Find how the second photo continues the first to the right.

    Parameters
    ----------
    first, second : View
    told_mm : float or None
        The overlap as she told it, roughly; needed where the lace itself cannot tell.
    within_mm : float or None
        How far off that may be; a share of it where left out.
    least_mm : float or None
        Least overlap looked at; by the lace's width where left out.
    names : tuple of str
        What the two photos are called.

    Raises
    ------
    ReadingError
        When they match nowhere, or at several places equally well.
    """
    first, second = _smoothed(first), _smoothed(second)
    usual = max(LEAST_OVERLAP_MM, LEAST_OVERLAP_SHARE * first.width_mm)
    least = usual if least_mm is None else least_mm
    rough = _coarse(first, second, least)
    if told_mm is not None:
        near = max(TOLD_MM, TOLD_SHARE * told_mm) if within_mm is None else within_mm
        rough = [each for each in rough if abs(each.length_mm - told_mm) <= near]
    rough = [each for each in rough if each.alike >= LEAST_ALIKE]
    if not rough:
        raise _no_match(names, told_mm, first, second)
    best_rough = max(each.alike for each in rough)
    looked = [each for each in rough if each.alike >= WORTH_A_LOOK * best_rough]
    looked = sorted(looked, key=lambda each: -each.alike)[:12]
    fine = [_refined(first, second, each) for each in looked]
    fine = [each for each in fine if each.alike >= LEAST_ALIKE_FINE]
    if not fine:
        raise _no_match(names, told_mm, first, second)
    best = _the_one(fine, names)
    if told_mm is None and best.threads_mm > LOOSE_MM:
        raise ReadingError(
            f"{names[0]} and {names[1]} match only loosely, where they overlap by "
            f"{format_length(best.length_mm)}: that may be another copy of the pattern.",
            "Say about how much of the lace both photos show.",
        )
    return best


def _the_one(fine: list[Overlap], names: tuple[str, str]) -> Overlap:
    """The true one of several matches, by what no copy of a repeat shares: how threads lie.

    A piece of lace fits itself to a few hundredths of a millimetre, one copy of its repeat
    fits another to some tenths.
    """
    fine = sorted(fine, key=lambda each: max(each.threads_mm, LEAST_OFF_MM))
    best = fine[0]
    others = [each for each in fine[1:] if abs(each.shift_mm[0] - best.shift_mm[0]) > 3.0]
    rivals = [
        each for each in others if max(best.threads_mm, LEAST_OFF_MM) > CLEARER * each.threads_mm
    ]
    if not rivals:
        return best
    lengths = sorted(each.length_mm for each in [best, *rivals])
    *most, last = [format_length(length) for length in lengths[:4]]
    raise ReadingError(
        f"{names[0]} and {names[1]} match equally well where they overlap by {', '.join(most)} or "
        f"{last}: the pattern repeats.",
        "Say about how much of the lace both photos show; a pin beside the lace, seen in both, "
        "helps to measure it.",
    )


def _no_match(
    names: tuple[str, str], told_mm: float | None, first: View, second: View
) -> ReadingError:
    for view, name in zip((first, second), names, strict=True):
        if view.to_mm - view.from_mm < AS_LONG_AS_WIDE * view.width_mm:
            return ReadingError(
                f"{name} shows hardly more of the lace's length than of its width, so it cannot "
                "be laid on the photo beside it.",
                "Show more of the length in each photo: at least twice the width.",
            )
    where = "" if told_mm is None else f" with about {format_length(told_mm)} of overlap"
    return ReadingError(
        f"{names[1]} does not continue {names[0]} to the right{where}: nothing of the lace was "
        "found in both.",
        "Give the photos in order from left to right, each showing at least a hand's breadth of "
        "the one before, all with the same edge of the lace below.",
    )


def _smoothed(view: View) -> View:
    """The view with its cover smoothed and no finer than is looked at."""
    picture = view.picture
    shrink = min(1.0, FINE_PX_PER_MM / picture.px_per_mm)
    small = cv2.resize(
        picture.rgba[..., 3], None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA
    )
    shrink = small.shape[1] / picture.rgba.shape[1]
    per_mm = picture.px_per_mm * shrink
    small = cv2.GaussianBlur(small, (0, 0), BLUR_MM * per_mm)
    # Pixel centres at integers: the first small pixel lies half the difference further on.
    half = (1 / shrink - 1) / 2 / picture.px_per_mm
    cover = np.repeat(np.asarray(small, dtype=np.uint8)[..., None], 4, axis=2)
    return View(
        LacePicture(cover, per_mm, picture.u0_mm + half, picture.v0_mm - half),
        view.from_mm,
        view.to_mm,
        view.width_mm,
    )


def _cover(view: View, px_per_mm: float, low_mm: float, high_mm: float, scale: float) -> Image:
    """What covers the ground, at one resolution.

    Row 0 is at v = high, column 0 at u = `view.from_mm`, both in the view's mm times `scale`.
    """
    columns = max(2, int((view.to_mm - view.from_mm) * scale * px_per_mm))
    rows = max(2, int((high_mm - low_mm) * px_per_mm))
    still = Overlap(np.zeros(2), 0.0, scale, 0.0, 0.0, 0.0, 0.0)
    return _laid_on(view, still, (rows, columns), px_per_mm, view.from_mm * scale, high_mm)


def _levels(first: View, second: View) -> tuple[float, float]:
    """v over which both show lace."""
    reach = []
    for view in (first, second):
        picture = view.picture
        rows = np.flatnonzero((picture.rgba[..., 3] > 100).mean(axis=1) > 0.02)
        ends = rows[[0, -1]] if len(rows) else np.array([0, picture.rgba.shape[0] - 1])
        reach.append(picture.v0_mm - ends / picture.px_per_mm)
    return float(min(r[1] for r in reach)), float(max(r[0] for r in reach))


def _coarse(first: View, second: View, least_mm: float) -> list[Overlap]:
    """Every overlap at which the two are more alike than a little less and a little more."""
    per_mm = COARSE_PX_PER_MM
    low, high = _levels(first, second)
    a = _cover(first, per_mm, low, high, 1.0)
    found: list[Overlap] = []
    for scale in SCALES:
        b = _cover(second, per_mm, low, high, scale)
        most = min(a.shape[1], b.shape[1])
        fewest = int(least_mm * per_mm)
        if most <= fewest + 2:
            continue
        alike = np.full(most + 1, -1.0)
        across = np.zeros(most + 1)
        ends = _Ends.of(a[:, -most:][:, ::-1], b[:, :most])
        for off in np.arange(-ACROSS_MM, ACROSS_MM + 0.1, 0.5):
            here = ends.alike(round(off * per_mm), fewest)
            better = here > alike
            alike[better], across[better] = here[better], off
        inner = alike[1:-1]
        peaks = 1 + np.flatnonzero((inner >= alike[:-2]) & (inner > alike[2:]))
        for n in [*peaks.tolist(), *([most] if alike[most] > alike[most - 1] else [])]:
            shift = first.to_mm - n / per_mm - scale * second.from_mm
            found.append(
                Overlap(
                    np.array([shift, -across[n]]), 0.0, scale, n / per_mm, float(alike[n]), 0.0, 0.0
                )
            )
    found.sort(key=lambda each: -each.alike)
    kept: list[Overlap] = []
    for each in found:  # neighbours of a better one, of another scale, are the same match
        if all(abs(each.length_mm - other.length_mm) > 3.0 for other in kept):
            kept.append(each)
    return kept


@dataclass(frozen=True, eq=False)
class _Ends:
    """The first's right end, turned round, and the second's left end, with what both need."""

    spectra: tuple[NDArray[np.complexfloating], NDArray[np.complexfloating]]
    sums: tuple[Floats, Floats]
    squares: tuple[Floats, Floats]
    most: int

    @classmethod
    def of(cls, tail: Image, head: Image) -> _Ends:
        most = head.shape[1]
        size = 1 << int(np.ceil(np.log2(2 * most)))
        both = (tail.astype(np.float64), head.astype(np.float64))
        return cls(
            (np.fft.rfft(both[0], size, axis=1), np.fft.rfft(both[1], size, axis=1)),
            (both[0].cumsum(axis=1), both[1].cumsum(axis=1)),
            ((both[0] ** 2).cumsum(axis=1), (both[1] ** 2).cumsum(axis=1)),
            most,
        )

    def alike(self, down: int, fewest: int) -> Floats:
        """Correlation by how many columns overlap, 0 to most.

        `down` rows of the second are left out above (or of the first, where it is negative).
        """
        rows = self.spectra[0].shape[0] - abs(down)
        own = (slice(max(0, -down), max(0, -down) + rows), slice(max(0, down), max(0, down) + rows))
        product = (self.spectra[0][own[0]] * self.spectra[1][own[1]]).sum(axis=0)
        # Element n - 1 is the product summed over an overlap of n columns.
        size = 2 * (len(product) - 1)
        common = np.fft.irfft(product, size)[: self.most]
        cells = np.arange(1, self.most + 1) * rows
        sums = [each[rows_].sum(axis=0) for each, rows_ in zip(self.sums, own, strict=True)]
        squares = [each[rows_].sum(axis=0) for each, rows_ in zip(self.squares, own, strict=True)]
        spread = [np.maximum(q - s**2 / cells, 1e-6) for s, q in zip(sums, squares, strict=True)]
        alike = (common - sums[0] * sums[1] / cells) / np.sqrt(spread[0] * spread[1])
        alike[: fewest - 1] = -1.0
        return np.concatenate([[-1.0], alike])


def _refined(first: View, second: View, rough: Overlap) -> Overlap:
    """Match blocks one by one, twice, and fit the motion to them."""
    per_mm = FINE_PX_PER_MM
    low, high = _levels(first, second)
    left = first.to_mm - rough.length_mm
    cut = View(first.picture, left, first.to_mm, first.width_mm)
    a = _cover(cut, per_mm, low, high, 1.0)
    motion = rough
    for turn in range(2):
        b = _laid_on(second, motion, a.shape, per_mm, left, high)
        places, moves = _blocks(a, b, per_mm, BLOCK_REACH_MM if turn == 0 else 1.0)
        if len(places) < 3:
            return Overlap(
                motion.shift_mm, motion.turn_rad, motion.scale, motion.length_mm, -1.0, 9.0, 1.0
            )
        on_first = np.column_stack([left + places[:, 0] / per_mm, high - places[:, 1] / per_mm])
        laid = on_first + moves * [1 / per_mm, -1 / per_mm]
        motion = _fitted(motion.back(laid), on_first, motion)
    b = _laid_on(second, motion, a.shape, per_mm, left, high)
    inside = slice(round(2 * per_mm), -round(2 * per_mm))
    alike = float(np.corrcoef(a[:, inside].ravel(), b[:, inside].ravel())[0, 1])
    length = first.to_mm - float(motion.move(np.array([[second.from_mm, 0.0]]))[0, 0])
    return Overlap(
        motion.shift_mm,
        motion.turn_rad,
        motion.scale,
        length,
        alike if np.isfinite(alike) else -1.0,
        motion.off_mm,
        motion.scale_sigma,
        motion.threads_mm,
    )


def _laid_on(
    second: View, motion: Overlap, shape: tuple[int, ...], per_mm: float, left: float, high: float
) -> Image:
    """The second's cover in the first's frame, over the overlap."""
    picture = second.picture
    corners = np.array([[left, high], [left + 1, high], [left, high - 1]])
    at = picture.lace_to_picture(motion.back(corners))
    along, down = (at[1] - at[0]) / per_mm, (at[2] - at[0]) / per_mm
    matrix = np.array([[along[0], down[0], at[0, 0]], [along[1], down[1], at[0, 1]]])
    laid = cv2.warpAffine(
        np.ascontiguousarray(picture.rgba[..., 3]),
        matrix,
        (shape[1], shape[0]),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
    )
    return np.asarray(laid, dtype=np.float32)


def _blocks(a: Image, b: Image, per_mm: float, reach_mm: float) -> tuple[Floats, Floats]:
    """Where blocks of b lie, and how far off they are found in a, in pixels (x, y)."""
    side, reach = round(BLOCK_MM * per_mm), round(reach_mm * per_mm)
    places, moves = [], []
    rows = _starts(a.shape[0], side, reach)
    for x in _starts(a.shape[1], side, reach):
        for y in rows:
            block = b[y : y + side, x : x + side]
            around = a[y - reach : y + side + reach, x - reach : x + side + reach]
            if block.std() < 12 or around.std() < 12 or min(block.shape) < side:
                continue
            score = cv2.matchTemplate(around, block, cv2.TM_CCOEFF_NORMED)
            _, best, _, (bx, by) = cv2.minMaxLoc(score)
            if best < 0.5 or not (0 < bx < 2 * reach and 0 < by < 2 * reach):
                continue
            dx = bx + _vertex(score[by, bx - 1 : bx + 2]) - reach
            dy = by + _vertex(score[by - 1 : by + 2, bx]) - reach
            # The block of b at this place lies dx, dy further on in a.
            places.append((x + (side - 1) / 2 + dx, y + (side - 1) / 2 + dy))
            moves.append((-dx, -dy))
    return np.array(places).reshape(-1, 2), np.array(moves).reshape(-1, 2)


def _starts(size: int, side: int, reach: int) -> list[int]:
    room = size - side - 2 * reach
    if room < 0:
        return []
    return [
        round(v) for v in np.linspace(reach, reach + room, max(1, int(room / (0.7 * side)) + 1))
    ]


def _vertex(three: NDArray[np.generic]) -> float:
    before, here, after = (float(each) for each in three)
    bend = before - 2 * here + after
    return 0.5 * (before - after) / bend if bend < -1e-9 else 0.0


def _fitted(second_mm: Floats, first_mm: Floats, before: Overlap) -> Overlap:
    """The motion that brings points onto others best, those far off left out."""
    keep = np.ones(len(first_mm), bool)
    turn, scale, shift = before.turn_rad, before.scale, before.shift_mm
    off = np.zeros(len(first_mm))
    for _ in range(4):
        p, q = second_mm[keep], first_mm[keep]
        centre_p, centre_q = p.mean(axis=0), q.mean(axis=0)
        z, w = (p - centre_p) @ [1, 1j], (q - centre_q) @ [1, 1j]
        spread = float((np.abs(z) ** 2).sum())
        ratio = complex((np.conj(z) * w).sum() / max(spread, 1e-9))
        turn, scale = float(np.angle(ratio)), float(abs(ratio))
        moved = Overlap(np.zeros(2), turn, scale, 0, 0, 0, 0)
        shift = centre_q - moved.move(centre_p[None])[0]
        off = np.hypot(*(moved.move(second_mm) + shift - first_mm).T)
        keep = off <= max(2.5 * float(np.median(off)), 0.15)
    rms = float(np.sqrt((off[keep] ** 2).mean()))
    bends = _unbent_mm(second_mm[keep], (moved.move(second_mm) + shift - first_mm)[keep])
    sigma = max(rms, 0.05) / np.sqrt(2) / float(np.sqrt(max(spread, 1e-9)))
    return Overlap(shift, turn, scale, before.length_mm, before.alike, rms, sigma, bends)


def _unbent_mm(places_mm: Floats, off_mm: Floats) -> float:
    """Root mean square of what a slow bend, of second order in both ways, leaves of misfits."""
    u, v = (places_mm - places_mm.mean(axis=0)).T / 50.0
    terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=1)
    free = len(u) - terms.shape[1]
    if free < FEWEST_FREE:
        return float(np.sqrt((off_mm**2).sum(axis=1).mean()))
    fit, *_ = np.linalg.lstsq(terms, off_mm, rcond=None)
    rest = off_mm - terms @ fit
    return float(np.sqrt((rest**2).sum() / free))
