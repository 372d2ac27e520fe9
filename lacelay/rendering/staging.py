"""Where everything lies in a varied photo: laces, what lies beside them, what lies over them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from shapely.geometry import Polygon, box

from lacelay.geometry.photo_map import PhotoMap, Points
from lacelay.rendering import things
from lacelay.rendering.camera import FOCAL_PER_WIDTH, homography_photo_to_mat
from lacelay.rendering.difficulty import Difficulty
from lacelay.rendering.mats import MatPrint
from lacelay.rendering.pattern import Pattern
from lacelay.rendering.ring import RingMap
from lacelay.rendering.scene import Scene, draw_waves, lay_down
from lacelay.rendering.things import Thing
from lacelay.rendering.variation import SIZES, Variation

Rng = np.random.Generator
_COMPOSED_PX = 4000
_SMALLEST_SCALE = 2.5


@dataclass(frozen=True, eq=False)
class Placing:
    """A thing in its place on the mat."""

    thing: Thing
    middle_mm: Points
    heading_rad: float

    def to_mat(self, points_mm: Points) -> Points:
        """Mat points of points of the thing, shape (n, 2)."""
        c, s = np.cos(self.heading_rad), np.sin(self.heading_rad)
        return np.asarray(points_mm @ np.array([[c, s], [-s, c]]) + self.middle_mm)

    def to_raster(self, mat_mm: Points) -> Points:
        """Raster pixels (x, y) of mat points, shape (n, 2)."""
        c, s = np.cos(self.heading_rad), np.sin(self.heading_rad)
        own = (mat_mm - self.middle_mm) @ np.array([[c, -s], [s, c]])
        height, width = self.thing.rgba.shape[:2]
        q = self.thing.px_per_mm
        return np.column_stack([own[:, 0] * q + width / 2 - 0.5, height / 2 - 0.5 - own[:, 1] * q])


@dataclass(frozen=True, eq=False)
class Staged:
    """A varied photo, composed: laces in the order in which they lie, the read one first."""

    scene: Scene
    others: tuple[Scene, ...]
    below: tuple[Placing, ...]
    above: tuple[Placing, ...]

    def hidden_mm(self) -> tuple[Points, ...]:
        """Outlines on the mat of what lies over the lace, each (n, 2)."""
        return tuple(each.to_mat(_outline(each.thing)) for each in self.above)


def _outline(thing: Thing) -> Points:
    mask = (thing.rgba[..., 3] > 127).astype(np.uint8)
    lines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    line = max(lines, key=cv2.contourArea).reshape(-1, 2).astype(np.float64)
    height, width = mask.shape
    return (
        np.column_stack([line[:, 0] + 0.5 - width / 2, height / 2 - 0.5 - line[:, 1]])
        / thing.px_per_mm
    )


@dataclass(frozen=True)
class _Camera:
    """How the phone was held, but for its distance."""

    turn_rad: float
    tilt_rad: float
    towards_rad: float
    k1_sign: float
    place: tuple[float, float]

    def view(
        self, printed: MatPrint, size_px: tuple[int, int], scale: float
    ) -> tuple[Points, Points]:
        """Homography and mat point in the middle of the photo, at a composed scale."""
        field = _COMPOSED_PX / scale
        c, s = np.cos(self.turn_rad), np.sin(self.turn_rad)
        to_mat = np.array([[c, -s], [s, c]])
        seen = np.abs(to_mat) @ np.array([field, field * size_px[1] / size_px[0]])
        size = np.array(printed.size_mm)
        aim = size / 2 + (np.array(self.place) - 0.5) * np.maximum(size - 0.86 * seen, 0.0)
        homography = homography_photo_to_mat(
            size_px, size_px[0] / field, aim, self.turn_rad, self.tilt_rad, self.towards_rad
        )
        return homography, aim


def stage(
    patterns: Sequence[Pattern],
    printed: MatPrint,
    difficulty: Difficulty,
    size_px: tuple[int, int],
    variation: Variation,
    rng: Rng,
) -> Staged:
    """Lay laces and things on the mat and hold the camera over them.

    Parameters
    ----------
    patterns : sequence of Pattern
        The lace to be read, then those beside it.
    printed : MatPrint
    difficulty : Difficulty
    size_px : tuple of int
    variation : Variation
    rng : numpy.random.Generator

    Returns
    -------
    Staged

    Raises
    ------
    ValueError
        When no way is found to get all of it into one photo.
    """
    signs = rng.choice([-1.0, 1.0], 4)
    camera = _Camera(
        float(signs[0] * difficulty.mat_turn_rad * rng.uniform(0, 1)),
        difficulty.tilt_rad * float(rng.uniform(0.5, 1.0)),
        float(rng.uniform(0, 2 * np.pi)),
        float(signs[1]),
        (float(rng.uniform(0, 1)), float(rng.uniform(0, 1))),
    )
    scale = float(rng.uniform(8.0, 14.0))
    seed = int(rng.integers(2**31))
    if variation.lay == "ring":
        return _ring(patterns[0], printed, difficulty, size_px, camera, seed)
    lean = float(rng.uniform(0.4, 1.0)) * difficulty.lace_turn_rad
    turn = float(signs[2]) * lean
    if variation.lay == "upright":
        turn = np.pi / 2 + float(signs[2]) * 0.5 * lean
    elif variation.lay == "any-angle":
        turn = float(signs[2]) * float(rng.uniform(0.35, 1.45))
    along = min(
        _COMPOSED_PX / max(abs(np.cos(turn)), 1e-6),
        _COMPOSED_PX * size_px[1] / size_px[0] / max(abs(np.sin(turn)), 1e-6),
    )
    repeat = patterns[0].repeat_mm
    if variation.copies == "less":
        scale = along / (float(rng.uniform(*SIZES.long_share)) * repeat)
    elif variation.copies is None:
        scale = min(scale, along / (2.6 * repeat))
    for _ in range(90):
        # every draw below starts from the same seed: only the distance changes
        staged = _staged(
            patterns, printed, difficulty, size_px, variation, camera, turn, scale, along / scale,
            np.random.default_rng(seed),
        )  # fmt: skip
        if staged is not None and _clear(staged, variation, turn):
            return staged
        scale *= 0.95
        if scale < _SMALLEST_SCALE:
            break
    raise ValueError("no way was found to lay all this into one photo")


def _staged(
    patterns: Sequence[Pattern],
    printed: MatPrint,
    difficulty: Difficulty,
    size_px: tuple[int, int],
    variation: Variation,
    camera: _Camera,
    turn: float,
    scale: float,
    along_mm: float,
    rng: Rng,
) -> Staged:
    homography, aim = camera.view(printed, size_px, scale)
    px_per_mm = size_px[0] * scale / _COMPOSED_PX
    heading = camera.turn_rad + turn
    forward = np.array([np.cos(heading), np.sin(heading)])
    across = np.array([-forward[1], forward[0]])
    pattern = patterns[0]
    low, high = _reach(pattern)
    side = float(rng.choice([-1.0, 1.0]))
    drift = float(rng.uniform(-0.05, 0.05)) * along_mm
    q = 1.3 * px_per_mm
    beside: list[Placing] = []
    room = 0.0
    if variation.reference is not None:
        thing = _reference(variation.reference, q, along_mm, rng)
        limit = SIZES.card_turn_rad if variation.reference == "card" else SIZES.sheet_turn_rad
        if variation.reference.startswith("ruler"):
            limit *= 0.4
        askew = float(rng.uniform(-1, 1)) * limit
        wide, tall = thing.size_mm
        needs = tall * np.cos(askew) + wide * abs(np.sin(askew))
        gap = float(rng.uniform(*SIZES.beside_gap))
        room = gap + needs
        off = 0.5 * (high - low) + gap + 0.5 * needs - 0.5 * room
        shift = float(rng.uniform(-0.12, 0.12)) * along_mm
        turned = float(rng.choice([0.0, np.pi])) if variation.reference == "card" else 0.0
        beside.append(
            Placing(thing, aim + side * off * across + shift * forward, heading + askew + turned)
        )
    strips = list(patterns[1:])
    if "second-strip" in variation.clutter:
        gap = float(rng.uniform(*SIZES.beside_gap))
        reach = _reach(strips[0])
        room = gap + reach[1] - reach[0]
    middle = aim - 0.5 * side * room * across + drift * forward
    ends = str(rng.choice(["both", "left", "right", "neither"], p=[0.5, 0.17, 0.17, 0.16]))
    if abs(np.sin(turn)) > 0.13 and variation.lay != "upright":
        ends = "both"
    if variation.copies == "one" or variation.lay in ("any-angle", "card-of-strips"):
        ends = "both"
    if variation.copies == "less":
        ends = "neither"
    if "hand" in variation.clutter and variation.copies != "less":
        ends = "both"
    fractions = rng.uniform(0.34, 0.44, 2)
    through = 0.75 * _COMPOSED_PX / scale * np.hypot(1, size_px[1] / size_px[0]) + 30
    before = fractions[0] * along_mm if ends in ("both", "left") else through
    after = fractions[1] * along_mm if ends in ("both", "right") else through
    if variation.copies == "one":
        before = after = pattern.repeat_mm / 2
    waves = draw_waves(difficulty, rng)
    slant = rng.normal(0, 1.2, 4)
    bow = float(rng.choice([-1.0, 1.0])) * difficulty.bow_mm

    def lay(chosen: Pattern, at: Points, reach: tuple[float, float], lean: float) -> Scene:
        start = float(rng.uniform(0, chosen.repeat_mm))
        way = heading + lean
        foot = at - 0.5 * sum(_reach(chosen)) * np.array([-np.sin(way), np.cos(way)])
        return lay_down(
            chosen, printed, difficulty, size_px, homography, foot, way, reach, bow, start,
            slant, waves, camera.k1_sign,
        )  # fmt: skip

    others: list[Scene] = []
    if variation.lay == "card-of-strips":
        below, scenes = _card(patterns, aim, across, heading, along_mm, q, lay, rng)
        return Staged(scenes[0], tuple(scenes[1:]), (below,), ())
    scene = lay(pattern, middle, (before, after), 0.0)
    if "second-strip" in variation.clutter:
        reach = _reach(strips[0])
        off = 0.5 * (high - low) + gap + 0.5 * (reach[1] - reach[0])
        at = middle + side * off * across
        length = (
            float(rng.uniform(0.25, 0.42)) * along_mm,
            float(rng.uniform(0.25, 0.42)) * along_mm,
        )
        others.append(lay(strips[0], at, length, float(rng.uniform(-0.02, 0.02))))
    above = _over(variation, scene, heading, along_mm, q, rng)
    return Staged(scene, tuple(others), tuple(beside), tuple(above))


def _reach(pattern: Pattern) -> tuple[float, float]:
    """Lowest and highest v of a lace."""
    bounds = pattern.body(0.0, pattern.repeat_mm).bounds
    return bounds[1], bounds[3]


def _reference(name: str, q: float, along_mm: float, rng: Rng) -> Thing:
    if name in ("a4", "letter"):
        return things.sheet(name, q, rng)
    if name == "card":
        return things.card(q, rng)
    if name == "board":
        return things.target_sheet(q, rng)
    inches = name == "ruler-inch"
    lengths = (6.5 * 25.4, 12.5 * 25.4) if inches else (160.0, 210.0, 310.0)
    fitting = [length for length in lengths if length < 0.95 * along_mm] or [lengths[0]]
    return things.ruler(inches, fitting[int(rng.integers(len(fitting)))], q, rng)


def _card(
    patterns: Sequence[Pattern],
    aim: Points,
    across: Points,
    heading: float,
    along_mm: float,
    q: float,
    lay: Callable[[Pattern, Points, tuple[float, float], float], Scene],
    rng: Rng,
) -> tuple[Placing, list[Scene]]:
    """A card with strips one above the other, in any order; the scenes in the patterns' order."""
    gap = 9.0
    heights = [high - low for low, high in map(_reach, patterns)]
    length = 0.72 * along_mm
    size = (length + 24.0, sum(heights) + gap * (len(heights) + 1))
    dark = float(np.mean(patterns[0].colour)) < 0.12
    below = Placing(things.plain_card(size, dark, q, rng), aim, heading)
    order = rng.permutation(len(patterns))
    scenes: dict[int, Scene] = {}
    at = -0.5 * size[1] + gap
    for index in order:
        k = int(index)
        place = aim + (at + heights[k] / 2) * across
        at += heights[k] + gap
        half = length / 2 * float(rng.uniform(0.9, 1.0))
        scenes[k] = lay(patterns[k], place, (half, half), float(rng.uniform(-0.008, 0.008)))
    return below, [scenes[k] for k in range(len(patterns))]


def _over(
    variation: Variation, scene: Scene, heading: float, along_mm: float, q: float, rng: Rng
) -> list[Placing]:
    above: list[Placing] = []
    low, high = _reach(scene.pattern)
    length = scene.to_mm - scene.from_mm
    if "ruler-across" in variation.clutter:
        long = 310.0 if high - low > 130 else 210.0
        thing = things.ruler(bool(rng.random() < 0.5), long, q, rng)
        at = scene.map.lace_to_mat(
            np.array([[float(rng.uniform(0.35, 0.65)) * min(length, along_mm), (low + high) / 2]])
        )[0]
        lean = float(rng.uniform(-0.4, 0.4)) + np.pi / 2
        above.append(Placing(thing, at, heading + lean))
    if "hand" in variation.clutter:
        right = bool(rng.random() < 0.5)
        arm = 1.1 * along_mm
        thing = things.hand(arm, rng)
        reach = float(rng.uniform(*SIZES.hand_reach))
        end = min(length, along_mm)
        tip = np.array([[end - reach if right else reach, float(rng.uniform(0.3, 0.7)) * high]])
        way = heading + (0.0 if right else np.pi) + float(rng.uniform(-0.35, 0.35))
        middle = scene.map.lace_to_mat(tip)[0] + arm / 2 * np.array([np.cos(way), np.sin(way)])
        above.append(Placing(thing, middle, way))
    return above


def _clear(staged: Staged, variation: Variation, turn: float) -> bool:
    """Whether all that must be seen whole lies inside the photo."""
    width, height = staged.scene.map.size_px
    margin = 0.015 * height
    frame = box(margin, margin, width - margin, height - margin)
    for each in staged.below:
        if each.thing.name.startswith("ruler"):
            continue
        corners = staged.scene.map.mat_to_photo(each.to_mat(each.thing.corners_mm()))
        if not frame.contains(Polygon(corners)):
            return False
    steep = abs(np.sin(turn)) > abs(np.cos(turn))
    span = box(-width, -3 * height, 2 * width, 4 * height)
    for scene in (staged.scene, *staged.others):
        ring = np.asarray(scene.body_lace.exterior.coords)
        seen = Polygon(scene.map.lace_to_photo(ring)).buffer(0)
        if variation.lay == "any-angle":
            if not frame.contains(seen):
                return False
            continue
        across = (
            box(-3 * width, 0, 4 * width, height)
            if steep
            else box(0, -3 * height, width, 4 * height)
        )
        bounds = seen.intersection(span).intersection(across).bounds
        if steep and not (bounds[0] > margin and bounds[2] < width - margin):
            return False
        if not steep and not (bounds[1] > margin and bounds[3] < height - margin):
            return False
    return True


def _ring(
    pattern: Pattern,
    printed: MatPrint,
    difficulty: Difficulty,
    size_px: tuple[int, int],
    camera: _Camera,
    seed: int,
) -> Staged:
    """A closed ring, wholly in the photo."""
    rng = np.random.default_rng(seed)
    low, high = _reach(pattern)
    least = SIZES.ring_slack * high * float(rng.uniform(1.0, 1.4))
    copies = int(np.ceil(2 * np.pi * least / pattern.repeat_mm))
    length = copies * pattern.repeat_mm
    radius = length / (2 * np.pi)
    aspect = size_px[1] / size_px[0]
    room = float(rng.uniform(1.16, 1.3))
    scale = _COMPOSED_PX * aspect / (2 * (radius - low) * room)
    homography, aim = camera.view(printed, size_px, scale)
    start = float(rng.uniform(0, 2 * np.pi))
    turn = start + np.linspace(0, 2 * np.pi, 181)[:-1]
    circle = aim + radius * np.column_stack([np.cos(turn), np.sin(turn)])
    mapped: PhotoMap = RingMap(
        size_px, homography, circle, (camera.k1_sign * difficulty.lens_k1, 0.0),
        ((size_px[0] - 1) / 2, (size_px[1] - 1) / 2), FOCAL_PER_WIDTH * size_px[0],
        (float(aim[0]), float(aim[1])), radius, start,
    )  # fmt: skip
    waves = draw_waves(difficulty, rng)
    # waves that close on themselves, and a valley exactly where the ring starts
    vectors = waves.waves_per_mm.copy()
    vectors[:, 0] = np.round(vectors[:, 0] * radius) / radius
    shift = -np.sin(waves.phases_rad) @ waves.sizes_mm
    warp = replace(waves, waves_per_mm=vectors, shift_mm=np.asarray(shift))
    body = Polygon(pattern.body(-6.0, length + 6.0).exterior)
    scene = Scene(pattern, printed, difficulty, mapped, warp, 0.0, length, body, True)
    return Staged(scene, (), (), ())
