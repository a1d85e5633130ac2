"""Geodesy against published worked examples: the library calls the frames rest on.

The same examples go through a site's own files and frame in test_geodesy_of_sites.py. R = the
source was read for this project; C = computed from the source's formula; M = from memory. Sources
stand in SOURCES.md beside this file.
"""

from __future__ import annotations

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from pyproj import CRS, Geod, Transformer

from lateralline.frames import EARTH_RADIUS_M
from lateralline.frames.build import grid_scale
from lateralline.units import METRES_PER


def dms(degrees: float, minutes: float, seconds: float = 0.0) -> float:
    """Decimal degrees; the sign of `degrees` holds for all three."""
    return float(np.copysign(abs(degrees) + minutes / 60 + seconds / 3600, degrees))


FLINDERS_PEAK = (dms(144, 25, 29.5244), dms(-37, 57, 3.7203))
BUNINYONG = (dms(143, 55, 35.3839), dms(-37, 39, 10.1561))
FLINDERS_PEAK_MGA55 = (273741.2966, 5796489.7769)
BUNINYONG_MGA55 = (228854.0513, 5828259.0384)


def test_topocentric_example() -> None:
    """IOGP 373-7-2, topocentric conversion, WGS 84, origin 55°N 5°E h 200 m (R)."""
    lon, lat, h = 2.12955, 53.80939444, 73.0
    geocentric = Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True)
    assert geocentric.transform(lon, lat, h) == pytest.approx(
        (3771793.968, 140253.342, 5124304.349), abs=1e-3
    )
    topocentric = Transformer.from_pipeline(
        "+proj=pipeline +step +proj=cart +ellps=WGS84 "
        "+step +proj=topocentric +ellps=WGS84 +lat_0=55 +lon_0=5 +h_0=200"
    )
    assert topocentric.transform(lon, lat, h) == pytest.approx(
        (-189013.869, -128642.040, -4220.171), abs=1e-3
    )


@pytest.mark.parametrize(
    ("lonlat", "geographic", "projected", "expected", "within"),
    [
        # Ordnance Survey guide to coordinate systems, Airy ellipsoid (C).
        pytest.param(
            (dms(1, 43, 4.5177), dms(52, 39, 27.2531)),
            "EPSG:4277",
            "EPSG:27700",
            (651409.903, 313177.270),
            1e-3,
            id="transverse-mercator-airy",
        ),
        # Lambert conic conformal, two parallels, NAD27 / Texas South Central, US survey feet (M).
        pytest.param(
            (-96.0, 28.5),
            "EPSG:4267",
            "EPSG:32040",
            (2963503.91, 254759.80),
            1e-2,
            id="lambert-2sp-us-ft",
        ),
        # Lambert conic conformal, one parallel, JAD69 / Jamaica National Grid (M).
        pytest.param(
            (-dms(76, 56, 37.26), dms(17, 55, 55.80)),
            "EPSG:4242",
            "EPSG:24200",
            (255966.58, 142493.51),
            1e-2,
            id="lambert-1sp",
        ),
        # Geoscience Australia, MGA zone 55 on GRS 80 (R).
        pytest.param(
            FLINDERS_PEAK, "EPSG:4283", "EPSG:28355", FLINDERS_PEAK_MGA55, 1e-3, id="flinders-peak"
        ),
        pytest.param(BUNINYONG, "EPSG:4283", "EPSG:28355", BUNINYONG_MGA55, 1e-3, id="buninyong"),
    ],
)
def test_projection_examples(
    lonlat: tuple[float, float],
    geographic: str,
    projected: str,
    expected: tuple[float, float],
    within: float,
) -> None:
    """x is easting whatever order of axes the authority lists."""
    there = Transformer.from_crs(geographic, projected, always_xy=True)
    assert there.transform(*lonlat) == pytest.approx(expected, abs=within)


def test_transverse_mercator_with_the_fuller_scale_factor() -> None:
    """OSGB transverse Mercator, 50°30′N 0°30′E with k = 0.9996013 (M)."""
    there = Transformer.from_pipeline(
        "+proj=tmerc +lat_0=49 +lon_0=-2 +k=0.9996013 +x_0=400000 +y_0=-100000 +ellps=airy"
    )
    assert there.transform(0.5, 50.5) == pytest.approx((577274.99, 69740.50), abs=1e-2)


def test_geodesic_example() -> None:
    """Geoscience Australia, Flinders Peak to Buninyong on GRS 80 (R), by two libraries."""
    length, azimuth, reverse = 54972.271, dms(306, 52, 5.37), dms(127, 10, 25.07)
    second = 0.01 / 3600
    az12, az21, s12 = Geod(ellps="GRS80").inv(*FLINDERS_PEAK, *BUNINYONG)
    assert s12 == pytest.approx(length, abs=1e-3)
    assert az12 % 360 == pytest.approx(azimuth, abs=second)
    assert az21 % 360 == pytest.approx(reverse, abs=second)
    inverse = Geodesic(6378137.0, 1 / 298.257222101).Inverse(*FLINDERS_PEAK[::-1], *BUNINYONG[::-1])
    assert inverse["s12"] == pytest.approx(length, abs=1e-3)
    assert inverse["azi1"] % 360 == pytest.approx(azimuth, abs=second)


def test_grid_distance_and_line_scale_example() -> None:
    """Geoscience Australia, same line in MGA55: grid distance and line scale factor (R)."""
    grid_distance = np.hypot(*np.subtract(BUNINYONG_MGA55, FLINDERS_PEAK_MGA55))
    assert grid_distance == pytest.approx(54992.279, abs=1e-3)
    assert grid_distance / 54972.271 == pytest.approx(1.00036397, abs=1e-8)


@pytest.mark.parametrize(
    ("grid_xy", "point_scale"),
    [(FLINDERS_PEAK_MGA55, 1.00023056), (BUNINYONG_MGA55, 1.00050567)],
)
def test_point_scale_example(grid_xy: tuple[float, float], point_scale: float) -> None:
    """Geoscience Australia, point scale factors (R): our own `grid_scale`, to every digit given."""
    scale = grid_scale(CRS("EPSG:28355"), *grid_xy)
    assert 1.0 / scale.metres_per_unit[0, 0] == pytest.approx(point_scale, abs=5e-9)
    assert np.array_equal(scale.metres_per_unit, scale.metres_per_unit[0, 0] * np.eye(2))


def test_grid_convergence_example() -> None:
    """Geodesic azimuth less grid bearing is convergence: the MGA55 line above, from its ends (R).

    The chord's bearing differs from the geodesic's projected one by the arc-to-chord correction,
    under 30″ on this line of 55 km (C).
    """
    bearing = np.degrees(np.arctan2(*np.subtract(BUNINYONG_MGA55, FLINDERS_PEAK_MGA55))) % 360
    convergence = np.degrees(grid_scale(CRS("EPSG:28355"), *FLINDERS_PEAK_MGA55).convergence_rad)
    assert dms(306, 52, 5.37) - bearing == pytest.approx(convergence, abs=30 / 3600)


def test_us_survey_foot() -> None:
    """1200/3937 m; 2 ppm from the foot is 1.807 m at x = 2,963,503.91 (C)."""
    us_ft = CRS("EPSG:32040").axis_info[0].unit_conversion_factor
    assert us_ft == pytest.approx(1200 / 3937, rel=1e-15)
    assert METRES_PER["us-ft"] == pytest.approx(1200 / 3937, rel=1e-15)
    slip_m = 2963503.91 * (METRES_PER["us-ft"] - METRES_PER["ft"])
    assert slip_m == pytest.approx(1.807, abs=5e-4)


def test_height_factor() -> None:
    """R / (R + H), R = 6,371,000 m: 0.999843 at 1000 m (R)."""
    assert pytest.approx(0.999843, abs=5e-7) == EARTH_RADIUS_M / (EARTH_RADIUS_M + 1000.0)
