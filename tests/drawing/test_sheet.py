"""The printed sheets, measured from their rendered pages."""

from __future__ import annotations

import io
from collections.abc import Callable

import numpy as np
import pypdf
import pytest
from page_measure import MM_PER_INCH, from_bottom, pages, render, stroke_offset_mm, strokes

from lacelay.drawing.page_frame import CHECK_PRINTER
from lacelay.drawing.sheet import SheetPart, make_sheet, sheet_parts
from lacelay.drawing.tiling import MARGIN_MM, PAGE_SIZES_MM, PageName, Window
from lacelay.model.plan import Plan

DPI = 300.0
PX = DPI / MM_PER_INCH


@pytest.fixture(scope="module")
def long_plan(plan_maker: Callable[..., Plan]) -> Plan:
    return plan_maker(arcs=((250, 1 / 90), (200, -1 / 60), (300, 1 / 300)), through=3, runs=16)


@pytest.fixture(scope="module")
def tiles(long_plan: Plan) -> bytes:
    return make_sheet(long_plan)


def text_of(pdf: bytes) -> list[str]:
    return [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]


def test_every_page_carries_true_bars(tiles: bytes) -> None:
    for page in range(pages(tiles)):
        dark = render(tiles, page, DPI)
        # Only the end ticks of a bar are this high over it (the others are half as tall).
        for low, high, mm in ((13.0 + 1.6, 13.0 + 2.2, 100.0), (2.0 + 1.6, 2.0 + 2.2, 101.6)):
            rows = from_bottom(dark, MARGIN_MM + low, MARGIN_MM + high, DPI)
            columns = slice(0, round((MARGIN_MM + 104) * PX))
            ends = strokes(dark[rows, columns].mean(axis=0))
            assert len(ends) >= 2
            assert (ends[-1] - ends[0]) / PX == pytest.approx(mm, abs=0.1)


@pytest.mark.parametrize("page", ["A4", "Letter", "A3"])
def test_pages_are_of_their_standard_size(long_plan: Plan, page: PageName) -> None:
    # ISO 216:2007: A4 210 x 297 mm, A3 297 x 420 mm. Letter is 8.5 x 11 in, 215.9 x 279.4 mm.
    expected = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4), "A3": (297.0, 420.0)}[page]
    assert PAGE_SIZES_MM[page] == expected
    reader = pypdf.PdfReader(io.BytesIO(make_sheet(long_plan, page=page)))
    for each in reader.pages:
        box = [float(side) / 72 * MM_PER_INCH for side in each.mediabox[2:]]
        assert sorted(box) == pytest.approx(sorted(expected), abs=0.01)


def test_words_on_every_page(tiles: bytes, long_plan: Plan) -> None:
    texts = text_of(tiles)
    for text in texts:
        assert all(line in text for line in CHECK_PRINTER)
        assert "100 mm" in text
        assert "4 in" in text
    assert all("RIGHT SIDE UP" in text for text in texts[1:])
    cutting = [text for text in texts if "Cutting sheet, page" in text]
    assert [f"page {k + 1} of {len(cutting)}" in text for k, text in enumerate(cutting)] == [
        True
    ] * len(cutting)
    together = " ".join(cutting)
    for k in range(len(long_plan.cuts)):
        assert str(k + 1) in together.split()


def test_the_document_says_what_it_is_and_holds_no_date(tiles: bytes) -> None:
    reader = pypdf.PdfReader(io.BytesIO(tiles))
    assert reader.metadata is not None
    assert reader.metadata.title == (
        "Sheets at true size: Invented neckline, Invented sprays on net"
    )
    # The invariant date of the writer, not today's.
    assert b"/CreationDate (D:20000101000000+00'00')" in tiles
    preferences = reader.trailer["/Root"]["/ViewerPreferences"]  # type: ignore[index]
    assert preferences["/PrintScaling"] == "/None"
    for page in reader.pages:
        for font in page["/Resources"]["/Font"].values():  # type: ignore[index, union-attr]
            found = font.get_object()
            if "DejaVu" in found["/BaseFont"]:
                assert "/FontFile2" in found["/FontDescriptor"]


def test_the_same_plan_gives_the_same_bytes(long_plan: Plan, tiles: bytes) -> None:
    assert make_sheet(long_plan) == tiles
    assert make_sheet(long_plan, tinted=True) != tiles


def on_page(window: Window, page_mm: tuple[float, float], points: np.ndarray) -> np.ndarray:
    """Pixels (column, row) of drawing points on a rendered page; pixel centres at integers."""
    x = window.at_mm[0] + points[:, 0] - window.bounds_mm[0]
    y = window.at_mm[1] + points[:, 1] - window.bounds_mm[1]
    return np.stack([x * PX - 0.5, (page_mm[1] - y) * PX - 0.5], axis=1)


def whole_page(plan: Plan, part: int) -> tuple[SheetPart, np.ndarray]:
    parts = sheet_parts(plan, tiled=False)
    assert [len(each.pages) for each in parts] == [1, 1]
    return parts[part], render(make_sheet(plan, tiled=False), 1 + part, DPI)


def test_run_outlines_lie_where_the_plan_lays_them(opening: Plan) -> None:
    part, dark = whole_page(opening, 1)
    window = part.pages[0].windows[0]
    offsets = []
    for run in opening.runs:
        placed = run.laying.place(run.outline_mm)
        # The inner side is one straight segment: from the right cut's start to the left's.
        k = int(np.argmax(np.hypot(*np.diff(placed, axis=0).T)))
        a, b = placed[k], placed[k + 1]
        along = (b - a) / np.hypot(*(b - a))
        across = np.array([-along[1], -along[0]])  # rows go down
        for t in np.linspace(0.15, 0.85, 15):
            at = on_page(window, part.pages[0].size_mm, (a + t * (b - a))[None])[0]
            offsets.append(stroke_offset_mm(dark, at, across / np.hypot(*across), PX, 0.8))
    assert len(offsets) == 15 * len(opening.runs)
    assert np.abs(offsets).max() < 0.1


def test_cuts_lie_where_the_plan_has_them_on_the_lace(lapping: Plan) -> None:
    part, dark = whole_page(lapping, 0)
    window = part.pages[0].windows[0]
    offsets = []
    for cut in lapping.cuts:
        for a, b in zip(cut.path_mm[:-1], cut.path_mm[1:], strict=True):
            along = (b - a) / np.hypot(*(b - a))
            across = np.array([-along[1], -along[0]])
            for t in (0.35, 0.5, 0.65):
                at = on_page(window, part.pages[0].size_mm, (a + t * (b - a))[None])[0]
                offsets.append(stroke_offset_mm(dark, at, across, PX, 0.75))
    # Some places have a motif's outline or a bead's ring beside the cut; most have not.
    assert np.median(np.abs(offsets)) < 0.03
    assert np.mean(np.abs(offsets) < 0.1) > 0.8


@pytest.mark.parametrize("part", [0, 1])
def test_tiles_join(long_plan: Plan, tiles: bytes, part: int) -> None:
    """What two windows share is printed alike in both, to a tenth of a millimetre."""
    import cv2

    parts = sheet_parts(long_plan)
    first = 1 + sum(len(each.pages) for each in parts[:part])
    windows = [
        (first + k, page.size_mm, window)
        for k, page in enumerate(parts[part].pages)
        for window in page.windows
    ]
    rendered = {page: render(tiles, page, DPI) for page, _, _ in windows}
    joined = 0
    for i, (page_a, size_a, a) in enumerate(windows):
        for page_b, size_b, b in windows[i + 1 :]:
            x0, y0 = (max(a.bounds_mm[k], b.bounds_mm[k]) + 0.6 for k in (0, 1))
            x1, y1 = (min(a.bounds_mm[k], b.bounds_mm[k]) - 0.6 for k in (2, 3))
            if min(x1 - x0, y1 - y0) < 5 or max(x1 - x0, y1 - y0) < 20:
                continue
            crops = []
            for page, size, window in ((page_a, size_a, a), (page_b, size_b, b)):
                corner = on_page(window, size, np.array([[x0, y1]]))[0]
                shape = (round((x1 - x0) * PX), round((y1 - y0) * PX))
                # Sub-pixel, since windows start at no whole pixel.
                middle = corner + (np.array(shape) - 1) / 2
                crops.append(
                    cv2.getRectSubPix(
                        rendered[page].astype(np.float32), shape, tuple(map(float, middle))
                    )
                )
            assert crops[0].max() > 0.5
            (dx, dy), _ = cv2.phaseCorrelate(crops[0].astype(float), crops[1].astype(float))
            assert np.hypot(dx, dy) / PX < 0.1
            # Alike in content too, not only in place.
            assert np.corrcoef(crops[0].ravel(), crops[1].ravel())[0, 1] > 0.97
            joined += 1
    assert joined == len(windows) - 1


def test_match_marks_are_printed_in_both_windows(long_plan: Plan) -> None:
    for part in sheet_parts(long_plan):
        windows = [window for page in part.pages for window in page.windows]
        for mark in part.scene.of("match mark"):
            x, y = mark.points_mm.mean(axis=0)
            holding = [
                w
                for w in windows
                if w.bounds_mm[0] < x < w.bounds_mm[2] and w.bounds_mm[1] < y < w.bounds_mm[3]
            ]
            assert len(holding) >= 2


def test_everything_drawn_lies_in_some_window(long_plan: Plan) -> None:
    import shapely

    for part in sheet_parts(long_plan):
        windows = shapely.union_all(
            [shapely.box(*w.bounds_mm) for page in part.pages for w in page.windows]
        )
        for shape in part.scene.shapes:
            assert windows.covers(shapely.MultiPoint(shape.points_mm))


def test_the_tint_lies_under_the_drawing_only(lapping: Plan) -> None:
    plain = render(make_sheet(lapping), 1, 60.0)
    tinted = render(make_sheet(lapping, tinted=True), 1, 60.0)
    assert np.median(plain) == 0.0
    assert 0.1 < np.quantile(tinted, 0.5) < 0.25
    assert tinted[:15].min() == 0.0


def test_windows_fit_their_pages(long_plan: Plan) -> None:
    for page_name in PAGE_SIZES_MM:
        for part in sheet_parts(long_plan, page=page_name):
            for page in part.pages:
                for window in page.windows:
                    x0, y0, x1, y1 = window.bounds_mm
                    right = window.at_mm[0] + x1 - x0
                    top = window.at_mm[1] + y1 - y0
                    assert right <= page.size_mm[0] - MARGIN_MM + 1e-6
                    assert top <= page.size_mm[1] - MARGIN_MM + 1e-6
                    assert window.at_mm[0] >= MARGIN_MM - 1e-6
