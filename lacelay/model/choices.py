"""What a plan was chosen from, and why it is as it is: three plans, the curve, the reasons.

Signs: laps and openings are widths at the inner side by chord, both >= 0 here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

PlanName = Literal["fewest cuts", "balanced", "smoothest edge"]
PLAN_NAMES: tuple[PlanName, ...] = ("fewest cuts", "balanced", "smoothest edge")


@dataclass(frozen=True)
class Choice:
    """One of the three plans, in figures to compare.

    Parameters
    ----------
    name : {"fewest cuts", "balanced", "smoothest edge"}
    cuts : int
        Cuts that are cut.
    lap_mm, opening_mm : float
        Widest lap and widest opening at the inner side, by arc; 0 where there is none.
    edge_mm : float
        Furthest that the valley line lies from where it should.
    kink_rad : float
        Sharpest turn at a cut.
    work_min : float
        Handwork at the cuts by her own weights: cutting, sewing, trimming, filling.
    chosen_by : str
        How its weights differ from hers, in plain words.
    same_as : str or None
        The plan before it in the list that it turned out to be.
    """

    name: PlanName
    cuts: int
    lap_mm: float
    opening_mm: float
    edge_mm: float
    kink_rad: float
    work_min: float
    chosen_by: str
    same_as: PlanName | None = None


@dataclass(frozen=True)
class CurvePoint:
    """The best there is with at most so many cuts, over all starts searched.

    Parameters
    ----------
    cuts : int
    least_min : float
        Least cost by her weights.
    least_edge : float
        The least that the worst place can be made: distance from a hard edge in mm, or the
        sharpest kink at a free edge in radians. It belongs to another plan than `least_min`.
    """

    cuts: int
    least_min: float
    least_edge: float


@dataclass(frozen=True)
class WithoutCut:
    """What comes of it when a cut is not made, all else searched again at the same start.

    Parameters
    ----------
    cut : int
        Index in `Plan.cuts`.
    elsewhere_min : float or None
        Minutes more when this very place is not cut; None where no plan holds then.
    reach_mm : float
        Half the stretch of lace in which nothing is cut, for the figures below.
    more_min : float or None
        Minutes more when nothing is cut in that stretch; None where no plan holds then.
    cuts : int
        Cuts fewer (negative: more) in all.
    lap_mm, opening_mm, edge_mm : (before, after)
        Widest lap and opening, and furthest from the edge, among what changes.
    limit : str or None
        Name of the limit that stops every plan without it, where `more_min` is None and one
        limit alone is in the way.
    needed : float or None
        What that limit would have to be.
    """

    cut: int
    elsewhere_min: float | None
    reach_mm: float
    more_min: float | None
    cuts: int
    lap_mm: tuple[float, float]
    opening_mm: tuple[float, float]
    edge_mm: tuple[float, float]
    limit: str | None = None
    needed: float | None = None


@dataclass(frozen=True)
class LimitGain:
    """What a limit costs: minutes and cuts saved, at the same start, were it looser by a tenth.

    `limit` is a name of `Limits`, or "give" for stretch and squeeze together.
    """

    limit: str
    value: float
    looser: float
    saved_min: float
    fewer_cuts: int = 0


@dataclass(frozen=True)
class Reasons:
    """Why a plan is as it is: each cut, and the limits that bind, the dearest first."""

    without: Sequence[WithoutCut]
    limits: Sequence[LimitGain]

    def __post_init__(self) -> None:
        object.__setattr__(self, "without", tuple(self.without))
        object.__setattr__(self, "limits", tuple(self.limits))


@dataclass(frozen=True)
class ThreeWays:
    """The three plans side by side, the curve they were chosen from, and which one this is."""

    choices: Sequence[Choice]
    curve: Sequence[CurvePoint]
    this: PlanName = "balanced"

    def __post_init__(self) -> None:
        object.__setattr__(self, "choices", tuple(self.choices))
        object.__setattr__(self, "curve", tuple(self.curve))


@dataclass(frozen=True)
class SideBySide:
    """The three plans as a table in her words: a head, rows of the same length, notes.

    `this` is the first word of the row of the plan at hand.
    """

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...]
    this: str | None = None
