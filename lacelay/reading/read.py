"""Read a photo: find the scale and the lace, straighten it, and say what it is.

The steps, each in its own module: `scale` (printed grid or what she told), `cloth` (lace
from mat), `strip` (straighten, cut out), `edges`, `repeat`, `ground`, `motifs`, `beads`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.errors import PhotoError, ReadingError
from lacelay.model.lace import Lace, LaceEdge, Measured, Repeat, Scale
from lacelay.model.picture import LacePicture
from lacelay.reading.base_line import base_line
from lacelay.reading.beads import read_beads
from lacelay.reading.cloth import LaceArea, find_lace
from lacelay.reading.cords import read_cords
from lacelay.reading.edges import VALLEY_SIGMA_MM, Profile, profiles, read_edge
from lacelay.reading.ground import read_ground
from lacelay.reading.motifs import read_motifs
from lacelay.reading.repeat import find_repeat
from lacelay.reading.scale import Reference, ScaleRequest, find_reference, settle
from lacelay.reading.strip import Axis, Strip, cut_out, find_axis, local_px_per_mm
from lacelay.reading.symmetry import read_symmetry

Floats = NDArray[np.float64]
Progress = Callable[[str, float], None]

#: Share of the lace seen that must be cut out as one piece.
LEAST_PART = 0.5
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
    progress : callable, optional
        Called with a step in plain words and the share done, 0 to 1.

    Returns
    -------
    Reading
        The lower edge is the one lower in the photo; u runs to the right there. A lace
        standing upright is read from the bottom up, its lower edge being the right one.

    Raises
    ------
    ReadingError
        When no lace can be read in the photo.
    ScaleError
        When nothing says how large the photo is.
    PhotoError
        When the array is no photo.
    """
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
    say = progress or (lambda step, share: None)
    say("looking for what tells the scale", 0.0)
    request = scale or ScaleRequest()
    reference = find_reference(photo, request)
    say("looking for the lace", 0.2)
    area = find_lace(photo, reference)
    axis = find_axis(area, reference)
    unit_step = reference.grid is not None
    settled = settle(reference, request, axis.width_mm)
    factor = settled.photo_to_mat[0, 0] / reference.photo_to_mat[0, 0]
    axis = axis.scaled(float(factor))
    grid_step = float(factor) if unit_step else None
    _plausible(axis.width_mm, settled)
    say("straightening the lace", 0.35)
    by_width = request.width_mm if settled.by_width else None
    strip = _straighten(photo, settled, area, axis, grid_step, by_width)
    outline = _outline(strip)
    _refuse_pieces(strip.photo_map.lace_to_photo(outline), area)
    say("reading edges and repeat", 0.6)
    sigma = settled.relative_sigma
    lower_profile, upper_profile = profiles(strip)
    lower, upper = read_edge(lower_profile, sigma), read_edge(upper_profile, sigma)
    length = float(lower_profile.u_mm[-1] - lower_profile.u_mm[0])
    pitches = [edge.pitch_mm.value for edge in (lower, upper) if edge.pitch_mm is not None]
    found = find_repeat(strip, max(pitches) if pitches else None, sigma, length)
    lower, upper = _with_repeat(lower, found.repeat), _with_repeat(upper, found.repeat)
    say("finding motifs", 0.75)
    ground = read_ground(strip, found.repeat.length_mm.value if found.repeat else None)
    say("looking for beads", 0.9)
    beads = read_beads(strip, found.repeat, reference.grid, grid_step)
    motifs = read_motifs(ground, beads.beads)
    symmetry = read_symmetry(
        ground, lower_scalloped=lower.scalloped, upper_scalloped=upper.scalloped
    )
    doubts = _doubts(settled, area, lower, upper, found.doubt, beads.doubt, symmetry.doubt)
    cords = read_cords(ground, motifs.pieces)
    doubts += motifs.doubts + cords.doubts
    lace = Lace(
        name=name,
        length_mm=length,
        width_mm=_width(lower, upper, lower_profile, upper_profile, sigma),
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
    )
    say("done", 1.0)
    return Reading(lace, _picture(strip))


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


def _straighten(
    photo: NDArray[np.uint8],
    reference: Reference,
    area: LaceArea,
    axis: Axis,
    grid_step: float | None,
    tip_to_tip_mm: float | None,
) -> Strip:
    """Cut the lace out twice: small, to find its valley line, then along that line.

    Where only the lace's width is known, its edges in the small picture fix the scale.
    """
    margin = max(3.0, 0.04 * axis.width_mm)
    photo_map = reference.map_along(axis.points_mm)
    u_range = (-margin, axis.length_mm + margin)
    v_range = (axis.low_mm - margin, axis.high_mm + margin)
    native = local_px_per_mm(photo_map, axis.length_mm / 2, 0.0)
    rough = cut_out(
        photo, reference, photo_map, area, u_range, v_range, min(native, 3.0), grid_step
    )
    lower, upper = profiles(rough)
    edge, other = read_edge(lower, 0.0), read_edge(upper, 0.0)
    line = base_line(lower, edge, upper, other)
    start, stop = float(lower.u_mm[0]), float(lower.u_mm[-1])
    knots = np.array([start, stop])
    if len(axis.points_mm) > 2 or len(line) > 2:
        knots = np.linspace(start, stop, 48)
    moved = photo_map.lace_to_mat(np.column_stack([knots, np.polyval(line, knots)]))
    if tip_to_tip_mm is not None:
        over_all = _reach(upper, other) + _reach(lower, edge)
        factor = tip_to_tip_mm / over_all
        reference, moved, line = reference.scaled(factor), moved * factor, line * factor
        start, stop, native = start * factor, stop * factor, native / factor
        v_range = (v_range[0] * factor, v_range[1] * factor)
    photo_map = reference.map_along(moved)
    length = float(np.hypot(*np.diff(moved, axis=0).T).sum())
    base = float(np.polyval(line, (start + stop) / 2))
    u_range = (-margin, length + margin)
    v_range = (v_range[0] - base, v_range[1] - base)
    return cut_out(photo, reference, photo_map, area, u_range, v_range, native, grid_step)


def _reach(profile: Profile, edge: LaceEdge) -> float:
    """How far out one edge reaches: the middle one of its tips, picots and all."""
    out = profile.outward_mm
    if not edge.scalloped or edge.pitch_mm is None or len(edge.tips_mm) == 0:
        inner = slice(len(out) // 40, len(out) - len(out) // 40)
        return float(np.median(out[inner]))
    near = max(0.08 * edge.pitch_mm.value, 0.6)
    tips = [out[np.abs(profile.u_mm - u) <= near] for u in edge.tips_mm[:, 0]]
    return float(np.median([tip.max() for tip in tips if len(tip)]))


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
    if area.others:
        more = "one more piece" if area.others == 1 else f"{area.others} more pieces"
        doubts.append(f"Only the largest piece of lace was read; {more} can be seen.")
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


def _outline(strip: Strip) -> Floats:
    contours, _ = cv2.findContours(
        strip.extent.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    if not contours:
        raise _pieces()
    largest = max(contours, key=cv2.contourArea)
    simple = (
        cv2.approxPolyDP(largest, 0.12 * strip.px_per_mm, True).reshape(-1, 2).astype(np.float64)
    )
    return np.stack([strip.u_of(simple[:, 0]), strip.v_of(simple[:, 1])], -1)


def _picture(strip: Strip) -> LacePicture:
    """The lace's own colour: the mat's share taken out of each pixel."""
    solid = strip.alpha[::3, ::3] > 0.8
    typical = np.full(3, 128.0)
    if solid.sum() > 7:
        typical = np.median(strip.rgb[::3, ::3][solid][::2], axis=0)
    seen = strip.rgb.astype(np.float32)
    away = cv2.subtract(seen, strip.mat_rgb)
    # Where lace covers little, noise would be blown up: lean on the lace's typical colour.
    trust = np.clip((strip.alpha - 0.15) / 0.35, 0, 1)
    share = 1 / np.maximum(strip.alpha, 0.3)
    own = cv2.add(strip.mat_rgb, cv2.multiply(away, cv2.merge([share, share, share])))
    channels = [
        trust * channel + (1 - trust) * np.float32(level)
        for channel, level in zip(cv2.split(own), typical, strict=True)
    ]
    # Rounded, and held within 0 and 255, by OpenCV.
    rgba = cv2.convertScaleAbs(np.maximum(cv2.merge([*channels, strip.alpha * 255]), 0))
    return LacePicture(np.asarray(rgba, np.uint8), strip.px_per_mm, strip.u0_mm, strip.v0_mm)
