"""Each GeoJSON feature held to its layer's own JSON Schema before the file is put in place.

What a general validator takes seconds for is done with arrays here, for what writing can spoil: the
kind of geometry, how positions nest, their ranges, and which properties are there and not null.
Types, domains and bounds of properties are the contract's, and held to it in `layers`. One rule is
not the schema's, which cannot say it: a ring ends where it begins (RFC 7946, 3.1.6).
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from functools import cache
from typing import Any, Final, NoReturn

import numpy as np

from lateralline import contract
from lateralline.errors import ReadBackError
from lateralline.write.json_schema import json_schema

#: How deep positions nest in each kind, and how many the innermost list holds at least.
_DEPTH: Final = {
    "Point": (0, 1),
    "LineString": (1, 2),
    "MultiLineString": (2, 2),
    "Polygon": (2, 4),
    "MultiPolygon": (3, 4),
}
_LIMITS: Final = np.array([180.0, 90.0])


def check_features(layer: str, features: Iterable[bytes]) -> None:
    """Raise ReadBackError, naming the first feature that breaks its layer's schema, and how."""
    for number, text in enumerate(features, start=1):
        try:
            fault = _fault(layer, json.loads(text, parse_constant=_no_number))
        except ValueError as e:
            fault = f"is no JSON ({e})"
        if fault:
            raise ReadBackError(f"{layer}.geojson: feature {number} {fault}")


def _fault(layer: str, feature: dict[str, Any]) -> str:
    """Return how a feature breaks its schema; "" when it does not."""
    kinds, names, required = _rules(layer)
    if feature.get("type") != "Feature" or not {"geometry", "properties"} <= feature.keys():
        return "is no feature"
    properties, geometry = feature["properties"], feature["geometry"]
    if properties.keys() != names:
        return f"has other properties: {', '.join(sorted(properties.keys() ^ names))}"
    if missing := [name for name in required if properties[name] is None]:
        return f"lacks {', '.join(missing)}"
    if geometry is None:
        return ""
    if geometry["type"] not in kinds:
        return f"is a {geometry['type']}, not {' or '.join(sorted(kinds)) or 'without geometry'}"
    depth, least = _DEPTH[geometry["type"]]
    return _misplaced(geometry["coordinates"], depth, least, ring=geometry["type"] in _RINGS)


_RINGS: Final = ("Polygon", "MultiPolygon")


@cache
def _rules(layer: str) -> tuple[frozenset[str], frozenset[str], tuple[str, ...]]:
    """Return the kinds of geometry, the properties and those not null, as the schema has them."""
    feature = json_schema(layer)["properties"]["features"]["items"]["properties"]
    kinds = {
        shape["properties"]["type"]["const"]
        for shape in feature["geometry"]["oneOf"]
        if "properties" in shape
    }
    required = tuple(c.name for c in contract.load(layer).field if c.required)
    return frozenset(kinds), frozenset(feature["properties"]["required"]), required


def _misplaced(coordinates: Any, depth: int, least: int, *, ring: bool) -> str:
    """Return what is wrong with coordinates that nest so deep above a list of positions."""
    if depth > 1:
        if not coordinates:
            return "has an empty geometry"
        faults = (_misplaced(part, depth - 1, least, ring=ring) for part in coordinates)
        return next((fault for fault in faults if fault), "")
    try:
        places = np.array([coordinates] if depth == 0 else coordinates, dtype=np.float64)
    except (TypeError, ValueError):
        return "has positions of different kinds"
    if places.ndim != 2 or places.shape[1] not in (2, 3) or len(places) < least:
        return f"has {len(places)} position(s) where {least} are needed"
    if not np.isfinite(places).all() or (np.abs(places[:, :2]) > _LIMITS).any():
        return "has a position that is nowhere on earth"
    if ring and (places[0] != places[-1]).any():
        return "has a ring that does not end where it begins"
    return ""


def _no_number(text: str) -> NoReturn:
    raise ValueError(f"{text} is no number")
