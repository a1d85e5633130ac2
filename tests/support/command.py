"""What many tests do with a command and with made-up sites: run the one, build the others."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

from typer.testing import CliRunner, Result

from lateralline.cli import app
from lateralline.workspace import Workspace


def run(*arguments: object) -> Result:
    """What a command came to."""
    return CliRunner().invoke(app, [str(a) for a in arguments])


def built(folder: Path, *sites: Any, crs: str | None = None) -> Path:
    """The GeoPackage of a build of made-up sites."""
    workspace = Workspace(folder)
    with workspace.build(crs=crs) as build:
        for site in sites:
            build.add(site.record, site, site.products)
    return workspace.asbuilt


def ask(path: Path, query: str) -> list[Any]:
    """The rows that a GeoPackage answers."""
    with closing(sqlite3.connect(path)) as db:
        return db.execute(query).fetchall()
