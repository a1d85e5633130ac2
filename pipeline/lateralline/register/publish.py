"""Records into a register: a site in a transaction, rows by COPY."""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from hashlib import sha256
from pathlib import Path
from typing import Final, Literal

import numpy as np
import psycopg
import pyarrow as pa
import pyarrow.compute as pc
import shapely
from psycopg import sql
from psycopg.errors import InsufficientPrivilege
from pyarrow import csv
from sqlalchemy import Connection, text
from sqlalchemy.exc import SQLAlchemyError

from lateralline import __version__, contract
from lateralline.contract import FieldType
from lateralline.errors import LaterallineError, RegisterError
from lateralline.frames.systems import plan_of
from lateralline.record.layers import GEOMETRY as STORED_GEOMETRY
from lateralline.record.lineage import schema_version_of, sites_of
from lateralline.record.stored import StoredSite, own_columns, stored_crs, stored_sites
from lateralline.register.declare import GEOMETRY, SCHEMA, VERSION, VERSIONS
from lateralline.register.prepare import refuse_unprepared
from lateralline.register.server import cause_of, connected, driver, in_words, lock

Outcome = Literal["published", "unchanged", "refused"]
#: Rows of lineage that say with what a record was made, not what it says.
_MADE_WITH: Final = pa.array(["software", "input"])
_TYPES: Final[dict[FieldType, str]] = {
    "text": "text", "real": "double precision", "boolean": "boolean", "date": "date",
}  # fmt: skip
_PLAIN: Final = csv.WriteOptions(include_header=False, quoting_style="needed")


class _RefusedRecordError(RegisterError):
    """No site of a record can come in."""


@dataclass(frozen=True, slots=True)
class Published:
    """What became of one site of a record."""

    site_id: str
    outcome: Outcome
    version: int  # of the register, that holds now; 0 for a site that was refused
    rows: int = 0  # that came in
    reason: str = ""  # why it was refused


def publish(
    record: Path, url: str, on_site: Callable[[Published], None] | None = None
) -> list[Published]:
    """Bring every site of a built record into a register, each in a transaction of its own.

    A site whose layers say what the version that holds now says is left as it is. Else its rows
    come in as a new version, which holds from the record's `valid_from`; the one before holds until
    that day. A site that is refused never stops others: an older version of the record than the one
    that holds, values or references that the register does not take.

    A record in another CRS, a sketch and one of earlier schemas are refused with all their sites.
    Raises RegisterError for a server that is not there, no register, and rights that are missing;
    UnreadableError for a file that is locked.
    """
    done: list[Published] = []
    with connected(url) as connection:
        srid = refuse_unprepared(connection)
        try:
            _refuse_old_schemas(record)
            _refuse_other_crs(record, srid)
            _add_own(connection, own_columns(record))
        except _RefusedRecordError as e:
            done = [Published(site, "refused", 0, reason=str(e)) for site in sites_of(record)]
            if on_site is not None:
                for one in done:
                    on_site(one)
            return done
        for site in stored_sites(record):
            connection.rollback()  # each begins a transaction of its own
            try:
                one = _publish_site(connection, site, srid)
                connection.commit()
            except (SQLAlchemyError, psycopg.Error) as e:
                if driver(connection).closed or isinstance(cause_of(e), InsufficientPrivilege):
                    raise  # it would be the same for every site
                connection.rollback()
                one = Published(site.site_id, "refused", 0, reason=in_words(e))
            except LaterallineError as e:
                connection.rollback()
                one = Published(site.site_id, "refused", 0, reason=str(e))
            done.append(one)
            if on_site is not None:
                on_site(one)
    return done


def _refuse_old_schemas(record: Path) -> None:
    version, wanted = schema_version_of(record), contract.SCHEMA_VERSION
    if version < wanted:
        raise _RefusedRecordError(
            f"{record} was made by version {version} of the schemas, wanted is {wanted}: build the "
            "site again"
        )


def _refuse_other_crs(record: Path, srid: int) -> None:
    """Raise _RefusedRecordError for coordinates that the register would take for its own."""
    crs = stored_crs(record)
    way = f"build it with --crs EPSG:{srid}"
    if crs is None:
        raise _RefusedRecordError(
            f"{record} is a sketch on axes of its own, which has no place in a register"
        )
    if len(crs.axis_info) != 2:
        raise _RefusedRecordError(
            f"{record} has levels brought into {crs.name}; z of a register is in metres, as the "
            f"site counts: {way}"
        )
    code = plan_of(crs).to_epsg()
    if code != srid:
        got = f"EPSG:{code}" if code else crs.name
        raise _RefusedRecordError(f"{record} is in {got}, the register in EPSG:{srid}: {way}")


def _add_own(connection: Connection, own: Mapping[str, FieldType]) -> None:
    """Add the users' own columns that the register has not; refuse another type of one it has."""
    kinds = text("SELECT attname, format_type(atttypid, atttypmod) FROM pg_attribute "
                 "WHERE attrelid = CAST(:layer AS regclass) AND attnum > 0")  # fmt: skip
    rows = connection.execute(kinds, {"layer": f"{SCHEMA}.pipe_nodes"})
    there = {str(name): str(kind) for name, kind in rows}
    for name, kind in own.items():
        if there.get(name, _TYPES[kind]) != _TYPES[kind]:
            raise _RefusedRecordError(
                f"{name} is {_TYPES[kind]} in this record and {there[name]} in the register: "
                "give the key another name"
            )
    missing = {name: kind for name, kind in own.items() if name not in there}
    for name, kind in missing.items():
        words = "A column of the users' own, as their register has it."
        connection.execute(
            text(f"SELECT {SCHEMA}.add_own_column(:name, :kind, :words)"),
            {"name": name, "kind": _TYPES[kind], "words": words},
        )
    connection.commit()


# ---- one site -----------------------------------------------------------------------------


def _publish_site(connection: Connection, site: StoredSite, srid: int) -> Published:
    lock(connection, f"site {site.site_id}")
    rows = {name: _ready(table, srid) for name, table in site.tables.items()}
    digest = digest_of(rows)
    now = connection.execute(
        text(f"SELECT {VERSION}, record_version, digest FROM {SCHEMA}.{VERSIONS} "
             "WHERE site_id = :site AND valid_to IS NULL"),
        {"site": site.site_id},
    ).one_or_none()  # fmt: skip
    if now is not None and now.digest == digest:
        return Published(site.site_id, "unchanged", int(now[0]))
    if now is not None and site.record_version < now.record_version:
        raise RegisterError(
            f"the register holds version {now.record_version} of this site's record, this is "
            f"version {site.record_version}: retract the later one first if it was wrong"
        )
    version = _new_version(connection, site, digest)
    cursor = driver(connection).cursor()
    for name, table in rows.items():
        if table.num_rows:
            _copy(cursor, name, table, version)
    # Rows that name others are checked here, where a fault is still this site's.
    connection.execute(text("SET CONSTRAINTS ALL IMMEDIATE"))
    return Published(
        site.site_id, "published", version, sum(table.num_rows for table in rows.values())
    )


def _new_version(connection: Connection, site: StoredSite, digest: str) -> int:
    """Let what holds from that day on hold no more, and return the number of the new version."""
    about = {
        "site": site.site_id, "day": site.valid_from, "record": site.record_version,
        "digest": digest, "schemas": contract.SCHEMA_VERSION, "program": __version__,
    }  # fmt: skip
    end_at(connection, site.site_id, site.valid_from)
    made = connection.execute(
        text(f"INSERT INTO {SCHEMA}.{VERSIONS} (site_id, {VERSION}, record_version, valid_from, "
             "digest, schema_version, lateralline) "
             f"SELECT :site, coalesce(max({VERSION}), 0) + 1, :record, :day, :digest, :schemas, "
             f":program FROM {SCHEMA}.{VERSIONS} WHERE site_id = :site RETURNING {VERSION}"),
        about,
    )  # fmt: skip
    return int(made.scalar_one())


def end_at(connection: Connection, site: str, day: date) -> None:
    """Let no version of a site hold on a day or later; one that held only then holds never."""
    connection.execute(
        text(f"UPDATE {SCHEMA}.{VERSIONS} SET valid_to = greatest(valid_from, :day) "
             "WHERE site_id = :site AND (valid_to IS NULL OR valid_to > :day)"),
        {"site": site, "day": day},
    )  # fmt: skip


def _copy(cursor: psycopg.Cursor, layer: str, table: pa.Table, version: int) -> None:
    numbers = pa.array(np.full(table.num_rows, version, dtype=np.int32))
    whole = table.append_column(VERSION, numbers)
    columns = sql.SQL(", ").join(map(sql.Identifier, whole.column_names))
    into = sql.Identifier(SCHEMA, layer)
    order = sql.SQL("COPY {} ({}) FROM STDIN (FORMAT csv)").format(into, columns)
    with cursor.copy(order) as copy:
        copy.write(_csv(whole))


def _ready(table: pa.Table, srid: int) -> pa.Table:
    """Return rows as a table of the register takes them: geometry as EWKB, bytes too, in hex."""
    for at, column in enumerate(table.schema):
        if pa.types.is_binary(column.type) and column.name != STORED_GEOMETRY:
            hexes = [None if v is None else rf"\x{v.hex()}" for v in table[at].to_pylist()]
            table = table.set_column(at, column.name, pa.array(hexes, type=pa.string()))
    if STORED_GEOMETRY not in table.column_names:
        return table
    shapes = shapely.from_wkb(table[STORED_GEOMETRY].to_numpy(zero_copy_only=False))
    wkb = shapely.to_wkb(shapely.set_srid(shapes, srid), hex=True, include_srid=True)
    at = table.schema.get_field_index(STORED_GEOMETRY)
    return table.set_column(at, GEOMETRY, pa.array(wkb, type=pa.string()))


def digest_of(rows: Mapping[str, pa.Table]) -> str:
    """Return the SHA-256 of what layers say, whatever they were made with.

    Rows of lineage that name programs, libraries and input files do not count: a record that was
    built again from the same marks says the same.
    """
    whole = sha256()
    for name in contract.LAYERS:
        table = rows[name]
        if name == "lineage" and table.num_rows:
            topics = table["topic"]
            table = table.filter(pc.invert(pc.is_in(topics, value_set=_MADE_WITH)))
        whole.update(f"{name} {' '.join(table.column_names)}\n".encode())
        whole.update(_csv(table))
    return whole.hexdigest()


def _csv(table: pa.Table) -> bytes:
    made = io.BytesIO()
    csv.write_csv(table, made, _PLAIN)
    return made.getvalue()
