"""A plan: runs of border laid along an edge, and the cuts between them.

Frames: lace (u, v); edge (s, d); garment (x, y). A run of border is stored by its outline
in the lace frame and by the motion that lays it. `u` goes on past the photographed length
by whole repeats, so that every run has a place of its own on the length to buy.

Signs: a cut's turn is positive where its sides lap, negative where they open. Widths are
by arc, unless a name says otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lacelay.model.choices import Reasons, ThreeWays
from lacelay.model.lace import Lace, Side
from lacelay.model.purchase import Purchase
from lacelay.model.target import TargetEdge
from lacelay.model.wishes import Limits, Weights, Wishes

Points = NDArray[np.float64]
CutKind = Literal["inner", "through", "uncut"]


@dataclass(frozen=True, eq=False)
class Laying:
    """How a run is laid: first bent about its neutral line, then moved.

    Parameters
    ----------
    matrix : ndarray, shape (2, 2)
        Linear part of the motion, lace to garment. A proper rotation in any sound plan.
    shift_mm : ndarray, shape (2,)
        garment = matrix @ bent lace point + shift.
    bend_per_mm : float
        Curvature the run is eased to, positive where its inner side is squeezed.
    pivot_mm : ndarray, shape (2,)
        Lace point at the middle of the run on its neutral line.
    inward : ndarray, shape (2,)
        Unit vector in the lace frame from the scallops inwards.
    """

    matrix: Points
    shift_mm: Points
    bend_per_mm: float
    pivot_mm: Points
    inward: Points

    def place(self, lace_mm: Points) -> Points:
        """Garment points of lace points, shape (n, 2)."""
        bent = self.bent(lace_mm)
        placed: Points = bent @ np.asarray(self.matrix).T + np.asarray(self.shift_mm)
        return placed

    def bent(self, lace_mm: Points) -> Points:
        """Lace points after easing, still in the lace frame."""
        lace = np.asarray(lace_mm, dtype=float)
        inward = np.asarray(self.inward, dtype=float)
        along = np.array([inward[1], -inward[0]])
        offset = lace - np.asarray(self.pivot_mm)
        a, b = offset @ along, offset @ inward
        k = self.bend_per_mm
        half = k * a / 2
        chord = a * np.sinc(half / np.pi)
        # The neutral line becomes an arc; a point at height b keeps its height over it.
        across = np.stack([-np.sin(k * a), np.cos(k * a)], axis=-1)
        x = chord * np.cos(half) + b * across[..., 0]
        y = chord * np.sin(half) + b * across[..., 1]
        bent: Points = np.asarray(self.pivot_mm) + x[..., None] * along + y[..., None] * inward
        return bent


@dataclass(frozen=True, eq=False)
class Run:
    """One run of border between two cuts.

    Parameters
    ----------
    lace_interval_mm : tuple of float
        From and to, along the border in order of the edge (u for the lower edge, -u for
        the upper one, which is turned round).
    edge_interval_mm : tuple of float
        From and to, s along the edge.
    touch_s_mm : float
        Where the run takes the edge's own direction.
    outline_mm : ndarray, shape (n, 2)
        Outline in the lace frame, closed, first point not repeated.
    laying : Laying
    edge_error_mm : float
        Furthest that the valley line lies from where it should.
    edge_excess_mm2 : float
        Area between the two beyond the tolerance.
    strain : tuple of float
        (largest squeeze, largest stretch) from easing, both >= 0.
    depth_mm : float
        Mean depth of its border line from the valley line.
    shallow_mm2 : float
        Cloth between its inner side and the plan's full depth, measured in the lace.
    line_motif_mm, line_cord_mm : float
        What its inner side cuts through where the border comes off the length.
    """

    lace_interval_mm: tuple[float, float]
    edge_interval_mm: tuple[float, float]
    touch_s_mm: float
    outline_mm: Points
    laying: Laying
    edge_error_mm: float
    edge_excess_mm2: float
    strain: tuple[float, float]
    depth_mm: float = 0.0
    shallow_mm2: float = 0.0
    line_motif_mm: float = 0.0
    line_cord_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class Cut:
    """Where run `index` ends and run `index + 1` begins.

    Parameters
    ----------
    kind : {"inner", "through", "uncut"}
        Cut from the inner side to what is left uncut, or right through, or not cut at all:
        there the give of the lace takes up what little it turns.
    path_mm : ndarray, shape (n, 2)
        Lace frame, from the inner side outwards. Where its runs differ in depth, from the
        inner side of the shallower one.
    turn_mm : ndarray, shape (2,)
        Lace point that the cut turns about: the end of the path, or on a through cut the
        point of the path on the laying line.
    at_valley : bool
        Whether it ends at a valley.
    s_mm : float
        Place on the edge.
    angle_rad : float
        Turn, positive laps towards the inner side.
    widths_mm : sequence of (depth, width)
        Lap (positive) or opening (negative) by depth from the edge.
    lap_mm2, opening_mm2 : float
        Areas of lace over lace, and of cloth laid bare.
    slip_mm : float
        How far the neighbours miss each other at `turn_mm`.
    top : {"left", "right"} or None
        Which run lies on top, seen in order of the edge; None where nothing laps.
    net_mm, motif_mm, cord_mm : float
        Length of path through each.
    beads_in_way, beads_under_lap : int
        On the path or too close to it; under the lap.
    terms : mapping of str to float
        Cost terms in minutes, by weight name.
    step_mm : ndarray, shape (k, 2)
        Where its runs differ in depth, the course of the border line from the deeper inner
        side along the cut to the shallower one, lace frame; empty where they do not. What
        is cut counts it.
    """

    kind: CutKind
    path_mm: Points
    turn_mm: Points
    at_valley: bool
    s_mm: float
    angle_rad: float
    widths_mm: Sequence[tuple[float, float]]
    lap_mm2: float
    opening_mm2: float
    slip_mm: float
    top: Literal["left", "right"] | None
    net_mm: float
    motif_mm: float
    cord_mm: float
    beads_in_way: int
    beads_under_lap: int
    terms: Mapping[str, float]
    step_mm: Points = field(default_factory=lambda: np.empty((0, 2)))


@dataclass(frozen=True, eq=False)
class Gap:
    """Bare cloth: its outline on the garment, area, widest opening, and the cut it lies at."""

    outline_mm: Points
    area_mm2: float
    width_mm: float
    cut: int | None


@dataclass(frozen=True, eq=False)
class Plan:
    """Everything that is needed to cut and lay one border along one edge.

    Parameters
    ----------
    lace, target : Lace, TargetEdge
    wishes, weights, limits
        What was asked.
    side : {"lower", "upper"}
        The edge of the lace that is used.
    start_mm : float
        Place on the border (as in `Run.lace_interval_mm`) at the start of the edge.
    laying_depth_mm : float
        Depth at which lace keeps its length.
    border_depth_mm : float
        Depth of the border from the valley line, on average.
    border_line_mm : ndarray, shape (n, 2)
        Where the border comes off the length, lace frame, over all that is used.
    runs, cuts, gaps : sequences
    eat_up : float
        Lace used over edge length, turn-ins not counted.
    cost_min : float
        Sum of all terms.
    bound_min : float
        No plan over the stated candidates costs less, as far as the search judges laps and
        openings: from tables for each cut, where `cost_min` has them measured as laid.
    certificate : str
        What was searched, in plain words.
    layers : int
        Most layers of lace on top of each other.
    template_mm : tuple of float
        From and to, u of the one photographed repeat that stands for all others.
    purchase : Purchase or None
    reasons : Reasons or None
        What would be without each cut, and which limits bind.
    three : ThreeWays or None
        The three plans that this is one of, side by side.
    full_depth_mm : float or None
        Depth from the valley line down to which cloth is wished to be covered; None in
        plans made before runs stated theirs.
    """

    lace: Lace
    target: TargetEdge
    wishes: Wishes
    weights: Weights
    limits: Limits
    side: Side
    start_mm: float
    laying_depth_mm: float
    border_depth_mm: float
    border_line_mm: Points
    runs: Sequence[Run]
    cuts: Sequence[Cut]
    gaps: Sequence[Gap]
    eat_up: float
    cost_min: float
    bound_min: float
    certificate: str
    layers: int
    template_mm: tuple[float, float]
    purchase: Purchase | None = None
    reasons: Reasons | None = None
    three: ThreeWays | None = None
    full_depth_mm: float | None = None

    def __post_init__(self) -> None:
        if len(self.cuts) != len(self.runs) - 1:
            raise ValueError("a plan has one cut between each two runs")
        for name in ("runs", "cuts", "gaps"):
            object.__setattr__(self, name, tuple(getattr(self, name)))
