"""Lap and opening of a turned cut: closed forms in even lace, polygons elsewhere."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from handmade import galloon, with_blobs

from lacelay.model.wishes import Limits, Weights
from lacelay.planning.border_line import BorderLine, border_line
from lacelay.planning.cost_field import cost_field
from lacelay.planning.cut_paths import CutPath, cut_paths
from lacelay.planning.strip import border_strip
from lacelay.planning.wedges import TURNS_RAD, wedge_tables


def posed(lace: object) -> tuple[BorderLine, list[CutPath]]:
    field = cost_field(border_strip(lace, "lower"), Weights(), Limits(), 60.0)  # type: ignore[arg-type]
    line = border_line(field, 40.0, 6.0)
    return line, cut_paths(field, line, Weights(), Limits())


def straight_cut() -> tuple[BorderLine, CutPath]:
    """A straight valley cut in a border without scallops or motifs, 40 mm deep."""
    line, paths = posed(with_blobs())
    flat = replace(line.field.strip, outline_mm=np.zeros_like(line.field.strip.outline_mm))
    line = replace(line, field=replace(line.field, strip=flat))
    path = next(path for path in paths if path.at_valley)
    end = np.array([path.end_mm[0], 4.0])
    track = np.array([end, [end[0], 40.0]])
    return line, replace(path, path_mm=track, outline_mm=np.array([end[0], 0.0]))


def test_a_straight_cut_opens_by_the_triangle() -> None:
    """Opening: the triangle of both sides, half r^2 sin(turn); nothing laps."""
    line, path = straight_cut()
    lap, opening = wedge_tables(line, path, path.end_mm, through=False)
    opens = TURNS_RAD < 0
    assert lap[opens] == pytest.approx(0.0, abs=1e-6)
    assert opening[opens] == pytest.approx(0.0, abs=1e-6)
    still = np.argmin(np.abs(TURNS_RAD))
    assert (lap[still], opening[still]) == pytest.approx((0.0, 0.0), abs=1e-6)


def test_a_straight_cut_laps_by_the_kite() -> None:
    """Lapping sides are cut at square ends: the lap is the kite r^2 tan(turn / 2)."""
    line, path = straight_cut()
    lap, opening = wedge_tables(line, path, path.end_mm, through=False)
    r = 36.0
    for turn in np.deg2rad([4.0, 12.0, 20.0, 32.0]):
        k = int(np.argmin(np.abs(TURNS_RAD - turn)))
        measured = lap[k] + r**2 * np.sin(turn) / 2
        assert measured == pytest.approx(r**2 * np.tan(turn / 2), rel=2e-3)
        assert opening[k] == pytest.approx(0.0, abs=1e-6)


def test_a_through_cut_laps_on_one_side_and_opens_on_the_other() -> None:
    line, path = straight_cut()
    about = np.array([path.end_mm[0], 15.0])
    lap, opening = wedge_tables(line, path, about, through=True)
    for turn in np.deg2rad([-24.0, -8.0, 8.0, 24.0]):
        k = int(np.argmin(np.abs(TURNS_RAD - turn)))
        laps, opens = (25.0, 15.0) if turn > 0 else (15.0, 25.0)
        size = abs(turn)
        measured = lap[k] + laps**2 * np.sin(size) / 2
        assert measured == pytest.approx(laps**2 * np.tan(size / 2), rel=5e-3)
        bared = opening[k] + opens**2 * np.sin(size) / 2
        assert bared == pytest.approx(opens**2 * np.sin(size) / 2, rel=1e-6)


@pytest.mark.parametrize("through", [False, True])
def test_tables_measure_the_pieces(through: bool) -> None:
    """Real scallops, motifs and a bent path, laid here with other polygons."""
    line, paths = posed(galloon())
    strip = line.field.strip
    for path in paths[:3]:
        about = path.path_mm[len(path.path_mm) // 2] if through else path.end_mm
        lap, opening = wedge_tables(line, path, about, through=through)
        sides = np.vstack([path.outline_mm, path.path_mm])
        track = sides if through else path.path_mm
        for degrees in (-20.0, 16.0):
            turn = np.deg2rad(degrees)
            k = int(np.argmin(np.abs(TURNS_RAD - turn)))
            pieces = [half_of(line, sides, way) for way in (-1.0, 1.0)]
            pieces[1] = shapely.affinity.rotate(pieces[1], degrees, origin=tuple(about))
            both = pieces[0].intersection(pieces[1])
            if not through:
                low = shapely.box(about[0] - 300, about[1], about[0] + 300, about[1] + 300)
                both = both.intersection(low)
                both = both.intersection(shapely.affinity.rotate(low, degrees, origin=tuple(about)))
            turned = np.asarray(
                shapely.affinity.rotate(
                    shapely.LineString(track), degrees, origin=tuple(about)
                ).coords
            )
            between = shapely.make_valid(shapely.Polygon(np.vstack([track, turned[::-1]])))
            bare = between.difference(pieces[0]).difference(pieces[1])
            closed = np.zeros(2)
            for end, way in ((track[-1], 1), (track[0], -1)):
                area = way * np.sum((end - about) ** 2) * np.sin(turn) / 2
                closed += [max(area, 0.0), max(-area, 0.0)]
            assert lap[k] + closed[0] == pytest.approx(both.area, abs=2.0)
            assert opening[k] + closed[1] == pytest.approx(bare.area, abs=2.0)
    assert strip.reach_mm > 5


def half_of(line: BorderLine, sides: np.ndarray, way: float) -> shapely.Geometry:
    """The border 69 mm to one side of a cut, at a finer step than the tables use."""
    strip = line.field.strip
    ends = np.sort([sides[0, 0], sides[0, 0] + way * 69.0])
    a = np.linspace(ends[0] - 40, ends[1] + 40, 1600)
    border = shapely.Polygon(
        np.vstack(
            [np.stack([a, strip.outline_b(a)], axis=1), np.stack([a, line.b(a)], axis=1)[::-1]]
        )
    )
    far = sides[0, 0] + way * 69.0
    tall = np.vstack([sides[0] - [0, 60.0], sides, sides[-1] + [0, 60.0]])
    keep = shapely.Polygon([*tall, (far, sides[-1, 1] + 60.0), (far, sides[0, 1] - 60.0)])
    return border.intersection(keep.buffer(0))
