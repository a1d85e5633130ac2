"""What many tests do with a command and with made-up sites: run the one, build the others."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

from typer.testing import CliRunner, Result

from lateralline.batch import run_sites
from lateralline.cli import app
from lateralline.stages import SiteResult
from lateralline.workspace import Workspace
from tests.support.places import SAMPLES


def run(*arguments: object) -> Result:
    """What a command came to."""
    return CliRunner().invoke(app, [str(a) for a in arguments])


def written(folder: Path, *sites: Any, **options: Any) -> Workspace:
    """A build of made-up sites."""
    workspace = Workspace(folder)
    with workspace.build(**options) as build:
        for site in sites:
            build.add(site.record, site, site.products)
    return workspace


def built(folder: Path, *sites: Any, **options: Any) -> Path:
    """The GeoPackage of a build of made-up sites."""
    return written(folder, *sites, **options).asbuilt


def built_samples(folder: Path, *names: str) -> Path:
    """The GeoPackage of a build of sample sites."""
    workspace = Workspace(folder)
    with workspace.build() as sink:
        results = list(run_sites([SAMPLES / name for name in names], sink=sink))
    assert all(isinstance(result, SiteResult) for result in results)
    return workspace.asbuilt


def content(folder: Path) -> dict[str, bytes]:
    """The files of a folder, by their paths in it."""
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*.*")}


def ask(path: Path, query: str) -> list[Any]:
    """The rows that a GeoPackage answers."""
    with closing(sqlite3.connect(path)) as db:
        return db.execute(query).fetchall()
