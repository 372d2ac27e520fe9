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

    def __post_init__(self) -> None:
        _not_negative(self)


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
    """

    side: Literal["lower", "upper", "either"] = "either"
    centre: Centre = "either"
    border_depth_mm: float | None = None
    laying_depth_mm: float | None = None
    stand_mm: float = 2.0


def _not_negative(record: Weights | Limits) -> None:
    for each in fields(record):
        value = getattr(record, each.name)
        if not 0 <= value < float("inf"):
            raise ValueError(f"{each.name} must be a number from 0 on, not {value}")
