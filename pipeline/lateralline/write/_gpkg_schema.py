"""The GeoPackage schema extension: what each column means, and which values it may take.

Tables and rules: OGC 12-128r17 (GeoPackage 1.3), clause F.9; DDL from memory, held to by GDAL's
GeoPackage validator in the tests.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterator
from typing import Final

from lateralline import contract
from lateralline.contract import Column

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


def write(db: sqlite3.Connection, names: tuple[str, ...] = contract.LAYERS) -> None:
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
    return f"{column.description}{unit}"


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
