"""Files written by GDAL itself read back the same, each with its own CRS or a fault."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely
from pyproj import CRS, Transformer

from lateralline.frames.systems import site_systems
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.points.layer_points import map_points
from lateralline.ingest.points.survey_points import ColumnChoice, SurveyPoints
from lateralline.ingest.points.transform import to_site_crs

LON_LAT_Z = np.array([[-81.39941, 42.10042, 183.25], [-81.39937, 42.10038, 183.5]])
CODES = ["R1 1 EN c=12.4 d=1.35", "R1 1 MN"]


def frame(crs: str = "EPSG:4326", xyz: np.ndarray = LON_LAT_Z, *, solid: bool = True, **names: str):
    name, code = names.get("name", "name"), names.get("code", "desc")
    spots = shapely.points(xyz if solid else xyz[:, :2])
    return gpd.GeoDataFrame({name: ["A1", "A2"], code: CODES}, geometry=spots, crs=crs)


def read(path: Path, **how: object) -> tuple[SurveyPoints | None, list[str]]:
    ledger = Ledger()
    points = map_points(path, ledger, **how)
    return points, [str(f) for f in ledger.faults]


def good(path: Path, **how: object) -> SurveyPoints:
    points, faults = read(path, **how)
    assert not faults
    assert points is not None
    return points


DRIVERS: dict[str, tuple[str, Callable[[Path], None]]] = {
    "GPKG": ("a.gpkg", lambda p: pyogrio.write_dataframe(frame(), p)),
    "GeoJSON": ("a.geojson", lambda p: pyogrio.write_dataframe(frame(), p)),
    "Shapefile": ("a.shp", lambda p: pyogrio.write_dataframe(frame(code="descriptio"), p)),
    "FlatGeobuf": ("a.fgb", lambda p: pyogrio.write_dataframe(frame(), p, SPATIAL_INDEX="NO")),
    "KML": ("a.kml", lambda p: pyogrio.write_dataframe(
        frame(name="Name", code="Description"), p, driver="LIBKML")),
    # pyogrio below 0.13 takes the first fields of a GPX for the columns, whatever their names
    "GPX": ("a.gpx", lambda p: frame(solid=False).assign(ele=LON_LAT_Z[:, 2]).to_file(
        p, driver="GPX", layer="waypoints", engine="fiona")),
    "CSV": ("a.csv", lambda p: pyogrio.write_dataframe(
        frame(), p, driver="CSV", GEOMETRY="AS_WKT")),
}  # fmt: skip


@pytest.mark.parametrize("driver", DRIVERS)
def test_what_gdal_wrote_reads_back_the_same(driver: str, tmp_path: Path) -> None:
    name, write = DRIVERS[driver]
    write(tmp_path / name)
    points = good(tmp_path / name)
    np.testing.assert_allclose(
        np.column_stack([points.x, points.y, points.z]), LON_LAT_Z, rtol=0, atol=1e-9
    )
    assert points.name.tolist() == ["A1", "A2"]
    assert points.code.tolist() == CODES
    assert points.row.tolist() == [1, 2]
    assert (points.crs == CRS("EPSG:4326")) or (driver == "CSV" and points.crs is None)


@pytest.mark.parametrize("crs", ["EPSG:3734", "EPSG:32617", "EPSG:31467", "EPSG:4269"])
def test_a_files_own_crs_comes_through_whatever_its_axis_order(crs: str, tmp_path: Path) -> None:
    """EPSG:31467 counts northing first, EPSG:4269 latitude first: GDAL hands out x, y."""
    xyz = np.array([[2268500.25, 888500.5, 1.0], [2268510.0, 888510.0, 2.0]])
    if CRS(crs).is_geographic:
        xyz = LON_LAT_Z
    path = tmp_path / "a.gpkg"
    pyogrio.write_dataframe(frame(crs, xyz), path)
    points = good(path)
    assert points.crs == CRS(crs)
    np.testing.assert_array_equal(np.column_stack([points.x, points.y, points.z]), xyz)


def test_points_are_brought_to_the_sites_crs_by_a_named_operation(tmp_path: Path) -> None:
    """Against pyproj alone, to a micrometre."""
    path = tmp_path / "a.geojson"
    pyogrio.write_dataframe(frame(), path)
    ledger = Ledger()
    site = site_systems("EPSG:32617", "none")
    transformed = to_site_crs(good(path), None, site, "", ledger)
    assert transformed is not None
    to_utm = Transformer.from_crs("EPSG:4326", "EPSG:32617", always_xy=True)
    x, y = to_utm.transform(*LON_LAT_Z[:, :2].T)
    np.testing.assert_allclose(transformed.x, x, rtol=0, atol=1e-6)
    np.testing.assert_allclose(transformed.y, y, rtol=0, atol=1e-6)
    assert transformed.z.tolist() == LON_LAT_Z[:, 2].tolist()
    assert transformed.operation is not None
    assert "UTM zone 17N" in transformed.notes[0]
    assert "(0 m)" in transformed.notes[0]


def test_levels_go_from_one_named_system_to_another(tmp_path: Path) -> None:
    """NAVD88 in US survey feet (EPSG:6360) to NAVD88 in metres (EPSG:5703): 1200/3937 exactly."""
    path = tmp_path / "a.gpkg"
    xyz = np.array([[2268500.25, 888500.5, 600.0], [2268510.0, 888510.0, 601.5]])
    pyogrio.write_dataframe(frame("EPSG:3734+6360", xyz), path)
    ledger = Ledger()
    transformed = to_site_crs(good(path), None, site_systems("EPSG:3734", "EPSG:5703"), "", ledger)
    assert transformed is not None, [str(f) for f in ledger.faults]
    np.testing.assert_allclose(transformed.z, xyz[:, 2] * 1200 / 3937, rtol=0, atol=1e-6)
    np.testing.assert_allclose(
        np.column_stack([transformed.x, transformed.y]), xyz[:, :2], atol=1e-6
    )
    assert transformed.z_unit == "m"


def test_a_ballpark_operation_is_refused(tmp_path: Path) -> None:
    """No operation is published between two unrelated engineering-grade datums: none is made up."""
    own = "+proj=longlat +a=6378137 +b=6356000 +no_defs"
    path = tmp_path / "a.gpkg"
    pyogrio.write_dataframe(frame(own), path)
    ledger = Ledger()
    assert to_site_crs(good(path), None, site_systems("EPSG:32617", "none"), "", ledger) is None
    (fault,) = ledger.faults
    assert "no operation is here" in str(fault)


def test_an_operation_of_unknown_accuracy_is_refused(tmp_path: Path) -> None:
    """ITRF2014 to GDA2020 moves with the years; a map file gives no epoch, so nobody knows."""
    path = tmp_path / "a.gpkg"
    pyogrio.write_dataframe(frame("EPSG:9000", np.array([[133.0, -25.0, 0.0]] * 2)), path)
    ledger = Ledger()
    assert to_site_crs(good(path), None, site_systems("EPSG:7853", "none"), "", ledger) is None
    (fault,) = ledger.faults
    assert "known accuracy" in str(fault)
    assert "without a coordinate epoch" in str(fault)


def test_a_file_without_crs_asks_for_one(tmp_path: Path) -> None:
    path = tmp_path / "a.fgb"
    with pytest.warns(UserWarning, match="crs"):
        pyogrio.write_dataframe(frame().set_crs(None, allow_override=True), path)
    ledger = Ledger()
    points = good(path)
    assert points.crs is None
    assert to_site_crs(points, None, site_systems("EPSG:32617", "none"), "", ledger) is None
    assert "--crs" in str(ledger.faults[0])


def test_layers_are_chosen_or_listed(tmp_path: Path) -> None:
    path = tmp_path / "a.gpkg"
    pyogrio.write_dataframe(frame(), path, layer="monday")
    pyogrio.write_dataframe(frame(), path, layer="tuesday", append=True)
    _, faults = read(path)
    assert "monday (2 × Point Z); tuesday (2 × Point Z)" in faults[0]
    assert "--layer monday or --layer tuesday" in faults[0]
    assert good(path, layer="tuesday").file == "a.gpkg[tuesday]"
    _, faults = read(path, layer="tusday")
    assert 'did you mean "tuesday"?' in faults[0]


def test_a_layer_of_lines_is_passed_by(tmp_path: Path) -> None:
    path = tmp_path / "a.gpkg"
    pyogrio.write_dataframe(frame(), path, layer="marks")
    line = gpd.GeoDataFrame(geometry=[shapely.LineString([(0, 0), (1, 1)])], crs="EPSG:4326")
    pyogrio.write_dataframe(line, path, layer="kerb", append=True)
    assert good(path).file == "a.gpkg[marks]"
    _, faults = read(path, layer="kerb")
    assert 'a.gpkg[kerb]:1: geometry must be a point; got "LineString"' in faults


def test_points_without_z_and_multipoints_and_fields_of_their_own(tmp_path: Path) -> None:
    path = tmp_path / "a.gpkg"
    spots = gpd.GeoDataFrame(
        {
            "name": ["A", "B"],
            "run": ["R1", "R1"],
            "stop": [3, 3],
            "kind": ["end null", "mid null"],
            "counter": [12.5, None],
            "sigma_h": [0.02, None],
        },
        geometry=[shapely.MultiPoint([(1, 2), (3, 4)]), shapely.MultiPoint([(5, 6)])],
        crs="EPSG:32617",
    )
    pyogrio.write_dataframe(spots, path)
    points = good(path)
    assert points.name.tolist() == ["A.1", "A.2", "B"]
    assert np.isnan(points.z).all()
    assert points.attributes["stop"].tolist() == ["3", "3", "3"]
    assert points.attributes["counter"].tolist() == ["12.5", "12.5", ""]
    np.testing.assert_array_equal(points.sigma_h, [0.02, 0.02, np.nan])


def test_gpx_tells_no_sigma_though_it_tells_hdop(tmp_path: Path) -> None:
    path = tmp_path / "a.gpx"
    waypoints = frame(solid=False).assign(ele=LON_LAT_Z[:, 2], hdop=[0.8, 0.9])
    waypoints.to_file(path, driver="GPX", layer="waypoints", engine="fiona")
    assert np.isnan(good(path).sigma_h).all()


def test_fields_hold_the_coordinates_where_they_are_named(tmp_path: Path) -> None:
    path = tmp_path / "a.gpkg"
    table = gpd.GeoDataFrame(
        {"ost": ["20.5", "x"], "nord": [10.5, 11.5], "nr": [1, 2]},
        geometry=[None, None],
        crs="EPSG:32617",
    )
    pyogrio.write_dataframe(table, path, geometry_type="Point")
    _, faults = read(path)
    assert "a.gpkg:1: geometry must have a position" in faults[0]
    points, faults = read(path, choice=ColumnChoice(x="ost", y="nord", name="nr"))
    assert faults == ['a.gpkg:2: ost must be a number; got "x"']
    assert points is not None
    assert (points.x[0], points.y[0], points.name[0]) == (20.5, 10.5, "1")


@pytest.mark.parametrize("content", [b"", b"%PDF-1.4", b'{"type": "FeatureCollection"'])
def test_what_gdal_cannot_open_is_a_fault(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "a.geojson"
    path.write_bytes(content)
    points, faults = read(path)
    assert points is None
    assert "a vector file that GDAL opens" in faults[0]


def test_a_layer_without_fields_holds_points_all_the_same(tmp_path: Path) -> None:
    """Of nothing but geometry: names, codes and levels are then from no field."""
    file = tmp_path / "p.geojson"
    shape = '{"type": "Point", "coordinates": [-81.4, 42.1]}'
    file.write_text(
        '{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {}, '
        f'"geometry": {shape}}}]}}'
    )
    points = good(file)
    assert points.name.tolist() == ["p-1"]
    assert np.isnan(points.z).all()
    assert "names from no field" in points.notes
