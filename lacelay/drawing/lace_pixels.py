"""Take the lace's own pixels to wherever a run of it is laid.

Every output pixel asks where on the lace it lies: through the run's motion and easing
backwards, then back into the photographed length by whole repeats, then into the picture.
Colours are handled with alpha multiplied in, so that bare mat never bleeds into lace.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.drawing.raster import coverage
from lacelay.drawing.repeats import Repeats
from lacelay.drawing.scene import Points, densified
from lacelay.model.picture import LacePicture
from lacelay.model.plan import Laying, Plan, Run

Floats = NDArray[np.float32]
#: Two copies of the pattern are faded into each other over this length where they meet.
SEAM_MM = 5.0
_STRAIGHT_PER_MM = 1e-9


def unplace(laying: Laying, garment_mm: Points) -> Points:
    """Lace points of garment points, shape (n, 2): `Laying.place` backwards.

    Exact for points nearer the neutral line than the radius of the easing.
    """
    bent: Points = np.linalg.solve(
        np.asarray(laying.matrix), (np.asarray(garment_mm) - np.asarray(laying.shift_mm)).T
    ).T.astype(np.float64)
    inward = np.asarray(laying.inward, dtype=np.float64)
    along = np.array([inward[1], -inward[0]])
    offset = bent - np.asarray(laying.pivot_mm)
    x, y = offset @ along, offset @ inward
    k = laying.bend_per_mm
    if abs(k) < _STRAIGHT_PER_MM:
        return bent
    # A point at height b over the neutral arc lies 1/k - b from the arc's centre.
    sign = np.sign(k)
    to_centre = 1 / k - y
    a = np.arctan2(sign * x, sign * to_centre) / k
    b = 1 / k - sign * np.hypot(x, to_centre)
    lace: Points = np.asarray(laying.pivot_mm) + a[:, None] * along + b[:, None] * inward
    return lace


class LacePixels:
    """The picture made ready to be sampled at one resolution.

    Parameters
    ----------
    picture : LacePicture
    repeats : Repeats
    px_per_mm : float
        Resolution of what is painted; a finer picture is smoothed to it first, or its
        mesh would show as moire.
    """

    def __init__(self, picture: LacePicture, repeats: Repeats, px_per_mm: float) -> None:
        rgba: Floats = picture.rgba.astype(np.float32)
        rgba[..., :3] *= rgba[..., 3:] / 255
        ratio = picture.px_per_mm / px_per_mm
        if ratio > 1:
            sigma = 0.5 * float(np.sqrt(ratio**2 - 1))
            blurred = cv2.GaussianBlur(rgba, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT)
            rgba = np.asarray(blurred, np.float32)
        self._premultiplied = rgba / 255
        self._picture = picture
        self._repeats = repeats

    def at(self, lace_mm: Points) -> Floats:
        """Colour times alpha, and alpha, at lace points of any shape (..., 2): (..., 4)."""
        u, v = lace_mm[..., 0], lace_mm[..., 1]
        first = self._repeats.back(u)
        sampled = self._sample(first, v)
        other, share = self._seam(first)
        fades = share > 0
        if fades.any():
            more = self._sample(other[fades], v[fades])
            sampled[fades] += share[fades, None] * (more - sampled[fades])
        return sampled

    def _sample(self, u: Points, v: Points) -> Floats:
        px = self._picture.lace_to_picture(np.stack([u.ravel(), v.ravel()], axis=1))
        # OpenCV wants fewer than 32768 columns: fold a long list of points into rows.
        width = min(len(px), 4096)
        folded = np.full((-(-len(px) // width) * width, 2), -9.0, np.float32)
        folded[: len(px)] = px
        grid = folded.reshape(-1, width, 2)
        sampled = cv2.remap(
            self._premultiplied,
            grid[..., 0],
            grid[..., 1],
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=(0, 0, 0, 0),
        )
        flat = np.asarray(sampled, np.float32).reshape(-1, 4)[: len(px)]
        return flat.reshape((*u.shape, 4))

    def _seam(self, first: Points) -> tuple[Points, Floats]:
        """Where else a place of the template was photographed, and how much of it to mix in.

        Two copies of the template meet at its ends: there one of them is carried on with
        what was photographed beyond it, and fades into the other.
        """
        r = self._repeats
        t = first - r.start_mm
        if r.start_mm + r.period_mm + SEAM_MM <= r.high_mm:
            return first + r.period_mm, np.clip(1 - t / SEAM_MM, 0, 1).astype(np.float32)
        if r.start_mm - SEAM_MM >= r.low_mm:
            to_end = r.period_mm - t
            return first - r.period_mm, np.clip(1 - to_end / SEAM_MM, 0, 1).astype(np.float32)
        return first, np.zeros(first.shape, np.float32)


@dataclass(frozen=True)
class Frame:
    """Where a picture's pixels lie on the garment.

    Parameters
    ----------
    left_mm, top_mm : float
        Garment x of the centre of column 0 and y of the centre of row 0.
    px_per_mm : float
    shape : tuple of int
        Rows and columns.
    """

    left_mm: float
    top_mm: float
    px_per_mm: float
    shape: tuple[int, int]

    def to_px(self, garment_mm: Points) -> Points:
        """Pixels (column, row) of garment points, shape (n, 2)."""
        x, y = garment_mm[:, 0] - self.left_mm, self.top_mm - garment_mm[:, 1]
        return np.stack([x, y], axis=1) * self.px_per_mm


def lay_run(
    pixels: LacePixels, run: Run, frame: Frame
) -> tuple[Floats, tuple[slice, slice]] | None:
    """Paint one run where it is laid.

    Returns
    -------
    tuple or None
        Colour times alpha and alpha, shape (h, w, 4), and the rows and columns of the
        frame they belong to; None when the run lies outside it.
    """
    outline = run.laying.place(densified(run.outline_mm, 1.0, closed=True))
    px = frame.to_px(outline)
    rows_all, columns_all = frame.shape
    x0, y0 = np.maximum(np.floor(px.min(axis=0)).astype(int) - 1, 0)
    x1, y1 = np.minimum(np.ceil(px.max(axis=0)).astype(int) + 2, [columns_all, rows_all])
    if x0 >= x1 or y0 >= y1:
        return None
    columns, rows = np.meshgrid(np.arange(x0, x1), np.arange(y0, y1))
    x = frame.left_mm + columns / frame.px_per_mm
    y = frame.top_mm - rows / frame.px_per_mm
    garment = np.stack([x, y], axis=-1)
    lace = unplace(run.laying, garment.reshape(-1, 2)).reshape(garment.shape)
    inside = coverage(px - np.array([x0, y0]), (int(y1 - y0), int(x1 - x0)))
    painted = pixels.at(lace) * inside[..., None]
    return painted, (slice(int(y0), int(y1)), slice(int(x0), int(x1)))


def lower_first(plan: Plan) -> list[int]:
    """Runs in the order in which they are laid down: a run that lies on top comes later."""
    above: dict[int, set[int]] = {k: set() for k in range(len(plan.runs))}
    for k, cut in enumerate(plan.cuts):
        if cut.top == "left":
            above[k].add(k + 1)
        elif cut.top == "right":
            above[k + 1].add(k)
    order: list[int] = []
    left = sorted(above)
    while left:
        # Neighbours form a chain, so some run always has everything under it laid.
        ready = next(k for k in left if not above[k] - set(order))
        order.append(ready)
        left.remove(ready)
    return order
