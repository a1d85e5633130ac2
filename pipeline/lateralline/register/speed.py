"""Rows a second that `publish` brings in, beside plain COPY of the same rows into the same tables.

Both go into databases that are made for it on the server that is named, and dropped again: no
register is touched. Publishing is all of it, from the GeoPackage to the last commit, a transaction
a site, by the sessions side by side that `publish` opens. Plain COPY takes the rows as text from
memory, one COPY a layer in one transaction: into tables of a register, with keys, foreign keys,
checks and indexes, and into bare ones. The runs take turns, so that whatever else the machine does
is spread over all; the best of each counts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter
from uuid import uuid4

from psycopg import sql

from lateralline.errors import RegisterError
from lateralline.frames.systems import plan_of
from lateralline.record.stored import stored_crs
from lateralline.register.declare import HELD, SCHEMA, VERSIONS
from lateralline.register.prepare import prepare
from lateralline.register.publish import Published, publish
from lateralline.register.server import connected, driver

_TABLES = (VERSIONS, *HELD)


@dataclass(frozen=True, slots=True)
class PublishSpeed:
    """The best of some runs of each way, in rows a second."""

    sites: int
    rows: int
    published_per_s: float
    again_per_s: float  # of which nothing is new
    copied_per_s: float  # into tables of a register
    bare_per_s: float  # into tables without keys, checks and indexes

    @property
    def ratio(self) -> float:
        """Published over copied into tables alike."""
        return self.published_per_s / self.copied_per_s


def publish_speed(url: str, record: Path, runs: int = 3) -> PublishSpeed:
    """Measure all ways on the server of a database in which the user may make databases.

    Raises RegisterError as `publish`, and when a site of the record is refused.
    """
    crs = stored_crs(record)
    srid = None if crs is None else plan_of(crs).to_epsg()
    if srid is None:
        raise RegisterError(f"{record} is in no CRS by its code, so that no register takes it")
    name = f"lateralline_bench_{uuid4().hex[:8]}"
    with _databases(url, name) as make:
        prepare(make("made", "template0"), srid)
        all_runs = [_run(make, f"{name}_made", run, record) for run in range(runs)]
    sites, rows, _ = all_runs[0]
    published, again, copied, bare = (
        min(took) for took in zip(*(s for *_, s in all_runs), strict=True)
    )
    return PublishSpeed(sites, rows, rows / published, rows / again, rows / copied, rows / bare)


def _run(
    make: Callable[[str, str], str], template: str, run: int, record: Path
) -> tuple[int, int, tuple[float, ...]]:
    """Return how many sites and rows there are, and the seconds that each way took."""
    register, copied = (make(f"{what}{run}", template) for what in ("published", "copied"))
    done: list[Published] = []
    published = _seconds(lambda: done.extend(publish(record, register)))
    if odd := [one for one in done if one.outcome != "published"]:
        raise RegisterError(f"site {odd[0].site_id} was refused: {odd[0].reason}")
    again = _seconds(lambda: publish(record, register))
    texts = _texts(register)
    alike = _seconds(lambda: _copy(copied, texts, SCHEMA))
    _make_bare(copied)
    bare = _seconds(lambda: _copy(copied, texts, "bare"))
    return len(done), sum(one.rows for one in done), (published, again, alike, bare)


def _seconds(do: Callable[[], object]) -> float:
    begun = perf_counter()
    do()
    return perf_counter() - begun


@contextmanager
def _databases(url: str, name: str) -> Iterator[Callable[[str, str], str]]:
    """Yield what makes a database of a name, after another, and returns its URL; drop all."""
    made: list[sql.Identifier] = []
    with connected(url) as connection:
        session = driver(connection)
        session.autocommit = True

        def make(what: str, template: str) -> str:
            one = sql.Identifier(f"{name}_{what}")
            order = sql.SQL("CREATE DATABASE {} TEMPLATE {}")
            session.execute(order.format(one, sql.Identifier(template)))
            made.append(one)
            return f"{url}{'&' if '?' in url else '?'}dbname={name}_{what}"

        try:
            yield make
        finally:
            for one in made:
                session.execute(sql.SQL("DROP DATABASE {} WITH (FORCE)").format(one))


def _texts(url: str) -> dict[str, bytes]:
    """Return the rows of every table as COPY takes them."""
    texts = {}
    with connected(url) as connection:
        for table in _TABLES:
            order = sql.SQL("COPY {} TO STDOUT (FORMAT csv)").format(sql.Identifier(SCHEMA, table))
            with driver(connection).cursor().copy(order) as copy:
                texts[table] = b"".join(map(bytes, copy))
    return texts


def _make_bare(url: str) -> None:
    with connected(url) as connection:
        session = driver(connection)
        session.execute("CREATE SCHEMA bare")
        for table in _TABLES:
            order = sql.SQL("CREATE TABLE {} AS SELECT * FROM {} WITH NO DATA")
            pair = sql.Identifier("bare", table), sql.Identifier(SCHEMA, table)
            session.execute(order.format(*pair))
        session.commit()


def _copy(url: str, texts: dict[str, bytes], schema: str) -> None:
    with connected(url) as connection:
        session = driver(connection)
        for table, text in texts.items():
            order = sql.SQL("COPY {} FROM STDIN (FORMAT csv)").format(sql.Identifier(schema, table))
            with session.cursor().copy(order) as copy:
                copy.write(text)
        session.commit()
