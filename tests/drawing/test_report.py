"""The one-page report."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pypdf
import pytest
from page_measure import pages, render

from lacelay.drawing.report import CAUTIONS, make_report, report_pictures
from lacelay.drawing.report_words import say_place
from lacelay.model.choices import SideBySide
from lacelay.model.picture import LacePicture
from lacelay.model.plan import Plan

LINES = (
    "centre front to side seam: 5 1/4 scallops, valley at the centre, 5 cuts",
    "Eat-up 1.00: 31 cm of lace on 31 cm of edge.",
)


def words(pdf: bytes) -> str:
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    return " ".join(" ".join(page.extract_text().split()) for page in reader.pages)


@pytest.fixture(scope="module")
def report(lapping: Plan, picture: LacePicture) -> bytes:
    return make_report(lapping, lines=LINES, pictures=report_pictures(lapping, picture))


def test_one_a4_page_says_all(report: bytes, lapping: Plan) -> None:
    reader = pypdf.PdfReader(io.BytesIO(report))
    assert len(reader.pages) == 1
    assert [float(side) for side in reader.pages[0].mediabox[2:]] == pytest.approx(
        [210 / 25.4 * 72, 297 / 25.4 * 72], abs=0.01
    )
    text = words(report)
    for line in (*LINES, *CAUTIONS, lapping.target.name, lapping.lace.name):
        assert line in text
    assert "lap 13 mm" in text
    assert "Buy 60 cm" in text
    assert "3 at the centre lap 13 mm – 3 2" in text
    assert "In doubt: The last scallop on the right is cut through." in text


def test_no_text_is_smaller_than_nine_points(report: bytes) -> None:
    sizes: list[float] = []

    def note(text: str, _cm: object, matrix: list[float], _font: object, size: float) -> None:
        if text.strip():
            sizes.append(size * abs(matrix[3]))

    for page in pypdf.PdfReader(io.BytesIO(report)).pages:
        page.extract_text(visitor_text=note)
    assert sizes
    assert min(sizes) >= 9.0


def test_the_same_content_gives_the_same_bytes(
    report: bytes, lapping: Plan, picture: LacePicture
) -> None:
    assert make_report(lapping, lines=LINES, pictures=report_pictures(lapping, picture)) == report


def test_no_word_runs_off_the_page(report: bytes) -> None:
    dark = render(report, 0, 100.0)
    margin = round(10.0 / 25.4 * 100)
    frame = dark.copy()
    frame[margin:-margin, margin:-margin] = 0
    assert frame.max() == 0.0


@pytest.mark.parametrize("runs", [26, 90])
def test_many_cuts_are_all_listed(
    plan_maker: Callable[..., Plan], picture: LacePicture, runs: int
) -> None:
    plan = plan_maker(arcs=((3000.0, 1 / 900),), runs=runs)
    grey = np.full((300, 900, 3), 128, np.uint8)
    pdf = make_report(plan, lines=LINES, pictures={"garment": grey, "map": grey})
    listed = words(pdf).split()
    assert all(listed.count(str(k + 1)) >= 1 for k in range(runs - 1))
    assert pages(pdf) == (1 if runs == 26 else 2)


def test_places_are_told_from_the_centre_as_one_looks(plan_maker: Callable[..., Plan]) -> None:
    plan = plan_maker()  # travels to the right: what comes later lies right
    middle = plan.target.length_mm / 2
    turned = plan_maker(heading_rad=np.pi - 0.785)  # travels to the left
    assert say_place(plan, middle + 52.4) == "5.2 cm right"
    assert say_place(turned, middle + 52.4) == "5.2 cm left"
    assert say_place(plan, middle - 25.4, inches=True) == "1 in left"
    assert say_place(plan, middle) == "at the centre"
    # Where the ends are named for the wearer, so are the places.
    ends = [
        replace(m, name=f"{n} {m.name}")
        for m, n in zip(plan.target.landmarks, ("left", "the", "right"), strict=True)
    ]
    worn = replace(plan, target=replace(plan.target, landmarks=ends))
    assert say_place(worn, middle - 30.0) == "3.0 cm left"
    assert (
        say_place(replace(turned, target=replace(turned.target, landmarks=ends)), middle - 30.0)
        == "3.0 cm left"
    )
    bare = replace(plan, target=replace(plan.target, landmarks=()))
    assert say_place(bare, 52.4) == "5.2 cm"


def test_a_report_without_pictures_and_purchase(lapping: Plan) -> None:
    pdf = make_report(replace(lapping, purchase=None), lines=LINES, pictures={})
    assert "Buy" not in words(pdf)
    assert pages(pdf) == 1


def test_a_long_answer_is_told_once_and_whole(lapping: Plan, picture: LacePicture) -> None:
    told = (
        LINES[0],
        "Cut 1, 10.5 cm from the centre front: laps 13 mm at the inner side.",
        "Buy 60 cm in one length of one dye lot:",
        "  spare",
        "Doubt about the lace: The last scallop on the right is cut through.",
        *(f"Line {k} of the answer says something of its own, at some length." for k in range(60)),
    )
    pdf = make_report(lapping, lines=told, pictures=report_pictures(lapping, picture))
    text = words(pdf)
    assert "Cut 1, 10.5" not in text  # the table says it
    assert text.count("is cut through.") == 1
    assert all(text.count(f"Line {k} of the answer") == 1 for k in range(60))
    assert pages(pdf) >= 2
    for page in range(pages(pdf)):
        dark = render(pdf, page, 100.0)
        margin = round(10.0 / 25.4 * 100)
        dark[margin:-margin, margin:-margin] = 0
        assert dark.max() == 0.0


def test_the_three_plans_stand_side_by_side(lapping: Plan, picture: LacePicture) -> None:
    three = SideBySide(
        ("plan", "cuts", "widest lap", "widest opening", "from the edge", "at the cuts"),
        (
            ("fewest cuts", "5", "13 mm", "9 mm", "4 mm", "1-2 h"),
            ("balanced", "7", "11 mm", "11 mm", "3 mm", "1 1/4-2 3/4 h"),
            ("smoothest edge", "13", "8 mm", "13 mm", "2 mm", "2 1/2-5 h"),
        ),
        ("Balanced comes out as fewest cuts: there is no other here.",),
        "balanced",
    )
    lines = (*LINES, "Balanced: 7 cuts, widest lap 11 mm.", three.notes[0])
    page = make_report(
        lapping, lines=lines, pictures=report_pictures(lapping, picture), three=three
    )
    text = words(page)
    for row in three.rows:
        assert " ".join(row) in text
    assert text.count(three.notes[0]) == 1
    assert "Balanced: 7 cuts" not in text  # it stands in the table
    dark = render(page, 0, 100.0)
    margin = round(10.0 / 25.4 * 100)
    dark[margin:-margin, margin:-margin] = 0
    assert dark.max() == 0.0
