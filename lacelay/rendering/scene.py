"""Where everything lies: lace on mat, mat under camera, all drawn from the seed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon, box

from lacelay.geometry.photo_map import PhotoMap, Points
from lacelay.rendering.camera import border_points, bowed_axis, homography_photo_to_mat, photo_map
from lacelay.rendering.difficulty import Difficulty
from lacelay.rendering.mats import MatPrint
from lacelay.rendering.pattern import Pattern

#: Photos are composed at this width; other sizes show the same field.
_COMPOSED_PX = 4000


@dataclass(frozen=True, eq=False)
class Warp:
    """Small smooth displacements by which one piece of lace differs from its design.

    Parameters
    ----------
    waves_per_mm : ndarray, shape (k, 2)
        Wave vectors in radians per mm.
    sizes_mm : ndarray, shape (k, 2)
    phases_rad : ndarray, shape (k,)
    shift_mm : ndarray, shape (2,)
        Design point at the lace's (0, 0), without the waves.
    """

    waves_per_mm: Points
    sizes_mm: Points
    phases_rad: NDArray[np.float64]
    shift_mm: Points

    def to_design(self, lace_mm: Points) -> Points:
        """Design points of lace points, shape (n, 2)."""
        phase = lace_mm @ self.waves_per_mm.T + self.phases_rad
        return np.asarray(lace_mm + self.shift_mm + np.sin(phase) @ self.sizes_mm, dtype=np.float64)

    def to_lace(self, design_mm: Points) -> Points:
        """Lace points of design points, shape (n, 2)."""
        lace = np.asarray(design_mm, dtype=np.float64) - self.shift_mm
        for _ in range(9):  # a contraction: the waves' slope stays far below 1
            lace = lace + (design_mm - self.to_design(lace))
        return lace


@dataclass(frozen=True, eq=False)
class Scene:
    """One composed photo before any pixel is drawn; `closed`: the lace is a ring."""

    pattern: Pattern
    printed: MatPrint
    difficulty: Difficulty
    map: PhotoMap
    warp: Warp
    from_mm: float
    to_mm: float
    body_design: Polygon
    closed: bool = False

    @property
    def body_lace(self) -> Polygon:
        """Outline of the whole length laid down, in lace mm."""
        ring = np.asarray(self.body_design.exterior.coords)[:-1]
        return shapely.make_valid(Polygon(self.warp.to_lace(ring)))


def compose(
    pattern: Pattern,
    printed: MatPrint,
    difficulty: Difficulty,
    size_px: tuple[int, int],
    rng: np.random.Generator,
    overfull: bool,
) -> Scene:
    """Lay the lace on the mat and hold the camera over it.

    The turn and the scale are made smaller until the lace keeps clear of the top and bottom
    of the photo, unless `overfull`, where it fills the photo.
    """
    signs = rng.choice([-1.0, 1.0], 6)
    scale = float(rng.uniform(8.0, 14.0))
    turn = signs[0] * difficulty.lace_turn_rad * float(rng.uniform(0.4, 1.0))
    mat_turn = signs[1] * difficulty.mat_turn_rad * float(rng.uniform(0.0, 1.0))
    # some mats are turned by a quarter, as they happen to lie; small ones would be left bare
    quarter = bool(rng.random() < 0.25)
    if quarter and printed.size_mm[1] > 0.95 * _COMPOSED_PX / scale:
        mat_turn += np.pi / 2
    tilt, towards = (
        difficulty.tilt_rad * float(rng.uniform(0.5, 1.0)),
        float(rng.uniform(0, 2 * np.pi)),
    )
    ends = str(rng.choice(["both", "left", "right", "neither"], p=[0.5, 0.17, 0.17, 0.16]))
    if abs(turn) > 0.13:
        ends = "both"
    fractions = rng.uniform(0.36, 0.46, 2)
    offset = rng.uniform(-0.03, 0.03, 2)
    place = rng.uniform(0, 1, 2)
    few = bool(rng.random() < 0.12)
    bow = signs[2] * difficulty.bow_mm
    start_u = float(rng.uniform(0, pattern.repeat_mm))
    slant = rng.normal(0, 1.2, 4)
    waves = draw_waves(difficulty, rng)
    aspect = size_px[1] / size_px[0]
    if overfull:
        field = 0.8 * pattern.width_mm / (aspect * np.cos(turn) + abs(np.sin(turn)))
        scale, ends, bow, offset = _COMPOSED_PX / field, "neither", 0.0, np.zeros(2)
    elif not few:
        scale = min(scale, _COMPOSED_PX / (2.5 * pattern.repeat_mm))
    for _ in range(60):
        scene = _laid(
            pattern, printed, difficulty, size_px, scale, turn, mat_turn, (tilt, towards), ends,
            fractions, offset, place, bow, start_u, slant, waves, float(signs[3]),
        )  # fmt: skip
        if overfull or _clear(scene):
            return scene
        if scale > 7.6:
            scale = max(7.5, 0.95 * scale)
        elif abs(turn) > 0.02:
            turn, bow = 0.85 * turn, 0.85 * bow
        else:
            scale *= 0.96
    raise ValueError("no way was found to lay this lace into the photo")


def draw_waves(difficulty: Difficulty, rng: np.random.Generator) -> Warp:
    """Draw the small warps of one piece; their size is in the difficulty."""
    count = 5
    length = rng.uniform(45, 220, count)
    angle = rng.uniform(0, 2 * np.pi, count)
    vectors = (2 * np.pi / length)[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    sizes = difficulty.warp_mm / np.sqrt(count) * rng.normal(0, 1, (count, 2))
    return Warp(vectors, sizes, rng.uniform(0, 2 * np.pi, count), np.zeros(2))


def _laid(
    pattern: Pattern,
    printed: MatPrint,
    difficulty: Difficulty,
    size_px: tuple[int, int],
    composed_scale: float,
    turn: float,
    mat_turn: float,
    tilt: tuple[float, float],
    ends: str,
    fractions: NDArray[np.float64],
    offset: NDArray[np.float64],
    place: NDArray[np.float64],
    bow: float,
    start_u: float,
    slant: NDArray[np.float64],
    waves: Warp,
    k1_sign: float,
) -> Scene:
    field = _COMPOSED_PX / composed_scale
    px_per_mm = size_px[0] / field
    c, s = np.cos(mat_turn), np.sin(mat_turn)
    to_mat = np.array([[c, -s], [s, c]])
    view = np.abs(to_mat) @ np.array([field, field * size_px[1] / size_px[0]])
    size = np.array(printed.size_mm)
    reach = np.maximum(size - 0.86 * view, 0.0)
    aim = size / 2 + (place - 0.5) * reach
    homography = homography_photo_to_mat(size_px, px_per_mm, aim, mat_turn, *tilt)
    centre = aim + to_mat @ (offset * field)
    heading = mat_turn + turn
    # the axis is the lower valley line, half a width below the middle of the lace
    across = np.array([-np.sin(heading), np.cos(heading)])
    foot = centre - 0.5 * pattern.width_mm * across
    run_out = 0.56 * field / np.cos(turn) + (pattern.width_mm + 40) * abs(np.tan(turn)) + 20
    before = fractions[0] * field if ends in ("both", "left") else run_out
    after = fractions[1] * field if ends in ("both", "right") else run_out
    return lay_down(
        pattern, printed, difficulty, size_px, homography, foot, heading, (before, after), bow,
        start_u, slant, waves, k1_sign,
    )  # fmt: skip


def lay_down(
    pattern: Pattern,
    printed: MatPrint,
    difficulty: Difficulty,
    size_px: tuple[int, int],
    homography: Points,
    foot: Points,
    heading: float,
    reach: tuple[float, float],
    bow: float,
    start_u: float,
    slant: NDArray[np.float64],
    waves: Warp,
    k1_sign: float,
) -> Scene:
    """Lay a length with its lower valley line through a mat point, along a heading.

    `reach` is how far it goes to the left and to the right of that point, in mm, and
    `start_u` the design point its left end shows.
    """
    before, after = reach
    from_mm, to_mm = start_u, start_u + before + after
    body = _cut_body(pattern, from_mm, to_mm, slant)
    first = -before
    for _ in range(3):  # u = 0 is the left end of what is seen
        axis = bowed_axis(foot, heading, first, after + 30, bow)
        mapped = photo_map(size_px, homography, axis, difficulty, k1_sign)
        warp = Warp(
            waves.waves_per_mm, waves.sizes_mm, waves.phases_rad,
            np.array([start_u + first + before, 0.0]),
        )  # fmt: skip
        scene = Scene(pattern, printed, difficulty, mapped, warp, from_mm, to_mm, body)
        seen = visible_outline(scene)
        if abs(seen.bounds[0]) < 0.05:
            break
        first += seen.bounds[0]
    return scene


def _cut_body(
    pattern: Pattern, from_mm: float, to_mm: float, slant: NDArray[np.float64]
) -> Polygon:
    """The length between two scissor cuts, each a little askew."""
    whole = pattern.body(from_mm - 6, to_mm + 6)
    low, high = whole.bounds[1] - 5, whole.bounds[3] + 5
    frame = Polygon(
        [(from_mm + slant[0], low), (to_mm + slant[1], low), (to_mm + slant[2], high),
         (from_mm + slant[3], high)]
    )  # fmt: skip
    cut = whole.intersection(frame)
    if cut.geom_type != "Polygon":
        cut = max(cut.geoms, key=lambda piece: piece.area)
    return Polygon(cut.exterior)


def visible_outline(scene: Scene) -> Polygon:
    """The part of the lace inside the photo, in lace mm."""
    if scene.closed:  # a ring, seen whole, ends where it starts
        border = box(0.0, -1e3, scene.to_mm - scene.from_mm, 1e3)
    else:
        border = Polygon(scene.map.photo_to_lace(border_points(scene.map.size_px)))
    seen = scene.body_lace.intersection(shapely.make_valid(border))
    if seen.geom_type != "Polygon":
        seen = max(seen.geoms, key=lambda piece: piece.area)
    return Polygon(seen.exterior)


def _clear(scene: Scene) -> bool:
    """Whether the lace stays clear of the photo's top and bottom."""
    width, height = scene.map.size_px
    ring = np.asarray(scene.body_lace.exterior.coords)
    seen = (
        Polygon(scene.map.lace_to_photo(ring))
        .buffer(0)
        .intersection(box(0, -height, width, 2 * height))
    )
    margin = 0.015 * height
    return bool(seen.bounds[1] > margin and seen.bounds[3] < height - margin)
