"""Accuracy of the reading on rendered photos: run, gather, print, compare."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path

import numpy as np
from bench_cases import Case, Photo, photo_of
from measures import judge

from lacelay.errors import LacelayError, ScaleError
from lacelay.model.lace import Lace
from lacelay.reading.read import read_lace
from lacelay.reading.scale import ScaleRequest
from lacelay.rendering import RENDERER_VERSION


@dataclass(frozen=True)
class Row:
    """A measure of the bar: its name in `measures`, and what is asked of it.

    `good_high`: larger is better. `asked` is the median and the worst tenth asked for, in the
    units printed; `per_cent` multiplies by 100.
    """

    name: str
    good_high: bool
    asked: tuple[float | None, float | None] = (None, None)
    per_cent: bool = False


ROWS = (
    Row("scale", False, (0.2, 0.8), per_cent=True),
    Row("repeat", False, (0.3, 1.0), per_cent=True),
    Row("tips and valleys", False, (0.6, None)),
    Row("tips and valleys, 95th", False, (None, 1.5)),
    Row("tips and valleys found", True),
    Row("motif IoU", True, (0.88, 0.75)),
    Row("motif PQ", True, (0.75, 0.5)),
    Row("motif SQ", True),
    Row("motif RQ", True),
    Row("motif outline F", True, (0.9, 0.75)),
    Row("outline F", True, (0.9, 0.75)),
    Row("bead precision", True, (0.95, 0.85)),
    Row("bead recall", True, (0.95, 0.85)),
    Row("kinds agree", True),
    Row("mesh", False, per_cent=True),
)
#: Yes or no on each photo: name, share asked for.
SHARES = (
    ("count right", 0.95),
    ("wrong count said doubtful", None),
    ("edge kinds right", None),
    ("repeat told", None),
    ("repeat a multiple", 0.0),
    ("few copies said", None),
    ("symmetry right", 0.90),
)


@dataclass(frozen=True)
class Result:
    """One photo read and measured, or not read."""

    label: str
    name: str
    level: str
    refused: str | None
    told: str | None
    seconds: float
    values: dict[str, float | None] = field(default_factory=dict)
    distances: dict[str, list[float]] = field(default_factory=dict)
    held: dict[str, bool] = field(default_factory=dict)
    flags: list[str] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)


def read_case(case: Case, photo: Photo) -> Result:
    """Read one photo; where it asks for the scale, tell it what a maker would know."""
    begin = time.perf_counter()
    told: str | None = None
    try:
        try:
            reading = read_lace(photo.photo, name=case.label)
        except ScaleError:
            request, told = what_she_knows(photo)
            reading = read_lace(photo.photo, name=case.label, scale=request)
    except LacelayError as problem:
        spent = time.perf_counter() - begin
        return Result(case.label, case.name, case.level, str(problem), told, spent)
    spent = time.perf_counter() - begin
    details = photo.details
    judged = judge(
        reading.lace,
        photo.truth,
        details.hidden_mm if details else (),
        details.closed if details else False,
    )
    return Result(
        case.label, case.name, case.level, None, told, spent, judged.values, judged.distances,
        judged.held, list(judged.flags), doubts_of(reading.lace),
    )  # fmt: skip


def what_she_knows(photo: Photo) -> tuple[ScaleRequest, str]:
    """The step of the printed grid where there is one, else the lace's width."""
    pitch = photo.mat.pitch_mm
    if pitch:
        return ScaleRequest(grid_mm=pitch), "grid step"
    width = float(np.ptp(photo.truth.outline_mm[:, 1]))
    return ScaleRequest(width_mm=width), "width"


def doubts_of(lace: Lace) -> list[str]:
    """Every doubt of a record, those of its edges too."""
    edges = [edge.doubt for edge in (lace.lower, lace.upper) if edge.doubt]
    return [*dict.fromkeys([*lace.doubts, *edges])]


def run(cases: Sequence[Case], store: Path, say: Callable[[str], None] = print) -> list[Result]:
    """Read all cases, one line printed for each."""
    results = []
    for case in cases:
        result = read_case(case, photo_of(case, store))
        results.append(result)
        say(line_of(result))
    return results


def line_of(result: Result) -> str:
    """One photo in a line or two."""
    head = f"{result.label:<46} {result.seconds:5.1f} s"
    if result.refused is not None:
        return f"{head}  NOT READ: {result.refused}"

    def shown(name: str, times: float = 1.0) -> str:
        value = result.values.get(name)
        return "    -" if value is None else f"{times * value:5.2f}"

    cells = [
        f"scale {shown('scale', 100)} %",
        f"repeat {shown('repeat', 100)} %",
        f"count {'right' if result.values.get('count right') else 'WRONG'}",
        f"tips {shown('tips and valleys, 95th')}",
        f"IoU {shown('motif IoU')}",
        f"PQ {shown('motif PQ')}",
        f"F {shown('outline F')}",
    ]
    if result.values.get("bead recall") is not None:
        cells.append(f"beads {shown('bead precision')} {shown('bead recall')}")
    told = f"  told the {result.told}" if result.told else ""
    flags = f"\n{'':>8}{'; '.join(result.flags)}" if result.flags else ""
    return f"{head}  {'  '.join(cells)}{told}{flags}"


def worst_tenth(values: Sequence[float], good_high: bool) -> float:
    """The value that a tenth of the photos do not reach."""
    return float(np.quantile(values, 0.1 if good_high else 0.9))


def gathered(results: Sequence[Result], name: str) -> list[float]:
    """Values of one measure over the photos read; scale only where a reference told it."""
    found = []
    for result in results:
        value = result.values.get(name)
        if value is None or (name == "scale" and result.told == "width"):
            continue
        found.append(float(value))
    return found


def table(results: Sequence[Result]) -> str:
    """The bar, and how far each measure is from it."""
    read = [result for result in results if result.refused is None]
    lines = [
        f"{len(read)} of {len(results)} photos read, "
        f"{sum(r.told is not None for r in read)} of these after asking for the scale",
        f"{'measure':<28} {'photos':>6} {'median':>8} {'asked':>7} {'worst 10th':>10} {'asked':>7}",
    ]
    for row in ROWS:
        values = gathered(read, row.name)
        if not values:
            continue
        times = 100.0 if row.per_cent else 1.0
        middle, worst = times * float(np.median(values)), times * worst_tenth(values, row.good_high)
        name = f"{row.name} %" if row.per_cent else row.name
        lines.append(
            f"{name:<28} {len(values):>6} {middle:>8.2f} {_asked(row.asked[0], middle, row)} "
            f"{worst:>10.2f} {_asked(row.asked[1], worst, row)}"
        )
    pooled = [d for r in read for each in r.distances.values() for d in each]
    if pooled:
        lines.append(
            f"all tips and valleys together: median {np.median(pooled):.2f} mm, 95th "
            f"percentile {np.quantile(pooled, 0.95):.2f} mm, of {len(pooled)}"
        )
    for name, asked in SHARES:
        values = gathered(read, name)
        if values:
            note = "" if asked is None else f"  asked {100 * asked:.0f} %"
            lines.append(
                f"{name:<28} {round(sum(values))} of {len(values)}, "
                f"{100 * float(np.mean(values)):.0f} %{note}"
            )
    held = [(name, inside) for r in read for name, inside in r.held.items()]
    if held:
        kinds = sorted({name.split()[-1] for name, _ in held})
        parts = []
        for kind in kinds:
            these = [inside for name, inside in held if name.split()[-1] == kind]
            parts.append(f"{kind} {sum(these)} of {len(these)}")
        share = 100 * float(np.mean([inside for _, inside in held]))
        lines.append(
            f"stated 95 % intervals that hold the truth: {share:.0f} %  asked 90 to 99 %"
            f" ({', '.join(parts)})"
        )
    return "\n".join(lines)


def _asked(limit: float | None, value: float, row: Row) -> str:
    if limit is None:
        return f"{'':>7}"
    met = value >= limit if row.good_high else value <= limit
    return f"{limit:>5.2f}{' +' if met else ' -'}"


def report(results: Sequence[Result]) -> str:
    """All tables: everything, each difficulty, each variation."""
    parts = [f"All photos, renderer version {RENDERER_VERSION}", table(results)]
    if len(results) == 1:
        return "\n".join(parts)
    for level in ("easy", "medium", "hard"):
        these = [result for result in results if result.level == level]
        if these:
            parts += ["", f"Difficulty {level}", table(these)]
    parts += ["", by_name(results)]
    refused = [result for result in results if result.refused is not None]
    if refused:
        parts += ["", f"Not read: {len(refused)} of {len(results)}"]
        parts += [f"  {result.label}: {result.refused}" for result in refused]
    return "\n".join(parts)


def by_name(results: Sequence[Result]) -> str:
    """One line for each variation."""
    shown = ("scale", "repeat", "tips and valleys, 95th", "motif IoU", "motif PQ", "outline F")
    lines = [
        f"{'variation':<24} {'read':>5} {'scale %':>8} {'repeat %':>8} {'tips 95th':>9} "
        f"{'IoU':>6} {'PQ':>6} {'outline':>7} {'count':>6} {'group':>6}"
    ]
    for name in dict.fromkeys(result.name for result in results):
        these = [result for result in results if result.name == name]
        read = [result for result in these if result.refused is None]
        cells = []
        for measure, width in zip(shown, (8, 8, 9, 6, 6, 7), strict=True):
            values = [float(v) for r in read if (v := r.values.get(measure)) is not None]
            times = 100 if measure in ("scale", "repeat") else 1
            cells.append(
                f"{times * np.median(values):>{width}.2f}" if values else f"{'-':>{width}}"
            )
        for measure in ("count right", "symmetry right"):
            values = gathered(read, measure)
            cells.append(f"{round(sum(values))}/{len(values)}".rjust(6) if values else f"{'-':>6}")
        lines.append(f"{name:<24} {len(read)}/{len(these):<3} {' '.join(cells)}")
    return "\n".join(lines)


def save(results: Sequence[Result], path: Path) -> None:
    """Write the results of a run, to compare a later one with."""
    form = {"renderer": RENDERER_VERSION, "results": [asdict(result) for result in results]}
    path.write_text(json.dumps(form, indent=1), encoding="utf-8")


def load(path: Path) -> list[Result]:
    """Read the results of an earlier run."""
    form = json.loads(path.read_text(encoding="utf-8"))
    if form["renderer"] != RENDERER_VERSION:
        raise SystemExit(
            f"{path} was measured with renderer version {form['renderer']}, this is "
            f"{RENDERER_VERSION}: the figures do not compare."
        )
    return [Result(**each) for each in form["results"]]


def compare(before: Sequence[Result], after: Sequence[Result]) -> str:
    """What changed on the photos of both runs."""
    old = {result.label: result for result in before}
    both = [(old[result.label], result) for result in after if result.label in old]
    if not both:
        return "The two runs have no photo in common."
    lines = [f"Against the earlier run, {len(both)} photos in common (before -> after)"]
    for one, two in both:
        if (one.refused is None) != (two.refused is None):
            now = "read now" if two.refused is None else f"not read any more: {two.refused}"
            lines.append(f"  {two.label}: {now}")
    pairs = [(one, two) for one, two in both if one.refused is None and two.refused is None]
    for row in ROWS:
        mine = [
            (a, b)
            for one, two in pairs
            if (a := one.values.get(row.name)) is not None
            and (b := two.values.get(row.name)) is not None
        ]
        if not mine:
            continue
        times = 100.0 if row.per_cent else 1.0
        then, now_is = (times * np.array(side) for side in zip(*mine, strict=True))
        gain = (1 if row.good_high else -1) * (now_is - then)
        better, worse = int(np.sum(gain > 1e-3)), int(np.sum(gain < -1e-3))
        lines.append(
            f"  {row.name:<28} median {np.median(then):6.2f} -> {np.median(now_is):6.2f}, worst "
            f"tenth {worst_tenth(then.tolist(), row.good_high):6.2f} -> "
            f"{worst_tenth(now_is.tolist(), row.good_high):6.2f}; better {better}, worse {worse}"
        )
    for name, _ in SHARES:
        for one, two in pairs:
            a, b = one.values.get(name), two.values.get(name)
            if a is not None and b is not None and a != b:
                lines.append(f"  {two.label}: {name} {'no' if a < b else 'yes'} -> "
                             f"{'yes' if a < b else 'no'}")  # fmt: skip
    seconds = [np.median([side.seconds for side in each]) for each in zip(*both, strict=True)]
    lines.append(f"  seconds a photo {seconds[0]:.1f} -> {seconds[1]:.1f}")
    return "\n".join(lines)
