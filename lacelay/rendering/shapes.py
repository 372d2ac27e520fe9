"""Motifs of invented lace: flowers, leaves, buds, scrolls, fans and sprays.

Each is an `Element` in its own frame: origin at its root or centre, u axis its direction.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lacelay.rendering.pattern import Element, Fill, Part, Points, Stroke, join_elements, turned

Rng = np.random.Generator


@dataclass(frozen=True)
class MotifStyle:
    """How a family works its motifs.

    Parameters
    ----------
    fill : {"cloth", "half", "satin"}
        Filling of petals and leaves; `second` is used for the other half of a leaf.
    rim_mm : float
        Thread round every part.
    cord_mm : float
        Raised cord round every part instead of the rim; 0 for none.
    openwork : float
        Chance that a part is pierced.
    stem_mm : float
        Thickness of stems.
    beads : bool
        Beads along stems and veins, sequins in the flowers.
    """

    fill: Fill
    second: Fill
    rim_mm: float
    cord_mm: float
    openwork: float
    stem_mm: float
    beads: bool = False

    @property
    def edge_mm(self) -> float:
        """Thickness of the thread or cord round a part."""
        return self.cord_mm or self.rim_mm

    @property
    def corded(self) -> bool:
        """Whether parts are outlined by cord."""
        return self.cord_mm > 0


def circle(radius_mm: float, count: int = 40) -> Points:
    """A circle about the origin, shape (count, 2)."""
    angle = np.linspace(0, 2 * np.pi, count, endpoint=False)
    return np.asarray(radius_mm * np.column_stack([np.cos(angle), np.sin(angle)]), dtype=np.float64)


def _blade(start: float, stop: float, half: float, fullest: float, blunt: float) -> Points:
    """A pointed or blunt blade along u, symmetric; `fullest` is where it is widest (0 to 1)."""
    t = np.linspace(0, 1, 28)
    power = np.log(0.5) / np.log(fullest)
    width = half * np.sin(np.pi * t**power) ** blunt
    u = start + t * (stop - start)
    return np.concatenate(
        [np.column_stack([u, width]), np.column_stack([u[::-1], -width[::-1]])[1:-1]]
    )


def _turn(points: Points, angle: float) -> Points:
    c, s = np.cos(angle), np.sin(angle)
    return np.asarray(points @ np.array([[c, s], [-s, c]]), dtype=np.float64)


def _beads_along(line: Points, pitch_mm: float, diameter_mm: float) -> Points:
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    at = np.arange(pitch_mm / 2, arc[-1], pitch_mm)
    return np.column_stack(
        [
            np.interp(at, arc, line[:, 0]),
            np.interp(at, arc, line[:, 1]),
            np.full(len(at), diameter_mm),
        ]
    )


def _one_run(beads: Points) -> tuple[int, ...]:
    return (len(beads),) if len(beads) else ()


def flower(radius_mm: float, rng: Rng, style: MotifStyle, *, even: bool = False) -> Element:
    """A flower seen from above; `even` keeps its petals alike, so that it mirrors."""
    petals = int(rng.integers(5, 9))
    core = radius_mm * float(rng.uniform(0.2, 0.3))
    fullest, blunt = float(rng.uniform(0.55, 0.72)), float(rng.uniform(0.5, 0.85))
    half = 0.86 * radius_mm * np.sin(np.pi / petals) * float(rng.uniform(0.8, 1.0))
    pierced = bool(rng.random() < style.openwork)
    notch = float(rng.uniform(0, 0.12))
    parts: list[Part] = []
    strokes: list[Stroke] = []
    for k in range(petals):
        angle = 2 * np.pi * k / petals
        reach = radius_mm * (1.0 if even else float(rng.uniform(0.9, 1.0)))
        blade = _blade(0.55 * core, reach, half, fullest, blunt)
        near_tip = np.exp(-((blade[:, 1] / (0.35 * half)) ** 2)) * (blade[:, 0] > 0.8 * reach)
        blade = blade - np.column_stack([near_tip * notch * reach, np.zeros(len(blade))])
        if not even:
            blade = blade + 0.02 * radius_mm * np.sin(
                np.linspace(0, 6 * np.pi, len(blade))[:, None] + rng.uniform(0, 6, 2)
            )
        parts.append(Part(_turn(blade, angle), style.fill, angle, style.edge_mm, style.corded))
        if pierced and half > 1.6:
            slit = _blade(core * 1.25, 0.68 * reach, 0.36 * half, 0.6, 0.8)
            parts.append(Part(_turn(slit, angle), "mesh", angle, style.rim_mm * 0.6))
        elif half > 1.2:
            vein = np.array([[core, 0.0], [0.74 * reach, 0.0]])
            strokes.append(Stroke(_turn(vein, angle), style.rim_mm * 0.8))
    ring = circle(core)
    eye: Fill = "mesh" if core > 1.8 and rng.random() < 0.7 else style.second
    parts.append(Part(ring, eye, 0.4, style.edge_mm * 1.1, style.corded))
    beads = np.empty((0, 3))
    sequins = np.empty((0, 3))
    if style.beads:
        sequins = np.array([[0.0, 0.0, min(1.7 * core, 5.0)]])
        pearls = circle(core + 1.1, max(6, petals))
        beads = np.column_stack([pearls, np.full(len(pearls), 1.7)])
        beads = np.concatenate([beads, [[0.0, 0.0, 1.6]]])
    runs = (len(beads) - 1, 1) if style.beads else ()
    return Element(tuple(parts), tuple(strokes), beads, sequins, even, runs)


def leaf(length_mm: float, rng: Rng, style: MotifStyle, *, even: bool = False) -> Element:
    """A leaf from its stalk at the origin along u, in two halves with an open midrib."""
    half = length_mm * float(rng.uniform(0.17, 0.27))
    fullest = float(rng.uniform(0.38, 0.5))
    blade = _blade(0.0, length_mm, half, fullest, float(rng.uniform(0.8, 1.05)))
    bend = 0.0 if even else float(rng.uniform(-0.12, 0.12)) * length_mm

    def bent(points: Points) -> Points:
        t = points[:, 0] / length_mm
        return points + np.column_stack([np.zeros(len(points)), bend * t**2])

    top = np.concatenate(
        [blade[:28], np.column_stack([np.linspace(length_mm, 0, 14)[1:-1], np.zeros(12)])]
    )
    low = top * np.array([1.0, -1.0])
    slant = 0.6
    parts = [
        Part(bent(top), style.fill, slant, style.edge_mm, style.corded),
        Part(bent(low), style.second, -slant, style.edge_mm, style.corded),
    ]
    vein = bent(np.column_stack([np.linspace(0, 0.92 * length_mm, 14), np.zeros(14)]))
    if half > 1.5 and rng.random() < style.openwork:
        gap = bent(_blade(0.12 * length_mm, 0.85 * length_mm, 0.24 * half, 0.45, 0.8))
        parts.append(Part(gap, "hole" if half < 3 else "mesh", 0.0, style.rim_mm * 0.7))
        strokes = []
        for t in np.linspace(0.25, 0.75, max(2, int(length_mm / 3.0))):
            bar = np.array([[t, -0.3 * half / length_mm], [t, 0.3 * half / length_mm]]) * length_mm
            strokes.append(Stroke(bent(bar), style.rim_mm * 0.7))
    else:
        strokes = [Stroke(vein, style.rim_mm)]
    beads = _beads_along(vein, 2.1, 1.6)[1:] if style.beads and length_mm > 9 else np.empty((0, 3))
    return Element(tuple(parts), tuple(strokes), beads, symmetric=even, runs=_one_run(beads))


def bud(length_mm: float, style: MotifStyle) -> Element:
    """A closed bud on a short stalk."""
    body = _blade(0.3 * length_mm, length_mm, 0.24 * length_mm, 0.5, 0.7)
    stalk = np.array([[0.0, 0.0], [0.4 * length_mm, 0.0]])
    sequins = np.empty((0, 3))
    if style.beads:
        sequins = np.array([[0.68 * length_mm, 0.0, min(0.34 * length_mm, 4.0)]])
    return Element(
        (Part(body, style.second, 0.0, style.edge_mm, style.corded),),
        (Stroke(stalk, style.stem_mm, style.corded),),
        sequins=sequins,
    )


def dot(radius_mm: float, style: MotifStyle) -> Element:
    """A round spot."""
    beads = np.array([[0.0, 0.0, 2 * radius_mm]]) if style.beads else np.empty((0, 3))
    return Element(
        (Part(circle(radius_mm, 20), style.second, 0.0, style.rim_mm),),
        beads=beads,
        symmetric=True,
    )


def scroll(length_mm: float, rng: Rng, style: MotifStyle) -> Element:
    """A tapered scroll that curls in at its end."""
    t = np.linspace(0, 1, 40)
    heading = float(rng.uniform(1.2, 1.8)) * np.pi * t**1.6
    step = length_mm / len(t)
    line = np.cumsum(np.column_stack([np.cos(heading), np.sin(heading)]) * step, axis=0)
    line = line - line[0]
    half = length_mm * float(rng.uniform(0.045, 0.065)) * (1 - 0.55 * t)
    normal = np.column_stack([-np.sin(heading), np.cos(heading)])
    left, right = line + normal * half[:, None], line - normal * half[:, None]
    parts = []
    for start in range(0, 39, 5):
        stop = min(start + 6, 40)
        ring = np.concatenate([left[start:stop], right[start:stop][::-1]])
        parts.append(Part(ring, style.fill, float(heading[(start + stop) // 2]), 0.0))
    strokes = [Stroke(side, style.edge_mm, style.corded) for side in (left, right)]
    end = circle(2.1 * float(half[-1]) + 0.6, 24) + line[-1]
    parts.append(Part(end, style.second, 0.0, style.edge_mm, style.corded))
    foot = circle(1.25 * float(half[0]), 24) + line[0]
    parts.append(Part(foot, style.second, 0.0, style.edge_mm, style.corded))
    beads = _beads_along(line, 2.4, 1.7) if style.beads else np.empty((0, 3))
    return Element(tuple(parts), tuple(strokes), beads, runs=_one_run(beads))


def fan(radius_mm: float, rng: Rng, style: MotifStyle) -> Element:
    """A fan of blades from the origin along u, its own mirror image."""
    blades = int(rng.choice([5, 7]))
    spread = float(rng.uniform(1.9, 2.5))
    parts: list[Part] = []
    beads = [np.empty((0, 3))]
    half = 0.5 * radius_mm * spread / blades * 0.82
    for angle in np.linspace(-spread / 2, spread / 2, blades):
        reach = radius_mm * (1 - 0.16 * abs(angle) / (spread / 2))
        blade = _blade(0.16 * radius_mm, reach, half, 0.68, 0.75)
        parts.append(Part(_turn(blade, angle), style.fill, angle, style.edge_mm, style.corded))
        if half > 1.4 and style.openwork > 0.3:
            slit = _blade(0.4 * radius_mm, 0.8 * reach, 0.3 * half, 0.6, 0.8)
            parts.append(Part(_turn(slit, angle), "hole", angle, style.rim_mm * 0.7))
        if style.beads:
            line = _turn(np.array([[0.3 * radius_mm, 0.0], [0.9 * reach, 0.0]]), angle)
            beads.append(_beads_along(line, 2.2, 1.7))
    base = circle(0.24 * radius_mm, 24)
    parts.append(Part(base, style.second, 0.0, style.edge_mm, style.corded))
    runs = tuple(len(each) for each in beads if len(each))
    return Element(tuple(parts), (), np.concatenate(beads), symmetric=True, runs=runs)


def spray(size_mm: float, rng: Rng, style: MotifStyle) -> Element:
    """A curved stem with a flower at its end, leaves and buds along it; about `size_mm` long."""
    bend = float(rng.choice([-1, 1])) * float(rng.uniform(0.5, 1.1))
    t = np.linspace(0, 1, 40)
    heading = bend * (t - 0.5)
    length = 0.74 * size_mm
    line = np.cumsum(np.column_stack([np.cos(heading), np.sin(heading)]), axis=0)
    line = (line - line[0]) * length / len(t)
    centre = line.mean(axis=0) + np.array([0.12 * size_mm, 0.0])
    members = [
        Element(strokes=(Stroke(line, style.stem_mm, style.corded),)),
    ]
    if style.beads:
        threaded = _beads_along(line, 2.3, 1.8)
        members.append(Element(beads=threaded, runs=_one_run(threaded)))
    leaves = int(rng.integers(3, 6))
    side = 1.0 if rng.random() < 0.5 else -1.0
    for k, at in enumerate(np.linspace(0.04, 0.66, leaves)):
        index = int(at * 39)
        side = -side
        angle = float(heading[index]) + side * float(rng.uniform(0.55, 0.95))
        place = (float(line[index, 0]), float(line[index, 1]))
        reach = size_mm * float(rng.uniform(0.22, 0.36))
        member = bud(0.7 * reach, style) if k and rng.random() < 0.25 else leaf(reach, rng, style)
        members.append(turned(member, angle, place))
    members.append(
        turned(
            flower(0.25 * size_mm, rng, style),
            float(heading[-1]),
            (
                float(line[-1, 0]) + 0.1 * size_mm * float(np.cos(heading[-1])),
                float(line[-1, 1]) + 0.1 * size_mm * float(np.sin(heading[-1])),
            ),
        )
    )
    if rng.random() < 0.6:  # a second, smaller flower on a side stalk
        index = int(rng.integers(10, 22))
        angle = float(heading[index]) + side * 1.0
        tip = line[index] + 0.27 * size_mm * np.array([np.cos(angle), np.sin(angle)])
        members.append(
            Element(strokes=(Stroke(np.array([line[index], tip]), style.stem_mm, style.corded),))
        )
        members.append(
            turned(flower(0.14 * size_mm, rng, style), angle, (float(tip[0]), float(tip[1])))
        )
    whole = join_elements(members)
    return whole.moved(np.eye(2), -centre)
