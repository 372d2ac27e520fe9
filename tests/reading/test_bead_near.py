"""Nearest places against all distances."""

from __future__ import annotations

import numpy as np

from lacelay.reading.bead_near import BLOCK, nearest


def test_nearest_places_are_those_of_all_distances() -> None:
    random = np.random.default_rng(7)
    places, queries = random.uniform(0, 60, (500, 2)), random.uniform(-5, 65, (2 * BLOCK + 11, 2))
    away, index = nearest(places, queries, 4, 3.0)
    apart = np.hypot(*(queries[:, None] - places[None]).transpose(2, 0, 1))
    expected = np.sort(apart, axis=1)[:, :4]
    seen = expected <= 3.0
    assert 0.2 < seen.mean() < 0.95  # some queries have fewer neighbours than asked for
    np.testing.assert_allclose(away, np.where(seen, expected, np.inf))
    assert (index[~seen] == len(places)).all()
    rows = np.nonzero(seen)[0]
    np.testing.assert_allclose(apart[rows, index[seen]], expected[seen])


def test_no_places_and_no_queries() -> None:
    none = np.empty((0, 2))
    away, index = nearest(none, np.zeros((3, 2)), 2, 1.0)
    assert np.isinf(away).all()
    assert (index == 0).all()
    assert nearest(np.zeros((3, 2)), none, 2, 1.0)[0].shape == (0, 2)
