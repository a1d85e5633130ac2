"""`geojson/*.geojson`: every layer as RFC 7946 wants it, features appended site by site.

WGS 84 longitude and latitude, at most 7 decimals (0.01 m), exterior rings counter-clockwise, no
`crs` member; a third coordinate only when it is an ellipsoidal height. Tables and features
without a position have a null geometry. A megabyte of a layer waits in memory, never a city.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import Final, NamedTuple, NoReturn, TypedDict

import numpy as np
import pyarrow as pa
import pyogrio
import shapely
from shapely.affinity import translate

from lateralline import contract
from lateralline.contract import Table
from lateralline.errors import ReadBackError
from lateralline.record import layers
from lateralline.wording import counted
from lateralline.write.dictionary import shapes_of

#: RFC 7946, section 11.2: more decimals than the survey supports only look precise.
DECIMALS: Final = 7
#: GDAL is asked for more: with seven it takes -81.0000009 for -81, some six equal digits being
#: enough for it to call the rest noise, which is 0.1 m. From ten on it writes what it is given.
_ASKED_DECIMALS: Final = 12
_HEIGHT_DECIMALS: Final = 3
_CRS: Final = "OGC:CRS84"
_AREAS: Final = (shapely.GeometryType.POLYGON, shapely.GeometryType.MULTIPOLYGON)
_WAITING_BYTES: Final = 1_000_000  # of a layer, before they are written
_FEATURE: Final = b'{ "type": "Feature",'
_ID: Final = "id"


class GeoJSONSink:
    """Takes the layers of one site after another; `close` completes the files.

    Nothing is made on disk before the first site comes.
    """

    def __init__(self, paths: Mapping[str, Path], about: Mapping[str, str] | None = None) -> None:
        """Begin with no file; `paths` has one for every layer that will come.

        `about` are further members of each collection.
        """
        self.paths = paths
        self._about = about or {}
        self.rows = dict.fromkeys(paths, 0)
        self._waiting: dict[str, list[bytes]] = {name: [] for name in paths}

    @property
    def empty(self) -> bool:
        """Whether no site was taken."""
        return not any(self.rows.values())

    def append(self, tables: Mapping[str, pa.Table]) -> None:
        """Take one site's layers as `layers.to_lonlat` makes them."""
        self.take(features_of(tables))

    def take(self, features: Mapping[str, Features]) -> None:
        """Take one site's layers as `features_of` makes them."""
        for name, made in features.items():
            self.rows[name] += made.rows
            self._waiting[name] += [made.text] if made.rows else []
            if sum(map(len, self._waiting[name])) > _WAITING_BYTES:
                self._write(name)

    def close(self) -> None:
        """Write what waits and end every collection; no files at all when no site was taken."""
        if self.empty:
            return
        for name, path in self.paths.items():
            self._write(name)
            self._open(name)
            with path.open("ab") as file:
                file.write(b"\n]}\n")

    def _open(self, name: str) -> bool:
        """Begin a layer's file unless it is there; tell whether it has features already."""
        path = self.paths[name]
        if path.exists():
            return True
        path.parent.mkdir(parents=True, exist_ok=True)
        table = contract.load(name)
        about = {
            "type": "FeatureCollection",
            "name": name,
            "title": table.title,
            "description": table.description,
            "caution": table.caution,
            **self._about,
        }
        head = json.dumps({k: v for k, v in about.items() if v}, ensure_ascii=False)
        path.write_text(head.removesuffix("}") + ', "features": [\n', encoding="utf-8")
        return False

    def _write(self, name: str) -> None:
        waiting, self._waiting[name] = self._waiting[name], []
        if not waiting:
            return
        begun = self._open(name)
        with self.paths[name].open("ab") as file:
            file.write(b",\n" * begun + b",\n".join(waiting))


class Features(NamedTuple):
    """Features of a layer as they stand in its collection."""

    rows: int
    text: bytes  # one a line, commas between


def features_of(tables: Mapping[str, pa.Table]) -> dict[str, Features]:
    """Return layers, as `layers.to_lonlat` makes them, as features, held to their schemas.

    Raises ReadBackError for a feature that breaks its layer's schema.
    """
    return {
        name: Features(t.num_rows, b",\n".join(_features(name, t)) if t.num_rows else b"")
        for name, t in tables.items()
    }


def _features(name: str, table: pa.Table) -> list[bytes]:
    """Return each row as one GeoJSON feature, made by GDAL."""
    spoken = {c.name for c in contract.load(name).spoken} | {layers.GEOMETRY}
    table = as_rfc7946(table.select([n for n in table.column_names if n in spoken]))
    out = io.BytesIO()
    pyogrio.write_arrow(
        table.append_column(_ID, table[contract.UID]),
        out,
        layer=name,
        driver="GeoJSON",
        geometry_name=layers.GEOMETRY,
        geometry_type="Unknown",
        crs=_CRS,
        layer_options={
            "RFC7946": "YES",  # rings turned, heights to 3 decimals, no crs member
            "COORDINATE_PRECISION": str(_ASKED_DECIMALS),
            "ID_FIELD": _ID,  # which becomes the feature's own
            "ID_TYPE": "String",
            "AUTODETECT_JSON_STRINGS": "NO",  # a note that says "[1]" is text, not a list
        },
    )
    lines = out.getvalue().splitlines()  # GDAL writes one feature a line
    features = [line.removesuffix(b",") for line in lines if line.startswith(_FEATURE)]
    check_features(name, features)
    return features


def as_rfc7946(table: pa.Table) -> pa.Table:
    """Return a table in longitude and latitude as RFC 7946 has it, dates as texts.

    Geometry is cut at the antimeridian and on the grid of decimals; null for a table without.
    """
    table = _with_iso_dates(table)
    if layers.GEOMETRY in table.column_names:
        return _snapped(_cut_at_antimeridian(table))
    return table.append_column(layers.GEOMETRY_FIELD, pa.nulls(table.num_rows, pa.binary()))


def _snapped(table: pa.Table) -> pa.Table:
    """Return the table with its coordinates on the grid of decimals, polygons valid there.

    Rounded where it is written, a zone whose edges nearly touch is valid no more, and GDAL makes a
    collection of polygons and lines of it. Only parts with an area are kept; what has none on the
    grid becomes a square about it, one step each way. All is rounded here, not by GDAL
    (`_ASKED_DECIMALS`).
    """
    shapes = layers.shapes(table)
    areas = np.isin(shapely.get_type_id(shapes), _AREAS)
    if areas.any():
        shapes[areas] = _on_grid(shapes[areas])
    has_z = bool(shapely.has_z(shapes).any())
    places = shapely.get_coordinates(shapes, include_z=has_z)
    places[:, :2] = np.round(places[:, :2], DECIMALS)
    places[:, 2:] = np.round(places[:, 2:], _HEIGHT_DECIMALS)
    return _with_shapes(table, np.asarray(shapely.set_coordinates(shapes, places)))


def _on_grid(areas: layers.Shapes) -> layers.Shapes:
    """Return polygons (n) with their corners on the grid, each of parts that have an area."""
    grid = 10.0**-DECIMALS
    snapped = np.asarray(shapely.set_precision(areas, grid), dtype=object)
    for n in np.flatnonzero(~np.isin(shapely.get_type_id(snapped), _AREAS)):
        parts = shapely.get_parts(snapped[n])
        parts = parts[shapely.get_type_id(parts) == shapely.GeometryType.POLYGON]
        snapped[n] = shapely.MultiPolygon(list(parts)) if len(parts) else None
    gone = shapely.is_missing(snapped) | shapely.is_empty(snapped)
    middles = np.round(shapely.get_coordinates(shapely.centroid(areas[gone])), DECIMALS)
    snapped[gone] = shapely.box(*(middles - grid).T, *(middles + grid).T)
    return snapped


def _with_shapes(table: pa.Table, shapes: layers.Shapes) -> pa.Table:
    wkb = shapely.to_wkb(shapes, output_dimension=3, flavor="iso")
    index = table.schema.get_field_index(layers.GEOMETRY)
    return table.set_column(index, layers.GEOMETRY_FIELD, pa.array(wkb, type=pa.binary()))


def _with_iso_dates(table: pa.Table) -> pa.Table:
    """Return the table with dates as ISO 8601 text; GDAL would write them with slashes."""
    for i, column in enumerate(table.schema):
        if pa.types.is_temporal(column.type):
            table = table.set_column(i, column.name, table[column.name].cast(pa.string()))
    return table


def _cut_at_antimeridian(table: pa.Table) -> pa.Table:
    """Return the table with every geometry that crosses 180° cut there (RFC 7946, 3.1.9)."""
    shapes = layers.shapes(table)
    west, _, east, _ = shapely.bounds(shapes).reshape(-1, 4).T
    crossing = np.flatnonzero(east - west > 180.0)
    if not len(crossing):
        return table
    shapes[crossing] = [_cut(shape) for shape in shapes[crossing]]
    return _with_shapes(table, shapes)


def _cut(shape: shapely.Geometry) -> shapely.Geometry:
    """Return a line or polygon that crosses the antimeridian as its sides; touching adds none."""
    coordinates = shapely.get_coordinates(shape, include_z=bool(shape.has_z))
    coordinates[coordinates[:, 0] < 0.0, 0] += 360.0
    unrolled = shapely.set_coordinates(shape, coordinates)
    east = shapely.intersection(unrolled, shapely.box(0.0, -90.0, 180.0, 90.0))
    west = shapely.intersection(unrolled, shapely.box(180.0, -90.0, 360.0, 90.0))
    parts = [*shapely.get_parts(east), *shapely.get_parts(translate(west, xoff=-360.0))]
    whole = {"LineString": shapely.MultiLineString, "Polygon": shapely.MultiPolygon}
    return whole[shape.geom_type]([p for p in parts if p.geom_type == shape.geom_type])


# ---- Each GeoJSON feature held to its layer's own JSON Schema before the file is put in place.


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
    rules = _rules(contract.load(layer))
    for number, text in enumerate(features, start=1):
        try:
            fault = _fault(rules, json.loads(text, parse_constant=_no_number))
        except ValueError as e:
            fault = f"is no JSON ({e})"
        if fault:
            raise ReadBackError(f"{layer}.geojson: feature {number} {fault}")


class GeoJSONGeometry(TypedDict):
    """A geometry of RFC 7946."""

    type: str
    coordinates: object  # lists in lists


class GeoJSONFeature(TypedDict, total=False):
    """A feature of RFC 7946, or what should be one."""

    type: str
    geometry: GeoJSONGeometry | None
    properties: dict[str, object]


def _fault(rules: _Rules, feature: GeoJSONFeature) -> str:
    """Return how a feature breaks the rules of its layer; "" when it does not."""
    kinds, names, required = rules
    if feature.get("type") != "Feature" or not {"geometry", "properties"} <= feature.keys():
        return "is no feature"
    if not feature.get(_ID):
        return "has no id"
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


class _Rules(NamedTuple):
    """What a layer's schema asks of its features."""

    kinds: frozenset[str]  # of geometry
    names: frozenset[str]  # of properties
    required: tuple[str, ...]  # those not null


@cache
def _rules(table: Table) -> _Rules:
    """Return what a layer's schema asks of its features."""
    required = tuple(c.name for c in table.spoken if c.required)
    names = frozenset(c.name for c in table.spoken)
    return _Rules(frozenset(shapes_of(table.geometry)), names, required)


def _misplaced(coordinates: object, depth: int, least: int, *, ring: bool) -> str:
    """Return what is wrong with coordinates that nest so deep above a list of positions."""
    if depth > 1:
        if not isinstance(coordinates, list) or not coordinates:
            return "has an empty geometry"
        faults = (_misplaced(part, depth - 1, least, ring=ring) for part in coordinates)
        return next((fault for fault in faults if fault), "")
    try:
        places = np.array([coordinates] if depth == 0 else coordinates, dtype=np.float64)
    except (TypeError, ValueError):
        return "has positions of different kinds"
    if places.ndim != 2 or places.shape[1] not in (2, 3) or len(places) < least:
        return f"has {counted(len(places), 'position')} where {least} are needed"
    if not np.isfinite(places).all() or (np.abs(places[:, :2]) > _LIMITS).any():
        return "has a position that is nowhere on earth"
    if ring and (places[0] != places[-1]).any():
        return "has a ring that does not end where it begins"
    return ""


def _no_number(text: str) -> NoReturn:
    raise ValueError(f"{text} is no number")
