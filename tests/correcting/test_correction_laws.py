"""What holds of all corrections: undone is as never made, order is free, readings may change."""

from __future__ import annotations

import numpy as np
import pytest
from handmade_readings import PRINT, polygons, px, pxs, read_again, read_lace_by_hand, ring, same
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from shapely import Point

from lacelay.correcting.corrected import corrected
from lacelay.errors import CorrectionError
from lacelay.model import corrections as told
from lacelay.model.corrections import KINDS, Correction, Corrections
from lacelay.model.lace import Lace

#: A record is large: a case that fails is told as it is, not made smaller for minutes.
PHASES = (Phase.explicit, Phase.generate)


def of_every_kind(lace: Lace) -> list[Correction]:
    """Corrections of different things, one at least of every kind but those that exclude others."""
    return [
        told.ScaleByLine("line", px(lace, 20, 60), px(lace, 220, 60), 206.0),
        told.OutlineRedrawn("outline", pxs(lace, [(-2, -14), (355, -14), (355, 155), (-2, 155)])),
        told.ValleyRemoved("valley out", px(lace, 80, 0)),
        told.ValleyMoved("valley moved", px(lace, 200, 0), px(lace, 202, 0)),
        told.TipMoved("tip", px(lace, 300, -8), px(lace, 301, -8.5)),
        told.ValleyAdded("valley in", px(lace, 260, 139)),
        told.CountConfirmed("count", px(lace, 100, 0), 7),
        told.RepeatMarked("repeat", px(lace, 30, 40), px(lace, 270, 40), copies=2),
        told.SymmetrySet("symmetry", "p11m"),
        told.ReversibleSaid("alike"),
        told.MotifsMerged("merge", pxs(lace, [(60, 8), (63, 34)])),
        told.MotifSplit("split", px(lace, 102, 8), pxs(lace, [(100, -6), (100.5, 22)])),
        told.MotifRedrawn("redraw", px(lace, 140, 8), pxs(lace, ring(140, 8, 13, 9))),
        told.MotifStruck("strike", px(lace, 180, 8)),
        told.MotifDrawn("draw", pxs(lace, ring(150, 70, 5, 4))),
        told.BeadAdded("bead", px(lace, 170, 72)),
        told.BeadRemoved("no bead", px(lace, lace.beads[3].u_mm, lace.beads[3].v_mm)),
        told.BeadsCleared("no beads", pxs(lace, ring(300, -2, 19, 9))),
        told.CordAdded("cord", pxs(lace, [(10, 60), (40, 66)])),
        told.CordRemoved("no cord", px(lace, 215, 72.5)),
        told.FlawMarked("flaw", pxs(lace, ring(50, 60, 6, 4)), "a pulled thread"),
    ]


def test_the_list_above_leaves_out_only_what_excludes_something_in_it(lace) -> None:
    kinds = {type(each) for each in of_every_kind(lace)}
    assert set(KINDS) - kinds == {
        told.ScaleByRectangle,
        told.ScaleByWidth,
        told.EdgeStraight,
        told.EdgeScalloped,
        told.RepeatTold,
        told.RepeatNone,
    }
    made = Corrections(PRINT, tuple(of_every_kind(lace)))
    assert [note.text for note in corrected(lace, made)[1] if not note.placed] == []


@settings(max_examples=8, deadline=None, phases=PHASES)
@given(data=st.data())
def test_undone_is_as_never_made_and_redone_as_never_undone(data) -> None:
    lace = read_lace_by_hand()
    pool = of_every_kind(lace)
    some = data.draw(st.lists(st.sampled_from(pool), unique_by=lambda each: each.id, max_size=9))
    made = Corrections(PRINT, tuple(some))
    gone = data.draw(st.lists(st.sampled_from(some), unique=True)) if some else []
    less = made
    for each in gone:
        less = less.undo(each.id)
    never = Corrections(PRINT, tuple(each for each in some if each not in gone))
    assert less.active == never.active
    same(corrected(lace, less)[0], corrected(lace, never)[0], 0.0)
    for each in reversed(gone):
        less = less.redo(each.id)
    assert less == made
    for each in some:
        made = made.undo(each.id)
    assert corrected(lace, made) == (lace, ())
    for each in some:
        made = made.forget(each.id)
    assert made == Corrections(PRINT)


@settings(max_examples=8, deadline=None, phases=PHASES)
@given(order=st.permutations(range(21)))
def test_corrections_of_different_things_may_come_in_any_order(order) -> None:
    lace = read_lace_by_hand()
    pool = of_every_kind(lace)
    expected, _ = corrected(lace, Corrections(PRINT, tuple(pool)))
    found, _ = corrected(lace, Corrections(PRINT, tuple(pool[k] for k in order)))
    same(found, expected, 1e-9)


def test_a_reading_is_never_changed_in_place(lace) -> None:
    before = [lace.outline_mm.copy(), lace.lower.tips_mm.copy(), len(lace.motifs)]
    corrected(lace, Corrections(PRINT, tuple(of_every_kind(lace))))
    np.testing.assert_array_equal(lace.outline_mm, before[0])
    np.testing.assert_array_equal(lace.lower.tips_mm, before[1])
    assert len(lace.motifs) == before[2]


@settings(max_examples=8, deadline=None, phases=PHASES)
@given(seed=st.integers(0, 10_000), factor=st.floats(0.9, 1.12))
def test_corrections_outlive_another_reading_of_the_photo(seed, factor) -> None:
    lace = read_lace_by_hand()
    made = Corrections(PRINT, tuple(each for each in of_every_kind(lace) if each.id != "line"))
    first, _ = corrected(lace, made)
    again = read_again(lace, np.random.default_rng(seed), factor=factor)
    second, notes = corrected(again, made)
    assert [note.text for note in notes if not note.placed] == []
    assert (second.lower.count, second.upper.count) == (first.lower.count, first.upper.count)
    assert (len(second.motifs), len(second.beads)) == (len(first.motifs), len(first.beads))
    assert (len(second.cords_mm), len(second.flaws_mm)) == (2, 1)
    assert (second.symmetry, second.reversible) == ("p11m", True)
    # What she drew lies where she drew it in the photo, whatever the scale.
    for correction in made.items:
        if isinstance(correction, told.MotifDrawn | told.MotifRedrawn):
            middle = second.photo.photo_to_lace(np.array(correction.outline_px)).mean(axis=0)
            (mine,) = [p for p in polygons(second) if p.covers(Point(middle))]
            seen = second.photo.lace_to_photo(np.asarray(mine.exterior.coords)[:-1])
            drawn = np.array(correction.outline_px)
            apart = np.hypot(*(seen[:, None] - drawn[None]).transpose(2, 0, 1))
            assert apart.min(axis=1).max() < 0.01
    struck = next(each for each in made.items if each.id == "strike")
    place = second.photo.photo_to_lace(np.array([struck.at_px]))[0]
    assert not any(p.covers(Point(place)) for p in polygons(second))
    assert second.repeat.length_mm.value == pytest.approx(120.0 * factor, rel=1e-6)


def test_with_a_told_scale_another_reading_comes_out_the_same_size(lace) -> None:
    made = Corrections(PRINT, tuple(of_every_kind(lace)))
    first, _ = corrected(lace, made)
    again = read_again(lace, np.random.default_rng(1), factor=1.07)
    second, _ = corrected(again, made)
    assert second.length_mm == pytest.approx(first.length_mm, rel=1e-6)
    assert second.repeat.length_mm.value == pytest.approx(first.repeat.length_mm.value, rel=1e-6)
    assert second.scale == pytest.approx(first.scale) or second.scale.px_per_mm == pytest.approx(
        first.scale.px_per_mm
    )
    assert second.lower.pitch_mm.value == pytest.approx(first.lower.pitch_mm.value, abs=0.5)


def test_what_another_reading_lost_is_kept_and_told(lace) -> None:
    strike = told.MotifStruck("c1", px(lace, 180, 8))
    bead = told.BeadRemoved("c2", px(lace, lace.beads[3].u_mm, lace.beads[3].v_mm))
    redraw = told.MotifRedrawn("c3", px(lace, 140, 8), pxs(lace, ring(140, 8, 13, 9)))
    made = Corrections(PRINT, (strike, bead, redraw))
    from dataclasses import replace

    poorer = replace(lace, motifs=[], beads=[])
    found, notes = corrected(poorer, made)
    assert [(note.correction_id, note.placed) for note in notes] == [("c1", False), ("c2", False)]
    assert all("Nothing need be done" in n.remedy or "Point into" in n.remedy for n in notes)
    assert len(found.motifs) == 1  # hers is there, though the reading lost it
    assert made.items == (strike, bead, redraw)
    richer, notes = corrected(lace, made)
    assert notes == ()
    assert len(richer.motifs) == len(lace.motifs) - 1


def test_the_same_lace_drawn_by_the_reading_and_by_her_is_one(lace) -> None:
    drawn = told.MotifDrawn("c1", pxs(lace, ring(150, 70, 5, 4)))
    from dataclasses import replace

    from lacelay.model.lace import Motif

    found_too = replace(lace, motifs=[*lace.motifs, Motif(ring(151, 70.5, 5, 4))])
    now, _ = corrected(found_too, Corrections(PRINT, (drawn,)))
    assert len(now.motifs) == len(found_too.motifs)
    bead = told.BeadAdded("c2", px(lace, lace.beads[3].u_mm + 0.2, lace.beads[3].v_mm))
    now, _ = corrected(lace, Corrections(PRINT, (bead,)))
    assert len(now.beads) == len(lace.beads)


def test_names_and_places_are_held() -> None:
    struck = told.MotifStruck("c1", (100.0, 100.0))
    made = Corrections(PRINT, (struck,))
    assert made.next_id == "c2"
    with pytest.raises(CorrectionError, match="both called c1"):
        made.with_one(struck)
    with pytest.raises(CorrectionError, match=r"outside the photo, at \(4100, 100\)"):
        made.with_one(told.MotifStruck("c2", (4100.0, 100.0)))
    with pytest.raises(CorrectionError, match=r"no correction c9\. There are: c1"):
        made.undo("c9")
    with pytest.raises(CorrectionError, match="does not exist: c7"):
        Corrections(PRINT, (), frozenset({"c7"}))


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: told.MotifStruck(" ", (1, 1)), "has no name"),
        (lambda: told.MotifStruck("x", (float("nan"), 1)), "has no place"),
        (lambda: told.MotifDrawn("x", ((0, 0), (9, 9))), "with 2 points"),
        (lambda: told.MotifDrawn("x", ((0, 0), (9, 9), (0, 9), (9, 0))), "crossing itself|no area"),
        (lambda: told.OutlineRedrawn("x", ((0, 0), (9, 9), (9, 1), (0, 9))), "crossing itself"),
        (lambda: told.FlawMarked("x", ((0, 0), (1, 0), (2, 0))), "no area"),
        (lambda: told.MotifSplit("x", (5, 5), ((1, 1), (1, 1))), "too short"),
        (lambda: told.CordAdded("x", ((1, 1),)), "too short"),
        (lambda: told.MotifsMerged("x", ((1, 1),)), "One point"),
        (lambda: told.ScaleByLine("x", (0, 0), (3, 3), 10.0), "4 pixels apart"),
        (lambda: told.ScaleByLine("x", (0, 0), (300, 3), 0.0), "length told is 0"),
        (lambda: told.ScaleByWidth("x", -3.0), "width told is -3"),
        (lambda: told.ScaleByRectangle("x", ((0, 0), (90, 0), (90, 90)), 9, 9), "3 corners"),
        (
            lambda: told.ScaleByRectangle("x", ((0, 0), (90, 90), (90, 0), (0, 90)), 9, 9),
            "not those of a rectangle",
        ),
        (lambda: told.RepeatTold("x", 100.0, copies=0), "0 copies"),
        (lambda: told.SymmetrySet("x", "p6"), "'p6' is no symmetry"),
        (lambda: told.EdgeScalloped("x", ((1, 1),)), "fewer than two"),
        (lambda: told.CountConfirmed("x", (1, 1), -1), "-1 scallops"),
        (lambda: told.BeadAdded("x", (1, 1), 0.0), "bead's size told is 0"),
    ],
)
def test_what_can_never_be_right_is_refused(make, said) -> None:
    with pytest.raises(CorrectionError, match=said) as refusal:
        make()
    assert refusal.value.remedy
