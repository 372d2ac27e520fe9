"""Find beads and sequins: round opaque spots with a light spot and a rim of their own.

Whether a lace is beaded at all is seen on a stretch of it: beads come in a few sizes, so
round spots that are surely no thread recur at one size more than at the smaller ones, while
the specks of a weave grow fewer with their size. Only then is the look of this lace's beads
learned (`bead_look`) and searched for everywhere; copies one repeat away support each other.
Where what looks like a bead does not stand apart from all else, no beads are told, and it is
said.

Clear beads that show what lies below them are not found.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lacelay.model.lace import Bead, Repeat
from lacelay.reading.bead_look import Told, Valley, find, learn, valley
from lacelay.reading.bead_runs import threaded
from lacelay.reading.bead_spots import (
    ENOUGH_PX,
    LIKE_MAT,
    PALE,
    PLAIN,
    PX_PER_MM,
    RADII_MM,
    Floats,
    Mask,
    Spots,
    View,
    looks,
    on_lines,
    prepare,
    ring_answers,
    round_spots,
)
from lacelay.reading.grid_fit import Grid
from lacelay.reading.strip import Strip

#: Below this the photo shows no beads, px per mm.
LEAST = 3.0
#: Below this they may be seen, but not one by one, px per mm.
COUNTED = 4.2
#: Lace looked at to see whether it is beaded at all, mm2.
STRETCH_MM2 = 18_000.0
#: Sizes below this one are specks of a weave as a rule; beads are of some sizes from it on,
#: and those from the other on are too few to learn from.
SPECKS, WINDOW, LARGE = 2, 4, 9
#: A size recurs when it has this share of the specks of the smallest.
RISES = 0.06
#: Specks grow fewer with about this power of their size, and there are none above a radius, mm.
FEWER, NO_SPECK_MM = 4.0, 1.1
#: Where holes of a weave pass too, it has this many times the spots of a smaller size.
CLEAR_RISE = 1.2
#: Spots between beads and the rest, as a share of those at the beads' own answer, at most;
#: with fewer beads than so many on all the lace, less.
#: Of two sizes the smaller may be the gloss of beads, or the larger some other thing.
USUAL_MM = 0.75
SET_APART, NEARLY_APART, HARDLY_APART, CLEARLY_APART, MANY = 0.5, 0.6, 0.75, 0.1, 160
#: Small beads are learned at a finer resolution, px per mm at the most.
FINEST = 6.5
#: Beads found to a sure one, and on a square millimetre; more, and what was learned is the
#: look of thread.
MOST_GROWTH, MOST_PER_MM2 = 20, 0.12
#: Fewest sure spots of one size that make a beaded lace, and fewest for a doubt: where they
#: are unlike the mat, and where they are like it.
FEWEST, FEWEST_DOUBT = 24, (45, 180)
#: Radii that larger beads and sequins are proposed at, mm.
LARGE_MM = (1.25, 2.0)
#: How round a large spot is at least.
ROUND_LARGE = 0.45
#: A large bead is this many times the usual one's size, a sequin this many times.
LARGER, SEQUIN = 1.38, 1.7
DOUBT = "it looks beaded, but the beads could not be told one by one; count them yourself"


@dataclass(frozen=True)
class BeadSearch:
    """What was found: beads in order of u, with their runs, and the doubt to tell."""

    beads: tuple[Bead, ...]
    doubt: str | None


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
    stretch = _stretch(strip, repeat)
    whole = slice(0, strip.alpha.shape[1])
    part = prepare(strip, stretch, grid, grid_step_mm)
    if part is None:
        return none
    share = part.inside.sum() / part.px_per_mm**2 * strip.px_per_mm**2 / strip.extent.sum()
    doubt = None
    for way in (PLAIN, PALE, LIKE_MAT):
        part = replace(part, way=way)
        radius, sure = _recurring(part, max(8.0, 0.8 * share * FEWEST))
        if radius is None:
            continue
        learned = _learned(part, radius, sure, share, repeat)
        if learned is None:
            continue
        size, told, parted = learned
        if sure >= FEWEST_DOUBT[way is LIKE_MAT] * share and parted.depth < HARDLY_APART:
            doubt = DOUBT
        view = part
        if stretch != whole and _apart(parted, share, NEARLY_APART):
            # Only all of the lace has the copies that say what is a bead and what is glare.
            finer = min(max(PX_PER_MM, ENOUGH_PX / size), FINEST)
            for px_per_mm in sorted({finer, PX_PER_MM}, reverse=True):
                wide = prepare(strip, whole, grid, grid_step_mm, px_per_mm)
                look = None if wide is None else learn(replace(wide, way=way), size, FEWEST, repeat)
                if wide is None or look is None:
                    continue
                view = replace(wide, way=way)
                told = find(view, look, repeat)
                parted = valley(told)
                if _apart(parted, 1.0, SET_APART):
                    break
        if stretch != whole and view is part:
            continue
        if _pierced(told, parted):
            # Picots are rings of thread, of the size and the shades of beads, with a hole.
            return none
        if _apart(parted, 1.0, SET_APART):
            if strip.px_per_mm < COUNTED:
                return BeadSearch((), DOUBT)
            return BeadSearch(_beads(view, told, parted, repeat), None)
    return BeadSearch((), doubt)


def _pierced(told: Told, parted: Valley) -> bool:
    """Whether what was learned has a hole, or much of it has."""
    lowest = told.looks.lowest[told.good & (told.answer > parted.answer)]
    return bool(len(lowest) and np.median(lowest) < told.looks.way.lowest)


def _learned(
    part: View, radius: float, sure: int, share: float, repeat: Repeat | None
) -> tuple[float, Told, Valley] | None:
    """The size whose look parts beads best, of beads of a radius and of somewhat larger ones.

    The gloss and the light side of a bead are round too, and smaller than it.
    """
    best = None
    for size in (radius, radius * 1.25 if radius < USUAL_MM else radius / 1.25):
        look = learn(part, size, max(8, round(0.8 * share * FEWEST)), repeat)
        if look is None:
            continue
        told = find(part, look, repeat)
        parted = valley(told)
        surface_mm2 = float(part.inside.sum()) / part.px_per_mm**2
        if parted.beads > min(MOST_GROWTH * sure, MOST_PER_MM2 * surface_mm2):
            continue
        if best is None or _worth(parted) > _worth(best[2]):
            best = size, told, parted
        if parted.depth < CLEARLY_APART:
            break
    return best


def _worth(parted: Valley) -> float:
    return (1 - parted.depth) * float(np.sqrt(parted.beads))


def _beads(view: View, told: Told, parted: Valley, repeat: Repeat | None) -> tuple[Bead, ...]:
    bead = told.good & (told.answer > parted.answer)
    at, radii = _with_large(view, told.spots.where(bead), repeat)
    rows = np.column_stack([view.to_lace(at), 2 * radii])
    rows = rows[np.lexsort(rows.T[1::-1])]
    beads = tuple(Bead(*row) for row in rows.tolist())
    return threaded(beads, repeat)


def _apart(parted: Valley, share: float, deep: float) -> bool:
    """Whether beads on a share of the lace stand apart: some few must do so more than many."""
    return parted.depth < deep * min(1.0, parted.beads / (MANY * share))


def _stretch(strip: Strip, repeat: Repeat | None) -> slice:
    """Columns of a stretch in the middle: a repeat of it at least, or all of the strip."""
    height, width = strip.alpha.shape
    columns = STRETCH_MM2 * strip.px_per_mm**2 / height
    if repeat is not None and repeat.sure >= 0.5:
        columns = max(columns, repeat.length_mm.value * strip.px_per_mm)
    if columns > 0.7 * width:
        return slice(0, width)
    start = round((width - columns) / 2)
    return slice(start, start + round(columns))


def _recurring(view: View, least: float) -> tuple[float | None, int]:
    """The radius that sure spots recur at, mm, and how many are of it; None if there is none."""
    spots = round_spots(view)
    spots = spots.where(spots.round_ > view.way.round_)
    sure = looks(view, spots).sure & ~on_lines(view, spots)
    sizes = np.array(RADII_MM)
    count = np.array([(spots.radius_mm[sure] == size).sum() for size in sizes], np.float64)
    if view.way is LIKE_MAT:
        # Holes of a weave pass as well, fewer with their size: only a rise tells beads.
        soft = np.convolve(np.pad(count, 1), [0.5, 1.0, 0.5], "valid")
        if soft[SPECKS + 2 : SPECKS + 6].max() < CLEAR_RISE * soft[SPECKS]:
            return None, 0
    # Beads of one size are told as a few neighbouring sizes.
    # Specks of a weave and the gloss of beads are round too, ever fewer with their size.
    weighed = count * np.minimum(sizes, NO_SPECK_MM) ** FEWER
    sums = np.convolve(weighed, np.ones(WINDOW), "valid")[SPECKS : LARGE - WINDOW + 1]
    first = SPECKS + int(sums.argmax())
    many = float(count[first : first + WINDOW].sum())
    if many < max(least, RISES * count[0]):
        return None, 0
    soft = np.convolve(np.pad(weighed, 1), [0.5, 1.0, 0.5], "valid")
    k = first + int(soft[first : first + WINDOW].argmax())
    near = slice(max(k - 1, first), min(k + 2, first + WINDOW))
    return float(np.average(sizes[near], weights=count[near])), int(many)


def _with_large(view: View, beads: Spots, repeat: Repeat | None) -> tuple[Floats, Floats]:
    """Tell large beads and sequins; a small one in the middle of a sequin holds it.

    Returns
    -------
    tuple of ndarray
        Centres in pixels of the view, shape (n, 2), and radii in mm.
    """
    main = float(beads.radius_mm[0])
    sizes = tuple(size for size in RADII_MM if size > LARGER * main)
    if not sizes:
        return beads.at, beads.radius_mm
    proposed = round_spots(view, LARGE_MM)
    proposed = proposed.where(proposed.radius_mm > LARGER * main)
    # About each bead a larger ring may run: its own, or that of the sequin it holds.
    around = ring_answers(view, beads.at, sizes)
    k = around.argmax(axis=1)
    about = Spots(beads.at, np.array(sizes)[k], around[np.arange(len(k)), k].astype(np.float64))
    large = Spots(
        np.vstack([proposed.at, about.at]),
        np.concatenate([proposed.radius_mm, about.radius_mm]),
        np.concatenate([proposed.round_, about.round_]),
    )
    large = large.where(large.round_ > ROUND_LARGE)
    large = large.where(looks(view, large).sure & ~on_lines(view, large))
    large = large.where(_copied(large, repeat, view))
    keep = np.ones(len(beads), bool)
    chosen: list[int] = []
    for k in np.argsort(-large.round_):
        radius = float(large.radius_mm[k])
        r_px = radius * view.px_per_mm
        away = np.hypot(*(large.at[chosen] - large.at[k]).T)
        off = np.hypot(*(beads.at - large.at[k]).T)
        inner = off < 0.8 * r_px
        # Some beads of a tight run within a circle make no larger bead.
        most = 1 if radius < SEQUIN * main else 3
        if (away > np.maximum(r_px, 0.8 * large.radius_mm[chosen] * view.px_per_mm)).all() and (
            inner.sum() <= most
        ):
            chosen.append(int(k))
            keep &= ~inner | ((off < 0.35 * r_px) & (radius > SEQUIN * main))
    at = np.vstack([beads.at[keep], large.at[chosen]])
    return at, np.concatenate([beads.radius_mm[keep], large.radius_mm[chosen]])


def _copied(large: Spots, repeat: Repeat | None, view: View) -> Mask:
    """Which spots are again so a repeat away, where that is seen."""
    seen = np.zeros(len(large), bool)
    if repeat is None or repeat.sure < 0.5 or len(large) == 0:
        return ~seen
    from scipy.spatial import cKDTree

    again = seen.copy()
    tree = cKDTree(large.at)
    height, width = view.inside.shape
    for k in (-2, -1, 1, 2):
        moved = large.at + [k * repeat.length_mm.value * view.px_per_mm, 0.0]
        x, y = np.round(moved).astype(int).T
        there = (x >= 0) & (x < width)
        seen |= there & view.inside[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)]
        nearest = tree.query(moved, distance_upper_bound=0.8 * view.px_per_mm)[1]
        radius = np.append(large.radius_mm, np.inf)[nearest]
        again |= there & (np.abs(np.log(radius / large.radius_mm)) < 0.3)
    return again | ~seen
