"""Built-in edges, given by a few measurements.

Frame: garment millimetres, y up, seen from the front, so that the wearer's left is at the
viewer's right (x > 0). The covered cloth lies on the left of travel. Every edge here is a
chain of arcs that meet without a corner, so its landmarks and lengths are exact.

Symmetric edges are built from their centre outwards and then mirrored: a half is a list of
arcs, each (length_mm, kappa), in order from the centre.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lacelay.errors import TargetError
from lacelay.geometry.plane_curve import PlaneCurve
from lacelay.model.target import EdgeKind, Landmark, LandmarkRole, TargetEdge
from lacelay.units import format_length, parse_length_mm

Points = NDArray[np.float64]
Arc = tuple[float, float]
_ANGLE = re.compile(r"^\s*(\d+(?:[.,]\d+)?)\s*(?:deg|degrees?|°)?\s*$", re.IGNORECASE)
#: How much of the garment is drawn beyond the edge, in pictures.
_DRAWN_MM = 180.0


@dataclass(frozen=True)
class ShapeParameter:
    """One measurement of a shape.

    Parameters
    ----------
    name : str
        As she writes it: "lobe-radius".
    keyword : str
        As the building function calls it: "lobe_radius_mm".
    unit : {"mm", "deg"}
        What it is written in; angles are radians in the function.
    default, lowest, highest : float
        In `unit`.
    meaning : str
        In her words.
    """

    name: str
    keyword: str
    unit: Literal["mm", "deg"]
    default: float
    lowest: float
    highest: float
    meaning: str

    def write(self, value: float) -> str:
        """Write a value in its unit.

        Examples
        --------
        >>> SHAPES["circular-hem"].parameter("angle").write(90)
        '90 degrees'
        """
        return format_length(value) if self.unit == "mm" else f"{value:g} degrees"

    def read(self, text: str) -> float:
        """Read a value as she writes it, into its unit.

        Raises
        ------
        UnitError, TargetError
            When the text is no length or no angle.
        """
        if self.unit == "mm":
            return parse_length_mm(text)
        match = _ANGLE.match(text)
        if match is None:
            raise TargetError(f"'{text}' is not an angle.", "Write an angle like 90 or 90deg.")
        return float(match[1].replace(",", "."))


@dataclass(frozen=True)
class Shape:
    """A built-in edge: how to build it and what it is measured by."""

    name: str
    build: Callable[..., TargetEdge]
    meaning: str
    parameters: tuple[ShapeParameter, ...]

    def parameter(self, name: str) -> ShapeParameter:
        """Return the parameter of that name.

        Raises
        ------
        TargetError
            When the shape has none.
        """
        for each in self.parameters:
            if each.name == name:
                return each
        names = ", ".join(each.name for each in self.parameters)
        raise TargetError(f"A {self.name} has no '{name}'.", f"It has {names}.")

    def edge(self, settings: Mapping[str, str] | None = None) -> TargetEdge:
        """Build the edge from settings as she writes them, defaults for the rest.

        Examples
        --------
        >>> hem = SHAPES["circular-hem"].edge({"radius": "40 cm", "angle": "90"})
        >>> round(hem.length_mm, 2), hem.kind
        (628.32, 'free')
        """
        values = {each.name: each.default for each in self.parameters}
        for name, text in (settings or {}).items():
            values[name] = self.parameter(name).read(text)
        arguments = {
            each.keyword: math.radians(values[each.name])
            if each.unit == "deg"
            else values[each.name]
            for each in self.parameters
        }
        return self.build(**arguments)


def bodice_top(
    *,
    dip_radius_mm: float = 45.0,
    dip_angle_rad: float = math.radians(30),
    lobe_radius_mm: float = 95.0,
    side_angle_rad: float = math.radians(40),
    underarm_radius_mm: float = 100.0,
    side_straight_mm: float = 30.0,
) -> TargetEdge:
    """Top edge of a two-lobed bodice front, cloth below it, hard.

    From the centre front outwards: the dip (hollow), a lobe over the bust (rounded), the
    underarm (hollow), and a level part to the side seam. Travel is from the wearer's left
    side seam to the right one.

    Parameters
    ----------
    dip_radius_mm, lobe_radius_mm, underarm_radius_mm : float
        Radii of the three arcs.
    dip_angle_rad : float
        How steeply the edge rises out of the dip.
    side_angle_rad : float
        How steeply it falls to the underarm.
    side_straight_mm : float
        Length of the level part.

    Raises
    ------
    TargetError
        When a measurement is out of its range or the edge crosses itself.
    """
    _hold("bodice-top", locals())
    half = [
        (dip_radius_mm * dip_angle_rad, -1 / dip_radius_mm),
        (lobe_radius_mm * (dip_angle_rad + side_angle_rad), 1 / lobe_radius_mm),
        (underarm_radius_mm * side_angle_rad, -1 / underarm_radius_mm),
        (side_straight_mm, 0.0),
    ]
    curve = _mirrored(half, heading_rad=math.pi)
    foot = float(curve.points_mm[:, 1].min()) - _DRAWN_MM
    right, left = curve.points_mm[0, 0], curve.points_mm[-1, 0]
    cloth = np.vstack([curve.points_mm, [(left * 0.85, foot), (right * 0.85, foot)]])
    marks = _ends(curve, "left side seam", "right side seam")
    source = (
        f"two-lobed bodice top, lobes of {format_length(lobe_radius_mm)} radius, "
        f"dip of {format_length(dip_radius_mm)}"
    )
    return _target("bodice top", curve, "hard", marks, cloth, source)


def scoop_neckline(
    *,
    radius_mm: float = 90.0,
    angle_rad: float = math.pi,
    straight_mm: float = 30.0,
) -> TargetEdge:
    """Scooped neckline, cloth outside its arc, hard.

    Travel is from the wearer's left shoulder down through the centre front to the right
    one, so the edge bends away from the covered cloth throughout (kappa < 0).

    Parameters
    ----------
    radius_mm : float
    angle_rad : float
        How far round the arc goes.
    straight_mm : float
        Length of the straight part at each shoulder.

    Raises
    ------
    TargetError
        When a measurement is out of its range or the edge crosses itself.
    """
    _hold("scoop-neckline", locals())
    half = [(radius_mm * angle_rad / 2, -1 / radius_mm), (straight_mm, 0.0)]
    curve = _mirrored(half, heading_rad=math.pi)
    wide = float(np.abs(curve.points_mm[:, 0]).max()) + _DRAWN_MM / 2
    top, foot = float(curve.points_mm[-1, 1]), float(curve.points_mm[:, 1].min()) - _DRAWN_MM
    box = [(-wide, top - 0.25 * _DRAWN_MM), (-wide, foot), (wide, foot)]
    cloth = np.vstack([curve.points_mm, box, [(wide, top - 0.25 * _DRAWN_MM)]])
    marks = _ends(curve, "left shoulder", "right shoulder")
    return _target(
        "scoop neckline",
        curve,
        "hard",
        marks,
        cloth,
        f"scoop neckline of {format_length(radius_mm)} radius",
    )


def dipped_waist(
    *,
    dip_radius_mm: float = 70.0,
    slope_rad: float = math.radians(25),
    straight_mm: float = 60.0,
    side_radius_mm: float = 150.0,
    side_straight_mm: float = 50.0,
) -> TargetEdge:
    """Lower edge of a bodice that dips at the centre front, cloth above it, hard.

    From the centre front outwards: the dip (rounded), a straight rise, a hollow, and a
    level part to the side seam. Travel is from the wearer's right side seam to the left.

    Parameters
    ----------
    dip_radius_mm, side_radius_mm : float
        Radii of the dip and of the hollow.
    slope_rad : float
        How steeply the edge rises from the dip.
    straight_mm, side_straight_mm : float
        Lengths of the rise and of the level part.

    Raises
    ------
    TargetError
        When a measurement is out of its range.
    """
    _hold("dipped-waist", locals())
    half = [
        (dip_radius_mm * slope_rad, 1 / dip_radius_mm),
        (straight_mm, 0.0),
        (side_radius_mm * slope_rad, -1 / side_radius_mm),
        (side_straight_mm, 0.0),
    ]
    curve = _mirrored(half, heading_rad=0.0)
    top = float(curve.points_mm[:, 1].max()) + _DRAWN_MM
    left, right = curve.points_mm[-1, 0], curve.points_mm[0, 0]
    cloth = np.vstack([curve.points_mm, [(left * 1.1, top), (right * 1.1, top)]])
    marks = _ends(curve, "right side seam", "left side seam")
    return _target(
        "dipped waist",
        curve,
        "hard",
        marks,
        cloth,
        f"dipped waist, dip of {format_length(dip_radius_mm)} radius",
    )


def circular_hem(*, radius_mm: float = 600.0, angle_rad: float = math.pi / 2) -> TargetEdge:
    """Hem cut on a circle, cloth towards its centre, free.

    Travel is from the wearer's right end to the left one, through the middle of the hem.

    Parameters
    ----------
    radius_mm : float
    angle_rad : float
        How far round it goes, short of a full circle.

    Raises
    ------
    TargetError
        When a measurement is out of its range.
    """
    _hold("circular-hem", locals())
    curve = _mirrored([(radius_mm * angle_rad / 2, 1 / radius_mm)], heading_rad=0.0)
    centre = np.array([0.0, radius_mm])
    inner = centre + (curve.points_mm[::-1] - centre) * max(0.35, 1 - 2 * _DRAWN_MM / radius_mm)
    marks = _ends(curve, "right end", "left end", centre="middle of the hem")
    source = f"hem on a circle of {format_length(radius_mm)} radius, {math.degrees(angle_rad):g}°"
    return _target(
        "circular hem", curve, "free", marks, np.vstack([curve.points_mm, inner]), source
    )


def _mirrored(half: Sequence[Arc], *, heading_rad: float) -> PlaneCurve:
    """Build the symmetric curve with the middle of its arcs at (0, 0), heading as given there."""
    half = [(length, kappa) for length, kappa in half if length > 0]
    first = [(length, kappa) for length, kappa in reversed(half)]
    # The two halves of the middle arc are one arc; both ends of travel see the same turn.
    arcs = [*first[:-1], (2 * half[0][0], half[0][1]), *half[1:]]
    turned = sum(length * kappa for length, kappa in half)
    curve = PlaneCurve.from_arcs(arcs, heading_rad=heading_rad - turned)
    middle = curve.at(curve.length_mm / 2)
    return PlaneCurve(curve.points_mm - middle, curve.heading_rad)


def _ends(
    curve: PlaneCurve, start: str, end: str, *, centre: str = "centre front"
) -> list[Landmark]:
    length = curve.length_mm
    places: list[tuple[str, float, LandmarkRole]] = [
        (start, 0.0, "end"),
        (centre, length / 2, "centre"),
        (end, length, "end"),
    ]
    return [Landmark(name, s, role) for name, s, role in places]


def _hold(shape_name: str, values: Mapping[str, float]) -> None:
    """Refuse a measurement outside its range."""
    for each in SHAPES[shape_name].parameters:
        value = values[each.keyword]
        shown = math.degrees(value) if each.unit == "deg" else value
        if not each.lowest - 1e-9 <= shown <= each.highest + 1e-9:
            raise TargetError(
                f"The {each.name} of a {shape_name} cannot be {each.write(shown)}.",
                f"Give one from {each.write(each.lowest)} to {each.write(each.highest)}.",
            )


def _target(
    name: str,
    curve: PlaneCurve,
    kind: EdgeKind,
    marks: Sequence[Landmark],
    cloth_mm: Points,
    source: str,
) -> TargetEdge:
    from shapely import LineString

    if not LineString(curve.points_mm).is_simple:
        raise TargetError(
            f"With these measurements the {name} crosses itself.",
            "Make the angles smaller or the straight parts shorter.",
        )
    return TargetEdge(name, curve, kind, marks, cloth_mm, source)


def _mm(name: str, default: float, lowest: float, highest: float, meaning: str) -> ShapeParameter:
    keyword = name.replace("-", "_") + "_mm"
    return ShapeParameter(name, keyword, "mm", default, lowest, highest, meaning)


def _deg(name: str, default: float, lowest: float, highest: float, meaning: str) -> ShapeParameter:
    keyword = name.replace("-", "_") + "_rad"
    return ShapeParameter(name, keyword, "deg", default, lowest, highest, meaning)


SHAPES: Mapping[str, Shape] = {
    shape.name: shape
    for shape in (
        Shape(
            "bodice-top",
            bodice_top,
            "top of a bodice front with two lobes, from side seam to side seam",
            (
                _mm("dip-radius", 45, 10, 2000, "radius of the dip at the centre front"),
                _deg("dip-angle", 30, 1, 80, "how steeply the edge rises out of the dip"),
                _mm("lobe-radius", 95, 20, 2000, "radius of each lobe over the bust"),
                _deg("side-angle", 40, 1, 80, "how steeply it falls to the underarm"),
                _mm("underarm-radius", 100, 20, 2000, "radius of the hollow at the underarm"),
                _mm("side-straight", 30, 0, 1000, "level part up to the side seam"),
            ),
        ),
        Shape(
            "scoop-neckline",
            scoop_neckline,
            "round neckline from shoulder to shoulder",
            (
                _mm("radius", 90, 20, 2000, "radius of the scoop"),
                _deg("angle", 180, 10, 300, "how far round the scoop goes"),
                _mm("straight", 30, 0, 1000, "straight part at each shoulder"),
            ),
        ),
        Shape(
            "dipped-waist",
            dipped_waist,
            "lower edge of a bodice that dips at the centre front",
            (
                _mm("dip-radius", 70, 10, 2000, "radius of the dip at the centre front"),
                _deg("slope", 25, 1, 80, "how steeply the edge rises from the dip"),
                _mm("straight", 60, 0, 1000, "straight part beside the dip"),
                _mm("side-radius", 150, 20, 2000, "radius of the hollow towards the side"),
                _mm("side-straight", 50, 0, 1000, "level part up to the side seam"),
            ),
        ),
        Shape(
            "circular-hem",
            circular_hem,
            "hem on a circle: a veil, a cape, an overskirt",
            (
                _mm("radius", 600, 50, 10000, "radius of the hem"),
                _deg("angle", 90, 1, 359, "how far round the hem goes, short of a full circle"),
            ),
        ),
    )
}
