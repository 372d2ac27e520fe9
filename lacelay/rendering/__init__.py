"""Rendered lace photos whose truth is known, for samples and tests.

What is frozen: `LEVELS` of `difficulty`, by which every reading is judged, was fixed before
any reading was tuned. Whoever changes it, or anything that changes the bytes or the truth of
a rendered photo, raises `RENDERER_VERSION` and measures again. The realism of version 1 was
measured by `scripts/renderer_realism.py`: mesh spectrum, contrast and noise of three public
photos of lace lie within the range of 30 rendered ones; of a fourth, black lace on a white
ground that is clipped to white and so has no noise to measure, spectrum slope and noise do not.
"""

from lacelay.rendering.difficulty import LEVELS, Difficulty, Level, draw_difficulty
from lacelay.rendering.families import FAMILIES
from lacelay.rendering.mats import MatKind
from lacelay.rendering.photo import RENDERER_VERSION, Rendered, render_photo
from lacelay.rendering.variation import SIZES, VARIATIONS, Variation, draw_variation
from lacelay.rendering.varied import Details

__all__ = [
    "FAMILIES",
    "LEVELS",
    "RENDERER_VERSION",
    "SIZES",
    "VARIATIONS",
    "Details",
    "Difficulty",
    "Level",
    "MatKind",
    "Rendered",
    "Variation",
    "draw_difficulty",
    "draw_variation",
    "render_photo",
]
