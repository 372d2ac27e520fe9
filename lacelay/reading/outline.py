"""The outline of a lace cut out of its background: where its own thread ends.

A lace is held together by its faintest threads, so what was cut out (`Strip.extent`) reaches
out as far as the faintest blur. Its outline lies where each thread has fallen to half of its
own strength; what stands out long and thin is a pin or a printed line, and the ends, cut
through the net, are closed from thread to thread.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.reading.cloth import disc, fill_holes, largest_piece
from lacelay.reading.mat import Mask
from lacelay.reading.strip import Strip

Floats = NDArray[np.float64]

#: Resolution the outline is told at, px per mm: finer than a picot's thread is wide.
PX_PER_MM = 5.0
#: A thread's own strength is the strongest within this distance, mm; none is weaker than the
#: second, as cover.
OWN_MM, LEAST_OWN = 0.8, 0.24
#: Gaps between threads that the outline does not go into, mm: along the edges, and at the ends
#: of the piece, where half meshes stand open.
JOINT_MM, END_JOINT_MM = 0.45, 7.0
#: The outline lies no deeper than this within the lace as cut out, mm.
DEEPEST_MM = 2.0
#: An end's open meshes lie within this of it, mm.
END_MM = 8.0
#: Thinner than this, mm, is no body of lace; longer than the second it is no picot; lace with
#: more of these than the third, to a mm of its edge, has a fringe.
THIN_MM, PICOT_LONG_MM, FRINGE_PER_MM = 1.5, 3.5, 0.05


def outline_mask(strip: Strip) -> tuple[Mask, float]:
    """The lace within its outline, at a resolution of its own.

    Parameters
    ----------
    strip : Strip
        The lace cut out.

    Returns
    -------
    mask : ndarray of bool, shape (h, w)
        Of the same corner as the strip, the pixels larger by `shrink`; the head of a pin that
        was left out may remain, by itself.
    shrink : float
        Pixels of the mask to one of the strip.
    """
    shrink = min(1.0, PX_PER_MM / strip.px_per_mm)
    size = (round(strip.alpha.shape[1] * shrink), round(strip.alpha.shape[0] * shrink))
    q = strip.px_per_mm * shrink
    alpha = cv2.resize(strip.alpha, size, interpolation=cv2.INTER_AREA)
    extent = np.asarray(
        cv2.resize(strip.extent.view(np.uint8), size, interpolation=cv2.INTER_NEAREST), np.uint8
    )
    own = np.maximum(cv2.dilate(alpha, disc(OWN_MM * q)), np.float32(LEAST_OWN))
    thread = ((alpha > 0.5 * own) & (extent > 0)).astype(np.uint8)
    if strip.hidden is not None:
        hidden = cv2.resize(strip.hidden.view(np.uint8), size, interpolation=cv2.INTER_NEAREST)
        thread |= np.asarray(hidden, np.uint8) & extent
    pad = int(END_JOINT_MM * q) + 2
    wide = np.pad(thread, pad)
    closed = cv2.morphologyEx(wide, cv2.MORPH_CLOSE, disc(JOINT_MM * q))
    whole = fill_holes(closed > 0)
    # Where the edge itself is open, or its thread too faint, the lace as cut out bounds it.
    inner = cv2.distanceTransform(np.pad(extent, pad), cv2.DIST_L2, 3) > DEEPEST_MM * q
    whole = largest_piece(whole | inner)
    columns = np.flatnonzero(whole.any(0))
    upright = np.ones((max(1, round(END_JOINT_MM * q)), 1), np.uint8)
    wide_end = round(END_MM * q)
    for end in (
        slice(columns[0], columns[0] + wide_end),
        slice(columns[-1] + 1 - wide_end, columns[-1] + 1),
    ):
        own_end = whole[:, end].astype(np.uint8)
        whole[:, end] |= cv2.morphologyEx(own_end, cv2.MORPH_CLOSE, upright) > 0
    whole = _without_whiskers(whole, q)
    return whole[pad:-pad, pad:-pad], shrink


def _without_whiskers(whole: Mask, q: float) -> Mask:
    """Without what stands out long and thin, unless it does so everywhere."""
    body = cv2.morphologyEx(whole.astype(np.uint8), cv2.MORPH_OPEN, disc(0.5 * THIN_MM * q))
    thin = (whole & (body == 0)).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(thin)
    sides = stats[:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]].max(axis=1)
    long = []
    for k in range(1, count):
        if sides[k] < 0.7 * PICOT_LONG_MM * q:
            continue
        left, top, wide, high = (int(x) for x in stats[k, :4])
        box = (slice(max(0, top - 1), top + high + 1), slice(max(0, left - 1), left + wide + 1))
        # How far it reaches from where it hangs on the body.
        root = cv2.dilate(body[box], np.ones((3, 3), np.uint8))
        far = cv2.distanceTransform(1 - root, cv2.DIST_L2, 3)
        if far[labels[box] == k].max() > PICOT_LONG_MM * q - 1:
            long.append(k)
    if not long or len(long) > FRINGE_PER_MM * 2 * whole.any(0).sum() / q:
        return whole
    return np.asarray(whole & ~np.isin(labels, long))


def outline_of(strip: Strip) -> Floats:
    """The outline in the lace frame, mm, shape (n, 2), counter-clockwise or not; empty if none."""
    mask, shrink = outline_mask(strip)
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return np.empty((0, 2))
    largest = max(contours, key=cv2.contourArea)
    simple = cv2.approxPolyDP(largest, 0.12 * strip.px_per_mm * shrink, True).reshape(-1, 2)
    at = (simple + 0.5) / shrink - 0.5
    return np.stack([strip.u_of(at[:, 0]), strip.v_of(at[:, 1])], -1)
