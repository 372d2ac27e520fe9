"""The committed sample photos are what the script renders, and small enough to ship."""

import importlib.util
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

ROOT = Path(__file__).resolve().parents[2]


def script():
    spec = importlib.util.spec_from_file_location("make_samples", ROOT / "scripts/make_samples.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_samples"] = module
    spec.loader.exec_module(module)
    return module


SAMPLES = script().SAMPLES


def test_samples_are_phone_sized_and_light():
    photos = sorted((ROOT / "sample_images").glob("*.jpg"))
    assert [path.name for path in photos] == sorted(sample.file for sample in SAMPLES)
    assert sum(path.stat().st_size for path in photos) < 11e6
    for path in photos:
        with Image.open(path) as photo:
            assert photo.size == (4000, 3000)


def test_readme_says_they_are_rendered_and_names_each():
    text = (ROOT / "sample_images/README.md").read_text()
    assert "rendered by the program" in text
    for sample in SAMPLES:
        assert f"| `{sample.file}` | {sample.shows} |" in text


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda sample: sample.family)
def test_sample_is_what_the_script_renders(sample):
    again = script().render_sample(sample, (800, 600))
    with Image.open(ROOT / "sample_images" / sample.file) as photo:
        kept = np.asarray(photo.reduce(5).convert("L"), dtype=float)
    fresh = cv2.cvtColor(again.photo, cv2.COLOR_RGB2GRAY).astype(float)
    # threads are drawn anew at another resolution, so the net itself differs: compare blurred
    kept, fresh = (cv2.GaussianBlur(image, (0, 0), 3) for image in (kept, fresh))
    assert np.corrcoef(kept.ravel(), fresh.ravel())[0, 1] > 0.9
    assert again.lace.lower.count >= 6
    assert 2 <= again.lace.repeat.copies < 5
