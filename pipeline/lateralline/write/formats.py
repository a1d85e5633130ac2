"""The layers of a finished GeoPackage once more, as GeoParquet and as FlatGeobuf.

Same layers, columns and CRS, a few thousand rows in memory at a time, each file read back and
compared with what was read from the GeoPackage: rows, rows without geometry, and the box of all
coordinates, to the last bit. Equal GeoPackages give equal bytes of both.

GeoParquet is a file for each layer (`parquet`), or one for each area of it (`areas`). FlatGeobuf
has a spatial index, which orders the features by place, where every feature has one; a table's
features have none.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Collection, Iterator
from pathlib import Path
from typing import Final, TypeAlias

import fiona
import pyarrow as pa
import pyogrio

from lateralline import contract
from lateralline.errors import ReadBackError
from lateralline.record import layers
from lateralline.record.reading import crs_in
from lateralline.write.areas import Areas, read_areas, write_areas
from lateralline.write.parquet import layer_batches, read_parquet, tally_tables, write_parquet
from lateralline.write.project import write_project
from lateralline.write.read_back import LayerTally, tally_of

#: Folder of each kind of file, and how the files end.
GEOPARQUET: Final = "geoparquet"
FORMATS: Final = {GEOPARQUET: ".parquet", "flatgeobuf": ".fgb"}
#: Asked for as a format is: a project of QGIS inside the GeoPackage itself.
PROJECT: Final = "qgis-project"
#: Likewise: pictures of sites, copied as they are while a site is written (`write.photo_copies`).
PHOTOS: Final = "photos"
ALSO: Final = (*FORMATS, PROJECT, PHOTOS)


def write_formats(
    gpkg: Path, folder: Path, formats: Collection[str], areas: Areas | None = None
) -> None:
    """Write the layers of a GeoPackage into a folder of each format, and read them back.

    `formats` are of `ALSO`; a project goes into the GeoPackage itself; `areas` divide GeoParquet.
    Raises ReadBackError naming each file that does not hold what the GeoPackage does, FrameError
    for areas that the layers' CRS does not have.
    """
    faults = []
    if PROJECT in formats:
        write_project(gpkg)
    for kind in (name for name in FORMATS if name in formats):
        (folder / kind).mkdir(exist_ok=True)
        for name in contract.LAYERS:
            path = folder / kind / f"{name}{FORMATS[kind]}"
            meant = tally_tables(layer_batches(gpkg, name))
            if kind == GEOPARQUET and areas is not None and areas.divide(name):
                path = path.with_suffix("")
                write_areas(gpkg, name, path, areas)
                found = read_areas(gpkg, name, path, areas)
            else:
                write, read = _WRITERS[kind]
                write(gpkg, name, path, meant)
                found = read(path)
            if not found.same(meant):
                faults.append(f"{kind}/{path.name}: {found}, meant {meant}")
    if faults:
        raise ReadBackError("not read back as written: " + "; ".join(faults))


def _write_parquet(gpkg: Path, name: str, path: Path, _: LayerTally) -> None:
    write_parquet(gpkg, name, path)


def _write_flatgeobuf(gpkg: Path, name: str, path: Path, tally: LayerTally) -> None:
    declared = contract.load(name)
    crs = crs_in(gpkg, name) if declared.geometry else None
    indexed = tally.rows > 0 and tally.bare == 0
    schema = layers.empty(name).schema
    if not declared.geometry:
        schema = schema.append(layers.GEOMETRY_FIELD)

    def rows() -> Iterator[pa.RecordBatch]:
        for table in layer_batches(gpkg, name):
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
    GEOPARQUET: (_write_parquet, read_parquet),
    "flatgeobuf": (_write_flatgeobuf, _read_flatgeobuf),
}
