"""The two scenes of a plan: the lace as it is cut, and the garment as it is laid."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from lacelay.drawing.repeats import Repeats, find_repeats
from lacelay.drawing.scene import (
    Area,
    Cross,
    Dot,
    Label,
    Line,
    Points,
    Scene,
    Shape,
    densified,
    point,
)
from lacelay.drawing.style import Role
from lacelay.model.plan import Cut, CutKind, Plan
from lacelay.units import format_length

#: A cut is drawn on into the net, and the border line past its ends (trade practice).
RUN_ON_MM = 10.0
#: Lap or opening under this is called even.
_EVEN_MM = 0.75


def cut_role(cut: Cut) -> Role:
    """How a cut is drawn: by what its two sides do."""
    if cut.kind == "through":
        return "cut right through"
    widths = [width for _, width in cut.widths_mm]
    laps = max(widths, default=0.0) > _EVEN_MM
    opens = min(widths, default=0.0) < -_EVEN_MM
    if laps and opens:
        return "cut that does both"
    if laps or opens:
        return "cut that laps" if laps else "cut that opens"
    return "cut that laps" if cut.angle_rad >= 0 else "cut that opens"


def inner_width_mm(cut: Cut) -> float:
    """Lap (positive) or opening (negative) at the deepest place it is given for."""
    if not cut.widths_mm:
        return 0.0
    return float(max(cut.widths_mm, key=lambda pair: pair[0])[1])


def say_width(cut: Cut, *, inches: bool = False) -> str:
    """Say in a word or two what the cut does at the inner side."""
    return say_width_mm(inner_width_mm(cut), inches=inches)


def say_width_mm(width_mm: float, *, inches: bool = False) -> str:
    """Say a lap (positive) or an opening in a word or two."""
    if abs(width_mm) < _EVEN_MM:
        return "even"
    return f"{'lap' if width_mm > 0 else 'open'} {format_length(abs(width_mm), inches=inches)}"


def cut_numbers(plan: Plan) -> list[int | None]:
    """Number of each cut as she counts them, from 1; None where nothing is cut."""
    numbers: list[int | None] = []
    count = 0
    for cut in plan.cuts:
        count += cut.kind != "uncut"
        numbers.append(None if cut.kind == "uncut" else count)
    return numbers


def stretches(plan: Plan) -> list[list[int]]:
    """Runs that hang together uncut, as she counts the stretches between cuts."""
    return _grouped(plan, ("uncut",))


def pieces(plan: Plan) -> list[list[int]]:
    """Runs that stay in one piece: all but what is cut right through."""
    return _grouped(plan, ("uncut", "inner"))


def _grouped(plan: Plan, held_by: Sequence[CutKind]) -> list[list[int]]:
    groups = [[0]]
    for k, cut in enumerate(plan.cuts):
        if cut.kind in held_by:
            groups[-1].append(k + 1)
        else:
            groups.append([k + 1])
    return groups


def joined(outlines_mm: Sequence[Points], slack_mm: float) -> list[Points]:
    """Outlines that touch or nearly touch, as one; shape (n, 2) each."""
    import shapely

    if len(outlines_mm) == 1:
        return [np.asarray(outlines_mm[0], dtype=np.float64)]
    areas = [shapely.make_valid(shapely.Polygon(outline)) for outline in outlines_mm]
    union = shapely.union_all([area.buffer(slack_mm, join_style="mitre") for area in areas])
    closed = union.buffer(-slack_mm, join_style="mitre")
    parts = [p for p in shapely.get_parts(closed) if p.geom_type == "Polygon"]
    return [shapely.get_coordinates(part.exterior)[:-1] for part in parts]


def along_and_inward(plan: Plan) -> tuple[Points, Points]:
    """Unit vectors in the lace frame: on along the border, and from scallops inwards."""
    inward = np.array([0.0, 1.0 if plan.side == "lower" else -1.0])
    return np.array([inward[1], 0.0]), inward


def used_span_mm(plan: Plan) -> tuple[float, float]:
    """Least and largest u of all runs."""
    u = np.concatenate([run.outline_mm[:, 0] for run in plan.runs])
    return float(u.min()), float(u.max())


def run_on(path_mm: Points, length_mm: float) -> Points:
    """A path drawn on, straight back from its first point."""
    path = np.asarray(path_mm, dtype=np.float64)
    # The direction of the first few mm, so that one jagged step does not steer it.
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    k = int(np.searchsorted(s, min(3.0, float(s[-1])), side="left"))
    back = path[0] - path[max(k, 1)]
    return np.concatenate([(path[0] + length_mm * back / np.hypot(*back))[None], path])


def lace_scene(
    plan: Plan, repeats: Repeats | None = None, *, unit_mm: float = 1.0, inches: bool = False
) -> Scene:
    """Return the lace as it is cut, in the lace frame, right side facing you.

    Parameters
    ----------
    plan : Plan
    repeats : Repeats or None
        Which copies of motifs and valleys to show; the plan's template when None.
    unit_mm : float
        Length that the styles' unit will stand for: letters keep clear of lines by it.
    inches : bool
        Laps and openings in sixteenths of an inch.
    """
    import shapely

    repeats = repeats or find_repeats(plan)
    span = used_span_mm(plan)
    _, inward = along_and_inward(plan)
    edge = plan.lace.edge(plan.side)
    valleys = repeats.tiled(edge.valleys_mm, (span[0] - 1.0, span[1] + 1.0))
    border = shapely.union_all(
        [shapely.make_valid(shapely.Polygon(run.outline_mm)) for run in plan.runs]
    )
    shapely.prepare(border)
    shapes: list[Shape] = []
    low = [motif.outline_mm.min(axis=0) for motif in plan.lace.motifs]
    high = [motif.outline_mm.max(axis=0) for motif in plan.lace.motifs]
    middles = (np.array(low) + np.array(high)).reshape(-1, 2) / 2
    for k in repeats.standing(middles):
        reach = float(high[k][0] - low[k][0]) / 2
        for shift in repeats.shifts(float(middles[k, 0]), (span[0] - reach, span[1] + reach)):
            outline = plan.lace.motifs[k].outline_mm + np.array([shift, 0.0])
            if border.intersects(shapely.make_valid(shapely.Polygon(outline))):
                shapes.append(Line(outline, "motif", closed=True))
    for group in pieces(plan):
        for outline in joined([plan.runs[k].outline_mm for k in group], 1e-3):
            shapes.append(Line(outline, "run", closed=True))
    shapes.append(Line(_run_on_both(plan.border_line_mm), "border line"))
    shapes += _beads_in_way(plan, repeats, span)
    shapes += [Cross(valley[None], "valley") for valley in valleys]
    depth = edge.depth_mm.value if edge.depth_mm is not None else 0.0
    for k, group in enumerate(stretches(plan)):
        places = np.concatenate([plan.runs[i].outline_mm[:, 0] for i in group])
        middle = float(places.min() + places.max()) / 2
        at = np.array([middle, 0.0]) + _edge_line(plan) - inward * (depth + 2.0 + 4.0 * unit_mm)
        shapes.append(Label(at[None], "piece number", str(k + 1)))
    before: float | None = None
    raised = False
    for number, cut in zip(cut_numbers(plan), plan.cuts, strict=True):
        if number is None:
            continue
        role = cut_role(cut)
        path = run_on(cut.path_mm, RUN_ON_MM)
        if cut.kind == "through":
            path = run_on(path[::-1], RUN_ON_MM)[::-1]
        else:
            shapes.append(Line(_stop_bar(cut.path_mm), "stop"))
        shapes.append(Line(path, role))
        shapes.append(Label(path[:1] + inward * 4.5 * unit_mm, "cut number", str(number)))
        # Words of cuts that stand close take turns at two heights.
        close = before is not None and abs(path[0, 0] - before) < 24.0 * unit_mm
        raised = close and not raised
        before = float(path[0, 0])
        words = say_width(cut, inches=inches)
        up = (10.5 + 4.6 * raised) * unit_mm
        shapes.append(Label(path[:1] + inward * up, "cut width", words))
    return Scene("lace", tuple(shapes))


def _edge_line(plan: Plan) -> Points:
    """Offset of the used edge's valley line in the lace frame."""
    valleys = plan.lace.edge(plan.side).valleys_mm
    if len(valleys):
        return np.array([0.0, float(valleys[:, 1].mean())])
    return np.array([0.0, 0.0 if plan.side == "lower" else plan.lace.width_mm.value])


def _run_on_both(line_mm: Points) -> Points:
    """Return the border line drawn on past both its ends, straight along the lace."""
    line = np.asarray(line_mm, dtype=np.float64)
    on = np.array([np.sign(line[-1, 0] - line[0, 0]) * RUN_ON_MM, 0.0])
    return np.concatenate([(line[0] - on)[None], line, (line[-1] + on)[None]])


def _stop_bar(path_mm: Points, half_mm: float = 1.8) -> Points:
    """Return a bar across the end of a cut: here the scissors stop."""
    back = np.asarray(path_mm)[::-1]
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(back, axis=0).T))])
    k = max(1, int(np.searchsorted(s, min(2.0, float(s[-1])))))
    direction = (back[k] - back[0]) / np.hypot(*(back[k] - back[0]))
    across = np.array([-direction[1], direction[0]]) * half_mm
    return np.stack([back[0] - across, back[0] + across])


def _beads_in_way(plan: Plan, repeats: Repeats, span: tuple[float, float]) -> list[Shape]:
    """Beads nearer to a cut than the clearance asked for, each marked once."""
    import shapely

    if not plan.lace.beads or all(cut.kind == "uncut" for cut in plan.cuts):
        return []
    cuts = [cut for cut in plan.cuts if cut.kind != "uncut"]
    paths = shapely.union_all([shapely.LineString(cut.path_mm) for cut in cuts])
    shapely.prepare(paths)
    reach = plan.limits.bead_clearance_mm
    shapes: list[Shape] = []
    places = np.array([[bead.u_mm, bead.v_mm] for bead in plan.lace.beads])
    for k in repeats.standing(places):
        bead = plan.lace.beads[k]
        for shift in repeats.shifts(bead.u_mm, span):
            at = point(bead.u_mm + shift, bead.v_mm)
            if paths.distance(shapely.Point(at[0])) - bead.diameter_mm / 2 <= reach:
                shapes.append(Dot(at, "bead in the way", bead.diameter_mm + 2.5))
    return shapes


def garment_scene(plan: Plan, *, unit_mm: float = 1.0) -> Scene:
    """Return the garment as it is laid, in the garment frame.

    The covered side lies left of the edge's travel; numbers of stretches stand outside it,
    clear of the scallops by `unit_mm`, the length that the styles' unit will stand for.
    """
    curve = plan.target.curve
    shapes: list[Shape] = []
    if plan.target.cloth_mm is not None:
        shapes.append(Area(np.asarray(plan.target.cloth_mm, dtype=np.float64), "cloth"))
    laid = [run.laying.place(densified(run.outline_mm, 1.0, closed=True)) for run in plan.runs]
    shapes += [Area(np.asarray(gap.outline_mm), "gap") for gap in plan.gaps]
    for group in stretches(plan):
        for outline in joined([laid[k] for k in group], 0.4):
            shapes.append(Line(outline, "run", closed=True))
    shapes += _laps(plan, laid)
    shapes.append(Line(np.asarray(curve.points_mm), "edge"))
    edge = plan.lace.edge(plan.side)
    scallop = edge.depth_mm.value if edge.depth_mm is not None else 0.0
    outside = -(plan.wishes.stand_mm + scallop + 1.0 + 4.0 * unit_mm)
    for k, group in enumerate(stretches(plan)):
        middle = np.mean([plan.runs[i].touch_s_mm for i in group])
        shapes.append(Label(curve.place([middle], outside), "piece number", str(k + 1)))
    for k, number in enumerate(cut_numbers(plan)):
        if number is None:
            continue
        cut = plan.cuts[k]
        over = plan.runs[k + 1] if cut.top == "right" else plan.runs[k]
        path = over.laying.place(densified(cut.path_mm, 1.0))
        if cut.top is not None:
            shapes.append(Line(path, cut_role(cut)))
        shapes.append(Label(run_on(path, 5.5 * unit_mm)[:1], "cut number", str(number)))
    for mark in plan.target.landmarks:
        s = np.full(2, mark.s_mm)
        shapes.append(
            Line(curve.place(s, np.array([outside - 4.5 * unit_mm, 6.0])), "balance mark")
        )
        heading = float(curve.heading(mark.s_mm))
        shapes.append(
            Label(
                curve.place([mark.s_mm], outside - 8.5 * unit_mm),
                "balance name",
                mark.name,
                angle_rad=upright(heading),
            )
        )
    return Scene("garment", tuple(shapes))


def upright(heading_rad: float) -> float:
    """Angle for words along a line so that they are not read upside down."""
    angle = (heading_rad + np.pi) % (2 * np.pi) - np.pi
    if angle > np.pi / 2 + 1e-6:
        return float(angle - np.pi)
    if angle < -np.pi / 2 - 1e-6:
        return float(angle + np.pi)
    return float(angle)


def _laps(plan: Plan, laid: list[Points]) -> list[Shape]:
    """Where neighbours lie on each other."""
    import shapely

    areas = [shapely.make_valid(shapely.Polygon(outline)) for outline in laid]
    shapes: list[Shape] = []
    for cut, (left, right) in zip(plan.cuts, itertools.pairwise(areas), strict=True):
        if cut.kind == "uncut":
            continue
        for part in shapely.get_parts(left.intersection(right)):
            if part.geom_type == "Polygon" and part.area > 1.0:
                shapes.append(Area(shapely.get_coordinates(part.exterior)[:-1], "lap"))
    return shapes
