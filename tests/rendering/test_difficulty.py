"""The frozen difficulty: a changed number is a new renderer version."""

import hashlib
from dataclasses import astuple, fields, replace

import numpy as np
import pytest

from lacelay.rendering import LEVELS, RENDERER_VERSION, Difficulty, draw_difficulty


def test_levels_are_frozen():
    text = repr([(level, astuple(LEVELS[level])) for level in sorted(LEVELS)])
    digest = hashlib.sha256(text.encode()).hexdigest()
    assert (RENDERER_VERSION, digest) == (
        1,
        "8af453c36c5035a9e64f016d585e3d892ecefe42a4f911c8c4a81ede770d8ae9",
    )


def test_every_magnitude_grows_harder_from_level_to_level():
    easier_when_larger = {"jpeg_quality", "tone_contrast", "grid_contrast"}
    for field in fields(Difficulty):
        easy, medium, hard = (getattr(LEVELS[level], field.name) for level in LEVELS)
        if field.name in easier_when_larger:
            assert easy > medium > hard, field.name
        elif not isinstance(easy, bool):
            assert easy < medium < hard, field.name


@pytest.mark.parametrize("level", ["easy", "medium", "hard"])
def test_drawn_magnitudes_stay_within_their_level(level):
    rng = np.random.default_rng(5)
    hardest = LEVELS[level]
    for _ in range(50):
        drawn = draw_difficulty(rng, level)
        assert drawn.tilt_rad <= hardest.tilt_rad
        assert drawn.noise_levels <= hardest.noise_levels
        assert drawn.jpeg_quality >= hardest.jpeg_quality
        assert drawn.tone_contrast >= hardest.tone_contrast


def test_all_levels_are_drawn_when_none_is_named():
    rng = np.random.default_rng(0)
    tilts = np.array([draw_difficulty(rng).tilt_rad for _ in range(120)])
    limits = [LEVELS[level].tilt_rad for level in LEVELS]
    counts = np.histogram(tilts, [0, *limits])[0]
    assert np.all(counts > 20)


@pytest.mark.parametrize("change", [{"blur_px": -1.0}, {"jpeg_quality": 0}, {"tone_contrast": 1.5}])
def test_senseless_magnitudes_are_refused(change):
    with pytest.raises(ValueError, match=r"difficulty|quality"):
        replace(LEVELS["easy"], **change)
