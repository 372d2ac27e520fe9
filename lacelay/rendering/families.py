"""The lace families: each draws one repeat from a generator of random numbers."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry import Polygon

from lacelay.rendering.pattern import (
    EdgeDesign,
    Element,
    Ground,
    Net,
    Pattern,
    Placed,
    Points,
    turned,
)
from lacelay.rendering.shapes import MotifStyle, bud, dot, fan, flower, leaf, scroll, spray

Rng = np.random.Generator

#: Names of the families, in the order in which `--family` lists them.
FAMILIES: dict[str, str] = {
    "sprays": "galloon of net with flower sprays",
    "guipure": "flounce of flowers joined by bars, without net; straight header",
    "corded": "galloon of net with flat motifs outlined by raised cord",
    "beaded": "flounce of net with sprays, beads in runs and sequins",
    "fine-black": "galloon of fine black net with thin garlands and dots",
    "allover": "net with scattered flowers, no scallops",
}


@dataclass(frozen=True)
class _Recipe:
    """Ranges from which a family draws; lengths in mm."""

    kind: str
    width: tuple[float, float]
    pitch: tuple[float, float]
    depth: tuple[float, float]
    nets: tuple[Net, ...]
    mesh: tuple[float, float]
    thread: tuple[float, float]
    style: MotifStyle
    colours: tuple[tuple[float, float, float], ...]
    weave: tuple[float, float]
    relief: float
    members: tuple[str, ...]
    gap: float
    compound: float = 0.0


_WHITE = (0.86, 0.86, 0.84)
_IVORY = (0.82, 0.76, 0.64)
_BLUSH = (0.80, 0.63, 0.57)
_CHAMPAGNE = (0.68, 0.58, 0.44)
_BLACK = (0.018, 0.018, 0.020)
_NAVY = (0.02, 0.028, 0.07)
_WINE = (0.16, 0.02, 0.035)
_SAGE = (0.36, 0.42, 0.33)

_RECIPES: dict[str, _Recipe] = {
    "sprays": _Recipe(
        "galloon", (80, 190), (24, 50), (5, 14), ("hexagonal", "diamond"), (1.7, 3.2),
        (0.2, 0.3), MotifStyle("cloth", "half", 0.45, 0.0, 0.6, 0.9),
        (_WHITE, _IVORY, _BLUSH, _SAGE, _NAVY), (0.5, 0.85), 1.0,
        ("spray", "spray", "leaf", "flower", "dot"), 1.6, 0.3,
    ),
    "guipure": _Recipe(
        "flounce", (60, 170), (24, 60), (8, 18), ("bars",), (6.0, 9.0), (0.55, 1.0),
        MotifStyle("satin", "cloth", 0.9, 0.0, 0.8, 1.5), (_WHITE, _IVORY, _CHAMPAGNE, _WINE),
        (0.6, 0.9), 1.5, ("flower", "leaf", "scroll", "flower", "leaf", "bud"), 2.6, 0.2,
    ),
    "corded": _Recipe(
        "galloon", (100, 230), (28, 66), (6, 17), ("hexagonal",), (1.6, 2.8), (0.18, 0.26),
        MotifStyle("cloth", "cloth", 0.4, 0.85, 0.45, 1.1), (_WHITE, _IVORY, _CHAMPAGNE, _BLUSH),
        (0.42, 0.6), 1.4, ("spray", "scroll", "flower", "leaf", "dot"), 2.0,
    ),
    "beaded": _Recipe(
        "flounce", (90, 230), (26, 60), (6, 16), ("hexagonal", "diamond"), (1.6, 2.8),
        (0.18, 0.26), MotifStyle("cloth", "satin", 0.45, 0.0, 0.35, 0.9, beads=True),
        (_WHITE, _IVORY, _BLUSH, _CHAMPAGNE, _BLACK), (0.42, 0.6), 1.0,
        ("spray", "flower", "leaf", "dot"), 2.2,
    ),
    "fine-black": _Recipe(
        "galloon", (80, 210), (22, 48), (4, 11), ("hexagonal",), (1.2, 1.9), (0.12, 0.18),
        MotifStyle("half", "cloth", 0.32, 0.0, 0.4, 0.5), (_BLACK, _BLACK, _NAVY), (0.4, 0.6), 0.7,
        ("spray", "leaf", "flower", "dot", "dot"), 1.6, 0.25,
    ),
    "allover": _Recipe(
        "allover", (110, 230), (30, 60), (0, 0), ("hexagonal", "diamond"), (1.6, 3.4),
        (0.18, 0.3), MotifStyle("cloth", "half", 0.42, 0.0, 0.5, 0.8),
        (_WHITE, _IVORY, _BLACK, _SAGE, _WINE), (0.45, 0.75), 1.0,
        ("spray", "flower", "leaf", "dot"), 2.0,
    ),
}  # fmt: skip

_GROUPS = {
    "galloon": ("p1", "p1m1", "p11g", "p2", "p2mg", "p11m", "p2mm"),
    "flounce": ("p1", "p1m1"),
    "allover": ("p1", "p11g", "p2mg", "p1m1"),
}
_WITH_MIRROR_ACROSS = ("p1m1", "p2mg", "p2mm")


@dataclass(frozen=True)
class PatternWish:
    """What a pattern is asked to be, instead of what its seed would draw.

    Parameters
    ----------
    symmetry : str, optional
        Frieze group; the family's kind must allow it.
    width_mm, pitch_mm : tuple of float, optional
        Ranges.
    per_repeat : tuple of int, optional
        Least and largest number of scallops in a repeat; then no limit on its length holds.
    ripple_share : tuple of float, optional
        Range of the height of small scallops along the large ones, as a share of these.
    holes_mm : tuple of float, optional
        Range of the pitch of eyelets in a straight header.
    colour : tuple of float, optional
        Linear RGB reflectance.
    metal : float
        How much the thread shines.
    """

    symmetry: str | None = None
    width_mm: tuple[float, float] | None = None
    pitch_mm: tuple[float, float] | None = None
    per_repeat: tuple[int, int] | None = None
    ripple_share: tuple[float, float] | None = None
    holes_mm: tuple[float, float] | None = None
    colour: tuple[float, float, float] | None = None
    metal: float = 0.0


def kind_of(family: str) -> str:
    """Whether a family is a galloon, a flounce or an allover."""
    return _RECIPES[family].kind


def groups_of(family: str) -> tuple[str, ...]:
    """Frieze groups that the edges of a family allow."""
    return _GROUPS[kind_of(family)]


def design_pattern(family: str, rng: Rng, wish: PatternWish | None = None) -> Pattern:
    """Draw one repeat of a lace of a family.

    Parameters
    ----------
    family : str
        One of `FAMILIES`.
    rng : numpy.random.Generator
    wish : PatternWish, optional
        Without one the same generator gives the same pattern for ever.

    Returns
    -------
    Pattern

    Raises
    ------
    ValueError
        When there is no such family, or when it cannot be what was wished.
    """
    if family not in _RECIPES:
        raise ValueError(f"no family {family!r}; there are {', '.join(FAMILIES)}")
    asked = wish or PatternWish()
    recipe = _wished(_RECIPES[family], asked)
    symmetry = str(rng.choice(_GROUPS[recipe.kind]))
    if asked.symmetry is not None:
        if asked.symmetry not in _GROUPS[recipe.kind]:
            raise ValueError(f"a {recipe.kind} is never {asked.symmetry}")
        symmetry = asked.symmetry
    width = float(rng.uniform(*recipe.width))
    pitch = float(rng.uniform(*recipe.pitch))
    per_repeat = int(rng.integers(1, 5))
    while pitch * per_repeat > min(170.0, 2.2 * width + 20) and per_repeat > 1:
        per_repeat -= 1
    while pitch * per_repeat < 44:
        per_repeat += 1
    if asked.per_repeat is not None:
        per_repeat = int(rng.integers(asked.per_repeat[0], asked.per_repeat[1] + 1))
    lower, upper = _edges(recipe, symmetry, pitch, per_repeat, rng)
    repeat = pitch * per_repeat
    if asked.ripple_share is not None:
        lower, upper = _rippled(lower, upper, asked.ripple_share, rng)
    if asked.holes_mm is not None:
        upper = _header(upper, asked.holes_mm, rng)
    colour = recipe.colours[int(rng.integers(len(recipe.colours)))]
    ground = Ground(
        recipe.nets[int(rng.integers(len(recipe.nets)))],
        float(rng.uniform(*recipe.mesh)),
        float(rng.uniform(*recipe.thread)),
        float(rng.choice([0.0, np.pi / 2])) + float(rng.normal(0, 0.02)),
        float(rng.uniform(0.7, 1.6)),
    )
    placed = _fill_repeat(recipe, symmetry, repeat, width, lower, upper, rng)
    edge_beads = np.empty((0, 3))
    if recipe.style.beads:
        edge_beads = _edge_run(lower, repeat)
    return Pattern(
        family, repeat, width, lower, upper, tuple(placed), ground, symmetry, colour,
        float(rng.uniform(*recipe.weave)), recipe.relief, edge_beads, asked.metal,
    )  # fmt: skip


def _wished(recipe: _Recipe, wish: PatternWish) -> _Recipe:
    if wish.width_mm is not None:
        recipe = replace(recipe, width=wish.width_mm)
    if wish.pitch_mm is not None:
        # a smaller scallop keeps its shape
        share = wish.pitch_mm[1] / recipe.pitch[1]
        depth = (min(recipe.depth[0], share * recipe.depth[1]), share * recipe.depth[1])
        recipe = replace(recipe, pitch=wish.pitch_mm, depth=depth)
    if wish.colour is not None:
        recipe = replace(recipe, colours=(wish.colour,))
    return recipe


def _rippled(
    lower: EdgeDesign, upper: EdgeDesign, share: tuple[float, float], rng: Rng
) -> tuple[EdgeDesign, EdgeDesign]:
    """Small scallops along the large ones, the same on both edges."""
    ripples = int(rng.choice([3, 5, 7]))
    height = float(rng.uniform(*share)) * float(lower.depths_mm.mean())

    def rippled(edge: EdgeDesign) -> EdgeDesign:
        if not edge.scalloped:
            return edge
        return replace(edge, ripple_mm=height, ripples=ripples, picot_mm=0.0, picots=0)

    if not lower.scalloped:
        raise ValueError("an edge without scallops has no small ones on them")
    return rippled(lower), rippled(upper)


def _header(edge: EdgeDesign, holes_mm: tuple[float, float], rng: Rng) -> EdgeDesign:
    """A straight header with eyelets at a pitch much finer than the repeat."""
    if edge.scalloped:
        raise ValueError("only a straight edge has a header with eyelets")
    pitch = float(rng.uniform(*holes_mm))
    holes = max(3, round(edge.repeat_mm / pitch))
    return replace(edge, holes=holes, band_mm=1.3 * edge.repeat_mm / holes)


def _edges(
    recipe: _Recipe, symmetry: str, pitch: float, per_repeat: int, rng: Rng
) -> tuple[EdgeDesign, EdgeDesign]:
    repeat = pitch * per_repeat
    straight = EdgeDesign(
        np.array([0.0, repeat]), np.array([0.0]), 1.0, 0.0, 0.0, 0, float(rng.uniform(1.6, 3.0))
    )

    def draw(lean_allowed: bool, even: bool) -> EdgeDesign:
        depth = min(float(rng.uniform(*recipe.depth)), 0.42 * pitch)
        sizes = np.ones(per_repeat)
        if rng.random() < recipe.compound and per_repeat > 1:
            sizes = np.where(np.arange(per_repeat) % 2 == 0, 0.82, 1.18)
            if even:  # a mirror through u = 0 asks for sizes that read the same backwards
                sizes = (sizes + sizes[::-1]) / 2
        valleys = np.concatenate([[0.0], np.cumsum(sizes) / sizes.sum()]) * repeat
        lean = float(rng.uniform(-0.1, 0.1)) if lean_allowed and rng.random() < 0.4 else 0.0
        picot = float(rng.uniform(0.55, 1.0)) if rng.random() < 0.8 else 0.0
        picots = int(rng.integers(2, max(3, int(pitch / 4.5)))) * 2 + 1
        return EdgeDesign(
            valleys, depth * sizes, float(rng.uniform(0.55, 0.95)), lean, picot, picots,
            float(rng.uniform(1.2, 2.2)),
        )  # fmt: skip

    if recipe.kind == "allover":
        return straight, straight
    mirror = symmetry in _WITH_MIRROR_ACROSS
    lower = draw(symmetry in ("p1", "p11g", "p11m"), mirror)
    if recipe.kind == "flounce":
        return lower, straight
    if symmetry in ("p1", "p1m1"):
        return lower, draw(symmetry == "p1", mirror)
    shift = repeat / 2 if symmetry in ("p11g", "p2mg") else 0.0
    valleys, depths = lower.valleys_mm, lower.depths_mm
    if symmetry == "p2":
        valleys, depths = np.sort(repeat - valleys), depths[::-1]
    upper = EdgeDesign(
        valleys + shift, depths, lower.roundness, lower.lean, lower.picot_mm, lower.picots,
        lower.band_mm,
    )  # fmt: skip
    return lower, upper


def _orbit(symmetry: str, repeat: float, width: float) -> list[tuple[Points, Points]]:
    """Matrices and shifts of the group's operations in one repeat, the identity first."""
    mid = width / 2

    def operation(flip_u: float, flip_v: float, shift_u: float) -> tuple[Points, Points]:
        return np.diag([flip_u, flip_v]), np.array([shift_u, mid - flip_v * mid])

    same, across = operation(1, 1, 0), operation(-1, 1, 0)
    along, half_turn = operation(1, -1, 0), operation(-1, -1, 0)
    glide = operation(1, -1, repeat / 2)
    return {
        "p1": [same],
        "p1m1": [same, across],
        "p11g": [same, glide],
        "p11m": [same, along],
        "p2": [same, half_turn],
        "p2mg": [same, half_turn, operation(-1, 1, repeat / 2), glide],
        "p2mm": [same, across, along, half_turn],
    }[symmetry]


def _edge_run(edge: EdgeDesign, repeat: float) -> Points:
    """Beads along the inside of the lower edge, shape (k, 3)."""
    u = np.linspace(0, repeat, 1200)
    line = np.column_stack([u, -edge.height_mm(u) + edge.band_mm + 1.6])
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    at = np.arange(0, arc[-1] - 1.2, arc[-1] / max(1, round(arc[-1] / 2.6)))
    return np.column_stack(
        [np.interp(at, arc, u), np.interp(at, arc, line[:, 1]), np.full(len(at), 1.8)]
    )


def _fill_repeat(
    recipe: _Recipe,
    symmetry: str,
    repeat: float,
    width: float,
    lower: EdgeDesign,
    upper: EdgeDesign,
    rng: Rng,
) -> list[Placed]:
    """Place motifs, large to small, so that none touches another or leaves the lace."""
    table = _Table(symmetry, repeat, width, lower, upper, recipe.gap)
    style = recipe.style
    for edge, base, sign in ((lower, 0.0, -1.0), (upper, width, 1.0)):
        if not edge.scalloped:
            continue
        made: dict[int, Element] = {}
        kind = str(rng.choice(["fan", "flower", "bare"], p=[0.5, 0.4, 0.1]))
        for k, depth in enumerate(edge.depths_mm):
            pitch = float(edge.valleys_mm[k + 1] - edge.valleys_mm[k])
            tenths = round(pitch * 10)
            reach = min(0.40 * pitch, 0.55 * depth + 9.0)
            if tenths not in made:
                made[tenths] = (
                    fan(reach, rng, style)
                    if kind == "fan"
                    else flower(0.62 * reach, rng, style, even=True)
                )
            if kind == "bare":
                continue
            u = float(edge.valleys_mm[k]) + (0.5 + edge.lean) * pitch
            if kind == "fan":
                v = base + sign * (depth - edge.band_mm - 0.9 - reach)
            else:
                v = base + sign * (depth - edge.band_mm - 1.2 - 0.64 * reach)
            table.place(made[tenths], u, v, sign * np.pi / 2)
    span = min(repeat, width)
    sizes = [0.72, 0.58, 0.46, 0.36, 0.28, 0.21, 0.15, 0.11]
    kinds = list(recipe.members)
    for share in sizes:
        size = float(np.clip(share * span * 1.15, 4.0, 75.0))
        for name in kinds:
            small = name in ("dot",)
            if small != (share < 0.2) and name != "leaf":
                continue
            if name == "leaf" and share > 0.4:
                continue
            element = _member(name, size, rng, style)
            tries = 22 if share > 0.2 else 30
            limit = 1 if share > 0.4 else 3 if share > 0.2 else 8
            hits = 0
            for _ in range(tries):
                u = float(rng.uniform(0, repeat))
                v = float(rng.uniform(0.04, 0.96) * width)
                turn = float(rng.uniform(0, 2 * np.pi))
                hits += table.place(element, u, v, turn)
                if hits >= limit:
                    break
    return table.placed


def _member(name: str, size: float, rng: Rng, style: MotifStyle) -> Element:
    if name == "spray":
        return spray(size, rng, style)
    if name == "flower":
        return flower(0.36 * size, rng, style)
    if name == "scroll":
        return scroll(1.25 * size, rng, style)
    if name == "leaf":
        return leaf(max(0.62 * size, 5.0), rng, style)
    if name == "bud":
        return bud(max(0.5 * size, 5.0), style)
    return dot(float(rng.uniform(0.8, 1.5)), style)


class _Table:
    """The repeat being filled: what lies where, and what still fits."""

    def __init__(
        self,
        symmetry: str,
        repeat: float,
        width: float,
        lower: EdgeDesign,
        upper: EdgeDesign,
        gap: float,
    ) -> None:
        self.placed: list[Placed] = []
        self._taken: list[Polygon] = []
        self._kinds: dict[tuple[int, bool], int] = {}
        self._elements: list[Element] = []
        self._outlines: dict[int, Polygon] = {}
        self._orbit = _orbit(symmetry, repeat, width)
        self._repeat, self._gap = repeat, gap
        u = np.arange(-1.5 * repeat, 2.5 * repeat, 0.5)
        low = np.column_stack([u, lower.band_mm + 0.3 - lower.height_mm(u)])
        high = np.column_stack([u, width - upper.band_mm - 0.3 + upper.height_mm(u)])
        self._room = shapely.make_valid(Polygon(np.concatenate([low, high[::-1]])))
        shapely.prepare(self._room)

    def place(self, element: Element, u: float, v: float, turn: float) -> bool:
        """Place an element and its images under the group, if all fit; say whether."""
        base = turned(element, turn, (u, v))
        c, s = np.cos(turn), np.sin(turn)
        shape = self._outline(element)
        outline = shapely.transform(shape, lambda p: p @ np.array([[c, s], [-s, c]]) + [u, v])
        fresh: list[tuple[Element, Polygon, bool]] = []
        for matrix, shift in self._orbit:
            image = shapely.transform(outline, lambda p, m=matrix, t=shift: p @ m.T + t)
            centre = np.array(image.centroid.coords[0])
            home = -np.floor(centre[0] / self._repeat) * self._repeat
            image = shapely.transform(image, lambda p, h=home: p + [h, 0.0])
            moved = base.moved(matrix, shift + np.array([home, 0.0]))
            if element.symmetric and self._known(image, fresh):
                continue  # an element on a mirror line is its own image
            if not self._room.contains(image) or not self._free(image, fresh):
                return False
            fresh.append((moved, image, bool(np.linalg.det(matrix) < 0)))
        for moved, image, flipped in fresh:
            key = (self._index(element), flipped and not element.symmetric)
            kind = self._kinds.setdefault(key, len(self._kinds))
            ring = np.asarray(image.exterior.coords)[:-1]
            self.placed.append(Placed(moved, ring, kind))
            self._taken.append(image)
        return bool(fresh)

    def _index(self, element: Element) -> int:
        for k, known in enumerate(self._elements):
            if known is element:
                return k
        self._elements.append(element)
        return len(self._elements) - 1

    def _outline(self, element: Element) -> Polygon:
        key = self._index(element)
        if key not in self._outlines:
            self._outlines[key] = element.outline().simplify(0.05)
        return self._outlines[key]

    def _known(self, image: Polygon, fresh: list[tuple[Element, Polygon, bool]]) -> bool:
        others = [*self._taken, *[other for _, other, _ in fresh]]
        return any(
            other.intersection(copy).area > 0.98 * copy.area
            for other in others
            for copy in self._copies(image)
        )

    def _copies(self, image: Polygon) -> list[Polygon]:
        return [
            shapely.transform(image, lambda p, k=k: p + [k * self._repeat, 0.0]) for k in (-1, 0, 1)
        ]

    def _free(self, image: Polygon, fresh: list[tuple[Element, Polygon, bool]]) -> bool:
        copies = self._copies(image)
        others = [*self._taken, *[other for _, other, _ in fresh]]
        if others:
            against = np.asarray(others)
            if any(bool(np.any(shapely.dwithin(against, copy, self._gap))) for copy in copies):
                return False
        return not shapely.dwithin(copies[0], image, self._gap)
