"""The measures by which the reading is judged, on cases worked by hand."""

from dataclasses import replace

import numpy as np
import pytest
from measures import (
    along,
    boundary_f,
    f_measure,
    judge,
    mask_iou,
    matched_pairs,
    nearest_pairs,
    panoptic,
    precision_recall,
)
from shapely.geometry import Polygon, box

from lacelay.geometry.photo_map import PhotoMap
from lacelay.model.lace import (
    Bead,
    Lace,
    LaceEdge,
    Measured,
    Motif,
    Repeat,
    Scale,
    Shares,
)

LENGTH, WIDTH, PITCH, DEPTH = 120.0, 50.0, 20.0, 6.0


def square(x, y, side=10.0):
    return np.array([[x, y], [x + side, y], [x + side, y + side], [x, y + side]], dtype=float)


#   v
#   |  ____________________   straight
#   | |  o   #   o   #   o |  o: beads, #: motifs
#   |  \_/\_/\_/\_/\_/\_/     6 scallops of 20 mm
def lace(**changes):
    """A flounce of three repeats of two scallops, drawn on paper; 10 px a mm."""
    axis = np.array([[10.0, 20.0], [400.0, 20.0]])
    shown = PhotoMap((2000, 1000), np.array([[0.1, 0, 0], [0, -0.1, 100.0], [0, 0, 1.0]]), axis)
    valleys = np.column_stack([np.arange(0, LENGTH + 1, PITCH), np.zeros(7)])
    tips = np.column_stack([np.arange(10, LENGTH, PITCH), np.full(6, -DEPTH)])
    zigzag = np.empty((13, 2))
    zigzag[0::2], zigzag[1::2] = valleys, tips
    outline = np.concatenate([zigzag, [[LENGTH, WIDTH], [0.0, WIDTH]]])
    none = np.empty((0, 2))
    made = Lace(
        name="on paper",
        length_mm=LENGTH,
        width_mm=Measured(WIDTH, 0.2),
        outline_mm=outline,
        lower=LaceEdge("lower", True, valleys, tips, Measured(PITCH, 0.1), Measured(DEPTH, 0.2), 2),
        upper=LaceEdge("upper", False, none, none),
        repeat=Repeat(Measured(40.0, 0.1), 3.0, 1.0),
        motifs=[Motif(square(u, 20.0), 0) for u in (15, 55, 95)],
        beads=[Bead(u, 40.0, 2.0) for u in np.arange(5.0, LENGTH, 10.0)],
        shares=Shares(0.3, 0.6, 0.1),
        scale=Scale(10.0, 0.001, "drawn"),
        photo=shown,
        mesh_mm=2.0,
        symmetry="p1m1",
    )
    return replace(made, **changes)


def turned_record(real):
    """The same lace written down from its other end, half round."""
    shown = replace(real.photo, axis_mat_mm=np.array([[130.0, 70.0], [-260.0, 70.0]]))

    def half_round(points):
        return (np.array([LENGTH, WIDTH]) - points)[::-1]

    upper = replace(
        real.lower, side="upper", valleys_mm=half_round(real.lower.valleys_mm),
        tips_mm=half_round(real.lower.tips_mm),
    )  # fmt: skip
    return replace(
        real,
        photo=shown,
        outline_mm=half_round(real.outline_mm),
        lower=replace(real.upper, side="lower"),
        upper=upper,
        motifs=[Motif(half_round(m.outline_mm), m.kind) for m in real.motifs],
        beads=[Bead(LENGTH - b.u_mm, WIDTH - b.v_mm, b.diameter_mm) for b in real.beads],
    )


def test_panoptic_quality_of_one_hit_one_false_one_missed():
    """One match of IoU 0.8, one false, one missed: 0.40 = 0.8 x 0.5 (arXiv 1801.00868)."""
    real = [box(0, 0, 10, 10), box(100, 0, 110, 10)]
    found = [box(0, 0, 8, 10), box(200, 0, 210, 10)]
    quality = panoptic(found, real)
    assert (quality.pq, quality.sq, quality.rq) == pytest.approx((0.40, 0.80, 0.50))


def test_panoptic_needs_more_than_half_and_leaves_void_out():
    half = panoptic([box(0, 0, 5, 10)], [box(0, 0, 10, 10)])
    assert half.pq == 0  # IoU 0.5 is no match
    stray = [box(0, 0, 10, 10), box(50, 0, 60, 10)]
    real = [box(0, 0, 10, 10)]
    assert panoptic(stray, real).pq == pytest.approx(1 / 1.5)
    assert panoptic(stray, real, [box(40, -5, 56, 20)]).pq == 1  # 60 % of it in void
    assert panoptic(stray, real, [box(40, -5, 55, 20)]).pq < 1  # half is not most
    assert panoptic([], []).pq == 1
    assert panoptic([], real).pq == 0


def test_a_merged_pair_is_neither():
    """Two motifs read as one: IoU 0.476 with each, so one false and two missed."""
    quality = panoptic([box(0, 0, 21, 10)], [box(0, 0, 10, 10), box(11, 0, 21, 10)])
    assert quality.pq == 0


def test_iou_of_masks():
    """4 cells shared of 12: 1/3; Dice would be 2 IoU / (1 + IoU) = 1/2."""
    one, two = np.zeros((4, 6), bool), np.zeros((4, 6), bool)
    one[:, 0:2], two[:, 1:3] = True, True
    assert mask_iou(one, two) == pytest.approx(1 / 3)
    assert mask_iou(one & False, two & False) == 1


#   found  0     .9
#   real      .8      1.7     the nearest pair first would leave two alone
def test_matching_is_the_largest_and_one_to_one():
    found, real = np.array([[0, 0], [0.9, 0]]), np.array([[0.8, 0], [1.7, 0]])
    assert matched_pairs(found, real, 1.0) == 2
    assert matched_pairs(np.zeros((5, 2)), np.zeros((1, 2)), 1.0) == 1
    assert matched_pairs(found, real + [0, 5], 1.0) == 0


def test_precision_and_recall_of_beads():
    """8 of 10 found and 2 that are none: 0.8 and 0.8; two marks on one bead are one."""
    real = np.column_stack([np.arange(10) * 5.0, np.zeros(10)])
    found = np.concatenate([real[:8] + [0.7, 0.0], [[200.0, 0], [0.0, 0.3]]])
    assert precision_recall(found, real, 1.0) == pytest.approx((0.8, 0.8))
    assert precision_recall(np.empty((0, 2)), real, 1.0) == (1.0, 0.0)
    assert f_measure(0.0, 0.0) == 0
    assert f_measure(0.5, 1.0) == pytest.approx(2 / 3)


def test_points_along_an_outline_are_evenly_spaced():
    points = along(square(0, 0, 10), 0.5)
    assert len(points) == 80
    assert np.hypot(*np.diff(points, axis=0).T) == pytest.approx(0.5)


def test_boundary_f_by_hand():
    """A square of 40 mm moved 3 mm sideways keeps 37 of 40 mm of two sides of four."""
    real = square(0, 0, 40)
    assert boundary_f([real + [0.6, 0.6]], [real], 1.0, 0.5) == pytest.approx(1.0)
    moved = boundary_f([real + [3.0, 0.0]], [real], 1.0, 0.5)
    assert 74 / 160 <= moved <= 80 / 160  # up to 1 mm more at each end of these
    # a line drawn twice is half wrong: P 0.5, R 1, F 2/3
    assert boundary_f([real, real], [real], 1.0, 0.5) == pytest.approx(2 / 3)
    assert boundary_f([], [real], 1.0, 0.5) == 0


def test_nearest_pairs_take_the_least_total_and_none_too_far():
    real = np.array([[0.0, 0], [10, 0], [20, 0]])
    found = np.array([[0.0, 1], [10, 2], [55, 0]])
    assert sorted(nearest_pairs(found, real, 5.0)) == pytest.approx([1.0, 2.0])
    assert len(nearest_pairs(found[:0], real, 5.0)) == 0


def test_a_perfect_reading_is_perfect():
    real = lace()
    for found in (real, turned_record(real)):
        judged = judge(found, real)
        values = judged.values
        assert values["scale"] == pytest.approx(0, abs=1e-9)
        assert values["repeat"] == 0
        assert values["count right"] == values["edge kinds right"] == 1
        assert values["tips and valleys, 95th"] == pytest.approx(0, abs=1e-6)
        assert values["tips and valleys found"] == 1
        assert values["motif PQ"] == pytest.approx(1)
        assert values["motif IoU"] == pytest.approx(1, abs=0.02)
        assert values["outline F"] == values["motif outline F"] == 1
        assert values["bead precision"] == values["bead recall"] == 1
        assert values["symmetry right"] == 1
        assert all(judged.held.values())
        assert not judged.flags


def test_an_error_of_scale_is_no_error_of_place():
    """All in the found mat 1 % larger: the scale and the lengths are off, the places not."""
    real = lace()
    grown = np.diag([1.01, 1.01, 1.0])
    scaled = replace(
        real.photo,
        photo_to_mat=grown @ real.photo.photo_to_mat,
        axis_mat_mm=1.01 * real.photo.axis_mat_mm,
    )
    found = replace(
        real,
        photo=scaled,
        lower=replace(
            real.lower,
            tips_mm=1.01 * real.lower.tips_mm,
            valleys_mm=1.01 * real.lower.valleys_mm,
            pitch_mm=Measured(1.01 * PITCH, 0.01),
        ),
        repeat=Repeat(Measured(40.4, 0.1), 3.0, 1.0),
    )
    judged = judge(found, real)
    assert judged.values["scale"] == pytest.approx(0.01)
    assert judged.values["repeat"] == pytest.approx(0.01)
    assert judged.values["tips and valleys, 95th"] == pytest.approx(0, abs=1e-6)
    assert not judged.held["scale"]  # 1 % with 0.1 % stated
    assert not judged.held["repeat"]
    assert not judged.held["lower pitch"]
    assert judged.held["width"]


@pytest.mark.parametrize(("length", "flag"), [(80.0, "x2"), (20.0, "1/2"), (13.4, "1/3")])
def test_a_half_or_a_double_repeat_is_flagged(length, flag):
    found = lace(repeat=Repeat(Measured(length, 0.1), 3.0, 1.0))
    judged = judge(found, lace())
    assert judged.values["repeat a multiple"] == 1
    assert f"repeat is {flag}" in judged.flags
    near = judge(lace(repeat=Repeat(Measured(41.0, 1.0), 3.0, 1.0)), lace())
    assert near.values["repeat a multiple"] == 0
    assert near.held["repeat"]


def test_a_repeat_from_too_few_copies_is_not_asked_for():
    short = lace(repeat=Repeat(Measured(100.0, 0.0), 1.2, 1.0))
    assert judge(lace(repeat=None), short).values["few copies said"] == 1
    told = judge(lace(), short)
    assert told.values["few copies said"] == 0
    assert told.values["repeat"] is None
    assert judge(lace(repeat=None), lace()).values["repeat told"] == 0


def test_a_lost_scallop_is_a_wrong_count_and_a_missing_place():
    real = lace()
    fewer = replace(
        real.lower, tips_mm=real.lower.tips_mm[:-1], valleys_mm=real.lower.valleys_mm[:-1]
    )
    judged = judge(replace(real, lower=fewer), real)
    assert judged.values["count right"] == 0
    assert judged.values["wrong count said doubtful"] == 0
    assert judged.values["tips and valleys found"] == pytest.approx(11 / 13)
    assert "lower edge 5 scallops for 6" in judged.flags
    doubted = judge(replace(real, lower=replace(fewer, doubt="an end is cut")), real)
    assert doubted.values["wrong count said doubtful"] == 1


def test_places_are_distances_on_the_true_mat():
    real = lace()
    off = replace(
        real.lower,
        tips_mm=real.lower.tips_mm + [0.3, 0.4],
        valleys_mm=real.lower.valleys_mm,
    )
    judged = judge(replace(real, lower=off), real)
    assert judged.distances["tips"] == pytest.approx([0.5] * 6)
    assert judged.distances["valleys"] == pytest.approx([0.0] * 7, abs=1e-6)


def test_what_is_hidden_is_neither_asked_nor_charged():
    """A hand over the last 30 mm: scallops, motif and beads there may be read or not."""
    real = lace()
    hand = real.photo.lace_to_mat(np.array([[88.0, -30], [150, -30], [150, 80], [88, 80]]))
    blind = replace(
        real,
        lower=replace(
            real.lower, tips_mm=real.lower.tips_mm[:4], valleys_mm=real.lower.valleys_mm[:5]
        ),
        motifs=real.motifs[:2],
        beads=[bead for bead in real.beads if bead.u_mm < 90],
    )
    for found in (blind, real):
        values = judge(found, real, [hand]).values
        assert values["count right"] == 1
        assert values["motif PQ"] == pytest.approx(1)
        assert values["bead precision"] == values["bead recall"] == 1
        assert values["tips and valleys found"] == 1
        assert values["outline F"] == 1
    assert judge(blind, real).values["count right"] == 0


def test_cut_motifs_are_void_for_instances_and_count_as_area():
    cut = [*lace().motifs[:2], Motif(lace().motifs[2].outline_mm, -1)]
    for found in (lace(), lace(motifs=lace().motifs[:2])):
        assert judge(found, lace(motifs=cut)).values["motif PQ"] == pytest.approx(1)
    missing = judge(lace(motifs=lace().motifs[:2]), lace(motifs=cut))
    assert missing.values["motif IoU"] == pytest.approx(2 / 3, abs=0.02)


def test_kinds_agree_by_pairs():
    """Three copies called two kinds: 1 of 3 pairs is right."""
    motifs = [Motif(m.outline_mm, kind) for m, kind in zip(lace().motifs, (7, 7, 8), strict=True)]
    assert judge(lace(motifs=motifs), lace()).values["kinds agree"] == pytest.approx(1 / 3)
    assert Polygon(square(0, 0)).area == 100


def test_a_group_not_read_is_not_right():
    judged = judge(lace(symmetry=None), lace())
    assert judged.values["symmetry right"] == 0
    assert "symmetry not read" in judged.flags
