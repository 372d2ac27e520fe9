"""Lay her corrections over a reading.

They are taken in stages (scale, outline, edges, repeat, motifs, beads and the rest), and
within a stage in the order in which they were made; so corrections of different things give
the same record in any order. One that finds no more what it is about is told, and stays.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from shapely import Polygon

from lacelay.correcting import edges, marks, motifs, repeat, scale
from lacelay.correcting.doubts import without
from lacelay.correcting.frame import photo_of, set_down, to_lace
from lacelay.correcting.outline import valley_level_mm
from lacelay.errors import CorrectionError
from lacelay.model import corrections as told
from lacelay.model.corrections import Correction, Corrections
from lacelay.model.lace import Lace, LaceEdge, Shares, Side

SIDES: tuple[Side, Side] = ("lower", "upper")
#: What lies this far outside a redrawn outline is no more of the lace, mm.
OUTSIDE_MM = 3.0
#: A redrawn outline must keep this share of the lace's area as it was read, or be it.
LEAST_COMMON = 0.05


@dataclass(frozen=True)
class Note:
    """What is to be said of one correction.

    Parameters
    ----------
    correction_id : str
    text : str
        One sentence.
    remedy : str
        What to do about it, or nothing.
    placed : bool
        False where it found no more what it puts right: it is kept, and does nothing.
    """

    correction_id: str
    text: str
    remedy: str = ""
    placed: bool = True


_Step = Callable[[Lace, Any], tuple[Lace, str | None]]


def _outline(lace: Lace, said: told.OutlineRedrawn) -> tuple[Lace, str | None]:
    ring = to_lace(lace, said.outline_px)
    area = Polygon(ring).buffer(0)
    common = area.intersection(Polygon(lace.outline_mm).buffer(0)).area
    if area.geom_type != "Polygon" or common < LEAST_COMMON * area.area:
        raise CorrectionError(
            "The outline redrawn lies beside the lace that was read.",
            "Draw it round the lace that was read, or read the photo anew.",
        )
    near = area.buffer(OUTSIDE_MM)
    lace = replace(
        lace,
        outline_mm=ring,
        length_mm=float(np.ptp(ring[:, 0])),
        cords_mm=[cord for cord in lace.cords_mm if len(cord) and near.intersects(_line(cord))],
    )
    lace = marks.kept_within(motifs.kept_within(lace, area), near)
    for side in SIDES:
        lace = _edge_within(lace, side, near)
    if lace.repeat is not None:
        copies = lace.length_mm / lace.repeat.length_mm.value
        lace = replace(lace, repeat=replace(lace.repeat, copies=copies))
    return lace, None


def _line(points: Any) -> Any:
    return shapely.LineString(points) if len(points) > 1 else shapely.Point(points[0])


def _edge_within(lace: Lace, side: Side, near: Polygon) -> Lace:
    edge = lace.edge(side)
    valleys = [v for v in edge.valleys_mm if near.covers(shapely.Point(v))]
    if len(valleys) == len(edge.valleys_mm):
        return lace
    if len(valleys) < 2:
        none = np.zeros((0, 2))
        doubt = "its scallops lie outside the outline drawn; mark its valleys"
        changed = LaceEdge(side, False, none, none, doubt=doubt)
        return edges.with_edge(lace, changed)
    left, right = valleys[0][0], valleys[-1][0]
    tips = [t for t in edge.tips_mm if left < t[0] < right]
    return edges.with_edge(lace, replace(edge, valleys_mm=_rows(valleys), tips_mm=_rows(tips)))


def _rows(points: Sequence[Any]) -> Any:
    return np.array(points, dtype=float).reshape(-1, 2)


def _symmetry(lace: Lace, said: told.SymmetrySet) -> tuple[Lace, str | None]:
    return replace(without(lace, "symmetry"), symmetry=said.group), None


def _reversible(lace: Lace, said: told.ReversibleSaid) -> tuple[Lace, str | None]:
    return replace(lace, reversible=said.reversible), None


#: The stages in order: what kind of correction is laid over a reading by what.
STAGES: tuple[tuple[str, dict[type[Correction], _Step]], ...] = (
    (
        "scale",
        {
            told.ScaleByLine: scale.by_line,
            told.ScaleByRectangle: scale.by_rectangle,
            told.ScaleByWidth: scale.by_width,
        },
    ),
    ("outline", {told.OutlineRedrawn: _outline}),
    (
        "edges",
        {
            told.EdgeStraight: edges.straight,
            told.EdgeScalloped: edges.scalloped,
            told.ValleyAdded: edges.added,
            told.ValleyRemoved: edges.removed,
            told.ValleyMoved: edges.moved,
            told.TipMoved: edges.tip_moved,
        },
    ),
    (
        "repeat",
        {
            told.RepeatTold: repeat.told,
            told.RepeatMarked: repeat.marked,
            told.RepeatNone: lambda lace, _: repeat.none(lace),
            told.SymmetrySet: _symmetry,
            told.ReversibleSaid: _reversible,
        },
    ),
    ("count", {told.CountConfirmed: edges.counted}),
    (
        "motifs",
        {
            told.MotifsMerged: motifs.merged,
            told.MotifSplit: motifs.split,
            told.MotifRedrawn: motifs.redrawn,
            told.MotifStruck: motifs.struck,
            told.MotifDrawn: motifs.drawn_new,
        },
    ),
    (
        "beads",
        {
            told.BeadAdded: marks.bead_added,
            told.BeadRemoved: marks.bead_removed,
            told.BeadsCleared: marks.beads_cleared,
        },
    ),
    (
        "lines",
        {
            told.CordAdded: marks.cord_added,
            told.CordRemoved: marks.cord_removed,
            told.FlawMarked: marks.flaw_marked,
        },
    ),
)


def corrected(lace: Lace, corrections: Corrections) -> tuple[Lace, tuple[Note, ...]]:
    """Lay corrections over a reading.

    Parameters
    ----------
    lace : Lace
        As read.
    corrections : Corrections
        Of the same photo.

    Returns
    -------
    lace : Lace
        The reading itself where nothing is active.
    notes : tuple of Note
        In the order of the corrections; among them each that could not be placed.

    Raises
    ------
    CorrectionError
        When the corrections belong to a photo of another size, or the lace to none.
    """
    found, notes = _laid_over(lace, corrections)
    by_id = {note.correction_id: note for note in notes}
    return found, tuple(by_id[each.id] for each in corrections.active if each.id in by_id)


def with_correction(lace: Lace, corrections: Corrections, new: Correction) -> Corrections:
    """Add a correction to those of a photo, if it can be.

    Raises
    ------
    CorrectionError
        When it finds nothing to put right in this reading, or what it says cannot be.
    """
    more = corrections.with_one(new)
    for note in corrected(lace, more)[1]:
        if note.correction_id == new.id and not note.placed:
            raise CorrectionError(note.text, note.remedy)
    return more


def _laid_over(lace: Lace, corrections: Corrections) -> tuple[Lace, list[Note]]:
    if not corrections.active:
        return lace, []
    size = tuple(photo_of(lace).size_px)
    if size != corrections.photo.size_px:
        wide, high = corrections.photo.size_px
        raise CorrectionError(
            f"The corrections are for a photo of {wide} x {high} pixels, this one has "
            f"{size[0]} x {size[1]}.",
            "Give the photo that they were made for.",
        )
    before, notes = lace, []
    for stage, steps in STAGES:
        start = lace
        for each in corrections.active:
            step = steps.get(type(each))
            if step is None:
                continue
            try:
                changed, word = step(lace, each)
                if stage in ("outline", "edges"):
                    edges.width(changed)  # refuses edges that would change places
            except CorrectionError as refusal:
                notes.append(Note(each.id, refusal.found, refusal.remedy, placed=False))
                continue
            lace = changed
            if word is not None:
                notes.append(Note(each.id, word))
        if lace is not start:
            lace = _after(stage, start, lace)
    return _with_shares(before, lace), notes


def _after(stage: str, before: Lace, lace: Lace) -> Lace:
    """What follows from all corrections of a stage."""
    if stage in ("outline", "edges"):
        for side in SIDES:
            if stage == "edges" and lace.edge(side) is not before.edge(side):
                lace = edges.measured(lace, side)
        lace = replace(lace, width_mm=edges.width(lace))
        was, now = before.lower, lace.lower
        if stage == "outline" or was.scalloped != now.scalloped:
            left = float(lace.outline_mm[:, 0].min()) if stage == "outline" else 0.0
            lace = set_down(lace, left, valley_level_mm(lace, "lower"))
        return lace
    if stage == "motifs":
        return motifs.in_order(lace, all_kinds=False)
    if stage == "beads":
        return marks.beads_in_order(lace)
    return marks.lines_in_order(lace) if stage == "lines" else lace


def _with_shares(before: Lace, after: Lace) -> Lace:
    """The shares of motif, ground and open, where motifs or the outline changed."""
    if after.motifs is before.motifs and after.outline_mm is before.outline_mm:
        return after
    whole = [Polygon(lace.outline_mm).buffer(0).area for lace in (before, after)]
    covered = [
        shapely.union_all([motifs.polygon(motif) for motif in lace.motifs]).area
        for lace in (before, after)
    ]
    grown = covered[1] / whole[1] - covered[0] / whole[0]
    if abs(grown) < 1e-9:
        return after
    old = before.shares
    motif = float(np.clip(old.motif + grown, 0.0, 1.0))
    rest = old.ground + old.open
    ground = (1 - motif) * (old.ground / rest if rest > 0 else 1.0)
    return replace(after, shares=Shares(motif, ground, 1 - motif - ground))
