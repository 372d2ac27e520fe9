"""The lace as a raster in its own plane: threads, relief, colour and what hides the mat."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon, box

from lacelay.rendering.ground import bar_picots, net_sides, twisted
from lacelay.rendering.pattern import EdgeDesign, Element, Pattern, Points
from lacelay.rendering.textures import Fillings

Raster = NDArray[np.uint8]
_SHIFT = 4
_LIGHT = np.array([-0.6, -0.8])  # from the upper left of the raster


@dataclass(frozen=True, eq=False)
class Strip:
    """A drawn length of lace.

    Parameters
    ----------
    rgb : ndarray, shape (h, w, 3)
        Colour, gamma coded, also where there is no thread.
    cover : ndarray, shape (h, w)
        255 where thread hides the mat.
    motif : ndarray, shape (h, w)
        255 inside a motif's outline.
    px_per_mm : float
    corner_mm : tuple of float
        Design point (u, v) at the centre of the raster's top-left pixel.
    """

    rgb: Raster
    cover: Raster
    motif: Raster
    px_per_mm: float
    corner_mm: tuple[float, float]

    def to_px(self, design_mm: Points) -> Points:
        """Raster pixels (x, y) of design points."""
        return np.column_stack(
            [
                (design_mm[:, 0] - self.corner_mm[0]) * self.px_per_mm,
                (self.corner_mm[1] - design_mm[:, 1]) * self.px_per_mm,
            ]
        )

    def reduced(self, px_per_mm: float) -> Strip:
        """The same strip at a lower resolution, averaged over areas."""
        height, width = self.cover.shape
        share = px_per_mm / self.px_per_mm
        size = (max(1, round(width * share)), max(1, round(height * share)))
        true = size[0] / width * self.px_per_mm
        # area averaging keeps the outer border, pixel centres move by half the difference
        half = 0.5 / true - 0.5 / self.px_per_mm

        def shrink(layer: Raster) -> Raster:
            return np.asarray(cv2.resize(layer, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)

        return Strip(
            shrink(self.rgb),
            shrink(self.cover),
            shrink(self.motif),
            true,
            (self.corner_mm[0] + half, self.corner_mm[1] - half),
        )


class _Canvas:
    """Three channels drawn together: cover, height, tone."""

    def __init__(self, box_mm: tuple[float, float, float, float], px_per_mm: float) -> None:
        self.q = px_per_mm
        self.corner = (box_mm[0], box_mm[3])
        self.size = (
            int((box_mm[2] - box_mm[0]) * px_per_mm) + 1,
            int((box_mm[3] - box_mm[1]) * px_per_mm) + 1,
        )
        self.layers = np.empty((self.size[1], self.size[0], 3), np.uint8)
        self.layers[:] = (0, 0, 128)
        self.motif = np.zeros((self.size[1], self.size[0]), np.uint8)

    def px(self, points: Points) -> NDArray[np.int32]:
        moved = (points - np.array(self.corner)) * np.array([self.q, -self.q])
        return np.asarray(np.round(moved * (1 << _SHIFT)), dtype=np.int32)

    def threads(
        self,
        lines: Sequence[Points] | Points,
        width_mm: float,
        height: int,
        tone: int,
        closed: bool = False,
    ) -> None:
        """Draw threads of one thickness, height and tone; lines of one length are quicker."""
        if isinstance(lines, np.ndarray):
            drawn = list(self.px(lines))
        else:
            drawn = [self.px(line) for line in lines]
        thickness = max(1, round(width_mm * self.q))
        colour = (255, height, tone)
        cv2.polylines(self.layers, drawn, closed, colour, thickness, cv2.LINE_AA, _SHIFT)

    def cord(self, line: Points, width_mm: float, height: int, closed: bool) -> None:
        """A twisted thread: a base, a lit core and slanting grooves."""
        self.threads([line], width_mm, int(0.6 * height), 118, closed)
        self.threads([line], 0.55 * width_mm, height, 134, closed)
        if width_mm * self.q < 4:
            return
        ring = np.concatenate([line, line[:1]]) if closed else line
        arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
        at = np.arange(0.3 * width_mm, arc[-1], 0.62 * width_mm)
        if len(at) < 2:
            return
        place = np.column_stack([np.interp(at, arc, ring[:, 0]), np.interp(at, arc, ring[:, 1])])
        along = np.gradient(place, axis=0)
        along /= np.maximum(np.hypot(*along.T), 1e-9)[:, None]
        across = np.column_stack([-along[:, 1], along[:, 0]])
        slant = 0.42 * width_mm * across + 0.30 * width_mm * along
        self.threads(np.stack([place - slant, place + slant], axis=1), 0.1 * width_mm,
                     int(0.5 * height), 96)  # fmt: skip

    def part(self, outline: Points, tile_of: Fillings, fill: str, heading: float) -> None:
        ring = self.px(outline)
        low = np.maximum((ring.min(axis=0) >> _SHIFT) - 1, 0)
        high = np.minimum((ring.max(axis=0) >> _SHIFT) + 2, self.size)
        if np.any(high <= low):
            return
        width, height = (int(x) for x in high - low)
        mask = np.zeros((height, width), np.uint8)
        cv2.fillPoly(mask, [ring - (low << _SHIFT).astype(np.int32)], 255, cv2.LINE_8, _SHIFT)
        patch = tile_of.patch(fill, heading, height, width)  # type: ignore[arg-type]
        # threads shine by the way they run: each part has a tone of its own
        sheen = round(float(9 * np.cos(2 * heading) + 5 * np.sin(7 * heading)))
        patch[..., 2] = np.clip(patch[..., 2].astype(np.int16) + sheen, 0, 255)
        view = self.layers[low[1] : high[1], low[0] : high[0]]
        cv2.copyTo(patch, mask, view)


def draw_strip(
    pattern: Pattern,
    from_mm: float,
    to_mm: float,
    body: Polygon,
    px_per_mm: float,
    jitter: float,
    rng: np.random.Generator,
) -> Strip:
    """Draw a length of lace.

    Parameters
    ----------
    pattern : Pattern
    from_mm, to_mm : float
        Design u of both ends.
    body : shapely Polygon
        Outline of the length, ends cut, in design mm.
    px_per_mm : float
    jitter : float
        Unevenness of the net, as a share of the mesh.
    rng : numpy.random.Generator

    Returns
    -------
    Strip
    """
    low_v, high_v = body.bounds[1] - 3.0, body.bounds[3] + 3.0
    extent = (from_mm - 6.0, low_v, to_mm + 6.0, high_v)
    canvas = _Canvas(extent, px_per_mm)
    fillings = Fillings(px_per_mm, pattern.weave_mm, rng)
    shifts = np.arange(
        np.floor(from_mm / pattern.repeat_mm) - 1, np.ceil(to_mm / pattern.repeat_mm) + 1
    )
    copies = [np.array([k * pattern.repeat_mm, 0.0]) for k in shifts]
    for shift in copies:
        rings = [canvas.px(placed.outline_mm + shift) for placed in pattern.placed]
        for ring in rings:
            cv2.fillPoly(canvas.motif, [ring], 255, cv2.LINE_AA, _SHIFT)
    _draw_ground(canvas, pattern, extent, jitter, rng)
    body_mask = np.zeros(canvas.motif.shape, np.uint8)
    cv2.fillPoly(body_mask, [canvas.px(np.asarray(body.exterior.coords))], 255, cv2.LINE_AA, _SHIFT)
    for shift in copies:
        for placed in pattern.placed:
            if placed.outline_mm[:, 0].max() + shift[0] < from_mm - 2:
                continue
            if placed.outline_mm[:, 0].min() + shift[0] > to_mm + 2:
                continue
            _draw_element(canvas, placed.element, shift, fillings, rng)
    _draw_edges(canvas, pattern, from_mm, to_mm, fillings)
    cv2.multiply(
        canvas.layers[..., 0], body_mask, canvas_cover := np.empty_like(body_mask), 1 / 255
    )
    canvas.layers[..., 0] = canvas_cover
    rgb = _shade(canvas, pattern, rng)
    cover = np.ascontiguousarray(canvas.layers[..., 0])
    for spots, round_ in bead_places(pattern, from_mm, to_mm):
        _stamp_beads(rgb, cover, canvas, spots, round_, pattern, rng)
    cv2.multiply(canvas.motif, body_mask, canvas.motif, 1 / 255)
    return Strip(rgb, cover, canvas.motif, px_per_mm, canvas.corner)


def bead_places(pattern: Pattern, from_mm: float, to_mm: float) -> list[tuple[Points, bool]]:
    """Sequins, then beads, of a length: arrays (k, 3) of u, v, diameter; True for beads."""
    found: list[tuple[Points, bool]] = []
    shifts = np.arange(
        np.floor(from_mm / pattern.repeat_mm) - 1, np.ceil(to_mm / pattern.repeat_mm) + 1
    )
    for is_bead in (False, True):
        loose = [
            placed.element.beads if is_bead else placed.element.sequins for placed in pattern.placed
        ]
        if is_bead:
            loose.append(pattern.edge_beads)
        one = np.concatenate([np.empty((0, 3)), *loose])
        spots = np.concatenate([one + [k * pattern.repeat_mm, 0.0, 0.0] for k in shifts])
        inside = (spots[:, 0] > from_mm + 1.5) & (spots[:, 0] < to_mm - 1.5)
        found.append((spots[inside], is_bead))
    return found


def bead_run_numbers(pattern: Pattern, from_mm: float, to_mm: float) -> NDArray[np.int64]:
    """The run of each bead that `bead_places` gives, in its order; sequins are -1.

    A run is one thread taken through its beads; along an edge it goes on over all repeats.
    """
    sequins, beads = (spots for spots, _ in bead_places(pattern, from_mm, to_mm))
    lengths = [count for placed in pattern.placed for count in placed.element.bead_runs]
    one = np.repeat(np.arange(len(lengths)), lengths)
    along_edge = np.full(len(pattern.edge_beads), -1)
    shifts = np.arange(
        np.floor(from_mm / pattern.repeat_mm) - 1, np.ceil(to_mm / pattern.repeat_mm) + 1
    )
    numbers = np.concatenate(
        [np.concatenate([one + k * len(lengths), along_edge]) for k in range(len(shifts))]
    )
    numbers[numbers == -1] = len(lengths) * len(shifts)
    places = np.concatenate(
        [np.empty((0, 3)), *[placed.element.beads for placed in pattern.placed], pattern.edge_beads]
    )
    u = np.concatenate([places[:, 0] + k * pattern.repeat_mm for k in shifts])
    inside = (u > from_mm + 1.5) & (u < to_mm - 1.5)
    kept = numbers[inside]
    if len(kept) != len(beads):
        raise ValueError("runs and beads do not agree")
    return np.concatenate([np.full(len(sequins), -1), kept]).astype(np.int64)


def _draw_ground(
    canvas: _Canvas, pattern: Pattern, box: tuple[float, float, float, float], jitter: float,
    rng: np.random.Generator,
) -> None:  # fmt: skip
    ground = pattern.ground
    bars = ground.net == "bars"
    sides = net_sides(ground, box, jitter * (1.6 if bars else 0.6), rng)
    # the net is drawn together towards a motif's edge: knots slide down the blurred outline
    coarse = max(1, int(canvas.q / 2))
    near = cv2.resize(
        canvas.motif, None, fx=1 / coarse, fy=1 / coarse, interpolation=cv2.INTER_AREA
    )
    blurred = cv2.GaussianBlur(near.astype(np.float32) / 255, (0, 0), 1.2 * canvas.q / coarse)
    pull = np.stack(
        [cv2.Sobel(blurred, cv2.CV_32F, 1, 0), -cv2.Sobel(blurred, cv2.CV_32F, 0, 1)], -1
    )
    at = canvas.px(sides.reshape(-1, 2)) / (1 << _SHIFT) / coarse
    column = np.clip(at[:, 0], 0, near.shape[1] - 1).astype(int)
    row = np.clip(at[:, 1], 0, near.shape[0] - 1).astype(int)
    strength = 0.10 * ground.size_mm * canvas.q / coarse
    sides = (sides.reshape(-1, 2) + strength * pull[row, column]).reshape(-1, 2, 2)
    strands = twisted(sides, ground, rng)
    group = rng.integers(0, 4, len(strands.lines_mm))
    for k in range(4):
        lines = strands.lines_mm[group == k]
        if bars:
            canvas.threads(lines, strands.width_mm, 90, 108 + 6 * k)
            canvas.threads(lines, 0.45 * strands.width_mm, 140, 126 + 6 * k)
        else:
            widening = (0.85, 1.0, 1.0, 1.2)[k]
            canvas.threads(lines, widening * strands.width_mm, 60 + 12 * k, 114 + 8 * k)
    if bars:
        loops = [
            place + 0.4 * np.column_stack([np.cos(t := np.linspace(0, 6, 9)), np.sin(t)])
            for place in bar_picots(sides, ground, rng)
        ]
        canvas.threads(loops, 0.28, 110, 126, closed=True)


def _draw_element(
    canvas: _Canvas, element: Element, shift: Points, fillings: Fillings, rng: np.random.Generator
) -> None:
    for part in element.parts:
        ring = part.outline_mm + shift
        canvas.part(ring, fillings, part.fill, part.heading_rad)
        if part.cord:
            canvas.cord(ring, part.rim_mm, 215, True)
        elif part.rim_mm >= 0.7:
            canvas.cord(ring, part.rim_mm, 170, True)
        elif part.rim_mm > 0:
            tone = int(rng.integers(118, 138))
            canvas.threads([ring], part.rim_mm, 130, tone, True)
            canvas.threads([ring], 0.45 * part.rim_mm, 165, tone + 8, True)
    for stroke in element.strokes:
        line = stroke.line_mm + shift
        if stroke.cord or stroke.width_mm >= 0.7:
            canvas.cord(line, stroke.width_mm, 215 if stroke.cord else 165, False)
        else:
            canvas.threads([line], stroke.width_mm, 150, 132)


def _draw_edges(
    canvas: _Canvas, pattern: Pattern, from_mm: float, to_mm: float, fillings: Fillings
) -> None:
    u = np.arange(from_mm - 8, to_mm + 8, 0.3)
    for edge, base, sign in ((pattern.lower, 0.0, -1.0), (pattern.upper, pattern.width_mm, 1.0)):
        outer = np.column_stack([u, base + sign * edge.height_mm(u)])
        far = base - sign * pattern.width_mm * 0.5
        lobe = Polygon(np.concatenate([outer, [[u[-1], far], [u[0], far]]])).buffer(0)
        inner = lobe.buffer(-edge.band_mm)
        band = lobe.difference(inner)
        inward, outward = base - 0.4 * pattern.width_mm * sign, base + 60 * sign
        clip = box(from_mm - 6, min(inward, outward), to_mm + 6, max(inward, outward))
        band = band.intersection(clip)
        for piece in getattr(band, "geoms", [band]):
            if piece.geom_type != "Polygon" or piece.area < 1:
                continue
            # a band with corners is one polygon without holes inside the clip
            canvas.part(np.asarray(piece.exterior.coords), fillings, "cloth", 0.0)
        thick = 0.55
        for inset in (thick / 2, edge.band_mm):
            line = lobe.buffer(-inset).intersection(clip)
            for piece in getattr(line, "geoms", [line]):
                if piece.geom_type != "Polygon":
                    continue
                ring = np.asarray(piece.exterior.coords)
                keep = np.abs(ring[:, 1] - base) < 0.39 * pattern.width_mm
                for run in np.split(ring, np.flatnonzero(np.diff(keep.astype(int))) + 1):
                    inside = np.abs(run[:, 1] - base) < 0.39 * pattern.width_mm
                    if len(run) > 2 and inside.all():
                        canvas.cord(run, thick, 150, False)
    loops = [
        centre
        + (radius - 0.16)
        * np.column_stack([np.cos(t := np.linspace(0, 2 * np.pi, 15)[:-1]), np.sin(t)])
        for centre, radius in pattern.picots(from_mm - 3, to_mm + 3)
    ]
    canvas.threads(loops, 0.32, 120, 126, closed=True)
    for edge, base, sign in ((pattern.lower, 0.0, -1.0), (pattern.upper, pattern.width_mm, 1.0)):
        if edge.holes:
            _punch_header(canvas, edge, base - sign * edge.band_mm / 2, from_mm, to_mm)


def _punch_header(
    canvas: _Canvas, edge: EdgeDesign, middle_mm: float, from_mm: float, to_mm: float
) -> None:
    """A row of corded eyelets in the band of a header."""
    pitch = edge.repeat_mm / edge.holes
    turn = np.linspace(0, 2 * np.pi, 33)[:-1]
    ring = np.column_stack([0.30 * pitch * np.cos(turn), 0.36 * edge.band_mm * np.sin(turn)])
    for k in range(int(np.floor(from_mm / pitch)) - 1, int(np.ceil(to_mm / pitch)) + 2):
        hole = ring + [(k + 0.5) * pitch, middle_mm]
        cv2.fillPoly(canvas.layers, [canvas.px(hole)], (0, 0, 128), cv2.LINE_AA, _SHIFT)
        canvas.cord(hole, 0.5, 150, True)


def _shade(canvas: _Canvas, pattern: Pattern, rng: np.random.Generator) -> Raster:
    """Colour of every pixel: tone, relief lit from the side, hollows darker."""
    height = canvas.layers[..., 1].astype(np.float32) * (pattern.relief / 255)
    smooth = cv2.GaussianBlur(height, (0, 0), max(0.5, 0.05 * canvas.q))
    broad = cv2.boxFilter(smooth, -1, (int(0.9 * canvas.q) | 1,) * 2)
    slope_x = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=float(_LIGHT[0]) * canvas.q / 8)
    slope_y = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=float(_LIGHT[1]) * canvas.q / 8)
    lit = cv2.add(slope_x, slope_y)
    del slope_x, slope_y
    shine = _shine(np.asarray(lit), canvas, pattern.metal, rng) if pattern.metal > 0 else None
    shade = canvas.layers[..., 2].astype(np.float32) / 128
    shade *= np.clip(1 - 0.12 * lit, 0.5, 1.38)
    shade *= np.clip(1 + 0.95 * (smooth - broad), 0.5, 1.2)
    # the piece does not lie quite flat: slow waves of light over it
    cells = (
        max(4, int(shade.shape[0] / canvas.q / 28)),
        max(4, int(shade.shape[1] / canvas.q / 28)),
    )
    waves = rng.normal(1, 0.045, cells).astype(np.float32)
    shade *= cv2.resize(waves, (shade.shape[1], shade.shape[0]), interpolation=cv2.INTER_CUBIC)
    grain = rng.normal(1, 0.05, (512, 512)).astype(np.float32)
    grain = np.asarray(cv2.GaussianBlur(grain, (0, 0), 0.8), dtype=np.float32)
    rows, columns = shade.shape
    for top in range(0, rows, 512):
        for left in range(0, columns, 512):
            block = shade[top : top + 512, left : left + 512]
            block *= grain[: block.shape[0], : block.shape[1]]
    code = np.clip(shade * 128, 0, 255).astype(np.uint8)
    steps = np.arange(256, dtype=np.float32)[:, None] / 128
    linear = np.array(pattern.colour, np.float32) * steps
    # dark silk shines where it is lit from the side
    linear = linear + 0.05 * np.clip(steps - 1.0, 0, 1) ** 1.5
    table = np.clip(255 * np.clip(linear, 0, 1) ** (1 / 2.2), 0, 255).astype(np.uint8)
    rgb = np.asarray(
        cv2.LUT(cv2.merge([code, code, code]), table.reshape(1, 256, 3)), dtype=np.uint8
    )
    return rgb if shine is None else np.asarray(cv2.add(rgb, cv2.merge([shine, shine, shine])))


def _shine(
    lit: NDArray[np.float32], canvas: _Canvas, metal: float, rng: np.random.Generator
) -> Raster:
    """Highlights along metallic threads, 0 to 255: where they turn to the light, in sparks."""
    thread = canvas.layers[::4, ::4, 0] > 128
    steep = float(np.quantile(np.abs(lit[::4, ::4][thread]), 0.9)) if thread.any() else 1.0
    tilt = (-lit / max(steep, 1e-6) - 0.55) / 0.38
    spark = rng.gamma(0.7, 1.0, (512, 512)).astype(np.float32)
    spark = np.asarray(cv2.GaussianBlur(spark, (0, 0), max(0.6, 0.06 * canvas.q)), np.float32)
    rows, columns = lit.shape
    tiled = np.tile(spark, (rows // 512 + 1, columns // 512 + 1))[:rows, :columns]
    bright = 190 * metal * np.exp(-(tilt**2)) * tiled
    return np.asarray(np.clip(bright, 0, 255), dtype=np.uint8)


def _stamp_beads(
    rgb: Raster, cover: Raster, canvas: _Canvas, spots: Points, is_bead: bool, pattern: Pattern,
    rng: np.random.Generator,
) -> None:  # fmt: skip
    """Beads and sequins: round, each with its own brightness and glint."""
    base = np.array(pattern.colour)
    metal = base * 0.5 + np.array([0.30, 0.28, 0.24])
    for u, v, diameter in spots:
        radius = diameter * canvas.q / 2
        x, y = (u - canvas.corner[0]) * canvas.q, (canvas.corner[1] - v) * canvas.q
        left, top = int(x - radius) - 1, int(y - radius) - 1
        side = int(2 * radius) + 4
        if left < 0 or top < 0 or left + side > rgb.shape[1] or top + side > rgb.shape[0]:
            continue
        grid = np.arange(side)
        dx, dy = (grid[None, :] + left - x) / radius, (grid[:, None] + top - y) / radius
        r2 = dx**2 + dy**2
        inside = np.clip((1 - np.sqrt(r2)) * radius + 0.5, 0, 1)
        gloss = float(rng.uniform(0.35, 1.0))
        if is_bead:
            z = np.sqrt(np.clip(1 - r2, 0, 1))
            diffuse = 0.25 + 0.75 * np.clip(-0.45 * dx - 0.55 * dy + 0.7 * z, 0, 1)
            glint = gloss * np.exp(-((dx + 0.35) ** 2 + (dy + 0.4) ** 2) / 0.035)
            back = 0.3 * gloss * np.exp(-((dx - 0.35) ** 2 + (dy - 0.45) ** 2) / 0.08)
            light = metal * diffuse[..., None] * rng.uniform(0.6, 1.05) + (glint + back)[..., None]
        else:
            angle = float(rng.uniform(0, 2 * np.pi))
            sheen = 0.5 + 0.5 * np.cos(2 * (np.arctan2(dy, dx) - angle))
            facet = float(rng.uniform(0.25, 1.1))
            light = metal * (0.5 + facet * sheen[..., None] ** 3)
            light = light * (1 - 0.45 * np.exp(-((np.sqrt(r2) - 1) ** 2) / 0.02))[..., None]
            light = np.where((r2 < 0.03)[..., None], 0.25 * light, light)
        code = 255 * np.clip(light, 0, 1) ** (1 / 2.2)
        view = rgb[top : top + side, left : left + side]
        weight = inside[..., None]
        view[:] = (view * (1 - weight) + code * weight).astype(np.uint8)
        hidden = cover[top : top + side, left : left + side]
        hidden[:] = np.maximum(hidden, (255 * inside).astype(np.uint8))
