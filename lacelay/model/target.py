"""The garment edge that the scallops follow (she reads "the edge")."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lacelay.geometry.plane_curve import PlaneCurve

Points = NDArray[np.float64]
EdgeKind = Literal["hard", "free"]
#: A cut this close to a centre is at the centre.
AT_CENTRE_MM = 2.0
LandmarkRole = Literal["centre", "end", "mark"]


@dataclass(frozen=True)
class Landmark:
    """A named place on the edge (she reads "balance mark").

    `role` is "centre" for a centre front or back, "end" for a seam the edge runs to, and
    "mark" for any other.
    """

    name: str
    s_mm: float
    role: LandmarkRole = "mark"


@dataclass(frozen=True, eq=False)
class TargetEdge:
    """An edge to lay along.

    Parameters
    ----------
    name : str
    curve : PlaneCurve
        Garment millimetres, y up, the covered side on the left of travel.
    kind : {"hard", "free"}
        Hard: a bound or boned edge is there. Free: the lace makes the edge.
    landmarks : sequence of Landmark
    cloth_mm : ndarray, shape (n, 2), or None
        Outline of the piece for pictures.
    source : str
        Where it came from, in plain words ("scoop neckline, 90 mm radius").
    """

    name: str
    curve: PlaneCurve
    kind: EdgeKind = "hard"
    landmarks: Sequence[Landmark] = ()
    cloth_mm: Points | None = None
    source: str = ""

    def __post_init__(self) -> None:
        for mark in self.landmarks:
            if not -1e-6 <= mark.s_mm <= self.curve.length_mm + 1e-6:
                raise ValueError(f"{mark.name} lies off the edge")
        object.__setattr__(self, "landmarks", tuple(self.landmarks))

    @property
    def length_mm(self) -> float:
        """Length of the edge."""
        return self.curve.length_mm

    @property
    def centre(self) -> Landmark | None:
        """The centre front or back, if there is one."""
        return next((mark for mark in self.landmarks if mark.role == "centre"), None)

    def beside_centre(self, s_mm: float, scallop_mm: float) -> bool:
        """Whether a cut there would show beside the centre: within half a scallop, not at it."""
        return self.centre is not None and (
            AT_CENTRE_MM < abs(s_mm - self.centre.s_mm) < scallop_mm / 2
        )
