"""A lace photo with known truth, from a family and a seed."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lacelay.model.lace import Lace
from lacelay.rendering.difficulty import Difficulty, Level, draw_difficulty
from lacelay.rendering.exposure import draw_light
from lacelay.rendering.families import FAMILIES, design_pattern
from lacelay.rendering.layers import (
    composite,
    lace_maps_of,
    mat_layer,
    photo_px_per_mm,
    strip_of,
    toned,
)
from lacelay.rendering.mats import MatKind, draw_mat_kind, draw_mat_print
from lacelay.rendering.scene import compose
from lacelay.rendering.truth import true_lace
from lacelay.rendering.variation import Variation
from lacelay.rendering.varied import Details, details_of, render_varied

#: Raised whenever the same family and seed give other bytes or another truth. Difficulty is
#: frozen within a version: figures of accuracy are comparable only between equal versions.
RENDERER_VERSION = 1


@dataclass(frozen=True, eq=False)
class Rendered:
    """A rendered photo and all that is true of it.

    Parameters
    ----------
    photo : ndarray, shape (h, w, 3), uint8
        RGB, upright.
    truth : Lace or None
        None for a mat without lace.
    motif_mask : ndarray, shape (h, w), uint8
        255 inside motif outlines, 0 outside, between on their borders.
    matte : ndarray, shape (h, w), uint8
        How much of each pixel is thread or bead.
    family, seed, difficulty, mat, variation
        What it was rendered from.
    details : Details or None
        What more is true of a photo with a lace in it.
    """

    photo: NDArray[np.uint8]
    truth: Lace | None
    motif_mask: NDArray[np.uint8]
    matte: NDArray[np.uint8]
    family: str
    seed: int
    difficulty: Difficulty
    mat: MatKind
    variation: Variation | None = None
    details: Details | None = None

    @property
    def lace(self) -> Lace:
        """The truth of a photo that has a lace in it."""
        if self.truth is None:
            raise ValueError("this photo was rendered without a lace")
        return self.truth


def render_photo(
    family: str,
    seed: int,
    *,
    size_px: tuple[int, int] = (4000, 3000),
    mat: MatKind | None = None,
    difficulty: Difficulty | None = None,
    level: Level | None = None,
    overfull: bool = False,
    empty: bool = False,
    colour: tuple[float, float, float] | None = None,
    variation: Variation | None = None,
) -> Rendered:
    """Render a lace photo with known truth; the same arguments give the same bytes.

    Parameters
    ----------
    family : str
        One of `FAMILIES`.
    seed : int
        Not negative. Draws pattern, mat, composition, difficulty, light and noise.
    size_px : tuple of int
        Width and height. Smaller photos show the same field at a lower resolution.
    mat : MatKind, optional
        Drawn from the seed when not given.
    difficulty : Difficulty, optional
        Drawn from the seed, over all levels or within `level`, when not given.
    level : {"easy", "medium", "hard"}, optional
    overfull : bool
        Let the lace fill the photo beyond all four borders.
    empty : bool
        Leave the lace away.
    colour : tuple of float, optional
        Linear RGB reflectance of the thread, instead of the family's.
    variation : Variation, optional
        What else lies in the photo, or which lace it is; all is then drawn from other
        streams of the seed, so the photo is another one. `overfull` and `empty` go without.

    Returns
    -------
    Rendered

    Raises
    ------
    ValueError
        For an unknown family, a negative seed, a photo under 200 px, or a family that
        cannot vary so.
    """
    if family not in FAMILIES:
        raise ValueError(f"no family {family!r}; there are {', '.join(FAMILIES)}")
    if seed < 0 or min(size_px) < 200:
        raise ValueError("the seed is not negative and the photo at least 200 px on its side")
    if variation is not None:
        if overfull or empty:
            raise ValueError("a variation is of a photo with a lace that does not fill it")
        varied = render_varied(family, seed, size_px, variation, mat, difficulty, level, colour)
        return Rendered(
            varied.photo, varied.truth, varied.motif_mask, varied.matte, family, seed,
            varied.difficulty, varied.mat, variation, varied.details,
        )  # fmt: skip
    sequence = np.random.SeedSequence([zlib.crc32(family.encode()), seed])
    streams = [np.random.default_rng(child) for child in sequence.spawn(7)]
    pattern = design_pattern(family, streams[0])
    if colour is not None:
        pattern = replace(pattern, colour=colour)
    drawn_kind = draw_mat_kind(streams[1], float(np.mean(pattern.colour)) < 0.12)
    kind = mat if mat is not None else drawn_kind
    printed = draw_mat_print(kind, streams[1])
    drawn = draw_difficulty(streams[2], level)
    hardness = difficulty if difficulty is not None else drawn
    pattern = toned(pattern, kind, hardness)
    scene = compose(pattern, printed, hardness, size_px, streams[3], overfull)
    scale = photo_px_per_mm(scene)
    strip = strip_of(scene, scale, streams[4])
    mat_raster, mat_maps = mat_layer(scene, scale, streams[5])
    lace_maps = lace_maps_of(scene, strip)
    light = draw_light(hardness, streams[6])
    photo, matte, motif = composite(
        mat_raster, mat_maps, strip, lace_maps, light, scene, streams[6], empty
    )
    truth = None if empty else true_lace(scene, strip, f"rendered {family}, seed {seed}")
    details = None if empty else details_of(scene)
    return Rendered(photo, truth, motif, matte, family, seed, hardness, kind, None, details)
