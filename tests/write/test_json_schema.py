"""JSON Schemas that refuse what the contract forbids."""

from __future__ import annotations

from typing import Any

import jsonschema
import pytest

from lateralline import contract
from lateralline.write.dictionary import column_schema, json_schema


@pytest.mark.parametrize("layer", contract.LAYERS)
def test_each_is_a_valid_schema(layer: str) -> None:
    jsonschema.Draft202012Validator.check_schema(json_schema(layer))


def collection(geometry: Any = None, **properties: Any) -> dict[str, Any]:
    row: dict[str, Any] = {c.name: None for c in contract.load("position_corridor").field}
    row |= {
        "uid": "a",
        "site_id": "EX-1",
        "line_id": "L1",
        "confidence": 0.95,
        "area_m2": 3.5,
        "crs_shift_95_m": 0.0,
    }
    row |= {"ellipse_major_95_max_m": 0.4, "undecided_segments": 0, "unbounded_segments": 0}
    row |= {"reach_cut_m2": 0.1, "caution": "…"}
    feature = {"type": "Feature", "id": "a", "geometry": geometry, "properties": row | properties}
    caution = contract.load("position_corridor").caution
    return {"type": "FeatureCollection", "caution": caution, "features": [feature]}


SQUARE = {
    "type": "Polygon",
    "coordinates": [[[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0], [0.0, 0.0]]],
}


def valid(document: dict[str, Any]) -> bool:
    return jsonschema.Draft202012Validator(json_schema("position_corridor")).is_valid(document)


def test_what_is_right_is_accepted() -> None:
    assert valid(collection())
    assert valid(collection(SQUARE))


@pytest.mark.parametrize(
    "document",
    [
        collection(SQUARE) | {"crs": {"type": "name"}},
        {k: v for k, v in collection(SQUARE).items() if k != "caution"},
        collection({"type": "Point", "coordinates": [0.0, 0.0]}),
        collection({"type": "Polygon", "coordinates": [[[190.0, 0.0]] * 4]}),
        collection({"type": "Polygon", "coordinates": [[[0.0, 0.0]] * 3]}),
        collection(confidence=1.5),
        collection(confidence=None),
        collection(undecided_segments=1.5),
        collection(colour="red"),
    ],
    ids=["crs", "caution", "point", "range", "ring", "maximum", "null", "integer", "undeclared"],
)
def test_what_is_wrong_is_refused(document: dict[str, Any]) -> None:
    assert not valid(document)


def test_enumerations_and_open_bounds() -> None:
    shape = column_schema(contract.load("pipe_segments").column("shape"))
    assert [v["const"] for v in shape["oneOf"]] == ["straight", "bend", "two_bends", "undecided"]
    side = column_schema(contract.load("pipe_nodes").column("tie_side"))
    for value, fits in (("left", True), (None, True), ("up", False)):
        assert jsonschema.Draft202012Validator(side).is_valid(value) == fits
    diameter = column_schema(contract.load("pipe_centreline").column("inside_diameter_m"))
    for value, fits in ((0.1, True), (None, True), (0.0, False)):
        assert jsonschema.Draft202012Validator(diameter).is_valid(value) == fits
