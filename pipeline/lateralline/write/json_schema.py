"""JSON Schema (draft 2020-12) of each GeoJSON layer, from the contract."""

from __future__ import annotations

from typing import Final

from lateralline import contract
from lateralline.contract import Column, FieldType, Geometry

_DRAFT: Final = "https://json-schema.org/draft/2020-12/schema"
_TYPES: Final[dict[FieldType, dict[str, object]]] = {
    "text": {"type": "string"},
    "integer": {"type": "integer"},
    "real": {"type": "number"},
    "boolean": {"type": "boolean"},
    "date": {"type": "string", "format": "date"},
    "datetime": {"type": "string", "format": "date-time"},
}


def json_schema(layer: str) -> dict[str, object]:
    """Return the JSON Schema of a layer's FeatureCollection; ContractError for an unknown layer."""
    table = contract.load(layer)
    properties = {c.name: column_schema(c) for c in table.field}
    feature = {
        "type": "object",
        "required": ["type", "properties", "geometry"],
        "properties": {
            "type": {"const": "Feature"},
            "geometry": _geometry(table.geometry),
            "properties": {
                "type": "object",
                "required": list(properties),
                "properties": properties,
                "additionalProperties": False,
            },
        },
    }
    return {
        "$schema": _DRAFT,
        "title": table.title,
        "description": " ".join(filter(None, (table.description, table.caution))),
        "type": "object",
        "required": ["type", "features"],
        "not": {"required": ["crs"]},  # RFC 7946, section 4: WGS 84, never named
        "properties": {
            "type": {"const": "FeatureCollection"},
            "name": {"const": layer},
            "features": {"type": "array", "items": feature},
        },
    }


def column_schema(column: Column) -> dict[str, object]:
    """Return the JSON Schema of one column; null is allowed unless the column is required."""
    schema: dict[str, object] = {
        "title": column.title,
        "description": column.description,
        **_TYPES[column.type],
    }
    if column.unit:
        schema["x-unit"] = column.unit
    bounds = {
        "minimum": column.minimum,
        "maximum": column.maximum,
        "exclusiveMinimum": column.above,
        "pattern": column.pattern or None,
    }
    schema |= {k: v for k, v in bounds.items() if v is not None}
    values: list[dict[str, object]] = []
    if column.enum:
        values = [{"const": v.value, "description": v.description} for v in column.values]
    if not column.required:
        schema["type"] = [schema["type"], "null"]
        values += [{"type": "null"}] * bool(values)
    return schema | ({"oneOf": values} if values else {})


def _geometry(geometry: Geometry) -> dict[str, object]:
    """Return the schema of a layer's geometry; null is a feature without a position."""
    one_of: list[dict[str, object]] = [{"type": "null"}]
    for kind, coordinates in shapes_of(geometry).items():
        one_of.append(
            {
                "type": "object",
                "required": ["type", "coordinates"],
                "properties": {"type": {"const": kind}, "coordinates": coordinates},
            }
        )
    return {"oneOf": one_of}


def shapes_of(geometry: Geometry) -> dict[str, dict[str, object]]:
    """Return the kinds of GeoJSON geometry of a layer, each with the schema of its coordinates."""
    position: dict[str, object] = {
        "type": "array",
        "prefixItems": [
            {"type": "number", "minimum": -180, "maximum": 180},
            {"type": "number", "minimum": -90, "maximum": 90},
            {"type": "number", "description": "Height above the WGS 84 ellipsoid, m."},
        ],
        "minItems": 2,
        "maxItems": 3,
    }
    line: dict[str, object] = {"type": "array", "items": position, "minItems": 2}
    rings: dict[str, object] = {"type": "array", "items": {**line, "minItems": 4}, "minItems": 1}
    # Lines and polygons are cut at the antimeridian.
    lines: dict[str, dict[str, object]] = {
        "LineString": line,
        "MultiLineString": {"type": "array", "items": line},
    }
    shapes: dict[Geometry, dict[str, dict[str, object]]] = {
        "": {},
        "Point Z": {"Point": position},
        "LineString Z": lines,
        "LineString": lines,
        "Polygon": {"Polygon": rings, "MultiPolygon": {"type": "array", "items": rings}},
    }
    return shapes[geometry]
