"""Units of length against published definitions."""

from __future__ import annotations

import pytest
from pyproj.database import get_units_map

from lateralline.units import METRES_PER


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
