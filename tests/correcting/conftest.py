"""A hand-made lace as if read from a photo."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from handmade import galloon
from handmade_readings import PRINT, seen

from lacelay.model.corrections import Corrections
from lacelay.model.lace import Lace


@pytest.fixture(scope="module")
def lace() -> Lace:
    made = galloon(beads=True)
    cords = [
        np.array([(10.0, 20.0), (60.0, 24.0), (110.0, 20.0)]),
        np.array([(200.0, 70.0), (230.0, 75.0)]),
    ]
    doubts = (
        "The scale comes from two points 50 mm apart alone: the photo is taken as seen from "
        "straight above, so lengths far from there may be a few per cent out.",
        "The lower edge: the scallops are uneven.",
        "The repeat of 120 mm is not sure (3.0 copies seen, 60% alike); measure it.",
    )
    lower = replace(made.lower, doubt="the scallops are uneven")
    return seen(replace(made, cords_mm=cords, doubts=doubts, lower=lower))


@pytest.fixture(scope="module")
def none_yet() -> Corrections:
    return Corrections(PRINT)
