"""Learn the look of this lace's beads from sure ones, and tell it from the rest of this lace.

Beads of one lace, lit as this photo is lit, look alike: Fisher's linear discriminant of the
sure ones against everything else that is round on this lace tells the others. Copies one
repeat away support each other.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from lacelay.model.lace import Repeat
from lacelay.reading.bead_spots import (
    PLAIN,
    Floats,
    Image,
    Looks,
    Mask,
    Spots,
    View,
    looks,
    on_lines,
    peaks,
    ring_answers,
    spots_of_size,
)

#: Half the side of the learned look, as a share of the radius, and the most pixels of it.
REACH, MOST_HALF = 1.25, 6
#: Most spots to learn from, of beads and of the rest.
MOST_BEADS, MOST_REST = 400, 1200
#: Answer (0 the lace's own, 1 a typical bead) from which a spot is a bead.
SURE = 0.7
#: Pictures a look is learned on.
PICTURES = 5
#: How much the discriminant leans on what all pictures vary by alike.
RIDGE = 0.3
#: Spots nearer than this many radii lie on each other; one is none below this share of the other.
ON_EACH_OTHER, NEARLY = 1.3, 0.85
#: Share that the copies have in the answer at a spot, and where a line of the mat runs.
HEARD, UNSURE_HEARD = 0.4, 0.55
#: Copies of a bead lie within this of where the repeat puts them, mm.
COPY_MM = 0.8


@dataclass(frozen=True, eq=False)
class Told:
    """What was told of spots of one size, no two of them on each other.

    Parameters
    ----------
    spots : Spots
    looks : Looks
    answer : ndarray, shape (n,)
        0 the lace's own, 1 a typical bead; copies heard.
    lined : ndarray of bool, shape (n,)
        A line of the mat runs there.
    """

    spots: Spots
    looks: Looks
    answer: Floats
    lined: Mask

    @property
    def good(self) -> Mask:
        """Spots that look no less like a bead than typical ones do.

        A picot is a ring of thread: it has the size and the shades of a bead, and a hole.
        """
        sure = self.looks.sure & (self.answer > SURE) & ~self.lined
        if not sure.any():
            return sure
        least = min(0.45, 0.65 * float(np.median(self.looks.cover[sure])))
        most = _beyond(self.looks.rim[sure], 5.0, 10.0)
        whole = (self.looks.cover > least) & (self.looks.rim < most)
        return np.asarray(whole, dtype=bool)


def _beyond(values: Floats, times: float, least: float) -> float:
    middle = float(np.median(values))
    return middle + max(times * float(np.median(np.abs(values - middle))), least)


@dataclass(frozen=True, eq=False)
class Look:
    """The learned look of beads of one size at one resolution.

    Parameters
    ----------
    weights : ndarray, shape (pictures, side, side)
    offset : float
        Taken from the weighted sum, 0 is left for the lace's own and 1 for a typical bead.
    radius_mm : float
    """

    weights: Image
    offset: float
    radius_mm: float


def learn(view: View, radius_mm: float, least: int, repeat: Repeat | None) -> Look | None:
    """Learn the look of the beads of one size against all else on the lace.

    Parameters
    ----------
    radius_mm : float
    least : int
        Fewest sure ones to learn from.
    repeat : Repeat or None
        Where known, copies of a bead support each other.

    Returns
    -------
    Look or None
        None where too few are sure.
    """
    spots = spots_of_size(view, radius_mm, 0.3)
    spots = spots.where(spots.round_ > PLAIN.round_)
    bead = looks(view, spots).sure & ~on_lines(view, spots) & (spots.round_ > view.way.round_)
    if bead.sum() < least:
        return None
    bead[bead] = _own_size(view, spots.where(bead))
    bead &= _supported(view, spots.at, spots.round_, repeat) > view.way.round_
    if bead.sum() < least:
        return None
    random = np.random.default_rng(1)
    half = min(MOST_HALF, round(REACH * radius_mm * view.px_per_mm))
    pictures = _pictures(view)
    rows, columns = np.nonzero(view.inside)
    pick = random.integers(0, len(rows), MOST_REST // 2)
    anywhere = np.column_stack([columns[pick], rows[pick]]).astype(np.float64)
    others = np.vstack([random.permutation(spots.at[~bead])[: MOST_REST // 2], anywhere])
    others = others[~_near(others, spots.at[bead], 1.1 * radius_mm * view.px_per_mm)]
    beads = random.permutation(spots.at[bead])[:MOST_BEADS]
    look = _fisher(_cut(pictures, beads, half), _cut(pictures, others, half), radius_mm)
    told = find(view, look, repeat)
    # What looks like a bead at first and is none is now known: learn again, against that.
    bead = told.good & (told.answer > SURE) & told.looks.sure & ~told.lined
    rest = told.answer < 0.7 * SURE
    if bead.sum() < max(least, 0.5 * len(beads)) or rest.sum() < 50:
        return look
    chosen = random.permutation(np.flatnonzero(bead))[:MOST_BEADS]
    hard = np.flatnonzero(rest)[np.argsort(-told.answer[rest])][:MOST_REST]
    at = told.spots.at
    return _fisher(_cut(pictures, at[chosen], half), _cut(pictures, at[hard], half), radius_mm)


def find(view: View, look: Look, repeat: Repeat | None) -> Told:
    """Look for the learned look at every pixel."""
    answer = np.full(view.inside.shape, -look.offset, np.float32)
    for picture, kernel in zip(_pictures(view), look.weights, strict=True):
        found = cv2.filter2D(picture, -1, kernel, borderType=cv2.BORDER_REFLECT)
        answer += np.asarray(found, np.float32)
    answer[~view.inside] = -1
    at = peaks(answer, 0.3, 0.75 * look.radius_mm * view.px_per_mm)
    x, y = at.astype(int).T
    spots = Spots(at, np.full(len(at), look.radius_mm), answer[y, x].astype(np.float64))
    value = _supported(view, at, spots.round_, repeat)
    return _apart(Told(spots, looks(view, spots), value, on_lines(view, spots)), view)


def _apart(told: Told, view: View) -> Told:
    """Without the weaker of two that lie on each other, unless it is nearly as strong."""
    from scipy.spatial import cKDTree

    within = ON_EACH_OTHER * float(told.spots.radius_mm[0]) * view.px_per_mm
    pairs = cKDTree(told.spots.at).query_pairs(within, output_type="ndarray")
    keep = np.ones(len(told.answer), bool)
    first, second = told.answer[pairs.reshape(-1, 2)].T
    weaker = pairs[np.arange(len(pairs)), (second < first).astype(int)]
    keep[weaker[np.minimum(first, second) < NEARLY * np.maximum(first, second)]] = False
    return Told(told.spots.where(keep), told.looks.where(keep), told.answer[keep], told.lined[keep])


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


def valley(told: Told) -> Valley:
    """Part beads from all else by their answers."""
    value = told.answer[told.good]
    edges = np.arange(0.3, 1.6, 0.04)
    count = np.convolve(np.histogram(value, edges)[0], np.array([1, 2, 3, 2, 1]) / 9, "same")
    middle = (edges[:-1] + edges[1:]) / 2
    between = np.flatnonzero((middle > 0.5) & (middle < 0.9))
    # The last of the lowest places: what lies beyond is bead, what lies before may be.
    fewest = between[count[between] <= 1.2 * count[between].min() + 0.5]
    lowest = int(fewest[-1])
    depth = count[lowest] / max(count[lowest:].max(), 1e-9)
    at = float(middle[lowest])
    return Valley(at, float(depth), int((value > at).sum()))


def _pictures(view: View) -> tuple[Image, ...]:
    cosine, sine = view.edges[..., 0].copy(), view.edges[..., 1].copy()
    return (
        np.asarray(np.clip(view.light, -45, 30) / 20, np.float32),
        np.asarray(2 * view.alpha, np.float32),
        np.asarray(np.minimum(view.strange, 25) / 12, np.float32),
        cosine,
        sine,
    )


def _cut(pictures: tuple[Image, ...], at: Floats, half: int) -> Image:
    """Squares about places, all pictures in a row, shape (n, pictures * side * side)."""
    height, width = pictures[0].shape
    step = np.arange(-half, half + 1)
    x, y = np.round(at).astype(np.intp).T
    rows = np.clip(y[:, None] + step, 0, height - 1)
    columns = np.clip(x[:, None] + step, 0, width - 1)
    index = (rows[:, :, None] * width + columns[:, None, :]).reshape(len(at), -1)
    return np.concatenate([picture.ravel()[index] for picture in pictures], axis=1)


def _fisher(beads: Image, rest: Image, radius_mm: float) -> Look:
    """Fisher's linear discriminant of squares of beads and of the rest."""
    from scipy import linalg

    one, none = beads.mean(0), rest.mean(0)
    a, b = beads - one, rest - none
    spread = 0.5 * (a.T @ a) / len(a) + 0.5 * (b.T @ b) / len(b)
    spread[np.diag_indices(len(spread))] += RIDGE * np.trace(spread) / len(spread)
    weight = linalg.cho_solve(linalg.cho_factor(spread, lower=True), one - none)
    weight /= float((one - none) @ weight)
    side = round(np.sqrt(len(weight) / PICTURES))
    return Look(
        weight.reshape(PICTURES, side, side).astype(np.float32), float(none @ weight), radius_mm
    )


def _own_size(view: View, spots: Spots) -> Mask:
    """Whether each spot is as round at its radius as at any smaller one."""
    radius = float(spots.radius_mm[0])
    answer = ring_answers(view, spots.at, (0.6 * radius, 0.75 * radius, radius))
    return np.asarray(answer[:, 2] > 0.85 * answer.max(axis=1), dtype=bool)


def _near(at: Floats, some: Floats, within_px: float) -> Mask:
    from scipy.spatial import cKDTree

    return np.asarray(cKDTree(some).query(at)[0] < within_px, dtype=bool)


def _supported(view: View, at: Floats, value: Floats, repeat: Repeat | None) -> Floats:
    """A value of each spot, weighed with that of its copies; less where a line runs."""
    from scipy.spatial import cKDTree

    x, y = at.astype(int).T
    lined = view.zone[y, x]
    doubted = np.where(lined, 0.85 * value, value)
    asked = np.flatnonzero(value > 0.15)
    if repeat is None or repeat.sure < 0.5 or len(asked) == 0:
        return doubted
    tree = cKDTree(at[asked])
    shift = repeat.length_mm.value * view.px_per_mm
    total, seen = np.zeros(len(asked)), np.zeros(len(asked))
    height, width = view.inside.shape
    heard = np.append(np.clip(value[asked], 0, 1.1), 0.0)
    for k in (-3, -2, -1, 1, 2, 3):
        moved = at[asked] + [k * shift, 0.0]
        column = np.round(moved[:, 0]).astype(int)
        there = (column >= 0) & (column < width)
        row = np.clip(np.round(moved[:, 1]).astype(int), 0, height - 1)
        there &= view.inside[row, np.clip(column, 0, width - 1)]
        within = COPY_MM * view.px_per_mm
        nearest = tree.query(moved[there], k=2, distance_upper_bound=within)[1]
        total[there] += heard[nearest].max(axis=1)
        seen[there] += 1
    share = np.where(lined[asked], UNSURE_HEARD, HEARD)
    mean = total / np.maximum(seen, 1)
    weighed = (1 - share) * value[asked] + share * mean
    doubted[asked] = np.where(seen > 0, weighed, doubted[asked])
    return doubted
