"""One repeat: edges, motifs that keep apart, and the frieze group they follow."""

import numpy as np
import pytest
import shapely
from shapely.geometry import Polygon

from lacelay.rendering.families import FAMILIES, PatternWish, design_pattern, groups_of
from lacelay.rendering.pattern import EdgeDesign

CASES = [(family, seed) for family in FAMILIES for seed in range(4)]


def designed(family, seed):
    return design_pattern(family, np.random.default_rng([7, seed]))


@pytest.mark.parametrize(("family", "seed"), CASES)
def test_sizes_lie_in_the_range_of_the_trade(family, seed):
    pattern = designed(family, seed)
    assert 60 <= pattern.width_mm <= 250
    for edge in (pattern.lower, pattern.upper):
        if edge.scalloped:
            pitches = np.diff(edge.valleys_mm)
            assert np.all((pitches > 15) & (pitches < 80))
            assert 3 < edge.depths_mm.mean() + edge.reach_mm < 20
            # the repeat is a whole number of scallops
            assert edge.valleys_mm[-1] - edge.valleys_mm[0] == pytest.approx(pattern.repeat_mm)
    if pattern.ground.net != "bars":
        assert 1.2 <= pattern.ground.size_mm <= 3.5


@pytest.mark.parametrize(("family", "seed"), CASES)
def test_motifs_keep_apart_and_inside(family, seed):
    pattern = designed(family, seed)
    shapes = [
        shapely.make_valid(Polygon(placed.outline_mm + [k * pattern.repeat_mm, 0]))
        for placed in pattern.placed
        for k in (0, 1)
    ]
    tree = shapely.STRtree(shapes)
    first, second = tree.query(shapes, predicate="dwithin", distance=1.0)
    assert np.all(first == second)
    body = pattern.body(-pattern.repeat_mm, 3 * pattern.repeat_mm).buffer(0.1)
    assert all(body.contains(shape) for shape in shapes)


@pytest.mark.parametrize(("family", "seed"), CASES)
def test_motifs_follow_the_named_group(family, seed):
    assert_follows_its_group(designed(family, seed))


@pytest.mark.parametrize("group", groups_of("sprays"))
def test_a_wished_group_is_followed(group):
    wish = PatternWish(symmetry=group)
    pattern = design_pattern("sprays", np.random.default_rng(4), wish)
    assert pattern.symmetry == group
    assert_follows_its_group(pattern)


def test_wishes_are_met_or_refused():
    rng = np.random.default_rng(3)
    narrow = design_pattern("guipure", rng, PatternWish(width_mm=(20.0, 30.0), pitch_mm=(10, 14)))
    assert 20 <= narrow.width_mm <= 30
    assert np.all(np.diff(narrow.lower.valleys_mm) < 18)
    long = design_pattern("corded", rng, PatternWish(per_repeat=(8, 8), pitch_mm=(40.0, 50.0)))
    assert len(long.lower.depths_mm) == 8
    assert long.repeat_mm > 300
    for family, wish in (
        ("guipure", PatternWish(symmetry="p2")),
        ("allover", PatternWish(ripple_share=(0.2, 0.3))),
        ("sprays", PatternWish(holes_mm=(5.0, 8.0))),
    ):
        with pytest.raises(ValueError, match=r"never|without|straight"):
            design_pattern(family, rng, wish)


def assert_follows_its_group(pattern):
    centres = np.array([Polygon(placed.outline_mm).centroid.coords[0] for placed in pattern.placed])
    areas = np.array([Polygon(placed.outline_mm).area for placed in pattern.placed])
    repeat, width = pattern.repeat_mm, pattern.width_mm

    def allows(image):
        for centre, area in zip(image, areas, strict=True):
            apart = (centres - centre + [repeat / 2, 0]) % [repeat, 1e9] - [repeat / 2, 0]
            apart[:, 1] = centres[:, 1] - centre[1]
            near = (np.hypot(*apart.T) < 0.3) & (np.abs(areas - area) < 0.02 * area + 0.5)
            if not near.any():
                return False
        return True

    u, v = centres.T
    across, along = np.stack([-u, v], 1), np.stack([u, width - v], 1)
    turned, glide = np.stack([-u, width - v], 1), np.stack([u + repeat / 2, width - v], 1)
    second_across = np.stack([repeat / 2 - u, v], 1)
    found = {
        "across": allows(across) or allows(second_across),
        "along": allows(along),
        "turned": allows(turned),
        "glide": allows(glide),
    }
    wanted = {
        "p1": set(),
        "p1m1": {"across"},
        "p11g": {"glide"},
        "p11m": {"along"},
        "p2": {"turned"},
        "p2mg": {"across", "turned", "glide"},
        "p2mm": {"across", "along", "turned"},
    }[pattern.symmetry]
    assert {name for name, held in found.items() if held} >= wanted
    if pattern.symmetry == "p1":
        assert not any(found.values())


def test_seeds_vary_the_group_and_the_edges():
    patterns = [designed("sprays", seed) for seed in range(8)]
    assert len({pattern.symmetry for pattern in patterns}) >= 4
    assert len({round(pattern.repeat_mm) for pattern in patterns}) >= 6


def test_compound_scallops_occur():
    edges = [designed("guipure", seed).lower for seed in range(14)]
    assert any(np.ptp(edge.depths_mm) > 1 for edge in edges if edge.scalloped)


#    __      lean 0.1: the tip stands at 0.6 of the width,
#   /  \     with a loop (picot) on it
#  /    |
def test_tip_stands_where_the_edge_is_highest():
    edge = EdgeDesign(np.array([0.0, 40.0]), np.array([10.0]), 0.7, 0.1, 0.8, 5, 1.5)
    u = np.linspace(0, 40, 4001)
    assert u[np.argmax(edge.height_mm(u))] == pytest.approx(24.0, abs=0.05)
    tip = edge.tips_mm()[0]
    assert tip[0] == pytest.approx(24.0)
    loops = edge.picots_mm()
    highest = loops[np.argmax(loops[:, 1])]
    assert highest == pytest.approx([24.0, tip[1] - 0.8], abs=0.02)


def test_unknown_family_is_refused():
    with pytest.raises(ValueError, match="sprays"):
        design_pattern("knitted", np.random.default_rng(0))
