"""Outline the motifs, each as scissors would follow it, and group those of one kind.

Motifs are found once, on what the copies of the repeat have in common, and carried back to
every copy, so that all copies agree; where a copy shows something else it is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.model.lace import Bead, Motif
from lacelay.reading.cloth import disc
from lacelay.reading.ground import PLAIN_MESH_MM, Ground
from lacelay.reading.kinds import kinds_of
from lacelay.reading.mat import Image, Mask
from lacelay.reading.necks import parted, rimmed

Floats = NDArray[np.float64]

#: Outlines keep within this of the pixels, mm.
OUTLINE_TOLERANCE_MM = 0.12
#: Least area of a motif: a dot of 1.5 mm.
LEAST_MM2 = 1.7
#: A piece no larger than this that keeps within this of a long edge, or of the band along
#: it, is of the edge: a picot, a loop, the corner of a valley.
EDGE_MM2, EDGE_MM, BESIDE_BAND_MM = 15.0, 2.5, 2.0
#: Dots are thicker than the threads of the net by this factor and shown by every copy.
DOT_THICKER, DOT_SURE = 1.9, 0.7
#: A hole smaller than this share of its motif is cut out with it.
HOLE_SHARE = 0.4
#: Of a motif at a cut end at least this share must be seen; from the other on it is whole.
SEEN_SHARE, WHOLE_SHARE = 0.5, 0.96
#: A copy that shows less of a motif than this share does not agree that it is there.
SAME_SHARE = 0.5
#: A copy that shows less of it than this does not have it: nothing is outlined there.
ABSENT_SHARE = 0.2
#: So many places of a motif tell whether a copy shows it.
MOST_PLACES = 500
#: A piece covered by beads by this share is beads on net; a dot reaches out from under its
#: bead.
BEAD_SHARE = 0.8


@dataclass(frozen=True, eq=False)
class Piece:
    """A motif on the folded picture: its filled mask and where its corner lies."""

    mask: Mask
    column: int
    row: int

    @cached_property
    def centre(self) -> tuple[float, float]:
        """Middle of its area: column, row."""
        moments = cv2.moments(self.mask.astype(np.uint8), binaryImage=True)
        area = max(moments["m00"], 1.0)
        return moments["m10"] / area + self.column, moments["m01"] / area + self.row


@dataclass(frozen=True, eq=False)
class FoundMotifs:
    """The motifs in order of u, and what is in doubt about them, in her words.

    `pieces` are the motifs of one repeat on the folded picture, each once.
    """

    motifs: tuple[Motif, ...]
    doubts: tuple[str, ...]
    pieces: tuple[Piece, ...]


def read_motifs(ground: Ground, beads: Sequence[Bead] = ()) -> FoundMotifs:
    """The motifs of every copy.

    Parameters
    ----------
    ground : Ground
    beads : sequence of Bead
        Runs of beads on bare net look like small motifs; with the beads known they are
        left out.
    """
    own = _BeadsOfRepeat(ground, beads)
    pieces = [piece for piece in pieces_of(ground) if not own.are(piece)]
    copies = ground.copies
    kinds = kinds_of(
        [piece.mask for piece in pieces],
        [_own(ground.cover, piece) for piece in pieces],
        copies.px_per_mm,
    )
    outlines = [_outline(piece, copies.px_per_mm) for piece in pieces]
    extent = copies.strip.extent
    motifs, unlike, absent = [], 0, 0
    numbers = range(-1, len(copies.place_px) + 1) if copies.wraps else range(1)
    placed_all = _in_copies(ground, outlines, numbers)
    for piece, places, kind in zip(pieces, placed_all, kinds, strict=True):
        solid = _solid(ground, piece)
        for k, (points, seen) in zip(numbers, places, strict=True):
            if seen is None:
                continue
            placed = (points, True) if seen else _placed(points, ground, extent)
            if placed is None:
                continue
            points, whole = placed
            share = _shown(ground, solid, k) if copies.wraps else 1.0
            if share < ABSENT_SHARE:
                absent += 1
                continue
            unlike += whole and share < SAME_SHARE
            motifs.append(Motif(points, int(kind) if whole else -1))
    motifs.sort(key=lambda motif: float(motif.outline_mm[:, 0].mean()))
    return FoundMotifs(tuple(motifs), _doubts(ground, unlike, absent), tuple(pieces))


def _in_copies(
    ground: Ground, outlines: Sequence[Floats], numbers: range
) -> list[list[tuple[Floats, bool | None]]]:
    """Every outline as every copy shows it, in lace mm, and whether the strip shows all of it.

    None where it lies beyond the strip.
    """
    if not outlines:
        return []
    w, strip = ground.motif.shape[1], ground.copies.strip
    every = np.concatenate(outlines)
    columns = np.concatenate([every[:, 0] + k * w for k in numbers])
    points = ground.copies.to_lace(0, columns, np.tile(every[:, 1], len(numbers)))
    column = np.round((points[:, 0] - strip.u0_mm) * strip.px_per_mm).astype(np.int64)
    row = np.round((strip.v0_mm - points[:, 1]) * strip.px_per_mm).astype(np.int64)
    high, wide = strip.extent.shape
    shown = (column >= 0) & (row >= 0) & (column < wide) & (row < high)
    shown[shown] = strip.extent[row[shown], column[shown]]
    sizes = np.tile([len(outline) for outline in outlines], len(numbers))
    starts = np.cumsum(sizes) - sizes
    whole = np.logical_and.reduceat(shown, starts)
    beyond = (np.maximum.reduceat(column, starts) < 0) | (
        np.minimum.reduceat(column, starts) > wide
    )
    placed: list[tuple[Floats, bool | None]] = [
        (points[start : start + size], None if out else bool(all_of_it))
        for start, size, all_of_it, out in zip(starts, sizes, whole, beyond, strict=True)
    ]
    return [placed[k :: len(outlines)] for k in range(len(outlines))]


def _own(picture: Image, piece: Piece) -> Image:
    """The part of a folded picture under a piece's box."""
    high, wide = piece.mask.shape
    columns = (np.arange(wide) + piece.column) % picture.shape[1]
    return np.asarray(picture[piece.row : piece.row + high][:, columns], dtype=np.float32)


def _doubts(ground: Ground, unlike: int, absent: int) -> tuple[str, ...]:
    doubts = []
    if not ground.copies.wraps:
        doubts.append(
            "Each motif was read by itself, not checked against its copies: "
            f"{ground.copies.reason}."
        )
    if unlike:
        which = "One motif is" if unlike == 1 else f"{unlike} motifs are"
        doubts.append(
            f"{which} hidden, damaged or unlike the copies in the other repeats: outlines there "
            "are taken from the other repeats."
        )
    if absent:
        which = "One motif" if absent == 1 else f"{absent} motifs"
        doubts.append(
            f"{which} of the other repeats could not be seen in its own place in one: nothing was "
            "outlined there."
        )
    return tuple(doubts)


def pieces_of(ground: Ground) -> list[Piece]:
    """The motifs of one repeat, each once, holes filled, touching ones parted."""
    copies, q = ground.copies, ground.copies.px_per_mm
    w = ground.motif.shape[1]
    joint = min(0.2 * (ground.mesh_mm or PLAIN_MESH_MM), 0.35) * q
    mask = np.tile(ground.motif, (1, 3)) if copies.wraps else ground.motif
    closed = cv2.morphologyEx(rimmed(mask, 8), cv2.MORPH_CLOSE, disc(max(1.0, joint)))[8:-8, 8:-8]
    found = []
    reach = _reach_of_edge(ground)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(closed, connectivity=4)
    for label in range(1, count):
        x, y, wide, high, area = (int(value) for value in stats[label])
        if area < 0.5 * LEAST_MM2 * q * q:
            continue
        endless = copies.wraps and wide > 1.9 * w
        # Of every motif one copy starts in the middle tile; what is longer than a repeat may
        # run out of the last one, and what has no end starts nowhere.
        cut = copies.wraps and (endless or x + wide >= 3 * w)
        if copies.wraps and not cut and not w <= x < 2 * w:
            continue
        if cut and not endless and not x < 2 * w:
            continue
        own = _filled(labels[y : y + high, x : x + wide] == label)
        for part, column, row in parted(own, q, endless):
            piece = Piece(part, x + column, y + row)
            if copies.wraps:
                at = piece.centre[0]
                if cut and not w <= at < 2 * w:
                    continue
                piece = Piece(part, piece.column - int(at // w) * w, piece.row)
            if _is_motif(piece, ground, reach):
                found.append(piece)
    return found


def _reach_of_edge(ground: Ground) -> Mask:
    """Where what is small is of the edge, on the folded picture."""
    q = ground.copies.px_per_mm
    near = ground.from_edge_mm < EDGE_MM
    if ground.band.any():
        away = cv2.distanceTransform((~ground.band).astype(np.uint8), cv2.DIST_L2, 5)
        near |= np.asarray(away) < BESIDE_BAND_MM * q
    return np.asarray(near)


def _is_motif(piece: Piece, ground: Ground, of_edge: Mask) -> bool:
    """Whether a piece is more than a knot, a picot or the corner of a band."""
    q, w = ground.copies.px_per_mm, ground.motif.shape[1]
    area = float(piece.mask.sum()) / q**2
    if area < LEAST_MM2:
        return False
    if area > EDGE_MM2:
        return True
    rows, columns = np.nonzero(piece.mask)
    at = rows + piece.row, (columns + piece.column) % w
    if of_edge[at].all():
        return False
    deep = cv2.distanceTransform(rimmed(piece.mask, 1), cv2.DIST_L2, 5)
    if float(np.max(deep)) < DOT_THICKER * ground.thread_mm / 2 * q:
        return False
    solid = ground.sure[at]
    seen = ground.copies.seen[:, at[0][solid], at[1][solid]]
    shown = ground.in_copy[:, at[0][solid], at[1][solid]]
    return float(shown[seen].mean()) > DOT_SURE * 255 if seen.any() else True


def _filled(mask: Mask) -> Mask:
    """A motif with its holes, but for those that are most of it."""
    contours, tree = cv2.findContours(mask.view(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    if len(contours) < 2:
        return mask
    filled = mask.astype(np.uint8)
    whole = max(cv2.contourArea(contour) for contour in contours)
    for contour, relation in zip(contours, tree[0], strict=True):
        if relation[3] >= 0 and cv2.contourArea(contour) < HOLE_SHARE * whole:
            cv2.drawContours(filled, [contour], 0, 1, cv2.FILLED)
    return filled > 0


def _outline(piece: Piece, q: float) -> Floats:
    """Outline on the folded picture, (column, row), between the pixels."""
    fine = rimmed(piece.mask, 4).astype(np.float32)
    fine = np.asarray(cv2.GaussianBlur(fine, (0, 0), 0.9), dtype=np.float32)
    fine = np.asarray(cv2.resize(fine, None, fx=2, fy=2, interpolation=cv2.INTER_LINEAR))
    contours, _ = cv2.findContours(
        (fine > 0.55).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    contour = max(contours, key=cv2.contourArea)
    simple = cv2.approxPolyDP(contour, 2 * OUTLINE_TOLERANCE_MM * q, True)
    if len(simple) < 4:
        simple = contour
    points = (simple.reshape(-1, 2) + 0.5) / 2 - 0.5 - 4
    return np.asarray(points + [piece.column, piece.row], dtype=np.float64)


def _placed(points: Floats, ground: Ground, extent: Mask) -> tuple[Floats, bool] | None:
    """An outline as far as the strip shows it, and whether that is as good as all of it."""
    strip = ground.copies.strip
    shrink = min(1.0, 4.0 / strip.px_per_mm)
    q = strip.px_per_mm * shrink
    x = (points[:, 0] - strip.u0_mm) * q
    length = extent.shape[1] * shrink
    y = (strip.v0_mm - points[:, 1]) * q
    left, top = int(np.floor(x.min())) - 2, int(np.floor(y.min())) - 2
    size = (int(np.ceil(y.max())) - top + 3, int(np.ceil(x.max())) - left + 3)
    own = np.zeros(size, np.uint8)
    cv2.fillPoly(
        own, [np.round(np.stack([x - left, y - top], 1) * 16).astype(np.int32)], 1, shift=4
    )
    columns = np.clip(((np.arange(size[1]) + left) / shrink).astype(int), 0, extent.shape[1] - 1)
    rows = np.clip(((np.arange(size[0]) + top) / shrink).astype(int), 0, extent.shape[0] - 1)
    inside = (np.arange(size[1]) + left >= 0) & (np.arange(size[1]) + left < length)
    seen = (own > 0) & extent[np.ix_(rows, columns)] & inside[None]
    share = float(seen.sum()) / max(1, int(own.sum()))
    if share < SEEN_SHARE:
        return None
    if share >= WHOLE_SHARE:
        return points, True
    contours, _ = cv2.findContours(seen.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    contour = max(contours, key=cv2.contourArea)
    simple = cv2.approxPolyDP(contour, OUTLINE_TOLERANCE_MM * q, True).reshape(-1, 2)
    if len(simple) < 3:
        return None
    clipped = np.stack(
        [strip.u0_mm + (simple[:, 0] + left) / q, strip.v0_mm - (simple[:, 1] + top) / q], -1
    )
    return np.asarray(clipped, dtype=np.float64), False


def _solid(ground: Ground, piece: Piece) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows and columns of a motif where it is solid; columns as of the piece."""
    rows, columns = np.nonzero(piece.mask)
    rows, columns = rows + piece.row, columns + piece.column
    # Pierced places and open cloth are no solid motif in any copy.
    solid = ground.sure[rows, columns % ground.motif.shape[1]]
    rows, columns = rows[solid], columns[solid]
    few = slice(None, None, max(1, len(rows) // MOST_PLACES))
    return rows[few], columns[few]


def _shown(ground: Ground, solid: tuple[NDArray[np.int64], NDArray[np.int64]], copy: int) -> float:
    """Share of a motif that one copy shows as motif, where the strip shows that copy."""
    n, w = len(ground.in_copy), ground.motif.shape[1]
    whole = solid[1] + copy * w
    own = whole // w
    there = (own >= 0) & (own < n)
    if not there.any():
        return 1.0
    own, column = own[there], (whole - own * w)[there]
    values = ground.in_copy[own, solid[0][there], column]
    return float((values > 127).mean())


class _BeadsOfRepeat:
    """Beads on the folded picture."""

    def __init__(self, ground: Ground, beads: Sequence[Bead]) -> None:
        copies = ground.copies
        at = np.array([[bead.u_mm, bead.v_mm, bead.diameter_mm] for bead in beads]).reshape(-1, 3)
        self.columns = (at[:, 0] - copies.start_mm) * copies.columns_per_mm
        self.rows = (copies.v0_mm - at[:, 1]) * copies.px_per_mm
        self.radii = (at[:, 2] / 2 + 0.1) * copies.px_per_mm
        self.period = ground.motif.shape[1] if copies.wraps else None
        self.most = 60 * copies.px_per_mm**2

    def are(self, piece: Piece) -> bool:
        """Whether a piece is but beads on net."""
        high, wide = piece.mask.shape
        if not len(self.columns) or np.count_nonzero(piece.mask) > self.most:
            return False
        column = self.columns
        if self.period is not None:
            middle, half = piece.centre[0], self.period / 2
            column = (column - middle + half) % self.period - half + middle
        x, y, r = column - piece.column, self.rows - piece.row, self.radii
        near = (-r < x) & (x < wide + r) & (-r < y) & (y < high + r)
        covered = np.zeros((high, wide), np.uint8)
        for k in np.flatnonzero(near):
            cv2.circle(covered, (round(x[k]), round(y[k])), round(r[k]), 1, cv2.FILLED)
        return bool(np.mean(covered[piece.mask]) > BEAD_SHARE)
