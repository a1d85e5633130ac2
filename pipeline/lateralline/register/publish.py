"""Records into a register: a site in a transaction, rows of many sites by one COPY."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from queue import SimpleQueue
from typing import Final, Literal, NamedTuple

import psycopg
from psycopg.errors import InsufficientPrivilege
from sqlalchemy import Connection, text

from lateralline import __version__, contract
from lateralline.contract import FieldType
from lateralline.errors import LaterallineError, RegisterError
from lateralline.frames.systems import plan_of
from lateralline.record.lineage import schema_version_of, sites_of
from lateralline.record.stored import SITES_AT_ONCE, StoredSite, own_columns, stored_crs
from lateralline.register.declare import SCHEMA, VERSION, VERSIONS
from lateralline.register.prepare import refuse_unprepared
from lateralline.register.server import connected, driver, in_words, lock_session
from lateralline.register.staged import ReadySites, StagedRows, ready_sites, says_no_more

Outcome = Literal["published", "unchanged", "refused"]
_TYPES: Final[dict[FieldType, str]] = {
    "text": "text", "real": "double precision", "boolean": "boolean", "date": "date",
}  # fmt: skip
#: Sessions that take sites side by side: two wait for each other's commits half as long.
_SESSIONS: Final = 2


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
    record: Path,
    url: str,
    on_site: Callable[[Published], None] | None = None,
    connections: Path | None = None,
) -> list[Published]:
    """Bring every site of a built record into a register, each in a transaction of its own.

    A site whose layers say what the version that holds now says is left as it is. Else its rows
    come in as a new version, which holds from the record's `valid_from`; the one before holds until
    that day. A site that is refused never stops others: an older version of the record than the one
    that holds, values or references that the register does not take.

    `connections` to mains, of this record, come in with it. Another result of the same record is
    another version; the record alone, again, leaves them as they are.

    A record in another CRS, a sketch and one of earlier schemas are refused with all their sites.
    Raises RegisterError for a server that is not there, no register, and rights that are missing;
    UnreadableError for a file that is locked.
    """
    done: list[Published] = []
    with ExitStack() as opened:
        connection = opened.enter_context(connected(url))
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
        stages = [StagedRows(driver(connection))]
        if len(sites_of(record)) > SITES_AT_ONCE:
            with suppress(RegisterError):  # a server may let a user in only once
                for _ in range(_SESSIONS - 1):
                    stages.append(StagedRows(driver(opened.enter_context(connected(url)))))
        for one in _publish_all(stages, ready_sites(record, srid, connections)):
            done.append(one)
            if on_site is not None:
                on_site(one)
    return done


def _publish_all(stages: Sequence[StagedRows], parts: Iterable[ReadySites]) -> Iterator[Published]:
    """Yield what became of each site, in their order; every session takes a part at a time."""
    free: SimpleQueue[StagedRows] = SimpleQueue()
    for stage in stages:
        free.put(stage)

    def take(part: ReadySites) -> list[Published]:
        stage = free.get()
        try:
            return list(_publish_some(stage, part))
        finally:
            free.put(stage)

    with ThreadPoolExecutor(len(stages)) as pool:
        running: deque[Future[list[Published]]] = deque()
        for part in parts:
            running.append(pool.submit(take, part))
            if len(running) > len(stages):
                yield from running.popleft().result()
        while running:
            yield from running.popleft().result()


def _publish_some(stage: StagedRows, part: ReadySites) -> Iterator[Published]:
    """Yield what became of each of some sites."""
    session = stage.session
    held = _held(session, [site.site_id for site in part.sites])
    session.commit()
    sites = list(enumerate(zip(part.sites, part.digests, strict=True)))
    same = {n for n, (site, digest) in sites if says_no_more(digest, held[site.site_id].digest)}
    odd = stage.fill(part, [n for n, _ in sites if n not in same])
    for n, (site, digest) in sites:
        if n in same:
            yield Published(site.site_id, "unchanged", held[site.site_id].version)
        elif n in odd:
            yield Published(site.site_id, "refused", 0, reason=odd[n])
        else:
            try:
                one = _publish_site(stage, site, digest, part.rows(n))
            except psycopg.Error as e:
                if session.closed or isinstance(e, InsufficientPrivilege):
                    raise  # it would be the same for every site
                session.rollback()
                one = Published(site.site_id, "refused", 0, reason=in_words(e))
            except LaterallineError as e:
                session.rollback()
                one = Published(site.site_id, "refused", 0, reason=str(e))
            yield one


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


class _Held(NamedTuple):
    """What a register holds of a site: nothing is version 0 with no digest."""

    last: int = 0  # version that came in last
    version: int = 0  # that holds now, as the rest
    record_version: int = 0
    digest: str = ""


def _held(session: psycopg.Connection, sites: Sequence[str]) -> dict[str, _Held]:
    found = session.execute(
        f"SELECT site_id, max({VERSION}), "
        f"coalesce(max({VERSION}) FILTER (WHERE valid_to IS NULL), 0), "
        "coalesce(max(record_version) FILTER (WHERE valid_to IS NULL), 0), "
        "coalesce(max(digest) FILTER (WHERE valid_to IS NULL), '') "
        f"FROM {SCHEMA}.{VERSIONS} WHERE site_id = ANY(%s) GROUP BY site_id",
        (list(sites),),
    ).fetchall()
    known = {site: _Held(*row) for site, *row in found}
    return {site: known.get(site, _Held()) for site in sites}


def _publish_site(stage: StagedRows, site: StoredSite, digest: str, rows: int) -> Published:
    session, name = stage.session, site.site_id
    with session.pipeline():  # what goes there together waits for one answer
        lock_session(session, f"site {name}")
        now = _held(session, [name])[name]
    if says_no_more(digest, now.digest):
        session.commit()
        return Published(name, "unchanged", now.version)
    if site.record_version < now.record_version:
        raise RegisterError(
            f"the register holds version {now.record_version} of this site's record, this is "
            f"version {site.record_version}: retract the later one first if it was wrong"
        )
    version = now.last + 1
    with session.pipeline():
        end_at(session, name, site.valid_from)
        session.execute(
            f"INSERT INTO {SCHEMA}.{VERSIONS} (site_id, {VERSION}, record_version, valid_from, "
            "digest, schema_version, lateralline) VALUES (%s, %s, %s, %s, %s, %s, %s)",
            (name, version, site.record_version, site.valid_from, digest, contract.SCHEMA_VERSION,
             __version__),
        )  # fmt: skip
        stage.take(name, version)
        # Rows that name others are checked here, where a fault is still this site's.
        session.execute("SET CONSTRAINTS ALL IMMEDIATE")
        session.commit()
    return Published(name, "published", version, rows)


def end_at(session: psycopg.Connection, site: str, day: date) -> None:
    """Let no version of a site hold on a day or later; one that held only then holds never."""
    session.execute(
        f"UPDATE {SCHEMA}.{VERSIONS} SET valid_to = greatest(valid_from, %(day)s) "
        "WHERE site_id = %(site)s AND (valid_to IS NULL OR valid_to > %(day)s)",
        {"site": site, "day": day},
    )
