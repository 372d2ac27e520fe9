"""Medians over pictures laid on each other, of what each of them shows."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray


def median_of(values: NDArray[np.float32], seen: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Median along the first axis over what is seen; where nothing is, the mean of all.

    Parameters
    ----------
    values : ndarray, shape (n, h, w) or (n, h, w, channels)
    seen : ndarray of bool, shape (n, h, w)
    """
    n = len(values)
    if n == 1:
        return np.asarray(values[0], dtype=np.float32)
    mask = seen if values.ndim == 3 else seen[..., None]
    ordered = [
        np.where(one, value, np.float32(np.inf)) for one, value in zip(mask, values, strict=True)
    ]
    # A sorting network over whole pictures: many times quicker than sorting every pixel.
    for last in range(n - 1, 0, -1):
        for k in range(last):
            low = np.minimum(ordered[k], ordered[k + 1])
            ordered[k + 1] = np.maximum(ordered[k], ordered[k + 1])
            ordered[k] = low
    count = mask.sum(axis=0)
    found = np.array(values.mean(axis=0), dtype=np.float32)
    for number in range(1, n + 1):
        here = count == number
        if here.any():
            middle = 0.5 * (ordered[(number - 1) // 2] + ordered[number // 2])
            found = np.where(here, middle, found)
    return np.asarray(found, dtype=np.float32)


def median_of_bytes(values: NDArray[np.uint8], seen: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """`median_of` for pictures in bytes, shape (n, h, w)."""
    n = len(values)
    if n == 1:
        return np.asarray(values[0], dtype=np.uint8)
    ordered = [
        value | (~one).view(np.uint8) * np.uint8(255)
        for one, value in zip(seen, values, strict=True)
    ]
    for last in range(n - 1, 0, -1):
        for k in range(last):
            low = cv2.min(ordered[k], ordered[k + 1])
            ordered[k + 1] = cv2.max(ordered[k], ordered[k + 1])
            ordered[k] = low
    count = seen.sum(axis=0, dtype=np.uint8)
    numbers = np.flatnonzero(np.bincount(count.ravel(), minlength=n + 1))
    found: NDArray[np.uint8] | None = None
    for number in numbers[::-1]:
        if number == 0:
            middle = np.asarray(values.mean(axis=0) + 0.5, dtype=np.uint8)
        else:
            low, high = ordered[(number - 1) // 2], ordered[number // 2]
            middle = np.asarray(cv2.addWeighted(low, 0.5, high, 0.5, 0) if number % 2 == 0 else low)
        if found is None:
            found = middle.copy()
        else:
            cv2.copyTo(middle, (count == number).view(np.uint8), found)
    assert found is not None
    return found
