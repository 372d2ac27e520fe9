"""Exact units: millimetres inside, every other unit only here.

The inch is 25.4 mm exactly and the yard 914.4 mm (international yard and pound
agreement, 1959); the PostScript point of PDF is 1/72 inch (ISO 32000).
"""

from __future__ import annotations

import math
import re
from fractions import Fraction

from lacelay.errors import UnitError

MM_PER_INCH = 25.4
MM_PER_YARD = 914.4
MM_PER_POINT = MM_PER_INCH / 72
#: Longest length anyone lays by hand; more is a slip of the unit.
LONGEST_MM = 100_000.0

_MM_PER_UNIT = {
    "mm": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "in": MM_PER_INCH,
    "inch": MM_PER_INCH,
    "inches": MM_PER_INCH,
    '"': MM_PER_INCH,
    "″": MM_PER_INCH,
    "yd": MM_PER_YARD,
    "yard": MM_PER_YARD,
    "yards": MM_PER_YARD,
}
_VULGAR = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8"}
_LENGTH = re.compile(
    r"""^\s*(?P<sign>[-+]?)\s*
        (?:(?P<whole>\d+)[\s-]+(?P<num>\d+)\s*/\s*(?P<den>\d+)
          |(?P<num2>\d+)\s*/\s*(?P<den2>\d+)
          |(?P<decimal>\d+(?:[.,]\d+)?|[.,]\d+))
        \s*(?P<unit>[a-z"″]+)\s*$""",
    re.VERBOSE,
)


def parse_length_mm(text: str) -> float:
    """Read a length as a maker writes it.

    Parameters
    ----------
    text : str
        A number or a fraction, then a unit: mm, cm, m, in or yd.

    Returns
    -------
    float
        Millimetres.

    Raises
    ------
    UnitError
        When there is no unit, the unit is unknown or the number is not one.

    Examples
    --------
    >>> parse_length_mm("12 cm"), parse_length_mm("4 3/4 in"), parse_length_mm("35mm")
    (120.0, 120.65, 35.0)
    >>> parse_length_mm("12")
    Traceback (most recent call last):
    lacelay.errors.UnitError: '12' has no unit. Write a length like 12 cm, 35 mm or 4 3/4 in.
    """
    remedy = "Write a length like 12 cm, 35 mm or 4 3/4 in."
    plain = text.lower()
    for sign, fraction in _VULGAR.items():
        plain = plain.replace(sign, f" {fraction}")
    if re.fullmatch(r"[\s\d.,/+-]+", plain) and re.search(r"\d", plain):
        raise UnitError(f"'{text}' has no unit.", remedy)
    match = _LENGTH.match(plain)
    if match is None:
        raise UnitError(f"'{text}' is not a length.", remedy)
    if match["unit"] not in _MM_PER_UNIT:
        raise UnitError(f"'{text}' has an unknown unit '{match['unit']}'.", remedy)
    number = _number(match, text, remedy)
    mm = float(number * Fraction(str(_MM_PER_UNIT[match["unit"]])))
    if not math.isfinite(mm) or abs(mm) > LONGEST_MM:
        raise UnitError(f"'{text}' is longer than 100 m.", "Check the unit.")
    return -mm if match["sign"] == "-" else mm


def _number(match: re.Match[str], text: str, remedy: str) -> Fraction:
    if match["decimal"]:
        return Fraction(match["decimal"].replace(",", "."))
    numerator, denominator = match["num"] or match["num2"], match["den"] or match["den2"]
    if int(denominator) == 0:
        raise UnitError(f"'{text}' divides by nothing.", remedy)
    return int(match["whole"] or 0) + Fraction(int(numerator), int(denominator))


def format_mixed(value: float, denominator: int) -> str:
    """Write a number as whole and fraction, rounded to 1/denominator.

    Examples
    --------
    >>> format_mixed(5.26, 4), format_mixed(0.49, 2), format_mixed(3.0, 16)
    ('5 1/4', '1/2', '3')
    """
    whole, part = divmod(round(abs(value) * denominator), denominator)
    sign = "-" if value < 0 and (whole or part) else ""
    if not part:
        return f"{sign}{whole}"
    fraction = Fraction(part, denominator)
    lead = f"{whole} " if whole else ""
    return f"{sign}{lead}{fraction.numerator}/{fraction.denominator}"


def format_length(mm: float, *, inches: bool = False) -> str:
    """Write a length as a maker reads it: whole mm, or cm above 100 mm; sixteenths of an inch.

    Examples
    --------
    >>> format_length(7.4), format_length(123.2), format_length(2540.0)
    ('7 mm', '12.3 cm', '2.54 m')
    >>> format_length(120.65, inches=True)
    '4 3/4 in'
    """
    if inches:
        return f"{format_mixed(mm / MM_PER_INCH, 16)} in"
    if abs(mm) >= 1000:
        return f"{mm / 1000:.2f} m"
    if abs(mm) >= 100:
        return f"{mm / 10:.1f} cm"
    return f"{mm:.0f} mm"
