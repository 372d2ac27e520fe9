"""The lace record: what a photo says about a length of lace.

Glossary
--------
lace length : the piece as bought; width, across it.
galloon, flounce, allover : scalloped on both long edges, on one, on none.
scallop : one lobe of an edge, valley to valley, with a tip between.
pitch : valley to valley along the edge (she reads "scallop width").
depth : of a scallop, tip to valley line.
repeat : shortest shift along the length that brings the pattern onto itself.
ground : the net or the bars between motifs.

All points are lace millimetres (u, v), arrays (n, 2): u along the length from its left
end, v across it from the valley line of the lower edge, right side facing you.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lacelay.geometry.photo_map import PhotoMap

Points = NDArray[np.float64]
Side = Literal["lower", "upper"]
#: The seven frieze groups by IUCr name.
FRIEZE_GROUPS = ("p1", "p11g", "p1m1", "p2", "p2mg", "p11m", "p2mm")


@dataclass(frozen=True)
class Measured:
    """A measurement with its standard uncertainty (one sigma), in the unit of its name.

    Examples
    --------
    >>> Measured(40.0, 0.1).interval95
    (39.804, 40.196)
    """

    value: float
    sigma: float

    def __post_init__(self) -> None:
        if not (np.isfinite(self.value) and self.sigma >= 0):
            raise ValueError(f"not a measurement: {self.value} +- {self.sigma}")

    @property
    def interval95(self) -> tuple[float, float]:
        """The interval that should hold the truth 95 times in 100."""
        return (self.value - 1.96 * self.sigma, self.value + 1.96 * self.sigma)


@dataclass(frozen=True)
class Scale:
    """How large the photo is, and what says so.

    Parameters
    ----------
    px_per_mm : float
        At the middle of the lace.
    relative_sigma : float
        Standard uncertainty as a share of the scale: 0.002 is 0.2 %.
    reference : str
        What it was read from, in plain words: "mat grid of 1 cm".
    """

    px_per_mm: float
    relative_sigma: float
    reference: str

    def __post_init__(self) -> None:
        if not (self.px_per_mm > 0 and self.relative_sigma >= 0):
            raise ValueError("a scale is positive and its uncertainty not negative")

    @property
    def within95(self) -> float:
        """Share that lengths may be off by, 95 times in 100."""
        return 1.96 * self.relative_sigma

    @property
    def doubtful(self) -> bool:
        """Whether it leaves more than 1 % in doubt, which every print must say.

        Examples
        --------
        >>> Scale(10.0, 0.003, "A4 sheet").doubtful, Scale(10.0, 0.015, "ruler").doubtful
        (False, True)
        """
        return self.within95 > 0.01

    @property
    def warning(self) -> str | None:
        """What a print says of a doubtful scale; None where there is nothing to say."""
        if not self.doubtful:
            return None
        return f"Scale in doubt: lengths may be {self.within95:.1%} out. Measure before you cut."


@dataclass(frozen=True, eq=False)
class LaceEdge:
    """One long edge of the lace.

    Parameters
    ----------
    side : {"lower", "upper"}
    scalloped : bool
    valleys_mm : ndarray, shape (m, 2)
        In order of u; empty for a straight edge.
    tips_mm : ndarray, shape (k, 2)
        In order of u, whole scallops only: each lies between two valleys.
    pitch_mm, depth_mm : Measured or None
        None for a straight edge.
    per_repeat : int or None
        Scallops in one repeat, where a repeat is known.
    doubt : str or None
        Why the count may be wrong, or None.
    """

    side: Side
    scalloped: bool
    valleys_mm: Points
    tips_mm: Points
    pitch_mm: Measured | None = None
    depth_mm: Measured | None = None
    per_repeat: int | None = None
    doubt: str | None = None

    def __post_init__(self) -> None:
        for name in ("valleys_mm", "tips_mm"):
            points = np.asarray(getattr(self, name), dtype=float).reshape(-1, 2)
            if np.any(np.diff(points[:, 0]) <= 0):
                raise ValueError(f"{name} must be in order of u")
            object.__setattr__(self, name, points)
        if self.scalloped and (self.pitch_mm is None or self.depth_mm is None):
            raise ValueError("a scalloped edge has a pitch and a depth")

    @property
    def count(self) -> int:
        """Whole scallops seen."""
        return len(self.tips_mm)


@dataclass(frozen=True)
class Repeat:
    """The repeat: its length, how many copies were seen, and how sure it is (0 to 1)."""

    length_mm: Measured
    copies: float
    sure: float
    reason: str = ""

    def __post_init__(self) -> None:
        if not (self.length_mm.value > 0 and 0 <= self.sure <= 1):
            raise ValueError("a repeat is positive and its sureness a share")


@dataclass(frozen=True, eq=False)
class Motif:
    """One flower, leaf, spray or scroll that can be cut out: its outline, shape (n, 2).

    `kind` is the same number for motifs that are copies of each other, or -1.
    """

    outline_mm: Points
    kind: int = -1

    def __post_init__(self) -> None:
        outline = np.asarray(self.outline_mm, dtype=float)
        if outline.ndim != 2 or outline.shape[1] != 2 or len(outline) < 3:
            raise ValueError("a motif's outline is (n, 2) with n >= 3")
        object.__setattr__(self, "outline_mm", outline)


@dataclass(frozen=True)
class Bead:
    """A bead or sequin: its place and diameter, and the run it is threaded in.

    Parameters
    ----------
    u_mm, v_mm, diameter_mm : float
    run : int
        Number of the run: beads of one run are on one thread, and a cut through it frees all
        of them. -1 for a bead sewn on by itself, or where it is not known.
    along : int
        Its place in the order of the thread; only the order counts, not the numbers.
    """

    u_mm: float
    v_mm: float
    diameter_mm: float
    run: int = -1
    along: int = 0

    def __post_init__(self) -> None:
        if self.run < -1 or self.along < 0:
            raise ValueError("a bead's run is -1 or more, its place in it not negative")


@dataclass(frozen=True)
class Shares:
    """Shares of the lace's area: motif, ground (net or bars), open; they sum to 1."""

    motif: float
    ground: float
    open: float

    def __post_init__(self) -> None:
        if abs(self.motif + self.ground + self.open - 1) > 1e-3:
            raise ValueError("the shares of motif, ground and open sum to 1")


@dataclass(frozen=True, eq=False)
class PhotoPart:
    """The part of a lace that one photo of several shows.

    Parameters
    ----------
    name : str
        Of the photo.
    photo : PhotoMap
        From that photo straight to the frame of the whole lace, u = 0 being its left end.
    from_mm, to_mm : float
        The stretch of u that is taken from this photo.
    """

    name: str
    photo: PhotoMap
    from_mm: float
    to_mm: float

    def __post_init__(self) -> None:
        if not self.from_mm < self.to_mm:
            raise ValueError("the part of a photo runs from a lower to a higher u")


@dataclass(frozen=True, eq=False)
class Lace:
    """A length of lace as read.

    Parameters
    ----------
    name : str
    length_mm : float
        The length seen, from u = 0.
    width_mm : Measured
        Valley line to valley line; on a straight side, from that edge.
    outline_mm : ndarray, shape (n, 2)
        Outline of the lace seen, closed, first point not repeated.
    lower, upper : LaceEdge
    repeat : Repeat or None
        None when it could not be told; `doubts` says why.
    motifs, beads : sequences
    shares : Shares
    scale : Scale
    photo : PhotoMap or None
        None for a lace written by hand.
    cords_mm : sequence of ndarray, each (n, 2)
        Raised outline threads.
    mesh_mm : float or None
        Size of the net's mesh, where one was found.
    symmetry : str or None
        Frieze group, one of `FRIEZE_GROUPS`.
    reversible : bool
        True only when she said both sides are alike.
    doubts : sequence of str
        What the reading is not sure of, in her words.
    flaws_mm : sequence of ndarray, each (n, 2)
        Areas she marked as not to be used.
    parts : sequence of PhotoPart
        For a lace joined from several photos, in order of u; `photo` is None then.
    closed : bool
        Whether it is a ring: `length_mm` is once round, u = 0 and u = `length_mm` are the same
        place, and so are the first and the last valley of a scalloped edge. The lower edge is
        the outer one.
    """

    name: str
    length_mm: float
    width_mm: Measured
    outline_mm: Points
    lower: LaceEdge
    upper: LaceEdge
    repeat: Repeat | None
    motifs: Sequence[Motif]
    beads: Sequence[Bead]
    shares: Shares
    scale: Scale
    photo: PhotoMap | None = None
    cords_mm: Sequence[Points] = ()
    mesh_mm: float | None = None
    symmetry: str | None = None
    reversible: bool = False
    doubts: Sequence[str] = ()
    flaws_mm: Sequence[Points] = ()
    parts: Sequence[PhotoPart] = ()
    closed: bool = False

    def __post_init__(self) -> None:
        if not self.length_mm > 0 or not self.width_mm.value > 0:
            raise ValueError("a lace has a length and a width")
        if (self.lower.side, self.upper.side) != ("lower", "upper"):
            raise ValueError("the edges are swapped")
        outline = np.asarray(self.outline_mm, dtype=float)
        if outline.ndim != 2 or outline.shape[1] != 2 or len(outline) < 3:
            raise ValueError("a lace's outline is (n, 2) with n >= 3")
        if self.symmetry is not None and self.symmetry not in FRIEZE_GROUPS:
            raise ValueError(f"unknown frieze group {self.symmetry!r}")
        object.__setattr__(self, "outline_mm", outline)
        for name in ("motifs", "beads", "cords_mm", "doubts", "flaws_mm", "parts"):
            object.__setattr__(self, name, tuple(getattr(self, name)))

    @property
    def bead_runs(self) -> tuple[tuple[int, ...], ...]:
        """Runs of two beads and more: numbers of the beads, each run in the order of its thread."""
        runs: dict[int, list[tuple[int, int]]] = {}
        for k, bead in enumerate(self.beads):
            if bead.run >= 0:
                runs.setdefault(bead.run, []).append((bead.along, k))
        return tuple(
            tuple(k for _, k in sorted(runs[number]))
            for number in sorted(runs)
            if len(runs[number]) > 1
        )

    def edge(self, side: Side) -> LaceEdge:
        """Return the lower or the upper edge."""
        return self.lower if side == "lower" else self.upper
