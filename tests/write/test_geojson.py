"""GeoJSON as RFC 7946 wants it, checked by reading the plain JSON."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pyarrow as pa
import pytest
import shapely

from lateralline import contract
from lateralline.errors import ReadBackError
from lateralline.record import layers
from lateralline.write import geojson, geopackage
from lateralline.write.dictionary import json_schema
from lateralline.write.geojson import DECIMALS, GeoJSONSink, check_features

MakeSite = Callable[..., Any]


def paths_in(folder: Path) -> dict[str, Path]:
    return {name: folder / f"{name}.geojson" for name in contract.LAYERS}


def write(folder: Path, *sites: Any) -> dict[str, dict[str, Any]]:
    """Write sites and return each layer as `json` parses it."""
    sink = GeoJSONSink(paths_in(folder))
    for site in sites:
        tables = layers.to_tables(site.products, site.record, site.frame)
        sink.append(layers.to_lonlat(tables, site.products, site.frame))
    sink.close()
    return {name: json.loads(path.read_text(encoding="utf-8")) for name, path in sink.paths.items()}


def positions(coordinates: Any) -> Iterator[list[float]]:
    """Every position of a geometry's coordinates, however deep."""
    if isinstance(coordinates[0], float):
        yield coordinates
    else:
        for part in coordinates:
            yield from positions(part)


@pytest.mark.parametrize(("vertical", "axes"), [("none", 2), ("EPSG:5703", 2), ("ellipsoidal", 3)])
def test_positions_are_longitude_latitude_and_only_then_height(
    make_site: MakeSite, tmp_path: Path, vertical: str, axes: int
) -> None:
    """Central meridian −81°, 4 500 000 m north is 40.65°: in the right order and range."""
    for name, layer in write(tmp_path, make_site(vertical=vertical)).items():
        kind = contract.load(name).geometry
        for feature in layer["features"]:
            if feature["geometry"] is None:
                continue
            for position in positions(feature["geometry"]["coordinates"]):
                assert position[0] == pytest.approx(-81.0, abs=1e-3)
                assert position[1] == pytest.approx(40.65, abs=1e-2)
                assert len(position) == (2 if kind == "Polygon" else axes)
                assert all(v == round(v, DECIMALS) for v in position[:2])


def test_rings_follow_the_right_hand_rule(make_site: MakeSite, tmp_path: Path) -> None:
    """RFC 7946, 3.1.6; the products' rings are made the other way round."""
    site = make_site()
    zones = next(p for p in site.products if p.layer == "tolerance_zone").geometry
    assert not any(zone.exterior.is_ccw for zone in zones)
    for feature in write(tmp_path, site)["tolerance_zone"]["features"]:
        outside, inside = map(shapely.LinearRing, feature["geometry"]["coordinates"])
        assert outside.is_ccw
        assert not inside.is_ccw


def test_there_is_no_crs_member_and_every_feature_is_there(
    make_site: MakeSite, tmp_path: Path
) -> None:
    layers_ = write(tmp_path, make_site())
    assert tuple(layers_) == contract.LAYERS
    for name, layer in layers_.items():
        assert "crs" not in layer
        assert layer["type"] == "FeatureCollection"
        assert layer.get("caution", "") == contract.load(name).caution
        properties = [list(f["properties"]) for f in layer["features"]]
        assert all(p == [c.name for c in contract.load(name).spoken] for p in properties)
        assert all(f["id"] == f["properties"]["uid"] for f in layer["features"])
    assert len(layers_["tolerance_zone"]["features"]) == 4
    assert [f["geometry"] is None for f in layers_["transmitter_fixes"]["features"]] == [
        False,
        False,
        False,
        True,
    ]
    assert all(f["geometry"] is None for f in layers_["lineage"]["features"])


def test_values_keep_their_json_types(make_site: MakeSite, tmp_path: Path) -> None:
    layers_ = write(tmp_path, make_site())
    line = layers_["pipe_centreline"]["features"][0]["properties"]
    assert line["surveyed_on"] == "2026-05-06"
    assert line["stops"] == 0
    assert isinstance(line["stops"], int)
    assert line["material"] == "material ø“0”, x|y"
    assert layers_["field_marks"]["features"][0]["properties"]["used"] is True
    assert layers_["pipe_centreline"]["features"][2]["properties"]["material"] is None


def test_text_that_looks_like_json_stays_text(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site()
    notes = ["[1]", '{"k": 2}', "two\nlines", '{ "type": "Feature",']
    products = tuple(
        replace(p, columns={**p.columns, "note": notes}) if p.layer == "field_marks" else p
        for p in site.products
    )
    marks = write(tmp_path, replace(site, products=products))["field_marks"]["features"]
    assert [f["properties"]["note"] for f in marks] == notes


def test_layers_keep_to_their_json_schema(make_site: MakeSite, tmp_path: Path) -> None:
    for name, layer in write(tmp_path, make_site(vertical="ellipsoidal")).items():
        validator = jsonschema.Draft202012Validator(
            json_schema(name), format_checker=jsonschema.FormatChecker()
        )
        assert [e.message for e in validator.iter_errors(layer)] == []


def test_sites_stream_one_after_another(
    make_site: MakeSite, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(geopackage, "BATCH_ROWS", 6)
    sites = [make_site("EX-0"), make_site("EX-1", rows=0), make_site("EX-2"), make_site("EX-3")]
    features = write(tmp_path, *sites)["pipe_nodes"]["features"]
    ids = [f["properties"]["site_id"] for f in features]
    assert ids == ["EX-0"] * 4 + ["EX-2"] * 4 + ["EX-3"] * 4


def test_a_layer_without_rows_is_an_empty_collection(make_site: MakeSite, tmp_path: Path) -> None:
    assert write(tmp_path, make_site(rows=0))["tolerance_zone"]["features"] == []


def test_no_site_no_file(tmp_path: Path) -> None:
    GeoJSONSink(paths_in(tmp_path)).close()
    assert list(tmp_path.iterdir()) == []


def test_what_crosses_the_antimeridian_is_cut_there(make_site: MakeSite, tmp_path: Path) -> None:
    """RFC 7946, 3.1.9: on two sides of 180°, with the same length and area as before."""
    site = make_site(horizontal="EPSG:4326", x=179.99986, y=-16.8)
    layers_ = write(tmp_path, site)
    lines = [f["geometry"] for f in layers_["pipe_centreline"]["features"]]
    zones = [f["geometry"] for f in layers_["tolerance_zone"]["features"]]
    kinds = {g["type"] for g in lines} | {g["type"] for g in zones}
    assert kinds >= {"MultiLineString", "MultiPolygon"}
    for geometry in (*lines, *zones):
        for part in shapely.get_parts(shapely.geometry.shape(geometry)):
            west, _, east, _ = part.bounds
            assert east - west < 0.001
            if part.geom_type == "Polygon":
                assert part.exterior.is_ccw
    plain = next(p for p in site.products if p.layer == "tolerance_zone").geometry
    per_degree = np.array([111_320 * np.cos(np.radians(-16.8)), 110_650])
    for geometry, zone in zip(zones, plain, strict=True):
        area = shapely.geometry.shape(geometry).area * per_degree.prod()
        assert area == pytest.approx(zone.area, rel=0.01)


def test_what_ends_at_the_antimeridian_is_not_cut_into_a_point(
    make_site: MakeSite, tmp_path: Path
) -> None:
    """The maker's lines begin on 180° here: the side that they only touch has no part of them."""
    lines = write(tmp_path, make_site(horizontal="EPSG:4326", x=179.9999, y=-17.0))
    kinds = {f["geometry"]["type"] for f in lines["pipe_centreline"]["features"] if f["geometry"]}
    assert kinds <= {"LineString", "MultiLineString"}


# ---- held to the schema --------------------------------------------------------------------


def test_a_zone_that_touches_itself_once_rounded_stays_polygons(
    make_site: MakeSite, tmp_path: Path
) -> None:
    """A tail of a millimetre, and a speck: GDAL alone makes a collection of polygon and line."""
    site = make_site(rows=1)
    tables = layers.to_tables(site.products, site.record, site.frame)
    lonlat = layers.to_lonlat(tables, site.products, site.frame)
    thin = 1e-8
    wide = shapely.box(-81.0, 40.65, -80.9999, 40.6501)
    tail = shapely.box(-80.9999, 40.65005, -80.9998, 40.65005 + thin)
    speck = shapely.box(-81.0, 40.66, -81.0 + thin, 40.66 + thin)
    zones = pa.concat_tables([lonlat["tolerance_zone"]] * 2)
    wkb = shapely.to_wkb([shapely.union(wide, tail), speck])
    index = zones.schema.get_field_index(layers.GEOMETRY)
    zones = zones.set_column(index, layers.GEOMETRY_FIELD, pa.array(wkb, type=pa.binary()))
    sink = GeoJSONSink({"tolerance_zone": tmp_path / "tolerance_zone.geojson"})
    sink.append({"tolerance_zone": zones})
    sink.close()
    written = json.loads((tmp_path / "tolerance_zone.geojson").read_text(encoding="utf-8"))
    jsonschema.validate(written, json_schema("tolerance_zone"))
    shapes = [shapely.geometry.shape(f["geometry"]) for f in written["features"]]
    assert [s.geom_type for s in shapes] == ["Polygon", "Polygon"]
    assert all(s.is_valid and s.area > 0 for s in shapes)
    assert shapes[0].symmetric_difference(wide).area < 1e-6 * wide.area
    assert shapes[1].intersects(speck)


SQUARE = [[[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0], [0.0, 0.0]]]


def spoilt(**changes: Any) -> dict[str, Any]:
    """A feature of `unlocated` that is right but for some changes."""
    declared = contract.load("unlocated").field
    row: dict[str, Any] = {c.name: None for c in declared}
    row |= {c.name: c.enum[0] if c.enum else "x" for c in declared if c.required}
    row["crs_shift_95_m"] = 0.0
    gone, more = changes.pop("gone", ""), changes.pop("properties", {})
    properties = {k: v for k, v in (row | more).items() if k != gone}
    shape = {"type": "Polygon", "coordinates": SQUARE}
    named = {"type": "Feature", "id": properties["uid"]}
    return {**named, "geometry": shape, "properties": properties} | changes


def polygon(*rings: Any) -> dict[str, Any]:
    return spoilt(geometry={"type": "Polygon", "coordinates": list(rings)})


@pytest.mark.parametrize(
    ("feature", "says"),
    [
        (spoilt(), ""),
        (spoilt(geometry=None), ""),
        (spoilt(geometry={"type": "MultiPolygon", "coordinates": [SQUARE]}), ""),
        (spoilt(geometry={"type": "GeometryCollection", "geometries": []}), "GeometryCollection"),
        (spoilt(geometry={"type": "Point", "coordinates": [0.0, 0.0]}), "Point"),
        (polygon([[0.0, 0.0]] * 3), "4 are needed"),
        (polygon([[190.0, 0.0]] * 4), "nowhere"),
        (polygon(), "empty"),
        (polygon([[0.0]] * 4), "position"),
        (polygon([["a", "b"]] * 4), "position"),
        (spoilt(properties={"site_id": None}), "site_id"),
        (spoilt(properties={"colour": "red"}), "colour"),
        (spoilt(gone="why"), "why"),
        (spoilt(type="Thing"), "no feature"),
    ],
)
def test_the_check_of_the_writer_says_what_the_schema_says(
    feature: dict[str, Any], says: str
) -> None:
    caution = contract.load("unlocated").caution
    whole = {"type": "FeatureCollection", "caution": caution, "features": [feature]}
    assert jsonschema.Draft202012Validator(json_schema("unlocated")).is_valid(whole) == (not says)
    if not says:
        check_features("unlocated", [json.dumps(feature).encode()])
        return
    with pytest.raises(ReadBackError, match=f"feature 1 .*{says}"):
        check_features("unlocated", [json.dumps(feature).encode()])


def test_the_check_knows_more_than_a_schema_can_say() -> None:
    open_ring = polygon([*SQUARE[0][:-1], [9.0, 9.0]])
    with pytest.raises(ReadBackError, match="ring that does not end where it begins"):
        check_features("unlocated", [json.dumps(open_ring).encode()])
    no_number = json.dumps(spoilt(properties={"area_m2": float("nan")}))
    with pytest.raises(ReadBackError, match="NaN is no number"):
        check_features("unlocated", [no_number.encode()])


def test_what_breaks_its_schema_is_never_put_in_place(
    make_site: MakeSite, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever spoils a feature on its way to the file: here its type of geometry."""
    write_arrow = geojson.pyogrio.write_arrow

    def spoil(table: Any, out: Any, **given: Any) -> None:
        write_arrow(table, out, **given)
        text = out.getvalue().replace(b'"Polygon"', b'"Polygone"')
        out.seek(0)
        out.truncate()
        out.write(text)

    monkeypatch.setattr(geojson.pyogrio, "write_arrow", spoil)
    with pytest.raises(ReadBackError, match="feature 1 is a Polygone, not MultiPolygon or Polygon"):
        write(tmp_path, make_site())


def test_a_place_just_beside_a_round_longitude_is_written_as_it_is(
    make_site: MakeSite, tmp_path: Path
) -> None:
    """-81.0000009 is 0.08 m from -81; asked for seven decimals GDAL writes -81.0 for it."""
    site = make_site(rows=1)
    tables = layers.to_tables(site.products, site.record, site.frame)
    points = layers.to_lonlat(tables, site.products, site.frame)["control_points"]
    places = [(-81.0000009, 40.6500001), (-81.0000001, 40.65), (-80.9999999, -0.0000002)]
    wkb = shapely.to_wkb(shapely.points(places))
    index = points.schema.get_field_index(layers.GEOMETRY)
    points = pa.concat_tables([points] * 3)
    points = points.set_column(index, layers.GEOMETRY_FIELD, pa.array(wkb, type=pa.binary()))
    sink = GeoJSONSink({"control_points": tmp_path / "p.geojson"})
    sink.append({"control_points": points})
    sink.close()
    written = json.loads((tmp_path / "p.geojson").read_text(encoding="utf-8"))
    assert [tuple(f["geometry"]["coordinates"]) for f in written["features"]] == places
