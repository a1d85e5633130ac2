"""No test may reach the network; small matrices need no threads."""

from __future__ import annotations

import importlib.util
import os
import socket
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

for library in ("OPENBLAS", "MKL", "OMP"):
    os.environ.setdefault(f"{library}_NUM_THREADS", "1")  # read when numpy is first imported


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
    make: Callable[..., Any] = _helper("made_site").make_site
    return make


@pytest.fixture(scope="session")
def make_record() -> Callable[..., Any]:
    """A maker of built GeoPackages with lines of stated place and uncertainty: made_record.py."""
    make: Callable[..., Any] = _helper("made_record").make_record
    return make


@pytest.fixture(scope="session")
def sheets() -> Any:
    """What tests of sheets share: sheet_reading.py."""
    return _helper("sheet_reading")


@pytest.fixture(scope="session")
def practice(sheets: Any, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Built practice sites: one in feet with ties, one of depths alone."""
    made: dict[str, Path] = sheets.practice(
        tmp_path_factory.mktemp("practice"), "tape-ties", "local-sketch"
    )
    return made


def _helper(name: str) -> Any:
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    assert spec is not None
    assert spec.loader is not None
    module = sys.modules[name] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


_helper("made_files")  # under its own name, as the next: what tests of reading spoil
_helper("made_scene")  # under its own name: what the tests of linking make their lines with
_helper("planted")  # under its own name: practice sites with a slip in their files
