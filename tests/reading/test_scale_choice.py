"""Of all that says how large a photo is the surest is used; what contradicts it is said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from reference_shots import SIZE, camera, lace, ruler, sheet, shoot

from lacelay.errors import ScaleError
from lacelay.reading.found import Found, straight_above
from lacelay.reading.scale import Reference, ScaleRequest, find_reference, settle

TO_PHOTO = camera(0.25, (4.0, -3.0))


def _mm(points_px: np.ndarray) -> np.ndarray:
    flat = np.column_stack([points_px, np.ones(len(points_px))]) @ np.linalg.inv(TO_PHOTO).T
    return np.asarray(flat[:, :2] / flat[:, 2:])


@pytest.fixture(scope="module")
def sheet_seen() -> Reference:
    things = [(sheet(297, 210), (-148.0, -70.0), 0.05), (lace(), (-200.0, -180.0), 0.04)]
    return find_reference(shoot(things, TO_PHOTO))


def test_a_sheet_gives_map_scale_and_its_outline(sheet_seen: Reference) -> None:
    settled = settle(sheet_seen, ScaleRequest(), 50.0)
    assert settled.name == "A4 sheet"
    # ISO 216: A3, A4 and A5 are all 1 to the square root of 2.
    assert settled.doubts == ("The sheet of paper is taken for A4; A3 and A5 have the same shape.",)
    assert settled.relative_sigma < 0.005
    ends = np.array([[200.0, 1300], [1800, 1250]])
    read = float(np.hypot(*np.diff(settled.to_mat(ends), axis=0)[0]))
    assert read == pytest.approx(float(np.hypot(*np.diff(_mm(ends), axis=0)[0])), rel=3e-3)
    (outline,) = settled.outlines_px
    assert outline.shape == (4, 2)
    assert settled.photo_to_mat == pytest.approx(sheet_seen.photo_to_mat)


def _two_points(factor: float) -> ScaleRequest:
    ends = np.array([[200.0, 1300], [1800, 1250]])
    apart = factor * float(np.hypot(*np.diff(_mm(ends), axis=0)[0]))
    return ScaleRequest(two_points=((200.0, 1300.0), (1800.0, 1250.0), apart))


def test_two_points_that_agree_are_used_on_the_sheets_slant(sheet_seen: Reference) -> None:
    settled = settle(sheet_seen, _two_points(1.0), 50.0)
    assert settled.name.startswith("two points")
    assert settled.doubts == ()


def test_another_reference_proves_that_a_sheet_is_a4(sheet_seen: Reference) -> None:
    assert settle(sheet_seen, ScaleRequest(width_mm=50.3), 50.0).doubts == ()
    doubts = settle(sheet_seen, ScaleRequest(width_mm=35.4), 50.0).doubts
    assert any("taken for A4" in doubt for doubt in doubts)


def test_contradictions_are_said_and_the_surest_used_unchanged(sheet_seen: Reference) -> None:
    settled = settle(sheet_seen, _two_points(1.05), 50.0)
    (doubt,) = settled.doubts
    assert "the A4 sheet differ by 4.8%" in doubt or "the A4 sheet differ by 4.7%" in doubt
    assert "were used" in doubt or "was used" in doubt
    plain = settle(sheet_seen, _two_points(1.0), 50.0)
    # Not averaged: exactly what the two points say.
    assert settled.photo_to_mat[0, 0] / plain.photo_to_mat[0, 0] == pytest.approx(1.05)


def test_a_width_that_contradicts_a_sheet_is_said_but_not_used(sheet_seen: Reference) -> None:
    settled = settle(sheet_seen, ScaleRequest(width_mm=60.0), 50.0)
    assert settled.name == "A4 sheet"
    assert not settled.by_width
    assert "lace's width of 60 mm differ by 20.0%" in settled.doubts[0]


def test_a_width_alone_is_by_width() -> None:
    plain = Reference(np.diag([1.0, -1.0, 1.0]), SIZE)
    settled = settle(plain, ScaleRequest(width_mm=60.0), 400.0)
    assert settled.by_width
    assert any("3.5% only" in doubt for doubt in settled.doubts)


def test_a_ruler_alone_scales_and_says_how_well() -> None:
    photo = shoot(
        [(ruler(False), (-100.0, -20.0), 0.3), (lace(), (-130.0, -90.0), 0.04)],
        camera(0.14, (1.0, 2.0)),
    )
    settled = settle(find_reference(photo), ScaleRequest(), 50.0)
    assert settled.name == "ruler in mm"
    (doubt,) = settled.doubts
    assert "95 times in 100" in doubt
    assert 0.005 < settled.relative_sigma < 0.01


def test_four_points_told_give_the_map() -> None:
    photo = shoot([(lace(), (-200.0, -80.0), 0.04)], TO_PHOTO)
    corners = np.array([[-150, 100], [150, 100], [150, -100], [-150, -100.0]])
    seen = np.column_stack([corners, np.ones(4)]) @ TO_PHOTO.T
    points = tuple((float(x), float(y)) for x, y in seen[:, :2] / seen[:, 2:])
    request = ScaleRequest(four_points=points, sides_mm=(300.0, 200.0))  # type: ignore[arg-type]
    settled = settle(find_reference(photo, request), request, 50.0)
    assert settled.name == "rectangle of 30.0 cm by 20.0 cm"
    ends = np.array([[200.0, 1300], [1800, 250]])
    read = float(np.hypot(*np.diff(settled.to_mat(ends), axis=0)[0]))
    assert read == pytest.approx(float(np.hypot(*np.diff(_mm(ends), axis=0)[0])), rel=1e-3)


def test_ignored_and_moved_references_are_heeded(sheet_seen: Reference) -> None:
    things = [(sheet(297, 210), (-148.0, -70.0), 0.05), (lace(), (-200.0, -180.0), 0.04)]
    photo = shoot(things, TO_PHOTO)
    assert find_reference(photo, ScaleRequest(ignore=frozenset({"sheet"}))).used is None
    corner = dict(sheet_seen.found[0].points_px)["corner 1"]
    request = ScaleRequest(moved={"sheet": {"corner 1": corner}})
    again = find_reference(photo, request)
    assert again.photo_to_mat == pytest.approx(sheet_seen.photo_to_mat, rel=1e-2, abs=1e-5)


@pytest.mark.parametrize(
    ("request_of", "said"),
    [
        ({"four_points": ((0, 0), (1, 0), (1, 1), (0, 1))}, "together with their sides"),
        ({"ignore": frozenset({"table"})}, "no table"),
        ({"moved": {"mat": {}}}, "no mat"),
        ({"sides_mm": (-1.0, 3.0), "four_points": ((0, 0), (1, 0), (1, 1), (0, 1))}, "cannot"),
    ],
)
def test_requests_that_make_no_sense_are_refused(request_of: dict, said: str) -> None:
    with pytest.raises(ScaleError, match=said):
        ScaleRequest(**request_of)


# A grid and what lies on it


def _card(mm_per_unit: float, sigma: float = 0.004) -> Found:
    ends = {"corner 1": (100.0, 100.0), "corner 2": (500.0, 100.0)}
    return Found(
        kind="card",
        name="bank card",
        photo_to_mat=straight_above(mm_per_unit, 0.0, SIZE),
        centre_px=((SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2),
        focal_px=float(SIZE[0]),
        relative_sigma=sigma,
        middle_px=(300.0, 100.0),
        areas_px=(),
        points_px=ends,
    )


@pytest.fixture(scope="module")
def gridded() -> Reference:
    """A mat with even lines every 40 px, which do not say what they are."""
    photo = np.full((1500, 2000, 3), 60.0)
    photo[20::40, :] = photo[21::40, :] = 190
    photo[:, 30::40] = photo[:, 31::40] = 190
    photo += np.random.default_rng(2).normal(0, 2, photo.shape)
    reference = find_reference(np.clip(photo, 0, 255).astype(np.uint8))
    assert reference.grid is not None
    return reference


@pytest.mark.parametrize(
    ("step_mm", "name"), [(10.0, "1 cm"), (25.4, "1 inch"), (12.7, "1/2 inch")]
)
def test_a_card_tells_centimetres_from_inches(
    gridded: Reference, step_mm: float, name: str
) -> None:
    # Mat grids are commonly 1 cm or 1 in, a factor of 2.54: confusing them ruins lace.
    seen = replace(gridded, found=(_card(step_mm / 40 * 1.004),))
    settled = settle(seen, ScaleRequest(), 1.0)
    assert settled.name == f"mat grid of {name}"
    assert settled.doubts == ()
    with pytest.raises(ScaleError, match="1 cm or 1 inch"):
        settle(gridded, ScaleRequest(), 1.0)


def test_a_step_told_wrong_is_said(gridded: Reference) -> None:
    seen = replace(gridded, found=(_card(25.4 / 40),))
    settled = settle(seen, ScaleRequest(grid_mm=10.0), 1.0)
    assert settled.name == "mat grid of 1 cm"
    assert "the bank card differ by 154.0%" in settled.doubts[0]


def test_a_further_doubt_widens_what_the_scale_is_good_to(sheet_seen: Reference) -> None:
    settled = settle(sheet_seen, ScaleRequest(), 50.0)
    assert settled.less_sure(0.0, "Nothing.") is settled
    doubtful = settled.less_sure(0.02, "Its edges are uneven.")
    assert doubtful.relative_sigma == pytest.approx(np.hypot(settled.relative_sigma, 0.02))
    again = doubtful.less_sure(0.02, "It is wet.")
    assert [doubt for doubt in again.doubts if "good to" in doubt] == [again.doubts[-1]]
    assert f"{1.96 * again.relative_sigma:.1%}" in again.doubts[-1]
