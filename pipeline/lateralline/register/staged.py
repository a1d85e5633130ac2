"""Rows of a record on the way into a register: as the server takes them, and in a session's tables.

Rows of some sites at once are one COPY a layer, into temporary tables that go with the session;
from there each site is taken by one statement. A COPY for each site and layer costs twice as much
on the server and ten times on this side, for most of them carry a handful of rows.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextvars import copy_context
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Final

import numpy as np
import psycopg
import pyarrow as pa
import pyarrow.compute as pc
from psycopg import sql
from psycopg.errors import DataError, IntegrityError
from pyarrow import csv

from lateralline.contract import CONNECTIONS
from lateralline.record.layers import GEOMETRY as STORED_GEOMETRY
from lateralline.record.stored import StoredSite, StoredSites, stored_sites
from lateralline.records import Ints
from lateralline.register.declare import GEOMETRY, SCHEMA, VERSION
from lateralline.register.server import in_words

#: Rows of lineage that say with what a record was made, not what it says.
_MADE_WITH: Final = pa.array(["software", "input"])
_PLAIN: Final = csv.WriteOptions(include_header=False, quoting_style="needed")
_STAGE: Final = "lateralline_stage"
_FASTER: Final = (
    "SELECT set_config(name, 'lz4', false) FROM pg_settings "
    "WHERE name = 'default_toast_compression' AND 'lz4' = ANY(enumvals)"
)
#: Flags of a geometry's type in EWKB: it has z, it has m, its SRID follows.
_Z, _M, _SRID = 0x80000000, 0x40000000, 0x20000000
_TO_THE_END: Final = 2**31 - 1  # no stop at all fails in Arrow 26
_LF, _QUOTE = ord("\n"), ord('"')


@dataclass(frozen=True, slots=True, eq=False)
class ReadyRows:
    """Rows of a layer as COPY takes them, site by site."""

    columns: list[str]
    text: bytes
    bytes_at: Ints  # (sites + 1,) where the text of each site begins
    rows_at: Ints  # (sites + 1,)

    def of(self, site: int) -> memoryview:
        """Return the text of one site's rows."""
        return memoryview(self.text)[self.bytes_at[site] : self.bytes_at[site + 1]]


@dataclass(frozen=True, slots=True, eq=False)
class ReadySites:
    """Some sites of a record, their rows, and a SHA-256 of what they say."""

    sites: list[StoredSite]
    digests: list[str]
    layers: dict[str, ReadyRows]

    def rows(self, site: int) -> int:
        """Return how many rows a site has."""
        return sum(
            int(rows.rows_at[site + 1] - rows.rows_at[site]) for rows in self.layers.values()
        )


def ready_sites(record: Path, srid: int, connections: Path | None) -> Iterator[ReadySites]:
    """Yield the sites of a record, some at once; the next are made ready while these are taken.

    Raises as `stored_sites`.
    """
    with ThreadPoolExecutor(1) as pool:
        parts = stored_sites(record, connections)

        def following() -> ReadySites | None:
            part = next(parts, None)
            return None if part is None else _ready(part, srid)

        context = copy_context()  # of what is private
        coming = pool.submit(context.run, following)
        while (ready := coming.result()) is not None:
            coming = pool.submit(context.run, following)
            yield ready


def _ready(part: StoredSites, srid: int) -> ReadySites:
    layers, digested = {}, {}
    for name, stored in part.tables.items():
        table = _as_taken(stored, srid)
        layers[name] = digested[name] = _text(table, part)
        if name == "lineage":
            # A record that was built again from the same marks says the same.
            made_with = pc.is_in(table["topic"], value_set=_MADE_WITH)
            digested[name] = _text(table.filter(pc.invert(made_with)), part)
    return ReadySites(part.sites, [_digest(digested, n) for n in range(len(part.sites))], layers)


def says_no_more(digest: str, held: str) -> bool:
    """Tell whether what is held says all that a digest stands for, its connections with it.

    A record that comes without them does not say that there are none.
    """
    return held == digest or (" " not in digest and held.partition(" ")[0] == digest)


def _digest(layers: dict[str, ReadyRows], site: int) -> str:
    """Return the SHA-256 of what the layers say of a site, and that of its connections, if any."""
    parts = [{n: rows for n, rows in layers.items() if n != CONNECTIONS}]
    if CONNECTIONS in layers:
        parts.append({CONNECTIONS: layers[CONNECTIONS]})
    return " ".join(_digest_of(part, site) for part in parts)


def _digest_of(layers: dict[str, ReadyRows], site: int) -> str:
    whole = sha256()
    for name, rows in layers.items():
        if said := rows.of(site):
            whole.update(f"{name} {' '.join(rows.columns)}\n".encode())
            whole.update(said)
    return whole.hexdigest()


def _text(table: pa.Table, part: StoredSites) -> ReadyRows:
    made = io.BytesIO()
    csv.write_csv(table, made, _PLAIN)
    text = made.getvalue()
    # A row ends at a line feed that is not in quotes.
    letters = np.frombuffer(text, dtype=np.uint8)
    ends = np.flatnonzero(letters == _LF)
    quotes = np.flatnonzero(letters == _QUOTE)
    ends = ends[np.searchsorted(quotes, ends) % 2 == 0] + 1
    begins = part.begins(table)
    return ReadyRows(table.column_names, text, np.concatenate([[0], ends])[begins], begins)


def _as_taken(table: pa.Table, srid: int) -> pa.Table:
    """Return rows as a table of the register takes them: geometry as EWKB, bytes too, in hex."""
    for at, column in enumerate(table.schema):
        if not pa.types.is_binary(column.type):
            continue
        if column.name == STORED_GEOMETRY:
            table = table.set_column(at, GEOMETRY, _hex(_with_srid(table[at], srid)))
        else:
            begin, end = (pa.scalar(text, type=pa.large_string()) for text in ("\\x", ""))
            digits = _hex(table[at].combine_chunks())
            hexes = pc.binary_join_element_wise(begin, digits, end)
            table = table.set_column(at, column.name, hexes)
    return table


def _with_srid(wkb: pa.ChunkedArray, srid: int) -> pa.Array:
    """Return geometries (WKB) with their SRID (EWKB): a layer has one beginning, or very few."""
    whole = wkb.combine_chunks()
    begins = pc.binary_slice(whole, 0, 5).dictionary_encode()
    ewkb = [None if b is None else _begin(b, srid) for b in begins.dictionary.to_pylist()]
    begin = pa.array(ewkb, type=pa.binary()).take(begins.indices)
    rest = pc.binary_slice(whole, 5, _TO_THE_END)
    return pc.binary_join_element_wise(begin, rest, pa.scalar(b"", type=pa.binary()))


def _begin(wkb: bytes, srid: int) -> bytes:
    """Return the first bytes of EWKB: order of bytes, type and SRID.

    >>> _begin(bytes.fromhex("01E9030000"), 32617).hex()  # a point with z
    '01010000a0697f0000'
    """
    order = "<" if wkb[0] else ">"
    (kind,) = struct.unpack(f"{order}I", wkb[1:])
    thousands, kind = divmod(kind & 0xFFFF, 1000)
    flags = _SRID | (_Z if thousands in (1, 3) else 0) | (_M if thousands in (2, 3) else 0)
    return wkb[:1] + struct.pack(f"{order}II", flags | kind, srid)


def _hex(data: pa.Array) -> pa.Array:
    """Return bytes as text of hexadecimal digits."""
    data = pa.concat_arrays([data.cast(pa.large_binary())])
    valid, offsets, values = data.buffers()
    at = np.frombuffer(offsets, dtype=np.int64)[data.offset : data.offset + len(data) + 1]
    text = memoryview(values)[at[0] : at[-1]].hex().upper().encode() if len(data) else b""
    ends = pa.py_buffer(np.ascontiguousarray(2 * (at - at[0])))
    valid = data.is_valid() if data.null_count else None
    made = pa.LargeStringArray.from_buffers(len(data), ends, pa.py_buffer(text))
    return made if valid is None else pc.if_else(valid, made, None)


# ---- on the server ------------------------------------------------------------------------


class StagedRows:
    """Temporary tables of a session, like those of the layers but that they take anything."""

    def __init__(self, session: psycopg.Connection) -> None:
        """Keep the session whose tables they are.

        What it brings in is compressed by the faster way, where the server has it.
        """
        self.session = session
        session.execute(_FASTER)
        session.commit()
        self._made: dict[str, list[str]] = {}  # layer → columns
        self._prepared: list[str] = []  # layers that `take` takes

    def fill(self, part: ReadySites, wanted: Sequence[int]) -> dict[int, str]:
        """Put the rows of sites here in place of those before; return why sites have none here.

        Committed before it returns, as `take` is called in transactions of their own.
        """
        if not wanted:
            return {}
        for layer in self._made:
            self.session.execute(sql.SQL("TRUNCATE {}").format(_table(layer)))
        for layer, rows in part.layers.items():
            if layer not in self._made and rows.text:
                self._make(layer, rows.columns)
        self._prepare()
        self.session.commit()
        try:
            self._copy(part, wanted)
        except (DataError, IntegrityError):
            self.session.rollback()
        else:
            self.session.commit()
            return {}
        refused = {}
        for site in wanted:  # a value of one of them is none of its column
            try:
                self._copy(part, [site])
            except (DataError, IntegrityError) as e:
                self.session.rollback()
                refused[site] = in_words(e)
            else:
                self.session.commit()
        return refused

    def take(self, site: str, version: int) -> None:
        """Insert the rows of a site that are here into the layers, in the transaction there is."""
        if self._prepared:
            order = sql.SQL("EXECUTE {} ({}, {})")
            self.session.execute(order.format(sql.Identifier(_STAGE), site, version))

    def _make(self, layer: str, columns: list[str]) -> None:
        self.session.execute(
            sql.SQL("CREATE TEMPORARY TABLE {} AS SELECT {} FROM {} WITH NO DATA").format(
                _table(layer), _names(columns), sql.Identifier(SCHEMA, layer)
            )
        )
        self.session.execute(sql.SQL("CREATE INDEX ON {} (site_id)").format(_table(layer)))
        self._made[layer] = columns

    def _prepare(self) -> None:
        """Let one statement insert the rows of a site into all layers."""
        if self._prepared == list(self._made):
            return
        if self._prepared:
            self.session.execute(f"DEALLOCATE {_STAGE}")
        inserts = [
            sql.SQL("INSERT INTO {} ({n}, {}) SELECT {n}, $2 FROM {} WHERE site_id = $1").format(
                sql.Identifier(SCHEMA, layer), sql.Identifier(VERSION), _table(layer),
                n=_names(columns),
            )
            for layer, columns in self._made.items()
        ]  # fmt: skip
        before = [sql.SQL("{} AS ({})").format(sql.Identifier(layer), one)
                  for layer, one in zip(self._made, inserts[:-1], strict=False)]  # fmt: skip
        begun = sql.SQL("WITH {} ").format(sql.SQL(", ").join(before)) if before else sql.SQL("")
        self.session.execute(
            sql.SQL("PREPARE {} (text, integer) AS {}{}").format(
                sql.Identifier(_STAGE), begun, inserts[-1]
            )
        )
        self._prepared = list(self._made)

    def _copy(self, part: ReadySites, sites: Sequence[int]) -> None:
        whole = len(sites) == len(part.sites)
        for layer, rows in part.layers.items():
            text = rows.text if whole else b"".join(rows.of(site) for site in sites)
            if text:
                order = sql.SQL("COPY {} ({}) FROM STDIN (FORMAT csv)").format(
                    _table(layer), _names(rows.columns)
                )
                with self.session.cursor().copy(order) as copy:
                    copy.write(text)


def _table(layer: str) -> sql.Identifier:
    return sql.Identifier("pg_temp", f"{_STAGE}_{layer}")


def _names(columns: list[str]) -> sql.Composed:
    return sql.SQL(", ").join(map(sql.Identifier, columns))
