"""Magnetic declination against the test values published with the World Magnetic Models.

Source: NOAA/NCEI and BGS, WMM2020testvalues.pdf and WMM2025_TEST_VALUES.txt, read in copies that
other programs keep for their tests, not at NOAA.
"""

from __future__ import annotations

from datetime import date

import pytest

from lateralline.frames.declination import declination, declination_at

#: Decimal year, height in km, latitude, longitude, declination in degrees to the hundredth.
PUBLISHED = [
    (2020.0, 0, 80, 0, -1.28), (2020.0, 0, 0, 120, 0.16), (2020.0, 0, -80, 240, 69.36),
    (2020.0, 100, 80, 0, -1.70), (2022.5, 0, 80, 0, 0.01), (2022.5, 0, 0, 120, -0.06),
    (2022.5, 100, -80, 240, 68.55),
    (2025.0, 0, 80, 0, 1.28), (2025.0, 0, 0, 120, -0.16), (2025.0, 0, -80, -120, 68.78),
    (2025.0, 100, 80, 0, 0.85), (2025.0, 100, 0, 120, -0.15), (2025.0, 100, -80, -120, 68.21),
    (2027.5, 0, 80, 0, 2.59), (2027.5, 0, 0, 120, -0.24), (2027.5, 0, -80, -120, 68.49),
    (2027.5, 100, 80, 0, 2.16), (2027.5, 100, 0, 120, -0.23), (2027.5, 100, -80, -120, 67.93),
]  # fmt: skip


@pytest.mark.parametrize(("year", "height_km", "lat", "lon", "deg"), PUBLISHED)
def test_declination_is_as_published(
    year: float, height_km: float, lat: float, lon: float, deg: float
) -> None:
    found = declination_at(lon, lat, year, 1000.0 * height_km)
    assert found.deg == pytest.approx(deg, abs=0.0051)  # published to the hundredth
    assert 0.2 < found.sigma_deg < 1.5


def test_a_day_without_a_model_is_refused() -> None:
    with pytest.raises(ValueError, match="no model"):
        declination(-81.0, 42.0, date(2031, 1, 1))
    assert declination(-81.0, 42.0, date(2026, 5, 6)).model == "WMM-2025"
