"""A lace drawn in a few lines and laid round an arc by hand, every motion known on paper."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from lacelay.geometry.photo_map import PhotoMap
from lacelay.geometry.plane_curve import PlaneCurve
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
from lacelay.model.target import Landmark, TargetEdge
from lacelay.model.wishes import Limits, Weights, Wishes

Points = NDArray[np.float64]

PITCH_MM, DEPTH_MM, REPEAT_MM, WIDTH_MM, SEEN_MM, BORDER_MM = 30.0, 8.0, 60.0, 110.0, 200.0, 50.0
STAND_MM, UNCUT_MM = 2.0, 6.0


def scallop_v(u_mm: Points) -> Points:
    """Height of the lower edge: valleys at whole pitches from 10 mm on."""
    t = np.mod(np.asarray(u_mm) - 10.0, PITCH_MM) / PITCH_MM
    return -DEPTH_MM * np.sin(np.pi * t)


def flower(u_mm: float, v_mm: float, radius_mm: float) -> Points:
    turn = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    r = radius_mm * (0.75 + 0.25 * np.cos(5 * turn))
    return np.stack([u_mm + r * np.cos(turn), v_mm + r * np.sin(turn)], axis=1)


def make_lace(photo: PhotoMap | None = None) -> Lace:
    u = np.linspace(0, SEEN_MM, 401)
    low = np.stack([u, scallop_v(u)], axis=1)
    outline = np.concatenate([low, np.stack([u, WIDTH_MM - scallop_v(u)], axis=1)[::-1]])
    valleys_u = np.arange(10.0, SEEN_MM, PITCH_MM)
    tips_u = valleys_u[:-1] + PITCH_MM / 2
    edges = []
    for side, v, out in (("lower", 0.0, -1.0), ("upper", WIDTH_MM, 1.0)):
        edges.append(
            LaceEdge(
                side,
                True,
                np.stack([valleys_u, np.full(len(valleys_u), v)], axis=1),
                np.stack([tips_u, np.full(len(tips_u), v + out * DEPTH_MM)], axis=1),
                Measured(PITCH_MM, 0.05),
                Measured(DEPTH_MM, 0.1),
                2,
            )
        )
    motifs, beads = [], []
    for k, tip in enumerate(np.arange(25.0, SEEN_MM - 8, PITCH_MM)):
        motifs.append(Motif(flower(tip, 12.0, 9.0), k % 2))
        motifs.append(Motif(flower(tip, 34.0 + 4 * (k % 2), 7.0), 2 + k % 2))
        motifs.append(Motif(flower(tip, WIDTH_MM - 12.0, 9.0), k % 2))
        beads.append(Bead(tip, 12.0, 2.0))
        beads.append(Bead(tip + 12.0, 26.0, 2.0))
    return Lace(
        name="Invented sprays on net",
        length_mm=SEEN_MM,
        width_mm=Measured(WIDTH_MM, 0.3),
        outline_mm=outline,
        lower=edges[0],
        upper=edges[1],
        repeat=Repeat(Measured(REPEAT_MM, 0.1), SEEN_MM / REPEAT_MM, 0.95),
        motifs=motifs,
        beads=beads,
        shares=Shares(0.35, 0.6, 0.05),
        scale=Scale(8.0, 0.002, "mat grid of 1 cm"),
        photo=photo,
        doubts=("The last scallop on the right is cut through.",),
    )


def make_picture(
    px_per_mm: float = 6.0, *, rgb: tuple[int, int, int] = (243, 239, 230)
) -> LacePicture:
    lace = make_lace()
    u0, v0 = -4.0, WIDTH_MM + 12.0
    h, w = int((WIDTH_MM + 24) * px_per_mm), int((SEEN_MM + 8) * px_per_mm)
    columns, rows = np.meshgrid(np.arange(w), np.arange(h))
    u, v = u0 + columns / px_per_mm, v0 - rows / px_per_mm
    on = (v > scallop_v(u)) & (v < WIDTH_MM - scallop_v(u)) & (u > 0) & (u < SEEN_MM)
    mesh = (np.mod(u + v, 2.0) < 0.4) | (np.mod(u - v, 2.0) < 0.4)
    alpha = np.where(on, np.where(mesh, 170, 25), 0).astype(np.uint8)
    cord = on & ((v - scallop_v(u) < 1.6) | (WIDTH_MM - scallop_v(u) - v < 1.6))
    alpha[cord] = 255
    colour = np.empty((h, w, 3), np.float32)
    colour[:] = rgb
    for motif in lace.motifs:
        px = np.stack([(motif.outline_mm[:, 0] - u0), (v0 - motif.outline_mm[:, 1])], axis=1)
        outline = [np.round(px * px_per_mm).astype(np.int32)]
        cv2.fillPoly(alpha, outline, 250)
        shade = np.zeros((h, w), np.uint8)
        cv2.polylines(shade, outline, True, 255, 3)
        colour[shade > 0] *= 0.86
    return LacePicture(np.dstack([colour.astype(np.uint8), alpha]), px_per_mm, u0_mm=u0, v0_mm=v0)


def make_plan(
    *,
    arcs: tuple[tuple[float, float], ...] = ((314.159265, 1 / 200),),
    runs: int = 6,
    top: str = "left",
    start_mm: float = 10.0,
    heading_rad: float = 0.0,
    bend_per_mm: float = 0.0,
    lace: Lace | None = None,
    through: int | None = None,
) -> Plan:
    """Equal rigid runs, each touching the edge in its middle; cuts jagged but fixed."""
    curve = PlaneCurve.from_arcs(arcs, heading_rad=heading_rad)
    length = curve.length_mm
    each = length / runs
    bounds = start_mm + np.arange(runs + 1) * each
    zigzag = np.array([[0, 0], [2.0, -9], [-1.5, -20], [1.0, -32], [0, -(BORDER_MM - UNCUT_MM)]])
    paths = [np.array([u, BORDER_MM]) + zigzag for u in bounds]
    laid, cuts = [], []
    for k in range(runs):
        s0, s1 = k * each, (k + 1) * each
        middle = (s0 + s1) / 2
        left, right = paths[k], paths[k + 1]
        u = np.linspace(left[-1, 0], right[-1, 0], 80)
        bottom = np.stack([u, scallop_v(u)], axis=1)
        outline = np.concatenate([bottom, right[::-1], left])
        heading = float(curve.heading(middle))
        c, s = np.cos(heading), np.sin(heading)
        matrix = np.array([[c, -s], [s, c]])
        pivot = np.array([start_mm + middle, STAND_MM])
        shift = curve.at(middle) - matrix @ pivot
        laying = Laying(matrix, shift, bend_per_mm, pivot, np.array([0.0, 1.0]))
        laid.append(
            Run(
                (float(bounds[k]), float(bounds[k + 1])),
                (s0, s1),
                middle,
                outline,
                laying,
                0.5,
                0.0,
                (0.0, 0.0),
            )
        )
    gaps = []
    for k in range(runs - 1):
        angle = float(curve.turning(laid[k].touch_s_mm, laid[k + 1].touch_s_mm))
        depths = (10.0, 25.0, BORDER_MM - STAND_MM)
        widths = tuple((d, d * angle) for d in depths)
        path = paths[k + 1]
        s = (k + 1) * each
        cuts.append(
            Cut(
                kind="through" if k == through else "inner",
                path_mm=np.concatenate([path, [[path[-1, 0], 0.0]]]) if k == through else path,
                turn_mm=path[-1],
                at_valley=False,
                s_mm=s,
                angle_rad=angle,
                widths_mm=widths,
                lap_mm2=max(0.0, angle) * 44**2 / 2,
                opening_mm2=max(0.0, -angle) * 44**2 / 2,
                slip_mm=0.2,
                top=top if angle > 0 else None,  # type: ignore[arg-type]
                net_mm=40.0,
                motif_mm=0.0,
                cord_mm=0.0,
                beads_in_way=k % 3,
                beads_under_lap=0,
                terms={"cut": 8.0},
            )
        )
        if angle < 0:
            a, b = laid[k].laying.place(path), laid[k + 1].laying.place(path)
            outline = np.concatenate([a, b[::-1]])
            gaps.append(Gap(outline, -angle * 44**2 / 2, -angle * 44, k))
    cloth = np.concatenate(
        [
            curve.at(np.linspace(0, length, 200)),
            curve.place(np.linspace(0, length, 200), np.full(200, 90.0))[::-1],
        ]
    )
    return Plan(
        lace=lace or make_lace(),
        target=TargetEdge(
            "Invented neckline",
            curve,
            landmarks=(
                Landmark("side seam", 0.0, "end"),
                Landmark("centre front", length / 2, "centre"),
                Landmark("side seam", length, "end"),
            ),
            cloth_mm=cloth,
            source="arc, made up",
        ),
        wishes=Wishes(stand_mm=STAND_MM),
        weights=Weights(),
        limits=Limits(turn_in_mm=0.0),
        side="lower",
        start_mm=start_mm,
        laying_depth_mm=0.0,
        border_depth_mm=BORDER_MM,
        border_line_mm=np.array([[bounds[0], BORDER_MM], [bounds[-1], BORDER_MM]]),
        runs=laid,
        cuts=cuts,
        gaps=gaps,
        eat_up=1.0,
        cost_min=60.0,
        bound_min=60.0,
        certificate="made by hand",
        layers=2,
        template_mm=(70.0, 130.0),
        purchase=Purchase(
            length,
            REPEAT_MM,
            2 * PITCH_MM,
            REPEAT_MM,
            100.0,
            100.0 * np.ceil((length + 240) / 100),
            ("border laid", "to start anywhere", "ragged ends", "spare"),
        ),
    )


@pytest.fixture(scope="session")
def lapping() -> Plan:
    return make_plan()


@pytest.fixture(scope="session")
def opening() -> Plan:
    return make_plan(arcs=((300.0, -1 / 220),))


@pytest.fixture(scope="session")
def picture() -> LacePicture:
    return make_picture()


@pytest.fixture(scope="session")
def plan_maker() -> Callable[..., Plan]:
    return make_plan


@pytest.fixture(scope="session")
def lace_maker() -> Callable[..., Lace]:
    return make_lace
