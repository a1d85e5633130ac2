"""A PostGIS server of a test's own: on a socket in a folder that goes with it, as nobody's user."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import mkdtemp

from tests.support.needs import lacks

_USER = "nobody"  # a server refuses to run as root
_NEEDS = "apt-get install postgresql postgresql-postgis"


def _by_its_fixture(what: str) -> None:
    raise AssertionError(f"to {what} a server is for the one that `postgis` yields")


@dataclass(frozen=True)
class Server:
    """A database on a server of its own, and who asks it."""

    home: Path  # of the socket
    database: str = "postgres"
    user: str = _USER
    control: Callable[[str], None] = _by_its_fixture  # "start" or "stop" at once

    @property
    def url(self) -> str:
        """What the commands are told of the database."""
        return f"postgresql://{self.user}@/{self.database}?host={self.home}"

    def as_user(self, user: str) -> Server:
        """Return the same database, asked by another user."""
        return replace(self, user=user)

    def create(self, database: str, template: str = "template0") -> Server:
        """Return a new database, empty or as another one."""
        self.rows(f"CREATE DATABASE {database} TEMPLATE {template}")
        return replace(self, database=database)

    def run(self, *command: object, refused: bool = False) -> str:
        """Run a client as a user would, and return what it says; it must succeed, or be refused."""
        environment = {
            **os.environ, "PGHOST": str(self.home), "PGUSER": self.user,
            "PGDATABASE": self.database, "PGOPTIONS": "-c client_min_messages=warning",
        }  # fmt: skip
        done = subprocess.run(
            list(map(str, command)), env=environment, capture_output=True, text=True,
            check=False, timeout=300,
        )  # fmt: skip
        said = done.stdout + done.stderr
        assert refused == (done.returncode != 0 or "ERROR" in done.stderr), said
        return said

    def rows(self, *queries: str, refused: bool = False) -> list[list[str]]:
        """Return the rows of queries, as text; they must succeed, or be refused."""
        orders = [word for query in queries for word in ("-c", query)]
        said = self.run(
            "psql", "-qAtX", "-F", "\t", "-v", "ON_ERROR_STOP=1", *orders, refused=refused
        )
        return [line.split("\t") for line in said.splitlines()]


@contextmanager
def postgis() -> Iterator[Server]:
    """Yield a server with PostGIS; skips where there is none, or fails (`needs`)."""
    there = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    initdb = str(there[-1]) if there else shutil.which("initdb")
    if initdb is None or shutil.which("psql") is None:
        lacks("postgis", f"no PostgreSQL server: {_NEEDS}")
    pg_ctl = Path(initdb).with_name("pg_ctl")
    home = Path(mkdtemp(prefix="register-"))  # a socket's path must be short
    unprivileged = {"user": _USER} if os.geteuid() == 0 else {}
    if unprivileged:
        shutil.chown(home, _USER)
    data, log = home / "data", home / "log"
    fast = ("fsync=off", "full_page_writes=off", "synchronous_commit=off")
    told = ("listen_addresses=''", f"unix_socket_directories={home}", *fast)
    settings = " ".join(f"-c {one}" for one in told)

    def server(*command: object) -> None:
        subprocess.run(
            list(map(str, command)), check=True, capture_output=True, cwd=home, **unprivileged
        )  # fmt: skip

    def control(what: str) -> None:
        how = ("-l", log, "-o", settings) if what == "start" else ("-m", "immediate")
        server(pg_ctl, "-D", data, "-w", *how, what)

    made = Server(home, control=control)
    server(initdb, "-D", data, "-U", _USER, "-A", "trust", "-E", "UTF8", "--no-locale", "-N")
    try:
        control("start")
        try:
            if made.rows("SELECT 1 FROM pg_available_extensions WHERE name = 'postgis'") == []:
                lacks("postgis", f"this PostgreSQL has no PostGIS: {_NEEDS}")
            yield made
        finally:
            control("stop")
    finally:
        shutil.rmtree(home, ignore_errors=True)
