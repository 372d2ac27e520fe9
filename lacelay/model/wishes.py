"""What she asks for: weights (what is weighed) and limits (what is not crossed).

Every weight is in minutes of handwork for one unit of the thing, so that they can be
judged against each other. All defaults are common practice, without a published source;
each can be changed and is shown in the result.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Literal

Centre = Literal["valley", "tip", "either", "anywhere"]


@dataclass(frozen=True)
class Weights:
    """Minutes for one unit of each thing that is weighed."""

    cut: float = 8.0  #: each cut: marking, cutting, pinning and sewing its two sides
    through: float = 6.0  #: further, where a cut goes right through and is joined again
    in_scallop: float = 3.0  #: further, where a cut ends inside a scallop and its turn shows
    beside_centre: float = 20.0  #: further, close to a centre front or back but not at it
    net_mm: float = 0.02  #: each mm cut through net or bars
    motif_mm: float = 1.0  #: each mm cut through a motif
    cord_mm: float = 3.0  #: each mm cut through a cord
    bead: float = 1.0  #: each bead on the path or close to it
    lap_mm2: float = 0.02  #: each mm2 of lace over lace: trimming, bulk
    opening_mm2: float = 0.05  #: each mm2 of cloth laid bare by an opening: filling
    slip_mm: float = 1.0  #: each mm by which neighbours miss each other where they turn
    edge_mm2: float = 0.3  #: each mm2 between scallop line and hard edge past tolerance
    kink_rad2: float = 600.0  #: kink at a free edge, in square radians: two small beat one large
    easing: float = 0.01  #: each place where the easing changes and nothing is cut
    #: each mm2 of cloth left without lace between inner side and full depth. On a hollow
    #: bend of radius R, openings alone outweigh it where the border is deeper than R / 3.
    shallow_mm2: float = 0.015
    step_mm: float = 0.3  #: each mm by which the border's depth steps at a cut: blending it in

    def __post_init__(self) -> None:
        _not_negative(self)


@dataclass(frozen=True)
class Limits:
    """What a plan does not cross."""

    edge_tolerance_mm: float = 2.0  #: scallop line from a hard edge, not charged within
    edge_limit_mm: float = 4.0  #: scallop line from the edge, never beyond
    free_tolerance_mm: float = 8.0  #: the same two for a free edge, where kinks matter more
    free_limit_mm: float = 15.0
    absorbed_strain: float = 0.002  #: further strain, next to a meeting that is left uncut
    lap_mm: float = 30.0  #: widest lap at the inner side
    opening_mm: float = 25.0  #: widest opening at the inner side
    edge_opening_mm: float = 3.0  #: widest opening at the scalloped side
    slip_mm: float = 4.0  #: furthest two neighbours miss each other where they turn
    cut_distance_mm: float = 12.0  #: least distance between neighbouring cuts
    inner_width_mm: float = 6.0  #: least width of a run at its inner side once trimmed
    run_mm: float = 400.0  #: longest run
    uncut_mm: float = 4.0  #: left uncut at the scallop
    uncut_beaded_mm: float = 6.0  #: the same where beads are near
    stretch: float = 0.02  #: give of net in its plane, longer
    squeeze: float = 0.02  #: give of net in its plane, shorter
    turn_in_mm: float = 15.0  #: turned in at each end
    bead_clearance_mm: float = 6.0  #: a bead nearer than this to a cut counts as in the way
    depth_share: float = 0.45  #: deepest border unasked, as a share of the bend's radius
    step_mm: float = 14.0  #: furthest that the border's depth steps at one cut

    def __post_init__(self) -> None:
        _not_negative(self)


@dataclass(frozen=True)
class DepthRange:
    """How deep the border may be over a stretch of the edge.

    Parameters
    ----------
    from_s_mm, to_s_mm : float
        The stretch, along the edge.
    least_mm, most_mm : float
        Mean depth from the valley line of every run that lies on it, if only in part.
    """

    from_s_mm: float
    to_s_mm: float
    least_mm: float = 0.0
    most_mm: float = 1000.0

    def __post_init__(self) -> None:
        if not (self.from_s_mm < self.to_s_mm and 0 <= self.least_mm <= self.most_mm):
            raise ValueError(
                f"a depth of {self.least_mm} to {self.most_mm} mm from {self.from_s_mm} to "
                f"{self.to_s_mm} mm along the edge is no range: each goes from less to more"
            )


@dataclass(frozen=True)
class Wishes:
    """What she would like.

    Parameters
    ----------
    side : {"lower", "upper", "either"}
        Which edge of the lace.
    centre : {"valley", "tip", "either", "anywhere"}
        What lies on the centre front or back. "anywhere" allows half a scallop there.
    border_depth_mm : float or None
        How deep the border is taken, from the valley line; chosen when None.
    laying_depth_mm : float or None
        Depth at which lace keeps its length; chosen when None.
    stand_mm : float
        How far the valleys stand past the edge.
    vary_depth : bool
        Whether the border's depth may differ from stretch to stretch.
    depths : tuple of DepthRange
        Limits of the depth by stretch, where it may differ.
    """

    side: Literal["lower", "upper", "either"] = "either"
    centre: Centre = "either"
    border_depth_mm: float | None = None
    laying_depth_mm: float | None = None
    stand_mm: float = 2.0
    vary_depth: bool = False
    depths: tuple[DepthRange, ...] = ()

    def __post_init__(self) -> None:
        if self.vary_depth and self.border_depth_mm is not None:
            raise ValueError("a border that is one depth all along cannot vary in depth")
        if self.depths and not self.vary_depth:
            raise ValueError("limits of depth by stretch need a depth that may vary")


def _not_negative(record: Weights | Limits) -> None:
    for each in fields(record):
        value = getattr(record, each.name)
        if not 0 <= value < float("inf"):
            raise ValueError(f"{each.name} must be a number from 0 on, not {value}")
