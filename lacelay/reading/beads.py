"""Find beads and sequins: spots of one look, round, glossy, and again in every repeat.

Round spots are proposed on a stretch of the lace and sorted into kinds; those kinds that are
surely beads (`bead_seeds`) say what the beads of this lace look like. That look is learned
(`bead_look`) and searched for everywhere; copies one repeat away support each other. What
was found must stand apart from all else, and be there again a repeat away; where it does
not, no beads are told, and it is said.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lacelay.model.lace import Bead, Repeat
from lacelay.reading.bead_large import EDGE_PX, with_large
from lacelay.reading.bead_look import (
    MOST_BEADS,
    MOST_REST,
    Look,
    Told,
    answers,
    copies,
    cut,
    find,
    heard,
    learn,
    learn_again,
    near,
    pictures_of,
    valley,
)
from lacelay.reading.bead_look import NEITHER_MM as AROUND_MM
from lacelay.reading.bead_runs import threaded
from lacelay.reading.bead_seeds import (
    CORE_MM,
    like,
    may_be_beads,
    sure_beads,
    surely_beads,
    usual_strange,
)
from lacelay.reading.bead_spots import (
    Cores,
    Floats,
    Image,
    View,
    alone,
    anywhere,
    centred,
    cores,
    prepare,
    ring_radius_mm,
    round_spots,
)
from lacelay.reading.strip import Strip

#: Below this the photo shows no beads, px per mm.
LEAST = 3.0
#: Below this they may be seen, but not one by one, px per mm.
COUNTED = 4.0
#: Lace looked at to see whether it is beaded at all, mm2; and repeats of it.
STRETCH_MM2, STRETCH_REPEATS = 18_000.0, 1.3
#: Radii that spots are proposed at, mm: each answers for its neighbours.
PROPOSED_MM = (0.62, 0.92)
#: Proposed spots are no nearer than this, mm, and no more than so many.
PROPOSED_APART_MM, MOST_SPOTS = 0.7, 2000
#: Places scattered over the lace that are learned from as well.
SCATTERED = 600
#: Fewest sure spots on all the lace.
FEWEST = 24
#: Beads on a square millimetre, at most; more, and what was learned is the look of thread.
MOST_PER_MM2 = 0.07
#: Spots between beads and the rest, as a share of those at the beads' own answer, at most:
#: where they look like beads for sure, where they may be some, and where it is said at least.
SET_APART, FAR_APART, HARDLY_APART = 0.65, 0.25, 0.82
#: A stretch with more than this, learned again once and twice, is not looked beyond.
FIRST_APART, STRETCH_APART = 0.85, 0.75
#: Answer from which a spot is learned from, and how often that is done on all of the lace.
SURE, RELEARNED = 0.5, 2
#: Share of the beads' copies that are beads at least, and where that must tell them; it is
#: told by so many copies.
LEAST_AGAIN, AGAIN, ASKED = 0.4, 0.6, 30
#: The surest ones, of which many are not known yet, are there again by this share at least.
FIRST_AGAIN = 0.22
#: Radii that the size of beads is read from, mm.
SIZES_MM = tuple(0.4 + 0.1 * k for k in range(15))
#: and places they are read from.
MOST_MEASURED = 80
#: A sure spot lies no further from the middle of its bead than this, mm.
ASIDE_MM = 0.6
#: Middles are no nearer than this many radii; how round a bead is there at least.
APART, LEAST_ROUND = 1.3, 0.4
DOUBT = "it looks beaded, but the beads could not be told one by one; count them yourself"


@dataclass(frozen=True)
class BeadSearch:
    """What was found: beads in order of u, with their runs, and the doubt to tell."""

    beads: tuple[Bead, ...]
    doubt: str | None


def read_beads(strip: Strip, repeat: Repeat | None = None) -> BeadSearch:
    """Find the beads of a straightened lace.

    Parameters
    ----------
    strip : Strip
    repeat : Repeat or None
        Of the lace; where known, copies of a bead support each other.

    Returns
    -------
    BeadSearch
        No beads where none are sure as a population.
    """
    none = BeadSearch((), None)
    if strip.px_per_mm < LEAST:
        return none
    stretch = _stretch(strip, repeat)
    part = prepare(strip, stretch)
    if part is None:
        return none
    share = float(part.inside.sum() / part.px_per_mm**2 * strip.px_per_mm**2 / strip.extent.sum())
    found = _look(part, max(8.0, FEWEST * share), repeat)
    if found is None:
        return none
    first = _told(part, found, repeat)
    if first is None or not _goes_on(part, first[0], repeat):
        return none
    told, look = first
    view = part
    whole = slice(0, strip.alpha.shape[1])
    if stretch != whole:
        wide = prepare(strip, whole)
        if wide is None:
            return none
        view = wide
        told = find(view, pictures_of(view), look, APART * found.radius_mm, repeat)
    parted = valley(told.answer)
    at = told.at[told.answer > parted.answer]
    surface_mm2 = float(view.inside.sum()) / view.px_per_mm**2
    if not FEWEST <= parted.beads <= MOST_PER_MM2 * surface_mm2:
        return none
    again = _again(view, at, repeat)
    if again < LEAST_AGAIN or not may_be_beads(view, at):
        return none
    sure = surely_beads(view, at)
    if view.dark and not sure:
        return none
    set_apart = parted.depth <= FAR_APART and again >= AGAIN
    set_apart |= sure and parted.depth <= SET_APART
    if not set_apart or strip.px_per_mm < COUNTED:
        said = again >= AGAIN and parted.depth < HARDLY_APART
        return BeadSearch((), DOUBT if said else None)
    radius = found.radius_mm - EDGE_PX / view.px_per_mm
    places, radii = with_large(view, at, radius, repeat)
    rows = np.column_stack([view.to_lace(places), 2 * radii])
    rows = rows[np.lexsort(rows.T[1::-1])]
    return BeadSearch(threaded([Bead(*row) for row in rows.tolist()], repeat), None)


@dataclass(frozen=True, eq=False)
class _Found:
    """The look of the beads of a stretch, the radius of their rings, and their cores.

    With them the pictures of the stretch.
    """

    look: Look
    radius_mm: float
    sure: Cores
    pictures: tuple[Image, ...]


def _stretch(strip: Strip, repeat: Repeat | None) -> slice:
    """Columns of a stretch in the middle: somewhat more than a repeat, or all of the strip."""
    height, width = strip.alpha.shape
    columns = STRETCH_MM2 * strip.px_per_mm**2 / height
    if repeat is not None and repeat.sure >= 0.5:
        columns = max(columns, STRETCH_REPEATS * repeat.length_mm.value * strip.px_per_mm)
    if columns > 0.7 * width:
        return slice(0, width)
    start = round((width - columns) / 2)
    return slice(start, start + round(columns))


def _look(view: View, least: float, repeat: Repeat | None) -> _Found | None:
    """What the beads of a stretch look like, learned from the surest.

    None where there are none.
    """
    spots = round_spots(view, PROPOSED_MM, PROPOSED_APART_MM, MOST_SPOTS)
    random = np.random.default_rng(1)
    scattered = anywhere(view, SCATTERED, random)
    pictures = pictures_of(view)
    discs = cut(pictures, spots.at)
    bead = sure_beads(view, spots, discs, usual_strange(view, scattered), repeat)
    if bead.sum() < least:
        return None
    # Sure spots may lie on the gloss or on the shade of their beads: find the middles.
    some = random.permutation(spots.at[bead])
    radius = ring_radius_mm(view, some[:MOST_MEASURED], SIZES_MM, ASIDE_MM)
    middles = _middles(view, some, radius)
    if len(middles) < least or not _may_go_on(view, middles, repeat, FIRST_AGAIN):
        return None
    at = np.vstack([spots.at, scattered])
    rest = random.permutation(np.flatnonzero(~near(view, at, middles, AROUND_MM)))[:MOST_REST]
    known, new = rest[rest < len(spots)], rest[rest >= len(spots)]
    others = np.concatenate([discs[known], cut(pictures, at[new])])
    look = learn(cut(pictures, middles[:MOST_BEADS]), others)
    return _Found(look, radius, cores(view, middles, CORE_MM), pictures)


def _middles(view: View, at: Floats, radius_mm: float) -> Floats:
    """Middles of the beads that places lie on, each once."""
    spots = centred(view, at, radius_mm, ASIDE_MM)
    spots = spots.where(spots.round_ > LEAST_ROUND)
    spots = spots.where(np.argsort(-spots.round_, kind="stable"))
    return spots.at[alone(spots.at, APART * radius_mm * view.px_per_mm)]


def _told(view: View, found: _Found, repeat: Repeat | None) -> tuple[Told, Look] | None:
    """What answers the look, once more learned from all of that; None where nothing stands out."""
    look = found.look
    told = find(view, found.pictures, look, APART * found.radius_mm, repeat)
    discs = cut(found.pictures, told.at)
    alike = like(view, told.at, found.sure)
    for turn in range(RELEARNED):
        parted = valley(told.answer[alike])
        if turn and parted.depth > FIRST_APART:
            return None
        bead = alike & (told.answer > max(parted.answer, SURE))
        rest = ~near(view, told.at, told.at[bead], AROUND_MM)
        if min(bead.sum(), rest.sum()) < FEWEST:
            break
        look = learn_again(discs, told.answer, bead, rest, turn)
        told = heard(view, told.at, answers(look, discs), repeat)
    return told, look


def _goes_on(view: View, told: Told, repeat: Repeat | None) -> bool:
    """Whether what was told on a stretch is worth a look at all of the lace."""
    parted = valley(told.answer)
    at = told.at[told.answer > parted.answer]
    if not len(at) or parted.depth > STRETCH_APART:
        return False
    return _may_go_on(view, at, repeat, LEAST_AGAIN)


def _may_go_on(view: View, at: Floats, repeat: Repeat | None, least: float) -> bool:
    """Whether places may be beads, so large a share of which is there again."""
    # The mat in the loops of a dark lace shines as gloss does.
    if view.dark and not surely_beads(view, at):
        return False
    return may_be_beads(view, at) and _again(view, at, repeat) >= least


def _again(view: View, at: Floats, repeat: Repeat | None) -> float:
    """Share of the beads' copies that are beads too; 1 where no copies are seen."""
    if repeat is None or repeat.sure < 0.5:
        return 1.0
    found, asked = copies(view, at, np.ones(len(at)), repeat)
    return float(found.sum() / asked.sum()) if asked.sum() >= ASKED else 1.0
