"""The lace's own picture after its record was put right."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.correcting.frame import photo_of
from lacelay.model.lace import Lace
from lacelay.model.picture import LacePicture

#: The map between two pictures is worked out this far apart and filled in between, px.
_STEP_PX = 16
#: What the outline leaves out is taken away from here on, mm.
_BESIDE_MM = 0.4
#: Lace kept beyond the outline's own box, mm.
_MARGIN_MM = 3.0


def corrected_picture(picture: LacePicture, before: Lace, after: Lace) -> LacePicture:
    """Bring a picture into the frame of the corrected record.

    Parameters
    ----------
    picture : LacePicture
        In the frame of `before`.
    before, after : Lace
        The reading, and the same with corrections laid over it.

    Returns
    -------
    LacePicture
        The same one where neither frame nor outline changed. What a redrawn outline leaves
        out is gone; what it adds beyond the picture stays empty until the photo is read anew.
    """
    if after.photo is not before.photo:
        picture = _carried(picture, before, after)
    if after.outline_mm is before.outline_mm or _same_ring(before, after):
        return picture
    return _within(picture, after)


def _same_ring(before: Lace, after: Lace) -> bool:
    if before.outline_mm.shape != after.outline_mm.shape:
        return False
    seen = [photo_of(lace).lace_to_photo(lace.outline_mm) for lace in (before, after)]
    return bool(np.abs(seen[0] - seen[1]).max() < 0.01)


def _carried(picture: LacePicture, before: Lace, after: Lace) -> LacePicture:
    old, new = photo_of(before), photo_of(after)
    factor = before.scale.px_per_mm / after.scale.px_per_mm
    larger = np.diag([factor, factor, 1.0]) @ old.photo_to_mat
    if np.allclose(larger, new.photo_to_mat, rtol=1e-9, atol=1e-12) and np.allclose(
        old.axis_mat_mm[0] * factor, new.axis_mat_mm[0], rtol=1e-9, atol=1e-9
    ):
        return replace(
            picture,
            px_per_mm=picture.px_per_mm / factor,
            u0_mm=picture.u0_mm * factor,
            v0_mm=picture.v0_mm * factor,
        )
    px_per_mm = picture.px_per_mm / factor
    low = after.outline_mm.min(axis=0) - _MARGIN_MM
    high = after.outline_mm.max(axis=0) + _MARGIN_MM
    columns, rows = (int(np.ceil(size * px_per_mm)) + 1 for size in high - low)
    u = low[0] + np.arange(0, columns + _STEP_PX, _STEP_PX) / px_per_mm
    v = high[1] - np.arange(0, rows + _STEP_PX, _STEP_PX) / px_per_mm
    grid = np.stack([each.ravel() for each in np.meshgrid(u, v)], axis=1)
    seen = picture.lace_to_picture(old.photo_to_lace(new.lace_to_photo(grid)))
    maps = [_filled(seen[:, k].reshape(len(v), len(u)), (columns, rows)) for k in (0, 1)]
    rgba = cv2.remap(
        picture.rgba, maps[0], maps[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT
    )
    return LacePicture(np.asarray(rgba, dtype=np.uint8), px_per_mm, float(low[0]), float(high[1]))


def _filled(coarse: NDArray[np.float64], size: tuple[int, int]) -> NDArray[np.float32]:
    """Values every `_STEP_PX` pixels, filled in between, shape (rows, columns)."""
    columns = np.arange(size[0], dtype=np.float32) / _STEP_PX
    rows = np.arange(size[1], dtype=np.float32) / _STEP_PX
    x, y = np.meshgrid(columns, rows)
    return np.asarray(
        cv2.remap(coarse.astype(np.float32), x, y, cv2.INTER_LINEAR), dtype=np.float32
    )


def _within(picture: LacePicture, lace: Lace) -> LacePicture:
    rows, columns = picture.rgba.shape[:2]
    mask = np.zeros((rows, columns), np.uint8)
    ring = np.round(picture.lace_to_picture(lace.outline_mm) * 16).astype(np.int32)
    cv2.fillPoly(mask, [ring], 255, shift=4)
    reach = max(1, round(_BESIDE_MM * picture.px_per_mm))
    mask = np.asarray(cv2.dilate(mask, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)))
    rgba = picture.rgba.copy()
    rgba[..., 3] = np.minimum(rgba[..., 3], mask)
    return replace(picture, rgba=rgba)
