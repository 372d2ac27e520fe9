"""Find beads and sequins: round opaque spots with a light spot and a rim of their own.

Three steps. Round spots that are surely no thread and no bare mat are looked for at all
sizes; beads come in a few sizes, so only a size that recurs counts. From these the look of
this lace's beads (lit as this photo is lit) is learned against the rest of this lace by a
linear discriminant, and the lace is searched for it; copies one repeat away support each
other. Where no such population stands out, no beads are told.

A bead seen on a printed line, or a piece of the line in a mesh, can look alike: where lines
of the mat run, a spot needs the support of its copies or a very clear look. Clear beads that
show what lies below them are not found.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.model.lace import Bead, Repeat
from lacelay.reading.grid_fit import Grid
from lacelay.reading.mat import line_zone, sampled, upsample
from lacelay.reading.strip import Strip

Image = NDArray[np.float32]
Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: Resolution spots are judged at, and the one they are searched at, px per mm.
FINE, COARSE = 6.5, 4.5
#: Below this the photo shows no beads, px per mm.
LEAST = 4.5
#: Radii looked for, mm; the first three only tell the specks of a weave from beads.
RADII_MM = tuple(0.5 * 1.13**k for k in range(9)) + (1.5, 1.8, 2.15, 2.55)
SPECKS = 3
#: Radii from this one on are too few to learn from: such spots must be sure by themselves.
LARGE = 9
#: Fewest sure spots of one size that make a beaded lace, and fewest for a doubt.
FEWEST, FEWEST_DOUBT = 24, 60
#: A piece of a line in a mesh does not look rounder than this radius, mm.
LINE_MM = 1.25
#: Share of a circle that has a radial edge, least for a round spot.
ROUND = 0.37
#: Half the side of the learned look, coarse pixels.
HALF = 6
#: Answer (0 the lace's own, 1 a typical bead) from which a spot is a bead.
SURE = 0.6
#: Beads found to a sure one at first; more, and what was learned is the look of thread.
MOST_GROWTH = 8
#: Most turns of learning and searching.
MOST_TURNS = 3
#: Most spots to learn from.
MOST_LEARNED = 400
DOUBT = "it looks beaded, but the beads could not be told one by one; count them yourself"


@dataclass(frozen=True)
class BeadSearch:
    """What was found: beads in order of u, and the doubt to tell."""

    beads: tuple[Bead, ...]
    doubt: str | None


@dataclass(frozen=True, eq=False)
class _View:
    """The strip prepared: fine pictures to judge spots, coarse ones to search."""

    light: Image  #: lightness over the thread's, fine
    alpha: Image  #: fine
    strange: Image  #: Lab distance from thread beyond the thread's own scatter, fine
    stack: tuple[Image, ...]  #: coarse: light, alpha, strange, radial edges (cos 2a, sin 2a)
    inside: Mask  #: coarse
    zone: Mask  #: coarse: lines of the mat
    fine: float
    coarse: float

    def to_fine(self, at: Floats) -> Floats:
        return (at + 0.5) * (self.fine / self.coarse) - 0.5


def read_beads(
    strip: Strip,
    repeat: Repeat | None = None,
    grid: Grid | None = None,
    grid_step_mm: float | None = None,
) -> BeadSearch:
    """Find the beads of a straightened lace.

    Parameters
    ----------
    strip : Strip
    repeat : Repeat or None
        Of the lace; where known, copies of a bead support each other.
    grid, grid_step_mm : Grid, float or None
        The mat's printed grid and its step.

    Returns
    -------
    BeadSearch
        No beads where none are sure as a population.
    """
    none = BeadSearch((), None)
    if strip.px_per_mm < LEAST:
        return none
    view = _prepare(strip, grid, grid_step_mm)
    if view is None:
        return none
    spots, radii = _round_spots(view)
    sure = _looks(view, spots, radii).sure & ~_on_lines(view, spots, radii)
    spots, radii = spots[sure], radii[sure]
    main = _recurring(radii)
    if main is None:
        return none
    ours = np.abs(np.log(radii / main)) < 0.19
    if ours.sum() < FEWEST:
        return none
    found = _search(view, spots[ours], main, repeat)
    if found is None:
        return BeadSearch((), DOUBT if ours.sum() >= FEWEST_DOUBT else None)
    big = _copied(spots, radii, main, repeat, view)
    at, radius = _with_large(found, main, spots[big], radii[big], view.coarse)
    shrink = view.coarse / strip.px_per_mm
    u = strip.u_of((at[:, 0] + 0.5) / shrink - 0.5)
    v = strip.v_of((at[:, 1] + 0.5) / shrink - 0.5)
    rows = sorted(zip(u.tolist(), v.tolist(), (2 * radius).tolist(), strict=True))
    return BeadSearch(tuple(Bead(*row) for row in rows), None)


def _prepare(strip: Strip, grid: Grid | None, grid_step_mm: float | None) -> _View | None:
    size, fine = _size(strip, FINE)
    rgb = cv2.resize(strip.rgb, size, interpolation=cv2.INTER_AREA)
    lab = cv2.cvtColor(rgb, cv2.COLOR_RGB2LAB).astype(np.float32)
    alpha = np.asarray(cv2.resize(strip.alpha, size, interpolation=cv2.INTER_AREA), np.float32)
    solid = lab[alpha > 0.9][::5]
    if len(solid) < 100:
        return None
    thread = np.median(solid, axis=0)
    scatter = np.median(np.abs(solid - thread), axis=0)
    off = lab - thread.astype(np.float32)
    light = np.ascontiguousarray(off[..., 0]) * np.float32(100 / 255)
    slack = np.maximum(1.5 * scatter * [100 / 255, 1, 1], [4.0, 1.5, 1.5])
    strange = (0.7 * np.maximum(np.abs(light) - slack[0], 0)) ** 2
    for axis in (1, 2):
        strange += np.maximum(np.abs(off[..., axis]) - slack[axis], 0) ** 2
    strange = np.asarray(np.sqrt(strange), np.float32)

    small, coarse = _size(strip, min(COARSE, fine))
    soft = cv2.GaussianBlur(light, (0, 0), 0.7)
    dx = cv2.Sobel(soft, cv2.CV_32F, 1, 0, scale=1 / 8)
    dy = cv2.Sobel(soft, cv2.CV_32F, 0, 1, scale=1 / 8)
    steep = np.sqrt(dx * dx + dy * dy) + np.float32(1e-3)
    # Twice the angle: an edge counts the same from light to dark and from dark to light.
    weight = 1.5 * np.minimum(steep / 5, 1) / (steep * steep)
    pictures = (
        np.clip(light, -45, 30) / 20, 2 * alpha, np.minimum(strange, 25) / 12,
        (dx * dx - dy * dy) * weight, 2 * dx * dy * weight,
    )  # fmt: skip
    stack = tuple(
        np.asarray(cv2.resize(picture, small, interpolation=cv2.INTER_AREA), np.float32)
        for picture in pictures
    )
    inside = cv2.resize(strip.extent.astype(np.uint8), small, interpolation=cv2.INTER_NEAREST) > 0
    zone = np.zeros(inside.shape, bool)
    if grid is not None and grid_step_mm is not None:
        rows, columns = sampled(inside.shape)
        u, v = np.meshgrid(
            strip.u0_mm + (columns + 0.5) / coarse, strip.v0_mm - (rows + 0.5) / coarse
        )
        on_mat = strip.photo_map.lace_to_mat(np.stack([u.ravel(), v.ravel()], -1))
        on_grid = upsample((on_mat / grid_step_mm).reshape(*u.shape, 2), inside.shape)
        zone = line_zone(grid, on_grid, coarse / strip.px_per_mm) > 0
    return _View(light, alpha, strange, stack, inside, zone, fine, coarse)


def _size(strip: Strip, wished: float) -> tuple[tuple[int, int], float]:
    shrink = min(1.0, wished / strip.px_per_mm)
    height, width = strip.alpha.shape
    size = (round(width * shrink), round(height * shrink))
    return size, strip.px_per_mm * size[0] / width


def _round_spots(view: _View) -> tuple[Floats, Floats]:
    """Centres (x, y) in coarse pixels and radii in mm of circles with edges all round."""
    best = np.full(view.inside.shape, -1, np.float32)
    which = np.zeros(view.inside.shape, np.uint8)
    for k, radius in enumerate(RADII_MM):
        r_px = radius * view.coarse
        reach = int(r_px + 2.5)
        y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1].astype(np.float32)
        away = np.hypot(x, y) + 1e-6
        ring = np.exp(-0.5 * ((away - r_px) / 0.6) ** 2) / away**2
        ring /= 1.5 * (ring * away**2).sum()
        answer = np.asarray(cv2.filter2D(view.stack[3], -1, ring * (x * x - y * y)), np.float32)
        answer += np.asarray(cv2.filter2D(view.stack[4], -1, 2 * ring * x * y), np.float32)
        which[answer > best] = k
        np.maximum(best, answer, out=best)
    # What the mat shines through at its centre is a mesh.
    best[~view.inside | (view.stack[1] < 1.0)] = -1
    at, _ = _peaks(best, ROUND, 0.4 * view.coarse)
    index = at.astype(int)
    return at, np.array(RADII_MM)[which[index[:, 1], index[:, 0]]]


def _peaks(answer: Image, least: float, apart_px: float) -> tuple[Floats, Floats]:
    side = 2 * max(1, round(apart_px)) + 1
    around = cv2.dilate(answer, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)))
    y, x = np.nonzero((answer == around) & (answer > least))
    return np.column_stack([x, y]).astype(np.float64), answer[y, x].astype(np.float64)


@dataclass(frozen=True, eq=False)
class _Looks:
    """Whether spots look like a bead: surely, and at all; least cover, strangeness of rim."""

    sure: Mask
    maybe: Mask
    cover: Floats
    rim: Floats

    def as_good_as(self, typical: Mask) -> Mask:
        """Not much less opaque, nor with much more of an edge, than the typical ones.

        A picot is a ring of thread: it has the size and the shades of a bead, and a hole.
        """
        least = _beyond(-self.cover[typical], 4.0, 0.25)
        most = _beyond(self.rim[typical], 5.0, 10.0)
        return np.asarray((-self.cover < least) & (self.rim < most), dtype=bool)


def _beyond(values: Floats, times: float, least: float) -> float:
    middle = float(np.median(values))
    return middle + max(times * float(np.median(np.abs(values - middle))), least)


def _looks(view: _View, at: Floats, radii: Floats) -> _Looks:
    """Judge spots: opaque, with a light spot that is no mat, and a rim unlike thread."""
    if len(at) == 0:
        return _Looks(np.zeros(0, bool), np.zeros(0, bool), *np.zeros((2, 0)))
    angle = np.arange(16) * (2 * np.pi / 16)
    share = np.array([0.05, 0.25, 0.5, 0.7, 0.85, 1.0])[:, None]
    r_px = radii[:, None] * view.fine
    centre = view.to_fine(at)
    x = (centre[:, :1] + r_px * (share * np.cos(angle)).ravel()).astype(np.float32)
    y = (centre[:, 1:] + r_px * (share * np.sin(angle)).ravel()).astype(np.float32)
    light, alpha, strange = (
        np.asarray(cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
        for picture in (view.light, view.alpha, view.strange)
    )
    core = slice(0, 5 * 16)
    cover, lowest = alpha[:, core].mean(1), np.percentile(alpha[:, core], 10, axis=1)
    # The light spot must be bead: mat seen through a hole is no gloss.
    gloss = np.where(alpha[:, : 4 * 16] > 0.85, light[:, : 4 * 16], -100)
    gloss = np.percentile(gloss, 95, axis=1) - np.median(light[:, core], axis=1)
    rim, whole = strange[:, 4 * 16 :].mean(1), strange[:, core].mean(1)
    sure = (lowest > 0.5) & (cover > 0.7) & (gloss > 6.5) & (rim > 3) & (whole > 2.5)
    maybe = (lowest > 0.3) & (cover > 0.55) & (gloss > 3.5) & (rim > 2)
    return _Looks(sure, maybe, lowest.astype(np.float64), rim.astype(np.float64))


def _on_lines(view: _View, at: Floats, radii: Floats) -> Mask:
    """Whether a line of the mat runs under the core of a spot."""
    near = cv2.blur(view.zone.astype(np.float32), (3, 3)) > 0
    x, y = at.astype(int).T
    return np.asarray(near[y, x] & (radii < LINE_MM), dtype=bool)


def _recurring(radii: Floats) -> float | None:
    """The radius that recurs most among those a bead can have, in mm."""
    sizes = np.array(RADII_MM)
    count = np.array([(np.abs(np.log(radii / size)) < 0.06).sum() for size in sizes])
    count = np.convolve(np.pad(count, 1), [0.6, 1.0, 0.6], "valid")
    count[:SPECKS] = 0
    count[LARGE:] = 0
    return float(sizes[count.argmax()]) if count.max() > 0 else None


def _search(view: _View, seeds: Floats, radius: float, repeat: Repeat | None) -> Floats | None:
    """Learn the look of the seeds, find all of it; None where it does not stand out."""
    from scipy.spatial import cKDTree

    random = np.random.default_rng(1)
    rows, columns = np.nonzero(view.inside)
    pick = random.choice(len(rows), 2400)
    others = np.column_stack([columns[pick], rows[pick]]).astype(np.float64)
    rows, columns = np.nonzero(view.inside & view.zone)
    if len(rows):
        pick = random.choice(len(rows), 800)
        others = np.vstack([others, np.column_stack([columns[pick], rows[pick]])])
    hard = np.empty((0, 2))
    first = len(seeds)
    for turn in range(MOST_TURNS):
        before = len(seeds)
        if len(seeds) > MOST_LEARNED:
            seeds = seeds[random.permutation(len(seeds))[:MOST_LEARNED]]
        rest = np.vstack([others, hard])
        rest = rest[cKDTree(seeds).query(rest)[0] > 1.1 * radius * view.coarse]
        answer = _answer(view, _cut(view, seeds), _cut(view, rest))
        at, value = _peaks(answer, 0.25, 0.7 * radius * view.coarse)
        looks = _looks(view, at, np.full(len(at), radius))
        lined = _on_lines(view, at, np.full(len(at), radius))
        total = _supported(answer, at, value, lined, repeat, view.coarse)
        seeds = at[looks.sure & (total > SURE) & ~lined]
        if not FEWEST <= len(seeds) <= MOST_GROWTH * first:
            return None
        wrong = (value > 0.2) & ((total < 0.45) | ~looks.maybe)
        hard = at[wrong][np.argsort(-value[wrong])[:1200]]
        # Enough when the second turn, now against hard examples, brings hardly any more.
        if turn > 0 and len(seeds) < 1.1 * before:
            break
    good = looks.maybe & looks.as_good_as(looks.sure & (total > SURE) & ~lined)
    bead = (total > SURE) & good
    unsure = (total > 0.38) & ~bead & good
    if not FEWEST <= bead.sum() <= MOST_GROWTH * first or unsure.sum() > 0.6 * bead.sum():
        return None
    return np.asarray(at[bead])


def _cut(view: _View, at: Floats) -> NDArray[np.float32]:
    """Squares about places, all pictures in a row, shape (n, pictures * side * side)."""
    x, y = np.round(at).astype(int).T + HALF
    step = np.arange(-HALF, HALF + 1)
    parts = []
    for picture in view.stack:
        wide = cv2.copyMakeBorder(picture, HALF, HALF, HALF, HALF, cv2.BORDER_REFLECT)
        square = wide[(y[:, None] + step)[:, :, None], (x[:, None] + step)[:, None, :]]
        parts.append(square.reshape(len(at), -1))
    return np.concatenate(parts, axis=1)


def _answer(view: _View, beads: NDArray[np.float32], rest: NDArray[np.float32]) -> Image:
    """Fisher's linear discriminant of beads against the rest, at every pixel: mean 1 and 0."""
    from scipy import linalg

    one, none = beads.mean(0), rest.mean(0)
    a, b = beads - one, rest - none
    spread = 0.5 * (a.T @ a) / len(a) + 0.5 * (b.T @ b) / len(b)
    spread[np.diag_indices(len(spread))] += 0.03 * np.trace(spread) / len(spread)
    weight = linalg.cho_solve(linalg.cho_factor(spread, lower=True), one - none)
    weight /= float((one - none) @ weight)
    answer = np.full(view.inside.shape, -float(none @ weight), np.float32)
    side = 2 * HALF + 1
    for picture, part in zip(view.stack, np.split(weight, len(view.stack)), strict=True):
        kernel = part.reshape(side, side).astype(np.float32)
        part_answer = cv2.filter2D(picture, -1, kernel, borderType=cv2.BORDER_REFLECT)
        answer += np.asarray(part_answer, np.float32)
    answer[~view.inside] = -1
    return answer


def _supported(
    answer: Image, at: Floats, value: Floats, lined: Mask, repeat: Repeat | None, per_mm: float
) -> Floats:
    """The answer at each spot, weighed with that of its copies."""
    doubted = np.where(lined, 0.85 * value, value)
    if repeat is None or repeat.sure < 0.5 or len(at) == 0:
        return np.asarray(doubted)
    side = 2 * round(0.6 * per_mm) + 1
    near = cv2.dilate(answer, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)))
    shift = repeat.length_mm.value * per_mm
    x, y = at[:, 0], at[:, 1].astype(int)
    total, seen = np.zeros(len(at)), np.zeros(len(at))
    for k in (-3, -2, -1, 1, 2, 3):
        column = np.round(x + k * shift).astype(int)
        there = (column >= 0) & (column < answer.shape[1])
        copy = near[y, np.clip(column, 0, answer.shape[1] - 1)]
        there &= copy > -0.9
        total += np.where(there, np.clip(copy, 0, 1.1), 0)
        seen += there
    share = np.where(lined, 0.5, 0.3)
    mean = total / np.maximum(seen, 1)
    return np.asarray(np.where(seen > 0, (1 - share) * value + share * mean, doubted))


def _copied(at: Floats, radii: Floats, main: float, repeat: Repeat | None, view: _View) -> Mask:
    """Which spots are larger than the usual bead, and again so a repeat away where seen."""
    big = np.asarray(radii > 1.38 * main, dtype=bool)
    if repeat is None or repeat.sure < 0.5 or not big.any():
        return big
    shift = np.array([repeat.length_mm.value * view.coarse, 0.0])
    near = 0.8 * view.coarse
    again = np.zeros(len(at), bool)
    seen = np.zeros(len(at), bool)
    for k in (-2, -1, 1, 2):
        x, y = np.round(at + k * shift).astype(int).T
        there = (x >= 0) & (x < view.inside.shape[1])
        seen |= there & view.inside[y, np.clip(x, 0, view.inside.shape[1] - 1)]
        for i in np.flatnonzero(big & there):
            off = np.hypot(*(at[big] - at[i] - k * shift).T) < near
            again[i] |= bool((off & (np.abs(np.log(radii[big] / radii[i])) < 0.3)).any())
    return big & (again | ~seen)


def _with_large(
    at: Floats, radius: float, large: Floats, large_radii: Floats, per_mm: float
) -> tuple[Floats, Floats]:
    """Add the large spots; small ones in them are gloss, but for a bead that holds a sequin."""
    keep = np.ones(len(at), bool)
    chosen: list[int] = []
    for k in np.argsort(-large_radii):
        away = np.hypot(*(large[chosen] - large[k]).T) if chosen else np.array([np.inf])
        inner = np.hypot(*(at - large[k]).T) < 0.8 * large_radii[k] * per_mm
        # Some beads of a tight run within a circle make no larger bead.
        most = 1 if large_radii[k] < 1.7 * radius else 3
        if away.min() > large_radii[k] * per_mm and inner.sum() <= most:
            chosen.append(int(k))
            held = np.hypot(*(at - large[k]).T) < 0.35 * large_radii[k] * per_mm
            keep &= ~inner | (held & (large_radii[k] > 1.6 * radius))
    places = np.vstack([at[keep], large[chosen]]) if chosen else at
    radii = np.concatenate([np.full(int(keep.sum()), radius), large_radii[chosen]])
    return places, radii
