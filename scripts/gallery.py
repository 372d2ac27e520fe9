"""Draw every reading over its photo, to look at.

`.venv/bin/python scripts/gallery.py --out DIR` reads the sample photos and one rendered
photo of each family for each of the `--seeds`; further photos may be named. A photo of
which only the width is known is given as `PHOTO=WIDTH`, such as `edging.jpg="35 mm"`.
Photos that cannot be read are listed with the reason.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lacelay.drawing.reading_overlay import draw_reading
from lacelay.errors import LacelayError
from lacelay.files.photos import open_photo, save_jpeg
from lacelay.reading.read import read_lace
from lacelay.reading.scale import ScaleRequest
from lacelay.rendering import FAMILIES, render_photo
from lacelay.units import parse_length_mm

Image = NDArray[np.uint8]
SAMPLES = Path(__file__).resolve().parent.parent / "sample_images"


def main() -> int:
    """Write the pictures and a page that shows them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True, help="folder for the pictures")
    parser.add_argument("--seeds", type=int, nargs="*", default=[], help="rendered seeds")
    parser.add_argument("photos", nargs="*", help="further photos, or PHOTO=WIDTH")
    arguments = parser.parse_args()
    arguments.out.mkdir(parents=True, exist_ok=True)
    rows = []
    for name, photo, scale in _photos(arguments.photos, arguments.seeds):
        try:
            reading = read_lace(photo, name=name, scale=scale)
        except LacelayError as problem:
            print(f"{name}: {problem}")
            rows.append(f"<h2>{name}</h2><p>{problem}</p>")
            continue
        save_jpeg(arguments.out / f"{name}.jpg", draw_reading(photo, reading.lace))
        lower, upper = reading.lace.lower.count, reading.lace.upper.count
        print(f"{name}: {lower} scallops below, {upper} above; {'; '.join(reading.lace.doubts)}")
        rows.append(f'<h2>{name}</h2><img src="{name}.jpg" style="max-width:100%">')
    page = "<!doctype html><meta charset=utf-8><title>Readings</title>" + "".join(rows)
    (arguments.out / "index.html").write_text(page, encoding="utf-8")
    return 0


def _photos(named: list[str], seeds: list[int]) -> Iterator[tuple[str, Image, ScaleRequest]]:
    for path in sorted(SAMPLES.glob("*.jpg")):
        yield path.stem, open_photo(path), ScaleRequest()
    for each in named:
        name, _, width = each.partition("=")
        path = Path(name)
        known = ScaleRequest(width_mm=parse_length_mm(width)) if width else ScaleRequest()
        yield path.stem, open_photo(path), known
    for family in FAMILIES:
        for seed in seeds:
            yield f"{family}-{seed}", render_photo(family, seed).photo, ScaleRequest()


if __name__ == "__main__":
    sys.exit(main())
