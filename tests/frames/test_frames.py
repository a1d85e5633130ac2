"""The site frame: ground scale against geodesics, round trips, honest datum operations."""

from __future__ import annotations

import pickle
from dataclasses import replace
from math import hypot, nan, radians

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from pyproj import CRS, Proj, Transformer

from lateralline.errors import FrameError
from lateralline.frames import EARTH_RADIUS_M, Frame, horizontal_crs, site_frame, vertical_crs
from lateralline.frames.build import grid_scale
from lateralline.records import (
    ControlRows,
    FieldRecord,
    Floats,
)
from lateralline.settings import bare_settings
from tests.support.bare_record import bare_record
from tests.support.finding_names import called

SETTINGS = replace(
    bare_settings(),
    id="EX-1",
)


def record_at(
    horizontal: str,
    x: list[float],
    y: list[float],
    *,
    vertical: str = "none",
    z_m: float = nan,
    epoch: float | None = None,
) -> FieldRecord:
    """A site whose only content is control points, all at one level."""
    n = len(x)
    control = ControlRows(
        "control.csv",
        np.arange(n) + 2,
        np.array([f"P{i + 1}" for i in range(n)]),
        np.array(x),
        np.array(y),
        np.full(n, z_m),
        np.full(n, nan),
        np.full(n, nan),
    )
    settings = replace(SETTINGS, horizontal=horizontal, vertical=vertical, epoch=epoch)
    return bare_record(settings, control)


def frame_at(
    horizontal: str,
    x: float,
    y: float,
    *,
    vertical: str = "none",
    z_m: float = nan,
    epoch: float | None = None,
) -> Frame:
    """The frame of a site of one control point."""
    return site_frame(record_at(horizontal, [x], [y], vertical=vertical, z_m=z_m, epoch=epoch))


def codes(frame: Frame) -> set[str]:
    return {called(f) for f in frame.findings}


#: CRS, a place in it, the ellipsoid (a, 1/f) and the height CRS named for the height factor.
GRS80, WGS84 = (6378137.0, 298.257222101), (6378137.0, 298.257223563)
AIRY, CLARKE66 = (6377563.396, 299.3249646), (6378206.4, 294.978698213898)
PLACES = [
    pytest.param("EPSG:32617", 330_000.0, 4_400_000.0, WGS84, "EPSG:5703", id="utm"),
    pytest.param("EPSG:2264", 1_450_000.0, 540_000.0, GRS80, "EPSG:6360", id="state-plane-us-ft"),
    pytest.param("EPSG:2222", 700_000.0, 900_000.0, GRS80, "EPSG:8228", id="state-plane-ft"),
    pytest.param("EPSG:27700", 530_000.0, 180_000.0, AIRY, "EPSG:5701", id="british-grid"),
    pytest.param("EPSG:32040", 2_963_503.0, 254_759.0, CLARKE66, "EPSG:5702", id="nad27-us-ft"),
    pytest.param("EPSG:28355", 273_741.0, 5_796_489.0, GRS80, "EPSG:5711", id="axes-east-north"),
    pytest.param("EPSG:2193", 1_750_000.0, 5_430_000.0, GRS80, "EPSG:7839", id="axes-north-east"),
    pytest.param("EPSG:2048", -50_000.0, 3_700_000.0, WGS84, "EPSG:9279", id="axes-west-south"),
    pytest.param("EPSG:3857", -9_000_000.0, 4_200_000.0, WGS84, "EPSG:5703", id="not-conformal"),
    pytest.param("EPSG:5070", 1_400_000.0, 1_400_000.0, GRS80, "EPSG:5703", id="equal-area"),
    pytest.param("EPSG:4326", -81.0, 35.0, WGS84, "EPSG:5703", id="geographic-wgs84"),
    pytest.param("EPSG:4277", -1.5, 52.4, AIRY, "EPSG:5701", id="geographic-airy"),
]

RING = np.array(
    [(15 * np.sin(a), 15 * np.cos(a), 150.0) for a in np.linspace(0, 2 * np.pi, 12, endpoint=False)]
)


def degrees_on_own_datum(crs: CRS, xy: Floats) -> Floats:
    base = crs if crs.is_geographic else crs.geodetic_crs
    assert base is not None
    return np.column_stack(
        Transformer.from_crs(crs, base, always_xy=True).transform(xy[:, 0], xy[:, 1])
    )


@pytest.mark.parametrize(("horizontal", "x", "y", "ellipsoid", "vertical"), PLACES)
def test_frame_distances_are_ground_distances(
    horizontal: str, x: float, y: float, ellipsoid: tuple[float, float], vertical: str
) -> None:
    """30 m across the site, any direction: geodesic × (R + H)/R within 0.1 mm, and its azimuth.

    The geodesic is geographiclib's (Karney 2013); the height factor common practice.
    """
    frame = frame_at(horizontal, x, y, vertical=vertical, z_m=150.0)
    lonlat = degrees_on_own_datum(CRS(horizontal), frame.to_site_crs(RING)[:, :2])
    geodesic = Geodesic(ellipsoid[0], 1 / ellipsoid[1])
    for i in range(6):
        (lon1, lat1), (lon2, lat2) = lonlat[i], lonlat[i + 6]
        line = geodesic.Inverse(lat1, lon1, lat2, lon2)
        ground = line["s12"] * (EARTH_RADIUS_M + 150.0) / EARTH_RADIUS_M
        assert ground == pytest.approx(30.0, abs=1e-4)
        frame_azimuth = i * 30.0 + 180.0
        turn = line["azi1"] - frame_azimuth - np.degrees(frame.convergence_rad)
        assert (turn + 180) % 360 - 180 == pytest.approx(0.0, abs=2e-3)


@pytest.mark.parametrize(("horizontal", "x", "y", "ellipsoid", "vertical"), PLACES)
def test_round_trips(
    horizontal: str, x: float, y: float, ellipsoid: tuple[float, float], vertical: str
) -> None:
    frame = frame_at(horizontal, x, y, vertical=vertical, z_m=150.0)
    there = frame.to_site_crs(RING)
    back = frame.to_local(there[:, 0], there[:, 1], there[:, 2])
    assert back == pytest.approx(RING, abs=1e-6)


@pytest.mark.parametrize(
    ("horizontal", "x", "y"),
    [
        ("EPSG:32617", 330_000.0, 4_400_000.0),
        ("EPSG:2264", 1_450_000.0, 540_000.0),
        ("EPSG:27700", 530_000.0, 180_000.0),
        ("EPSG:2193", 1_750_000.0, 5_430_000.0),
        ("EPSG:2222", 700_000.0, 900_000.0),
    ],
)
def test_scale_and_convergence_agree_with_proj(horizontal: str, x: float, y: float) -> None:
    """PROJ's own scale factors and meridian convergence at the same place."""
    crs = CRS(horizontal)
    ((lon, lat),) = degrees_on_own_datum(crs, np.array([[x, y]]))
    factors = Proj(crs).get_factors(lon, lat)
    scale = grid_scale(crs, x, y)
    ground_per_grid_m = np.diag(scale.metres_per_unit) / scale.unit_m
    expected = (1 / factors.parallel_scale, 1 / factors.meridional_scale)
    assert ground_per_grid_m == pytest.approx(expected, rel=1e-8)
    assert abs(scale.convergence_rad) == pytest.approx(
        abs(radians(factors.meridian_convergence)), abs=1e-7
    )


def test_grid_north_is_clockwise_of_true_north_east_of_the_central_meridian() -> None:
    """In the northern hemisphere: at UTM zone 17, east of 81°W."""
    assert frame_at("EPSG:32617", 600_000.0, 4_000_000.0).convergence_rad > 0
    assert frame_at("EPSG:32617", 400_000.0, 4_000_000.0).convergence_rad < 0


def test_local_axes_stay_parallel_to_the_grid() -> None:
    frame = frame_at("EPSG:32617", 330_000.0, 4_400_000.0)
    xyz = frame.to_local(np.array([330_000.0, 330_010.0]), np.full(2, 4_400_000.0), np.zeros(2))
    east = xyz[1] - xyz[0]
    assert east[1] == 0.0
    assert 10.0 / east[0] == pytest.approx(frame.combined_scale, rel=1e-12)


def test_westings_and_southings_are_turned_to_east_and_north() -> None:
    """South African grid (EPSG:2048): a larger x lies further west, a larger y further south."""
    frame = frame_at("EPSG:2048", -50_000.0, 3_700_000.0)
    xyz = frame.to_local(
        np.array([-50_000.0, -49_990.0, -50_000.0]),
        np.array([3_700_000.0, 3_700_000.0, 3_700_010.0]),
        np.zeros(3),
    )
    assert xyz[1, 0] - xyz[0, 0] == pytest.approx(-10.0, abs=1e-3)
    assert xyz[2, 1] - xyz[0, 1] == pytest.approx(-10.0, abs=1e-3)


def test_feet_are_not_us_survey_feet() -> None:
    """The same numbers in either foot: 2 ppm apart, and exactly so."""
    us_ft = CRS("EPSG:2264")
    parameters = us_ft.to_json_dict()
    international = (
        CRS("EPSG:2264")
        .to_wkt()
        .replace('LENGTHUNIT["US survey foot",0.304800609601219', 'LENGTHUNIT["foot",0.3048')
    )
    assert parameters["coordinate_system"]["axis"][0]["unit"]["conversion_factor"] > 0.3048
    sides = []
    for text in ("EPSG:2264", international):
        x, y = 2_000_000.0, 600_000.0
        frame = frame_at(text, x, y)
        xyz = frame.to_local(np.array([x, x + 1000.0]), np.array([y, y]), np.zeros(2))
        sides.append((xyz[1, 0] - xyz[0, 0]) * frame.point_scale)
    assert sides[0] == pytest.approx(1000 * 1200 / 3937, rel=2e-9)
    assert sides[1] == pytest.approx(304.8, rel=2e-9)


def test_levels_come_in_metres_and_in_the_vertical_unit_only_when_asked_for() -> None:
    """NAVD88 in US survey feet (EPSG:6360): 30.48006096… m is 100 ft."""
    frame = frame_at("EPSG:2264", 1_450_000.0, 540_000.0, vertical="EPSG:6360", z_m=30.0)
    place_m = np.array([[0.0, 0.0, 100 * 1200 / 3937]])
    assert frame.to_site_crs(place_m)[0, 2] == place_m[0, 2]
    assert frame.to_crs(place_m, "EPSG:2264")[0, 2] == place_m[0, 2]
    whole = frame.crs_with_levels
    assert whole is not None
    assert [a.unit_name for a in whole.axis_info] == ["US survey foot"] * 3
    assert frame.to_crs(place_m, whole)[0, 2] == pytest.approx(100.0, abs=1e-9)


def test_relative_levels_take_no_height_factor_and_say_so() -> None:
    frame = frame_at("EPSG:32617", 500_000.0, 4_000_000.0, z_m=1000.0)
    assert frame.height_factor == 1.0
    assert "levels-relative" in codes(frame)
    named = frame_at("EPSG:32617", 500_000.0, 4_000_000.0, vertical="EPSG:5703", z_m=1000.0)
    assert named.height_factor == pytest.approx(0.999843, abs=5e-7)
    assert "levels-relative" not in codes(named)
    unknown = frame_at("EPSG:32617", 500_000.0, 4_000_000.0, vertical="EPSG:5703")
    assert unknown.height_factor == 1.0
    assert "level-missing/all" in codes(unknown)


def test_longitude_and_latitude_of_a_grid_on_wgs84() -> None:
    """UTM zone 17 N is WGS 84 itself: the projection alone, to 10⁻¹⁰ of a degree."""
    frame = frame_at("EPSG:32617", 500_000.0, 4_000_000.0)
    there = frame.to_site_crs(RING)
    expected = degrees_on_own_datum(CRS("EPSG:32617"), there[:, :2])
    assert frame.to_lonlat(RING) == pytest.approx(expected, abs=1e-10)
    assert frame.operations[0].accuracy_m == 0.0
    assert "datum-incomplete/version" in codes(frame)


@pytest.mark.parametrize("x", [[278.6, 278.6001], [-81.4, 278.6001], [-81.4, -81.3999]])
def test_longitudes_counted_east_all_the_way_round_are_the_same_place(x: list[float]) -> None:
    """RFC 7946 has longitudes from -180 to 180; some instruments count from 0 to 360."""
    record = record_at("EPSG:4326", x, [42.1, 42.1])
    frame = site_frame(record)
    local = frame.to_local(record.control.x, record.control.y, np.zeros(2))
    base_m = Geodesic.WGS84.Inverse(42.1, -81.4, 42.1, -81.3999)["s12"]
    assert np.ptp(local[:, 0]) == pytest.approx(base_m, abs=1e-4)
    assert frame.to_lonlat(local)[:, 0] == pytest.approx([-81.4, -81.3999], abs=1e-9)


def test_a_site_across_the_antimeridian_is_one_site() -> None:
    record = record_at("EPSG:4326", [179.9999, -179.9999], [-17.0, -17.0])
    frame = site_frame(record)
    local = frame.to_local(record.control.x, record.control.y, np.zeros(2))
    assert np.ptp(local[:, 0]) == pytest.approx(
        Geodesic.WGS84.Inverse(-17.0, 179.9999, -17.0, -179.9999)["s12"], abs=1e-4
    )
    assert frame.to_lonlat(local)[:, 0] == pytest.approx([179.9999, -179.9999], abs=1e-9)


def test_a_crs_with_levels_is_put_together_once() -> None:
    """PROJ takes 30 ms for it, and a city has one for all its sites."""
    first, second = (
        frame_at("EPSG:32617", x, 4_500_000.0, vertical="EPSG:5703") for x in (5e5, 5.1e5)
    )
    assert first.crs_with_levels is second.crs_with_levels


def test_a_height_in_geojson_only_when_it_is_ellipsoidal() -> None:
    plan = frame_at("EPSG:25832", 500_000.0, 5_500_000.0, vertical="EPSG:7837", z_m=100.0)
    assert plan.to_lonlat(RING).shape == (12, 2)
    solid = frame_at("EPSG:25832", 500_000.0, 5_500_000.0, vertical="ellipsoidal", z_m=100.0)
    assert solid.to_lonlat(RING).shape == (12, 3)
    assert solid.to_lonlat(RING)[:, 2] == pytest.approx(150.0, abs=1e-6)
    written = solid.crs_with_levels
    assert written is not None
    assert len(written.axis_info) == 3


def test_a_real_datum_shift_is_made() -> None:
    """British grid to WGS 84: EPSG's OSGB36 to WGS 84 (6), 2 m, about 100 m from no shift at all.

    The OSTN15 grid is better, and is not installed here: that is said.
    """
    frame = frame_at("EPSG:27700", 530_000.0, 180_000.0)
    (operation,) = frame.operations
    assert "OSGB36 to WGS 84 (6)" in operation.name
    assert (operation.accuracy_m, operation.ballpark, operation.zero_shift) == (2.0, False, False)
    assert any("OSTN15" in o for o in operation.better_unavailable)
    assert "datum-shift-error/better-missing" in codes(frame)
    lonlat = frame.to_lonlat(np.zeros((1, 3)))[0]
    own = degrees_on_own_datum(CRS("EPSG:27700"), frame.to_site_crs(np.zeros((1, 3)))[:, :2])[0]
    shift_m = Geodesic.WGS84.Inverse(lonlat[1], lonlat[0], own[1], own[0])["s12"]
    assert 50.0 < shift_m < 200.0


def test_a_published_zero_shift_is_used_but_never_silently() -> None:
    frame = frame_at("EPSG:2264", 1_450_000.0, 540_000.0)
    (operation,) = frame.operations
    assert operation.zero_shift
    assert operation.accuracy_m == 4.0
    (finding,) = [f for f in frame.findings if called(f) == "datum-shift-error/zero-shift"]
    assert finding.severity == "warning"
    assert finding.values["accuracy_m"] == 4.0


@pytest.mark.parametrize(
    ("horizontal", "x", "y"),
    [
        ("+proj=tmerc +lat_0=45 +lon_0=9 +ellps=bessel +type=crs", 100.0, 200.0),
        ("EPSG:4267", 30.0, 40.0),  # NAD27 far from North America
    ],
)
def test_a_ballpark_shift_is_refused(horizontal: str, x: float, y: float) -> None:
    frame = frame_at(horizontal, x, y)
    assert frame.operations[0].ballpark
    (finding,) = [f for f in frame.findings if called(f) == "datum-shift-unknown"]
    assert finding.severity == "error"
    with pytest.raises(FrameError, match="ballpark"):
        frame.to_lonlat(RING)
    with pytest.raises(FrameError, match="ballpark"):
        frame.to_crs(RING, "EPSG:32632")
    assert np.isfinite(frame.to_site_crs(RING)).all()


@pytest.mark.parametrize(
    ("text", "x", "y"),
    [
        ("+proj=tmerc +lat_0=0 +lon_0=9 +x_0=3500000", 3_500_000.0, 5_500_000.0),
        ("+proj=longlat", 9, 50),
    ],
)
def test_a_shift_written_into_the_crs_is_used(text: str, x: float, y: float) -> None:
    """Old CRS texts carry their own seven parameters: of unknown accuracy, but no ballpark."""
    shift = " +ellps=bessel +towgs84=598.1,73.7,418.2,0.202,0.045,-2.455,6.7 +type=crs"
    frame = frame_at(text + shift, x, y)
    assert not frame.operations[0].ballpark
    assert np.isnan(frame.operations[0].accuracy_m)
    lonlat, own = (
        frame.to_lonlat(np.zeros((1, 3)))[0],
        degrees_on_own_datum(CRS(text + " +ellps=bessel +type=crs"), np.array([[x, y]]))[0],
    )
    moved_m = Geodesic.WGS84.Inverse(lonlat[1], lonlat[0], own[1], own[0])["s12"]
    assert 50.0 < moved_m < 300.0


def test_the_coordinate_epoch_goes_into_the_operation() -> None:
    """ITRF2014 at two epochs to GDA2020: EPSG 8049 moves Australia some 7 cm a year."""
    early = frame_at("EPSG:9000", 144.0, -37.0, epoch=2020.0)
    late = frame_at("EPSG:9000", 144.0, -37.0, epoch=2030.0)
    a, b = (f.to_crs(np.zeros((1, 3)), "EPSG:7855")[0] for f in (early, late))
    assert hypot(*(a - b)[:2]) == pytest.approx(0.6, abs=0.15)
    same = early.to_local(np.array([144.0]), np.array([-37.0]), np.zeros(1))
    assert hypot(*same[0, :2]) < 1e-6
    assert "datum-incomplete/epoch" not in codes(early)
    assert "datum-incomplete/epoch" in codes(frame_at("EPSG:9000", 144.0, -37.0))


def test_another_crs_may_be_asked_for() -> None:
    """Same datum, other projection and unit: by pyproj directly."""
    frame = frame_at("EPSG:2264", 1_450_000.0, 540_000.0, vertical="EPSG:6360", z_m=100.0)
    there = frame.to_crs(RING, "EPSG:26917")
    site = frame.to_site_crs(RING)
    direct = Transformer.from_crs("EPSG:2264", "EPSG:26917", always_xy=True)
    assert there[:, :2] == pytest.approx(
        np.column_stack(direct.transform(site[:, 0], site[:, 1])), abs=1e-6
    )
    assert there[:, 2] == pytest.approx(site[:, 2])
    metres = frame.to_crs(RING, "EPSG:26917+5703")
    assert metres[:, 2] == pytest.approx(RING[:, 2], abs=1e-6)
    assert not frame.operation_to("EPSG:26917").ballpark


def test_relative_levels_fit_no_vertical_system() -> None:
    for z_m, why in ((100.0, "levels count from a site zero"), (nan, "depths only, no levels")):
        frame = frame_at("EPSG:2264", 1_450_000.0, 540_000.0, z_m=z_m)
        with pytest.raises(FrameError, match=why):
            frame.to_crs(RING, "EPSG:26917+5703")


def test_a_local_sketch_has_no_place_on_the_earth() -> None:
    frame = frame_at("local", 3.0, 4.0)
    assert frame.is_local
    assert frame.crs_with_levels is None
    assert frame.to_local(np.array([3.0]), np.array([4.0]), np.array([1.0])).tolist() == [[3, 4, 1]]
    assert np.array_equal(frame.to_site_crs(RING), RING)
    assert "no-map-position/sketch" in codes(frame)
    with pytest.raises(FrameError, match="local sketch"):
        frame.to_lonlat(RING)
    with pytest.raises(FrameError, match="local sketch"):
        frame.to_crs(RING, "EPSG:4326")


@pytest.mark.parametrize(
    ("horizontal", "vertical", "match"),
    [
        ("EPSG:4978", "none", "projected or geographic"),
        ("EPSG:5703", "none", "projected or geographic"),
        ("nowhere", "none", "one pyproj knows"),
        ("EPSG:32617", "EPSG:4326", "vertical CRS must be"),
        ("EPSG:32617", "up", "one pyproj knows"),
        ("EPSG:32617+5703", "EPSG:6360", "already names"),
        ("local", "ellipsoidal", "local sketch"),
    ],
)
def test_unsuited_systems_are_refused_with_a_reason(
    horizontal: str, vertical: str, match: str
) -> None:
    with pytest.raises(FrameError, match=match):
        frame_at(horizontal, 500_000.0, 4_000_000.0, vertical=vertical)


def test_a_compound_text_names_the_levels_too() -> None:
    frame = frame_at("EPSG:32617+5703", 500_000.0, 4_000_000.0, z_m=100.0)
    assert frame.levels == "named"
    assert frame.vertical == vertical_crs("EPSG:5703")
    assert frame.horizontal == horizontal_crs("EPSG:32617")


def test_swapped_coordinates_are_noticed() -> None:
    swapped = frame_at("EPSG:32617", 4_000_000.0, 500_000.0)
    assert "coordinates-outside/site" in codes(swapped)
    with pytest.raises(FrameError, match="outside"):
        frame_at("EPSG:4326", 35.0, -181.0)


def test_unevenness_is_a_finding_only_where_there_is_some() -> None:
    assert "grid-scale/directions" in codes(frame_at("EPSG:3857", -9_000_000.0, 4_200_000.0))
    assert "grid-scale/directions" not in codes(frame_at("EPSG:2264", 1_450_000.0, 540_000.0))


def test_unknown_positions_stay_unknown() -> None:
    frame = frame_at("EPSG:27700", 530_000.0, 180_000.0)
    lonlat = frame.to_lonlat(np.array([[0.0, 0.0, 1.0], [nan, nan, nan]]))
    assert np.isfinite(lonlat[0]).all()
    assert np.isnan(lonlat[1]).all()


def test_lineage_is_told_what_was_done() -> None:
    about = frame_at("EPSG:27700", 530_000.0, 180_000.0, z_m=3.0).describe()
    assert about["horizontal_crs"] == "EPSG:27700"
    assert about["levels"] == "site zero: levels compare within this site only"
    assert "OSGB36 to WGS 84 (6)" in str(about["operation_1"])
    assert "better but missing" in str(about["operation_1"])


def test_a_frame_travels_between_processes() -> None:
    frame = frame_at("EPSG:27700", 530_000.0, 180_000.0)
    copy = pickle.loads(pickle.dumps(frame))
    assert copy.to_lonlat(RING).tolist() == frame.to_lonlat(RING).tolist()
