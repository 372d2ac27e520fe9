"""Give the lace its own colour: the mat's share is taken out of every pixel.

Where lace covers a share a of a pixel, the photo shows a * lace + (1 - a) * mat, so the lace
itself has mat + (seen - mat) / a. Where it covers little, noise would be blown up by that: there
the picture leans on the lace's typical colour.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.model.picture import LacePicture
from lacelay.reading.strip import Strip

#: The mat is taken out of a pixel as if lace covered at least this share of it.
LEAST_COVER = 0.3
#: Shares of cover from which a pixel's own colour is believed, and believed wholly.
FAINT, TRUSTED = 0.15, 0.5
#: Cover of solid lace, whose colour is typical.
SOLID = 0.8
#: Rows done at once: so few that the processor keeps them at hand.
ROWS = 32
#: Cover in steps of 1/255.
_COVER = np.arange(256, dtype=np.float32) / np.float32(255)


def lace_picture(strip: Strip) -> LacePicture:
    """The lace cut out of its background, RGBA, in the lace frame of the strip.

    Parameters
    ----------
    strip : Strip
    """
    own_share = (1 / np.maximum(_COVER, LEAST_COVER)).astype(np.float32)
    trust = np.clip((_COVER - FAINT) / (TRUSTED - FAINT), 0, 1).astype(np.float32)
    mat_share, distrust = 1 - own_share, 1 - trust
    h, w = strip.alpha.shape
    typical = np.broadcast_to(_typical(strip), (ROWS, w, 3)).copy()
    rgba = np.empty((h, w, 4), np.uint8)
    for top in range(0, h, ROWS):
        rows = slice(top, min(h, top + ROWS))
        cover = np.asarray(cv2.convertScaleAbs(strip.alpha[rows], alpha=255), dtype=np.uint8)
        mat = cv2.convertScaleAbs(strip.mat_rgb[rows])
        own = cv2.blendLinear(
            strip.rgb[rows], mat, cv2.LUT(cover, own_share), cv2.LUT(cover, mat_share)
        )
        leant = cv2.blendLinear(
            own, typical[: len(cover)], cv2.LUT(cover, trust), cv2.LUT(cover, distrust)
        )
        cv2.mixChannels([leant, cover], [rgba[rows]], [0, 0, 1, 1, 2, 2, 3, 3])
    return LacePicture(rgba, strip.px_per_mm, strip.u0_mm, strip.v0_mm)


def _typical(strip: Strip) -> NDArray[np.uint8]:
    """Median colour of solid lace, by every third pixel each way."""
    solid = strip.alpha[::3, ::3] > SOLID
    if np.count_nonzero(solid) < 8:
        return np.full(3, 128, np.uint8)
    seen = strip.rgb[::3, ::3][solid][::2]
    return np.asarray(np.median(seen, axis=0) + 0.5, dtype=np.uint8)
