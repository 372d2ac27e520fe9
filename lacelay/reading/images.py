"""How like a strip is to its mirrored, turned and glided images.

V : mirror across the length, u to -u. H : mirror along it, v to -v. R : half turn. G : H with
a shift of half a repeat. The place of every axis is searched: all shifts along at once by the
correlation theorem, and the middle line within the little that it may lie aside.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from lacelay.reading.mat import Image

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

#: The middle of the strip is known to this, mm; H and G shift by no more than this from theirs.
MIDDLE_MM, SHIFT_MM = 2.0, 1.2
#: Bands of rows that are asked one by one.
BANDS = 8
#: So many places of the middle are looked at closely.
MOST_MIDDLES = 7
#: Of a strip that does not wrap so much at least must lie on its own image, as a share of it.
LEAST_SHARED = 0.45
#: A glide of an unknown repeat shifts by this share of what is seen at least: the repeat would
#: be known if it were seen twice.
LEAST_GLIDE = 0.25


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


def images_seen(picture: Image, middle_row: float, px_per_mm: float) -> dict[str, float]:
    """As `images_alike`, of a strip that shows its repeat once or less and does not wrap.

    An image is compared where it lies on the strip. G is any shift that leaves enough on each
    other; -1 where there is none.
    """
    w = picture.shape[1]
    slack = round(MIDDLE_MM * px_per_mm)
    near = max(1, round(SHIFT_MM * px_per_mm))
    most = int((1 - LEAST_SHARED) * w)
    rows = np.asarray(picture - picture.mean(axis=1, keepdims=True), dtype=np.float64)
    every = np.arange(-most, most + 1)
    glides = every[np.abs(every) >= max(LEAST_GLIDE * w, near + 1)]
    across = _best_seen(rows, rows[:, ::-1], every)
    along, glided, turned = -1.0, -1.0, -1.0
    for shift in _shifts(np.fft.rfft(rows, axis=1), middle_row, slack):
        flipped = _flipped(rows, 2 * middle_row + shift)
        along = max(along, _best_seen(rows, flipped, np.arange(-near, near + 1)))
        glided = max(glided, _best_seen(rows, flipped, glides))
        turned = max(turned, _best_seen(rows, flipped[:, ::-1], every))
    return {"V": across, "H": along, "R": turned, "G": glided}


def agreement(product: Floats, one: Floats, two: Floats) -> float:
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


def band_starts(rows: int) -> NDArray[np.int64]:
    """First row of every band."""
    bands = min(BANDS, rows)
    return np.arange(bands) * rows // bands


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


def _flipped(rows: NDArray[Any], sum_of_rows: float) -> NDArray[Any]:
    """Row r at `sum_of_rows` - r; what comes from outside is empty."""
    h = len(rows)
    source = np.round(sum_of_rows - np.arange(h)).astype(int)
    inside = (source >= 0) & (source < h)
    return np.where(inside[:, None], rows[np.clip(source, 0, h - 1)], 0)


def _best(one: Complexes, two: Complexes, width: int, at: tuple[int, int] | None) -> float:
    """Agreement at the best shift, or at the best of those near a place (shift, reach).

    `one` and `two` are spectra of rows about their means.
    """
    starts = band_starts(len(one))
    bands = np.fft.irfft(np.add.reduceat(one * np.conj(two), starts, axis=0), width, axis=1)
    energy = [_energy(side, starts, width) for side in (one, two)]
    whole = bands.sum(axis=0)
    if at is None:
        shift = int(whole.argmax())
    else:
        reach = np.arange(at[0] - at[1], at[0] + at[1] + 1) % width
        shift = int(reach[whole[reach].argmax()])
    return agreement(bands[:, shift], *energy)


def _energy(rows: Complexes, starts: NDArray[np.int64], width: int) -> Floats:
    """Sum of squares in every band (Parseval)."""
    power = rows.real**2 + rows.imag**2
    power[:, 1 : (width + 1) // 2] *= 2
    return np.asarray(np.add.reduceat(power.sum(axis=1), starts) / width)


def _best_seen(one: Floats, two: Floats, shifts: NDArray[np.int64]) -> float:
    """Agreement at the best of some shifts, where the second picture lies on the first."""
    w = one.shape[1]
    if len(shifts) == 0:
        return -1.0
    size = 2 * w
    starts = band_starts(len(one))
    spectra = [np.fft.rfft(side, size, axis=1) for side in (one, two)]
    product = np.add.reduceat(np.conj(spectra[0]) * spectra[1], starts, axis=0)
    products = np.fft.irfft(product, size, axis=1)[:, shifts % size]
    first, last = np.maximum(0, -shifts), np.minimum(w, w - shifts)
    sums = [
        np.pad(np.cumsum(np.add.reduceat(side**2, starts, axis=0), axis=1), ((0, 0), (1, 0)))
        for side in (one, two)
    ]
    own = sums[0][:, last] - sums[0][:, first]
    other = sums[1][:, last + shifts] - sums[1][:, first + shifts]
    squares = np.sqrt(own.sum(axis=0) * other.sum(axis=0))
    # Where little pattern lies on each other nothing is compared.
    enough = squares >= LEAST_SHARED * float(np.sqrt(sums[0][:, -1].sum() * sums[1][:, -1].sum()))
    if not enough.any():
        return -1.0
    whole = np.where(enough, products.sum(axis=0) / np.maximum(squares, 1e-9), -1.0)
    best = int(whole.argmax())
    return agreement(products[:, best], own[:, best], other[:, best])
