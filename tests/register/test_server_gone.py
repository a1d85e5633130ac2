"""A server that ends a session, or ends itself, in the middle of a site: told, and nothing half in.

The moment is the one at which a site's rows are about to go from the session's own tables into
those of the register, with the version they belong to written already.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from lateralline.api import registers
from lateralline.register.staged import StagedRows
from tests.register.conftest import CRS
from tests.support.command import run
from tests.support.postgis import Server, postgis
from tests.trust.forked import run as run_forked


def counted(register: Server) -> list[list[str]]:
    """Versions, and rows of a layer and of what names it."""
    tables = ("site_versions", "pipe_centreline", "pipe_nodes", "lineage", "findings")
    return register.rows(*(f"SELECT count(*) FROM asbuilt.{name}" for name in tables))


def published(record: Path, register: Server, apart: Path, happen: Callable[[], object]) -> str:
    """What `publish` says on a terminal when something happens in the middle of a site."""
    take = StagedRows.take

    def interrupted(self: StagedRows, site: str, version: int) -> None:
        happen()
        take(self, site, version)

    def prepare() -> None:
        logging.root.handlers.clear()  # pytest's: what is logged would be on the terminal
        StagedRows.take = interrupted  # type: ignore[method-assign]

    refused = run_forked(("publish", record, register.url), apart, apart, prepare=prepare)
    assert refused.code == 2, refused.said
    return " ".join(refused.said.split())


def test_a_session_that_is_ended_leaves_no_part_of_a_site(
    new_register: Callable[[], Server], quarry: Path, tmp_path: Path
) -> None:
    register = new_register()
    empty = counted(register)
    end = (
        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
        "WHERE datname = current_database() AND application_name = 'lateralline'"
    )
    said = published(quarry, register, tmp_path, lambda: register.rows(end))
    assert said.startswith("lateralline: the connection to the database failed: ")
    assert "psycopg" not in said
    assert counted(register) == empty
    assert run("publish", quarry, register.url).exit_code == 0
    assert counted(register) != empty


@pytest.fixture
def own_register() -> Iterator[Server]:
    """A register on a server of the test's own."""
    with postgis() as server:
        registers.prepare(server.url, crs=CRS)
        yield server


def test_a_server_that_stops_leaves_no_part_of_a_site(
    own_register: Server, quarry: Path, tmp_path: Path
) -> None:
    empty = counted(own_register)
    said = published(quarry, own_register, tmp_path, lambda: own_register.control("stop"))
    assert said.startswith("lateralline: the connection to the database failed: ")
    assert "psycopg" not in said
    away = run("publish", quarry, own_register.url)
    assert away.exit_code == 2, away.output
    assert "no connection to the database" in " ".join(away.output.split())
    own_register.control("start")
    assert counted(own_register) == empty
    assert run("publish", quarry, own_register.url).exit_code == 0
    assert counted(own_register) != empty
