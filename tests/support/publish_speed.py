"""Rows a second that `publish` brings in, beside plain COPY of the same rows, as Markdown.

python -m tests.support.publish_speed OUT [COPIES]

OUT is a record in EPSG:32617; its first site is taken COPIES times, as so many sites, into a server
that is made for it. Publishing is all of it, from the GeoPackage to the last commit. Plain COPY
takes the same rows as text from memory, one transaction a layer: into tables with the keys, checks
and indexes of the register's, and into bare ones. Beside the time that passed stands what client
and server worked, which is what counts on a busy machine.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter, process_time, sleep
from uuid import UUID, uuid5

import psycopg
import pyarrow as pa
import pyogrio

from lateralline import contract
from lateralline.api import registers
from lateralline.record import geopackages_in
from tests.support.postgis import Server, postgis

_NAMES = UUID("6f8a4d6c-0f5c-4b4e-9f0a-2f2f4f6f8f10")


def multiply(record: Path, copies: int, out: Path) -> None:
    """Write a record of one site as so many sites."""
    for name in contract.LAYERS:
        info, table = pyogrio.read_arrow(record, layer=name)
        first = table["site_id"][0].as_py() if table.num_rows else ""
        table = table.filter(pa.compute.equal(table["site_id"], first))
        parts = []
        for n in range(copies):
            uids = [str(uuid5(_NAMES, f"{n}/{uid}")) for uid in table["uid"].to_pylist()]
            part = table.set_column(
                table.schema.get_field_index("site_id"), "site_id",
                pa.array([f"S-{n:05d}"] * len(uids), pa.string()),
            )  # fmt: skip
            at = part.schema.get_field_index("uid")
            parts.append(part.set_column(at, "uid", pa.array(uids, pa.string())))
        geometry = {}
        if contract.load(name).geometry:
            kind = contract.load(name).geometry
            geometry = {"geometry_name": "geom", "geometry_type": kind, "crs": info["crs"]}
        pyogrio.write_arrow(
            pa.concat_tables(parts).combine_chunks(), out, layer=name, driver="GPKG",
            append=out.exists(), **geometry,
        )  # fmt: skip


def measure(record: Path, copies: int) -> str:
    """Return the table of rows and seconds."""
    with TemporaryDirectory() as home, postgis() as server:
        many = Path(home) / "asbuilt.gpkg"
        multiply(record, copies, many)
        made = server.create("speed")
        registers.prepare(made.url, crs="EPSG:32617")
        sites: list[registers.Published] = []
        published = _timed(server, lambda: sites.extend(registers.publish([many], made.url)))
        rows = sum(site.rows for site in sites)
        assert {site.outcome for site in sites} == {"published"}, sites[0]
        again = _timed(server, lambda: registers.publish([many], made.url))
        texts = {}
        with psycopg.connect(made.url) as db:
            for name in contract.LAYERS:
                with db.cursor().copy(f"COPY asbuilt.{name} TO STDOUT (FORMAT csv)") as copy:
                    texts[name] = b"".join(bytes(part) for part in copy)

        def plain(like: str) -> None:
            with psycopg.connect(made.url, autocommit=True) as db:
                for name, text in texts.items():
                    db.execute(f"DROP TABLE IF EXISTS copied_{name}")
                    db.execute(f"CREATE TABLE copied_{name} (LIKE asbuilt.{name} {like})")
                    with db.cursor().copy(f"COPY copied_{name} FROM STDIN (FORMAT csv)") as copy:
                        copy.write(text)

        lines = [
            f"{rows} rows, {len(sites)} sites", "",
            "| what | rows/s | rows per second of work |", "| --- | --- | --- |",
        ]  # fmt: skip
        for what, (took_s, worked_s) in {
            "publish": published,
            "publish again, nothing new": again,
            "COPY, with keys, checks and indexes": _timed(server, lambda: plain("INCLUDING ALL")),
            "COPY, bare tables": _timed(server, lambda: plain("")),
        }.items():
            lines.append(f"| {what} | {rows / took_s:,.0f} | {rows / worked_s:,.0f} |")
        return "\n".join(lines) + "\n"


def _timed(server: Server, do: Callable[[], object]) -> tuple[float, float]:
    """Return seconds that passed, and seconds that this process and the server worked."""
    begun, own, theirs = perf_counter(), process_time(), _server_s(server)
    do()
    sleep(1.0)  # until the server has seen the connection close
    worked = process_time() - own + _server_s(server) - theirs
    return perf_counter() - begun - 1.0, worked


def _server_s(server: Server) -> float:
    """Return the processor time of all connections to a server that have ended."""
    pid = (server.home / "data" / "postmaster.pid").read_text().split()[0]
    ended = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[13:15]
    return sum(map(int, ended)) / os.sysconf("SC_CLK_TCK")


if __name__ == "__main__":
    (built,) = geopackages_in(Path(sys.argv[1]))
    sys.stdout.write(measure(built, int(sys.argv[2]) if len(sys.argv) > 2 else 100))
