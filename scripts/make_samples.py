"""Render the sample photos again: `python scripts/make_samples.py [FOLDER]`.

The photos are pictures of laces that do not exist, made by the program from a family and a
seed. The same version of the program and of its libraries gives the same pictures.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path

from PIL import Image

from lacelay.rendering import LEVELS, MatKind, Rendered, render_photo

FOLDER = Path(__file__).resolve().parent.parent / "sample_images"
QUALITY = 80
#: What the samples stand for: a middling photo with a clean lens, small enough to ship.
DIFFICULTY = replace(LEVELS["medium"], noise_levels=2.0, blur_px=1.0, jpeg_quality=QUALITY)


@dataclass(frozen=True)
class Sample:
    """One sample photo: its file, what it is rendered from, and what it shows."""

    file: str
    family: str
    seed: int
    mat: MatKind
    colour: tuple[float, float, float]
    shows: str


WHITE, IVORY, BLUSH, BLACK = (
    (0.84, 0.84, 0.82),
    (0.80, 0.72, 0.56),
    (0.80, 0.56, 0.48),
    (0.018, 0.018, 0.020),
)
SAMPLES = (
    Sample(
        "sprays_galloon.jpg", "sprays", 2, MatKind("cm", "dark green"), WHITE,
        "white galloon of net with flower sprays, on a green mat with a cm grid",
    ),
    Sample(
        "guipure_flounce.jpg", "guipure", 7, MatKind("inch", "dark blue"), IVORY,
        "ivory guipure flounce, flowers joined by bars, on a blue mat with an inch grid",
    ),
    Sample(
        "corded_galloon.jpg", "corded", 4, MatKind("cm", "black"), IVORY,
        "ivory galloon with motifs outlined by cord, on a black mat with a cm grid",
    ),
    Sample(
        "beaded_flounce.jpg", "beaded", 3, MatKind("cm", "teal"), BLUSH,
        "blush flounce with beads and sequins, on a teal mat with a cm grid",
    ),
    Sample(
        "fine_black_galloon.jpg", "fine-black", 6, MatKind("cm", "white"), BLACK,
        "fine black galloon, on a white mat with a cm grid",
    ),
)  # fmt: skip


def render_sample(sample: Sample, size_px: tuple[int, int] = (4000, 3000)) -> Rendered:
    """Render one sample, with its truth.

    Parameters
    ----------
    sample : Sample
    size_px : tuple of int
        Width and height; smaller ones show the same at a lower resolution.

    Returns
    -------
    Rendered
    """
    return render_photo(
        sample.family,
        sample.seed,
        size_px=size_px,
        mat=sample.mat,
        difficulty=DIFFICULTY,
        colour=sample.colour,
    )


def main() -> None:
    """Write all samples."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    total = 0
    for sample in SAMPLES:
        rendered = render_sample(sample)
        path = folder / sample.file
        Image.fromarray(rendered.photo).save(path, quality=QUALITY, optimize=True)
        total += path.stat().st_size
        lace = rendered.lace
        print(
            f"{sample.file}: {path.stat().st_size / 1e6:.1f} MB, "
            f"{lace.length_mm / 10:.0f} cm of lace, {lace.lower.count} whole scallops",
            flush=True,
        )
    print(f"together {total / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
