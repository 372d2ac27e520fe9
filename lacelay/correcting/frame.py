"""Carry a lace record into another frame: another scale, another perspective, another start.

Every point goes back into the photo by the old map and out of it by the new one, so what
was seen stays where it was seen.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lacelay.errors import CorrectionError
from lacelay.geometry.photo_map import PhotoMap
from lacelay.model.lace import Lace, LaceEdge, Measured, Motif

Points = NDArray[np.float64]
Move = Callable[[Points], Points]


def photo_of(lace: Lace) -> PhotoMap:
    """The lace's photo map.

    Raises
    ------
    CorrectionError
        When the lace was not read from one photo.
    """
    if lace.photo is None:
        raise CorrectionError(
            f"{lace.name} is not the reading of one photo, so no point of a photo lies in it.",
            "Put the reading of each photo right before they are joined.",
        )
    return lace.photo


def to_lace(lace: Lace, points_px: object) -> Points:
    """Lace points of photo points, shape (n, 2)."""
    return photo_of(lace).photo_to_lace(np.asarray(points_px, dtype=float).reshape(-1, 2))


def scaled(lace: Lace, factor: float, relative_sigma: float, reference: str) -> Lace:
    """Every length multiplied; what the old scale left in doubt gives way to the new doubt."""
    photo = photo_of(lace)
    larger = np.diag([factor, factor, 1.0]) @ photo.photo_to_mat
    moved = replace(photo, photo_to_mat=larger, axis_mat_mm=photo.axis_mat_mm * factor)
    old = lace.scale.relative_sigma

    def measured(value: Measured, _: str) -> Measured:
        return rescaled(value, factor, old, relative_sigma)

    new = _moved(
        lace, lambda points: points * factor, measured, lambda at: np.full(len(at), factor)
    )
    return replace(
        new,
        photo=moved,
        length_mm=lace.length_mm * factor,
        mesh_mm=None if lace.mesh_mm is None else lace.mesh_mm * factor,
        scale=replace(
            lace.scale,
            px_per_mm=lace.scale.px_per_mm / factor,
            relative_sigma=relative_sigma,
            reference=reference,
        ),
    )


def rescaled(value: Measured, factor: float, old: float, new: float) -> Measured:
    """A length in another scale: its own scatter stays, the scale's doubt is exchanged.

    Parameters
    ----------
    value : Measured
    factor : float
    old, new : float
        Relative standard uncertainty of the scale, before and after.

    Examples
    --------
    >>> rescaled(Measured(100.0, 0.5), 2.0, 0.003, 0.0)
    Measured(value=200.0, sigma=0.8)
    """
    own = max(value.sigma**2 - (old * value.value) ** 2, 0.0)
    size = value.value * factor
    return Measured(size, float(np.sqrt(own * factor**2 + (new * size) ** 2)))


def through(lace: Lace, photo: PhotoMap) -> Lace:
    """The same things seen in the photo, in the frame of another map of it."""
    old = photo_of(lace)

    def move(points: Points) -> Points:
        return photo.photo_to_lace(old.lace_to_photo(points))

    ends = np.array([[0.0, 0.5], [1.0, 0.5]]) * [lace.length_mm, lace.width_mm.value]
    middle = ends.mean(axis=0)
    across = float(_growth(move, middle[None])[0, 1])
    along = float(np.hypot(*np.diff(move(ends), axis=0)[0])) / lace.length_mm
    grows = {"along": along, "across": across}

    def measured(value: Measured, way: str) -> Measured:
        return rescaled(value, grows[way], 0.0, 0.0)

    def local(places: Points) -> Points:
        return np.asarray(np.sqrt(_growth(move, places).prod(axis=1)), dtype=np.float64)

    new = _moved(lace, move, measured, local)
    factor = float(np.sqrt(along * across))
    return replace(
        new,
        photo=photo,
        length_mm=lace.length_mm * along,
        mesh_mm=None if lace.mesh_mm is None else lace.mesh_mm * factor,
        scale=replace(lace.scale, px_per_mm=lace.scale.px_per_mm / float(local(middle[None])[0])),
    )


def _growth(move: Move, places: Points) -> Points:
    """Growth along and across at each place, shape (n, 2)."""
    around = np.array([[-2.0, 0], [2.0, 0], [0, -2.0], [0, 2.0]])
    crosses = move((places[:, None] + around).reshape(-1, 2)).reshape(-1, 2, 2, 2)
    arms = crosses[:, :, 1] - crosses[:, :, 0]
    return np.asarray(np.hypot(arms[..., 0], arms[..., 1]) / 4, dtype=np.float64)


def _moved(
    lace: Lace,
    move: Move,
    measured: Callable[[Measured, str], Measured],
    local: Callable[[Points], Points],
) -> Lace:
    """Move all points, beads with their sizes, and the edges' and the lace's measures."""
    places = np.array([(bead.u_mm, bead.v_mm) for bead in lace.beads]).reshape(-1, 2)
    edges = (lace.lower, lace.upper)
    tracks = [
        lace.outline_mm,
        *(track for edge in edges for track in (edge.valleys_mm, edge.tips_mm)),
        *(motif.outline_mm for motif in lace.motifs),
        *lace.cords_mm,
        *lace.flaws_mm,
        places,
    ]
    # All at once: the way through the photo costs as much for one point as for thousands.
    ends = np.cumsum([len(track) for track in tracks])[:-1]
    moved = iter(np.split(move(np.concatenate(tracks)), ends))

    def edge(one: LaceEdge) -> LaceEdge:
        return replace(
            one,
            valleys_mm=next(moved),
            tips_mm=next(moved),
            pitch_mm=None if one.pitch_mm is None else measured(one.pitch_mm, "along"),
            depth_mm=None if one.depth_mm is None else measured(one.depth_mm, "across"),
        )

    outline, lower, upper = next(moved), edge(lace.lower), edge(lace.upper)
    motifs = [Motif(next(moved), motif.kind) for motif in lace.motifs]
    cords = [next(moved) for _ in lace.cords_mm]
    flaws = [next(moved) for _ in lace.flaws_mm]
    beads = [
        replace(bead, u_mm=float(u), v_mm=float(v), diameter_mm=bead.diameter_mm * float(size))
        for bead, (u, v), size in zip(lace.beads, next(moved), local(places), strict=True)
    ]
    repeat = lace.repeat
    if repeat is not None:
        repeat = replace(repeat, length_mm=measured(repeat.length_mm, "along"))
    return replace(
        lace,
        width_mm=measured(lace.width_mm, "across"),
        outline_mm=outline,
        lower=lower,
        upper=upper,
        repeat=repeat,
        motifs=motifs,
        beads=beads,
        cords_mm=cords,
        flaws_mm=flaws,
    )


def set_down(lace: Lace, left_mm: float, lower_mm: float) -> Lace:
    """Put the frame's origin at (left, lower): u = 0 and v = 0 go there."""
    if abs(left_mm) < 1e-9 and abs(lower_mm) < 1e-9:
        return lace
    photo = photo_of(lace)
    steps = np.hypot(*np.diff(photo.axis_mat_mm, axis=0).T)
    knots = np.concatenate([[0.0], np.cumsum(steps)])
    inner = knots[(knots > left_mm + 1.0)]
    u = np.concatenate([[left_mm], inner if len(inner) else [left_mm + max(knots[-1], 1.0)]])
    axis = photo.lace_to_mat(np.column_stack([u, np.full(len(u), lower_mm)]))
    length, width, scale = lace.length_mm, lace.width_mm, lace.scale
    # Only the origin moves: what was measured stays as measured.
    moved = through(lace, replace(photo, axis_mat_mm=axis))

    def edge(now: LaceEdge, was: LaceEdge) -> LaceEdge:
        return replace(now, pitch_mm=was.pitch_mm, depth_mm=was.depth_mm)

    return replace(
        moved,
        length_mm=length,
        width_mm=width,
        scale=scale,
        mesh_mm=lace.mesh_mm,
        repeat=lace.repeat,
        beads=[
            replace(bead, diameter_mm=old.diameter_mm)
            for bead, old in zip(moved.beads, lace.beads, strict=True)
        ],
        lower=edge(moved.lower, lace.lower),
        upper=edge(moved.upper, lace.upper),
    )
