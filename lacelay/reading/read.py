"""Read a photo: find the scale and the lace, straighten it, and say what it is.

The steps, each in its own module: `scale` (printed grid or what she told), `cloth` (lace
from mat), `strip` (straighten, cut out), `edges`, `repeat`, `ground`, `motifs`, `beads`.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lacelay.errors import PhotoError, ReadingError
from lacelay.model.lace import Lace, LaceEdge, Measured, Repeat, Scale
from lacelay.model.picture import LacePicture
from lacelay.reading.axis import Axis, long_axis
from lacelay.reading.beads import read_beads
from lacelay.reading.cloth import LaceArea
from lacelay.reading.cords import read_cords
from lacelay.reading.edge_profile import Profile
from lacelay.reading.edges import VALLEY_SIGMA_MM, read_edges
from lacelay.reading.ground import read_ground
from lacelay.reading.laces import find_laces
from lacelay.reading.motifs import read_motifs
from lacelay.reading.outline import outline_of
from lacelay.reading.picture import lace_picture
from lacelay.reading.repeat import find_repeat
from lacelay.reading.ring import closed_axis, read_round
from lacelay.reading.scale import Reference, ScaleRequest, find_reference, settle
from lacelay.reading.straighten import Straight, seen_profiles, straighten
from lacelay.reading.strip import local_px_per_mm
from lacelay.reading.symmetry import read_symmetry

Floats = NDArray[np.float64]
Progress = Callable[[str, float], None]

#: Share of the lace seen that must be cut out as one piece.
LEAST_PART = 0.5
#: Valley line to valley line, as a share of the width from tip to tip: no lace has less.
LEAST_WIDE = 0.25
#: Widths no lace has, mm: a sign of a wrong scale.
NARROWEST_LACE_MM, WIDEST_LACE_MM = 4.0, 1600.0


@dataclass(frozen=True, eq=False)
class Reading:
    """A photo, read: the lace record and the lace's own picture."""

    lace: Lace
    picture: LacePicture


def read_lace(
    photo: NDArray[np.uint8],
    *,
    name: str,
    scale: ScaleRequest | None = None,
    piece: int = 1,
    progress: Progress | None = None,
) -> Reading:
    """Read a photo of lace lying flat on a plain or gridded mat.

    Parameters
    ----------
    photo : ndarray of uint8, shape (h, w, 3)
        sRGB, upright.
    name : str
        What the lace is called.
    scale : ScaleRequest, optional
        What she told of the scale; without it a printed grid is looked for.
    piece : int
        Which piece of lace, where several lie in the photo: 1 is the largest, 2 the next.
    progress : callable, optional
        Called with a step in plain words and the share done, 0 to 1.

    Returns
    -------
    Reading
        The lower edge is the one lower in the photo; u runs to the right there. A lace
        standing upright is read from the bottom up, its lower edge being the right one. Of a
        closed lace the lower edge is the outer one, and u runs round counter-clockwise.

    Raises
    ------
    ReadingError
        When no lace can be read in the photo, or there is no such piece.
    ScaleError
        When nothing says how large the photo is.
    PhotoError
        When the array is no photo.
    """
    say = progress or (lambda step, share: None)
    seen = _look(photo, scale or ScaleRequest(), say)
    if not 1 <= piece <= len(seen.areas):
        there = "One piece" if len(seen.areas) == 1 else f"{len(seen.areas)} pieces"
        raise ReadingError(
            f"{there} of lace can be seen in the photo, so there is no number {piece}.",
            "Choose 1 for the largest.",
        )
    reading, _ = _read_piece(seen, piece - 1, name, say)
    say("done", 1.0)
    return reading


def read_laces(
    photo: NDArray[np.uint8],
    *,
    name: str,
    scale: ScaleRequest | None = None,
    progress: Progress | None = None,
) -> tuple[Reading, ...]:
    """Read every piece of lace in a photo, the largest first.

    Parameters
    ----------
    photo, scale, progress
        As in `read_lace`; where her width is all that tells the scale, it is the largest's.
    name : str
        Of the first; the others are called the same with their number.

    Returns
    -------
    tuple of Reading
        One at least. A piece other than the largest that cannot be read is left out, and the
        others say so.

    Raises
    ------
    ReadingError, ScaleError, PhotoError
        As `read_lace` does of the largest.
    """
    say = progress or (lambda step, share: None)
    seen = _look(photo, scale or ScaleRequest(), say)
    first, straight = _read_piece(seen, 0, name, say)
    readings, unread = [first], []
    if seen.by_width is not None:
        seen = replace(seen, settled=straight.reference, by_width=None)
    for k in range(1, len(seen.areas)):
        try:
            readings.append(_read_piece(seen, k, f"{name} {k + 1}", say)[0])
        except ReadingError as problem:
            unread.append(f"Piece {k + 1} of the photo could not be read: {problem}")
    say("done", 1.0)
    if not unread:
        return tuple(readings)
    return tuple(
        replace(each, lace=replace(each.lace, doubts=(*each.lace.doubts, *unread)))
        for each in readings
    )


@dataclass(frozen=True, eq=False)
class _Seen:
    """A photo looked at: what tells its scale, and where pieces of lace lie.

    `found` is the reference before and `settled` after the unit was fixed; `by_width` is her
    width of the lace where that alone told it.
    """

    photo: NDArray[np.uint8]
    found: Reference
    settled: Reference
    areas: tuple[LaceArea, ...]
    axes: dict[int, Axis]
    by_width: float | None

    @property
    def to_mm(self) -> float:
        """Millimetres to one unit of `found`."""
        return float(self.settled.photo_to_mat[0, 0] / self.found.photo_to_mat[0, 0])


def _look(photo: NDArray[np.uint8], request: ScaleRequest, say: Progress) -> _Seen:
    if (
        photo.ndim != 3
        or photo.shape[2] != 3
        or photo.dtype != np.uint8
        or min(photo.shape[:2]) < 64
    ):
        raise PhotoError(
            f"The photo is {photo.shape} of {photo.dtype}, not at least 64 x 64 pixels in colour.",
            "Give a larger colour photo.",
        )
    say("looking for what tells the scale", 0.0)
    found = find_reference(photo, request)
    say("looking for the lace", 0.2)
    areas = find_laces(photo, found)
    axis = find_axis(areas[0], found)
    settled = settle(found, request, axis.width_mm)
    return _Seen(
        photo, found, settled, areas, {0: axis}, request.width_mm if settled.by_width else None
    )


def find_axis(area: LaceArea, reference: Reference) -> Axis:
    """The line a piece is straightened along, in the reference's own unit."""
    return closed_axis(area, reference) or long_axis(area, reference)


def _read_piece(seen: _Seen, number: int, name: str, say: Progress) -> tuple[Reading, Straight]:
    settled, area = seen.settled, seen.areas[number]
    axis = seen.axes.get(number) or find_axis(area, seen.found)
    axis = axis.scaled(seen.to_mm)
    grid_step = seen.to_mm if seen.found.grid is not None else None
    _plausible(axis.width_mm, settled)
    say("straightening the lace", 0.35)
    straight = straighten(seen.photo, settled, area, axis, grid_step, seen.by_width)
    strip, settled = straight.strip, straight.reference
    sigma = settled.relative_sigma
    with ThreadPoolExecutor(1) as aside:
        # What needs only the strip is done beside the rest.
        drawn = aside.submit(lambda: (outline_of(strip), lace_picture(strip)))
        say("reading edges and repeat", 0.6)
        if straight.length_mm is not None:
            edges = read_round(strip, straight.length_mm, sigma, filled=straight.filled)
            lower_profile, upper_profile = edges.lower_profile, edges.upper_profile
            lower, upper = edges.lower, edges.upper
            length = straight.length_mm
        else:
            lower_profile, upper_profile = seen_profiles(strip)
            lower, upper = read_edges(lower_profile, upper_profile, sigma)
            length = float(lower_profile.u_mm[-1] - lower_profile.u_mm[0])
        width = _width(lower, upper, lower_profile, upper_profile, sigma)
        outline, picture = drawn.result()
        # Edges that nearly meet are motifs along a tear, not the edges of a lace.
        torn = not straight.filled and width.value < LEAST_WIDE * axis.width_mm
        if torn or not len(outline):
            raise _pieces()
        if not straight.filled:
            _refuse_pieces(strip.photo_map.lace_to_photo(outline), area)
        pitches = [edge.pitch_mm.value for edge in (lower, upper) if edge.pitch_mm is not None]
        found = find_repeat(strip, max(pitches) if pitches else None, sigma, length)
        lower, upper = _with_repeat(lower, found.repeat), _with_repeat(upper, found.repeat)
        say("finding motifs and beads", 0.75)
        strung = aside.submit(read_beads, strip, found.repeat)
        ground = read_ground(strip, found.apart_mm)
        symmetry = read_symmetry(
            ground, lower_scalloped=lower.scalloped, upper_scalloped=upper.scalloped
        )
        beads = strung.result()
    motifs = read_motifs(ground, beads.beads)
    doubts = _doubts(settled, area, lower, upper, found.doubt, beads.doubt, symmetry.doubt)
    cords = read_cords(ground, motifs.pieces)
    doubts += motifs.doubts + cords.doubts + _about_pieces(seen, number) + _about_ring(straight)
    lace = Lace(
        name=name,
        length_mm=length,
        width_mm=width,
        outline_mm=outline,
        lower=lower,
        upper=upper,
        repeat=found.repeat,
        motifs=motifs.motifs,
        beads=beads.beads,
        shares=ground.shares,
        scale=Scale(
            local_px_per_mm(strip.photo_map, length / 2, float(axis.width_mm) / 2),
            sigma,
            settled.name,
        ),
        photo=strip.photo_map,
        mesh_mm=ground.mesh_mm,
        symmetry=symmetry.group,
        cords_mm=cords.lines_mm,
        doubts=doubts,
        closed=straight.closed,
    )
    return Reading(lace, picture), straight


def _refuse_pieces(outline_px: Floats, area: LaceArea) -> None:
    """Refuse a lace that fell into pieces: what was cut out is a small part of what was seen."""
    x, y = outline_px.T
    cut_out = abs(float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))) / 2
    seen = float(area.extent.sum()) / area.shrink**2
    if cut_out < LEAST_PART * seen:
        raise _pieces()


def _pieces() -> ReadingError:
    return ReadingError(
        "The net between the motifs could hardly be told from the mat, so the lace fell into "
        "pieces.",
        "Photograph it on a mat that differs more from it, in even light.",
    )


def _plausible(width_mm: float, reference: Reference) -> None:
    if not NARROWEST_LACE_MM <= width_mm <= WIDEST_LACE_MM:
        raise ReadingError(
            f"By the {reference.name} the lace would be {width_mm:.0f} mm wide.",
            "Check the scale: give the grid's step, two points or the lace's width.",
        )


def _width(lower: LaceEdge, upper: LaceEdge, low: Profile, high: Profile, sigma: float) -> Measured:
    """Valley line to valley line; on a straight side, from that edge."""
    at: list[float] = []
    # Both valley lines are seen too far out, if at all: their errors add up.
    scatter = 0.2
    for edge, profile in ((lower, low), (upper, high)):
        if edge.scalloped:
            valleys = edge.valleys_mm[:, 1]
            at.append(float(np.median(valleys)))
            spread = float(np.median(np.abs(valleys - at[-1]))) * 1.5
            scatter += float(np.hypot(VALLEY_SIGMA_MM, spread / np.sqrt(len(valleys))))
        else:
            at.append(float(np.median(profile.v_mm)))
    value = at[1] - at[0]
    return Measured(value, float(np.hypot(scatter, sigma * value)))


def _with_repeat(edge: LaceEdge, repeat: Repeat | None) -> LaceEdge:
    if repeat is None or edge.pitch_mm is None:
        return edge
    times = repeat.length_mm.value / edge.pitch_mm.value
    if abs(times - round(times)) > 0.15 or round(times) < 1:
        if repeat.sure < 0.6:
            return edge
        misfit = "its scallops do not go evenly into the repeat of the lace"
        return replace(edge, doubt=f"{edge.doubt}; {misfit}" if edge.doubt else misfit)
    return replace(edge, per_repeat=round(times))


def _doubts(
    reference: Reference,
    area: LaceArea,
    lower: LaceEdge,
    upper: LaceEdge,
    repeat_doubt: str | None,
    bead_doubt: str | None,
    symmetry_doubt: str | None,
) -> tuple[str, ...]:
    doubts = list(reference.doubts)
    if area.off_mat:
        sides = " and ".join(f"the {side}" for side in area.off_mat)
        doubts.append(
            f"The lace lies off the mat at {sides} of the photo: it was read as far as the mat "
            "reaches; lay all of it on the mat to read the rest."
        )
    for edge in (lower, upper):
        if edge.doubt:
            doubts.append(f"The {edge.side} edge: {edge.doubt}.")
    for doubt in (repeat_doubt, bead_doubt, symmetry_doubt):
        if doubt:
            doubts.append(doubt[0].upper() + doubt[1:] + ".")
    return tuple(doubts)


def _about_pieces(seen: _Seen, number: int) -> tuple[str, ...]:
    """How many more pieces there are, where they lie and how to choose."""
    if len(seen.areas) == 1:
        return ()
    others = [
        f"{k + 1} {_place(area, seen.photo)}" for k, area in enumerate(seen.areas) if k != number
    ]
    said = "another piece" if len(others) == 1 else f"{len(others)} more pieces"
    return (
        f"This is piece {number + 1} of the photo, by size; {said} can be seen: number "
        f"{', '.join(others)}. Give a piece's number to read it.",
    )


def _place(area: LaceArea, photo: NDArray[np.uint8]) -> str:
    x, y = area.middle_px
    across, down = x / photo.shape[1], y / photo.shape[0]
    row = "at the top" if down < 0.4 else "at the bottom" if down > 0.6 else "in the middle"
    side = " left" if across < 0.4 else " right" if across > 0.6 else ""
    return f"{row}{side}"


def _about_ring(straight: Straight) -> tuple[str, ...]:
    if not straight.closed:
        return ()
    said: tuple[str, ...] = (
        "The lace is closed in itself: it was read from one valley of its outer edge round to "
        "the same, lengths along that edge; cut it open there to lay it as a strip.",
    )
    if straight.filled:
        said += ("It has lace all over: only a band along its edge was read, not its middle.",)
    return said
