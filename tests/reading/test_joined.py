"""Overlapping views of one hand-made lace joined again, against the lace itself."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from handmade import galloon
from handmade_views import drawn, long_lace, view
from shapely import Polygon

from lacelay.errors import ReadingError
from lacelay.model.lace import Lace, Scale
from lacelay.model.picture import LacePicture
from lacelay.reading.joined import join_readings
from lacelay.reading.read import Reading

SPANS = ((0.0, 520.0), (380.0, 900.0), (760.0, 1200.0))


@cache
def long_one() -> tuple[Lace, LacePicture]:
    lace = long_lace()
    return lace, drawn(lace)


@cache
def joined_long_one() -> Reading:
    return join_readings(three_views(), names=["left", "middle", "right"])


def three_views() -> list[Reading]:
    turns, ups = (0.0, 0.004, -0.006), (0.0, 0.7, -0.5)
    return [
        view(*long_one(), *span, turn_rad=turn, up_mm=up, seed=k)
        for k, (span, turn, up) in enumerate(zip(SPANS, turns, ups, strict=True))
    ]


@cache
def short_one() -> tuple[Lace, LacePicture]:
    lace = galloon(repeats=6, beads=True)
    return lace, drawn(lace)


def short_views() -> list[Reading]:
    return [
        view(*short_one(), 0, 400, seed=1, repeat=True),
        view(*short_one(), 260, 660, turn_rad=0.003, seed=2, repeat=True),
    ]


def test_a_long_repeat_seen_in_no_photo_twice_is_found_in_the_whole() -> None:
    true, _ = long_one()
    lace = joined_long_one().lace
    assert lace.repeat.length_mm.value == pytest.approx(600.0, rel=0.002)
    assert lace.lower.per_repeat == lace.upper.per_repeat == 15
    assert lace.length_mm == pytest.approx(true.length_mm, rel=0.001)
    assert not any("repeat" in doubt.lower() for doubt in lace.doubts)


def test_nothing_comes_twice_and_nothing_is_lost_at_a_seam() -> None:
    true, _ = long_one()
    lace = joined_long_one().lace
    # The views leave out what lies on the very ends of the piece: its first and last valley.
    for side in ("lower", "upper"):
        valleys = true.edge(side).valleys_mm[1:-1]
        assert lace.edge(side).valleys_mm.shape == valleys.shape
        assert np.hypot(*(lace.edge(side).valleys_mm - valleys).T).max() < 0.6
        assert lace.edge(side).count == len(valleys) - 1
    assert len(lace.motifs) == len(true.motifs)
    middles = [np.array([_left(m) for m in one.motifs]) for one in (lace, true)]
    far = np.hypot(*(middles[0][:, None] - middles[1][None]).transpose(2, 0, 1))
    assert max(far.min(axis=0).max(), far.min(axis=1).max()) < 0.8
    inner = [bead for bead in true.beads if 1 < bead.u_mm < true.length_mm - 1]
    assert len(lace.beads) == len(inner)
    common = Polygon(lace.outline_mm).buffer(0)
    whole = Polygon(true.outline_mm).buffer(0)
    assert common.intersection(whole).area / common.union(whole).area > 0.99
    assert not any("overlap" in doubt for doubt in lace.doubts)


def _left(motif) -> tuple[float, float]:
    middle = Polygon(motif.outline_mm).centroid
    return middle.x, middle.y


def test_each_photo_keeps_its_own_map_to_the_whole() -> None:
    lace = joined_long_one().lace
    assert lace.photo is None
    assert [part.name for part in lace.parts] == ["left", "middle", "right"]
    for before, after in zip(lace.parts[:-1], lace.parts[1:], strict=True):
        assert before.to_mm == after.from_mm
    # A point of the second view's own frame, through its photo, lies where it lies in the whole.
    second = three_views()[1].lace
    seen = second.photo.lace_to_photo(second.lower.valleys_mm)
    on_whole = lace.parts[1].photo.photo_to_lace(seen)
    true = long_one()[0].lower.valleys_mm
    within = (true[:, 0] > 380.5) & (true[:, 0] < 899.5)
    assert np.hypot(*(on_whole - true[within]).T).max() < 0.7


def test_the_joined_picture_shows_the_lace_where_the_record_has_it() -> None:
    _, whole = long_one()
    picture = joined_long_one().picture
    rng = np.random.default_rng(2)
    places = np.column_stack([rng.uniform(10, 1190, 4000), rng.uniform(2, 138, 4000)])

    def cover(one: LacePicture) -> np.ndarray:
        column, row = np.round(one.lace_to_picture(places)).astype(int).T
        return one.rgba[row, column, 3] > 180

    assert (cover(picture) == cover(whole)).mean() > 0.97


def test_a_repeat_within_the_overlap_is_asked_for_and_told_once_it_is() -> None:
    views = short_views()
    with pytest.raises(ReadingError, match="match equally well") as refusal:
        join_readings(views)
    assert "Say about how much" in refusal.value.remedy
    lace = join_readings(views, overlaps_mm=[150.0]).lace
    assert lace.length_mm == pytest.approx(660.0, abs=0.6)
    assert lace.repeat.length_mm.value == pytest.approx(120.0, rel=0.002)
    assert lace.lower.count == 15
    kinds = {}
    for motif in lace.motifs:
        kinds.setdefault(motif.kind, []).append(motif.outline_mm[:, 0].mean() % 120)
    assert len([kind for kind, places in kinds.items() if len(places) >= 5]) >= 14


def test_photos_that_do_not_continue_each_other_are_refused() -> None:
    first, second, _ = three_views()
    other = long_lace(seed=77)
    stranger = view(other, drawn(other), 380.0, 900.0, seed=4)
    with pytest.raises(ReadingError, match=r"does not continue|only loosely"):
        join_readings([first, stranger])
    short = view(*long_one(), 380.0, 590.0, seed=4)
    with pytest.raises(ReadingError, match="hardly more of the lace's length than of its width"):
        join_readings([view(*long_one(), 0.0, 210.0, seed=4), short])
    # Told an overlap that there is not, nothing is found there.
    with pytest.raises(ReadingError, match=r"with about 30\.0 cm of overlap"):
        join_readings([first, second], overlaps_mm=[300.0])


def test_scales_that_contradict_each_other_are_told() -> None:
    lace, whole = long_one()
    views = [view(lace, whole, 0, 520, seed=1), view(lace, whole, 380, 900, scale=1.014, seed=2)]
    joined = join_readings(views).lace
    assert any("By photo 2 the lace is 1.4% larger" in doubt for doubt in joined.doubts)
    assert joined.length_mm == pytest.approx(900.0, rel=0.001)  # in the first photo's scale
    # Where the second photo knows better, its scale is taken: everything is 1.4 % larger.
    surer = replace(
        views[1], lace=replace(views[1].lace, scale=Scale(10.0, 0.0005, "mat grid of 1 cm"))
    )
    views[0] = replace(
        views[0], lace=replace(views[0].lace, scale=Scale(10.0, 0.005, "lace's width"))
    )
    joined = join_readings([views[0], surer]).lace
    assert joined.length_mm == pytest.approx(900.0 * 1.014, rel=0.001)


def test_lace_that_photos_show_differently_is_told() -> None:
    first, second, _ = three_views()
    fewer = replace(
        second,
        lace=replace(second.lace, motifs=[m for m in second.lace.motifs if _left(m)[0] > 75]),
    )
    joined = join_readings([first, fewer]).lace
    assert any("of the motifs were read in one of them only" in doubt for doubt in joined.doubts)
    valleys = np.delete(second.lace.lower.valleys_mm, 1, axis=0)
    lost = replace(
        second, lace=replace(second.lace, lower=replace(second.lace.lower, valleys_mm=valleys))
    )
    joined = join_readings([first, lost]).lace
    assert "disagree on its scallops" in (joined.lower.doubt or "")


def test_one_photo_is_itself_and_counts_must_fit() -> None:
    first, second, _ = three_views()
    assert join_readings([first]) is first
    with pytest.raises(ReadingError, match="No photo"):
        join_readings([])
    with pytest.raises(ReadingError, match="2 photos were given with 2 overlaps"):
        join_readings([first, second], overlaps_mm=[10.0, 20.0])


def test_photos_in_other_light_become_one_picture() -> None:
    first, second, _ = three_views()
    rgba = second.picture.rgba.copy()
    rgba[..., :3] = (rgba[..., :3] * 0.85).astype(np.uint8)
    dim = replace(second, picture=replace(second.picture, rgba=rgba))
    picture = join_readings([first, dim]).picture
    column = round((850 - picture.u0_mm) * picture.px_per_mm)
    solid = picture.rgba[:, column - 200 : column, 3] > 200
    assert np.median(picture.rgba[:, column - 200 : column, :3][solid]) == pytest.approx(230, abs=3)
