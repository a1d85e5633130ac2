"""GeoJSON as RFC 7946 wants it, checked by reading the plain JSON."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import shapely

from lateralline import contract, layers
from lateralline.write import _batches
from lateralline.write.geojson import DECIMALS, GeoJSONSink
from lateralline.write.json_schema import json_schema

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
    zones = next(p for p in site.products if p.layer == "dig_zone").geometry
    assert not any(zone.exterior.is_ccw for zone in zones)
    for feature in write(tmp_path, site)["dig_zone"]["features"]:
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
        assert all(p == list(contract.load(name).names) for p in properties)
    assert len(layers_["dig_zone"]["features"]) == 4
    assert [f["geometry"] is None for f in layers_["transmitter_fixes"]["features"]] == [
        False,
        False,
        False,
        True,
    ]
    assert all(f["geometry"] is None for f in layers_["findings"]["features"])


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
    monkeypatch.setattr(_batches, "BATCH_ROWS", 6)
    sites = [make_site("EX-0"), make_site("EX-1", rows=0), make_site("EX-2"), make_site("EX-3")]
    features = write(tmp_path, *sites)["pipe_nodes"]["features"]
    ids = [f["properties"]["site_id"] for f in features]
    assert ids == ["EX-0"] * 4 + ["EX-2"] * 4 + ["EX-3"] * 4


def test_a_layer_without_rows_is_an_empty_collection(make_site: MakeSite, tmp_path: Path) -> None:
    assert write(tmp_path, make_site(rows=0))["dig_zone"]["features"] == []


def test_no_site_no_file(tmp_path: Path) -> None:
    GeoJSONSink(paths_in(tmp_path)).close()
    assert list(tmp_path.iterdir()) == []


def test_what_crosses_the_antimeridian_is_cut_there(make_site: MakeSite, tmp_path: Path) -> None:
    """RFC 7946, 3.1.9: on two sides of 180°, with the same length and area as before."""
    site = make_site(horizontal="EPSG:4326", x=179.99986, y=-16.8)
    layers_ = write(tmp_path, site)
    lines = [f["geometry"] for f in layers_["pipe_centreline"]["features"]]
    zones = [f["geometry"] for f in layers_["dig_zone"]["features"]]
    kinds = {g["type"] for g in lines} | {g["type"] for g in zones}
    assert kinds >= {"MultiLineString", "MultiPolygon"}
    for geometry in (*lines, *zones):
        for part in shapely.get_parts(shapely.geometry.shape(geometry)):
            west, _, east, _ = part.bounds
            assert east - west < 0.001
            if part.geom_type == "Polygon":
                assert part.exterior.is_ccw
    plain = next(p for p in site.products if p.layer == "dig_zone").geometry
    per_degree = np.array([111_320 * np.cos(np.radians(-16.8)), 110_650])
    for geometry, zone in zip(zones, plain, strict=True):
        area = shapely.geometry.shape(geometry).area * per_degree.prod()
        assert area == pytest.approx(zone.area, rel=0.01)
