"""References found by themselves: their size right, their doubt honest, nothing else taken."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pypdfium2
import pytest
from reference_shots import (
    SIZE,
    Thing,
    camera,
    lace,
    log_scale_error,
    page,
    ruler,
    sheet,
    shoot,
)

from lacelay.drawing.target_sheet import make_target_sheet
from lacelay.errors import ScaleError
from lacelay.model.target_board import TargetPaper
from lacelay.reading.found import Found
from lacelay.reading.quads import measure_quad
from lacelay.reading.references import contradiction, find_references, four_points, moved

SHARED = Path(__file__).resolve().parents[3] / "shared" / "photos"
GREEN, BLACK, PINK, GREY = (38, 92, 78), (25, 25, 26), (205, 120, 140), (150, 150, 152)


def board(paper: TargetPaper) -> Thing:
    q = 8.0
    pdf = pypdfium2.PdfDocument(make_target_sheet(paper))
    return page(pdf[0].render(scale=q * 25.4 / 72).to_numpy()[..., 0].copy(), q)


def photograph(thing: Thing, mm_per_px: float, turn: float = 0.1, **options: Any) -> Any:
    """A thing in the middle of a slanted photo, lace below it: the photo and its truth."""
    tilt = options.pop("tilt", (5.0, -4.0))
    over = options.pop("over", 0.0)
    to_photo = camera(mm_per_px, tilt)
    h, w = np.array(thing.cover.shape) / thing.px_per_mm
    c, s = np.cos(turn), np.sin(turn)
    corner = -(c * w - s * h) / 2, -(s * w + c * h) / 2
    low = -0.48 * SIZE[1] * mm_per_px + over
    strip = (lace(), (-0.42 * SIZE[0] * mm_per_px, low), 0.04)
    return shoot([(thing, corner, turn), strip], to_photo, **options), to_photo


#: ISO 216 A4, ANSI Letter, ISO/IEC 7810 ID-1 with its corner radius of 3.18 mm.
CASES: dict[str, tuple[Callable[[], Thing], float, dict[str, Any]]] = {
    "A4 sheet": (lambda: sheet(297, 210), 0.25, {}),
    "A4 sheet, upright on pink": (
        lambda: sheet(210, 297),
        0.25,
        {"mat": PINK, "turn": -0.1, "over": -60.0},
    ),
    "A4 sheet, lens": (lambda: sheet(297, 210), 0.22, {"k1": -0.04, "turn": 0.05}),
    "Letter sheet": (lambda: sheet(279.4, 215.9), 0.25, {"mat": BLACK, "noise": 6.0}),
    "bank card": (lambda: sheet(85.6, 53.98, (40, 60, 140), 3.18), 0.2, {"turn": 0.7}),
    "bank card on grey": (lambda: sheet(85.6, 53.98, (170, 60, 70), 3.18), 0.2, {"mat": GREY}),
    "target sheet (A4)": (lambda: board("a4"), 0.26, {}),
    "target sheet (Letter)": (lambda: board("letter"), 0.24, {"k1": 0.02, "turn": -1.4}),
}


@pytest.mark.parametrize("case", CASES)
def test_the_scale_is_right_all_over_the_photo(case: str) -> None:
    make, mm_per_px, options = CASES[case]
    photo, to_photo = photograph(make(), mm_per_px, **options)
    (one,) = find_references(photo)
    name = case.partition(",")[0].removesuffix(" on grey")
    assert one.name == name
    error = log_scale_error(one, to_photo, options.get("k1", 0.0))
    # The bar for boards and sheets: 0.2 % in the middle of cases, 0.8 % at worst.
    assert float(np.sqrt(np.mean(error**2))) < (0.008 if "card" in name else 0.002)
    assert abs(float(error.mean())) < 1.96 * one.relative_sigma
    assert one.slant_seen
    assert one.bare


def test_a_sheet_with_lace_over_its_edge_is_found_and_not_called_bare() -> None:
    photo, to_photo = photograph(sheet(297, 210), 0.25, over=60.0)
    (one,) = find_references(photo)
    assert one.name == "A4 sheet"
    assert not one.bare
    assert float(np.abs(log_scale_error(one, to_photo)).max()) < 0.008


def test_a_board_partly_under_lace_leaves_out_only_the_squares_seen() -> None:
    photo, to_photo = photograph(board("a4"), 0.26, over=50.0)
    (one,) = find_references(photo)
    assert 4 <= len(one.areas_px) < 31
    assert float(np.abs(log_scale_error(one, to_photo)).max()) < 0.008


@pytest.mark.parametrize("inches", [False, True])
@pytest.mark.parametrize("dark", [False, True])
def test_millimetres_and_sixteenths_are_told_apart(inches: bool, dark: bool) -> None:
    photo, to_photo = photograph(ruler(inches, dark=dark), 0.13, 0.5, tilt=(2.0, 3.0))
    (one,) = find_references(photo)
    assert one.name == ("ruler in inches" if inches else "ruler in mm")
    ends = np.array(list(one.points_px.values()))
    on_mat = np.column_stack([ends, [1.0, 1.0]]) @ np.linalg.inv(to_photo).T
    on_mat = on_mat[:, :2] / on_mat[:, 2:]
    read = float(np.hypot(*np.diff(one.to_mat(ends), axis=0)[0]))
    assert read == pytest.approx(float(np.hypot(*np.diff(on_mat, axis=0)[0])), rel=1e-3)
    # Its marks close up and fan out: that tells the slant, and so the scale beside it.
    error = log_scale_error(one, to_photo)
    assert abs(float(error.mean())) < 1.96 * one.relative_sigma
    assert float(np.sqrt(np.mean(error**2))) < 0.01
    assert one.slant_seen
    assert 0.004 < one.relative_sigma < 0.012


@pytest.mark.parametrize(
    "thing",
    [
        sheet(148, 105, (90, 130, 60)),  # no paper: dark and green
        sheet(200, 150),  # 4 : 3, no size that is known
        sheet(88.9, 63.5, (200, 40, 40), 3.5),  # a playing card, 3.5 x 2.5 in
        sheet(85.6, 53.98, (40, 60, 140)),  # the size of a bank card, but sharp corners
        sheet(297, 210, rounded=12.0),  # a cutting board's rounded corners
    ],
)
def test_other_rectangles_are_no_reference(thing: Thing) -> None:
    photo, _ = photograph(thing, 0.22)
    assert find_references(photo) == ()


def test_lace_alone_is_no_reference() -> None:
    photo = shoot([(lace(330, 90), (-170.0, -40.0), 0.1)], camera(0.2, (4.0, 3.0)))
    assert find_references(photo) == ()


def test_equal_marks_are_no_ruler() -> None:
    comb = ruler(False)
    comb.colour[round(3.4 * 14) :] = comb.colour[-1, 0]
    photo, _ = photograph(comb, 0.13, 0.5)
    assert find_references(photo) == ()


def test_what_is_ignored_is_not_found() -> None:
    photo, _ = photograph(sheet(297, 210), 0.25)
    assert find_references(photo, ignore={"sheet"}) == ()
    with pytest.raises(ValueError, match="no kinds"):
        find_references(photo, ignore={"table"})


# Put right by hand


@pytest.mark.parametrize("case", ["A4 sheet", "bank card", "target sheet (A4)"])
def test_points_moved_to_where_they_are_change_next_to_nothing(case: str) -> None:
    make, mm_per_px, options = CASES[case]
    photo, to_photo = photograph(make(), mm_per_px, **options)
    (one,) = find_references(photo)
    again = moved(one, dict(one.points_px), SIZE, photo)
    error = log_scale_error(again, to_photo) - log_scale_error(one, to_photo)
    assert float(np.abs(error).max()) < 1e-3
    by_hand = moved(one, dict(one.points_px), SIZE)
    assert float(np.abs(log_scale_error(by_hand, to_photo)).max()) < 0.01
    assert by_hand.relative_sigma >= 0.9 * one.relative_sigma


def test_a_corner_dragged_off_is_heeded_without_the_photo_and_refused_when_absurd() -> None:
    photo, _ = photograph(sheet(297, 210), 0.25)
    (one,) = find_references(photo)
    x, y = one.points_px["corner 1"]
    dragged = moved(one, {"corner 1": (x - 12.0, y)}, SIZE)
    assert dragged.points_px["corner 1"] == pytest.approx((x - 12.0, y), abs=0.5)
    with pytest.raises(ScaleError, match="do not fit"):
        moved(one, {"corner 1": (x + 600.0, y + 300)}, SIZE)
    with pytest.raises(ScaleError, match="no corner 9"):
        moved(one, {"corner 9": (0.0, 0.0)}, SIZE)


def test_a_ruler_keeps_the_length_between_its_marks_when_they_move() -> None:
    photo, _ = photograph(ruler(False), 0.13, 0.0, tilt=(0.0, 0.0))
    (one,) = find_references(photo)
    first, second = one.points_px
    a, b = np.array(one.points_px[first]), np.array(one.points_px[second])
    middle = (a + b) / 2
    again = moved(one, {first: tuple(middle)}, SIZE)
    ratio = again.plane.mm_per_px(middle[None])[0] / one.plane.mm_per_px(middle[None])[0]
    # A trace of slant is seen where there is none, so half way is not quite half.
    assert ratio == pytest.approx(2.0, rel=1e-3)


# Told by hand


def test_four_points_take_the_slant_out() -> None:
    to_photo = camera(0.25, (12.0, -8.0))
    corners = np.array([[-140, 90], [150, 90], [150, -80], [-140, -80.0]])
    seen = np.column_stack([corners, np.ones(4)]) @ to_photo.T
    points = [(float(x), float(y)) for x, y in seen[:, :2] / seen[:, 2:]]
    one = four_points(points, (290.0, 170.0), SIZE)
    assert float(np.abs(log_scale_error(one, to_photo)).max()) < 1e-3
    # The other way round is the same rectangle.
    back = four_points([points[k] for k in (0, 3, 2, 1)], (170.0, 290.0), SIZE)
    assert float(np.abs(log_scale_error(back, to_photo)).max()) < 1e-3


def test_four_points_that_cross_are_refused() -> None:
    with pytest.raises(ScaleError, match="no rectangle"):
        four_points([(0, 0), (800, 600), (800, 0), (0, 600)], (200.0, 100.0), SIZE)


def test_the_four_corner_trap_lies_within_the_doubt_stated() -> None:
    # Corners exact, yet 100 mm within read 97 mm, the lens not being known: an A4 sheet in
    # techqa.club question 2824374. Here a lens of one sigma.
    to_photo, k1 = camera(0.16), -0.03
    corners = np.array([[-148.5, 105], [148.5, 105], [148.5, -105], [-148.5, -105.0]])
    ideal = np.column_stack([corners, np.ones(4)]) @ to_photo.T
    centre = np.array([(SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2])
    centred = (ideal[:, :2] / ideal[:, 2:] - centre) / max(SIZE)
    seen = centred * (1 + k1 * (centred**2).sum(axis=1, keepdims=True)) * max(SIZE) + centre
    one = four_points([(float(x), float(y)) for x, y in seen], (297.0, 210.0), SIZE)
    inner = log_scale_error(one, to_photo, k1)[12]
    assert abs(inner) > 0.005
    assert abs(inner) < 1.96 * one.relative_sigma


def test_references_that_differ_are_named_with_by_how_much() -> None:
    said = contradiction("the mat grid of 1 cm", 0.001, "the A4 sheet", 0.003, 1.05)
    assert said is not None
    assert said.startswith("The mat grid of 1 cm and the A4 sheet differ by 5.0%; the mat grid")
    assert contradiction("the mat grid of 1 cm", 0.001, "the A4 sheet", 0.003, 1.008) is None
    assert contradiction("the bank card", 0.004, "the ruler in mm", 0.015, 1.04) is None


# Real photographs (SOURCES.md beside them tells where they are from)


def _photo(name: str) -> Any:
    if not (SHARED / name).exists():
        pytest.skip("the real photographs are not beside this project")
    return cv2.cvtColor(cv2.imread(str(SHARED / name)), cv2.COLOR_BGR2RGB)


@pytest.mark.public
def test_the_sheet_on_the_table_is_a4_where_it_lies() -> None:
    (one,) = find_references(_photo("sheet_on_table.jpg"))
    assert one.name == "A4 sheet"
    assert not one.bare  # a saw lies on it
    # Corners as SOURCES.md tells them, read off by eye.
    told = np.array([(761, 688), (3362, 640), (3422, 4241), (874, 4334)], dtype=float)
    corners = np.array(list(one.points_px.values()))
    nearest = np.hypot(*(corners[:, None] - told[None]).transpose(2, 0, 1)).min(axis=0)
    assert nearest.max() < 13
    middle = corners.mean(axis=0)[None]
    assert 1 / one.plane.mm_per_px(middle)[0] == pytest.approx(12.2, rel=0.01)
    assert one.residual_px < 1.0


@pytest.mark.public
def test_a_sheet_seen_too_slanted_is_not_guessed_and_four_points_make_its_markers_square() -> None:
    # The photo's markers are squares of one printed size (SOURCES.md). Measured by them the
    # sheet is Letter, lying broad; its corners alone would fit other sizes and lenses as well.
    photo = _photo("aruco_markers.jpg")
    assert find_references(photo) == ()
    quad = measure_quad(photo, np.array([(635, 431), (6, 421), (121, 125), (516, 131)], float))
    assert quad is not None
    corners = [(float(x), float(y)) for x, y in quad.corners_px]
    one = four_points(corners, (279.4, 215.9), (photo.shape[1], photo.shape[0]))
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250)
    seen, numbers, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(
        cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY)
    )
    assert sorted(np.asarray(numbers).ravel().tolist()) == [23, 40, 62, 98, 124, 203]
    sides = []
    for corner in seen:
        on_mat = one.to_mat(corner.reshape(4, 2).astype(float))
        sides.append(np.hypot(*(np.roll(on_mat, -1, axis=0) - on_mat).T))
    # A side of 25 to 50 px is known to about 1 px.
    assert np.std(sides) / np.mean(sides) < 0.03


@pytest.mark.public
@pytest.mark.parametrize(
    "name",
    [
        "charuco_board.jpg",
        "chessboard_left01.jpg",
        "orientation_Landscape_6.jpg",
        "orientation_Portrait_3.jpg",
    ],
)
def test_photos_without_our_references_give_none(name: str) -> None:
    assert find_references(_photo(name)) == ()


@pytest.mark.parametrize("name", ["beaded_flounce", "guipure_flounce"])
def test_sample_photos_without_rulers_give_none(name: str) -> None:
    samples = Path(__file__).resolve().parents[2] / "sample_images"
    photo = cv2.cvtColor(cv2.imread(str(samples / f"{name}.jpg")), cv2.COLOR_BGR2RGB)
    assert find_references(photo) == ()


def test_found_is_upright() -> None:
    photo, _ = photograph(sheet(210, 297), 0.25, 1.4)
    for one in find_references(photo):
        assert isinstance(one, Found)
        right = np.diff(one.to_mat(np.asarray(one.centre_px) + [[0.0, 0], [1, 0]]), axis=0)[0]
        assert right[0] > 0
        assert right[1] == pytest.approx(0, abs=1e-9)
        up = np.diff(one.to_mat(np.asarray(one.centre_px) + [[0.0, 0], [0, -1]]), axis=0)[0]
        assert up[1] > 0
