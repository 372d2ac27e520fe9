"""Tell raised cords along the outlines of motifs, and trace them.

A flat rim and a raised cord are both brighter than the cloth; but only what is raised is
lit on one flank and dark on the other, and changes flanks as the outline turns against the
light. So the lightness beside all outlines is regressed on the outline's direction, at each
depth below it: a cord shows as a swing that turns over from its outer to its inner flank,
and where the swing passes through nothing is the middle of the cord.

Cords that run inside a motif, between petals and along veins, are not traced: their relief
cannot be told from the weave's with certainty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.reading.ground import Ground
from lacelay.reading.mat import Image, Mask
from lacelay.reading.motifs import Piece
from lacelay.reading.necks import rimmed

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

#: Depths below the outline that are looked at, mm.
STEP_MM, DEEPEST_MM = 0.1, 2.4
#: Middle of a cord below the outline, mm: half its thickness. Thinner ones are rim threads.
THINNEST_MM, THICKEST_MM = 0.48, 1.1
#: Least swing of the inner flank, as a share of the lightness range of the lace, and by how
#: many times it exceeds the swing of what lies deeper.
LEAST_SWING, OVER_DEEP = 0.012, 1.7
#: Outlines of smaller motifs say nothing of their direction, mm2.
LEAST_MM2 = 12.0
#: The outlines of so many of the largest motifs tell whether there are cords.
MOST_OUTLINES = 30
#: So many of the places tell the typical profile.
MOST_PROFILES = 1500
#: Fewer places along outlines than this tell no cord.
FEWEST_PLACES = 150


@dataclass(frozen=True, eq=False)
class Cords:
    """Cords as polylines in lace mm, how thick they are, and what was not read."""

    lines_mm: tuple[Floats, ...]
    thick_mm: float | None
    doubts: tuple[str, ...]


def read_cords(ground: Ground, motifs: Sequence[Piece]) -> Cords:
    """Trace the raised cords along the outlines of the motifs of one repeat, in every copy."""
    copies, q = ground.copies, ground.copies.px_per_mm
    pieces = [piece for piece in motifs if piece.mask.sum() > LEAST_MM2 * q * q]
    if not pieces:
        return Cords((), None, ())
    middle = cord_depth_mm(ground.lightness, pieces, q)
    if middle is None:
        return Cords((), None, ())
    lines = [
        line + [piece.column, piece.row]
        for piece in pieces
        for line in _lines(piece.mask, middle * q)
    ]
    numbers = range(-1, len(copies.place_px) + 1) if copies.wraps else range(1)
    found = [part for k in numbers for part in _seen(lines, k, ground)]
    told = "Cords were traced along the outlines of motifs; those inside a motif were not."
    return Cords(tuple(found), 2 * middle, (told,))


def cord_depth_mm(
    lightness: Image | NDArray[np.uint8], pieces: list[Piece], px_per_mm: float
) -> float | None:
    """How deep below the outline the middle of a raised cord lies; None without one.

    Parameters
    ----------
    lightness : ndarray of float32 or uint8, shape (h, w)
        Columns wrap round.
    pieces : list of Piece
    px_per_mm : float
    """
    depths = np.arange(0.0, DEEPEST_MM, STEP_MM)
    profiles, headings = [], []
    for piece in sorted(pieces, key=lambda each: -each.mask.size)[:MOST_OUTLINES]:
        at, inward = _outline_places(piece, px_per_mm)
        if len(at) == 0:
            continue
        x = at[:, :1] + np.cos(inward)[:, None] * depths * px_per_mm
        y = at[:, 1:] + np.sin(inward)[:, None] * depths * px_per_mm
        profiles.append(_at(lightness, x, y))
        headings.append(inward)
    if not profiles or sum(map(len, headings)) < FEWEST_PLACES:
        return None
    swing = _swing(np.concatenate(profiles), np.concatenate(headings))
    deep = swing[depths > 1.7].mean()
    swing = swing - deep
    low, high = np.percentile(lightness, [2, 98])
    # The outer flank swings one way, the inner flank the other.
    outer = int(np.argmax(np.abs(swing[depths < 0.5])))
    way = swing[outer] / max(float(np.abs(swing[outer])), 1e-9)
    along = np.real(swing * np.conj(way))
    inner = outer + int(np.argmin(along[outer : int(1.6 / STEP_MM)]))
    least = max(
        LEAST_SWING * float(high - low), OVER_DEEP * float(np.abs(swing[depths > 1.7]).max())
    )
    if min(-along[inner], along[outer]) < least:
        return None
    between = along[outer : inner + 1]
    cross = int(np.argmax(between < 0))
    if cross == 0:
        return None
    before, after = float(between[cross - 1]), float(between[cross])
    # Depths are counted from the outermost pixels, half a pixel inside the edge itself.
    middle = (outer + cross - 1 + before / (before - after)) * STEP_MM + 0.5 / px_per_mm
    return middle if THINNEST_MM <= middle <= THICKEST_MM else None


def _outline_places(piece: Piece, q: float) -> tuple[Floats, Floats]:
    """Places along an outline, (column, row), and the way inwards there, radians."""
    wide = rimmed(piece.mask, 3)
    deep = cv2.distanceTransform(wide, cv2.DIST_L2, 5)
    smooth = cv2.GaussianBlur(deep, (0, 0), 0.3 * q)
    contours, _ = cv2.findContours(wide, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    at = max(contours, key=cv2.contourArea).reshape(-1, 2)[::3]
    right = np.asarray(cv2.Sobel(smooth, cv2.CV_32F, 1, 0))[at[:, 1], at[:, 0]]
    down = np.asarray(cv2.Sobel(smooth, cv2.CV_32F, 0, 1))[at[:, 1], at[:, 0]]
    inward = np.arctan2(down, right).astype(np.float64)
    # Stems and tips have no inside to look into.
    x = np.round(at[:, 0] + np.cos(inward) * 1.8 * q).astype(int)
    y = np.round(at[:, 1] + np.sin(inward) * 1.8 * q).astype(int)
    inside = (x >= 0) & (y >= 0) & (x < wide.shape[1]) & (y < wide.shape[0])
    x, y = np.clip(x, 0, wide.shape[1] - 1), np.clip(y, 0, wide.shape[0] - 1)
    keep = inside & (np.asarray(deep)[y, x] > 1.4 * q)
    places = at[keep].astype(np.float64) + [piece.column - 3, piece.row - 3]
    return places, inward[keep]


def _at(picture: Image | NDArray[np.uint8], x: Floats, y: Floats) -> Floats:
    """Values between the pixels; columns wrap round."""
    w = picture.shape[1]
    wide = np.concatenate([picture, picture[:, :2]], axis=1).astype(np.float32)
    values = cv2.remap(
        wide, (x % w).astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    return np.asarray(values, dtype=np.float64)


def _swing(profiles: Floats, headings: Floats) -> Complexes:
    """How lightness at each depth changes with the outline's direction, as a vector."""
    terms = np.column_stack([np.ones(len(headings)), np.cos(headings), np.sin(headings)])
    # Holes and beads beside an outline are no part of it.
    few = profiles[:: max(1, len(profiles) // MOST_PROFILES)]
    middle = np.median(few, axis=0)
    spread = np.median(np.abs(few - middle), axis=0) * 4 + 1e-6
    held = np.clip(profiles, middle - spread, middle + spread)
    found = np.linalg.solve(terms.T @ terms + 1e-9 * np.eye(3), terms.T @ held)
    return np.asarray(found[1] + 1j * found[2], dtype=np.complex128)


def _lines(mask: Mask, depth_px: float) -> list[Floats]:
    """Middle lines of a cord round a motif, (column, row): closed where it is wide."""
    wide = rimmed(mask, 2)
    deep = np.asarray(cv2.distanceTransform(wide, cv2.DIST_L2, 5), dtype=np.float32)
    inner = (deep > depth_px).astype(np.uint8)
    lines = []
    contours, _ = cv2.findContours(inner, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    for contour in contours:
        if len(contour) > 8 * depth_px:
            simple = cv2.approxPolyDP(contour, 0.3, True).reshape(-1, 2).astype(np.float64)
            lines.append(np.concatenate([simple, simple[:1]]) - 2)
    away = cv2.distanceTransform(1 - inner, cv2.DIST_L2, 5)
    thin = ((wide > 0) & (np.asarray(away) > 1.3 * depth_px + 1)).astype(np.uint8)
    lines += [line - 2 for line in _stems(thin, 6 * depth_px)]
    return lines


def _stems(thin: NDArray[np.uint8], shortest_px: float) -> list[Floats]:
    """Middle lines of thin pieces: along their longer way, the mean across it."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(thin)
    found = []
    for label in range(1, count):
        x, y, w, h, _area = (int(value) for value in stats[label])
        if np.hypot(w, h) < shortest_px:
            continue
        rows, columns = np.nonzero(labels[y : y + h, x : x + w] == label)
        points = np.column_stack([columns + x, rows + y]).astype(np.float64)
        centre = points.mean(axis=0)
        _, _, ways = np.linalg.svd(points - centre, full_matrices=False)
        along, across = (points - centre) @ ways[0], (points - centre) @ ways[1]
        bins = np.clip(((along - along.min()) / 3).astype(int), 0, None)
        number = np.bincount(bins)
        keep = number > 0
        middle = np.stack(
            [
                np.bincount(bins, along)[keep] / number[keep],
                np.bincount(bins, across)[keep] / number[keep],
            ],
            axis=1,
        )
        if len(middle) >= 2:
            found.append(centre + middle @ ways)
    return found


def _seen(lines: Sequence[Floats], copy: int, ground: Ground) -> list[Floats]:
    """The parts of polylines of the folded picture that the strip shows in one copy, lace mm."""
    if not lines:
        return []
    every = np.concatenate(lines)
    points = ground.copies.to_lace(copy, every[:, 0], every[:, 1])
    strip = ground.copies.strip
    h, w = strip.extent.shape
    column = np.round((points[:, 0] - strip.u0_mm) * strip.px_per_mm).astype(int)
    row = np.round((strip.v0_mm - points[:, 1]) * strip.px_per_mm).astype(int)
    shown = (column >= 0) & (column < w) & (row >= 0) & (row < h)
    shown[shown] = strip.extent[row[shown], column[shown]]
    number = np.repeat(np.arange(len(lines)), [len(line) for line in lines])
    ends = np.flatnonzero((np.diff(shown) != 0) | (np.diff(number) != 0)) + 1
    bounds = [0, *ends.tolist(), len(points)]
    return [points[low:high] for low, high in pairwise(bounds) if high - low >= 2 and shown[low]]
