"""A layer of a finished GeoPackage as GeoParquet, a few thousand rows in memory at a time.

GeoParquet 1.0: the key "geo" of the file's metadata, as its specification has it (read: excerpts of
opengeospatial/geoparquet v1.0.0); titles, units and cautions stand in the metadata of columns and
file. Tables without geometry are plain Parquet. What 1.1 adds, the box of each row, is in files of
areas (`areas`) alone, whose readers look for it.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio
import pyproj

from lateralline import contract
from lateralline.record import layers
from lateralline.record.reading import crs_in
from lateralline.records import Ints
from lateralline.write.read_back import LayerTally

_GEO_VERSION: Final = "1.0.0"
#: Rows of a layer that are held at a time.
ROWS: Final = 4096
#: What the column of row ids is called.
ROW_ID: Final = "fid"


def layer_batches(gpkg: Path, name: str) -> Iterator[pa.Table]:
    """Yield the rows of a layer as the contract declares its columns, geometry as WKB."""
    schema = layers.empty(name).schema
    for table in stream(gpkg, name):
        yield table.select(schema.names).cast(schema)


def layer_rows(gpkg: Path, name: str, ids: Ints) -> pa.Table:
    """Return rows of a layer by their row ids (n), in the order given, as `layer_batches` does."""
    schema = layers.empty(name).schema
    where = f"{ROW_ID} IN ({','.join(map(str, ids.tolist()))})"
    table = pa.concat_tables(stream(gpkg, name, where=where))
    at = dict(zip(table[ROW_ID].to_pylist(), range(table.num_rows), strict=True))
    return table.select(schema.names).cast(schema).take([at[i] for i in ids.tolist()])


def stream(
    gpkg: Path, name: str, *, where: str | None = None, columns: Sequence[str] | None = None
) -> Iterator[pa.Table]:
    """Yield rows of a layer, those that the SQL `where` picks, with their row ids.

    Of its columns all, or some, and its geometry under our name for it.
    """
    with pyogrio.open_arrow(
        gpkg, layer=name, use_pyarrow=True, batch_size=ROWS, where=where, columns=columns,
        return_fids=True,
    ) as (meta, reader):  # fmt: skip
        for batch in reader:
            table = pa.Table.from_batches([batch])
            called = {meta["fid_column"] or ROW_ID: ROW_ID}
            if contract.load(name).geometry:
                called[meta["geometry_name"] or "geom"] = layers.GEOMETRY
            table = table.rename_columns([called.get(n, n) for n in table.column_names])
            if layers.GEOMETRY in table.column_names:
                at = table.column_names.index(layers.GEOMETRY)
                shapes = table.column(at).cast(pa.binary())
                table = table.set_column(at, layers.GEOMETRY_FIELD, shapes)
            yield table


def tally_tables(tables: Iterable[pa.Table]) -> LayerTally:
    """Return what tables hold together."""
    tally = LayerTally()
    for table in tables:
        tally.count(table)
    return tally


def write_parquet(gpkg: Path, name: str, path: Path) -> None:
    """Write a layer of a GeoPackage into a file."""
    geometry = contract.load(name).geometry
    geo = {"geo": geo_text(geometry, crs_in(gpkg, name))} if geometry else {}
    schema = described(name, geo)
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for table in layer_batches(gpkg, name):
            writer.write_table(table.cast(schema))


def described(name: str, more: dict[str, str]) -> pa.Schema:
    """Return the schema of a layer's file, with what it and its columns mean, and `more`."""
    declared = contract.load(name)
    about = {"title": declared.title, "description": declared.description,
             "caution": declared.caution, **more}  # fmt: skip
    fields = []
    for field, column in zip(layers.empty(name).schema, declared.field, strict=False):
        said = {"title": column.title, "description": column.description, "unit": column.unit}
        fields.append(field.with_metadata({k: v for k, v in said.items() if v}))
    if declared.geometry:
        fields.append(pa.field(layers.GEOMETRY, pa.binary()))
    return pa.schema(fields, metadata={k: v for k, v in about.items() if v})


def geo_text(
    geometry: str, crs: pyproj.CRS | None, *, version: str = _GEO_VERSION, **more: Any
) -> str:
    """Return what GeoParquet wants to be said of one column of geometry, and `more`, as JSON."""
    shape = {
        "encoding": "WKB",
        "geometry_types": [geometry],
        "crs": None if crs is None else crs.to_json_dict(),  # null: not known, not WGS 84
        **more,
    }
    columns = {layers.GEOMETRY: shape}
    return json.dumps({"version": version, "primary_column": layers.GEOMETRY, "columns": columns})


def read_parquet(path: Path) -> LayerTally:
    """Return what a file holds."""
    with pq.ParquetFile(path) as file:
        return tally_tables(pa.Table.from_batches([b]) for b in file.iter_batches(ROWS))
