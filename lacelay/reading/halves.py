"""A photo halved again and again, made once for all that look for what tells the scale.

Halving exactly is some twenty times as quick as any other shrinking, and where a pixel of a
half came from is plain: its centre lies between those of the four it was made of.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Image8 = NDArray[np.uint8]

#: Longer side of the smallest picture kept, px, at least.
SMALLEST_PX = 400


@dataclass(frozen=True, eq=False)
class Halves:
    """The same photo in grey and in colour, each picture half as large as the one before.

    Parameters
    ----------
    gray : tuple of ndarray of uint8, each (h, w)
        The photo's own size first.
    colour : tuple of ndarray of uint8, each (h, w, 3)
        The same in sRGB.
    """

    gray: tuple[Image8, ...]
    colour: tuple[Image8, ...]

    @staticmethod
    def of(photo: Image8) -> Halves:
        """All pictures of a photo, shape (h, w, 3), sRGB."""
        colour = [photo]
        gray = [np.asarray(cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY), dtype=np.uint8)]
        while max(gray[-1].shape) >= 2 * SMALLEST_PX and min(gray[-1].shape) >= 4:
            gray.append(halved(gray[-1]))
            colour.append(halved(colour[-1]))
        return Halves(tuple(gray), tuple(colour))

    def nearest(self, side_px: float) -> int:
        """Which picture's longer side is nearest to a length, by ratio."""
        sides = np.array([max(picture.shape) for picture in self.gray], dtype=float)
        return int(np.abs(np.log(sides / side_px)).argmin())


def halved(picture: Image8) -> Image8:
    """A picture of half the size; a last odd row or column is left out."""
    height, width = picture.shape[0] // 2, picture.shape[1] // 2
    even = picture[: 2 * height, : 2 * width]
    small = cv2.resize(even, (width, height), interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.uint8)


def to_photo(level: int) -> Floats:
    """From pixels of a picture halved `level` times to those of the photo, shape (3, 3).

    Examples
    --------
    >>> (to_photo(2) @ [10.0, 0.0, 1.0]).tolist()
    [41.5, 1.5, 1.0]
    """
    times = float(2**level)
    half = (times - 1) / 2
    return np.array([[times, 0, half], [0, times, half], [0, 0, 1.0]])
