"""Lengths as a maker writes and reads them, against the exact definitions.

Inch and yard: 25.4 mm and 914.4 mm exactly (international yard and pound agreement, 1959).
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lacelay.errors import UnitError
from lacelay.units import (
    MM_PER_INCH,
    MM_PER_POINT,
    MM_PER_YARD,
    format_length,
    format_mixed,
    parse_length_mm,
)


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("12 cm", 120.0),
        ("4 3/4 in", 120.65),
        ("4-3/4in", 120.65),
        ("4¾ in", 120.65),
        ("35mm", 35.0),
        ("1.5m", 1500.0),
        ("2,5 cm", 25.0),
        ("1 yd", 914.4),
        ("1/2 yard", 457.2),
        ('12"', 304.8),
        ("12 inches", 304.8),
        (".5 in", 12.7),
        ("-3 mm", -3.0),
        ("+3 mm", 3.0),
        ("0 mm", 0.0),
        ("1 IN", 25.4),
    ],
)
def test_lengths_are_read_exactly(text, mm) -> None:
    assert parse_length_mm(text) == mm


@pytest.mark.parametrize(
    "text",
    ["", "12", "cm", "12 furlongs", "1/0 in", "4 3/ in", "1e3 mm", "nan mm", "inf mm", "12 cm 3",
     "200 km", "101 m", "--3mm", "1.2.3 mm", "３mm x"],
)  # fmt: skip
def test_what_is_no_length_is_told(text) -> None:
    with pytest.raises(UnitError) as refusal:
        parse_length_mm(text)
    assert refusal.value.remedy


def test_units_are_exact() -> None:
    assert MM_PER_YARD == 36 * MM_PER_INCH
    assert pytest.approx(MM_PER_INCH, rel=1e-15) == MM_PER_POINT * 72


@given(st.integers(0, 99_999), st.sampled_from(["mm", "cm", "m"]))
def test_whole_metric_lengths_are_exact(number, unit) -> None:
    factor = {"mm": 1, "cm": 10, "m": 1000}[unit]
    if number * factor > 100_000:
        with pytest.raises(UnitError):
            parse_length_mm(f"{number} {unit}")
    else:
        assert parse_length_mm(f"{number} {unit}") == number * factor


@given(st.integers(0, 3000), st.integers(0, 15))
def test_sixteenths_of_an_inch_come_back(whole, sixteenths) -> None:
    mm = parse_length_mm(f"{whole} {sixteenths}/16 in")
    assert parse_length_mm(format_length(mm, inches=True)) == pytest.approx(mm, abs=1e-9)


@given(st.floats(0, 9e4))
def test_told_lengths_are_near(mm) -> None:
    told = parse_length_mm(format_length(mm))
    assert told == pytest.approx(mm, abs=0.5 if mm < 1000 else 5.0)


@given(st.floats(-1e4, 1e4), st.sampled_from([2, 4, 8, 16]))
def test_mixed_numbers_are_nearest(value, denominator) -> None:
    told = format_mixed(value, denominator)
    sign = -1 if told.startswith("-") else 1
    parts = told.lstrip("-").split()
    number = 0.0
    for part in parts:
        top, _, bottom = part.partition("/")
        number += int(top) / int(bottom or 1)
        if bottom:
            assert math.gcd(int(top), int(bottom)) == 1
            assert int(top) < int(bottom)
    assert abs(sign * number - value) <= 0.5 / denominator + 1e-9
