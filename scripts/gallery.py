"""Draw every reading over its photo, to look at.

`.venv/bin/python scripts/gallery.py --out DIR` reads the sample photos and one rendered
photo of each family for each of the `--seeds`; with `--variations` also one photo of each
variation for each seed. Further photos may be named. A photo of which only the width is
known is given as `PHOTO=WIDTH`, such as `edging.jpg="35 mm"`. Photos that cannot be read are
listed with the reason. With `--unread` the photos are shown as they are, with nothing read.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lacelay.drawing.reading_overlay import draw_reading
from lacelay.errors import LacelayError, ScaleError
from lacelay.files.photos import open_photo, save_jpeg
from lacelay.reading.read import read_lace
from lacelay.reading.scale import ScaleRequest
from lacelay.rendering import FAMILIES, LEVELS, VARIATIONS, Rendered, render_photo
from lacelay.units import parse_length_mm

Image = NDArray[np.uint8]
SAMPLES = Path(__file__).resolve().parent.parent / "sample_images"


def main() -> int:
    """Write the pictures and a page that shows them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True, help="folder for the pictures")
    parser.add_argument("--seeds", type=int, nargs="*", default=[], help="rendered seeds")
    parser.add_argument("--variations", action="store_true", help="each variation for each seed")
    parser.add_argument("--unread", action="store_true", help="the photos alone")
    parser.add_argument("photos", nargs="*", help="further photos, or PHOTO=WIDTH")
    arguments = parser.parse_args()
    arguments.out.mkdir(parents=True, exist_ok=True)
    rows = []
    for name, photo, scale in _photos(
        arguments.photos, arguments.seeds, variations=arguments.variations
    ):
        # a photo that cannot be read is shown as it is
        rows.append(_unread(name, photo, arguments.out))
        if not arguments.unread:
            rows[-1] = _read(name, photo, scale, arguments.out)
        page = "<!doctype html><meta charset=utf-8><title>Readings</title>" + "".join(rows)
        (arguments.out / "index.html").write_text(page, encoding="utf-8")
    return 0


def _unread(name: str, photo: Image, out: Path) -> str:
    save_jpeg(out / f"{name}.jpg", photo)
    return _shown(name)


def _read(name: str, photo: Image, scale: ScaleRequest, out: Path) -> str:
    """Draw one reading, or say why there is none; a row of the page."""
    told = ""
    try:
        try:
            reading = read_lace(photo, name=name)
        except ScaleError:
            reading = read_lace(photo, name=name, scale=scale)
            told = " (told the scale)"
    except LacelayError as problem:
        print(f"{name}: {problem}", flush=True)
        return f"{_shown(name)}<p>{problem}</p>"
    save_jpeg(out / f"{name}.jpg", draw_reading(photo, reading.lace))
    lower, upper = reading.lace.lower.count, reading.lace.upper.count
    doubts = "; ".join(reading.lace.doubts)
    print(f"{name}: {lower} scallops below, {upper} above{told}; {doubts}", flush=True)
    return f"{_shown(name)}<p>{doubts}</p>"


def _shown(name: str) -> str:
    return f'<h2>{name}</h2><img src="{name}.jpg" style="max-width:100%">'


def _photos(
    named: list[str], seeds: list[int], *, variations: bool
) -> Iterator[tuple[str, Image, ScaleRequest]]:
    if not variations:
        for path in sorted(SAMPLES.glob("*.jpg")):
            yield path.stem, open_photo(path), ScaleRequest()
    for each in named:
        name, _, width = each.partition("=")
        path = Path(name)
        known = ScaleRequest(width_mm=parse_length_mm(width)) if width else ScaleRequest()
        yield path.stem, open_photo(path), known
    for seed in seeds:
        if not variations:
            for family in FAMILIES:
                yield f"{family}-{seed}", render_photo(family, seed).photo, ScaleRequest()
            continue
        for k, (name, variation) in enumerate(VARIATIONS.items()):
            family = variation.families[(k + seed) % len(variation.families)]
            level = list(LEVELS)[(k + seed) % len(LEVELS)]
            made = render_photo(family, seed, level=level, variation=variation)
            yield f"{name.replace(' ', '-')}-{family}-{seed}", made.photo, _known(made)


def _known(made: Rendered) -> ScaleRequest:
    """What a maker would tell of a photo that does not tell its scale."""
    if made.mat.pitch_mm:
        return ScaleRequest(grid_mm=made.mat.pitch_mm)
    return ScaleRequest(width_mm=float(np.ptp(made.lace.outline_mm[:, 1])))


if __name__ == "__main__":
    sys.exit(main())
