"""A server that ends a session, or ends itself, amid a command: told, and nothing half in.

Of `publish` the moment is the one at which a site's rows are about to go from the session's own
tables into those of the register, with the version they belong to written already; of every command
some that lie evenly over all it asks of a server.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import psycopg
import pytest

from lateralline.api import registers
from lateralline.register.staged import StagedRows
from tests.register.conftest import CRS
from tests.support.command import run
from tests.support.postgis import Server, postgis
from tests.trust.forked import run as run_forked

_END: Final = (
    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
    "WHERE datname = current_database() AND application_name = 'lateralline'"
)


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
    said = published(quarry, register, tmp_path, lambda: register.rows(_END))
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


# ---- at any statement ------------------------------------------------------------------------


def all_rows(register: Server) -> str:
    """All that a database holds of a register, as its own program writes it out."""
    dumped = register.run("pg_dump", "--no-owner", register.database)
    return "\n".join(line for line in dumped.splitlines() if not line.startswith("\\"))


@pytest.mark.parametrize(
    ("command", "made", "changes"),
    [
        (("register", "{url}", "--crs", CRS), False, True),
        (("publish", "{record}", "{url}"), True, True),
        (("retract", "QH-022", "{url}", "--reason", "tried"), True, True),
        (("history", "QH-022", "{url}"), True, False),
    ],
    ids=lambda one: one[0] if isinstance(one, tuple) else "",
)
def test_a_session_that_ends_at_any_statement_changes_nothing(
    command: tuple[str, ...], made: bool, changes: bool, server: Server,
    new_register: Callable[[], Server], quarry: Path, tmp_path: Path,
) -> None:  # fmt: skip
    register = new_register() if made else server.create("not_made_yet")
    asked = [word.format(url=register.url, record=quarry) for word in command]
    if command[0] in ("retract", "history"):
        assert run("publish", quarry, register.url).exit_code == 0
    before, ask = all_rows(register), psycopg.Cursor.execute
    statements = tmp_path / "statements"

    def ended(last: int) -> Callable[[], None]:
        def execute(self: Any, *args: Any, **options: Any) -> Any:
            with statements.open("ab") as file:
                file.write(b".")
            if statements.stat().st_size == last:
                register.rows(_END)
            return ask(self, *args, **options)

        def prepare() -> None:
            logging.root.handlers.clear()  # pytest's
            psycopg.Cursor.execute = execute  # type: ignore[method-assign]

        return prepare

    copy = server.create(f"{register.database}_{command[0]}", register.database)
    whole = [word.replace(f"/{register.database}?", f"/{copy.database}?") for word in asked]
    assert run_forked(whole, tmp_path, tmp_path, prepare=ended(-1)).code == 0
    total = statements.stat().st_size
    assert total >= 2
    for last in sorted({2, total // 2, 3 * total // 4, total}):
        statements.unlink()
        ran = run_forked(asked, tmp_path, tmp_path, prepare=ended(last))
        said = " ".join(ran.said.split())
        assert ran.code == 2, f"statement {last} of {total}: {said}"
        assert "the connection to the database failed: " in said
        assert "psycopg" not in said
        assert all_rows(register) == before, f"statement {last} of {total}"
    assert run(*asked).exit_code == 0
    assert (all_rows(register) != before) == changes
