"""Light lying on the mat: reflected lamps and shadows, told by their soft sides.

A lamp's reflection or a shadow changes the mat's colour as much as lace does, but slowly:
nowhere on the way from the plain mat to its middle is there an edge. So what can be reached
from the bare mat without crossing any edge is mat as well, whatever its colour, and says how
the light is there and a little way into the lace beside it.

Arrays are (row, col) of the search picture; colours are CIE Lab with L from 0 to 100.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from cv2.typing import MatLike
from numpy.typing import NDArray

from lacelay.reading.colours import length_of

Floats = NDArray[np.float64]
Image = NDArray[np.float32]
Mask = NDArray[np.bool_]

#: The picture is made this many times smaller to look for edges: grain is averaged.
SMALLER = 2
#: Window an edge is looked for in, px of the smaller picture.
WINDOW_PX = 5
#: A place is even where it is no rougher than this many times the bare mat.
EVEN_TIMES = 1.6
#: Light changes by less within the window, in L.
STEEPEST_LAB = 10.0
#: Light that changes the mat by less than this many times its noise is left as it is; so is
#: light over less than the second share of the picture.
LIT_TIMES, LEAST_SHARE = 5.0, 0.001
#: Light goes its own way within this share of its length.
OFF_WAY = 0.35
#: Light is known this far beyond where it was seen, as a share of the picture's longer side.
REACH_SHARE = 0.02
#: The field of light is kept this many times smaller than the search picture.
COARSE = 8


@dataclass(frozen=True, eq=False)
class Light:
    """What light adds to the mat's colour.

    Parameters
    ----------
    added : ndarray of float32, shape (m, n, 3)
        Lab to add to the bare mat's, at a coarse raster over the photo.
    per_px : float
        Samples of the raster to a photo pixel.
    """

    added: Image
    per_px: float

    def at(self, at_px: NDArray[np.floating]) -> Image:
        """Lab added at photo points, shape (m, n, 2); past the photo as at its border."""
        there = (np.asarray(at_px, np.float32) + np.float32(0.5)) * np.float32(self.per_px) - 0.5
        x, y = (np.ascontiguousarray(there[..., k]) for k in (0, 1))
        return np.asarray(
            cv2.remap(self.added, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE),
            dtype=np.float32,
        )


def light_on(
    offset: Image,
    zone: Image | None,
    on_mat: Mask,
    noise: float,
    ways: Sequence[Floats],
    shrink: float,
) -> Light | None:
    """Find lamps and shadows lying on the mat.

    Parameters
    ----------
    offset : ndarray of float32, shape (h, w, 3)
        Lab of the search picture minus that of the bare mat.
    zone : ndarray of float32 or None
        1 where a printed line runs.
    on_mat : ndarray of bool
        Where there may be mat.
    noise : float
        Typical Lab distance of bare mat.
    ways : sequence of ndarray, shape (3,)
        Lab that much light, or little, adds to the mat's.
    shrink : float
        Pixels of the search picture to a photo pixel.

    Returns
    -------
    Light or None
        None where there is none worth taking off.
    """
    size = (offset.shape[1] // SMALLER, offset.shape[0] // SMALLER)
    keep = on_mat.copy()
    if zone is not None:
        keep[zone > 0] = False
    kept = offset.copy()
    kept[~keep] = 0
    weight = cv2.resize(keep.view(np.uint8) * np.float32(1), size, interpolation=cv2.INTER_AREA)
    masked = cv2.resize(kept, size, interpolation=cv2.INTER_AREA)
    # Across printed lines from both their sides.
    window = (WINDOW_PX, WINDOW_PX)
    near = _mean(cv2.blur(masked, window), cv2.blur(weight, window))
    there = weight > 0.25
    seen = _mean(masked, weight)
    seen[~there] = near[~there]
    rough = seen[..., 0] - near[..., 0]
    rough = np.sqrt(np.maximum(cv2.blur(rough * rough, (WINDOW_PX, WINDOW_PX)), 0))
    far = length_of(seen)
    bare = (far < 2.5 * noise) & there
    if bare.mean() < 0.05:
        return None
    limit = EVEN_TIMES * float(np.median(rough[bare])) + 0.05
    # A motif's side along a printed line is bridged by the line; it is too steep for light.
    side = np.ones((WINDOW_PX, WINDOW_PX), np.uint8)
    level = np.ascontiguousarray(seen[..., 0])
    steep = cv2.dilate(level, side) - cv2.erode(level, side) > STEEPEST_LAB + 4 * noise
    even = cv2.morphologyEx(
        ((rough < limit) & ~steep).astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)
    )
    count, parts = cv2.connectedComponents(even, connectivity=4)
    bare_in = np.bincount(parts[bare & (even > 0)], minlength=count)
    reached = parts == int(bare_in.argmax())
    if (reached & (far > LIT_TIMES * noise)).mean() < LEAST_SHARE:
        return None
    reached &= bare | _on_way(seen, ways)
    lit = reached & (far > LIT_TIMES * noise)
    if lit.mean() < LEAST_SHARE:
        return None
    coarse = (max(1, round(offset.shape[1] / COARSE)), max(1, round(offset.shape[0] / COARSE)))
    known = cv2.resize(reached.astype(np.float32), coarse, interpolation=cv2.INTER_AREA)
    added = cv2.resize(
        (seen * reached[..., None]).astype(np.float32), coarse, interpolation=cv2.INTER_AREA
    )
    spread = REACH_SHARE * max(coarse)
    # What was seen counts as seen; beyond, what lies nearest, fading to the plain mat.
    around = cv2.GaussianBlur(known, (0, 0), spread)
    smooth = cv2.GaussianBlur(added, (0, 0), spread) / (around + 0.02)[..., None]
    share = np.clip(known, 0, 1)[..., None]
    whole = added + (1 - share) * smooth
    return Light(np.asarray(whole, dtype=np.float32), shrink * coarse[0] / offset.shape[1])


def _mean(summed: MatLike, weight: MatLike) -> Image:
    """Weighted means of a picture of three channels."""
    least = np.maximum(weight, np.float32(1e-3))
    return np.asarray(cv2.divide(summed, cv2.merge([least, least, least])), dtype=np.float32)


def _on_way(offset: Image, ways: Sequence[Floats]) -> Mask:
    """Where an offset goes the way that light goes, within a third of its own length."""
    square = (offset * offset).sum(-1)
    found = np.zeros(square.shape, bool)
    for way in ways:
        unit = (way / max(float(np.linalg.norm(way)), 1e-6)).astype(np.float32)
        along = offset @ unit
        found |= (along > 0) & (square - along * along < OFF_WAY**2 * square)
    return found
