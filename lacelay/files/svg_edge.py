"""One path of an SVG drawing in real units, as an edge.

Frame: the drawing as it is seen, millimetres, then turned to y up. "Left" is left of the
path's own direction as drawn: a path drawn from left to right has its left side above it.
Turning y up changes the numbers and not the picture, so left stays left.

Only the named element and its ancestors are followed, so that nothing else in the file can
make the work large; the file is searched for entities before anything else is done.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal
from xml.etree.ElementTree import Element, ParseError

import numpy as np
from numpy.typing import NDArray

from lacelay.errors import FileFormError, TargetError
from lacelay.files.disk import read_file
from lacelay.geometry.plane_curve import STEP_MM, PlaneCurve
from lacelay.model.target import EdgeKind, Landmark, TargetEdge
from lacelay.units import MM_PER_INCH, format_length

Points = NDArray[np.float64]
#: The flattened path stays this near to the true one.
TOLERANCE_MM = 0.05
#: Points this near each other keep the curvature of an arc after even resampling: a chord
#: of 0.1 mm on a radius of 30 mm turns by 3 mrad, and its resampled heading is good to 0.1 mrad.
_CHORD_MM = 0.1
#: A turn between two flattened chords that is no longer part of a bend.
_CORNER_RAD = 0.05
LONGEST_MM, SHORTEST_MM = 20_000.0, 5.0
#: Any curve drawn by a person has fewer; more would take minutes to read.
LARGEST_POINTS = 1_000_000
_LARGEST_BYTES = 50_000_000
_MM_PER_USER_UNIT = MM_PER_INCH / 96  # CSS: an inch is 96 user units
_MM = {"mm": 1.0, "cm": 10.0, "in": MM_PER_INCH, "pt": MM_PER_INCH / 72, "pc": MM_PER_INCH / 6}
_MM["q"] = 0.25
_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_SIZE = re.compile(rf"^\s*({_NUMBER})\s*([a-zA-Z%]*)\s*$")
_PATH_DATA = re.compile(r"^[\sMmZzLlHhVvCcSsQqTtAa0-9eE+\-.,]*$")
_SHAPES = ("path", "line", "polyline", "polygon", "circle", "ellipse", "rect")
_NOT_DRAWN = ("defs", "symbol", "clipPath", "mask", "pattern", "marker")
_REDRAW = "Redraw it as a plain path, or export the drawing as plain SVG."


def read_svg_edge(
    path: Path,
    element_id: str,
    *,
    covered: Literal["left", "right"],
    kind: EdgeKind = "hard",
    centre_at_mm: float | Literal["middle"] | None = None,
    drawing_width_mm: float | None = None,
) -> TargetEdge:
    """Read one path of a drawing as an edge.

    Parameters
    ----------
    path : Path
        An SVG file whose width and height are in mm, cm, in, pt or pc.
    element_id : str
        The path's id.
    covered : {"left", "right"}
        On which side of the path's own direction the covered cloth lies, as drawn.
    kind : {"hard", "free"}
    centre_at_mm : float, "middle" or None
        Where the centre front or back lies, from the path's own start.
    drawing_width_mm : float or None
        True width of a drawing that has no real units.

    Returns
    -------
    TargetEdge
        Landmarks at both ends, and at the centre where one is given.

    Raises
    ------
    MissingFileError, FileFormError
        When the file is not there or is not an SVG drawing that can be used.
    TargetError
        When it has no real units or no such path, or the path is no edge to lay along.
    """
    root = _parse(path)
    chain = _chain_to(path, root, element_id)
    width_mm, to_mm, viewport = _page(path, root, drawing_width_mm)
    for ancestor in chain[1:]:
        step, viewport = _step(element_id, ancestor, viewport)
        to_mm = step * to_mm
    points = _flattened(element_id, chain[-1], to_mm, width_mm) * np.array([1.0, -1.0])
    _hold_edge(element_id, points)
    curve = _even(points)
    centre = _centre(element_id, curve.length_mm, centre_at_mm)
    if covered == "right":
        curve = curve.reversed()
        centre = None if centre is None else curve.length_mm - centre
    marks = [Landmark("start of the edge", 0.0, "end")]
    if centre is not None:
        marks.append(Landmark("centre", centre, "centre"))
    marks.append(Landmark("end of the edge", curve.length_mm, "end"))
    source = f"{path.name}, path {element_id}, {format_length(curve.length_mm)} long"
    return TargetEdge(element_id, curve, kind, marks, None, source)


def _parse(path: Path) -> Element:
    from defusedxml.common import DefusedXmlException
    from defusedxml.ElementTree import fromstring

    data = read_file(path, largest_bytes=_LARGEST_BYTES)
    not_svg = FileFormError(f"{path} is not an SVG drawing.", "Export the pattern as plain SVG.")
    try:
        root = fromstring(data)
    except DefusedXmlException as problem:
        raise FileFormError(
            f"{path} defines entities, which may hide anything.",
            "Open it in a drawing program and save it as plain SVG.",
        ) from problem
    except (ParseError, ValueError, LookupError, RecursionError) as problem:
        raise not_svg from problem
    if not isinstance(root, Element) or _tag(root) != "svg":
        raise not_svg
    if any(_tag(each) == "script" for each in root.iter()):
        raise FileFormError(
            f"{path} carries a script.", "Open it in a drawing program and save it as plain SVG."
        )
    return root


def _tag(element: Element) -> str:
    """Return the name without its namespace; comments have none."""
    return element.tag.rpartition("}")[2] if isinstance(element.tag, str) else ""


def _chain_to(path: Path, root: Element, element_id: str) -> list[Element]:
    """Root, ancestors and the element itself; without recursion, for files nested deep."""
    parents: dict[Element, Element] = {}
    found: list[Element] = []
    for parent in root.iter():
        for child in parent:
            parents[child] = parent
            if child.get("id") == element_id:
                found.append(child)
    if not found:
        names = [each.get("id", "") for each in root.iter() if _tag(each) in _SHAPES]
        named = [name for name in names if name]
        shown = ", ".join(named[:12]) + (" ..." if len(named) > 12 else "")
        remedy = f"There are: {shown}." if named else "Give the path an id in the drawing program."
        raise TargetError(f"{path} has no path with the id '{element_id}'.", remedy)
    if len(found) > 1:
        raise TargetError(
            f"{path} has {len(found)} things with the id '{element_id}'.", "Rename all but one."
        )
    chain = [found[0]]
    while chain[-1] in parents:
        chain.append(parents[chain[-1]])
    chain.reverse()
    if _tag(found[0]) not in _SHAPES:
        raise TargetError(
            f"'{element_id}' is not a path but a <{_tag(found[0])}>.", "Name a single path."
        )
    if any(_tag(each) in _NOT_DRAWN for each in chain):
        raise TargetError(
            f"'{element_id}' is a definition and not drawn itself.", "Name a path that is drawn."
        )
    return chain


def _page(
    path: Path, root: Element, drawing_width_mm: float | None
) -> tuple[float, Any, tuple[float, float]]:
    """Width in mm, matrix from user units to mm, and the viewport in user units."""
    box = _view_box(root)
    width = _page_length(root.get("width"))
    height = _page_length(root.get("height"))
    if drawing_width_mm is not None:
        drawn = box[2] if box else _plain_number(root.get("width"))
        if not drawn:
            raise TargetError(
                f"{path} has neither a width nor a viewBox, so its size cannot be given.",
                "Set the document's size in the drawing program.",
            )
        height = drawing_width_mm * box[3] / box[2] if box else drawing_width_mm
        box = box or (0.0, 0.0, drawn, drawn)
        width = drawing_width_mm
    if width is None and height is not None and box:
        width = height * box[2] / box[3]
    if width is None:
        raise TargetError(
            f"{path} has no real units: its width is '{root.get('width', 'not given')}'.",
            "Set the document's units to mm in the drawing program, or give its true width "
            "with --drawing-width.",
        )
    if height is None:
        height = width * box[3] / box[2] if box else width
    if not box:
        box = (0.0, 0.0, width / _MM_PER_USER_UNIT, height / _MM_PER_USER_UNIT)
    return width, _fitted(root, 0.0, 0.0, width, height, box), (box[2], box[3])


def _page_length(text: str | None) -> float | None:
    """Millimetres, or None where the text has no physical unit (px counts as none)."""
    match = _SIZE.match(text or "")
    if match is None or match[2].lower() not in _MM:
        return None
    value = float(match[1]) * _MM[match[2].lower()]
    return value if 0 < value < 1e6 else None


def _plain_number(text: str | None) -> float | None:
    match = _SIZE.match(text or "")
    return float(match[1]) if match and match[2] in ("", "px") and float(match[1]) > 0 else None


def _view_box(element: Element) -> tuple[float, float, float, float] | None:
    numbers = re.findall(_NUMBER, element.get("viewBox", ""))
    if len(numbers) != 4:
        return None
    x, y, w, h = (float(each) for each in numbers)
    return (x, y, w, h) if w > 0 and h > 0 and np.isfinite([x, y, w, h]).all() else None


def _fitted(
    element: Element,
    x: float,
    y: float,
    width: float,
    height: float,
    box: tuple[float, float, float, float],
) -> Any:
    """Matrix from a viewBox to the room it is fitted into (SVG 2, section 8.2)."""
    from svgelements import Matrix, Viewbox

    aspect = element.get("preserveAspectRatio", "xMidYMid meet")
    return Matrix(Viewbox.viewbox_transform(x, y, width, height, *box, aspect))


def _step(
    element_id: str, element: Element, viewport: tuple[float, float]
) -> tuple[Any, tuple[float, float]]:
    """Matrix of one ancestor (or of the path itself), and the viewport inside it."""
    from svgelements import Matrix

    if re.search(r"(?:^|;)\s*transform\s*:", element.get("style", "")):
        raise TargetError(f"'{element_id}' is moved by a style.", _REDRAW)
    try:
        own = Matrix(element.get("transform", ""))
    except Exception as problem:
        raise TargetError(
            f"'{element_id}' has a transform that cannot be read.", _REDRAW
        ) from problem
    if _tag(element) != "svg":
        return own, viewport
    x, y = _inner_length(element.get("x"), 0.0), _inner_length(element.get("y"), 0.0)
    width = _inner_length(element.get("width"), viewport[0])
    height = _inner_length(element.get("height"), viewport[1])
    box = _view_box(element)
    if box is None:
        return Matrix.translate(x, y) * own, (width, height)
    return _fitted(element, x, y, width, height, box) * own, (box[2], box[3])


def _inner_length(text: str | None, default: float) -> float:
    """User units of a length inside the drawing; a share is one of `default`."""
    match = _SIZE.match(text or "")
    if match is None:
        return default
    number, unit = float(match[1]), match[2].lower()
    if unit == "%":
        return number / 100 * default
    return number * _MM[unit] / _MM_PER_USER_UNIT if unit in _MM else number


def _flattened(element_id: str, element: Element, to_mm: Any, width_mm: float) -> Points:
    """Points along the path in mm, y down, dense enough to keep its curvature."""
    cannot = TargetError(f"The path '{element_id}' cannot be read.", _REDRAW)
    data = element.get("d", "") or element.get("points", "")
    if sum(1 for _ in re.finditer(_NUMBER, data)) > 2 * LARGEST_POINTS:
        raise TargetError(
            f"The path '{element_id}' has more than a million points.",
            "Simplify it in the drawing program.",
        )
    if not _PATH_DATA.match(data):
        raise cannot
    try:
        segments = list(_segments(element_id, element, to_mm))
    except TargetError:
        raise
    except Exception as problem:  # the library's parser fails in many ways on odd paths
        raise cannot from problem
    if not segments:
        raise TargetError(f"The path '{element_id}' is empty.", "Draw it, or name another one.")
    controls = np.array([np.pad(each, ((0, 4 - len(each)), (0, 0)), "edge") for each in segments])
    if not np.isfinite(controls).all():
        raise cannot
    lengths = np.hypot(*np.diff(controls, axis=1).transpose(2, 0, 1)).sum(axis=1)
    if lengths.sum() > 4 * LONGEST_MM:
        raise _too_large(element_id, float(lengths.sum()), width_mm)
    flat = [
        _bezier(segment, _steps(segment, float(length)))
        for segment, length in zip(segments, lengths, strict=True)
    ]
    return np.concatenate([segments[0][:1], *flat])


def _segments(element_id: str, element: Element, to_mm: Any) -> Iterator[Points]:
    """Control points in mm of each line, quadratic or cubic, shapes (2..4, 2)."""
    from svgelements import Close, Move
    from svgelements import Path as SvgPath

    outline = SvgPath(_plain_shape(element))
    # Arcs go wrong under a skew, so they become cubics before the matrix is applied.
    outline.approximate_arcs_with_cubics(error=1e-4)
    outline = abs(outline * to_mm)
    moves = 0
    for segment in outline:
        if isinstance(segment, Move):
            moves += 1
            if moves > 1:
                raise TargetError(
                    f"The path '{element_id}' is in several pieces.",
                    "Break it apart and name one piece.",
                )
            continue
        if isinstance(segment, Close) and segment.end is None:
            continue
        corners = [segment.start]
        for name in ("control", "control1", "control2"):
            if hasattr(segment, name):
                corners.append(getattr(segment, name))
        corners.append(segment.end)
        points = np.array([(each.x, each.y) for each in corners], dtype=float)
        if np.ptp(points, axis=0).max() > 0:
            yield points


def _plain_shape(element: Element) -> Any:
    """Return the shape by its own numbers only: transform and style are followed elsewhere."""
    import svgelements

    numbers = {
        name: value
        for name, value in element.attrib.items()
        if name in ("d", "points", "x1", "x2", "y1", "y2", "x", "y", "width", "height")
        or name in ("rx", "ry", "cx", "cy", "r")
    }
    kinds = {
        "path": svgelements.Path,
        "line": svgelements.SimpleLine,
        "polyline": svgelements.Polyline,
        "polygon": svgelements.Polygon,
        "circle": svgelements.Circle,
        "ellipse": svgelements.Ellipse,
        "rect": svgelements.Rect,
    }
    if _tag(element) == "path":
        return svgelements.Path(numbers.get("d", ""))
    return kinds[_tag(element)](numbers)


def _steps(controls: Points, length: float) -> int:
    """Return how many chords keep within tolerance and within `_CHORD_MM` on a curve."""
    if len(controls) == 2:
        return 1
    bends = np.hypot(*np.diff(controls, n=2, axis=0).T).max()
    by_tolerance = np.sqrt(0.75 * bends / TOLERANCE_MM)
    return int(np.ceil(max(by_tolerance, length / _CHORD_MM, 1.0)))


def _bezier(controls: Points, steps: int) -> Points:
    """Points at equal steps of the parameter, the first one left out."""
    t = np.linspace(0.0, 1.0, steps + 1)[1:, None]
    level = [controls[k] for k in range(len(controls))]
    shaped: Sequence[Points] = [np.broadcast_to(each, (steps, 2)) for each in level]
    while len(shaped) > 1:
        shaped = [(1 - t) * a + t * b for a, b in pairwise(shaped)]
    return np.asarray(shaped[0], dtype=np.float64)


def _even(points: Points) -> PlaneCurve:
    """Return the curve at even steps, its corners kept as points of their own."""
    steps = np.diff(points, axis=0)
    keep = np.hypot(*steps.T) > 1e-9
    points, steps = np.vstack([points[:1], points[1:][keep]]), steps[keep]
    turns = np.abs(np.diff(np.unwrap(np.arctan2(steps[:, 1], steps[:, 0]))))
    breaks = [0, *(np.flatnonzero(turns > _CORNER_RAD) + 1).tolist(), len(points) - 1]
    pieces = [points[:1]]
    for start, end in pairwise(breaks):
        piece = points[start : end + 1]
        s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(piece, axis=0).T))])
        even = np.linspace(0.0, s[-1], max(2, int(np.ceil(s[-1] / STEP_MM)) + 1))[1:]
        pieces.append(np.stack([np.interp(even, s, piece[:, k]) for k in (0, 1)], axis=1))
    return PlaneCurve(np.concatenate(pieces))


def _too_large(element_id: str, length_mm: float, width_mm: float) -> TargetError:
    return TargetError(
        f"The path '{element_id}' would be {length_mm / 1000:.0f} m long in a drawing "
        f"{format_length(width_mm)} wide.",
        "Check the document's units and the path's scale.",
    )


def _hold_edge(element_id: str, points: Points) -> None:
    """Refuse what is no edge: of odd size, closed, or crossing itself."""
    from shapely import LineString

    line = LineString(points)
    if not SHORTEST_MM <= line.length <= LONGEST_MM:
        size = f"{line.length:.1f} mm" if line.length < 100 else format_length(line.length)
        raise TargetError(
            f"The path '{element_id}' is {size} long, which is no garment's edge.",
            "Check the document's units and the path's scale.",
        )
    if np.hypot(*(points[0] - points[-1])) < 1e-3 * SHORTEST_MM:
        raise TargetError(
            f"The path '{element_id}' is closed, and lace is laid from one end to the other.",
            "Cut it open at a seam.",
        )
    if not line.is_simple:
        raise TargetError(
            f"The path '{element_id}' crosses or retraces itself.", "Draw it without the crossing."
        )


def _centre(
    element_id: str, length_mm: float, centre_at_mm: float | Literal["middle"] | None
) -> float | None:
    if centre_at_mm is None:
        return None
    if centre_at_mm == "middle":
        return length_mm / 2
    if not 0 <= centre_at_mm <= length_mm:
        raise TargetError(
            f"The centre at {format_length(centre_at_mm)} lies off the path '{element_id}', "
            f"which is {format_length(length_mm)} long.",
            "Measure it from the start of the path.",
        )
    return centre_at_mm
