"""`asbuilt.gpkg`: every layer in one GeoPackage 1.3, appended site by site.

Older desktop GIS warns at version 1.4. Rows wait in memory as Arrow tables and go to the file a
few thousand at a time, so memory does not grow with the number of sites.
"""

from __future__ import annotations

import math
import sqlite3
import warnings
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyogrio
import pyproj

from lateralline import contract
from lateralline.contract import Column
from lateralline.frames import degrees_of
from lateralline.frames.systems import plan_of
from lateralline.output.proof import settle_sqlite
from lateralline.record import layers
from lateralline.write.described import Described, described_record
from lateralline.write.media import as_media, relate_media
from lateralline.write.metadata import Extent, write_metadata
from lateralline.write.read_back import LayerTally
from lateralline.write.styles import TABLE, write_styles

#: Places on each edge of the layers' box that are brought to degrees.
_EDGE_STEPS: Final = 9
_HALF_OF_LONGITUDES_DEG: Final = 180.0
#: Rows of one layer that wait in memory before they are written.
BATCH_ROWS: Final = 4096
#: Sites of one layer that wait: a small table costs more than its rows.
BATCH_SITES: Final = 32


class Batches:
    """Hands `write(layer, table)` the tables of many sites as one, never more than it must hold."""

    def __init__(self, write: Callable[[str, pa.Table], None]) -> None:
        """Begin with nothing waiting."""
        self._write = write
        self._waiting: dict[str, list[pa.Table]] = {}

    def add(self, tables: Mapping[str, pa.Table]) -> None:
        """Take one site's layers; write those that have waited long enough."""
        for name, table in tables.items():
            waiting = self._waiting.setdefault(name, [])
            waiting.append(table)
            if len(waiting) >= BATCH_SITES or self.waiting_rows(name) >= BATCH_ROWS:
                self._flush(name)

    def waiting_rows(self, layer: str) -> int:
        """Return how many rows of a layer wait."""
        return sum(t.num_rows for t in self._waiting.get(layer, ()))

    def flush(self) -> None:
        """Write everything that waits."""
        for name in self._waiting:
            self._flush(name)

    def _flush(self, name: str) -> None:
        waiting, self._waiting[name] = self._waiting[name], []
        table = pa.concat_tables(waiting).combine_chunks() if waiting else None
        if table is not None and table.num_rows:
            self._write(name, table)


#: Column by which a record is read site by site.
_SITE: Final = "site_id"
VERSION: Final = "1.3"
#: WKT 1 cannot hold all that a compound or user's CRS is: the extension adds WKT 2 beside it.
_DATASET: Final = {"VERSION": VERSION, "CRS_WKT_EXTENSION": "YES"}
#: srs_id of the "undefined Cartesian" system every GeoPackage holds; from memory of the standard,
#: held to by GDAL's validator in the tests.
_UNDEFINED_CARTESIAN: Final = "-1"


#: Nothing waits for the disk while a file is made: `output` puts it there whole, before it is put
#: in place.
pyogrio.set_gdal_config_options({"OGR_SQLITE_SYNCHRONOUS": "OFF"})


class GeoPackageSink:
    """Takes the layers of one site after another; `close` completes the file.

    `crs` is the system of every layer; None writes undefined Cartesian axes, never a false CRS.
    """

    def __init__(
        self,
        path: Path,
        crs: pyproj.CRS | None,
        *,
        stamp: datetime,
        names: tuple[str, ...] = contract.LAYERS,
    ) -> None:
        """Begin with no file; `stamp` becomes every layer's time of last change.

        `names` are the layers the file will hold: those of a build, or an overlay's own.
        """
        self.names = names
        self.path = path
        self.crs = crs
        self.tallies = {name: LayerTally() for name in names}
        self._stamp = stamp
        self._begun: set[str] = set()
        self._batches = Batches(self._write)

    def append(self, tables: Mapping[str, pa.Table]) -> None:
        """Take one site's layers, as `layers.to_tables` makes them."""
        for name, table in tables.items():
            self.tallies[name].count(table)
        self._batches.add(tables)

    def waiting_rows(self, layer: str) -> int:
        """Return how many rows of a layer wait in memory."""
        return self._batches.waiting_rows(layer)

    def close(self, remark: str = "", about: Described | None = None) -> None:
        """Write what waits, empty layers too, and all that says what the columns mean.

        `remark` ends every layer's description. `about` is what the file's metadata say; a record's
        are read from its layers.
        """
        self._batches.flush()
        for name in self.names:
            if name not in self._begun:
                self._write(name, layers.empty(name))
        write_styles(self.path, self._stamp, self.names)
        with closing(sqlite3.connect(self.path)) as db, db:
            _describe(db, self.names, remark, self._stamp)
            write_schema(db, self.names)
            for name in self.names:
                db.execute(
                    f'CREATE UNIQUE INDEX "{name}_{contract.UID}" ON "{name}" ("{contract.UID}")'
                )
                if _SITE in contract.load(name).names:  # a page reads one site of a city
                    db.execute(f'CREATE INDEX "{name}_{_SITE}" ON "{name}" ("{_SITE}")')
            relate_media(db, self.names)
            if self.names == contract.LAYERS:
                about = described_record(db)
            if about is not None:
                write_metadata(db, about, self.crs, self._extent(), self._stamp)
        settle_sqlite(self.path)

    def _extent(self) -> Extent | None:
        """Return where all geometry is, in degrees; None for a sketch and without any."""
        low, high = (
            extreme.reduce([tally.box[n, :2] for tally in self.tallies.values()])
            for n, extreme in enumerate((np.fmin, np.fmax))
        )
        if self.crs is None or not np.isfinite([*low, *high]).all():
            return None
        steps = np.linspace(0.0, 1.0, _EDGE_STEPS)
        ring = [(x, y) for s in steps for x, y in ((s, 0.0), (s, 1.0), (0.0, s), (1.0, s))]
        lon, lat = degrees_of(plan_of(self.crs), low + np.array(ring) * (high - low))
        lon = (lon - lon[0] + 180.0) % 360.0 - 180.0 + lon[0]  # on one side of the antimeridian
        west, east = ((v + 180.0) % 360.0 - 180.0 for v in (lon.min(), lon.max()))
        if self.crs.is_geographic and high[0] - low[0] > _HALF_OF_LONGITUDES_DEG:
            west, east = -180.0, 180.0  # of coordinates on both sides of it nobody knows which
        return Extent(float(west), float(east), float(lat.min()), float(lat.max()))

    def _write(self, name: str, table: pa.Table) -> None:
        first = name not in self._begun
        geometry = contract.load(name).geometry
        spatial: dict[str, str | None] = {}
        if geometry:
            spatial = {"geometry_name": layers.GEOMETRY, "geometry_type": geometry}
            spatial["crs"] = self.crs.to_wkt() if self.crs is not None else None
        local = bool(geometry) and self.crs is None
        with warnings.catch_warnings():
            # No CRS is what a sketch with invented axes should have; GDAL warns all the same.
            warnings.filterwarnings("ignore", message=".*crs.* was not provided.*")
            pyogrio.write_arrow(
                as_media(name, table),
                self.path,
                layer=name,
                driver="GPKG",
                append=not first,
                dataset_options=None if self._begun else _DATASET,
                layer_options={"SRID": _UNDEFINED_CARTESIAN} if local and first else None,
                **spatial,
            )
        self._begun.add(name)


def _describe(db: sqlite3.Connection, names: tuple[str, ...], remark: str, stamp: datetime) -> None:
    """Give each layer its title, and a description that ends with its caution."""
    when = stamp.strftime("%Y-%m-%dT%H:%M:%S.000Z")
    texts = {t.name: (t.title, t.description, t.caution) for t in map(contract.load, names)}
    texts[TABLE] = ("Layer styles", "How desktop GIS draws the layers when it opens them.", "")
    for name, (title, description, caution) in texts.items():
        db.execute(
            "UPDATE gpkg_contents SET identifier = ?, description = ?, last_change = ? "
            "WHERE table_name = ?",
            (title, " ".join(filter(None, (description, caution, remark))), when, name),
        )


# ---- The GeoPackage schema extension: what each column means, and which values it may take.


_TABLES: Final = """
CREATE TABLE gpkg_data_columns (
  table_name TEXT NOT NULL,
  column_name TEXT NOT NULL,
  name TEXT,
  title TEXT,
  description TEXT,
  mime_type TEXT,
  constraint_name TEXT,
  CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name)
);
CREATE TABLE gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL,
  constraint_type TEXT NOT NULL,
  value TEXT,
  min NUMERIC,
  min_is_inclusive BOOLEAN,
  max NUMERIC,
  max_is_inclusive BOOLEAN,
  description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value)
);
"""
_DEFINITION: Final = "http://www.geopackage.org/spec130/#extension_schema"

Constraint = tuple[
    str, str, str | None, float | None, int | None, float | None, int | None, str | None
]


def write_schema(db: sqlite3.Connection, names: tuple[str, ...] = contract.LAYERS) -> None:
    """Add the extension's tables, filled from the contract, to an open GeoPackage of layers."""
    for statement in filter(str.strip, _TABLES.split(";")):
        db.execute(statement)
    db.executemany(
        "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_schema', ?, 'read-write')",
        [("gpkg_data_columns", _DEFINITION), ("gpkg_data_column_constraints", _DEFINITION)],
    )
    for layer in names:
        for column in contract.load(layer).field:
            constraints = list(_constraints(layer, column))
            db.execute(
                "INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, ?)",
                (
                    layer,
                    column.name,
                    column.name,
                    column.title,
                    described(column),
                    constraints[0][0] if constraints else None,
                ),
            )
            db.executemany(
                "INSERT INTO gpkg_data_column_constraints VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                constraints,
            )


def described(column: Column) -> str:
    """Return a column's description with its unit.

    >>> from lateralline.contract import Column
    >>> described(Column(name="a_m", type="real", title="A", description="Length.", unit="m"))
    'Length. Unit: m.'
    """
    unit = f" Unit: {column.unit}." if column.unit not in ("", "1") else ""
    return f"{column.meaning}{unit}"


def _constraints(layer: str, column: Column) -> Iterator[Constraint]:
    """Yield the rows that hold one column to its enumeration or range; none when it is free."""
    name = f"{layer}.{column.name}"
    for v in column.values:
        yield (name, "enum", v.value, None, None, None, None, v.description)
    low = column.above if column.above is not None else column.minimum
    if not column.values and (low is not None or column.maximum is not None):
        yield (
            name,
            "range",
            None,
            -math.inf if low is None else low,
            int(column.above is None),
            math.inf if column.maximum is None else column.maximum,
            1,
            None,
        )
