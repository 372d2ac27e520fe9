"""Accuracy and speed on fixed cases, printed as tables.

Run it inside the project's environment: `.venv/bin/python scripts/bench.py`. Times are also
given as ratios to a floor measured in the same run: what any reading of the photo must pay
at the least (decoding, one perspective warp, one blur, a threshold, connected components
and a distance transform of that photo), so that figures from different machines compare.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from statistics import median
from typing import TypeVar

import cv2
import numpy as np

from lacelay.buying.length import purchase_for
from lacelay.drawing.garment_preview import draw_on_garment
from lacelay.drawing.sheet import make_sheet
from lacelay.errors import LacelayError, ScaleError
from lacelay.files.photos import open_photo
from lacelay.model.lace import Lace
from lacelay.model.shapes import SHAPES
from lacelay.planning.check import check_plan
from lacelay.planning.lay import lay_border
from lacelay.reading.read import Reading, read_lace
from lacelay.reading.scale import ScaleRequest
from lacelay.rendering import RENDERER_VERSION, Rendered, render_photo

T = TypeVar("T")
SAMPLES = Path(__file__).resolve().parent.parent / "sample_images"
#: Cases that no reading is tuned on.
SEEDS = (201, 202)
FAMILIES = ("sprays", "guipure", "corded", "beaded", "fine-black", "allover")
SHAPE_OF_SAMPLE = ("bodice-top", "scoop-neckline", "dipped-waist", "circular-hem")


def main() -> int:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="one seed a family, half the size")
    arguments = parser.parse_args()
    photos = sorted(SAMPLES.glob("*.jpg"))
    if not photos:
        print("No sample photos: run scripts/make_samples.py first.", file=sys.stderr)
        return 1
    speed(photos)
    accuracy(SEEDS[:1] if arguments.quick else SEEDS, 0.5 if arguments.quick else 1.0)
    return 0


def timed(work: Callable[[], T]) -> tuple[float, T]:
    """Seconds that some work takes, and what it gives."""
    begin = time.perf_counter()
    given = work()
    return time.perf_counter() - begin, given


def floor_seconds(path: Path) -> float:
    """Least work on a photo, the best of three runs."""

    def least() -> None:
        image = cv2.imread(str(path))
        assert image is not None
        height, width = image.shape[:2]
        tilt = np.array([[1.0, 0.02, 5.0], [0.01, 1.0, 5.0], [1e-6, 1e-6, 1.0]])
        warped = cv2.warpPerspective(image, tilt, (width, height))
        grey = cv2.GaussianBlur(cv2.cvtColor(warped, cv2.COLOR_BGR2GRAY), (0, 0), 2.0)
        _, mask = cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
        cv2.connectedComponentsWithStats(mask)
        cv2.distanceTransform(mask, cv2.DIST_L2, 5)

    return min(timed(least)[0] for _ in range(3))


def speed(photos: list[Path]) -> None:
    """Time each step of the main job on the sample photos."""
    print("Speed on the sample photos (seconds, and ratio to the floor of the same photo)")
    head = ("photo", "floor", "open", "read", "lay", "check", "preview", "sheet", "all")
    print(" ".join(f"{name:>13}" for name in head))
    ratios: list[float] = []
    for index, path in enumerate(photos):
        floor = floor_seconds(path)
        opened, picture = timed(partial(open_photo, path))
        read_in, reading = timed(partial(read_lace, picture, name=path.stem))
        edge = SHAPES[SHAPE_OF_SAMPLE[index % len(SHAPE_OF_SAMPLE)]].edge()
        steps = [floor, opened, read_in]
        try:
            laid, plan = timed(partial(lay_border, reading.lace, edge))
        except LacelayError as problem:
            print(f"{path.stem:>13} {problem}")
            continue
        plan = replace(plan, purchase=purchase_for(plan))
        checked, findings = timed(partial(check_plan, plan))
        drawn, _ = timed(partial(draw_on_garment, plan, reading.picture))
        sheeted, _ = timed(partial(make_sheet, plan))
        steps += [laid, checked, drawn, sheeted, sum(steps[1:]) + laid + checked + drawn + sheeted]
        ratios.append(read_in / floor)
        cells = [f"{seconds:6.2f} {seconds / floor:5.1f}x" for seconds in steps]
        held = f"  {len(findings)} findings" if findings else ""
        print(" ".join([f"{path.stem[:13]:>13}", *cells]) + held)
    if ratios:
        print(f"reading, median ratio to the floor: {median(ratios):.1f}\n")


@dataclass(frozen=True)
class Score:
    """How far one reading is from the truth."""

    scale: float
    pitch: float
    repeat: float
    width_mm: float
    count_right: bool
    edges_right: bool
    valley_mm: float
    motif_iou: float


def accuracy(seeds: tuple[int, ...], size: float) -> None:
    """Read rendered photos and compare with their truth."""
    width, height = round(4000 * size), round(3000 * size)
    print(
        f"Accuracy on rendered photos, renderer version {RENDERER_VERSION}, seeds {seeds}, "
        f"{width} x {height} px"
    )
    print(
        f"{'case':>16} {'scale %':>8} {'pitch %':>8} {'repeat %':>8} {'width mm':>8} "
        f"{'count':>6} {'edges':>6} {'valley mm':>9} {'motif IoU':>9}"
    )
    scores: list[Score] = []
    failed = asked = 0
    for family in FAMILIES:
        for seed in seeds:
            rendered = render_photo(family, seed, size_px=(width, height))
            name = f"{family} {seed}"
            try:
                found, told = _read(rendered, name)
            except LacelayError as problem:
                failed += 1
                print(f"{name:>16} not read: {problem}")
                continue
            asked += told
            score = compare(found.lace, rendered.lace)
            scores.append(score)
            print(
                f"{name:>16} {100 * score.scale:8.2f} {100 * score.pitch:8.2f} "
                f"{100 * score.repeat:8.2f} {score.width_mm:8.2f} "
                f"{'right' if score.count_right else 'WRONG':>6} "
                f"{'right' if score.edges_right else 'WRONG':>6} "
                f"{score.valley_mm:9.2f} {score.motif_iou:9.2f}"
                + ("  asked for the scale" if told else "")
            )
    if scores:
        print(
            f"read {len(scores)} of {len(scores) + failed}, {asked} after asking; "
            "median scale error "
            f"{100 * median(s.scale for s in scores):.2f} %, repeat error "
            f"{100 * float(np.nanmedian([s.repeat for s in scores])):.2f} %, motif IoU "
            f"{median(s.motif_iou for s in scores):.2f}; counts right "
            f"{sum(s.count_right for s in scores)}, edges right "
            f"{sum(s.edges_right for s in scores)}"
        )


def _read(rendered: Rendered, name: str) -> tuple[Reading, bool]:
    """Read a photo; where it asks for the scale, tell it what a maker would know."""
    try:
        return read_lace(rendered.photo, name=name), False
    except ScaleError:
        width = float(np.ptp(rendered.lace.outline_mm[:, 1]))
        pitch = rendered.mat.pitch_mm
        scale = ScaleRequest(grid_mm=pitch) if pitch else ScaleRequest(width_mm=width)
        return read_lace(rendered.photo, name=name, scale=scale), True


def compare(found: Lace, truth: Lace) -> Score:
    """Compare two records of the same photo, places by way of the photo's pixels."""
    assert found.photo is not None
    assert truth.photo is not None
    middle = truth.photo.lace_to_mat(np.array([[truth.length_mm / 2, truth.width_mm.value / 2]]))
    arms = np.vstack([middle, middle + [50.0, 0.0], middle + [0.0, 50.0]])  # on the mat: no bow
    seen = found.photo.photo_to_mat_mm(truth.photo.mat_to_photo(arms))
    scale = max(abs(float(np.hypot(*(seen[k] - seen[0]))) / 50.0 - 1) for k in (1, 2))
    pitch, count, edges, valleys = [0.0], True, True, [0.0]
    for mine, real in ((found.lower, truth.lower), (found.upper, truth.upper)):
        edges &= mine.scalloped == real.scalloped
        count &= mine.count == real.count
        if mine.pitch_mm and real.pitch_mm:
            pitch.append(abs(mine.pitch_mm.value / real.pitch_mm.value - 1))
        if len(mine.valleys_mm) and len(real.valleys_mm):
            there = truth.photo.photo_to_lace(found.photo.lace_to_photo(mine.valleys_mm))
            gaps = np.hypot(*(there[:, None] - real.valleys_mm[None]).transpose(2, 0, 1))
            valleys.append(float(np.median(gaps.min(axis=1))))
    repeat = float("nan")
    if found.repeat and truth.repeat:
        repeat = abs(found.repeat.length_mm.value / truth.repeat.length_mm.value - 1)
    return Score(
        scale=scale,
        pitch=max(pitch),
        repeat=repeat,
        width_mm=abs(found.width_mm.value - truth.width_mm.value),
        count_right=count,
        edges_right=edges,
        valley_mm=max(valleys),
        motif_iou=_motif_iou(found, truth),
    )


def _motif_iou(found: Lace, truth: Lace) -> float:
    """Motif against the rest, over the photo at a quarter of its size."""
    assert truth.photo is not None
    width, height = (side // 4 for side in truth.photo.size_px)
    masks = []
    for lace in (found, truth):
        mask = np.zeros((height, width), np.uint8)
        assert lace.photo is not None
        for motif in lace.motifs:
            outline = lace.photo.lace_to_photo(motif.outline_mm) / 4
            cv2.fillPoly(mask, [np.round(outline).astype(np.int32)], 1)
        masks.append(mask.astype(bool))
    union = float((masks[0] | masks[1]).sum())
    return float((masks[0] & masks[1]).sum()) / union if union else 1.0


if __name__ == "__main__":
    sys.exit(main())
