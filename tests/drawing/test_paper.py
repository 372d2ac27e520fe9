"""The plan taken to paper: cut out of the printed page by its pixels, laid round the edge.

Nothing here knows the plan's motions or outlines. The scale is taken from the printed
100 mm bar, the pieces are what the printed lines part, and each piece is laid by a least
squares rigid fit of its valley line to the edge, in the order in which they follow. The
angles between neighbours must be those that the plan gives its cuts.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable

import cv2
import numpy as np
import pytest
from handmade import galloon
from numpy.typing import NDArray
from page_measure import MM_PER_INCH, from_bottom, render, strokes

from lacelay.drawing.sheet import make_sheet
from lacelay.drawing.tiling import MARGIN_MM
from lacelay.model.plan import Plan
from lacelay.model.shapes import SHAPES
from lacelay.model.wishes import Limits
from lacelay.planning.lay import lay_border

DPI = 200.0
Floats = NDArray[np.float64]


class Paper:
    """What is printed on the cutting sheet, as measured from its pixels.

    Rows are turned so that the scallops point down whatever the side of the lace; lengths
    are mm of the printed bar.
    """

    def __init__(self, plan: Plan) -> None:
        dark = render(make_sheet(plan, tiled=False), 1, DPI)
        self.px_per_mm = self._bar(dark)
        top = round(30.0 * self.px_per_mm)  # the head of the page
        foot = dark.shape[0] - round((MARGIN_MM + 29.0) * self.px_per_mm)
        side = round((MARGIN_MM + 1.0) * self.px_per_mm)
        sheet = dark[top:foot, side:-side]
        self.thickened = round(1.3 * self.px_per_mm)
        self.upside_down = plan.side == "upper"
        # A turn of the paper by half, never a flip: left and right change places too.
        self.dark = sheet[::-1, ::-1] if self.upside_down else sheet

    @staticmethod
    def _bar(dark: Floats) -> float:
        rows = from_bottom(dark, MARGIN_MM + 14.6, MARGIN_MM + 15.2, DPI)
        ends = strokes(dark[rows, : round((MARGIN_MM + 103) * DPI / MM_PER_INCH)].mean(axis=0))
        return float(ends[-1] - ends[0]) / 100.0

    def valleys(self) -> Floats:
        """Places of the printed crosses, (column, row), in order along the lace."""
        half = round(2.5 * self.px_per_mm)
        cross = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
        for a, b in (((0, 0), (2 * half, 2 * half)), ((0, 2 * half), (2 * half, 0))):
            cv2.line(cross, a, b, 1.0, round(0.7 * self.px_per_mm), cv2.LINE_AA)
        image = self.dark.astype(np.float32)
        match = cv2.matchTemplate(image, cross, cv2.TM_CCOEFF_NORMED)
        ink = cv2.blur(image, cross.shape)[half:-half, half:-half]
        match[ink < 0.1] = 0.0  # on blank paper the likeness is noise
        highest = cv2.dilate(match, np.ones((2 * half, 2 * half), np.uint8))
        rows, columns = np.nonzero((match > 0.55) & (match == highest))
        found = np.stack([columns + half, rows + half], axis=1).astype(float)
        # Crosses stand on one line; rings and figures that look a little alike do not.
        middle = np.median(found[:, 1])
        found = found[np.abs(found[:, 1] - middle) < 2.5 * self.px_per_mm]
        return found[np.argsort(found[:, 0])]

    def pieces(self) -> list[NDArray[np.bool_]]:
        """Cut the page along its lines: masks of the stretches, in order along the lace."""
        ink = self.dark > 0.5  # motifs are printed paler
        height = round(float(np.median(self.valleys()[:, 1])))
        mm = self.px_per_mm
        # Each cut goes on, as a fold would, from its printed end straight to the scallop.
        lines = ink.astype(np.uint8)
        for column, row in self.cut_ends(height):
            lines[row : height + round(25 * mm), column - 1 : column + 2] = 1
        # Scissors join up dashes: all lines are thickened until their gaps close.
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * self.thickened + 1,) * 2)
        _, labels = cv2.connectedComponents(1 - cv2.dilate(lines, disc), connectivity=4)
        # The stretches are what lies just inside the valley line, edge to edge.
        across = labels[height - round(9.0 * mm)]
        outside = labels[0, 0]
        names, counts = np.unique(across[(across > 0) & (across != outside)], return_counts=True)
        wide = [int(name) for name, count in zip(names, counts, strict=True) if count > 12 * mm]
        masks = [labels == name for name in wide]
        return sorted(masks, key=lambda mask: float(np.nonzero(mask)[1].mean()))

    def cut_ends(self, height: float) -> list[tuple[int, int]]:
        """Where cuts stop short of the scallops, (column, row): a bar with the cut on it.

        The bar lies across the cut, at whatever slant the cut ends.
        """
        mm = self.px_per_mm
        ink = (self.dark > 0.75).astype(np.uint8)  # cuts, bars and crosses; outlines are paler
        found = np.zeros_like(ink)
        for slant in np.radians(np.arange(-60.0, 61.0, 7.5)):
            bar = cv2.erode(ink, _stroke(mm, slant, -1.5, 1.5))
            # A level bar is no part of a cut; of a slanted one only the stem on it is proof.
            stem = cv2.erode(ink, _stroke(mm, slant + np.pi / 2, 1.0, 3.5))
            found |= bar if abs(slant) < 0.2 else bar & stem
        found[: round(height - 14 * mm)] = 0
        for x, y in self.valleys():  # the arms of a cross look like bar and stem
            cv2.circle(found, (round(x), round(y)), round(2.8 * mm), 0, -1)
        found[round(height + 12 * mm) :] = 0
        joined = cv2.dilate(found, np.ones((round(mm), round(mm)), np.uint8))
        blobs = cv2.connectedComponentsWithStats(joined)[3][1:]
        return [(round(x), round(y)) for x, y in blobs]


def _stroke(px_per_mm: float, angle: float, low_mm: float, high_mm: float) -> NDArray[np.uint8]:
    """A line through the middle of a kernel, from one distance along it to another."""
    half = round(4.0 * px_per_mm)
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.uint8)
    along = np.array([np.cos(angle), -np.sin(angle)]) * px_per_mm
    ends = [tuple(int(v) for v in np.round(half + t * along)) for t in (low_mm, high_mm)]
    cv2.line(kernel, ends[0], ends[1], 1, 1)
    return kernel


def rigid(source: Floats, target: Floats) -> float:
    """Angle of the least-squares proper motion of points onto points."""
    a, b = source - source.mean(axis=0), target - target.mean(axis=0)
    return float(np.arctan2((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum(), (a * b).sum()))


def lay_cut_pieces(plan: Plan, paper: Paper) -> list[float]:
    """Headings of the cut-out pieces once laid, in order of the edge.

    Each is pinned by its two ends, on the line along which lace keeps its length.
    """
    valleys = paper.valleys()
    slope, height = np.polyfit(valleys[:, 0], valleys[:, 1], 1)
    curve, depth = plan.target.curve, plan.laying_depth_mm
    row = round(height - (depth + plan.wishes.stand_mm) * paper.px_per_mm)
    folds = np.array([column for column, _ in paper.cut_ends(float(height))])
    masks = [np.nonzero(mask) for mask in paper.pieces()]
    spans = [np.quantile(columns, [0.0, 0.5, 1.0]) for _, columns in masks]
    # An outline is 0.7 mm wide and stands for its middle.
    aside = paper.thickened + 0.35 * paper.px_per_mm
    ends = [spans[0][0] - aside]
    for k, (left, right) in enumerate(itertools.pairwise(spans)):
        fold = folds[(folds > left[1]) & (folds < right[1])]
        # A cut right through has no fold: its line is halfway between what it parts.
        edges = [masks[k + i][1][masks[k + i][0] == row] for i in (0, 1)]
        ends.append(float(fold[0]) if len(fold) else (edges[0].max() + edges[1].min()) / 2)
    ends.append(spans[-1][2] + aside)
    # What is turned in at either end of the edge lies past it and is not pinned.
    origin = ends[0] + plan.limits.turn_in_mm * paper.px_per_mm
    longest = float(curve.laying_length(curve.length_mm, depth))
    along = np.clip((np.array(ends) - origin) / paper.px_per_mm, 0.0, longest)
    on_paper = np.stack([along, -slope * along], axis=1)
    on_edge = curve.place(curve.from_laying_length(along, depth), depth)
    return [rigid(on_paper[k : k + 2], on_edge[k : k + 2]) for k in range(len(masks))]


@pytest.fixture(scope="module", params=["bodice-top", "scoop-neckline", "dipped-waist"])
def plan(request: pytest.FixtureRequest) -> Plan:
    # A lace that does not give: every stretch is laid as it was cut, stiff as paper.
    stiff = Limits(stretch=0.0, squeeze=0.0)
    return lay_border(galloon(), SHAPES[request.param].build(), limits=stiff)


def test_pieces_cut_from_the_page_turn_as_the_plan_says(plan: Plan) -> None:
    paper = Paper(plan)
    headings = lay_cut_pieces(plan, paper)
    assert len(headings) == len(plan.runs)
    turned = np.degrees(np.diff(np.unwrap(headings)))
    planned = np.degrees([cut.angle_rad for cut in plan.cuts])
    assert turned == pytest.approx(planned, abs=0.5)


def test_printed_valleys_are_a_scallop_apart(plan: Plan) -> None:
    paper = Paper(plan)
    valleys = paper.valleys()
    assert len(valleys) >= 8
    assert np.diff(valleys[:, 0]) / paper.px_per_mm == pytest.approx(40.0, abs=0.15)


def test_a_sheet_of_a_hand_made_plan(plan_maker: Callable[..., Plan]) -> None:
    # R 200, a quarter circle in six equal runs: 15 degrees a cut, by the design of the arc.
    plan = plan_maker(start_mm=10.0)
    headings = lay_cut_pieces(plan, Paper(plan))
    assert np.degrees(np.diff(headings)) == pytest.approx([15.0] * 5, abs=0.5)
