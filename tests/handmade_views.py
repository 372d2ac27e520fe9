"""One long hand-made lace, and readings of it as photos that each show a part would give."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import shapely
from handmade import galloon

from lacelay.geometry.photo_map import PhotoMap
from lacelay.model.lace import Bead, Lace, LaceEdge, Measured, Motif
from lacelay.model.picture import LacePicture
from lacelay.reading.read import Reading

PX_PER_MM = 4.0


def long_lace(seed: int = 5, *, scallops_a_repeat: int = 15, repeats: int = 2) -> Lace:
    """A galloon of 40 mm scallops whose sprays come again only after many of them."""
    lace = galloon(per_repeat=scallops_a_repeat, repeats=repeats, beads=True)
    period = 40.0 * scallops_a_repeat
    rng = np.random.default_rng(seed)
    t = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    motifs = []
    for k in range(scallops_a_repeat):
        for v0 in (14.0, 48.0, 92.0, 126.0):
            u, v = 40.0 * k + rng.uniform(14, 26), v0 + rng.uniform(-4, 4)
            ru, rv, lobes = rng.uniform(6, 12), rng.uniform(5, 10), rng.integers(3, 7)
            wave = 1 + rng.uniform(0.1, 0.3) * np.cos(lobes * t + rng.uniform(0, 6))
            blob = np.stack([u + ru * wave * np.cos(t), v + rv * wave * np.sin(t)], axis=1)
            motifs += [Motif(blob + [n * period, 0.0]) for n in range(repeats)]
    return replace(lace, name="handmade long lace", motifs=motifs)


def drawn(lace: Lace) -> LacePicture:
    """The lace as a picture: its net, its motifs, its scallops."""
    low, high = lace.outline_mm.min(axis=0) - 4, lace.outline_mm.max(axis=0) + 4
    columns, rows = ((high - low) * PX_PER_MM).astype(int) + 1
    picture = LacePicture(
        np.zeros((rows, columns, 4), np.uint8), PX_PER_MM, float(low[0]), float(high[1])
    )
    body, cloth = np.zeros((rows, columns), np.uint8), np.zeros((rows, columns), np.uint8)

    def px(points: np.ndarray) -> np.ndarray:
        return np.round(picture.lace_to_picture(points) * 16).astype(np.int32)

    cv2.fillPoly(body, [px(lace.outline_mm)], 255, shift=4)
    for motif in lace.motifs:
        cv2.fillPoly(cloth, [px(motif.outline_mm)], 235, shift=4)
    y, x = np.mgrid[0:rows, 0:columns] / PX_PER_MM
    net = 60 + 50 * (np.cos(2 * np.pi * (x + y) / 2.3) * np.cos(2 * np.pi * (x - y) / 2.3))
    alpha = np.where(cloth > 0, cloth, net) * (body > 0)
    rgba = np.full((rows, columns, 4), 230, np.uint8)
    rgba[..., 3] = alpha
    return replace(picture, rgba=rgba)


def view(
    lace: Lace,
    whole: LacePicture,
    from_mm: float,
    to_mm: float,
    *,
    turn_rad: float = 0.0,
    up_mm: float = 0.0,
    scale: float = 1.0,
    seed: int = 0,
    repeat: bool = False,
) -> Reading:
    """The reading of a photo that shows the lace from one u to another.

    Its own frame is turned and shifted against the whole's, its mm are `scale` times as long,
    its points lie 0.1 mm off here and there, and the photo is noisy and unevenly lit.
    """
    rng = np.random.default_rng(seed)
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    turn = np.array([[c, s], [-s, c]])

    def own(points: np.ndarray) -> np.ndarray:
        return scale * ((points - [from_mm, up_mm]) @ turn)

    def shaken(points: np.ndarray) -> np.ndarray:
        return own(points) + rng.normal(0, 0.1, points.shape)

    def within(points: np.ndarray, margin: float = 0.0) -> np.ndarray:
        return (points[:, 0] > from_mm + margin) & (points[:, 0] < to_mm - margin)

    frame = shapely.box(from_mm, -50, to_mm, 250)
    outline = shapely.Polygon(lace.outline_mm).buffer(0).intersection(frame)
    motifs = []
    for motif in lace.motifs:
        seen = shapely.Polygon(motif.outline_mm).intersection(frame)
        if seen.area > 10:
            motifs.append(Motif(own(np.asarray(seen.exterior.coords)[:-1]) + rng.normal(0, 0.1, 2)))
    beads = [
        Bead(*shaken(np.array([[b.u_mm, b.v_mm]]))[0].tolist(), b.diameter_mm * scale)
        for b in lace.beads
        if from_mm + 1 < b.u_mm < to_mm - 1
    ]

    def edge(one: LaceEdge) -> LaceEdge:
        valleys = one.valleys_mm[within(one.valleys_mm, 0.5)]
        tips = one.tips_mm
        tips = tips[(tips[:, 0] > valleys[0, 0]) & (tips[:, 0] < valleys[-1, 0])]
        return replace(
            one,
            valleys_mm=shaken(valleys),
            tips_mm=shaken(tips),
            per_repeat=None,
            pitch_mm=Measured(one.pitch_mm.value * scale, 0.05),
        )

    # The picture of this stretch, in the view's own frame.
    low = own(np.asarray(outline.exterior.coords)).min(axis=0) - 3
    high = own(np.asarray(outline.exterior.coords)).max(axis=0) + 3
    columns, rows = ((high - low) * PX_PER_MM).astype(int) + 1
    corners = np.array([[low[0], high[1]], [low[0] + 1, high[1]], [low[0], high[1] - 1]])
    at = whole.lace_to_picture((corners / scale) @ turn.T + [from_mm, up_mm])
    along, down = (at[1] - at[0]) / PX_PER_MM, (at[2] - at[0]) / PX_PER_MM
    matrix = np.array([[along[0], down[0], at[0, 0]], [along[1], down[1], at[0, 1]]])
    rgba = cv2.warpAffine(
        whole.rgba, matrix, (columns, rows), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    )
    picture = LacePicture(rgba, PX_PER_MM, float(low[0]), float(high[1]))
    mask = np.zeros((rows, columns), np.uint8)
    ring = own(np.asarray(outline.exterior.coords))
    cv2.fillPoly(mask, [np.round(picture.lace_to_picture(ring)).astype(np.int32)], 1)
    light = np.linspace(0.92, 1.06, columns)[None, :]
    alpha = rgba[..., 3] * light + rng.normal(0, 12, (rows, columns))
    rgba[..., 3] = np.clip(alpha, 0, 255) * mask
    # A photo of it: 5 px a mm, y turned down.
    photo = PhotoMap(
        (int(5 * (to_mm - from_mm)) + 200, 1000),
        np.array([[0.2 * scale, 0, -20.0], [0, -0.2 * scale, 180.0], [0, 0, 1]]),
        np.array([[5.0, 6.0], [205.0, 8.0]]),
    )
    reading = replace(
        lace,
        name="part",
        length_mm=float(ring[:, 0].max()),
        width_mm=Measured(lace.width_mm.value * scale, 0.2),
        outline_mm=ring[:-1],
        lower=edge(lace.lower),
        upper=edge(lace.upper),
        repeat=lace.repeat if repeat else None,
        motifs=motifs,
        beads=beads,
        photo=photo,
        doubts=() if repeat else ("The repeat could not be told; measure it and say it.",),
    )
    return Reading(reading, picture)
