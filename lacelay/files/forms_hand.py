"""What she asks of a plan as a file (`lacelay-hand`), apart from the plan.

Each thing asked is an object with its `kind`; what is locked carries its line on the lace, so
that the file can be held against any plan of the same lace and edge.
"""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from typing import Annotated, Any, Literal, Union

import msgspec
from msgspec import Meta

from lacelay.errors import FileFormError, PlanError
from lacelay.files.disk import write_file
from lacelay.files.json_form import (
    Form,
    Length,
    Mm,
    Plain,
    Point,
    encode,
    mm,
    plain,
    read_form,
)
from lacelay.model.hand import (
    Ask,
    AtMark,
    CutHere,
    Footing,
    Hand,
    LaidUpTo,
    LockedCut,
    LockedRun,
    NoCut,
)

NAMES = {"lacelay-hand": "what is asked of a plan", "lacelay-plan": "a plan"}
Name = Annotated[str, Meta(min_length=1, max_length=40)]
Line = Annotated[list[Point], Meta(min_length=2)]


class CutForm(Form, frozen=True, kw_only=True):
    """The line of a locked cut, from the inner side outwards, and where it lies."""

    s_mm: Mm
    along_mm: Mm
    path_mm: Line
    through: bool
    at_valley: bool
    cut: bool


class LockedCutForm(CutForm, frozen=True, kw_only=True, tag="locked cut", tag_field="kind"):
    """A cut that stays."""

    id: Name


class LockedRunForm(Form, frozen=True, kw_only=True, tag="locked stretch", tag_field="kind"):
    """A stretch that stays as it lies, with both its cuts."""

    id: Name
    edge_mm: tuple[Mm, Mm]
    along_mm: tuple[Mm, Mm]
    matrix: tuple[tuple[Plain, Plain], tuple[Plain, Plain]]
    shift_mm: Point
    bend_per_mm: Plain
    ends: tuple[CutForm | None, CutForm | None]


class NoCutForm(Form, frozen=True, kw_only=True, tag="no cut", tag_field="kind"):
    """A stretch at which nothing is cut."""

    id: Name
    edge_mm: tuple[Mm, Mm]


class CutHereForm(Form, frozen=True, kw_only=True, tag="cut here", tag_field="kind"):
    """At least one cut near a place."""

    id: Name
    s_mm: Mm
    within_mm: Length


class AtMarkForm(Form, frozen=True, kw_only=True, tag="at a mark", tag_field="kind"):
    """A valley or a tip at a place."""

    id: Name
    what: Literal["valley", "tip"]
    s_mm: Mm
    within_mm: Length
    mark: str | None = None


class LaidUpToForm(Form, frozen=True, kw_only=True, tag="laid up to", tag_field="kind"):
    """The edge begins or ends at a cut that is made."""

    id: Name
    at: Literal["start", "end"]
    along_mm: Mm
    path_mm: Line
    through: bool
    at_valley: bool


class FootingForm(Form, frozen=True, kw_only=True):
    """How the border lay when something was locked."""

    side: Literal["lower", "upper"]
    start_mm: Mm
    laying_depth_mm: Mm
    stand_mm: Mm
    edge_mm: Length
    border_line_mm: Line
    lace: str


class HandFile(Form, frozen=True, kw_only=True):
    """What she asks, in the order in which she asked it; names in `undone` are taken back.

    Places are along the edge from its start; `along_mm` is the place on the border, in order
    of the edge; lines are in the lace frame.
    """

    format: Literal["lacelay-hand"] = "lacelay-hand"
    version: Literal[1] = 1
    asks: list[
        Union[LockedCutForm, LockedRunForm, NoCutForm, CutHereForm, AtMarkForm, LaidUpToForm]  # noqa: UP007
    ]
    undone: list[str] = msgspec.field(default_factory=list)
    footing: FootingForm | None = None


_FORMS: dict[type[Ask], type[Form]] = {
    LockedCut: LockedCutForm,
    LockedRun: LockedRunForm,
    NoCut: NoCutForm,
    CutHere: CutHereForm,
    AtMark: AtMarkForm,
    LaidUpTo: LaidUpToForm,
}
_KIND_OF = {form: kind for kind, form in _FORMS.items()}
#: Fields that are not lengths: kept to the digits of plain numbers.
_PLAIN = ("matrix", "bend_per_mm")


def write_hand(path: Path, hand: Hand) -> None:
    """Write what she asks, whole or not at all.

    Raises
    ------
    WriteError
        When it cannot be written.
    """
    form = HandFile(
        asks=[_FORMS[type(ask)](**_kept(ask)) for ask in hand.items],  # type: ignore[misc]
        undone=[ask.id for ask in hand.items if ask.id in hand.undone],
        footing=None if hand.footing is None else FootingForm(**_kept(hand.footing)),
    )
    write_file(path, encode(form))


def read_hand(path: Path) -> Hand:
    """Read what she asks.

    Raises
    ------
    MissingFileError, FileFormError
        When the file is not there or not as documented, or contradicts itself.
    """
    form = read_form(path, HandFile, NAMES)
    try:
        return Hand(
            tuple(_ask(each) for each in form.asks),
            frozenset(form.undone),
            None if form.footing is None else Footing(**_values(form.footing, Footing)),
        )
    except PlanError as refusal:
        raise FileFormError(f"{path}: {refusal.found}", refusal.remedy) from refusal


def _kept(record: Any) -> dict[str, Any]:
    return {each.name: _stored(each.name, getattr(record, each.name)) for each in fields(record)}


def _stored(name: str, value: Any) -> Any:
    if isinstance(value, LockedCut):
        kept = _kept(value)
        del kept["id"]
        return CutForm(**kept)
    if isinstance(value, tuple):
        return tuple(_stored(name, each) for each in value)
    if isinstance(value, float):
        return plain(value) if name in _PLAIN else mm(value)
    return value


def _ask(form: Form) -> Ask:
    kind = _KIND_OF[type(form)]
    values = _values(form, kind)
    if kind is LockedRun:
        values["ends"] = tuple(
            None if end is None else LockedCut(id=values["id"], **_values(end, LockedCut))
            for end in form.ends  # type: ignore[attr-defined]
        )
    return kind(**values)


def _values(form: Form, kind: type) -> dict[str, Any]:
    names = {each.name for each in fields(kind)} & {
        each.name for each in msgspec.structs.fields(form)
    }
    return {name: _tuples(getattr(form, name)) for name in names}


def _tuples(value: Any) -> Any:
    if isinstance(value, list | tuple):
        return tuple(_tuples(each) for each in value)
    return value
