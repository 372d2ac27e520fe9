"""Learn the look of this lace's beads from some, and tell it from the rest of this lace.

Beads of one lace, lit as this photo is lit, look alike: Fisher's linear discriminant of
squares about some of them against everything else on this lace tells the others. Copies one
repeat away support each other.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.model.lace import Repeat
from lacelay.reading.bead_spots import Floats, Image, Mask, View, over, peaks

Whole = NDArray[np.int64]

#: Half the side of the disc looked at, pixels.
HALF = 5
#: Most spots to learn from, of beads and of the rest.
MOST_BEADS, MOST_REST = 500, 800
#: How much the discriminant leans on what all pictures vary by alike.
RIDGE = 0.3
#: Places this near to a bead are neither bead nor rest, mm.
NEITHER_MM = 1.3
#: Share that the copies have in the answer at a spot.
HEARD = 0.4
#: Copies of a bead lie within this of where the repeat puts them, mm.
COPY_MM = 1.0
#: Resolution at which neighbours are looked for, px per mm.
COARSE = 3.0
#: Least answer of a spot that is looked at.
LEAST = 0.25

_GRID = np.arange(-HALF, HALF + 1)
_DISC = (_GRID[:, None] ** 2 + _GRID**2) <= HALF * HALF + 1


@dataclass(frozen=True, eq=False)
class Look:
    """A learned look.

    Parameters
    ----------
    weights : ndarray, shape (pictures, places of the disc)
    offset : float
        Taken from the weighted sum, 0 is left for the lace's own and 1 for a typical bead.
    """

    weights: Image
    offset: float


@dataclass(frozen=True, eq=False)
class Told:
    """Spots that answer a look, no two on each other.

    Parameters
    ----------
    at : ndarray, shape (n, 2)
        Pixels (x, y) of the view.
    answer : ndarray, shape (n,)
        0 the lace's own, 1 a typical bead; copies heard.
    """

    at: Floats
    answer: Floats


@dataclass(frozen=True)
class Valley:
    """Where fewest answers lie between beads and all else.

    Parameters
    ----------
    answer : float
    depth : float
        Spots there, as a share of the most at a higher answer: 0 where beads stand quite
        apart, 1 where they do not.
    beads : int
        Spots above it.
    """

    answer: float
    depth: float
    beads: int


def pictures_of(view: View) -> tuple[Image, ...]:
    """The pictures a look is learned on, each scaled to about 1 by what beads differ by."""
    table = over(view.thread)
    clipped = (np.clip(table, [-45, -25, -25], [45, 25, 25]) / [20, 12, 12]).astype(np.float32)
    hues = (
        cv2.LUT(cv2.extractChannel(view.lab, k), np.ascontiguousarray(clipped[:, k])[None])
        for k in range(3)
    )
    pictures = (*hues, np.float32(2) * view.alpha, *cv2.split(view.edges))
    return tuple(np.asarray(picture, np.float32) for picture in pictures)


def cut(pictures: tuple[Image, ...], at: Floats) -> Image:
    """Discs about places, all pictures in a row, shape (n, pictures * places)."""
    height, width = pictures[0].shape
    dy, dx = np.nonzero(_DISC)
    x, y = np.round(at).astype(np.intp).T
    rows = np.clip(y[:, None] + (dy - HALF), 0, height - 1)
    columns = np.clip(x[:, None] + (dx - HALF), 0, width - 1)
    index = rows * width + columns
    return np.concatenate([picture.ravel()[index] for picture in pictures], axis=1)


def learn(beads: Image, rest: Image) -> Look:
    """Fisher's linear discriminant of discs of beads and of the rest.

    Parameters
    ----------
    beads, rest : ndarray, shape (n, pictures * places)
    """
    one, none = beads.mean(0), rest.mean(0)
    a, b = beads - one, rest - none
    spread = 0.5 * (a.T @ a) / len(a) + 0.5 * (b.T @ b) / len(b)
    spread[np.diag_indices(len(spread))] += np.float32(RIDGE * np.trace(spread) / len(spread))
    weight = np.linalg.solve(spread, one - none)
    weight = weight / float((one - none) @ weight)
    return Look(weight.reshape(-1, int(_DISC.sum())).astype(np.float32), float(none @ weight))


def learn_again(discs: Image, answer: Floats, bead: Mask, rest: Mask, seed: int) -> Look:
    """Learn from what was told, against the rest that answers most.

    Parameters
    ----------
    discs : ndarray, shape (n, pictures * places)
    answer : ndarray, shape (n,)
        Of the look before.
    bead, rest : ndarray of bool, shape (n,)
    seed : int
        Of the choice where there are more than are needed.
    """
    random = np.random.default_rng(seed)
    chosen = random.permutation(np.flatnonzero(bead))[:MOST_BEADS]
    others = np.flatnonzero(rest)
    hard = others[np.argsort(-answer[others], kind="stable")][: 3 * MOST_REST]
    return learn(discs[chosen], discs[random.permutation(hard)[:MOST_REST]])


def answers(look: Look, discs: Image) -> Floats:
    """What each disc answers."""
    return np.asarray(discs @ look.weights.ravel() - look.offset, np.float64)


def find(
    view: View,
    pictures: tuple[Image, ...],
    look: Look,
    apart_mm: float,
    repeat: Repeat | None,
) -> Told:
    """Look for a learned look at every pixel.

    Parameters
    ----------
    pictures : tuple of ndarray
        Of the view, as `pictures_of` gives them.
    apart_mm : float
        Of two nearer than this the weaker is left out.
    """
    answer = np.full(view.inside.shape, -look.offset, np.float32)
    kernel = np.zeros(_DISC.shape, np.float32)
    for picture, weights in zip(pictures, look.weights, strict=True):
        kernel[_DISC] = weights
        cv2.add(answer, cv2.filter2D(picture, -1, kernel), dst=answer)
    answer[~view.inside] = -1
    at = peaks(answer, LEAST, apart_mm * view.px_per_mm)
    x, y = at.astype(int).T
    return heard(view, at, answer[y, x].astype(np.float64), repeat)


def heard(view: View, at: Floats, value: Floats, repeat: Repeat | None) -> Told:
    """Spots with what they answer and what their copies do.

    Parameters
    ----------
    at : ndarray, shape (n, 2)
    value : ndarray, shape (n,)
        What each answers by itself.
    repeat : Repeat or None
    """
    if repeat is None or repeat.sure < 0.5:
        return Told(at, value)
    total, asked = copies(view, at, np.clip(value, 0, 1.1), repeat)
    mean = total / np.maximum(asked, 1)
    return Told(at, np.where(asked > 0, (1 - HEARD) * value + HEARD * mean, value))


def copies(view: View, at: Floats, value: Floats, repeat: Repeat) -> tuple[Floats, Whole]:
    """Sum of the values of each place's copies, and how many copies could be seen.

    Parameters
    ----------
    at : ndarray, shape (n, 2)
    value : ndarray, shape (n,)
        Not negative; a copy without any place near counts 0.
    """
    width = view.inside.shape[1]
    scale = COARSE / view.px_per_mm
    around = _raster(view, at, value.astype(np.float32), COPY_MM)
    y = np.round(at[:, 1]).astype(int)
    rows = np.round(at[:, 1] * scale).astype(int)
    total, seen = np.zeros(len(at)), np.zeros(len(at), np.int64)
    shift = repeat.length_mm.value * view.px_per_mm
    for k in (-3, -2, -1, 1, 2, 3):
        moved = at[:, 0] + k * shift
        there = (moved >= 0) & (moved <= width - 1)
        there[there] = view.inside[y[there], np.round(moved[there]).astype(int)]
        total[there] += around[rows[there], np.round(moved[there] * scale).astype(int)]
        seen += there
    return total, seen


def _raster(view: View, at: Floats, value: Image, within_mm: float) -> Image:
    """The highest value within a distance, as a coarse picture."""
    height, width = view.inside.shape
    scale = COARSE / view.px_per_mm
    marks = np.zeros((int(height * scale) + 2, int(width * scale) + 2), np.float32)
    columns, rows = np.round(at * scale).astype(int).T
    np.maximum.at(marks, (rows, columns), value)
    side = 2 * round(within_mm * COARSE) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    return np.asarray(cv2.dilate(marks, disc), np.float32)


def near(view: View, at: Floats, some: Floats, within_mm: float) -> Mask:
    """Whether places lie within a distance of any of some others."""
    if not len(some):
        return np.zeros(len(at), bool)
    around = _raster(view, some, np.ones(len(some), np.float32), within_mm)
    columns, rows = np.round(at * (COARSE / view.px_per_mm)).astype(int).T
    return np.asarray(around[rows, columns] > 0, dtype=bool)


def valley(value: Floats) -> Valley:
    """Part beads from all else by their answers."""
    edges = np.arange(0.24, 1.8, 0.04)
    count = np.convolve(np.histogram(value, edges)[0], np.array([1, 2, 3, 2, 1]) / 9, "same")
    middle = (edges[:-1] + edges[1:]) / 2
    between = np.flatnonzero((middle > 0.36) & (middle < 0.74))
    fewest = between[count[between] <= 1.2 * count[between].min() + 0.5]
    lowest = int(fewest[len(fewest) // 2])
    depth = count[lowest] / max(count[lowest:].max(), 1e-9)
    at = float(middle[lowest])
    return Valley(at, float(depth), int((value > at).sum()))
