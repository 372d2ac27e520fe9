"""The threads of the ground: hexagonal and diamond net, and bars with picots.

Every side of a mesh is drawn as two strands twisted about each other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lacelay.rendering.pattern import Ground, Points


@dataclass(frozen=True, eq=False)
class Strands:
    """Strands as polylines, shape (n, k, 2) in mm, all `width_mm` thick."""

    lines_mm: NDArray[np.float64]
    width_mm: float


def net_sides(
    ground: Ground,
    box_mm: tuple[float, float, float, float],
    jitter: float,
    rng: np.random.Generator,
) -> NDArray[np.float64]:
    """Sides of the meshes that cover a box.

    Parameters
    ----------
    ground : Ground
    box_mm : tuple of float
        Least u, least v, largest u, largest v.
    jitter : float
        Spread of the knots, as a share of the mesh.
    rng : numpy.random.Generator

    Returns
    -------
    ndarray, shape (n, 2, 2)
        Start and end of each side.
    """  # fmt: skip
    size = ground.size_mm
    centre = np.array([(box_mm[0] + box_mm[2]) / 2, (box_mm[1] + box_mm[3]) / 2])
    reach = 0.5 * np.hypot(box_mm[2] - box_mm[0], box_mm[3] - box_mm[1]) + 2 * size
    c, s = np.cos(ground.turn_rad), np.sin(ground.turn_rad)
    turn = np.array([[c, -s], [s, c]])
    hexagonal = ground.net != "diamond"
    radius = size / np.sqrt(3)
    first = np.array([size, 0.0]) if hexagonal else np.array([size, size]) / np.sqrt(2)
    second = (
        np.array([size / 2, 1.5 * radius]) if hexagonal else np.array([-size, size]) / np.sqrt(2)
    )
    if hexagonal:  # rows of the lattice run along the turned u axis: only those that meet the box
        extent = np.abs(turn.T) @ np.array([box_mm[2] - box_mm[0], box_mm[3] - box_mm[1]])
        down = int(extent[1] / (3 * radius)) + 4
        along = int(extent[0] / (2 * size)) + down // 2 + 4
    else:
        down = along = int(reach / size) + 4
    i, j = np.meshgrid(np.arange(-along, along + 1), np.arange(-down, down + 1), indexing="ij")
    knots = i[..., None] * first + j[..., None] * second
    knots = knots + rng.normal(0, jitter * size, knots.shape)
    if hexagonal:
        others = i[..., None] * first + j[..., None] * second + np.array([0.0, radius])
        others = others + rng.normal(0, jitter * size, others.shape)
        sides = [
            np.stack([knots, others], axis=-2),
            np.stack([knots[:, 1:], others[:, :-1]], axis=-2),
            np.stack([knots[:-1, 1:], others[1:, :-1]], axis=-2),
        ]
    else:
        sides = [
            np.stack([knots[:-1], knots[1:]], axis=-2),
            np.stack([knots[:, :-1], knots[:, 1:]], axis=-2),
        ]
    flat = np.concatenate([side.reshape(-1, 2, 2) for side in sides]) @ turn.T + centre
    middle = flat.mean(axis=1)
    inside = (
        (middle[:, 0] > box_mm[0] - size) & (middle[:, 0] < box_mm[2] + size)
        & (middle[:, 1] > box_mm[1] - size) & (middle[:, 1] < box_mm[3] + size)
    )  # fmt: skip
    return np.asarray(flat[inside], dtype=np.float64)


def twisted(sides: NDArray[np.float64], ground: Ground, rng: np.random.Generator) -> Strands:
    """Turn sides into pairs of strands twisted about each other, two for every side."""
    start, stop = sides[:, :1], sides[:, 1:]
    along = stop - start
    length = np.maximum(np.hypot(along[..., 0], along[..., 1]), 1e-6)[..., None]
    across = np.concatenate([-along[..., 1:], along[..., :1]], axis=-1) / length
    # half turns between two knots; at the knots both strands meet
    turns = np.maximum(
        1, np.round(ground.twist * float(np.median(length)) / (5 * ground.thread_mm))
    )
    t = np.linspace(0, 1, int(4 * turns) + 1)[None, :, None]
    amplitude = ground.thread_mm * 0.30 * rng.uniform(0.7, 1.35, (len(sides), 1, 1))
    sag = ground.size_mm * 0.04 * rng.normal(0, 1, (len(sides), 1, 1)) * np.sin(np.pi * t)
    wave = amplitude * np.sin(np.pi * turns * t)
    path = start + along * t
    lines = np.concatenate([path + across * (sag + wave), path + across * (sag - wave)])
    return Strands(lines, 0.62 * ground.thread_mm)


def bar_picots(sides: NDArray[np.float64], ground: Ground, rng: np.random.Generator) -> Points:
    """Places of small loops on bars, shape (k, 2)."""
    chosen = sides[rng.random(len(sides)) < 0.5]
    middle = chosen.mean(axis=1)
    along = chosen[:, 1] - chosen[:, 0]
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    across /= np.maximum(np.hypot(*across.T), 1e-6)[:, None]
    sign = rng.choice([-1.0, 1.0], (len(chosen), 1))
    return np.asarray(middle + sign * across * (0.5 * ground.thread_mm + 0.35), dtype=np.float64)
