"""A plan as a file (`lacelay-plan`), whole in itself: lace and edge are part of it."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Annotated, Any, Literal, TypeVar

import numpy as np
from msgspec import Meta, field

from lacelay.files.forms_lace import LaceForm, PictureForm, lace_form, lace_from_form
from lacelay.files.forms_target import TargetForm, target_form, target_from_form
from lacelay.files.json_form import (
    Count,
    Form,
    Length,
    Mm,
    NotNegative,
    Plain,
    Point,
    as_points,
    mm,
    place,
    plain,
    points_mm,
)
from lacelay.model.choices import (
    Choice,
    CurvePoint,
    LimitGain,
    PlanName,
    Reasons,
    ThreeWays,
    WithoutCut,
)
from lacelay.model.plan import Cut, Gap, Laying, Plan, Run
from lacelay.model.purchase import Purchase
from lacelay.model.wishes import Limits, Weights, Wishes

Interval = tuple[Mm, Mm]
RecordT = TypeVar("RecordT", WithoutCut, LimitGain, Choice, CurvePoint)
#: Parts whose every name must be known: a misspelt weight must not be passed over.
EXACT: dict[tuple[str, ...], type] = {
    ("plan", "wishes"): Wishes,
    ("plan", "weights"): Weights,
    ("plan", "limits"): Limits,
}


class LayingForm(Form, frozen=True, kw_only=True):
    """How a run is laid: eased about `pivot_mm`, then garment = matrix @ point + shift."""

    matrix: tuple[tuple[Plain, Plain], tuple[Plain, Plain]]
    shift_mm: Point
    bend_per_mm: Plain
    pivot_mm: Point
    inward: tuple[Plain, Plain]


class RunForm(Form, frozen=True, kw_only=True):
    """One run of border between two cuts; `outline_mm` in the lace frame, closed."""

    lace_interval_mm: Interval
    edge_interval_mm: Interval
    touch_s_mm: Mm
    laying: LayingForm
    edge_error_mm: NotNegative
    edge_excess_mm2: NotNegative
    strain: tuple[NotNegative, NotNegative]
    depth_mm: NotNegative = 0.0
    shallow_mm2: NotNegative = 0.0
    line_motif_mm: NotNegative = 0.0
    line_cord_mm: NotNegative = 0.0
    outline_mm: list[Point]


class CutForm(Form, frozen=True, kw_only=True):
    """Where two runs meet, cut or not.

    Turn and widths are positive where it laps, negative where it opens.
    """

    kind: Literal["inner", "through", "uncut"]
    at_valley: bool
    s_mm: Mm
    turn_mm: Point
    angle_rad: Plain
    widths_mm: Annotated[list[tuple[Mm, Mm]], Meta(description="(depth from the edge, width)")]
    lap_mm2: NotNegative
    opening_mm2: NotNegative
    slip_mm: NotNegative
    top: Literal["left", "right"] | None
    net_mm: NotNegative
    motif_mm: NotNegative
    cord_mm: NotNegative
    beads_in_way: Count
    beads_under_lap: Count
    terms: Annotated[dict[str, Plain], Meta(description="minutes, by the name of the weight")]
    path_mm: list[Point]
    step_mm: list[Point] = field(default_factory=list)


class GapForm(Form, frozen=True, kw_only=True):
    """Bare cloth: its outline on the garment, and the cut it lies at."""

    area_mm2: NotNegative
    width_mm: NotNegative
    cut: Count | None
    outline_mm: list[Point]


class PurchaseForm(Form, frozen=True, kw_only=True):
    """The length to buy and its parts."""

    used_mm: Length
    start_anywhere_mm: Length
    ragged_ends_mm: Length
    spare_mm: Length
    increment_mm: Length
    to_buy_mm: Length
    reasons: list[str]


class ReasonsForm(Form, frozen=True, kw_only=True):
    """What would be without each cut, and what each limit that binds costs."""

    without: list[WithoutCut]
    limits: list[LimitGain]


class ThreeForm(Form, frozen=True, kw_only=True):
    """The three plans side by side, and the best there is with at most so many cuts."""

    choices: list[Choice]
    curve: list[CurvePoint]
    this: PlanName = "balanced"


class PlanForm(Form, frozen=True, kw_only=True):
    """Everything that is needed to cut and lay one border along one edge."""

    side: Literal["lower", "upper"]
    start_mm: Mm
    laying_depth_mm: Mm
    border_depth_mm: Length
    eat_up: NotNegative
    cost_min: NotNegative
    bound_min: NotNegative
    certificate: str
    layers: Count
    template_mm: Interval
    full_depth_mm: NotNegative | None = None
    wishes: Wishes
    weights: Weights
    limits: Limits
    purchase: PurchaseForm | None
    border_line_mm: list[Point]
    runs: list[RunForm]
    cuts: list[CutForm]
    gaps: list[GapForm]
    reasons: ReasonsForm | None = None
    three: ThreeForm | None = None


class PlanFile(Form, frozen=True, kw_only=True):
    """A plan, with the lace and the edge it is for."""

    format: Literal["lacelay-plan"] = "lacelay-plan"
    version: Literal[1] = 1
    picture: PictureForm | None = None
    plan: PlanForm
    edge: TargetForm
    lace: LaceForm


def plan_file(plan: Plan, picture: PictureForm | None = None) -> PlanFile:
    """Return the plan as stored."""
    form = PlanForm(
        side=plan.side,
        start_mm=mm(plan.start_mm),
        laying_depth_mm=mm(plan.laying_depth_mm),
        border_depth_mm=mm(plan.border_depth_mm),
        eat_up=plain(plan.eat_up),
        cost_min=plain(plan.cost_min),
        bound_min=plain(plan.bound_min),
        certificate=plan.certificate,
        layers=int(plan.layers),
        template_mm=_mm_pair(plan.template_mm),
        full_depth_mm=None if plan.full_depth_mm is None else mm(plan.full_depth_mm),
        wishes=plan.wishes,
        weights=plan.weights,
        limits=plan.limits,
        purchase=None if plan.purchase is None else purchase_form(plan.purchase),
        border_line_mm=points_mm(plan.border_line_mm),
        runs=[_run_form(each) for each in plan.runs],
        cuts=[_cut_form(each) for each in plan.cuts],
        gaps=[_gap_form(each) for each in plan.gaps],
        reasons=None if plan.reasons is None else _reasons_form(plan.reasons),
        three=None if plan.three is None else _three_form(plan.three),
    )
    return PlanFile(
        picture=picture, plan=form, edge=target_form(plan.target), lace=lace_form(plan.lace)
    )


def plan_from_file(file: PlanFile) -> Plan:
    """Return the plan a file stands for.

    Raises
    ------
    ValueError
        When the file contradicts itself; names the place.
    """
    form = file.plan
    lace, target = lace_from_form(file.lace), target_from_form(file.edge)
    with place("plan"):
        return Plan(
            lace=lace,
            target=target,
            wishes=form.wishes,
            weights=form.weights,
            limits=form.limits,
            side=form.side,
            start_mm=form.start_mm,
            laying_depth_mm=form.laying_depth_mm,
            border_depth_mm=form.border_depth_mm,
            border_line_mm=as_points(form.border_line_mm),
            runs=[_run(each) for each in form.runs],
            cuts=[_cut(each) for each in form.cuts],
            gaps=[
                Gap(as_points(each.outline_mm), each.area_mm2, each.width_mm, each.cut)
                for each in form.gaps
            ],
            eat_up=form.eat_up,
            cost_min=form.cost_min,
            bound_min=form.bound_min,
            certificate=form.certificate,
            layers=form.layers,
            template_mm=form.template_mm,
            full_depth_mm=form.full_depth_mm,
            purchase=None if form.purchase is None else purchase_from_form(form.purchase),
            reasons=None if form.reasons is None else Reasons(**_fields(form.reasons)),
            three=None if form.three is None else ThreeWays(**_fields(form.three)),
        )


def purchase_form(purchase: Purchase) -> PurchaseForm:
    """Return what to buy as stored."""
    return PurchaseForm(
        used_mm=mm(purchase.used_mm),
        start_anywhere_mm=mm(purchase.start_anywhere_mm),
        ragged_ends_mm=mm(purchase.ragged_ends_mm),
        spare_mm=mm(purchase.spare_mm),
        increment_mm=mm(purchase.increment_mm),
        to_buy_mm=mm(purchase.to_buy_mm),
        reasons=list(purchase.reasons),
    )


def purchase_from_form(form: PurchaseForm) -> Purchase:
    """Return the purchase a form stands for."""
    with place("purchase"):
        return Purchase(**{**_fields(form), "reasons": tuple(form.reasons)})


def _fields(form: Form) -> dict[str, Any]:
    return {name: getattr(form, name) for name in form.__struct_fields__}


def _run_form(run: Run) -> RunForm:
    laying = run.laying
    (a, b), (c, d) = np.asarray(laying.matrix, dtype=float).tolist()
    return RunForm(
        lace_interval_mm=_mm_pair(run.lace_interval_mm),
        edge_interval_mm=_mm_pair(run.edge_interval_mm),
        touch_s_mm=mm(run.touch_s_mm),
        laying=LayingForm(
            matrix=((plain(a), plain(b)), (plain(c), plain(d))),
            shift_mm=_mm_pair(laying.shift_mm),
            bend_per_mm=plain(laying.bend_per_mm),
            pivot_mm=_mm_pair(laying.pivot_mm),
            inward=_plain_pair(laying.inward),
        ),
        edge_error_mm=mm(run.edge_error_mm),
        edge_excess_mm2=mm(run.edge_excess_mm2),
        strain=_plain_pair(run.strain),
        depth_mm=mm(run.depth_mm),
        shallow_mm2=mm(run.shallow_mm2),
        line_motif_mm=mm(run.line_motif_mm),
        line_cord_mm=mm(run.line_cord_mm),
        outline_mm=points_mm(run.outline_mm),
    )


def _run(form: RunForm) -> Run:
    laying = form.laying
    return Run(
        lace_interval_mm=form.lace_interval_mm,
        edge_interval_mm=form.edge_interval_mm,
        touch_s_mm=form.touch_s_mm,
        outline_mm=as_points(form.outline_mm),
        laying=Laying(
            matrix=np.array(laying.matrix),
            shift_mm=np.array(laying.shift_mm),
            bend_per_mm=laying.bend_per_mm,
            pivot_mm=np.array(laying.pivot_mm),
            inward=np.array(laying.inward),
        ),
        edge_error_mm=form.edge_error_mm,
        edge_excess_mm2=form.edge_excess_mm2,
        strain=form.strain,
        depth_mm=form.depth_mm,
        shallow_mm2=form.shallow_mm2,
        line_motif_mm=form.line_motif_mm,
        line_cord_mm=form.line_cord_mm,
    )


def _cut_form(cut: Cut) -> CutForm:
    return CutForm(
        kind=cut.kind,
        at_valley=bool(cut.at_valley),
        s_mm=mm(cut.s_mm),
        turn_mm=_mm_pair(cut.turn_mm),
        angle_rad=plain(cut.angle_rad),
        widths_mm=[_mm_pair(each) for each in cut.widths_mm],
        lap_mm2=mm(cut.lap_mm2),
        opening_mm2=mm(cut.opening_mm2),
        slip_mm=mm(cut.slip_mm),
        top=cut.top,
        net_mm=mm(cut.net_mm),
        motif_mm=mm(cut.motif_mm),
        cord_mm=mm(cut.cord_mm),
        beads_in_way=int(cut.beads_in_way),
        beads_under_lap=int(cut.beads_under_lap),
        terms={name: plain(cut.terms[name]) for name in sorted(cut.terms)},
        path_mm=points_mm(cut.path_mm),
        step_mm=points_mm(cut.step_mm),
    )


def _cut(form: CutForm) -> Cut:
    values = _fields(form)
    values["path_mm"] = as_points(form.path_mm)
    values["step_mm"] = as_points(form.step_mm)
    values["turn_mm"] = np.array(form.turn_mm)
    values["widths_mm"] = tuple(form.widths_mm)
    return Cut(**values)


def _gap_form(gap: Gap) -> GapForm:
    return GapForm(
        area_mm2=mm(gap.area_mm2),
        width_mm=mm(gap.width_mm),
        cut=None if gap.cut is None else int(gap.cut),
        outline_mm=points_mm(gap.outline_mm),
    )


def _reasons_form(reasons: Reasons) -> ReasonsForm:
    return ReasonsForm(
        without=[_rounded(each) for each in reasons.without],
        limits=[_rounded(each) for each in reasons.limits],
    )


def _three_form(three: ThreeWays) -> ThreeForm:
    return ThreeForm(
        choices=[_rounded(each) for each in three.choices],
        curve=[_rounded(each) for each in three.curve],
        this=three.this,
    )


def _rounded(record: RecordT) -> RecordT:
    """The same with its numbers as stored."""

    def stored(value: Any) -> Any:
        if isinstance(value, tuple):
            return tuple(stored(each) for each in value)
        return mm(value) if isinstance(value, float) else value

    changed = {each.name: stored(getattr(record, each.name)) for each in fields(record)}
    return replace(record, **changed)


def _mm_pair(values: np.ndarray | tuple[float, float]) -> tuple[float, float]:
    x, y = values
    return (mm(x), mm(y))


def _plain_pair(values: np.ndarray | tuple[float, float]) -> tuple[float, float]:
    x, y = values
    return (plain(x), plain(y))
