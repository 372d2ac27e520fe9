"""The border on the garment, from the lace's own pixels."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from lacelay.drawing.garment_preview import contrasting_cloth, draw_on_garment, picture_frame
from lacelay.drawing.lace_pixels import unplace
from lacelay.model.picture import LacePicture
from lacelay.model.plan import Plan

CLOTH = (10, 20, 200)
PX = 4.0


def dotted(spots_mm: np.ndarray, radius_mm: float = 1.5) -> LacePicture:
    """Grey lace, wholly covering, with one pure red dot at each place."""
    px, u0, v0 = 8.0, -5.0, 70.0
    h, w = int(85 * px), int(210 * px)
    columns, rows = np.meshgrid(np.arange(w), np.arange(h))
    u, v = u0 + columns / px, v0 - rows / px
    rgba = np.full((h, w, 4), (120, 120, 120, 255), np.uint8)
    for spot in spots_mm:
        rgba[np.hypot(u - spot[0], v - spot[1]) < radius_mm] = (255, 0, 0, 255)
    return LacePicture(rgba, px, u0, v0)


def middle_px(rgb: np.ndarray, near: np.ndarray, reach: int = 12) -> np.ndarray:
    """Centre of red within a small window, (column, row)."""
    x, y = np.round(near).astype(int)
    part = rgb[y - reach : y + reach + 1, x - reach : x + reach + 1].astype(float)
    red = np.clip(part[..., 0] - part[..., 1], 0, None)
    rows, columns = np.mgrid[y - reach : y + reach + 1, x - reach : x + reach + 1]
    return np.array([(columns * red).sum(), (rows * red).sum()]) / red.sum()


@pytest.mark.parametrize("bend", [0.0, 1 / 400, -1 / 400])
def test_a_dot_lands_where_its_run_is_laid(plan_maker: Callable[..., Plan], bend: float) -> None:
    plan = plan_maker(heading_rad=2.2, bend_per_mm=bend)
    spots = np.array([[100, 8], [100, 30], [92, 40], [118, 20], [80, 15], [110, 12.0]])
    rgb = draw_on_garment(plan, dotted(spots), px_per_mm=PX, cloth_rgb=CLOTH, relief=False)
    frame = picture_frame(plan, PX)
    found = 0
    for run in plan.runs:
        low, high = run.lace_interval_mm
        for spot in spots:
            # Every copy of the dot that lies well inside this run's stretch.
            for shift in range(-5, 6):
                copy = spot + [60.0 * shift, 0.0]
                if not low + 6 < copy[0] < high - 6:
                    continue
                expected = frame.to_px(run.laying.place(copy[None]))[0]
                if covered_elsewhere(plan, run, expected, frame):
                    continue
                assert middle_px(rgb, expected) == pytest.approx(expected, abs=1.0)
                found += 1
    assert found >= 15


def covered_elsewhere(plan: Plan, run: object, at_px: np.ndarray, frame: object) -> bool:
    import shapely

    here = shapely.Point(
        frame.left_mm + at_px[0] / frame.px_per_mm,  # type: ignore[attr-defined]
        frame.top_mm - at_px[1] / frame.px_per_mm,  # type: ignore[attr-defined]
    ).buffer(4.0)
    others = [other for other in plan.runs if other is not run]
    return any(shapely.Polygon(o.laying.place(o.outline_mm)).intersects(here) for o in others)


@pytest.mark.parametrize("top", ["left", "right"])
def test_the_run_named_on_top_is_seen(plan_maker: Callable[..., Plan], top: str) -> None:
    plan = plan_maker(top=top)
    picture = dotted(np.empty((0, 2)))
    rgba = picture.rgba.copy()
    # Grey grows along the lace, so the two layers of a lap differ.
    u = picture.u0_mm + np.arange(rgba.shape[1]) / picture.px_per_mm
    shade = (60 + 100 * ((u - 70.0) % 60.0) / 60.0).astype(np.uint8)
    rgba[..., :3] = shade[None, :, None]
    shaded = LacePicture(rgba, picture.px_per_mm, picture.u0_mm, picture.v0_mm)
    rgb = draw_on_garment(plan, shaded, px_per_mm=PX, cloth_rgb=CLOTH, relief=False)
    frame = picture_frame(plan, PX)
    checked = 0
    for k, cut in enumerate(plan.cuts):
        over = plan.runs[k] if top == "left" else plan.runs[k + 1]
        under = plan.runs[k + 1] if top == "left" else plan.runs[k]
        # In the lap, near the inner side: halfway between the two laid cut paths.
        a, b = (run.laying.place(cut.path_mm[1:2])[0] for run in (over, under))
        at = (a + b) / 2
        column, row = np.round(frame.to_px(at[None])[0]).astype(int)
        exact = np.array([[frame.left_mm + column / PX, frame.top_mm - row / PX]], dtype=np.float64)
        places = [(unplace(run.laying, exact)[0, 0] - 70.0) % 60.0 for run in (over, under)]
        if abs(places[0] - places[1]) < 5 or not all(6 < place < 54 for place in places):
            continue  # alike here, or at the seam of two repeats
        greys = [60 + 100 * place / 60.0 for place in places]
        assert rgb[row, column, 0] == pytest.approx(greys[0], abs=3)
        checked += 1
    assert checked >= 2


def test_net_lets_the_cloth_through(plan_maker: Callable[..., Plan]) -> None:
    plan = plan_maker(top="left")
    picture = dotted(np.empty((0, 2)))
    rgba = picture.rgba.copy()
    rgba[..., 3] = 102  # 40 % everywhere
    net = LacePicture(rgba, picture.px_per_mm, picture.u0_mm, picture.v0_mm)
    rgb = draw_on_garment(plan, net, px_per_mm=PX, cloth_rgb=CLOTH, relief=False).astype(float)
    frame = picture_frame(plan, PX)
    run = plan.runs[2]
    middle = np.mean(run.lace_interval_mm)
    at = frame.to_px(run.laying.place(np.array([[middle, 25.0]])))[0]
    column, row = np.round(at).astype(int)
    once = 0.4 * 120 + 0.6 * np.array(CLOTH)
    assert rgb[row, column] == pytest.approx(once, abs=2)
    # Two layers cover more than one: in a lap the cloth shows through both.
    cut = plan.cuts[2]
    lap = np.mean([r.laying.place(cut.path_mm[1:2])[0] for r in plan.runs[2:4]], axis=0)
    column, row = np.round(frame.to_px(lap[None])[0]).astype(int)
    assert rgb[row, column] == pytest.approx(0.4 * 120 + 0.6 * once, abs=2)


def test_gaps_show_bare_cloth(opening: Plan) -> None:
    lace = dotted(np.empty((0, 2)))
    rgb = draw_on_garment(opening, lace, px_per_mm=PX, cloth_rgb=CLOTH)
    frame = picture_frame(opening, PX)
    for gap in opening.gaps:
        at = frame.to_px(np.asarray(gap.outline_mm)[[0, 1, -2, -1]].mean(axis=0)[None])[0]
        column, row = np.round(at).astype(int)
        assert tuple(rgb[row, column]) == CLOTH


def test_the_annotated_picture_marks_the_edge_and_repeats_itself(
    lapping: Plan, picture: LacePicture
) -> None:
    one = draw_on_garment(lapping, picture, annotated=True)
    assert one.tobytes() == draw_on_garment(lapping, picture, annotated=True).tobytes()
    plain = draw_on_garment(lapping, picture)
    frame = picture_frame(lapping, 4.0)
    assert plain.shape[:2] == frame.shape
    assert one.shape[0] >= plain.shape[0]


def test_a_very_large_garment_stays_within_bounds(plan_maker: Callable[..., Plan]) -> None:
    plan = plan_maker(arcs=((4000.0, 1 / 5000),), runs=10)
    frame = picture_frame(plan, 30.0)
    assert frame.shape[0] * frame.shape[1] < 16_100_000
    assert frame.px_per_mm < 30.0


def test_cloth_contrasts_with_the_lace(picture: LacePicture) -> None:
    black = replace(
        picture, rgba=np.where([True, True, True, False], 20, picture.rgba).astype(np.uint8)
    )
    assert sum(contrasting_cloth(picture)) < 300 < sum(contrasting_cloth(black))
