"""Units of length against published definitions."""

from __future__ import annotations

import re
from contextlib import suppress
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyproj.database import get_units_map

from lateralline.units import (
    EXACT_METRES_PER,
    METRES_PER,
    PER_FOOT,
    feet_and_inches,
    parse_length,
)


def test_us_survey_foot_against_the_international_foot() -> None:
    """2 ppm, 1.807 m at x = 2,963,503.91: the LCC 2SP example of NAD27 Texas South Central.

    That easting is from memory (PROJ agrees with it to 0.01 ft); the difference follows from
    1200/3937 m and 0.3048 m.
    """
    x = 2_963_503.91
    apart = x * (METRES_PER["us-ft"] - METRES_PER["ft"])
    assert apart == pytest.approx(1.807, abs=5e-4)
    assert METRES_PER["us-ft"] / METRES_PER["ft"] - 1 == pytest.approx(2e-6, rel=1e-4)


@pytest.mark.parametrize(
    ("ours", "epsg"), [("m", "metre"), ("ft", "foot"), ("us-ft", "US survey foot")]
)
def test_units_agree_with_the_epsg_registry(ours: str, epsg: str) -> None:
    """EPSG units 9001, 9002, 9003, as the PROJ database has them."""
    registered = get_units_map(category="linear")[epsg].conv_factor
    assert METRES_PER[ours] == pytest.approx(registered, rel=1e-14)


def test_inch_is_a_twelfth_of_a_foot() -> None:
    """International yard and pound agreement, 1959: 1 in = 25.4 mm exactly (from memory)."""
    assert METRES_PER["in"] == 0.0254
    assert 12 * METRES_PER["in"] == pytest.approx(METRES_PER["ft"], rel=1e-15)
    assert METRES_PER["cm"] == 10 * METRES_PER["mm"] == 0.01


# ---- feet and inches ------------------------------------------------------------------------

FOOT = ("'", "′", "’", "ft", " ft", "ft.", " feet", " FT")
INCH = ('"', "″", "”", "''", "’’", "in", " in", "in.", " inches")
BETWEEN = ("", " ", "-", " - ", "–", "\u00a0")
VULGAR = {Fraction(1, 2): "½", Fraction(1, 4): "¼", Fraction(3, 4): "¾", Fraction(5, 8): "⅝"}


@st.composite
def inches_in_words(draw: st.DrawFn, below: int) -> tuple[Fraction, str]:
    """Inches, and one of the ways people write them."""
    whole = draw(st.integers(0, below - 1))
    style = draw(st.sampled_from(["whole", "fraction", "decimal", "vulgar"]))
    if style == "whole":
        return Fraction(whole), str(whole)
    if style == "decimal":
        part = draw(st.integers(0, 999))
        return whole + Fraction(part, 1000), f"{whole}.{part:03d}"
    if style == "vulgar":
        part = draw(st.sampled_from(list(VULGAR)))
        return whole + part, (str(whole) if whole else "") + VULGAR[part]
    below_line = draw(st.sampled_from([2, 4, 8, 16, 32, 64, 3, 10]))
    above_line = draw(st.integers(1, below_line - 1))
    line = draw(st.sampled_from(["/", " / ", "⁄"]))
    gap = draw(st.sampled_from([" ", "-", "  "]))
    written = f"{whole}{gap}" if whole or draw(st.booleans()) else ""
    return whole + Fraction(above_line, below_line), f"{written}{above_line}{line}{below_line}"


@given(data=st.data(), unit=st.sampled_from(["ft", "us-ft", "in"]))
def test_feet_and_inches_read_exactly_however_they_are_written(data, unit: str) -> None:
    """In feet of the declared unit, whichever it is: 12 inches to that foot, no rounding."""
    sign = data.draw(st.sampled_from(["", "-", "+", "−"]))
    feet = data.draw(st.none() | st.integers(0, 9999))
    inches, words = data.draw(inches_in_words(12 if feet is not None else 9999))
    foot, inch = data.draw(st.sampled_from(FOOT)), data.draw(st.sampled_from(INCH))
    text = f"{sign}{words}{inch}"
    if feet is not None:
        between = data.draw(st.sampled_from(BETWEEN))
        end = data.draw(st.sampled_from([inch, ""]))
        text = f"{sign}{feet}{foot}{between}{words}{end}"
    value = (feet or 0) + inches / 12
    value *= -1 if sign in ("-", "−") else 1
    assert parse_length(text, unit) == (value * 12 if unit == "in" else value), text


@given(st.fractions(-5000, 5000, max_denominator=12 * 64))
def test_what_is_written_reads_back_to_the_nearest_part(feet: Fraction) -> None:
    text = feet_and_inches(feet, 64)
    assert abs(parse_length(text, "ft") - feet) <= Fraction(1, 2 * 64 * 12)
    assert feet_and_inches(parse_length(text, "ft"), 64) == text


@given(value=st.decimals(-9999, 9999, places=3), unit=st.sampled_from(list(METRES_PER)))
def test_decimals_read_in_every_unit(value: Decimal, unit: str) -> None:
    assert parse_length(str(value), unit) == Fraction(value)


@pytest.mark.parametrize(
    ("text", "unit", "feet"),
    [
        ("4.5'", "ft", "9/2"),
        ("4 1/2 ft", "us-ft", "9/2"),
        ("7 1/2", "in", "15/24"),
        ("7-1/2", "in", "15/24"),
        ("1/2", "in", "1/24"),
        ("21' 4 1/2\"", "ft", "171/8"),
        ("-2' 1/2\"", "ft", "-49/24"),
        ("0' 0\"", "ft", "0"),
    ],
)
def test_forms_met_on_site(text: str, unit: str, feet: str) -> None:
    assert parse_length(text, unit) / PER_FOOT[unit] == Fraction(feet)


@pytest.mark.parametrize(
    ("text", "unit", "hint"),
    [
        ("7 1/2", "ft", "say whether it is feet or inches"),
        ("7 1/2", "m", "write a decimal number"),
        ("4' 12\"", "ft", "inches beside feet stay below 12"),
        ("4' 7 3/2\"", "ft", "3/2 is no part of a whole"),
        ("4' 7 0/2\"", "ft", "0/2 is no part of a whole"),
        ("4' 7\"", "m", "the unit is m: write 1.397 if these are feet of 0.3048 m"),
        ("4' 7\"", "cm", "the unit is cm: write 139.7 if"),
        ("4.5 m", "ft", "the unit is ft: write 14.764 if these are m"),
        ("4.5 m", "m", "write 4.5: units stand once"),
        ("4.5' 7\"", "ft", ""),
        ("4-7 1/2", "ft", "write 4' 7 1/2\" if these are feet and inches"),
        ("4 7 1/2", "us-ft", "write 4' 7 1/2\" if these are feet and inches"),
        ("-4-7", "in", "write -4' 7\" if these are feet and inches"),
        ("4-7-1/2", "ft", "write 4' 7 1/2\" if these are feet and inches"),
        ("4-7 1/2", "m", ""),
        ("4-13", "ft", ""),
        ("4-7 1/0", "ft", "1/0 is no part of a whole"),
        ("4'' 7'", "ft", ""),
        ("about 3", "ft", ""),
        ("", "ft", ""),
        ("٣'", "ft", ""),
        ('1/0"', "ft", "1/0 is no part of a whole"),
        ("3,2", "ft", ""),
    ],
)
def test_what_is_no_length_says_what_would_be(text: str, unit: str, hint: str) -> None:
    with pytest.raises(ValueError, match="^" + re.escape(hint) + ("$" if not hint else "")):
        parse_length(text, unit)


def test_survey_feet_are_survey_feet() -> None:
    """1200/3937 m, by which 39.37 survey inches make one metre (Mendenhall Order, from memory)."""
    assert EXACT_METRES_PER["us-ft"] == Fraction(1200, 3937)
    assert EXACT_METRES_PER["us-ft"] / 12 * Fraction(3937, 100) == 1
    for unit, metres in EXACT_METRES_PER.items():
        assert float(metres) == METRES_PER[unit]


@given(st.text(alphabet="0123456789./ '\"-+ftinm½′″,;:e", max_size=14))
def test_any_text_is_a_length_or_no_length_at_all(text: str) -> None:
    for unit in METRES_PER:
        with suppress(ValueError):
            assert isinstance(parse_length(text, unit), Fraction)
