"""The seven frieze groups, told from strips drawn with them.

What each group holds (T, V, H, R, G) and that a strip scalloped on one edge only is p1 or
p1m1: en.wikipedia.org, "Frieze group", and arithmetic from it. p11g and p2mg look half their
true period in the outline of one edge alone.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise, product

import cv2
import numpy as np
import pytest

from lacelay.geometry.photo_map import PhotoMap
from lacelay.lace_story import symmetry_lines
from lacelay.model.lace import FRIEZE_GROUPS
from lacelay.reading.ground import read_ground
from lacelay.reading.repeat import find_repeat
from lacelay.reading.strip import Strip
from lacelay.reading.symmetry import HOLDS, Symmetry, group_of, read_symmetry

PERIOD_PX, PX_PER_MM, COPIES, HEIGHT_PX = 100, 4.0, 5, 120
#: One leaf, and a bud to its left: together they have no symmetry. (x, y) from the middle.
BUD = ((2, 8), (9, 4), (12, 24), (4, 30))
MOTIF = ((11, 14), (30, 20), (38, 34), (24, 30), (20, 46), (12, 38))


def _images(group: str) -> list[np.ndarray]:
    """Matrices (2, 3) of the group's operations in one period, about the strip's middle."""

    def operation(flip_u: float, flip_v: float, shift: float) -> np.ndarray:
        return np.array([[flip_u, 0, shift], [0, flip_v, 0]])

    same, half = operation(1, 1, 0), PERIOD_PX / 2
    return {
        "p1": [same],
        "p11g": [same, operation(1, -1, half)],
        "p1m1": [same, operation(-1, 1, 0)],
        "p2": [same, operation(-1, -1, 0)],
        "p2mg": [same, operation(-1, -1, 0), operation(-1, 1, half), operation(1, -1, half)],
        "p11m": [same, operation(1, -1, 0)],
        "p2mm": [same, operation(-1, 1, 0), operation(1, -1, 0), operation(-1, -1, 0)],
    }[group]


def _strip(group: str, *, lower_scallops: bool = False, bud: bool = False) -> Strip:
    width = PERIOD_PX * COPIES + 30
    solid = np.zeros((HEIGHT_PX, width), np.uint8)
    net = np.zeros((HEIGHT_PX, width), np.uint8)
    for at in range(-HEIGHT_PX, width + HEIGHT_PX, 9):
        cv2.line(net, (at, 0), (at + HEIGHT_PX, HEIGHT_PX), 255, 1, cv2.LINE_AA)
        cv2.line(net, (at, HEIGHT_PX), (at + HEIGHT_PX, 0), 255, 1, cv2.LINE_AA)
    for matrix, outline in product(_images(group), (MOTIF, BUD) if bud else (MOTIF,)):
        shape = np.column_stack([np.array(outline, float), np.ones(len(outline))]) @ matrix.T
        for k in range(-1, COPIES + 2):
            moved = shape + [k * PERIOD_PX, (HEIGHT_PX - 1) / 2]
            cv2.fillPoly(solid, [np.round(moved * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    inside = np.zeros((HEIGHT_PX, width), bool)
    inside[8:-8, 3:-3] = True
    if lower_scallops:
        x = np.arange(width)
        low = HEIGHT_PX - 9 - 7 * (1 - np.abs(np.sin(np.pi * x / (PERIOD_PX / 2))))
        inside &= np.arange(HEIGHT_PX)[:, None] < low[None]
    alpha = np.where(inside, np.maximum(solid, net), 0).astype(np.float32) / 255
    flat = np.zeros((HEIGHT_PX, width, 3))
    return Strip(
        PhotoMap((width, HEIGHT_PX), np.eye(3), np.array([[0.0, 0.0], [1.0, 0.0]])),
        flat.astype(np.uint8), alpha, flat.astype(np.float32), inside, PX_PER_MM, 0.0,
        HEIGHT_PX / PX_PER_MM,
    )  # fmt: skip


def _read(strip: Strip, *, lower: bool = False, upper: bool = False) -> tuple[float, Symmetry]:
    length = strip.alpha.shape[1] / PX_PER_MM
    repeat = find_repeat(strip, None, 0.0, length).repeat
    assert repeat is not None
    ground = read_ground(strip, repeat.length_mm.value)
    found = read_symmetry(ground, lower_scalloped=lower, upper_scalloped=upper)
    return repeat.length_mm.value * PX_PER_MM, found


def _alone(strip: Strip, copies: float) -> Symmetry:
    """The first so many copies, read without knowing the repeat."""
    own = slice(8, 8 + round(copies * PERIOD_PX))
    cut = replace(
        strip,
        rgb=np.ascontiguousarray(strip.rgb[:, own]),
        alpha=np.ascontiguousarray(strip.alpha[:, own]),
        extent=np.ascontiguousarray(strip.extent[:, own]),
    )
    return read_symmetry(read_ground(cut, None), lower_scalloped=False, upper_scalloped=False)


@pytest.mark.parametrize("group", FRIEZE_GROUPS)
def test_each_group_is_told_with_its_true_period(group: str) -> None:
    period, found = _read(_strip(group))
    assert period == pytest.approx(PERIOD_PX, abs=0.5)  # a glide is never half of it
    assert found.group == group
    for name in ("V", "H", "R", "G"):
        held = name in HOLDS[group]
        assert (found.likeness[name] > 0.8 * found.copies_alike) == held, name


@pytest.mark.parametrize("group", ["p1", "p1m1"])
def test_scallops_on_one_edge_leave_two_groups(group: str) -> None:
    _, found = _read(_strip(group, lower_scallops=True), lower=True)
    assert found.group == group


@pytest.mark.parametrize("group", FRIEZE_GROUPS)
def test_one_scalloped_edge_never_turns_or_mirrors_along(group: str) -> None:
    _, found = _read(_strip(group), upper=True)
    assert found.group in ("p1", "p1m1")
    assert (found.group == "p1m1") == ("V" in HOLDS[group])


def test_groups_by_what_holds() -> None:
    every = tuple(HOLDS)
    for group, held in HOLDS.items():
        likeness = {name: 0.9 if name in held else 0.1 for name in "VHRG"}
        assert group_of(likeness, 0.7, every) == group
    # An operation that follows from two others is asked for as well.
    assert group_of({"V": 0.9, "R": 0.8, "H": 0.2, "G": 0.1}, 0.7, every) == "p1m1"


@pytest.mark.parametrize("group", FRIEZE_GROUPS)
def test_one_repeat_alone_tells_the_group_with_a_doubt(group: str) -> None:
    found = _alone(_strip(group, bud=True), 1.3)
    assert found.group == group
    assert found.doubt is not None
    assert "compare it by hand" in found.doubt


def test_part_of_a_repeat_claims_no_symmetry_it_does_not_have() -> None:
    for group in FRIEZE_GROUPS:
        found = _alone(_strip(group, bud=True), 0.75)
        assert found.group is not None
        # p11m holds G as well, of a whole repeat.
        assert set(HOLDS[found.group]) <= {*HOLDS[group], *("G" if group == "p2mm" else "")}
        assert found.doubt is not None


def test_scallops_that_break_the_mirror_of_the_motifs_are_told() -> None:
    """Mirrored motifs under scallops whose tips lie a quarter of a pitch off the axis."""
    strip = _strip("p1m1")
    h, w = strip.alpha.shape
    x = np.arange(w)
    depth = 16 * (1 - np.abs(np.sin(np.pi * x / PERIOD_PX + np.pi / 4)))
    row = np.arange(h)[:, None]
    inside = strip.extent & (row < h - 9 - depth[None]) & (row > 9 + depth[None])
    edge = inside & (cv2.erode(inside.astype(np.uint8), np.ones((9, 9), np.uint8)) == 0)
    alpha = np.where(edge, 1, np.where(inside, strip.alpha, 0)).astype(np.float32)
    _, found = _read(replace(strip, alpha=alpha, extent=inside), lower=True, upper=True)
    assert found.group == "p1"
    assert found.doubt is not None
    assert "scallops" in found.doubt


def test_her_words_name_no_group() -> None:
    told = {group: " ".join(symmetry_lines(group)) for group in FRIEZE_GROUPS}
    assert not any(group in words for group in FRIEZE_GROUPS for words in told.values())
    assert symmetry_lines(None) == []
    for one, two in pairwise(("p1", "p11g", "p1m1", "p2", "p11m", "p2mm")):
        assert told[one] != told[two]
    assert "Turn it round and it matches" in told["p2"]
    assert "other edge" in told["p11g"]
