"""A lace, an edge and a plan written by hand, for the files to carry."""

import math

import numpy as np
import pytest

from lacelay.geometry.photo_map import PhotoMap
from lacelay.model.lace import (
    Bead,
    Lace,
    LaceEdge,
    Measured,
    Motif,
    Repeat,
    Scale,
    Shares,
)
from lacelay.model.picture import LacePicture
from lacelay.model.plan import Cut, Gap, Laying, Plan, Run
from lacelay.model.purchase import Purchase
from lacelay.model.shapes import scoop_neckline
from lacelay.model.wishes import Limits, Weights, Wishes


def _photo() -> PhotoMap:
    """8 px/mm, turned by 3 degrees, seen a little from one side, with some distortion."""
    turn = math.radians(3)
    plane = np.array(
        [
            [math.cos(turn) / 8, math.sin(turn) / 8, -20.0],
            [math.sin(turn) / 8, -math.cos(turn) / 8, 300.0],
            [2e-6, 1e-6, 1.0],
        ]
    )
    axis = np.array([[10.0, 100.0], [150.0, 104.0], [300.0, 106.0]])
    return PhotoMap((4000, 3000), plane, axis, (-0.03, 0.004), (1999.5, 1499.5), 3200.0)


@pytest.fixture
def lace() -> Lace:
    valleys = np.array([(40.0 * k, 0.0) for k in range(6)])
    tips = np.array([(40.0 * k + 20, -11.5) for k in range(5)])
    flower = np.array([(math.cos(a), math.sin(a)) for a in np.linspace(0, 6, 24)]) * 9
    return Lace(
        name="hand-written",
        length_mm=200.0,
        width_mm=Measured(120.0, 0.3),
        outline_mm=np.array([(0, 0), (20, -11.5), (200, 0), (200, 120), (0, 120)]),
        lower=LaceEdge("lower", True, valleys, tips, Measured(40, 0.1), Measured(11.5, 0.2), 2),
        upper=LaceEdge("upper", False, np.zeros((0, 2)), np.zeros((0, 2)), doubt="out of focus"),
        repeat=Repeat(Measured(80.0, 0.2), 2.5, 0.9, "two copies seen"),
        motifs=[Motif(flower + [30 + 40 * k, 30], kind=0) for k in range(4)],
        beads=[Bead(30.0 + 40 * k, 31.0, 2.5) for k in range(4)],
        shares=Shares(0.4, 0.35, 0.25),
        scale=Scale(8.0, 0.002, "mat grid of 1 cm"),
        photo=_photo(),
        cords_mm=[np.array([(10.0, 20.0), (50.0, 22.0), (90.0, 20.0)])],
        mesh_mm=1.8,
        symmetry="p1m1",
        doubts=["The upper edge is out of focus."],
    )


@pytest.fixture
def picture() -> LacePicture:
    rgba = np.random.default_rng(1).integers(0, 256, (60, 100, 4), dtype=np.uint8)
    return LacePicture(rgba, 0.5, -1.25, 121.0)


def _run(start: float, end: float, angle: float) -> Run:
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    outline = np.array([(start, 0.0), (end, 0.0), (end, 50.0), (start, 50.0)])
    pivot = np.array([(start + end) / 2, 0.0])
    return Run(
        lace_interval_mm=(start, end),
        edge_interval_mm=(start + 3, end + 3),
        touch_s_mm=(start + end) / 2,
        outline_mm=outline,
        laying=Laying(turn, np.array([1.0 / 3, -2.5]), 1 / 3000, pivot, np.array([0.0, 1.0])),
        edge_error_mm=0.7312345678,
        edge_excess_mm2=0.0,
        strain=(0.004, 0.0),
    )


@pytest.fixture
def plan(lace) -> Plan:
    cut = Cut(
        kind="inner",
        path_mm=np.array([(80.0, 50.0), (81.0, 25.0), (80.0, 4.0)]),
        turn_mm=np.array([80.0, 4.0]),
        at_valley=True,
        s_mm=83.0,
        angle_rad=-0.2,
        widths_mm=((20.0, -3.2), (50.0, -9.2)),
        lap_mm2=0.0,
        opening_mm2=230.0,
        slip_mm=0.2,
        top=None,
        net_mm=44.0,
        motif_mm=2.0,
        cord_mm=0.0,
        beads_in_way=1,
        beads_under_lap=0,
        terms={"net_mm": 0.88, "cut": 8.0},
    )
    gap = Gap(np.array([(0.0, 0.0), (9.0, 30.0), (-1.0, 30.0)]), 150.0, 9.2, 0)
    return Plan(
        lace=lace,
        target=scoop_neckline(),
        wishes=Wishes(border_depth_mm=50.0),
        weights=Weights(),
        limits=Limits(),
        side="lower",
        start_mm=-12.5,
        laying_depth_mm=0.0,
        border_depth_mm=50.0,
        border_line_mm=np.array([(-15.0, 50.0), (180.0, 50.0)]),
        runs=[_run(0, 80, 0.3), _run(80, 160, 0.1)],
        cuts=[cut],
        gaps=[gap],
        eat_up=1.1234,
        cost_min=21.5,
        bound_min=20.0,
        certificate="two runs, by hand",
        layers=2,
        template_mm=(0.0, 80.0),
        purchase=Purchase(180, 80, 80, 80, 100, 500, ("180 mm laid",)),
    )
