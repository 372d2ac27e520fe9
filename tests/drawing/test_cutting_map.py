"""The map of the cuts on the lace's own picture."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from lacelay.drawing.cutting_map import draw_cutting_map
from lacelay.drawing.plan_scene import (
    RUN_ON_MM,
    cut_numbers,
    cut_role,
    lace_scene,
    pieces,
    say_width,
    stretches,
)
from lacelay.drawing.scene import Label
from lacelay.model.picture import LacePicture
from lacelay.model.plan import Plan


def test_the_map_is_wrapped_into_rows_when_long(
    plan_maker: Callable[..., Plan], picture: LacePicture
) -> None:
    plan = plan_maker()
    one = draw_cutting_map(plan, picture, row_mm=600.0)
    two = draw_cutting_map(plan, picture, row_mm=220.0)
    assert one.shape[1] > 1.7 * two.shape[1]
    assert two.shape[0] > 1.5 * one.shape[0]
    assert one.tobytes() == draw_cutting_map(plan, picture, row_mm=600.0).tobytes()


def test_cuts_stand_where_the_plan_has_them(lapping: Plan, picture: LacePicture) -> None:
    px = 4.0
    rgb = draw_cutting_map(lapping, picture, px_per_mm=px)
    # The dark net between the rows' left edge and the first cut is the frame to find: the
    # white line of each cut is the brightest column just inside the border line.
    scene = lace_scene(lapping)
    assert len(scene.of("cut that laps")) == 5
    expected = [cut.path_mm[0, 0] for cut in lapping.cuts]
    band = _row_of_run_ons(rgb, scene)
    bright = np.flatnonzero(band.min(axis=-1) > 240)
    groups = np.split(bright, np.flatnonzero(np.diff(bright) > 3) + 1)
    middles = np.array([group.mean() for group in groups if len(group) >= 2]) / px
    assert len(middles) == len(expected)
    assert np.diff(middles) == pytest.approx(np.diff(expected), abs=0.3)


def _row_of_run_ons(rgb: np.ndarray, scene: object) -> np.ndarray:
    """The row of pixels halfway along where cuts run on past the border line."""
    # The border line's own row is the one with most white in it.
    white = (rgb.min(axis=-1) > 240) & (np.arange(rgb.shape[0])[:, None] < 0.45 * rgb.shape[0])
    inside = white[60:, 40:-40].sum(axis=1)
    row = 60 + int(np.argmax(inside))
    return rgb[row - round(0.35 * RUN_ON_MM * 4.0), 30:-30]


def test_numbers_stand_outside_the_scallops(lapping: Plan) -> None:
    scene = lace_scene(lapping)
    numbers = [s for s in scene.of("piece number") if isinstance(s, Label)]
    assert [label.text for label in numbers] == ["1", "2", "3", "4", "5", "6"]
    assert all(label.points_mm[0, 1] < -8.0 - 2.0 for label in numbers)
    cuts = [s for s in scene.of("cut number") if isinstance(s, Label)]
    assert all(label.points_mm[0, 1] > 50.0 for label in cuts)


def test_what_is_not_cut_is_neither_drawn_nor_counted(lapping: Plan) -> None:
    cuts = list(lapping.cuts)
    cuts[1] = replace(cuts[1], kind="uncut")
    cuts[3] = replace(cuts[3], kind="through")
    plan = replace(lapping, cuts=cuts)
    assert cut_numbers(plan) == [1, None, 2, 3, 4]
    assert stretches(plan) == [[0], [1, 2], [3], [4], [5]]
    assert pieces(plan) == [[0, 1, 2, 3], [4, 5]]
    scene = lace_scene(plan)
    assert len(scene.of("cut that laps")) == 3
    assert len(scene.of("cut right through")) == 1
    assert len(scene.of("run")) == 2
    assert len(scene.of("stop")) == 3


def test_beads_in_the_way_are_those_within_the_clearance(lapping: Plan) -> None:
    import shapely

    scene = lace_scene(lapping)
    marked = {tuple(np.round(s.points_mm[0], 6)) for s in scene.of("bead in the way")}
    paths = shapely.union_all([shapely.LineString(cut.path_mm) for cut in lapping.cuts])
    expected = set()
    for k in range(-3, 7):
        for bead in lapping.lace.beads:
            if not 70.0 <= bead.u_mm < 130.0:
                continue
            at = (bead.u_mm + 60.0 * k, bead.v_mm)
            near = paths.distance(shapely.Point(at)) <= 6.0 + 1.0
            if near and 10.0 <= at[0] <= 325.0:
                expected.add(tuple(np.round(at, 6)))
    assert marked == expected
    assert marked


@pytest.mark.parametrize(
    ("widths", "role", "words"),
    [
        (((10.0, 1.0), (50.0, 9.6)), "cut that laps", "lap 10 mm"),
        (((50.0, -7.0), (10.0, -1.0)), "cut that opens", "open 7 mm"),
        (((10.0, -3.6), (30.0, -1.0), (50.0, 6.0)), "cut that does both", "lap 6 mm"),
        (((50.0, 0.2),), "cut that laps", "even"),
    ],
)
def test_a_cut_is_named_by_what_its_sides_do(
    lapping: Plan, widths: tuple[tuple[float, float], ...], role: str, words: str
) -> None:
    cut = replace(lapping.cuts[0], widths_mm=widths)
    assert cut_role(cut) == role
    assert say_width(cut) == words
    assert cut_role(replace(cut, kind="through")) == "cut right through"


def test_widths_in_inches(lapping: Plan) -> None:
    cut = replace(lapping.cuts[0], widths_mm=((50.0, 12.7),))
    assert say_width(cut, inches=True) == "lap 1/2 in"


def test_words_of_close_cuts_keep_clear_of_each_other(plan_maker: Callable[..., Plan]) -> None:
    scene = lace_scene(plan_maker(runs=16))  # a cut every 20 mm
    words = [s for s in scene.of("cut width") if isinstance(s, Label)]
    for one, other in itertools.pairwise(words):
        apart = np.abs(one.points_mm - other.points_mm)[0]
        assert apart[0] >= 22.0 or apart[1] >= 4.0
