"""The target sheet: true to size on its paper, and said to be measured; doubt on every print."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from io import BytesIO

import cv2
import numpy as np
import pytest
from page_measure import from_bottom, pages, render, strokes
from pypdf import PdfReader

from lacelay.drawing.report import make_report
from lacelay.drawing.sheet import make_sheet
from lacelay.drawing.target_sheet import make_target_sheet
from lacelay.model.lace import Scale
from lacelay.model.plan import Plan
from lacelay.model.target_board import (
    COLUMNS,
    FIRST_MARKER,
    MARKER_SET,
    MARKERS,
    ROWS,
    SQUARE_MM,
    TargetPaper,
    board_corner_mm,
    markers_mm,
)

DPI = 300.0
#: ISO 216 and ANSI Letter (8 1/2 x 11 in), mm.
PAPERS: list[tuple[TargetPaper, float, float]] = [("a4", 210.0, 297.0), ("letter", 215.9, 279.4)]


@pytest.mark.parametrize(("paper", "width", "height"), PAPERS)
def test_the_page_is_its_paper(paper: TargetPaper, width: float, height: float) -> None:
    page = PdfReader(BytesIO(make_target_sheet(paper))).pages[0]
    assert pages(make_target_sheet(paper)) == 1
    assert float(page.mediabox.width) * 25.4 / 72 == pytest.approx(width, abs=0.01)
    assert float(page.mediabox.height) * 25.4 / 72 == pytest.approx(height, abs=0.01)


@pytest.mark.parametrize(("paper", "width", "height"), PAPERS)
def test_the_bar_is_100_mm_and_the_squares_true(
    paper: TargetPaper, width: float, height: float
) -> None:
    dark = render(make_target_sheet(paper), 0, DPI)
    left, low = board_corner_mm(paper)
    # The ticks at both ends of the bar stand 2.5 mm high over y = 26 mm.
    ends = strokes(dark[from_bottom(dark, 28.0, 28.3, DPI)].mean(axis=0))
    assert (ends[-1] - ends[0]) / DPI * 25.4 == pytest.approx(100.0, abs=0.05)
    # The lowest row of squares is black, white, ... : its black runs end every 25 mm.
    row = dark[from_bottom(dark, low + 1.0, low + 2.0, DPI)].mean(axis=0) > 0.5
    # A turn lies between two pixels: at the left side of the second.
    turns = (np.flatnonzero(np.diff(row.astype(int))) + 1) / DPI * 25.4
    assert turns == pytest.approx(left + SQUARE_MM * np.arange(COLUMNS + 1), abs=0.1)
    assert low + ROWS * SQUARE_MM < height


@pytest.mark.parametrize(("paper", "width", "height"), PAPERS)
def test_every_marker_can_be_read_where_the_layout_has_it(
    paper: TargetPaper, width: float, height: float
) -> None:
    page = render(make_target_sheet(paper), 0, 150.0)
    gray = np.clip(255 * (1 - page), 0, 255).astype(np.uint8)
    markers = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_SET))
    corners, numbers, _ = cv2.aruco.ArucoDetector(markers).detectMarkers(gray)
    read = dict(zip(np.asarray(numbers).ravel().tolist(), corners, strict=True))
    assert sorted(read) == list(range(FIRST_MARKER[paper], FIRST_MARKER[paper] + MARKERS))
    for k, low_left in enumerate(markers_mm()):
        seen = read[FIRST_MARKER[paper] + k].reshape(4, 2).mean(axis=0) * 25.4 / 150.0
        middle = low_left + 9.0 + np.array(board_corner_mm(paper))
        assert seen == pytest.approx([middle[0], height - middle[1]], abs=0.3)


def test_the_two_papers_share_no_marker() -> None:
    first = {paper: set(range(at, at + MARKERS)) for paper, at in FIRST_MARKER.items()}
    assert not first["a4"] & first["letter"]


def test_words_ask_to_measure_it_and_bytes_repeat() -> None:
    pdf = make_target_sheet("letter")
    text = PdfReader(BytesIO(pdf)).pages[0].extract_text()
    for words in ("100 mm", "not fitted to the page", "Letter", "Do not fold"):
        assert words in text
    assert pdf == make_target_sheet("letter")
    assert b"PrintScaling" in pdf


@pytest.mark.parametrize(("sigma", "said"), [(0.004, False), (0.015, True)])
def test_a_scale_worth_less_than_one_per_cent_is_said_on_every_print(
    plan_maker: Callable[..., Plan], sigma: float, said: bool
) -> None:
    plan = plan_maker()
    scale = Scale(plan.lace.scale.px_per_mm, sigma, "ruler in mm")
    doubtful = replace(plan, lace=replace(plan.lace, scale=scale))
    prints = [make_sheet(doubtful), make_report(doubtful, lines=["It lies flat."], pictures={})]
    for pdf in prints:
        for k, page in enumerate(PdfReader(BytesIO(pdf)).pages):
            if pdf is prints[0] or k == 0:
                assert ("Scale in doubt: lengths may be 2.9% out" in page.extract_text()) is said
