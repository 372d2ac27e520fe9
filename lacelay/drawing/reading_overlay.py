"""What was read, drawn over the photo it was read from."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.drawing import legend
from lacelay.drawing.legend import Entry
from lacelay.drawing.raster import paint, paint_shape
from lacelay.drawing.scale_bar import scale_bar
from lacelay.drawing.scene import (
    Area,
    Cross,
    Dot,
    Label,
    Line,
    Mapping,
    Points,
    Scene,
    Shape,
    densified,
    point,
)
from lacelay.drawing.style import (
    KIND_HUES,
    PICTURE_STYLES,
    SOFT_GROUND,
    Style,
)
from lacelay.errors import PhotoError
from lacelay.model.lace import Lace, LaceEdge, Measured
from lacelay.units import format_length

Image8 = NDArray[np.uint8]
LONG_SIDE_PX = 2400
_STEP_MM = 4.0
_MARGIN_UNITS = 74.0


def draw_reading(photo_rgb: Image8, lace: Lace) -> Image8:
    """Draw scale, repeat, motifs, scallops, edges and beads over the photo.

    Parameters
    ----------
    photo_rgb : ndarray of uint8, shape (h, w, 3)
        The upright photo that the lace was read from.
    lace : Lace

    Returns
    -------
    ndarray of uint8, shape (h', w' + margin, 3)
        The photo, its long side at most `LONG_SIDE_PX`, and a margin at the right with
        the key, what was measured and what is doubtful.

    Raises
    ------
    PhotoError
        When the lace was not read from a photo, or from one of another size.
    """
    if lace.photo is None:
        raise PhotoError("This lace was written by hand.", "Read a photo to draw on it.")
    height, width = photo_rgb.shape[:2]
    if (width, height) != tuple(lace.photo.size_px):
        raise PhotoError(
            f"The photo is {width} x {height} pixels, but the lace was read from one of "
            f"{lace.photo.size_px[0]} x {lace.photo.size_px[1]}.",
            "Give the photo that the lace was read from.",
        )
    scale = min(1.0, LONG_SIDE_PX / max(height, width))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    small = cv2.resize(photo_rgb, size, interpolation=cv2.INTER_AREA) if scale < 1 else photo_rgb
    factor = np.array([size[0] / width, size[1] / height])
    unit = max(size) / 240
    photo_map = lace.photo

    def to_px(lace_mm: Points) -> Points:
        return np.asarray((photo_map.lace_to_photo(lace_mm) + 0.5) * factor - 0.5)

    canvas = np.ascontiguousarray(small, dtype=np.uint8).copy()
    canvas = paint(canvas, _bands(lace), PICTURE_STYLES, to_px=to_px, unit_px=unit)
    ranks = kind_ranks(lace)
    for motif in lace.motifs:
        outline = densified(motif.outline_mm, _STEP_MM, closed=True)
        style = kind_style(ranks.get(motif.kind))
        paint_shape(canvas, Line(outline, "motif", closed=True), style, to_px, unit)
    # Beads crowd along edges: what is counted there is painted over them.
    marks = [*_beads(lace), *_edges(lace), *_repeat_length(lace)]
    marks += _bar(lace, to_px, size, unit)
    canvas = paint(canvas, Scene("reading", marks), PICTURE_STYLES, to_px=to_px, unit_px=unit)
    return _with_margin(canvas, lace, unit)


def kind_ranks(lace: Lace) -> dict[int, int]:
    """Rank of each kind of motif that was seen more than once, the commonest 0."""
    counts = Counter(motif.kind for motif in lace.motifs if motif.kind >= 0)
    often = sorted((kind for kind in counts if counts[kind] > 1), key=lambda k: (-counts[k], k))
    return {kind: rank for rank, kind in enumerate(often)}


def kind_style(rank: int | None) -> Style:
    """Look of a motif's outline by the rank of its kind; motifs like no other are white."""
    base = PICTURE_STYLES["motif"]
    return base if rank is None else replace(base, line=KIND_HUES[rank % len(KIND_HUES)])


def _v_range(lace: Lace) -> tuple[float, float]:
    return float(lace.outline_mm[:, 1].min()), float(lace.outline_mm[:, 1].max())


def _first_place(lace: Lace) -> float:
    """Where the first band starts: at a valley, since that is where she would count from."""
    for edge in (lace.lower, lace.upper):
        if len(edge.valleys_mm):
            return float(edge.valleys_mm[0, 0])
    return 0.0


def _bands(lace: Lace) -> Scene:
    if lace.repeat is None:
        return Scene("repeat", ())
    v0, v1 = _v_range(lace)
    period = lace.repeat.length_mm.value
    shapes: list[Shape] = []
    start = _first_place(lace)
    start -= period * np.ceil(start / period)
    for k in range(int(np.ceil((lace.length_mm - start) / period))):
        a, b = max(start + k * period, 0.0), min(start + (k + 1) * period, lace.length_mm)
        if k % 2 == 0 and b - a > 1e-6:
            corners = np.array([[a, v0], [b, v0], [b, v1], [a, v1]])
            shapes.append(Area(densified(corners, _STEP_MM, closed=True), "repeat"))
    return Scene("repeat", tuple(shapes))


def _repeat_length(lace: Lace) -> list[Shape]:
    """Draw an arrow's length over one whole repeat, with its measure."""
    if lace.repeat is None:
        return []
    period = lace.repeat.length_mm.value
    a = min(_first_place(lace), max(0.0, lace.length_mm - period))
    b = a + period
    if b > lace.length_mm + 1e-6:
        return []
    v = (lace.outline_mm[:, 1].min() + lace.outline_mm[:, 1].max()) / 2
    line = densified(np.array([[a, v], [b, v]]), _STEP_MM)
    tick = max(2.0, 0.03 * period)
    return [
        Line(line, "scale"),
        Line(np.array([[a, v - tick], [a, v + tick]]), "scale"),
        Line(np.array([[b, v - tick], [b, v + tick]]), "scale"),
        Label(point((a + b) / 2, v + tick + 3.0), "note", f"repeat {format_length(period)}"),
    ]


def _edges(lace: Lace) -> list[Shape]:
    shapes: list[Shape] = []
    for edge in (lace.lower, lace.upper):
        out = -1.0 if edge.side == "lower" else 1.0
        if not edge.scalloped:
            v = 0.0 if edge.side == "lower" else lace.width_mm.value
            line = densified(np.array([[0.0, v], [lace.length_mm, v]]), _STEP_MM)
            shapes.append(Line(line, "edge"))
            continue
        if len(edge.valleys_mm) > 1:
            shapes.append(Line(densified(edge.valleys_mm, _STEP_MM), "edge"))
        shapes += [Cross(valley[None], "valley") for valley in edge.valleys_mm]
        depth = edge.depth_mm.value if edge.depth_mm is not None else 0.0
        for k, tip in enumerate(edge.tips_mm):
            shapes.append(Line(_caret(tip, out, max(1.5, 0.25 * depth)), "tip"))
            away = max(4.0, 0.6 * depth)
            at = tip + np.array([0.0, out * away])
            shapes.append(Label(at[None], "piece number", str(k + 1)))
    return shapes


def _caret(tip_mm: Points, out: float, size_mm: float) -> Points:
    legs = [[-size_mm, -out * size_mm], [0.0, 0.0], [size_mm, -out * size_mm]]
    return np.asarray(tip_mm + np.array(legs))


def _beads(lace: Lace) -> list[Shape]:
    return [Dot(point(b.u_mm, b.v_mm), "bead", b.diameter_mm) for b in lace.beads]


def _bar(lace: Lace, to_px: Mapping, size_px: tuple[int, int], unit_px: float) -> list[Shape]:
    """Place a scale bar beside the lace where the photo has room, else across its middle."""
    v0, v1 = _v_range(lace)
    edge = lace.lower.depth_mm.value if lace.lower.depth_mm is not None else 0.0
    gap = 14.0 + edge
    for length in (100.0, 10.0):
        for v in (v0 - gap, v1 + gap - 6.0, (v0 + v1) / 2 - 6.0):
            u = max(0.0, (lace.length_mm - length) / 2)
            bar = scale_bar((u, v), length)
            px = to_px(np.concatenate([shape.points_mm for shape in bar]))
            room = 2 * unit_px
            if np.all((px > room) & (px < np.array(size_px) - room)):
                return list(bar)
    return []


def _with_margin(canvas: Image8, lace: Lace, unit: float) -> Image8:
    width = round(_MARGIN_UNITS * unit)
    inner = width - 10 * unit
    entries = _entries(lace)
    tall = legend.height_px(entries, inner, unit) + round(10 * unit)
    h, w = canvas.shape[:2]
    page = np.full((max(h, tall), w + width, 3), SOFT_GROUND, np.uint8)
    page[:h, :w] = canvas
    legend.set_entries(page, entries, (w + 5 * unit, 4 * unit), inner, unit, PICTURE_STYLES)
    return page


def _entries(lace: Lace) -> list[Entry]:
    told = " ".join(lace.doubts).lower()
    doubts = list(lace.doubts)
    for edge in (lace.lower, lace.upper):
        if edge.doubt and edge.doubt.strip(" .").lower() not in told:
            doubts.append(f"{edge.side} edge: {edge.doubt}")
    entries = [Entry(lace.name, heading=True)]
    entries.append(
        Entry(
            f"scale: {lace.scale.reference}, within "
            f"{196 * lace.scale.relative_sigma:.1f}% (95 in 100)"
        )
    )
    entries.append(Entry(f"width: {_say(lace.width_mm)}"))
    entries.append(Entry(f"length seen: {format_length(lace.length_mm)}"))
    entries += [_edge_words(lace.upper), _edge_words(lace.lower)]
    if lace.repeat is None:
        entries.append(Entry("repeat: could not be told"))
    else:
        entries.append(
            Entry(
                f"repeat: {_say(lace.repeat.length_mm)}, seen {lace.repeat.copies:.1f} times, "
                f"{round(100 * lace.repeat.sure)}% sure"
            )
        )
    shares = lace.shares
    entries.append(
        Entry(
            f"motif {100 * shares.motif:.0f}%, ground {100 * shares.ground:.0f}%, "
            f"open {100 * shares.open:.0f}%"
        )
    )
    entries.append(Entry("What the lines say", heading=True))
    ranks = kind_ranks(lace)
    for kind, rank in list(ranks.items())[: len(KIND_HUES)]:
        many = sum(motif.kind == kind for motif in lace.motifs)
        entries.append(Entry(f"motif, kind {rank + 1}: {many} seen", style=kind_style(rank)))
    if len(ranks) > len(KIND_HUES):
        entries.append(Entry(f"and {len(ranks) - len(KIND_HUES)} more kinds, in the same colours"))
    alone = sum(motif.kind not in ranks for motif in lace.motifs)
    if alone:
        entries.append(Entry(f"motif like no other seen: {alone}", "motif"))
    if lace.lower.scalloped or lace.upper.scalloped:
        entries.append(Entry("valley", "valley"))
        entries.append(
            Entry("number of the scallop, at its tip", as_label="1", style=legend.NUMBER)
        )
    entries.append(Entry("edge: through the valleys, or straight", "edge"))
    if lace.repeat is not None:
        entries.append(Entry("every second repeat", "repeat"))
    if lace.beads:
        entries.append(Entry(f"beads and sequins: {len(lace.beads)} seen", "bead"))
    entries.append(Entry("What is doubtful", heading=True))
    entries += [Entry(doubt) for doubt in doubts] or [Entry("nothing that was noticed")]
    return entries


def _edge_words(edge: LaceEdge) -> Entry:
    if not edge.scalloped or edge.pitch_mm is None or edge.depth_mm is None:
        return Entry(f"{edge.side} edge: straight")
    return Entry(
        f"{edge.side} edge: {edge.count} whole scallops, {_say(edge.pitch_mm)} wide, "
        f"{_say(edge.depth_mm)} deep"
    )


def _say(measured: Measured) -> str:
    spread = 1.96 * measured.sigma
    return f"{measured.value:.1f} mm ± {max(spread, 0.05):.1f}"
