"""What a file format does to names, types and places of a register's layers, told before it does.

shapefile   names of 10 characters, texts of 254 bytes, no booleans, no times of day (the dBASE III
            and shapefile formats, from memory)
geojson     WGS 84 alone, and no third coordinate but an ellipsoidal height (RFC 7946)
csv         names of columns alone say what they hold; no coordinate system
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import pyarrow as pa
import shapely

from lateralline.handover.losses import Loss
from lateralline.handover.mapped import Handover, MappedLayer
from lateralline.record.layers import GEOMETRY, GEOMETRY_FIELD, shapes

#: Name of each format, and how its files end; a GeoPackage holds all layers, the others one a file.
FORMATS: Final = {
    "geopackage": ".gpkg",
    "geojson": ".geojson",
    "geoparquet": ".parquet",
    "flatgeobuf": ".fgb",
    "shapefile": ".shp",
    "csv": ".csv",
}
#: The CRS of formats that have one of their own.
CRS_OF: Final = {"geojson": "EPSG:4326"}
_NAME: Final = 10
_TEXT_BYTES: Final = 254


def fitted(handover: Handover, kind: str) -> Handover:
    """Return a hand-over as a format has it, with what that loses."""
    adapt = _ADAPTED.get(kind)
    if adapt is None:
        return handover
    losses: list[Loss] = []
    layers = tuple(adapt(layer, losses) for layer in handover.layers)
    return replace(handover, layers=layers, losses=(*handover.losses, *losses))


def _for_shapefile(layer: MappedLayer, losses: list[Loss]) -> MappedLayer:
    named = short_names(layer)
    columns: dict[str, pa.Array] = {}
    for column in layer.declared.column:
        values, new = layer.table[column.name], named[column.name]
        if new != column.name:
            why = f"a shapefile has names of {_NAME} characters"
            item = f"{column.name} → {new}"
            losses.append(Loss("names", layer.name, item, layer.table.num_rows, why))
        if pa.types.is_boolean(values.type):
            values = values.cast(pa.int32())
        elif pa.types.is_timestamp(values.type):
            values = values.cast(pa.string())
        elif pa.types.is_string(values.type):
            values = _within_bytes(layer.name, new, values, losses)
        columns[new] = values
    return _with_columns(layer, columns)


def short_names(layer: MappedLayer) -> dict[str, str]:
    """Return the name in a shapefile of each column: its `short`, or the first 10 characters.

    Where two would be one, the later ends in a number.
    """
    made: dict[str, str] = {}
    for column in layer.declared.column:
        name = column.short or column.name[:_NAME]
        n = 1
        while name.casefold() in {m.casefold() for m in made.values()}:
            n += 1
            name = f"{(column.short or column.name)[: _NAME - len(f'_{n}')]}_{n}"
        made[column.name] = name
    return made


def _within_bytes(layer: str, name: str, values: pa.Array, losses: list[Loss]) -> pa.Array:
    texts = values.to_pylist()
    coded = [None if text is None else text.encode() for text in texts]
    long = sum(len(c) > _TEXT_BYTES for c in coded if c is not None)
    if not long:
        return values
    losses.append(Loss("texts", layer, name, long, f"a shapefile holds {_TEXT_BYTES} bytes"))
    cut = [None if c is None else c[:_TEXT_BYTES].decode(errors="ignore") for c in coded]
    return pa.array(cut, type=pa.string())


def _for_geojson(layer: MappedLayer, losses: list[Loss]) -> MappedLayer:
    if not layer.declared.geometry.endswith("Z"):
        return layer
    why = "RFC 7946 would take a level for a height above the ellipsoid"
    losses.append(Loss("places", layer.name, "z", layer.table.num_rows, why))
    flat = shapely.to_wkb(shapely.force_2d(shapes(layer.table)), flavor="iso")
    at = layer.table.schema.get_field_index(GEOMETRY)
    made = layer.table.set_column(at, GEOMETRY_FIELD, pa.array(flat, type=pa.binary()))
    plain = layer.declared.model_copy(update={"geometry": layer.declared.geometry[:-2]})
    return MappedLayer(plain, made)


def _for_csv(layer: MappedLayer, losses: list[Loss]) -> MappedLayer:
    if layer.declared.geometry:
        why = "a CSV names no coordinate system: HANDOVER.md does"
        losses.append(Loss("places", layer.name, "CRS", layer.table.num_rows, why))
    return layer


def _with_columns(layer: MappedLayer, columns: dict[str, pa.Array]) -> MappedLayer:
    table = pa.table(columns)
    if GEOMETRY in layer.table.column_names:
        table = table.append_column(GEOMETRY_FIELD, layer.table[GEOMETRY])
    return MappedLayer(layer.declared, table)


_ADAPTED: Final[dict[str, Callable[[MappedLayer, list[Loss]], MappedLayer]]] = {
    "shapefile": _for_shapefile,
    "geojson": _for_geojson,
    "csv": _for_csv,
}
