"""There and back over many systems: orders of axes, feet, degrees, levels; files that keep them.

The independent witnesses are geographiclib (geodesics), GDAL by fiona (files) and SQLite (tables).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import fiona
import numpy as np
import pyogrio
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Transformer

from lateralline.frames import EARTH_RADIUS_M, Frame, site_frame
from lateralline.workspace import Workspace

US_FT = 1200 / 3937

#: Horizontal and vertical CRS, and west, south, east, north of where its sites are drawn from.
SYSTEMS = {
    "utm": ("EPSG:32617", "EPSG:5703", (-83.5, 25.0, -78.5, 60.0)),
    "state-plane-us-ft": ("EPSG:2277", "EPSG:6360", (-99.0, 30.0, -94.5, 31.5)),
    "state-plane-ft": ("EPSG:2222", "EPSG:8228", (-111.5, 31.5, -109.2, 36.8)),
    "michigan-ft": ("EPSG:6494", "EPSG:8228", (-85.5, 42.0, -83.5, 43.8)),
    "new-zealand-north-east": ("EPSG:2193", "EPSG:7839", (167.0, -46.0, 178.0, -35.0)),
    "gauss-kruger-north-east": ("EPSG:31467", "EPSG:5783", (7.6, 47.5, 10.4, 55.0)),
    "south-africa-west-south": ("EPSG:2048", "EPSG:9279", (18.1, -34.5, 19.9, -29.0)),
    "denmark": ("EPSG:25832", "EPSG:5799", (8.2, 54.6, 11.9, 57.7)),
    "british-grid": ("EPSG:27700", "EPSG:5701", (-5.0, 50.5, 1.0, 58.0)),
    "geographic-lat-lon": ("EPSG:4326", "EPSG:5703", (-120.0, -60.0, 120.0, 70.0)),
    "geographic-grads": ("EPSG:4807", "none", (1.0, 43.0, 7.0, 49.0)),
    "compound": ("EPSG:6549+6360", "none", (-84.0, 40.5, -81.0, 41.9)),
    "user-proj": (
        "+proj=omerc +lat_0=47 +lonc=9 +alpha=40 +k=1 +x_0=1000 +y_0=2000 +gamma=0 +ellps=GRS80 "
        "+units=us-ft +type=crs",
        "none",
        (8.0, 46.5, 10.0, 47.5),
    ),
}


def there(crs: CRS, lon: float, lat: float) -> tuple[float, float]:
    """A place on the CRS's own datum, x first, by pyproj alone."""
    base = crs.geodetic_crs
    assert base is not None
    degree = np.pi / 180.0 / base.axis_info[0].unit_conversion_factor  # grads, degrees
    meridian = base.prime_meridian
    assert meridian is not None
    zero = np.degrees(meridian.longitude * float(meridian.unit_conversion_factor))
    way = Transformer.from_crs(base.to_2d(), crs.to_2d(), always_xy=True)
    x, y = way.transform((lon - zero) * degree, lat * degree)
    return float(x), float(y)


@pytest.fixture(scope="module")
def frame_at(make_site) -> Callable[..., Frame]:
    record = make_site().record

    def made(system: str, lon: float, lat: float, level_m: float) -> Frame:
        horizontal, vertical, _ = SYSTEMS[system]
        crs = CRS(horizontal)
        x, y = there(crs.sub_crs_list[0] if crs.is_compound else crs, lon, lat)
        control = replace(
            record.control,
            row=np.array([2]),
            point=np.array(["P1"]),
            x=np.array([x]),
            y=np.array([y]),
            z_m=np.array([level_m]),
            sigma_h_m=np.array([0.01]),
            sigma_v_m=np.array([0.01]),
        )
        said = replace(record.settings, horizontal=horizontal, vertical=vertical)
        return site_frame(replace(record, control=control, settings=said))

    return made


@pytest.mark.parametrize("system", SYSTEMS)
@settings(max_examples=8, derandomize=True)
@given(data=st.data())
def test_there_and_back(frame_at, system: str, data: st.DataObject) -> None:
    """Site → CRS → site to 1 µm, and 40 m in any direction are 40 m on the ground to 0.2 mm."""
    west, south, east, north = SYSTEMS[system][2]
    lon, lat = data.draw(st.floats(west, east)), data.draw(st.floats(south, north))
    level_m = data.draw(st.floats(-50.0, 3000.0))
    azimuth = data.draw(st.floats(0.0, 2.0 * np.pi))
    frame = frame_at(system, lon, lat, level_m)
    end = 20.0 * np.array([np.sin(azimuth), np.cos(azimuth), 0.0])
    xyz = np.array([end, -end]) + np.array([0.0, 0.0, level_m])
    written = frame.to_site_crs(xyz)
    back = frame.to_local(written[:, 0], written[:, 1], written[:, 2])
    assert back == pytest.approx(xyz, abs=1e-6)

    horizontal = frame.horizontal
    assert horizontal is not None
    base = horizontal.geodetic_crs
    assert base is not None
    if base == horizontal:
        lonlat = written[:, :2]
    else:
        way = Transformer.from_crs(horizontal, base, always_xy=True)
        lonlat = np.column_stack(way.transform(written[:, 0], written[:, 1]))
    lonlat = lonlat * np.degrees(base.axis_info[0].unit_conversion_factor)
    ellipsoid = base.ellipsoid
    assert ellipsoid is not None
    geodesic = Geodesic(ellipsoid.semi_major_metre, 1.0 / ellipsoid.inverse_flattening)
    length = geodesic.Inverse(lonlat[0, 1], lonlat[0, 0], lonlat[1, 1], lonlat[1, 0])["s12"]
    raised = (EARTH_RADIUS_M + level_m) / EARTH_RADIUS_M if frame.levels != "relative" else 1.0
    assert length * raised == pytest.approx(40.0, abs=2e-4)


@pytest.mark.parametrize("system", SYSTEMS)
def test_x_is_easting_or_longitude_whatever_the_authority_lists(frame_at, system: str) -> None:
    """A step in x of the file goes east (west in a grid of westings), a step in y north (south)."""
    west, south, east, north = SYSTEMS[system][2]
    frame = frame_at(system, (west + east) / 2.0, (south + north) / 2.0, 10.0)
    x, y = frame.to_site_crs(np.zeros((1, 3)))[0, :2]
    step = 1e-5 if frame.horizontal is not None and frame.horizontal.is_geographic else 1.0
    east, north = step * np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    moved = frame.to_local(x + east, y + north, np.zeros(3))
    along_x, along_y = moved[1] - moved[0], moved[2] - moved[0]
    sign = -1.0 if system.startswith("south-africa") else 1.0
    assert sign * along_x[0] > 5.0 * abs(along_x[1])
    assert sign * along_y[1] > 5.0 * abs(along_y[0])


@pytest.mark.parametrize(
    ("system", "foot_m"),
    [("state-plane-us-ft", US_FT), ("state-plane-ft", 0.3048), ("michigan-ft", 0.3048)],
)
def test_both_feet_in_plan_and_level(frame_at, system: str, foot_m: float) -> None:
    """EPSG:2277 and 6360 count US survey feet, 2222, 6494 and 8228 international ones.

    z is in metres beside either, and in feet in the compound CRS.
    """
    west, south, east, north = SYSTEMS[system][2]
    frame = frame_at(system, (west + east) / 2.0, (south + north) / 2.0, 0.0)
    places_m = np.array([[0.0, 0.0, 0.0], [1000.0, 0.0, 1000.0]])
    here, up = frame.to_site_crs(places_m)
    assert up[2] == 1000.0
    levelled = frame.to_crs(places_m, frame.crs_with_levels)
    assert levelled[1, 2] == pytest.approx(1000.0 / foot_m, rel=1e-12)
    grid_m = (up[0] - here[0]) * foot_m / frame.combined_scale
    assert grid_m == pytest.approx(1000.0, abs=1e-4)


# ---- files ----------------------------------------------------------------------------------

USER_WKT = CRS(SYSTEMS["user-proj"][0]).to_wkt()


@pytest.mark.parametrize(
    ("horizontal", "vertical", "x", "y"),
    [
        ("EPSG:32617", "EPSG:5703", 466_900.0, 4_661_000.0),
        ("EPSG:6549+6360", "none", 2_267_000.0, 688_500.0),  # all three axes in US survey feet
        ("EPSG:2193", "EPSG:7839", 1_750_000.0, 5_430_000.0),  # northing first
        ("EPSG:2222", "EPSG:8228", 700_000.0, 900_000.0),
        ("EPSG:4326", "ellipsoidal", -81.4, 42.1),
        (USER_WKT, "none", 1000.0, 2000.0),
        (USER_WKT, "EPSG:5703", 1000.0, 2000.0),
    ],
    ids=["utm", "compound-us-ft", "north-east", "compound-ft", "3d", "user", "user-compound"],
)
def test_a_geopackage_keeps_the_crs(
    make_site, tmp_path: Path, horizontal: str, vertical: str, x: float, y: float
) -> None:
    """GDAL's two builds read back the horizontal system, by its EPSG code where it has one.

    WKT 2 stands where the standard has it.
    """
    site = make_site(horizontal=horizontal, vertical=vertical, x=x, y=y)
    with Workspace(tmp_path / "out").build() as sink:
        sink.add(site.record, site, site.products)
    path, meant = tmp_path / "out" / "asbuilt.gpkg", site.frame.horizontal
    assert meant is not None
    with fiona.open(path, layer="transmitter_fixes") as source:
        first = CRS(source.crs_wkt)
        point = next(iter(source)).geometry.coordinates
    second = CRS(pyogrio.read_info(path, layer="transmitter_fixes")["crs"])
    for read in (first, second):
        assert read.equals(meant, ignore_axis_order=True), read.to_wkt(pretty=True)
    assert point[0] == pytest.approx(x, rel=1e-3, abs=60.0)  # easting or longitude comes first
    assert point[1] == pytest.approx(y, rel=1e-3, abs=60.0)
    with closing(sqlite3.connect(path)) as db:
        (srs,) = db.execute("SELECT DISTINCT srs_id FROM gpkg_geometry_columns").fetchone()
        extensions = {row[0] for row in db.execute("SELECT extension_name FROM gpkg_extensions")}
        wkt2 = "SELECT definition_12_063 FROM gpkg_spatial_ref_sys WHERE srs_id = ?"
        (text,) = db.execute(wkt2, (srs,)).fetchone()
    assert extensions & {"gpkg_crs_wkt", "gpkg_crs_wkt_1_1"}
    if (code := meant.to_epsg()) is not None:
        assert srs == code
    assert text.startswith(("PROJCRS[", "GEOGCRS[", "GEODCRS["))  # never WKT 1
    assert CRS(text).equals(meant, ignore_axis_order=True)
    assert [a.unit_name for a in CRS(text).axis_info] == [a.unit_name for a in meant.axis_info]
