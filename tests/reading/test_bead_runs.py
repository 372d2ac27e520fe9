"""Runs of beads drawn by hand: a line, two lines that cross, a ring, beads on their own."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from lacelay.model.lace import Bead, Measured, Repeat
from lacelay.reading.bead_runs import runs_of, threaded

Floats = NDArray[np.float64]


def line(start: tuple[float, float], stop: tuple[float, float], count: int) -> Floats:
    return np.linspace(start, stop, count)


def links(runs: list[list[int]]) -> set[frozenset[int]]:
    return {frozenset(pair) for run in runs for pair in pairwise(run)}


def test_a_bowed_line_is_one_run_from_its_left_end() -> None:
    u = np.arange(0, 40, 2.1)
    at = np.column_stack([u, 6 + 4 * np.sin(u / 9)])
    order = np.random.default_rng(3).permutation(len(at))
    (run,) = runs_of(at[order], np.full(len(at), 1.7))
    assert order[run].tolist() == list(range(len(at)))


def test_lines_that_cross_stay_two_runs() -> None:
    # no bead at the crossing itself: the nearest lie 1.05 mm from it
    one = line((-9.45, 0), (9.45, 0), 10)
    two = line((0, -9.45), (0, 9.45), 10)
    runs = runs_of(np.vstack([one, two]), np.full(20, 1.7))
    assert sorted(sorted(run) for run in runs) == [list(range(10)), list(range(10, 20))]


def test_a_ring_is_opened_once() -> None:
    turn = np.arange(12) * np.pi / 6
    at = np.column_stack([4 * np.cos(turn), 4 * np.sin(turn)])
    (run,) = runs_of(at, np.full(12, 1.6))
    assert sorted(run) == list(range(12))
    assert len(links([run])) == 11


def test_far_and_unlike_beads_are_on_their_own() -> None:
    at = np.array([[0.0, 0], [20, 0], [40, 0], [41.5, 0]])
    assert runs_of(at, np.array([1.7, 1.7, 1.7, 5.0])) == []
    assert runs_of(np.empty((0, 2)), np.empty(0)) == []


def test_the_bead_in_a_sequin_is_in_no_run() -> None:
    at = np.vstack([line((0, 0), (8, 0), 5), [[10.0, 0], [10.0, 0.05]]])
    beads = [Bead(u, v, 1.7) for u, v in at[:6].tolist()] + [Bead(10.0, 0.05, 4.5)]
    found = threaded(beads)
    assert [bead.run for bead in found] == [0, 0, 0, 0, 0, -1, -1]


def test_what_the_copies_do_not_link_is_not_linked() -> None:
    """A bead that only one copy has beside the end of its run would prolong it."""
    run = line((0, 0), (10, 0), 6)
    at = np.vstack([run + [k * 40, 0] for k in range(4)] + [[[52.3, 0.4]]])
    size = np.full(len(at), 1.7)
    plain = runs_of(at, size)
    assert any(24 in each for each in plain)
    repeat = Repeat(Measured(40.0, 0.1), 4.0, 0.9)
    heard = runs_of(at, size, repeat)
    assert [len(each) for each in heard if 24 not in each].count(6) >= 3
