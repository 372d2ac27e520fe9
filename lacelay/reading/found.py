"""A reference found in the photo: what it is, the map it gives, how far it can be trusted."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lacelay.reading.lens import PlaneFit

Floats = NDArray[np.float64]
Kind = Literal["board", "sheet", "card", "ruler", "four points"]
KINDS: tuple[Kind, ...] = ("board", "sheet", "card", "ruler", "four points")
#: A camera held by hand over a table is off square by some degrees: what a scale taken as
#: seen from straight above is worth elsewhere in the photo, as a share.
UNSQUARE_SIGMA = 0.015


@dataclass(frozen=True, eq=False)
class Found:
    """One reference in the photo.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    name : str
        In plain words: "A4 sheet".
    photo_to_mat : ndarray, shape (3, 3)
        From photo pixels, lens distortion removed, to mat mm, y up.
    radial, centre_px, focal_px
        As in `PhotoMap`.
    relative_sigma : float
        Standard uncertainty of lengths over the photo, as a share of them.
    slant_seen : bool
        Whether the map has the camera's slant; else the photo is taken as seen from straight
        above.
    middle_px : tuple of float
        Where the reference lies.
    areas_px : tuple of ndarray, each (n, 2)
        Outlines of the reference itself in the photo.
    bare : bool
        Whether nothing lies on it, so that its areas hold no lace.
    points_px : mapping of str to tuple
        Named photo points (x, y) that fix it; `references.moved` takes others in their place.
    residual_px : float
        Root mean square miss of what was measured.
    doubts : tuple of str
        What it was taken for without more proof; another reference that agrees is proof.
    local_sigma : float or None
        The same as `relative_sigma` where the reference itself lies; None: no better there.
    """

    kind: Kind
    name: str
    photo_to_mat: Floats
    centre_px: tuple[float, float]
    focal_px: float
    relative_sigma: float
    middle_px: tuple[float, float]
    areas_px: tuple[Floats, ...]
    points_px: Mapping[str, tuple[float, float]]
    radial: tuple[float, float] = (0.0, 0.0)
    slant_seen: bool = True
    bare: bool = True
    residual_px: float = 0.0
    doubts: tuple[str, ...] = ()
    local_sigma: float | None = None

    def to_mat(self, photo_px: Floats) -> Floats:
        """Mat points of photo points, shape (n, 2)."""
        return self.plane.to_mat(photo_px)

    @property
    def plane(self) -> PlaneFit:
        """The map alone."""
        kept = np.ones(0, dtype=bool)
        return PlaneFit(
            self.photo_to_mat,
            self.radial,
            self.centre_px,
            self.focal_px,
            self.residual_px,
            self.relative_sigma,
            kept,
        )

    def units_of(self, to_mat: Callable[[Floats], Floats]) -> float:
        """How many mm one unit of another map is, by the distances between the own points."""
        points = np.array(list(self.points_px.values()))
        own, other = _distances(self.to_mat(points)), _distances(to_mat(points))
        return own / other

    def upright(self) -> Found:
        """The same with the mat turned so that its x runs to the photo's right."""
        ends = self.to_mat(np.asarray(self.centre_px) + [[0.0, 0], [1, 0]])
        x, y = ends[1] - ends[0]
        c, s = x / np.hypot(x, y), y / np.hypot(x, y)
        turn = np.array([[c, s, 0], [-s, c, 0], [0, 0, 1.0]])
        turned = np.asarray(turn @ self.photo_to_mat, dtype=np.float64)
        return replace(self, photo_to_mat=turned)


def _distances(points: Floats) -> float:
    apart = points[:, None] - points[None]
    return float(np.hypot(apart[..., 0], apart[..., 1]).sum())


def straight_above(mm_per_px: float, heading_rad: float, size_px: tuple[int, int]) -> Floats:
    """The map of a photo taken as seen from straight above, shape (3, 3).

    `heading_rad` is the direction in the photo (y down) that becomes the mat's x.
    """
    c, s = np.cos(heading_rad), np.sin(heading_rad)
    turn = np.array([[c, s, 0], [s, -c, 0], [0, 0, 1.0]])
    about = np.array([[1, 0, -(size_px[0] - 1) / 2], [0, 1, -(size_px[1] - 1) / 2], [0, 0, 1.0]])
    return np.asarray(np.diag([mm_per_px, mm_per_px, 1.0]) @ turn @ about, dtype=np.float64)
