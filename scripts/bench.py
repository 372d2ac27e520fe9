"""Accuracy and speed on fixed cases, printed as tables.

Run it inside the project's environment: `.venv/bin/python scripts/bench.py`. Times are also
given as ratios to a floor measured in the same run: what any reading of the photo must pay
at the least (decoding, one perspective warp, one blur, a threshold, connected components
and a distance transform of that photo), so that figures from different machines compare.

Accuracy is measured on rendered photos of seeds that no reading is tuned on; `--full` sweeps
over every variation. Rendered photos are kept on disk, so that a second run is quick.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from statistics import median
from typing import TypeVar

import bench_accuracy
import bench_planning
import bench_public
import cv2
import numpy as np
from bench_cases import FIRST_SEED, all_cases, default_store, quick_cases

from lacelay.buying.length import purchase_for
from lacelay.drawing.garment_preview import draw_on_garment
from lacelay.drawing.sheet import make_sheet
from lacelay.errors import LacelayError
from lacelay.files.photos import open_photo
from lacelay.model.shapes import SHAPES
from lacelay.planning.check import check_plan
from lacelay.planning.lay import lay_border
from lacelay.reading.read import read_lace

T = TypeVar("T")
SAMPLES = Path(__file__).resolve().parent.parent / "sample_images"
SHAPE_OF_SAMPLE = ("bodice-top", "scoop-neckline", "dipped-waist", "circular-hem")
PARTS = ("speed", "planning", "memory", "accuracy", "public")


def main() -> int:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--full", action="store_true", help="every photo, not a dozen")
    parser.add_argument("--only", metavar="NAME", help="photos whose name holds this")
    parser.add_argument("--list", action="store_true", help="name the photos, and stop")
    parser.add_argument(
        "--seed", type=int, default=FIRST_SEED, help="first seed; earlier ones to tune on"
    )
    parser.add_argument("--part", choices=PARTS, action="append", help="only this part")
    parser.add_argument("--cache", type=Path, default=default_store(), help="rendered photos")
    parser.add_argument("--json", type=Path, help="write the accuracy of this run to a file")
    parser.add_argument("--compare", type=Path, help="compare with the file of an earlier run")
    parser.add_argument("--photos", type=Path, help="folder of the public photos")
    parser.add_argument("--child", type=Path, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.child is not None:
        read_alone(arguments.child)
        return 0
    whole = arguments.full or arguments.only or arguments.list
    cases = all_cases(arguments.seed) if whole else quick_cases(arguments.seed)
    if arguments.only:
        cases = [case for case in cases if arguments.only in case.label]
        if not cases:
            print(f"No photo's name holds {arguments.only!r}; --list names all.", file=sys.stderr)
            return 1
    if arguments.list:
        print("\n".join(case.label for case in cases))
        return 0
    earlier = bench_accuracy.load(arguments.compare) if arguments.compare else None
    parts = arguments.part or (("accuracy",) if arguments.only else PARTS)
    photos = sorted(SAMPLES.glob("*.jpg"))
    if not photos and {"speed", "memory"} & set(parts):
        print("No sample photos: run scripts/make_samples.py first.", file=sys.stderr)
        return 1
    if "speed" in parts:
        speed(photos)
    if "planning" in parts:
        bench_planning.planning()
    if "memory" in parts:
        memory(photos[0])
    if "accuracy" in parts:
        results = bench_accuracy.run(cases, arguments.cache, partial(print, flush=True))
        print(f"\n{bench_accuracy.report(results)}\n")
        if arguments.json:
            bench_accuracy.save(results, arguments.json)
        if earlier is not None:
            print(bench_accuracy.compare(earlier, results), end="\n\n")
    if "public" in parts:
        print(bench_public.report(arguments.photos))
    return 0


def read_alone(path: Path) -> None:
    """Read one photo twice in a process of its own; print seconds and peak memory as JSON."""
    picture = open_photo(path)
    before = peak_mb()
    first, _ = timed(partial(read_lace, picture, name=path.stem))
    again, _ = timed(partial(read_lace, picture, name=path.stem))
    found = {"first": first, "again": again, "peak": peak_mb(), "before": before}
    found["floor"] = floor_seconds(path)  # after the peak was noted: it needs memory too
    print(json.dumps(found))


def peak_mb() -> float:
    """Largest memory of this process so far, in MB; the system counts in kB, a Mac in bytes."""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1e6 if sys.platform == "darwin" else 1e3)


def memory(sample: Path) -> None:
    """Time and peak memory of reading one photo at 12, 24 and 48 megapixels."""
    print("Time and memory of one photo read in a process of its own")
    image = cv2.imread(str(sample))
    assert image is not None
    height, width = image.shape[:2]
    with tempfile.TemporaryDirectory() as folder:
        for megapixels in (12, 24, 48):
            times = float(np.sqrt(megapixels * 1e6 / (height * width)))
            size = (round(width * times), round(height * times))
            path = Path(folder) / f"{megapixels}.jpg"
            larger = cv2.resize(image, size, interpolation=cv2.INTER_CUBIC)
            cv2.imwrite(str(path), larger, [cv2.IMWRITE_JPEG_QUALITY, 92])
            del larger
            command = [sys.executable, __file__, "--child", str(path)]
            done = subprocess.run(command, capture_output=True, text=True, check=False)
            if done.returncode:
                last = (done.stderr.strip() or f"code {done.returncode}").splitlines()[-1]
                print(f"  {megapixels:>2} megapixels: failed: {last}")
                continue
            told = json.loads(done.stdout.splitlines()[-1])
            print(
                f"  {megapixels:>2} megapixels: {told['first']:.1f} s the first time, "
                f"{told['again']:.1f} s again, {told['again'] / told['floor']:.1f} times the floor "
                f"of {told['floor']:.2f} s (asked: 4); peak {told['peak']:.0f} MB, "
                f"{told['before']:.0f} MB of it before reading (asked: 3000)"
            )
    print()


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


if __name__ == "__main__":
    sys.exit(main())
