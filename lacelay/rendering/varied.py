"""Photos that differ from the plain ones by a variation."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.geometry.photo_map import Points
from lacelay.model.lace import Lace
from lacelay.rendering import things
from lacelay.rendering.camera import spread_map
from lacelay.rendering.difficulty import Difficulty, Level, draw_difficulty
from lacelay.rendering.exposure import Image, Light, draw_light, expose
from lacelay.rendering.families import PatternWish, design_pattern
from lacelay.rendering.layers import (
    GRID_STEP_PX,
    Maps,
    grid_px,
    lace_maps_of,
    mat_layer,
    photo_px_per_mm,
    strip_of,
    toned,
)
from lacelay.rendering.mats import (
    COLOURS,
    INKS,
    MatKind,
    MatPrint,
    draw_mat_kind,
    draw_mat_print,
)
from lacelay.rendering.pattern import Pattern
from lacelay.rendering.scene import Scene
from lacelay.rendering.staging import Placing, stage
from lacelay.rendering.strip import Strip
from lacelay.rendering.truth import bead_runs, true_lace
from lacelay.rendering.variation import SIZES, Variation

Rng = np.random.Generator
_LINEAR = np.power(np.arange(256, dtype=np.float32) / 255, 2.2)
_METALS = ((0.62, 0.44, 0.16), (0.55, 0.55, 0.57), (0.50, 0.27, 0.16))
_DARK_MATS = ("dark green", "dark blue", "black", "teal", "aubergine", "burgundy", "brown")
_LIGHT_MATS = ("white", "pink", "grey", "sky", "mint", "cream", "lilac")


@dataclass(frozen=True, eq=False)
class Details:
    """What is true of a photo beyond its lace record.

    Parameters
    ----------
    reference : str or None
        What lies in the photo to tell the scale, besides a printed grid.
    bead_runs : tuple of ndarray of int64
        Numbers of the lace's beads, in the order of the thread, run by run.
    others : tuple of Lace
        Further laces in the photo.
    hidden_mm : tuple of ndarray, each (n, 2)
        Outlines, in mat mm, of what lies over the lace.
    small_scallops : int
        Small scallops along each large one, 0 for none.
    header_mm : float or None
        Period of the header's eyelets.
    closed : bool
        The lace is a ring: u and u + length are the same place.
    """

    reference: str | None
    bead_runs: tuple[NDArray[np.int64], ...]
    others: tuple[Lace, ...]
    hidden_mm: tuple[Points, ...]
    small_scallops: int
    header_mm: float | None
    closed: bool


def details_of(scene: Scene) -> Details:
    """What is true of one lace by itself, beyond its record."""
    upper = scene.pattern.upper
    header = upper.repeat_mm / upper.holes if upper.holes else None
    return Details(
        None, bead_runs(scene), (), (), scene.pattern.lower.ripples, header, scene.closed
    )


@dataclass(frozen=True, eq=False)
class Varied:
    """The parts of a varied photo."""

    photo: NDArray[np.uint8]
    truth: Lace
    motif_mask: NDArray[np.uint8]
    matte: NDArray[np.uint8]
    difficulty: Difficulty
    mat: MatKind
    details: Details


def render_varied(
    family: str,
    seed: int,
    size_px: tuple[int, int],
    variation: Variation,
    mat: MatKind | None,
    difficulty: Difficulty | None,
    level: Level | None,
    colour: tuple[float, float, float] | None,
) -> Varied:
    """Render a photo with a variation; parameters as of `render_photo`.

    Raises
    ------
    ValueError
        When the family cannot be rendered so.
    """
    if family not in variation.families:
        raise ValueError(f"{family} is never {variation}; this is: {', '.join(variation.families)}")
    sequence = np.random.SeedSequence([zlib.crc32(family.encode()), seed, 2])
    streams = [np.random.default_rng(child) for child in sequence.spawn(8)]
    drawn = draw_difficulty(streams[2], level)
    hardness = difficulty if difficulty is not None else drawn
    if "pins" in variation.clutter:
        hardness = replace(hardness, pins=True)
    told = float(streams[7].uniform(*SIZES.tone_difference))
    wish = _wish(variation, family, colour, streams[7])
    patterns = [design_pattern(family, streams[0], wish)]
    patterns += _neighbours(variation, patterns[0], streams[7])
    kind = mat if mat is not None else _mat_kind(variation, patterns[0], streams[1])
    if variation.thread == "tone-on-tone":
        hardness = _faint(hardness, patterns[0], kind, told)
    printed = _mat_print(variation, kind, streams[1])
    patterns = [toned(pattern, kind, hardness) for pattern in patterns]
    staged = stage(patterns, printed, hardness, size_px, variation, streams[3])
    scene = staged.scene
    scale = photo_px_per_mm(scene)
    raster, maps = mat_layer(scene, scale, streams[5])
    light = draw_light(hardness, streams[6])
    image = np.asarray(
        cv2.LUT(cv2.remap(raster, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT), _LINEAR),
        dtype=np.float32,
    )
    del raster, maps
    matte = np.zeros(image.shape[:2], np.uint8)
    for placing in staged.below:
        _paste(image, matte, placing, scene, light)
    sheen = _sheen(scene, streams[7]) if variation.thread == "metallic" else None
    strips, covers, motif = [], [], matte.copy()
    for each in (scene, *staged.others):
        strip = strip_of(each, scale, streams[4])
        cover, motifs = _lay(image, each, strip, light, hardness, scale, sheen)
        np.maximum(matte, cover, out=matte)
        strips.append(strip)
        covers.append(cover)
        if each is scene:
            motif = motifs
    if "stain" in variation.clutter:
        _stain(image, covers[0], scene, streams[7])
    for placing in staged.above:
        _paste(image, matte, placing, scene, light)
    photo = expose(image, matte, light, hardness, size_px, streams[6])
    truth = true_lace(scene, strips[0], f"rendered {family}, seed {seed}")
    if variation.reference is not None:
        truth = replace(truth, scale=replace(truth.scale, reference=variation.reference))
    others = tuple(
        true_lace(other, strip, f"beside it, {other.pattern.family}")
        for other, strip in zip(staged.others, strips[1:], strict=True)
    )
    details = replace(
        details_of(scene),
        reference=variation.reference,
        others=others,
        hidden_mm=staged.hidden_mm(),
    )
    return Varied(photo, truth, motif, covers[0], hardness, kind, details)


def _faint(hardness: Difficulty, pattern: Pattern, kind: MatKind, difference: float) -> Difficulty:
    """Leave a given difference in lightness, as the eye sees it, between thread and mat."""
    weights = np.array([0.21, 0.72, 0.07])
    light = [float(weights @ np.array(c)) ** 0.45 for c in (pattern.colour, kind.reflectances[0])]
    whole = max(abs(light[0] - light[1]), 1e-6)
    return replace(hardness, tone_contrast=min(difference / whole, hardness.tone_contrast))


def _wish(
    variation: Variation, family: str, colour: tuple[float, float, float] | None, rng: Rng
) -> PatternWish:
    metal = float(rng.uniform(*SIZES.metal))
    tone = _METALS[int(rng.integers(len(_METALS)))]
    wish = PatternWish(symmetry=variation.symmetry, colour=colour)
    if variation.thread == "metallic":
        wish = replace(wish, metal=metal, colour=colour or tone)
    if variation.reference is not None or variation.clutter:
        wish = replace(wish, width_mm=(60.0, 130.0))
    if variation.lay in ("ring", "card-of-strips"):
        wish = replace(wish, width_mm=SIZES.narrow_width, pitch_mm=SIZES.narrow_pitch)
    if variation.design == "compound":
        wish = replace(wish, ripple_share=SIZES.ripple_share, pitch_mm=(44.0, 70.0))
    if variation.design == "header":
        wish = replace(wish, holes_mm=SIZES.header_pitch)
    if variation.copies == "one":
        wish = replace(wish, per_repeat=(3, 4), width_mm=(60.0, 110.0))
    if variation.copies == "less":
        wish = replace(wish, per_repeat=SIZES.long_repeat, pitch_mm=(34.0, 50.0))
        wish = replace(wish, width_mm=(60.0, 110.0))
    return wish


def _neighbours(variation: Variation, pattern: Pattern, rng: Rng) -> list[Pattern]:
    """Patterns of the narrower strips beside, in the same thread or another."""
    count = {"card-of-strips": 2}.get(variation.lay or "", 0)
    if "second-strip" in variation.clutter:
        count = 1
    names = ("sprays", "corded", "guipure")
    made = []
    for _ in range(count):
        share = float(rng.uniform(0.5, 0.85))
        wide = min(SIZES.narrow_width[1], pattern.width_mm * share)
        wish = PatternWish(
            width_mm=(0.8 * wide, wide), pitch_mm=SIZES.narrow_pitch, colour=pattern.colour
        )
        made.append(design_pattern(names[int(rng.integers(len(names)))], rng, wish))
    return made


def _mat_kind(variation: Variation, pattern: Pattern, rng: Rng) -> MatKind:
    dark_lace = float(np.mean(pattern.colour)) < 0.12
    usual = draw_mat_kind(rng, dark_lace)
    names: tuple[str, ...] = _LIGHT_MATS if dark_lace else _DARK_MATS
    if variation.thread == "metallic":
        names = ("black", "dark blue", "aubergine", "burgundy", "dark green")
    colour = names[int(rng.integers(len(names)))]
    grid = "cm" if rng.random() < 0.6 else "inch"
    inks = [ink for ink in INKS if _told(COLOURS[colour][0], INKS[ink])]
    ink = inks[int(rng.integers(len(inks)))]
    if variation.reference is not None or variation.mat == "plain":
        # white paper must be told from what it lies on
        calm = ("grey", "sky", "mint", "lilac") if dark_lace else _DARK_MATS
        return MatKind("plain", calm[int(rng.integers(len(calm)))])
    if variation.mat == "coloured":
        return MatKind(grid, colour, ink)  # type: ignore[arg-type]
    if variation.mat == "half-inch":
        return MatKind("half-inch", colour)
    if variation.mat == "heavy":
        return MatKind("cm", colour)
    if variation.lay == "card-of-strips" and usual.colour == "black cloth":
        return MatKind("plain", "grey")
    if variation.thread == "metallic":
        return MatKind(usual.grid, colour)
    return usual


def _told(one: tuple[float, float, float], other: tuple[float, float, float]) -> bool:
    """Whether a line of one reflectance is seen on the other, as the eye sees tones."""
    return float(np.max(np.abs(np.power(one, 0.45) - np.power(other, 0.45)))) > 0.28


def _mat_print(variation: Variation, kind: MatKind, rng: Rng) -> MatPrint:
    printed = draw_mat_print(kind, rng)
    every = int(rng.choice([5, 10]))
    fine = int(rng.choice([1, 2]))
    if variation.mat == "heavy":
        printed = replace(
            printed, heavy_every=every, heavy_mm=0.8, subdivision=fine, numerals=True, slants=False
        )
    if variation.reference in ("a4", "letter", "board"):  # a table cloth, not a mat
        printed = replace(printed, size_mm=(900.0, 700.0))
    return printed


def _lay(
    image: Image,
    scene: Scene,
    strip: Strip,
    light: Light,
    difficulty: Difficulty,
    scale: float,
    sheen: NDArray[np.float32] | None,
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Lay one lace and its shadow on the picture; gives its cover and its motifs."""
    maps = _ring_maps(scene, strip) if scene.closed else lace_maps_of(scene, strip)
    cover = np.asarray(cv2.remap(strip.cover, *maps, cv2.INTER_LINEAR), dtype=np.uint8)
    motifs = np.asarray(cv2.remap(strip.motif, *maps, cv2.INTER_LINEAR), dtype=np.uint8)
    rgb = cv2.remap(strip.rgb, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    del maps
    dark = _fallen(cover, light, scale, ((0.25, 0.65), (0.9, 0.35)))
    image *= (1 - difficulty.contact_shadow * dark)[..., None]
    lace = np.asarray(cv2.LUT(rgb, _LINEAR), dtype=np.float32)
    if sheen is not None:
        lace *= (1 + sheen)[..., None]
        lace += (0.25 * sheen)[..., None]
    lace -= image
    lace *= (cover.astype(np.float32) / 255)[..., None]
    image += lace
    return cover, motifs


def _fallen(
    cover: NDArray[np.uint8], light: Light, scale: float, parts: Sequence[tuple[float, float]]
) -> Image:
    """Shadow of a cover as it falls in the photo: (reach in mm, weight), summed."""
    height, width = cover.shape
    total = np.zeros((height, width), np.float32)
    for reach_mm, weight in parts:
        # a broad shadow is worked out on fewer pixels
        step = max(1, int(reach_mm * scale / 4))
        small = cv2.resize(
            cover, (max(1, width // step), max(1, height // step)), interpolation=cv2.INTER_AREA
        ).astype(np.float32)
        sigma = max(0.6, reach_mm * scale / step)
        soft = cv2.GaussianBlur(small, (0, 0), sigma)
        shift = 1.1 * reach_mm * scale / step
        move = np.array([[1, 0, shift * light.shadow_way[0]], [0, 1, shift * light.shadow_way[1]]])
        soft = cv2.warpAffine(soft, move, (small.shape[1], small.shape[0]))
        total += (weight / 255) * cv2.resize(soft, (width, height))
    return total


def _ring_maps(scene: Scene, strip: Strip) -> Maps:
    """As `lace_maps_of`, but exact at every pixel: u jumps where the ring closes."""
    points, shape = grid_px(scene.map.size_px)
    mat = scene.map.photo_to_mat_mm(points)
    size = scene.map.size_px
    x = spread_map(mat[:, 0].reshape(shape), size, GRID_STEP_PX)
    y = spread_map(mat[:, 1].reshape(shape), size, GRID_STEP_PX)
    for top in range(0, size[1], 256):
        rows = slice(top, top + 256)
        places = np.column_stack([x[rows].ravel(), y[rows].ravel()]).astype(np.float64)
        raster = strip.to_px(scene.warp.to_design(scene.map.mat_to_lace(places)))
        x[rows] = raster[:, 0].reshape(x[rows].shape)
        y[rows] = raster[:, 1].reshape(y[rows].shape)
    return x, y


def _paste(
    image: Image, matte: NDArray[np.uint8], placing: Placing, scene: Scene, light: Light
) -> None:
    """Lay a thing and its shadow on the picture."""
    thing = placing.thing
    reach = 4 * thing.thick_mm
    corners = thing.corners_mm()
    wide = placing.to_mat(corners * (1 + reach / np.abs(corners)))
    edges = np.concatenate(
        [
            a + np.linspace(0, 1, 40)[:, None] * (b - a)
            for a, b in zip(wide, np.roll(wide, -1, 0), strict=True)
        ]
    )
    seen = scene.map.mat_to_photo(edges)
    width, height = scene.map.size_px
    left, top = (int(max(0, v)) for v in np.floor(seen.min(axis=0)))
    right, bottom = int(min(width, seen[:, 0].max() + 2)), int(min(height, seen[:, 1].max() + 2))
    if right - left < 2 or bottom - top < 2:
        return
    size = (right - left, bottom - top)
    points, shape = grid_px(size)
    raster = placing.to_raster(scene.map.photo_to_mat_mm(points + [left, top]))
    maps = (
        spread_map(raster[:, 0].reshape(shape), size, GRID_STEP_PX),
        spread_map(raster[:, 1].reshape(shape), size, GRID_STEP_PX),
    )
    rgba = cv2.remap(thing.rgba, *maps, cv2.INTER_LINEAR)
    cover = np.ascontiguousarray(rgba[..., 3], dtype=np.uint8)
    view = image[top:bottom, left:right]
    scale = photo_px_per_mm(scene)
    dark = _fallen(cover, light, scale, ((thing.thick_mm, 0.45),))
    view *= (1 - dark)[..., None]
    edge = cv2.remap(
        np.ascontiguousarray(thing.rgba[..., :3]), *maps, cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    colour = np.asarray(cv2.LUT(edge, _LINEAR), dtype=np.float32)
    share = (cover.astype(np.float32) / 255)[..., None]
    view += (colour - view) * share
    hidden = matte[top:bottom, left:right]
    hidden[:] = np.minimum(hidden, 255 - cover)


def _sheen(scene: Scene, rng: Rng) -> NDArray[np.float32]:
    """Extra light on metallic thread: a broad streak of a lamp's reflection."""
    width, height = scene.map.size_px
    way = float(rng.uniform(0, np.pi))
    middle = rng.uniform(0.3, 0.7, 2)
    strength = float(rng.uniform(*SIZES.sheen))
    x, y = np.meshgrid(np.linspace(0, 1, 160), np.linspace(0, height / width, 120))
    off = (x - middle[0]) * np.cos(way) + (y - middle[1] * height / width) * np.sin(way)
    run = -(x - middle[0]) * np.sin(way) + (y - middle[1] * height / width) * np.cos(way)
    streak = np.exp(-((off / 0.07) ** 2) - (run / 0.22) ** 2)
    return np.asarray(
        cv2.resize((strength * streak).astype(np.float32), (width, height)), dtype=np.float32
    )


def _stain(image: Image, cover: NDArray[np.uint8], scene: Scene, rng: Rng) -> None:
    """A dried spill on the lace, and faintly on the mat beneath."""
    share, q = things.stain(rng)
    truth_u = float(rng.uniform(0.3, 0.7)) * min(scene.to_mm - scene.from_mm, 300.0)
    at = scene.map.lace_to_mat(
        np.array([[truth_u, float(rng.uniform(0.25, 0.75)) * scene.pattern.width_mm]])
    )[0]
    points, shape = grid_px(scene.map.size_px)
    own = (scene.map.photo_to_mat_mm(points) - at) * q * np.array([1, -1]) + share.shape[0] / 2
    size = scene.map.size_px
    maps = (
        spread_map(own[:, 0].reshape(shape), size, GRID_STEP_PX),
        spread_map(own[:, 1].reshape(shape), size, GRID_STEP_PX),
    )
    left = cv2.remap(
        share, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=1.0
    )
    lost = (1 - np.asarray(left, np.float32)) * (0.25 + 0.75 * cover.astype(np.float32) / 255)
    for channel, weight in enumerate((0.40, 0.68, 1.0)):
        image[..., channel] *= 1 - weight * lost
