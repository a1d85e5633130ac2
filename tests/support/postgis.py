"""A PostGIS server of a test's own: on a socket in a folder that goes with it, as nobody's user."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import mkdtemp

import pytest

_USER = "nobody"  # a server refuses to run as root
_NEEDS = "apt-get install postgresql postgis gdal-bin"


@dataclass(frozen=True)
class Register:
    """A database to load records into."""

    home: Path  # of the socket

    @property
    def environment(self) -> dict[str, str]:
        """What clients are told of the server."""
        return {
            **os.environ, "PGHOST": str(self.home), "PGUSER": _USER, "PGDATABASE": "register",
            "PGOPTIONS": "-c client_min_messages=warning",
        }  # fmt: skip

    def run(self, *command: object, refused: bool = False) -> str:
        """Run a client as a user would, and return what it says; it must succeed, or be refused."""
        done = subprocess.run(
            list(map(str, command)), env=self.environment, capture_output=True, text=True,
            check=False, timeout=300,
        )  # fmt: skip
        said = done.stdout + done.stderr
        assert refused == (done.returncode != 0 or "ERROR" in done.stderr), said
        return said

    def rows(self, query: str) -> list[list[str]]:
        """Return the rows of a query, as text."""
        said = self.run("psql", "-qAt", "-F", "\t", "-v", "ON_ERROR_STOP=1", "-c", query)
        return [line.split("\t") for line in said.splitlines()]


@contextmanager
def postgis() -> Iterator[Register]:
    """Yield an empty database "register" without extensions; skips where there is no server."""
    there = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    initdb = str(there[-1]) if there else shutil.which("initdb")
    if initdb is None or shutil.which("psql") is None:
        pytest.skip(f"no PostgreSQL server: {_NEEDS}")
    pg_ctl = Path(initdb).with_name("pg_ctl")
    if shutil.which("ogr2ogr") is None:
        pytest.skip(f"no ogr2ogr: {_NEEDS}")
    formats = subprocess.run(["ogr2ogr", "--formats"], capture_output=True, text=True, check=True)
    if "PostgreSQL/PostGIS" not in formats.stdout:
        pytest.skip(f"this ogr2ogr has no driver for PostgreSQL: {_NEEDS}")
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

    register = Register(home)
    server(initdb, "-D", data, "-U", _USER, "-A", "trust", "-E", "UTF8", "--no-locale", "-N")
    try:
        server(pg_ctl, "-D", data, "-l", log, "-w", "-o", settings, "start")
        try:
            register.run("createdb", "register")
            if register.rows("SELECT 1 FROM pg_available_extensions WHERE name = 'postgis'") == []:
                pytest.skip(f"this PostgreSQL has no PostGIS: {_NEEDS}")
            yield register
        finally:
            server(pg_ctl, "-D", data, "-w", "-m", "immediate", "stop")
    finally:
        shutil.rmtree(home, ignore_errors=True)
