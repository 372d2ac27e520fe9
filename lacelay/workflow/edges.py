"""Which edge to lay along, as she names it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from lacelay.errors import TargetError
from lacelay.files.records import is_record, read_target
from lacelay.model.target import EdgeKind, TargetEdge
from lacelay.units import parse_length_mm


@dataclass(frozen=True)
class EdgeRequest:
    """Which edge to lay along, as she names it.

    Parameters
    ----------
    name : str
        A built-in shape, `FILE.svg#id`, or a JSON file of an edge or a plan.
    settings : mapping
        Measurements of a built-in shape.
    covered : {"left", "right"} or None
        Covered side of a drawn path.
    kind : {"hard", "free"} or None
    centre_at : str or None
        Where the centre lies on a drawn path: a length, or "middle".
    drawing_width_mm : float or None
        True width of a drawing without real units.
    """

    name: str
    settings: Mapping[str, str] | None = None
    covered: Literal["left", "right"] | None = None
    kind: EdgeKind | None = None
    centre_at: str | None = None
    drawing_width_mm: float | None = None


def find_edge(request: EdgeRequest) -> TargetEdge:
    """Return the edge she names.

    Raises
    ------
    TargetError, UnitError, MissingFileError, FileFormError
        When there is no such edge or it cannot be used.
    """
    from lacelay.model.shapes import SHAPES

    settings = dict(request.settings or {})
    drawing = re.fullmatch(r"(.+\.svg)#(.+)", request.name, re.IGNORECASE)
    if request.name in SHAPES:
        if request.covered or request.centre_at or request.drawing_width_mm:
            raise TargetError(
                f"A {request.name} has its own covered side, centre and size.",
                "Leave out --covered, --centre-at and --drawing-width, or name a drawing.",
            )
        edge = SHAPES[request.name].edge(settings)
    elif settings:
        raise TargetError(
            f"--set is for a built-in edge, and '{request.name}' is none.",
            f"Built in are {', '.join(SHAPES)}.",
        )
    elif drawing is not None:
        edge = _drawn_edge(Path(drawing[1]), drawing[2], request)
    elif is_record(Path(request.name)):
        edge = read_target(Path(request.name))
    else:
        remedy = f"Name one of {', '.join(SHAPES)}, or a drawing as FILE.svg#id."
        if request.name.lower().endswith(".svg"):
            remedy = f"Say which path: {request.name}#its-id."
        raise TargetError(f"'{request.name}' is no edge that is known.", remedy)
    return edge if request.kind is None else replace(edge, kind=request.kind)


def _drawn_edge(file: Path, element_id: str, request: EdgeRequest) -> TargetEdge:
    from lacelay.files.svg_edge import read_svg_edge

    if request.covered is None:
        raise TargetError(
            f"On which side of '{element_id}' the cloth is covered was not said.",
            "Add --covered left or --covered right, seen along the path as it was drawn.",
        )
    middle: Literal["middle"] = "middle"
    at = request.centre_at
    return read_svg_edge(
        file,
        element_id,
        covered=request.covered,
        kind=request.kind or "hard",
        centre_at_mm=None if at is None else middle if at == middle else parse_length_mm(at),
        drawing_width_mm=request.drawing_width_mm,
    )
