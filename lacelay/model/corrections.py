"""What she put right in a reading, kept apart from it.

Every correction is anchored in pixels of the upright photo: a point, a line or an area there,
and the thing it is about ("the motif under this point"). Nothing names a place in a list or
a length that another reading of the same photo would give otherwise, so corrections outlive
the reading they were made on. `lacelay.correcting` lays them over a reading.

Points are (x, y) in pixels, x right, y down, (0, 0) the centre of the top left pixel.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, fields, replace
from typing import ClassVar

import numpy as np

from lacelay.errors import CorrectionError
from lacelay.model.lace import FRIEZE_GROUPS

PointPx = tuple[float, float]
PointsPx = tuple[PointPx, ...]


@dataclass(frozen=True)
class Correction:
    """One thing put right. `id` names it among all of one photo."""

    #: What it is called in the file.
    kind: ClassVar[str] = ""

    id: str

    def __post_init__(self) -> None:
        if not self.id.strip():
            raise CorrectionError("A correction has no name.", "Give it one, like c1.")
        for name, points in self.points():
            for x, y in points:
                if not (np.isfinite(x) and np.isfinite(y)):
                    raise CorrectionError(
                        f"{_named(name)} of correction {self.id} has no place in the photo.",
                        "Give both numbers of each point, in pixels.",
                    )
        self._check()

    def _check(self) -> None:
        """Refuse what can never be right, whatever the reading."""

    def points(self) -> Iterator[tuple[str, PointsPx]]:
        """Every point of it, by the field it is in."""
        for each in fields(self):
            value = getattr(self, each.name)
            if not each.name.endswith("_px") or not isinstance(value, tuple) or not value:
                continue
            yield each.name, value if isinstance(value[0], tuple) else (value,)

    def _positive(self, name: str, value: float) -> None:
        if not (np.isfinite(value) and 0 < value < 100_000):
            raise CorrectionError(f"The {name} told is {value:g}.", "Give one above zero.")

    def _not_negative(self, name: str, value: float) -> None:
        if not (np.isfinite(value) and 0 <= value < 100_000):
            raise CorrectionError(f"The {name} told is {value:g}.", "Give zero or more.")

    def _apart(self, first: PointPx, second: PointPx, least_px: float) -> None:
        apart = float(np.hypot(first[0] - second[0], first[1] - second[1]))
        if apart < least_px:
            raise CorrectionError(
                f"The two points of correction {self.id} are {apart:.0f} pixels apart.",
                f"Choose two at least {least_px:.0f} pixels apart.",
            )

    def _ring(self, thing: str, ring: PointsPx) -> None:
        from shapely import Polygon

        if len(ring) < 3:
            raise CorrectionError(
                f"{thing} was drawn with {len(ring)} points.", "Draw at least three."
            )
        drawn = Polygon(ring)
        if drawn.convex_hull.area < 1.0:
            raise CorrectionError(f"{thing} was drawn with no area.", "Draw it round its thing.")
        if not drawn.is_valid:
            raise CorrectionError(
                f"{thing} was drawn crossing itself.", "Draw it round once, without a crossing."
            )

    def _line(self, thing: str, line: PointsPx) -> None:
        if len(line) < 2 or sum(np.hypot(*np.diff(np.array(line), axis=0).T)) < 1.0:
            raise CorrectionError(f"{thing} was drawn too short.", "Draw it from end to end.")


def _named(field_name: str) -> str:
    return field_name.removesuffix("_px").replace("_", " ").capitalize()


# --- scale ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class ScaleByLine(Correction):
    """Two points of the photo, and how far apart they lie."""

    kind: ClassVar[str] = "scale by a line"
    first_px: PointPx
    second_px: PointPx
    length_mm: float

    def _check(self) -> None:
        self._positive("length", self.length_mm)
        self._apart(self.first_px, self.second_px, 10)


@dataclass(frozen=True)
class ScaleByRectangle(Correction):
    """Four corners of something square-cornered, in order round it; the first side is `width`."""

    kind: ClassVar[str] = "scale by a rectangle"
    corners_px: PointsPx
    width_mm: float
    height_mm: float

    def _check(self) -> None:
        self._positive("width", self.width_mm)
        self._positive("height", self.height_mm)
        if len(self.corners_px) != 4:
            raise CorrectionError(
                f"A rectangle was told with {len(self.corners_px)} corners.", "Give its four."
            )
        corners = np.array(self.corners_px)
        sides = np.roll(corners, -1, axis=0) - corners
        after = np.roll(sides, -1, axis=0)
        turns = sides[:, 0] * after[:, 1] - sides[:, 1] * after[:, 0]
        if not (np.all(turns > 0) or np.all(turns < 0)) or np.hypot(*sides.T).min() < 10:
            raise CorrectionError(
                "The four corners told are not those of a rectangle seen from above.",
                "Give them in order round it, each at its own corner.",
            )


@dataclass(frozen=True)
class ScaleByWidth(Correction):
    """The lace's width from tips to tips (or to a straight edge), as a ruler over it says."""

    kind: ClassVar[str] = "scale by the lace's width"
    width_mm: float

    def _check(self) -> None:
        self._positive("width", self.width_mm)


# --- the lace as a whole -------------------------------------------------------------------


@dataclass(frozen=True)
class OutlineRedrawn(Correction):
    """The whole lace's outline, drawn anew."""

    kind: ClassVar[str] = "outline redrawn"
    outline_px: PointsPx

    def _check(self) -> None:
        self._ring("The lace's outline", self.outline_px)


@dataclass(frozen=True)
class RepeatTold(Correction):
    """The repeat as she measured it: with a tape, over some copies."""

    kind: ClassVar[str] = "repeat told"
    over_mm: float
    copies: int = 1
    tape_sigma_mm: float = 1.0

    def _check(self) -> None:
        self._positive("length", self.over_mm)
        self._not_negative("doubt of the tape", self.tape_sigma_mm)
        _at_least_one(self.copies)


@dataclass(frozen=True)
class RepeatMarked(Correction):
    """Two points of the photo that are the same place of the pattern, some copies apart."""

    kind: ClassVar[str] = "repeat marked"
    first_px: PointPx
    second_px: PointPx
    copies: int = 1

    def _check(self) -> None:
        self._apart(self.first_px, self.second_px, 10)
        _at_least_one(self.copies)


@dataclass(frozen=True)
class RepeatNone(Correction):
    """There is no repeat in this lace, or none in the photo."""

    kind: ClassVar[str] = "no repeat"


@dataclass(frozen=True)
class SymmetrySet(Correction):
    """The strip's symmetry: a frieze group by its IUCr name, or None where it has none told."""

    kind: ClassVar[str] = "symmetry set"
    group: str | None

    def _check(self) -> None:
        if self.group is not None and self.group not in FRIEZE_GROUPS:
            raise CorrectionError(
                f"'{self.group}' is no symmetry of a strip.",
                f"There are {', '.join(FRIEZE_GROUPS)}.",
            )


@dataclass(frozen=True)
class ReversibleSaid(Correction):
    """Whether both sides of the lace are alike."""

    kind: ClassVar[str] = "both sides alike"
    reversible: bool = True


# --- edges ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class EdgeStraight(Correction):
    """The edge near this point has no scallops."""

    kind: ClassVar[str] = "edge straight"
    at_px: PointPx


@dataclass(frozen=True)
class EdgeScalloped(Correction):
    """The edge near these points is scalloped, and these are all its valleys."""

    kind: ClassVar[str] = "edge scalloped"
    valleys_px: PointsPx

    def _check(self) -> None:
        if len(self.valleys_px) < 2:
            raise CorrectionError(
                "A scalloped edge was told with fewer than two valleys.",
                "Mark every valley of that edge, from one end to the other.",
            )


@dataclass(frozen=True)
class CountConfirmed(Correction):
    """She counted the whole scallops of the edge near this point."""

    kind: ClassVar[str] = "scallops counted"
    at_px: PointPx
    count: int

    def _check(self) -> None:
        if not 0 <= self.count < 10_000:
            raise CorrectionError(
                f"{self.count} scallops were counted.", "Give a number of whole scallops."
            )


@dataclass(frozen=True)
class ValleyAdded(Correction):
    """There is a valley here: one scallop more."""

    kind: ClassVar[str] = "valley added"
    at_px: PointPx


@dataclass(frozen=True)
class ValleyRemoved(Correction):
    """There is no valley here: one scallop less."""

    kind: ClassVar[str] = "valley removed"
    at_px: PointPx


@dataclass(frozen=True)
class ValleyMoved(Correction):
    """The valley at the first point lies at the second."""

    kind: ClassVar[str] = "valley moved"
    at_px: PointPx
    to_px: PointPx


@dataclass(frozen=True)
class TipMoved(Correction):
    """The tip at the first point lies at the second."""

    kind: ClassVar[str] = "tip moved"
    at_px: PointPx
    to_px: PointPx


# --- motifs --------------------------------------------------------------------------------


@dataclass(frozen=True)
class MotifsMerged(Correction):
    """The motifs under these points are one."""

    kind: ClassVar[str] = "motifs merged"
    at_px: PointsPx

    def _check(self) -> None:
        if len(self.at_px) < 2:
            raise CorrectionError(
                "One point was given where motifs are to be merged.", "Point into each of them."
            )


@dataclass(frozen=True)
class MotifSplit(Correction):
    """The motif under the point is several, parted along the line."""

    kind: ClassVar[str] = "motif split"
    at_px: PointPx
    line_px: PointsPx

    def _check(self) -> None:
        self._line("The line that parts a motif", self.line_px)


@dataclass(frozen=True)
class MotifRedrawn(Correction):
    """The motif under the point has this outline."""

    kind: ClassVar[str] = "motif redrawn"
    at_px: PointPx
    outline_px: PointsPx

    def _check(self) -> None:
        self._ring("A motif's outline", self.outline_px)


@dataclass(frozen=True)
class MotifStruck(Correction):
    """There is no motif under the point."""

    kind: ClassVar[str] = "motif struck out"
    at_px: PointPx


@dataclass(frozen=True)
class MotifDrawn(Correction):
    """There is a motif with this outline."""

    kind: ClassVar[str] = "motif drawn"
    outline_px: PointsPx

    def _check(self) -> None:
        self._ring("A motif's outline", self.outline_px)


# --- beads, cords, flaws -------------------------------------------------------------------


@dataclass(frozen=True)
class BeadAdded(Correction):
    """There is a bead or sequin here; as large as the lace's others where no size is told."""

    kind: ClassVar[str] = "bead added"
    at_px: PointPx
    diameter_px: float | None = None

    def _check(self) -> None:
        if self.diameter_px is not None:
            self._positive("bead's size", self.diameter_px)


@dataclass(frozen=True)
class BeadRemoved(Correction):
    """There is no bead here."""

    kind: ClassVar[str] = "bead removed"
    at_px: PointPx


@dataclass(frozen=True)
class BeadsCleared(Correction):
    """There are no beads within this area."""

    kind: ClassVar[str] = "beads cleared"
    area_px: PointsPx

    def _check(self) -> None:
        self._ring("The area without beads", self.area_px)


@dataclass(frozen=True)
class CordAdded(Correction):
    """A raised cord runs along this line."""

    kind: ClassVar[str] = "cord added"
    line_px: PointsPx

    def _check(self) -> None:
        self._line("A cord", self.line_px)


@dataclass(frozen=True)
class CordRemoved(Correction):
    """There is no cord here."""

    kind: ClassVar[str] = "cord removed"
    at_px: PointPx


@dataclass(frozen=True)
class FlawMarked(Correction):
    """An area that must not be used: a hole, a stain, a pulled thread."""

    kind: ClassVar[str] = "flaw marked"
    area_px: PointsPx
    what: str = ""

    def _check(self) -> None:
        self._ring("The area of a flaw", self.area_px)


#: Every kind of correction.
KINDS: tuple[type[Correction], ...] = (
    *(ScaleByLine, ScaleByRectangle, ScaleByWidth),
    *(OutlineRedrawn, RepeatTold, RepeatMarked, RepeatNone, SymmetrySet, ReversibleSaid),
    *(EdgeStraight, EdgeScalloped, CountConfirmed),
    *(ValleyAdded, ValleyRemoved, ValleyMoved, TipMoved),
    *(MotifsMerged, MotifSplit, MotifRedrawn, MotifStruck, MotifDrawn),
    *(BeadAdded, BeadRemoved, BeadsCleared, CordAdded, CordRemoved, FlawMarked),
)


def _at_least_one(copies: int) -> None:
    if not 1 <= copies < 10_000:
        raise CorrectionError(
            f"{copies} copies of the repeat were told.", "Give how many repeats the length spans."
        )


@dataclass(frozen=True)
class PhotoPrint:
    """Which photo: the SHA-256 of its file, and its size once upright, in pixels."""

    sha256: str
    size_px: tuple[int, int]


@dataclass(frozen=True)
class Corrections:
    """All corrections of one photo, in the order in which they were made.

    Parameters
    ----------
    photo : PhotoPrint
        The photo they are anchored in.
    items : tuple of Correction
        Undone ones as well, each in its place.
    undone : frozenset of str
        Names of those that are taken back for now.
    """

    photo: PhotoPrint
    items: tuple[Correction, ...] = ()
    undone: frozenset[str] = field(default_factory=frozenset)

    def __post_init__(self) -> None:
        seen: set[str] = set()
        for each in self.items:
            if each.id in seen:
                raise CorrectionError(
                    f"Two corrections are both called {each.id}.", "Call one of them otherwise."
                )
            seen.add(each.id)
            self._hold_inside(each)
        if self.undone - seen:
            unknown = ", ".join(sorted(self.undone - seen))
            raise CorrectionError(
                f"What is undone does not exist: {unknown}.", "Undo a correction that is there."
            )

    def _hold_inside(self, correction: Correction) -> None:
        width, height = self.photo.size_px
        for name, points in correction.points():
            for x, y in points:
                if not (-0.5 <= x <= width - 0.5 and -0.5 <= y <= height - 0.5):
                    raise CorrectionError(
                        f"{_named(name)} of correction {correction.id} lies outside the photo, at "
                        f"({x:.0f}, {y:.0f}) of {width} x {height} pixels.",
                        "Keep every point within the photo.",
                    )

    @property
    def active(self) -> tuple[Correction, ...]:
        """Those that count, in order."""
        return tuple(each for each in self.items if each.id not in self.undone)

    @property
    def next_id(self) -> str:
        """A name not used yet: c1, c2 and so on."""
        numbers = [int(i.id[1:]) for i in self.items if i.id[:1] == "c" and i.id[1:].isdecimal()]
        return f"c{max(numbers, default=0) + 1}"

    def with_one(self, correction: Correction) -> Corrections:
        """The same with one more at the end."""
        return replace(self, items=(*self.items, correction))

    def undo(self, correction_id: str) -> Corrections:
        """Take one back, whenever it was made; it keeps its place for `redo`."""
        self._find(correction_id)
        return replace(self, undone=self.undone | {correction_id})

    def redo(self, correction_id: str) -> Corrections:
        """Let one count again, at its old place in the order."""
        self._find(correction_id)
        return replace(self, undone=self.undone - {correction_id})

    def forget(self, correction_id: str) -> Corrections:
        """Remove one for good."""
        self._find(correction_id)
        kept = tuple(each for each in self.items if each.id != correction_id)
        return replace(self, items=kept, undone=self.undone - {correction_id})

    def _find(self, correction_id: str) -> None:
        if correction_id not in {each.id for each in self.items}:
            known = ", ".join(each.id for each in self.items) or "none"
            raise CorrectionError(
                f"There is no correction {correction_id}.", f"There are: {known}."
            )
