"""Layers of a built record as Arrow tables, as they stand in the file, some sites at a time.

For what takes rows on as they are. What is private, pictures too, is left out unless asked for, as
everywhere.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
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
from lateralline.contract import CONNECTIONS, FieldType
from lateralline.errors import ContractError, UnreadableError
from lateralline.output.proof import reading
from lateralline.record.assets import PREFIX, hidden, shown_rows
from lateralline.record.layers import GEOMETRY_FIELD, empty
from lateralline.record.lineage import private_of, read_lineage, sites_of
from lateralline.record.reading import crs_in
from lateralline.records import Ints

#: Sites whose rows are read at once, since to find some sites costs a walk over all rows; and how
#: many of them are handed on at once.
_READ_AT_ONCE: Final = 256
SITES_AT_ONCE: Final = 32
_KINDS: Final[dict[str, FieldType]] = {
    "BOOLEAN": "boolean", "DATE": "date", "REAL": "real", "INTEGER": "real",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class StoredSite:
    """What a built record says of the record of one site."""

    site_id: str
    record_version: int
    valid_from: date


@dataclass(frozen=True, slots=True, eq=False)
class StoredSites:
    """The rows of some sites of a built record."""

    sites: list[StoredSite]
    tables: dict[str, pa.Table]  # layer → rows site by site, as the sites are; geometry as WKB

    def begins(self, table: pa.Table) -> Ints:
        """Return where the rows of each site begin in a table of theirs (sites + 1,)."""
        return _begins(_site_rows(table, self.sites), len(self.sites))


def own_columns(gpkg: Path) -> dict[str, FieldType]:
    """Return the users' own columns of a record and their types, but for what is not shown."""
    private, own = private_of(gpkg), {c.name for c in contract.own_assets()}
    layers = [name for name in contract.LAYERS if contract.has_assets(name)]
    found: dict[str, FieldType] = {}
    with reading(gpkg) as db:
        for layer in layers:
            for _, name, kind, *_ in db.execute(f"PRAGMA table_info({layer})"):
                if name.startswith(PREFIX) and name not in own:
                    found[name] = _KINDS.get(kind, "text")
    return {name: found[name] for name in found if name not in hidden(found, private)}


def stored_crs(gpkg: Path) -> pyproj.CRS | None:
    """Return the CRS of a record's layers, levels too; None for a sketch's invented axes."""
    return crs_in(gpkg, "field_marks")


def stored_sites(gpkg: Path, connections: Path | None = None) -> Iterator[StoredSites]:
    """Yield all sites of a built record of today's schemas, some at once, in the order of ids.

    With `connections`, a file that was made of the record, its layer is one of the tables.

    Raises UnreadableError for a file that is locked, sqlite3.Error for no record.
    """
    ids, private = sites_of(gpkg), private_of(gpkg)
    for first in range(0, len(ids), _READ_AT_ONCE):
        some = ids[first : first + _READ_AT_ONCE]
        listed = ", ".join("'" + site.replace("'", "''") + "'" for site in some)
        where = None if len(some) == len(ids) else f"site_id IN ({listed})"
        tables = {name: _read(gpkg, name, where, private) for name in contract.LAYERS}
        if connections is not None:
            tables[CONNECTIONS] = _read(connections, CONNECTIONS, where, private)
        sites = _sites(some, tables["lineage"])
        for name, table in tables.items():
            rows = _site_rows(table, sites)
            if (np.diff(rows) < 0).any():
                order = np.argsort(rows, kind="stable")
                tables[name], rows = table.take(pa.array(order)), rows[order]
        begins = {n: _begins(_site_rows(t, sites), len(sites)).tolist() for n, t in tables.items()}
        for at in range(0, len(sites), SITES_AT_ONCE):
            end = min(at + SITES_AT_ONCE, len(sites))
            part = {n: t.slice(begins[n][at], begins[n][end] - begins[n][at])
                    for n, t in tables.items()}  # fmt: skip
            yield StoredSites(sites[at:end], part)


def _site_rows(table: pa.Table, sites: Sequence[StoredSite]) -> Ints:
    """Return which site each row of a table is of (rows,); as many as there are for another."""
    names = pa.array([site.site_id for site in sites], type=pa.string())
    found = pc.fill_null(pc.index_in(table["site_id"], value_set=names), len(sites))
    return np.asarray(found.to_numpy(), dtype=np.int64)


def _begins(rows: Ints, sites: int) -> Ints:
    counts = np.bincount(rows, minlength=sites)[:sites]
    return np.concatenate([np.zeros(1, dtype=np.int64), np.cumsum(counts)])


def _sites(ids: Sequence[str], lineage: pa.Table) -> list[StoredSite]:
    """Return what the rows of lineage say of each site."""
    said: dict[str, list[tuple[str, str, str]]] = {site: [] for site in ids}
    columns = (lineage[c].to_pylist() for c in ("site_id", "topic", "item", "value"))
    for site, *row in zip(*columns, strict=True):
        said[site].append((row[0], row[1], row[2]))
    return [_site(site, rows) for site, rows in said.items()]


def _site(site: str, rows: list[tuple[str, str, str]]) -> StoredSite:
    about = read_lineage(rows)
    try:
        return StoredSite(site, int(about.version), date.fromisoformat(about.valid_from))
    except ValueError:
        raise ContractError(
            f"{site}: lineage says neither version nor first day of the record. "
            "The record was edited: build it again"
        ) from None


def _read(gpkg: Path, name: str, where: str | None, private: Collection[str]) -> pa.Table:
    try:
        _, table = pyogrio.read_arrow(gpkg, layer=name, where=where)
    except pyogrio.errors.DataLayerError:
        return empty(name)
    except pyogrio.errors.DataSourceError as e:
        raise UnreadableError(f"{gpkg} cannot be read: {e}") from e
    if contract.load(name).geometry:
        shapes = table.column(table.num_columns - 1)
        table = table.remove_column(table.num_columns - 1).append_column(GEOMETRY_FIELD, shapes)
    return shown_rows(name, table.drop_columns(hidden(table.column_names, private)))
