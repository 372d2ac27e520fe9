"""Tell the symmetry of the strip: which of the seven frieze groups it has.

What the copies of the repeat have in common is compared with its mirrored, turned and
glided selves. How alike "alike" is, the copies say themselves: two copies of one repeat
agree so far and no further, by wear, light and the way the lace lies.

Glossary
--------
V : mirror across the length, u to -u. H : mirror along it, v to -v. R : half turn.
G : H with a shift of half a repeat.
Groups by IUCr name and what they hold besides the repeat: p1 nothing, p11g G, p1m1 V, p2 R,
p2mg R V G, p11m H (and so G of a whole repeat), p2mm R H V.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.reading.ground import Ground
from lacelay.reading.mat import Image
from lacelay.reading.medians import median_of

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

#: Operations each group holds.
HOLDS: Mapping[str, tuple[str, ...]] = {
    "p2mm": ("R", "H", "V"),
    "p2mg": ("R", "V", "G"),
    "p11m": ("H",),
    "p2": ("R",),
    "p1m1": ("V",),
    "p11g": ("G",),
    "p1": (),
}
#: Resolution of the comparison, px per mm, and the blur that forgives small warps, mm.
PX_PER_MM, BLUR_MM = 2.0, 0.45
#: An operation holds when the strip is as like its image as this share of how like its
#: copies are to each other.
HELD_SHARE = 0.8
#: Within this share of the limit the group is in doubt.
DOUBT_SHARE = 0.08
#: The middle of the strip is known to this, mm; H and G shift by no more than this from theirs.
MIDDLE_MM, SHIFT_MM = 2.0, 1.2
BANDS = 8
#: So many places of the middle are looked at closely.
MOST_MIDDLES = 7


@dataclass(frozen=True, eq=False)
class Symmetry:
    """The group, or None with the reason; how alike the strip is to its images.

    Parameters
    ----------
    group : str or None
        IUCr name.
    likeness : mapping of str to float
        Of V, H, R and G; -1 to 1.
    copies_alike : float
        Of one copy with the others: the measure for the rest.
    doubt : str or None
        In her words.
    """

    group: str | None
    likeness: Mapping[str, float]
    copies_alike: float
    doubt: str | None


def read_symmetry(ground: Ground, *, lower_scalloped: bool, upper_scalloped: bool) -> Symmetry:
    """Tell the group from the folded picture of the repeat.

    Parameters
    ----------
    ground : Ground
    lower_scalloped, upper_scalloped : bool
        A strip scalloped on one edge only cannot be turned or mirrored along its length.
    """
    copies = ground.copies
    if not copies.wraps:
        return Symmetry(
            None, {}, 0.0,
            f"whether the lace can be turned or mirrored was not read: {copies.reason}",
        )  # fmt: skip
    q = min(PX_PER_MM, copies.px_per_mm)
    folded = np.stack([_small(copy, q / copies.px_per_mm) for copy in ground.in_copy])
    folded /= np.float32(255)
    mask = np.stack(
        [
            _small(seen.view(np.uint8) * np.uint8(255), q / copies.px_per_mm) > 127
            for seen in copies.seen
        ]
    )
    common = median_of(folded, mask)
    extent = _small(ground.extent.view(np.uint8) * np.uint8(255), q / copies.px_per_mm) > 127
    rows = np.flatnonzero(extent.mean(axis=1) > 0.5)
    if len(rows) < 8:
        return Symmetry(None, {}, 0.0, "too little of the lace is seen to tell its symmetry")
    middle = float(rows[0] + rows[-1]) / 2
    alike = _copies_alike(folded, mask)
    likeness = images_alike(common, middle, q)
    limit = HELD_SHARE * alike
    possible = ("p1", "p1m1") if lower_scalloped != upper_scalloped else tuple(HOLDS)
    group = group_of(likeness, limit, possible)
    return Symmetry(group, likeness, alike, _doubt(likeness, limit, possible))


def group_of(likeness: Mapping[str, float], limit: float, possible: tuple[str, ...]) -> str:
    """The group with the most operations that all hold; of two alike the better one."""
    best = ("p1", 0, 0.0)
    for group in possible:
        held = [likeness[name] for name in HOLDS[group]]
        if held and min(held) >= limit and (len(held), min(held)) > best[1:]:
            best = (group, len(held), min(held))
    return best[0]


def images_alike(picture: Image, middle_row: float, px_per_mm: float) -> dict[str, float]:
    """Likeness of one repeat with its images.

    Parameters
    ----------
    picture : ndarray of float32, shape (h, w)
        Columns wrap round.
    middle_row : float
        About the middle of the strip.
    px_per_mm : float

    Returns
    -------
    dict
        "V", "H", "R", "G": correlation, the mean of the whole and of the bands that agree
        least, at the best place of the axis.
    """
    w = picture.shape[1]
    slack = round(MIDDLE_MM * px_per_mm)
    near = max(1, round(SHIFT_MM * px_per_mm))
    rows = np.fft.rfft(picture - picture.mean(axis=1, keepdims=True), axis=1)
    # The spectrum of rows read backwards is the conjugate one, but for a shift.
    across = _best(rows, np.conj(rows), w, None)
    along, glided, turned = -1.0, -1.0, -1.0
    for shift in _shifts(rows, middle_row, slack):
        flipped = _flipped(rows, 2 * middle_row + shift)
        along = max(along, _best(rows, flipped, w, (0, near)))
        glided = max(glided, _best(rows, flipped, w, (w // 2, near)))
        turned = max(turned, _best(rows, np.conj(flipped), w, None))
    return {"V": across, "H": along, "R": turned, "G": glided}


def _shifts(rows: Complexes, middle_row: float, slack: int) -> list[int]:
    """Places of the middle, in half rows, where the strip may be like its images.

    Only the power of every row is compared, which no shift and no turn changes: the best
    places and their neighbours are enough.
    """
    power = np.abs(rows[:, 1:])
    shifts = np.arange(-2 * slack, 2 * slack + 1)
    alike = [float((power * _flipped(power, 2 * middle_row + shift)).sum()) for shift in shifts]
    best = np.argsort(alike)[::-1][:MOST_MIDDLES]
    return sorted({int(shifts[k]) for k in best})


def _small(picture: NDArray[np.uint8], shrink: float) -> Image:
    size = (max(8, round(picture.shape[1] * shrink)), max(8, round(picture.shape[0] * shrink)))
    small = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.float32)
    blur = BLUR_MM * PX_PER_MM
    pad = int(3 * blur)
    wide = cv2.GaussianBlur(np.pad(small, ((0, 0), (pad, pad)), mode="wrap"), (0, 0), blur)
    return np.asarray(wide, dtype=np.float32)[:, pad : pad + size[0]]


def _flipped(rows: NDArray[Any], sum_of_rows: float) -> NDArray[Any]:
    """Row r at `sum_of_rows` - r; what comes from outside is empty."""
    h = len(rows)
    source = np.round(sum_of_rows - np.arange(h)).astype(int)
    inside = (source >= 0) & (source < h)
    return np.where(inside[:, None], rows[np.clip(source, 0, h - 1)], 0)


def _best(one: Complexes, two: Complexes, width: int, at: tuple[int, int] | None) -> float:
    """Correlation at the best shift, or at the best of those near a place (shift, reach).

    `one` and `two` are spectra of rows about their means; the mean of the whole and of the
    third of the bands that agree least is returned.
    """
    starts = np.array([band[0] for band in np.array_split(np.arange(len(one)), BANDS)])
    bands = np.fft.irfft(np.add.reduceat(one * np.conj(two), starts, axis=0), width, axis=1)
    energy = [_energy(side, starts, width) for side in (one, two)]
    whole = bands.sum(axis=0)
    if at is None:
        shift = int(whole.argmax())
    else:
        reach = np.arange(at[0] - at[1], at[0] + at[1] + 1) % width
        shift = int(reach[whole[reach].argmax()])
    return _agreement(bands[:, shift], *energy)


def _energy(rows: Complexes, starts: NDArray[np.int64], width: int) -> Floats:
    """Sum of squares in every band (Parseval)."""
    power = np.abs(rows) ** 2
    power[:, 1 : (width + 1) // 2] *= 2
    return np.asarray(np.add.reduceat(power.sum(axis=1), starts) / width)


def _agreement(product: Floats, one: Floats, two: Floats) -> float:
    """Mean of the correlation of the whole and of the bands that agree least.

    Sums over each band of the products and of both squares; bare bands have no say.
    """
    whole = float(product.sum()) / max(float(np.sqrt(one.sum() * two.sum())), 1e-9)
    both, larger = np.sqrt(one * two), np.maximum(one, two)
    told = larger > 0.3 * larger.mean()
    if not told.any():
        return whole
    each = np.sort((product / np.maximum(np.maximum(both, 0.5 * larger), 1e-9))[told])
    return 0.5 * (whole + float(each[: max(1, len(each) // 3)].mean()))


def _copies_alike(folded: NDArray[np.float32], mask: NDArray[np.bool_]) -> float:
    """Likeness of each copy with the others, measured as the images are."""
    found, weights = [], []
    for k in range(len(folded)):
        others, theirs = np.delete(folded, k, axis=0), np.delete(mask, k, axis=0)
        both = mask[k] & theirs.any(axis=0)
        if both.mean() < 0.2:
            continue
        sides = []
        for picture in (folded[k], median_of(others, theirs)):
            count = np.maximum(both.sum(axis=1, keepdims=True), 1)
            mean = (picture * both).sum(axis=1, keepdims=True) / count
            sides.append(np.where(both, picture - mean, 0).astype(np.float64))
        one, two = sides
        starts = np.array([band[0] for band in np.array_split(np.arange(len(one)), BANDS)])
        sums = [np.add.reduceat(term.sum(axis=1), starts) for term in (one * two, one**2, two**2)]
        found.append(_agreement(*sums))
        weights.append(float(both.mean()))
    return float(np.average(found, weights=weights)) if found else 1.0


def _doubt(likeness: Mapping[str, float], limit: float, possible: tuple[str, ...]) -> str | None:
    asked = {name for group in possible for name in HOLDS[group]}
    close = [name for name in asked if abs(likeness[name] / max(limit, 1e-9) - 1) < DOUBT_SHARE]
    if not close:
        return None
    words = {
        "V": "whether left and right mirror each other",
        "H": "whether its two edges mirror each other",
        "R": "whether it matches when turned round",
        "G": "whether its two edges are the same half a repeat apart",
    }
    told = " and ".join(words[name] for name in sorted(close))
    return f"{told} is not sure: compare it by hand"
