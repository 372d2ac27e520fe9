"""Corrections laid over a reading: what each one does, and what follows from it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from handmade_readings import PRINT, polygons, px, pxs, ring, same
from shapely import Point

from lacelay.correcting.corrected import corrected, with_correction
from lacelay.errors import CorrectionError
from lacelay.model import corrections as told
from lacelay.model.corrections import Corrections
from lacelay.model.lace import Lace, Measured


def put_right(lace: Lace, *corrections: told.Correction) -> Lace:
    made = Corrections(PRINT)
    for each in corrections:
        made = with_correction(lace, made, each)
    return corrected(lace, made)[0]


def test_nothing_put_right_is_the_reading_itself(lace, none_yet) -> None:
    assert corrected(lace, none_yet) == (lace, ())


def test_a_line_scales_everything_alike(lace) -> None:
    # The line is 100 mm as read and told to be 105: everything grows by 5 %.
    line = told.ScaleByLine("c1", px(lace, 20, 10), px(lace, 120, 10), 105.0)
    now = put_right(lace, line)
    factor = 1.05
    assert now.length_mm == pytest.approx(lace.length_mm * factor, rel=1e-3)
    assert now.width_mm.value == pytest.approx(lace.width_mm.value * factor, rel=1e-3)
    assert now.lower.pitch_mm.value == pytest.approx(42.0, rel=1e-3)
    assert now.upper.depth_mm.value == pytest.approx(8.4, rel=1e-3)
    assert now.repeat.length_mm.value == pytest.approx(126.0, rel=1e-3)
    assert now.scale.px_per_mm == pytest.approx(lace.scale.px_per_mm / factor, rel=1e-3)
    assert now.beads[0].diameter_mm == pytest.approx(2.1, rel=1e-3)
    # What was seen stays where it was seen.
    for a, b in ((now.outline_mm, lace.outline_mm), (now.lower.tips_mm, lace.lower.tips_mm)):
        np.testing.assert_allclose(
            now.photo.lace_to_photo(a), lace.photo.lace_to_photo(b), atol=1e-6
        )
    assert now.scale.reference == "two points 10.5 cm apart"
    assert not any("50 mm apart" in doubt for doubt in now.doubts)


def test_a_scales_doubt_is_exchanged_in_every_measure(lace) -> None:
    # 120 mm +- 0.5 of its own and 0.3 % by the old scale; the new scale has 1.05 %.
    old = replace(
        lace,
        scale=replace(lace.scale, relative_sigma=0.003),
        repeat=replace(lace.repeat, length_mm=Measured(120.0, float(np.hypot(0.5, 0.36)))),
    )
    now = put_right(old, told.ScaleByWidth("c1", 156.0))
    assert now.scale.relative_sigma == pytest.approx(0.01)  # seen in perspective: no more
    assert now.repeat.length_mm.sigma == pytest.approx(np.hypot(0.5, 1.2), rel=1e-3)


def test_a_known_width_is_from_tip_to_tip(lace) -> None:
    now = put_right(lace, told.ScaleByWidth("c1", 160.0))
    # 140 mm from valley to valley and 8 mm of scallop on either side are 156 mm.
    assert now.width_mm.value == pytest.approx(140 * 160 / 156, rel=2e-3)


def test_a_scale_that_leaves_more_than_1_percent_of_doubt_says_so(lace) -> None:
    doubtful = put_right(lace, told.ScaleByWidth("c1", 156.0))
    assert any("good to 2.0% only, 95 times in 100" in doubt for doubt in doubtful.doubts)
    line = told.ScaleByLine("c1", px(lace, 20, 60), px(lace, 320, 60), 300.0)
    assert not any("only, 95 times" in doubt for doubt in put_right(lace, line).doubts)


def test_a_scale_that_contradicts_the_reading_is_told(lace, none_yet) -> None:
    line = told.ScaleByLine("c1", px(lace, 0, 0), px(lace, 200, 0), 230.0)
    _, (note,) = corrected(lace, none_yet.with_one(line))
    assert note.placed
    assert "15.0% larger than by the written by hand" in note.text


def test_four_corners_put_the_perspective_right(lace) -> None:
    # The reading took the photo as seen from straight above; the corners know better.
    flat = lace.photo.photo_to_mat.copy()
    flat[2, :2] = 0
    ends = lace.photo.mat_to_photo(lace.photo.axis_mat_mm)
    plain = replace(lace.photo, photo_to_mat=flat)
    wrong = replace(plain, axis_mat_mm=plain.photo_to_mat_mm(ends))
    from lacelay.correcting.frame import through

    askew = through(lace, wrong)
    assert abs(np.diff(askew.lower.valleys_mm[:, 0]).std()) > 0.05
    # A sheet of 200 by 100 mm lying on the same mat.
    sheet = lace.photo.mat_to_photo(
        np.array([[30.0, 20.0], [230.0, 20.0], [230.0, 120.0], [30.0, 120.0]])
    )
    for order in (sheet, sheet[::-1], np.roll(sheet, 2, axis=0)):
        corners = tuple((float(x), float(y)) for x, y in order)
        wide, high = (200.0, 100.0)
        if abs(np.hypot(*(order[1] - order[0])) - np.hypot(*(sheet[1] - sheet[0]))) > 50:
            wide, high = high, wide
        now = put_right(askew, told.ScaleByRectangle("c1", corners, wide, high))
        np.testing.assert_allclose(now.lower.valleys_mm, lace.lower.valleys_mm, atol=1e-3)
        assert now.length_mm == pytest.approx(lace.length_mm, rel=2e-3)
        assert now.lower.pitch_mm.value == pytest.approx(40.0, rel=2e-3)
        assert now.scale.relative_sigma < 0.003


def test_a_valley_removed_makes_one_scallop_of_two(lace) -> None:
    now = put_right(lace, told.ValleyRemoved("c1", px(lace, 81.0, 1.5)))
    assert now.lower.count == lace.lower.count - 1
    assert now.upper is lace.upper
    # The joined scallop's tip lies on one of its two crowns, not in the dip between them.
    joined = [tip for tip in now.lower.tips_mm if 40 < tip[0] < 120]
    assert len(joined) == 1
    assert joined[0][1] == pytest.approx(-8.0, abs=0.3)
    assert min(abs(joined[0][0] - 60), abs(joined[0][0] - 100)) < 3
    assert "a valley may be missing" in now.lower.doubt
    assert any("a valley may be missing" in doubt for doubt in now.doubts)


def test_a_valley_added_parts_a_scallop_and_ends_the_doubt(lace) -> None:
    missing = put_right(lace, told.ValleyRemoved("c1", px(lace, 80.0, 0.0)))
    now = put_right(missing, told.ValleyAdded("c1", px(lace, 80.0, 0.0)))
    assert now.lower.count == lace.lower.count
    assert now.lower.pitch_mm.value == pytest.approx(40.0, abs=0.05)
    assert now.lower.per_repeat == 3
    assert now.lower.doubt == "the scallops are uneven"
    np.testing.assert_allclose(now.lower.tips_mm, lace.lower.tips_mm, atol=0.6)


def test_a_valley_moved_moves_alone(lace) -> None:
    now = put_right(lace, told.ValleyMoved("c1", px(lace, 120, 0), px(lace, 123, 1)))
    assert now.lower.count == lace.lower.count
    far = np.hypot(*(now.lower.valleys_mm - lace.lower.valleys_mm).T)
    assert np.flatnonzero(far > 0.01).tolist() == [3]
    assert now.lower.valleys_mm[3] == pytest.approx([123, 1], abs=0.01)


def test_a_tip_moves_within_its_scallop_only(lace, none_yet) -> None:
    now = put_right(lace, told.TipMoved("c1", px(lace, 60, -8), px(lace, 64, -9)))
    assert now.lower.tips_mm[1] == pytest.approx([64, -9], abs=0.01)
    assert now.lower.depth_mm.value > lace.lower.depth_mm.value
    with pytest.raises(CorrectionError, match="past a valley"):
        with_correction(lace, none_yet, told.TipMoved("c1", px(lace, 60, -8), px(lace, 90, -8)))


def test_an_edge_said_straight_and_one_said_scalloped(lace) -> None:
    straight = put_right(lace, told.EdgeStraight("c1", px(lace, 100, 139)))
    assert not straight.upper.scalloped
    assert straight.upper.count == 0
    # Half of an edge 8 sin^0.8 stands out more than 8 sqrt(1/2)^0.8 = 6.06 mm.
    assert straight.width_mm.value == pytest.approx(146.06, abs=0.4)
    again = put_right(
        straight, told.EdgeScalloped("c1", pxs(lace, [(u, 140) for u in range(360, -1, -40)]))
    )
    assert again.upper.count == 9
    assert again.upper.pitch_mm.value == pytest.approx(40.0, abs=0.05)
    assert again.upper.per_repeat == 3
    assert again.width_mm.value == pytest.approx(140.0, abs=0.05)


def test_a_straight_lower_edge_becomes_the_line_v_0(lace) -> None:
    now = put_right(lace, told.EdgeStraight("c1", px(lace, 100, 1)))
    # The edge's median lies 6.06 mm outside its valleys, its tips 8 mm.
    assert now.outline_mm[:, 1].min() == pytest.approx(6.06 - 8.0, abs=0.4)
    assert now.upper.valleys_mm[:, 1].mean() == pytest.approx(146.06, abs=0.4)
    assert now.width_mm.value == pytest.approx(146.06, abs=0.4)
    np.testing.assert_allclose(
        now.photo.lace_to_photo(now.outline_mm),
        lace.photo.lace_to_photo(lace.outline_mm),
        atol=1e-5,
    )


def test_a_count_that_agrees_ends_the_doubt_and_one_that_does_not_is_one(lace) -> None:
    now = put_right(lace, told.CountConfirmed("c1", px(lace, 100, 1), 9))
    assert now.lower.doubt is None
    assert not any("lower edge" in doubt for doubt in now.doubts)
    made = Corrections(PRINT).with_one(told.CountConfirmed("c1", px(lace, 100, 1), 8))
    other, (note,) = corrected(lace, made)
    assert "8 whole scallops were counted by hand, but 9 were read" in other.lower.doubt
    assert "add or remove a valley" in note.text
    # The count is held to the edge as put right, whatever came first.
    made = made.with_one(told.ValleyRemoved("c2", px(lace, 80.0, 0.0)))
    right, notes = corrected(lace, made)
    assert (right.lower.count, right.lower.doubt, notes) == (8, None, ())


def test_a_repeat_by_tape_counts_anew_and_ends_its_doubt(lace) -> None:
    now = put_right(lace, told.RepeatTold("c1", over_mm=241.0, copies=3, tape_sigma_mm=1.5))
    assert now.repeat.length_mm == Measured(241 / 3, 0.5)
    assert now.repeat.copies == pytest.approx(360 / 80.333, rel=1e-3)
    assert (now.lower.per_repeat, now.upper.per_repeat) == (2, 2)
    assert not any("repeat" in doubt for doubt in now.doubts)
    odd = put_right(lace, told.RepeatTold("c1", over_mm=100.0))
    assert odd.lower.per_repeat is None
    assert "do not go evenly into the repeat" in odd.lower.doubt


def test_a_repeat_marked_follows_the_scale(lace) -> None:
    mark = told.RepeatMarked("c1", px(lace, 30, 40), px(lace, 270, 40), copies=2)
    assert put_right(lace, mark).repeat.length_mm.value == pytest.approx(120.0, abs=0.01)
    line = told.ScaleByLine("c2", px(lace, 20, 10), px(lace, 120, 10), 110.0)
    both = put_right(lace, mark, line).repeat.length_mm.value
    assert both == pytest.approx(132.0, rel=1e-3)


def test_no_repeat_leaves_no_kinds_and_no_counts(lace) -> None:
    now = put_right(lace, told.RepeatNone("c1"))
    assert now.repeat is None
    assert (now.lower.per_repeat, {m.kind for m in now.motifs}) == (None, {-1})


def test_kinds_follow_a_repeat(lace) -> None:
    # One scallop is the pattern for all but the flower and the bud that stand out every third.
    now = put_right(lace, told.RepeatTold("c1", over_mm=120.0))
    by_kind: dict[int, list[float]] = {}
    for motif in now.motifs:
        by_kind.setdefault(motif.kind, []).append(float(motif.outline_mm[:, 0].mean()) % 120)
    assert all(np.ptp(places) < 1.0 for places in by_kind.values())
    assert all(len(places) == 3 for places in by_kind.values())


def test_symmetry_and_both_sides_alike(lace) -> None:
    now = put_right(lace, told.SymmetrySet("c1", "p2mm"), told.ReversibleSaid("c2"))
    assert (now.symmetry, now.reversible) == ("p2mm", True)


def test_motifs_merged_are_one_whole(lace) -> None:
    now = put_right(lace, told.MotifsMerged("c1", pxs(lace, [(20, 8), (23, 30)])))
    assert len(now.motifs) == len(lace.motifs) - 1
    (one,) = [p for p in polygons(now) if p.covers(Point(20, 8))]
    assert one.covers(Point(23, 30))
    before = [p for p in polygons(lace) if p.covers(Point(20, 8)) or p.covers(Point(23, 30))]
    assert one.area == pytest.approx(sum(p.area for p in before), rel=0.05)
    assert now.shares.motif > lace.shares.motif


def test_a_motif_split_keeps_its_area(lace) -> None:
    line = pxs(lace, [(20, -4), (20.5, 19)])
    now = put_right(lace, told.MotifSplit("c1", px(lace, 22, 8), line))
    assert len(now.motifs) == len(lace.motifs) + 1
    assert sum(p.area for p in polygons(now)) == pytest.approx(
        sum(p.area for p in polygons(lace)), rel=1e-6
    )
    assert now.shares.motif == pytest.approx(lace.shares.motif, abs=1e-6)


def test_a_motif_redrawn_struck_and_drawn(lace) -> None:
    drawn = pxs(lace, ring(20, 8, 14, 11))
    now = put_right(lace, told.MotifRedrawn("c1", px(lace, 20, 8), drawn))
    assert len(now.motifs) == len(lace.motifs)
    (one,) = [p for p in polygons(now) if p.covers(Point(20, 8))]
    assert one.bounds == pytest.approx((6, -3, 34, 19), abs=0.01)
    gone = put_right(lace, told.MotifStruck("c1", px(lace, 20, 8)))
    assert len(gone.motifs) == len(lace.motifs) - 1
    assert gone.shares.motif < lace.shares.motif
    back = put_right(gone, told.MotifDrawn("c1", drawn))
    assert len(back.motifs) == len(lace.motifs)
    bud = pxs(lace, ring(20, 70, 3, 3))
    more = put_right(lace, told.MotifDrawn("c1", bud))
    assert len(more.motifs) == len(lace.motifs) + 1


def test_a_drawn_copy_is_of_the_kind_of_its_copies(lace) -> None:
    (old,) = [m for m in lace.motifs if Point(60, 8).distance(Point(m.outline_mm.mean(0))) < 1]
    gone = told.MotifStruck("c1", px(lace, 60, 8))
    drawn = told.MotifDrawn("c2", pxs(lace, old.outline_mm + [0.5, -0.3]))
    now = put_right(lace, gone, drawn)
    (new,) = [m for m in now.motifs if Point(60, 8).distance(Point(m.outline_mm.mean(0))) < 1]
    assert new.kind == old.kind == 0


def test_beads_added_removed_and_cleared(lace) -> None:
    first = lace.beads[0]
    now = put_right(lace, told.BeadRemoved("c1", px(lace, first.u_mm + 0.3, first.v_mm)))
    assert len(now.beads) == len(lace.beads) - 1
    more = put_right(lace, told.BeadAdded("c1", px(lace, 100, 70)))
    assert len(more.beads) == len(lace.beads) + 1
    (new,) = [bead for bead in more.beads if bead.v_mm == pytest.approx(70, abs=0.01)]
    assert new.diameter_mm == pytest.approx(2.0)
    sized = put_right(lace, told.BeadAdded("c1", px(lace, 100, 70), diameter_px=36.0))
    (new,) = [bead for bead in sized.beads if bead.v_mm == pytest.approx(70, abs=0.01)]
    seen_px = np.hypot(*np.diff(pxs(lace, [(98, 70), (102, 70)]), axis=0)[0])
    assert new.diameter_mm == pytest.approx(36.0 / seen_px * 4, rel=0.01)
    cleared = put_right(lace, told.BeadsCleared("c1", pxs(lace, ring(20, -2, 19, 9))))
    assert len(cleared.beads) == len(lace.beads) - 7


def test_cords_and_flaws(lace) -> None:
    added = put_right(lace, told.CordAdded("c1", pxs(lace, [(10, 60), (40, 66)])))
    assert len(added.cords_mm) == 3
    gone = put_right(lace, told.CordRemoved("c1", px(lace, 35, 21)))
    assert len(gone.cords_mm) == 1
    flawed = put_right(lace, told.FlawMarked("c1", pxs(lace, ring(50, 60, 6, 4)), "a snag"))
    assert flawed.flaws_mm[0].mean(axis=0) == pytest.approx([50, 60], abs=0.01)


def test_an_outline_redrawn_drops_what_it_leaves_out(lace) -> None:
    # Cut at u = 100: what lies left of it is gone, and u starts there.
    kept = [(100, -12), (366, -12), (366, 152), (100, 152)]
    now = put_right(lace, told.OutlineRedrawn("c1", pxs(lace, kept)))
    assert now.length_mm == pytest.approx(266.0, abs=0.1)
    assert now.outline_mm[:, 0].min() == pytest.approx(0.0, abs=0.01)
    assert now.lower.count == 6  # valleys at 120, 160 ... 360
    assert now.lower.valleys_mm[0, 0] == pytest.approx(20.0, abs=0.01)
    assert all(p.centroid.x > 0 for p in polygons(now))
    assert now.repeat.copies == pytest.approx(266 / 120, rel=1e-3)
    np.testing.assert_allclose(
        now.photo.lace_to_photo(now.lower.valleys_mm),
        lace.photo.lace_to_photo(lace.lower.valleys_mm[3:]),
        atol=1e-5,
    )


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda p, r: told.ValleyRemoved("x", p(60, 0)), "No valley of the lower edge"),
        (lambda p, r: told.ValleyMoved("x", p(60, 0), p(61, 0)), "where one was moved from"),
        (lambda p, r: told.MotifStruck("x", p(40, 70)), "No motif lies under"),
        (lambda p, r: told.MotifSplit("x", p(20, 8), (p(30, 70), p(60, 72))), "does not part"),
        (lambda p, r: told.MotifsMerged("x", (p(20, 8), p(21, 8))), "lie in one motif"),
        (lambda p, r: told.MotifDrawn("x", r(180, -40, 4, 4)), "beside the lace"),
        (lambda p, r: told.BeadRemoved("x", p(40, 70)), "No bead lies"),
        (lambda p, r: told.BeadAdded("x", p(180, -40)), "beside the lace"),
        (lambda p, r: told.CordRemoved("x", p(40, 100)), "No cord lies"),
        (lambda p, r: told.FlawMarked("x", r(180, -40, 4, 4)), "beside the lace"),
        (lambda p, r: told.RepeatTold("x", over_mm=600.0), "longer than the 36.0 cm"),
        (lambda p, r: told.RepeatTold("x", over_mm=8.0, copies=4), "shorter than any pattern"),
        (lambda p, r: told.RepeatMarked("x", p(20, 20), p(140, 60)), "apart across the lace"),
        (lambda p, r: told.ScaleByLine("x", p(0, 0), p(300, 0), 3.0), "would be 1.4 mm wide"),
        (lambda p, r: told.OutlineRedrawn("x", r(180, -40, 4, 4)), "beside the lace"),
        (lambda p, r: told.EdgeScalloped("x", (p(0, 0), p(40, 140))), "on both edges"),
    ],
)
def test_what_cannot_be_put_right_is_refused_at_once_and_told_later(
    lace, none_yet, make, said
) -> None:
    correction = make(
        lambda u, v: px(lace, u, v), lambda u, v, ru, rv: pxs(lace, ring(u, v, ru, rv))
    )
    with pytest.raises(CorrectionError, match=said) as refusal:
        with_correction(lace, none_yet, correction)
    assert refusal.value.remedy
    found, (note,) = corrected(lace, none_yet.with_one(correction))
    assert (note.correction_id, note.placed) == ("x", False)
    same(found, lace)


def test_a_straight_edge_has_no_valley_to_remove(lace, none_yet) -> None:
    made = with_correction(lace, none_yet, told.EdgeStraight("c1", px(lace, 100, 0)))
    with pytest.raises(CorrectionError, match="is straight"):
        with_correction(lace, made, told.ValleyRemoved("c2", px(lace, 80, 0)))


def test_a_lace_without_photo_or_of_another_size_is_refused(lace, none_yet) -> None:
    made = none_yet.with_one(told.MotifStruck("c1", px(lace, 20, 8)))
    with pytest.raises(CorrectionError, match="not the reading of one photo"):
        corrected(replace(lace, photo=None), made)
    other = replace(lace, photo=replace(lace.photo, size_px=(4000, 3000)))
    with pytest.raises(CorrectionError, match="4000 x 3000"):
        corrected(other, made)
