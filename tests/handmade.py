"""A lace written by hand, so that planning can be tested without any photo."""

from __future__ import annotations

import numpy as np

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


def galloon(
    *,
    pitch: float = 40.0,
    depth: float = 8.0,
    per_repeat: int = 3,
    width: float = 140.0,
    repeats: int = 3,
    beads: bool = False,
) -> Lace:
    """A galloon of round scallops with a flower in each, a leaf pair at its root, buds inside."""
    period = pitch * per_repeat
    n = per_repeat * repeats
    length = n * pitch

    def lobe(u: np.ndarray) -> np.ndarray:
        return depth * np.abs(np.sin(np.pi * u / pitch)) ** 0.8

    u = np.linspace(0, length, int(length / 0.5) + 1)
    low = np.stack([u, -lobe(u)], axis=1)
    high = np.stack([u, width + lobe(u)], axis=1)[::-1]
    valleys = np.arange(n + 1) * pitch
    tips = (np.arange(n) + 0.5) * pitch
    motifs: list[Motif] = []
    t = np.linspace(0, 2 * np.pi, 48, endpoint=False)

    def blob(u0: float, v0: float, ru: float, rv: float, kind: int) -> None:
        wave = 1 + 0.18 * np.cos(5 * t)
        motifs.append(
            Motif(np.stack([u0 + ru * wave * np.cos(t), v0 + rv * wave * np.sin(t)], 1), kind)
        )

    for k in range(n):
        middle = tips[k]
        for flip in (0, 1):
            at = (lambda v, flip=flip: width - v) if flip else (lambda v: v)
            big = 1.0 if k % per_repeat else 1.15
            blob(middle, at(8.0), 0.26 * pitch * big, 9.0, 0 if k % per_repeat else 1)
            blob(middle + 3, at(30.0 + 4 * (k % per_repeat)), 0.22 * pitch, 7.0, 2)
            if k % per_repeat == 0:
                blob(middle - 2, at(52.0), 0.3 * pitch, 6.0, 3)
    strung = [
        Bead(float(tips[k] + x), float(-2.0 + 0.02 * x * x), 2.0)
        for k in range(n)
        for x in np.linspace(-0.3 * pitch, 0.3 * pitch, 7)
    ]
    strung += [
        Bead(float(valleys[k] + side * (9.0 + v / 10)), float(v), 2.0)
        for k in range(n + 1)
        for side in (-1, 1)
        for v in (26.0, 34.0, 42.0)
    ]
    strung += [Bead(bead.u_mm, width - bead.v_mm, bead.diameter_mm) for bead in strung]
    edge = {
        side: LaceEdge(
            side=side,
            scalloped=True,
            valleys_mm=np.stack([valleys, np.full(n + 1, 0.0 if side == "lower" else width)], 1),
            tips_mm=np.stack(
                [tips, np.full(n, -depth if side == "lower" else width + depth)], axis=1
            ),
            pitch_mm=Measured(pitch, 0.05),
            depth_mm=Measured(depth, 0.1),
            per_repeat=per_repeat,
        )
        for side in ("lower", "upper")
    }
    return Lace(
        name="handmade galloon",
        length_mm=length,
        width_mm=Measured(width, 0.2),
        outline_mm=np.vstack([low, high]),
        lower=edge["lower"],
        upper=edge["upper"],
        repeat=Repeat(Measured(period, 0.1), float(repeats), 0.99),
        motifs=motifs,
        beads=strung if beads else (),
        shares=Shares(0.4, 0.6, 0.0),
        scale=Scale(10.0, 0.001, "written by hand"),
    )
