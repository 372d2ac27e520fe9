"""A lace written by hand, so that planning can be tested without any photo."""

from __future__ import annotations

from dataclasses import replace

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


def flounce(*, pitch: float = 36.0, width: float = 95.0, repeats: int = 4) -> Lace:
    """A flounce: scallops on the lower edge only, the upper one straight; two a repeat."""
    lace = galloon(pitch=pitch, depth=7.0, per_repeat=2, width=width, repeats=repeats)
    low = lace.outline_mm[: len(lace.outline_mm) // 2]
    straight = np.array([[lace.length_mm, width], [0.0, width]])
    return replace(
        lace,
        name="handmade flounce",
        outline_mm=np.vstack([low, straight]),
        upper=LaceEdge("upper", False, np.empty((0, 2)), np.empty((0, 2))),
        motifs=[m for m in lace.motifs if m.outline_mm[:, 1].mean() < width / 2],
    )


def corded() -> Lace:
    """A galloon with an edge cord inside its scallops and a cord round each root of leaves."""
    lace = galloon(pitch=44.0, depth=9.0, per_repeat=2, width=150.0, repeats=3)
    half = len(lace.outline_mm) // 2
    low = lace.outline_mm[:half]
    t = np.linspace(-0.25 * np.pi, 1.25 * np.pi, 40)
    rings = [
        np.stack([tip + 11 * np.cos(t), at + 10 * np.sin(t) * way], axis=1)
        for tip in lace.lower.tips_mm[:, 0]
        for at, way in ((32.0, 1.0), (118.0, -1.0))
    ]
    edges = [low + [0.0, 2.0], np.stack([low[:, 0], 150.0 - (low[:, 1] + 2.0)], axis=1)]
    return replace(lace, name="handmade corded galloon", cords_mm=[*edges, *rings])


def compound(
    *,
    widths: tuple[float, ...] = (48.0, 30.0, 36.0),
    depths: tuple[float, ...] = (11.0, 5.0, 7.0),
    width: float = 150.0,
    repeats: int = 3,
) -> Lace:
    """A galloon whose scallops differ within a repeat, an odd number of them by default."""
    period = float(sum(widths))
    starts = np.concatenate([[0.0], np.cumsum(widths)[:-1]])
    length = period * repeats
    u = np.linspace(0.0, length, int(length / 0.5) + 1)
    place = np.mod(u, period)
    which = np.clip(np.searchsorted(starts, place, side="right") - 1, 0, len(widths) - 1)
    share = (place - starts[which]) / np.array(widths)[which]
    lobe = np.array(depths)[which] * np.abs(np.sin(np.pi * share)) ** 0.8
    shifts = np.arange(repeats) * period
    valleys = np.concatenate([(shifts[:, None] + starts).ravel(), [length]])
    tips = (shifts[:, None] + starts + np.array(widths) / 2).ravel()
    deep = np.tile(depths, repeats)
    t = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    motifs = [
        Motif(np.stack([tip + 0.27 * wide * np.cos(t), at + way * (10 + 8 * np.sin(t))], axis=1), k)
        for n, tip in enumerate(tips)
        for k, wide in [(n % len(widths), widths[n % len(widths)])]
        for at, way in ((0.0, 1.0), (width, -1.0))
    ]
    edge = {
        side: LaceEdge(
            side,
            True,
            np.stack([valleys, np.full(len(valleys), level)], axis=1),
            np.stack([tips, level + way * deep], axis=1),
            pitch_mm=Measured(period / len(widths), 0.05),
            depth_mm=Measured(float(np.mean(depths)), 0.1),
            per_repeat=len(widths),
        )
        for side, level, way in (("lower", 0.0, -1.0), ("upper", width, 1.0))
    }
    return Lace(
        name="handmade compound galloon",
        length_mm=length,
        width_mm=Measured(width, 0.2),
        outline_mm=np.vstack(
            [np.stack([u, -lobe], axis=1), np.stack([u, width + lobe], axis=1)[::-1]]
        ),
        lower=edge["lower"],
        upper=edge["upper"],
        repeat=Repeat(Measured(period, 0.1), float(repeats), 0.99),
        motifs=motifs,
        beads=(),
        shares=Shares(0.3, 0.7, 0.0),
        scale=Scale(10.0, 0.001, "written by hand"),
    )


def mirrored_pair() -> Lace:
    """A galloon that a flip along its length brings onto itself: one round motif a scallop."""
    lace = galloon(per_repeat=1, repeats=6)
    t = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    motifs = [
        Motif(np.stack([tip + 9 * np.cos(t), at + 10 * np.sin(t)], axis=1), 0)
        for tip in lace.lower.tips_mm[:, 0]
        for at in (10.0, 130.0)
    ]
    return replace(lace, name="handmade symmetric galloon", motifs=motifs, symmetry="p2mm")


def with_blobs(*blobs: tuple[float, float, float, float]) -> Lace:
    """A galloon of one scallop of 40 mm a repeat whose only motifs are ellipses.

    Each (along, across, half length, half height) in one scallop, and copied to all.
    """
    lace = galloon(per_repeat=1, repeats=4)
    t = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    motifs = [
        Motif(np.stack([a + 40 * k + ra * np.cos(t), b + rb * np.sin(t)], axis=1))
        for a, b, ra, rb in blobs
        for k in range(-1, 5)
    ]
    return replace(lace, motifs=motifs)
