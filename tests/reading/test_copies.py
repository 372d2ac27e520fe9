"""Copies of a repeat brought upon each other: what appears once drops out."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from lacelay.geometry.photo_map import PhotoMap
from lacelay.model.lace import Bead
from lacelay.reading.copies import register_copies
from lacelay.reading.ground import read_ground
from lacelay.reading.medians import median_of, median_of_bytes
from lacelay.reading.mesh import NetWindows, mesh_size
from lacelay.reading.motifs import read_motifs
from lacelay.reading.strip import Strip

PX_PER_MM, REPEAT_MM, WIDTH_MM = 5.0, 40.0, 36.0
#: Middles (u, v) and radii of the motifs of one repeat, mm.
FLOWERS = ((10.0, 12.0, 6.0), (28.0, 24.0, 4.0))


def _net(shape: tuple[int, int], mesh_mm: float, hexagonal: bool, seed: int) -> np.ndarray:
    """Threads of a net whose holes lie `mesh_mm` apart, each knot a little aside."""
    net = np.zeros(shape, np.uint8)
    step = mesh_mm * PX_PER_MM
    rng = np.random.default_rng(seed)
    rows, columns = int(shape[0] / step * 1.3) + 3, int(shape[1] / step) + 3
    if not hexagonal:
        i, j = np.meshgrid(np.arange(columns), np.arange(rows))
        knots = np.stack([i * step, j * step], -1) + rng.normal(0, 0.03 * step, (rows, columns, 2))
        sides = [(knots[:, :-1], knots[:, 1:]), (knots[:-1], knots[1:])]
    else:
        radius = step / np.sqrt(3)
        i, j = np.meshgrid(np.arange(-rows, columns), np.arange(rows))
        at = np.stack([i * step + j * step / 2, j * 1.5 * radius], -1)
        one = at + rng.normal(0, 0.03 * step, at.shape)
        two = at + [0, radius] + rng.normal(0, 0.03 * step, at.shape)
        sides = [(one, two), (one[1:], two[:-1]), (one[1:, :-1], two[:-1, 1:])]
    for start, stop in sides:
        for a, b in zip(start.reshape(-1, 2), stop.reshape(-1, 2), strict=True):
            ends = [tuple(round(value * 16) for value in end) for end in (a, b)]
            cv2.line(net, ends[0], ends[1], 255, 1, cv2.LINE_AA, 4)
    return net


def _strip(copies: float, *, wave_mm: float = 0.0, once: bool = False) -> Strip:
    """Net with flowers; `wave_mm` moves the flowers, `once` draws a line over one copy."""
    shape = (round(WIDTH_MM * PX_PER_MM), round(copies * REPEAT_MM * PX_PER_MM))
    picture = _net(shape, 2.2, True, 5)
    for k in range(-1, int(np.ceil(copies)) + 1):
        for u, v, r in FLOWERS:
            x = u + k * REPEAT_MM + wave_mm * np.sin(1.7 * k + v)
            y = WIDTH_MM - v + wave_mm * np.cos(2.3 * k + u)
            at = (round(x * PX_PER_MM * 16), round(y * PX_PER_MM * 16))
            cv2.circle(picture, at, round(r * PX_PER_MM * 16), 255, cv2.FILLED, cv2.LINE_AA, 4)
    if once:
        x = round(1.45 * REPEAT_MM * PX_PER_MM)
        cv2.line(picture, (x, 0), (x, shape[0]), 255, 10)
    flat = np.zeros((*shape, 3))
    inside = np.ones(shape, bool)
    return Strip(
        PhotoMap((shape[1], shape[0]), np.eye(3), np.array([[0.0, 0.0], [1.0, 0.0]])),
        flat.astype(np.uint8), (picture / 255).astype(np.float32), flat.astype(np.float32),
        inside, PX_PER_MM, 0.0, WIDTH_MM,
    )  # fmt: skip


@pytest.mark.parametrize(("hexagonal", "mesh"), [(True, 2.4), (True, 1.6), (False, 2.0)])
def test_the_mesh_is_the_distance_of_holes(hexagonal: bool, mesh: float) -> None:
    # A hexagonal net's rows lie 0.87 of it apart: arithmetic of the lattice.
    shape = (300, 500)
    net = _net(shape, mesh, hexagonal, 3).astype(np.float32) / 255
    windows = NetWindows(net, np.ones(shape, np.uint8), PX_PER_MM)
    assert mesh_size(windows) == pytest.approx(mesh, rel=0.02)


def test_cloth_without_holes_has_no_mesh() -> None:
    noise = np.random.default_rng(2).uniform(0.8, 1, (300, 500)).astype(np.float32)
    assert mesh_size(NetWindows(noise, np.ones(noise.shape, np.uint8), PX_PER_MM)) is None


def test_a_line_over_one_copy_drops_out() -> None:
    plain, struck = _strip(4.3), _strip(4.3, once=True)
    copies = register_copies(struck, REPEAT_MM)
    healed = copies.combine(struck.alpha)
    there = round(0.45 * healed.shape[1])
    line = slice(there - 3, there + 4)
    lain = register_copies(plain, REPEAT_MM).fold(plain.alpha)[:, :, line].mean()
    assert copies.fold(struck.alpha)[1][:, line].mean() > 0.9
    assert float(healed[:, line].mean()) < float(lain) + 0.05


def test_copies_that_lie_a_little_aside_are_brought_together() -> None:
    strip = _strip(4.3, wave_mm=0.4)
    copies = register_copies(strip, REPEAT_MM)
    assert copies.wraps
    assert copies.likeness > 0.9
    for u, v, _ in FLOWERS:
        column = np.array([(u - copies.start_mm) * copies.columns_per_mm])
        row = np.array([(copies.v0_mm - v) * copies.px_per_mm])
        there = np.array(
            [copies.to_lace(k, column, row)[0] - [k * REPEAT_MM, 0.0] for k in range(4)]
        )
        moved = 0.4 * np.array([[np.sin(1.7 * k + v), -np.cos(2.3 * k + u)] for k in range(4)])
        # Where the common picture itself lies is nobody's business: copy against copy.
        miss = (there - there.mean(axis=0)) - (moved - moved.mean(axis=0))
        assert np.hypot(*miss.T).max() < 0.2


def test_less_than_two_copies_stand_for_themselves() -> None:
    copies = register_copies(_strip(1.6), REPEAT_MM)
    assert not copies.wraps
    assert "less than two" in copies.reason
    assert "not known" in register_copies(_strip(3.0), None).reason


def test_a_wrong_repeat_is_not_believed() -> None:
    copies = register_copies(_strip(5.0), 0.63 * REPEAT_MM)
    assert "do not agree" in copies.reason


def test_median_leaves_out_what_is_not_seen() -> None:
    values = np.array([1.0, 9.0, 2.0, 4.0], np.float32).reshape(4, 1, 1)
    seen = np.array([True, False, True, True]).reshape(4, 1, 1)
    assert float(median_of(values, seen)[0, 0]) == 2.0
    assert float(median_of(values, np.ones_like(seen))[0, 0]) == 3.0
    nothing = median_of(values, np.zeros_like(seen))
    assert float(nothing[0, 0]) == 4.0


@pytest.mark.parametrize("copies", [1, 2, 3, 4, 5])
def test_median_in_bytes_is_the_median(copies: int) -> None:
    rng = np.random.default_rng(copies)
    values = rng.integers(0, 256, (copies, 30, 40), dtype=np.uint8)
    seen = rng.random(values.shape) > 0.3
    exact = median_of(values.astype(np.float32), seen)
    assert np.abs(median_of_bytes(values, seen) - exact).max() <= 0.5


def test_motifs_are_outlined_in_every_copy() -> None:
    strip = _strip(4.0, wave_mm=0.3, once=True)
    found = read_motifs(read_ground(strip, REPEAT_MM))
    middles = np.array([motif.outline_mm.mean(axis=0) for motif in found.motifs])
    assert len(middles) == 8
    for k in range(4):
        for u, v, r in FLOWERS:
            at = np.array([u + k * REPEAT_MM, v]) + 0.3 * np.array(
                [np.sin(1.7 * k + v), -np.cos(2.3 * k + u)]
            )
            near = int(np.argmin(np.hypot(*(middles - at).T)))
            away = np.hypot(*(found.motifs[near].outline_mm - at).T)
            assert np.abs(away - r).mean() < 0.3  # a stub of thread here and there
            assert np.abs(away - r).max() < 1.2
    kinds = {motif.kind for motif in found.motifs}
    assert len(kinds) == 2


def test_a_motif_at_a_cut_end_is_kept_when_most_is_seen() -> None:
    # The fourth copy ends inside its first flower: at u = 8 a third is seen, at 12 two thirds.
    for end, count in ((3 + 8 / REPEAT_MM, 6), (3 + 12 / REPEAT_MM, 7)):
        found = read_motifs(read_ground(_strip(end), REPEAT_MM))
        assert len(found.motifs) == count
        assert sum(motif.kind == -1 for motif in found.motifs) == count - 6


def test_beads_on_net_are_no_motifs() -> None:
    strip = _strip(4.0)
    bead = (strip.alpha * 255).astype(np.uint8)
    beads = []
    for k in range(4):
        u, v = 20.0 + k * REPEAT_MM, 8.0
        at = (round(u * PX_PER_MM), round((WIDTH_MM - v) * PX_PER_MM))
        cv2.circle(bead, at, round(1.1 * PX_PER_MM), 255, cv2.FILLED)
        beads.append(Bead(u, v, 2.2))
    beaded = Strip(
        strip.photo_map, strip.rgb, (bead / 255).astype(np.float32), strip.mat_rgb, strip.extent,
        PX_PER_MM, 0.0, WIDTH_MM,
    )  # fmt: skip
    ground = read_ground(beaded, REPEAT_MM)
    assert len(read_motifs(ground).motifs) == 12
    assert len(read_motifs(ground, beads).motifs) == 8
