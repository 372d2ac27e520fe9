"""What a lace record says, in the maker's own words."""

from __future__ import annotations

from collections.abc import Callable

from lacelay.model.lace import Lace, LaceEdge, Measured
from lacelay.units import format_length

Length = Callable[[float], str]
#: Less is not told: nobody lays lace to half a millimetre.
_SHOWS_MM = 0.5


def lace_lines(lace: Lace, *, inches: bool = False) -> list[str]:
    """Tell a lace, a line for each thing; what is in doubt comes last.

    Parameters
    ----------
    lace : Lace
    inches : bool
        Lengths in inches instead of mm and cm.
    """

    def length(mm: float) -> str:
        return format_length(mm, inches=inches)

    lines = [
        f"{lace.name}: {length(lace.length_mm)} of lace, {_measured(lace.width_mm, length)} wide "
        "from valley to valley.",
        f"Scale: {lace.scale.px_per_mm:.2f} pixels a mm, good to "
        f"{_percent(1.96 * lace.scale.relative_sigma)}, from the {lace.scale.reference}.",
        _edge_line(lace, lace.lower, length),
        _edge_line(lace, lace.upper, length),
        _repeat_line(lace, length),
        *symmetry_lines(lace.symmetry),
        f"{_count(len(lace.motifs), 'motif')}, {_count(len(lace.beads), 'bead')}.",
        f"Of its area {lace.shares.motif:.0%} is motif, {lace.shares.ground:.0%} net or bars, "
        f"{lace.shares.open:.0%} open.",
    ]
    return lines + [f"In doubt: {doubt}" for doubt in lace.doubts]


def _edge_line(lace: Lace, edge: LaceEdge, length: Length) -> str:
    if not edge.scalloped or edge.pitch_mm is None or edge.depth_mm is None:
        told = f"{edge.side.capitalize()} edge: not scalloped"
    else:
        told = (
            f"{edge.side.capitalize()} edge: {_count(edge.count, 'whole scallop')}, "
            f"{_measured(edge.pitch_mm, length)} wide, {_measured(edge.depth_mm, length)} deep"
        )
        if edge.per_repeat is not None:
            told += f", {edge.per_repeat} to a repeat"
    told_below = any(edge.doubt in doubt for doubt in lace.doubts) if edge.doubt else True
    return f"{told}." if told_below else f"{told} (in doubt: {edge.doubt})."


def _repeat_line(lace: Lace, length: Length) -> str:
    if lace.repeat is None:
        return "Repeat: not found."
    sure = lace.repeat.sure
    word = "sure" if sure >= 0.9 else "likely" if sure >= 0.6 else "not sure"
    return (
        f"Repeat: {_measured(lace.repeat.length_mm, length)}, {lace.repeat.copies:.1f} copies "
        f"seen, {word}."
    )


def symmetry_lines(group: str | None) -> list[str]:
    """What the symmetry of a lace allows, in her words; the group itself is not told.

    Parameters
    ----------
    group : str or None
        One of `lacelay.model.lace.FRIEZE_GROUPS`; None tells nothing.

    Notes
    -----
    Lace is turned, never flipped. So a mirrored half of a garment needs a mirror image that
    lies in the lace itself: across its length (p1m1, p2mg, p2mm) along the same edge, along
    it (p11m, p11g) in the other edge.
    """
    if group is None:
        return []
    turns = "Turn it round and it matches: either edge gives the same border."
    mirrors = (
        "Its mirror image lies along the same edge: left and right can both be cut from one edge."
    )
    return {
        "p1": [
            "Turned round it does not match, and its mirror image is nowhere in it: left and "
            "right can only be matched to the eye."
        ],
        "p1m1": [mirrors, "Turned round it does not match: the two edges are different."],
        "p2": [turns, "Its mirror image is nowhere in it: left and right are matched to the eye."],
        "p11m": [
            "Its mirror image exists in the other edge: for halves that mirror each other left "
            "and right must come from different edges."
        ],
        "p11g": [
            "Its mirror image exists in the other edge, half a repeat further along: for halves "
            "that mirror each other left and right must come from different edges."
        ],
        "p2mg": [turns, mirrors],
        "p2mm": [turns, mirrors],
    }[group]


def _measured(measured: Measured, length: Length) -> str:
    """Write a measurement and how far it may be off, 95 times in 100, where that shows."""
    off, plain = 1.96 * measured.sigma, length(measured.value)
    told = length(off)
    if off < _SHOWS_MM or told.startswith("0 "):
        return plain
    return f"{plain} (give or take {told})"


def _percent(share: float) -> str:
    return f"{share:.1%}"


def _count(number: int, thing: str) -> str:
    return f"1 {thing}" if number == 1 else f"{number or 'no'} {thing}s"
