"""The verbs: what the command line and any page call, and nothing else of ours.

Each verb takes paths and plain wishes, does its reading and writing at the rim, and returns
values. `progress` is told what is being done and the share done, 0 to 1.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeVar

from lacelay.errors import LacelayError, PlanError, TargetError, UnitError
from lacelay.files.disk import write_file
from lacelay.files.photos import Picture, open_photo, save_jpeg, save_png
from lacelay.files.records import (
    is_record,
    read_lace_file,
    read_plan,
    read_target,
    write_lace,
    write_picture,
    write_plan,
)
from lacelay.model.lace import Lace
from lacelay.model.picture import LacePicture
from lacelay.model.plan import Plan
from lacelay.model.target import EdgeKind, TargetEdge
from lacelay.model.wishes import Centre, Limits, Weights, Wishes
from lacelay.units import parse_length_mm

if TYPE_CHECKING:
    from lacelay.planning.check import Finding
    from lacelay.reading.scale import ScaleRequest

Progress = Callable[[str, float], None]
Record = TypeVar("Record", Weights, Limits)
#: What shops sell lace by, where she does not say.
SHOP_INCREMENT_MM = 250.0


@dataclass(frozen=True, eq=False)
class LaceRead:
    """A lace, its own picture, and the photo it was read from, where there are such."""

    lace: Lace
    picture: LacePicture | None
    photo: Picture | None


@dataclass(frozen=True, eq=False)
class Laid:
    """A plan, what it says in her words (first line first), and the files written."""

    plan: Plan
    picture: LacePicture | None
    lines: tuple[str, ...]
    files: tuple[Path, ...]


@dataclass(frozen=True)
class EdgeRequest:
    """Which edge to lay along, as she names it.

    Parameters
    ----------
    name : str
        A built-in shape, `FILE.svg#id`, or a JSON file of an edge or a plan.
    settings : mapping
        Measurements of a built-in shape.
    covered : {"left", "right"} or None
        Covered side of a drawn path.
    kind : {"hard", "free"} or None
    centre_at : str or None
        Where the centre lies on a drawn path: a length, or "middle".
    drawing_width_mm : float or None
        True width of a drawing without real units.
    """

    name: str
    settings: Mapping[str, str] | None = None
    covered: Literal["left", "right"] | None = None
    kind: EdgeKind | None = None
    centre_at: str | None = None
    drawing_width_mm: float | None = None


def read(
    photo_file: Path,
    *,
    scale: ScaleRequest | None = None,
    name: str | None = None,
    json_file: Path | None = None,
    picture_file: Path | None = None,
    progress: Progress | None = None,
) -> LaceRead:
    """Read a photo of lace, and write its record and the photo with all drawn on it."""
    from lacelay.reading.read import read_lace

    _say(progress, "opening the photo", 0.0)
    photo = open_photo(photo_file)
    name = name or photo_file.stem.replace("_", " ")
    reading = read_lace(photo, name=name, scale=scale, progress=progress)
    if json_file is not None:
        write_lace(json_file, reading.lace, reading.picture, photo_file=photo_file.name)
    if picture_file is not None:
        from lacelay.drawing.reading_overlay import draw_reading

        _say(progress, "drawing on the photo", 0.95)
        save_picture(picture_file, draw_reading(photo, reading.lace))
    return LaceRead(reading.lace, reading.picture, photo)


def open_lace(
    file: Path, *, scale: ScaleRequest | None = None, progress: Progress | None = None
) -> LaceRead:
    """Open a lace record, or read a photo of lace."""
    if is_record(file):
        lace, picture = read_lace_file(file)
        return LaceRead(lace, picture, None)
    return read(file, scale=scale, progress=progress)


def find_edge(request: EdgeRequest) -> TargetEdge:
    """Return the edge she names.

    Raises
    ------
    TargetError, UnitError, MissingFileError, FileFormError
        When there is no such edge or it cannot be used.
    """
    from lacelay.model.shapes import SHAPES

    settings = dict(request.settings or {})
    drawing = re.fullmatch(r"(.+\.svg)#(.+)", request.name, re.IGNORECASE)
    if request.name in SHAPES:
        if request.covered or request.centre_at or request.drawing_width_mm:
            raise TargetError(
                f"A {request.name} has its own covered side, centre and size.",
                "Leave out --covered, --centre-at and --drawing-width, or name a drawing.",
            )
        edge = SHAPES[request.name].edge(settings)
    elif settings:
        raise TargetError(
            f"--set is for a built-in edge, and '{request.name}' is none.",
            f"Built in are {', '.join(SHAPES)}.",
        )
    elif drawing is not None:
        edge = _drawn_edge(Path(drawing[1]), drawing[2], request)
    elif is_record(Path(request.name)):
        edge = read_target(Path(request.name))
    else:
        remedy = f"Name one of {', '.join(SHAPES)}, or a drawing as FILE.svg#id."
        if request.name.lower().endswith(".svg"):
            remedy = f"Say which path: {request.name}#its-id."
        raise TargetError(f"'{request.name}' is no edge that is known.", remedy)
    return edge if request.kind is None else replace(edge, kind=request.kind)


def _drawn_edge(file: Path, element_id: str, request: EdgeRequest) -> TargetEdge:
    from lacelay.files.svg_edge import read_svg_edge

    if request.covered is None:
        raise TargetError(
            f"On which side of '{element_id}' the cloth is covered was not said.",
            "Add --covered left or --covered right, seen along the path as it was drawn.",
        )
    middle: Literal["middle"] = "middle"
    at = request.centre_at
    return read_svg_edge(
        file,
        element_id,
        covered=request.covered,
        kind=request.kind or "hard",
        centre_at_mm=None if at is None else middle if at == middle else parse_length_mm(at),
        drawing_width_mm=request.drawing_width_mm,
    )


def lay(
    source: LaceRead,
    edge: TargetEdge,
    *,
    wishes: Wishes | None = None,
    weights: Weights | None = None,
    limits: Limits | None = None,
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
    from lacelay.buying.length import purchase_for
    from lacelay.planning.lay import lay_border
    from lacelay.planning.story import first_line, report_lines

    bare = lay_border(
        source.lace, edge, wishes=wishes, weights=weights, limits=limits, progress=progress
    )
    bought = purchase_for(bare, increment_mm=increment_mm, spare_share=spare_share, inches=inches)
    plan = replace(bare, purchase=bought)
    lines = (first_line(plan), *report_lines(plan, inches=inches))
    files: list[Path] = []
    if json_file is not None:
        write_plan(json_file, plan, source.picture)
        files.append(json_file)
    if out is not None:
        files += _write_folder(out, plan, source, lines, inches, progress)
    return Laid(plan, source.picture, lines, tuple(files))


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

    record = out / "lace.json"
    beside = None if source.picture is None else write_picture(record, source.picture)
    write_lace(record, source.lace, beside)
    write_plan(out / "plan.json", plan, beside)
    files = [out / "plan.json", out / "lace.json"]
    pictures: dict[str, Picture] = {}
    if source.photo is not None and source.lace.photo is not None:
        _say(progress, "drawing on the photo", 0.2)
        pictures["reading"] = draw_reading(source.photo, source.lace)
    if source.picture is not None:
        _say(progress, "drawing on the garment", 0.4)
        pictures["garment"] = draw_on_garment(plan, source.picture)
        pictures["garment-marked"] = draw_on_garment(plan, source.picture, annotated=True)
        _say(progress, "drawing the cutting map", 0.6)
        pictures["cutting-map"] = draw_cutting_map(plan, source.picture, inches=inches)
    for name, picture in pictures.items():
        save_png(out / f"{name}.png", picture)
        files.append(out / f"{name}.png")
    _say(progress, "writing the report and the sheets", 0.8)
    on_page = {} if source.picture is None else report_pictures(plan, source.picture, inches=inches)
    report = make_report(plan, lines=lines, pictures=on_page, inches=inches)
    write_file(out / "report.pdf", report)
    write_file(out / "sheet.pdf", make_sheet(plan, inches=inches))
    return [*files, out / "report.pdf", out / "sheet.pdf"]


def check(plan_file: Path) -> tuple[Finding, ...]:
    """Measure a plan again, and return what does not hold."""
    from lacelay.planning.check import check_plan

    plan, _ = read_plan(plan_file)
    return check_plan(plan)


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


def render(
    family: str,
    seed: int,
    *,
    out: Path,
    truth: Path | None = None,
    size_px: tuple[int, int] = (4000, 3000),
) -> Lace:
    """Write a rendered lace photo, and what is true of it as a lace record."""
    from lacelay.rendering import FAMILIES, render_photo

    if family not in FAMILIES:
        raise LacelayError(f"There is no lace '{family}'.", f"There are {', '.join(FAMILIES)}.")
    rendered = render_photo(family, seed, size_px=size_px)
    save_picture(out, rendered.photo)
    if truth is not None:
        write_lace(truth, rendered.lace, photo_file=out.name)
    return rendered.lace


def save_picture(file: Path, picture: Picture) -> None:
    """Write a picture as its name says: .png, .jpg or .jpeg."""
    ending = file.suffix.lower()
    if ending == ".png":
        save_png(file, picture)
    elif ending in (".jpg", ".jpeg"):
        save_jpeg(file, picture)
    else:
        raise LacelayError(f"'{file.name}' names no kind of picture.", "End it in .jpg or .png.")


def read_scale(
    grid: str | None = None, two_points: str | None = None, width: str | None = None
) -> ScaleRequest:
    """Read what she says of the scale.

    Examples
    --------
    >>> read_scale(two_points="10,20 810,20 100mm").two_points
    ((10.0, 20.0), (810.0, 20.0), 100.0)
    """
    from lacelay.reading.scale import ScaleRequest

    points = None
    if two_points is not None:
        number = r"(-?\d+(?:\.\d+)?)"
        match = re.fullmatch(rf"\s*{number},{number}\s+{number},{number}\s+(.+)", two_points)
        if match is None:
            raise UnitError(
                f"'{two_points}' is not two points and a length.",
                'Write them like "120,300 2520,310 100mm", in pixels of the upright photo.',
            )
        ax, ay, bx, by = (float(match[k]) for k in range(1, 5))
        points = ((ax, ay), (bx, by), parse_length_mm(match[5]))
    return ScaleRequest(
        grid_mm=None if grid is None else parse_length_mm(grid),
        two_points=points,
        width_mm=None if width is None else parse_length_mm(width),
    )


def wishes(
    *,
    side: Literal["lower", "upper", "either"] = "either",
    centre: Centre = "either",
    depth_mm: float | None = None,
    stand_mm: float | None = None,
    laying_depth_mm: float | None = None,
) -> Wishes:
    """Return what she would like, where she said nothing the usual.

    Raises
    ------
    PlanError
        When the border would have no depth.
    """
    if depth_mm is not None and depth_mm <= 0:
        raise PlanError(
            "A border has a depth.", "Give --depth a length like 6 cm, or leave it out."
        )
    usual = Wishes()
    return Wishes(
        side=side,
        centre=centre,
        border_depth_mm=depth_mm,
        laying_depth_mm=laying_depth_mm,
        stand_mm=usual.stand_mm if stand_mm is None else stand_mm,
    )


def read_share(text: str) -> float:
    """Read a share, written as one or as a percentage.

    Examples
    --------
    >>> read_share("15 %"), read_share("0.15")
    (0.15, 0.15)
    """
    match = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*(%?)\s*", text)
    share = float(match[1].replace(",", ".")) / (100 if match[2] else 1) if match else -1.0
    if not 0 <= share <= 1:
        raise UnitError(f"'{text}' is not a share.", "Write it like 15%.")
    return share


def adjusted(record: Record, settings: Mapping[str, str]) -> Record:
    """Change weights or limits by her settings: `lap` is `lap_mm`, hyphens for underscores.

    Examples
    --------
    >>> adjusted(Limits(), {"lap": "2 cm", "stretch": "1.5 %"}).lap_mm
    20.0
    >>> adjusted(Weights(), {"cut": "12"}).cut
    12.0
    """
    changes: dict[str, Any] = {}
    for name, text in settings.items():
        field = _field_of(record, name)
        if isinstance(record, Weights):
            changes[field] = _read_minutes(name, text)
        elif field.endswith("_mm"):
            changes[field] = parse_length_mm(text)
        else:
            changes[field] = read_share(text)
        if changes[field] < 0:
            raise UnitError(f"'{name}' cannot be '{text}'.", "Give nothing below 0.")
    return replace(record, **changes)


def _read_minutes(name: str, text: str) -> float:
    match = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*(?:min|minutes?)?\s*", text)
    if match is None:
        raise UnitError(f"'{name}' cannot be '{text}'.", "Give minutes, like 12.")
    return float(match[1].replace(",", "."))


def _field_of(record: Weights | Limits, name: str) -> str:
    plain = name.replace("-", "_")
    known = [each.name for each in fields(record)]
    for field in known:
        if plain in (field, field.removesuffix("_mm")):
            return field
    names = ", ".join(_her_name(record, field) for field in known)
    raise UnitError(f"There is no '{name}' to set.", f"There are {names}.")


def _her_name(record: Weights | Limits, field: str) -> str:
    short = field.removesuffix("_mm") if isinstance(record, Limits) else field
    return short.replace("_", "-")


def _say(progress: Progress | None, step: str, share: float) -> None:
    if progress is not None:
        progress(step, share)
