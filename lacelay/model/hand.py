"""Her hand on a plan: what she locks, forbids, demands and wishes, kept apart from the plan.

Places are millimetres along the edge. What is locked also says which place of the lace lies
there (`along_mm`, place on the border in order of the edge, as in `Run.lace_interval_mm`), so
that it can be held and measured again without the plan it was locked on. Each thing asked for
has a name of its own and can be undone and asked for again.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import ClassVar, Literal

import numpy as np

from lacelay.errors import PlanError
from lacelay.model.lace import Side
from lacelay.model.plan import Plan
from lacelay.units import format_length

PairMm = tuple[float, float]
PathMm = tuple[PairMm, ...]
#: A cut asked for near a place lies within this of it, where she does not say.
NEAR_MM = 15.0
#: A valley or tip wished at a balance mark lies within this of it, where she does not say.
AT_MARK_MM = 3.0
#: What is locked stays where it is to this.
LOCKED_MM = 0.01


@dataclass(frozen=True)
class Ask(ABC):
    """One thing asked for. `id` names it among all of one hand."""

    #: What it is called in the file.
    kind: ClassVar[str] = ""
    #: What frees a plan of it, in her words.
    remedy: ClassVar[str] = "Take it back"

    id: str

    def __post_init__(self) -> None:
        if not self.id.strip():
            raise PlanError("Something asked for has no name.", "Give it one, like h1.")
        for name, value in vars(self).items():
            if name.endswith("_mm") and not np.all(np.isfinite(np.array(value, dtype=float))):
                raise PlanError(
                    f"{self.id} has no place: its {name.removesuffix('_mm')} is not a number.",
                    "Give its place along the edge in mm.",
                )
        self._check()

    def _check(self) -> None:  # noqa: B027 - most have nothing to refuse
        """Refuse what can never be right, whatever the plan."""

    @property
    @abstractmethod
    def told(self) -> str:
        """What it asks, in her words."""

    @property
    @abstractmethod
    def span_mm(self) -> PairMm:
        """From and to, along the edge."""

    def _stretch(self, low: float, high: float) -> None:
        if not low < high:
            raise PlanError(
                f"{self.id} is of no stretch: from {low:g} mm to {high:g} mm.",
                "Give the nearer end first.",
            )


@dataclass(frozen=True)
class LockedCut(Ask):
    """A cut that stays: the same path of the lace at the same place of the edge.

    `path_mm` is in the lace frame, from the inner side outwards. With `cut` False it is where
    two stretches meet and nothing is cut, and that stays too.
    """

    kind: ClassVar[str] = "locked cut"
    remedy: ClassVar[str] = "Unlock it"
    s_mm: float
    along_mm: float
    path_mm: PathMm
    through: bool = False
    at_valley: bool = True
    cut: bool = True

    def _check(self) -> None:
        if len(self.path_mm) < 2:
            raise PlanError(f"{self.id} locks a cut without its line.", "Lock it from the plan.")

    @property
    def told(self) -> str:
        """What it asks, in her words."""
        what = "the cut" if self.cut else "the uncut place"
        return f"{what} locked at {format_length(self.s_mm)} from the start ({self.id})"

    @property
    def span_mm(self) -> PairMm:
        """From and to, along the edge."""
        return self.s_mm, self.s_mm


@dataclass(frozen=True)
class LockedRun(Ask):
    """A stretch that stays as it lies, with the cuts at both its ends.

    `ends` holds them in order of the edge; None where it ends with the edge. `matrix`,
    `shift_mm` and `bend_per_mm` are its motion, as in `Laying`.
    """

    kind: ClassVar[str] = "locked stretch"
    remedy: ClassVar[str] = "Unlock it"
    edge_mm: PairMm
    along_mm: PairMm
    matrix: tuple[PairMm, PairMm]
    shift_mm: PairMm
    bend_per_mm: float
    ends: tuple[LockedCut | None, LockedCut | None]

    def _check(self) -> None:
        self._stretch(*self.edge_mm)
        self._stretch(*self.along_mm)

    @property
    def told(self) -> str:
        """What it asks, in her words."""
        low, high = (format_length(s) for s in self.edge_mm)
        return f"the stretch locked from {low} to {high} ({self.id})"

    @property
    def span_mm(self) -> PairMm:
        """From and to, along the edge."""
        return self.edge_mm


@dataclass(frozen=True)
class NoCut(Ask):
    """A stretch of the edge at which nothing is cut, its ends included."""

    kind: ClassVar[str] = "no cut"
    remedy: ClassVar[str] = "Allow a cut there, or forbid a shorter stretch"
    edge_mm: PairMm

    def _check(self) -> None:
        self._stretch(*self.edge_mm)

    @property
    def told(self) -> str:
        """What it asks, in her words."""
        low, high = (format_length(s) for s in self.edge_mm)
        return f"no cut from {low} to {high} ({self.id})"

    @property
    def span_mm(self) -> PairMm:
        """From and to, along the edge."""
        return self.edge_mm


@dataclass(frozen=True)
class CutHere(Ask):
    """At least one cut within `within_mm` of a place."""

    kind: ClassVar[str] = "cut here"
    remedy: ClassVar[str] = "Take it back, or let the cut lie further off"
    s_mm: float
    within_mm: float = NEAR_MM

    def _check(self) -> None:
        if not self.within_mm > 0:
            raise PlanError(
                f"{self.id} asks for a cut within {self.within_mm:g} mm of a place.",
                "Give a distance above zero.",
            )

    @property
    def told(self) -> str:
        """What it asks, in her words."""
        near, where = format_length(self.within_mm), format_length(self.s_mm)
        return f"a cut within {near} of {where} from the start ({self.id})"

    @property
    def span_mm(self) -> PairMm:
        """From and to, along the edge."""
        return self.s_mm - self.within_mm, self.s_mm + self.within_mm


@dataclass(frozen=True)
class AtMark(Ask):
    """A valley or a tip of the lace at a place of the edge, such as a balance mark."""

    kind: ClassVar[str] = "at a mark"
    remedy: ClassVar[str] = "Move it, or allow it to lie further off"
    what: Literal["valley", "tip"]
    s_mm: float
    within_mm: float = AT_MARK_MM
    mark: str | None = None

    def _check(self) -> None:
        if not self.within_mm >= 0:
            raise PlanError(
                f"{self.id} wishes a {self.what} within {self.within_mm:g} mm of a place.",
                "Give a distance of zero or more.",
            )

    @property
    def told(self) -> str:
        """What it asks, in her words."""
        where = f"the {self.mark}" if self.mark else f"{format_length(self.s_mm)} from the start"
        return f"a {self.what} at {where} ({self.id})"

    @property
    def span_mm(self) -> PairMm:
        """From and to, along the edge."""
        return self.s_mm, self.s_mm


@dataclass(frozen=True)
class LaidUpTo(Ask):
    """The edge begins or ends at a cut that is made: beyond it the lace is laid already.

    `along_mm` and `path_mm` as in `LockedCut`.
    """

    kind: ClassVar[str] = "laid up to"
    remedy: ClassVar[str] = "Lay the whole edge again from its first cut"
    at: Literal["start", "end"]
    along_mm: float
    path_mm: PathMm
    through: bool = False
    at_valley: bool = True

    def _check(self) -> None:
        if len(self.path_mm) < 2:
            raise PlanError(f"{self.id} has no line of the cut.", "Take it from the plan.")

    @property
    def told(self) -> str:
        """What it asks, in her words."""
        return f"the lace laid up to the cut at the {self.at} ({self.id})"

    @property
    def span_mm(self) -> PairMm:
        """From and to, along the edge: nowhere between its ends."""
        return 0.0, 0.0


KINDS: tuple[type[Ask], ...] = (LockedCut, LockedRun, NoCut, CutHere, AtMark, LaidUpTo)


@dataclass(frozen=True)
class Footing:
    """What everything locked stands on: how the border lay when it was locked.

    Parameters
    ----------
    side : {"lower", "upper"}
    start_mm, laying_depth_mm, stand_mm, edge_mm : float
        As in `Plan`; `edge_mm` is the length of the edge.
    border_line_mm : tuple of (u, v)
        Where the border comes off, lace frame, over at least one repeat.
    lace : str
        Name of the lace.
    """

    side: Side
    start_mm: float
    laying_depth_mm: float
    stand_mm: float
    edge_mm: float
    border_line_mm: PathMm
    lace: str

    @classmethod
    def of(cls, plan: Plan) -> Footing:
        """How the border lies in a plan."""
        line = np.asarray(plan.border_line_mm, dtype=float)
        return cls(
            side=plan.side,
            start_mm=float(plan.start_mm),
            laying_depth_mm=float(plan.laying_depth_mm),
            stand_mm=float(plan.wishes.stand_mm),
            edge_mm=float(plan.target.length_mm),
            border_line_mm=_pairs(line),
            lace=plan.lace.name,
        )


@dataclass(frozen=True)
class Hand:
    """Everything she asks of one plan, in the order in which she asked.

    Parameters
    ----------
    items : sequence of Ask
    undone : frozenset of str
        Names of those taken back for now.
    footing : Footing or None
        Needed once something is locked.
    """

    items: Sequence[Ask] = ()
    undone: frozenset[str] = field(default_factory=frozenset)
    footing: Footing | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "items", tuple(self.items))
        names = [each.id for each in self.items]
        for name in names:
            if names.count(name) > 1:
                raise PlanError(f"Two things asked for are called {name}.", "Rename one.")
        for name in self.undone:
            self._find(name)
        if self.locks and self.footing is None:
            raise PlanError(
                f"{self.locks[0].id} is locked, but not how the border lay.",
                "Lock it from the plan.",
            )

    @property
    def active(self) -> tuple[Ask, ...]:
        """Those that hold."""
        return tuple(each for each in self.items if each.id not in self.undone)

    @property
    def locks(self) -> tuple[LockedCut | LockedRun | LaidUpTo, ...]:
        """What is locked: each a cut, a stretch, or all that is laid beyond an end."""
        kinds = LockedCut | LockedRun | LaidUpTo
        return tuple(each for each in self.active if isinstance(each, kinds))

    @property
    def held(self) -> Footing | None:
        """How the border must lie, where anything is locked."""
        return self.footing if self.locks else None

    @property
    def holds_start(self) -> bool:
        """Whether where the lace starts is settled by what is locked or wished at a mark."""
        return bool(self.locks) or any(isinstance(each, AtMark) for each in self.active)

    @property
    def lines(self) -> tuple[LockedCut | LaidUpTo, ...]:
        """Every line of the lace that something locked keeps."""
        ends = tuple(each for each in self.locks if isinstance(each, LaidUpTo))
        return (*(cut for _, cut in self.locked_cuts), *ends)

    @property
    def locked_cuts(self) -> tuple[tuple[Ask, LockedCut], ...]:
        """Every cut that stays, with what locks it: by itself, or as the end of a stretch."""
        found: list[tuple[Ask, LockedCut]] = []
        for each in self.locks:
            if isinstance(each, LockedCut):
                found.append((each, each))
            elif isinstance(each, LockedRun):
                found += [(each, cut) for cut in each.ends if cut is not None]
        return tuple(found)

    def next_id(self) -> str:
        """A name that none has."""
        taken = {each.id for each in self.items}
        return next(f"h{k}" for k in range(1, len(taken) + 2) if f"h{k}" not in taken)

    def with_one(self, ask: Ask) -> Hand:
        """One thing more."""
        return replace(self, items=(*self.items, ask))

    def without(self, name: str) -> Hand:
        """All but one, which is forgotten."""
        self._find(name)
        kept = tuple(each for each in self.items if each.id != name)
        return replace(self, items=kept, undone=self.undone - {name})

    def undo(self, name: str) -> Hand:
        """Take one back; it keeps its place."""
        self._find(name)
        return replace(self, undone=self.undone | {name})

    def redo(self, name: str) -> Hand:
        """Ask again for one taken back."""
        self._find(name)
        return replace(self, undone=self.undone - {name})

    def lock_cut(self, plan: Plan, index: int) -> Hand:
        """Lock `plan.cuts[index]`, or the place left uncut there."""
        lock = _locked_cut(plan, index, self.next_id())
        return replace(self, footing=self._footing(plan)).with_one(lock)

    def lock_run(self, plan: Plan, index: int) -> Hand:
        """Lock `plan.runs[index]` with the cuts at both its ends."""
        if not 0 <= index < len(plan.runs):
            raise PlanError(
                f"There is no stretch {index + 1}: the plan has {len(plan.runs)}.",
                "Count stretches from the start of the edge.",
            )
        name = self.next_id()
        run = plan.runs[index]
        last = len(plan.runs) - 1
        matrix = np.asarray(run.laying.matrix, dtype=float)
        lock = LockedRun(
            id=name,
            edge_mm=run.edge_interval_mm,
            along_mm=run.lace_interval_mm,
            matrix=(_pair(matrix[0]), _pair(matrix[1])),
            shift_mm=_pair(run.laying.shift_mm),
            bend_per_mm=float(run.laying.bend_per_mm),
            ends=(
                None if index == 0 else _locked_cut(plan, index - 1, name),
                None if index == last else _locked_cut(plan, index, name),
            ),
        )
        return replace(self, footing=self._footing(plan)).with_one(lock)

    def _footing(self, plan: Plan) -> Footing:
        new = Footing.of(plan)
        old = self.held
        if old is not None and (
            old.side != new.side
            or abs(old.start_mm - new.start_mm) > LOCKED_MM
            or abs(old.laying_depth_mm - new.laying_depth_mm) > LOCKED_MM
            or abs(old.stand_mm - new.stand_mm) > LOCKED_MM
        ):
            raise PlanError(
                f"{self.locks[0].told} lies otherwise than in this plan.",
                "Lock on the plan that holds what is locked already, or unlock that first.",
            )
        return old or new

    def _find(self, name: str) -> None:
        if name not in {each.id for each in self.items}:
            raise PlanError(f"Nothing asked for is called {name}.", "Look at the list of names.")


def _locked_cut(plan: Plan, index: int, name: str) -> LockedCut:
    if not 0 <= index < len(plan.cuts):
        raise PlanError(
            f"There is no cut {index + 1}: the plan has {len(plan.cuts)}.",
            "Count cuts from the start of the edge.",
        )
    cut = plan.cuts[index]
    return LockedCut(
        id=name,
        s_mm=float(cut.s_mm),
        along_mm=float(plan.runs[index].lace_interval_mm[1]),
        path_mm=_pairs(np.asarray(cut.path_mm, dtype=float)),
        # An uncut place keeps its line too, which goes to the outline where turning is deep.
        through=cut.kind == "through"
        or (cut.kind == "uncut" and not np.allclose(cut.turn_mm, cut.path_mm[-1], atol=1e-6)),
        at_valley=cut.at_valley,
        cut=cut.kind != "uncut",
    )


def _pair(values: object) -> PairMm:
    x, y = np.asarray(values, dtype=float)
    return float(x), float(y)


def _pairs(points: np.ndarray) -> PathMm:
    return tuple((float(x), float(y)) for x, y in points)
