"""What to buy."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Purchase:
    """The length to buy and how it comes about, all in mm.

    Parameters
    ----------
    used_mm : float
        Length of border laid, turn-ins counted.
    start_anywhere_mm : float
        For the pattern to start where the plan wants it, wherever the bolt was cut.
    ragged_ends_mm : float
        One scallop lost at each end.
    spare_mm : float
        Kept for mishaps.
    increment_mm : float
        What the shop sells by.
    to_buy_mm : float
        Whole increments.
    reasons : tuple of str
        In her words, one for each part.
    """

    used_mm: float
    start_anywhere_mm: float
    ragged_ends_mm: float
    spare_mm: float
    increment_mm: float
    to_buy_mm: float
    reasons: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.to_buy_mm + 1e-6 < self.needed_mm:
            raise ValueError("less is bought than is needed")

    @property
    def needed_mm(self) -> float:
        """What must be there before rounding up to what the shop sells."""
        return self.used_mm + self.start_anywhere_mm + self.ragged_ends_mm + self.spare_mm
