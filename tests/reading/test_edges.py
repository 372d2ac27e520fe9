"""The edge reader on profiles drawn on paper: what is counted, what is placed, what is doubted."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from lacelay.reading.edge_profile import Profile
from lacelay.reading.edges import read_edge, read_edges

SPACING_MM = 0.2
Floats = NDArray[np.float64]


def _arches(u: Floats, valleys: Floats, depths: Floats) -> Floats:
    """Arches between valleys, as high as told, meeting in cusps."""
    index = np.clip(np.searchsorted(valleys, u, side="right") - 1, 0, len(depths) - 1)
    start, stop = valleys[index], valleys[index + 1]
    arch = np.sin(np.pi * np.clip((u - start) / (stop - start), 0, 1)) ** 0.8
    return np.asarray(depths[index] * arch)


def _profile(
    height: Floats,
    side: str = "upper",
    cut: bool = False,
    goes_on: tuple[bool, bool] = (False,) * 2,
) -> Profile:
    rng = np.random.default_rng(5)
    u = np.arange(len(height)) * SPACING_MM
    v = 60.0 + height + rng.normal(0, 0.08, len(height))
    v = v if side == "upper" else -v
    return Profile(side, u, v, v, cut, goes_on)  # type: ignore[arg-type]


def _even(first: float = -12.0, pitch: float = 30.0, length: float = 226.0) -> tuple[Floats, ...]:
    u = np.arange(0, length, SPACING_MM)
    valleys = first + pitch * np.arange(int((length - first) / pitch) + 2)
    return u, valleys, _arches(u, valleys, np.full(len(valleys) - 1, 7.0))


@pytest.mark.parametrize("side", ["lower", "upper"])
def test_whole_scallops_are_counted_exactly(side: str) -> None:
    u, valleys, height = _even()
    edge = read_edge(_profile(height, side), 0.0)
    inside = valleys[(valleys > 0) & (valleys < u[-1])]
    assert edge.count == len(inside) - 1
    assert edge.valleys_mm[:, 0] == pytest.approx(inside, abs=0.4)
    assert edge.tips_mm[:, 0] == pytest.approx((inside[1:] + inside[:-1]) / 2, abs=0.5)
    assert edge.pitch_mm is not None
    assert edge.pitch_mm.value == pytest.approx(30.0, abs=0.1)
    assert edge.doubt is None


def test_a_covered_valley_is_placed_by_the_others_and_said() -> None:
    u, valleys, height = _even()
    clean = read_edge(_profile(height), 0.0)
    bright = height.copy()
    at = np.abs(u - valleys[4]) < 6
    bright[at] = 6.0 + 0.3 * np.sin(u[at])
    edge = read_edge(_profile(bright), 0.0)
    assert edge.count == clean.count
    assert edge.valleys_mm[:, 0] == pytest.approx(clean.valleys_mm[:, 0], abs=1.0)
    assert edge.valleys_mm[:, 1] == pytest.approx(clean.valleys_mm[:, 1], abs=1.0)
    assert edge.doubt is not None
    assert "hard to see" in edge.doubt


def test_a_line_of_the_laces_colour_over_a_quarter_of_the_edge() -> None:
    u, _, height = _even()
    clean = read_edge(_profile(height), 0.0)
    hidden = height.copy()
    hidden[u > 0.75 * u[-1]] = 11.0
    v = _profile(hidden).v_mm.copy()
    v[u > 0.75 * u[-1]] = 71.0
    edge = read_edge(Profile("upper", u, v, v), 0.0)
    seen = clean.valleys_mm[clean.valleys_mm[:, 0] < 0.75 * u[-1], 0]
    assert edge.valleys_mm[: len(seen), 0] == pytest.approx(seen, abs=0.8)
    assert edge.doubt is not None
    assert "hidden" in edge.doubt


def test_scallops_of_two_widths_taking_turns() -> None:
    u = np.arange(0, 290, SPACING_MM)
    widths = np.tile([24.6, 35.4], 7)
    valleys = -14.0 + np.concatenate([[0.0], np.cumsum(widths)])
    depths = np.tile([4.9, 7.1], 7)
    edge = read_edge(_profile(_arches(u, valleys, depths)), 0.0)
    inside = valleys[(valleys > 0) & (valleys < u[-1])]
    assert edge.valleys_mm[:, 0] == pytest.approx(inside, abs=0.8)
    assert edge.pitch_mm is not None
    assert edge.pitch_mm.value == pytest.approx(30.0, abs=0.3)


def test_an_edge_lying_in_a_bow() -> None:
    u, valleys, height = _even()
    bow = 14.0 * ((u - u.mean()) / u.mean()) ** 2
    edge = read_edge(_profile(height + bow), 0.0)
    inside = valleys[(valleys > 0) & (valleys < u[-1])]
    assert edge.valleys_mm[:, 0] == pytest.approx(inside, abs=1.0)


def test_lace_stretched_more_at_one_end_keeps_every_valley() -> None:
    widths = np.linspace(32.0, 26.0, 10)
    valleys = np.concatenate([[8.0 - 33.0, 8.0], 8.0 + np.cumsum(widths)])
    u = np.arange(0, valleys[-1] - 12.0, SPACING_MM)
    edge = read_edge(_profile(_arches(u, valleys, np.full(len(valleys) - 1, 7.0))), 0.0)
    inside = valleys[(valleys > 0) & (valleys < u[-1])]
    assert edge.valleys_mm[:, 0] == pytest.approx(inside, abs=0.5)
    assert edge.pitch_mm is not None
    # Which width is the lace's own cannot be told, and the interval says so.
    low, high = edge.pitch_mm.interval95
    assert low < 28.0
    assert high > 30.0


def test_what_lies_at_an_end_is_no_scallop() -> None:
    u, valleys, height = _even(length=245.0)
    covered = height.copy()
    hand = u > valleys[7] + 9.0
    covered[hand] = 9.0 + 0.1 * (u[hand] - u[hand][0])
    edge = read_edge(_profile(covered), 0.0)
    assert edge.valleys_mm[:, 0] == pytest.approx(valleys[1:8], abs=0.6)
    assert edge.doubt is not None


def test_picots_are_no_scallops() -> None:
    u, valleys, height = _even()
    loops = 1.2 * (np.sin(2 * np.pi * u / 3.1) > 0.3)
    edge = read_edge(_profile(height + loops), 0.0)
    assert edge.count == ((valleys > 0) & (valleys < u[-1])).sum() - 1


def test_a_narrow_notch_parts_no_scallop() -> None:
    u, valleys, height = _even(length=300.0)
    for tip in (valleys[1:] + valleys[:-1]) / 2:
        height = height - 3.2 * np.exp(-0.5 * ((u - tip) / 1.1) ** 2)
    edge = read_edge(_profile(height), 0.0)
    assert edge.count == ((valleys > 0) & (valleys < u[-1])).sum() - 1


@pytest.mark.parametrize("off", [-0.8, 0.8])
def test_a_valley_at_the_cut_end_is_doubted(off: float) -> None:
    _, _, height = _even(first=-12.0, length=198.0 + off)
    edge = read_edge(_profile(height), 0.0)
    assert edge.doubt is not None
    assert "cut end" in edge.doubt


def test_lace_that_goes_on_past_the_mat_is_said() -> None:
    _, _, height = _even()
    edge = read_edge(_profile(height, goes_on=(False, True)), 0.0)
    assert edge.doubt is not None
    assert "right end" in edge.doubt


@pytest.mark.parametrize("seed", range(6))
def test_a_straight_edge_has_no_scallops(seed: int) -> None:
    rng = np.random.default_rng(seed)
    u = np.arange(0, 240, SPACING_MM)
    wander = np.convolve(rng.normal(0, 1, len(u) + 200), np.ones(201) / 201, "valid")[: len(u)]
    teeth = 0.5 * (np.sin(2 * np.pi * u / 3.0) > 0)
    pin = 5.0 * (np.abs(u - rng.uniform(30, 200)) < 1.0)
    edge = read_edge(_profile(2.0 * wander + teeth + pin), 0.0)
    assert not edge.scalloped


@pytest.mark.parametrize("seed", range(6))
def test_a_torn_edge_is_uneven(seed: int) -> None:
    rng = np.random.default_rng(seed)
    u = np.arange(0, 240, SPACING_MM)
    places = np.sort(rng.uniform(0, 240, 14))
    torn = np.interp(u, places, rng.uniform(0, 12, 14))
    edge = read_edge(_profile(torn), 0.0)
    assert edge.doubt is not None
    assert "uneven" in edge.doubt or "hard to see" in edge.doubt


def test_an_edge_cut_by_the_photo_is_not_read() -> None:
    _, _, height = _even()
    edge = read_edge(_profile(height, cut=True), 0.0)
    assert not edge.scalloped
    assert edge.doubt is not None


def test_a_bow_within_the_plane_leaves_the_upper_pitch_in_doubt() -> None:
    _, _, height = _even()
    _, _, longer = _even(pitch=30.6)
    lower, upper = read_edges(_profile(height, "lower"), _profile(longer), 0.001)
    assert lower.pitch_mm is not None
    assert upper.pitch_mm is not None
    assert lower.pitch_mm.interval95[0] < 30.0 < lower.pitch_mm.interval95[1]
    assert upper.pitch_mm.interval95[0] < 30.0 < upper.pitch_mm.interval95[1]
    assert upper.pitch_mm.sigma > 4 * lower.pitch_mm.sigma


def test_a_scallop_cut_in_its_very_valley_is_whole() -> None:
    # Lace is often cut in the valley; past it by more than that is known, it is not whole.
    for first, count in ((-1.5, 6), (0.0, 7), (1.2, 7)):
        _, _, height = _even(first=first, length=226.0)
        assert read_edge(_profile(height), 0.0).count == count
