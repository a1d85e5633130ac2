"""Layers of a built record as Arrow tables, as they stand in the file, some sites at a time.

For what takes rows on as they are. What is private is left out unless asked for, as everywhere.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyogrio
import pyproj

from lateralline import contract
from lateralline.contract import FieldType
from lateralline.errors import ContractError, UnreadableError
from lateralline.record.assets import PREFIX, hidden
from lateralline.record.layers import GEOMETRY_FIELD, empty
from lateralline.record.lineage import private_of, read_lineage, sites_of
from lateralline.record.reading import crs_in

#: Sites whose rows are in memory at once.
SITES_AT_ONCE: Final = 64


@dataclass(frozen=True, slots=True, eq=False)
class StoredSite:
    """The rows of one site in a built record."""

    site_id: str
    record_version: int
    valid_from: date
    tables: dict[str, pa.Table]  # layer → rows, geometry as WKB


def own_columns(gpkg: Path) -> dict[str, FieldType]:
    """Return the users' own columns of a record and their types, but for what is not shown."""
    private, own = private_of(gpkg), {c.name for c in contract.own_assets()}
    found: dict[str, FieldType] = {}
    for name in contract.LAYERS:
        if not contract.has_assets(name):
            continue
        schema = pyogrio.read_arrow(gpkg, layer=name, max_features=0)[1].schema
        for column in schema:
            if column.name.startswith(PREFIX) and column.name not in own:
                found[column.name] = _kind(column.type)
    return {name: found[name] for name in found if name not in hidden(found, private)}


def stored_crs(gpkg: Path) -> pyproj.CRS | None:
    """Return the CRS of a record's layers, levels too; None for a sketch's invented axes."""
    return crs_in(gpkg, "field_marks")


def stored_sites(gpkg: Path) -> Iterator[StoredSite]:
    """Yield every site of a built record of today's schemas, in the order of their ids.

    Raises UnreadableError for a file that is locked, sqlite3.Error for no record.
    """
    ids, private = sites_of(gpkg), private_of(gpkg)
    for first in range(0, len(ids), SITES_AT_ONCE):
        some = ids[first : first + SITES_AT_ONCE]
        each = {name: _by_site(_read(gpkg, name, some, private)) for name in contract.LAYERS}
        for site in some:
            tables = {n: of[site] if site in of else empty(n) for n, of in each.items()}
            yield _site(site, tables)


def _site(site: str, tables: dict[str, pa.Table]) -> StoredSite:
    columns = (tables["lineage"][c].to_pylist() for c in ("topic", "item", "value"))
    about = read_lineage(zip(*columns, strict=True))
    try:
        version, day = int(about.version), date.fromisoformat(about.valid_from)
    except ValueError:
        raise ContractError(
            f"{site}: lineage says neither version nor first day of the record. "
            "The record was edited: build it again"
        ) from None
    return StoredSite(site, version, day, tables)


def _read(gpkg: Path, name: str, sites: Sequence[str], private: Collection[str]) -> pa.Table:
    listed = ", ".join("'" + site.replace("'", "''") + "'" for site in sites)
    try:
        _, table = pyogrio.read_arrow(gpkg, layer=name, where=f"site_id IN ({listed})")
    except pyogrio.errors.DataLayerError:
        return empty(name)
    except pyogrio.errors.DataSourceError as e:
        raise UnreadableError(f"{gpkg} cannot be read: {e}") from e
    if contract.load(name).geometry:
        shapes = table.column(table.num_columns - 1)
        table = table.remove_column(table.num_columns - 1).append_column(GEOMETRY_FIELD, shapes)
    return table.drop_columns(hidden(table.column_names, private))


def _by_site(table: pa.Table) -> dict[str, pa.Table]:
    """Part a table by site, rows in their order."""
    if not table.num_rows:
        return {}
    coded = pc.dictionary_encode(table["site_id"].combine_chunks())
    codes = coded.indices.to_numpy()
    order = np.argsort(codes, kind="stable")
    inside = table.take(pa.array(order)) if (np.diff(codes) < 0).any() else table
    counts = np.bincount(codes)
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]])
    names: Iterable[str] = coded.dictionary.to_pylist()
    return {
        site: inside.slice(int(start), int(count))
        for site, start, count in zip(names, starts, counts, strict=True)
    }


def _kind(arrow: pa.DataType) -> FieldType:
    if pa.types.is_boolean(arrow):
        return "boolean"
    if pa.types.is_date(arrow):
        return "date"
    return "real" if pa.types.is_floating(arrow) or pa.types.is_integer(arrow) else "text"
