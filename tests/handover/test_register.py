"""A register's lines, read by the profile that also writes them. All here is invented."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS

from lateralline.errors import FrameError, SiteFaultsError
from lateralline.frames.operations import PLAN_95
from lateralline.handover import load_profile, read_register
from lateralline.matching.register_lines import RegisterUse, read_by_profile

UTM = CRS("EPSG:32617")
EAST, NORTH = 500_000.0, 4_650_000.0
ROWS: list[dict[str, Any]] = [
    {"ITEM_NO": "M1", "KIND": "MAIN", "CARRIES": "SANITARY", "MATERIAL": "VC", "DIAMETER_MM": "300",
     "US_NODE": "N2", "DS_NODE": "N1", "US_INVERT_M": 10.5, "DS_INVERT_M": 10.2, "POS_95_M": 0.3},
    {"ITEM_NO": "M2", "KIND": "LATERAL", "CARRIES": "XX", "MATERIAL": None, "DIAMETER_MM": None,
     "US_NODE": "N3", "DS_NODE": "N2", "US_INVERT_M": None, "DS_INVERT_M": None, "POS_95_M": None},
]  # fmt: skip


def path_of(*metres: tuple[float, ...]) -> shapely.LineString:
    return shapely.LineString([(EAST + m[0], NORTH + m[1], *m[2:]) for m in metres])


SHAPES = [
    path_of((0, 0), (100, 0)),
    shapely.MultiLineString([path_of((100, 0), (100, 50)), path_of((100, 60), (100, 90))]),
]


def register(
    path: Path, rows: Any = None, shapes: Any = None, *, layer: str = "SEWER_MAINS", crs: Any = UTM
) -> Path:
    frame = gpd.GeoDataFrame(ROWS if rows is None else rows, geometry=shapes or SHAPES, crs=crs)
    frame.to_file(path, layer=layer)
    return path


def test_lines_come_in_the_records_words_units_and_direction(tmp_path: Path) -> None:
    lines = read_register(register(tmp_path / "r.gpkg"), "municipal", UTM)
    assert list(lines["register_id"]) == ["M1", "M2", "M2"]
    assert list(lines["row"]) == [1, 2, 2]
    assert list(lines["part"]) == [1, 1, 2]
    main = lines.iloc[0]
    assert (main["kind"], main["service"], main["material"]) == ("main", "sanitary", "VC")
    assert main["inside_diameter_m"] == 0.3  # 300 mm, a text in the file
    assert (main["from_node_id"], main["to_node_id"]) == ("N1", "N2")
    assert (main["invert_down_level_m"], main["invert_up_level_m"]) == (10.2, 10.5)
    assert main["position_95_m"] == 0.3
    assert main["drawn_upstream"]
    assert main.geometry.coords[0] == (EAST + 100, NORTH)  # drawn downstream in the register
    assert lines["kind"].tolist() == ["main", "lateral", "lateral"]
    assert lines["service"].tolist()[1] is None
    assert lines["shift_95_m"].tolist() == [0.0, 0.0, 0.0]
    assert any("CARRIES" in note and "XX (2)" in note for note in lines.attrs["notes"])
    assert lines.crs == UTM


def test_another_crs_comes_with_what_the_way_may_be_off(tmp_path: Path) -> None:
    path = register(tmp_path / "r.gpkg")
    degrees = read_register(path, "municipal", CRS("EPSG:4326"))
    assert degrees["shift_95_m"].tolist() == [0.0] * 3  # one datum: a projection, exact
    assert degrees.total_bounds == pytest.approx([-81.0, 42.0, -80.99, 42.1], abs=0.1)
    shifted = read_register(path, "municipal", CRS("EPSG:26917"))
    assert shifted["shift_95_m"].iloc[0] > 1.0
    with pytest.raises(FrameError, match="sketch"):
        read_register(path, "municipal", None)


def test_faults_are_told_at_once(tmp_path: Path) -> None:
    rows = [{**ROWS[0], "DIAMETER_MM": "12 in", "SURVEYED": "May"}, {**ROWS[0]}, {**ROWS[1]}]
    rows[2]["ITEM_NO"] = None
    shapes = [SHAPES[0], SHAPES[0], shapely.Point(EAST, NORTH)]
    path = tmp_path / "r.geojson"
    frame = gpd.GeoDataFrame(rows, geometry=shapes, crs=UTM).to_crs(4326)
    frame.to_file(path, layer="SEWER_MAINS")
    with pytest.raises(SiteFaultsError) as caught:
        read_register(path, "municipal", UTM)
    found = {(f.row, f.column, f.value) for f in caught.value.faults}
    assert found == {
        (1, "DIAMETER_MM", "12 in"),
        (1, "SURVEYED", "May"),
        (2, "key", "M1"),
        (3, "geometry", "Point"),
    }


def test_a_layer_nobody_mapped_and_a_file_without_crs(tmp_path: Path) -> None:
    with pytest.raises(SiteFaultsError, match="SEWER_MAINS, SEWER_LATERALS"):
        read_register(register(tmp_path / "r.gpkg", layer="PIPES"), "municipal", UTM)
    with pytest.warns(UserWarning, match="crs"):
        bare = register(tmp_path / "b.gpkg", crs=None)
    with pytest.raises(SiteFaultsError, match="must be named in the file"):
        read_register(bare, "municipal", UTM)
    assert len(read_register(bare, "municipal", None)) == 3  # both on one sketch's axes


def test_one_layer_needs_no_name_where_the_profile_has_one_of_lines(tmp_path: Path) -> None:
    profile = load_profile("municipal").profile
    mains = profile.model_copy(update={"layer": profile.layer[:1], "z_unit": "ft"})
    high = [path_of((0, 0, 10.0), (100, 0, 20.0)), path_of((0, 9, 30.0), (100, 9, 40.0))]
    path = register(tmp_path / "r.gpkg", shapes=high, layer="whatever")
    lines = read_register(path, mains, UTM)
    assert lines.geometry[0].coords[0] == (EAST + 100, NORTH, pytest.approx(20.0 * 0.3048))


def test_match_and_connect_read_a_register_by_its_profile(tmp_path: Path) -> None:
    """Names, lengths and σ of the profile, with the flow; laterals are no mains."""
    path = register(tmp_path / "r.gpkg", crs="EPSG:4269", shapes=to_degrees(SHAPES))
    lines = read_by_profile(path, RegisterUse(profile="municipal", sigma_m=0.7), UTM, "register")
    assert lines.ids.tolist() == ["M1", "M2", "M2"]
    assert lines.names["upstream_access"].tolist() == ["N2", "N3", "N3"]
    assert lines.lengths_m["diameter"][0] == 0.3
    assert lines.lengths_m["upstream_invert"][0] == 10.5
    shift = read_register(path, "municipal", UTM)["shift_95_m"].to_numpy() / PLAN_95
    own = np.array([0.3 / PLAN_95, 0.7, 0.7])
    assert lines.lengths_m["sigma"] == pytest.approx(np.hypot(own, shift))
    assert lines.sigma_taken == 2
    assert shapely.get_coordinates(lines.shapes[0])[0] == pytest.approx((EAST, NORTH), abs=2.0)
    mains = read_by_profile(path, RegisterUse(profile="municipal"), UTM, "mains")
    assert mains.ids.tolist() == ["M1"]


def to_degrees(shapes: list[shapely.Geometry]) -> list[shapely.Geometry]:
    return list(gpd.GeoSeries(shapes, crs=UTM).to_crs("EPSG:4269"))
