"""One repeat in the photo and a tape over several: enough for the whole job.

Bridal repeats are often 300 to 900 mm long, so a photo holds one and little more. The tape
says how long the repeat truly is; where in the photo it begins again is found by laying the
photo's right end on its left end, or told by two points. Together they also set the scale:
the repeat as seen is as long as the tape says.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lacelay.correcting.doubts import without
from lacelay.correcting.frame import photo_of, scaled
from lacelay.correcting.picture import corrected_picture
from lacelay.correcting.repeat import SEEN_SHARE, with_repeat
from lacelay.errors import CorrectionError, ReadingError
from lacelay.model.lace import Lace, Measured, Repeat
from lacelay.reading.overlap import View, find_overlap
from lacelay.reading.read import Reading
from lacelay.units import format_length

#: The two ends are looked at where at least this much of the next copy is seen, mm.
LEAST_SEEN_AGAIN_MM = 22.0
#: Places of the pattern matched or pointed at are right to about this, mm.
MATCHED_MM, POINTED_MM = 0.15, 0.5
#: Tape and photo that differ by more than this many standard uncertainties contradict.
CONTRADICT = 3.0
#: A photo's scale is off by no more than this where the ends are matched.
SCALE_OFF = 0.03


@dataclass(frozen=True)
class Tape:
    """A tape laid over some copies of the repeat.

    Parameters
    ----------
    over_mm : float
    copies : int
    sigma_mm : float
        Standard uncertainty of the whole length: laid by hand, read to half a mm or so.
    """

    over_mm: float
    copies: int = 1
    sigma_mm: float = 1.0

    def __post_init__(self) -> None:
        if not (np.isfinite(self.over_mm) and 0 < self.over_mm < 100_000 and self.sigma_mm >= 0):
            raise CorrectionError(
                f"A tape of {self.over_mm:g} mm measures nothing.", "Give a length above zero."
            )
        if not 1 <= self.copies < 10_000:
            raise CorrectionError(
                f"The tape was laid over {self.copies} repeats.", "Give one or more."
            )

    @property
    def repeat_mm(self) -> Measured:
        """Length of one repeat."""
        return Measured(self.over_mm / self.copies, self.sigma_mm / self.copies)


def repeat_by_tape(lace: Lace, tape: Tape) -> Repeat:
    """The repeat as the tape alone says it.

    Examples
    --------
    A tape over five repeats reads 3060 mm, give or take 2: 612 mm, give or take 0.4.
    """
    length = tape.repeat_mm
    over = f"over {tape.copies} repeats" if tape.copies > 1 else "over one repeat"
    return Repeat(length, lace.length_mm / length.value, 0.99, f"measured with a tape {over}")


def complete_by_tape(
    reading: Reading,
    tape: Tape,
    *,
    ends_px: tuple[tuple[float, float], tuple[float, float]] | None = None,
) -> Reading:
    """Complete a reading that shows one repeat, so that it stands for any length of the lace.

    Parameters
    ----------
    reading : Reading
    tape : Tape
    ends_px : tuple of two photo points, optional
        The same place of the pattern where the repeat begins and where it begins again. Left
        out, the ends of the lace seen are matched.

    Returns
    -------
    Reading
        With the repeat; scaled so that the repeat seen agrees with the tape, each weighed by
        its uncertainty. Where they contradict each other the tape is taken, and that is said.
        Where nothing shows where the repeat begins again, the photo's own scale stands and
        what it leaves in doubt is said.

    Raises
    ------
    CorrectionError
        When less than one repeat is seen.
    """
    lace = reading.lace
    told = tape.repeat_mm
    if told.value > lace.length_mm * (1 + SEEN_SHARE):
        raise CorrectionError(
            f"The repeat of {format_length(told.value)} is longer than the "
            f"{format_length(lace.length_mm)} of lace in the photo.",
            "Photograph one whole repeat and a little more, or give several photos that overlap.",
        )
    seen = _seen(reading, told, ends_px)
    if seen is None:
        doubt = (
            "Where the repeat begins again cannot be seen in the photo, so its copies may be "
            f"joined up to {1.96 * _unsure(lace, told):.0f} mm out of place: show a little more "
            "than one repeat, or mark both places."
        )
        plain = with_repeat(lace, told, repeat_by_tape(lace, tape).reason)
        return replace(reading, lace=replace(plain, doubts=(*plain.doubts, doubt)))
    sigma = float(np.hypot(seen.sigma, lace.scale.relative_sigma * seen.value))
    apart = abs(told.value - seen.value)
    doubts: list[str] = []
    if apart > CONTRADICT * float(np.hypot(sigma, told.sigma)):
        length, length_sigma = told.value, told.sigma
        doubts.append(
            f"By the tape the repeat is {format_length(told.value)}, by the "
            f"{lace.scale.reference} {format_length(seen.value)}: the tape was used; check both."
        )
    else:
        weights = np.array([max(told.sigma, 1e-6), max(sigma, 1e-6)]) ** -2
        length = float(weights @ [told.value, seen.value] / weights.sum())
        length_sigma = float(weights.sum() ** -0.5)
    over = f"a tape over {tape.copies} repeats" if tape.copies > 1 else "a tape over one repeat"
    relative = float(np.hypot(length_sigma, seen.sigma)) / length
    if lace.photo is not None:
        bare = without(lace, "scale") if relative < lace.scale.relative_sigma else lace
        sized = scaled(bare, length / seen.value, relative, over)
        picture = corrected_picture(reading.picture, lace, sized)
    else:  # joined from several photos: their own scales stand
        sized, picture = lace, reading.picture
        length, length_sigma = seen.value, sigma
    whole = with_repeat(sized, Measured(length, length_sigma), f"seen once, measured with {over}")
    return Reading(replace(whole, doubts=(*whole.doubts, *doubts)), picture)


def _unsure(lace: Lace, told: Measured) -> float:
    return float(np.hypot(told.sigma, lace.scale.relative_sigma * told.value))


def _seen(
    reading: Reading,
    told: Measured,
    ends_px: tuple[tuple[float, float], tuple[float, float]] | None,
) -> Measured | None:
    """The repeat as the photo shows it, without its scale's doubt; None where it does not."""
    lace = reading.lace
    if ends_px is not None:
        ends = photo_of(lace).photo_to_lace(np.array(ends_px))
        length = abs(float(ends[1, 0] - ends[0, 0]))
        if not abs(length / told.value - 1) < 0.2:
            raise CorrectionError(
                f"The two places marked lie {format_length(length)} apart, but by the tape the "
                f"repeat is {format_length(told.value)}.",
                "Mark the same place of the pattern in two copies that follow each other.",
            )
        return Measured(length, POINTED_MM * np.sqrt(2))
    u = lace.outline_mm[:, 0]
    view = View(reading.picture, float(u.min()), float(u.max()), lace.width_mm.value)
    again = view.to_mm - view.from_mm - told.value
    if again < LEAST_SEEN_AGAIN_MM:
        return None
    try:
        match = find_overlap(
            view,
            view,
            told_mm=again,
            within_mm=3 * told.sigma + SCALE_OFF * told.value,
            least_mm=LEAST_SEEN_AGAIN_MM,
            names=("the left end", "the right end"),
        )
    except ReadingError:
        return None
    return Measured(
        float(match.move(_middle(view, match.length_mm))[0, 0])
        - _middle(view, match.length_mm)[0, 0],
        float(np.hypot(MATCHED_MM, match.off_mm / 4)),
    )


def _middle(view: View, overlap_mm: float) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """The middle of the left end that is seen again, shape (1, 2)."""
    return np.array([[view.from_mm + overlap_mm / 2, view.width_mm / 2]])
