"""An edge as a file (`lacelay-edge`)."""

from __future__ import annotations

from typing import Literal

import numpy as np

from lacelay.files.json_form import Form, Length, Plain, Point, as_points, mm, place, points_mm
from lacelay.geometry.plane_curve import PlaneCurve
from lacelay.model.target import Landmark, TargetEdge

#: Landmarks at the very end of an edge may lie this far past it after rounding.
_ROUNDING_MM = 1e-4


class LandmarkForm(Form, frozen=True, kw_only=True):
    """A balance mark: its place along the edge from the start."""

    name: str
    s_mm: Length
    role: Literal["centre", "end", "mark"] = "mark"


class TargetForm(Form, frozen=True, kw_only=True):
    """An edge to lay along.

    Points are garment millimetres (x, y), y up, in order of travel with the covered cloth on
    the left, half a millimetre apart or less. `heading_rad` is the direction of travel at each
    point, unwrapped; where it is null it follows from the points.
    """

    name: str
    source: str
    kind: Literal["hard", "free"]
    landmarks: list[LandmarkForm]
    points_mm: list[Point]
    heading_rad: list[Plain] | None = None
    cloth_mm: list[Point] | None = None


class TargetFile(Form, frozen=True, kw_only=True):
    """An edge to lay along, as a file."""

    format: Literal["lacelay-edge"] = "lacelay-edge"
    version: Literal[1] = 1
    edge: TargetForm


def target_form(target: TargetEdge) -> TargetForm:
    """Return the edge as stored; its points to 1e-9 mm, so that lengths keep 1e-6 mm."""
    heading = target.curve.heading_rad
    fine = np.round(target.curve.points_mm, 9) + 0.0
    return TargetForm(
        name=target.name,
        source=target.source,
        kind=target.kind,
        landmarks=[
            LandmarkForm(name=mark.name, s_mm=max(0.0, mm(mark.s_mm)), role=mark.role)
            for mark in target.landmarks
        ],
        points_mm=[(x, y) for x, y in fine.tolist()],
        heading_rad=None if heading is None else (np.round(heading, 12) + 0.0).tolist(),
        cloth_mm=None if target.cloth_mm is None else points_mm(target.cloth_mm),
    )


def target_from_form(form: TargetForm) -> TargetEdge:
    """Return the edge a form stands for.

    Raises
    ------
    ValueError
        When the form contradicts itself; names the place.
    """
    with place("edge"):
        heading = None if form.heading_rad is None else np.array(form.heading_rad, dtype=float)
        curve = PlaneCurve(as_points(form.points_mm), heading)
        marks = [
            Landmark(mark.name, _held(mark.s_mm, curve.length_mm), mark.role)
            for mark in form.landmarks
        ]
        cloth = None if form.cloth_mm is None else as_points(form.cloth_mm)
        return TargetEdge(form.name, curve, form.kind, marks, cloth, form.source)


def _held(s_mm: float, length_mm: float) -> float:
    return length_mm if length_mm < s_mm <= length_mm + _ROUNDING_MM else s_mm
