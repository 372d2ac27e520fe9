"""A hand-made lace as if read from a photo."""

from __future__ import annotations

import pytest
from handmade_readings import PRINT, read_lace_by_hand

from lacelay.model.corrections import Corrections
from lacelay.model.lace import Lace


@pytest.fixture(scope="module")
def lace() -> Lace:
    return read_lace_by_hand()


@pytest.fixture(scope="module")
def none_yet() -> Corrections:
    return Corrections(PRINT)
