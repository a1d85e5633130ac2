"""No test may reach the network; what many tests share is made once."""

from __future__ import annotations

import gc
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from tests.support import made_record, made_site, sheet_reading

# No test is timed: a busy machine must not fail what is right.
settings.register_profile("untimed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("untimed")


@pytest.fixture(autouse=True)
def _no_network(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(self: socket.socket, address: object) -> None:
        raise AssertionError(f"a test tried to reach the network: {address}")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    monkeypatch.setattr(socket.socket, "connect_ex", refuse)


@pytest.fixture(autouse=True)
def _width_of_a_pipe(monkeypatch: pytest.MonkeyPatch) -> None:
    """Words wrap where they do in a pipe, whatever width whoever runs the tests passes on."""
    monkeypatch.delenv("COLUMNS", raising=False)


@pytest.fixture(scope="session")
def make_site() -> Callable[..., Any]:
    """A maker of sites whose products are made up from the contract: see made_site.py."""
    return made_site.make_site


@pytest.fixture(scope="session")
def make_record() -> Callable[..., Any]:
    """A maker of built GeoPackages with lines of stated place and uncertainty: made_record.py."""
    return made_record.make_record


@pytest.fixture(scope="session")
def sheets() -> Any:
    """What tests of sheets share: sheet_reading.py."""
    return sheet_reading


@pytest.fixture(scope="session")
def practice(sheets: Any, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Built practice sites: one in feet with ties, one of depths alone."""
    made: dict[str, Path] = sheets.practice(
        tmp_path_factory.mktemp("practice"), "tape-ties", "local-sketch"
    )
    return made


def pytest_collection_finish() -> None:
    """What collecting made lives to the end: the collector of garbage need not walk it again."""
    gc.collect()
    gc.freeze()
