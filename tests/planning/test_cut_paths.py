"""Candidate cuts: between motifs, away from their own end, between uncut and border line."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import shapely
from handmade import compound, corded, flounce, galloon, with_blobs

from lacelay.model.lace import Bead, Lace
from lacelay.model.wishes import Limits, Weights
from lacelay.planning.border_line import BorderLine, border_line
from lacelay.planning.cost_field import cost_field, path_contents, path_minutes
from lacelay.planning.cut_paths import CutPath, cut_paths, least_distance_mm
from lacelay.planning.strip import Strip, border_strip

LACES = {
    "plain": galloon,
    "beaded": lambda: galloon(beads=True),
    "flounce": flounce,
    "corded": corded,
    "compound": compound,
}


def candidates(
    lace: Lace, depth: float = 40.0, limits: Limits | None = None
) -> tuple[Strip, BorderLine, list[CutPath]]:
    strip = border_strip(lace, "lower")
    field = cost_field(strip, Weights(), Limits(), depth + 10)
    line = border_line(field, depth, 4.0)
    return strip, line, cut_paths(field, line, Weights(), limits or Limits())


@cache
def of(name: str) -> tuple[Strip, BorderLine, list[CutPath]]:
    return candidates(LACES[name]())


@pytest.mark.parametrize("name", LACES)
def test_distance_from_its_end_grows_steadily(name: str) -> None:
    """So that the sides of a lap bare nothing inside it (design, hooked cut paths)."""
    for path in of(name)[2]:
        dense = shapely.LineString(path.path_mm).segmentize(0.5)
        away = np.hypot(*(np.asarray(dense.coords) - path.end_mm).T)
        assert np.diff(away).min() > 0


def left_uncut(strip: Strip, path: CutPath) -> float:
    """Distance from a path's end to the scalloped outline, whichever way is nearest."""
    a = path.end_mm[0] + np.arange(-12.0, 12.0, 0.02)
    outline = shapely.LineString(np.stack([a, strip.outline_b(a)], axis=1))
    return float(shapely.Point(path.end_mm).distance(outline))


@pytest.mark.parametrize("name", LACES)
def test_from_what_is_left_uncut_to_the_border_line(name: str) -> None:
    strip, line, paths = of(name)
    limits = Limits()
    assert len(paths) >= len(strip.valleys_mm)
    for path in paths:
        assert path.inner_mm[1] == pytest.approx(float(line.b(path.inner_mm[0])), abs=1e-6)
        inside = path.path_mm[1:-1]
        assert (inside[:, 1] <= line.b(inside[:, 0]) + 1e-6).all()
        assert path.outline_mm[1] == pytest.approx(float(strip.outline_b(path.outline_mm[0])))
        left = left_uncut(strip, path)
        if name == "beaded":
            assert left == pytest.approx(4.0, abs=0.1) or left == pytest.approx(6.0, abs=0.1)
        else:
            assert left == pytest.approx(limits.uncut_mm, abs=0.1)
        assert path.end_mm[0] == pytest.approx(path.outline_mm[0])


@pytest.mark.parametrize("name", LACES)
def test_one_at_each_valley_and_some_inside_each_scallop(name: str) -> None:
    strip, _, paths = of(name)
    ends = np.array([path.end_mm[0] for path in paths])
    at_valley = np.array([path.at_valley for path in paths])
    assert (np.diff(strip.into_template(ends)) >= 0).all()
    for valley in strip.valleys_mm:
        gap = np.abs(np.mod(ends - valley + strip.period_mm / 2, strip.period_mm))
        near = np.abs(gap - strip.period_mm / 2) <= 2.0
        assert near.sum() == 1
        assert at_valley[near].all()
    assert at_valley.sum() == len(strip.valleys_mm)
    assert (~at_valley).sum() <= 2 * len(strip.valleys_mm)
    assert (~at_valley).any()


@pytest.mark.parametrize("name", LACES)
def test_contents_are_measured_on_the_outlines(name: str) -> None:
    strip, _, paths = of(name)
    for path in paths:
        line = shapely.LineString(path.path_mm)
        net, motif, cord, beads = path.contents
        assert net + motif == pytest.approx(line.length)
        assert motif == pytest.approx(line.intersection(strip.motifs).length, abs=1e-6)
        assert (cord > 0) == line.buffer(0.49).intersects(strip.cords)
        every = [strip.beads_mm + [k * strip.period_mm, 0.0] for k in (-1, 0, 1)]
        gaps = shapely.distance(shapely.points(np.vstack(every)), line)
        assert beads == (gaps <= 6.0).sum()
        weights = Weights()
        wanted = 0.02 * net + 1.0 * motif + 3.0 * cord + 1.0 * beads
        assert path.minutes == pytest.approx(wanted)
        assert path_minutes(path.contents, weights) == pytest.approx(wanted)
        moved = path.path_mm + [5 * strip.period_mm, 0.0]
        assert path_contents(strip, moved, Limits()) == pytest.approx(path.contents)


def test_it_goes_between_motifs_where_there_is_a_gap() -> None:
    """::

    valley 0        40
      |    .   .    |     two motifs leave 5 mm between them beside each valley:
     ( )(    )( )         the straight cut would go through the one over the valley
    """
    lace = with_blobs((42.0, 20.0, 5.0, 7.0), (27.0, 20.0, 4.0, 8.0))
    strip, _, paths = candidates(lace)
    valley = next(path for path in paths if path.at_valley)
    straight = shapely.LineString([valley.end_mm, valley.end_mm + [0.0, 36.0]])
    assert straight.intersection(strip.motifs).length > 8.0
    assert valley.contents[1] == 0.0
    clear = shapely.LineString(valley.path_mm).distance(strip.motifs)
    assert clear > 0.5


def test_it_goes_through_where_there_is_no_gap() -> None:
    """A band of motif all along: it is crossed squarely, its whole width."""
    lace = with_blobs((20.0, 22.0, 30.0, 5.0))
    _, _, paths = candidates(lace)
    for path in paths:
        assert 7.0 < path.contents[1] < 14.0


def test_in_even_net_it_is_straight() -> None:
    for path in candidates(with_blobs())[2]:
        assert path.path_mm[:, 0] == pytest.approx(path.end_mm[0], abs=1e-6)
        assert path.contents[1:] == (0.0, 0.0, 0)


def test_more_is_left_uncut_near_beads() -> None:
    """Trade rule 13, common practice: 3-5 mm at the scallop, 5-8 beaded."""
    lace = with_blobs()
    beads = [Bead(40.0 * k, 3.0, 2.0) for k in range(5)]
    strip, _, paths = candidates(replace(lace, beads=beads))
    for path in paths:
        wanted = 6.0 if path.at_valley else 4.0
        assert left_uncut(strip, path) == pytest.approx(wanted, abs=0.1)


def test_distance_between_cuts_counts_copies() -> None:
    strip, _, paths = candidates(with_blobs())
    straight = [path for path in paths if path.at_valley]
    for copies in (1, 2, -3):
        gap = least_distance_mm(strip, straight[0], straight[0], copies)
        assert gap == pytest.approx(40.0 * abs(copies))
    assert least_distance_mm(strip, straight[0], straight[0], 0) == 0.0
