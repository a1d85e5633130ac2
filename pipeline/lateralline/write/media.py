"""Pictures in a GeoPackage: related to what they show, as OGC 18-000 has it, relation `media`.

The layer `field_photos` is the table of media: its columns `data` and `content_type` are those
that the standard asks of one. A mapping table for each layer that pictures may hang on ties row to
row; a record without pictures has none of it. Columns and values were read in the standard's own
sources (opengeospatial/geopackage-related-tables, clause 7 and annex of SQL, of 2018) and in OGC's
e-learning page of it (names as adopted); GDAL's validator checks them in the tests.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from typing import Final

import pyarrow as pa

from lateralline import contract

#: The layer that is a table of media.
MEDIA: Final = "field_photos"
#: The layers that pictures hang on, each with its mapping table.
MAPPINGS: Final = {
    v.value: f"photos_of_{v.value}" for v in contract.load(MEDIA).column("related_layer").values
}

_DEFINITION: Final = "http://docs.opengeospatial.org/is/18-000/18-000.html"
_RELATIONS: Final = """
CREATE TABLE gpkgext_relations (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  base_table_name TEXT NOT NULL,
  base_primary_column TEXT NOT NULL DEFAULT 'id',
  related_table_name TEXT NOT NULL,
  related_primary_column TEXT NOT NULL DEFAULT 'id',
  relation_name TEXT NOT NULL,
  mapping_table_name TEXT NOT NULL UNIQUE
)
"""
_MAPPING: Final = 'CREATE TABLE "{}" (base_id INTEGER NOT NULL, related_id INTEGER NOT NULL)'
_KEY: Final = "fid"  # what GDAL calls the primary key of a table


def relate_media(db: sqlite3.Connection, names: Iterable[str]) -> None:
    """Relate each picture of an open GeoPackage, which holds layers of these names, to its feature.

    The GeoPackage has its table of extensions.
    """
    if MEDIA not in names or not db.execute(f"SELECT 1 FROM {MEDIA} LIMIT 1").fetchone():
        return
    db.execute(_RELATIONS)
    for layer, mapping in MAPPINGS.items():
        db.execute(_MAPPING.format(mapping))
        db.execute(
            f'INSERT INTO "{mapping}" SELECT base.{_KEY}, media.{_KEY} FROM {MEDIA} AS media '
            f'JOIN "{layer}" AS base ON base.{contract.UID} = media.related_uid '
            f"WHERE media.related_layer = ? ORDER BY media.{_KEY}",
            (layer,),
        )
        db.execute(
            "INSERT INTO gpkgext_relations (base_table_name, base_primary_column, "
            "related_table_name, related_primary_column, relation_name, mapping_table_name) "
            "VALUES (?, ?, ?, ?, 'media', ?)",
            (layer, _KEY, MEDIA, _KEY, mapping),
        )
    db.executemany(
        "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_related_tables', ?, 'read-write')",
        [(table, _DEFINITION) for table in ("gpkgext_relations", *MAPPINGS.values())],
    )


def as_media(name: str, table: pa.Table) -> pa.Table:
    """Return a layer's table; as the standard asks, a table of media lacks no data and no type."""
    if name != MEDIA:
        return table
    required = {c.name for c in contract.load(name).field if c.required}
    return table.cast(pa.schema([f.with_nullable(f.name not in required) for f in table.schema]))
