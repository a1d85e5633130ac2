"""One server for all tests here, and a register on it that is copied for each that changes it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path

import pytest

import lateralline
from lateralline.api import matching, registers
from tests.support.places import SAMPLES
from tests.support.postgis import Server, postgis

CRS = "EPSG:32617"
TEMPLATE = "made"


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    with postgis() as one:
        made = one.create(TEMPLATE)
        done = registers.prepare(made.url, crs=CRS, roles=True)
        assert (done.made, done.srid) == (True, 32617)
        yield one


@pytest.fixture(scope="session")
def new_register(server: Server) -> Callable[[], Server]:
    """Makes an empty register in EPSG:32617."""
    numbers = count(1)
    return lambda: server.create(f"register_{next(numbers)}", TEMPLATE)


@pytest.fixture(scope="session")
def connections(tmp_path_factory: pytest.TempPathFactory, quarry: Path) -> Path:
    """Where its lines meet the sample mains."""
    out = tmp_path_factory.mktemp("joined") / "connections"
    mains = SAMPLES / "register" / "quarry-mains.geojson"
    matching.connect(quarry, mains, out, use=matching.RegisterUse({"id": "main"}))
    return out


@pytest.fixture(scope="session")
def quarry(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The record of a sample site."""
    out = tmp_path_factory.mktemp("quarry") / "out"
    lateralline.build(SAMPLES / "gnss-bend-branch", out)
    return out
