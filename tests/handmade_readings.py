"""Hand-made laces as if read from a photo, and other readings of the same photo."""

from __future__ import annotations

import dataclasses
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import shapely
from handmade import galloon

from lacelay.geometry.photo_map import PhotoMap
from lacelay.model.corrections import PhotoPrint
from lacelay.model.lace import Bead, Lace, LaceEdge, Motif

SIZE_PX = (4000, 2600)
PRINT = PhotoPrint("ab" * 32, SIZE_PX)


def seen(lace: Lace, *, turn_rad: float = 0.04, px_per_mm: float = 9.0) -> Lace:
    """The lace as if read from a photo taken a little askew, some mm off its corner."""
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    # x right and y down in the photo, y up on the mat: the map is a reflection.
    plane = np.array(
        [[c / px_per_mm, s / px_per_mm, -12.0], [s / px_per_mm, -c / px_per_mm, 190.0], [0, 0, 1]]
    )
    plane[2, :2] = (3e-6, 5e-6)
    start = np.array([8.0, 22.0])
    way = np.array([np.cos(0.02), np.sin(0.02)])
    axis = np.array([start, start + way * lace.length_mm])
    return replace(lace, photo=PhotoMap(SIZE_PX, plane, axis, (-0.01, 0.0), (1999.5, 1299.5), 3000))


@cache
def read_lace_by_hand() -> Lace:
    """A galloon with beads, cords and doubts, as if read from a photo."""
    made = galloon(beads=True, per_repeat=3, repeats=3)
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


def px(lace: Lace, u: float, v: float) -> tuple[float, float]:
    """Where a lace point appears in the photo."""
    assert lace.photo is not None
    x, y = lace.photo.lace_to_photo(np.array([[u, v]]))[0]
    return float(x), float(y)


def pxs(lace: Lace, points: object) -> tuple[tuple[float, float], ...]:
    assert lace.photo is not None
    seen_at = lace.photo.lace_to_photo(np.asarray(points, dtype=float))
    return tuple((float(x), float(y)) for x, y in seen_at)


def ring(u: float, v: float, ru: float, rv: float, n: int = 24) -> np.ndarray:
    t = np.linspace(0, 2 * np.pi, n, endpoint=False)
    return np.stack([u + ru * np.cos(t), v + rv * np.sin(t)], axis=1)


def read_again(lace: Lace, rng: np.random.Generator, *, factor: float = 1.0) -> Lace:
    """Another reading of the same photo: other mm, other order, everything a little elsewhere."""
    from lacelay.correcting.frame import scaled

    def shaken(points: np.ndarray, by: float) -> np.ndarray:
        return points + rng.uniform(-by, by, points.shape)

    def edge(one: LaceEdge) -> LaceEdge:
        return replace(
            one, valleys_mm=shaken(one.valleys_mm, 0.6), tips_mm=shaken(one.tips_mm, 0.6)
        )

    motifs = [Motif(m.outline_mm + rng.uniform(-0.4, 0.4, 2), m.kind) for m in lace.motifs]
    order = rng.permutation(len(motifs))
    beads = [
        Bead(b.u_mm + rng.uniform(-0.2, 0.2), b.v_mm + rng.uniform(-0.2, 0.2), b.diameter_mm)
        for b in lace.beads
    ]
    rng.shuffle(beads)
    again = replace(
        lace,
        lower=edge(lace.lower),
        upper=edge(lace.upper),
        motifs=[motifs[k] for k in order],
        beads=beads,
        outline_mm=np.roll(lace.outline_mm, int(rng.integers(len(lace.outline_mm))), axis=0),
        cords_mm=lace.cords_mm[::-1],
    )
    return scaled(again, factor, again.scale.relative_sigma, again.scale.reference)


def polygons(lace: Lace) -> list[shapely.Polygon]:
    return [shapely.Polygon(motif.outline_mm) for motif in lace.motifs]


def same(found: object, expected: object, tolerance: float = 1e-6, at: str = "") -> None:
    """Every field alike, arrays and numbers to a tolerance."""
    if dataclasses.is_dataclass(expected):
        assert type(found) is type(expected), at
        for field in dataclasses.fields(expected):
            same(
                getattr(found, field.name),
                getattr(expected, field.name),
                tolerance,
                f"{at}.{field.name}",
            )
    elif isinstance(expected, np.ndarray | float):
        assert found == pytest.approx(expected, abs=tolerance, rel=tolerance), at
    elif isinstance(expected, tuple):
        assert len(found) == len(expected), at
        for k, (a, b) in enumerate(zip(found, expected, strict=True)):
            same(a, b, tolerance, f"{at}[{k}]")
    else:
        assert found == expected, at
