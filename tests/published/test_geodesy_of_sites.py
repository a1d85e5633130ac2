"""The published examples of geodesy once more, the way a site goes: files → read → frame → back.

R = the source was read for this project; C = computed from the source's formula; M = from memory.
Sources stand in SOURCES.md beside this file.
"""

from __future__ import annotations

from math import asinh, atan2, atanh, cos, cosh, hypot, radians, sin, sinh, sqrt, tan
from pathlib import Path

import numpy as np
import pytest
from pyproj import CRS

from lateralline.frames import Frame, degrees_of, site_frame
from lateralline.ingest import read_site
from lateralline.records import Floats
from lateralline.units import METRES_PER
from tests.support.finding_names import called

SITE = """[site]
id = "EX-1"
name = "a published example"
surveyed = 2026-05-06
[crs]
horizontal = "{horizontal}"
vertical = "{vertical}"
[units]
tape = "m"
level = "{level}"
depth = "m"
counter = "m"
[[run]]
id = "R1"
line = "L1"
entry = "CO1"
flow = "with"
"""


def dms(degrees: float, minutes: float, seconds: float = 0.0) -> float:
    """Decimal degrees; the sign of `degrees` holds for all three."""
    return float(np.copysign(abs(degrees) + minutes / 60 + seconds / 3600, degrees))


FLINDERS_PEAK = (dms(144, 25, 29.5244), dms(-37, 57, 3.7203))
BUNINYONG = (dms(143, 55, 35.3839), dms(-37, 39, 10.1561))
FLINDERS_PEAK_MGA55 = (273741.2966, 5796489.7769)
BUNINYONG_MGA55 = (228854.0513, 5828259.0384)

#: Longitude, latitude, geographic CRS, projected CRS, easting and northing in its unit, its last
#: digit, and that unit in metres.
PROJECTIONS = [
    # Ordnance Survey guide to coordinate systems, Airy ellipsoid (C).
    pytest.param(
        (dms(1, 43, 4.5177), dms(52, 39, 27.2531)),
        "EPSG:4277",
        "EPSG:27700",
        (651409.903, 313177.270),
        1e-3,
        1.0,
        id="transverse-mercator-airy",
    ),
    # The same projection with k = 0.9996013, as the EPSG guidance note has it (M).
    pytest.param(
        (0.5, 50.5),
        "+proj=longlat +ellps=airy +type=crs",
        "+proj=tmerc +lat_0=49 +lon_0=-2 +k=0.9996013 +x_0=400000 +y_0=-100000 +ellps=airy "
        "+units=m +type=crs",
        (577274.99, 69740.50),
        1e-2,
        1.0,
        id="transverse-mercator-fuller-scale",
    ),
    # Lambert conic conformal, two parallels, NAD27 / Texas South Central, US survey feet (M).
    pytest.param(
        (-96.0, 28.5),
        "EPSG:4267",
        "EPSG:32040",
        (2963503.91, 254759.80),
        1e-2,
        METRES_PER["us-ft"],
        id="lambert-2sp-us-ft",
    ),
    # Lambert conic conformal, one parallel, JAD69 / Jamaica National Grid (M).
    pytest.param(
        (-dms(76, 56, 37.26), dms(17, 55, 55.80)),
        "EPSG:4242",
        "EPSG:24200",
        (255966.58, 142493.51),
        1e-2,
        1.0,
        id="lambert-1sp",
    ),
    # Geoscience Australia, MGA zone 55 on GRS 80 (R).
    pytest.param(
        FLINDERS_PEAK, "EPSG:4283", "EPSG:28355", FLINDERS_PEAK_MGA55, 1e-3, 1.0, id="flinders-peak"
    ),
    pytest.param(BUNINYONG, "EPSG:4283", "EPSG:28355", BUNINYONG_MGA55, 1e-3, 1.0, id="buninyong"),
]


def site_at(
    folder: Path,
    horizontal: str,
    x: float,
    y: float,
    *,
    vertical: str = "none",
    z: float | None = None,
    level: str = "m",
) -> tuple[Frame, Floats]:
    """The frame of a site folder with one control point and one mark there, and that mark in it."""
    folder.mkdir()
    row = f"{x!r},{y!r},{'' if z is None else f'{z:.4f}'},0.01"
    (folder / "site.toml").write_text(
        SITE.format(horizontal=horizontal, vertical=vertical, level=level)
    )
    (folder / "control.csv").write_text(f"point,x,y,z,sigma_h\nP1,{row}\n")
    (folder / "marks.csv").write_text(
        f"mark,run,stop,kind,method,x,y,z,sigma_h\nM1,R1,1,end_null,gnss,{row}\n"
    )
    (folder / "stops.csv").write_text("run,stop,counter,depth_reading\nR1,1,1.0,1.0\n")
    record = read_site(folder)
    frame, spots = site_frame(record), record.marks.spots
    return frame, frame.to_local(spots.x, spots.y, np.nan_to_num(spots.z_m))


@pytest.mark.parametrize(
    ("lonlat", "geographic", "projected", "expected", "within", "unit_m"), PROJECTIONS
)
def test_a_site_in_the_grid_of_an_example(
    tmp_path: Path,
    lonlat: tuple[float, float],
    geographic: str,
    projected: str,
    expected: tuple[float, float],
    within: float,
    unit_m: float,
) -> None:
    """Grid coordinates of the file come back as they were, and lie at the published degrees."""
    frame, mark = site_at(tmp_path / "site", projected, *expected)
    back = frame.to_site_crs(mark)[:, :2]
    assert back[0] == pytest.approx(expected, abs=1e-6)
    assert frame.horizontal is not None
    assert frame.horizontal.axis_info[0].unit_conversion_factor == pytest.approx(unit_m, rel=1e-15)
    lon, lat = (float(v[0]) for v in degrees_of(frame.horizontal, back))
    metres_a_degree = np.array([111_320.0 * cos(radians(lat)), 111_320.0])
    off_m = (np.array([lon, lat]) - lonlat) * metres_a_degree
    assert np.abs(off_m).max() < 1.5 * within * unit_m
    # one unit of the grid is its unit in metres on the ground, by the grid's own scale
    step = frame.to_local(np.array([expected[0] + 1.0]), np.array([expected[1]]), np.zeros(1))
    assert hypot(*(step - mark)[0, :2]) * frame.point_scale == pytest.approx(unit_m, rel=1e-9)


@pytest.mark.parametrize(
    ("lonlat", "geographic", "projected", "expected", "within", "unit_m"), PROJECTIONS
)
def test_a_site_in_degrees_written_in_the_grid_of_an_example(
    tmp_path: Path,
    lonlat: tuple[float, float],
    geographic: str,
    projected: str,
    expected: tuple[float, float],
    within: float,
    unit_m: float,
) -> None:
    """Longitude and latitude of the file, through the site's own frame, to the published grid."""
    frame, mark = site_at(tmp_path / "site", geographic, *lonlat)
    assert frame.operation_to(projected).accuracy_m == 0.0
    assert frame.to_crs(mark, projected)[0, :2] == pytest.approx(expected, abs=within)


# ---- international feet ----------------------------------------------------------------------


def kruger(lat: float, lon_from_axis: float, a: float, f: float) -> tuple[float, float, float]:
    """Return easting, northing from the equator and scale of a transverse Mercator with k = 1.

    Krüger's series of 1912 in the third flattening to its fourth power, formula from memory; it
    reproduces the Australian example to the last digit below (C). Degrees in, metres out.
    """
    n = f / (2.0 - f)
    radius = a / (1.0 + n) * (1.0 + n**2 / 4.0 + n**4 / 64.0)
    series = (
        n / 2.0 - 2.0 * n**2 / 3.0 + 5.0 * n**3 / 16.0 + 41.0 * n**4 / 180.0,
        13.0 * n**2 / 48.0 - 3.0 * n**3 / 5.0 + 557.0 * n**4 / 1440.0,
        61.0 * n**3 / 240.0 - 103.0 * n**4 / 140.0,
        49561.0 * n**4 / 161280.0,
    )
    phi, turn = radians(lat), radians(lon_from_axis)
    e = 2.0 * sqrt(n) / (1.0 + n)
    t = sinh(asinh(tan(phi)) - e * atanh(e * sin(phi)))
    xi, eta = atan2(t, cos(turn)), asinh(sin(turn) / hypot(t, cos(turn)))
    by = [(2.0 * j, c) for j, c in enumerate(series, start=1)]
    north = radius * (xi + sum(c * sin(m * xi) * cosh(m * eta) for m, c in by))
    east = radius * (eta + sum(c * cos(m * xi) * sinh(m * eta) for m, c in by))
    p = 1.0 + sum(m * c * cos(m * xi) * cosh(m * eta) for m, c in by)
    q = sum(m * c * sin(m * xi) * sinh(m * eta) for m, c in by)
    of_phi = sqrt(1.0 + ((1.0 - n) / (1.0 + n) * tan(phi)) ** 2)
    scale = radius / a * of_phi * hypot(p, q) / hypot(t, cos(turn))
    return east, north, scale


def test_the_series_is_that_of_the_published_example() -> None:
    """Flinders Peak in MGA zone 55, k = 0.9996 about 147° E (R): coordinates and point scale."""
    lon, lat = FLINDERS_PEAK
    east, north, scale = kruger(lat, lon - 147.0, 6378137.0, 1 / 298.257222101)
    assert (0.9996 * east + 5e5, 0.9996 * north + 1e7) == pytest.approx(
        FLINDERS_PEAK_MGA55, abs=1e-3
    )
    assert 0.9996 * scale == pytest.approx(1.00023056, abs=5e-9)


@pytest.mark.parametrize(
    ("lon", "lat"), [(-dms(110, 10), 31.0), (-109.5, 32.0), (-110.75, 34.9), (-109.1, 36.9)]
)
def test_a_site_in_international_feet(tmp_path: Path, lon: float, lat: float) -> None:
    """NAD83 / Arizona East (ft), EPSG 2222: by the series above and the grid's definition.

    Latitude of origin 31°, central meridian 110°10′ W, k = 0.9999, false easting 700,000 ft of
    0.3048 m, GRS 80 (R: the registry's entry). No published worked example in international feet
    was found; the first point is the definition's own false origin.
    """
    a, f = 6378137.0, 1 / 298.257222101
    axis_lon, axis_lat = -dms(110, 10), 31.0
    east, north, scale = kruger(lat, lon - axis_lon, a, f)
    _, origin, _ = kruger(axis_lat, 0.0, a, f)
    x = 700_000.0 + 0.9999 * east / 0.3048
    y = 0.9999 * (north - origin) / 0.3048
    frame, mark = site_at(tmp_path / "site", "EPSG:2222", x, y)
    assert frame.horizontal is not None
    back = frame.to_site_crs(mark)[:, :2]
    assert back[0] == pytest.approx((x, y), abs=1e-6)
    assert [float(v[0]) for v in degrees_of(frame.horizontal, back)] == pytest.approx(
        (lon, lat), abs=1e-9
    )
    assert frame.point_scale == pytest.approx(0.9999 * scale, abs=2e-9)
    # 100 ft of the grid on the ground, and no survey feet
    there = frame.to_local(np.array([x + 100.0]), np.array([y]), np.zeros(1))
    ground_m = hypot(*(there - mark)[0, :2])
    assert ground_m == pytest.approx(100.0 * 0.3048 / (0.9999 * scale), abs=1e-7)
    assert abs(ground_m * 0.9999 * scale - 100.0 * METRES_PER["us-ft"]) > 5e-5
    degrees, mark = site_at(tmp_path / "degrees", "EPSG:4269", lon, lat)
    assert degrees.to_crs(mark, "EPSG:2222")[0, :2] == pytest.approx((x, y), abs=1e-4)
    assert {called(f) for f in frame.findings} >= {"coordinates-unconfirmed/foot"}


# ---- scale, convergence, geodesics -----------------------------------------------------------


@pytest.mark.parametrize(
    ("grid_xy", "point_scale"),
    [(FLINDERS_PEAK_MGA55, 1.00023056), (BUNINYONG_MGA55, 1.00050567)],
)
def test_a_frame_has_the_published_point_scale(
    tmp_path: Path, grid_xy: tuple[float, float], point_scale: float
) -> None:
    """Geoscience Australia (R), to every digit given."""
    frame, _ = site_at(tmp_path / "site", "EPSG:28355", *grid_xy)
    assert frame.point_scale == pytest.approx(point_scale, abs=5e-9)


def test_frames_along_a_published_line_add_up_to_its_geodesic(tmp_path: Path) -> None:
    """Flinders Peak to Buninyong (R): 54,972.271 m on the ellipsoid, 54,992.279 m in the grid.

    Line scale 1.00036397: frames at both ends and midway, weighed 1 : 4 : 1 (Simpson's rule).
    """
    ends = np.array([FLINDERS_PEAK_MGA55, BUNINYONG_MGA55])
    grid_m = float(np.linalg.norm(ends[1] - ends[0]))
    assert grid_m == pytest.approx(54992.279, abs=1e-3)
    steps = np.linspace(0.0, 1.0, 3)[:, None]
    frames = [
        site_at(tmp_path / f"site{i}", "EPSG:28355", *map(float, xy))[0]
        for i, xy in enumerate(ends[0] + steps * (ends[1] - ends[0]))
    ]
    inverse = np.array([1.0 / frame.point_scale for frame in frames])
    geodesic_m = grid_m * float(inverse @ (1.0, 4.0, 1.0)) / 6.0
    assert geodesic_m == pytest.approx(54972.271, abs=1e-3)
    assert grid_m / geodesic_m == pytest.approx(1.00036397, abs=1e-8)


def test_directions_of_a_frame_are_azimuths_less_its_convergence(tmp_path: Path) -> None:
    """306°52′05.37″ at Flinders Peak, 127°10′25.07″ at Buninyong (R).

    A chord of the grid is not the geodesic's image. The two differ by arc-to-chord, to first order
    (N₁ − N₂)(2 E₁ + E₂) / 6 r², E from the central meridian, r 6,370 km: some 20″ here (M).
    """
    ends = np.array([FLINDERS_PEAK_MGA55, BUNINYONG_MGA55])
    east = ends[:, 0] - 500_000.0
    azimuths = (dms(306, 52, 5.37), dms(127, 10, 25.07))
    off_s = []
    for i, azimuth in enumerate(azimuths):
        frame, mark = site_at(tmp_path / f"site{i}", "EPSG:28355", *map(float, ends[i]))
        there = frame.to_local(ends[1 - i, :1], ends[1 - i, 1:], np.zeros(1)) - mark
        bearing = np.degrees(np.arctan2(there[0, 0], there[0, 1]))
        off = bearing + np.degrees(frame.convergence_rad) - azimuth
        off_s.append(((off + 180.0) % 360.0 - 180.0) * 3600.0)
    thirds = 2.0 * east + east[::-1]
    chord_s = np.degrees((ends[:, 1] - ends[::-1, 1]) * thirds / (6.0 * 6_370_000.0**2)) * 3600.0
    assert np.abs(chord_s).min() > 19.0
    assert off_s == pytest.approx(chord_s.tolist(), abs=0.1)


@pytest.mark.parametrize(
    ("unit", "vertical"), [("m", "EPSG:5703"), ("us-ft", "EPSG:6360"), ("ft", "EPSG:8228")]
)
def test_a_frame_at_a_height_has_the_published_height_factor(
    tmp_path: Path, unit: str, vertical: str
) -> None:
    """R/(R + H), R = 6,371,000 m: 0.999843 at 1000 m (R), whatever foot levels come in."""
    z = 1000.0 / METRES_PER[unit]
    frame, mark = site_at(
        tmp_path / "site", "EPSG:32612", 5e5, 4e6, vertical=vertical, z=z, level=unit
    )
    assert mark[0, 2] == pytest.approx(1000.0, abs=1e-4)
    assert frame.height_factor == pytest.approx(0.999843, abs=5e-7)
    assert frame.combined_scale == pytest.approx(0.9996 * 0.999843, abs=6e-7)
    assert frame.crs_with_levels is not None
    assert frame.to_crs(mark, frame.crs_with_levels)[0, 2] == pytest.approx(z, abs=1e-4)


# ---- geocentric and topocentric --------------------------------------------------------------

GEOCENTRIC = (3771793.968, 140253.342, 5124304.349)
TOPOCENTRIC = (-189013.869, -128642.040, -4220.171)


def topocentric(xyz: Floats, lon: float, lat: float, h: float) -> Floats:
    """East, north, up (n, 3) of geocentric coordinates (n, 3) at an origin on WGS 84.

    The rotation of IOGP 373-7-2; its own example is the test below.
    """
    a, f = 6378137.0, 1 / 298.257223563
    e2, phi, lam = f * (2.0 - f), radians(lat), radians(lon)
    nu = a / sqrt(1.0 - e2 * sin(phi) ** 2)
    origin = np.array(
        [
            (nu + h) * cos(phi) * cos(lam),
            (nu + h) * cos(phi) * sin(lam),
            ((1.0 - e2) * nu + h) * sin(phi),
        ]
    )
    turn = np.array(
        [
            [-sin(lam), cos(lam), 0.0],
            [-sin(phi) * cos(lam), -sin(phi) * sin(lam), cos(phi)],
            [cos(phi) * cos(lam), cos(phi) * sin(lam), sin(phi)],
        ]
    )
    return np.asarray((xyz - origin) @ turn.T)


def test_the_rotation_is_that_of_the_published_example() -> None:
    """IOGP 373-7-2, topocentric conversion, WGS 84, origin 55°N 5°E h 200 m (R)."""
    got = topocentric(np.array([GEOCENTRIC]), 5.0, 55.0, 200.0)
    assert got[0] == pytest.approx(TOPOCENTRIC, abs=2e-3)  # both are rounded to 0.001 m


def test_a_site_with_ellipsoidal_heights_has_the_published_geocentric_place(
    tmp_path: Path,
) -> None:
    """53.80939444° N, 2.12955° E, h 73 m (R)."""
    frame, mark = site_at(
        tmp_path / "site", "EPSG:4326", 2.12955, 53.80939444, vertical="ellipsoidal", z=73.0
    )
    assert frame.to_crs(mark, "EPSG:4978")[0] == pytest.approx(GEOCENTRIC, abs=1e-3)


def test_a_frame_is_the_topocentric_one_within_a_site(tmp_path: Path) -> None:
    """About 55° N 5° E, h 200 m: east, north and up by the published rotation, 40 m around."""
    frame, mark = site_at(
        tmp_path / "site", "EPSG:4326", 5.0, 55.0, vertical="ellipsoidal", z=200.0
    )
    turn = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)
    ring = mark + np.column_stack([40.0 * np.sin(turn), 40.0 * np.cos(turn), 3.0 * np.cos(turn)])
    got = topocentric(frame.to_crs(ring, "EPSG:4978"), 5.0, 55.0, 200.0)
    assert got == pytest.approx(ring - mark, abs=3e-4)  # 40 m of a curved earth fall 0.13 mm


def test_the_example_would_fail_by_the_other_foot(tmp_path: Path) -> None:
    """2 ppm of 2,963,503.91 ft are 1.807 m (C): the grid's unit is not interchangeable."""
    crs = CRS("EPSG:32040")
    as_feet = np.array([[2963503.91, 254759.80]]) * METRES_PER["ft"] / METRES_PER["us-ft"]
    lon, lat = degrees_of(crs, as_feet)
    off_m = (lon[0] + 96.0) * 111_320.0 * cos(radians(28.5)), (lat[0] - 28.5) * 110_800.0
    assert hypot(*off_m) == pytest.approx(1.814, abs=0.01)  # 1.807 m east, 0.155 m north
