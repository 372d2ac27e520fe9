"""The peak finder, against SciPy's `signal.find_peaks`."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from lacelay.reading.peaks import find_peaks


@pytest.mark.parametrize("seed", range(12))
def test_peaks_are_those_of_a_reference_library(seed: int) -> None:
    rng = np.random.default_rng(seed)
    row = np.convolve(rng.normal(0, 1, 500), np.ones(1 + seed) / (1 + seed), "same")
    if seed % 3 == 0:
        row = np.round(row, 1)  # flat tops
    for prominence, height, apart in ((0.2, -np.inf, 1), (0.5, 0.1, 1), (0.1, -1.0, 9)):
        expected, _ = signal.find_peaks(
            row, prominence=prominence, height=height, distance=max(apart, 1)
        )
        found = find_peaks(row, prominence=prominence, height=height, apart=apart)
        if apart == 1 or seed % 3:  # of two near peaks of one height either may stay
            assert found.tolist() == expected.tolist()


def test_a_flat_row_has_no_peak() -> None:
    assert len(find_peaks(np.zeros(20), prominence=0.0)) == 0
