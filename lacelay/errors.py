"""One root for everything that can be wrong with what a maker gives us.

A programming mistake raises an ordinary exception. Bad input raises a
`LacelayError`: one sentence that says what was found and what was expected, and
a second one, the remedy. Every error here is also the builtin it specialises,
so callers that know nothing of this package still catch the right thing.
"""

from __future__ import annotations


class LacelayError(Exception):
    """Bad input, told in one line with its remedy.

    Parameters
    ----------
    found : str
        What was found and what was expected, one sentence.
    remedy : str
        What to do next, one sentence.

    Examples
    --------
    >>> print(LacelayError("The lace is 3 mm wide.", "Check the scale."))
    The lace is 3 mm wide. Check the scale.
    """

    def __init__(self, found: str, remedy: str) -> None:
        super().__init__(f"{found} {remedy}")
        self.found = found
        self.remedy = remedy


class UnitError(LacelayError, ValueError):
    """A length or other quantity that cannot be understood."""


class PhotoError(LacelayError, ValueError):
    """A photo that cannot be opened or is not fit to be read."""


class ScaleError(LacelayError, ValueError):
    """No scale, or contradictory scales, in a photo."""


class ReadingError(LacelayError, ValueError):
    """A photo in which the lace, its edges or its pattern cannot be read."""


class CorrectionError(LacelayError, ValueError):
    """A correction of a reading that cannot be, or has lost what it was about."""


class TargetError(LacelayError, ValueError):
    """A garment edge that cannot be used."""


class PlanError(LacelayError, ValueError):
    """A wish that no plan can meet within its limits."""


class FileFormError(LacelayError, ValueError):
    """A file whose content is not of the documented form."""


class MissingFileError(LacelayError, FileNotFoundError):
    """A file that is not there."""


class WriteError(LacelayError, OSError):
    """A result that cannot be written."""
