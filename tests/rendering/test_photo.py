"""Rendered photos: the same bytes, and a truth that the pixels bear out."""

import cv2
import numpy as np
import pytest
import shapely
from shapely.geometry import Polygon

from lacelay.model.lace import FRIEZE_GROUPS
from lacelay.rendering import FAMILIES, LEVELS, MatKind, render_photo
from lacelay.rendering.scene import Warp

SIZE = (1200, 900)


@pytest.fixture(scope="module")
def rendered():
    """One photo of each family, rendered once."""
    made = {}

    def get(family):
        if family not in made:
            made[family] = render_photo(family, 11, size_px=SIZE)
        return made[family]

    return get


@pytest.mark.parametrize("family", FAMILIES)
def test_every_family_renders_a_consistent_truth(rendered, family):
    result = rendered(family)
    lace = result.lace
    assert result.photo.shape == (SIZE[1], SIZE[0], 3)
    assert result.photo.dtype == np.uint8
    shares = lace.shares
    assert shares.motif + shares.ground + shares.open == pytest.approx(1.0)
    assert min(shares.motif, shares.ground, shares.open) >= 0
    assert lace.symmetry in FRIEZE_GROUPS
    assert (lace.lower.scalloped, lace.upper.scalloped) == {
        "guipure": (True, False),
        "beaded": (True, False),
        "allover": (False, False),
    }.get(family, (True, True))
    assert (len(lace.beads) > 20) == (family == "beaded")
    assert (len(lace.cords_mm) > 20) == (family == "corded")
    assert (lace.mesh_mm is None) == (family == "guipure")
    assert (shares.open > 0.1) == (family == "guipure")
    assert lace.outline_mm[:, 0].min() == pytest.approx(0, abs=0.2)
    assert lace.repeat.copies == pytest.approx(lace.length_mm / lace.repeat.length_mm.value)


def test_same_seed_same_bytes_and_another_seed_another_photo():
    small = {"size_px": (480, 360)}
    first, second = (render_photo("fine-black", 3, **small) for _ in range(2))
    assert np.array_equal(first.photo, second.photo)
    assert np.array_equal(first.motif_mask, second.motif_mask)
    assert np.array_equal(first.lace.outline_mm, second.lace.outline_mm)
    other = render_photo("fine-black", 4, **small)
    assert other.lace.repeat.length_mm.value != first.lace.repeat.length_mm.value


@pytest.mark.parametrize("family", ["sprays", "guipure", "fine-black"])
def test_tips_are_where_the_pixels_end(rendered, family):
    """Along a line across the lace through each tip, the matte ends at the tip."""
    result = rendered(family)
    lace = result.lace
    assert lace.lower.count >= 3
    for edge, outward in ((lace.lower, -1.0), (lace.upper, 1.0)):
        for u, v in edge.tips_mm:
            off = np.arange(-3.0, 3.0, 0.05)
            near = []
            for side in np.arange(-0.8, 0.81, 0.2):
                line = np.column_stack([np.full(len(off), u + side), v + outward * off])
                at = lace.photo.lace_to_photo(line)
                if np.any(at < 1) or np.any(at > np.array(SIZE) - 2):
                    continue
                values = cv2.remap(
                    result.matte, at[:, :1].astype(np.float32), at[:, 1:].astype(np.float32), 1
                ).ravel()
                lit = np.flatnonzero(values > 60)
                if len(lit):
                    near.append(off[lit[-1]])
            assert max(near) == pytest.approx(0.0, abs=0.5)


def test_motif_outlines_cover_the_motif_mask(rendered):
    result = rendered("sprays")
    drawn = np.zeros(result.matte.shape, np.uint8)
    for motif in result.lace.motifs:
        ring = result.lace.photo.lace_to_photo(motif.outline_mm)
        cv2.fillPoly(drawn, [np.round(ring).astype(np.int32)], 1)
    truth = result.motif_mask > 127
    overlap = np.sum(truth & (drawn > 0)) / np.sum(truth | (drawn > 0))
    assert overlap > 0.9
    assert result.matte[truth].mean() > 1.4 * result.matte[(drawn == 0) & (result.matte > 0)].mean()


def test_copies_of_a_motif_share_kind_and_size(rendered):
    lace = rendered("sprays").lace
    areas = {}
    for motif in lace.motifs:
        if motif.kind >= 0:
            areas.setdefault(motif.kind, []).append(Polygon(motif.outline_mm).area)
    assert max(len(found) for found in areas.values()) >= 2
    for found in areas.values():
        assert np.ptp(found) < 0.06 * np.mean(found) + 0.3


def test_motif_mask_repeats_with_the_repeat(rendered):
    """Sampled in lace mm, the mask agrees with itself one repeat further on."""
    result = rendered("fine-black")
    lace = result.lace
    repeat = lace.repeat.length_mm.value
    assert lace.repeat.copies > 1.5
    u, v = np.meshgrid(
        np.arange(3, lace.length_mm - repeat - 3, 0.5), np.arange(5, lace.width_mm.value - 5, 0.5)
    )

    def sampled(shift):
        at = lace.photo.lace_to_photo(np.column_stack([u.ravel() + shift, v.ravel()]))
        at = at.reshape(*u.shape, 2).astype(np.float32)
        return cv2.remap(result.motif_mask, at[..., 0], at[..., 1], 1).astype(float).ravel()

    base = sampled(0.0)
    assert np.corrcoef(base, sampled(repeat))[0, 1] > 0.85
    assert np.corrcoef(base, sampled(0.77 * repeat))[0, 1] < 0.6


@pytest.mark.parametrize(("grid", "pitch_mm"), [("cm", 10.0), ("inch", 25.4)])
def test_printed_lines_lie_where_the_map_puts_them(grid, pitch_mm):
    result = render_photo(
        "sprays", 2, size_px=(1600, 1200), mat=MatKind(grid, "dark green"),
        difficulty=LEVELS["easy"], empty=True,
    )  # fmt: skip
    shown = render_photo(
        "sprays", 2, size_px=(1600, 1200), mat=MatKind(grid, "dark green"),
        difficulty=LEVELS["easy"],
    )  # fmt: skip
    mapped = shown.lace.photo
    grey = cv2.GaussianBlur(result.photo[..., 1].astype(np.float32), (0, 0), 0.8)
    hits = []
    for x in np.arange(2, 40) * pitch_mm:
        for y in np.arange(2, 26) * pitch_mm + 0.5 * pitch_mm:
            off = np.arange(-2.0, 2.01, 0.1)
            at = mapped.mat_to_photo(np.column_stack([x + off, np.full(len(off), y)]))
            if np.any(at < 5) or np.any(at > np.array([1594, 1194])):
                continue
            profile = cv2.remap(
                grey, at[:, :1].astype(np.float32), at[:, 1:].astype(np.float32), 1
            ).ravel()
            above = profile - np.median(profile)
            if above.max() > 15:
                weight = np.clip(above - 0.5 * above.max(), 0, None)
                hits.append(float(np.sum(off * weight) / weight.sum()))
    assert len(hits) > 30
    assert abs(np.median(hits)) < 0.06
    assert np.percentile(np.abs(hits), 80) < 0.15


def test_warp_is_undone():
    rng = np.random.default_rng(1)
    warp = Warp(
        rng.normal(0, 0.08, (5, 2)), rng.normal(0, 0.2, (5, 2)), rng.uniform(0, 6, 5),
        np.array([12.0, 0.0]),
    )  # fmt: skip
    points = rng.uniform(0, 300, (200, 2))
    assert warp.to_design(warp.to_lace(points)) == pytest.approx(points, abs=1e-6)


def test_lace_keeps_off_top_and_bottom_unless_overfull():
    for seed in range(3):
        matte = render_photo("corded", seed, size_px=(480, 360)).matte
        assert matte.any()
        assert not matte[[0, -1]].any()
    full = render_photo("corded", 1, size_px=(480, 360), overfull=True).matte
    for border in (full[0], full[-1], full[:, 0], full[:, -1]):
        assert np.mean(border > 0) > 0.5


def test_empty_mat_has_no_truth():
    bare = render_photo("sprays", 1, size_px=(480, 360), empty=True)
    assert bare.truth is None
    assert not bare.matte.any()
    with pytest.raises(ValueError, match="without a lace"):
        bare.lace  # noqa: B018


def test_size_changes_the_resolution_and_not_the_scene():
    small, large = (render_photo("guipure", 8, size_px=(k, k * 3 // 4)) for k in (480, 960))
    ratio = large.lace.scale.px_per_mm / small.lace.scale.px_per_mm
    assert ratio == pytest.approx(2.0, rel=0.004)
    assert small.lace.repeat.length_mm == large.lace.repeat.length_mm
    assert small.lace.lower.tips_mm == pytest.approx(large.lace.lower.tips_mm, abs=0.5)
    halved = cv2.resize(large.matte, (480, 360), interpolation=cv2.INTER_AREA).astype(float)
    assert np.corrcoef(halved.ravel(), small.matte.astype(float).ravel())[0, 1] > 0.9


@pytest.mark.parametrize(
    ("family", "seed", "size"), [("felt", 1, SIZE), ("sprays", -1, SIZE), ("sprays", 1, (90, 90))]
)
def test_senseless_wishes_are_refused(family, seed, size):
    with pytest.raises(ValueError, match=r"family|seed"):
        render_photo(family, seed, size_px=size)


def test_plain_mat_carries_no_grid():
    assert MatKind("plain", "grey").pitch_mm is None
    with pytest.raises(ValueError, match="no mat"):
        MatKind("cm", "tartan")


def test_outline_holds_every_whole_motif(rendered):
    lace = rendered("corded").lace
    outline = Polygon(lace.outline_mm).buffer(0.2)
    assert all(
        outline.contains(shapely.make_valid(Polygon(m.outline_mm)))
        for m in lace.motifs
        if m.kind >= 0
    )


@pytest.mark.parametrize("family", ["guipure", "corded"])
def test_valleys_are_where_the_notches_end(rendered, family):
    """Along lines across the lace near each valley, the deepest notch ends at the valley.

    A notch narrows to nothing, so in a photo of some 3 px per mm it closes a little early.
    """
    result = rendered(family)
    lace = result.lace
    for edge, outward in ((lace.lower, -1.0), (lace.upper, 1.0)):
        for u, v in edge.valleys_mm:
            off = np.arange(-3.0, 3.0, 0.05)
            ends = []
            for side in np.arange(-0.6, 0.61, 0.1):
                line = np.column_stack([np.full(len(off), u + side), v + outward * off])
                at = lace.photo.lace_to_photo(line)
                if np.any(at < 1) or np.any(at > np.array(SIZE) - 2):
                    continue
                values = cv2.remap(
                    result.matte, at[:, :1].astype(np.float32), at[:, 1:].astype(np.float32), 1
                ).ravel()
                lit = np.flatnonzero(values > 60)
                if len(lit):
                    ends.append(off[lit[-1]])
            if ends:
                assert -0.3 < min(ends) < 1.3
