"""The layers of a finished GeoPackage once more, as GeoParquet and as FlatGeobuf.

Same layers, columns and CRS, a few thousand rows in memory at a time, each file read back and
compared with what was read from the GeoPackage: rows, rows without geometry, and the box of all
coordinates, to the last bit. Equal GeoPackages give equal bytes of both.

GeoParquet 1.0: the key "geo" of the file's metadata, as its specification has it (read: excerpts of
opengeospatial/geoparquet v1.0.0); titles, units and cautions stand in the metadata of columns and
file. Tables without geometry are plain Parquet. FlatGeobuf has a spatial index, which orders the
features by place, where every feature has one; a table's features have none.
"""

from __future__ import annotations

import json
import warnings
from collections.abc import Callable, Collection, Iterable, Iterator
from pathlib import Path
from typing import Final, TypeAlias

import fiona
import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio
import pyproj

from lateralline import contract
from lateralline.errors import ReadBackError
from lateralline.record import layers
from lateralline.record.reading import crs_in
from lateralline.write.project import write_project
from lateralline.write.read_back import LayerTally, tally_of

#: Folder of each kind of file, and how the files end.
FORMATS: Final = {"geoparquet": ".parquet", "flatgeobuf": ".fgb"}
#: Asked for as a format is: a project of QGIS inside the GeoPackage itself.
PROJECT: Final = "qgis-project"
#: Likewise: pictures of sites, copied as they are while a site is written (`write.photo_copies`).
PHOTOS: Final = "photos"
ALSO: Final = (*FORMATS, PROJECT, PHOTOS)
_GEO_VERSION: Final = "1.0.0"
_ROWS: Final = 4096


def write_formats(gpkg: Path, folder: Path, formats: Collection[str]) -> None:
    """Write the layers of a GeoPackage into a folder of each format, and read them back.

    `formats` are of `ALSO`; a project goes into the GeoPackage itself. Raises ReadBackError naming
    each file that does not hold what the GeoPackage does.
    """
    faults = []
    if PROJECT in formats:
        write_project(gpkg)
    for kind in (name for name in FORMATS if name in formats):
        write, read = _WRITERS[kind]
        (folder / kind).mkdir(exist_ok=True)
        for name in contract.LAYERS:
            path = folder / kind / f"{name}{FORMATS[kind]}"
            meant = _tally(_batches(gpkg, name))
            write(gpkg, name, path, meant)
            found = read(path)
            if not found.same(meant):
                faults.append(f"{kind}/{path.name}: {found}, meant {meant}")
    if faults:
        raise ReadBackError("not read back as written: " + "; ".join(faults))


def _batches(gpkg: Path, name: str) -> Iterator[pa.Table]:
    """Yield the rows of a layer as the contract declares its columns, geometry as WKB."""
    schema = layers.empty(name).schema
    spatial = bool(contract.load(name).geometry)
    with pyogrio.open_arrow(gpkg, layer=name, use_pyarrow=True, batch_size=_ROWS) as (meta, reader):
        for batch in reader:
            table = pa.Table.from_batches([batch])
            if spatial:
                at = table.schema.get_field_index(meta["geometry_name"] or "geom")
                shapes = table.column(at).cast(pa.binary())
                table = table.drop_columns([table.schema.names[at]])
                table = table.append_column(layers.GEOMETRY_FIELD, shapes)
            yield table.select(schema.names).cast(schema)


def _tally(tables: Iterable[pa.Table]) -> LayerTally:
    tally = LayerTally()
    for table in tables:
        tally.count(table)
    return tally


# ---- GeoParquet ---------------------------------------------------------------------------------


def _write_parquet(gpkg: Path, name: str, path: Path, _: LayerTally) -> None:
    schema = _described(name, crs_in(gpkg, name) if contract.load(name).geometry else None)
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for table in _batches(gpkg, name):
            writer.write_table(table.cast(schema))


def _described(name: str, crs: pyproj.CRS | None) -> pa.Schema:
    """Return the schema of a layer's file, with what it and its columns mean."""
    declared = contract.load(name)
    about = {"title": declared.title, "description": declared.description,
             "caution": declared.caution}  # fmt: skip
    if declared.geometry:
        about["geo"] = geo_text(declared.geometry, crs)
    fields = []
    for field, column in zip(layers.empty(name).schema, declared.field, strict=False):
        said = {"title": column.title, "description": column.description, "unit": column.unit}
        fields.append(field.with_metadata({k: v for k, v in said.items() if v}))
    if declared.geometry:
        fields.append(pa.field(layers.GEOMETRY, pa.binary()))
    return pa.schema(fields, metadata={k: v for k, v in about.items() if v})


def geo_text(geometry: str, crs: pyproj.CRS | None) -> str:
    """Return what GeoParquet wants to be said of one column of geometry, as JSON."""
    shape = {
        "encoding": "WKB",
        "geometry_types": [geometry],
        "crs": None if crs is None else crs.to_json_dict(),  # null: not known, not WGS 84
    }
    columns = {layers.GEOMETRY: shape}
    return json.dumps(
        {"version": _GEO_VERSION, "primary_column": layers.GEOMETRY, "columns": columns}
    )


def _read_parquet(path: Path) -> LayerTally:
    with pq.ParquetFile(path) as file:
        return _tally(pa.Table.from_batches([batch]) for batch in file.iter_batches(_ROWS))


# ---- FlatGeobuf ---------------------------------------------------------------------------------


def _write_flatgeobuf(gpkg: Path, name: str, path: Path, tally: LayerTally) -> None:
    declared = contract.load(name)
    crs = crs_in(gpkg, name) if declared.geometry else None
    indexed = tally.rows > 0 and tally.bare == 0
    schema = layers.empty(name).schema
    if not declared.geometry:
        schema = schema.append(layers.GEOMETRY_FIELD)

    def rows() -> Iterator[pa.RecordBatch]:
        for table in _batches(gpkg, name):
            if not declared.geometry:
                nowhere = pa.nulls(table.num_rows, pa.binary())
                table = table.append_column(layers.GEOMETRY_FIELD, nowhere)
            yield from table.to_batches()

    with warnings.catch_warnings():
        # No CRS is what a sketch with invented axes should have; GDAL warns all the same.
        warnings.filterwarnings("ignore", message=".*crs.* was not provided.*")
        pyogrio.write_arrow(
            pa.RecordBatchReader.from_batches(schema, rows()),
            path,
            layer=name,
            driver="FlatGeobuf",
            geometry_name=layers.GEOMETRY,
            geometry_type=declared.geometry or "Unknown",
            crs=None if crs is None else crs.to_wkt(),
            layer_options={
                "SPATIAL_INDEX": "YES" if indexed else "NO",
                "TITLE": declared.title,
                "DESCRIPTION": " ".join(filter(None, (declared.description, declared.caution))),
            },
        )


def _read_flatgeobuf(path: Path) -> LayerTally:
    with fiona.open(path) as source:
        return tally_of(source)


_Writer: TypeAlias = Callable[[Path, str, Path, LayerTally], None]
_WRITERS: Final[dict[str, tuple[_Writer, Callable[[Path], LayerTally]]]] = {
    "geoparquet": (_write_parquet, _read_parquet),
    "flatgeobuf": (_write_flatgeobuf, _read_flatgeobuf),
}
