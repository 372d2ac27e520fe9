"""The border laid along the edge, from the photo's own pixels."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.drawing.lace_pixels import Frame, LacePixels, lay_run, lower_first
from lacelay.drawing.plan_scene import garment_scene
from lacelay.drawing.raster import coverage, paint
from lacelay.drawing.repeats import find_repeats
from lacelay.drawing.scale_bar import scale_bar
from lacelay.drawing.scene import Bounds, Scene
from lacelay.drawing.style import DUSK_GROUND, PICTURE_STYLES, RGB, SOFT_GROUND
from lacelay.model.picture import LacePicture
from lacelay.model.plan import Plan

Image8 = NDArray[np.uint8]
#: A picture is no larger than this, whatever its garment.
MOST_PX = 16_000_000
_MARGIN_MM = 14.0
#: Of the cloth beyond the laid border and its words, no more than this is shown.
_CLOTH_MM = 40.0
_DEEP_CLOTH: RGB = (62, 76, 92)
_PALE_CLOTH: RGB = (226, 206, 196)
#: A thread of lace stands about this far off the cloth, and its shadow is that soft.
_RELIEF_MM = 0.5


def draw_on_garment(
    plan: Plan,
    picture: LacePicture,
    *,
    px_per_mm: float = 4.0,
    cloth_rgb: RGB | None = None,
    annotated: bool = False,
    relief: bool = True,
    lettering: float = 1.0,
) -> Image8:
    """Draw the garment piece with the border laid along its edge.

    Parameters
    ----------
    plan : Plan
    picture : LacePicture
    px_per_mm : float
        Resolution of the result; less for a garment of more than `MOST_PX`.
    cloth_rgb : tuple of int or None
        Colour of the garment; a deep one under pale lace and a pale one under dark when
        None.
    annotated : bool
        With the edge, balance marks, cuts, laps, gaps and numbers drawn over it, and a
        scale bar; else only what one would see.
    relief : bool
        With the soft shadow that lace throws on what lies under it.
    lettering : float
        Lines and letters this much larger than usual, for a picture to be shown small.

    Returns
    -------
    ndarray of uint8, shape (h, w, 3)
        `picture_frame` says where the pixels of a plain picture lie on the garment.
    """
    unit_mm = _unit_mm(plan, lettering) if annotated else 1.0
    frame = picture_frame(plan, px_per_mm, unit_mm=unit_mm)
    pixels = LacePixels(picture, find_repeats(plan, picture), frame.px_per_mm)
    colour = cloth_rgb or contrasting_cloth(picture)
    ground = DUSK_GROUND if is_pale(picture) else SOFT_GROUND
    canvas = np.empty((*frame.shape, 3), np.float32)
    canvas[:] = np.asarray(ground, np.float32) / 255

    if plan.target.cloth_mm is not None:
        inside = coverage(frame.to_px(np.asarray(plan.target.cloth_mm)), frame.shape)[..., None]
        canvas += inside * (np.asarray(colour, np.float32) / 255 - canvas)
    else:
        canvas[:] = np.asarray(colour, np.float32) / 255
    for k in lower_first(plan):
        laid = lay_run(pixels, plan.runs[k], frame)
        if laid is None:
            continue
        painted, place = laid
        under = canvas[place]
        if relief:
            under = under * (1 - _shadow(painted[..., 3], frame.px_per_mm))[..., None]
        canvas[place] = painted[..., :3] + (1 - painted[..., 3:]) * under
    rgb = np.clip(np.round(canvas * 255), 0, 255).astype(np.uint8)
    if not annotated:
        return rgb
    scene = garment_scene(plan, unit_mm=unit_mm).without("cloth", "run")
    foot = frame.top_mm - frame.shape[0] / frame.px_per_mm
    at = (frame.left_mm + 6 * unit_mm, foot + 4 * unit_mm)
    bar = scale_bar(at, 100.0, tick_mm=2.5 * unit_mm)
    scene = Scene(scene.name, (*scene.shapes, *bar))
    return paint(rgb, scene, PICTURE_STYLES, to_px=frame.to_px, unit_px=unit_mm * frame.px_per_mm)


def picture_frame(plan: Plan, px_per_mm: float, *, unit_mm: float = 1.0) -> Frame:
    """Frame of a picture at a resolution, or at less where that is more than `MOST_PX`."""
    x0, y0, x1, y1 = _frame_mm(plan, unit_mm)
    px_per_mm = min(px_per_mm, float(np.sqrt(MOST_PX / ((x1 - x0) * (y1 - y0)))))
    shape = (int(np.ceil((y1 - y0) * px_per_mm)), int(np.ceil((x1 - x0) * px_per_mm)))
    return Frame(x0, y1, px_per_mm, shape)


def _frame_mm(plan: Plan, unit_mm: float) -> Bounds:
    """Return what is shown: the laid border with words, and so much of the cloth about it."""
    scene = garment_scene(plan, unit_mm=unit_mm)
    margin = _MARGIN_MM * unit_mm
    x0, y0, x1, y1 = scene.bounds_mm(without=("cloth",))
    x0, y0, x1, y1 = x0 - margin, y0 - margin, x1 + margin, y1 + margin
    if not scene.of("cloth"):
        return x0, y0, x1, y1
    a0, b0, a1, b1 = scene.bounds_mm()
    return (
        min(x0, max(a0 - margin, x0 - _CLOTH_MM)),
        min(y0, max(b0 - margin, y0 - _CLOTH_MM)),
        max(x1, min(a1 + margin, x1 + _CLOTH_MM)),
        max(y1, min(b1 + margin, y1 + _CLOTH_MM)),
    )


def _unit_mm(plan: Plan, lettering: float) -> float:
    """Length on the garment that the styles' unit stands for: more on a large garment."""
    x0, y0, x1, y1 = garment_scene(plan).bounds_mm(without=("cloth",))
    return lettering * max(1.0, max(x1 - x0, y1 - y0) / 420)


def contrasting_cloth(picture: LacePicture) -> RGB:
    """Return a cloth colour that the lace shows on."""
    return _DEEP_CLOTH if is_pale(picture) else _PALE_CLOTH


def is_pale(picture: LacePicture) -> bool:
    """Whether the lace, where it covers, is lighter than a middle grey."""
    covered = picture.rgba[picture.rgba[..., 3] > 128][:, :3]
    if not len(covered):
        return True
    # Weights of red, green and blue in lightness: ITU-R BT.601.
    return bool((covered.mean(axis=0) @ np.array([0.299, 0.587, 0.114])) > 125)


def _shadow(alpha: NDArray[np.float32], px_per_mm: float) -> NDArray[np.float32]:
    sigma = _RELIEF_MM * px_per_mm
    soft = cv2.GaussianBlur(alpha, (0, 0), sigma)
    down = max(1, round(0.6 * _RELIEF_MM * px_per_mm))
    moved = np.zeros_like(soft)
    moved[down:, down:] = soft[:-down, :-down]
    return np.asarray(0.35 * moved, np.float32)
