"""Tell motif from ground (net or bars) and from open places, by the lace's own threads.

Threads of the ground are thin; motifs are not. So the thickness of the threads is measured
where the net lies bare, and what is clearly thicker is motif; holes much smaller than a
mesh belong to the cloth they are in. That is done on the strip as it lies, then the copies
of the repeat vote, because the net of one copy need not lie like the next one's: a printed
line behind the net makes it look like cloth in one copy and not in the others.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.model.lace import Shares
from lacelay.reading.cloth import disc
from lacelay.reading.copies import (
    Copies,
    folded_shape,
    register_copies,
)
from lacelay.reading.mat import Image, Mask
from lacelay.reading.medians import median_of_bytes
from lacelay.reading.mesh import NetWindows, mesh_size
from lacelay.reading.strip import Strip

Floats = NDArray[np.float64]

#: Taken where no mesh was found (bars instead of net), mm.
PLAIN_MESH_MM = 2.0
#: A hole smaller than this share of a mesh belongs to the cloth it is in, if no hole of the
#: net lies beside it; one smaller than the other share belongs to it anyway.
HOLE_SHARE, TINY_SHARE = 0.12, 0.04
#: Least mean cover of a motif, as a share of the cover of the densest cloth.
CUT = 0.6
#: Least cover of thread, 0 to 1: the matte is full well inside a blurred edge.
SOLID = 0.65
#: Motif is thicker than the ground's threads by this factor at least.
THICKER = 1.45
#: Of two copies that disagree the one is believed that shows net: light and printed lines
#: make net look like cloth, and nothing makes cloth look like net.
VOTE = 0.6
#: Open cloth (half stitch) is motif where a window of about a mesh is filled by this share of
#: the way from bare net to the densest cloth.
DENSE_SHARE, DENSE_MESHES = 0.6, 0.5
#: Holes of bars stand apart by about this, mm; used for the size of windows only.
BARS_MM = 6.0
#: An open place holds a disc of this diameter, mm.
OPEN_HOLE_MM = 4.0
#: Discs smaller than this are laid on themselves, px.
SMALL_DISC_PX = 6.0
#: Edge bands are no wider than this, mm.
WIDEST_BAND_MM = 6.0


@dataclass(frozen=True, eq=False)
class Ground:
    """What each place of the repeat is, on the folded picture of the copies.

    Parameters
    ----------
    copies : Copies
    mesh_mm : float or None
        Distance of neighbouring holes; None when no net was found.
    thread_mm : float
        Thickness of the ground's threads and knots.
    motif : ndarray of bool, shape (h, w)
        Voted by the copies, edge bands left out.
    sure : ndarray of bool, shape (h, w)
        Motif by the thickness of its threads, in most copies; the rest is open cloth, told by
        how much of it is filled.
    in_copy : ndarray of uint8, shape (n, h, w)
        How far each copy says that a place is motif, 0 to 255.
    cover : ndarray of float32, shape (h, w)
        Median cover of the copies.
    extent, band : ndarray of bool, shape (h, w)
        The lace with its holes; the bands along its two long edges.
    from_edge_mm : ndarray of float32, shape (h, w)
        How far a place lies inside the nearer long edge, loops and picots left aside; 0
        outside, infinite far inside.
    shares : Shares
    lightness : ndarray of uint8, shape (h, w)
        Median lightness of the copies, mat and all.
    """

    copies: Copies
    mesh_mm: float | None
    thread_mm: float
    motif: Mask
    sure: Mask
    in_copy: NDArray[np.uint8]
    cover: Image
    extent: Mask
    band: Mask
    from_edge_mm: Image
    shares: Shares
    lightness: NDArray[np.uint8]


def read_ground(strip: Strip, repeat_mm: float | None = None) -> Ground:
    """Measure mesh and threads, and part the lace into motif, ground and open.

    Parameters
    ----------
    strip : Strip
    repeat_mm : float or None
        Where it is known its copies are combined.
    """
    shrunk, inside, per_mm = _shrunk(strip)
    windows = NetWindows(shrunk, inside, per_mm)
    mesh = mesh_size(windows)
    copies = register_copies(strip, repeat_mm, (shrunk, inside))
    thick, thread_mm = _thick(shrunk, inside, windows, mesh)
    # Laid upon each other as colours of one picture: that costs little more than one.
    each = [
        thick, cv2.convertScaleAbs(shrunk, alpha=255), inside * np.uint8(255),
        _lightness(strip.rgb, inside.shape),
    ]  # fmt: skip
    parts = copies.fold_bytes(np.asarray(cv2.merge(each), dtype=np.uint8))
    in_copy, covers, insides, light = (
        np.stack(same) for same in zip(*(cv2.split(copy) for copy in parts), strict=True)
    )
    folded = median_of_bytes(covers, copies.seen)
    cover = folded.astype(np.float32) / np.float32(255)
    extent = _most((insides > 127).view(np.uint8), copies.seen)
    q = copies.px_per_mm
    voted = median_of_bytes(in_copy, copies.seen)
    # Net that looked like cloth in most copies is still open in the mean of them.
    filled = cv2.GaussianBlur(folded, (0, 0), 0.3 * q)
    sure = (voted > VOTE * 255) & extent & (np.asarray(filled) > 255 * _cut(cover[extent]))
    motif = sure
    if mesh is not None:
        motif = sure | (extent & _dense(cover, extent, q, mesh))
    motif = _thicker(motif, THICKER * thread_mm / 2 * q, copies.wraps)
    band, from_edge = _bands(motif, extent, q, copies.wraps)
    motif = _thicker(motif & ~band, THICKER * thread_mm / 2 * q, copies.wraps)
    return Ground(
        copies, mesh, thread_mm, motif, sure, in_copy, cover, extent, band,
        np.asarray(from_edge / q, dtype=np.float32), _shares(cover, motif, extent, q),
        median_of_bytes(light, copies.seen),
    )  # fmt: skip


def _lightness(rgb: NDArray[np.uint8], shape: tuple[int, ...]) -> NDArray[np.uint8]:
    """Lightness of the strip, made smaller to a shape."""
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    if grey.shape != shape:
        # A little smaller only: every pixel still counts, and it takes a fourth of the time.
        how = cv2.INTER_LINEAR if shape[0] > 0.5 * len(grey) else cv2.INTER_AREA
        grey = cv2.resize(grey, shape[1::-1], interpolation=how)
    return np.asarray(grey, dtype=np.uint8)


def _most(values: NDArray[np.uint8], seen: Mask) -> Mask:
    """Where most of the copies that show a place say 1; where none does, most of all."""
    if len(values) == 1:
        return np.asarray(values[0] > 0)
    yes = np.add.reduce(values * seen, axis=0, dtype=np.uint8)
    count = np.add.reduce(seen, axis=0, dtype=np.uint8)
    most = 2 * yes > count
    hidden = count == 0
    if hidden.any():
        most[hidden] = 2 * values.sum(axis=0)[hidden] > len(values)
    return np.asarray(most)


def _cut(cover: NDArray[np.float32]) -> float:
    """Least mean cover of a motif."""
    solid = float(np.percentile(cover, 95)) if cover.size else 1.0
    return CUT * solid


def _shrunk(strip: Strip) -> tuple[Image, NDArray[np.uint8], float]:
    """Cover and extent (0 or 1) at the resolution of the folded pictures, px per mm."""
    size = folded_shape(strip)[::-1]
    cover = cv2.resize(strip.alpha, size, interpolation=cv2.INTER_AREA)
    inside = cv2.resize(strip.extent.view(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    return (
        np.asarray(cover, dtype=np.float32), np.asarray(inside, dtype=np.uint8),
        strip.px_per_mm * size[0] / strip.alpha.shape[1],
    )  # fmt: skip


def _thick(
    cover: Image, inside: NDArray[np.uint8], windows: NetWindows, mesh_mm: float | None
) -> tuple[NDArray[np.uint8], float]:
    """How far each place is motif by its thickness, 0 to 255, and how thick threads are, mm."""
    q = windows.px_per_mm
    solid = (cover > SOLID).view(np.uint8) & inside
    gaps = solid ^ inside
    count, found = cv2.connectedComponents(gaps, connectivity=4)
    labels = np.asarray(found, dtype=np.int32)
    mesh_px2 = ((mesh_mm or PLAIN_MESH_MM) * q) ** 2
    areas = np.bincount(labels.ravel(), minlength=count)
    small, tiny = areas < HOLE_SHARE * mesh_px2, areas < TINY_SHARE * mesh_px2
    small[0] = tiny[0] = False
    # 0: no gap, 1: a hole of the net, 2: a small hole, 3: a tiny one.
    kinds = (1 + small.astype(np.uint8) + (small & tiny)).astype(np.uint8)
    kinds[0] = 0
    sort = kinds.take(labels)
    radius = _thread_radius(solid, sort, windows, mesh_mm)
    # Meshes cut off by a motif's edge are small too; only a thread parts them from the net.
    net = cv2.dilate((sort == 1).view(np.uint8), disc(1.4 * radius + 1.0))
    beside = np.zeros(len(kinds), np.uint8)
    beside[labels[(sort == 2) & (np.asarray(net) > 0)]] = 1
    kept = ((kinds == 3) | ((kinds == 2) & (beside == 0))).view(np.uint8)
    solid |= kept.take(labels)
    thick = _opened(solid, THICKER * radius) * np.uint8(255)
    soft = cv2.GaussianBlur(thick, (0, 0), 0.12 * q + 0.3)
    return np.asarray(soft, dtype=np.uint8), 2 * radius / q


def _dense(cover: Image, extent: Mask, q: float, mesh_mm: float) -> Mask:
    """Where a window of the mesh's size is filled more than net is."""
    inside = extent.view(np.uint8)
    windows = NetWindows(cover, inside, q).of(round(2.5 * mesh_mm * q))
    if not windows:
        return np.zeros(cover.shape, bool)
    net = float(np.median([cover[window].mean() for window in windows]))
    # The mean over a window is smooth: half the pixels tell it.
    half = (max(1, cover.shape[1] // 2), max(1, cover.shape[0] // 2))
    spread = DENSE_MESHES * mesh_mm * q / 2
    small, lace = (
        np.asarray(cv2.resize(each, half, interpolation=cv2.INTER_AREA), dtype=np.float32)
        for each in (cover, inside.astype(np.float32))
    )
    weight = np.asarray(cv2.GaussianBlur(lace, (0, 0), spread))
    filled = np.asarray(cv2.GaussianBlur(small, (0, 0), spread)) / np.maximum(weight, 0.2)
    cloth = float(np.percentile(filled[lace > 0.5], 97)) if (lace > 0.5).any() else 1.0
    whole = cv2.resize(filled, cover.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(whole) > net + DENSE_SHARE * (cloth - net)


def _thread_radius(
    solid: NDArray[np.uint8],
    gaps: NDArray[np.uint8],
    windows: NetWindows,
    mesh_mm: float | None,
) -> float:
    """Half the thickness of the threads and knots of bare ground, px; small `gaps` are over 1."""
    q = windows.px_per_mm
    found = []
    rim = int(2 * q)
    for rows, columns in windows.of(round(2.5 * (mesh_mm or BARS_MM) * q)):
        top, left = max(0, rows.start - rim), max(0, columns.start - rim)
        around = slice(top, rows.stop + rim), slice(left, columns.stop + rim)
        filled = solid[around] | (gaps[around] > 1)
        deep = cv2.distanceTransform(filled, cv2.DIST_L2, 5)
        own = np.asarray(deep)[
            rows.start - top : rows.stop - top, columns.start - left : columns.stop - left
        ]
        peak = np.asarray(cv2.dilate(own, np.ones((3, 3), np.uint8)))[1:-1, 1:-1]
        own = own[1:-1, 1:-1]
        ridge = own[(own > 0) & (own >= peak)]
        if len(ridge) >= 12:
            found.append(float(np.percentile(ridge, 90)))
    if not found:
        return 0.3 * q
    return float(np.clip(np.percentile(found, 40), 0.9, 1.2 * q))


def _opened(mask: NDArray[np.uint8], radius: float) -> NDArray[np.uint8]:
    """What of a mask (0 or 1) a disc of that radius reaches from inside it.

    By the disc itself where it is small, else by two distance transforms, which take as long
    for any radius. What lies beyond the rim is no reason to take anything away.
    """
    if radius < SMALL_DISC_PX:
        side = np.arange(-int(radius), int(radius) + 1)
        round_one = (side[:, None] ** 2 + side[None] ** 2 <= radius**2).view(np.uint8)
        return np.asarray(cv2.morphologyEx(mask, cv2.MORPH_OPEN, round_one), dtype=np.uint8)
    deep = np.asarray(cv2.distanceTransform(mask, cv2.DIST_L2, 5))
    away = cv2.distanceTransform((deep <= radius).view(np.uint8), cv2.DIST_L2, 5)
    return (np.asarray(away) < radius).view(np.uint8) & mask


def _thicker(mask: Mask, radius: float, wraps: bool) -> Mask:
    """What of a folded mask a disc of that radius reaches."""
    pad = int(4 * radius) + 2
    wide = np.ascontiguousarray(padded(mask, pad, wraps)).view(np.uint8)
    return _opened(wide, radius)[:, pad : pad + mask.shape[1]] > 0


def padded(picture: Mask, pad: int, wraps: bool) -> Mask:
    """A folded picture with its neighbours to the left and the right, or its own rim."""
    return np.pad(picture, ((0, 0), (pad, pad)), mode="wrap" if wraps else "edge")


def _bands(motif: Mask, extent: Mask, q: float, wraps: bool) -> tuple[Mask, Image]:
    """The solid bands or cords along the two long edges, and how far in a place lies, px."""
    pad = round(WIDEST_BAND_MM * q)
    wide = padded(extent, pad, wraps)
    columns = wide.any(axis=0)
    band = np.zeros(wide.shape, bool)
    if not columns.any():
        return np.zeros(extent.shape, bool), np.zeros(extent.shape, np.float32)
    # Loops and picots stand out of the edge; the band follows the edge without them.
    rows = np.pad(wide.astype(np.uint8), ((pad, pad), (0, 0)))
    opened = np.asarray(cv2.morphologyEx(rows, cv2.MORPH_OPEN, disc(1.5 * q)))[pad:-pad] > 0
    thick = padded(motif, pad, wraps)
    h = len(wide)
    top = np.where(opened.any(axis=0), opened.argmax(axis=0), 0)
    low = np.where(opened.any(axis=0), h - 1 - opened[::-1].argmax(axis=0), h - 1)
    seen = np.atleast_1d(opened.any(axis=0))
    row = np.arange(h)[:, None]
    middle = float(np.median((top + low)[seen]) / 2) if seen.any() else h / 2
    inwards = np.full(wide.shape, np.inf, np.float32)
    for upper in (True, False):
        outside = (row < top[None]) | ~seen[None] if upper else (row > low[None]) | ~seen[None]
        if not seen.all():  # cut ends are no edges
            nearest = np.interp(
                np.arange(len(seen)), np.flatnonzero(seen), (top if upper else low)[seen]
            )
            outside = row < nearest[None] if upper else row > nearest[None]
        away = np.full(wide.shape, np.inf, np.float32)
        rim = np.flatnonzero(outside.any(axis=1) & ~outside.all(axis=1))
        reach = int((WIDEST_BAND_MM + 1) * q)
        if upper:
            rows_near = slice(0, (int(rim[-1]) if len(rim) else 0) + reach)
        else:
            rows_near = slice(max(0, (int(rim[0]) if len(rim) else h) - reach), h)
        away[rows_near] = cv2.distanceTransform(
            (~outside[rows_near]).view(np.uint8), cv2.DIST_L2, 5
        )
        side = (row < middle) if upper else (row > middle)
        inwards = np.minimum(inwards, away)
        near = side & ~outside & (away < WIDEST_BAND_MM * q) & wide
        bins = np.floor(away[near]).astype(np.int64)
        total = np.bincount(bins, minlength=4)
        filled = np.bincount(bins, thick[near].astype(float), minlength=len(total))
        solid = np.asarray(filled / np.maximum(total, 1), dtype=np.float64)
        first = int(0.6 * q)
        start = int(np.argmax(solid[: max(2, int(1.5 * q))]))
        if solid[start] < 0.7:
            continue
        floor = float(np.median(solid[first:])) if len(solid) > first else 0.0
        under = np.flatnonzero(solid[start:] < max(0.6, 0.5 * (solid[start] + floor)))
        if len(under) == 0:
            continue
        band |= (away < start + int(under[0]) + 0.2 * q) & side
    band &= wide
    own = slice(pad, pad + extent.shape[1])
    return np.asarray(band[:, own]), np.asarray(inwards[:, own], dtype=np.float32)


def _shares(cover: Image, motif: Mask, extent: Mask, q: float) -> Shares:
    half = (max(1, cover.shape[1] // 2), max(1, cover.shape[0] // 2))
    full = (cover > 0.3).view(np.uint8) * np.uint8(255)
    thread = np.asarray(cv2.resize(full, half, interpolation=cv2.INTER_AREA)) > 127
    lace, motifs = (
        np.asarray(cv2.resize(mask.view(np.uint8), half, interpolation=cv2.INTER_NEAREST)) > 0
        for mask in (extent, motif)
    )
    side = round(OPEN_HOLE_MM * q / 2) | 1
    ellipse = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    closed = cv2.morphologyEx(np.pad(thread.view(np.uint8), side), cv2.MORPH_CLOSE, ellipse)
    shut = np.asarray(closed)[side:-side, side:-side] > 0
    total = max(1, int(lace.sum()))
    motif_share = float((motifs & lace).sum()) / total
    open_share = float((lace & ~motifs & ~shut).sum()) / total
    return Shares(motif_share, 1 - motif_share - open_share, open_share)
