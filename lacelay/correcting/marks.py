"""Add and remove beads and cords, and mark flaws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from shapely import LineString, Point, Polygon, contains_xy

from lacelay.correcting.frame import photo_of, to_lace
from lacelay.errors import CorrectionError
from lacelay.model.corrections import (
    BeadAdded,
    BeadRemoved,
    BeadsCleared,
    CordAdded,
    CordRemoved,
    FlawMarked,
)
from lacelay.model.lace import Bead, Lace

Points = NDArray[np.float64]

#: A point this near a bead's middle means that bead, mm; for large ones, this share of them.
NEAR_BEAD_MM, NEAR_BEAD_SHARE = 1.2, 0.6
#: A point this near a cord means that cord, mm.
NEAR_CORD_MM = 2.0


def bead_added(lace: Lace, told: BeadAdded) -> tuple[Lace, str | None]:
    """Add a bead; one read at the same place gives way to hers."""
    place = to_lace(lace, told.at_px)[0]
    same = _bead(lace, place)
    rest = [bead for k, bead in enumerate(lace.beads) if k != same]
    if told.diameter_px is not None:
        diameter = told.diameter_px / _px_per_mm(lace, place)
    elif same is not None:
        diameter = lace.beads[same].diameter_mm
    elif lace.beads:
        diameter = float(np.median([bead.diameter_mm for bead in lace.beads]))
    else:
        raise CorrectionError(
            "How large the added bead is cannot be told: the lace has no others.",
            "Give its size as well.",
        )
    if not Polygon(lace.outline_mm).buffer(diameter).covers(Point(place)):
        raise CorrectionError("A bead was added beside the lace.", "Point at it on the lace.")
    bead = Bead(float(place[0]), float(place[1]), diameter)
    return replace(lace, beads=[*rest, bead]), None


def bead_removed(lace: Lace, told: BeadRemoved) -> tuple[Lace, str | None]:
    """Remove the bead at a point."""
    at = _bead(lace, to_lace(lace, told.at_px)[0])
    if at is None:
        raise CorrectionError(
            "No bead lies at the point where one was removed.",
            "Nothing need be done if the reading has none there; else point at it again.",
        )
    return replace(lace, beads=[bead for k, bead in enumerate(lace.beads) if k != at]), None


def beads_cleared(lace: Lace, told: BeadsCleared) -> tuple[Lace, str | None]:
    """Remove all beads in an area. None there is as she wants it: no word is due."""
    area = Polygon(to_lace(lace, told.area_px)).buffer(0)
    u, v = _places(lace).T
    inside = contains_xy(area, u, v)
    kept = [bead for bead, out in zip(lace.beads, ~inside, strict=True) if out]
    return replace(lace, beads=kept), None


def cord_added(lace: Lace, told: CordAdded) -> tuple[Lace, str | None]:
    """Add a cord."""
    line = to_lace(lace, told.line_px)
    if not Polygon(lace.outline_mm).buffer(NEAR_CORD_MM).intersects(LineString(line)):
        raise CorrectionError("A cord was drawn beside the lace.", "Draw it on the lace.")
    return replace(lace, cords_mm=[*lace.cords_mm, line]), None


def cord_removed(lace: Lace, told: CordRemoved) -> tuple[Lace, str | None]:
    """Remove the cord at a point."""
    point = Point(to_lace(lace, told.at_px)[0])
    far = [LineString(cord).distance(point) for cord in lace.cords_mm if len(cord) > 1]
    index = [k for k, cord in enumerate(lace.cords_mm) if len(cord) > 1]
    if not far or min(far) > NEAR_CORD_MM:
        raise CorrectionError(
            "No cord lies at the point where one was removed.",
            "Nothing need be done if the reading has none there; else point at it again.",
        )
    gone = index[int(np.argmin(far))]
    return replace(lace, cords_mm=[c for k, c in enumerate(lace.cords_mm) if k != gone]), None


def flaw_marked(lace: Lace, told: FlawMarked) -> tuple[Lace, str | None]:
    """Mark an area that is not to be used."""
    area = to_lace(lace, told.area_px)
    if not Polygon(area).buffer(0).intersects(Polygon(lace.outline_mm).buffer(0)):
        raise CorrectionError("A flaw was marked beside the lace.", "Mark it on the lace.")
    return replace(lace, flaws_mm=[*lace.flaws_mm, area]), None


def beads_in_order(lace: Lace) -> Lace:
    """Beads in order of u."""
    return replace(lace, beads=sorted(lace.beads, key=lambda bead: (bead.u_mm, bead.v_mm)))


def lines_in_order(lace: Lace) -> Lace:
    """Cords and flaws in order of their first points."""
    return replace(
        lace,
        cords_mm=sorted(lace.cords_mm, key=lambda line: tuple(line[0])),
        flaws_mm=sorted(lace.flaws_mm, key=lambda line: tuple(line[0])),
    )


def kept_within(lace: Lace, area: Polygon) -> Lace:
    """The record without the beads that lie outside an area."""
    u, v = _places(lace).T
    inside = contains_xy(area, u, v)
    kept = [bead for bead, within in zip(lace.beads, inside, strict=True) if within]
    return lace if len(kept) == len(lace.beads) else replace(lace, beads=kept)


def _places(lace: Lace) -> Points:
    return np.array([(bead.u_mm, bead.v_mm) for bead in lace.beads], dtype=float).reshape(-1, 2)


def _bead(lace: Lace, place: Points) -> int | None:
    """Which bead a point means, or None."""
    if not lace.beads:
        return None
    far = np.hypot(*(_places(lace) - place).T)
    at = int(np.argmin(far))
    reach = max(NEAR_BEAD_MM, NEAR_BEAD_SHARE * lace.beads[at].diameter_mm)
    return at if far[at] <= reach else None


def _px_per_mm(lace: Lace, place: Points) -> float:
    around = place + np.array([[-1.0, 0], [1.0, 0], [0, -1.0], [0, 1.0]])
    seen = photo_of(lace).lace_to_photo(around)
    along, across = seen[1] - seen[0], seen[3] - seen[2]
    return float(np.sqrt(abs(along[0] * across[1] - along[1] * across[0]))) / 2
