"""What she writes, as the values the verbs take."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any, Literal, TypeVar

from lacelay.errors import PlanError, UnitError
from lacelay.model.wishes import Centre, Limits, Weights, Wishes
from lacelay.units import parse_length_mm

if TYPE_CHECKING:
    from lacelay.reading.scale import ScaleRequest
    from lacelay.reading.tape import Tape

Record = TypeVar("Record", Weights, Limits)
_POINT = r"(-?\d+(?:\.\d+)?),(-?\d+(?:\.\d+)?)"


def read_scale(
    grid: str | None = None,
    two_points: str | None = None,
    width: str | None = None,
    four_points: str | None = None,
    ignore: Collection[str] = (),
) -> ScaleRequest:
    """Read what she says of the scale.

    Examples
    --------
    >>> read_scale(two_points="10,20 810,20 100mm").two_points
    ((10.0, 20.0), (810.0, 20.0), 100.0)
    >>> read_scale(four_points="0,0 800,0 800,600 0,600 20cm x 15cm").sides_mm
    (200.0, 150.0)
    """
    from lacelay.reading.scale import ScaleRequest

    two = None
    if two_points is not None:
        match = re.fullmatch(rf"\s*{_POINT}\s+{_POINT}\s+(.+)", two_points)
        if match is None:
            raise UnitError(
                f"'{two_points}' is not two points and a length.",
                'Write them like "120,300 2520,310 100mm", in pixels of the upright photo.',
            )
        (a, b), rest = _points(match, 2), match[5]
        two = (a, b, parse_length_mm(rest))
    four = sides = None
    if four_points is not None:
        points = r"\s+".join([_POINT] * 4)
        match = re.fullmatch(rf"\s*{points}\s+(.+?)\s*[x×]\s*(.+)", four_points)
        if match is None:
            raise UnitError(
                f"'{four_points}' is not four points and two sides.",
                'Write them like "120,300 2520,310 2500,1900 130,1880 20cm x 13cm", in order '
                "round the rectangle.",
            )
        a, b, c, d = _points(match, 4)
        four = (a, b, c, d)
        sides = (parse_length_mm(match[9]), parse_length_mm(match[10]))
    return ScaleRequest(
        grid_mm=None if grid is None else parse_length_mm(grid),
        two_points=two,
        width_mm=None if width is None else parse_length_mm(width),
        four_points=four,
        sides_mm=sides,
        ignore=frozenset(ignore),
    )


def read_tape(text: str) -> Tape:
    """Read a length over several repeats.

    Examples
    --------
    >>> tape = read_tape("3.06 m / 5")
    >>> tape.over_mm, tape.copies
    (3060.0, 5)
    """
    from lacelay.reading.tape import Tape

    length, slash, copies = (part.strip() for part in text.rpartition("/"))
    if not slash or not copies.isdigit() or int(copies) < 1:
        raise UnitError(
            f"'{text}' is not a length over a number of repeats.",
            'Write it like "3.06 m / 5": five repeats are 3.06 m long.',
        )
    return Tape(parse_length_mm(length), int(copies))


def read_marks(text: str) -> tuple[tuple[float, float], tuple[float, float]]:
    """Read two points of the upright photo.

    Examples
    --------
    >>> read_marks("120,300 2520,310")
    ((120.0, 300.0), (2520.0, 310.0))
    """
    match = re.fullmatch(rf"\s*{_POINT}\s+{_POINT}\s*", text)
    if match is None:
        raise UnitError(
            f"'{text}' is not two points.",
            'Write them like "120,300 2520,310", in pixels of the upright photo.',
        )
    first, second = _points(match, 2)
    return first, second


def _points(match: re.Match[str], count: int) -> list[tuple[float, float]]:
    return [(float(match[2 * k + 1]), float(match[2 * k + 2])) for k in range(count)]


def wishes(
    *,
    side: Literal["lower", "upper", "either"] = "either",
    centre: Centre = "either",
    depth_mm: float | None = None,
    stand_mm: float | None = None,
    laying_depth_mm: float | None = None,
    vary_depth: bool = False,
) -> Wishes:
    """Return what she would like, where she said nothing the usual.

    Raises
    ------
    PlanError
        When the border would have no depth, or one depth that varies.
    """
    if depth_mm is not None and depth_mm <= 0:
        raise PlanError(
            "A border has a depth.", "Give --depth a length like 6 cm, or leave it out."
        )
    if depth_mm is not None and vary_depth:
        raise PlanError(
            "A border of one depth all along cannot vary in depth.",
            "Give --depth or --vary-depth, not both.",
        )
    usual = Wishes()
    return Wishes(
        side=side,
        centre=centre,
        border_depth_mm=depth_mm,
        laying_depth_mm=laying_depth_mm,
        stand_mm=usual.stand_mm if stand_mm is None else stand_mm,
        vary_depth=vary_depth,
    )


def read_share(text: str) -> float:
    """Read a share, written as one or as a percentage.

    Examples
    --------
    >>> read_share("15 %"), read_share("0.15")
    (0.15, 0.15)
    """
    match = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*(%?)\s*", text)
    share = float(match[1].replace(",", ".")) / (100 if match[2] else 1) if match else -1.0
    if not 0 <= share <= 1:
        raise UnitError(f"'{text}' is not a share.", "Write it like 15%.")
    return share


def adjusted(record: Record, settings: Mapping[str, str]) -> Record:
    """Change weights or limits by her settings: `lap` is `lap_mm`, hyphens for underscores.

    Examples
    --------
    >>> adjusted(Limits(), {"lap": "2 cm", "stretch": "1.5 %"}).lap_mm
    20.0
    >>> adjusted(Weights(), {"cut": "12"}).cut
    12.0
    """
    changes: dict[str, Any] = {}
    for name, text in settings.items():
        field = _field_of(record, name)
        if isinstance(record, Weights):
            changes[field] = _read_minutes(name, text)
        elif field.endswith("_mm"):
            changes[field] = parse_length_mm(text)
        else:
            changes[field] = read_share(text)
        if changes[field] < 0:
            raise UnitError(f"'{name}' cannot be '{text}'.", "Give nothing below 0.")
    return replace(record, **changes)


def _read_minutes(name: str, text: str) -> float:
    match = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*(?:min|minutes?)?\s*", text)
    if match is None:
        raise UnitError(f"'{name}' cannot be '{text}'.", "Give minutes, like 12.")
    return float(match[1].replace(",", "."))


def _field_of(record: Weights | Limits, name: str) -> str:
    plain = name.replace("-", "_")
    known = [each.name for each in fields(record)]
    for field in known:
        if plain in (field, field.removesuffix("_mm")):
            return field
    names = ", ".join(_her_name(record, field) for field in known)
    raise UnitError(f"There is no '{name}' to set.", f"There are {names}.")


def _her_name(record: Weights | Limits, field: str) -> str:
    short = field.removesuffix("_mm") if isinstance(record, Limits) else field
    return short.replace("_", "-")
