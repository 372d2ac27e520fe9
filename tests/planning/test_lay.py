"""Plans of the built-in edges with laces written by hand: every one is re-measured."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from handmade import compound, corded, flounce, galloon, mirrored_pair

from lacelay.errors import PlanError, TargetError
from lacelay.geometry.plane_curve import PlaneCurve
from lacelay.model.lace import Lace, Measured, Repeat
from lacelay.model.plan import Plan
from lacelay.model.shapes import SHAPES
from lacelay.model.target import EdgeKind, Landmark, TargetEdge
from lacelay.model.wishes import Limits, Weights, Wishes
from lacelay.planning.border_line import border_line
from lacelay.planning.candidates import Border, places_along
from lacelay.planning.check import check_plan
from lacelay.planning.cost_field import cost_field
from lacelay.planning.cut_paths import cut_paths
from lacelay.planning.lay import lay_border
from lacelay.planning.meetings import search_places
from lacelay.planning.strip import border_strip

LACES = {
    "plain": galloon,
    "beaded": lambda: galloon(beads=True),
    "flounce": flounce,
    "corded": corded,
    "compound": compound,
    "odd-and-shallow": lambda: galloon(pitch=27.0, depth=4.5, per_repeat=5, width=118.0),
}
WISHES = {
    "usual": Wishes(side="lower"),
    "tip": Wishes(side="lower", centre="tip"),
    "turned": Wishes(side="upper", centre="valley"),
    "level": Wishes(side="lower", stand_mm=0.0),
    "shallow": Wishes(side="lower", border_depth_mm=26.0, stand_mm=3.0),
}
LOWER = Wishes(side="lower")


@cache
def plan_of(lace: str, shape: str, wish: str) -> Plan:
    return lay_border(LACES[lace](), SHAPES[shape].edge(), wishes=WISHES[wish])


CASES = [(lace, shape, "usual") for lace in LACES for shape in SHAPES] + [
    ("plain", "bodice-top", "tip"),
    ("beaded", "bodice-top", "turned"),
    ("compound", "bodice-top", "shallow"),
    ("corded", "scoop-neckline", "turned"),
    ("beaded", "scoop-neckline", "tip"),
    ("plain", "scoop-neckline", "level"),
    ("flounce", "dipped-waist", "tip"),
    ("compound", "dipped-waist", "turned"),
    ("corded", "dipped-waist", "level"),
    ("compound", "circular-hem", "tip"),
    ("plain", "circular-hem", "shallow"),
]


@pytest.mark.parametrize(("lace", "shape", "wish"), CASES)
def test_every_plan_holds(lace: str, shape: str, wish: str) -> None:
    """By the check, and by what can be told from the record alone."""
    plan = plan_of(lace, shape, wish)
    assert check_plan(plan) == ()
    for run in plan.runs:
        assert np.linalg.det(run.laying.matrix) == pytest.approx(1.0)
        assert run.edge_error_mm <= (15.0 if plan.target.kind == "free" else 4.0)
    for left, right in zip(plan.runs, plan.runs[1:], strict=False):
        assert left.lace_interval_mm[1] == pytest.approx(right.lace_interval_mm[0])
        assert left.edge_interval_mm[1] == pytest.approx(right.edge_interval_mm[0])
    assert plan.runs[0].edge_interval_mm[0] == pytest.approx(0.0, abs=1e-6)
    assert plan.runs[-1].edge_interval_mm[1] == pytest.approx(plan.target.length_mm, abs=1e-6)
    real = [cut for cut in plan.cuts if cut.kind != "uncut"]
    for cut in real:
        course = np.vstack([cut.step_mm, cut.path_mm])
        walked = np.hypot(*np.diff(course, axis=0).T).sum()
        assert cut.net_mm + cut.motif_mm == pytest.approx(walked, abs=0.01)
        assert cut.lap_mm2 >= 0
        assert cut.opening_mm2 >= 0
        assert min(cut.terms.values()) >= 0
        # It laps or opens at its inner side as it turns.
        assert np.sign(cut.widths_mm[-1][1]) == np.sign(cut.angle_rad)
    assert plan.bound_min <= plan.cost_min + 0.01 * plan.cost_min
    assert "given these weights and limits" in plan.certificate


@pytest.mark.parametrize(("lace", "shape", "wish"), [c for c in CASES if c[2] != "usual"])
def test_wishes_are_kept(lace: str, shape: str, wish: str) -> None:
    plan, wishes = plan_of(lace, shape, wish), WISHES[wish]
    assert plan.side == wishes.side
    assert plan.wishes == wishes
    if wishes.border_depth_mm is not None:
        assert plan.border_depth_mm == pytest.approx(wishes.border_depth_mm, abs=8.0)
    if wish in ("tip", "turned"):
        assert at_centre(plan, "tip" if wish == "tip" else "valley") < 0.01


def at_centre(plan: Plan, what: str) -> float:
    """How far the nearest valley or tip is from the centre, seen on the laid run itself.

    The lace place over the centre is read off the garment: the run whose stretch holds it.
    """
    centre = plan.target.centre
    assert centre is not None
    curve, p = plan.target.curve, plan.laying_depth_mm
    run = next(r for r in plan.runs if r.edge_interval_mm[1] >= centre.s_mm - 1e-9)
    from_start = curve.laying_length(centre.s_mm, p) - curve.laying_length(
        run.edge_interval_mm[0], p
    )
    along = run.lace_interval_mm[0] + float(from_start)
    edge = plan.lace.edge(plan.side)
    points = edge.valleys_mm if what == "valley" else edge.tips_mm
    assert plan.lace.repeat is not None
    period = plan.lace.repeat.length_mm.value
    sign = 1.0 if plan.side == "lower" else -1.0
    off = np.mod(sign * points[:, 0] - along + period / 2, period) - period / 2
    return float(np.abs(off).min())


def test_either_edge_is_the_cheaper_one() -> None:
    both = {
        side: lay_border(compound(), SHAPES["dipped-waist"].edge(), wishes=Wishes(side=side))
        for side in ("lower", "upper", "either")
    }
    least = min(both["lower"].bound_min, both["upper"].bound_min)
    assert both["either"].bound_min == pytest.approx(least, abs=1e-9)


def test_a_free_start_is_no_dearer_than_a_valley_or_a_tip() -> None:
    """Within what the refined step leaves: 0.1 mm of start."""
    target = SHAPES["dipped-waist"].edge()
    lace = mirrored_pair()
    held = lay_border(lace, target, wishes=LOWER)
    free = lay_border(lace, target, wishes=replace(LOWER, centre="anywhere"))
    assert check_plan(free) == ()
    assert free.bound_min <= held.bound_min + 0.1


def lopsided(kind: EdgeKind = "hard") -> TargetEdge:
    """An edge unlike its own mirror image, its centre off the middle."""
    curve = PlaneCurve.from_arcs(
        [(90, 1 / 150), (60, 0), (110, -1 / 120), (80, 1 / 100)], heading_rad=0.3
    )
    marks = [
        Landmark("left side seam", 0.0, "end"),
        Landmark("centre front", 150.0, "centre"),
        Landmark("right side seam", curve.length_mm, "end"),
    ]
    return TargetEdge("lopsided", curve, kind, marks)


def moved(target: TargetEdge, angle_rad: float, shift_mm: tuple[float, float]) -> TargetEdge:
    """The same points, turned and shifted."""
    cos, sin = np.cos(angle_rad), np.sin(angle_rad)
    points = target.curve.points_mm @ np.array([[cos, sin], [-sin, cos]]) + shift_mm
    heading = target.curve.heading(target.curve.s_mm) + angle_rad
    return replace(target, curve=PlaneCurve(points, heading))


def mirrored(target: TargetEdge) -> TargetEdge:
    """Flipped left to right, and run from its other end: the covered side stays the left."""
    curve = target.curve
    points = curve.points_mm[::-1] * [-1.0, 1.0]
    flipped = PlaneCurve(points, -curve.heading(curve.s_mm)[::-1])
    marks = [Landmark(m.name, curve.length_mm - m.s_mm, m.role) for m in target.landmarks]
    return replace(target, curve=flipped, landmarks=marks)


def figures(plan: Plan) -> np.ndarray:
    """Every figure that does not depend on where the garment lies."""
    told = [plan.cost_min, plan.bound_min, plan.eat_up, plan.start_mm, plan.border_depth_mm]
    for run in plan.runs:
        told += [*run.lace_interval_mm, *run.edge_interval_mm, run.touch_s_mm]
        told += [run.edge_error_mm, run.edge_excess_mm2, *run.strain, run.laying.bend_per_mm]
    for cut in plan.cuts:
        told += [cut.s_mm, cut.angle_rad, cut.lap_mm2, cut.opening_mm2, cut.slip_mm]
        told += [*np.ravel(cut.widths_mm), cut.net_mm, cut.motif_mm, cut.cord_mm]
        told += [cut.beads_in_way, cut.beads_under_lap]
    told += [value for gap in plan.gaps for value in (gap.area_mm2, gap.width_mm)]
    return np.array(told, dtype=float)


@pytest.mark.parametrize(("lace", "kind"), [("beaded", "hard"), ("compound", "free")])
def test_turning_and_moving_the_garment_changes_no_figure(lace: str, kind: EdgeKind) -> None:
    target = lopsided(kind)
    plain = lay_border(LACES[lace](), target, wishes=LOWER)
    assert check_plan(plain) == ()
    for angle, shift in ((2.1, (-340.0, 910.0)), (-0.7, (1e4, 0.0))):
        there = lay_border(LACES[lace](), moved(target, angle, shift), wishes=LOWER)
        assert check_plan(there) == ()
        assert figures(there) == pytest.approx(figures(plain), rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("kind", ["hard", "free"])
@pytest.mark.parametrize("centre", ["valley", "tip", "anywhere"])
def test_a_mirrored_edge_costs_the_same(kind: EdgeKind, centre: str) -> None:
    """With a lace that is its own mirror image.

    Where the start is held by a valley or a tip there is no step; a free start is refined
    to 0.1 mm, which moves the cost by less than a hundredth of a minute a tenth.
    """
    wishes = Wishes(side="lower", centre=centre)  # type: ignore[arg-type]
    one = lay_border(mirrored_pair(), lopsided(kind), wishes=wishes)
    other = lay_border(mirrored_pair(), mirrored(lopsided(kind)), wishes=wishes)
    assert check_plan(one) == ()
    assert check_plan(other) == ()
    # Outlines are kept in bins of half a millimetre, which are not their own mirror image.
    step = 0.05 if centre == "anywhere" else 5e-3
    assert other.bound_min == pytest.approx(one.bound_min, abs=step)
    assert other.cost_min == pytest.approx(one.cost_min, abs=step)
    if centre != "anywhere":
        turns = [cut.angle_rad for cut in one.cuts]
        assert [cut.angle_rad for cut in other.cuts][::-1] == pytest.approx(turns, abs=1e-5)


def test_beads_that_cost_much_are_cut_least() -> None:
    counts = []
    for bead in (0.0, 2.0, 20.0):
        plan = lay_border(
            galloon(beads=True),
            SHAPES["dipped-waist"].edge(),
            wishes=LOWER,
            weights=Weights(bead=bead),
        )
        counts.append(sum(cut.beads_in_way for cut in plan.cuts))
    assert counts == sorted(counts, reverse=True)
    assert counts[-1] < counts[0]


@pytest.mark.parametrize("shape", SHAPES)
def test_dearer_beads_are_never_cut_more(shape: str) -> None:
    """Over the same candidate cuts: the dearer beads are, the fewer are in the way."""
    plan = plan_of("beaded", shape, "usual")
    strip = border_strip(plan.lace, plan.side)
    free = Weights(bead=0.0)
    field = cost_field(strip, free, Limits(), 60.0)
    line = border_line(field, plan.border_depth_mm, 4.0)
    border = Border(strip, line, tuple(cut_paths(field, line, free, Limits())), free, Limits())
    laid = places_along(
        border,
        plan.target,
        start_mm=plan.start_mm,
        laying_depth_mm=plan.laying_depth_mm,
        stand_mm=2.0,
    )
    beads = np.array([0 if k < 0 else border.paths[k].contents[3] for k in laid.candidate])
    counts, costs = [], []
    for bead in (0.0, 0.3, 1.0, 4.0, 20.0):
        minutes = laid.places.minutes + bead * beads
        chain = search_places(replace(laid.places, minutes=minutes), free, Limits())
        assert chain is not None
        cut = [k for k, cost in zip(chain.places[1:-1], chain.cut_costs, strict=True) if cost >= 8]
        counts.append(int(beads[cut].sum()))
        costs.append(chain.cost)
    assert counts == sorted(counts, reverse=True)
    assert costs == sorted(costs)


def test_dearer_cuts_are_fewer() -> None:
    numbers = []
    for cut in (1.0, 8.0, 40.0):
        plan = lay_border(
            mirrored_pair(), SHAPES["bodice-top"].edge(), wishes=LOWER, weights=Weights(cut=cut)
        )
        numbers.append(sum(each.kind != "uncut" for each in plan.cuts))
    assert numbers == sorted(numbers, reverse=True)
    assert numbers[-1] < numbers[0]


def test_how_many_repeats_were_seen_does_not_matter() -> None:
    """Two or five: one repeat stands for all.

    The outline is kept at half millimetres from the template's start, which lies at another
    scallop of the same kind: the cost moves by less than half a hundredth.
    """
    few = lay_border(galloon(repeats=2), SHAPES["dipped-waist"].edge(), wishes=LOWER)
    many = lay_border(galloon(repeats=5), SHAPES["dipped-waist"].edge(), wishes=LOWER)
    assert few.cost_min == pytest.approx(many.cost_min, rel=5e-3)
    assert [cut.kind for cut in few.cuts] == [cut.kind for cut in many.cuts]
    low, high = few.template_mm
    assert high - low == pytest.approx(120.0)
    assert low >= 0
    assert high <= few.lace.length_mm + 1e-6


def test_same_input_same_plan() -> None:
    first, second = (lay_border(galloon(beads=True), lopsided(), wishes=LOWER) for _ in range(2))
    assert np.array_equal(figures(first), figures(second))
    for one, other in zip(first.runs, second.runs, strict=True):
        assert np.array_equal(one.outline_mm, other.outline_mm)
        assert np.array_equal(one.laying.matrix, other.laying.matrix)


def test_progress_is_told_to_its_end() -> None:
    told: list[tuple[str, float]] = []
    lay_border(mirrored_pair(), lopsided(), progress=lambda text, share: told.append((text, share)))
    shares = [share for _, share in told]
    assert len(shares) > 2
    assert shares == sorted(shares)
    assert shares[0] >= 0
    assert shares[-1] == 1.0
    assert all(text for text, _ in told)


def edge_of(*arcs: tuple[float, float]) -> TargetEdge:
    return TargetEdge("edge", PlaneCurve.from_arcs(arcs))


def straight(lace: Lace) -> Lace:
    return replace(lace, lower=replace(lace.upper, side="lower"))


@pytest.mark.parametrize(
    ("lace", "target", "wishes", "error", "found", "remedy"),
    [
        (
            galloon(),
            edge_of((30, 0)),
            LOWER,
            TargetError,
            "The edge is 30 mm long, shorter than one scallop of 40 mm.",
            "Check its units, or choose a lace with smaller scallops.",
        ),
        (
            galloon(),
            edge_of((60, 0), (60, 1 / 30), (60, 0)),
            Wishes(side="lower", border_depth_mm=50.0),
            TargetError,
            "The edge bends with a radius of 30 mm at 85 mm from its start, tighter than the "
            "border is deep there (48 mm): its runs would all lie on top of each other.",
            "Take the border shallower, or cut single motifs for that bend.",
        ),
        (
            flounce(),
            edge_of((300, 0)),
            Wishes(side="upper"),
            PlanError,
            "The upper edge of handmade flounce has no scallops.",
            "Choose its other edge.",
        ),
        (
            straight(flounce()),
            edge_of((300, 0)),
            Wishes(),
            PlanError,
            "Neither edge of handmade flounce has scallops.",
            "Choose a lace with a scalloped edge.",
        ),
        (
            replace(galloon(), repeat=None),
            edge_of((300, 0)),
            LOWER,
            PlanError,
            "The repeat of handmade galloon could not be told, so what lies beyond the photo is "
            "not known.",
            "Photograph at least two whole repeats, with the whole width in the picture.",
        ),
        (
            replace(galloon(), repeat=Repeat(Measured(500.0, 1.0), 0.7, 0.5)),
            edge_of((300, 0)),
            LOWER,
            PlanError,
            "Only 360 mm of handmade galloon were seen, less than its repeat of 500 mm.",
            "Photograph at least one whole repeat, from valley to valley.",
        ),
        (
            galloon(),
            edge_of((300, 0)),
            Wishes(side="lower", border_depth_mm=90.0),
            PlanError,
            "A border 90 mm deep cannot come off this edge, which holds 16 to 68 mm.",
            "Choose a depth between them.",
        ),
    ],
)
def test_what_cannot_be_laid_is_said(
    lace: Lace,
    target: TargetEdge,
    wishes: Wishes,
    error: type[Exception],
    found: str,
    remedy: str,
) -> None:
    with pytest.raises(error) as caught:
        lay_border(lace, target, wishes=wishes)
    assert str(caught.value) == f"{found} {remedy}"


BODICE, HEM = SHAPES["bodice-top"].edge, SHAPES["circular-hem"].edge
OUTER = replace(LOWER, laying_depth_mm=20.0)


@pytest.mark.parametrize(
    ("limit", "target", "wishes", "words"),
    [
        ({"lap_mm": 1.0}, BODICE(), LOWER, "a lap at the inner side wider than 1 mm"),
        ({"opening_mm": 1.0}, BODICE(), LOWER, "an opening wider than 1 mm"),
        ({"edge_opening_mm": 1.0}, BODICE(), OUTER, "wider than 1 mm at the edge"),
        ({"slip_mm": 0.01}, BODICE(), LOWER, "apart where they turn"),
        ({"edge_limit_mm": 0.1}, BODICE(), LOWER, "scallops more than 0 mm off the edge"),
        ({"free_limit_mm": 0.1}, HEM(), LOWER, "scallops more than 0 mm off the edge"),
        ({"cut_distance_mm": 300.0}, BODICE(), LOWER, "nearer than 300 mm to each other"),
        ({"inner_width_mm": 300.0}, BODICE(), LOWER, "runs narrower than 300 mm"),
        ({"run_mm": 10.0}, BODICE(), LOWER, "a run longer than 10 mm"),
    ],
)
def test_an_impossible_limit_is_named(
    limit: dict[str, float], target: TargetEdge, wishes: Wishes, words: str
) -> None:
    with pytest.raises(PlanError) as caught:
        lay_border(mirrored_pair(), target, wishes=wishes, limits=Limits(**limit))
    assert words in caught.value.found
    assert caught.value.remedy.startswith("Allow ")


def test_impossible_by_several_limits_at_once() -> None:
    limits = Limits(lap_mm=0.0, opening_mm=0.0, slip_mm=0.0)
    with pytest.raises(PlanError) as caught:
        lay_border(mirrored_pair(), BODICE(), wishes=LOWER, limits=limits)
    assert "no single limit frees one" in caught.value.found
    assert "shallower" in caught.value.remedy
