"""Join the readings of overlapping photos of one length of lace into one.

The frame is the first photo's. Each further one is laid on what was joined so far, by what
both show of the lace. The seam runs across the middle of the overlap: what lies left of it is
taken from the left photo, what lies right of it from the right one, and what both show is
matched, so that nothing comes twice and nothing is lost at the seam.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

from lacelay.correcting.edges import measured, recounted, width
from lacelay.correcting.frame import scaled
from lacelay.correcting.motifs import in_order
from lacelay.errors import ReadingError
from lacelay.geometry.photo_map import PhotoMap
from lacelay.model.lace import (
    Bead,
    Lace,
    LaceEdge,
    Measured,
    Motif,
    PhotoPart,
    Repeat,
    Shares,
    Side,
)
from lacelay.model.picture import LacePicture
from lacelay.reading.bead_runs import threaded
from lacelay.reading.overlap import Overlap, View, find_overlap
from lacelay.reading.read import Reading
from lacelay.reading.seam import (
    Half,
    joined_beads,
    joined_lines,
    joined_motifs,
    joined_outline,
    with_joined_edge,
)
from lacelay.units import format_length

Floats = NDArray[np.float64]
Thing = TypeVar("Thing")

SIDES: tuple[Side, Side] = ("lower", "upper")
#: Scales of two photos of one mat that differ by more than this are worth a word.
SCALES_DIFFER = 0.005
#: The pictures pass into each other over this width, mm.
BLEND_MM = 4.0
#: Thread covers a pixel this much, of 255, where its colour is compared; and how far the light
#: of two photos may differ to be evened out.
SOLID, LIGHTS = 180, (0.7, 1.4)
#: Lace that lies otherwise in the two photos by more than this is worth a word, mm.
LIES_OTHERWISE_MM = 1.0
#: Share of what one photo shows in the overlap that the other may miss unsaid.
MISSED_SHARE = 0.3
#: Repeats of two photos are the same within this share.
SAME_REPEAT = 0.03


def join_readings(
    readings: Sequence[Reading],
    *,
    overlaps_mm: Sequence[float | None] | None = None,
    names: Sequence[str] | None = None,
) -> Reading:
    """Join the readings of photos that overlap.

    Parameters
    ----------
    readings : sequence of Reading
        In order from left to right, each with its own corrections laid over it; u runs to
        the right and the same edge lies below in all of them.
    overlaps_mm : sequence of float or None, optional
        For each photo but the first about how much of the one before it shows too, where
        she told it; needed where the pattern repeats within the overlap.
    names : sequence of str, optional
        What the photos are called; photo 1, photo 2 where left out.

    Returns
    -------
    Reading
        Its lace has no `photo` but `parts`, one for each photo, each with a map from that
        photo straight to the joined frame.

    Raises
    ------
    ReadingError
        When two photos do not continue each other, or where they overlap cannot be told.
    """
    names = list(names) if names else [f"photo {k + 1}" for k in range(len(readings))]
    told = list(overlaps_mm) if overlaps_mm is not None else [None] * (len(readings) - 1)
    if not readings:
        raise ReadingError("No photo was given.", "Give at least one.")
    if len(told) != len(readings) - 1 or len(names) != len(readings):
        raise ReadingError(
            f"{len(readings)} photos were given with {len(told)} overlaps between them.",
            "Give one overlap for each photo but the first.",
        )
    if len(readings) == 1:
        return readings[0]
    for reading, name in zip(readings, names, strict=True):
        if reading.lace.photo is None:
            raise ReadingError(f"{name} is no reading of one photo.", "Read the photo anew.")
    joined = _first(readings[0], names[0])
    for reading, name, overlap_mm in zip(readings[1:], names[1:], told, strict=True):
        joined = _with_next(joined, reading, name, overlap_mm)
    return replace(joined, lace=_told_anew(joined))


def _first(reading: Reading, name: str) -> Reading:
    lace = reading.lace
    assert lace.photo is not None
    low, high = _ends(lace)
    return replace(reading, lace=replace(lace, parts=(PhotoPart(name, lace.photo, low, high),)))


def _ends(lace: Lace) -> tuple[float, float]:
    u = lace.outline_mm[:, 0]
    return float(u.min()), float(u.max())


def _with_next(joined: Reading, reading: Reading, name: str, told_mm: float | None) -> Reading:
    """What was joined so far with one photo more at its right."""
    before, after = joined.lace, reading.lace
    views = [
        View(each.picture, *_ends(each.lace), each.lace.width_mm.value)
        for each in (joined, reading)
    ]
    last = before.parts[-1]
    overlap = find_overlap(views[0], views[1], told_mm=told_mm, names=(last.name, name))
    doubts: list[str] = []
    before_sigma, after_sigma = before.scale.relative_sigma, after.scale.relative_sigma
    sigma = float(np.hypot(before_sigma, after_sigma))
    differ = overlap.scale - 1
    if abs(differ) > max(SCALES_DIFFER, 2 * float(np.hypot(sigma, overlap.scale_sigma))):
        doubts.append(
            f"By {name} the lace is {abs(differ):.1%} {'smaller' if differ > 0 else 'larger'} than "
            f"by {last.name}: check the scale of both."
        )
    if overlap.off_mm > LIES_OTHERWISE_MM:
        doubts.append(
            f"Where they overlap the lace lies otherwise in {name} than in {last.name}, by up to "
            f"{2 * overlap.off_mm:.0f} mm."
        )
    if after_sigma < before_sigma and doubts:
        # The photo that knows better sets the scale: what was joined so far follows it.
        joined = _resized(joined, 1 / overlap.scale, after)
        before, last = joined.lace, joined.lace.parts[-1]
        overlap = replace(
            overlap,
            shift_mm=overlap.shift_mm / overlap.scale,
            length_mm=overlap.length_mm / overlap.scale,
            scale=1.0,
        )
        before_sigma = after_sigma
    moved = _moved(after, overlap)
    start, end = _ends(before)[1] - overlap.length_mm, _ends(before)[1]
    seam = (start + end) / 2
    left, right = _half(before), _half(moved)
    assert after.photo is not None
    part = PhotoPart(name, _through(after.photo, overlap, right.to_mm), seam, right.to_mm)
    parts = (*before.parts[:-1], replace(last, to_mm=seam), part)
    motifs, missed = joined_motifs(left, right, start, end, seam)
    beads, beads_missed = joined_beads(left, right, start, end, seam)
    for thing, share in (("motifs", missed), ("beads", beads_missed)):
        if share > MISSED_SHARE:
            doubts.append(
                f"Where {last.name} and {name} overlap, {share:.0%} of the {thing} were read in "
                "one of them only."
            )
    outline = joined_outline(left, right, seam)
    lace = replace(
        before,
        photo=None,
        parts=parts,
        outline_mm=outline,
        length_mm=float(outline[:, 0].max() - min(outline[:, 0].min(), 0.0)),
        motifs=motifs,
        beads=threaded(beads, before.repeat),  # threads go on over the seam
        cords_mm=joined_lines(left, right, seam, before.cords_mm, moved.cords_mm),
        flaws_mm=[*before.flaws_mm, *moved.flaws_mm],
        shares=_shares(before, after),
        mesh_mm=_mean(before.mesh_mm, after.mesh_mm),
        symmetry=before.symmetry if before.symmetry == after.symmetry else None,
        reversible=before.reversible and after.reversible,
        scale=replace(before.scale, relative_sigma=max(before_sigma, after_sigma)),
        doubts=(*before.doubts, *(d for d in after.doubts if d not in before.doubts), *doubts),
    )
    for side in SIDES:
        lace = with_joined_edge(lace, side, moved, (start, end, seam), (last.name, name))
    lace = replace(lace, repeat=_repeat(before, moved, lace.length_mm))
    if before.repeat and moved.repeat and lace.repeat and lace.repeat.sure < 0.6:
        lengths = " and ".join(
            format_length(each.repeat.length_mm.value) for each in (before, moved) if each.repeat
        )
        more = f"By the two photos the repeat is {lengths}: measure it."
        lace = replace(lace, doubts=(*lace.doubts, more))
    picture = _picture(joined.picture, reading.picture, overlap, seam, outline)
    return Reading(lace, picture)


def _half(lace: Lace) -> Half:
    low, high = _ends(lace)
    return Half(lace, low, high, Polygon(lace.outline_mm).buffer(0))


def _resized(joined: Reading, factor: float, like: Lace) -> Reading:
    """What was joined so far, in another photo's scale."""

    def larger(photo: PhotoMap) -> PhotoMap:
        plane = np.diag([factor, factor, 1.0]) @ photo.photo_to_mat
        return replace(photo, photo_to_mat=plane, axis_mat_mm=photo.axis_mat_mm * factor)

    lace, picture = joined.lace, joined.picture
    parts = [
        PhotoPart(each.name, larger(each.photo), each.from_mm * factor, each.to_mm * factor)
        for each in lace.parts
    ]
    # One map stands in for all: only lengths are multiplied.
    sized = scaled(
        replace(lace, photo=lace.parts[0].photo),
        factor,
        like.scale.relative_sigma,
        like.scale.reference,
    )
    return Reading(
        replace(sized, photo=None, parts=parts),
        replace(
            picture,
            px_per_mm=picture.px_per_mm / factor,
            u0_mm=picture.u0_mm * factor,
            v0_mm=picture.v0_mm * factor,
        ),
    )


def _moved(lace: Lace, overlap: Overlap) -> Lace:
    """A reading in the frame of the one before it."""
    lace = scaled(lace, overlap.scale, lace.scale.relative_sigma, lace.scale.reference)
    rigid = replace(overlap, scale=1.0)

    def move(points: Floats) -> Floats:
        return rigid.move(points) if len(points) else points

    def edge(one: LaceEdge) -> LaceEdge:
        return replace(one, valleys_mm=move(one.valleys_mm), tips_mm=move(one.tips_mm))

    places = move(np.array([(b.u_mm, b.v_mm) for b in lace.beads]).reshape(-1, 2))
    return replace(
        lace,
        outline_mm=move(lace.outline_mm),
        lower=edge(lace.lower),
        upper=edge(lace.upper),
        motifs=[Motif(move(each.outline_mm), each.kind) for each in lace.motifs],
        beads=[
            Bead(float(u), float(v), bead.diameter_mm)
            for bead, (u, v) in zip(lace.beads, places, strict=True)
        ],
        cords_mm=[move(each) for each in lace.cords_mm],
        flaws_mm=[move(each) for each in lace.flaws_mm],
    )


def _through(photo: PhotoMap, overlap: Overlap, to_mm: float) -> PhotoMap:
    """The photo's map straight to the joined frame: its axis is the joined line v = 0."""
    u = np.array([0.0, to_mm])
    if len(photo.axis_mat_mm) > 2:  # it bows: follow it closely
        u = np.linspace(0.0, to_mm, max(3, int(to_mm / 10)))
    axis = photo.lace_to_mat(overlap.back(np.column_stack([u, np.zeros_like(u)])))
    larger = np.diag([overlap.scale, overlap.scale, 1.0]) @ photo.photo_to_mat
    return replace(photo, photo_to_mat=larger, axis_mat_mm=axis * overlap.scale)


def _shares(first: Lace, second: Lace) -> Shares:
    areas = np.array([abs(Polygon(lace.outline_mm).buffer(0).area) for lace in (first, second)])
    own = np.array([[s.motif, s.ground, s.open] for s in (first.shares, second.shares)])
    motif, ground, opened = (float(v) for v in areas @ own / areas.sum())
    return Shares(motif, ground, opened)


def _mean(first: float | None, second: float | None) -> float | None:
    known = [each for each in (first, second) if each is not None]
    return float(np.mean(known)) if known else None


def _repeat(first: Lace, second: Lace, length_mm: float) -> Repeat | None:
    """The repeat by both photos; the surer one, and unsure, where they disagree."""
    known = [each.repeat for each in (first, second) if each.repeat is not None]
    if not known:
        return None
    if (
        len(known) == 1
        or abs(known[0].length_mm.value / known[1].length_mm.value - 1) > SAME_REPEAT
    ):
        surest = max(known, key=lambda each: each.sure)
        sure = surest.sure if len(known) == 1 else min(surest.sure, 0.5)
        return replace(surest, copies=length_mm / surest.length_mm.value, sure=sure)
    sigmas = np.array([max(each.length_mm.sigma, 1e-6) for each in known])
    values = np.array([each.length_mm.value for each in known])
    weights = sigmas**-2 / (sigmas**-2).sum()
    value = float(weights @ values)
    # The scale they share does not grow surer by a second photo of the same mat.
    sigma = float(max(sigmas.min() / np.sqrt(2), first.scale.relative_sigma * value))
    return Repeat(
        Measured(value, sigma), length_mm / value, max(each.sure for each in known), "in two photos"
    )


def _told_anew(joined: Reading) -> Lace:
    """Measures of the whole: pitch, depth, width, the repeat where no single photo holds it."""
    lace = joined.lace
    if lace.repeat is None or lace.repeat.sure < 0.6:
        lace = _repeat_of_the_whole(joined)
    for side in SIDES:
        if lace.edge(side).scalloped:
            lace = measured(lace, side)
        lace = recounted(lace, side)
    return in_order(replace(lace, width_mm=width(lace)), all_kinds=True)


def _repeat_of_the_whole(joined: Reading) -> Lace:
    from lacelay.correcting.doubts import without
    from lacelay.reading.repeat import find_repeat
    from lacelay.reading.strip import Strip

    lace, picture = joined.lace, joined.picture
    alpha = np.asarray(picture.rgba[..., 3] / np.float32(255), dtype=np.float32)
    rgb = np.ascontiguousarray(picture.rgba[..., :3])
    none = np.zeros((1, 1, 3), np.float32)  # no mat is left in the picture
    ring = np.round(picture.lace_to_picture(lace.outline_mm)).astype(np.int32)
    extent = np.zeros(alpha.shape, np.uint8)
    cv2.fillPoly(extent, [ring], 1)
    strip = Strip(
        lace.parts[0].photo, rgb, alpha, none, extent > 0, picture.px_per_mm, picture.u0_mm,
        picture.v0_mm,
    )  # fmt: skip
    pitches = [e.pitch_mm.value for e in (lace.lower, lace.upper) if e.pitch_mm is not None]
    found = find_repeat(
        strip, max(pitches) if pitches else None, lace.scale.relative_sigma, lace.length_mm
    )
    if found.repeat is None or (lace.repeat and lace.repeat.sure >= found.repeat.sure):
        return lace
    told = replace(without(lace, "repeat"), repeat=found.repeat)
    if found.doubt:
        told = replace(told, doubts=(*told.doubts, found.doubt[0].upper() + found.doubt[1:] + "."))
    return told


def _picture(
    first: LacePicture, second: LacePicture, overlap: Overlap, seam: float, outline: Floats
) -> LacePicture:
    """Both pictures in one, passing into each other at the seam."""
    per_mm = first.px_per_mm
    margin = 3.0
    left, right = first.u0_mm, float(outline[:, 0].max()) + margin
    high = max(first.v0_mm, float(outline[:, 1].max()) + margin)
    low = min(first.v0_mm - first.rgba.shape[0] / per_mm, float(outline[:, 1].min()) - margin)
    columns, rows = int((right - left) * per_mm) + 1, int((high - low) * per_mm) + 1
    whole = np.zeros((rows, columns, 4), np.uint8)
    top = round((high - first.v0_mm) * per_mm)
    high = first.v0_mm + top / per_mm  # whole pixels: the first picture is not drawn anew
    own = first.rgba[: rows - top, :columns]
    whole[top : top + own.shape[0], : own.shape[1]] = own
    from_px = max(0, int((seam - BLEND_MM - left) * per_mm))
    origin = np.array([[left + from_px / per_mm, high]])
    at = second.lace_to_picture(
        overlap.back(np.vstack([origin, origin + [[1.0, 0]], origin + [[0, -1.0]]]))
    )
    along, down = (at[1] - at[0]) / per_mm, (at[2] - at[0]) / per_mm
    matrix = np.array([[along[0], down[0], at[0, 0]], [along[1], down[1], at[0, 1]]])
    new = cv2.warpAffine(
        second.rgba,
        matrix,
        (columns - from_px, rows),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
    ).astype(np.float32)
    u = left + (from_px + np.arange(columns - from_px)) / per_mm
    share = np.clip((u - seam) / BLEND_MM + 0.5, 0, 1)[None, :, None].astype(np.float32)
    old = whole[:, from_px:].astype(np.float32)
    new[..., :3] *= _light(old, new)
    whole[:, from_px:] = np.clip(old + share * (new - old) + 0.5, 0, 255).astype(np.uint8)
    return LacePicture(whole, per_mm, left, high)


def _light(old: NDArray[np.float32], new: NDArray[np.float32]) -> NDArray[np.float32]:
    """By how much the first photo is lighter than the second, each colour, where both show lace."""
    both = (old[..., 3] > SOLID) & (new[..., 3] > SOLID)
    if both.sum() < 200:
        return np.ones(3, np.float32)
    ratio = np.median(old[both][:, :3], axis=0) / np.maximum(np.median(new[both][:, :3], axis=0), 1)
    return np.asarray(np.clip(ratio, *LIGHTS), dtype=np.float32)
