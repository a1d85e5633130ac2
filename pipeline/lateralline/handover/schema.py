"""JSON Schemas: of a profile's file, and of what is written by one.

`python -m lateralline.handover.schema` prints the first, which stands beside the shipped profiles
as `profile.schema.json`.
"""

from __future__ import annotations

import json
from typing import Final

from lateralline.contract import Geometry
from lateralline.handover.profile import Profile, RegisterColumn, RegisterLayer, Shape
from lateralline.record import CAUTION
from lateralline.write.dictionary import DRAFT, JSON_TYPES, collection_schema

_LIKE: Final[dict[Shape, Geometry]] = {
    "Point": "Point Z",
    "Point Z": "Point Z",
    "LineString": "LineString",
    "LineString Z": "LineString Z",
    "Polygon": "Polygon",
    "": "",
}


def profile_schema() -> dict[str, object]:
    """Return the JSON Schema of a profile's file."""
    return {"$schema": DRAFT, **Profile.model_json_schema(by_alias=True)}


def layer_schema(layer: RegisterLayer) -> dict[str, object]:
    """Return the JSON Schema of a register's layer as it is written in GeoJSON."""
    return collection_schema(
        layer.name,
        (layer.title or layer.name, layer.description),
        {c.name: _column_schema(c) for c in layer.column},
        _LIKE[layer.geometry],
        caution=CAUTION,
    )


def _column_schema(column: RegisterColumn) -> dict[str, object]:
    schema: dict[str, object] = {"title": column.title or column.name, **JSON_TYPES[column.type]}
    limits = {
        "x-unit": column.unit or None,
        "minimum": column.minimum,
        "maximum": column.maximum,
        "maxLength": column.width,
    }
    schema |= {k: v for k, v in limits.items() if v is not None}
    values: list[str | int | None] = list(column.values)
    if not column.required:
        schema["type"] = [schema["type"], "null"]
        values += [None] * bool(values)
    return schema | ({"enum": values} if values else {})


if __name__ == "__main__":
    print(json.dumps(profile_schema(), indent=1, ensure_ascii=False))
