"""No test may reach the network; and `make_site`, a site's products made up from the contract."""

from __future__ import annotations

import socket
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import numpy as np
import pytest
import shapely

from lateralline import contract
from lateralline.contract import Column, Table
from lateralline.frames import Frame, site_frame
from lateralline.records import (
    ControlRows,
    ExposureRows,
    FieldRecord,
    Finding,
    InputFile,
    MarkRows,
    ObservationRows,
    Product,
    Spots,
    StopRows,
)
from lateralline.settings import Pipe, Run, Settings, standard_accuracy


@pytest.fixture(autouse=True)
def _no_network(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(self: socket.socket, address: object) -> None:
        raise AssertionError(f"a test tried to reach the network: {address}")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    monkeypatch.setattr(socket.socket, "connect_ex", refuse)


@dataclass(frozen=True)
class MadeSite:
    """A record, its frame and its products: all that writers need of a site. Also a `Placed`."""

    record: FieldRecord
    frame: Frame
    products: tuple[Product, ...]


MakeSite = Callable[..., MadeSite]


@pytest.fixture
def make_site() -> MakeSite:
    """Return a maker of sites with rows in every layer, every column filled as it may be."""

    def make(
        site_id: str = "EX-1",
        *,
        horizontal: str = "EPSG:32617",
        vertical: str = "none",
        x: float = 500_000.0,
        y: float = 4_500_000.0,
        z_m: float = 100.0,
        rows: int = 4,
    ) -> MadeSite:
        record = _record(site_id, horizontal, vertical, x, y, z_m)
        products = tuple(
            _product(contract.load(name), site_id, rows, z_m)
            for name in contract.LAYERS
            if name != "lineage"
        )
        return MadeSite(record, site_frame(record), products)

    return make


def _product(table: Table, site_id: str, rows: int, z_m: float) -> Product:
    columns = {c.name: [_value(c, i, site_id) for i in range(rows)] for c in table.field}
    if not table.geometry:
        return Product(table.name, columns, None)
    shapes = np.full(rows, None, dtype=object)
    for i in range(rows):
        east, north = 3.0 * i, 0.37 * i
        if table.geometry == "Point Z":
            shapes[i] = shapely.Point(east, north, z_m + 0.1 * i)
        elif table.geometry == "LineString Z":
            points = [(east, north, z_m), (east + 1, north + 2, z_m + 0.02), (east + 3, north, z_m)]
            shapes[i] = shapely.LineString(points)
        else:  # clockwise on purpose, with a hole: writers must turn the rings themselves
            outside = shapely.Point(east, north).buffer(2.0, quad_segs=3).exterior.coords
            inside = shapely.Point(east, north).buffer(0.5, quad_segs=2).exterior.coords
            shapes[i] = shapely.Polygon(outside, [inside])
    if table.name in ("field_marks", "transmitter_fixes", "pipe_observations"):
        shapes[rows - 1 :] = None  # an unplaced mark, an unsolved stop
    return Product(table.name, columns, shapes)


def _value(column: Column, i: int, site_id: str) -> object:
    """A value the contract allows, another one in every row; null where it may be, at times."""
    if column.name == "site_id":
        return site_id
    if not column.required and i % 3 == 2:
        return float("nan") if column.type == "real" else None
    if column.enum:
        return column.enum[i % len(column.enum)]
    if column.type == "text":
        return f"{column.name} ø“{i}”, x|y"
    if column.type == "boolean":
        return i % 2 == 0
    if column.type == "date":
        return date(2026, 5, 6 + i)
    high = column.maximum if column.maximum is not None else 9.0
    number = min(high, 0.125 + i)
    return int(number) if column.type == "integer" else number


def _record(
    site_id: str, horizontal: str, vertical: str, x: float, y: float, z_m: float
) -> FieldRecord:
    texts, numbers, whole = (np.empty(0, t) for t in (np.str_, np.float64, np.int64))
    spots = Spots(
        "marks.csv",
        whole,
        *[texts] * 2,
        *[numbers] * 5,
        *[texts] * 2,
        *[numbers] * 3,
        (),
        *[texts] * 2,
    )
    two = np.array([0.0, 20.0])
    control = ControlRows(
        "control.csv",
        np.array([2, 3]),
        np.array(["P1", "P2"]),
        x + two,
        np.full(2, y),
        np.full(2, z_m),
        np.full(2, 0.01),
        np.full(2, 0.01),
    )
    if horizontal == "EPSG:4326":
        control = ControlRows(
            *[control.file, control.row, control.point, x + two * 1e-5],
            *[np.full(2, y)],
            *[control.z_m, control.sigma_h_m, control.sigma_v_m],
        )
    settings = Settings(
        id=site_id,
        name=f"Invented site {site_id}",
        surveyed=date(2026, 5, 6),
        surveyor="",
        horizontal=horizontal,
        vertical=vertical,
        epoch=None,
        slope_tape=False,
        units={"tape": "us-ft", "level": "m", "depth": "in", "counter": "m"},
        accuracy=standard_accuracy(),
        pipes=(Pipe("L1", "PVC", "DN110", "sanitary", 0.1036, 0.0032, "EN 1401"),),
        runs=(Run("R1", "L1", "CO1", 0.0, "with", 0.35, 0.03),),
        branches=(),
        dig_rule="cga",
        dig_tolerance_m=float("nan"),
    )
    return FieldRecord(
        folder=site_id,
        settings=settings,
        control=control,
        marks=MarkRows(spots, texts, texts, texts),
        stops=StopRows("stops.csv", whole, texts, texts, *[numbers] * 3, texts),
        exposures=ExposureRows(spots, texts, texts, numbers, numbers, texts, numbers),
        observations=ObservationRows("observations.csv", whole, texts, numbers, *[texts] * 5),
        inputs=(
            InputFile("site.toml", "a" * 64, 812, 1),
            InputFile("marks.csv", "b" * 64, 4011, 24),
        ),
        findings=(Finding("info", "read", "column-kept", "site", "a note", "", ""),),
    )
