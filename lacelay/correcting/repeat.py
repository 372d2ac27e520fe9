"""Set the repeat, and what follows from it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lacelay.correcting.doubts import without
from lacelay.correcting.edges import recounted
from lacelay.correcting.frame import to_lace
from lacelay.correcting.motifs import in_order
from lacelay.errors import CorrectionError
from lacelay.model.corrections import RepeatMarked, RepeatTold
from lacelay.model.lace import Lace, Measured, Repeat
from lacelay.units import format_length

#: Shorter is no repeat but a mesh, mm.
SHORTEST_MM = 3.0
#: The reading may have lost this share of a piece that was said to hold a whole repeat.
SEEN_SHARE = 0.06
#: A place of the pattern can be pointed at again to about this, mm (common practice).
POINTED_MM = 0.5


def told(lace: Lace, said: RepeatTold) -> tuple[Lace, str | None]:
    """Take the repeat as she measured it."""
    length = Measured(said.over_mm / said.copies, said.tape_sigma_mm / said.copies)
    over = f"over {said.copies} copies" if said.copies > 1 else "once"
    return with_repeat(lace, length, f"measured with a tape {over}"), None


def marked(lace: Lace, said: RepeatMarked) -> tuple[Lace, str | None]:
    """Take the repeat from two like places that she marked."""
    ends = to_lace(lace, (said.first_px, said.second_px))
    length = abs(float(ends[1, 0] - ends[0, 0])) / said.copies
    aside = abs(float(ends[1, 1] - ends[0, 1]))
    if aside > max(3.0, 0.1 * lace.width_mm.value):
        raise CorrectionError(
            f"The two places marked lie {aside:.0f} mm apart across the lace, so they are not the "
            "same place of the pattern.",
            "Mark one place, and the same place where the pattern comes again.",
        )
    own = np.sqrt(2) * POINTED_MM / said.copies
    sigma = float(np.hypot(own, lace.scale.relative_sigma * length))
    return with_repeat(lace, Measured(length, sigma), "marked in the photo by hand"), None


def none(lace: Lace) -> tuple[Lace, str | None]:
    """Take it that no repeat is known."""
    bare = without(replace(lace, repeat=None), "repeat")
    return _followed(bare), None


def with_repeat(lace: Lace, length: Measured, reason: str) -> Lace:
    """The record with a repeat of that length; counts and kinds of motifs follow.

    Raises
    ------
    CorrectionError
        When it is shorter than any pattern or longer than the lace that is seen.
    """
    if length.value < SHORTEST_MM:
        raise CorrectionError(
            f"A repeat of {length.value:.1f} mm is shorter than any pattern of motifs.",
            "Check the length, and over how many copies it was measured.",
        )
    if length.value > lace.length_mm * (1 + SEEN_SHARE):
        raise CorrectionError(
            f"A repeat of {format_length(length.value)} is longer than the "
            f"{format_length(lace.length_mm)} of lace that is seen.",
            "Check the length; or photograph a whole repeat, at best in several photos that "
            "overlap.",
        )
    repeat = Repeat(length, float(lace.length_mm / length.value), 0.99, reason)
    return _followed(without(replace(lace, repeat=repeat), "repeat"))


def _followed(lace: Lace) -> Lace:
    return in_order(recounted(recounted(lace, "lower"), "upper"), all_kinds=True)
