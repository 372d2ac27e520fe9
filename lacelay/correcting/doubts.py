"""Which doubts of a reading a correction answers.

A record's doubts are sentences for her to read; what each is about is told by its words.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Literal

from lacelay.model.lace import Lace, Side

About = Literal["scale", "repeat", "symmetry"]

_WORDS: dict[About, re.Pattern[str]] = {
    "scale": re.compile(
        r"\b(scale|grid|ruler|straight above|step|heavy lines|sheet of|card|lens|one pixel)\b", re.I
    ),
    "repeat": re.compile(r"\brepeat\b", re.I),
    "symmetry": re.compile(r"\b(symmetry|mirror|matches when turned)\b", re.I),
}
_EDGE = re.compile(r"^The (lower|upper) edge: ", re.I)
#: Parts of an edge's doubt that its own valleys answer, where they are evenly spaced again.
UNEVEN = "its scallops are uneven in width: a valley may be missing"
MISFIT = "its scallops do not go evenly into the repeat of the lace"


def without(lace: Lace, about: About) -> Lace:
    """The record without what was doubted of its scale, its repeat or its symmetry."""
    kept = [d for d in lace.doubts if _EDGE.match(d) or not _WORDS[about].search(d)]
    return replace(lace, doubts=kept)


def with_edge_doubt(lace: Lace, side: Side, doubt: str | None) -> Lace:
    """The record with one edge's doubt exchanged, in the edge and among all doubts."""
    edge = replace(lace.edge(side), doubt=doubt)
    own = [d for d in lace.doubts if d.lower().startswith(f"the {side} edge: ")]
    at = lace.doubts.index(own[0]) if own else len(lace.doubts)
    rest = [d for d in lace.doubts if d not in own]
    if doubt:
        rest.insert(min(at, len(rest)), f"The {side} edge: {doubt}.")
    changed = replace(lace, doubts=rest)
    return replace(changed, lower=edge) if side == "lower" else replace(changed, upper=edge)


def parts(doubt: str | None) -> list[str]:
    """The single things an edge's doubt says."""
    return [part for part in (doubt or "").split("; ") if part]


def joined(said: list[str]) -> str | None:
    """One doubt of several; None of none."""
    return "; ".join(said) if said else None
