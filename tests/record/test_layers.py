"""Products become frames as the contract says, or are refused with every fault named."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import Any

import geopandas as gpd
import numpy as np
import pyarrow as pa
import pyproj
import pytest
import shapely

from lateralline import contract
from lateralline.errors import ContractError, FrameError
from lateralline.findings import Finding
from lateralline.record import layers
from lateralline.records import Product
from tests.support.as_frames import to_frames

MakeSite = Callable[..., Any]


def frames_of(site: Any, **options: Any) -> dict[str, Any]:
    return to_frames(site.products, site.record, site.frame, **options)


def changed(site: Any, layer: str, **columns: object) -> tuple[Product, ...]:
    """The site's products, some columns of one layer replaced; None takes a column away."""
    return tuple(
        replace(
            p,
            columns={k: v for k, v in {**p.columns, **columns}.items() if v is not None},
        )
        if p.layer == layer
        else p
        for p in site.products
    )


def test_columns_come_in_declared_order_and_types(make_site: MakeSite) -> None:
    frames = frames_of(make_site())
    assert tuple(frames) == contract.LAYERS
    for name, frame in frames.items():
        table = contract.load(name)
        expected = ["uid", *table.names, *["geometry"] * bool(table.geometry)]
        assert list(frame.columns) == expected
        assert isinstance(frame, gpd.GeoDataFrame) == bool(table.geometry)
    fixes = frames["transmitter_fixes"]
    assert str(fixes["dof"].dtype) == "Int64"
    assert fixes["dof"].tolist()[:2] == [0, 1]
    assert fixes["dof"].isna().tolist() == [False, False, True, False]
    assert str(fixes["transmitter_depth_m"].dtype) == "float64"
    assert str(frames["field_marks"]["used"].dtype) == "boolean"
    assert frames["pipe_centreline"]["surveyed_on"][0] == date(2026, 5, 6)


def test_arrow_types_hold_even_when_a_column_is_all_null(make_site: MakeSite) -> None:
    site = make_site()
    products = changed(
        site,
        "transmitter_fixes",
        dof=[None] * 4,
        note=[""] * 4,
        transmitter_depth_m=[float("nan")] * 4,
    )
    table = layers.to_tables(products, site.record, site.frame)["transmitter_fixes"]
    assert table.schema == layers.empty("transmitter_fixes").schema
    assert table.schema.field("dof").type == pa.int64()
    assert table.schema.field("note").type == pa.string()
    assert [table[c].null_count for c in ("dof", "note", "transmitter_depth_m", "geometry")] == [
        4,
        4,
        4,
        1,
    ]


def test_geometry_stands_in_the_site_crs_with_its_level(make_site: MakeSite) -> None:
    """The origin is the control's median (500010, 4500000); scale is 0.9996 and no height."""
    fixes = frames_of(make_site())["transmitter_fixes"]
    assert fixes.crs == pyproj.CRS("EPSG:32617")
    first, second = fixes.geometry[0], fixes.geometry[1]
    assert (first.x, first.y, first.z) == (500_010.0, 4_500_000.0, 100.0)
    assert second.x == pytest.approx(500_010 + 3 * 0.9996, abs=1e-6)
    assert second.z == 100.1
    assert fixes.geometry[3] is None


def test_survey_feet_stay_survey_feet(make_site: MakeSite) -> None:
    """1200/3937 m to the foot (Mendenhall Order, 1893); z is in metres beside EPSG:6360 too."""
    site = make_site(horizontal="EPSG:2263", vertical="EPSG:6360", x=985_000.0, y=200_000.0)
    nodes = frames_of(site)["pipe_nodes"]
    assert nodes.crs.to_epsg() == 2263
    assert nodes.geometry[0].z == 100.0
    feet = frames_of(site, crs=pyproj.CRS("EPSG:2263+6360"))["pipe_nodes"]
    assert feet.geometry[0].z == pytest.approx(100.0 * 3937 / 1200, abs=1e-9)
    step = nodes.geometry[1].x - nodes.geometry[0].x
    assert step == pytest.approx(3.0 * 3937 / 1200, rel=2e-4)


@pytest.mark.parametrize(
    ("given", "unit_m"),
    [
        ({"vertical": "EPSG:5703", "z_m": 1000.0}, 1.0),  # 0.9996 and 0.99984 for 1000 m
        ({"horizontal": "EPSG:2263", "x": 985_000.0, "y": 200_000.0}, 1200 / 3937),
        ({"horizontal": "local", "x": 0.0, "y": 0.0}, 1.0),
    ],
)
def test_a_length_on_the_grid_is_that_of_the_geometry_and_says_its_factor(
    make_site: MakeSite, given: dict[str, Any], unit_m: float
) -> None:
    """What ST_Length or $length gives; the factor is the frame's scale times its height factor."""
    site = make_site(**given)
    frames = frames_of(site)
    ground = {p.layer: p.geometry for p in site.products}
    for name in ("pipe_centreline", "pipe_segments"):
        there = frames[name][frames[name].geometry.notna()]
        length_m = there["length_grid_m"].to_numpy()
        assert length_m == pytest.approx(there.geometry.length.to_numpy() * unit_m, rel=1e-12)
        factor = there["grid_factor"].to_numpy()
        assert factor == pytest.approx(np.full(len(there), site.frame.combined_scale), rel=1e-9)
        on_ground = [shapely.length(g) for g in ground[name] if g is not None]
        assert length_m / factor == pytest.approx(on_ground, rel=1e-12)


def test_a_grid_that_stretches_says_so_and_degrees_have_no_length(make_site: MakeSite) -> None:
    """Web Mercator at 40.6° north: a third longer, 1/cos of the latitude within 0.5 %."""
    site = make_site()
    lines = frames_of(site, crs=pyproj.CRS("EPSG:3857"))["pipe_segments"]
    there = lines[lines.geometry.notna()]
    assert there["length_grid_m"].to_numpy() == pytest.approx(there.geometry.length.to_numpy())
    assert there["grid_factor"].to_numpy() == pytest.approx(1 / np.cos(np.radians(40.65)), rel=5e-3)
    degrees = frames_of(site, crs=pyproj.CRS("EPSG:4326"))["pipe_segments"]
    assert degrees["length_grid_m"].isna().all()
    assert degrees["grid_factor"].isna().all()


def test_polygons_stay_flat(make_site: MakeSite) -> None:
    zone = frames_of(make_site(vertical="EPSG:5703"))["tolerance_zone"]
    assert not zone.geometry.has_z.any()
    assert zone.geometry.is_valid.all()


def test_another_crs_agrees_with_pyproj(make_site: MakeSite) -> None:
    """UTM zone 17 into 18 by the library's own transformer, levels untouched."""
    site = make_site()
    here = frames_of(site)["pipe_segments"]
    there = frames_of(site, crs=pyproj.CRS("EPSG:32618"))["pipe_segments"]
    way = pyproj.Transformer.from_crs(32617, 32618, always_xy=True)
    xyz = shapely.get_coordinates(here.geometry, include_z=True)
    moved = shapely.get_coordinates(there.geometry, include_z=True)
    np.testing.assert_allclose(moved[:, :2], np.column_stack(way.transform(*xyz[:, :2].T)))
    np.testing.assert_array_equal(moved[:, 2], xyz[:, 2])


def test_longitude_and_latitude_agree_with_pyproj(make_site: MakeSite) -> None:
    site = make_site(vertical="ellipsoidal")
    tables = layers.to_tables(site.products, site.record, site.frame)
    lonlat = layers.to_lonlat(tables, site.products, site.frame)
    way = pyproj.Transformer.from_crs(32617, 4326, always_xy=True)
    for name in ("pipe_centreline", "tolerance_zone"):
        xy = shapely.get_coordinates(layers.shapes(tables[name]))
        moved = shapely.get_coordinates(layers.shapes(lonlat[name]))
        np.testing.assert_allclose(moved, np.column_stack(way.transform(*xy.T)), atol=1e-10)
    assert shapely.has_z(layers.shapes(lonlat["pipe_centreline"])).all()
    assert not shapely.has_z(layers.shapes(lonlat["tolerance_zone"])).any()


@pytest.mark.parametrize("vertical", ["none", "EPSG:5703"])
def test_only_ellipsoidal_heights_are_a_third_coordinate(
    make_site: MakeSite, vertical: str
) -> None:
    site = make_site(vertical=vertical)
    tables = layers.to_tables(site.products, site.record, site.frame)
    lonlat = layers.to_lonlat(tables, site.products, site.frame)
    assert not shapely.has_z(layers.shapes(lonlat["pipe_centreline"])).any()


def test_a_sketch_has_no_crs_and_no_longitude(make_site: MakeSite) -> None:
    site = make_site(horizontal="local", x=0.0, y=0.0)
    frames = frames_of(site)
    assert frames["pipe_nodes"].crs is None
    with pytest.raises(FrameError, match="invented axes"):
        layers.to_lonlat({"pipe_nodes": layers.empty("pipe_nodes")}, site.products, site.frame)


def test_every_fault_of_every_layer_is_named_at_once(make_site: MakeSite) -> None:
    site = make_site()
    products = changed(site, "pipe_segments", shape=["straight", "wavy", "bend", "bend"])
    site = replace(site, products=products)
    products = changed(site, "pipe_nodes", kind=None, colour=["red"] * 4)
    site = replace(site, products=products)
    nan, inf = float("nan"), float("inf")
    products = changed(
        site,
        "pipe_centreline",
        length_m=[1.0, nan, -2.0, inf],
        stops=[1, 2, 3, 4.5],
        inside_diameter_m=[0.0, nan, nan, 0.1],
    )
    with pytest.raises(ContractError) as error:
        to_frames(products, site.record, site.frame)
    message = str(error.value)
    for part in (
        "pipe_segments.shape: must be one of straight, bend, two_bends, undecided; got wavy",
        "pipe_nodes: columns missing kind; undeclared colour",
        "pipe_centreline.length_m: 1 of 4 values missing",
        "pipe_centreline.length_m: must be finite; got inf",
        "pipe_centreline.length_m: must be ≥ 0; got -2.0",
        "pipe_centreline.stops: not all integer",
        "pipe_centreline.inside_diameter_m: must be > 0; got 0.0",
    ):
        assert part in message


def test_a_missing_layer_is_refused(make_site: MakeSite) -> None:
    site = make_site()
    with pytest.raises(ContractError, match="layers missing tolerance_zone"):
        to_frames(
            [p for p in site.products if p.layer != "tolerance_zone"], site.record, site.frame
        )


@pytest.mark.parametrize(
    ("wkt", "message"),
    [
        ("POINT (1 2)", "must be Point Z"),
        ("LINESTRING Z (0 0 0, 1 1 1)", "must be Point Z"),
        ("POINT Z (1 2 NaN)", "not finite"),
    ],
)
def test_geometry_of_another_kind_is_refused(make_site: MakeSite, wkt: str, message: str) -> None:
    site = make_site(rows=1)
    products = tuple(
        replace(p, geometry=np.array([shapely.from_wkt(wkt)], dtype=object))
        if p.layer == "pipe_nodes"
        else p
        for p in site.products
    )
    with pytest.raises(ContractError, match=message):
        to_frames(products, site.record, site.frame)


def test_findings_of_writing_come_last(make_site: MakeSite) -> None:
    site = make_site()
    extra = Finding("warning", "write", "levels-mixed", "site", "what", "", "do", "marks.csv:3")
    products = layers.with_findings(site.products, "EX-1", [extra])
    findings = to_frames(products, site.record, site.frame)["findings"]
    assert len(findings) == 5
    last = findings.iloc[-1]
    assert (last["site_id"], last["code"], last["source_row"]) == (
        "EX-1",
        "levels-mixed",
        "marks.csv:3",
    )
    assert last.isna()["by_how_much"]


def test_lineage_says_where_it_all_comes_from(make_site: MakeSite) -> None:
    site = make_site(vertical="EPSG:5703")
    rows = frames_of(site, crs=pyproj.CRS("EPSG:32618"))["lineage"]
    of = {t: g.set_index("item") for t, g in rows.groupby("topic")}
    assert of["input"].loc["marks.csv", "sha256"] == "b" * 64
    assert of["input"].loc["marks.csv", "rows"] == 24
    assert {"lateralline", "PROJ", "GDAL (writes)", "GDAL (reads back)"} <= set(
        of["software"].index
    )
    assert of["crs"].loc["written in", "value"] == "WGS 84 / UTM zone 18N"
    assert len(of["operation"]) == 2  # to longitude and latitude, to the CRS asked for
    assert of["parameter"].loc["accuracy receiver_angle_deg", "value"] == "2"
    assert of["parameter"].loc["unit of tape", "value"] == "us-ft"
    assert "vertical CRS" in of["statement"].loc["levels", "value"]
    assert of["statement"].loc["caution", "value"] == contract.load("tolerance_zone").caution


def test_columns_are_made_once_where_the_layers_are_in_the_sites_own_crs(
    make_site: MakeSite, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And come out as those that are made anew, which they are after a shift."""
    site = make_site()
    own = site.frame.horizontal
    tables = layers.to_tables(site.products, site.record, site.frame, own)
    honest, anew = layers._columns, []

    def noted(declared: Any, columns: Any) -> Any:
        anew.append(declared.name)
        return honest(declared, columns)

    monkeypatch.setattr(layers, "_columns", noted)
    once = layers.to_lonlat(tables, site.products, site.frame, own)
    assert not anew
    monkeypatch.setattr(layers, "plan_operation", lambda *_: "a shift")
    again = layers.to_lonlat(tables, site.products, site.frame, own)
    assert len(anew) > 5
    assert all(once[name].equals(again[name]) for name in contract.LAYERS)
