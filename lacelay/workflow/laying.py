"""From a lace and an edge to a plan with its pictures and sheets, and measuring it again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from lacelay.errors import PlanError
from lacelay.files.disk import write_file
from lacelay.files.photos import Picture, save_png
from lacelay.files.records import read_plan, write_lace, write_picture, write_plan
from lacelay.model.choices import PLAN_NAMES, PlanName
from lacelay.model.hand import Hand
from lacelay.model.picture import LacePicture
from lacelay.model.plan import Plan
from lacelay.model.target import TargetEdge
from lacelay.model.wishes import Limits, Weights, Wishes
from lacelay.workflow.photos import LaceRead
from lacelay.workflow.progress import Progress, say

if TYPE_CHECKING:
    from lacelay.planning.check import Finding

#: What shops sell lace by, where she does not say.
SHOP_INCREMENT_MM = 250.0


@dataclass(frozen=True, eq=False)
class Laid:
    """A plan, what it says in her words (first line first), and the files written."""

    plan: Plan
    picture: LacePicture | None
    lines: tuple[str, ...]
    files: tuple[Path, ...]


def lay(
    source: LaceRead,
    edge: TargetEdge,
    *,
    wishes: Wishes | None = None,
    weights: Weights | None = None,
    limits: Limits | None = None,
    hand: Hand | None = None,
    increment_mm: float = SHOP_INCREMENT_MM,
    spare_share: float | None = None,
    inches: bool = False,
    json_file: Path | None = None,
    out: Path | None = None,
    progress: Progress | None = None,
) -> Laid:
    """Lay a lace along an edge, say what comes of it, and write what is asked for.

    Parameters
    ----------
    source : LaceRead
    edge : TargetEdge
    wishes, weights, limits
        Defaults where None.
    hand : Hand or None
        What she locks, forbids and demands.
    increment_mm : float
        What the shop sells by.
    spare_share : float or None
        Spare as a share of what is used; the trade's own rule where None.
    inches : bool
        Lengths in inches.
    json_file : Path or None
        Where the plan goes.
    out : Path or None
        A folder for the plan with all its pictures and sheets.
    """
    from lacelay.planning.lay import lay_border

    bare = lay_border(
        source.lace,
        edge,
        wishes=wishes,
        weights=weights,
        limits=limits,
        hand=hand,
        progress=progress,
    )
    plan, lines = _told(bare, increment_mm, spare_share, inches)
    files: list[Path] = []
    if json_file is not None:
        write_plan(json_file, plan, source.picture)
        files.append(json_file)
    if out is not None:
        files += _write_folder(out, plan, source, lines, inches, progress)
    return Laid(plan, source.picture, lines, tuple(files))


def lay_three(
    source: LaceRead,
    edge: TargetEdge,
    *,
    names: Sequence[PlanName] = PLAN_NAMES,
    wishes: Wishes | None = None,
    weights: Weights | None = None,
    limits: Limits | None = None,
    hand: Hand | None = None,
    increment_mm: float = SHOP_INCREMENT_MM,
    spare_share: float | None = None,
    inches: bool = False,
    json_file: Path | None = None,
    out: Path | None = None,
    progress: Progress | None = None,
) -> tuple[Laid, ...]:
    """Lay a lace along an edge with fewest cuts, balanced, and with the smoothest edge.

    Parameters as in `lay`, and

    Parameters
    ----------
    names : sequence of {"fewest cuts", "balanced", "smoothest edge"}
        The plans to tell and write.
    json_file, out : Path or None
        Of several plans each has its name in the file's name, and a folder of its name in
        `out`; one alone is written as `lay` writes it.

    Raises
    ------
    PlanError
        As `lay` does, and where something is locked or asked by hand.
    """
    from lacelay.planning.lay_three import lay_three as find_three

    if hand is not None and hand.active:
        raise PlanError(
            "Three plans are not made round what is locked or asked.",
            "Lay one plan with it, or take it back.",
        )

    plans = find_three(
        source.lace, edge, wishes=wishes, weights=weights, limits=limits, progress=progress
    )
    laid = []
    for name in names:
        plan, lines = _told(plans[name], increment_mm, spare_share, inches)
        tag = name.replace(" ", "-")
        files: list[Path] = []
        if json_file is not None:
            own = json_file if len(names) == 1 else json_file.with_stem(f"{json_file.stem}-{tag}")
            write_plan(own, plan, source.picture)
            files.append(own)
        if out is not None:
            folder = out if len(names) == 1 else out / tag
            files += _write_folder(folder, plan, source, lines, inches, progress)
        laid.append(Laid(plan, source.picture, lines, tuple(files)))
    return tuple(laid)


def _told(
    bare: Plan, increment_mm: float, spare_share: float | None, inches: bool
) -> tuple[Plan, tuple[str, ...]]:
    """The plan with what to buy, and what it says."""
    from lacelay.buying.length import purchase_for
    from lacelay.planning.story import first_line, report_lines

    bought = purchase_for(bare, increment_mm=increment_mm, spare_share=spare_share, inches=inches)
    plan = replace(bare, purchase=bought)
    return plan, (first_line(plan), *report_lines(plan, inches=inches))


def _write_folder(
    out: Path,
    plan: Plan,
    source: LaceRead,
    lines: tuple[str, ...],
    inches: bool,
    progress: Progress | None,
) -> list[Path]:
    """Everything about one plan, in one folder."""
    from lacelay.drawing.cutting_map import draw_cutting_map
    from lacelay.drawing.garment_preview import draw_on_garment
    from lacelay.drawing.reading_overlay import draw_reading
    from lacelay.drawing.report import make_report, report_pictures
    from lacelay.drawing.sheet import make_sheet
    from lacelay.planning.story_reasons import side_by_side

    record = out / "lace.json"
    beside = None if source.picture is None else write_picture(record, source.picture)
    write_lace(record, source.lace, beside)
    write_plan(out / "plan.json", plan, beside)
    files = [out / "plan.json", out / "lace.json"]
    pictures: dict[str, Picture] = {}
    if source.photo is not None and source.lace.photo is not None:
        say(progress, "drawing on the photo", 0.2)
        pictures["reading"] = draw_reading(source.photo, source.lace)
    if source.picture is not None:
        say(progress, "drawing on the garment", 0.4)
        pictures["garment"] = draw_on_garment(plan, source.picture)
        pictures["garment-marked"] = draw_on_garment(plan, source.picture, annotated=True)
        say(progress, "drawing the cutting map", 0.6)
        pictures["cutting-map"] = draw_cutting_map(plan, source.picture, inches=inches)
    for name, picture in pictures.items():
        save_png(out / f"{name}.png", picture)
        files.append(out / f"{name}.png")
    say(progress, "writing the report and the sheets", 0.8)
    on_page = {} if source.picture is None else report_pictures(plan, source.picture, inches=inches)
    report = make_report(
        plan,
        lines=lines,
        pictures=on_page,
        inches=inches,
        three=side_by_side(plan, inches=inches),
    )
    write_file(out / "report.pdf", report)
    write_file(out / "sheet.pdf", make_sheet(plan, inches=inches))
    return [*files, out / "report.pdf", out / "sheet.pdf"]


def check(plan_file: Path, hand: Hand | None = None) -> tuple[Finding, ...]:
    """Measure a plan again, and return what does not hold of it or of what was asked."""
    from lacelay.planning.check import check_plan

    plan, _ = read_plan(plan_file)
    return check_plan(plan, hand)


def sheet(
    plan_file: Path,
    out: Path,
    *,
    page: Literal["A4", "Letter", "A3"] = "A4",
    tiled: bool = True,
    tinted: bool = False,
    inches: bool = False,
) -> None:
    """Write the sheets of a plan at true size, as PDF."""
    from lacelay.drawing.sheet import make_sheet

    plan, _ = read_plan(plan_file)
    write_file(out, make_sheet(plan, page=page, tiled=tiled, tinted=tinted, inches=inches))
